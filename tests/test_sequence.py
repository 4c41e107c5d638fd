"""Order of moves, the states on the way, and the way back."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from ellipsefit.align import plan_corrections
from ellipsefit.align.orders import Order, Orders, adjusters_of, moved_mirror, orders_of
from ellipsefit.align.response import Response
from ellipsefit.align.sequence import Sequence, sequence_of
from ellipsefit.errors import ParameterError
from ellipsefit.mirror import Mirror, Tolerance
from tests.align_cases import NOMINAL, fit_of
from tests.rehearsal import even_mirror


def ready(moves: list[float], *, backlash: float = 2e-6, position: float = 0.0) -> Orders:
    """Orders for two segments with two adjusters each, travel of 60 um either way."""
    mirror = even_mirror(NOMINAL, count=2, pitch=0.45, position=position, resolution=0.5e-6)
    segments = tuple(
        replace(s, adjusters=tuple(replace(a, backlash=backlash) for a in s.adjusters)) for s in mirror.segments
    )
    mirror = replace(mirror, segments=segments)
    from ellipsefit.align.orders import approached

    return Orders(
        mirror=mirror,
        moves=tuple(
            approached(a, Order(segment=key[0], adjuster=key[1], start=a.position, stop=a.position + move))
            for (key, a), move in zip(adjusters_of(mirror).items(), moves, strict=True)
        ),
    )


def test_biggest_moves_come_first_where_it_is_measured_again() -> None:
    orders = ready([3e-6, -20e-6, 0.0, 8e-6])
    first, along = sequence_of(orders), sequence_of(orders, remeasured=False)
    assert [step.name for step in first.steps] == ["S01/A2", "S02/A2", "S01/A1"]
    assert [step.name for step in along.steps] == ["S01/A1", "S01/A2", "S02/A2"]


def test_every_end_is_reached_from_below_where_there_is_room() -> None:
    """Backlash of 2 um, overshoot of 4 um: from below by going 4 um beyond, except at the lower end of the travel."""
    sequence = sequence_of(ready([-20e-6, -58e-6, 10e-6, 0.0]))
    steps = {step.name: step for step in sequence.steps}
    assert steps["S01/A1"].turning_point == pytest.approx(-24e-6, rel=1e-9)
    assert steps["S01/A2"].approach == "falling"
    assert steps["S01/A2"].turning_point is None  # it comes from above anyway
    assert steps["S02/A1"].turning_point is None  # it comes from below anyway
    assert "from above" in str(sequence)


@pytest.mark.parametrize("done", range(4))
def test_any_prefix_can_be_undone(done: int) -> None:
    """After the first steps and their undoing every adjuster stands where it stood, the last step undone first."""
    orders = ready([3e-6, -20e-6, 0.0, 58e-6])
    sequence = sequence_of(orders)
    back = sequence.undo(done)
    assert [order.key for order in back.moves] == [step.key for step in reversed(sequence.steps[:done])]
    after = moved_mirror(back.mirror, {order.key: order.stop for order in back.moves})
    assert_allclose(
        [adjuster.position for adjuster in adjusters_of(after).values()],
        [adjuster.position for adjuster in adjusters_of(orders.mirror).values()],
        rtol=0,
        atol=1e-15,
    )


def test_undo_of_more_than_was_done_is_refused() -> None:
    with pytest.raises(ParameterError, match="from 0 to 3 steps; got 4"):
        sequence_of(ready([3e-6, -20e-6, 0.0, 8e-6])).undo(4)


def test_a_state_out_of_travel_is_refused() -> None:
    orders = ready([3e-6, -20e-6, 0.0, 8e-6])
    bad = Order(segment="S01", adjuster="A1", start=0.0, stop=61e-6)
    with pytest.raises(ParameterError, match="S01/A1: 61 um on the way is outside its travel"):
        Sequence(mirror=orders.mirror, steps=(bad,), remeasured=True)


class Case(NamedTuple):
    """A mirror, how it stands (heights, tilts, pose), what its adjusters do, and what is wanted."""

    mirror: Mirror
    state: tuple[list[float], list[float], tuple[float, float]]
    response: Response | None
    objectives: tuple[str, ...]


@st.composite
def plans(draw: st.DrawFn) -> Case:
    """Mirrors of 1 to 3 segments with 1 to 3 adjusters, positions anywhere in the travel, and all objectives."""
    count, per = draw(st.integers(1, 3)), draw(st.integers(1, 3))
    span = draw(st.sampled_from([1e-6, 10e-6, 60e-6, 250e-6]))
    low = -span * draw(st.floats(0.0, 2.0))
    step = draw(st.sampled_from([0.0, 0.1e-6, 0.5e-6, 0.7e-6]))
    tolerance = draw(st.sampled_from([Tolerance(), Tolerance(segment_height=2e-6, segment_tilt=10e-6)]))
    mirror = even_mirror(NOMINAL, count=count, pitch=0.45, travel=(low, low + span), adjusters=per, tolerance=tolerance,
                         resolution=min(step, span), position=low)  # fmt: skip
    share = st.floats(0.0, 1.0)
    segments = tuple(
        replace(
            s,
            adjusters=tuple(
                replace(
                    a,
                    position=min(low + draw(share) * span, low + span),
                    backlash=draw(st.sampled_from([0.0, 0.3e-6, 2e-6])),
                )
                for a in s.adjusters
            ),
        )
        for s in mirror.segments
    )
    mirror = replace(mirror, segments=segments)
    size = st.floats(-50e-6, 50e-6)
    lifts, tilts = ([draw(size) for _ in range(count)] for _ in range(2))
    response = None
    if draw(st.booleans()):
        names = tuple(adjusters_of(mirror))
        rng = np.random.default_rng(draw(st.integers(0, 2**31)))
        matrix = np.diag(rng.uniform(0.7, 1.3, len(names)) * rng.choice([1, -1], len(names)))
        matrix += rng.normal(0, 0.03, matrix.shape)
        response = Response(adjusters=names, matrix=matrix, stderr=np.zeros_like(matrix))
    names_ = draw(st.sampled_from([("worst", "travel"), ("spot",), ("reach",), ("expected",), ("travel",)]))
    return Case(mirror, (lifts, tilts, (draw(size), draw(size))), response, names_)


def check_states(case: Case) -> None:
    mirror = case.mirror
    plan = plan_corrections(fit_of(mirror, *case.state), mirror, response=case.response, objectives=case.objectives)
    sequence = sequence_of(orders_of(plan))
    adjusters = adjusters_of(mirror)
    for key, place in sequence.states():
        low, high = adjusters[key].travel
        assert low - 1e-12 <= place <= high + 1e-12
    for move in plan.moves:
        low, high = adjusters[move.segment, move.adjuster].travel
        assert low <= move.stop <= high
    for done in range(len(sequence.steps) + 1):
        for order in sequence.undo(done).moves:
            low, high = adjusters[order.key].travel
            assert all(
                low - 1e-12 <= place <= high + 1e-12 for place in (order.stop, order.turning_point) if place is not None
            )


@settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))
@given(plans())
def test_no_state_on_the_way_leaves_the_travel(case: Case) -> None:
    check_states(case)


@pytest.mark.campaign
@settings(max_examples=100_000, deadline=None, suppress_health_check=list(HealthCheck), database=None)
@given(plans())
def test_no_state_of_100_000_plans_leaves_the_travel(
    case: Case,
) -> None:
    check_states(case)
