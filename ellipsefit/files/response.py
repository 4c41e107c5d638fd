"""The influence matrix as a file, TOML or delimited text: entries that differ from rigid segments, none across."""

from __future__ import annotations

import csv
import io
import math
import os
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import Field

from ellipsefit.align.response import Response, nominal_response
from ellipsefit.errors import FileFormatError, shown
from ellipsefit.files.safe import read_bytes
from ellipsefit.files.toml import Name, Number, Table, check_table, load_toml
from ellipsefit.mirror import Mirror

#: Columns of the text form; the last may be missing.
COLUMNS = ("moved", "at", "value", "uncertainty")


class EntryTable(Table):
    """One entry: what a unit move of `moved` does to the surface at `at`, each as segment/adjuster."""

    moved: Name
    at: Name
    value: Number
    uncertainty: Number = 0.0


class ResponseTable(Table):
    """The whole file."""

    entry: list[EntryTable] = Field(default_factory=list, min_length=1)


def read_response(path: str | os.PathLike[str], mirror: Mirror) -> Response:
    """Influence matrix of a mirror's adjusters; what the file does not name is as for rigid segments.

    Raises
    ------
    FileMissingError, FileFormatError
        If the file cannot be read, or an entry is of no adjuster of the mirror, stands twice or is no number.
    """
    entries = _text_entries(path) if Path(path).suffix.lower() != ".toml" else _toml_entries(path)
    nominal = nominal_response(mirror)
    places = {"/".join(key): place for place, key in enumerate(nominal.adjusters)}
    matrix, stderr = np.array(nominal.matrix), np.array(nominal.stderr)
    seen: set[tuple[str, str]] = set()
    for where, entry in entries:
        for key in ("moved", "at"):
            if entry[key] not in places:
                raise FileFormatError(
                    f"{path}, {where}: {key} is {shown(entry[key])}; expected an adjuster of mirror '{mirror.name}' as "
                    f"segment/adjuster, such as {next(iter(places), 'S01/U')!r}"
                )
        pair = entry["moved"], entry["at"]
        if pair in seen:
            raise FileFormatError(
                f"{path}, {where}: what {pair[0]} does at {pair[1]} stands there twice; expected each pair once"
            )
        seen.add(pair)
        if not (math.isfinite(entry["value"]) and 0 <= entry["uncertainty"] < math.inf):
            raise FileFormatError(
                f"{path}, {where}: value {entry['value']!r} with uncertainty {entry['uncertainty']!r}; expected a "
                "finite number and an uncertainty of 0 or more"
            )
        place = places[entry["at"]], places[entry["moved"]]
        matrix[place], stderr[place] = entry["value"], entry["uncertainty"]
    return Response(adjusters=nominal.adjusters, matrix=matrix, stderr=stderr)


def _toml_entries(path: str | os.PathLike[str]) -> list[tuple[str, dict[str, Any]]]:
    table = check_table(load_toml(path), ResponseTable, path)
    return [(f"entry {place}", entry.model_dump()) for place, entry in enumerate(table.entry, start=1)]


def _text_entries(path: str | os.PathLike[str]) -> list[tuple[str, dict[str, Any]]]:
    try:
        text = read_bytes(path).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise FileFormatError(f"{path}: is no text in UTF-8; expected columns {','.join(COLUMNS)}") from None
    try:
        lines = [
            (number, row)
            for number, row in enumerate(csv.reader(io.StringIO(text, newline="")), start=1)
            if row and not row[0].lstrip().startswith("#")
        ]
    except csv.Error as error:
        raise FileFormatError(f"{path}: is no delimited text: {error}; expected columns {','.join(COLUMNS)}") from None
    header = tuple(cell.strip() for cell in lines[0][1]) if lines else ()
    if header not in (COLUMNS, COLUMNS[:3]):
        raise FileFormatError(
            f"{path}: the header is {shown(','.join(header))}; expected {','.join(COLUMNS)!r}, the last optional"
        )
    found = []
    for number, row in lines[1:]:
        if len(row) != len(header):
            raise FileFormatError(f"{path}, line {number}: has {len(row)} cells; expected {len(header)}")
        entry: dict[str, Any] = {"uncertainty": 0.0} | dict(zip(header, (cell.strip() for cell in row), strict=True))
        for key in ("value", "uncertainty"):
            try:
                entry[key] = float(entry[key])
            except ValueError:
                raise FileFormatError(
                    f"{path}, line {number}: {key} is {shown(entry[key])}; expected a number such as 0.95"
                ) from None
        found.append((f"line {number}", entry))
    if not found:
        raise FileFormatError(f"{path}: has no entries; expected a line for each, such as 'S01/U,S01/D,0.05,0.01'")
    return found
