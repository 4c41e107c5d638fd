"""Raw scans from files: read right, written and read back the same; every fault names file and place."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from ellipsefit.errors import (
    EllipsefitError,
    FileExistsAlreadyError,
    FileFormatError,
    FileMissingError,
    ParameterError,
)
from ellipsefit.files import (
    inspect_file,
    inspect_files,
    read_measured,
    read_profile,
    read_scans,
    write_profile,
    write_scans,
)
from ellipsefit.profile import Profile
from ellipsefit.scan import Scan

DATA = Path(__file__).parent / "data"
ARRAYS = ("x", "values", "sigma", "carriage", "time", "temperature", "segment")
PLAIN = ("name", "quantity", "direction", "orientation", "angle", "angle_stderr")


def assert_same(found: Scan, wanted: Scan) -> None:
    for key in PLAIN:
        assert getattr(found, key) == getattr(wanted, key), key
    for key in ARRAYS:
        one, other = getattr(found, key), getattr(wanted, key)
        assert (one is None) == (other is None), key
        if one is not None:
            assert_array_equal(one, other)


def whole_scan(name: str = "a", **options: Any) -> Scan:
    """A scan that has everything; thirds and sevenths, so that a change of unit on the way would show."""
    count = 7
    return Scan(
        **{
            "name": name,
            "quantity": "height",
            "x": np.arange(count) / 7,
            "values": np.array([1e-6, np.nan, 3e-6, np.inf, 5e-6, -np.inf, 7e-6]) / 3,
            "sigma": np.full(count, 1e-7) / 3,
            "carriage": np.arange(count) / 7 + 0.1,
            "time": np.arange(count) / 3,
            "temperature": np.full(count, 293.15) + np.arange(count) / 7,
            "segment": np.repeat(["S01", "Säule 2"], [3, 4]),
            "direction": "forward",
            "orientation": "face_down",
            "angle": -1e-6 / 3,
            "angle_stderr": 1e-7 / 3,
            **options,
        }
    )


def nexus_scan(file: h5py.File, name: str = "scan_000") -> Any:
    """A small scan by h5py alone, five points; returns its NXdata."""
    entry = file.create_group(name)
    entry.attrs["NX_class"] = "NXentry"
    data = entry.create_group("data")
    data.attrs.update({"NX_class": "NXdata", "signal": "slope", "axes": "x"})
    columns = {
        "x": ([-2.5, -0.5, 1.5, 3.5, 5.5], "mm"),
        "slope": ([1.0, np.nan, 3.0, np.inf, 5.0], "urad"),
        "slope_errors": ([50.0] * 5, "nrad"),
        "carriage": ([10.0, 12.0, 14.0, 16.0, 18.0], "cm"),
        "time": ([0.0, 0.5, 1.0, 1.5, 2.0], "min"),
        "temperature": ([20.0, 20.5, 21.0, 21.5, 22.0], "degC"),
    }
    for field, (values, unit) in columns.items():
        put(data, field, values, unit)
    return data


def put(group: Any, name: str, values: Any, units: str | None = None) -> Any:
    if name in group:
        del group[name]
    group[name] = values
    if units is not None:
        group[name].attrs["units"] = units
    return group[name]


# the rehearsal mirrors


@pytest.mark.parametrize(("name", "count", "invalid"), [("birch", 14, 19), ("elder", 8, 0)])
def test_the_rehearsal_scans_are_read_right(name: str, count: int, invalid: int) -> None:
    """Read once more by h5py alone, in the file's own units (mm, um, s); counts as truth.json and the file say."""
    scans = read_scans(DATA / name / "scans.h5")
    assert len(scans) == count == json.loads((DATA / name / "truth.json").read_text())["scans"]
    assert sum(int((~np.isfinite(scan.values)).sum()) for scan in scans) == invalid
    with h5py.File(DATA / name / "scans.h5") as file:
        assert [scan.name for scan in scans] == list(file)
        for scan in scans:
            data = file[scan.name]["data"]
            assert scan.quantity == "height"
            assert scan.carriage is not None
            assert scan.sigma is not None
            assert scan.time is not None
            assert scan.segment is not None
            # one multiplication here, one division there: two roundings
            for found, field, factor in (
                (scan.x, "x", 1e-3),
                (scan.values, "height", 1e-6),
                (scan.sigma, "height_errors", 1e-6),
                (scan.carriage, "carriage", 1e-3),
            ):
                assert_allclose(found, data[field][()] * factor, rtol=4e-16)
            assert_array_equal(scan.time, data["time"][()])
            assert_array_equal(scan.segment, data["segment"].asstr()[()])
            assert (scan.direction, scan.orientation, scan.angle, scan.temperature) == (None, "normal", None, None)


def test_inspection_tells_what_raw_scans_hold() -> None:
    """Seven scans of Birch run up the guide and seven down; its segments carry 1179 or 1180 points, 1 mm apart."""
    content = inspect_file(DATA / "birch" / "scans.h5")
    facts = content.to_dict()["facts"]
    assert (content.kind, content.faults, content.warnings) == ("scans", (), ())
    assert isinstance(content.content, tuple)
    assert len(content.content) == 14
    assert (facts["scans"], facts["quantity"], facts["points"], facts["invalid_points"]) == (14, "height", 16510, 19)
    assert_allclose(facts["span"], [-1.596, 1.596], rtol=1e-13)  # a sum of steps in the file
    assert_allclose(facts["median_step"], 1e-3, rtol=1e-12)
    assert_allclose(facts["carriage"], [0, 1.2], rtol=1e-13)
    assert facts["time"] == [0, 589.5]
    assert facts["temperature"] is None
    assert facts["directions"] == {"forward": 7, "backward": 7}
    assert facts["orientations"] == {"normal": 14}
    assert facts["angle_readings"] == 0
    assert facts["segments"] == [f"S0{number}" for number in range(1, 9)]
    assert facts["units"]["carriage"] == "mm"
    json.dumps(content.to_dict(), allow_nan=False)
    for text in ("14", "7 forward, 7 backward (from the order of the points)", "19 (NaN", "NOTHING WRONG"):
        assert text in str(content)


def test_scans_are_laid_on_their_mirror() -> None:
    assert not inspect_files([DATA / "birch" / name for name in ("mirror.toml", "scans.h5")]).faulty
    other = inspect_files([DATA / "elder" / "mirror.toml", DATA / "birch" / "scans.h5"]).contents[1]
    assert any("scan 'scan_012': segment 'S07' is not in the mirror file" in fault for fault in other.faults)  # six
    assert all(fault.startswith(str(DATA / "birch" / "scans.h5")) for fault in other.faults)


def test_scans_beside_the_mirror_are_told(tmp_path: Path) -> None:
    write_scans([whole_scan(x=np.arange(7) + 90.0, segment=None, carriage=None)], tmp_path / "far.h5")
    content = inspect_files([DATA / "elder" / "mirror.toml", tmp_path / "far.h5"]).contents[1]
    assert len(content.faults) == 1
    assert "scan 'a': no valid point lies on a segment of mirror 'Elder' (x from 90000 mm" in content.faults[0]


# HDF5


def test_units_of_scans_are_brought_to_si(tmp_path: Path) -> None:
    """The literals on the right are the decimal values in m, rad, s and K (0 degC is 273.15 K)."""
    with h5py.File(tmp_path / "scans.h5", "w") as file:
        entry = nexus_scan(file).parent
        entry["direction"] = "backward"
        entry["orientation"] = np.array([b"end_for_end"])
        put(entry, "angle", 2.5, "urad")
        put(entry, "angle_errors", [50.0], "nrad")
        entry["start_time"] = "2031-05-04T08:00:00Z"
    (scan,) = read_scans(tmp_path / "scans.h5")
    assert (scan.name, scan.quantity, scan.direction, scan.orientation) == (
        "scan_000",
        "slope",
        "backward",
        "end_for_end",
    )
    assert (scan.angle, scan.angle_stderr) == (2.5e-6, 50e-9)
    assert scan.x.tolist() == [-0.0025, -0.0005, 0.0015, 0.0035, 0.0055]
    assert_array_equal(scan.values, [1e-6, np.nan, 3e-6, np.inf, 5e-6])
    assert scan.sigma is not None
    assert scan.sigma.tolist() == [50e-9] * 5
    assert scan.carriage is not None
    assert scan.carriage.tolist() == [0.1, 0.12, 0.14, 0.16, 0.18]
    assert scan.time is not None
    assert scan.time.tolist() == [0, 30, 60, 90, 120]
    assert scan.temperature is not None
    assert scan.temperature.tolist() == [293.15, 293.65, 294.15, 294.65, 295.15]


def test_written_scans_read_back_the_same_and_in_order(tmp_path: Path) -> None:
    bare = dict.fromkeys((*ARRAYS[2:], "direction", "angle", "angle_stderr"))
    scans = (
        whole_scan("z 10"),
        whole_scan("Ähre", quantity="slope", direction="backward", orientation="end_for_end"),
        whole_scan("a", **bare, orientation="normal"),
    )
    write_scans(scans, tmp_path / "scans.h5")
    found = read_scans(tmp_path / "scans.h5")
    assert [scan.name for scan in found] == ["z 10", "Ähre", "a"]
    for one, other in zip(found, scans, strict=True):
        assert_same(one, other)


def test_written_scans_follow_the_nexus_standard(tmp_path: Path) -> None:
    """NeXus manual, 'Rules for storing data items in NeXus files': default chain, signal, axes, units on every
    number, FIELDNAME_errors."""
    write_scans([whole_scan()], tmp_path / "scans.h5")
    with h5py.File(tmp_path / "scans.h5") as file:
        entry = file[file.attrs["default"]]
        data = entry[entry.attrs["default"]]
        assert [item.attrs["NX_class"] for item in (file, entry, data)] == ["NXroot", "NXentry", "NXdata"]
        assert (data.attrs["signal"], data.attrs["axes"], data.attrs["x_indices"]) == ("height", "x", 0)
        units = {name: field.attrs.get("units") for name, field in data.items()}
        assert units == {
            **dict.fromkeys(("x", "height", "height_errors", "carriage"), "m"),
            "time": "s",
            "temperature": "K",
            "segment": None,
        }
        assert (entry["angle"].attrs["units"], entry["angle_errors"].attrs["units"]) == ("rad", "rad")
        assert entry["orientation"].asstr()[()] == "face_down"


def test_what_cannot_be_written_is_told_and_leaves_no_file(tmp_path: Path) -> None:
    path = tmp_path / "scans.h5"
    for scans, text in (
        ([], "no scan to write"),
        ([whole_scan(), whole_scan()], "two scans are named 'a'"),
        ([whole_scan("a/b")], "named 'a/b'; expected a name without '/'"),
    ):
        with pytest.raises(ParameterError, match=text):
            write_scans(scans, path)
    assert not list(tmp_path.iterdir())
    path.write_text("mine")
    with pytest.raises(FileExistsAlreadyError):
        write_scans([whole_scan()], path)
    assert path.read_text() == "mine"
    write_scans([whole_scan()], path, force=True)
    assert len(read_scans(path)) == 1


def test_masked_values_become_nan(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "scans.h5", "w") as file:
        put(nexus_scan(file), "mask", [1, 0, 0, 0, 0])
    assert np.isnan(read_scans(tmp_path / "scans.h5")[0].values).tolist() == [True, True, False, False, False]


NEXUS_FAULTS: dict[str, tuple[Callable[[Any], object], tuple[str, ...]]] = {
    "no scans": (lambda d: d.attrs.modify("signal", "counts"), ("signal 'counts'", "height or slope")),
    "profile": (lambda d: d.attrs.create("frame", "mirror"), ("holds a profile", "raw scans")),
    "no units": (lambda d: d["time"].attrs.pop("units"), ("'/scan_000/data/time' has no units", "unit of time")),
    "wrong units": (lambda d: put(d, "carriage", np.arange(5.0), "s"), ("data/carriage'", "no unit of length")),
    "wrong axes": (lambda d: d.attrs.create("axes", ["x", "y"]), ("axes 'x', 'y'", "expected 'x'")),
    "another length": (lambda d: put(d, "carriage", [1.0, 2.0], "mm"), ("data/carriage' has 2 points; expected 5",)),
    "x not finite": (lambda d: d["x"].__setitem__(2, np.nan), ("scan 'scan_000'", "x must be finite", "point 3")),
    "time not finite": (lambda d: d["time"].__setitem__(4, np.inf), ("'scan_000'", "time must be finite", "point 5")),
    "carriage not finite": (lambda d: d["carriage"].__setitem__(0, np.nan), ("carriage must be finite",)),
    "sigma zero": (lambda d: d["slope_errors"].__setitem__(1, 0), ("'scan_000'", "sigma must be positive", "point 2")),
    "sigma negative": (lambda d: d["slope_errors"].__setitem__(0, -1), ("sigma must be positive", "point 1")),
    "direction": (
        lambda d: put(d.parent, "direction", "up"),
        ("'/scan_000/direction' is 'up'", "forward or backward"),
    ),
    "direction no text": (lambda d: put(d.parent, "direction", 3), ("scan_000/direction' is no text", "forward or")),
    "orientation": (
        lambda d: put(d.parent, "orientation", "sideways"),
        ("'/scan_000/orientation' is 'sideways'", "normal, end_for_end or face_down"),
    ),
    "angle alone": (
        lambda d: put(d.parent, "angle", 1.0, "urad"),
        ("'/scan_000/angle_errors' is missing", "beside 'angle'"),
    ),
    "angle without units": (
        lambda d: (put(d.parent, "angle", 1.0), put(d.parent, "angle_errors", 1.0, "urad")),
        ("'/scan_000/angle' has no units", "unit of angle"),
    ),
    "angle error zero": (
        lambda d: (put(d.parent, "angle", 1.0, "urad"), put(d.parent, "angle_errors", 0.0, "urad")),
        ("angle_stderr must be positive",),
    ),
    "angle not finite": (
        lambda d: (put(d.parent, "angle", np.nan, "urad"), put(d.parent, "angle_errors", 1.0, "urad")),
        ("'/scan_000/angle' is nan", "finite"),
    ),
    "angles for points": (
        lambda d: (put(d.parent, "angle", np.ones(5), "urad"), put(d.parent, "angle_errors", 1.0, "urad")),
        ("'/scan_000/angle' has the shape (5,)", "one value"),
    ),
    "few points": (
        lambda d: [put(d, name, d[name][:4], d[name].attrs["units"]) for name in list(d)],
        ("'scan_000'", "has 4 points", "at least 5"),
    ),
}


@pytest.mark.parametrize("fault", NEXUS_FAULTS)
def test_faulty_scans_are_told_with_file_and_field(fault: str, tmp_path: Path) -> None:
    spoil, fragments = NEXUS_FAULTS[fault]
    path = tmp_path / "scans.h5"
    with h5py.File(path, "w") as file:
        spoil(nexus_scan(file))
    with pytest.raises(FileFormatError) as caught:
        read_scans(path)
    message = str(caught.value)
    assert message.startswith(str(path))
    assert "\n" not in message
    for fragment in fragments:
        assert fragment in message
    if fault != "profile":  # it is one, and inspected as such
        assert message in inspect_file(path).faults


def test_every_faulty_scan_is_found_at_once(tmp_path: Path) -> None:
    path = tmp_path / "scans.h5"
    with h5py.File(path, "w") as file:
        for number in range(3):
            nexus_scan(file, f"scan_{number}")
        del file["scan_0/data/time"].attrs["units"]
        file["scan_2/data/x"][0] = np.nan
        file["scan_2/direction"] = "up"
    content = inspect_file(path)
    assert (content.kind, content.to_dict()["facts"], len(content.faults)) == ("scans", {"scans": 3}, 2)
    assert "'/scan_0/data/time'" in content.faults[0]
    assert "'/scan_2/direction'" in content.faults[1]


def test_a_truncated_file_of_scans_is_told_at_every_length(tmp_path: Path) -> None:
    write_scans([whole_scan(name) for name in "abc"], tmp_path / "whole.h5")
    content = (tmp_path / "whole.h5").read_bytes()
    path = tmp_path / "cut.h5"
    for length in range(8, len(content), len(content) // 50):
        path.write_bytes(content[:length])
        with pytest.raises(FileFormatError, match=r"truncated|is a damaged HDF5 file: it cannot be opened"):
            read_scans(path)


def test_a_damaged_file_of_scans_raises_nothing_but_its_errors(tmp_path: Path) -> None:
    """A run of 8 bytes overwritten at some 100 places, one after another.

    The heaps of strings (4096 bytes from 'GCOL', HDF5 File Format Specification 3.0, III.E) are left out: HDF5 2.0
    itself never returns from some that are damaged, whoever calls it.
    """
    write_scans([whole_scan(name) for name in "ab"], tmp_path / "whole.h5")
    content = (tmp_path / "whole.h5").read_bytes()
    path = tmp_path / "damaged.h5"
    heaps = [place for place in range(len(content)) if content.startswith(b"GCOL", place)]
    starts = range(8, len(content), len(content) // 200)
    places = [start for start in starts if not any(heap - 8 < start < heap + 4096 for heap in heaps)]
    read = 0
    for start in places:
        path.write_bytes(content[:start] + b"\xa5" * 8 + content[start + 8 :])
        try:
            read += len(read_scans(path)) > 0
        except EllipsefitError as error:
            assert str(error).startswith(str(path))  # noqa: PT017 - many places hold no more than a number
    assert 0 < read < len(places)  # else the damage tested nothing


# what is wrong with scans that read well


def faults_of(tmp_path: Path, *scans: Scan) -> tuple[str, ...]:
    write_scans(scans, tmp_path / "scans.h5", force=True)
    return inspect_file(tmp_path / "scans.h5").faults


def test_inspection_finds_what_contradicts_itself(tmp_path: Path) -> None:
    good = whole_scan()
    assert faults_of(tmp_path, good) == ()
    time = np.array([0.0, 1, 2, 1.5, 3, 4, 5])
    (fault,) = faults_of(tmp_path, replace(good, time=time))
    assert "scan 'a': time runs backwards from 2 s to 1.5 s at point 4" in fault
    (fault,) = faults_of(tmp_path, replace(good, direction="backward"))
    assert "scan 'a': is declared backward, but its carriage runs forward" in fault
    (fault,) = faults_of(tmp_path, good, replace(good, name="again", time=None))
    assert "scan 'again': has the same values as scan 'a'; expected each scan once" in fault
    (fault,) = faults_of(tmp_path, replace(good, values=np.full(7, np.nan)))
    assert "scan 'a': no value is finite" in fault


def test_inspection_warns_of_units_that_differ_and_counts_what_is_declared(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "scans.h5", "w") as file:
        nexus_scan(file, "a")
        other = nexus_scan(file, "b")
        put(other, "slope", np.arange(5.0), "mrad")
        other.parent["orientation"] = "face_down"
        other.parent["direction"] = "forward"
        put(other.parent, "angle", -2.0, "urad")
        put(other.parent, "angle_errors", 1.0, "urad")
    content = inspect_file(tmp_path / "scans.h5")
    assert content.faults == ()
    assert content.warnings == ("slope is in urad in some scans and in mrad in others; each is taken at its word",)
    facts = content.to_dict()["facts"]
    assert facts["orientations"] == {"normal": 1, "face_down": 1}
    assert (facts["angle_readings"], facts["invalid_points"]) == (1, 2)
    assert_allclose(facts["temperature"], [293.15, 295.15], rtol=1e-15)
    assert facts["directions"] == {"forward": 2}
    for text in ("20.00 degC to 22.00 degC", "2 forward (1 declared, else by order)", "1 normal, 1 face down"):
        assert text in str(content)


# delimited text

TEXT = """# a remark
x [mm];slope [urad];carriage [cm];time [min];temperature [degC];sigma [nrad]
-2,5;1;10;0;20;50
-0,5;nan;12;0,5;20,5;50
1,5;3;14;1;21;50
3,5;inf;16;1,5;21,5;50
5,5;5;18;2;22;50
"""


def text_file(folder: Path, content: str = TEXT, name: str = "morning.csv") -> Path:
    path = folder / name
    path.write_text(content)
    return path


def test_a_text_is_one_scan_and_the_same_as_in_hdf5(tmp_path: Path) -> None:
    (scan,) = read_scans(text_file(tmp_path))
    with h5py.File(tmp_path / "scans.h5", "w") as file:
        nexus_scan(file)
    assert scan.name == "morning"
    assert_same(replace(scan, name="scan_000"), read_scans(tmp_path / "scans.h5")[0])
    content = inspect_file(tmp_path / "morning.csv")
    assert (content.kind, content.faults) == ("scans", ())
    assert content.to_dict()["facts"]["invalid_points"] == 2
    assert content.to_dict()["facts"]["decimal"] == "comma"


def test_a_text_without_carriage_is_a_scan_only_if_asked_for(tmp_path: Path) -> None:
    rows = "\n".join(f"{number},{number},{int(number == 2)}" for number in range(6))
    path = text_file(tmp_path, f"x [mm],height [um],mask\n{rows}\n")
    assert isinstance(read_measured(path), Profile)
    (scan,) = read_scans(path)
    assert np.isnan(scan.values).tolist() == [number == 2 for number in range(6)]  # masked: skipped and counted


@pytest.mark.parametrize(
    ("old", "new", "fragments"),
    [
        ("carriage [cm]", "carriage", ("line 2: column 'carriage' has no unit", "'carriage [mm]'")),
        ("time [min]", "time [mm]", ("line 2: column 'time'", "[mm]", "unit of time", "'time [s]'")),
        ("temperature [degC]", "temperature [s]", ("column 'temperature'", "unit of temperature", "degC")),
        ("0,5;20,5", "later;20,5", ("line 4: column 'time': expected a number", "'later'")),
        ("1,5;3;14", "nan;3;14", ("line 5: column 'x' is nan; expected a finite number",)),
        ("1,5;3;14", "1,5;3;inf", ("line 5: column 'carriage' is inf",)),
        ("2;22;50", "2;22;0", ("line 7: column 'sigma' is 0", "above 0")),
        ("5,5;5;18;2;22;50\n", "", ("scan 'morning'", "has 4 points", "at least 5")),
    ],
)
def test_a_faulty_text_scan_is_told_with_its_line(
    old: str, new: str, fragments: tuple[str, ...], tmp_path: Path
) -> None:
    assert old in TEXT
    path = text_file(tmp_path, TEXT.replace(old, new))
    with pytest.raises(FileFormatError) as caught:
        read_scans(path)
    assert str(caught.value).startswith(str(path))
    for fragment in fragments:
        assert fragment in str(caught.value)
    if "carriage" not in new:  # a text without any unit of its carriage is none the less inspected as a scan
        assert str(caught.value) in inspect_file(path).faults


# several files


def test_names_from_several_files_are_led_by_the_file_only_where_they_collide(tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    write_scans([whole_scan("a"), whole_scan("b")], tmp_path / "monday.h5")
    write_scans([whole_scan("a")], tmp_path / "tuesday.h5")
    write_scans([whole_scan("a")], tmp_path / "other" / "monday.h5")
    text = text_file(tmp_path)

    def names(*paths: Path) -> list[str]:
        return [scan.name for scan in read_scans(paths)]

    assert names(tmp_path / "monday.h5", text) == ["a", "b", "morning"]
    assert names(tmp_path / "tuesday.h5", tmp_path / "monday.h5", text) == [
        "tuesday:a",
        "monday:a",
        "monday:b",
        "morning",
    ]
    assert names(tmp_path / "monday.h5", tmp_path / "other" / "monday.h5") == ["monday:a", "monday:b", "monday (2):a"]
    with pytest.raises(ParameterError, match=r"monday\.h5: is given twice"):
        names(tmp_path / "monday.h5", tmp_path / "other" / ".." / "monday.h5")
    with pytest.raises(ParameterError, match="no file is given"):
        names()
    with pytest.raises(FileMissingError, match=r"none\.h5: no such file"):
        names(tmp_path / "monday.h5", tmp_path / "none.h5")


def test_two_scans_in_one_entry_are_told_apart(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "scans.h5", "w") as file:
        nexus_scan(file)
        file.copy("scan_000/data", "scan_000/more")
        nexus_scan(file, "scan_001")
    found = [scan.name for scan in read_scans(tmp_path / "scans.h5")]
    assert found == ["scan_000:data", "scan_000:more", "scan_001"]


# what a file holds


def test_a_file_holds_scans_or_a_profile(tmp_path: Path) -> None:
    scans = read_measured(DATA / "elder" / "scans.h5")
    assert isinstance(scans, tuple)
    assert len(scans) == 8
    with pytest.raises(FileFormatError, match="holds 8 scans; expected one profile: stitch them first"):
        read_profile(DATA / "elder" / "scans.h5")
    write_profile(stitched(), tmp_path / "profile.h5")
    assert isinstance(read_measured(tmp_path / "profile.h5"), Profile)
    assert isinstance(read_measured(DATA / "alder" / "profile.csv"), Profile)
    assert isinstance(read_measured(text_file(tmp_path)), tuple)
    bare = whole_scan(carriage=None, time=None)
    write_scans([bare], tmp_path / "bare.h5")
    assert isinstance(read_measured(tmp_path / "bare.h5"), Profile)  # nothing says that it is raw
    write_scans([whole_scan(carriage=None)], tmp_path / "one.h5")
    assert isinstance(read_measured(tmp_path / "one.h5"), tuple)
    assert read_profile(tmp_path / "one.h5").used.sum() == 4  # three of seven values are not finite


# stitched profiles


def stitched(quantity: str = "height", **options: Any) -> Profile:
    """Seven points, two unsure directions; numbers that no power of ten keeps."""
    count = 7
    mask = np.arange(count) >= 5
    return Profile(
        **{
            "name": "stitched",
            "quantity": quantity,
            "x": np.arange(count) / 7,
            "values": np.where(np.arange(count) == 6, np.nan, np.arange(count) ** 2 / 3e6),
            "sigma": np.linspace(1, 2, count) * 1e-7 / 3,
            "segment": np.repeat(["S01", "S02"], [3, 4]),
            "mask": mask,
            "mask_reason": np.array(["", "", "", "", "", "spike", "invalid"]),
            "covariance_factor": np.column_stack((np.full(count, 1e-7), np.arange(count) * 1e-7)) / 3,
            "frame": "mirror",
            **options,
        }
    )


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_a_stitched_profile_reads_back_with_its_covariance_and_reasons(quantity: str, tmp_path: Path) -> None:
    """To the last bit: for binary floating point sqrt(s * s) is s (S. Boldo, 'Stupid is as stupid does:
    taking the square root of the square of a floating-point number', NSV 2014; from memory)."""
    wanted = stitched(quantity)
    write_profile(wanted, tmp_path / "profile.h5")
    found = read_profile(tmp_path / "profile.h5")
    for key in ("x", "values", "sigma", "segment", "mask", "mask_reason", "covariance_factor"):
        assert_array_equal(getattr(found, key), getattr(wanted, key))
    assert (found.quantity, found.frame) == (quantity, "mirror")


def test_any_reader_finds_the_marginal_uncertainty_in_the_errors(tmp_path: Path) -> None:
    """Definition: the covariance is F F' + diag(sigma**2), its diagonal the square of the standard uncertainty."""
    profile = stitched()
    write_profile(profile, tmp_path / "profile.h5")
    assert profile.covariance_factor is not None
    assert profile.sigma is not None
    covariance = profile.covariance_factor @ profile.covariance_factor.T + np.diag(profile.sigma**2)
    with h5py.File(tmp_path / "profile.h5") as file:
        data = file["profile/data"]
        assert_allclose(data["height_errors"][()], np.sqrt(np.diag(covariance)), rtol=1e-14)  # a few roundings
        assert_array_equal(data["covariance_diagonal"][()], profile.sigma**2)
        assert data["covariance_factor"].shape == (7, 2)
        units = {name: data[name].attrs["units"] for name in ("height_errors", "covariance_factor")}
        assert units == {"height_errors": "m", "covariance_factor": "m"}
        assert data["covariance_diagonal"].attrs["units"] == "m^2"


@pytest.mark.parametrize("unit", ["nm^2", "nm2", "nm**2", "(nm)^2", "nm ^ 2"])
def test_variances_come_in_any_squared_unit(unit: str, tmp_path: Path) -> None:
    write_profile(stitched(), tmp_path / "profile.h5")
    with h5py.File(tmp_path / "profile.h5", "r+") as file:
        put(file["profile/data"], "covariance_diagonal", np.full(7, 9.0), unit)
    sigma = read_profile(tmp_path / "profile.h5").sigma
    assert sigma is not None
    assert_allclose(sigma, 3e-9, rtol=1e-15)


def test_a_profile_without_covariance_is_written_as_before(tmp_path: Path) -> None:
    profile = stitched(covariance_factor=None, mask_reason=None)
    write_profile(profile, tmp_path / "profile.h5")
    with h5py.File(tmp_path / "profile.h5") as file:
        data = file["profile/data"]
        assert set(data) == {"x", "height", "height_errors", "segment", "mask"}
        assert_array_equal(data["height_errors"][()], profile.sigma)


def test_a_point_masked_at_reading_says_why(tmp_path: Path) -> None:
    write_profile(stitched(), tmp_path / "profile.h5")
    with h5py.File(tmp_path / "profile.h5", "r+") as file:
        file["profile/data/height"][1] = np.nan
    reasons = read_profile(tmp_path / "profile.h5").mask_reason
    assert reasons is not None
    assert reasons.tolist() == ["", "not finite", "", "", "", "spike", "invalid"]


PROFILE_FAULTS: dict[str, tuple[Callable[[Any], object], tuple[str, ...]]] = {
    "factor without diagonal": (
        lambda d: d.pop("covariance_diagonal"),
        ("data/covariance_diagonal' is missing", "beside 'covariance_factor'"),
    ),
    "diagonal in m": (
        lambda d: d["covariance_diagonal"].attrs.modify("units", "m"),
        ("data/covariance_diagonal'", "no unit of length squared"),
    ),
    "diagonal in rad^2": (
        lambda d: d["covariance_diagonal"].attrs.modify("units", "rad^2"),
        ("data/covariance_diagonal'", "unit of length"),
    ),
    "negative variance": (
        lambda d: d["covariance_diagonal"].__setitem__(2, -1.0),
        ("data/covariance_diagonal' is -1 at point 3",),
    ),
    "no variance": (
        lambda d: d["covariance_diagonal"].__setitem__(2, 0.0),
        ("data/covariance_diagonal' is 0 at point 3", "above 0"),
    ),
    "factor of one dimension": (
        lambda d: put(d, "covariance_factor", np.ones(7), "m"),
        ("data/covariance_factor' has the shape (7,)", "two dimensions"),
    ),
    "factor of other points": (
        lambda d: put(d, "covariance_factor", np.ones((2, 7)), "m"),
        ("data/covariance_factor' has 2 points; expected 7",),
    ),
    "factor not finite": (
        lambda d: d["covariance_factor"].__setitem__((0, 0), np.nan),
        ("data/covariance_factor' holds NaN", "finite"),
    ),
    "reasons that are numbers": (
        lambda d: put(d, "mask_reason", np.ones(7)),
        ("data/mask_reason'", "expected strings"),
    ),
    "fewer reasons": (
        lambda d: put(d, "mask_reason", np.array([b"spike"])),
        ("data/mask_reason' has 1 points; expected 7",),
    ),
}


@pytest.mark.parametrize("fault", PROFILE_FAULTS)
def test_a_faulty_stitched_profile_is_told_with_its_field(fault: str, tmp_path: Path) -> None:
    spoil, fragments = PROFILE_FAULTS[fault]
    path = tmp_path / "profile.h5"
    write_profile(stitched(), path)
    with h5py.File(path, "r+") as file:
        spoil(file["profile/data"])
    with pytest.raises(FileFormatError) as caught:
        read_profile(path)
    assert str(caught.value).startswith(str(path))
    for fragment in (*fragments, "expected"):
        assert fragment in str(caught.value)
    assert str(caught.value) in inspect_file(path).faults


def test_an_angle_that_is_not_finite_is_refused() -> None:
    with pytest.raises(ParameterError, match="scan 'a': angle must be finite"):
        whole_scan(angle=np.inf)


def test_of_very_many_scans_some_are_looked_at(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "scans.h5"
    write_scans([whole_scan(f"s{number:04d}", values=whole_scan().values + number) for number in range(400)], path)
    whole = inspect_file(path).to_dict()["facts"]
    assert (whole["scans"], "looked_at" in whole) == (400, False)
    monkeypatch.setattr("ellipsefit.files.inspect.measured.LARGE", 1000)
    content = inspect_file(path)
    facts = content.to_dict()["facts"]
    assert (content.kind, content.faults, content.content) == ("scans", (), None)
    assert (facts["scans"], facts["looked_at"]) == (400, "32 of 400 entries, evenly from the first to the last")
    assert "the rest is checked when the file is read" in content.warnings[-1]
    with h5py.File(path, "r+") as file:
        del file["s0399/data/x"]
        file["s0399/data/x"] = h5py.ExternalLink("other.h5", "/x")
    assert "link to another file" in inspect_file(path).faults[0]


def test_of_one_long_scan_the_beginning_is_looked_at(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, along = tmp_path / "scan.h5", np.arange(50_000.0)
    write_scans([Scan(name="a", quantity="height", x=along, values=along, carriage=along, sigma=along + 1)], path)
    monkeypatch.setattr("ellipsefit.files.inspect.measured.LARGE", 1000)
    monkeypatch.setattr("ellipsefit.files.inspect.measured.LOOKED", 2000)
    content = inspect_file(path)
    assert content.faults == ()
    assert content.to_dict()["facts"]["looked_at"] == "one scan, 2000 points of each"
