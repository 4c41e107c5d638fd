"""Where a rigid body stands: a rotation and a translation, exact for any angle.

A pose maps coordinates of the body's own frame to those of the frame that it stands in, X = t + R x, with
R = exp([w]x) of the rotation vector w (Rodrigues' formula). A small change of a pose is a twist: a shift of the
body's origin and a small rotation about the outer axes, R' = exp([d]x) R.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.errors import ParameterError

#: Angle below which sin(a)/a and (1 - cos(a))/a**2 are taken from their series [rad].
_SMALL: Final = 1e-4


def cross_matrix(vector: npt.ArrayLike) -> FloatArray:
    """Matrix [v]x of the cross product, shape (3, 3): [v]x u = v x u."""
    x, y, z = np.asarray(vector)
    return np.array([[0 * x, -z, y], [z, 0 * x, -x], [-y, x, 0 * x]])


def rotation_matrix(vector: npt.ArrayLike) -> FloatArray:
    """Rotation matrix of a rotation vector [rad], shape (3, 3).

    Source: O. Rodrigues, J. Math. Pures Appl. 5 (1840) 380. 1 - cos(a) is formed as 2 sin(a/2)**2, which keeps its
    digits at small angles.
    """
    vector = np.asarray(vector)
    square = vector @ vector
    angle = np.sqrt(square)
    turn = cross_matrix(vector)
    if abs(angle) < _SMALL:
        first, second = 1 - square / 6, 0.5 - square / 24
    else:
        first, second = np.sin(angle) / angle, 2 * (np.sin(angle / 2) / angle) ** 2
    matrix: FloatArray = np.eye(3) + first * turn + second * (turn @ turn)
    return matrix


def rotation_vector(matrix: npt.ArrayLike) -> FloatArray:
    """Rotation vector of a rotation matrix, shape (3,), its length at most pi.

    By way of the unit quaternion, whose largest component is found first, so that no angle is special.
    Source: S. W. Shepperd, J. Guidance Control 1 (1978) 223.
    """
    m = np.asarray(matrix, dtype=np.float64)
    trace = float(np.trace(m))
    squares = np.array([trace, m[0, 0], m[1, 1], m[2, 2]])
    choice = int(np.argmax(squares))
    axial = np.array([m[2, 1] - m[1, 2], m[0, 2] - m[2, 0], m[1, 0] - m[0, 1]])
    if choice == 0:
        quaternion = np.array([1 + trace, *axial])
    else:
        i = choice - 1
        j, k = (i + 1) % 3, (i + 2) % 3
        quaternion = np.zeros(4)
        quaternion[0] = axial[i]
        quaternion[1 + i] = 1 + m[i, i] - m[j, j] - m[k, k]
        quaternion[1 + j] = m[j, i] + m[i, j]
        quaternion[1 + k] = m[k, i] + m[i, k]
    quaternion /= np.linalg.norm(quaternion)
    if quaternion[0] < 0:
        quaternion = -quaternion
    sine = float(np.linalg.norm(quaternion[1:]))
    factor = 2.0 if sine < 1e-12 else 2 * np.arctan2(sine, quaternion[0]) / sine
    vector: FloatArray = factor * quaternion[1:]
    return vector


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """A rigid body's place: X = translation + R(rotation) x.

    Parameters
    ----------
    translation : array, shape (3,)
        Where the body's origin is [m].
    rotation : array, shape (3,)
        Rotation vector [rad], right-handed: roll = +rx, pitch = -ry, yaw = +rz.
    """

    translation: FloatArray
    rotation: FloatArray
    matrix: FloatArray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        for name in ("translation", "rotation"):
            value = np.asarray(getattr(self, name), dtype=np.float64)
            if value.shape != (3,) or not np.isfinite(value).all():
                raise ParameterError(f"{name} of a pose must be three finite numbers; got {getattr(self, name)!r}")
            object.__setattr__(self, name, sealed(value))
        object.__setattr__(self, "matrix", sealed(rotation_matrix(self.rotation)))

    @classmethod
    def identity(cls) -> Pose:
        """The pose that changes nothing."""
        return cls(np.zeros(3), np.zeros(3))

    @classmethod
    def of_matrix(cls, translation: npt.ArrayLike, matrix: npt.ArrayLike) -> Pose:
        """Pose from a translation [m] and a rotation matrix."""
        return cls(np.asarray(translation, dtype=np.float64), rotation_vector(matrix))

    def apply(self, points: npt.ArrayLike) -> FloatArray:
        """Points of the body, shape (..., 3), in the outer frame [m]."""
        moved: FloatArray = np.asarray(points, dtype=np.float64) @ self.matrix.T + self.translation
        return moved

    def __matmul__(self, inner: Pose) -> Pose:
        """Pose of a body that stands at `inner` within this one."""
        return Pose.of_matrix(self.matrix @ inner.translation + self.translation, self.matrix @ inner.matrix)

    def inverse(self) -> Pose:
        """The outer frame as seen from the body."""
        return Pose(-(self.matrix.T @ self.translation), -self.rotation)

    def moved(self, twist: npt.ArrayLike) -> Pose:
        """Pose after a twist (shift of the origin [m], rotation about the outer axes [rad]), shape (6,)."""
        step = np.asarray(twist, dtype=np.float64)
        return Pose.of_matrix(self.translation + step[:3], rotation_matrix(step[3:]) @ self.matrix)

    def twist_to(self, other: Pose) -> FloatArray:
        """Twist that leads from here to `other`, shape (6,): `here.moved(here.twist_to(other))` is `other`."""
        turn = rotation_vector(other.matrix @ self.matrix.T)
        return np.concatenate([other.translation - self.translation, turn])


@dataclass(frozen=True, slots=True, eq=False)
class Poses:
    """Many poses at once, for what is asked of each of them; nothing is checked.

    Parameters
    ----------
    translation : array, shape (n, 3)
        [m].
    matrix : array, shape (n, 3, 3)
        Rotation matrices.
    """

    translation: FloatArray
    matrix: FloatArray

    def apply(self, points: FloatArray) -> FloatArray:
        """Points of the body, shape (m, 3), in the outer frame, shape (n, m, 3) [m]."""
        moved: FloatArray = points @ np.swapaxes(self.matrix, -1, -2) + self.translation[:, None, :]
        return moved

    def moved(self, twists: FloatArray) -> Poses:
        """Each pose after its own twist, shape (n, 6): as `Pose.moved`."""
        return Poses(self.translation + twists[:, :3], _rotation_matrices(twists[:, 3:]) @ self.matrix)


def _rotation_matrices(vectors: FloatArray) -> FloatArray:
    """`rotation_matrix` of many rotation vectors, shape (n, 3) to (n, 3, 3)."""
    square = np.sum(vectors**2, axis=1)[:, None, None]
    angle = np.sqrt(square)
    small = angle < _SMALL
    safe = np.where(small, 1.0, angle)
    first = np.where(small, 1 - square / 6, np.sin(safe) / safe)
    second = np.where(small, 0.5 - square / 24, 2 * (np.sin(safe / 2) / safe) ** 2)
    turn = np.moveaxis(cross_matrix(vectors.T), -1, 0)
    matrices: FloatArray = np.eye(3) + first * turn + second * (turn @ turn)
    return matrices


def point_jacobian(arms: npt.ArrayLike) -> FloatArray:
    """How points move with a twist: [I, -[r]x] for each, shape (3 N, 6).

    Parameters
    ----------
    arms : array, shape (N, 3)
        From the twist's origin to the points, along the outer axes [m].
    """
    arms = np.atleast_2d(np.asarray(arms, dtype=np.float64))
    rows = np.zeros((len(arms), 3, 6))
    rows[:, :, :3] = np.eye(3)
    x, y, z = arms.T
    rows[:, 0, 4], rows[:, 0, 5] = z, -y
    rows[:, 1, 3], rows[:, 1, 5] = -z, x
    rows[:, 2, 3], rows[:, 2, 4] = y, -x
    return rows.reshape(-1, 6)
