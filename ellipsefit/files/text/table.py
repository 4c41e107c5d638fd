"""The table: what stands in the columns in use, of all rows."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from contextlib import suppress
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from ellipsefit.arrays import FloatArray
from ellipsefit.errors import shown
from ellipsefit.files.text.cells import number, split
from ellipsefit.files.text.decimals import Decimals
from ellipsefit.files.text.faults import Faults, at_line
from ellipsefit.files.text.header import DecimalMark, Header
from ellipsefit.files.text.meaning import Meaning
from ellipsefit.files.text.rows import Places, Rows

_LONGEST_NAME: Final = 100


class Table(NamedTuple):
    """The columns in use, numbers in the units of the file."""

    columns: Mapping[str, npt.NDArray[Any]]  # numbers, or names of segments; none if there are faults
    decimal: DecimalMark
    places: tuple[Places, ...]  # of the rows, block by block
    after: tuple[str, ...]  # lines of words that end the file

    @property
    def size(self) -> int:
        """How many rows there are."""
        return sum(places.size for places in self.places)

    def place(self, row: int) -> str:
        """Where a row stands, as it is written behind the name of the file."""
        for places in self.places:
            if row < places.size:
                return places.of(row)
            row -= places.size
        return ""


class _Part(NamedTuple):
    """One block of the table."""

    columns: dict[str, npt.NDArray[Any]]  # those without faults
    places: Places
    after: tuple[str, ...]


def read_table(blocks: Iterable[Rows], header: Header, meaning: Meaning, faults: Faults) -> Table:
    """All rows, of which only what is in use is parsed and kept."""
    decimals = Decimals(header.declared)

    def parsed(block: Rows) -> _Part:
        return _Part(_parsed(block, header, meaning, decimals, faults), block.places, block.after)

    # map forgets a block before it asks for the next, whose text takes its place in memory: a fifth faster
    parts = list(map(parsed, blocks))
    if not any(part.places.size for part in parts):
        text = "no numbers follow the header; expected one row for each point"
        faults.add("rows", "", at_line(header.line), text)
    decimal = decimals.settled(faults)
    return Table(
        columns={} if faults else _joined([part.columns for part in parts if part.places.size]),
        decimal=decimal,
        places=tuple(part.places for part in parts),
        after=tuple(line for part in parts for line in part.after),
    )


def _joined(parts: list[dict[str, npt.NDArray[Any]]]) -> dict[str, npt.NDArray[Any]]:
    """Columns of all blocks, joined one after the other so that a large table is not held twice."""
    if len(parts) == 1:
        return parts[0]
    return {name: np.concatenate([part.pop(name) for part in parts]) for name in list(parts[0])}


def _parsed(
    block: Rows, header: Header, meaning: Meaning, decimals: Decimals, faults: Faults
) -> dict[str, npt.NDArray[Any]]:
    """Columns in use of one block, as far as they have no faults."""
    if not block.rows:
        return {}
    found: dict[str, npt.NDArray[Any] | None] = {}
    for place, cells in _columns_of(block, header, meaning, faults).items():
        name = meaning.columns[place].name
        if name == "segment":
            found[name] = _names(cells, block, faults)
        else:
            found[name] = _numbers(name, cells, block, header, decimals, faults)
    return {name: values for name, values in found.items() if values is not None}


def _columns_of(block: Rows, header: Header, meaning: Meaning, faults: Faults) -> dict[int, list[str]]:
    """Cells of each column in use, by its place; none if rows are ragged."""
    rows, width, delimiter, used = block.rows, len(header.columns), header.delimiter, list(meaning.columns)
    if delimiter == " " or any('"' in row for row in rows):
        cells = [split(row, delimiter) for row in rows]
        widths = [len(row) for row in cells]
        if widths.count(width) == len(widths):
            return {place: [row[place] for row in cells] for place in used}
    else:
        widths = [row.count(delimiter) + 1 for row in rows]
        if widths.count(width) == len(widths):
            return _plain_columns(rows, delimiter, width, used)
    wrong = next(row for row, found in enumerate(widths) if found != width)
    hint = ""
    if delimiter == "," and widths[wrong] > width:
        hint = " (with a decimal comma, separate the columns by semicolons or tabs)"
    text = f"expected {width} columns as in the header; got {widths[wrong]}{hint}"
    faults.add("ragged", "", block.places.of(wrong), text, len(widths) - widths.count(width))
    return {}


def _plain_columns(rows: list[str], delimiter: str, width: int, used: list[int]) -> dict[int, list[str]]:
    """Cells of rows without quotation marks, each of this width."""
    if not used:
        return {}
    if width <= 4 * len(used):
        every = delimiter.join(rows).split(delimiter)
        return {place: every[place::width] for place in used}
    # of thousands of columns only those in use are kept, and no row is split beyond the last of them
    columns: dict[int, list[str]] = {place: [] for place in used}
    for row in rows:
        cells = row.split(delimiter, used[-1] + 1)
        for place, column in columns.items():
            column.append(cells[place])
    return columns


def _names(cells: list[str], block: Rows, faults: Faults) -> npt.NDArray[np.str_] | None:
    # one object for each run of equal names, so that a long column costs little
    known = {cell: cell.strip() for cell in set(cells)}
    faulty = {cell for cell in known if not 0 < len(known[cell]) <= _LONGEST_NAME}
    wrong = [row for row, cell in enumerate(cells) if cell in faulty] if faulty else []
    if wrong:
        text = f"column 'segment': expected a name of 1 to {_LONGEST_NAME} characters; got {shown(cells[wrong[0]])}"
        faults.add("name", "segment", block.places.of(wrong[0]), text, len(wrong))
        return None
    return np.array([known[cell] for cell in cells], dtype=np.str_)


def _numbers(
    column: str, cells: list[str], block: Rows, header: Header, decimals: Decimals, faults: Faults
) -> FloatArray | None:
    joined, written = "\n".join(cells), cells
    if "," in joined:
        decimals.note_commas(column, cells, block.places, faults)
        if faults.met("comma", column):
            return None
        cells = [cell.replace(",", ".") for cell in cells]
    elif "." in joined:
        decimals.note_point(column)
    with suppress(ValueError):
        if "_" not in joined:  # Python's float would take 1_000
            return np.fromiter(map(float, cells), dtype=np.float64, count=len(cells))
    values = [number(cell) for cell in cells]
    wrong = [row for row, value in enumerate(values) if value is None]
    if not wrong:
        return np.array(values, dtype=np.float64)
    place = block.places.of(wrong[0])
    if block.rows[wrong[0]].strip() == header.text:
        faults.add("again", "", place, "is the header again; expected one table in a file", 0)
    else:
        text = f"column '{column}': expected a number; got {_got(written[wrong[0]])}"
        faults.add("number", column, place, text, len(wrong))
    return None


def _got(cell: str) -> str:
    if not cell.strip():
        return "an empty cell"
    plain = _MARKS.sub("", cell.strip())
    marked = plain != cell.strip() and number(plain.replace(",", ".")) is not None
    return f"{shown(cell)} (leave out the marks of thousands)" if marked else shown(cell.strip())


#: Blanks and apostrophes that stand between thousands (ISO 80000-1, 7.3.1, has blanks).
_MARKS: Final = re.compile(r"(?<=\d)[ '\u00a0\u2009\u202f\u2019](?=\d{3})")
