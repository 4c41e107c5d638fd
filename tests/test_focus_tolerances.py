"""Tolerances at the focus: budgets that exact rays confirm, and campaigns that do not depend on who runs them."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context

import numpy as np
import pytest
from numpy.testing import assert_allclose

from ellipsefit.errors import ParameterError
from ellipsefit.focus import Beam, Distribution, Tolerances, allocate_tolerances, simulate, verify
from ellipsefit.focus.campaign import Outcome, Spreads
from ellipsefit.focus.geometry import bench
from ellipsefit.focus.model import Model
from tests.focus_cases import R1, mirror_of, neutrons, surface_of, x_rays

MIRROR = mirror_of(surface_of())


def budget_of(beam: Beam, budget: float) -> Tolerances:
    return allocate_tolerances(MIRROR, beam, budget)


@pytest.mark.parametrize(
    ("beam", "budget"),
    [
        (x_rays(aperture=4e-4), 0.05),
        (x_rays(aperture=4e-4, source=Distribution(width=3e-4)), 0.02),
        (x_rays(aperture=1e-3, source=Distribution(shape="gaussian", width=3e-4)), 0.2),
    ],
)
def test_exact_rays_lose_what_the_budget_allows(beam: Beam, budget: float) -> None:
    """128 simulated mirrors: mean loss within three standard errors and 0.5 % of the beam."""
    found = verify(budget_of(beam, budget), draws=128, seed=3)
    assert_allclose(found.loss, budget, rtol=1e-4)
    assert found.verified is not None
    assert found.verified.agrees
    assert abs(found.verified.loss - budget) <= 3 * found.verified.stderr + 0.005


@pytest.mark.campaign
@pytest.mark.parametrize("budget", [0.01, 0.05, 0.2])
@pytest.mark.parametrize("width", [0.0, 3e-4])
def test_exact_rays_confirm_budgets_in_long_campaigns(budget: float, width: float) -> None:
    """10 000 mirrors each: the standard error is below 0.15 % of the beam."""
    with ProcessPoolExecutor(mp_context=get_context("spawn")) as pool:
        found = verify(
            budget_of(x_rays(aperture=4e-4, source=Distribution(width=width)), budget), draws=10_000, executor=pool
        )
    assert found.verified is not None
    print(found)  # noqa: T201  a campaign prints what it found
    assert abs(found.verified.loss - budget) <= 3 * found.verified.stderr + 0.005


def test_groups_blur_alike_and_floors_follow_from_the_source() -> None:
    """Each group adds the same variance: its allowance over its floor is the same for all.

    Closed form for the floor: light from a source of width w blurs by (q/p) w/sqrt(12); a tilt sigma adds 2 d sigma.
    """
    found = budget_of(x_rays(aperture=4e-4, source=Distribution(width=3e-4)), 0.05)
    by_name = {item.name: item for item in found.groups}
    ratios = [np.sqrt(np.mean(item.stderr**2)) / item.floor for item in found.groups if item.name != "segment tilt"]
    assert_allclose(ratios, ratios[0], rtol=1e-6)
    image = R1.foci[1]
    middles = np.array([segment.middle for segment in MIRROR.segments])
    lever = 2 * np.hypot(image[0] - middles, image[1] - R1.height(middles))
    tilts = by_name["segment tilt"].stderr
    assert_allclose(tilts * lever, tilts[0] * lever[0], rtol=5e-3)
    floor = by_name["segment tilt"].floor  # of the finest segment
    widened = np.hypot(found.perfect_rms, floor * lever.max()) / found.perfect_rms
    assert_allclose(widened, 1.05, atol=2e-3)
    point = budget_of(x_rays(aperture=4e-4), 0.05)
    assert max(item.floor for item in point.groups) < 1e-9
    assert "none" in str(point)


def test_a_larger_budget_allows_more_and_is_used_up() -> None:
    beam = x_rays(aperture=4e-4, source=Distribution(width=1e-4))
    small, large = budget_of(beam, 0.02), budget_of(beam, 0.1)
    for one, other in zip(small.groups, large.groups, strict=True):
        assert np.all(one.stderr < other.stderr)
    assert_allclose([small.loss, large.loss], [0.02, 0.1], rtol=1e-4)


def test_sensitivities_are_the_model_s_derivatives() -> None:
    """Rms over the light of where each freedom sends it; the carrier's by an independent computation on R1.

    10 urad of pitch: the image moves by 179 um and blurs by 51 um, so rms 186 um.
    """
    found = budget_of(x_rays(aperture=4e-4), 0.05)
    pitch = found.sensitivity[found.labels.index("carrier tilt")] * 10e-6
    assert_allclose(pitch, np.hypot(179e-6, 51e-6), rtol=5e-3)
    height = found.sensitivity[found.labels.index("carrier height")] * 100e-6
    assert_allclose(height, np.hypot(17e-6, 42e-6), rtol=2e-2)


def test_the_mean_over_a_gaussian_error_is_in_closed_form() -> None:
    """`mean_throughput` against a fine quadrature of `throughput` over the error, 4000 equal steps of probability."""
    surface = surface_of(tilts=np.linspace(-1e-5, 1e-5, 18))
    beam = x_rays(aperture=3e-4, source=Distribution(width=2e-4))
    model = Model.of(surface, beam, bench(beam, R1, None))
    active = frozenset(model.factors)
    share = (np.arange(4000) + 0.5) / 4000
    normal = Distribution(shape="gaussian", width=2.3548200450309493).quantile(share)
    spread = np.full(len(model.x), 80e-6)
    expected = model.throughput(active, spread[:, None] * normal).mean()
    assert_allclose(model.mean_throughput(model.landing(active), active, spread), expected, atol=2e-5)


def small_campaign(executor: object = None) -> tuple[Outcome, ...]:
    spreads = Spreads(height=np.full(18, 5e-6), tilt=np.full(18, 1e-5), carrier_tilt=2e-6)
    return simulate(surface_of(), x_rays(aperture=3e-4), spreads, draws=40, seed=5, executor=executor)  # type: ignore[arg-type]  # of any kind that has map


def test_a_campaign_is_the_same_on_one_worker_or_many() -> None:
    """The n-th mirror depends on the seed and n alone: bit for bit, for threads and processes."""
    alone = small_campaign()
    with ThreadPoolExecutor(7) as threads:
        assert small_campaign(threads) == alone
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as processes:
        assert small_campaign(processes) == alone
    assert len(set(alone)) == 40


@pytest.mark.filterwarnings("default")  # a cluster has warnings of its own
def test_a_campaign_is_the_same_on_a_cluster() -> None:
    """A Dask cluster of this machine, by its executor of the standard library's kind."""
    from distributed import Client, LocalCluster

    with (
        LocalCluster(  # type: ignore[no-untyped-call]  # dask gives it no types
            n_workers=2, threads_per_worker=2, processes=False, dashboard_address=None
        ) as cluster,
        Client(cluster) as client,  # type: ignore[no-untyped-call]  # dask gives it no types
        client.get_executor() as executor,
    ):
        assert small_campaign(executor) == small_campaign()


def test_bad_budgets_are_refused() -> None:
    with pytest.raises(ParameterError, match=r"^aperture: "):
        budget_of(x_rays(), 0.05)
    for budget in (0.0, -0.1, 0.95, np.nan):
        with pytest.raises(ParameterError, match=r"^budget must be"):
            budget_of(x_rays(aperture=1e-4), budget)
    with pytest.raises(ParameterError, match="draws"):
        simulate(surface_of(), x_rays(), Spreads(height=np.zeros(18), tilt=np.zeros(18)), draws=0, seed=1)


def test_tolerances_show_themselves() -> None:
    found = verify(budget_of(neutrons(aperture=1e-3, source=Distribution(width=5e-4)), 0.05), draws=16)
    text = str(found)
    assert "segment tilt" in text
    assert "simulated mirrors with exact rays" in text
    answer = found.to_dict()
    assert len(answer["groups"]) == 4
    assert len(found.sensitivity_table().cells) == 38
    assert len(answer["sensitivity"]) == 38
