"""Cost of a batch for each mirror, against a plain loop over the same functions in the same run."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

import ellipsefit as ef
from ellipsefit.batch import BatchSettings, run_batch
from ellipsefit.files import write_mirror, write_profile
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile

pytestmark = pytest.mark.bench

COUNT = 30


def seconds(task: Callable[[], object]) -> float:
    """Best of three, in seconds of one core."""
    times = []
    for _ in range(3):
        start = time.process_time()
        task()
        times.append(time.process_time() - start)
    return min(times)


def test_a_batch_costs_little_more_than_a_plain_loop(tmp_path: Path) -> None:
    """Checksums, journal and summaries: less than a tenth of reading, fitting and planning small mirrors.

    Mirrors of 6 segments with 2,000 points each.
    """
    for number in range(COUNT):
        rng = np.random.default_rng([3, number])
        mirror = invented_mirror(name=f"Wren {number}", segments=6, length=3.0)
        place = tmp_path / "in" / f"wren-{number}"
        place.mkdir(parents=True)
        write_mirror(mirror, place / "mirror.toml")
        step = mirror.segments[0].length / 2000
        write_profile(simulate_profile(mirror, hidden_state(mirror, rng), rng, step=step), place / "profile.h5")
    items = ef.read_batch([tmp_path / "in"])

    def plain() -> list[float]:
        worst = []
        for item in items:
            mirror = ef.read_mirror(item.mirror)
            plan = ef.plan_corrections(ef.fit_ellipse(ef.open_profile(item.scans[0]), mirror))
            worst.append(plan.remaining.height_max)
        return worst

    settings = BatchSettings(when=datetime(2026, 1, 1, tzinfo=UTC), keep="summary")

    def batch() -> list[float | None]:
        return [line.height_max for line in run_batch(items, tmp_path / "out", settings, force=True).summary.lines]

    def again() -> object:
        return run_batch(items, tmp_path / "out", settings)

    assert batch() == plain()
    loop, ours, resumed = seconds(plain), seconds(batch), seconds(again)
    print(f"{COUNT} mirrors: batch {ours / COUNT * 1e3:.1f} ms each, plain loop {loop / COUNT * 1e3:.1f} ms: ", end="")
    print(f"{100 * (ours / loop - 1):+.1f} %; when all is done already {loop / resumed:.0f} times faster")
    assert ours / loop < 1.1
    assert loop / resumed > 10
