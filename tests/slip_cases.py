"""Mistakes as people make them between the mirror and the file, put into simulated campaigns one at a time.

The campaigns share nothing with the self-checks but the closed form of the ellipse in `tests.rehearsal`. A mistake is
made where people make it: in the text of a mirror file or of a profile, in raw scans, in a survey, at a screw.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import count
from pathlib import Path
from typing import Literal

import numpy as np

from ellipsefit.align import plan_corrections
from ellipsefit.align.comparison import compare_round
from ellipsefit.align.orders import adjusters_of
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import EllipsefitError
from ellipsefit.files import read_mirror, read_profile
from ellipsefit.files.mirror import mirror_text
from ellipsefit.fit import fit_ellipse
from ellipsefit.halls import invented_carrier, simulate_survey
from ellipsefit.job import run_job
from ellipsefit.mirror import Measurement, Mirror
from ellipsefit.place import Carrier, Survey, place_carrier
from ellipsefit.practice import practice_mirror
from ellipsefit.profile import PlacedProfile, Profile, place_profile
from ellipsefit.scan import Scan
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_scans, smooth_noise
from ellipsefit.stitching import stitch
from tests.loop_cases import orders_for, perfect, seen_change, small_mirror
from tests.rehearsal import Array, ideal

REFUSED = "refused"
#: Kinds by which a mistake may be named.
UNIT = frozenset({"unit", "other mirror", "not this curve"})
REVERSED = frozenset({"x reversed, or p and q exchanged"})
SHIFTED = frozenset({"x shifted"})


@dataclass(frozen=True, kw_only=True)
class Kind:
    """A kind of mirror and how it is measured."""

    name: str
    nominal: tuple[float, float, float]
    segments: int
    pitch: float
    quantity: Literal["height", "slope"] = "height"
    step: float = 2e-3
    noise: float = 60e-9  # m, rad
    figure: float = 100e-9
    wave: float = 40e-3
    form: float = 50e-9  # of each of two Legendre terms; of slopes over half a segment
    spreads: tuple[float, float] = (5e-6, 20e-6)

    @property
    def mirror(self) -> Mirror:
        mirror = invented_mirror(
            name=self.name,
            nominal=Ellipse(*self.nominal),
            segments=self.segments,
            length=self.segments * self.pitch - 4e-3,
        )
        return replace(mirror, measurement=Measurement(x_uncertainty=0.2e-3))


KINDS = {
    kind.name: kind
    for kind in (
        Kind(name="Heron", nominal=(13.0, 8.5, 19e-3), segments=14, pitch=0.5),
        Kind(name="Curlew", nominal=(12.0, 8.0, 20e-3), segments=8, pitch=1.0),
        Kind(name="Dunlin", nominal=(9.0, 6.0, 22e-3), segments=20, pitch=0.3, wave=15e-3),
        Kind(name="Avocet", nominal=(15.0, 7.0, 15e-3), segments=3, pitch=0.5),
        Kind(
            name="Wigeon", nominal=(11.0, 7.0, 18e-3), segments=10, pitch=0.6, quantity="slope", noise=1e-7, figure=2e-6
        ),
        Kind(
            name="Teal",
            nominal=(42.0, 3.0, 4e-3),
            segments=5,
            pitch=0.3,
            quantity="slope",
            step=1e-3,
            noise=1e-7,
            figure=6e-7,
            wave=15e-3,
            form=5e-9,
            spreads=(2e-6, 10e-6),
        ),
        Kind(
            name="Stint",
            nominal=(42.0, 0.6, 3e-3),
            segments=1,
            pitch=0.36,
            quantity="slope",
            step=1e-3,
            noise=6e-8,
            figure=1e-7,
            form=1e-9,
        ),
    )
}


@dataclass(frozen=True, kw_only=True)
class Surface:
    """An invented mirror: its ellipse, its segments' own form on a fine grid, and how they stand."""

    kind: Kind
    mirror: Mirror
    ellipse: tuple[float, float, float]
    pose: tuple[float, float]
    lifts: Array
    tilts: Array
    form: tuple[Array, ...]  # of each segment, on a grid of 0.5 mm from start to end: heights or slopes

    def values(self, number: int, x: Array) -> Array:
        """What one segment shows without noise."""
        segment = self.mirror.segments[number]
        own = self.form[number]
        values = np.real(ideal(self.kind.quantity, x, *self.ellipse))
        grid = np.linspace(segment.start, segment.end, len(own))
        line = np.full_like(x, self.pose[1] + self.tilts[number])
        if self.kind.quantity == "height":
            line = self.pose[0] + self.pose[1] * x + self.lifts[number] + self.tilts[number] * (x - segment.middle)
        return np.asarray(values + np.interp(x, grid, own) + line)

    def measured(self, rng: np.random.Generator) -> Profile:
        """A profile of it, in the scan's frame as the mirror file says."""
        x, values, names = [], [], []
        for number, segment in enumerate(self.mirror.segments):
            points = round(segment.length / self.kind.step)
            place: Array = np.arange(points, dtype=np.float64) + rng.uniform(0.2, 0.8)
            place = segment.start + place * (segment.length / points)
            x.append(place)
            values.append(self.values(number, place) + rng.normal(0.0, self.kind.noise, points))
            names.append(np.full(points, segment.name))
        whole = np.concatenate(x)
        return Profile(
            name="profile",
            quantity=self.kind.quantity,
            x=whole,
            values=np.concatenate(values),
            sigma=np.full(len(whole), self.kind.noise),
            segment=np.concatenate(names),
        )

    def moved(self, rng: np.random.Generator) -> Surface:
        """The same mirror, laid down anew, each adjuster moved by some micrometres, which the mirror file tells."""
        segments, lifts, tilts = [], self.lifts.copy(), self.tilts.copy()
        for number, segment in enumerate(self.mirror.segments):
            moves = np.round(rng.normal(0.0, 8e-6, len(segment.adjusters)) * 2e6) / 2e6
            places = np.array([adjuster.x for adjuster in segment.adjusters])
            tilt = float((moves[1] - moves[0]) / (places[1] - places[0]))
            lifts[number] += float(moves.mean()) - tilt * (float(places.mean()) - segment.middle)
            tilts[number] += tilt
            adjusters = tuple(
                replace(a, position=a.position + float(move)) for a, move in zip(segment.adjusters, moves, strict=True)
            )
            segments.append(replace(segment, adjusters=adjusters))
        pose = (self.pose[0] + float(rng.normal(0, 30e-6)), self.pose[1] + float(rng.normal(0, 10e-6)))
        return replace(self, mirror=replace(self.mirror, segments=tuple(segments)), pose=pose, lifts=lifts, tilts=tilts)


def drawn(kind: Kind, rng: np.random.Generator, mirror: Mirror | None = None) -> Surface:
    """A mirror of a kind."""
    mirror = kind.mirror if mirror is None else mirror
    form = []
    for segment in mirror.segments:
        points = round(segment.length / 0.5e-3)
        own = kind.figure * smooth_noise(points, kind.wave / 0.5e-3, rng)
        s = np.linspace(-1.0, 1.0, points)
        terms = [(3 * s**2 - 1) / 2, (5 * s**3 - 3 * s) / 2]
        if kind.quantity == "slope":
            terms = [3 * s * 2 / segment.length, (15 * s**2 - 3) / segment.length]
        form.append(own + kind.form * sum(rng.normal() * term for term in terms))
    p, q, theta = kind.nominal
    return Surface(
        kind=kind,
        mirror=mirror,
        ellipse=(p * (1 + rng.normal() * 4e-4), q * (1 + rng.normal() * 4e-4), theta * (1 + rng.normal() * 5e-4)),
        pose=(float(rng.normal(0, 100e-6)), float(rng.normal(0, 50e-6))),
        lifts=rng.normal(0, kind.spreads[0], kind.segments),
        tilts=rng.normal(0, kind.spreads[1], kind.segments),
        form=tuple(form),
    )


UNITS = {"height": "um", "slope": "urad"}


def profile_text(profile: Profile, *, x_unit: str = "mm", unit: str | None = None, named: bool = True) -> str:
    """A profile as a lab sends it."""
    unit = UNITS[profile.quantity] if unit is None else unit
    names = profile.segment if named else None
    head = f"x [{x_unit}],{profile.quantity} [{unit}],sigma [{unit}]" + ",segment" * (names is not None)
    sigma = np.full(len(profile.x), 6e-8) if profile.sigma is None else profile.sigma
    rows = [
        f"{x * 1e3:.4f},{value * 1e6:.6f},{error * 1e6:.4g}"
        for x, value, error in zip(profile.x, profile.values, sigma, strict=True)
    ]
    if names is not None:
        rows = [f"{row},{name}" for row, name in zip(rows, names, strict=True)]
    return "\n".join([head, *rows]) + "\n"


_numbers = count()


def evaluated(folder: Path, mirror: str, profile: str, *earlier: tuple[str, PlacedProfile]) -> frozenset[str]:
    """Kinds that fit and plan name, through the files that the commands read; `REFUSED`: nothing was planned."""
    place = folder / f"{next(_numbers)}"
    place.mkdir()
    (place / "mirror.toml").write_text(mirror, encoding="utf-8")
    (place / "profile.csv").write_text(profile, encoding="utf-8")
    try:
        design, measured = read_mirror(place / "mirror.toml"), read_profile(place / "profile.csv")
        fit = fit_ellipse(measured, design, earlier=earlier)
        plan = plan_corrections(fit)
    except EllipsefitError as error:
        fault: str | None = str(error)
    else:
        fault = None
    if fault is not None:  # one sentence that says what and where
        assert len(fault) > 40
        assert "\n" not in fault
        return frozenset({REFUSED})
    for item in fit.checked.suspicions:  # none of it can be overlooked
        assert str(item) in plan.warnings
        assert "A SLIP IS SUSPECTED" in str(plan)
    assert len(plan.to_dict()["suspicions"]) == len(fit.checked.suspicions)
    return frozenset(item.kind for item in fit.checked.suspicions)


@dataclass(frozen=True, kw_only=True)
class Slip:
    """One mistake: how it is called, by which kinds it may be named, and what the program says of it."""

    name: str
    kinds: frozenset[str]
    run: Callable[[Path], frozenset[str]]

    def caught(self, folder: Path) -> tuple[bool, frozenset[str]]:
        """Whether it was refused or named."""
        said = self.run(folder)
        return bool(said & (self.kinds | {REFUSED})), said


def _seeded(name: str) -> np.random.Generator:
    return np.random.default_rng([ord(letter) for letter in name])


Spoil = Callable[[Profile, Mirror], Profile]


def _of_profile(name: str, kind: str, kinds: frozenset[str], spoil: Spoil, *, named: bool = False) -> Slip:
    """A mistake in the profile's numbers."""

    def run(folder: Path) -> frozenset[str]:
        surface = drawn(KINDS[kind], _seeded(f"{name} {kind}"))
        profile = spoil(surface.measured(_seeded(name)), surface.mirror)
        return evaluated(folder, mirror_text(surface.mirror), profile_text(profile, named=named))

    return Slip(name=f"{kind}: {name}", kinds=kinds, run=run)


def _of_mirror(name: str, kind: str, kinds: frozenset[str], spoil: Callable[[str], str], *, named: bool = True) -> Slip:
    """A mistake in the text of the mirror file."""

    def run(folder: Path) -> frozenset[str]:
        surface = drawn(KINDS[kind], _seeded(f"{name} {kind}"))
        text = mirror_text(surface.mirror)
        spoilt = spoil(text)
        assert spoilt != text
        return evaluated(folder, spoilt, profile_text(surface.measured(_seeded(name)), named=named))

    return Slip(name=f"{kind}: {name}", kinds=kinds, run=run)


Change = Callable[[Surface, np.random.Generator], Surface]


def _of_round(
    name: str, kind: str, kinds: frozenset[str], change: Change | None = None, spoil: Spoil | None = None
) -> Slip:
    """A mistake between two rounds: with the mirror, or with the second profile."""

    def run(folder: Path) -> frozenset[str]:
        rng = _seeded(f"{name} {kind}")
        first = drawn(KINDS[kind], rng)
        then = place_profile(first.measured(rng), first.mirror)
        second = first.moved(rng)
        if change is not None:
            second = change(second, rng)
        profile = second.measured(rng)
        if spoil is not None:
            profile = spoil(profile, second.mirror)
        return evaluated(folder, mirror_text(second.mirror), profile_text(profile), ("round 1", then))

    return Slip(name=f"{kind}: {name}", kinds=kinds, run=run)


def _parts(profile: Profile, *numbers: int) -> list[slice]:
    assert profile.segment is not None
    names = list(dict.fromkeys(profile.segment.tolist()))
    found = []
    for number in numbers:
        rows = np.flatnonzero(profile.segment == names[number])
        found.append(slice(int(rows[0]), int(rows[-1]) + 1))
    return found


def scaled(factor: float) -> Spoil:
    return lambda profile, _: replace(profile, values=profile.values * factor)


def x_scaled(factor: float) -> Spoil:
    return lambda profile, _: replace(profile, x=profile.x * factor)


def x_moved(shift: float) -> Spoil:
    return lambda profile, _: replace(profile, x=profile.x + shift)


def x_turned(profile: Profile, _: Mirror) -> Profile:
    """The scan's axis runs the other way: slopes change their sign with it."""
    sign = 1.0 if profile.quantity == "height" else -1.0
    return replace(profile, x=-profile.x, values=sign * profile.values)


def values_turned(profile: Profile, _: Mirror) -> Profile:
    return replace(profile, values=profile.values[::-1])


def one_turned(number: int) -> Spoil:
    def spoil(profile: Profile, _: Mirror) -> Profile:
        (part,) = _parts(profile, number)
        values = profile.values.copy()
        values[part] = values[part][::-1]
        return replace(profile, values=values)

    return spoil


def one_scaled(number: int, factor: float) -> Spoil:
    def spoil(profile: Profile, _: Mirror) -> Profile:
        (part,) = _parts(profile, number)
        values = profile.values.copy()
        values[part] *= factor
        return replace(profile, values=values)

    return spoil


def data_swapped(one: int, other: int) -> Spoil:
    def spoil(profile: Profile, _: Mirror) -> Profile:
        a, b = _parts(profile, one, other)
        values = profile.values.copy()
        n = min(a.stop - a.start, b.stop - b.start)
        values[a.start : a.start + n], values[b.start : b.start + n] = (
            profile.values[b.start : b.start + n],
            profile.values[a.start : a.start + n],
        )
        return replace(profile, values=values)

    return spoil


def other_quantity(profile: Profile, _: Mirror) -> Profile:
    """The numbers of the other quantity under this one's header: heights in mm as mrad, slopes in mrad as mm."""
    x = profile.x
    other = "slope" if profile.quantity == "height" else "height"
    return replace(profile, values=np.real(ideal(other, x, 12.0, 8.0, 20e-3)))


def _other_quantity(name: str, kind: str) -> Slip:
    """What the instrument measures besides, of the same mirror, under this one's header."""

    def run(folder: Path) -> frozenset[str]:
        heights = KINDS[kind].quantity == "height"
        other = replace(
            KINDS[kind],
            quantity="slope" if heights else "height",
            noise=1e-7 if heights else 60e-9,
            figure=2e-6 if heights else 100e-9,
            form=5e-9 if heights else 50e-9,
        )
        profile = drawn(other, _seeded(f"{name} {kind}"), KINDS[kind].mirror).measured(_seeded(name))
        profile = replace(profile, quantity=KINDS[kind].quantity)
        return evaluated(folder, mirror_text(KINDS[kind].mirror), profile_text(profile, named=False))

    return Slip(name=f"{kind}: {name}", kinds=UNIT, run=run)


def pieces_turned(*numbers: int) -> Change:
    """Segments taken off, turned end for end, put back and aligned."""

    def change(surface: Surface, _: np.random.Generator) -> Surface:
        sign = 1.0 if surface.kind.quantity == "height" else -1.0
        form = tuple(sign * own[::-1] if n in numbers else own for n, own in enumerate(surface.form))
        return replace(surface, form=form)

    return change


def pieces_swapped(one: int, other: int) -> Change:
    """Two segments put back in each other's place and aligned: each brings the curve of where it belongs."""

    def change(surface: Surface, _: np.random.Generator) -> Surface:
        form = list(surface.form)
        for here, there in ((one, other), (other, one)):
            own, belongs = surface.mirror.segments[here], surface.mirror.segments[there]
            curves = []
            for segment in (belongs, own):
                x = np.linspace(segment.start, segment.end, len(surface.form[there]))
                curve = np.real(ideal(surface.kind.quantity, x, *surface.kind.nominal))
                degree = 1 if surface.kind.quantity == "height" else 0
                curves.append(curve - np.polyval(np.polyfit(x, curve, degree), x))
            form[here] = surface.form[there] + curves[0] - curves[1]
        return replace(surface, form=tuple(form))

    return change


def replaced(*numbers: int) -> Change:
    """Segments replaced by others of the same make."""

    def change(surface: Surface, rng: np.random.Generator) -> Surface:
        other = drawn(surface.kind, rng, surface.mirror)
        form = tuple(other.form[n] if n in numbers else own for n, own in enumerate(surface.form))
        return replace(surface, form=form)

    return change


def another(surface: Surface, rng: np.random.Generator) -> Surface:
    """Another mirror of the same make."""
    return drawn(surface.kind, rng, surface.mirror)


def first_number(key: str, make: Callable[[float], str], *, nth: int = 0) -> Callable[[str], str]:
    """Text with the quantity of a key replaced: of the nth line that has it."""

    def spoil(text: str) -> str:
        found = list(re.finditer(rf'^(\s*{key} = )"([-+0-9.e]+) [^"]*"', text, flags=re.MULTILINE))
        match = found[min(nth, len(found) - 1)]
        return text[: match.start()] + f'{match[1]}"{make(float(match[2]))}"' + text[match.end() :]

    return spoil


def exchanged(text: str) -> str:
    p = re.search(r'source_distance = "([^"]*)"', text)
    q = re.search(r'image_distance = "([^"]*)"', text)
    assert p is not None
    assert q is not None
    text = text.replace(p[0], f'source_distance = "{q[1]}"', 1)
    return text.replace(q[0], f'image_distance = "{p[1]}"', 1)


def travel_in(unit: str) -> Callable[[str], str]:
    def spoil(text: str) -> str:
        return re.sub(r'travel = \["(-?[0-9.]+) um", "([0-9.]+) um"\]', rf'travel = ["\1 {unit}", "\2 {unit}"]', text)

    return spoil


def each(key: str, value: str) -> Callable[[str], str]:
    """The key set to the value wherever it stands."""
    return lambda text: re.sub(rf'^(\s*{key} = )"[^"]*"', rf'\g<1>"{value}"', text, flags=re.MULTILINE)


def with_line(after: str, line: str) -> Callable[[str], str]:
    return lambda text: text.replace(f"{after}\n", f"{after}\n{line}\n", 1)


def profile_slips() -> Iterator[Slip]:
    """Mistakes in one profile."""
    heights = ("Heron", "Curlew", "Dunlin", "Avocet")
    slopes = ("Wigeon", "Teal", "Stint")
    for kind in (*heights, *slopes):
        yield _of_profile("wrong sign", kind, frozenset({"sign"}), scaled(-1.0))
        for factor in (1e3, 1e-3, 1e6):
            yield _of_profile(f"values x {factor:g}", kind, UNIT, scaled(factor))
        yield _of_profile("twice the values", kind, UNIT, scaled(2.0))
        yield _of_profile("half the values", kind, UNIT, scaled(0.5))
        for factor in (1e3, 1e-3):
            yield _of_profile(f"x times {factor:g}", kind, UNIT, x_scaled(factor))
        yield _of_profile("x in inches", kind, UNIT, x_scaled(25.4))
        yield _of_profile("axis turned", kind, REVERSED, x_turned)
        yield _of_profile("values back to front", kind, REVERSED | UNIT | {"sign"}, values_turned)
        yield _of_profile("the other quantity", kind, UNIT, other_quantity)
        yield _other_quantity("the other quantity of this mirror", kind)
    for kind in heights:
        yield _of_profile("inches", kind, UNIT, scaled(25.4))
    for kind in slopes:
        yield _of_profile("arc seconds", kind, UNIT, scaled(1 / 4.848))
        yield _of_profile("degrees", kind, UNIT, scaled(1e-3 * 180 / np.pi))
    some = {"Heron": (0, 3, 11), "Curlew": (1, 6), "Dunlin": (2, 16), "Wigeon": (1, 8), "Teal": (0, 4)}
    for kind, numbers in some.items():
        for number in numbers:
            name = f"segment {number + 1}"
            wrong = frozenset({"segment reversed", "segment replaced", "sign"})
            yield _of_profile(f"{name} back to front", kind, wrong, one_turned(number), named=True)
            yield _of_profile(f"{name} of wrong sign", kind, wrong, one_scaled(number, -1.0), named=True)
            wrong = frozenset({"unit", "segment replaced"})
            yield _of_profile(f"{name} x 1000", kind, wrong, one_scaled(number, 1e3), named=True)
            yield _of_profile(f"{name} / 1000", kind, wrong, one_scaled(number, 1e-3), named=True)
    swaps = {
        "Heron": ((2, 3), (0, 13), (5, 9)),
        "Curlew": ((0, 1), (3, 6)),
        "Dunlin": ((7, 8), (18, 19)),
        "Avocet": ((0, 1), (1, 2)),
        "Wigeon": ((0, 1), (4, 7)),
        "Teal": ((3, 4),),
    }
    for kind, (one, other) in ((kind, pair) for kind, pairs in swaps.items() for pair in pairs):
        wrong = frozenset({"segments swapped"})
        yield _of_profile(
            f"data of {one + 1} and {other + 1} swapped", kind, wrong, data_swapped(one, other), named=True
        )
    for kind in ("Heron", "Curlew", "Dunlin", "Wigeon", "Teal"):
        for shift in (4e-3, -7e-3, 11e-3, -30e-3, 0.2):
            yield _of_profile(f"x moved by {shift * 1e3:g} mm", kind, SHIFTED, x_moved(shift))
    for kind in ("Avocet", "Stint"):
        yield _of_profile("x moved by 200 mm", kind, SHIFTED, x_moved(0.2))


def mirror_slips() -> Iterator[Slip]:
    """Mistakes in the mirror file."""
    wrong, other = frozenset({"mirror file"}), frozenset({"other mirror", "unit"})
    for kind in ("Heron", "Curlew", "Wigeon", "Stint"):
        yield _of_mirror("p and q exchanged", kind, REVERSED, exchanged)
        degrees = first_number("grazing_angle", lambda v: f"{v * 0.0572958:.5g} mrad")
        yield _of_mirror("degrees as mrad", kind, other, degrees)
        yield _of_mirror("mrad as degrees", kind, other | wrong, first_number("grazing_angle", lambda v: f"{v:g} deg"))
        yield _of_mirror("p in mm", kind, other, first_number("source_distance", lambda v: f"{v:g} mm"))
        yield _of_mirror("travel in mm", kind, wrong, travel_in("mm"))
        yield _of_mirror("travel in nm", kind, wrong, travel_in("nm"))
        yield _of_mirror("adjuster elsewhere", kind, wrong, first_number("x", lambda v: f"{v + 900:g} mm"))
        yield _of_mirror("position outside", kind, wrong, first_number("position", lambda _: "400 um"))
        yield _of_mirror("resolution in mm", kind, wrong, first_number("resolution", lambda v: f"{v:g} mm"))
        yield _of_mirror("pitch in um", kind, wrong, each("pitch_per_turn", "0.25 um"))
        yield _of_mirror("pitch in m", kind, wrong, each("pitch_per_turn", "0.25 m"))
        yield _of_mirror("backlash in mm", kind, wrong, each("backlash", "2 mm"))
        yield _of_mirror("height tolerance in mm", kind, wrong, each("segment_height", "2 mm"))
        yield _of_mirror("tilt tolerance in mrad", kind, wrong, each("segment_tilt", "10 mrad"))
    for kind in ("Heron", "Dunlin", "Teal"):
        yield _of_mirror("segments overlap", kind, wrong, first_number("start", lambda v: f"{v - 40:g} mm", nth=1))
        yield _of_mirror("end before start", kind, wrong, first_number("end", lambda v: f"{v - 1200:g} mm"))
        yield _of_mirror("edge in m", kind, wrong, each("edge", "2 m"))
        yield _of_mirror("segment name twice", kind, wrong, lambda text: text.replace('"S02"', '"S01"', 1))
        yield _of_mirror(
            "other ellipse", kind, other, first_number("image_distance", lambda v: f"{0.8 * v:g} m"), named=False
        )
    for kind in ("Heron", "Curlew"):
        yield _of_mirror("x_offset", kind, SHIFTED, each("x_offset", "12 mm"), named=False)
        yield _of_mirror("x_direction", kind, REVERSED, _upstream, named=False)
        warm = each("reference_temperature", "293 degC")
        yield _of_mirror("reference in degC as K", kind, frozenset({"temperature"}), warm)
    for kind in ("Heron", "Curlew", "Dunlin", "Wigeon"):
        yield _of_mirror("half as many segments", kind, frozenset({"other mirror"}), _as_many(0.5), named=False)
        yield _of_mirror("twice as many segments", kind, frozenset({"other mirror"}), _as_many(2.0), named=False)
    for kind in ("Heron", "Wigeon"):
        yield _of_mirror(
            "expansion per mK",
            kind,
            wrong,
            with_line("[measurement]", 'temperature = "21 degC"\nexpansion = "5e-4 / K"'),
        )


def _upstream(text: str) -> str:
    return text.replace('"downstream"', '"upstream"')


def _as_many(factor: float) -> Callable[[str], str]:
    """The file of a mirror of the same length with segments of another."""

    def spoil(text: str) -> str:
        name = re.search(r'name = "([^"]*)"', text)
        assert name is not None
        kind = KINDS[name[1]]
        return mirror_text(replace(kind, segments=int(kind.segments * factor), pitch=kind.pitch / factor).mirror)

    return spoil


def round_slips() -> Iterator[Slip]:
    """Mistakes that only an earlier round can tell."""
    for kind, number in (("Heron", 2), ("Curlew", 5), ("Dunlin", 11), ("Wigeon", 4), ("Teal", 2)):
        wrong = frozenset({"segment reversed"})
        yield _of_round(f"segment {number + 1} turned", kind, wrong, pieces_turned(number))
        wrong = frozenset({"segments swapped"})
        yield _of_round(f"segments {number + 1}, {number + 2} swapped", kind, wrong, pieces_swapped(number, number + 1))
        wrong = frozenset({"segment replaced"})
        yield _of_round(f"segment {number + 1} replaced", kind, wrong, replaced(number))
        yield _of_round("another mirror of this make", kind, frozenset({"other mirror"}), another)
        yield _of_round("x moved by 3 mm", kind, SHIFTED, None, x_moved(3e-3))
        yield _of_round("x moved by -4 mm", kind, SHIFTED, None, x_moved(-4e-3))
    stale = frozenset({"stale data"})
    for kind in ("Heron", "Curlew", "Avocet", "Wigeon", "Teal", "Stint"):
        yield _stale("the old profile", kind, stale, lambda profile, _: profile)
        yield _stale("the old profile, rounded", kind, stale, _rounded)
        yield _stale("every second point of the old one", kind, stale, lambda profile, _: profile)
        yield _stale("the old profile, laid down anew", kind, stale, _relaid)
    for name, spoil in (
        ("another mirror's name", lambda text: text.replace("Heron", "Egret", 1)),
        ("other p", first_number("source_distance", lambda v: f"{v * 1.01:g} m")),
        ("an adjuster's x", first_number("x", lambda v: f"{v + 30:g} mm")),
        ("a screw's hand", lambda text: text.replace('"clockwise"', '"anticlockwise"', 1)),
        ("other spans", first_number("end", lambda v: f"{v - 5:g} mm", nth=2)),
    ):
        yield _of_record(name, spoil)


def _rounded(profile: Profile, _: Mirror) -> Profile:
    """To a tenth of the noise."""
    assert profile.sigma is not None
    digit = 10.0 ** np.floor(np.log10(profile.sigma[0] / 10))
    return replace(profile, values=np.round(profile.values / digit) * digit)


def _relaid(profile: Profile, _: Mirror) -> Profile:
    if profile.quantity == "slope":
        return replace(profile, values=profile.values + 13e-6)
    return replace(profile, values=profile.values + 20e-6 + 13e-6 * profile.x)


def _stale(name: str, kind: str, kinds: frozenset[str], spoil: Spoil) -> Slip:
    def run(folder: Path) -> frozenset[str]:
        rng = _seeded(f"{name} {kind}")
        first = drawn(KINDS[kind], rng)
        profile = first.measured(rng)
        then = place_profile(profile, first.mirror)
        again = spoil(profile, first.mirror)
        if "second" in name:
            again = again.part(0, len(again))
            keep = np.arange(0, len(again.x), 2)
            assert again.segment is not None
            assert again.sigma is not None
            again = replace(
                again,
                x=again.x[keep],
                values=again.values[keep],
                sigma=again.sigma[keep],
                segment=again.segment[keep],
            )
        return evaluated(folder, mirror_text(first.moved(rng).mirror), profile_text(again), ("round 1", then))

    return Slip(name=f"{kind}: {name}", kinds=kinds, run=run)


def _of_record(name: str, spoil: Callable[[str], str]) -> Slip:
    """Another mirror file for the second round in a record."""

    def run(folder: Path) -> frozenset[str]:
        place = folder / f"{next(_numbers)}"
        place.mkdir()
        rng = _seeded(name)
        surface = drawn(KINDS["Heron"], rng)
        when = datetime(2030, 1, 1, tzinfo=UTC)
        for number in range(2):
            (place / "profile.csv").write_text(profile_text(surface.measured(rng)))
            text = mirror_text(surface.mirror)
            (place / "mirror.toml").write_text(spoil(text) if number else text)
            try:
                done = run_job(
                    place / "mirror.toml",
                    [place / "profile.csv"],
                    place,
                    when=when + timedelta(days=number),
                    force=True,
                )
            except EllipsefitError:
                return frozenset({REFUSED if number else "first round"})
        return frozenset(item.kind for item in done.fit.checked.suspicions)

    return Slip(name=f"record: {name}", kinds=frozenset({"mirror file"}), run=run)


def scan_slips() -> Iterator[Slip]:
    """Mistakes in raw scans."""

    def short_carriage(scan: Scan, n: int) -> Scan:
        return replace(scan, carriage=np.asarray(scan.carriage) * 1e-3) if n == 0 else scan

    spoilers: dict[str, tuple[frozenset[str], Callable[[Scan, int], Scan]]] = {
        "wrong sign": (frozenset({"sign"}), lambda scan, _: replace(scan, values=-scan.values)),
        "one in mm": (UNIT, lambda scan, n: replace(scan, values=scan.values * 1e3) if n == 3 else scan),
        "one back to front": (REVERSED, lambda scan, n: replace(scan, values=scan.values[::-1]) if n == 2 else scan),
        "x back to front": (REVERSED, lambda scan, n: replace(scan, x=-scan.x) if n == 5 else scan),
        "direction": (
            REVERSED,
            lambda scan, n: replace(scan, direction="backward") if scan.direction == "forward" and n == 4 else scan,
        ),
        "one 3 K warmer": (
            frozenset({"temperature"}),
            lambda scan, n: replace(scan, temperature=np.full(len(scan.x), 293.15 + 3.0 * (n == 1))),
        ),
        "degC as K": (
            frozenset({"temperature"}),
            lambda scan, _: replace(scan, temperature=np.full(len(scan.x), 20.0)),
        ),
        "not the temperature of the mirror file": (
            frozenset({"temperature"}),
            lambda scan, _: replace(scan, temperature=np.full(len(scan.x), 297.0)),
        ),
        "the same scan twice": (frozenset({"stale data"}), lambda scan, _: scan),
        "x moved by 9 mm": (SHIFTED, lambda scan, _: replace(scan, x=scan.x + 9e-3, segment=None)),
        "carriage in mm": (UNIT, short_carriage),
        "x in mm": (UNIT, lambda scan, _: replace(scan, x=scan.x * 1e3)),
    }
    for name, (kinds, spoil) in spoilers.items():
        yield _of_scans(name, kinds, spoil)


def _of_scans(name: str, kinds: frozenset[str], spoil: Callable[[Scan, int], Scan]) -> Slip:
    def run(_: Path) -> frozenset[str]:
        rng = _seeded(name)
        mirror = invented_mirror(segments=6, length=3.0)
        how = Measurement(temperature=293.15, expansion=9e-6, x_uncertainty=0.2e-3)
        mirror = replace(mirror, measurement=how)
        scans = simulate_scans(mirror, hidden_state(mirror, rng), rng, reach=1.4, places=4)
        spoilt = [spoil(scan, number) for number, scan in enumerate(scans)]
        if name == "the same scan twice":
            spoilt.append(replace(scans[0], name="again"))
        try:
            done = stitch(spoilt, mirror)
            fit = fit_ellipse(done.profile, mirror, suspected=done.suspicions)
        except EllipsefitError:
            return frozenset({REFUSED})
        return frozenset(item.kind for item in fit.checked.suspicions)

    return Slip(name=f"scans: {name}", kinds=kinds, run=run)


def survey_slips() -> Iterator[Slip]:
    """Mistakes in surveys."""
    names, frame = frozenset({"target names"}), frozenset({"frame"})

    pairs = (("T1", "T2"), ("T3", "T8"), ("T4", "T5"), ("T6", "T7"), ("T1", "T8"), ("T2", "T4"))

    def swap(one: str, other: str) -> Callable[[Survey, Carrier], Survey]:
        table = {one: other, other: one}
        return lambda survey, _: replace(survey, points=tuple(table.get(p, p) for p in survey.points))

    def turned_names(survey: Survey, carrier: Carrier) -> Survey:
        order = [target.name for target in carrier.targets]
        table = dict(zip(order, [*order[1:], order[0]], strict=True))
        return replace(survey, points=tuple(table.get(p, p) for p in survey.points))

    def strangers(survey: Survey, _: Carrier) -> Survey:
        return replace(survey, points=tuple(f"X{point}" for point in survey.points))

    def coordinates(change: Callable[[Array], Array]) -> Callable[[Survey, Carrier], Survey]:
        return lambda survey, _: replace(survey, coordinates=change(np.array(survey.coordinates)))

    def in_carrier_frame(survey: Survey, carrier: Carrier) -> Survey:
        return replace(survey, coordinates=survey.coordinates - carrier.nominal.translation)

    spoilers: dict[str, tuple[frozenset[str], Callable[[Survey, Carrier], Survey]]] = {
        **{f"{one} and {other} exchanged": (names, swap(one, other)) for one, other in pairs},
        "names one further": (names, turned_names),
        "mm as m": (frozenset({"unit"}), coordinates(lambda x: x * 1e3)),
        "um as mm": (frozenset({"unit"}), coordinates(lambda x: x * 1e-3)),
        "left-handed": (frame, coordinates(lambda x: x * [1, -1, 1])),
        "y and z exchanged": (frame, coordinates(lambda x: x[:, [0, 2, 1]])),
        "x and y exchanged": (frame, coordinates(lambda x: x[:, [1, 0, 2]])),
        "frame of the carrier": (frame, in_carrier_frame),
        "another origin": (frame, coordinates(lambda x: x - [0.0, 0.0, 1.25])),
        "another origin along the beam": (frame, coordinates(lambda x: x + np.array([2.5, 0.0, 0.0]))),
        "x against the beam": (frame, coordinates(lambda x: x * [-1, -1, 1])),
        "degC as K": (frozenset({"temperature"}), lambda survey, _: replace(survey, temperature=20.0)),
        "another carrier's targets": (names, strangers),
    }
    for name, (kinds, spoil) in spoilers.items():
        for seed in range(2):
            yield _of_survey(name, kinds, spoil, seed)


def _of_survey(name: str, kinds: frozenset[str], spoil: Callable[[Survey, Carrier], Survey], seed: int) -> Slip:
    def run(_: Path) -> frozenset[str]:
        carrier = invented_carrier()
        rng = _seeded(f"{name} {seed}")
        pose = carrier.nominal.moved(rng.normal(0, [1e-4] * 3 + [3e-5] * 3))
        try:
            placed = place_carrier(carrier, spoil(simulate_survey(carrier, pose, rng), carrier))
        except EllipsefitError:
            return frozenset({REFUSED})
        return frozenset(item.kind for item in placed.suspicions)

    return Slip(name=f"survey {seed + 1}: {name}", kinds=kinds, run=run)


def screw_slips() -> Iterator[Slip]:
    """Screws that go the other way, found by a round or by test moves."""
    for seed in range(12):
        yield _of_screw(seed)


def _of_screw(seed: int) -> Slip:
    def run(_: Path) -> frozenset[str]:
        rng = np.random.default_rng([41, seed])
        mirror = small_mirror()
        faults = perfect(mirror)
        matrix = np.array(faults.matrix)
        keys = list(adjusters_of(mirror))
        wrong = int(rng.integers(len(keys)))
        matrix[:, wrong] *= -1
        before = practice_mirror(rng, mirror=mirror, faults=replace(faults, matrix=matrix))
        orders = orders_for(mirror, rng.choice([-1.0, 1.0], len(keys)) * rng.uniform(12e-6, 40e-6, len(keys)))
        after = before.moved(orders)
        found = compare_round(orders, seen_change(before, after, rng))
        named = [item.mistake for item in found.findings if item.sure]
        return frozenset(mistake.kind for mistake in named if mistake.screw == keys[wrong])

    return Slip(name=f"screw of wrong hand {seed + 1}", kinds=frozenset({"wrong-handed"}), run=run)


@cache
def all_slips() -> tuple[Slip, ...]:
    """Every mistake, each once."""
    found = (*profile_slips(), *mirror_slips(), *round_slips(), *scan_slips(), *survey_slips(), *screw_slips())
    assert len({slip.name for slip in found}) == len(found)
    return found


#: Mirrors of the clean campaigns: those above, and others.
CLEAN = (
    *KINDS.values(),
    Kind(name="Plain", nominal=(8.0, 8.0, 22e-3), segments=10, pitch=0.45),  # p = q
    Kind(name="Pair", nominal=(13.0, 8.5, 19e-3), segments=2, pitch=0.5),
    Kind(name="Loose", nominal=(12.0, 8.0, 20e-3), segments=18, pitch=0.5, spreads=(20e-6, 80e-6)),
    Kind(name="Rough", nominal=(12.0, 8.0, 20e-3), segments=9, pitch=0.5, figure=400e-9, form=400e-9, wave=20e-3),
    Kind(name="Noisy", nominal=(12.0, 8.0, 20e-3), segments=12, pitch=0.4, noise=500e-9),
    Kind(name="Coarse", nominal=(11.0, 7.0, 18e-3), segments=12, pitch=0.5, step=10e-3),
    Kind(name="Flat", nominal=(60.0, 40.0, 2e-3), segments=6, pitch=0.2, form=50e-9, spreads=(2e-6, 10e-6)),
    Kind(name="Steep", nominal=(5.0, 2.5, 30e-3), segments=8, pitch=0.3, quantity="slope", noise=3e-7, figure=1e-6),
)


def clean_campaign(number: int) -> tuple[str, frozenset[str]]:
    """One campaign without a mistake: what is said of it, by its kind."""
    rng = np.random.default_rng([2029, number])
    if number % 10 == 9:
        return "survey", _clean_survey(rng)
    if number % 50 == 8:
        return "scans", _clean_scans(rng)
    kind = CLEAN[number % len(CLEAN)]
    surface = drawn(kind, rng)
    earlier: list[tuple[str, PlacedProfile]] = []
    if rng.random() < 0.6:
        for before in range(int(rng.integers(1, 3))):
            earlier.append((f"round {before + 1}", place_profile(surface.measured(rng), surface.mirror)))
            surface = surface.moved(rng)
    profile = surface.measured(rng)
    if rng.random() < 0.3:  # without names, from a few points less, or with dirt
        profile = replace(profile, segment=None)
    if rng.random() < 0.3:
        values = profile.values.copy()
        dirty = rng.choice(len(values), 10, replace=False)
        values[dirty] += rng.choice([-1, 1], 10) * rng.uniform(20, 100, 10) * kind.noise
        profile = replace(profile, values=values)
    if rng.random() < 0.3:
        kept = np.sort(rng.choice(len(profile.x), int(0.97 * len(profile.x)), replace=False))
        assert profile.sigma is not None
        profile = replace(
            profile,
            x=profile.x[kept],
            values=profile.values[kept],
            sigma=profile.sigma[kept],
            segment=None if profile.segment is None else profile.segment[kept],
        )
    if rng.random() < 0.2:
        profile = replace(profile, sigma=None)
    try:
        fit = fit_ellipse(profile, surface.mirror, earlier=earlier)
        plan_corrections(fit)
    except EllipsefitError as fault:
        return kind.name, frozenset({f"{REFUSED}: {fault}"})
    return kind.name, frozenset(str(item) for item in fit.checked.suspicions)


def _clean_survey(rng: np.random.Generator) -> frozenset[str]:
    carrier = invented_carrier()
    pose = carrier.nominal.moved(rng.normal(0, [3e-4] * 3 + [1e-4] * 3))
    places = np.array([target.position + rng.normal(0, target.sigma) for target in carrier.targets])
    survey = simulate_survey(carrier, pose, rng, temperature=float(rng.uniform(290, 297)), fiducials=places)
    try:
        return frozenset(str(item) for item in place_carrier(carrier, survey).suspicions)
    except EllipsefitError as fault:
        return frozenset({f"{REFUSED}: {fault}"})


def _clean_scans(rng: np.random.Generator) -> frozenset[str]:
    mirror = replace(invented_mirror(segments=6, length=3.0), measurement=Measurement(x_uncertainty=0.2e-3))
    scans = simulate_scans(mirror, hidden_state(mirror, rng), rng, reach=1.4, places=4)
    try:
        done = stitch(scans, mirror)
        fit = fit_ellipse(done.profile, mirror, suspected=done.suspicions)
    except EllipsefitError as fault:
        return frozenset({f"{REFUSED}: {fault}"})
    return frozenset(str(item) for item in fit.checked.suspicions)
