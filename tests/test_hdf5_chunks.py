"""HDF5 fields kept in chunks: whatever one comes to, no value is read that the file does not hold.

Each forgery is made byte by byte in a file that h5py wrote: DEFLATE streams by RFC 1950 and 1951 (zlib), B-trees and
fill value messages by the HDF5 File Format Specification 3.0, III.A.1 and IV.A.2.f.
"""

from __future__ import annotations

import os
import struct
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import h5py
import numpy as np
import pytest
from h5py import h5d, h5p, h5s, h5t, h5z
from numpy.testing import assert_array_equal

from ellipsefit.errors import FileFormatError
from ellipsefit.files import inspect_file, open_profile, read_measured, read_profile
from ellipsefit.files.chunks import _UNPACKED, check_chunks
from ellipsefit.files.nexus import NexusProfile

CHUNK: Final = 100  # points
X: Final = np.linspace(-1.0, 1.0, 10 * CHUNK)
HEIGHT: Final = 1e-3 * X**2 + 1e-9 * np.random.default_rng(8).normal(size=X.size)  # streams have room
PACKED: Final[dict[str, dict[str, Any]]] = {
    "gzip": {"compression": "gzip"},
    "shuffle, gzip": {"compression": "gzip", "shuffle": True},
    "shuffle, gzip, fletcher32": {"compression": "gzip", "shuffle": True, "fletcher32": True},
    "lzf": {"compression": "lzf", "shuffle": True},
    "fletcher32": {"fletcher32": True},
    "none": {},
}


def written(path: Path, values: np.ndarray[Any, Any] = HEIGHT, **packed: Any) -> Path:
    """A profile whose heights are kept in ten chunks."""
    with h5py.File(path, "w") as file:
        entry = file.create_group("entry")
        entry.attrs["NX_class"] = "NXentry"
        data = entry.create_group("data")
        data.attrs.update({"NX_class": "NXdata", "signal": "height", "axes": "x"})
        data.create_dataset("x", data=X).attrs["units"] = "m"
        data.create_dataset("height", data=values, chunks=(CHUNK,), **packed).attrs["units"] = "m"
    return path


def chunk_at(path: Path, number: int) -> tuple[int, int]:
    """Where a chunk of the heights stands in the file, and how long it is."""
    with h5py.File(path) as file:
        info = file["entry/data/height"].id.get_chunk_info_by_coord((number * CHUNK,))
        return info.byte_offset, info.size


def overwritten(path: Path, at: int, new: bytes) -> Path:
    data = bytearray(path.read_bytes())
    data[at : at + len(new)] = new
    path.write_bytes(data)
    return path


def in_parts(path: Path) -> None:
    with NexusProfile(path) as profile:
        profile.part(0, X.size)


def told(path: Path) -> str:
    """The one sentence, the same for every reader."""
    with pytest.raises(FileFormatError) as fault:
        read_profile(path)
    text = str(fault.value)
    assert text.startswith(f"{path}: field '/entry/data/height' ")
    assert text in inspect_file(path).faults
    for read in (read_measured, in_parts):
        with pytest.raises(FileFormatError) as again:
            read(path)
        assert str(again.value) == text
    return text.removeprefix(f"{path}: field '/entry/data/height' ")


@pytest.mark.parametrize("packed", PACKED.values(), ids=PACKED)
def test_sound_chunks_are_read_however_they_are_packed(packed: dict[str, Any], tmp_path: Path) -> None:
    path = written(tmp_path / "a.h5", **packed)
    assert_array_equal(read_profile(path).values, HEIGHT)
    with NexusProfile(path) as profile:
        assert_array_equal(profile.part(150, 420).values, HEIGHT[150:420])


@pytest.mark.parametrize("size", [1, 8 * CHUNK // 2, 8 * CHUNK - 1, 8 * CHUNK + 1, 16 * CHUNK])
def test_a_chunk_that_unpacks_to_another_size_is_told(size: int, tmp_path: Path) -> None:
    """The fourth chunk, in its place, a sound stream of `size` bytes; HDF5 reads each of these without a word."""
    path = written(tmp_path / "a.h5", compression="gzip")
    at, room = chunk_at(path, 3)
    stream = zlib.compress(bytes(size))
    assert len(stream) <= room
    overwritten(path, at, stream.ljust(room, b"\0"))
    with h5py.File(path) as file:
        assert len(file["entry/data/height"][:]) == X.size
    amount = "more" if size > 8 * CHUNK else f"{size} bytes"
    said = f"is damaged: its chunk from point 301 on comes to {amount}; expected 800 bytes, copy the file again"
    assert told(path) == said


def test_a_chunk_at_fault_is_told_when_it_is_read(tmp_path: Path) -> None:
    path = written(tmp_path / "a.h5", compression="gzip")
    at, room = chunk_at(path, 3)
    overwritten(path, at, zlib.compress(b"short").ljust(room, b"\0"))
    with NexusProfile(path) as profile:
        assert_array_equal(profile.part(0, 300).values, HEIGHT[:300])
        assert_array_equal(profile.part(400, 1000).values, HEIGHT[400:])
        with pytest.raises(FileFormatError, match="its chunk from point 301 on comes to 5 bytes"):
            profile.part(299, 301)


def test_a_chunk_is_looked_at_once_however_often_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten chunks; parts of 130 points begin and end within them."""
    looked: list[int] = []

    def counting(raw: memoryview, most: int) -> int | None:
        looked.append(most)
        return _UNPACKED[h5z.FILTER_DEFLATE](raw, most)

    monkeypatch.setattr("ellipsefit.files.chunks._UNPACKED", _UNPACKED | {h5z.FILTER_DEFLATE: counting})
    with NexusProfile(written(tmp_path / "p.h5", compression="gzip")) as profile:
        for _ in range(3):
            parts = [profile.part(start, min(start + 130, len(X))) for start in range(0, len(X), 130)]
            assert_array_equal(np.concatenate([part.values for part in parts]), HEIGHT)
        assert looked == [8 * CHUNK] * 10
        os.utime(tmp_path / "p.h5", (1, 1))  # as if someone had written
        with pytest.raises(FileFormatError, match="was changed while it was read"):
            profile.part(0, 10)


def test_a_stream_that_is_damaged_or_cut_is_told(tmp_path: Path) -> None:
    for name, stream in {"no.h5": b"\x78\x9c\xff\xff", "cut.h5": zlib.compress(bytes(800))[:-4]}.items():
        with h5py.File(written(tmp_path / name, compression="gzip"), "r+") as file:
            file["entry/data/height"].id.write_direct_chunk((0,), stream)
        path = tmp_path / name
        assert "its chunk from point 1 on cannot be unpacked; expected 800 bytes" in told(path)


def lzf_bytes(data: bytes) -> bytes:
    """LZF of literals alone: before each 32 bytes, 31."""
    return b"".join(bytes([len(part) - 1]) + part for part in (data[i : i + 32] for i in range(0, len(data), 32)))


@pytest.mark.parametrize("size", [8 * CHUNK - 32, 8 * CHUNK + 32])
def test_a_chunk_of_lzf_that_unpacks_to_another_size_is_told(size: int, tmp_path: Path) -> None:
    with h5py.File(written(tmp_path / "a.h5", compression="lzf"), "r+") as file:
        heights = file["entry/data/height"].id
        heights.write_direct_chunk((0,), lzf_bytes(HEIGHT[:CHUNK].tobytes()))
    assert_array_equal(read_profile(tmp_path / "a.h5").values, HEIGHT)
    with h5py.File(tmp_path / "a.h5", "r+") as file:
        file["entry/data/height"].id.write_direct_chunk((0,), lzf_bytes(bytes(size)))
    assert "its chunk from point 1 on comes to" in told(tmp_path / "a.h5")


@pytest.mark.parametrize(
    ("packed", "mask"), [(PACKED["shuffle, gzip"], 0b10), (PACKED["shuffle, gzip, fletcher32"], 0b110)]
)
def test_a_chunk_that_goes_without_packing_has_its_size(packed: dict[str, Any], mask: int, tmp_path: Path) -> None:
    """Filter mask (III.A.1): a bit is set for each filter that is skipped; shuffle alone keeps the size."""
    path = tmp_path / "a.h5"
    shuffled = np.frombuffer(HEIGHT[:CHUNK].tobytes(), np.uint8).reshape(CHUNK, 8).T.tobytes()
    for length, sound in ((8 * CHUNK, True), (4 * CHUNK, False), (8 * CHUNK + 4, False)):
        with h5py.File(written(path, **packed), "r+") as file:
            file["entry/data/height"].id.write_direct_chunk((0,), shuffled.ljust(length, b"\0")[:length], mask)
        if sound:
            assert_array_equal(read_profile(path).values, HEIGHT)
        else:
            assert f"its chunk from point 1 on comes to {'more' if length > 800 else '400 bytes'}" in told(path)


def tree_key(path: Path, number: int) -> int:
    """Where the B-tree's key of a chunk begins: size (4 bytes), filter mask (4), offsets (8 each), address (8)."""
    data = path.read_bytes()
    at = 0
    while True:
        at = data.index(b"TREE\x01", at) + 4
        count = struct.unpack_from("<H", data, at + 2)[0]
        keys = [at + 20 + 32 * place for place in range(count)]
        if count == X.size // CHUNK:  # the heights' own
            return keys[number]


@pytest.mark.parametrize(("size", "what"), [(8 * CHUNK - 8, "comes to 792 bytes"), (1 << 31, "claims 2147483648")])
def test_a_chunk_that_is_not_packed_has_its_size(size: int, what: str, tmp_path: Path) -> None:
    path = written(tmp_path / "a.h5")
    key = tree_key(path, 4)
    assert struct.unpack_from("<II", path.read_bytes(), key) == (8 * CHUNK, 0)
    overwritten(path, key, struct.pack("<I", size))
    with h5py.File(path) as file, pytest.raises(FileFormatError, match=f"its chunk from point 401 on {what}"):
        check_chunks("height", file["entry/data/height"].id)
    with pytest.raises(FileFormatError):
        read_profile(path)


def test_the_checksum_of_a_chunk_is_checked_by_hdf5(tmp_path: Path) -> None:
    path = written(tmp_path / "a.h5", fletcher32=True)
    at, size = chunk_at(path, 0)
    assert size == 8 * CHUNK + 4
    overwritten(path, at, b"\0\0\0\0\0\0\x59\x40")
    with pytest.raises(FileFormatError, match=r"its field '/entry/data/height' cannot be read \(HDF5: "):
        read_profile(path)


# what is not there


def partly_written(path: Path, when: int, fill: float | None = None, *, chunked: bool = True) -> Path:
    """Heights of which the first fifth is written, or nothing if they are in one block."""
    with h5py.File(written(path), "r+") as file:
        data = file["entry/data"]
        del data["height"]
        plan = h5p.create(h5p.DATASET_CREATE)
        if chunked:
            plan.set_chunk((CHUNK,))
        plan.set_fill_time(when)
        if fill is not None:
            plan.set_fill_value(np.array(fill))
        dataset = h5d.create(data.id, b"height", h5t.IEEE_F64LE, h5s.create_simple(X.shape), plan)
        data["height"].attrs["units"] = "m"
        if chunked:
            h5py.Dataset(dataset)[: 2 * CHUNK] = HEIGHT[: 2 * CHUNK]
    return path


def test_chunks_that_are_left_out_have_the_fill_value(tmp_path: Path) -> None:
    profile = read_profile(partly_written(tmp_path / "a.h5", h5d.FILL_TIME_IFSET, 2.5))
    assert_array_equal(profile.values, np.where(np.arange(X.size) < 2 * CHUNK, HEIGHT, 2.5))
    assert not read_profile(partly_written(tmp_path / "b.h5", h5d.FILL_TIME_IFSET)).values[2 * CHUNK :].any()


@pytest.mark.parametrize(("chunked", "what"), [(True, "not all of it written"), (False, "never written")])
def test_what_was_never_written_is_told_where_no_value_stands_for_it(chunked: bool, what: str, tmp_path: Path) -> None:
    """HDF5 leaves the memory of who reads as it was (H5Pset_fill_time: never)."""
    path = partly_written(tmp_path / "a.h5", h5d.FILL_TIME_NEVER, chunked=chunked)
    before = np.full(X.size, 7.0)
    with h5py.File(path) as file:
        file["entry/data/height"].id.read(h5s.ALL, h5s.ALL, before, h5t.NATIVE_DOUBLE)
    assert before[-1] == 7.0
    assert what in told(path)
    if chunked:
        with NexusProfile(path) as profile:
            assert_array_equal(profile.part(0, 2 * CHUNK).values, HEIGHT[: 2 * CHUNK])
            with pytest.raises(FileFormatError, match="not all of it written"):
                profile.part(0, 2 * CHUNK + 1)


def test_a_fill_value_that_is_undefined_is_none(tmp_path: Path) -> None:
    """Fill value message, version 2: space allocation time, fill value write time, whether one is defined, its size."""
    path = partly_written(tmp_path / "a.h5", h5d.FILL_TIME_ALLOC)
    data = path.read_bytes()
    message = bytes([2, h5d.ALLOC_TIME_INCR, h5d.FILL_TIME_ALLOC, 1]) + bytes(4)
    assert data.count(message) == 1
    overwritten(path, data.index(message) + 3, b"\0")
    assert "not all of it written" in told(path)


# how


def test_other_filters_are_refused_by_name(tmp_path: Path) -> None:
    path = written(tmp_path / "a.h5", values=np.arange(X.size, dtype=np.int32), scaleoffset=0)
    assert told(path) == "is packed by the HDF5 filter scaleoffset; expected gzip, lzf or none"
    with pytest.raises(FileFormatError, match="packed by the HDF5 filter"):
        open_profile(path)


def test_a_field_in_two_dimensions_is_looked_at_whole(tmp_path: Path) -> None:
    path, values = tmp_path / "a.h5", np.arange(2500.0).reshape(50, 50)
    with h5py.File(path, "w") as file:
        file.create_dataset("a", data=values, chunks=(20, 20), compression="gzip", maxshape=(None, None))
        check_chunks("a", file["a"].id)
        file["a"].id.write_direct_chunk((40, 20), zlib.compress(bytes(3199)))
        with pytest.raises(FileFormatError, match=r"its chunk from point 41 on comes to 3199 bytes; expected 3200"):
            check_chunks("a", file["a"].id)


def read_as_hdf5_does(path: Path) -> None:
    with h5py.File(path) as file:
        for _ in range(3):
            file["a"][:]


def looked_at(path: Path) -> None:
    with h5py.File(path) as file:
        for _ in range(3):
            check_chunks("a", file["a"].id)


def test_looking_costs_no_more_than_reading(tmp_path: Path) -> None:
    """Both inflate each chunk once; bound: three times as much, for a machine that is busy."""
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        values = 1e-9 * np.random.default_rng(1).normal(size=900_000)
        file.create_dataset("a", data=values, compression="gzip", shuffle=True)

    def seconds(work: Callable[[Path], None]) -> float:
        started = time.process_time()
        work(path)
        return time.process_time() - started

    assert min(seconds(looked_at) for _ in range(3)) < 3 * min(seconds(read_as_hdf5_does) for _ in range(3))
