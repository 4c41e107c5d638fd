"""How sure an rms and a peak to valley are: closed forms, transposes, refits, and the scatter of repeated noise."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pytest
from numpy.testing import assert_allclose
from scipy.stats import chi2

from ellipsefit.ellipse import Ellipse
from ellipsefit.figure import Surface, Told, figure_errors, measured_figure
from ellipsefit.filtering import SlopeFilter, slope_noise
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.fit.figure_uncertainty import LeftByFit, left_by_fit
from ellipsefit.mirror import Measurement
from ellipsefit.moments import bin_starts
from ellipsefit.profile import PlacedProfile
from ellipsefit.rows import rounded
from tests.fit_cases import Case
from tests.rehearsal import even_mirror, made_profile

Array = npt.NDArray[np.float64]
Quantity = Literal["height", "slope"]
NOMINAL = Ellipse(12.0, 7.0, 0.018)
KEYS = ("height_error_rms", "slope_error_rms")


def matrix_of(work: SlopeFilter, count: int, *, transposed: bool) -> Array:
    """Columns are what becomes of one raised value."""
    one = work.transposed if transposed else work.apply
    return np.column_stack([one(row) for row in np.eye(count)])


def places(kind: str) -> Array:
    even: Array = np.asarray(np.arange(120) * 1e-3)
    return {
        "even": even,
        "points missing": np.delete(even, [30, 31, 77]),
        "a gap": np.concatenate([even[:50], even[90:], [0.2, 0.201]]),
        "anyhow": np.sort(np.random.default_rng(3).uniform(0, 0.12, 120)),
        "side by side": np.repeat(even[::2], 2),
    }[kind]


@pytest.mark.parametrize("kind", ["even", "points missing", "a gap", "anyhow", "side by side"])
def test_the_transposed_filter_is_the_transpose(kind: str) -> None:
    """Against the matrix, column by column, to rounding: 1e-13 of the largest, 1e-15 over the shortest step."""
    x = places(kind)
    work = SlopeFilter(x, 0.02)
    forward = matrix_of(work, len(x), transposed=False)
    told = np.isfinite(forward[:, 0])  # a lone pair has no slope
    backward = matrix_of(work, len(x), transposed=True)
    assert told.sum() == len(x) - 2 * (kind == "a gap")
    shortest = float(np.diff(np.unique(x)).min())
    rounding = 1e-13 * np.abs(forward[told]).max() + 1e-15 / shortest
    assert_allclose(backward.T[told], forward[told], rtol=0, atol=rounding)


@pytest.mark.parametrize(("step", "cutoff"), [(1e-3, 0.02), (5e-3, 0.025), (1e-4, 0.02)])
def test_noise_of_slopes_is_that_of_the_filters_matrix(step: float, cutoff: float) -> None:
    """Variance at both ends and inside, and the sum of squared correlations of a point inside with all others."""
    count = 2 * int(cutoff / step + 1e-6) * 2 + 9
    x: Array = np.asarray(np.arange(count) * step)
    forward = matrix_of(SlopeFilter(x, cutoff), count, transposed=False)
    covariance = forward @ forward.T
    noise = slope_noise(step, cutoff)
    assert_allclose(noise.at(x, (0.0, float(x[-1])), step), np.diag(covariance), rtol=1e-9)
    inside = covariance[count // 2] / covariance[count // 2, count // 2]
    assert_allclose(noise.alike, inside @ inside, rtol=1e-9)


def brute(quantity: Quantity, error: Quantity, placed: PlacedProfile, number: int) -> tuple[Array, Array]:
    """The matrix that takes residuals of a segment to an error, and the variances of its points."""
    x = placed.x[placed.part(number)]
    variance = np.ones_like(x) if placed.sigma is None else placed.sigma[placed.part(number)] ** 2
    if error == quantity:
        return np.eye(len(x)), variance
    if error == "slope":
        return matrix_of(SlopeFilter(x, 0.02), len(x), transposed=False), variance
    half = np.diff(x)[:, None] / 2 * (np.eye(len(x))[1:] + np.eye(len(x))[:-1])
    heights = np.concatenate([np.zeros((1, len(x))), np.cumsum(half, axis=0)])
    return heights - heights.mean(axis=0), variance


def gathered(quantity: Quantity) -> tuple[PlacedProfile, Told, Array]:
    """Two segments of 401 points of unequal noise, with something left of each."""
    mirror = even_mirror(NOMINAL, count=2, pitch=0.5, gap=0.02)
    exact = made_profile(mirror, (12.0, 7.0, 0.018), points=401, quantity=quantity)
    rng = np.random.default_rng(11)
    left = 1e-7 * (np.sin(exact.x / 0.03) + 0.3 * rng.normal(size=len(exact.x)))
    for number in range(2):  # as a fit leaves them
        x = exact.x[exact.part(number)]
        columns = np.stack([np.ones_like(x), x], axis=1)[:, : 2 if quantity == "height" else 1]
        mine = left[exact.part(number)]
        left[exact.part(number)] = mine - columns @ np.linalg.lstsq(columns, mine, rcond=None)[0]
    placed = replace(exact, values=exact.values + left, sigma=rng.uniform(0.5, 2.0, len(exact.x)))
    nothing = np.zeros((2, 2))
    middles = np.array([segment.middle for segment in mirror.segments])
    surface = Surface(quantity=quantity, middles=middles, ellipse=NOMINAL, total=nothing, own=nothing)
    _, told = measured_figure(placed, surface, cutoff=0.02 if quantity == "height" else None)
    return placed, told, left


@pytest.mark.parametrize("quantity", ["height", "slope"])
@pytest.mark.parametrize("error", ["height", "slope"])
def test_what_is_gathered_is_what_matrices_give(quantity: Quantity, error: Quantity) -> None:
    """Pulls F'F r in the blocks of the reduction, pulls' V pulls, traces of F V F' and of its square.

    Traces of what is not the measured quantity are of equal noise: that of slopes by the filter inside and at the ends,
    0.3 of 1 % of which is in the sum of pairs at the ends; of a bridge's sum instead of its integral, 1 %.
    """
    placed, told, left = gathered(quantity)
    for number, part in told.of(error).items():
        f, variance = brute(quantity, error, placed, number)
        pulls = f.T @ (f @ left[placed.part(number)])
        starts, _ = bin_starts(0, len(pulls), len(pulls), len(part.pulls))
        assert_allclose(part.pulls, np.add.reduceat(pulls, starts), rtol=0, atol=1e-7 * np.abs(pulls).max())
        assert_allclose(part.scatter, variance * pulls @ pulls, rtol=1e-7)
        if error == quantity:
            assert_allclose(part.noise, variance.sum(), rtol=1e-12)
            assert_allclose(part.pairs, variance @ variance, rtol=1e-12)
            continue
        even = np.full(len(variance), variance.mean())
        if error == "height":  # without the mean of the slopes, which the fit takes
            f = f - f.sum(axis=1, keepdims=True) / len(even)
        covariance = (f * even) @ f.T
        assert_allclose(part.noise, np.trace(covariance), rtol=0.1)  # unequal variances weigh unequally at the ends
        assert_allclose(part.pairs, np.sum(covariance**2), rtol=0.4)


def test_pieces_and_cells_change_nothing() -> None:
    """Block by block, and points averaged in cells before they are filtered, tell the same: 1e-9, and 2 %."""
    mirror = even_mirror(NOMINAL, count=1, pitch=1.0, gap=0)
    exact = made_profile(mirror, (12.0, 7.0, 0.018), points=20_001)  # 50 um: cells of 2 points
    left = 1e-7 * np.sin(exact.x / 0.01)
    placed = replace(exact, values=exact.values + left)
    surface = Surface(
        quantity="height", middles=np.zeros(1), ellipse=NOMINAL, total=np.zeros((1, 2)), own=np.zeros((1, 2))
    )
    one = measured_figure(placed, surface)[1]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("ellipsefit.figure.BLOCK", 1000)
        other = measured_figure(placed, surface)[1]
        patch.setattr("ellipsefit.figure.CELLS", 1000)
        points = measured_figure(placed, surface)[1]
    for name in ("scatter", "noise", "pairs"):
        assert_allclose(getattr(other.slope[0], name), getattr(one.slope[0], name), rtol=1e-9)
        assert_allclose(getattr(points.slope[0], name), getattr(one.slope[0], name), rtol=0.02)
    assert_allclose(other.slope[0].pulls, one.slope[0].pulls, rtol=0, atol=1e-9 * np.abs(one.slope[0].pulls).max())


@pytest.fixture
def lines_are_sure(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave out what the surface's own error makes of ellipse and lines: a fit's model says it, no measurement does."""

    def left(*args: Any, **options: Any) -> LeftByFit | None:
        found = left_by_fit(*args, **options)
        return None if found is None else replace(found, unsure=0 * found.unsure)

    monkeypatch.setattr("ellipsefit.fit.ellipse_fit.left_by_fit", left)


def known_fit(values: Array | None = None, *, sigma: float = 20e-9, amplitude: float = 50e-9) -> EllipseFit:
    """One segment of 2000 points, with a sinusoid of 20 periods, and noise; only its pose is fitted."""
    mirror = even_mirror(NOMINAL, count=1, pitch=1.0, gap=0)
    exact = made_profile(mirror, (12.0, 7.0, 0.018), points=2000)
    wave = amplitude * np.sin(2 * np.pi * 20 * np.arange(2000) / 2000)
    noise = np.zeros(2000) if values is None else values
    placed = replace(exact, values=exact.values + wave + noise, sigma=np.full(2000, sigma))
    return fit_ellipse(placed, vary=(), residual="white")


@pytest.mark.usefixtures("lines_are_sure")
def test_rms_of_a_sinusoid_and_its_uncertainty_in_closed_form() -> None:
    """Rq = A / sqrt(2) (ISO 4287); white noise of known size changes it by sigma / sqrt(N), to first order.

    The sum of squares S is noncentral chi-squared, of variance 4 sigma**2 S0 + 2 N sigma**4 with S = S0 + N sigma**2 on
    average, so u**2 = sigma**2 / N (1 - sigma**2 N / (2 S)). The fitted line takes the noise of 2 of 2000 points, and
    of the wave's square the part 3 / (20 pi)**2 that lies along it: 0.1 % together.
    """
    sigma, amplitude = 20e-9, 50e-9
    figure = known_fit(sigma=sigma, amplitude=amplitude).figure
    rms = amplitude / np.sqrt(2)
    assert_allclose(figure.height_error_rms, rms, rtol=1e-3)
    expected = sigma / np.sqrt(2000) * np.sqrt(1 - sigma**2 / (2 * rms**2))
    assert_allclose(figure.height_error_rms_stderr or 0, expected, rtol=2e-3)
    assert_allclose(figure.height_noise_rms or 0, sigma, rtol=1e-12)
    assert_allclose(figure.height_error_pv_stderr or 0, np.sqrt(2) * sigma, rtol=1e-12)
    small = known_fit(sigma=1e-12, amplitude=amplitude).figure
    assert_allclose(small.height_error_rms_stderr or 0, 1e-12 / np.sqrt(2000), rtol=2e-3)


def test_noise_alone_has_the_scatter_of_a_sample_deviation() -> None:
    """u = sigma / sqrt(2 N): that of a standard deviation, JCGM 100:2008, E.4.3."""
    noise = 20e-9 * np.random.default_rng(5).normal(size=2000)
    figure = known_fit(noise, amplitude=0.0).figure
    # the rms itself is sure to 1 / sqrt(2 N) = 1.6 %: five times that
    assert_allclose(figure.height_error_rms_stderr or 0, 20e-9 / np.sqrt(4000), rtol=0.08)


def check_scatter(case: Case, residual: Literal["white", "correlated"], repeats: int, *, low_too: bool) -> None:
    """One mirror measured again and again: an rms scatters as stated, and peak to valley no more.

    The squares of scatter over stated uncertainty follow chi-squared over its degrees of freedom; 1e-4 at both ends,
    and 5 % for what the noise of filtered slopes has of its own at ends.
    """
    rng = np.random.default_rng(17)
    base = replace(case, noise=1e-16).draw(rng).placed
    base = replace(base, sigma=np.full(len(base.x), case.sigma))
    noises = np.concatenate([case.sigma * rng.normal(size=(repeats, len(base.x))), np.zeros((1, len(base.x)))])
    *fits, bare = [
        fit_ellipse(replace(base, values=base.values + noise), residual=residual, spread_height=5e-6, spread_tilt=2e-5)
        for noise in noises
    ]
    low, high = np.asarray(chi2.ppf([1e-4, 1 - 1e-4], repeats - 1)) / (repeats - 1)
    answers = [[fit.figure.to_dict() for fit in fits], [fit.to_dict()["segments"][0] for fit in fits]]
    for answer in answers:
        for key in (*KEYS, "height_error_pv", "slope_error_pv")[: 4 if "cutoff" in answer[0] else 2]:
            found, stated = (np.array([one[name] for one in answer], dtype=float) for name in (key, f"{key}_stderr"))
            ratio = np.var(found, ddof=1) / np.mean(stated**2)
            assert ratio < high * 1.05**2, key
            if low_too and "pv" not in key:
                assert ratio > low * 0.95**2, key
    # noise adds its square; how well that is known is how well both means are
    key, floor = f"{case.quantity}_error_rms", f"{case.quantity}_noise_rms"
    square, noise, sure = (
        np.mean([float(one[name] or 0) ** 2 for one in answers[0]]) for name in (key, floor, f"{key}_stderr")
    )
    rms = getattr(bare.figure, key)
    assert abs(square - rms**2 - noise) < 5 * 2 * rms * np.sqrt(sure / repeats) + 0.05 * noise


CASES = {
    "heights": Case(segments=6),
    "slopes": Case(segments=6, quantity="slope", noise=600e-9),
}


@pytest.mark.usefixtures("lines_are_sure")
@pytest.mark.parametrize("name", list(CASES))
def test_repeated_measurements_scatter_as_stated(name: str) -> None:
    check_scatter(CASES[name], "white", 60, low_too=True)


def test_repeated_measurements_scatter_no_more_where_the_fit_chooses_its_model() -> None:
    """Six segments may or may not have form of their own: the fit's lines then change by much more than by noise."""
    check_scatter(CASES["heights"], "correlated", 25, low_too=False)


@pytest.mark.campaign
@pytest.mark.usefixtures("lines_are_sure")
@pytest.mark.parametrize("name", list(CASES))
def test_many_repeated_measurements_scatter_as_stated(name: str) -> None:
    check_scatter(CASES[name], "white", 500, low_too=True)


@pytest.mark.campaign
def test_many_repeated_measurements_scatter_no_more_where_the_fit_chooses_its_model() -> None:
    check_scatter(CASES["heights"], "correlated", 300, low_too=False)


def pattern(source: str, placed: PlacedProfile) -> tuple[Measurement, Array]:
    """What is uncertain by one standard uncertainty, and how that changes the points."""
    mirror, heights = placed.mirror, placed.quantity == "height"
    half = mirror.segments[0].length / 2
    middles = np.array([segment.middle for segment in mirror.segments])[placed.index]
    part = (placed.x - middles) / half
    if source == "gain":
        return Measurement(gain_uncertainty=1e-3), 1e-3 * placed.values
    if source == "x scale":  # of the curve; that of its errors is that of their slopes
        steep = mirror.nominal.slope if heights else mirror.nominal.curvature
        return Measurement(x_scale_uncertainty=1e-4), 1e-4 * placed.x * steep(placed.x)
    if source == "sag":
        return Measurement(sag_uncertainty=2e-9), 2e-9 * ((3 * part**2 - 1) / 2 if heights else 3 * part / half)
    return Measurement(), 3e-9 * (1 if heights else 10) * np.sin(placed.x * 2 * np.pi / 0.5)


@pytest.mark.usefixtures("lines_are_sure")
@pytest.mark.parametrize("quantity", ["height", "slope"])
@pytest.mark.parametrize("source", ["gain", "x scale", "sag", "stitching"])
def test_what_all_points_share_moves_the_rms_as_a_refit_does(quantity: Quantity, source: str) -> None:
    """Data changed by one standard uncertainty up and down, and fitted again; the points' own noise is nothing.

    An ellipse takes up what sag and scale do, so these are told with p, q and theta held. Sums over blocks of 8 mm tell
    where an error of 50 mm pulls to 8 mm times its change there: the change of these patterns over 8 mm, 3 % at most,
    and in slopes after a filter of 25 mm twice that.
    """
    placed = Case(segments=6, quantity=quantity, noise=1e-16).draw(np.random.default_rng(23)).placed
    how, added = pattern(source, placed)
    factor = added[:, None] if source == "stitching" else None
    mirror = replace(placed.mirror, measurement=how)

    def fitted(share: float) -> EllipseFit:
        data = replace(placed, values=placed.values + share * added, covariance_factor=factor, mirror=mirror)
        held = source in ("x scale", "sag")
        return fit_ellipse(data, vary=() if held else ("p", "q", "theta"), residual="white", segments="free")

    here, up, down = fitted(0.0), fitted(1.0), fitted(-1.0)
    for key in [f"{quantity}_error_rms"] if source == "x scale" else KEYS:
        change = abs(getattr(up.figure, key) - getattr(down.figure, key)) / 2
        assert change > 1e-5 * getattr(here.figure, key)
        assert_allclose(getattr(here.figure, f"{key}_stderr"), change, rtol=0.06)


def test_the_table_shows_each_number_with_its_uncertainty() -> None:
    fit = known_fit(20e-9 * np.random.default_rng(5).normal(size=2000))
    figure, text = fit.figure, str(fit)
    value, stderr = rounded(figure.height_error_rms * 1e9, (figure.height_error_rms_stderr or 0) * 1e9)
    assert f"({value} ± {stderr}) nm" in text
    assert "noise in it, rms" in text
    answer = fit.to_dict()
    assert answer["segments"][0]["height_error_rms_stderr"] > 0
    for key in (*KEYS, "height_error_pv", "slope_error_pv", "whole_height_error_rms", "whole_slope_error_rms"):
        assert answer["figure"][f"{key}_stderr"] > 0


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_data_without_noise_have_finite_uncertainties(quantity: Quantity) -> None:
    """Exact data with a stated uncertainty: the answer is JSON, and no root is of less than nothing."""
    mirror = even_mirror(Ellipse(8.0, 8.0, 0.022), count=6, pitch=0.45)
    tilts = np.random.default_rng(1).normal(0, 1e-5, 6)
    fit = fit_ellipse(made_profile(mirror, (8.0, 8.0, 0.022), points=60, quantity=quantity, tilts=tilts))
    found = [value for value in fit.figure.to_dict().values() if value is not None]
    assert np.isfinite(found).all()
    assert min(found) >= 0


def test_without_a_fit_nothing_is_sure_of_itself() -> None:
    mirror = even_mirror(NOMINAL, count=1, pitch=1.0, gap=0)
    exact = made_profile(mirror, (12.0, 7.0, 0.018), points=200)
    surface = Surface(
        quantity="height", middles=np.zeros(1), ellipse=NOMINAL, total=np.zeros((1, 2)), own=np.zeros((1, 2))
    )
    figure = figure_errors(exact, surface)
    assert figure.height_error_rms_stderr is None
    assert "±" not in str(figure)
