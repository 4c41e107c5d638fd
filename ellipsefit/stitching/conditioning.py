"""Scans made ready to be joined: in the mirror frame, checked, and masked where a point tells nothing.

Raw data are never changed: a conditioned scan keeps its scan, and every mask carries its reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray, IntArray, frozen, median
from ellipsefit.errors import DataError
from ellipsefit.mirror import Mirror
from ellipsefit.outliers import NORMAL_MAD, stray_points
from ellipsefit.scan import Scan
from ellipsefit.stitching import roll_off
from ellipsefit.stitching.conditioned import (
    EDGE,
    INVALID,
    OUTSIDE,
    ROLL_OFF,
    SPIKE,
    SPIKE_WINDOW,
    CodeArray,
    ConditionedScan,
    SmallIntArray,
    StitchSettings,
)
from ellipsefit.stitching.sag import segment_sag, segment_sag_slope, weight_over_stiffness

#: Scans that are looked at together, and points that are held as one array.
GROUP: Final = 128
STACK: Final = 65_536
#: Carriage and x of one scan may drift apart by this much [m].
CARRIAGE_TOLERANCE: Final = 1e-4
#: A nominal curve of smaller rms within a scan [m, rad] may be hidden by errors of guide and figure.
LEAST_CURVE: Final = {"height": 1e-7, "slope": 2e-6}
#: The same for what is left of it without a common curvature: a guide's error may pass for that.
LEAST_GRADIENT: Final = {"height": 1e-6, "slope": 1e-5}


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
    groups = [scans[first : first + GROUP] for first in range(0, len(scans), GROUP)]
    shared = _Shared(mirror)
    # no threads: the interpreter's own share is as large as that of the arrays
    ready = tuple(scan for group in groups for scan in _condition_group(group, mirror, settings, shared))
    if settings.roll_off:
        ready = roll_off.confirmed(ready, settings)
    if len({scan.sigma is None for scan in scans}) == 1:
        return ready
    # beside others that state one, a scan needs a sigma, too
    return tuple(
        item if item.scan.sigma is not None else replace(item, sigma=np.full(len(item.x), _own_noise(item)))
        for item in ready
    )


def _own_noise(scan: ConditionedScan) -> float:
    """Standard deviation of a point from third differences, which no smooth curve reaches [m or rad]."""
    third = np.diff(scan.deviation[scan.used], 3)
    found = NORMAL_MAD * float(np.median(np.abs(third))) / np.sqrt(20.0) if len(third) else 0.0  # 1 + 9 + 9 + 1
    return found or 1e-12


def _check_together(scans: Sequence[Scan], settings: StitchSettings) -> None:
    seen: dict[int, Scan] = {}
    names: set[str] = set()
    for scan in scans:
        if scan.name in names:
            raise DataError(f"two scans are called '{scan.name}'; expected a name for each")
        names.add(scan.name)
        other = seen.setdefault(hash((scan.x.tobytes(), scan.values.tobytes())), scan)
        if (
            other is not scan
            and np.array_equal(other.x, scan.x)
            and np.array_equal(other.values, scan.values, equal_nan=True)
        ):
            raise DataError(f"scan '{scan.name}' has the same content as scan '{other.name}'; expected each scan once")
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
    return _condition_group([scan], mirror, settings, _Shared(mirror))[0]


@dataclass(slots=True, kw_only=True, eq=False)
class _Draft:
    """A scan on its way into the mirror frame."""

    scan: Scan
    x: FloatArray  # (N,) mirror frame
    values: FloatArray  # (N,) along the mirror's axes
    segment: SmallIntArray  # (N,)
    code: CodeArray  # (N,)
    places: list[IntArray]  # points in use of each segment, by x
    deviation: FloatArray  # (N,) NaN where it is not known
    asymmetric: bool = False
    sag: FloatArray | None = None  # (N,)


class _Shared:
    """What is the same for many scans: the mirror's spans, and arrays of one value, kept once."""

    def __init__(self, mirror: Mirror) -> None:
        self.starts = np.array([part.start for part in mirror.segments])
        self.ends = np.array([part.end for part in mirror.segments])
        self.edges = np.array([part.edge for part in mirror.segments])
        self.ones = cache(lambda n: frozen(np.ones(n)))
        self.codes = cache(lambda n: frozen(np.zeros(n, dtype=np.uint8)))
        self.segment = cache(lambda number, n: frozen(np.full(n, number, dtype=np.int32)))


def _condition_group(
    scans: Sequence[Scan], mirror: Mirror, settings: StitchSettings, shared: _Shared
) -> list[ConditionedScan]:
    """Condition scans in one go: what is the same for all is done in arrays that hold many of them."""
    drafts = [_placed(scan, mirror, shared) for scan in scans]
    known = [(draft.code == 0) | (draft.code == EDGE) for draft in drafts]
    places = np.concatenate([draft.x[points] for draft, points in zip(drafts, known, strict=True)])
    nominal = mirror.nominal
    ideal = nominal.height(places) if scans[0].quantity == "height" else nominal.slope(places)
    first = 0
    stretches: dict[int, list[tuple[_Draft, IntArray]]] = {}
    for draft, points in zip(drafts, known, strict=True):
        last = first + int(np.count_nonzero(points))
        draft.deviation = np.full(len(draft.x), np.nan)
        draft.deviation[points] = draft.values[points] - ideal[first:last]
        first = last
        draft.asymmetric = _check_curve(draft, mirror)
        draft.sag = _sag(draft.scan, draft.x, draft.segment, mirror)
        if draft.sag is not None:
            draft.deviation -= draft.sag
        for part in draft.places:
            stretches.setdefault(len(part), []).append((draft, part))
    for length, same in stretches.items():
        most = max(STACK // length, 1)
        for start in range(0, len(same), most):
            _mask_stretches(same[start : start + most], settings, shared)
    return [_conditioned(draft, mirror, shared) for draft in drafts]


def _conditioned(draft: _Draft, mirror: Mirror, shared: _Shared) -> ConditionedScan:
    scan, turn = draft.scan, _turn(mirror)
    n, sigma = len(scan.x), scan.sigma
    if sigma is None:
        sigma = shared.ones(n)
    on = int(draft.segment[0])
    if (draft.segment == on).all():
        draft.segment = shared.segment(on, n)
    if not draft.code.any():
        draft.code = shared.codes(n)
    flipped = scan.orientation == "face_down" or (scan.quantity == "slope" and scan.orientation == "end_for_end")
    return ConditionedScan(
        scan=scan,
        x=frozen(draft.x),
        deviation=frozen(draft.deviation),
        sigma=sigma,
        segment=frozen(draft.segment),
        code=frozen(draft.code),
        guide_sign=(-1.0 if flipped else 1.0) * (1.0 if scan.quantity == "height" else turn),
        asymmetric=draft.asymmetric,
        sag=None if draft.sag is None else frozen(draft.sag),
    )


def _turn(mirror: Mirror) -> float:
    return 1.0 if mirror.measurement.x_direction == "downstream" else -1.0


def _placed(scan: Scan, mirror: Mirror, shared: _Shared) -> _Draft:
    """The scan along the mirror's axes, with what is invalid or lies beside the segments masked."""
    how, turn = mirror.measurement, _turn(mirror)
    stretch: float | FloatArray = how.stretch
    if scan.temperature is not None and how.expansion is not None:
        stretch = 1.0 + how.expansion * (scan.temperature - how.reference_temperature)
    if turn == 1.0 and how.x_offset == 0.0 and isinstance(stretch, float) and stretch == 1.0:
        x, values = scan.x, scan.values
    else:
        x = turn * (scan.x - how.x_offset) / stretch
        values = scan.values / stretch if scan.quantity == "height" else turn * scan.values
    _check_order(scan, x)
    segment = _segments(scan, x, mirror, shared)
    code = np.zeros(len(x), dtype=np.uint8)
    code[segment < 0] = OUTSIDE
    if shared.edges.any():
        starts, ends = shared.starts + shared.edges, shared.ends - shared.edges
        code[(code == 0) & ((x < starts[segment] - 1e-9) | (x > ends[segment] + 1e-9))] = EDGE
    code[~np.isfinite(values)] = INVALID
    places = _places(segment, code, x)
    if not places:
        raise DataError(
            f"scan '{scan.name}': no valid point lies on a segment of mirror '{mirror.name}' (x from "
            f"{x.min() * 1e3:.6g} mm to {x.max() * 1e3:.6g} mm); expected spans from {mirror.span[0] * 1e3:.6g} mm to "
            f"{mirror.span[1] * 1e3:.6g} mm, check the unit of x"
        )
    return _Draft(scan=scan, x=x, values=values, segment=segment, code=code, places=places, deviation=x)


def _places(segment: SmallIntArray, code: CodeArray, x: FloatArray) -> list[IntArray]:
    """Points in use of each segment that the scan meets, in the order of x."""
    used = np.flatnonzero(code == 0)
    if not len(used):
        return []
    if x[-1] < x[0]:
        used = used[::-1]
    mine = segment[used]
    if (mine == mine[0]).all():
        return [used]
    return [used[mine == number] for number in np.unique(mine)]


def _mask_stretches(stretches: Sequence[tuple[_Draft, IntArray]], settings: StitchSettings, shared: _Shared) -> None:
    """Mask roll-off and spikes in stretches of one length, each the points in use of a scan on one segment."""
    x = np.stack([draft.x[places] for draft, places in stretches])
    deviation = np.stack([draft.deviation[places] for draft, places in stretches])
    bent = np.zeros(x.shape, dtype=bool)
    if settings.roll_off:
        bent = roll_off.bent_ends(
            x, deviation, np.array([_at_ends(draft, places, shared) for draft, places in stretches])
        )
    shorter = bent.any(axis=1)
    for row in np.flatnonzero(shorter).tolist():
        draft, places = stretches[row]
        draft.code[places[bent[row]]] = ROLL_OFF
    if settings.spike_threshold is None:
        return
    kept = np.flatnonzero(~shorter)
    if len(kept):
        spikes = stray_points(x[kept], deviation[kept], window=SPIKE_WINDOW, threshold=settings.spike_threshold)
        for line in np.flatnonzero(spikes.any(axis=1)).tolist():
            draft, places = stretches[int(kept[line])]
            draft.code[places[spikes[line]]] = SPIKE
    for row in np.flatnonzero(shorter).tolist():
        draft, places = stretches[row]
        rest = places[~bent[row]]
        spike = stray_points(
            draft.x[rest], draft.deviation[rest], window=SPIKE_WINDOW, threshold=settings.spike_threshold
        )
        draft.code[rest[spike]] = SPIKE


def _sag(scan: Scan, x: FloatArray, segment: SmallIntArray, mirror: Mirror) -> FloatArray | None:
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


def _segments(scan: Scan, x: FloatArray, mirror: Mirror, shared: _Shared) -> SmallIntArray:
    """Number of the segment on which each point lies, -1: none."""
    starts, ends = shared.starts - 1e-9, shared.ends + 1e-9
    segment = np.full(len(x), -1, dtype=np.int32)
    if scan.segment is None:
        rising, along = (x, segment) if x[-1] > x[0] else (x[::-1], segment[::-1])
        low = max(int(np.searchsorted(starts, rising[0], side="right")) - 1, 0)
        high = int(np.searchsorted(starts, rising[-1], side="right"))
        first = rising.searchsorted(starts[low:high])
        last = np.minimum(rising.searchsorted(ends[low:high], side="right"), np.append(first[1:], len(x)))
        for number, (a, b) in enumerate(zip(first.tolist(), last.tolist(), strict=True), start=low):
            along[a:b] = number
        return segment
    known = {part.name: number for number, part in enumerate(mirror.segments)}
    names, codes = np.unique(scan.segment, return_inverse=True)
    strangers = [str(name) for name in names if name and name not in known]
    if strangers:
        raise DataError(
            f"scan '{scan.name}': segment '{strangers[0]}' is not in the mirror file of '{mirror.name}'; expected "
            f"one of {', '.join(known)}"
        )
    index = np.array([known.get(str(name), -1) for name in names])[codes]
    inside = (index >= 0) & (x >= starts[index]) & (x <= ends[index])
    segment[inside] = index[inside]
    return segment


def _check_curve(draft: _Draft, mirror: Mirror) -> bool:
    """Refuse a scan that is convex or in another unit, as far as its own curve shows it.

    Values are regressed on the nominal curve less a line in each segment. True: its change of curvature is seen,
    and runs as it should.
    """
    scan, x, values, deviation = draft.scan, draft.x, draft.values, draft.deviation
    product, square, rest, count = 0.0, 0.0, 0.0, 0
    for part in draft.places:
        if len(part) < 5:
            continue
        ideal = values[part] - deviation[part]
        if _surely_flat(x[part], ideal, scan.quantity):
            count += len(part)
            continue
        t = x[part] - x[part].mean() if scan.quantity == "height" else None
        wanted, found = _less_line(t, ideal), _less_line(t, values[part])
        limit = 10 * NORMAL_MAD * float(median(np.abs(found - wanted))) + 1e-15
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
    asymmetric = _check_gradient(draft, mirror)
    for factor in (1e3, 1e6, 1e-3, 1e-6):
        if 0.5 < ratio / factor < 2 and spread < abs(ratio) / 5:
            raise DataError(
                f"scan '{scan.name}': its {scan.quantity}s are a factor {factor:g} away from those of mirror "
                f"'{mirror.name}'; expected another unit of {scan.quantity}"
            )
    return asymmetric


def _surely_flat(x: FloatArray, ideal: FloatArray, quantity: str) -> bool:
    """Whether a nominal curve, which bends one way, is so flat that nothing can be told from it."""
    n = len(x)
    if quantity == "slope":
        most = abs(float(ideal[-1] - ideal[0]))
    else:
        few = np.array([0, n // 4, n // 2, 3 * n // 4, n - 1])
        place, height = x[few], ideal[few]
        chord = height[0] + (height[-1] - height[0]) / (place[-1] - place[0]) * (place - place[0])
        most = 1.5 * float(np.abs(height - chord).max())  # the deepest place may lie between
    # at least half of the points are not taken for spikes: their mean square is at most twice that of all
    return 2 * most * most < LEAST_CURVE["height" if quantity == "height" else "slope"] ** 2


def _less_line(t: FloatArray | None, values: FloatArray) -> FloatArray:
    """Values less their line over centred t, or less their mean without one."""
    rest: FloatArray = values - values.mean()
    return rest if t is None else rest - float(t @ rest) / float(t @ t) * t


def _check_gradient(draft: _Draft, mirror: Mirror) -> bool:
    """Refuse a scan that is back to front, as far as the change of curvature along the nominal curve shows it.

    Segments' heights and tilts and a common curvature tell nothing of that; what is left of the nominal curve
    changes its sign where x is reversed. True: it is seen, and has the right sign.
    """
    scan, x, values = draft.scan, draft.x, draft.values
    used = draft.code == 0
    segment = draft.segment[used]
    degree = 1 if scan.quantity == "height" else 0
    t = (x[used] - x[used].mean()) / max(float(np.ptp(x[used])), 1e-12)
    columns = [t ** (degree + 1)]
    for number in np.unique(segment):
        inside = (segment == number).astype(np.float64)
        columns += [inside * t**power for power in range(degree + 1)]
    poses = np.stack(columns, axis=1)
    both = np.stack([values[used] - draft.deviation[used], values[used]], axis=1)
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


def _at_ends(draft: _Draft, places: IntArray, shared: _Shared) -> tuple[bool, bool]:
    """Whether a stretch begins and ends where its segment does, within two points."""
    x, number = draft.x, int(draft.segment[places[0]])
    before = float(x[places[0]] - shared.starts[number] - shared.edges[number])
    after = float(shared.ends[number] - shared.edges[number] - x[places[-1]])
    # half of the steps are as long as their median, which is thus at most twice their mean
    if min(before, after) > 4 * abs(float(x[-1] - x[0])) / (len(x) - 1) + 1e-9:
        return False, False
    close = 2 * float(median(np.abs(np.diff(x)))) + 1e-9
    return before < close, after < close
