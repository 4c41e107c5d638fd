"""Fewest moves: by the arrangement of what each segment allows the carrier, else by branch and bound.

Rigid segments with screws of their own share nothing but the carrier's pose. For each segment and each choice of
screws that are touched, the poses from which the others may stand still are a convex polygon (own unknowns
eliminated: J. Fourier, 1826; T. S. Motzkin, 1936). The poses that spare most lie in an intersection of such polygons,
which has a corner, and a corner is one of a polygon or where two edges meet: finitely many, all of which are looked at.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np

from ellipsefit.align.program import UNIT, column_size, minimise_linear
from ellipsefit.arrays import BoolArray, FloatArray, IntArray
from ellipsefit.silence import silent_output

#: Share by which a count proven by branch and bound may exceed the smallest, and the time it gets [s].
WHOLE_GAP: Final = 0.01
WHOLE_TIME: Final = 5.0
#: Where the carrier is looked for if nothing limits it, in `UNIT`.
_FAR: Final = 1e6
#: What rounding may take a corner across an edge, in `UNIT`: below the tolerance of the linear programmes.
_EDGE: Final = 1e-8
#: Largest number of unknowns of its own that a segment has: height, tilt and roll.
_OWN: Final = 3


def fewest_moves(
    rows: FloatArray,
    limits: FloatArray,
    moves: FloatArray,
    low: FloatArray,
    high: FloatArray,
    *,
    shared: int,
    groups: Sequence[tuple[IntArray, int]] = (),
) -> tuple[BoolArray, float] | None:
    """Fewest moves that differ from zero, subject to rows @ v <= limits and low <= moves @ v <= high.

    Parameters
    ----------
    rows, limits, moves, low, high
        The limits [m] and the moves as linear functions of the unknowns; the rows hold low and high, too.
    shared : int
        Unknowns, the first ones, that all segments share.
    groups : sequence of (places, least)
        Moves of which either none is made or at least so many, as of a rigid body that can't turn about all its
        supports. They only spare branch and bound some time.

    Returns
    -------
    chosen : array of bool, shape (A,)
    bound : float
        No plan has fewer. None in place of both if the limits contradict each other.
    """
    used = np.any(np.concatenate([rows, moves]) != 0, axis=0)  # of the carrier's roll, say, tolerances know nothing
    rows, moves, shared = rows[:, used], moves[:, used], int(used[:shared].sum())
    size = column_size(np.concatenate([rows, moves]))
    parts = _segments(rows / size, limits / UNIT, moves / size, shared) if shared <= 2 else None
    if parts is None:
        return _branch_and_bound(rows, limits, moves, low, high, groups)
    box = _box(rows / size, limits, shared)
    if box is None:
        return None
    return _fewest_of(parts, box, len(moves))


@dataclass(frozen=True, slots=True, eq=False)
class _Segment:
    """Limits of one segment: shared @ c + own @ o <= limits, and its moves @ o."""

    shared: FloatArray  # (m, s)
    own: FloatArray  # (m, r)
    limits: FloatArray  # (m,)
    places: IntArray  # (a,) of its moves among all
    moves: FloatArray  # (a, r)


@dataclass(frozen=True, slots=True, eq=False)
class _Polygon:
    """Poses of the carrier, as corners in order and as what keeps them there: rows @ c <= limits."""

    corners: FloatArray  # (k, 2)
    rows: FloatArray  # (m, 2)
    limits: FloatArray  # (m,)

    def cut(self, row: FloatArray, limit: float) -> _Polygon | None:
        """What of it is within one more limit; None: nothing."""
        beyond = self.corners @ row - limit
        inside = beyond <= _EDGE / 4
        if inside.all():
            return self
        if not inside.any():
            return None
        corners = []
        for here in range(len(beyond)):
            there = (here + 1) % len(beyond)
            if inside[here]:
                corners.append(self.corners[here])
            if inside[here] != inside[there]:
                share = beyond[here] / (beyond[here] - beyond[there])
                corners.append(self.corners[here] + share * (self.corners[there] - self.corners[here]))
        return _Polygon(np.array(corners), np.concatenate([self.rows, row[None, :]]), np.append(self.limits, limit))

    def within(self, rows: FloatArray, limits: FloatArray) -> _Polygon | None:
        """What of it is within more limits, the sharpest first; None: nothing."""
        found: _Polygon | None = self
        while found is not None and len(rows):
            beyond = (found.corners @ rows.T - limits).max(axis=0)
            worst = int(np.argmax(beyond))
            if beyond[worst] <= _EDGE / 4:
                break
            found = found.cut(rows[worst], float(limits[worst]))
            kept = beyond > _EDGE / 4
            kept[worst] = False
            rows, limits = rows[kept], limits[kept]
        return found and found.pruned()

    def pruned(self) -> _Polygon:
        """Itself, without limits that no corner reaches."""
        reached = (self.corners @ self.rows.T - self.limits).max(axis=0) >= -_EDGE
        return _Polygon(self.corners, self.rows[reached], self.limits[reached])


def _segments(rows: FloatArray, limits: FloatArray, moves: FloatArray, shared: int) -> list[_Segment] | None:
    """Each segment's part of the limits; None: they share more than the first unknowns, or have too many of their own.

    The last part holds what has no unknowns of its own and no moves.
    """
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import connected_components

    if moves[:, :shared].any():
        return None
    met = csr_array(np.concatenate([rows, moves])[:, shared:] != 0, dtype=np.int64)
    count, labels = connected_components(met.T @ met, directed=False)
    parts = []
    left = np.ones(len(rows), dtype=bool)
    for label in range(count):
        columns = shared + np.flatnonzero(labels == label)
        if len(columns) > _OWN:
            return None
        mine, ours = rows[:, columns].any(axis=1), np.flatnonzero(moves[:, columns].any(axis=1))
        left &= ~mine
        parts.append(
            _Segment(rows[mine, :shared], rows[np.ix_(mine, columns)], limits[mine], ours, moves[np.ix_(ours, columns)])
        )
    nothing = np.zeros(0, dtype=np.intp)
    return [*parts, _Segment(rows[left, :shared], rows[left, :0], limits[left], nothing, moves[:0, :0])]


def _box(rows: FloatArray, limits: FloatArray, shared: int) -> _Polygon | None:
    """A box that holds all poses from which the limits can be kept, a little wider; None: there are none.

    Of one shared unknown, the second coordinate means nothing.
    """
    ends = np.tile([[-1.0], [1.0]], (1, 2))
    for column in range(shared):
        cost = np.zeros(rows.shape[1])
        for end, sign in ((0, 1.0), (1, -1.0)):
            cost[column] = sign
            found = minimise_linear(cost, rows, limits)
            if found is None:
                # contradiction, or no end: the sum of nothing has one
                if minimise_linear(np.zeros_like(cost), rows, limits) is None:
                    return None
                ends[end, column] = -sign * _FAR
            else:
                ends[end, column] = sign * (found.cost / UNIT - 1.0)
    low, high = ends
    corners = np.array([[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]])
    return _Polygon(corners, np.concatenate([np.eye(2), -np.eye(2)]), np.concatenate([high, -low]))


def _fewest_of(parts: list[_Segment], box: _Polygon, count: int) -> tuple[BoolArray, float] | None:
    """The pose from which fewest screws are touched, and which."""
    allowed: _Polygon | None = box
    every = [_choices(part) for part in parts]
    for choices in every:
        allowed = allowed and allowed.within(choices[-1].rows, choices[-1].limits)
    if allowed is None:
        return None
    cost = np.array([len(choices[-1].touched) for choices in every])
    possible = []
    for owner, choice in ((owner, choice) for owner, choices in enumerate(every) for choice in choices[:-1]):
        polygon = allowed.within(choice.rows, choice.limits)
        if polygon is not None:
            possible.append((owner, choice.touched, polygon))
    corners = _corners([allowed, *(polygon for _, _, polygon in possible)])
    corners = corners[_holds(allowed, corners)]
    spared = np.zeros((len(corners), len(parts)), dtype=np.intp)
    for owner, touched, polygon in possible:
        held = _holds(polygon, corners)
        spared[held, owner] = np.maximum(spared[held, owner], cost[owner] - len(touched))
    pose = corners[[int(np.argmax(spared.sum(axis=1)))]]
    chosen = np.zeros(count, dtype=bool)
    for owner, choices in enumerate(every):
        fitting = [touched for whose, touched, polygon in possible if whose == owner and _holds(polygon, pose).all()]
        chosen[min(fitting, key=len, default=choices[-1].touched)] = True
    return chosen, float(chosen.sum())


@dataclass(frozen=True, slots=True, eq=False)
class _Choice:
    """Screws of a segment that are touched, and what that leaves the carrier: rows @ c <= limits."""

    touched: IntArray
    freedom: int
    rows: FloatArray
    limits: FloatArray


def _choices(part: _Segment) -> list[_Choice]:
    """All choices of screws of a segment that are of use; the last leaves it all motions it has.

    More screws are only touched where that frees a motion of the segment.
    """
    found: list[_Choice] = []
    count = len(part.places)
    for many in range(count + 1):
        for some in combinations(range(count), many):
            touched = part.places[list(some)]
            free = _still(np.delete(part.moves, some, axis=0), part.own.shape[1])
            freedom = int(free.shape[1])
            if any(set(other.touched).issubset(touched) and other.freedom == freedom for other in found):
                continue
            rows, limits = _eliminated(part.shared, part.own @ free, part.limits)
            rows = np.column_stack([rows, np.zeros((len(rows), 2 - rows.shape[1]))])
            size = column_size(rows.T)
            found.append(_Choice(touched, freedom, rows / size[:, None], limits / size))
    most = max(choice.freedom for choice in found)
    full = next(choice for choice in found if choice.freedom == most)
    return [*(choice for choice in found if choice is not full), full]


def _still(moves: FloatArray, own: int) -> FloatArray:
    """Motions, as columns, that leave these screws still."""
    if not len(moves) or not own:
        return np.eye(own)
    from scipy.linalg import null_space

    return np.asarray(null_space(moves), dtype=np.float64)


def _eliminated(shared: FloatArray, own: FloatArray, limits: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Limits of the shared unknowns alone: own unknowns go one after the other, by all pairs that cancel them."""
    while own.shape[1]:
        size = np.abs(own).max(axis=1)
        column = np.where(np.abs(own[:, 0]) > 1e-12 * size, own[:, 0], 0.0)
        up, down, none = (np.flatnonzero(mask) for mask in (column > 0, column < 0, column == 0))
        first, second = np.repeat(up, len(down)), np.tile(down, len(up))
        weights = np.stack([-column[second], column[first]])
        weights = weights / weights.sum(axis=0)
        everything = np.column_stack([shared, own[:, 1:], limits])
        mixed = weights[0][:, None] * everything[first] + weights[1][:, None] * everything[second]
        everything = np.concatenate([everything[none], mixed])
        shared, own, limits = (
            everything[:, : shared.shape[1]],
            everything[:, shared.shape[1] : -1],
            everything[:, -1],
        )
    return shared, limits


def _corners(polygons: list[_Polygon]) -> FloatArray:
    """Corners of all polygons, and where lines on which their edges lie meet, shape (n, 2)."""
    lines = np.unique(np.concatenate([np.column_stack([polygon.rows, polygon.limits]) for polygon in polygons]), axis=0)
    rows, limits = lines[:, :2], lines[:, 2]
    first, second = np.triu_indices(len(rows), 1)
    determinant = rows[first, 0] * rows[second, 1] - rows[first, 1] * rows[second, 0]
    length = np.linalg.norm(rows, axis=1)
    meet = np.abs(determinant) > 1e-9 * length[first] * length[second]
    first, second, determinant = first[meet], second[meet], determinant[meet]
    at = np.stack(
        [
            limits[first] * rows[second, 1] - limits[second] * rows[first, 1],
            rows[first, 0] * limits[second] - rows[second, 0] * limits[first],
        ],
        axis=1,
    )
    return np.concatenate([*(polygon.corners for polygon in polygons), at / determinant[:, None]])


def _holds(polygon: _Polygon, places: FloatArray) -> BoolArray:
    """Whether it holds each of some places."""
    held: BoolArray = np.all(places @ polygon.rows.T <= polygon.limits + _EDGE, axis=1)
    return held


def _branch_and_bound(
    rows: FloatArray,
    limits: FloatArray,
    moves: FloatArray,
    low: FloatArray,
    high: FloatArray,
    groups: Sequence[tuple[IntArray, int]],
) -> tuple[BoolArray, float] | None:
    """The same by HiGHS, where segments share more than a pose: screws that are coupled, roll, a spot that is held.

    A move that isn't made is held at zero through its range times a number that is 0 or 1. The bound is within
    `WHOLE_GAP`, or what `WHOLE_TIME` allowed to prove.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csc_array

    count, n = moves.shape
    low, high = _reach(rows, limits, moves, low, high)
    size = column_size(np.concatenate([rows, moves]))
    ties = np.zeros((sum(len(places) + 1 for places, _ in groups), count + len(groups)))
    row = 0
    for group, (places, least) in enumerate(groups):
        ties[row, places], ties[row, count + group] = -1.0, least
        for place in places:
            row += 1
            ties[row, place], ties[row, count + group] = 1.0, -1.0
        row += 1
    whole = count + len(groups)
    spare = np.zeros((count, len(groups)))
    matrix = np.concatenate(
        [
            np.column_stack([rows / size, np.zeros((len(rows), whole))]),
            np.column_stack([moves / size, -np.diag(high / UNIT), spare]),
            np.column_stack([-moves / size, np.diag(low / UNIT), spare]),
            np.column_stack([np.zeros((len(ties), n)), ties]),
        ]
    )
    bound = np.concatenate([limits / UNIT, np.zeros(2 * count + len(ties))])
    with silent_output():  # branch and bound has remarks that no option stops
        found = milp(
            np.concatenate([np.zeros(n), np.ones(count), np.zeros(len(groups))]),
            integrality=np.concatenate([np.zeros(n), np.ones(whole)]),
            bounds=Bounds(
                np.concatenate([np.full(n, -np.inf), np.zeros(whole)]),
                np.concatenate([np.full(n, np.inf), np.ones(whole)]),
            ),
            constraints=LinearConstraint(csc_array(matrix), -np.inf, bound),
            options={"mip_rel_gap": WHOLE_GAP, "time_limit": WHOLE_TIME},
        )
    if found.x is None:
        return None
    return np.asarray(found.x[n : n + count] > 0.5), float(np.ceil(found.mip_dual_bound - 1e-6))


def _reach(
    rows: FloatArray, limits: FloatArray, moves: FloatArray, low: FloatArray, high: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Ranges of the moves that the limits leave: the tighter they are, the sooner a count is proven."""

    def most(move: FloatArray, end: float) -> float:
        best = minimise_linear(-move, rows, limits)
        return end if best is None else min(max(-best.cost, 0.0) * (1 + 1e-6) + 1e-12, end)

    return -np.array(list(map(most, -moves, -low))), np.array(list(map(most, moves, high)))
