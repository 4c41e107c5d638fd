"""Diffraction at the focus against closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import fresnel, jv

from ellipsefit.ellipse import Ellipse
from ellipsefit.focus import Beam, Distribution, Surface, trace_surface
from ellipsefit.focus.geometry import bench
from ellipsefit.focus.waves import SINC_WIDTH, LineSpread, intensity, line_spread, wave_of
from tests.focus_cases import mirror_of, surface_of, wavy, x_rays

LONG = Ellipse(30.0, 0.2, 3e-3)


def spread_of(surface: Surface, beam: Beam, *, centre: float = 0.0, width: float = 0.0) -> LineSpread:
    found = line_spread(surface, beam, bench(beam, surface.nominal, None), centre=centre, width=width)
    assert found is not None
    return found


def lit_evenly_at_the_image(surface: Surface) -> Distribution:
    """Divergence whose density makes the light even in the angle at the image: r1/r2 along the mirror."""
    nominal = surface.nominal
    source, image = nominal.foci
    x = np.linspace(*surface.span, 400)
    z = nominal.height(x)
    toward = -source / np.hypot(*source)
    ux, uz = x - source[0], z - source[1]
    angle = np.arctan2(toward[0] * uz - toward[1] * ux, toward[0] * ux + toward[1] * uz)
    ratio = np.hypot(ux, uz) / np.hypot(image[0] - x, image[1] - z)
    return Distribution(places=tuple(angle.tolist()), weights=tuple(ratio.tolist()))


@pytest.mark.parametrize(
    ("ellipse", "length", "wavelength"), [(LONG, 4e-3, 1e-10), (Ellipse(40.0, 1.5, 12e-3), 30e-3, 1.24e-9)]
)
def test_a_short_mirror_spreads_a_line_by_the_slit_s_law(ellipse: Ellipse, length: float, wavelength: float) -> None:
    """FWHM 0.886 lambda q / (L sin(theta)), half width of sinc**2; L = q/50, so within 0.5 %."""
    beam = replace(x_rays(), wavelength=(wavelength, wavelength))
    line = spread_of(surface_of(ellipse, count=1, length=length, gap=0.0), beam)
    assert_allclose(line.fwhm, SINC_WIDTH * wavelength * ellipse.q / (length * np.sin(ellipse.theta)), rtol=5e-3)
    assert_allclose(SINC_WIDTH, 2 * 1.3915573782515101503 / np.pi, rtol=1e-15)
    assert_allclose([line.strehl, line.marechal], [1.0, 1.0], atol=1e-9)


def test_a_long_mirror_lit_evenly_in_angle_spreads_by_the_angle_it_subtends() -> None:
    """0.886 lambda over the angle at the image: 1.5615e-3 rad for q = 0.2 m, 3 mrad, +-50 mm, 4 % off short."""
    surface = surface_of(LONG, count=1, length=0.1, gap=0.0)
    beam = x_rays(divergence=lit_evenly_at_the_image(surface))
    line = spread_of(surface, beam)
    assert_allclose(line.fwhm, SINC_WIDTH * 1e-10 / 0.00156147233815379, rtol=1e-3)


def test_light_is_neither_made_nor_lost_by_diffraction() -> None:
    """Parseval: the integral over the plane is the light; sinc**2 has 1/(10 pi**2) of it beyond +-10 nulls."""
    line = spread_of(surface_of(LONG, count=1, length=4e-3, gap=0.0), x_rays())
    nulls = (line.place[-1] - line.place[0]) / 2 / (line.fwhm / SINC_WIDTH)
    outside = 1 / (np.pi**2 * nulls)
    assert_allclose(np.trapezoid(line.density, line.place), 1 - outside, atol=0.15 * outside)


def test_the_peak_of_an_evenly_lit_mirror_is_light_times_angle_over_wavelength() -> None:
    """(sum of amplitudes)**2 / lambda = opening / lambda for even light: closed form of sinc**2."""
    surface = surface_of(LONG, count=1, length=4e-3, gap=0.0)
    line = spread_of(surface, x_rays())
    assert_allclose(line.density.max(), SINC_WIDTH / line.fwhm, rtol=2e-3)


@pytest.mark.parametrize("height", [0.1e-9, 0.2e-9, 0.4e-9])
def test_strehl_ratio_tends_to_marechals_as_errors_vanish(height: float) -> None:
    """1 - phi**2 with phi = 4 pi sigma sin(theta)/lambda (Marechal; R. Ruze; Mahajan 1982), to phi**4/4."""
    waves = wavy(-2e-3, 2e-3, height * np.sqrt(2), 2e-4, knots=4001)
    line = spread_of(surface_of(LONG, count=1, length=4e-3, gap=0.0, figures=(waves,)), x_rays())
    phase = 4 * np.pi * height * np.sin(LONG.theta) / 1e-10
    assert_allclose(line.phase_rms, phase, rtol=0.01)
    assert_allclose(1 - line.strehl, phase**2, rtol=0.02 + phase**2 / 2)
    # the wave's phase correlates with amplitudes that vary by L/q = 2 % along the mirror
    assert_allclose(line.strehl, line.marechal, atol=phase**4 + 0.02 * phase**2)


@pytest.mark.parametrize("height", [0.5e-9, 2e-9, 4e-9])
def test_a_sinusoidal_figure_makes_the_satellites_of_bessels_expansion(height: float) -> None:
    """exp(i a sin u) = sum J_n(a) exp(i n u), a = 4 pi h sin(theta)/lambda: orders at n lambda q/(period sin(theta)).

    Strengths J_n(a)**2 of the perfect peak; small a: (a/2)**2, the first order of E. L. Church and P. Z. Takacs,
    Appl. Opt. 32 (1993) 3344, for a surface of one spatial frequency (citation from memory).
    """
    ellipse, length, period = Ellipse(300.0, 20.0, 3e-3), 20e-3, 1e-3
    waves = wavy(-length / 2, length / 2, height, period, knots=4001)
    surface = surface_of(ellipse, count=1, length=length, gap=0.0, figures=(waves,))
    beam = x_rays()
    layout = bench(beam, ellipse, None)
    wave = wave_of(surface, beam, layout, 12_000)
    apart = 1e-10 * ellipse.q / (period * np.sin(ellipse.theta))
    flat = wave_of(surface_of(ellipse, count=1, length=length, gap=0.0), beam, layout, 12_000)
    one, point = np.ones(1), np.zeros(1)
    top = intensity(flat, beam, layout, surface, np.zeros(1), point, one)[0]
    a = 4 * np.pi * height * np.sin(ellipse.theta) / 1e-10
    for order in (-2, -1, 0, 1, 2):
        about = order * apart + np.linspace(-0.04, 0.04, 161) * apart
        light = intensity(wave, beam, layout, surface, about, point, one)
        # the amplitude of another order, 20 nulls a step away, is 1/(20 pi) per step of its own, of any phase
        tail = sum(abs(jv(other, a)) / (20 * np.pi * abs(other - order)) for other in range(-6, 7) if other != order)
        assert_allclose(light.max() / top, jv(order, a) ** 2, rtol=0.01, atol=tail * (2 * abs(jv(order, a)) + tail))
        if jv(order, a) ** 2 > 0.1:
            # a fifth of the line's width, 0.886/20 of a step
            assert_allclose(about[np.argmax(light)], order * apart, atol=0.009 * apart)


def test_out_of_focus_the_edge_of_the_light_is_fresnels() -> None:
    """Straight edge: I/I0 = ((C + 1/2)**2 + (S + 1/2)**2)/2 with scipy's Fresnel integrals.

    Behind the focus by D a wave that converges over r2 spreads its edge by D/r2; w = y sqrt(2 r2/(lambda D (r2 + D))).
    The other edge, more than 70 fringes away, adds a ripple of 1 / (pi 70); light varies by L/q = 3 % over the mirror.
    """
    ellipse, length, behind = Ellipse(2000.0, 10.0, 12e-3), 0.3, 3.0
    surface = surface_of(ellipse, count=1, length=length, gap=0.0)
    beam = x_rays(plane=behind)
    layout = bench(beam, ellipse, None)
    wave = wave_of(surface, beam, layout, 30_000)
    x = surface.span[1]
    ahead = np.array([layout.image[0] - x, layout.image[1] - float(ellipse.height(np.array([x]))[0])])
    r2 = float(np.hypot(*ahead))
    edge = behind * float(ahead @ layout.across) / float(ahead @ layout.along)
    side = -np.sign(edge)  # light lies towards the chief ray
    scale = np.sqrt(1e-10 * behind * (r2 + behind) / r2 / 2)
    w = np.linspace(-1.0, 2.5, 40)
    inside = np.linspace(8, 20, 60)
    place = edge + side * np.concatenate([w, inside]) * scale
    light = intensity(wave, beam, layout, surface, place, np.zeros(1), np.ones(1))
    s, c = fresnel(w)
    expected = ((c + 0.5) ** 2 + (s + 0.5) ** 2) / 2
    assert_allclose(light[:40] / light[40:].mean(), expected, atol=0.03)


def test_a_source_of_some_size_adds_up_its_points() -> None:
    """Partial coherence: variance of the image is that of the source's image more; peaks of the sum are lower.

    For an incoherent source the image is the convolution of line spread and source image (van Cittert-Zernike); for a
    Gaussian twice as wide as the diffraction the FWHM is that of the source's image within the width of sinc**2.
    """
    surface = surface_of(LONG, count=1, length=4e-3, gap=0.0)
    point = spread_of(surface, x_rays())
    size = 4 * point.fwhm * LONG.p / LONG.q
    beam = x_rays(source=Distribution(shape="gaussian", width=size), coherence="source")
    found = spread_of(surface, beam, width=6 * point.fwhm)
    fine = found.place
    kernel = np.exp(-4 * np.log(2) * (fine / (4 * point.fwhm)) ** 2)
    sinc = np.sinc(fine / (point.fwhm / SINC_WIDTH)) ** 2
    expected = np.convolve(kernel, sinc, "same")
    assert_allclose(found.density / found.density.max(), expected / expected.max(), atol=0.01)
    assert_allclose(found.strehl, 1.0, atol=1e-6)
    same = spread_of(surface, replace(beam, coherence="full"))
    assert_allclose(same.fwhm, point.fwhm, rtol=1e-9)


def test_tilt_moves_the_line_and_costs_no_strehl() -> None:
    """A mirror turned by delta sends its line 2 q delta away, undiminished but for coma."""
    surface = surface_of(LONG, count=1, length=4e-3, gap=0.0, pose_tilt=5e-6)
    result = trace_surface(surface, mirror_of(surface), x_rays())
    assert result.line is not None
    peak = result.line.place[np.argmax(result.line.density)]
    assert_allclose(peak, 2 * LONG.q * 5e-6, atol=0.05 * result.line.fwhm)
    assert_allclose(result.line.strehl, 1.0, atol=0.01)
    assert_allclose(result.line.marechal, 1.0, atol=0.01)


def test_a_spot_far_wider_than_diffraction_is_not_summed_but_said() -> None:
    """R1 with 10 urad tilts at 1 angstrom: thousands of fringes; Strehl ratio None with a warning."""
    rng = np.random.default_rng(1)
    surface = surface_of(tilts=rng.normal(0, 10e-6, 18))
    result = trace_surface(surface, mirror_of(surface), x_rays())
    assert result.strehl is None
    assert any("fringes" in text for text in result.warnings)
    assert result.to_dict()["strehl"] is None
