"""A round appended to a record, beside a plain h5py write of the same arrays (processor time)."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import h5py
import numpy as np
import pytest

from ellipsefit.align import plan_corrections
from ellipsefit.files import write_mirror, write_profile
from ellipsefit.files.record import append_round
from ellipsefit.fit import fit_ellipse
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile

pytestmark = pytest.mark.bench

EARLIER = 5  # rounds that are in the record already, each with as many points
MOST = 0.2  # s


def spent(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def test_a_round_of_900_000_points_is_appended_in_a_fifth_of_a_second(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    mirror = invented_mirror(name="Osprey", segments=18, length=9.0)
    profile = simulate_profile(mirror, hidden_state(mirror, rng), rng, step=1e-5)
    files = [tmp_path / "mirror.toml", tmp_path / "profile.h5"]
    write_mirror(mirror, files[0])
    write_profile(profile, files[1])
    fit = fit_ellipse(profile, mirror)
    plan, when, record = plan_corrections(fit), datetime(2026, 3, 4, tzinfo=UTC), tmp_path / "record.h5"

    def append() -> None:
        append_round(record, fit, plan, inputs=files, when=when)

    for _ in range(EARLIER):
        append()
    ours = []
    for _ in range(3):
        whole = record.read_bytes()
        ours.append(spent(append))
        record.write_bytes(whole)

    arrays = (fit.placed.x, fit.placed.values, fit.figure.height_error, fit.figure.slope_error)

    def plain() -> None:
        with h5py.File(tmp_path / "plain.h5", "w") as file:
            for number, values in enumerate(arrays):
                file.create_dataset(str(number), data=values)

    bare = min(spent(plain) for _ in range(3))
    best = min(ours)
    size = record.stat().st_size / 1e6
    print(
        f"\nappend of {len(fit.placed.x)} points to {EARLIER} rounds ({size:.0f} MB): {best:.3f} s; its arrays alone "
        f"by h5py: {bare:.3f} s; ratio {best / bare:.1f}"
    )
    assert best < MOST
