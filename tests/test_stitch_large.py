"""Stitching of many scans: band with a border, windows of knots, stacks of stretches, against plain ways."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.interpolate import BSpline

from ellipsefit.arrays import BoolArray, median
from ellipsefit.outliers import NORMAL_MAD, stray_points
from ellipsefit.scan import Scan
from ellipsefit.stitching import Stitched, joining, normal, stitch, substitution
from ellipsefit.stitching.bordered import Bordered, FactorisedDense
from ellipsefit.stitching.conditioned import StitchSettings
from ellipsefit.stitching.conditioning import condition_scans
from ellipsefit.stitching.guide import guide_basis
from ellipsefit.stitching.normal import gather
from ellipsefit.threads import in_threads
from tests.stitch_cases import NOMINAL, Array, covariance_of, mirror_of
from tests.test_stitch import HELD, PLAIN, dense, hold, small

# --- a band with a border ---------------------------------------------------------------------------------


def bordered(rng: np.random.Generator, n: int, h: int, b: int) -> Bordered:
    """Positive definite: a product of such a matrix with itself would be wider, so the diagonal is made large."""
    band = rng.normal(size=(h, n))
    for d in range(h):
        band[d, max(n - d, 0) :] = 0.0
    band[0] = 10.0 ** rng.uniform(-3, 3, n)
    for d in range(1, min(h, n)):
        band[d, : n - d] *= 0.2 / h * np.sqrt(band[0, : n - d] * band[0, d:])
    corner = rng.normal(size=(b, b))
    corner = corner @ corner.T + b * np.eye(b)
    cross = 0.2 / np.sqrt(n) * rng.normal(size=(n, b)) * np.sqrt(band[0])[:, None]
    return Bordered(band=band, cross=cross, corner=corner)


@pytest.mark.parametrize(("n", "h", "b"), [(40, 6, 5), (41, 6, 0), (7, 1, 3), (5, 9, 4), (12, 12, 1)])
def test_a_bordered_matrix_behaves_as_its_dense_self(n: int, h: int, b: int) -> None:
    """Products, solutions and the inverse of the band within the band; oracle: numpy.linalg, scaled to rounding."""
    rng = np.random.default_rng(5)
    matrix = bordered(rng, n, h, b)
    whole = matrix.dense()
    assert_array_equal(whole, whole.T)
    assert matrix.size == n + b
    vector = rng.normal(size=n + b)
    assert_allclose(matrix.matvec(vector), whole @ vector, rtol=1e-12, atol=1e-12 * np.abs(whole).max())
    factor = matrix.factorised()
    several = rng.normal(size=(n + b, 3))
    assert_allclose(whole @ factor.solve(several), several, rtol=0, atol=1e-10)
    assert_allclose(whole @ factor.solve(vector), vector, rtol=0, atol=1e-10)
    size = np.sqrt(np.diag(whole))
    inverse = np.linalg.inv((whole / np.outer(size, size))[:n, :n])
    found = factor.inverse_band()
    for d in range(min(h, n)):
        assert_allclose(found[d, : n - d], np.diag(inverse, -d), rtol=0, atol=1e-12)
    if b:
        assert_allclose(factor.last_covariance(b), np.linalg.inv(whole)[n:, n:], rtol=1e-10, atol=1e-14)
    diagonal, corner = rng.uniform(1, 2, n), np.diag(rng.uniform(1, 2, b))
    more = matrix.plus(3.0, diagonal, corner).dense()
    assert_allclose(more[:n, :n], 3 * whole[:n, :n] + np.diag(diagonal), rtol=1e-14)
    assert_allclose(more[n:, n:], 3 * whole[n:, n:] + corner, rtol=1e-14)


def test_modes_whiten_the_gram_matrix() -> None:
    """V V' is the inverse, V' G V diagonal and falling: the definition."""
    rng = np.random.default_rng(6)
    matrix = bordered(rng, 12, 3, 4).dense()
    gram = rng.normal(size=(30, 16))
    gram = gram.T @ gram
    factor = FactorisedDense.of(matrix)
    modes = factor.modes(gram)
    inverse = np.linalg.inv(matrix)
    assert_allclose(modes @ modes.T, inverse, rtol=0, atol=1e-10 * np.abs(inverse).max())
    product = modes.T @ gram @ modes
    assert_allclose(product, np.diag(np.diag(product)), rtol=0, atol=1e-10 * product.max())
    assert (np.diff(np.diag(product)) <= 0).all()
    assert_allclose(factor.log_determinant, np.linalg.slogdet(matrix)[1], rtol=1e-12)
    assert_allclose(factor.last_covariance(4), inverse[-4:, -4:], rtol=1e-8)


# --- joining as large problems are joined -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "guide", "drift"),
    [
        ({}, True, 0),
        ({}, False, 0),
        ({"timed": True}, True, 3),
        ({"angle_stderr": 2e-7}, True, 0),
        ({"orientation": ("normal",) * 4 + ("face_down",) * 2}, True, 0),
    ],
    ids=["guide", "no guide", "drift", "angles", "face down"],
)
def test_joining_of_large_problems_equals_dense_least_squares(
    monkeypatch: pytest.MonkeyPatch, changes: dict[str, Any], guide: bool, drift: int
) -> None:
    """The banded way, forced upon few scans, against one dense QR: values, and variances that 4 modes leave whole."""
    scans = small(np.random.default_rng(3), **changes)
    hold(monkeypatch, HELD)
    monkeypatch.setattr(joining, "DENSE", 0)
    monkeypatch.setattr(substitution, "RANK", 4)
    monkeypatch.setattr(normal, "WINDOW_KNOTS", 8)
    monkeypatch.setattr(normal, "WINDOW_POINTS", 30)
    monkeypatch.setattr(normal, "GRAIN", 2)
    result = stitch(scans, mirror_of((-0.6, 0.6)), settings=replace(PLAIN, guide=guide, drift_degree=drift))
    knots, values, covariance = dense(scans, HELD, guide=guide, drift=drift)
    assert_allclose(result.profile.x, knots, rtol=0, atol=1e-12)
    sigma = np.sqrt(np.diag(covariance))
    assert_allclose(result.profile.values - NOMINAL.height(knots), values, rtol=0, atol=1e-6 * sigma.max())
    assert_allclose(np.diag(covariance_of(result.profile)), np.diag(covariance), rtol=1e-5)


def chain(rng: np.random.Generator, count: int, points: int = 60, **more: Any) -> list[Scan]:
    """Scans of a centimetre grid at unequal steps, every other one backward, in no order."""
    starts = np.cumsum(rng.integers(points // 4, points // 2, count))
    ends = starts + points
    for number, reach in more.get("wide", {}).items():
        starts[number], ends[number] = max(starts[number] - reach, 0), ends[number] + reach
    scans = []
    for number, (start, end) in enumerate(zip(starts, np.minimum(ends, ends[-1]), strict=True)):
        x = 1e-3 * np.arange(start, end) - 5e-4 * (starts[-1] + points)
        carriage = x - x[0]
        values = NOMINAL.height(x) + 1e-7 * np.sin(9 * x) + 2e-7 * np.sin(90 * carriage) + rng.normal(0, 1e-5)
        values = values + rng.normal(0, 1e-4) * carriage + rng.normal(0, 5e-8, len(x))
        turn = slice(None, None, -1 if number % 2 else 1)
        scans.append(
            Scan(name=f"s{number}", quantity="height", x=x[turn], values=values[turn], carriage=carriage[turn])
        )
    return [scans[number] for number in rng.permutation(count)]


LONG = mirror_of((-2.0, -0.4), (-0.399, 0.7), (0.701, 2.0))


def joined(scans: list[Scan]) -> Stitched:
    return stitch(scans, LONG, settings=StitchSettings())


def assert_same(one: Stitched, other: Stitched) -> None:
    """The same result but for rounding: values to 1e-6 of a sigma, whole variances to 1e-5, residuals to 1e-6."""
    sigma = np.sqrt(np.diag(covariance_of(one.profile)))
    assert_allclose(other.profile.values, one.profile.values, rtol=0, atol=1e-6 * sigma.min())
    assert_allclose(np.diag(covariance_of(other.profile)), sigma**2, rtol=1e-5)
    assert_array_equal(other.profile.segment, one.profile.segment)
    assert_allclose(other.guide_error, one.guide_error, rtol=0, atol=1e-6 * one.guide_stderr.max())
    assert_allclose(other.guide_stderr, one.guide_stderr, rtol=1e-5, atol=1e-15)
    for ours, theirs in zip(other.scans, one.scans, strict=True):
        assert ours.name == theirs.name
        assert_allclose(ours.residual_rms, theirs.residual_rms, rtol=1e-6)
    for rest, reference in zip(other.residuals, one.residuals, strict=True):
        assert_allclose(rest, reference, rtol=0, atol=1e-6 * 5e-8)


@pytest.mark.parametrize("wide", [{}, {20: 700}, {20: 700, 40: 900}], ids=["alike", "one wide", "two wide"])
def test_banded_and_dense_ways_agree(monkeypatch: pytest.MonkeyPatch, wide: dict[int, int]) -> None:
    """70 scans, some of which overlap with most others: these join the border, so that the band stays narrow."""
    scans = chain(np.random.default_rng(8), 70, wide=wide)
    points = gather(condition_scans(scans, LONG, StitchSettings()), 1e-3)
    assert points.wide == len(wide)
    assert points.bandwidth <= 4
    reference = joined(scans)
    monkeypatch.setattr(joining, "DENSE", 0)
    assert_same(reference, joined(scans))


def test_windows_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows of some knots, or one of all: sums in another order."""
    scans = chain(np.random.default_rng(9), 50)
    hold(monkeypatch, replace(HELD, noise=5e-8))  # a search for spreads would end a little elsewhere
    found = []
    for knots, points, grain in ((16, 40, 1), (1 << 20, 1 << 20, 5)):
        monkeypatch.setattr(normal, "WINDOW_KNOTS", knots)
        monkeypatch.setattr(normal, "WINDOW_POINTS", points)
        monkeypatch.setattr(normal, "GRAIN", grain)
        found.append(joined(scans))
    assert_same(*found)


def test_variance_between_chosen_knots_is_interpolated(monkeypatch: pytest.MonkeyPatch) -> None:
    """One knot of 5 tells what 4 modes leave: the whole standard uncertainty within 2 %, but next to scans' ends.

    Where a scan ends, its share of the variance changes at once: 2 ends for each of 50 scans, 5 knots each.
    """
    scans = chain(np.random.default_rng(10), 50)
    monkeypatch.setattr(joining, "DENSE", 0)
    monkeypatch.setattr(substitution, "RANK", 4)
    every = np.diag(covariance_of(joined(scans).profile))
    monkeypatch.setattr(normal, "FEW_KNOTS", len(every) // 5)
    some = np.diag(covariance_of(joined(scans).profile))
    ratio = np.sqrt(some / every)
    off = np.abs(ratio - 1) > 0.02
    assert off.sum() <= 2 * 50 * 5
    assert np.abs(ratio - 1).max() < 0.2


def test_knots_far_apart_for_their_step_are_numbered_all_the_same() -> None:
    """Two groups of points at steps of 1 um, 1.5 m apart: oracle, numpy.unique of the rounded places."""
    x = np.concatenate([np.arange(200) * 1e-6 - 0.75, np.arange(200) * 1e-6 + 0.75])
    mirror = mirror_of((-1.0, 0.0), (0.001, 1.0))
    values = NOMINAL.height(x) + 1e-9 * np.sin(np.arange(400.0))
    scans = [
        Scan(name="a", quantity="height", x=x, values=values),
        Scan(name="b", quantity="height", x=x[50:350], values=values[50:350] + 1e-9),
    ]
    conditioned = condition_scans(scans, mirror, StitchSettings(spike_threshold=None, roll_off=False))
    points = gather(conditioned, 1e-6)
    assert points.knots == 400
    assert_array_equal(points.knot[0], np.arange(400))
    assert_array_equal(points.knot[1], np.arange(50, 350))


# --- parts ---------------------------------------------------------------------------------------------------


def test_splines_of_the_guide_are_cubic_b_splines() -> None:
    """Source: scipy's B-splines on the same equal knots."""
    basis = guide_basis(np.array([0.2, 1.4]), 1e-3)
    carriage = np.linspace(0.2, 1.4, 1001)
    knots = 0.2 + 1.2 / basis.intervals * np.arange(-3, basis.intervals + 4)
    inside = np.clip(carriage, knots[3], knots[-4])
    assert_allclose(
        basis.matrix(carriage), BSpline.design_matrix(inside, knots, 3).toarray(), rtol=0, atol=1e-12 * basis.intervals
    )


def plain_strays(values: Array, window: int, threshold: float) -> BoolArray:
    """Far points of a level stretch by plain medians, point by point, as the definition says."""
    n, half = len(values), window // 2
    before = 2 * np.median(values[:5]) - values[5 : 5 + half][::-1]
    after = 2 * np.median(values[-5:]) - values[-5 - half : -5][::-1]
    whole = np.concatenate([before, values, after])
    away = np.abs(values - [np.median(whole[i : i + window]) for i in range(n)])
    noise = np.median(np.abs(np.diff(values, 3))) / np.sqrt(20)
    around = np.pad(away, 5 * window // 2, mode="symmetric")
    wide = np.array([np.median(around[i : i + 5 * window]) for i in range(n)])
    return np.asarray(away > threshold * NORMAL_MAD * np.maximum(wide, max(np.median(away), noise)))


def test_strays_of_a_stack_are_those_of_each_row_by_plain_medians() -> None:
    """Rows with and without spikes, tilted or wavy: each as if it stood alone, and as the definition has it."""
    rng = np.random.default_rng(12)
    x = np.linspace(0.0, 1.0, 240)
    rows = rng.normal(0, 1.0, (30, 240))
    rows[5:10] += 40 * np.sin(30 * x)
    spikes = np.zeros(rows.shape, dtype=bool)
    for row in range(0, 30, 2):
        places = rng.choice(240, 3, replace=False)
        rows[row, places] += 30.0
        spikes[row, places] = row not in (6, 8)  # beyond what the waves scatter
    # quarters of equal medians: the line that is taken off is zero
    rows -= np.median(rows, axis=1)[:, None]
    tilted = rows + np.outer(np.arange(30.0), x)
    stack = stray_points(np.tile(x, (30, 1)), tilted, window=11, threshold=6.0)
    for row in range(30):
        alone = stray_points(x, tilted[row], window=11, threshold=6.0)
        assert_array_equal(stack[row], alone)
        quarter = 60
        run = np.median(x[-quarter:]) - np.median(x[:quarter])
        rise = np.median(tilted[row, -quarter:]) - np.median(tilted[row, :quarter])
        flat = tilted[row] - rise / run * x
        far = plain_strays(flat, 11, 6.0)
        assert not (alone & ~far).any()  # runs without a jump are structure, and taken back
        assert_array_equal(alone & spikes[row], far & spikes[row])
    found = stack[10::2] & spikes[10::2]
    assert found.sum() == spikes[10::2].sum()


@pytest.mark.parametrize("n", [1, 2, 5, 6])
def test_median_is_that_of_numpy(n: int) -> None:
    values = np.random.default_rng(1).normal(size=(4, n))
    assert_array_equal(median(values), np.median(values, axis=-1))
    assert median(values[0]) == np.median(values[0])


def test_threads_keep_the_order_and_pass_on_errors() -> None:
    """Results come in the order of the items however long each takes; the first error is the one that is raised."""

    def slow(number: int) -> int:
        time.sleep(0.002 * (number % 3))
        if number == 30:
            raise ValueError(number)
        return number * number

    assert list(in_threads(slow, range(20))) == [number * number for number in range(20)]
    assert list(in_threads(slow, [])) == []
    assert list(in_threads(slow, iter([3]))) == [9]
    taken: list[int] = []
    with pytest.raises(ValueError, match="30"):
        taken.extend(in_threads(slow, range(100)))
    assert taken == [number * number for number in range(30)]


def test_residuals_are_kept_at_seven_digits_and_read_at_sixteen() -> None:
    result = joined(chain(np.random.default_rng(14), 12))
    assert len(result.residuals) == 12
    assert all(rest.dtype == np.float64 for rest in result.residuals)
    assert_array_equal(result.residuals[2:4][1], result.residuals[3])
    with pytest.raises(ValueError, match="read-only"):
        result.residuals[0][0] = 1.0
