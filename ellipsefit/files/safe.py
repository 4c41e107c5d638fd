"""Opening what is there and writing what is not: the only place that decides whether a file may be touched."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ellipsefit.errors import EllipsefitError, FileExistsAlreadyError, FileMissingError


def read_bytes(path: str | os.PathLike[str]) -> bytes:
    """Whole content of a file.

    Raises
    ------
    FileMissingError
        If it is not there, is a folder or cannot be read.
    """
    place = existing_file(path)
    try:
        return place.read_bytes()
    except OSError as error:
        raise FileMissingError(f"{path}: cannot be read: {_reason(error)}") from None


def existing_file(path: str | os.PathLike[str]) -> Path:
    """Path of a file that can be opened for reading.

    Raises
    ------
    FileMissingError
        If it is not there, is a folder or cannot be opened.
    """
    place = Path(path)
    if place.is_dir():
        raise FileMissingError(f"{path}: is a folder; expected a file")
    try:
        with place.open("rb"):
            return place
    except FileNotFoundError:
        raise FileMissingError(f"{path}: no such file") from None
    except (OSError, ValueError) as error:  # ValueError: a null character in the name
        raise FileMissingError(f"{path}: cannot be opened: {_reason(error)}") from None


@contextmanager
def new_file(path: str | os.PathLike[str], *, force: bool = False) -> Iterator[Path]:
    """Write a file whole or not at all.

    Gives the path of a temporary file in the same folder. It takes the wanted name when the block ends
    well, and is removed when it does not.

    Parameters
    ----------
    path : path
        File to write.
    force : bool
        Whether a file of that name may be replaced.

    Yields
    ------
    Path
        Where to write, with the suffix of `path`.

    Raises
    ------
    FileExistsAlreadyError
        If the file is there and `force` is not given.
    FileMissingError
        If the folder is missing or cannot be written to, or `path` is a folder.
    """
    place = Path(path).resolve()  # through a link: its target is replaced, not the link
    if place.is_dir():
        raise FileMissingError(f"{path}: is a folder; expected the name of a file to write")
    if not place.parent.is_dir():
        raise FileMissingError(f"{path}: cannot be written: there is no folder '{Path(path).parent}'")
    _refuse_existing(path, place, force=force)
    temporary = place.with_name(f".{secrets.token_hex(8)}{place.suffix}")
    try:
        temporary.touch(exist_ok=False)
        yield temporary
        _refuse_existing(path, place, force=force)  # it may have come meanwhile
        temporary.replace(place)
    except EllipsefitError:
        raise
    except OSError as error:
        raise FileMissingError(f"{path}: cannot be written: {_reason(error)}") from error
    finally:
        temporary.unlink(missing_ok=True)


def _refuse_existing(path: str | os.PathLike[str], place: Path, *, force: bool) -> None:
    if place.exists() and not force:
        raise FileExistsAlreadyError(f"{path}: exists already; --force allows it to be overwritten")


def _reason(error: Exception) -> str:
    return (getattr(error, "strerror", None) or str(error) or type(error).__name__).splitlines()[0].lower()
