"""From where a carrier stands to where it should: cam angles, and an order of moves that unloads no contact.

Forces: gravity and preloads are held by the six contacts alone. While one wheel turns, the carrier slides on the
others, and Coulomb friction acts there against the sliding, which exact kinematics gives; so the six normal forces
follow from six linear equations.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.place.mount import CONTACTS, DEAD, Mount, Reach
from ellipsefit.place.pose import Pose, point_jacobian
from ellipsefit.rows import number

#: Standard acceleration of gravity (3rd CGPM, 1901) [m/s^2].
GRAVITY: Final = 9.80665
#: A contact counts as unloading below this share of what it carries at rest.
LEAST_SHARE: Final = 0.1
#: Motion of a contact in one round of moves [m]: small steps keep the carrier level on the way.
STEP: Final = 50e-6
#: Distance to which a contact that stands still may keep the carrier from its place without a word [m].
FIXED_MISS: Final = 1e-3
#: Most rounds; longer ways have longer steps.
MOST_ROUNDS: Final = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One turn of one wheel."""

    round: int  # from 1
    contact: str
    start: float  # [rad]
    stop: float
    least_load: float | None  # smallest load of a contact on the way, as a share of its load at rest; None: not known
    least_contact: str | None  # which


@dataclass(frozen=True, slots=True, kw_only=True)
class CamMove:
    """What one contact is asked to do [rad]."""

    contact: str
    start: float
    stop: float
    linear: float  # where a linear model would go
    motion: float  # along the normal [m]
    sensitivity: float  # at the end [m/rad]
    stderr: float | None  # of the angle, from the survey; None: the contact stands still


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MountPlan:
    """Angles, order and what they reach."""

    moves: tuple[CamMove, ...]
    steps: tuple[Step, ...]
    pose: Pose  # of the carrier in the hall, afterwards
    reach: Reach
    linear_error: float  # largest error at a contact that the linear model would leave [m]
    resolution: float  # motion of the coarsest wheel's smallest turn [m]
    loads: FloatArray | None  # (6,) at rest [N]; None: mass not given
    unloading: tuple[str, ...]  # contacts that no order keeps loaded
    warnings: tuple[str, ...]

    def __post_init__(self) -> None:
        if self.loads is not None:
            object.__setattr__(self, "loads", sealed(self.loads))


def contact_loads(
    mount: Mount,
    pose: Pose,
    angles: FloatArray,
    down: FloatArray,
    *,
    turning: int | None = None,
    sense: float = 1.0,
) -> FloatArray | None:
    """Normal forces of the contacts, shape (6,) [N], positive where the carrier is pushed.

    Parameters
    ----------
    mount, pose, angles
        Layout, pose of the carrier in the mount's frame, and angles [rad].
    down : array, shape (3,)
        Direction of gravity in the mount's frame.
    turning : int, optional
        Number of the wheel that turns; by default none, and friction does not count.
    sense : float
        Which way it turns: +1 or -1.

    Returns
    -------
    array or None
        None if mass or centre of gravity is not known.
    """
    if mount.mass is None or mount.centre_of_gravity is None:
        return None
    normals = np.array([contact.normal for contact in mount.contacts]) @ pose.matrix.T
    points = pose.apply(mount.points)
    forces = normals
    if turning is not None and mount.friction:
        pushed = np.sum(mount.centre_speeds(angles) * normals, axis=1)
        drive = np.zeros(CONTACTS)
        drive[turning] = pushed[turning] * sense
        twist = np.linalg.solve(mount.pose_rows(pose, angles), drive)
        speed = (point_jacobian(points - pose.translation) @ twist).reshape(-1, 3)
        speed[turning] -= mount.centre_speeds(angles)[turning] * sense
        speed -= np.sum(speed * normals, axis=1)[:, None] * normals
        size = np.linalg.norm(speed, axis=1)
        scale = float(size.max())
        if scale > 0:
            slides = size > 1e-6 * scale
            forces = normals - mount.friction * np.where(slides[:, None], speed / np.maximum(size, 1e-300)[:, None], 0)
    weight = mount.mass * GRAVITY * down / np.linalg.norm(down)
    centre = pose.apply(mount.centre_of_gravity)
    preload = np.array([contact.preload for contact in mount.contacts])
    load = np.concatenate([weight, np.cross(centre, weight)])
    pressed = -preload[:, None] * normals
    load += np.concatenate([pressed.sum(axis=0), np.cross(points, pressed).sum(axis=0)])
    matrix = np.vstack([forces.T, np.cross(points, forces).T])
    return np.asarray(np.linalg.solve(matrix, -load))


def plan_mount(
    mount: Mount,
    now: Pose,
    wanted: Pose,
    *,
    covariance: FloatArray | None = None,
    step: float = STEP,
    approach: float = 0.0,
) -> MountPlan:
    """Cam angles that bring a carrier from where it stands to where it should, and the order of the moves.

    Parameters
    ----------
    mount : Mount
        With the angles as they are now.
    now, wanted : Pose
        Of the carrier in the hall; `now` as surveyed, so that a floor that moved counts.
    covariance : array, shape (6, 6), optional
        Of `now`.
    step : float
        Motion of a contact in one round [m].
    approach : float
        Overshoot [m] below the end of a lowering move, so that every wheel ends by raising; 0: none.

    Returns
    -------
    MountPlan
    """
    start = mount.angles
    here = mount.pose_at(start)
    # the floor may have carried the mount anywhere: hall <- mount is now o here^-1
    base = now @ here.inverse()
    goal = base.inverse() @ wanted
    reach = mount.reach(goal)
    stop = rounded_angles(mount, start, reach.angles)
    after = mount.pose_at(stop)
    warnings: list[str] = []
    linear = mount.linear_angles(reach.pose, start)
    turnable = np.clip(linear, start - np.pi, start + np.pi)
    linear_error = _worst_contact(mount, mount.pose_at(np.where(mount.movable, turnable, start)), reach.pose)
    speeds = mount.centre_speeds(stop)
    normals = np.array([contact.normal for contact in mount.contacts])
    sensitivity = np.sum(speeds * (normals @ after.matrix.T), axis=1)
    resolution = float(
        max((contact.resolution * contact.eccentricity for contact in mount.contacts if not contact.fixed), default=0.0)
    )
    stderr: list[float | None] = [None] * CONTACTS
    if covariance is not None:
        turn = np.kron(np.eye(2), base.matrix.T)
        rows = mount.pose_rows(after, stop)
        arm = base.matrix.T @ (now.translation - base.translation) - after.translation
        shifted = turn @ covariance @ turn.T
        to_origin = np.eye(6)
        to_origin[:3] = point_jacobian(-arm)
        moved = np.sqrt(np.maximum(np.diag(rows @ to_origin @ shifted @ to_origin.T @ rows.T), 0.0))
        stderr = [
            float(moved[i] / abs(sensitivity[i])) if mount.movable[i] and abs(sensitivity[i]) > 0 else None
            for i in range(CONTACTS)
        ]
    moves = tuple(
        CamMove(
            contact=contact.name,
            start=float(start[i]),
            stop=float(stop[i]),
            linear=float(linear[i]) if not contact.fixed else float(start[i]),
            motion=contact.motion(float(start[i]), float(stop[i])),
            sensitivity=float(sensitivity[i]),
            stderr=stderr[i],
        )
        for i, contact in enumerate(mount.contacts)
    )
    for move, contact in zip(moves, mount.contacts, strict=True):
        if not contact.fixed and min(abs(np.cos(end + contact.phase)) for end in (move.start, move.stop)) < DEAD:
            warnings.append(
                f"contact '{contact.name}' works near its dead centre ({np.degrees(move.stop):.0f} deg): a degree "
                f"moves it by {number(abs(move.sensitivity) * np.pi / 180, 'length', digits=2)} only"
            )
    if not reach.reached:
        warnings.append(
            f"the pose wanted is out of reach, limited by {', '.join(reach.limits) or 'the wheels'}; the angles are "
            f"those of the nearest pose there is, {number(float(np.linalg.norm(reach.miss[:3])), 'length')} and "
            f"{number(float(np.linalg.norm(reach.miss[3:])), 'angle')} from it"
        )
    if reach.fixed_miss > FIXED_MISS:
        still = ", ".join(f"'{contact.name}'" for contact in mount.contacts if contact.fixed)
        warnings.append(
            f"contact {still} stands still and keeps the carrier {number(reach.fixed_miss, 'length')} from the pose "
            "wanted"
        )
    if linear_error > max(resolution, 1e-7):
        warnings.append(
            f"a linear model would miss by {number(linear_error, 'length', digits=2)} at a contact; the angles here "
            "are exact"
        )
    steps, unloading, loads = order_moves(mount, base, stop, step=step, approach=approach)
    warnings += [
        f"contact '{name}' would unload on the way in any order: support it, or preload it" for name in unloading
    ]
    if loads is not None:
        warnings += [
            f"contact '{contact.name}' carries no load at rest ({loads[place]:.0f} N): expected a preload, or a link "
            "that also pulls"
            for place, contact in enumerate(mount.contacts)
            if not contact.pulls and not _carries(loads, place)
        ]
    if loads is None:
        warnings.append("loads of the contacts are not checked: mass and centre_of_gravity are not given")
    return MountPlan(
        moves=moves,
        steps=steps,
        pose=base @ after,
        reach=reach,
        linear_error=linear_error,
        resolution=resolution,
        loads=loads,
        unloading=unloading,
        warnings=tuple(warnings),
    )


def order_moves(
    mount: Mount, base: Pose, stop: FloatArray, *, step: float = STEP, approach: float = 0.0
) -> tuple[tuple[Step, ...], tuple[str, ...], FloatArray | None]:
    """Order of small turns from where the wheels stand to given angles that keeps every contact loaded.

    Parameters
    ----------
    mount : Mount
    base : Pose
        Of the mount's frame in the hall: says where down is.
    stop : array, shape (6,)
        Angles to reach [rad].
    step, approach : float
        As in `plan_mount`.

    Returns
    -------
    steps, unloading, loads
        The turns; contacts that unload on the way in any order; loads at rest, shape (6,) [N], None where mass or
        centre of gravity is not given.
    """
    down = base.matrix.T @ np.array([0.0, 0.0, -1.0])
    start = mount.angles
    loads = contact_loads(mount, mount.pose_at(start), start, down)
    steps, unloading = _order(mount, start, stop, down, loads, step, approach)
    return steps, unloading, loads


def rounded_angles(mount: Mount, start: FloatArray, stop: FloatArray) -> FloatArray:
    """Angles next to `stop` that are whole steps of each wheel from `start`, within its range, shape (6,) [rad]."""
    found = stop.copy()
    for place, contact in enumerate(mount.contacts):
        size = contact.resolution
        if contact.fixed or not size:
            continue
        count = np.round((stop[place] - start[place]) / size)
        slack = 1e-12
        while start[place] + count * size > contact.range[1] + slack:
            count -= 1
        while start[place] + count * size < contact.range[0] - slack:
            count += 1
        found[place] = start[place] + count * size
    return found


def _worst_contact(mount: Mount, one: Pose, other: Pose) -> float:
    return float(np.max(np.linalg.norm(one.apply(mount.points) - other.apply(mount.points), axis=1)))


def _order(
    mount: Mount,
    start: FloatArray,
    stop: FloatArray,
    down: FloatArray,
    rest: FloatArray | None,
    step: float,
    approach: float,
) -> tuple[tuple[Step, ...], tuple[str, ...]]:
    """Rounds of small turns; in each, the wheel that leaves the contacts best loaded goes first."""
    shafts = np.array([contact.eccentricity for contact in mount.contacts])
    legs = [(start, stop)]
    if approach:
        turning = stop.copy()
        for place, contact in enumerate(mount.contacts):
            lowers = not contact.fixed and contact.motion(float(start[place]), float(stop[place])) < 0
            if lowers:  # where there is no room below, the wheel ends as it comes
                turning[place] = contact.reading_after(float(stop[place]), -approach)
        legs = [(start, turning), (turning, stop)]
    steps: list[Step] = []
    unloading: dict[str, None] = {}
    angles, turn = start.copy(), 0
    for begin, end in legs:
        way = float(np.max(shafts * np.abs(end - begin), initial=0.0))
        if way == 0:
            continue
        rounds = int(min(max(np.ceil(way / step), 1), MOST_ROUNDS))
        for part in range(1, rounds + 1):
            turn += 1
            to = begin + (end - begin) * part / rounds if part < rounds else end
            waiting = [i for i in range(CONTACTS) if abs(to[i] - angles[i]) > 1e-12]
            while waiting:
                found = {i: _least(mount, angles, to, i, down, rest) for i in waiting}
                best = max(waiting, key=lambda i: found[i][0])
                share, least = found[best]
                if rest is not None and least is not None and share < LEAST_SHARE:
                    unloading[least] = None
                steps.append(
                    Step(
                        round=turn,
                        contact=mount.contacts[best].name,
                        start=float(angles[best]),
                        stop=float(to[best]),
                        least_load=None if rest is None else float(share),
                        least_contact=least,
                    )
                )
                angles[best] = to[best]
                waiting.remove(best)
    return tuple(steps), tuple(unloading)


def _least(
    mount: Mount, angles: FloatArray, to: FloatArray, which: int, down: FloatArray, rest: FloatArray | None
) -> tuple[float, str | None]:
    """Smallest load of a contact while one wheel turns, as a share of its load at rest, and which it is."""
    if rest is None:
        return -float(which), None  # no loads: in the order of the file
    sense = float(np.sign(to[which] - angles[which]))
    phi = angles.copy()
    phi[which] = to[which]
    loads = contact_loads(mount, mount.pose_at(phi), phi, down, turning=which, sense=sense)
    lowest: float = np.inf
    name = None
    for place, contact in enumerate(mount.contacts):
        if contact.pulls or loads is None or not _carries(rest, place):
            continue
        share = float(loads[place] / rest[place])
        if share < lowest:
            lowest, name = share, contact.name
    return lowest, name


def _carries(loads: FloatArray, place: int) -> bool:
    """Whether a contact carries anything worth the name."""
    return bool(loads[place] > 1e-3 * np.max(np.abs(loads)))
