"""What a comparison says, by hand: sentences, tables, the ledger and the answer for programs, number by number."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

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
    assert head[3] == f"{1e6 * (result.screws[0].achieved or 0):+.2f} um"
    assert head[4] == f"{1e6 * (result.screws[0].achieved_stderr or 0):.2f} um"
    assert head[5:7] == (f"{result.screws[0].gain:.3f}", f"{result.screws[0].gain_stderr:.3f}")
    assert head[7:9] == (
        f"{1e6 * result.screws[0].backlash:.2f} um", f"{1e6 * result.screws[0].backlash_stderr:.2f} um",
    )  # fmt: skip
    assert head[9] == "seen"
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
        with pytest.raises(ParameterError, match="lies outside its travel of -150 um to 150 um"):
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
