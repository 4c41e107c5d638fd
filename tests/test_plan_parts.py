"""Parts of planning and learning at their limits: what counts as reached, binds, is expected and is known."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from typing import Any, Literal

import numpy as np
import pytest
from numpy.testing import assert_allclose

from ellipsefit.align import plan_corrections
from ellipsefit.align.change import LineChange, line_map
from ellipsefit.align.layout import Layout, deviations, layout
from ellipsefit.align.learning import Done, first_knowledge, learn
from ellipsefit.align.limits import NOTHING, Limits, goal_limits, segment_limits, travel_limits
from ellipsefit.align.objectives import SETTLING, Choice, choose, expected_rows, touch_cost
from ellipsefit.align.orders import adjusters_of
from ellipsefit.align.plan import SegmentRest, _binding, _free_target, _rounded_moves, _slopes_left, _within
from ellipsefit.align.program import column_size, minimise_linear
from ellipsefit.align.response import Response, nominal_response
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.fit import fit_ellipse
from ellipsefit.mirror import Mirror, Tolerance
from tests.align_cases import NOMINAL, fit_of, with_adjusters
from tests.loop_cases import small_mirror
from tests.loop_cases import with_adjusters as with_screws
from tests.rehearsal import Array, even_mirror, made_profile


def model_of(**options: Any) -> tuple[Layout, Mirror]:
    mirror = even_mirror(NOMINAL, count=2, pitch=0.45, **options)
    return layout(fit_of(mirror, np.zeros(2), np.zeros(2)), NOMINAL, mirror), mirror


def rest(height: float | None, tilt: float) -> SegmentRest:
    return SegmentRest(name="S", height=height, tilt=tilt, image_shift=0.0)


def test_a_tolerance_is_met_up_to_a_millionth_beyond_it() -> None:
    """A plan may end right at it, on either side; where only one is stated the other does not count, nor a height that
    slopes don't tell; every segment has to."""
    model, mirror = model_of(tolerance=Tolerance(segment_height=2e-6, segment_tilt=10e-6))
    none = np.zeros(4)

    def within(*rests: SegmentRest, one: Mirror = mirror) -> bool:
        return _within(model, one, rests, none, none)

    for sign in (1.0, -1.0):
        for share, fine in ((1.0, True), (1 + 0.9e-6, True), (1 + 1.1e-6, False)):
            assert within(rest(sign * share * 2e-6, 0.0), rest(0.0, 0.0)) is fine
            assert within(rest(0.0, 0.0), rest(0.0, sign * share * 10e-6)) is fine
    assert within(rest(None, 10e-6), rest(None, -10e-6))
    heights = replace(mirror, tolerance=Tolerance(segment_height=2e-6))
    tilts = replace(mirror, tolerance=Tolerance(segment_tilt=10e-6))
    assert within(rest(2e-6, 1.0), rest(0.0, 0.0), one=heights)
    assert not within(rest(3e-6, 0.0), rest(0.0, 0.0), one=heights)
    assert within(rest(1.0, 10e-6), rest(0.0, 0.0), one=tilts)
    assert not within(rest(0.0, 11e-6), rest(0.0, 0.0), one=tilts)


def test_without_tolerances_one_step_may_remain_at_a_screw_and_nothing_at_an_end() -> None:
    """Of 1 um, to a nanometre; what the screws rise by counts; at the end of a segment that no screw turns, nothing."""
    model, mirror = model_of(resolution=1e-6)
    rests = (rest(0.0, 0.0),) * 2
    for left, fine in ((1e-6, True), (-1e-6, True), (1.0009e-6, True), (1.0011e-6, False), (-1.0011e-6, False)):
        error = np.array([0.0, left, 0.0, 0.0])
        assert _within(model, mirror, rests, error, np.zeros(4)) is fine
        assert _within(model, mirror, rests, error + 5e-6, np.full(4, -5e-6)) is fine
    ends = replace(
        model, at_adjuster=np.array([True, True, True, True, False]), error=np.zeros(5), effect=np.zeros((5, 6))
    )
    for left, fine in ((NOTHING, True), (-NOTHING, True), (1.1 * NOTHING, False)):
        assert _within(ends, mirror, rests, np.array([0, 0, 0, 0, left]), np.zeros(4)) is fine
    goal = goal_limits(ends, mirror, margin=True)
    assert_allclose(goal.limits, np.tile([0.5e-6, 0.5e-6, 0.5e-6, 0.5e-6, NOTHING], 2), rtol=1e-9)
    assert goal.names[4] == "rest of one step at the end of a segment, upper"


def test_screws_bind_by_the_price_of_their_ends() -> None:
    """Upper ends first, then lower ones, whichever is pressed; of a choice without prices those that were moved to
    their limit; where nothing is wrong nothing binds."""
    model, _ = model_of(resolution=1e-6)
    moves = _rounded_moves(model, np.array([60e-6, 3e-6, -60e-6, 0.0]))
    choice = Choice(values=np.zeros(6), optima={}, gaps={}, pressure=np.array([0, 0.5, 0, 0, 0, 0, 0, 2e-9, 9.0, 9.0]))
    assert _binding(model, choice, 1e-6, moves) == ("S01/A2", "S02/A2")
    both = replace(choice, pressure=np.array([0, 0.9e-9, 0, 0, 0, 0.9e-9, 1.0, 0]))
    assert _binding(model, both, 1e-6, moves) == ("S01/A2", "S02/A1")
    assert _binding(model, replace(choice, pressure=None), 1e-6, moves) == ("S01/A1", "S02/A1")
    assert _binding(model, choice, NOTHING, moves) == ()
    assert _binding(model, choice, 1.1 * NOTHING, moves) == ("S01/A2", "S02/A2")


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_slopes_left_in_each_segment(quantity: Literal["height", "slope"]) -> None:
    """Slope of the surface that was fitted less the target's, at each point, and by how much each segment is turned
    afterwards: means and shares of the segments that were measured."""
    mirror = even_mirror(NOMINAL, count=4, pitch=0.45)
    tilts = np.array([10e-6, -5e-6, 0.0, 20e-6])
    placed = made_profile(mirror, (8.003, 7.998, 0.02201), tilts=tilts, points=61, quantity=quantity, skip=(1,))
    fit = fit_ellipse(placed, vary=("p", "q", "theta"), segments="free", residual="white")
    model = layout(fit, NOMINAL, mirror)
    rests = tuple(rest(0.0, value) for value in (3e-6, -4e-6, 1e-6))
    found = _slopes_left(fit, NOMINAL, model, rests)
    assert_allclose(found.share, 1 / 3, rtol=1e-12)
    square, means = 0.0, []
    for item, after in zip(deviations(fit, NOMINAL), rests, strict=True):
        state, x = fit.segments[item.number], placed.x[placed.part(item.number)]
        surface = fit.ellipse.slope(x) + fit.pose.tilt + (state.tilt or 0.0) - NOMINAL.slope(x)
        left = surface - item.tilt + after.tilt
        means.append(left.mean())
        square += float(np.mean(left**2)) / 3
    # the figure is nothing but rounding: 1e-10 rad
    assert_allclose(found.mean, means, rtol=0, atol=1e-9)
    assert_allclose(found.square, square, rtol=1e-3)
    assert found.figure == fit.figure.slope_error_rms < 1e-9
    for stated, counted in ((None, 0.0), (3e-8, 3e-8)):
        other = replace(fit, figure=replace(fit.figure, slope_error_rms_stderr=stated))
        assert _slopes_left(other, NOMINAL, model, rests).figure_stderr == counted


# ------------------------------------------------------------------ programmes


def test_columns_are_scaled_by_their_largest_number() -> None:
    assert_allclose(column_size(np.array([[1.0, -3.0, 0.0], [-2.0, 0.5, 0.0]])), [2.0, 3.0, 1.0])
    assert_allclose(column_size(np.zeros((0, 2))), 1.0)


def test_prices_are_what_a_limit_costs() -> None:
    """Random programmes in any units, against differences of the optimum itself: relaxing each limit by a part in 1e4
    changes it by its price, and primal and dual agree."""
    rng = np.random.default_rng(41)
    for _ in range(6):
        unit = 10.0 ** rng.uniform(-3, 3, 4)
        corner = rng.normal(size=4)
        rows = np.concatenate([rng.normal(size=(10, 4)), np.eye(4), -np.eye(4)])
        limits = (rows @ corner + rng.uniform(0.5, 2.0, 18)) * 1e-6
        cost = rng.normal(size=4)
        found = minimise_linear(cost * unit, rows * unit, limits)
        assert found is not None
        assert_allclose(found.cost, cost @ (found.values * unit), rtol=1e-9)
        assert np.all(rows @ (found.values * unit) <= limits + 1e-13)
        assert_allclose(-found.pressure @ limits, found.cost, rtol=1e-9)
        assert abs(found.gap) < 1e-15
        assert np.all(found.pressure >= -1e-12)
        for place in np.flatnonzero(found.pressure > 1e-6):
            more = limits.copy()
            more[place] += 1e-10
            other = minimise_linear(cost * unit, rows * unit, more)
            assert other is not None
            assert_allclose((found.cost - other.cost) / 1e-10, found.pressure[place], rtol=1e-3)


def test_the_first_objective_sets_the_prices() -> None:
    """Whatever follows: relaxing the end of a travel by 1 nm makes the first objective smaller by its price."""
    rng = np.random.default_rng(42)
    mirror = even_mirror(NOMINAL, count=3, pitch=0.45, travel=(-4e-6, 4e-6))
    model = layout(fit_of(mirror, rng.normal(0, 9e-6, 3), rng.normal(0, 40e-6, 3)), NOMINAL, mirror)
    limits = travel_limits(model)
    found = choose(model, limits, ("worst", "spot", "travel"))
    assert found is not None
    assert found.pressure is not None
    assert (found.pressure > 1e-9).sum() >= 3
    for place in range(len(limits.limits)):
        more = limits.limits.copy()
        more[place] += 1e-9
        other = choose(model, replace(limits, limits=more), ("worst",))
        assert other is not None
        gained = (found.optima["worst"] - other.optima["worst"]) / 1e-9
        assert_allclose(gained, found.pressure[place], rtol=0, atol=2e-3)  # a picometre of the solver's, of a nanometre


def test_limits_are_put_together_and_chosen_from() -> None:
    one = Limits(rows=np.array([[1.0, 2.0]]), limits=np.array([3.0]), names=("a",))
    two = Limits(rows=np.array([[4.0, 5.0], [6.0, 7.0]]), limits=np.array([8.0, 9.0]), names=("b", "c"))
    both = one + two
    assert both.names == ("a", "b", "c")
    assert_allclose(both.rows, [[1, 2], [4, 5], [6, 7]])
    assert_allclose(both.limits, [3, 8, 9])
    for kept in ([2, 0], np.array([True, False, True])):
        some = both.chosen(kept)
        assert sorted(some.names) == ["a", "c"]
        assert sorted(some.limits) == [3.0, 9.0]
    assert both.chosen([2, 0]).names == ("c", "a")
    assert both.chosen([]).rows.shape == (0, 2)


def least_expected(model: Layout) -> float:
    """Least root mean square over all sets of screws, without limits: numpy's lstsq on motions that spare others."""
    matrix, offset = expected_rows(model)
    cost, best = touch_cost(model), np.inf
    count, n = model.moves.shape
    for many in range(count + 1):
        for touched in combinations(range(count), many):
            still = np.delete(model.moves, touched, axis=0)
            _, size, modes = np.linalg.svd(still) if len(still) else (None, np.zeros(0), np.eye(n))
            basis = modes[int(np.sum(size > 1e-9)) :].T
            found = np.linalg.lstsq(matrix @ basis, -offset, rcond=None)[0]
            loss = float(np.sum((matrix @ basis @ found + offset) ** 2) + cost[list(touched)].sum())
            best = min(best, loss)
    return float(np.sqrt(best / len(model.error)))


def test_what_is_worth_touching_is_touched() -> None:
    """Errors as large as what touching adds: the least over all sets of screws is found, or all but; never less."""
    hits = 0
    for seed in range(8):
        rng = np.random.default_rng(seed)
        mirror = with_adjusters(even_mirror(NOMINAL, count=2, pitch=0.45, travel=(-1e-3, 1e-3)), gain_error=0.1)
        model = layout(fit_of(mirror, rng.normal(0, 0.3e-6, 2), rng.normal(0, 2e-6, 2)), NOMINAL, mirror)
        found = choose(model, travel_limits(model), ("expected",))
        assert found is not None
        assert found.pressure is None
        matrix, offset = expected_rows(model)
        touched = np.abs(model.moves @ found.values) > 1e-10
        square = np.sum((matrix @ found.values + offset) ** 2) + touch_cost(model)[touched].sum()
        told = found.optima["expected"]
        assert_allclose(told, np.sqrt(square / 4), rtol=1e-6)
        least = least_expected(model)
        assert told >= least * (1 - 1e-9)
        hits += told <= least * (1 + 1e-6)
        assert told <= 1.2 * least
    assert hits >= 6


# ------------------------------------------------------------------ targets and responses


def test_a_free_target_is_found_where_the_whole_is_linear_again() -> None:
    """A perfect mirror of another ellipse within tolerance: that ellipse, to a thousandth of the tolerance, since what
    remains after each of the steps is the square of the last one; of one that is further off, the tolerance's end."""
    tolerance = Tolerance(source_distance=20e-3, image_distance=20e-3, grazing_angle=50e-6)
    mirror = even_mirror(NOMINAL, count=8, pitch=0.45, travel=(-1e-3, 1e-3), tolerance=tolerance)
    true = (8.012, 7.991, 0.02203)
    fit = fit_ellipse(made_profile(mirror, true, points=101), segments="fixed", residual="white")
    found = _free_target(fit, mirror, None, ("reach", "screws", "travel"))
    change = np.abs(fit.ellipse.height(np.linspace(-1.8, 1.8, 50)) - found.height(np.linspace(-1.8, 1.8, 50)))
    assert change.max() < 20e-9  # m; the target itself is known less well than the curve
    assert abs(found.p - 8.0) <= 20e-3
    plan = plan_corrections(fit, target="free", objectives=("reach",))
    assert max(abs(move.move) for move in plan.moves) < 50e-9
    with pytest.raises(ParameterError, match="target must be one of nominal, free; got 'best'"):
        plan_corrections(fit, target="best")  # type: ignore[arg-type]  # what is not allowed
    other = even_mirror(NOMINAL, count=8, pitch=0.46, tolerance=tolerance)
    with pytest.raises(ParameterError, match="must have the names and spans of the segments of 'Rowan'"):
        plan_corrections(fit, other)
    for free in ("source_distance", "image_distance", "grazing_angle"):
        one = replace(mirror, tolerance=replace(Tolerance(), **{free: getattr(tolerance, free)}))
        target = _free_target(fit, one, None, ("worst",))
        kept = {
            "source_distance": target.p == 8.0,
            "image_distance": target.q == 8.0,
            "grazing_angle": target.theta == 0.022,
        }
        assert [name for name, same in kept.items() if not same] == [free]


def test_a_parallel_beam_has_no_shift_of_its_source() -> None:
    """A target with its source at infinity is at its nominal there, and in no words but zero."""
    mirror = even_mirror(Ellipse(np.inf, 8.0, 0.022), count=2, pitch=0.45, tolerance=Tolerance(image_distance=1e-3))
    blank = even_mirror(NOMINAL, count=2, pitch=0.45)
    plan = plan_corrections(fit_of(blank, np.zeros(2), np.zeros(2)))
    told = replace(plan, mirror=mirror, target=Ellipse(np.inf, 8.0005, 0.022)).to_dict()["target_shift"]
    assert told["source_distance"] == 0.0
    assert_allclose(told["image_distance"], 0.5e-3, rtol=1e-9)


def test_a_response_is_square_finite_and_read_back() -> None:
    mirror = with_adjusters(even_mirror(NOMINAL, count=2, pitch=0.45), gain_error=0.03)
    found = nominal_response(mirror)
    assert found.adjusters == tuple(adjusters_of(mirror))
    assert_allclose(found.matrix, np.eye(4))
    assert_allclose(found.stderr, 0.03 * np.eye(4))
    assert_allclose(nominal_response(even_mirror(NOMINAL, count=2, pitch=0.45)).stderr, 0.0)
    again = Response.from_dict(found.to_dict())
    assert again.adjusters == found.adjusters
    assert_allclose(again.stderr, found.stderr)
    for key, value in (("matrix", np.eye(3)), ("stderr", np.eye(4)[:3]), ("matrix", np.full((4, 4), np.nan))):
        with pytest.raises(
            ParameterError, match=f"response: {key} must be finite and have one row and column for each of the 4"
        ):
            replace(found, **{key: value})  # type: ignore[arg-type]  # fields by their names


# ------------------------------------------------------------------ what a round leaves unknown


def one_move(backlash: float, move: float, *, seen: tuple[str, ...]) -> tuple[Array, Array, Done]:
    """Rise of the first screw's surface and its uncertainty after one move, where these segments were measured."""
    mirror = with_screws(small_mirror(3), resolution=0.0, backlash=backlash)
    known = first_knowledge(mirror)
    done = Done(
        move=np.array([move, 0, 0, 0, 0, 0]), side=np.array([np.sign(move), 0, 0, 0, 0, 0]),
        settled=np.array([abs(move) >= backlash, False, False, False, False, False]),
    )  # fmt: skip
    lines = line_map(mirror, seen, 2)
    change = LineChange(
        quantity="height", segments=seen, change=np.zeros(len(lines)), covariance=1e-2 * np.eye(len(lines)), alike=None
    )
    found = learn(known, mirror, done, change)
    assert list(found.line_seen) == [segment in seen for segment, _ in known.adjusters]
    return found.rise, found.rise_stderr, done


def test_a_segment_that_was_not_measured_is_as_unsure_as_its_screws() -> None:
    """By hand, of a round that shows nothing: a stroke of 30 um that took up a backlash of 4 um (to 2 um, standing
    within 2 um) rose by 30 - 2 um; its neighbour by 5 % of that, the next segment by 1 %; gains of 10 %,
    settling of 0.2 um."""
    rise, stderr, _ = one_move(4e-6, 30e-6, seen=("S03",))
    assert_allclose(rise[:3], [28e-6, 0.0, 0.0], rtol=1e-6, atol=1e-12)
    expected = [
        np.sqrt((0.1 * 28e-6) ** 2 + 1e-12 + (2e-6) ** 2 + SETTLING**2),
        np.hypot(0.05 * 28e-6, SETTLING), np.hypot(0.01 * 28e-6, SETTLING),
    ]  # fmt: skip
    assert_allclose(stderr[:3], expected, rtol=1e-4)
    assert_allclose(stderr[4:], SETTLING, rtol=1e-4)
    # a stroke of 3 um took up no backlash for sure: anywhere within half of it to either side
    rise, stderr, _ = one_move(4e-6, 3e-6, seen=("S03",))
    assert_allclose(rise[0], 3e-6, rtol=1e-6)
    assert_allclose(stderr[0], np.sqrt((0.1 * 3e-6) ** 2 + (2e-6) ** 2 + SETTLING**2), rtol=1e-4)
    # falling, the surface leads
    rise, _, _ = one_move(4e-6, -30e-6, seen=("S03",))
    assert_allclose(rise[0], -28e-6, rtol=1e-6)


def test_segments_keep_their_room_for_rounding_whatever_their_freedom() -> None:
    """A tolerance of the tilt of slopes: half a step of 2 um at each of two screws 0.225 m apart."""
    tolerance = Tolerance(segment_height=5e-6, segment_tilt=30e-6)
    mirror = even_mirror(NOMINAL, count=2, pitch=0.45, resolution=2e-6, tolerance=tolerance)
    placed = made_profile(mirror, (8.0, 8.0, 0.022), tilts=[4e-6, -3e-6], points=21, quantity="slope")
    model = layout(fit_ellipse(placed, vary=(), segments="free", residual="white"), NOMINAL, mirror)
    found = segment_limits(model, mirror, margin=True)
    assert found.names == tuple(f"segment_tilt of S0{n}, {end}" for end in ("upper", "lower") for n in (1, 2))
    left = 30e-6 - 2e-6 / 0.225
    assert_allclose(found.limits, [left - 4e-6, left + 3e-6, left + 4e-6, left - 3e-6], rtol=1e-6)
