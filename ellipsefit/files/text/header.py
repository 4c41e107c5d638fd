"""The line that names the columns, and how the rows below it are written."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from typing import Final, Literal, NamedTuple, cast

from ellipsefit.errors import FileFormatError
from ellipsefit.files.text.cells import split
from ellipsefit.files.text.columns import (
    DELIMITERS,
    KNOWN,
    MOST_COLUMNS,
    Column,
    is_header,
    known_names,
    readings,
    too_wide,
    with_units_below,
)
from ellipsefit.files.text.faults import at_line

EXAMPLE: Final = "'x [mm],height [um]'"
#: What begins a comment; ';' only where it does not separate. The last but one ended files of old.
_COMMENTS: Final = ("#", "%", "!", "//", "\x1a", ";")
_DECLARED: Final = re.compile(r"[#%!;/\s]*decimal(?:\s+mark)?\s*[:=]\s*(comma|point)\s*", re.IGNORECASE)
#: The line with which spreadsheets say what separates the cells.
SEPARATOR_LINE: Final = re.compile(r"\ufeff?sep=.?\s*", re.IGNORECASE)
_TOML_LINE: Final = re.compile(r"\s*(?:\[+[\w.\"' -]+\]+\s*(?:#.*)?|[\w.\"'-]+\s*=.*)")
_SEARCHED: Final = 500  # lines in which the header must stand
_SAMPLE: Final = 20  # rows by which it is known how all are written

DecimalMark = Literal["point", "comma"]


class Header(NamedTuple):
    """Where the header stands, what it names, and how rows are written. Lines are counted from 0."""

    line: int
    text: str
    columns: tuple[Column, ...]
    delimiter: str
    comments: tuple[str, ...]  # what begins a line that is none of the table
    units_line: int | None = None  # a row of units below it
    declared: DecimalMark | None = None  # by a line of the file
    before: tuple[str, ...] = ()  # lines of words above it

    @property
    def end(self) -> int:
        """Its last line."""
        return self.line if self.units_line is None else self.units_line


def looks_like_toml(line: str) -> bool:
    """Whether a line is a table header or an assignment of TOML."""
    return _TOML_LINE.fullmatch(line) is not None and not SEPARATOR_LINE.fullmatch(line)


def declared_mark(line: str) -> DecimalMark | None:
    """The decimal mark that a line declares for its file, such as '# decimal: comma'."""
    match = _DECLARED.fullmatch(line)
    return cast("DecimalMark", match[1].casefold()) if match else None


def find_header(lines: Sequence[str], path: str | os.PathLike[str]) -> Header:
    """The header among the first lines: the first that names columns and is followed by rows that fit it.

    Raises
    ------
    FileFormatError
        If there are only comments, or nothing.
    """
    plain, comments, declared = _sorted(lines)
    if not plain and not comments:
        raise FileFormatError(f"{path}: is empty; expected a profile with a header such as {EXAMPLE}")
    if not plain:
        raise FileFormatError(f"{path}: holds only comments; expected a header such as {EXAMPLE} and numbers")
    if lines[plain[0]].lstrip("\ufeff \t").startswith("{"):
        raise FileFormatError(f"{path}: holds JSON; expected a profile, as text with a header such as {EXAMPLE}")
    _check_width(lines, plain, path)
    whole = [place for place in plain if is_header(lines[place])]
    _check_width(lines, () if whole else comments, path)
    spoken = [place for place in reversed(comments) if is_header(_without_mark(lines[place]))]
    attempts = (_header_at(lines, place) for place in whole or spoken)
    header = next((header for header, fits in attempts if fits), None)
    if header is None:
        header, _ = _header_at(lines, whole[0] if whole else _likeliest(lines, plain))
    before = tuple(lines[place] for place in plain if place < header.line)
    return header._replace(declared=declared, before=before)


def _check_width(lines: Sequence[str], places: Sequence[int], path: str | os.PathLike[str]) -> None:
    for place in places:
        count = too_wide(lines[place])
        if count is not None:
            raise FileFormatError(
                f"{path}{at_line(place)}: has {count} columns; expected a row for each point, {MOST_COLUMNS} columns "
                "at most"
            )


def _sorted(lines: Sequence[str]) -> tuple[list[int], list[int], DecimalMark | None]:
    """Lines that may be the header, those with the mark of a comment, and the decimal mark that one declares."""
    plain: list[int] = []
    comments: list[int] = []
    declared: DecimalMark | None = None
    for place, line in enumerate(lines):
        start = line.lstrip("\ufeff \t\x1a")
        if not start:
            continue
        if len(plain) + len(comments) >= _SEARCHED:
            break
        declared = declared_mark(line) or declared
        (comments if start.startswith(_COMMENTS) else plain).append(place)
    return plain, comments, declared


def _likeliest(lines: Sequence[str], plain: Sequence[int]) -> int:
    """Where none names what it must: the line with most names of columns, else the first."""
    if looks_like_toml(lines[plain[0]]):
        return plain[0]
    return max(plain, key=lambda place: _names_in(lines[place]))


def _names_in(line: str) -> int:
    small = line.casefold()
    if not any(name in small for name in KNOWN):
        return 0
    return max(len(known_names(columns)) for _, columns in readings(line))


def _without_mark(line: str) -> str:
    return line.lstrip().lstrip("#%!;/").lstrip()


def _header_at(lines: Sequence[str], place: int) -> tuple[Header, bool]:
    """A line as the header, and whether rows follow that fit it."""
    line = lines[place]
    if line.lstrip().startswith(_COMMENTS):
        line = _without_mark(line)
    mark, columns = max(readings(line), key=lambda reading: len(known_names(reading[1])))
    comments = tuple(comment for comment in _COMMENTS if comment != mark)
    header = Header(line=place, text=lines[place].strip(), columns=tuple(columns), delimiter=mark, comments=comments)
    below = [
        number
        for number in range(place + 1, min(len(lines), place + 20 * _SAMPLE))
        if (start := lines[number].lstrip()) and not start.startswith(comments)
    ][: _SAMPLE + 1]
    if not below:
        return header, False
    sample = [lines[number] for number in below]
    found = _separated(sample, columns, mark)
    if found is None:
        return header, False
    named = with_units_below(found.columns, split(sample[0], found.delimiter))
    if named is None:
        return header._replace(columns=tuple(found.columns), delimiter=found.delimiter), True
    header = header._replace(columns=tuple(named), units_line=below[0])
    found = _separated(sample[1:], named, mark)
    if found is None:
        return header, False
    return header._replace(columns=tuple(found.columns), delimiter=found.delimiter), True


class _Separated(NamedTuple):
    delimiter: str
    columns: Sequence[Column]  # one more or less than the header's, where a mark ends a line


def _separated(sample: Sequence[str], columns: Sequence[Column], mark: str) -> _Separated | None:
    """What separates the cells of rows: what does in the header, else the one mark that fits; None: none does."""
    width = len(columns)
    fitting: list[str] = []
    for delimiter in (mark, *(other for other in DELIMITERS if other != mark)):
        rows = [split(row, delimiter) for row in sample]
        widths = [len(cells) for cells in rows]
        if (widths and widths[0] == width) or 2 * widths.count(width) > len(widths):
            fitting.append(delimiter)
        elif delimiter != " ":
            if set(widths) == {width + 1} and not any(cells[-1].strip() for cells in rows):
                return _Separated(delimiter, [*columns, Column("", None, "")])  # each row ends with a mark
            if set(widths) == {width - 1} and width > 1 and not columns[-1].written:
                return _Separated(delimiter, columns[:-1])  # the header does
        if delimiter == mark and fitting:
            break
    return _Separated(fitting[0], columns) if len(fitting) == 1 else None
