"""What a comparison says, by hand: sentences, tables, the ledger and the answer for programs, number by number."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any, Literal

import numpy as np
import pytest
from numpy.testing import assert_allclose

from ellipsefit.align.change import LineChange, carrier_map, line_map
from ellipsefit.align.comparison import Comparison, LedgerLine, compare_round
from ellipsefit.align.orders import Order, Orders, adjusters_of
from ellipsefit.align.response import Response
from ellipsefit.align.rounds import History
from ellipsefit.arrays import FloatArray
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.mirror import Mirror
from tests.loop_cases import orders_for, small_mirror, with_adjusters
from tests.rehearsal import made_profile

MIRROR = with_adjusters(small_mirror(), resolution=0.0, backlash=0.0)
KEYS = list(adjusters_of(MIRROR))
MOVES = np.array([20, -25, 30, 15, -35, 40, -18, 22, -28, 33, 17, -38]) * 1e-6
NAMES = tuple(segment.name for segment in MIRROR.segments)


def change_of(
    rises: FloatArray, carrier: tuple[float, ...] = (0.0, 0.0), *, mirror: Mirror = MIRROR, noise: float = 1e-9
) -> LineChange:
    """What these rises of the surface and the carrier do to the lines, seen to 1 nm."""
    freedoms = len(carrier)
    lines = line_map(mirror, NAMES, freedoms)
    seen = lines @ rises + carrier_map(mirror, NAMES, freedoms) @ carrier
    return LineChange(
        quantity="slope" if freedoms == 1 else "height", segments=NAMES, change=seen,
        covariance=noise**2 * lines @ lines.T + 1e-24 * np.eye(len(seen)), alike=None,
    )  # fmt: skip


def answer_of(result: Comparison) -> dict[str, Any]:
    return result.to_dict()


def as_asked(carrier: tuple[float, ...] = (0.0, 0.0)) -> Comparison:
    return compare_round(orders_for(MIRROR, MOVES), change_of(MOVES, carrier))


@pytest.mark.parametrize("carrier", [(3e-6, -5e-6), (-5e-6,)])
def test_what_the_whole_mirror_did_is_the_carriers(carrier: tuple[float, ...]) -> None:
    """Every screw did as asked and the whole lies 3 um higher at x = 0, turned by -5 urad: nothing else explains the
    lines as well, so that is found, and slopes tell the turn alone. It is as sure as gains of 10 % allow, some um,
    so that a carrier believed to lie within 1 mm pulls by 1e-4 of it."""
    result = as_asked(carrier)
    assert result.as_asked
    assert 1e-7 < result.carrier_tilt_stderr < 1e-5
    assert_allclose(result.carrier_tilt, carrier[-1], rtol=1e-3)
    found = answer_of(result)["carrier"]
    assert found["tilt"] == result.carrier_tilt
    assert found["tilt_stderr"] == result.carrier_tilt_stderr
    if len(carrier) == 1:
        assert result.carrier_height is None
        assert result.carrier_height_stderr is None
    else:
        assert result.carrier_height is not None
        assert_allclose(result.carrier_height, carrier[0], rtol=1e-3)
        assert result.carrier_height_stderr is not None
        assert 1e-7 < result.carrier_height_stderr < 1e-5
        assert result.carrier_height_stderr != result.carrier_tilt_stderr
        assert (found["height"], found["height_stderr"]) == (result.carrier_height, result.carrier_height_stderr)


def test_a_wrong_handed_screw_is_spoken_of_as_it_went() -> None:
    """Asked to rise by 20 um it sank; asked to sink by 25 um it rose; one that the plan took for wrong-handed and that
    is not the other way round. Its scale stands at the end asked for, or as far on the other side."""
    for place, way, was, read, other in (
        (0, "sank", "raise", "+20", "-20"), (1, "rose", "lower", "-25", "+25"),
    ):  # fmt: skip
        rises = MOVES.copy()
        rises[place] *= -1
        text = compare_round(orders_for(MIRROR, MOVES), change_of(rises)).sentences()
        name = "/".join(KEYS[place])
        assert len(text) == 1
        assert text[0].startswith(f"{name} went the wrong way: the surface {way} where the move was to {was} it.")
        assert f"If its scale reads {read} um, the screw is wrong-handed, and the next plan" in text[0]
        assert f"if it reads {other} um, it was turned the wrong way" in text[0]
        assert text[0].endswith(f"--reading '{name}={other} um'.")
    orders = orders_for(MIRROR, MOVES)
    told = replace(orders, moves=(replace(orders.moves[0], gain=-1.0), *orders.moves[1:]))
    text = compare_round(told, change_of(MOVES)).sentences()
    assert text[0].startswith(
        f"{'/'.join(KEYS[0])} went the wrong way: the surface rose where the move was to lower it."
    )
    assert "the screw is not wrong-handed after all" in text[0]


def test_what_cannot_be_told_names_each_choice_with_its_share() -> None:
    """Two screws on one place do the same: which of them was turned instead of a third, nobody can tell."""
    segments = [
        replace(s, adjusters=(*s.adjusters, replace(s.adjusters[1], name="E", y=0.0))) if s.name == "S03" else s
        for s in MIRROR.segments
    ]
    mirror = replace(MIRROR, segments=tuple(segments))
    keys = list(adjusters_of(mirror))
    asked, done = np.zeros(len(keys)), np.zeros(len(keys))
    asked[keys.index(("S03", "U"))] = 40e-6
    done[keys.index(("S03", "D"))] = 40e-6
    result = compare_round(orders_for(mirror, asked), change_of(done, mirror=mirror))
    text = result.sentences()[0]
    assert not result.findings[0].sure
    assert text.startswith("cannot tell: ")
    assert text.count("(50 %)") == 2, text
    finding = answer_of(result)["findings"][0]
    assert finding["kind"] == "cannot tell"
    assert (finding["segment"], finding["adjuster"]) == ("S03", "U")
    others = {tuple(c["mistakes"][0]["other"]) for c in finding["candidates"]}
    assert others == {("S03", "D"), ("S03", "E")}
    assert all(
        c["mistakes"][0]["segment"] == "S03" and c["mistakes"][0]["adjuster"] == "U" for c in finding["candidates"]
    )
    assert_allclose([c["probability"] for c in finding["candidates"]], 0.5, rtol=1e-3)
    # side by side along the line, which is said
    assert any("adjusters at one x, side by side" in note for note in result.warnings)
    assert not any("adjusters at one x, side by side" in note for note in as_asked().warnings)
    several = change_of(done, (0.0, 0.0, 0.0), mirror=mirror)
    several = replace(several, covariance=several.covariance + 1e-14 * np.eye(len(several.change)))
    rolled = compare_round(orders_for(mirror, asked), several)
    assert not any("adjusters at one x, side by side" in note for note in rolled.warnings)


def test_a_forgotten_screw_in_the_answer_for_programs() -> None:
    rises = MOVES.copy()
    rises[4] = 0.0
    result = compare_round(orders_for(MIRROR, MOVES), change_of(rises))
    finding = answer_of(result)["findings"][0]
    assert (finding["kind"], finding["segment"], finding["adjuster"], finding["other"]) == ("not moved", *KEYS[4], None)
    assert finding["text"] == result.sentences()[0] == f"{'/'.join(KEYS[4])} was not moved."
    assert not answer_of(result)["as_asked"]


def test_every_number_of_the_answer_is_that_of_its_screw() -> None:
    """The dictionary, the table and the screws tell one story, each in its place."""
    result = as_asked((3e-6, -5e-6))
    table = answer_of(result)
    keys = {"from": "start", "stderr": None}
    for entry, screw, move in zip(table["moves"], result.screws, MOVES, strict=True):
        assert set(entry) == {
            "segment", "adjuster", "from", "asked", "expected", "achieved", "achieved_stderr", "gain", "gain_stderr",
            "backlash", "backlash_stderr", "direction", "position",
        }  # fmt: skip
        for key, value in entry.items():
            assert value == getattr(screw, keys.get(key) or key), key
        assert_allclose([screw.asked, screw.position], move, rtol=1e-9)
        assert screw.start == 0.0
        assert screw.direction == "seen"
    assert_allclose([screw.expected for screw in result.screws], MOVES, rtol=1e-9)  # of gains of 1
    assert_allclose(table["response"]["matrix"], result.response.matrix)
    assert_allclose(table["response"]["stderr"], result.response.stderr)
    assert [tuple(key) for key in table["response"]["adjusters"]] == KEYS
    for entry, line in zip(table["ledger"], result.ledger, strict=True):
        assert entry["travel"] == [line.low, line.high] == [-150e-6, 150e-6]
        assert entry["travel_left"] == line.left == min(line.position - line.low, line.high - line.position)
        assert entry["travelled"] == line.travelled == abs(line.moves[0])
        assert entry["moves"] == list(line.moves)
        assert entry["warning"] is None
    assert table["round"] == 1
    assert table["kind"] == "round"
    assert table["mirror"] == MIRROR.name


def test_tables_show_micrometres_with_two_places() -> None:
    """By hand: a screw asked for 20 um, and what is left of 150 um."""
    result = as_asked((3e-6, -5e-6))
    summary, screws, ledger = result.rows()
    assert summary.title.startswith(f"Round 1 of {MIRROR.name}, moves: nothing speaks against")
    assert summary.cells[0] == ("adjusters asked to move", "12")
    assert len(summary.cells) == 3
    head = screws.cells[0]
    assert head[:3] == ("S01/U", "+20.00 um", "+20.00 um")
    assert head[3].startswith("(20.0 ± ")
    assert head[4].startswith("1.0")
    assert head[6] == "seen"
    assert screws.notes
    assert ledger.cells[0] == ("S01/U", "20.00 um", "-150.00 um to 150.00 um", "20.00 um", "130.00 um", "")


def test_the_arrays_are_the_influence_matrix() -> None:
    result = as_asked()
    arrays = {one.name: one for one in result.arrays()}
    values = {name: np.asarray(one.values) for name, one in arrays.items()}
    assert list(values["at"]) == [f"{s}/{a}" for s, a in KEYS]
    assert_allclose(values["response"], result.response.matrix)
    assert_allclose(values["response_stderr"], result.response.stderr)
    assert arrays["at"].coordinate
    assert arrays["moved"].coordinate
    assert not arrays["response"].coordinate


def ledger_line(position: float, *moves: float) -> LedgerLine:
    travelled = sum(map(abs, moves))
    return LedgerLine(
        segment="S", adjuster="A", low=-100.0, high=140.0, position=position, travelled=travelled, moves=moves
    )


def test_a_reserve_of_thirty_percent_to_either_side_is_kept() -> None:
    """Of 240, half is 120 and its 30 % are 36: at 104 as much is left, and at -64."""
    for position, warned in (
        (104.0, False),
        (104.1, True),
        (-64.0, False),
        (-64.1, True),
        (139.0, True),
        (20.0, False),
    ):
        assert (ledger_line(position).warning == "RESERVE LOW") is warned, position
    assert ledger_line(150.0).left == 0.0
    assert ledger_line(-90.0).left == 10.0
    # another move like the last: to the very limit is allowed
    assert ledger_line(60.0, 80.0).warning == ""
    assert ledger_line(60.0, 80.1).warning == "ANOTHER SUCH MOVE WOULD LEAVE ITS TRAVEL"
    assert ledger_line(-30.0, 5.0, -70.0).warning == ""
    assert ledger_line(-30.0, 5.0, -70.1).warning == "ANOTHER SUCH MOVE WOULD LEAVE ITS TRAVEL"
    assert ledger_line(-30.0, -70.1, 5.0).warning == ""


def test_a_position_is_read_within_travel_and_no_further() -> None:
    """At the limit itself a reading is one; beyond it is refused. What was read to 10 nm of what was asked for is that;
    short by less than half of the overshoot it was approached as asked, else straight."""
    orders = orders_for(MIRROR, MOVES)

    def read(reading: float, place: int = 0, **options: Any) -> Order:
        one = replace(orders, moves=(replace(orders.moves[0], **options), *orders.moves[1:]))
        rises = MOVES.copy()
        rises[place] = reading
        result = compare_round(one, change_of(rises), readings={KEYS[place]: reading})
        return next(order for order in result.orders.moves if order.key == KEYS[place])

    for limit in (150e-6, -150e-6):
        assert read(limit).stop == limit
        with pytest.raises(ParameterError, match=r"S01/U: -?150.015 um lies outside its travel of -150 um to 150 um"):
            read(limit * (1 + 1e-4))
    rising: dict[str, Any] = {"approach": "rising", "overshoot": 8e-6}
    assert read(20e-6 + 0.9e-8, **rising).stop == orders.moves[0].stop
    near, far = read(23.9e-6, **rising), read(24.1e-6, **rising)
    assert (near.stop, near.approach, near.overshoot) == (23.9e-6, "rising", 8e-6)
    assert (far.stop, far.approach, far.overshoot) == (24.1e-6, "direct", 0.0)
    # one that was not to be moved and was
    still = replace(orders, moves=orders.moves[1:])
    result = compare_round(still, change_of(MOVES), readings={KEYS[0]: 20e-6})
    assert result.screws[0].asked == 20e-6
    with pytest.raises(ParameterError, match="reading of S09/U: mirror 'Heron' has no such adjuster"):
        compare_round(orders, change_of(MOVES), readings={("S09", "U"): 0.0})


def test_what_was_not_measured_is_not_achieved_and_is_named() -> None:
    lines = line_map(MIRROR, NAMES[:-1], 2)
    change = LineChange(
        quantity="height", segments=NAMES[:-1], change=lines @ MOVES,
        covariance=1e-18 * (lines @ lines.T) + 1e-24 * np.eye(len(lines)), alike=0.49,
    )  # fmt: skip
    result = compare_round(orders_for(MIRROR, MOVES), change)
    assert [screw.achieved is None for screw in result.screws] == [False] * 10 + [True] * 2
    assert [screw.achieved_stderr is None for screw in result.screws] == [False] * 10 + [True] * 2
    assert any(note.endswith("nothing is known of their moves: S06") for note in result.warnings)
    assert any("correlation of their figures 0.49, above 0.7 for one surface" in note for note in result.warnings)
    sure = compare_round(orders_for(MIRROR, MOVES), replace(change, alike=0.5))
    assert not any("correlation of their figures" in note for note in sure.warnings)


def test_a_move_below_five_times_the_backlash_shows_no_direction_and_is_named() -> None:
    """Backlash of 2 um: 10 um show it, 9.9 um do not."""
    mirror = with_adjusters(MIRROR, backlash=2e-6)
    for size, small in ((10e-6, False), (9.9e-6, True)):
        moves = MOVES.copy()
        moves[3] = size
        result = compare_round(orders_for(mirror, moves, direct=True), change_of(moves, mirror=mirror, noise=1e-6))
        told = [note for note in result.warnings if "can't be known from this round" in note]
        assert bool(told) is (small and result.screws[3].direction == "unknown")
        assert result.screws[3].direction == ("unknown" if small else "seen")
        if small:
            assert told[0].startswith(
                "the direction of S02/D can't be known from this round: the move was smaller than 5"
            )
            assert result.rows()[0].cells[-1] == ("moved too little to show their direction", "1")


NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)


def test_rounds_follow_each_other() -> None:
    """A second plan starts where the first left the screws, is planned later, and counts what is travelled."""
    orders = replace(orders_for(MIRROR, MOVES), when=NOON)
    first = compare_round(orders, change_of(MOVES))
    assert first.history.positions == {
        key: pytest.approx(move, rel=1e-9) for key, move in zip(KEYS, MOVES, strict=True)
    }
    moved = first.mirror
    second = replace(orders_for(moved, -MOVES / 2), when=NOON + timedelta(microseconds=1))
    result = compare_round(second, change_of(-MOVES / 2, mirror=moved), history=first.history)
    assert len(result.history.rounds) == 2
    stands = {key: adjuster.position for key, adjuster in adjusters_of(result.mirror).items()}
    assert result.history.positions == stands
    assert_allclose([line.travelled for line in result.ledger], 1.5 * np.abs(MOVES), rtol=1e-6)
    assert_allclose([line.moves for line in result.ledger], np.column_stack([MOVES, -MOVES / 2]), rtol=1e-6)
    again = History.from_dict(json.loads(json.dumps(result.history.to_dict())))
    assert [past.planned for past in again.rounds] == [NOON, NOON + timedelta(microseconds=1)]
    for one, other in zip(again.rounds, result.history.rounds, strict=True):
        assert (one.moves, one.positions, one.findings) == (other.moves, other.positions, other.findings)
        assert (one.reversed, one.verified, one.kind) == (other.reversed, other.verified, other.kind)
        assert_allclose(one.done.side, other.done.side)
        assert np.array_equal(one.done.settled, other.done.settled)
    for when, words in ((NOON, "is compared and recorded already"), (NOON - timedelta(hours=1), "is older than")):
        with pytest.raises(DataError, match=f"{words}.*; expected a newer plan"):
            first.history.check(replace(second, when=when))
    with pytest.raises(DataError, match="it has S01/U at 0 um, where that move left it at 20 um"):
        first.history.check(orders_for(MIRROR, MOVES))
    History(mirror=MIRROR.name).check(orders)


def test_a_history_of_fewer_screws_is_another_mirrors() -> None:
    first = compare_round(orders_for(MIRROR, MOVES), change_of(MOVES))
    fewer = replace(MIRROR, segments=MIRROR.segments[:5])
    with pytest.raises(DataError, match="are of 12 adjusters and mirror 'Heron' has 10; expected the same"):
        first.history.knowledge(fewer)


def test_a_response_that_was_given_is_kept_and_read_back() -> None:
    matrix = np.eye(12) + np.arange(144).reshape(12, 12) / 1e4
    given = Response(adjusters=tuple(KEYS), matrix=matrix, stderr=np.full((12, 12), 0.01) + matrix / 100)
    again = History.from_dict(History(mirror=MIRROR.name, given=given).to_dict()).given
    assert again is not None
    assert again.adjusters == given.adjusters
    assert_allclose(again.matrix, matrix)
    assert_allclose(again.stderr, given.stderr)


def test_a_profile_after_is_needed_with_one_before() -> None:
    from tests.test_line_change_exact import places, seen

    with pytest.raises(ParameterError, match="after is needed"):
        compare_round(Orders(mirror=MIRROR, moves=()), seen(np.zeros(len(places()))))


# ------------------------------------------------------------------ in words


def test_a_comparison_in_words() -> None:
    """What was asked in micrometres with two places and a sign; what is known with its uncertainty, of two digits;
    REVERSED in capitals, and nothing where nothing moved."""
    result = as_asked((3e-6, -5e-6))
    told = replace(
        result,
        carrier_height=12.346e-6,
        carrier_height_stderr=0.25e-6,
        carrier_tilt=-3.2e-6,
        carrier_tilt_stderr=0.5e-6,
    )
    assert [row[1] for row in told.rows()[0].cells] == ["12", "(12.35 ± 0.25) um", "(-3.20 ± 0.50) urad"]
    slopes = replace(told, carrier_height=None, carrier_height_stderr=None)
    assert slopes.rows()[0].cells[1][1] == "–"
    screw = replace(
        result.screws[0], asked=1.234e-6, expected=-2.345e-6, achieved=3.456e-6, achieved_stderr=0.567e-6,
        gain=-0.98765, gain_stderr=0.012, backlash=2.5e-6, backlash_stderr=0.25e-6, direction="reversed",
    )  # fmt: skip
    row = replace(result, screws=(screw, replace(screw, direction="not moved", achieved=None, achieved_stderr=None)))
    assert row.rows()[1].cells == (
        ("S01/U", "+1.23 um", "-2.35 um", "(3.46 ± 0.57) um", "-0.988 ± 0.012", "(2.50 ± 0.25) um", "REVERSED"),
        ("S01/U", "+1.23 um", "-2.35 um", "–", "-0.988 ± 0.012", "(2.50 ± 0.25) um", ""),
    )  # fmt: skip
    assert replace(result, screws=()).rows()[1].notes == ()
    # counted are those that were asked to move, and of these those whose direction is not known
    some = (
        replace(screw, asked=0.0),
        replace(screw, direction="unknown"),
        replace(screw, asked=0.0, direction="unknown"),
    )
    assert replace(result, screws=some).rows()[0].cells[0][1] == "1"
    assert replace(result, screws=some).rows()[0].cells[-1] == ("moved too little to show their direction", "1")
    line = LedgerLine(
        segment="S01", adjuster="U", low=-10e-6, high=10e-6, position=8e-6, travelled=12.345e-6, moves=(1e-6,)
    )
    table = replace(result, ledger=(line,)).rows()[2]
    assert table.cells == (("S01/U", "8.00 um", "-10.00 um to 10.00 um", "12.35 um", "2.00 um", "RESERVE LOW"),)
    tests = replace(result, orders=replace(result.orders, kind="test"), warnings=("mind",)).rows()[0]
    assert ", test moves: nothing speaks against" in tests.title
    assert tests.notes == ("Note: mind",)


def test_what_the_ledger_warns_of_is_said() -> None:
    """At 140 of 150 um little is left; at 100 um one more move of 60 um would leave the travel, and 50 um are left."""
    mirror = replace(
        MIRROR,
        segments=tuple(
            replace(s, adjusters=tuple(replace(a, position=120e-6 if a.name == "U" else 40e-6) for a in s.adjusters))
            for s in MIRROR.segments
        ),
    )
    moves = np.tile([20e-6, 60e-6], 6)
    result = compare_round(orders_for(mirror, moves), change_of(moves, mirror=mirror))
    assert [line.position for line in result.ledger[:2]] == [140e-6, 100e-6]
    low, far = (note for note in result.warnings if note.startswith("S01/"))
    assert low == "S01/U: only 10.0 um of travel left to the nearer limit; recentre it before its range is used up"
    assert far == "S01/D: another move like the last would leave its travel, 50.0 um are left to the nearer limit"
    assert len(result.warnings) == 12


def test_a_doubt_at_a_screw_that_was_not_to_move_is_not_put_down_to_its_backlash() -> None:
    """Two screws on one place, either of which may have been turned instead of a third: their directions are not known,
    but not because a move was too small."""
    segments = [
        replace(s, adjusters=(*s.adjusters, replace(s.adjusters[1], name="E", y=0.0))) if s.name == "S03" else s
        for s in with_adjusters(MIRROR, backlash=1e-6).segments
    ]
    mirror = replace(MIRROR, segments=tuple(segments))
    keys = list(adjusters_of(mirror))
    asked, done = np.zeros(len(keys)), np.zeros(len(keys))
    asked[keys.index(("S03", "U"))] = 40e-6
    done[keys.index(("S03", "D"))] = 40e-6
    result = compare_round(orders_for(mirror, asked, direct=True), change_of(done, mirror=mirror))
    assert "unknown" in {screw.direction for screw in result.screws}
    assert not any("can't be known from this round" in note for note in result.warnings)


def test_a_plan_that_knew_more_is_said_to_have() -> None:
    """Gains other than 1 come from earlier rounds: without these, learning begins anew; with them, it does not."""
    orders = orders_for(MIRROR, MOVES)
    wise = replace(orders, moves=(replace(orders.moves[0], gain=0.97), *orders.moves[1:]))
    assert any("learning begins anew" in note for note in compare_round(wise, change_of(MOVES)).warnings)
    assert not any("learning begins anew" in note for note in compare_round(orders, change_of(MOVES)).warnings)
    given = Response(adjusters=tuple(KEYS), matrix=np.eye(12), stderr=0.1 * np.eye(12))
    told = compare_round(wise, change_of(MOVES), history=History(mirror=MIRROR.name, given=given))
    assert not any("learning begins anew" in note for note in told.warnings)
    first = compare_round(orders, change_of(MOVES))
    back = orders_for(first.mirror, -MOVES)
    again = replace(back, moves=tuple(replace(order, gain=0.97) for order in back.moves))
    later = compare_round(again, change_of(-MOVES, mirror=first.mirror), history=first.history)
    assert not any("learning begins anew" in note for note in later.warnings)


def test_a_hand_that_the_plan_told_is_kept_and_one_that_it_did_not_tell_is_learned() -> None:
    """The first screw goes against its scale, and the plan says so: nothing is found. In the next round the history
    knows, whatever the plan says."""
    orders = orders_for(MIRROR, MOVES)
    rises = MOVES.copy()
    rises[0] *= -1
    told = replace(orders, moves=(replace(orders.moves[0], gain=-1.0), *orders.moves[1:]))
    first = compare_round(told, change_of(rises))
    assert first.as_asked
    assert first.history.rounds[0].reversed == {0}
    assert_allclose(first.screws[0].expected, -MOVES[0], rtol=1e-9)
    assert first.screws[0].gain < -0.9
    second = compare_round(
        orders_for(first.mirror, -MOVES), change_of(-rises, mirror=first.mirror), history=first.history
    )
    assert second.as_asked
    assert second.history.rounds[1].reversed == frozenset()
    assert {screw.direction for screw in second.screws} == {"seen"}
    found = compare_round(orders, change_of(rises))
    assert found.history.rounds[0].reversed == {0}
    assert found.screws[0].direction == "reversed"
    assert found.history.rounds[0].verified == set(range(1, 12))


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_a_rehearsal_without_noise_is_compared_as_well(quantity: Literal["height", "slope"]) -> None:
    """Four of six segments stand without screws, and nothing in made-up data is unsure: what the others did comes back,
    the carrier stayed, and all did as asked."""
    mirror = replace(
        MIRROR, segments=tuple(replace(s, adjusters=s.adjusters * (n in (0, 5))) for n, s in enumerate(MIRROR.segments))
    )
    nominal, moves = mirror.nominal, np.array([10, -20, 30, 40]) * 1e-6
    lines = line_map(mirror, NAMES, 2) @ moves
    before, after = (
        made_profile(
            mirror, (nominal.p, nominal.q, nominal.theta), sigma=None, quantity=quantity, lifts=share * lines[::2],
            tilts=share * lines[1::2],
        )
        for share in (0.0, 1.0)
    )  # fmt: skip
    result = compare_round(orders_for(mirror, moves), before, after)
    assert result.as_asked
    assert_allclose(result.carrier_tilt, 0.0, atol=1e-8)
    if quantity == "height":
        assert_allclose([screw.achieved or 0.0 for screw in result.screws], moves, rtol=0, atol=1e-8)


def test_what_is_read_back_is_what_was_written() -> None:
    """A history with a round that was knocked, and one of slopes: all of it, through JSON."""
    rises = MOVES.copy()
    first = compare_round(orders_for(MIRROR, MOVES), change_of(rises))
    (past,) = first.history.rounds
    knocked = replace(past, done=replace(past.done, knocked=frozenset({"S02", "S01"})), reversed=frozenset({3, 1}))
    whole = replace(first.history, rounds=(knocked,))
    again = History.from_dict(json.loads(json.dumps(whole.to_dict())))
    (read,) = again.rounds
    assert read.done.knocked == {"S01", "S02"}
    assert read.reversed == {1, 3}
    assert whole.to_dict()["rounds"][0]["done"]["knocked"] == ["S01", "S02"]
    assert whole.to_dict()["rounds"][0]["reversed"] == [1, 3]
    assert_allclose(read.done.move, past.done.move)
    assert read.done.settled.dtype == np.bool_
    assert (read.change.quantity, read.change.segments, read.change.alike) == ("height", NAMES, None)
    assert_allclose(read.change.change, past.change.change)
    assert_allclose(read.change.covariance, past.change.covariance)
    for wrong in ({"move": [0.0] * 13}, {"side": [1.0] * 11}, {"settled": [[1]]}):
        table = json.loads(json.dumps(whole.to_dict()))
        table["rounds"][0]["done"].update(wrong)
        with pytest.raises(ValueError, match="expected a number for each adjuster"):
            History.from_dict(table)


def test_what_is_known_cannot_be_changed_by_hand() -> None:
    known = as_asked().knowledge
    for name in ("matrix", "mean", "covariance", "rows", "columns", "verified"):
        assert not getattr(known, name).flags.writeable, name
    assert known.rows.dtype == known.columns.dtype == np.intp
    assert known.verified.dtype == np.bool_
    assert known.count == 12
