"""Practising from the command line: a folder with a mirror, plans carried out, and what is hidden revealed."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

import ellipsefit as ef
from ellipsefit.cli import main
from ellipsefit.files.orders import read_orders
from ellipsefit.files.practice import open_practice
from tests.loop_cases import small_mirror

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Run:
    monkeypatch.chdir(tmp_path)
    ef.write_mirror(small_mirror(), "own.toml")

    def call(*arguments: str) -> tuple[int, str, str]:
        capsys.readouterr()
        with pytest.raises(SystemExit) as leave:
            main(arguments)
        out, err = capsys.readouterr()
        assert isinstance(leave.value.code, int)
        return leave.value.code, out, err

    return call


def start(run: Run, *more: str) -> None:
    assert run("rehearse", "there", "--mirror", "own.toml", *more)[0] == 0


def test_a_round_is_practised(run: Run) -> None:
    start(run, "--wrong-handed", "0", "--seed", "3")
    run("correct", "there/mirror.toml", "there/measured-0.h5", "--json", "plan.json", "-q")
    status, out, _ = run("rehearse", "there", "--carry-out", "plan.json", "--wait", "5 h", "--reveal", "--json", "-")
    answer = json.loads(out)
    assert (status, answer["round"], answer["measured"]) == (0, 1, "there/measured-1.h5")
    assert answer["hidden"]["wrong_handed"] == []
    stands = open_practice("there").practice.mirror
    assert [o.stop for o in read_orders("plan.json").moves] == pytest.approx(
        [a.position for s in stands.segments for a in s.adjusters], abs=1e-12
    )
    assert run("compare", "plan.json", "there/measured-0.h5", "there/measured-1.h5")[0] == 0


def test_a_seed_makes_the_same_mirror(run: Run) -> None:
    start(run, "--seed", "5")
    assert run("rehearse", "again", "--mirror", "own.toml", "--seed", "5")[0] == 0
    assert Path("there/hidden.json").read_bytes() == Path("again/hidden.json").read_bytes()
    assert (ef.read_profile("there/measured-0.h5").values == ef.read_profile("again/measured-0.h5").values).all()


def test_the_answer_hides_what_is_hidden(run: Run) -> None:
    start(run)
    run("correct", "there/mirror.toml", "there/measured-0.h5", "--json", "plan.json", "-q")
    out = run("rehearse", "there", "--carry-out", "plan.json", "--json", "-")[1]
    assert set(json.loads(out)) == {"mirror", "round", "mirror_file", "measured"}


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("there",), "exists already"),
        (("nowhere", "--carry-out", "plan.json"), "holds no practice mirror"),
        (("there", "--carry-out", "own.toml"), "is no JSON"),
        (("there", "--carry-out", "plan.json", "--slip", "S01"), "--slip: got 'S01'"),
        (("there", "--carry-out", "plan.json", "--slip", "S77/U=not moved"), "the plan has no move of 'S77/U'"),
        (("there", "--carry-out", "plan.json", "--wait", "-1 h"), "no less than zero"),
        (("new", "--wrong-handed", "99"), "wrong"),
        (("new", "--gain-error", "2"), "expected a share"),
        (("new", "--creep", "1"), "expected a share"),
        (("new", "--seed", "-1"), "whole number"),
        (("new", "--backlash", "2"), "without a unit"),
        (("deep/er", "--seed", "1"), "the folder cannot be made"),
    ],
)
def test_what_cannot_be_done_is_refused_in_one_sentence(run: Run, arguments: tuple[str, ...], words: str) -> None:
    start(run)
    run("correct", "there/mirror.toml", "there/measured-0.h5", "--json", "plan.json", "-q")
    status, out, err = run("rehearse", *arguments)
    assert (status, out) == (2, "")
    assert words in err
    assert err.count("\n") == 1
    assert not Path("new").exists()


def test_a_spoilt_hidden_file_is_refused(run: Run) -> None:
    start(run)
    run("correct", "there/mirror.toml", "there/measured-0.h5", "--json", "plan.json", "-q")
    Path("there/hidden.json").write_text("{}")
    status, _, err = run("rehearse", "there", "--carry-out", "plan.json")
    assert status == 2
    assert "there/hidden.json: is faulty" in err
