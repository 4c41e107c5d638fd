"""Carrier and survey files, the commands on them, their pages, the demo data and the notebook."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from ellipsefit.cli import main
from ellipsefit.cli.guide import text_of
from ellipsefit.errors import EllipsefitError, FileFormatError, FileMissingError, ParameterError
from ellipsefit.files import read_carrier, read_survey, read_surveys, write_carrier, write_mirror, write_survey
from ellipsefit.files.carrier import carrier_faults, carrier_text
from ellipsefit.files.registry import looks_like_survey
from ellipsefit.files.survey import read_temperatures, survey_text, write_surveys
from ellipsefit.halls import demo_halls, invented_carrier, simulate_survey
from ellipsefit.place import Carrier, Survey
from ellipsefit.simulate import demo_mirror

ROOT = Path(__file__).parents[1]
DATA_DEMO = ROOT / "data_demo"
CARRIERS, SURVEYS = demo_halls()
WHOLE = carrier_text(CARRIERS[0])


def assert_same_carrier(one: Carrier, other: Carrier) -> None:
    assert (one.name, one.expansion, one.reference_temperature) == (
        other.name,
        other.expansion,
        other.reference_temperature,
    )
    assert one.mirror.nominal == other.mirror.nominal
    for name in ("targets", "references"):
        for a, b in zip(getattr(one, name), getattr(other, name), strict=True):
            assert a.name == b.name
            assert_array_equal(a.position, b.position)
            assert_array_equal(a.sigma, b.sigma)
    for pose, twin in ((one.nominal, other.nominal), (one.mirror.pose, other.mirror.pose)):
        assert_array_equal(pose.translation, twin.translation)
        assert_array_equal(pose.rotation, twin.rotation)
    assert_array_equal(one.tolerance.image, other.tolerance.image)
    assert one.mount is not None
    assert other.mount is not None
    for contact, copy in zip(one.mount.contacts, other.mount.contacts, strict=True):
        assert_array_equal(contact.point, copy.point)
        # a direction is made a unit vector again
        assert_allclose(contact.normal, copy.normal, rtol=0, atol=1e-15)
        assert (contact.name, contact.eccentricity, contact.range, contact.angle, contact.preload) == (
            copy.name,
            copy.eccentricity,
            copy.range,
            copy.angle,
            copy.preload,
        )


@pytest.mark.parametrize("carrier", CARRIERS, ids=lambda carrier: carrier.name)
def test_a_carrier_file_reads_back_the_same(tmp_path: Path, carrier: Carrier) -> None:
    write_carrier(carrier, tmp_path / "carrier.toml")
    assert_same_carrier(read_carrier(tmp_path / "carrier.toml"), carrier)


def test_the_demo_data_are_what_demo_halls_makes() -> None:
    for carrier, series in zip(CARRIERS, SURVEYS, strict=True):
        name = carrier.name.lower()
        assert_same_carrier(read_carrier(DATA_DEMO / f"{name}_carrier.toml"), carrier)
        found = read_surveys(DATA_DEMO / f"{name}_surveys.h5")
        assert len(found) == len(series)
        for one, other in zip(found, series, strict=True):
            assert (one.points, one.time, one.moved, one.carrier) == (
                other.points,
                other.time,
                other.moved,
                carrier.name,
            )
            # sines of another processor may end otherwise
            assert_allclose(one.coordinates, other.coordinates, rtol=0, atol=1e-13)
        text = read_survey(DATA_DEMO / f"{name}_2025-02.csv")
        assert_allclose(text.coordinates, series[-1].coordinates, rtol=0, atol=0.6e-9)  # written to a nanometre


@pytest.mark.parametrize("suffix", [".csv", ".h5"])
def test_a_survey_reads_back_the_same(tmp_path: Path, suffix: str) -> None:
    survey = SURVEYS[0][11]
    assert survey.moved
    assert survey.covariance is not None
    mixed = survey.covariance.copy()
    mixed[0, 1] = mixed[1, 0] = 0.25 * mixed[0, 0]
    survey = replace(survey, covariance=mixed, stations=("west",) * 7 + ("east",) * 7, frame="station")
    write_survey(survey, tmp_path / f"survey{suffix}")
    again = read_survey(tmp_path / f"survey{suffix}")
    assert (again.points, again.stations, again.frame, again.time, again.moved, again.carrier) == (
        survey.points,
        survey.stations,
        survey.frame,
        survey.time,
        survey.moved,
        survey.carrier,
    )
    assert again.covariance is not None
    assert again.temperature == pytest.approx(survey.temperature, abs=1e-9)
    assert_allclose(again.coordinates, survey.coordinates, rtol=0, atol=0.6e-9)
    assert_allclose(again.covariance, mixed, rtol=1e-3, atol=1e-18)


def test_correlated_points_need_hdf5(tmp_path: Path) -> None:
    survey = SURVEYS[0][0]
    assert survey.covariance is not None
    full = survey.covariance + 1e-12
    survey = replace(survey, covariance=full)
    with pytest.raises(ParameterError, match="points are correlated"):
        survey_text(survey)
    write_surveys([survey, survey], tmp_path / "two.h5")
    assert len(read_surveys(tmp_path / "two.h5")) == 2
    again = read_surveys(tmp_path / "two.h5")[1]
    assert again.covariance is not None
    assert_allclose(again.covariance, full, rtol=1e-12)
    with pytest.raises(FileFormatError, match="holds 2 surveys; expected one"):
        read_survey(tmp_path / "two.h5")


@pytest.mark.parametrize(
    "text",
    [
        "target,x [m],y [m],z [m]\nA,1.5,0,0.25\nB,0,1,0\nC,0,0,1\n",
        "target;x [mm];y [mm];z [mm]\nA;1500,0;0;250\nB;0;1e3;0\nC;0;0;1000\n",
        "target x [mm] y [mm] z [mm]\nA 1500 0 250\nB 0 1000 0\nC 0 0 1000\n",
        "\ufefftarget\tz [mm]\ty [um]\tx [m]\r\nA\t250\t0\t1.5\r\nB\t0\t1e6\t0\r\nC\t1000\t0\t0\r\n",
    ],
)
def test_surveys_are_read_in_every_usual_dress(tmp_path: Path, text: str) -> None:
    path = tmp_path / "survey.csv"
    path.write_text(text, encoding="utf-8", newline="")
    found = read_survey(path)
    assert found.points == ("A", "B", "C")
    assert_allclose(found.coordinates, np.array([[1.5, 0, 0.25], [0, 1, 0], [0, 0, 1]]), rtol=1e-15)
    assert found.covariance is None


GOOD = "# date: 2026-04-14\n# temperature: 20 degC\ntarget,x [mm],y [mm],z [mm],sigma [um]\nA,1,2,3,30\nB,4,5,6,30\n"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("x [mm]", "x", "line 3: column 'x' has no unit"),
        ("x [mm]", "x [kg]", "line 3: column 'x' has the unit [kg]; expected a unit of length"),
        ("z [mm]", "w [mm]", "line 3: no column 'z'"),
        ("A,1,2", "A,one,2", "line 4: column 'x': expected a number; got 'one'"),
        ("A,1,2", "A,nan,2", "line 4: column 'x' is nan; expected a finite number"),
        ("B,4,5,6,30", "B,4,5,6", "line 5: expected 5 columns as in the header; got 4"),
        ("B,4,5,6,30", "B,4,5,6,0", "line 5: expected standard uncertainties above 0"),
        ("B,4", "A,4", "target 'A' was measured twice; expected once"),
        ("20 degC", "20", "line 2: temperature: got '20' without a unit"),
        ("20 degC", "20 mm", "line 2: temperature: 'mm' is no unit of temperature"),
        ("2026-04-14", "14.4.26", "line 1: date: got '14.4.26'; expected ISO 8601"),
        ("# date", "# frame: carrier\n# date", "line 1: frame: got 'carrier'; expected hall or station"),
        ("# date", "# moved: maybe\n# date", "line 1: moved: got 'maybe'; expected yes or no"),
        ("sigma [um]", "sigma_x [um]", "expected sigma, or all of sigma_x, sigma_y, sigma_z"),
        ("sigma [um]", "x [um]", "line 3: column 'x' stands 2 times"),
        ("target,", "segment,", "line 3: no column 'target'"),
        (GOOD, "", "is empty; expected a survey"),
        (GOOD, "# nothing\n", "holds only comments"),
        (GOOD, "name = 'Heron'\n", "this looks like a TOML file"),
    ],
)
def test_what_is_wrong_with_a_survey_is_told_in_one_sentence(tmp_path: Path, old: str, new: str, message: str) -> None:
    path = tmp_path / "survey.csv"
    assert old in GOOD
    path.write_text(GOOD.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(FileFormatError) as fault:
        read_survey(path)
    assert str(fault.value).startswith(str(path))
    assert message in str(fault.value)
    assert "\n" not in str(fault.value)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('name = "T1"', 'nane = "T1"', "unknown key 'nane'; the nearest known key is 'name'"),
        ('"-4620 mm", "-520 mm", "310 mm"', '"-4620 mm", "-520 mm"', "expected three values, along x, y and z"),
        ('"-4620 mm"', "-4620", "without a unit"),
        ('"-4620 mm"', '"-4620 mrad"', "'mrad' is no unit of length"),
        ('name = "T2"', 'name = "T1"', "target 'T1' stands twice"),
        ("image_distance", "image_distanze", "unknown key 'image_distanze'"),
        ('image = ["20000 um"', 'image = ["-20000 um"', "expected values above 0"),
        ("normal = [0.0, 0.0, 1.0]", "normal = [0.0, 0.0, 0.0]", "normal must be a direction"),
        ("normal = [0.0, 0.0, 1.0]", "normal = [0.0, 0.0]", "expected three values"),
        ('mass = "1900 kg"', 'mass = "1900 N"', "'N' is no unit of mass"),
        ("friction = 0.1", 'friction = "0.1"', "expected a bare number"),
        ('range = ["-75 deg", "75 deg"]', 'range = "75 deg"', "expected two angles, lowest and highest"),
        ('angle = "0 deg"', 'angle = "80 deg"', "angle must lie within range"),
        (
            'source_distance = "13 m"',
            'source_distance = "13 m"\nfile = "none.toml"',
            "names a file and source_distance",
        ),
    ],
)
def test_what_is_wrong_with_a_carrier_file_is_told_in_one_sentence(
    tmp_path: Path, old: str, new: str, message: str
) -> None:
    path = tmp_path / "carrier.toml"
    assert old in WHOLE
    path.write_text(WHOLE.replace(old, new, 1), encoding="utf-8")
    faults = carrier_faults(path)
    assert faults
    assert faults[0].startswith(str(path))
    assert message in faults[0]
    assert "\n" not in faults[0]


def test_a_mount_that_leaves_a_motion_free_is_named_with_the_file(tmp_path: Path) -> None:
    path = tmp_path / "carrier.toml"
    stop = '    name = "stop"'
    assert stop.strip() in WHOLE
    head, _, tail = WHOLE.partition('name = "stop"')
    path.write_text(
        head + 'name = "stop"' + tail.replace("normal = [1.0, 0.0, 0.0]", "normal = [0.0, 0.0, 1.0]"), "utf-8"
    )
    with pytest.raises(FileFormatError, match=r"carrier.toml: the mount is singular.*a shift along x"):
        read_carrier(path)


PIECES = st.sampled_from(WHOLE.splitlines(keepends=True) + GOOD.splitlines(keepends=True))


@settings(max_examples=60, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=120),
        st.lists(PIECES, max_size=30).map(lambda lines: "".join(lines).encode()),
        st.tuples(st.integers(0, len(WHOLE)), st.integers(0, 30), st.text(max_size=6)).map(
            lambda cut: (WHOLE[: cut[0]] + cut[2] + WHOLE[cut[0] + cut[1] :]).encode("utf-8", "replace")
        ),
        st.tuples(st.integers(0, len(GOOD)), st.integers(0, 12), st.text(max_size=6)).map(
            lambda cut: (GOOD[: cut[0]] + cut[2] + GOOD[cut[0] + cut[1] :]).encode("utf-8", "replace")
        ),
    )
)
def test_no_content_makes_a_reader_raise_anything_but_its_errors(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "any.txt"
    path.write_bytes(content)
    for read in (read_carrier, read_survey, read_temperatures):
        try:
            read(path)
        except EllipsefitError as error:
            assert "\n" not in str(error)  # noqa: PT017 - a valid file is fine, too


def test_temperatures_are_read(tmp_path: Path) -> None:
    path = tmp_path / "hall.csv"
    path.write_text("date,temperature [degC]\n2024-01-01,19.5\n2024-02-01T12:00+01:00,20.25\n", encoding="utf-8")
    log = read_temperatures(path)
    assert_allclose(log.temperature, [292.65, 293.40], rtol=1e-12)
    assert log.time[1] == datetime(2024, 2, 1, 11, tzinfo=UTC).timestamp()
    path.write_text("date,temperature [degC]\nyesterday,19.5\n", encoding="utf-8")
    with pytest.raises(FileFormatError, match="line 2: column 'date': got 'yesterday'"):
        read_temperatures(path)


# commands


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as leave:
        main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    return int(leave.value.code or 0), out, err


HERON, PLOVER = DATA_DEMO / "heron_carrier.toml", DATA_DEMO / "plover_carrier.toml"
LAST, NEXT = DATA_DEMO / "heron_2025-02.csv", DATA_DEMO / "plover_2025-02.csv"


def test_place_answers_as_agreed(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = run(capsys, "place", HERON, LAST, "--json", "-", "--next", PLOVER, NEXT, "--before", LAST)
    assert status == 0
    answer = json.loads(out)
    assert set(answer) >= {"pose", "residuals", "suspect", "foci", "cams", "warnings", "pair", "change"}
    assert np.array(answer["pose"]["covariance"]).shape == (6, 6)
    assert len(answer["pose"]["translation"]) == len(answer["pose"]["rotation"]) == 3
    assert set(answer["residuals"][0]) >= {"target", "dx", "dy", "dz", "normalised"}
    assert set(answer["cams"][0]) >= {"contact", "from", "to"}
    assert set(answer["foci"]) >= {"source", "image", "source_covariance", "image_covariance"}
    assert "Carrier Heron as surveyed" in err
    assert "Moving a carrier by its cams" in err
    # foci follow from the pose: pole at the carrier's origin, nominal ellipse, size by temperature
    mirror, _, _ = demo_mirror()
    pose = answer["pose"]
    from ellipsefit.place import Pose

    where = Pose(np.array(pose["translation"]), np.array(pose["rotation"]))
    image = np.array([mirror.nominal.foci[1][0], 0.0, mirror.nominal.foci[1][1]])
    assert_allclose(where.apply(image * answer["scale"]), answer["foci"]["image"], rtol=0, atol=1e-12)


def test_place_writes_page_and_figure_and_overwrites_nothing(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    page, figure = tmp_path / "place.html", tmp_path / "place.png"
    arguments = (
        "place",
        HERON,
        LAST,
        "--next",
        PLOVER,
        NEXT,
        "--before",
        LAST,
        "--report",
        page,
        "--figure",
        figure,
        "-q",
    )
    assert run(capsys, *arguments)[0] == 0
    text = page.read_text(encoding="utf-8")
    for words in (
        "Carrier Heron",
        "Foci",
        "Moves of the cams",
        "With the next carrier",
        "What moved",
        "Moving a carrier by its cams",
        "Vacuum vessel",
        "Lasers",
        "these numbers authorise no work".capitalize(),
    ):
        assert words in text, words
    assert text.count("<svg") == 3
    assert "http://" not in text.replace("http://www.w3.org", "")
    assert figure.stat().st_size > 20_000
    status, _, err = run(capsys, *arguments)
    assert status == 2
    assert "exists already" in err


def test_drift_answers_and_draws(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    page, figure = tmp_path / "drift.html", tmp_path / "drift.svg"
    surveys = DATA_DEMO / "heron_surveys.h5"
    log = tmp_path / "hall.csv"
    months = [f"{2021 + n // 12}-{n % 12 + 1:02d}-15,{20 - 3 * np.cos(2 * np.pi * n / 12):.2f}" for n in range(50)]
    log.write_text("date,temperature [degC]\n" + "\n".join(months) + "\n", encoding="utf-8")
    options = ("--temperatures", log, "--report", page, "--figure", figure, "--until", "2025-12-31")
    status, out, _ = run(capsys, "drift", HERON, surveys, *options, "--json", "-")
    assert status in (0, 1)
    answer = json.loads(out)
    assert answer["dates"][-1].startswith("2025-12-31")
    assert len(answer["components"]) == 6
    assert status == (1 if answer["realign_due"] else 0)
    assert "Seasons" in page.read_text(encoding="utf-8")
    both = run(capsys, "drift", HERON, surveys, DATA_DEMO / "plover_surveys.h5", "--next", PLOVER)
    assert "Drift of Heron to Plover" in both[1]
    assert "mismatch z" in both[1]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("place", HERON, NEXT), "is a survey of carrier 'Plover'; expected one of 'Heron'"),
        (("place", HERON, DATA_DEMO / "heron_surveys.h5"), "holds 17 surveys; expected one"),
        (("place", HERON, HERON), "this looks like a TOML file"),
        (("place", LAST, LAST), "is no valid TOML"),
        (("place", HERON, LAST, "--scale", "big"), "--scale: got 'big'; expected expansion, fitted or fixed"),
        (("place", HERON, LAST, "--match", "luck"), "--match: got 'luck'; expected names or geometry"),
        (("place", HERON, LAST, "--step", "5"), "--step: got '5' without a unit"),
        (("place", HERON, LAST, "--figure", "x.jpg"), "must end in .svg, .png or .pdf"),
        (("drift", HERON, LAST), "1 surveys tell nothing of a season"),
        (("drift", HERON, LAST, "--until", "soon"), "--until: got 'soon'; expected a date"),
        (("drift", HERON, LAST, "--survey-cost", "0 h"), "--survey-cost: got '0 h'; expected more than zero"),
        (("drift", HERON, DATA_DEMO / "none.csv"), "no such file"),
    ],
)
def test_bad_input_is_one_sentence_and_status_2(
    capsys: pytest.CaptureFixture[str], arguments: tuple[object, ...], message: str
) -> None:
    status, out, err = run(capsys, *arguments)
    assert (status, out) == (2, "")
    assert message in err
    assert err.count("\n") == 1
    assert "Traceback" not in err


def test_a_carrier_beyond_its_cams_is_not_acceptable(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    carrier = invented_carrier()
    write_carrier(carrier, tmp_path / "heron.toml")
    far = simulate_survey(carrier, carrier.nominal.moved([0, 0, 9e-3, 0, 0, 0]), np.random.default_rng(0))
    write_survey(far, tmp_path / "far.csv")
    status, out, _ = run(capsys, "place", tmp_path / "heron.toml", tmp_path / "far.csv")
    assert status == 1
    assert "OUT OF REACH" in out
    assert "Limited by: line left at its lower limit" in out


def test_the_mirror_s_own_fit_goes_into_the_foci(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The carrier file may name a profile, the answer of a fit, its file or a record: all give the same foci."""
    mirror, profile, _ = demo_mirror()
    from ellipsefit.files import write_text_profile

    write_mirror(mirror, tmp_path / "mirror.toml")
    write_text_profile(profile, tmp_path / "profile.csv")
    options = ("--json", tmp_path / "fit.json", "-o", tmp_path / "fit.h5", "-q")
    assert run(capsys, "fit", tmp_path / "mirror.toml", tmp_path / "profile.csv", *options)[0] == 0
    text = carrier_text(invented_carrier(), mirror_file="mirror.toml")
    found = []
    for line in ('profile = "profile.csv"', 'fit = "fit.json"', 'record = "fit.h5"'):
        path = tmp_path / "carrier.toml"
        path.write_text(text.replace('file = "mirror.toml"', f'file = "mirror.toml"\n{line}'), encoding="utf-8")
        measured = read_carrier(path).mirror.measured
        assert measured is not None
        found.append(np.concatenate([measured.source, measured.image]))
    answer = json.loads((tmp_path / "fit.json").read_text(encoding="utf-8"))["focus"]
    expected = [answer["source_dx"], answer["source_dz"], answer["image_dx"], answer["image_dz"]]
    for one in found:
        assert_allclose(one, expected, rtol=1e-6)
    path.write_text(text.replace('file = "mirror.toml"', 'file = "mirror.toml"\nfit = "mirror.toml"'), encoding="utf-8")
    with pytest.raises(FileFormatError, match="is no JSON"):
        read_carrier(path)
    path.write_text(text.replace('file = "mirror.toml"', 'file = "mirror.toml"\nfit = "none.json"'), encoding="utf-8")
    with pytest.raises(FileMissingError, match="no such file"):
        read_carrier(path)


def test_the_notebook_runs_from_top_to_bottom_and_keeps_no_output() -> None:
    path = ROOT / "notebooks" / "carrier_and_seasons.ipynb"
    cells: list[dict[str, Any]] = json.loads(path.read_text(encoding="utf-8"))["cells"]
    names: dict[str, Any] = {"__name__": "__main__"}
    with mpl.rc_context({"backend": "agg"}):
        for cell in cells:
            if cell["cell_type"] == "code":
                assert (cell["outputs"], cell["execution_count"]) == ([], None)
                exec(compile("".join(cell["source"]), f"{path.name}, {cell['id']}", "exec"), names)
    assert names["suspect"] == ("T5",)
    assert names["pair"].mends
    assert isinstance(names["at_heron"][0], Survey)
    assert len(names["forecast"].components) == 6


def test_inspect_knows_carriers_and_surveys(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    status, out, _ = run(capsys, "inspect", HERON, LAST, DATA_DEMO / "heron_surveys.h5", "--json", "-")
    assert status == 0
    carrier, text, many = json.loads(out)["files"]
    assert (carrier["kind"], carrier["facts"]["targets"], carrier["facts"]["mount"]) == ("carrier", 8, 5)
    assert (text["kind"], text["facts"]["surveys"], text["facts"]["of_carrier"]) == ("survey", 1, ["Heron"])
    assert (many["kind"], many["facts"]["surveys"]) == ("survey", 17)
    broken = tmp_path / "broken.csv"
    broken.write_text(GOOD.replace("A,1", "A,x"), encoding="utf-8")
    status, out, _ = run(capsys, "inspect", broken)
    assert status == 1
    assert "survey, 1 FAULT" in out


def test_the_guide_s_carrier_file_has_keys_that_there_are() -> None:
    import tomllib

    from ellipsefit.files.carrier import CarrierTable
    from ellipsefit.files.toml import table_faults

    blocks = re.findall(r"```toml\n(.*?)```", text_of("files"), re.DOTALL)
    shown = next(block for block in blocks if "[[target]]" in block)
    assert table_faults(tomllib.loads(shown), CarrierTable, "files.md") == ()


# what instruments and spreadsheets make of a survey

PLAIN = """# carrier: Heron
target,x [mm],y [mm],z [mm],sigma [um]
T1,25380.04,-519.93,1560.08,30
T2,25420.04,470.04,1540.06,30
T3,28370.01,-609.94,970.11,30
T4,28429.98,580.04,1580.08,30
"""
SEMICOLONS = PLAIN.replace(",", ";").replace(".", ",")


@pytest.mark.parametrize(
    "written",
    [
        PLAIN.encode("utf-16"),
        PLAIN.encode("utf-8-sig"),
        PLAIN.replace("\n", "\r\n").encode(),
        ("sep=,\n" + PLAIN).encode(),
        ("sep=;\r\n" + SEMICOLONS.replace("\n", "\r\n")).encode(),
        SEMICOLONS.encode(),
        PLAIN.replace(",", "\t").encode(),
        PLAIN.replace("[mm]", "(mm)").replace("[um]", "(µm)").encode("latin-1"),
        PLAIN.replace(",", " ").replace("[mm]", "(mm)").encode(),
        PLAIN.replace("-519.93", "\u2212519.93").encode(),
    ],
    ids=["utf-16", "mark", "line ends", "sep", "sep of a spreadsheet", "commas", "tabs", "brackets", "blanks", "minus"],
)
def test_a_survey_is_the_same_however_it_is_written(written: bytes, tmp_path: Path) -> None:
    path = tmp_path / "survey.csv"
    path.write_bytes(written)
    survey = read_survey(path)
    expected = [[25.38004, -0.51993, 1.56008], [25.42004, 0.47004, 1.54006]]
    assert_allclose(survey.coordinates[:2], expected, rtol=1e-15)
    assert survey.points == ("T1", "T2", "T3", "T4")
    assert survey.carrier == "Heron"
    assert looks_like_survey(path)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "target;x [mm];y [mm];z [mm]\nT1;1,560;2;3\nT2;1,570;2;4\n",
            "line 2: column 'x': '1,560' may be 1.560 or 1560; expected a line '# decimal: comma' before the header",
        ),
        (
            "target;x [mm];y [mm];z [mm]\nT1;1,5601;2.5;3\nT2;1,5701;2.5;4\n",
            "line 2: column 'x' has commas, such as '1,5601', but 'y' has points; expected one decimal mark in a file",
        ),
        ("target;x [mm];y [mm];z [mm]\nT1;1.560,1;2;3\n", "line 2: column 'x': expected a number; got '1.560,1'"),
    ],
    ids=["thousands", "both", "two marks"],
)
def test_commas_of_a_survey_that_may_mean_two_things_are_not_guessed(text: str, sentence: str, tmp_path: Path) -> None:
    path = tmp_path / "survey.csv"
    path.write_text(text)
    with pytest.raises(FileFormatError, match=re.escape(sentence)):
        read_survey(path)


def test_a_decimal_comma_that_is_declared_is_one(tmp_path: Path) -> None:
    path = tmp_path / "survey.csv"
    path.write_text("# decimal: comma\ntarget;x [m];y [m];z [m]\nT1;1,560;2;3\nT2;1,570;2;4\nT3;1,580;3;4\n")
    assert read_survey(path).coordinates[0, 0] == 1.56
