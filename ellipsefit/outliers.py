"""Points that stray from their neighbours by far more than those scatter."""

from __future__ import annotations

from typing import Final

import numpy as np

from ellipsefit.arrays import BoolArray, FloatArray, median

#: Standard deviation of a normal variable over its median absolute deviation.
NORMAL_MAD: Final = 1.4826022185056018
#: The scatter is judged over so many windows of the running median.
_SCALE_WINDOWS: Final = 5


def stray_points(x: FloatArray, values: FloatArray, *, window: int, threshold: float) -> BoolArray:
    """Points beyond a number of robust standard deviations from the running median of their neighbours.

    Parameters
    ----------
    x, values : array, shape (N,) or (B, N)
        A stretch of a profile without steps, in the order of x, or several of one length.
    window : int
        Points of the running median (odd); what is shorter than half of it can stray.
    threshold : float
        Robust standard deviations: of all points, or of those nearby where these scatter more. Structure that
        the median cannot follow scatters for its whole length, a stray point does not. A run of far points
        that rises and falls smoothly is structure, too: a stray one begins or ends with a jump of half its size.

    Returns
    -------
    array of bool, shape (N,) or (B, N)
    """
    n = values.shape[-1]
    found = np.zeros((values.size // max(n, 1), n), dtype=bool)
    if n < window:
        return found.reshape(values.shape)
    rows_x, rows = np.atleast_2d(x), np.atleast_2d(values)
    # a line through the outer quarters' medians keeps a tilted stretch from bending the median at its ends
    quarter = max(n // 4, 1)
    run = median(rows_x[:, -quarter:]) - median(rows_x[:, :quarter])
    rise = median(rows[:, -quarter:]) - median(rows[:, :quarter])
    flat = rows - np.divide(rise, run, out=np.zeros_like(run), where=run != 0)[:, None] * rows_x
    # where the curve runs one way, its points are their own median: the noise shows in third differences
    noise = median(np.abs(np.diff(flat, 3))) / np.sqrt(20.0)  # 1 + 9 + 9 + 1
    # most stretches have no point that is far even from the farthest of its neighbours
    limit = threshold * np.maximum(noise * NORMAL_MAD, 1e-15)
    suspect = (_farthest(_mirrored(flat, window), window) > limit[:, None]).any(axis=1)
    for row in np.flatnonzero(suspect):
        found[row] = _far_points(flat[row], float(noise[row]), window, threshold)
    return found.reshape(values.shape)


def _far_points(flat: FloatArray, noise: float, window: int, threshold: float) -> BoolArray:
    """The stray points of one stretch that runs level, with the noise that its third differences show."""
    from scipy.ndimage import median_filter

    n = len(flat)
    away = np.abs(flat - median_filter(_mirrored(flat[None], window)[0], window)[window // 2 :][:n])
    least = max(float(median(away)), noise)
    far: BoolArray = away > threshold * max(least * NORMAL_MAD, 1e-15)
    if far.any():
        wide = min(_SCALE_WINDOWS * window, n - 1 + n % 2)
        scale = np.maximum(median_filter(away, wide, mode="reflect"), least) * NORMAL_MAD
        far = away > threshold * np.maximum(scale, 1e-15)
    return _with_a_jump(far, flat, away)


def _farthest(whole: FloatArray, window: int) -> FloatArray:
    """Distance of each point to the farthest within its window; rows with half a window more at each end."""
    low = high = whole
    width = 1
    while width < window:
        shift = min(width, window - width)
        low = np.minimum(low[:, :-shift], low[:, shift:])
        high = np.maximum(high[:, :-shift], high[:, shift:])
        width += shift
    middle = whole[:, window // 2 :][:, : low.shape[1]]
    return np.maximum(high - middle, middle - low)


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


def _mirrored(rows: FloatArray, window: int) -> FloatArray:
    """Rows with half a window more at each end, where they go on as their mirror image through a point.

    A surface that rises to its end would else stray from the median of a window that is one-sided there.
    """
    half, near = window // 2, min(5, rows.shape[1])
    before = 2 * median(rows[:, :near])[:, None] - rows[:, near : near + half][:, ::-1]
    after = 2 * median(rows[:, -near:])[:, None] - rows[:, -near - half : -near][:, ::-1]
    return np.concatenate([before, rows, after], axis=1)
