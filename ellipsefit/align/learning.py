"""What is known of the adjusters, and how a round of moves adds to it: a linear Gaussian update.

Unknown are the entries of the influence matrix that may differ from what is given, the backlash of each adjuster
and where within its backlash each one stands. A round tells lines of segments; it is linear in each of these
(moves times entries, entries times lost motion), and the few products are linearised again at the solution, as in
an iterated extended Kalman filter (A. H. Jazwinski, Stochastic Processes and Filtering Theory, 1970, section 8.3).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from ellipsefit.align.change import LineChange, carrier_map, line_map
from ellipsefit.align.objectives import SETTLING
from ellipsefit.align.orders import Order, adjusters_of
from ellipsefit.align.response import Response
from ellipsefit.arrays import BoolArray, FloatArray, IntArray, root, sealed
from ellipsefit.errors import ParameterError
from ellipsefit.mirror import Mirror

#: Standard uncertainties where the mirror file states none (common practice: gain errors of 2 % to 10 %, coupling
#: of 1 % to 10 % within a segment, 0.1 % to 1 % through the carrier).
USUAL_GAIN: Final = 0.1
USUAL_COUPLING: Final = 0.05
USUAL_CROSSTALK: Final = 0.01
#: Of the backlash, as a share of what the file states, and the least [m].
BACKLASH_SHARE: Final = 0.5
LEAST_BACKLASH: Final = 0.5e-6
#: How far the carrier may have moved, and a segment that something else moved, standard deviation [m].
CARRIER: Final = {1: (1e-3,), 2: (1e-3, 1e-3), 3: (1e-3, 1e-3, 1e-3)}
KNOCK: Final = 50e-6
#: Linearisations of the products of unknowns; the second changes nothing that can be measured.
PASSES: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Done:
    """What was really done in a round, per adjuster, in the mirror's order."""

    move: FloatArray  # (A,) of its own scale [m]
    side: FloatArray  # (A,) direction of the last stroke: +1, -1, 0 not moved
    settled: BoolArray  # (A,) whether that stroke took up all backlash
    knocked: frozenset[str] = frozenset()  # segments that something else moved

    @classmethod
    def of(cls, mirror: Mirror, orders: tuple[Order, ...]) -> Done:
        """All as asked."""
        keys = list(adjusters_of(mirror))
        count = len(keys)
        move, stroke, backlash = np.zeros(count), np.zeros(count), np.zeros(count)
        for order in orders:
            place = keys.index(order.key)
            move[place], stroke[place] = order.move, order.last_stroke
        for place, adjuster in enumerate(adjusters_of(mirror).values()):
            backlash[place] = _backlash_prior(adjuster.backlash)[0]
        settled = (move != 0) & (np.abs(stroke) >= backlash)
        return cls(move=move, side=np.sign(stroke), settled=settled)

    def changed(self, **moves: dict[int, float]) -> Done:
        """With other moves for some adjusters, `move={place: value}`; each goes straight to its end."""
        move, side, settled = self.move.copy(), self.side.copy(), self.settled.copy()
        for place, value in moves["move"].items():
            # a move that was made on another screw, or the other way round, kept nothing of its approach
            settled[place] = settled[place] and value != 0 and np.sign(value) == np.sign(self.move[place])
            move[place], side[place] = value, np.sign(value)
        return replace(self, move=move, side=side, settled=settled)


def _backlash_prior(stated: float) -> tuple[float, float]:
    return stated, max(BACKLASH_SHARE * stated, LEAST_BACKLASH)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Knowledge:
    """What is known of the adjusters of a mirror: a Gaussian over all that may differ from the given.

    Unknowns: entries (row, column) of the influence matrix, then each adjuster's backlash [m], then where within it
    each stands [m] (its surface stands that much further up than its scale says).
    """

    adjusters: tuple[tuple[str, str], ...]
    matrix: FloatArray  # (A, A) as given
    rows: IntArray  # (E,) entries that may differ
    columns: IntArray
    mean: FloatArray  # (E + 2 A,)
    covariance: FloatArray  # square
    verified: BoolArray  # (A,) its direction was seen in an earlier round
    rounds: int = 0

    def __post_init__(self) -> None:
        for key in ("matrix", "mean", "covariance"):
            object.__setattr__(self, key, sealed(getattr(self, key)))
        for key in ("rows", "columns"):
            object.__setattr__(self, key, sealed(getattr(self, key), np.intp))
        object.__setattr__(self, "verified", sealed(self.verified, np.bool_))

    @property
    def count(self) -> int:
        """Adjusters."""
        return len(self.adjusters)

    @property
    def influence(self) -> FloatArray:
        """The influence matrix as known now, shape (A, A)."""
        return _with_entries(self.matrix, self.rows, self.columns, self.mean)

    @property
    def backlash(self) -> FloatArray:
        """Backlash of each adjuster [m], shape (A,)."""
        return np.maximum(self.mean[self._backlash], 0.0)

    @property
    def backlash_stderr(self) -> FloatArray:
        """Its standard uncertainty [m], shape (A,)."""
        return root(np.diag(self.covariance)[self._backlash])

    @property
    def _backlash(self) -> slice:
        start = len(self.rows)
        return slice(start, start + self.count)

    @property
    def _offset(self) -> slice:
        start = len(self.rows) + self.count
        return slice(start, start + self.count)

    def response(self) -> Response:
        """The influence matrix with its standard uncertainties, for the next plan."""
        stderr = np.zeros((self.count, self.count))
        stderr[self.rows, self.columns] = root(np.diag(self.covariance)[: len(self.rows)])
        return Response(adjusters=self.adjusters, matrix=self.influence, stderr=stderr)

    def reversed(self, places: frozenset[int]) -> Knowledge:
        """What is known if these screws are wrong-handed: their columns change sign."""
        if not places:
            return self
        sign = np.ones(len(self.mean))
        sign[: len(self.rows)][np.isin(self.columns, list(places))] = -1.0
        matrix = self.matrix.copy()
        matrix[:, list(places)] *= -1
        return replace(self, matrix=matrix, mean=self.mean * sign, covariance=self.covariance * np.outer(sign, sign))

    def with_verified(self, places: frozenset[int]) -> Knowledge:
        """What is known once the direction of these screws was seen."""
        verified = self.verified.copy()
        verified[list(places)] = True
        return replace(self, verified=verified)


def _with_entries(matrix: FloatArray, rows: IntArray, columns: IntArray, values: FloatArray) -> FloatArray:
    found: FloatArray = np.array(matrix)
    found[rows, columns] = values[: len(rows)]
    return found


def first_knowledge(mirror: Mirror, response: Response | None = None) -> Knowledge:
    """What is known before any round: the given response, or rigid segments with usual gain errors and coupling.

    Raises
    ------
    ParameterError
        If the response is one of other adjusters.
    """
    keys = tuple(adjusters_of(mirror))
    count = len(keys)
    home = {name: number for number, name in enumerate(segment.name for segment in mirror.segments)}
    place = np.array([home[segment] for segment, _ in keys], dtype=int)
    apart = np.abs(place[:, None] - place[None, :])
    spread = np.where(apart == 0, USUAL_COUPLING, np.where(apart == 1, USUAL_CROSSTALK, 0.0))
    gain = [USUAL_GAIN if a.gain_error is None else a.gain_error for a in adjusters_of(mirror).values()]
    spread[np.diag_indices(count)] = gain
    matrix = np.eye(count)
    if response is not None:
        if response.adjusters != keys:
            raise ParameterError(
                f"response: is one of other adjusters than those of mirror '{mirror.name}'; expected the same, in its "
                "order"
            )
        matrix = response.matrix
        spread = np.where(response.stderr > 0, response.stderr, 0.0) if response.stderr.any() else spread
    rows, columns = np.nonzero(spread)
    priors = [_backlash_prior(adjuster.backlash) for adjuster in adjusters_of(mirror).values()]
    backlash, sure = np.array(priors).reshape(count, 2).T
    # before the first round each stands anywhere within its backlash, most likely at one of its ends
    inside = np.maximum(backlash, sure) / 2
    return Knowledge(
        adjusters=keys,
        matrix=matrix,
        rows=rows,
        columns=columns,
        mean=np.concatenate([matrix[rows, columns], backlash, np.zeros(count)]),
        covariance=np.diag(np.concatenate([spread[rows, columns], sure, inside]) ** 2),
        verified=np.zeros(count, dtype=bool),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Learned:
    """A round's outcome: what is known after it, and what each adjuster's surface did."""

    knowledge: Knowledge
    rise: FloatArray  # (A,) [m], of the surface at each adjuster, relative to the carrier
    rise_stderr: FloatArray
    carrier: FloatArray  # (k,) height at x = 0 [m], tilt and roll [rad] that all did together, as far as seen
    carrier_stderr: FloatArray
    line_seen: BoolArray  # (A,) whether the segment was measured both times


def learn(knowledge: Knowledge, mirror: Mirror, done: Done, change: LineChange) -> Learned:
    """Update what is known by one round of moves and the change of lines that followed."""
    count, size = knowledge.count, len(knowledge.mean)
    lines = line_map(mirror, change.segments, change.freedoms)
    carrier = carrier_map(mirror, change.segments, change.freedoms)
    width = carrier.shape[1]
    settling = np.full(count, SETTLING)
    homes = np.array([segment for segment, _ in knowledge.adjusters], dtype=np.str_)
    if done.knocked:
        settling[np.isin(homes, list(done.knocked))] = KNOCK
    unsettled = (done.side != 0) & ~done.settled
    # unknowns: knowledge, then what settling adds to each adjuster, then the carrier
    prior = np.zeros((size + count + width,) * 2)
    prior[:size, :size] = knowledge.covariance
    own = np.arange(size, size + count)
    prior[own, own] = settling**2 + np.where(unsettled, (knowledge.backlash / 2) ** 2, 0.0)
    common = np.arange(size + count, size + count + width)
    prior[common, common] = np.array(CARRIER[width]) ** 2
    start = np.concatenate([knowledge.mean, np.zeros(count + width)])
    state, posterior = start, prior
    tail = np.column_stack([lines, carrier])
    for _ in range(PASSES):
        rise, gradient = rises(knowledge, state[:size], done)
        jacobian = np.column_stack([lines @ gradient, tail])
        seen = lines @ rise + tail @ state[size:]
        gain, posterior = _update(prior, jacobian, change.covariance)
        state = start + gain @ (change.change - seen - jacobian @ (start - state))
    rise, gradient = rises(knowledge, state[:size], done)
    whole = np.column_stack([gradient, np.eye(count), np.zeros((count, width))])
    variance = np.einsum("ij,jk,ik->i", whole, posterior, whole)
    mean, covariance = _after(knowledge, state[:size], posterior[:size, :size], done)
    return Learned(
        knowledge=replace(knowledge, mean=mean, covariance=covariance, rounds=knowledge.rounds + 1),
        rise=rise + state[own],
        rise_stderr=root(variance),
        carrier=state[common],
        carrier_stderr=root(np.diag(posterior)[common]),
        line_seen=np.isin(homes, change.segments),
    )


def _update(prior: FloatArray, jacobian: FloatArray, noise: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Gain and posterior covariance of a linear Gaussian update, in the form that keeps it symmetric (Joseph)."""
    from scipy.linalg import cho_factor, cho_solve

    cross = prior @ jacobian.T
    together = jacobian @ cross + noise
    together[np.diag_indices(len(together))] *= 1 + 1e-12
    gain: FloatArray = cho_solve(cho_factor(together), cross.T).T
    left = np.eye(len(prior)) - gain @ jacobian
    posterior: FloatArray = left @ prior @ left.T + gain @ noise @ gain.T
    return gain, posterior


def rises(knowledge: Knowledge, values: FloatArray, done: Done) -> tuple[FloatArray, FloatArray]:
    """Rise of the surface at each adjuster, shape (A,), and its derivatives by the unknowns, shape (A, E + 2 A).

    The surface follows the scale less what is lost: after a rising stroke it lags by half the backlash, after a
    falling one it leads by half; before, it stood where the last round left it.
    """
    entries, count = len(knowledge.rows), knowledge.count
    matrix = _with_entries(knowledge.matrix, knowledge.rows, knowledge.columns, values)
    backlash, offset = values[entries : entries + count], values[entries + count :]
    lost = np.where(done.settled, -done.side / 2 * backlash - offset, 0.0)
    effective = done.move + lost
    gradient = np.zeros((count, len(values)))
    gradient[knowledge.rows, np.arange(entries)] = effective[knowledge.columns]
    gradient[:, entries : entries + count] = matrix * np.where(done.settled, -done.side / 2, 0.0)
    gradient[:, entries + count :] = matrix * np.where(done.settled, -1.0, 0.0)
    return matrix @ effective, gradient


def _after(
    knowledge: Knowledge, values: FloatArray, covariance: FloatArray, done: Done
) -> tuple[FloatArray, FloatArray]:
    """State after the moves: where a stroke took up all backlash, it is known within which end a screw stands."""
    size, entries, count = len(values), len(knowledge.rows), knowledge.count
    step, added = np.eye(size), np.zeros(size)
    for place in np.flatnonzero(done.side):
        row = entries + count + place
        step[row] = 0.0
        if done.settled[place]:
            step[row, entries + place] = -done.side[place] / 2
        else:
            added[row] = (knowledge.backlash[place] / 2) ** 2
    mean: FloatArray = step @ values
    return mean, step @ covariance @ step.T + np.diag(added)


def evidence_parts(
    knowledge: Knowledge, lines: FloatArray, done: Done, sign: FloatArray, columns: IntArray
) -> tuple[FloatArray, FloatArray]:
    """What some adjusters' moves add to the expected lines, and to their covariance, with columns' signs given.

    Correlations with other adjusters are left out: between screws of one segment they count, beyond hardly.
    """
    entries, count = len(knowledge.rows), knowledge.count
    own = np.concatenate(
        [np.flatnonzero(np.isin(knowledge.columns, columns)), entries + columns, entries + count + columns]
    )
    chosen = np.zeros(count, dtype=bool)
    chosen[columns] = True
    part = Done(
        move=np.where(chosen, done.move, 0.0),
        side=np.where(chosen, done.side, 0.0),
        settled=done.settled & chosen,
    )
    _, gradient = rises(knowledge, knowledge.mean, part)
    flip = sign[columns]
    matrix = knowledge.influence[:, columns]
    backlash, offset = knowledge.mean[entries + columns], knowledge.mean[entries + count + columns]
    lost = np.where(part.settled[columns], -part.side[columns] / 2 * backlash - offset, 0.0)
    rise = matrix @ (flip * (part.move[columns] + lost))
    signs = np.ones(gradient.shape[1])
    signs[:entries] = sign[knowledge.columns]
    signs[entries : entries + count] = sign
    signs[entries + count :] = sign
    jacobian = lines @ (gradient * signs)[:, own]
    spread: FloatArray = jacobian @ knowledge.covariance[np.ix_(own, own)] @ jacobian.T
    loose = columns[(part.side[columns] != 0) & ~part.settled[columns]]
    vague = lines[:, loose] * (knowledge.backlash[loose] / 2)
    return lines @ rise, spread + vague @ vague.T
