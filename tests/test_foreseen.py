"""What can be expected after the moves: against rays, against integrals, and against simulated mirrors' truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad
from scipy.stats import norm

from ellipsefit.align import CorrectionPlan, plan_corrections
from ellipsefit.align.foreseen import SlopesLeft, check_points, expected_rests, focus_left
from ellipsefit.align.layout import Layout, layout
from ellipsefit.align.limits import line_map
from ellipsefit.ellipse import Ellipse
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.focus.geometry import bench
from ellipsefit.focus.rays import cut, trace
from ellipsefit.focus.spot import BestFocus, best_focus
from ellipsefit.focus.surface import Surface, measured_surface
from tests.align_cases import with_adjusters
from tests.focus_cases import x_rays
from tests.rehearsal import even_mirror, made_profile
from tests.test_objectives import less_common
from tests.test_report import solved


def moved_surface(fit: EllipseFit, plan: CorrectionPlan) -> Surface:
    """The fitted surface after the plan's moves, piece by piece, without figure."""
    model = layout(fit, plan.target, plan.mirror, plan.response)
    turned = line_map(model) @ model.influence @ np.array([move.move for move in plan.moves])
    measured = measured_surface(fit)
    pieces = [replace(piece, figure=None) for piece in measured.pieces]
    for item, (height, tilt, _) in zip(model.deviations, turned.reshape(-1, 3), strict=True):
        piece = pieces[item.number]
        pieces[item.number] = replace(piece, height=piece.height + height, tilt=piece.tilt + tilt)
    return replace(measured, pieces=tuple(pieces)).moved(plan.carrier_height or 0.0, plan.carrier_tilt)


def turned_round(surface: Surface) -> Surface:
    """The same mirror with the beam from its other side: x counts the other way."""
    pieces = tuple(
        replace(piece, start=-piece.end, end=-piece.start, tilt=-piece.tilt) for piece in reversed(surface.pieces)
    )
    ellipses = [Ellipse(one.q, one.p, one.theta) for one in (surface.nominal, surface.ellipse)]
    return replace(surface, nominal=ellipses[0], ellipse=ellipses[1], pieces=pieces, pose_tilt=-surface.pose_tilt)


def traced(surface: Surface) -> BestFocus:
    beam = x_rays()
    plane = bench(beam, surface.nominal, None)
    rays = trace(cut(surface, plane, 20_000), beam, plane, np.full(len(surface.pieces), np.nan), 1)
    return best_focus(rays, beam)


@pytest.mark.parametrize("name", ["alder", "cedar"])
def test_foci_after_the_moves_are_where_rays_meet(name: str) -> None:
    """Rays of a point source over the moved surface, from both ends.

    First order leaves of a shift L along a distance d the part L / d, 1.1 m of 42 m for one, half as much again for the
    ends of the mirror; 1 % for the cells and for light that meets other segments otherwise; across 0.3 um.
    """
    fit, plan = solved(name)
    assert plan.outlook is not None
    assert plan.outlook.foci is not None
    surface, foci = moved_surface(fit, plan), plan.outlook.foci
    image, source = traced(surface), traced(turned_round(surface))
    for found, wanted in (
        (foci.image_along, image.along),
        (foci.image_across, image.across),
        (foci.source_along, -source.along),  # downstream is towards the mirror there
        (foci.source_across, source.across),
    ):
        shift, far = abs(source.along), fit.mirror.nominal.p
        assert_allclose(found, wanted, rtol=0.01 + 1.5 * shift / far, atol=3e-7)


def test_uncertainty_of_the_foci_follows_each_unknown() -> None:
    """One unknown at a time: the standard uncertainty is what the foci change when it does (differences, 1e-4)."""
    fit, plan = solved("alder")
    model = layout(fit, plan.target, plan.mirror)
    rests = np.array([(rest.height or 0.0, rest.tilt) for rest in plan.segments])
    size = rests.size + 3
    for place in (0, 1, 4, 5, size - 3, size - 2, size - 1):
        step = 1e-6 if place < size - 3 or place == size - 1 else 1e-4
        covariance = np.zeros((size, size))
        covariance[place, place] = step**2
        ends = []
        for side in (-1, 1):
            away, ellipse = rests.copy(), [fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta]
            if place < size - 3:
                away.flat[place] += side * step
            else:
                ellipse[place - size + 3] += side * step
            ends.append(focus_left(model, Ellipse(*ellipse), away, covariance))
        middle = focus_left(model, fit.ellipse, rests, covariance)
        for key in ("image_along", "image_across", "source_along", "source_across"):
            change = (getattr(ends[1], key) - getattr(ends[0], key)) / 2
            assert_allclose(getattr(middle, f"{key}_stderr"), abs(change), rtol=1e-4, atol=1e-12)


def model_of() -> tuple[Layout, int]:
    mirror = even_mirror(Ellipse(8.0, 8.0, 0.022), count=8, pitch=0.45)
    fit = fit_ellipse(made_profile(mirror, (8.0, 8.0, 0.022), points=21), vary=(), segments="free", residual="white")
    return layout(fit, mirror.nominal, mirror), 8


def test_the_worst_of_many_equal_unknowns_is_that_of_order_statistics() -> None:
    """16 adjusters that each miss by s: E max |N| is the integral of 1 - (2 Phi(t) - 1)**16; tilts' likewise.

    2000 draws in pairs tell a mean to 1/sqrt(1000) of the spread, taken five times.
    """
    model, count = model_of()
    size, nothing = 1e-6, np.zeros((2 * count, 2 * count))
    slopes = SlopesLeft(
        square=4e-12, mean=np.zeros(count), share=np.full(count, 1 / count), figure=2e-6, figure_stderr=0
    )
    lines = np.zeros((2 * count, 2 * count))
    found = expected_rests(
        model, np.zeros((count, 2)), np.zeros(2 * count), nothing, np.full(2 * count, size**2), lines, slopes
    )
    mean = quad(lambda t: 1 - (2 * norm.cdf(t) - 1) ** 16, 0, 10)[0]
    square = quad(lambda t: 2 * t * (1 - (2 * norm.cdf(t) - 1) ** 16), 0, 10)[0]
    spread = np.sqrt(square - mean**2)
    assert_allclose(found.height_max.mean, size * mean, rtol=0, atol=5 * size * spread / np.sqrt(1000))
    assert_allclose(found.height_max.stderr, size * spread, rtol=5 / np.sqrt(2 * 1000))
    assert found.tilt_max.mean == 0
    assert_allclose(found.slope_error_rms.mean, 2e-6, rtol=1e-12)
    # tilts alone: mean squares of slopes and image shifts grow by their variances
    tilted = nothing.copy()
    tilted[1::2, 1::2] = 1e-12 * np.eye(count)
    more = expected_rests(model, np.zeros((count, 2)), np.zeros(2 * count), tilted, np.zeros(2 * count), lines, slopes)
    wide = replace(slopes, figure_stderr=1e-7)
    wider = expected_rests(model, np.zeros((count, 2)), np.zeros(2 * count), nothing, np.zeros(16), lines, wide)
    squared = more.slope_error_rms.mean**2 + more.slope_error_rms.stderr**2
    assert_allclose(squared, 4e-12 + 1e-12, rtol=5 * np.sqrt(2 / count / 1000) / 5)
    shift = more.image_shift_rms.mean**2 + more.image_shift_rms.stderr**2
    assert_allclose(shift, 1e-12 * np.mean(4 * model.distance**2), rtol=5 * np.sqrt(2 / count / 1000) * 2)
    assert_allclose(wider.slope_error_rms.stderr, 1e-7, rtol=5 / np.sqrt(2 * 1000))


def test_check_points_are_adjusters_or_ends() -> None:
    model, count = model_of()
    points = check_points(model)
    assert points.shape == (2 * count, 2 * count)
    bare = check_points(replace(model, adjusters=()))
    middle, half = model.deviations[1].segment.middle, model.deviations[1].segment.length / 2
    assert_allclose(bare[2:4, 2:4], [[1, -half], [1, half]], rtol=1e-12)
    assert_allclose(points[2, 2:4], [1, model.adjusters[2][1].x - middle], rtol=1e-12)


def test_simulated_mirrors_end_as_expected() -> None:
    """Truth after planned moves with gain errors and settling, of 30 mirrors: deviations from the expected means, over
    the stated deviations, have mean 0 and mean square 1; each bound is four standard errors, of a normal variable's
    square 4 sqrt(2/30), and half as much again for the skewness of a largest value."""
    rng = np.random.default_rng(29)
    base = with_adjusters(even_mirror(Ellipse(8.0, 8.0, 0.022), count=8, pitch=0.45), gain_error=0.05)
    away = []
    for _ in range(30):
        lifts, tilts = rng.normal(0, 5e-6, 8), rng.normal(0, 20e-6, 8)
        placed = made_profile(
            base, (8.0, 8.0, 0.022), lifts=lifts, tilts=tilts, points=41, sigma=1e-6, noise=rng.normal(0, 1e-6, 8 * 41)
        )
        plan = plan_corrections(fit_ellipse(placed, vary=(), segments="free", residual="white"))
        model = layout(plan.fit, plan.target, base)
        moves = np.array([move.move for move in plan.moves])
        rises = moves * (1 + rng.normal(0, 0.05, 16)) + rng.normal(0, 0.2e-6, 16) * (moves != 0)
        before = np.column_stack([lifts, tilts]).ravel()
        # as far as segments differ: what they have in common is the carrier's
        found = np.array([(item.height, item.tilt) for item in model.deviations]).ravel()
        unknown = less_common(base, (before - found)[None, :])[0]
        rests = np.array([(rest.height or 0.0, rest.tilt) for rest in plan.segments]).ravel()
        wrong = np.zeros(16) + rises - moves
        lines = np.delete(line_map(model), np.arange(2, 24, 3), axis=0)
        tilt = (rests + unknown + lines @ wrong)[1::2]
        at = check_points(model) @ (rests + unknown) + wrong
        assert plan.outlook is not None
        assert plan.outlook.rests is not None
        expected = plan.outlook.rests
        truth = (np.abs(at).max(), np.abs(tilt).max(), np.sqrt(np.mean((2 * model.distance * tilt) ** 2)))
        told = (expected.height_max, expected.tilt_max, expected.image_shift_rms)
        away.append([(value - one.mean) / one.stderr for value, one in zip(truth, told, strict=True)])
    deviations = np.array(away)
    assert (np.abs(deviations.mean(axis=0)) < 4 / np.sqrt(30)).all()
    assert (np.abs(np.mean(deviations**2, axis=0) - 1) < 1.5 * 4 * np.sqrt(2 / 30)).all()


def test_a_plan_shows_what_is_expected() -> None:
    _, plan = solved("alder")
    text, answer = str(plan), plan.to_dict()["outlook"]
    assert plan.outlook is not None
    assert plan.outlook.rests is not None
    assert f"{plan.outlook.rests.height_max.words('length')}" in text
    assert "Where the foci will be" in text
    assert answer["remaining"]["tilt_max"]["stderr"] > 0
    assert answer["foci"]["image_along_stderr"] > 0
