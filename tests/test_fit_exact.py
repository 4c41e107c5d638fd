"""Parts of the fit by hand, by differences or by dense algebra: what each is must not depend on how the fit uses it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from numpy.polynomial import chebyshev as series
from numpy.polynomial import legendre
from numpy.testing import assert_allclose
from scipy.linalg import sqrtm
from scipy.ndimage import median_filter
from scipy.stats import chi2, f, norm

from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.fit import fit_ellipse
from ellipsefit.fit.campaigns import Previous, both_campaigns, previous_campaign
from ellipsefit.fit.conflict import _check, _spoken, _statistic
from ellipsefit.fit.effects import beside_surface, segment_effects
from ellipsefit.fit.ellipse_fit import prepare_problem
from ellipsefit.fit.freedom import LEAST, _bends, _inverse_information, coverage_scale, expanded_factor
from ellipsefit.fit.identifiability import identify
from ellipsefit.fit.jackknife import jackknife
from ellipsefit.fit.reduction import _degree, node_basis, reduce_profile
from ellipsefit.fit.robust import (
    NORMAL_MAD,
    WINDOW,
    Oddities,
    _flat,
    _roughest,
    _running_median,
    _scatter,
    knocked_segments,
    noise_tails,
    without_strays,
)
from ellipsefit.fit.solver import inverse_normal, minimise
from ellipsefit.fit.surface_error import Correlation, SurfaceError, estimate_white, whiten
from ellipsefit.fit.systematics import systematic_patterns
from ellipsefit.mirror import Adjuster, Measurement, Mirror, Segment
from ellipsefit.profile import Block, PlacedProfile, Profile, Quantity, place_profile
from ellipsefit.rows import with_uncertainty
from tests.align_cases import NOMINAL
from tests.rehearsal import PARAMETERS, Array, even_mirror, ideal, ideal_partials, made_profile

TRUE = (20.0, 10.0, 0.012)
LONG = even_mirror(Ellipse(*TRUE), count=6, pitch=0.9)


def white(
    points: int = 61, *, count: int = 6, seed: int = 1, noise: float = 1e-7, quantity: Quantity = "height"
) -> PlacedProfile:
    rng = np.random.default_rng(seed)
    mirror = even_mirror(Ellipse(*TRUE), count=count, pitch=5.4 / count)
    return made_profile(
        mirror, TRUE, points=points, quantity=quantity, lifts=rng.normal(0, 5e-6, count),
        tilts=rng.normal(0, 20e-6, count), noise=noise * rng.normal(size=count * points), sigma=noise,
    )  # fmt: skip


# ------------------------------------------------------------------ effects, form, patterns


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_effects_are_height_tilt_and_the_legendre_polynomials(quantity: Quantity) -> None:
    """Of heights P2 and P3 over the span (numpy's Legendre series); of slopes what their derivatives are beside a
    constant, P1 and P2. A pose of height H at x = 0 and tilt T raises the middle by H + T x."""
    placed = white(quantity=quantity)
    reduction = reduce_profile(placed)
    effects = segment_effects(reduction)
    assert effects.r == (2 if quantity == "height" else 1)
    for number, segment in enumerate(placed.mirror.segments):
        nodes = reduction.segments[number].nodes
        s = (nodes - segment.middle) / (segment.length / 2)
        orders = (2, 3) if quantity == "height" else (1, 2)
        expected = np.column_stack([legendre.legval(s, np.eye(4)[order]) for order in orders])
        assert_allclose(effects.form[number], expected, rtol=0, atol=1e-14)
        if quantity == "height":
            assert_allclose(effects.own[number], np.column_stack([np.ones_like(s), nodes - segment.middle]), atol=1e-15)
            assert_allclose(effects.pose[number] @ [3.0, 5.0], [3 + 5 * segment.middle, 5])
        else:
            assert_allclose(effects.own[number], np.ones((len(s), 1)))
            assert_allclose(effects.pose[number], [[1]])
    whole = effects.shared_pose @ ([3.0, 5.0] if quantity == "height" else [5.0])
    assert_allclose(whole, 3 + 5 * reduction.nodes if quantity == "height" else 5.0, rtol=1e-12)
    partials = reduction.partials(Ellipse(*TRUE))
    shared, own = beside_surface(effects, partials, tied=True, apart=False)
    assert (shared.shape[1], own[0].shape[1]) == (3 + effects.r, 0)
    shared, own = beside_surface(effects, partials, tied=False, apart=True)
    assert (shared.shape[1], own[0].shape[1]) == (0, effects.r + 2)
    shared, own = beside_surface(effects, partials, tied=False, apart=False)
    assert (shared.shape[1], own[0].shape[1]) == (3, effects.r)


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_inputs_that_all_points_share_change_the_surface_as_differences_say(quantity: Quantity) -> None:
    """Each input off by its standard uncertainty: the seen values less the true ones, by central differences. An origin
    that is off by dx shows the curve at x + dx, a scale at x (1 + e); warmth lets the whole grow, x and z alike."""
    how = Measurement(
        x_uncertainty=0.3e-3, x_scale_uncertainty=2e-5, gain_uncertainty=1e-4, expansion=8e-6,
        temperature_uncertainty=0.5, sag=1e-7, sag_uncertainty=2e-8,
    )  # fmt: skip
    reduction = reduce_profile(white(quantity=quantity))
    x, ellipse = reduction.nodes, Ellipse(*TRUE)
    found = systematic_patterns(reduction, ellipse, how)

    def curve(at: Array, grown: float = 1.0) -> Array:
        return (grown if quantity == "height" else 1.0) * ideal(quantity, at / grown, *TRUE)

    step, scale, warm = 0.3e-3, 2e-5, 8e-6 * 0.5
    assert_allclose(found["x origin"], (curve(x + step) - curve(x - step)) / 2, rtol=1e-6, atol=1e-12)
    assert_allclose(found["x scale"], (curve(x * (1 + scale)) - curve(x * (1 - scale))) / 2, rtol=1e-6, atol=1e-13)
    assert_allclose(
        found["height gain" if quantity == "height" else "slope gain"], 1e-4 * curve(x), rtol=1e-9, atol=1e-18
    )
    grown = (curve(x, 1 - warm) - curve(x, 1 + warm)) / 2
    assert_allclose(found["temperature"], grown, rtol=1e-4, atol=1e-12)
    s = np.concatenate([(p.nodes - p.middle) / (p.length / 2) for p in reduction.segments])
    half = np.concatenate([np.full(len(p.nodes), p.length / 2) for p in reduction.segments])
    order = (
        legendre.legval(s, [0, 0, 1]) if quantity == "height" else legendre.legval(s, legendre.legder([0, 0, 1])) / half
    )
    assert_allclose(found["sag common to all segments"], 2e-8 * order, rtol=1e-12, atol=1e-20)
    assert set(systematic_patterns(reduction, ellipse, Measurement(x_uncertainty=1e-3))) == {"x origin"}


def test_what_the_data_tell_of_is_the_eigenvectors_and_invariants_by_differences() -> None:
    """Relative covariance of known axes; gradients of p + q, b and 1/R by the complex step."""
    ellipse = Ellipse(*TRUE)
    size = np.array(TRUE)
    turn = np.linalg.qr(np.random.default_rng(2).normal(size=(3, 3)))[0]
    relative = turn @ np.diag([1e-4, 4e-2, 1e-3]) ** 2 @ turn.T
    covariance = relative * np.outer(size, size)
    found = identify(ellipse, covariance)
    assert_allclose([item.stderr for item in found.combinations], [1e-4, 1e-3, 4e-2], rtol=1e-6)
    for item, column in zip(found.combinations, (0, 2, 1), strict=True):
        weights = np.array(item.weights)
        assert_allclose(abs(weights @ turn[:, column]), 1, rtol=1e-9)
        assert weights[np.argmax(np.abs(weights))] > 0
        assert str(item).startswith(f"{weights[0]:+.2f} dp/p".removeprefix("+"))

    def invariants(v: Array) -> Array:
        p, q, theta = v
        return np.array([p + q, np.sqrt(p * q) * np.sin(theta), (1 / p + 1 / q) * np.sin(theta) / 2])

    gradient = np.zeros((3, 3))
    for index in range(3):
        moved = np.array(TRUE, dtype=complex)
        moved[index] += 1e-20j
        gradient[:, index] = invariants(moved).imag / 1e-20
    stderr = np.sqrt(np.diag(gradient @ covariance @ gradient.T))
    pairs = [found.focal_sum, found.semi_minor, found.pole_curvature]
    assert_allclose([value for value, _ in pairs], invariants(np.array(TRUE)), rtol=1e-12)
    assert_allclose([value for _, value in pairs], stderr, rtol=1e-9)
    told = found.to_dict()
    assert [told[k] for k in ("p_plus_q", "semi_minor_axis", "pole_curvature")] == [value for value, _ in pairs]
    assert [told[f"{k}_stderr"] for k in ("p_plus_q", "semi_minor_axis", "pole_curvature")] == [u for _, u in pairs]
    assert told["combinations"][0]["weights"] == list(found.combinations[0].weights)
    first, second, third = found.rows()
    assert first.cells[0][1] == "0.01 %"
    assert third.cells[0][1] == with_uncertainty(
        1 / found.pole_curvature[0], found.pole_curvature[1] / found.pole_curvature[0] ** 2, "length"
    )
    assert [row[0] for row in (*second.cells, *third.cells)] == [
        "p + q (length of the major axis)", "semi-minor axis b", "radius at the pole",
    ]  # fmt: skip


# ------------------------------------------------------------------ reduction


@pytest.mark.parametrize("place", [(-6.0, -5.0), (8.0, 9.0), (-0.4, 0.4), (-9.5, -9.0)])
def test_the_degree_is_what_the_curve_needs(place: tuple[float, float]) -> None:
    """Chebyshev coefficients of what p, q, theta can do, beyond the degree chosen, are below a part in 1e11 of their
    size; seven degrees less would lose 1e-14 or more. Ends of the ellipse at -10 m and 16 m."""
    ellipse = Ellipse(10.0, 16.0, 0.02)
    first, last = place
    degree = _degree(ellipse, first, last)
    x = (first + last) / 2 + (last - first) / 2 * np.cos(np.pi * (np.arange(200) + 0.5) / 200)
    change = ideal_partials("height", x, (10.0, 16.0, 0.02))
    coefficients = np.abs(series.chebfit(np.cos(np.pi * (np.arange(200) + 0.5) / 200), change, 60))
    share = coefficients / coefficients.max(axis=0)
    assert share[degree + 1 :].max() < 1e-11
    assert degree == 5 or share[max(degree - 7, 0) :].max() > 1e-14


def test_a_segment_is_what_dense_least_squares_says() -> None:
    """Projection on polynomials and what is left, by numpy's lstsq; block means, and the scatter about a line in each
    block of points, by numpy's polyfit."""
    rng = np.random.default_rng(4)
    mirror = even_mirror(Ellipse(*TRUE), count=1, pitch=0.9)
    x = np.sort(rng.uniform(mirror.segments[0].start, mirror.segments[0].end, 1000))
    sigma = rng.uniform(0.5e-7, 2e-7, 1000)
    values = ideal("height", x, *TRUE) + rng.normal(0, sigma)
    placed = place_profile(
        Profile(name="d", quantity="height", x=x, values=values, sigma=sigma, frame="mirror"), mirror
    )
    part = reduce_profile(placed).segments[0]
    away = placed.values - mirror.nominal.height(placed.x)
    basis = node_basis(part.nodes, placed.x)
    best, rest, *_ = np.linalg.lstsq(basis / sigma[:, None], away / sigma, rcond=None)
    assert_allclose(part.rest, rest[0], rtol=1e-9)
    assert_allclose(np.linalg.solve(part.factor, part.projection), best, rtol=0, atol=1e-13)
    assert part.count == 1000
    bins = len(part.block_x)
    starts = np.searchsorted(x, part.block_x)
    assert 30 < bins < 500
    assert np.all(np.diff(starts) > 0)
    within, freedom, at = 0.0, 0, 0
    weight = sigma**-2
    for block in range(bins):
        # blocks hold a bin's share of the points in a row, as their weights tell
        size = int(np.argmin(np.abs(np.cumsum(weight[at:]) - part.block_weight[block]))) + 1
        own = slice(at, at + size)
        at += size
        assert_allclose(part.block_weight[block], weight[own].sum(), rtol=1e-12)
        assert_allclose(part.block_x[block], np.average(placed.x[own], weights=weight[own]), rtol=1e-12)
        assert_allclose(part.block_value[block], np.average(away[own], weights=weight[own]), rtol=1e-9, atol=1e-18)
        assert_allclose(part.block_basis[block], np.average(basis[own], axis=0, weights=weight[own]), atol=1e-12)
        if size > 2:
            lever = placed.x[own] - part.block_x[block]
            line = np.polyfit(lever, away[own], 1, w=1 / sigma[own])
            within += float(np.sum(weight[own] * (away[own] - np.polyval(line, lever)) ** 2))
            freedom += size - 2
    assert at == 1000
    assert freedom == part.within_freedom
    assert_allclose(part.within, within, rtol=1e-9)


def test_parameters_stay_where_every_point_is_on_the_ellipse() -> None:
    """By hand: from a twentieth to twenty times the nominal, but no focus nearer than the mirror's ends."""
    problem = prepare_problem(white(), segments="free", residual="white")
    lower, upper = problem._bounds(np.array(TRUE))
    first, last = problem.reduction.nodes[[0, -1]]
    assert_allclose(lower, [-1.001 * first, 1.001 * last, 0.0006], rtol=1e-12)
    assert_allclose(upper, [400, 200, 0.24], rtol=1e-12)
    _, steep = problem._bounds(np.array([20.0, 10.0, 0.5]))
    assert steep[2] == 1.57  # below a right angle
    far, _ = problem._bounds(np.array([200.0, 10.0, 0.5]))
    assert far[0] == 10.0


# ------------------------------------------------------------------ solver


def test_the_solver_follows_scale_bounds_and_rounding() -> None:
    """A line through points: exact, within bounds, from columns of any size, one of them empty."""
    x = np.linspace(0, 1, 20)
    design = np.column_stack([np.ones(20), 1e6 * x])
    target = design @ [3.0, 2e-6]
    found = minimise(lambda v: design @ v - target, lambda _: design, np.zeros(2))
    assert found.converged
    assert_allclose(found.values, [3, 2e-6], rtol=1e-9)
    assert found.at_bound == (False, False)
    held = minimise(lambda v: design @ v - target, lambda _: design, np.zeros(2), upper=np.array([2.0, np.inf]))
    assert held.at_bound == (True, False)
    assert held.converged
    rest = target - 2.0
    assert_allclose(held.values, [2, design[:, 1] @ rest / (design[:, 1] @ design[:, 1])], rtol=1e-5)
    assert_allclose(held.sum_of_squares, np.sum((design @ held.values - target) ** 2), rtol=1e-12)
    dead = np.column_stack([design, np.zeros(20)])
    assert np.all(np.isinf(inverse_normal(dead)))
    assert np.all(np.isinf(inverse_normal(design[:1])))
    assert_allclose(inverse_normal(design), np.linalg.inv(design.T @ design), rtol=1e-9)
    assert_allclose(found.covariance(4.0), 4 * inverse_normal(design), rtol=1e-12)
    assert inverse_normal(np.zeros((3, 0))).shape == (0, 0)


# ------------------------------------------------------------------ noise, spreads, freedom


def test_white_noise_is_the_root_mean_square_per_degree_of_freedom() -> None:
    reduction = reduce_profile(white())
    rest = sum(part.rest for part in reduction.segments)
    found = estimate_white(reduction, np.array([3.0, 4.0]), 7)
    assert found.correlated == 0.0
    assert_allclose(found.noise, np.sqrt((25 + rest) / 7), rtol=1e-12)
    assert_allclose(estimate_white(reduction, np.zeros(1), 0).noise, np.sqrt(rest), rtol=1e-12)  # of one, not none
    # never below a picometre, here over 100 nm
    quiet = replace(reduction, segments=tuple(replace(part, rest=0.0) for part in reduction.segments))
    assert_allclose(estimate_white(quiet, np.zeros(3), 7).noise, 1e-12 / 1e-7, rtol=1e-9)


def test_a_segment_is_divided_by_its_uncertainty() -> None:
    """White: by the noise. Correlated: minus twice the log-likelihood changes by what dense algebra over the block
    means says, for two different curves."""
    reduction = reduce_profile(white(points=40))
    part = reduction.segments[2]
    curve = np.random.default_rng(1).normal(0, 1e-7, len(part.nodes))
    one = whiten(reduction, SurfaceError(noise=2.0))[2]
    assert_allclose(one.factor, part.factor / 2)
    assert_allclose(one.projection, part.projection / 2)
    error = SurfaceError(noise=1.5, correlated=2e-7, length=0.05, kind=Correlation(1.5))
    other = whiten(reduction, error)[2]
    d = np.abs(part.block_x[:, None] - part.block_x) / 0.05 * np.sqrt(3)
    covariance = 4e-14 * (1 + d) * np.exp(-d) + np.diag(2.25 / part.block_weight)

    def dense(values: Array) -> float:
        rest = part.block_value - part.block_basis @ values
        return float(rest @ np.linalg.solve(covariance, rest))

    def ours(values: Array) -> float:
        rest = other.factor @ values - other.projection
        return float(rest @ rest)

    assert_allclose(ours(curve) - ours(0 * curve), dense(curve) - dense(0 * curve), rtol=1e-8)
    assert len(whiten(reduction, error)) == 6


def test_second_derivatives_by_differences_of_a_known_function() -> None:
    """exp(a + 2 b) a has the second derivatives at zero [[2, 2], [2, 0]]."""
    found = _bends(lambda v: np.array([np.exp(v[0] + 2 * v[1]) * v[0], 7.0 * v[1] ** 2]), 2)
    # central differences of step 0.08: the next even term is (step)**2 / 12 of a fourth derivative of some tens
    assert_allclose(found[:, :, 0], [[2, 2], [2, 0]], rtol=0.02, atol=0.02)
    assert_allclose(found[:, :, 1], [[0, 0], [0, 14]], atol=1e-9)


def test_what_data_tell_little_of_is_believed_within_one_logarithm() -> None:
    """Half the Hessian is the information: 8 gives a variance of 1/4, and what is below 2 counts as 1; turned with
    its axes."""
    turn = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))[0]
    hessian = turn @ np.diag([8.0, 0.5, -3.0]) @ turn.T
    assert_allclose(_inverse_information(hessian), turn @ np.diag([0.25, 1, 1]) @ turn.T, rtol=1e-9, atol=1e-12)
    assert coverage_scale(np.inf) == 1.0
    assert expanded_factor(np.inf) == 2.0
    # JCGM 100:2008, Table G.2, of 3 degrees of freedom: 1.20 for 68.27 % and 3.31 for 95.45 %
    assert_allclose(coverage_scale(LEAST), 1.20, atol=0.005)
    assert_allclose(expanded_factor(3.0) * coverage_scale(3.0), 3.31, atol=0.005)


def test_the_jackknife_is_its_formula() -> None:
    """Bell and McCaffrey: sum of N_j**(1/2) (b_j - b) squared, in units in which the whole information is one; by
    dense least squares without each segment's rows and scipy's root of a matrix."""
    placed = white()
    problem = prepare_problem(placed, segments="free", residual="white")
    parameters, _ = problem.solve(np.array(TRUE), (0, 1, 2))
    rows = [len(part.projection) for part in problem.whitened]
    owner = np.repeat(np.arange(6), rows)
    jacobian, residual = problem.joint_jacobian(parameters, (0, 1, 2)), problem.residual(parameters)
    size = np.sqrt(np.diag(problem.posterior(parameters, (0, 1, 2)))[:3])
    scaled = jacobian[:, :3] * size

    def part_of(kept: Array) -> tuple[Array, Array]:
        """Information on p, q, theta, and their change, the segments' own unknowns eliminated."""
        own = jacobian[kept][:, 3:]
        own = own[:, np.abs(own).max(axis=0) > 0]
        basis = np.linalg.qr(own / np.linalg.norm(own, axis=0))[0]
        design, rest = (item - basis @ (basis.T @ item) for item in (scaled[kept], residual[kept]))
        return design.T @ design, np.linalg.lstsq(design, -rest, rcond=None)[0]

    whole, here = part_of(np.ones(len(owner), dtype=bool))
    root = np.linalg.cholesky(np.linalg.inv(whole))
    total = np.zeros(3)
    for number in range(6):
        left, there = part_of(owner != number)
        share = np.real(sqrtm(root.T @ left @ root))
        total += (size * (root @ share @ np.linalg.solve(root, there - here))) ** 2
    found = jackknife(problem, parameters, (0, 1, 2))
    assert found is not None
    assert_allclose(found, np.sqrt(total), rtol=1e-4)
    assert jackknife(problem, parameters, ()) is None
    few = prepare_problem(white(count=4), segments="free", residual="white")
    assert jackknife(few, parameters, (0, 1, 2)) is None
    five = prepare_problem(white(count=5), segments="free", residual="white")
    assert jackknife(five, parameters, (0,)) is not None


# ------------------------------------------------------------------ what does not belong


def test_a_running_median_goes_on_as_a_mirror_image_through_a_point() -> None:
    """A straight line is its own running median, to its ends; inside it is scipy's."""
    for offset in (-1000.0, 7.0, 1000.0):
        for rise in (-3.0, 3.0):
            line: Array = rise * np.arange(60.0) + offset
            assert_allclose(_running_median(line), line, rtol=1e-12)
    values = np.random.default_rng(1).normal(size=80)
    assert_allclose(_running_median(values)[7:-7], median_filter(values, WINDOW)[7:-7])
    assert len(_running_median(values)) == 80
    bent = np.arange(80.0) ** 2
    before = 2 * np.median(bent[:5]) - bent[5:12]
    assert_allclose(_running_median(bent)[0], np.median(np.concatenate([before, bent[:8]])))
    after = 2 * np.median(bent[-5:]) - bent[-12:-5]
    assert_allclose(_running_median(bent)[-1], np.median(np.concatenate([after, bent[-8:]])))


def test_a_line_through_the_outer_quarters_is_taken_off() -> None:
    x = np.linspace(3, 5, 40)
    bump = np.where(np.arange(40) == 20, 50.0, 0.0)
    flat = _flat(x, 7 * x - 2 + bump)
    assert_allclose(flat - flat[0], bump, atol=1e-12)
    curve = x**2
    run = np.median(x[-10:]) - np.median(x[:10])
    assert_allclose(_flat(x, curve), curve - (np.median(curve[-10:]) - np.median(curve[:10])) / run * x, atol=1e-12)


def test_a_scatter_is_that_of_normal_noise() -> None:
    """Of 40,000 normal values about zero: 1 within 3 sqrt(1/40,000) / density; never less than a step to the next."""
    rng = np.random.default_rng(2)
    noise = rng.normal(size=40_000)
    assert_allclose(_scatter(noise, np.abs(noise)), 1.0, rtol=0.03)
    steps = np.arange(0.0, 90.0, 3.0)
    assert _scatter(steps, np.zeros(30)) == 3.0
    assert _scatter(np.zeros(9), np.zeros(9)) == 1e-15


def test_one_of_five_segments_may_be_called_knocked_and_of_four_none() -> None:
    """Far outside by any measure: named, the worst first, at most a third of them; of two in six both."""
    rng = np.random.default_rng(5)
    for count, knocked in ((4, ()), (5, (3,)), (6, (3,)), (9, (3, 1)), (9, (3, 1, 7))):
        effects = rng.normal(0, [5e-6, 20e-6], (count, 2))
        for place, row in enumerate(knocked or (3,)):
            effects[row, place % 2] += (5e-3, 2e-2)[place % 2] / (place + 1)
        middles = np.arange(count) - (count - 1) / 2
        pose = np.concatenate([np.array([[1.0, middle], [0.0, 1.0]]) for middle in middles])
        tilted = effects + (pose @ [1e-3, 2e-4]).reshape(-1, 2)
        found = knocked_segments(tilted, pose)
        assert set(found) == set(knocked)
        assert len(knocked) == 0 or found[0] == 3
    four = np.array([[1e-9], [-1e-9], [2e-9], [1.0]])  # however far
    assert len(knocked_segments(four, np.ones((4, 1)))) == 0
    assert tuple(knocked_segments(np.append(four, [[-2e-9]], axis=0), np.ones((5, 1)))) == (3,)
    # within six robust deviations of fourteen nobody is named, beyond it one is
    tilts = norm.ppf((np.arange(30) + 0.5) / 30)[:, None] * 1e-5
    pose = np.ones((30, 1))
    scale = NORMAL_MAD * np.median(np.abs(tilts)) * 30 / 29
    for size, named in ((5.5, ()), (6.6, (29,))):
        one = tilts.copy()
        one[29] = size * scale
        assert tuple(knocked_segments(one, pose)) == named


def test_strays_leave_five_points_at_least() -> None:
    """Half of a few points cannot be called strays; of many, those that are far off are."""
    placed = white(points=400)
    values = placed.values.copy()
    at = [30, 31, 32, 650, 399]
    values[at] += 5e-6
    left, counts = without_strays(replace(placed, values=values))
    assert counts == {"S01": 4, "S02": 1}
    assert left.count == placed.count - 5
    same, none = without_strays(placed)
    assert none == {}
    assert same is placed


@dataclass
class Blocks:
    """A segment that is read in blocks, for those who ask for nothing else."""

    mirror: Mirror
    blocks_: list[Block]
    quantity: Quantity = "height"

    def blocks(self, number: int, most: int | None = None) -> list[Block]:
        assert (number, most) == (0, 16)
        return self.blocks_


def test_a_block_is_dirty_that_is_twice_as_rough_as_most() -> None:
    """Of blocks with noise of 1, 1, 1 and 9 nm the median is 1 nm; two blocks tell nothing, nor do short ones."""
    rng = np.random.default_rng(1)
    ellipse = LONG.nominal

    def block(noise: float, points: int = 20_000) -> Block:
        x = np.linspace(0.0, 0.4, points)
        values = ellipse.height(x) + noise * rng.normal(size=points)
        return Block(x=x, values=values, sigma=None, covariance_factor=None, rows=np.arange(points))

    whole = [block(noise) for noise in (1e-9, 9e-9, 1e-9, 1e-9)]
    placed: Any = Blocks(LONG, whole)
    # a running median of 15 follows the noise by a few percent
    assert_allclose(_roughest(placed, 0), 2e-9, rtol=0.1)
    assert _roughest(Blocks(LONG, whole[:2]), 0) == np.inf  # type: ignore[arg-type]  # all that it asks of a profile
    assert _roughest(Blocks(LONG, [*whole[:2], block(1e-9, 29)]), 0) == np.inf  # type: ignore[arg-type]  # all that it asks of a profile
    assert _roughest(Blocks(LONG, [*whole[:2], block(1e-9, 30)]), 0) < np.inf  # type: ignore[arg-type]  # all that it asks of a profile


def test_a_segment_is_dirty_from_a_fiftieth_of_its_points() -> None:
    """Of 400 points 8 are a fiftieth: nine strays are dirt, eight are not, and each is named with its count."""
    for count, dirty in ((8, ()), (9, ("S02",))):
        placed = white(points=400, seed=4)
        values = placed.values.copy()
        values[400 + 40 * np.arange(count)] += 5e-6
        fit = fit_ellipse(replace(placed, values=values), vary=(), segments="free")
        assert fit.oddities.strays == {"S02": count}
        assert fit.oddities.dirty == dirty
        notes = fit.oddities.warnings()
        assert notes[0].startswith(f"{count} points that stray far from their neighbours are left out")
        assert ("segment S02 looks dirty" in notes[0]) is bool(dirty)
        assert fit.oddities.table().cells[0][1] == f"{count} of S02"


def test_tails_of_noise_are_counted_against_the_normal_law() -> None:
    """Of normal noise as few as it has; of one point in fifty thrown off by thirty deviations those it shows in; none
    of no points."""
    placed = white(points=3000)
    noise = np.random.default_rng(8).normal(0, 1e-7, placed.count)
    share, heavy = noise_tails(placed, noise)
    assert not heavy
    assert share < 5 * 2 * norm.sf(4) + 1e-3
    thrown = noise.copy()
    thrown[::50] += 3e-6
    share, heavy = noise_tails(placed, thrown)
    assert heavy
    # a second difference sees a point in one of three of them, and twice as large in one: 3 of 50 every third
    assert_allclose(share, 3 / 50, rtol=0.05)
    few = white(points=5)
    assert noise_tails(few, np.zeros(few.count)) == (0.0, False)
    assert noise_tails(few, np.zeros(few.count))[0] == 0.0


def test_what_does_not_belong_is_told_in_words() -> None:
    odd = Oddities(strays={"S01": 1}, dirty=(), knocked=("S02",), tails=0.0123, heavy=True)
    first, second, third = odd.warnings()
    assert first == "1 point that stray far from their neighbours are left out"
    assert second.startswith("segment S02 stands far outside the spread of the others")
    assert third.startswith("the noise has heavy tails: 1.2 % of it lies beyond 4 standard deviations, 0.006 % would")
    assert odd.table().cells[-1][1] == "HEAVY TAILS, 1.2 % beyond 4 standard deviations"
    plain = replace(odd, strays={}, knocked=(), heavy=False)
    assert plain.warnings() == []
    assert [row[1] for row in plain.table().cells] == [
        "none", "none", "none", "as normal noise, 1.2 % beyond 4 standard deviations",
    ]  # fmt: skip
    assert odd.to_dict() == {
        "strays": {"S01": 1}, "dirty": [], "knocked": ["S02"], "far_noise_share": 0.0123, "heavy_tailed_noise": True,
    }  # fmt: skip
    assert_allclose(2 * norm.sf(4) * 100, 0.006, atol=5e-4)  # the share that the sentence names


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_spreads_that_are_given_are_those_in_use(quantity: Quantity) -> None:
    fit = fit_ellipse(white(quantity=quantity), vary=(), spread_height=4e-6, spread_tilt=30e-6, residual="white")
    heights = quantity == "height"
    assert (fit.settings.spread_height, fit.settings.spread_tilt) == (4e-6 if heights else None, 30e-6)
    assert not fit.settings.spreads_estimated
    one = fit_ellipse(white(quantity=quantity), vary=(), spread_height=4e-6, residual="white")
    assert one.settings.spreads_estimated
    assert one.settings.spread_tilt != 30e-6
    assert one.settings.segments == "random"
    assert (fit.pose.height is None) is not heights
    if heights:
        assert one.settings.spread_height == 4e-6


# ------------------------------------------------------------------ the last campaign, priors


def segment(*places: float, position: float = 0.0, **values: Any) -> Segment:
    return Segment(
        name="S", start=-0.2, end=0.2,
        adjusters=tuple(
            Adjuster(name=f"A{n}", x=x, travel=(-1e-3, 1e-3), position=position, **values) for n, x in enumerate(places)
        ),
    )  # fmt: skip


def mirror_of(*segments: Segment) -> Mirror:
    return Mirror(name="M", nominal=NOMINAL, segments=segments)


def since(then: Segment, now: Segment, stability: float = 1e-6) -> tuple[Array, Array]:
    placed = made_profile(mirror_of(then), (8.0, 8.0, 0.022))
    found = previous_campaign(placed, mirror_of(now), stability=stability)
    return found.moves[0], found.factor[0] @ found.factor[0].T


def test_moves_since_the_last_campaign_by_the_lever_rule() -> None:
    """Adjusters at -0.1 m and 0.1 m raised by 10 um and 30 um: 20 um and 100 urad. Each is unsure by how it holds its
    place, by a tenth of its move, and by rectangular laws of width backlash and resolution (JCGM 100:2008, 4.3.7)."""
    then = segment(-0.1, 0.1, backlash=2e-6, resolution=1e-6)
    moved = [replace(a, position=p) for a, p in zip(then.adjusters, (10e-6, 30e-6), strict=True)]
    moves, covariance = since(then, replace(then, adjusters=tuple(moved)))
    assert_allclose(moves, [20e-6, 100e-6], rtol=1e-12)
    each = np.array([1e-12 + (0.1 * m) ** 2 + (4e-12 + 1e-12) / 12 for m in (10e-6, 30e-6)])
    rule = np.array([[0.5, 0.5], [-5, 5]])
    assert_allclose(covariance, rule @ np.diag(each) @ rule.T, rtol=1e-9)
    stated = [replace(a, gain_error=0.02) for a in moved]
    _, surer = since(then, replace(then, adjusters=tuple(stated)))
    each = np.array([1e-12 + (0.02 * m) ** 2 + 5e-12 / 12 for m in (10e-6, 30e-6)])
    assert_allclose(surer, rule @ np.diag(each) @ rule.T, rtol=1e-9)
    # not moved: how it holds its place, and nothing else
    still, covariance = since(then, then)
    assert_allclose(still, 0, atol=0)
    assert_allclose(covariance, 1e-12 * rule @ rule.T, rtol=1e-9, atol=1e-26)


def test_a_segment_of_one_adjuster_or_none_is_raised_whole() -> None:
    """One raised by 10 um: the ends with it, each unsure by its place and the move together; none stays."""
    one = segment(0.05)
    moves, covariance = since(one, replace(one, adjusters=(replace(one.adjusters[0], position=10e-6),)))
    assert_allclose(moves, [10e-6, 0], atol=1e-20)
    each = 1e-12 + (1e-12 + 1e-12)
    assert_allclose(np.diag(covariance), [each / 2, each * 2 / 0.4**2], rtol=1e-9)
    bare = segment()
    moves, covariance = since(bare, bare)
    assert_allclose(moves, 0, atol=0)
    assert_allclose(np.diag(covariance), [1e-12 / 2, 2e-12 / 0.4**2], rtol=1e-9)


def test_another_mirror_is_no_last_campaign() -> None:
    one = segment(-0.1, 0.1)
    placed = made_profile(mirror_of(one), (8.0, 8.0, 0.022))
    with pytest.raises(DataError, match=r"its segment 'S' from -200 mm to 200 mm is not segment 'T' of mirror 'M'"):
        previous_campaign(placed, mirror_of(replace(one, name="T")))
    with pytest.raises(DataError, match="segment 'S' had other adjusters"):
        previous_campaign(placed, mirror_of(segment(-0.1)))
    more = replace(one, name="T", start=0.2, end=0.6, adjusters=())
    with pytest.raises(DataError, match="has 1 segments, mirror 'M' has 2"):
        previous_campaign(placed, mirror_of(one, more))
    for stability in (0.0, -1e-6, np.inf, np.nan):
        with pytest.raises(ParameterError, match="stability must be positive"):
            previous_campaign(placed, mirror_of(one), stability=stability)
    good: dict[str, Any] = {"moves": np.zeros((1, 2)), "factor": np.zeros((1, 2, 3))}
    Previous(placed=placed, **good)
    for key, shape, words in (("moves", (2, 2), r"shape \(1, 2\)"), ("factor", (1, 1, 3), r"shape \(1, 2, m\)")):
        with pytest.raises(ParameterError, match=f"{key} must be finite, of {words} for the 1 segments"):
            Previous(placed=placed, **{**good, key: np.zeros(shape)})
    with pytest.raises(ParameterError, match="moves must be finite"):
        Previous(placed=placed, moves=np.full((1, 2), np.nan), factor=good["factor"])


def test_two_campaigns_are_one_reduction() -> None:
    """Points, scatter and weights of both add up, the first ones' by a factor; how the second stands is how the first
    does, moved: node values that fit the first exactly fit both, once the moves made are added."""
    first, second = white(points=50), white(points=80)
    count = len(first.mirror.segments)
    moves = np.column_stack([np.full(count, 2e-6), np.linspace(-1e-5, 1e-5, count)])
    previous = Previous(placed=first, moves=moves, factor=np.zeros((count, 2, 1)))
    extra = np.ones((first.count, 2))
    then, now = reduce_profile(replace(first, covariance_factor=1e-7 * extra)), reduce_profile(second)
    merged, moved = both_campaigns(now, then, segment_effects(now), previous, weight=0.25)
    assert merged.count == first.count + second.count
    assert moved.sizes == {
        "stitching": 0, "stitching of the last campaign": 2, "moves since the last campaign": 1,
        "pose in the last campaign": 2,
    }  # fmt: skip
    assert moved.columns("moves since the last campaign") == slice(2, 3)
    assert moved.columns("pose in the last campaign") == slice(3, 5)
    for row, (whole, a, b) in enumerate(zip(merged.segments, now.segments, then.segments, strict=True)):
        assert_allclose(whole.rest, a.rest + 0.25 * b.rest, rtol=1e-9)
        assert_allclose(whole.within, a.within + 0.25 * b.within, rtol=1e-9)
        assert whole.within_freedom == a.within_freedom + b.within_freedom
        assert_allclose(whole.block_weight, [*a.block_weight, *(0.25 * b.block_weight)])
        assert_allclose(whole.block_x, [*a.block_x, *b.block_x])
        # a surface at the nodes of now, and as the points of then would have shown it before the moves
        surface = 1e-6 * np.cos(3 * a.nodes)
        turned = node_basis(a.nodes, b.nodes) @ surface
        lever = b.nodes - b.middle
        before = turned - moves[row, 0] - moves[row, 1] * lever
        rest = np.concatenate([a.factor @ surface - a.projection, 0.5 * (b.factor @ before - b.projection)])
        assert_allclose(whole.factor @ surface - whole.projection, rest, rtol=1e-7, atol=1e-7)
        pose = np.array([3e-7, 2e-6])
        lifted = before - pose[0] - pose[1] * (b.middle + lever)
        rest[len(a.projection) :] = 0.5 * (b.factor @ lifted - b.projection)
        shown = whole.factor @ surface + whole.shared[:, 3:] @ pose - whole.projection
        assert_allclose(shown, rest, rtol=1e-7, atol=1e-7)
        assert_allclose(whole.shared[len(a.projection) :, :2], 0.5 * b.shared)
        assert_allclose(whole.shared[: len(a.projection)], 0)


def test_a_statistic_counts_what_the_data_speak_of() -> None:
    """c* = 3 and -2 with variances 0.75 and 0.36 left: 9/0.25 + 4/0.64 of two degrees; what is left at one is not
    counted; turned axes are the same."""
    mean, left = np.array([3.0, -2.0, 9.0]), np.diag([0.75, 0.36, 1.0])
    turn = np.linalg.qr(np.random.default_rng(1).normal(size=(3, 3)))[0]
    for axes in (np.eye(3), turn):
        value, degrees = _statistic(axes @ mean, axes @ left @ axes.T)
        assert degrees == 2
        assert_allclose(value, 9 / 0.25 + 4 / 0.64, rtol=1e-9)


def test_a_conflict_is_told_in_standard_deviations() -> None:
    """Chi-squared of one degree, 9: three standard deviations, 0.0027. Of ten degrees of freedom Fisher's F; so far off
    that no probability is left, the root."""
    one = _check("a", 9.1, 1, np.inf, "these")
    assert_allclose(one.p_value, 2 * norm.sf(np.sqrt(9.1)), rtol=1e-9)
    assert one.conflict
    assert one.text == "these are 3.0 standard deviations apart (p = 0.0026): one of them is wrong"
    near = _check("a", 8.9, 1, np.inf, "these")
    assert not near.conflict
    assert near.text.endswith("they agree")
    few = _check("a", 9.1, 2, 10.0, "these")
    assert_allclose(few.p_value, f.sf(4.55, 2, 10), rtol=1e-9)
    assert _check("a", 5.0, 0, 10.0, "these").p_value == 1.0
    assert_allclose(_check("a", 5.0, 3, np.inf, "these").p_value, chi2.sf(5.0, 3), rtol=1e-9)
    assert "100.0 standard deviations" in _check("a", 1e4, 1, np.inf, "these").text
    assert (_spoken(1e-12), _spoken(9e-13), _spoken(0.0123)) == ("1e-12", "below 1e-12", "0.012")
    assert one.to_dict() == {
        "name": "a", "chi_squared": 9.1, "degrees_of_freedom": 1, "p_value": one.p_value, "conflict": True,
    }  # fmt: skip


# ------------------------------------------------------------------ the fit's answer


def test_foci_are_as_unsure_as_the_numbers_behind_them() -> None:
    """Place of both foci from p, q, theta and the pose, along x and z and along and across the chief ray; their
    covariance by differences of that map."""
    rng = np.random.default_rng(11)
    mirror = even_mirror(Ellipse(*TRUE), count=6, pitch=0.9)
    placed = made_profile(
        mirror, TRUE, pose=(3e-6, 5e-6), points=41, noise=1e-7 * rng.normal(size=246), lifts=rng.normal(0, 5e-6, 6),
        tilts=rng.normal(0, 20e-6, 6),
    )  # fmt: skip
    fit = fit_ellipse(placed, vary=PARAMETERS, segments="free", residual="white")
    assert fit.pose.height is not None
    at = np.array([fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta, fit.pose.height, fit.pose.tilt])

    def places(v: Array) -> Array:
        p, q, theta, height, tilt = v
        c, s = np.cos(theta), np.sin(theta)
        turn = np.array([[np.cos(tilt), -np.sin(tilt)], [np.sin(tilt), np.cos(tilt)]])
        found = []
        for focus, nominal, ray in (
            (q * np.array([c, s]), TRUE[1] * np.array([np.cos(TRUE[2]), np.sin(TRUE[2])]), 1.0),
            (p * np.array([-c, s]), TRUE[0] * np.array([-np.cos(TRUE[2]), np.sin(TRUE[2])]), -1.0),
        ):
            shift = turn @ focus + [0, height] - nominal
            along = np.array([np.cos(TRUE[2]), ray * np.sin(TRUE[2])])
            found += [*shift, along @ shift, np.array([-along[1], along[0]]) @ shift]
        return np.array(found)

    step = np.array([1e-4, 1e-4, 1e-7, 1e-6, 1e-6])
    gradient = np.column_stack(
        [(places(at + d) - places(at - d)) / 2 / size for d, size in zip(np.diag(step), step, strict=True)]
    )
    stderr = np.sqrt(np.diag(gradient @ fit.pose_covariance @ gradient.T))
    pose = (fit.pose.height_stderr or 0.0, fit.pose.tilt_stderr)
    assert_allclose(pose, np.sqrt(np.diag(fit.pose_covariance)[3:]), rtol=1e-9)
    assert_allclose(np.sqrt(np.diag(fit.pose_covariance)[:3]), [fit.stderr(name) or 0.0 for name in PARAMETERS])
    assert (fit.settings.spread_height, fit.settings.spread_tilt) == (None, None)
    assert not fit.settings.spreads_estimated
    values = places(at)
    for name, first in (("image", 0), ("source", 4)):
        for place, key in enumerate(("dx", "dz", "along", "across")):
            assert_allclose(getattr(fit.focus, f"{name}_{key}"), values[first + place], rtol=1e-6, atol=1e-10)
            assert_allclose(getattr(fit.focus, f"{name}_{key}_stderr"), stderr[first + place], rtol=1e-5)
