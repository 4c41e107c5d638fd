"""What a set of scans cannot tell, said in words before anything is solved.

Measured values are mirror + guide(carriage) + height + tilt of the scan. Adding any function to the mirror
and taking it away from the guide, with heights and tilts to match, changes nothing: so for a parabola when
no scan was taken face down, and for every function of the common period when all scans start a multiple
of one step apart (completeness of sub-aperture stitching; common practice).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.stitching.conditioning import ConditionedScan

AmbiguityKind = Literal["pose", "parabola", "periodic", "unlinked", "guide"]

#: Offsets of scans within this distance of a multiple count as one [m].
STEP_TOLERANCE: Final = 5e-4
#: A common step shorter than this is the grid of the points, not a plan [m].
SHORTEST_STEP: Final = 0.02
#: Points that two scans must share to be linked.
SHARED_POINTS: Final = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Ambiguity:
    """One thing that the scans leave open, and what would settle it."""

    kind: AmbiguityKind
    function: str  # in words
    remedy: str  # the measurement that would settle it
    period: float | None = None  # [m], of a periodic function
    scans: tuple[str, ...] = ()  # for unlinked scans, their names


def scan_ambiguities(scans: Sequence[ConditionedScan]) -> tuple[Ambiguity, ...]:
    """Functions that no evaluation of these scans can tell, most general first."""
    slopes = scans[0].scan.quantity == "slope"
    found = []
    for group in linked_groups(scans)[1:]:
        names = tuple(scans[number].scan.name for number in group)
        found.append(
            Ambiguity(
                kind="unlinked",
                function=f"{'tilt' if slopes else 'height and tilt'} of {_names(names)} against the other scans",
                remedy="a scan that overlaps both groups",
                scans=names,
            )
        )
    readings = any(scan.scan.angle is not None for scan in scans)
    if not slopes:
        found.append(
            Ambiguity(kind="pose", function="height of the whole profile", remedy="a reading of the mirror's height")
        )
    if not readings:
        found.append(
            Ambiguity(
                kind="pose", function="tilt of the whole profile", remedy="an independent angle reading of a scan"
            )
        )
    offsets = [scan.offset for scan in scans]
    known = np.array([offset for offset in offsets if offset is not None])
    # a parabola is even: a mirror turned end for end shows the guide's just as before, only face down tells
    faces = {scan.scan.orientation == "face_down" for scan in scans}
    if len(known) < len(offsets) or (np.ptp(known) < STEP_TOLERANCE and len(faces) == 1):
        found.append(
            Ambiguity(
                kind="guide",
                function="the guide's straightness error, which cannot be told from the mirror",
                remedy="the carriage's position with each point, and overlapping scans at unequal steps",
            )
        )
        return tuple(found)
    read = np.array(
        [scan.offset for scan in scans if scan.scan.angle is not None and scan.offset is not None], dtype=np.float64
    )
    leaning = len(read) > 1 and float(np.ptp(read)) > STEP_TOLERANCE
    if len(faces) == 1 and not leaning:
        found.append(
            Ambiguity(
                kind="parabola",
                function="a line in the slope of guide or mirror" if slopes else "a parabola in guide or mirror",
                remedy="a repeat with the mirror face down, angle readings of the scans, or a straightness standard",
            )
        )
    turned = np.array([scan.scan.orientation == "end_for_end" for scan in scans])
    within = [known[kind] - known[kind].min() for kind in (turned, ~turned) if kind.any()]
    step = common_step(np.concatenate(within))
    reach = max(float(np.ptp(scan.scan.carriage)) for scan in scans if scan.scan.carriage is not None)
    if len(faces) == 1 and step is not None and step < reach:
        every = "every even function" if len(within) > 1 else "every function"  # turning settles the odd ones
        found.append(
            Ambiguity(
                kind="periodic",
                function=f"{every} that repeats after {step * 1e3:.4g} mm, in guide or mirror: "
                "all scans start a multiple of this step apart",
                remedy="one more scan whose start is off by a part of the step that is no simple fraction of it",
                period=step,
            )
        )
    return tuple(found)


def linked_groups(scans: Sequence[ConditionedScan]) -> list[list[int]]:
    """Scans that hang together by overlaps of at least 5 points (1 for slopes), the largest group first."""
    need = 1 if scans[0].scan.quantity == "slope" else SHARED_POINTS
    parent = list(range(len(scans)))

    def root(number: int) -> int:
        while parent[number] != number:
            parent[number] = parent[parent[number]]
            number = parent[number]
        return number

    spans = [np.sort(scan.x[scan.used]) for scan in scans]
    order = sorted(range(len(scans)), key=lambda number: float(spans[number][0]) if len(spans[number]) else np.inf)
    reach: list[int] = []  # scans that may still overlap what comes
    for number in order:
        mine = spans[number]
        if not len(mine):
            continue
        reach = [other for other in reach if spans[other][-1] >= mine[0]]
        for other in reach:
            if root(other) != root(number) and _shared(spans[other], mine) >= need:
                parent[root(number)] = root(other)
        reach.append(number)
    groups: dict[int, list[int]] = {}
    for number in range(len(scans)):
        groups.setdefault(root(number), []).append(number)
    return sorted(groups.values(), key=len, reverse=True)


def _shared(first: FloatArray, second: FloatArray) -> int:
    """Fewer of the points that each has in the overlap of their spans."""
    low, high = max(first[0], second[0]), min(first[-1], second[-1])
    counts = [
        int(np.searchsorted(x, high + 1e-9, side="right") - np.searchsorted(x, low - 1e-9)) for x in (first, second)
    ]
    return max(min(counts), 0)


def common_step(offsets: FloatArray) -> float | None:
    """Largest step of which all distances between offsets are multiples [m]; None if there is no such step.

    Euclid's algorithm on the sorted distances, with a tolerance; a step at the size of the grid of points
    does not count.
    """
    places = np.unique(np.round(np.sort(offsets - offsets.min()) / STEP_TOLERANCE) * STEP_TOLERANCE)
    distances = np.sort(offsets - offsets.min())
    distances = distances[distances > STEP_TOLERANCE]
    if len(places) < 2 or not len(distances):
        return None
    step = float(distances[0])
    for distance in distances[1:]:
        larger, smaller = max(step, float(distance)), min(step, float(distance))
        while smaller > SHORTEST_STEP:
            rest = larger - np.round(larger / smaller) * smaller
            larger, smaller = smaller, abs(float(rest))
            if smaller <= STEP_TOLERANCE:
                break
        if smaller > STEP_TOLERANCE:
            return None
        step = larger
    multiples = distances / step
    return step if np.abs(multiples - np.round(multiples)).max() * step <= 2 * STEP_TOLERANCE else None


def _names(names: Sequence[str]) -> str:
    shown = ", ".join(names[:4])
    return f"scan{'s' * (len(names) > 1)} {shown}" + (f" and {len(names) - 4} more" if len(names) > 4 else "")
