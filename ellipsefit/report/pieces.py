"""What a page is put together from: sections of tables, pictures and words, and the one template that shows them."""

from __future__ import annotations

import platform
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from typing import Any, ClassVar, Final

from ellipsefit import rows
from ellipsefit.rows import Table

#: Libraries whose version can change a digit or a line.
LIBRARIES: Final = ("ellipsefit", "numpy", "scipy", "matplotlib")


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A figure of the page: SVG element and caption."""

    kind: ClassVar[str] = "picture"
    svg: str
    caption: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Tables:
    """Tables as HTML; several stand beside each other where there is room."""

    kind: ClassVar[str] = "tables"
    html: tuple[str, ...]
    look: str = ""  # words: columns of text; moves: with room to write


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """A paragraph, a heading, or what to mind before work starts."""

    kind: ClassVar[str] = "words"
    text: str
    look: str = ""  # heading, mind, note


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """A list of phrases; numbered where they are steps."""

    kind: ClassVar[str] = "points"
    texts: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """Terms, each with sentences."""

    kind: ClassVar[str] = "terms"
    entries: tuple[tuple[str, tuple[str, ...]], ...]


Item = Picture | Tables | Words | Points | Terms


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A section of a page; one without items is left out."""

    key: str
    title: str
    items: tuple[Item, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Headline:
    """What a page says first."""

    text: str
    good: bool
    reasons: tuple[str, ...] = ()
    steps: tuple[str, ...] = field(default=())  # what to do
    decisions: tuple[tuple[str, str], ...] = field(default=())  # (when, decision)


def table(one: Table, look: str = "") -> Tables:
    """A table of a result as an item of a page."""
    return Tables(html=(table_html(one),), look=look)


def table_html(one: Table) -> str:
    """Table as HTML, already escaped; warnings are left to the page's own section."""
    return rows.as_html([replace(one, notes=tuple(note for note in one.notes if not note.startswith("Note: ")))])


def few(texts: Sequence[str], most: int) -> tuple[str, ...]:
    """The first so many texts, and how many more there are."""
    return (*texts[:most], *((f"… and {len(texts) - most} more like these.",) * (len(texts) > most)))


def version_table() -> Table:
    """Versions of the program and of what its numbers hang on."""
    cells = (*((name, version(name)) for name in LIBRARIES), ("python", platform.python_version()))
    return Table(title="Versions", cells=cells)


def render_page(
    *,
    title: str,
    subtitle: str,
    headline: Headline,
    summary: Sequence[Item],
    sections: Sequence[Section],
    warnings: Sequence[str],
    settings: Table,
    cautions: Sequence[tuple[str, str]],
) -> str:
    """Page that needs no other file and no network; without scripts only the reading of values is missing."""
    return render(
        "page.html.j2",
        title=title,
        subtitle=subtitle,
        headline=headline,
        summary=summary,
        sections=[section for section in sections if section.items],
        warnings=warnings,
        settings=Tables(html=(table_html(settings), table_html(version_table())), look="words"),
        cautions=cautions,
    )


def render(template: str, **content: Any) -> str:
    """Fill one of the templates; whatever is not HTML already is escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("ellipsefit.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(template).render(**content)
