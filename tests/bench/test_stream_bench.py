"""Profiles of a hundred thousand to a hundred million points, fitted from their files: time and memory."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any, Final

import h5py
import numpy as np
import pytest

from ellipsefit.ellipse import Ellipse
from ellipsefit.files import write_mirror
from ellipsefit.mirror import Mirror
from ellipsefit.simulate import hidden_state, invented_mirror

pytestmark = pytest.mark.bench

COUNTS: Final = (100_000, 1_000_000, 10_000_000, 100_000_000)
#: Points that are made and written at a time.
CHUNK: Final = 1 << 17
#: What a file of the largest profile takes, and room to spare [bytes].
ROOM: Final = 3_000_000_000

#: An interpreter that does nothing but tell its peak memory; ru_maxrss would be that of the process that starts it.
NOTHING: Final = """
import json, sys, time
def tell(status):
    with open("/proc/self/status") as file:
        peak = next(int(line.split()[1]) * 1024 for line in file if line.startswith("VmHWM"))
    with open(sys.argv[1], "w") as file:
        json.dump({"status": status, "seconds": time.process_time(), "peak": peak}, file)
if len(sys.argv) == 2:
    tell(0)
"""
#: The command of a user in a process of its own; the time is that of the processor, from its first line on.
COMMAND: Final = f"""{NOTHING}
from ellipsefit.cli import main
try:
    main(sys.argv[2:])
except SystemExit as end:
    tell(end.code)
"""


def r1() -> Mirror:
    nominal = Ellipse(12.0, 8.0, 20e-3)
    return invented_mirror(name="R1", nominal=nominal, segments=18, length=9.0, gap=5e-3)


def write_large_profile(path: Path, mirror: Mirror, count: int) -> None:
    """Heights of a mirror with misplaced segments, 100 nm of smooth figure error and 60 nm of noise, piece by piece."""
    rng = np.random.default_rng(1)
    state = hidden_state(mirror, rng)
    each = count // len(mirror.segments)
    with h5py.File(path, "w") as file:
        entry = file.create_group("entry")
        entry.attrs["NX_class"] = "NXentry"
        data = entry.create_group("data")
        data.attrs.update({"NX_class": "NXdata", "signal": "height", "axes": "x"})
        fields = [data.create_dataset(name, (each * len(mirror.segments),), "f8") for name in ("x", "height")]
        for field in fields:
            field.attrs["units"] = "m"
        for number, segment in enumerate(mirror.segments):
            places = np.linspace(segment.start, segment.end, 1000)
            phases = rng.uniform(0, 2 * np.pi, 30)
            waves = np.cos(2 * np.pi * np.arange(1, 31) * (places[:, None] - segment.start) / segment.length + phases)
            figure = 100e-9 * np.sqrt(2 / 30) * waves.sum(axis=1)
            height, tilt = state.segment_height[number], state.segment_tilt[number]
            for start in range(0, each, CHUNK):
                stop = min(start + CHUNK, each)
                x = segment.start + (np.arange(start, stop) + 0.5) * (segment.length / each)
                z = state.ellipse.height(x) + state.height + state.tilt * x + height + tilt * (x - segment.middle)
                z += np.interp(x, places, figure) + rng.normal(0.0, 60e-9, stop - start)
                at = slice(number * each + start, number * each + stop)
                fields[0][at], fields[1][at] = x, z


def run(folder: Path, code: str, *arguments: str) -> dict[str, Any]:
    found = folder / "found.json"
    subprocess.run([sys.executable, "-c", code, str(found), *arguments], check=True, capture_output=True)
    result: dict[str, Any] = json.loads(found.read_text())
    return result


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="peak memory is told by Linux")
def test_time_and_memory_from_1e5_to_1e8_points(tmp_path: Path) -> None:
    """`ellipsefit fit` from start to end: exponent of time at most 1.05, over all and from 1e7 to 1e8 points, where
    what does not grow with them no longer counts; and less than 500 MB more than an interpreter that does nothing."""
    if shutil.disk_usage(tmp_path).free < ROOM:
        pytest.skip("a profile of 1e8 points takes 1.6 GB of disk, and room to spare")
    mirror = r1()
    write_mirror(mirror, tmp_path / "mirror.toml")
    bare = run(tmp_path, NOTHING)["peak"]
    seconds, peaks = [], []
    for count in COUNTS:
        profile = tmp_path / "profile.h5"
        write_large_profile(profile, mirror, count)
        found = run(tmp_path, COMMAND, "fit", str(tmp_path / "mirror.toml"), str(profile))
        profile.unlink()
        assert found["status"] == 0
        seconds.append(found["seconds"])
        peaks.append((found["peak"] - bare) / 1e6)
        print(f"\n{count:.0e} points: {seconds[-1]:.2f} s of processor time, {peaks[-1]:.0f} MB above the interpreter")
    exponent = float(np.polyfit(np.log(COUNTS), np.log(seconds), 1)[0])
    last = float(np.log10(seconds[-1] / seconds[-2]))
    print(f"exponent {exponent:.3f}, from 1e7 to 1e8 points {last:.3f}")
    assert exponent <= 1.05
    assert last <= 1.05
    assert peaks[-1] < 500
