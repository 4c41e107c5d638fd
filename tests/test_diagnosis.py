"""Mistakes are named. Oracle: simulated mirrors on which they were made."""

from dataclasses import replace

import numpy as np
import pytest

from ellipsefit.align.change import LineChange, line_map
from ellipsefit.align.comparison import Comparison, compare_round
from ellipsefit.align.orders import Orders, adjusters_of, trial_orders
from ellipsefit.practice import PracticeMirror, Slip, draw_faults, practice_mirror
from tests.loop_cases import NOISE, orders_for, seen_change, small_mirror

KEYS = list(adjusters_of(small_mirror()))
#: Moves of 15 to 40 um, no two alike [m].
MOVES = np.array([20, -25, 30, 15, -35, 40, -18, 22, -28, 33, 17, -38]) * 1e-6


def compared(
    slips: dict[tuple[str, str], Slip] | None = None,
    *,
    moves: np.ndarray = MOVES,
    wrong_handed: tuple[int, ...] = (),
    seed: int = 1,
) -> Comparison:
    rng = np.random.default_rng(seed)
    mirror = small_mirror()
    faults = draw_faults(mirror, rng)
    matrix = faults.matrix.copy()
    matrix[:, list(wrong_handed)] *= -1
    stage = practice_mirror(rng, mirror=mirror, faults=replace(faults, matrix=matrix))
    orders = orders_for(mirror, moves)
    return compare_round(orders, seen_change(stage, stage.moved(orders, slips=slips), rng))


def kinds(result: Comparison) -> list[tuple[str, tuple[str, str], tuple[str, str] | None]]:
    return [(f.mistake.kind, f.mistake.screw, f.mistake.other) for f in result.findings]


@pytest.mark.parametrize("seed", range(10))
def test_nothing_is_named_where_all_went_as_asked(seed: int) -> None:
    result = compared(seed=seed)
    assert result.as_asked
    assert {screw.direction for screw in result.screws} == {"seen"}


@pytest.mark.parametrize("place", range(12))
def test_a_wrong_handed_screw_is_named(place: int) -> None:
    result = compared(wrong_handed=(place,), seed=place)
    assert kinds(result) == [("wrong-handed", KEYS[place], None)]
    assert result.findings[0].sure
    assert result.screws[place].direction == "reversed"
    assert result.screws[place].gain == pytest.approx(-1, abs=0.4)  # 10 % gain error, four of them
    assert f"--reading '{KEYS[place][0]}/{KEYS[place][1]}=" in result.sentences()[0]


def test_all_screws_wrong_handed_are_named_where_that_is_no_pose() -> None:
    result = compared(wrong_handed=tuple(range(12)))
    assert sorted(key for kind, key, _ in kinds(result) if kind == "wrong-handed") == sorted(KEYS)


@pytest.mark.parametrize("place", [0, 5, 11])
def test_a_screw_that_was_forgotten_is_named(place: int) -> None:
    result = compared({KEYS[place]: "not moved"})
    assert kinds(result) == [("not moved", KEYS[place], None)]
    assert result.screws[place].position == 0.0
    assert result.screws[place].direction == "not moved"


@pytest.mark.parametrize(("place", "other"), [(2, 3), (3, 5), (6, 4)])
def test_another_screw_turned_instead_is_named(place: int, other: int) -> None:
    moves = MOVES.copy()
    moves[other] = 0.0
    result = compared({KEYS[place]: KEYS[other]}, moves=moves)
    assert kinds(result) == [("wrong screw", KEYS[place], KEYS[other])]
    assert result.screws[other].position == pytest.approx(moves[place])


@pytest.mark.parametrize(("place", "other"), [(2, 3), (3, 5), (0, 2)])
def test_swapped_neighbours_are_named(place: int, other: int) -> None:
    result = compared({KEYS[place]: KEYS[other], KEYS[other]: KEYS[place]})
    assert kinds(result) == [("swapped", KEYS[place], KEYS[other])]
    assert result.screws[place].position == pytest.approx(MOVES[other])


def test_two_wrong_hands_in_one_segment_are_told_from_a_knock() -> None:
    result = compared(wrong_handed=(4, 5))
    assert {(kind, key) for kind, key, _ in kinds(result)} == {("wrong-handed", KEYS[4]), ("wrong-handed", KEYS[5])}


def test_what_no_mistake_explains_is_a_knock_and_teaches_nothing() -> None:
    rng = np.random.default_rng(3)
    mirror = small_mirror()
    stage = practice_mirror(rng, mirror=mirror)
    orders = orders_for(mirror, MOVES)
    change = seen_change(stage, stage.moved(orders), rng)
    pushed = change.change.copy()
    pushed[4:6] += (55e-6, 130e-6)
    result = compare_round(orders, replace(change, change=pushed))
    assert kinds(result) == [("knocked", ("S03", ""), None)]
    assert result.screws[4].gain == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("freedoms", [2, 3])
def test_two_screws_side_by_side_are_told_apart_where_roll_is_measured(freedoms: int) -> None:
    """L was turned instead of R, both at one x: along one scan line that looks the same, along several it does not."""
    mirror = small_mirror()
    segments = tuple(
        replace(
            s, adjusters=(s.adjusters[0], *(replace(s.adjusters[1], name=n, y=y) for n, y in (("L", 0.1), ("R", -0.1))))
        )
        for s in mirror.segments
    )
    mirror = replace(mirror, segments=segments)
    keys = list(adjusters_of(mirror))
    asked = np.zeros(len(keys))
    asked[keys.index(("S03", "R"))] = 40e-6
    done = np.zeros(len(keys))
    done[keys.index(("S03", "L"))] = 40e-6
    names = tuple(segment.name for segment in mirror.segments)
    lines = line_map(mirror, names, freedoms)
    noise = 2 * NOISE**2 * lines @ lines.T + 1e-20 * np.eye(len(lines))
    change = LineChange(quantity="height", segments=names, change=lines @ done, covariance=noise, alike=None)
    result = compare_round(orders_for(mirror, asked), change)
    found = [(f.mistake.kind, f.mistake.other) for f in result.findings if f.sure]
    assert found == ([("wrong screw", ("S03", "L"))] if freedoms == 3 else [])


def test_what_cannot_be_told_is_said() -> None:
    """Of a screw that should have lowered its surface by one step of 0.5 um nothing can be said against a backlash of
    2 um; and 'swapped' and 'turned instead' differ by that step only."""
    moves = MOVES.copy()
    moves[3] = 0.5e-6
    result = compared({KEYS[2]: KEYS[3], KEYS[3]: KEYS[2]}, moves=moves)
    finding = result.findings[0]
    assert not finding.sure
    assert {finding.mistake.kind, *(m.kind for what, _ in finding.alternatives for m in what)} == {
        "swapped",
        "wrong screw",
    }
    assert result.sentences()[0].startswith("cannot tell")
    assert result.to_dict()["findings"][0]["kind"] == "cannot tell"


def test_a_small_move_shows_no_direction() -> None:
    moves = MOVES.copy()
    moves[0] = 9.5e-6  # below five times 2 um
    result = compared(moves=moves)
    assert result.screws[0].direction == "unknown"
    assert any("S01/U can't be known" in text for text in result.warnings)


def test_a_screw_seen_to_be_right_is_turned_the_wrong_way_later() -> None:
    rng = np.random.default_rng(5)
    mirror = small_mirror()
    stage = practice_mirror(rng, mirror=mirror)
    orders = orders_for(mirror, MOVES)
    after = stage.moved(orders)
    first = compare_round(orders, seen_change(stage, after, rng))
    second = orders_for(after.mirror, -MOVES)
    last = after.moved(second, slips={KEYS[1]: "wrong way"})
    result = compare_round(second, seen_change(after, last, rng), history=first.history)
    assert kinds(result) == [("turned the wrong way", KEYS[1], None)]
    assert result.screws[1].position == pytest.approx(2 * MOVES[1])
    assert result.screws[1].gain > 0


def test_a_screw_turned_the_wrong_way_once_is_found_to_be_right_after_all() -> None:
    """Nobody gave the reading, so it was taken for wrong-handed; the next round shows that it is not."""
    rng = np.random.default_rng(6)
    mirror = small_mirror()
    stage = practice_mirror(rng, mirror=mirror, faults=draw_faults(mirror, rng, backlash=0.0))
    orders = orders_for(mirror, MOVES)
    after = stage.moved(orders, slips={KEYS[1]: "wrong way"})
    first = compare_round(orders, seen_change(stage, after, rng))
    assert kinds(first) == [("wrong-handed", KEYS[1], None)]
    moves = np.zeros(12)
    moves[1] = 20e-6
    order = replace(orders_for(after.mirror, moves).moves[1], gain=-1.0)
    # its scale is not where it is thought to be, so the round is ordered from where it is thought to be
    thought = first.mirror.segments[0].adjusters[1].position
    asked = Orders(mirror=first.mirror, moves=(replace(order, start=thought, stop=thought + 20e-6),))
    last = after.moved(Orders(mirror=after.mirror, moves=(order,)))
    result = compare_round(asked, seen_change(after, last, rng), history=first.history)
    assert kinds(result) == [("wrong-handed", KEYS[1], None)]
    assert "not wrong-handed after all" in result.sentences()[0]
    assert result.screws[1].gain > 0


def test_a_wrong_hand_that_the_plan_knew_of_is_none_to_find() -> None:
    """Without what was learned before: the plan itself says for which screws it turned the sign."""
    rng = np.random.default_rng(7)
    mirror = small_mirror()
    faults = draw_faults(mirror, rng)
    matrix = faults.matrix.copy()
    matrix[:, 3] *= -1
    stage = practice_mirror(rng, mirror=mirror, faults=replace(faults, matrix=matrix))
    plain = orders_for(mirror, MOVES)
    moves = tuple(replace(order, gain=-1.0 if place == 3 else 1.0) for place, order in enumerate(plain.moves))
    orders = replace(plain, moves=moves)
    result = compare_round(orders, seen_change(stage, stage.moved(orders), rng))
    assert result.as_asked
    assert result.screws[3].gain < 0
    again = result.history.knowledge(result.mirror)
    assert np.array_equal(again.mean, result.knowledge.mean)
    assert any("learning begins anew" in text for text in result.warnings)


def trial(stage: PracticeMirror, moves: np.ndarray) -> Orders:
    return trial_orders(orders_for(stage.mirror, moves))


def test_test_moves_are_a_fifth_of_the_plan_or_five_times_the_backlash() -> None:
    """By hand, backlash 2 um: of 80 um a fifth is 16; of 30 um a fifth is 6, so 10; of 10.5 um: 10; 9.5 can't tell."""
    mirror = small_mirror()
    moves = np.array([80, -30, 10.5, 9.5, -9.5, 0, 10, -100, 149, -150, 50, 51]) * 1e-6
    orders = trial_orders(orders_for(mirror, moves))
    found = {order.key: order.move * 1e6 for order in orders.moves}
    expected = [16, -10, 10, None, None, None, 10, -20, 30, -30, 10, 10.5]
    for key, move in zip(KEYS, expected, strict=True):
        assert found.get(key) == (None if move is None else pytest.approx(move, rel=1e-9))
    assert orders.unknown == ("S02/D", "S03/U")
    assert orders.kind == "test"


def screws_tested(mirrors: int, seed: int) -> tuple[int, int, int]:
    """Wrong-handed screws that test moves can tell, those of them that are found, and right ones called wrong."""
    count = found = false = 0
    for number in range(mirrors):
        rng = np.random.default_rng((seed, number))
        mirror = small_mirror(segments=14)
        keys = list(adjusters_of(mirror))
        wrong = int(rng.integers(1, 15))
        stage = practice_mirror(rng, mirror=mirror, faults=draw_faults(mirror, rng, wrong_handed=wrong))
        orders = trial(stage, rng.normal(0.0, 30e-6, len(keys)).clip(-140e-6, 140e-6))
        result = compare_round(orders, seen_change(stage, stage.moved(orders), rng))
        tested = {order.key for order in orders.moves}
        named = {f.mistake.screw for f in result.findings if f.sure and f.mistake.kind == "wrong-handed"}
        hidden = {keys[place] for place in stage.faults.wrong_handed} & tested
        count, found, false = count + len(hidden), found + len(hidden & named), false + len(named - hidden)
    return count, found, false


def test_wrong_hands_are_found_by_test_moves() -> None:
    """99 % are asked for. Of 60 screws and more, at 99 %, fewer than 95 % are found once in 300 times (binomial)."""
    count, found, false = screws_tested(12, 1)
    assert count >= 60
    assert found >= 0.95 * count
    assert false <= 0.01 * count + 2


@pytest.mark.campaign
def test_of_2000_wrong_handed_screws_99_percent_are_found() -> None:
    count, found, false = screws_tested(390, 2)
    assert count >= 2000
    assert found >= 0.99 * count, (count, found, false)
    assert false <= 0.01 * count, (count, found, false)
