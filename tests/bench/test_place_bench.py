"""Speed of placing and forecasting, as ratios to a plain way in the same run (processor time)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import root

from ellipsefit.halls import invented_mount
from ellipsefit.place import Pose, fit_drift
from ellipsefit.place.drift import YEAR, DriftFit, DriftSettings
from ellipsefit.place.pose import rotation_matrix
from tests.bench.ratios import Report, spent

pytestmark = pytest.mark.bench


@pytest.mark.quick
def test_forward_kinematics_against_a_general_root_finder(report: Report) -> None:
    mount = invented_mount()
    angles = np.array([0.4, -0.3, 0.7, 0.2, -0.5, 0.0])

    def gaps(unknown: np.ndarray[tuple[int], np.dtype[np.float64]]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return mount.gaps(Pose.of_matrix(unknown[:3], rotation_matrix(unknown[3:])), angles)

    plain = root(gaps, np.zeros(6), tol=1e-13)
    found = mount.pose_at(angles)
    assert np.abs(plain.x - np.concatenate([found.translation, found.rotation])).max() < 1e-10
    theirs = spent(lambda: root(gaps, np.zeros(6), tol=1e-13), repeats=10)
    print(f"\ninverse {spent(lambda: mount.angles_for(found), repeats=50) * 1e3:.2f} ms")
    report(
        "pose of a mount from its wheels",
        "scipy root, six gaps, numerical derivatives",
        spent(lambda: mount.pose_at(angles), repeats=50),
        theirs,
        3,
    )


@pytest.mark.quick
def test_steps_are_weighed_without_a_fit_for_each(report: Report) -> None:
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

    ours = spent(lambda: fit_drift(when, value, 10e-6, settings).step_probabilities(), repeats=5)
    report("steps of a hall weighed, 40 surveys", "a fit for each of 39 steps", ours, spent(plain), 5)
