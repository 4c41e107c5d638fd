"""Uncertainties against linear theory with many digits, dense generalized least squares and mixed models."""

from __future__ import annotations

import functools
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pytest
from numpy.testing import assert_allclose
from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMParams

from ellipsefit.arrays import IntArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.fit.effects import USUAL_SPREADS, SegmentEffects, estimate_spreads, segment_effects
from ellipsefit.fit.ellipse_fit import prepare_problem
from ellipsefit.fit.problem import JointProblem, SegmentModel
from ellipsefit.fit.reduction import Reduction, SegmentMoments, reduce_profile
from ellipsefit.fit.solver import inverse_normal
from ellipsefit.fit.surface_error import (
    GAUSSIAN,
    Correlation,
    SurfaceError,
    WhitenedSegment,
    estimate_correlated,
    whiten,
)
from ellipsefit.profile import PlacedProfile
from tests.rehearsal import (
    PARAMETERS,
    Array,
    default_fit,
    even_mirror,
    ideal,
    ideal_partials,
    made_profile,
    rehearsal,
    segment_columns,
)

N1 = (20.0, 10.0, 0.012)


def problem_at_unit_noise(
    placed: PlacedProfile, model: SegmentModel, spreads: tuple[float, float] = USUAL_SPREADS
) -> JointProblem:
    """The joint problem with the given sigma believed: `fit_ellipse` would scale it by the residuals."""
    reduction, error = reduce_profile(placed), SurfaceError(noise=1.0)
    return JointProblem(
        reduction=reduction,
        whitened=whiten(reduction, error),
        effects=segment_effects(reduction),
        error=error,
        model=model,
        spreads=spreads,
    )


def correlations(covariance: Array) -> Array:
    """(p, q), (p, theta), (q, theta)."""
    size = np.sqrt(np.diag(covariance)[:3])
    matrix = covariance[:3, :3] / np.outer(size, size)
    return np.array([matrix[0, 1], matrix[0, 2], matrix[1, 2]])


# ------------------------------------------------------------------ linear theory
# The figures were computed with 40 to 60 digits from the closed form, apart from this code. By QR of scaled
# columns (condition number 214 and 483) double precision keeps 1e-12 of the Jacobian; the figures have 12
# digits: 1e-9.


def test_best_possible_uncertainty_of_one_profile_with_free_pose() -> None:
    """p = 20, q = 10, theta = 0.012, 181 points from -4.5 to 4.5, white noise 1e-7, five unknowns."""
    mirror = even_mirror(Ellipse(*N1), count=1, pitch=9.0, gap=0)
    problem = problem_at_unit_noise(made_profile(mirror, N1, points=181, sigma=1e-7), "fixed")
    covariance = problem.posterior(np.array(N1), (0, 1, 2))
    expected = (0.00490652541887, 0.00107769102676, 1.9314013868e-6, 1.35941553262e-8, 7.21215579381e-9)
    assert_allclose(np.sqrt(np.diag(covariance)), expected, rtol=1e-9)
    assert_allclose(correlations(covariance), (0.983840164718, 0.995671513126, 0.995969588216), rtol=1e-9)
    assert_allclose(np.sqrt(covariance[:2, :2].sum()), 0.00596992036386, rtol=1e-9)  # of p + q


def test_best_possible_uncertainty_of_one_profile_with_known_pose() -> None:
    """The same with three unknowns."""
    mirror = even_mirror(Ellipse(*N1), count=1, pitch=9.0, gap=0)
    problem = problem_at_unit_noise(made_profile(mirror, N1, points=181, sigma=1e-7), "fixed")
    covariance = inverse_normal(problem.jacobian(np.array(N1)))
    assert_allclose(np.sqrt(np.diag(covariance)), (0.00369124267465, 8.54514978606e-4, 1.48365303764e-6), rtol=1e-9)
    assert_allclose(correlations(covariance), (0.995212491804, 0.998579334186, 0.998821760654), rtol=1e-9)
    assert_allclose(np.sqrt(covariance[:2, :2].sum()), 0.0045424344699, rtol=1e-9)


def six_segments(**options: object) -> PlacedProfile:
    """Pitch 1.5, gap 0.01, 61 points from edge to edge of each segment, noise 1e-7."""
    mirror = even_mirror(Ellipse(*N1), count=6, pitch=1.5, gap=0.01)
    return made_profile(mirror, N1, points=61, sigma=1e-7, **options)  # type: ignore[arg-type]  # passed on


def test_best_possible_uncertainty_with_random_segments_and_no_other_pose() -> None:
    """Random height (5e-6) and tilt (20e-6) of six segments. The pose, which the fit has besides, is left out."""
    problem = problem_at_unit_noise(six_segments(), "random", (5e-6, 20e-6))
    jacobian = np.delete(problem.joint_jacobian(np.array(N1), (0, 1, 2)), [3, 4], axis=1)
    covariance = inverse_normal(jacobian)
    expected = (0.0195994499895, 0.00385227298582, 7.75999834811e-6)
    assert_allclose(np.sqrt(np.diag(covariance)[:3]), expected, rtol=1e-9)
    assert_allclose(correlations(covariance), (0.945648348466, 0.977004779205, 0.986310247547), rtol=1e-9)
    assert_allclose(np.sqrt(covariance[:2, :2].sum()), 0.0232760810016, rtol=1e-9)


def test_fit_reports_the_best_possible_uncertainty_times_the_noise_found() -> None:
    """`fit_ellipse` scales linear theory by the noise of the residuals, and by nothing else.

    The theory holds at the true values; p found is 1e-3 of itself away, and so are the derivatives.
    """
    mirror = even_mirror(Ellipse(*N1), count=1, pitch=9.0, gap=0)
    noise = 1e-7 * np.random.default_rng(8).normal(size=181)
    fit = fit_ellipse(made_profile(mirror, N1, points=181, noise=noise), residual="white")
    scale = fit.settings.surface_error.noise
    assert_allclose(scale, 1.0, atol=4 / np.sqrt(2 * 176))
    expected = np.array([0.00490652541887, 0.00107769102676, 1.9314013868e-6])
    assert_allclose(np.sqrt(np.diag(fit.covariance)), scale * expected, rtol=5e-3)
    assert fit.pose.height_stderr is not None
    assert_allclose(fit.pose.height_stderr, scale * 1.35941553262e-8, rtol=5e-3)
    assert_allclose(fit.pose.tilt_stderr, scale * 7.21215579381e-9, rtol=5e-3)


# ------------------------------------------------------------------ dense generalized least squares


def matern(distance: Array, length: float, kind: Correlation) -> Array:
    """Correlation (Rasmussen and Williams 2006, eq. 4.17 and 4.9), or that of the slope of such a height.

    The slope's is minus the second derivative over its value at zero, which is 1/length**2, or 5/3 of that.
    """
    if kind.smoothness == np.inf:
        u = (distance / length) ** 2
        return np.asarray(((1 - u) if kind.of_slope else 1) * np.exp(-u / 2))
    a = np.sqrt(2 * kind.smoothness) * distance / length
    if kind.of_slope:
        assert kind.smoothness == 2.5
        return np.asarray((1 + a - a**2) * np.exp(-a))
    return np.asarray((1 + a + (0 if kind.smoothness == 1.5 else a**2 / 3)) * np.exp(-a))


def legendre_form(placed: PlacedProfile, number: int) -> Array:
    """Second and third Legendre polynomial over a segment; of slopes first and second, shape (points, 2)."""
    segment = placed.mirror.segments[number]
    s = 2 * (placed.x[placed.part(number)] - segment.middle) / segment.length
    whole = np.polynomial.legendre.legvander(s, 3)
    return np.asarray(whole[:, 2:] if placed.quantity == "height" else whole[:, 1:3])


class Gls(NamedTuple):
    """A linearised fit of all points at once."""

    change: Array  # of p, q, theta, from where it was linearised
    covariance: Array  # (3, 3)


def dense_gls(
    placed: PlacedProfile,
    at: Array,
    error: SurfaceError,
    spreads: tuple[float, float] | None,
    form: tuple[float, ...] = (),
    loose: tuple[int, ...] = (),
) -> Gls:
    """Generalized least squares with the full covariance of all points; spreads None: free segments.

    The covariance is block-diagonal by segment; heights and tilts with a spread are part of it, else they
    are unknowns; so is form, if it has a spread. Those of `loose` segments are as good as unknown: 100 times
    the spread. A pose of the whole mirror is always free.
    """
    sigma = np.ones_like(placed.x) if placed.sigma is None else placed.sigma
    own, r = segment_columns(placed), 2 if placed.quantity == "height" else 1
    partials = ideal_partials(placed.quantity, placed.x, at)
    one = np.ones_like(placed.x)
    pose = np.column_stack([one, placed.x]) if r == 2 else one[:, None]
    design = np.column_stack([partials, pose if spreads else own])
    rest = placed.values - ideal(placed.quantity, placed.x, *at)
    white = []
    for row, number in enumerate(placed.measured):
        part = placed.part(number)
        x = placed.x[part]
        covariance = error.correlated**2 * matern(np.abs(x[:, None] - x), error.length or 1.0, error.kind)
        covariance += np.diag((error.noise * sigma[part]) ** 2)
        if spreads:
            mine = own[part, r * row : r * (row + 1)] * np.array(spreads[-r:]) * (100 if row in loose else 1)
            covariance += mine @ mine.T
        if form:
            mine = legendre_form(placed, number) * np.array(form)
            covariance += mine @ mine.T
        both = np.column_stack([design[part], rest[part]])
        white.append(np.linalg.solve(np.linalg.cholesky(covariance), both))
    rows = np.concatenate(white)
    size = np.linalg.norm(rows[:, :-1], axis=0)
    q, triangle = np.linalg.qr(rows[:, :-1] / size)
    inverse = np.linalg.inv(triangle) / size[:, None]
    return Gls(change=(inverse @ (q.T @ rows[:, -1]))[:3], covariance=(inverse @ inverse.T)[:3, :3])


@pytest.mark.parametrize("spreads", [None, (5e-6, 20e-6)], ids=["free", "random"])
@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_white_posterior_is_that_of_dense_generalized_least_squares(
    quantity: str, spreads: tuple[float, float] | None
) -> None:
    """Covariance of p, q, theta; heights and tilts of random segments are in the dense covariance matrix.

    Spreads of 50 sigma put a condition of some 1e6 on that matrix, of 1e2 on the scaled columns: 1e-8.
    """
    placed = six_segments(quantity=quantity)
    problem = problem_at_unit_noise(placed, "random" if spreads else "free", spreads or USUAL_SPREADS)
    found = problem.posterior(np.array(N1), (0, 1, 2))[:3, :3]
    dense = dense_gls(placed, np.array(N1), SurfaceError(noise=1.0), spreads)
    assert_allclose(found, dense.covariance, rtol=1e-8)


@pytest.mark.parametrize("spreads", [None, (5e-6, 20e-6)], ids=["free", "random"])
def test_what_points_are_unsure_of_together_is_part_of_the_covariance(spreads: tuple[float, float] | None) -> None:
    """A covariance factor F (N, k) beside sigma: generalized least squares with V = diag(sigma**2) + F F'.

    The factor is a long-wave error of the instrument's guide, some of which looks like an ellipse.
    """
    placed = six_segments()
    x, sigma = placed.x, placed.sigma
    assert sigma is not None
    factor = 1e-7 * np.column_stack([np.cos(x), np.sin(2 * x + 1), x**3 / 50])
    placed = replace(placed, covariance_factor=factor)
    problem = problem_at_unit_noise(placed, "random" if spreads else "free", spreads or USUAL_SPREADS)
    found = problem.posterior(np.array(N1), (0, 1, 2))[:3, :3]
    covariance, own = np.diag(sigma**2) + factor @ factor.T, segment_columns(placed)
    if spreads:
        size = np.tile(spreads, 6)
        covariance += (own * size) @ (own * size).T
        own = np.column_stack([np.ones_like(x), x])  # the pose
    rows = np.linalg.solve(np.linalg.cholesky(covariance), np.column_stack([ideal_partials("height", x, N1), own]))
    norm = np.linalg.norm(rows, axis=0)
    inverse = np.linalg.inv(np.linalg.qr(rows / norm, mode="r")) / norm[:, None]
    assert_allclose(found, (inverse @ inverse.T)[:3, :3], rtol=1e-7)


@pytest.mark.parametrize("name", ["alder", "cedar", "dogwood"])
@pytest.mark.parametrize("segments", ["free", "random"])
def test_correlated_fit_is_the_dense_one_at_the_same_covariance(name: str, segments: SegmentModel) -> None:
    """The block means lose nothing that matters: generalized least squares with the full covariance of all
    points, at the variances that the fit reports, has the same uncertainties within 1 %.

    The values differ as they must if a little information is lost: the variance of the difference of a less
    and a fully efficient estimate is the difference of their variances (J. A. Hausman, Econometrica 46
    (1978) 1251-1271); 3.5 of its roots are allowed.
    """
    placed = rehearsal(name).placed
    fit = default_fit(name) if segments == "random" else fit_ellipse(placed, segments=segments)
    assert len(fit.placed.x) == len(placed.x)  # no point strays
    spreads = None
    if fit.settings.segments == "random":
        assert fit.settings.spread_tilt is not None
        spreads = (fit.settings.spread_height or USUAL_SPREADS[0], fit.settings.spread_tilt)
    at = np.array([fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta])
    index = [PARAMETERS.index(parameter) for parameter in fit.varied]
    dense = dense_gls(placed, at, fit.settings.surface_error, spreads, fit.problem.form, fit.problem.loose)
    precision = np.linalg.inv(dense.covariance)
    covariance = np.linalg.inv(precision[np.ix_(index, index)])  # the others held
    change = covariance @ (precision @ dense.change)[index]
    variance = np.diag(covariance)
    stated = np.diag(fit.covariance)[index] / fit.problem.scale**2
    assert_allclose(np.sqrt(stated), np.sqrt(variance), rtol=0.01)
    assert np.all(stated >= variance)  # no estimate is more sure than that
    assert np.all(np.abs(change) <= 3.5 * np.sqrt(stated - variance))


def test_the_knocked_segment_of_dogwood_is_named() -> None:
    """Simulated with 420 urad of tilt, where the others have 25 at most: named, left free, and no other is."""
    truth = [segment["tilt"] for segment in rehearsal("dogwood").truth["segments"]]
    fit = default_fit("dogwood")
    assert fit.problem.loose == (int(np.argmax(np.abs(truth))),)
    assert any("segment S07" in text and "knocked" in text for text in fit.warnings)


def test_correlated_surface_error_is_found_as_simulated() -> None:
    """REML of noise, rms and length from a simulated Gaussian process (squared exponential, 120 nm, 40 mm).

    30 segments of 0.5 m hold some 375 independent stretches: relative standard error of the rms
    1/sqrt(2 * 375) = 4 %, of the length about the same, of the noise from 7500 points 1 %; four of each.
    """
    rng = np.random.default_rng(11)
    mirror = even_mirror(Ellipse(20.0, 20.0, 0.012), count=30, pitch=0.504)
    x = np.linspace(0, 0.5, 250)
    factor = np.linalg.cholesky(matern(np.abs(x[:, None] - x), 0.04, GAUSSIAN) + 1e-9 * np.eye(250))
    noise = np.concatenate([120e-9 * factor @ rng.normal(size=250) + 60e-9 * rng.normal(size=250) for _ in range(30)])
    placed = made_profile(mirror, (20.0, 20.0, 0.012), points=250, sigma=60e-9, noise=noise)
    error = prepare_problem(placed, segments="free").error
    assert error.kind.smoothness == np.inf
    assert_allclose(error.noise, 1.0, rtol=0.04)
    assert_allclose(error.correlated, 120e-9, rtol=0.16)
    assert_allclose(error.length, 0.04, rtol=0.16)


def test_restricted_likelihood_is_the_dense_one() -> None:
    """At the estimate, the restricted likelihood of all points is (nearly) at its largest.

    Minus twice the log-likelihood, formed here densely: log|V| + log|X'V^-1 X| + r'V^-1 r. What block means
    leave out may cost a tenth of a unit of deviance; a tenth off in any direction costs more.
    """
    placed = rehearsal("cedar").placed
    reduction = reduce_profile(placed)
    fit = default_fit("cedar")
    effects = segment_effects(reduction)
    shared = np.column_stack([reduction.partials(fit.ellipse), effects.shared_pose])
    error = estimate_correlated(
        reduction,
        offset=reduction.values(fit.ellipse),
        shared=shared,
        own=[columns[:, :0] for columns in effects.own],
        noise=1.0,
    )
    assert placed.sigma is not None
    at = np.array([fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta])
    design = np.column_stack([ideal_partials("slope", placed.x, at), np.ones_like(placed.x)])
    design /= np.linalg.norm(design, axis=0)
    rest = placed.values - ideal("slope", placed.x, *at)
    distance = np.abs(placed.x[:, None] - placed.x)

    def deviance(noise: float, correlated: float, length: float) -> float:
        covariance = correlated**2 * matern(distance, length, error.kind)
        covariance += np.diag((noise * placed.sigma) ** 2)  # type: ignore[operator]  # checked above
        triangle = np.linalg.cholesky(covariance)
        white = np.linalg.solve(triangle, np.column_stack([design, rest]))
        _, r = np.linalg.qr(white)
        return float(2 * np.log(np.diag(triangle)).sum() + 2 * np.log(np.abs(np.diag(r)[:-1])).sum() + r[-1, -1] ** 2)

    best = np.array([error.noise, error.correlated, error.length])
    lowest = deviance(*best)
    for index in range(3):
        for factor in (0.8, 1.25):
            moved = best.copy()
            moved[index] *= factor
            assert deviance(*moved) > lowest - 0.1


# ------------------------------------------------------------------ random effects: mixed models


def grouped(groups: list[Array], own: list[Array], noise: float) -> tuple[Reduction, tuple[WhitenedSegment, ...]]:
    """Any grouped data as a reduction: a node for each value, a segment for each group."""
    parts = tuple(
        SegmentMoments(
            number=number,
            middle=0.0,
            length=1.0,
            count=len(values),
            nodes=np.arange(len(values), dtype=float),
            factor=np.eye(len(values)),
            shared=np.zeros((len(values), 0)),
            projection=values,
            rest=0.0,
            block_x=np.arange(len(values), dtype=float),
            block_basis=np.eye(len(values)),
            block_shared=np.zeros((len(values), 0)),
            block_value=values,
            block_weight=np.ones(len(values)),
            within=0.0,
            within_freedom=0,
        )
        for number, values in enumerate(groups)
    )
    nodes = np.concatenate([part.nodes for part in parts])
    reduction = Reduction(
        quantity="height" if own[0].shape[1] == 2 else "slope",
        reference=Ellipse(*N1),
        segments=parts,
        nodes=nodes,
        reference_values=np.zeros_like(nodes),
    )
    white = tuple(
        WhitenedSegment(
            factor=np.eye(len(values)) / noise, shared=np.zeros((len(values), 0)), projection=values / noise
        )
        for values in groups
    )
    return reduction, white


def test_spread_of_the_rails_is_the_published_one() -> None:
    """Six rails, three travel times each: between rails 24.80547, within 4.020779 (REML).

    J. C. Pinheiro and D. M. Bates, Mixed-Effects Models in S and S-PLUS (2000), section 1.1; exactly
    sqrt(27689/45) and sqrt(97/6) for these balanced data. The search stops within 1e-4 of the logarithm.
    """
    rails = [[55, 53, 54], [26, 37, 32], [78, 91, 85], [92, 100, 96], [49, 51, 50], [80, 85, 83]]
    groups = [np.array(rail, dtype=float) for rail in rails]
    own = [np.ones((3, 1))] * 6
    reduction, white = grouped(groups, own, np.sqrt(97 / 6))
    _, between = estimate_spreads(
        reduction,
        white,
        SegmentEffects(own=tuple(own), pose=(np.eye(1),) * 6, form=(np.zeros((3, 2)),) * 6),
        offset=np.zeros(18),
        partials=np.zeros((18, 0)),
        given=(None, None),
    )
    assert_allclose(between, np.sqrt(27689 / 45), rtol=1e-4)


#: D. Bates et al., J. Stat. Softw. 67 (2015) 1; G. Belenky et al., J. Sleep Res. 12 (2003) 1: 18 persons, days 0-9.
SLEEP = """
249.56 258.7047 250.8006 321.4398 356.8519 414.6901 382.2038 290.1486 430.5853 466.3535
222.7339 205.2658 202.9778 204.707 207.7161 215.9618 213.6303 217.7272 224.2957 237.3142
199.0539 194.3322 234.32 232.8416 229.3074 220.4579 235.4208 255.7511 261.0125 247.5153
321.5426 300.4002 283.8565 285.133 285.7973 297.5855 280.2396 318.2613 305.3495 354.0487
287.6079 285 301.8206 320.1153 316.2773 293.3187 290.075 334.8177 293.7469 371.5811
234.8606 242.8118 272.9613 309.7688 317.4629 309.9976 454.1619 346.8311 330.3003 253.8644
283.8424 289.555 276.7693 299.8097 297.171 338.1665 332.0265 348.8399 333.36 362.0428
265.4731 276.2012 243.3647 254.6723 279.0244 284.1912 305.5248 331.5229 335.7469 377.299
241.6083 273.9472 254.4907 270.8021 251.4519 254.6362 245.4523 235.311 235.7541 237.2466
312.3666 313.8058 291.6112 346.1222 365.7324 391.8385 404.2601 416.6923 455.8643 458.9167
236.1032 230.3167 238.9256 254.922 250.7103 269.7744 281.5648 308.102 336.2806 351.6451
256.2968 243.4543 256.2046 255.5271 268.9165 329.7247 379.4445 362.9184 394.4872 389.0527
250.5265 300.0576 269.8939 280.5891 271.8274 304.6336 287.7466 266.5955 321.5418 347.5655
221.6771 298.1939 326.8785 346.8555 348.7402 352.8287 354.4266 360.4326 375.6406 388.5417
271.9235 268.4369 257.2424 277.6566 314.8222 317.2135 298.1353 348.1229 340.28 366.5131
225.264 234.5235 238.9008 240.473 267.5373 344.1937 281.1481 347.5855 365.163 372.2288
269.8804 272.4428 277.8989 281.7895 279.1705 284.512 259.2658 304.6306 350.7807 369.4692
269.4117 273.474 297.5968 310.6316 287.1726 329.6076 334.4818 343.2199 369.1417 364.1236
"""


@functools.cache
def sleep_groups() -> tuple[Array, ...]:
    table = np.array([line.split() for line in SLEEP.split("\n") if line], dtype=float)
    # copies with altered rows circulate: the sums of the right one
    assert_allclose([table.sum(), (table**2).sum()], [53731.4205, 16607207.31910011], rtol=1e-14)
    return tuple(table)


def mixed_model(value: Array, fixed: Array, random: Array, groups: IntArray) -> tuple[Array, float]:
    """REML spreads of two uncorrelated random effects and the residual's, by `statsmodels` MixedLM."""
    model = MixedLM(value, fixed, groups, exog_re=random)
    free = MixedLMParams.from_components(fe_params=np.ones(fixed.shape[1]), cov_re=np.eye(2))
    result = model.fit(reml=True, free=free, method="lbfgs")
    return np.sqrt(np.diag(result.cov_re)), float(np.sqrt(result.scale))


def test_spreads_of_the_sleep_study_are_those_of_statsmodels() -> None:
    """Groups as segments, intercept as height, slope as tilt, uncorrelated; residual as MixedLM has it.

    Both searches stop within some 1e-4. Published for lme4 (from memory): 25.051, 5.988, residual 25.565.
    """
    days = np.arange(10.0)
    columns = np.column_stack([np.ones(10), days])
    groups = list(sleep_groups())
    spreads, noise = mixed_model(
        np.concatenate(groups), np.tile(columns, (18, 1)), np.tile(columns, (18, 1)), np.repeat(np.arange(18), 10)
    )
    own = [columns] * 18
    reduction, white = grouped(groups, own, noise)
    found = estimate_spreads(
        reduction,
        white,
        SegmentEffects(own=tuple(own), pose=(np.eye(2),) * 18, form=(np.zeros((10, 2)),) * 18),
        offset=np.zeros(180),
        partials=np.zeros((180, 0)),
        given=(None, None),
    )
    assert_allclose(found, spreads, rtol=1e-3)
    assert_allclose([*spreads, noise], [25.051, 5.988, 25.565], rtol=1e-3)


def test_spreads_of_a_mirror_are_those_of_a_mixed_model() -> None:
    """Simulated mirror of 14 segments, white noise: REML spreads of height and tilt as `statsmodels` has them.

    Fixed effects: pose and the derivatives for p, q, theta. The noise, which MixedLM estimates along with
    the spreads and the fit beforehand, differs by its standard error of 2 % at most and is 1e-2 of the
    spreads: with it they differ by 1e-4, and both searches stop within 1e-3: 1e-2 is ample.
    """
    rng = np.random.default_rng(21)
    true = (20.0, 10.0, 0.012)
    mirror = even_mirror(Ellipse(*true), count=14, pitch=0.5)
    placed = made_profile(
        mirror,
        true,
        lifts=rng.normal(0, 5e-6, 14),
        tilts=rng.normal(0, 20e-6, 14),
        noise=rng.normal(0, 1e-7, 14 * 61),
    )
    fit = fit_ellipse(placed, vary=PARAMETERS, residual="white")
    at = np.array([fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta])
    partials = ideal_partials("height", placed.x, at)
    fixed = np.column_stack([partials, np.ones_like(placed.x), placed.x])
    fixed /= np.linalg.norm(fixed, axis=0) / np.sqrt(len(fixed))
    fixed = np.linalg.qr(fixed)[0] * np.sqrt(len(fixed))  # the same space, no collinearity
    lever = placed.x - np.array([segment.middle for segment in mirror.segments])[placed.index]
    random = np.column_stack([np.ones_like(lever), lever * 10])
    value = (placed.values - ideal("height", placed.x, *at)) * 1e6
    spreads, noise = mixed_model(value, fixed, random, placed.index)
    assert fit.settings.spread_height is not None
    assert fit.settings.spread_tilt is not None
    assert_allclose([fit.settings.spread_height, fit.settings.spread_tilt], spreads * [1e-6, 1e-5], rtol=1e-2)
    assert_allclose(fit.settings.surface_error.noise * 0.1, noise, rtol=1e-2)


def test_random_segments_are_twice_as_sure_as_free_ones() -> None:
    """Knowing a spread is knowledge: smaller uncertainties than with free segments, never larger ones."""
    placed = rehearsal("alder").placed
    free = fit_ellipse(placed, segments="free")
    tied = default_fit("alder")
    assert np.all(np.diag(tied.covariance) < np.diag(free.covariance))


# ------------------------------------------------------------------ the x origin


def moved_fit(shift: float) -> EllipseFit:
    """Exact data whose reported x is off by `shift`."""
    mirror = even_mirror(Ellipse(*N1), count=1, pitch=5.0, gap=0)
    return fit_ellipse(made_profile(mirror, N1, points=401, shift=shift), vary=PARAMETERS, residual="white")


def test_an_error_of_the_x_origin_moves_p_down_and_q_up() -> None:
    """dp = -dx, dq = +dx, exact to terms of the order of theta**2 = 1.4e-4: cosine, and x along another tangent."""
    for dx in (1e-3, -2e-3):
        ellipse = moved_fit(dx).ellipse
        assert_allclose([ellipse.p - N1[0], ellipse.q - N1[1]], [-dx, dx], rtol=2 * N1[2] ** 2)


def test_a_pole_moved_along_the_curve_is_the_published_triple() -> None:
    """Pole of p = 20, q = 10, theta = 0.012 moved to x = 2.25: (22.24982827, 7.75017173, 0.01292346), from
    60 digits. x then runs along the new tangent, 2.2 mrad off the old one: 1e-5 of the profile's own length."""
    mirror = even_mirror(Ellipse(22.2, 7.8, 0.0129), count=1, pitch=5.0, gap=0)
    fit = fit_ellipse(made_profile(mirror, N1, points=401, shift=-2.25), vary=PARAMETERS, residual="white")
    expected = (22.249828268388683, 7.750171731611317, 0.012923463341410353)
    assert_allclose([fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta], expected, rtol=1e-4)


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_uncertainty_of_the_x_origin_is_added_to_p_q_theta_and_the_foci(quantity: str) -> None:
    """Added covariance u**2 c c', c = (-1, +1, dtheta): b**2 = p q sin(theta)**2 stays, which gives dtheta;
    the foci, as the whole reported surface, move by u along x and not across.

    To the cosine of the grazing angle, 7e-5, as above.
    """
    u = 2e-3
    mirrors = [
        even_mirror(Ellipse(*N1), count=6, pitch=1.5, gap=0.01, x_uncertainty=uncertainty) for uncertainty in (0.0, u)
    ]
    noise = 1e-9 * np.random.default_rng(3).normal(size=6 * 61)
    plain, moved = (
        fit_ellipse(
            made_profile(mirror, N1, noise=noise, sigma=1e-9, quantity=quantity),  # type: ignore[arg-type]  # a literal
            vary=PARAMETERS,
            segments="free",
            residual="white",
        )
        for mirror in mirrors
    )
    p, q, theta = N1
    c = np.array([-1.0, 1.0, -np.tan(theta) / 2 * (1 / q - 1 / p)])
    added = moved.covariance - plain.covariance
    assert_allclose(added, u**2 * np.outer(c, c), rtol=1e-3)
    assert_allclose([moved.ellipse.p, moved.ellipse.q], [plain.ellipse.p, plain.ellipse.q], rtol=1e-14)
    for name in ("image", "source"):
        sizes = [getattr(fit.focus, f"{name}_dx_stderr") for fit in (plain, moved)]
        assert_allclose(sizes[1] ** 2 - sizes[0] ** 2, u**2, rtol=1e-3)
        if quantity == "height":
            sizes = [getattr(fit.focus, f"{name}_dz_stderr") for fit in (plain, moved)]
            assert abs(sizes[1] ** 2 - sizes[0] ** 2) < (1e-3 * u) ** 2
    assert moved.settings.x_uncertainty == u
