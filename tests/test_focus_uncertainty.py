"""Uncertainties of spot and balance: draws traced anew scatter as is stated; Gaussian spots have their known widths."""

from __future__ import annotations

from dataclasses import asdict, replace
from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import chi2, norm

from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.focus import Beam, Coating, Distribution, FocusResult, Surface, trace_focus, trace_surface
from ellipsefit.focus.beam import Coherence
from ellipsefit.focus.focus import _balance, _traced, ray_numbers
from ellipsefit.focus.geometry import bench
from ellipsefit.focus.possible import Possible, draws_of, state_covariance
from ellipsefit.focus.rays import Rays, cut, struck, unused
from ellipsefit.focus.solid import Roll
from ellipsefit.focus.spot import RESOLUTION, SpotStderr, spot_of, through, widths_moved
from ellipsefit.focus.tolerances import coated
from ellipsefit.focus.waves import line_spread
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile
from tests.focus_cases import mirror_of, neutrons, surface_of, x_rays

#: Two-sided chance at which a scatter is called another than the stated one.
CHANCE = 1e-5


def perturbed(surface: Surface, draw: FloatArray) -> Surface:
    """The surface with another state, in the order of `possible.state_covariance`."""
    k, ellipse = len(surface.pieces), surface.ellipse
    pieces = tuple(
        replace(piece, height=piece.height + float(draw[i]), tilt=piece.tilt + float(draw[k + i]))
        for i, piece in enumerate(surface.pieces)
    )
    height, tilt, p, q, theta = (float(draw[2 * k + i]) for i in range(5))
    return replace(
        surface,
        pieces=pieces,
        pose_height=surface.pose_height + height,
        pose_tilt=surface.pose_tilt + tilt,
        ellipse=replace(ellipse, p=ellipse.p + p, q=ellipse.q + q, theta=ellipse.theta + theta),
    )


def plain_draws(covariance: FloatArray, count: int, seed: int) -> FloatArray:
    """Draws one by one, by the general-purpose library."""
    size = np.sqrt(np.diag(covariance))
    scale = np.where(size > 0, size, 1.0)
    rng = np.random.default_rng(seed)
    found = rng.multivariate_normal(np.zeros(len(size)), covariance / np.outer(scale, scale), count, method="eigh")
    return np.asarray(scale * found)


def agree(stated: float, found: FloatArray, *, nearly: float = 0.0) -> None:
    """Scatter of independent draws over what is stated, by chi squared; `nearly` is by how much that may be off."""
    ratio = found.var(ddof=1) / stated**2
    free = len(found) - 1
    low, high = (float(chi2.ppf(share, free)) / free for share in (CHANCE / 2, 1 - CHANCE / 2))
    assert low * (1 - nearly) < ratio < high * (1 + nearly)


@cache
def fitted() -> EllipseFit:
    """Six segments over 3 m, as they come off by 20 urad, measured with 1 um of noise: a fit that leaves much open."""
    mirror, rng = invented_mirror(segments=6, length=3.0), np.random.default_rng(3)
    state = hidden_state(mirror, rng, height=2e-5)
    return fit_ellipse(simulate_profile(mirror, state, rng, step=4e-3, figure=0.0, noise=1e-6), mirror)


def test_draws_have_the_covariance_that_they_are_drawn_from() -> None:
    """Mean products to rounding, so what is linear needs no luck; pairs of opposite sign; what is held stays."""
    rng = np.random.default_rng(5)
    size = np.array([1e-9, 1e-3, 5.0, 0.0, 2e-6])
    root = size[:, None] * rng.standard_normal((5, 3))  # of lower rank than it is large
    covariance = root @ root.T
    for count in (4, 48):
        draws = draws_of(covariance, count)
        scale = np.outer(size, size) + (np.outer(size, size) == 0)
        found = draws @ draws.T / draws.shape[1]
        assert_allclose(found / scale, covariance / scale, rtol=0, atol=1e-9)
        assert draws.shape[1] == max(count, 6)
        half = draws.shape[1] // 2
        assert_allclose(draws[:, :half], -draws[:, half:], rtol=1e-15)
        assert not draws[3].any()


def gaussian_rays(sigma: float, cells: int = 20_000) -> Rays:
    """Light whose places are the quantiles of a Gaussian."""
    across = sigma * norm.ppf((np.arange(cells) + 0.5) / cells)[:, None]
    weight = np.full_like(across, 1 / cells)
    return Rays(across, 0 * across, weight, weight)


def test_a_gaussian_spot_has_its_quantiles_for_widths() -> None:
    """2 sqrt(2 ln 2) sigma, 1.349 sigma and 3.290 sigma, by the normal quantiles of 3/4 and 19/20 (scipy).

    Places cut off at one in 40,000 carry 1e-4 less spread. The detector's pixel, a triangle of variance w**2 / 6 and
    w = 3.29 sigma / 40, widens what it shows by w**2 / 12 sigma**2 = 6e-4.
    """
    sigma = 3e-4
    spot = spot_of(gaussian_rays(sigma), x_rays())
    assert_allclose(spot.width_50, 2 * norm.ppf(0.75) * sigma, rtol=3e-4)
    assert_allclose(spot.width_90, 2 * norm.ppf(0.95) * sigma, rtol=3e-4)
    pixel = RESOLUTION * spot.width_90
    shown = np.hypot(sigma, pixel / np.sqrt(6))
    # the density at the pixel's ends is known to a light of 20,000 parts: some 1e-2 of a pixel
    assert_allclose(spot.fwhm, 2 * np.sqrt(2 * np.log(2)) * shown, rtol=0.02 * pixel / spot.fwhm + 1e-4)


def test_widths_scale_with_the_spot_and_not_with_its_place() -> None:
    """A shift in proportion to the place makes the Gaussian wider by the same factor: exact for all three widths."""
    rays, sigma = gaussian_rays(3e-4), 3e-4
    growth = np.array([-0.1, 0.0, 0.25])
    found = widths_moved(rays, rays.across * growth + 2e-3)
    assert_allclose(found / found[:, 1:2], np.tile(1 + growth, (3, 1)), rtol=1e-6)
    assert_allclose(found[1:, 1], 2 * norm.ppf([0.75, 0.95]) * sigma, rtol=3e-4)


def _brute(result: FocusResult, covariance: FloatArray, count: int, seed: int) -> dict[str, FloatArray]:
    """Measures of mirrors drawn from the covariance, each traced wholly anew."""
    found: dict[str, list[float]] = {}
    beam = result.beam
    for draw in plain_draws(covariance, count, seed):
        surface = coated(perturbed(result.surface, draw), beam)
        layout = bench(beam, surface.nominal, result.mirror.deflection)
        cells, rays, _ = _traced(surface, beam, layout, 20_000)
        spot, balance = spot_of(rays, beam), _balance(cells, rays, beam, layout, through(rays, beam))
        for name in SpotStderr.__slots__:
            found.setdefault(name, []).append(getattr(spot, name))
        for name, value in asdict(balance).items():
            found.setdefault(name, []).append(value)
    return {name: np.array(values) for name, values in found.items()}


@pytest.mark.parametrize("kind", ["neutron", "x-ray"])
def test_mirrors_drawn_and_traced_anew_scatter_as_is_stated(kind: str) -> None:
    """40 draws: chi squared, at a chance of 1e-5, for each measure of the spot and each share of the beam.

    A width at half maximum and a share at the aperture's edge are no smooth functions of the state, so that 48 draws
    tell their spread to a tenth only: a fifth of the variance.
    """
    beam: Beam = x_rays(source=Distribution(width=2e-4), aperture=6e-4, aperture_offset=-1.5e-3)
    if kind == "neutron":
        source, across = Distribution(shape="gaussian", width=5e-4), Distribution(shape="gaussian", width=6e-3)
        beam = neutrons(
            source=source, aperture=1e-3, aperture_offset=-1.5e-3, coating=Coating(m=3.0), divergence=across
        )
    result = trace_focus(fitted(), beam=beam)
    found = _brute(result, state_covariance(fitted()), 40, 11)
    assert result.spot_stderr is not None
    assert result.balance_stderr is not None
    stated = asdict(result.spot_stderr) | asdict(result.balance_stderr)
    told = 0
    for name, values in found.items():
        if values.std() > 1e-12:
            agree(stated[name], values, nearly=0.25)
            told += 1
        else:
            assert stated[name] < 1e-7
    assert told >= (11 if kind == "neutron" else 9)
    assert result.to_dict()["spot"]["fwhm_stderr"] == result.spot_stderr.fwhm
    assert result.to_dict()["balance_stderr"]["gaps"] == result.balance_stderr.gaps


def test_what_does_not_depend_on_the_mirror_has_no_uncertainty() -> None:
    """One segment that the beam fills: all of it strikes, whatever the state, and reaches a plane without aperture."""
    surface = surface_of(count=1, length=2.0, gap=0.0)
    covariance = np.diag([1e-6, 1e-6, 1e-6, 1e-6, 1e-2, 1e-2, 1e-5]) ** 2
    result = trace_surface(surface, mirror_of(surface), x_rays(), possible=Possible.of_state(covariance))
    assert result.balance_stderr is not None
    assert_allclose(list(asdict(result.balance_stderr).values()), 0.0, atol=1e-12)
    text = str(result)
    assert "100.00 %\n" in text
    assert "known better than to its last digit" in text


def test_raised_edges_open_a_gap_by_the_angle_that_they_take() -> None:
    """A gap under a grazing angle g opens by dz / (g gap) of itself when its far edge rises: its end face takes that.

    To first order, and within the gap over the distance to the source and the mirror's bend; and as cells tell it.
    """
    surface, beam = surface_of(count=2, length=2.0, gap=5e-3), x_rays(divergence=Distribution(width=8e-3))
    layout = bench(beam, surface.nominal, None)
    rise = np.array([0.0, 1e-6, -3e-6])
    x = np.array([[piece.start, piece.end] for piece in surface.pieces])
    z = surface.nominal.height(x)
    raised = z[:, :, None] + np.array([[[0.0]], [[1.0]]]) * rise
    found = struck((x[:, 0], raised[:, 0]), (x[:, 1], raised[:, 1]), beam, layout)
    falls = np.arctan2(layout.source[1] - z[1, 0], x[1, 0] - layout.source[0])
    grazing = falls + float(surface.nominal.slope(x[1:, 0])[0])
    opened = found.gaps / found.gaps[0] - 1
    assert_allclose(opened[1:], rise[1:] / (grazing * 5e-3), rtol=5e-3)
    assert_allclose(found.pieces.sum(axis=0) + found.gaps + found.past, 1.0, atol=1e-12)
    moved = replace(surface, pieces=(surface.pieces[0], replace(surface.pieces[1], height=1e-6)))
    assert_allclose(unused(cut(moved, layout, 1000), beam, layout), (found.gaps[1], found.past[1]), rtol=1e-9)


def test_light_that_a_later_edge_cuts_off_is_as_unsure_as_that_edge() -> None:
    """A segment 250 um too high behind others: it cuts off light in proportion to how high it stands. Traced anew."""
    heights = np.array([0.0, 0.0, 2.5e-4])
    surface = surface_of(count=3, length=1.5, heights=heights)
    covariance = np.zeros((11, 11))
    covariance[2, 2] = (5e-6) ** 2
    result = trace_surface(surface, mirror_of(surface), x_rays(), possible=Possible.of_state(covariance), rays=20_000)
    assert result.balance.cut_off > 1e-3
    assert result.balance_stderr is not None
    found = _brute(result, covariance, 40, 2)
    for name in ("cut_off", "into_aperture"):
        agree(getattr(result.balance_stderr, name), found[name], nearly=0.05)
    assert "stopped by a later edge" in str(result)


def test_rolls_that_are_unsure_make_the_sideways_spot_unsure() -> None:
    """Rolls and twists drawn anew and traced, 24 times; chi squared."""
    rng = np.random.default_rng(8)
    surface = surface_of(count=4, length=2.0)
    roll, twist = rng.normal(0, 50e-6, 4), rng.normal(0, 50e-6, 4)
    rolled = replace(
        surface,
        pieces=tuple(
            replace(piece, roll=float(a), twist=float(b))
            for piece, a, b in zip(surface.pieces, roll, twist, strict=True)
        ),
    )
    beam = x_rays(height=0.002)
    rolls = tuple(Roll(float(a), float(b), 5e-6, 20e-6) for a, b in zip(roll, twist, strict=True))
    result = trace_surface(
        rolled, mirror_of(surface), beam, rays=20_000, rolls=rolls, possible=Possible.of_state(np.zeros((13, 13)))
    )
    side = result.side
    assert side is not None
    assert side.centroid_stderr is not None
    assert side.rms_stderr is not None
    centroids, widths = [], []
    for draw in rng.normal(0, [[[5e-6], [20e-6]]], (24, 2, 4)):
        pieces = tuple(
            replace(piece, roll=piece.roll + float(a), twist=piece.twist + float(b))
            for piece, a, b in zip(rolled.pieces, *draw, strict=True)
        )
        again = _traced(replace(rolled, pieces=pieces), beam, bench(beam, surface.nominal, None), 20_000)[2]
        assert again is not None
        centroids.append(again.centroid)
        widths.append(again.rms)
    agree(side.centroid_stderr, np.array(centroids))
    agree(side.rms_stderr, np.array(widths), nearly=0.1)
    assert result.to_dict()["side"]["centroid_stderr"] == side.centroid_stderr


def test_what_could_be_done_is_as_sure_as_the_mirror_is_known() -> None:
    """Each choice made on mirrors drawn anew and traced by rays, 40 times; chi squared."""
    beam = x_rays(source=Distribution(width=2e-4), aperture=6e-4)
    fit = fitted()
    result = trace_focus(fit, beam=beam)
    choice = next(item for item in result.choices if item.name == "both")
    assert choice.throughput_stderr is not None
    assert choice.rms_stderr is not None
    base = result.surface.realigned().moved(choice.carrier_height, choice.carrier_tilt)
    again = [
        ray_numbers(perturbed(base, draw), result.mirror, beam, rays=20_000)
        for draw in plain_draws(state_covariance(fit), 40, 4)
    ]
    agree(choice.rms_stderr, np.array([one.spot.rms for one in again]), nearly=0.25)
    assert "± " in str(result).split("What could be done")[1].split("both")[1].split("um")[0]
    assert result.to_dict()["what_if"][0]["rms_stderr"] > 0
    assert trace_surface(base, result.mirror, beam).choices[0].throughput_stderr is None


@pytest.mark.parametrize("coherence", ["full", "source"])
def test_waves_of_drawn_mirrors_scatter_as_is_stated(coherence: Coherence) -> None:
    """The wave summed anew over each drawn mirror, with the same draws: no luck is left.

    What is not the same: their grid of the plane is not shifted along with the line (12 points a width, whose peak is
    read off a parabola: 1e-4), and of a source only as many points are used as its light can tell: 3 %.
    """
    ellipse = Ellipse(42.0, 0.6, 3e-3)
    surface = surface_of(ellipse, count=2, length=0.36, gap=1e-3, pose_tilt=2e-8)
    source = Distribution(shape="gaussian", width=2e-5 if coherence == "source" else 0.0)
    beam = x_rays(source=source, coherence=coherence)
    covariance = np.diag([2e-9, 2e-9, 2e-8, 2e-8, 0.0, 5e-8, 0.0, 5e-5, 1e-8]) ** 2
    drawn, layout = Possible.of_state(covariance).drawn(24), bench(beam, ellipse, None)
    line = line_spread(surface, beam, layout, centre=0.0, width=4e-7, drawn=drawn)
    assert line is not None
    assert line.stderr is not None
    again = [line_spread(perturbed(surface, draw), beam, layout, centre=0.0, width=4e-7) for draw in drawn.state.T]
    for name, stated in asdict(line.stderr).items():
        assert_allclose(stated, np.std([getattr(one, name) for one in again]), rtol=0.03)
    assert line.stderr.strehl > 1e-3
    assert line_spread(surface, beam, layout, centre=0.0, width=4e-7).stderr is None  # type: ignore[union-attr]  # of X-rays there is one


def test_strehl_ratios_scatter_as_marechals_estimate_where_errors_are_small() -> None:
    """exp(-phi**2) (A. Marechal; V. N. Mahajan, J. Opt. Soc. Am. 72, 1982, 1258, from memory): to phi**4, 1 % here.

    A step a of the phase between two even halves has a variance of a**2 / 4, of which 3/4 is a tilt; so phi = |a| / 4
    with a = 2 k sin(theta) h.
    """
    ellipse = Ellipse(300.0, 20.0, 3e-3)
    surface, beam = surface_of(ellipse, count=2, length=20e-3, gap=1e-9), x_rays()
    size, layout = 1e-9, bench(beam, ellipse, None)
    covariance = np.zeros((9, 9))
    covariance[1, 1] = size**2
    line = line_spread(surface, beam, layout, centre=0.0, width=0.0, drawn=Possible.of_state(covariance).drawn(100))
    assert line is not None
    assert line.stderr is not None
    assert_allclose(line.stderr.strehl, line.stderr.marechal, rtol=0.03)
    # phi has no sign: mean square is mean squared plus variance, of which the half-normal has 1 - 2 / pi
    step = 4 * np.pi * np.sin(ellipse.theta) * size / 1e-10
    assert_allclose(line.stderr.phase_rms, step / 4 * np.sqrt(1 - 2 / np.pi), rtol=0.35)  # 50 draws tell it to 8 %


def test_the_table_of_diffraction_says_how_sure_it_is() -> None:
    surface = surface_of(Ellipse(42.0, 0.6, 3e-3), count=1, length=0.36, gap=0.0)
    covariance = np.diag([0.0, 0.0, 0.0, 2e-8, 0.0, 2e-5, 0.0]) ** 2
    result = trace_surface(surface, mirror_of(surface), x_rays(), possible=Possible.of_state(covariance), rays=20_000)
    answer = result.to_dict()
    assert answer["strehl_stderr"] == answer["diffraction"]["strehl_stderr"] > 0
    assert {f"{name}_stderr" for name in ("fwhm", "strehl", "marechal", "phase_rms")} < set(answer["diffraction"])
    table = str(result).split("Diffraction")[1].split("Where the beam goes")[0]
    assert table.count("±") == 5  # four numbers and the note; the perfect mirror is known
    bare = trace_surface(surface, mirror_of(surface), x_rays(), rays=20_000)
    assert bare.to_dict()["strehl_stderr"] is None
    assert "±" not in str(bare)


def test_marechals_estimate_of_large_errors_has_no_digits() -> None:
    """A step of 1 nm between two halves is a phase error of 0.09 rad rms, one of 100 nm of 9 rad."""
    for size, large in ((1e-9, False), (1e-7, True)):
        surface = surface_of(Ellipse(300.0, 20.0, 3e-3), count=2, length=20e-3, gap=1e-9, heights=np.array([0.0, size]))
        covariance = np.diag([0.0, 1e-10, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]) ** 2
        result = trace_surface(
            surface, mirror_of(surface), x_rays(), possible=Possible.of_state(covariance), rays=20_000
        )
        assert ("below 0.01: errors are too large for it" in str(result)) == large
