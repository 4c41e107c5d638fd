"""How well spreads are known, and what that costs the uncertainties that rest on them.

A variance V that depends on estimated spreads is itself uncertain; to first order it has
nu = 2 V**2 / var(V) effective degrees of freedom (F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110-114;
JCGM 100:2008, G.4), var(V) from the gradient of V and the covariance of the logarithms of the spreads, which
is that of maximum likelihood. A stated standard uncertainty is the 68.27 % point of Student's t times the
root of the variance, so that it covers as often as a standard uncertainty of a normal variable. The variance
at estimated spreads is also too small on average, and the estimate is worse than with known ones; both are
put right for the segments' spreads as by M. G. Kenward and J. H. Roger, Biometrics 53 (1997) 983-997.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.special import stdtrit

from ellipsefit.arrays import FloatArray, IntArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.fit.effects import UNTOLD, beside_surface, spread_likelihood
from ellipsefit.fit.problem import JointProblem
from ellipsefit.fit.surface_error import SurfaceError, SurfaceLikelihood, whiten

#: Step of the logarithms for numerical derivatives.
_STEP: Final = 0.02
#: Fewest degrees of freedom that are believed.
LEAST: Final = 3.0
#: Largest inflation of a variance that a second-order formula is trusted with.
MOST: Final = 1.5


def coverage_scale(freedom: float) -> float:
    """The 68.27 % point of Student's t: what a standard uncertainty is multiplied by, >= 1.

    Examples
    --------
    >>> round(coverage_scale(16), 3), coverage_scale(float("inf"))  # JCGM 100:2008, Table G.2: 1.03
    (1.032, 1.0)
    """
    return float(stdtrit(freedom, 0.841344746)) if np.isfinite(freedom) else 1.0


def expanded_factor(freedom: float) -> float:
    """What a standard uncertainty with `coverage_scale` is multiplied by for an interval of 95.45 %, >= 2.

    Examples
    --------
    >>> round(expanded_factor(10), 2), round(expanded_factor(float("inf")), 6)  # Table G.2: 2.28 / 1.05, and 2
    (2.17, 2.0)
    """
    return float(stdtrit(freedom, 0.977249868) / stdtrit(freedom, 0.841344746)) if np.isfinite(freedom) else 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadCost:
    """What it costs that spreads are estimated and not known."""

    freedom: float  # fewest effective degrees of freedom among the variances of p, q and theta
    inflation: float  # mean ratio of their mean squared error to the variance at the estimated spreads

    @property
    def scale(self) -> float:
        """What a standard uncertainty at the estimated spreads is multiplied by, >= 1."""
        return coverage_scale(self.freedom) * float(np.sqrt(self.inflation))


def spread_cost(problem: JointProblem, parameters: FloatArray, *, spreads_estimated: tuple[bool, bool]) -> SpreadCost:
    """Cost of estimating the spreads of segments and the surface error from the same data.

    Parameters
    ----------
    problem : JointProblem
    parameters : array, shape (3,)
        Where the problem is made linear.
    spreads_estimated : tuple of bool
        Whether the spread of heights and of tilts were estimated from these data.
    """
    ellipse = Ellipse(*(float(value) for value in parameters))
    offset, partials = problem.values(ellipse), problem.reduction.partials(ellipse)
    logs: list[int] = []
    covariance: list[FloatArray] = []
    at: list[str] = []
    estimated = problem.model == "random"
    flags = [estimated and flag for flag in spreads_estimated][-problem.effects.r :] + [True] * len(problem.form)
    if any(flags):
        chosen = np.flatnonzero(flags)
        base = np.concatenate(
            [
                np.array(problem.spreads[-problem.effects.r :]) if estimated else np.ones(problem.effects.r),
                problem.form,
            ]
        )
        likelihood, _ = spread_likelihood(
            problem.reduction,
            problem.whitened,
            problem.own_effects,
            offset=offset,
            partials=partials,
            form=bool(problem.form),
            loose=problem.loose,
        )

        def pull(change: FloatArray) -> FloatArray:
            moved = np.log(base)
            moved[chosen] += change
            return likelihood(np.exp(moved))[1][chosen]

        if likelihood(base)[0] < UNTOLD:  # else the data have no noise, and spreads are no estimates
            steps = np.eye(len(chosen)) * _STEP
            bends = np.array([(pull(step) - pull(-step)) / (2 * _STEP) for step in steps])
            covariance.append(_inverse_information((bends + bends.T) / 2))
            logs.append(len(chosen))
            at.append("spreads")
    surface = surface_likelihood(problem, parameters)
    if surface is not None:
        covariance.append(_inverse_information(surface.curvature(problem.error.logs, _STEP)))
        logs.append(3)
        at.append("surface")
    chosen = np.flatnonzero(flags)

    def variance_at(name: str, change: FloatArray) -> FloatArray:
        return np.diag(_moved(problem, name, chosen, change).posterior(parameters, (0, 1, 2)))[:3]

    variance = np.diag(problem.posterior(parameters, (0, 1, 2)))[:3]
    known = np.isfinite(variance)
    nothing = SpreadCost(freedom=np.inf, inflation=1.0)
    if not known.any() or not at:
        return nothing
    spread, more = np.zeros(3), np.zeros(3)
    for name, size, matrix in zip(at, logs, covariance, strict=True):
        steps = np.eye(size) * _STEP
        slopes = np.stack(
            [(variance_at(name, step) - variance_at(name, -step)) / (2 * _STEP) for step in steps], axis=1
        )
        spread += np.einsum("ij,jk,ik->i", slopes, matrix, slopes)
        if name == "spreads":
            # Kenward and Roger, for variances as exp(2 l): V - sum W_ij (d2V/dl_i dl_j - 2 delta_ij dV/dl_i)
            bends = _bends(lambda change: variance_at("spreads", change), size)
            more -= np.einsum("jk,jki->i", matrix, bends) - 2 * slopes @ np.diag(matrix)
    known &= spread > 0
    if not known.any():
        return nothing
    freedom = float((2 * variance[known] ** 2 / spread[known]).min())
    inflation = float(np.mean(1 + more[known] / variance[known]))
    return SpreadCost(freedom=max(freedom, LEAST), inflation=min(max(inflation, 1.0), MOST))


def surface_likelihood(problem: JointProblem, parameters: FloatArray) -> SurfaceLikelihood | None:
    """The likelihood from which the surface error was estimated; None: it was not, or there is none."""
    if problem.apart is None or problem.error.correlated == 0:
        return None
    ellipse = Ellipse(*(float(value) for value in parameters))
    shared, own = beside_surface(
        problem.effects, problem.reduction.partials(ellipse), tied=problem.model == "fixed", apart=problem.apart
    )
    likelihood = SurfaceLikelihood(problem.reduction, problem.values(ellipse), shared, own)
    likelihood.kind = problem.error.kind
    return likelihood


def _moved(problem: JointProblem, name: str, chosen: IntArray, change: FloatArray) -> JointProblem:
    """The problem with the logarithms of some spreads changed."""
    if name == "surface":
        moved = SurfaceError.at(problem.error.logs + change, problem.error.kind)
        return replace(problem, error=moved, whitened=whiten(problem.reduction, moved))
    r = problem.effects.r
    scale = np.ones(r + len(problem.form))
    scale[chosen] = np.exp(change)
    height, tilt = np.concatenate([problem.spreads[:-r], np.array(problem.spreads[-r:]) * scale[:r]])
    form = tuple(float(value) for value in np.array(problem.form) * scale[r:])
    return replace(problem, spreads=(float(height), float(tilt)), form=form)


def _bends(function: Callable[[FloatArray], FloatArray], size: int) -> FloatArray:
    """Second derivatives of an array at zero by central differences, shape (size, size, ...)."""
    steps = np.eye(size) * (4 * _STEP)
    here = function(np.zeros(size))
    bends = np.zeros((size, size, *here.shape))
    for i in range(size):
        bends[i, i] = function(steps[i]) - 2 * here + function(-steps[i])
        for j in range(i):
            cross = function(steps[i] + steps[j]) - function(steps[i] - steps[j])
            cross = cross - function(steps[j] - steps[i]) + function(-steps[i] - steps[j])
            bends[i, j] = bends[j, i] = cross / 4
    return bends / (4 * _STEP) ** 2


def _inverse_information(hessian: FloatArray) -> FloatArray:
    """Covariance of the logarithms: half the Hessian of the deviance is the information; flat ways count as 1.

    A logarithm that the data don't tell is given a standard deviation of one, a factor of 2.7.
    """
    values, vectors = np.linalg.eigh(hessian / 2)
    covariance: FloatArray = (vectors / np.maximum(values, 1.0)) @ vectors.T
    return covariance
