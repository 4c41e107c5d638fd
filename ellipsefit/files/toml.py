"""What all TOML files share: quantities as strings with units, and faults told in one sentence each."""

from __future__ import annotations

import difflib
import math
import os
import re
import sys
import tomllib
from collections.abc import Callable, Mapping, Sequence
from typing import Annotated, Any, Final, TypeVar, get_args

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails

from ellipsefit.errors import FileFormatError, ParameterError, shown
from ellipsefit.files.foreign import START, refuse_foreign
from ellipsefit.files.safe import read_bytes
from ellipsefit.units import KINDS, parse_quantity


class Table(BaseModel):
    """Base of the tables of a file: unknown keys are refused, nothing is converted silently."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


AnyTable = TypeVar("AnyTable", bound=Table)
Made = TypeVar("Made")


def _quantity(kind: str) -> Callable[[object], float]:
    def parse(value: object) -> float:
        return parse_quantity(value, kind)

    return parse


def _expected(kind: str) -> str:
    return f"{'an' if kind[0] in 'aeiou' else 'a'} {kind} such as '{KINDS[kind][1]}'"


def _bare_number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= sys.float_info.max:
        raise ValueError(f"got {shown(value)}; expected a bare number, such as 4.0")
    return float(value)


def _name(value: object) -> str:
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise ValueError(f'got {shown(value)}; expected a name, such as "S01"')
    return value


def _positive(value: float) -> float:
    if not value > 0:
        raise ValueError(f"got {value:g} in SI units; expected a value above 0")
    return value


def _grazing(value: float) -> float:
    if not 0 < value < math.pi / 2:
        raise ValueError(f"got {value:g} rad; expected a grazing angle above 0 and below 90 deg")
    return value


_RANGE: Final = 'two lengths, lowest and highest, such as ["-250 um", "250 um"]'
_TERMS: Final = 'two lengths, for the second and third Legendre polynomial, such as ["120 nm", "-30 nm"]'


def _pair(expected: str) -> Callable[[object], object]:
    def parse(value: object) -> object:
        if not isinstance(value, list) or len(value) != 2:
            raise ValueError(f"got {shown(value)}; expected {expected}")
        return tuple(value)

    return parse


Length = Annotated[float, BeforeValidator(_quantity("length")), Field(description=_expected("length"))]
Distance = Annotated[Length, AfterValidator(_positive)]
Angle = Annotated[float, BeforeValidator(_quantity("angle")), Field(description=_expected("angle"))]
GrazingAngle = Annotated[Angle, AfterValidator(_grazing)]
Temperature = Annotated[float, BeforeValidator(_quantity("temperature")), Field(description=_expected("temperature"))]
TemperatureDifference = Annotated[
    float, BeforeValidator(_quantity("temperature difference")), Field(description=_expected("temperature difference"))
]
Expansion = Annotated[float, BeforeValidator(_quantity("expansion")), Field(description=_expected("expansion"))]
Pressure = Annotated[float, BeforeValidator(_quantity("pressure")), Field(description=_expected("pressure"))]
Density = Annotated[float, BeforeValidator(_quantity("density")), Field(description=_expected("density"))]
Number = Annotated[float, BeforeValidator(_bare_number), Field(description="a bare number, such as 4.0")]
Name = Annotated[str, BeforeValidator(_name), Field(description='a name, such as "S01"')]
Range = Annotated[tuple[Length, Length], BeforeValidator(_pair(_RANGE)), Field(description=_RANGE)]
Terms = Annotated[tuple[Length, Length], BeforeValidator(_pair(_TERMS)), Field(description=_TERMS)]


def load_toml(path: str | os.PathLike[str]) -> dict[str, Any]:
    """Content of a TOML file as nested dictionaries.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    FileFormatError
        If it is empty, no text or no TOML; the text names the line.
    """
    return parse_toml(read_bytes(path), path)


def parse_toml(data: bytes, path: str | os.PathLike[str]) -> dict[str, Any]:
    """As `load_toml`, of bytes that came from `path`."""
    if not data.strip():
        raise FileFormatError(f"{path}: is empty; expected a TOML file")
    refuse_foreign(data[:START], path, "a TOML file")
    try:
        return tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise FileFormatError(f"{path}, line {line}: is no text in UTF-8; expected a TOML file") from None
    except RecursionError:
        raise FileFormatError(f"{path}: is nested too deeply; expected a TOML file") from None
    except ValueError as error:  # TOMLDecodeError, or an integer of thousands of digits
        raise FileFormatError(_syntax(path, str(error))) from None


_AT: Final = re.compile(r"(.*) \(at (?:(line \d+), column \d+|(end of document))\)", re.DOTALL)


def _syntax(path: str | os.PathLike[str], message: str) -> str:
    match = _AT.fullmatch(message)
    reason, line, end = match.groups() if match else (message.splitlines()[0], None, None)
    where = f", {line}" if line else ", at its end" if end else ""
    return (
        f"{path}{where}: is no valid TOML: {reason[:1].lower()}{reason[1:]}; expected lines such as 'key = \"value\"'"
    )


def check_table(data: Mapping[str, Any], model: type[AnyTable], path: str | os.PathLike[str]) -> AnyTable:
    """TOML content as a validated table.

    Raises
    ------
    FileFormatError
        For the first fault; the text names file, key, what was got and what was expected.
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise FileFormatError(_sentences(error, data, model, path)[0]) from None


def built(
    data: Mapping[str, Any], model: type[AnyTable], make: Callable[[AnyTable], Made], path: str | os.PathLike[str]
) -> Made:
    """What a TOML content describes; faults that its making finds name the file, too.

    Raises
    ------
    FileFormatError
        As `check_table`, and for what contradicts itself.
    """
    table = check_table(data, model, path)
    try:
        return make(table)
    except ParameterError as error:
        raise FileFormatError(f"{path}: {error}") from None


def table_faults(data: Mapping[str, Any], model: type[Table], path: str | os.PathLike[str]) -> tuple[str, ...]:
    """Everything that is wrong with a TOML content, a sentence each; empty: nothing."""
    try:
        model.model_validate(data)
    except ValidationError as error:
        return _sentences(error, data, model, path)
    return ()


def _sentences(
    error: ValidationError, data: Mapping[str, Any], model: type[Table], path: str | os.PathLike[str]
) -> tuple[str, ...]:
    """One sentence for each fault; unknown keys come first, for they explain the missing ones."""
    details = sorted(error.errors(include_url=False), key=lambda detail: detail["type"] != "extra_forbidden")
    sentences = []
    for detail in details:
        # a key that should not be there, or is not, is named by the reason; its place is the table
        whole = detail["type"] not in ("extra_forbidden", "missing")
        place = _key_path(detail["loc"] if whole else detail["loc"][:-1], data)
        sentences.append(": ".join(part for part in (str(path), place, _reason(detail, model)) if part))
    return tuple(sentences)


def _key_path(loc: Sequence[int | str], data: Any) -> str:
    """Such as "segment 'S02', adjuster 'U', travel" or "ellipse.grazing_angle"."""
    text = ""
    for step in loc:
        data = data[step] if _holds(data, step) else None
        if isinstance(step, str):
            joint = "" if not text else ", " if text[-1] in "'0123456789" else "."
            text += f"{joint}{step}"
        elif isinstance(data, dict):
            name = data.get("name")
            text += f" '{name}'" if isinstance(name, str) else f" {step + 1}"
        else:
            text += f", {('first', 'second', 'third')[step] if step < 3 else f'{step + 1}th'} value"
    return text


def _holds(data: Any, step: int | str) -> bool:
    return (isinstance(data, dict) and step in data) or (
        isinstance(data, list) and isinstance(step, int) and step < len(data)
    )


def _reason(detail: ErrorDetails, model: type[Table]) -> str:
    kind, value = detail["type"], detail["input"]
    table, key = _table_at(model, detail["loc"][:-1]), str(detail["loc"][-1])
    context = detail.get("ctx", {})
    if kind == "extra_forbidden":
        known = list(table.model_fields)
        near = difflib.get_close_matches(key, known, n=1, cutoff=0.0)[0]
        return f"unknown key {shown(key)}; the nearest known key is '{near}' (known: {', '.join(known)})"
    if kind == "missing":
        info = table.model_fields.get(key)
        description = info.description if info and info.description else "a table of that name"
        return f"the key '{key}' is missing; expected {description}"
    if kind == "value_error":
        return str(context["error"])
    if kind == "literal_error":
        return f"got {shown(value)}; expected {context['expected'].replace(chr(39), chr(34))}"
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        return f"got {shown(value)}; expected a table"
    if kind in ("list_type", "tuple_type"):
        return f"got {shown(value)}; expected a list of tables, such as [[{key}]]"
    return f"got {shown(value)}; {detail['msg'][:1].lower()}{detail['msg'][1:]}"


def _table_at(model: type[Table], loc: Sequence[int | str]) -> type[Table]:
    for step in loc:
        if isinstance(step, str) and step in model.model_fields:
            model = _inner_table(model.model_fields[step].annotation) or model
    return model


def _inner_table(annotation: Any) -> type[Table] | None:
    if isinstance(annotation, type) and issubclass(annotation, Table):
        return annotation
    return next((found for part in get_args(annotation) if (found := _inner_table(part))), None)
