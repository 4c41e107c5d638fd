"""What a page is put together from: tables and pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from ellipsefit import rows
from ellipsefit.rows import Table


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A figure of the page: SVG element and caption."""

    svg: str
    caption: str


def table_html(table: Table) -> str:
    """Table as HTML, already escaped; warnings are left to the page's own section."""
    return rows.as_html([replace(table, notes=tuple(note for note in table.notes if not note.startswith("Note: ")))])


def few(texts: Sequence[str], most: int) -> tuple[str, ...]:
    """The first so many texts, and how many more there are."""
    return (*texts[:most], *((f"… and {len(texts) - most} more like these.",) * (len(texts) > most)))
