"""Rows of the table: lines that are no comments, block by block, and where each stands."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import compress
from typing import BinaryIO, Final, NamedTuple

from ellipsefit.files.text import blocks
from ellipsefit.files.text.cells import number, split
from ellipsefit.files.text.columns import KNOWN
from ellipsefit.files.text.faults import at_line
from ellipsefit.files.text.header import Header

#: A file beyond so many bytes is looked at in parts where that is enough: its first block and so many others.
LARGE: Final = 1 << 26
PARTS: Final = 8
PART: Final = 1 << 18


class Places(NamedTuple):
    """Where the rows of one block stand."""

    size: int
    lines: Sequence[int] | None  # number of each row's line; None: not known
    byte: int = 0  # where the block begins

    def of(self, row: int) -> str:
        """Place of one of them, as it stands behind the name of the file."""
        return f", near byte {self.byte}" if self.lines is None else at_line(self.lines[row])


class Rows(NamedTuple):
    """Rows of one block."""

    rows: list[str]
    places: Places
    after: tuple[str, ...] = ()  # lines of words that end the file


def every_row(first: list[str], stream: Iterator[list[str]], header: Header) -> Iterator[Rows]:
    """All rows from the first block on; the last ones wait until it is known whether the file ends with them."""
    line = header.end + 1
    waiting = _rows_of(first[line:], line, header)
    line = len(first)
    begun = False
    for lines in stream:
        rows = _rows_of(lines, line, header)
        line += len(lines)
        if rows.rows:
            begun = begun or bool(waiting.rows)
            yield waiting
            waiting = rows
    yield _without_footer(waiting, header, begun=begun)


def some_rows(first: list[str], file: BinaryIO, encoding: blocks.Encoding, header: Header, size: int) -> Iterator[Rows]:
    """Rows of the first block and of some parts that lie evenly to the end of a file of so many bytes."""
    line = header.end + 1
    rows = _rows_of(first[line:], line, header)
    begun = bool(rows.rows)
    yield rows
    for part in range(1, PARTS + 1):
        start = blocks.BLOCK + (size - blocks.BLOCK) * part // PARTS - PART
        start -= start % encoding.unit
        lines = blocks.lines_between(file, encoding, start, PART)
        last = part == PARTS
        rows = _rows_of(lines[1:] if last else lines[1:-1], 0, header)
        rows = rows._replace(places=Places(len(rows.rows), None, start))
        begun = begun or bool(rows.rows)
        yield _without_footer(rows, header, begun=begun) if last else rows


def looked_at(size: int) -> str:
    """What `some_rows` takes of a file of so many bytes, in words."""
    return (
        f"the first {blocks.BLOCK / 1e6:.1f} MB and {PARTS} parts of {PART / 1e6:.1f} MB up to the end, of "
        f"{size / 1e6:.0f} MB"
    )


def estimated(count: int, size: int, encoding: blocks.Encoding) -> int:
    """How many rows a file of so many bytes has, about, if `some_rows` gave `count`."""
    mark = len(encoding.mark)
    mean = (blocks.BLOCK + PARTS * PART - mark) / max(count, 1)
    return round((size - mark) / mean)


def _rows_of(lines: list[str], first: int, header: Header) -> Rows:
    comments = header.comments
    kept = [(start := line.lstrip()) != "" and not start.startswith(comments) for line in lines]
    numbers = range(first, first + len(lines))
    if all(kept):
        return Rows(lines, Places(len(lines), numbers))
    rows = list(compress(lines, kept))
    return Rows(rows, Places(len(rows), list(compress(numbers, kept))))


def _without_footer(rows: Rows, header: Header, *, begun: bool) -> Rows:
    """Rows without lines of words that end the file; where rows have not begun before, these are rows, too."""
    end = len(rows.rows)
    while end and _is_footer(rows.rows[end - 1], header):
        end -= 1
    if end == len(rows.rows) or not (end or begun):
        return rows
    lines = rows.places.lines
    places = Places(end, None if lines is None else lines[:end], rows.places.byte)
    return Rows(rows.rows[:end], places, tuple(rows.rows[end:]))


def _is_footer(row: str, header: Header) -> bool:
    """Whether a row is one of words; a row that is cut short is none."""
    cells = [cell.strip(" \"'\x1a").replace(",", ".") for cell in split(row, header.delimiter)]
    numbers = [number(cell) is not None for cell in cells]
    if len(cells) == len(header.columns) and any(numbers):
        return False
    first = header.columns[0].name
    worded = first == "segment" or first not in KNOWN  # rows begin with a word, too
    return not any(numbers if worded else numbers[:1])
