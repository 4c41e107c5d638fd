"""Points that stray from their neighbours by far more than those scatter."""

from __future__ import annotations

from typing import Final

import numpy as np

from ellipsefit.arrays import BoolArray, FloatArray

#: Standard deviation of a normal variable over its median absolute deviation.
NORMAL_MAD: Final = 1.4826022185056018
#: The scatter is judged over so many windows of the running median.
_SCALE_WINDOWS: Final = 5


def stray_points(x: FloatArray, values: FloatArray, *, window: int, threshold: float) -> BoolArray:
    """Points beyond a number of robust standard deviations from the running median of their neighbours.

    Parameters
    ----------
    x, values : array, shape (N,)
        One stretch of a profile without steps, in the order of x.
    window : int
        Points of the running median (odd); what is shorter than half of it can stray.
    threshold : float
        Robust standard deviations: of all points, or of those nearby where these scatter more. Structure that
        the median cannot follow scatters for its whole length, a stray point does not. A run of far points
        that rises and falls smoothly is structure, too: a stray one begins or ends with a jump of half its size.

    Returns
    -------
    array of bool, shape (N,)
    """
    from scipy.ndimage import median_filter

    n = len(values)
    if n < window:
        return np.zeros(n, dtype=bool)
    # a line through the outer quarters' medians keeps a tilted stretch from bending the median at its ends
    quarter = max(n // 4, 1)
    run = float(np.median(x[-quarter:]) - np.median(x[:quarter]))
    rise = float(np.median(values[-quarter:]) - np.median(values[:quarter]))
    flat = values - (rise / run if run else 0.0) * x
    away = np.abs(flat - _running_median(flat, window))
    wide = min(_SCALE_WINDOWS * window, n - 1 + n % 2)
    # where the curve runs one way, its points are their own median: the noise shows in third differences
    noise = np.median(np.abs(np.diff(flat, 3))) / np.sqrt(20.0)  # 1 + 9 + 9 + 1
    scale = np.maximum(median_filter(away, wide, mode="reflect"), max(np.median(away), noise)) * NORMAL_MAD
    far = away > threshold * np.maximum(scale, 1e-15)
    return _with_a_jump(far, flat, away)


def _with_a_jump(far: BoolArray, values: FloatArray, away: FloatArray) -> BoolArray:
    """Of the runs of far points, those that begin or end with a jump of at least half their size."""
    kept = far.copy()
    edges = np.flatnonzero(np.diff(np.concatenate([[False], far, [False]]).astype(np.int8)))
    steps = np.abs(np.diff(values))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        first = steps[start - 1] if start else 0.0
        last = steps[stop - 1] if stop < len(values) else 0.0
        kept[start:stop] = max(first, last) >= away[start:stop].max() / 2
    return kept


def _running_median(values: FloatArray, window: int) -> FloatArray:
    """Median of `window` neighbours; at the ends the values go on as their mirror image through a point.

    A surface that rises to its end would else stray from the median of a window that is one-sided there.
    """
    from scipy.ndimage import median_filter

    half, near = window // 2, min(5, len(values))
    before = 2 * np.median(values[:near]) - values[near : near + half][::-1]
    after = 2 * np.median(values[-near:]) - values[-near - half : -near][::-1]
    whole = np.concatenate([before, values, after])
    return np.asarray(median_filter(whole, window)[len(before) : len(before) + len(values)], dtype=np.float64)
