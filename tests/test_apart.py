"""Files are read in a process that may die of them; what comes back is what was read, or one sentence."""

from __future__ import annotations

import os
import signal
import sys
import zlib
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from numpy.testing import assert_array_equal

from ellipsefit.errors import FileFormatError, FileMissingError
from ellipsefit.files import apart, inspect_file, open_profile, read_profile
from ellipsefit.files.apart import read_apart
from ellipsefit.files.nexus import write_profile
from ellipsefit.profile import Profile

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals and forks as on Unix")


@read_apart
def process(path: str | os.PathLike[str]) -> int:
    return os.getpid()


@read_apart
def crash(path: str | os.PathLike[str], number: int) -> None:
    os.kill(os.getpid(), number)


@read_apart
def spin(path: str | os.PathLike[str]) -> None:
    while True:
        pass


@read_apart
def swell(path: str | os.PathLike[str]) -> Any:
    return np.ones(300_000_000)


@read_apart
def leave(path: str | os.PathLike[str], status: int) -> None:
    os._exit(status)


@read_apart
def mistake(path: str | os.PathLike[str]) -> None:
    list[int]()[0]  # a fault of the program's own


@read_apart
def arrays(path: str | os.PathLike[str]) -> tuple[Any, Any, Any]:
    sealed = np.arange(1000.0)
    sealed.flags.writeable = False
    return sealed, np.arange(5), np.array(["S01", "é"])


@pytest.fixture(params=["forked", "started"])
def both(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """With and without a system that forks."""
    monkeypatch.setattr(apart, "_forks", request.param == "forked")
    return str(request.param)


def test_what_is_read_comes_back_as_it_is(both: str, tmp_path: Path) -> None:
    assert process(tmp_path) != os.getpid()
    sealed, free, texts = arrays(tmp_path)
    assert_array_equal(sealed, np.arange(1000.0))
    assert_array_equal(free, np.arange(5))
    assert_array_equal(texts, ["S01", "é"])
    assert (sealed.flags.writeable, free.flags.writeable) == (False, True)
    profile = Profile(name="a.h5", quantity="height", x=np.arange(9.0), values=np.arange(9.0) ** 2)
    write_profile(profile, tmp_path / "a.h5")
    assert_array_equal(read_profile(tmp_path / "a.h5").values, profile.values)
    with pytest.raises(FileMissingError, match="no such file"):
        read_profile(tmp_path / "absent.h5")


def test_a_process_that_dies_is_one_sentence(both: str, tmp_path: Path) -> None:
    for number in (signal.SIGSEGV, signal.SIGABRT) if both == "forked" else (signal.SIGKILL,):
        with pytest.raises(FileFormatError, match=rf"/f.h5: is a damaged HDF5 file: .* \({number.name}\); expected it"):
            crash(tmp_path / "f.h5", number)
    with pytest.raises(FileFormatError, match=r"is a damaged HDF5 file: HDF5 breaks down over it; expected it whole"):
        leave(tmp_path / "f.h5", 3)


def test_one_that_comes_to_no_end_or_takes_too_much_is_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(apart, "TIME", 1)
    with pytest.raises(FileFormatError, match="reading it does not come to an end; expected it whole"):
        spin(tmp_path / "f.h5")
    if not Path("/proc/self/statm").exists():
        pytest.skip("limits of memory are those of Linux")
    with pytest.raises(FileFormatError, match="takes more than 1000000000 bytes of memory to read, in a file of 0"):
        swell(tmp_path / "f.h5")


def test_a_mistake_of_the_program_keeps_its_traceback(tmp_path: Path) -> None:
    with pytest.raises(IndexError) as told:
        mistake(tmp_path / "f.h5")
    assert "in mistake\n    list[int]()[0]" in "".join(told.value.__notes__)


def test_a_reader_within_a_reader_is_in_the_same_process(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(apart, "_apart", True)
    assert process(tmp_path) == os.getpid()


def test_without_a_further_process_it_is_read_here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse() -> int:
        raise BlockingIOError

    monkeypatch.setattr(os, "fork", refuse)
    assert process(tmp_path) == os.getpid()


def bomb(size: int) -> bytes:
    """So many zeros in a zlib stream (RFC 1950): independent pieces of DEFLATE, one after the other."""
    piece = 1 << 24
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    part = packer.compress(bytes(piece)) + packer.flush(zlib.Z_FULL_FLUSH)
    count = size // piece
    check = ((count * piece % 65521) << 16) + 1
    return b"\x78\xda" + part * count + packer.flush(zlib.Z_FINISH) + check.to_bytes(4, "big")


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="limits of memory are those of Linux")
def test_a_chunk_that_swells_is_refused(tmp_path: Path) -> None:
    """HDF5 inflates a chunk whatever it comes to: one that is declared as 8 kB would take 1.3 GB there."""
    assert zlib.decompress(bomb(1 << 25)) == bytes(1 << 25)
    path = tmp_path / "bomb.h5"
    write_profile(Profile(name="a", quantity="height", x=np.arange(9.0), values=np.arange(9.0)), path)
    with h5py.File(path, "r+") as file:
        data = file["profile/data"]
        units = data["x"].attrs["units"]
        del data["x"]
        swollen = data.create_dataset("x", (9,), "f8", chunks=(1024,), maxshape=(None,), compression="gzip")
        swollen.attrs["units"] = units
        data["x"].id.write_direct_chunk((0,), bomb(1_300_000_000))
    assert path.stat().st_size < 2_000_000
    for read in (read_profile, open_profile):
        with pytest.raises(FileFormatError, match="its chunk from point 1 on comes to more; expected 8192 bytes"):
            read(path)
    assert inspect_file(path).faults
