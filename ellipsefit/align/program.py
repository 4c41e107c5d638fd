"""Programmes with free unknowns: linear (HiGHS), with the proof of the optimum beside it, and least squares."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray

#: Unit in which lengths reach the solver, so that its absolute tolerance of 1e-7 means 0.1 pm [m].
UNIT: Final = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Optimum:
    """Solution of minimise cost . v subject to rows @ v <= limits."""

    values: FloatArray  # (n,)
    cost: float
    gap: float  # primal minus dual cost, >= 0 to rounding: 0 proves the optimum
    pressure: FloatArray  # (rows,) how the cost falls when a limit is relaxed by one unit, >= 0


def column_size(matrix: FloatArray) -> FloatArray:
    """Largest number of each column, by which unknowns are scaled; 1 where all are zero."""
    size = np.abs(matrix).max(axis=0, initial=0.0)
    return np.where(size > 0, size, 1.0)


def minimise_linear(cost: FloatArray, rows: FloatArray, limits: FloatArray) -> Optimum | None:
    """Minimise a linear cost [m] of unbounded unknowns; None if the limits contradict each other.

    Unknowns are scaled to unit columns first: metres and radians differ by orders of magnitude.
    """
    from scipy.optimize import linprog

    size = column_size(rows)
    found = linprog(
        cost / size,
        A_ub=rows / size,
        b_ub=limits / UNIT,
        bounds=(None, None),
        method="highs",
        options={"presolve": True},
    )
    if found.status != 0 or found.fun is None:
        return None
    pressure = -np.asarray(found.ineqlin.marginals, dtype=np.float64)
    return Optimum(
        values=np.asarray(found.x, dtype=np.float64) / size * UNIT,
        cost=float(found.fun) * UNIT,
        gap=(float(found.fun) + float(pressure @ limits) / UNIT) * UNIT,
        pressure=pressure,
    )


def minimise_squares(matrix: FloatArray, offset: FloatArray, rows: FloatArray, limits: FloatArray) -> FloatArray | None:
    """Minimise |matrix @ v + offset|**2 subject to rows @ v <= limits; None if they contradict each other.

    As the least distance from the unconstrained solution, which is a problem of non-negative least squares (C. L.
    Lawson and R. J. Hanson, Solving Least Squares Problems, 1974, chapter 23). The matrix has full column rank.
    """
    from scipy.optimize import nnls

    size = column_size(matrix)
    orthogonal, triangle = np.linalg.qr(matrix / size)
    best = -orthogonal.T @ offset  # in z = R v, where the distance is to be least
    if not len(rows):
        free: FloatArray = np.linalg.solve(triangle, best) / size
        return free
    inverse = np.linalg.solve(triangle.T, (rows / size).T).T  # rows in z
    length = np.linalg.norm(inverse, axis=1)
    kept = length > 1e-12 * length.max()  # the others have no part in these unknowns
    inverse = inverse[kept] / length[kept, None]
    slack = limits[kept] / length[kept] - inverse @ best
    if np.all(slack >= 0):
        step = np.zeros_like(best)
    else:
        scale = float(-slack.min())
        # least distance u with -inverse u >= -slack: nnls on [G'; h'] with target (0, ..., 0, 1)
        system = np.concatenate([-inverse.T, -slack[None, :] / scale])
        aim = np.zeros(len(best) + 1)
        aim[-1] = 1.0
        dual, distance = nnls(system, aim, maxiter=20 * system.shape[1])
        rest = system @ dual - aim
        # the last entry is minus the squared distance: without one, the limits contradict each other to rounding
        if distance < 1e-9 or rest[-1] > -1e-18:
            return None
        step = -rest[:-1] / rest[-1] * scale
    found: FloatArray = np.linalg.solve(triangle, best + step) / size
    return found
