"""The Gaussian profile filter and slopes after it, as linear maps: what they do to values, to noise, and backwards.

An rms of slopes depends on heights through the filter, so its uncertainty needs the filter's transpose.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np

from ellipsefit.arrays import FloatArray, IntArray

#: ISO 16610-21:2011: the Gaussian transmits 50 % at the cut-off, alpha = sqrt(ln 2 / pi).
ALPHA: Final = float(np.sqrt(np.log(2) / np.pi))
#: Share of a step by which points may miss an even grid and still count as on it.
EVEN: Final = 0.01


class GaussianFilter:
    """Long-wave part of a profile by the Gaussian filter of ISO 16610-21:2011.

    Weights are exp(-pi (d / (alpha cutoff))**2) up to d = cutoff, divided by their sum, so also at the ends and where
    points are missing.

    Parameters
    ----------
    x : array, shape (N,)
        Positions [m], increasing, without a gap that should not be bridged.
    cutoff : float
        Wavelength that is passed by one half [m].
    """

    def __init__(self, x: FloatArray, cutoff: float) -> None:
        self.x, self.cutoff = x, cutoff
        self.places: IntArray | None = None  # on an even grid; None: points lie anyhow
        if len(x) < 2:
            return
        # the median step is rounded as the positions are: counting on from point to point, its error does not add up
        counts = np.rint(np.diff(x) / np.median(np.diff(x))).astype(np.intp)
        places = np.concatenate([[0], np.cumsum(counts)])
        step = float(x[-1] - x[0]) / max(int(places[-1]), 1)
        if np.all(counts > 0) and np.abs(x - x[0] - places * step).max() < EVEN * step:
            self.places, self.kernel = places, filter_weights(step, cutoff)
            present = np.zeros(places[-1] + 1)
            present[places] = 1.0
            self.total = _convolved(present, self.kernel)[places + len(self.kernel) // 2]

    def apply(self, values: FloatArray) -> FloatArray:
        """Filtered values, shape (N,)."""
        if len(self.x) < 2:
            return values.copy()
        if self.places is None:
            return _uneven(self.x, values, self.cutoff, transposed=False)
        middle = values.mean()  # a large offset would cost digits in the transform
        smooth: FloatArray = middle + self._on_grid(values - middle) / self.total
        return smooth

    def transposed(self, pulls: FloatArray) -> FloatArray:
        """What pulls on filtered values are on the values themselves, shape (N,)."""
        if len(self.x) < 2:
            return pulls.copy()
        if self.places is None:
            return _uneven(self.x, pulls, self.cutoff, transposed=True)
        return self._on_grid(pulls / self.total)

    def _on_grid(self, values: FloatArray) -> FloatArray:
        places = np.arange(len(self.x)) if self.places is None else self.places
        grid = np.zeros(places[-1] + 1)
        grid[places] = values
        about = places + len(self.kernel) // 2  # where the kernel's middle is at a point
        found: FloatArray = _convolved(grid, self.kernel)[about]
        return found


def _convolved(values: FloatArray, kernel: FloatArray) -> FloatArray:
    from scipy.signal import oaconvolve  # half a second to load

    return np.asarray(oaconvolve(values, kernel), dtype=np.float64)


def filter_weights(step: float, cutoff: float) -> FloatArray:
    """Weights of the Gaussian filter on an even grid, not normalised, shape (2 K + 1,)."""
    reach = int(cutoff / step + 1e-6)  # 20 mm in steps of 1 mm are 20, whatever rounding says
    distance = np.arange(-reach, reach + 1) * step
    weights: FloatArray = np.exp(-np.pi * (distance / (ALPHA * cutoff)) ** 2)
    return weights


def _uneven(x: FloatArray, values: FloatArray, cutoff: float, *, transposed: bool) -> FloatArray:
    """The filter for points at any distances, each weighted by the length that it stands for."""
    length = np.gradient(x)
    first = np.searchsorted(x, x - cutoff)
    last = np.searchsorted(x, x + cutoff, side="right")
    found = np.zeros_like(values)
    for i, (start, stop) in enumerate(zip(first, last, strict=True)):
        weight = length[start:stop] * np.exp(-np.pi * ((x[start:stop] - x[i]) / (ALPHA * cutoff)) ** 2)
        if transposed:
            found[start:stop] += weight * (values[i] / weight.sum())
        else:
            found[i] = weight @ values[start:stop] / weight.sum()
    return found


def gaussian_filter(x: FloatArray, values: FloatArray, cutoff: float) -> FloatArray:
    """Long-wave part of a profile, shape (N,): see `GaussianFilter`."""
    return GaussianFilter(x, cutoff).apply(values)


class SlopeFilter:
    """Slopes after the Gaussian filter, from heights: never across a gap, NaN in runs of fewer than 3 points.

    Parameters
    ----------
    x : array, shape (N,)
        Positions [m], not decreasing; of points at one place the mean counts.
    cutoff : float
        Of the filter [m].
    gap : float, optional
        Neighbours further apart [m] belong to two runs; by default `longest_step` of the median distance.
    """

    def __init__(self, x: FloatArray, cutoff: float, gap: float | None = None) -> None:
        places, which = np.unique(x, return_inverse=True)
        # points beside each other, across: their mean
        self.which: IntArray | None = which if len(places) < len(x) else None
        if self.which is not None:
            x = places
        self.runs: list[tuple[slice, GaussianFilter]] = []
        if len(x) < 3:
            return
        distance = np.diff(x)
        gap = longest_step(float(np.median(distance)), cutoff) if gap is None else gap
        for start, stop in pairwise([0, *(np.flatnonzero(distance > gap) + 1).tolist(), len(x)]):
            if stop - start >= 3:
                self.runs.append((slice(start, stop), GaussianFilter(x[start:stop], cutoff)))

    def apply(self, height: FloatArray) -> FloatArray:
        """Slope [rad], shape (N,)."""
        if self.which is not None:
            height = np.asarray(np.bincount(self.which, height) / np.bincount(self.which), dtype=np.float64)
        slope = np.full_like(height, np.nan)
        for run, smooth in self.runs:
            slope[run] = np.gradient(smooth.apply(height[run]), smooth.x)
        return slope if self.which is None else slope[self.which]

    def transposed(self, pulls: FloatArray) -> FloatArray:
        """What pulls on slopes are on heights, shape (N,) [1/m]."""
        if self.which is not None:
            pulls = np.asarray(np.bincount(self.which, pulls), dtype=np.float64)
        found = np.zeros_like(pulls)
        for run, smooth in self.runs:
            found[run] = smooth.transposed(_gradient_transposed(smooth.x, pulls[run]))
        if self.which is None:
            return found
        return np.asarray((found / np.bincount(self.which))[self.which], dtype=np.float64)


def _gradient_transposed(x: FloatArray, pulls: FloatArray) -> FloatArray:
    """Transpose of `numpy.gradient` over x, of second order inside and of first order at the ends."""
    before, after = np.diff(x)[:-1], np.diff(x)[1:]
    found = np.zeros_like(pulls)
    inner = pulls[1:-1]
    found[:-2] -= inner * after / (before * (before + after))
    found[1:-1] += inner * (after - before) / (before * after)
    found[2:] += inner * before / (after * (before + after))
    for end, (low, high) in ((0, (0, 1)), (-1, (-2, -1))):
        steep = pulls[end] / (x[high] - x[low])
        found[low] -= steep
        found[high] += steep
    return found


def filtered_slope(x: FloatArray, height: FloatArray, cutoff: float, gap: float | None = None) -> FloatArray:
    """Slope [rad] after the Gaussian filter, shape (N,): see `SlopeFilter`."""
    return SlopeFilter(x, cutoff, gap).apply(height)


def longest_step(step: float, cutoff: float) -> float:
    """Distance of neighbours beyond which there is a gap: 3.5 steps or a quarter of the cut-off, the longer [m]."""
    return max(3.5 * step, cutoff / 4)


class SlopeNoise(NamedTuple):
    """What independent errors of variance 1 of the heights of an even run leave in its filtered slopes."""

    variance: FloatArray  # (K,) [1/m**2] of the first point, the second, ...; further inside as of the last
    alike: float  # sum of the squared correlations with a point inside: errors of so many points are one

    def at(self, x: FloatArray, ends: tuple[float, float], step: float) -> FloatArray:
        """Variance at positions on a run with these ends."""
        inwards = np.rint(np.minimum(x - ends[0], ends[1] - x) / step).astype(np.intp)
        found: FloatArray = self.variance[np.clip(inwards, 0, len(self.variance) - 1)]
        return found


@lru_cache(maxsize=64)
def slope_noise(step: float, cutoff: float) -> SlopeNoise:
    """Noise of filtered slopes, by the weights of filter and differences on an even grid [m]."""
    weights = filter_weights(step, cutoff)
    reach = len(weights) // 2
    rows = np.zeros((reach + 3, 2 * reach + 3))
    for i, row in enumerate(rows):
        start = max(i - reach, 0)
        row[start : i + reach + 1] = weights[start - i + reach :]
    rows /= rows.sum(axis=1, keepdims=True)
    slopes = np.concatenate([rows[1:2] - rows[:1], (rows[2:] - rows[:-2]) / 2]) / step
    inner = slopes[-1]
    correlation = np.correlate(inner, inner, "full") / (inner @ inner)
    return SlopeNoise(variance=np.sum(slopes**2, axis=1), alike=float(correlation @ correlation))
