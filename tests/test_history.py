"""A mirror over the years, from its record: what is shown, why it changed, what was made from what, what is stale."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from ellipsefit.align import plan_corrections
from ellipsefit.align.comparison import compare_round
from ellipsefit.align.orders import moved_mirror, orders_of
from ellipsefit.cli import main
from ellipsefit.errors import FileFormatError
from ellipsefit.files import (
    inspect_file,
    read_mirror,
    read_profile,
    write_carrier,
    write_mirror,
    write_profile,
    write_survey,
)
from ellipsefit.files.record import append_comparison, append_round, file_checksum, read_record
from ellipsefit.files.record.provenance import stale_for, stale_plan, stale_results
from ellipsefit.fit import fit_ellipse
from ellipsefit.halls import demo_halls
from ellipsefit.history import RecordHistory, read_record_history
from ellipsefit.mirror import Mirror
from ellipsefit.profile import Profile, place_profile
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile

WHEN = datetime(2026, 3, 4, tzinfo=UTC)
OLD_RECORD = Path(__file__).parent / "data" / "plover" / "record.h5"
#: Moves made between the rounds: every segment raised and tilted as one, so that the pose and nothing else answers.
RAISED, TILTED = 5e-6, 4e-6


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three rounds: the mirror; moved as one by its adjusters; the same data with other settings and nominal."""
    folder = tmp_path_factory.mktemp("years")
    rng = np.random.default_rng(5)
    mirror = invented_mirror(name="Heron", segments=5, length=2.5)
    profile = simulate_profile(mirror, hidden_state(mirror, rng), rng, step=5e-3)
    moved = moved_mirror(
        mirror,
        {
            (segment.name, adjuster.name): adjuster.position + RAISED + TILTED * adjuster.x
            for segment in mirror.segments
            for adjuster in segment.adjusters
        },
    )
    after = Profile(
        name="after",
        quantity="height",
        x=profile.x,
        values=profile.values + RAISED + TILTED * profile.x,
        segment=profile.segment,
        frame=profile.frame,
    )
    path = folder / "record.h5"
    rounds: list[tuple[Mirror, Profile, dict[str, Any]]] = [
        (mirror, profile, {}),
        (moved, after, {}),
        (moved, after, {"segments": "free"}),
    ]
    for number, (state, data, options) in enumerate(rounds, start=1):
        files = [folder / f"mirror{number}.toml", folder / f"data{min(number, 2)}.h5"]
        write_mirror(state, files[0])
        write_profile(data, files[1], force=True)
        fit = fit_ellipse(data, state, **options)
        when = WHEN + timedelta(days=365 * number)
        append_round(path, fit, plan_corrections(fit), inputs=files, when=when, options=options)
    return path


def shares_of(history: RecordHistory, key: str) -> dict[str, float]:
    assert history.attribution is not None
    return {name: share[key] for name, share in history.attribution.shares.items()}


@pytest.mark.parametrize("pair", [(1, 2), (2, 3), (1, 3)])
def test_shares_add_up_to_the_change(record: Path, pair: tuple[int, int]) -> None:
    """By construction a telescope: what is left is rounding of sums of at most six terms."""
    history = read_record_history(record, start=pair[0], stop=pair[1])
    why = history.attribution
    assert why is not None
    assert set(why.values) == {
        "p", "q", "theta", "height", "tilt", "slope_error_rms", "image_along", "image_across",
    }  # fmt: skip
    for key, (before, after) in why.values.items():
        total = sum(shares_of(history, key).values())
        size = max(abs(before), abs(after), *map(abs, shares_of(history, key).values()))
        assert_allclose(total, after - before, rtol=0, atol=16 * np.finfo(float).eps * size)


def test_moves_made_are_told_from_what_was_measured_anew(record: Path) -> None:
    """Adjusters raised the mirror by 5 um and tilted it by 4 urad, and nothing else happened: the truth of the
    simulation. Both rounds have the same noise, so refits are the same to rounding of heights (1e-16 of 1 m)."""
    history = read_record_history(record, start=1, stop=2)
    for key, made in (("height", RAISED), ("tilt", TILTED)):
        shares = shares_of(history, key)
        assert_allclose(shares["moves made"], made, rtol=1e-3)
        others = [value for name, value in shares.items() if name != "moves made"]
        assert_allclose(others, 0, atol=1e-3 * made)


def test_settings_are_told_from_data(record: Path) -> None:
    """Rounds 2 and 3 are of the same data: whatever differs comes from the settings."""
    history = read_record_history(record)
    assert history.attribution is not None
    assert (history.attribution.before, history.attribution.after) == (2, 3)
    for key in ("q", "height", "tilt"):
        shares = shares_of(history, key)
        change = history.attribution.change(key)
        assert_allclose(shares["settings"], change, rtol=1e-6, atol=1e-15)
    assert "Settings: segments random to free." in history.attribution.notes


def test_the_years_are_those_of_the_rounds(record: Path) -> None:
    history = read_record_history(record)
    for one, entry in zip(history.rounds, read_record(record).rounds, strict=True):
        fit = entry.last("fit")
        assert fit is not None
        assert one.values["q"] == fit.answer["ellipse"]["q"]
        assert one.values["image_across"] == fit.answer["focus"]["image_across"]
        heights = [abs(segment["height"]) for segment in fit.answer["segments"]]
        assert one.worst is not None
        assert abs(one.worst[1]) == max(heights)
    text = str(history)
    assert "History of Heron: 3 rounds from 2027-03-04 to 2029-03-03" in text
    assert max(map(len, text.splitlines())) <= 100


def test_the_answer_is_plain_json_and_the_figure_is_drawn(record: Path, tmp_path: Path) -> None:
    history = read_record_history(record)
    json.dumps(history.to_dict(), allow_nan=False)
    assert len(history.plot().axes) == 9
    assert "<table>" in history._repr_html_()


def test_every_result_names_what_it_was_made_from(record: Path) -> None:
    """SHA-256 by hashlib of the files on disk, and of the answers as they stand in the record."""
    held = read_record(record)
    first = held.rounds[0]
    fit, plan = first.last("fit"), first.last("correction")
    assert fit is not None
    assert plan is not None
    folder = record.parent
    assert [(source.path, source.checksum) for source in fit.sources] == [
        ("round_1/input_1", file_checksum(folder / "mirror1.toml")),
        ("round_1/input_2", file_checksum(folder / "data1.h5")),
    ]
    assert [(source.path, source.checksum) for source in plan.sources] == [(fit.path, fit.checksum)]
    assert first.inputs[1].size == (folder / "data1.h5").stat().st_size
    assert {"Python", "numpy", "scipy", "lmfit", "h5py", "ellipsefit"} <= set(fit.versions)


def test_what_was_overtaken_is_stale(record: Path) -> None:
    stale = {one.path: " ".join(one.why) for one in stale_results(read_record(record))}
    assert stale.keys() == {f"round_{n}/{what}" for n in (1, 2) for what in ("fit", "correction")}
    assert "measured again in round 3" in stale["round_1/fit"]
    assert stale_plan(record, 3) == ()
    assert "use that" in stale_plan(record, 1)[0]


def test_a_plan_that_was_carried_out_is_stale(record: Path, tmp_path: Path) -> None:
    """And the mirror file and the data from before its moves, too."""
    path = tmp_path / "record.h5"
    path.write_bytes(record.read_bytes())
    mirror = read_mirror(record.parent / "mirror3.toml")
    profile = read_profile(record.parent / "data2.h5")
    assert stale_for(path, mirror, [record.parent / "data2.h5"]) == ()
    placed = place_profile(profile, mirror)
    fit = fit_ellipse(profile, mirror)
    orders = orders_of(plan_corrections(fit), WHEN + timedelta(days=9000))
    append_comparison(path, compare_round(orders, placed, placed))
    (sentence,) = stale_plan(path)
    assert "carried out and compared (round_3/comparison_1); do not make these moves again" in sentence
    notes = stale_for(path, mirror, [record.parent / "data2.h5"])
    assert any("measured before moves that were made since" in note for note in notes)
    assert any("left it at" in note for note in notes) == any(order.move for order in orders.moves)


def test_data_of_an_earlier_round_and_a_changed_file_are_said(record: Path) -> None:
    mirror = read_mirror(record.parent / "mirror3.toml")
    (note,) = stale_for(record, mirror, [record.parent / "data1.h5"])
    assert "these data are those of round 1" in note
    other = replace(mirror, nominal=replace(mirror.nominal, q=mirror.nominal.q + 0.1))
    (note,) = stale_for(record, other)
    assert "mirror file was changed since round 3: nominal q" in note


def test_an_old_record_has_its_years_too() -> None:
    """It keeps neither options nor sources: settings as used give the same fit again, so the program's share is 0."""
    history = read_record_history(OLD_RECORD)
    assert [one.number for one in history.rounds] == [1, 2]
    shares = shares_of(history, "q")
    assert abs(shares["program"]) < 1e-6 * abs(history.rounds[0].values["q"] or 0.0)
    assert history.events[0].what == "moves of round 1"


def test_a_round_that_is_not_there_is_one_sentence(record: Path) -> None:
    with pytest.raises(FileFormatError, match="round 9 holds no fit; expected one of rounds 1, 2, 3"):
        read_record_history(record, start=9)
    with pytest.raises(FileFormatError, match="round 3 is not before round 2"):
        read_record_history(record, start=3, stop=2)


def test_history_on_the_command_line(record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["history", str(record), "--json", "-", "--figure", str(tmp_path / "h.svg"), "-v"])
    assert left.value.code == 0
    out, err = capsys.readouterr()
    assert json.loads(out)["mirror"] == "Heron"
    assert "What each result was made from" in err
    assert "is stale" in err
    assert (tmp_path / "h.svg").exists()


def test_steps_keep_their_answers_in_one_round(
    record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Fit and plan of one measurement are one round; a repeated answer is kept once; other data begin a round."""
    path, folder = tmp_path / "steps.h5", record.parent

    def run(*arguments: object) -> int:
        with pytest.raises(SystemExit) as left:
            main([str(item) for item in (*arguments, "--record", path, "-q")])
        return int(str(left.value.code))

    mirror, data = folder / "mirror1.toml", folder / "data1.h5"
    assert run("fit", mirror, data) == 0
    run("correct", mirror, data)
    assert run("fit", mirror, data) == 0
    assert run("fit", mirror, data, "--segments", "free") == 0
    assert run("fit", folder / "mirror2.toml", folder / "data2.h5") == 0
    held = read_record(path)
    assert [[one.path for one in entry.results] for entry in held.rounds] == [
        ["round_1/fit", "round_1/fit_2", "round_1/correction"],
        ["round_2/fit"],
    ]
    capsys.readouterr()
    assert run("fit", mirror, data, "--json", "-") == 0
    warnings = json.loads(capsys.readouterr().out)["warnings"]
    assert any("these data are those of round 1" in text for text in warnings)


def test_a_survey_from_before_the_last_one_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Surveys and forecasts stand beside the rounds, and a record may begin with one."""
    carriers, surveys = demo_halls(years=1)
    write_carrier(carriers[0], tmp_path / "carrier.toml")
    for number in (0, 2):
        write_survey(surveys[0][number], tmp_path / f"{number}.csv")
    found = []
    for number in (2, 0):
        files = (tmp_path / "carrier.toml", tmp_path / f"{number}.csv")
        with pytest.raises(SystemExit):
            main(["place", *map(str, files), "--record", str(tmp_path / "r.h5"), "--json", "-", "-q"])
        found.append(json.loads(capsys.readouterr().out)["warnings"])
    assert not any("stale" in text for text in found[0])
    assert any("stale: the carrier was surveyed again in survey 1" in text for text in found[1])
    held = read_record(tmp_path / "r.h5")
    assert [one.name for one in held.surveys] == ["survey_1", "survey_2"]
    assert held.surveys[0].inputs[1].text == (tmp_path / "2.csv").read_text(encoding="utf-8")
    assert "History of Heron: 0 rounds" in str(read_record_history(tmp_path / "r.h5"))


def told(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[str, str]:
    """What a command prints."""
    capsys.readouterr()
    with pytest.raises(SystemExit) as left:
        main([str(item) for item in arguments])
    out, err = capsys.readouterr()
    assert left.value.code in (0, 1), err
    return out, err


def test_inspect_says_that_it_is_a_record_and_what_of_it_is_stale(
    record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, _ = told(capsys, "inspect", record, "--json", "-")
    (one,) = json.loads(out)["files"]
    assert one["kind"] == "record"
    assert one["facts"]["mirror"] == "Heron"
    assert [entry["number"] for entry in one["facts"]["rounds"]] == [1, 2, 3]
    held = read_record(record)
    assert [item["result"] for item in one["facts"]["stale"]] == [item.path for item in stale_results(held)]
    assert one["warnings"] == one["faults"] == []  # the last round is not overtaken
    assert "ellipsefit history" in told(capsys, "inspect", record)[0]
    # together with a mirror file it must fit
    design = read_mirror(record.parent / "mirror3.toml")
    write_mirror(replace(design, nominal=replace(design.nominal, q=design.nominal.q + 0.1)), tmp_path / "changed.toml")
    out, _ = told(capsys, "inspect", record, tmp_path / "changed.toml", "--json", "-")
    assert "was changed since round 3: nominal q" in " ".join(json.loads(out)["files"][0]["warnings"])
    other = invented_mirror(name="Other")
    write_mirror(other, tmp_path / "other.toml")
    out, _ = told(capsys, "inspect", record, tmp_path / "other.toml")
    assert "is the record of mirror 'Heron'; expected one of mirror 'Other'" in out


def test_inspect_finds_an_answer_that_was_changed(record: Path, tmp_path: Path) -> None:
    """One digit of a number: by HDF5 nothing is wrong with the file."""
    content = record.read_bytes()
    place = content.index(b'"p": 1') + len('"p": 1')
    assert content[place : place + 1].isdigit()
    path = tmp_path / "record.h5"
    path.write_bytes(content[:place] + bytes([content[place] ^ 1]) + content[place + 1 :])
    (fault,) = inspect_file(path).faults
    assert "fit/answer' is not what was written: its SHA-256 differs" in fault


def test_every_command_that_touches_a_record_says_what_is_stale(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """After moves were made and compared, neither the plan nor what was measured before says how the mirror stands."""
    folder, path = tmp_path / "practice", tmp_path / "r.h5"
    mirror, first, second = folder / "mirror.toml", folder / "measured-0.h5", folder / "measured-1.h5"
    told(capsys, "rehearse", folder, "--wrong-handed", 0)
    told(capsys, "correct", mirror, first, "--record", path, "-q")
    assert "stale" not in told(capsys, "rehearse", folder, "--carry-out", path)[0]
    told(capsys, "compare", path, first, second, "--record", path, "-q")
    moved = "the fit of round 1 is stale: moves were made since (round_1/comparison_1)"
    assert moved in told(capsys, "inspect", path)[0]
    plan = "the plan of round 1 is stale: it was carried out and compared (round_1/comparison_1)"
    for arguments in (["inspect", path], ["sheet", path, "-o", tmp_path / "s.csv"], ["compare", path, first, second]):
        assert plan in told(capsys, *arguments)[0]
    told(capsys, "rehearse", tmp_path / "again", "--wrong-handed", 0)
    assert plan in told(capsys, "rehearse", tmp_path / "again", "--carry-out", path)[0]
    told(capsys, "correct", mirror, first, "--json", tmp_path / "plan.json", "-q")
    for arguments in (
        ["fit", mirror, path],
        ["correct", mirror, path],
        ["convert", path, tmp_path / "out.csv"],
        ["compare", tmp_path / "plan.json", path, second],
        ["run", mirror, path, "-o", tmp_path / "out"],
    ):
        assert moved in told(capsys, *arguments)[0]
