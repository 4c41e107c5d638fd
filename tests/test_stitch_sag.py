"""Gravity sag of a segment against the closed forms of a uniform beam on two supports."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from ellipsefit.errors import ParameterError
from ellipsefit.stitching.sag import AIRY, segment_sag, weight_over_stiffness

#: Root of a**4 + 18 a**3 - 11 a**2 - 3 a + 1: least shortening of the neutral axis, printed as 0.2203.
BESSEL = min(root.real for root in np.roots([1, 18, -11, -3, 1]) if abs(root.imag) < 1e-12 and 0 < root.real < 0.5)


def centre_and_end(a: float) -> tuple[float, float]:
    """Sag downward of a beam of length 1, w / (E I) = 1."""
    values = -segment_sag(np.array([0.0, 0.5]), length=1.0, support=a, load=1.0)
    return float(values[0]), float(values[1])


@pytest.mark.parametrize("a", [0.0, 0.1, AIRY, BESSEL, 0.3, 0.45])
def test_centre_and_end_follow_the_closed_forms(a: float) -> None:
    """Centre (5 - 40 a + 96 a**2 - 64 a**3 - 16 a**4) / 384, end (-a + 6 a**2 - 6 a**3 - a**4) / 24 of w L**4 / E I.

    The same as superposing cases of Roark's Formulas for Stress and Strain, Table 8.1 (from memory); derived by
    integration. Rounding of sums of terms of 1 / 384: 1e-16.
    """
    centre, end = centre_and_end(a)
    assert_allclose(centre, (5 - 40 * a + 96 * a**2 - 64 * a**3 - 16 * a**4) / 384, rtol=0, atol=1e-15)
    assert_allclose(end, (-a + 6 * a**2 - 6 * a**3 - a**4) / 24, rtol=0, atol=1e-15)


def test_airy_and_bessel_points() -> None:
    """End faces stay parallel on the Airy points; Bessel's 0.2203 and their sags to 12 digits.

    Printed: support spacings 0.5774 and 0.5594 of the length; the digits are evaluations of the closed forms.
    """
    assert_allclose(1 - 2 * AIRY, 0.57735026918962576451, rtol=1e-15)
    step = 1e-6
    ends = segment_sag(np.array([0.5 - step, 0.5]), length=1.0, support=AIRY, load=1.0)
    assert abs(ends[1] - ends[0]) / step < 1e-9  # the slope's own change over the step is below 1e-12
    assert_allclose(BESSEL, 0.22030994068347857536, rtol=1e-12)
    assert_allclose(centre_and_end(AIRY), (5.163801188734165e-4, -8.309811310704957e-5), rtol=1e-10)
    assert_allclose(centre_and_end(BESSEL), (3.256629951461874e-4, 1.831120529681822e-4), rtol=1e-10)


def test_a_glass_segment_on_its_bessel_points() -> None:
    """Float glass by EN 572-1 (70 GPa, 2500 kg/m**3), 0.5 m long and 15 mm thick: 380.2 nm at the centre."""
    load = weight_over_stiffness(2500.0, 70e9, 15e-3)
    assert_allclose(load * 0.5**4, 1167.45833333e-6, rtol=1e-10)
    sag = segment_sag(np.array([0.0, 0.25]), length=0.5, support=BESSEL * 0.5, load=load)
    assert_allclose(sag, [-380.1979775e-9, -213.7756922e-9], rtol=1e-8)
    on_ends = segment_sag(np.array([0.0]), length=0.5, support=0.0, load=load)
    assert_allclose(on_ends, [-15.20128038e-6], rtol=1e-9)


def test_bad_supports_are_refused() -> None:
    """Each sentence names what was wrong. Source: the documentation."""
    x = np.zeros(1)
    with pytest.raises(ParameterError, match="support must lie within half the length"):
        segment_sag(x, length=0.5, support=0.3, load=1.0)
    with pytest.raises(ParameterError, match=r"x must lie within 0\.25 m"):
        segment_sag(x + 0.3, length=0.5, support=0.1, load=1.0)
    with pytest.raises(ParameterError, match="length must be positive"):
        segment_sag(x, length=0.0, support=0.0, load=1.0)
    with pytest.raises(ParameterError, match="modulus must be positive"):
        weight_over_stiffness(2500.0, float("nan"), 0.015)
