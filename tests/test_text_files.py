"""Text as labs send it: understood where it can mean one thing only, refused with a way out where it can mean two."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from ellipsefit.errors import EllipsefitError, FileFormatError
from ellipsefit.files import inspect_file, read_profile, read_scans
from ellipsefit.files.text import examine_text

ROWS = "1.5;-2.25\n2;3.125\n3.5;4\n"
#: The same three points, x in m and heights in m.
X, HEIGHTS = [0.0015, 0.002, 0.0035], [-2.25e-6, 3.125e-6, 4e-6]


def saved(folder: Path, content: str | bytes) -> Path:
    path = folder / "p.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


SAME: dict[str, str | bytes] = {
    "round brackets": f"x (mm);Height (µm)\n{ROWS}",
    "a stroke as ISO 80000-1 has it": f"x/mm;height / um\n{ROWS}",
    "in words": f"x in mm;height in micrometres\n{ROWS}",
    "behind a comma": f"x, mm;height, um\n{ROWS}",
    "behind the name": f"x_mm;height um\n{ROWS}",
    "capital words": f"x [Millimetre];height [Micrometers]\n{ROWS}",
    "microns": f"x [mm];height [microns]\n{ROWS}",
    "units below": f"x;height\nmm;µm\n{ROWS}",
    "units in brackets below": f"x;height\n[mm];(um)\n{ROWS}",
    "units above and below": f"x [mm];height\nmm;um\n{ROWS}",
    "Latin-1": "x [mm];height [µm];Prüfer\n1.5;-2.25;ß\n2;3.125;ß\n3.5;4;ß\n".encode("latin-1"),
    "UTF-16": f"x [mm];height [µm]\n{ROWS}".replace("\n", "\r\n").encode("utf-16"),
    "UTF-16, big end first": b"\xfe\xff" + f"x [mm];height [µm]\n{ROWS}".encode("utf-16-be"),
    "UTF-32": f"x [mm];height [µm]\n{ROWS}".encode("utf-32"),
    "old Macintosh line ends": f"x [mm];height [um]\n{ROWS}".replace("\n", "\r"),
    "end of file of old": f"x [mm];height [um]\n{ROWS}\x1a",
    "the separator named, as spreadsheets do": f"sep=;\nx [mm];height [um]\n{ROWS}",
    "lines before": f"Laboratory of the North\nDate: 3.4.2031; probe 7\n\nx [mm];height [um]\n{ROWS}",
    "a sentence with the names before": f"x and height were measured\nx [mm];height [um]\n{ROWS}",
    "sections before": f"[Header]\nprobe = 7\n[Data]\nx [mm];height [um]\n{ROWS}",
    "lines after": f"x [mm];height [um]\n{ROWS}\nEnd of the measurement\n-----\n",
    "header in a comment": f"# made by a script\n# x [mm];height [um]\n{ROWS}",
    "other comments": f"% a\n// b\n! c\nx [mm];height [um]\n% d\n{ROWS}",
    "semicolons as comments": f"; a\nx [mm]\theight [um]\n; b\n{ROWS}".replace(";-", "\t-")
    .replace("2;", "2\t")
    .replace("5;4", "5\t4"),
    "header with tabs, rows with blanks": f"x [mm]\theight [um]\n{ROWS}".replace(";", "     "),
    "fixed width": f"   x [mm]   height [um]\n{ROWS}".replace(";", "    ").replace("\n", "\n     ").rstrip(" "),
    "a mark at the end of rows": f"x [mm];height [um]\n{ROWS}".replace("\n", ";\n").replace("um];", "um]"),
    "a mark at the end of the header": f"x [mm];height [um];\n{ROWS}",
    "decimal commas": f"x [mm];height [um]\n{ROWS}".replace(".", ","),
    "quoted decimal commas": '"x [mm]","height [um]"\n"1,5","-2,25"\n"2","3,125"\n"3,5","4"\n',
    "declared commas": "# decimal: comma\nx [mm];height [um]\n1,500;-2,250\n2,000;3,125\n3,500;4,000\n",
    "a comma that marks no thousands": "x [mm];height [um];y [mm]\n1,500;-2,250;0,500\n2,000;3,125;1\n3,500;4,000;0\n",
    "exponents of Fortran": "x [mm];height [um]\n1.5D0;-225.0d-2\n2;3.125\n3.5;4\n",
    "a minus sign of typography": f"x [mm];height [um]\n{ROWS}".replace("-", "\u2212"),
    "columns in any order among others": "note;height [um];U;x [mm]\na;-2.25;0,3;1.5\nb;3.125;1,234;2\nc;4;x;3.5\n",
}


@pytest.mark.parametrize("name", SAME)
def test_every_spelling_of_three_points_is_the_same(name: str, tmp_path: Path) -> None:
    profile = read_profile(saved(tmp_path, SAME[name]))
    assert_array_equal(profile.x, X)
    assert_array_equal(profile.values, HEIGHTS)


def test_ratios_and_old_nan_of_slopes(tmp_path: Path) -> None:
    text = "x/mm,slope/(um/m),carriage/mm\n" + "".join(f"{n},{'-1.#IND00' if n == 2 else n},{n}\n" for n in range(6))
    (scan,) = read_scans(saved(tmp_path, text))
    assert_array_equal(scan.values, [0, 1e-6, np.nan, 3e-6, 4e-6, 5e-6])


HEADER = "x [mm];height [um]\n"
FAULTS: dict[str, tuple[str | bytes, tuple[str, ...]]] = {
    "thousands or decimals": (
        f"{HEADER}1,234;2,345\n2,345;3,456\n",
        ("line 2: column 'x': '1,234' may be 1.234 or 1234", "'# decimal: comma'"),
    ),
    "commas against what is declared": (
        f"# decimal: point\n{HEADER}1,5;2\n",
        ("decimal points, as the file declares",),
    ),
    "thousands": (f"{HEADER}1,234,567;2\n", ("line 2: column 'x'", "several commas", "no marks of thousands")),
    "points for thousands": (f"{HEADER}1.234,5;2\n", ("line 2: column 'x' has decimal points and commas",)),
    "points here and commas there": (f"{HEADER}1,2345;2.5\n", ("column 'x' has commas", "'height' has points")),
    "blanks for thousands": (f"{HEADER}1 234,5;2\n", ("line 2: column 'x': expected a number; got '1 234,5'",)),
    "apostrophes for thousands": (f"{HEADER}1'234.5;2\n", ("expected a number",)),
    "no units": ("x;height\n1;2\n", ("line 1: column 'x' has no unit", "'x [mm]'")),
    "one unit": ("x;height\nmm;\n1;2\n", ("line 2: column 'height' has no unit", "'height [um]'")),
    "units that contradict": ("x [mm];height [um]\nmm;nm\n1;2\n", ("line 2", "[um] in the header and [nm] below it")),
    "a remark for a unit": ("x [mm];height (raw)\n1;2\n", ("line 1: column 'height' has the unit [raw]", "of length")),
    "a unit twice decoded": ("x [mm];height [Âµm]\n1;2\n", ("unit [Âµm]", "'height [um]'")),
    "megamillimetres": ("x [MM];height [um]\n1;2\n", ("unit [MM]", "'x [mm]'")),
    "another name": ("x [mm];z [um]\n1;2\n", ("'height' or 'slope'", "got neither in 'x, z'")),
    "cut short": (f"{HEADER}{ROWS}6", ("line 5: expected 2 columns", "got 1")),
    "an empty end": (f"{HEADER}{ROWS}6;", ("line 5: column 'height': expected a number; got an empty cell",)),
    "a sum below": (f"{HEADER}{ROWS}Mean;4.1\n", ("line 5: column 'x': expected a number; got 'Mean'",)),
    "another table": (f"{HEADER}{ROWS}{HEADER}{ROWS}", ("line 5: is the header again; expected one table",)),
    "words among numbers": (f"{HEADER}1;2\npause\n2;3\n", ("line 3: expected 2 columns",)),
    "only words": (f"{HEADER}a;b\nc;d\n", ("line 2: column 'x': expected a number; got 'a' (so in 2 rows)",)),
    "UTF-16 without a mark": (f"{HEADER}{ROWS}".encode("utf-16-le"), ("UTF-16 without its byte order mark",)),
    "UTF-16 cut": (f"{HEADER}{ROWS}".encode("utf-16")[:-1], ("no text in UTF-16", "expected")),
    "control characters": (b"\xff\x01\x02" + f"{HEADER}{ROWS}".encode(), ("no text in UTF-8", "expected")),
}


@pytest.mark.parametrize("name", FAULTS)
def test_what_may_mean_two_things_is_refused_with_a_way_out(name: str, tmp_path: Path) -> None:
    content, fragments = FAULTS[name]
    path = saved(tmp_path, content)
    with pytest.raises(FileFormatError) as caught:
        read_profile(path)
    message = str(caught.value)
    assert message.startswith(str(path))
    assert "expected" in message
    for fragment in fragments:
        assert fragment in message
    assert message in inspect_file(path).faults


def test_inspection_says_what_was_understood(tmp_path: Path) -> None:
    text = "Lab 7\nnote;height [µm];x/mm;y2\na;1,5;1;0\nb;2;2,5;0\nEnd\n".encode("latin-1")
    content = inspect_file(saved(tmp_path, text))
    facts = content.to_dict()["facts"]
    assert (facts["delimiter"], facts["decimal"], facts["encoding"]) == ("semicolon", "comma", "Latin-1")
    assert facts["columns"] == {"height": "height [µm]", "x": "x/mm"}
    assert facts["ignored"] == [
        "2 columns: 'note', 'y2'",
        "1 line before the header: 'Lab 7'",
        "1 line after the table: 'End'",
    ]
    assert (facts["points"], facts["units"]) == (2, {"height": "µm", "x": "mm"})
    for part in ("height from 'height [µm]'", "1 line after the table: 'End'", "NOTHING WRONG"):
        assert part in str(content)


def test_faults_far_down_name_their_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the first blocks, with comments and blank lines on the way; Latin-1 beyond what is looked at first."""
    monkeypatch.setattr("ellipsefit.files.text.blocks.BLOCK", 1 << 16)
    lines = [f"{number * 1e-3:.6f};{number:.6f}" for number in range(20_000)]
    lines[1000] = "# a remark\n\n" + lines[1000]
    lines[19_000] = "12.5;many"
    path = saved(tmp_path, "x [mm];height [um]\n" + "\n".join(lines) + "\n# ½ done\n")
    with pytest.raises(FileFormatError, match=r"line 19004: column 'height': expected a number; got 'many'$"):
        read_profile(path)
    path.write_bytes(path.read_bytes().replace(b"many", b"1").replace("½".encode(), b"\xbd"))
    assert len(read_profile(path).x) == 20_000
    assert examine_text(path).encoding == "Latin-1"


def test_the_last_rows_of_a_long_file_with_decimal_commas_are_numbers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No line of words ends the file; a last row that is cut short, or a sum, is a fault as it is with points."""
    monkeypatch.setattr("ellipsefit.files.text.blocks.BLOCK", 1 << 12)
    rows = "".join(f"{number};{number % 7},25\n".replace(";", ",5;") for number in range(1000))
    path = saved(tmp_path, f"{HEADER}{rows}")
    assert len(read_profile(path).x) == 1000
    content = examine_text(saved(tmp_path, f"{HEADER}{rows}The end\n"))
    assert (content.rows, content.ignored) == (1000, ("1 line after the table: 'The end'",))
    for end, fragment in (("1000,5", "line 1002: expected 2 columns"), ("Mean;3,2", "line 1002: column 'x'")):
        with pytest.raises(FileFormatError, match=fragment):
            read_profile(saved(tmp_path, f"{HEADER}{rows}{end}"))


def test_a_fault_in_many_blocks_says_in_how_many_rows_if_it_is_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ellipsefit.files.text.blocks.BLOCK", 1 << 10)
    rows = "".join(f"{number};{number % 7};{'' if number % 100 == 3 else 'S01'}\n" for number in range(1000))
    (fault,) = examine_text(saved(tmp_path, f"x [mm];height [um];segment\n{rows}")).faults
    assert fault.endswith("line 5: column 'segment': expected a name of 1 to 100 characters; got '' (so in 10 rows)")
    rows = "".join(f"{number}.125,5;2\n" for number in range(1000))
    (fault,) = examine_text(saved(tmp_path, f"{HEADER}{rows}")).faults
    assert fault.endswith("expected one of them; got '0.125,5'")


def test_a_fault_in_the_last_part_of_a_large_file_is_said_to_be_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ellipsefit.files.text.blocks.BLOCK", 1 << 12)
    monkeypatch.setattr("ellipsefit.files.text.rows.LARGE", 1 << 15)
    monkeypatch.setattr("ellipsefit.files.text.rows.PART", 1 << 10)
    path = saved(tmp_path, HEADER + "".join(f"{number};2\n" for number in range(10_000)) + "10000;nan\n")
    (fault,) = examine_text(path, look=True).faults
    start = path.stat().st_size - (1 << 10)
    assert f"near byte {start}: column 'height' is nan" in fault


def test_of_thousands_of_columns_only_those_in_use_are_kept(tmp_path: Path) -> None:
    """All cells as text would take 50 bytes each, 100 MB; a block is read at a time."""
    others = ",".join(["0.5"] * 4000)
    names = ",".join(f"c{number}" for number in range(4000))
    path = saved(tmp_path, f"{names},x [mm],height [um]\n" + "".join(f"{others},{row},2\n" for row in range(500)))
    tracemalloc.start()
    profile = read_profile(path)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert_allclose(profile.x, np.arange(500) * 1e-3, rtol=1e-15)
    assert peak < 50e6


@pytest.mark.parametrize("start", ["", "# "])
def test_a_line_of_a_million_columns_is_refused_before_any_is_kept(start: str, tmp_path: Path) -> None:
    """Bound: of a line of 7 MB there are two copies, as bytes and as text, and its cells are not made."""
    names = ",".join(f"c{i}" for i in range(1_000_000))
    path = saved(tmp_path, f"{start}x [mm],height [um],{names}\n1,2,3\n")
    tracemalloc.start()
    with pytest.raises(FileFormatError, match="line 1: has 1000002 columns; expected a row for each point, 100000 col"):
        read_profile(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 5 * path.stat().st_size


def test_a_large_file_is_looked_at_in_parts_and_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ellipsefit.files.text.rows.LARGE", 1 << 20)
    monkeypatch.setattr("ellipsefit.files.text.blocks.BLOCK", 1 << 17)
    monkeypatch.setattr("ellipsefit.files.text.rows.PART", 1 << 15)
    count = 200_000
    rows = "".join(f"{number * 1e-2:.5f},{number % 7:.6f},S{number // 50_000}\n" for number in range(count))
    path = saved(tmp_path, "x [mm],height [um],segment\n" + rows + "The end\n")
    content = inspect_file(path)
    facts = content.to_dict()["facts"]
    assert content.faults == ()
    assert content.content is None
    assert abs(facts["points"] / count - 1) < 0.05
    assert facts["span"] == [0.0, pytest.approx((count - 1) * 1e-5, rel=1e-12)]
    assert facts["segments"] == ["S0", "S1", "S2", "S3"]
    assert "looked at" in content.warnings[0]
    assert "the rest is checked when the file is read" in content.warnings[0]
    path.write_text(path.read_text().replace(rows[-200:], rows[-200:].replace(",", ";", 1)))
    assert "near byte" in inspect_file(path).faults[0]
    assert len(read_profile(saved(tmp_path, "x [mm],height [um],segment\n" + rows)).x) == count


WORDS = st.sampled_from(
    ["x [mm]", "height [um]", "height", "mm", "um", "segment", "1,5", "2.5", "nan", "S01", "-", "#", "% a", '"', "x/mm"]
)
CELLS = st.one_of(WORDS, st.text(max_size=4))


@settings(max_examples=200)
@given(
    st.lists(st.lists(CELLS, max_size=5), max_size=8),
    st.sampled_from([",", ";", "\t", " "]),
    st.sampled_from(["utf-8", "utf-16", "latin-1"]),
)
def test_no_table_makes_the_reader_raise_anything_but_its_errors(
    tmp_path_factory: pytest.TempPathFactory, table: list[list[str]], delimiter: str, encoding: str
) -> None:
    text = "\n".join(delimiter.join(row) for row in table)
    path = saved(tmp_path_factory.getbasetemp(), text.encode(encoding, errors="replace"))
    try:
        read_profile(path)
    except EllipsefitError as error:
        assert str(error).startswith(str(path))  # noqa: PT017 - a valid file is fine, too
        assert "\n" not in str(error)  # noqa: PT017 - a valid file is fine, too
    inspect_file(path)
