"""Bytes as lines of text: which encoding it is, and a file of any size read block by block."""

from __future__ import annotations

import codecs
import io
import os
from collections.abc import Iterator
from typing import BinaryIO, Final, NamedTuple

from ellipsefit.errors import FileFormatError

#: Bytes that are read at a time.
BLOCK: Final = 1 << 20
#: Bytes by which binary data are known.
START: Final = 1 << 16
_LONGEST_LINE: Final = 1 << 25
#: Control characters that no text has.
_ODD: Final = bytes({*range(32)} - {0x09, 0x0A, 0x0B, 0x0C, 0x0D, 0x1A, 0x1B})


class Encoding(NamedTuple):
    """How bytes become characters."""

    codec: str
    name: str
    mark: bytes = b""  # byte order mark with which the file begins

    @property
    def unit(self) -> int:
        """Bytes of the smallest character."""
        return len("\n".encode(self.codec))


_MARKED: Final = (
    Encoding("utf-8", "UTF-8", codecs.BOM_UTF8),
    Encoding("utf-32-le", "UTF-32", codecs.BOM_UTF32_LE),  # begins as UTF-16 does
    Encoding("utf-32-be", "UTF-32", codecs.BOM_UTF32_BE),
    Encoding("utf-16-le", "UTF-16", codecs.BOM_UTF16_LE),
    Encoding("utf-16-be", "UTF-16", codecs.BOM_UTF16_BE),
)


def encodings_of(start: bytes, path: str | os.PathLike[str], expected: str = "a profile") -> tuple[Encoding, ...]:
    """Encodings to try, in this order, of a file that starts so and is to hold what is expected.

    Raises
    ------
    FileFormatError
        If it is binary.
    """
    for encoding in _MARKED:
        if start.startswith(encoding.mark):
            return (encoding,)
    if b"\0" in start:
        wide = any(2 * half.count(0) > len(half) > 5 for half in (start[0:200:2], start[1:200:2]))
        hint = " (or UTF-16 without its byte order mark: save it as UTF-8)" if wide else ""
        raise FileFormatError(f"{path}: is binary{hint}; expected {expected} as text or HDF5")
    utf_8 = Encoding("utf-8", "UTF-8")
    # any bytes are Latin-1, so what has other control characters is not taken for text
    return (utf_8,) if start.translate(None, _ODD) != start else (utf_8, Encoding("latin-1", "Latin-1"))


def blocks_of(file: BinaryIO, encoding: Encoding, path: str | os.PathLike[str]) -> Iterator[list[str]]:
    """Lines of a file, a block at a time; at least one block, which is empty if the file is.

    Raises
    ------
    UnicodeDecodeError
        If it is of another encoding.
    FileFormatError
        If a line does not end.
    """
    decoder = io.IncrementalNewlineDecoder(codecs.getincrementaldecoder(encoding.codec)(), translate=True)
    file.seek(len(encoding.mark))
    rest = ""
    while data := file.read(BLOCK):
        *lines, rest = (rest + decoder.decode(data)).split("\n")
        if len(rest) > _LONGEST_LINE:
            raise FileFormatError(
                f"{path}: has a line of more than {_LONGEST_LINE} characters; expected a row for each point"
            )
        if lines:
            yield lines
    rest += decoder.decode(b"", final=True)
    yield [rest] if rest else []


def lines_between(file: BinaryIO, encoding: Encoding, start: int, size: int) -> list[str]:
    """Lines of a part of a file; the first and the last may be cut."""
    file.seek(start)
    text = file.read(size).decode(encoding.codec, errors="ignore")
    return text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
