"""The fit through lmfit: the same numbers, and what lmfit is wanted for: bounds, fixed values, expressions."""

from __future__ import annotations

import lmfit
import numpy as np
import pytest
from numpy.testing import assert_allclose

from ellipsefit.errors import ParameterError
from ellipsefit.fit import fit_ellipse, parse_prior
from ellipsefit.fit.ellipse_fit import prepare_problem
from ellipsefit.fit.lmfit_bridge import ellipse_parameters, fit_with_lmfit
from ellipsefit.fit.problem import SegmentModel
from ellipsefit.fit.result import ResidualModel
from tests.rehearsal import PARAMETERS, rehearsal


@pytest.mark.parametrize("name", ["alder", "dogwood"])
@pytest.mark.parametrize(("segments", "residual"), [("random", "correlated"), ("free", "white")])
def test_lmfit_gives_the_same_fit(name: str, segments: SegmentModel, residual: ResidualModel) -> None:
    """Values and uncertainties of `fit_ellipse`, found by lmfit's Levenberg-Marquardt.

    That stops when the squares, some 2000, change by 1e-14 of themselves: sqrt(2e-11) = 5e-6 of an
    uncertainty short of the minimum, if its last step was a good one.
    """
    case = rehearsal(name)
    ours = fit_ellipse(case.placed, segments=segments, residual=residual)
    theirs = fit_with_lmfit(case.placed, case.mirror, segments=segments, residual=residual)
    assert theirs.success
    assert ours.varied == PARAMETERS
    for index, key in enumerate(PARAMETERS):
        stderr = ours.stderr(key)
        assert stderr is not None
        assert abs(theirs.params[key].value - getattr(ours.ellipse, key)) < 1e-4 * stderr
        assert_allclose(theirs.params[key].stderr, stderr, rtol=1e-4)
        for other, column in zip(PARAMETERS, ours.correlation[index], strict=True):
            if other != key and column is not None:
                assert_allclose(theirs.params[key].correl[other], column, rtol=1e-5)


def test_a_fixed_parameter_stays_and_the_others_follow() -> None:
    """vary=False in lmfit is leaving it out of `vary` here."""
    case = rehearsal("alder")
    parameters = ellipse_parameters(case.mirror)
    parameters["theta"].set(vary=False)
    theirs = fit_with_lmfit(case.placed, case.mirror, parameters)
    ours = fit_ellipse(case.placed, vary=("p", "q"))
    assert theirs.params["theta"].value == case.mirror.nominal.theta
    stderr = ours.stderr("p")
    assert stderr is not None
    assert abs(theirs.params["p"].value - ours.ellipse.p) < 1e-4 * stderr
    assert_allclose(theirs.params["p"].stderr, stderr, rtol=1e-4)


def test_a_bound_that_matters_is_kept() -> None:
    """p may not exceed what the free fit finds less one uncertainty: it ends at the bound."""
    case = rehearsal("alder")
    parameters = ellipse_parameters(case.mirror)
    parameters["p"].set(value=10.8, max=10.9)
    found = fit_with_lmfit(case.placed, case.mirror, parameters)
    assert 10.8 < found.params["p"].value <= 10.9
    assert_allclose(found.params["p"].value, 10.9, rtol=1e-4)


def test_an_expression_ties_two_parameters_with_the_right_uncertainty() -> None:
    """q = total - p with the total fixed: the same as a prior on p + q that is a thousand times sharper than
    the data; the uncertainty of q is that of p."""
    case = rehearsal("alder")
    parameters = ellipse_parameters(case.mirror)
    parameters.add("total", value=18.01, vary=False)
    parameters["q"].set(expr="total - p")
    theirs = fit_with_lmfit(case.placed, case.mirror, parameters)
    ours = fit_ellipse(case.placed, vary=PARAMETERS, priors=(parse_prior("p+q = 18.01 m +- 10 um"),))
    stderr = ours.stderr("p")
    assert stderr is not None
    assert_allclose(theirs.params["p"].value + theirs.params["q"].value, 18.01, rtol=1e-14)
    assert abs(theirs.params["p"].value - ours.ellipse.p) < 1e-2 * stderr
    # what it costs that spreads are estimated is another matter where p + q is known: set aside in both
    scale = prepare_problem(case.placed, case.mirror).scale
    assert_allclose(theirs.params["p"].stderr / scale, stderr / ours.problem.scale, rtol=1e-2)
    assert_allclose(theirs.params["q"].stderr, theirs.params["p"].stderr, rtol=1e-6)


def test_an_expression_of_a_varied_parameter_carries_its_derivative() -> None:
    """theta = scale * nominal, scale varied: stderr of theta is nominal times that of scale, values unchanged."""
    case = rehearsal("alder")
    parameters = ellipse_parameters(case.mirror)
    parameters.add("scale", value=1.0)
    parameters["theta"].set(expr="scale * 0.018")
    theirs = fit_with_lmfit(case.placed, case.mirror, parameters)
    ours = fit_ellipse(case.placed, vary=PARAMETERS)
    stderr = ours.stderr("theta")
    assert stderr is not None
    assert abs(theirs.params["theta"].value - ours.ellipse.theta) < 1e-4 * stderr
    assert_allclose(theirs.params["scale"].stderr * 0.018, stderr, rtol=1e-4)


def test_the_jacobian_is_that_of_the_residuals() -> None:
    """Central differences of the residuals; step h leaves h**2/6 of the third derivative and 1e-16/h: 1e-6."""
    case = rehearsal("dogwood")
    problem = prepare_problem(case.placed)
    at = np.array([8.05, 7.97, 0.02203])
    analytic = problem.jacobian(at)
    for index in range(3):
        step = np.zeros(3)
        step[index] = 1e-4 * at[index]
        numeric = (problem.residual(at + step) - problem.residual(at - step)) / (2 * step[index])
        scale = np.abs(numeric).max()
        assert_allclose(analytic[:, index] / scale, numeric / scale, rtol=0, atol=1e-6)


@pytest.mark.parametrize("lost", PARAMETERS)
def test_a_missing_parameter_is_named(lost: str) -> None:
    case = rehearsal("cedar")
    parameters = lmfit.Parameters()
    for name in PARAMETERS:
        if name != lost:
            parameters.add(name, value=getattr(case.mirror.nominal, name))
    with pytest.raises(ParameterError, match=f"'{lost}' is missing"):
        fit_with_lmfit(case.placed, case.mirror, parameters)
