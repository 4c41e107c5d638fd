"""The mirror to practise on. Oracle: the definition of each fault, by hand."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from ellipsefit.align.orders import Order, Orders, adjusters_of, approached, trial_orders
from ellipsefit.errors import ParameterError
from ellipsefit.mirror import Adjuster
from ellipsefit.practice import Faults, PracticeMirror, draw_faults, practice_mirror
from tests.loop_cases import lines_of, orders_for, perfect, small_mirror, with_adjusters

KEYS = list(adjusters_of(small_mirror()))


def practice(**faults: Any) -> PracticeMirror:
    mirror = small_mirror()
    return practice_mirror(
        np.random.default_rng(1),
        mirror=mirror,
        faults=replace(perfect(mirror), **faults),
    )


def rise(before: PracticeMirror, after: PracticeMirror, segment: int = 0) -> tuple[float, float]:
    """Rise of the surface at the two adjusters of a segment, from its line."""
    height, tilt = (lines_of(after) - lines_of(before))[2 * segment : 2 * segment + 2]
    body = before.mirror.segments[segment]
    first, second = (float(height + tilt * (a.x - body.middle)) for a in body.adjusters)
    return first, second


def one(move: float, place: int = 0, start: float = 0.0) -> Orders:
    return Orders(
        mirror=small_mirror(),
        moves=(Order(segment=KEYS[place][0], adjuster=KEYS[place][1], start=start, stop=start + move),),
    )


def test_a_perfect_adjuster_does_what_it_is_told() -> None:
    before = practice()
    assert_allclose(rise(before, before.moved(one(10e-6))), (10e-6, 0.0), rtol=1e-9, atol=1e-16)


def test_gain_coupling_and_a_wrong_hand_are_the_matrix() -> None:
    matrix = np.eye(len(KEYS))
    matrix[0, 0], matrix[1, 0] = -1.1, 0.05
    before = practice(matrix=matrix)
    assert before.faults.wrong_handed == (0,)
    assert_allclose(rise(before, before.moved(one(10e-6))), (-11e-6, 0.5e-6), rtol=1e-9)


def test_backlash_is_lost_on_reversal_and_only_there() -> None:
    """Play of 2 um, standing at its upper end after a falling stroke: of 10 um up, 2 um are lost; of 3 um more,
    nothing; of 5 um down, 2 um; and 1 um up within the play moves nothing."""
    count = len(KEYS)
    stage = practice(backlash=np.full(count, 2e-6), offset=np.full(count, 1e-6))
    where = 0.0
    for move, expected in ((10e-6, 8e-6), (3e-6, 3e-6), (-5e-6, -3e-6), (1e-6, 0.0)):
        order = Order(segment="S01", adjuster="U", start=where, stop=where + move)
        after = stage.moved(Orders(mirror=stage.mirror, moves=(order,)))
        assert_allclose(rise(stage, after)[0], expected, atol=1e-16)
        stage, where = after, where + move


def test_approach_from_one_side_loses_nothing_after_the_first_time() -> None:
    mirror = with_adjusters(small_mirror(), backlash=2e-6)
    count = len(KEYS)
    stage = practice_mirror(
        np.random.default_rng(2),
        mirror=mirror,
        faults=Faults(matrix=np.eye(count), backlash=np.full(count, 2e-6), offset=np.zeros(count)),
    )
    stage = stage.moved(orders_for(stage.mirror, np.full(count, 5e-6)))
    for move in (4e-6, -7e-6, -0.5e-6, 3e-6):
        after = stage.moved(orders_for(stage.mirror, np.full(count, move)))
        assert_allclose(rise(stage, after), (move, move), rtol=1e-9)
        stage = after


def test_creep_comes_late() -> None:
    """5 % of 10 um comes with a time constant of an hour: after one hour 1/e of it is missing."""
    before = practice(creep=0.05, creep_time=3600.0)
    after = before.moved(one(10e-6))
    assert_allclose(rise(before, after)[0], 9.5e-6, rtol=1e-9)
    assert_allclose(rise(before, after.waited(3600.0))[0], 10e-6 - 0.5e-6 * np.exp(-1), rtol=1e-9)


def test_people_err_as_they_are_told_to() -> None:
    before = practice()
    assert_allclose(rise(before, before.moved(one(10e-6), slips={KEYS[0]: "not moved"})), (0, 0), atol=1e-16)
    assert_allclose(rise(before, before.moved(one(10e-6), slips={KEYS[0]: "wrong way"}))[0], -10e-6, rtol=1e-9)
    assert_allclose(rise(before, before.moved(one(10e-6), slips={KEYS[0]: KEYS[1]})), (0, 10e-6), atol=1e-15)


def test_the_surface_stays_the_same_and_is_laid_anew() -> None:
    stage, rng = practice(), np.random.default_rng(3)
    first, second = (stage.measure(rng, step=5e-3, noise=0.0) for _ in range(2))
    shift = second.values - first.values
    line = np.polynomial.Polynomial.fit(first.x, shift, 1)
    assert np.abs(shift).max() > 1e-6
    assert_allclose(shift, line(first.x), atol=1e-15)


def test_what_is_worst_is_worst_with_the_carrier_at_its_best() -> None:
    """A pure pose is nothing; one segment of many raised by 4 um ends at half of that, carrier in between."""
    mirror = small_mirror(segments=8)
    rng = np.random.default_rng(4)
    stage = practice_mirror(rng, mirror=mirror, faults=perfect(mirror))
    flat = replace(
        stage.state, ellipse=mirror.nominal, segment_height=(0.0,) * 8, segment_tilt=(0.0,) * 8, height=1e-3, tilt=1e-3
    )
    assert replace(stage, state=flat).worst() == pytest.approx((0.0, 0.0), abs=1e-12)
    raised = replace(flat, segment_height=(0.0, 0.0, 0.0, 4e-6, 0.0, 0.0, 0.0, 0.0))
    height, _ = replace(stage, state=raised).worst()
    assert 1.9e-6 < height <= 2.0e-6 + 1e-12


@given(st.floats(-4e-4, 4e-4), st.sampled_from(["rising", "falling", "direct"]), st.floats(0, 1e-5))
def test_no_stop_is_met(move: float, side: str, overshoot: float) -> None:
    """Travel is 150 um to both sides; whatever is ordered, a state outside it is refused before anything moves."""
    mirror = small_mirror()
    order = Order(segment="S01", adjuster="U", start=0.0, stop=move, approach=side, overshoot=overshoot)  # type: ignore[arg-type]  # one of the words that it takes
    places = [order.stop, *([] if order.turning_point is None else [order.turning_point])]
    if max(abs(place) for place in places) > 150e-6 + 1e-12:
        with pytest.raises(ParameterError, match="outside its travel"):
            Orders(mirror=mirror, moves=(order,))
    else:
        Orders(mirror=mirror, moves=(order,))


def states(orders: Orders) -> list[tuple[Order, float]]:
    return [(o, place) for o in orders.moves for place in (o.start, o.stop, o.turning_point) if place is not None]


def check_no_state_leaves_its_travel(low: int, high: int, start: int, stop: int, backlash: int) -> None:
    """All in steps of 0.5 um: whatever is planned within travel, with its approach and as test moves, stays within."""
    step = 0.5e-6
    start, stop = (min(max(place, low), high) for place in (start, stop))
    mirror = small_mirror(segments=1)
    segment = mirror.segments[0]
    adjuster = Adjuster(
        name="U",
        x=segment.middle,
        travel=(low * step, high * step),
        position=start * step,
        resolution=step,
        backlash=backlash * step,
    )
    mirror = replace(mirror, segments=(replace(segment, adjusters=(adjuster,)),))
    order = approached(adjuster, Order(segment="S01", adjuster="U", start=start * step, stop=stop * step))
    planned = Orders(mirror=mirror, moves=(order,))
    tested = trial_orders(planned)
    for each, place in (*states(planned), *states(tested)):
        assert low * step - 1e-12 <= place <= high * step + 1e-12, each
    for each in tested.moves:  # never beyond the planned end
        assert 0 < each.move / (stop - start) <= step * (1 + 1e-9)


STEPS = (st.integers(-900, -1), st.integers(1, 900), *[st.integers(-900, 900)] * 2, st.integers(0, 30))


@given(*STEPS)
def test_no_state_leaves_its_travel(low: int, high: int, start: int, stop: int, backlash: int) -> None:
    check_no_state_leaves_its_travel(low, high, start, stop, backlash)


@pytest.mark.campaign
@settings(max_examples=100_000)
@given(*STEPS)
def test_in_100000_plans_no_state_leaves_its_travel(low: int, high: int, start: int, stop: int, backlash: int) -> None:
    check_no_state_leaves_its_travel(low, high, start, stop, backlash)


def test_a_mistake_that_would_meet_the_stop_is_refused() -> None:
    stage = practice()
    stage = stage.moved(one(100e-6))
    order = Order(segment="S01", adjuster="U", start=100e-6, stop=0.0)
    with pytest.raises(ParameterError, match="meet its stop"):
        stage.moved(Orders(mirror=stage.mirror, moves=(order,)), slips={KEYS[0]: "wrong way"})


def test_the_overshoot_stays_inside_travel() -> None:
    """Near the lower end there is no room to come from below: the end is approached from above."""
    adjuster = replace(next(iter(adjusters_of(small_mirror()).values())), backlash=2e-6)
    low = approached(adjuster, Order(segment="S01", adjuster="U", start=0.0, stop=-149e-6))
    assert (low.approach, low.turning_point) == ("falling", None)
    usual = approached(adjuster, Order(segment="S01", adjuster="U", start=0.0, stop=-20e-6))
    assert usual.approach == "rising"
    assert usual.turning_point == pytest.approx(-24e-6, rel=1e-12)


def test_drawn_faults_have_the_stated_spreads() -> None:
    """Of 24 gains of 10 %: their rms is 10 % within 3 / sqrt(2 * 24)."""
    mirror = small_mirror(segments=12)
    faults = draw_faults(mirror, np.random.default_rng(5), wrong_handed=3)
    gains = np.abs(np.diag(faults.matrix)) - 1
    assert abs(np.sqrt(np.mean(gains**2)) / 0.1 - 1) < 3 / np.sqrt(48)
    assert len(faults.wrong_handed) == 3
    across = faults.matrix[0, 2:]
    assert not across.any()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"backlash": np.full(12, -1e-6)}, "must not be negative"),
        ({"offset": np.full(12, 1e-6)}, "within half"),
        ({"creep": 1.0}, "below 1"),
        ({"matrix": np.eye(3)}, "square"),
    ],
)
def test_faults_are_checked(change: dict[str, Any], words: str) -> None:
    with pytest.raises(ParameterError, match=words):
        practice(**change)


def test_more_wrong_hands_than_screws_are_refused() -> None:
    with pytest.raises(ParameterError, match="wrong_handed"):
        draw_faults(small_mirror(), np.random.default_rng(1), wrong_handed=13)
