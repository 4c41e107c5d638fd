"""Quantities at the borders. Sources: the SI Brochure (9th ed., 2019) for the prefixes, the degree Celsius
and the angles; the international inch (1959) is 25.4 mm by definition."""

from __future__ import annotations

import math
import subprocess
import sys
from decimal import Decimal
from typing import Any

import numpy as np
import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from ellipsefit.errors import EllipsefitError, UnitError
from ellipsefit.units import KINDS, USUAL, parse_quantity, practical_unit, to_si, unit_factor

ULP = 2.3e-16  # one rounding of a double


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("11.0 m", "length", 11.0),
        ("-2998 mm", "length", -2.998),
        ("250um", "length", 250e-6),
        ("250 µm", "length", 250e-6),  # micro sign U+00B5
        ("250 μm", "length", 250e-6),  # Greek mu U+03BC
        ("250 micrometre", "length", 250e-6),
        ("250 micrometers", "length", 250e-6),
        ("1 inch", "length", 0.0254),
        ("1e3 nm", "length", 1e-6),
        ("18 mrad", "angle", 0.018),
        ("1 deg", "angle", math.pi / 180),
        ("1 °", "angle", math.pi / 180),
        ("1 arcsec", "angle", math.pi / 648000),
        ("3 um/m", "angle", 3e-6),
        ("3 h", "time", 10800.0),
        ("21.3 degC", "temperature", 294.45),
        ("21.3 °C", "temperature", 294.45),
        ("300 K", "temperature", 300.0),
        ("9e-6 / K", "expansion", 9e-6),
        ("9e-6 1/K", "expansion", 9e-6),
        ("9 ppm/K", "expansion", 9e-6),
        ("9e-6 / °C", "expansion", 9e-6),
    ],
)
def test_a_quantity_has_the_value_that_the_si_gives_it(text: str, kind: str, value: float) -> None:
    """A value and its unit are rounded at most three times (number, factor, product)."""
    assert_allclose(parse_quantity(text, kind), value, rtol=3 * ULP)


@given(st.integers(-(10**9), 10**9), st.integers(0, 6), st.sampled_from([("mm", 3), ("um", 6), ("nm", 9)]))
def test_a_decimal_number_with_a_prefix_is_the_nearest_double(number: int, places: int, unit: tuple[str, int]) -> None:
    """The decimal value, by exact arithmetic. The number itself is rounded first, so two roundings
    remain where it has decimals; an integer number of units must come out exactly rounded."""
    text = str(Decimal(number).scaleb(-places))
    if "E" in text:
        text = f"{Decimal(text):f}"
    exact = float(Decimal(text).scaleb(-unit[1]))
    assert_allclose(parse_quantity(f"{text} {unit[0]}", "length"), exact, rtol=0 if places == 0 else 2 * ULP)


@pytest.mark.parametrize(
    ("text", "kind", "fragment"),
    [
        (250, "length", "without a unit"),
        (True, "length", "without a unit"),
        (None, "angle", "without a unit"),
        ("250", "length", "without a unit"),
        ("250 parsnips", "length", "unknown unit 'parsnips'"),
        ("18 mrad", "length", "no unit of length"),
        ("18 mm", "angle", "no unit of angle"),
        ("18 m/m/m", "angle", "no unit of angle"),
        ("18 %", "angle", "unit"),
        ("3 K", "expansion", "no unit of expansion"),
        ("mm", "length", "got 'mm'"),
        ("", "length", "got ''"),
        ("1,5 mm", "length", "got '1,5 mm'"),
        ("1 2 mm", "length", "got '1 2 mm'"),
        ("nan m", "length", "got 'nan m'"),
        ("1e999 m", "length", "finite"),
        ("1 m**99999999", "length", "unknown unit"),
        ("1 (((m", "length", "unknown unit"),
        ("1 m\nm", "length", "got '1 m\\nm'"),
    ],
)
def test_a_wrong_quantity_is_told_with_what_was_expected(text: object, kind: str, fragment: str) -> None:
    with pytest.raises(UnitError) as caught:
        parse_quantity(text, kind)
    message = str(caught.value)
    assert fragment in message
    assert f"a {'finite ' if fragment == 'finite' else ''}{kind}" in message.replace("an ", "a ")
    assert KINDS[kind][1] in message
    assert "\n" not in message


@settings(max_examples=400, deadline=None)
@given(
    st.one_of(st.text(), st.text(alphabet="0123456789.eE+-*/^() mkgunrad%°µ_[]{}'\"\\", max_size=30)),
    st.sampled_from(sorted(KINDS)),
)
def test_no_text_makes_parse_quantity_raise_anything_but_its_error(text: str, kind: str) -> None:
    for candidate in (text, f"1 {text}"):
        try:
            value = parse_quantity(candidate, kind)
        except EllipsefitError as error:
            assert "\n" not in str(error)  # noqa: PT017 - a valid quantity is fine, too
        else:
            assert math.isfinite(value)


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_a_missing_unit_is_an_error(kind: str) -> None:
    with pytest.raises(UnitError, match="unit is missing"):
        unit_factor("", kind)


def test_arrays_are_brought_to_si_like_numbers() -> None:
    numbers = np.array([250.0, -2998.0, 0.1])
    assert to_si(numbers, 1e-6).tolist() == [to_si(number, 1e-6) for number in numbers.tolist()]
    assert_allclose(to_si(numbers, 1e-30), numbers * 1e-30, rtol=2 * ULP)  # no integer type holds its inverse


@pytest.mark.parametrize(
    ("size", "kind", "unit"),
    [
        (11.0, "length", "m"),
        (-0.25, "length", "mm"),
        (0.9996, "length", "m"),  # three digits round it to 1.00 m
        (1e-6, "length", "um"),
        (1e-12, "length", "nm"),
        (0.0, "length", "um"),
        (2e-3, "angle", "mrad"),
        (1.2, "angle", "mrad"),
        (3e-7, "angle", "nrad"),
    ],
)
def test_the_practical_unit_keeps_the_number_readable(size: float, kind: str, unit: str) -> None:
    assert practical_unit(size, kind)[1] == unit


@pytest.mark.parametrize(("kind", "unit"), USUAL)
def test_usual_units_are_those_of_pint(kind: str, unit: str) -> None:
    """To the last bit; pint itself parses what is spelled otherwise."""
    registry: Any = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    number = registry.Quantity(unit if unit[0] != "/" else f"1 {unit}")
    si = KINDS[kind][0]
    offset = 0.0 if kind == "temperature difference" else registry.Quantity(0.0, number.units).to(si).magnitude
    factor = registry.Quantity(1.0, number.units).to(si).magnitude - offset
    assert USUAL[kind, unit] == (factor, offset)


def test_usual_units_need_no_parser() -> None:
    code = (
        "import sys\nfrom ellipsefit.units import parse_quantity as of\n"
        "of('1 mm', 'length'), of('2 µrad', 'angle'), of('20 °C', 'temperature'), of('9e-6 / K', 'expansion')\n"
        "print('pint' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "False\n"
