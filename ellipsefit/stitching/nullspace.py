"""Rank analysis of a plan of scans: which functions of the mirror no values could tell.

Points are put on a lattice that carriage and mirror share, so that a plan's null space is exact there, and not
hidden by what lies between points: a point's value is profile(x) + scan's height, tilt and drift + guide(carriage).
The lattice has about the resolution of the guide that is solved for. Rounding to a lattice can make unequal
steps look equal, so several are tried, and only what all of them leave open is open.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from ellipsefit.arrays import BoolArray, FloatArray, IntArray
from ellipsefit.stitching.conditioned import ConditionedScan

#: Cells of the lattice along the carriage, at most: the guide that is solved for is not finer.
CELLS: Final = 96
#: Lattices that are tried.
TRIES: Final = 8
#: Scans that are looked at, at most: neighbours tell of all what a plan leaves open.
MOST_SCANS: Final = 40
#: Singular values below this share of the largest are zero; the weakest tie of 40 scans is some 1e-7.
ZERO: Final = 1e-9
#: A time that strays from a line in x by less than this share of the scan is one.
EVEN: Final = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NullSpace:
    """Functions of the mirror that scans leave open, on a lattice."""

    place: FloatArray  # (K,) [m]
    cell: IntArray  # (K,) number on the lattice
    group: IntArray  # (K,) of scans that hang together
    basis: FloatArray  # (K, r) orthonormal
    pitch: float  # [m]
    shapes: int  # independent functions of the carriage on this lattice

    @property
    def size(self) -> int:
        """Number of independent functions."""
        return int(self.basis.shape[1])

    def polynomials(self, most: int, inside: BoolArray | None = None) -> list[int]:
        """Degrees d up to `most` for which x**d, but for lower powers, is open; on some of the places alone."""
        span = float(np.abs(self.place - self.place.mean()).max()) or 1.0
        columns = np.polynomial.legendre.legvander((self.place - self.place.mean()) / span, most)
        if inside is not None:
            columns = columns * inside[:, None]
        columns = columns[:, : max(int(np.linalg.matrix_rank(columns)), 1)]
        orthonormal = np.linalg.qr(columns)[0]
        dimensions = [
            _common(self.basis, orthonormal[:, : degree + 1]) if degree < orthonormal.shape[1] else None
            for degree in range(most + 1)
        ]
        found, before = [], 0
        for degree, now in enumerate(dimensions):
            if now is not None and now > before:
                found.append(degree)
                before = now
        return found

    def periodic(self, period: float) -> int:
        """Dimension of what repeats after a period, constants apart."""
        cells = max(round(period / self.pitch), 1)
        phase = self.cell % cells
        columns = (phase[:, None] == np.arange(cells)).astype(np.float64)
        columns = columns[:, columns.any(axis=0)]
        return max(_common(self.basis, columns / np.linalg.norm(columns, axis=0)) - 1, 0)

    def alternating(self, period: float) -> int:
        """Dimension of what changes its sign after half a period; 0 where the lattice has no such half."""
        cells = max(round(period / self.pitch), 1)
        if cells % 2:
            return 0
        count = self.cell % cells
        half = cells // 2
        sign = np.where(count < half, 1.0, -1.0)
        columns = (count[:, None] % half == np.arange(half)) * sign[:, None]
        columns = columns[:, columns.any(axis=0)]
        return _common(self.basis, columns / np.linalg.norm(columns, axis=0))


def _common(basis: FloatArray, other: FloatArray) -> int:
    """Dimension of what two spaces share, by their principal angles (Björck and Golub, 1973)."""
    if not basis.shape[1]:
        return 0
    return int((np.linalg.svd(basis.T @ other, compute_uv=False) > 1 - 1e-6).sum())


def null_space(
    scans: Sequence[ConditionedScan],
    groups: Sequence[int],
    *,
    guide: bool,
    drift_degree: int,
    step: float | None = None,
    most: int = 2,
) -> NullSpace:
    """What the scans leave open.

    Parameters
    ----------
    scans : sequence of ConditionedScan
        Their positions, times, orientations and angle readings count, not their values.
    groups : sequence of int
        For each scan the number of the group that hangs together; groups share the guide alone.
    guide : bool
        Whether the guide's error is any function of the carriage, which all scans then have; else it is none.
    drift_degree : int
        Highest power of time in each scan's own drift; below 2: none beyond a line.
    step : float, optional
        A distance of which all starts are multiples [m]: the lattice is made to hold it.
    most : int
        Degree up to which polynomials are looked for; what is open beyond them is tried on further lattices.
    """
    scans, groups = _neighbours(scans, groups)
    spacing = max(float(np.median(np.abs(np.diff(scan.x)))) for scan in scans)
    length = max(float(np.ptp(scan.x)) for scan in scans) + spacing
    cells = int(np.clip(length / (2 * spacing), 3, CELLS))
    if step is not None:  # an even number of cells: half the step is on the lattice, too
        pitch = step / max(2 * int(step * cells / length / 2), 2)
        return _on_lattice(scans, groups, pitch, spacing, guide, drift_degree)
    best: NullSpace | None = None
    # a scan has a whole number of cells, so that one turned end for end still fits the lattice
    for count in range(cells, max(cells - TRIES, 2), -1):
        found = _on_lattice(scans, groups, length / count, spacing, guide, drift_degree)
        if best is None or found.size < best.size:
            best = found
        if best.size <= len(best.polynomials(most)):
            break
    return best if best is not None else _on_lattice(scans, groups, length / 3, spacing, guide, drift_degree)


def _neighbours(scans: Sequence[ConditionedScan], groups: Sequence[int]) -> tuple[list[ConditionedScan], list[int]]:
    """All scans, or as many neighbours as are looked at: those among which most kinds are found."""
    pairs = [(scan, group) for scan, group in zip(scans, groups, strict=True) if scan.used.any()]
    pairs.sort(key=lambda pair: float(pair[0].x[pair[0].used].min()))
    ordered, numbers = [scan for scan, _ in pairs], [group for _, group in pairs]
    if len(ordered) <= MOST_SCANS:
        return ordered, numbers
    special = np.array([(scan.scan.orientation != "normal") + (scan.scan.angle is not None) for scan in ordered])
    counts = np.convolve(special, np.ones(MOST_SCANS), mode="valid")
    first = int(np.argmax(counts))
    return ordered[first : first + MOST_SCANS], numbers[first : first + MOST_SCANS]


def _on_lattice(
    scans: Sequence[ConditionedScan],
    groups: Sequence[int],
    pitch: float,
    spacing: float,
    guide: bool,
    drift_degree: int,
) -> NullSpace:
    slopes = scans[0].scan.quantity == "slope"
    first_power = 1 if slopes else 2  # what lies below in time is the scan's own tilt, or height and tilt
    carriages = [scan.scan.carriage for scan in scans if scan.scan.carriage is not None]
    guide = guide and len(carriages) == len(scans)
    origin = (min(float(c.min()) for c in carriages) if guide else 0.0) - spacing / 2
    base = min(float(scan.x.min()) for scan in scans) - spacing / 2
    where: list[IntArray] = []
    seen: list[IntArray] = []
    own: list[FloatArray] = []
    for scan in scans:
        along, sense, shift = scan.x - base, 1, 0
        if guide and scan.scan.carriage is not None and scan.offset is not None:
            carriage = scan.scan.carriage
            along = carriage - origin
            sense = int(np.sign((scan.x[-1] - scan.x[0]) * (carriage[-1] - carriage[0])))
            shift = int(np.rint((scan.offset - base + sense * origin) / pitch)) - (sense < 0)
        cells, first, points = np.unique(
            np.floor(along[scan.used] / pitch + 1e-9).astype(np.intp), return_index=True, return_counts=True
        )
        full = points >= 0.5 * pitch / spacing - 1e-9  # a cell that is hardly met would pass for an overlap
        full |= not full.any()
        cells, first = cells[full], first[full]
        seen.append(cells if guide else np.zeros(0, dtype=np.intp))
        where.append(sense * cells + shift)
        low, high = (np.rint((end + sign * spacing / 2) / pitch) for end, sign in ((along.min(), -1), (along.max(), 1)))
        t = (2 * cells + 1 - low - high) / max(high - low, 1.0)
        columns = [np.ones_like(t)]
        if not slopes:
            columns.append(t)
        if scan.scan.angle is not None:  # a tilt that is read is no unknown
            columns.pop()
        if drift_degree >= 2:
            time = t if scan.scan.time is None or _even(scan) else _unit(scan.scan.time)[scan.used][first]
            columns += list(np.polynomial.legendre.legvander(time, drift_degree).T[first_power:])
        own.append(np.stack(columns, axis=1) if columns else np.zeros((len(t), 0)))
    group_of = np.repeat(np.asarray(groups), [len(cells) for cells in where])
    keys, knot = np.unique(np.stack([group_of, np.concatenate(where)], axis=1), axis=0, return_inverse=True)
    knot, place = knot.ravel(), keys[:, 1]
    starts = np.cumsum([0, *(part.shape[1] for part in own)])
    visited = np.unique(np.concatenate(seen))
    design = np.zeros((len(knot), int(starts[-1]) + len(visited)))
    row = 0
    for number, scan in enumerate(scans):
        block = slice(row, row + len(own[number]))
        design[block, starts[number] : starts[number + 1]] = own[number]
        if len(seen[number]):
            columns_seen = int(starts[-1]) + np.searchsorted(visited, seen[number])
            design[np.arange(block.start, block.stop), columns_seen] = scan.guide_sign
        row = block.stop
    # the profile is eliminated: in each cell, what is left about the mean of the scans that meet it
    sums = np.zeros((len(place), design.shape[1]))
    np.add.at(sums, knot, design)
    means = sums / np.bincount(knot)[:, None]
    triangle = np.linalg.qr(design - means[knot], mode="r")
    _, size, modes = np.linalg.svd(triangle)
    kept = np.zeros(design.shape[1], dtype=bool)
    kept[len(size) :] = True
    kept[: len(size)] = size <= ZERO * max(float(size.max(initial=0.0)), 1.0)
    profile = means @ modes[kept].T
    left, weight, _ = np.linalg.svd(profile, full_matrices=False)
    return NullSpace(
        place=base + (place + 0.5) * pitch,
        cell=place,
        group=keys[:, 0],
        basis=left[:, weight > 1e-6],
        pitch=pitch,
        shapes=max(len(visited), 1),
    )


def _even(scan: ConditionedScan) -> bool:
    """Whether time runs as x does, so that a power of time is one of x."""
    if scan.scan.time is None:
        return True
    time, x = _unit(scan.scan.time), _unit(scan.x)
    return bool(np.abs(time - np.polyval(np.polyfit(x, time, 1), x)).max() < EVEN)


def _unit(values: FloatArray) -> FloatArray:
    low, high = float(values.min()), float(values.max())
    unit: FloatArray = 2 * (values - low) / (high - low) - 1 if high > low else np.zeros_like(values)
    return unit
