"""Decimal commas: what a comma in a number means is known only when the whole table has been seen."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final, NamedTuple

from ellipsefit.errors import shown
from ellipsefit.files.text.faults import Faults
from ellipsefit.files.text.header import DecimalMark
from ellipsefit.files.text.rows import Places

#: A number with one comma that may be a decimal one or mark thousands.
_GROUPED: Final = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")


class _Comma(NamedTuple):
    place: str
    column: str
    cell: str


class Decimals:
    """Columns with decimal points and with commas, and what is known of the commas.

    Parameters
    ----------
    declared : 'point' or 'comma', optional
        What a line of the file says.
    """

    def __init__(self, declared: DecimalMark | None) -> None:
        self.declared = declared
        self._points: set[str] = set()
        self._first: _Comma | None = None
        self._commas = False
        self._sure = False  # one of the commas can't mark thousands

    def note_point(self, column: str) -> None:
        """Remember that numbers of a column have points."""
        self._points.add(column)

    def note_commas(self, column: str, cells: Sequence[str], places: Places, faults: Faults) -> None:
        """Remember the commas among these cells; several in one, or a point beside it, is a fault."""
        self._commas = True
        if faults.met("comma", column):  # is told once
            return
        for row, cell in enumerate(cells):
            if "." in cell:
                self._points.add(column)
            commas = cell.count(",")
            if not commas:
                continue
            if "." in cell:
                faults.add("comma", column, places.of(row), _two_marks(column, cell))
                return
            if commas > 1:
                text = f"column '{column}': {shown(cell)} has several commas; expected no marks of thousands"
                faults.add("comma", column, places.of(row), text)
                return
            self._sure = self._sure or not _GROUPED.fullmatch(cell.strip())
            if self._first is None:
                self._first = _Comma(places.of(row), column, cell)

    def settled(self, faults: Faults) -> DecimalMark:
        """The decimal mark of the table: what is declared, else what a comma that can't mark thousands tells."""
        if self._first is not None and not faults.met("comma"):
            place, column, cell = self._first
            text = self._doubt(column, cell)
            if text:
                faults.add("comma", column, place, text)
        return "comma" if self._commas else "point"

    def _doubt(self, column: str, cell: str) -> str:
        """What is wrong with a file whose first comma this is; '': nothing."""
        if column in self._points:
            return _two_marks(column, cell)
        if self._points:
            columns = " and ".join(f"'{one}'" for one in sorted(self._points))
            have = "has" if len(self._points) == 1 else "have"
            return (
                f"column '{column}' has commas, such as {shown(cell)}, but {columns} {have} points; expected one "
                "decimal mark in a file"
            )
        if self.declared == "point":
            return f"column '{column}': got {shown(cell)}; expected decimal points, as the file declares"
        if self._sure or self.declared is not None:
            return ""
        cell = cell.strip()
        return (
            f"column '{column}': {shown(cell)} may be {cell.replace(',', '.')} or {cell.replace(',', '')}; "
            "expected a line '# decimal: comma' before the header, or decimal points"
        )


def _two_marks(column: str, cell: str) -> str:
    return f"column '{column}' has decimal points and commas; expected one of them; got {shown(cell)}"
