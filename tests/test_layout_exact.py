"""The linear model of a correction against rigid bodies moved point by point, and laws that every plan obeys."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import pytest
from numpy.testing import assert_allclose

from ellipsefit.align import plan_corrections
from ellipsefit.align.change import line_map
from ellipsefit.align.layout import Layout, _commanded, deviations, layout, span_places
from ellipsefit.align.limits import travel_limits
from ellipsefit.align.objectives import _independent, _null_space, choose
from ellipsefit.align.response import Response
from ellipsefit.align.rigid import rise_map, rise_maps
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.mirror import Adjuster, Mirror, Segment, Tolerance
from ellipsefit.profile import Profile
from tests.align_cases import NOMINAL, fit_of, with_adjusters
from tests.rehearsal import Array, even_mirror, ideal, ideal_partials, made_profile
from tests.test_roll import several_lines, tripod_mirror

WIDE = (-1e-3, 1e-3)


def odd_mirror(tolerance: Tolerance | None = None) -> Mirror:
    """Two adjusters, one, none, and three not in line; at places that nothing is symmetric about."""
    mirror = even_mirror(NOMINAL, count=4, pitch=0.45, tolerance=tolerance)
    places = (((-0.12, 0.0), (0.07, 0.0)), ((0.05, 0.0),), (), ((-0.1, -0.03), (0.13, -0.02), (0.02, 0.04)))
    return replace(
        mirror,
        segments=tuple(
            replace(
                segment,
                adjusters=tuple(
                    Adjuster(name=f"A{n + 1}", x=segment.middle + lever, y=y, travel=WIDE)
                    for n, (lever, y) in enumerate(own)
                ),
            )
            for segment, own in zip(mirror.segments, places, strict=True)
        ),
    )


def target_line(segment: Segment, change: Array) -> tuple[float, float]:
    """Height at the middle and tilt of the straight line through the change of the target, for p, q, theta."""
    x, lever = span_places(segment)
    tilt, height = np.polyfit(lever, ideal_partials("height", x, (8.0, 8.0, 0.022)) @ change, 1)
    return float(height), float(tilt)


@pytest.mark.parametrize("rolled", [False, True])
def test_a_correction_moves_rigid_bodies(rolled: bool) -> None:
    """Any carrier, any target and any motion of each segment: where each check point ends, each middle and tilt, and
    how far each surface rose at its screws, point by point."""
    tolerance = Tolerance(source_distance=1e-2, image_distance=1e-2, grazing_angle=1e-4)
    rng = np.random.default_rng(11)
    mirror = odd_mirror(tolerance)
    lifts, tilts, rolls = rng.normal(0, 5e-6, 4), rng.normal(0, 20e-6, 4), rng.normal(0, 50e-6, 4) * rolled
    fit = several_lines(mirror, lifts, tilts, rolls, (-0.02, 0.03)) if rolled else fit_of(mirror, lifts, tilts)
    model = layout(fit, NOMINAL, mirror, free_target=True)
    assert (model.rolls, model.heights) == (rolled, True)
    size = 2 + rolled
    own = ["ht", "h", "", "htr" if rolled else "ht"]
    unknowns = rng.normal(size=size + 3 + sum(map(len, own)))
    assert model.effect.shape[1] == len(unknowns)
    raise_, turn, rolling = (*unknowns[:size], 0.0)[:3]
    column, errors, rises, lines, at = size + 3, [], [], [], []
    for number, (segment, kinds) in enumerate(zip(mirror.segments, own, strict=True)):
        motion = dict.fromkeys("htr", 0.0) | dict(zip(kinds, unknowns[column : column + len(kinds)], strict=True))
        column += len(kinds)
        height, tilt = target_line(segment, unknowns[size : size + 3])
        state = (lifts[number], tilts[number], rolls[number])

        def moved(lever: float, y: float, motion: dict[str, float] = motion) -> float:
            return motion["h"] + motion["t"] * lever + motion["r"] * y

        def ends(
            lever: float, y: float, middle: float = segment.middle, aim: tuple[float, float] = (height, tilt),
            was: tuple[float, ...] = state, motion: dict[str, float] = motion,
        ) -> float:  # fmt: skip
            stands = was[0] + was[1] * lever + was[2] * y
            carried = raise_ + turn * (middle + lever) + rolling * y
            risen = motion["h"] + motion["t"] * lever + motion["r"] * y
            return float(stands + carried + risen - aim[0] - aim[1] * lever)

        points = [(a.x - segment.middle, a.y * rolled, True) for a in segment.adjusters]
        if "t" not in kinds:
            points += [(-segment.length / 2, 0.0, False), (segment.length / 2, 0.0, False)]
        errors += [ends(lever, y) for lever, y, _ in points]
        at += [here for _, _, here in points]
        rises += [moved(a.x - segment.middle, a.y) for a in segment.adjusters]
        lines += [ends(0.0, 0.0), (ends(0.1, 0.0) - ends(-0.1, 0.0)) / 0.2]
    assert list(model.at_adjuster) == at
    # what was fitted without noise comes back to 1e-12 m; the rest is rounding of numbers near 1
    assert_allclose(model.error + model.effect @ unknowns, errors, rtol=0, atol=1e-11)
    assert_allclose(model.influence @ model.moves @ unknowns, rises, rtol=0, atol=1e-12)
    assert_allclose(model.line + model.line_effect @ unknowns, lines, rtol=0, atol=1e-11)
    assert model.carrier_size == size
    assert model.common_size == size + 3
    assert model.names == ("S01/A1", "S01/A2", "S02/A1", "S04/A1", "S04/A2", "S04/A3")


def test_slopes_turn_segments_and_nothing_else() -> None:
    """The carrier's tilt turns each segment about its own middle, as its screws do."""
    tilts = np.array([10e-6, -20e-6, 5e-6])
    mirror = even_mirror(NOMINAL, count=3, pitch=0.45)
    placed = made_profile(mirror, (8.0, 8.0, 0.022), tilts=tilts, points=21, quantity="slope")
    model = layout(fit_ellipse(placed, vary=(), segments="free", residual="white"), NOMINAL, mirror)
    assert (model.carrier_size, model.heights, model.rolls) == (1, False, False)
    unknowns = np.array([3e-6, 1e-6, -2e-6, 4e-6])
    lever = 0.45 / 4 * np.array([-1.0, 1.0])
    left = tilts + unknowns[0] + unknowns[1:]
    assert_allclose(model.error + model.effect @ unknowns, np.outer(left, lever).ravel(), rtol=0, atol=1e-15)
    assert_allclose(model.moves @ unknowns, np.outer(unknowns[1:], lever).ravel(), rtol=0, atol=1e-18)
    assert_allclose((model.line + model.line_effect @ unknowns)[1::2], left, rtol=0, atol=1e-14)
    assert_allclose((model.line + model.line_effect @ unknowns)[::2], 0.0, atol=1e-18)


def test_a_segment_whose_roll_is_not_known_is_judged_along_its_line() -> None:
    """One scan line on the first of three segments, two on the others: the carrier's roll lifts the screws of these by
    their y, and those of the first by nothing that anybody would know of."""
    mirror = tripod_mirror(3)
    profile_parts = []
    for number, segment in enumerate(mirror.segments):
        for y in (0.0,) if number == 0 else (-0.02, 0.03):
            x = np.linspace(segment.start, segment.end, 41)
            profile_parts.append((x, ideal("height", x, 8.0, 8.0, 0.022) + 50e-6 * y, np.full_like(x, y)))
    x, z, across = (np.concatenate(column) for column in zip(*profile_parts, strict=True))
    profile = Profile(
        name="mixed", quantity="height", x=x, y=across, values=z, sigma=np.full(len(x), 1e-9), frame="mirror"
    )
    fit = fit_ellipse(profile, mirror, vary=(), segments="free", residual="white")
    model = layout(fit, NOMINAL, mirror)
    assert [item.roll is None for item in model.deviations] == [True, False, False]
    assert model.rolls
    sides = np.array([adjuster.y for adjuster in mirror.segments[1].adjusters])
    assert_allclose(model.effect[:, 2], [0, 0, 0, *sides, *sides], atol=1e-15)
    assert_allclose(model.error, 50e-6 * np.array([0, 0, 0, *sides, *sides]), rtol=0, atol=1e-11)
    plan = plan_corrections(fit)
    assert plan.segments[0].roll is None
    assert_allclose([rest.roll or 0.0 for rest in plan.segments[1:]], 0.0, atol=1e-9)


def test_a_target_of_slopes_is_what_they_are_measured_against() -> None:
    """A step of p by 1 mm and theta by 10 urad: the tilts left fall by the mean slope that the curve gains over each
    span, here by differences of the curve's own heights at its ends, to the 65 places of a mean."""
    tolerance = Tolerance(source_distance=2e-3, grazing_angle=20e-6)
    mirror = even_mirror(NOMINAL, count=3, pitch=0.45, tolerance=tolerance)
    placed = made_profile(mirror, (8.0, 8.0, 0.022), points=21, quantity="slope")
    fit = fit_ellipse(placed, vary=(), segments="free", residual="white")
    model = layout(fit, NOMINAL, mirror, free_target=True)
    unknowns = np.zeros(model.effect.shape[1])
    unknowns[1:4] = 1e-3, 0.0, 10e-6
    gained = []
    for segment in mirror.segments:
        ends = np.array([segment.start, segment.end])
        rise = ideal("height", ends, 8.001, 8.0, 0.02201) - ideal("height", ends, 8.0, 8.0, 0.022)
        gained.append((rise[1] - rise[0]) / segment.length)
    assert_allclose((model.line_effect @ unknowns)[1::2], -np.array(gained), rtol=2e-2, atol=1e-9)
    lever = 0.45 / 4 * np.array([-1.0, 1.0])
    assert_allclose(
        model.effect @ unknowns, np.outer((model.line_effect @ unknowns)[1::2], lever).ravel(), rtol=1e-9, atol=1e-18
    )


def test_a_roll_seen_on_lines_that_do_not_run_alike_is_taken_off_height_and_tilt() -> None:
    """A second scan line at y = 30 mm over the downstream half of each segment: what roll adds there looks like height
    and tilt, and is not. Noiseless, so what was put in comes back."""
    mirror = even_mirror(NOMINAL, count=3, pitch=0.45)
    lifts, tilts, rolls = np.array([2e-6, 0, -1e-6]), np.array([5e-6, -8e-6, 0.0]), np.array([60e-6, -40e-6, 90e-6])
    parts = []
    for segment, lift, tilt, roll in zip(mirror.segments, lifts, tilts, rolls, strict=True):
        for y, start in ((0.0, segment.start), (0.03, segment.middle)):
            x = np.linspace(start, segment.end, 41)
            z = ideal("height", x, 8.0, 8.0, 0.022) + lift + tilt * (x - segment.middle) + roll * y
            parts.append((x, z, np.full_like(x, y)))
    x, z, across = (np.concatenate(column) for column in zip(*parts, strict=True))
    profile = Profile(
        name="two", quantity="height", x=x, y=across, values=z, sigma=np.full(len(x), 1e-9), frame="mirror"
    )
    fit = fit_ellipse(profile, mirror, vary=(), segments="free", residual="white")
    for item, lift, tilt, roll in zip(deviations(fit, NOMINAL), lifts, tilts, rolls, strict=True):
        assert item.roll is not None
        assert_allclose([item.height, item.tilt, item.roll], [lift, tilt, roll], rtol=0, atol=1e-12)


def test_deviations_are_those_of_the_surface_that_was_fitted() -> None:
    """An ellipse 2 mm and 10 urad off, raised, turned, in pieces that are misplaced: the straight line through surface
    minus target over each span, by least squares on the same places."""
    mirror = even_mirror(NOMINAL, count=3, pitch=0.45)
    lifts, tilts, pose = np.array([1e-6, 4e-6, -3e-6]), np.array([9e-6, -2e-6, 3e-6]), (7e-6, -11e-6)
    fit = replace(fit_of(mirror, lifts, tilts, pose), ellipse=Ellipse(8.002, 7.999, 0.02201))
    for number, item in enumerate(deviations(fit, Ellipse(8.0, 8.001, 0.022))):
        segment = mirror.segments[number]
        x, lever = span_places(segment)
        assert_allclose([x[0], x[-1], lever[0], lever[-1]],
                        [segment.start, segment.end, -segment.length / 2, segment.length / 2], rtol=1e-12)  # fmt: skip
        surface = ideal("height", x, 8.002, 7.999, 0.02201) + pose[0] + pose[1] * x + lifts[number]
        surface = surface + tilts[number] * lever - ideal("height", x, 8.0, 8.001, 0.022)
        tilt, height = np.polyfit(lever, surface, 1)
        assert_allclose([item.height, item.tilt], [height, tilt], rtol=1e-9)
        assert (item.number, item.segment, item.roll) == (number, segment, None)


def test_screws_on_a_diagonal_or_side_by_side_do_the_same_in_a_plan_and_in_what_is_learned() -> None:
    """By hand: two screws 0.2 m apart, at y = -20 mm and 20 mm, lift by half each, turn by 1 / 0.2 m and roll nothing
    that is known; two side by side at y = -20 mm and 30 mm lift the line y = 0 by 3/5 and 2/5 and roll by 1 / 50 mm."""
    diagonal = Segment(
        name="A", start=0.0, end=0.4,
        adjusters=tuple(Adjuster(name=n, x=x, y=y, travel=WIDE) for n, x, y in (("U", 0.1, -0.02), ("D", 0.3, 0.02))),
    )  # fmt: skip
    side = Segment(
        name="B", start=0.5, end=0.9,
        adjusters=tuple(Adjuster(name=n, x=0.6, y=y, travel=WIDE) for n, y in (("L", -0.02), ("R", 0.03))),
    )  # fmt: skip
    expected = [[[0.5, 0.5], [-5.0, 5.0], [0.0, 0.0]], [[0.6, 0.4], [0.0, 0.0], [-20.0, 20.0]]]
    mirror = Mirror(name="Two", nominal=NOMINAL, segments=(diagonal, side))
    for segment, own in zip(mirror.segments, expected, strict=True):
        assert_allclose(rise_map(segment), own, rtol=0, atol=1e-12)
    whole = np.zeros((6, 4))
    whole[:3, :2], whole[3:, 2:] = expected
    assert_allclose(rise_maps(mirror.segments), whole, rtol=0, atol=1e-12)
    assert_allclose(line_map(mirror, ("A", "B"), 3), whole, rtol=0, atol=1e-12)
    assert_allclose(line_map(mirror, ("B",), 2), whole[3:5], rtol=0, atol=1e-12)
    assert_allclose(line_map(mirror, ("B", "A"), 1), whole[[4, 1]], rtol=0, atol=1e-12)


def test_a_response_is_singular_from_a_millionth_on() -> None:
    """Two screws that nearly do the same: of [[1, 1], [1, 1 + d]] the singular values are 2 and d/2 for small d, so
    that their ratio is a millionth at d = 4e-6."""
    names = ["S/A", "S/B"]
    for d, fine in ((4.1e-6, True), (3.9e-6, False)):
        influence = np.array([[1.0, 1.0], [1.0, 1.0 + d]])
        if fine:
            assert_allclose(influence @ _commanded(influence, np.eye(2), names), np.eye(2), rtol=0, atol=1e-9)
        else:
            with pytest.raises(ParameterError, match=r"moves of \+1.00 S/[AB] and -1.00 S/[AB] together raise nothing"):
                _commanded(influence, np.eye(2), names)
    assert _commanded(np.zeros((0, 0)), np.zeros((0, 3)), []).shape == (0, 3)


# ------------------------------------------------------------------ laws


def scaled(mirror: Mirror, k: float) -> Mirror:
    """The same mirror with every length k times as long."""
    nominal = mirror.nominal
    return replace(
        mirror,
        nominal=Ellipse(k * nominal.p, k * nominal.q, nominal.theta),
        segments=tuple(
            replace(
                s, start=k * s.start, end=k * s.end,
                adjusters=tuple(
                    replace(
                        a, x=k * a.x, travel=(k * a.travel[0], k * a.travel[1]), position=k * a.position,
                        resolution=k * a.resolution,
                    )
                    for a in s.adjusters
                ),
            )
            for s in mirror.segments
        ),
    )  # fmt: skip


def turned_round(mirror: Mirror) -> Mirror:
    """The same mirror with the beam from its other end: x counts the other way."""
    nominal = mirror.nominal
    return replace(
        mirror,
        nominal=Ellipse(nominal.q, nominal.p, nominal.theta),
        segments=tuple(
            replace(
                s, start=-s.end, end=-s.start, adjusters=tuple(replace(a, x=-a.x) for a in reversed(s.adjusters))
            )
            for s in reversed(mirror.segments)
        ),
    )  # fmt: skip


def measured(
    mirror: Mirror, lifts: Array, tilts: Array, quantity: Literal["height", "slope"] = "height", noise: float = 1e-7
) -> EllipseFit:
    nominal = mirror.nominal
    placed = made_profile(
        mirror, (nominal.p, nominal.q, nominal.theta), lifts=lifts, tilts=tilts, points=31, sigma=noise,
        quantity=quantity,
    )  # fmt: skip
    return fit_ellipse(placed, vary=(), segments="free", residual="white")


OBJECTIVES = (("worst", "reach"), ("spot", "worst"), ("travel",), ("expected",), ("screws", "reach"))


@pytest.mark.parametrize("objectives", OBJECTIVES)
def test_lengths_times_two_give_moves_times_two(objectives: tuple[str, ...]) -> None:
    """All lengths of the mirror and of what was measured are twice as long; angles stay. What was least is twice as
    much, a count the same. Settling, 0.2 um whatever the size, is the one length that does not follow, so that what is
    expected is another number."""
    rng = np.random.default_rng(5)
    mirror = even_mirror(Ellipse(9.0, 7.0, 0.02), count=4, pitch=0.45, travel=(-12e-6, 15e-6), resolution=1e-6)
    lifts, tilts = rng.normal(0, 8e-6, 4), rng.normal(0, 30e-6, 4)
    one = plan_corrections(measured(mirror, lifts, tilts), objectives=objectives)
    two = plan_corrections(measured(scaled(mirror, 2.0), 2 * lifts, tilts, noise=2e-7), objectives=objectives)
    fine = with_adjusters(mirror, resolution=0.0)
    exact = plan_corrections(measured(fine, lifts, tilts), objectives=objectives)
    # without rounding, what was to remain is what remains
    assert_allclose(exact.worst_error, exact.remaining.height_max, rtol=1e-6, atol=2e-11)
    for name in one.objectives:
        if name == "expected":
            continue
        factor = 1.0 if name == "screws" else 2.0
        assert_allclose(two.optima[name], factor * one.optima[name], rtol=1e-6, atol=1e-12)
    if objectives in (("worst", "reach"), ("spot", "worst")):
        assert_allclose(two.remaining.tilt_max, one.remaining.tilt_max, rtol=1e-4, atol=1e-10)
        assert_allclose(two.worst_error, 2 * one.worst_error, rtol=1e-6, atol=1e-12)
        assert_allclose(two.carrier_tilt, one.carrier_tilt, rtol=0, atol=1e-9)
    assert two.binding == one.binding
    assert_allclose(two.travel_missing or 0.0, 2 * (one.travel_missing or 0.0), rtol=1e-2, atol=1e-9)


@pytest.mark.parametrize("objectives", [names for names in OBJECTIVES if "spot" not in names])
def test_a_mirror_seen_from_its_other_end_asks_for_the_same_moves(objectives: tuple[str, ...]) -> None:
    """p and q change places, tilts their sign, segments and screws their order. The spot at the other focus is
    another objective."""
    rng = np.random.default_rng(6)
    mirror = even_mirror(Ellipse(9.0, 7.0, 0.02), count=4, pitch=0.45, travel=(-12e-6, 15e-6))
    lifts, tilts = rng.normal(0, 8e-6, 4), rng.normal(0, 30e-6, 4)
    one = plan_corrections(measured(mirror, lifts, tilts), objectives=objectives)
    other = plan_corrections(measured(turned_round(mirror), lifts[::-1], -tilts[::-1]), objectives=objectives)
    for name in one.objectives:
        assert_allclose(other.optima[name], one.optima[name], rtol=1e-6, atol=1e-12)
    assert_allclose(other.worst_error, one.worst_error, rtol=1e-5, atol=1e-10)
    if objectives == ("expected",):  # strictly convex, so the plan itself is one
        moves = [move.move for move in other.moves]
        assert_allclose(moves[::-1], [move.move for move in one.moves], rtol=0, atol=1e-10)
        assert_allclose(other.carrier_height or 0.0, one.carrier_height or 0.0, rtol=0, atol=1e-9)
        assert_allclose(-other.carrier_tilt, one.carrier_tilt, rtol=0, atol=1e-9)


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_what_is_upside_down_asks_for_opposite_moves(quantity: Literal["height", "slope"]) -> None:
    """Every deviation and both ends of every travel change their sign, and so does the plan of least expected error."""
    rng = np.random.default_rng(7)
    mirror = even_mirror(NOMINAL, count=4, pitch=0.45, travel=(-3e-6, 5e-6))
    over = even_mirror(NOMINAL, count=4, pitch=0.45, travel=(-5e-6, 3e-6))
    lifts, tilts = rng.normal(0, 8e-6, 4), rng.normal(0, 30e-6, 4)
    one = plan_corrections(measured(mirror, lifts, tilts, quantity), objectives=("expected",))
    other = plan_corrections(measured(over, -lifts, -tilts, quantity), objectives=("expected",))
    assert_allclose([move.move for move in other.moves], [-move.move for move in one.moves], rtol=0, atol=1e-10)
    assert_allclose(other.carrier_tilt, -one.carrier_tilt, rtol=0, atol=1e-9)
    assert_allclose([rest.tilt for rest in other.segments], [-rest.tilt for rest in one.segments], rtol=0, atol=1e-9)
    assert any(move.at_limit for move in one.moves)


def test_a_wrong_handed_screw_of_gain_two_is_asked_for_minus_half() -> None:
    """R @ moves are the rises of the plan that knows of nothing, where all travel suffices and the worst is nothing."""
    rng = np.random.default_rng(8)
    mirror = even_mirror(NOMINAL, count=3, pitch=0.45, travel=WIDE)
    fit = fit_of(mirror, rng.normal(0, 5e-6, 3), rng.normal(0, 20e-6, 3))
    names = tuple((s.name, a.name) for s in mirror.segments for a in s.adjusters)
    gains = np.array([-2.0, 1.0, 0.5, 1.0, 1.0, -1.0])
    matrix = np.diag(gains)
    matrix[1, 4] = 0.1
    plan = plan_corrections(fit, response=Response(adjusters=names, matrix=matrix, stderr=np.zeros((6, 6))))
    assert plan.worst_error < 1e-12
    rises = matrix @ [move.move for move in plan.moves]
    assert_allclose(plan.remaining.height_max, 0.0, atol=1e-10)
    model = layout(fit, NOMINAL, mirror)
    assert plan.carrier_height is not None
    carried = model.error + model.effect[:, :2] @ [plan.carrier_height, plan.carrier_tilt]
    assert_allclose(rises, -carried, rtol=0, atol=1e-10)


# ------------------------------------------------------------------ what unknowns are of use


def test_unknowns_that_others_replace_are_left_where_they_are() -> None:
    """The target's part of a line is what a segment's own height and tilt do, so it comes last and is not needed; a
    carrier that moves all is kept, and the last segment's motions that it replaces are not."""
    mirror = even_mirror(NOMINAL, count=3, pitch=0.45, tolerance=Tolerance(source_distance=1e-3))
    model = layout(fit_of(mirror, np.zeros(3), np.zeros(3)), NOMINAL, mirror, free_target=True)
    kept = _independent(model.effect, model)
    assert kept == [0, 1, 5, 6, 7, 8]
    rank = np.linalg.matrix_rank(model.effect / np.abs(model.effect).max(axis=0).clip(1e-300))
    assert len(kept) == rank == 6
    # once screws count, too, nothing replaces anything: a target or a carrier moves none
    assert _independent(np.concatenate([model.effect, model.moves]), model) == list(range(11))


def test_what_rows_leave_at_zero() -> None:
    """Of unknowns of very different size: every combination of the basis does nothing to the rows, and there are as
    many as the rank leaves; of no rows all."""
    rows = np.array([[1.0, 1e-6, 0.0, 0.0], [0.0, 2e-6, 1e5, 0.0]])
    basis = _null_space(rows)
    assert basis.shape == (4, 2)
    assert_allclose(rows @ basis, 0.0, atol=1e-9)
    assert np.linalg.matrix_rank(basis / np.abs(basis).max(axis=0)) == 2
    assert_allclose(_null_space(np.zeros((0, 3))), np.eye(3))


def test_what_comes_later_never_costs_what_came_first() -> None:
    """Whatever comes second or third, the first objective stays at its least, by more than rounding's part of it."""
    rng = np.random.default_rng(9)
    mirror = even_mirror(NOMINAL, count=4, pitch=0.45, travel=(-6e-6, 6e-6))
    model: Layout = layout(fit_of(mirror, rng.normal(0, 9e-6, 4), rng.normal(0, 40e-6, 4)), NOMINAL, mirror)
    limits = travel_limits(model)

    def value(name: str, v: Array) -> float:
        error, moves = np.abs(model.error + model.effect @ v), np.abs(model.moves @ v)
        lines = (model.line + model.line_effect @ v).reshape(-1, 2)
        spot = model.light @ np.abs(2 * lines[:, 0] + 2 * model.distance * lines[:, 1])
        return float({"worst": error.max(), "reach": moves.max(), "travel": moves.sum(), "spot": spot}[name])

    names = ("worst", "spot", "reach", "travel")
    alone = {name: choose(model, limits, (name,)) for name in names}  # type: ignore[arg-type]  # one of the words that it takes
    for first in names:
        for second in names:
            if first == second:
                continue
            third = next(name for name in names if name not in (first, second))
            found, one = choose(model, limits, (first, second, third)), alone[first]  # type: ignore[arg-type]  # one of the words that it takes
            assert found is not None
            assert one is not None
            least = one.optima[first]  # type: ignore[index]  # one of the objectives
            assert_allclose(value(first, one.values), least, rtol=1e-6, atol=1e-12)
            assert value(first, found.values) <= least * (1 + 1e-6) + 2e-12
            for name in (first, second, third):
                assert value(name, found.values) <= found.optima[name] * (1 + 1e-6) + 5e-11  # type: ignore[index]  # one of the objectives
            other = alone[second]
            assert other is not None
            assert value(second, other.values) <= value(second, found.values) + 1e-11
            assert found.optima[second] >= other.optima[second] * (1 - 1e-9) - 1e-12  # type: ignore[index]  # one of the objectives
