"""Speed of placing and forecasting, as ratios to a plain way in the same run (processor time)."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pytest
from scipy.optimize import root

from ellipsefit.halls import invented_mount
from ellipsefit.place import Pose, fit_drift
from ellipsefit.place.drift import YEAR, DriftFit, DriftSettings
from ellipsefit.place.pose import rotation_matrix

pytestmark = pytest.mark.bench


def spent(work: Callable[[], object], repeats: int) -> float:
    """Best processor time of one call in three rounds [s]."""
    best = np.inf
    for _ in range(3):
        start = time.process_time()
        for _ in range(repeats):
            work()
        best = min(best, (time.process_time() - start) / repeats)
    return best


def test_forward_kinematics_against_a_general_root_finder() -> None:
    mount = invented_mount()
    angles = np.array([0.4, -0.3, 0.7, 0.2, -0.5, 0.0])

    def gaps(unknown: np.ndarray[tuple[int], np.dtype[np.float64]]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return mount.gaps(Pose.of_matrix(unknown[:3], rotation_matrix(unknown[3:])), angles)

    plain = root(gaps, np.zeros(6), tol=1e-13)
    found = mount.pose_at(angles)
    assert np.abs(plain.x - np.concatenate([found.translation, found.rotation])).max() < 1e-10
    ours, theirs = spent(lambda: mount.pose_at(angles), 50), spent(lambda: root(gaps, np.zeros(6), tol=1e-13), 10)
    inverse = spent(lambda: mount.angles_for(found), 50)
    print(
        f"\nforward {ours * 1e3:.2f} ms, inverse {inverse * 1e3:.2f} ms, general root finder {theirs / ours:.1f} times"
    )
    assert theirs > 3 * ours


def test_steps_are_weighed_without_a_fit_for_each() -> None:
    """Forty surveys, a step in each of 39 gaps: one pass, against the evidence of 39 fits."""
    rng = np.random.default_rng(0)
    when = np.arange(40) * YEAR / 4
    value = np.cumsum(rng.normal(0, 40e-6, 40))
    settings = DriftSettings()

    def plain() -> list[float]:
        fits = [
            DriftFit(
                time=when,
                value=value,
                sigma=np.full(40, 10e-6),
                settings=settings,
                steps=(),
                log=None,
                lag=None,
                moved=(),
                _places=(place,),
            )
            for place in range(1, 40)
        ]
        return [fit.log_evidence for fit in fits]

    ours = spent(lambda: fit_drift(when, value, 10e-6, settings).step_probabilities(), 5)
    theirs = spent(plain, 1)
    print(f"\nall steps weighed in {ours * 1e3:.1f} ms, {theirs / ours:.0f} times faster than a fit for each")
    assert theirs > 5 * ours
