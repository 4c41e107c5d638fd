"""Speed of plans: CPU time of the certified optimum against the plain way, in the same run."""

from __future__ import annotations

import cvxpy as cp
import numpy as np
import pytest

from ellipsefit.align.layout import layout
from ellipsefit.align.limits import travel_limits
from ellipsefit.align.objectives import choose
from tests.align_cases import NOMINAL, fit_of
from tests.bench.ratios import Report, spent
from tests.rehearsal import even_mirror
from tests.test_objectives import Independent

pytestmark = pytest.mark.bench


@pytest.mark.quick
def test_certified_optimum_of_twenty_segments_with_three_adjusters(report: Report) -> None:
    """Both objectives with their duals in 50 ms of one core, and faster than a modelling layer over the same solver."""
    rng = np.random.default_rng(1)
    mirror = even_mirror(NOMINAL, count=20, pitch=0.45, travel=(-7e-6, 7e-6), adjusters=3)
    lifts, tilts = rng.normal(0, 5e-6, 20), rng.normal(0, 20e-6, 20)
    fit = fit_of(mirror, lifts, tilts)

    def ours() -> None:
        model = layout(fit, mirror.nominal, mirror)
        found = choose(model, travel_limits(model), ("worst", "travel"))
        assert found is not None
        assert found.optima["worst"] > 1e-7
        assert all(abs(gap) <= 1e-9 * found.optima[name] for name, gap in found.gaps.items())

    def plain() -> None:
        other = Independent(mirror, lifts, tilts)
        worst = other.least(cp.max(cp.abs(other.error)), solver="HIGHS")
        other.least(cp.sum(cp.abs(other.moves)), cp.abs(other.error) <= worst * 1e6 + 1e-6, solver="HIGHS")

    mine, theirs = spent(ours, rounds=7), spent(plain, rounds=7)
    report("certified plan, 20 segments, 60 adjusters", "cvxpy over the same solver, no proof", mine, theirs, 1)
    assert mine < 0.05
