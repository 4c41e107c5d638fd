"""The command `focus`: its answer, its exit status, and what bad input brings."""

from __future__ import annotations

import json
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from numpy.testing import assert_allclose

from ellipsefit.cli import main
from ellipsefit.files import write_mirror, write_profile
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile

BEAM = 'kind = "neutron"\nwavelength = ["3 angstrom", "5 angstrom"]\nsource_size = "0.5 mm"\naperture = "3 mm"\n'


class Case(NamedTuple):
    """Files of an invented mirror and a beam."""

    folder: Path
    mirror: str
    profile: str

    def beam(self, text: str = BEAM) -> str:
        path = self.folder / "beam.toml"
        path.write_text(text, encoding="utf-8")
        return str(path)


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Case:
    folder = tmp_path_factory.mktemp("focus")
    mirror = invented_mirror(segments=6, length=3.0)
    rng = np.random.default_rng(1)
    write_mirror(mirror, folder / "mirror.toml")
    write_profile(simulate_profile(mirror, hidden_state(mirror, rng), rng, step=4e-3), folder / "profile.h5")
    return Case(folder, str(folder / "mirror.toml"), str(folder / "profile.h5"))


def run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as left:
        main(["focus", *arguments])
    return int(left.value.code or 0)


def test_the_answer_is_json_with_every_stated_key(case: Case, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(case.mirror, case.profile, "--beam", case.beam(), "--json", "-") == 0
    out, err = capsys.readouterr()
    answer = json.loads(out)
    assert set(answer["spot"]) >= {"rms", "fwhm", "width_50", "width_90", "centroid_along", "centroid_across"}
    assert set(answer["best_focus"]) >= {"along", "across", "rms"}
    assert set(answer["throughput"]) >= {"value", "stderr"}
    assert answer["strehl"] is None
    assert all(set(item) == {"name", "share", "stderr"} for item in answer["loss"])
    assert_allclose(sum(item["share"] for item in answer["loss"]), 1 - answer["throughput"]["value"], atol=1e-9)
    assert_allclose(sum(answer["balance"].values()), 1.0, atol=1e-6)
    assert isinstance(answer["warnings"], list)
    assert "Spot of Heron" in err


def test_a_missed_throughput_is_status_one(case: Case, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(case.mirror, case.profile, "--beam", case.beam(BEAM + "required_throughput = 0.999\n")) == 1
    assert "NOT REACHED" in capsys.readouterr().out
    assert run(case.mirror, case.profile, "--beam", case.beam(BEAM + "required_throughput = 0.01\n")) == 0


def test_tolerances_and_a_figure_come_with_it(case: Case, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    figure, answer = tmp_path / "focus.svg", tmp_path / "answer.json"
    arguments = [case.mirror, case.profile, "--beam", case.beam(), "--tolerances", "0.05", "--draws", "32"]
    assert run(*arguments, "--figure", str(figure), "--json", str(answer)) == 0
    assert figure.read_text(encoding="utf-8").startswith("<?xml")
    found = json.loads(answer.read_text(encoding="utf-8"))["tolerances"]
    assert [item["name"] for item in found["groups"]] == [
        "segment height",
        "segment tilt",
        "carrier height",
        "carrier tilt",
    ]
    assert found["verified"]["draws"] == 32
    assert "Tolerances of Heron" in capsys.readouterr().err
    assert run(*arguments, "--figure", str(figure)) == 2
    assert "exists already" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ('source_position = ["15 m", "0 mm"]\n', ("source_position", "inside or behind the mirror", "expected")),
        ('plane = "-8 m"\n', ("plane", "upstream of the mirror's end", "expected")),
        ("[coating]\nm = 0.0\n", ("coating", "m must be above 0")),
    ],
)
def test_a_beam_that_cannot_be_names_its_file_and_key(
    case: Case, change: str, words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    beam = case.beam(BEAM + change)
    assert run(case.mirror, case.profile, "--beam", beam) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert err.startswith(f"ellipsefit: {beam}: ")
    assert all(word in err for word in words)


@pytest.mark.parametrize(
    ("option", "value", "words"),
    [
        ("--rays", "5", "--rays must be at least 100"),
        ("--coverage", "0", "--coverage must be a share"),
        ("--tolerances", "2", "--tolerances must be"),
        ("--workers", "-1", "--workers: got -1"),
        ("--draws", "-1", "--draws: got -1"),
        ("--figure", "spot.bmp", ".svg, .png or .pdf"),
    ],
)
def test_bad_options_are_one_sentence(
    case: Case, option: str, value: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(case.mirror, case.profile, "--beam", case.beam(), option, value) == 2
    err = capsys.readouterr().err
    assert words in err
    assert err.count("\n") == 1


def test_the_beam_is_needed(case: Case, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(case.mirror, case.profile) == 2
    assert "--beam" in capsys.readouterr().err
    assert run(case.mirror, case.profile, "--beam", str(case.folder / "none.toml")) == 2
    assert "no such file" in capsys.readouterr().err


def test_run_puts_the_light_on_the_page(case: Case, tmp_path: Path) -> None:
    with pytest.raises(SystemExit):
        main(["run", case.mirror, case.profile, "-o", str(tmp_path / "round"), "--beam", case.beam(), "-q"])
    page = (tmp_path / "round" / "report.html").read_text(encoding="utf-8")
    assert 'id="focus"' in page
    for words in ("Focus and loss", "What costs how much", "What could be done", "beam.toml"):
        assert words in page
