"""The mirror file (TOML): nominal ellipse, tolerances, measurement, segments and adjusters."""

from __future__ import annotations

import json
import math
import os
from typing import Any

import numpy as np
from pydantic import Field

from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import FileFormatError, ParameterError, UnitError
from ellipsefit.files.safe import new_file
from ellipsefit.files.toml import (
    Density,
    Distance,
    Expansion,
    GrazingAngle,
    Length,
    Name,
    Number,
    Pressure,
    Range,
    Table,
    Temperature,
    TemperatureDifference,
    Terms,
    built,
    load_toml,
    parse_toml,
    table_faults,
)
from ellipsefit.mirror import Adjuster, Deflection, Direction, Measurement, Mirror, Segment, Support, Tolerance, Turn
from ellipsefit.units import KINDS, parse_quantity, unit_factor


class EllipseTable(Table):
    """The nominal ellipse."""

    source_distance: Distance
    image_distance: Distance
    grazing_angle: GrazingAngle


class ToleranceTable(Table):
    """How far the target may be re-chosen, and what is acceptable."""

    source_distance: Distance | None = None
    image_distance: Distance | None = None
    grazing_angle: GrazingAngle | None = None
    segment_height: Distance | None = None
    segment_tilt: GrazingAngle | None = None


class SupportTable(Table):
    """How each segment rests while it is scanned."""

    from_end: Length
    thickness: Distance
    modulus: Pressure
    density: Density
    uncertainty: Number = 0.1


class MeasurementTable(Table):
    """How the scan lies on the mirror."""

    x_direction: Direction = "downstream"
    x_offset: Length = 0.0
    x_uncertainty: Length = 0.0
    x_scale_uncertainty: Number = 0.0
    gain_uncertainty: Number = 0.0
    sag: Length = 0.0
    sag_uncertainty: Length = 0.0
    temperature_uncertainty: TemperatureDifference = 0.0
    temperature: Temperature | None = None
    reference_temperature: Temperature = 293.15
    expansion: Expansion | None = None
    support: SupportTable | None = None


class AdjusterTable(Table):
    """One adjuster of a segment."""

    name: Name
    x: Length
    y: Length = 0.0
    travel: Range
    position: Length = 0.0
    resolution: Length = 0.0
    backlash: Length = 0.0
    raises: Turn | None = None
    pitch_per_turn: Length | None = None
    gain_error: Number | None = None


class SegmentTable(Table):
    """One segment."""

    name: Name
    start: Length
    end: Length
    edge: Length = 0.0
    coating_m: Number | None = None
    form: Terms | None = None
    form_uncertainty: Terms | None = None
    adjuster: list[AdjusterTable] = Field(default_factory=list)


class MirrorTable(Table):
    """The whole file."""

    name: Name
    deflection: Deflection | None = None
    ellipse: EllipseTable
    tolerance: ToleranceTable = ToleranceTable()
    measurement: MeasurementTable = MeasurementTable()
    segment: list[SegmentTable] = Field(default_factory=list)


def read_mirror(path: str | os.PathLike[str]) -> Mirror:
    """Mirror from its file.

    Parameters
    ----------
    path : path
        TOML file; every dimensional quantity is a string with a unit.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    FileFormatError
        For the first fault; the text names file, key, what was got and what was expected.
    """
    return _checked(load_toml(path), path)


def mirror_from_text(text: str, path: str | os.PathLike[str]) -> Mirror:
    """Mirror from the text of its file, as a record keeps it; `path` is named if something is wrong."""
    return _checked(parse_toml(text.encode("utf-8"), path), path)


def _checked(data: dict[str, Any], path: str | os.PathLike[str]) -> Mirror:
    return built(data, MirrorTable, _mirror, path)


def mirror_faults(path: str | os.PathLike[str]) -> tuple[str, ...]:
    """Everything that is wrong with a mirror file, a sentence each; empty: nothing.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    """
    try:
        faults = table_faults(load_toml(path), MirrorTable, path)
        if not faults:
            read_mirror(path)
    except FileFormatError as error:
        return (str(error),)
    return faults


def _mirror(table: MirrorTable) -> Mirror:
    nominal = Ellipse(table.ellipse.source_distance, table.ellipse.image_distance, table.ellipse.grazing_angle)
    return Mirror(
        name=table.name,
        deflection=table.deflection,
        nominal=nominal,
        tolerance=Tolerance(**table.tolerance.model_dump()),
        measurement=_measurement(table.measurement),
        segments=tuple(_segment(segment) for segment in table.segment),
    )


def _measurement(table: MeasurementTable) -> Measurement:
    support = None if table.support is None else Support(**table.support.model_dump())
    return Measurement(support=support, **table.model_dump(exclude={"support"}))


def _segment(table: SegmentTable) -> Segment:
    try:
        adjusters = tuple(Adjuster(**adjuster.model_dump()) for adjuster in table.adjuster)
    except ParameterError as error:
        raise ParameterError(f"segment '{table.name}', {error}") from None
    return Segment(adjusters=adjusters, **table.model_dump(exclude={"adjuster"}))


def write_mirror(mirror: Mirror, path: str | os.PathLike[str], *, force: bool = False) -> None:
    """Write a mirror file that reads back to an equal mirror.

    Raises
    ------
    ParameterError
        If a focal distance is infinite: a mirror file can't tell that.
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    text = mirror_text(mirror)
    with new_file(path, force=force) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


def mirror_text(mirror: Mirror) -> str:
    """Mirror as the text of its file, in the units that people use for each key."""
    nominal, tolerance, measurement = mirror.nominal, mirror.tolerance, mirror.measurement
    lines = [f"name = {_string(mirror.name)}"]
    if mirror.deflection is not None:
        lines.append(f"deflection = {_string(mirror.deflection)}")
    lines += ["", "[ellipse]"]
    lines += _quantities(
        ("source_distance", nominal.p, "m", "length"),
        ("image_distance", nominal.q, "m", "length"),
        ("grazing_angle", nominal.theta, "mrad", "angle"),
    )
    lines += _section(
        "[tolerance]",
        ("source_distance", tolerance.source_distance, "mm", "length"),
        ("image_distance", tolerance.image_distance, "mm", "length"),
        ("grazing_angle", tolerance.grazing_angle, "urad", "angle"),
        ("segment_height", tolerance.segment_height, "um", "length"),
        ("segment_tilt", tolerance.segment_tilt, "urad", "angle"),
    )
    if measurement != Measurement():
        lines += ["", "[measurement]", f"x_direction = {_string(measurement.x_direction)}"]
        lines += _quantities(
            ("x_offset", measurement.x_offset, "mm", "length"),
            ("x_uncertainty", measurement.x_uncertainty, "mm", "length"),
            ("sag", measurement.sag or None, "nm", "length"),
            ("sag_uncertainty", measurement.sag_uncertainty or None, "nm", "length"),
            (
                "temperature_uncertainty",
                measurement.temperature_uncertainty or None,
                "K",
                "temperature difference",
            ),
            ("temperature", measurement.temperature, "degC", "temperature"),
            ("reference_temperature", measurement.reference_temperature, "degC", "temperature"),
            ("expansion", measurement.expansion, "1/K", "expansion"),
        )
        for key in ("x_scale_uncertainty", "gain_uncertainty"):
            if getattr(measurement, key):
                lines.append(f"{key} = {getattr(measurement, key)!r}")
    if measurement.support is not None:
        support = measurement.support
        lines += _section(
            "[measurement.support]",
            ("from_end", support.from_end, "mm", "length"),
            ("thickness", support.thickness, "mm", "length"),
            ("modulus", support.modulus, "GPa", "pressure"),
            ("density", support.density, "kg/m^3", "density"),
        )
        lines.append(f"uncertainty = {float(support.uncertainty)!r}")
    for segment in mirror.segments:
        lines += ["", *_segment_lines(segment)]
    return "\n".join(lines) + "\n"


def _segment_lines(segment: Segment) -> list[str]:
    lines = ["[[segment]]", f"name = {_string(segment.name)}"]
    lines += _quantities(
        ("start", segment.start, "mm", "length"),
        ("end", segment.end, "mm", "length"),
        ("edge", segment.edge or None, "mm", "length"),
    )
    if segment.coating_m is not None:
        lines.append(f"coating_m = {segment.coating_m!r}")
    for key, terms in (("form", segment.form), ("form_uncertainty", segment.form_uncertainty)):
        if terms is not None:
            lines.append(f"{key} = [{', '.join(_string(_quantity_text(term, 'nm', 'length')) for term in terms)}]")
    for adjuster in segment.adjusters:
        low, high = (_quantity_text(end, "um", "length") for end in adjuster.travel)
        own = [f"name = {_string(adjuster.name)}"]
        own += _quantities(("x", adjuster.x, "mm", "length"), ("y", adjuster.y or None, "mm", "length"))
        own += [f"travel = [{_string(low)}, {_string(high)}]"]
        own += _quantities(
            ("position", adjuster.position, "um", "length"),
            ("resolution", adjuster.resolution or None, "um", "length"),
            ("backlash", adjuster.backlash or None, "um", "length"),
        )
        if adjuster.raises is not None:
            own.append(f"raises = {_string(adjuster.raises)}")
        own += _quantities(("pitch_per_turn", adjuster.pitch_per_turn, "mm", "length"))
        if adjuster.gain_error is not None:
            own.append(f"gain_error = {float(adjuster.gain_error)!r}")
        lines += ["", "  [[segment.adjuster]]", *(f"  {line}" for line in own)]
    return lines


def _section(title: str, *entries: tuple[str, float | None, str, str]) -> list[str]:
    lines = _quantities(*entries)
    return ["", title, *lines] if lines else []


def _quantities(*entries: tuple[str, float | None, str, str]) -> list[str]:
    return [
        f"{key} = {_string(_quantity_text(value, unit, kind))}"
        for key, value, unit, kind in entries
        if value is not None
    ]


def _quantity_text(value: float, unit: str, kind: str) -> str:
    """Shortest text in this unit that reads back to the very same number; if there is none, in SI."""
    if not math.isfinite(value):
        raise ParameterError(f"{value!r} cannot be written to a mirror file; expected a finite {kind}")
    factor, offset = unit_factor(unit, kind)
    for digits in range(1, 18):
        number = float(f"{(value - offset) / factor:.{digits}g}")
        plain = np.format_float_positional(number, trim="-") if kind != "expansion" else f"{number:g}"
        text = f"{plain} {unit}" if kind != "expansion" else f"{number!r} / K"
        try:
            if parse_quantity(text, kind) == value:
                return text
        except UnitError:  # the text is a number with a unit by its making, but may overflow
            break
    return f"{value!r} {KINDS[kind][0]}"


def _string(text: str) -> str:
    """TOML basic string: its escapes are those of JSON, and DEL must be escaped, too."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
