"""What the figures of a stitched profile show: scans as measured and aligned, drift, and what is left by time."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.polynomial import Chebyshev, Polynomial
from numpy.polynomial.legendre import legvander

from ellipsefit.arrays import FloatArray
from ellipsefit.mirror import Segment
from ellipsefit.report.curves import BLOCKS, MOST_POINTS, Curve, thinned
from ellipsefit.stitch import Stitched

#: Scans that are drawn or listed one by one; of more, so many are chosen.
MOST_SCANS: Final = 40
#: Points of all scans together that are drawn one by one, and blocks along all of them when there are more.
SCAN_POINTS: Final = 14_000
SCAN_BLOCKS: Final = 6_000
#: The pen is lifted over gaps of more than so many steps of a scan.
GAP: Final = 4.0
#: Terms and points by which the nominal curve is found again: an ellipse leaves 1e-10 of its sag at the most.
TERMS: Final = 24
NOMINAL_POINTS: Final = 20_000


def shown_scans(stitched: Stitched) -> list[int]:
    """Numbers of the scans that are drawn: all, or `MOST_SCANS` that are evenly chosen."""
    count = len(stitched.scans)
    if count <= MOST_SCANS:
        return list(range(count))
    return [int(number) for number in np.linspace(0, count - 1, MOST_SCANS).round()]


def measured_segments(stitched: Stitched) -> tuple[Segment, ...]:
    """Segments that the profile has, each as far as its points reach."""
    x, names = stitched.profile.x, stitched.profile.segment
    if names is None:
        return (Segment(name="", start=float(x.min()), end=float(x.max())),)
    spans = ((str(name), x[names == name]) for name in dict.fromkeys(names))
    return tuple(
        Segment(name=name, start=float(own.min()), end=float(own.max())) for name, own in spans if len(own) > 1
    )


def nominal_of(stitched: Stitched) -> Chebyshev:
    """Nominal curve along the profile [m or rad], as the scans hold it: measured minus deviation."""
    heights = stitched.profile.quantity == "height"
    most = max(NOMINAL_POINTS // len(stitched.conditioned), 2)
    places, values = [], []
    for scan in stitched.conditioned:
        known = np.flatnonzero(scan.used)
        known = known[np.linspace(0, len(known) - 1, min(most, len(known))).astype(np.intp)]
        # how the scan's axis lies on the mirror, and how much it is stretched by temperature
        turn = (scan.x[-1] - scan.x[0]) / (scan.scan.x[-1] - scan.scan.x[0])
        places.append(scan.x[known])
        values.append((abs(turn) if heights else np.sign(turn)) * scan.scan.values[known] - scan.deviation[known])
    x, ideal = np.concatenate(places), np.concatenate(values)
    degree = min(TERMS, int(np.sqrt(len(x))))  # beyond this, equal steps would let the ends run away
    return Chebyshev.fit(x, ideal, degree, domain=[float(x.min()), float(x.max())])


def common_line(stitched: Stitched, nominal: Chebyshev) -> Polynomial:
    """Height and tilt of the whole profile against nominal, which hide what else there is to see.

    Least-squares line of the heights; of slopes, their mean.
    """
    profile = stitched.profile
    used = profile.used
    x = profile.x[used]
    degree = 1 if profile.quantity == "height" else 0
    return Polynomial.fit(x, profile.values[used] - nominal(x), degree)


def joined_curve(stitched: Stitched, nominal: Chebyshev, line: Polynomial) -> Curve:
    """Joined profile minus nominal and a line [m or rad]."""
    profile = stitched.profile
    used = profile.used
    x = profile.x[used]
    names = np.zeros(len(x)) if profile.segment is None else profile.segment[used]
    return thinned(_parts(x, profile.values[used] - nominal(x) - line(x), names), most=MOST_POINTS, blocks=BLOCKS)


def scan_curve(stitched: Stitched, number: int, values: FloatArray) -> Curve:
    """Values of one scan (N,) where it is in use, along the mirror."""
    scan, count = stitched.conditioned[number], len(shown_scans(stitched))
    used = scan.used
    parts = _parts(scan.x[used], values[used], scan.segment[used])
    return thinned(parts, most=SCAN_POINTS // count, blocks=SCAN_BLOCKS // count)


def aligned_deviation(stitched: Stitched, number: int, nominal: Chebyshev) -> FloatArray:
    """One scan minus nominal after alignment, shape (N,) [m or rad]; NaN where masked.

    Height, tilt, guide error and drift are taken away: this is the joined profile plus the scan's residual.
    """
    scan, profile = stitched.conditioned[number], stitched.profile
    joined = np.interp(scan.x, profile.x, profile.values - nominal(profile.x))
    aligned: FloatArray = joined + stitched.residuals[number]
    return aligned


def drifts(stitched: Stitched) -> bool:
    """Whether a drift beyond a line was solved for and found: at the least a hundredth of the residual."""
    typical = float(np.median([scan.residual_rms for scan in stitched.scans]))
    return stitched.drift_spread is not None and stitched.drift_spread > 0.01 * typical


def drift_of(stitched: Stitched, number: int, nominal: Chebyshev) -> FloatArray | None:
    """Drift of one scan that stitching took away, beyond a line, shape (N,) [m or rad]; None: none solved for.

    Not in the result as such: it is what the scan has beyond its aligned self, the guide's error, and
    height and tilt, as the polynomial of time that it is in the model.
    """
    from scipy.interpolate import CubicSpline

    scan = stitched.conditioned[number]
    degree, time = stitched.settings.drift_degree, scan.scan.time
    if stitched.drift_spread is None or time is None or degree < 2 or np.ptp(time) == 0:
        return None
    rest = scan.deviation - aligned_deviation(stitched, number, nominal)
    if len(stitched.guide_carriage) and scan.scan.carriage is not None:
        guide = CubicSpline(stitched.guide_carriage, stitched.guide_error)
        rest = rest - scan.guide_sign * guide(scan.scan.carriage)
    powers = legvander(_unit(time), degree)[:, 2:]
    columns = np.column_stack([np.ones(len(time)), _unit(scan.x), powers])
    used = scan.used
    found = np.linalg.lstsq(columns[used], rest[used], rcond=None)[0]
    drift: FloatArray = powers @ found[2:]
    return drift


def _unit(values: FloatArray) -> FloatArray:
    low, high = float(values.min()), float(values.max())
    unit: FloatArray = 2 * (values - low) / (high - low) - 1
    return unit


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
