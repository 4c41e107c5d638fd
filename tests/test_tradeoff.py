"""Plans on the edge of what is possible, and why none is: by hand and by another formulation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import linprog

from ellipsefit.align import plan_corrections
from ellipsefit.align.conflict import Conflict, TravelNeeded, find_conflict
from ellipsefit.align.layout import Layout, layout
from ellipsefit.align.limits import Limits, goal_limits, target_limits, travel_limits
from ellipsefit.align.tradeoff import POINTS, TradeOff, TradePoint, trade_off
from ellipsefit.mirror import Mirror, Tolerance
from tests.align_cases import NOMINAL, fit_of
from tests.rehearsal import Array, even_mirror


def model_of(
    seed: int = 1, *, count: int = 3, travel: float = 60e-6, tolerance: Tolerance | None = None
) -> tuple[Layout, Mirror, Array, Array]:
    rng = np.random.default_rng(seed)
    mirror = even_mirror(NOMINAL, count=count, pitch=0.45, travel=(-travel, travel), tolerance=tolerance)
    lifts, tilts = rng.normal(0, 9e-6, count), rng.normal(0, 40e-6, count)
    return layout(fit_of(mirror, lifts, tilts), NOMINAL, mirror), mirror, lifts, tilts


def least_travel(model: Layout, allowed: float, travel: float) -> float:
    """Moves split into up and down, in micrometres: another formulation than the one with helpers."""
    count, n = model.moves.shape
    effect, error, moves = model.effect * 1e6, model.error * 1e6, model.moves * 1e6
    found = linprog(
        np.concatenate([np.zeros(n), np.ones(2 * count)]),
        A_ub=np.block([[effect, np.zeros((len(error), 2 * count))], [-effect, np.zeros((len(error), 2 * count))]]),
        b_ub=np.concatenate([allowed * 1e6 - error, allowed * 1e6 + error]),
        A_eq=np.column_stack([moves, -np.eye(count), np.eye(count)]),
        b_eq=np.zeros(count),
        bounds=[(None, None)] * n + [(0, travel * 1e6)] * (2 * count),
        method="highs",
    )
    assert found.status == 0
    assert found.fun is not None
    return float(found.fun) * 1e-6


@pytest.mark.parametrize("travel", [60e-6, 4e-6])
def test_no_plan_leaves_as_little_with_less_travel(travel: float) -> None:
    """From the smallest worst error there is to that of the carrier alone, which is a Chebyshev line; even steps of its
    root; each with the least travel by another formulation."""
    model, _, _, _ = model_of(travel=travel)
    moves = [1e-6, -3e-6, 0.0, 0.0, 5e-10, 2e-6]
    found = trade_off(model, 7e-6, moves)
    assert len(found.points) == POINTS
    assert found.plan == TradePoint(worst=7e-6, travel=float(np.abs(moves).sum()), largest=3e-6, screws=3)
    # the carrier alone: best line through the errors, by a linear programme of three unknowns
    line = linprog(
        [0, 0, 1],
        A_ub=np.block([[model.effect[:, :2], -np.ones((6, 1))], [-model.effect[:, :2], -np.ones((6, 1))]]),
        b_ub=np.concatenate([-model.error, model.error]) * 1e6,
        bounds=(None, None),
        method="highs",
    )
    alone, best = float(line.fun or 0.0) * 1e-6, found.points[0].worst
    assert (best < 1e-11) is (travel == 60e-6)
    worst = np.array([point.worst for point in found.points])
    # the picometre that is left to the solver is 1e-6 of a root of metres
    assert_allclose(np.diff(np.sqrt(worst)), (np.sqrt(alone) - np.sqrt(best)) / (POINTS - 1), rtol=1e-3, atol=1e-6)
    assert_allclose(worst[-1], alone, rtol=1e-6)
    for point in found.points:
        assert_allclose(point.travel, least_travel(model, point.worst, travel), rtol=1e-4, atol=2e-11)
        assert point.largest <= min(point.travel, travel) * (1 + 1e-9)
        assert point.travel <= point.screws * point.largest * (1 + 1e-9) + 6e-9
    assert found.points[-1].travel == pytest.approx(0.0, abs=1e-10)
    assert found.points[-1].screws == 0


def test_where_the_carrier_does_all_there_is_one_plan() -> None:
    mirror = even_mirror(NOMINAL, count=3, pitch=0.45)
    model = layout(fit_of(mirror, np.zeros(3), np.zeros(3), (30e-6, 10e-6)), NOMINAL, mirror)
    (only,) = trade_off(model, 0.0, [0.0] * 6).points
    assert only.worst < 1e-11
    assert only.largest == pytest.approx(0.0, abs=1e-11)
    assert only.screws == 0
    bare = replace(mirror, segments=tuple(replace(s, adjusters=()) for s in mirror.segments))
    none = trade_off(layout(fit_of(bare, [1e-6, -1e-6, 1e-6], [0, 0, 0]), NOMINAL, bare), 1e-6, [])
    assert len(none.points) == 1
    assert none.plan == TradePoint(worst=1e-6, travel=0.0, largest=0.0, screws=0)


def test_a_trade_off_in_words() -> None:
    """Micrometres: errors with two places, travel with one."""
    point = TradePoint(worst=1.234e-6, travel=45.67e-6, largest=8.91e-6, screws=5)
    found = TradeOff(points=(point,), plan=replace(point, worst=2e-6))
    assert found.rows()[0].cells == (
        ("", "1.23 um", "45.7 um", "8.9 um", "5"), ("this plan", "2.00 um", "45.7 um", "8.9 um", "5"),
    )  # fmt: skip
    assert found.to_dict()["plan"] == {"worst": 2e-6, "travel": 45.67e-6, "largest": 8.91e-6, "screws": 5}
    assert found.to_dict()["points"] == [{"worst": 1.234e-6, "travel": 45.67e-6, "largest": 8.91e-6, "screws": 5}]
    model, mirror, lifts, tilts = model_of()
    plan = plan_corrections(fit_of(mirror, lifts, tilts))
    told = plan.trade_off()
    moves = np.abs([move.move for move in plan.moves])
    assert told.plan.worst == plan.remaining.height_max
    assert_allclose([told.plan.travel, told.plan.largest], [moves.sum(), moves.max()])
    assert told.points == trade_off(model, 0.0, []).points


# ------------------------------------------------------------------ conflicts


def can_be_met(limits: Limits) -> bool:
    """By HiGHS without any cost."""
    size = np.abs(limits.rows).max(axis=0)
    rows = limits.rows[:, size > 0] / size[size > 0]
    found = linprog(np.zeros(rows.shape[1]), A_ub=rows, b_ub=limits.limits * 1e6, bounds=(None, None), method="highs")
    return found.status == 0


@pytest.mark.parametrize("seed", range(3))
def test_travel_that_is_needed_is_enough_and_no_less_is(seed: int) -> None:
    """With the additional travel given, the goal is met; its sum is the least by another formulation; and limits in
    conflict are a smallest set: together they can't be met, without any one of them they can."""
    tolerance = Tolerance(segment_height=2e-6, segment_tilt=10e-6)
    model, mirror, _, _ = model_of(seed, travel=1e-6, tolerance=tolerance)
    goal = goal_limits(model, mirror, margin=False)
    found = find_conflict(model, goal, target_limits(model))
    assert found.travel
    places = [model.names.index(item.adjuster) for item in found.travel]
    above, below = np.zeros(6), np.zeros(6)
    above[places] = [item.above for item in found.travel]
    below[places] = [item.below for item in found.travel]
    assert np.all(above >= 0)
    assert np.all(below >= 0)

    def wider(share: float) -> Layout:
        return replace(model, highest=model.highest + share * above, lowest=model.lowest - share * below)

    assert not can_be_met(goal + travel_limits(model))
    assert can_be_met(goal + travel_limits(wider(1 + 1e-6)))
    assert not can_be_met(goal + travel_limits(wider(0.999)))
    # the least sum of what moves exceed 1 um by, one helper for both ends
    count, n = model.moves.shape
    least = linprog(
        np.concatenate([np.zeros(n), np.ones(count)]),
        A_ub=np.block([
            [model.moves * 1e6, -np.eye(count)], [-model.moves * 1e6, -np.eye(count)],
            [goal.rows * 1e6, np.zeros((len(goal.rows), count))],
        ]),
        b_ub=np.concatenate([np.full(2 * count, 1.0), goal.limits * 1e6]),
        bounds=[(None, None)] * n + [(0, None)] * count,
        method="highs",
    )  # fmt: skip
    assert_allclose(above.sum() + below.sum(), float(least.fun or 0.0) * 1e-6, rtol=1e-5)
    whole = goal + travel_limits(model)
    kept = [whole.names.index(name) for name in found.limits]
    assert len(set(kept)) == len(kept) >= 2
    assert not can_be_met(whole.chosen(kept))
    for place in kept:
        assert can_be_met(whole.chosen([other for other in kept if other != place]))


def test_where_nothing_conflicts_nothing_is_named() -> None:
    """Travel to spare: no limit is named and no travel is needed; where screws can't help, no travel suffices."""
    tolerance = Tolerance(segment_height=2e-6, segment_tilt=10e-6)
    model, mirror, _, _ = model_of(2, travel=300e-6, tolerance=tolerance)
    goal = goal_limits(model, mirror, margin=False)
    found = find_conflict(model, goal, target_limits(model))
    assert (found.limits, found.travel) == ((), ())
    assert "before moves are rounded" in found.rows()[0].notes[0]
    assert len(found.rows()) == 1
    bare = replace(mirror, segments=tuple(replace(s, adjusters=()) for s in mirror.segments))
    fixed = layout(fit_of(bare, np.array([9e-6, -9e-6, 9e-6]), np.zeros(3)), NOMINAL, bare)
    stuck = find_conflict(fixed, goal_limits(fixed, bare, margin=False), target_limits(fixed))
    assert stuck.travel is None
    assert set(stuck.limits) == {
        "segment_height of S01, upper", "segment_height of S02, lower", "segment_height of S03, upper",
    }  # fmt: skip
    assert stuck.to_dict()["travel_needed"] is None


def test_a_conflict_in_words() -> None:
    """Micrometres with two places, nothing where nothing is needed."""
    needed = TravelNeeded(adjuster="S01/A1", below=0.0, above=1.234e-6)
    conflict = Conflict(limits=("one", "other"), travel=(needed, replace(needed, adjuster="S02/A2", below=5e-6)))
    limits, travel = conflict.rows()
    assert limits.cells == (("one",), ("other",))
    assert limits.notes == ()
    assert travel.cells == (("S01/A1", "", "1.23 um"), ("S02/A2", "5.00 um", "1.23 um"))
    told = conflict.to_dict()
    assert told["limits"] == ["one", "other"]
    assert told["travel_needed"][1] == {"adjuster": "S02/A2", "below": 5e-6, "above": 1.234e-6}


def test_a_plan_that_is_not_feasible_says_what_binds_and_what_is_missing() -> None:
    """Segments 20 um up and down in turn on adjusters of 5 um, tolerance of 8 um: 7 um more at each would do, for the
    carrier can bring in neither of both; every screw is at its end, the others stand still."""
    mirror = even_mirror(NOMINAL, count=6, pitch=0.45, travel=(-5e-6, 5e-6), tolerance=Tolerance(segment_height=8e-6))
    lifts = np.array([20e-6, -20e-6, 0.0, 0.0, 20e-6, -20e-6])
    lifts = lifts - np.polyval(np.polyfit(np.arange(6), lifts, 1), np.arange(6))
    plan = plan_corrections(fit_of(mirror, lifts, np.zeros(6)))
    assert not plan.feasible
    assert plan.conflict is not None
    assert plan.conflict.travel
    assert plan.travel_missing is not None
    wide = even_mirror(
        NOMINAL, count=6, pitch=0.45, tolerance=mirror.tolerance,
        travel=(-5e-6 - plan.travel_missing * (1 + 1e-6), 5e-6 + plan.travel_missing * (1 + 1e-6)),
    )  # fmt: skip
    assert plan_corrections(fit_of(wide, lifts, np.zeros(6))).feasible
    narrow = even_mirror(
        NOMINAL, count=6, pitch=0.45, tolerance=mirror.tolerance,
        travel=(-5e-6 - plan.travel_missing * 0.999, 5e-6 + plan.travel_missing * 0.999),
    )  # fmt: skip
    assert not plan_corrections(fit_of(narrow, lifts, np.zeros(6))).feasible
    summary = {cell[0]: cell[1] for cell in plan.rows()[0].cells}
    assert summary["adjusters that bind"] == ", ".join(plan.binding)
    assert plan.binding
    ends = {f"{move.segment}/{move.adjuster}" for move in plan.moves if move.at_limit}
    assert set(plan.binding) <= ends
    assert "NOT FEASIBLE" in plan.rows()[0].title
    bare = replace(mirror, segments=tuple(replace(s, adjusters=()) for s in mirror.segments))
    stuck = plan_corrections(fit_of(bare, lifts, np.zeros(6)))
    summary = {cell[0]: cell[1] for cell in stuck.rows()[0].cells}
    assert (summary["adjusters that bind"], summary["travel missing"]) == ("none", "no travel suffices")
    assert any("has no adjusters, and the carrier alone" in note for note in stuck.warnings)
    assert stuck.rows()[1].notes == ("No adjuster is asked to move.",)
    assert "largest error left at the end of a segment" in summary


def test_travel_is_missing_in_whole_steps() -> None:
    """Two segments turned by 500 urad against each other: their screws, 112.5 mm from the middles, stand 56.25 um off,
    up inside and down outside, so that the carrier can't help. Travel of one step of 10 um takes 10, half a step is
    allowed to remain where there is room: 41.25 um are missing, five steps; of steps of 22.5 um exactly one is."""
    for step, missing in ((10e-6, 50e-6), (22.5e-6, 22.5e-6), (20e-6, 40e-6)):
        mirror = even_mirror(NOMINAL, count=2, pitch=0.45, travel=(-step, step), resolution=step)
        plan = plan_corrections(fit_of(mirror, np.zeros(2), np.array([0.5e-3, -0.5e-3])))
        needed = 56.25e-6 - step - step / 2
        assert needed <= missing * (1 + 1e-9) < needed + step
        assert plan.travel_missing is not None
        assert_allclose(plan.travel_missing, missing, rtol=1e-9)
