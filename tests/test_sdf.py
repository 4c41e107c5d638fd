"""SDF: files made byte for byte from the standard's layout by hand."""

from __future__ import annotations

import struct
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from ellipsefit.errors import EllipsefitError, FileExistsAlreadyError, FileFormatError, ParameterError
from ellipsefit.files import inspect_file, read_measured, read_profile, read_scans, write_sdf
from ellipsefit.profile import Profile

#: Letter of `struct` and word for each data type of the standard, 0 to 7.
TYPES = ("B", "H", "I", "f", "b", "h", "i", "d")
WORDS: Any = ("uint8", "uint16", "uint32", "float32", "int8", "int16", "int32", "float64")


def binary(
    data: bytes,
    *,
    points: int = 6,
    lines: int = 1,
    kind: int = 7,
    xscale: float = 0.0005,
    yscale: float = 0.0,
    zscale: float = 1e-6,
    rest: tuple[int, int, int] | None = None,
    version: bytes = b"bISO-1.0",
    trailer: bytes = b"",
) -> bytes:
    """Version 8 characters, ManufacID 10, CreateDate and ModDate 12, two counts of 16 bits, four float64, three bytes:
    81 bytes, then the data line by line."""
    head = version + b"by hand   " + b"030220300405" + b"040220300405"
    head += struct.pack("<HH", points, lines) + struct.pack("<dddd", xscale, yscale, zscale, -1.0)
    head += bytes(rest or (0, kind, 0))
    assert len(head) == 81
    return head + data + trailer


def saved(folder: Path, content: bytes, name: str = "p.sdf") -> Path:
    path = folder / name
    path.write_bytes(content)
    return path


HEIGHTS = [1.5, -2.25, 0.0, 3e-3, 4000.0, -0.1]
DOUBLES = struct.pack("<6d", *HEIGHTS)
ASCII = """aISO-1.0
ManufacID   = by hand
CreateDate  = 030220300405
ModDate     = 040220300405
NumPoints   = 6
NumProfiles = 1
Xscale      = 5.0e-4
Yscale      = 0
Zscale      = 1e-6
Zresolution = -1
Compression = 0
DataType    = 7
CheckType   = 0
*
1.5 -2.25
0   BAD
4e3
-0.1
*
measured by the window
*
"""


@pytest.mark.parametrize("kind", range(8))
def test_every_data_type_is_read(kind: int, tmp_path: Path) -> None:
    """Heights are stored numbers times Zscale, positions counts times Xscale."""
    stored = [0, 1, 2, 100, 5, 6] if TYPES[kind].isupper() else [0, 1, -2, 100, -5, 6]
    profile = read_profile(saved(tmp_path, binary(struct.pack(f"<6{TYPES[kind]}", *stored), kind=kind)))
    assert (profile.quantity, profile.mask, profile.y) == ("height", None, None)
    assert_array_equal(profile.values, [number * 1e-6 for number in stored])
    assert_array_equal(profile.x, [0.0005 * number for number in range(6)])


def test_the_text_form_holds_the_same(tmp_path: Path) -> None:
    wanted = [1.5e-6, -2.25e-6, 0, np.nan, 4e3 * 1e-6, -0.1e-6]
    for number, content in enumerate(
        (ASCII, ASCII.replace("\n", "\r\n"), ASCII.replace("Xscale  ", "XSCALE"), ASCII.partition("measured")[0])
    ):
        path = saved(tmp_path, content.encode(), f"{number}.sdf")
        profile = read_profile(path)
        assert_array_equal(profile.x, [0.0005 * number for number in range(6)])
        assert_array_equal(np.where(profile.used, profile.values, np.nan), wanted)
        (scan,) = read_scans(path)
        assert_array_equal(scan.values, wanted)
    told = inspect_file(tmp_path / "0.sdf").to_dict()["facts"]
    assert (told["trailer"], told["created"], told["instrument"]) == (
        "measured by the window",
        "2030-02-03T04:05",
        "by hand",
    )
    assert told["format"] == "SDF (ISO 25178-71), ASCII, version aISO-1.0"
    assert isinstance(read_measured(tmp_path / "0.sdf"), Profile)


@pytest.mark.parametrize(
    ("kind", "bad"), [(7, np.nan), (7, np.finfo(np.float64).max), (3, -np.inf), (4, -128), (5, -32768), (6, -(2**31))]
)
def test_invalid_points_of_the_binary_form_are_masked(kind: int, bad: float, tmp_path: Path) -> None:
    """Which number means it is not verified: the smallest of signed integers, NaN, infinity and the largest float."""
    data = struct.pack(f"<6{TYPES[kind]}", 1, 2, bad, 3, 4, 5)
    profile = read_profile(saved(tmp_path, binary(data, kind=kind)))
    assert profile.used.tolist() == [True, True, False, True, True, True]


def test_the_largest_unsigned_number_is_a_height_with_a_warning(tmp_path: Path) -> None:
    path = saved(tmp_path, binary(struct.pack("<6H", 1, 2, 65535, 3, 4, 65535), kind=1))
    assert read_profile(path).mask is None
    assert "2 points at 65535" in inspect_file(path).warnings[0]


def test_version_2_has_counts_of_32_bits(tmp_path: Path) -> None:
    """By a secondary source."""
    head = (
        b"bISO-2.0"
        + b" " * 34
        + struct.pack("<II", 70_000, 1)
        + struct.pack("<dddd", 1e-5, 0, 1, -1)
        + bytes((0, 3, 0))
    )
    content = head + np.arange(70_000, dtype="<f4").tobytes() + b"the trailer"
    profile = read_profile(saved(tmp_path, content))
    assert_array_equal(profile.values, np.arange(70_000))
    assert inspect_file(tmp_path / "p.sdf").to_dict()["facts"]["trailer"] == "the trailer"


def test_of_several_lines_one_is_read_where_it_stands(tmp_path: Path) -> None:
    data = struct.pack("<18h", *range(18))
    path = saved(tmp_path, binary(data, kind=5, lines=3, yscale=0.002))
    text = ASCII.replace("NumProfiles = 1", "NumProfiles = 3").replace("Yscale      = 0", "Yscale = 0.002")
    text = text[: text.index("*\n") + 2] + "\n".join(map(str, range(18))) + "\n*\n"
    for one in (path, saved(tmp_path, text.encode(), "a.sdf")):
        with pytest.raises(FileFormatError, match=r"holds 3 lines, y from 0.000 mm to 4.000 mm; expected one"):
            read_profile(one)
        assert_array_equal(read_profile(one, line="2").values, np.arange(6, 12) * 1e-6)
        assert_array_equal(read_profile(one, line="3.9 mm").values, np.arange(12, 18) * 1e-6)
        every = read_profile(one, line="all")
        assert every.y is not None
        assert_array_equal(every.y, np.repeat([0, 0.002, 0.004], 6))


BINARY_FAULTS: dict[str, tuple[bytes, tuple[str, ...]]] = {
    "cut in the header": (binary(b"")[:50], ("ends within its header", "expected 81")),
    "cut in the data": (binary(DOUBLES[:-1]), ("has 128 bytes; expected 129", "1 x 6 points of float64")),
    "huge counts": (binary(DOUBLES, points=65535, lines=65535, yscale=1.0), ("expected", "65535 x 65535")),
    "no points": (binary(DOUBLES, points=0), ("NumPoints is 0",)),
    "no lines": (binary(DOUBLES, lines=0), ("NumProfiles is 0",)),
    "scale zero": (binary(DOUBLES, zscale=0.0), ("Zscale is 0", "above 0 in m")),
    "scale negative": (binary(DOUBLES, xscale=-1.0), ("Xscale is -1", "above 0")),
    "scale nan": (binary(DOUBLES, xscale=float("nan")), ("Xscale is nan", "finite")),
    "compressed": (binary(DOUBLES, rest=(1, 7, 0)), ("Compression is 1; expected 0",)),
    "unknown type": (binary(DOUBLES, rest=(0, 8, 0)), ("DataType is 8; expected 0 to 7",)),
    "unknown version": (binary(DOUBLES, version=b"bISO-3.0"), ("version 3.0; expected 1.0 or 2.0",)),
    "odd version": (binary(DOUBLES, version=b"bISO-x.0"), ("expected an SDF file",)),
    "only invalid points": (binary(struct.pack("<6d", *[np.nan] * 6)), ("no valid point",)),
}
ASCII_FAULTS: dict[str, tuple[Callable[[str], str], tuple[str, ...]]] = {
    "too few": (lambda t: t.replace("4e3\n", ""), ("has 5 values; expected 6", "1 x 6")),
    "too many": (lambda t: t.replace("4e3", "4e3 5"), ("has 7 values", "expected 6")),
    "no number": (lambda t: t.replace("4e3", "four"), ("value 5 of the data is 'four'", "number or BAD")),
    "underscore": (lambda t: t.replace("4e3", "4_0"), ("value 5", "'4_0'")),
    "no star": (lambda t: t.replace("*", ""), ("has no line '*'",)),
    "no key": (lambda t: t.replace("Zscale      = 1e-6\n", ""), ("header has no Zscale",)),
    "key twice": (lambda t: t.replace("Yscale      = 0", "Xscale = 1"), ("Xscale stands twice",)),
    "count no number": (lambda t: t.replace("NumPoints   = 6", "NumPoints = six"), ("NumPoints is 'six'", "whole")),
    "scale no number": (lambda t: t.replace("5.0e-4", "0,5 mm"), ("Xscale is '0,5 mm'", "expected a number")),
    "a line without sense": (lambda t: t.replace("ModDate  ", "whatever\nModDate"), ("line 4", "'whatever'")),
    "huge": (lambda t: t.replace("NumPoints   = 6", "NumPoints = 9999999"), ("1 x 9999999", "expected")),
    "endless number": (lambda t: t.replace("4e3", "4" * 5_000_000), ("value 5", "expected a number")),
}


@pytest.mark.parametrize("fault", [*BINARY_FAULTS, *ASCII_FAULTS])
def test_a_faulty_file_is_told_with_field_and_what_was_expected(fault: str, tmp_path: Path) -> None:
    if fault in BINARY_FAULTS:
        content, fragments = BINARY_FAULTS[fault]
    else:
        spoil, fragments = ASCII_FAULTS[fault]
        content = spoil(ASCII).encode()
        assert content != ASCII.encode()
    path = saved(tmp_path, content)
    with pytest.raises(FileFormatError) as caught:
        read_profile(path)
    message = str(caught.value)
    assert message.startswith(str(path))
    assert "expected" in message
    assert "\n" not in message
    for fragment in fragments:
        assert fragment in message
    assert inspect_file(path).faults


def test_what_is_odd_but_readable_is_told_by_inspection(tmp_path: Path) -> None:
    odd = inspect_file(saved(tmp_path, ASCII.replace("CheckType   = 0", "CheckType = 3\nRoom = 12").encode()))
    assert odd.faults == ()
    assert any("'Room'" in warning for warning in odd.warnings)
    assert any("CheckType is 3" in warning and "NOT VERIFIED" in warning for warning in odd.warnings)


@settings(max_examples=400)
@given(st.data())
def test_no_content_makes_the_reader_raise_anything_but_its_errors(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    content = data.draw(st.sampled_from([binary(DOUBLES), binary(DOUBLES, version=b"bISO-2.0"), ASCII.encode()]))
    place = data.draw(st.integers(0, min(len(content), 130)))
    cut = data.draw(st.integers(0, 12))
    path = saved(
        tmp_path_factory.getbasetemp(), content[:place] + data.draw(st.binary(max_size=12)) + content[place + cut :]
    )
    try:
        read_profile(path)
    except EllipsefitError as error:
        assert "\n" not in str(error)  # noqa: PT017 - a valid file is fine, too
    inspect_file(path)


# writing


def profile(count: int = 60, **options: Any) -> Profile:
    x = np.arange(count) * 0.01 - 0.3
    return Profile(**{"name": "p", "quantity": "height", "x": x, "values": 0.01 * x**2 - 1e-5 * x, **options})


@pytest.mark.parametrize("ascii_form", [False, True])
@pytest.mark.parametrize("stored", WORDS)
def test_a_round_trip_stays_within_half_a_count(stored: Any, ascii_form: bool, tmp_path: Path) -> None:
    """Counts spread over the range that the type has for the heights: signed ones about 0, unsigned ones from 1."""
    given_ = profile()
    report = write_sdf(given_, tmp_path / "p.sdf", stored=stored, ascii=ascii_form)
    found = read_profile(tmp_path / "p.sdf")
    rounding, largest, span = 4 * 2.0**-52, np.abs(given_.values).max(), np.ptp(given_.values)
    size = np.dtype(stored).itemsize * 8
    bound = {
        "f": 0.0 if stored == "float64" else 2.0**-24 * largest,
        "i": largest / (2.0 ** (size - 1) - 1) / 2 + rounding * largest,
        "u": span / (2.0**size - 3) / 2 + rounding * largest,
    }[np.dtype(stored).kind]
    shift = given_.values - found.values
    if stored.startswith("u"):  # the height of the whole is told as lost
        assert any("the height of the whole" in text for text in report.lost)
        shift = shift - shift.mean()
        bound *= 2
    assert (np.abs(shift) <= bound).all()
    assert report.height_rounding <= bound
    assert np.abs(found.x - (given_.x - given_.x[0])).max() <= 4 * np.spacing(0.6)
    assert any("where x begins: -0.3 m" in text for text in report.lost)


def test_a_written_binary_file_has_the_layout_of_the_standard(tmp_path: Path) -> None:
    write_sdf(profile(6), tmp_path / "p.sdf", when=datetime(2031, 4, 5, 6, 7, tzinfo=UTC))
    content = (tmp_path / "p.sdf").read_bytes()
    assert content[:42] == b"bISO-1.0ellipsefit050420310607050420310607"
    assert struct.unpack_from("<HH", content, 42) == (6, 1)
    xscale, yscale, zscale, resolution = struct.unpack_from("<dddd", content, 46)
    assert (round(xscale, 12), yscale, zscale, resolution) == (0.01, 0.0, 1.0, -1.0)
    assert content[78:81] == bytes((0, 7, 0))
    assert list(struct.unpack_from("<6d", content, 81)) == profile(6).values.tolist()


def test_a_written_text_has_the_sections_of_the_standard(tmp_path: Path) -> None:
    write_sdf(profile(6, mask=np.arange(6) == 2), tmp_path / "p.sdf", ascii=True, stored="int32")
    lines = (tmp_path / "p.sdf").read_text().splitlines()
    assert lines[0] == "aISO-1.0"
    assert [line.split(" = ")[0] for line in lines[1:13]] == [
        *("ManufacID", "CreateDate", "ModDate", "NumPoints", "NumProfiles", "Xscale", "Yscale", "Zscale"),
        *("Zresolution", "Compression", "DataType", "CheckType"),
    ]
    assert (lines[13], lines[16], lines[20], lines[22]) == ("*", "BAD", "*", "*")
    assert read_profile(tmp_path / "p.sdf").used.tolist() == [True, True, False, True, True, True]


@pytest.mark.parametrize("stored", ["float64", "float32", "int32", "int16", "int8"])
def test_gaps_and_masks_come_back_as_invalid_points(stored: Any, tmp_path: Path) -> None:
    kept = np.r_[0:20, 25:60]
    whole = profile()
    given_ = Profile(name="p", quantity="height", x=whole.x[kept], values=whole.values[kept], mask=np.arange(55) == 3)
    report = write_sdf(given_, tmp_path / "p.sdf", stored=stored)
    assert (report.points, report.invalid) == (60, 6)
    assert np.flatnonzero(~read_profile(tmp_path / "p.sdf").used).tolist() == [3, 20, 21, 22, 23, 24]


def test_positions_that_stray_a_little_are_told_and_a_lot_are_refused(tmp_path: Path) -> None:
    random = np.random.default_rng(4)
    x = np.arange(60) * 0.01 + random.uniform(-4e-6, 4e-6, 60)
    report = write_sdf(profile(x=x), tmp_path / "p.sdf")
    found = read_profile(tmp_path / "p.sdf")
    assert 0 < np.abs(found.x + x[0] - x).max() <= report.position_rounding * (1 + 1e-9)
    assert report.position_rounding < 1e-5
    assert "positions" in str(report)
    with pytest.raises(ParameterError, match="not evenly spaced; expected even spacing"):
        write_sdf(profile(x=np.arange(60) * 0.01 + random.uniform(-4e-4, 4e-4, 60)), tmp_path / "q.sdf")


def test_what_sdf_cannot_hold_is_refused_and_nothing_is_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "p.sdf"
    cases: tuple[tuple[Profile, dict[str, Any], str], ...] = (
        (profile(quantity="slope"), {}, "slopes; expected heights"),
        (profile(70_000), {}, "70000 points in a line; expected at most 65535"),
        (profile(mask=np.arange(60) == 3), {"stored": "uint16"}, "1 invalid points as uint16"),
        (profile(), {"stored": "int64"}, "SDF stores"),
    )
    for wrong, options, text in cases:
        with pytest.raises(ParameterError, match=text):
            write_sdf(wrong, path, **options)
    assert not list(tmp_path.iterdir())
    path.write_text("mine")
    with pytest.raises(FileExistsAlreadyError):
        write_sdf(profile(), path)
    assert path.read_text() == "mine"
