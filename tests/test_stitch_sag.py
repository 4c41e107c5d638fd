"""Gravity sag of a segment against the closed forms of a uniform beam on two supports."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from ellipsefit.errors import FileFormatError, ParameterError
from ellipsefit.files import read_mirror, write_mirror
from ellipsefit.mirror import Measurement, Mirror, Support
from ellipsefit.scan import Orientation, Scan
from ellipsefit.stitching import StitchSettings, stitch
from ellipsefit.stitching.conditioning import condition_scans
from ellipsefit.stitching.sag import AIRY, segment_sag, weight_over_stiffness
from tests.stitch_cases import Array, Campaign, less, mirror_of

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


# --- as a step of conditioning ---------------------------------------------------------------------------

GLASS = Support(from_end=0.066, thickness=15e-3, modulus=70e9, density=2500.0, uncertainty=0.1)
STARTS = (-0.59, -0.47, -0.33, -0.16, -0.01, 0.10, 0.2)


def resting(quantity: Any, facing: tuple[Orientation, ...]) -> tuple[Mirror, list[Scan]]:
    """Exact scans of three segments on their supports: moments of weight and supports, summed twice."""
    mirror = mirror_of((-0.6, -0.205), (-0.2, 0.195), (0.2, 0.595))
    mirror = replace(mirror, measurement=Measurement(support=GLASS))
    load = 12 * 2500.0 * 9.80665 / (70e9 * 15e-3**2)
    fine = np.linspace(0.0, 0.395, 39501)
    h = fine[1]
    moment = -((np.maximum(fine, 0.0)) ** 2) / 2 + 0.1975 * (
        np.maximum(fine - 0.066, 0.0) + np.maximum(fine - (0.395 - 0.066), 0.0)
    )
    slope = np.cumsum(np.r_[0.0, (moment[1:] + moment[:-1]) / 2]) * h * load
    slope -= (slope[0] + slope[-1]) / 2  # symmetric
    bent = np.cumsum(np.r_[0.0, (slope[1:] + slope[:-1]) / 2]) * h
    bent -= np.interp(0.066, fine, bent)

    def sag(x: Array) -> Array:
        out = np.zeros_like(x)
        for part in mirror.segments:
            inside = (x >= part.start - 1e-9) & (x <= part.end + 1e-9)
            out[inside] = np.interp(x[inside] - part.start, fine, bent if quantity == "height" else slope)
        return out

    case = Campaign(
        starts=STARTS, points=80, step=0.005, quantity=quantity, heights=[1e-6] * 7, orientation=facing, sigma=1e-8
    )
    scans = [
        replace(s, values=s.values + (-1.0 if s.orientation == "face_down" else 1.0) * sag(np.asarray(s.x)))
        for s in case.scans()
    ]
    return mirror, scans


@pytest.mark.parametrize("facing", [("normal",) * 7, ("normal", "face_down") * 3 + ("normal",)], ids=["up", "both"])
@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_the_sag_is_taken_away_face_up_and_face_down(quantity: Any, facing: tuple[Orientation, ...]) -> None:
    """Conditioned scans of a perfect mirror are a line. Oracle: the beam equation summed numerically.

    The trapezoidal rule errs by h**2 / 12 times the change of the integrand: 1e-5**2, 1e-9 of the sag and less.
    """
    mirror, scans = resting(quantity, facing)
    plain = StitchSettings(spike_threshold=None, roll_off=False)
    for scan, raw in zip(condition_scans(scans, mirror, plain), scans, strict=True):
        assert scan.sag is not None
        size = float(np.ptp(scan.sag[scan.used]))
        rest = less(scan.x[scan.used], scan.deviation[scan.used], 1 if quantity == "height" else 0)
        assert np.abs(rest).max() < 1e-6 * size
        np.testing.assert_array_equal(scan.scan.values, raw.values)


def test_the_uncertainty_of_the_sag_is_one_column_of_the_covariance() -> None:
    """All face up on a straight guide: a sag wrong by a share is in the profile by that share, but for a line.

    Oracle: the sag itself. With both faces half and half the guide's sign and the sag's tell the difference,
    and its uncertainty is carried as much smaller.
    """
    mirror, scans = resting("height", ("normal",) * 7)
    settings = StitchSettings(spike_threshold=None, roll_off=False, guide=False)
    result = stitch(scans, mirror, settings=settings)
    factor = result.profile.covariance_factor
    assert factor is not None
    column = less(result.profile.x, factor[:, -1], 1)
    part = condition_scans(scans, mirror, settings)
    places = np.concatenate([scan.x[scan.used] for scan in part])
    sags = np.concatenate([scan.sag[scan.used] for scan in part if scan.sag is not None])
    order = np.argsort(places)
    expected = less(result.profile.x, 0.1 * np.interp(result.profile.x, places[order], sags[order]), 1)
    assert_allclose(column, expected, rtol=0, atol=1e-3 * np.abs(expected).max())
    assert "taken away" in result.steps["sag of the segments"]
    assert result.to_dict()["steps"] == result.steps


def test_supports_are_read_from_the_mirror_file_and_written_again(tmp_path: Path) -> None:
    """Round trip; one clear sentence for what cannot be. Source: the documentation."""
    mirror, _ = resting("height", ("normal",) * 7)
    write_mirror(mirror, tmp_path / "m.toml")
    text = (tmp_path / "m.toml").read_text()
    assert read_mirror(tmp_path / "m.toml") == mirror
    for old, new, words in (
        ('from_end = "66 mm"', 'from_end = "250 mm"', "from_end must lie within half of segment 'S1'"),
        ('modulus = "70 GPa"', 'modulus = "70 mm"', "'mm' is no unit of pressure"),
        ('density = "2500 kg/m^3"', "density = 2500", "density"),
        ("uncertainty = 0.1", "uncertainty = 1.5", "uncertainty must be from 0 to 1"),
        ('thickness = "15 mm"', 'thicknes = "15 mm"', "thickness"),
    ):
        assert old in text
        (tmp_path / "bad.toml").write_text(text.replace(old, new))
        with pytest.raises(FileFormatError, match=words):
            read_mirror(tmp_path / "bad.toml")
