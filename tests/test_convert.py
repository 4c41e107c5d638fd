"""`convert`, and foreign files wherever a profile or a scan is taken."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from ellipsefit.cli import main
from ellipsefit.files import read_mirror, read_profile, read_scans, write_mirror, write_scans, write_x3p
from ellipsefit.profile import Profile
from ellipsefit.scan import Scan
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def cli(capsys: pytest.CaptureFixture[str]) -> Run:
    def run(*arguments: object) -> tuple[int, str, str]:
        capsys.readouterr()
        with pytest.raises(SystemExit) as leaving:
            main([str(argument) for argument in arguments])
        assert isinstance(leaving.value.code, int)
        return leaving.value.code, *capsys.readouterr()

    return run


@pytest.fixture
def home(tmp_path: Path) -> Path:
    mirror, random = invented_mirror(segments=4, length=2.0), np.random.default_rng(5)
    write_mirror(mirror, tmp_path / "mirror.toml")
    profile = simulate_profile(mirror, hidden_state(mirror, random), random, step=4e-3)
    write_x3p(profile, tmp_path / "profile.x3p")
    return tmp_path


def test_a_fit_of_x3p_is_that_of_the_same_heights_in_hdf5(home: Path, cli: Run) -> None:
    assert cli("convert", home / "profile.x3p", home / "profile.h5")[0] == 0
    answers = []
    for name in ("profile.x3p", "profile.h5"):
        status, out, err = cli("fit", home / "mirror.toml", home / name, "--json", "-")
        assert status == 0, err
        answers.append(json.loads(out)["ellipse"])
    assert answers[0] == answers[1]


def test_run_takes_a_foreign_profile_and_keeps_it(home: Path, cli: Run) -> None:
    status, out, err = cli("run", home / "mirror.toml", home / "profile.x3p", "-o", home / "out", "--json", "-")
    assert status in (0, 1), err
    assert json.loads(out)["fit"]["converged"]
    assert (home / "out" / "report.html").exists()


def test_inspection_lays_a_foreign_profile_on_its_mirror(home: Path, cli: Run) -> None:
    status, out, _ = cli("inspect", home / "mirror.toml", home / "profile.x3p")
    assert status == 0
    for part in ("X3P (ISO 25178-72), profile", "of XML and data: verified", "float64"):
        assert part in out
    assert cli("inspect", home / "profile.x3p", "--json", "-")[0] == 0


def test_sdf_starts_at_0_and_the_mirror_file_tells_where_that_is(home: Path, cli: Run) -> None:
    status, _, err = cli("convert", home / "profile.x3p", home / "profile.sdf")
    assert (status, "not evenly spaced" in err) == (2, True)  # each segment begins at its own edge
    measured, mirror = read_profile(home / "profile.x3p"), read_mirror(home / "mirror.toml")
    x = np.array([k * 4e-3 for k in range(-250, 250) if any(s.start < k * 4e-3 < s.end for s in mirror.segments)])
    even = Profile(name="even", quantity="height", x=x, values=np.interp(x, measured.x, measured.values))
    write_x3p(even, home / "profile.x3p", force=True)
    status, out, _ = cli("convert", home / "profile.x3p", home / "profile.sdf")
    assert status == 0
    assert "NOT CARRIED: where x begins" in out
    start = float(read_profile(home / "profile.x3p").x[0])
    text = (home / "mirror.toml").read_text()
    assert text.count('x_offset = "0 mm"') == 1
    (home / "moved.toml").write_text(text.replace('x_offset = "0 mm"', f'x_offset = "{-start * 1e3!r} mm"'))
    told = []
    for design, profile in (("mirror.toml", "profile.x3p"), ("moved.toml", "profile.sdf")):
        status, out, err = cli("fit", home / design, home / profile, "--json", "-")
        assert status == 0, err
        told.append(json.loads(out)["ellipse"]["theta"])
    assert_allclose(told[1], told[0], rtol=1e-9)  # positions differ by their rounding, 1e-16 m


def test_scans_in_x3p_are_stitched(home: Path, cli: Run) -> None:
    """One scan over all of it: what comes out are its heights, one for each place."""
    status, _, err = cli("stitch", home / "mirror.toml", home / "profile.x3p", "-o", home / "joined.h5", "--no-guide")
    assert status == 0, err
    (scan,) = read_scans(home / "profile.x3p")
    joined = read_profile(home / "joined.h5")
    assert len(joined.x) == len(scan.x)
    status, out, err = cli(
        "stitch", home / "mirror.toml", home / "profile.x3p", "-o", home / "joined.x3p", "--no-guide"
    )
    assert status == 0, err
    assert "NOT CARRIED: the uncertainty of each point" in out
    assert "NOT CARRIED: the frame" in out
    assert_array_equal(read_profile(home / "joined.x3p").x, joined.x)


def test_a_surface_asks_for_its_line(tmp_path: Path, cli: Run) -> None:
    x = np.tile(np.arange(40) * 1e-3, 3)
    y = np.repeat([-0.002, 0.0, 0.002], 40)
    write_x3p(Profile(name="m", quantity="height", x=x, y=y, values=x**2 + y), tmp_path / "map.x3p")
    status, _, err = cli("convert", tmp_path / "map.x3p", tmp_path / "line.csv")
    assert status == 2
    assert "holds 3 lines" in err
    assert "--line N" in err
    for number, choice in enumerate(("2", "0 mm", "0.3 mm")):
        assert cli("convert", tmp_path / "map.x3p", tmp_path / f"{number}.csv", "--line", choice)[0] == 0
        assert_allclose(read_profile(tmp_path / f"{number}.csv").values, x[:40] ** 2, atol=0.5e-12, rtol=0)
    status, _, err = cli("convert", tmp_path / "map.x3p", tmp_path / "x.csv", "--line", "7")
    assert (status, "--line: got 7; expected 1 to 3" in err) == (2, True)
    status, _, err = cli("convert", tmp_path / "0.csv", tmp_path / "x.h5", "--line", "1")
    assert (status, "only X3P and SDF" in err) == (2, True)


def whole_scan(name: str = "first", **options: Any) -> Scan:
    along = np.arange(8.0)
    fields: dict[str, Any] = {
        "x": along * 1e-3,
        "values": np.where(along == 3, np.nan, along * 1e-6),
        "sigma": np.full(8, 6e-8),
        "carriage": along * 1e-3 + 0.1,
        "time": along,
        "temperature": along + 290.0,
    }
    return Scan(name=name, quantity="height", **{**fields, **options})


def test_scans_go_to_text_and_hdf5_with_all_that_these_hold(tmp_path: Path, cli: Run) -> None:
    write_scans([whole_scan(), whole_scan("second", direction="backward")], tmp_path / "scans.h5")
    status, _, err = cli("convert", tmp_path / "scans.h5", tmp_path / "one.csv")
    assert (status, "2 scans; expected one, named by --scan" in err) == (2, True)
    assert cli("convert", tmp_path / "scans.h5", tmp_path / "one.csv", "--scan", "third")[0] == 2
    status, out, _ = cli("convert", tmp_path / "scans.h5", tmp_path / "one.csv", "--scan", "second", "--json", "-")
    assert (status, json.loads(out)["lost"]) == (0, ["the declared direction"])
    (found,) = read_scans(tmp_path / "one.csv")
    for key in ("x", "values", "sigma", "carriage", "time", "temperature"):
        assert_allclose(getattr(found, key), getattr(whole_scan(), key), rtol=1e-8, atol=1e-10)
    assert cli("convert", tmp_path / "one.csv", tmp_path / "back.h5")[0] == 0
    assert read_scans(tmp_path / "back.h5")[0].carriage is not None


def test_bad_targets_are_told_and_nothing_is_overwritten(home: Path, cli: Run) -> None:
    before = (home / "profile.x3p").read_bytes()
    (home / "there.h5").write_text("theirs")
    for arguments, text in (
        (("profile.x3p", "profile.xyz"), "its name tells no format"),
        (("profile.x3p", "profile.x3p"), "is to be read and written"),
        (("profile.x3p", "there.h5"), "exists already; --force"),
        (("profile.x3p", "a.h5", "--store", "int16"), "--store"),
        (("profile.x3p", "a.x3p", "--ascii"), "--ascii"),
        (("profile.x3p", "a.x3p", "--store", "uint8"), "X3P stores"),
        (("profile.x3p", "a.x3p", "--scan", "b"), "--scan"),
        (("none.x3p", "a.x3p"), "no such file"),
        (("mirror.toml", "a.x3p"), "mirror file"),
    ):
        source, target, *options = arguments
        status, out, err = cli("convert", home / source, home / target, *options)
        assert (status, out) == (2, "")
        assert text in err
        assert err.count("\n") == 1
    assert (home / "profile.x3p").read_bytes() == before
    assert sorted(path.name for path in home.iterdir()) == ["mirror.toml", "profile.x3p", "there.h5"]
    assert (home / "there.h5").read_text() == "theirs"
