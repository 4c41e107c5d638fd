"""Height and slope errors of a surface, with the bandwidth that they belong to."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from ellipsefit.arrays import BoolArray, FloatArray, IntArray, sealed
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.filtering import ALPHA, SlopeFilter, longest_step, slope_noise
from ellipsefit.moments import BLOCKS, Moments
from ellipsefit.profile import BLOCK, PlacedProfile, Quantity
from ellipsefit.results import Array, Result
from ellipsefit.rows import Table, with_uncertainty
from ellipsefit.rows import number as shown_number
from ellipsefit.stream import Placed

#: Default cut-off of the filter before a slope is taken from heights: a length [m], a number of steps.
CUTOFF: Final = (20e-3, 5)
#: Points that are at least twice as dense as so many to the cut-off are averaged to about so many before they are
#: filtered: that damps a wave as long as the cut-off by (pi / CELLS)**2 / 6, 4e-5 of it.
CELLS: Final = 200


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Surface:
    """The surface that a fit has found: an ellipse, and on it every segment's height and tilt.

    `total` and `own` have a row for each segment of the mirror, height at the middle of the span [m] and tilt
    [rad]: all that is found, and the part that is the segment's own misplacement. Of slopes heights count not.
    """

    quantity: Quantity
    middles: FloatArray  # (segments,) of the spans [m]
    ellipse: Ellipse
    total: FloatArray  # (segments, 2)
    own: FloatArray  # (segments, 2)

    def residual(self, segment: int, x: FloatArray, values: FloatArray) -> FloatArray:
        """Measured minus surface at points of a segment, [m] or [rad]."""
        curve = self.ellipse.height(x) if self.quantity == "height" else self.ellipse.slope(x)
        rest: FloatArray = values - curve - self._line(self.total[segment], segment, x)
        return rest

    def misplacement(self, segment: int, x: FloatArray) -> FloatArray:
        """Height (or tilt, for slopes) that is the segment's own, at points of it."""
        return self._line(self.own[segment], segment, x)

    def _line(self, effect: FloatArray, segment: int, x: FloatArray) -> FloatArray:
        height, tilt = effect
        line: FloatArray = height + tilt * (x - self.middles[segment])
        return line if self.quantity == "height" else np.full_like(x, tilt)

    def left(self, placed: PlacedProfile) -> tuple[FloatArray, FloatArray]:
        """Residual and misplacement at all points of a profile, shape (N,) each."""
        rest, misplaced = np.zeros_like(placed.x), np.zeros_like(placed.x)
        for number in placed.measured:
            part = placed.part(number)
            rest[part] = self.residual(number, placed.x[part], placed.values[part])
            misplaced[part] = self.misplacement(number, placed.x[part])
        return rest, misplaced


#: What is told of a figure, and in which words.
FIGURE_KEYS: Final = {
    "height_error_rms": "height error, rms",
    "height_error_pv": "height error, peak to valley",
    "slope_error_rms": "slope error, rms",
    "slope_error_pv": "slope error, peak to valley",
    "whole_height_error_rms": "height error with the segments' misplacement, rms",
    "whole_slope_error_rms": "slope error with the segments' misplacement, rms",
    "height_noise_rms": "noise in the height error, rms",
    "slope_noise_rms": "noise in the slope error, rms",
    "cutoff": "cut-off of the filter before slopes are taken",
}
#: Those of them that have a standard uncertainty.
UNSURE_KEYS: Final = tuple(FIGURE_KEYS)[:6]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Figure(Result):
    """Height and slope error of a mirror, each segment's height and tilt taken away; `whole_*`: left in.

    Lengths in m, slopes in rad; None: not known from these data. rms values are over points; pv is the
    largest minus the smallest, which grows with the number of points. Both are of what was measured, its noise
    in it; `*_noise_rms` says how large that is by itself, filtered alike: the surface's own rms is the root of the
    difference of the squares, as far as the noise is known.

    `*_stderr` is how far another measurement of the same surface would scatter about it, with what all points share
    (stitching, gain, scale, sag) and with how unsure the ellipse and the lines are that were taken away. Of peak to
    valley it is a bound from above, for noise and what points share.
    """

    height_error_rms: float
    height_error_pv: float
    slope_error_rms: float
    slope_error_pv: float
    whole_height_error_rms: float | None
    whole_slope_error_rms: float
    cutoff: float | None  # of the Gaussian filter before slopes are taken [m]; None: slopes were measured
    segment_height_error_rms: tuple[float | None, ...]  # for each segment of the mirror; None: no points
    segment_slope_error_rms: tuple[float | None, ...]
    height_error: FloatArray  # (N,) at the points that are shown: those of the profile, or means of many
    slope_error: FloatArray  # (N,)
    height_error_rms_stderr: float | None = None  # None, as all below: nothing is known of the measurement's errors
    height_error_pv_stderr: float | None = None
    slope_error_rms_stderr: float | None = None
    slope_error_pv_stderr: float | None = None
    whole_height_error_rms_stderr: float | None = None
    whole_slope_error_rms_stderr: float | None = None
    height_noise_rms: float | None = None
    slope_noise_rms: float | None = None
    segment_height_error_rms_stderr: tuple[float | None, ...] = ()
    segment_slope_error_rms_stderr: tuple[float | None, ...] = ()

    def arrays(self) -> tuple[Array, ...]:
        """Errors at the points that are shown."""
        return (
            Array("height_error", ("point",), self.height_error, "m", "height error"),
            Array("slope_error", ("point",), self.slope_error, "rad", "slope error, filtered"),
        )

    def to_dict(self) -> dict[str, float | None]:
        """The machine-readable answer, SI; errors at points are in `arrays`."""
        found: dict[str, float | None] = {}
        for name in FIGURE_KEYS:
            found[name] = getattr(self, name)
            if name in UNSURE_KEYS:
                found[f"{name}_stderr"] = getattr(self, f"{name}_stderr")
        return found

    def told(self, name: str) -> str:
        """One of `FIGURE_KEYS` as it is shown, with its uncertainty where one is known."""
        value = getattr(self, name)
        kind = "length" if "height" in name or name == "cutoff" else "angle"
        stderr = getattr(self, f"{name}_stderr") if name in UNSURE_KEYS else None
        return with_uncertainty(value, stderr, kind) if stderr else shown_number(value, kind)

    def rows(self) -> list[Table]:
        """What is wrong with the surface itself, as a table."""
        cells = tuple((words, self.told(name)) for name, words in FIGURE_KEYS.items())
        return [Table(title="Figure", cells=cells)]

    def __post_init__(self) -> None:
        for name in ("height_error", "slope_error"):
            object.__setattr__(self, name, sealed(getattr(self, name)))


def figure_errors(
    placed: Placed, surface: Surface, *, cutoff: float | None = None, shown: PlacedProfile | None = None
) -> Figure:
    """Height and slope errors of what was measured against the surface that a fit has found, in one pass.

    Parameters
    ----------
    placed : PlacedProfile or PlacedStream
        The points; rms and peak to valley are of all of them.
    surface : Surface
        What is taken away.
    cutoff : float, optional
        Cut-off of the Gaussian filter [m]; by default 20 mm or 5 steps, whichever is longer.
    shown : PlacedProfile, optional
        Where `height_error` and `slope_error` are given; by default at `placed.shown()`.

    Returns
    -------
    Figure
        Without uncertainties: a fit knows them.

    Raises
    ------
    ParameterError
        If the cut-off is not positive.
    """
    return measured_figure(placed, surface, cutoff=cutoff, shown=shown)[0]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Told:
    """What height and slope error were gathered from, by number of the segment: for their uncertainty."""

    quantity: Quantity
    cutoff: float | None
    lengths: dict[int, float]  # from the first to the last point of each segment [m]
    height: dict[int, Gathered]
    slope: dict[int, Gathered]

    def of(self, error: Quantity) -> dict[int, Gathered]:
        """Of one of the two errors."""
        return self.height if error == "height" else self.slope

    def extremes(self, error: Quantity) -> tuple[int, Extreme, int, Extreme]:
        """Segment and place of the highest, and of the lowest error."""
        parts = self.of(error)
        high = max(parts, key=lambda number: parts[number].high.value)
        low = min(parts, key=lambda number: parts[number].low.value)
        return high, parts[high].high, low, parts[low].low

    def extremes_noise(self, error: Quantity) -> float:
        """Variance of the difference of the two extreme errors, for noise of weight 1 with s = 1.

        It bounds the variance of peak to valley, wherever another measurement has its extremes, if noise is alike
        everywhere: Var f <= E[(grad f)' cov (grad f)] for Gaussian variables (H. Chernoff, Ann. Probab. 9 (1981)
        533-535; L. H. Y. Chen, J. Multivariate Anal. 12 (1982) 306-315), and the gradient of peak to valley is 1 at the
        highest and -1 at the lowest point.
        """
        high, top, low, bottom = self.extremes(error)
        alike = self._correlation(error, abs(top.x - bottom.x), self.lengths[high]) if high == low else 0.0
        return top.variance + bottom.variance - 2 * alike * float(np.sqrt(top.variance * bottom.variance))

    def _correlation(self, error: Quantity, distance: float, length: float) -> float:
        """Of the noise of two different points of one segment."""
        if error == self.quantity:
            return 0.0
        if error == "height":
            part = distance / length
            return 1 - 6 * part * (1 - part)
        # of the derivative of white noise after a Gaussian of this standard deviation
        square = (distance / (ALPHA * (self.cutoff or 1.0))) ** 2 * 2 * np.pi
        return float((1 - square / 2) * np.exp(-square / 4))


def measured_figure(
    placed: Placed, surface: Surface, *, cutoff: float | None = None, shown: PlacedProfile | None = None
) -> tuple[Figure, Told]:
    """As `figure_errors`, with what the uncertainty of each number needs."""
    if cutoff is not None and not 0 < cutoff < np.inf:
        raise ParameterError(f"cutoff must be a positive length in m; got {cutoff!r}")
    shown = placed.shown() if shown is None else shown
    rest, _ = surface.left(shown)
    height, slope = ({number: Gathered.of(placed, surface, number) for number in placed.measured} for _ in range(2))
    sampled = []
    heights_measured = placed.quantity == "height"
    if heights_measured:
        cutoff = default_cutoff(placed) if cutoff is None else cutoff
        for number in placed.measured:
            residuals = _residuals(placed, surface, number, height[number])
            sample = _Sampled(shown.x[shown.part(number)])
            for piece in _filtered_slopes(residuals, placed, number, cutoff, slope[number]):
                slope[number].add(piece, piece.values + surface.own[number, 1])
                sample.add(piece.x, piece.values)
            sampled.append(sample.values())
        at_points = (rest, np.concatenate(sampled))
    else:
        cutoff = None
        for number in placed.measured:
            residuals = _residuals(placed, surface, number, slope[number])
            sampled.append(_integrated(residuals, height[number], shown.x[shown.part(number)]))
        at_points = (np.concatenate(sampled), rest)
    known = heights_measured or len(placed.mirror.segments) == 1
    numbers = range(len(placed.mirror.segments))
    figure = Figure(
        height_error_rms=rms_of(height.values()),
        height_error_pv=_peak_to_valley(height),
        slope_error_rms=rms_of(slope.values()),
        slope_error_pv=_peak_to_valley(slope),
        whole_height_error_rms=rms_of(height.values(), whole=True) if known else None,
        whole_slope_error_rms=rms_of(slope.values(), whole=True),
        cutoff=cutoff,
        segment_height_error_rms=tuple(rms_of([height[i]]) if i in height else None for i in numbers),
        segment_slope_error_rms=tuple(rms_of([slope[i]]) if i in slope else None for i in numbers),
        height_error=at_points[0],
        slope_error=at_points[1],
    )
    lengths = {number: float(np.ptp(placed.ends(number))) for number in placed.measured}
    return figure, Told(quantity=placed.quantity, cutoff=cutoff, lengths=lengths, height=height, slope=slope)


class Extreme(NamedTuple):
    """The largest or smallest error of a segment: where, and the variance of noise there, of that of weight 1."""

    value: float
    x: float
    variance: float


class Gathered:
    """What comes together of one error of one segment, from points that come in parts; NaN is no value.

    The error is F r, r being what a fit leaves of the measured points and F the identity, the slope filter or the
    integration. Noise of covariance s**2 V changes the sum of squares by twice F'F r times it, so that sums with the
    pulls F'F r tell the uncertainty of an rms. All is for noise of a point of weight 1 with s = 1.
    """

    def __init__(self, middle: float, count: int) -> None:
        self.middle, self.expected = middle, count
        self.count = self.square = self.whole_square = 0.0
        self.low, self.high = Extreme(np.inf, np.nan, 0.0), Extreme(-np.inf, np.nan, 0.0)
        self.whole_pull = np.zeros(2)  # of heights and tilts on the sum of squares with misplacement, halved
        self.pulls = np.zeros(min(BLOCKS, count))  # sums in the blocks of the reduction
        self.scatter = 0.0  # pulls' V pulls
        self.noise = 0.0  # trace of F V F'
        self.pairs = 0.0  # trace of (F V F')**2
        self.done = 0

    @classmethod
    def of(cls, placed: Placed, surface: Surface, number: int) -> Gathered:
        """Nothing yet of a segment."""
        return cls(float(surface.middles[number]), placed.points_of(number))

    def add(self, piece: _Piece, whole: FloatArray) -> None:
        """Errors at places, and the same with the misplacement."""
        known = np.isfinite(piece.values)
        if not known.all():
            piece, whole = piece.take(known), whole[known]
        x, values, points, variance = piece
        if not len(values):
            return
        alone = len(values) == int(points.sum())
        self.count += float(points.sum())
        self.square += float(values @ values) if alone else float(points * values @ values)
        low, high = int(values.argmin()), int(values.argmax())
        if values[low] < self.low.value:
            self.low = Extreme(float(values[low]), float(x[low]), float(variance[low]))
        if values[high] > self.high.value:
            self.high = Extreme(float(values[high]), float(x[high]), float(variance[high]))
        weighted = whole if alone else points * whole
        self.whole_square += float(weighted @ whole)
        self.whole_pull += (float(weighted.sum()), float(weighted @ (x - self.middle)))

    def pull(self, piece: _Piece) -> None:
        """Pulls at places, in their order; `points` says how many each place stands for."""
        ends = self.done + np.cumsum(piece.points)
        self.done = int(ends[-1]) if len(ends) else self.done
        edges = np.arange(1, len(self.pulls)) * self.expected // len(self.pulls)
        block = np.searchsorted(edges, ends - (piece.points + 1) // 2, side="right")
        self.pulls += np.bincount(block, piece.values, len(self.pulls))[: len(self.pulls)]
        self.scatter += float(piece.variance * piece.values @ piece.values)


def rms_of(parts: Iterable[Gathered], *, whole: bool = False) -> float:
    """Root of the mean square over all points of some segments; NaN where there are none."""
    parts = list(parts)
    count = sum(part.count for part in parts)
    square = sum(part.whole_square if whole else part.square for part in parts)
    return float(np.sqrt(square / count)) if count else float("nan")


def _peak_to_valley(parts: dict[int, Gathered]) -> float:
    return max(part.high.value for part in parts.values()) - min(part.low.value for part in parts.values())


class _Piece(NamedTuple):
    """Values at places along a segment, how many points each stands for, and the variance of its noise."""

    x: FloatArray
    values: FloatArray
    points: IntArray
    variance: FloatArray  # of that of a point of weight 1

    def take(self, which: slice | BoolArray) -> _Piece:
        """Some of the places."""
        return _Piece(self.x[which], self.values[which], self.points[which], self.variance[which])


_NOTHING: Final = _Piece(np.zeros(0), np.zeros(0), np.zeros(0, dtype=np.intp), np.zeros(0))


class _Sampled:
    """Values at given places, from pieces of a curve that come one after the other along x."""

    def __init__(self, places: FloatArray) -> None:
        self.places = places
        self.found = np.full_like(places, np.nan)
        self.done = 0
        self.last: tuple[FloatArray, FloatArray] = (np.zeros(0), np.zeros(0))

    def add(self, x: FloatArray, values: FloatArray) -> None:
        stop = int(np.searchsorted(self.places, x[-1], side="right"))
        curve = np.concatenate([self.last[0], x]), np.concatenate([self.last[1], values])
        self.found[self.done : stop] = np.interp(self.places[self.done : stop], *curve)
        self.done, self.last = stop, (x[-1:], values[-1:])

    def values(self) -> FloatArray:
        """What was found; beyond the last place of the curve, its last value."""
        self.found[self.done :] = self.last[1]
        return self.found


def _residuals(placed: Placed, surface: Surface, number: int, told: Gathered) -> Iterator[_Piece]:
    """What the surface leaves of a segment, block by block, gathered on its way."""
    for block in placed.blocks(number):
        rest = surface.residual(number, block.x, block.values)
        points = np.ones(len(rest), dtype=np.intp)
        variance = np.ones_like(rest) if block.sigma is None else block.sigma**2
        piece = _Piece(block.x, rest, points, variance)
        told.add(piece, rest + surface.misplacement(number, block.x))
        told.pull(piece)
        told.noise += float(variance.sum())
        told.pairs += float(variance @ variance)
        yield piece


def default_cutoff(placed: Placed) -> float:
    """20 mm or 5 steps, whichever is longer [m]; the step is the median distance of neighbours."""
    length, count = CUTOFF
    # where points are so many that most steps cannot be long, they need not be looked at
    reach = sum(float(np.ptp(placed.ends(number))) for number in placed.measured)
    if placed.count - len(placed.measured) > 2 * reach / (length / count):
        return length
    x = [np.concatenate([block.x for block in placed.blocks(number)]) for number in placed.measured]
    steps = np.concatenate([np.diff(np.unique(places)) for places in x])
    return max(length, count * float(np.median(steps)))


def _filtered_slopes(
    pieces: Iterator[_Piece], placed: Placed, number: int, cutoff: float, told: Gathered
) -> Iterator[_Piece]:
    """Slopes of a segment after the Gaussian filter, from its heights, piece by piece; their noise is gathered."""
    ends = placed.ends(number)
    step = (ends[1] - ends[0]) / (placed.points_of(number) - 1)
    origin, width = ends[0] - step / 2, int(cutoff / (CELLS * step)) * step
    dense = width > 1.5 * step
    gap = longest_step(placed.step(number), cutoff)
    noise = slope_noise(width if dense else placed.step(number), cutoff)
    pieces = _in_cells(pieces, origin, width) if dense else pieces
    open_, pulls, passed = _NOTHING, np.zeros(0), 0
    for near, start, stop in _with_surroundings(pieces, cutoff + 2 * gap):
        x, height = near.x, near.values
        if dense and len(x) > 1:
            # a mean belongs to the mean of its points' positions; on the middles of their cells they are even
            middle = origin + (np.floor((x - origin) / width) + 0.5) * width
            x, height = middle, height - np.gradient(height, x) * (x - middle)
        slopes = SlopeFilter(x, cutoff, gap)
        found = near._replace(values=slopes.apply(height))
        # pulls on heights that no later slope rests on are complete
        gone = passed - start
        told.pull(open_.take(slice(0, gone))._replace(values=pulls[:gone]))
        mine = np.zeros_like(x)
        mine[start:stop] = np.where(np.isfinite(found.values), found.points * found.values, 0.0)[start:stop]
        kept = pulls[gone:]
        open_, pulls, passed = near, slopes.transposed(mine), stop
        pulls[: len(kept)] += kept
        piece = found.take(slice(start, stop))
        variance = piece.variance * noise.at(piece.x, ends, width if dense else placed.step(number))
        told.noise += float(piece.points @ variance)
        told.pairs += noise.alike * float((piece.points * variance) @ (piece.points * variance))
        yield piece._replace(variance=variance)
    told.pull(open_._replace(values=pulls))


def _in_cells(pieces: Iterator[_Piece], origin: float, width: float) -> Iterator[_Piece]:
    """Mean positions and values in cells of equal width along x."""
    held = _NOTHING
    for piece in pieces:
        x, values, count, variance = _joined([held, piece])
        cell = np.floor((x - origin) / width)
        starts = np.flatnonzero(np.diff(cell, prepend=-np.inf))
        total = np.add.reduceat(count, starts)
        means = _Piece(
            np.add.reduceat(count * x, starts) / total,
            np.add.reduceat(count * values, starts) / total,
            total,
            np.add.reduceat(count**2 * variance, starts) / total**2,
        )
        yield means.take(slice(0, len(starts) - 1))  # more of the last cell may come
        held = means.take(slice(len(starts) - 1, None))
    yield held


def _with_surroundings(pieces: Iterator[_Piece], reach: float) -> Iterator[tuple[_Piece, int, int]]:
    """Pieces that are worth a step, with all that lies within `reach`, and where they start and stop therein."""
    waiting, size, near, start = [_NOTHING], 0, _NOTHING, 0
    for piece in pieces:
        waiting.append(piece)
        size += len(piece.x)
        if size < BLOCK:
            continue
        near, waiting, size = _joined([near, *waiting]), [], 0
        stop = int(np.searchsorted(near.x, near.x[-1] - reach))
        if stop - start >= BLOCK // 2:
            yield near, start, stop
            first = int(np.searchsorted(near.x, near.x[stop] - reach))
            near, start = near.take(slice(first, None)), stop - first
    near = _joined([near, *waiting])
    if len(near.x) > start:
        yield near, start, len(near.x)


def _joined(pieces: list[_Piece]) -> _Piece:
    return _Piece(*(np.concatenate(columns) for columns in zip(*pieces, strict=True)))


def _integrated(pieces: Iterator[_Piece], told: Gathered, places: FloatArray) -> FloatArray:
    """Height along a segment from its slopes by the trapezoidal rule, zero on average: at places, and gathered."""
    sample, moments, pulls = _Sampled(places), Moments(1, 1), _IntegralPulls(told)
    x, slope, height = np.zeros(0), np.zeros(0), 0.0
    low, high = (np.inf, np.nan), (-np.inf, np.nan)
    first, variance = np.nan, 0.0
    for piece in pieces:
        first = piece.x[0] if np.isnan(first) else first
        x, slope = np.concatenate([x[-1:], piece.x]), np.concatenate([slope[-1:], piece.values])
        rise = np.cumsum((slope[1:] + slope[:-1]) / 2 * np.diff(x))
        heights = height + (rise if len(rise) == len(piece.x) else np.concatenate([[0.0], rise]))
        height = float(heights[-1])
        low = min(low, (float(heights.min()), float(piece.x[heights.argmin()])))
        high = max(high, (float(heights.max()), float(piece.x[heights.argmax()])))
        moments.add((heights,), np.ones_like(heights), np.zeros(1, dtype=np.intp), 0)
        sample.add(piece.x, heights)
        pulls.add(piece, heights)
        variance += float(piece.variance.sum())
    mean, count = float(moments.mean[0, 0]), float(moments.count[0])
    pulls.finish(mean)
    told.count, told.square = count, float(moments.product[0, 0, 0])
    told.whole_square = told.square  # of slopes that is the only misplacement: there are no heights
    # noise of slopes without its mean, summed up, is a Brownian bridge; less its mean that has the variance 1/12
    # everywhere and eigenvalues 1 / (2 pi k)**2, each twice (G. S. Watson, Biometrika 48 (1961) 109-114)
    walk = variance * (float(x[-1] - first) / count) ** 2
    told.noise, told.pairs = count * walk / 12, (count * walk) ** 2 / 720
    told.low, told.high = (Extreme(value - mean, place, walk / 12) for value, place in (low, high))
    return sample.values() - mean


class _IntegralPulls:
    """Pulls of integrated heights on the slopes that they were summed from, as these come.

    Half the interval between two slopes counts for each, in all heights behind it; these sum to minus those before it,
    once the mean is taken away. It is known last, so what it is multiplied by is gathered apart.
    """

    def __init__(self, told: Gathered) -> None:
        self.told = told
        self.alone, self.of_mean = (Gathered(told.middle, told.expected) for _ in range(2))
        self.both = 0.0
        self.last: _Piece = _NOTHING  # the last slope waits for the interval behind it
        self.before = np.zeros(2)  # its interval before it: of heights, of the mean
        self.sum, self.count = 0.0, 0

    def add(self, piece: _Piece, heights: FloatArray) -> None:
        """Slopes that follow, and the heights there."""
        known = _joined([self.last, piece])
        half = np.diff(known.x) / 2
        sums = np.concatenate([[self.sum], self.sum + np.cumsum(heights)])
        counts = self.count + np.arange(len(heights) + 1.0)
        inside = slice(1 - len(self.last.x), -1)
        parts = np.stack([-half * sums[inside], half * counts[inside]])
        self._gather(known.take(slice(0, -1)), np.column_stack([self.before, parts[:, :-1]]) + parts)
        self.last, self.before = known.take(slice(-1, None)), parts[:, -1] if len(half) else self.before
        self.sum, self.count = float(sums[-1]), self.count + len(heights)

    def finish(self, mean: float) -> None:
        """All have come, and their mean height is known."""
        self._gather(self.last, self.before[:, None])
        self.told.pulls = self.alone.pulls + mean * self.of_mean.pulls
        self.told.scatter = self.alone.scatter + 2 * mean * self.both + mean**2 * self.of_mean.scatter

    def _gather(self, piece: _Piece, pulls: FloatArray) -> None:
        for one, values in zip((self.alone, self.of_mean), pulls, strict=True):
            one.pull(piece._replace(values=values))
        self.both += float(piece.variance * pulls[0] @ pulls[1])
