"""What too few segments leave open: form that each has of its own counts to the ellipse."""

from __future__ import annotations

from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.fit.effects import FEWEST_SEGMENTS
from ellipsefit.fit.prior import PARAMETERS, kind_of
from ellipsefit.fit.problem import JointProblem
from ellipsefit.fit.shop import terms_of_height
from ellipsefit.rows import number

#: Form of which it is said what it would do [m]: usual for polished segments (common practice).
SOME_FORM: Final = 100e-9


def form_notes(problem: JointProblem, parameters: FloatArray, varied: tuple[int, ...]) -> list[str]:
    """What form of their own would do where segments are too few to tell it from the ellipse.

    Parameters
    ----------
    problem : JointProblem
    parameters : array, shape (3,)
        p, q, theta.
    varied : tuple of int
        Which of them were fitted.
    """
    known = set() if problem.shop is None else set(problem.shop.known.tolist())
    unknown = [row for row in range(len(problem.reduction.segments)) if row not in known]
    if not varied or not 0 < len(unknown) < FEWEST_SEGMENTS:
        return []
    change = form_change(problem, parameters, varied, unknown)
    names = [PARAMETERS[index] for index in varied]
    size = " and ".join(
        f"{name} by {number(value, kind_of(name), digits=2)}" for name, value in zip(names, change, strict=True)
    )
    return [
        f"fewer than {FEWEST_SEGMENTS} segments don't tell form of their own (second and third order) from the "
        f"ellipse, to which it counts: {number(SOME_FORM, 'length')} of each would change {size}; where there may be "
        "some, state form and form_uncertainty in the mirror file"
    ]


def form_change(problem: JointProblem, parameters: FloatArray, varied: tuple[int, ...], rows: list[int]) -> FloatArray:
    """Standard deviation of what is fitted of p, q, theta if both terms of segments' form had that of SOME_FORM."""
    parts, quantity = problem.reduction.segments, problem.reduction.quantity
    ends = np.cumsum([len(part.nodes) for part in parts])
    changes = []
    for row in rows:
        for term in terms_of_height(problem.effects.form[row], parts[row].length, quantity).T:
            pattern = np.zeros(ends[-1])
            pattern[ends[row] - len(term) : ends[row]] = SOME_FORM * term
            changes.append(problem.response(parameters, varied, pattern)[: len(varied)])
    return np.asarray(np.linalg.norm(changes, axis=0))
