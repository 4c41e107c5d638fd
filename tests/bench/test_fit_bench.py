"""The joint fit of 900,000 points in 18 segments, against the same problem given to plain lmfit."""

import time

import lmfit
import numpy as np
import pytest

from ellipsefit.ellipse import Ellipse
from ellipsefit.fit import fit_ellipse
from ellipsefit.profile import place_profile
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile

pytestmark = pytest.mark.bench


@pytest.fixture(scope="module")
def measured():
    rng = np.random.default_rng(1)
    mirror = invented_mirror(name="R1", nominal=Ellipse(12.0, 8.0, 20e-3), segments=18, length=9.0, gap=5e-3)
    state = hidden_state(mirror, rng)
    step = (mirror.segments[0].length) / 50_000
    return place_profile(simulate_profile(mirror, state, rng, step=step), mirror)


def plain_lmfit(placed):
    """39 parameters, numerical derivatives, residuals divided by sigma; positions scaled by nothing."""
    nominal = placed.mirror.nominal
    index = placed.index
    lever = placed.x - np.array([segment.middle for segment in placed.mirror.segments])[index]
    parameters = lmfit.Parameters()
    for name in ("p", "q", "theta"):
        parameters.add(name, value=getattr(nominal, name))
    for number in range(len(placed.mirror.segments)):
        parameters.add(f"h{number}", value=0.0)
        parameters.add(f"t{number}", value=0.0)
    names = list(parameters)

    def residual(parameters):
        values = np.array([parameters[name].value for name in names])
        z = Ellipse(*values[:3]).height(placed.x) + values[3::2][index] * 1e-6 + values[4::2][index] * 1e-6 * lever
        return (placed.values - z) / placed.sigma

    return lmfit.minimize(residual, parameters, ftol=1e-15, xtol=1e-15)


def test_joint_fit_of_900_000_points(benchmark, measured, record_property):
    fit = benchmark.pedantic(
        lambda: fit_ellipse(measured, vary=("p", "q", "theta"), segments="free", residual="white"),
        rounds=5,
        warmup_rounds=1,
    )
    started = time.perf_counter()
    plain = plain_lmfit(measured)
    plain_time = time.perf_counter() - started
    ours = benchmark.stats.stats.min
    ratio = plain_time / ours
    difference = max(abs(plain.params[name].value / getattr(fit.ellipse, name) - 1) for name in ("p", "q", "theta"))
    record_property("ratio", ratio)
    print(
        f"\njoint fit, 900,000 points: {ours:.3f} s, plain lmfit {plain_time:.2f} s, ratio {ratio:.0f}, "
        f"largest relative difference {difference:.1e}"
    )
    assert difference < 1e-8
    assert ratio >= 20
