"""What a set of scans cannot tell, said in words before anything is solved.

Measured values are mirror + guide(carriage) + height, tilt and drift of the scan. Adding a function to the mirror
and taking it away from the others changes nothing, if they can hold it: so for a parabola when no scan was taken
face down, for every function of the common period when all scans start a multiple of one step apart (completeness
of sub-aperture stitching; common practice), and for the powers of time that each scan may drift by.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.stitching.conditioned import ConditionedScan
from ellipsefit.stitching.nullspace import NullSpace, null_space

AmbiguityKind = Literal["pose", "line", "parabola", "curve", "periodic", "shape", "unlinked", "guide", "drift"]

#: Offsets of scans within this distance of a multiple count as one [m].
STEP_TOLERANCE: Final = 5e-4
#: A common step shorter than this is the grid of the points, not a plan [m].
SHORTEST_STEP: Final = 0.02
#: Points that two scans must share to be linked.
SHARED_POINTS: Final = 5
#: Powers by name.
_POWERS: Final = ("height", "tilt", "a parabola", "a cubic", "a quartic", "a quintic", "a sextic", "a septic")


@dataclass(frozen=True, slots=True, kw_only=True)
class Ambiguity:
    """One thing that the scans leave open, and what would settle it."""

    kind: AmbiguityKind
    function: str  # in words
    remedy: str  # the measurement that would settle it
    degree: int | None = None  # of a polynomial of x, in the values' own quantity
    partners: tuple[Literal["guide", "drift"], ...] = ()  # what the mirror cannot be told from
    period: float | None = None  # [m], of a periodic function
    scans: tuple[str, ...] = ()  # for unlinked scans, their names


def scan_ambiguities(scans: Sequence[ConditionedScan], *, drift_degree: int = 0) -> tuple[Ambiguity, ...]:
    """Functions that no evaluation of these scans can tell, most general first.

    Found by a rank analysis of the positions (`nullspace`), and put in words. `drift_degree` is the highest power
    of time in a drift of each scan that is solved for; below 2: none.
    """
    slopes = scans[0].scan.quantity == "slope"
    groups = linked_groups(scans)
    numbers = np.zeros(len(scans), dtype=np.intp)
    for number, group in enumerate(groups):
        numbers[group] = number
    offsets = [scan.offset for scan in scans]
    known = np.array([offset for offset in offsets if offset is not None])
    # a parabola is even: a mirror turned end for end shows the guide's just as before, only face down tells
    faces = {scan.scan.orientation == "face_down" for scan in scans}
    guided = len(known) == len(offsets) and not (np.ptp(known) < STEP_TOLERANCE and len(faces) == 1)
    step = _step_of(scans, known) if guided else None
    # guide and drift together imitate one power more than the drift alone: (x - o)**n - x**n has n - 1 at most
    most = max(2, drift_degree + int(guided and drift_degree >= 2))

    def look(guide: bool, degree: int) -> NullSpace:
        return null_space(scans, [int(n) for n in numbers], guide=guide, drift_degree=degree, step=step, most=most)

    whole = look(guided, drift_degree)
    found: list[Ambiguity] = []
    for number in range(1, len(groups)):  # slopes whose tilts are all read hang together by that
        powers = [power + int(slopes) for power in whole.polynomials(most, whole.group == number)]
        if powers:
            found.append(_unlinked(scans, groups, number, powers))
    degrees = whole.polynomials(most)
    by_guide = look(True, 0).polynomials(most) if guided else []
    by_drift = look(False, drift_degree).polynomials(most) if drift_degree >= 2 else []
    by_pose = look(False, 0).polynomials(most)
    for degree in degrees:
        partners: tuple[Literal["guide", "drift"], ...] = ()
        if degree not in by_pose:
            both: tuple[tuple[Literal["guide", "drift"], list[int]], ...] = (("guide", by_guide), ("drift", by_drift))
            partners = tuple(name for name, open_ in both if degree in open_)
            if not partners:  # only both together can imitate it
                partners = ("guide", "drift")
        found.append(_polynomial(degree + int(slopes), degree, partners, slopes))
    if not guided:
        found.append(
            Ambiguity(
                kind="guide",
                function="the guide's straightness error, which cannot be told from the mirror",
                remedy="the carriage's position with each point, and overlapping scans at unequal steps",
            )
        )
        return tuple(found)
    left = whole.size - _polynomial_dimensions(whole, len(groups), most)
    turned = any(scan.scan.orientation == "end_for_end" for scan in scans)
    if left > 0 and step is not None:
        alternates = len(faces) > 1
        repeats = whole.alternating(step) if alternates else whole.periodic(step)
        if repeats:
            # turning settles the odd ones
            every = "every even function" if turned else "every function"
            what = f"changes its sign after {step * 5e2:.4g} mm" if alternates else f"repeats after {step * 1e3:.4g} mm"
            found.append(
                Ambiguity(
                    kind="periodic",
                    function=f"{every} that {what}, in guide or mirror: all scans start a multiple of this step apart",
                    remedy="one more scan whose start is off by a part of the step that is no simple fraction of it",
                    partners=("guide",),
                    period=step,
                )
            )
            left -= repeats
    if left > 1:  # rounding to a lattice may cost one tie
        found.append(
            Ambiguity(
                kind="shape",
                function=f"{left} of {whole.shapes} independent shapes of the guide, at a resolution of "
                f"{whole.pitch * 1e3:.3g} mm, in guide or mirror: the scans repeat too little of each other",
                remedy="further scans that overlap these at other distances, or a repeat with the mirror face down",
                partners=("guide",),
            )
        )
    return tuple(found)


def _step_of(scans: Sequence[ConditionedScan], known: FloatArray) -> float | None:
    """Common step of the scans that lie the same way round, if one is shorter than a scan."""
    turned = np.array([scan.scan.orientation == "end_for_end" for scan in scans])
    faced = len({scan.scan.orientation == "face_down" for scan in scans}) > 1
    within = [known[kind] - known[kind].min() for kind in (turned, ~turned) if kind.any()]
    step = common_step(np.concatenate(within))
    reach = max(float(np.ptp(scan.scan.carriage)) for scan in scans if scan.scan.carriage is not None)
    if step is not None and faced:
        step *= 2  # what changes its sign after the step repeats after twice that
    return step if step is not None and step < (2 if faced else 1) * reach else None


def _polynomial_dimensions(whole: NullSpace, groups: int, most: int) -> int:
    """Dimension of what is open and polynomial in each group."""
    if groups == 1:
        return len(whole.polynomials(most))
    return sum(len(whole.polynomials(most, whole.group == number)) for number in range(groups))


def _unlinked(
    scans: Sequence[ConditionedScan],
    groups: Sequence[Sequence[int]],
    number: int,
    powers: Sequence[int],
) -> Ambiguity:
    names = tuple(scans[index].scan.name for index in groups[number])
    open_ = [_POWERS[power] for power in powers]
    words = " and ".join(open_[:2]) if len(open_) < 3 else ", ".join(open_[:-1]) + " and " + open_[-1]

    def ends(group: Sequence[int]) -> tuple[float, float]:
        used = [scans[index].x[scans[index].used] for index in group if scans[index].used.any()]
        return (min(float(x.min()) for x in used), max(float(x.max()) for x in used)) if used else (np.nan, np.nan)

    low, high = ends(groups[number])
    others = [ends(group) for index, group in enumerate(groups) if index != number]
    before = [end for _, end in others if end <= low]
    after = [start for start, _ in others if start >= high]
    remedy = "a scan that overlaps both groups"
    if before or after:  # the nearer neighbour
        gaps = [(low - end, end, low) for end in before] + [(start - high, high, start) for start in after]
        _, end, start = min(gaps)
        remedy += f", across the gap from x = {end * 1e3:.4g} mm to {start * 1e3:.4g} mm"
    return Ambiguity(
        kind="unlinked",
        function=f"{words} of {_names(names)} against the other scans",
        remedy=remedy,
        scans=names,
    )


def _polynomial(power: int, degree: int, partners: tuple[Literal["guide", "drift"], ...], slopes: bool) -> Ambiguity:
    """In words; `power` is that of the height, `degree` that of the values."""
    if power == 0:
        return Ambiguity(
            kind="pose",
            degree=degree,
            function="height of the whole profile",
            remedy="a reading of the mirror's height",
        )
    if power == 1 and not partners:
        return Ambiguity(
            kind="pose",
            degree=degree,
            function="tilt of the whole profile",
            remedy="an independent angle reading of a scan",
        )
    if power == 1:
        return Ambiguity(
            kind="line",
            degree=degree,
            partners=partners,
            function="tilt of the whole profile against the guide's own straight line",
            remedy="an angle reading of a scan with the mirror face down or turned end for end, or of the guide's line",
        )
    what = _POWERS[degree] if not slopes or degree > 1 else "a line"
    where = " or ".join([*partners, "mirror"]) if len(partners) < 2 else "guide, drift or mirror"
    remedies = {
        "guide": "a repeat with the mirror face down, angle readings of the scans, or a straightness standard",
        "drift": "angle readings of two scans or more, or a fixed point that is read again during each scan",
    }
    return Ambiguity(
        kind="parabola" if power == 2 else "curve",
        degree=degree,
        partners=partners,
        function=f"{what} in the slope of {where}" if slopes else f"{what} in {where}",
        # what helps against both is an angle reading
        remedy=remedies["drift" if "drift" in partners else "guide"],
    )


def linked_groups(scans: Sequence[ConditionedScan]) -> list[list[int]]:
    """Scans that hang together by overlaps of at least 5 points (1 for slopes), the largest group first."""
    need = 1 if scans[0].scan.quantity == "slope" else SHARED_POINTS
    parent = list(range(len(scans)))

    def root(number: int) -> int:
        while parent[number] != number:
            parent[number] = parent[parent[number]]
            number = parent[number]
        return number

    spans = [scan.x[scan.rising] for scan in scans]
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
