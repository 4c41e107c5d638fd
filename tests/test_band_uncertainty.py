"""How sure the rms in bands of wavelength is: derivatives, noise in closed form, and measurements made again."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Literal, get_args

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.signal import periodogram as library
from scipy.stats import chi2

from ellipsefit.arrays import FloatArray
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.fit.figure_uncertainty import LeftByFit, left_by_fit
from ellipsefit.spectrum import Spectrum, Window, periodogram, pulled_spectrum
from tests.fit_cases import Case
from tests.rehearsal import even_mirror, made_profile
from tests.test_figure_uncertainty import NOMINAL


def uneven(rng: np.random.Generator) -> FloatArray:
    """Places off any grid, some of them twice, with a gap behind which a few more lie."""
    x = np.sort(1e-3 * (np.arange(90) + rng.uniform(-0.4, 0.4, 90)))
    return np.asarray(np.sort(np.concatenate([x, x[10:20], 0.2 + 1e-3 * np.arange(9)])), dtype=np.float64)


PLACES: dict[str, FloatArray] = {
    "even": np.linspace(0, 0.095, 96),
    "odd": np.linspace(0, 0.096, 97),
    "uneven": uneven(np.random.default_rng(2)),
}


def mean_squares(found: Spectrum) -> FloatArray:
    return np.square([[band.height_rms, band.slope_rms] for band in (*found.bands, found.whole)])


@pytest.mark.parametrize("count", [64, 101])
@pytest.mark.parametrize("window", ["none", "hann"])
def test_the_periodogram_is_the_library_s(window: Window, count: int) -> None:
    """scipy.signal.periodogram, of values on an even grid."""
    values = np.random.default_rng(1).standard_normal(count)
    found = periodogram(np.linspace(0, 2e-3 * (count - 1), count), values, window=window)
    name = "boxcar" if window == "none" else window
    frequency, density = library(values, 500.0, window=name, detrend="constant", scaling="density")
    assert_allclose(found.frequency, frequency[1:], rtol=1e-12)
    assert_allclose(found.density, density[1:], rtol=1e-9, atol=1e-15)


@pytest.mark.parametrize("quantity", ["height", "slope"])
@pytest.mark.parametrize("window", ["none", "hann"])
@pytest.mark.parametrize("places", list(PLACES))
def test_points_pull_on_the_bands_as_differences_tell(
    places: str, window: Window, quantity: Literal["height", "slope"]
) -> None:
    """Mean squares are quadratic in the values: central differences are exact, to rounding of 1e-16 over the step."""
    x, rng = PLACES[places], np.random.default_rng(3)
    values = rng.standard_normal(len(x))
    found, pulls = pulled_spectrum([("A", x, values)], quantity, window=window, variances=[np.ones_like(x)])
    points = pulls["A"].points
    assert_allclose(pulls["A"].square, mean_squares(found)[:-1], rtol=1e-12)
    for point in (0, 13, 40, len(x) - 1):
        step = np.zeros_like(x)
        step[point] = 0.5
        ends = [
            mean_squares(pulled_spectrum([("A", x, values + s * step)], quantity, window=window)[0]) for s in (-1, 1)
        ]
        change = (ends[1] - ends[0]) / 2
        scale = np.abs(points).max(axis=-1)
        assert_allclose(points[..., point] / scale, change[:-1] / scale, rtol=0, atol=1e-9)
        assert_allclose(points.sum(axis=0)[:, point], change[-1], rtol=1e-9, atol=1e-9 * scale.max())


@pytest.mark.parametrize("window", ["none", "hann"])
@pytest.mark.parametrize("places", list(PLACES))
def test_noise_in_the_bands_is_the_trace_of_its_quadratic_form(places: str, window: Window) -> None:
    """E = tr(M V) and Var = 2 tr((M V)**2) of z'Mz (any book on quadratic forms), M column by column from the pulls.

    Ordinates count as complex and neighbours as the window makes them: what is missing is of the first and the last
    few of 48 ordinates, 3 % of the noise and 10 % of its variance. Of points that miss the grid by up to 0.4 steps the
    noise is no white one; as if it were so, it is told to 10 %.
    """
    x = PLACES[places]
    variance = 1 + 0.2 * np.sin(np.arange(len(x)))
    columns = []
    for point in range(len(x)):
        unit = np.zeros_like(x)
        unit[point] = 1.0
        columns.append(pulled_spectrum([("A", x, unit)], "height", window=window, variances=[variance])[1]["A"].points)
    forms = np.stack(columns, axis=-1)  # (B, 2, N, N)
    told = pulled_spectrum([("A", x, unit)], "height", window=window, variances=[variance])[1]["A"]
    noise = np.einsum("bqnn,n->bq", forms, variance)
    weighted = np.concatenate([forms, forms.sum(axis=0, keepdims=True)]) * variance
    pairs = np.einsum("bqnm,bqmn->bq", weighted, weighted)
    loose = 0.1 if places == "uneven" else 0.03
    assert_allclose(told.noise.sum(axis=0), noise.sum(axis=0), rtol=loose)
    assert_allclose(told.pairs[-1], pairs[-1], rtol=3 * loose)


@pytest.fixture
def lines_are_sure(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave out what the surface's own error makes of ellipse and lines: a fit's model says it, no measurement does."""

    def left(*args: Any, **options: Any) -> LeftByFit | None:
        found = left_by_fit(*args, **options)
        return None if found is None else replace(found, unsure=0 * found.unsure)

    monkeypatch.setattr("ellipsefit.fit.ellipse_fit.left_by_fit", left)
    monkeypatch.setattr("ellipsefit.fit.result.left_by_fit", left)


def wavy_fit(sigma: float, amplitude: float, noise: FloatArray | None = None) -> EllipseFit:
    """One segment of 2000 points with a wave of 20 periods, and noise; only its pose is fitted."""
    mirror = even_mirror(NOMINAL, count=1, pitch=1.0, gap=0)
    exact = made_profile(mirror, (12.0, 7.0, 0.018), points=2000)
    wave = amplitude * np.sin(2 * np.pi * 20 * np.arange(2000) / 2000)
    added = wave if noise is None else wave + noise
    placed = replace(exact, values=exact.values + added, sigma=np.full(2000, sigma))
    return fit_ellipse(placed, vary=(), residual="white")


@pytest.mark.usefixtures("lines_are_sure")
def test_a_wave_in_white_noise_is_as_sure_as_its_ordinate() -> None:
    """Var(P) = 2 P N - N**2 for each ordinate P of wave and noise together, without a window; N = 2 sigma**2 step.

    The mean square of the band is P / length, A**2 / 2 of it the wave: u = sqrt(2 P N - N**2 ...) / length / (2 rms).
    The band holds 90 ordinates of noise besides; the fitted line takes 3 / (20 pi)**2 of the wave (0.1 %). Without a
    window all waves together are the figure's rms, with its uncertainty.
    """
    sigma, amplitude, length = 20e-9, 50e-9, 1.0 * (1 + 1 / 1999)
    fit = wavy_fit(sigma, amplitude)
    found = fit.spectrum(window="none")
    (band,) = [one for one in found.bands if one.shortest < 0.05 < one.longest]
    power, level = amplitude**2 / 2 * length, 2 * sigma**2 * length / 2000
    stated = np.sqrt(max(2 * power * level - 90 * level**2, power * level)) / length / (2 * band.height_rms)
    assert_allclose(band.height_rms, amplitude / np.sqrt(2), rtol=2e-3)
    assert_allclose(band.height_rms_stderr or 0, stated, rtol=0.03)  # the band is 10 mm to 100 mm: 90 or 91 ordinates
    assert_allclose(band.height_noise_rms or 0, sigma * np.sqrt(90.5 / 1000), rtol=0.01)
    assert_allclose(found.whole.height_rms_stderr or 0, fit.figure.height_error_rms_stderr or 0, rtol=2e-3)
    assert_allclose(found.whole.height_noise_rms or 0, sigma, rtol=1e-3)


@pytest.mark.usefixtures("lines_are_sure")
@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_bands_of_a_surface_measured_again_scatter_as_stated(quantity: Literal["height", "slope"]) -> None:
    """30 measurements of one surface: chi squared at a chance of 1e-5, and 5 % for what is first order only."""
    case = Case(segments=6, quantity=quantity, noise=600e-9 if quantity == "slope" else 60e-9)
    rng = np.random.default_rng(19)
    base = replace(case, noise=1e-16).draw(rng).placed
    base = replace(base, sigma=np.full(len(base.x), case.sigma))
    fits = [
        fit_ellipse(
            replace(base, values=base.values + case.sigma * rng.normal(size=len(base.x))),
            residual="white",
            spread_height=5e-6,
            spread_tilt=2e-5,
        )
        for _ in range(30)
    ]
    low, high = (float(chi2.ppf(share, 29)) / 29 for share in (5e-6, 1 - 5e-6))
    for window in get_args(Window):
        found = [fit.spectrum(window=window) for fit in fits]
        for bands in zip(*((*one.bands, one.whole) for one in found), strict=True):
            for key in ("height_rms", "slope_rms"):
                values, stated = (np.array([getattr(band, name) for band in bands]) for name in (key, f"{key}_stderr"))
                ratio = values.var(ddof=1) / np.mean(stated**2)
                assert low / 1.05**2 < ratio < high * 1.05**2, (bands[0], key)


def test_each_row_says_how_sure_it_is_and_how_much_is_noise() -> None:
    fit = wavy_fit(20e-9, 50e-9, 20e-9 * np.random.default_rng(5).normal(size=2000))
    found = fit.spectrum()
    text = str(found)
    assert text.count("±") == 2 * (len(found.bands) + 1) + 1
    assert "noise in it" in text
    answer = found.to_dict()
    for band in (*answer["bands"], answer["whole"]):
        assert min(band[f"{error}_{what}"] for error in ("height", "slope") for what in ("rms_stderr", "noise_rms")) > 0
    assert answer["whole"]["height_noise_rms"] < answer["whole"]["height_rms"]
    bare = replace(
        found,
        bands=tuple(
            replace(band, height_rms_stderr=None, slope_rms_stderr=None, height_noise_rms=None, slope_noise_rms=None)
            for band in found.bands
        ),
        whole=replace(found.whole, height_rms_stderr=None, slope_rms_stderr=None, height_noise_rms=None),
    )
    assert "±" not in str(bare)
    assert "noise in it" not in str(bare).splitlines()[1]
