"""Profiles: what they hold, and how they lie on their mirror."""

from __future__ import annotations

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
