"""A check of the uncertainties that believes no model: leave out one segment after the other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.fit.effects import SegmentEffects
from ellipsefit.fit.problem import JointProblem
from ellipsefit.fit.reduction import Reduction


def jackknife(problem: JointProblem, parameters: FloatArray, varied: tuple[int, ...]) -> FloatArray | None:
    """Standard errors of the varied parameters by the weighted jackknife over whole segments.

    Each fit is one Gauss-Newton step from the full solution; spreads and surface error are kept. Segments at
    the ends tell more than others, so leaving one out changes more than its share: each change is shrunk by
    the root of the share of the information that is left, so that the sum is right on average.

    Parameters
    ----------
    problem : JointProblem
    parameters : array, shape (3,)
        The full solution.
    varied : tuple of int

    Returns
    -------
    array, shape (v,), or None
        Root of sum d_j**2, d_j = N_j**(1/2) (b_j - b) in units in which the whole information M is one and N_j
        is what is left of it (R. M. Bell and D. F. McCaffrey, Survey Methodology 28 (2002) 169-181; for
        segments of one point each C. F. J. Wu, Ann. Statist. 14 (1986) 1261-1295, section 4); None for fewer
        than 5 segments, or if one cannot be left out.
    """
    count = len(problem.whitened)
    if count < 5 or not varied:
        return None
    common = len(varied) + (problem.effects.r if problem.model != "free" else 0)
    root, size = _root(problem.posterior(parameters, varied)[:common, :common])
    here = np.concatenate([np.zeros(len(varied)), problem.linear_solution(parameters)])[:common]
    total = np.zeros(len(varied))
    for left_out in range(count):
        part = _without(problem, left_out)
        jacobian = part.joint_jacobian(parameters, varied)
        norm = np.linalg.norm(jacobian, axis=0)
        if not norm.all():
            return None
        step, _, rank, _ = np.linalg.lstsq(jacobian / norm, -part.residual(parameters), rcond=None)
        if rank < len(norm):
            return None
        change = np.linalg.solve(root, ((step / norm)[:common] - here) / size)
        covariance = part.posterior(parameters, varied)[:common, :common] / np.outer(size, size)
        wider = np.linalg.solve(root, np.linalg.solve(root, covariance).T)  # inverse of what is left
        values, vectors = np.linalg.eigh((wider + wider.T) / 2)
        shrunk = size * (root @ (vectors @ (vectors.T @ change / np.sqrt(values))))
        total += shrunk[: len(varied)] ** 2
    return np.sqrt(total)


def _root(covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lower triangle K and sizes s with covariance = s K K' s."""
    size = np.sqrt(np.diag(covariance))
    return np.linalg.cholesky(covariance / np.outer(size, size)), size


def _without(problem: JointProblem, number: int) -> JointProblem:
    """The problem less one measured segment."""
    kept = [index for index in range(len(problem.whitened)) if index != number]
    reduction, effects = problem.reduction, problem.effects
    nodes = np.concatenate([reduction.segments[index].nodes for index in kept])
    values = reduction.split(reduction.reference_values)
    belongs = np.repeat(np.arange(len(problem.whitened)), [len(part.nodes) for part in reduction.segments]) != number
    return replace(
        problem,
        shop=None if problem.shop is None else problem.shop.part(np.array(kept), np.flatnonzero(belongs)),
        moved=None if problem.moved is None else problem.moved.part(kept),
        reduction=Reduction(
            quantity=reduction.quantity,
            reference=reduction.reference,
            segments=tuple(reduction.segments[index] for index in kept),
            nodes=nodes,
            reference_values=np.concatenate([values[index] for index in kept]),
        ),
        whitened=tuple(problem.whitened[index] for index in kept),
        effects=SegmentEffects(
            own=tuple(effects.own[index] for index in kept),
            pose=tuple(effects.pose[index] for index in kept),
            form=tuple(effects.form[index] for index in kept),
        ),
        loose=tuple(kept.index(index) for index in problem.loose if index != number),
    )
