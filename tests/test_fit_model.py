"""The statistical model: degrees of freedom, form of segments, what does not belong, jackknife, correlations."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import mpmath
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import binom, chi2

from ellipsefit.ellipse import Ellipse
from ellipsefit.fit import fit_ellipse
from ellipsefit.fit.effects import FORM_EVIDENCE
from ellipsefit.fit.ellipse_fit import prepare_problem
from ellipsefit.fit.freedom import coverage_scale
from ellipsefit.fit.jackknife import jackknife
from ellipsefit.fit.robust import without_strays
from ellipsefit.fit.surface_error import Correlation, _correlation
from ellipsefit.stream import Placed
from tests.fit_cases import KNOCK, Case, deviations
from tests.rehearsal import PARAMETERS, Array, even_mirror, made_profile

R1 = Case()
WITHOUT_FORM = Case(form=0.0)


def seeded(*numbers: int) -> np.random.Generator:
    return np.random.default_rng([2026, *numbers])


# ------------------------------------------------------------------ degrees of freedom

#: t for 68.27 % at degrees of freedom, JCGM 100:2008, Table G.2 (from memory; the last two have three decimals).
TABLE_G2 = {
    1: 1.84, 2: 1.32, 3: 1.20, 4: 1.14, 5: 1.11, 6: 1.09, 7: 1.08, 8: 1.07, 9: 1.06, 10: 1.05, 12: 1.04, 15: 1.03,
    20: 1.03, 25: 1.02, 30: 1.02, 35: 1.01, 50: 1.01, 100: 1.005,
}  # fmt: skip


@pytest.mark.parametrize(("freedom", "factor"), TABLE_G2.items())
def test_factor_of_students_t_is_the_tabulated_one(freedom: int, factor: float) -> None:
    """Within half of the last digit that the table gives, and a hair."""
    assert abs(coverage_scale(freedom) - factor) <= (0.00051 if freedom == 100 else 0.0051)


def test_known_variances_need_no_factor() -> None:
    """The normal limit is 1, exactly."""
    assert coverage_scale(float("inf")) == 1.0


@pytest.mark.parametrize("count", [9, 14, 20])
@pytest.mark.parametrize("noise", [2e-6, 2e-5], ids=["mostly spread", "spread and noise"])
def test_freedom_of_a_balanced_one_way_layout(count: int, noise: float) -> None:
    """Segments so short that each is worth its mean slope: a regression on J means with 4 coefficients.

    Those are p, q, theta and the pose. The variance of a mean, spread**2 + noise**2/n, is estimated with
    J - 4 degrees of freedom (any textbook on linear models), whatever the share of the noise; variances of
    the coefficients are proportional to it, so theirs are the same. Second differences over 0.08 of a
    logarithm are wrong by some 0.08**2.
    """
    true = (12.0, 8.0, 20e-3)
    mirror = even_mirror(Ellipse(*true), count=count, pitch=0.5, gap=0.499, adjusters=1)
    rng = seeded(count)
    placed = made_profile(
        mirror,
        true,
        quantity="slope",
        points=10,
        sigma=noise,
        noise=noise * rng.normal(size=10 * count),
        tilts=rng.normal(0, 20e-6, count),
    )
    problem = prepare_problem(placed, segments="random", residual="white")
    assert not problem.loose
    assert_allclose(problem.freedom, count - 4, rtol=0.02)


def test_spreads_that_are_given_leave_the_uncertainty_sure() -> None:
    """Nothing but white noise is estimated: no degrees of freedom are spent, and no factor is applied."""
    placed = R1.draw(seeded(1)).placed
    problem = prepare_problem(placed, residual="white", spread_height=5e-6, spread_tilt=20e-6)
    assert problem.freedom == float("inf")


# ------------------------------------------------------------------ form of segments


def test_evidence_for_form_is_the_five_percent_point() -> None:
    """Two variances at their bound: a quarter of no, half of one, a quarter of two degrees of freedom.

    S. G. Self and K.-Y. Liang, J. Am. Stat. Assoc. 82 (1987) 605-610, case 7; 4.23 has three digits.
    """
    exceeded = chi2.sf(FORM_EVIDENCE, 1) / 2 + chi2.sf(FORM_EVIDENCE, 2) / 4
    assert_allclose(exceeded, 0.05, atol=1e-3 / 2)


def with_parabolas(size: float, rng: np.random.Generator) -> Callable[[Array], None]:
    """Adds a second Legendre polynomial of random size to every segment."""

    def spoil(added: Array) -> None:
        added += np.outer(rng.normal(0, size, len(added)), R1.form_columns[:, 0])

    return spoil


def test_form_is_found_and_its_spread_is_right() -> None:
    """300 nm of the second Legendre polynomial on each of 18 segments, ten mirrors: found on all.

    Sum of squared spreads over the true one is chi-squared over 180 degrees of freedom, or a few less; the
    surface error's own share (60 nm rms, 50 mm: 25 nm) is told apart. Two-sided 0.2 %, 170 to be safe.
    """
    squares: list[float] = []
    for number in range(10):
        rng = seeded(2, number)
        form = prepare_problem(WITHOUT_FORM.draw(rng, with_parabolas(300e-9, rng)).placed).form
        assert form, f"mirror {number}"
        squares.append((form[0] / 300e-9) ** 2)
    assert chi2.ppf(0.001, 170) / 170 <= np.mean(squares) <= chi2.ppf(0.999, 170) / 170


def test_no_form_is_claimed_where_there_is_none() -> None:
    """The test has a size of 5 %: of 40 mirrors without form 90 % claim none."""
    claims = sum(bool(prepare_problem(WITHOUT_FORM.draw(seeded(3, number)).placed).form) for number in range(40))
    assert claims <= 4


def test_form_is_not_taken_for_surface_error() -> None:
    """Form of 400 nm is 7 times the surface error, and smooth over a segment: rms and length stay those put in.

    A process that had to explain the form would have rms and length of the form and the segment, 400 nm and
    0.5 m. The four free columns of each segment leave some 4 of its 8 stretches of 60 mm, 70 for a mirror, and
    neither smoothness nor length is known: 20 % for one mirror; the median of 9 within 35 and 50 %.
    """
    case = Case(form=400e-9)
    found = [prepare_problem(case.draw(seeded(4, number)).placed).error for number in range(9)]
    assert_allclose(np.median([error.correlated for error in found]), 60e-9, rtol=0.35)
    assert_allclose(np.median([error.length for error in found]), 50e-3, rtol=0.5)


# ------------------------------------------------------------------ what does not belong


@pytest.mark.parametrize("knocked", [0, 5, 12, 17])
def test_a_knocked_segment_is_named_and_left_free(knocked: int) -> None:
    """15 spreads of height and tilt: that one, and no other; the ellipse within 3.5 stated uncertainties."""
    case = replace(R1, knocked=knocked)
    simulated = case.draw(seeded(5, knocked), scaled_knock(case, 0.75))
    fit = fit_ellipse(simulated.placed, vary=PARAMETERS)
    name = fit.mirror.segments[knocked].name
    assert fit.problem.loose == (knocked,)
    assert [text for text in fit.warnings if "knocked" in text and f"segment {name} " in text]
    assert fit.to_dict()["model"]["knocked"] == [name]
    z, _ = deviations(fit, simulated)
    assert max(abs(value) for value in z.values()) <= 3.5


def scaled_knock(case: Case, share: float) -> Callable[[Array], None]:
    """Takes part of a knock of 20 spreads away again."""

    def spoil(added: Array) -> None:
        assert case.knocked is not None
        added[case.knocked] -= (1 - share) * (KNOCK[0] + KNOCK[1] * case.stations)

    return spoil


@pytest.mark.parametrize("count", [5, 6, 8, 18])
def test_no_segment_of_a_clean_mirror_is_named(count: int) -> None:
    """60 clean mirrors: 95 % without a segment named, however few segments tell their spread."""
    case = Case(segments=count, pitch=9.0 / count)
    named = sum(
        bool(prepare_problem(case.draw(seeded(6, count, number)).placed, residual="white").loose)
        for number in range(60)
    )
    assert named <= 3


class Dirt:
    """Lifts a share of the points in the last third of a segment by 1 to 5 um."""

    def __init__(self, segment: int, rng: np.random.Generator, share: float = 0.2) -> None:
        third = np.arange(67, 100)
        self.segment = segment
        self.chosen = rng.choice(third, round(share * len(third)), replace=False)
        self.lifts = rng.uniform(1e-6, 5e-6, len(self.chosen))

    def __call__(self, added: Array) -> None:
        added[self.segment, self.chosen] += self.lifts

    def left_in(self, case: Case, kept: Placed) -> int:
        """How many dirty points are left."""
        places = case.mirror.segments[self.segment].middle + case.stations[self.chosen]
        return int(np.sum(np.abs(places[:, None] - kept.shown().x).min(axis=1) < 1e-9))


def test_a_dirty_patch_is_named_and_left_out() -> None:
    """A fifth of the points in a third of the first segment, lifted by 1 to 5 um: left out, the segment named.

    With them, the fit is clearly worse: dirt is taken for a rougher surface, and over ten mirrors the same
    fit's errors are larger by a seventh at least, which is more than the two, of the same mirrors, could
    differ by chance.
    """
    segment, with_dirt, without = 0, [], []
    for number in range(10):
        rng = seeded(7, number)
        dirt = Dirt(segment, rng)
        simulated = R1.draw(rng, dirt)
        fit = fit_ellipse(simulated.placed, vary=PARAMETERS)
        name = fit.mirror.segments[segment].name
        assert any(f"segment {name} looks dirty" in text for text in fit.warnings)
        assert dirt.left_in(R1, fit.placed) == 0
        z, _ = deviations(fit, simulated)
        assert max(abs(value) for value in z.values()) <= 3.5
        believing = prepare_problem(simulated.placed)
        parameters, _ = believing.solve(np.array(R1.nominal), (0, 1, 2))
        size = np.sqrt(np.diag(R1.bound))
        with_dirt.append((parameters - simulated.parameters) / size)
        found = np.array([fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta])
        without.append((found - simulated.parameters) / size)
    assert np.mean(np.square(with_dirt)) > 1.15**2 * np.mean(np.square(without))


@pytest.mark.parametrize("share", [0.2, 0.4])
def test_every_dirty_point_is_found_and_few_others(share: float) -> None:
    """Thirds with a fifth and with two fifths of dirty points, 20 mirrors: at most half as many good points.

    Where the median itself is one of the dirty points, a good one lies far from it.
    """
    for number in range(20):
        rng = seeded(8, number)
        dirt = Dirt(3, rng, share)
        kept, counts = without_strays(R1.draw(rng, dirt).placed)
        assert dirt.left_in(R1, kept) == 0
        assert list(counts) == [R1.mirror.segments[3].name]
        assert sum(counts.values()) <= 1.5 * len(dirt.chosen)


@pytest.mark.parametrize(
    "case",
    [R1, Case(form=400e-9), Case(quantity="slope"), Case(figure="cosines"), Case(quantity="slope", figure="cosines")],
    ids=["R1", "larger form", "slopes", "cosines", "slopes, cosines"],
)
def test_no_point_of_a_clean_mirror_strays(case: Case) -> None:
    """A smooth surface that rises or bends is no dirt, at the ends of a segment neither; 8 mirrors.

    Of 14,400 points none lies 7 normal standard deviations out: expected 4e-8.
    """
    for number in range(8):
        assert without_strays(case.draw(seeded(9, number)).placed)[1] == {}


def test_no_point_of_an_exact_mirror_strays() -> None:
    """Where there is no noise at all, the curve's own bend is no reason to leave points out."""
    mirror = even_mirror(Ellipse(12.0, 7.0, 0.018), count=7, pitch=0.5)
    assert without_strays(made_profile(mirror, (12.03, 6.98, 0.01805)))[1] == {}


def test_heavy_tailed_noise_is_covered() -> None:
    """Student's t with 3 degrees of freedom, 40 mirrors: ±1 and ±2 hold as often as a perfect program's would.

    One-sided 0.1 % of the binomial law. p, q and theta are nearly one direction: counted each for itself.
    """
    case, held = Case(degrees=3), []
    for number in range(40):
        simulated = case.draw(seeded(10, number))
        z, _ = deviations(fit_ellipse(simulated.placed, vary=PARAMETERS), simulated)
        held.append([[abs(z[name]) <= k for name in PARAMETERS] for k in (1, 2)])
    counts = np.sum(held, axis=0)
    assert np.all(counts[0] >= binom.ppf(1e-3, 40, 0.6827))
    assert np.all(counts[1] >= binom.ppf(1e-3, 40, 0.9545))


# ------------------------------------------------------------------ jackknife


@pytest.mark.parametrize("count", [10, 18])
def test_mean_square_of_the_jackknife_is_the_true_variance(count: int) -> None:
    """Mirrors of known spreads, whose true variance is the dense bound: within 30 %.

    A jackknife over J segments scatters about as chi-squared over J/4 degrees of freedom (the ends tell most):
    80 of them by 10 %, three of which are allowed.
    """
    case = Case(segments=count, pitch=9.0 / count)
    squares = []
    for number in range(80):
        problem = case.known_problem(case.draw(seeded(11, count, number)))
        parameters, _ = problem.solve(np.array(case.nominal), (0, 1, 2))
        found = jackknife(problem, parameters, (0, 1, 2))
        assert found is not None
        squares.append(found**2)
    assert_allclose(np.mean(squares, axis=0), np.diag(case.bound), rtol=0.3)


# ------------------------------------------------------------------ correlations


def matern(distance: mpmath.mpf, smoothness: float) -> mpmath.mpf:
    """Rasmussen and Williams 2006, eq. 4.14, length 1, or eq. 4.9 where the smoothness has no end."""
    if smoothness == np.inf:
        return mpmath.exp(-(distance**2) / 2)
    a = mpmath.sqrt(2 * smoothness) * distance
    return 2 ** (1 - mpmath.mpf(smoothness)) / mpmath.gamma(smoothness) * a**smoothness * mpmath.besselk(smoothness, a)


DISTANCES = (0.05, 0.3, 1.0, 1.7, 4.0)


@pytest.mark.parametrize(
    "kind",
    [Correlation(1.5), Correlation(2.5), Correlation(np.inf), Correlation(2.5, True), Correlation(np.inf, True)],
    ids=str,
)
def test_correlations_and_their_derivatives(kind: Correlation) -> None:
    """Matérn by Bessel functions with 40 digits; of slopes minus the second derivative over that at zero.

    That at zero is 1 over the square of the length (Gaussian) or 5/3 of it (5/2): from the series. Derivatives
    with respect to the logarithm of the length are numerical, of the same functions.
    """
    length = 0.07

    def correlation(distance: float, log_length: mpmath.mpf) -> mpmath.mpf:
        d = mpmath.mpf(distance) / mpmath.exp(log_length)
        if not kind.of_slope:
            return matern(d, kind.smoothness)
        curvature = 1 if kind.smoothness == np.inf else mpmath.mpf(5) / 3
        return -mpmath.diff(lambda u: matern(u, kind.smoothness), d, 2) / curvature

    places = np.concatenate([[0.0], np.array(DISTANCES) * length])
    found, slope = (matrix[0] for matrix in _correlation(places, length, kind))
    assert (found[0], slope[0]) == (1.0, 0.0)
    with mpmath.workdps(40):
        log = mpmath.log(mpmath.mpf(length))
        expected = [float(correlation(place, log)) for place in places[1:]]
        step = mpmath.mpf("1e-6")
        change = [
            float((correlation(place, log + step) - correlation(place, log - step)) / (2 * step))
            for place in places[1:]
        ]
    assert_allclose(found[1:], expected, rtol=1e-9, atol=1e-13)
    assert_allclose(slope[1:], change, rtol=1e-9, atol=1e-11)
