"""Likelihoods of the surface error and of the segments' spreads against dense algebra; what a fit says of itself."""

from __future__ import annotations

from dataclasses import replace

import mpmath as mp
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.linalg import block_diag
from scipy.stats import chi2

from ellipsefit.ellipse import Ellipse
from ellipsefit.fit import Prior, fit_ellipse
from ellipsefit.fit.belief import JACKKNIFE
from ellipsefit.fit.conflict import PriorCheck
from ellipsefit.fit.effects import UNTOLD, SpreadLikelihood, common_mode, segment_effects
from ellipsefit.fit.ellipse_fit import _jackknife_notes, _State
from ellipsefit.fit.reduction import reduce_profile
from ellipsefit.fit.solver import minimise
from ellipsefit.fit.surface_error import Correlation, SurfaceError, SurfaceLikelihood, _correlation, believed_errors
from ellipsefit.profile import place_profile
from tests.focus_cases import true_mirror
from tests.rehearsal import PARAMETERS, Array, even_mirror, made_profile
from tests.test_fit_exact import TRUE, white

KINDS = [
    Correlation(1.5), Correlation(2.5), Correlation(np.inf), Correlation(2.5, of_slope=True),
    Correlation(np.inf, of_slope=True),
]  # fmt: skip


@pytest.mark.parametrize("kind", KINDS, ids=str)
def test_curvature_is_the_second_derivative_at_zero(kind: Correlation) -> None:
    """By differences of the correlation itself, in units of the length; 3/2 has |x|**3, so 1 % at a step of 1 %."""
    step = 1e-3
    along = _correlation(np.array([0.0, step]), 1.0, kind)[0][0, 1]
    assert_allclose(2 * (1 - along) / step**2, kind.curvature, rtol=0.01)


@pytest.mark.parametrize("kind", KINDS, ids=str)
@pytest.mark.parametrize("form", [False, True])
@pytest.mark.parametrize("tied", [False, True])
def test_the_restricted_likelihood_of_the_surface_error_is_the_dense_one(
    kind: Correlation, form: bool, tied: bool
) -> None:
    """log|V| + log|X'V^-1 X| + r'V^-1 r over the block means of all segments in one matrix, and what the scatter within
    blocks adds: differences between two places, and the gradient by central differences of the dense one. Segments of
    two grids, of which some are alike."""
    points = [40, 40, 60, 40, 60]
    mirror = even_mirror(Ellipse(*TRUE), count=5, pitch=0.9)
    rng = np.random.default_rng(3)
    whole = made_profile(mirror, TRUE, points=240, noise=1e-7 * rng.normal(size=1200), sigma=1e-7)
    kept = np.concatenate([240 * n + np.arange(0, 240, 240 // count)[:count] for n, count in enumerate(points)])
    bounds = np.concatenate([[0], np.cumsum(points)])
    assert whole.sigma is not None
    placed = replace(whole, x=whole.x[kept], values=whole.values[kept], sigma=whole.sigma[kept], bounds=bounds)
    reduction = reduce_profile(placed)
    effects = segment_effects(reduction)
    partials = reduction.partials(Ellipse(*TRUE))
    shared = np.column_stack([partials, effects.shared_pose]) if tied else partials
    own = [columns[:, :0] for columns in effects.own] if tied else list(effects.own)
    columns = [c * (3e-7, 1e-7) for c in effects.form] if form else None
    likelihood = SurfaceLikelihood(reduction, 1e-8 * np.ones(len(reduction.nodes)), shared, own, columns)
    likelihood.kind = kind
    parts = reduction.segments
    basis = [part.block_basis for part in parts]
    rest = np.concatenate(
        [part.block_value - b @ (1e-8 * np.ones(len(part.nodes))) for part, b in zip(parts, basis, strict=True)]
    )
    design = block_diag(*basis) @ shared
    design = np.column_stack(
        [design / np.linalg.norm(shared, axis=0), block_diag(*[b @ o for b, o in zip(basis, own, strict=True)])]
    )
    within, freedom = sum(p.within for p in parts), sum(p.within_freedom for p in parts)

    def dense(logs: Array) -> float:
        noise, spread, length = np.exp(logs)
        covariances = []
        for number, part in enumerate(parts):
            one = spread**2 * _correlation(part.block_x, length, kind)[0]
            if columns is not None:
                random = part.block_basis @ columns[number]
                one = one + random @ random.T
            covariances.append(one + np.diag(noise**2 / part.block_weight))
        v = block_diag(*covariances)
        inverse = np.linalg.inv(v)
        normal = design.T @ inverse @ design
        size = np.sqrt(np.diag(normal))
        best = np.linalg.solve(normal / np.outer(size, size), design.T @ inverse @ rest / size) / size
        left = rest - design @ best
        log_normal = np.linalg.slogdet(normal / np.outer(size, size))[1] + 2 * np.log(size).sum()
        value = np.linalg.slogdet(v / v[0, 0])[1] + len(v) * np.log(v[0, 0]) + log_normal + left @ inverse @ left
        return float(value + 2 * freedom * np.log(noise) + within / noise**2)

    one, two = np.log([1.0, 1.2e-7, 0.05]), np.log([1.3, 0.7e-7, 0.11])
    assert_allclose(likelihood(two)[0] - likelihood(one)[0], dense(two) - dense(one), rtol=1e-5, atol=1e-5)
    step = 1e-4
    gradient = [(dense(one + d) - dense(one - d)) / (2 * step) for d in np.eye(3) * step]
    assert_allclose(likelihood(one)[1], gradient, rtol=1e-3, atol=2e-3)
    bends = [(likelihood(one + d)[1] - likelihood(one - d)[1]) / 0.02 for d in np.eye(3) * 0.01]
    assert_allclose(likelihood.curvature(one, 0.01), (np.array(bends) + np.array(bends).T) / 2, rtol=1e-9)
    assert likelihood(np.log([1e-30, 1e-7, 1e9]))[0] == np.inf  # no covariance at all


def test_scatter_of_a_segment_taken_singly() -> None:
    """Rms of block means less the shared and own effects, each segment by itself, by numpy's lstsq."""
    reduction = reduce_profile(white())
    effects = segment_effects(reduction)
    shared = reduction.partials(Ellipse(*TRUE))
    likelihood = SurfaceLikelihood(reduction, np.zeros(len(reduction.nodes)), shared, list(effects.own))
    squares, count = 0.0, 0
    for part, share, own in zip(reduction.segments, reduction.split(shared), effects.own, strict=True):
        design = part.block_basis @ np.column_stack([share, own])
        design = design / np.linalg.norm(design, axis=0)
        left = part.block_value - design @ np.linalg.lstsq(design, part.block_value, rcond=None)[0]
        squares, count = squares + left @ left, count + len(left)
    assert_allclose(likelihood.scatter, np.sqrt(squares / count), rtol=1e-3)


def test_what_is_believed_of_a_surface_error() -> None:
    """Shares are shares, noise is kept, and the most likely shape has the most of them."""
    rng = np.random.default_rng(8)
    mirror = even_mirror(Ellipse(*TRUE), count=6, pitch=0.9)
    placed = made_profile(mirror, TRUE, points=200, sigma=1e-8, noise=1e-8 * rng.normal(size=1200))
    distance = np.abs(placed.x[:200, None] - placed.x[:200]) / 0.05
    root = np.linalg.cholesky(1e-14 * np.exp(-(distance**2) / 2) + 1e-22 * np.eye(200))
    placed = replace(placed, values=placed.values + np.concatenate([root @ rng.normal(size=200) for _ in range(6)]))
    reduction = reduce_profile(placed)
    effects = segment_effects(reduction)
    shared = reduction.partials(Ellipse(*TRUE))
    likelihood = SurfaceLikelihood(reduction, np.zeros(len(reduction.nodes)), shared, list(effects.own))
    true = SurfaceError(noise=1.0, correlated=1e-7, length=0.05, kind=Correlation(np.inf))
    found = believed_errors(likelihood, true)
    shares = np.array([share for _, share in found])
    assert 0.99 < shares.sum() <= 1 + 1e-12
    assert np.all(shares > 1e-4)
    gaussian = sum(share for error, share in found if error.kind == true.kind)
    assert gaussian > 0.9
    mean = sum(share * np.log(error.length) for error, share in found)
    # some 30 waves in all: a length is known to a tenth or so, and it is near the true one
    assert abs(mean - np.log(0.05)) < 0.4
    assert all(0.8 < error.noise < 1.2 for error, share in found if share > 0.01)


@pytest.mark.parametrize("loose", [(), (2,)])
def test_the_likelihood_of_spreads_is_the_dense_one(loose: tuple[int, ...]) -> None:
    """Random effects of known size beside shared columns, all rows in one matrix; its gradient by differences."""
    rng = np.random.default_rng(2)
    count, rows, shared, random = 5, 12, 3, 4
    parts = [rng.normal(size=(rows, shared + random + 1)) for _ in range(count)]
    found = SpreadLikelihood(gram=np.array([p.T @ p for p in parts]), shared=shared, own=2, loose=loose)
    assert found.random == random

    def dense(spread: Array) -> float:
        covariances = []
        for number, part in enumerate(parts):
            own = spread.copy()
            if number in loose:
                own[:2] = 1.0
            effects = part[:, shared : shared + random] * own
            covariances.append(np.eye(rows) + effects @ effects.T)
        v = block_diag(*covariances)
        inverse = np.linalg.inv(v)
        design, value = np.concatenate([p[:, :shared] for p in parts]), np.concatenate([p[:, -1] for p in parts])
        normal = design.T @ inverse @ design
        left = value - design @ np.linalg.solve(normal, design.T @ inverse @ value)
        return float(np.linalg.slogdet(v)[1] + np.linalg.slogdet(normal)[1] + left @ inverse @ left)

    one, two = np.array([0.5, 1.5, 0.2, 0.9]), np.array([2.0, 0.3, 0.7, 0.1])
    assert_allclose(found(one)[0] - found(two)[0], dense(one) - dense(two), rtol=1e-9)
    step = 1e-5
    slopes = [(dense(one * np.exp(d)) - dense(one * np.exp(-d))) / (2 * step) for d in np.eye(4) * step]
    assert_allclose(found(one)[1], slopes, rtol=1e-6, atol=1e-8)
    blank = found.gram.copy()
    blank[:, 0], blank[:, :, 0] = 0.0, 0.0  # a shared column that no data see
    value, gradient = replace(found, gram=blank)(one)
    assert value == UNTOLD
    assert np.all(gradient == 0)


def test_the_common_mode_takes_a_pose_exactly_and_weighs_by_spreads() -> None:
    placed = white()
    effects = segment_effects(reduce_profile(placed))
    middles = np.array([segment.middle for segment in placed.mirror.segments])
    pose = np.stack([3e-6 + 5e-6 * middles, np.full(6, 5e-6)], axis=1).ravel()
    for spreads in ((5e-6, 20e-6), (1e-6, 200e-6)):
        weights = common_mode(effects, "height", spreads)
        assert_allclose(weights @ pose, [3e-6, 5e-6], rtol=1e-9)
        one = np.zeros(12)
        one[1] = 1e-6  # a tilt of the first segment alone
        design = np.zeros((12, 2))
        design[::2, 0], design[::2, 1], design[1::2, 1] = 1.0, middles, 1.0
        scale = np.tile(spreads, 6)
        assert_allclose(weights @ one, np.linalg.lstsq(design / scale[:, None], one / scale, rcond=None)[0], rtol=1e-9)


# ------------------------------------------------------------------ what a fit says of itself


def test_a_fit_tells_the_noise_of_its_spectrum_and_draws_its_own_uncertainty() -> None:
    """White noise of 100 nm stated as 50 nm: the factor found is 2, and its density times the band up to 1/(2 step) is
    the variance. Refits scatter as stated; correlations are covariances over sizes."""
    placed = white(points=101, seed=5)
    assert placed.sigma is not None
    fit = fit_ellipse(replace(placed, sigma=placed.sigma / 2), vary=PARAMETERS, segments="free", residual="white")
    assert_allclose(fit.settings.surface_error.noise, 2.0, rtol=4 / np.sqrt(2 * 590))
    noise = fit.spectrum().noise
    assert noise is not None
    band = 1 / (2 * (placed.x[1] - placed.x[0]))
    assert_allclose(noise * band, (fit.settings.surface_error.noise * 0.5e-7) ** 2, rtol=1e-6)
    bare = fit_ellipse(replace(placed, sigma=None), vary=PARAMETERS, segments="free", residual="white")
    other = bare.spectrum().noise
    assert other is not None
    assert_allclose(other, noise, rtol=1e-6)
    draws = fit.monte_carlo(4000, np.random.default_rng(1))
    stderr = np.array([fit.stderr(name) or 0.0 for name in PARAMETERS]) / fit.problem.scale
    assert_allclose(draws.std(axis=0), stderr, rtol=4 / np.sqrt(8000))
    assert_allclose(
        draws.mean(axis=0), [fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta], rtol=0, atol=0.1 * stderr.max()
    )
    size = np.array([fit.stderr(name) or 0.0 for name in PARAMETERS])
    assert_allclose(np.array(fit.correlation, dtype=float), fit.covariance / np.outer(size, size), rtol=1e-9)
    one = fit_ellipse(placed, vary=("p",), segments="free", residual="white")
    assert one.stderr("q") is None
    assert one.correlation[0][0] == pytest.approx(1.0)
    assert one.correlation[0][1] is None
    claims = fit.belief().claims
    assert claims["free"] == {name: fit.stderr(name) for name in PARAMETERS}
    # perfectly aligned segments would tell more
    assert all(claims["fixed"][name] < claims["free"][name] for name in PARAMETERS)
    told = fit.to_dict()
    assert told["model"]["points"] == 606
    assert told["ellipse"]["p_stderr"] == fit.stderr("p")
    arrays = {item.name: np.asarray(item.values) for item in fit.arrays()}
    assert_allclose(arrays["residual"], fit.residual)
    assert list(arrays["segment"][:101]) == ["S01"] * 101


def test_a_table_of_beliefs_has_the_stated_model_first_and_the_jackknife_last() -> None:
    fit = fit_ellipse(white(), vary=PARAMETERS, segments="free", residual="white")
    belief = fit.belief()
    table, *others = belief.rows()
    assert table.header == ("segments", *PARAMETERS)
    assert table.cells[0][0].endswith("(stated)")
    assert table.cells[0][0].startswith("free")
    assert {row[0] for row in table.cells[1:-1]} == {"random: tied by their spread", "fixed: perfectly aligned"}
    assert table.cells[-1][0] == JACKKNIFE
    assert "rad" in table.cells[0][3]
    assert "rad" not in table.cells[0][1]
    assert len(others) == 1
    checks = (
        PriorCheck(name="a", chi_squared=12.0, degrees=1, p_value=5e-4, text=""),
        PriorCheck(name="b", chi_squared=1.0, degrees=1, p_value=0.3, text=""),
        PriorCheck(name="c", chi_squared=0.0, degrees=0, p_value=1.0, text=""),
    )
    _, shown, _ = replace(belief, prior_checks=checks).rows()
    assert shown.cells == (
        ("a", "12", "1", "0.0005", "CONFLICT"), ("b", "1", "1", "0.3", "agrees"),
        ("c", "–", "0", "–", "data say nothing"),
    )  # fmt: skip
    alone = replace(belief, jackknife=None).rows()[0]
    assert alone.notes == ("Fewer than 5 segments: leaving out one after the other tells nothing.",)
    assert "DISAGREE on p, q" in replace(belief, disagree=("p", "q")).rows()[0].notes[-1]
    assert not any("DISAGREE" in note for note in table.notes)


def state_of(covariance: Array) -> _State:
    """p and theta varied, one linear unknown."""
    solution = minimise(lambda v: v - 1.0, lambda _: np.eye(2), np.zeros(2))
    return _State(
        parameters=np.array(TRUE), varied=(0, 2), solution=solution, linear=np.zeros(1), covariance=covariance,
        systematic={},
    )  # fmt: skip


def test_a_jackknife_that_differs_too_much_is_told() -> None:
    """Of 40 segments it has ten degrees of freedom: the root of chi-squared over ten between its 0.25 % points, by
    scipy; of few at least two degrees."""
    state = state_of(np.diag([1e-4, 1e-12, 1.0]))
    for count, freedom in ((40, 10.0), (5, 2.0)):
        low, high = np.sqrt(chi2.isf([0.9975, 0.0025], freedom) / freedom)
        for factor, told in ((low * 1.01, False), (low * 0.99, True), (high * 0.99, False), (high * 1.01, True)):
            notes = _jackknife_notes(state, np.array([1e-2 * factor, 1e-6]), count)
            assert list(notes) == (["p"] if told else [])
            both = _jackknife_notes(state, np.array([1e-2, 1e-6 * factor]), count)
            assert list(both) == (["theta"] if told else [])
    assert _jackknife_notes(state, None, 40) == {}
    text = _jackknife_notes(state, np.array([0.1, 1e-6]), 40)["p"]
    assert "p: the model claims ± 10.0 mm" in text or "p: the model claims ± 10 mm" in text


def test_maps_of_a_state_are_propagated() -> None:
    covariance = np.array([[4.0, 1.0, 0.5], [1.0, 9.0, 0.2], [0.5, 0.2, 1.0]])
    state = state_of(covariance)
    whole = state.ellipse_covariance()
    assert_allclose(whole[np.ix_([0, 2], [0, 2])], covariance[:2, :2])
    assert np.isnan(whole[1]).all()
    pose = np.array([[0.0, 0.0, 2.0], [1.0, 0.0, 0.0]])
    five = state.with_pose(pose)
    assert_allclose(five[3, 3], 4.0)
    assert_allclose(five[3, 4], 1.0)
    assert_allclose(five[0, 3], 1.0)
    assert np.isnan(five[1]).all()
    assert np.isnan(state.with_pose(pose[1:])[3]).all()
    assert_allclose(state.stderr(np.array([[1.0, 1.0, 0.0], [0.0, 0.0, 3.0]])), [np.sqrt(15), 3])
    assert_allclose(state.of_linear(np.array([[7.0]])), [[0, 0, 7]])


def test_a_budget_adds_up_in_squares_and_names_the_prior() -> None:
    """Data, prior and an unsure origin: squares of a column sum to that of the combined uncertainty."""
    placed = white()
    mirror = replace(placed.mirror, measurement=replace(placed.mirror.measurement, x_uncertainty=0.5e-3))
    prior = Prior(weights=(1.0, 1.0, 0.0), value=30.0, stderr=2e-3)
    fit = fit_ellipse(
        replace(placed, mirror=mirror), vary=PARAMETERS, segments="free", residual="white", priors=(prior,)
    )
    budget = fit.budget
    sources = [item.source for item in budget.contributions]
    assert set(sources) == {"surface error and noise", "priors", "x origin"}
    for name, combined in budget.combined.items():
        parts = [item.results[name] for item in budget.contributions]
        assert_allclose(np.sum(np.square(parts)), combined**2, rtol=1e-6)
    first = [item.results["image_across"] for item in budget.contributions]
    assert first == sorted(first, reverse=True)
    assert_allclose(budget.combined["p"], fit.stderr("p") or 0.0, rtol=1e-9)


@pytest.mark.parametrize("seed", [3, 5, 10, 82])
def test_one_segment_has_the_surface_error_that_it_was_made_with(seed: int) -> None:
    """Derivatives by p, q and theta are all but alike on one segment; noise and residual are those of the data even so.

    Blocks of 8 points tell the noise to 1 / sqrt(2 * 436), 3.4 %. What the model holds is no less than the residual,
    which has lost a few parameters; how much more it is the few correlation lengths leave open.
    """
    mirror, _, profile = true_mirror(1, 0.5, seed, noise=5e-9, step=1e-3)
    fit = fit_ellipse(profile, mirror)
    error = fit.settings.surface_error
    assert abs(error.noise - 1) < 5 * 0.034
    assert 0.8 < np.hypot(error.noise * 5e-9, error.correlated) / fit.residual.std() < 5


@pytest.mark.parametrize("length", [0.08, 0.5, 2.0])
def test_rounding_does_not_make_up_a_likelihood_of_one_segment(length: float) -> None:
    """Against 40 digits: the restricted likelihood with derivatives by p, q, theta, height and tilt of one segment."""
    mirror, _, profile = true_mirror(1, length, 1, noise=5e-9, step=length / 30)
    reduction = reduce_profile(place_profile(profile, mirror))
    effects = segment_effects(reduction)
    part, ellipse = reduction.segments[0], mirror.nominal
    shared = np.column_stack([reduction.partials(ellipse), effects.shared_pose])
    likelihood = SurfaceLikelihood(reduction, np.zeros(len(reduction.nodes)), shared, [effects.own[0][:, :0]])
    likelihood.kind = Correlation(1.5)
    mp.mp.dps = 40
    design = mp.matrix(part.block_basis) * mp.matrix(shared)
    within, freedom = part.within, part.within_freedom

    def exact(noise: float, spread: float, share: float) -> float:
        distance = np.abs(part.block_x[:, None] - part.block_x) / (share * length)
        covariance = mp.matrix(len(part.block_x), len(part.block_x))
        for i, row in enumerate(distance):
            for j, value in enumerate(row):
                a = mp.sqrt(3) * mp.mpf(float(value))
                covariance[i, j] = mp.mpf(spread) ** 2 * (1 + a) * mp.exp(-a)
            covariance[i, i] += mp.mpf(noise) ** 2 / mp.mpf(float(part.block_weight[i]))
        inverse = covariance**-1
        normal = design.T * inverse * design
        value = mp.matrix(part.block_value)
        pull = design.T * inverse * value
        rest = (value.T * inverse * value)[0] - (pull.T * (normal**-1) * pull)[0]
        both = mp.log(mp.det(covariance)) + mp.log(mp.det(normal)) + rest
        return float(both + 2 * freedom * mp.log(noise) + within / mp.mpf(noise) ** 2)

    def found(noise: float, spread: float, share: float) -> float:
        return likelihood(np.log([noise, spread, share * length]))[0]

    for there in ((0.3, 1e-12, 2.9), (1.5, 5e-8, 0.05)):
        assert_allclose(
            found(*there) - found(1.0, 2e-8, 0.1), exact(*there) - exact(1.0, 2e-8, 0.1), rtol=1e-6, atol=1e-3
        )
