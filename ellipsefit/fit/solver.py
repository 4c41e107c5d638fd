"""Bounded nonlinear least squares with analytic derivatives, and a claim of convergence of our own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray, sealed

#: Largest part of the residual that may still lie along the tangent plane at a solution.
CONVERGED_OFFSET: Final = 1e-6
#: Distance from a bound, relative to the value, that counts as none.
AT_BOUND: Final = 1e-6
#: Relative size of a change of the parameters that counts as rounding.
ROUNDING: Final = 1e-13
#: Share of a column that others may leave of it before it depends on them.
DEPENDENT: Final = 1e-14


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LeastSquaresSolution:
    """Minimum of a sum of squares."""

    values: FloatArray  # (k,) the parameters
    residual: FloatArray  # (M,) at the minimum
    jacobian: FloatArray  # (M, k) at the minimum
    converged: bool  # the residual is orthogonal to the tangent plane, as far as the bounds allow
    at_bound: tuple[bool, ...]  # (k,)

    def __post_init__(self) -> None:
        for name in ("values", "residual", "jacobian"):
            object.__setattr__(self, name, sealed(getattr(self, name)))

    @property
    def sum_of_squares(self) -> float:
        """Residual sum of squares."""
        return float(self.residual @ self.residual)

    def covariance(self, variance: float = 1.0) -> FloatArray:
        """Covariance of the parameters: variance times (J'J)^-1, from a QR of scaled columns, shape (k, k)."""
        return variance * inverse_normal(self.jacobian)


def minimise(
    residual: Callable[[FloatArray], FloatArray],
    jacobian: Callable[[FloatArray], FloatArray],
    start: FloatArray,
    *,
    lower: FloatArray | float = -np.inf,
    upper: FloatArray | float = np.inf,
    scale: FloatArray | None = None,
) -> LeastSquaresSolution:
    """Minimise the sum of squares of residuals that are divided by their uncertainty.

    Parameters
    ----------
    residual, jacobian : callable
        Of the parameters, shape (k,); they return shapes (M,) and (M, k).
    start, lower, upper : array, shape (k,)
        Start and bounds.
    scale : array, shape (k,), optional
        Size at which each parameter counts; by default the norm of its column, followed as it changes.

    Returns
    -------
    LeastSquaresSolution
        `converged` is judged by the relative offset of Bates and Watts (Nonlinear Regression Analysis,
        1988, section 2.2.3): the length of the residual's projection on the tangent plane, here over the
        length of the residual; components that push against a bound do not count.
    """
    from scipy.optimize import least_squares

    start = np.asarray(start, dtype=np.float64)
    lower, upper = np.broadcast_to(lower, start.shape), np.broadcast_to(upper, start.shape)
    found = least_squares(
        residual,
        start,
        jac=jacobian,
        bounds=(lower, upper),
        method="trf",
        x_scale="jac" if scale is None else scale,
        ftol=1e-10,  # the last digits are `_polish`'s
        xtol=1e-10,
        gtol=None,  # an absolute gradient means nothing for residuals of unknown size
        max_nfev=1000,
    )
    values, rest = _polish(residual, jacobian, found.x, lower, upper)
    slopes = jacobian(values)
    # the search stays inside its bounds and ends a hair from one that holds it
    room = np.minimum(values - lower, upper - values)
    at_bound = tuple(bool(near) for near in room <= AT_BOUND * np.abs(values))
    free = slopes[:, ~np.array(at_bound)]
    offset = np.linalg.norm(np.linalg.qr(free)[0].T @ rest)
    length = np.linalg.norm(rest)
    # without noise nothing but rounding is left: less than a change of the parameters in their last digits makes
    rounding = ROUNDING * np.linalg.norm(slopes * values)
    return LeastSquaresSolution(
        values=values,
        residual=rest,
        jacobian=slopes,
        converged=bool(np.isfinite(rest).all() and offset <= max(CONVERGED_OFFSET * length, rounding)),
        at_bound=at_bound,
    )


def _polish(
    residual: Callable[[FloatArray], FloatArray],
    jacobian: Callable[[FloatArray], FloatArray],
    values: FloatArray,
    lower: FloatArray,
    upper: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Gauss-Newton steps while they get shorter.

    A trust region stops where the squares no longer fall, which is at half of the digits; the part of the
    residual that lies along the tangent plane, the length of the step in units of the residual, tells more.
    """
    rest = residual(values)
    step, length = _gauss_newton(jacobian(values), rest)
    while True:
        trial = values + step
        if not np.all((trial > lower) & (trial < upper)):
            return values, rest
        trial_rest = residual(trial)
        if not trial_rest @ trial_rest <= rest @ rest * (1 + 1e-9):
            return values, rest
        trial_step, trial_length = _gauss_newton(jacobian(trial), trial_rest)
        if not trial_length < length:
            return values, rest
        values, rest, step, length = trial, trial_rest, trial_step, trial_length


def _gauss_newton(slopes: FloatArray, rest: FloatArray) -> tuple[FloatArray, float]:
    """Step to the minimum of the linearised problem, and its length in units of the residual."""
    size = np.linalg.norm(slopes, axis=0)
    size[size == 0] = 1.0
    step: FloatArray = np.linalg.lstsq(slopes / size, -rest, rcond=None)[0] / size
    return step, float(np.linalg.norm(slopes @ step))


def inverse_normal(matrix: FloatArray) -> FloatArray:
    """(J'J)^-1 for a tall matrix J, shape (k, k), without forming J'J: from R of J = QR with scaled columns.

    A combination of columns that the rows do not determine gives infinite variances.
    """
    size = np.linalg.norm(matrix, axis=0)
    size[size == 0] = 1.0
    triangle = np.linalg.qr(matrix / size, mode="r")
    n = matrix.shape[1]
    # a diagonal element is what is left of a column of length 1 beside those before it
    if len(triangle) < n or np.any(np.abs(np.diag(triangle)) <= DEPENDENT):
        return np.full((n, n), np.inf)
    inverse = np.linalg.inv(triangle) / size[:, None]
    product: FloatArray = inverse @ inverse.T
    return product
