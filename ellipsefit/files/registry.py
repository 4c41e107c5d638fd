"""Which reader reads which file, told by the file's first bytes and not by its name."""

from __future__ import annotations

import os
from typing import Final, Literal

from ellipsefit.errors import FileFormatError, FileMissingError
from ellipsefit.files.safe import existing_file
from ellipsefit.profile import Profile

Format = Literal["hdf5", "zip", "text"]

_HDF5: Final = b"\x89HDF\r\n\x1a\n"
#: A user block may stand before the signature (HDF5 File Format Specification 3.0, section II.A).
_HDF5_OFFSETS: Final = (0, 512, 1024, 2048)
_ZIP: Final = (b"PK\x03\x04", b"PK\x05\x06")


def file_format(path: str | os.PathLike[str]) -> Format:
    """Format of a file by its signature; what has none is text.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    """
    try:
        with existing_file(path).open("rb") as file:
            start = file.read(_HDF5_OFFSETS[-1] + len(_HDF5))
    except FileMissingError:
        raise
    except OSError as error:
        raise FileMissingError(f"{path}: cannot be read: {error.strerror}") from None
    if any(start[offset:].startswith(_HDF5) for offset in _HDF5_OFFSETS):
        return "hdf5"
    return "zip" if start.startswith(_ZIP) else "text"


def read_profile(path: str | os.PathLike[str]) -> Profile:
    """Profile from delimited text or NeXus HDF5, whichever the file is.

    Parameters
    ----------
    path : path
        File to read.

    Returns
    -------
    Profile
        Lengths in m, slopes in rad, as it stands in the file.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    FileFormatError
        If it holds no profile, or a faulty one; the text names file, line or field, and what was expected.
    """
    found = file_format(path)
    if found == "hdf5":
        from ellipsefit.files.nexus import read_nexus_profile  # h5py is loaded when a file needs it

        return read_nexus_profile(path)
    if found == "zip":
        raise FileFormatError(zip_fault(path))
    from ellipsefit.files.text import read_text_profile

    return read_text_profile(path)


def zip_fault(path: str | os.PathLike[str]) -> str:
    """What is said of a file that is a ZIP archive, such as X3P."""
    return f"{path}: is a ZIP archive (such as X3P), not supported yet; expected a profile as text or HDF5"
