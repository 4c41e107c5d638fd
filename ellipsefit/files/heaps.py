"""A look at an HDF5 file before HDF5 does: damage to its heaps of texts would keep the library turning for ever."""

from __future__ import annotations

import mmap
import os
import struct
from pathlib import Path
from typing import Final

from ellipsefit.errors import FileFormatError

#: Bytes of a file that are looked at: texts stand near its beginning, and a large file is large by its numbers.
LOOKED_AT: Final = 1 << 26
_SIGNATURE: Final = b"GCOL\x01\0\0\0"
_HEADER: Final = 16


def check_heaps(place: Path, path: str | os.PathLike[str]) -> None:
    """Walk through the global heaps as HDF5 would.

    A heap is a run of objects, each with its size; the one with number 0 is what is free, its size counts itself,
    and ends the heap (HDF5 File Format Specification 3.0, III.E). A free object of size 0 that does not end the
    heap is stepped over again and again by the library, up to 2.0 at least.

    Raises
    ------
    FileFormatError
        If an object is said to be larger than what is left of its heap, or has no size.
    """
    with place.open("rb") as file:
        length = min(os.fstat(file.fileno()).st_size, LOOKED_AT)
        if not length:
            return
        with mmap.mmap(file.fileno(), length, access=mmap.ACCESS_READ) as data:
            start = data.find(_SIGNATURE)
            while start >= 0:
                _check_heap(data, start, path)
                start = data.find(_SIGNATURE, start + len(_SIGNATURE))


def _check_heap(data: mmap.mmap, start: int, path: str | os.PathLike[str]) -> None:
    if start + _HEADER > len(data):
        return
    (size,) = struct.unpack_from("<Q", data, start + 8)
    end, at = min(start + size, len(data)), start + _HEADER
    while at + _HEADER <= end:
        number, _, taken = struct.unpack_from("<HH4xQ", data, at)
        step = taken if number == 0 else _HEADER + (taken + 7) // 8 * 8
        if step < _HEADER or at + step > start + size:
            raise FileFormatError(
                f"{path}: is a damaged HDF5 file: the texts kept at byte {at} have an impossible size; expected it "
                "whole, copy it again"
            )
        at += step
