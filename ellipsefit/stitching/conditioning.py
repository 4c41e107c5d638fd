"""Scans made ready to be joined: in the mirror frame, checked, and masked where a point tells nothing.

Raw data are never changed: a conditioned scan keeps its scan, and every mask carries its reason.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Final, Literal

import numpy as np

from ellipsefit.arrays import BoolArray, FloatArray, IntArray, sealed
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.mirror import Mirror
from ellipsefit.outliers import NORMAL_MAD, stray_points
from ellipsefit.scan import Scan
from ellipsefit.stitching.sag import segment_sag, segment_sag_slope, weight_over_stiffness

#: Reasons for which a point is masked, in the order in which they are found.
Reason = Literal["", "invalid", "outside", "edge", "roll-off", "spike"]

#: Points of the running median against which a spike is told; a spike is shorter than half of it.
SPIKE_WINDOW: Final = 11
#: Carriage and x of one scan may drift apart by this much [m].
CARRIAGE_TOLERANCE: Final = 1e-4
#: A nominal curve of smaller rms within a scan [m, rad] may be hidden by errors of guide and figure.
LEAST_CURVE: Final = {"height": 1e-7, "slope": 2e-6}
#: The same for what is left of it without a common curvature: a guide's error may pass for that.
LEAST_GRADIENT: Final = {"height": 1e-6, "slope": 1e-5}


@dataclass(frozen=True, slots=True, kw_only=True)
class StitchSettings:
    """What stitching does and does not do; every step can be left out.

    Parameters
    ----------
    spike_threshold : float, optional
        Robust standard deviations beyond which a point is a spike; None: none is looked for.
    roll_off : bool
        Whether ends of segments that bend away from the rest are masked.
    guide : bool
        Whether the guide's straightness error is solved for (needs `carriage`).
    guide_straightness : float, optional
        Its standard deviation, if known [m], or of the guide's pitch error [rad] for slopes.
    drift_degree : int
        Highest power of time in the drift of a scan beyond a line; below 2: none.
    temperature_limit : float
        Largest difference of mean temperature between scans [K].
    """

    spike_threshold: float | None = 6.0
    roll_off: bool = True
    guide: bool = True
    guide_straightness: float | None = None
    drift_degree: int = 3
    temperature_limit: float = 0.5

    def as_text(self) -> dict[str, str]:
        """Each setting as text, for files."""
        return {field.name: str(getattr(self, field.name)) for field in fields(self)}

    def __post_init__(self) -> None:
        if self.spike_threshold is not None and not 3 <= self.spike_threshold < np.inf:
            raise ParameterError(
                f"spike_threshold must be at least 3 standard deviations; got {self.spike_threshold!r}"
            )
        if self.guide_straightness is not None and not 0 < self.guide_straightness < np.inf:
            raise ParameterError(f"guide_straightness must be positive; got {self.guide_straightness!r}")
        if not 0 <= self.drift_degree <= 6:
            raise ParameterError(f"drift_degree must be from 0 to 6; got {self.drift_degree!r}")
        if not 0 < self.temperature_limit < np.inf:
            raise ParameterError(f"temperature_limit must be positive; got {self.temperature_limit!r}")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ConditionedScan:
    """A scan in the mirror frame, less the nominal ellipse, with a reason for each point left out."""

    scan: Scan
    x: FloatArray  # (N,) mirror frame [m]
    deviation: FloatArray  # (N,) measured minus nominal [m or rad]; NaN where invalid
    sigma: FloatArray  # (N,) 1 where none is given
    segment: IntArray  # (N,) number of the segment, -1: none
    reason: np.ndarray[tuple[int], np.dtype[np.str_]]  # (N,)
    guide_sign: float  # with which the guide's error enters: -1 for a mirror that lay face down
    asymmetric: bool = False  # whether the nominal curve alone tells that the scan is not back to front
    sag: FloatArray | None = None  # (N,) of the segments, already taken away from the deviation; None: none was

    def __post_init__(self) -> None:
        for name in ("x", "deviation", "sigma"):
            object.__setattr__(self, name, sealed(getattr(self, name)))
        if self.sag is not None:
            object.__setattr__(self, "sag", sealed(self.sag))
        object.__setattr__(self, "segment", sealed(self.segment, np.intp))
        object.__setattr__(self, "reason", sealed(self.reason, np.str_))

    @property
    def used(self) -> BoolArray:
        """Which points are not masked, shape (N,)."""
        used: BoolArray = self.reason == ""
        return used

    @property
    def offset(self) -> float | None:
        """Where the carriage's zero stands on the mirror: x - carriage, or x + carriage where they run apart [m]."""
        if self.scan.carriage is None:
            return None
        carriage = self.scan.carriage
        sense = np.sign((self.x[-1] - self.x[0]) * (carriage[-1] - carriage[0]))
        return float(np.median(self.x - sense * carriage))


def condition_scans(scans: Sequence[Scan], mirror: Mirror, settings: StitchSettings) -> tuple[ConditionedScan, ...]:
    """Check the scans of a campaign together, bring them into the mirror frame and mask what tells nothing.

    Raises
    ------
    DataError
        If a scan contradicts itself, the mirror or the others; the sentence names the scan.
    """
    if not scans:
        raise DataError("no scans are given; expected at least one")
    _check_together(scans, settings)
    ready = [condition_scan(scan, mirror, settings) for scan in scans]
    if len({scan.sigma is None for scan in scans}) > 1:  # beside others that state one, a scan needs one, too
        ready = [
            item if item.scan.sigma is not None else replace(item, sigma=np.full(len(item.x), _own_noise(item)))
            for item in ready
        ]
    return tuple(ready)


def _own_noise(scan: ConditionedScan) -> float:
    """Standard deviation of a point from third differences, which no smooth curve reaches [m or rad]."""
    third = np.diff(scan.deviation[scan.used], 3)
    found = NORMAL_MAD * float(np.median(np.abs(third))) / np.sqrt(20.0) if len(third) else 0.0  # 1 + 9 + 9 + 1
    return found or 1e-12


def _check_together(scans: Sequence[Scan], settings: StitchSettings) -> None:
    seen: dict[str, str] = {}
    names: set[str] = set()
    for scan in scans:
        if scan.name in names:
            raise DataError(f"two scans are called '{scan.name}'; expected a name for each")
        names.add(scan.name)
        content = hashlib.sha256(scan.x.tobytes() + scan.values.tobytes()).hexdigest()
        if content in seen:
            raise DataError(
                f"scan '{scan.name}' has the same content as scan '{seen[content]}'; expected each scan once"
            )
        seen[content] = scan.name
    quantities = {scan.quantity for scan in scans}
    if len(quantities) > 1:
        other = next(scan for scan in scans if scan.quantity != scans[0].quantity)
        raise DataError(
            f"the scans hold heights and slopes, '{scans[0].name}' {scans[0].quantity}s and '{other.name}' "
            f"{other.quantity}s; expected one of them: stitch each kind by itself"
        )
    means = {scan.name: float(scan.temperature.mean()) for scan in scans if scan.temperature is not None}
    if means:
        cold, warm = min(means, key=lambda name: means[name]), max(means, key=lambda name: means[name])
        if means[warm] - means[cold] > settings.temperature_limit:
            raise DataError(
                f"scan '{warm}' was taken {means[warm] - means[cold]:.2f} K warmer than scan '{cold}'; expected all "
                f"within {settings.temperature_limit:g} K"
            )


def condition_scan(scan: Scan, mirror: Mirror, settings: StitchSettings) -> ConditionedScan:
    """Check one scan, bring it into the mirror frame and mask what tells nothing; errors as `condition_scans`."""
    how = mirror.measurement
    turn = 1.0 if how.x_direction == "downstream" else -1.0
    stretch: float | FloatArray = how.stretch
    if scan.temperature is not None and how.expansion is not None:
        stretch = 1.0 + how.expansion * (scan.temperature - how.reference_temperature)
    x = turn * (scan.x - how.x_offset) / stretch
    values = scan.values / stretch if scan.quantity == "height" else turn * scan.values
    _check_order(scan, x)
    segment = _segments(scan, x, mirror)
    reason = np.full(len(x), "", dtype="<U8")
    reason[~np.isfinite(values)] = "invalid"
    reason[(reason == "") & (segment < 0)] = "outside"
    edges = np.array([part.edge for part in mirror.segments])
    starts = np.array([part.start for part in mirror.segments]) + edges
    ends = np.array([part.end for part in mirror.segments]) - edges
    at_edge = (x < starts[segment] - 1e-9) | (x > ends[segment] + 1e-9)
    reason[(reason == "") & at_edge] = "edge"
    if not (reason == "").any():
        raise DataError(
            f"scan '{scan.name}': no valid point lies on a segment of mirror '{mirror.name}' (x from "
            f"{x.min() * 1e3:.6g} mm to {x.max() * 1e3:.6g} mm); expected spans from {mirror.span[0] * 1e3:.6g} mm to "
            f"{mirror.span[1] * 1e3:.6g} mm, check the unit of x"
        )
    nominal = mirror.nominal
    deviation = np.full(len(x), np.nan)
    known = (reason == "") | (reason == "edge")
    ideal = nominal.height(x[known]) if scan.quantity == "height" else nominal.slope(x[known])
    deviation[known] = values[known] - ideal
    asymmetric = _check_curve(scan, x, values, deviation, reason, segment, mirror)
    sag = _sag(scan, x, segment, mirror)
    if sag is not None:
        deviation = deviation - sag
    for number in np.unique(segment[reason == ""]):
        places = np.flatnonzero((reason == "") & (segment == number))
        places = places[np.argsort(x[places])]
        if settings.roll_off:
            close = 2 * float(np.median(np.abs(np.diff(x)))) + 1e-9
            physical = (x[places[0]] - starts[number] < close, ends[number] - x[places[-1]] < close)
            reason[places[_roll_off(x[places], deviation[places], physical)]] = "roll-off"
            places = places[reason[places] == ""]
        if settings.spike_threshold is not None:
            spikes = stray_points(x[places], deviation[places], window=SPIKE_WINDOW, threshold=settings.spike_threshold)
            reason[places[spikes]] = "spike"
    flipped = scan.orientation == "face_down" or (scan.quantity == "slope" and scan.orientation == "end_for_end")
    return ConditionedScan(
        scan=scan,
        x=x,
        deviation=deviation,
        sigma=np.ones(len(x)) if scan.sigma is None else scan.sigma,
        segment=segment,
        reason=reason,
        guide_sign=(-1.0 if flipped else 1.0) * (1.0 if scan.quantity == "height" else turn),
        asymmetric=asymmetric,
        sag=sag,
    )


def _sag(scan: Scan, x: FloatArray, segment: IntArray, mirror: Mirror) -> FloatArray | None:
    """What each segment's weight adds to it on its supports, in the mirror frame; None if those are not known."""
    support = mirror.measurement.support
    if support is None:
        return None
    load = weight_over_stiffness(support.density, support.modulus, support.thickness)
    bend = segment_sag if scan.quantity == "height" else segment_sag_slope
    sag = np.zeros(len(x))
    for number in np.unique(segment[segment >= 0]):
        part, inside = mirror.segments[number], segment == number
        place = np.clip(x[inside] - part.middle, -part.length / 2, part.length / 2)
        sag[inside] = bend(place, length=part.length, support=support.from_end, load=load)
    return -sag if scan.orientation == "face_down" else sag  # face down, it sinks out of its reflecting side


def _check_order(scan: Scan, x: FloatArray) -> None:
    if scan.time is not None and (np.diff(scan.time) < 0).any():
        row = int(np.flatnonzero(np.diff(scan.time) < 0)[0]) + 2
        raise DataError(f"scan '{scan.name}': time runs backwards at point {row}; expected the order of measurement")
    steps = np.diff(x)
    if not ((steps > 0).all() or (steps < 0).all()):
        row = int(np.flatnonzero(np.sign(steps) != np.sign(steps[0]))[0]) + 2 if steps[0] else 2
        raise DataError(f"scan '{scan.name}': x turns back at point {row}; expected one pass in one direction")
    if scan.carriage is None:
        return
    turned = -1.0 if scan.orientation == "end_for_end" else 1.0
    offset = scan.x - turned * scan.carriage  # on the scan's own axis, whichever way that lies on the mirror
    if np.ptp(offset) > CARRIAGE_TOLERANCE:
        opposite = np.ptp(scan.x + turned * scan.carriage) <= CARRIAGE_TOLERANCE
        hint = "the mirror was turned end for end, or x is reversed" if opposite else "they differ in scale or order"
        raise DataError(
            f"scan '{scan.name}': the carriage doesn't match x, their difference changes by "
            f"{np.ptp(offset) * 1e3:.4g} mm; expected within {CARRIAGE_TOLERANCE * 1e3:g} mm ({hint})"
        )
    if scan.direction is not None:
        forward = scan.carriage[-1] > scan.carriage[0]
        if forward != (scan.direction == "forward"):
            raise DataError(
                f"scan '{scan.name}' is declared {scan.direction} but its carriage runs "
                f"{'forward' if forward else 'backward'}; expected the two to agree"
            )


def _segments(scan: Scan, x: FloatArray, mirror: Mirror) -> IntArray:
    starts = np.array([part.start for part in mirror.segments])
    ends = np.array([part.end for part in mirror.segments])
    if scan.segment is None:
        index = np.searchsorted(starts - 1e-9, x, side="right") - 1
    else:
        known = {part.name: number for number, part in enumerate(mirror.segments)}
        names, codes = np.unique(scan.segment, return_inverse=True)
        strangers = [str(name) for name in names if name and name not in known]
        if strangers:
            raise DataError(
                f"scan '{scan.name}': segment '{strangers[0]}' is not in the mirror file of '{mirror.name}'; expected "
                f"one of {', '.join(known)}"
            )
        index = np.array([known.get(str(name), -1) for name in names])[codes]
    inside = (index >= 0) & (x >= starts[index] - 1e-9) & (x <= ends[index] + 1e-9)
    return np.where(inside, index, -1)


def _check_curve(
    scan: Scan,
    x: FloatArray,
    values: FloatArray,
    deviation: FloatArray,
    reason: np.ndarray[tuple[int], np.dtype[np.str_]],
    segment: IntArray,
    mirror: Mirror,
) -> bool:
    """Refuse a scan that is convex or in another unit, as far as its own curve shows it.

    Values are regressed on the nominal curve less a line in each segment. True: its change of curvature is seen,
    and runs as it should.
    """
    product, square, rest, count = 0.0, 0.0, 0.0, 0
    for number in np.unique(segment[reason == ""]):
        part = (reason == "") & (segment == number)
        if part.sum() < 5:
            continue
        ideal = values[part] - deviation[part]
        degree = 1 if scan.quantity == "height" else 0
        t = x[part] - x[part].mean()
        wanted, found = ideal - np.polyval(np.polyfit(t, ideal, degree), t), values[part]
        found = found - np.polyval(np.polyfit(t, found, degree), t)
        limit = 10 * NORMAL_MAD * float(np.median(np.abs(found - wanted))) + 1e-15
        kept = np.abs(found - wanted) < limit  # a spike must not decide
        product += float(wanted[kept] @ found[kept])
        square += float(wanted[kept] @ wanted[kept])
        rest += float(found[kept] @ found[kept])
        count += int(kept.sum())
    if count < 5 or square <= count * LEAST_CURVE[scan.quantity] ** 2:
        return False
    ratio = product / square
    spread = np.sqrt(max(rest - ratio * product, 0.0) / square / count)
    if ratio < -5 * spread and ratio < -0.5:
        raise DataError(
            f"scan '{scan.name}': the curve is convex where mirror '{mirror.name}' is concave; expected "
            f"{scan.quantity}s along +z, out of the reflecting side"
        )
    asymmetric = _check_gradient(scan, x, values, deviation, (reason == "") & (segment >= 0), segment, mirror)
    for factor in (1e3, 1e6, 1e-3, 1e-6):
        if 0.5 < ratio / factor < 2 and spread < abs(ratio) / 5:
            raise DataError(
                f"scan '{scan.name}': its {scan.quantity}s are a factor {factor:g} away from those of mirror "
                f"'{mirror.name}'; expected another unit of {scan.quantity}"
            )
    return asymmetric


def _check_gradient(
    scan: Scan,
    x: FloatArray,
    values: FloatArray,
    deviation: FloatArray,
    used: BoolArray,
    segment: IntArray,
    mirror: Mirror,
) -> bool:
    """Refuse a scan that is back to front, as far as the change of curvature along the nominal curve shows it.

    Segments' heights and tilts and a common curvature tell nothing of that; what is left of the nominal curve
    changes its sign where x is reversed. True: it is seen, and has the right sign.
    """
    degree = 1 if scan.quantity == "height" else 0
    t = (x[used] - x[used].mean()) / max(float(np.ptp(x[used])), 1e-12)
    columns = [t ** (degree + 1)]
    for number in np.unique(segment[used]):
        inside = (segment[used] == number).astype(np.float64)
        columns += [inside * t**power for power in range(degree + 1)]
    poses = np.stack(columns, axis=1)
    both = np.stack([values[used] - deviation[used], values[used]], axis=1)
    wanted, found = (both - poses @ np.linalg.lstsq(poses, both, rcond=None)[0]).T
    square, product = float(wanted @ wanted), float(wanted @ found)
    if square <= len(wanted) * LEAST_GRADIENT[scan.quantity] ** 2:
        return False
    ratio = product / square
    rest = float(np.median(np.abs(found - ratio * wanted))) * NORMAL_MAD
    if -2 < ratio < -0.5 and rest**2 < square / len(wanted):
        raise DataError(
            f"scan '{scan.name}': its curvature changes along x against that of mirror '{mirror.name}'; expected the "
            "nominal curve, check whether x is reversed"
        )
    return ratio > 0.5


def _roll_off(x: FloatArray, deviation: FloatArray, physical: tuple[bool, bool]) -> BoolArray:
    """Ends that bend away: from each end inward, as long as points stray from the middle's parabola.

    Looked for within the outer tenth, at least 3 points, against 8 robust standard deviations of the rest. At an
    end of the segment itself (`physical`) a chamfer may be one point; where a scan ends within a segment, less than
    3 points are left to the search for spikes.
    """
    n = len(x)
    found = np.zeros(n, dtype=bool)
    reach = max(n // 10, 3)
    if n < 4 * reach:
        return found
    middle = slice(reach, n - reach)
    t = (x - x.mean()) / max(float(np.ptp(x)), 1e-12)
    inner = deviation[middle]
    curve = np.polyval(np.polyfit(t[middle], inner, 2), t)
    scale = NORMAL_MAD * float(np.median(np.abs(inner - curve[middle])))
    far = np.abs(deviation - curve) > 8 * max(scale, 1e-15)
    for order, own_end in zip((np.arange(reach), n - 1 - np.arange(reach)), physical, strict=True):
        near = np.flatnonzero(~far[order])
        length = int(near[0]) if len(near) else reach
        if length >= (1 if own_end else 3):
            found[order[:length]] = True
    return found
