"""Which file it is, and what several are together.

What designs and surveys need takes long to load, so it is loaded when such a file is met.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from typing import TYPE_CHECKING, cast

from ellipsefit.errors import FileFormatError, FileMissingError
from ellipsefit.files.inspect.content import FileContent, Inspection
from ellipsefit.files.inspect.measured import inspect_lines, inspect_many, inspect_nexus, inspect_text
from ellipsefit.files.inspect.profiles import profile_on_mirror
from ellipsefit.files.inspect.records import inspect_record, record_on_mirror
from ellipsefit.files.inspect.scans import scans_on_mirror
from ellipsefit.files.registry import LINED, file_format, looks_like_survey
from ellipsefit.files.safe import existing_file
from ellipsefit.files.text import looks_like_toml
from ellipsefit.mirror import Mirror
from ellipsefit.profile import Profile
from ellipsefit.stream import ProfileSource

if TYPE_CHECKING:
    from ellipsefit.files.record import Record


def inspect_files(paths: Iterable[str | os.PathLike[str]]) -> Inspection:
    """Say what each file holds, and what is wrong with them singly and together.

    Raises
    ------
    FileMissingError
        If one of them cannot be opened.
    """
    places = [existing_file(path) for path in paths]
    return Inspection(contents=inspect_together(inspect_file(place) for place in places))


def inspect_file(path: str | os.PathLike[str]) -> FileContent:
    """Say what a file holds and everything that is wrong with it; a fault is told, not raised.

    Parameters
    ----------
    path : path
        Mirror file, profile or raw scans, carrier file or surveys; a missing file is a fault, too.
    """
    try:
        found = file_format(path)
        if found == "hdf5" and (many := inspect_many(path)) is not None:
            return many
        if found == "hdf5" and (record := inspect_record(path)) is not None:
            return record
        if looks_like_survey(path):
            from ellipsefit.files.inspect.surveys import inspect_surveys

            return inspect_surveys(path)
        if found == "hdf5":
            return inspect_nexus(path)
        if found in LINED:
            return inspect_lines(path)
        if not _is_toml(path):
            return inspect_text(path)
        from ellipsefit.files.inspect.designs import inspect_toml

        return inspect_toml(path)
    except (FileMissingError, FileFormatError) as error:
        return FileContent(kind="unknown", path=os.fspath(path), faults=(str(error),))


def _is_toml(path: str | os.PathLike[str]) -> bool:
    """Whether a file is TOML, by its name or its first line."""
    if os.fspath(path).casefold().endswith(".toml"):
        return True
    with existing_file(path).open("rb") as file:  # it may be large, and its first lines are enough
        text = file.read(4096).decode("utf-8-sig", errors="replace")
    lines = (line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#"))
    return looks_like_toml(next(lines, ""))


def inspect_together(contents: Iterable[FileContent]) -> tuple[FileContent, ...]:
    """Where exactly one file is a mirror, lay each profile and the scans on it and add what comes to light."""
    contents = tuple(contents)
    mirrors = [one.content for one in contents if isinstance(one.content, Mirror)]
    if len(mirrors) != 1:
        return contents
    return tuple(_on_mirror(one, mirrors[0]) for one in contents)


def _on_mirror(one: FileContent, mirror: Mirror) -> FileContent:
    if one.content is None or isinstance(one.content, Mirror):
        return one
    if isinstance(one.content, tuple):
        return scans_on_mirror(one, one.content, mirror)
    if one.kind == "record":
        return record_on_mirror(one, cast("Record", one.content), mirror)
    return profile_on_mirror(one, cast("Profile | ProfileSource", one.content), mirror)
