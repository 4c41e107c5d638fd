"""Reading a large campaign of scans, as a ratio to plain h5py in the same minute. Best of 2."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest

from ellipsefit.files import read_scans, write_scans
from ellipsefit.scan import Scan

pytestmark = pytest.mark.bench

SCANS, POINTS = 10_000, 1_000
FIELDS = ("x", "height", "height_errors", "carriage", "time")


def read_plainly(path: Path) -> int:
    """Every field and its units by h5py alone, nothing checked, nothing kept."""
    points = 0
    with h5py.File(path) as file:
        for entry in file.values():
            data = entry["data"]
            for name in FIELDS:
                assert data[name].attrs["units"]
                points += len(data[name][()])
    return points


def best_of_2(call: Callable[[], object]) -> float:
    times = []
    for _ in range(2):
        started = time.perf_counter()
        call()
        times.append(time.perf_counter() - started)
    return min(times)


def test_ten_thousand_scans_are_read_checked_in_the_time_of_plain_reading(tmp_path: Path) -> None:
    random = np.random.default_rng(1)
    along = np.array(np.arange(POINTS) * 1e-3, dtype=np.float64)
    scans = [
        Scan(
            name=f"scan_{number:05d}",
            quantity="height",
            x=along,
            values=random.normal(size=POINTS) * 1e-7,
            sigma=np.full(POINTS, 6e-8),
            carriage=along,
            time=along,
        )
        for number in range(SCANS)
    ]
    path = tmp_path / "scans.h5"
    started = time.perf_counter()
    write_scans(scans, path)
    written = time.perf_counter() - started
    ours, plain = best_of_2(lambda: read_scans(path)), best_of_2(lambda: read_plainly(path))
    print(
        f"\n{SCANS} scans of {POINTS} points: written in {written:.1f} s, read in {ours:.1f} s, "
        f"by h5py alone in {plain:.1f} s, ratio {ours / plain:.2f}"
    )
    assert ours <= 1.25 * plain  # twice the attributes, and each value checked
