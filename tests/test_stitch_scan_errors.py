"""How well the scans' own heights and tilts, noise and drift are known, against what is scattered and dense algebra."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import chi2

from ellipsefit.scan import Scan
from ellipsefit.stitching import Stitched, StitchSettings, joining, stitch, substitution
from ellipsefit.stitching.guide import GuideModel, one_guide
from tests.stitch_cases import Array, Campaign, mirror_of

PLAIN = StitchSettings(spike_threshold=None, roll_off=False)
STARTS = (-0.50, -0.37, -0.22, -0.13, 0.03, 0.11)
MIRROR = mirror_of((-0.6, 0.6))
POINTS, STEP = 40, 0.01
MIDDLE = np.array(STARTS) + (POINTS - 1) * STEP / 2


def made(rng: np.random.Generator, **changes: Any) -> tuple[list[Scan], Array, Array]:
    """Scans, and the heights and tilts that were put in."""
    heights, tilts = rng.normal(0, 2e-5, 6), rng.normal(0, 4e-5, 6)
    case = Campaign(
        starts=STARTS,
        points=POINTS,
        step=STEP,
        figure=lambda x: 1e-7 * np.sin(9 * x),
        heights=heights,
        tilts=tilts,
        noise=5e-8,
        sigma=5e-8,
    )
    return replace(case, **changes).scans(rng), heights, tilts


def unshared(heights: Array, tilts: Array) -> tuple[Array, Array]:
    """Without mean height and mean tilt, which turns all scans about the mean of their middles."""
    own = heights - heights.mean() - tilts.mean() * (MIDDLE - MIDDLE.mean())
    return own, tilts - tilts.mean()


def found_in(result: Stitched) -> tuple[Array, Array, Array, Array]:
    scans = result.scans
    heights = np.array([scan.height for scan in scans], dtype=np.float64)
    sure = np.array([scan.height_stderr for scan in scans], dtype=np.float64)
    return heights, np.array([scan.tilt for scan in scans]), sure, np.array([scan.tilt_stderr for scan in scans])


@cache
def repeated() -> tuple[Array, Array, Array]:
    """Errors over stated uncertainties of 40 campaigns without a guide's error: heights, tilts, noise."""
    heights, tilts, noise = [], [], []
    for seed in range(40):
        scans, true_heights, true_tilts = made(np.random.default_rng([5, seed]))
        result = stitch(scans, MIRROR, settings=replace(PLAIN, guide=False))
        height, tilt, height_sure, tilt_sure = found_in(result)
        own, turned = unshared(true_heights, true_tilts)
        found, found_turned = unshared(height, tilt)
        heights.append((found - own) / height_sure)
        tilts.append((found_turned - turned) / tilt_sure)
        assert result.noise_stderr is not None
        noise.append((result.noise - 1) / result.noise_stderr)
    return np.array(heights), np.array(tilts), np.array(noise)


@pytest.mark.parametrize("which", [0, 1, 2], ids=["heights", "tilts", "noise"])
def test_repeated_campaigns_scatter_as_stated(which: int) -> None:
    """Mean squares of errors over their uncertainties lie where chi-square has 99.9 % of them.

    Six scans have four heights and five tilts of their own; those of one campaign are correlated, so that only one
    scan of each campaign counts, taken in turn.
    """
    z = repeated()[which]
    some = z if z.ndim == 1 else z[np.arange(len(z)), np.arange(len(z)) % 6]
    low, high = (chi2.ppf(chance, len(some)) / len(some) for chance in (0.0005, 0.9995))
    assert low < np.mean(some**2) < high


@pytest.mark.parametrize("changes", [{}, {"timed": True}, {"angle_stderr": 2e-7}], ids=["plain", "drift", "angles"])
def test_band_and_dense_algebra_agree(changes: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    """Few effects by all modes, many by solving and the inverse within the band: the same uncertainties.

    The common height is uncertain by a thousand times what is left; its square, with 16 digits, leaves ten.
    """
    scans, *_ = made(np.random.default_rng(3), guide=lambda c: 2e-7 * np.sin(14 * c), **changes)
    dense = stitch(scans, MIRROR, settings=PLAIN)
    monkeypatch.setattr(joining, "DENSE", 0)
    monkeypatch.setattr(substitution, "RANK", 8)
    band = stitch(scans, MIRROR, settings=PLAIN)
    for one, other in zip(found_in(dense)[2:], found_in(band)[2:], strict=True):
        assert_allclose(one, other, rtol=1e-4)
    if dense.drift_spread_stderr is not None:
        assert band.drift_spread_stderr == pytest.approx(dense.drift_spread_stderr, rel=1e-6)


def drifting(size: float, seed: int) -> Stitched:
    """Six scans with a square and a cube of time each, of a standard deviation."""
    rng = np.random.default_rng([7, seed])
    own = [np.polynomial.Legendre([0.0, 0.0, *rng.normal(0, size, 2)]) for _ in STARTS]
    scans, *_ = made(rng, drift=own, timed=True)
    return stitch(scans, MIRROR, settings=replace(PLAIN, guide=False))


def test_drift_scatters_as_its_spread_is_stated() -> None:
    z = []
    for seed in range(24):
        result = drifting(1e-6, seed)
        assert result.drift_spread is not None
        assert result.drift_spread_stderr is not None
        z.append((result.drift_spread - 1e-6) / result.drift_spread_stderr)
    low, high = (chi2.ppf(chance, len(z)) / len(z) for chance in (0.0005, 0.9995))
    assert low < np.mean(np.square(z)) < high


def test_drift_that_noise_hides_tells_little_of_its_spread() -> None:
    """n coefficients known without error tell their spread s to s / sqrt(2 n); noise in them makes it worse."""
    shares = []
    for size in (1e-6, 2e-8):
        result = drifting(size, 1)
        assert result.drift_spread is not None
        assert result.drift_spread_stderr is not None
        shares.append(result.drift_spread_stderr / result.drift_spread)
    assert 1 / np.sqrt(2 * 12) < shares[0] < shares[1]


def test_one_scan_shares_all_it_has() -> None:
    scan = made(np.random.default_rng(4))[0][0]
    result = stitch([scan], MIRROR, settings=PLAIN)
    assert result.noise_stderr is None
    assert result.scans[0].height_stderr == result.scans[0].tilt_stderr == 0.0
    assert "±" not in str(result).split("Scans against the profile")[1].split("± without")[0]


def test_slopes_have_no_height() -> None:
    scans, *_ = made(np.random.default_rng(6), quantity="slope")
    result = stitch(scans, MIRROR, settings=PLAIN)
    assert all(scan.height_stderr is None for scan in result.scans)
    assert all(scan.tilt_stderr > 0 for scan in result.scans)


def test_belief_in_the_guide_is_as_wide_as_its_parts() -> None:
    """Two parts of equal weight, one unit to each side of their mean."""
    model = GuideModel(parts=((0.5, 1.0, 0.1, "matern"), (0.5, 3.0, 0.3, "gaussian")))
    assert model.spread_stderr == pytest.approx(1.0)
    assert model.length_stderr == pytest.approx(0.1)
    assert one_guide(2.0, 0.5).spread_stderr == 0.0
