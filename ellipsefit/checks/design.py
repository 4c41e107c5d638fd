"""Whether a mirror file can be meant as it stands: sizes that no flexure, screw or tolerance has."""

from __future__ import annotations

from typing import Final

from ellipsefit.checks.suspicion import Suspicion
from ellipsefit.mirror import Adjuster, Mirror, Segment
from ellipsefit.rows import number

#: Flexure adjusters have travels of tens of micrometres to a few millimetres (common practice) [m].
TRAVEL: Final = (2e-6, 10e-3)
#: Screws have pitches, with or without a gear, of micrometres to millimetres a turn (common practice) [m].
PITCH: Final = (2e-6, 5e-3)
#: A tolerance of tilt beyond this spoils any focus [rad].
TILT: Final = 5e-3
#: No structural material expands by more [1/K]; plastics reach 1e-4.
EXPANSION: Final = 1e-4
#: Temperatures at which mirrors are measured and used (0 to 60 degC) [K].
TEMPERATURE: Final = (273.15, 333.15)
#: Largest grazing angle of a mirror for neutrons or X-rays [rad], by far.
GRAZING: Final = 0.2


def check_mirror(mirror: Mirror) -> list[Suspicion]:
    """What stands in a mirror file and can hardly be meant."""
    found = []
    if mirror.nominal.theta > GRAZING:
        found.append(
            _said(
                "ellipse.grazing_angle",
                f"is {number(mirror.nominal.theta, 'angle')}, above any grazing angle of {GRAZING * 1e3:.0f} mrad",
            )
        )
    for key in ("temperature", "reference_temperature"):
        value = getattr(mirror.measurement, key)
        if value is not None and not TEMPERATURE[0] <= value <= TEMPERATURE[1]:
            found.append(
                Suspicion(
                    kind="temperature",
                    text=f"measurement.{key} of the mirror file is {value - 273.15:.4g} degC; expected 0 to 60 degC "
                    "(degC and K confused?)",
                )
            )
    expansion = mirror.measurement.expansion
    if expansion is not None and abs(expansion) > EXPANSION:
        found.append(_said("measurement.expansion", f"is {expansion:.3g} / K; expected below {EXPANSION:g} / K"))
    shortest = min(segment.length for segment in mirror.segments)
    if mirror.measurement.x_uncertainty > shortest / 4:
        found.append(
            _said(
                "measurement.x_uncertainty",
                f"is {number(mirror.measurement.x_uncertainty, 'length')}, more than a quarter of a segment",
            )
        )
    found += _tolerances(mirror)
    for segment in mirror.segments:
        for adjuster in segment.adjusters:
            found += _adjuster(segment, adjuster)
    return _few(found)


def _said(key: str, words: str, where: tuple[str, ...] = ()) -> Suspicion:
    return Suspicion(kind="mirror file", where=where, text=f"{key} {words}; check the number and its unit")


def _tolerances(mirror: Mirror) -> list[Suspicion]:
    found = []
    height, tilt = mirror.tolerance.segment_height, mirror.tolerance.segment_tilt
    travels = [a.travel[1] - a.travel[0] for segment in mirror.segments for a in segment.adjusters]
    if height is not None and travels and height > max(travels):
        found.append(
            _said(
                "tolerance.segment_height", f"is {number(height, 'length')}, more than the whole travel of any adjuster"
            )
        )
    steps = [a.resolution for segment in mirror.segments for a in segment.adjusters if a.resolution]
    if height is not None and steps and height < min(steps) / 20:
        found.append(
            _said("tolerance.segment_height", f"is {number(height, 'length')}, far below the step of every adjuster")
        )
    if tilt is not None and tilt > TILT:
        found.append(_said("tolerance.segment_tilt", f"is {number(tilt, 'angle')}, beyond any use at a focus"))
    for key, value, size in (
        ("source_distance", mirror.tolerance.source_distance, mirror.nominal.p),
        ("image_distance", mirror.tolerance.image_distance, mirror.nominal.q),
        ("grazing_angle", mirror.tolerance.grazing_angle, mirror.nominal.theta),
    ):
        if value is not None and value > 0.5 * size:
            found.append(_said(f"tolerance.{key}", "is more than half of the nominal value"))
    return found


def _adjuster(segment: Segment, adjuster: Adjuster) -> list[Suspicion]:
    name = f"{segment.name}/{adjuster.name}"
    low, high = adjuster.travel
    travel = high - low
    found = []
    if not TRAVEL[0] <= travel <= TRAVEL[1]:
        found.append(
            _said(
                f"travel of adjuster {name}",
                f"is {number(travel, 'length')} in all; expected {number(TRAVEL[0], 'length')} to "
                f"{number(TRAVEL[1], 'length')} of a flexure",
                (name,),
            )
        )
    if adjuster.backlash > travel / 2:
        found.append(
            _said(f"backlash of adjuster {name}", f"is {number(adjuster.backlash, 'length')}, half its travel", (name,))
        )
    pitch = adjuster.pitch_per_turn
    if pitch is not None and not PITCH[0] <= pitch <= PITCH[1]:
        found.append(
            _said(
                f"pitch_per_turn of adjuster {name}",
                f"is {number(pitch, 'length')}; expected {number(PITCH[0], 'length')} to {number(PITCH[1], 'length')}",
                (name,),
            )
        )
    return found


def _few(found: list[Suspicion]) -> list[Suspicion]:
    """One for each thing that is said of many adjusters alike."""
    kept: dict[str, list[Suspicion]] = {}
    for item in found:
        key = item.text.replace(item.where[0], "") if item.where else item.text
        kept.setdefault(key, []).append(item)
    few = []
    for items in kept.values():
        first = items[0]
        if len(items) > 1:
            where = tuple(item.where[0] for item in items)
            text = first.text.replace(where[0], f"{where[0]} and {len(where) - 1} more")
            first = Suspicion(kind=first.kind, where=where, text=text)
        few.append(first)
    return few


def positions(mirror: Mirror) -> dict[tuple[str, str], float]:
    """Where each adjuster stands [m]."""
    return {(segment.name, a.name): a.position for segment in mirror.segments for a in segment.adjusters}


def same_segments(one: Mirror, other: Mirror) -> bool:
    """Whether two mirrors have the same segments at the same places."""
    return [(s.name, s.start, s.end) for s in one.segments] == [(s.name, s.start, s.end) for s in other.segments]


def check_changed(now: Mirror, then: Mirror, when: str) -> list[Suspicion]:
    """What of a mirror file is not as it was, but for positions, tolerances and how it was measured."""
    found = []
    if now.nominal != then.nominal:
        pairs = [(name, getattr(then.nominal, name), getattr(now.nominal, name)) for name in ("p", "q", "theta")]
        changes = ", ".join(
            f"{name} from {number(old, kind, digits=5)} to {number(new, kind, digits=5)}"
            for name, old, new in pairs
            if old != new
            for kind in (("angle" if name == "theta" else "length"),)
        )
        found.append(f"the nominal ellipse changed: {changes}")
    spans = [[(s.name, s.start, s.end) for s in mirror.segments] for mirror in (then, now)]
    if spans[0] != spans[1]:
        if len(spans[0]) != len(spans[1]):
            found.append(f"it has {len(spans[1])} segments where it had {len(spans[0])}")
        else:
            names = [new[0] for old, new in zip(*spans, strict=True) if old != new]
            found.append(f"the name or span of segment {', '.join(names[:4])} changed")
    places = [{(s.name, a.name): (a.x, a.y) for s in mirror.segments for a in s.adjusters} for mirror in (then, now)]
    moved = [f"{s}/{a}" for (s, a), place in places[1].items() if (s, a) in places[0] and places[0][s, a] != place]
    if moved:
        found.append(f"x or y of adjuster {', '.join(moved[:4])} changed")
    if set(places[0]) != set(places[1]) and spans[0] == spans[1]:
        found.append("its adjusters have other names")
    hands = [{(s.name, a.name): a.raises for s in mirror.segments for a in s.adjusters} for mirror in (then, now)]
    turned = [f"{s}/{a}" for (s, a), turn in hands[1].items() if (s, a) in hands[0] and hands[0][s, a] != turn]
    if turned:
        found.append(f"'raises' of adjuster {', '.join(turned[:4])} changed")
    if now.measurement.x_direction != then.measurement.x_direction:
        found.append(f"x_direction was '{then.measurement.x_direction}' and is '{now.measurement.x_direction}'")
    return (
        [
            Suspicion(
                kind="mirror file",
                text=f"the mirror file is not that of {when}: {'; '.join(found)}; check that it is this mirror's file",
            )
        ]
        if found
        else []
    )
