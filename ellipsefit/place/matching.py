"""Which point is which, told by geometry alone: congruent triangles first, then all points."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, permutations
from typing import Final

import numpy as np
from scipy.optimize import linear_sum_assignment

from ellipsefit.arrays import FloatArray, IntArray, sealed
from ellipsefit.errors import DataError
from ellipsefit.place.pose import Pose, rotation_vector
from ellipsefit.place.rigid import check_points, closed_pose

#: Sides of triangles agree within so many standard uncertainties of a coordinate.
SIDES: Final = 12.0
#: Rms residual of all points, in standard uncertainties of a coordinate, that counts as a fit.
FITS: Final = 5.0
#: Attitude that is told from another by the nominal one: it must be nearer to it by this factor.
NEARER: Final = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Match:
    """Which target each measured point is."""

    index: IntArray  # (M,) number of the target
    pose: Pose
    rms: float  # of the residuals [m]

    def __post_init__(self) -> None:
        object.__setattr__(self, "index", sealed(self.index, np.intp))


def match_points(body: FloatArray, measured: FloatArray, sigma: float, nominal: Pose) -> Match:
    """Find which target each measured point is, whatever their names and however the carrier stands.

    Parameters
    ----------
    body : array, shape (N, 3)
        Targets in the carrier's frame [m].
    measured : array, shape (M, 3)
        Points in the hall [m], 3 <= M <= N.
    sigma : float
        Standard uncertainty of a coordinate [m].
    nominal : Pose
        About how the carrier stands: decides where the targets look the same turned.

    Raises
    ------
    DataError
        If the points don't fit the targets, or fit them in several ways that nominal does not tell apart.
    """
    check_points(measured, sigma)
    if len(measured) > len(body):
        raise DataError(f"{len(measured)} points were measured, but the carrier has {len(body)} targets")
    found: dict[tuple[int, ...], Match] = {}
    near = _from_pose(body, measured, nominal, sigma)
    if near is not None:
        found[tuple(near.index)] = near
    triple = _wide_triple(measured)
    wide = measured[np.array(triple)]
    sides = _sides(wide)
    distances = np.linalg.norm(body[:, None] - body[None], axis=2)
    for first, second in permutations(range(len(body)), 2):
        if abs(distances[first, second] - sides[0]) > SIDES * sigma:
            continue
        thirds = np.flatnonzero(
            (np.abs(distances[second] - sides[1]) <= SIDES * sigma)
            & (np.abs(distances[first] - sides[2]) <= SIDES * sigma)
        )
        for third in thirds:
            if third in (first, second):
                continue
            pose, _ = closed_pose(body[np.array([first, second, int(third)])], wide)
            match = _from_pose(body, measured, pose, sigma)
            if match is not None:
                found.setdefault(tuple(match.index), match)
    if not found:
        raise DataError(
            "the measured points don't have the shape of the carrier's targets, whatever their names; expected "
            f"{len(body)} targets, or some of them, within their uncertainty"
        )
    best = sorted(found.values(), key=lambda match: _turn(match.pose, nominal))
    if len(best) > 1 and _turn(best[1].pose, nominal) < max(NEARER * _turn(best[0].pose, nominal), 1e-3):
        raise DataError(
            f"the targets look the same in {len(best)} attitudes, and the nominal attitude does not tell them apart: "
            f"turned by {_turn(best[0].pose, nominal):.3g} and {_turn(best[1].pose, nominal):.3g} rad against it"
        )
    return best[0]


def _turn(pose: Pose, nominal: Pose) -> float:
    return float(np.linalg.norm(rotation_vector(pose.matrix @ nominal.matrix.T)))


def _from_pose(body: FloatArray, measured: FloatArray, pose: Pose, sigma: float) -> Match | None:
    """Nearest targets at a pose, refined until the names stay; None: the points don't fit."""
    index: IntArray | None = None
    for _ in range(10):
        distance = np.linalg.norm(measured[:, None] - pose.apply(body)[None], axis=2)
        again = linear_sum_assignment(distance**2)[1]
        if index is not None and (again == index).all():
            break
        index = again
        pose, _ = closed_pose(body[index], measured)
    if index is None:
        return None
    rms = float(np.sqrt(np.mean((measured - pose.apply(body[index])) ** 2)))
    return Match(index=index, pose=pose, rms=rms) if rms <= FITS * sigma else None


def _wide_triple(points: FloatArray) -> tuple[int, int, int]:
    """Three points that span the largest triangle; of many points, among those farthest out."""
    chosen: list[int] = list(range(len(points)))
    if len(points) > 12:
        out = np.linalg.norm(points - points.mean(axis=0), axis=1)
        chosen = [int(number) for number in np.argsort(out)[-12:]]

    def area(three: tuple[int, ...]) -> float:
        a, b, c = (points[number] for number in three)
        return float(np.linalg.norm(np.cross(b - a, c - a)))

    first, second, third = max(combinations(chosen, 3), key=area)
    return first, second, third


def _sides(three: FloatArray) -> tuple[float, float, float]:
    a, b, c = three
    return float(np.linalg.norm(b - a)), float(np.linalg.norm(c - b)), float(np.linalg.norm(a - c))
