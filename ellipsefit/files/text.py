"""Profiles and scans as delimited text: comments, one header row with units, then numbers.

What labs send is understood where it can mean one thing only: encodings, delimiters, decimal commas, spellings of
units, a row of units below the header, lines before and after the table, columns in any order. Where it can mean two
things, or a unit is missing, that is a fault. A file is read block by block, and only columns in use are parsed.
"""

from __future__ import annotations

import codecs
import csv
import io
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from operator import itemgetter
from pathlib import Path
from typing import BinaryIO, Final, Literal, NamedTuple, NoReturn, cast

import numpy as np
import numpy.typing as npt

from ellipsefit.arrays import BoolArray, FloatArray
from ellipsefit.errors import FileFormatError, FileMissingError, ParameterError, UnitError
from ellipsefit.files.safe import existing_file, new_file
from ellipsefit.profile import Profile, Quantity
from ellipsefit.scan import Scan
from ellipsefit.units import to_si, unit_factor

#: Columns of numbers in use, and the kind of quantity in each ('': that of the measured one).
_NUMERIC: Final = {"x": "length", "y": "length", "height": "length", "slope": "angle", "sigma": ""}
#: What a scan has and a profile needs not.
_ALONG: Final = {"carriage": "length", "time": "time", "temperature": "temperature"}
_WITHOUT_UNIT: Final = ("segment", "mask")
_KNOWN: Final = (*_NUMERIC, *_WITHOUT_UNIT, *_ALONG)
_EXAMPLE_UNITS: Final = {"length": "um", "angle": "urad", "time": "s", "temperature": "degC"}
_EXAMPLE: Final = "'x [mm],height [um]'"
_DELIMITERS: Final = {"\t": "tab", ";": "semicolon", ",": "comma", " ": "blanks"}
_COMMENTS: Final = ("#", "%", "!", "//", "\x1a", ";")  # the end of a file of old; the last unless it delimits

_BLANK_CELL: Final = re.compile(r"\"[^\"]*\"|[^\s\[\]()]+(?:\s*(?:\[[^\[\]]*\]|\([^()]*\)))?")
#: A column's name with its unit in brackets, after a stroke (ISO 80000-1, 7.1.4) or 'in', or behind it.
_IN_BRACKETS: Final = re.compile(r"([^\[\]()]*?)\s*(?:\[([^\[\]]*)\]|\((?!\))((?:[^()]|\([^()]*\))*)\))")
_NAMED: Final = "|".join(name for name in _KNOWN)
_AFTER_STROKE: Final = re.compile(rf"({_NAMED})\s*(?:/|\s+in\s+|,)\s*\(?([^()]+)\)?", re.IGNORECASE)
_BEHIND: Final = re.compile(
    rf"({_NAMED})(?:_|\s+)((?:[munpcµμ]|milli|micro|nano|pico|centi)?(?:m|met(?:re|er)s?|rad|radians?)|microns?"
    r"|arcsec|deg|degrees?|s|ms|min|h|K|degC|°C)",
    re.IGNORECASE,
)
_TOML_LINE: Final = re.compile(r"\s*(?:\[+[\w.\"' -]+\]+\s*(?:#.*)?|[\w.\"'-]+\s*=.*)")
_DECLARED: Final = re.compile(r"[#%!;/\s]*decimal(?:\s+mark)?\s*[:=]\s*(comma|point)\s*", re.IGNORECASE)
#: A number with one comma that may be a decimal one or mark thousands.
_GROUPED: Final = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
#: How older runtimes print what is not finite, and Fortran an exponent.
_OLD_NAN: Final = re.compile(r"([+-]?)1\.#(QNAN|SNAN|IND|INF)0*", re.IGNORECASE)
_FORTRAN: Final = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+))[dD]([+-]?\d+)")
_MARKS: Final = (
    (codecs.BOM_UTF8, "utf-8", "UTF-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le", "UTF-32"),
    (codecs.BOM_UTF32_BE, "utf-32-be", "UTF-32"),
    (codecs.BOM_UTF16_LE, "utf-16-le", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16-be", "UTF-16"),
)
_ODD: Final = bytes({*range(32)} - {0x09, 0x0A, 0x0B, 0x0C, 0x0D, 0x1A, 0x1B})

_BLOCK: Final = 1 << 20  # bytes that are read at a time
_START: Final = 1 << 16  # bytes by which binary data are known
_LONGEST_LINE: Final = 1 << 25
_SEARCHED: Final = 500  # lines in which the header must stand
_SAMPLE_ROWS: Final = 20
_LONGEST_NAME: Final = 100
#: A file beyond this is looked at in parts when it is inspected: the first block and so many others.
_LARGE: Final = 1 << 26
_PARTS: Final = 8
_PART: Final = 1 << 18


Wanted = Literal["profile", "scan", "measured"]


class TextContent(NamedTuple):
    """What a text file holds: a profile, a scan or faults, and how it was understood."""

    kind: Literal["profile", "scan"]
    content: Profile | Scan | None
    faults: tuple[str, ...]
    delimiter: str = ""  # comma, semicolon, tab or blanks; '': not known
    decimal: str = "point"  # or comma
    units: tuple[tuple[str, str], ...] = ()  # of the columns in use
    encoding: str = ""
    columns: tuple[tuple[str, str], ...] = ()  # in use: what it became, and how the header writes it
    ignored: tuple[str, ...] = ()  # other columns, and lines that belong to no table
    rows: int = 0
    looked: str | None = None  # which parts were looked at; None: all
    estimate: int | None = None  # rows of a file that was looked at in parts, about


class _Column(NamedTuple):
    name: str
    unit: str | None
    written: str


class _Rows(NamedTuple):
    """Rows of one block, and where they stand."""

    rows: list[str]
    lines: Sequence[int] | None  # number of each row's line; None: not known
    byte: int  # where the block begins


def read_text_profile(path: str | os.PathLike[str]) -> Profile:
    """Profile from delimited text.

    The first line with the names of columns is the header; lines before it and comments ('#', '%', '!', '//', and ';'
    where it does not separate) are passed over, and so are lines of words after the table. Units stand behind names,
    as in `x [mm]`, `x (mm)`, `x/mm`, `x in mm`, `x_mm`, or in a row below the header. Commas, semicolons, tabs or
    blanks separate; a decimal comma is recognised. UTF-8, UTF-16 or UTF-32 by their byte order mark, else UTF-8, else
    Latin-1; any line ends.

    Parameters
    ----------
    path : path
        File with the columns x, height or slope, and optionally segment, sigma, y, mask (0: in use).
        Other columns are ignored.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    FileFormatError
        For the first fault; the text names file, line and what was expected.
    """
    return cast("Profile", _content(path, "profile"))


def read_text_scan(path: str | os.PathLike[str]) -> Scan:
    """Raw scan from delimited text, written as `read_text_profile` says, named as the file without suffix.

    Parameters
    ----------
    path : path
        File with the columns x, height or slope, and optionally carriage, time, temperature, segment, sigma,
        mask (masked values become NaN). Values may be NaN or infinite. Other columns are ignored.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    FileFormatError
        For the first fault; the text names file, line and what was expected.
    """
    return cast("Scan", _content(path, "scan"))


def read_text_measured(path: str | os.PathLike[str]) -> Profile | Scan:
    """Scan if there is a column carriage or time, else profile.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    FileFormatError
        For the first fault; the text names file, line and what was expected.
    """
    return _content(path, "measured")


def _content(path: str | os.PathLike[str], wanted: Wanted) -> Profile | Scan:
    found = examine_text(path, wanted)
    if found.content is None:
        raise FileFormatError(found.faults[0])
    return found.content


def examine_text(path: str | os.PathLike[str], wanted: Wanted = "measured", *, look: bool = False) -> TextContent:
    """Profile or scan in a text file, or everything that is wrong with it.

    Parameters
    ----------
    path : path
    wanted : {'measured', 'profile', 'scan'}
        What it is to be.
    look : bool
        Whether of a large file parts are enough; `looked` says which, and the content is of these.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    """
    try:
        with existing_file(path).open("rb") as file:
            start = file.read(_START)
            for codec, word, skip in _encodings(path, start):
                try:
                    return _Reader(path, file, codec, word, skip, wanted).content(look=look)
                except UnicodeDecodeError:
                    continue
                except FileFormatError as error:  # what ends the reading
                    return TextContent("profile", None, (str(error),), encoding=word)
            return TextContent("profile", None, (f"{path}: is no text in {word}; expected a profile as text or HDF5",))
    except FileFormatError as error:
        return TextContent("profile", None, (str(error),))
    except FileMissingError:
        raise
    except OSError as error:
        raise FileMissingError(f"{path}: cannot be read: {(error.strerror or str(error)).lower()}") from None


def looks_like_toml(line: str) -> bool:
    """Whether a line is a table header or an assignment of TOML."""
    return _TOML_LINE.fullmatch(line) is not None


def _encodings(path: str | os.PathLike[str], start: bytes) -> list[tuple[str, str, int]]:
    """Codecs to try, the name of each and the bytes of its mark."""
    for mark, codec, word in _MARKS:
        if start.startswith(mark):
            return [(codec, word, len(mark))]
    if b"\0" in start:
        wide = any(2 * half.count(0) > len(half) > 5 for half in (start[0:200:2], start[1:200:2]))
        hint = " (or UTF-16 without its byte order mark: save it as UTF-8)" if wide else ""
        raise FileFormatError(f"{path}: is binary{hint}; expected a profile as text or HDF5")
    found = [("utf-8", "UTF-8", 0)]
    # any bytes are Latin-1, so what has other control characters is not taken for text
    return found if start.translate(None, _ODD) != start else [*found, ("latin-1", "Latin-1", 0)]


class _Reader:
    """One pass over one file; collects the faults on the way."""

    def __init__(
        self, path: str | os.PathLike[str], file: BinaryIO, codec: str, encoding: str, skip: int, wanted: Wanted
    ) -> None:
        self.path = path
        self.file = file
        self.codec = codec
        self.encoding = encoding
        self.skip = skip
        self.wanted = wanted
        self.faults: dict[tuple[str, str], tuple[str, str, int]] = {}  # kind, column: place, text, how often
        self.decimal = "point"
        self.declared: str | None = None
        self.sure = False  # that commas are decimal ones
        self.unsure: tuple[str, str, str] | None = None  # place, column and cell that may mean two things
        self.points: set[str] = set()  # columns with decimal points
        self.commas: set[str] = set()  # and with commas
        self.units: list[tuple[str, str]] = []
        self.ignored: list[str] = []
        self.parts: list[_Rows] = []
        self.looked: str | None = None
        self.mean_row = 0.0

    # faults

    def fault(self, kind: str, column: str, place: str, text: str, count: int = 1) -> None:
        """Remember a fault; one of a kind and a column is told where it is met first, and how often."""
        first = self.faults.get((kind, column), (place, text, 0))
        self.faults[kind, column] = (*first[:2], first[2] + count)

    def stop(self, line: int | None, text: str) -> NoReturn:
        raise FileFormatError(f"{self.path}{_line(line)}: {text}")

    def told(self) -> tuple[str, ...]:
        return tuple(f"{self.path}{place}: {text}{_more(count)}" for place, text, count in self.faults.values())

    def place(self, rows: _Rows, row: int) -> str:
        if rows.lines is None:
            return f", near byte {rows.byte}"
        return _line(rows.lines[row])

    def place_of(self, row: int) -> str:
        """Place of a row of the whole table."""
        for rows in self.parts:
            if row < len(rows.rows) or rows.lines is None:
                return self.place(rows, row)
            row -= len(rows.rows)
        return ""

    # blocks of lines

    def blocks(self, start: int, stop: int | None, size: int) -> Iterator[tuple[list[str], bool]]:
        """Lines from byte `start`, a block at a time, and whether these are the last."""
        decoder = io.IncrementalNewlineDecoder(codecs.getincrementaldecoder(self.codec)(), translate=True)
        self.file.seek(start)
        rest, place = "", start
        while True:
            data = self.file.read(size if stop is None else min(size, stop - place))
            place += len(data)
            text = decoder.decode(data, final=not data)
            if not data:
                yield ([rest + text] if rest + text else []), True
                return
            lines = (rest + text).split("\n")
            rest = lines.pop()
            if len(rest) > _LONGEST_LINE:
                self.stop(None, f"has a line of more than {_LONGEST_LINE} characters; expected a row for each point")
            if lines:
                yield lines, False

    def rows_of(self, lines: list[str], first: int, byte: int) -> _Rows:
        marks = self.marks
        rows = [line for line in lines if (start := line.lstrip()) and not start.startswith(marks)]
        if len(rows) == len(lines):
            return _Rows(rows, range(first, first + len(lines)), byte)
        numbers = [
            place
            for place, line in enumerate(lines, start=first)
            if (start := line.lstrip()) and not start.startswith(marks)
        ]
        return _Rows(rows, numbers, byte)

    # the whole

    def content(self, *, look: bool) -> TextContent:
        size = self.file.seek(0, os.SEEK_END)
        stream = self.blocks(self.skip, None, _BLOCK)
        lines, last = next(stream)
        body = self.find_header(lines)
        names = {column.name for column in self.columns}
        quantity = self.check_header()
        self.is_scan = self.wanted == "scan" or (
            self.wanted == "measured" and not names.isdisjoint(("carriage", "time"))
        )
        kinds: Mapping[str, str] = {**_NUMERIC, **_ALONG} if self.is_scan else _NUMERIC
        self.kinds = kinds
        self.needed = [
            place for place, column in enumerate(self.columns) if column.name in kinds or column.name in _WITHOUT_UNIT
        ]
        self.factors = {
            column.name: self.conversion(column, quantity) for column in self.columns if column.name in kinds
        }
        self.found: dict[str, list[npt.NDArray[np.generic]]] = {}
        if look and size > _LARGE:
            self.look_at_parts(lines[body:], body, size)
        else:
            self.read_all(stream, lines[body:], body, last=last)
        count = sum(len(rows.rows) for rows in self.parts)
        if not count:
            self.fault("rows", "", _line(self.head), "no numbers follow the header; expected one row for each point")
        self.check_decimal()
        measured = self.measured(quantity) if count and not self.faults else None
        used = {column.name for place, column in enumerate(self.columns) if place in self.needed}
        others = [column.written for column in self.columns if column.name not in used and column.written]
        if others:
            shown = ", ".join(_shown(name) for name in others[:5]) + ", ..." * (len(others) > 5)
            self.ignored.insert(0, f"{len(others)} column{'s' * (len(others) > 1)}: {shown}")
        return TextContent(
            "scan" if self.is_scan else "profile",
            None if self.faults else measured,
            self.told(),
            _DELIMITERS[self.delimiter],
            self.decimal,
            tuple(self.units),
            self.encoding,
            tuple((column.name, column.written) for column in self.columns if column.name in used),
            tuple(self.ignored),
            count,
            self.looked,
            round((size - self.skip) / self.mean_row) if self.mean_row else None,
        )

    def read_all(self, stream: Iterator[tuple[list[str], bool]], lines: list[str], line: int, *, last: bool) -> None:
        """Every block; the last rows wait until it is known whether the file ends with them."""
        waiting, byte = self.rows_of(lines, line, 0), 0
        line += len(lines)
        while not last:
            lines, last = next(stream)
            rows = self.rows_of(lines, line, byte)
            line += len(lines)
            if rows.rows:
                self.take(waiting)
                waiting = rows
        self.take(self.without_footer(waiting))

    def look_at_parts(self, lines: list[str], line: int, size: int) -> None:
        """The first block and some parts that lie evenly to the end."""
        first = self.rows_of(lines, line, 0)
        self.take(first)
        read = _BLOCK
        unit = len("\n".encode(self.codec))
        for number in range(1, _PARTS + 1):
            start = (_BLOCK + (size - _BLOCK) * number // _PARTS - _PART) // unit * unit
            self.file.seek(start)
            data = self.file.read(_PART)
            read += len(data)
            text = data.decode(self.codec, errors="ignore").replace("\r\n", "\n").replace("\r", "\n")
            parts = text.split("\n")[1:]
            rows = self.rows_of(parts if number == _PARTS else parts[:-1], 0, start)
            rows = self.without_footer(rows) if number == _PARTS else rows
            self.take(rows._replace(lines=None))
        taken = sum(len(rows.rows) for rows in self.parts)
        self.mean_row = (read - self.skip) / max(taken, 1)
        self.looked = (
            f"the first {_BLOCK / 1e6:.1f} MB and {_PARTS} parts of {_PART / 1e6:.1f} MB up to the end, of "
            f"{size / 1e6:.0f} MB"
        )

    def without_footer(self, rows: _Rows) -> _Rows:
        """Rows without lines of words that end the file; a row that is cut short is none."""
        end = len(rows.rows)
        while end and self.is_footer(rows.rows[end - 1]):
            end -= 1
        if end == len(rows.rows) or (not end and not self.parts):
            return rows
        count = len(rows.rows) - end
        text = f"{count} line{'s' * (count > 1)} after the table: {_shown(rows.rows[end])}"
        self.ignored.append(text)
        return _Rows(rows.rows[:end], None if rows.lines is None else rows.lines[:end], rows.byte)

    def is_footer(self, line: str) -> bool:
        cells = [cell.strip(" \"'\x1a") for cell in self.split(line)]
        if len(cells) == len(self.columns) and any(_number(cell) is not None for cell in cells):
            return False
        first = self.columns[0].name
        worded = first == "segment" or first not in _KNOWN  # rows begin with a word, too
        return not any(_number(cell) is not None for cell in (cells if worded else cells[:1]))

    # the header

    def find_header(self, lines: list[str]) -> int:
        """Find the header and how rows are separated; returns the index of the line after it and its units."""
        plain: list[int] = []
        commented: list[int] = []
        for place, line in enumerate(lines):
            start = line.lstrip("\ufeff \t\x1a")
            if not start:
                continue
            if len(plain) + len(commented) >= _SEARCHED:
                break
            declared = _DECLARED.fullmatch(line)
            if declared:
                self.declared = declared[1].casefold()
            (commented if start.startswith(_COMMENTS) else plain).append(place)
        if not plain and not commented:
            self.stop(None, f"is empty; expected a profile with a header such as {_EXAMPLE}")
        if not plain:
            self.stop(None, f"holds only comments; expected a header such as {_EXAMPLE} and numbers")
        whole = [place for place in plain if _is_header(lines[place])]
        spoken = [place for place in commented if _is_header(_uncommented(lines[place]))]
        chosen = next((place for place in whole if self.try_header(lines, place)), None)
        if chosen is None and not whole:
            chosen = next((place for place in reversed(spoken) if self.try_header(lines, place)), None)
        if chosen is None:
            named = [place for place in plain if any(name in lines[place].casefold() for name in _KNOWN)]
            known = dict.fromkeys(plain, 0)
            known |= {place: max(len(_known(columns)) for _, columns in _readings(lines[place])) for place in named}
            best = max(plain, key=lambda place: known[place])
            told = known[best] and not looks_like_toml(lines[plain[0]])
            chosen = whole[0] if whole else best if told else plain[0]
            self.try_header(lines, chosen)
        self.head = chosen
        self.header_line = lines[chosen].strip()
        before = [place for place in plain if place < chosen]
        if before:
            count = len(before)
            self.ignored.append(
                f"{count} line{'s' * (count > 1)} before the header: {_shown(lines[before[0]])}{', ...' * (count > 1)}"
            )
        return self.after_header

    def try_header(self, lines: list[str], place: int) -> bool:
        """Take a line as the header; whether rows follow that fit it."""
        line = lines[place]
        if line.lstrip().startswith(_COMMENTS):
            line = _uncommented(line)
        self.header_delimiter, columns = max(_readings(line), key=lambda reading: len(_known(reading[1])))
        self.columns = columns
        self.delimiter = self.header_delimiter
        self.quoted = False
        self.marks = tuple(mark for mark in _COMMENTS if mark != self.header_delimiter)
        following = [
            number
            for number in range(place + 1, min(len(lines), place + 20 * _SAMPLE_ROWS))
            if (start := lines[number].lstrip()) and not start.startswith(self.marks)
        ][: _SAMPLE_ROWS + 1]
        self.after_header = place + 1
        self.units_line: int | None = None
        if not following:
            return False
        sample = [lines[number] for number in following]
        fits = self.separate(sample)
        if fits and self.take_units(sample[0], following[0]):
            self.units_line = following[0]
            self.after_header = following[0] + 1
            fits = self.separate(sample[1:]) if sample[1:] else False
        return fits

    def separate(self, sample: Sequence[str]) -> bool:
        """Find what separates the cells of rows: as in the header, else the one mark that fits."""
        width = len(self.columns)
        self.quoted = any('"' in row for row in sample)
        found: list[str] = []
        for delimiter in (self.header_delimiter, *(mark for mark in _DELIMITERS if mark != self.header_delimiter)):
            self.delimiter = delimiter
            widths = [len(self.split(row)) for row in sample]
            if widths[0] == width or widths.count(width) > len(widths) / 2:
                found.append(delimiter)
            elif (
                delimiter != " "
                and set(widths) == {width + 1}
                and all(not self.split(row)[-1].strip() for row in sample)
            ):
                self.columns = [*self.columns, _Column("", None, "")]  # each row ends with a mark
                return True
            elif set(widths) == {width - 1} and width > 1 and not self.columns[-1].written and delimiter != " ":
                self.columns = self.columns[:-1]  # the header does
                return True
            if found and delimiter == self.header_delimiter:
                break
        self.delimiter = found[0] if len(found) == 1 else self.header_delimiter
        return len(found) == 1

    def take_units(self, line: str, number: int) -> bool:
        """Take the units from a row below the header, if it is one."""
        cells = [cell.strip(' "[](){}') for cell in self.split(line)]
        if len(cells) != len(self.columns):
            return False
        kinds = {**_NUMERIC, **_ALONG}
        measured = next((kinds[column.name] for column in self.columns if column.name in ("height", "slope")), "length")
        pairs = [
            (place, cell, kinds[column.name] or measured)
            for place, (cell, column) in enumerate(zip(cells, self.columns, strict=True))
            if column.name in kinds
        ]
        if any(_number(cell.replace(",", ".")) is not None for _, cell, _ in pairs):
            return False
        if not any(cell and _is_unit(cell, kind) for _, cell, kind in pairs):
            return False
        columns = list(self.columns)
        for place, cell, kind in pairs:
            column = columns[place]
            if column.unit and cell and not _same_unit(column.unit, cell, kind):
                self.fault(
                    "units",
                    column.name,
                    _line(number),
                    f"column '{column.name}' has the unit [{column.unit}] in the header and [{cell}] below it; "
                    "expected one of them",
                )
            if not column.unit and cell:
                columns[place] = column._replace(unit=cell)
        self.columns = columns
        return True

    def check_header(self) -> Quantity | None:
        names = [column.name for column in self.columns]
        place, line = _line(self.head), self.header_line
        if not set(names) & set(_KNOWN):
            also = " (this looks like a mirror file)" if looks_like_toml(line) else ""
            self.stop(self.head, f"no header row; expected columns such as {_EXAMPLE}; got {_shown(line)}{also}")
        for name in sorted({name for name in names if name in _KNOWN and names.count(name) > 1}):
            text = f"column '{name}' stands {names.count(name)} times in the header; expected once"
            self.fault("twice", name, place, text)
        if "x" not in names:
            got = _shown(", ".join(names))
            self.fault("no x", "x", place, f"no column 'x'; expected columns such as {_EXAMPLE}; got {got}")
        for column in self.columns:
            if column.name in _WITHOUT_UNIT and column.unit is not None:
                text = f"column '{column.name}' has the unit [{column.unit}]; expected none"
                self.fault("unit", column.name, place, text)
        measured: list[Quantity] = [name for name in ("height", "slope") if name in names]
        if len(measured) != 1:
            got = "both" if measured else f"neither in {_shown(', '.join(names))}"
            self.fault("quantity", "", place, f"expected one column 'height' or 'slope' with its unit; got {got}")
            return None
        return measured[0]

    def conversion(self, column: _Column, quantity: Quantity | None) -> tuple[float, float] | None:
        name, unit = column.name, column.unit
        kind = self.kinds[name] or (_NUMERIC[quantity] if quantity else "length")
        example = f"'{name} [{'mm' if name in ('x', 'y', 'carriage') else _EXAMPLE_UNITS[kind]}]'"
        place = _line(self.head if self.units_line is None else self.units_line)
        if not unit:
            self.fault("unit", name, place, f"column '{name}' has no unit; expected such as {example}")
            return None
        try:
            conversion = unit_factor(unit, kind)
        except UnitError:
            text = f"column '{name}' has the unit [{unit}]; expected a unit of {kind}, such as {example}"
            self.fault("unit", name, place, text)
            return None
        self.units.append((name, unit))
        return conversion

    # rows

    def split(self, row: str) -> list[str]:
        if self.quoted and '"' in row:
            try:
                found = next(csv.reader([row], delimiter=self.delimiter, skipinitialspace=True, strict=True), [])
            except csv.Error:
                return [row]
            return [cell for cell in found if cell] if self.delimiter == " " else found
        return row.split() if self.delimiter == " " else row.split(self.delimiter)

    def take(self, rows: _Rows) -> None:
        """Parse the columns in use of some rows."""
        if not rows.rows:
            return
        # of rows only how many there are and where they stand is kept
        self.parts.append(rows._replace(rows=cast("list[str]", range(len(rows.rows)))))
        cells = self.cells(rows)
        if cells is None:
            return
        for place, own in cells.items():
            name = self.columns[place].name
            if name == "segment":
                found: npt.NDArray[np.generic] | None = self.names(own, rows)
            else:
                found = self.numbers(name, own, rows)
            if found is not None:
                self.found.setdefault(name, []).append(found)

    def cells(self, rows: _Rows) -> dict[int, list[str]] | None:
        """Cells of the columns in use; None if rows are ragged."""
        width, delimiter, lines = len(self.columns), self.delimiter, rows.rows
        quoted = any('"' in row for row in lines)
        if quoted or delimiter == " ":
            if quoted:
                self.quoted = True
            parts = [self.split(row) for row in lines]
            widths = [len(part) for part in parts]
            if widths.count(width) == len(widths):
                return {place: [part[place] for part in parts] for place in self.needed}
        else:
            widths = [row.count(delimiter) + 1 for row in lines]
            if widths.count(width) == len(widths):
                if width <= 4 * len(self.needed):
                    every = delimiter.join(lines).split(delimiter)
                    return {place: every[place::width] for place in self.needed}
                if not self.needed:
                    return {}
                # of thousands of columns only those in use are kept, and no row is split beyond the last of them
                get, last = itemgetter(*self.needed), max(self.needed) + 1
                taken = [get(row.split(delimiter, last)) for row in lines]
                if len(self.needed) == 1:
                    return {self.needed[0]: cast("list[str]", taken)}
                return dict(zip(self.needed, map(list, zip(*taken, strict=True)), strict=True))
        row = next(place for place, found in enumerate(widths) if found != width)
        hint = ""
        if delimiter == "," and widths[row] > width:
            hint = " (with a decimal comma, separate the columns by semicolons or tabs)"
        text = f"expected {width} columns as in the header; got {widths[row]}{hint}"
        self.fault("ragged", "", self.place(rows, row), text, len(widths) - widths.count(width))
        return None

    def numbers(self, name: str, cells: list[str], rows: _Rows) -> FloatArray | None:
        joined = "\n".join(cells)
        written = cells
        if "," in joined:
            cells = self.with_points(name, cells, rows)
            if ("comma", name) in self.faults:
                return None
        elif "." in joined:
            self.points.add(name)
        try:
            if "_" in joined:  # Python's float would take 1_000
                raise ValueError
            return np.fromiter(map(float, cells), dtype=np.float64, count=len(cells))
        except ValueError:
            pass
        values = [_number(cell) for cell in cells]
        wrong = [row for row, value in enumerate(values) if value is None]
        if wrong:
            row = wrong[0]
            if rows.rows[row].strip() == self.header_line:
                text = "is the header again; expected one table in a file"
                self.fault("again", "", self.place(rows, row), text, 0)
                return None
            text = f"column '{name}': expected a number; got {_shown(written[row])}"
            self.fault("number", name, self.place(rows, row), text, len(wrong))
            return None
        return np.array(values, dtype=np.float64)

    def with_points(self, name: str, cells: list[str], rows: _Rows) -> list[str]:
        """Cells with decimal commas, as numbers are written with points; what may mean two things is remembered."""
        self.commas.add(name)
        for row, cell in enumerate(cells):
            marks = cell.count(",")
            if "." in cell:
                self.points.add(name)
            if not marks:
                continue
            if "." in cell or marks > 1:
                text = f"column '{name}' has decimal points and commas; expected one of them; got {_shown(cell)}"
                if marks > 1 and "." not in cell:
                    text = f"column '{name}': {_shown(cell)} has several commas; expected no marks of thousands"
                self.fault("comma", name, self.place(rows, row), text)
                break
            if not self.sure and not _GROUPED.fullmatch(cell.strip()):
                self.sure = True
            if self.unsure is None:
                self.unsure = (self.place(rows, row), name, cell)
        return [cell.replace(",", ".") for cell in cells]

    def check_decimal(self) -> None:
        """Settle what commas in numbers mean: by what is declared, else by one that can't mark thousands."""
        if not self.commas:
            return
        self.decimal = "comma"
        place, name, cell = self.unsure or ("", "", "")
        if any(kind == "comma" for kind, _ in self.faults):
            return
        if self.points:
            columns = " and ".join(f"'{column}'" for column in sorted(self.points))
            text = (
                f"column '{name}' has decimal points and commas; expected one of them; got {_shown(cell)}"
                if name in self.points
                else f"column '{name}' has commas, such as {_shown(cell)}, and {columns} points; expected one of them"
            )
            self.fault("comma", name, place, text)
        elif self.declared == "point":
            self.fault("comma", name, place, f"column '{name}': got {_shown(cell)}; expected points, as declared")
        elif not self.sure and self.declared is None:
            self.fault(
                "comma",
                name,
                place,
                f"column '{name}': {_shown(cell)} may be {cell.strip().replace(',', '.')} or "
                f"{cell.strip().replace(',', '')}; expected a line '# decimal: comma' before the header, or points",
            )

    def names(self, cells: list[str], rows: _Rows) -> npt.NDArray[np.str_] | None:
        # one object for each run of equal names, so that a long column costs little
        known = {cell: cell.strip() for cell in set(cells)}
        wrong = next((cell for cell in known if not 0 < len(known[cell]) <= _LONGEST_NAME), None)
        if wrong is not None:
            text = f"column 'segment': expected a name of 1 to {_LONGEST_NAME} characters; got {_shown(wrong)}"
            self.fault("name", "segment", self.place(rows, cells.index(wrong)), text)
            return None
        return np.array([known[cell] for cell in cells], dtype=np.str_)

    # what was measured

    def measured(self, quantity: Quantity | None) -> Profile | Scan | None:
        if quantity is None:
            return None
        joined = {name: parts[0] if len(parts) == 1 else np.concatenate(parts) for name, parts in self.found.items()}
        self.found.clear()
        found: dict[str, FloatArray] = {}
        written: dict[str, FloatArray] = {}
        for name, conversion in self.factors.items():
            if conversion is not None and name in joined:
                numbers = cast("FloatArray", joined.pop(name))
                written[name] = numbers
                with np.errstate(over="ignore"):  # an infinite value is told as such below
                    found[name] = to_si(numbers, conversion[0]) + conversion[1]
        segment = cast("npt.NDArray[np.str_] | None", joined.get("segment"))
        mask = self.mask(cast("FloatArray", joined["mask"])) if "mask" in joined else None
        if self.faults:
            return None
        masked = "mask" in joined
        # values of a scan may be what they are, all else of it is finite
        checked = (
            {name: array for name, array in found.items() if name not in (quantity, "y")} if self.is_scan else found
        )
        used = np.zeros(len(found["x"]), dtype=bool) if mask is None or self.is_scan else mask
        used = self.used(checked, used, masked=masked and not self.is_scan)
        sigma = found.get("sigma")
        if sigma is not None:
            wrong = np.flatnonzero(used & ~(sigma > 0))
            if len(wrong):
                text = f"sigma is {written['sigma'][wrong[0]]:g}; expected a standard uncertainty above 0"
                self.fault("sigma", "sigma", self.place_of(int(wrong[0])), text, len(wrong))
        if self.faults:
            return None
        try:
            if self.is_scan:
                values = found[quantity] if mask is None else np.where(mask, np.nan, found[quantity])
                return Scan(
                    name=Path(self.path).stem,
                    quantity=quantity,
                    x=found["x"],
                    values=values,
                    sigma=sigma,
                    carriage=found.get("carriage"),
                    time=found.get("time"),
                    temperature=found.get("temperature"),
                    segment=segment,
                )
            return Profile(
                name=Path(self.path).name,
                quantity=quantity,
                x=found["x"],
                values=found[quantity],
                sigma=sigma,
                segment=segment,
                y=found.get("y"),
                mask=~used if masked else None,
            )
        except ParameterError as error:
            self.fault("whole", "", "", str(error))
            return None

    def mask(self, numbers: FloatArray) -> BoolArray | None:
        wrong = np.flatnonzero(~np.isfinite(numbers))
        if len(wrong):
            text = f"column 'mask': expected 0 (in use) or 1 (left out); got {numbers[wrong[0]]}"
            self.fault("mask", "mask", self.place_of(int(wrong[0])), text, len(wrong))
            return None
        left_out: BoolArray = numbers != 0
        return left_out

    def used(self, found: dict[str, FloatArray], mask: BoolArray, *, masked: bool) -> BoolArray:
        """Points in use; a value that is not finite is a fault, unless a mask column excuses it."""
        used = ~mask
        for name, values in found.items():
            finite = np.isfinite(values)
            if not masked and not finite.all():
                wrong = np.flatnonzero(~finite)
                excuse = "" if self.is_scan else ", or a column 'mask' that leaves the point out"
                text = f"column '{name}' is {values[wrong[0]]}; expected a finite number{excuse}"
                self.fault("finite", name, self.place_of(int(wrong[0])), text, len(wrong))
            used &= finite
        return used


def _readings(line: str) -> list[tuple[str, list[_Column]]]:
    """A line as a header, under each delimiter that is in it."""
    found = []
    for delimiter in _DELIMITERS:
        if delimiter == " " or delimiter in line.strip():
            cells = _BLANK_CELL.findall(line) if delimiter == " " else line.split(delimiter)
            if delimiter == "," and '"' in line:
                cells = next(csv.reader([line], skipinitialspace=True), [])
            found.append((delimiter, [_column(cell) for cell in cells[:_MOST_COLUMNS]]))
    return found


_MOST_COLUMNS: Final = 1_000_000


def _column(cell: str) -> _Column:
    written = cell.strip(" \t\r\n\"'\ufeff\x1a")
    match = _IN_BRACKETS.fullmatch(written)
    if match is not None:
        name, square, round_ = match.groups()
        unit = (square if square is not None else round_).strip()
        # a slope has no round brackets of its own, so '(raw)' behind a name is a unit that is not known
        return _Column(_name(name), unit, written)
    for pattern in (_AFTER_STROKE, _BEHIND):
        match = pattern.fullmatch(written)
        if match is not None:
            return _Column(match[1].casefold(), match[2].strip(), written)
    return _Column(_name(written), None, written)


def _name(text: str) -> str:
    return text.strip(" \t\"'").removesuffix("/").rstrip().casefold()


def _known(columns: Sequence[_Column]) -> set[str]:
    return {column.name for column in columns} & set(_KNOWN)


def _is_header(line: str) -> bool:
    small = line.casefold()
    if "x" not in small or ("height" not in small and "slope" not in small):
        return False  # as nearly every line, quickly
    return any("x" in names and {"height", "slope"} & names for names in (_known(c) for _, c in _readings(line)))


def _uncommented(line: str) -> str:
    return line.lstrip().lstrip("#%!;/").lstrip()


def _is_unit(text: str, kind: str) -> bool:
    try:
        unit_factor(text, kind)
    except UnitError:
        return False
    return True


def _same_unit(one: str, other: str, kind: str) -> bool:
    try:
        return unit_factor(one, kind) == unit_factor(other, kind)
    except UnitError:
        return False


def _number(cell: str) -> float | None:
    """Number in a cell, also with a minus sign of typography, an exponent of Fortran or an old NaN; None: none."""
    cell = cell.strip().replace("\u2212", "-")
    if "_" in cell:
        return None
    try:
        return float(cell)
    except ValueError:
        pass
    match = _FORTRAN.fullmatch(cell)
    if match is not None:
        return float(f"{match[1]}e{match[2]}")
    match = _OLD_NAN.fullmatch(cell)
    if match is not None:
        return float(f"{match[1]}inf" if match[2].upper() == "INF" else "nan")
    return None


def _line(line: int | None) -> str:
    return "" if line is None else f", line {line + 1}"


def _shown(text: str) -> str:
    text = text.strip()
    return repr(text if len(text) <= 60 else text[:57] + "...")


def _more(count: int) -> str:
    return "" if count <= 1 else f" (so in {count} rows)"


#: What writing changes at most: half of the last decimal of a position [m], and of a value [m, rad].
X_ROUNDING: Final = 0.5e-10
VALUE_ROUNDING: Final = 0.5e-12


def write_text_profile(
    profile: Profile,
    path: str | os.PathLike[str],
    *,
    comments: Sequence[str] = (),
    force: bool = False,
) -> None:
    """Write a profile as delimited text: x [mm], height [um] or slope [urad], and what else it has.

    Parameters
    ----------
    profile : Profile
        Written to a tenth of a nanometre in x and a picometre (picoradian) in the values.
    path : path
    comments : sequence of str
        Lines that stand before the header.
    force : bool
        Whether a file of that name may be replaced.

    Raises
    ------
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    unit = _written_unit(profile.quantity)
    columns = [*_measured_columns(profile), *_names_and_sigma(profile, unit)]
    if profile.y is not None:
        columns.append(("y [mm]", [f"{value:.7f}" for value in profile.y * 1e3]))
    if profile.mask is not None:
        columns.append(("mask", [str(int(value)) for value in profile.mask]))
    _write_columns(columns, path, comments, force=force)


def write_text_scan(
    scan: Scan, path: str | os.PathLike[str], *, comments: Sequence[str] = (), force: bool = False
) -> None:
    """Write a raw scan as delimited text, as `write_text_profile` does, with carriage, time and temperature.

    Raises
    ------
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    columns = _measured_columns(scan)
    if scan.carriage is not None:
        columns.append(("carriage [mm]", [f"{value:.7f}" for value in scan.carriage * 1e3]))
    if scan.time is not None:
        columns.append(("time [s]", [f"{value:.9g}" for value in scan.time]))
    if scan.temperature is not None:
        columns.append(("temperature [K]", [f"{value:.9g}" for value in scan.temperature]))
    columns += _names_and_sigma(scan, _written_unit(scan.quantity))
    _write_columns(columns, path, comments, force=force)


_Cells = list[tuple[str, list[str]]]


def _written_unit(quantity: Quantity) -> str:
    return "um" if quantity == "height" else "urad"


def _measured_columns(measured: Profile | Scan) -> _Cells:
    return [
        ("x [mm]", [f"{value:.7f}" for value in measured.x * 1e3]),
        (
            f"{measured.quantity} [{_written_unit(measured.quantity)}]",
            [f"{value:.6f}" for value in measured.values * 1e6],
        ),
    ]


def _names_and_sigma(measured: Profile | Scan, unit: str) -> _Cells:
    columns: _Cells = []
    if measured.segment is not None:
        columns.append(("segment", [str(name) for name in measured.segment]))
    if measured.sigma is not None:
        columns.append((f"sigma [{unit}]", [f"{value * 1e6:.7g}" for value in measured.sigma]))
    return columns


def _write_columns(columns: _Cells, path: str | os.PathLike[str], comments: Sequence[str], *, force: bool) -> None:
    lines = [f"# {comment}" for comment in comments]
    lines.append(",".join(name for name, _ in columns))
    lines += [",".join(row) for row in zip(*(cells for _, cells in columns), strict=True)]
    with new_file(path, force=force) as temporary:
        temporary.write_text("\n".join(lines) + "\n", encoding="utf-8")
