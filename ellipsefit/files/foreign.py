"""Files that people send for others: known by their first bytes, told with a way out."""

from __future__ import annotations

import os
from typing import Final

from ellipsefit.errors import FileFormatError

#: Bytes by which a file is known.
START: Final = 4096
_PACKED: Final = "unpack it first"
_SHEET: Final = "save the sheet as text (CSV)"
_NUMBERS: Final = "write the numbers as text with a header"
#: Signatures, from memory, as their formats define them: RFC 1952 (gzip), RFC 8878 (zstd), bzip2, xz, 7z; compound
#: files; ISO 32000 (PDF); ISO 15948 (PNG), ITU-T T.81 (JPEG), TIFF 6.0; NumPy's NPY.
_SIGNATURES: Final = (
    (b"\x1f\x8b", "a compressed file (gzip)", _PACKED),
    (b"BZh", "a compressed file (bzip2)", _PACKED),
    (b"\xfd7zXZ\x00", "a compressed file (xz)", _PACKED),
    (b"\x28\xb5\x2f\xfd", "a compressed file (zstd)", _PACKED),
    (b"7z\xbc\xaf\x27\x1c", "a compressed archive (7z)", _PACKED),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "a spreadsheet or another office document", _SHEET),
    (b"%PDF-", "a document (PDF)", _NUMBERS),
    (b"\x89PNG\r\n\x1a\n", "a picture (PNG)", _NUMBERS),
    (b"\xff\xd8\xff", "a picture (JPEG)", _NUMBERS),
    (b"II*\x00", "a picture (TIFF)", _NUMBERS),
    (b"MM\x00*", "a picture (TIFF)", _NUMBERS),
    (b"\x93NUMPY", "an array of NumPy", _NUMBERS),
)
_ZIP: Final = b"PK\x03\x04"
_NAME: Final = 30  # where the name of the first member begins (APPNOTE 4.3.7)
#: First members of office documents (ECMA-376-2, OpenDocument 1.2, part 3).
_OFFICE: Final = (b"[Content_Types].xml", b"_rels/", b"docProps/", b"xl/")


def refuse_foreign(start: bytes, path: str | os.PathLike[str], expected: str) -> None:
    """Refuse a file that starts as one of a kind that is no measurement and no description.

    Parameters
    ----------
    start : bytes
        Its first bytes, `START` of them are enough.
    path : path
        The file, for the sentence.
    expected : str
        What was expected, for the sentence.

    Raises
    ------
    FileFormatError
        With what it is and what to do.
    """
    found = next(((what, way) for mark, what, way in _SIGNATURES if start.startswith(mark)), None)
    if start.startswith(_ZIP):
        size = int.from_bytes(start[26:28], "little")
        name = start[_NAME : _NAME + size]
        if name.startswith(_OFFICE) or (name == b"mimetype" and b"opendocument" in start):
            found = ("a spreadsheet or another office document", _SHEET)
        elif name.endswith(b".npy"):
            found = ("an archive of NumPy arrays", _NUMBERS)
    if found is not None:
        raise FileFormatError(f"{path}: is {found[0]}; expected {expected}: {found[1]}")
