"""Processes that write a record and are killed, or hindered, meanwhile: run by the tests of its faults.

python -m tests.record_writers kill FOLDER SEED COUNT
python -m tests.record_writers together FOLDER WRITERS ROUNDS
python -m tests.record_writers limited FOLDER BYTES
python -m tests.record_writers readonly FOLDER
"""

from __future__ import annotations

import hashlib
import json
import os
import resource
import signal
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import h5py
import numpy as np

from ellipsefit.align import plan_corrections
from ellipsefit.errors import EllipsefitError
from ellipsefit.files import write_mirror, write_text_profile
from ellipsefit.files.record import append_round
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile

WHEN = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)


class Writer:
    """Appends the same round again and again."""

    def __init__(self, folder: Path) -> None:
        rng = np.random.default_rng(8)
        mirror = invented_mirror(name="Heron", segments=5, length=2.5)
        profile = simulate_profile(mirror, hidden_state(mirror, rng), rng, step=1e-3)
        self.inputs = [folder / "mirror.toml", folder / "profile.csv"]
        if not self.inputs[0].exists():
            write_mirror(mirror, self.inputs[0])
            write_text_profile(profile, self.inputs[1])
        self.fit: EllipseFit = fit_ellipse(profile, mirror)
        self.plan = plan_corrections(self.fit)
        self.record = folder / "record.h5"

    def append(self) -> int:
        return append_round(self.record, self.fit, self.plan, inputs=self.inputs, when=WHEN).number


def whole_rounds(path: Path) -> int:
    """Rounds of a record, each found whole, by h5py alone: numbered from 1, every answer with its SHA-256."""
    if not path.exists():
        return 0
    with h5py.File(path, "r") as file:
        rounds = sorted(int(name.removeprefix("round_")) for name in file)
        assert rounds == list(range(1, len(rounds) + 1)), rounds
        for number in rounds:
            entry = file[f"round_{number}"]
            for step in ("fit", "correction"):
                note = entry[f"{step}/answer"]
                text = note["data"][()]
                assert hashlib.sha256(text).hexdigest() == note["checksum"][()].decode()
                json.loads(text)
            assert np.isfinite(entry["figure_error/height_error"][()]).all()
            assert len(entry["profile/x"]) == len(entry["figure_error/x"])
        assert file.attrs["default"] == f"round_{rounds[-1]}"
    return len(rounds)


def kill(folder: Path, seed: int, count: int) -> None:
    """Kill a writer at random moments; print how often the record was not whole, and what was left beside it."""
    rng, writer = np.random.default_rng(seed), Writer(folder)
    start = time.perf_counter()
    writer.append()
    cycle = time.perf_counter() - start
    held, leftovers, inside = 1, 0, 0
    for _ in range(count):
        if held > 8:
            writer.record.unlink()
            held = 0
        told, tell = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(told)
            while True:
                os.write(tell, bytes([writer.append()]))
        os.close(tell)
        time.sleep(float(rng.uniform(0, 2.5 * cycle)))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        with os.fdopen(told, "rb") as stream:
            announced = stream.read()
        promised = max(announced, default=held)
        found = whole_rounds(writer.record)
        # the kill may come between the last round's taking its place and its being told
        assert promised <= found <= promised + 1, (promised, found)
        held = found
        beside = [path.name for path in folder.glob(".record*")]
        leftovers += sum(name.endswith(".part.h5") for name in beside)
        inside += bool(beside)
    writer.append()
    assert not list(folder.glob(".record*")), "the next writer takes what was left"
    print(json.dumps({"kills": count, "while writing": inside, "copies left": leftovers, "rounds": held + 1}))


def together(folder: Path, writers: int, rounds: int) -> None:
    """Several writers at once; print the numbers that each was told."""
    writer, children = Writer(folder), []
    for _ in range(writers):
        told, tell = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(told)
            for _ in range(rounds):
                os.write(tell, bytes([writer.append()]))
            os._exit(0)
        os.close(tell)
        children.append((child, told))
    numbers = []
    for child, told in children:
        with os.fdopen(told, "rb") as stream:
            numbers.append(list(stream.read()))
        os.waitpid(child, 0)
    print(json.dumps({"numbers": numbers, "rounds": whole_rounds(writer.record)}))


def hindered(folder: Path, how: str, size: int) -> None:
    """One writer that may write files of so many bytes only, or nothing into the folder; print what it says."""
    writer = Writer(folder)
    before = writer.append()
    names = sorted(path.name for path in folder.iterdir())
    if how == "limited":
        limit = writer.record.stat().st_size + size
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    else:
        folder.chmod(0o555)
        if os.geteuid() == 0:
            os.seteuid(65534)  # root may write anywhere
    said = ""
    try:
        writer.append()
    except EllipsefitError as fault:
        said = str(fault)
    if how != "limited":
        os.seteuid(os.getuid())
        folder.chmod(0o755)
    assert whole_rounds(writer.record) == before
    assert sorted(path.name for path in folder.iterdir()) == names
    print(json.dumps({"said": said}))


if __name__ == "__main__":
    place, numbers = Path(sys.argv[2]), [int(text) for text in sys.argv[3:]]
    if sys.argv[1] == "kill":
        kill(place, *numbers)
    elif sys.argv[1] == "together":
        together(place, *numbers)
    else:
        hindered(place, sys.argv[1], *(numbers or [0]))
