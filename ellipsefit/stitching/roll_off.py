"""Roll-off: ends of segments that bend away from the rest."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from ellipsefit.arrays import BoolArray, FloatArray, frozen, median
from ellipsefit.outliers import NORMAL_MAD, stray_points
from ellipsefit.stitching.conditioned import ROLL_OFF, SPIKE, SPIKE_WINDOW, ConditionedScan, StitchSettings

#: Scans whose guides lie further apart than this see different errors of it [m].
GUIDE_ELSEWHERE: Final = 0.01


def bent_ends(x: FloatArray, deviation: FloatArray, physical: BoolArray) -> BoolArray:
    """Ends that bend away: from each end inward, as long as points stray from the middle's parabola.

    Looked for within the outer tenth, at least 3 points, against 8 robust standard deviations of the rest. At an
    end of the segment itself (`physical`) a chamfer may be one point; where a scan ends within a segment, less than
    3 points are left to the search for spikes. Stretches of one length, shape (B, N); `physical` (B, 2).
    """
    n = x.shape[1]
    found = np.zeros(x.shape, dtype=bool)
    reach = max(n // 10, 3)
    if n < 4 * reach:
        return found
    middle = slice(reach, n - reach)
    away = np.abs(deviation - _parabola(x, deviation, middle))
    far = away > 8 * np.maximum(NORMAL_MAD * median(away[:, middle]), 1e-15)[:, None]
    for order, own_end in zip((np.arange(reach), n - 1 - np.arange(reach)), physical.T, strict=True):
        run = np.logical_and.accumulate(far[:, order], axis=1)
        run[run.sum(axis=1) < np.where(own_end, 1, 3)] = False
        found[:, order] |= run
    return found


def confirmed(scans: tuple[ConditionedScan, ...], settings: StitchSettings) -> tuple[ConditionedScan, ...]:
    """Take back roll-off that most scans with the guide elsewhere don't show: it is the guide's, not the mirror's."""
    bent = [number for number, scan in enumerate(scans) if (scan.code == ROLL_OFF).any()]
    if not bent:
        return scans
    offsets = np.array([np.nan if (offset := scan.offset) is None else offset for scan in scans])
    low, high = (np.array([end(scan.x[0], scan.x[-1]) for scan in scans]) for end in (min, max))
    codes = {number: scans[number].code.copy() for number in bent}
    for number in bent:
        scan = scans[number]
        masked = np.flatnonzero(scan.code == ROLL_OFF)
        for run in np.split(masked, np.flatnonzero(np.diff(masked) > 1) + 1):
            first, last = sorted((float(scan.x[run[0]]), float(scan.x[run[-1]])))
            if run[0] in (0, len(scan.x) - 1) or run[-1] in (0, len(scan.x) - 1):
                continue  # where the scan itself begins or ends, it may be alone with what it sees
            elsewhere = np.abs(offsets - offsets[number]) > GUIDE_ELSEWHERE
            here = (low <= last) & (high >= first)
            shown = [_shows_roll_off(scans[other], first, last) for other in np.flatnonzero(elsewhere & here)]
            told = [item for item in shown if item is not None]
            if told and 2 * sum(told) < len(told):
                mine = np.flatnonzero((scan.segment == scan.segment[run[0]]) & np.isin(codes[number], (0, SPIKE)))
                codes[number][run] = 0
                whole = np.sort(np.concatenate([mine, run]))
                if settings.spike_threshold is not None:
                    stray = stray_points(
                        scan.x[whole], scan.deviation[whole], window=SPIKE_WINDOW, threshold=settings.spike_threshold
                    )
                    codes[number][whole[stray]] = SPIKE
    return tuple(
        replace(scan, code=frozen(codes[number])) if number in codes else scan for number, scan in enumerate(scans)
    )


def _shows_roll_off(scan: ConditionedScan, first: float, last: float) -> bool | None:
    """Whether a scan's points in a stretch bend away as at an end; None if it has none there."""
    there = (scan.x >= first - 1e-9) & (scan.x <= last + 1e-9)
    codes = scan.code[there]
    codes = codes[(codes == 0) | (codes == ROLL_OFF)]
    return None if not len(codes) else bool(2 * np.count_nonzero(codes == ROLL_OFF) >= len(codes))


def _parabola(x: FloatArray, values: FloatArray, middle: slice) -> FloatArray:
    """Least-squares parabola of a middle part, everywhere; by orthogonal polynomials, rows for themselves."""
    t = x - x[:, middle].mean(axis=1, keepdims=True)
    t /= np.abs(t[:, middle]).max(axis=1, keepdims=True)
    inner, y = t[:, middle], values[:, middle]
    square = inner * inner
    weight = square.sum(axis=1)
    bow = t * t - (np.einsum("ij,ij->i", square, inner) / weight)[:, None] * t
    bow -= square.mean(axis=1, keepdims=True)  # the line's mean is zero
    bent = bow[:, middle]
    curve: FloatArray = (np.einsum("ij,ij->i", bent, y) / np.einsum("ij,ij->i", bent, bent))[:, None] * bow
    curve += (np.einsum("ij,ij->i", inner, y) / weight)[:, None] * t
    curve += y.mean(axis=1, keepdims=True)
    return curve
