"""What a plan, a sheet of moves and what is learned from a round say, by hand and by dense algebra."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from ellipsefit.align import CorrectionPlan, plan_corrections
from ellipsefit.align.change import LineChange, carrier_map, line_map
from ellipsefit.align.diagnosis import CHANCE, HANDS, Mistake, _Search, _Stance, diagnose
from ellipsefit.align.layout import layout
from ellipsefit.align.learning import (
    CARRIER,
    KNOCK,
    USUAL_COUPLING,
    USUAL_CROSSTALK,
    USUAL_GAIN,
    Done,
    Knowledge,
    first_knowledge,
    learn,
    rises,
)
from ellipsefit.align.objectives import (
    SETTLING,
    WORDS,
    _fewest_moved,
    _groups,
    check_objectives,
    expected_rows,
    touch_cost,
)
from ellipsefit.align.orders import Order, Orders, adjusters_of
from ellipsefit.align.plan import Move, Remaining, _rounded_moves, target_within
from ellipsefit.align.response import Response
from ellipsefit.align.sheet import (
    approach,
    check_digit,
    direction,
    listed,
    micrometres,
    sheet_lines,
    sheet_notes,
    sheet_table,
    turns,
)
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.fit import fit_ellipse
from ellipsefit.mirror import Adjuster, Mirror, Tolerance
from ellipsefit.rows import number, with_uncertainty
from tests.align_cases import NOMINAL, fit_of, levers, with_adjusters
from tests.loop_cases import orders_for, small_mirror
from tests.rehearsal import Array, even_mirror, made_profile

# ------------------------------------------------------------------ plans


def plan_of(**options: Any) -> tuple[CorrectionPlan, Mirror, Array, Array]:
    rng = np.random.default_rng(6)
    mirror = even_mirror(NOMINAL, count=5, pitch=0.45, **options)
    lifts, tilts = rng.normal(0, 5e-6, 5), rng.normal(0, 20e-6, 5)
    return plan_corrections(fit_of(mirror, lifts, tilts, (30e-6, 10e-6))), mirror, lifts, tilts


@pytest.mark.parametrize("resolution", [0.0, 0.7e-6])
def test_what_remains_is_what_the_moves_leave(resolution: float) -> None:
    """Lever rule for every segment: what was measured, the carrier and the rounded moves, added up."""
    plan, mirror, lifts, tilts = plan_of(resolution=resolution, position=2e-6)
    number, lever, x = levers(mirror)
    moves = np.array([move.move for move in plan.moves])
    if resolution:
        assert_allclose(moves / resolution, np.round(moves / resolution), atol=1e-6)
    assert plan.carrier_height is not None
    middle = np.array([segment.middle for segment in mirror.segments])
    height = lifts + 30e-6 + 10e-6 * middle + plan.carrier_height + plan.carrier_tilt * middle
    tilt = tilts + 10e-6 + plan.carrier_tilt
    pairs = moves.reshape(5, 2)
    height, tilt = height + pairs.mean(axis=1), tilt + (pairs[:, 1] - pairs[:, 0]) / 0.225
    assert_allclose([rest.height or 0.0 for rest in plan.segments], height, rtol=0, atol=1e-15)
    assert_allclose([rest.tilt for rest in plan.segments], tilt, rtol=0, atol=1e-14)
    distance = NOMINAL.distances(middle)[1]
    assert_allclose([rest.image_shift for rest in plan.segments], 2 * distance * tilt, rtol=1e-9, atol=1e-15)
    at = height[number] + tilt[number] * lever
    assert len(x) == 10
    left = plan.remaining
    assert_allclose(left.height_max, np.abs(at).max(), rtol=1e-9, atol=1e-15)
    assert_allclose(left.tilt_max, np.abs(tilt).max(), rtol=1e-9, atol=1e-14)
    assert_allclose(left.image_shift_rms, np.sqrt(np.mean((2 * distance * tilt) ** 2)), rtol=1e-9, atol=1e-14)
    for move in plan.moves:
        assert move.start == 2e-6
        assert_allclose(move.stop, 2e-6 + move.move, rtol=1e-12)
        room = min(move.stop + 60e-6, 60e-6 - move.stop)
        assert_allclose(move.travel_left, room, rtol=1e-9, atol=1e-18)
        assert move.at_limit == (room <= max(resolution, 1e-9) * (1 + 1e-9))
    told = plan.to_dict()
    for entry, move in zip(told["moves"], plan.moves, strict=True):
        assert (entry["from"], entry["to"], entry["move"]) == (move.start, move.stop, move.move)
        assert (entry["segment"], entry["adjuster"]) == (move.segment, move.adjuster)
        assert (entry["travel_left"], entry["at_limit"]) == (move.travel_left, move.at_limit)
    for entry, rest in zip(told["segments"], plan.segments, strict=True):
        assert entry == {key: getattr(rest, key) for key in entry}
    assert told["remaining"] == {key: getattr(left, key) for key in told["remaining"]}
    assert told["target_shift"] == {"source_distance": 0.0, "image_distance": 0.0, "grazing_angle": 0.0}
    assert plan.feasible
    assert plan.conflict is None
    assert plan.travel_missing == 0.0
    assert told["carrier"] == {"height": plan.carrier_height, "tilt": plan.carrier_tilt, "roll": None}
    arrays = {one.name: np.asarray(one.values) for one in plan.arrays()}
    assert_allclose(arrays["move"], moves)
    assert_allclose(arrays["start"], 2e-6)
    assert_allclose(arrays["stop"], [move.stop for move in plan.moves])
    assert_allclose(arrays["x"], x)
    assert_allclose(arrays["lowest"], -60e-6)
    assert_allclose(arrays["highest"], 60e-6)
    summary, move_table, rest_table, *_ = plan.rows()
    first = plan.moves[0]
    assert move_table.cells[0][2:4] == ("+2.00 um", f"{first.stop * 1e6:+.2f} um")
    assert move_table.cells[0][5] == f"{first.travel_left * 1e6:.2f} um"
    assert rest_table.header == ("segment", "height left", "tilt left", "image shift")
    assert summary.title.startswith("Correction of Rowan: feasible")


def test_moves_at_their_ends_and_moves_that_are_none() -> None:
    """By hand: clipped to travel, whole steps, half a step rounds to even, a picometre is no move."""
    mirror = even_mirror(NOMINAL, count=3, pitch=0.45, resolution=1e-6)
    model = layout(fit_of(mirror, np.zeros(3), np.zeros(3)), NOMINAL, mirror)
    wanted = np.array([75e-6, -75e-6, 1.4e-6, -1.6e-6, 58.6e-6, 1e-12])
    found = _rounded_moves(model, wanted)
    assert_allclose([move.move for move in found], np.array([60, -60, 1, -2, 59, 0]) * 1e-6, atol=1e-18)
    assert [move.at_limit for move in found] == [True, True, False, False, True, False]
    assert_allclose([move.travel_left for move in found], np.array([0, 0, 59, 58, 1, 60]) * 1e-6, atol=1e-18)
    near = _rounded_moves(model, np.array([58e-6, -58e-6, 59e-6, -59e-6, 0.0, 0.0]))
    assert [move.at_limit for move in near] == [False, False, True, True, False, False]
    fine = replace(model, adjusters=tuple((row, replace(a, resolution=0.0)) for row, a in model.adjusters))
    found = _rounded_moves(fine, np.array([59.9995e-6, 59.99e-6, 0, 0, 0, 0]))
    assert [move.at_limit for move in found[:2]] == [True, False]


def test_a_target_within_its_tolerances_to_the_very_edge() -> None:
    tolerance = Tolerance(source_distance=0.5, grazing_angle=2.0**-20)
    mirror = even_mirror(NOMINAL, count=3, pitch=0.45, tolerance=tolerance)
    edge = 0.022 + 2.0**-20
    exact = edge - 0.022 <= 2.0**-20
    assert target_within(Ellipse(8.5, 8.0, 0.022), mirror)
    assert target_within(Ellipse(7.5, 8.0, 0.022), mirror)
    assert target_within(Ellipse(8.0, 8.0, edge), mirror) is exact
    assert not target_within(Ellipse(8.51, 8.0, 0.022), mirror)
    assert not target_within(Ellipse(8.0, 8.001, 0.022), mirror)
    assert not target_within(Ellipse(8.0, 8.0, 0.02201), mirror)
    # without a tolerance, at nominal and nowhere else
    held = even_mirror(NOMINAL, count=3, pitch=0.45)
    assert target_within(NOMINAL, held)
    for other in (Ellipse(8.001, 8.0, 0.022), Ellipse(8.0, 7.999, 0.022), Ellipse(8.0, 8.0, 0.022001)):
        assert not target_within(other, held)


def test_slopes_left_against_the_target_are_figure_and_tilts() -> None:
    """A figure of 200 nm sin(x / 20 mm) and perfect segments: its slope is 10 urad, rms over whole waves 7.07 urad;
    with adjusters that may not move each segment's own tilt adds in squares."""
    mirror = even_mirror(NOMINAL, count=4, pitch=0.45, travel=(-1e-9, 1e-9))
    tilts = np.array([30e-6, -30e-6, -30e-6, 30e-6])
    flat = made_profile(mirror, (8.0, 8.0, 0.022), points=446, quantity="slope", sigma=1e-7, tilts=tilts)
    wave = 10e-6 * np.cos(flat.x / 20e-3)
    fit = fit_ellipse(replace(flat, values=flat.values + wave), vary=(), segments="free", residual="white")
    plan = plan_corrections(fit)
    left = np.array([rest.tilt for rest in plan.segments])
    # no carrier tilt helps against tilts of both signs, and screws have no travel
    assert_allclose(np.abs(left), 30e-6, rtol=0.05)
    expected = np.sqrt(np.mean((np.concatenate([np.full(446, t) for t in left]) + wave) ** 2))
    # a wave's own mean over a segment, 20 mm / 446 mm of it at most, is counted to its tilt
    assert_allclose(plan.remaining.slope_error_rms, expected, rtol=0.05)


# ------------------------------------------------------------------ objectives


def test_objectives_are_taken_as_named_and_travel_decides_last() -> None:
    assert check_objectives(("spot", "worst")) == ("spot", "worst", "travel")
    assert check_objectives(("travel", "worst")) == ("travel", "worst")
    assert check_objectives(("expected",)) == ("expected",)
    for names, words in (
        ((), "at least one of"), (("worst", "worst"), "'worst' stands twice"), (("best",), "got 'best'"),
        (("expected", "worst"), "weighs all there is by itself"),
    ):  # fmt: skip
        with pytest.raises(ParameterError, match=words):
            check_objectives(names)


def test_the_fewest_screws_that_any_motion_moves() -> None:
    """Height and tilt on three screws in a row: any motion leaves one still at most, so moves two; on two screws one;
    a height alone moves all."""
    row = np.array([[1.0, -1.0], [1.0, 0.0], [1.0, 1.0]])
    assert _fewest_moved(row) == 2
    assert _fewest_moved(row[:2]) == 1
    assert _fewest_moved(row[:, :1]) == 3
    assert _fewest_moved(row[:, :0]) == 0
    mirror = even_mirror(NOMINAL, count=2, pitch=0.45, adjusters=3)
    model = layout(fit_of(mirror, np.zeros(2), np.zeros(2)), NOMINAL, mirror)
    assert [(places.tolist(), least) for places, least in _groups(model)] == [([0, 1, 2], 2), ([3, 4, 5], 2)]
    coupled = model.influence.copy()
    coupled[0, 1] = 0.1
    assert _groups(replace(model, influence=coupled)) == []
    two = even_mirror(NOMINAL, count=2, pitch=0.45, adjusters=2)
    assert _groups(layout(fit_of(two, np.zeros(2), np.zeros(2)), NOMINAL, two)) == []


def test_what_a_move_adds_to_what_is_expected() -> None:
    """All that a unit move raises is unsure by the root of the squares in its column, at least a thousandth; touching
    costs settling of 0.2 um and a rectangular step."""
    mirror = with_adjusters(even_mirror(NOMINAL, count=2, pitch=0.45, resolution=0.6e-6), gain_error=0.03)
    model = layout(fit_of(mirror, np.array([1e-6, 2e-6]), np.zeros(2)), NOMINAL, mirror)
    stderr = model.influence_stderr.copy()
    stderr[1, 0], stderr[:, 3] = 0.04, 0.0
    matrix, offset = expected_rows(replace(model, influence_stderr=stderr))
    assert_allclose(matrix[:4], model.effect)
    assert_allclose(matrix[4:], np.array([0.05, 0.03, 0.03, 1e-3])[:, None] * model.moves)
    assert_allclose(offset, [*model.error, 0, 0, 0, 0])
    assert_allclose(touch_cost(model), 0.04e-12 + 0.36e-12 / 12, rtol=1e-12)


# ------------------------------------------------------------------ the sheet


def test_a_line_of_the_sheet_by_hand() -> None:
    """Half a millimetre a turn, clockwise raises: 125 um up are 0.25 turns, 90 degrees, clockwise."""
    screw = Adjuster(name="A", x=0.0, travel=(-1e-3, 1e-3), pitch_per_turn=0.5e-3, raises="clockwise")

    def order(move: float, **values: Any) -> Order:
        return Order(segment="S", adjuster="A", start=0.0, stop=move, **values)

    assert turns(order(125e-6), screw) == "0.250 (90°) clockwise"
    assert turns(order(-125e-6), screw) == "0.250 (90°) anticlockwise"
    assert turns(order(0.0), screw) == ""
    assert turns(order(-1e-6), replace(screw, pitch_per_turn=None, raises="anticlockwise")) == "clockwise"
    assert turns(order(1e-6), replace(screw, raises=None)) == "0.002 (1°)"
    assert (direction(order(1e-6)), direction(order(-1e-6)), direction(order(0.0))) == ("raise", "lower", "leave")
    assert (direction(order(1e-6), reverse=True), direction(order(-1e-6), reverse=True)) == ("lower", "raise")
    assert approach(order(5e-6)) == "straight"
    rising = replace(order(-5e-6), approach="rising", overshoot=4e-6)
    assert approach(rising) == "from below: first to -9.00 um"
    assert approach(replace(rising, approach="falling", stop=5e-6)) == "from above: first to +9.00 um"
    assert approach(replace(rising, stop=5e-6)) == "from below"
    # ISO/IEC 7064, MOD 11,10 by hand: product 10; digit d: (product + d) mod 10 or 10, times two mod 11
    product = 10
    for digit in (2, 8, 3, 6, 1):  # 'S' is 28, '-' is 36
        product = 2 * ((product + digit) % 10 or 10) % 11
    assert check_digit("S-1") == check_digit("s - 1") == (11 - product) % 10
    assert micrometres(20e-3) == "+20000.00"
    assert (micrometres(-0.004e-6), micrometres(-0.006e-6)) == ("+0.00", "-0.01")
    names = [f"N{n}" for n in range(10)]
    assert listed(names[:8]) == ", ".join(names[:8])
    assert listed(names) == ", ".join(names[:8]) + " and 2 more"


def test_what_a_person_with_the_sheet_has_to_know() -> None:
    mirror = small_mirror()
    orders = orders_for(mirror, np.array([10e-6, *np.zeros(11)]))

    def told(words: str, one: Orders) -> bool:
        return any(words in note for note in sheet_notes(one))

    carried = replace(orders, carrier=(3e-6, -4e-6))
    assert told("raise by 3.000 um at the pole, tilt by 4.000 urad, downstream end down.", carried)
    assert told(
        "lower by 3.000 um at the pole, tilt by 4.000 urad, downstream end up.", replace(orders, carrier=(-3e-6, 4e-6))
    )
    assert told("carrier's own share: tilt by 4.000 urad", replace(orders, carrier=(None, 4e-6)))
    assert not told("carrier's own share", replace(carried, kind="test"))
    assert not told("carrier's own share", orders)
    assert told("These are test moves", replace(orders, kind="test"))
    assert not told("These are test moves", orders)
    assert not told("can't be known from this plan", orders)
    assert told("The direction of S01/D can't be known from this plan: their moves are smaller than 5 times",
                replace(orders, unknown=("S01/D",)))  # fmt: skip
    assert told("a doubt. DON'T MOVE A SCREW", replace(orders, doubts=("a doubt",)))
    assert not told("No adjuster is asked to move", orders)
    assert told("No adjuster is asked to move", orders_for(mirror, np.zeros(12)))
    lines = sheet_lines(orders)
    assert [line.number for line in lines] == list(range(1, len(lines) + 1))
    assert lines[0].direction == "raise"
    reverse = replace(orders, moves=(replace(orders.moves[0], gain=-1.0), *orders.moves[1:]))
    assert sheet_lines(reverse)[0].direction == "lower"
    weak = replace(orders, moves=(replace(orders.moves[0], gain=0.5), *orders.moves[1:]))
    assert sheet_lines(weak)[0].direction == "raise"
    table = sheet_table(orders)
    assert table.title == f"Moves of {mirror.name}"
    assert sheet_table(replace(orders, kind="test")).title == f"Test moves of {mirror.name}"
    row = dict(zip(table.header, table.cells[0], strict=True))
    assert (row["line"], row["segment"], row["adjuster"], row["move [um]"]) == ("1", "S01", "U", "+10.00")
    assert (row["from [um]"], row["to [um]"]) == ("+0.00", "+10.00")
    assert ("turns of the screw" in table.header) == any(line.turns for line in lines)


# ------------------------------------------------------------------ learning


def test_what_is_known_before_any_round() -> None:
    """Gains to 10 % or as stated, 5 % within a segment, 1 % to the next one, nothing beyond; backlash as stated to half
    of itself, half a micrometre at least, and a screw stands within half of the larger."""
    mirror = small_mirror(3)
    segments = list(mirror.segments)
    first = replace(segments[0].adjusters[0], gain_error=0.03, backlash=4e-6)
    second = replace(segments[0].adjusters[1], backlash=0.0)
    segments[0] = replace(segments[0], adjusters=(first, second))
    known = first_knowledge(replace(mirror, segments=tuple(segments)))
    stderr = known.response().stderr
    expected = np.zeros((6, 6))
    for row in range(6):
        for column in range(6):
            apart = abs(row // 2 - column // 2)
            expected[row, column] = (USUAL_COUPLING, USUAL_CROSSTALK, 0.0)[apart]
        expected[row, row] = USUAL_GAIN
    expected[0, 0] = 0.03
    assert_allclose(stderr, expected, rtol=1e-12)
    assert (USUAL_COUPLING, USUAL_CROSSTALK, USUAL_GAIN) == (0.05, 0.01, 0.1)
    assert_allclose(known.influence, np.eye(6))
    assert_allclose(known.backlash[:2], [4e-6, 0])
    assert_allclose(known.backlash_stderr[:2], [2e-6, 0.5e-6], rtol=1e-12)
    inside = np.sqrt(np.diag(known.covariance)[-6:])
    assert_allclose(inside[:2], [2e-6, 0.25e-6], rtol=1e-12)
    given = Response(adjusters=known.adjusters, matrix=2 * np.eye(6), stderr=np.diag(np.full(6, 0.02)))
    told = first_knowledge(mirror, given)
    assert_allclose(told.influence, 2 * np.eye(6))
    assert_allclose(told.response().stderr, given.stderr)  # and nothing of what it does not speak of
    # a response without uncertainties is believed as usual screws are
    bare = first_knowledge(mirror, replace(given, stderr=np.zeros((6, 6))))
    assert_allclose(np.diag(bare.response().stderr), 0.1)
    assert_allclose(bare.response().stderr[0, 1], 0.05)
    turned = known.reversed(frozenset({1}))
    assert_allclose(turned.influence, np.diag([1.0, -1, 1, 1, 1, 1]))
    assert_allclose(turned.response().stderr, expected, rtol=1e-12)
    place = list(zip(known.rows, known.columns, strict=True)).index((0, 1))
    with_other = known.covariance.copy()
    with_other[place, 0] = with_other[0, place] = 1e-4
    flipped = replace(known, covariance=with_other).reversed(frozenset({1}))
    assert_allclose(flipped.covariance[place, 0], -1e-4)
    assert known.reversed(frozenset()) is known


def dense_round(knowledge: Knowledge, mirror: Mirror, done: Done, change: LineChange) -> tuple[Array, Array]:
    """The Bayesian linear update by precisions, for moves that take up no backlash: unknown are entries, what settling
    adds, and the carrier."""
    lines = line_map(mirror, change.segments, change.freedoms)
    carrier = carrier_map(mirror, change.segments, change.freedoms)
    entries, count = len(knowledge.rows), knowledge.count
    jacobian = np.zeros((count, entries))
    for n, (row, column) in enumerate(zip(knowledge.rows, knowledge.columns, strict=True)):
        jacobian[row, n] = done.move[column]
    design = np.column_stack([lines @ jacobian, lines, carrier])
    spread = [SETTLING] * count
    for place, (segment, _) in enumerate(knowledge.adjusters):
        if segment in done.knocked:
            spread[place] = KNOCK
    prior = np.concatenate(
        [np.diag(knowledge.covariance)[:entries], np.square(spread), np.square(CARRIER[carrier.shape[1]])]
    )
    start = np.concatenate([knowledge.mean[:entries], np.zeros(count + carrier.shape[1])])
    noise = np.linalg.inv(change.covariance)
    posterior = np.linalg.inv(np.diag(1 / prior) + design.T @ noise @ design)
    mean: Array = start + posterior @ design.T @ noise @ (change.change - design @ start)
    return mean, np.asarray(posterior, dtype=np.float64)


@pytest.mark.parametrize("knocked", [frozenset[str](), frozenset({"S02"})])
def test_a_round_is_a_bayesian_update(knocked: frozenset[str]) -> None:
    """By precisions: entries, carrier, what each surface did, with what settled and what was knocked."""
    mirror = with_adjusters(small_mirror(3), resolution=0.0, backlash=0.0)
    known = first_knowledge(mirror)
    rng = np.random.default_rng(12)
    moves = rng.normal(0, 30e-6, 6)
    orders = orders_for(mirror, moves, direct=True)
    done = replace(Done.of(mirror, orders.moves), settled=np.zeros(6, dtype=bool), side=np.zeros(6), knocked=knocked)
    names = tuple(segment.name for segment in mirror.segments)
    lines = line_map(mirror, names, 2)
    truth = np.eye(6) + np.diag(rng.normal(0, 0.1, 6))
    seen = lines @ truth @ moves + carrier_map(mirror, names, 2) @ [7e-6, -3e-6]
    covariance = 1e-14 * lines @ lines.T + 1e-20 * np.eye(6)
    change = LineChange(quantity="height", segments=names, change=seen, covariance=covariance, alike=None)
    found = learn(known, mirror, done, change)
    mean, posterior = dense_round(known, mirror, done, change)
    entries = len(known.rows)
    assert_allclose(found.knowledge.mean[:entries], mean[:entries], rtol=1e-5, atol=1e-7)
    assert_allclose(np.diag(found.knowledge.covariance)[:entries], np.diag(posterior)[:entries], rtol=1e-4)
    assert_allclose(found.carrier, mean[-2:], rtol=1e-4)
    assert_allclose(found.carrier_stderr, np.sqrt(np.diag(posterior)[-2:]), rtol=1e-3)
    whole = np.zeros((6, len(mean)))
    for n, (row, column) in enumerate(zip(known.rows, known.columns, strict=True)):
        whole[row, n] = moves[column]
    whole[:, entries : entries + 6] += np.eye(6)
    assert_allclose(found.rise, whole @ mean, rtol=1e-5, atol=1e-12)
    assert_allclose(found.rise_stderr, np.sqrt(np.diag(whole @ posterior @ whole.T)), rtol=1e-3)
    assert found.knowledge.rounds == 1
    assert list(found.line_seen) == [True] * 6


def test_a_stroke_that_took_up_all_backlash_lags_by_half() -> None:
    """Backlash of 4 um, standing 1 um up within it: after a rising stroke of 10 um the surface is at 10 - 2 - 1 um, and
    afterwards 2 um low within it; falling 2 um high; what was not settled is anywhere within."""
    mirror = with_adjusters(small_mirror(1), resolution=0.0, backlash=4e-6)
    known = first_knowledge(mirror)
    values = known.mean.copy()
    values[-2:] = 1e-6
    for side in (1.0, -1.0):
        done = Done(move=np.array([side * 10e-6, 0.0]), side=np.array([side, 0.0]), settled=np.array([True, False]))
        rise, gradient = rises(known, values, done)
        assert_allclose(rise, [side * 10e-6 - side * 2e-6 - 1e-6, 0], atol=1e-20)
        step = 1e-9
        for unknown in range(len(values)):
            moved = values.copy()
            moved[unknown] += step
            # linear in each unknown, so a difference is exact but for rounding of 10 um
            assert_allclose(gradient[:, unknown], (rises(known, moved, done)[0] - rise) / step, rtol=1e-5, atol=1e-11)
        lines = line_map(mirror, ("S01",), 2)
        change = LineChange(
            quantity="height", segments=("S01",), change=lines @ rises(known, known.mean, done)[0],
            covariance=1e-14 * lines @ lines.T, alike=None,
        )  # fmt: skip
        after = learn(known, mirror, done, change).knowledge
        assert_allclose(after.mean[-2], -side / 2 * after.backlash[0], rtol=1e-9)
        loose = replace(done, settled=np.array([False, False]))
        inside = learn(known, mirror, loose, change).knowledge
        assert_allclose(inside.mean[-2], 0.0, atol=1e-20)
        assert_allclose(np.diag(inside.covariance)[-2], (known.backlash[0] / 2) ** 2, rtol=1e-9)


def test_what_was_done_as_asked() -> None:
    """A move of 1 um within 4 um of backlash settles nothing, one of 5 um does; a turn back of 6 um does whatever the
    move; another screw's move, or the other way round, keeps nothing of its approach."""
    mirror = with_adjusters(small_mirror(2), resolution=0.0, backlash=4e-6)
    keys = list(adjusters_of(mirror))

    def order(place: int, move: float, **values: Any) -> Order:
        return Order(segment=keys[place][0], adjuster=keys[place][1], start=0.0, stop=move, **values)

    turned = replace(order(2, -1e-6), approach="rising", overshoot=6e-6)
    done = Done.of(mirror, (order(0, 1e-6), order(1, -5e-6), turned))
    assert_allclose(done.move, [1e-6, -5e-6, -1e-6, 0])
    assert list(done.side) == [1, -1, 1, 0]
    assert list(done.settled) == [False, True, True, False]
    other = done.changed(move={1: 5e-6, 2: -2e-6, 3: 7e-6})
    assert_allclose(other.move, [1e-6, 5e-6, -2e-6, 7e-6])
    assert list(other.side) == [1, 1, -1, 1]
    assert list(other.settled) == [False, False, True, False]
    assert not done.changed(move={1: 0.0}).settled[1]
    # without backlash any stroke settles a screw, and none settles none
    tight = with_adjusters(mirror, backlash=0.0)
    assert list(Done.of(tight, (order(0, 1e-9), order(1, 0.0))).settled) == [True, False, False, False]
    # within what is stated, however unsure that is: a stroke of 3 um is not known to have taken up 4 um, one of 4 is
    for stroke, settled in ((3e-6, False), (3.99e-6, False), (4.01e-6, True)):
        assert Done.of(mirror, (order(0, stroke),)).settled[0] == settled


# ------------------------------------------------------------------ diagnosis


def test_how_often_mistakes_happen() -> None:
    """Rates multiply; hands are a beta distribution: of n screws of unknown hand k wrong have the probability
    B(a + k, b + n - k) / B(a, b): for k = 0 the product of (b + i) / (a + b + i), for 1 that times a / (b + n - 1)."""
    done = Done(move=np.zeros(1), side=np.zeros(1), settled=np.zeros(1, dtype=bool))
    a, b = HANDS
    none = np.prod([(b + i) / (a + b + i) for i in range(5)])
    bare = _Stance(done=done, sign=np.ones(1))
    assert_allclose(np.exp(bare.prior(5)), none, rtol=1e-12)
    hand = Mistake(kind="wrong-handed", screw=("S", "A"))
    assert_allclose(np.exp(replace(bare, mistakes=(hand,)).prior(5)), none * a / (b + 4), rtol=1e-12)
    both = (Mistake(kind="not moved", screw=("S", "A")), Mistake(kind="knocked", screw=("S", "")))
    rate = CHANCE["not moved"] * CHANCE["knocked"]
    assert_allclose(np.exp(replace(bare, mistakes=both).prior(5)), none * rate, rtol=1e-12)


def test_the_density_of_a_round_is_that_of_a_normal_vector() -> None:
    """Dense: mean and covariance of the lines by hand for gains, settling, carrier and noise, and a knock; by scipy."""
    from scipy.stats import multivariate_normal

    mirror = with_adjusters(small_mirror(3), resolution=0.0, backlash=0.0)
    known = first_knowledge(mirror)
    moves = np.array([20, -30, 15, 25, -10, 40]) * 1e-6
    orders = orders_for(mirror, moves, direct=True)
    names = tuple(segment.name for segment in mirror.segments)
    lines = line_map(mirror, names, 2)
    rng = np.random.default_rng(4)
    noise = 1e-14 * lines @ lines.T
    change = LineChange(
        quantity="height", segments=names, change=lines @ (moves + rng.normal(0, 1e-6, 6)), covariance=noise, alike=None
    )
    search = _Search(known, mirror, orders, change)
    done = replace(Done.of(mirror, orders.moves), settled=np.zeros(6, dtype=bool))
    entries = np.zeros((6, len(known.rows)))
    for n, (row, column) in enumerate(zip(known.rows, known.columns, strict=True)):
        entries[row, n] = moves[column]
    gains = entries @ np.diag(np.diag(known.covariance)[: len(known.rows)]) @ entries.T
    carrier = carrier_map(mirror, names, 2) * 1e-3
    whole = noise + carrier @ carrier.T + lines @ (gains + SETTLING**2 * np.eye(6)) @ lines.T
    size = np.sqrt(np.diag(whole))

    def log_density(mean: Array, spread: Array) -> float:
        unit = spread / np.outer(size, size)
        return float(multivariate_normal(mean / size, unit).logpdf(change.change / size) - np.log(size).sum())

    constant = len(lines) / 2 * np.log(2 * np.pi)
    for sign in (np.ones(6), np.array([1.0, -1, 1, 1, 1, -1])):
        stance = _Stance(done=done, sign=sign)
        # correlated screws of different segments apart: entries are independent, so nothing is left out
        expected = log_density(lines @ (sign * moves), whole) + constant
        assert_allclose(search.density(stance), expected, rtol=1e-8)
    knocked = _Stance(done=replace(done, knocked=frozenset({"S02"})), sign=np.ones(6))
    more = whole.copy()
    length = mirror.segments[1].length
    more[2, 2] += KNOCK**2
    more[3, 3] += (KNOCK * 2 / length) ** 2
    assert_allclose(search.density(knocked), log_density(lines @ moves, more) + constant, rtol=1e-8)


def test_alternatives_come_with_the_most_probable_first() -> None:
    """A screw asked to rise by 20 um sank by 5, seen to 8 um: not moved, turned wrong, or all as asked, by their
    rates times their densities, the most probable first."""
    mirror = with_adjusters(small_mirror(2), resolution=0.0, backlash=0.0)
    known = first_knowledge(mirror)
    moves = np.array([20e-6, 20e-6, -15e-6, 30e-6])
    lines = line_map(mirror, ("S01", "S02"), 2)
    seen = np.array([-5e-6, 20e-6, -15e-6, 30e-6])
    noise = (8e-6) ** 2 * lines @ lines.T
    change = LineChange(quantity="height", segments=("S01", "S02"), change=lines @ seen, covariance=noise, alike=None)
    orders = orders_for(mirror, moves, direct=True)
    search = _Search(known, mirror, orders, change)
    start = _Stance(done=Done.of(mirror, orders.moves), sign=np.ones(4))
    stance = next(one for one in search.single(start, 0, [0, 1, 2, 3]) if one.mistakes[-1].kind == "not moved")
    finding = search.judge(stance, stance.mistakes[-1])
    shares = [share for _, share in finding.alternatives]
    assert shares == sorted(shares, reverse=True)
    assert finding.probability + sum(shares) <= 1 + 1e-12
    by_kind = {tuple(m.kind for m in what): share for what, share in finding.alternatives}
    assert {(), ("wrong-handed",)} <= set(by_kind)
    # posterior odds of not moved against all as asked: rates and densities
    odds = np.exp(search.value(stance) - search.value(start))
    assert_allclose(finding.probability / by_kind[()], odds, rtol=1e-9)


def test_words_of_every_mistake() -> None:
    screw, other = ("S01", "U"), ("S02", "D")
    words = {
        "wrong-handed": "S01/U went the wrong way",
        "turned the wrong way": "S01/U, whose direction is known, was turned the wrong way",
        "not moved": "S01/U was not moved",
        "wrong screw": "S02/D was turned instead of S01/U",
        "swapped": "the moves of S01/U and S02/D were swapped",
        "knocked": "segment S01 moved by something that no mistake at one or two screws explains",
    }
    for kind, text in words.items():
        assert Mistake(kind=kind, screw=screw, other=other).words() == text  # type: ignore[arg-type]  # one of the words that it takes


def test_a_screw_is_never_said_to_have_gone_past_its_stop() -> None:
    """Asked for 100 um of 150 where its neighbour was asked for 90: turning the neighbour by both, 190 um, is no
    hypothesis; by 50 and 90 it is one."""
    mirror = with_adjusters(small_mirror(1), resolution=0.0, backlash=0.0)
    known = first_knowledge(mirror)
    names = ("S01",)
    lines = line_map(mirror, names, 2)
    for moves, possible in ((np.array([100e-6, 90e-6]), False), (np.array([50e-6, 90e-6]), True)):
        change = LineChange(
            quantity="height", segments=names, change=lines @ moves, covariance=1e-14 * lines @ lines.T, alike=None
        )
        orders = orders_for(mirror, moves, direct=True)
        search = _Search(known, mirror, orders, change)
        options = search.single(_Stance(done=Done.of(mirror, orders.moves), sign=np.ones(2)), 0, [0, 1])
        kinds = [option.mistakes[-1].kind for option in options]
        assert ("wrong screw" in kinds) is possible
        assert "swapped" in kinds
        assert diagnose(known, mirror, orders, change).findings == ()


# ------------------------------------------------------------------ a plan in words


def cells_of(plan: CorrectionPlan) -> dict[str, str]:
    return {row[0]: row[1] for row in plan.rows()[0].cells}


def test_a_plan_in_words() -> None:
    """Four digits and a sign for the carrier, which is set by them; micrometres with two places for screws; three
    digits for what remains; what is not known or not asked for is not there."""
    plan = plan_of()[0]
    told = replace(
        plan, carrier_height=12.34567e-6, carrier_tilt=-3.214567e-6,
        remaining=Remaining(
            height_max=1.2345e-6, tilt_max=2.3456e-6, image_shift_rms=34.567e-6, slope_error_rms=5.4321e-7
        ),
    )  # fmt: skip
    assert cells_of(told) == {
        "carrier: raise at the pole": "+12.35 um", "carrier: tilt": "-3.215 urad",
        "largest error left at an adjuster": "1.23 um", "largest tilt left of a segment": "2.35 urad",
        "image shift left, rms over segments": "34.6 um", "slope error left, rms": "543 nrad",
    }  # fmt: skip
    rolled = replace(told, carrier_roll=7.654321e-6)
    assert list(cells_of(rolled).items())[2] == ("carrier: roll", "+7.654 urad")
    assert cells_of(replace(told, carrier_height=None))["carrier: raise at the pole"] == "–"
    aimed = replace(told, target=Ellipse(8.0012345, 7.9995, 0.022012))
    found = cells_of(aimed)
    assert found["target: p - nominal"] == "+1.23 mm"
    assert found["target: q - nominal"] == "-500 um"
    assert found["target: theta - nominal"] == "+12.0 urad"
    shift = aimed.to_dict()["target_shift"]
    assert_allclose([shift["source_distance"], shift["image_distance"], shift["grazing_angle"]],
                    [1.2345e-3, -0.5e-3, 12e-6], rtol=1e-9)  # fmt: skip
    chosen = replace(told, objectives=("reach", "travel"))
    assert cells_of(chosen)["chosen for"] == f"{WORDS['reach']}, then {WORDS['travel']}"
    failed = replace(told, feasible=False, binding=("S01/A1", "S02/A2"), travel_missing=4.5678e-6)
    assert failed.rows()[0].title == "Correction of Rowan: NOT FEASIBLE"
    assert cells_of(failed)["adjusters that bind"] == "S01/A1, S02/A2"
    assert cells_of(failed)["travel missing"] == "4.57 um"
    assert cells_of(replace(failed, binding=()))["adjusters that bind"] == "none"
    assert cells_of(replace(failed, travel_missing=None))["travel missing"] == "no travel suffices"
    move = Move(
        segment="S01", adjuster="A1", start=-1.234e-6, stop=2.345e-6, move=3.579e-6, travel_left=57.655e-6,
        at_limit=True,
    )  # fmt: skip
    table = replace(told, moves=(move, replace(move, at_limit=False))).rows()[1]
    assert table.cells[0] == ("S01", "A1", "-1.23 um", "+2.35 um", "+3.58 um", "57.66 um", "AT LIMIT")
    assert table.cells[1][-1] == ""
    assert table.notes == ()
    warned = replace(told, warnings=("one", "two")).rows()[0]
    assert warned.notes == ("Note: one", "Note: two")


def test_what_remains_in_words() -> None:
    """With its uncertainty where there is one, an image shift in proportion to its tilt's; else with three digits and a
    sign; roll where it was measured."""
    plan = plan_of()[0]
    assert plan.outlook is not None
    rest = replace(plan.segments[0], name="S01", height=12.3e-6, tilt=-4.0e-6, image_shift=-60e-6)
    sure = replace(plan.outlook.segments[0], name="S01", height_stderr=0.25e-6, tilt_stderr=0.5e-6, roll_stderr=2e-6)
    outlook = replace(plan.outlook, segments=(sure,))
    told = replace(plan, segments=(rest,), outlook=outlook).rows()[2]
    assert told.header == ("segment", "height left", "tilt left", "image shift")
    shift = with_uncertainty(-60e-6, 60e-6 * 0.5 / 4, "length", unit="um")
    assert told.cells == (
        ("S01", with_uncertainty(12.3e-6, 0.25e-6, "length", unit="um"),
         with_uncertainty(-4e-6, 0.5e-6, "angle", unit="urad"), shift),
    )  # fmt: skip
    bare = replace(plan, segments=(rest,), outlook=None).rows()[2]
    assert bare.cells == (("S01", "+12.3 um", "-4.00 urad", "-60.0 um"),)
    still = replace(rest, tilt=0.0, image_shift=0.0)
    assert replace(plan, segments=(still,), outlook=outlook).rows()[2].cells[0][3] == "+0.00 um"
    rolled = replace(plan, segments=(replace(rest, roll=7e-6),), outlook=outlook).rows()[2]
    assert rolled.header[3] == "roll left"
    assert rolled.cells[0][3] == with_uncertainty(7e-6, 2e-6, "angle", unit="urad")
    slopes = replace(plan, segments=(replace(rest, height=None),), outlook=outlook).rows()[2]
    assert slopes.cells[0][1] == "–"


def test_a_plan_for_programs_has_what_was_chosen_for() -> None:
    """Optimum and gap of every objective that has one, in their order; suspicions and warnings as texts."""
    plan = plan_of()[0]
    told = replace(plan, objectives=("screws", "travel"), optima={"screws": 3.0}, gaps={"screws": 0.0}, warnings=("a",))
    found = told.to_dict()
    assert found["objectives"] == [
        {"name": "screws", "optimum": 3.0, "gap": 0.0}, {"name": "travel", "optimum": None, "gap": None},
    ]  # fmt: skip
    assert found["warnings"] == ["a"]
    assert found["worst_error_before_rounding"] == plan.worst_error
    assert found["target"] == {"p": 8.0, "q": 8.0, "theta": 0.022}
    assert (found["conflict"], found["suspicions"], found["binding"]) == (None, [], list(plan.binding))
    assert replace(plan, outlook=None).to_dict()["outlook"] is None
    assert len(plan.rows()) == 3 + 2 + 1  # what remains of the whole, the foci, how sure it is
    assert len(replace(plan, outlook=None).rows()) == 3


def test_the_whole_in_words() -> None:
    """As planned and to be expected, beside each other; both foci, along and across."""
    plan = plan_of()[0]
    assert plan.outlook is not None
    assert plan.outlook.rests is not None
    assert plan.outlook.foci is not None
    whole, foci = plan.rows()[3:5]
    assert [row[0] for row in whole.cells] == [
        "largest error at an adjuster", "largest tilt of a segment", "image shift, rms over segments",
        "slope error, rms",
    ]  # fmt: skip
    left, rests = plan.remaining, plan.outlook.rests
    assert [row[1] for row in whole.cells] == [
        number(left.height_max, "length"), number(left.tilt_max, "angle"), number(left.image_shift_rms, "length"),
        number(left.slope_error_rms, "angle"),
    ]  # fmt: skip
    assert [row[2] for row in whole.cells] == [
        rests.height_max.words("length"), rests.tilt_max.words("angle"), rests.image_shift_rms.words("length"),
        rests.slope_error_rms.words("angle"),
    ]  # fmt: skip
    assert [row[0] for row in foci.cells] == [
        f"{name} focus, {axis} the chief ray" for name in ("image", "source") for axis in ("along", "across")
    ]
    for missing in ("rests", "foci"):
        less = replace(plan, outlook=replace(plan.outlook, **{missing: None}))  # type: ignore[arg-type]  # fields by their names
        assert [table.title for table in less.rows()][3:] == ["How sure it is"]
    assert foci.cells[3][1] == with_uncertainty(
        plan.outlook.foci.source_across, plan.outlook.foci.source_across_stderr, "length"
    )
