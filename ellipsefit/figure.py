"""Height and slope errors of a surface, with the bandwidth that they belong to."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np

from ellipsefit.arrays import FloatArray, IntArray, sealed
from ellipsefit.convolution import convolved
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.moments import Moments
from ellipsefit.profile import BLOCK, PlacedProfile, Quantity
from ellipsefit.results import Array, Result
from ellipsefit.rows import Table
from ellipsefit.rows import number as shown_number
from ellipsefit.stream import Placed

#: ISO 16610-21:2011: the Gaussian transmits 50 % at the cut-off, alpha = sqrt(ln 2 / pi).
ALPHA: Final = float(np.sqrt(np.log(2) / np.pi))
#: Share of a step by which points may miss an even grid and still count as on it.
EVEN: Final = 0.01
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
    "cutoff": "cut-off of the filter before slopes are taken",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Figure(Result):
    """Height and slope error of a mirror, each segment's height and tilt taken away; `whole_*`: left in.

    Lengths in m, slopes in rad; None: not known from these data. rms values are over points; pv is the
    largest minus the smallest, which grows with the number of points.
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

    def arrays(self) -> tuple[Array, ...]:
        """Errors at the points that are shown."""
        return (
            Array("height_error", ("point",), self.height_error, "m", "height error"),
            Array("slope_error", ("point",), self.slope_error, "rad", "slope error, filtered"),
        )

    def to_dict(self) -> dict[str, float | None]:
        """The machine-readable answer, SI; errors at points are in `arrays`."""
        return {name: getattr(self, name) for name in FIGURE_KEYS}

    def rows(self) -> list[Table]:
        """What is wrong with the surface itself, as a table."""
        kinds = ((name, "length" if "height" in name or name == "cutoff" else "angle") for name in FIGURE_KEYS)
        cells = tuple((FIGURE_KEYS[name], shown_number(getattr(self, name), kind)) for name, kind in kinds)
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

    Raises
    ------
    ParameterError
        If the cut-off is not positive.
    """
    if cutoff is not None and not 0 < cutoff < np.inf:
        raise ParameterError(f"cutoff must be a positive length in m; got {cutoff!r}")
    shown = placed.shown() if shown is None else shown
    rest, _ = surface.left(shown)
    height, slope, whole_height, whole_slope = ({number: _Extent() for number in placed.measured} for _ in range(4))
    sampled = []
    if placed.quantity == "height":
        cutoff = default_cutoff(placed) if cutoff is None else cutoff
        for number in placed.measured:
            residuals = _residuals(placed, surface, number, height[number], whole_height[number])
            sample = _Sampled(shown.x[shown.part(number)])
            for piece in _filtered_slopes(residuals, placed, number, cutoff):
                slope[number].add(piece.values, piece.points)
                whole_slope[number].add(piece.values + surface.own[number, 1], piece.points)
                sample.add(piece.x, piece.values)
            sampled.append(sample.values())
        at_points = (rest, np.concatenate(sampled))
    else:
        cutoff = None
        for number in placed.measured:
            residuals = _residuals(placed, surface, number, slope[number], whole_slope[number])
            sampled.append(_integrated(residuals, height[number], shown.x[shown.part(number)]))
        at_points = (np.concatenate(sampled), rest)
        whole_height = height if len(placed.mirror.segments) == 1 else {}
    numbers = range(len(placed.mirror.segments))
    return Figure(
        height_error_rms=_rms(height),
        height_error_pv=_peak_to_valley(height),
        slope_error_rms=_rms(slope),
        slope_error_pv=_peak_to_valley(slope),
        whole_height_error_rms=_rms(whole_height) if whole_height else None,
        whole_slope_error_rms=_rms(whole_slope),
        cutoff=cutoff,
        segment_height_error_rms=tuple(height[i].rms if i in height else None for i in numbers),
        segment_slope_error_rms=tuple(slope[i].rms if i in slope else None for i in numbers),
        height_error=at_points[0],
        slope_error=at_points[1],
    )


class _Extent:
    """Sum of squares and extremes of values that come in parts; NaN is no value."""

    def __init__(self) -> None:
        self.count = self.square = 0.0
        self.low, self.high = np.inf, -np.inf

    def add(self, values: FloatArray, count: IntArray | None = None) -> None:
        known = np.isfinite(values)
        if not known.all():
            values, count = values[known], None if count is None else count[known]
        if len(values):
            self.count += len(values) if count is None else float(count.sum())
            self.square += float(values @ values) if count is None else float(count * values @ values)
            self.low, self.high = min(self.low, float(values.min())), max(self.high, float(values.max()))

    @property
    def rms(self) -> float:
        return _rms({0: self})


def _rms(parts: dict[int, _Extent]) -> float:
    count = sum(part.count for part in parts.values())
    return float(np.sqrt(sum(part.square for part in parts.values()) / count)) if count else float("nan")


def _peak_to_valley(parts: dict[int, _Extent]) -> float:
    return max(part.high for part in parts.values()) - min(part.low for part in parts.values())


class _Piece(NamedTuple):
    """Values at places along a segment, and how many points each stands for."""

    x: FloatArray
    values: FloatArray
    points: IntArray


_NOTHING: Final = _Piece(np.zeros(0), np.zeros(0), np.zeros(0, dtype=np.intp))


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


def _residuals(placed: Placed, surface: Surface, number: int, own: _Extent, whole: _Extent) -> Iterator[_Piece]:
    """What the surface leaves of a segment, block by block; extents without and with misplacement grow with it."""
    for block in placed.blocks(number):
        rest = surface.residual(number, block.x, block.values)
        own.add(rest)
        whole.add(rest + surface.misplacement(number, block.x))
        yield _Piece(block.x, rest, np.ones(len(rest), dtype=np.intp))


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


def _filtered_slopes(pieces: Iterator[_Piece], placed: Placed, number: int, cutoff: float) -> Iterator[_Piece]:
    """Slopes of a segment after the Gaussian filter, from its heights, piece by piece."""
    first, last = placed.ends(number)
    step = (last - first) / (placed.points_of(number) - 1)
    origin, width = first - step / 2, int(cutoff / (CELLS * step)) * step
    dense = width > 1.5 * step
    gap = longest_step(placed.step(number), cutoff)
    pieces = _in_cells(pieces, origin, width) if dense else pieces
    for near, start, stop in _with_surroundings(pieces, cutoff + 2 * gap):
        x, height = near.x, near.values
        if dense and len(x) > 1:
            # a mean belongs to the mean of its points' positions; on the middles of their cells they are even
            middle = origin + (np.floor((x - origin) / width) + 0.5) * width
            x, height = middle, height - np.gradient(height, x) * (x - middle)
        slope = filtered_slope(x, height, cutoff, gap)
        yield _Piece(x[start:stop], slope[start:stop], near.points[start:stop])


def _in_cells(pieces: Iterator[_Piece], origin: float, width: float) -> Iterator[_Piece]:
    """Mean positions and values in cells of equal width along x."""
    held = _NOTHING
    for piece in pieces:
        x, values, count = _joined([held, piece])
        cell = np.floor((x - origin) / width)
        starts = np.flatnonzero(np.diff(cell, prepend=-np.inf))
        total = np.add.reduceat(count, starts)
        means = _Piece(
            np.add.reduceat(count * x, starts) / total, np.add.reduceat(count * values, starts) / total, total
        )
        yield _part(means, 0, len(starts) - 1)  # more of the last cell may come
        held = _part(means, len(starts) - 1, len(starts))
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
            near, start = _part(near, first, len(near.x)), stop - first
    near = _joined([near, *waiting])
    if len(near.x) > start:
        yield near, start, len(near.x)


def _joined(pieces: list[_Piece]) -> _Piece:
    return _Piece(
        np.concatenate([piece.x for piece in pieces]),
        np.concatenate([piece.values for piece in pieces]),
        np.concatenate([piece.points for piece in pieces]),
    )


def _part(piece: _Piece, start: int, stop: int) -> _Piece:
    return _Piece(piece.x[start:stop], piece.values[start:stop], piece.points[start:stop])


def _integrated(pieces: Iterator[_Piece], extent: _Extent, places: FloatArray) -> FloatArray:
    """Height along a segment from its slopes by the trapezoidal rule, zero on average: its extent, and at places."""
    sample, moments = _Sampled(places), Moments(1, 1)
    x, slope, height = np.zeros(0), np.zeros(0), 0.0
    low, high = np.inf, -np.inf
    for piece in pieces:
        x, slope = np.concatenate([x[-1:], piece.x]), np.concatenate([slope[-1:], piece.values])
        rise = np.cumsum((slope[1:] + slope[:-1]) / 2 * np.diff(x))
        heights = height + (rise if len(rise) == len(piece.x) else np.concatenate([[0.0], rise]))
        height, low, high = float(heights[-1]), min(low, float(heights.min())), max(high, float(heights.max()))
        moments.add((heights,), np.ones_like(heights), np.zeros(1, dtype=np.intp), 0)
        sample.add(piece.x, heights)
    mean = float(moments.mean[0, 0])
    extent.count, extent.square = float(moments.count[0]), float(moments.product[0, 0, 0])
    extent.low, extent.high = low - mean, high - mean
    return sample.values() - mean


def gaussian_filter(x: FloatArray, values: FloatArray, cutoff: float) -> FloatArray:
    """Long-wave part of a profile by the Gaussian filter of ISO 16610-21:2011.

    Parameters
    ----------
    x : array, shape (N,)
        Positions [m], increasing, without a gap that should not be bridged.
    values : array, shape (N,)
    cutoff : float
        Wavelength that is passed by one half [m].

    Returns
    -------
    array, shape (N,)
        Weights exp(-pi (d / (alpha cutoff))**2) up to d = cutoff, divided by their sum, so also at the
        ends and where points are missing.
    """
    if len(x) < 2:
        return values.copy()
    # the median step is rounded as the positions are: counting on from point to point, its error does not add up
    counts = np.rint(np.diff(x) / np.median(np.diff(x))).astype(np.intp)
    places = np.concatenate([[0], np.cumsum(counts)])
    step = float(x[-1] - x[0]) / max(int(places[-1]), 1)
    even = np.all(counts > 0) and np.abs(x - x[0] - places * step).max() < EVEN * step
    if not even:
        return _uneven_gaussian(x, values, cutoff)
    reach = int(cutoff / step + 1e-6)  # 20 mm in steps of 1 mm are 20, whatever rounding says
    distance = np.arange(-reach, reach + 1) * step
    kernel = np.exp(-np.pi * (distance / (ALPHA * cutoff)) ** 2)
    grid, present = np.zeros(places[-1] + 1), np.zeros(places[-1] + 1)
    middle = values.mean()  # a large offset would cost digits in the transform
    grid[places], present[places] = values - middle, 1.0
    about = places + reach  # where the kernel's middle is at a point
    smooth: FloatArray = middle + convolved(grid, kernel)[about] / convolved(present, kernel)[about]
    return smooth


def _uneven_gaussian(x: FloatArray, values: FloatArray, cutoff: float) -> FloatArray:
    """The same for points at any distances, each weighted by the length that it stands for."""
    length = np.gradient(x)
    first = np.searchsorted(x, x - cutoff)
    last = np.searchsorted(x, x + cutoff, side="right")
    smooth = np.empty_like(values)
    for i, (start, stop) in enumerate(zip(first, last, strict=True)):
        weight = length[start:stop] * np.exp(-np.pi * ((x[start:stop] - x[i]) / (ALPHA * cutoff)) ** 2)
        smooth[i] = weight @ values[start:stop] / weight.sum()
    return smooth


def filtered_slope(x: FloatArray, height: FloatArray, cutoff: float, gap: float | None = None) -> FloatArray:
    """Slope [rad] after the Gaussian filter, shape (N,); never across a gap, NaN in runs of fewer than 3 points.

    Neighbours further apart than `gap` [m], by default `longest_step` of the median distance, belong to two runs.
    """
    places, which = np.unique(x, return_inverse=True)
    if len(places) < len(x):  # points beside each other, across: their mean
        mean = np.bincount(which, height) / np.bincount(which)
        return filtered_slope(places, mean, cutoff, gap)[which]
    slope = np.full_like(height, np.nan)
    if len(x) < 3:
        return slope
    distance = np.diff(x)
    gap = longest_step(float(np.median(distance)), cutoff) if gap is None else gap
    for start, stop in pairwise([0, *(np.flatnonzero(distance > gap) + 1).tolist(), len(x)]):
        if stop - start >= 3:
            run = slice(start, stop)
            slope[run] = np.gradient(gaussian_filter(x[run], height[run], cutoff), x[run])
    return slope


def longest_step(step: float, cutoff: float) -> float:
    """Distance of neighbours beyond which there is a gap: 3.5 steps or a quarter of the cut-off, the longer [m]."""
    return max(3.5 * step, cutoff / 4)
