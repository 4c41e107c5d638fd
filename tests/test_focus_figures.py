"""Slopes that points show beside those that a model of the figure holds."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import t

from ellipsefit.arrays import FloatArray
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.focus import measured_surface, trace_focus
from ellipsefit.focus.figures import slopes_from_point_to_point
from ellipsefit.profile import Profile, Quantity
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile
from tests.focus_cases import x_rays

STEP = 1e-3


@cache
def some_fit(quantity: Quantity) -> EllipseFit:
    mirror = invented_mirror(segments=2, length=1.0)
    state = hidden_state(mirror, np.random.default_rng(1))
    profile = simulate_profile(mirror, state, np.random.default_rng(2), step=STEP, quantity=quantity)
    return fit_ellipse(profile, mirror, segments="free")


def left(values: FloatArray, quantity: Quantity = "height") -> EllipseFit:
    """A fit that leaves these values at its points."""
    fit = some_fit(quantity)
    return replace(fit, residual=values[: len(fit.residual)])


def test_slopes_of_a_wave_are_told_from_noise() -> None:
    """A wave of 20 steps under noise of its own size: slopes by the wave's structure function, within 4 uncertainties.

    a**2 / 2 (1 - cos k d) at two steps less that at one, over 1.5 steps squared, is k**2 a**2 / 2 but for (k h)**2 / 12
    of 5, 4 % here.
    """
    k, size = 2 * np.pi / (20 * STEP), 20e-9
    x = STEP * np.arange(2000)
    wave = size * np.sin(k * x + 0.3)
    bare = slopes_from_point_to_point(left(wave))
    assert bare is not None
    exact = size**2 / 2 * (np.cos(k * STEP) - np.cos(2 * k * STEP)) / (1.5 * STEP**2)
    assert_allclose(bare[0], exact, rtol=0.01)
    assert_allclose(bare[0], (k * size) ** 2 / 2, rtol=0.05)
    for seed in range(5):
        noisy = slopes_from_point_to_point(left(wave + np.random.default_rng(seed).normal(0, size / 5, 2000)))
        assert noisy is not None
        assert abs(noisy[0] - exact) < 4 * noisy[1]
        assert noisy[0] > 4 * noisy[1]


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_noise_alone_shows_no_slopes(quantity: Quantity) -> None:
    """White noise, ten times: Student's t of 18 degrees of freedom, and the mean of all within 4 of its spread.

    Of ten none exceeds 6.06, but once in 10,000 times (scipy).
    """
    found = []
    for seed in range(10):
        told = slopes_from_point_to_point(left(np.random.default_rng(seed).normal(0, 1e-8, 2000), quantity))
        assert told is not None
        found.append(told[0] / told[1])
    assert np.abs(found).max() < t.isf(1e-4 / 20, 18)
    assert abs(np.mean(found)) < 4 * t.std(18) / np.sqrt(10)


def test_slopes_of_measured_slopes_are_those_that_noise_does_not_explain() -> None:
    """A wave of 1 urad with noise of half of that: its mean square, within 4 uncertainties."""
    k, size = 2 * np.pi / (40 * STEP), 1e-6
    wave = size * np.sin(k * STEP * np.arange(2000))
    told = slopes_from_point_to_point(left(wave + np.random.default_rng(3).normal(0, 5e-7, 2000), "slope"))
    assert told is not None
    assert abs(told[0] - size**2 / 2) < 4 * told[1]
    assert told[1] < size**2 / 8


def test_few_points_or_uneven_steps_tell_no_slopes() -> None:
    mirror = invented_mirror(segments=2, length=1.0)
    state = hidden_state(mirror, np.random.default_rng(1))
    few = simulate_profile(mirror, state, np.random.default_rng(2), step=12e-3)
    assert slopes_from_point_to_point(fit_ellipse(few, mirror)) is None
    many = simulate_profile(mirror, state, np.random.default_rng(2), step=1e-3)
    assert many.sigma is not None
    kept = np.arange(len(many.x)) % 3 != 0  # steps of one and two in turn
    uneven = Profile(
        name="uneven",
        quantity="height",
        x=many.x[kept],
        values=many.values[kept],
        sigma=many.sigma[kept],
        frame="mirror",
    )
    assert slopes_from_point_to_point(fit_ellipse(uneven, mirror)) is None


@pytest.mark.parametrize(("length", "told"), [(2e-3, True), (16e-3, False), (40e-3, False)])
def test_errors_too_short_for_the_model_are_named_with_their_slopes(length: float, told: bool) -> None:
    """30 nm over 2 mm on segments of half a metre: 15 urad that the fit takes for noise; longer ones are its figure."""
    mirror = invented_mirror(segments=4, length=2.0)
    state = hidden_state(mirror, np.random.default_rng(5))
    profile = simulate_profile(
        mirror, state, np.random.default_rng(6), step=0.5e-3, noise=3e-9, figure=30e-9, correlation_length=length
    )
    fit = fit_ellipse(profile, mirror)
    said = [text for text in trace_focus(fit, mirror, x_rays(), rays=5000).warnings if "from point to point" in text]
    assert len(said) == told
    if told:
        points = slopes_from_point_to_point(fit)
        assert points is not None
        assert abs(points[0] ** 0.5 / (30e-9 / length) - 1) < 0.1
        figures = [piece.figure for piece in measured_surface(fit).pieces if piece.figure is not None]
        held = np.mean([np.mean(one.slope**2 + one.unresolved**2) for one in figures]) if figures else 0.0
        assert held < 0.8 * points[0]
