"""One row as cells, and one cell as a number."""

from __future__ import annotations

import csv
import re
from typing import Final

#: How Fortran prints an exponent, and older runtimes what is not finite.
_FORTRAN: Final = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+))[dD]([+-]?\d+)")
_OLD_NAN: Final = re.compile(r"([+-]?)1\.#(QNAN|SNAN|IND|INF)0*", re.IGNORECASE)


def split(row: str, delimiter: str) -> list[str]:
    """Cells of a row; in quotation marks the delimiter is a character as any other (RFC 4180, 2.6)."""
    if '"' in row:
        try:
            cells = next(csv.reader([row], delimiter=delimiter, skipinitialspace=True, strict=True), [])
        except csv.Error:
            return [row]
        return [cell for cell in cells if cell] if delimiter == " " else cells
    return row.split() if delimiter == " " else row.split(delimiter)


def number(cell: str) -> float | None:
    """Number in a cell, also with a minus sign of typography, an exponent of Fortran or an old NaN; None: none."""
    cell = cell.strip().replace("\u2212", "-")
    if "_" in cell:  # Python's float would take 1_000
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
