"""What speaks for and against stated uncertainties: other models, jackknife, priors, what does not belong."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import chi2

from ellipsefit.ellipse import Ellipse
from ellipsefit.fit import fit_ellipse, parse_prior
from ellipsefit.fit.freedom import expanded_factor
from ellipsefit.fit.robust import noise_tails
from ellipsefit.report.uncertainty import REGIONS
from tests.fit_cases import CASES, Case
from tests.rehearsal import PARAMETERS, Array, default_fit, even_mirror, made_profile

TRUE = (20.0, 10.0, 0.012)
R1 = Case()


def test_what_each_model_would_have_claimed_stands_beside_what_is_stated() -> None:
    """Alder: fixed claims least, free most, random is stated; all in the table, the JSON and the text."""
    fit = default_fit("alder")
    belief = fit.belief()
    claims = belief.claims
    for name in fit.varied:
        assert claims["fixed"][name] < claims["random"][name] < claims["free"][name]
        assert claims["random"][name] == fit.stderr(name)
    text = str(belief)
    for words in (
        "random: tied by their spread (stated)",
        "free: nothing known",
        "fixed: perfectly",
        "leaving out one",
    ):
        assert words in text
    model = json.loads(json.dumps(fit.to_dict(), allow_nan=False))["model"]
    assert set(model["claims"]) == {"free", "fixed", "random"}
    assert set(model["jackknife"]) == set(fit.varied)


def test_claims_are_those_of_fits_with_that_model() -> None:
    """White residual and given spreads, so nothing is estimated that differs: to rounding, at the same p, q, theta."""
    rng = np.random.default_rng(4)
    mirror = even_mirror(Ellipse(*TRUE), count=8, pitch=1.0)
    placed = made_profile(
        mirror,
        TRUE,
        lifts=rng.normal(0, 5e-6, 8),
        tilts=rng.normal(0, 2e-5, 8),
        noise=1e-7 * rng.normal(size=488),
        sigma=1e-7,
    )
    options: dict[str, Any] = {"vary": PARAMETERS, "residual": "white", "spread_height": 5e-6, "spread_tilt": 2e-5}
    tied = fit_ellipse(placed, **options)
    free = fit_ellipse(placed, segments="free", **options)
    claims = tied.claims()
    for name in PARAMETERS:
        assert_allclose(claims["free"][name], free.stderr(name) or 0.0, rtol=1e-2)  # derivatives at another p, q, theta


def test_a_jackknife_that_disagrees_is_shown_in_capitals() -> None:
    """Segments said to be fixed that are not: leaving one out changes much more than is claimed."""
    placed = default_fit("alder").placed
    fit = fit_ellipse(placed, vary=PARAMETERS, segments="fixed", residual="white")
    assert fit.disagree
    assert "DISAGREE" in str(fit.belief())
    assert any("leaving out one segment after the other" in text for text in fit.warnings)
    assert fit.to_dict()["model"]["jackknife_disagrees"] == list(fit.disagree)


def test_noise_with_heavy_tails_is_named_and_normal_noise_is_not() -> None:
    """Student's t with 3 degrees of freedom on R1: named in answer, table and warnings. Twenty normal mirrors: none."""
    fit = fit_ellipse(Case(degrees=3).draw(np.random.default_rng(3)).placed, vary=PARAMETERS)
    assert fit.oddities.heavy
    assert any("heavy tails" in text for text in fit.warnings)
    assert "HEAVY TAILS" in str(fit.belief())
    assert fit.to_dict()["model"]["robustness"]["heavy_tailed_noise"] is True
    for number in range(20):
        placed = R1.draw(np.random.default_rng([51, number])).placed
        ideal = placed.mirror.nominal.height(placed.x)
        assert not noise_tails(placed, placed.values - ideal)[1]


def test_a_knocked_and_a_dirty_segment_are_named_in_the_answer() -> None:
    case = CASES["knocked"]

    def dirt(added: Array) -> None:
        added[2, 60:90:5] += 3e-6

    fit = fit_ellipse(case.draw(np.random.default_rng(2), dirt).placed, vary=PARAMETERS)
    found = fit.to_dict()["model"]["robustness"]
    names = [segment.name for segment in fit.mirror.segments]
    assert found["knocked"] == [names[5]]
    assert found["dirty"] == [names[2]]
    assert found["strays"][names[2]] == 6


@pytest.mark.parametrize("off", [0.0, 0.02, 0.2])
def test_conflict_of_a_prior_is_its_distance_from_the_fit_without_it(off: float) -> None:
    """White residual, free segments: chi-squared = (p + q - value)**2 / (V + u**2), V of the fit without the prior."""
    mirror = even_mirror(Ellipse(*TRUE), count=6, pitch=1.5, gap=0.01)
    placed = made_profile(mirror, TRUE, noise=1e-7 * np.random.default_rng(1).normal(size=366), sigma=1e-7)
    plain = fit_ellipse(placed, vary=PARAMETERS, segments="free", residual="white")
    weights = np.array([1.0, 1.0, 0.0])
    value = plain.ellipse.p + plain.ellipse.q + off
    prior = replace(parse_prior("p + q = 30 m +- 3 mm"), value=value)
    fit = fit_ellipse(placed, vary=PARAMETERS, segments="free", residual="white", priors=(prior,))
    (check,) = fit.prior_checks
    expected = off**2 / (weights @ plain.covariance @ weights + 9e-6)
    assert_allclose(check.chi_squared, expected, rtol=1e-6, atol=1e-9)
    assert_allclose(check.p_value, chi2.sf(expected, 1), rtol=1e-5)
    assert any("prior" in text for text in fit.warnings) == check.conflict == (off > 0.1)


def test_priors_that_contradict_each_other_are_in_conflict_together() -> None:
    """Each agrees with data that know p + q to decimetres; both cannot be right."""
    placed = made_profile(
        even_mirror(Ellipse(*TRUE), count=6, pitch=0.5),
        TRUE,
        noise=1e-7 * np.random.default_rng(1).normal(size=366),
        sigma=1e-7,
    )
    priors = tuple(parse_prior(text) for text in ("p + q = 29.98 m +- 1 mm", "p + q = 30.02 m +- 1 mm"))
    fit = fit_ellipse(placed, vary=PARAMETERS, segments="free", residual="white", priors=priors)
    first, second, together = fit.prior_checks
    assert not first.conflict
    assert not second.conflict
    assert together.conflict
    assert_allclose(together.chi_squared, 0.04**2 / 2e-6, rtol=0.05)  # and what both together are off the data


def test_a_prior_on_a_held_parameter_is_tested_against_the_value_that_is_held() -> None:
    placed = default_fit("alder").placed
    held = placed.mirror.nominal.p
    for text, conflict in ((f"p = {held} m +- 1 mm", False), (f"p = {held + 0.1} m +- 1 mm", True)):
        fit = fit_ellipse(placed, vary=("q", "theta"), priors=(parse_prior(text),))
        assert fit.prior_checks[0].conflict is conflict
        assert any("the value that is held" in text for text in fit.warnings) is conflict


def test_coverage_factor_is_the_tabulated_one() -> None:
    """Student's t for 95.45 % over that for 68.27 %, JCGM 100:2008, Table G.2 (two decimals): nu = 5: 2.65 / 1.11,
    10: 2.28 / 1.05, 20: 2.13 / 1.03."""
    for freedom, ratio in ((5, 2.65 / 1.11), (10, 2.28 / 1.05), (20, 2.13 / 1.03)):
        assert_allclose(expanded_factor(freedom), ratio, rtol=1e-2)


def test_regions_hold_their_share() -> None:
    """Two normal variables lie within a radius r with probability 1 - exp(-r**2 / 2)."""
    assert_allclose([1 - np.exp(-square / 2) for square, _ in REGIONS], [0.6827, 0.9545], atol=1e-4)


def test_the_figure_of_uncertainty_shows_what_is_known() -> None:
    """Alder: four regions and the budget. With p held: no region of p, none of the source, none that is NaN."""
    whole = default_fit("alder").plot_uncertainty()
    assert len(whole.axes) == 5
    part = fit_ellipse(default_fit("alder").placed, vary=("q", "theta")).plot_uncertainty()
    titles = [axes.get_title(loc="left") for axes in part.axes]
    assert "Focal distances" not in titles
    assert "Image focus" in titles
    for axes in (*whole.axes, *part.axes):
        for line in axes.lines:
            assert np.isfinite(np.asarray(line.get_data(), dtype=float)).all()
