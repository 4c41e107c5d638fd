"""The light after the moves: a realigned mirror is the perfect one, moves are unsure by their gains, answers say so."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from numpy.testing import assert_allclose

from ellipsefit.align import CorrectionPlan, plan_corrections
from ellipsefit.align.layout import layout
from ellipsefit.conformity import judge_mirror
from ellipsefit.ellipse import Ellipse
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.focus import FocusResult, trace_focus
from ellipsefit.focus.focus import ray_numbers
from ellipsefit.focus.possible import state_covariance
from ellipsefit.foreseen import DRAWS, LightAfter, foresee_light, moved_surface, possible_after
from ellipsefit.mirror import Tolerance
from ellipsefit.report.focus_section import focus_section
from ellipsefit.report.pieces import Tables
from tests.align_cases import with_adjusters
from tests.focus_cases import x_rays
from tests.rehearsal import even_mirror, made_profile

NOMINAL = Ellipse(8.0, 8.0, 0.022)


@cache
def case(gain_error: float = 0.0) -> tuple[EllipseFit, CorrectionPlan, FocusResult]:
    """Eight segments off by 5 um and 20 urad, 1 nm of noise, adjusters without steps; a point source of X-rays."""
    rng = np.random.default_rng(31)
    mirror = with_adjusters(
        even_mirror(NOMINAL, count=8, pitch=0.45), gain_error=gain_error, resolution=0.0, travel=(-1e-3, 1e-3)
    )
    mirror = replace(mirror, tolerance=Tolerance(segment_height=2e-6, segment_tilt=1e-5))
    placed = made_profile(
        mirror, (8.0, 8.0, 0.022), lifts=rng.normal(0, 5e-6, 8), tilts=rng.normal(0, 20e-6, 8), points=41, sigma=1e-9,
        noise=rng.normal(0, 1e-9, 8 * 41),
    )  # fmt: skip
    fit = fit_ellipse(placed, vary=(), segments="free", residual="white")
    return fit, plan_corrections(fit), trace_focus(fit, beam=x_rays(aperture=50e-6, required_throughput=0.9))


def after_of(gain_error: float = 0.0) -> LightAfter:
    _, plan, light = case(gain_error)
    found = foresee_light(plan, light, rays=50_000)
    assert found is not None
    return found


def test_a_realigned_mirror_gives_the_light_of_the_perfect_one() -> None:
    """Segments within what 1 nm of noise hides, 3 nrad: spots of 2 x 8 m x that, and all light in 50 um."""
    fit, plan, light = case()
    found = after_of()
    aligned = replace(light.surface.realigned(), pose_height=0.0, pose_tilt=0.0)
    perfect = ray_numbers(aligned, light.mirror, light.beam, rays=50_000)
    assert light.throughput < 0.5
    assert_allclose(found.throughput.planned, perfect.throughput, rtol=0, atol=1e-3)
    assert found.rms.planned < 2 * 8 * 5e-9
    assert abs(found.best_along.planned) < 1e-6 * 8
    assert len(plan.segments) == len(fit.segments) == 8


def test_the_moved_surface_stands_where_the_plan_says() -> None:
    """Height at the middle and tilt of each piece against the target are the plan's rests, to rounding."""
    fit, plan, light = case()
    model = layout(fit, plan.target, plan.mirror, plan.response)
    surface = moved_surface(light.surface, plan, model, model.influence @ np.array([move.move for move in plan.moves]))
    for number, rest in enumerate(plan.segments):
        piece = surface.pieces[number]
        middle = np.array([piece.middle])
        line = surface.pose_height + surface.pose_tilt * piece.middle + piece.height
        assert_allclose(line, rest.height or 0.0, rtol=0, atol=1e-12)
        assert_allclose(surface.pose_tilt + piece.tilt, rest.tilt, rtol=0, atol=1e-12)
        assert surface.curve(number, middle).height.shape == (1,)


def test_moves_are_unsure_by_their_gains_and_settling() -> None:
    """At +-a: a tilt's variance grows by (u1**2 + u2**2) / (2 a)**2, with u**2 = (gain move)**2 + (0.2 um)**2."""
    fit, plan, light = case(0.1)
    model = layout(fit, plan.target, plan.mirror, plan.response)
    moves = np.array([move.move for move in plan.moves])
    more = possible_after(plan, light.surface, model, moves).state_covariance - state_covariance(fit)
    first, second = (adjuster.x for adjuster in plan.mirror.segments[3].adjusters)
    variance = (0.1 * moves[6:8]) ** 2 + 0.2e-6**2 * (moves[6:8] != 0)
    assert_allclose(more[8 + 3, 8 + 3], variance.sum() / (second - first) ** 2, rtol=1e-6)
    assert_allclose(more[-5:], 0, atol=1e-30)


def test_what_is_unknown_of_moves_is_in_the_spot() -> None:
    """A gain error of 10 % of moves of 5 um blurs: the centroid's uncertainty is that of its first order.

    200 draws tell a standard deviation to 5 %; four times that, and 2 % for the model's own first order.
    """
    fit, plan, light = case(0.1)
    found = after_of(0.1)
    model = layout(fit, plan.target, plan.mirror, plan.response)
    moves = np.array([move.move for move in plan.moves])
    covariance = possible_after(plan, light.surface, model, moves).state_covariance
    tilts = covariance[8:16, 8:16]
    pull = 2 * model.distance * model.light  # equal light: the mean of what each segment does
    u = float(np.sqrt(pull @ tilts @ pull))
    assert_allclose(found.centroid.expected.stderr, u, rtol=4 / np.sqrt(2 * DRAWS) + 0.02)
    assert found.rms.expected.mean > 5 * found.rms.planned  # steps were hidden, gains are not
    assert found.throughput.expected.mean <= found.throughput.planned
    assert_allclose(
        found.best_across.expected.stderr, found.centroid.expected.stderr, rtol=0.5
    )  # no other place is meant


def test_it_is_told_and_judged() -> None:
    fit, plan, light = case(0.1)
    found = after_of(0.1)
    answer = found.to_dict()
    assert answer["throughput"]["required"] == 0.9
    assert set(answer["best_focus"]) == {"along", "across", "rms"}
    text = str(found)
    assert "as measured" in text
    assert "to be expected" in text
    through = next(item for item in judge_mirror(fit, plan, light, None, found).requirements if item.at_least)
    assert through.after is not None
    assert through.after.value == found.throughput.expected.mean
    assert next(item for item in judge_mirror(fit, plan, light).requirements if item.at_least).after is None
    section = focus_section(light, found)
    shown = [text for item in section.items if isinstance(item, Tables) for text in item.html]
    assert any("What the light will do after the moves" in text for text in shown)
