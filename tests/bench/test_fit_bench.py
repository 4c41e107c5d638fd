"""The joint fit of a mirror of 18 segments, as ratios to the same problem given to general libraries."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Any

import lmfit
import numpy as np
import pytest
from scipy.optimize import OptimizeResult, least_squares

from ellipsefit.ellipse import Ellipse
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.fit.ellipse_fit import prepare_problem
from ellipsefit.fit.problem import JointProblem
from ellipsefit.profile import PlacedProfile, place_profile
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile
from tests.bench.ratios import Report, clock, spent
from tests.rehearsal import PARAMETERS, Array

pytestmark = pytest.mark.bench


def r1(points: int) -> PlacedProfile:
    """R1 with some number of points."""
    rng = np.random.default_rng(1)
    mirror = invented_mirror(name="R1", nominal=Ellipse(12.0, 8.0, 20e-3), segments=18, length=9.0, gap=5e-3)
    state = hidden_state(mirror, rng)
    step = mirror.segments[0].length * 18 / points
    return place_profile(simulate_profile(mirror, state, rng, step=step), mirror)


@pytest.fixture(scope="module")
def measured() -> PlacedProfile:
    return r1(900_000)


def levers(placed: PlacedProfile) -> Array:
    middles = np.array([segment.middle for segment in placed.mirror.segments])
    return np.asarray(placed.x - middles[placed.index])


def plain_lmfit(placed: PlacedProfile) -> Any:
    """39 parameters, numerical derivatives, residuals divided by sigma; positions scaled by nothing."""
    nominal, index, lever, sigma = placed.mirror.nominal, placed.index, levers(placed), placed.sigma
    assert sigma is not None
    parameters = lmfit.Parameters()
    for name in PARAMETERS:
        parameters.add(name, value=getattr(nominal, name))
    for number in range(len(placed.mirror.segments)):
        parameters.add(f"h{number}", value=0.0)
        parameters.add(f"t{number}", value=0.0)
    names = list(parameters)

    def residual(parameters: lmfit.Parameters) -> Array:
        values = np.array([parameters[name].value for name in names])
        z = Ellipse(*values[:3]).height(placed.x) + values[3::2][index] * 1e-6 + values[4::2][index] * 1e-6 * lever
        return np.asarray((placed.values - z) / sigma)

    return lmfit.minimize(residual, parameters, ftol=1e-15, xtol=1e-15)


@pytest.fixture(scope="module")
def plain(measured: PlacedProfile) -> tuple[Any, float]:
    """The plain fit and its time."""
    started = clock()
    return plain_lmfit(measured), clock() - started


@pytest.mark.quick
def test_joint_fit_of_900_000_points(measured: PlacedProfile, plain: tuple[Any, float], report: Report) -> None:
    def run() -> EllipseFit:
        return fit_ellipse(measured, vary=PARAMETERS, segments="free", residual="white")

    fit, (result, theirs) = run(), plain
    difference = max(abs(result.params[name].value / getattr(fit.ellipse, name) - 1) for name in PARAMETERS)
    print(f"\nlargest relative difference {difference:.1e}")
    assert difference < 1e-8
    report("joint fit of 900,000 points", "lmfit, 39 parameters, numerical derivatives", spent(run), theirs, 20)


def eliminating_fit(placed: PlacedProfile) -> OptimizeResult:
    """Heights and tilts projected out, segment by segment, analytic derivatives; every step sees all points."""
    nominal, lever = placed.mirror.nominal, levers(placed)
    assert placed.sigma is not None
    weight = 1 / placed.sigma
    parts = [placed.part(number) for number in placed.measured]
    bases = [
        np.linalg.qr(np.column_stack([np.ones_like(lever[part]), lever[part]]) * weight[part, None])[0]
        for part in parts
    ]
    unit = np.array([1.0, 1.0, 1e-3])
    start = np.array([nominal.p, nominal.q, nominal.theta])

    def project(rows: Array) -> Array:
        for part, basis in zip(parts, bases, strict=True):
            rows[part] -= basis @ (basis.T @ rows[part])
        return rows

    def residual(u: Array) -> Array:
        curve = Ellipse(*(start + u * unit)).height(placed.x)
        return project(np.asarray((curve - placed.values) * weight))

    def jacobian(u: Array) -> Array:
        partials = Ellipse(*(start + u * unit)).height_partials(placed.x)
        return project(np.stack(partials, axis=1) * (weight[:, None] * unit))

    found = least_squares(residual, np.zeros(3), jacobian, x_scale="jac", xtol=1e-15, ftol=1e-15)
    found.x = start + found.x * unit
    return found


@pytest.mark.quick
def test_refit_after_the_reduction(measured: PlacedProfile, report: Report) -> None:
    """Against `scipy.optimize.least_squares` over three unknowns that touches all of 900,000 points."""
    problem = prepare_problem(measured, segments="free", residual="white")
    nominal = measured.mirror.nominal
    start = np.array([nominal.p, nominal.q, nominal.theta])
    ours = spent(lambda: replace(problem).solve(start, (0, 1, 2)), repeats=10)
    values, _ = problem.solve(start, (0, 1, 2))
    started = clock()
    found = eliminating_fit(measured)
    theirs = clock() - started
    difference = float(np.abs(found.x / values - 1).max())
    print(f"\nlargest relative difference {difference:.1e}")
    assert difference < 1e-8
    report("refit once reduced", "scipy least_squares, 3 unknowns, all points at each step", ours, theirs, 300)


def simulated_again(problem: JointProblem, noise: Array) -> JointProblem:
    """The problem with other data: noise added to the rows, which are divided by their uncertainty."""
    whitened, first = [], 0
    for white in problem.whitened:
        count = len(white.projection)
        whitened.append(replace(white, projection=white.projection + noise[first : first + count]))
        first += count
    return replace(problem, whitened=tuple(whitened))


def test_ten_thousand_monte_carlo_refits(measured: PlacedProfile, plain: tuple[Any, float], report: Report) -> None:
    """One Gauss-Newton step each, in less time than one plain lmfit fit; of 100 the converged fits are the
    same within 1 % of the uncertainty."""
    problem = prepare_problem(measured, segments="free", residual="white")
    nominal = measured.mirror.nominal
    values, _ = problem.solve(np.array([nominal.p, nominal.q, nominal.theta]), (0, 1, 2))
    rng = np.random.default_rng(2)

    def refits() -> tuple[Array, Array]:
        jacobian = problem.joint_jacobian(values, (0, 1, 2))
        size = np.linalg.norm(jacobian, axis=0)
        steps = np.linalg.pinv(jacobian / size)[:3] / size[:3, None]
        noise = rng.normal(size=(10_000, len(jacobian)))
        return noise, noise @ steps.T

    started = clock()
    noise, changes = refits()
    ours = clock() - started
    stderr = np.sqrt(np.diag(problem.posterior(values, (0, 1, 2)))[:3])
    converged = np.array([simulated_again(problem, row).solve(values, (0, 1, 2))[0] for row in noise[:100]])
    off = np.abs(converged - values - changes[:100]) / stderr
    print(f"largest difference from the converged fit: {off.max():.1e} of the uncertainty")
    assert off.max() <= 0.01
    np.testing.assert_allclose(np.std(changes, axis=0), stderr, rtol=4 / np.sqrt(2 * 10_000))
    report("10,000 Monte-Carlo refits", "one fit by lmfit", ours, plain[1], 1)


def test_time_is_linear_in_the_points() -> None:
    """From 1e5 to 1e7 points: exponent of the least-squares line through the logarithms."""
    counts, times = (100_000, 1_000_000, 10_000_000), []
    for count in counts:
        placed = r1(count)
        times.append(spent(partial(fit_ellipse, placed, vary=PARAMETERS, segments="free", residual="white")))
    exponent = float(np.polyfit(np.log(counts), np.log(times), 1)[0])
    listed = ", ".join(f"{count:.0e} points: {seconds:.3f} s" for count, seconds in zip(counts, times, strict=True))
    print(f"\n{listed}")
    print(f"exponent {exponent:.3f}")
    assert exponent <= 1.05
