"""HDF5 files of the NeXus family: opened, refused where links lead out of them, and gone through by groups."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

import h5py
from h5py import h5l, h5o

from ellipsefit.errors import FileFormatError
from ellipsefit.files.damage import LIBRARY, DamageError, damage_told, name_of
from ellipsefit.files.heaps import check_heaps
from ellipsefit.files.nexus.texts import decoded, text_attribute
from ellipsefit.files.safe import existing_file

_DEEPEST: Final = 32  # groups in one another; HDF5 visits them by recursion
_INSIDE: Final = (h5l.TYPE_HARD, h5l.TYPE_SOFT)
_NOT_THERE: Final = ("doesn't exist", "component not found")


@contextmanager
def open_nexus(path: str | os.PathLike[str]) -> Iterator[Any]:
    """HDF5 file for reading; whatever is wrong with the file is told in one sentence.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    FileFormatError
        If it is no HDF5, truncated, damaged, or has links that leave it.
    """
    place = existing_file(path)
    with damage_told(path):
        check_heaps(place, path)
        with h5py.File(place, "r") as file:
            refuse_strange_links(file, path)
            yield file


def refuse_strange_links(file: Any, path: str | os.PathLike[str]) -> None:
    """Refuse links that leave the file, and groups so deep that HDF5, which visits them by recursion, would crash."""

    def strange(name: bytes, link: Any) -> bytes | None:
        return name if link.type not in _INSIDE or name.count(b"/") > _DEEPEST else None

    # the visitor ends at the first result, before it goes down; it must not raise, HDF5 calls it from C
    found = file.id.links.visit(strange, info=True)
    if found is None:
        return
    if found.count(b"/") > _DEEPEST:
        raise FileFormatError(f"{path}: has groups in more than {_DEEPEST} others; expected HDF5 by the NeXus standard")
    name = decoded(found)
    link = file.get(name, getlink=True)
    target = link.filename if isinstance(link, h5py.ExternalLink) else "unknown"
    raise FileFormatError(f"{path}: '{name}' is a link to another file ('{target}'); expected the data in this file")


def child_of(group: Any, name: str | bytes) -> Any:
    """Object of a group by its low-level name; None if there is none, or a link that leads nowhere."""
    key = name if isinstance(name, bytes) else name.encode()
    try:
        return h5o.open(group, key)
    except LIBRARY as error:
        if isinstance(error, KeyError) and any(words in str(error) for words in _NOT_THERE):
            return None
        raise DamageError(f"'{name_of(group).rstrip('/')}/{key.decode('utf-8', errors='backslashreplace')}'") from error


def groups_of(parent: Any, nx_class: str) -> list[Any]:
    """Groups of a NeXus class in another."""
    groups = (parent.get(name) for name in parent)  # get: None for a link that leads nowhere
    return [
        group for group in groups if isinstance(group, h5py.Group) and text_attribute(group, "NX_class") == nx_class
    ]
