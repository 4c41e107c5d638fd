"""Form of segments that the shop measured: what it is worth, and whether it agrees with the data."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import binom, chi2

from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.fit.conflict import CONFLICT
from ellipsefit.fit.ellipse_fit import prepare_problem
from ellipsefit.mirror import Segment
from ellipsefit.profile import PlacedProfile
from tests.fit_cases import Case, Simulated, deviations
from tests.rehearsal import PARAMETERS, Array, even_mirror, made_profile

TRUE = (20.0, 10.0, 0.012)
R1 = Case()


def with_form(placed: PlacedProfile, form: Array, uncertainty: float, sag: float = 0.0) -> PlacedProfile:
    """The profile of a mirror whose file gives form and sag."""
    mirror = placed.mirror
    segments = tuple(
        replace(segment, form=(float(mine[0]), float(mine[1])), form_uncertainty=(uncertainty, uncertainty))
        for segment, mine in zip(mirror.segments, form, strict=True)
    )
    measurement = replace(mirror.measurement, sag=sag)
    return replace(placed, mirror=replace(mirror, segments=segments, measurement=measurement))


def legendre(points: int) -> Array:
    """Second and third Legendre polynomial along a segment, shape (points, 2)."""
    return np.asarray(np.polynomial.legendre.legvander(np.linspace(-1, 1, points), 3)[:, 2:], dtype=float)


def draw(case: Case, rng: np.random.Generator, form: Array) -> Simulated:
    """A mirror of R1 with this form, and none else."""
    bare = replace(case, form=0.0)

    def spoil(added: Array) -> None:
        added += form @ bare.form_columns.T

    return bare.draw(rng, spoil)


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_known_form_and_sag_are_no_part_of_the_ellipse(quantity: str) -> None:
    """Exact data with form of micrometres on every segment and a common sag: p, q, theta come out within what the
    stated 1 nm of form means, where without the shop's knowledge they are off by more than hundred times that."""
    mirror = even_mirror(Ellipse(*TRUE), count=8, pitch=1.0)
    rng = np.random.default_rng(3)
    form, sag, points = rng.normal(0, 1e-6, (8, 2)), 2e-6, 61
    shape = (form + np.array([sag, 0.0])) @ legendre(points).T
    if quantity == "slope":  # d/ds of P2 = 3 s, P3 = (15 s**2 - 3) / 2
        s = np.linspace(-1, 1, points)
        half = mirror.segments[0].length / 2
        shape = (form + np.array([sag, 0.0])) @ np.array([3 * s, (15 * s**2 - 3) / 2]) / half
    placed = made_profile(
        mirror, TRUE, quantity=quantity, noise=shape.ravel() + 1e-10 * rng.normal(size=8 * points), sigma=1e-10,  # type: ignore[arg-type]  # one of the words that it takes
    )  # fmt: skip
    known = fit_ellipse(with_form(placed, form, 1e-9, sag), vary=PARAMETERS, segments="free", residual="white")
    plain = fit_ellipse(placed, vary=PARAMETERS, segments="free", residual="white")

    def away(fit: EllipseFit) -> Array:
        return np.array([fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta]) - TRUE

    stderr = np.sqrt(np.diag(known.covariance))
    assert np.all(np.abs(away(known)) < 4 * stderr)
    assert np.all(np.abs(away(plain)) > 100 * np.abs(away(known)))


def test_the_covariance_with_known_form_is_the_dense_one() -> None:
    """Generalized least squares of all points, form of 10 nm in the covariance matrix beside height and tilt."""
    case = replace(R1, form=10e-9)
    simulated = case.draw(np.random.default_rng(2))
    known = case.known_problem(simulated)  # form of 10 nm as a random effect: the same covariance
    placed = with_form(simulated.placed, np.zeros((18, 2)), 10e-9)
    problem = replace(
        prepare_problem(placed, spread_height=case.spreads[0], spread_tilt=case.spreads[1]),
        error=known.error,
        whitened=known.whitened,
    )
    assert problem.form == ()
    true = np.array(case.nominal)
    found = problem.posterior(true, (0, 1, 2))[:3, :3]
    assert_allclose(found, known.posterior(true, (0, 1, 2))[:3, :3], rtol=1e-9)
    assert_allclose(found, case.bound, rtol=0.02)  # block means: within 1 % of the uncertainty


def test_form_from_the_shop_makes_the_ellipse_surer_and_is_honest() -> None:
    """R1 with 400 nm of form, known to 20 nm, 12 mirrors: uncertainties below two thirds of those without,
    errors as large as stated: sum of squares of z within the 0.1 % points of chi-squared."""
    squares, ratio, conflicts = [], [], 0
    for number in range(12):
        rng = np.random.default_rng([31, number])
        form = rng.normal(0, 400e-9, (18, 2))
        simulated = draw(R1, rng, form)
        placed = with_form(simulated.placed, form + rng.normal(0, 20e-9, (18, 2)), 20e-9)
        fit = fit_ellipse(placed, vary=PARAMETERS)
        z, _ = deviations(fit, simulated)
        squares.append([z[name] ** 2 for name in PARAMETERS])
        conflicts += sum(check.conflict for check in fit.prior_checks)
        if number < 3:
            ratio.append(fit.covariance[2, 2] / fit_ellipse(simulated.placed, vary=PARAMETERS).covariance[2, 2])
    total = np.sum(squares, axis=0)
    assert np.all((chi2.ppf(1e-3, 12) < total) & (total < chi2.ppf(1 - 1e-3, 12)))
    assert np.sqrt(np.mean(ratio)) < 2 / 3
    assert conflicts <= binom.isf(1e-3, 12, CONFLICT)


@pytest.mark.campaign
def test_a_right_form_is_contradicted_no_more_often_than_stated() -> None:
    """p-values of a right form with all spreads and the surface error estimated, 400 mirrors: none of these levels is
    passed more often than the 0.1 % point of the binomial law allows, and they are no empty caution either."""
    found = []
    for number in range(400):
        rng = np.random.default_rng([77, number])
        form = rng.normal(0, 400e-9, (18, 2))
        placed = with_form(draw(R1, rng, form).placed, form + rng.normal(0, 20e-9, (18, 2)), 20e-9)
        found.append(fit_ellipse(placed, vary=PARAMETERS).prior_checks[0].p_value)
    for level in (CONFLICT, 0.01, 0.05, 0.2, 0.5):
        assert np.sum(np.array(found) < level) <= binom.isf(1e-3, 400, level)
    assert np.mean(np.array(found) < 0.5) > 0.25


def test_form_that_the_data_contradict_is_named() -> None:
    """One segment's form wrong by 1 um, 50 of its uncertainties: in conflict, by name, in answer and warnings."""
    rng = np.random.default_rng(8)
    form = rng.normal(0, 100e-9, (18, 2))
    simulated = draw(R1, rng, form)
    wrong = form.copy()
    wrong[6, 0] += 1e-6
    fit = fit_ellipse(with_form(simulated.placed, wrong, 20e-9), vary=PARAMETERS)
    (check,) = fit.prior_checks
    assert check.conflict
    assert check.p_value < 1e-6
    assert any("form from the shop" in text and "S07" in text for text in fit.warnings)
    right = fit_ellipse(with_form(simulated.placed, form, 20e-9), vary=PARAMETERS).prior_checks[0]
    assert not right.conflict
    assert right.degrees == 36


def test_chances_of_a_true_form_are_even() -> None:
    """p-values of a right prior are uniform: 40 mirrors with white residual and known spreads; none of the five
    fifths holds more than the 0.1 % point of the binomial law."""
    mirror = even_mirror(Ellipse(*TRUE), count=10, pitch=0.8)
    found = []
    for number in range(40):
        rng = np.random.default_rng([33, number])
        form = rng.normal(0, 50e-9, (10, 2))
        noise = (form @ legendre(61).T).ravel() + 1e-7 * rng.normal(size=610)
        placed = made_profile(
            mirror, TRUE, lifts=rng.normal(0, 5e-6, 10), tilts=rng.normal(0, 2e-5, 10), noise=noise, sigma=1e-7
        )
        fit = fit_ellipse(
            with_form(placed, np.zeros((10, 2)), 50e-9),
            vary=PARAMETERS,
            residual="white",
            spread_height=5e-6,
            spread_tilt=2e-5,
        )
        found.append(fit.prior_checks[0].p_value)
    counts = np.histogram(found, bins=5, range=(0, 1))[0]
    assert counts.max() <= binom.isf(1e-3, 40, 0.2)


@pytest.mark.parametrize(
    ("form", "uncertainty", "what"),
    [
        ((1e-7, 0.0), None, "form is given without form_uncertainty"),
        (None, (1e-8, 1e-8), "form_uncertainty is given without form"),
        ((float("nan"), 0.0), (1e-8, 1e-8), "form must be finite"),
        ((1e-7, 0.0), (0.0, 1e-8), "form_uncertainty must be positive"),
        ((1e-7, 0.0), (-1e-8, 1e-8), "form_uncertainty must be positive"),
        ((1e-7, 0.0), (float("nan"), 1e-8), "form_uncertainty must be positive"),
    ],
)
def test_form_out_of_range_is_named(
    form: tuple[float, float] | None, uncertainty: tuple[float, float] | None, what: str
) -> None:
    with pytest.raises(ParameterError, match=rf"segment 'S01': {what}"):
        Segment(name="S01", start=0.0, end=1.0, form=form, form_uncertainty=uncertainty)


def test_form_of_some_segments_helps_the_spread_of_the_others_to_be_estimated() -> None:
    """Form of 8 of 18 segments known: spreads of form come from the other ten, and the known ones use their own."""
    simulated = R1.draw(np.random.default_rng(4))
    mirror = simulated.placed.mirror
    segments = tuple(
        replace(segment, form=(0.0, 0.0), form_uncertainty=(1e-7, 1e-7)) if row < 8 else segment
        for row, segment in enumerate(mirror.segments)
    )
    fit = fit_ellipse(replace(simulated.placed, mirror=replace(mirror, segments=segments)), vary=PARAMETERS)
    assert fit.converged
    assert len(fit.problem.form) == 2
    assert_allclose(fit.problem.form, 100e-9, rtol=0.7)  # from ten: a standard error of 1/sqrt(20), and some noise
    plain = fit_ellipse(simulated.placed, vary=PARAMETERS)
    assert_allclose(np.diag(fit.covariance), np.diag(plain.covariance), rtol=0.5)
