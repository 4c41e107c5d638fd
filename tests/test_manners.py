"""Manners of the command line: colour, quiet, verbose, completion, and what is never overwritten."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from ellipsefit.cli import main
from ellipsefit.files import write_mirror, write_text_profile
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    mirror, rng = invented_mirror(segments=5, length=2.5), np.random.default_rng(8)
    write_mirror(mirror, tmp_path / "mirror.toml")
    write_text_profile(simulate_profile(mirror, hidden_state(mirror, rng), rng, step=1e-2), tmp_path / "profile.csv")
    return tmp_path


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as leaving:
        main([str(argument) for argument in arguments])
    assert isinstance(leaving.value.code, int)
    return leaving.value.code


def test_no_answer_takes_the_place_of_what_it_was_made_from(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With --force, by another name of the same file, and through a link."""
    before = {path.name: path.read_bytes() for path in home.iterdir()}
    (home / "link.csv").symlink_to("profile.csv")
    (home / "folder").mkdir()
    for name in ("profile.csv", "mirror.toml", "link.csv", "folder/../profile.csv"):
        for option in ("--json", "-o"):
            assert run("fit", "mirror.toml", "profile.csv", option, name, "--force") == 2
            assert "is to be read and written; expected another file" in capsys.readouterr().err
    assert {name: (home / name).read_bytes() for name in before} == before


@pytest.mark.parametrize(("name", "told"), [("a" * 300, "cannot be the name of a file"), ("x\0y", "null")])
def test_a_name_that_no_file_can_have_is_told_at_once(
    name: str, told: str, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for arguments in (("fit", "mirror.toml", "profile.csv", "--json", name), ("demo", name)):
        assert run(*arguments) == 2
        written = capsys.readouterr()
        assert told in written.err
        assert written.out == ""
        assert len(written.err) < 200


def test_quiet_says_nothing_and_verbose_says_more(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("fit", "mirror.toml", "profile.csv", "--quiet") == 0
    assert capsys.readouterr() == ("", "")
    assert run("fit", "mirror.toml", "profile.csv") == 0
    plain = capsys.readouterr()
    assert plain.err == ""
    assert run("fit", "mirror.toml", "profile.csv", "--verbose") == 0
    full = capsys.readouterr()
    assert full.out.startswith(plain.out.rstrip("\n"))
    assert "Model and settings" in full.out.removeprefix(plain.out)
    assert re.fullmatch(r"( +\d+\.\d\d s  (reading|fitting)\n){2}", full.err)
    assert run("fit", "mirror.toml", "profile.csv", "--verbose", "--quiet") == 2
    assert "--quiet and --verbose: both are given" in capsys.readouterr().err


def test_json_on_standard_output_is_alone_there(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("fit", "mirror.toml", "profile.csv", "--json", "-", "-v") == 0
    written = capsys.readouterr()
    assert json.loads(written.out)["converged"] is True
    assert "Ellipse of Heron" in written.err


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        (["fti"], "ellipsefit: no command 'fti' (did you mean 'fit'?); 'ellipsefit --help' shows what is expected"),
        (["--verison"], "ellipsefit: no option '--verison' (did you mean '--version'?); 'ellipsefit --help' shows"),
        (["drift", "--qiuet"], "no option '--qiuet' (did you mean '--quiet'?); 'ellipsefit drift --help' shows"),
        (["fit", "--jsno", "-"], "--json"),
        (["guide", "glosary"], "did you mean 'glossary'?"),
    ],
)
def test_what_was_mistyped_is_guessed(typed: list[str], told: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(*typed) == 2
    assert told in capsys.readouterr().err


def test_run_takes_the_objectives_of_correct(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same moves as of `correct`; a wrong word is told before anything is written."""
    chosen = ("--objective", "worst,reach", "--json", "-", "-q")
    assert run("run", "mirror.toml", "profile.csv", "-o", "out", *chosen) == 0
    whole = json.loads(capsys.readouterr().out)["correct"]
    assert run("correct", "mirror.toml", "profile.csv", *chosen) == 0
    alone = json.loads(capsys.readouterr().out)
    assert [move["move"] for move in whole["moves"]] == [move["move"] for move in alone["moves"]]
    assert [item["name"] for item in whole["objectives"]] == ["worst", "reach", "travel"]
    assert run("run", "mirror.toml", "profile.csv", "-o", "out-2", "--objective", "nicest") == 2
    assert run("run", "mirror.toml", "profile.csv", "-o", "out-2", "--target", "nicest") == 2
    assert "--target: got 'nicest'; expected nominal or free" in capsys.readouterr().err
    assert not (home / "out-2").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="needs a terminal of POSIX")
def test_colour_is_for_terminals_that_want_it() -> None:
    """In a terminal, letters are bold; with NO_COLOR (no-color.org) or TERM=dumb no escape sequence is sent."""
    import pty

    def shown(**environment: str) -> bytes:
        here, there = pty.openpty()
        plain = {name: value for name, value in os.environ.items() if name not in ("NO_COLOR", "TERM")}
        code = [sys.executable, "-m", "ellipsefit", "guide"]
        subprocess.run(code, stdout=there, env=plain | environment, check=True, timeout=100)
        os.close(there)
        found = os.read(here, 10_000)
        os.close(here)
        return found

    assert b"\x1b[" in shown(TERM="xterm-256color")
    assert b"\x1b" not in shown(TERM="xterm-256color", NO_COLOR="1")
    assert b"\x1b" not in shown(TERM="dumb")


def test_the_shell_completes_commands() -> None:
    """By the protocol of the completion script: words so far and the place of the last in the environment."""
    found = subprocess.run(
        [sys.executable, "-m", "ellipsefit"],
        env={**os.environ, "_ELLIPSEFIT_COMPLETE": "complete_bash", "COMP_WORDS": "ellipsefit fo", "COMP_CWORD": "1"},
        capture_output=True,
        text=True,
        check=False,
        timeout=100,
    )
    assert found.stdout.split() == ["focus"]
