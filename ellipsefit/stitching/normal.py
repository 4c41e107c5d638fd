"""The joining problem with the profile eliminated: small normal equations for scans and guide.

Each point is profile(knot) + scan's effects + guide(carriage). Every knot of the profile is met by a few
points only, so it is eliminated by taking weighted means; what is left has the size of the effects. Points
are visited in blocks of knots, so memory stays bounded and the cost is linear in points.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from ellipsefit.arrays import FloatArray, IntArray
from ellipsefit.stitching.conditioning import ConditionedScan
from ellipsefit.stitching.guide import GuideBasis

#: Points visited at a time.
BLOCK: Final = 200_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Observations:
    """All points in use, sorted by knot of the profile."""

    x: FloatArray  # (n,)
    deviation: FloatArray  # (n,)
    weight: FloatArray  # (n,) 1 / sigma**2
    knot: IntArray  # (n,) ascending
    scan: IntArray  # (n,)
    along: FloatArray  # (n,) position within the scan, -1 to 1
    time: FloatArray  # (n,) time within the scan, -1 to 1; 0 without time
    carriage: FloatArray | None  # (n,)
    guide_sign: FloatArray  # (n,)
    knots: int
    scans: int

    @property
    def freedom_per_scan(self) -> float:
        """Points beyond the profile's own, for each scan: what drift can be told from."""
        return (len(self.knot) - self.knots) / self.scans

    def blocks(self) -> Iterator[slice]:
        """Stretches of about BLOCK points that end between knots."""
        start, n = 0, len(self.knot)
        while start < n:
            stop = min(start + BLOCK, n)
            if stop < n:
                stop = int(np.searchsorted(self.knot, self.knot[stop - 1], side="right"))
            yield slice(start, stop)
            start = stop


def gather(scans: Sequence[ConditionedScan], step: float) -> Observations:
    """Collect the points in use; those closer than half a step share a knot of the profile."""
    used = [scan.used for scan in scans]
    counts = [int(keep.sum()) for keep in used]

    def joined(arrays: Sequence[FloatArray]) -> FloatArray:
        return np.concatenate([array[keep] for array, keep in zip(arrays, used, strict=True)])

    x = joined([scan.x for scan in scans])
    segment = np.concatenate([scan.segment[keep] for scan, keep in zip(scans, used, strict=True)])
    order = np.lexsort((x, segment))
    places, sorted_segment = x[order], segment[order]
    grid = np.rint((places - places.min()) / step)
    fresh = np.append(True, (np.diff(grid) > 0) | (np.diff(sorted_segment) > 0))
    knot = np.cumsum(fresh) - 1
    carriages = [scan.scan.carriage for scan in scans]
    known = all(carriage is not None for carriage in carriages)
    return Observations(
        x=places,
        deviation=joined([scan.deviation for scan in scans])[order],
        weight=joined([scan.sigma for scan in scans])[order] ** -2,
        knot=knot,
        scan=np.repeat(np.arange(len(scans)), counts)[order],
        along=joined([_unit(scan.x) for scan in scans])[order],
        time=joined([np.zeros(len(scan.x)) if scan.scan.time is None else _unit(scan.scan.time) for scan in scans])[
            order
        ],
        carriage=joined([carriage for carriage in carriages if carriage is not None])[order] if known else None,
        guide_sign=np.repeat([scan.guide_sign for scan in scans], counts)[order],
        knots=int(knot[-1]) + 1,
        scans=len(scans),
    )


def _unit(values: FloatArray) -> FloatArray:
    low, high = float(values.min()), float(values.max())
    unit: FloatArray = 2 * (values - low) / (high - low) - 1 if high > low else np.zeros_like(values)
    return unit


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Effects:
    """Columns of the effects: for each scan height (not for slopes), tilt and drift, then the guide."""

    heights: bool
    drift_degree: int  # highest power of time; below 2: no drift
    guide: GuideBasis | None
    scans: int

    @property
    def per_scan(self) -> int:
        """Effects of one scan."""
        own = 1 + int(self.heights)
        return own + (self.drift_degree + 1 - self.first_power if self.drift_degree >= 2 else 0)

    @property
    def first_power(self) -> int:
        """Lowest power of time in the drift: what lies below is the scan's height and tilt, of slopes its tilt."""
        return 1 + int(self.heights)

    @property
    def tilt_column(self) -> int:
        """Place of the tilt among a scan's effects."""
        return int(self.heights)

    @property
    def size(self) -> int:
        """All effects."""
        return self.per_scan * self.scans + (0 if self.guide is None else self.guide.size)

    @property
    def guide_columns(self) -> slice:
        """Where the guide's coefficients stand."""
        return slice(self.per_scan * self.scans, self.size)

    def matrix(self, points: Observations, block: slice) -> Any:
        """Values of the effects at a block of points, sparse, shape (block, size).

        A tilt counts by the height that it makes at the scan's ends [m]; by itself for slopes [rad].
        """
        from scipy.sparse import csr_array

        along, time, scan = points.along[block], points.time[block], points.scan[block]
        columns = [np.ones_like(along)]
        if self.heights:
            columns.append(along)
        if self.drift_degree >= 2:
            powers: FloatArray = np.asarray(np.polynomial.legendre.legvander(time, self.drift_degree), dtype=np.float64)
            columns += list(powers.T[self.first_power :])
        values = np.stack(columns, axis=1)
        n, k = values.shape
        places = scan[:, None] * k + np.arange(k)
        if self.guide is not None and points.carriage is not None:
            guide = self.guide.matrix(points.carriage[block])  # four splines at each point
            splines = guide.data.reshape(n, 4) * points.guide_sign[block][:, None]
            values = np.concatenate([values, splines], axis=1)
            places = np.concatenate([places, guide.indices.reshape(n, 4) + self.guide_columns.start], axis=1)
        width = values.shape[1]
        # positions fit into 32 bits, which spares the sparse products a conversion
        rows = np.arange(0, (n + 1) * width, width, dtype=np.int32)
        return csr_array((values.ravel(), places.astype(np.int32).ravel(), rows), shape=(n, self.size))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReducedNormal:
    """Normal equations of the effects with the profile eliminated, at unit noise."""

    matrix: Any  # sparse (m, m)
    right: FloatArray  # (m,)
    square: float  # weighted sum of squares about the knots' means
    freedom: int  # points minus knots


def reduce_points(points: Observations, effects: Effects) -> ReducedNormal:
    """Eliminate the profile: in each knot, weighted deviations from the weighted mean."""
    from scipy.sparse import csr_array

    m = effects.size
    total: Any = csr_array((m, m))
    right, square = np.zeros(m), 0.0
    for block in points.blocks():
        columns = effects.matrix(points, block)
        weight, y = points.weight[block], points.deviation[block]
        knot = points.knot[block] - points.knot[block.start]
        at_knot = np.bincount(knot, weight)
        mean = np.bincount(knot, weight * y) / at_knot
        rest = y - mean[knot]
        weighted = columns.copy()
        weighted.data *= np.repeat(weight, np.diff(columns.indptr))
        gather_ = csr_array((np.ones(len(knot)), (knot, np.arange(len(knot)))), shape=(len(at_knot), len(knot)))
        sums = csr_array(gather_ @ weighted)
        scaled = sums.copy()
        scaled.data /= np.repeat(at_knot, np.diff(sums.indptr))
        total = total + (columns.T @ weighted - sums.T @ scaled)
        right += weighted.T @ rest
        square += float(weight * rest @ rest)
    return ReducedNormal(matrix=csr_array(total), right=right, square=square, freedom=len(points.knot) - points.knots)


def knot_means(points: Observations, effects: Effects) -> tuple[Any, FloatArray, FloatArray, FloatArray]:
    """What a knot's height is made of: (K, m) mean effects, mean deviation, weight and position of each knot."""
    from scipy.sparse import csr_array, vstack

    parts = []
    for block in points.blocks():
        columns = effects.matrix(points, block)
        weight = points.weight[block]
        knot = points.knot[block] - points.knot[block.start]
        at_knot = np.bincount(knot, weight)
        mean = csr_array((weight / at_knot[knot], (knot, np.arange(len(knot)))), shape=(len(at_knot), len(knot)))
        parts.append(csr_array(mean @ columns))
    total: FloatArray = np.asarray(np.bincount(points.knot, points.weight), dtype=np.float64)
    mean_value = np.bincount(points.knot, points.weight * points.deviation) / total
    place = np.bincount(points.knot, points.weight * points.x) / total
    return vstack(parts, format="csr"), mean_value, total, place
