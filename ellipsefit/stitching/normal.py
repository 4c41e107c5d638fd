"""The joining problem with the profile eliminated: small normal equations for scans and guide.

Each point is profile(knot) + scan's effects + guide(carriage). Every knot of the profile is met by a few
points only, so it is eliminated by taking weighted means; what is left has the size of the effects, and
couples neighbours only, but for the guide. Points are visited in windows of knots, in which few scans meet:
memory stays bounded, the cost is linear in points, and windows are worked on side by side.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, TypeVar

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array

from ellipsefit.arrays import FloatArray, IntArray
from ellipsefit.stitching.bordered import Bordered
from ellipsefit.stitching.conditioned import ConditionedScan
from ellipsefit.stitching.guide import GuideBasis
from ellipsefit.threads import in_threads

R = TypeVar("R")
KnotArray = npt.NDArray[np.int32]

#: A window ends where it has so many knots or so many points, whichever comes first.
WINDOW_KNOTS: Final = 8192
WINDOW_POINTS: Final = 65_536
#: Points that get their knots in one go.
BLOCK: Final = 1 << 19
#: Knots on which the modes of large problems are chosen, at least.
FEW_KNOTS: Final = 200_000
#: Knots that windows don't part, as a power of two.
GRAIN: Final = 5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Observations:
    """The points in use, each with its knot of the profile; arrays stay with their scans.

    Scans stand in the order of elimination: by their first knot, and those that overlap with far more than the
    others last.
    """

    scans: tuple[ConditionedScan, ...]
    order: IntArray  # (scans,) where each stands among the scans as they were given
    knot: tuple[KnotArray, ...]  # of the points in use of each scan, ascending
    knots: int
    wide: int  # scans that overlap with far more than the others, the last ones
    edges: IntArray  # where windows of knots begin, and where the last ends
    place: FloatArray | None = None  # (knots,) with the next: points are carried to their knots along this slope
    slope: FloatArray | None = None

    @property
    def narrow(self) -> int:
        """Scans that overlap with few others."""
        return len(self.scans) - self.wide

    @property
    def count(self) -> int:
        """Points in use."""
        return sum(len(knot) for knot in self.knot)

    @property
    def freedom_per_scan(self) -> float:
        """Points beyond the profile's own, for each scan: what drift can be told from."""
        return (self.count - self.knots) / len(self.scans)

    @property
    def carriage_range(self) -> FloatArray | None:
        """Least and largest carriage position of the points in use, (2,); None unless all scans have one."""
        ends = []
        for scan in self.scans:
            if scan.scan.carriage is None:
                return None
            carriage = scan.scan.carriage if not scan.code.any() else scan.scan.carriage[scan.used]
            ends += [float(carriage.min()), float(carriage.max())]
        return np.array([min(ends), max(ends)])

    @property
    def bandwidth(self) -> int:
        """Largest distance in their order of two narrow scans that share knots, by their ends."""
        first, last = self._ends
        n = self.narrow
        return int(np.max(np.searchsorted(first[:n], last[:n], side="right") - 1 - np.arange(n), initial=0))

    @property
    def _ends(self) -> tuple[IntArray, IntArray]:
        first = np.array([knot[0] for knot in self.knot], dtype=np.intp)
        last = np.array([knot[-1] for knot in self.knot], dtype=np.intp)
        return first, last

    def over_windows(self, function: Callable[[Window], R], effects: Effects) -> Iterator[tuple[Window, R]]:
        """What a function tells of each window, in the order of knots."""
        scales = _Scales.of(self.scans, effects)

        def work(share: tuple[int, int, list[tuple[int, int, int]]]) -> tuple[Window, R]:
            window = _window(self, effects, scales, *share)
            return window, function(window)

        return in_threads(work, self._shares())

    def _shares(self) -> Iterator[tuple[int, int, list[tuple[int, int, int]]]]:
        """Windows as first knot, end, and the stretches of scans' points in them: scan, first point, end."""
        first, last = self._ends
        n = self.narrow
        reach = np.maximum.accumulate(last[:n])
        at = np.zeros(len(self.scans), dtype=np.intp)
        for start, stop in zip(self.edges[:-1].tolist(), self.edges[1:].tolist(), strict=True):
            low, high = int(np.searchsorted(reach, start)), int(np.searchsorted(first[:n], stop))
            near = np.concatenate([np.arange(low, high), np.arange(n, len(self.scans))])
            near = near[(first[near] < stop) & (last[near] >= start)]
            stretches = []
            for number in near.tolist():
                begin, knot = int(at[number]), self.knot[number]
                end = len(knot) if last[number] < stop else int(np.searchsorted(knot, stop))
                at[number] = end
                if end > begin:
                    stretches.append((number, begin, end))
            yield start, stop, stretches


def gather(scans: Sequence[ConditionedScan], step: float, *, border: bool = True) -> Observations:
    """Collect the points in use; those closer than half a step share a knot of the profile.

    Parameters
    ----------
    scans : sequence of ConditionedScan
    step : float
        Distance of points [m].
    border : bool
        Whether scans that overlap with far more than the others are set apart.
    """
    knot, count = _knots(scans, step)
    order = np.argsort([mine[0] for mine in knot], kind="stable")
    wide = 0
    if border:
        first = np.array([knot[number][0] for number in order])
        ahead = np.searchsorted(first, [knot[number][-1] for number in order], side="right") - 1 - np.arange(len(order))
        widest = np.argsort(-ahead, kind="stable")
        wide = int(np.argmin(ahead[widest] + np.arange(len(order))))  # least rows of band and border together
        apart = np.zeros(len(order), dtype=bool)
        apart[widest[:wide]] = True
        order = np.concatenate([order[~apart], order[apart]])
    knot = [knot[number] for number in order]
    return Observations(
        scans=tuple(scans[number] for number in order),
        order=order,
        knot=tuple(knot),
        knots=count,
        wide=wide,
        edges=_edges(knot, count),
    )


def _knots(scans: Sequence[ConditionedScan], step: float) -> tuple[list[KnotArray], int]:
    """Knots of the points in use of each scan, in the order of x, and how many there are."""
    ends = [scan.x[scan.rising][[0, -1]] for scan in scans]
    low, high = float(np.min(ends)), float(np.max(ends))
    counts = [int(np.count_nonzero(scan.code == 0)) for scan in scans]
    last = np.cumsum(counts)
    # segments lie one behind the other: two of them never share a key
    size = int(np.rint((high - low) / step)) + 2 * max(int(scan.segment.max()) for scan in scans) + 1
    dense = size < 8 * int(last[-1]) + 1_000_000
    whole = np.empty(int(last[-1]), dtype=np.int32 if dense else np.int64)
    for scan, count, end in zip(scans, counts, last.tolist(), strict=True):
        places = scan.rising
        whole[end - count : end] = np.rint((scan.x[places] - low) / step) + 2.0 * scan.segment[places]
    if dense:
        met = np.zeros(size, dtype=bool)
        met[whole] = True
        rank = np.cumsum(met, dtype=np.int32) - np.int32(1)
        for start in range(0, len(whole), BLOCK):
            part = whole[start : start + BLOCK]
            part[:] = rank[part]
        knots = int(rank[-1]) + 1
    else:  # points far apart for their step
        found, places_of = np.unique(whole, return_inverse=True)
        whole, knots = places_of.astype(np.int32), len(found)
    return np.split(whole, last[:-1]), knots


def binned(places: IntArray, values: FloatArray, size: int) -> FloatArray:
    """Sums of values (N,) by places (N,), shape (size,)."""
    return np.asarray(np.bincount(places, values, size), dtype=np.float64)


def _edges(knot: Sequence[KnotArray], count: int) -> IntArray:
    """Knots at which windows begin, and the end of the last."""
    points = np.zeros((count >> GRAIN) + 1, dtype=np.intp)
    for mine in knot:
        grain = mine >> GRAIN
        points[grain[0] : grain[-1] + 1] += np.bincount(grain - grain[0])
    held = np.concatenate([[0], np.cumsum(points)])
    most = max(WINDOW_KNOTS >> GRAIN, 1)
    edges = [0]
    while edges[-1] < len(points):
        start = edges[-1]
        full = int(np.searchsorted(held, held[start] + WINDOW_POINTS))
        edges.append(min(start + most, full, len(points)))
    return np.asarray([min(edge << GRAIN, count) for edge in edges], dtype=np.intp)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Effects:
    """Columns of the effects: for each scan height (not for slopes), tilt and drift, then the guide."""

    heights: bool
    drift_degree: int  # highest power of time; below 2: no drift
    guide: GuideBasis | None
    scans: int

    @property
    def per_scan(self) -> int:
        """Effects of one scan."""
        own = 1 + int(self.heights)
        return own + (self.drift_degree + 1 - self.first_power if self.drift_degree >= 2 else 0)

    @property
    def first_power(self) -> int:
        """Lowest power of time in the drift: what lies below is the scan's height and tilt, of slopes its tilt."""
        return 1 + int(self.heights)

    @property
    def tilt_column(self) -> int:
        """Place of the tilt among a scan's effects."""
        return int(self.heights)

    @property
    def size(self) -> int:
        """All effects."""
        return self.per_scan * self.scans + (0 if self.guide is None else self.guide.size)

    @property
    def guide_columns(self) -> slice:
        """Where the guide's coefficients stand."""
        return slice(self.per_scan * self.scans, self.size)

    def of_points(self, along: FloatArray, time: FloatArray | None) -> list[FloatArray]:
        """A scan's effects at points, by their places along the scan and in its time, both from -1 to 1.

        A tilt counts by the height that it makes at the scan's ends [m]; by itself for slopes [rad].
        """
        rows = [np.ones_like(along)]
        if self.heights:
            rows.append(along)
        if self.drift_degree >= 2 and time is not None:
            rows += list(np.polynomial.legendre.legvander(time, self.drift_degree).T[self.first_power :])
        return rows


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Scales:
    """What brings places and times of each scan to -1 to 1, shape (scans,) each."""

    middle: FloatArray
    half: FloatArray
    time_middle: FloatArray
    time_half: FloatArray
    guide_sign: FloatArray

    @classmethod
    def of(cls, scans: Sequence[ConditionedScan], effects: Effects) -> _Scales:
        ends = np.array([(scan.x[0], scan.x[-1]) for scan in scans])
        times = np.zeros((len(scans), 2))
        if effects.drift_degree >= 2:
            times = np.array([(0.0, 0.0) if (t := scan.scan.time) is None else (t[0], t[-1]) for scan in scans])
        half = np.abs(times[:, 1] - times[:, 0]) / 2
        return cls(
            middle=ends.mean(axis=1),
            half=np.abs(ends[:, 1] - ends[:, 0]) / 2,
            time_middle=times.mean(axis=1),
            time_half=np.where(half > 0, half, 1.0),
            guide_sign=np.array([scan.guide_sign for scan in scans]),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Window:
    """The points of a stretch of knots, scan by scan, with what each effect has to do with them.

    Columns of the window are the effects of the narrow scans that meet in it, then the border: wide scans, guide.
    """

    start: int  # first knot
    rows: int  # knots
    stretches: list[tuple[int, int, int]]  # scan, its first point in the window, end
    places: list[IntArray | slice]  # of each stretch's points in the arrays of its scan
    scan: IntArray  # (n,) stretch of each point
    knot: IntArray  # (n,) from the start
    x: FloatArray  # (n,)
    deviation: FloatArray  # (n,)
    weight: FloatArray  # (n,) 1 / sigma**2
    at_knot: FloatArray  # (rows,) weight of all points of a knot
    effect: FloatArray  # (e, n) the effects at each point
    column: IntArray  # (e, n) and their columns
    runs: IntArray  # (q,) where points begin that share their columns
    columns: IntArray  # (w,) the window's columns among all effects
    own: int  # columns before the border

    def mean(self, values: FloatArray) -> FloatArray:
        """Weighted mean of points' values in each knot."""
        mean: FloatArray = binned(self.knot, self.weight * values, self.rows) / self.at_knot
        return mean

    def means(self, every: int = 1) -> coo_array:
        """Weighted mean of the effects in one knot of every so many, counted over all windows; (knots, w)."""
        first = -self.start % every
        few = slice(None) if every == 1 else np.flatnonzero(self.knot % every == first)
        knot = self.knot[few]
        values = self.effect[:, few] * (self.weight[few] / self.at_knot[knot])
        return self._sums((knot - first) // every, self.column[:, few], values, -((first - self.rows) // every))

    def _sums(self, row: IntArray, column: IntArray, values: FloatArray, rows: int) -> coo_array:
        """Sums of values by rows (n,) and columns (e, n) of the window, shape (rows, w)."""
        places = np.broadcast_to(row, column.shape).ravel(), column.ravel()
        return coo_array((values.ravel(), places), shape=(rows, len(self.columns)))

    def squares(self) -> FloatArray:
        """Weighted products of the effects, summed over points, shape (w, w)."""
        wide = len(self.columns)
        first, second = np.triu_indices(len(self.effect))
        products = (self.effect * self.weight)[first] * self.effect[second]
        at = self.column[:, self.runs]
        upper = np.bincount(
            (at[first] * wide + at[second]).ravel(),
            np.add.reduceat(products, self.runs, axis=1).ravel(),
            wide * wide,
        ).reshape(wide, wide)
        return np.asarray(upper + np.triu(upper, 1).T)

    def away(self) -> float:
        """Largest distance of a point from the mean place of its knot [m]."""
        return float(np.abs(self.x - self.mean(self.x)[self.knot]).max())

    def normal(self) -> tuple[FloatArray, FloatArray, float, float]:
        """Matrix, right side and sum of squares of the effects, less the knots' means, and `away`."""
        share = self.effect * (self.weight / np.sqrt(self.at_knot)[self.knot])
        sums = self._sums(self.knot, self.column, share, self.rows).toarray()
        right, square = self.right()
        return self.squares() - sums.T @ sums, right, square, self.away()

    def gram(self, every: int) -> FloatArray:
        """Products of the effects' means in the chosen knots, summed over these, shape (w, w)."""
        means = self.means(every).toarray()
        return np.asarray(means.T @ means)

    def right(self) -> tuple[FloatArray, float]:
        """Right side and sum of squares alone."""
        rest = self.deviation - self.mean(self.deviation)[self.knot]
        weighted = self.weight * rest
        right = binned(self.column.ravel(), (self.effect * weighted).ravel(), len(self.columns))
        return right, float(weighted @ rest)

    def model(self, values: FloatArray) -> FloatArray:
        """The effects' share of each point, for values of all effects."""
        model: FloatArray = np.einsum("ij,ij->j", self.effect, values[self.columns][self.column])
        return model


def _between(places: IntArray | slice, begin: int, end: int, n: int) -> IntArray | slice:
    """Places from one to another, as a slice where they are one; n: of all."""
    if not isinstance(places, slice):
        return places[begin:end]
    if places.step is None:
        return slice(begin, end)
    return slice(n - 1 - begin, n - 1 - end if end < n else None, -1)


def _window(
    points: Observations,
    effects: Effects,
    scales: _Scales,
    start: int,
    stop: int,
    stretches: list[tuple[int, int, int]],
) -> Window:
    places: list[IntArray | slice] = []
    used = []
    for number, begin, end in stretches:
        one = points.scans[number]
        places.append(_between(one.rising, begin, end, len(one.x)))
        used.append(one)

    def joined(arrays: Sequence[FloatArray]) -> FloatArray:
        return np.concatenate([array[mine] for array, mine in zip(arrays, places, strict=True)])

    numbers = np.array([number for number, _, _ in stretches], dtype=np.intp)
    counts = [end - begin for _, begin, end in stretches]
    scan = np.repeat(np.arange(len(stretches)), counts)

    def spread(of_scans: FloatArray) -> FloatArray:
        return np.repeat(of_scans[numbers], counts)

    knot = np.concatenate([points.knot[number][begin:end] for number, begin, end in stretches]).astype(np.intp)
    x = joined([one.x for one in used])
    deviation = joined([one.deviation for one in used])
    if points.slope is not None and points.place is not None:
        deviation -= points.slope[knot] * (x - points.place[knot])
    knot -= start
    sigma = joined([one.sigma for one in used])
    weight = 1 / (sigma * sigma)
    time = None
    if effects.drift_degree >= 2:
        times = joined([one.x if one.scan.time is None else one.scan.time for one in used])
        unknown = np.array([one.scan.time is None for one in used])[scan]
        time = (times - spread(scales.time_middle)) / spread(scales.time_half)
        time[unknown] = 0.0
    along = (x - spread(scales.middle)) / spread(scales.half)
    rows = effects.of_points(along, time)
    k, narrow = effects.per_scan, points.narrow
    near = numbers < narrow
    own = k * int(near.sum())
    first = np.where(near, np.cumsum(near) - 1, own // k + numbers - narrow) * k  # column of each stretch's height
    column = np.repeat(first, counts)
    columns = [column + number for number in range(k)]
    turn = np.diff(scan)
    if effects.guide is not None:
        carriages = [one.scan.carriage for one in used if one.scan.carriage is not None]
        cell, splines = effects.guide.cells(joined(carriages))
        splines *= spread(scales.guide_sign)
        rows += list(splines)
        border = own + k * points.wide
        columns += [border + cell + number for number in range(4)]
        turn = turn + np.abs(np.diff(cell))
    border_columns = np.arange(k * narrow, effects.size)
    return Window(
        start=start,
        rows=stop - start,
        stretches=stretches,
        places=places,
        scan=scan,
        knot=knot,
        x=x,
        deviation=deviation,
        weight=weight,
        at_knot=binned(knot, weight, stop - start),
        effect=np.stack(rows),
        column=np.stack(columns),
        runs=np.concatenate([[0], np.flatnonzero(turn) + 1]),
        columns=np.concatenate([(numbers[near, None] * k + np.arange(k)).ravel(), border_columns]),
        own=own,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReducedNormal:
    """Normal equations of the effects with the profile eliminated, at unit noise."""

    matrix: Bordered  # (m, m)
    gram: Bordered  # (m, m) products of the effects' means in knots, summed over one knot of every so many
    every: int
    right: FloatArray  # (m,)
    square: float  # weighted sum of squares about the knots' means
    freedom: int  # points minus knots
    away: float  # largest distance of a point from its knot [m]


class _Sum:
    """A bordered matrix to which windows add their parts."""

    def __init__(self, points: Observations, effects: Effects) -> None:
        n = effects.per_scan * points.narrow
        height = effects.per_scan * (points.bandwidth + 1)
        self.band = np.zeros((height, n))
        self.cross = np.zeros((n, effects.size - n))
        self.corner = np.zeros((effects.size - n, effects.size - n))

    def add(self, window: Window, part: FloatArray) -> None:
        own = window.own
        mine = window.columns[:own]
        distance = mine[:, None] - mine[None, :]
        # scans of one window that don't meet in a knot may lie beyond the band, with nothing in common
        row, column = np.nonzero((distance >= 0) & (distance < len(self.band)))
        self.band[distance[row, column], mine[column]] += part[row, column]
        self.cross[mine] += part[:own, own:]
        self.corner += part[own:, own:]

    @property
    def matrix(self) -> Bordered:
        return Bordered(band=self.band, cross=self.cross, corner=self.corner)


def reduce_points(points: Observations, effects: Effects) -> ReducedNormal:
    """Eliminate the profile: in each knot, weighted deviations from the weighted mean."""
    every = max(points.knots // FEW_KNOTS, 1)

    def parts(window: Window) -> tuple[tuple[FloatArray, FloatArray, float, float], FloatArray]:
        return window.normal(), window.gram(every)

    total, grams = _Sum(points, effects), _Sum(points, effects)
    right, square, away = np.zeros(effects.size), 0.0, 0.0
    for window, ((matrix, pull, rest, distance), gram) in points.over_windows(parts, effects):
        total.add(window, matrix)
        grams.add(window, gram)
        right[window.columns] += pull
        square += rest
        away = max(away, distance)
    return ReducedNormal(
        matrix=total.matrix,
        gram=grams.matrix,
        every=every,
        right=right,
        square=square,
        freedom=points.count - points.knots,
        away=away,
    )


def with_deviations(normal: ReducedNormal, points: Observations, effects: Effects) -> ReducedNormal:
    """The normal equations again, for points whose deviations alone have changed."""
    right, square = np.zeros(effects.size), 0.0
    for window, (pull, rest) in points.over_windows(Window.right, effects):
        right[window.columns] += pull
        square += rest
    return replace(normal, right=right, square=square)
