"""Profiles and scans as delimited text: comments, one header row with units in brackets, then numbers."""

from __future__ import annotations

import csv
import os
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Final, Literal, NamedTuple, NoReturn, cast

import numpy as np

from ellipsefit.arrays import BoolArray, FloatArray
from ellipsefit.errors import FileFormatError, ParameterError, UnitError
from ellipsefit.files.safe import new_file, read_bytes
from ellipsefit.profile import Profile, Quantity
from ellipsefit.scan import Scan
from ellipsefit.units import to_si, unit_factor

#: Columns of numbers in use, and the kind of quantity in each ('': that of the measured one).
_NUMERIC: Final = {"x": "length", "y": "length", "height": "length", "slope": "angle", "sigma": ""}
#: What a scan has and a profile needs not.
_ALONG: Final = {"carriage": "length", "time": "time", "temperature": "temperature"}
_WITHOUT_UNIT: Final = ("segment", "mask")
_EXAMPLE_UNITS: Final = {"length": "um", "angle": "urad", "time": "s", "temperature": "degC"}
_EXAMPLE: Final = "'x [mm],height [um]'"
_DELIMITERS: Final = {"\t": "tab", ";": "semicolon", ",": "comma", " ": "blanks"}

_HEADER_CELL: Final = re.compile(r"\s*\"?\s*([^\[\]\"]*?)\s*(?:\[([^\[\]]*)\])?\s*\"?\s*")
_BLANK_CELL: Final = re.compile(r"[^\s\[\]]+(?:\s*\[[^\[\]]*\])?")
_TOML_LINE: Final = re.compile(r"\s*(?:\[+[\w.\"' -]+\]+\s*(?:#.*)?|[\w.\"'-]+\s*=.*)")


Wanted = Literal["profile", "scan", "measured"]


class TextContent(NamedTuple):
    """What a text file holds: a profile, a scan or faults, and how it is written."""

    kind: Literal["profile", "scan"]
    content: Profile | Scan | None
    faults: tuple[str, ...]
    delimiter: str  # comma, semicolon, tab or blanks; '': not known
    decimal: str  # point or comma
    units: tuple[tuple[str, str], ...]  # of the columns in use


class _Column(NamedTuple):
    name: str
    unit: str | None


def read_text_profile(path: str | os.PathLike[str]) -> Profile:
    """Profile from delimited text.

    Lines that begin with '#' are comments; the first other line is the header, whose columns carry units
    in square brackets. Commas, semicolons, tabs or blanks separate, a decimal comma is recognised (unless
    the comma separates), UTF-8 with or without a byte order mark, any line ends.

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


def examine_text(path: str | os.PathLike[str], wanted: Wanted = "measured") -> TextContent:
    """Profile or scan in a text file, or everything that is wrong with it.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    """
    try:
        return _Reader(path, _decoded(path, read_bytes(path)), wanted).content()
    except FileFormatError as error:  # what ends the reading
        return TextContent("profile", None, (str(error),), "", "point", ())


def looks_like_toml(line: str) -> bool:
    """Whether a line is a table header or an assignment of TOML."""
    return _TOML_LINE.fullmatch(line) is not None


def _decoded(path: str | os.PathLike[str], data: bytes) -> str:
    if not data.strip(b"\xef\xbb\xbf \t\r\n"):
        raise FileFormatError(f"{path}: is empty; expected a profile with a header such as {_EXAMPLE}")
    if b"\0" in data:
        raise FileFormatError(f"{path}: is binary; expected a profile as text or HDF5")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise FileFormatError(
            f"{path}, line {line}: is no text in UTF-8 (byte {data[error.start]:#04x}); expected a profile as UTF-8 "
            "text or HDF5"
        ) from None
    return text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text


class _Reader:
    """One pass over one file; collects the faults on the way."""

    def __init__(self, path: str | os.PathLike[str], text: str, wanted: Wanted) -> None:
        self.path = path
        self.wanted = wanted
        self.lines = text.split("\n")
        self.marks = {mark for mark in '",_' if mark in text}  # what is nowhere needs no search in the cells
        self.faults: list[str] = []
        self.decimal = "point"
        self.units: list[tuple[str, str]] = []

    def content(self) -> TextContent:
        head = next((number for number, line in enumerate(self.lines) if _counts(line)), None)
        if head is None:
            self.stop(None, f"holds only comments; expected a header such as {_EXAMPLE} and numbers")
        self.head: int = head
        self.delimiter, columns = _header_columns(self.lines[head])
        quantity = self.check_header(columns)
        names = {column.name for column in columns}
        self.is_scan = self.wanted == "scan" or (
            self.wanted == "measured" and not names.isdisjoint(("carriage", "time"))
        )
        self.kinds = {**_NUMERIC, **_ALONG} if self.is_scan else _NUMERIC
        measured = None
        # as _counts, without a call for each line
        self.rows = [line for line in self.lines[head + 1 :] if (start := line.lstrip()) and start[0] != "#"]
        if not self.rows:
            self.fault(head, "no numbers follow the header; expected one row for each point")
        else:
            cells = self.cells(len(columns))
            if cells is not None:
                measured = self.measured(columns, cells, quantity)
        return TextContent(
            "scan" if self.is_scan else "profile",
            measured if not self.faults else None,
            tuple(self.faults),
            _DELIMITERS[self.delimiter],
            self.decimal,
            tuple(self.units),
        )

    def fault(self, line: int | None, text: str) -> None:
        where = "" if line is None else f", line {line + 1}"
        self.faults.append(f"{self.path}{where}: {text}")

    def stop(self, line: int | None, text: str) -> NoReturn:
        where = "" if line is None else f", line {line + 1}"
        raise FileFormatError(f"{self.path}{where}: {text}")

    def line_of(self, row: int) -> int:
        """Index of the line that holds a row; found only when a message needs it."""
        counted = (number for number in range(self.head + 1, len(self.lines)) if _counts(self.lines[number]))
        return next(number for place, number in enumerate(counted) if place == row)

    def check_header(self, columns: Sequence[_Column]) -> Quantity | None:
        names = [column.name for column in columns]
        known = (*_NUMERIC, *_WITHOUT_UNIT, *_ALONG)
        if not set(names) & set(known):
            line = self.lines[self.head]
            also = " (this looks like a mirror file)" if looks_like_toml(line) else ""
            self.stop(self.head, f"no header row; expected columns such as {_EXAMPLE}; got {_shown(line)}{also}")
        for name in sorted({name for name in names if name and names.count(name) > 1}):
            self.fault(self.head, f"column '{name}' stands {names.count(name)} times in the header; expected once")
        if "x" not in names:
            self.fault(self.head, f"no column 'x'; expected columns such as {_EXAMPLE}; got {_shown(', '.join(names))}")
        for column in columns:
            if column.name in _WITHOUT_UNIT and column.unit is not None:
                self.fault(self.head, f"column '{column.name}' has the unit [{column.unit}]; expected none")
        measured: list[Quantity] = [name for name in ("height", "slope") if name in names]
        if len(measured) != 1:
            got = "both" if measured else "neither"
            self.fault(self.head, f"expected one column 'height' or 'slope' with its unit; got {got}")
            return None
        return measured[0]

    def cells(self, width: int) -> list[str] | None:
        """All cells, row after row; None if the rows are ragged."""
        rows, delimiter = self.rows, self.delimiter
        if '"' in self.marks:
            try:
                parts = list(csv.reader(rows, delimiter=delimiter, skipinitialspace=True))
            except csv.Error as error:
                self.fault(None, f"is no delimited text: {error}")
                return None
            widths = [len(part) for part in parts]
            cells = [cell for part in parts for cell in part]
            if len(parts) != len(rows):
                self.fault(None, "a quoted cell does not end on its line; expected one row a line")
                return None
        elif delimiter == " ":
            parts = [row.split() for row in rows]
            widths = [len(part) for part in parts]
            cells = [cell for part in parts for cell in part]
        else:
            widths = [row.count(delimiter) + 1 for row in rows]
            cells = delimiter.join(rows).split(delimiter)
        ragged = len(widths) - widths.count(width)
        if not ragged:
            return cells
        row = next(place for place, found in enumerate(widths) if found != width)
        hint = ""
        if delimiter == "," and widths[row] > width:
            hint = " (with a decimal comma, separate the columns by semicolons or tabs)"
        self.fault(
            self.line_of(row), f"expected {width} columns as in the header; got {widths[row]}{hint}{_more(ragged)}"
        )
        return None

    def measured(
        self, columns: Sequence[_Column], cells: list[str], quantity: Quantity | None
    ) -> Profile | Scan | None:
        width, count = len(columns), len(self.rows)
        found: dict[str, FloatArray] = {}
        segment = mask = None
        for place, (name, unit) in enumerate(columns):
            own = cells[place::width]
            if name == "segment":
                segment = self.names(own)
            elif name == "mask":
                numbers = self.numbers(name, own)
                mask = None if numbers is None else self.mask(numbers)
            elif name in self.kinds:
                numbers = self.numbers(name, own)
                conversion = self.conversion(name, unit, quantity)
                if numbers is not None and conversion is not None:
                    factor, offset = conversion
                    with np.errstate(over="ignore"):  # an infinite value is told as such below
                        found[name] = to_si(numbers, factor) + offset
        if quantity is None or not {"x", quantity} <= found.keys():
            return None
        masked = "mask" in [column.name for column in columns]
        # values of a scan may be what they are, all else of it is finite
        checked = (
            {name: array for name, array in found.items() if name not in (quantity, "y")} if self.is_scan else found
        )
        used = np.zeros(count, dtype=bool) if mask is None or self.is_scan else mask
        used = self.used(checked, used, masked=masked and not self.is_scan)
        sigma = found.get("sigma")
        if sigma is not None:
            wrong = np.flatnonzero(used & ~(sigma > 0))
            if len(wrong):
                self.fault(
                    self.line_of(int(wrong[0])),
                    f"sigma is {cells[[c.name for c in columns].index('sigma') :: width][wrong[0]].strip()}; "
                    f"expected a standard uncertainty above 0{_more(len(wrong))}",
                )
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
            self.fault(None, str(error))
            return None

    def conversion(self, name: str, unit: str | None, quantity: Quantity | None) -> tuple[float, float] | None:
        kind = self.kinds[name] or (_NUMERIC[quantity] if quantity else "length")
        example = f"'{name} [{'mm' if name in ('x', 'y', 'carriage') else _EXAMPLE_UNITS[kind]}]'"
        if not unit:
            self.fault(self.head, f"column '{name}' has no unit; expected such as {example}")
            return None
        try:
            conversion = unit_factor(unit, kind)
        except UnitError:
            self.fault(
                self.head,
                f"column '{name}' has the unit [{unit}]; expected a unit of {kind}, such as {example}",
            )
            return None
        self.units.append((name, unit))
        return conversion

    def numbers(self, name: str, cells: list[str]) -> FloatArray | None:
        if self.delimiter != "," and "," in self.marks and any("," in cell for cell in cells):
            points = next((row for row, cell in enumerate(cells) if "." in cell), None)
            if points is not None:
                self.fault(
                    self.line_of(points),
                    f"column '{name}' has decimal points and commas; expected one of them; got {_shown(cells[points])}",
                )
                return None
            self.decimal = "comma"
            cells = [cell.replace(",", ".") for cell in cells]
        try:
            if "_" in self.marks and any("_" in cell for cell in cells):  # Python's float would take 1_000
                raise ValueError
            return np.fromiter(map(float, cells), dtype=np.float64, count=len(cells))
        except ValueError:
            wrong = [row for row, cell in enumerate(cells) if not _is_number(cell)]
            self.fault(
                self.line_of(wrong[0]),
                f"column '{name}': expected a number; got {_shown(cells[wrong[0]])}{_more(len(wrong))}",
            )
            return None

    def mask(self, numbers: FloatArray) -> BoolArray | None:
        wrong = np.flatnonzero(~np.isfinite(numbers))
        if len(wrong):
            self.fault(
                self.line_of(int(wrong[0])),
                f"column 'mask': expected 0 (in use) or 1 (left out); got {numbers[wrong[0]]}{_more(len(wrong))}",
            )
            return None
        left_out: BoolArray = numbers != 0
        return left_out

    def names(self, cells: list[str]) -> np.ndarray[tuple[int], np.dtype[np.str_]] | None:
        # one object for each run of equal names, so that a long column costs little
        known = {cell: cell.strip() for cell in set(cells)}
        wrong = next((cell for cell in known if not 0 < len(known[cell]) <= _LONGEST_NAME), None)
        if wrong is not None:
            self.fault(
                self.line_of(cells.index(wrong)),
                f"column 'segment': expected a name of 1 to {_LONGEST_NAME} characters; got {_shown(wrong)}",
            )
            return None
        return np.array([known[cell] for cell in cells], dtype=np.str_)

    def used(self, found: dict[str, FloatArray], mask: BoolArray, *, masked: bool) -> BoolArray:
        """Points in use; a value that is not finite is a fault, unless a mask column excuses it."""
        used = ~mask
        for name, values in found.items():
            finite = np.isfinite(values)
            if not masked and not finite.all():
                wrong = np.flatnonzero(~finite)
                excuse = "" if self.is_scan else ", or a column 'mask' that leaves the point out"
                self.fault(
                    self.line_of(int(wrong[0])),
                    f"column '{name}' is {values[wrong[0]]}; expected a finite number{excuse}{_more(len(wrong))}",
                )
            used &= finite
        return used


_LONGEST_NAME: Final = 100


def _counts(line: str) -> bool:
    """Whether a line is neither blank nor a comment."""
    start = line.lstrip()
    return start != "" and start[0] != "#"


def _header_columns(line: str) -> tuple[str, list[_Column]]:
    delimiter = next((mark for mark in _DELIMITERS if mark in line.strip()), " ")
    parts = _BLANK_CELL.findall(line) if delimiter == " " else line.split(delimiter)
    columns = []
    for part in parts:
        match = _HEADER_CELL.fullmatch(part)
        name, unit = match.groups() if match else (part.strip(), None)
        columns.append(_Column(name.casefold(), unit if unit is None else unit.strip()))
    return delimiter, columns


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return "_" not in cell


def _shown(text: str) -> str:
    text = text.strip()
    return repr(text if len(text) <= 60 else text[:57] + "...")


def _more(count: int) -> str:
    return "" if count == 1 else f" (so in {count} rows)"


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
