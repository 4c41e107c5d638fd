"""Parts of a plan by hand or by dense algebra: polygons, ranges, shares of light, what can be expected of a plan."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import linprog
from scipy.stats import norm

from ellipsefit.align import plan_corrections
from ellipsefit.align.counting import (
    _box,
    _choices,
    _corners,
    _eliminated,
    _holds,
    _Polygon,
    _reach,
    _Segment,
    _segments,
    _still,
)
from ellipsefit.align.layout import _light, _range, _target_range, layout, mode_words
from ellipsefit.align.limits import NOTHING, goal_limits, line_map, rounding, segment_limits, target_limits
from ellipsefit.align.objectives import Objective
from ellipsefit.align.orders import Approach, Order, Orders, approached, moved_mirror, orders_of, trial_orders
from ellipsefit.align.outlook import as_measured, deviation_covariance, look_ahead, probability_inside
from ellipsefit.align.plan import _travel_missing_at
from ellipsefit.align.program import minimise_linear, minimise_squares
from ellipsefit.align.response import Response
from ellipsefit.align.rigid import rise_map
from ellipsefit.align.sequence import Sequence, sequence_of
from ellipsefit.decision import decide
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.fit.roll import segment_rolls
from ellipsefit.mirror import Adjuster, Mirror, Segment, Tolerance
from ellipsefit.profile import Quantity
from tests.align_cases import NOMINAL, fit_of, levers, with_adjusters
from tests.rehearsal import even_mirror, made_profile
from tests.test_objectives import less_common
from tests.test_roll import SIDES, several_lines, tripod_mirror

# ------------------------------------------------------------------ polygons


def square() -> _Polygon:
    corners = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    return _Polygon(corners, np.concatenate([np.eye(2), -np.eye(2)]), np.ones(4))


def area(polygon: _Polygon) -> float:
    """By the shoelace formula."""
    x, y = polygon.corners.T
    return float(abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2)


def test_a_square_is_cut_by_a_line() -> None:
    """x + y <= 1 takes a corner of area 1/2 from a square of 4; x <= 3 takes nothing, x <= -3 all; x + y <= -2 leaves a
    point."""
    cut = square().cut(np.array([1.0, 1.0]), 1.0)
    assert cut is not None
    assert len(cut.corners) == 5
    assert_allclose(area(cut), 3.5)
    assert {tuple(corner) for corner in cut.corners.round(12)} == {(-1, -1), (1, -1), (1, 0), (0, 1), (-1, 1)}
    assert_allclose(cut.rows[-1], [1, 1])
    assert cut.limits[-1] == 1.0
    whole = square()
    assert whole.cut(np.array([1.0, 0.0]), 3.0) is whole
    assert whole.cut(np.array([1.0, 0.0]), -3.0) is None
    touched = whole.cut(np.array([1.0, 1.0]), -2.0)
    assert touched is not None
    assert area(touched) == 0.0


def test_a_polygon_keeps_the_limits_that_hold_it_and_no_others() -> None:
    """Limits in any order give the polygon of all of them; those that no corner reaches are forgotten."""
    rows = np.array([[1.0, 0.0], [1.0, 1.0], [0.0, -1.0], [1.0, 0.0]])
    limits = np.array([5.0, 0.5, 0.25, 0.6])
    found = square().within(rows, limits)
    assert found is not None
    # x in -1..0.6, y in -0.25..1, x + y <= 0.5: a box of 1.6 x 1.25 less a triangle of legs 1.1
    assert_allclose(area(found), 1.6 * 1.25 - 1.1**2 / 2)
    assert sorted(map(tuple, found.rows)) == [(-1.0, 0.0), (0.0, -1.0), (0.0, 1.0), (1.0, 0.0), (1.0, 1.0)]
    assert 5.0 not in found.limits
    assert square().within(np.array([[1.0, 0.0], [-1.0, 0.0]]), np.array([0.5, -0.6])) is None
    empty = square().within(np.zeros((0, 2)), np.zeros(0))
    assert empty is not None
    assert_allclose(area(empty), 4)
    places = np.array([[0.6, -0.25], [0.55, 0.0], [-1.0, 1.0], [0.0, -0.25]])
    assert list(_holds(found, places)) == [True, False, True, True]


def test_corners_are_where_edges_meet() -> None:
    """Two lines x = 1/2 and x + y = 0 meet at (1/2, -1/2); parallels nowhere; each polygon's own corners are there."""
    one = _Polygon(np.array([[0.0, 0.0]]), np.array([[1.0, 0.0], [2.0, 0.0]]), np.array([0.5, 3.0]))
    two = _Polygon(np.array([[7.0, 8.0]]), np.array([[1.0, 1.0]]), np.array([0.0]))
    found = {tuple(corner) for corner in _corners([one, two]).round(12)}
    assert found == {(0.0, 0.0), (7.0, 8.0), (0.5, -0.5), (1.5, -1.5)}
    rng = np.random.default_rng(2)
    rows, limits = rng.normal(size=(5, 2)), rng.normal(size=5)
    met = _corners([_Polygon(np.zeros((0, 2)), rows, limits)])
    exact = [np.linalg.solve(rows[[a, b]], limits[[a, b]]) for a in range(5) for b in range(a)]
    assert_allclose(sorted(map(tuple, met)), sorted(map(tuple, exact)), rtol=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_unknowns_are_eliminated_as_a_linear_programme_says(seed: int) -> None:
    """A shared pose is allowed if some own unknowns keep the limits: HiGHS for 100 poses, near the edge and far."""
    rng = np.random.default_rng(seed)
    shared, own, limits = rng.normal(size=(9, 2)), rng.normal(size=(9, 2)), rng.uniform(0.1, 1.0, 9)
    own[0] = 0.0  # a limit of the pose alone
    rows, bounds = _eliminated(shared, own, limits)
    told = []
    for pose in rng.normal(size=(100, 2)):
        solved = linprog(np.zeros(2), A_ub=own, b_ub=limits - shared @ pose, bounds=(None, None), method="highs")
        told.append(solved.status == 0)
        assert bool(np.all(rows @ pose <= bounds + 1e-9)) is told[-1]
    assert 0 < sum(told) < 100


def test_choices_of_screws_are_those_that_free_a_motion() -> None:
    """Height and tilt on three screws in a row: none is touched and nothing moves, one frees no motion, two of three
    free a turn about the third, all free both."""
    levers_ = np.array([-1.0, 0.0, 1.0])
    moves = np.column_stack([np.ones(3), levers_])
    part = _Segment(
        np.zeros((2, 2)), np.array([[1.0, 0.0], [-1.0, 0.0]]), np.array([1.0, 1.0]), np.array([4, 5, 6]), moves
    )
    found = _choices(part)
    assert [list(choice.touched) for choice in found] == [[], [4, 5], [4, 6], [5, 6], [4, 5, 6]]
    assert [choice.freedom for choice in found] == [0, 1, 1, 1, 2]
    assert _still(moves[:0], 2).shape == (2, 2)
    assert _still(moves, 2).shape == (2, 0)
    assert _still(moves[:, :0], 0).shape == (0, 0)
    assert_allclose(np.abs(_still(moves[1:2], 2)).ravel(), [0, 1], atol=1e-15)


def test_segments_share_the_carrier_or_are_no_segments() -> None:
    """Two of one own unknown each beside one shared; a limit of the shared one alone; coupled or too many are none."""
    rows = np.array([[1.0, 1.0, 0.0], [1.0, 0.0, 1.0], [1.0, 0.0, 0.0]])
    moves = np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    parts = _segments(rows, np.array([1.0, 2.0, 3.0]), moves, 1)
    assert parts is not None
    assert [part.limits.tolist() for part in parts] == [[1.0], [2.0], [3.0]]
    assert [part.places.tolist() for part in parts] == [[0], [1], []]
    assert [part.own.shape for part in parts] == [(1, 1), (1, 1), (1, 0)]
    assert_allclose(parts[2].shared, [[1.0]])
    assert parts[2].moves.shape == (0, 0)
    assert _segments(rows, np.ones(3), np.array([[1.0, 1, 0], [0, 0, 1]]), 1) is None
    wide = np.ones((1, 5))
    assert _segments(wide, np.ones(1), np.array([[0.0, 1, 1, 1, 1]]), 1) is None
    assert _segments(wide[:, :4], np.ones(1), np.array([[0.0, 1, 1, 1]]), 1) is not None


def test_a_box_holds_all_poses_that_keep_the_limits() -> None:
    """-2 <= x <= 3 um, y unlimited above and at least 1 um: a little wider on each side that has an end."""
    rows = np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, -1.0]])
    found = _box(rows, np.array([3e-6, 2e-6, -1e-6]), 2)
    assert found is not None
    low, high = found.corners.min(axis=0), found.corners.max(axis=0)
    assert_allclose(low, [-3, 0], atol=1e-6)
    assert_allclose(high, [4, 1e6], atol=1e-6)
    assert_allclose(area(found), 7 * 1e6, rtol=1e-6)
    assert np.all(_holds(found, np.array([[-2.0, 1.0], [3.0, 500.0]])))
    assert _box(rows, np.array([3e-6, -4e-6, 0.0]), 2) is None


def test_the_reach_of_a_move_is_what_limits_leave_of_its_travel() -> None:
    """0 <= v <= 4 um of a travel of +-9 um: up to 4 um and not down; without limits the travel."""
    rows, moves = np.array([[1.0], [-1.0]]), np.array([[1.0]])
    travel = np.array([9e-6])
    low, high = _reach(rows, np.array([4e-6, 0.0]), moves, -travel, travel)
    assert_allclose([low[0], high[0]], [0, 4e-6], rtol=2e-6, atol=2e-12)
    assert low[0] <= 0
    assert high[0] >= 4e-6
    low, high = _reach(np.array([[1.0]]), np.array([1.0]), moves, -travel, 2 * travel)
    assert (low[0], high[0]) == (-9e-6, 18e-6)


# ------------------------------------------------------------------ programmes


def test_a_linear_programme_proves_its_optimum_and_prices_its_limits() -> None:
    """Least x + 2 y with x >= 3, y >= 1, x + y >= 5 (um): x = 4, y = 1, cost 6; a micrometre off x + y >= 5 saves one,
    off y >= 1 another, off x >= 3 nothing."""
    rows, limits = np.array([[-1.0, 0.0], [0.0, -1.0], [-1.0, -1.0]]), np.array([-3e-6, -1e-6, -5e-6])
    found = minimise_linear(np.array([1.0, 2.0]), rows, limits)
    assert found is not None
    assert_allclose(found.values, [4e-6, 1e-6], rtol=1e-9)
    assert_allclose(found.cost, 6e-6, rtol=1e-9)
    assert abs(found.gap) < 1e-15
    assert_allclose(found.pressure, [0, 1, 1], atol=1e-9)
    assert minimise_linear(np.ones(2), np.array([[1.0, 0], [-1.0, 0]]), np.array([1e-6, -2e-6])) is None
    # a column that no limit knows costs nothing
    free = minimise_linear(np.array([1.0, 0.0]), np.array([[-1.0, 0.0]]), np.array([-2e-6]))
    assert free is not None
    assert_allclose(free.cost, 2e-6, rtol=1e-9)


def test_a_least_squares_programme_stops_at_its_limits() -> None:
    """The nearest point of x + y <= 1 to (2, 1) is (1, 0); of no limits, and of loose ones, (2, 1) itself."""
    matrix, offset = np.diag([1.0, 1.0]), -np.array([2.0, 1.0])
    rows = np.array([[1.0, 1.0]])
    found = minimise_squares(matrix, offset, rows, np.array([1.0]))
    assert found is not None
    assert_allclose(found, [1, 0], atol=1e-12)
    for some, limit in ((rows, [3.0]), (rows, [5.0]), (np.zeros((0, 2)), [])):
        found = minimise_squares(matrix, offset, some, np.array(limit))
        assert found is not None
        assert_allclose(found, [2, 1], atol=1e-12)
    # of other units: the second unknown counts a thousandth, the same point
    found = minimise_squares(np.diag([1.0, 1e-3]), offset, np.array([[1.0, 1e-3]]), np.array([1.0]))
    assert found is not None
    assert_allclose(found, [1, 0], atol=1e-9)
    assert minimise_squares(matrix, offset, np.array([[1.0, 0], [-1.0, 0]]), np.array([1.0, -2.0])) is None
    # in whatever unit its limits are written, one that is 1e-13 of another is none
    for unit in (1e7, 1e-7):
        weak = np.array([[1.0, 1.0], [-1e-13, 0.0]]) * unit
        found = minimise_squares(matrix, offset, weak, np.array([1.0, -1.0]) * unit)
        assert found is not None
        assert_allclose(found, [1, 0], atol=1e-12)
    # a limit that knows none of these unknowns is no limit
    found = minimise_squares(matrix, offset, np.array([[0.0, 0.0], [1.0, 1.0]]), np.array([-1.0, 1.0]))
    assert found is not None
    assert_allclose(found, [1, 0], atol=1e-12)


# ------------------------------------------------------------------ ranges, shares, names


def adjuster(position: float = 0.0, resolution: float = 0.0, travel: tuple[float, float] = (-60e-6, 60e-6)) -> Adjuster:
    return Adjuster(name="A", x=0.0, travel=travel, position=position, resolution=resolution)


def test_a_range_is_whole_steps_within_travel() -> None:
    """By hand: 250 um of 0.5 um are 500 steps; 60 um from 1 um in steps of 7 um are 8 up (56 of 59) and 8 down (56
    of 61)."""
    assert_allclose(_range(adjuster(travel=(-250e-6, 250e-6), resolution=0.5e-6)), (-250e-6, 250e-6), rtol=1e-12)
    assert_allclose(_range(adjuster(1e-6, 7e-6)), (-56e-6, 56e-6), rtol=1e-12)
    assert_allclose(_range(adjuster(-5e-6, 7e-6)), (-49e-6, 63e-6), rtol=1e-12)
    assert_allclose(_range(adjuster(1e-6)), (-61e-6, 59e-6), rtol=1e-12)


def test_light_falls_on_segments_by_the_angle_at_the_source() -> None:
    """Angles between lines from the source to the ends of each segment, which sum to all of it: a segment of 0.45 m 8 m
    away is short to (0.45 / 8)**2 / 12 = 3e-4 of its share."""
    mirror = even_mirror(NOMINAL, count=6, pitch=0.45)
    source, _ = NOMINAL.foci
    angles = []
    for segment in mirror.segments:
        ends = np.array([segment.start, segment.end])
        angles.append(np.ptp(np.arctan2(NOMINAL.height(ends) - source[1], ends - source[0])))
    found = _light(NOMINAL, list(mirror.segments))
    assert_allclose(found, np.array(angles) / np.sum(angles), rtol=1e-3)
    # of a parallel beam each gets as much as it is high: sin of its slope against the beam
    beam = Ellipse(np.inf, 8.0, 0.022)
    x = np.array([segment.middle for segment in mirror.segments])
    lengths = np.array([segment.length for segment in mirror.segments])
    exact = lengths * np.sin(0.022 + np.arctan(beam.slope(x)))
    assert_allclose(_light(beam, list(mirror.segments)), exact / exact.sum(), rtol=1e-9)


def test_a_target_moves_within_tolerance_of_nominal() -> None:
    """Nominal 8 m, 8 m, 22 mrad with 2 mm, none, 10 urad: a target 0.5 mm and 4 urad off has 1.5 mm and 6 urad left on
    that side."""
    tolerance = Tolerance(source_distance=2e-3, grazing_angle=10e-6)
    mirror = even_mirror(NOMINAL, count=3, pitch=0.45, tolerance=tolerance)
    low, high = _target_range(Ellipse(8.0005, 8.0, 0.021996), mirror)
    assert_allclose(low, [-2.5e-3, 0, -6e-6], rtol=1e-6, atol=1e-15)
    assert_allclose(high, [1.5e-3, 0, 14e-6], rtol=1e-6, atol=1e-15)
    model = layout(fit_of(mirror, np.zeros(3), np.zeros(3)), NOMINAL, mirror, free_target=True)
    limits = target_limits(model)
    assert limits.names == tuple(
        f"tolerance of {name}, {end} end" for end in ("upper", "lower")
        for name in ("source_distance", "image_distance", "grazing_angle")
    )  # fmt: skip
    assert_allclose(limits.limits, [2e-3, 0, 10e-6, 2e-3, 0, 10e-6], rtol=1e-6, atol=1e-15)
    unknown = np.zeros(model.effect.shape[1])
    unknown[2:5] = 1.0, 2.0, 3.0  # after the carrier's height and tilt
    assert_allclose(limits.rows @ unknown, [1, 2, 3, -1, -2, -3])


def test_a_target_that_moves_is_what_the_surface_is_measured_against() -> None:
    """A step of p by 1 mm: errors at the adjusters fall by what the curve rises there, to the line through it."""
    tolerance = Tolerance(source_distance=2e-3)
    mirror = even_mirror(NOMINAL, count=3, pitch=0.45, tolerance=tolerance)
    model = layout(fit_of(mirror, np.zeros(3), np.zeros(3)), NOMINAL, mirror, free_target=True)
    unknown = np.zeros(model.effect.shape[1])
    unknown[2] = 1e-3
    for row, segment in enumerate(mirror.segments):
        x = np.linspace(segment.start, segment.end, 2001)
        change = Ellipse(8.001, 8.0, 0.022).height(x) - NOMINAL.height(x)
        tilt, height = np.polyfit(x - segment.middle, change, 1)
        lever = np.array([a.x - segment.middle for a in segment.adjusters])
        # 65 points of a curve for all of them: (1/65)**1 of its bend, which is 1e-2 of the change
        assert_allclose(model.effect[2 * row : 2 * row + 2] @ unknown, -(height + tilt * lever), rtol=2e-2, atol=1e-10)


def test_modes_are_named_by_their_largest_parts() -> None:
    """Four at most, down to a twentieth of the largest, which counts as +1."""
    names = [f"S/{n}" for n in "ABCDEF"]
    assert mode_words(np.array([0.5, 0, -1.0, 0.04, 0, 0.0]), names) == "+1.00 S/C and -0.50 S/A"
    mode = np.array([-2.0, 1.0, 1.0, 1.0, 0.9, 0.8])
    told = "+1.00 S/A and -0.50 S/B and -0.50 S/C and -0.50 S/D and 2 more"
    assert mode_words(mode, names) == told


def test_a_response_is_asked_in_the_mirrors_order() -> None:
    """Known of adjusters in another order, and of others besides; one that is missing is named."""
    mirror = even_mirror(NOMINAL, count=2, pitch=0.45)
    fit = fit_of(mirror, np.zeros(2), np.zeros(2))
    names = [("S02", "A2"), ("Z", "Z"), ("S01", "A1"), ("S01", "A2"), ("S02", "A1")]
    matrix = np.diag([4.0, 9.0, 1.0, 2.0, 3.0])
    matrix[2, 0] = 0.25  # moving S02/A2 raises S01/A1
    response = Response(adjusters=tuple(names), matrix=matrix, stderr=matrix / 10)
    model = layout(fit, NOMINAL, mirror, response)
    expected = np.diag([1.0, 2.0, 3.0, 4.0])
    expected[0, 3] = 0.25
    assert_allclose(model.influence, expected)
    assert_allclose(model.influence_stderr, expected / 10)
    part = Response(adjusters=tuple(names[1:]), matrix=matrix[1:, 1:], stderr=matrix[1:, 1:])
    with pytest.raises(ParameterError, match="says nothing of adjuster 'S02/A2'"):
        layout(fit, NOMINAL, mirror, part)


def test_rises_of_one_adjuster_or_of_two_side_by_side() -> None:
    """One lifts whole; two at one x, at y = -20 mm and 30 mm: the mean and a roll of 1/50 mm; none does nothing."""
    whole = Segment(name="S", start=0.0, end=0.4, adjusters=(Adjuster(name="A", x=0.1, travel=(-1e-4, 1e-4)),))
    assert_allclose(rise_map(whole), [[1], [0], [0]], atol=1e-15)
    side = replace(
        whole,
        adjusters=tuple(Adjuster(name=n, x=0.1, y=y, travel=(-1e-4, 1e-4)) for n, y in (("L", -0.02), ("R", 0.03))),
    )
    # height at y = 0 by the lever rule: 3/5 and 2/5
    assert_allclose(rise_map(side), [[0.6, 0.4], [0.0, 0.0], [-20.0, 20.0]], atol=1e-12)
    assert rise_map(replace(whole, adjusters=())).shape == (3, 0)


def test_limits_of_segments_leave_room_for_rounding() -> None:
    """Steps of 2 um on two adjusters 0.225 m apart: half a step at each raises the middle by 1 um and tilts by
    2 * 1 um / 0.225 m. Tolerances of 3 um and 30 urad leave 2 um and 21.1 urad."""
    tolerance = Tolerance(segment_height=3e-6, segment_tilt=30e-6)
    mirror = even_mirror(NOMINAL, count=2, pitch=0.45, tolerance=tolerance, resolution=2e-6)
    lifts, tilts = np.array([1e-6, -1e-6]), np.array([5e-6, 0.0])
    model = layout(fit_of(mirror, lifts, tilts), NOMINAL, mirror)
    assert_allclose(rounding(model), np.tile([1e-6, 2e-6 / 0.225], 2), rtol=1e-12)
    found = segment_limits(model, mirror, margin=True)
    assert found.names[:2] == ("segment_height of S01, upper", "segment_tilt of S01, upper")
    assert found.names[4:6] == ("segment_height of S01, lower", "segment_tilt of S01, lower")
    left = np.array([2e-6, 30e-6 - 2e-6 / 0.225])
    assert_allclose(found.limits[:4], np.ravel([left - lines for lines in np.column_stack([lifts, tilts])]), rtol=1e-12)
    assert_allclose(found.limits[4:], np.ravel([left + lines for lines in np.column_stack([lifts, tilts])]), rtol=1e-12)
    whole = segment_limits(model, mirror, margin=False)
    assert_allclose(whole.limits[:2], [2e-6, 25e-6], rtol=1e-12)
    # without tolerances: half a step at each adjuster with a margin, one step without, never less than a nanometre
    bare = replace(mirror, tolerance=Tolerance())
    for margin, most in ((True, 1e-6), (False, 2e-6)):
        goal = goal_limits(model, bare, margin=margin)
        assert_allclose(goal.limits, np.concatenate([most - model.error, most + model.error]), rtol=1e-9)
    assert goal.names[0] == "rest of one step at S01/A1, upper"
    assert goal.names[-1] == "rest of one step at S02/A2, lower"
    fine = even_mirror(NOMINAL, count=2, pitch=0.45)
    assert_allclose(goal_limits(layout(fit_of(fine, [0, 0], [0, 0]), NOMINAL, fine), fine, margin=True).limits, NOTHING)
    assert_allclose(
        line_map(model)[:3], [[0.5, 0.5, 0.0, 0.0], [-1 / 0.225, 1 / 0.225, 0.0, 0.0], [0.0] * 4], atol=1e-12
    )


# ------------------------------------------------------------------ sureness


def test_probabilities_at_the_edges() -> None:
    """Known for sure, without limits, or correlated completely: by hand and by the normal distribution."""
    sure, none = np.zeros((2, 2)), np.array([np.inf, np.inf])
    limits = np.array([1.0, 2.0])
    assert probability_inside(np.array([0.9, -1.9]), sure, limits) == 1.0
    assert probability_inside(np.array([1.0, 2.0]), sure, limits) == 1.0
    assert probability_inside(np.array([1.1, 0.0]), sure, limits) == 0.0
    assert probability_inside(np.array([0.0, -2.1]), sure, limits) == 0.0
    assert probability_inside(np.array([50.0, 50.0]), np.eye(2), none) == 1.0
    one = norm.cdf(1.5) - norm.cdf(-0.5)
    assert_allclose(probability_inside(np.array([7.0, 0.5]), np.eye(2), np.array([np.inf, 1.0])), one, rtol=1e-12)
    assert_allclose(probability_inside(np.array([0.5, 7.0]), np.eye(2), np.array([1.0, np.inf])), one, rtol=1e-9)
    # the first known for sure, inside; the second is not
    assert_allclose(
        probability_inside(np.array([0.3, 0.5]), np.diag([0.0, 1.0]), np.array([1.0, 1.0])), one, rtol=1e-12
    )
    # the second known for sure
    for second, share in ((1.9, 1.0), (2.1, 0.0)):
        mean = np.array([0.5, second])
        assert_allclose(probability_inside(mean, np.diag([1.0, 0.0]), np.array([1.0, 2.0])), share * one, rtol=1e-9)
    # the second is twice the first, or minus that: its limit of 1 is one of 1/2 for the first
    half = norm.cdf(0.5) - norm.cdf(-0.5)
    for sign in (1.0, -1.0):
        whole = np.array([[1.0, 2.0 * sign], [2.0 * sign, 4.0]])
        assert_allclose(probability_inside(np.zeros(2), whole, np.array([1.0, 1.0])), half, rtol=1e-9)
        shifted = probability_inside(np.array([0.1, 0.4]), whole, np.array([1.0, 1.0]))
        # 2 z + 0.4 within 1, and z + 0.1 within 1, which asks for less
        ends = np.sort([sign * 0.3, -sign * 0.7])
        assert_allclose(shifted, norm.cdf(ends[1]) - norm.cdf(ends[0]), rtol=1e-9)
        # nearly so: the second has 0.1 of its own. Against the sum over a fine grid of the first
        nearly = np.array([[1.0, 2.0 * sign], [2.0 * sign, 4.01]])
        z = np.linspace(-1, 1, 20_001)
        grid = norm.pdf(z) * (norm.cdf((1 - 2 * z) / 0.1) - norm.cdf((-1 - 2 * z) / 0.1))
        assert_allclose(
            probability_inside(np.zeros(2), nearly, np.array([1.0, 1.0])), np.trapezoid(grid, z), rtol=0, atol=1e-7
        )
    # far out and nearly sure: nothing overflows
    assert probability_inside(np.array([30.0, 0.0]), np.eye(2), np.array([1.0, 1.0])) == 0.0
    narrow = np.diag([1e-14, 1.0])  # 1e-7 beside 0.5, which is told to 1e-16
    assert_allclose(probability_inside(np.array([0.5, 0.5]), narrow, np.array([1.0, 1.0])), one, rtol=1e-8)
    # independent: the product
    both = probability_inside(np.array([0.5, -0.4]), np.diag([1.0, 4.0]), np.array([1.0, 3.0]))
    assert_allclose(both, one * (norm.cdf(1.7) - norm.cdf(-1.3)), rtol=1e-9)


def measured(quantity: Quantity = "height", *, gain_error: float = 0.05, count: int = 4) -> tuple[EllipseFit, Mirror]:
    rng = np.random.default_rng(3)
    tolerance = Tolerance(segment_height=1e-6, segment_tilt=15e-6)
    mirror = with_adjusters(even_mirror(NOMINAL, count=count, pitch=0.45, tolerance=tolerance), gain_error=gain_error)
    placed = made_profile(
        mirror, (8.0, 8.0, 0.022), lifts=rng.normal(0, 5e-6, count), tilts=rng.normal(0, 20e-6, count), points=41,
        sigma=1e-6, noise=rng.normal(0, 1e-6, count * 41), quantity=quantity,
    )  # fmt: skip
    return fit_ellipse(placed, vary=(), segments="free", residual="white"), mirror


def test_what_a_plan_can_be_expected_to_reach() -> None:
    """Dense algebra: covariance of the deviations less their common part; gains unsure by 5 % of each move, 0.2 um of
    settling where something is touched; lever rule of two adjusters 0.225 m apart."""
    fit, mirror = measured()
    model = layout(fit, NOMINAL, mirror)
    number, lever, x = levers(mirror)
    less = less_common(mirror, np.eye(8)).T
    before = less @ deviation_covariance(fit) @ less.T
    moves = np.array([8e-6, -3e-6, 0.0, 0.2e-6, -12e-6, 0.1e-6, 5e-6, 0.0])
    rests = np.array([[0.2e-6, 3e-6], [-0.9e-6, 0.0], [0.0, -14e-6], [0.1e-6, 1e-6]])
    variance = (0.05 * moves) ** 2 + (0.2e-6 * (moves != 0)) ** 2
    found = look_ahead(fit, model, moves, rests, (1e-6, 15e-6))
    square = []
    for row, segment in enumerate(found.segments):
        own = slice(2 * row, 2 * row + 2)
        rule = np.array([[0.5, 0.5], [-1 / 0.225, 1 / 0.225]])
        after = before[own, own] + rule @ np.diag(variance[own]) @ rule.T
        assert segment.name == f"S{row + 1:02d}"
        assert segment.height_stderr is not None
        assert_allclose([segment.height_stderr, segment.tilt_stderr], np.sqrt(np.diag(after)), rtol=1e-9)
        assert segment.roll_stderr is None
        assert segment.probability is not None
        chance = probability_inside(rests[row], after, np.array([1e-6, 15e-6]))
        assert_allclose(segment.probability, chance, rtol=1e-9)
        each = [decide(v, s, m) for v, s, m in zip(rests[row], np.sqrt(np.diag(after)), (1e-6, 15e-6), strict=True)]
        worst = next(word for word in ("non-conform", "indeterminate", "conform") if word in each)
        assert segment.decision == worst
    for place, row in enumerate(number):
        at = np.array([1.0, lever[place]])
        own = slice(2 * row, 2 * row + 2)
        square.append((at @ rests[row]) ** 2 + at @ before[own, own] @ at + variance[place])
    assert_allclose(found.expected_error, np.sqrt(np.mean(square)), rtol=1e-9)
    assert found.leave == ("S02/A1", "S04/A2")
    # what is wanted of an adjuster is its surface less the line through all of them
    at = np.zeros((8, 8))
    at[np.arange(8), 2 * number], at[np.arange(8), 2 * number + 1] = 1.0, lever
    line = np.column_stack([np.ones(8), x])
    wanted = at - line @ np.linalg.lstsq(line, at, rcond=None)[0]
    unsure = np.sqrt(np.diag(wanted @ before @ wanted.T))
    names = [f"{mirror.segments[row].name}/A{1 + place % 2}" for place, row in enumerate(number)]
    small = tuple(name for name, move, s in zip(names, moves, unsure, strict=True) if 0 < abs(move) < 2 * s)
    assert found.doubtful == small == ("S02/A2", "S03/A2")
    weights = np.tile([5e-6, 20e-6], 4)
    modes = np.zeros((8, 2))
    modes[::2, 0], modes[1::2, 1], modes[::2, 1] = 1.0, 1.0, [s.middle for s in mirror.segments]
    common = np.linalg.pinv(modes / weights[:, None]) / weights
    spread = np.sqrt(np.diag(common @ deviation_covariance(fit) @ common.T))
    assert found.common_height_stderr is not None
    assert found.common_tilt_stderr is not None
    assert_allclose([found.common_height_stderr, found.common_tilt_stderr], spread, rtol=1e-9)
    told = found.to_dict()
    assert (told["expected_error"], told["do_not_touch"]) == (found.expected_error, ["S02/A1", "S04/A2"])
    assert (told["doubtful"], told["common_tilt_stderr"]) == (["S02/A2", "S03/A2"], found.common_tilt_stderr)
    entry = {key: getattr(found.segments[1], key) for key in told["segments"][1]}
    assert told["segments"][1] == entry
    table = found.rows()[0]
    assert table.header == ("segment", "height ±", "tilt ±", "ends inside", "ISO 14253-1, 95 %")
    assert table.cells[1][3] == f"{100 * (found.segments[1].probability or 0):.1f} %"
    assert "Do not touch: S02/A1, S04/A2." in table.notes
    assert any("S02/A2, S03/A2" in note and "yet moved" in note for note in table.notes)


def test_what_all_points_share_adds_to_every_deviation() -> None:
    """An origin that is unsure by 1 mm turns each segment by 1 mm times its curvature, all together: in squares."""
    fit, mirror = measured()
    unsure = replace(mirror, measurement=replace(mirror.measurement, x_uncertainty=1e-3))
    other = replace(fit, placed=replace(fit.placed, mirror=unsure))
    added = deviation_covariance(other) - deviation_covariance(fit)
    turned = 1e-3 * NOMINAL.curvature(np.array([segment.middle for segment in mirror.segments]))
    # the curvature changes by (0.45 / 8)**2 within a segment
    assert_allclose(added[1::2, 1::2], np.outer(turned, turned), rtol=0.01)


def test_without_tolerances_nothing_is_judged_and_one_segment_has_nothing_in_common() -> None:
    fit, mirror = measured()
    found = look_ahead(fit, layout(fit, NOMINAL, mirror), np.zeros(8), np.zeros((4, 2)), (None, None))
    assert all(item.probability is None and item.decision is None for item in found.segments)
    assert found.rows()[0].header == ("segment", "height ±", "tilt ±")
    assert len(found.leave) == 8
    one, alone = measured(count=1)
    found = look_ahead(one, layout(one, NOMINAL, alone), np.zeros(2), np.zeros((1, 2)), (1e-6, None))
    assert found.common_height_stderr is None
    assert found.common_tilt_stderr is None
    assert_allclose(found.segments[0].tilt_stderr, np.sqrt(deviation_covariance(one)[1, 1]), rtol=1e-9)
    values, stderr = as_measured(one, NOMINAL, alone)
    assert_allclose(stderr[0], np.sqrt(np.diag(deviation_covariance(one))), rtol=1e-9)
    item = layout(one, NOMINAL, alone).deviations[0]
    assert_allclose(values[0], [item.height, item.tilt])


def test_slopes_are_judged_by_tilts_alone() -> None:
    """Their common part is the mean tilt; heights are nothing and not known."""
    fit, mirror = measured("slope")
    found = look_ahead(fit, layout(fit, NOMINAL, mirror), np.zeros(8), np.zeros((4, 2)), (1e-6, 15e-6))
    covariance = deviation_covariance(fit)[1::2, 1::2]
    less = np.eye(4) - 0.25
    tilts = np.sqrt(np.diag(less @ covariance @ less.T))
    assert_allclose([item.tilt_stderr for item in found.segments], tilts, rtol=1e-9)
    assert all(item.height_stderr is None for item in found.segments)
    assert found.common_height_stderr is None
    assert found.common_tilt_stderr is not None
    assert_allclose(found.common_tilt_stderr, np.sqrt(covariance.mean()), rtol=1e-9)
    chance = norm.cdf(15e-6 / tilts[0]) - norm.cdf(-15e-6 / tilts[0])
    assert found.segments[0].probability is not None
    assert_allclose(found.segments[0].probability, chance, rtol=1e-9)
    values, stderr = as_measured(fit, NOMINAL, mirror)
    assert_allclose(values[:, 0], 0)
    assert_allclose(stderr[:, 1], tilts, rtol=1e-9)
    assert_allclose(values[:, 1].sum(), 0, atol=1e-18)


def test_roll_is_as_unsure_as_measured_and_as_the_moves_make_it() -> None:
    """Of three adjusters the roll by the plane through them; gains unsure by 5 %, settling of 0.2 um, in squares."""
    mirror = with_adjusters(tripod_mirror(), gain_error=0.05)
    fit = several_lines(mirror, np.zeros(6), np.zeros(6), np.full(6, 80e-6), (-0.02, 0.02), noise=1e-7)
    model = layout(fit, NOMINAL, mirror)
    moves = np.linspace(-5e-6, 5e-6, 18)
    found = look_ahead(fit, model, moves, np.zeros((6, 2)), (None, None))
    plane = np.linalg.inv(np.column_stack([np.ones(3), np.array(SIDES)]))  # height, tilt and roll from rises
    for number, (segment, roll) in enumerate(zip(found.segments, segment_rolls(fit), strict=True)):
        assert roll is not None
        own = moves[3 * number : 3 * number + 3]
        variance = plane[2] ** 2 @ ((0.05 * own) ** 2 + 0.04e-12)
        assert segment.roll_stderr is not None
        assert_allclose(segment.roll_stderr, np.hypot(roll.stderr, np.sqrt(variance)), rtol=1e-9)
    assert found.rows()[0].header == ("segment", "height ±", "tilt ±", "roll ±")
    plan = plan_corrections(fit)
    assert plan.carrier_roll is not None
    # the carrier takes the common roll, and each segment keeps what both leave
    for rest, roll, own in zip(
        plan.segments, segment_rolls(fit), np.reshape([move.move for move in plan.moves], (6, 3)), strict=True
    ):
        assert roll is not None
        assert rest.roll is not None
        assert_allclose(rest.roll, roll.roll + plan.carrier_roll + plane[2] @ own, rtol=0, atol=1e-15)
    assert plan.rows()[2].header == ("segment", "height left", "tilt left", "roll left", "image shift")
    assert plan.rows()[0].cells[2][0] == "carrier: roll"


def test_no_travel_is_missing_where_the_goal_is_reached_and_what_is_missing_suffices() -> None:
    """Segments 20 um up and down in turn on adjusters of 5 um, tolerance of 8 um: 20 - 5 - 8 = 7 um, by hand."""
    tolerance = Tolerance(segment_height=8e-6)
    mirror = even_mirror(NOMINAL, count=6, pitch=0.45, travel=(-5e-6, 5e-6), tolerance=tolerance)
    lifts = 20e-6 * np.array([1, -1, -1, 1, 1, -1.0])
    lifts = lifts - np.polyval(np.polyfit(np.arange(6), lifts, 1), np.arange(6))
    model = layout(fit_of(mirror, lifts, np.zeros(6)), NOMINAL, mirror)
    goal = goal_limits(model, mirror, margin=False)
    missing = _travel_missing_at(model, goal)
    assert missing is not None
    best = linprog(
        [0, 0, *np.zeros(12), 1],
        A_ub=np.concatenate([
            np.column_stack([goal.rows, np.zeros(len(goal.rows))]),
            np.column_stack([np.concatenate([model.moves, -model.moves]), -np.ones(24)]),
        ]) * 1.0,
        b_ub=np.concatenate([goal.limits, np.full(24, 5e-6)]) * 1e6,
        bounds=[(None, None)] * 14 + [(0, None)],
        method="highs",
    )  # fmt: skip
    assert best.status == 0
    assert_allclose(missing, float(best.fun or 0.0) * 1e-6, rtol=1e-6)
    assert missing > 1e-6
    wide = replace(model, highest=np.full(12, 50e-6), lowest=np.full(12, -50e-6))
    assert _travel_missing_at(wide, goal) == 0.0
    # a mirror without adjusters that the carrier brings in misses nothing
    bare = replace(mirror, segments=tuple(replace(s, adjusters=()) for s in mirror.segments))
    lifted = layout(fit_of(bare, np.full(6, 20e-6), np.zeros(6)), NOMINAL, bare)
    assert _travel_missing_at(lifted, goal_limits(lifted, bare, margin=False)) == 0.0
    stuck = replace(model, moves=np.zeros_like(model.moves))
    assert _travel_missing_at(stuck, goal) == 0.0  # segments that move by themselves ask for no travel


# ------------------------------------------------------------------ orders


def test_an_order_turns_back_where_its_end_must_be_approached() -> None:
    """Rising: a move up of 5 um needs nothing for an overshoot of 4 um, all of it for 6 um; a move down goes beyond."""

    def order(move: float, overshoot: float, approach: Approach = "rising") -> Order:
        return Order(segment="S", adjuster="A", start=1.0, stop=1.0 + move, approach=approach, overshoot=overshoot)

    assert order(5.0, 4.0).turning_point is None
    assert order(5.0, 5.0).turning_point is None
    assert order(5.0, 6.0).turning_point == 0.0
    assert order(-5.0, 4.0).turning_point == -8.0
    assert order(-5.0, 4.0, "falling").turning_point is None
    assert order(5.0, 4.0, "falling").turning_point == 10.0
    assert order(5.0, 4.0, "falling").last_stroke == -4.0
    assert order(5.0, 0.0).last_stroke == 5.0
    assert order(0.0, 4.0).turning_point is None
    assert order(5.0, 4.0, "direct").turning_point is None


def test_an_end_is_approached_rising_where_travel_has_room() -> None:
    """Backlash of 2 um in steps of 1.5 um: 4 um are 3 steps, 4.5 um. To -58 um of -60 there is no room below."""
    screw = replace(adjuster(resolution=1.5e-6), backlash=2e-6)

    def to(stop: float, one: Adjuster = screw) -> Order:
        return approached(one, Order(segment="S", adjuster="A", start=0.0, stop=stop))

    assert_allclose((to(10e-6).overshoot, to(-55.5e-6).overshoot), 4.5e-6, rtol=1e-12)
    assert to(10e-6).approach == "rising"
    assert to(-55.5e-6).approach == "rising"
    assert to(-58e-6).approach == "falling"
    assert to(0.0).approach == "direct"
    narrow = replace(screw, travel=(-2e-6, 3e-6))
    assert to(1e-6, narrow).approach == "direct"
    plain = replace(screw, resolution=0.0)
    assert_allclose(to(10e-6, plain).overshoot, 4e-6, rtol=1e-12)
    assert to(10e-6, replace(screw, backlash=0.0)).approach == "direct"


def one_screw(**values: Any) -> Mirror:
    segment = Segment(
        name="S", start=-0.2, end=0.2,
        adjusters=(Adjuster(name="A", x=0.0, travel=(-60e-6, 60e-6), **values),),
    )  # fmt: skip
    return Mirror(name="One", nominal=NOMINAL, segments=(segment,))


def test_test_moves_by_hand() -> None:
    """A fifth of 40 um is 8 um; five times a backlash of 2 um is 10 um; in steps of 3 um they are 9 and 12; what is
    planned as small as 10 um is made whole, and what is smaller tells no direction."""

    def tried(move: float, **values: Any) -> float | None:
        orders = Orders(mirror=one_screw(**values), moves=(Order(segment="S", adjuster="A", start=0.0, stop=move),))
        found = trial_orders(orders)
        assert found.kind == "test"
        assert found.unknown == (() if found.moves else ("S/A",))
        return found.moves[0].stop if found.moves else None

    assert tried(40e-6) == pytest.approx(8e-6, rel=1e-12)
    assert tried(-40e-6, backlash=2e-6) == pytest.approx(-10e-6, rel=1e-12)
    assert tried(40e-6, resolution=3e-6) == pytest.approx(9e-6, rel=1e-12)
    assert tried(40e-6, backlash=2e-6, resolution=3e-6) == pytest.approx(12e-6, rel=1e-12)
    assert tried(10e-6, backlash=2e-6) == 10e-6
    assert tried(9.9e-6, backlash=2e-6) is None
    assert tried(11e-6, backlash=2e-6, resolution=3e-6) == 11e-6
    assert tried(2.9e-6, resolution=3e-6) is None


def test_orders_within_travel_to_the_very_end() -> None:
    mirror = one_screw()
    for stop, fine in ((60e-6, True), (-60e-6, True), (60.1e-6, False), (-60.1e-6, False)):
        move = Order(segment="S", adjuster="A", start=0.0, stop=stop)
        if fine:
            assert Orders(mirror=mirror, moves=(move,)).order("S", "A") == move
            assert moved_mirror(mirror, {("S", "A"): stop}).segments[0].adjusters[0].position == stop
        else:
            with pytest.raises(
                ParameterError, match=rf"S/A: {stop * 1e6:.6g} um is outside its travel of -60 um to 60 um"
            ):
                Orders(mirror=mirror, moves=(move,))
            with pytest.raises(
                DataError, match=rf"position {stop * 1e6:.6g} um lies outside its travel of -60 um to 60 um"
            ):
                moved_mirror(mirror, {("S", "A"): stop})
    # the way there counts, too
    with pytest.raises(ParameterError, match="S/A: 62 um is outside"):
        Orders(
            mirror=mirror,
            moves=(Order(segment="S", adjuster="A", start=0.0, stop=58e-6, approach="falling", overshoot=4e-6),),
        )
    moved = one_screw(position=7e-6)
    with pytest.raises(ParameterError, match=r"the move starts from 3 um but the adjuster stands at 7 um"):
        Orders(mirror=moved, moves=(Order(segment="S", adjuster="A", start=3e-6, stop=0.0),))
    with pytest.raises(ParameterError, match=r"the move starts from 0\.002 um but the adjuster stands at 0 um"):
        Orders(mirror=mirror, moves=(Order(segment="S", adjuster="A", start=2e-9, stop=0.0),))
    Orders(mirror=mirror, moves=(Order(segment="S", adjuster="A", start=0.9e-9, stop=0.0),))


def test_travel_is_kept_to_a_picometre() -> None:
    """What rounding leaves of a length in a file is no reason to refuse it; more than that is one. Positions are kept
    in whole picometres, as such a file has them, and never outside the travel."""
    screw = adjuster()
    for end in (60e-6, -60e-6):
        assert screw.reaches(end + math.copysign(0.9e-12, end))
        assert not screw.reaches(end + math.copysign(1.1e-12, end))
    assert not screw.reaches(np.nan)
    mirror = one_screw()
    for position, kept in (
        (1.23456789e-6, 1.234568 / 1e6), (-1.2345674e-6, -1.234567 / 1e6), (60e-6 + 0.9e-12, 60e-6),
        (-60e-6 - 0.9e-12, -60e-6),
    ):  # fmt: skip
        assert moved_mirror(mirror, {("S", "A"): position}).segments[0].adjusters[0].position == kept
    assert moved_mirror(mirror, {}) == mirror


def test_an_order_of_numbers_that_are_none_is_refused() -> None:
    for values, words in (
        ({"start": np.nan}, "from and to must be finite; got nan and 1.0"),
        ({"stop": np.inf}, "from and to must be finite; got 0.0 and inf"),
        ({"gain": np.nan}, "gain must be finite; got nan"),
        ({"overshoot": -1e-9}, "overshoot must not be negative; got -1e-09"),
        ({"overshoot": np.inf}, "overshoot must not be negative; got inf"),
        ({"approach": "sideways"}, "approach must be one of rising, falling, direct; got 'sideways'"),
    ):
        fields: dict[str, Any] = {"segment": "S", "adjuster": "A", "start": 0.0, "stop": 1.0} | values
        with pytest.raises(ParameterError, match=f"S/A: {words}"):
            Order(**fields)
    one = Order(segment="S", adjuster="A", start=1.0, stop=3.0)
    assert (one.name, one.key, one.move, one.gain) == ("S/A", ("S", "A"), 2.0, 1.0)
    with pytest.raises(ParameterError, match="must have a time zone"):
        Orders(mirror=one_screw(), moves=(), when=datetime(2026, 1, 1))
    twice = (Order(segment="S", adjuster="A", start=0.0, stop=0.0),) * 2
    with pytest.raises(ParameterError, match="S/A: stands twice among the moves"):
        Orders(mirror=one_screw(), moves=twice)
    with pytest.raises(ParameterError, match="S/B: mirror 'One' has no such adjuster"):
        Orders(mirror=one_screw(), moves=(Order(segment="S", adjuster="B", start=0.0, stop=0.0),))


def test_orders_of_a_plan_carry_its_gains_carrier_and_doubts() -> None:
    """What the surface does for a unit move stands with each move, 1 where nothing is known; the carrier's share and
    what is doubted go with them; test moves keep the doubts and go straight."""
    mirror = with_adjusters(even_mirror(NOMINAL, count=3, pitch=0.45), backlash=1e-6)
    fit = fit_of(mirror, np.array([20e-6, -20e-6, 10e-6]), np.zeros(3))
    names = tuple((s.name, a.name) for s in mirror.segments for a in s.adjusters)
    gains = np.array([0.9, 1.1, -1.0, 0.95, 1.05, 1.2])
    plan = plan_corrections(fit, response=Response(adjusters=names, matrix=np.diag(gains), stderr=np.zeros((6, 6))))
    noon = datetime(2026, 3, 1, 12, tzinfo=UTC)
    found = orders_of(plan, noon)
    assert_allclose([order.gain for order in found.moves], gains)
    assert [order.key for order in found.moves] == list(names)
    assert_allclose([order.move for order in found.moves], [move.move for move in plan.moves], rtol=1e-9)
    assert found.carrier == (plan.carrier_height, plan.carrier_tilt)
    assert (found.when, found.kind, found.doubts, found.unknown) == (noon, "round", (), ())
    assert {order.approach for order in found.moves if order.move} <= {"rising", "falling"}
    assert [order.gain for order in orders_of(plan_corrections(fit)).moves] == [1.0] * 6
    tests = trial_orders(replace(found, doubts=("a doubt",)))
    assert (tests.kind, tests.doubts, tests.when, tests.carrier) == ("test", ("a doubt",), noon, None)
    assert {order.approach for order in tests.moves} == {"direct"}
    assert {order.overshoot for order in tests.moves} == {0.0}


def test_a_sequence_says_where_each_step_goes_and_leads_back() -> None:
    """Up to 20 um from 5 um with 4 um of overshoot beyond a fall; back the same way, straight where nothing is lost."""
    mirror = one_screw(position=5e-6)
    step = Order(segment="S", adjuster="A", start=5e-6, stop=-20e-6, approach="rising", overshoot=4e-6)
    sequence = sequence_of(Orders(mirror=mirror, moves=(step,)))
    assert sequence.rows()[0].cells == (("1", "S", "A", "+5.00 um", "-24.00 um", "-20.00 um"),)
    assert sequence.to_dict() == [
        {"segment": "S", "adjuster": "A", "from": 5e-6, "via": -24e-6, "to": -20e-6, "approach": "rising"}
    ]
    back = sequence.undo(1)
    assert back.mirror.segments[0].adjusters[0].position == -20e-6
    (only,) = back.moves
    assert (only.start, only.stop, only.approach, only.overshoot) == (-20e-6, 5e-6, "direct", 0.0)
    assert sequence.undo(0).moves == ()
    for done in (-1, 2):
        with pytest.raises(ParameterError, match=f"done must be from 0 to 1 steps; got {done}"):
            sequence.undo(done)
    far = replace(step, stop=-58e-6)
    with pytest.raises(ParameterError, match="S/A: -62 um on the way is outside its travel of -60 um to 60 um"):
        Sequence(mirror=mirror, steps=(far,), remeasured=True)
    lossy = one_screw(position=5e-6, backlash=1e-6)
    notes = sequence_of(Orders(mirror=lossy, moves=(replace(step, approach="direct"),))).rows()[0].notes
    assert notes[-1] == "No room for an overshoot on either side, backlash stays: S/A."
    assert len(sequence.rows()[0].notes) == 1


@pytest.mark.parametrize("objective", ["reach", "travel", "screws"])
def test_without_screws_nothing_is_moved_at_no_cost(objective: Objective) -> None:
    mirror = even_mirror(NOMINAL, count=3, pitch=0.45)
    bare = replace(mirror, segments=tuple(replace(s, adjusters=()) for s in mirror.segments))
    plan = plan_corrections(fit_of(bare, np.array([1e-6, -1e-6, 1e-6]), np.zeros(3)), objectives=(objective,))
    assert plan.objectives[:2] == ("worst", objective)
    assert (plan.optima[objective], plan.gaps[objective]) == (0.0, 0.0)
    assert_allclose(plan.optima["worst"], 1e-6, rtol=1e-9)
    # what comes after it is made small all the same
    more = plan_corrections(fit_of(bare, np.array([1e-6, -1e-6, 1e-6]), np.zeros(3)), objectives=(objective, "spot"))
    assert set(more.optima) == {"worst", objective, "spot", "travel"}
    assert more.optima["spot"] > 0
    assert plan.moves == ()
    assert plan.binding == ()


def test_a_plan_of_a_perfect_mirror_says_so() -> None:
    mirror = even_mirror(NOMINAL, count=4, pitch=0.45)
    plan = plan_corrections(fit_of(mirror, np.zeros(4), np.zeros(4)))
    assert plan.feasible
    assert_allclose([move.move for move in plan.moves], 0, atol=1e-12)
