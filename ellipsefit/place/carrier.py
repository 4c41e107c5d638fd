"""The carrier as designed: targets, mirror, mount, and where all of it should stand in the hall.

Lengths in m, angles in rad, temperatures in K. The carrier frame is the mirror frame at nominal alignment unless said
otherwise; the hall frame has x along the beam and z up. Errors name the key of the carrier file that they speak of.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.fit.result import EllipseFit
from ellipsefit.place.mount import Mount
from ellipsefit.place.pose import Pose

#: Reference temperature of dimensional metrology (ISO 1) [K].
REFERENCE_TEMPERATURE: Final = 293.15


def _sealed_vectors(item: object, *names: str) -> None:
    for name in names:
        value = np.asarray(getattr(item, name), dtype=np.float64)
        if value.shape != (3,) or not np.isfinite(value).all():
            raise ParameterError(f"{name} must be three finite numbers, x, y and z; got {getattr(item, name)!r}")
        object.__setattr__(item, name, sealed(value))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Target:
    """A point that is surveyed: a target of the carrier, or a reference point of the hall.

    Parameters
    ----------
    name : str
    position : array, shape (3,)
        In the carrier's frame at the reference temperature, or in the hall's [m].
    sigma : array, shape (3,)
        Standard uncertainty of it [m]; 0: known.
    """

    name: str
    position: FloatArray
    sigma: FloatArray = field(default_factory=lambda: np.zeros(3))

    def __post_init__(self) -> None:
        _sealed_vectors(self, "position", "sigma")
        if (self.sigma < 0).any():
            raise ParameterError(f"target '{self.name}': uncertainty must be 0 or more; got {self.sigma!r}")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredFoci:
    """Where the foci of the measured ellipse are, minus nominal, in the mirror frame's (x, z) [m]."""

    source: FloatArray  # (2,)
    image: FloatArray
    source_covariance: FloatArray  # (2, 2)
    image_covariance: FloatArray
    origin: str  # what they come from, for people
    height_known: bool = True  # False: slopes don't tell how high the mirror stands

    def __post_init__(self) -> None:
        for name in ("source", "image", "source_covariance", "image_covariance"):
            object.__setattr__(self, name, sealed(getattr(self, name)))

    @classmethod
    def of_fit(cls, fit: EllipseFit) -> MeasuredFoci:
        """Foci of a fitted ellipse in its pose."""
        return cls.of_answer(fit.to_dict(), f"fit of {fit.placed.name}")

    @classmethod
    def of_answer(cls, answer: Mapping[str, Any], origin: str) -> MeasuredFoci:
        """Foci from the machine-readable answer of a fit.

        Raises
        ------
        ParameterError
            If it is no such answer.
        """
        try:
            focus, theta = answer["focus"], float(answer["ellipse"]["theta"])
            parts = {name: _shift_of(focus, name, theta) for name in ("source", "image")}
        except (KeyError, TypeError, ValueError, AttributeError):
            raise ParameterError(
                f"{origin} is no answer of a fit; expected the JSON that 'ellipsefit fit --json' writes"
            ) from None
        return cls(
            source=parts["source"][0],
            image=parts["image"][0],
            source_covariance=parts["source"][1],
            image_covariance=parts["image"][1],
            origin=origin,
            height_known=focus["image_dz"] is not None,
        )


def _shift_of(focus: Mapping[str, Any], name: str, theta: float) -> tuple[FloatArray, FloatArray]:
    """Misplacement of one focus and its covariance; the variances in three directions give all of a 2 x 2 matrix."""
    shift = np.array([float(focus[f"{name}_dx"]), float(focus[f"{name}_dz"] or 0.0)])
    xx = float(focus[f"{name}_dx_stderr"] or 0.0) ** 2
    zz = float(focus[f"{name}_dz_stderr"] or 0.0) ** 2
    along = focus.get(f"{name}_along_stderr")
    cosine, sine = math.cos(theta), math.sin(theta) * (1 if name == "image" else -1)
    xz = 0.0
    if along and zz:
        xz = (float(along) ** 2 - cosine**2 * xx - sine**2 * zz) / (2 * cosine * sine)
        bound = math.sqrt(xx * zz)
        xz = min(max(xz, -bound), bound)
    return shift, np.array([[xx, xz], [xz, zz]])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MountedMirror:
    """The mirror on its carrier.

    Parameters
    ----------
    name : str
    nominal : Ellipse
        With both foci at a finite distance.
    pose : Pose
        Of the mirror frame in the carrier's.
    sigma : array, shape (6,)
        Standard uncertainty of that pose, shift [m] and rotation [rad].
    measured : MeasuredFoci, optional
        Where the foci of the measured ellipse are; by default the nominal ones.
    """

    name: str
    nominal: Ellipse
    pose: Pose = field(default_factory=Pose.identity)
    sigma: FloatArray = field(default_factory=lambda: np.zeros(6))
    measured: MeasuredFoci | None = None

    def __post_init__(self) -> None:
        if not (np.isfinite(self.nominal.p) and np.isfinite(self.nominal.q)):
            raise ParameterError(
                f"mirror '{self.name}' has a focus at infinity; expected finite source and image distances"
            )
        object.__setattr__(self, "sigma", sealed(self.sigma))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FocusTolerance:
    """How far the foci may be from nominal along hall x, y, z, shape (3,) each [m]; infinite: any distance."""

    source: FloatArray = field(default_factory=lambda: np.full(3, np.inf))
    image: FloatArray = field(default_factory=lambda: np.full(3, np.inf))

    def __post_init__(self) -> None:
        for name in ("source", "image"):
            value = np.asarray(getattr(self, name), dtype=np.float64)
            if value.shape != (3,) or not (value > 0).all():
                raise ParameterError(
                    f"tolerance of the {name} focus must be three lengths above 0, along hall x, y and z; "
                    f"got {getattr(self, name)!r}"
                )
            object.__setattr__(self, name, sealed(value))

    @property
    def stated(self) -> bool:
        """Whether anything is limited."""
        return bool(np.isfinite(self.source).any() or np.isfinite(self.image).any())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Carrier:
    """A carrier with its targets, its mirror and its mount.

    Parameters
    ----------
    name : str
    targets : tuple of Target
        In the carrier's frame at the reference temperature.
    mirror : MountedMirror
    nominal : Pose
        Of the carrier in the hall.
    references : tuple of Target
        Points of the hall that are surveyed, too.
    mount : Mount, optional
    tolerance : FocusTolerance
    expansion : float, optional
        Coefficient of expansion [1/K]; None: the carrier's size is taken as it is.
    reference_temperature : float
        At which the targets' positions hold [K].

    Raises
    ------
    ParameterError
        If a name stands twice.
    """

    name: str
    targets: tuple[Target, ...]
    mirror: MountedMirror
    nominal: Pose = field(default_factory=Pose.identity)
    references: tuple[Target, ...] = ()
    mount: Mount | None = None
    tolerance: FocusTolerance = field(default_factory=FocusTolerance)
    expansion: float | None = None
    reference_temperature: float = REFERENCE_TEMPERATURE

    def __post_init__(self) -> None:
        names = [target.name for target in (*self.targets, *self.references)]
        for name in names:
            if names.count(name) > 1:
                raise ParameterError(f"target '{name}' stands twice; expected each name once")

    def target(self, name: str) -> Target:
        """Target of that name."""
        return next(target for target in self.targets if target.name == name)

    def scale_at(self, temperature: float) -> float:
        """Size of the carrier at a temperature [K], relative to the reference temperature."""
        return 1.0 + (self.expansion or 0.0) * (temperature - self.reference_temperature)

    def mirror_point(self, point: FloatArray, scale: float = 1.0) -> FloatArray:
        """A point of the mirror frame, shape (..., 3), in the carrier's frame [m], expanded with the carrier."""
        return scale * self.mirror.pose.apply(point)

    def nominal_points(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Source focus, pole and image focus where they should be, in the hall, shape (3,) each [m]."""
        source, image = (in_space(focus) for focus in self.mirror.nominal.foci)
        return (
            self.nominal.apply(self.mirror_point(source)),
            self.nominal.apply(self.mirror_point(np.zeros(3))),
            self.nominal.apply(self.mirror_point(image)),
        )


def in_space(point: FloatArray) -> FloatArray:
    """Point (x, z) of the mirror's plane as (x, 0, z)."""
    return np.array([point[0], 0.0, point[1]])
