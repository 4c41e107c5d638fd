"""Reading a large campaign of scans, as a ratio to plain h5py in the same minute. Best of 2."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import pytest

from ellipsefit.files import read_scans, write_scans
from ellipsefit.scan import Scan
from tests.bench.ratios import Report, spent

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


def test_ten_thousand_scans_are_read_checked_in_the_time_of_plain_reading(tmp_path: Path, report: Report) -> None:
    """Floor 0.8: twice the attributes are looked at, and each value is checked."""
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
    write_scans(scans, path)
    ours, plain = spent(lambda: read_scans(path), rounds=2), spent(lambda: read_plainly(path), rounds=2)
    report("10,000 scans of 1,000 points read", "h5py alone, nothing checked", ours, plain, 0.8)
