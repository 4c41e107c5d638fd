"""How the segments moved between two measurements of one mirror, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ellipsefit.align.rigid import rise_maps
from ellipsefit.arrays import FloatArray, IntArray, sealed
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.mirror import Mirror
from ellipsefit.profile import FEWEST_POINTS, PlacedProfile, Quantity

#: How near two scan lines are that count as one [m].
SAME_LINE: Final = 0.5e-3
#: Correlation of the two figures above which they are one surface, and below which they are two.
SAME_SURFACE: Final = 0.7
OTHER_SURFACE: Final = 0.3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LineChange:
    """Change of each segment's line between two measurements: after minus before.

    `change` holds height at the middle [m], tilt and, where several scan lines tell it, roll [rad] for each segment;
    or tilts alone where slopes were measured. What the whole mirror did together (its carrier, or how it lay under
    the instrument) is still in it.
    """

    quantity: Quantity
    segments: tuple[str, ...]  # measured both times, in the mirror's order
    change: FloatArray  # (3 S,), (2 S,) or (S,)
    covariance: FloatArray  # square
    alike: float | None  # correlation of the figures of both, 1: one surface; None: noise hides it

    def __post_init__(self) -> None:
        for key in ("change", "covariance"):
            object.__setattr__(self, key, sealed(getattr(self, key)))
        known = (2, 3) if self.quantity == "height" else (1,)
        rows = [len(self.segments) * freedoms for freedoms in known]
        if self.change.shape not in [(row,) for row in rows] or self.covariance.shape != self.change.shape * 2:
            raise ParameterError(f"change of lines: expected {rows[0]} values and their covariance")

    @property
    def freedoms(self) -> int:
        """Values for each segment: 1 tilt; 2 height and tilt; 3 roll, too."""
        return len(self.change) // len(self.segments)


def line_change(before: PlacedProfile, after: PlacedProfile) -> LineChange:
    """Least-squares line of after minus before in each segment that was measured both times.

    Both are taken minus the nominal curve and differences are formed at the points of `before`, so that the
    figure, which did not change, drops out. The covariance has the stated noise and what the points of each
    profile are unsure of together, an unsure origin of x, and as much correlated error as the differences show.

    Raises
    ------
    DataError
        If they are of different mirrors, of different quantities, run opposite ways or share no segment.
    """
    mirror = before.mirror
    if after.mirror.name != mirror.name or not _same_spans(mirror, after.mirror):
        raise DataError(
            f"{after.name}: is of mirror '{after.mirror.name}' and {before.name} of mirror '{mirror.name}'; "
            "expected both of one mirror"
        )
    if before.quantity != after.quantity:
        raise DataError(
            f"{after.name}: holds {after.quantity}s and {before.name} {before.quantity}s; expected one quantity in both"
        )
    common = [number for number in before.measured if number in after.measured]
    if not common:
        raise DataError(f"{after.name}: no segment of it was measured in {before.name}; expected at least one in both")
    parts = [_difference(before, after, number) for number in common]
    _check_common(before, after, common, parts)
    correlation = _autocovariance([part.rest for part in parts], [part.lost for part in parts])
    order = min(len(part.inverse) for part in parts)
    covariance = np.zeros((len(common) * order,) * 2)
    shared = []
    for row, part in enumerate(parts):
        own = slice(row * order, (row + 1) * order)
        inverse = part.inverse[:order]
        stated = (inverse * part.variance) @ inverse.T
        seen = _of_stationary(inverse, correlation)
        covariance[own, own] = stated if np.trace(stated) > np.trace(seen) else seen
        shared.append(inverse @ part.factor)
    together = np.concatenate(shared)
    return LineChange(
        quantity=before.quantity,
        segments=tuple(mirror.segments[number].name for number in common),
        change=np.concatenate([part.inverse[:order] @ part.difference for part in parts]),
        covariance=covariance + together @ together.T,
        alike=_likeness(parts),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Part:
    """One segment: differences at the points of the first measurement, and what they are unsure of."""

    difference: FloatArray  # (n,)
    variance: FloatArray  # (n,)
    factor: FloatArray  # (n, k)
    rest: FloatArray  # (n,) difference less its line (and roll)
    lost: int  # degrees of freedom of that
    inverse: FloatArray  # (k, n): takes differences to height, tilt and roll, height and tilt, or tilt alone
    first: FloatArray  # (n,) before, less its line: the figure
    second: FloatArray  # (n,)


def _same_spans(one: Mirror, other: Mirror) -> bool:
    return [(s.name, s.start, s.end) for s in one.segments] == [(s.name, s.start, s.end) for s in other.segments]


def _difference(before: PlacedProfile, after: PlacedProfile, number: int) -> _Part:
    nominal, segment = before.mirror.nominal, before.mirror.segments[number]
    heights = before.quantity == "height"
    ideal = nominal.height if heights else nominal.slope
    here, there = before.part(number), after.part(number)
    pairs = _scan_lines(before, after, here, there)
    points = np.concatenate([points for points, _ in pairs]) if pairs else np.zeros(0, dtype=np.intp)
    if len(points) < FEWEST_POINTS:
        raise DataError(
            f"{after.name}: covers too little of what {before.name} covers of segment '{segment.name}'; "
            "expected the same stretch in both"
        )
    x = before.x[here][points]

    def onto(values: FloatArray) -> FloatArray:
        parts = [np.interp(before.x[here][mine], after.x[there][other], values[other]) for mine, other in pairs]
        found: FloatArray = np.concatenate(parts)
        return found

    first = (before.values[here] - ideal(before.x[here]))[points]
    second = onto(after.values[there] - ideal(after.x[there]))
    lever = x - segment.middle
    design = np.column_stack([np.ones_like(x), lever]) if heights else np.ones((len(x), 1))
    across = None if before.y is None else before.y[here][points]
    if heights and across is not None and np.ptp(across) > 0:  # height and tilt are those at y = 0
        design = np.column_stack([design, across])
    whole: FloatArray = np.asarray(np.linalg.pinv(design), dtype=np.float64)
    columns = [_shift_pattern(before.mirror, x, heights)]
    if before.covariance_factor is not None:
        columns.append(before.covariance_factor[here][points])
    if after.covariance_factor is not None:
        columns.append(np.column_stack([onto(column) for column in after.covariance_factor[there].T]))
    # of two thousand points that are interpolated from two hundred, only these are independent
    dense = max(1.0, len(x) / (there.stop - there.start))
    variance = np.zeros_like(x)
    if before.sigma is not None:
        variance = variance + before.sigma[here][points] ** 2
    if after.sigma is not None:
        variance = variance + dense * onto(after.sigma[there]) ** 2
    return _Part(
        difference=second - first,
        variance=variance,
        factor=np.column_stack(columns),
        rest=second - first - design @ (whole @ (second - first)),
        lost=design.shape[1],
        inverse=whole,
        first=first - design @ (whole @ first),
        second=second - design @ (whole @ second),
    )


def _scan_lines(
    before: PlacedProfile, after: PlacedProfile, here: slice, there: slice
) -> list[tuple[IntArray, IntArray]]:
    """Points of a segment, line by line: those of `before` that `after` covers, and all of that line in `after`."""
    y = np.zeros(here.stop - here.start) if before.y is None else before.y[here]
    other = np.zeros(there.stop - there.start) if after.y is None else after.y[there]
    pairs = []
    for line in np.unique(np.round(y / SAME_LINE)):
        mine = np.flatnonzero(np.round(y / SAME_LINE) == line)
        theirs = np.flatnonzero(np.abs(other / SAME_LINE - line) <= 1)
        if len(theirs) < 2:
            continue
        x, reach = before.x[here][mine], after.x[there][theirs]
        covered = (x >= reach[0] - 1e-9) & (x <= reach[-1] + 1e-9)
        pairs.append((mine[covered], theirs))
    return pairs


def _shift_pattern(mirror: Mirror, x: FloatArray, heights: bool) -> FloatArray:
    """What one standard uncertainty of the origin of x, in each of the two measurements, does to their difference."""
    slope = mirror.nominal.slope(x) if heights else mirror.nominal.curvature(x)
    pattern: FloatArray = np.sqrt(2.0) * mirror.measurement.x_uncertainty * slope
    return pattern


def _autocovariance(rests: list[FloatArray], lost: list[int]) -> FloatArray:
    """Autocovariance of the differences less their lines, pooled over segments, up to where it first vanishes."""
    most = max(1, min(len(rest) for rest in rests) // 4)
    total, count = np.zeros(most), np.zeros(most)
    for rest, freedoms in zip(rests, lost, strict=True):
        size = 2 ** int(np.ceil(np.log2(2 * len(rest))))
        spectrum = np.abs(np.fft.rfft(rest, size)) ** 2
        total += np.fft.irfft(spectrum, size)[:most]
        count += len(rest) - freedoms - np.arange(most)
    found: FloatArray = total / count
    # beyond twice the scatter of white noise it is believed, up to there
    noise = 2 * found[0] / np.sqrt(count)
    vanished = np.flatnonzero(found[1:] < noise[1:])
    return found[: 1 + int(vanished[0])] if len(vanished) else found


def _of_stationary(inverse: FloatArray, covariance: FloatArray) -> FloatArray:
    """Covariance of inverse @ error for a stationary error with these autocovariances."""
    rows, n = inverse.shape
    size = 2 ** int(np.ceil(np.log2(2 * n)))
    kernel = np.zeros(size)
    kernel[: len(covariance)] = covariance
    kernel[size - len(covariance) + 1 :] = covariance[:0:-1]
    smoothed = np.fft.irfft(np.fft.rfft(inverse, size) * np.fft.rfft(kernel), size)[:, :n]
    found: FloatArray = smoothed @ inverse.T
    values, vectors = np.linalg.eigh((found + found.T) / 2)  # a truncated autocovariance may not be one
    fixed: FloatArray = (vectors * np.maximum(values, 0.0)) @ vectors.T
    return fixed.reshape(rows, rows)


def _likeness(parts: list[_Part]) -> float | None:
    """Correlation of the figures before and after without their noise: products of neighbouring points."""
    return _correlation([part.first for part in parts], [part.second for part in parts])


def _correlation(first: list[FloatArray], second: list[FloatArray]) -> float | None:
    one = sum(float(a[1:] @ a[:-1]) for a in first)
    two = sum(float(b[1:] @ b[:-1]) for b in second)
    whole = (sum(float(a @ a) for a in first), sum(float(b @ b) for b in second))
    if min(one, two) <= 0 or one < 0.2 * whole[0] or two < 0.2 * whole[1]:  # mostly noise
        return None
    both = sum(float(a[1:] @ b[:-1] + a[:-1] @ b[1:]) / 2 for a, b in zip(first, second, strict=True))
    return both / float(np.sqrt(one * two))


def _check_common(before: PlacedProfile, after: PlacedProfile, common: list[int], parts: list[_Part]) -> None:
    """Refuse a second measurement that is the first one's surface seen from the other end."""
    alike = _likeness(parts)
    if alike is None or alike > OTHER_SURFACE or len(common) < 2:
        return
    count = min(len(part.first) for part in parts)
    mirrored = _correlation(
        [_resampled(part.first, count) for part in parts],
        [_resampled(part.second, count)[::-1] for part in reversed(parts)],
    )
    if mirrored is not None and mirrored > SAME_SURFACE:
        raise DataError(
            f"{after.name}: is {before.name} seen from the other end; expected both in the same frame, "
            "x in the same direction"
        )


def _resampled(values: FloatArray, count: int) -> FloatArray:
    return np.interp(np.linspace(0, len(values) - 1, count), np.arange(len(values)), values)


def line_map(mirror: Mirror, segments: tuple[str, ...], freedoms: int) -> FloatArray:
    """What rises of the surface at all adjusters do to the lines of these segments along y = 0, and to their roll.

    A segment is rigid: its height, tilt and roll follow from the rises at its adjusters by least squares.

    Returns
    -------
    array, shape (rows of `LineChange.change`, A)
    """
    names = [segment.name for segment in mirror.segments]
    whole = rise_maps(mirror.segments)
    return np.concatenate([whole[3 * names.index(name) :][:3][_rows(freedoms)] for name in segments])


def _rows(freedoms: int) -> slice:
    """Of height, tilt and roll those that so many freedoms are."""
    return slice(1, 2) if freedoms == 1 else slice(0, freedoms)


def carrier_map(mirror: Mirror, segments: tuple[str, ...], freedoms: int) -> FloatArray:
    """What a height at x = 0, a tilt and a roll of the whole mirror do to the lines of these segments.

    Columns are as many as the freedoms: tilt alone, height and tilt, or all three.
    """
    middles = {segment.name: segment.middle for segment in mirror.segments}
    own = _rows(freedoms)
    rows = [[(1.0, middles[name], 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)][own] for name in segments]
    return np.concatenate(rows)[:, own]
