"""X3P: files made byte for byte from the standard's layout by hand, their checksums by coreutils."""

from __future__ import annotations

import io
import shutil
import struct
import subprocess
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from ellipsefit.errors import EllipsefitError, FileExistsAlreadyError, FileFormatError, ParameterError
from ellipsefit.files import convert_file, inspect_file, read_measured, read_profile, read_scans, write_x3p
from ellipsefit.files.registry import read_lines
from ellipsefit.profile import Profile
from ellipsefit.scan import Scan

NAMESPACE = "http://www.opengps.eu/2008/ISO5436_2"
needs_md5sum = pytest.mark.skipif(shutil.which("md5sum") is None, reason="md5sum of coreutils is not on PATH")
pytestmark = needs_md5sum


def md5(data: bytes) -> str:
    """By md5sum of coreutils."""
    done = subprocess.run(["md5sum"], input=data, capture_output=True, check=True)
    return done.stdout.split()[0].decode()


AXES = (
    "<Axes><CX><AxisType>I</AxisType><DataType>D</DataType><Increment>0.0005</Increment><Offset>-0.25</Offset></CX>"
    "<CY><AxisType>I</AxisType><DataType>D</DataType><Increment>0.002</Increment><Offset>0.001</Offset></CY>"
    "<CZ><AxisType>A</AxisType><DataType>{kind}</DataType>{scale}</CZ>{more}</Axes>"
)


def main_xml(
    data: bytes,
    *,
    kind: str = "D",
    scale: str = "",
    size: tuple[int, ...] = (6, 1, 1),
    feature: str = "PRF",
    valid: bytes | None = None,
    root: tuple[str, str] = (f'p:ISO5436_2 xmlns:p="{NAMESPACE}"', "p:ISO5436_2"),
    axes: str = AXES,
    more: str = "",
) -> bytes:
    dimension = "".join(f"<Size{axis}>{number}</Size{axis}>" for axis, number in zip("XYZ", size, strict=False))
    links = f"<PointDataLink>bindata/data.bin</PointDataLink><MD5ChecksumPointData>{md5(data)}</MD5ChecksumPointData>"
    if valid is not None:
        links += (
            "<ValidPointsLink>bindata/valid.bin</ValidPointsLink>"
            f"<MD5ChecksumValidPoints>{md5(valid).upper()}</MD5ChecksumValidPoints>"
        )
    return (
        f'<?xml version="1.0" encoding="UTF-8"?><{root[0]}>'
        f"<Record1><Revision>ISO5436 - 2000</Revision><FeatureType>{feature}</FeatureType>"
        f"{axes.format(kind=kind, scale=scale, more=more)}</Record1>"
        "<Record2><Date>2030-02-03T04:05:06</Date><Comment>made by hand</Comment></Record2>"
        f"<Record3><MatrixDimension>{dimension}</MatrixDimension><DataLink>{links}</DataLink></Record3>"
        f"<Record4><ChecksumFile>md5checksum.hex</ChecksumFile></Record4></{root[1]}>"
    ).encode()


def archive(path: Path, members: dict[str, bytes], compression: int = zipfile.ZIP_DEFLATED) -> Path:
    with zipfile.ZipFile(path, "w", compression) as file:
        for name, content in members.items():
            file.writestr(name, content)
    return path


def x3p(path: Path, data: bytes, valid: bytes | None = None, **options: Any) -> Path:
    return archive(path, members_of(data, valid, **options))


def members_of(data: bytes, valid: bytes | None = None, **options: Any) -> dict[str, bytes]:
    xml = main_xml(data, valid=valid, **options)
    members = {"main.xml": xml, "md5checksum.hex": f"{md5(xml)} *main.xml".encode(), "bindata/data.bin": data}
    return members if valid is None else {**members, "bindata/valid.bin": valid}


HEIGHTS = [1.5e-6, -2.25e-6, 0.0, 3e-9, 4e-3, -1e-7]
DOUBLES = struct.pack("<6d", *HEIGHTS)


@pytest.mark.parametrize(
    ("kind", "layout", "increment"), [("I", "h", 1.5e-9), ("L", "i", 1e-12), ("F", "f", 1.0), ("D", "d", 1.0)]
)
def test_every_type_of_heights_is_read(kind: str, layout: str, increment: float, tmp_path: Path) -> None:
    """z = stored number * Increment + Offset, in m; x = -0.25 m + 0.5 mm * index."""
    stored = [-32767, 32767, 0, 1, -2, 1000]
    scale = f"<Increment>{increment!r}</Increment><Offset>2e-6</Offset>"
    path = x3p(tmp_path / "p.x3p", struct.pack(f"<6{layout}", *stored), kind=kind, scale=scale)
    profile = read_profile(path)
    assert (profile.quantity, profile.name, profile.mask, profile.y) == ("height", "p.x3p", None, None)
    assert_array_equal(profile.values, [number * increment + 2e-6 for number in stored])
    assert_array_equal(profile.x, [0.0005 * number - 0.25 for number in range(6)])


def test_prefixes_and_the_size_along_z_do_not_matter(tmp_path: Path) -> None:
    """Schemata of 2007 and 2020 share the namespace; whether inner elements carry it depends on the writer."""
    plain = x3p(tmp_path / "plain.x3p", DOUBLES)
    inner = x3p(tmp_path / "inner.x3p", DOUBLES, root=(f'ISO5436_2 xmlns="{NAMESPACE}"', "ISO5436_2"), size=(6, 1))
    assert_array_equal(read_profile(plain).values, HEIGHTS)
    assert_array_equal(read_profile(inner).values, HEIGHTS)
    other = x3p(tmp_path / "other.x3p", DOUBLES, root=('ISO5436_2 xmlns="urn:other"', "ISO5436_2"))
    assert "namespace" in inspect_file(other).warnings[0]


def test_invalid_points_are_masked_in_a_profile_and_nan_in_a_scan(tmp_path: Path) -> None:
    """Bits of valid.bin, lowest first: 0b101101 leaves out points 2 and 5 (from 1); point 1 is NaN itself."""
    data = struct.pack("<6d", np.nan, *HEIGHTS[1:])
    path = x3p(tmp_path / "p.x3p", data, bytes([0b101101]))
    profile = read_profile(path)
    assert profile.mask is not None
    assert profile.mask.tolist() == [True, True, False, False, True, False]
    assert profile.mask_reason is not None
    assert profile.mask_reason[0] == "invalid in its file"
    (scan,) = read_scans(path)
    assert (scan.name, np.isnan(scan.values).tolist()) == ("p", profile.mask.tolist())
    assert inspect_file(path).to_dict()["facts"]["masked_points"] == 3
    assert isinstance(read_measured(path), Profile)


def test_positions_may_be_stored(tmp_path: Path) -> None:
    axes = AXES.replace("<CX><AxisType>I</AxisType>", "<CX><AxisType>A</AxisType>").replace("0.0005", "1", 1)
    x = [0.0, 0.1, 0.15, 0.4, 0.41, 0.5]
    data = b"".join(struct.pack("<dd", *point) for point in zip(x, HEIGHTS, strict=True))
    profile = read_profile(x3p(tmp_path / "p.x3p", data, axes=axes))
    assert_array_equal(profile.x, [place - 0.25 for place in x])
    assert_array_equal(profile.values, HEIGHTS)


def test_a_list_of_points_is_read(tmp_path: Path) -> None:
    xml = main_xml(b"").decode()
    first, last = xml.index("<MatrixDimension>"), xml.index("</Record3>")
    datums = "".join(f"<Datum>{text}</Datum>" for text in ("0;0;1e-6", " 0;0;-2.5E-6 ", "", "3e-9", "0;0;0", "1"))
    listed = f"<ListDimension>6</ListDimension><DataList>{datums}</DataList>"
    xml = xml[:first] + listed + xml[last:]
    members = {"main.xml": xml.encode(), "md5checksum.hex": md5(xml.encode()).encode()}
    profile = read_profile(archive(tmp_path / "p.x3p", members))
    assert_array_equal(profile.values, [1e-6, -2.5e-6, np.nan, 3e-9, 0, 1])
    assert profile.used.tolist() == [True, True, False, True, True, True]


def test_a_rotation_turns_about_the_origin_of_indices(tmp_path: Path) -> None:
    """ISO 25178-72 Amd 1: position = rotation * (index * increment) + offset. A quarter turn about z: x becomes y."""
    quarter = [0, -1, 0, 1, 0, 0, 0, 0, 1]
    entries = "".join(
        f"<r{row}{column}>{quarter[3 * row + column - 4]}</r{row}{column}>" for row in (1, 2, 3) for column in (1, 2, 3)
    )
    path = x3p(tmp_path / "p.x3p", DOUBLES, more=f"<Rotation>{entries}</Rotation>")
    lines = read_lines(path)
    assert_array_equal(lines.x[0], np.full(6, -0.25))
    assert_array_equal(lines.y[0], np.arange(6) * 0.0005 + 0.001)
    assert_array_equal(lines.heights[0], HEIGHTS)


# several lines


@pytest.fixture
def areal(tmp_path: Path) -> Path:
    """Three lines of six points at y = 1, 3 and 5 mm, whose heights count from 0 in um; one invalid."""
    data = struct.pack("<18d", *(number * 1e-6 for number in range(18)))
    valid = (0b111111111111111111 ^ 1 << 7).to_bytes(3, "little")
    return x3p(tmp_path / "map.x3p", data, valid, feature="SUR", size=(6, 3, 1))


def test_of_several_lines_one_must_be_named(areal: Path) -> None:
    with pytest.raises(FileFormatError, match=r"map\.x3p: holds 3 lines, y from .* to .* mm; expected one.*--line N"):
        read_profile(areal)
    with pytest.raises(FileFormatError, match="holds 3 lines"):
        read_scans(areal)
    first, second = read_profile(areal, line="1"), read_profile(areal, line="3.2 mm")
    assert_array_equal(first.values, np.arange(6) * 1e-6)
    assert_array_equal(second.values, [6e-6, np.nan, *(np.arange(8, 12) * 1e-6)])
    every = read_profile(areal, line="all")
    assert every.y is not None
    assert_array_equal(np.unique(every.y), [0.001, 0.002 + 0.001, 2 * 0.002 + 0.001])
    assert len(every.x) == 18
    told = inspect_file(areal)
    assert (told.faults, told.to_dict()["facts"]["lines"]) == ((), "3")
    assert "holds 3 lines" in told.warnings[0]
    for wrong in ("0", "4", "9 mm", "middle", "2 kg", ""):
        with pytest.raises(ParameterError, match="--line"):
            read_profile(areal, line=wrong)


# faults


def changed(members: dict[str, bytes], old: str, new: str, *, sum_too: bool = True) -> dict[str, bytes]:
    xml = members["main.xml"].replace(old.encode(), new.encode())
    assert xml != members["main.xml"]
    return {**members, "main.xml": xml, **({"md5checksum.hex": md5(xml).encode()} if sum_too else {})}


def without(members: dict[str, bytes], name: str) -> dict[str, bytes]:
    return {key: content for key, content in members.items() if key != name}


FAULTS: dict[str, tuple[Callable[[dict[str, bytes]], dict[str, bytes]], tuple[str, ...]]] = {
    "another zip": (lambda _: {"letter.txt": b"dear"}, ("no member 'main.xml'", "is no X3P file")),
    "no checksum": (lambda m: without(m, "md5checksum.hex"), ("no member 'md5checksum.hex'", "checksum of main.xml")),
    "checksum of another": (lambda m: changed(m, "by hand", "by foot", sum_too=False), ("does not match its check",)),
    "no digits": (lambda m: {**m, "md5checksum.hex": b"none"}, ("holds no MD5 checksum", "32 hexadecimal")),
    "no data": (lambda m: without(m, "bindata/data.bin"), ("no member 'bindata/data.bin'", "main.xml links to")),
    "other data": (
        lambda m: {**m, "bindata/data.bin": m["bindata/data.bin"][::-1]},
        ("'bindata/data.bin' does not match its checksum",),
    ),
    "short data": (lambda m: {**m, "bindata/data.bin": b"12"}, ("has 2 bytes; expected 48",)),
    "huge size": (lambda m: changed(m, "<SizeX>6<", "<SizeX>900000000000<"), ("has 900000000000 points", "at most")),
    "many lines": (lambda m: changed(m, "<SizeY>1<", "<SizeY>99999999<"), ("SizeY is 99999999", "at most")),
    "size no number": (lambda m: changed(m, "<SizeX>6<", "<SizeX>six<"), ("SizeX is 'six'", "number of points")),
    "size zero": (lambda m: changed(m, "<SizeX>6<", "<SizeX>0<"), ("SizeX is '0'", "1 or more")),
    "layers": (lambda m: changed(m, "<SizeZ>1<", "<SizeZ>2<"), ("SizeZ is 2", "expected 1")),
    "no increment": (lambda m: changed(m, "<Increment>0.0005</Increment>", ""), ("no Record1/Axes/CX/Increment",)),
    "increment zero": (lambda m: changed(m, "0.0005", "0"), ("CX/Increment is 0", "above 0 in m")),
    "increment nan": (lambda m: changed(m, "0.0005", "nan"), ("CX/Increment is 'nan'", "expected a number")),
    "z incremental": (
        lambda m: changed(m, "<CZ><AxisType>A", "<CZ><AxisType>I"),
        ("CZ/AxisType is 'I'", "expected A (absolute)"),
    ),
    "unknown type": (lambda m: changed(m, "<DataType>D</DataType></CZ>", "<DataType>Q</DataType></CZ>"), ("is 'Q'",)),
    "unknown feature": (lambda m: changed(m, ">PRF<", ">XYZ<"), ("FeatureType is 'XYZ'", "PRF, SUR or PCL")),
    "element twice": (
        lambda m: changed(m, "<FeatureType>", "<FeatureType>PRF</FeatureType><FeatureType>"),
        ("2 elements Record1/FeatureType",),
    ),
    "not that root": (lambda m: changed(m, "p:ISO5436_2", "p:Other"), ("expected the element 'ISO5436_2'",)),
    "no XML": (lambda m: changed(m, "</Record1>", ""), ("no valid XML",)),
    "entities": (
        lambda m: changed(m, '"UTF-8"?>', '"UTF-8"?><!DOCTYPE a [<!ENTITY b "c"><!ENTITY d "&b;&b;">]>'),
        ("document type or entities", "plain XML"),
    ),
    "entity from a file": (
        lambda m: changed(m, '"UTF-8"?>', '"UTF-8"?><!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/hostname">]>'),
        ("document type or entities",),
    ),
    "path upwards": (lambda m: {**m, "../../above.txt": b"x"}, ("'../../above.txt' leads out of the archive",)),
    "absolute path": (lambda m: {**m, "/above.txt": b"x"}, ("leads out of the archive",)),
    "link upwards": (
        lambda m: changed(m, "bindata/data.bin", "../data.bin"),
        ("no member '../data.bin'", "main.xml links to"),
    ),
    "link to a file of the system": (
        lambda m: changed(m, "bindata/data.bin", "/etc/hostname"),
        ("no member '/etc/hostname'",),
    ),
    "bomb": (lambda m: {**m, "main.xml": b" " * 7_000_000}, ("unpacks to", "times its size")),
    "rotation that mirrors": (
        lambda m: changed(
            m,
            "</Axes>",
            "<Rotation>"
            + "".join(f"<r{i}{j}>{(-1 if i == 1 else 1) * (i == j)}</r{i}{j}>" for i in (1, 2, 3) for j in (1, 2, 3))
            + "</Rotation></Axes>",
        ),
        ("mirrors; expected a rotation",),
    ),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_faulty_file_is_told_with_the_part_and_what_was_expected(fault: str, tmp_path: Path) -> None:
    spoil, fragments = FAULTS[fault]
    path = archive(tmp_path / "p.x3p", spoil(members_of(DOUBLES)))
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(FileFormatError) as caught:
        read_profile(path)
    message = str(caught.value)
    assert message.startswith(str(path))
    assert "expected" in message
    assert "\n" not in message
    for fragment in fragments:
        assert fragment in message
    assert message in inspect_file(path).faults
    assert sorted(tmp_path.rglob("*")) == before  # nothing is unpacked


def test_a_member_that_is_there_twice_or_lies_about_its_size_is_refused(tmp_path: Path) -> None:
    members = members_of(DOUBLES)
    with zipfile.ZipFile(tmp_path / "twice.x3p", "w") as file:
        for name, content in members.items():
            file.writestr(name, content)
        with pytest.warns(UserWarning, match="Duplicate name"):
            file.writestr("main.xml", b"<a/>")
    with pytest.raises(FileFormatError, match=r"'main\.xml' is there twice"):
        read_profile(tmp_path / "twice.x3p")
    # the directory promises 48 bytes of data, the stream holds 4 MB
    longer = bytearray(archive(tmp_path / "p.x3p", {**members, "bindata/data.bin": bytes(4_000_000)}).read_bytes())
    place = longer.rindex(b"PK\x01\x02", 0, longer.rindex(b"bindata/data.bin"))
    longer[place + 24 : place + 28] = struct.pack("<I", 48)
    (tmp_path / "lies.x3p").write_bytes(longer)
    with pytest.raises(FileFormatError, match=r"lies\.x3p"):
        read_profile(tmp_path / "lies.x3p")


def test_a_file_cut_anywhere_is_told(tmp_path: Path) -> None:
    content = x3p(tmp_path / "whole.x3p", DOUBLES).read_bytes()
    for length in range(4, len(content), len(content) // 40):
        path = tmp_path / "cut.x3p"
        path.write_bytes(content[:length])
        with pytest.raises(FileFormatError, match=r"cut\.x3p: is no sound ZIP archive"):
            read_profile(path)


def test_elements_nested_without_end_are_no_trouble(tmp_path: Path) -> None:
    xml = b"<a>" * 300_000 + b"</a>" * 300_000
    path = archive(tmp_path / "p.x3p", {"main.xml": xml, "md5checksum.hex": md5(xml).encode()}, zipfile.ZIP_STORED)
    with pytest.raises(FileFormatError, match="expected the element 'ISO5436_2'"):
        read_profile(path)


@settings(max_examples=300)
@given(st.data())
def test_no_content_makes_the_reader_raise_anything_but_its_errors(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Bytes changed in the archive, and in its XML with the checksum mended."""
    members = dict(SAMPLE)
    name = data.draw(st.sampled_from(["archive", "main.xml", "bindata/data.bin"]))
    if name != "archive":
        members[name] = spoiled(members[name], data)
        members["md5checksum.hex"] = MD5[members["main.xml"]]
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED) as file:
        for key, content in members.items():
            file.writestr(key, content)
    content = buffer.getvalue()
    path = tmp_path_factory.getbasetemp() / "fuzz.x3p"
    path.write_bytes(spoiled(content, data) if name == "archive" else content)
    try:
        read_profile(path)
    except EllipsefitError as error:
        assert "\n" not in str(error)  # noqa: PT017 - a valid file is fine, too
    inspect_file(path)


class _Sums(dict[bytes, bytes]):
    """MD5 of what the fuzz makes: by Python, for thousands of processes would be slow."""

    def __missing__(self, key: bytes) -> bytes:
        import hashlib

        return hashlib.md5(key).hexdigest().encode()


MD5 = _Sums()
SAMPLE = members_of(DOUBLES, b"\x3f") if shutil.which("md5sum") else {}


def spoiled(content: bytes, data: st.DataObject) -> bytes:
    place = data.draw(st.integers(0, len(content)))
    cut = data.draw(st.integers(0, 8))
    return content[:place] + data.draw(st.binary(max_size=8)) + content[place + cut :]


# writing


def profile(count: int = 50, **options: Any) -> Profile:
    x = np.linspace(-0.3, 0.7, count)
    return Profile(
        **{"name": "p", "quantity": "height", "x": x, "values": 0.01 * x**2 + 1e-7 * np.sin(90 * x), **options}
    )


@pytest.mark.parametrize("stored", ["float64", "float32", "int32", "int16"])
def test_a_round_trip_stays_within_half_a_count(stored: Any, tmp_path: Path) -> None:
    """Half an increment for whole numbers and a few float64 roundings of count * increment + offset; 2**-24 of the
    height for float32 (IEEE 754), nothing for float64."""
    given_ = profile(mask=np.arange(50) == 7, x=np.linspace(-0.3, 0.7, 50))
    report = write_x3p(given_, tmp_path / "p.x3p", stored=stored)
    found = read_profile(tmp_path / "p.x3p")
    span, rounding = np.ptp(given_.values[given_.used]), 4 * 2.0**-52 * np.abs(given_.values).max()
    bound = {
        "float64": 0.0,
        "float32": 2.0**-24 * np.abs(given_.values).max(),
        "int32": span / (2**32 - 2) / 2 + rounding,
        "int16": span / (2**16 - 2) / 2 + rounding,
    }[stored]
    assert (np.abs(found.values - given_.values)[given_.used] <= bound).all()
    assert report.height_rounding <= bound
    assert (np.abs(found.values - given_.values)[given_.used] <= report.height_rounding).all()
    assert found.mask is not None
    assert found.mask.tolist() == (~given_.used).tolist()
    assert np.abs(found.x - given_.x).max() <= 4 * np.spacing(0.7)
    again = write_x3p(found, tmp_path / "again.x3p", stored="float64")
    assert (again.points, again.invalid) == (50, 1)


def test_a_written_file_has_the_layout_of_the_standard(tmp_path: Path) -> None:
    """Names of members, checksums by coreutils, and the heights where struct finds them."""
    given_ = profile(6)
    write_x3p(given_, tmp_path / "p.x3p")
    with zipfile.ZipFile(tmp_path / "p.x3p") as file:
        assert file.testzip() is None
        assert file.namelist() == ["main.xml", "bindata/data.bin", "md5checksum.hex"]
        xml, data = file.read("main.xml"), file.read("bindata/data.bin")
        assert file.read("md5checksum.hex").split() == [md5(xml).encode(), b"*main.xml"]
    assert f"<MD5ChecksumPointData>{md5(data).upper()}<".encode() in xml
    assert list(struct.unpack("<6d", data)) == given_.values.tolist()
    assert f'xmlns:p="{NAMESPACE}"'.encode() in xml
    for part in (b"<FeatureType>PRF<", b"<SizeX>6</SizeX><SizeY>1</SizeY><SizeZ>1</SizeZ>", b"<CX><AxisType>I<"):
        assert part in xml


def test_what_is_not_evenly_spaced_keeps_its_positions_to_the_last_digit(tmp_path: Path) -> None:
    x = np.sort(np.random.default_rng(3).uniform(-1, 1, 40))
    given_ = profile(40, x=x, mask=np.arange(40) == 3)
    write_x3p(given_, tmp_path / "p.x3p")
    found = read_profile(tmp_path / "p.x3p")
    assert_array_equal(found.x, x)
    assert_array_equal(found.values[found.used], given_.values[given_.used])


def test_gaps_become_invalid_points_and_several_lines_a_surface(tmp_path: Path) -> None:
    kept = np.r_[0:10, 14:30]
    x = np.linspace(0, 2.9, 30)[kept]
    write_x3p(profile(26, x=x), tmp_path / "gap.x3p")
    found = read_profile(tmp_path / "gap.x3p")
    assert np.flatnonzero(found.used).tolist() == kept.tolist()
    across = np.repeat([-0.002, 0.0, 0.002], 26)
    three = Profile(name="p", quantity="height", x=np.tile(x, 3), y=across, values=np.array(np.arange(78) * 1e-6))
    write_x3p(three, tmp_path / "map.x3p")
    middle = read_profile(tmp_path / "map.x3p", line="2")
    assert_array_equal(middle.values[middle.used], np.arange(26, 52) * 1e-6)


def test_the_report_names_what_is_lost_and_prints_it(tmp_path: Path) -> None:
    whole = profile(
        sigma=np.full(50, 1e-8),
        segment=np.repeat(["S01", "S02"], 25),
        mask=np.arange(50) < 2,
        mask_reason=np.where(np.arange(50) < 2, "dust", ""),
        covariance_factor=np.ones((50, 1)) * 1e-9,
        frame="mirror",
    )
    text = str(write_x3p(whole, tmp_path / "p.x3p"))
    for part in ("covariance", "sigma", "2 segments", "2 masked points", "why they are masked", "the frame"):
        assert f"{part}" in text
    assert text.count("NOT CARRIED") == 6
    scan = Scan(
        name="s",
        quantity="height",
        x=np.arange(6.0)[::-1],
        values=np.arange(6.0),
        carriage=np.arange(6.0),
        time=np.arange(6.0),
        direction="backward",
        orientation="end_for_end",
        angle=1e-6,
        angle_stderr=1e-7,
    )
    lost = " ".join(write_x3p(scan, tmp_path / "s.x3p").lost)
    for part in ("carriage and time", "direction of the scan (backward)", "end for end", "angle", "order of measur"):
        assert part in lost
    assert_array_equal(read_profile(tmp_path / "s.x3p").values, np.arange(6.0)[::-1])


def test_what_x3p_cannot_hold_is_refused_and_nothing_is_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "p.x3p"
    with pytest.raises(ParameterError, match="slopes; expected heights"):
        write_x3p(profile(quantity="slope"), path)
    with pytest.raises(ParameterError, match="no valid point"):
        write_x3p(profile(mask=np.ones(50, dtype=bool)), path)
    with pytest.raises(ParameterError, match="X3P stores"):
        write_x3p(profile(), path, stored="int8")  # type: ignore[arg-type]  # what is not allowed
    uneven = Profile(
        name="p", quantity="height", x=np.array([0.0, 1, 2, 0, 1, 3]), y=np.repeat([0.0, 1], 3), values=np.zeros(6)
    )
    with pytest.raises(ParameterError, match="2 lines whose points are not at the same places"):
        write_x3p(uneven, path)
    assert not list(tmp_path.iterdir())
    path.write_text("mine")
    with pytest.raises(FileExistsAlreadyError):
        write_x3p(profile(), path)
    assert path.read_text() == "mine"


def test_a_smooth_surface_of_counts_is_no_bomb(tmp_path: Path) -> None:
    """A flat line with one step deflates a thousand times; it is stored plain, so it reads back."""
    count = 3_000_000
    values = np.where(np.arange(count) < 10, 1e-6, 0.0)
    write_x3p(profile(count, x=np.arange(count) * 1e-6, values=values), tmp_path / "p.x3p", stored="int16")
    assert_array_equal(read_profile(tmp_path / "p.x3p").values > 5e-7, values > 5e-7)


def test_converting_between_formats_keeps_the_numbers(tmp_path: Path) -> None:
    write_x3p(profile(), tmp_path / "a.x3p")
    for name in ("b.h5", "c.x3p", "d.sdf", "e.h5"):
        source = sorted(tmp_path.iterdir())[-1]
        convert_file(source, tmp_path / name)
    assert_array_equal(read_profile(tmp_path / "e.h5").values, profile().values)
