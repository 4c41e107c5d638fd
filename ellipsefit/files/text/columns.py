"""What a line says as a header: names of columns and their units, in the spellings that labs use."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from typing import Final, NamedTuple

from ellipsefit.errors import UnitError
from ellipsefit.files.text.cells import number
from ellipsefit.units import unit_factor

#: Columns of numbers, and the kind of quantity in each ('': that of the measured one).
NUMERIC: Final = {"x": "length", "y": "length", "height": "length", "slope": "angle", "sigma": ""}
#: What a scan has and a profile needs not.
ALONG: Final = {"carriage": "length", "time": "time", "temperature": "temperature"}
WITHOUT_UNIT: Final = ("segment", "mask")
KNOWN: Final = (*NUMERIC, *WITHOUT_UNIT, *ALONG)

#: What separates columns, and its name.
DELIMITERS: Final = {"\t": "tab", ";": "semicolon", ",": "comma", " ": "blanks"}
#: Columns that a table may have: what has more is no table of a row for each point.
MOST_COLUMNS: Final = 100_000

_BLANK_CELL: Final = re.compile(r"\"[^\"]*\"|[^\s\[\]()]+(?:\s*(?:\[[^\[\]]*\]|\([^()]*\)))?")
#: A column's name with its unit in brackets, after a stroke (ISO 80000-1, 7.1.4) or 'in', or behind it.
_IN_BRACKETS: Final = re.compile(r"([^\[\]()]*?)\s*(?:\[([^\[\]]*)\]|\((?!\))((?:[^()]|\([^()]*\))*)\))")
_NAMED: Final = "|".join(KNOWN)
_AFTER_STROKE: Final = re.compile(rf"({_NAMED})\s*(?:/|\s+in\s+|,)\s*\(?([^()]+)\)?", re.IGNORECASE)
_BEHIND: Final = re.compile(
    rf"({_NAMED})(?:_|\s+)((?:[munpcµμ]|milli|micro|nano|pico|centi)?(?:m|met(?:re|er)s?|rad|radians?)|microns?"
    r"|arcsec|deg|degrees?|s|ms|min|h|K|degC|°C)",
    re.IGNORECASE,
)


class Column(NamedTuple):
    """A column as the header has it."""

    name: str  # in small letters, without its unit
    unit: str | None  # None: not there
    written: str
    other_unit: str = ""  # in the row of units, where it contradicts


def readings(line: str) -> list[tuple[str, list[Column]]]:
    """A line as a header, under each delimiter that is in it."""
    found = []
    for delimiter in DELIMITERS:
        if delimiter == " " or delimiter in line.strip():
            cells = _BLANK_CELL.findall(line) if delimiter == " " else line.split(delimiter)
            if delimiter == "," and '"' in line:
                cells = next(csv.reader([line], skipinitialspace=True), [])
            found.append((delimiter, [_column(cell) for cell in cells]))
    return found


def too_wide(line: str) -> int | None:
    """How many columns a line has, if more than a table may have."""
    if len(line) <= MOST_COLUMNS:  # as nearly every line, quickly
        return None
    count = 1 + max(line.count(mark) for mark in DELIMITERS if mark != " ")
    if count <= MOST_COLUMNS:
        count = max(count, len(line.split()))
    return count if count > MOST_COLUMNS else None


def known_names(columns: Sequence[Column]) -> set[str]:
    """Names among them that mean something here."""
    return {column.name for column in columns} & set(KNOWN)


def is_header(line: str) -> bool:
    """Whether a line names what a profile or a scan must have."""
    small = line.casefold()
    if "x" not in small or ("height" not in small and "slope" not in small):
        return False  # as nearly every line, quickly
    return any("x" in names and {"height", "slope"} & names for names in (known_names(c) for _, c in readings(line)))


def with_units_below(columns: Sequence[Column], row: Sequence[str]) -> list[Column] | None:
    """Columns with the units that a row below the header gives them; None: it is no row of units."""
    if len(row) != len(columns):
        return None
    kinds = {**NUMERIC, **ALONG}
    measured = next((kinds[column.name] for column in columns if column.name in ("height", "slope")), "length")
    units = [
        (place, cell.strip(' "[](){}'), kinds[column.name] or measured)
        for place, (cell, column) in enumerate(zip(row, columns, strict=True))
        if column.name in kinds
    ]
    if any(number(unit.replace(",", ".")) is not None for _, unit, _ in units):
        return None
    if not any(unit and _factor(unit, kind) for _, unit, kind in units):
        return None
    found = list(columns)
    for place, unit, kind in units:
        above = found[place].unit
        if unit and not above:
            found[place] = found[place]._replace(unit=unit)
        elif unit and above and (_factor(above, kind) is None or _factor(above, kind) != _factor(unit, kind)):
            found[place] = found[place]._replace(other_unit=unit)
    return found


def _column(cell: str) -> Column:
    written = cell.strip(" \t\r\n\"'\ufeff\x1a")
    if not written.casefold().startswith(KNOWN):  # as nearly every column of a wide table, quickly
        return Column(_name(written.partition("[")[0].partition("(")[0]), None, written)
    match = _IN_BRACKETS.fullmatch(written)
    if match is not None:
        name, square, round_ = match.groups()
        # a slope has no round brackets of its own, so '(raw)' behind a name is a unit that is not known
        return Column(_name(name), (round_ if square is None else square).strip(), written)
    for pattern in (_AFTER_STROKE, _BEHIND):
        match = pattern.fullmatch(written)
        if match is not None:
            return Column(match[1].casefold(), match[2].strip(), written)
    return Column(_name(written), None, written)


def _name(text: str) -> str:
    return text.strip(" \t\"'").removesuffix("/").rstrip().casefold()


def _factor(unit: str, kind: str) -> tuple[float, float] | None:
    try:
        return unit_factor(unit, kind)
    except UnitError:
        return None
