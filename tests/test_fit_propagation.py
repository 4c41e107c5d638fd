"""From p, q, theta and the pose to foci and invariants: against a library for it, and against JCGM 101."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from uncertainties import correlated_values, covariance_matrix, umath

from ellipsefit.ellipse import Ellipse
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.fit.identifiability import identify
from ellipsefit.fit.surface_error import WhitenedSegment
from tests.fit_cases import CASES, foci
from tests.rehearsal import PARAMETERS, Array, default_fit

FOUR = ("image_dx", "image_dz", "source_dx", "source_dz")


@pytest.mark.parametrize("name", ["alder", "dogwood"])
def test_foci_and_their_covariance_are_those_of_the_uncertainties_package(name: str) -> None:
    """`uncertainties` (first order, automatic differentiation) from p, q, theta, height, tilt with correlations."""
    fit = default_fit(name)
    nominal = fit.mirror.nominal
    assert fit.varied == PARAMETERS
    values = [fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta, fit.pose.height, fit.pose.tilt]
    p, q, theta, height, tilt = correlated_values(values, fit.pose_covariance)

    def turned(x: object, z: object) -> tuple[object, object]:
        c, s = umath.cos(tilt), umath.sin(tilt)
        return c * x - s * z, s * x + c * z + height

    image, source = (
        turned(q * umath.cos(theta), q * umath.sin(theta)),
        turned(-p * umath.cos(theta), p * umath.sin(theta)),
    )
    shift = [
        a - b
        for focus, ideal in zip((source, image), nominal.foci, strict=True)
        for a, b in zip(focus, ideal, strict=True)
    ]
    expected = [*shift[2:], *shift[:2]]
    # differences of metres: 1e-15 of them is 1e-11 of the smallest misplacement
    assert_allclose([getattr(fit.focus, key) for key in FOUR], [item.n for item in expected], rtol=1e-8)
    assert_allclose([getattr(fit.focus, f"{key}_stderr") for key in FOUR], [item.s for item in expected], rtol=1e-8)
    size = np.sqrt(np.diag(fit.focus.covariance))
    whole = np.array(covariance_matrix(expected))
    assert_allclose(fit.focus.covariance / np.outer(size, size), whole / np.outer(size, size), rtol=0, atol=1e-7)
    along = [umath.cos(nominal.theta) * expected[0] + umath.sin(nominal.theta) * expected[1]]
    along.append(umath.cos(nominal.theta) * expected[2] - umath.sin(nominal.theta) * expected[3])
    stderr = np.array([fit.focus.image_along_stderr, fit.focus.source_along_stderr], dtype=float)
    assert_allclose(stderr, [item.s for item in along], rtol=1e-8)


def test_invariants_are_those_of_the_uncertainties_package() -> None:
    """p + q, the semi-minor axis b = (p q)**(1/2) sin(theta), and 1/R = (1/p + 1/q) sin(theta) / 2 at the pole."""
    fit = fit_ellipse(default_fit("alder").placed, vary=PARAMETERS)
    found = fit.identifiability()
    p, q, theta = correlated_values([fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta], fit.covariance)
    for (value, stderr), expected in (
        (found.focal_sum, p + q),
        (found.semi_minor, umath.sqrt(p * q) * umath.sin(theta)),
        (found.pole_curvature, (1 / p + 1 / q) * umath.sin(theta) / 2),
    ):
        assert_allclose([value, stderr], [expected.n, expected.s], rtol=1e-9)


def test_what_does_not_depend_on_the_pole_stays_when_the_pole_is_moved() -> None:
    """The same curve in the same carrier frame, its pole 0.4 m downstream: p + q, b and their uncertainties stay.

    Covariances are carried over by the derivatives of the moved triple, by central differences.
    """
    fit = fit_ellipse(default_fit("alder").placed, vary=PARAMETERS)
    at = np.array([fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta])

    def moved(values: Array) -> Array:
        """Triple at x = 0.4 m: distances to the foci, and half the angle between the rays, from their definition."""
        p, q, theta = values
        x = np.array([0.4, float(Ellipse(p, q, theta).height(np.array([0.4]))[0])])
        rays = [
            np.array([-p * np.cos(theta), p * np.sin(theta)]) - x,
            np.array([q * np.cos(theta), q * np.sin(theta)]) - x,
        ]
        a, b = (float(np.linalg.norm(ray)) for ray in rays)
        between = abs(rays[0][0] * rays[1][1] - rays[0][1] * rays[1][0]) / (a * b)  # sine of 2 theta
        return np.array([a, b, np.arcsin(between) / 2])

    steps = np.array([1e-4, 1e-4, 1e-7])
    gradient = np.column_stack([(moved(at + step) - moved(at - step)) / (2 * step.sum()) for step in np.diag(steps)])
    here, there = fit.identifiability(), identify(Ellipse(*moved(at)), gradient @ fit.covariance @ gradient.T)
    assert_allclose(there.focal_sum, here.focal_sum, rtol=1e-6)
    assert_allclose(there.semi_minor, here.semi_minor, rtol=1e-6)
    assert not np.isclose(there.combinations[2].weights, here.combinations[2].weights, rtol=1e-3).all()


@functools.cache
def alder() -> EllipseFit:
    return default_fit("alder")


def two_digit_tolerance(stderr: float) -> float:
    """Numerical tolerance of a standard uncertainty of two significant digits (JCGM 101:2008, 7.9.2)."""
    return float(0.5 * 10.0 ** (np.floor(np.log10(stderr)) - 1))


def test_linear_propagation_to_the_foci_is_validated_by_monte_carlo() -> None:
    """JCGM 101:2008, 8.1: ends of the 95 % intervals of linear propagation and of 10**6 draws agree within the
    tolerance of two digits (that of one standard error of an end, 0.2 % of the uncertainty, added threefold)."""
    fit, rng = alder(), np.random.default_rng(6)
    centre = np.array([fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta, fit.pose.height, fit.pose.tilt], dtype=float)
    size = np.sqrt(np.diag(fit.pose_covariance))
    root = np.linalg.cholesky(fit.pose_covariance / np.outer(size, size))
    p, q, theta, height, tilt = centre[:, None] + size[:, None] * (root @ rng.standard_normal((5, 1_000_000)))
    nominal = np.concatenate([fit.mirror.nominal.foci[1], fit.mirror.nominal.foci[0]])
    for row, ideal, key in zip(foci((p, q, theta), height, tilt), nominal, FOUR, strict=True):  # type: ignore[arg-type]  # complex numbers
        stderr = getattr(fit.focus, f"{key}_stderr")
        low, high = np.quantile(row - ideal, [0.025, 0.975])
        expected = getattr(fit.focus, key) + np.array([-1, 1]) * 1.959964 * stderr
        assert_allclose([low, high], expected, rtol=0, atol=two_digit_tolerance(stderr) + 3 * 0.0027 * stderr)


def test_linear_covariance_of_the_fit_is_validated_by_monte_carlo() -> None:
    """JCGM 101: whole nonlinear fits of 400 draws of R1, spreads known: scatter and correlation of p, q, theta.

    Draws: height, tilt and form of every segment by their spreads, and unit errors of the whitened rows. A
    standard deviation of 400 draws has a relative standard error of 3.5 %: 3.5 of them.
    """
    case, rng, draws = CASES["R1"], np.random.default_rng(12), 400
    base = case.known_problem(case.draw(np.random.default_rng(1)))
    true = np.array(case.nominal)
    spread = np.array([*case.spreads, *case.form_spreads])
    columns = [
        np.column_stack([own, form]) * spread for own, form in zip(base.effects.own, base.effects.form, strict=True)
    ]
    found = []
    for _ in range(draws):
        whitened = tuple(
            WhitenedSegment(
                factor=white.factor,
                shared=white.shared,
                projection=white.factor @ (mine @ rng.standard_normal(4)) + rng.standard_normal(len(white.factor)),
            )
            for white, mine in zip(base.whitened, columns, strict=True)
        )
        found.append(replace(base, whitened=whitened).solve(true, (0, 1, 2))[0])
    sample, linear = np.cov(np.array(found).T), base.posterior(true, (0, 1, 2))[:3, :3]
    assert_allclose(np.sqrt(np.diag(sample) / np.diag(linear)), 1.0, rtol=0, atol=3.5 / np.sqrt(2 * draws))

    def correlations(matrix: Array) -> Array:
        size = np.sqrt(np.diag(matrix))
        return np.asarray((matrix / np.outer(size, size))[np.triu_indices(3, 1)])

    # of a correlation r near 1 the standard error is (1 - r**2) / sqrt(n)
    r = correlations(linear)
    assert np.all(np.abs(correlations(sample) - r) <= 3.5 * (1 - r**2) / np.sqrt(draws))
    # and the mean is not off by more than chance: bias of second order is below the noise
    away = (np.mean(found, axis=0) - true) / np.sqrt(np.diag(linear) / draws)
    assert np.abs(away).max() < 3.5


def test_monte_carlo_of_a_fit_scatters_as_stated() -> None:
    """`EllipseFit.monte_carlo`, 20,000 draws: its covariance is the stated one, but for Student's factor and x."""
    fit = alder()
    sample = fit.monte_carlo(20_000, np.random.default_rng(2))
    at = np.array([fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta])
    linear = np.diag(fit.problem.posterior(at, tuple(PARAMETERS.index(name) for name in fit.varied)))[: sample.shape[1]]
    assert_allclose(sample.std(axis=0), np.sqrt(linear), rtol=3.5 / np.sqrt(2 * 20_000))
