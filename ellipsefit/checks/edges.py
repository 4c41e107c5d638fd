"""Where the data have gaps and steps, against where the mirror file has them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, NamedTuple

import numpy as np
from scipy.special import bdtrc

from ellipsefit.arrays import BoolArray, FloatArray
from ellipsefit.checks.suspicion import CHANCE, Suspicion
from ellipsefit.mirror import Mirror
from ellipsefit.profile import PlacedProfile
from ellipsefit.rows import number

#: A step so many times the usual one is a gap.
HOLE: Final = 1.5
#: Share of the mirror's gaps that the data must show, and of those that must be met, to tell anything.
MET: Final = 0.7
#: How near two scan lines are that count as one [m].
SAME_LINE: Final = 0.5e-3
#: Points on either side of a hole from which a step across it is taken.
BESIDE: Final = 8
#: A step is one if it is so many times the largest where there is no hole.
STEP: Final = 2.0
#: Standard uncertainties of the origin of x that are allowed for.
SURE: Final = 4.0


class Gaps(NamedTuple):
    """Gaps along x: where their middles are, and how wide they are [m]."""

    middle: FloatArray
    width: FloatArray


def check_gaps(x: FloatArray, mirror: Mirror) -> tuple[list[Suspicion], bool]:
    """Whether gaps in the data lie where the mirror's gaps are.

    Parameters
    ----------
    x : array, shape (N,)
        Positions of the points in use, in the mirror frame [m], with those that lie in no segment.
    mirror : Mirror

    Returns
    -------
    list of Suspicion
    bool
        Whether the data can tell: they have about as many gaps as the mirror, two at least.
    """
    place = np.unique(x)
    if len(place) < 5:
        return [], False
    steps = np.diff(place)
    step = float(np.median(steps))
    wide = steps > HOLE * step
    holes = Gaps(middle=((place[1:] + place[:-1]) / 2)[wide], width=steps[wide])
    wanted = _mirror_gaps(mirror, float(place[0]), float(place[-1]))
    count = len(wanted.middle)
    if min(count, len(holes.middle)) < 2:
        return [], False
    reach = step / 2 + SURE * mirror.measurement.x_uncertainty + 1e-9
    here = _met(holes, wanted, 0.0, reach, step)
    visible = float(wanted.width.min()) >= HOLE * step
    if visible and here >= max(2.0, MET * len(holes.middle)) and here < MET * count and count - here > 1:
        return [
            Suspicion(
                kind="other mirror",
                text=f"the data run on over {count - here} of the {count} gaps that mirror '{mirror.name}' has between "
                "its segments, and show the others; expected the spans of the mirror that was measured (another "
                "mirror's file?)",
            )
        ], True
    if len(holes.middle) < MET * count:
        return [], False
    if here >= MET * min(count, len(holes.middle)):
        return [], True
    # one shift for all, or the same seen from the other end
    best: tuple[int, float, bool] = (0, 0.0, False)
    for turned in (False, True):
        seen = Gaps(middle=-holes.middle[::-1], width=holes.width[::-1]) if turned else holes
        shifts = (seen.middle[:, None] - wanted.middle[None, :]).ravel()
        shifts = shifts[np.abs(shifts) < (mirror.span[1] - mirror.span[0]) / 2]
        for shift in shifts[np.argsort(np.abs(shifts))]:
            met = _met(seen, wanted, float(shift), step / 2 + 1e-9, step)
            if met > best[0]:
                best = (met, float(shift), turned)
    met, shift, turned = best
    if met:
        seen = Gaps(middle=-holes.middle[::-1], width=holes.width[::-1]) if turned else holes
        away = seen.middle[None, :] - wanted.middle[:, None] - shift
        nearest = np.take_along_axis(away, np.abs(away).argmin(axis=1)[:, None], axis=1)
        shift += float(np.median(nearest))
    # that gaps strewn at random meet so many of those wanted, at any of the shifts tried
    share = min(1.0, len(holes.middle) * 2 * step / (mirror.span[1] - mirror.span[0]))
    chance = min(1.0, 2 * len(holes.middle) * count * float(bdtrc(met - 1, count, share)))
    if met < MET * count or chance > CHANCE:
        if not visible:  # they need not be seen, and those seen may be points left out
            return [], False
        return [
            Suspicion(
                kind="other mirror",
                text=f"the data have {len(holes.middle)} gaps where mirror '{mirror.name}' has {count} between its "
                "segments, and they don't lie where those are; expected the spans of the mirror that was measured "
                "(another mirror's file, or another unit of x?)",
            )
        ], True
    if turned and abs(shift) <= reach + step:
        return [
            Suspicion(
                kind="x reversed, or p and q exchanged",
                text=f"the gaps between segments lie as those of mirror '{mirror.name}' seen from the other end: x "
                "runs the other way; check x_direction and the order of the scan",
                p_value=chance,
            )
        ], True
    end = " seen from the other end, and" if turned else ""
    return [
        Suspicion(
            kind="x shifted",
            text=f"the gaps between segments lie {shift * 1e3:+.4g} mm from those of mirror '{mirror.name}'{end}, all "
            "alike: x has another origin; check x_offset and its sign",
            p_value=chance,
        )
    ], True


def _mirror_gaps(mirror: Mirror, first: float, last: float) -> Gaps:
    """Gaps between segments that the data reach over."""
    ends = np.array([segment.end for segment in mirror.segments[:-1]])
    starts = np.array([segment.start for segment in mirror.segments[1:]])
    middle, width = (ends + starts) / 2, starts - ends
    seen = (width > 0) & (middle > first) & (middle < last)
    return Gaps(middle=middle[seen], width=width[seen])


def _met(holes: Gaps, wanted: Gaps, shift: float, reach: float, step: float) -> int:
    """How many gaps of the mirror, shifted, hold within a hole of the data: its ends may be wider, not narrower."""
    if not len(holes.middle):
        return 0
    away = np.abs(holes.middle[None, :] - wanted.middle[:, None] - shift)
    # a hole that is wider, by masked edges, may lie as much off
    room = reach + np.maximum(holes.width[None, :] - wanted.width[:, None], 0.0) / 2
    fits = (away <= room) & (holes.width[None, :] >= wanted.width[:, None] - step - 2 * reach)
    return int(fits.any(axis=1).sum())


def check_joints(placed: PlacedProfile) -> list[Suspicion]:
    """Whether segments are of one piece: across a hole in its data one surface goes on, two stand each for itself.

    What is measured less the nominal curve is carried on to the hole from both sides. How far that misses where there
    is no hole tells how far it may.
    """
    found = [_steps(placed, segment) for segment in placed.measured]
    usual = np.concatenate([steps.usual for steps in found])
    across = np.concatenate([steps.across for steps in found])
    independent = len(usual) // ((2 * BESIDE + 1) * max(steps.lines for steps in found))
    if len(across) < 2 or not independent:
        return []
    largest = STEP * float(np.abs(usual).max())
    torn = [int((np.abs(steps.across) > largest).sum()) for steps in found]
    # that so many holes show more than all those places do without one, in any order
    chance = float(bdtrc(sum(torn) - 1, len(across), 1 / (independent + 1)))
    if sum(torn) < 2 or chance > CHANCE:
        return []
    where = tuple(placed.mirror.segments[n].name for n, count in zip(placed.measured, torn, strict=True) if count)
    sizes = np.abs(across)[np.abs(across) > largest]
    kind = "length" if placed.quantity == "height" else "angle"
    few = ", ".join(where[:4]) + (f" and {len(where) - 4} more" if len(where) > 4 else "")
    return [
        Suspicion(
            kind="other mirror",
            where=where,
            text=f"the surface has {len(sizes)} steps of {number(float(np.median(sizes)), kind)} where the mirror file "
            f"has none, at holes in the data of {few}: each of these is two segments or more; expected the spans of "
            f"the mirror that was measured (is the file of mirror '{placed.mirror.name}' another's?)",
            p_value=chance,
        )
    ]


class _Steps(NamedTuple):
    """Steps of a segment's surface [m or rad]: across its holes, and found likewise where it has none."""

    across: FloatArray
    usual: FloatArray
    lines: int  # in which both were found


def _steps(placed: PlacedProfile, segment: int) -> _Steps:
    part = placed.part(segment)
    heights = placed.quantity == "height"
    nominal = placed.mirror.nominal
    deviation = placed.values[part] - (nominal.height if heights else nominal.slope)(placed.x[part])
    # several scan lines are one beside the other along x: each is looked at for itself
    line = np.zeros(len(deviation)) if placed.y is None else np.round(placed.y[part] / SAME_LINE)
    across: dict[int, list[float]] = {}  # by place: it is one hole, however many lines show it
    usual: list[FloatArray] = [np.zeros(0)]
    for own in (line == each for each in np.unique(line)):
        x, rest = placed.x[part][own], deviation[own]
        if len(x) <= 2 * BESIDE + 1:
            continue
        step = float(np.median(np.diff(x)))
        rest = rest - np.polyval(np.polyfit(x, rest, 1), x) if heights else rest
        whole = np.diff(x) < HOLE * step
        for hole, missing in _holes(x, whole, step):
            kernel = _across(missing, 1 if heights else 0)
            sides = np.r_[hole + 1 - BESIDE : hole + 1, hole + 1 : hole + 1 + BESIDE]
            if not (whole[sides[:-1]] | (sides[:-1] == hole)).all():
                continue
            found = across.setdefault(round(float(x[hole]) / (BESIDE * step)), [])
            found.append(float(np.r_[kernel[:BESIDE], kernel[-BESIDE:]] @ rest[sides]))
            span = len(kernel)
            if len(x) >= span:
                runs = np.convolve(whole, np.ones(span - 1), "valid") > span - 1.5
                usual.append(np.convolve(rest, kernel[::-1], "valid")[runs])
    least = [min(found, key=abs) for found in across.values()]
    return _Steps(across=np.array(least), usual=np.concatenate(usual), lines=len(np.unique(line)))


def _holes(x: FloatArray, whole: BoolArray, step: float) -> Iterator[tuple[int, int]]:
    """The point before each hole that has enough points on either side, and how many points are missing there."""
    for hole in np.flatnonzero(~whole):
        if BESIDE <= hole + 1 <= len(x) - BESIDE and step > 0:  # more than half of the points in one place: no line
            yield int(hole), max(round(float(x[hole + 1] - x[hole]) / step) - 1, 1)


def _across(missing: int, degree: int) -> FloatArray:
    """Weights of points before a hole, in it (zero) and after it that give the step in its middle."""
    away = np.arange(BESIDE) + (missing + 1) / 2  # steps from the middle
    weights = np.linalg.pinv(np.vander(away, degree + 1))[-1]
    return np.concatenate([-weights[::-1], np.zeros(missing), weights])
