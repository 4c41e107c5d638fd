"""A record outlives its writers: killed, crowded, out of room, without rights, with a clock that is wrong."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from datetime import timedelta
from pathlib import Path
from typing import Any

import h5py
import pytest

from ellipsefit.errors import FileBusyError, FileMissingError
from ellipsefit.files import safe
from ellipsefit.files.record import append_round, claimed, read_record_summary
from ellipsefit.files.record import draft as drafts
from tests.record_writers import WHEN, Writer, whole_rounds

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals and forks as on Unix")


def told(*arguments: object) -> dict[str, Any]:
    """What a process of writers prints."""
    command = [sys.executable, "-m", "tests.record_writers", *map(str, arguments)]
    home = str(Path(__file__).parents[1])
    done = subprocess.run(command, cwd=home, capture_output=True, text=True, timeout=600, check=False)
    assert done.returncode == 0, done.stderr
    answer: dict[str, Any] = json.loads(done.stdout)
    return answer


@pytest.fixture
def writer(tmp_path: Path) -> Writer:
    return Writer(tmp_path)


def test_killed_at_any_moment_it_holds_the_last_complete_round(tmp_path: Path) -> None:
    """SIGKILL 20 times; each time plain h5py opens it, and finds every round that was told, whole by its SHA-256."""
    answer = told("kill", tmp_path, 3, 20)
    assert answer["kills"] == 20
    assert answer["while writing"] > 0, "else nothing was tried"


@pytest.mark.campaign
def test_killed_at_200_random_moments(tmp_path: Path) -> None:
    answer = told("kill", tmp_path, 7, 200)
    assert answer["kills"] == 200
    assert answer["while writing"] > 100


def test_two_writers_lose_nothing(tmp_path: Path) -> None:
    """Each append is a round of its own number, whoever made it, and none is told twice."""
    answer = told("together", tmp_path, 3, 4)
    assert sorted(number for one in answer["numbers"] for number in one) == list(range(1, 13))
    assert answer["rounds"] == 12


def test_a_full_disk_is_one_sentence_and_changes_nothing(tmp_path: Path) -> None:
    """The system's limit on the size of a file stands for the disk: it refuses in the same place."""
    said = told("limited", tmp_path, 100_000)["said"]
    assert said.startswith(str(tmp_path / "record.h5"))
    assert "nothing was changed" in said


def test_a_disk_that_fills_while_hdf5_writes(writer: Writer, monkeypatch: pytest.MonkeyPatch) -> None:
    """What HDF5 says of it is the system's error in many words; it is told in few."""
    writer.append()
    before = writer.record.read_bytes()

    def full(*_: Any, **__: Any) -> None:
        words = "Can't synchronously write data (file write failed: errno = 28, error message = 'No space left')"
        raise RuntimeError(words)

    with monkeypatch.context() as patch:
        patch.setattr(h5py.Group, "create_dataset", full)
        with pytest.raises(FileMissingError, match="cannot be written: no space left on device; free some there"):
            writer.append()
    assert writer.record.read_bytes() == before
    assert not list(writer.record.parent.glob(".record*"))


def test_room_is_asked_for_before_anything_is_written(writer: Writer, monkeypatch: pytest.MonkeyPatch) -> None:
    if not hasattr(os, "posix_fallocate"):
        pytest.skip("this system cannot be asked")
    writer.append()
    asked: list[int] = []

    def full(_: int, __: int, size: int) -> None:
        asked.append(size)
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "posix_fallocate", full)
    with pytest.raises(FileMissingError, match="no space left on device"):
        writer.append()
    arrays = 5 * 8 * len(writer.fit.placed.x)
    assert asked[0] >= writer.record.stat().st_size + arrays


def test_a_read_only_folder_is_one_sentence(tmp_path: Path) -> None:
    tmp_path.chmod(0o755)
    said = told("readonly", tmp_path)["said"]
    assert said.startswith(f"{tmp_path / 'record.h5'}: cannot be written: permission denied")
    assert "expected a folder" in said


def test_another_writer_is_waited_for_then_named(writer: Writer) -> None:
    writer.append()
    before = writer.record.read_bytes()
    busy = pytest.raises(FileBusyError, match=rf"process {os.getpid()} on .*run again")
    with claimed(writer.record), busy, claimed(writer.record, patience=0.1):
        pass
    assert writer.record.read_bytes() == before
    assert writer.append() == 2


def test_a_claim_left_by_a_dead_process_hinders_nobody(writer: Writer) -> None:
    """The lock is the system's and ended with its process; the file that is left says nothing."""
    left = writer.record.with_name(f".{writer.record.name}.lock")
    left.write_text("process 1 on elsewhere")
    assert writer.append() == 1
    assert not left.exists()


def test_a_claim_that_is_held_serves_what_is_called(writer: Writer) -> None:
    with claimed(writer.record) as claim:
        kept = append_round(writer.record, writer.fit, None, inputs=writer.inputs, when=WHEN, claim=claim)
        assert read_record_summary(writer.record).rounds == (kept.number,)


def test_copies_of_killed_writers_are_removed_and_nothing_else(writer: Writer) -> None:
    folder = writer.record.parent
    left = folder / f".record.{'0123456789abcdef'}.part.h5"
    others = [
        folder / f".record.x.{'0' * 16}.part.h5",
        folder / ".record.mine.part.h5",
        folder / f".other.{'0' * 16}.part.h5",
    ]
    for path in (left, *others):
        path.write_bytes(b"x")
    writer.append()
    assert not left.exists()
    assert all(path.exists() for path in others)


def test_a_round_dated_before_the_last_is_said_and_keeps_its_number(writer: Writer) -> None:
    writer.append()
    kept = append_round(writer.record, writer.fit, None, inputs=writer.inputs, when=WHEN - timedelta(days=9000))
    assert kept.number == 2
    (warning,) = kept.warnings
    assert "before round 1 of 2026-03-04" in warning
    assert "clock" in warning
    assert read_record_summary(writer.record).rounds == (1, 2)
    later = append_round(writer.record, writer.fit, None, inputs=writer.inputs, when=WHEN)
    assert later.warnings == ()


def test_rights_and_links_of_the_record_stay(writer: Writer, tmp_path: Path) -> None:
    """Replaced whole, it is still the file that its owner shared and linked to."""
    writer.append()
    writer.record.chmod(0o664)
    home = writer.record.rename(tmp_path / "kept.h5")
    writer.record.symlink_to(home)
    writer.append()
    assert writer.record.is_symlink()
    assert home.stat().st_mode & 0o777 == 0o664
    assert whole_rounds(home) == 2


def test_systems_without_such_calls_write_the_same(writer: Writer, monkeypatch: pytest.MonkeyPatch) -> None:
    for call in ("copy_file_range", "posix_fallocate"):
        monkeypatch.delattr(os, call, raising=False)
    assert [writer.append() for _ in range(3)] == [1, 2, 3]
    assert whole_rounds(writer.record) == 3


def test_long_names_are_written_all_the_same(tmp_path: Path) -> None:
    """255 bytes are the longest name on the usual file systems; ours beside it must be no longer."""
    path = tmp_path / f"{'n' * 240}.h5"
    with safe.new_file(path) as temporary:
        temporary.write_text("x")
    assert path.read_text() == "x"


def test_leaving_by_an_error_keeps_what_was_there(writer: Writer) -> None:
    writer.append()
    before = writer.record.read_bytes()

    def spoil() -> None:
        with drafts.drafted(writer.record) as file:
            del file["round_1"]
            raise InterruptedError

    with pytest.raises(FileMissingError, match="cannot be written"):
        spoil()
    assert writer.record.read_bytes() == before


def test_a_pipe_is_never_replaced_by_a_file(tmp_path: Path) -> None:
    """Nor is a device, such as where output is thrown away."""
    os.mkfifo(tmp_path / "pipe.json")
    told = r"pipe\.json: is a device or a pipe; expected the name of a file to write"
    with pytest.raises(FileMissingError, match=told), safe.new_file(tmp_path / "pipe.json", force=True):
        pass
    assert [path.name for path in tmp_path.iterdir()] == ["pipe.json"]
    assert (tmp_path / "pipe.json").is_fifo()
