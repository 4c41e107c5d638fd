"""The sheet to take along, as CSV: written for a spreadsheet, read back when it is filled in."""

from __future__ import annotations

import csv
import io
import math
import os
from collections.abc import Mapping, Sequence

from ellipsefit.align.orders import Orders, adjusters_of
from ellipsefit.align.sheet import check_digit, micrometres, sheet_lines, sheet_notes
from ellipsefit.errors import FileFormatError
from ellipsefit.files.safe import new_file, read_bytes

COLUMNS = (
    "line",
    "segment",
    "adjuster",
    "from [um]",
    "to [um]",
    "move [um]",
    "surface",
    "turns",
    "approach",
    "check",
    "reading [um]",
    "initials",
)


def write_sheet(
    orders: Orders,
    path: str | os.PathLike[str],
    *,
    cautions: Sequence[tuple[str, str]] = (),
    force: bool = False,
) -> None:
    """Write the sheet as CSV, notes and cautions as comment lines above the header.

    Raises
    ------
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    text = io.StringIO()
    when = "" if orders.when is None else f", plan of {orders.when:%Y-%m-%d %H:%M %Z}".rstrip()
    text.write(f"# {orders.mirror.name}{when}\n")
    for note in (*sheet_notes(orders), *(f"{topic}: {words}" for topic, words in cautions)):
        text.write(f"# {note}\n")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for line in sheet_lines(orders):
        ends = (micrometres(line.start), micrometres(line.stop), micrometres(line.move))
        words = (line.direction, line.turns, line.approach, line.check, "", "")
        writer.writerow((line.number, line.segment, line.adjuster, *ends, *words))
    with new_file(path, force=force) as temporary:
        temporary.write_text(text.getvalue(), encoding="utf-8-sig", newline="\n")


def read_sheet(path: str | os.PathLike[str], orders: Orders) -> Mapping[tuple[str, str], float]:
    """Readings [m] that were written into a sheet; an adjuster without one ended where it should.

    Raises
    ------
    FileMissingError, FileFormatError
        If the file cannot be read or a line is faulty: of no adjuster, with a wrong check digit, no number.
    """
    try:
        text = read_bytes(path).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise FileFormatError(f"{path}: is no UTF-8 text; expected a sheet as CSV") from None
    lines = [(place, line) for place, line in enumerate(text.splitlines(), start=1) if not line.startswith("#")]
    lines = [(place, line) for place, line in lines if line.strip(" ,;\t")]
    if not lines:
        raise FileFormatError(f"{path}: is empty; expected a sheet as CSV")
    delimiter = max(",;\t", key=lines[0][1].count)
    header = [name.strip() for name in next(csv.reader([lines[0][1]], delimiter=delimiter))]
    needed = ("segment", "adjuster", "from [um]", "to [um]", "check", "reading [um]")
    for name in needed:
        if name not in header:
            raise FileFormatError(f"{path}: line {lines[0][0]}: column '{name}' is missing; expected a sheet as CSV")
    known, found = adjusters_of(orders.mirror), {}
    for place, line in lines[1:]:
        cells = next(csv.reader([line], delimiter=delimiter))
        if len(cells) != len(header):
            raise FileFormatError(f"{path}: line {place}: has {len(cells)} cells; expected {len(header)}")
        row = dict(zip(header, (cell.strip() for cell in cells), strict=True))
        key = (row["segment"], row["adjuster"])
        if key not in known:
            raise FileFormatError(
                f"{path}: line {place}: mirror '{orders.mirror.name}' has no adjuster '{key[0]}/{key[1]}'"
            )
        start, stop = (_number(path, place, name, row[name]) for name in ("from [um]", "to [um]"))
        digit = check_digit(f"{key[0]} {key[1]} {micrometres(start * 1e-6)} {micrometres(stop * 1e-6)}")
        if row["check"] != str(digit):
            raise FileFormatError(
                f"{path}: line {place}: check digit is '{row['check']}' and should be {digit}: segment, adjuster, from "
                "or to is not what was printed"
            )
        if row["reading [um]"]:
            if key in found:
                raise FileFormatError(f"{path}: line {place}: a second reading of '{key[0]}/{key[1]}'; expected one")
            found[key] = _number(path, place, "reading [um]", row["reading [um]"]) * 1e-6
    return found


def _number(path: str | os.PathLike[str], place: int, name: str, text: str) -> float:
    try:
        value = float(text.replace("−", "-").replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise FileFormatError(f"{path}: line {place}: column '{name}' is '{text}'; expected a number")
    return value
