"""The beam file (TOML): where light comes from, where it is wanted, and what the mirror is coated with."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Annotated, Any, Final

from pydantic import BeforeValidator, Field

from ellipsefit.errors import FileFormatError, ParameterError, UnitError, shown
from ellipsefit.files.toml import Angle, Length, Number, Table, built, load_toml, table_faults
from ellipsefit.focus.beam import Beam, Coating, Coherence, Distribution, Kind, Shape
from ellipsefit.units import KINDS, parse_quantity

#: What the values of some keys are, for messages.
_WAVELENGTH: Final = 'a length such as "4 angstrom", or two for a band, such as ["3 angstrom", "5 angstrom"]'
_POSITION: Final = 'two lengths, along and across the chief ray, such as ["0 mm", "0.2 mm"]'
_APERTURE: Final = 'a width such as "200 um", or width and offset, such as ["200 um", "-50 um"]'


def _lengths(names: tuple[str, str], expected: str, *, single: bool) -> Callable[[object], tuple[float, ...]]:
    """Reader of a pair of lengths: a list of two, a table with their names, or (`single`) the first alone."""

    def parse(value: object) -> tuple[float, ...]:
        if isinstance(value, dict):
            strange = [key for key in value if key not in names]
            if strange or names[0] not in value:
                raise ValueError(f"got {shown(value)}; expected {expected}")
            value = [value[name] for name in names if name in value]
        if single and isinstance(value, str):
            value = [value]
        if not isinstance(value, list) or not 1 <= len(value) <= 2 or (len(value) == 1 and not single):
            raise ValueError(f"got {shown(value)}; expected {expected}")
        try:
            return tuple(parse_quantity(item, "length") for item in value)
        except UnitError as fault:
            raise ValueError(str(fault)) from None

    return parse


def _many(kind: str | None) -> Callable[[object], tuple[float, ...]]:
    def parse(value: object) -> tuple[float, ...]:
        example = f'"{KINDS[kind][1]}"' if kind else "1.0"
        if not isinstance(value, list) or len(value) < 2:
            raise ValueError(f"got {shown(value)}; expected a list of two or more, such as [{example}, ...]")
        if kind is not None:
            return tuple(parse_quantity(item, kind) for item in value)
        if not all(isinstance(item, int | float) and not isinstance(item, bool) for item in value):
            raise ValueError(f"got {shown(value)}; expected a list of bare numbers, such as [1.0, 2.0]")
        return tuple(float(item) for item in value)

    return parse


def _wave_number(value: object) -> float:
    return parse_quantity(value, "wave number")


def _flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise ValueError(f"got {shown(value)}; expected true or false")
    return value


Wavelength = Annotated[
    tuple[float, ...],
    BeforeValidator(_lengths(("shortest", "longest"), _WAVELENGTH, single=True)),
    Field(description=_WAVELENGTH),
]
Position = Annotated[
    tuple[float, ...],
    BeforeValidator(_lengths(("along", "across"), _POSITION, single=False)),
    Field(description=_POSITION),
]
Aperture = Annotated[
    tuple[float, ...],
    BeforeValidator(_lengths(("width", "offset"), _APERTURE, single=True)),
    Field(description=_APERTURE),
]
WaveNumber = Annotated[float, BeforeValidator(_wave_number), Field(description="such as '0.0217 / angstrom'")]
Flag = Annotated[bool, BeforeValidator(_flag), Field(description="true or false")]


class CoatingTable(Table):
    """Reflectivity of a supermirror."""

    m: Number | None = None
    reflectivity: Number = 0.99
    critical_q: WaveNumber = 0.0217e10
    slope: Length = 5.0e-10
    width: WaveNumber = 0.003e10
    roughness: Length = 0.0


class DistributionTable(Table):
    """A source of given distribution."""

    places: Annotated[tuple[float, ...], BeforeValidator(_many("length"))]
    weights: Annotated[tuple[float, ...], BeforeValidator(_many(None))]


class BeamTable(Table):
    """The whole file."""

    kind: Kind = Field(description='"neutron" or "x-ray"')
    wavelength: Wavelength
    source_size: Length = 0.0
    source_profile: Shape = "uniform"
    source_distribution: DistributionTable | None = None
    source_position: Position = (0.0, 0.0)
    divergence: Angle | None = None
    divergence_profile: Shape = "uniform"
    aperture: Aperture | None = None
    plane: Length = 0.0
    required_throughput: Number | None = None
    coating: CoatingTable = CoatingTable()
    gravity: Flag = True
    coherence: Coherence = "full"
    height: Length = 0.0


def read_beam(path: str | os.PathLike[str]) -> Beam:
    """Beam from its file.

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
    return built(load_toml(path), BeamTable, _beam, path)


def beam_faults(path: str | os.PathLike[str]) -> tuple[str, ...]:
    """Everything that is wrong with a beam file, a sentence each; empty: nothing."""
    try:
        faults = table_faults(load_toml(path), BeamTable, path)
        if not faults:
            read_beam(path)
    except FileFormatError as error:
        return (str(error),)
    return faults


def is_beam_file(content: dict[str, Any]) -> bool:
    """Whether TOML content is a beam rather than a mirror: it has a wavelength and no segments."""
    return "wavelength" in content and not {"segment", "ellipse"} & set(content)


def _beam(table: BeamTable) -> Beam:
    if table.source_distribution is not None:
        if table.source_size:
            raise ParameterError("source_size: is given beside source_distribution; expected one of them")
        given = table.source_distribution
        source = _named("source_distribution", places=given.places, weights=given.weights)
    else:
        source = _named("source_size", shape=table.source_profile, width=table.source_size)
    divergence = None
    if table.divergence is not None:
        divergence = _named("divergence", shape=table.divergence_profile, width=table.divergence)
    wavelength = table.wavelength
    aperture = (None, 0.0) if table.aperture is None else (*table.aperture, 0.0)[:2]
    along, across = (*table.source_position, 0.0)[:2]
    return Beam(
        kind=table.kind,
        wavelength=(wavelength[0], wavelength[-1]),
        source=source,
        divergence=divergence,
        source_along=along,
        source_across=across,
        aperture=aperture[0],
        aperture_offset=aperture[1] or 0.0,
        plane=table.plane,
        required_throughput=table.required_throughput,
        coating=Coating(**table.coating.model_dump()),
        gravity=table.gravity,
        coherence=table.coherence,
        height=table.height,
    )


def _named(key: str, **values: Any) -> Distribution:
    """Distribution whose faults name the key of the file."""
    try:
        return Distribution(**values)
    except ParameterError as error:
        raise ParameterError(f"{key}: {error}") from None
