"""Opening what is there and writing what is not: the only place that decides whether a file may be touched."""

from __future__ import annotations

import errno
import glob
import os
import secrets
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from ellipsefit.errors import EllipsefitError, FileExistsAlreadyError, FileMissingError

#: What to do where a disk refuses; whatever was there before is untouched.
_REMEDIES: Final = {
    errno.ENOSPC: "; free some there and run again, nothing was changed",
    errno.EDQUOT: "; free some of your quota and run again, nothing was changed",
    errno.EFBIG: "; raise the limit on the size of files and run again, nothing was changed",
    errno.EROFS: "; choose another folder, nothing was changed",
    errno.EACCES: "; choose another folder or ask its owner, nothing was changed",
}


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
        raise FileMissingError(f"{path}: cannot be read: {fault_reason(error)}") from None


def real_path(path: str | os.PathLike[str]) -> Path:
    """Where a path leads through all links; one that leads in a circle stays as it is."""
    return Path(os.path.realpath(path))


def existing_file(path: str | os.PathLike[str]) -> Path:
    """Path of a file that can be opened for reading, and again, for readers look at a file more than once.

    Raises
    ------
    FileMissingError
        If it is not there, is a folder, a device or a pipe, or cannot be opened.
    """
    place = Path(path)
    try:
        mode = place.stat().st_mode
        if stat.S_ISDIR(mode):
            raise FileMissingError(f"{path}: is a folder; expected a file")
        if not stat.S_ISREG(mode):  # a pipe would keep us waiting, and a device gives without end
            raise FileMissingError(f"{path}: is a device or a pipe; expected a file, save it as one first")
        with place.open("rb"):
            return place
    except FileMissingError:
        raise
    except FileNotFoundError:
        raise FileMissingError(f"{path}: no such file") from None
    except (OSError, ValueError) as error:  # ValueError: a null character in the name
        raise FileMissingError(f"{path}: cannot be opened: {fault_reason(error)}") from None


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
        If the folder is missing or cannot be written to, or `path` is a folder, a device or a pipe.
    """
    check_target(path, force=force)
    place = real_path(path)  # through a link: its target is replaced, not the link
    temporary = place.with_name(_temporary_name(place, secrets.token_hex(8)))
    try:
        temporary.touch(exist_ok=False)
        yield temporary
        check_target(path, force=force)  # it may have come meanwhile
        temporary.replace(place)
    except EllipsefitError:
        raise
    except OSError as error:
        remedy = _REMEDIES.get(error.errno or 0, "")
        raise FileMissingError(f"{path}: cannot be written: {fault_reason(error)}{remedy}") from error
    finally:
        temporary.unlink(missing_ok=True)


def check_target(path: str | os.PathLike[str], *, force: bool, made: Path | None = None) -> None:
    """Whether a file may be written there; `made`: a folder that need not be there yet.

    Raises
    ------
    FileExistsAlreadyError, FileMissingError
        As `new_file` says.
    """
    place = real_path(path)
    if place.is_dir():
        raise FileMissingError(f"{path}: is a folder; expected the name of a file to write")
    if place.is_symlink():
        raise FileMissingError(f"{path}: is a link that leads in a circle; expected the name of a file to write")
    if place.exists() and not place.is_file():  # it would be replaced by a file
        raise FileMissingError(f"{path}: is a device or a pipe; expected the name of a file to write")
    if not place.parent.is_dir() and Path(path).parent != made:
        raise FileMissingError(f"{path}: cannot be written: there is no folder '{Path(path).parent}'")
    if place.exists() and not force:
        raise FileExistsAlreadyError(f"{path}: exists already; --force allows it to be overwritten")


def remove_leftovers(path: str | os.PathLike[str]) -> None:
    """Remove what writers of a file that were killed have left beside it; nobody else may be writing it."""
    place = real_path(path)
    start, end = _temporary_name(place, "*").split("*")
    pattern = f"{glob.escape(start)}{'[0-9a-f]' * 16}{glob.escape(end)}"
    for leftover in place.parent.glob(pattern):
        with suppress(OSError):
            leftover.unlink(missing_ok=True)


def _temporary_name(place: Path, token: str) -> str:
    stem = place.stem if len(os.fsencode(place.stem)) < 200 else "long"  # names have 255 bytes at most
    return f".{stem.replace('*', '_')}.{token}.part{place.suffix}"


def fault_reason(error: Exception) -> str:
    """Why the system refuses, in its own words."""
    return (getattr(error, "strerror", None) or str(error) or type(error).__name__).splitlines()[0].lower()
