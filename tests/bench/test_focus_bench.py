"""Speed of the focus, against rays traced the plain way in the same run."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

import ellipsefit as ef
from ellipsefit.focus import Coating, Distribution, Surface, trace_focus
from ellipsefit.focus.spot import spot_of, through
from tests.bench.ratios import Report, spent
from tests.focus_cases import neutrons, plain_rays, plain_trace, rays_of, spans, surface_of, wavy, x_rays

pytestmark = pytest.mark.bench

TEN_MILLION = 10_000_000


def figured() -> Surface:
    rng = np.random.default_rng(4)
    figures = tuple(wavy(a, b, 80e-9, 0.13, rng.uniform(0, 6)) for a, b in spans(18, 9.0, 5e-3))
    return surface_of(tilts=rng.normal(0, 10e-6, 18), heights=rng.normal(0, 5e-6, 18), figures=figures)


@pytest.mark.quick
def test_ten_million_rays_ten_times_faster_than_plain(report: Report) -> None:
    """Plain: rays by angle, intersected with every segment by Newton's method, in chunks of 500 000."""
    surface = figured()
    beam = x_rays(source=Distribution(width=3e-4), aperture=3e-4)
    rng = np.random.default_rng(1)
    share = 500_000
    s, angle = plain_rays(surface, beam, share, rng)
    plain = 20 * spent(lambda: plain_trace(surface, beam, s, angle))
    ours = spent(lambda: rays_of(surface, beam, cells=TEN_MILLION // 64, per_cell=64))
    report("10^7 rays traced", "numpy, rays by angle, Newton's method on every segment", ours, plain, 10)


def test_spot_measures_of_ten_million_rays_in_less_than_a_third_of_a_second() -> None:
    """200 000 rays that fill cells and source evenly: within 0.5 % of 10^7 rays, in 0.3 s with all else of a spot."""
    surface = figured()
    beam = x_rays(source=Distribution(width=3e-4), aperture=3e-4)
    _, many = rays_of(surface, beam, cells=TEN_MILLION // 64, per_cell=64)
    full, whole = spot_of(many, beam), through(many, beam)
    del many

    def quick() -> tuple[object, float]:
        _, rays = rays_of(surface, beam, cells=12_500, per_cell=16)
        return spot_of(rays, beam), through(rays, beam)

    spot, passed = quick()
    for name in ("rms", "fwhm", "width_50", "width_90"):
        error = getattr(spot, name) / getattr(full, name) - 1
        print(f"{name}: {error:+.2e} of that of 10^7 rays")
        assert_allclose(getattr(spot, name), getattr(full, name), rtol=5e-3)
    assert_allclose(passed, whole, atol=5e-3)
    cpu = spent(quick)
    print(f"spot of 200 000 rays: {cpu:.3f} s of processor time; throughput {passed - whole:+.1e}")
    assert cpu < 0.3


def test_the_whole_answer_in_less_than_a_second() -> None:
    """Spot, losses with uncertainty, what-ifs of a mirror of 14 segments; neutrons that fall, a band, a coating."""
    mirror, profile, _ = ef.demo_mirror()
    fit = ef.fit_ellipse(profile, mirror)
    beam = neutrons(3, 6, source=Distribution(width=1e-3), aperture=2e-3, coating=Coating(m=4.0))
    trace_focus(fit, mirror, beam)
    cpu = spent(lambda: trace_focus(fit, mirror, beam))
    print(f"whole answer: {cpu:.2f} s of processor time")
    assert cpu < 1.0
