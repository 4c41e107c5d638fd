"""Power spectral density: definition, Parseval, sinusoids, uneven points, and how sure a mean of ordinates is."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from numpy.testing import assert_allclose

from ellipsefit.errors import ParameterError
from ellipsefit.files import read_mirror, read_profile
from ellipsefit.fit import fit_ellipse
from ellipsefit.report.spectrum_figure import draw_spectrum
from ellipsefit.spectrum import NEXT, Window, figure_spectrum, periodogram
from tests.test_report import DATA, solved

Array = npt.NDArray[np.float64]


def defined(values: Array, step: float, window: Array) -> Array:
    """One-sided density by its definition, a sum over points for each frequency, without a fast transform."""
    count = len(values)
    k = np.arange(count // 2 + 1)
    waves = np.exp(-2j * np.pi * np.outer(k, np.arange(count)) / count)
    density: Array = 2 * step * np.abs(waves @ (window * (values - values.mean()))) ** 2 / (window**2).sum()
    if count % 2 == 0:
        density[-1] /= 2
    return density[1:]


def test_density_of_eight_values() -> None:
    """z = (3, -1, 4, 1, -5, 9, -2, 6), step 0.5: sums by hand, P_k = 2 step |X_k|**2 / N, the last one undoubled.

    With sqrt(2) = 1.41421356237309505: X_1 = 8 - 1.5 sqrt2 ... gives P_1 = 5.144029611437207, P_2 = 2.125,
    P_3 = 51.105970388562795, P_4 = 14.0625, recomputed with 40 digits. Their sum over N step is Rq**2 = 18.109375.
    """
    z = np.array([3.0, -1.0, 4.0, 1.0, -5.0, 9.0, -2.0, 6.0])
    found = periodogram(np.linspace(0.0, 3.5, 8), z, window="none")
    assert_allclose(found.frequency, [0.25, 0.5, 0.75, 1.0], rtol=1e-15)
    assert_allclose(found.density, [5.144029611437207, 2.125, 51.105970388562795, 14.0625], rtol=1e-13)
    assert_allclose(found.density.sum() / 4, 18.109375, rtol=1e-13)


@pytest.mark.parametrize("count", [64, 101])
@pytest.mark.parametrize("window", ["none", "hann"])
def test_density_is_what_its_definition_says_and_obeys_parseval(window: Window, count: int) -> None:
    """Hann: w = (1 - cos(2 pi n / N)) / 2. Parseval: the integral is the mean square, weighted by the window's."""
    random = np.random.default_rng(20310801)
    step, values = 2e-3, 1e-7 * random.standard_normal(count).cumsum()
    w = np.ones(count) if window == "none" else 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(count) / count)
    found = periodogram(np.linspace(-0.7, -0.7 + step * (count - 1), count), values, window=window)
    # transforms of values up to 1e-6 round to some eps of the largest ordinate
    assert_allclose(found.density, defined(values, step, w), rtol=1e-9, atol=1e-14 * found.density.max())
    weighted = w * (values - values.mean())
    whole = found.density.sum() / (count * step)
    zero = weighted.sum() ** 2 / (w**2).sum() / count  # the ordinate at zero, which is not shown
    assert_allclose(whole + zero, (weighted**2).sum() / (w**2).sum(), rtol=1e-12)


@pytest.mark.parametrize("window", ["none", "hann"])
def test_sinusoid_has_its_known_roughness_and_slope(window: Window) -> None:
    """Rq = A / sqrt 2 and slope rms = 2 pi A / (wavelength sqrt 2), for whole periods.

    The window spreads a line at k over k - 1, k, k + 1 with power 1/6, 2/3, 1/6: f**2 gains 1 / (3 k**2).
    """
    amplitude, periods, length, count = 80e-9, 25, 0.5, 1000
    x: Array = np.asarray(length / count * np.arange(count))
    wave = amplitude * np.sin(2 * np.pi * periods * x / length + 0.4)
    found = figure_spectrum([("S01", x, wave)], "height", window=window)
    spread = np.sqrt(1 + 1 / (3 * periods**2)) if window == "hann" else 1.0
    slope = 2 * np.pi * amplitude * periods / length / np.sqrt(2)
    assert_allclose(found.rms, amplitude / np.sqrt(2), rtol=1e-9)
    assert_allclose(np.sqrt(sum(band.slope_rms**2 for band in found.bands)), slope * spread, rtol=1e-9)
    (lines,) = [band for band in found.bands if band.height_rms > 1e-12]
    assert lines.shortest <= length / periods < lines.longest
    # and from the slopes, the height
    slopes = slope * np.sqrt(2) * np.cos(2 * np.pi * periods * x / length + 0.4)
    back = figure_spectrum([("S01", x, slopes)], "slope", window=window)
    assert_allclose(back.rms, slope, rtol=1e-9)
    height = np.sqrt(sum(band.height_rms**2 for band in back.bands))
    assert_allclose(height, amplitude / np.sqrt(2), rtol=2 / periods**2)  # f**-2 gains about 1 / k**2


def test_uneven_points_tell_what_lomb_tells_of_long_waves() -> None:
    """Reference: scipy's Lomb-Scargle periodogram, normalised to amplitude, at the wave that is there.

    Between points 1.9 steps apart a wave of 40 steps loses 1 - cos(1.9 pi / 40) = 1.1 % by linear interpolation, at
    the worst.
    """
    from scipy.signal import lombscargle

    random = np.random.default_rng(20310802)
    step, count, periods = 1e-3, 2000, 50
    x = np.sort(step * (np.arange(count) + random.uniform(-0.45, 0.45, count)))
    wave = 1e-7 * np.sin(2 * np.pi * periods * x / (count * step) + 1.0)
    at = np.array([2 * np.pi * periods / (count * step)])
    amplitude = float(np.sqrt(np.atleast_1d(lombscargle(x, wave, at))[0] * 4 / count))
    found = figure_spectrum([("S01", x, wave)], "height")
    assert_allclose(found.rms, amplitude / np.sqrt(2), rtol=1.1e-2)


def test_points_at_one_place_are_averaged_and_gaps_are_not_bridged() -> None:
    x = np.concatenate([np.arange(40), 100 + np.arange(100)]) * 1e-3
    values = np.sin(x * 300) * 1e-8
    alone = periodogram(x[40:], values[40:])
    assert_allclose(periodogram(x, values).density, alone.density, rtol=1e-12)
    twice = periodogram(np.repeat(x[40:], 2), np.repeat(values[40:], 2) + np.tile([-1e-8, 1e-8], 100))
    assert_allclose(twice.density, alone.density, rtol=1e-6, atol=1e-12 * alone.density.max())
    assert len(periodogram(x[:7], values[:7]).frequency) == 0
    with pytest.raises(ParameterError, match="no segment has 8 points"):
        figure_spectrum([("S01", x[:5], values[:5])], "height")
    wrong: Any = "flat"
    with pytest.raises(ParameterError, match="expected one of hann, none"):
        periodogram(x, values, window=wrong)


def test_correlation_of_neighbouring_ordinates_is_that_of_the_window() -> None:
    """For white noise the transform at k and k + d has correlation sum(w**2 exp(2 pi i d n / N)) / sum(w**2)."""
    n = np.arange(512)
    w = 0.5 - 0.5 * np.cos(2 * np.pi * n / 512)
    for apart, stated in enumerate(NEXT["hann"], 1):
        correlation = np.abs((w**2 * np.exp(2j * np.pi * apart * n / 512)).sum()) / (w**2).sum()
        assert_allclose(correlation**2, stated, rtol=1e-12)


@pytest.mark.parametrize("window", ["none", "hann"])
def test_white_noise_is_flat_and_the_mean_is_as_sure_as_it_claims(window: Window) -> None:
    """Density 2 sigma**2 step; the scatter of each band's mean over 300 simulated surfaces is the stated one.

    The ratio of variances over B bands and 300 draws is itself sure to sqrt(2 / (300 B)), more by chi-square tails
    of bands with few ordinates: 4 of these, with a tail factor of 2.
    """
    random = np.random.default_rng(20310803)
    step, sigma, draws = 1e-3, 3e-8, 300
    x: Array = np.asarray(step * np.arange(400))
    found = [
        figure_spectrum([("A", x, a), ("B", x[:300], b)], "height", window=window)
        for a, b in ((sigma * random.standard_normal(400), sigma * random.standard_normal(300)) for _ in range(draws))
    ]
    means = np.array([one.mean for one in found])
    stated = np.array([one.stderr for one in found])
    kept = np.isfinite(means).all(axis=0)
    kept[0] = kept[-1] = False  # beside the mean that is taken away, and the half ordinate at the end
    level = 2 * sigma**2 * step
    shares = means[:, kept] / level
    expected = (stated[:, kept] / means[:, kept]).mean(axis=0)
    assert_allclose(shares.mean(axis=0), 1.0, rtol=0, atol=float((4.5 * expected / np.sqrt(draws)).max()))
    ratio = shares.var(axis=0) / expected**2
    assert abs(ratio.mean() - 1) < 2 * 4 * np.sqrt(2 / (draws * kept.sum()))


def test_spectrum_of_a_fit_is_that_of_its_residual() -> None:
    """Without a window: mean over segments, by length, of the mean square deviation from each one's mean."""
    fit, _ = solved("alder")
    found = fit.spectrum(window="none")
    assert found.names == tuple(segment.name for segment in fit.mirror.segments)
    squares, lengths = [], []
    for number in fit.placed.measured:
        part = fit.placed.part(number)
        lengths.append(float(np.ptp(fit.placed.x[part])) * (1 + 1 / (part.stop - part.start - 1)))
        squares.append(float(np.var(fit.residual[part])))
    assert_allclose(found.rms, np.sqrt(np.average(squares, weights=lengths)), rtol=1e-9)
    assert found.noise is not None
    step = fit.placed.step(0)
    assert_allclose(found.shortest, 2 * step, rtol=0.01)
    answer = found.to_dict()
    assert len(answer["mean"]) == len(found.frequency) == len(answer["segments"]["S01"])
    assert "Figure error by wavelength" in str(found)


def test_spectrum_is_drawn_where_it_is() -> None:
    fit = fit_ellipse(read_profile(DATA / "cedar" / "profile.csv"), read_mirror(DATA / "cedar" / "mirror.toml"))
    found = fit.spectrum()
    assert found.quantity == "slope"
    axes = Figure().subplots()
    lines = [artist for artist in draw_spectrum(axes, found) if isinstance(artist, Line2D)]
    known = np.isfinite(found.mean)
    (mean,) = [line for line in lines if line.get_label() == "segment"]
    assert_allclose(np.asarray(mean.get_ydata()), found.mean[known] * 1e15, rtol=1e-12)  # urad**2 mm
    assert_allclose(np.asarray(mean.get_xdata()), found.frequency[known] * 1e-3, rtol=1e-12)  # 1/mm
    assert "urad² mm" in axes.get_ylabel()
    assert len(found.plot().axes) == 1
    silent = replace(found, noise=None)
    assert len(draw_spectrum(Figure().subplots(), silent)) == len(draw_spectrum(Figure().subplots(), found)) - 1
