"""Linear programmes with free unknowns, solved by HiGHS, with the proof of the optimum beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray

#: Unit in which lengths reach the solver, so that its absolute tolerance of 1e-7 means 0.1 pm [m].
_UNIT: Final = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Optimum:
    """Solution of minimise cost . v subject to rows @ v <= limits."""

    values: FloatArray  # (n,)
    cost: float
    gap: float  # primal minus dual cost, >= 0 to rounding: 0 proves the optimum
    pressure: FloatArray  # (rows,) how the cost falls when a limit is relaxed by one unit, >= 0


def minimise_linear(cost: FloatArray, rows: FloatArray, limits: FloatArray) -> Optimum | None:
    """Minimise a linear cost [m] of unbounded unknowns; None if the limits contradict each other.

    Unknowns are scaled to unit columns first: metres and radians differ by orders of magnitude.
    """
    from scipy.optimize import linprog

    size = np.abs(rows).max(axis=0, initial=0.0)
    size[size == 0] = 1.0
    found = linprog(
        cost / size,
        A_ub=rows / size,
        b_ub=limits / _UNIT,
        bounds=(None, None),
        method="highs",
        options={"presolve": True},
    )
    if found.status != 0 or found.fun is None:
        return None
    pressure = -np.asarray(found.ineqlin.marginals, dtype=np.float64)
    return Optimum(
        values=np.asarray(found.x, dtype=np.float64) / size * _UNIT,
        cost=float(found.fun) * _UNIT,
        gap=(float(found.fun) + float(pressure @ limits) / _UNIT) * _UNIT,
        pressure=pressure,
    )
