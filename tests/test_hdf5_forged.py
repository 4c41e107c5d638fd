"""HDF5 files made to mislead: nothing is read from elsewhere, and none takes more memory than a file of its size may.

Each is forged by h5py, mostly by its low-level calls; memory is limited by the kernel, in a process of its own.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, Final

import h5py
import numpy as np
import pytest
from h5py import h5d, h5f, h5g, h5p, h5s, h5t
from numpy.testing import assert_array_equal

from ellipsefit.errors import FileFormatError
from ellipsefit.files import inspect_file, open_profile, read_measured, read_profile, read_scans, read_survey
from ellipsefit.files.heaps import check_heaps
from ellipsefit.files.record import read_fit_answer, read_previous, read_record_summary, read_round
from tests.fuzz.targets import TARGETS, small_mirror

X: Final = np.linspace(-0.4, 0.4, 9)


def forged(path: Path, change: Callable[[Any], None] = lambda _: None, *, without: tuple[str, ...] = ()) -> Path:
    """A profile of nine points with a change to its NXdata."""
    with h5py.File(path, "w") as file:
        entry = file.create_group("entry")
        entry.attrs["NX_class"] = "NXentry"
        data = entry.create_group("data")
        data.attrs.update({"NX_class": "NXdata", "signal": "height", "axes": "x"})
        for name, values in (("x", X), ("height", 1e-3 * X**2)):
            if name not in without:
                data.create_dataset(name, data=values).attrs["units"] = "m"
        change(data)
    return path


def fault(path: Path) -> str:
    with pytest.raises(FileFormatError) as told:
        read_profile(path)
    assert "\n" not in str(told.value)
    assert str(told.value) in inspect_file(path).faults
    return str(told.value)


def field(group: Any, name: str, *arguments: Any, **options: Any) -> Any:
    dataset = group.create_dataset(name, *arguments, **options)
    dataset.attrs["units"] = "m"
    return dataset


def test_the_file_that_is_forged_is_read_well(tmp_path: Path) -> None:
    assert_array_equal(read_profile(forged(tmp_path / "a.h5")).x, X)


# claims


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda data: field(data, "height", (10**12,), "f8", chunks=(100,)), "claims 8000000000000 bytes"),
        (
            lambda data: field(data, "height", (3 * 10**8,), "f8", chunks=(1 << 20,)),
            "claims 2400000000 bytes",
        ),
        (lambda data: field(data, "height", (9,), "f8", chunks=(9,), maxshape=(None,)), None),
        (
            lambda data: field(data, "height", (9,), "f8", chunks=(1 << 28,), maxshape=(None,)),
            "claims 2147483648",
        ),
        (lambda data: field(data, "height", (10**8,), "f8", chunks=(1 << 20,), compression="gzip"), "claims 800000000"),
    ],
    ids=["10^12 elements", "more than the file", "none", "one huge chunk", "compressed nothing"],
)
def test_a_field_that_claims_more_than_its_file_holds(
    change: Callable[[Any], Any], said: str | None, tmp_path: Path
) -> None:
    path = forged(tmp_path / "a.h5", change, without=("height",))
    if said is None:
        assert len(read_profile(path).values) == 9
        return
    assert said in fault(path)
    with pytest.raises(FileFormatError, match="claims"):
        open_profile(path)


def test_a_field_compressed_twice_is_refused(tmp_path: Path) -> None:
    """One deflate gains a factor of 1,032 at most (zlib, technical details), two a million."""

    def change(data: Any) -> None:
        plan = h5p.create(h5p.DATASET_CREATE)
        plan.set_chunk((9,))
        plan.set_deflate(9)
        plan.set_deflate(9)
        h5d.create(data.id, b"height", h5t.IEEE_F64LE, h5s.create_simple((9,)), plan)
        data["height"].attrs["units"] = "m"

    assert "is compressed twice" in fault(forged(tmp_path / "a.h5", change, without=("height",)))


def test_well_compressed_measurements_are_no_bomb(tmp_path: Path) -> None:
    """A million points on an even grid, sigma the same everywhere, as dense as gzip makes them."""
    x = np.arange(1_000_000) * 1e-6

    def change(data: Any) -> None:
        options = {"compression": "gzip", "compression_opts": 9, "shuffle": True}
        field(data, "x", data=x, **options)
        field(data, "height", data=np.round(1e-3 * x**2, 10), **options)
        field(data, "height_errors", data=np.full(len(x), 6e-8), **options)
        data.create_dataset("mask", data=np.zeros(len(x), np.uint8), **options)

    path = forged(tmp_path / "a.h5", change, without=("x", "height"))
    assert path.stat().st_size < 32_000_000 / 4
    assert_array_equal(read_profile(path).x, x)


BOMBS: Final = """
import sys, resource
from pathlib import Path
import numpy as np, h5py
from tests.fuzz.judge import confined
from ellipsefit.errors import EllipsefitError
from ellipsefit.files import read_measured, inspect_file
inspect_file(sys.argv[1])
confined()
for path in sys.argv[2:]:
    for read in (read_measured, inspect_file):
        try:
            read(path)
        except EllipsefitError as error:
            print(error)
"""


def test_no_small_file_takes_a_gigabyte(tmp_path: Path) -> None:
    """Texts: 200,000 that all mean one of 60 kB, 2,000 of 60 kB each, and every field as large as is allowed."""
    kind = h5py.string_dtype()

    def same_text(data: Any) -> None:
        names = data.create_dataset("segment", (200_000,), kind, chunks=(1000,), compression="gzip")
        names[:1] = ["S" * 60_000]
        # the reference to the one text, written again and again as bytes
        reference = names.id.read_direct_chunk((0,))[1]
        for chunk in range(1, 200):
            names.id.write_direct_chunk((1000 * chunk,), reference)

    def wide_text(data: Any) -> None:
        data.create_dataset("segment", (2_000,), "S60000", chunks=(1,))

    def largest(data: Any) -> None:
        for name in ("x", "height", "height_errors", "y"):
            field(data, name, (2_000_000,), "f8", chunks=(1000,), fillvalue=1.0)
        data.create_dataset("mask", (2_000_000,), "u1", chunks=(1000,))
        for name in ("segment", "mask_reason"):
            data.create_dataset(name, (2_000_000,), "S2", chunks=(1000,))

    paths = [
        forged(tmp_path / "good.h5"),
        forged(tmp_path / "same.h5", same_text),
        forged(tmp_path / "wide.h5", wide_text),
        forged(tmp_path / "largest.h5", largest, without=("x", "height")),
    ]
    done = subprocess.run(
        [sys.executable, "-c", BOMBS, *map(str, paths)], capture_output=True, text=True, check=False, timeout=60
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "wide.h5: field '/entry/data/segment' claims" in done.stdout


def test_a_large_string_attribute_is_none(tmp_path: Path) -> None:
    def change(data: Any) -> None:
        data["height"].attrs.create("units", np.bytes_(b"m" * 60_000))

    assert "units" in fault(forged(tmp_path / "a.h5", change))


# elsewhere


def elsewhere(data: Any, name: str, shape: tuple[int, ...], kind: Any = "f8") -> None:
    data.create_dataset(name, shape, kind, external=[("/etc/passwd", 0, h5f.UNLIMITED)])


def test_no_reader_takes_a_field_from_another_file(tmp_path: Path) -> None:
    """External storage, in every file of the family: profile, scans, survey, record."""
    for name in ("x", "height_errors", "y", "mask"):
        left_out = ("x",) if name == "x" else ()
        path = forged(tmp_path / f"{name}.h5", partial(elsewhere, name=name, shape=(9,)), without=left_out)
        assert "is kept in another file" in fault(path)
    cases: tuple[tuple[str, str, tuple[int, ...], str, Callable[[Path], object]], ...] = (
        ("survey_hdf5", "survey_1/targets/position", (6, 3), "f8", read_survey),
        ("survey_hdf5", "survey_1/start_time", (), "S20", read_survey),
        ("record", "round_1/input_1/data", (), "S20", read_round),
        ("record", "round_1/fit/answer/data", (), "S20", read_fit_answer),
        ("record", "round_1/input_1/data", (), "S20", lambda path: read_previous(path, small_mirror())),
        ("scans_hdf5", "one/direction", (1,), "S7", read_scans),
        ("scans_hdf5", "one/data/x", (9,), "f8", read_scans),
    )
    for target, place, shape, kind, read in cases:
        path = tmp_path / "forged.h5"
        path.write_bytes(TARGETS[target].seeds()[-1])
        with h5py.File(path, "r+") as file:
            units = file[place].attrs.get("units")
            del file[place]
            elsewhere(file, place, shape or (1,), kind)
            if units is not None:
                file[place].attrs["units"] = units
        with pytest.raises(FileFormatError, match="is kept in another file"):
            read(path)


def test_a_virtual_field_is_refused_even_where_its_source_is_the_same_file(tmp_path: Path) -> None:
    def change(data: Any) -> None:
        layout = h5py.VirtualLayout((9,), "f8")
        layout[:] = h5py.VirtualSource(".", "/entry/data/height", (9,))
        data.create_virtual_dataset("x", layout)
        data["x"].attrs["units"] = "m"

    assert "is kept in another file" in fault(forged(tmp_path / "a.h5", change, without=("x",)))


def test_a_soft_link_to_a_link_out_of_the_file_is_refused(tmp_path: Path) -> None:
    forged(tmp_path / "other.h5")

    def change(data: Any) -> None:
        data["out"] = h5py.ExternalLink("other.h5", "/entry/data/x")
        data["x"] = h5py.SoftLink("/entry/data/out")

    assert "'entry/data/out' is a link to another file ('other.h5')" in fault(
        forged(tmp_path / "a.h5", change, without=("x",))
    )


def test_a_link_to_itself_leads_nowhere(tmp_path: Path) -> None:
    def change(data: Any) -> None:
        data["x"] = h5py.SoftLink("/entry/data/x")

    assert "too many links" in fault(forged(tmp_path / "a.h5", change, without=("x",)))


# shape of the tree


def test_groups_that_hold_themselves_are_read_once(tmp_path: Path) -> None:
    def change(data: Any) -> None:
        data["again"] = data
        data["whole"] = data.file["/"]
        data.parent["twice"] = data.parent
        data.file.attrs["default"] = "entry/data/whole"

    started = time.process_time()
    assert_array_equal(read_profile(forged(tmp_path / "a.h5", change)).x, X)
    assert time.process_time() - started < 5


@pytest.mark.parametrize(("depth", "reads"), [(30, True), (40, False), (30_000, False)])
def test_groups_in_groups_do_not_end_the_process(depth: int, reads: bool, tmp_path: Path) -> None:
    """HDF5 visits groups by recursion: at 30,000 its stack is at an end."""
    path = tmp_path / "deep.h5"
    forged(path)
    with h5py.File(path, "r+", libver="latest") as file:
        group = file.id
        for _ in range(depth):
            group = h5g.create(group, b"g")
    code = "import sys\nfrom ellipsefit.files import read_profile\nread_profile(sys.argv[1])"
    done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=False)
    assert (done.returncode == 0) == reads
    if not reads:
        assert "has groups in more than 32 others" in done.stderr


# types


@pytest.mark.parametrize("kind", [">f8", "<f4", ">f4", ">i4", "<i2", "u1", ">u8", "<f2", "f16"])
def test_numbers_of_any_size_and_byte_order_are_read(kind: str, tmp_path: Path) -> None:
    path = forged(tmp_path / "a.h5", lambda data: field(data, "x", data=np.arange(9).astype(kind)), without=("x",))
    assert_array_equal(read_profile(path).x, np.arange(9.0))


@pytest.mark.parametrize(
    "values",
    [
        np.zeros(9, [("a", "f8"), ("b", "i4")]),
        np.zeros(9, h5py.ref_dtype),
        np.zeros(9, h5py.regionref_dtype),
        np.zeros(9, "V16"),
        np.zeros(9, "c16"),
        np.array(["1"] * 9, h5py.string_dtype()),
        np.array([[1.0]] * 9),
        np.float64(1.0),
        h5py.Empty("f8"),
    ],
    ids=["compound", "reference", "region", "opaque", "complex", "text", "two dimensions", "scalar", "empty"],
)
def test_values_that_are_no_numbers_are_told(values: Any, tmp_path: Path) -> None:
    def change(data: Any) -> None:
        kind = values.dtype if isinstance(values, np.ndarray) and values.dtype.kind in "OV" else None
        if kind is not None and kind.kind == "O" and h5py.check_string_dtype(kind) is None:
            field(data, "x", (9,), kind)
        else:
            field(data, "x", data=values)

    assert "field '/entry/data/x'" in fault(forged(tmp_path / "a.h5", change, without=("x",)))


def test_texts_of_any_length_each_are_told_as_no_numbers(tmp_path: Path) -> None:
    path = forged(tmp_path / "a.h5", lambda data: field(data, "x", (9,), h5py.vlen_dtype("f8")), without=("x",))
    assert "expected numbers" in fault(path)


@pytest.mark.parametrize(
    "value",
    [np.zeros(3, [("a", "f8")]), 3, [1.5, 2.5], h5py.Empty("S1"), np.array([b"m", b"mm"]), b"\xff\xfe", ""],
    ids=["compound", "number", "numbers", "empty", "two texts", "no UTF-8", "no text"],
)
@pytest.mark.parametrize("name", ["units", "signal", "axes", "NX_class", "default", "frame"])
def test_attributes_of_odd_types_are_told_or_ignored(name: str, value: Any, tmp_path: Path) -> None:
    def change(data: Any) -> None:
        (data["x"] if name == "units" else data).attrs[name] = value

    path = forged(tmp_path / "a.h5", change)
    try:
        read_measured(path)
    except FileFormatError as error:
        assert "\n" not in str(error)  # noqa: PT017 - a valid file is fine, too
        assert str(path) in str(error)  # noqa: PT017 - a valid file is fine, too


# damage


def test_a_heap_with_a_size_of_zero_is_told(tmp_path: Path) -> None:
    """Byte by byte: the free object's size, which HDF5 adds to go on, set to 0 before the end of the heap."""
    path = forged(tmp_path / "a.h5")
    data = bytearray(path.read_bytes())
    at = start = data.index(b"GCOL")
    at += 16
    while data[at : at + 2] != b"\0\0":
        at += 16 + (int.from_bytes(data[at + 8 : at + 16], "little") + 7) // 8 * 8
    free = int.from_bytes(data[at + 8 : at + 16], "little")
    assert at + free == start + int.from_bytes(data[start + 8 : start + 16], "little")
    check_heaps(path, path)
    data[at + 8 : at + 16] = bytes(8)
    path.write_bytes(data)
    assert f"is a damaged HDF5 file: the texts kept at byte {at} have an impossible size" in fault(path)
    with pytest.raises(FileFormatError, match="damaged HDF5"):
        read_record_summary(path)
