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
    the ends tell more than others, so leaving one out changes more than its share: each change is weighted by
    the information that is left, as a determinant.

    Parameters
    ----------
    problem : JointProblem
    parameters : array, shape (3,)
        The full solution.
    varied : tuple of int

    Returns
    -------
    array, shape (v,), or None
        Root of sum w_j (b_j - b)**2, w_j = det(M without j) / det(M) (C. F. J. Wu, Ann. Statist. 14 (1986)
        1261-1295, section 4, delete-one); None for fewer than 5 segments, or if one cannot be left out.
    """
    count = len(problem.whitened)
    if count < 5 or not varied:
        return None
    common = len(varied) + (problem.effects.r if problem.model != "free" else 0)
    whole = _log_information(problem, parameters, varied, common)
    total = np.zeros(len(varied))
    for left_out in range(count):
        part = _without(problem, left_out)
        jacobian = part.joint_jacobian(parameters, varied)
        size = np.linalg.norm(jacobian, axis=0)
        if not size.all():
            return None
        step, _, rank, _ = np.linalg.lstsq(jacobian / size, -part.residual(parameters), rcond=None)
        if rank < len(size):
            return None
        weight = np.exp(_log_information(part, parameters, varied, common) - whole)
        total += weight * (step / size)[: len(varied)] ** 2
    return np.sqrt(total)


def _log_information(problem: JointProblem, parameters: FloatArray, varied: tuple[int, ...], common: int) -> float:
    """Logarithm of the determinant of the information on what all segments share."""
    covariance = problem.posterior(parameters, varied)[:common, :common]
    size = np.sqrt(np.diag(covariance))
    return -float(np.linalg.slogdet(covariance / np.outer(size, size))[1]) - 2 * float(np.log(size).sum())


def _without(problem: JointProblem, number: int) -> JointProblem:
    """The problem less one measured segment."""
    kept = [index for index in range(len(problem.whitened)) if index != number]
    reduction, effects = problem.reduction, problem.effects
    nodes = np.concatenate([reduction.segments[index].nodes for index in kept])
    values = reduction.split(reduction.reference_values)
    return replace(
        problem,
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
