"""The correction plan: levers by hand, a proven optimum, travel never left, and the book-keeping of the moves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import linprog

from ellipsefit.align import CorrectionPlan, plan_corrections
from ellipsefit.align.program import minimise_linear
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.mirror import Adjuster, Mirror, Segment, Tolerance
from tests.rehearsal import Array, default_fit, even_mirror, ideal, made_profile

NOMINAL = Ellipse(8.0, 8.0, 0.022)
WIDE = (-1e-3, 1e-3)


def exact_fit(
    mirror: Mirror,
    lifts: Sequence[float] | Array,
    tilts: Sequence[float] | Array,
    *,
    pose: tuple[float, float] = (0.0, 0.0),
    quantity: Literal["height", "slope"] = "height",
    skip: Sequence[int] = (),
) -> EllipseFit:
    """Fit of a mirror on its nominal ellipse with given heights and tilts, without noise."""
    placed = made_profile(
        mirror, (8.0, 8.0, 0.022), pose=pose, lifts=lifts, tilts=tilts, quantity=quantity, skip=skip, points=21
    )
    return fit_ellipse(placed, vary=(), segments="free", residual="white")


def deviation_at_adjusters(
    mirror: Mirror, lifts: Sequence[float] | Array, tilts: Sequence[float] | Array, pose: tuple[float, float]
) -> Array:
    """Surface minus target at every adjuster, as it was put in."""
    return np.array(
        [
            pose[0] + pose[1] * adjuster.x + lift + tilt * (adjuster.x - segment.middle)
            for segment, lift, tilt in zip(mirror.segments, lifts, tilts, strict=True)
            for adjuster in segment.adjusters
        ]
    )


def adjusters(mirror: Mirror) -> list[Adjuster]:
    return [adjuster for segment in mirror.segments for adjuster in segment.adjusters]


def moves(plan: CorrectionPlan) -> Array:
    return np.array([move.move for move in plan.moves])


def carried(plan: CorrectionPlan, x: Array) -> Array:
    assert plan.carrier_height is not None
    return plan.carrier_height + plan.carrier_tilt * x


# ------------------------------------------------------------------ by hand


def test_lever_rule_of_one_segment() -> None:
    """One segment 3 um high and tilted by 20 urad, adjusters at -0.1 and 0.3 m: a carrier could take it all.

    With only one segment it does: no adjuster moves, the carrier goes -3 um and -20 urad.
    """
    segment = Segment(
        name="S1",
        start=-0.4,
        end=0.4,
        adjusters=(Adjuster(name="U", x=-0.1, travel=WIDE), Adjuster(name="D", x=0.3, travel=WIDE)),
    )
    mirror = Mirror(name="Rowan", nominal=NOMINAL, segments=(segment,))
    plan = plan_corrections(exact_fit(mirror, [0.0], [0.0], pose=(3e-6, 20e-6)))
    # 1 pm of slack is left to the solver: of tilt over the lever of 0.1 m 1e-11 rad
    assert plan.carrier_height is not None
    assert_allclose(plan.carrier_height, -3e-6, rtol=0, atol=5e-12)
    assert_allclose(plan.carrier_tilt, -20e-6, rtol=0, atol=2e-11)
    assert_allclose(moves(plan), 0, atol=5e-12)
    assert plan.feasible


def test_lever_rule_of_the_odd_segment_out() -> None:
    """Seven segments stand true, one is 4 um high and tilted by 30 urad: it alone is moved.

    Least motion: any share the carrier took would have to be undone at the seven others. Lever rule:
    the move at an adjuster is -(4 um + 30 urad * its distance from the middle of the span).
    """
    mirror = even_mirror(NOMINAL, count=8, pitch=0.45, travel=WIDE)
    lifts, tilts = np.zeros(8), np.zeros(8)
    lifts[2], tilts[2] = 4e-6, 30e-6
    plan = plan_corrections(exact_fit(mirror, lifts, tilts))
    expected = np.zeros((8, 2))
    expected[2] = -(4e-6 + 30e-6 * 0.45 / 4 * np.array([-1, 1]))
    assert_allclose(moves(plan).reshape(8, 2), expected, rtol=0, atol=2e-11)
    assert_allclose(plan.carrier_height or 0.0, 0, atol=2e-11)
    assert_allclose([rest.tilt for rest in plan.segments], 0, atol=1e-10)
    assert plan.remaining.height_max < 1e-11
    assert plan.feasible


def test_the_carrier_takes_height_and_tilt_with_their_signs() -> None:
    """Raised by 200 um and tilted by 100 urad as a whole: the carrier goes back, no adjuster moves."""
    mirror = even_mirror(NOMINAL, count=8, pitch=0.45)
    plan = plan_corrections(exact_fit(mirror, np.zeros(8), np.zeros(8), pose=(200e-6, 100e-6)))
    assert_allclose(plan.carrier_height or 0.0, -200e-6, rtol=0, atol=5e-12)
    assert_allclose(plan.carrier_tilt, -100e-6, rtol=0, atol=5e-12)
    assert_allclose(moves(plan), 0, atol=2e-11)


def test_image_shift_is_twice_distance_times_tilt() -> None:
    """Law of reflection: 2 d delta at the image, d from the segment's middle; rms over the segments."""
    tilts = np.array([5e-6, -8e-6, 0.0, 3e-6])
    mirror = even_mirror(NOMINAL, count=4, pitch=0.5, adjusters=0)
    plan = plan_corrections(exact_fit(mirror, np.zeros(4), tilts))
    middles = np.array([segment.middle for segment in mirror.segments])
    z = ideal("height", middles, 8.0, 8.0, 0.022)
    distance = np.hypot(8 * np.cos(0.022) - middles, 8 * np.sin(0.022) - z)
    shift = 2 * distance * (tilts + plan.carrier_tilt)
    assert_allclose([rest.image_shift for rest in plan.segments], shift, rtol=1e-6)
    assert_allclose(plan.remaining.image_shift_rms, np.sqrt(np.mean(shift**2)), rtol=1e-6)
    assert_allclose(plan.remaining.tilt_max, np.abs(tilts + plan.carrier_tilt).max(), rtol=1e-6)


def test_best_line_through_a_parabola() -> None:
    """Best line in the largest-error sense through y = x**2 at 0, 1/4, 1/2, 3/4, 1: y = x - 1/8, error 1/8 at
    0, 1/2 and 1 (equioscillation: P. L. Chebyshev). As a programme, and as carrier of single points."""
    x = np.array([0, 0.25, 0.5, 0.75, 1])
    rows = np.column_stack([np.ones(5), x, -np.ones(5)])
    other = np.column_stack([-np.ones(5), -x, -np.ones(5)])
    found = minimise_linear(np.array([0.0, 0.0, 1.0]), np.vstack([rows, other]), np.concatenate([x**2, -(x**2)]))
    assert found is not None
    assert_allclose(found.values, [-1 / 8, 1.0, 1 / 8], rtol=1e-9)
    assert abs(found.gap) < 1e-12
    # five segments with one adjuster each that cannot move (1e-15 m): the carrier draws that line
    segments = tuple(
        Segment(
            name=f"S{i}",
            start=place - 0.1,
            end=place + 0.1,
            adjusters=(
                Adjuster(name="U", x=place - 0.05, travel=(-1e-15, 1e-15)),
                Adjuster(name="D", x=place + 0.05, travel=(-1e-15, 1e-15)),
            ),
        )
        for i, place in enumerate(x)
    )
    mirror = Mirror(name="Rowan", nominal=NOMINAL, segments=segments)
    chord = [(a + b) / 2 for a, b in ((0.0, 0.0), (0.0625, 0.0625), (0.25, 0.25), (0.5625, 0.5625), (1.0, 1.0))]
    # each segment's line touches the two points of the parabola of the two adjusters
    lifts = 1e-5 * (np.array(chord) + 0.05**2)
    plan = plan_corrections(exact_fit(mirror, lifts, 2e-5 * x))
    places = np.concatenate([[place - 0.05, place + 0.05] for place in x])
    best = linprog(
        [0, 0, 1],
        A_ub=np.vstack(
            [
                np.column_stack([np.ones(10), places, -np.ones(10)]),
                np.column_stack([-np.ones(10), -places, -np.ones(10)]),
            ]
        ),
        b_ub=np.concatenate([-(places**2), places**2]),
        bounds=(None, None),
    )
    assert best.fun is not None
    assert_allclose(plan.worst_error, 1e-5 * best.fun, rtol=1e-5)  # travel of 1e-15 m, profile rounding
    # by hand: alternating at -0.05, 0.45 or 0.55, and 1.05
    assert_allclose(best.fun, 0.15, rtol=1e-9)


# ------------------------------------------------------------------ Dogwood


def independent_optimum(error: Array, x: Array, low: Array, high: Array) -> tuple[float, float]:
    """Smallest worst error, then least total motion, in other unknowns: the rests at the adjusters.

    Unknowns (micrometres): rest at each adjuster, carrier's height and tilt, the worst error. The move of an
    adjuster is rest - error - carrier. Two adjusters a segment: no constraint ties their moves.
    """
    n = len(error)
    scale = 1e6
    # move = rest - error - H - T x within low, high
    link = np.column_stack([np.eye(n), -np.ones(n), -x, np.zeros(n)])
    ends = np.concatenate([(high + error) * scale, -(low + error) * scale])
    worst = np.column_stack([np.eye(n), np.zeros((n, 2)), -np.ones(n)])
    mirrored = np.column_stack([-np.eye(n), np.zeros((n, 2)), -np.ones(n)])
    rows = np.vstack([link, -link, worst, mirrored])
    first = linprog(
        np.append(np.zeros(n + 2), 1.0),
        A_ub=rows,
        b_ub=np.concatenate([ends, np.zeros(2 * n)]),
        bounds=(None, None),
        method="highs-ipm",
    )
    assert first.fun is not None
    # moves split into up and down, the rests bounded by the worst error found
    allowed = (first.fun + 1e-6) / scale
    eye = np.eye(n)
    second = linprog(
        np.concatenate([np.ones(2 * n), [0, 0]]),
        A_ub=np.vstack([np.column_stack([eye, -eye, np.ones(n), x]), np.column_stack([-eye, eye, -np.ones(n), -x])]),
        b_ub=np.concatenate([(allowed - error) * scale, (allowed + error) * scale]),
        bounds=[
            *((0, max(top * scale, 0)) for top in high),
            *((0, max(-end * scale, 0)) for end in low),
            (None, None),
            (None, None),
        ],
        method="highs-ipm",
    )
    assert second.fun is not None
    return float(first.fun) / scale, float(second.fun) / scale


def dogwood_numbers() -> tuple[Mirror, Array, Array, Array, Array]:
    """Mirror, error and x at the adjusters (pose, segments and the change of ellipse), lowest and highest moves."""
    fit = default_fit("dogwood")
    mirror, x, error, low, high = fit.mirror, [], [], [], []
    for segment, state in zip(mirror.segments, fit.segments, strict=True):
        # line of fitted minus target ellipse over the span: least squares on many points
        span = np.linspace(segment.start, segment.end, 65)
        change = fit.ellipse.height(span) - mirror.nominal.height(span)
        tilt, height = np.polyfit(span - segment.middle, change, 1)
        for adjuster in segment.adjusters:
            lever = adjuster.x - segment.middle
            assert fit.pose.height is not None
            assert state.height is not None
            assert state.tilt is not None
            x.append(adjuster.x)
            error.append(
                fit.pose.height + fit.pose.tilt * adjuster.x + state.height + height + (state.tilt + tilt) * lever
            )
            step = adjuster.resolution
            low.append(np.ceil((adjuster.travel[0] - adjuster.position) / step - 1e-6) * step)
            high.append(np.floor((adjuster.travel[1] - adjuster.position) / step + 1e-6) * step)
    return mirror, np.array(error), np.array(x), np.array(low), np.array(high)


def test_dogwood_has_a_plan_only_because_of_the_carrier() -> None:
    """Worst error of 2.6 um or less before rounding and no adjuster out of travel; without the carrier's
    share all 20 adjusters would leave their 60 um."""
    _, error, _, low, high = dogwood_numbers()
    alone = -error
    assert np.all((alone < low) | (alone > high))
    plan = plan_corrections(default_fit("dogwood"))
    assert plan.worst_error <= 2.6e-6
    check_travel(plan)


def test_dogwood_optimum_is_proven_and_found_independently() -> None:
    """Primal minus dual below 1e-9 of the worst error; the same worst error and the same total motion as an
    interior-point solution of the problem in other unknowns."""
    mirror, error, x, low, high = dogwood_numbers()
    plan = plan_corrections(default_fit("dogwood"))
    assert abs(plan.optimality_gap) <= 1e-9 * plan.worst_error
    worst, motion = independent_optimum(error, x, low, high)
    # least squares on 65 points of the change of ellipse, interior point: 1e-8
    assert_allclose(plan.worst_error, worst, rtol=1e-7)
    # rounding changes each of 20 moves by at most half a step of 0.5 um
    assert abs(np.abs(moves(plan)).sum() - motion) <= 20 * 0.25e-6
    assert all(adjuster.resolution == 0.5e-6 for adjuster in adjusters(mirror))


def test_least_motion_without_rounding() -> None:
    """Second objective: the total motion equals the independent programme's, which allows 1 pm more error."""
    rng = np.random.default_rng(5)
    mirror = even_mirror(NOMINAL, count=8, pitch=0.45, travel=(-12e-6, 12e-6), position=4e-6)
    lifts, tilts = rng.normal(0, 9e-6, 8), rng.normal(0, 40e-6, 8)
    plan = plan_corrections(exact_fit(mirror, lifts, tilts))
    error = deviation_at_adjusters(mirror, lifts, tilts, (0.0, 0.0))
    x = np.array([adjuster.x for adjuster in adjusters(mirror)])
    low, high = np.full(16, -16e-6), np.full(16, 8e-6)
    worst, motion = independent_optimum(error, x, low, high)
    assert worst > 1e-6  # travel binds, or the case says nothing
    assert_allclose(plan.worst_error, worst, rtol=1e-7)
    assert_allclose(np.abs(moves(plan)).sum(), motion, rtol=1e-5)
    assert plan.binding
    assert not plan.feasible


# ------------------------------------------------------------------ travel, rounding, book-keeping


def check_travel(plan: CorrectionPlan) -> None:
    """No adjuster out of travel, `to` = `from` + `move`, whole steps, distance to the nearer limit."""
    for move, adjuster in zip(plan.moves, adjusters(plan.mirror), strict=True):
        low, high = adjuster.travel
        assert low <= move.stop <= high
        assert move.start == adjuster.position
        assert_allclose(move.stop, move.start + move.move, rtol=0, atol=1e-18)
        if adjuster.resolution:
            steps = move.move / adjuster.resolution
            assert_allclose(steps, round(steps), rtol=0, atol=1e-9)
        assert_allclose(move.travel_left, min(move.stop - low, high - move.stop), rtol=0, atol=2e-12)
        assert move.at_limit == (move.travel_left <= max(adjuster.resolution, 1e-9) * (1 + 1e-9))


def check_identity(
    plan: CorrectionPlan,
    lifts: Sequence[float] | Array,
    tilts: Sequence[float] | Array,
    pose: tuple[float, float] = (0.0, 0.0),
) -> None:
    """Surface afterwards = measured + carrier height + carrier tilt x + move, and the rests say the same."""
    mirror = plan.mirror
    x = np.array([adjuster.x for adjuster in adjusters(mirror)])
    after = deviation_at_adjusters(mirror, lifts, tilts, pose) + carried(plan, x) + moves(plan)
    assert_allclose(plan.remaining.height_max, np.abs(after).max(), rtol=0, atol=1e-11)
    row = 0
    for segment, rest in zip(mirror.segments, plan.segments, strict=True):
        mine = slice(row, row + len(segment.adjusters))
        row = mine.stop
        if len(segment.adjusters) == 2:
            assert rest.height is not None
            expected = rest.height + rest.tilt * (x[mine] - segment.middle)
            assert_allclose(after[mine], expected, rtol=0, atol=1e-11)
    assert_allclose(plan.remaining.tilt_max, max(abs(rest.tilt) for rest in plan.segments), rtol=1e-14)


@settings(max_examples=60)
@given(
    seed=st.integers(0, 2**32 - 1),
    count=st.integers(1, 8),
    size=st.sampled_from([1e-7, 5e-6, 50e-6, 500e-6]),
    resolution=st.sampled_from([0.0, 0.5e-6, 0.7e-6, 2e-6]),
    toleranced=st.booleans(),
)
def test_random_mirrors_never_leave_travel_and_the_books_balance(
    seed: int, count: int, size: float, resolution: float, toleranced: bool
) -> None:
    """Any misplacement, any positions (also such that are no multiple of the resolution)."""
    rng = np.random.default_rng(seed)
    mirror = even_mirror(NOMINAL, count=count, pitch=0.45, travel=(-60e-6, 45e-6), resolution=resolution)
    segments = tuple(
        replace(
            segment,
            adjusters=tuple(
                replace(adjuster, position=float(rng.uniform(-60e-6, 45e-6))) for adjuster in segment.adjusters
            ),
        )
        for segment in mirror.segments
    )
    tolerance = Tolerance(segment_height=2e-6, segment_tilt=10e-6) if toleranced else Tolerance()
    mirror = replace(mirror, segments=segments, tolerance=tolerance)
    lifts, tilts = rng.normal(0, size, count), rng.normal(0, 5 * size, count)
    if count == 1:
        lifts, tilts = lifts * 0, tilts * 0
    pose = (float(rng.normal(0, 200e-6)), float(rng.normal(0, 100e-6)))
    plan = plan_corrections(exact_fit(mirror, lifts, tilts, pose=pose))
    check_travel(plan)
    check_identity(plan, lifts, tilts, pose)
    assert abs(plan.optimality_gap) <= 1e-9 * max(plan.worst_error, 1e-6)
    # a rest of the optimum plus half a step
    if not toleranced:
        assert plan.remaining.height_max <= plan.worst_error + resolution / 2 + 1e-11
    if plan.feasible and toleranced:
        assert all(abs(rest.height or 0) <= 2e-6 and abs(rest.tilt) <= 10e-6 for rest in plan.segments)


@settings(max_examples=30)
@given(seed=st.integers(0, 2**32 - 1))
def test_rounding_never_costs_a_tolerance_that_leaves_room_for_it(seed: int) -> None:
    """Ample travel, adjusters anywhere, also both on one side of the middle, where steps add up.

    Room: half a step at each adjuster, by the lever rule: to the height at the middle
    (|a| + |b|) / |a - b| / 2 of a step, to the tilt 1 / |a - b| of a step.
    """
    rng = np.random.default_rng(seed)
    step = 2e-6
    mirror = even_mirror(NOMINAL, count=6, pitch=0.45, travel=WIDE, resolution=step)
    segments, heights, turns = [], [], []
    for segment in mirror.segments:
        a, b = rng.choice([-1, 1]) * np.array([0.02, 0.02]) + np.sort(rng.uniform(-0.2, 0.2, 2)) + [-0.001, 0.001]
        pair = tuple(replace(x, x=segment.middle + lever) for x, lever in zip(segment.adjusters, (a, b), strict=True))
        segments.append(replace(segment, adjusters=pair))
        heights.append((abs(a) + abs(b)) / abs(a - b) * step / 2)
        turns.append(step / abs(a - b))
    tolerance = Tolerance(segment_height=max(heights) * 1.01, segment_tilt=max(turns) * 1.01)
    mirror = replace(mirror, segments=tuple(segments), tolerance=tolerance)
    plan = plan_corrections(exact_fit(mirror, rng.normal(0, 20e-6, 6), rng.normal(0, 50e-6, 6)))
    assert plan.feasible
    check_travel(plan)


def test_rounding_goes_to_the_nearest_step() -> None:
    """A wanted move of -4.3 um with steps of 1 um is -4 um and leaves 0.3 um."""
    mirror = even_mirror(NOMINAL, count=8, pitch=0.45, travel=WIDE, resolution=1e-6, position=0.25e-6)
    lifts = np.zeros(8)
    lifts[3] = 4.3e-6
    plan = plan_corrections(exact_fit(mirror, lifts, np.zeros(8)))
    assert_allclose(moves(plan).reshape(8, 2)[3], -4e-6, rtol=1e-12)
    assert_allclose(plan.segments[3].height or 0, 0.3e-6, rtol=1e-4)
    assert_allclose(plan.moves[6].stop, -3.75e-6, rtol=1e-12)  # positions need not be whole steps
    check_travel(plan)
    assert plan.feasible  # worst rest at most one resolution


@pytest.mark.parametrize(("travel", "feasible"), [(9.5e-6, True), (9.0e-6, True), (8.5e-6, False)])
def test_without_tolerance_a_rest_of_one_step_is_the_goal(travel: float, feasible: bool) -> None:
    """10 um high, steps of 0.5 um, all others pinned: 1 um to 1.5 um short is shared with the carrier.

    The neighbours may rest at as much of the other sign, so that the worst rest is half of what is short.
    """
    lifts = np.zeros(8)
    lifts[3] = 10e-6
    mirror = even_mirror(NOMINAL, count=8, pitch=0.45, travel=(-0.25e-6, 0.25e-6), resolution=0.5e-6)
    segments = list(mirror.segments)
    segments[3] = replace(
        segments[3], adjusters=tuple(replace(a, travel=(-travel, travel)) for a in segments[3].adjusters)
    )
    plan = plan_corrections(exact_fit(replace(mirror, segments=tuple(segments)), lifts, np.zeros(8)))
    assert_allclose(plan.remaining.height_max, (10e-6 - travel) / 2, rtol=0, atol=1e-11)
    assert plan.feasible is feasible


# ------------------------------------------------------------------ tolerances and missing travel


def tolerance_case(travel: float, tolerance: Tolerance) -> CorrectionPlan:
    """Eight segments, alternately 20 um high and low: the carrier can't help."""
    mirror = even_mirror(NOMINAL, count=8, pitch=0.45, travel=(-travel, travel), tolerance=tolerance)
    lifts = 20e-6 * np.array([1, -1, 1, -1, -1, 1, -1, 1])
    return plan_corrections(exact_fit(mirror, lifts, np.zeros(8)))


def test_tolerances_decide_what_is_feasible() -> None:
    """20 um to go: 18 um of travel reach 2 um (tolerance 2.1 um), 17 um of travel do not."""
    tolerance = Tolerance(segment_height=2.1e-6, segment_tilt=10e-6)
    reached, missed = tolerance_case(18e-6, tolerance), tolerance_case(17e-6, tolerance)
    assert reached.feasible
    assert reached.travel_missing == 0
    assert_allclose(reached.worst_error, 2e-6, rtol=1e-6)
    assert not missed.feasible
    assert_allclose(missed.worst_error, 3e-6, rtol=1e-6)  # the best there is
    assert missed.binding
    assert missed.travel_missing is not None
    assert_allclose(missed.travel_missing, 0.9e-6, rtol=1e-6)  # 20 - 2.1 - 17


@pytest.mark.parametrize("tolerance", [Tolerance(segment_height=2.1e-6, segment_tilt=10e-6), Tolerance()])
@pytest.mark.parametrize("seed", range(4))
def test_the_missing_travel_suffices_and_nothing_less_does(tolerance: Tolerance, seed: int) -> None:
    """With as much more travel at both ends of all adjusters the plan is feasible, with 1 % less it is not."""
    rng = np.random.default_rng(seed)
    mirror = even_mirror(NOMINAL, count=8, pitch=0.45, travel=(-5e-6, 5e-6), tolerance=tolerance)
    lifts, tilts = rng.normal(0, 12e-6, 8), rng.normal(0, 40e-6, 8)

    def with_travel(more: float) -> CorrectionPlan:
        segments = tuple(
            replace(s, adjusters=tuple(replace(a, travel=(-5e-6 - more, 5e-6 + more)) for a in s.adjusters))
            for s in mirror.segments
        )
        return plan_corrections(exact_fit(replace(mirror, segments=segments), lifts, tilts))

    plan = with_travel(0.0)
    assert not plan.feasible
    assert plan.travel_missing is not None
    assert plan.travel_missing > 0
    assert with_travel(plan.travel_missing * (1 + 1e-6) + 1e-11).feasible
    assert not with_travel(plan.travel_missing * 0.99).feasible


def test_missing_travel_of_dogwood() -> None:
    """On the rehearsal mirror, with steps: the missing travel, in whole steps, suffices. What rounding may add,
    half a step, is kept in reserve: two steps less do not."""
    fit = default_fit("dogwood")
    plan = plan_corrections(fit)
    assert not plan.feasible
    assert plan.travel_missing is not None
    assert_allclose(plan.travel_missing / 0.5e-6, round(plan.travel_missing / 0.5e-6), rtol=0, atol=1e-9)

    def with_travel(more: float) -> CorrectionPlan:
        segments = tuple(
            replace(
                s,
                adjusters=tuple(replace(a, travel=(a.travel[0] - more, a.travel[1] + more)) for a in s.adjusters),
            )
            for s in fit.mirror.segments
        )
        return plan_corrections(fit, replace(fit.mirror, segments=segments))

    assert with_travel(plan.travel_missing).feasible
    assert not with_travel(plan.travel_missing - 1e-6).feasible


def test_no_travel_mends_what_no_adjuster_reaches() -> None:
    """A tilted segment with one adjuster: no travel at all brings its tilt within tolerance."""
    mirror = even_mirror(
        NOMINAL, count=6, pitch=0.45, travel=WIDE, adjusters=1, tolerance=Tolerance(segment_tilt=10e-6)
    )
    tilts = np.array([0, 0, 50e-6, -50e-6, 0, 0])
    plan = plan_corrections(exact_fit(mirror, np.zeros(6), tilts))
    assert not plan.feasible
    assert plan.travel_missing is None


# ------------------------------------------------------------------ other numbers of adjusters, slopes, gaps


def test_three_adjusters_move_as_the_rigid_segment_demands() -> None:
    """Each goes by height + tilt times its lever: the three moves lie on a line along x."""
    mirror = even_mirror(NOMINAL, count=6, pitch=0.45, travel=WIDE, adjusters=3)
    lifts = np.array([0, 0, 6e-6, 0, 0, 0])
    tilts = np.array([0, 0, -20e-6, 0, 0, 0])
    plan = plan_corrections(exact_fit(mirror, lifts, tilts))
    expected = -(6e-6 - 20e-6 * 0.45 / 4 * np.array([-1, 0, 1]))
    assert_allclose(moves(plan).reshape(6, 3)[2], expected, rtol=0, atol=3e-11)
    check_travel(plan)
    assert plan.feasible


def test_one_adjuster_raises_but_does_not_tilt() -> None:
    """Height is mended, tilt stays; the ends of the span are what is brought near the target."""
    mirror = even_mirror(NOMINAL, count=6, pitch=0.45, travel=WIDE, adjusters=1)
    lifts = np.array([0, 0, 6e-6, 0, 0, 0])
    tilts = np.array([0, 0, 1e-6, 0, 0, 0])
    plan = plan_corrections(exact_fit(mirror, lifts, tilts))
    check_travel(plan)
    after = np.array([rest.tilt for rest in plan.segments]) - plan.carrier_tilt
    assert_allclose(after, tilts, rtol=0, atol=1e-11)
    heights = np.array([rest.height for rest in plan.segments], dtype=float)
    assert np.abs(heights).max() < 0.3e-6  # what a tilt of 1 urad makes at an end: 0.22 um


def test_without_adjusters_there_are_no_moves() -> None:
    """Feasible only if the segments are within tolerance once the carrier has moved."""
    for tilt, feasible in ((5e-6, True), (40e-6, False)):
        mirror = even_mirror(NOMINAL, count=4, pitch=0.5, adjusters=0, tolerance=Tolerance(segment_tilt=10e-6))
        tilts = np.array([0, tilt, -tilt, 0])
        plan = plan_corrections(exact_fit(mirror, np.zeros(4), tilts))
        assert plan.moves == ()
        assert plan.feasible is feasible
        assert plan.binding == ()
        assert plan.travel_missing == (0.0 if feasible else None)


def test_a_segment_without_points_is_left_alone() -> None:
    """Nothing is known of it: no moves for its adjusters, the others as ever, and a warning."""
    mirror = even_mirror(NOMINAL, count=6, pitch=0.45, travel=WIDE)
    lifts = np.array([0, 0, 6e-6, 0, 0, 0])
    plan = plan_corrections(exact_fit(mirror, lifts, np.zeros(6), skip=[4]))
    assert "S05" not in {move.segment for move in plan.moves}
    assert "S05" not in {rest.name for rest in plan.segments}
    assert len(plan.moves) == 10
    assert any("S05" in text for text in plan.warnings)


def test_slopes_turn_a_segment_about_its_middle() -> None:
    """Slope data: opposite moves at the same lever, no height for carrier or segment."""
    mirror = even_mirror(NOMINAL, count=6, pitch=0.45, travel=WIDE)
    tilts = np.array([0, 0, 30e-6, 0, 0, 0])
    plan = plan_corrections(exact_fit(mirror, np.zeros(6), tilts, pose=(0.0, 50e-6), quantity="slope"))
    expected = np.zeros((6, 2))
    expected[2] = -30e-6 * 0.45 / 4 * np.array([-1, 1])
    assert_allclose(moves(plan).reshape(6, 2), expected, rtol=0, atol=3e-11)
    assert plan.carrier_height is None
    assert_allclose(plan.carrier_tilt, -50e-6, rtol=0, atol=2e-10)
    assert all(rest.height is None for rest in plan.segments)
    assert_allclose([rest.tilt for rest in plan.segments], 0, atol=3e-10)
    assert plan.feasible


def test_another_ellipse_is_part_of_the_deviation() -> None:
    """A mirror fitted as another ellipse, pose and segments at zero: what is to be mended is its distance from
    the target, segment by segment: the line of least squares over the span."""
    mirror = even_mirror(NOMINAL, count=8, pitch=0.45, travel=WIDE)
    true = (8.05, 7.93, 0.02205)
    fit = fit_ellipse(made_profile(mirror, true, points=301), segments="free", residual="white")
    plan = plan_corrections(fit)
    x = np.array([adjuster.x for adjuster in adjusters(mirror)])
    row = 0
    for segment in mirror.segments:
        span = np.linspace(segment.start, segment.end, 2001)
        change = ideal("height", span, *true) - ideal("height", span, 8.0, 8.0, 0.022)
        tilt, height = np.polyfit(span - segment.middle, change, 1)
        mine = slice(row, row + 2)
        row += 2
        after = height + tilt * (x[mine] - segment.middle) + carried(plan, x[mine]) + moves(plan)[mine]
        # the curved rest of the change (2 um) is averaged over 65 or 2001 points: 1 % of it
        assert_allclose(after, 0, atol=2e-8)


def test_the_mirror_as_it_stands_now_may_be_given() -> None:
    """Positions read later than the measurement: the plan starts from them."""
    mirror = even_mirror(NOMINAL, count=6, pitch=0.45)
    fit = exact_fit(mirror, np.zeros(6), np.zeros(6))
    now = even_mirror(NOMINAL, count=6, pitch=0.45, position=20e-6)
    assert {move.start for move in plan_corrections(fit, now).moves} == {20e-6}
    other = even_mirror(NOMINAL, count=6, pitch=0.4)
    with pytest.raises(ParameterError, match="names and spans of the segments"):
        plan_corrections(fit, other)


def test_an_unconverged_fit_is_never_feasible() -> None:
    mirror = even_mirror(NOMINAL, count=6, pitch=0.45)
    fit = exact_fit(mirror, np.zeros(6), np.zeros(6))
    assert plan_corrections(fit).feasible
    assert not plan_corrections(replace(fit, converged=False)).feasible


def test_contradicting_limits_have_no_solution() -> None:
    """v <= -1 and v >= 1."""
    rows, limits = np.array([[1.0], [-1.0]]), np.array([-1.0, -1.0])
    assert minimise_linear(np.array([1.0]), rows, limits) is None
