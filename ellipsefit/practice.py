"""A simulated mirror with hidden faults, to rehearse the alignment on: it is measured, moved, measured again.

Its adjusters have gain errors, coupling, backlash, creep and, if wanted, wrong-handed screws; people make mistakes;
and between two measurements the carrier, or how the mirror lies under the instrument, is never quite the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np

from ellipsefit.align.change import line_map
from ellipsefit.align.orders import Order, Orders, adjusters_of, moved_mirror, orders_of
from ellipsefit.align.plan import CorrectionPlan
from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.errors import ParameterError
from ellipsefit.mirror import Mirror, spoken
from ellipsefit.profile import Profile
from ellipsefit.scan import Scan
from ellipsefit.simulate import (
    HiddenState,
    hidden_state,
    invented_mirror,
    simulate_profile,
    simulate_scans,
    smooth_noise,
)

#: Grid on which the surface's own error is drawn [m].
_FINE: Final = 1e-3
#: How far the mirror lies otherwise under the instrument each time: standard deviations of height [m], tilt [rad].
PLACING: Final = (20e-6, 10e-6)
#: What a person may do instead of what the sheet says; any other word is the adjuster turned in its stead.
Slip = Literal["not moved", "wrong way"] | tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Faults:
    """How the adjusters of a simulated mirror really are, in the mirror's order.

    Parameters
    ----------
    matrix : array, shape (A, A)
        Rise of the surface at each adjuster for a unit move of each; a wrong-handed screw's column is negative.
    backlash : array, shape (A,)
        Lost motion on reversal [m].
    offset : array, shape (A,)
        Where within its backlash each stands before anything moves [m], from -backlash/2 to +backlash/2.
    creep : float
        Share of a move that comes late.
    creep_time : float
        In which all but 1/e of that share has come [s].
    """

    matrix: FloatArray
    backlash: FloatArray
    offset: FloatArray
    creep: float = 0.0
    creep_time: float = 3600.0

    def __post_init__(self) -> None:
        for key in ("matrix", "backlash", "offset"):
            object.__setattr__(self, key, sealed(getattr(self, key)))
        count = len(self.backlash)
        if self.matrix.shape != (count, count) or self.offset.shape != (count,):
            raise ParameterError(f"faults: expected a square matrix, backlash and offset of {count} adjusters")
        if not (self.backlash >= 0).all() or not (np.abs(self.offset) <= self.backlash / 2 + 1e-15).all():
            raise ParameterError("faults: backlash must not be negative and offset within half of it")
        if not 0 <= self.creep < 1 or not self.creep_time > 0:
            raise ParameterError(f"faults: creep must be a share from 0 to below 1; got {self.creep!r}")

    @property
    def wrong_handed(self) -> tuple[int, ...]:
        """Places of the wrong-handed screws."""
        return tuple(int(place) for place in np.flatnonzero(np.diag(self.matrix) < 0))


def draw_faults(
    mirror: Mirror,
    rng: np.random.Generator,
    *,
    gain_error: float = 0.1,
    coupling: float = 0.05,
    crosstalk: float = 0.0,
    backlash: float = 2e-6,
    wrong_handed: int = 0,
    creep: float = 0.0,
    creep_time: float = 3600.0,
) -> Faults:
    """Draw faults: Gaussian gains about 1, coupling within a segment and crosstalk to its neighbours about 0.

    Parameters
    ----------
    gain_error, coupling, crosstalk : float
        Standard deviations.
    backlash : float
        Of every adjuster [m]; each starts anywhere within it.
    wrong_handed : int
        How many screws, chosen at random, go the wrong way.
    creep, creep_time
        As in `Faults`.
    """
    keys = list(adjusters_of(mirror))
    home = np.array([[s.name for s in mirror.segments].index(segment) for segment, _ in keys], dtype=int)
    count = len(keys)
    if not 0 <= wrong_handed <= count:
        raise ParameterError(f"wrong_handed must be from 0 to the {count} adjusters; got {wrong_handed}")
    apart = np.abs(home[:, None] - home[None, :])
    spread = np.where(apart == 0, coupling, np.where(apart == 1, crosstalk, 0.0))
    matrix = rng.normal(size=(count, count)) * spread
    matrix[np.diag_indices(count)] = 1 + gain_error * np.clip(rng.normal(size=count), -3, 3)
    sign = np.ones(count)
    sign[rng.choice(count, wrong_handed, replace=False)] = -1.0
    return Faults(
        matrix=matrix * sign,
        backlash=np.full(count, backlash),
        offset=rng.uniform(-backlash / 2, backlash / 2, count),
        creep=creep,
        creep_time=creep_time,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PracticeMirror:
    """A mirror to rehearse on. `moved` gives what it is after a round of moves, `measure` a profile of it.

    Only `mirror` is what an engineer knows; `state` and `faults` are hidden.
    """

    mirror: Mirror  # with its adjusters where they stand now
    state: HiddenState  # before any adjuster was moved
    faults: Faults
    slack: FloatArray  # (A,) where within its backlash each adjuster stands [m]
    travelled: FloatArray  # (A,) how far each has followed its scale, all in all [m]
    late: FloatArray  # (A,) of that, what creep has not brought yet [m]
    figure: float  # rms of the surface's own error [m, rad]
    correlation_length: float  # [m]
    seed: int  # of the surface: it stays the same
    carrier: tuple[float, float] = (0.0, 0.0)  # height at x = 0 [m] and tilt [rad] that the carrier was moved by

    def __post_init__(self) -> None:
        for key in ("slack", "travelled", "late"):
            object.__setattr__(self, key, sealed(getattr(self, key)))

    def moved(
        self,
        asked: Orders | CorrectionPlan,
        *,
        carrier: tuple[float, float] = (0.0, 0.0),
        slips: Mapping[tuple[str, str], Slip] | None = None,
    ) -> PracticeMirror:
        """Carry out a round of moves, one adjuster after the other.

        Parameters
        ----------
        asked : Orders or CorrectionPlan
            For the mirror as it stands; of a plan, the moves of the adjusters.
        carrier : tuple of float
            Height at x = 0 [m] and tilt [rad] by which the carrier is moved.
        slips : mapping, optional
            What a person does wrongly: for an adjuster 'not moved', 'wrong way' or the adjuster turned instead.

        Raises
        ------
        ParameterError
            If the orders do not start where the adjusters stand, or an adjuster would leave its travel.
        """
        keys = list(adjusters_of(self.mirror))
        where = {key: adjuster.position for key, adjuster in adjusters_of(self.mirror).items()}
        orders = asked if isinstance(asked, Orders) else orders_of(asked)
        here = Orders(mirror=self.mirror, moves=orders.moves)  # refuses moves that start elsewhere
        slack, travelled, late = self.slack.copy(), self.travelled.copy(), self.late.copy()
        for order in here.moves:
            key, path = _path(order, (slips or {}).get(order.key), where)
            place = keys.index(key)
            for stop in path:
                if not adjusters_of(self.mirror)[key].reaches(stop):
                    raise ParameterError(
                        f"{key[0]}/{key[1]}: {spoken(stop)} is outside its travel: it would meet its stop"
                    )
                half = self.faults.backlash[place] / 2
                new = _play(slack[place], stop - where[key], half)
                step = stop - where[key] + new - slack[place]
                slack[place], where[key] = new, stop
                travelled[place] += step
                late[place] += self.faults.creep * step
        return replace(
            self,
            mirror=moved_mirror(self.mirror, where),
            slack=slack,
            travelled=travelled,
            late=late,
            carrier=(self.carrier[0] + carrier[0], self.carrier[1] + carrier[1]),
        )

    def waited(self, time: float) -> PracticeMirror:
        """After some time [s], in which creep goes on."""
        return replace(self, late=self.late * np.exp(-time / self.faults.creep_time))

    @property
    def truth(self) -> HiddenState:
        """How the mirror really stands now."""
        names = tuple(segment.name for segment in self.mirror.segments)
        rise = self.faults.matrix @ (self.travelled - self.late)
        lines = (line_map(self.mirror, names, 2) @ rise).reshape(-1, 2)
        return replace(
            self.state,
            height=self.state.height + self.carrier[0],
            tilt=self.state.tilt + self.carrier[1],
            segment_height=tuple(float(v) for v in np.array(self.state.segment_height) + lines[:, 0]),
            segment_tilt=tuple(float(v) for v in np.array(self.state.segment_tilt) + lines[:, 1]),
        )

    def measure(
        self,
        rng: np.random.Generator,
        *,
        step: float = 2e-3,
        noise: float = 100e-9,
        quantity: str = "height",
        placing: tuple[float, float] = PLACING,
    ) -> Profile:
        """Measure a profile: the surface with its own error, white noise, and the mirror put down anew each time.

        Parameters
        ----------
        rng : numpy.random.Generator
        step, noise, quantity
            As for `simulate_profile`.
        placing : tuple of float
            Standard deviations of height [m] and tilt [rad] that all segments share each time.
        """
        put = self._put(rng, placing)
        surface = simulate_profile(self.mirror, put, rng, step=step, noise=0.0, figure=0.0, quantity=quantity)
        count = len(surface.x)
        return replace(
            surface,
            values=surface.values + self._own_error(surface.x) + rng.normal(0.0, noise, count),
            sigma=np.full(count, noise) if noise > 0 else None,
        )

    def scan(self, rng: np.random.Generator, **options: Any) -> tuple[Scan, ...]:
        """Raw scans, to be stitched; options as for `simulate_scans`, but for the surface's own error."""
        scans = simulate_scans(self.mirror, self._put(rng, PLACING), rng, figure=0.0, **options)
        return tuple(replace(scan, values=scan.values + self._own_error(scan.x)) for scan in scans)

    def _put(self, rng: np.random.Generator, placing: tuple[float, float]) -> HiddenState:
        """The truth, with the mirror lying a little otherwise than the last time."""
        truth = self.truth
        return replace(
            truth,
            height=truth.height + rng.normal(0.0, placing[0]),
            tilt=truth.tilt + rng.normal(0.0, placing[1]),
        )

    def _own_error(self, x: FloatArray) -> FloatArray:
        """The surface's own error at points [m, rad]: the same for every measurement of it."""
        rng, found = np.random.default_rng(self.seed), np.zeros(len(x))
        for segment in self.mirror.segments:
            count = max(round(segment.length / _FINE), 2)
            place = np.linspace(segment.start, segment.end, count)
            own = self.figure * smooth_noise(count, self.correlation_length * (count - 1) / segment.length, rng)
            mine = (x >= segment.start - 1e-9) & (x <= segment.end + 1e-9)
            found[mine] = np.interp(x[mine], place, own)
        return found

    def worst(self) -> tuple[float, float]:
        """Largest |height| [m] and |tilt| [rad] of a segment against the nominal ellipse, carrier at its best.

        The carrier's height and tilt are free and chosen so that the larger of both, each over its tolerance (2 um
        and 10 urad where none is stated), is smallest: this is what counts in the end, and needs no measurement.
        """
        from scipy.optimize import linprog

        mirror, truth = self.mirror, self.truth
        middle = np.array([segment.middle for segment in mirror.segments])
        height, tilt = np.array(truth.segment_height), np.array(truth.segment_tilt)
        for number, segment in enumerate(mirror.segments):
            lever = np.linspace(-0.5, 0.5, 65) * segment.length
            x = segment.middle + lever
            change = truth.ellipse.height(x) - mirror.nominal.height(x)
            height[number] += change.mean()
            tilt[number] += lever @ change / (lever @ lever)
        limits = mirror.tolerance.segment_height or 2e-6, mirror.tolerance.segment_tilt or 10e-6
        error = np.concatenate([height / limits[0], tilt / limits[1]])
        # unknowns of the order of one: the carrier's height in tolerances, and what its tilt does at one metre
        effect = np.concatenate(
            [
                np.column_stack([np.ones_like(middle), middle]),
                np.column_stack([np.zeros_like(middle), np.full_like(middle, limits[0] / limits[1])]),
            ]
        )
        bound = -np.ones(len(error))
        rows = np.concatenate([np.column_stack([effect, bound]), np.column_stack([-effect, bound])])
        found = linprog([0.0, 0.0, 1.0], A_ub=rows, b_ub=np.concatenate([-error, error]), bounds=(None, None))
        best = np.asarray(found.x, dtype=np.float64)[:2]
        left = np.abs(error + effect @ best).reshape(2, -1)
        return float(left[0].max() * limits[0]), float(left[1].max() * limits[1])


def _play(slack: float, stroke: float, half: float) -> float:
    """Where within its play a screw stands after a stroke: what drags does not move until the play is used up."""
    return float(np.clip(slack - stroke, -half, half))


def _path(
    order: Order, slip: Slip | None, where: Mapping[tuple[str, str], float]
) -> tuple[tuple[str, str], tuple[float, ...]]:
    """Which adjuster is really turned, and its stops one after the other [m]."""
    if slip is None:
        # people turn by so much: what was turned by mistake before stays in
        turn, end = order.turning_point, where[order.key] + order.move
        return order.key, ((end,) if turn is None else (end + turn - order.stop, end)) if order.move else ()
    if slip == "not moved":
        return order.key, ()
    if slip == "wrong way":
        return order.key, (order.start - order.move,)
    if isinstance(slip, str):
        raise ParameterError(f"{order.name}: a slip is 'not moved', 'wrong way' or an adjuster; got {slip!r}")
    return slip, (where[slip] + order.move,)


def practice_mirror(
    rng: np.random.Generator,
    *,
    mirror: Mirror | None = None,
    state: HiddenState | None = None,
    faults: Faults | None = None,
    figure: float = 100e-9,
    correlation_length: float = 40e-3,
) -> PracticeMirror:
    """An invented mirror to rehearse on, or your own with invented faults.

    Parameters
    ----------
    rng : numpy.random.Generator
        Of all that is hidden and not given.
    mirror : Mirror, optional
        By default that of the demo.
    state : HiddenState, optional
        How it stands.
    faults : Faults, optional
        How its adjusters are; by default 10 % gain error, 5 % coupling, 2 um backlash, no wrong-handed screws.
    figure, correlation_length : float
        Of the surface's own error [m].
    """
    design = invented_mirror() if mirror is None else mirror
    hidden = draw_faults(design, rng) if faults is None else faults
    count = len(adjusters_of(design))
    if len(hidden.backlash) != count:
        raise ParameterError(f"faults: are those of {len(hidden.backlash)} adjusters; expected {count}")
    return PracticeMirror(
        mirror=design,
        state=hidden_state(design, rng) if state is None else state,
        faults=hidden,
        slack=hidden.offset,
        travelled=np.zeros(count),
        late=np.zeros(count),
        figure=figure,
        correlation_length=correlation_length,
        seed=int(rng.integers(2**32)),
    )
