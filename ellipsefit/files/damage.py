"""What HDF5 finds wrong with a file, in a sentence of ours: what, where, what was expected; its words in brackets."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

from h5py import h5i

from ellipsefit.errors import EllipsefitError, FileFormatError

#: Any of these comes out of h5py for one damaged file or another.
LIBRARY: Final = (OSError, RuntimeError, KeyError, ValueError, TypeError, SystemError)
#: What h5py was at when it failed, and where in the file that is.
_AT: Final = (
    ("Link visitation", "its groups cannot be listed"),
    ("link specific callback", "its groups cannot be listed"),
    ("open file", "it cannot be opened"),
)
_LONGEST: Final = 100  # of the library's own words
_WHOLE: Final = "expected it whole, copy it again"


class DamageError(Exception):
    """A part of a file that cannot be read; its cause is what the library said."""

    def __init__(self, part: str) -> None:
        super().__init__(part)
        self.part = part


def name_of(item: Any) -> str:
    """Where a low-level object stands in its file."""
    return (h5i.get_name(item) or b"").decode("utf-8", errors="backslashreplace")


@contextmanager
def field_read(dataset: Any) -> Iterator[None]:
    """Reading a field: what HDF5 fails at is told with its name.

    Raises
    ------
    DamageError
        With what HDF5 said as its cause.
    """
    try:
        yield
    except EllipsefitError:
        raise
    except LIBRARY as error:
        raise DamageError(f"field '{name_of(dataset)}'") from error


@contextmanager
def damage_told(path: str | os.PathLike[str]) -> Iterator[None]:
    """Whatever HDF5 finds wrong with a file, in one sentence.

    Raises
    ------
    FileFormatError
        As it says, with the library's error attached.
    """
    try:
        yield
    except EllipsefitError:
        raise
    except DamageError as damage:
        cause = damage.__cause__ or damage
        raise FileFormatError(_sentence(path, cause, f"its {damage.part} cannot be read")) from cause
    except LIBRARY as error:
        raise FileFormatError(_sentence(path, error)) from error


def _sentence(path: str | os.PathLike[str], error: BaseException, what: str | None = None) -> str:
    words = _words(error)
    if "truncated" in words:
        return f"{path}: is a truncated HDF5 file; {_WHOLE}"
    if "file signature not found" in words:
        return f"{path}: is no HDF5 file; expected one by the NeXus standard"
    if isinstance(error, UnicodeDecodeError):
        where = what or "it holds a text that cannot be read"
        return f"{path}: is a damaged HDF5 file: {where}, it is not in UTF-8; {_WHOLE}"
    if "memory allocation failed" in words:
        return f"{path}: is a damaged HDF5 file, or takes more memory than its size allows; {_WHOLE}"
    where = what or next((text for start, text in _AT if start in words), "it cannot be read")
    return f"{path}: is a damaged HDF5 file: {where} (HDF5: '{own_words(error)}'); {_WHOLE}"


def _words(error: BaseException) -> str:
    return str(error.args[0] if isinstance(error, KeyError) and error.args else error)


def own_words(error: BaseException) -> str:
    """What the library says, without what it was at, on one line and not too long."""
    words = _words(error).partition("\n")[0]
    match = re.search(r"\((.*)\)\s*$", words)
    plain = (match[1] if match else words).partition(". See ")[0]
    return " ".join(plain.split())[:_LONGEST] or "no reason"
