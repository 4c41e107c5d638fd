"""Files that people send for others: a spreadsheet, a picture, what is compressed; and cells that are no numbers."""

from __future__ import annotations

import bz2
import gzip
import lzma
import zipfile
from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from typing import Any, Final

import h5py
import numpy as np
import pytest
from matplotlib.figure import Figure

from ellipsefit.errors import FileFormatError
from ellipsefit.files import inspect_file, read_beam, read_measured, read_mirror, read_profile, read_scans, read_survey
from ellipsefit.files.nexus import write_profile
from ellipsefit.profile import Profile

TABLE: Final = b"x [mm],height [um]\n1,2\n2,3\n3,5\n"


def archive(*members: tuple[str, bytes]) -> bytes:
    memory = BytesIO()
    with zipfile.ZipFile(memory, "w") as file:
        for name, data in members:
            file.writestr(name, data)
    return memory.getvalue()


def saved(save: Callable[[BytesIO], object]) -> bytes:
    memory = BytesIO()
    save(memory)
    return memory.getvalue()


def picture(kind: str) -> bytes:
    return saved(lambda memory: Figure((1, 1)).savefig(memory, format=kind))


#: Each made by the library that makes such files; the first bytes of office documents by hand, from memory.
FOREIGN: Final[dict[str, tuple[bytes, str]]] = {
    "gzip": (gzip.compress(TABLE), r"is a compressed file \(gzip\); expected .*: unpack it first"),
    "bzip2": (bz2.compress(TABLE), r"is a compressed file \(bzip2\)"),
    "xz": (lzma.compress(TABLE), r"is a compressed file \(xz\)"),
    "xlsx": (
        archive(("[Content_Types].xml", b"<Types/>"), ("xl/workbook.xml", b"<workbook/>")),
        r"is a spreadsheet or another office document; expected .*: save the sheet as text \(CSV\)",
    ),
    "ods": (archive(("mimetype", b"application/vnd.oasis.opendocument.spreadsheet")), "is a spreadsheet"),
    "xls": (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "is a spreadsheet"),
    "pdf": (picture("pdf"), r"is a document \(PDF\)"),
    "png": (picture("png"), r"is a picture \(PNG\)"),
    "jpeg": (picture("jpg"), r"is a picture \(JPEG\)"),
    "tiff": (picture("tif"), r"is a picture \(TIFF\)"),
    "npy": (saved(lambda memory: np.save(memory, np.arange(9.0))), "is an array of NumPy"),
    "npz": (saved(lambda memory: np.savez(memory, x=np.arange(9.0))), "is an archive of NumPy arrays"),
}


@pytest.mark.parametrize("name", FOREIGN)
def test_every_reader_says_what_it_was_given(name: str, tmp_path: Path) -> None:
    data, said = FOREIGN[name]
    path = tmp_path / "sent.csv"
    path.write_bytes(data)
    for read in (read_profile, read_scans, read_measured, read_survey, read_mirror, read_beam):
        with pytest.raises(FileFormatError, match=said) as told:
            read(path)
        assert str(told.value).startswith(f"{path}: is a")
    content = inspect_file(path)
    assert content.kind == "unknown"
    assert len(content.faults) == 1


def test_json_is_told_as_such(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    path.write_text('{"x": [1, 2], "height": [1, 2]}', encoding="utf-8")
    with pytest.raises(FileFormatError, match=r"a.json: holds JSON; expected a profile"):
        read_profile(path)


@pytest.mark.parametrize(
    ("cell", "said"),
    [
        ("", "got an empty cell"),
        ("***", r"got '\*\*\*'$"),
        ("#N/A", "got '#N/A'$"),
        ("1\u00a0234,5", r"got .* \(leave out the marks of thousands\)"),
        ("1'234,5", r"got .* \(leave out the marks of thousands\)"),
        ("1 2", "got '1 2'$"),
    ],
)
def test_a_cell_that_is_no_number_is_told(cell: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text(f"x [mm];height [um]\n1,5;2\n2,5;{cell}\n3,5;3\n", encoding="utf-8")
    with pytest.raises(FileFormatError, match=f"line 3: column 'height': expected a number; {said}"):
        read_profile(path)


def test_hdf5_of_another_layout_says_what_it_holds(tmp_path: Path) -> None:
    def told(name: str, make: Callable[[Any], object]) -> str:
        with h5py.File(tmp_path / name, "w") as file:
            make(file)
        with pytest.raises(FileFormatError) as fault:
            read_profile(tmp_path / name)
        return str(fault.value)

    many = told("many.h5", lambda file: [file.create_dataset(f"d{i}", data=i) for i in range(9)])
    assert "has no NXentry, only 'd0', 'd1', 'd2', 'd3', 'd4', ...; expected" in many
    one = told("one.h5", lambda file: file.create_group("scan"))
    assert "has no NXentry, only 'scan'; expected HDF5 by the NeXus standard: in an NXentry" in one
    assert "has no NXentry, nothing; expected" in told("no.h5", lambda _: None)


def test_a_profile_of_nothing_but_nan_is_wrong(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    x = np.arange(9.0)
    write_profile(Profile(name="a", quantity="height", x=x, values=x, mask=np.ones(9, dtype=bool)), path)
    assert inspect_file(path).faults == (
        f"{path}: no point is left to use, all are masked or not finite; expected values",
    )
