"""Programmes with free unknowns, with the proof of the optimum beside it: linear (HiGHS), some whole, and squares."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from ellipsefit.arrays import BoolArray, FloatArray, IntArray

#: Unit in which lengths reach the solver, so that its absolute tolerance of 1e-7 means 0.1 pm [m].
_UNIT: Final = 1e-6
#: Share by which a count proven by branch and bound may exceed the smallest, and the time it gets [s].
WHOLE_GAP: Final = 0.01
WHOLE_TIME: Final = 5.0


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


def minimise_count(
    rows: FloatArray,
    limits: FloatArray,
    moves: FloatArray,
    low: FloatArray,
    high: FloatArray,
    *,
    groups: Sequence[tuple[IntArray, int]] = (),
) -> tuple[BoolArray, float] | None:
    """Fewest moves that differ from zero, subject to rows @ v <= limits and low <= moves @ v <= high.

    A move that isn't made is held at zero through its range times a number that is 0 or 1. Of a group (places, least)
    either none is made or at least so many, as of a rigid body that can't turn about all its supports.

    Returns
    -------
    chosen : array of bool, shape (A,)
    bound : float
        No plan has fewer: from branch and bound, within `WHOLE_GAP`, or what `WHOLE_TIME` allowed to prove.
        None in place of both if the limits contradict each other.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csc_array

    count, n = moves.shape
    low, high = _reach(rows, limits, moves, low, high)
    size = np.abs(np.concatenate([rows, moves])).max(axis=0, initial=0.0)
    size[size == 0] = 1.0
    ties = np.zeros((sum(len(places) + 1 for places, _ in groups), count + len(groups)))
    row = 0
    for group, (places, least) in enumerate(groups):
        ties[row, places], ties[row, count + group] = -1.0, least
        for place in places:
            row += 1
            ties[row, place], ties[row, count + group] = 1.0, -1.0
        row += 1
    whole = count + len(groups)
    spare = np.zeros((count, len(groups)))
    matrix = np.concatenate(
        [
            np.column_stack([rows / size, np.zeros((len(rows), whole))]),
            np.column_stack([moves / size, -np.diag(high / _UNIT), spare]),
            np.column_stack([-moves / size, np.diag(low / _UNIT), spare]),
            np.column_stack([np.zeros((len(ties), n)), ties]),
        ]
    )
    bound = np.concatenate([limits / _UNIT, np.zeros(2 * count + len(ties))])
    found = milp(
        np.concatenate([np.zeros(n), np.ones(count), np.zeros(len(groups))]),
        integrality=np.concatenate([np.zeros(n), np.ones(whole)]),
        bounds=Bounds(
            np.concatenate([np.full(n, -np.inf), np.zeros(whole)]), np.concatenate([np.full(n, np.inf), np.ones(whole)])
        ),
        constraints=LinearConstraint(csc_array(matrix), -np.inf, bound),
        options={"mip_rel_gap": WHOLE_GAP, "time_limit": WHOLE_TIME},
    )
    if found.x is None:
        return None
    return np.asarray(found.x[n : n + count] > 0.5), float(np.ceil(found.mip_dual_bound - 1e-6))


def _reach(
    rows: FloatArray, limits: FloatArray, moves: FloatArray, low: FloatArray, high: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Ranges of the moves that the limits leave: the tighter they are, the sooner a count is proven."""
    found = []
    for move, most, sign in (
        (move, most, sign) for sign, ends in ((1, high), (-1, -low)) for move, most in zip(moves, ends, strict=True)
    ):
        best = minimise_linear(-sign * move, rows, limits)
        found.append(most if best is None else min(max(-best.cost, 0.0) * (1 + 1e-6) + 1e-12, most))
    ends = np.array(found).reshape(2, -1)
    return -ends[1], ends[0]


def minimise_squares(matrix: FloatArray, offset: FloatArray, rows: FloatArray, limits: FloatArray) -> FloatArray | None:
    """Minimise |matrix @ v + offset|**2 subject to rows @ v <= limits; None if they contradict each other.

    As the least distance from the unconstrained solution, which is a problem of non-negative least squares (C. L.
    Lawson and R. J. Hanson, Solving Least Squares Problems, 1974, chapter 23). The matrix has full column rank.
    """
    from scipy.optimize import nnls

    size = np.linalg.norm(matrix, axis=0)
    size[size == 0] = 1.0
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
