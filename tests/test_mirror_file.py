"""The mirror file: every key is understood, every fault names file, key and what was expected."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import EllipsefitError, FileExistsAlreadyError, FileFormatError, FileMissingError, ParameterError
from ellipsefit.files import read_mirror, write_mirror
from ellipsefit.files.mirror import mirror_faults, mirror_text
from ellipsefit.mirror import Adjuster, Measurement, Mirror, Segment, Tolerance

DATA = Path(__file__).parent / "data"

WHOLE = """\
name = "Alder"
deflection = "up"

[ellipse]
source_distance = "11.0 m"
image_distance  = "7.0 m"
grazing_angle   = "18 mrad"

[tolerance]
source_distance = "20 mm"
image_distance  = "20 mm"
grazing_angle   = "30 urad"
segment_height  = "2 um"
segment_tilt    = "10 urad"

[measurement]
x_direction = "upstream"
x_offset = "3 mm"
x_uncertainty = "0.5 mm"
temperature = "21.3 degC"
reference_temperature = "20 degC"
expansion = "9e-6 / K"

[[segment]]
name  = "S01"
start = "-2998 mm"
end   = "-2502 mm"
edge  = "2 mm"
coating_m = 4.0

  [[segment.adjuster]]
  name = "U"
  x = "-2888.7 mm"
  y = "5 mm"
  travel = ["-250 um", "250 um"]
  position = "-10 um"
  resolution = "0.5 um"
  backlash = "2 um"
  raises = "clockwise"
  pitch_per_turn = "0.25 mm"
  gain_error = 0.1

[[segment]]
name  = "S02"
start = "-2498 mm"
end   = "-2002 mm"

  [[segment.adjuster]]
  name = "D"
  x = "-2100 mm"
  travel = ["-250 um", "250 um"]
"""

# the same mirror, each number brought to SI by hand
MIRROR = Mirror(
    name="Alder",
    deflection="up",
    nominal=Ellipse(11.0, 7.0, 0.018),
    tolerance=Tolerance(
        source_distance=0.02, image_distance=0.02, grazing_angle=30e-6, segment_height=2e-6, segment_tilt=10e-6
    ),
    measurement=Measurement(
        x_direction="upstream",
        x_offset=0.003,
        x_uncertainty=0.0005,
        temperature=294.45,
        reference_temperature=293.15,
        expansion=9e-6,
    ),
    segments=(
        Segment(
            name="S01",
            start=-2.998,
            end=-2.502,
            edge=0.002,
            coating_m=4.0,
            adjusters=(
                Adjuster(
                    name="U",
                    x=-2.8887,
                    y=0.005,
                    travel=(-250e-6, 250e-6),
                    position=-10e-6,
                    resolution=0.5e-6,
                    backlash=2e-6,
                    raises="clockwise",
                    pitch_per_turn=0.25e-3,
                    gain_error=0.1,
                ),
            ),
        ),
        Segment(
            name="S02",
            start=-2.498,
            end=-2.002,
            adjusters=(Adjuster(name="D", x=-2.1, travel=(-250e-6, 250e-6)),),
        ),
    ),
)


def file_with(folder: Path, text: str | bytes) -> Path:
    path = folder / "mirror.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def flat(item: object) -> list[object]:
    """All fields of nested frozen dataclasses and tuples, in order."""
    if isinstance(item, tuple):
        return [leaf for part in item for leaf in flat(part)]
    if hasattr(item, "__dataclass_fields__"):
        return [leaf for name in item.__dataclass_fields__ for leaf in flat(getattr(item, name))]
    return [item]


def test_every_key_is_read_in_si(tmp_path: Path) -> None:
    """Numbers of the text, converted by hand; two roundings may differ."""
    for found, wanted in zip(flat(read_mirror(file_with(tmp_path, WHOLE))), flat(MIRROR), strict=True):
        if isinstance(wanted, float):
            assert isinstance(found, float)
            assert_allclose(found, wanted, rtol=1e-15)
        else:
            assert found == wanted


def test_byte_order_mark_and_windows_line_ends_change_nothing(tmp_path: Path) -> None:
    plain = read_mirror(file_with(tmp_path, WHOLE))
    assert read_mirror(file_with(tmp_path, b"\xef\xbb\xbf" + WHOLE.replace("\n", "\r\n").encode())) == plain


@pytest.mark.parametrize("name", ["alder", "cedar", "dogwood"])
def test_a_written_mirror_reads_back_equal(name: str, tmp_path: Path) -> None:
    mirror = read_mirror(DATA / name / "mirror.toml")
    write_mirror(mirror, tmp_path / "copy.toml")
    assert read_mirror(tmp_path / "copy.toml") == mirror


def test_a_written_mirror_keeps_every_key_and_odd_names(tmp_path: Path) -> None:
    odd = Mirror(
        name='A "quoted" \\ µ name',
        nominal=Ellipse(1 / 3, 2e5 / 7, 0.1 + 0.2e-7),
        segments=(Segment(name="é [1]", start=-1e-3 / 3, end=2e-3 / 3),),
    )
    for number, mirror in enumerate((MIRROR, odd)):
        write_mirror(mirror, tmp_path / f"{number}.toml")
        assert read_mirror(tmp_path / f"{number}.toml") == mirror


@settings(max_examples=200, deadline=None)
@given(st.lists(st.floats(-0.3, 0.3), min_size=6, max_size=6, unique=True), st.floats(1e-9, 0.1))
def test_any_lengths_and_angles_survive_the_file(
    tmp_path_factory: pytest.TempPathFactory, lengths: list[float], angle: float
) -> None:
    low, start, first, second, end, high = sorted(lengths)
    adjuster = Adjuster(name="U", x=first, y=second, travel=(low, high), position=start)
    mirror = Mirror(
        name="any",
        nominal=Ellipse(11.0 + low, 7.0 + high, angle),
        segments=(Segment(name="S", start=start, end=end, adjusters=(adjuster,)),),
        measurement=Measurement(temperature=293.15 + high, expansion=angle / 1e3, x_offset=end),
    )
    path = tmp_path_factory.getbasetemp() / "any.toml"
    write_mirror(mirror, path, force=True)
    assert read_mirror(path) == mirror


def test_the_written_text_uses_the_units_that_people_use() -> None:
    text = mirror_text(MIRROR)
    for line in ('grazing_angle = "18 mrad"', 'start = "-2998 mm"', 'travel = ["-250 um", "250 um"]'):
        assert line in text
    assert 'expansion = "9e-06 / K"' in text


def test_an_existing_mirror_file_stays_unless_forced(tmp_path: Path) -> None:
    path = file_with(tmp_path, "mine")
    with pytest.raises(FileExistsAlreadyError, match=r"mirror\.toml: exists already; --force"):
        write_mirror(MIRROR, path)
    assert path.read_text() == "mine"
    write_mirror(MIRROR, path, force=True)
    assert read_mirror(path).name == "Alder"
    assert [entry.name for entry in tmp_path.iterdir()] == ["mirror.toml"]


def test_a_parabola_cannot_be_written_and_leaves_nothing(tmp_path: Path) -> None:
    endless = Mirror(
        name="P", nominal=Ellipse(float("inf"), 7.0, 0.018), segments=(Segment(name="S", start=-0.1, end=0.1),)
    )
    with pytest.raises(ParameterError, match="finite"):
        write_mirror(endless, tmp_path / "mirror.toml")
    assert not list(tmp_path.iterdir())


# (what is replaced in the whole file, by what, what the message must hold besides the file)
FAULTS = {
    "bare number": ('"11.0 m"', "11.0", ("ellipse.source_distance", "11.0", "without a unit", "length", "12.5 mm")),
    "no unit": ('"18 mrad"', '"18"', ("ellipse.grazing_angle", "without a unit", "angle", "18 mrad")),
    "unknown unit": ('"7.0 m"', '"7.0 metres2go"', ("ellipse.image_distance", "unit", "length")),
    "wrong dimension": ('"18 mrad"', '"18 mm"', ("ellipse.grazing_angle", "no unit of angle", "18 mrad")),
    "wrong dimension of expansion": ('"9e-6 / K"', '"9e-6 K"', ("measurement.expansion", "no unit of expansion")),
    "bool": ('"11.0 m"', "true", ("ellipse.source_distance", "True", "length")),
    "negative distance": ('"11.0 m"', '"-11.0 m"', ("ellipse.source_distance", "-11", "above 0")),
    "zero tolerance": ('"2 um"\nsegment_tilt', '"0 um"\nsegment_tilt', ("tolerance.segment_height", "above 0")),
    "no grazing angle": ('"18 mrad"', '"90 deg"', ("ellipse.grazing_angle", "below 90 deg")),
    "missing key": ('image_distance  = "7.0 m"\n', "", ("ellipse: ", "'image_distance' is missing", "a length")),
    "missing table": (
        '[ellipse]\nsource_distance = "11.0 m"\nimage_distance  = "7.0 m"\ngrazing_angle   = "18 mrad"\n',
        "",
        ("'ellipse' is missing", "expected a table"),
    ),
    "missing travel": (
        '  x = "-2100 mm"\n  travel = ["-250 um", "250 um"]\n',
        '  x = "-2100 mm"\n',
        ("segment 'S02', adjuster 'D'", "'travel' is missing", "two lengths"),
    ),
    "unknown key": ("coating_m = 4.0", "coating_n = 4.0", ("segment 'S01'", "unknown key 'coating_n'", "'coating_m'")),
    "misspelled key": (
        'source_distance = "11.0 m"',
        'sorce_distance = "11.0 m"',
        ("ellipse: ", "unknown key 'sorce_distance'", "nearest known key is 'source_distance'"),
    ),
    "unknown table": ("[tolerance]", "[tolerances]", ("unknown key 'tolerances'", "nearest known key is 'tolerance'")),
    "string where a number": ("coating_m = 4.0", 'coating_m = "4.0"', ("segment 'S01', coating_m", "bare number")),
    "bool where a number": ("gain_error = 0.1", "gain_error = true", ("adjuster 'U', gain_error", "bare number")),
    "nan where a number": ("coating_m = 4.0", "coating_m = nan", ("segment 'S01', coating_m", "bare number")),
    "endless number": ("coating_m = 4.0", "coating_m = 1" + "0" * 400, ("segment 'S01', coating_m", "bare number")),
    "gain error too large": ("gain_error = 0.1", "gain_error = 1.5", ("segment 'S01', adjuster 'U'", "gain_error")),
    "one travel": ('["-250 um", "250 um"]\n  pos', '["-250 um"]\n  pos', ("adjuster 'U', travel", "two lengths")),
    "travel no list": ('["-250 um", "250 um"]\n  pos', '"250 um"\n  pos', ("adjuster 'U', travel", "two lengths")),
    "travel without unit": (
        '["-250 um", "250 um"]\n  pos',
        '["-250 um", 250]\n  pos',
        ("segment 'S01', adjuster 'U', travel", "second value", "without a unit"),
    ),
    "empty travel": (
        '["-250 um", "250 um"]\n  pos',
        '["250 um", "250 um"]\n  pos',
        ("segment 'S01', adjuster 'U': travel", "lower to a higher"),
    ),
    "position outside its travel": (
        'position = "-10 um"',
        'position = "-251 um"',
        ("segment 'S01', adjuster 'U': position", "within the travel of -250 um to 250 um", "-251 um"),
    ),
    "negative resolution": ('"0.5 um"', '"-0.5 um"', ("segment 'S01', adjuster 'U': resolution", "negative")),
    "adjuster outside its segment": (
        'x = "-2888.7 mm"',
        'x = "-2400 mm"',
        ("segment 'S01', adjuster 'U': x", "-2998 mm to -2502 mm", "-2400 mm"),
    ),
    "overlapping segments": ('"-2498 mm"', '"-2510 mm"', ("segment 'S02': start", "overlaps segment 'S01'")),
    "unsorted segments": (
        '"-2498 mm"\nend   = "-2002 mm"\n\n  [[segment.adjuster]]\n  name = "D"\n  x = "-2100 mm"',
        '"-3900 mm"\nend   = "-3100 mm"\n\n  [[segment.adjuster]]\n  name = "D"\n  x = "-3200 mm"',
        ("segment 'S02': start", "upstream of segment 'S01'", "in the order of x"),
    ),
    "segment turned round": ('"-2002 mm"', '"-2600 mm"', ("segment 'S02': end", "downstream of start")),
    "edge too wide": ('edge  = "2 mm"', 'edge  = "250 mm"', ("segment 'S01': edge", "half the segment")),
    "segment name twice": ('"S02"', '"S01"', ("two segments are called 'S01'", "differ")),
    "segment beyond the ellipse": ('end   = "-2002 mm"', 'end   = "8 m"', ("segment 'S02'", "beyond the ellipse")),
    "name no string": ('name = "Alder"', "name = 7", ("mirror.toml: name: got 7", "expected a name")),
    "name empty": ('name  = "S02"', 'name  = " "', ("segment ' ', name", "expected a name")),
    "unknown direction": ('"upstream"', '"sideways"', ("measurement.x_direction", '"downstream" or "upstream"')),
    "unknown deflection": ('"up"', '"back"', ("deflection", '"up"', '"right"')),
    "unknown turn": ('"clockwise"', '"widdershins"', ("adjuster 'U', raises", '"clockwise" or "anticlockwise"')),
    "temperature without expansion": ('expansion = "9e-6 / K"\n', "", ("measurement", "no expansion", "9e-6 / K")),
    "below absolute zero": ('"21.3 degC"', '"-300 degC"', ("measurement: temperature", "absolute zero")),
    "table where a string": ('"S02"', "{a = 1}", ("name", "expected a name")),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_names_file_key_and_what_was_expected(fault: str, tmp_path: Path) -> None:
    old, new, fragments = FAULTS[fault]
    assert WHOLE.count(old) >= 1
    path = file_with(tmp_path, WHOLE.replace(old, new, 1))
    with pytest.raises(FileFormatError) as caught:
        read_mirror(path)
    message = str(caught.value)
    assert message.startswith(str(path))
    for fragment in fragments:
        assert fragment in message
    assert "\n" not in message
    assert "pydantic" not in message
    assert mirror_faults(path)[0] == message


def test_no_segment_is_a_fault(tmp_path: Path) -> None:
    with pytest.raises(FileFormatError, match="at least one segment"):
        read_mirror(file_with(tmp_path, WHOLE[: WHOLE.index("[[segment]]")]))


@pytest.mark.parametrize(
    ("text", "fragments"),
    [
        ('ellipse = "round"', ("ellipse: got 'round'", "expected a table")),
        ("segment = 3", ("segment: got 3", "expected a list of tables")),
        ("segment = [3]", ("segment", "got 3", "expected a table")),
        ("[segment]\nname = 'S'", ("segment: got", "expected a list of tables, such as [[segment]]")),
    ],
)
def test_a_value_where_a_table_belongs_is_told(text: str, fragments: tuple[str, ...], tmp_path: Path) -> None:
    faults = mirror_faults(file_with(tmp_path, f'name = "A"\n{text}\n'))
    assert any(all(fragment in fault for fragment in fragments) for fault in faults)


def test_every_fault_is_found_at_once(tmp_path: Path) -> None:
    text = WHOLE.replace('"11.0 m"', "11").replace("coating_m = 4.0", 'coating_m = "4"').replace("edge ", "edgee ")
    faults = mirror_faults(file_with(tmp_path, text))
    assert len(faults) == 3
    for key in ("source_distance", "coating_m", "edgee"):
        assert sum(key in fault.split("(known")[0] for fault in faults) == 1
    assert mirror_faults(file_with(tmp_path, WHOLE)) == ()


@pytest.mark.parametrize(
    ("content", "fragment"),
    [
        (b"", "is empty"),
        (b" \n\n", "is empty"),
        (b"name = ", "at its end: is no valid TOML"),
        (b'name = "a"\nname = "b"\n', "line 2: is no valid TOML"),
        (b'name = "a', "is no valid TOML"),
        (b"x [mm],height [um]\n1,2\n", "line 1: is no valid TOML"),
        (b'name = "\xff\xfe"', "line 1: is no text in UTF-8"),
        (b"\x89HDF\r\n\x1a\n\x00\x00", "is no text in UTF-8"),
        (b"a = " + b"[" * 5000, "is nested too deeply"),
        (b"a = 1" + b"0" * 5000, "is no valid TOML"),
    ],
)
def test_what_is_no_toml_is_told_with_its_line(content: bytes, fragment: str, tmp_path: Path) -> None:
    path = file_with(tmp_path, content)
    with pytest.raises(FileFormatError, match=re.escape(str(path))) as caught:
        read_mirror(path)
    assert fragment in str(caught.value)
    assert "expected" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_file_or_a_folder_is_told(tmp_path: Path) -> None:
    with pytest.raises(FileMissingError, match=r"none\.toml: no such file"):
        read_mirror(tmp_path / "none.toml")
    with pytest.raises(FileMissingError, match="is a folder; expected a file"):
        read_mirror(tmp_path)


PIECES = st.sampled_from(WHOLE.splitlines(keepends=True))


@settings(max_examples=300, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=200),
        st.text(max_size=200).map(str.encode),
        st.lists(PIECES, max_size=40).map(lambda lines: "".join(lines).encode()),
        st.tuples(st.integers(0, len(WHOLE)), st.integers(0, 30), st.text(max_size=8)).map(
            lambda cut: (WHOLE[: cut[0]] + cut[2] + WHOLE[cut[0] + cut[1] :]).encode("utf-8", "replace")
        ),
    )
)
def test_no_content_makes_read_mirror_raise_anything_but_its_errors(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    path = file_with(tmp_path_factory.getbasetemp(), content)
    try:
        mirror = read_mirror(path)
    except EllipsefitError as error:
        assert str(error).startswith(str(path))  # noqa: PT017 - a valid file is fine, too
        assert "\n" not in str(error)  # noqa: PT017 - a valid file is fine, too
    else:
        assert mirror.segments
