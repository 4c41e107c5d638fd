"""Profiles from files: whatever the spelling, the numbers are the same; every fault names file and place."""

from __future__ import annotations

import errno
import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from ellipsefit.errors import EllipsefitError, FileExistsAlreadyError, FileFormatError, FileMissingError
from ellipsefit.files import inspect_file, inspect_together, read_profile, write_mirror, write_profile
from ellipsefit.files.mirror import read_mirror
from ellipsefit.files.nexus import read_nexus_profile
from ellipsefit.files.safe import new_file
from ellipsefit.files.text import read_text_profile
from ellipsefit.profile import Profile, place_profile

DATA = Path(__file__).parent / "data"

HEADER = "x [mm],height [um],segment,sigma [um],mask"
ROWS = ("-2.5,1000.25,S01,0.06,0", "-0.5,-3.125,S01,0.07,1", "1.5,0.5,S_2,0.08,0")
PLAIN = "\n".join(("# a remark", HEADER, *ROWS)) + "\n"
ARRAYS = ("x", "values", "sigma", "segment", "y", "mask")


def text_file(folder: Path, content: str | bytes, name: str = "profile.csv") -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def assert_same(found: Profile, wanted: Profile) -> None:
    assert (found.quantity, found.frame) == (wanted.quantity, wanted.frame)
    for key in ARRAYS:
        one, other = getattr(found, key), getattr(wanted, key)
        assert (one is None) == (other is None), key
        if one is not None:
            assert_array_equal(one, other)


def fails(path: Path, *fragments: str) -> str:
    """Read a faulty profile; its message must be one sentence that names the file and holds the fragments."""
    with pytest.raises(FileFormatError) as caught:
        read_profile(path)
    message = str(caught.value)
    assert message.startswith(str(path))
    for fragment in fragments:
        assert fragment in message
    assert "\n" not in message
    assert message in inspect_file(path).faults
    return message


# delimited text: good


def test_numbers_come_out_in_si_to_the_last_digit(tmp_path: Path) -> None:
    """The literals on the right are the decimal values in m."""
    profile = read_text_profile(text_file(tmp_path, PLAIN))
    assert profile.name == "profile.csv"
    assert profile.quantity == "height"
    assert profile.x.tolist() == [-0.0025, -0.0005, 0.0015]
    assert profile.values.tolist() == [0.00100025, -0.000003125, 0.0000005]
    assert profile.sigma is not None
    assert profile.sigma.tolist() == [6e-8, 7e-8, 8e-8]
    assert profile.segment is not None
    assert profile.segment.tolist() == ["S01", "S01", "S_2"]
    assert profile.mask is not None
    assert profile.mask.tolist() == [False, True, False]
    assert profile.y is None


VARIANTS: dict[str, str | bytes] = {
    "semicolons": PLAIN.replace(",", ";"),
    "tabs": PLAIN.replace(",", "\t"),
    "blanks": PLAIN.replace(",", "   "),
    "blanks around commas": PLAIN.replace(",", " , "),
    "decimal comma and semicolons": PLAIN.replace(",", ";").replace(".", ","),
    "decimal comma and tabs": PLAIN.replace(",", "\t").replace(".", ","),
    "decimal comma and blanks": PLAIN.replace(",", "  ").replace(".", ","),
    "byte order mark": b"\xef\xbb\xbf" + PLAIN.encode(),
    "windows line ends": PLAIN.replace("\n", "\r\n"),
    "old line ends": PLAIN.replace("\n", "\r"),
    "no line end at the end": PLAIN.rstrip("\n"),
    "blank lines and remarks between": PLAIN.replace("\n", "\n\n  # more\n"),
    "micro sign": PLAIN.replace("[um]", "[µm]"),
    "Greek mu": PLAIN.replace("[um]", "[μm]"),
    "micrometre": PLAIN.replace("[um]", "[micrometre]"),
    "micrometer": PLAIN.replace("[um]", "[micrometer]"),
    "no blank before the unit": PLAIN.replace(" [", "["),
    "capitals in the header": PLAIN.replace("x [", "X [").replace("height", "Height"),
    "quoted": "\n".join(('"x [mm]","height [um]","segment","sigma [um]","mask"', *ROWS)).replace("S01", '"S01"'),
    "other units": PLAIN.replace("x [mm]", "x [m]")
    .replace("-2.5,", "-0.0025,")
    .replace("-0.5,", "-0.0005,")
    .replace("1.5,", "0.0015,"),
    "exponents": PLAIN.replace("1000.25", "1.00025e3").replace("0.06", "6E-2"),
    "columns that are not used": "\n".join(
        (f"{HEADER},time [s],remark", *(f"{row},{number},words [here]" for number, row in enumerate(ROWS)))
    ),
    "columns in another order": "\n".join(
        ",".join(line.split(",")[place] for place in (4, 1, 3, 2, 0)) for line in (HEADER, *ROWS)
    ),
    "other mask numbers": PLAIN.replace("0.07,1", "0.07,2.0"),
}


@pytest.mark.parametrize("variant", VARIANTS)
def test_the_spelling_of_a_text_file_does_not_matter(variant: str, tmp_path: Path) -> None:
    wanted = read_text_profile(text_file(tmp_path, PLAIN))
    assert_same(read_profile(text_file(tmp_path, VARIANTS[variant])), wanted)


def test_slopes_y_and_ratios_of_lengths(tmp_path: Path) -> None:
    profile = read_profile(text_file(tmp_path, "x [mm]\tslope [um/m]\ty [mm]\tsigma [nrad]\n1\t-2.5\t3\t50\n"))
    assert profile.quantity == "slope"
    assert profile.values.tolist() == [-2.5e-6]
    assert profile.sigma is not None
    assert profile.sigma.tolist() == [50e-9]
    assert profile.y is not None
    assert profile.y.tolist() == [3e-3]


@pytest.mark.parametrize("bad", ["nan", "inf", "-inf", "NaN", "1e999"])
def test_with_a_mask_column_what_is_not_finite_is_masked(bad: str, tmp_path: Path) -> None:
    profile = read_profile(text_file(tmp_path, PLAIN.replace("1000.25", bad)))
    assert profile.mask is not None
    assert profile.mask.tolist() == [True, True, False]


def test_a_masked_point_may_have_any_sigma(tmp_path: Path) -> None:
    assert read_profile(text_file(tmp_path, PLAIN.replace("0.07,1", "0,1"))).used.sum() == 2


@pytest.mark.parametrize("name", ["alder", "cedar", "dogwood"])
def test_the_rehearsal_profiles_lie_on_their_mirrors(name: str) -> None:
    """Counts by a reader of our own: one line a point, the name of the segment in it."""
    folder = DATA / name
    lines = (folder / "profile.csv").read_text().splitlines()[1:]
    placed = place_profile(read_profile(folder / "profile.csv"), read_mirror(folder / "mirror.toml"))
    wanted = [sum(f",{segment.name}," in line for line in lines) for segment in placed.mirror.segments]
    assert np.diff(placed.bounds).tolist() == wanted
    assert placed.warnings == ()


# delimited text: faults

TEXT_FAULTS: dict[str, tuple[str | bytes, tuple[str, ...]]] = {
    "empty": ("", ("is empty", "expected a profile")),
    "only blanks": (" \n\n", ("is empty",)),
    "only a byte order mark": (b"\xef\xbb\xbf", ("is empty",)),
    "only remarks": ("# a\n# b\n", ("only comments", "expected a header")),
    "binary": (bytes(range(256)), ("is binary", "text or HDF5")),
    "no profile": (
        "Dear all,\nthe mirror is fine.\n",
        ("line 1: no header row", "'Dear all,'", "'x [mm],height [um]'"),
    ),
    "no header": ("\n".join(ROWS), ("line 1: no header row", "x [mm],height [um]")),
    "header only": (f"{HEADER}\n", ("line 1: no numbers follow",)),
    "no x": (PLAIN.replace("x [mm]", "z [mm]"), ("line 2: no column 'x'", "x [mm],height [um]")),
    "no quantity": (PLAIN.replace("height [um]", "depth [um]"), ("line 2", "'height' or 'slope'", "got neither")),
    "two quantities": (PLAIN.replace("mask", "slope [urad]"), ("line 2", "'height' or 'slope'", "got both")),
    "no unit of x": (PLAIN.replace("x [mm]", "x"), ("line 2: column 'x' has no unit", "'x [mm]'")),
    "no unit of height": (PLAIN.replace("height [um]", "height"), ("line 2: column 'height' has no unit", "[um]")),
    "empty unit": (PLAIN.replace("height [um]", "height []"), ("line 2: column 'height' has no unit",)),
    "no unit of sigma": (PLAIN.replace("sigma [um]", "sigma"), ("line 2: column 'sigma' has no unit", "[um]")),
    "wrong dimension": (PLAIN.replace("height [um]", "height [urad]"), ("line 2: column 'height'", "unit of length")),
    "wrong dimension of x": (PLAIN.replace("x [mm]", "x [s]"), ("line 2: column 'x'", "[s]", "unit of length")),
    "height in slope": (PLAIN.replace("height [um]", "slope [um]"), ("line 2: column 'slope'", "unit of angle")),
    "sigma of another kind": (PLAIN.replace("sigma [um]", "sigma [urad]"), ("line 2: column 'sigma'", "of length")),
    "unknown unit": (PLAIN.replace("x [mm]", "x [ells]"), ("line 2: column 'x' has the unit [ells]", "'x [mm]'")),
    "segment with a unit": (PLAIN.replace("segment", "segment [m]"), ("column 'segment'", "expected none")),
    "column twice": (PLAIN.replace("mask", "x [mm]"), ("line 2: column 'x' stands 2 times", "expected it once")),
    "too few cells": (PLAIN.replace("S01,0.07,1", "S01,0.07"), ("line 4: expected 5 columns", "got 4")),
    "too many cells": (PLAIN.replace("0.07,1", "0.07,1,1"), ("line 4: expected 5 columns", "got 6")),
    "decimal commas among commas": (PLAIN.replace(".", ","), ("line 3: expected 5 columns", "got 8", "semicolons")),
    "cut short": (PLAIN[:-8], ("line 5: expected 5 columns", "got 3")),
    "no number": (PLAIN.replace("-3.125", "three"), ("line 4: column 'height': expected a number", "'three'")),
    "empty cell": (PLAIN.replace("-3.125", ""), ("line 4: column 'height': expected a number", "an empty cell")),
    "underscore": (PLAIN.replace("1000.25", "1_000.25"), ("line 3: column 'height': expected a number",)),
    "thousands": (PLAIN.replace(",", ";").replace("1000.25", "1,000.25"), ("column 'height'", "points and commas")),
    "point and comma": (PLAIN.replace(",", ";").replace("-3.125", "-3,125"), ("line 4: column 'height'", "commas")),
    "sigma zero": (PLAIN.replace("0.08", "0"), ("line 5: column 'sigma' is 0", "above 0")),
    "sigma negative": (PLAIN.replace("0.06", "-0.06"), ("line 3: column 'sigma' is -0.06", "above 0")),
    "mask no number": (PLAIN.replace("0.06,0", "0.06,no"), ("line 3: column 'mask': expected a number", "'no'")),
    "mask nan": (PLAIN.replace("0.06,0", "0.06,nan"), ("line 3: column 'mask'", "0 (in use) or 1 (left out)")),
    "no segment name": (PLAIN.replace("S_2", " "), ("line 5: column 'segment'", "expected a name")),
    "nan without a mask": (
        "x [mm],height [um]\n1,2\n2,nan\n3,inf\n",
        ("line 3: column 'height' is nan", "column 'mask'", "2 rows"),
    ),
    "overflow": ("x [km],height [um]\n1e308,2\n2,3\n", ("line 2: column 'x' is inf",)),
    "inf in x": ("x [mm],height [um]\ninf,2\n2,3\n", ("line 2: column 'x' is inf", "column 'mask'")),
    "nan in sigma": ("x [mm],height [um],sigma [um]\n1,2,nan\n", ("line 2: column 'sigma' is nan",)),
    "open quote": ('x [mm],height [um],segment\n1,2,"S01\n2,3,S01\n', ("expected",)),
}


@pytest.mark.parametrize("fault", TEXT_FAULTS)
def test_a_faulty_text_is_told_with_file_line_and_what_was_expected(fault: str, tmp_path: Path) -> None:
    content, fragments = TEXT_FAULTS[fault]
    message = fails(text_file(tmp_path, content), *fragments)
    assert "expected" in message or fault == "header only"


def test_every_fault_of_a_text_is_found_at_once(tmp_path: Path) -> None:
    text = (
        PLAIN.replace("x [mm]", "x")
        .replace("1000.25", "much")
        .replace("0.08", "-1")
        .replace("height [um]", "height [s]")
    )
    faults = inspect_file(text_file(tmp_path, text)).faults
    for fragment in ("column 'x' has no unit", "unit [s]", "got 'much'"):
        assert sum(fragment in fault for fault in faults) == 1


def test_a_mirror_file_in_place_of_a_profile_is_recognised() -> None:
    with pytest.raises(FileFormatError, match=r"mirror\.toml, line 1: no header row.*looks like a mirror file"):
        read_profile(DATA / "alder" / "mirror.toml")


def test_a_missing_file_and_a_folder_are_told(tmp_path: Path) -> None:
    with pytest.raises(FileMissingError, match=r"none\.csv: no such file"):
        read_profile(tmp_path / "none.csv")
    with pytest.raises(FileMissingError, match="is a folder; expected a file"):
        read_profile(tmp_path)
    assert inspect_file(tmp_path / "none.csv").faults == (f"{tmp_path / 'none.csv'}: no such file",)


MUTATIONS = st.tuples(
    st.integers(0, len(PLAIN)), st.integers(0, 12), st.text(alphabet="x[]\"',;\t .-e0123_#\r\nµnaif", max_size=6)
).map(lambda cut: (PLAIN[: cut[0]] + cut[2] + PLAIN[cut[0] + cut[1] :]).encode())


@settings(max_examples=600, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=200),
        st.text(max_size=200).map(str.encode),
        st.text(max_size=100).map(lambda text: f"{HEADER}\n{text}".encode()),
        MUTATIONS,
    )
)
def test_no_content_makes_the_reader_raise_anything_but_its_errors(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    path = text_file(tmp_path_factory.getbasetemp(), content)
    try:
        profile = read_text_profile(path)
    except EllipsefitError as error:
        assert str(error).startswith(str(path))  # noqa: PT017 - a valid file is fine, too
        assert "\n" not in str(error)  # noqa: PT017 - a valid file is fine, too
    else:
        assert len(profile.x)
    inspect_file(path)


# NeXus HDF5


def whole_profile(quantity: str = "height", **options: Any) -> Profile:
    count = 6
    return Profile(
        **{
            "name": "written",
            "quantity": quantity,
            "x": np.arange(count) / 7,
            "values": np.arange(count) ** 2 / 3e6,
            "sigma": np.full(count, 1e-7) / 3,
            "segment": np.repeat(["S01", "Säule 2"], 3),
            "y": np.zeros(count),
            "mask": np.arange(count) == 4,
            "frame": "mirror",
            **options,
        }
    )


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_a_written_profile_reads_back_the_same(quantity: str, tmp_path: Path) -> None:
    bare = whole_profile(quantity, sigma=None, segment=None, y=None, mask=None, frame="scan")
    for number, profile in enumerate((whole_profile(quantity), bare)):
        write_profile(profile, tmp_path / f"{number}.h5")
        assert_same(read_profile(tmp_path / f"{number}.h5"), profile)


def test_a_written_profile_follows_the_nexus_standard(tmp_path: Path) -> None:
    """NeXus manual, 'Rules for storing data items in NeXus files': default chain, signal, axes,
    AXISNAME_indices, units on every number, FIELDNAME_errors; NXprocess: program, version, date."""
    write_profile(whole_profile(), tmp_path / "profile.h5")
    with h5py.File(tmp_path / "profile.h5") as file:
        entry = file[file.attrs["default"]]
        data = entry[entry.attrs["default"]]
        assert [item.attrs["NX_class"] for item in (file, entry, data)] == ["NXroot", "NXentry", "NXdata"]
        assert (data.attrs["signal"], data.attrs["axes"], data.attrs["x_indices"]) == ("height", "x", 0)
        assert data["height"].shape == data["x"].shape == data["height_errors"].shape == (6,)
        units = {name: field.attrs.get("units") for name, field in data.items()}
        assert units == {"x": "m", "y": "m", "height": "m", "height_errors": "m", "segment": None, "mask": None}
        process = next(group for group in entry.values() if group.attrs.get("NX_class") == "NXprocess")
        assert process["program"].asstr()[()] == "ellipsefit"
        assert {"version", "date"} <= set(process)


def test_units_of_a_file_are_brought_to_si_and_nan_is_masked(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "scan.h5", "w") as file:
        data = nexus_data(file, units=("mm", "µm"))
        data["height"][1] = np.nan
        data["height_errors"][2] = np.inf
    profile = read_profile(tmp_path / "scan.h5")
    assert profile.x.tolist() == [0.001, 0.002, 0.003, 0.004]
    assert profile.values[0] == 0.000005
    assert profile.frame == "scan"
    assert profile.mask is not None
    assert profile.mask.tolist() == [False, True, True, False]


def nexus_data(file: h5py.File, name: str = "entry", units: tuple[str, str] = ("m", "m")) -> Any:
    """A small scan by h5py alone."""
    entry = file.create_group(name)
    entry.attrs["NX_class"] = "NXentry"
    data = entry.create_group("data")
    data.attrs.update({"NX_class": "NXdata", "signal": "height", "axes": ["x"]})
    for field, values, unit in (
        ("x", [1.0, 2.0, 3.0, 4.0], units[0]),
        ("height", [5.0, 6.0, 7.0, 8.0], units[1]),
        ("height_errors", [0.1, 0.1, 0.1, 0.1], units[1]),
    ):
        data[field] = values
        data[field].attrs["units"] = unit
    data["segment"] = np.array([b"S01", b"S01", b"S01", b"S02"])
    return data


def changed(data: Any, name: str, values: Any, units: str | None = "m") -> None:
    if name in data:
        del data[name]
    data[name] = values
    if units is not None:
        data[name].attrs["units"] = units


def emptied(data: Any) -> None:
    del data["segment"]
    for name in ("x", "height", "height_errors"):
        changed(data, name, np.empty(0))


NEXUS_FAULTS: dict[str, tuple[Callable[[Any], object], tuple[str, ...]]] = {
    "no NXentry": (
        lambda d: d.parent.attrs.pop("NX_class"),
        ("has no NXentry, only 'entry'", "NeXus"),
    ),
    "no NXdata": (lambda d: d.attrs.pop("NX_class"), ("has no NXdata", "height or slope")),
    "no signal": (lambda d: d.attrs.pop("signal"), ("no signal", "height or slope")),
    "another signal": (lambda d: d.attrs.modify("signal", "counts"), ("signal 'counts'", "height or slope")),
    "signal without field": (lambda d: d.attrs.modify("signal", "slope"), ("field '/entry/data/slope' is missing",)),
    "no axes": (lambda d: d.attrs.pop("axes"), ("axes none", "expected 'x'")),
    "another axis": (lambda d: d.attrs.modify("axes", "carriage"), ("axes 'carriage'", "expected 'x'")),
    "no x": (lambda d: d.pop("x"), ("field '/entry/data/x' is missing",)),
    "no units": (lambda d: d["x"].attrs.pop("units"), ("'/entry/data/x' has no units", "unit of length")),
    "unknown units": (lambda d: d["x"].attrs.modify("units", "ells"), ("data/x'", "unknown unit 'ells'", "length")),
    "wrong units": (lambda d: d["height"].attrs.modify("units", "s"), ("data/height'", "no unit of length")),
    "wrong units of sigma": (
        lambda d: d["height_errors"].attrs.modify("units", "rad"),
        ("data/height_errors'", "no unit of length"),
    ),
    "numeric units": (lambda d: d["x"].attrs.create("units", 3), ("data/x' has no units",)),
    "fewer x": (lambda d: changed(d, "x", [1.0, 2.0]), ("data/x' has 2 points; expected 4",)),
    "fewer sigma": (lambda d: changed(d, "height_errors", [1.0]), ("data/height_errors' has 1 points; expected 4",)),
    "fewer segments": (lambda d: changed(d, "segment", [b"S"], None), ("data/segment' has 1 points; expected 4",)),
    "fewer mask": (lambda d: changed(d, "mask", [1], None), ("data/mask' has 1 points; expected 4",)),
    "two dimensions": (lambda d: changed(d, "height", np.ones((4, 2))), ("shape (4, 2)", "one dimension")),
    "scalar": (lambda d: changed(d, "height", 3.0), ("shape ()", "one dimension")),
    "strings for numbers": (lambda d: changed(d, "x", [b"1"] * 4), ("data/x' holds texts; expected numbers",)),
    "numbers for strings": (lambda d: changed(d, "segment", [1, 1, 1, 2]), ("data/segment'", "expected strings")),
    "strings for mask": (lambda d: changed(d, "mask", [b"no"] * 4), ("data/mask'", "expected numbers")),
    "empty": (
        emptied,
        ("data/height' is empty",),
    ),
    "sigma zero": (lambda d: changed(d, "height_errors", [1.0, 1.0, 0.0, 1.0]), ("is 0 at point 3", "above 0")),
    "sigma negative": (lambda d: changed(d, "height_errors", [-1.0] * 4), ("is -1 at point 1", "above 0")),
    "unknown frame": (lambda d: d.attrs.create("frame", "hall"), ("'frame'", "'hall'", "scan or mirror")),
    "link to another file": (
        lambda d: d.pop("x") and d.__setitem__("x", h5py.ExternalLink("other.h5", "/x")),
        ("'entry/data/x' is a link to another file ('other.h5')", "in this file"),
    ),
    "soft link to nothing": (
        lambda d: d.pop("x") and d.__setitem__("x", h5py.SoftLink("/nowhere")),
        ("data/x' is missing",),
    ),
    "group for a field": (lambda d: d.pop("x") and d.create_group("x"), ("data/x' is missing",)),
}


@pytest.mark.parametrize("fault", NEXUS_FAULTS)
def test_a_faulty_hdf5_is_told_with_file_field_and_what_was_expected(fault: str, tmp_path: Path) -> None:
    spoil, fragments = NEXUS_FAULTS[fault]
    with h5py.File(tmp_path / "scan.h5", "w") as file:
        spoil(nexus_data(file))
    assert "expected" in fails(tmp_path / "scan.h5", *fragments)


def test_data_kept_in_another_file_are_refused(tmp_path: Path) -> None:
    layout = h5py.VirtualLayout(shape=(4,), dtype=float)
    layout[:] = h5py.VirtualSource("other.h5", "x", shape=(4,))
    with h5py.File(tmp_path / "virtual.h5", "w") as file:
        data = nexus_data(file)
        del data["x"]
        data.create_virtual_dataset("x", layout)
    fails(tmp_path / "virtual.h5", "data/x' is kept in another file")
    with h5py.File(tmp_path / "raw.h5", "w") as file:
        data = nexus_data(file)
        del data["x"]
        data.create_dataset("x", shape=(4,), dtype=float, external=[("other.bin", 0, 32)])
    fails(tmp_path / "raw.h5", "data/x' is kept in another file")


def test_a_soft_link_within_the_file_is_followed(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "scan.h5", "w") as file:
        data = nexus_data(file)
        file.move("/entry/data/x", "/positions")
        data["x"] = h5py.SoftLink("/positions")
    assert read_profile(tmp_path / "scan.h5").x.tolist() == [1.0, 2.0, 3.0, 4.0]


def test_the_default_profile_is_taken_among_several(tmp_path: Path) -> None:
    """Of scans the default is for viewing only; a profile says in which frame it is and is meant."""
    with h5py.File(tmp_path / "many.h5", "w") as file:
        nexus_data(file, "a")
        meant = nexus_data(file, "b")
        meant["height"][0] = 99.0
        file.attrs["default"] = "b"
        meant.parent.attrs["default"] = "data"
    with pytest.raises(FileFormatError, match="holds 2 scans; expected one profile: stitch them first"):
        read_profile(tmp_path / "many.h5")
    with h5py.File(tmp_path / "many.h5", "r+") as file:
        file["b/data"].attrs["frame"] = "mirror"
    profile = read_profile(tmp_path / "many.h5")
    assert (profile.values[0], profile.frame) == (99.0, "mirror")


def test_a_truncated_hdf5_is_told_at_every_length(tmp_path: Path) -> None:
    write_profile(whole_profile(), tmp_path / "whole.h5")
    content = (tmp_path / "whole.h5").read_bytes()
    for length in range(8, len(content), len(content) // 50):
        path = text_file(tmp_path, content[:length], "cut.h5")
        with pytest.raises(FileFormatError, match=re.escape(str(path))) as caught:
            read_profile(path)
        assert re.search("truncated|is no HDF5|is a damaged HDF5 file: it cannot be opened", str(caught.value))
    assert "is a truncated HDF5 file; expected it whole" in str(caught.value)
    with pytest.raises(FileFormatError, match="is no HDF5 file; expected one by the NeXus standard"):
        read_nexus_profile(text_file(tmp_path, PLAIN))


# writing


def test_nothing_is_overwritten_unasked(tmp_path: Path) -> None:
    path = text_file(tmp_path, "mine", "profile.h5")
    with pytest.raises(FileExistsAlreadyError, match=r"profile\.h5: exists already; --force allows it"):
        write_profile(whole_profile(), path)
    assert path.read_text() == "mine"
    write_profile(whole_profile(), path, force=True)
    assert read_profile(path).name == "profile.h5"
    assert [entry.name for entry in tmp_path.iterdir()] == ["profile.h5"]


def write_and(then: Callable[[], object], path: Path, *, force: bool = False) -> None:
    with new_file(path, force=force) as temporary:
        temporary.write_text("half")
        then()


def no_space() -> None:
    raise OSError(errno.ENOSPC, "No space left on device")


def test_a_failure_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    path = text_file(tmp_path, "mine", "note.txt")
    with pytest.raises(ZeroDivisionError):
        write_and(lambda: 1 / 0, path, force=True)
    with pytest.raises(FileMissingError, match=r"note\.txt: cannot be written: no space left"):
        write_and(no_space, path, force=True)
    assert path.read_text() == "mine"
    assert [entry.name for entry in tmp_path.iterdir()] == ["note.txt"]


def test_a_file_that_comes_meanwhile_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    with pytest.raises(FileExistsAlreadyError):
        write_and(lambda: path.write_text("first"), path)
    assert path.read_text() == "first"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("place", ["none/profile.h5", "."])
def test_a_place_that_cannot_be_written_is_told(place: str, tmp_path: Path) -> None:
    with pytest.raises(FileMissingError, match="folder"):
        write_profile(whole_profile(), tmp_path / place)
    assert not list(tmp_path.iterdir())


# inspection


def test_inspection_tells_what_a_profile_holds() -> None:
    """Numbers counted in the file: 351 rows, x from -175 mm to 175 mm by 1 mm, sigma 0.06 urad."""
    content = inspect_file(DATA / "cedar" / "profile.csv")
    facts = content.to_dict()["facts"]
    assert (content.kind, content.faults) == ("profile", ())
    assert (facts["quantity"], facts["points"], facts["masked_points"]) == ("slope", 351, 0)
    assert facts["span"] == [-0.175, 0.175]
    assert abs(facts["median_step"] - 1e-3) < 1e-15
    assert facts["units"] == {"x": "mm", "slope": "urad", "sigma": "urad"}
    assert (facts["segments"], facts["sigma"], facts["delimiter"]) == (["S01"], [6e-8, 6e-8], "comma")
    json.dumps(content.to_dict(), allow_nan=False)
    assert "NOTHING WRONG" in str(content)
    assert "60.0 nrad" in str(content)


def test_inspection_tells_what_a_mirror_holds(tmp_path: Path) -> None:
    content = inspect_file(DATA / "alder" / "mirror.toml")
    facts = content.to_dict()["facts"]
    assert (content.kind, content.faults, facts["name"]) == ("mirror", (), "Alder")
    assert (facts["source_distance_p"], facts["image_distance_q"], facts["grazing_angle"]) == (11.0, 7.0, 0.018)
    assert (facts["segments"], facts["adjusters"], facts["span"]) == (12, 24, [-2.998, 2.998])
    # without its suffix a mirror file is known by its content
    write_mirror(read_mirror(DATA / "alder" / "mirror.toml"), tmp_path / "alder.txt")
    assert inspect_file(tmp_path / "alder.txt").kind == "mirror"


def test_inspection_of_hdf5_and_of_nonsense(tmp_path: Path) -> None:
    write_profile(whole_profile(), tmp_path / "profile.h5")
    content = inspect_file(tmp_path / "profile.h5")
    assert (content.kind, content.faults) == ("profile", ())
    assert content.to_dict()["facts"]["masked_points"] == 1
    nonsense = inspect_file(text_file(tmp_path, bytes(range(256)), "nonsense"))
    assert (nonsense.kind, len(nonsense.faults)) == ("unknown", 1)
    assert "1 FAULT" in str(nonsense)
    assert "is binary" in str(nonsense)


def test_together_each_profile_is_laid_on_the_mirror() -> None:
    files = [DATA / "alder" / "mirror.toml", DATA / "alder" / "profile.csv", DATA / "dogwood" / "profile.csv"]
    mirror, own, other = inspect_together(inspect_file(file) for file in files)
    assert (mirror.faults, own.faults, own.warnings) == ((), (), ())
    assert len(other.faults) == 1
    assert "lie in no segment of mirror 'Alder'" in other.faults[0]
    alone = inspect_together([inspect_file(file) for file in files[1:]])
    assert all(content.faults == () for content in alone)


def test_importing_the_room_loads_no_library_until_it_is_used() -> None:
    code = (
        "import sys, ellipsefit.files; before = set(sys.modules); "
        "print(*[name for name in ('h5py', 'pydantic', 'pint', 'matplotlib') if name in before]); "
        "ellipsefit.files.read_profile; print('h5py' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines() == ["", "False"]


def test_reading_from_a_name_or_a_path_is_the_same(tmp_path: Path) -> None:
    path = text_file(tmp_path, PLAIN)
    assert_same(read_profile(str(path)), read_profile(path))
