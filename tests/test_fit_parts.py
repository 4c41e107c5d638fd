"""More parts of the fit: by dense matrices, closed forms, and a likelihood whose every answer is known."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import linprog, minimize
from scipy.stats import binom, norm

from ellipsefit.ellipse import Ellipse
from ellipsefit.figure import Extreme, Gathered, Told
from ellipsefit.fit import Prior, fit_ellipse
from ellipsefit.fit.budget import Budget, Contribution
from ellipsefit.fit.campaigns import Previous, previous_campaign
from ellipsefit.fit.conflict import _moves, moved_checks, prior_checks
from ellipsefit.fit.effects import segment_effects
from ellipsefit.fit.ellipse_fit import prepare_problem
from ellipsefit.fit.figure_uncertainty import LeftByFit, _Unsure, noise_of
from ellipsefit.fit.freedom import coverage_scale
from ellipsefit.fit.identifiability import _percent
from ellipsefit.fit.jackknife import _without
from ellipsefit.fit.prior import kind_of
from ellipsefit.fit.problem import JointProblem
from ellipsefit.fit.reduction import _degree, _Gathered, node_basis, reduce_profile
from ellipsefit.fit.robust import Oddities, _least_absolute, noise_tails
from ellipsefit.fit.roll import segment_rolls
from ellipsefit.fit.solver import inverse_normal, minimise
from ellipsefit.fit.surface_error import (
    KINDS,
    SLOPE_KINDS,
    Correlation,
    SurfaceError,
    SurfaceLikelihood,
    _correlation,
    _most_likely,
    believed_errors,
    estimate_correlated,
    log_lengths,
    without_form,
)
from ellipsefit.fit.systematics import systematic_patterns
from ellipsefit.mirror import Adjuster, Measurement, Mirror, Segment
from ellipsefit.profile import Block, Profile, Quantity, place_profile
from ellipsefit.rows import number as spoken
from ellipsefit.rows import uncertainty
from tests.rehearsal import Array, even_mirror, ideal, made_profile
from tests.test_fit_exact import TRUE, white

# ------------------------------------------------------------------ how sure an rms is, by dense matrices


@dataclass(frozen=True)
class Dense:
    """Two segments of four block means each, all numbers drawn."""

    unsure: _Unsure
    left: LeftByFit
    pulls: Array  # (2, 4)
    squares: Array  # (2,)
    counts: Array  # (2,)
    pairs: float


def dense(seed: int, *, error: Quantity = "height", own: float = 1.0, pairs: float = 0.1) -> Dense:
    """A case; `own`: how unsure the unknowns are beyond their noise, `pairs`: of noise alone."""
    rng = np.random.default_rng(seed)
    pulls, squares, counts = rng.normal(size=(2, 4)), rng.uniform(1, 2, 2), np.array([50, 70])
    noise = rng.uniform(0.5, 2.0, 8)
    parts = {}
    for number, mine in zip((3, 5), range(2), strict=True):
        part = Gathered(0.0, 4)
        part.count, part.square, part.pulls = int(counts[mine]), float(squares[mine]), pulls[mine]
        part.scatter = float(pulls[mine] ** 2 @ noise[4 * mine : 4 * mine + 4]) / 0.7**2
        part.pairs, part.noise = pairs, 3.0
        part.high, part.low = Extreme(2.0 + mine, 0.15 + mine, 0.4), Extreme(-1.0 - mine, 0.35 + mine, 0.9)
        parts[number] = part
    root = rng.normal(size=(2, 2))
    left = LeftByFit(
        starts={3: 0, 5: 4},
        noise=noise,
        places=np.array([0.1, 0.2, 0.3, 0.4, 1.1, 1.2, 1.3, 1.4]),
        taken=rng.normal(size=(8, 2)),
        drawn=rng.normal(size=(8, 2)) / 8,
        unsure=own * root @ root.T,
        shared=rng.normal(size=(8, 3)),
        gains=np.array([[0.0, 0.01, 0.02], [0.03, 0.0, 0.05]]),
    )
    told = Told(quantity="height", cutoff=0.02, lengths={3: 0.3, 5: 0.3}, height=parts, slope=parts)
    return Dense(_Unsure(error=error, told=told, left=left, noise=0.7), left, pulls, squares, counts, pairs)


@pytest.mark.parametrize("error", ["height", "slope"])
@pytest.mark.parametrize("numbers", [(3,), (5,), (3, 5)])
@pytest.mark.parametrize(("own", "pairs"), [(1.0, 0.1), (0.0, 0.1), (30.0, 4.0)])
def test_the_variance_of_a_sum_of_squares_is_the_dense_one(
    error: Quantity, numbers: tuple[int, ...], own: float, pairs: float
) -> None:
    """v'P D P'v less half the trace of noise alone, at least half of the first; with P = 1 - C H' as a matrix. Beyond
    their noise H'D H the unknowns' covariance counts, and what all points share by its change and its gain."""
    case = dense(7, error=error, own=own, pairs=pairs)
    left, rows = case.left, [{3: 0, 5: 1}[number] for number in numbers]
    v = np.zeros((2, 4))
    v[rows] = case.pulls[rows]
    pulls, noise = v.ravel(), np.diag(left.noise)
    turned = (np.eye(8) - left.taken @ left.drawn.T).T @ pulls
    first = turned @ noise @ turned
    unknowns = left.taken.T @ pulls
    beyond = unknowns @ (left.unsure - left.drawn.T @ noise @ left.drawn) @ unknowns
    gains = left.gains[0 if error == "height" else 1]
    shared = left.shared.T @ pulls + gains * case.squares[rows].sum()
    expected = (
        max(float(first) - 0.7**4 * pairs * len(rows) / 2, float(first) / 2) + max(float(beyond), 0.0) + shared @ shared
    )
    assert_allclose(case.unsure.square(numbers), expected, rtol=1e-12)
    # u(rms) = u(S) / (2 N rms), of the root of a mean square
    count, rms = case.counts[rows].sum(), np.sqrt(case.squares[rows].sum() / case.counts[rows].sum())
    assert_allclose(case.unsure.rms(numbers), np.sqrt(expected) / (count * rms), rtol=1e-12)


def test_an_rms_of_nothing_is_sure() -> None:
    case = dense(1)
    for part in case.unsure.parts.values():
        part.square = 0.0
    assert case.unsure.rms((3, 5)) == 0.0


def test_peak_to_valley_is_as_unsure_as_its_two_ends() -> None:
    """Highest at 1.15 m, lowest at 1.35 m in segment 5, half way between two means each: what is shared there, and the
    gain of their difference; the noise of both, which heights that are measured have apart."""
    case = dense(2)
    at = (case.left.shared[4] + case.left.shared[5]) / 2 - (case.left.shared[6] + case.left.shared[7]) / 2
    shared = at + case.left.gains[0] * (3.0 + 2.0)
    assert_allclose(case.unsure.peak_to_valley(), np.sqrt(0.49 * (0.4 + 0.9) + shared @ shared), rtol=1e-12)


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_what_all_points_share_is_carried_to_slopes_and_heights(quantity: Quantity) -> None:
    """A line of heights has its rise for a slope, and of slopes the parabola less its mean for heights, exactly."""
    case = dense(3)
    places = case.left.places[4:]
    line = np.column_stack([0 * places + 2.0, 3.0 * places, places - 7.0])
    left = replace(case.left, shared=np.concatenate([9 + 0 * line, line]))
    told = replace(case.unsure.told, quantity=quantity)
    for error in ("height", "slope"):
        unsure = replace(case.unsure, error=error, left=left, told=told)
        for x, number in ((1.2, 1), (1.4, 3)):
            found = unsure.shared_at(5, x)
            if error == quantity:
                assert_allclose(found, line[number], rtol=1e-12)
            elif error == "slope":
                assert_allclose(found, [0, 3, 1], atol=1e-12)
            else:
                rise = np.column_stack([2 * places, 1.5 * places**2, places**2 / 2 - 7 * places])
                assert_allclose(found, (rise - rise.mean(axis=0))[number], atol=1e-12)
    # both campaigns' means at the same places count once; of one place nothing is told of slopes
    twice = replace(left, places=np.concatenate([left.places[:4], np.repeat(places[:2], 2)]))
    other: Quantity = "slope" if quantity == "height" else "height"
    unsure = replace(case.unsure, error=quantity, left=twice, told=told)
    assert_allclose(unsure.shared_at(5, 1.1), line[0], rtol=1e-12)
    step = places[1] - places[0]
    rise = (line[2] - line[0]) / step if other == "slope" else -(line[2] + line[0]) * step / 4
    assert_allclose(replace(unsure, error=other).shared_at(5, 1.1), rise, rtol=1e-9, atol=1e-12)
    one = replace(left, places=np.concatenate([left.places[:4], np.full(4, 1.1)]))
    assert_allclose(replace(unsure, error=other, left=one).shared_at(5, 1.1), 0, atol=0)
    assert_allclose(replace(unsure, error=quantity, left=one).shared_at(5, 1.1), line[0], rtol=1e-12)


def test_noise_is_the_stated_one_unless_data_show_more() -> None:
    """Stated: one, or more where a correlated error leaves more; else what was found."""
    white_, rough = SurfaceError(noise=1.7), SurfaceError(noise=1.7, correlated=1e-7, length=0.05)
    assert noise_of(white_, stated=True) == 1.0
    assert noise_of(rough, stated=True) == 1.7
    assert noise_of(replace(rough, noise=0.6), stated=True) == 1.0
    assert noise_of(white_, stated=False) == noise_of(rough, stated=False) == 1.7


# ------------------------------------------------------------------ what is believed of a surface error

#: Minus second derivative at zero in units of the length: nu/(nu - 1) of a Matérn process, 1 of a Gaussian one; of
#: slopes the fourth derivative over the second, 3 nu/(nu - 2) and 3.
CURVED: dict[tuple[Any, ...], float] = {
    (2.5, False): 5 / 3,
    (np.inf, False): 1.0,
    (1.5, False): 3.0,
    (2.5, True): 15.0,
    (np.inf, True): 3.0,
}


@dataclass
class Bowl:
    """A likelihood that is a paraboloid of the logarithms for each shape: (deviance, place, information)."""

    bowls: dict[Correlation, tuple[float, Array, Array]]
    kind: Correlation = KINDS[0]
    within_freedom: int = 100
    asked: list[Array] = field(default_factory=list)

    def __call__(self, logs: Array) -> tuple[float, Array]:
        self.asked.append(logs)
        lowest, place, information = self.bowls[self.kind]
        away = logs - place
        return float(lowest + away @ information @ away), 2 * information @ away

    def curvature(self, *_: Any) -> Array:
        return 2 * self.bowls[self.kind][2]


@pytest.mark.parametrize("of_slope", [False, True])
def test_belief_is_shared_out_as_laplace_has_it(of_slope: bool) -> None:
    """Each shape's share of the belief is exp(-deviance/2) over the root of its information's determinant (P. S.
    Laplace's approximation, exact for a paraboloid), and in each 25 places as a normal law has them. The search ends
    where the deviance's gradient is below 1e-3, some 1e-4 from the bottom."""
    rng = np.random.default_rng(4)
    kinds = SLOPE_KINDS if of_slope else KINDS
    place = np.log([1.0, 1e-7, 0.05])
    bowls = {}
    for number, kind in enumerate(kinds):
        root = rng.normal(size=(3, 3)) * 3
        information = root @ root.T + 20 * np.eye(3)
        information[0, 1:] = information[1:, 0] = 0.0
        bowls[kind] = (0.7 * number, place + rng.normal(0, 0.3, 3), information)
    likelihood: Any = Bowl(bowls)
    error = SurfaceError.at(place, kinds[0])
    found = believed_errors(likelihood, error)
    expected = {k: np.exp(-d / 2) / np.sqrt(np.linalg.det(i[1:, 1:])) for k, (d, _, i) in bowls.items()}
    whole = sum(expected.values())
    steps = np.array([-2.4, -1.2, 0.0, 1.2, 2.4])
    weights = np.exp(-(steps[:, None] ** 2) / 2 - steps**2 / 2).ravel()
    for kind, (_, best, information) in bowls.items():
        mine = [(one, share) for one, share in found if one.kind == kind]
        full = weights / weights.sum() * expected[kind] / whole
        assert len(mine) == np.sum(full > 1e-4)
        assert_allclose(sorted(share for _, share in mine), sorted(full[full > 1e-4]), rtol=1e-3)
        middle, share = max(mine, key=lambda pair: pair[1])
        assert_allclose(middle.logs, best, atol=1e-4)
        for one, part in mine:
            away = one.logs - best
            assert away[0] == pytest.approx(0.0, abs=1e-4)
            assert_allclose(np.log(share / part), away @ information @ away / 2, rtol=2e-3, atol=2e-3)


def test_what_data_do_not_tell_is_believed_within_one_logarithm() -> None:
    """Without any information the steps are of a factor e: out to 2.4 logarithms and no farther, each alike but for
    what rounding leaves. Other shapes are looked for within three logarithms of one as curved at zero."""
    place = np.log([1.0, 1e-7, 0.05])
    flat = np.diag([50.0, 0.0, 0.0])
    likelihood: Any = Bowl(dict.fromkeys(KINDS, (0.0, place, flat)))
    found = believed_errors(likelihood, SurfaceError.at(place, KINDS[0]))
    assert len(found) == 75
    assert_allclose([share for _, share in found], 1 / 75, rtol=1e-6)
    for kind in KINDS:
        stretch = np.log(CURVED[tuple(kind)] / CURVED[tuple(KINDS[0])]) / 2
        mine = np.array([one.logs for one, _ in found if one.kind == kind])
        assert_allclose(mine.mean(axis=0), place + np.array([0, 0, stretch]), atol=1e-6)
        assert_allclose(np.unique(np.round(mine[:, 1] - place[1], 6)), [-2.4, -1.2, 0, 1.2, 2.4], atol=1e-6)
    far: Any = Bowl(dict.fromkeys(KINDS, (0.0, place + np.array([0, 0, 20.0]), np.eye(3))))
    believed_errors(far, SurfaceError.at(place, KINDS[0]))
    middle = {}
    for kind in KINDS:
        far.kind = kind
        middle[kind] = max(one[2] for one in far.asked) - place[2]
    # the search for each went three logarithms from its start, and the grid 2.4 from there
    stretch = max(np.log(CURVED[tuple(kind)] / CURVED[tuple(KINDS[0])]) / 2 for kind in KINDS)
    assert_allclose(max(middle.values()), 3 + stretch + 2.4, rtol=1e-6)


@pytest.mark.parametrize("kind", SLOPE_KINDS, ids=str)
@pytest.mark.parametrize("other", SLOPE_KINDS, ids=str)
def test_shapes_are_compared_as_curved_at_zero(kind: Correlation, other: Correlation) -> None:
    """Both correlations fall alike from one at a short distance, if one's length is stretched so."""
    short = np.array([0.0, 1e-4])
    one = _correlation(short, 1.0, other)[0][0, 1]
    two = _correlation(short, float(np.exp(kind.log_stretch(other))), kind)[0][0, 1]
    assert_allclose(1 - two, 1 - one, rtol=2e-3)  # of 3/2 the next term is the step itself, some 1e-4
    assert_allclose(kind.curvature, CURVED[tuple(kind)], rtol=1e-12)


def test_a_search_ends_at_the_bottom_or_at_a_bound() -> None:
    information = np.array([[900.0, 2.0, 0.0], [2.0, 3.0, 1.0], [0.0, 1.0, 2.0]])
    bowl: Any = Bowl({KINDS[0]: (5.0, np.array([0.5, -16.0, -3.0]), information)})
    for freedom in (0, 100, 1_000_000):
        bowl.within_freedom = freedom
        found = _most_likely(bowl, np.array([0.0, -15.0, -2.0]), [(-3, 3), (-25, -10), (-6, 0)])
        assert_allclose(found.fun, 5.0, rtol=1e-6)
        assert_allclose(found.x, [0.5, -16, -3], atol=1e-3)
        held = _most_likely(bowl, np.array([0.0, -15.0, -2.0]), [(-3, 3), (-25, -10), (-2.5, 0)])
        assert_allclose(held.x[2], -2.5, rtol=1e-12)
        rest = np.linalg.solve(information[:2, :2], -information[:2, 2] * 0.5)
        assert_allclose(held.x[:2], np.array([0.5, -16.0]) + rest, atol=1e-3)


def surface(quantity: Quantity, seed: int, kind: Correlation, *, points: int = 60) -> Any:
    """A reduction of six segments with a correlated error of this shape, and its columns."""
    placed = white(points=points, seed=seed, quantity=quantity, noise=2e-8)
    rng = np.random.default_rng(seed + 100)
    x = placed.x[placed.part(0)]
    shape = 1e-14 * _correlation(x, 0.06, kind)[0]
    root = np.linalg.cholesky(shape + 1e-22 * np.eye(points))
    added = np.concatenate([root @ rng.normal(size=points) for _ in placed.measured])
    reduction = reduce_profile(replace(placed, values=placed.values + added))
    effects, partials = segment_effects(reduction), reduction.partials(Ellipse(*TRUE))
    nothing = np.zeros(len(reduction.nodes))
    return SimpleNamespace(reduction=reduction, offset=nothing, shared=partials, own=list(effects.own), effects=effects)


def best_of(case: Any, kind: Correlation) -> tuple[float, Array]:
    """Lowest deviance of one shape, by scipy from many starts."""
    likelihood = SurfaceLikelihood(case.reduction, case.offset, case.shared, case.own)
    likelihood.kind = kind
    value: Any = likelihood
    bounds: Any = np.log([(1e-2, 1e2), (1e-10, 1e-4), (5e-3, 2.5)])
    found = [
        minimize(value, np.log([1.0, size, length]), jac=True, method="L-BFGS-B", bounds=bounds)
        for size in (3e-8, 1e-7)
        for length in (0.03, 0.1)
    ]
    least = min(found, key=lambda one: float(one.fun))
    return float(least.fun), least.x


# heights: shapes that differ by 0.1 to 18 in deviance; slopes: others likelier by 5.8, 3.9 and 1.6
@pytest.mark.parametrize(
    ("quantity", "seed"),
    [("height", 1), ("height", 2), ("height", 6), ("height", 14), ("slope", 2), ("slope", 29), ("slope", 14)],
)
def test_the_shape_is_the_most_likely_one(quantity: Quantity, seed: int) -> None:
    """Of heights whichever is likeliest, by however little. Of slopes that of a stationary height error, unless another
    is likelier by e**2, 4 in deviance."""
    kinds = KINDS if quantity == "height" else SLOPE_KINDS
    case = surface(quantity, seed, kinds[seed % len(kinds)])
    found = estimate_correlated(case.reduction, offset=case.offset, shared=case.shared, own=case.own, noise=1.0)
    best = {kind: best_of(case, kind) for kind in kinds}
    of_slope = {kind: value for kind, (value, _) in best.items() if kind.of_slope}
    others = {kind: value for kind, (value, _) in best.items() if not kind.of_slope}
    expected = min(others, key=lambda kind: others[kind])
    if of_slope:
        likely = min(of_slope, key=lambda kind: of_slope[kind])
        if others[expected] >= of_slope[likely] - 4:
            expected = likely
    assert found.kind == expected
    assert_allclose(found.logs, best[expected][1], atol=2e-2)


def test_form_has_its_evidence_in_the_likelihood() -> None:
    """Likelihood without form less that with it, each at its own place; the first is at its bottom."""
    case = surface("height", 5, KINDS[0])
    columns = [form * (2e-7, 1e-7) for form in case.effects.form]
    error = SurfaceError(noise=0.25, correlated=1e-7, length=0.06, kind=KINDS[0])
    alone, evidence = without_form(
        case.reduction, error, offset=case.offset, shared=case.shared, own=case.own, form=columns
    )
    with_, without = (
        SurfaceLikelihood(case.reduction, case.offset, case.shared, case.own, form) for form in (columns, None)
    )
    with_.kind = without.kind = KINDS[0]
    assert_allclose(evidence, best_of(case, KINDS[0])[0] - with_(error.logs)[0], atol=1e-3)
    assert_allclose(alone.logs, best_of(case, KINDS[0])[1], atol=2e-2)
    assert alone.kind == error.kind


# ------------------------------------------------------------------ reduction, solver, small things


@pytest.mark.parametrize("reach", [1.0001, 1.2, 1.338, 1.35, 1.5, 2.0, 30.0, 1e4])
def test_the_degree_is_the_least_whose_terms_may_be_neglected(reach: float) -> None:
    """Terms fall as rho**-n, rho = e + sqrt(e**2 - 1) for a curve that ends at e half spans (Trefethen, theorem 8.2):
    the least n with rho**-n below 1e-14, no less than 5 and no more than 40, by counting."""
    ellipse = Ellipse(10.0, 10.0, 0.02)
    end = ellipse.ends[1]
    half = 0.3
    centre = end - reach * half if reach < 10 else 0.0
    if reach >= 10:
        half = end / reach
    rho = reach + np.sqrt(reach**2 - 1)
    least = next((n for n in range(1000) if rho**-n <= 1e-14), 1000)
    assert _degree(ellipse, centre - half, centre + half) == min(max(least, 5), 40)


@pytest.mark.parametrize("points", [5, 6, 7, 40])
def test_a_polynomial_goes_through_few_points_exactly(points: int) -> None:
    """As many nodes as positions, if these are few, and nothing left; two readings at each leave half of what they
    differ by, squared."""
    placed = white(points=points, count=2)
    for part in reduce_profile(placed).segments:
        assert len(part.nodes) == points or len(part.nodes) < 20 < points
        assert (part.rest < 1e-3) is (points < 13)
    x, y = np.repeat(placed.x, 2), np.tile([-1e-3, 1e-3], 2 * points)
    values = np.repeat(placed.values, 2) + 1e-7 * np.tile([1.0, -1.0], 2 * points)
    twice = replace(
        placed, x=x, y=y, values=values, sigma=np.full(4 * points, 1e-7), bounds=np.array([0, 2 * points, 4 * points])
    )
    for one, part in zip(reduce_profile(placed).segments, reduce_profile(twice).segments, strict=True):
        assert len(part.nodes) == len(one.nodes)
        assert_allclose(part.rest, 2 * points + 2 * one.rest, rtol=1e-6)


def test_a_span_beyond_the_ellipse_has_the_highest_degree() -> None:
    ellipse = Ellipse(10.0, 10.0, 0.02)
    assert _degree(ellipse, 9.5, 10.5) == 40


def test_what_is_left_of_exact_data_is_never_negative() -> None:
    """Rounding leaves something of either sign of a sum of squares; it is taken for none."""
    mirror = even_mirror(Ellipse(*TRUE), count=8, pitch=0.6)
    for seed in range(4):
        rng = np.random.default_rng(seed)
        placed = made_profile(mirror, TRUE, points=40, lifts=rng.normal(0, 1e-3, 8), tilts=rng.normal(0, 1e-3, 8))
        assert all(part.rest >= 0 for part in reduce_profile(placed).segments)


def test_a_search_that_ends_at_once_has_not_converged() -> None:
    """Wrong derivatives: the residual lies along the tangent still, at parameters of size one, too."""
    x = np.linspace(0, 1, 20)

    def residual(u: Array) -> Array:
        return np.asarray(np.exp(u[0] * x) - np.exp(2 * x) + 0.1 * np.cos(5 * x))

    found = minimise(residual, lambda u: -(x * np.exp(u[0] * x))[:, None], np.array([1.0]))
    assert not found.converged


def test_a_solution_at_zero_is_as_good_as_any() -> None:
    """Rounding of parameters is no measure where they are zero: what counts is the length of the residual."""
    rng = np.random.default_rng(3)
    design = rng.normal(size=(40, 3))
    rest = rng.normal(size=40)
    rest -= design @ np.linalg.lstsq(design, rest, rcond=None)[0]
    found = minimise(lambda u: design @ u - rest, lambda _: design, np.ones(3))
    assert_allclose(found.values, 0, atol=1e-14)
    assert found.converged


def test_unknown_covariances_have_the_shape_of_known_ones() -> None:
    for shape in ((5, 2), (1, 2), (2, 3)):
        assert inverse_normal(np.ones(shape)).shape == (shape[1], shape[1])


def test_temperature_counts_where_expansion_is_known() -> None:
    """A bare measurement tells no temperature, a coefficient of zero makes it none."""
    reduction, ellipse = reduce_profile(white()), Ellipse(*TRUE)
    assert "temperature" not in systematic_patterns(reduction, ellipse, Measurement())
    still = Measurement(expansion=0.0, temperature_uncertainty=1.0)
    assert "temperature" not in systematic_patterns(reduction, ellipse, still)
    both = [
        systematic_patterns(reduction, ellipse, Measurement(expansion=e, temperature_uncertainty=t))["temperature"]
        for e, t in ((8e-6, 0.5), (4e-6, 1.0))
    ]
    assert_allclose(both[0], both[1], rtol=1e-12)


def test_lines_at_y_zero_tell_no_roll() -> None:
    """Whether the one line is at zero or beside it."""
    mirror = even_mirror(Ellipse(*TRUE), count=2, pitch=0.5)
    x = np.concatenate([np.linspace(s.start, s.end, 21) for s in mirror.segments])
    for y in (0.0, 0.013):
        profile = Profile(
            name="one", quantity="height", x=x, y=np.full_like(x, y), values=ideal("height", x, *TRUE), frame="mirror"
        )
        fit = fit_ellipse(place_profile(profile, mirror), vary=(), residual="white")
        assert segment_rolls(fit) == (None, None)


def test_tails_are_told_across_no_gap() -> None:
    """A point in three left out: no three neighbours stand evenly, so nothing is told; a step at the one gap of a
    segment is none of the noise, from whichever side it is seen."""
    placed = white(points=600, count=1)
    noise = np.random.default_rng(1).normal(0, 1e-7, 600)
    kept = np.flatnonzero(np.arange(600) % 3 != 2)
    pairs = replace(placed, x=placed.x[kept], values=placed.values[kept], sigma=None, bounds=np.array([0, 400]))
    assert noise_tails(pairs, noise[kept])[0] == noise_tails(pairs, noise[kept])[0]
    for first in range(3):  # each third of the second differences once
        kept = np.concatenate([np.arange(first, 240), np.arange(300, 600)])
        step = noise[kept] + np.where(kept >= 300, 1e-3, 0.0)
        gap = replace(placed, x=placed.x[kept], values=placed.values[kept], sigma=None, bounds=np.array([0, len(kept)]))
        share, heavy = noise_tails(gap, step)
        assert share < 0.01
        assert not heavy


def test_tails_of_noise_are_judged_by_the_binomial_law() -> None:
    """So many of 1,000 differences beyond four deviations are more than normal noise has as chance gives less than once
    in a million, by scipy's binomial law; a line beneath them, however steep, is none of them."""
    placed = white(points=3002, count=1)
    smooth = norm.ppf((np.arange(1000) + 0.5) / 1000)
    np.random.default_rng(2).shuffle(smooth)
    for far in range(8):
        bends = smooth.copy()
        bends[np.argsort(np.abs(bends))[::-1][: far + 1]] = 3.0
        bends[:far] = 50.0
        rest: Array = np.asarray(1e3 + 7.0 * np.arange(3002.0))  # a line has no second differences
        rest[1:-1:3] -= bends / 2
        share, heavy = noise_tails(replace(placed, sigma=None), rest)
        assert_allclose(share, far / 1000, atol=1e-12)
        assert heavy == (binom.sf(far - 1, 1000, 2 * norm.sf(4)) < 1e-6)


def test_few_segments_are_free_and_one_has_no_misplacement() -> None:
    for count, model in ((1, "fixed"), (2, "free"), (4, "free"), (5, "random")):
        placed = white(count=count, points=30)
        assert prepare_problem(placed, residual="white").model == model
        assert prepare_problem(placed, residual="white", segments="free").model == "free"
        tied = prepare_problem(placed, residual="white", spread_height=5e-6, spread_tilt=2e-5).model
        assert tied == ("fixed" if count == 1 else "random")


def test_a_budget_shows_lengths_and_one_angle() -> None:
    assert [kind_of(name) for name in ("p", "q", "theta", "image_across")] == ["length", "length", "angle", "length"]
    one = {"p": 2e-3, "theta": 3e-6, "image_across": 4e-6}
    budget = Budget(contributions=(Contribution(source="noise", results=one),), combined=one)
    expected = (uncertainty(2e-3, "length"), uncertainty(3e-6, "angle"), uncertainty(4e-6, "length"))
    (table,) = budget.rows()
    assert table.header == ("source", "p", "theta", "image across")
    assert table.cells == (("noise", *expected), ("combined", *expected))


# ------------------------------------------------------------------ least absolute deviations, what is knocked


def least_absolute(design: Array, values: Array, size: Array) -> Array:
    """Coefficients of least absolute deviations in units of `size`: a linear programme, by scipy's HiGHS."""
    rows, target = design / size[:, None], values / size
    count, n = rows.shape
    cost = np.concatenate([np.zeros(n), np.ones(count)])
    above = np.block([[rows, -np.eye(count)], [-rows, -np.eye(count)]])
    bounds = [(None, None)] * n + [(0, None)] * count
    scale = np.abs(rows).max(axis=0)
    above[:, :n] /= scale
    found: Any = linprog(cost, A_ub=above, b_ub=np.concatenate([target, -target]), bounds=bounds)
    return np.asarray(found.x[:n] / scale)


@pytest.mark.parametrize("r", [1, 2])
def test_the_common_pose_is_that_of_least_absolute_deviations(r: int) -> None:
    """Heights of micrometres and tilts of tens of microradians, one of thirteen segments knocked far: by a linear
    programme, each kind over its median size; reweighted squares come within a twentieth of the spread."""
    rng = np.random.default_rng(6)
    middles = 0.5 * np.arange(13) - 2.7
    pose = np.concatenate([np.array([[1.0, m], [0.0, 1.0]])[-r:, -r:] for m in middles])
    own = rng.normal(0, [5e-6, 20e-6], (13, 2))[:, -r:]
    own[4] += np.array([1e-3, 5e-3])[-r:]
    values = own.ravel() + pose @ np.array([30e-6, 10e-6])[-r:]
    size = np.tile(np.median(np.abs(values.reshape(-1, r)), axis=0), 13)
    found = _least_absolute(pose, values, r)
    expected = least_absolute(pose, values, size)
    assert_allclose(found, expected, rtol=0, atol=2e-7)
    # nothing of it depends on the unit of length: x and heights thousandfold, tilts as they are
    if r == 2:
        stretched = pose.copy()
        stretched[::2, 1] *= 1e3
        longer = values * np.tile([1e3, 1.0], 13)
        assert_allclose(_least_absolute(stretched, longer, 2), found * [1e3, 1], rtol=1e-6)
    assert_allclose(_least_absolute(pose, 0 * values, r), 0, atol=0)


# ------------------------------------------------------------------ rows and columns of the joint problem


def everything(*priors: Prior) -> JointProblem:
    """Eight random segments with form of their own, half of it known from the shop, measured twice, points unsure
    together: all that a problem can hold."""
    placed = white(count=8, points=40)
    segments = tuple(
        replace(one, form=(1e-8, 2e-8), form_uncertainty=(1e-9, 2e-9)) if number % 2 else one
        for number, one in enumerate(placed.mirror.segments)
    )
    mirror = replace(placed.mirror, segments=segments)
    placed = replace(placed, mirror=mirror, covariance_factor=1e-8 * np.cos(placed.x)[:, None])
    lever = placed.x - np.array([one.middle for one in segments])[placed.index]
    then = replace(placed, values=placed.values - 1e-6 * (1 + lever))
    previous = Previous(placed=then, moves=np.full((8, 2), 1e-6), factor=np.full((8, 2, 3), 1e-7))
    problem = prepare_problem(
        placed, segments="random", residual="white", spread_height=5e-6, spread_tilt=2e-5, priors=priors,
        previous=previous,
    )  # fmt: skip
    return replace(problem, form=(3e-8, 4e-8))


def test_rows_hold_what_they_are_called_by() -> None:
    """Data, then a row for each random effect and unknown of one, over its spread; priors last. Those that hold shared
    columns and the shop's unknowns are rows of a unit matrix."""
    prior = Prior(weights=(1.0, 1.0, 0.0), value=30.0, stderr=1e-3)
    problem = everything(prior, prior)
    sources = problem.sources()
    sizes = {name: rows.stop - rows.start for name, rows in sources.items()}
    data = sum(len(white_.projection) for white_ in problem.whitened)
    assert sizes == {
        "surface error and noise": data, "segment heights and tilts": 16, "segment form": 16, "form from the shop": 8,
        "stitching": 1, "stitching of the last campaign": 1, "moves since the last campaign": 3,
        "pose in the last campaign": 2, "priors": 2,
    }  # fmt: skip
    ends = [0, *(rows.stop for rows in sources.values())]
    assert [rows.start for rows in sources.values()] == ends[:-1]
    linear = problem.linear
    assert len(linear) == ends[-1] == len(problem.residual(np.array(TRUE)))
    for name in list(sizes)[3:-1]:
        columns = problem.held_columns(name)
        assert_allclose(linear[sources[name], columns], np.eye(sizes[name]), atol=0)
        rest = np.delete(linear[sources[name]], np.arange(columns.start, columns.stop), axis=1)
        assert_allclose(rest, 0, atol=0)
        assert columns == everything().held_columns(name)
    assert_allclose(linear[sources["priors"]], 0, atol=0)
    form = linear[sources["segment form"]]
    assert_allclose(form[form != 0], np.tile([1 / 3e-8, 1 / 4e-8], 8), rtol=1e-12)
    tilts = everything_of_slopes().sources()
    assert "segment tilts" in tilts
    assert tilts["segment tilts"].stop - tilts["segment tilts"].start == 8


def everything_of_slopes() -> JointProblem:
    return prepare_problem(white(count=8, quantity="slope"), segments="random", residual="white", spread_tilt=2e-5)


def test_random_segments_are_held_as_they_stood_before_the_moves() -> None:
    """Deviation less moves, made and unsure, over the spread: what the row of an effect says, by hand."""
    problem = everything()
    assert problem.moved is not None
    rows = problem.sources()["segment heights and tilts"]
    unknowns: Array = np.asarray(np.random.default_rng(2).normal(0, 1e-6, problem.linear.shape[1]))
    own = unknowns[2:18]
    columns = problem.held_columns("moves since the last campaign")
    moved = problem.moved.moves.ravel() + 1e-7 * unknowns[columns].sum()
    found = (problem.residual(np.array(TRUE)) + problem.linear @ unknowns)[rows]
    assert_allclose(found, (own - moved) / np.tile([5e-6, 2e-5], 8), rtol=1e-9)


def test_the_pose_of_free_segments_is_weighted_by_the_usual_spreads() -> None:
    """Least squares of h_i = H + T x_i and t_i = T with 5 um and 20 urad, by numpy, of what the segments were given."""
    rng = np.random.default_rng(12)
    lifts, tilts = rng.normal(0, 20e-6, 6), rng.normal(0, 5e-6, 6)
    placed = made_profile(even_mirror(Ellipse(*TRUE), count=6, pitch=0.9), TRUE, points=30, lifts=lifts, tilts=tilts)
    fit = fit_ellipse(placed, vary=(), segments="free", residual="white")
    middles = np.array([segment.middle for segment in placed.mirror.segments])
    design = np.concatenate([np.column_stack([np.ones(6), middles]) / 5e-6, np.tile([0, 1 / 20e-6], (6, 1))])
    pose = np.linalg.lstsq(design, np.concatenate([lifts / 5e-6, tilts / 20e-6]), rcond=None)[0]
    assert_allclose([fit.pose.height or 0.0, fit.pose.tilt], pose, rtol=1e-6)
    assert_allclose([one.height or 0.0 for one in fit.segments], lifts - pose[0] - pose[1] * middles, atol=1e-11)
    assert_allclose([one.tilt or 0.0 for one in fit.segments], tilts - pose[1], atol=1e-11)


@pytest.mark.parametrize("given", [(None, None), (5e-6, None), (None, 2e-5)])
def test_spreads_that_are_estimated_cost_degrees_of_freedom(given: tuple[float | None, float | None]) -> None:
    """Of heights and tilts each: with both known there are degrees without end, with one fewer than that."""
    placed = white(count=12)
    height, tilt = given
    one = prepare_problem(placed, residual="white", spread_height=height, spread_tilt=tilt)
    assert np.isfinite(one.freedom)
    assert one.scale > 1
    none = prepare_problem(placed, residual="white", spread_height=5e-6, spread_tilt=2e-5)
    assert none.freedom == np.inf
    assert none.scale == 1.0


def test_oddities_are_told_in_percent() -> None:
    odd = Oddities(strays={"S01": 2, "S03": 1}, dirty=("S01", "S03"), knocked=(), tails=0.98, heavy=True)
    first, second = odd.warnings()
    assert first == "3 points that stray far from their neighbours are left out; segment S01, S03 looks dirty"
    assert "heavy tails: 98 % of it" in second
    assert [cells[1] for cells in odd.table().cells] == [
        "2 of S01, 1 of S03", "S01, S03", "none", "HEAVY TAILS, 98 % beyond 4 standard deviations",
    ]  # fmt: skip


# ------------------------------------------------------------------ priors against the data


def sum_of(value: float, stderr: float) -> Prior:
    return Prior(weights=(1.0, 1.0, 0.0), value=value, stderr=stderr)


def test_priors_are_compared_with_the_data_alone() -> None:
    """(w v - value)**2 over w C w' + s**2 with v and C of the data alone, an unsure origin among them; all together by
    the inverse of their covariance, which they share through the data."""
    placed = white(count=1, points=200, noise=1e-9)
    how = Measurement(x_uncertainty=1e-3)
    placed = replace(placed, mirror=replace(placed.mirror, measurement=how))
    alone = fit_ellipse(placed, vary=("p", "q", "theta"), residual="white")
    at = np.array([alone.ellipse.p, alone.ellipse.q, alone.ellipse.theta])
    priors = (
        sum_of(float(at[0] + at[1]) + 2e-3, 1e-3), Prior(weights=(0.0, 0.0, 1.0), value=at[2] - 1e-6, stderr=3e-7),
        Prior(weights=(1.0, -2.0, 0.0), value=at[0] - 2 * at[1], stderr=1e-3),
    )  # fmt: skip
    checks = fit_ellipse(placed, vary=("p", "q", "theta"), residual="white", priors=priors).prior_checks
    weights = np.array([prior.weights for prior in priors])
    away = weights @ at - [prior.value for prior in priors]
    spread = weights @ alone.covariance @ weights.T + np.diag([prior.stderr**2 for prior in priors])
    assert [check.degrees for check in checks] == [1, 1, 1, 3]
    size = np.sqrt(np.diag(spread))
    together = (away / size) @ np.linalg.solve(spread / np.outer(size, size), away / size)
    assert_allclose([check.chi_squared for check in checks], [*(away / size) ** 2, together], rtol=1e-5, atol=1e-9)
    assert_allclose([check.p_value for check in checks[:3]], 2 * norm.sf(np.abs(away / size)), rtol=1e-4)
    assert checks[0].text.startswith("the prior p+q = ")
    assert f"and the data, which say {spoken(float(at[0] + at[1]), 'length', digits=6)}, are" in checks[0].text
    assert checks[3].text.startswith("all priors together and the data are ")
    (one,) = fit_ellipse(placed, vary=("theta",), residual="white", priors=priors[:1]).prior_checks
    assert "and the value that is held, 30.000 m, are" in one.text
    # p and q held at nominal: the prior alone is unsure of their sum
    assert_allclose(one.chi_squared, ((30.0 - priors[0].value) / 1e-3) ** 2, rtol=1e-6)


def test_data_that_run_away_say_nothing_of_a_prior() -> None:
    """A straight surface is an ellipse of any length: p ends at its bound, and no prior is for or against it."""
    mirror = even_mirror(Ellipse(20.0, 20.0, 0.01), count=1, pitch=0.2, gap=0)
    placed = made_profile(mirror, (20.0, 20.0, 0.01), points=40)
    flat = replace(placed, values=1e-9 * placed.values)
    problem = prepare_problem(flat, residual="white", priors=(sum_of(40.0, 1.0), sum_of(41.0, 1.0)))
    start = np.array([20.0, 20.0, 0.01])
    _, solution = replace(problem, priors=()).solve(start, (0, 1, 2))
    assert any(solution.at_bound)
    found = prior_checks(problem, start, start, (0, 1, 2), names=["S01"], how=Measurement())
    assert [(check.degrees, check.p_value, check.chi_squared) for check in found] == [(0, 1.0, 0.0)] * 2
    assert found[0].text == f"prior {sum_of(40.0, 1.0)}: the data alone say nothing of it"


@pytest.mark.parametrize("points", [5, 6, 9, 40, 300])
def test_columns_that_points_share_are_kept_whole(points: int) -> None:
    """Squares of the rows at any node values and weights, with what nothing explains, are those of all points; block
    means of the columns are numpy's averages. Of points as few as unknowns nothing is left."""
    placed = white(points=points, count=2)
    assert placed.sigma is not None
    rng = np.random.default_rng(4)
    sigma = placed.sigma * rng.uniform(0.5, 2.0, placed.count)
    columns = 1e-7 * np.stack([np.cos(7 * placed.x), rng.normal(size=placed.count)], axis=1)
    reduction = reduce_profile(replace(placed, sigma=sigma, covariance_factor=columns))
    assert (reduction.shared, reduction.count) == (2, 2 * points)
    for part, number in zip(reduction.segments, placed.measured, strict=True):
        own = placed.part(number)
        x, away = placed.x[own], placed.values[own] - placed.mirror.nominal.height(placed.x[own])
        for _ in range(3):
            f, c = 1e-7 * rng.normal(size=len(part.nodes)), rng.normal(size=2)
            rows = part.factor @ f + part.shared @ c - part.projection
            plain = (node_basis(part.nodes, x) @ f + columns[own] @ c - away) / sigma[own]
            assert_allclose(rows @ rows + part.rest, plain @ plain, rtol=1e-9)
        assert (part.rest == 0) is (points < len(part.nodes) + 3)
        bins = len(part.block_x)
        weight = sigma[own] ** -2
        assert_allclose(part.block_weight.sum(), weight.sum(), rtol=1e-12)
        assert_allclose(part.block_weight @ part.block_shared, weight @ columns[own], rtol=1e-9)
        if bins == points:
            assert_allclose(part.block_shared, columns[own], rtol=1e-12)


@pytest.mark.parametrize("cut", [1, 2, 3, 4, 7])
def test_positions_that_stand_in_two_blocks_count_once(cut: int) -> None:
    """Two readings at each of five places and three at the last, taken in two blocks cut anywhere."""
    placed = white(points=11, count=1)
    first, last = placed.ends(0)
    x = np.repeat(np.linspace(first, last, 5), [2, 2, 2, 2, 3])
    gathered = _Gathered(placed, 0)
    for part in (slice(0, cut), slice(cut, None)):
        gathered.add(
            Block(x=x[part], values=placed.values[part], sigma=None, covariance_factor=None, rows=np.arange(11)[part])
        )
    assert (gathered.positions, gathered.done) == (5, 11)
    assert len(gathered.moments(0, placed.mirror.segments[0]).nodes) == 5


def test_where_no_covariance_is_the_likelihood_is_infinite_and_flat() -> None:
    """A search steps back from there, by value and gradient of the usual shape."""
    case = surface("height", 1, KINDS[0])
    likelihood = SurfaceLikelihood(case.reduction, case.offset, case.shared, case.own)
    value, gradient = likelihood(np.log([1e-30, 1e-7, 1e9]))
    assert value == np.inf
    assert gradient.shape == (3,)
    assert not gradient.any()


@pytest.mark.parametrize("missing", [1, 2])
@pytest.mark.parametrize("first", [0, 1, 2])
def test_tails_are_told_across_no_missing_point(missing: int, first: int) -> None:
    """A step wherever one or two of thirty points are missing: of even neighbours none shows it, whichever third is
    looked at."""
    placed = white(points=900, count=1)
    number = np.arange(first, 900)
    kept = number[number % 30 >= missing]
    noise = np.random.default_rng(1).normal(0, 1e-7, 900)[kept] + 1e-5 * (kept // 30)
    gap = replace(placed, x=placed.x[kept], values=placed.values[kept], sigma=None, bounds=np.array([0, len(kept)]))
    share, heavy = noise_tails(gap, noise)
    assert share < 0.01
    assert not heavy


def test_points_in_two_clumps_are_told_by_fewer_nodes() -> None:
    """A thousandth of the span at each end: each tells a value, a slope and a curvature, whose square is 1e-12 of the
    value's; the next, 1e-18, drowns in rounding. What is left is what dense least squares on six unknowns leaves."""
    placed = white(points=80, count=2, noise=1e-9)
    x = placed.x.copy()
    for number in range(2):
        own, (first, last) = placed.part(number), placed.ends(number)
        s = np.linspace(0, 1e-3, 40)
        x[own] = first + (last - first) * np.concatenate([s, 1 - s[::-1]])
    values = ideal("height", x, *TRUE) + 1e-9 * np.random.default_rng(1).normal(size=160)
    found = reduce_profile(replace(placed, x=x, values=values))
    for part in found.segments:
        assert len(part.nodes) == 6
        own = placed.part(part.number)
        basis = node_basis(part.nodes, x[own])
        away = values[own] - placed.mirror.nominal.height(x[own])
        best = basis @ np.linalg.lstsq(basis, away, rcond=1e-15)[0]
        assert_allclose(part.rest, np.sum((away - best) ** 2) / 1e-18, rtol=1e-3)


def test_relative_uncertainties_have_two_digits() -> None:
    """In percent, without powers of ten; a thousand percent and more is no number worth printing."""
    shares = (0.98765, 0.012345, 1.2345e-6, 0.05, 9.9, 10.0, np.inf)
    expected = ("99 %", "1.2 %", "0.00012 %", "5 %", "990 %", "beyond any use", "beyond any use")
    assert tuple(_percent(share) for share in shares) == expected


def test_a_problem_without_a_segment_is_the_whole_one_without_its_rows() -> None:
    """Covariance of p, q, theta and the pose from all rows but those of the segment's data: what holds its own unknowns
    says nothing of others. With moves, form from the shop, shared columns and a segment that was knocked."""
    problem = replace(everything(sum_of(30.0, 1e-3)), loose=(5,))
    jacobian = problem.joint_jacobian(np.array(TRUE), (0, 1, 2))
    owner = np.repeat(np.arange(8), [len(one.projection) for one in problem.whitened])
    for number in (0, 3, 5, 7):
        rows = np.concatenate([owner != number, np.ones(len(jacobian) - len(owner), dtype=bool)])
        whole = inverse_normal(jacobian[rows])[:5, :5]
        left = _without(problem, number)
        size = np.sqrt(np.diag(whole))
        found = left.posterior(np.array(TRUE), (0, 1, 2))[:5, :5] / np.outer(size, size)
        assert_allclose(found, whole / np.outer(size, size), rtol=0, atol=1e-6)
        assert left.loose == {0: (4,), 3: (4,), 5: (), 7: (5,)}[number]
        assert left.reduction.reference == problem.reduction.reference
        assert_allclose(left.values(Ellipse(*TRUE)), np.delete(
            problem.values(Ellipse(*TRUE)), np.flatnonzero(nodes_of(problem) == number)), rtol=0, atol=0)  # fmt: skip


def nodes_of(problem: JointProblem) -> Array:
    return np.repeat(np.arange(8), [len(part.nodes) for part in problem.reduction.segments])


def test_moves_that_were_not_made_are_told_by_segment() -> None:
    """One or several; with none the campaign as a whole is compared, of as many degrees as the data speak of."""
    problem = everything()
    assert problem.moved is not None
    parameters = np.array(TRUE)
    names = [f"S{number + 1:02d}" for number in range(8)]
    whole = _moves(problem, parameters, (0, 1, 2), names)
    assert whole.name == "the last campaign and the moves since"
    assert whole.text.startswith("the last campaign with the moves since and now are ")
    mean, covariance = (
        problem.linear_solution(parameters), problem.posterior(parameters, (0, 1, 2))[3:, 3:],
    )  # fmt: skip
    columns = problem.held_columns("moves since the last campaign")
    values, vectors = np.linalg.eigh(np.eye(3) - covariance[columns, columns])
    told = values > 1e-6
    expected = (
        np.sum((vectors.T @ mean[columns])[told] ** 2 / values[told])
        / (problem.scale / coverage_scale(problem.freedom)) ** 2
    )
    assert whole.degrees == told.sum()
    assert_allclose(whole.chi_squared, expected, rtol=1e-6)
    for unsure, start, end in (
        ((1,), "segment S02 stands ", "put it (p = 2e-05): it is not held to that"),
        ((1, 4), "segments S02 stands ", "put them (p = 2e-05): they are not held to that"),
    ):
        moved = replace(problem.moved, unsure=unsure, chi_squared=20.0, p_value=2e-5)
        one = _moves(replace(problem, moved=moved), parameters, (0, 1, 2), names)
        assert (one.chi_squared, one.p_value, one.degrees) == (20.0, 2e-5, 2)
        assert one.text.startswith(start)
        assert one.text.endswith(end)
        assert (", S05 stands " in one.text) is (len(unsure) == 2)


@pytest.mark.parametrize("size", [20e-6, 300e-6, 3e-3])
def test_each_segment_is_asked_whether_it_stands_where_it_was_put(size: float) -> None:
    """By the unknowns of its own moves; one that was raised by less than it is said is the worst, also where it pulls
    its neighbours so far off that no probability is left of any."""
    placed = white(count=6, points=40)
    rng = np.random.default_rng(3)
    lift = np.zeros(6)
    lift[4] = size
    then = replace(placed, values=placed.values + 1e-7 * rng.normal(size=240) + np.repeat(lift, 40))
    factor = np.zeros((6, 2, 12))
    factor[np.arange(6), 0, 2 * np.arange(6)], factor[np.arange(6), 1, 2 * np.arange(6) + 1] = 1e-6, 1e-5
    previous = Previous(placed=then, moves=np.zeros((6, 2)), factor=factor)
    problem = prepare_problem(placed, segments="free", residual="white", previous=previous)
    assert problem.moved is not None
    assert problem.moved.unsure == (4,)
    assert problem.moved.p_value < 1e-6
    left = moved_checks(problem, np.array(TRUE))
    assert all(check.degrees == 2 for row, check in left.items() if row != 4)
    assert min(check.p_value for row, check in left.items() if row != 4) > 1e-4


def test_no_fewer_than_three_degrees_of_freedom_are_believed() -> None:
    """Five segments so short that each is worth its mean slope, and four coefficients: one degree is left, of which the
    normal law knows little (JCGM 100:2008, Table G.2: 1.84); three are stated, and not half as much again for more."""
    mirror = even_mirror(Ellipse(12.0, 8.0, 20e-3), count=5, pitch=0.5, gap=0.499, adjusters=1)
    found = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        placed = made_profile(
            mirror, (12.0, 8.0, 20e-3), quantity="slope", points=10, sigma=2e-6, noise=2e-6 * rng.normal(size=50),
            tilts=rng.normal(0, 20e-6, 5),
        )  # fmt: skip
        problem = prepare_problem(placed, segments="random", residual="white")
        found.append(problem.freedom)
        factor = coverage_scale(problem.freedom)
        assert factor <= problem.scale <= factor * np.sqrt(1.5) * (1 + 1e-12)
    assert min(found) == 3.0


def test_correlation_lengths_are_between_half_a_block_and_three_segments() -> None:
    """Shorter ones are noise of the block means, longer ones are height and tilt: half the mean distance of the means,
    three times the longest segment."""
    placed = white(points=90, count=3)
    reduction = reduce_profile(placed)
    wide = replace(reduction.segments[1], block_x=2 * reduction.segments[1].block_x, length=5.0)
    segments = (reduction.segments[0], wide, reduction.segments[2])
    shortest, longest = np.exp(log_lengths(replace(reduction, segments=segments)))
    distance = np.mean([np.diff(part.block_x).mean() for part in segments])
    assert_allclose([shortest, longest], [distance / 2, 15.0], rtol=1e-9)


def test_three_adjusters_are_weighed_by_least_squares() -> None:
    """Raised by 10, 20 and 60 um at -0.1, 0 and 0.1 m: the line of least squares through them, 30 um and 250 urad; each
    as unsure as its place, apart from the segment beside it, which has two and one of them alone is raised."""
    travel = (-1e-3, 1e-3)

    def segments(moves: tuple[float, ...]) -> tuple[Segment, ...]:
        three = tuple(
            Adjuster(name=f"A{n}", x=x, travel=travel, position=moves[n], gain_error=0.0)
            for n, x in enumerate((-0.1, 0.0, 0.1))
        )
        two = tuple(
            Adjuster(name=f"A{n}", x=0.6 + x, travel=travel, position=moves[3] * n, gain_error=0.0)
            for n, x in enumerate((-0.1, 0.1))
        )
        return (
            Segment(name="S1", start=-0.2, end=0.2, adjusters=three),
            Segment(name="S2", start=0.4, end=0.8, adjusters=two),
        )  # fmt: skip

    nominal = Ellipse(*TRUE)
    then = Mirror(name="M", nominal=nominal, segments=segments((0.0, 0.0, 0.0, 0.0)))
    now = replace(then, segments=segments((10e-6, 20e-6, 60e-6, 4e-6)))
    found = previous_campaign(made_profile(then, TRUE), now, stability=1e-6)
    assert_allclose(found.moves, [[30e-6, 250e-6], [2e-6, 20e-6]], rtol=1e-9)
    assert found.factor.shape == (2, 2, 5)
    whole = found.factor.reshape(4, 5)
    expected = np.diag([1e-12 / 3, 1e-12 / (2 * 0.1**2), 1e-12 / 2, 1e-12 / (2 * 0.1**2)])
    assert_allclose(whole @ whole.T, expected, rtol=1e-9, atol=1e-26)
