"""Files of what was measured: text, HDF5, and formats of surface texture; of a large one parts are looked at."""

from __future__ import annotations

import os
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from ellipsefit.errors import FileFormatError
from ellipsefit.files.inspect import profiles
from ellipsefit.files.inspect.content import OF_THE_WHOLE, Fact, FileContent, Kind, looked_at
from ellipsefit.files.inspect.profiles import profile_facts, profile_warnings
from ellipsefit.files.inspect.scans import scans_content
from ellipsefit.files.lines import profile_of
from ellipsefit.files.registry import HELD, look_at_lines
from ellipsefit.files.safe import existing_file
from ellipsefit.files.text import examine_text
from ellipsefit.scan import Scan

if TYPE_CHECKING:
    from ellipsefit.files.nexus import NexusContent

#: Parts of a large profile that are looked at, and points of many scans.
PARTS: Final = 8
LOOKED: Final = 1 << 18
#: An HDF5 file of scans beyond so many bytes is looked at in parts.
LARGE: Final = 1 << 26


def inspect_text(path: str | os.PathLike[str]) -> FileContent:
    """Delimited text: a profile or one scan, and how it was understood."""
    text = examine_text(path, look=True)
    kind: Kind = "unknown" if not text.delimiter else "scans" if text.kind == "scan" else "profile"
    understood: list[Fact] = []
    if text.delimiter:
        columns = ", ".join(f"{name} from {written!r}" for name, written in text.columns)
        ignored = "; ".join(text.ignored) or "nothing"
        understood = [
            Fact("delimiter", text.delimiter, text.delimiter),
            Fact("decimal", text.decimal, text.decimal),
            Fact("encoding", text.encoding, text.encoding),
            Fact("columns", columns, dict(text.columns)),
            Fact("ignored", ignored, list(text.ignored)),
        ]
    if text.content is None:
        return FileContent(kind=kind, path=os.fspath(path), facts=tuple(understood), faults=text.faults)
    if isinstance(text.content, Scan):
        whole = scans_content(path, (text.content,), text.units, tuple(understood))
    else:
        facts = (*profile_facts(text.content, text.units), *understood)
        warnings = profile_warnings(path, text.content)
        whole = FileContent(kind=kind, path=os.fspath(path), facts=facts, warnings=warnings, content=text.content)
    if text.looked is None:
        return whole
    count = text.estimate or text.rows
    rough = round(count, 2 - len(str(count)))
    facts = tuple(
        Fact("points", f"about {rough}", rough) if fact.name == "points" else fact
        for fact in whole.facts
        if fact.name not in OF_THE_WHOLE
    )
    return looked_at(replace(whole, facts=facts), text.looked)


def inspect_many(path: str | os.PathLike[str]) -> FileContent | None:
    """An HDF5 file of many scans that is too large to be read; None if it is none."""
    if existing_file(path).stat().st_size <= LARGE:
        return None
    from ellipsefit.files.nexus import look_at_many  # h5py is loaded when a file needs it

    many = look_at_many(path, most=LOOKED)
    return None if many is None else _nexus_content(path, many)


def inspect_nexus(path: str | os.PathLike[str]) -> FileContent:
    """HDF5: a profile of any size, or scans."""
    from ellipsefit.files.nexus import examine_nexus, large_profile  # h5py is loaded when a file needs it

    large = large_profile(path, held=HELD)
    if large is not None:
        some = len(large) > PARTS * profiles.PART
        try:
            told = profile_facts(large, large.units, most=PARTS if some else None)
            told += _marked(large.marks.older)
        except FileFormatError as error:  # numbers are checked as they are read
            return FileContent(kind="profile", path=os.fspath(path), faults=(str(error),))
        whole = FileContent(kind="profile", path=os.fspath(path), facts=told, content=large)
        if not some:
            return whole
        parts = f"{PARTS} parts of {profiles.PART} points, evenly from the first to the last of {len(large)}"
        return looked_at(whole, parts, large)
    size = existing_file(path).stat().st_size
    return _nexus_content(path, examine_nexus(path, most=LOOKED if size > LARGE else None))


def _nexus_content(path: str | os.PathLike[str], found: NexusContent) -> FileContent:
    if isinstance(found.content, tuple):
        whole = scans_content(path, found.content, found.units, _marked(found.older))
        if found.looked is None:
            return whole
        told = tuple(
            Fact("scans", str(found.scans), found.scans) if fact.name == "scans" else fact
            for fact in whole.facts
            if fact.name not in (*OF_THE_WHOLE, "points")
        )
        return looked_at(replace(whole, facts=told), found.looked)
    facts: tuple[Fact, ...] = ()
    warnings: tuple[str, ...] = ()
    if found.content is not None:
        warnings = profile_warnings(path, found.content)
        facts = (*profile_facts(found.content, found.units), *_marked(found.older))
    elif found.scans > 1:
        facts = (Fact("scans", str(found.scans), found.scans),)
    faults = found.faults
    if found.content is not None and not found.content.used.any():
        faults += (f"{path}: no point is left to use, all are masked or not finite; expected values",)
    return FileContent(
        kind=found.kind, path=os.fspath(path), facts=facts, faults=faults, warnings=warnings, content=found.content
    )


def _marked(older: str | None) -> tuple[Fact, ...]:
    """How signal and axis were found where not by today's attributes."""
    return () if older is None else (Fact("signal and axis", older, older),)


def inspect_lines(path: str | os.PathLike[str]) -> FileContent:
    """A file of heights along lines; of several the first is looked at."""
    try:
        found = look_at_lines(path)
        profile = profile_of(path, found)
    except FileFormatError as error:
        return FileContent(kind="profile", path=os.fspath(path), faults=(str(error),))
    several = found.in_file > 1
    warnings = [*found.warnings, *profile_warnings(path, profile)]
    if several:
        warnings.append(
            f"{path}: holds {found.in_file} lines; points, span and step are of the first; one is taken by "
            "'ellipsefit convert FILE OUT --line N'"
        )
    told = tuple(Fact(name, text, text) for name, text in found.told)
    return FileContent(
        kind="profile",
        path=os.fspath(path),
        facts=(*profile_facts(profile, (("x", "m"), ("height", "m"))), *told),
        warnings=tuple(warnings),
        content=None if several else profile,
    )
