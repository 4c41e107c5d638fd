"""The summary of a batch as a page: counts, how the mirrors compare, and a line for each with its report."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import quote

from ellipsefit.files.safe import new_file
from ellipsefit.report.pieces import render, table_html
from ellipsefit.summary import Summary, mirror_table


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """A line of the table: link to the mirror's own page, the cells after its name, whether it is fine."""

    name: str
    link: str | None
    cells: tuple[str, ...]
    fine: bool


def render_batch_page(summary: Summary, *, when: datetime, reports: bool = True) -> str:
    """Page of a batch, the worst mirrors first; needs no other file.

    Parameters
    ----------
    summary : Summary
    when : datetime
        Of the batch, with time zone.
    reports : bool
        Whether each mirror has a report in the folder of its name, to which its line leads.
    """
    ordered = summary.worst_first()
    done = [line for line in ordered if line.verdict != "failed"]
    table = mirror_table(done, len(done))
    lines = [
        _Line(
            name=line.name,
            link=f"{quote(line.name)}/report.html" if reports else None,
            cells=cells[1:],
            fine=line.verdict == "feasible",
        )
        for line, cells in zip(done, table.cells, strict=True)
    ]
    return render(
        "batch.html.j2",
        title=summary.rows()[0].title,
        subtitle=f"{when:%Y-%m-%d %H:%M} {when.tzname() or ''}".strip(),
        failed=[(line.name, line.reason) for line in ordered if line.verdict == "failed"],
        compared=table_html(summary.compared(done)) if done else "",
        header=table.header,
        lines=lines,
        notes=table.notes,
    )


def write_batch_page(
    summary: Summary, path: str | os.PathLike[str], *, when: datetime, reports: bool = True, force: bool = False
) -> None:
    """Write the page, whole or not at all.

    Raises
    ------
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    page = render_batch_page(summary, when=when, reports=reports)
    with new_file(path, force=force) as place:
        place.write_text(page, encoding="utf-8", newline="\n")
