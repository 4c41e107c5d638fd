"""A text file read from its first byte to what was measured."""

from __future__ import annotations

import os
from typing import BinaryIO, Literal, NamedTuple, cast

from ellipsefit.errors import FileFormatError, FileMissingError, shown
from ellipsefit.files.safe import existing_file, fault_reason
from ellipsefit.files.text import rows
from ellipsefit.files.text.blocks import START, Encoding, blocks_of, encodings_of
from ellipsefit.files.text.columns import DELIMITERS
from ellipsefit.files.text.faults import Faults
from ellipsefit.files.text.header import DecimalMark, Header, find_header
from ellipsefit.files.text.meaning import Meaning, Wanted, meaning_of
from ellipsefit.files.text.measured import measured_of
from ellipsefit.files.text.table import Table, read_table
from ellipsefit.profile import Profile
from ellipsefit.scan import Scan


class TextContent(NamedTuple):
    """What a text file holds: a profile, a scan or faults, and how it was understood."""

    kind: Literal["profile", "scan"]
    content: Profile | Scan | None
    faults: tuple[str, ...]
    delimiter: str = ""  # comma, semicolon, tab or blanks; '': not known
    decimal: DecimalMark = "point"
    units: tuple[tuple[str, str], ...] = ()  # of the columns in use
    encoding: str = ""
    columns: tuple[tuple[str, str], ...] = ()  # in use: what it became, and how the header writes it
    ignored: tuple[str, ...] = ()  # other columns, and lines that belong to no table
    rows: int = 0
    looked: str | None = None  # which parts were looked at; None: all
    estimate: int | None = None  # rows of a file that was looked at in parts, about


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
            encodings = encodings_of(file.read(START), path)
            for encoding in encodings:
                try:
                    return _examined(file, encoding, path, wanted, look=look)
                except UnicodeDecodeError:
                    continue
                except FileFormatError as error:  # what ends the reading
                    return TextContent("profile", None, (str(error),), encoding=encoding.name)
            fault = f"{path}: is no text in {encodings[-1].name}; expected a profile as text or HDF5"
            return TextContent("profile", None, (fault,))
    except FileFormatError as error:
        return TextContent("profile", None, (str(error),))
    except FileMissingError:
        raise
    except OSError as error:
        raise FileMissingError(f"{path}: cannot be read: {fault_reason(error)}") from None


def _examined(
    file: BinaryIO, encoding: Encoding, path: str | os.PathLike[str], wanted: Wanted, *, look: bool
) -> TextContent:
    faults = Faults(path)
    size = file.seek(0, os.SEEK_END)
    blocks = blocks_of(file, encoding, path)
    first = next(blocks)
    header = find_header(first, path)
    meaning = meaning_of(header, wanted, faults)
    in_parts = look and size > rows.LARGE
    found = rows.some_rows(first, file, encoding, header, size) if in_parts else rows.every_row(first, blocks, header)
    table = read_table(found, header, meaning, faults)
    measured = None if faults else measured_of(table, meaning, faults)
    return TextContent(
        kind="scan" if meaning.is_scan else "profile",
        content=measured,
        faults=faults.sentences(),
        delimiter=DELIMITERS[header.delimiter],
        decimal=table.decimal,
        units=meaning.units,
        encoding=encoding.name,
        columns=tuple((column.name, column.written) for column in meaning.columns.values()),
        ignored=_ignored(meaning, header, table),
        rows=table.size,
        looked=rows.looked_at(size) if in_parts else None,
        estimate=rows.estimated(table.size, size, encoding) if in_parts else None,
    )


def _ignored(meaning: Meaning, header: Header, table: Table) -> tuple[str, ...]:
    """Columns and lines that are not in use, in words."""
    others = [column.written for column in meaning.others if column.written]
    found = []
    if others:
        names = ", ".join(shown(name) for name in others[:5]) + ", ..." * (len(others) > 5)
        found.append(f"{_counted(len(others), 'column')}: {names}")
    if header.before:
        more = ", ..." * (len(header.before) > 1)
        found.append(f"{_counted(len(header.before), 'line')} before the header: {shown(header.before[0])}{more}")
    if table.after:
        found.append(f"{_counted(len(table.after), 'line')} after the table: {shown(table.after[0])}")
    return tuple(found)


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'s' * (number != 1)}"
