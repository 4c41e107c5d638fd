"""Rays at the focus: exact, complete, and equal to what is known of them from outside."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import mpmath
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import solve_ivp
from scipy.special import ndtri
from scipy.stats import qmc

from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.focus import Beam, Distribution, Surface, trace_surface
from ellipsefit.focus.beam import FREE_FALL, H_OVER_M
from ellipsefit.focus.geometry import bench
from ellipsefit.focus.rays import Rays, unused
from ellipsefit.focus.solid import trace_solid
from ellipsefit.focus.spot import best_focus, spot_of, through
from tests.focus_cases import (
    ANGSTROM,
    R1,
    mirror_of,
    neutrons,
    plain_rays,
    plain_trace,
    rays_of,
    spans,
    surface_of,
    wavy,
    x_rays,
)

N1 = Ellipse(20.0, 10.0, 12e-3)


@pytest.mark.parametrize("ellipse", [R1, Ellipse(42.0, 0.6, 3e-3), Ellipse(8.0, 8.0, 22e-3)])
def test_a_perfect_mirror_images_a_point_to_a_point(ellipse: Ellipse) -> None:
    """Definition of the ellipse: within 1e-12 m over a million rays."""
    length = 0.36 if ellipse.q < 1 else 4.5
    _, rays = rays_of(surface_of(ellipse, count=9, length=length, gap=2e-3), x_rays(), cells=1_000_000)
    assert rays.across.size >= 1_000_000
    assert np.abs(rays.across).max() < 1e-12


def test_rays_agree_with_fifty_digits_on_a_misaligned_figured_mirror() -> None:
    """Oracle: the ellipse as the root of r1 + r2 = p + q, cubic figure, each ray followed, with 50 digits."""
    rng = np.random.default_rng(5)
    figures = tuple(
        wavy(a, b, 60e-9 * rng.uniform(0.5, 1.5), rng.uniform(0.04, 0.2), rng.uniform(0, 6), knots=40)
        for a, b in spans(18, 9.0, 5e-3)
    )
    surface = surface_of(
        Ellipse(12.01, 7.99, 20.02e-3),
        nominal=R1,
        heights=rng.normal(0, 5e-6, 18),
        tilts=rng.normal(0, 20e-6, 18),
        figures=figures,
        pose_height=2e-4,
        pose_tilt=1e-4,
    )
    beam = x_rays(source=Distribution(width=2e-3), source_across=1e-4, source_along=0.02, plane=0.03)
    cells, rays = rays_of(surface, beam, cells=500, per_cell=2)
    chosen = rng.choice(rays.across.size, 1000, replace=False)
    worst = 0.0
    for index in chosen:
        row, column = divmod(int(index), 2)
        shift = (row * 0.7548776662466927 + 0.5) % 1.0
        s = 2e-3 * ((column + shift) / 2 - 0.5)
        exact = _followed(surface, beam, int(cells.piece[row]), float(cells.x[row]), float(cells.z[row]), s)
        worst = max(worst, float(abs(exact - mpmath.mpf(float(rays.across[row, column])))))
    assert worst < 1e-12


def _followed(surface: Surface, beam: Beam, piece: int, x: float, z: float, s: float) -> Any:
    """Place across the chief ray of a ray that leaves the source towards (x, z)."""
    with mpmath.workdps(50):
        mp = mpmath.mpf
        nominal, ellipse, mine = surface.nominal, surface.ellipse, surface.pieces[piece]
        c, d = mpmath.cos(mp(nominal.theta)), mpmath.sin(mp(nominal.theta))
        p0, q0 = mp(nominal.p), mp(nominal.q)
        source = (
            -p0 * c + mp(beam.source_along) * c + (mp(beam.source_across) + mp(s)) * d,
            p0 * d - mp(beam.source_along) * d + (mp(beam.source_across) + mp(s)) * c,
        )
        figure = mine.figure
        assert figure is not None
        cell = int(np.clip(np.searchsorted(figure.x, x) - 1, 0, len(figure.x) - 2))
        a, b = (mp(float(v)) for v in figure.x[cell : cell + 2])
        za, zb = (mp(float(v)) for v in figure.height[cell : cell + 2])
        ma, mb = (mp(float(v)) for v in figure.slope[cell : cell + 2])
        p, q, theta = mp(ellipse.p), mp(ellipse.q), mp(ellipse.theta)

        def height(at: Any) -> Any:
            t = (at - a) / (b - a)
            own = (
                (2 * t**3 - 3 * t**2 + 1) * za
                + (t**3 - 2 * t**2 + t) * (b - a) * ma
                + (3 * t**2 - 2 * t**3) * zb
                + (t**3 - t**2) * (b - a) * mb
            )
            # r1 = p + x cos - k z, r1**2 = (x + p cos)**2 + (z - p sin)**2: a quadratic for z
            k = mpmath.sin(theta) * (p - q) / (p + q)
            e = 2 * p * q * mpmath.sin(theta) / (p + q) - k * mpmath.cos(theta) * at
            root = mpmath.sqrt(e**2 - (1 - k**2) * mpmath.sin(theta) ** 2 * at**2)
            ideal = mpmath.sin(theta) ** 2 * at**2 / (e + root)
            pose = mp(surface.pose_height) + mp(surface.pose_tilt) * at
            return ideal + pose + mp(mine.height) + mp(mine.tilt) * (at - (mp(mine.start) + mp(mine.end)) / 2) + own

        rise = (mp(z) - source[1]) / (mp(x) - source[0])
        hit = mpmath.findroot(lambda at: height(at) - source[1] - rise * (at - source[0]), mp(x) + mp("1e-6"))
        slope = mpmath.diff(height, hit)
        size = mpmath.sqrt(1 + slope**2)
        nx, nz = -slope / size, 1 / size
        into = nx + rise * nz
        vx, vz = 1 - 2 * into * nx, rise - 2 * into * nz
        rx, rz = hit - q0 * c, height(hit) - q0 * d
        far = (mp(beam.plane) - (rx * c + rz * d)) / (vx * c + vz * d)
        return -rx * d + rz * c + far * (-vx * d + vz * c)


def test_a_tilted_mirror_shifts_its_image_as_fifty_digits_say() -> None:
    """Exact ray trace with 50 digits of p 20, q 10, 12 mrad turned by 1 urad about the pole: 28.709, 20 and 14.490 um.

    Here the tilt is added to the heights and not a rotation; that differs by z'**2 + z z'' < 1e-4.
    """
    surface = surface_of(N1, count=1, length=9.0, gap=0.0, pose_tilt=1e-6)
    cells, rays = rays_of(surface, x_rays(), cells=9000)
    for x, shift in ((-4.5, 28.7090440102e-6), (0.0, 20.0e-6), (4.5, 14.4902862442e-6)):
        found = np.interp(x, cells.x, rays.across[:, 0])
        # the outermost cell's middle is 0.5 mm from the end, where the shift changes by 1e-4 of itself
        assert_allclose(found, shift, rtol=2e-4)


@pytest.mark.parametrize(
    ("tilt", "rms", "inside"), [(10e-6, 176e-6, 0.481), (5e-6, 88e-6, 0.771), (1e-6, 17.7e-6, 1.0)]
)
def test_tilted_segments_blur_as_computed_elsewhere(tilt: float, rms: float, inside: float) -> None:
    """An independent computation: rms about the image focus and share within 100 um, within 3 %.

    256 mirrors drawn evenly in 18 dimensions (Sobol'), so that chance is below 1 %.
    """
    draws = ndtri(qmc.Sobol(18, rng=3).random(256)) * tilt
    beam = x_rays(aperture=200e-6)
    squares, shares = [], []
    for tilts in draws:
        _, rays = rays_of(surface_of(tilts=tilts), beam, cells=72)
        weight = rays.weight / rays.weight.sum()
        squares.append(float((weight * rays.across**2).sum()))
        shares.append(through(rays, beam) / float(rays.weight.sum()))
    assert_allclose(np.sqrt(np.mean(squares)), rms, rtol=0.03)
    assert_allclose(np.mean(shares), inside, rtol=0.03)


def test_carrier_pitch_and_height_move_and_blur_the_image() -> None:
    """An independent computation: 10 urad move the image by 179 um and leave 51 um, 6.4 mm off focus and 19 um there;
    100 um of height move it by 17 um and leave 42 um, 5.3 mm off focus and 16 um there (rounded as stated)."""
    for pose, moved, blur, along, rest in (
        ((0.0, 10e-6), 179e-6, 51e-6, 6.4e-3, 19e-6),
        ((100e-6, 0.0), 17e-6, 42e-6, -5.3e-3, 16e-6),
    ):
        beam = x_rays()
        _, rays = rays_of(surface_of(pose_height=pose[0], pose_tilt=pose[1]), beam, cells=20_000)
        spot, best = spot_of(rays, beam), best_focus(rays, beam)
        assert_allclose(abs(spot.centroid_across), moved, atol=0.6e-6)
        assert_allclose(spot.rms, blur, atol=0.5e-6)
        assert_allclose(best.along, along, atol=0.05e-3)
        assert_allclose(best.rms, rest, atol=0.5e-6)


@pytest.mark.parametrize("change", [0.05, -0.02, 1.0])
def test_off_design_a_short_mirror_obeys_coddington(change: float) -> None:
    """1/p + 1/q = 2/(R sin(theta)), Coddington's tangential equation; next order L/q = 1e-4 times the change."""
    surface = surface_of(N1, count=1, length=1e-3, gap=0.0)
    beam = x_rays(source_along=-change)
    _, rays = rays_of(surface, beam, cells=2000)
    q = 1 / (2 / (N1.pole_radius * np.sin(N1.theta)) - 1 / (N1.p + change))
    assert_allclose(best_focus(rays, beam).along, q - N1.q, rtol=1e-3)


def test_a_sinusoidal_slope_error_spreads_light_by_the_arcsine_law() -> None:
    """P(|y| < a sin(pi u / 2)) = u with a = 2 q A: arcsine distribution. The lever varies by L/q = 0.2 %.

    The slope is a ten-thousandth of the grazing angle, so that slopes that face the light get hardly more of it.
    """
    amplitude, period, length = 2e-11, 1e-4, 0.02
    surface = surface_of(
        N1, count=1, length=length, gap=0.0, figures=(wavy(-0.01, 0.01, amplitude, period, knots=20_001),)
    )
    beam = x_rays()
    _, rays = rays_of(surface, beam, cells=100_000)
    spot, reach = spot_of(rays, beam), 2 * N1.q * amplitude * 2 * np.pi / period
    assert_allclose(spot.width_50, 2 * reach * np.sin(np.pi / 4), rtol=3e-3)
    assert_allclose(spot.width_90, 2 * reach * np.sin(0.45 * np.pi), rtol=3e-3)
    assert_allclose(spot.rms, reach / np.sqrt(2), rtol=3e-3)


def test_measures_of_a_uniform_and_a_gaussian_source_are_theirs() -> None:
    """Widths of the rectangle and of the Gaussian, times the magnification q/p of a short mirror.

    Oracles: closed forms. A detector's pixel (1/40 of the 90 % width) widens the Gaussian by 2e-4; magnification
    varies along the mirror by L/q = 1e-4.
    """
    surface = surface_of(N1, count=1, length=1e-3, gap=0.0)
    image = 10.0 / 20.0
    rectangle = x_rays(source=Distribution(width=1e-4))
    _, rays = rays_of(surface, rectangle, cells=20_000, per_cell=16)
    spot = spot_of(rays, rectangle)
    assert_allclose(spot.fwhm, 1e-4 * image, rtol=2e-3)
    assert_allclose([spot.width_50, spot.width_90], [0.5e-4 * image, 0.9e-4 * image], rtol=2e-3)
    assert_allclose(spot.rms, 1e-4 * image / np.sqrt(12), rtol=1e-3)
    bell = x_rays(source=Distribution(shape="gaussian", width=1e-4))
    _, rays = rays_of(surface, bell, cells=20_000, per_cell=16)
    spot = spot_of(rays, bell)
    sigma = 1e-4 * image / 2.3548200450309493
    assert_allclose(spot.fwhm, 1e-4 * image, rtol=5e-3)
    assert_allclose([spot.width_50, spot.width_90], [2 * 0.6744897502 * sigma, 2 * 1.644853627 * sigma], rtol=2e-3)
    assert_allclose(spot.rms, sigma, rtol=1e-3)


def test_a_given_source_distribution_is_imaged() -> None:
    """A triangle about 0.3 mm: mean and variance in closed form; upside down by the focus, and by reflection again."""
    source = Distribution(places=(0.2e-3, 0.3e-3, 0.4e-3), weights=(0.0, 1.0, 0.0))
    assert_allclose([source.mean, source.std], [0.3e-3, 1e-4 / np.sqrt(6)], rtol=1e-12)
    surface = surface_of(N1, count=1, length=1e-3, gap=0.0)
    beam = x_rays(source=source)
    _, rays = rays_of(surface, beam, cells=20_000, per_cell=16)
    spot = spot_of(rays, beam)
    assert_allclose(spot.centroid_across, 0.15e-3, rtol=2e-3)
    assert_allclose(spot.rms, 0.5e-4 / np.sqrt(6), rtol=2e-3)


def test_spot_measures_hardly_depend_on_the_number_of_rays() -> None:
    """200 000 rays against two million, within 0.5 %; the campaign of ten million stands with the benchmarks."""
    rng = np.random.default_rng(4)
    figures = tuple(wavy(a, b, 80e-9, 0.13, rng.uniform(0, 6)) for a, b in spans(18, 9.0, 5e-3))
    surface = surface_of(tilts=rng.normal(0, 10e-6, 18), heights=rng.normal(0, 5e-6, 18), figures=figures)
    beam = x_rays(source=Distribution(width=3e-4), aperture=3e-4)
    (_, few), (_, many) = (rays_of(surface, beam, cells=n, per_cell=16) for n in (12_500, 125_000))
    for measure in ("rms", "fwhm", "width_50", "width_90"):
        assert_allclose(getattr(spot_of(few, beam), measure), getattr(spot_of(many, beam), measure), rtol=5e-3)
    assert_allclose(through(few, beam), through(many, beam), atol=1e-3)


@pytest.mark.parametrize(
    ("height", "tilt", "size", "gap"),
    [(5e-6, 10e-6, 0.0, 5e-3), (150e-6, 20e-6, 3e-4, 2e-3), (400e-6, 5e-6, 1e-3, 5e-3)],
)
def test_throughput_is_that_of_plain_random_rays(height: float, tilt: float, size: float, gap: float) -> None:
    """Brute force: 400 000 random rays by angle, each intersected with every segment, steps and front faces included.

    Standard error 0.08 %, so 0.5 % absolute is six of them. A step of 400 um shades 2 cm.
    """
    rng = np.random.default_rng(7)
    surface = surface_of(heights=rng.normal(0, height, 18), tilts=rng.normal(0, tilt, 18), gap=gap)
    beam = x_rays(source=Distribution(width=size), aperture=3e-4, aperture_offset=5e-5)
    plain = plain_trace(surface, beam, *plain_rays(surface, beam, 400_000, rng))
    passed = np.abs(plain.across - beam.aperture_offset) <= 1.5e-4
    _, rays = rays_of(surface, beam, cells=20_000, per_cell=8)
    assert_allclose(through(rays, beam), np.mean(passed), atol=4e-3)
    assert_allclose(rays.weight.sum(), plain.arrives.mean(), atol=3e-3)
    spot = spot_of(rays, beam)
    assert_allclose(spot.rms, np.nanstd(plain.across), rtol=6e-3)


@pytest.mark.parametrize("divergence", [None, Distribution(width=8e-3), Distribution(shape="gaussian", width=20e-3)])
@pytest.mark.parametrize("kind", ["x-ray", "neutron", "falling"])
def test_the_balance_of_the_beam_closes(divergence: Distribution | None, kind: str) -> None:
    """What strikes the surface, by its cells, and what does not, by its edges alone, sum to one within 1e-6."""
    rng = np.random.default_rng(9)
    surface = surface_of(heights=rng.normal(0, 100e-6, 18), tilts=rng.normal(0, 10e-6, 18), coating_m=3.0)
    source = Distribution(width=5e-4)
    beam = x_rays(source=source, divergence=divergence)
    if kind != "x-ray":
        beam = neutrons(source=source, divergence=divergence, gravity=kind == "falling")
    cells, rays = rays_of(surface, beam, cells=20_000, per_cell=16, deflection="up")
    rest = unused(cells, beam, bench(beam, surface.nominal, "up"))
    assert_allclose(rays.struck.sum() + rest.gaps + rest.past, 1.0, atol=1e-6)
    assert rays.weight.sum() < rays.struck.sum() if kind != "x-ray" else True
    result = trace_surface(surface, mirror_of(surface, deflection="up"), beam)
    assert_allclose(result.balance.total, 1.0, atol=1e-6)


def test_neutrons_fly_the_parabola_that_integration_gives() -> None:
    """Oracle: scipy's solve_ivp of free fall from the source, at the wavelength's speed h / (m lambda)."""
    surface = surface_of(N1, count=1, length=6.0, gap=0.0)
    beam = neutrons(8.0, 8.0)
    layout = bench(beam, N1, "up")
    cells, rays = rays_of(surface, beam, cells=40, deflection="up")
    speed = H_OVER_M / (8 * ANGSTROM)
    for row in (0, 17, 39):
        x, z, m = (float(values[row]) for values in (cells.x, cells.z, cells.slope))
        dx, dz = x - layout.source[0], z - layout.source[1]
        # launch angle by Newton's method on where the parabola is at x
        angle = np.arctan2(dz, dx)
        for _ in range(20):
            t = dx / (speed * np.cos(angle))
            angle -= (speed * np.sin(angle) * t - FREE_FALL * t**2 / 2 - dz) / dx
        start = [*layout.source, speed * np.cos(angle), speed * np.sin(angle)]

        def fall(_: float, state: FloatArray) -> list[float]:
            return [state[2], state[3], 0.0, -FREE_FALL]

        to_mirror = solve_ivp(fall, (0, dx / start[2]), start, rtol=1e-12, atol=1e-14).y[:, -1]
        assert_allclose(to_mirror[:2], [x, z], atol=1e-9)
        normal = np.array([-m, 1.0]) / np.hypot(m, 1.0)
        arriving = to_mirror[2:]
        leaving = arriving - 2 * (arriving @ normal) * normal

        def at_plane(_: float, state: FloatArray) -> float:
            return float((state[:2] - layout.image) @ layout.along)

        at_plane.terminal = True  # type: ignore[attr-defined]  # as scipy's solver asks
        flown = solve_ivp(fall, (0, 1.0), [x, z, *leaving], events=at_plane, rtol=1e-12, atol=1e-14)
        assert flown.y_events is not None
        end = flown.y_events[0][0][:2] - layout.image
        assert_allclose(rays.across[row, 0], end @ layout.across, atol=1e-9)


@pytest.mark.parametrize(
    ("wave", "p", "q", "drop"), [(4.0, 12.0, 8.0, 2.0051673370768e-3), (10.0, 6.0, 4.0, 3.1330739641825e-3)]
)
def test_droop_is_free_fall_at_de_broglies_speed(wave: float, p: float, q: float, drop: float) -> None:
    """g/2 (L lambda / 3956.034 angstrom m/s)**2 with CODATA 2022 and g = 9.80665 m/s**2; 1e-8 between editions."""
    surface = surface_of(Ellipse(p, q, 20e-3), count=4, length=2.0, gap=2e-3)
    result = trace_surface(surface, mirror_of(surface, deflection="up"), neutrons(wave, wave))
    assert result.droop is not None
    assert_allclose(result.droop, [drop, drop], rtol=3e-8)
    assert_allclose(H_OVER_M, 3956.0340e-10, rtol=1e-8)


def test_gravity_moves_the_image_by_what_both_ways_make() -> None:
    """A short mirror sees light come in steeper by g t1 / (2 v), sends it up by as much, and it falls again.

    Closed form of two parabolas joined by a reflection: g t2 (t1 - t2) / 2, towards -g where q > p; nothing for a
    mirror that deflects sideways. Next order: the square of the mirror's length over q, 2e-4.
    """
    surface = surface_of(count=1, length=0.1, gap=0.0)
    for deflection, sign in (("up", 1.0), ("down", -1.0), ("left", 0.0)):
        for wave in (2.0, 4.0):
            beam = neutrons(wave, wave)
            _, rays = rays_of(surface, beam, cells=400, deflection=deflection)
            first, second = (length * wave * ANGSTROM / H_OVER_M for length in (R1.p, R1.q))
            expected = sign * FREE_FALL * second * (first - second) / 2
            assert_allclose(spot_of(rays, beam).centroid_across, expected, rtol=3e-3, atol=1e-12)


def test_best_focus_is_where_the_spot_is_smallest() -> None:
    """Against the spots in planes about it, each traced for itself."""
    rng = np.random.default_rng(2)
    surface = surface_of(tilts=rng.normal(0, 10e-6, 18), pose_tilt=2e-5)
    beam = x_rays(source=Distribution(width=1e-4))
    _, rays = rays_of(surface, beam, cells=5000, per_cell=8)
    best = best_focus(rays, beam)
    sizes = []
    for along in np.array([-2e-3, 0.0, 2e-3]) + best.along:
        moved = x_rays(source=beam.source, plane=float(along))
        _, there = rays_of(surface, moved, cells=5000, per_cell=8)
        sizes.append(spot_of(there, moved).rms)
        if along == best.along:
            assert_allclose(spot_of(there, moved).rms, best.rms, rtol=1e-9)
            assert_allclose(spot_of(there, moved).centroid_across, best.across, rtol=1e-9)
    assert sizes[1] < min(sizes[0], sizes[2])


def test_roll_sends_light_sideways_by_the_law_of_reflection() -> None:
    """A mirror rolled by rho turns the beam by 2 rho sin(gamma) sideways (small rolls: next order rho**2)."""
    flat = surface_of(N1, count=1, length=1e-2, gap=0.0)
    rho, q = 1e-4, N1.q
    rolled = replace(flat, pieces=tuple(replace(piece, roll=rho) for piece in flat.pieces))
    result = trace_surface(rolled, mirror_of(rolled), x_rays())
    assert result.side is not None
    assert_allclose(result.side.centroid, -2 * rho * np.sin(N1.theta) * q, rtol=2e-3)
    assert result.spot.rms < 1e-9


def test_twist_blurs_a_tall_beam() -> None:
    """kappa y is a tilt: image shift 2 q kappa y, uniform over the beam's height b: rms 2 q kappa b / sqrt(12)."""
    flat = surface_of(N1, count=1, length=1e-2, gap=0.0)
    kappa, height = 1e-4, 0.02
    twisted = replace(flat, pieces=tuple(replace(piece, twist=kappa) for piece in flat.pieces))
    result = trace_surface(twisted, mirror_of(twisted), x_rays(height=height))
    assert_allclose(result.spot.rms, 2 * N1.q * kappa * height / np.sqrt(12), rtol=5e-3)


def test_in_three_dimensions_a_cylinder_without_roll_is_the_plane_of_incidence() -> None:
    """Rays that meet a cylinder off the middle land where the others do, for the sideways part is untouched."""
    rng = np.random.default_rng(1)
    surface = surface_of(tilts=rng.normal(0, 10e-6, 18))
    beam = x_rays()
    cells, rays = rays_of(surface, beam, cells=2000)
    solid = trace_solid(cells, surface, beam, bench(beam, R1, None), np.zeros((len(cells.x), 1)), 1)
    assert_allclose(solid.across, rays.across, atol=1e-14)


def test_rays_arrive_from_both_ends_of_every_segment() -> None:
    """Cells fill each span from edge to edge, and nothing of a gap."""
    cells, rays = rays_of(surface_of(), x_rays(), cells=1000)
    assert isinstance(rays, Rays)
    for number, (start, end) in enumerate(spans(18, 9.0, 5e-3)):
        mine = cells.piece == number
        assert cells.x0[mine][0] == pytest.approx(start, abs=1e-15)
        assert cells.x1[mine][-1] == pytest.approx(end, abs=1e-15)
        assert_allclose(cells.x1[mine][:-1], cells.x0[mine][1:], rtol=0, atol=0)
