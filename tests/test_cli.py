"""The command line: what is printed where, which status it leaves with, and what bad input brings."""

from __future__ import annotations

import hashlib
import json
import math
import os
import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any, NamedTuple
from xml.etree import ElementTree as ET

import h5py
import numpy as np
import pytest
from numpy.testing import assert_allclose

from ellipsefit.align import plan_corrections
from ellipsefit.cli import main
from ellipsefit.ellipse import Ellipse
from ellipsefit.files import (
    read_mirror,
    read_profile,
    read_scans,
    write_mirror,
    write_profile,
    write_scans,
    write_text_profile,
)
from ellipsefit.files.plan import PlanAnswer
from ellipsefit.fit import fit_ellipse
from ellipsefit.mirror import Mirror
from ellipsefit.profile import Profile
from ellipsefit.scan import Scan
from ellipsefit.simulate import HiddenState, hidden_state, invented_mirror, simulate_profile
from ellipsefit.stitching import stitch
from tests.stitch_cases import Campaign, mirror_of

DATA = Path(__file__).parent / "data"
COMMANDS = ("demo", "inspect", "stitch", "plan-scans", "fit", "correct", "focus", "audit", "run")
#: Of these, the ones that the conventions give no answer 'not acceptable'.
ALWAYS_ACCEPTABLE = ("stitch", "plan-scans")


class Run(NamedTuple):
    """What a run left."""

    status: int
    out: str
    err: str


Cli = Callable[..., Run]


@pytest.fixture
def cli(capsys: pytest.CaptureFixture[str]) -> Cli:
    """Run the command line in this process."""

    def run(*arguments: object) -> Run:
        capsys.readouterr()
        with pytest.raises(SystemExit) as leaving:
            main([str(argument) for argument in arguments])
        status = leaving.value.code
        assert isinstance(status, int)
        return Run(status, *capsys.readouterr())

    return run


def subprocess_run(*arguments: object, cwd: Path | None = None, **environment: str) -> Run:
    done = subprocess.run(
        [sys.executable, "-m", "ellipsefit", *(str(argument) for argument in arguments)],
        cwd=cwd,
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
        timeout=100,
    )
    return Run(done.returncode, done.stdout, done.stderr)


def small_mirror() -> Mirror:
    """5 segments of half a metre about the pole."""
    return invented_mirror(segments=5, length=2.5)


def small_profile(quantity: str = "height") -> tuple[Profile, HiddenState]:
    """100 points a segment."""
    mirror, rng = small_mirror(), np.random.default_rng(8)
    state = hidden_state(mirror, rng)
    return simulate_profile(mirror, state, rng, step=mirror.segments[0].length / 100, quantity=quantity), state


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A folder with a mirror and its profile, the current one."""
    write_mirror(small_mirror(), tmp_path / "mirror.toml")
    write_text_profile(small_profile()[0], tmp_path / "profile.csv")
    return tmp_path


def squeezed(text: str) -> str:
    """Text without its line breaks."""
    return " ".join(text.split())


def listing(folder: Path) -> dict[str, str]:
    """Every file and folder below one, with the checksums of files."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "folder"
        for path in folder.rglob("*")
    }


def refuse_constant(name: str) -> float:
    raise AssertionError(f"JSON has {name}")


def answer(text: str) -> Any:
    """JSON by the standard library, without NaN and Infinity."""
    return json.loads(text, parse_constant=refuse_constant)


def arguments_of(command: str, mirror: Path, profile: Path) -> list[object]:
    """A command that would write all it can, into the folder of the mirror."""
    home = mirror.parent
    return {
        "fit": ["fit", mirror, profile, "-o", home / "fit.h5", "--json", home / "fit.json"],
        "correct": ["correct", mirror, profile, "--json", home / "plan.json"],
        "run": ["run", mirror, profile, "-o", home / "out", "--json", home / "run.json"],
    }[command]


def assert_refused(found: Run, *fragments: str) -> str:
    """One sentence on standard error, status 2, no traceback."""
    assert found.status == 2, found
    assert found.out == ""
    assert found.err.startswith("ellipsefit: ")
    assert found.err.count("\n") == 1, found.err
    assert found.err.endswith("\n")
    assert "Traceback" not in found.err
    for fragment in fragments:
        assert fragment in found.err
    return found.err


# bad input: what is done to a good profile, and what the sentence must hold


def lines_of(home: Path) -> list[str]:
    return (home / "profile.csv").read_text("utf-8").splitlines()


def keep(home: Path, lines: list[str]) -> None:
    (home / "profile.csv").write_text("\n".join(lines) + "\n", "utf-8")


def missing(home: Path) -> None:
    (home / "profile.csv").unlink()


def empty(home: Path) -> None:
    (home / "profile.csv").write_bytes(b"")


def no_profile(home: Path) -> None:
    (home / "profile.csv").write_text("Dear all,\nthe mirror looks fine to me.\n", "utf-8")


def no_unit(home: Path) -> None:
    head, *rest = lines_of(home)
    keep(home, [head.replace("height [um]", "height"), *rest])


def wrong_dimension(home: Path) -> None:
    head, *rest = lines_of(home)
    keep(home, [head.replace("height [um]", "height [urad]"), *rest])


def with_cell(column: int, content: str, row: int = 8) -> Callable[[Path], None]:
    def change(home: Path) -> None:
        lines = lines_of(home)
        cells = lines[row - 1].split(",")
        cells[column] = content
        keep(home, [*lines[: row - 1], ",".join(cells), *lines[row:]])

    return change


def repeated_x(home: Path) -> None:
    lines = lines_of(home)
    keep(home, [*lines, lines[8]])


def one_point(home: Path) -> None:
    keep(home, lines_of(home)[:2])


def few_in_a_segment(home: Path) -> None:
    head, *rest = lines_of(home)
    own = [line for line in rest if ",S03," in line]
    keep(home, [head, *(line for line in rest if line not in own), *own[40:44]])


def rewritten(change: Callable[[float, float], tuple[float, float]], *, named: bool) -> Callable[[Path], None]:
    """Change x [mm] and height [um] of each point; with or without the segment column."""

    def apply(home: Path) -> None:
        lines = ["x [mm],height [um]" + ",segment" * named]
        for line in lines_of(home)[1:]:
            x, height, segment, _ = line.split(",")
            new = change(float(x), float(height))
            lines.append(f"{new[0]!r},{new[1]!r}" + f",{segment}" * named)
        keep(home, lines)

    return apply


def outside(share: float) -> Callable[[Path], None]:
    """Move points between the first two segments, into the gap of 4 mm, and leave the segment column out."""

    def apply(home: Path) -> None:
        rewritten(lambda x, height: (x, height), named=False)(home)
        lines = lines_of(home)
        end = small_mirror().segments[0].end
        for number in range(round(share * (len(lines) - 1))):
            height = lines[1 + number].split(",")[1]
            lines[1 + number] = f"{end * 1e3 + 0.5 + number * 0.1!r},{height}"
        keep(home, lines)

    return apply


def stranger(home: Path) -> None:
    keep(home, [line.replace(",S05,", ",S77,") for line in lines_of(home)])


def as_hdf5(home: Path) -> Path:
    profile = read_profile(home / "profile.csv")
    (home / "profile.csv").unlink()
    write_profile(profile, home / "profile.csv")  # the name does not tell the format
    return home / "profile.csv"


def truncated(home: Path) -> None:
    path = as_hdf5(home)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def without_nxentry(home: Path) -> None:
    (home / "profile.csv").unlink()
    with h5py.File(home / "profile.csv", "w") as file:
        file["x"] = np.arange(5.0)


def without_nxdata(home: Path) -> None:
    with h5py.File(as_hdf5(home), "a") as file:
        del file["profile/data"]


def garbage(home: Path) -> None:
    (home / "profile.csv").write_bytes(np.random.default_rng(0).bytes(3000))


BAD_PROFILES: dict[str, tuple[Callable[[Path], None], tuple[str, ...]]] = {
    "missing": (missing, ("no such file",)),
    "empty": (empty, ("is empty", "expected a profile")),
    "no profile": (no_profile, ("line 1", "expected columns such as")),
    "no unit": (no_unit, ("line 1", "'height'", "no unit", "expected")),
    "wrong dimension": (wrong_dimension, ("line 1", "'height'", "urad", "expected")),
    "nan": (with_cell(1, "nan"), ("line 8", "'height' is nan", "expected a finite number", "'mask'")),
    "inf": (with_cell(0, "-inf"), ("line 8", "'x' is -inf", "expected a finite number")),
    "sigma 0": (with_cell(3, "0"), ("line 8", "column 'sigma' is 0", "expected a standard uncertainty above 0")),
    "sigma < 0": (with_cell(3, "-0.06"), ("line 8", "column 'sigma' is -0.06", "above 0")),
    "no number": (with_cell(1, "high"), ("line 8", "'height'", "expected a number", "'high'")),
    "repeated x": (repeated_x, ("twice", "'S01'", "expected each position once")),
    "one point": (one_point, ("'S01' has 1 point;", "expected at least 5")),
    "few points in a segment": (few_in_a_segment, ("'S03' has 4 points", "expected at least 5, or none")),
    "2 % outside": (outside(0.02), ("10 of 500 points lie in no segment", "expected at most 1 %")),
    "x in um": (rewritten(lambda x, h: (1e3 * x, h), named=True), ("factor 1000", "another unit of x")),
    "x in um, unnamed": (rewritten(lambda x, h: (1e3 * x, h), named=False), ("factor 1000", "another unit of x")),
    "x in m": (rewritten(lambda x, h: (1e-3 * x, h), named=True), ("factor 0.001", "another unit of x")),
    # all points within 1.25 mm of the pole, which is inside the middle segment
    "x in m, unnamed": (rewritten(lambda x, h: (1e-3 * x, h), named=False), ("factor 0.001", "another unit of x")),
    "height in mm": (rewritten(lambda x, h: (x, 1e-3 * h), named=True), ("factor 0.001", "another unit of height")),
    "sign flipped": (
        rewritten(lambda x, h: (x, -h), named=True),
        ("convex", "is concave", "expected heights along +z"),
    ),
    "unknown segment": (stranger, ("segment 'S77'", "not in the mirror file", "expected one of S01")),
    "truncated HDF5": (truncated, ("HDF5", "expected")),
    "HDF5 without NXentry": (without_nxentry, ("NXentry", "expected")),
    "HDF5 without NXdata": (without_nxdata, ("NXdata", "expected")),
    "garbage": (garbage, ("expected a profile",)),
}


@pytest.mark.parametrize("bad", BAD_PROFILES)
@pytest.mark.parametrize("command", ["fit", "correct", "run"])
def test_a_bad_profile_gets_one_sentence_and_nothing_is_written(command: str, bad: str, home: Path, cli: Cli) -> None:
    """Each is named in the project's list of bad input."""
    spoil, fragments = BAD_PROFILES[bad]
    spoil(home)
    before = listing(home)
    found = cli(*arguments_of(command, home / "mirror.toml", home / "profile.csv"))
    assert_refused(found, "profile.csv", *fragments)
    assert listing(home) == before


@pytest.mark.parametrize("bad", BAD_PROFILES)
def test_inspection_of_a_bad_profile_tells_the_same(bad: str, home: Path, cli: Cli) -> None:
    """Status 1: something is wrong; a missing file is bad input (2)."""
    spoil, fragments = BAD_PROFILES[bad]
    spoil(home)
    found = cli("inspect", home / "mirror.toml", home / "profile.csv")
    if bad == "missing":
        assert_refused(found, *fragments)
        return
    assert found.status == 1
    assert found.err == ""
    for fragment in fragments:
        assert fragment in found.out


def mirror_text(change: Callable[[str], str]) -> Callable[[Path], None]:
    def apply(home: Path) -> None:
        path = home / "mirror.toml"
        path.write_text(change(path.read_text("utf-8")), "utf-8")

    return apply


BAD_MIRRORS: dict[str, tuple[Callable[[Path], None], tuple[str, ...]]] = {
    "missing": (lambda home: (home / "mirror.toml").unlink(), ("no such file",)),
    "empty": (mirror_text(lambda _: ""), ("expected",)),
    "a profile": (mirror_text(lambda _: "x [mm],height [um]\n1,2\n"), ("expected",)),
    "no unit": (mirror_text(lambda t: t.replace('"13 m"', "13")), ("source_distance", "expected")),
    "dimension": (mirror_text(lambda t: t.replace('"13 m"', '"13 mrad"')), ("source_distance", "expected")),
    "key": (mirror_text(lambda t: t.replace("image_distance", "imagedistance", 1)), ("image_distance",)),
}


@pytest.mark.parametrize("bad", BAD_MIRRORS)
@pytest.mark.parametrize("command", ["fit", "run"])
def test_a_bad_mirror_file_gets_one_sentence_and_nothing_is_written(
    command: str, bad: str, home: Path, cli: Cli
) -> None:
    spoil, fragments = BAD_MIRRORS[bad]
    spoil(home)
    before = listing(home)
    found = cli(*arguments_of(command, home / "mirror.toml", home / "profile.csv"))
    assert_refused(found, "mirror.toml", *fragments)
    assert listing(home) == before


def test_files_in_the_wrong_order_are_told(home: Path, cli: Cli) -> None:
    assert_refused(cli("fit", home / "profile.csv", home / "mirror.toml"), "profile.csv", "expected")


def test_a_real_run_refuses_bad_input_without_a_traceback(home: Path) -> None:
    """The same in a process of its own, where nothing but `main` catches."""
    garbage(home)
    before = listing(home)
    assert_refused(subprocess_run("run", "mirror.toml", "profile.csv", "-o", "out", cwd=home), "profile.csv")
    assert listing(home) == before


# what is only worth a warning


def test_few_points_in_no_segment_are_skipped_with_a_warning(home: Path, cli: Cli) -> None:
    """5 of 500 points are 1 %, not more."""
    outside(0.01)(home)
    found = cli("fit", home / "mirror.toml", home / "profile.csv", "--json", "-")
    assert found.status == 0
    assert any("5 of 500 points lie in no segment and are skipped" in text for text in answer(found.out)["warnings"])


def test_a_segment_without_points_is_null_and_gets_no_moves(home: Path, cli: Cli) -> None:
    head, *rest = lines_of(home)
    keep(home, [head, *(line for line in rest if ",S03," not in line)])
    fitted = answer(cli("fit", home / "mirror.toml", home / "profile.csv", "--json", "-").out)
    assert any("segment S03 has no points" in text for text in fitted["warnings"])
    for segment in fitted["segments"]:
        name = segment.pop("name")
        assert {value is None for value in segment.values()} == {name == "S03"}
    found = cli("correct", home / "mirror.toml", home / "profile.csv", "--json", "-")
    assert found.status in (0, 1)
    plan = answer(found.out)
    assert sorted({move["segment"] for move in plan["moves"]}) == ["S01", "S02", "S04", "S05"]
    assert any("segment S03 has no points" in text for text in plan["warnings"])


def test_masked_nan_is_no_fault(home: Path, cli: Cli) -> None:
    head, first, *rest = lines_of(home)
    x, _, segment, sigma = first.split(",")
    keep(home, [f"{head},mask", f"{x},nan,{segment},{sigma},1", *(f"{line},0" for line in rest)])
    found = cli("fit", home / "mirror.toml", home / "profile.csv", "--json", "-")
    assert found.status == 0
    assert any("1 of 500 points are masked" in text for text in answer(found.out)["warnings"])


# usage


@pytest.mark.parametrize(
    ("arguments", "fragments"),
    [
        (["polish"], ("'polish'", "--help")),
        (["fit"], ("MIRROR", "fit --help")),
        (["fit", "MIRROR"], ("PROFILE", "--help")),
        (["fit", "MIRROR", "PROFILE", "--sideways"], ("--sideways", "--help")),
        (["fit", "MIRROR", "PROFILE", "surplus"], ("surplus", "--help")),
        (["fit", "MIRROR", "PROFILE", "--vary", "p,r"], ("--vary", "'r'", "expected some of p, q, theta")),
        (["fit", "MIRROR", "PROFILE", "--segments", "loose"], ("--segments", "free, fixed, random", "'loose'")),
        (["fit", "MIRROR", "PROFILE", "--residual", "pink"], ("--residual", "white, correlated", "'pink'")),
        (["fit", "MIRROR", "PROFILE", "--prior", "p about 20 m"], ("prior 'p about 20 m'", "expected")),
        (["fit", "MIRROR", "PROFILE", "--prior", "p=20 m +- 1 mrad"], ("prior", "mrad", "expected")),
        (["fit", "MIRROR", "PROFILE", "--prior", "p=20 m +- 0 mm"], ("prior", "positive")),
        (["fit", "MIRROR", "PROFILE", "--spread-height", "5"], ("--spread-height", "unit")),
        (["fit", "MIRROR", "PROFILE", "--spread-height", "5 urad"], ("--spread-height", "urad", "length")),
        (["fit", "MIRROR", "PROFILE", "--spread-tilt", "5 um"], ("--spread-tilt", "um", "angle")),
        (["fit", "MIRROR", "PROFILE", "--spread-height", "-5 um"], ("--spread-height", "more than zero")),
        (["fit", "MIRROR", "PROFILE", "--cutoff", "0 mm"], ("--cutoff", "more than zero")),
        (["run", "MIRROR", "PROFILE"], ("--output", "--help")),
        (["inspect"], ("FILE", "--help")),
    ],
    ids=lambda item: " ".join(item[:1] + item[3:]) if isinstance(item, list) else "",
)
def test_wrong_usage_gets_one_sentence(arguments: list[str], fragments: tuple[str, ...], home: Path, cli: Cli) -> None:
    names = {"MIRROR": str(home / "mirror.toml"), "PROFILE": str(home / "profile.csv")}
    before = listing(home)
    assert_refused(cli(*(names.get(word, word) for word in arguments)), *fragments)
    assert listing(home) == before


def test_help_and_version(cli: Cli) -> None:
    bare, asked = cli(), cli("--help")
    assert bare == asked
    assert bare.status == 0
    assert bare.err == ""
    for command in COMMANDS:
        assert re.search(rf"^  {command} ", bare.out, re.MULTILINE)
        own = cli(command, "--help")
        assert own.status == 0
        assert "--json" in own.out
        assert ("Exit status 1" in own.out) == (command not in ALWAYS_ACCEPTABLE)
        assert "--quiet" in own.out
        assert "--verbose" in own.out
        assert "<" not in own.out  # types of the language are nobody's business
    assert re.search(r"SCAN .*one profile", squeezed(cli("run", "--help").out))
    assert not re.search(r"SCAN .*(one|stitched) profile", squeezed(cli("stitch", "--help").out.split("Options:")[0]))
    assert cli("--version") == Run(0, f"ellipsefit {version('ellipsefit')}\n", "")


def test_the_installed_command_and_the_module_are_one() -> None:
    script = Path(sys.executable).with_name("ellipsefit")
    done = subprocess.run([script, "--version"], capture_output=True, text=True, check=True, timeout=100)
    assert done.stdout == subprocess_run("--version").out


# outputs that exist


@pytest.mark.parametrize("option", ["--json", "-o"])
def test_a_file_that_exists_needs_force(option: str, home: Path, cli: Cli) -> None:
    target = home / "there"
    target.write_text("mine")
    before = listing(home)
    arguments = ["fit", home / "mirror.toml", home / "profile.csv", option, target]
    assert_refused(cli(*arguments), "there", "exists already", "--force")
    assert listing(home) == before
    assert cli(*arguments, "--force").status == 0
    assert target.read_bytes() != b"mine"
    assert listing(home).keys() == before.keys()


@pytest.mark.parametrize(
    ("extra", "fragment"),
    [
        (["--json", "nowhere/answer.json"], "no folder"),
        (["--json", "."], "is a folder"),
        (["-o", "both", "--json", "both"], "two answers"),
    ],
    ids=lambda item: item if isinstance(item, str) else "",
)
def test_what_cannot_be_written_is_told_before_anything_is(
    extra: list[str], fragment: str, home: Path, cli: Cli, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(home)
    before = listing(home)
    output = [] if "-o" in extra else ["-o", "fit.h5"]
    assert_refused(cli("fit", "mirror.toml", "profile.csv", *output, *extra, "--force"), extra[-1], fragment)
    assert listing(home) == before


def test_run_appends_rounds_and_refuses_a_stray_report(home: Path, cli: Cli) -> None:
    arguments = ["run", home / "mirror.toml", home / "profile.csv", "-o", home / "out", "--json", "-"]
    first, second = (answer(cli(*arguments).out) for _ in range(2))
    assert (first["round"], second["round"]) == (1, 2)
    assert sorted(path.name for path in (home / "out").iterdir()) == ["record.h5", "report-1.html", "report.html"]
    (home / "out" / "record.h5").unlink()
    before = listing(home)
    assert_refused(cli(*arguments), "report.html", "exists already", "--force")
    assert listing(home) == before


def test_run_may_put_its_answer_into_the_folder_it_makes(home: Path, cli: Cli) -> None:
    out = home / "out"
    assert cli("run", home / "mirror.toml", home / "profile.csv", "-o", out, "--json", out / "a.json").status == 0
    assert sorted(path.name for path in out.iterdir()) == ["a.json", "record.h5", "report.html"]


def test_run_into_the_record_of_another_mirror_is_refused(home: Path, cli: Cli) -> None:
    arguments = ["run", home / "mirror.toml", home / "profile.csv", "-o", home / "out"]
    assert cli(*arguments).status == 0
    mirror_text(lambda text: text.replace('"Heron"', '"Egret"'))(home)
    before = listing(home)
    assert_refused(cli(*arguments, "--force"), "record.h5", "'Heron'", "expected one of mirror 'Egret'")
    assert listing(home) == before


def test_demo_ends_with_a_report_and_does_not_overwrite(tmp_path: Path, cli: Cli) -> None:
    folder = tmp_path / "demo"
    found = cli("demo", folder)
    assert found.status == 0
    assert found.err == ""
    assert "Correction of Heron: feasible" in found.out
    scans = len(read_scans(folder / "scans.h5"))
    assert re.search(
        rf"  {scans} scans joined; \d+ spikes? and \d+ other points? masked; stays open: height of the whole", found.out
    )
    assert str(folder / "report.html") in found.out
    assert "<html" in (folder / "report.html").read_text("utf-8")
    assert cli("inspect", *(folder / name for name in ("mirror.toml", "scans.h5", "record.h5"))).status == 0
    before = listing(folder)
    assert_refused(cli("demo", folder), "mirror.toml", "exists already", "--force")
    assert listing(folder) == before
    again = cli("demo", folder, "--force", "--json", "-")
    assert answer(again.out)["round"] == 2
    after = listing(folder)
    assert after.keys() == before.keys() | {"report-1.html"}
    assert after["report-1.html"] == before["report.html"]


# where things are printed


def test_tables_are_on_standard_output_and_beside_json_on_standard_error(home: Path, cli: Cli) -> None:
    arguments = ["fit", home / "mirror.toml", home / "profile.csv"]
    plain = cli(*arguments)
    assert plain.status == 0
    assert "Ellipse of Heron" in plain.out
    assert plain.err == ""
    piped = cli(*arguments, "--json", "-")
    assert piped.err == plain.out
    fitted = answer(piped.out)
    assert cli(*arguments, "--json", home / "fit.json") == Run(0, "", plain.out)
    assert answer((home / "fit.json").read_text("utf-8")) == fitted


@pytest.mark.parametrize("command", ["fit", "correct", "inspect", "run"])
def test_quiet_prints_nothing(command: str, home: Path, cli: Cli) -> None:
    target = ["-o", home / "out"] if command == "run" else []
    arguments = [command, home / "mirror.toml", home / "profile.csv", *target, "--quiet"]
    assert cli(*arguments) == Run(0, "", "")
    found = cli(*arguments, "--json", "-")
    assert found.err == ""
    assert answer(found.out)


def test_quiet_does_not_silence_a_refusal(home: Path, cli: Cli) -> None:
    missing(home)
    assert_refused(cli("fit", home / "mirror.toml", home / "profile.csv", "--quiet"), "no such file")


def test_verbose_adds_the_model_as_a_table(home: Path, cli: Cli) -> None:
    arguments = ["fit", home / "mirror.toml", home / "profile.csv"]
    plain, verbose = cli(*arguments).out, cli(*arguments, "-v", "--prior", "p+q=21.5 m +- 1 mm").out
    assert "Model and settings" not in plain
    assert "Model and settings" in verbose
    assert "FitSettings" not in verbose
    for row in (
        r"spread of heights +[\d.]+ um \(estimated\)",
        r"prior +p\+q = \(21\.5000 ± 0\.0010\) m",
        r"uncertainty of the x origin +500 um",
        r"points +\d+ used, 0 masked, 0 in no segment",
    ):
        assert re.search(row, verbose), row
    correction = cli("correct", *arguments[1:], "-v").out
    assert correction.index("Ellipse of Heron") < correction.index("Model and settings") < correction.index("Moves")


def test_correct_prints_the_cautions(home: Path, cli: Cli) -> None:
    found = cli("correct", home / "mirror.toml", home / "profile.csv")
    assert "Before anyone goes to the mirror" in found.out
    assert "authorise no work" in found.out


@pytest.mark.parametrize(
    "command", [["fit", "mirror.toml", "profile.csv"], ["inspect", "mirror.toml", "nothing.csv", "profile.csv"]]
)
def test_no_control_codes_where_nobody_watches(command: list[str], home: Path) -> None:
    """A pipe is no terminal: no colour, no cursor, no progress line."""
    (home / "nothing.csv").write_text("x,height\n1,2\n")
    found = subprocess_run(*command, cwd=home)
    assert "\x1b" not in found.out + found.err
    assert found.err == ""


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are a thing of POSIX")
def test_colour_in_a_terminal_only_and_never_with_no_color(home: Path) -> None:
    """The text is the same with and without (https://no-color.org: no colour if NO_COLOR is set and not empty)."""
    codes = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
    mirror_text(lambda text: text.replace('"-150 um", "150 um"', '"-2 um", "2 um"'))(home)
    shown = {}
    for name, value in (("colour", ""), ("plain", "1")):
        shown[name] = in_terminal("correct", "mirror.toml", "profile.csv", cwd=home, NO_COLOR=value)
    assert "\x1b[1;31mNOT FEASIBLE" in shown["colour"]
    colours = re.compile(r"\x1b\[(?:\d+;)*(?:3[0-7]|9[0-7]|4[0-7])(?:;\d+)*m")
    assert not colours.search(shown["plain"])
    start = "Correction of Heron"
    texts = [codes.sub("", text) for text in shown.values()]
    assert len({text[text.index(start) :] for text in texts}) == 1
    assert "NOT FEASIBLE" in texts[1]


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are a thing of POSIX")
def test_sentences_are_broken_at_the_width_of_the_screen_and_tables_are_not(home: Path) -> None:
    empty_segment = [line for line in lines_of(home) if ",S03," not in line]
    keep(home, empty_segment)
    shown = in_terminal("inspect", "mirror.toml", "profile.csv", cwd=home, columns=60, NO_COLOR="1")
    lines = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", shown).splitlines()
    warning = next(number for number, line in enumerate(lines) if "warning: segment S03" in line)
    assert len(lines[warning]) <= 60
    assert lines[warning + 1].startswith("    ")
    assert "NOTHING WRONG" in shown


def in_terminal(*arguments: str, cwd: Path, columns: int = 100, **environment: str) -> str:
    """What a pseudo-terminal receives."""
    import pty

    master, slave = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "ellipsefit", *arguments],
        cwd=cwd,
        env={**os.environ, "TERM": "xterm", "COLUMNS": str(columns), **environment},
        stdin=slave,
        stdout=slave,
        stderr=slave,
    )
    os.close(slave)
    pieces = []
    try:
        while piece := os.read(master, 65536):
            pieces.append(piece)
    except OSError:  # Linux tells the end of a terminal by an error
        pass
    finally:
        os.close(master)
    process.wait(timeout=100)
    return b"".join(pieces).decode("utf-8").replace("\r\n", "\n")


@pytest.mark.skipif(sys.platform == "win32", reason="a shell of POSIX")
def test_a_reader_that_leaves_early_brings_no_traceback(home: Path) -> None:
    for reader in ("head -1", "true"):
        done = subprocess.run(
            f'"{sys.executable}" -m ellipsefit correct mirror.toml profile.csv | {reader}',
            shell=True,
            cwd=home,
            capture_output=True,
            text=True,
            check=False,
            timeout=100,
        )
        assert done.stderr == "", reader
    read_end, write_end = os.pipe()
    os.close(read_end)  # nobody will ever read
    for extra in ([], ["--json", "-"]):
        done = subprocess.run(
            [
                sys.executable,
                "-m",
                "ellipsefit",
                "fit",
                "mirror.toml",
                "profile.csv",
                "--quiet" if extra else "-v",
                *extra,
            ],
            cwd=home,
            stdout=write_end,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
            timeout=100,
        )
        steps = [line for line in done.stderr.splitlines() if re.fullmatch(r" +\d+\.\d\d s  \w+", line)]
        assert done.stderr.splitlines() == steps, extra  # --verbose tells them
        assert done.returncode != 0
    os.close(write_end)


def test_a_poor_character_set_costs_a_sign_and_not_the_answer(home: Path) -> None:
    found = subprocess_run("fit", "mirror.toml", "profile.csv", cwd=home, PYTHONIOENCODING="ascii", PYTHONUTF8="0")
    assert found.status == 0
    assert "grazing angle ?" in found.out


# the answers


NUMBER, TEXT, BOOL = "number", "text", "bool"
FIT = {
    "ellipse": {
        **dict.fromkeys(("p", "q", "theta", "p_stderr", "q_stderr", "theta_stderr"), NUMBER),
        "correlation": [[NUMBER]],
        "varied": [TEXT],
    },
    "pose": dict.fromkeys(("height", "tilt", "height_stderr", "tilt_stderr"), NUMBER),
    "segments": [
        {
            "name": TEXT,
            **dict.fromkeys(
                ("height", "tilt", "height_stderr", "tilt_stderr", "height_error_rms", "slope_error_rms"), NUMBER
            ),
        }
    ],
    "figure": dict.fromkeys(
        (
            "height_error_rms",
            "height_error_pv",
            "slope_error_rms",
            "slope_error_pv",
            "whole_height_error_rms",
            "whole_slope_error_rms",
            "cutoff",
        ),
        NUMBER,
    ),
    "focus": dict.fromkeys(
        tuple(
            f"{which}_{what}"
            for which in ("image", "source")
            for what in ("dx", "dz", "along", "across", "dx_stderr", "dz_stderr")
        ),
        NUMBER,
    ),
    "converged": BOOL,
    "warnings": [TEXT],
}
CORRECT = {
    "feasible": BOOL,
    "target": dict.fromkeys(("p", "q", "theta"), NUMBER),
    "carrier": dict.fromkeys(("height", "tilt"), NUMBER),
    "moves": [
        {
            "segment": TEXT,
            "adjuster": TEXT,
            **dict.fromkeys(("from", "to", "move", "travel_left"), NUMBER),
            "at_limit": BOOL,
        }
    ],
    "remaining": dict.fromkeys(("height_max", "tilt_max", "image_shift_rms", "slope_error_rms"), NUMBER),
    "binding": [TEXT],
    "travel_missing": NUMBER,
    "warnings": [TEXT],
}


def shape_faults(found: Any, wanted: Any, where: str = "", *, null: bool = False) -> list[str]:
    """Where an answer lacks a key or has a value of another type; null: whether a number may be null."""
    if isinstance(wanted, dict):
        if not isinstance(found, dict):
            return [f"{where}: {found!r} is no object"]
        lacking = [f"{where}/{key}: missing" for key in wanted if key not in found]
        return lacking + [
            fault
            for key in wanted
            if key in found
            for fault in shape_faults(found[key], wanted[key], f"{where}/{key}", null=null)
        ]
    if isinstance(wanted, list):
        if not isinstance(found, list):
            return [f"{where}: {found!r} is no list"]
        return [
            fault
            for number, item in enumerate(found)
            for fault in shape_faults(item, wanted[0], f"{where}/{number}", null=null)
        ]
    right = {
        NUMBER: (null and found is None)
        or (isinstance(found, int | float) and not isinstance(found, bool) and math.isfinite(found)),
        TEXT: isinstance(found, str) and bool(found),
        BOOL: isinstance(found, bool),
    }[wanted]
    return [] if right else [f"{where}: {found!r} is no {wanted}"]


@pytest.mark.parametrize(("name", "feasible"), [("alder", True), ("cedar", True), ("dogwood", False)])
def test_answers_on_the_rehearsal_mirrors(name: str, feasible: bool, cli: Cli) -> None:
    """Status: fit 0; correct 0 where a plan exists, else 1 (Dogwood's travel does not suffice). The keys are those
    that the conventions fix; heights of Cedar, measured as slopes, and what hangs on its held p, are null."""
    files = [DATA / name / "mirror.toml", DATA / name / "profile.csv"]
    found = cli("fit", *files, "--json", "-")
    assert found.status == 0
    fitted = answer(found.out)
    assert shape_faults(fitted, FIT, null=name == "cedar") == []
    assert fitted["converged"] is True
    assert len(fitted["ellipse"]["correlation"]) == 3
    for parameter in ("p", "q", "theta"):
        known = fitted["ellipse"][f"{parameter}_stderr"] is not None
        assert known == (parameter in fitted["ellipse"]["varied"])
    found = cli("correct", *files, "--json", "-")
    assert found.status == (0 if feasible else 1)
    plan = answer(found.out)
    assert shape_faults(plan, CORRECT, null=name == "cedar") == []
    assert plan["feasible"] is feasible
    if not feasible:
        assert plan["binding"]
        assert plan["travel_missing"] > 0
        assert "NOT FEASIBLE" in found.err
    mirror = read_mirror(files[0])
    adjusters = {(segment.name, one.name): one for segment in mirror.segments for one in segment.adjusters}
    for move in plan["moves"]:
        one = adjusters[move["segment"], move["adjuster"]]
        low, high = one.travel
        assert low <= move["to"] <= high
        # a sum of three decimal numbers below 1 mm: a few units of 1e-19
        assert_allclose(move["to"], move["from"] + move["move"], rtol=0, atol=1e-15)
        assert_allclose(move["travel_left"], min(move["to"] - low, high - move["to"]), rtol=0, atol=1e-15)
        steps = move["move"] / one.resolution
        assert abs(steps - round(steps)) < 1e-9


def test_the_numbers_are_the_library_s(home: Path, cli: Cli) -> None:
    """JSON carries doubles whole (shortest round-trip decimals), so equality is exact."""
    fit = fit_ellipse(read_profile(home / "profile.csv"), read_mirror(home / "mirror.toml"))
    plan = plan_corrections(fit)
    files = [home / "mirror.toml", home / "profile.csv"]
    fitted = answer(cli("fit", *files, "--json", "-").out)
    corrected = answer(cli("correct", *files, "--json", "-").out)
    assert fitted == json.loads(json.dumps(fit.to_dict()))
    when = datetime.fromisoformat(corrected["time"])
    assert corrected == json.loads(json.dumps(PlanAnswer(plan=plan, when=when).to_dict()))
    own = json.loads(json.dumps(plan.to_dict()))
    assert {key: corrected[key] for key in own if key != "moves"} == {key: own[key] for key in own if key != "moves"}
    for asked, move in zip(corrected["moves"], own["moves"], strict=True):
        assert {key: asked[key] for key in move} == move
    assert (fitted["ellipse"]["p"], fitted["ellipse"]["q"]) == (fit.ellipse.p, fit.ellipse.q)
    both = answer(cli("run", *files, "-o", home / "out", "--json", "-").out)
    assert both["fit"] == fitted
    assert both["correct"] | {"time": ""} == corrected | {"time": ""}


def test_options_reach_the_fit(home: Path, cli: Cli) -> None:
    files = [home / "mirror.toml", home / "profile.csv"]
    found = cli(
        *("fit", *files, "--json", "-", "--vary", " q , theta", "--segments", "random", "--residual", "white"),
        *("--spread-height", "4 um", "--spread-tilt", "18 urad", "--cutoff", "30 mm"),
    )
    fitted = answer(found.out)
    assert fitted["ellipse"]["varied"] == ["q", "theta"]
    assert fitted["ellipse"]["p"] == 13.0
    assert fitted["ellipse"]["p_stderr"] is None
    assert fitted["model"]["residual"] == "white"
    assert_allclose(fitted["model"]["spread_height"], 4e-6, rtol=1e-15)
    assert_allclose(fitted["model"]["spread_tilt"], 18e-6, rtol=1e-15)
    assert_allclose(fitted["figure"]["cutoff"], 30e-3, rtol=1e-15)
    free = answer(cli("fit", *files, "--json", "-", "--vary", "p,q,theta").out)
    tied = answer(cli("fit", *files, "--json", "-", "--vary", "p,q,theta", "--prior", "p-q=4.51 m +- 10 um").out)
    assert tied["ellipse"]["p_stderr"] < free["ellipse"]["p_stderr"]
    # a prior a thousand times sharper than the data holds within a few of its own uncertainties
    assert abs(tied["ellipse"]["p"] - tied["ellipse"]["q"] - 4.51) < 30e-6


def test_a_fit_file_is_nexus(home: Path, cli: Cli) -> None:
    assert cli("fit", home / "mirror.toml", home / "profile.csv", "-o", home / "fit.h5").status == 0
    with h5py.File(home / "fit.h5") as file:
        entry = file[file.attrs["default"]]
        data = entry[entry.attrs["default"]]
        assert data.attrs["NX_class"] == "NXdata"
        assert data[data.attrs["signal"]].attrs["units"] == "m"


# the other ways to measure


@pytest.mark.parametrize("quantity", ["height", "slope"])
@pytest.mark.parametrize("upstream", [False, True])
@pytest.mark.parametrize("form", ["text", "HDF5"])
def test_slopes_hdf5_and_scans_that_run_upstream(
    quantity: str, upstream: bool, form: str, tmp_path: Path, cli: Cli
) -> None:
    """The pole at 1.75 m on an axis that runs upstream: x = 1.75 m - position, and dz/dx changes sign. The answer
    is that of the downstream scan; the truth is within 3.5 standard uncertainties."""
    profile, state = small_profile(quantity)
    mirror = small_mirror()
    write_mirror(mirror, tmp_path / "mirror.toml")
    turn = -1.0 if upstream else 1.0
    if upstream:
        text = (tmp_path / "mirror.toml").read_text("utf-8")
        text = text.replace('"downstream"', '"upstream"').replace('x_offset = "0 mm"', 'x_offset = "1750 mm"')
        (tmp_path / "mirror.toml").write_text(text, "utf-8")
    scan = Profile(
        name="scan",
        quantity=profile.quantity,
        x=1.75 - profile.x if upstream else profile.x,
        values=turn * profile.values if quantity == "slope" else profile.values,
        sigma=profile.sigma,
        segment=profile.segment,
    )
    path = tmp_path / ("profile.csv" if form == "text" else "profile.h5")
    (write_text_profile if form == "text" else write_profile)(scan, path)
    found = cli(
        "fit", tmp_path / "mirror.toml", path, "--json", "-", "--vary", "q,theta", "--prior", "p=13.006 m +- 1 um"
    )
    assert found.status == 0
    fitted = answer(found.out)
    nominal = mirror.nominal
    truth = Ellipse(nominal.p, state.ellipse.q, state.ellipse.theta)
    reference = fit_ellipse(profile, mirror, vary=("q", "theta"))
    for name in ("q", "theta"):
        stderr = fitted["ellipse"][f"{name}_stderr"]
        # text keeps a picometre and a picoradian, of 60 nm noise: nothing of an uncertainty
        assert abs(fitted["ellipse"][name] - getattr(reference.ellipse, name)) < 1e-3 * stderr, name
        assert abs(fitted["ellipse"][name] - getattr(truth, name)) < 3.5 * stderr, name
    for found_one, one in zip(fitted["segments"], reference.segments, strict=True):
        assert one.tilt is not None
        assert one.tilt_stderr is not None
        assert abs(found_one["tilt"] - one.tilt) < 1e-3 * one.tilt_stderr


def test_a_missing_quantity_is_null_with_a_warning_that_says_why(cli: Cli) -> None:
    """Cedar: one segment, measured as slopes."""
    fitted = answer(cli("fit", DATA / "cedar/mirror.toml", DATA / "cedar/profile.csv", "--json", "-").out)
    assert fitted["pose"]["height"] is None
    assert fitted["focus"]["image_dz"] is None
    assert fitted["segments"][0]["height"] == fitted["segments"][0]["tilt"] == 0
    assert any("slopes don't tell heights" in text for text in fitted["warnings"])


def test_what_follows_from_a_held_parameter_has_three_digits(cli: Cli) -> None:
    """Cedar's p is held, and so is the source's place along the ray; p itself is shown in full."""
    told = cli("fit", DATA / "cedar/mirror.toml", DATA / "cedar/profile.csv").out
    assert re.search(r"source distance p +42\.0000 m \(held\)", told)
    (digits,) = re.findall(r"source focus, along the chief ray +-?([\d.]+) \w+ \(held\)", told)
    assert len(digits.replace(".", "").lstrip("0")) <= 3


# inspection


def test_inspection_tells_what_is_there(home: Path, cli: Cli) -> None:
    found = cli("inspect", home / "mirror.toml", home / "profile.csv", "--json", "-")
    assert found.status == 0
    told = answer(found.out)
    assert told["faulty"] is False
    assert [one["kind"] for one in told["files"]] == ["mirror", "profile"]
    assert "NOTHING WRONG" in found.err
    assert told["files"][1]["facts"]["points"] == 500


def test_inspection_tells_every_fault(home: Path, cli: Cli) -> None:
    """Three faults in three lines."""
    for row, (column, content) in {8: (1, "nan"), 9: (3, "0"), 10: (0, "inf")}.items():
        with_cell(column, content, row)(home)
    found = cli("inspect", home / "profile.csv", "--json", "-")
    assert found.status == 1
    told = answer(found.out)
    assert told["faulty"] is True
    text = "\n".join(told["files"][0]["faults"])
    for fragment in ("line 8", "line 9", "line 10"):
        assert fragment in text
    assert "WRONG:" in found.err


# stitching


BIRCH, ELDER = DATA / "birch", DATA / "elder"
STITCH = {
    "scans": [{"name": TEXT, "height": NUMBER, "tilt": NUMBER, "masked": NUMBER}],
    "undetermined": [{"function": TEXT, "fixed_by": TEXT, "stderr": NUMBER}],
    "spikes": NUMBER,
    "masked": {"spike": NUMBER, "invalid": NUMBER},
    "warnings": [TEXT],
}


@pytest.fixture(scope="module")
def birch(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Run]:
    """Folder with the stitched profile of Birch, its figure and its answer, and how the command went."""
    folder = tmp_path_factory.mktemp("birch")
    found = subprocess_run(
        *("stitch", BIRCH / "mirror.toml", BIRCH / "scans.h5", "-o", folder / "profile.h5"),
        *("--json", folder / "answer.json", "--figure", folder / "figure.svg"),
    )
    return folder, found


def test_stitch_tells_scans_spikes_and_what_stays_open(birch: tuple[Path, Run]) -> None:
    """The keys are those that the conventions fix; the numbers those of the library, whole."""
    folder, found = birch
    assert found.status == 0
    assert found.out == ""
    for title in ("Stitched profile of 14 scans", "Scans against the profile", "What the scans cannot tell"):
        assert re.search(rf"(?m)^{title}$", found.err)
    told = answer((folder / "answer.json").read_text("utf-8"))
    assert shape_faults(told, STITCH) == []
    scans = read_scans(BIRCH / "scans.h5")
    assert [scan["name"] for scan in told["scans"]] == [scan.name for scan in scans]
    assert sum(scan["masked"] for scan in told["scans"]) == sum(told["masked"].values())
    assert told["spikes"] == told["masked"]["spike"]
    assert told["masked"]["invalid"] == sum(int(np.isnan(scan.values).sum()) for scan in scans)
    (parabola,) = [item for item in told["undetermined"] if "parabola" in item["function"]]
    assert parabola["stderr"] > 0
    # BLAS may sum in another order in another process, and the spreads come from a search: of doubles some 1e-8
    again = stitch(scans, read_mirror(BIRCH / "mirror.toml")).to_dict()
    for one, other in zip(told["scans"], again["scans"], strict=True):
        assert_allclose((one["height"], one["tilt"]), (other["height"], other["tilt"]), rtol=1e-5)


def test_a_stitched_profile_reads_back_in_the_mirror_frame_with_its_covariance(birch: tuple[Path, Run]) -> None:
    """As conventions.md lists it: N x k and N; the errors are the marginal ones, sqrt(diagonal + sum of squares)."""
    path = birch[0] / "profile.h5"
    profile = read_profile(path)
    assert profile.frame == "mirror"
    factor, sigma = profile.covariance_factor, profile.sigma
    assert factor is not None
    assert sigma is not None
    assert factor.shape[0] == len(sigma) == len(profile.x)
    with h5py.File(path) as file:
        data = file["profile/data"]
        assert_allclose(data["covariance_diagonal"][()], sigma**2, rtol=1e-14)
        assert_allclose(data["height_errors"][()] ** 2, sigma**2 + (factor**2).sum(axis=1), rtol=1e-12)
    assert profile.segment is not None
    mirror = read_mirror(BIRCH / "mirror.toml")
    for segment in mirror.segments:
        own = profile.x[profile.segment == segment.name]
        assert segment.start <= own.min() < own.max() <= segment.end


def test_the_figure_of_stitching_is_svg(birch: tuple[Path, Run]) -> None:
    assert ET.parse(birch[0] / "figure.svg").getroot().tag == "{http://www.w3.org/2000/svg}svg"


@pytest.mark.parametrize("option", ["-o", "--figure", "--json"])
def test_stitch_overwrites_nothing_unasked(option: str, tmp_path: Path, cli: Cli) -> None:
    target = tmp_path / "there.svg"
    target.write_text("mine")
    output = [] if option == "-o" else ["-o", tmp_path / "profile.h5"]
    found = cli("stitch", BIRCH / "mirror.toml", BIRCH / "scans.h5", *output, option, target)
    assert_refused(found, "there.svg", "exists already", "--force")
    assert listing(tmp_path).keys() == {"there.svg"}
    assert target.read_text() == "mine"


def test_a_stitched_profile_is_fitted_with_all_its_uncertainty(birch: tuple[Path, Run], cli: Cli) -> None:
    """q and theta within 3.5 standard uncertainties of the truth in truth.json, p being given. The height of the
    whole profile is open, so the pose is as uncertain as stitching says, but for what the segments add to it."""
    truth = json.loads((BIRCH / "truth.json").read_text("utf-8"))["ellipse"]
    found = cli(
        *("fit", BIRCH / "mirror.toml", birch[0] / "profile.h5", "--json", "-"),
        *("--vary", "p,q,theta", "--prior", f"p={truth['p']} m +- 0.1 mm"),
    )
    assert found.status == 0
    fitted = answer(found.out)
    assert shape_faults(fitted, FIT) == []
    for name in ("q", "theta"):
        assert abs(fitted["ellipse"][name] - truth[name]) < 3.5 * fitted["ellipse"][f"{name}_stderr"], name
    told = answer((birch[0] / "answer.json").read_text("utf-8"))
    (height,) = [item for item in told["undetermined"] if item["function"].startswith("height")]
    assert fitted["pose"]["height_stderr"] >= 0.9 * height["stderr"]


def test_elders_equal_steps_are_told(tmp_path: Path, cli: Cli) -> None:
    """All starts are multiples of 464 mm apart, as the file itself says."""
    scans = read_scans(ELDER / "scans.h5")
    starts = np.array([scan.x[0] - scan.carriage[0] for scan in scans if scan.carriage is not None])
    assert_allclose(np.diff(np.unique(starts.round(6))), 0.464, rtol=0, atol=1e-6)
    found = cli("stitch", ELDER / "mirror.toml", ELDER / "scans.h5", "-o", tmp_path / "profile.h5", "--json", "-")
    assert found.status == 0
    (periodic,) = [item for item in answer(found.out)["undetermined"] if "464 mm" in item["function"]]
    assert "repeats after 464 mm" in periodic["function"]
    assert periodic["stderr"] > 0
    assert periodic["fixed_by"]
    assert re.search(r"(?m)^  every function that repeats after 464 mm  +[\d.]+ [un]m$", found.err)
    assert periodic["function"] in found.err
    assert max(len(line) for line in found.err.split("How that is fixed")[0].splitlines()) <= 80


def test_what_fixes_two_functions_is_said_once(birch: tuple[Path, Run], cli: Cli, tmp_path: Path) -> None:
    """Elder leaves a parabola and a quartic open, and the models of guide and drift hold both."""
    told = cli("stitch", ELDER / "mirror.toml", ELDER / "scans.h5", "-o", tmp_path / "profile.h5").out
    ways = [line for line in told.splitlines() if line.strip().startswith("fixed by: ")]
    in_full = [line for line in ways if "the same as" not in line]
    assert len(set(in_full)) == len(in_full)
    assert any(line.endswith("fixed by: the same as a parabola in guide, drift or mirror") for line in ways)


def test_verbose_stitching_tells_how_scans_were_treated(birch: tuple[Path, Run], cli: Cli, tmp_path: Path) -> None:
    arguments = ["stitch", BIRCH / "mirror.toml", BIRCH / "scans.h5", "-o", tmp_path / "profile.h5"]
    told = cli(*arguments, "--no-roll-off", "--spike-threshold", "0", "-v").out
    assert re.search(r"(?m)^How the scans were treated$", told)
    for row in (r"spikes +not looked for", r"roll-off at segment ends +not looked for"):
        assert re.search(row, told), row
    assert "How the scans were treated" not in birch[1].err


def test_options_reach_stitching(tmp_path: Path, cli: Cli) -> None:
    """No spike is looked for with a threshold of 0, and a straight guide leaves less of the parabola open."""
    arguments = ["stitch", BIRCH / "mirror.toml", BIRCH / "scans.h5", "--json", "-", "-o"]
    told = answer(cli(*arguments, tmp_path / "a.h5", "--spike-threshold", "0").out)
    assert told["spikes"] == 0
    assert "spike" not in told["masked"]
    open_ = []
    for number, straightness in enumerate(("20 nm", "2 um")):
        found = cli(*arguments, tmp_path / f"{number}.h5", "--guide-straightness", straightness)
        (parabola,) = [item for item in answer(found.out)["undetermined"] if "parabola" in item["function"]]
        open_.append(parabola["stderr"])
    assert open_[0] < open_[1] / 10


@pytest.mark.parametrize(
    ("option", "fragments"),
    [
        (["--guide-straightness", "0 um"], ("--guide-straightness", "more than zero")),
        (["--guide-straightness", "0.3"], ("--guide-straightness", "unit")),
        (["--guide-straightness", "3 urad"], ("--guide-straightness", "urad", "length")),
        (["--drift-degree", "9"], ("--drift-degree", "from 0 to 6", "9")),
        (["--spike-threshold", "1"], ("--spike-threshold", "at least 3", "1.0")),
        (["--temperature-limit", "0"], ("--temperature-limit", "positive")),
        (["--figure", "figure.gif"], ("figure.gif", ".svg, .png or .pdf")),
    ],
    ids=lambda item: " ".join(item) if isinstance(item, list) else "",
)
def test_wrong_options_of_stitch_get_one_sentence(
    option: list[str], fragments: tuple[str, ...], tmp_path: Path, cli: Cli
) -> None:
    found = cli("stitch", BIRCH / "mirror.toml", BIRCH / "scans.h5", "-o", tmp_path / "profile.h5", *option)
    assert_refused(found, *fragments)
    assert listing(tmp_path) == {}


# bad scans: what is done to five good ones, and what the sentence must hold


def five_scans(**changes: Any) -> list[Scan]:
    """Scans of 0.4 m at unequal steps over the mirror Hazel, with carriage, time and temperature."""
    case = Campaign(
        starts=(-0.50, -0.37, -0.22, -0.13, 0.03), points=100, step=4e-3, noise=5e-8, sigma=5e-8, timed=True
    )
    made = replace(case, **changes).scans(np.random.default_rng(1))
    return [replace(scan, temperature=np.full(100, 293.15)) for scan in made]


def changed(number: int, **changes: Callable[[Any], Any]) -> Callable[[], list[Scan]]:
    """The five, with fields of one of them changed."""

    def make() -> list[Scan]:
        scans = five_scans()
        new = {name: change(getattr(scans[number], name)) for name, change in changes.items()}
        return [*scans[:number], replace(scans[number], **new), *scans[number + 1 :]]

    return make


def twice() -> list[Scan]:
    scans = five_scans()
    return [*scans, replace(scans[1], name="scan 6", time=None)]


def backwards_in_time(time: Any) -> Any:
    return np.concatenate([time[:40], [time[38]], time[41:]])


def long_scans(*, back_to_front: bool) -> list[Scan]:
    """Long enough for the cubic of the ellipse to tell which end is which; neither carriage nor direction does."""
    case = Campaign(starts=(-1.9, -1.5), points=150, step=0.02, noise=5e-8, sigma=5e-8, carriage=False)
    scans = case.scans(np.random.default_rng(2))
    if back_to_front:
        scans[1] = replace(scans[1], values=scans[1].values[::-1], direction="forward")
    return scans


BAD_SCANS: dict[str, tuple[Callable[[], list[Scan]], tuple[str, ...]]] = {
    "no overlap": (
        lambda: five_scans(starts=(-0.55, -0.53, -0.5, 0.15, 0.17)),
        ("the scans don't hang together", "expected overlaps"),
    ),
    "carriage": (changed(2, carriage=lambda c: 1.01 * c), ("scan 'scan 3'", "carriage doesn't match x", "expected")),
    "carriage turned": (changed(2, carriage=lambda c: c[::-1]), ("scan 'scan 3'", "carriage doesn't match x")),
    "time": (changed(1, time=backwards_in_time), ("scan 'scan 2'", "time runs backwards at point 41", "expected")),
    "mixed units": (
        changed(2, values=lambda v: 1e3 * v),
        ("scan 'scan 3'", "a factor 1000", "expected another unit of height"),
    ),
    "unit of x": (changed(4, x=lambda x: 1e3 * x, carriage=lambda c: 1e3 * c), ("scan 'scan 5'", "unit of x")),
    "twice": (twice, ("scan 'scan 6'", "same content as scan 'scan 2'", "expected each scan once")),
    "declared forward": (
        changed(
            1, x=lambda x: x[::-1], values=lambda v: v[::-1], carriage=lambda c: c[::-1], direction=lambda _: "forward"
        ),
        ("scan 'scan 2'", "declared forward", "runs backward", "expected"),
    ),
    "temperature": (
        changed(3, temperature=lambda t: t + 0.85),
        ("scan 'scan 4'", "0.85 K warmer", "expected all within 0.5 K"),
    ),
    "segment": (changed(2, segment=lambda _: np.full(100, "T9")), ("scan 'scan 3'", "'T9'", "expected one of")),
}


@pytest.fixture
def hazel(tmp_path: Path) -> Path:
    write_mirror(mirror_of((-0.6, 0.6)), tmp_path / "mirror.toml")
    return tmp_path


def everything_of_stitch(folder: Path) -> list[object]:
    """The command that would write all it can, into a folder."""
    target = ["-o", folder / "profile.h5", "--json", folder / "answer.json", "--figure", folder / "figure.svg"]
    return ["stitch", folder / "mirror.toml", folder / "scans.h5", *target]


def test_five_good_scans_are_stitched(hazel: Path, cli: Cli) -> None:
    """What the bad ones are made of."""
    write_scans(five_scans(), hazel / "scans.h5")
    assert cli(*everything_of_stitch(hazel)).status == 0
    assert listing(hazel).keys() == {"mirror.toml", "scans.h5", "profile.h5", "answer.json", "figure.svg"}


@pytest.mark.parametrize("command", ["stitch", "run"])
@pytest.mark.parametrize("bad", BAD_SCANS)
def test_bad_scans_get_one_sentence_and_nothing_is_written(command: str, bad: str, hazel: Path, cli: Cli) -> None:
    """Each is named in the project's list of bad input."""
    make, fragments = BAD_SCANS[bad]
    write_scans(make(), hazel / "scans.h5")
    before = listing(hazel)
    whole = ["run", hazel / "mirror.toml", hazel / "scans.h5", "-o", hazel / "out"]
    assert_refused(cli(*(whole if command == "run" else everything_of_stitch(hazel))), *fragments)
    assert listing(hazel) == before


def test_a_scan_back_to_front_is_told_by_its_curvature(tmp_path: Path, cli: Cli) -> None:
    """Declared forward, with neither carriage nor time to contradict it."""
    write_mirror(mirror_of((-2.0, 2.0)), tmp_path / "mirror.toml")
    write_scans(long_scans(back_to_front=False), tmp_path / "scans.h5")
    assert cli(*everything_of_stitch(tmp_path)[:5]).status == 0
    (tmp_path / "profile.h5").unlink()
    write_scans(long_scans(back_to_front=True), tmp_path / "scans.h5", force=True)
    before = listing(tmp_path)
    assert_refused(cli(*everything_of_stitch(tmp_path)), "scan 'scan 2'", "curvature", "reversed")
    assert listing(tmp_path) == before


def test_the_limit_of_temperature_is_an_option(hazel: Path, cli: Cli) -> None:
    write_scans(BAD_SCANS["temperature"][0](), hazel / "scans.h5")
    arguments = everything_of_stitch(hazel)
    assert_refused(cli(*arguments, "--temperature-limit", "0.8"), "0.85 K warmer", "within 0.8 K")
    assert cli(*arguments, "--temperature-limit", "0.9").status == 0


def test_heights_and_slopes_become_one_profile_of_heights(hazel: Path, cli: Cli) -> None:
    """A scan of slopes says nothing of its own height: null."""
    write_scans([*five_scans()[:4], five_scans(quantity="slope")[4]], hazel / "scans.h5")
    found = cli(*everything_of_stitch(hazel)[:5], "--json", "-")
    assert found.status == 0
    told = answer(found.out)
    assert [scan["height"] is None for scan in told["scans"]] == [False] * 4 + [True]
    assert shape_faults(told["scans"], STITCH["scans"], null=True) == []
    profile = read_profile(hazel / "profile.h5")
    assert profile.quantity == "height"


def in_other_units(folder: Path) -> None:
    """The third scan in nm instead of m, and its x in mm, declared so."""
    write_scans(five_scans(), folder / "scans.h5")
    with h5py.File(folder / "scans.h5", "a") as file:
        data = file["scan 3/data"]
        for name, factor, unit in (("height", 1e9, "nm"), ("height_errors", 1e9, "nm"), ("x", 1e3, "mm")):
            data[name][...] = factor * data[name][()]
            data[name].attrs["units"] = unit


def test_declared_units_may_differ_between_scans_and_inspection_says_so(hazel: Path, cli: Cli) -> None:
    """Each is taken at its word: the answer is that of one unit, to rounding of 1e-15 in what is stitched."""
    write_scans(five_scans(), hazel / "scans.h5")
    plain = answer(cli(*everything_of_stitch(hazel)[:5], "--json", "-").out)
    (hazel / "scans.h5").unlink()
    in_other_units(hazel)
    found = cli(*everything_of_stitch(hazel)[:5], "--json", "-", "--force")
    for one, other in zip(plain["scans"], answer(found.out)["scans"], strict=True):
        assert_allclose((one["height"], one["tilt"]), (other["height"], other["tilt"]), rtol=1e-5, atol=1e-12)
    inspected = cli("inspect", hazel / "mirror.toml", hazel / "scans.h5")
    assert inspected.status == 0
    assert re.search(r"warning: height is in .*nm", inspected.out)


def test_a_scan_without_a_unit_is_refused(hazel: Path, cli: Cli) -> None:
    write_scans(five_scans(), hazel / "scans.h5")
    with h5py.File(hazel / "scans.h5", "a") as file:
        del file["scan 3/data/height"].attrs["units"]
    before = listing(hazel)
    assert_refused(cli(*everything_of_stitch(hazel)), "scans.h5", "scan 3", "height", "no units", "expected")
    assert listing(hazel) == before


def test_what_is_no_scan_is_refused(birch: tuple[Path, Run], tmp_path: Path, cli: Cli) -> None:
    """A profile, the mirror file, a file that is not there, one file twice."""
    mirror, scans, target = BIRCH / "mirror.toml", BIRCH / "scans.h5", ["-o", tmp_path / "p.h5"]
    assert_refused(cli("stitch", mirror, birch[0] / "profile.h5", *target), "profile.h5", "expected raw scans")
    assert_refused(cli("stitch", mirror, mirror, *target), "mirror.toml", "expected")
    assert_refused(cli("stitch", mirror, tmp_path / "nothing.h5", *target), "nothing.h5", "no such file")
    assert_refused(cli("stitch", mirror, scans, scans, *target), "scans.h5", "given twice", "expected")
    assert listing(tmp_path) == {}


# the whole job from raw scans


def test_run_keeps_stitching_and_covariance_in_record_and_report(tmp_path: Path, cli: Cli) -> None:
    out = tmp_path / "out"
    found = cli("run", BIRCH / "mirror.toml", BIRCH / "scans.h5", "-o", out, "--json", "-", "-v")
    assert found.status == 0
    told = answer(found.out)
    assert shape_faults(told, {"stitch": STITCH, "fit": FIT, "correct": CORRECT}, null=True) == []
    shown = [found.err.index(title) for title in ("Stitched profile of", "Ellipse of Birch", "Correction of Birch")]
    assert shown == sorted(shown)
    with h5py.File(out / "record.h5") as file:
        entry = file["round_1"]
        assert entry["stitching"].attrs["NX_class"] == "NXprocess"
        assert json.loads(entry["stitching/answer/data"][()]) == told["stitch"]
        profile = entry["profile"]
        points, rank = profile["covariance_factor"].shape
        assert profile["x"].shape == profile["covariance_diagonal"].shape == (points,)
        assert 0 < rank < points
        assert entry["guide/guide_error"].attrs["units"] == "m"
    report = (out / "report.html").read_text("utf-8")
    for text in (
        "Stitched profile of 14 scans",
        "What the scans cannot tell",
        "<dt>A parabola in guide, drift or mirror</dt>",
    ):
        assert text in report
    kept = read_profile(out / "record.h5")
    assert kept.frame == "mirror"
    assert kept.covariance_factor is not None
    assert kept.covariance_factor.shape == (points, rank)


@pytest.mark.parametrize("case", ["profile and scans", "two profiles"])
def test_run_takes_scans_or_one_profile(case: str, birch: tuple[Path, Run], tmp_path: Path, cli: Cli) -> None:
    profile, scans = birch[0] / "profile.h5", BIRCH / "scans.h5"
    other = tmp_path / "other.h5"
    other.write_bytes(profile.read_bytes())
    before = listing(tmp_path)
    files = [scans, profile] if case == "profile and scans" else [profile, other]
    found = cli("run", BIRCH / "mirror.toml", *files, "-o", tmp_path / "out")
    assert_refused(found, "profile.h5: is a profile", "expected one profile alone, or raw scans only")
    assert listing(tmp_path) == before


# scans inspected


def test_inspection_tells_scans_beside_their_mirror(cli: Cli) -> None:
    found = cli("inspect", BIRCH / "mirror.toml", BIRCH / "scans.h5", "--json", "-")
    assert found.status == 0
    told = answer(found.out)
    assert [one["kind"] for one in told["files"]] == ["mirror", "scans"]
    facts = told["files"][1]["facts"]
    scans = read_scans(BIRCH / "scans.h5")
    assert facts["scans"] == len(scans)
    assert facts["points"] == sum(len(scan.x) for scan in scans)
    assert facts["invalid_points"] == sum(int(np.isnan(scan.values).sum()) for scan in scans)
    assert "NOTHING WRONG" in found.err


def test_inspection_lays_scans_on_the_mirror(hazel: Path, cli: Cli) -> None:
    write_scans(changed(4, x=lambda x: x + 5.0)(), hazel / "scans.h5")
    assert cli("inspect", hazel / "scans.h5").status == 0
    found = cli("inspect", hazel / "mirror.toml", hazel / "scans.h5")
    assert found.status == 1
    assert re.search(r"WRONG: .*scan 'scan 5': no valid point .* of mirror 'Hazel'.*expected", found.out)


@pytest.mark.parametrize("bad", ["time", "twice", "declared forward", "segment"])
def test_inspection_finds_bad_scans(bad: str, hazel: Path, cli: Cli) -> None:
    write_scans(BAD_SCANS[bad][0](), hazel / "scans.h5")
    found = cli("inspect", hazel / "mirror.toml", hazel / "scans.h5")
    assert found.status == 1
    assert "WRONG:" in found.out
    assert BAD_SCANS[bad][1][0] in found.out


# planning scans


def test_plan_scans_lists_starts_directions_and_what_to_expect(cli: Cli) -> None:
    """24 scans of 1.2 m at 2 mm/s with 2 min between them take 12 min each; 30 of them fill 6 h, and a pass
    over all places is made whole."""
    mirror = BIRCH / "mirror.toml"
    arguments = ["plan-scans", mirror, "--reach", "1.2 m", "--overlap", "0.6", "--budget", "6 h"]
    found = cli(*arguments, "--json", "-")
    assert found.status == 0
    plan = answer(found.out)
    scan = {"name": TEXT, "start": NUMBER, "end": NUMBER, "direction": TEXT, "orientation": TEXT, "begins": NUMBER}
    expected = dict.fromkeys(("height_stderr", "parabola_stderr", "shape_stderr"), NUMBER)
    wanted = {"scans": [scan], "duration": NUMBER, "expected": expected, "undetermined": [TEXT]}
    assert shape_faults(plan, wanted) == []
    scans = plan["scans"]
    assert_allclose(np.diff([one["begins"] for one in scans]), 720.0, rtol=1e-12)
    assert plan["duration"] == len(scans) * 720.0 <= 6 * 3600
    first, last = read_mirror(mirror).span
    assert min(one["start"] for one in scans) <= first
    assert max(one["end"] for one in scans) >= last
    assert {one["end"] - one["start"] == pytest.approx(1.2, rel=1e-12) for one in scans} == {True}
    places: dict[float, list[str]] = {}
    for one in scans:
        places.setdefault(one["start"], []).append(one["direction"])
    assert all(directions.count("forward") == directions.count("backward") for directions in places.values())
    steps = np.diff(sorted(places))
    assert np.ptp(steps) > 10e-3  # unequal on purpose
    assert plan["duration"] + len(places) * 2 * 720.0 > 6 * 3600  # another pass would not fit
    assert any("parabola" in text for text in plan["undetermined"])
    assert cli(*arguments).out == found.err


def test_face_down_repeats_settle_the_parabola(cli: Cli) -> None:
    """Reversal: the mirror's error changes its sign, the guide's doesn't."""
    found = cli("plan-scans", BIRCH / "mirror.toml", "--reach", "1.2 m", "--flips", "2", "--json", "-")
    assert found.status == 0
    plan = answer(found.out)
    assert [one["orientation"] for one in plan["scans"]].count("face_down") == 2
    assert plan["expected"]["parabola_stderr"] is None
    assert re.search(r"a parabola over the mirror +settled by the flips", found.err)
    assert not any("parabola" in text for text in plan["undetermined"])


def test_every_neighbour_repeats_the_share_that_was_asked_for(cli: Cli) -> None:
    arguments = ["plan-scans", BIRCH / "mirror.toml", "--reach", "1.2 m", "--overlap", "0.6", "--json", "-"]
    starts = np.unique([one["start"] for one in answer(cli(*arguments).out)["scans"]])
    assert (np.diff(starts) <= 0.4 * 1.2 + 1e-9).all()


def test_the_speed_of_the_carriage_has_a_unit(cli: Cli) -> None:
    """1.2 m at 6 m/min = 0.1 m/s take 12 s, and the pause 2 min more."""
    found = cli("plan-scans", BIRCH / "mirror.toml", "--reach", "1.2 m", "--speed", "6 m/min", "--json", "-")
    begins = [one["begins"] for one in answer(found.out)["scans"]]
    assert_allclose(np.diff(begins), 132.0, rtol=1e-12)


@pytest.mark.parametrize(
    ("options", "fragments"),
    [
        ([], ("'--reach'", "plan-scans --help")),
        (["--reach", "1.2"], ("--reach", "unit", "expected a length")),
        (["--reach", "5 urad"], ("--reach", "urad", "length")),
        (["--reach", "-1 m"], ("--reach", "'-1 m'", "more than zero")),
        (["--reach", "5 mm"], ("--reach", "at least 20 steps", "5 mm")),
        (["--reach", "1.2 m", "--overlap", "1.5"], ("--overlap", "from 0.1 to 0.95", "1.5")),
        (["--reach", "1.2 m", "--overlap", "nan"], ("--overlap", "from 0.1 to 0.95", "nan")),
        (["--reach", "1.2 m", "--overlap", "lots"], ("--overlap", "number", "--help")),
        (["--reach", "1.2 m", "--budget", "6"], ("--budget", "unit", "expected a time")),
        (["--reach", "1.2 m", "--budget", "0 h"], ("--budget", "more than zero")),
        (["--reach", "1.2 m", "--budget", "10 min"], ("one pass takes", "0.17 h", "expected more time")),
        (["--reach", "1.2 m", "--speed", "0 mm/s"], ("--speed", "more than zero")),
        (["--reach", "1.2 m", "--speed", "2 mm"], ("--speed", "'mm'", "expected a speed such as '2 mm/s'")),
        (["--reach", "1.2 m", "--step", "0 mm"], ("--step", "more than zero")),
        (["--reach", "1.2 m", "--noise", "0 nm"], ("--noise", "more than zero")),
        (["--reach", "1.2 m", "--guide-straightness", "0 um"], ("--guide-straightness", "more than zero")),
        (["--reach", "1.2 m", "--pause", "-1 min"], ("--pause", "not be negative")),
        (["--reach", "1.2 m", "--flips", "-1"], ("--flips", "from 0 to 1000", "-1")),
        (["--reach", "1.2 m", "--flips", "1", "--flip-time", "-1 h"], ("--flip-time", "more than zero")),
    ],
    ids=lambda item: " ".join(item[2:] or item) if isinstance(item, list) else "",
)
def test_wrong_options_of_plan_scans_get_one_sentence(options: list[str], fragments: tuple[str, ...], cli: Cli) -> None:
    assert_refused(cli("plan-scans", BIRCH / "mirror.toml", *options), *fragments)
