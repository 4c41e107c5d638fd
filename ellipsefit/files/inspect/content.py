"""What is told of one file and of several: facts, faults and warnings."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar, Final, Literal, NamedTuple

from ellipsefit import rows
from ellipsefit.mirror import Mirror
from ellipsefit.profile import Profile
from ellipsefit.results import Result
from ellipsefit.scan import Scan
from ellipsefit.stream import ProfileSource

if TYPE_CHECKING:
    from ellipsefit.files.record import Record

Kind = Literal["mirror", "beam", "profile", "scans", "carrier", "survey", "record", "unknown"]

#: What a part of a file cannot tell.
OF_THE_WHOLE: Final = ("masked points", "invalid points")


class Fact(NamedTuple):
    """One thing that a file tells: for people in practical units, for programs in SI."""

    name: str
    text: str
    value: Any  # JSON: str, number, list or None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FileContent(Result):
    """What one file holds.

    Parameters
    ----------
    kind : {'mirror', 'beam', 'profile', 'scans', 'carrier', 'survey', 'record', 'unknown'}
        What it is.
    path : str
        The file.
    facts : tuple of Fact
        What it tells.
    faults : tuple of str
        Everything that is wrong with it, a sentence each; empty: nothing.
    warnings : tuple of str
        What is worth knowing but stops nothing.
    content : Mirror, Profile, ProfileSource, Record or tuple of Scan, optional
        What was read, if nothing hindered it.
    """

    kind: Kind
    path: str
    facts: tuple[Fact, ...] = ()
    faults: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    content: Mirror | Profile | ProfileSource | Record | tuple[Scan, ...] | None = None

    def rows(self) -> list[rows.Table]:
        """The content as tables, for text and HTML."""
        state = "NOTHING WRONG" if not self.faults else f"{len(self.faults)} FAULT{'S' * (len(self.faults) > 1)}"
        notes = tuple(f"WRONG: {fault}" for fault in self.faults)
        notes += tuple(f"warning: {warning}" for warning in self.warnings)
        cells = tuple((fact.name, fact.text) for fact in self.facts)
        return [rows.Table(title=f"{self.path}: {self.kind}, {state}", cells=cells, notes=notes)]

    def to_dict(self) -> dict[str, Any]:
        """The content for JSON, SI units."""
        return {
            "file": self.path,
            "kind": self.kind,
            "facts": {fact.name.replace(" ", "_"): fact.value for fact in self.facts},
            "faults": list(self.faults),
            "warnings": list(self.warnings),
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Inspection(Result):
    """What several files hold, and together."""

    table: ClassVar[str | None] = "files"

    contents: tuple[FileContent, ...]

    @property
    def faulty(self) -> bool:
        """Whether something is wrong with any of them."""
        return any(one.faults for one in self.contents)

    def rows(self) -> list[rows.Table]:
        """A table for each file."""
        return [table for one in self.contents for table in one.rows()]

    def to_dict(self) -> dict[str, Any]:
        """The contents for JSON, SI units."""
        return {"files": [one.to_dict() for one in self.contents], "faulty": self.faulty}


def looked_at(whole: FileContent, parts: str, content: ProfileSource | None = None) -> FileContent:
    """The content of a file of which only parts were looked at; only a source of all of it is kept."""
    warning = f"{whole.path}: looked at {parts}; the rest is checked when the file is read"
    return replace(
        whole,
        facts=(*whole.facts, Fact("looked at", parts, parts)),
        warnings=(*whole.warnings, warning),
        content=content,
    )
