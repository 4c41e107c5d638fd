"""Parts of a record, each as it should be, or one sentence that says which is not."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import h5py

from ellipsefit.errors import FileFormatError
from ellipsefit.files.damage import field_read
from ellipsefit.files.nexus import read_strings, read_text, stored_field

Path_ = str | os.PathLike[str]


def group_in(path: Path_, parent: Any, name: str) -> Any:
    """A group of a group.

    Raises
    ------
    FileFormatError
        If there is none of this name.
    """
    found = parent.get(name)
    if not isinstance(found, h5py.Group):
        what = "is missing" if found is None else "is no group"
        raise FileFormatError(f"{path}: '{place_of(parent, name)}' {what}; expected a record as it was written")
    return found


def text_in(path: Path_, parent: Any, name: str) -> str:
    """The one text of a field.

    Raises
    ------
    FileFormatError
        If there is none.
    """
    found = optional_text(path, parent, name)
    if found is None:
        raise FileFormatError(f"{path}: '{place_of(parent, name)}' is missing; expected a text")
    return found


def optional_text(path: Path_, parent: Any, name: str) -> str | None:
    """The one text of a field; None if there is no such field."""
    group, _, own = name.rpartition("/")
    return read_text(path, group_in(path, parent, group) if group else parent, own)


def texts_in(path: Path_, parent: Any, name: str) -> dict[str, str]:
    """Every text of a group by its name; none if there is no such group."""
    if name not in parent:
        return {}
    group = group_in(path, parent, name)
    return {key: text_in(path, group, key) for key in group}


def json_in(path: Path_, parent: Any, name: str, expected: str) -> Any:
    """What the JSON of a field says; `expected` names it for messages.

    Raises
    ------
    FileFormatError
        If there is none, or it is no JSON.
    """
    text = text_in(path, parent, name)
    try:
        return json.loads(text)
    except (ValueError, RecursionError) as error:
        why = "nested too deeply" if isinstance(error, RecursionError) else str(error)
        raise FileFormatError(f"{path}: '{place_of(parent, name)}' is no JSON ({why}); expected {expected}") from None


def time_in(path: Path_, parent: Any, name: str) -> datetime | None:
    """Date and time of a field, in UTC without a zone; None if there is none."""
    text = optional_text(path, parent, name)
    if text is None:
        return None
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        raise FileFormatError(
            f"{path}: '{place_of(parent, name)}' is {text[:40]!r}; expected a date and time by ISO 8601"
        ) from None
    return when if when.tzinfo is not None else when.replace(tzinfo=UTC)


def number_in(path: Path_, parent: Any, name: str) -> int | None:
    """The whole number of a field; None if there is none."""
    found = stored_field(path, parent, name)
    if found is None:
        return None
    if found.shape != () or found.dtype.kind not in "iu":
        raise FileFormatError(f"{path}: '{place_of(parent, name)}' is no whole number; expected one")
    with field_read(found.id):
        return int(found[()])


def place_of(parent: Any, name: str) -> str:
    """Where something stands in the file."""
    return f"{parent.name.strip('/')}/{name}".lstrip("/")


def mirror_text_place(path: Path_, entry: str) -> str:
    """What the mirror file that a record keeps is called in messages."""
    return f"{path}, mirror file kept in '{entry}/input_1'"


def pairs_in(path: Path_, parent: Any, names: tuple[str, str]) -> Iterator[tuple[str, str]]:
    """Two fields of texts side by side."""
    first, second = (read_strings(path, parent, name) for name in names)
    if len(first) != len(second):
        raise FileFormatError(
            f"{path}: '{place_of(parent, names[1])}' has {len(second)} texts; expected {len(first)} as '{names[0]}'"
        )
    yield from ((str(one), str(other)) for one, other in zip(first, second, strict=True))
