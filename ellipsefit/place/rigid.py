"""Rigid-body fit of points with any covariance, and the search for a point that does not belong.

References: K. S. Arun, T. S. Huang, S. D. Blostein, IEEE PAMI 9 (1987) 698 and B. K. P. Horn, JOSA A 4 (1987) 629
for the closed solution with equal weights, which is the start here; W. Baarda, A testing procedure for use in
geodetic networks (1968) for normalised residuals.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import linalg
from scipy.special import chdtrc

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.errors import DataError
from ellipsefit.place.pose import Pose, point_jacobian, rotation_matrix

#: Fewest points that fix a rigid body.
FEWEST: Final = 3
#: Points count as in one line when their spread across it is below this share of the spread along it.
LINE: Final = 1e-6
#: And when it is below so many standard uncertainties of a coordinate.
LINE_SIGMAS: Final = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RigidFit:
    """Rigid body laid on measured points by generalised least squares."""

    pose: Pose
    scale: float  # of the body: 1 unless it was fitted
    joint: FloatArray  # (6, 6) of shift of the origin [m], rotation about the outer axes [rad]; (7, 7): and scale
    gain: FloatArray  # (6 or 7, 3 N), change of the solution with the measured coordinates
    scale_stderr: float | None  # None: not fitted
    residual: FloatArray  # (N, 3), measured minus fitted [m]
    chi_square: float
    freedom: int  # degrees of freedom of chi_square
    pull: FloatArray  # (3 N,), weight times residual: what the points pull with
    pull_covariance: FloatArray  # (3 N, 3 N)

    def __post_init__(self) -> None:
        for name in ("joint", "gain", "residual", "pull", "pull_covariance"):
            object.__setattr__(self, name, sealed(getattr(self, name)))

    @property
    def covariance(self) -> FloatArray:
        """Of shift of the origin [m] and rotation about the outer axes [rad], shape (6, 6)."""
        return self.joint[:6, :6]

    @property
    def probability(self) -> float:
        """Probability of residuals as large as these or larger, if the stated covariance is right."""
        return float(chdtrc(self.freedom, self.chi_square)) if self.freedom else 1.0

    def normalised(self) -> FloatArray:
        """Residuals over their standard deviation, shape (N, 3): Gaussian with unit variance if all is well.

        0 where a coordinate is not checked by any other.
        """
        variance = np.diag(self.pull_covariance)
        checked = variance > 1e-9 * variance.max(initial=0.0)
        size = np.sqrt(np.where(checked, variance, 1.0))
        return np.where(checked, self.pull / size, 0.0).reshape(-1, 3)

    def misfits(self) -> FloatArray:
        """Gain in chi-square if one point is let free, shape (N,): chi-square of 3 degrees of freedom if all is well.

        0 where the other points do not check it in all directions.
        """
        count = len(self.residual)
        found = np.zeros(count)
        for number in range(count):
            part = slice(3 * number, 3 * number + 3)
            block = self.pull_covariance[part, part]
            values, vectors = np.linalg.eigh(block)
            if values[0] > 1e-9 * values[-1] > 0:
                found[number] = float(np.sum((vectors.T @ self.pull[part]) ** 2 / values))
        return found


def closed_pose(body: FloatArray, measured: FloatArray, weight: FloatArray | None = None) -> tuple[Pose, bool]:
    """Best pose for equal uncertainties, in closed form, and whether a mirrored body would fit better.

    Parameters
    ----------
    body, measured : array, shape (N, 3)
        Points in the body's frame and where they were found [m].
    weight : array, shape (N,), optional
        By default all equal.

    Notes
    -----
    Kabsch's sign makes the determinant +1; it is -1 without that sign where the points are mirrored.
    """
    weight = np.ones(len(body)) if weight is None else weight
    middle, centre = (np.average(points, axis=0, weights=weight) for points in (body, measured))
    moment = ((measured - centre) * weight[:, None]).T @ (body - middle)
    left, _, right = np.linalg.svd(moment)
    mirrored = bool(np.linalg.det(left @ right) < 0)
    matrix = left @ np.diag([1.0, 1.0, -1.0 if mirrored else 1.0]) @ right
    return Pose.of_matrix(centre - matrix @ middle, matrix), mirrored


def spreads(points: FloatArray) -> FloatArray:
    """Rms extent of points along their principal axes, largest first, shape (3,) [m]."""
    found: FloatArray = np.linalg.svd(points - points.mean(axis=0), compute_uv=False) / np.sqrt(len(points))
    return found


def check_points(body: FloatArray, sigma: float, what: str = "targets") -> None:
    """Refuse points that don't fix a rigid body.

    Raises
    ------
    DataError
        If there are fewer than three, or they lie in one line within what their uncertainty can tell.
    """
    if len(body) < FEWEST:
        raise DataError(
            f"{len(body)} {what if len(body) != 1 else what.rstrip('s')} "
            f"can't fix a pose; expected at least {FEWEST} {what}, not in one line"
        )
    extent = spreads(body)
    if not extent[1] > max(LINE * extent[0], LINE_SIGMAS * sigma):
        raise DataError(
            f"the {len(body)} {what} lie in one line (within {extent[1] * 1e6:.3g} um), so the rotation about it is "
            f"free; expected a {what.rstrip('s')} well off that line"
        )


def fit_rigid_body(
    body: FloatArray,
    measured: FloatArray,
    covariance: FloatArray,
    *,
    body_covariance: FloatArray | None = None,
    fit_scale: bool = False,
    start: Pose | None = None,
) -> RigidFit:
    """Lay a rigid body on measured points by generalised least squares.

    Parameters
    ----------
    body : array, shape (N, 3)
        Points in the body's own frame [m].
    measured : array, shape (N, 3)
        Where they were found [m].
    covariance : array, shape (3 N, 3 N)
        Of `measured` [m^2].
    body_covariance : array, shape (N, 3, 3), optional
        Of each point of `body`, in its frame [m^2]; it is turned with the body and counts, too.
    fit_scale : bool
        Whether a common scale of the body is fitted, as for a body of unknown temperature.
    start : Pose, optional
        By default the closed solution with equal weights.

    Returns
    -------
    RigidFit
        Its covariance is that of the linearised problem at the solution; no scale is estimated from the residuals.

    Raises
    ------
    DataError
        If the points do not fix a pose.
    """
    count = len(body)
    sigma = np.sqrt(np.trace(covariance) / (3 * count))
    check_points(body, sigma)
    pose = closed_pose(body, measured)[0] if start is None else start
    middle = body.mean(axis=0)
    scale, size = 1.0, float(spreads(body)[0])
    # about the middle of the points shift and rotation are nearly independent, and nothing cancels
    centre = pose.apply(middle)
    matrix = pose.matrix
    arms = body - middle
    for _ in range(30):
        turned = arms @ matrix.T * scale
        total = _with_body(covariance, body_covariance, matrix)
        factor = linalg.cholesky(total, lower=True)
        columns = point_jacobian(turned)
        if fit_scale:
            columns = np.column_stack([columns, turned.ravel() / scale])
        rest = (measured - centre - turned).ravel()
        white = linalg.solve_triangular(factor, np.column_stack([columns, rest]), lower=True)
        design, target = white[:, :-1], white[:, -1]
        normal = linalg.cho_factor(design.T @ design)
        step = linalg.cho_solve(normal, design.T @ target)
        centre = centre + step[:3]
        matrix = rotation_matrix(step[3:6]) @ matrix
        scale += float(step[6]) if fit_scale else 0.0
        if np.linalg.norm(step[:3]) + size * np.linalg.norm(step[3:]) < 1e-12 * (size + float(np.max(np.abs(centre)))):
            break
    final = Pose.of_matrix(centre - matrix @ middle * scale, matrix)
    rest = (measured - centre - arms @ matrix.T * scale).ravel()
    inverse = linalg.cho_solve(normal, np.eye(design.shape[1]))
    back = linalg.solve_triangular(factor, np.column_stack([design, rest_white(factor, rest)]), lower=True, trans=1)
    weight = linalg.cho_solve((factor, True), np.eye(3 * count))
    pull = back[:, -1]
    pull_covariance = weight - back[:, :-1] @ inverse @ back[:, :-1].T
    # from the middle of the points to the body's origin
    arm = -(matrix @ middle) * scale
    transfer = np.eye(design.shape[1])
    transfer[:3, :6] = point_jacobian(arm)
    if fit_scale:
        transfer[:3, 6] = arm / scale
    return RigidFit(
        pose=final,
        scale=scale,
        joint=transfer @ inverse @ transfer.T,
        gain=transfer @ inverse @ back[:, :-1].T,
        scale_stderr=float(np.sqrt(inverse[6, 6])) if fit_scale else None,
        residual=rest.reshape(-1, 3),
        chi_square=float(np.sum(rest_white(factor, rest) ** 2)),
        freedom=3 * count - design.shape[1],
        pull=pull,
        pull_covariance=(pull_covariance + pull_covariance.T) / 2,
    )


def rest_white(factor: FloatArray, rest: FloatArray) -> FloatArray:
    """Residuals divided by their covariance's lower Cholesky factor."""
    white: FloatArray = linalg.solve_triangular(factor, rest, lower=True)
    return white


def _with_body(covariance: FloatArray, body: FloatArray | None, matrix: FloatArray) -> FloatArray:
    if body is None:
        return covariance
    total = covariance.copy()
    turned = matrix @ body @ matrix.T
    for number, block in enumerate(turned):
        part = slice(3 * number, 3 * number + 3)
        total[part, part] += block
    return total


def block_diagonal(blocks: FloatArray) -> FloatArray:
    """Blocks of shape (N, 3, 3) on the diagonal of a matrix of shape (3 N, 3 N)."""
    count = len(blocks)
    whole = np.zeros((count, 3, count, 3))
    numbers = np.arange(count)
    whole[numbers, :, numbers, :] = blocks
    return whole.reshape(3 * count, 3 * count)
