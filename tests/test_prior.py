"""Knowledge from outside: how it is read, and that it counts as one more measurement."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import EllipsefitError, ParameterError, UnitError
from ellipsefit.fit import EllipseFit, Prior, fit_ellipse, parse_prior
from tests.rehearsal import PARAMETERS, Array, even_mirror, made_profile

TRUE = (20.0, 10.0, 0.012)


@pytest.mark.parametrize(
    ("text", "weights", "value", "stderr"),
    [
        ("p+q=20 m +- 1 mm", (1, 1, 0), 20.0, 1e-3),
        ("  p = 11.02 m ± 5 mm ", (1, 0, 0), 11.02, 5e-3),
        ("p - q = -150 cm +- 0.1 m", (1, -1, 0), -1.5, 0.1),
        ("2*p + 0.5 * q = 30 m +- 1 mm", (2, 0.5, 0), 30.0, 1e-3),
        ("theta=18 mrad+-10 urad", (0, 0, 1), 18e-3, 1e-5),
        ("-q = -7 m +- 1 mm", (0, -1, 0), -7.0, 1e-3),
        ("p+p=22 m +- 1 mm", (2, 0, 0), 22.0, 1e-3),
    ],
)
def test_a_prior_is_read_as_written(
    text: str, weights: tuple[float, float, float], value: float, stderr: float
) -> None:
    """Combination, value and uncertainty in SI; a name that stands twice counts twice."""
    prior = parse_prior(text)
    assert prior.weights == weights
    assert_allclose([prior.value, prior.stderr], [value, stderr], rtol=1e-15)


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("p+q=20 m", "expected such as 'p+q=20 m +- 1 mm'"),
        ("p+q", "expected such as"),
        ("", "expected such as"),
        ("p+r=20 m +- 1 mm", "'+r' is not understood"),
        ("p q=20 m +- 1 mm", "'q' is not understood"),
        ("p*2=20 m +- 1 mm", "is not understood"),
        ("=20 m +- 1 mm", "at least one of p, q, theta"),
        ("p-p=0 m +- 1 mm", "at least one of p, q, theta"),
        ("p+theta=20 m +- 1 mm", "length to an angle"),
        ("p+q=20 +- 1 mm", "unit"),
        ("p+q=20 mrad +- 1 mm", "mrad"),
        ("theta=18 mm +- 1 mm", "mm"),
        ("p+q=20 m +- 0 mm", "positive standard uncertainty"),
        ("p+q=20 m +- -1 mm", "positive standard uncertainty"),
        ("p+q=20 m +- 1 parsnip", "parsnip"),
        ("p+q=20 m +- inf mm", ""),
        ("p+q=nan m +- 1 mm", ""),
    ],
)
def test_a_prior_that_cannot_be_read_is_one_sentence(text: str, what: str) -> None:
    with pytest.raises((ParameterError, UnitError)) as caught:
        parse_prior(text)
    assert isinstance(caught.value, EllipsefitError)
    assert what in str(caught.value)
    assert "\n" not in str(caught.value)


def _fit(*priors: Prior, segments: str = "fixed") -> EllipseFit:
    mirror = even_mirror(Ellipse(*TRUE), count=1, pitch=9.0, gap=0)
    noise = 1e-7 * np.random.default_rng(14).normal(size=181)
    placed = made_profile(mirror, TRUE, points=181, noise=noise)
    return fit_ellipse(placed, vary=PARAMETERS, residual="white", priors=priors)


def _values(fit: EllipseFit) -> Array:
    return np.array([fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta])


@pytest.mark.parametrize(
    "prior",
    [
        Prior(weights=(1, 1, 0), value=30.004, stderr=4e-3),
        Prior(weights=(1, 0, 0), value=19.998, stderr=1e-3),
        Prior(weights=(0, 0, 1), value=0.012001, stderr=5e-7),
        Prior(weights=(1, -2, 0), value=0.001, stderr=1e-3),
    ],
    ids=["sum", "p", "theta", "difference"],
)
def test_a_prior_combines_as_inverse_variances(prior: Prior) -> None:
    """Closed form of two Gaussian sources: P = C^-1 + w w'/s**2, values weighted by their precision.

    The derivatives change with p, q, theta, which move by 1e-3 of themselves at most: 1e-2 of a variance.
    """
    plain, informed = _fit(), _fit(prior)
    w = np.array(prior.weights)
    covariance = np.linalg.inv(np.linalg.inv(plain.covariance) + np.outer(w, w) / prior.stderr**2)
    assert_allclose(informed.covariance, covariance, rtol=1e-2)
    moved = covariance @ w * (prior.value - w @ _values(plain)) / prior.stderr**2
    assert_allclose(_values(informed) - _values(plain), moved, rtol=1e-2)
    # of the combination itself: 1/s**2 add up
    before, after = w @ plain.covariance @ w, w @ informed.covariance @ w
    assert_allclose(1 / after, 1 / before + 1 / prior.stderr**2, rtol=1e-2)
    assert informed.settings.priors == (prior,)


def test_two_equal_priors_are_one_with_half_the_variance() -> None:
    """Inverse variances add, whoever states them."""
    twice = Prior(weights=(1, 1, 0), value=30.01, stderr=1e-3)
    once = Prior(weights=(1, 1, 0), value=30.01, stderr=1e-3 / np.sqrt(2))
    assert_allclose(_values(_fit(twice, twice)), _values(_fit(once)), rtol=1e-10)
    assert_allclose(_fit(twice, twice).covariance, _fit(once).covariance, rtol=1e-7)


def test_a_sharp_prior_is_met() -> None:
    """Standard uncertainty of 1 um against 6 mm from the data: met within 1e-6 of the pull, some nm."""
    fit = _fit(parse_prior("p + q = 30.010 m +- 1 um"))
    assert_allclose(fit.ellipse.p + fit.ellipse.q, 30.010, rtol=0, atol=1e-8)


def test_a_prior_lets_a_short_mirror_tell_what_it_could_not() -> None:
    """p unknown to 30 % is held; known from outside to 0.1 %, it is varied and q, theta with it."""
    mirror = even_mirror(Ellipse(42.0, 0.6, 3e-3), count=1, pitch=0.3, gap=0)
    noise = 6e-8 * np.random.default_rng(4).normal(size=200)
    placed = made_profile(mirror, (42.0, 0.6, 3e-3), quantity="slope", points=200, noise=noise, sigma=6e-8)
    assert fit_ellipse(placed).varied == ("q", "theta")
    fit = fit_ellipse(placed, priors=(parse_prior("p = 42 m +- 40 mm"),))
    assert fit.varied == PARAMETERS
    stderr = fit.stderr("p")
    assert stderr is not None
    # but for the factor of Student's t; the data add (0.04 m / 6 m)**2 to that
    assert_allclose(stderr / fit.problem.scale, 0.04, rtol=1e-3)
