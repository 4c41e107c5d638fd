"""The sheet to take to the mirror, as a page to print."""

from __future__ import annotations

import os
from dataclasses import replace

from ellipsefit.align.orders import Orders
from ellipsefit.align.sheet import sheet_lines, sheet_table
from ellipsefit.checks.suspicion import SUSPECTED
from ellipsefit.files.safe import new_file
from ellipsefit.report.cautions import CAUTIONS
from ellipsefit.report.pieces import render, table_html


def render_sheet(orders: Orders) -> str:
    """Page with a line for each move, room for readings and initials, and the cautions; needs no other file."""
    count, when = len(sheet_lines(orders)), orders.when
    table = sheet_table(orders)
    doubts = [note for note in table.notes if note.startswith(SUSPECTED)]
    table = replace(table, notes=tuple(note for note in table.notes if note not in doubts))
    made = "" if when is None else f"Plan of {f'{when:%Y-%m-%d %H:%M} {when.tzname() or str()}'.strip()}; "
    return render(
        "sheet.html.j2",
        title=("Test moves" if orders.kind == "test" else "Moves") + f" of mirror {orders.mirror.name}",
        subtitle=f"{made}{count} line{'s' * (count != 1)}",
        table=table_html(table),
        doubts=doubts,
        cautions=CAUTIONS,
    )


def write_sheet_page(orders: Orders, path: str | os.PathLike[str], *, force: bool = False) -> None:
    """Write the sheet as HTML, whole or not at all.

    Raises
    ------
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    page = render_sheet(orders)
    with new_file(path, force=force) as place:
        place.write_text(page, encoding="utf-8", newline="\n")
