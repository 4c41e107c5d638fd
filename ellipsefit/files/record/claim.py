"""One writer at a time: a claim on a record, held while it is read, added to and replaced.

The claim is a lock that the operating system keeps on a small file beside the record. It ends with the process that
holds it, however that ends, so a file that a killed process has left behind hinders nobody.
"""

from __future__ import annotations

import contextlib
import os
import socket
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from ellipsefit.errors import FileBusyError, FileMissingError
from ellipsefit.files.safe import fault_reason, real_path

#: For how long another writer is waited for [s]: an append takes a fraction of a second, a report some.
PATIENCE: Final = 60.0
_PAUSE: Final = 0.02


@dataclass(frozen=True, slots=True)
class Claim:
    """The right to replace one record, as long as the block lasts that gave it."""

    place: Path


@contextmanager
def claimed(path: str | os.PathLike[str], claim: Claim | None = None, *, patience: float = PATIENCE) -> Iterator[Claim]:
    """Hold a record for oneself, whether it is there already or not.

    Parameters
    ----------
    path : path
        The record.
    claim : Claim, optional
        One that is held already serves here, too.
    patience : float
        For how long another writer is waited for [s].

    Raises
    ------
    FileBusyError
        If another process still holds it then.
    FileMissingError
        If nothing can be written beside it.
    """
    place = real_path(path)
    if claim is not None and claim.place == place:
        yield claim
        return
    beside = place.with_name(f".{place.name}.lock")
    handle = _taken(path, beside, time.monotonic() + patience)
    try:
        yield Claim(place)
    finally:
        # removed while it is still held: who waited for it finds another file, or none, and looks again
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        os.close(handle)


def _taken(path: str | os.PathLike[str], beside: Path, end: float) -> int:
    """Descriptor of the locked file."""
    while True:
        try:
            handle = _locked(beside)
        except OSError as fault:
            raise FileMissingError(
                f"{path}: cannot be written: {fault_reason(fault)}; expected a folder in which files can be made and "
                "locked"
            ) from fault
        if handle is not None:
            return handle
        if time.monotonic() > end:
            raise FileBusyError(
                f"{path}: is being written by another process ({_holder(beside)}); expected it to be free: wait until "
                "that has ended, or end it, then run again"
            )
        time.sleep(_PAUSE)


def _holder(beside: Path) -> str:
    try:
        return beside.read_text(encoding="utf-8").strip() or "unknown"
    except OSError:
        return "unknown"


if sys.platform == "win32":  # not tried on that system yet

    def _locked(beside: Path) -> int | None:
        try:  # who holds it has it open for itself, and it goes when it is closed or the process ends
            return os.open(beside, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_TEMPORARY)
        except (FileExistsError, PermissionError):
            return None

else:
    import fcntl

    def _locked(beside: Path) -> int | None:
        handle = os.open(beside, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            there = beside.stat()
            if os.path.samestat(there, os.fstat(handle)):
                os.ftruncate(handle, 0)
                os.write(handle, f"process {os.getpid()} on {socket.gethostname()}".encode())
                return handle
        except (BlockingIOError, FileNotFoundError):
            pass  # held, or removed by who held it
        except OSError:
            os.close(handle)
            raise
        os.close(handle)
        return None


__all__ = ["PATIENCE", "Claim", "claimed"]
