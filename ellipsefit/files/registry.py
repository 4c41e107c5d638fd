"""Which reader reads which file, told by the file's first bytes and not by its name."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

from ellipsefit.errors import FileFormatError, FileMissingError, ParameterError
from ellipsefit.files.foreign import START, refuse_foreign
from ellipsefit.files.safe import existing_file, real_path
from ellipsefit.files.text.blocks import encodings_of
from ellipsefit.files.text.header import SEPARATOR_LINE
from ellipsefit.profile import Profile
from ellipsefit.scan import Scan
from ellipsefit.stream import ProfileSource

if TYPE_CHECKING:
    from ellipsefit.files.lines import Lines

Format = Literal["hdf5", "x3p", "sdf", "text"]
#: Formats that hold lines of heights, of which one has to be chosen.
LINED: Final = ("x3p", "sdf")

#: Points up to which a profile is held in memory.
HELD: Final = 2_000_000
_HDF5: Final = b"\x89HDF\r\n\x1a\n"
#: A user block may stand before the signature (HDF5 File Format Specification 3.0, section II.A).
_HDF5_OFFSETS: Final = (0, 512, 1024, 2048)
_ZIP: Final = (b"PK\x03\x04", b"PK\x05\x06")
_SDF: Final = (b"aISO-", b"bISO-", b"aBCR-", b"bBCR-")
_CELL: Final = re.compile(r"\s*([^\[\]()]*?)\s*(?:\[([^\[\]]*)\]|\(([^()]*)\))?\s*")
_BLANK_CELL: Final = re.compile(r"[^\s\[\]()]+(?:\s*(?:\[[^\[\]]*\]|\([^()]*\)))?")
_DELIMITERS: Final = ("\t", ";", ",", " ")
#: Bytes that hold comments and header of a survey.
_HEAD: Final = 8192


def file_format(path: str | os.PathLike[str]) -> Format:
    """Format of a file by its signature; what has none is text.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    FileFormatError
        If it is of a kind that nothing is read from, such as a spreadsheet.
    """
    try:
        with existing_file(path).open("rb") as file:
            start = file.read(START)
    except FileMissingError:
        raise
    except OSError as error:
        raise FileMissingError(f"{path}: cannot be read: {error.strerror}") from None
    if any(start[offset:].startswith(_HDF5) for offset in _HDF5_OFFSETS):
        return "hdf5"
    refuse_foreign(start, path, "measurements as text or HDF5")
    if start.startswith(_ZIP):
        return "x3p"
    return "sdf" if start.startswith(_SDF) else "text"


def looks_like_survey(path: str | os.PathLike[str]) -> bool:
    """Whether a file is meant to be a survey: its header has a target, or an NXdata a position."""
    kind = file_format(path)
    if kind in LINED:
        return False
    if kind == "hdf5":
        from ellipsefit.files.nexus import holds_surveys  # h5py is loaded when a file needs it

        try:
            return holds_surveys(path)
        except FileFormatError:
            return False
    with existing_file(path).open("rb") as file:  # it may be large, and its header is enough
        start = file.read(_HEAD)
    try:
        encoding = encodings_of(start, path)[0]
    except FileFormatError:
        return False
    text = start.removeprefix(encoding.mark).decode(encoding.codec, errors="replace")
    head = next((line for line in text.splitlines() if line.strip() and not is_aside(line)), "")
    return any(name == "target" for name, _ in head_columns(head)[1])


def is_aside(line: str) -> bool:
    """Whether a line of a survey is a comment, or says what separates the cells."""
    return line.lstrip().startswith("#") or SEPARATOR_LINE.fullmatch(line) is not None


def head_columns(line: str) -> tuple[str, list[tuple[str, str | None]]]:
    """Delimiter of the header of a survey, and the name and unit of each column."""
    mark = next((mark for mark in _DELIMITERS if mark in line.strip()), ",")
    cells = _BLANK_CELL.findall(line) if mark == " " else line.split(mark)
    columns = []
    for cell in cells:
        match = _CELL.fullmatch(cell.replace('"', ""))
        name, square, round_ = match.groups() if match else (cell, None, None)
        columns.append((name.strip().casefold(), round_ if square is None else square))
    return mark, columns


def read_profile(path: str | os.PathLike[str], *, line: str | None = None) -> Profile:
    """Profile from delimited text, NeXus HDF5, X3P (ISO 25178-72) or SDF (ISO 25178-71), whichever the file is.

    Parameters
    ----------
    path : path
        File to read.
    line : str, optional
        Of an X3P or SDF file with several lines: the number of the one that is meant, from '1', its place across,
        such as '2.5 mm', or 'all'.

    Returns
    -------
    Profile
        Lengths in m, slopes in rad, as it stands in the file.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    FileFormatError
        If it holds no profile, a faulty one, or several lines and it is not said which; the text names file, line
        or field, and what was expected.
    ParameterError
        If `line` names none.
    """
    found = file_format(path)
    if found in LINED:
        from ellipsefit.files.lines import profile_of

        return profile_of(path, read_lines(path, line))
    _refuse_line(path, line)
    if found == "hdf5":
        from ellipsefit.files.nexus import read_nexus_profile  # h5py is loaded when a file needs it

        return read_nexus_profile(path)
    from ellipsefit.files.text import read_text_profile

    return read_text_profile(path)


def read_lines(path: str | os.PathLike[str], line: str | None = None) -> Lines:
    """Lines of an X3P or SDF file; `line` as for `read_profile`.

    Raises
    ------
    FileMissingError, FileFormatError, ParameterError
        As by `read_profile`.
    """
    from ellipsefit.files.lines import chooser

    return _lines_reader(path)(path, chooser(path, line))


def look_at_lines(path: str | os.PathLike[str]) -> Lines:
    """The first line of an X3P or SDF file and what the file tells of itself; of large data only the beginning is read.

    Raises
    ------
    FileMissingError, FileFormatError
        As by `read_profile`.
    """
    from ellipsefit.files.lines import first_line

    return _lines_reader(path)(path, first_line, look=True)


def _lines_reader(path: str | os.PathLike[str]) -> Callable[..., Lines]:
    if file_format(path) == "x3p":
        from ellipsefit.files.x3p import read_x3p

        return read_x3p
    from ellipsefit.files.sdf import read_sdf

    return read_sdf


def _refuse_line(path: str | os.PathLike[str], line: str | None) -> None:
    if line is not None:
        raise ParameterError(f"--line: {path} has no lines to choose from; only X3P and SDF files do")


def open_profile(path: str | os.PathLike[str]) -> Profile | ProfileSource:
    """Profile from a file of any size: a large one stays in its file and is read in parts when that is needed.

    Parameters
    ----------
    path : path
        As for `read_profile`.

    Returns
    -------
    Profile or ProfileSource
        HDF5 with more than 2,000,000 points is a `ProfileSource`, unless it has y or covariance_factor, for
        these are held together; all else is read now. It goes wherever a profile goes, to `fit_ellipse` say,
        and can be closed, or used in a `with` statement.

    Raises
    ------
    FileMissingError, FileFormatError
        As by `read_profile`; of a profile that stays in its file, faulty numbers are told when they are read.
    """
    if file_format(path) != "hdf5":
        return read_profile(path)
    from ellipsefit.files.nexus import open_nexus_profile

    return open_nexus_profile(path, held=HELD)


def open_measured(path: str | os.PathLike[str]) -> Profile | ProfileSource | tuple[Scan, ...]:
    """Profile of any size or raw scans, whichever the file holds: `open_profile` or `read_scans`.

    Raises
    ------
    FileMissingError, FileFormatError
        As by `read_measured`.
    """
    if file_format(path) != "hdf5":
        return read_measured(path)
    from ellipsefit.files.nexus import holds_scans

    return read_measured(path) if holds_scans(path) else open_profile(path)


def read_scans(paths: str | os.PathLike[str] | Sequence[str | os.PathLike[str]]) -> tuple[Scan, ...]:
    """Raw scans from one file or several: delimited text, X3P or SDF (one scan each) or NeXus HDF5 (any number).

    Parameters
    ----------
    paths : path or sequence of path
        Files to read.

    Returns
    -------
    tuple of Scan
        In the order of the files, and in them; SI units. A scan is named as its NXentry, or as its text file
        without suffix; where names of several files collide, each is led by its file: 'monday:scan_000'.

    Raises
    ------
    FileMissingError
        If a file cannot be opened.
    FileFormatError
        If it holds no scans, or a faulty one; the text names file, line or field, and what was expected.
    ParameterError
        If no file is given, or one twice.
    """
    files = [paths] if isinstance(paths, str | os.PathLike) else list(paths)
    if not files:
        raise ParameterError("no file is given to read scans from; expected at least one")
    places = [real_path(file) for file in files]
    for number, place in enumerate(places):
        if place in places[:number]:
            raise ParameterError(f"{files[number]}: is given twice; expected each file of scans once")
    parts = [_scans_of(file) for file in files]
    scans = tuple(scan for part in parts for scan in part)
    if len({scan.name for scan in scans}) == len(scans):
        return scans
    labels = _labels(places)
    return tuple(
        replace(scan, name=label if scan.name == place.stem else f"{label}:{scan.name}")
        for place, label, part in zip(places, labels, parts, strict=True)
        for scan in part
    )


def _scans_of(path: str | os.PathLike[str]) -> tuple[Scan, ...]:
    found = file_format(path)
    if found == "hdf5":
        from ellipsefit.files.nexus import read_nexus_scans

        return read_nexus_scans(path)
    if found in LINED:
        from ellipsefit.files.lines import scan_of

        return (scan_of(path, read_lines(path)),)
    from ellipsefit.files.text import read_text_scan

    return (read_text_scan(path),)


def _labels(places: Sequence[Path]) -> list[str]:
    """Stem of each file, numbered where it stands twice."""
    labels: list[str] = []
    for place in places:
        label, count = place.stem, 1
        while label in labels:
            count += 1
            label = f"{place.stem} ({count})"
        labels.append(label)
    return labels


def read_measured(path: str | os.PathLike[str]) -> Profile | tuple[Scan, ...]:
    """Profile or raw scans, whichever the file holds.

    It holds scans if there are several, or the only one has a carriage or a time; a profile of HDF5 says in
    which frame it is. X3P and SDF have no place for either and hold profiles.

    Parameters
    ----------
    path : path
        File to read: delimited text, NeXus HDF5, X3P or SDF.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    FileFormatError
        If it holds neither, or a faulty one; the text names file, line or field, and what was expected.
    """
    found = file_format(path)
    if found == "hdf5":
        from ellipsefit.files.nexus import read_nexus_measured

        return read_nexus_measured(path)
    if found in LINED:
        return read_profile(path)
    from ellipsefit.files.text import read_text_measured

    measured = read_text_measured(path)
    return measured if isinstance(measured, Profile) else (measured,)
