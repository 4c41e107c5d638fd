"""The same fit through lmfit, for whoever wants its parameters: bounds, fixed values, expressions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.errors import ParameterError
from ellipsefit.fit.ellipse_fit import prepare_problem
from ellipsefit.fit.prior import PARAMETERS, Prior
from ellipsefit.fit.problem import JointProblem, SegmentModel
from ellipsefit.fit.result import ResidualModel
from ellipsefit.mirror import Mirror
from ellipsefit.profile import Profile
from ellipsefit.stream import Placed, ProfileSource

if TYPE_CHECKING:
    import lmfit


def ellipse_parameters(mirror: Mirror) -> lmfit.Parameters:
    """Parameters p, q [m] and theta [rad] for lmfit, at the mirror's nominal and bounded."""
    import lmfit

    parameters = lmfit.Parameters()
    for name in PARAMETERS:
        nominal = getattr(mirror.nominal, name)
        parameters.add(
            name, value=nominal, min=nominal / 20, max=min(nominal * 20, 1.57) if name == "theta" else np.inf
        )
    return parameters


def fit_with_lmfit(
    profile: Profile | ProfileSource | Placed,
    mirror: Mirror,
    parameters: lmfit.Parameters | None = None,
    *,
    segments: SegmentModel = "random",
    residual: ResidualModel = "correlated",
    spread_height: float | None = None,
    spread_tilt: float | None = None,
    priors: tuple[Prior, ...] = (),
) -> Any:
    """Fit p, q, theta with lmfit; pose and segments are projected out, so they cost no parameters.

    Parameters
    ----------
    profile, mirror, segments, residual, spread_height, spread_tilt, priors
        As for `fit_ellipse`.
    parameters : lmfit.Parameters, optional
        With 'p', 'q' and 'theta' and whatever else their expressions use; by default `ellipse_parameters`.

    Returns
    -------
    lmfit.minimizer.MinimizerResult
        Residuals are divided by their uncertainty (for estimated spreads times the factor of Student's t, as
        everywhere), derivatives are analytic, and the covariance is that of the joint fit (`scale_covar` is
        off: the residuals' scale is known).

    Raises
    ------
    ParameterError
        If p, q or theta is missing among the parameters.
    """
    import lmfit

    parameters = ellipse_parameters(mirror) if parameters is None else parameters
    missing = [name for name in PARAMETERS if name not in parameters]
    if missing:
        raise ParameterError(f"parameters must hold p, q and theta; '{missing[0]}' is missing")
    problem = prepare_problem(
        profile,
        mirror,
        segments=segments,
        residual=residual,
        spread_height=spread_height,
        spread_tilt=spread_tilt,
        priors=priors,
    )
    minimizer = lmfit.Minimizer(_residual, parameters, fcn_args=(problem,), scale_covar=False)
    return minimizer.leastsq(Dfun=_jacobian, ftol=1e-14, xtol=1e-14)


def _values(parameters: lmfit.Parameters) -> FloatArray:
    return np.array([float(parameters[name].value) for name in PARAMETERS])


def _residual(parameters: lmfit.Parameters, problem: JointProblem) -> FloatArray:
    return problem.project(problem.residual(_values(parameters))) / problem.scale


def _jacobian(parameters: lmfit.Parameters, problem: JointProblem) -> FloatArray:
    """Derivative with respect to the varied parameters, in their order.

    An expression passes a change of a varied parameter on to others; how much is found by a small step of
    the expression alone, which costs no evaluation of the residuals.
    """
    columns = problem.project(problem.jacobian(_values(parameters))) / problem.scale
    varied = [name for name, parameter in parameters.items() if parameter.vary]
    chain = np.zeros((len(PARAMETERS), len(varied)))
    for column, name in enumerate(varied):
        value = float(parameters[name].value)
        step = 1e-6 * max(abs(value), 1e-3)
        sides = []
        for sign in (1, -1):
            moved = parameters.copy()
            moved[name].set(value=value + sign * step, min=-np.inf, max=np.inf)
            moved.update_constraints()
            sides.append(_values(moved))
        chain[:, column] = (sides[0] - sides[1]) / (2 * step)
    derivative: FloatArray = columns @ chain
    return derivative
