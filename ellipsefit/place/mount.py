"""Kinematic mount: six contacts, most of them eccentric wheels, and the exact way between their angles and the pose.

A contact is a plane of the carrier that rests on the crowned rim of a wheel. The wheel turns about a fixed shaft,
eccentric by e, so that its rim's centre, seen in the mount's frame, is

    c(phi) = P - rho n + e [(cos(phi) - 1) t + sin(phi) n]

with the contact point P and the carrier's normal n (from the wheel into the carrier) where the mount is at rest,
all phi = 0; rho is the rim's radius and t the direction, square to n, in which the centre moves at phi = 90 deg.
The carrier's pose (T, R) in the mount's frame, which is the carrier's frame at rest, obeys for every contact

    (T + R P - c(phi)) . (R n) = rho.                                                             (1)

Given the pose, (1) is A cos(phi) + B sin(phi) = C for each contact alone and has two closed solutions; given the
angles, it is six equations for the pose, solved by Newton's method. A contact with e = 0 stands still.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple, TypeVar

import numpy as np
from scipy.optimize import least_squares

from ellipsefit.arrays import BoolArray, FloatArray, sealed
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.place.pose import Pose, Poses, point_jacobian, rotation_matrix

_Posed = TypeVar("_Posed", Pose, Poses)

#: Contacts of a rigid body that is neither loose nor forced (Maxwell).
CONTACTS: Final = 6
#: A layout counts as singular when its smallest singular value is below this share of the largest.
SINGULAR: Final = 1e-6
#: cos(phi) below which a wheel is called near its dead centre: half of its sensitivity is gone.
DEAD: Final = 0.5


def _vector(value: object, what: str) -> FloatArray:
    array = np.asarray(value, dtype=np.float64)
    if array.shape != (3,) or not np.isfinite(array).all():
        raise ParameterError(f"{what} must be three finite numbers; got {value!r}")
    return array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contact:
    """One contact of a mount.

    Parameters
    ----------
    name : str
    point : array, shape (3,)
        Contact point in the carrier's frame at rest [m].
    normal : array, shape (3,)
        From the wheel into the carrier; made a unit vector.
    eccentricity : float
        Of the wheel [m], >= 0; 0: the contact stands still.
    angle : float
        Where the wheel stands now [rad]; 0 is its middle, where a turn moves most.
    range : tuple of float
        Lowest and highest angle [rad].
    wheel_radius : float
        Of the rim [m].
    tangent : array, shape (3,), optional
        In which the rim's centre moves at +90 deg; by default square to the normal and to x.
    resolution : float
        Smallest turn [rad]; 0: any.
    phase : float
        True angle minus reading [rad], from a calibration; range and angle are readings.
    preload : float
        Force of a spring that pushes the carrier onto the contact [N].
    pulls : bool
        Whether the contact also holds the carrier back (a link).
    """

    name: str
    point: FloatArray
    normal: FloatArray
    eccentricity: float = 0.0
    angle: float = 0.0
    range: tuple[float, float] = (-np.pi / 2, np.pi / 2)
    wheel_radius: float = 0.0
    tangent: FloatArray | None = None
    resolution: float = 0.0
    phase: float = 0.0
    preload: float = 0.0
    pulls: bool = False

    def __post_init__(self) -> None:
        where = f"contact '{self.name}'"
        object.__setattr__(self, "point", sealed(_vector(self.point, f"{where}: point")))
        normal = _vector(self.normal, f"{where}: normal")
        length = float(np.linalg.norm(normal))
        if not length > 0:
            raise ParameterError(f"{where}: normal must be a direction; got {self.normal!r}")
        normal = normal / length
        object.__setattr__(self, "normal", sealed(normal))
        if self.tangent is None:
            across = np.cross([1.0, 0.0, 0.0], normal)
            if np.linalg.norm(across) < 1e-6:  # the normal lies along x
                across = np.array([0.0, 1.0, 0.0])
            tangent = across - (across @ normal) * normal
        else:
            tangent = _vector(self.tangent, f"{where}: tangent")
            if not abs(tangent @ normal) < 1e-3 * np.linalg.norm(tangent):
                raise ParameterError(f"{where}: tangent must be a direction square to the normal; got {self.tangent!r}")
            tangent = tangent - (tangent @ normal) * normal
        object.__setattr__(self, "tangent", sealed(tangent / np.linalg.norm(tangent)))
        low, high = self.range
        if not -np.inf < low < high < np.inf:
            raise ParameterError(f"{where}: range must be two angles, lowest first; got {low:g} and {high:g} rad")
        if high - low > 2 * np.pi:
            raise ParameterError(f"{where}: range must be one turn at the most; got {high - low:g} rad")
        for key in ("eccentricity", "wheel_radius", "resolution", "preload"):
            value = getattr(self, key)
            if not 0 <= value < np.inf:
                raise ParameterError(f"{where}: {key} must be 0 or more; got {value:g}")
        if not self.fixed and not low <= self.angle <= high:
            raise ParameterError(
                f"{where}: angle must lie within range, {low:g} to {high:g} rad; got {self.angle:g} rad"
            )

    @property
    def fixed(self) -> bool:
        """Whether it stands still."""
        return self.eccentricity == 0

    def motion(self, start: float, stop: float) -> float:
        """Motion along the normal from one reading to another [m]."""
        return float(self.eccentricity * (np.sin(stop + self.phase) - np.sin(start + self.phase)))

    def reading_after(self, start: float, motion: float) -> float:
        """Reading that moves the contact so far from `start` without passing a dead centre, within range [rad]."""
        true = start + self.phase
        angle = float(np.arcsin(np.clip(np.sin(true) + motion / self.eccentricity, -1.0, 1.0)))
        turns = np.round((true - angle) / (2 * np.pi)) * 2 * np.pi
        if np.cos(true) < 0:  # beyond the dead centre the other branch goes on
            angle = np.pi - angle
            turns = np.round((true - angle) / (2 * np.pi)) * 2 * np.pi
        return float(np.clip(angle + turns - self.phase, *self.range))


class Branches(NamedTuple):
    """Both angles at which each wheel meets a pose, NaN where it cannot [rad], within half a turn of zero."""

    near: FloatArray  # the one between the dead centres, -90 to 90 deg at small misplacements
    far: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reach:
    """Angles for a pose, exact where all wheels reach it, nearest where they do not."""

    angles: FloatArray  # (6,) [rad]
    pose: Pose  # that these angles give
    reached: bool  # False: a wheel can't follow
    limits: tuple[str, ...]  # what stops it
    miss: FloatArray  # (6,) twist from the pose reached to the one wanted
    fixed_miss: float  # motion that the contacts that stand still would have to make [m], rms

    def __post_init__(self) -> None:
        for name in ("angles", "miss"):
            object.__setattr__(self, name, sealed(getattr(self, name)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mount:
    """Six contacts that hold a carrier.

    Parameters
    ----------
    contacts : tuple of Contact
    mass : float, optional
        Of the carrier with all that stands on it [kg].
    centre_of_gravity : array, shape (3,), optional
        In the carrier's frame [m].
    friction : float
        Coefficient between carrier and wheels.

    Raises
    ------
    ParameterError
        If there are not six contacts, or a name stands twice.
    DataError
        If the layout leaves a motion free: it is named.
    """

    contacts: tuple[Contact, ...]
    mass: float | None = None
    centre_of_gravity: FloatArray | None = None
    friction: float = 0.1
    _points: FloatArray = field(init=False, repr=False)
    _normals: FloatArray = field(init=False, repr=False)
    _tangents: FloatArray = field(init=False, repr=False)
    _radii: FloatArray = field(init=False, repr=False)
    _shafts: FloatArray = field(init=False, repr=False)
    _phases: FloatArray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        names = [contact.name for contact in self.contacts]
        if len(names) != CONTACTS:
            raise ParameterError(
                f"a mount must have {CONTACTS} contacts, one for each motion of a rigid body; got {len(names)}"
            )
        for name in names:
            if names.count(name) > 1:
                raise ParameterError(f"contact '{name}' stands twice; expected each name once")
        if self.mass is not None and not 0 < self.mass < np.inf:
            raise ParameterError(f"mass must be more than 0; got {self.mass:g} kg")
        if not 0 <= self.friction < 1:
            raise ParameterError(f"friction must be a coefficient from 0 to below 1; got {self.friction:g}")
        if self.centre_of_gravity is not None:
            object.__setattr__(
                self, "centre_of_gravity", sealed(_vector(self.centre_of_gravity, "mount: centre_of_gravity"))
            )
        arrays = {
            "_points": [contact.point for contact in self.contacts],
            "_normals": [contact.normal for contact in self.contacts],
            "_tangents": [contact.tangent for contact in self.contacts],
            "_radii": [contact.wheel_radius for contact in self.contacts],
            "_shafts": [contact.eccentricity for contact in self.contacts],
            "_phases": [contact.phase for contact in self.contacts],
        }
        for name, value in arrays.items():
            object.__setattr__(self, name, sealed(np.array(value)))
        free = self.free_motion()
        if free is not None:
            raise DataError(
                f"the mount is singular, it leaves the carrier free: {free}; expected six contacts that fix it"
            )

    # layout

    @property
    def angles(self) -> FloatArray:
        """Where the wheels stand now, shape (6,) [rad]."""
        return np.array([contact.angle for contact in self.contacts])

    @property
    def movable(self) -> BoolArray:
        """Which contacts can be turned, shape (6,)."""
        return self._shafts > 0

    @property
    def lowest(self) -> FloatArray:
        """Lowest readings, shape (6,) [rad]."""
        return np.array([contact.range[0] for contact in self.contacts])

    @property
    def highest(self) -> FloatArray:
        """Highest readings, shape (6,) [rad]."""
        return np.array([contact.range[1] for contact in self.contacts])

    @property
    def points(self) -> FloatArray:
        """Contact points at rest, shape (6, 3) [m]."""
        return self._points

    def constraint_matrix(self) -> FloatArray:
        """Motion of each contact along its normal with a twist of the carrier, shape (6, 6): rows (n, P x n)."""
        return np.column_stack([self._normals, np.cross(self._points, self._normals)])

    def _scaled(self) -> tuple[FloatArray, FloatArray, float]:
        """Constraint matrix about the middle of the contacts, rotations times their rms distance from it."""
        middle = self._points.mean(axis=0)
        length = float(np.sqrt(np.mean(np.sum((self._points - middle) ** 2, axis=1)))) or 1.0
        matrix = np.column_stack([self._normals, np.cross((self._points - middle) / length, self._normals)])
        return matrix, middle, length

    def singular_values(self) -> FloatArray:
        """Of the constraint matrix about the middle of the contacts, its lengths in units of their rms distance."""
        return np.asarray(np.linalg.svd(self._scaled()[0], compute_uv=False), dtype=np.float64)

    @property
    def condition(self) -> float:
        """Largest over smallest singular value: 1 would be a mount equally stiff against every motion."""
        values = self.singular_values()
        return float(values[0] / values[-1])

    def free_motion(self) -> str | None:
        """The motion that the contacts do not hinder, in words; None: they hinder all."""
        matrix, middle, length = self._scaled()
        _, values, right = np.linalg.svd(matrix)
        if values[-1] > SINGULAR * values[0]:
            return None
        turn = right[-1][3:] / length
        return motion_words(right[-1][:3], turn, middle)

    def weakest_motion(self) -> str:
        """The motion against which the layout is least stiff, in words."""
        matrix, middle, length = self._scaled()
        right = np.linalg.svd(matrix)[2]
        return motion_words(right[-1][:3], right[-1][3:] / length, middle)

    # kinematics

    def centres(self, angles: FloatArray) -> FloatArray:
        """Centres of the rims, shape (6, 3) [m]."""
        angles = angles + self._phases
        sine = np.sin(angles)
        aside = -2 * np.sin(angles / 2) ** 2  # cos - 1 without cancellation
        rest = self._points - self._radii[:, None] * self._normals
        moved: FloatArray = rest + self._shafts[:, None] * (
            aside[:, None] * self._tangents + sine[:, None] * self._normals
        )
        return moved

    def centre_speeds(self, angles: FloatArray) -> FloatArray:
        """Change of the rims' centres with the angles, shape (6, 3) [m/rad]."""
        angles = angles + self._phases
        return self._shafts[:, None] * (
            -np.sin(angles)[:, None] * self._tangents + np.cos(angles)[:, None] * self._normals
        )

    def gaps(self, pose: Pose | Poses, angles: FloatArray) -> FloatArray:
        """By how much each contact is open, the left side of (1) less rho, shape (..., 6) [m]."""
        arms = pose.apply(self._points) - self.centres(angles)
        return np.asarray(np.sum(arms * self._normals_at(pose), axis=-1) - self._radii, dtype=np.float64)

    def pose_rows(self, pose: Pose | Poses, angles: FloatArray) -> FloatArray:
        """Change of the gaps with a twist of the carrier, shape (..., 6, 6): (N, (c - T) x N) with N = R n."""
        normals = self._normals_at(pose)
        arms = self.centres(angles) - pose.translation[..., None, :]
        return np.concatenate([normals, np.cross(arms, normals)], axis=-1)

    def _normals_at(self, pose: Pose | Poses) -> FloatArray:
        """Normals of the carrier in the mount's frame, shape (..., 6, 3)."""
        return np.asarray(self._normals @ np.swapaxes(pose.matrix, -1, -2))

    def pose_at(self, angles: Sequence[float] | FloatArray, start: Pose | None = None) -> Pose:
        """Pose of the carrier in the mount's frame for given angles: exact forward kinematics.

        Raises
        ------
        DataError
            If the wheels carry it where the contacts no longer fix it.
        """
        phi = np.asarray(angles, dtype=np.float64)
        if phi.shape != (CONTACTS,) or not np.isfinite(phi).all():
            raise ParameterError(f"angles must be {CONTACTS} finite numbers; got {angles!r}")
        centres = self.centres(phi)
        start = Pose.identity() if start is None else start
        shift, matrix = start.translation, start.matrix
        size = float(np.max(np.abs(self._points))) or 1.0
        for _ in range(30):
            normals = self._normals @ matrix.T
            open_by = np.sum((self._points @ matrix.T + shift - centres) * normals, axis=1) - self._radii
            rows = np.column_stack([normals, _cross(centres - shift, normals)])
            try:
                step = np.linalg.solve(rows, -open_by)
            except np.linalg.LinAlgError:
                break
            shift = shift + step[:3]
            matrix = rotation_matrix(step[3:]) @ matrix
            change = np.abs(step[:3]).max() + size * np.abs(step[3:]).max()
            if not change < 10 * size:
                break
            if change < 1e-14 * max(size, 1.0):
                return Pose.of_matrix(shift, matrix)
        else:
            if change < 1e-11 * max(size, 1.0):  # rounding keeps the last steps alive
                return Pose.of_matrix(shift, matrix)
        raise DataError("the contacts do not fix the carrier at these angles: the layout has become singular")

    def branches(self, pose: Pose | Poses) -> Branches:
        """Both angles at which each wheel meets a pose: exact inverse kinematics, shape (..., 6) each [rad].

        A contact that stands still has the angle that it has.
        """
        normals = self._normals_at(pose)
        across = self._shafts * np.sum(self._tangents * normals, axis=-1)
        along = self._shafts * np.sum(self._normals * normals, axis=-1)
        rest = pose.apply(self._points) - self._points
        rest = rest + self._radii[:, None] * self._normals + self._shafts[:, None] * self._tangents
        wanted = np.sum(rest * normals, axis=-1) - self._radii
        size = np.hypot(across, along)
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = wanted / size
            # rounding of metres over millimetres may carry a dead centre past its end, by less than a picometre
            ratio = np.where((np.abs(ratio) > 1) & (np.abs(ratio) < 1 + 1e-10), np.sign(ratio), ratio)
            half = np.arccos(ratio)
        middle = np.arctan2(along, across)
        near, far = _wrapped(middle - half) - self._phases, _wrapped(middle + half) - self._phases
        fixed = ~self.movable
        return Branches(np.where(fixed, self.angles, near), np.where(fixed, self.angles, far))

    def angles_for(self, pose: Pose | Poses, near: FloatArray | None = None) -> FloatArray:
        """Angles within range that give a pose, on the branch nearest to `near` (by default now), shape (..., 6) [rad].

        NaN where no angle within range does. Contacts that stand still are not asked: see `reach`.
        """
        near = self.angles if near is None else near
        low, high = self.lowest, self.highest
        branches = self.branches(pose)
        found = np.full_like(branches.near, np.nan)
        for branch in branches:
            for turn in (-2 * np.pi, 0.0, 2 * np.pi):
                angle = branch + turn
                # what rounding may add: much in angle near a dead centre, but no motion
                true = angle + self._phases
                slack = 1e-13 / (np.where(self.movable, self._shafts, 1.0) * (np.abs(np.cos(true)) + 1e-6))
                inside = (angle >= low - slack) & (angle <= high + slack) | ~self.movable
                better = inside & ~(np.abs(found - near) <= np.abs(angle - near))
                found = np.where(better, angle, found)
        return np.where(self.movable, np.clip(found, low, high), self.angles)

    def with_fixed(self, pose: Pose) -> tuple[Pose, float]:
        """The pose next to a wanted one that the contacts that stand still allow, and their rms motion saved [m].

        The carrier goes along the motions that open the fixed contacts alone, so the wheels' part is unchanged to
        first order.
        """
        first = self.gaps(pose, self.angles)[~self.movable]
        missed = float(np.sqrt(np.mean(first**2))) if len(first) else 0.0
        return self._onto_fixed(pose), missed

    def _onto_fixed(self, pose: _Posed) -> _Posed:
        """The pose that closes the contacts that stand still."""
        fixed = np.flatnonzero(~self.movable)
        for _ in range(20 if len(fixed) else 0):
            opened = self.gaps(pose, self.angles)[..., fixed]
            response = np.linalg.inv(self.pose_rows(pose, self.angles))[..., fixed]
            pose = pose.moved(-(response @ opened[..., None])[..., 0])
            if np.abs(opened).max() < 1e-13:
                break
        return pose

    def reach(self, wanted: Pose, near: FloatArray | None = None) -> Reach:
        """Angles that give a pose exactly, or, where they cannot, those that come nearest.

        Nearest is: the smallest rms distance of the six contact points from where the wanted pose has them.
        """
        near = self.angles if near is None else near
        pose, missed = self.with_fixed(wanted)
        angles = self.angles_for(pose, near)
        if not np.isnan(angles).any():
            return Reach(
                angles=angles,
                pose=pose,
                reached=True,
                limits=(),
                miss=pose.twist_to(wanted),
                fixed_miss=missed,
            )
        goal = pose.apply(self._points)
        turned = np.flatnonzero(self.movable)
        low, high = self.lowest[turned], self.highest[turned]

        def residual(part: FloatArray) -> FloatArray:
            phi = self.angles
            phi[turned] = part
            return np.asarray((self.pose_at(phi).apply(self._points) - goal).ravel() * 1e3)

        def slope(part: FloatArray) -> FloatArray:
            phi = self.angles
            phi[turned] = part
            here = self.pose_at(phi)
            pushed = np.sum(self.centre_speeds(phi) * (self._normals @ here.matrix.T), axis=1)
            twist = np.linalg.solve(self.pose_rows(here, phi), np.diag(pushed)[:, turned])
            return np.asarray(point_jacobian(here.apply(self._points) - here.translation) @ twist * 1e3)

        # near the ends of the ranges the start must lie inside
        start = np.where(np.isnan(angles[turned]), near[turned], angles[turned])
        inset = 1e-6 * (high - low)
        start = np.clip(start, low + inset, high - inset)
        best = least_squares(residual, start, jac=slope, bounds=(low, high), xtol=1e-12, ftol=1e-12, gtol=1e-12)
        angles = self.angles
        angles[turned] = np.clip(best.x, low, high)
        stuck = (angles - self.lowest < 1e-4) | (self.highest - angles < 1e-4)
        limits = tuple(
            f"{contact.name} at its {'upper' if angle - contact.range[0] > contact.range[1] - angle else 'lower'} limit"
            for contact, angle, at in zip(self.contacts, angles, stuck & self.movable, strict=True)
            if at
        )
        if not limits:  # a dead centre within the range stops it
            limits = tuple(
                f"{contact.name} at its dead centre"
                for contact, angle, moves in zip(self.contacts, angles, self.movable, strict=True)
                if moves and abs(np.cos(angle + contact.phase)) < 0.02
            )
        reached = self.pose_at(angles)
        return Reach(
            angles=angles,
            pose=reached,
            reached=False,
            limits=limits,
            miss=reached.twist_to(wanted),
            fixed_miss=missed,
        )

    def linear_angles(self, wanted: Pose, now: FloatArray | None = None) -> FloatArray:
        """Angles by the linear model from `now`, shape (6,) [rad]: what the exact way is compared with."""
        now = self.angles if now is None else now
        here = self.pose_at(now)
        moved = self.pose_rows(here, now) @ here.twist_to(wanted)
        pushed = np.sum(self.centre_speeds(now) * (self._normals @ here.matrix.T), axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            turn = np.where(np.abs(pushed) > 0, moved / pushed, 0.0)
        return np.asarray(now + turn)

    def extents(self, directions: FloatArray, base: Pose | None = None, most: float = 1.0) -> FloatArray:
        """How far the carrier can go along each of n twists before a wheel ends, as factors of them, shape (n,).

        Parameters
        ----------
        directions : array, shape (n, 6)
            Shift [m] and rotation [rad] about the outer axes.
        base : Pose, optional
            Where it starts; by default at rest.
        most : float
            Farther is not asked.
        """
        base = Pose.identity() if base is None else base
        middle = (self.lowest + self.highest) / 2
        count = len(directions)
        start = Poses(np.tile(base.translation, (count, 1)), np.tile(base.matrix, (count, 1, 1)))

        def inside(factors: FloatArray) -> BoolArray:
            poses = self._onto_fixed(start.moved(factors[:, None] * directions))
            return np.asarray(np.isfinite(self.angles_for(poses, middle)).all(axis=1), dtype=np.bool_)

        # no wheel moves its contact by more than twice its eccentricity; the factor 2 is for what is not linear
        asked = np.abs(directions @ self.constraint_matrix().T)[:, self.movable]
        span = 2 * self._shafts[self.movable]
        bound = 2 * np.min(span / np.maximum(asked, 1e-12 * span), axis=1)
        low, high = np.zeros(count), np.minimum(most, bound)
        low = np.where(inside(high), high, low)
        for _ in range(12):
            half = (low + high) / 2
            reached = inside(half)
            low, high = np.where(reached, half, low), np.where(reached, high, half)
        return low


def motion_words(shift: FloatArray, turn: FloatArray, about: FloatArray) -> str:
    """A small motion of a rigid body in words.

    Parameters
    ----------
    shift : array, shape (3,)
        Of the point `about` [m].
    turn : array, shape (3,)
        Rotation [rad].
    about : array, shape (3,)
        Point that `shift` speaks of [m].
    """
    size = float(np.linalg.norm(turn))
    if size < 1e-6 * max(float(np.linalg.norm(shift)), 1e-300):
        return f"a shift along {_direction(shift / np.linalg.norm(shift))}"
    axis = turn / size
    foot = about + np.cross(turn, shift) / size**2
    foot = foot - (foot @ axis) * axis
    pitch = float(shift @ axis) / size
    place = f"a rotation about {_direction(axis)} through ({', '.join(f'{value:.3g}' for value in foot + 0.0)}) m"
    return place if abs(pitch) < 1e-6 else f"{place} with a shift along it of {pitch:.3g} m a radian"


def _direction(vector: FloatArray) -> str:
    for name, axis in zip("xyz", np.eye(3), strict=True):
        if abs(vector @ axis) > 1 - 1e-6:
            return name
    vector = vector if vector[np.argmax(np.abs(vector))] > 0 else -vector
    return f"({', '.join(f'{value:.2f}' for value in np.round(vector, 2) + 0.0)})"


def _wrapped(angle: FloatArray) -> FloatArray:
    """Angle within half a turn of zero [rad]; what is within it keeps every digit."""
    return np.where(np.abs(angle) > np.pi, np.remainder(angle + np.pi, 2 * np.pi) - np.pi, angle)


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Cross products row by row; numpy's own takes three times as long for six rows."""
    ax, ay, az = a.T
    bx, by, bz = b.T
    return np.stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx], axis=1)
