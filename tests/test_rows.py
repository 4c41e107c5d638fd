"""Tables of a result: text and HTML hold the same cells; uncertainties are rounded as the GUM advises."""

from __future__ import annotations

import math
import re
from html import unescape
from html.parser import HTMLParser

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ellipsefit.rows import UNDERSTATED, Table, as_html, as_text, number, rounded, share, uncertainty, with_uncertainty

MOVES = Table(
    title="Moves <1>",
    header=("segment", "move", "remark"),
    cells=(("S01 & co", "-12.5 um", "a<b"), ("S02", "+3 um", "AT ITS LIMIT")),
    notes=("turn with care",),
)


class Cells(HTMLParser):
    """The text of every table cell, by the standard library's parser."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.inside = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:  # noqa: ARG002 - the base class names it
        if tag in ("td", "th"):
            self.inside = True
            self.found.append("")

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th"):
            self.inside = False

    def handle_data(self, data: str) -> None:
        if self.inside:
            self.found[-1] += data


def test_text_and_html_hold_the_same_cells() -> None:
    parser = Cells()
    parser.feed(as_html([MOVES]))
    wanted = [*MOVES.header, *(cell for row in MOVES.cells for cell in row)]
    assert parser.found == wanted
    text = as_text([MOVES])
    assert all(cell in text for cell in wanted)
    assert "turn with care" in text


def test_html_escapes_everything_that_came_from_outside() -> None:
    bare = re.sub(r"</?(table|caption|thead|tbody|tr|th|td|p)\b[^<>]*>", "", as_html([MOVES]))
    assert "<" not in bare
    assert "Moves <1>" in unescape(bare)


def test_numbers_are_flush_right_and_words_flush_left() -> None:
    _, _, first, second, _ = as_text([MOVES]).splitlines()
    assert first.index("-12.5 um") + len("-12.5 um") == second.index("+3 um") + len("+3 um")
    assert first.index("a<b") == second.index("AT ITS LIMIT")


def test_a_table_without_header_or_cells_still_has_its_title() -> None:
    assert as_text([Table(title="Nothing")]) == "Nothing"
    assert "<caption>Nothing</caption>" in as_html([Table(title="Nothing")])


@pytest.mark.parametrize(
    ("value", "kind", "options", "text"),
    [
        (1.234567e-5, "length", {}, "12.3 um"),
        (0.00099996, "length", {}, "1.00 mm"),
        (1234.5e-6, "length", {"unit": "um"}, "1234 um"),  # integer digits are never rounded away
        (9.996e-6, "length", {}, "10.0 um"),
        (-0.0, "length", {"unit": "um"}, "0.00 um"),  # no minus before zero
        (0.0, "angle", {}, "0.00 urad"),
        (2e-6, "angle", {"sign": True}, "+2.00 urad"),
        (0.5, "angle", {"unit": "rad"}, "0.500 rad"),
        (1e14, "length", {"unit": "m"}, "100000000000000 m"),
        (-1e300, "length", {"unit": "mm"}, "-1.000e+303 mm"),  # not 304 digits
        (None, "length", {}, "–"),
        (float("nan"), "length", {}, "–"),
    ],
)
def test_a_number_reads_in_its_practical_unit(
    value: float | None, kind: str, options: dict[str, object], text: str
) -> None:
    assert number(value, kind, **options) == text  # type: ignore[arg-type]  # options are tested as a table


@pytest.mark.parametrize(
    ("value", "stderr", "kind", "text"),
    [
        (11.0203, 0.0734, "length", "(11.020 ± 0.073) m"),  # 0.073 is 0.5 % too small, which passes
        (11.0203, 0.0996, "length", "(11.02 ± 0.10) m"),  # 0.0996 rounds up to two digits, 0.10
        (7.0, None, "length", "7.00000 m (held)"),
        (0.018, 4e-5, "angle", "(18.000 ± 0.040) mrad"),
        (0.0, 3e-7, "angle", "(0.00 ± 0.30) urad"),  # no third digit stands before the point
        (-6.72e-4, 5.34e-4, "length", "(-0.67 ± 0.53) mm"),
        (1234.0, 567.0, "length", "(1230 ± 570) m"),  # there is no larger unit
        (0.0, 0.0, "length", "0.00000 um"),
        (1e-6, 2.0, "length", "(0.0 ± 2.0) m"),
        (None, 1.0, "length", "–"),
    ],
)
def test_value_and_uncertainty_end_at_the_same_decimal(
    value: float | None, stderr: float | None, kind: str, text: str
) -> None:
    """JCGM 100:2008 (GUM), 7.2.6: at most two digits of the uncertainty, the value to match."""
    assert with_uncertainty(value, stderr, kind) == text


@pytest.mark.parametrize(
    ("value", "stderr", "wanted"),
    [
        (10.05762, 0.027, ("10.058", "0.027")),  # y = 10.057 62 ohm, u = 27 mohm: 10.058 ohm
        (10.05762, 0.01047, ("10.058", "0.011")),  # u = 10.47 mohm "might be rounded up to 11 mohm"
        (0.0, 28.05, ("0", "28")),  # u = 28.05 kHz "should be rounded down to 28 kHz"
    ],
)
def test_the_examples_of_the_gum(value: float, stderr: float, wanted: tuple[str, str]) -> None:
    """JCGM 100:2008 (GUM), 7.2.6, its three examples; the value ends where its uncertainty does."""
    assert rounded(value, stderr) == wanted


@settings(max_examples=300, derandomize=True)
@given(value=st.floats(-1e6, 1e6), stderr=st.floats(1e-9, 1e9))
def test_rounding_keeps_two_digits_and_hides_next_to_nothing(value: float, stderr: float) -> None:
    """GUM 7.2.6: two digits at the most; the value changes by no more than half of the last one."""
    shown, size = rounded(value, stderr)
    digits = size.replace(".", "").strip("0")
    assert 1 <= len(digits) <= 2
    last = 10.0 ** (math.floor(math.log10(float(size))) - 1)
    assert stderr * (1 - UNDERSTATED) - 1e-12 * stderr <= float(size) <= stderr + last * (1 + 1e-9)
    assert abs(float(shown) - value) <= last / 2 + 4e-16 * abs(value)
    assert shown.partition(".")[2].__len__() == size.partition(".")[2].__len__()


def test_uncertainties_alone_and_of_shares_are_rounded_the_same() -> None:
    assert uncertainty(5.34e-4, "length") == "0.53 mm"
    assert uncertainty(9.97e-5, "length", unit="um") == "100 um"
    assert share(0.5, 0.00047) == "(50.000 ± 0.047) %"
    assert share(0.93214, None) == "93.2 %"
