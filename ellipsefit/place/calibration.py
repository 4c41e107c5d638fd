"""What the wheels of a mount really are, from recorded moves: eccentricity, phase and angle of each contact."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Final

import numpy as np
from scipy import linalg
from scipy.optimize import least_squares

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.errors import DataError
from ellipsefit.place.mount import CONTACTS, Mount
from ellipsefit.place.pose import Pose, cross_matrix, rotation_matrix
from ellipsefit.results import Result
from ellipsefit.rows import Table, with_uncertainty

#: Prior standard deviations: what a drawing leaves open. They hold what the moves can't tell.
ECCENTRICITY: Final = 0.1e-3  # m
PHASE: Final = np.radians(5.0)
TILT: Final = np.radians(1.0)
#: Below this share of the prior's standard deviation a quantity counts as told by the moves.
TOLD: Final = 0.9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RecordedMove:
    """Angles as read, and the carrier's pose that a survey found with them."""

    angles: FloatArray  # (6,) [rad]
    pose: Pose  # in the hall
    covariance: FloatArray  # (6, 6)

    def __post_init__(self) -> None:
        object.__setattr__(self, "angles", sealed(self.angles))
        object.__setattr__(self, "covariance", sealed(self.covariance))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MountCalibration(Result):
    """Corrections of each contact: arrays of six; NaN uncertainty where the contact stands still."""

    table: ClassVar[str | None] = "contacts"

    mount: Mount  # as calibrated
    eccentricity: FloatArray  # [m]
    eccentricity_stderr: FloatArray
    phase: FloatArray  # true angle minus reading [rad]
    phase_stderr: FloatArray
    tilt: FloatArray  # of the normal about the beam (x), actual minus drawn [rad]
    tilt_stderr: FloatArray
    untold: tuple[str, ...]  # what the moves can't tell: the drawing's value stands
    chi_square: float
    freedom: int

    def __post_init__(self) -> None:
        for name in ("eccentricity", "eccentricity_stderr", "phase", "phase_stderr", "tilt", "tilt_stderr"):
            object.__setattr__(self, name, sealed(getattr(self, name)))

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        return {
            "contacts": [
                {
                    "contact": contact.name,
                    "eccentricity": float(self.eccentricity[i]),
                    "phase": float(self.phase[i]),
                    "tilt": float(self.tilt[i]),
                    "eccentricity_stderr": None if contact.fixed else float(self.eccentricity_stderr[i]),
                    "phase_stderr": None if contact.fixed else float(self.phase_stderr[i]),
                    "tilt_stderr": float(self.tilt_stderr[i]),
                }
                for i, contact in enumerate(self.mount.contacts)
            ],
            "untold": list(self.untold),
            "chi_square": self.chi_square,
            "degrees_of_freedom": self.freedom,
        }

    def rows(self) -> list[Table]:
        """Table of the contacts."""
        cells = tuple(
            (
                contact.name,
                "stands still"
                if contact.fixed
                else with_uncertainty(float(self.eccentricity[i]), float(self.eccentricity_stderr[i]), "length"),
                "–" if contact.fixed else with_uncertainty(float(self.phase[i]), float(self.phase_stderr[i]), "angle"),
                with_uncertainty(float(self.tilt[i]), float(self.tilt_stderr[i]), "angle"),
            )
            for i, contact in enumerate(self.mount.contacts)
        )
        notes = (f"Not told by these moves: {', '.join(self.untold)}.",) if self.untold else ()
        header = ("contact", "eccentricity", "phase", "tilt of the normal")
        return [Table(title="Wheels as calibrated", header=header, cells=cells, notes=notes)]


def calibrate_mount(mount: Mount, moves: Sequence[RecordedMove]) -> MountCalibration:
    """Fit eccentricity, phase and tilt of each contact to recorded moves.

    The condition that each contact touches is linearised in nothing: residuals are its gaps at the surveyed poses, with
    the uncertainty that the survey gives them. Where the mount's base stands is an unknown, too. Weak priors from the
    drawing (0.1 mm, 5 deg, 1 deg) keep what the moves can't tell at the drawn value, and that is said.

    Parameters
    ----------
    mount : Mount
        As drawn.
    moves : sequence of RecordedMove
        At least two; the more contacts turned far, the better.

    Raises
    ------
    DataError
        If there are fewer than two.
    """
    if len(moves) < 2:
        raise DataError(f"{len(moves)} recorded moves calibrate nothing; expected two or more")
    movable = np.flatnonzero(mount.movable)
    count = len(movable)
    points = mount.points
    normals = np.array([contact.normal for contact in mount.contacts])
    tangents = np.array([contact.tangent for contact in mount.contacts])
    radii = np.array([contact.wheel_radius for contact in mount.contacts])
    drawn = np.array([contact.eccentricity for contact in mount.contacts])
    known = np.array([contact.phase for contact in mount.contacts])
    base = moves[0].pose @ mount.pose_at(moves[0].angles).inverse()
    seen = [base.inverse() @ move.pose for move in moves]
    whiteners = []
    for move, pose in zip(moves, seen, strict=True):
        turn = np.kron(np.eye(2), base.matrix.T)
        rows_ = mount.pose_rows(pose, move.angles)
        arm = base.matrix.T @ (move.pose.translation - base.translation) - pose.translation
        to_origin = np.eye(6)
        to_origin[:3, 3:] = cross_matrix(arm)
        spread = rows_ @ to_origin @ turn @ move.covariance @ turn.T @ to_origin.T @ rows_.T
        whiteners.append(linalg.cholesky(spread + np.eye(CONTACTS) * 1e-18, lower=True))
    # unknowns over their prior spread; the base in units of a mm and a mrad
    prior = np.concatenate([np.full(count, ECCENTRICITY), np.full(count, PHASE), np.full(CONTACTS, TILT)])

    def unpacked(unknown: FloatArray) -> tuple[FloatArray, ...]:
        kind = unknown.dtype
        part = unknown[: len(prior)] * prior
        eccentricity, phase = drawn.astype(kind), known.astype(kind)
        eccentricity[movable] = drawn[movable] + part[:count]
        phase[movable] = known[movable] + part[count : 2 * count]
        return eccentricity, phase, part[2 * count :], unknown[len(prior) :] * 1e-3

    def residual(unknown: FloatArray) -> FloatArray:
        eccentricity, phase, tilt, twist = unpacked(unknown)
        sine, cosine = np.sin(tilt)[:, None], np.cos(tilt)[:, None]

        def tilted(vectors: FloatArray) -> FloatArray:
            x, y, z = vectors.T[:, :, None]
            return np.asarray(np.hstack([x + 0 * sine, cosine * y - sine * z, sine * y + cosine * z]))

        normal, tangent = tilted(normals), tilted(tangents)
        found = []
        shift = rotation_matrix(twist[3:])
        for move, pose, whitener in zip(moves, seen, whiteners, strict=True):
            angle = (move.angles + phase)[:, None]
            centre = (
                points
                - radii[:, None] * normal
                + eccentricity[:, None] * (-2 * np.sin(angle / 2) ** 2 * tangent + np.sin(angle) * normal)
            )
            matrix = shift @ pose.matrix
            origin = shift @ pose.translation + twist[:3]
            gap = np.sum((points @ matrix.T + origin - centre) * (normal @ matrix.T), axis=1) - radii
            found.append(np.linalg.solve(whitener, gap))
        return np.concatenate([*found, unknown[: len(prior)]])

    start = np.zeros(len(prior) + 6)
    # complex steps give derivatives without rounding
    fit = least_squares(residual, start, jac="cs", method="trf", xtol=1e-14, ftol=1e-14, gtol=1e-14)
    jacobian = np.asarray(fit.jac)
    covariance = np.linalg.inv(jacobian.T @ jacobian)
    stderr = np.sqrt(np.diag(covariance))
    eccentricity, phase, tilt, _ = unpacked(fit.x)
    sure = [np.full(CONTACTS, np.nan) for _ in range(2)]
    sure[0][movable] = stderr[:count] * ECCENTRICITY
    sure[1][movable] = stderr[count : 2 * count] * PHASE
    names = [mount.contacts[i].name for i in movable]
    labels = [
        *(f"eccentricity of {name}" for name in names),
        *(f"phase of {name}" for name in names),
        *(f"tilt of {contact.name}" for contact in mount.contacts),
    ]
    untold = tuple(label for label, size in zip(labels, stderr, strict=False) if size > TOLD)
    contacts = []
    for i, contact in enumerate(mount.contacts):
        turn = rotation_matrix(np.array([tilt[i], 0.0, 0.0]))
        contacts.append(
            replace(
                contact,
                normal=turn @ normals[i],
                tangent=turn @ tangents[i],
                eccentricity=float(eccentricity[i]),
                phase=float(phase[i]),
            )
        )
    return MountCalibration(
        mount=replace(mount, contacts=tuple(contacts)),
        eccentricity=eccentricity,
        eccentricity_stderr=sure[0],
        phase=phase,
        phase_stderr=sure[1],
        tilt=tilt,
        tilt_stderr=stderr[2 * count : 2 * count + CONTACTS] * TILT,
        untold=untold,
        chi_square=float(2 * fit.cost),
        freedom=CONTACTS * len(moves) - 6,
    )
