"""What changed between two surveys: the carrier, one of its outriggers, or the reference network."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from scipy.special import chdtrc

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.errors import DataError
from ellipsefit.place.carrier import Carrier
from ellipsefit.place.pose import Pose
from ellipsefit.place.rigid import FEWEST, check_points, fit_rigid_body
from ellipsefit.place.survey import Survey, check_names, locate
from ellipsefit.results import Result
from ellipsefit.rows import Table, number, with_uncertainty

#: Probability, by chance alone, below which a change counts as real.
SIGNIFICANT: Final = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BodyChange:
    """How a group of points moved as a whole between two surveys, and which of them moved by itself."""

    twist: FloatArray  # (6,): shift of `about` [m], rotation about the hall's axes [rad]
    covariance: FloatArray  # (6, 6)
    about: FloatArray  # (3,) [m]
    chance: float  # of so large a twist if nothing moved
    moved_points: tuple[str, ...]
    shifts: tuple[FloatArray, ...]  # of the moved points, beyond the twist, (3,) each [m]

    def __post_init__(self) -> None:
        for name in ("twist", "covariance", "about"):
            object.__setattr__(self, name, sealed(getattr(self, name)))

    @property
    def moved(self) -> bool:
        """Whether the group moved as a whole."""
        return self.chance < SIGNIFICANT


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EpochChange(Result):
    """What changed from one survey to another. Hall frame."""

    before: str
    after: str
    carrier: BodyChange  # without what the network did
    network: BodyChange | None  # None: fewer than three reference points in both surveys
    verdict: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        return {
            "before": self.before,
            "after": self.after,
            "carrier": _body_dict(self.carrier),
            "network": None if self.network is None else _body_dict(self.network),
            "verdict": list(self.verdict),
        }

    def rows(self) -> list[Table]:
        """Tables of the comparison."""
        cells = []
        for name, body in (("carrier", self.carrier), ("reference network", self.network)):
            if body is None:
                continue
            sure = np.sqrt(np.diag(body.covariance))
            for axis, value, error in zip("xyz", body.twist[:3], sure[:3], strict=True):
                cells.append((f"{name}, {axis}", with_uncertainty(float(value), float(error), "length")))
            for axis, sign, place in (("roll", 1, 3), ("pitch", -1, 4), ("yaw", 1, 5)):
                cells.append(
                    (f"{name}, {axis}", with_uncertainty(float(sign * body.twist[place]), float(sure[place]), "angle"))
                )
            for point, shift in zip(body.moved_points, body.shifts, strict=True):
                size = number(float(np.linalg.norm(shift)), "length")
                cells.append((f"{name}: point {point} by itself", size))
        return [
            Table(
                title=f"From {self.before} to {self.after}",
                header=("", "change"),
                cells=tuple(cells),
                notes=self.verdict,
            )
        ]


def _body_dict(body: BodyChange) -> dict[str, Any]:
    return {
        "twist": body.twist.tolist(),
        "covariance": body.covariance.tolist(),
        "about": body.about.tolist(),
        "chance": body.chance,
        "moved": body.moved,
        "points_moved": [
            {"point": point, "shift": shift.tolist()}
            for point, shift in zip(body.moved_points, body.shifts, strict=True)
        ],
    }


def compare_surveys(carrier: Carrier, before: Survey, after: Survey) -> EpochChange:
    """Tell what moved between two surveys: the carrier, one of its outriggers, or the reference network.

    Only what both surveys measured counts, and each against itself, so the targets' places on the carrier need not be
    known. Where the surveys are in the hall frame and hold reference points, these are compared first: a common
    motion of them is one of the frame, and is taken from the carrier's.

    Raises
    ------
    DataError
        If fewer than three targets are common, or they lie in one line.
    """
    for survey in (before, after):
        check_names(survey, carrier)
    sizes = [1.0 if survey.temperature is None else carrier.scale_at(survey.temperature) for survey in (before, after)]
    first, second = locate(before, carrier.references), locate(after, carrier.references)
    common = set(first.names) & set(second.names)
    targets = [target.name for target in carrier.targets if target.name in common]
    references = [target.name for target in carrier.references if target.name in common]
    if len(targets) < FEWEST:
        raise DataError(
            f"{before.name} and {after.name} have {len(targets)} targets in common; expected at least {FEWEST}"
        )
    network = None
    frame = Pose.identity()
    frame_covariance = np.zeros((6, 6))
    if len(references) >= FEWEST and before.frame == after.frame == "hall":
        old, old_covariance = first.part(references)
        new, new_covariance = second.part(references)
        network = _change(references, old, new, old_covariance + new_covariance)
        if network.moved:
            frame = _as_pose(network)
            frame_covariance = network.covariance
    old, old_covariance = first.part(targets)
    new, new_covariance = second.part(targets)
    if network is not None and network.moved:
        new = frame.inverse().apply(new)
    middle = old.mean(axis=0)
    old = middle + (old - middle) * (sizes[1] / sizes[0])
    total = old_covariance + new_covariance
    if frame_covariance.any() and network is not None:
        from ellipsefit.place.pose import point_jacobian

        lever = point_jacobian(new - network.about)
        total = total + lever @ frame_covariance @ lever.T
    moved = _change(targets, old, new, total)
    return EpochChange(
        before=before.name, after=after.name, carrier=moved, network=network, verdict=_verdict(carrier, moved, network)
    )


def _as_pose(body: BodyChange) -> Pose:
    turn = Pose(np.zeros(3), body.twist[3:])
    return Pose(body.about + body.twist[:3] - turn.apply(body.about), body.twist[3:])


def _change(names: list[str], old: FloatArray, new: FloatArray, covariance: FloatArray) -> BodyChange:
    left = list(range(len(names)))
    out: list[int] = []
    sigma = float(np.sqrt(np.mean(np.diag(covariance))))
    while True:
        entries = (3 * np.array(left)[:, None] + np.arange(3)).ravel()
        middle = old[left].mean(axis=0)
        # about the middle, so that the shift is that of the points and not of a far origin
        fit = fit_rigid_body(old[left] - middle, new[left] - middle, covariance[np.ix_(entries, entries)])
        misfits = fit.misfits()
        worst = int(np.argmax(misfits))
        chance = float(chdtrc(3, misfits[worst])) * len(left)
        if len(left) <= FEWEST or fit.freedom <= 3 or chance > SIGNIFICANT:
            break
        trial = [one for one in left if one != left[worst]]
        try:
            check_points(old[trial], sigma)
        except DataError:
            break
        out.append(left[worst])
        left = trial
    twist = np.concatenate([fit.pose.translation, fit.pose.rotation])
    size = float(twist @ np.linalg.solve(fit.covariance, twist))
    shifts = tuple(new[one] - middle - fit.pose.apply(old[one] - middle) for one in out)
    return BodyChange(
        twist=twist,
        covariance=fit.covariance,
        about=middle,
        chance=float(chdtrc(6, size)),
        moved_points=tuple(names[one] for one in out),
        shifts=shifts,
    )


def _verdict(carrier: Carrier, moved: BodyChange, network: BodyChange | None) -> tuple[str, ...]:
    found = []
    if network is None:
        found.append("No reference network was compared: a motion of it would look like one of the carrier.")
    else:
        if network.moved:
            found.append(
                "The REFERENCE NETWORK moved as a whole, or its frame was set anew; the carrier's motion is told "
                "without it."
            )
        found += [f"Reference point {point} MOVED by itself." for point in network.moved_points]
    found += [
        f"Target {point} MOVED by itself: its outrigger or seat, not the carrier." for point in moved.moved_points
    ]
    found.append(
        f"The carrier {carrier.name} MOVED."
        if moved.moved
        else f"The carrier {carrier.name} did not move, as far as the surveys tell."
    )
    return tuple(found)
