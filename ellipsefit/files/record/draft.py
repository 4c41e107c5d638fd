"""A record is changed in a copy, which takes its place whole: whoever opens it finds the last complete round.

A copy costs a fraction of a second for each gigabyte, less than writing a round. Changing HDF5 in place would spare it,
but a process that is killed meanwhile would leave a file that no reader opens.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import h5py

from ellipsefit.files.safe import new_file, real_path, remove_leftovers

#: Bytes beside the arrays: groups, settings, answers.
_AROUND: Final = 1 << 20
_ERRNO: Final = re.compile(r"errno = (\d+)")


@contextmanager
def drafted(path: str | os.PathLike[str], *, room: int = 0) -> Iterator[Any]:
    """Record as an open HDF5 file: what is done to it takes effect whole when the block ends well, or not at all.

    The caller holds the claim on it. What a killed writer left beside it is removed.

    Parameters
    ----------
    path : path
        The record; made if it is not there.
    room : int
        Bytes that will be added, asked of the disk before anything is written.

    Raises
    ------
    FileMissingError
        If it cannot be written: the folder is missing or read-only, or the disk is full.
    """
    remove_leftovers(path)
    place = real_path(path)
    with new_file(path, force=True) as temporary:
        known = place.exists()
        if known:
            _copy(place, temporary, room + _AROUND)
        else:
            _reserve(temporary, room + _AROUND)
        with _faults_of_the_disk(), h5py.File(temporary, "r+" if known else "w") as file:
            yield file
        with temporary.open("rb+") as whole:
            os.fsync(whole.fileno())
    _settle(place.parent)


def _copy(place: Path, temporary: Path, room: int) -> None:
    with place.open("rb") as source, temporary.open("rb+") as target:
        left = os.fstat(source.fileno()).st_size
        _allocate(target.fileno(), left + room)
        try:
            while left > 0:  # in the kernel, which shares the blocks where the file system can
                copied = os.copy_file_range(source.fileno(), target.fileno(), left)
                if not copied:
                    break
                left -= copied
        except (AttributeError, OSError) as fault:
            if getattr(fault, "errno", None) == errno.ENOSPC:
                raise
            source.seek(0)
            target.seek(0)
            shutil.copyfileobj(source, target, 1 << 22)
    shutil.copymode(place, temporary)


def _reserve(temporary: Path, room: int) -> None:
    with temporary.open("rb+") as target:
        _allocate(target.fileno(), room)
        target.truncate(0)  # nothing is there yet that must stay


def _allocate(handle: int, size: int) -> None:
    """Ask the disk for room now: HDF5 that meets a full disk on its own cannot close the file."""
    allocate = getattr(os, "posix_fallocate", None)
    if allocate is None:
        return
    try:
        allocate(handle, 0, size)
    except OSError as fault:
        if fault.errno in (errno.ENOSPC, errno.EFBIG, errno.EDQUOT):
            raise


@contextmanager
def _faults_of_the_disk() -> Iterator[None]:
    """What HDF5 says of a disk that is full or gone, as the system's own error."""
    try:
        yield
    except (OSError, RuntimeError) as fault:
        found = _ERRNO.search(str(fault))
        if found is None:
            raise
        number = int(found[1])
        raise OSError(number, os.strerror(number)) from fault


def _settle(folder: Path) -> None:
    """See to it that the new name outlives a crash of the machine, where a system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
