"""The carrier file (TOML): targets, mirror, mount, tolerances of the foci and where the carrier should stand."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Annotated, Any, Final

import numpy as np
from pydantic import AfterValidator, BeforeValidator, Field

from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import DataError, FileFormatError, ParameterError, UnitError
from ellipsefit.files.mirror import read_mirror
from ellipsefit.files.safe import new_file, read_bytes
from ellipsefit.files.toml import (
    Angle,
    Distance,
    Expansion,
    GrazingAngle,
    Length,
    Name,
    Number,
    Table,
    Temperature,
    check_table,
    load_toml,
    table_faults,
)
from ellipsefit.place.carrier import Carrier, FocusTolerance, MeasuredFoci, MountedMirror, Target
from ellipsefit.place.mount import Contact, Mount
from ellipsefit.place.pose import Pose
from ellipsefit.units import KINDS, parse_quantity, unit_factor


def _three(example: str, *, one: bool = False) -> Callable[[object], object]:
    def check(value: object) -> object:
        if one and isinstance(value, str):
            return (value, value, value)
        if not isinstance(value, list) or len(value) != 3:
            wanted = f"three values, along x, y and z, such as {example}"
            raise ValueError(f"got {value!r}; expected {f'one value or {wanted}' if one else wanted}"[:300])
        return tuple(value)

    return check


def _positive_three(value: tuple[float, float, float]) -> tuple[float, float, float]:
    if min(value) <= 0:
        raise ValueError(f"got {min(value):g} in SI units; expected values above 0")
    return value


def _quantity(kind: str) -> Callable[[object], float]:
    def parse(value: object) -> float:
        return parse_quantity(value, kind)

    return parse


_POSITIONS: Final = '["1200 mm", "0 mm", "350 mm"]'
_ANGLES: Final = '["0 deg", "0 deg", "0 deg"]'
_DIRECTION: Final = "[0, 0, 1]"
Position = Annotated[
    tuple[Length, Length, Length],
    BeforeValidator(_three(_POSITIONS)),
    Field(description=f"three lengths, along x, y and z, such as {_POSITIONS}"),
]
Spread = Annotated[
    tuple[Length, Length, Length],
    BeforeValidator(_three(_POSITIONS, one=True)),
    Field(description="one length or three, such as '20 um'"),
]
Limits = Annotated[Spread, AfterValidator(_positive_three)]
Turns = Annotated[
    tuple[Angle, Angle, Angle],
    BeforeValidator(_three(_ANGLES)),
    Field(description=f"a rotation vector, three angles such as {_ANGLES}"),
]
Toss = Annotated[
    tuple[Angle, Angle, Angle],
    BeforeValidator(_three(_ANGLES, one=True)),
    Field(description="one angle or three, such as '5 urad'"),
]
Heading = Annotated[
    tuple[Number, Number, Number],
    BeforeValidator(_three(_DIRECTION)),
    Field(description=f"a direction, three bare numbers such as {_DIRECTION}"),
]


def _two_angles(value: object) -> object:
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError(f'got {value!r}; expected two angles, lowest and highest, such as ["-80 deg", "80 deg"]'[:300])
    return tuple(value)


AngleRange = Annotated[
    tuple[Angle, Angle],
    BeforeValidator(_two_angles),
    Field(description='two angles, lowest and highest, such as ["-80 deg", "80 deg"]'),
]
Mass = Annotated[float, BeforeValidator(_quantity("mass")), Field(description="a mass such as '1800 kg'")]
Force = Annotated[float, BeforeValidator(_quantity("force")), Field(description="a force such as '200 N'")]


class MirrorOnCarrier(Table):
    """The mirror, and how it sits on the carrier."""

    file: Name | None = None
    source_distance: Distance | None = None
    image_distance: Distance | None = None
    grazing_angle: GrazingAngle | None = None
    fit: Name | None = None
    record: Name | None = None
    profile: Name | None = None
    position: Position = (0.0, 0.0, 0.0)
    rotation: Turns = (0.0, 0.0, 0.0)
    position_uncertainty: Spread = (0.0, 0.0, 0.0)
    rotation_uncertainty: Toss = (0.0, 0.0, 0.0)


class HallTable(Table):
    """Where the carrier should stand in the hall."""

    position: Position = (0.0, 0.0, 0.0)
    rotation: Turns = (0.0, 0.0, 0.0)


class FocusToleranceTable(Table):
    """How far the foci may be from nominal, along hall x, y, z."""

    source: Limits | None = None
    image: Limits | None = None


class TargetTable(Table):
    """A target or a reference point."""

    name: Name
    position: Position
    uncertainty: Spread = (0.0, 0.0, 0.0)


class ContactTable(Table):
    """One contact of the mount."""

    name: Name
    point: Position
    normal: Heading
    eccentricity: Length = 0.0
    angle: Angle = 0.0
    range: AngleRange = (-np.pi / 2, np.pi / 2)
    wheel_radius: Length = 0.0
    tangent: Heading | None = None
    resolution: Angle = 0.0
    phase: Angle = 0.0
    preload: Force = 0.0
    pulls: bool = False


class MountTable(Table):
    """The mount."""

    mass: Mass | None = None
    centre_of_gravity: Position | None = None
    friction: Number = 0.1
    contact: list[ContactTable] = Field(default_factory=list)


class CarrierTable(Table):
    """The whole file."""

    name: Name
    expansion: Expansion | None = None
    reference_temperature: Temperature = 293.15
    mirror: MirrorOnCarrier
    hall: HallTable = HallTable()
    tolerance: FocusToleranceTable = FocusToleranceTable()
    target: list[TargetTable] = Field(default_factory=list)
    reference: list[TargetTable] = Field(default_factory=list)
    mount: MountTable | None = None


def read_carrier(path: str | os.PathLike[str]) -> Carrier:
    """Carrier from its file.

    Files that it names are found beside it. A `profile` is fitted on the spot, with the defaults of `fit_ellipse`.

    Raises
    ------
    FileMissingError
        If it, or a file that it names, cannot be opened.
    FileFormatError
        For the first fault; the text names file, key, what was got and what was expected.
    """
    table = check_table(load_toml(path), CarrierTable, path)
    try:
        return _carrier(table, Path(path).parent)
    except (ParameterError, DataError) as error:
        raise FileFormatError(f"{path}: {error}") from None


def looks_like_carrier(path: str | os.PathLike[str]) -> bool:
    """Whether a file is meant to be a carrier file: TOML with targets, or a mirror that it speaks of as a table."""
    try:
        content = load_toml(path)
    except FileFormatError:
        return False
    return "ellipse" not in content and ("target" in content or isinstance(content.get("mirror"), dict))


def carrier_faults(path: str | os.PathLike[str]) -> tuple[str, ...]:
    """Everything that is wrong with a carrier file, a sentence each; empty: nothing.

    Raises
    ------
    FileMissingError
        If it, or a file that it names, cannot be opened.
    """
    try:
        faults = table_faults(load_toml(path), CarrierTable, path)
        if not faults:
            read_carrier(path)
    except FileFormatError as error:
        return (str(error),)
    return faults


def _carrier(table: CarrierTable, folder: Path) -> Carrier:
    if not table.target:
        raise ParameterError("has no [[target]]; expected at least three, not in one line")
    tolerance = table.tolerance
    limits = {
        name: np.full(3, np.inf) if getattr(tolerance, name) is None else np.array(getattr(tolerance, name))
        for name in ("source", "image")
    }
    return Carrier(
        name=table.name,
        targets=tuple(_target(target) for target in table.target),
        references=tuple(_target(target) for target in table.reference),
        mirror=_mirror(table, folder),
        nominal=Pose(np.array(table.hall.position), np.array(table.hall.rotation)),
        mount=None if table.mount is None else _mount(table.mount),
        tolerance=FocusTolerance(source=limits["source"], image=limits["image"]),
        expansion=table.expansion,
        reference_temperature=table.reference_temperature,
    )


def _target(table: TargetTable) -> Target:
    return Target(name=table.name, position=np.array(table.position), sigma=np.array(table.uncertainty))


def _mirror(table: CarrierTable, folder: Path) -> MountedMirror:
    entry = table.mirror
    distances = {name: getattr(entry, name) for name in ("source_distance", "image_distance", "grazing_angle")}
    given = [name for name, value in distances.items() if value is not None]
    if entry.file is not None:
        if given:
            raise ParameterError(f"mirror: names a file and {given[0]}, too; expected one of them")
        mirror = read_mirror(folder / entry.file)
        name, nominal = mirror.name, mirror.nominal
    elif len(given) == 3:
        name = table.name
        nominal = Ellipse(distances["source_distance"], distances["image_distance"], distances["grazing_angle"])
    else:
        missing = next(name for name, value in distances.items() if value is None)
        raise ParameterError(f"mirror: the key '{missing}' is missing; expected it, or 'file', the mirror file")
    return MountedMirror(
        name=name,
        nominal=nominal,
        pose=Pose(np.array(entry.position), np.array(entry.rotation)),
        sigma=np.array([*entry.position_uncertainty, *entry.rotation_uncertainty]),
        measured=_measured(entry, folder),
    )


def _measured(entry: MirrorOnCarrier, folder: Path) -> MeasuredFoci | None:
    given = [name for name in ("fit", "record", "profile") if getattr(entry, name) is not None]
    if len(given) > 1:
        raise ParameterError(f"mirror: names a {given[0]} and a {given[1]}; expected one of them")
    if entry.fit is not None:
        path = folder / entry.fit
        try:
            answer = json.loads(read_bytes(path).decode("utf-8"))
        except (ValueError, RecursionError):
            raise ParameterError(f"{path} is no JSON; expected what 'ellipsefit fit --json' writes") from None
        return MeasuredFoci.of_answer(answer, f"fit {entry.fit}")
    if entry.record is not None:
        from ellipsefit.files.record import read_fit_answer

        return MeasuredFoci.of_answer(read_fit_answer(folder / entry.record), f"record {entry.record}")
    if entry.profile is not None:
        if entry.file is None:
            raise ParameterError("mirror: names a profile, but no mirror file; expected 'file', too")
        from ellipsefit.files.registry import read_profile
        from ellipsefit.fit import fit_ellipse

        fit = fit_ellipse(read_profile(folder / entry.profile), read_mirror(folder / entry.file))
        return MeasuredFoci.of_fit(fit)
    return None


def _mount(table: MountTable) -> Mount:
    contacts = tuple(
        Contact(
            **{
                **contact.model_dump(),
                "point": np.array(contact.point),
                "normal": np.array(contact.normal),
                "tangent": None if contact.tangent is None else np.array(contact.tangent),
            }
        )
        for contact in table.contact
    )
    centre = table.centre_of_gravity
    return Mount(
        contacts=contacts,
        mass=table.mass,
        centre_of_gravity=None if centre is None else np.array(centre),
        friction=table.friction,
    )


# writing


def measured_in(path: str | os.PathLike[str]) -> Path | None:
    """The record, or HDF5 of a fit, that a carrier file takes its mirror's ellipse from; None: it names none."""
    table = load_toml(path).get("mirror")
    name = table.get("record") if isinstance(table, dict) else None
    return Path(path).parent / name if isinstance(name, str) else None


def write_carrier(
    carrier: Carrier, path: str | os.PathLike[str], *, mirror_file: str | None = None, force: bool = False
) -> None:
    """Write a carrier file; it reads back to the same carrier, but for what a fit of the mirror has added.

    Raises
    ------
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    text = carrier_text(carrier, mirror_file=mirror_file)
    with new_file(path, force=force) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


def carrier_text(carrier: Carrier, *, mirror_file: str | None = None) -> str:
    """Carrier as the text of its file; `mirror_file` names the mirror file instead of three numbers."""
    mirror, nominal = carrier.mirror, carrier.mirror.nominal
    lines = [f"name = {_string(carrier.name)}"]
    if carrier.expansion is not None:
        lines.append(f"expansion = {_string(f'{carrier.expansion!r} / K')}")
        lines.append(
            f"reference_temperature = {_quantity_string(carrier.reference_temperature, 'degC', 'temperature')}"
        )
    lines += ["", "[mirror]"]
    if mirror_file is not None:
        lines.append(f"file = {_string(mirror_file)}")
    else:
        lines.append(f"source_distance = {_quantity_string(nominal.p, 'm')}")
        lines.append(f"image_distance = {_quantity_string(nominal.q, 'm')}")
        lines.append(f"grazing_angle = {_quantity_string(nominal.theta, 'mrad', 'angle')}")
    lines += _placed(mirror.pose)
    if mirror.sigma[:3].any():
        lines.append(f"position_uncertainty = {_vector(mirror.sigma[:3], 'um')}")
    if mirror.sigma[3:].any():
        lines.append(f"rotation_uncertainty = {_vector(mirror.sigma[3:], 'urad', 'angle')}")
    lines += ["", "[hall]", *_placed(carrier.nominal)]
    tolerance = carrier.tolerance
    if tolerance.stated:
        lines += ["", "[tolerance]"]
        for name, limit in (("source", tolerance.source), ("image", tolerance.image)):
            if np.isfinite(limit).all():
                lines.append(f"{name} = {_vector(limit, 'um')}")
    for title, points in (("target", carrier.targets), ("reference", carrier.references)):
        for point in points:
            lines += [
                "",
                f"[[{title}]]",
                f"name = {_string(point.name)}",
                f"position = {_vector(point.position, 'mm')}",
            ]
            if point.sigma.any():
                one = len(set(point.sigma.tolist())) == 1
                spread = _quantity_string(float(point.sigma[0]), "um") if one else _vector(point.sigma, "um")
                lines.append(f"uncertainty = {spread}")
    if carrier.mount is not None:
        lines += _mount_lines(carrier.mount)
    return "\n".join(lines) + "\n"


def _mount_lines(mount: Mount) -> list[str]:
    lines = ["", "[mount]"]
    if mount.mass is not None:
        lines.append(f"mass = {_quantity_string(mount.mass, 'kg', 'mass')}")
    if mount.centre_of_gravity is not None:
        lines.append(f"centre_of_gravity = {_vector(mount.centre_of_gravity, 'mm')}")
    lines.append(f"friction = {float(mount.friction)!r}")
    for contact in mount.contacts:
        own = [
            f"name = {_string(contact.name)}",
            f"point = {_vector(contact.point, 'mm')}",
            f"normal = {_numbers(contact.normal)}",
        ]
        if not contact.fixed:
            own += [
                f"eccentricity = {_quantity_string(contact.eccentricity, 'mm')}",
                f"angle = {_quantity_string(contact.angle, 'deg', 'angle')}",
                f"range = [{', '.join(_quantity_string(end, 'deg', 'angle') for end in contact.range)}]",
                f"wheel_radius = {_quantity_string(contact.wheel_radius, 'mm')}",
                f"resolution = {_quantity_string(contact.resolution, 'deg', 'angle')}",
            ]
            if contact.phase:
                own.append(f"phase = {_quantity_string(contact.phase, 'deg', 'angle')}")
        if contact.tangent is not None:
            own.append(f"tangent = {_numbers(contact.tangent)}")
        if contact.preload:
            own.append(f"preload = {_quantity_string(contact.preload, 'N', 'force')}")
        if contact.pulls:
            own.append("pulls = true")
        lines += ["", "  [[mount.contact]]", *(f"  {line}" for line in own)]
    return lines


def _placed(pose: Pose) -> list[str]:
    lines = [f"position = {_vector(pose.translation, 'mm')}"]
    if pose.rotation.any():
        lines.append(f"rotation = {_vector(pose.rotation, 'mrad', 'angle')}")
    return lines


def _vector(values: FloatArray | Sequence[float], unit: str, kind: str = "length") -> str:
    return f"[{', '.join(_quantity_string(float(value), unit, kind) for value in values)}]"


def _numbers(values: FloatArray) -> str:
    return f"[{', '.join(repr(float(value) + 0.0) for value in values)}]"


def _quantity_string(value: float, unit: str, kind: str = "length") -> str:
    """Shortest text in this unit that reads back to the very same number; if there is none, in SI."""
    factor, offset = unit_factor(unit, kind)
    for digits in range(1, 18):
        plain = np.format_float_positional(float(f"{(value - offset) / factor:.{digits}g}") + 0.0, trim="-")
        try:
            if parse_quantity(f"{plain} {unit}", kind) == value:
                return _string(f"{plain} {unit}")
        except UnitError:
            break
    return _string(f"{value!r} {KINDS[kind][0]}")


def _string(text: Any) -> str:
    """TOML basic string: its escapes are those of JSON, and DEL must be escaped, too."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
