"""Profiles: what they hold, and how they lie on their mirror."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from ellipsefit import rows
from ellipsefit.arrays import FloatArray
from ellipsefit.errors import DataError
from ellipsefit.files.inspect.content import Fact, FileContent
from ellipsefit.files.inspect.words import listed, span
from ellipsefit.mirror import Mirror
from ellipsefit.profile import PlacedProfile, Profile, Quantity, spread_evenly
from ellipsefit.stream import ProfileSource, placed_on

#: Points of a large profile that are looked at together.
PART: Final = 1 << 17


#: Positions near the largest number are told as none.
_quiet: Final = np.errstate(over="ignore", invalid="ignore")


@_quiet
def profile_facts(
    profile: Profile | ProfileSource, units: Sequence[tuple[str, str]], *, most: int | None = None
) -> tuple[Fact, ...]:
    """Facts of a profile, in one pass over it or so many parts of it; a profile that is held is one part."""
    size = len(profile) if isinstance(profile, Profile) else PART
    masked, places, steps = 0, _Range(), []
    names: set[str] | None = None
    sigmas: _Range | None = None
    starts = range(0, len(profile), size)
    for start in spread_evenly(starts, most):
        part = profile.part(start, min(start + size, len(profile)))
        used = part.used
        x = np.unique(part.x[used])
        masked += int(len(used) - used.sum())
        places.add(x)
        if len(x) > 1:
            steps.append(float(np.median(np.diff(x))))
        if part.segment is not None:
            names = (names or set()) | {str(name) for name in np.unique(part.segment)}
        if part.sigma is not None and used.any():
            sigmas = sigmas or _Range()
            sigmas.add(part.sigma[used])
    facts = [
        Fact("quantity", profile.quantity, profile.quantity),
        Fact("points", str(len(profile)), len(profile)),
    ]
    if most is None or most >= len(starts):
        facts.append(Fact("masked points", str(masked), masked))
    if places.low <= places.high:
        facts.append(Fact("span", span(places.low, places.high), [places.low, places.high]))
    if steps:
        step = float(np.median(steps))
        facts.append(Fact("median step", rows.number(step, "length", digits=4), step))
    facts.append(Fact("units", ", ".join(f"{name} [{unit}]" for name, unit in units), dict(units)))
    if names is None:
        facts.append(Fact("segments", "not in the file; the mirror's spans decide", None))
    else:
        facts.append(Fact("segments", listed(sorted(names)), sorted(names)))
    facts.append(_sigma_fact(profile.quantity, sigmas))
    if profile.frame == "mirror":
        facts.append(Fact("frame", "mirror", "mirror"))
    return tuple(facts)


@_quiet
def profile_warnings(path: str | os.PathLike[str], profile: Profile) -> tuple[str, ...]:
    """That x runs over the same places again, in one line: a fit sorts the points, and refuses a position twice."""
    used = profile.used
    x = profile.x[used]
    if (x[1:] > x[:-1]).all() or (x[1:] < x[:-1]).all():
        return ()
    found, then = [], "a fit takes all points as one pass, sorted along x"
    across = None if profile.y is None else profile.y[used]
    passes = _passes(x) if across is None or not across.any() else 1  # points beside each other lie on other lines
    if passes > 1:
        found.append(f"x runs up to {passes} times over the same places")
    again = _again(x, across, None if profile.segment is None else profile.segment[used])
    if len(again):
        first = rows.number(float(again[0]), "length", digits=7, unit="mm")
        found.append(f"{len(again)} of {len(x)} points stand at a position of others, the first at {first}")
        then = "a fit refuses that within a segment, expected each position once"
    return (f"{path}: {', and '.join(found)}; {then}",) if found else ()


#: Places at which passes are counted, and the share of the span on each side of one that is 'there'.
_PLACES: Final = 7
_THERE: Final = 1 / 32


def _passes(x: FloatArray) -> int:
    """How often x (N,) runs past one place, at most of some places.

    A pass comes from one side, has points there and leaves for the other side; so neither the small steps back of an
    encoder's readings are passes, nor jumps from one segment to another.
    """
    x = (x - x[0]) / max(float(np.ptp(x)), np.finfo(float).tiny)
    half = max(_THERE, float(np.median(np.abs(np.diff(x)))))
    most = 0
    for place in np.linspace(x.min(), x.max(), _PLACES + 2)[1:-1]:
        side = np.where(np.abs(x - place) > half, np.sign(x - place), 0.0)
        side = side[np.diff(side, prepend=np.nan) != 0]
        most = max(most, int(np.sum((side[1:-1] == 0) & (side[:-2] * side[2:] < 0))))
    return most


def _again(
    x: FloatArray, across: FloatArray | None, segment: np.ndarray[tuple[int], np.dtype[np.str_]] | None
) -> FloatArray:
    """Positions x that stand once more in the same segment, at the same place across; sorted, once for each time."""
    order = np.argsort(x)
    same = np.diff(x[order]) == 0
    several = order[np.append(same, False) | np.append(False, same)]
    keys = [x[several]]
    if across is not None:
        keys.append(across[several])
    if segment is not None:
        keys.append(np.unique(segment[several], return_inverse=True)[1].astype(float))
    order = np.lexsort(keys[::-1])
    twice = np.logical_and.reduce([np.diff(key[order]) == 0 for key in keys])
    again: FloatArray = x[several][order][1:][twice] if len(several) else x[:0]
    return again


class _Range:
    """Smallest and largest of values that come in parts."""

    def __init__(self) -> None:
        self.low, self.high = float("inf"), -float("inf")

    def add(self, values: FloatArray) -> None:
        if len(values):
            self.low, self.high = min(self.low, float(values.min())), max(self.high, float(values.max()))


def _sigma_fact(quantity: Quantity, found: _Range | None) -> Fact:
    if found is None:
        return Fact("sigma", "not in the file", None)
    low, high = found.low, found.high
    kind = "length" if quantity == "height" else "angle"
    text = rows.number(low, kind) if low == high else f"{rows.number(low, kind)} to {rows.number(high, kind)}"
    return Fact("sigma", text, [low, high])


def profile_on_mirror(one: FileContent, profile: Profile | ProfileSource, mirror: Mirror) -> FileContent:
    """A profile together with its mirror: what a fit would refuse, and what looks odd."""
    from ellipsefit.checks.profile_checks import check_profile  # takes long to load

    try:
        placed = placed_on(profile, mirror)
    except DataError as error:
        return replace(one, faults=(*one.faults, str(error)))
    if not isinstance(placed, PlacedProfile) or not isinstance(profile, Profile):  # too large to look at every point
        return replace(one, warnings=(*one.warnings, *placed.warnings))
    checked = check_profile(placed, profile)
    faults = tuple(f"{placed.name}: {item.text}" for item in checked.suspicions if item.refused)
    doubts = tuple(str(item) for item in checked.suspicions if not item.refused and item.kind != "mirror file")
    return replace(one, faults=(*one.faults, *faults), warnings=(*one.warnings, *doubts, *placed.warnings))
