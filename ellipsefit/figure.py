"""Height and slope errors of a surface, with the bandwidth that they belong to."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.errors import ParameterError
from ellipsefit.profile import PlacedProfile

#: ISO 16610-21:2011: the Gaussian transmits 50 % at the cut-off, alpha = sqrt(ln 2 / pi).
ALPHA: Final = float(np.sqrt(np.log(2) / np.pi))
#: Share of a step by which points may miss an even grid and still count as on it.
EVEN: Final = 0.01
#: Default cut-off of the filter before a slope is taken from heights: a length [m], a number of steps.
CUTOFF: Final = (20e-3, 5)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Figure:
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
    height_error: FloatArray  # (N,) at the points of the placed profile
    slope_error: FloatArray  # (N,)

    def __post_init__(self) -> None:
        for name in ("height_error", "slope_error"):
            object.__setattr__(self, name, sealed(getattr(self, name)))


def figure_errors(
    placed: PlacedProfile, residual: FloatArray, misplacement: FloatArray, *, cutoff: float | None = None
) -> Figure:
    """Height and slope errors from what a fit leaves.

    Parameters
    ----------
    placed : PlacedProfile
        The points.
    residual : array, shape (N,)
        Measured minus ellipse, pose, and each segment's height and tilt [m or rad].
    misplacement : array, shape (N,)
        Height and tilt of the segments at the points [m], or their tilt [rad] for measured slopes.
    cutoff : float, optional
        Cut-off of the Gaussian filter [m]; by default 20 mm or 5 steps, whichever is longer.

    Raises
    ------
    ParameterError
        If the cut-off is not positive.
    """
    if cutoff is not None and not 0 < cutoff < np.inf:
        raise ParameterError(f"cutoff must be a positive length in m; got {cutoff!r}")
    height, slope = np.empty_like(residual), np.empty_like(residual)
    whole_slope = np.empty_like(residual)
    if placed.quantity == "height":
        if cutoff is None:
            cutoff = default_cutoff(placed)
        height = residual
        for number in placed.measured:
            part = placed.part(number)
            slope[part] = filtered_slope(placed.x[part], residual[part], cutoff)
            rise = misplacement[part][-1] - misplacement[part][0]  # a straight line
            whole_slope[part] = slope[part] + rise / np.ptp(placed.x[part])
        whole_height = _rms(residual + misplacement)
    else:
        cutoff, slope, whole_slope, whole_height = None, residual, residual + misplacement, None
        for number in placed.measured:
            part = placed.part(number)
            height[part] = _integrated(placed.x[part], residual[part])
        if len(placed.mirror.segments) == 1:
            whole_height = _rms(height)
    measured = set(placed.measured)
    parts = [placed.part(i) if i in measured else None for i in range(len(placed.mirror.segments))]
    return Figure(
        height_error_rms=_rms(height),
        height_error_pv=float(np.ptp(height)),
        slope_error_rms=_rms(slope),
        slope_error_pv=float(np.nanmax(slope) - np.nanmin(slope)),
        whole_height_error_rms=whole_height,
        whole_slope_error_rms=_rms(whole_slope),
        cutoff=cutoff,
        segment_height_error_rms=tuple(None if part is None else _rms(height[part]) for part in parts),
        segment_slope_error_rms=tuple(None if part is None else _rms(slope[part]) for part in parts),
        height_error=height,
        slope_error=slope,
    )


def default_cutoff(placed: PlacedProfile) -> float:
    """20 mm or 5 steps, whichever is longer [m]; the step is the median distance of neighbours."""
    steps = np.concatenate([np.diff(np.unique(placed.x[placed.part(number)])) for number in placed.measured])
    length, count = CUTOFF
    return max(length, count * float(np.median(steps)))


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
    from scipy.signal import oaconvolve

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
    smooth: FloatArray = middle + (oaconvolve(grid, kernel, "same") / oaconvolve(present, kernel, "same"))[places]
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


def filtered_slope(x: FloatArray, height: FloatArray, cutoff: float) -> FloatArray:
    """Slope [rad] after the Gaussian filter, shape (N,); never across a gap, NaN in runs of fewer than 3 points."""
    places, which = np.unique(x, return_inverse=True)
    if len(places) < len(x):  # points beside each other, across: their mean
        mean = np.bincount(which, height) / np.bincount(which)
        return filtered_slope(places, mean, cutoff)[which]
    slope = np.full_like(height, np.nan)
    for run in _runs(x, cutoff):
        if run.stop - run.start >= 3:
            slope[run] = np.gradient(gaussian_filter(x[run], height[run], cutoff), x[run])
    return slope


def _runs(x: FloatArray, cutoff: float) -> list[slice]:
    """Stretches without a gap: neighbours at most 3.5 steps and a quarter of the cut-off apart."""
    distance = np.diff(x)
    breaks = np.flatnonzero(distance > max(3.5 * float(np.median(distance)), cutoff / 4)) + 1
    ends = [0, *breaks.tolist(), len(x)]
    return [slice(start, stop) for start, stop in pairwise(ends)]


def _integrated(x: FloatArray, slope: FloatArray) -> FloatArray:
    """Height along a segment by the trapezoidal rule, zero on average."""
    height: FloatArray = np.concatenate([[0.0], np.cumsum((slope[1:] + slope[:-1]) / 2 * np.diff(x))])
    height -= height.mean()
    return height


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.nanmean(values**2)))
