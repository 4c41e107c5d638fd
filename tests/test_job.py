"""The whole job in one call: from files of scans, or of a profile, to a round in the record."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime
from pathlib import Path

import h5py
import numpy as np
import pytest
from numpy.testing import assert_array_equal

from ellipsefit.errors import DataError, FileExistsAlreadyError
from ellipsefit.files import read_scans, write_mirror, write_profile, write_scans
from ellipsefit.files.record import read_record
from ellipsefit.job import run_demo, run_job
from ellipsefit.mirror import Mirror
from ellipsefit.scan import Scan
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_scans
from ellipsefit.stitching import StitchSettings, stitch

DEMO = Path(__file__).parent.parent / "data_demo"
WHEN = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)


def small_campaign() -> tuple[Mirror, tuple[Scan, ...]]:
    """Six scans of 1.5 m over 5 segments."""
    mirror, rng = invented_mirror(segments=5, length=2.5), np.random.default_rng(8)
    return mirror, simulate_scans(mirror, hidden_state(mirror, rng), rng, reach=1.5, places=3, step=5e-3)


@pytest.fixture
def inputs(tmp_path: Path) -> Path:
    """Folder with the mirror, its scans in one file, and the same in two."""
    mirror, scans = small_campaign()
    write_mirror(mirror, tmp_path / "mirror.toml")
    write_scans(scans, tmp_path / "scans.h5")
    write_scans(scans[:2], tmp_path / "morning.h5")
    write_scans(scans[2:], tmp_path / "evening.h5")
    return tmp_path


def files_of(folder: Path) -> dict[str, str]:
    """Every file below a folder with its checksum."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_scans_are_stitched_and_the_profile_is_fitted(inputs: Path) -> None:
    """Step by step the same numbers come out: one function each, one after the other."""
    steps: list[str] = []
    result = run_job(inputs / "mirror.toml", [inputs / "scans.h5"], inputs / "out", when=WHEN, progress=steps.append)
    mirror, _ = small_campaign()
    again = stitch(read_scans(inputs / "scans.h5"), mirror)
    assert result.stitched is not None
    assert result.stitched.to_dict() == again.to_dict()
    assert_array_equal(result.stitched.profile.values, again.profile.values)
    assert_array_equal(result.fit.placed.values, again.profile.values[again.profile.used])
    assert result.fit.placed.covariance_factor is not None
    told = list(dict.fromkeys(steps))
    assert told == ["reading", "conditioning", "joining", "covariance", "fitting", "planning", "reporting"]


def test_scans_in_two_files_are_one_campaign(inputs: Path) -> None:
    """The same scans in the same order, so the same answers, and each file is kept in the record by its hash."""
    whole = run_job(inputs / "mirror.toml", [inputs / "scans.h5"], inputs / "one", when=WHEN)
    parts = [inputs / "morning.h5", inputs / "evening.h5"]
    split = run_job(inputs / "mirror.toml", parts, inputs / "two", when=WHEN)
    for name in ("stitch", "fit", "correct"):
        assert split.to_dict()[name] == whole.to_dict()[name], name
    with h5py.File(split.record) as file:
        entry = file["round_1"]
        for number, path in enumerate((inputs / "mirror.toml", *parts), start=1):
            note = entry[f"input_{number}"]
            assert note["file_name"][()].decode() == path.name
            assert note["checksum"][()].decode() == hashlib.sha256(path.read_bytes()).hexdigest()
        assert "input_4" not in entry
    report = split.report.read_text("utf-8")
    assert "morning.h5, evening.h5" in report


def test_a_profile_is_not_stitched(inputs: Path) -> None:
    mirror, scans = small_campaign()
    profile = stitch(scans, mirror).profile
    write_profile(profile, inputs / "profile.h5")
    result = run_job(inputs / "mirror.toml", [inputs / "profile.h5"], inputs / "out", when=WHEN)
    assert result.stitched is None
    assert result.to_dict()["stitch"] is None
    assert_array_equal(result.fit.placed.values, profile.values[profile.used])
    with h5py.File(result.record) as file:
        assert "stitching" not in file["round_1"]
    for mixed in (["profile.h5", "scans.h5"], ["scans.h5", "profile.h5"]):
        with pytest.raises(
            DataError, match=r"profile\.h5: is a profile; expected one profile alone, or raw scans only"
        ):
            run_job(inputs / "mirror.toml", [inputs / name for name in mixed], inputs / "none", when=WHEN)
    assert not (inputs / "none").exists()


def test_settings_of_stitching_reach_it_and_the_record(inputs: Path) -> None:
    settings = StitchSettings(guide=False, spike_threshold=None)
    result = run_job(inputs / "mirror.toml", [inputs / "scans.h5"], inputs / "out", when=WHEN, stitch_settings=settings)
    assert result.stitched is not None
    assert result.stitched.settings == settings
    assert result.stitched.spikes == 0
    with h5py.File(result.record) as file:
        process = file["round_1/stitching"]
        kept = {name: item[()].decode() for name, item in process["settings"].items()}
        assert (kept["guide"], kept["spike_threshold"]) == ("False", "None")
        assert "guide" not in file["round_1"]  # none was solved for


def test_the_demo_appends_a_round_only_with_force(tmp_path: Path) -> None:
    """Mirror and scans are made again, the record keeps its first round, the first report its number."""
    folder = tmp_path / "demo"
    first = run_demo(folder, when=WHEN)
    report = first.report.read_bytes()
    before = files_of(folder)
    assert before.keys() == {"mirror.toml", "scans.h5", "record.h5", "report.html"}
    with pytest.raises(FileExistsAlreadyError, match="--force"):
        run_demo(folder, when=WHEN)
    assert files_of(folder) == before
    second = run_demo(folder, when=WHEN, force=True)
    assert (first.round, second.round) == (1, 2)
    again, before_it = second.fit.to_dict(), first.fit.to_dict()
    for key in before_it.keys() - {"self_checks", "suspicions", "warnings"}:  # the same scans twice are suspicious
        assert again[key] == before_it[key], key
    assert [item.kind for item in second.fit.checked.suspicions] == ["stale data"]
    assert files_of(folder).keys() == before.keys() | {"report-1.html"}
    assert (folder / "report-1.html").read_bytes() == report
    with h5py.File(second.record) as file:
        assert {"round_1", "round_2"} <= set(file)


def test_where_the_carrier_stands_is_kept_beside_the_round(inputs: Path) -> None:
    carrier, surveys = DEMO / "heron_carrier.toml", DEMO / "heron_surveys.h5"
    given = (inputs / "mirror.toml", [inputs / "scans.h5"], inputs / "out")
    result = run_job(*given, when=WHEN, carrier_path=carrier, survey_paths=[surveys], page=False)
    assert result.placement is not None
    assert result.forecast is not None
    record = read_record(result.record)
    assert [entry.name for entry in record.entries] == ["round_1", "survey_1", "forecast_1"]
    survey, forecast = record.surveys[0], record.forecasts[0]
    assert survey.when == result.placement.survey.time
    assert {one.role for one in survey.inputs} == {"carrier file", "survey"}
    placed, foreseen = survey.last("placement"), forecast.last("forecast")
    assert placed is not None
    assert placed.answer == json.loads(json.dumps(result.placement.to_dict()))
    assert foreseen is not None
