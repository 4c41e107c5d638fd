"""Rounds compared, from the command line and in a record. Oracle: a simulated mirror on which they were made."""

import json
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import ellipsefit as ef
from ellipsefit.align.comparison import compare_round
from ellipsefit.align.orders import adjusters_of
from ellipsefit.align.rounds import History
from ellipsefit.cli import main
from ellipsefit.files.orders import read_history, read_orders
from ellipsefit.practice import PracticeMirror, practice_mirror
from tests.loop_cases import orders_for, seen_change, small_mirror

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, folder: Path) -> Run:
    monkeypatch.chdir(folder)

    def call(*arguments: str) -> tuple[int, str, str]:
        capsys.readouterr()
        with pytest.raises(SystemExit) as leave:
            main(arguments)
        out, err = capsys.readouterr()
        code = leave.value.code
        assert isinstance(code, int)
        return code, out, err

    return call


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, PracticeMirror, tuple[str, str]]:
    """Mirror file, profile before, plan, and profile after its moves but for the largest, which was forgotten."""
    place = tmp_path_factory.mktemp("round")
    rng = np.random.default_rng(11)
    mirror = small_mirror()
    practice = practice_mirror(rng, mirror=mirror)
    ef.write_mirror(mirror, place / "mirror.toml")
    ef.write_profile(practice.measure(rng, step=4e-3), place / "before.h5")
    with pytest.raises(SystemExit):
        main(
            ["correct", str(place / "mirror.toml"), str(place / "before.h5"), "--json", str(place / "plan.json"), "-q"]
        )
    orders = read_orders(place / "plan.json")
    forgotten = max(orders.moves, key=lambda order: abs(order.move)).key
    after = practice.moved(orders, slips={forgotten: "not moved"})
    ef.write_profile(after.measure(rng, step=4e-3), place / "after.h5")
    return place, after, forgotten


@pytest.fixture
def folder(made: tuple[Path, PracticeMirror, tuple[str, str]], tmp_path: Path) -> Path:
    for file in made[0].iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    return tmp_path


def test_a_plan_holds_all_that_is_needed(folder: Path) -> None:
    plan = json.loads((folder / "plan.json").read_text())
    assert set(plan["mirror"]) == {"name", "fingerprint", "file"}
    assert plan["kind"] == "round"
    assert {"approach", "overshoot"} <= set(plan["moves"][0])
    assert read_orders(folder / "plan.json").mirror == ef.read_mirror(folder / "mirror.toml")


def test_what_was_forgotten_is_named_and_the_status_is_1(run: Run, made: Any) -> None:
    status, out, err = run("compare", "plan.json", "before.h5", "after.h5")
    assert (status, err) == (1, "")
    assert f"Found: {'/'.join(made[2])} was not moved." in out
    assert "NOT AS ASKED" in out


def test_a_reading_makes_it_right(run: Run, made: Any) -> None:
    name = "/".join(made[2])
    status, out, _ = run("compare", "plan.json", "before.h5", "after.h5", "--reading", f"{name}=0 um")
    assert status == 0
    assert "NOT AS ASKED" not in out


def test_the_filled_in_sheet_makes_it_right(run: Run, made: Any) -> None:
    assert run("sheet", "plan.json", "-o", "sheet.csv", "-o", "sheet.html")[0] == 0
    segment, adjuster = made[2]
    lines = Path("sheet.csv").read_text(encoding="utf-8-sig").splitlines()
    lines = [line[:-1] + "0.00," if f",{segment},{adjuster}," in line else line for line in lines]
    Path("sheet.csv").write_text("\n".join(lines), encoding="utf-8")
    assert run("compare", "plan.json", "before.h5", "after.h5", "--sheet", "sheet.csv")[0] == 0


def test_the_answer_for_programs(run: Run, made: Any) -> None:
    status, out, err = run("compare", "plan.json", "before.h5", "after.h5", "--json", "-")
    answer = json.loads(out)
    assert status == 1
    assert "Travel ledger" in err
    moves = {(move["segment"], move["adjuster"]): move for move in answer["moves"]}
    practice = made[1]
    for place, (key, adjuster) in enumerate(adjusters_of(practice.mirror).items()):
        assert moves[key]["position"] == pytest.approx(adjuster.position, abs=1e-12)
        assert abs(moves[key]["gain"] - practice.faults.matrix[place, place]) < 4 * moves[key]["gain_stderr"]
    assert answer["findings"][0]["kind"] == "not moved"
    assert [len(answer["response"]["matrix"]), len(answer["ledger"])] == [12, 12]


def test_achieved_is_what_the_surface_did(run: Run, made: Any) -> None:
    """Truth: rises of the practice mirror at its adjusters. It was put down anew between them."""
    out = json.loads(run("compare", "plan.json", "before.h5", "after.h5", "--json", "-")[1])
    practice = made[1]
    truth = practice.faults.matrix @ practice.travelled
    achieved = np.array([move["achieved"] for move in out["moves"]])
    stderr = np.array([move["achieved_stderr"] for move in out["moves"]])
    assert np.abs((achieved - truth) / stderr).max() < 4


def test_the_new_mirror_file_has_the_new_positions(run: Run, made: Any) -> None:
    old = Path("mirror.toml").read_text()
    assert run("compare", "plan.json", "before.h5", "after.h5", "--mirror-out", "moved.toml")[0] == 1
    assert ef.read_mirror("moved.toml") == made[1].mirror
    assert Path("mirror.toml").read_text() == old
    positions = [a["position"] for s in tomllib.loads(Path("moved.toml").read_text())["segment"] for a in s["adjuster"]]
    assert all(position.endswith(" um") for position in positions)
    status, _, err = run("compare", "plan.json", "before.h5", "after.h5", "--mirror-out", "mirror.toml")
    assert status == 2
    assert "exists already" in err


def test_rounds_go_on_from_the_last(run: Run) -> None:
    run("compare", "plan.json", "before.h5", "after.h5", "--mirror-out", "moved.toml", "--json", "one.json", "-q")
    run("correct", "moved.toml", "after.h5", "--json", "second.json", "-q")
    status, _, _ = run("compare", "second.json", "after.h5", "after.h5", "--response", "one.json", "--json", "two.json")
    assert status == 1  # nobody moved anything
    history = read_history("two.json")
    assert history is not None
    assert len(history.rounds) == 2
    status, _, err = run("compare", "plan.json", "before.h5", "after.h5", "--response", "two.json")
    assert status == 2
    assert "older than the last recorded move" in err


def test_a_plan_from_other_positions_is_older_than_the_last_move(run: Run) -> None:
    run("compare", "plan.json", "before.h5", "after.h5", "--json", "one.json", "-q")
    run("correct", "mirror.toml", "after.h5", "--json", "stale.json", "-q")
    status, _, err = run("compare", "stale.json", "after.h5", "after.h5", "--response", "one.json")
    assert status == 2
    assert "the plan is older than the last recorded move" in err
    assert err.startswith("ellipsefit: stale.json: ")


def test_a_given_influence_matrix_is_where_learning_begins(run: Run) -> None:
    Path("given.csv").write_text("moved,at,value,uncertainty\nS01/U,S01/U,0.8,0.01\n")
    answer = json.loads(
        run("compare", "plan.json", "before.h5", "after.h5", "--response", "given.csv", "--json", "-")[1]
    )
    assert abs(answer["moves"][0]["gain"] - 0.8) < 0.03
    assert answer["history"]["given"]["matrix"][0][0] == 0.8


def test_a_record_keeps_it_round_by_round(run: Run) -> None:
    assert run("run", "mirror.toml", "before.h5", "-o", "out", "-q")[0] == 0
    arguments = ("compare", "out/record.h5", "before.h5", "after.h5", "--record", "out/record.h5")
    assert run(*arguments)[0] == 1
    history = read_history("out/record.h5")
    assert history is not None
    assert len(history.rounds) == 1
    status, _, err = run(*arguments)
    assert status == 2
    assert "recorded already" in err


def test_a_record_serves_as_the_measurement_before(run: Run) -> None:
    run("run", "mirror.toml", "before.h5", "-o", "out", "-q")
    one, two = (
        json.loads(run("compare", "out/record.h5", path, "after.h5", "--json", "-")[1])
        for path in ("before.h5", "out/record.h5")
    )
    for first, second in zip(one["moves"], two["moves"], strict=True):
        assert first["achieved"] == pytest.approx(second["achieved"], abs=1e-8)


def test_history_survives_json() -> None:
    rng = np.random.default_rng(3)
    mirror = small_mirror()
    practice = practice_mirror(rng, mirror=mirror)
    orders = orders_for(mirror, rng.normal(0.0, 20e-6, 12))
    result = compare_round(orders, seen_change(practice, practice.moved(orders), rng))
    again = History.from_dict(json.loads(json.dumps(result.history.to_dict())))
    first, second = (each.knowledge(result.mirror) for each in (result.history, again))
    assert np.array_equal(first.mean, second.mean)
    assert np.array_equal(first.covariance, second.covariance)
    assert np.array_equal(first.mean, result.knowledge.mean)


def test_the_ledger_warns_before_a_range_is_used_up() -> None:
    """Travel of 150 um to both sides: 30 % of it, 45 um, is the reserve."""
    rng = np.random.default_rng(4)
    mirror = small_mirror()
    practice = practice_mirror(rng, mirror=mirror)
    moves = np.zeros(12)
    moves[0], moves[1], moves[2] = 110e-6, 100e-6, -60e-6
    orders = orders_for(mirror, moves)
    result = compare_round(orders, seen_change(practice, practice.moved(orders), rng))
    warnings = [line.warning for line in result.ledger[:4]]
    assert warnings == ["RESERVE LOW", "ANOTHER SUCH MOVE WOULD LEAVE ITS TRAVEL", "", ""]
    assert any(text.startswith("S01/U: only 40.0 um") for text in result.warnings), result.warnings
    assert result.ledger[2].travelled == pytest.approx(60e-6)


def edit(path: str, change: Callable[[dict[str, Any]], object]) -> None:
    table = json.loads(Path(path).read_text())
    change(table)
    Path(path).write_text(json.dumps(table))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: t.pop("mirror"), "key 'mirror' is missing"),
        (lambda t: t.pop("moves"), "key 'moves' is missing"),
        (lambda t: t["mirror"].update(file="x = 1"), "was changed after the plan was made"),
        (lambda t: t["moves"][0].update({"to": "3"}), "move 1: key 'to' is '3'"),
        (lambda t: t["moves"][0].update({"to": 1.0}), "outside its travel"),
        (lambda t: t["moves"][0].update({"from": 1e-6}), "but the adjuster stands at"),
        (lambda t: t["moves"][0].update({"adjuster": "Z"}), "no such adjuster"),
        (lambda t: t["moves"].append(t["moves"][0]), "stands twice"),
        (lambda t: t["moves"][0].update({"approach": "sideways"}), "rising, falling, direct"),
        (lambda t: t["moves"][0].update({"overshoot": -1.0}), "overshoot must not be negative"),
        (lambda t: t.update(time="noon"), "key 'time'"),
        (lambda t: t.update(kind="joke"), "key 'kind'"),
        (lambda t: t.update(kind="joke " * 2000), "joke ...; expected one of round, test"),  # what is cited is cut
        (lambda t: t.update(moves=[3]), "move 1 is no object"),
    ],
)
def test_a_spoilt_plan_is_refused_in_one_sentence(run: Run, change: Callable[..., object], words: str) -> None:
    edit("plan.json", change)
    status, out, err = run("compare", "plan.json", "before.h5", "after.h5", "--json", "answer.json")
    assert (status, out) == (2, "")
    assert words in err
    assert err.startswith("ellipsefit: plan.json")
    assert err.count("\n") == 1
    assert not Path("answer.json").exists()


def test_measurements_in_different_frames_are_refused(run: Run) -> None:
    profile = ef.read_profile("after.h5")
    ef.write_profile(replace(profile, frame="scan"), "scan.h5")
    status, _, err = run("compare", "plan.json", "before.h5", "scan.h5")
    assert status == 2
    assert "expected both in one frame" in err


def test_a_record_of_another_mirror_is_refused(run: Run) -> None:
    text = Path("mirror.toml").read_text().replace('"Heron"', '"Egret"')
    Path("other.toml").write_text(text)
    run("run", "other.toml", "before.h5", "-o", "out", "-q")
    status, _, err = run("compare", "plan.json", "before.h5", "out/record.h5")
    assert status == 2
    assert "is of mirror 'Egret'; expected one of mirror 'Heron'" in err
    status, _, err = run("compare", "plan.json", "before.h5", "after.h5", "--record", "out/record.h5")
    assert status == 2
    assert "Egret" in err


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        (("--reading", "S01=3 um"), "expected such as"),
        (("--reading", "S01/Q=3 um"), "no such adjuster"),
        (("--reading", "S01/U=3"), "without a unit"),
        (("--reading", "S01/U=3 mm"), "outside its travel"),
        (("--reading", "S01/U=3 um", "--reading", "S01/U=4 um"), "given twice"),
        (("--response", "plan.json"), "key 'history' is missing"),
        (("--response", "before.h5"), "is no record"),
        (("--response", "nothing.json"), "no such file"),
        (("--record", "nothing.h5"), "no such file"),
        (("--response", "a", "--record", "b"), "both are given"),
    ],
)
def test_wrong_options_are_refused_in_one_sentence(run: Run, extra: tuple[str, ...], words: str) -> None:
    status, out, err = run("compare", "plan.json", "before.h5", "after.h5", *extra)
    assert (status, out) == (2, "")
    assert words in err
    assert err.count("\n") == 1


def test_test_moves_are_a_plan_of_their_own(run: Run) -> None:
    run("correct", "mirror.toml", "before.h5", "--test-moves", "--json", "test.json", "-q")
    plan, test = read_orders("plan.json"), read_orders("test.json")
    assert test.kind == "test"
    table = json.loads(Path("test.json").read_text())
    planned = {order.key: order for order in plan.moves if order.move}
    assert {order.key for order in test.moves} | {tuple(n.split("/")) for n in table["direction_unknown"]} == set(
        planned
    )
    for order in test.moves:
        assert 0 < order.move / planned[order.key].move <= 1 + 1e-9
        assert abs(order.move) >= 10e-6 * (1 - 1e-9)  # five times the backlash of 2 um


def test_an_empty_history_knows_nothing() -> None:
    mirror = small_mirror()
    history = History(mirror="Heron")
    assert history.positions == {}
    assert np.array_equal(history.knowledge(mirror).influence, np.eye(12))
    with pytest.raises(ef.EllipsefitError, match="expected some of mirror"):
        History(mirror="Egret").knowledge(mirror)
