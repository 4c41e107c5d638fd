"""The sheet to take along: check digits, words, CSV out and back, the page."""

import html
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ellipsefit.align.orders import Order, Orders, adjusters_of, approached
from ellipsefit.align.sheet import check_digit, sheet_lines, sheet_notes
from ellipsefit.errors import FileExistsAlreadyError, FileFormatError
from ellipsefit.files.sheet import read_sheet, write_sheet
from ellipsefit.report.cautions import CAUTIONS
from ellipsefit.report.sheet import render_sheet
from tests.loop_cases import small_mirror, with_adjusters

WHEN = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    "number",
    [
        "07945",  # the example of ISO/IEC 7064 for MOD 11,10, from memory
        "86095742719",  # the tax number that German authorities print as an example, from memory
        "65929970489",  # likewise
        "69435151530",  # the Croatian personal number printed as an example, from memory
    ],
)
def test_published_numbers_have_their_check_digit(number: str) -> None:
    assert check_digit(number[:-1]) == int(number[-1])


@given(st.text("0123456789", min_size=1, max_size=20), st.data())
def test_every_single_wrong_digit_changes_the_check_digit(text: str, data: st.DataObject) -> None:
    """A property of the system (ISO/IEC 7064:2003, clause 4)."""
    place = data.draw(st.integers(0, len(text) - 1))
    other = data.draw(st.sampled_from("0123456789".replace(text[place], "")))
    assert check_digit(text) != check_digit(text[:place] + other + text[place + 1 :])


def orders(moves: dict[tuple[str, str], float], **more: Any) -> Orders:
    mirror = with_adjusters(small_mirror(), backlash=2e-6)
    adjusters = adjusters_of(mirror)
    found = tuple(
        approached(adjusters[key], Order(segment=key[0], adjuster=key[1], start=0.0, stop=move))
        for key, move in moves.items()
    )
    return Orders(mirror=mirror, moves=found, when=WHEN, **more)


MOVES = {("S01", "U"): 12.5e-6, ("S01", "D"): 0.0, ("S02", "U"): -7e-6, ("S03", "D"): -149e-6}


def test_a_line_says_all_in_words() -> None:
    """By hand: pitch 0.25 mm a turn, clockwise raises: 12.5 um are 0.05 turns, 18 degrees; from -7 um, 4 um further
    down first (twice the backlash), then up; -149 um has no room for that, so it is reached from above."""
    third, first, second = sheet_lines(orders(MOVES))  # the biggest move comes first
    assert (third.number, third.segment) == (1, "S03")
    assert (first.number, first.direction, first.turns) == (2, "raise", "0.050 (18°) clockwise")
    assert first.approach == "from below"  # the move itself takes up the backlash
    assert (second.direction, second.turns) == ("lower", "0.028 (10°) anticlockwise")
    assert second.approach == "from below: first to -11.00 um"
    assert third.approach == "from above"


def test_a_wrong_handed_screw_is_told_by_what_its_surface_does() -> None:
    plan = orders(MOVES)
    first, *others = plan.moves
    line = sheet_lines(replace(plan, moves=(replace(first, gain=-0.9), *others)))[1]
    assert (line.direction, line.turns) == ("lower", "0.050 (18°) clockwise")


def test_a_sheet_comes_back_with_its_readings(tmp_path: Path) -> None:
    plan = orders(MOVES)
    path = tmp_path / "sheet.csv"
    write_sheet(plan, path, cautions=CAUTIONS)
    text = path.read_text(encoding="utf-8-sig")
    assert all(topic in text for topic, _ in CAUTIONS)
    assert read_sheet(path, plan) == {}
    filled = re.sub(r"^(3,S02.*),,$", r"\1,-6.5,AB", text, flags=re.M)
    assert filled != text
    path.write_text(filled, encoding="utf-8")
    assert read_sheet(path, plan) == {("S02", "U"): pytest.approx(-6.5e-6)}
    # as a spreadsheet of another country saves it
    lines = [line.replace(",", ";").replace(".", ",") for line in filled.splitlines() if not line.startswith("#")]
    path.write_text("\n".join(lines), encoding="utf-8")
    assert read_sheet(path, plan) == {("S02", "U"): pytest.approx(-6.5e-6)}


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("S02,U,+0.00,-7.00", "S02,U,+0.00,-7.50", "check digit"),
        ("2,S01,U", "2,S09,U", "no adjuster 'S09/U'"),
        ("check,reading [um]", "check,read", "column 'reading [um]' is missing"),
        (",from below,", ",from below,,", "cells; expected 12"),
    ],
)
def test_a_spoilt_sheet_is_refused(tmp_path: Path, old: str, new: str, words: str) -> None:
    plan, path = orders(MOVES), tmp_path / "sheet.csv"
    write_sheet(plan, path)
    text = path.read_text(encoding="utf-8-sig")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(FileFormatError, match=re.escape(words)) as fault:
        read_sheet(path, plan)
    assert str(path) in str(fault.value)
    assert "\n" not in str(fault.value)


def test_an_empty_or_binary_sheet_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    for content in (b"", b"# only\n", b"\xff\xfe\x00"):
        path.write_bytes(content)
        with pytest.raises(FileFormatError, match="expected a sheet"):
            read_sheet(path, orders(MOVES))


def test_a_sheet_is_not_overwritten_unasked(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text("mine")
    with pytest.raises(FileExistsAlreadyError):
        write_sheet(orders(MOVES), path)
    assert path.read_text() == "mine"


def test_the_page_has_a_line_for_each_move_room_to_write_and_the_cautions() -> None:
    plan = orders(MOVES)
    page = render_sheet(plan)
    body = page[page.index("<tbody>") : page.index("</tbody>")]
    assert body.count("<tr>") == 3
    assert "initials" in page
    assert "reading" in page
    assert all(
        html.escape(text, quote=False) in html.unescape(page) or text in html.unescape(page) for _, text in CAUTIONS
    )
    assert not re.search(r"(?:src|href)=|<script|https?://", page)
    assert "2026-03-01 09:30" in page


def test_names_are_escaped() -> None:
    mirror = replace(small_mirror(), name="<b>Heron</b>")
    page = render_sheet(Orders(mirror=mirror, moves=()))
    assert "<b>Heron" not in page


def test_an_empty_sheet_says_so() -> None:
    assert sheet_notes(orders({}))[0] == "No adjuster is asked to move."
    assert sheet_lines(orders({})) == ()
