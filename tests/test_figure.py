"""Height and slope errors: exact values of simple profiles, the standard's filter, gaps, uneven spacing."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import numpy.typing as npt
import pytest
from numpy.testing import assert_allclose

from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.figure import Surface, default_cutoff, figure_errors
from ellipsefit.filtering import ALPHA, filtered_slope, gaussian_filter
from ellipsefit.fit import fit_ellipse
from ellipsefit.profile import PlacedProfile, Profile, place_profile
from tests.rehearsal import even_mirror, ideal, made_profile

Array = npt.NDArray[np.float64]
NOMINAL = Ellipse(12.0, 7.0, 0.018)


def test_constant_of_the_gaussian_filter() -> None:
    """alpha = sqrt(ln 2 / pi) = 0.4697, ISO 16610-21:2011; more digits recomputed."""
    assert_allclose(ALPHA, 0.469718639349825666886, rtol=1e-15)


@pytest.mark.parametrize(
    ("ratio", "transmission"),
    [(0.5, 0.0625), (1, 0.5), (2, 0.84089641525371454303), (10, 0.99309249543703590153)],
)
def test_filter_transmits_as_the_standard_says(ratio: float, transmission: float) -> None:
    """2**-(cutoff / wavelength)**2 of a sinusoid's amplitude, ISO 16610-21:2011.

    40 samples to the cut-off, kernel cut at one cut-off, where exp(-pi / alpha**2) = 6.5e-7 is left: 1e-6
    on points further than that from the ends.
    """
    cutoff, step = 0.02, 0.0005
    x: Array = np.asarray(np.arange(4001) * step)
    wave = np.cos(2 * np.pi * x / (ratio * cutoff) + 0.3)
    inner = slice(41, -41)
    assert_allclose(gaussian_filter(x, wave, cutoff)[inner], transmission * wave[inner], rtol=0, atol=2e-6)


def test_filter_weights_are_those_of_the_standard() -> None:
    """Answer to one raised point: exp(-pi (d / (alpha cutoff))**2), divided by the sum of the weights."""
    step, cutoff = 1e-3, 0.02
    x: Array = np.asarray(np.arange(201) * step)
    spike = np.zeros(201)
    spike[100] = 1.0
    d = (np.arange(201) - 100) * step
    weights = np.exp(-np.pi * (d / (0.4697186393498257 * cutoff)) ** 2)
    weights[np.abs(d) > cutoff * (1 + 1e-9)] = 0.0
    # the convolution by transforms rounds to 1e-16 of the largest
    assert_allclose(gaussian_filter(x, spike, cutoff), weights / weights.sum(), rtol=0, atol=1e-15)


def test_a_constant_passes_up_to_the_ends_and_across_missing_points() -> None:
    """Weights are divided by their sum wherever points are missing; 3 mm of offset cost no digits."""
    x = np.delete(np.arange(400) * 1e-3, [50, 51, 200, 300])
    for places in (x, x + 0.2e-3 * np.sin(1e4 * x)):
        assert_allclose(gaussian_filter(places, np.full(len(x), 3e-3), 0.02), 3e-3, rtol=1e-14)


def test_uneven_spacing_agrees_with_even_spacing() -> None:
    """The same smooth curve, sampled evenly and at random distances: the filter belongs to the curve.

    Points at random distances represent the integral with an error that falls as their spacing squared;
    20 to the cut-off leave 1 % of the curve's amplitude at the most.
    """
    rng = np.random.default_rng(7)
    even = np.linspace(0, 1, 2001)
    uneven = np.sort(np.concatenate([[0, 1], rng.uniform(0, 1, 3000)]))

    def curve(x: Array) -> Array:
        return np.asarray(np.sin(2 * np.pi * x / 0.07) + 0.5 * np.cos(2 * np.pi * x / 0.11))

    smooth = gaussian_filter(even, curve(even), 0.02)
    other = np.interp(even, uneven, gaussian_filter(uneven, curve(uneven), 0.02))
    inner = slice(50, -50)
    assert np.abs(smooth - other)[inner].max() < 0.01


def test_jitter_of_a_hundredth_changes_nothing_that_counts() -> None:
    """Positions written with few decimals count as even; the two ways of filtering agree across that switch."""
    x: Array = np.asarray(np.arange(1000) * 1e-3)
    wave = np.sin(2 * np.pi * x / 0.05)
    rng = np.random.default_rng(1)
    jitter = rng.uniform(-1, 1, 1000) * 1e-3
    here = gaussian_filter(x + 0.009 * jitter, wave, 0.02)  # below the switch
    there = gaussian_filter(x + 0.011 * jitter, wave, 0.02)  # above it
    # 1 % of a step is 1e-5 m, the steepest the wave gets is 126 per m
    assert np.abs(here - there)[25:-25].max() < 126e-5


def _nominal(placed: PlacedProfile, own: Array | None = None) -> Surface:
    """The nominal ellipse in place, the segments' height and tilt (own) left in what is whole."""
    middles = np.array([segment.middle for segment in placed.mirror.segments])
    nothing = np.zeros((len(middles), 2))
    return Surface(
        quantity=placed.quantity,
        middles=middles,
        ellipse=NOMINAL,
        total=nothing if own is None else own,
        own=nothing if own is None else own,
    )


def _one_segment(height: Array, x: Array) -> PlacedProfile:
    length = float(x[-1] - x[0]) + 1e-3
    mirror = even_mirror(NOMINAL, count=1, pitch=length, gap=0)
    values = ideal("height", x, 12.0, 7.0, 0.018) + height
    return place_profile(Profile(name="made", quantity="height", x=x, values=values, frame="mirror"), mirror)


@pytest.mark.parametrize("wavelength", [0.02, 0.05, 0.1])
def test_a_sinusoid_has_its_textbook_height_and_slope_error(wavelength: float) -> None:
    """Rq = A / sqrt(2), PV = 2 A, rms slope = 2 pi A / (wavelength sqrt(2)) times the filter's transmission
    2**-(cutoff/wavelength)**2 (ISO 4287, ISO 16610-21).

    Central differences of step h transmit sin(k h)/(k h), which is taken into account; 20 mm at each of
    the ends of 1 m, where the filter has one side only, leave 1 % of the slope.
    """
    amplitude, cutoff, step = 50e-9, 0.02, 0.5e-3
    x: Array = np.asarray(np.arange(-1000, 1000) * step)
    k = 2 * np.pi / wavelength
    error = amplitude * np.sin(k * x)
    placed = _one_segment(error, x)
    figure = figure_errors(placed, _nominal(placed))
    assert figure.cutoff == cutoff
    assert_allclose(figure.height_error_rms, amplitude / np.sqrt(2), rtol=1e-12)
    assert_allclose(figure.height_error_pv, 2 * amplitude, rtol=1e-4)  # the nearest points to the crests
    transmission = 2 ** -((cutoff / wavelength) ** 2) * np.sin(k * step) / (k * step)
    expected = 2 * np.pi * amplitude / (wavelength * np.sqrt(2)) * transmission
    inner = np.abs(x) < 0.47
    found = np.sqrt(np.mean(figure.slope_error[inner] ** 2))
    periods = np.sqrt(np.mean((np.sqrt(2) * np.cos(k * x[inner])) ** 2))  # not whole periods inside
    assert_allclose(found, expected * periods, rtol=1e-5)
    assert_allclose(figure.slope_error_rms, expected, rtol=0.02)
    assert_allclose(figure.segment_height_error_rms[0] or 0, figure.height_error_rms, rtol=1e-14)


def test_a_line_has_its_slope_everywhere() -> None:
    """The symmetric filter leaves a line as it is, further than a cut-off from the ends."""
    x: Array = np.asarray(np.arange(300) * 1e-3)
    assert_allclose(filtered_slope(x, 2e-5 * x, 0.02)[25:-25], 2e-5, rtol=1e-9)


def test_a_slope_is_never_taken_across_a_gap() -> None:
    """Two stretches at heights 1 mm apart: the step between them is in no slope, and a lone pair has none."""
    x = np.concatenate([np.arange(200) * 1e-3, 0.25 + np.arange(200) * 1e-3, [0.6, 0.601]])
    height = np.concatenate([np.zeros(200), np.full(200, 1e-3), [5e-3, 6e-3]])
    slope = filtered_slope(x, height, 0.02)
    assert_allclose(slope[:400], 0, atol=1e-15)
    assert np.isnan(slope[400:]).all()


def test_a_slope_is_never_taken_from_one_segment_to_the_next() -> None:
    """Steps of 10 um between segments are their misplacement, not their figure."""
    mirror = even_mirror(NOMINAL, count=5, pitch=0.5, gap=1e-3)
    lifts = np.array([0, 10e-6, -10e-6, 10e-6, 0])
    fit = fit_ellipse(made_profile(mirror, (12.0, 7.0, 0.018), lifts=lifts, points=250), vary=(), segments="free")
    assert np.abs(fit.figure.slope_error).max() < 1e-11
    assert fit.figure.height_error_rms < 1e-12
    # left in: the steps of the heights, none in the slopes
    expected = np.sqrt(np.mean((lifts - lifts.mean()) ** 2))
    assert fit.pose.height is not None
    assert_allclose(fit.figure.whole_height_error_rms or 0, expected, rtol=0.2)  # the common line is taken away
    assert fit.figure.whole_slope_error_rms < 3e-6


def test_whole_mirror_figures_contain_the_misplacement() -> None:
    """Heights: root of the mean square of residual plus misplacement; slopes: the tilt adds to the slope."""
    mirror = even_mirror(NOMINAL, count=2, pitch=0.5)
    exact = made_profile(mirror, (12.0, 7.0, 0.018), points=250)
    own = np.array([[2e-6, 30e-6], [2e-6, -10e-6]])
    lever = exact.x - np.where(exact.index == 0, -0.25, 0.25)
    misplacement = 2e-6 + own[exact.index, 1] * lever
    placed = replace(exact, values=exact.values + misplacement)
    figure = figure_errors(placed, _nominal(placed, own))
    assert_allclose(figure.whole_height_error_rms or 0, np.sqrt(np.mean(misplacement**2)), rtol=1e-12)
    assert_allclose(figure.whole_slope_error_rms, np.sqrt((30e-6**2 + 10e-6**2) / 2), rtol=1e-9)
    assert figure.height_error_rms < 1e-18  # m: heights of 1 mm are rounded to 2e-19
    assert figure.slope_error_rms < 1e-15


@pytest.mark.parametrize(("step", "cutoff"), [(1e-3, 20e-3), (3.9e-3, 20e-3), (8e-3, 40e-3)])
def test_default_cutoff_is_20_mm_or_5_steps(step: float, cutoff: float) -> None:
    """Whichever is longer."""
    x: Array = np.asarray(np.arange(-60, 60) * step)
    assert_allclose(default_cutoff(_one_segment(np.zeros(120), x)), cutoff, rtol=1e-9)


@pytest.mark.parametrize("cutoff", [0.0, -1e-3, np.nan, np.inf])
def test_a_cutoff_must_be_a_length(cutoff: float) -> None:
    x: Array = np.asarray(np.arange(-60, 60) * 1e-3)
    placed = _one_segment(np.zeros(120), x)
    with pytest.raises(ParameterError, match="cutoff must be a positive length in m"):
        figure_errors(placed, _nominal(placed), cutoff=cutoff)


def test_slopes_become_heights_by_integration() -> None:
    """Slope A k cos(k x) integrates to A sin(k x), Rq = A / sqrt(2); the trapezium loses (k h)**2 / 12."""
    amplitude, k = 50e-9, 2 * np.pi / 0.1
    mirror = even_mirror(NOMINAL, count=1, pitch=1.0, gap=0)
    placed = made_profile(mirror, (12.0, 7.0, 0.018), points=1001, quantity="slope")
    error = amplitude * k * np.cos(k * placed.x)
    figure = figure_errors(replace(placed, values=placed.values + error), _nominal(placed))
    assert figure.cutoff is None
    assert_allclose(figure.slope_error_rms, np.sqrt(np.mean(error**2)), rtol=1e-14)
    assert_allclose(figure.height_error, amplitude * np.sin(k * placed.x), rtol=0, atol=amplitude * (k * 1e-3) ** 2)
    assert_allclose(figure.height_error_rms, amplitude / np.sqrt(2), rtol=1e-3)


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_a_parabola_over_a_segment(quantity: Literal["height", "slope"]) -> None:
    """Height h over the full length: rms 2 h/(3 sqrt(5)), PV h, rms slope 4 h/(L sqrt(3)); closed forms.

    The mean is in the height error of heights (it is what a fit leaves, without one); sums of 2001 points
    differ from integrals by 1e-3.
    """
    h, length = 1e-6, 1.0
    mirror = even_mirror(NOMINAL, count=1, pitch=length, gap=0)
    placed = made_profile(mirror, (12.0, 7.0, 0.018), points=2001, quantity=quantity)
    t = 2 * placed.x / length
    error = h * (t**2 - 1 / 3) if quantity == "height" else 4 * h / length * t
    figure = figure_errors(replace(placed, values=placed.values + error), _nominal(placed), cutoff=2e-3)
    assert_allclose(figure.height_error_rms, 0.29814239699997195952 * h, rtol=2e-3)
    assert_allclose(figure.height_error_pv, h, rtol=1e-6)
    assert_allclose(figure.slope_error_rms, 2.309401076758503058 * h / length, rtol=5e-3)


def test_segments_without_points_have_no_figure() -> None:
    mirror = even_mirror(NOMINAL, count=5, pitch=0.5)
    fit = fit_ellipse(made_profile(mirror, (12.0, 7.0, 0.018), skip=[1]), vary=(), segments="free")
    assert fit.figure.segment_height_error_rms[1] is None
    assert fit.figure.segment_slope_error_rms[1] is None


def test_rounded_positions_at_fine_steps_stay_even() -> None:
    """Positions rounded to 0.1 nm at a step of 9.9054 um: the grid is found again, so filtering takes the fast way
    and agrees with the sum by definition to rounding."""
    x: Array = np.asarray(np.round(np.arange(4000) * 9.9054e-6 * 17, 10))
    values = np.random.default_rng(2).normal(size=4000)
    near = np.abs(x - x[2000]) <= 0.02
    weight = np.exp(-np.pi * ((x[near] - x[2000]) / (ALPHA * 0.02)) ** 2)
    assert_allclose(gaussian_filter(x, values, 0.02)[2000], weight @ values[near] / weight.sum(), rtol=0, atol=1e-6)
    # by definition, point by point, 50,000 points take a second and more; on their grid a few milliseconds
    many = np.round(np.arange(50_000) * 9.9054e-6, 10)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("ellipsefit.filtering._uneven", None)  # the slow way is not taken
        assert gaussian_filter(many, np.zeros(50_000), 0.02).shape == many.shape
