"""Scans made for the tests of stitching, with everything that was put in known."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from ellipsefit.ellipse import Ellipse
from ellipsefit.mirror import Mirror, Segment
from ellipsefit.scan import Orientation, Scan
from tests.rehearsal import ideal

Array = npt.NDArray[np.float64]
Curve = Callable[[Array], Array]
NOMINAL = Ellipse(12.0, 8.0, 20e-3)


def nothing(x: Array) -> Array:
    """No error."""
    return np.zeros_like(x)


def mirror_of(*spans: tuple[float, float], nominal: Ellipse = NOMINAL) -> Mirror:
    """Mirror with the segments that the spans say [m]."""
    return Mirror(
        name="Hazel",
        nominal=nominal,
        segments=tuple(Segment(name=f"S{n + 1}", start=a, end=b) for n, (a, b) in enumerate(spans)),
    )


@dataclass(frozen=True, kw_only=True)
class Campaign:
    """Scans of one length at given starts; all else is zero unless it is given."""

    starts: Sequence[float]  # x of the first point of each scan [m]
    points: int
    step: float  # of the points [m]
    figure: Curve = nothing  # mirror less nominal, of x
    guide: Curve = nothing  # of the carriage, 0 at a scan's start (for a turned mirror: at its end)
    heights: Sequence[float] | Array | None = None  # at the scan's middle [m]
    tilts: Sequence[float] | Array | None = None  # [rad]
    drift: Sequence[Curve] | None = None  # of time scaled to -1 ... 1
    noise: float = 0.0
    sigma: float | None = None  # as stated
    orientation: Sequence[Orientation] = field(default_factory=tuple)
    angle_stderr: float | None = None  # of angle readings, of all scans
    timed: bool = False
    carriage: bool = True
    quantity: Literal["height", "slope"] = "height"
    nominal: Ellipse = NOMINAL

    def scans(self, rng: np.random.Generator | None = None) -> list[Scan]:
        """The scans; with noise, a generator is needed."""
        made = []
        for number, start in enumerate(self.starts):
            x = start + self.step * np.arange(self.points, dtype=np.float64)
            facing: Orientation = self.orientation[number] if self.orientation else "normal"
            carriage = x - x[0] if facing != "end_for_end" else x[-1] - x
            # face down: height errors of the guide count against the mirror's; turned: its slopes do
            sign = -1.0 if facing == "face_down" or (facing == "end_for_end" and self.quantity == "slope") else 1.0
            tilt = 0.0 if self.tilts is None else float(self.tilts[number])
            nominal = (self.nominal.p, self.nominal.q, self.nominal.theta)
            values = np.real(ideal(self.quantity, x, *nominal)) + self.figure(x) + sign * self.guide(carriage)
            if self.quantity == "height":
                values = values + tilt * (x - (x[0] + x[-1]) / 2)
                values = values + (0.0 if self.heights is None else float(self.heights[number]))
            else:
                values = values + tilt
            if self.drift is not None:
                values = values + self.drift[number](np.linspace(-1.0, 1.0, self.points))
            angle = None
            if self.angle_stderr is not None:
                angle = tilt if rng is None else tilt + float(rng.normal(0.0, self.angle_stderr))
            if self.noise:
                assert rng is not None
                values = values + rng.normal(0.0, self.noise, self.points)
            made.append(
                Scan(
                    name=f"scan {number + 1}",
                    quantity=self.quantity,
                    x=x,
                    values=values,
                    sigma=None if self.sigma is None else np.full(self.points, self.sigma),
                    carriage=carriage if self.carriage else None,
                    time=np.arange(self.points, dtype=np.float64) * 0.2 + 300.0 * number if self.timed else None,
                    orientation=facing,
                    angle=angle,
                    angle_stderr=self.angle_stderr,
                )
            )
        return made


def less(x: Array, values: Array, degree: int) -> Array:
    """Values less their best polynomial of that degree."""
    t = (x - x.mean()) / np.ptp(x)
    columns = np.vander(t, degree + 1)
    return np.asarray(values - columns @ np.linalg.lstsq(columns, values, rcond=None)[0])


def error_of(profile: Any, figure: Curve, nominal: Ellipse = NOMINAL) -> Array:
    """Stitched profile less the mirror that was put in."""
    truth = np.real(ideal(profile.quantity, profile.x, nominal.p, nominal.q, nominal.theta)) + figure(profile.x)
    return np.asarray(profile.values - truth)


def covariance_of(profile: Any) -> Array:
    """Whole covariance of a profile, shape (K, K)."""
    factor = np.asarray(profile.covariance_factor)
    return np.asarray(factor @ factor.T + np.diag(np.asarray(profile.sigma) ** 2))
