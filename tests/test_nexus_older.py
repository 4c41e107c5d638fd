"""HDF5 of the older NeXus style, in which fields say what they are: signal=1, axes or axis=1, primary=1.

The rules are from memory: NeXus manual, 'Associating plottable data using attributes applied to the data field' and
'... by dimension number using the axis attribute'. What nexusformat and silx make of the same files is the check.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import h5py
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from ellipsefit.errors import FileFormatError
from ellipsefit.files import inspect_file, open_measured, read_measured, read_profile, read_scans
from ellipsefit.files.nexus import NexusProfile
from ellipsefit.profile import Profile

X: Final = np.linspace(-200.0, 200.0, 41)  # mm
HEIGHT: Final = 1e-3 * X**2 + 0.1 * np.sin(X)  # um


def older_data(file: h5py.File, entry: str = "entry") -> Any:
    """NXdata whose height and x are not marked yet, with another field beside them."""
    parent = file.create_group(entry)
    parent.attrs["NX_class"] = "NXentry"
    data = parent.create_group("data")
    data.attrs["NX_class"] = "NXdata"
    for name, values, unit in (("x", X, "mm"), ("height", HEIGHT, "um"), ("counts", np.ones(41), "1")):
        data[name] = values
        data[name].attrs["units"] = unit
    return data


def mark(data: Any, **marks: Any) -> None:
    """Attributes of fields: `height_signal` is attribute `signal` of `height`, `_axes` the group's `axes`."""
    for key, value in marks.items():
        field, _, name = key.rpartition("_")
        (data[field] if field else data).attrs[name] = value


STYLES: Final[dict[str, tuple[dict[str, Any], str]]] = {
    "axes": ({"height_signal": 1, "height_axes": "x"}, "axes of 'height'"),
    "axes in brackets": ({"height_signal": 1, "height_axes": "[x]"}, "axes of 'height'"),
    "texts": ({"height_signal": "1", "x_axis": "1"}, "axis=1"),
    "texts of fixed length": ({"height_signal": np.bytes_("1"), "x_axis": np.bytes_("1")}, "axis=1"),
    "axis": ({"height_signal": np.int32(1), "x_axis": np.uint8(1)}, "axis=1"),
    "primary": ({"height_signal": 1, "x_axis": 1, "x_primary": 1, "counts_axis": 1}, "axis=1"),
    "primary of two": (
        {"height_signal": 1, "x_axis": 1, "x_primary": 1, "counts_axis": 1, "counts_primary": 2},
        "axis=1",
    ),
    "arrays of one": ({"height_signal": np.array([1]), "x_axis": np.array([1.0])}, "axis=1"),
    "both": ({"height_signal": 1, "height_axes": "x", "x_axis": 1}, "axes of 'height' and axis=1"),
    "one of two named": (
        {"height_signal": 1, "height_axes": "x", "x_axis": 1, "counts_axis": 1},
        "axes of 'height' and axis=1",
    ),
    "axes of the group": ({"height_signal": 1, "_axes": "x", "counts_signal": 2}, "axes of the group"),
    "more signals": ({"height_signal": 1, "height_axes": "x", "counts_signal": 2}, "axes of 'height'"),
}


@pytest.mark.parametrize("style", STYLES)
def test_each_way_to_mark_fields_is_read_and_told(style: str, tmp_path: Path) -> None:
    marks, how = STYLES[style]
    path = tmp_path / "older.h5"
    with h5py.File(path, "w") as file:
        mark(older_data(file), **marks)
    profile = read_profile(path)
    assert profile.quantity == "height"
    assert_allclose(profile.x, X * 1e-3, rtol=4e-16)  # one multiplication each
    assert_allclose(profile.values, HEIGHT * 1e-6, rtol=4e-16)
    assert isinstance(read_measured(path), Profile)
    told = inspect_file(path)
    assert told.faults == ()
    expected = f"'height' by signal=1, 'x' by {how}: marks on the fields, as of older NeXus"
    assert told.to_dict()["facts"]["signal_and_axis"] == expected
    assert expected in str(told)


@pytest.mark.parametrize("style", ["axes", "axes in brackets"])
def test_nexusformat_means_the_same_fields(style: str, tmp_path: Path) -> None:
    with np.printoptions():  # which it sets for all
        nexusformat = pytest.importorskip("nexusformat.nexus")
    path = tmp_path / "older.h5"
    with h5py.File(path, "w") as file:
        mark(older_data(file), **STYLES[style][0])
    with nexusformat.nxload(str(path), mode="r") as root:
        data = root["entry/data"]
        assert data.nxsignal.nxname == "height"
        assert [axis.nxname for axis in data.nxaxes] == ["x"]
        profile = read_profile(path)
        assert_allclose(profile.x, data.nxaxes[0].nxdata * 1e-3, rtol=4e-16)
        assert_allclose(profile.values, data.nxsignal.nxdata * 1e-6, rtol=4e-16)


@pytest.mark.parametrize("signal", [1, "1"])
def test_silx_means_the_same_fields(signal: int | str, tmp_path: Path) -> None:
    silx = pytest.importorskip("silx.io.nxdata")
    path = tmp_path / "older.h5"
    with h5py.File(path, "w") as file:
        data = older_data(file)
        mark(data, height_signal=signal, height_axes="x")
        found = silx.NXdata(data)
        assert found.is_valid, found.issues
        assert found.signal_dataset_name == "height"
        assert found.axes_dataset_names == ["x"]
    assert_array_equal(read_profile(path).x, X * 1e-3)


FAULTS: Final[dict[str, tuple[dict[str, Any], str]]] = {
    "no axis": ({"height_signal": 1}, "has the axes none; expected 'x'"),
    "two signals": (
        {"height_signal": 1, "counts_signal": 1, "height_axes": "x"},
        "has signal=1 at 'counts', 'height'; expected it at one field",
    ),
    "two axes": ({"height_signal": 1, "height_axes": "x:y"}, "has the axes 'x', 'y'; expected 'x'"),
    "two axes in brackets": ({"height_signal": 1, "height_axes": "[y, x]"}, "has the axes 'y', 'x'; expected 'x'"),
    "another axis": ({"height_signal": 1, "height_axes": "pos"}, "has the axes 'pos'; expected 'x'"),
    "another axis by number": ({"height_signal": 1, "counts_axis": 1}, "has the axes 'counts'; expected 'x'"),
    "an axis of dimension 2": ({"height_signal": 1, "x_axis": 2}, "has the axes none; expected 'x'"),
    "none primary": (
        {"height_signal": 1, "x_axis": 1, "counts_axis": 1},
        "has axis=1 at 'counts', 'x'; expected it at 'x' alone",
    ),
    "both primary": (
        {"height_signal": 1, "x_axis": 1, "counts_axis": 1, "x_primary": 1, "counts_primary": 1},
        "has primary=1 at 'counts', 'x'; expected it at 'x' alone",
    ),
    "another one primary": (
        {"height_signal": 1, "x_axis": 1, "counts_axis": 1, "counts_primary": 1},
        "has the axes 'counts'; expected 'x'",
    ),
    "contradiction": (
        {"height_signal": 1, "height_axes": "x", "counts_axis": 1},
        "has the axes 'x' by axes of 'height', but 'counts' by axis=1; expected 'x' by each",
    ),
    "the group contradicts": (
        {"height_signal": 1, "height_axes": "x", "_axes": "pos"},
        "has the axes 'x' by axes of 'height', but 'pos' by axes of the group; expected 'x' by each",
    ),
    "the group tells another": ({"height_signal": 1, "_axes": ["pos"]}, "has the axes 'pos'; expected 'x'"),
    "only a second signal": ({"height_signal": 2, "height_axes": "x"}, "has no signal; expected height or slope"),
    "signal not said": ({"height_axes": "x"}, "has no signal; expected height or slope"),
    "signal half said": ({"height_signal": 1.5, "height_axes": "x"}, "has no signal; expected height or slope"),
    "another signal": ({"counts_signal": 1, "counts_axes": "x"}, "has the signal 'counts'; expected height or slope"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_marks_that_do_not_tell_are_refused_in_a_sentence(fault: str, tmp_path: Path) -> None:
    marks, sentence = FAULTS[fault]
    path = tmp_path / "older.h5"
    with h5py.File(path, "w") as file:
        mark(older_data(file), **marks)
    for reader in (read_profile, read_measured, read_scans):
        with pytest.raises(FileFormatError) as told:
            reader(path)
        assert str(told.value) == f"{path}: NXdata '/entry/data' {sentence}" or reader is read_scans
        assert sentence in str(told.value)
    assert inspect_file(path).faults == (f"{path}: NXdata '/entry/data' {sentence}",)


def test_units_are_needed_and_x_as_well(tmp_path: Path) -> None:
    path = tmp_path / "older.h5"
    with h5py.File(path, "w") as file:
        data = older_data(file)
        mark(data, height_signal=1, height_axes="x")
        del data["height"].attrs["units"], data["x"]
    assert inspect_file(path).faults == (
        f"{path}: field '/entry/data/x' is missing; expected a value for each point",
        f"{path}: field '/entry/data/height' has no units; expected a unit of length",
    )


def test_today_s_attributes_of_the_group_come_first(tmp_path: Path) -> None:
    """As the manual has it: marks on fields are looked for where the group has no signal."""
    path = tmp_path / "both.h5"
    with h5py.File(path, "w") as file:
        data = older_data(file)
        mark(data, counts_signal=1, counts_axes="pos")
        data.attrs.update({"signal": "height", "axes": "x"})
    assert read_profile(path).quantity == "height"
    assert "signal_and_axis" not in inspect_file(path).to_dict()["facts"]


def test_uncertainties_called_errors_are_those_of_the_signal(tmp_path: Path) -> None:
    path = tmp_path / "older.h5"
    with h5py.File(path, "w") as file:
        data = older_data(file)
        mark(data, height_signal=1, height_axes="x")
        data["errors"] = np.full(41, 60.0)
        data["errors"].attrs["units"] = "nm"
    sigma = read_profile(path).sigma
    assert sigma is not None
    assert_allclose(sigma, 60e-9, rtol=4e-16)
    with h5py.File(path, "a") as file:
        file["entry/data/errors"][3] = 0
    assert inspect_file(path).faults == (
        f"{path}: field '/entry/data/errors' is 0 at point 4; expected standard uncertainties above 0",
    )


def test_scans_of_both_styles_are_read_from_one_file(tmp_path: Path) -> None:
    path = tmp_path / "scans.h5"
    with h5py.File(path, "w") as file:
        for number in range(3):
            data = older_data(file, f"scan_{number}")
            data["height"][:] = HEIGHT + number
            data["carriage"] = X
            data["carriage"].attrs["units"] = "mm"
            if number < 2:
                mark(data, height_signal=1, x_axis=1)
            else:
                data.attrs.update({"signal": "height", "axes": "x"})
    scans = read_scans(path)
    assert [scan.name for scan in scans] == ["scan_0", "scan_1", "scan_2"]
    for number, scan in enumerate(scans):
        assert_allclose(scan.values, (HEIGHT + number) * 1e-6, rtol=4e-16)
        assert scan.carriage is not None
    told = inspect_file(path)
    assert told.faults == ()
    assert told.to_dict()["facts"]["signal_and_axis"] == (
        "'height' by signal=1, 'x' by axis=1: marks on the fields, as of older NeXus (2 of 3)"
    )
    with h5py.File(path, "a") as file:
        del file["scan_1/data/x"].attrs["axis"]
    with pytest.raises(FileFormatError, match="NXdata '/scan_1/data' has the axes none; expected 'x'"):
        read_scans(path)


def test_a_large_one_stays_in_its_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "older.h5"
    with h5py.File(path, "w") as file:
        mark(older_data(file), height_signal=1, x_axis=1)
    for place in ("ellipsefit.files.registry.HELD", "ellipsefit.files.inspect.measured.HELD"):
        monkeypatch.setattr(place, 10)
    held = read_profile(path)
    with_parts = open_measured(path)
    assert isinstance(with_parts, NexusProfile)
    with with_parts:
        part = with_parts.part(5, 30)
    assert_array_equal(part.x, held.x[5:30])
    assert_array_equal(part.values, held.values[5:30])
    told = inspect_file(path)
    assert isinstance(told.content, NexusProfile)
    told.content.close()
    assert told.to_dict()["facts"]["signal_and_axis"].startswith("'height' by signal=1, 'x' by axis=1")


ODD_ATTRIBUTES: Final[dict[str, Callable[[Any], object]]] = {
    "many ones": lambda data: mark(data, height_signal=np.ones(3, int), height_axes="x"),
    "a record": lambda data: mark(data, height_signal=np.zeros((), [("a", int)]), height_axes="x"),
    "nothing": lambda data: mark(data, height_signal=h5py.Empty("i4"), height_axes="x"),
    "true": lambda data: mark(data, height_signal=True, height_axes="x"),
    "not a number": lambda data: mark(data, height_signal=np.nan, height_axes="x"),
    "a reference": lambda data: mark(data, height_signal=data.ref, height_axes="x"),
    "a field of the group's name": lambda data: data.attrs.__setitem__("signal", 1),
}


@pytest.mark.parametrize("odd", ODD_ATTRIBUTES)
def test_attributes_of_other_kinds_mark_nothing(odd: str, tmp_path: Path) -> None:
    path = tmp_path / "older.h5"
    with h5py.File(path, "w") as file:
        ODD_ATTRIBUTES[odd](older_data(file))
    with pytest.raises(FileFormatError, match="NXdata '/entry/data' has no signal; expected height or slope"):
        read_profile(path)


def test_long_and_many_names_are_cut_in_the_sentence(tmp_path: Path) -> None:
    path = tmp_path / "older.h5"
    with h5py.File(path, "w") as file:
        mark(older_data(file), height_signal=1, height_axes=":".join(["a\nb" + "c" * 1000] * 9))
    (fault,) = inspect_file(path).faults
    cut = f"'a\\nb{'c' * 37}'"
    assert fault == f"{path}: NXdata '/entry/data' has the axes {', '.join([cut] * 4)}, ...; expected 'x'"
