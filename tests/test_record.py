"""The record of a mirror: NeXus, one entry a round, never damaged and never another mirror's."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from numpy.testing import assert_array_equal

from ellipsefit.errors import FileExistsAlreadyError, FileFormatError, FileMissingError
from ellipsefit.files import read_profile, write_mirror, write_text_profile
from ellipsefit.files.mirror import mirror_from_text
from ellipsefit.files.orders import read_history, read_orders
from ellipsefit.files.plan import PlanAnswer
from ellipsefit.files.record import append_round, read_previous, read_record, read_record_summary, write_fit
from ellipsefit.fit import fit_ellipse
from ellipsefit.job import JobResult, run_job
from ellipsefit.mirror import Mirror
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile

WHEN = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)


def make_inputs(folder: Path, *, name: str = "Heron", quantity: str = "height") -> tuple[Path, Path, Mirror]:
    """A small mirror with its profile, 5 segments of 100 points."""
    folder.mkdir(exist_ok=True)
    rng = np.random.default_rng(8)
    mirror = invented_mirror(name=name, segments=5, length=2.5)
    profile = simulate_profile(mirror, hidden_state(mirror, rng), rng, step=5e-3, quantity=quantity)
    write_mirror(mirror, folder / "mirror.toml")
    write_text_profile(profile, folder / "profile.csv")
    return folder / "mirror.toml", folder / "profile.csv", mirror


@pytest.fixture
def inputs(tmp_path: Path) -> tuple[Path, Path, Mirror]:
    return make_inputs(tmp_path / "inputs")


def run(inputs: tuple[Path, Path, Mirror], folder: Path, **options: Any) -> JobResult:
    return run_job(inputs[0], [inputs[1]], folder, when=WHEN, **options)


def text(item: Any) -> str:
    value = item[()] if isinstance(item, h5py.Dataset) else item
    return value.decode() if isinstance(value, bytes) else str(value)


def contents(group: Any) -> dict[str, tuple[bytes, dict[str, Any]]]:
    """Every dataset below a group, as bytes with its attributes."""
    found: dict[str, tuple[bytes, dict[str, Any]]] = {}

    def note(name: str, item: Any) -> None:
        raw = item[()] if isinstance(item, h5py.Dataset) else b""
        raw = raw.tobytes() if isinstance(raw, np.ndarray | np.generic) else bytes(raw)
        found[name] = raw, {key: np.asarray(value).tolist() for key, value in item.attrs.items()}

    group.visititems(note)
    return found


def files_of(folder: Path) -> dict[str, str]:
    """Every file below a folder with its checksum."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


def assert_plain_nxdata(data: Any) -> None:
    """NXdata by the NeXus standard (manual, 'NXdata'): signal, axes, their lengths equal, units on quantities."""
    assert text(data.attrs["NX_class"]) == "NXdata"
    signal = text(data.attrs["signal"])
    axes = [text(item) for item in np.atleast_1d(data.attrs["axes"])]
    assert len(axes) == data[signal].ndim == 1
    assert data[axes[0]].shape == data[signal].shape
    assert int(data.attrs[f"{axes[0]}_indices"]) == 0
    for name, field in data.items():
        assert field.shape == data[signal].shape, name
        if field.dtype.kind == "f":
            assert text(field.attrs["units"]) in ("m", "rad"), name


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_default_leads_from_the_root_to_a_plot(quantity: str, tmp_path: Path) -> None:
    """NeXus manual, 'Associating plottable data using attributes applied to the NXdata group' (version 3):
    root, NXentry and NXdata are found by following `default`."""
    result = run(make_inputs(tmp_path / "inputs", quantity=quantity), tmp_path / "out")
    with h5py.File(result.record) as file:
        assert text(file.attrs["NX_class"]) == "NXroot"
        entry = file[text(file.attrs["default"])]
        assert text(entry.attrs["NX_class"]) == "NXentry"
        data = entry[text(entry.attrs["default"])]
        assert_plain_nxdata(data)
        assert_array_equal(data[text(data.attrs["signal"])][()], result.fit.figure.height_error)
        assert_array_equal(data["slope_error"][()], result.fit.figure.slope_error)
        assert_plain_nxdata(entry["profile"])
        assert_array_equal(entry[f"profile/{quantity}"][()], result.fit.placed.values)
        assert datetime.fromisoformat(text(entry["start_time"])) == WHEN


def test_processes_name_program_version_and_settings(inputs: tuple[Path, Path, Mirror], tmp_path: Path) -> None:
    result = run(inputs, tmp_path / "out", residual="white", spread_height=4e-6, spread_tilt=2e-5)
    with h5py.File(result.record) as file:
        entry = file["round_1"]
        for name in ("fit", "correction"):
            process = entry[name]
            assert text(process.attrs["NX_class"]) == "NXprocess"
            assert text(process["program"]) == "ellipsefit"
            assert text(process["version"]) == version("ellipsefit")
            assert datetime.fromisoformat(text(process["date"])).tzinfo is not None
        settings = {name: text(item) for name, item in entry["fit/settings"].items()}
        assert settings["residual"] == "white"
        assert settings["segments"] == "random"
        assert float(settings["spread_height"]) == 4e-6
        assert float(settings["spread_tilt"]) == 2e-5
        assert float(settings["x_uncertainty"]) == 0.5e-3
        assert float(settings["cutoff"]) == result.fit.figure.cutoff
        assert settings["priors"] == ""
        assert settings["varied"] == ", ".join(result.fit.varied)


def test_answers_and_moves_are_those_of_the_round(inputs: tuple[Path, Path, Mirror], tmp_path: Path) -> None:
    result = run(inputs, tmp_path / "out")
    with h5py.File(result.record) as file:
        entry = file["round_1"]
        assert json.loads(text(entry["fit/answer/data"])) == result.fit.to_dict()
        answer = PlanAnswer(plan=result.plan, when=result.when).to_dict()  # complete enough to be compared with later
        assert json.loads(text(entry["correction/answer/data"])) == answer
        table = entry["correction/moves"]
        assert_array_equal(table["move"][()], [move.move for move in result.plan.moves])
        assert text(table["move"].attrs["units"]) == "m"
        assert [text(name) for name in table["adjuster"][()]] == ["U", "D"] * 5
        for name in result.fit.varied:
            assert entry[f"fit/{name}"][()] == getattr(result.fit.ellipse, name)
            assert entry[f"fit/{name}"].attrs["stderr"] == result.fit.stderr(name)


def test_inputs_are_kept_with_their_sha256(inputs: tuple[Path, Path, Mirror], tmp_path: Path) -> None:
    """SHA-256 by hashlib over the bytes on disk."""
    result = run(inputs, tmp_path / "out")
    with h5py.File(result.record) as file:
        for number, path in enumerate(inputs[:2], start=1):
            note = file[f"round_1/input_{number}"]
            assert text(note["file_name"]) == path.name
            assert text(note["algorithm"]) == "SHA-256"
            assert text(note["checksum"]) == hashlib.sha256(path.read_bytes()).hexdigest()
        assert text(file["round_1/input_1/data"]) == inputs[0].read_text(encoding="utf-8")


@pytest.mark.skipif(sys.platform != "linux", reason="other systems allow no such name")
def test_a_name_that_is_no_unicode_hinders_nothing(inputs: tuple[Path, Path, Mirror], tmp_path: Path) -> None:
    """0xff never occurs in UTF-8 (RFC 3629, section 1); U+FFFD stands for what is not decoded."""
    odd = inputs[1].rename(Path(os.fsdecode(os.fsencode(inputs[1].parent) + b"/p\xff.csv")))
    result = run((inputs[0], odd, inputs[2]), tmp_path / "out")
    assert "p\ufffd.csv" in result.report.read_text(encoding="utf-8")
    with h5py.File(result.record) as file:
        assert text(file["round_1/input_2/file_name"]) == "p\ufffd.csv"


def test_the_profile_in_a_record_reads_back(inputs: tuple[Path, Path, Mirror], tmp_path: Path) -> None:
    result = run(inputs, tmp_path / "out")
    profile = read_profile(result.record)
    assert profile.frame == "mirror"
    assert_array_equal(profile.x, result.fit.placed.x)
    assert_array_equal(profile.values, result.fit.placed.values)


def test_a_second_run_appends_a_round_and_keeps_the_first(inputs: tuple[Path, Path, Mirror], tmp_path: Path) -> None:
    folder = tmp_path / "out"
    first = run(inputs, folder)
    report = first.report.read_bytes()
    with h5py.File(first.record) as file:
        before = contents(file["round_1"])
    second = run(inputs, folder, segments="free")
    assert (first.round, second.round) == (1, 2)
    assert read_record_summary(second.record).rounds == (1, 2)
    with h5py.File(second.record) as file:
        assert contents(file["round_1"]) == before
        assert text(file.attrs["default"]) == "round_2"
        assert text(file["round_2/fit/settings/segments"]) == "free"
        assert_plain_nxdata(file["round_2/figure_error"])
    assert (folder / "report-1.html").read_bytes() == report
    assert second.report.read_bytes() != report
    run(inputs, folder)
    assert sorted(path.name for path in folder.iterdir()) == [
        "record.h5",
        "report-1.html",
        "report-2.html",
        "report.html",
    ]
    assert (folder / "report-1.html").read_bytes() == report


@pytest.mark.parametrize("force", [False, True])
def test_the_record_of_another_mirror_is_refused(
    force: bool, inputs: tuple[Path, Path, Mirror], tmp_path: Path
) -> None:
    folder = tmp_path / "out"
    record = run(inputs, folder).record
    before = files_of(folder)
    with pytest.raises(FileFormatError, match="is the record of mirror 'Heron'; expected one of mirror 'Egret'") as it:
        run(make_inputs(tmp_path / "other", name="Egret"), folder, force=force)
    assert str(it.value).startswith(str(record))
    assert files_of(folder) == before


def not_hdf5(path: Path) -> None:
    path.write_text("no record\n")


def plain_hdf5(path: Path) -> None:
    with h5py.File(path, "w") as file:
        file["x"] = np.arange(3.0)


def truncated_record(path: Path) -> None:
    plain_hdf5(path)
    path.write_bytes(path.read_bytes()[:300])


@pytest.mark.parametrize("make", [not_hdf5, plain_hdf5, truncated_record])
def test_what_is_no_record_is_refused_and_left_alone(
    make: Any, inputs: tuple[Path, Path, Mirror], tmp_path: Path
) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    make(folder / "record.h5")
    before = files_of(folder)
    with pytest.raises(FileFormatError) as caught:
        run(inputs, folder)
    assert str(caught.value).startswith(str(folder / "record.h5"))
    assert "\n" not in str(caught.value)
    assert files_of(folder) == before


def test_a_report_without_a_record_is_not_overwritten_unasked(
    inputs: tuple[Path, Path, Mirror], tmp_path: Path
) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "report.html").write_text("mine")
    with pytest.raises(FileExistsAlreadyError, match="--force"):
        run(inputs, folder)
    assert [path.name for path in folder.iterdir()] == ["report.html"]
    assert (folder / "report.html").read_text() == "mine"
    run(inputs, folder, force=True)
    assert "Heron" in (folder / "report.html").read_text(encoding="utf-8")


def test_reports_that_stand_in_the_way_are_kept(inputs: tuple[Path, Path, Mirror], tmp_path: Path) -> None:
    folder = tmp_path / "out"
    run(inputs, folder)
    (folder / "report-1.html").write_text("mine")
    run(inputs, folder)
    assert (folder / "report-1.html").read_text() == "mine"
    assert (folder / "report-1-2.html").exists()


@contextmanager
def full_disk(monkeypatch: pytest.MonkeyPatch, *, after: int) -> Iterator[None]:
    """h5py refuses to write any dataset after so many, as on a full disk."""
    create, count = h5py.Group.create_dataset, 0

    def failing(group: Any, *arguments: Any, **options: Any) -> Any:
        nonlocal count
        count += 1
        if count > after:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return create(group, *arguments, **options)

    with monkeypatch.context() as patch:
        patch.setattr(h5py.Group, "create_dataset", failing)
        yield


@pytest.mark.parametrize("after", [0, 5, 20])
def test_a_failure_midway_leaves_the_record_as_it_was(
    after: int, inputs: tuple[Path, Path, Mirror], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "out"
    run(inputs, folder)
    before = files_of(folder)
    with full_disk(monkeypatch, after=after), pytest.raises(FileMissingError, match="cannot be written: no space"):
        run(inputs, folder)
    assert files_of(folder) == before
    assert run(inputs, folder).round == 2


def test_a_failure_midway_of_the_first_round_leaves_no_file(
    inputs: tuple[Path, Path, Mirror], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "out"
    with full_disk(monkeypatch, after=5), pytest.raises(FileMissingError):
        run(inputs, folder)
    assert files_of(folder) == {}


def test_the_job_tells_its_steps(inputs: tuple[Path, Path, Mirror], tmp_path: Path) -> None:
    steps: list[str] = []
    run(inputs, tmp_path / "out", progress=steps.append)
    assert steps == ["reading", "fitting", "planning", "reporting"]


#: A record of two rounds and a comparison between, as it was written before records kept where results come from.
OLD_RECORD = Path(__file__).parent / "data" / "plover" / "record.h5"


def test_an_old_record_opens_and_goes_on(tmp_path: Path) -> None:
    """What a record did not keep then is not told; what it kept is, and another round goes beside it."""
    path = tmp_path / "record.h5"
    path.write_bytes(OLD_RECORD.read_bytes())
    with h5py.File(path) as file:
        before = {name: contents(file[name]) for name in ("round_1", "round_2")}
    record = read_record(path)
    assert [entry.number for entry in record.rounds] == [1, 2]
    first = record.rounds[0]
    assert [one.kind for one in first.results] == ["fit", "correction", "comparison"]
    assert [one.path for one in first.inputs] == ["round_1/input_1", "round_1/input_2"]
    assert first.of_role("mirror file") == first.inputs[0]
    fit, plan, comparison = first.results
    assert fit.options is None
    assert [source.path for source in fit.sources] == ["round_1/input_1", "round_1/input_2"]
    assert [source.path for source in plan.sources] == ["round_1/fit"]
    assert [source.path for source in comparison.sources] == ["round_1/correction"]
    assert read_orders(path, number=1).mirror.name == "Plover"
    history = read_history(path)
    assert history is not None
    assert len(history.rounds) == 1
    mirror = mirror_from_text(record.rounds[-1].mirror_text or "", "mirror")
    previous = read_previous(path, mirror)
    result = fit_ellipse(read_profile(path), mirror, previous=previous)
    write_mirror(mirror, tmp_path / "mirror.toml")
    assert append_round(path, result, None, inputs=[tmp_path / "mirror.toml", OLD_RECORD], when=WHEN).number == 3
    with h5py.File(path) as file:
        assert {name: contents(file[name]) for name in before} == before


def test_a_fit_alone_is_written_as_nexus(inputs: tuple[Path, Path, Mirror], tmp_path: Path) -> None:
    fit = fit_ellipse(read_profile(inputs[1]), inputs[2])
    path = tmp_path / "fit.h5"
    write_fit(fit, path)
    with h5py.File(path) as file:
        entry = file[text(file.attrs["default"])]
        assert_plain_nxdata(entry[text(entry.attrs["default"])])
        assert "correction" not in entry
    before = path.read_bytes()
    with pytest.raises(FileExistsAlreadyError):
        write_fit(fit, path)
    assert path.read_bytes() == before
    write_fit(fit, path, force=True)


def test_a_round_without_a_plan_has_none(inputs: tuple[Path, Path, Mirror], tmp_path: Path) -> None:
    fit = fit_ellipse(read_profile(inputs[1]), inputs[2])
    assert append_round(tmp_path / "record.h5", fit, None, inputs=inputs[:2], when=WHEN).number == 1
    with h5py.File(tmp_path / "record.h5") as file:
        assert "correction" not in file["round_1"]
