"""What the figures of a stitched profile show: scans as measured and aligned, drift, and what is left by time."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.polynomial import Polynomial
from numpy.polynomial.legendre import legval

from ellipsefit.arrays import FloatArray
from ellipsefit.report.curves import BLOCKS, MOST_POINTS, Curve, thinned
from ellipsefit.stitching import Stitched

#: Scans that are drawn or listed one by one; of more, so many are chosen.
MOST_SCANS: Final = 40
#: Points of all scans together that are drawn one by one, and blocks along all of them when there are more.
SCAN_POINTS: Final = 14_000
SCAN_BLOCKS: Final = 6_000
#: The pen is lifted over gaps of more than so many steps of a scan.
GAP: Final = 4.0


def shown_scans(stitched: Stitched) -> list[int]:
    """Numbers of the scans that are drawn: all, or `MOST_SCANS` that are evenly chosen."""
    count = len(stitched.scans)
    if count <= MOST_SCANS:
        return list(range(count))
    return [int(number) for number in np.linspace(0, count - 1, MOST_SCANS).round()]


def profile_deviation(stitched: Stitched) -> FloatArray:
    """Joined profile minus nominal at its points, shape (N,) [m or rad]."""
    profile, nominal = stitched.profile, stitched.mirror.nominal
    return profile.values - (nominal.height(profile.x) if profile.quantity == "height" else nominal.slope(profile.x))


def common_line(stitched: Stitched) -> Polynomial:
    """Height and tilt of the whole profile against nominal, which hide what else there is to see.

    Least-squares line of the heights; of slopes, their mean.
    """
    profile = stitched.profile
    used = profile.used
    degree = 1 if profile.quantity == "height" else 0
    return Polynomial.fit(profile.x[used], profile_deviation(stitched)[used], degree)


def joined_curve(stitched: Stitched, line: Polynomial) -> Curve:
    """Joined profile minus nominal and a line [m or rad]."""
    profile = stitched.profile
    used = profile.used
    x = profile.x[used]
    names = np.zeros(len(x)) if profile.segment is None else profile.segment[used]
    return thinned(_parts(x, profile_deviation(stitched)[used] - line(x), names), most=MOST_POINTS, blocks=BLOCKS)


def scan_curve(stitched: Stitched, number: int, values: FloatArray) -> Curve:
    """Values of one scan (N,) where it is in use, along the mirror."""
    scan, count = stitched.conditioned[number], len(shown_scans(stitched))
    used = scan.used
    parts = _parts(scan.x[used], values[used], scan.segment[used])
    return thinned(parts, most=SCAN_POINTS // count, blocks=SCAN_BLOCKS // count)


def aligned_deviation(stitched: Stitched, number: int) -> FloatArray:
    """One scan minus nominal after alignment, shape (N,) [m or rad]; NaN where masked.

    Height, tilt, guide error and drift are taken away: this is the joined profile plus the scan's residual.
    """
    joined = np.interp(stitched.conditioned[number].x, stitched.profile.x, profile_deviation(stitched))
    aligned: FloatArray = joined + stitched.residuals[number]
    return aligned


def drifts(stitched: Stitched) -> bool:
    """Whether a drift beyond a line was solved for and found: at the least a hundredth of the residual."""
    typical = float(np.median([scan.residual_rms for scan in stitched.scans]))
    return stitched.drift_spread is not None and stitched.drift_spread > 0.01 * typical


def drift_of(stitched: Stitched, number: int) -> FloatArray | None:
    """Drift of one scan that stitching took away, beyond a line, shape (N,) [m or rad]; None: none solved for."""
    time, coefficients = stitched.conditioned[number].scan.time, stitched.drift[number]
    if time is None or not len(coefficients):
        return None
    low, high = float(time.min()), float(time.max())
    unit = 2 * (time - low) / (high - low) - 1 if high > low else np.zeros_like(time)
    below = 2 if stitched.conditioned[number].scan.quantity == "height" else 1  # its own height and tilt
    drift: FloatArray = legval(unit, np.concatenate([np.zeros(below), coefficients]))
    return drift


def residual_by_time(stitched: Stitched, intervals: int = 24) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Mean residual of all scans by time since each one's start: time [s], mean, its standard uncertainty.

    None if a scan has no times.
    """
    since, rest = [], []
    for scan, residual in zip(stitched.conditioned, stitched.residuals, strict=True):
        if scan.scan.time is None:
            return None
        used = scan.used
        since.append(scan.scan.time[used] - scan.scan.time[0])
        rest.append(residual[used])
    time, values = np.concatenate(since), np.concatenate(rest)
    if not time.max() > 0:
        return None
    place = np.minimum((time / time.max() * intervals).astype(np.intp), intervals - 1)
    count = np.bincount(place, minlength=intervals)
    kept = count > 1
    count = count[kept]
    middle, mean, square = (
        np.bincount(place, weights, intervals)[kept] / count for weights in (time, values, values**2)
    )
    return middle, mean, np.sqrt(np.maximum(square - mean**2, 0.0) / (count - 1))


def _parts(
    x: FloatArray, values: FloatArray, segment: np.ndarray[tuple[int], np.dtype[np.generic]]
) -> list[tuple[FloatArray, FloatArray]]:
    """Values in order of x, cut between segments and at gaps."""
    order = np.argsort(x, kind="stable")
    x, values, segment = x[order], values[order], segment[order]
    steps = np.diff(x)
    cut = (segment[1:] != segment[:-1]) | (steps > GAP * np.median(steps))
    places = np.flatnonzero(cut) + 1
    return list(zip(np.split(x, places), np.split(values, places), strict=True))
