"""What several tests share: rehearsal mirrors with their truth, ideal curves of our own, exact mirrors."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt

from ellipsefit.ellipse import Ellipse
from ellipsefit.files import read_mirror, read_profile
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.fit.prior import Parameter
from ellipsefit.mirror import Adjuster, Measurement, Mirror, Segment, Tolerance
from ellipsefit.profile import PlacedProfile, Profile, place_profile

Array = npt.NDArray[np.float64]
DATA = Path(__file__).parent / "data"
PARAMETERS: Final[tuple[Parameter, ...]] = ("p", "q", "theta")


@dataclass(frozen=True, kw_only=True)
class Rehearsal:
    """An invented mirror, its simulated profile and what was put in."""

    mirror: Mirror
    placed: PlacedProfile
    truth: dict[str, Any]

    @property
    def true_parameters(self) -> Array:
        """p [m], q [m], theta [rad] that the profile was made with."""
        return np.array([self.truth["ellipse"][name] for name in PARAMETERS])


@cache
def rehearsal(name: str) -> Rehearsal:
    """Alder, cedar or dogwood."""
    home = DATA / name
    mirror = read_mirror(home / "mirror.toml")
    placed = place_profile(read_profile(home / "profile.csv"), mirror)
    return Rehearsal(mirror=mirror, placed=placed, truth=json.loads((home / "truth.json").read_text()))


@cache
def default_fit(name: str) -> EllipseFit:
    """The fit of a rehearsal mirror, left to itself."""
    return fit_ellipse(rehearsal(name).placed)


def ideal(quantity: str, x: Array, p: complex, q: complex, theta: complex) -> npt.NDArray[Any]:
    """Height or slope of the ellipse by the published closed form.

    The root of r1 + r2 = p + q, squared twice (K. A. Goldberg, J. Synchrotron Rad. 29 (2022) 991-996, has
    the same), and the derivative of that quadratic (1 - k**2) z**2 - 2 B z + s**2 x**2 = 0. Both are
    analytic, so that complex arguments serve for derivatives.
    """
    s, c, total = np.sin(theta), np.cos(theta), p + q
    kappa = s * (p - q) / total
    b = 2 * p * q * s / total - kappa * c * x
    z = s**2 * x**2 / (b + np.sqrt(b**2 - (1 - kappa**2) * s**2 * x**2))
    return np.asarray(z if quantity == "height" else (s**2 * x + kappa * c * z) / (b - (1 - kappa**2) * z))


def ideal_partials(quantity: str, x: Array, parameters: Sequence[float] | Array) -> Array:
    """Derivatives of `ideal` with respect to p, q, theta, shape (N, 3), by the complex step.

    W. Squire and G. Trapp, SIAM Review 40 (1998) 110-112: no difference is formed, so no digit is lost.
    """
    columns = []
    for index in range(3):
        moved = np.array(parameters, dtype=complex)
        step = 1e-20 * abs(moved[index])
        moved[index] += 1j * step
        columns.append(ideal(quantity, x, *moved).imag / step)
    return np.column_stack(columns)


def segment_columns(placed: PlacedProfile) -> Array:
    """Height and tilt (for slopes: tilt) of every measured segment at the points, shape (N, J r)."""
    columns = []
    for number in placed.measured:
        inside = (placed.index == number).astype(float)
        if placed.quantity == "height":
            columns += [inside, inside * (placed.x - placed.mirror.segments[number].middle)]
        else:
            columns.append(inside)
    return np.column_stack(columns)


def even_mirror(
    nominal: Ellipse,
    *,
    count: int,
    pitch: float,
    gap: float = 4e-3,
    travel: tuple[float, float] = (-60e-6, 60e-6),
    position: float = 0.0,
    resolution: float = 0.0,
    adjusters: int = 2,
    tolerance: Tolerance | None = None,
    x_uncertainty: float = 0.0,
) -> Mirror:
    """Mirror of equal segments about the pole, with adjusters evenly spread over the middle half of each."""
    segments = []
    for number in range(count):
        middle = (number - (count - 1) / 2) * pitch
        places = middle + pitch * (np.linspace(-0.25, 0.25, adjusters) if adjusters > 1 else np.zeros(adjusters))
        segments.append(
            Segment(
                name=f"S{number + 1:02d}",
                start=middle - (pitch - gap) / 2,
                end=middle + (pitch - gap) / 2,
                adjusters=tuple(
                    Adjuster(name=f"A{i + 1}", x=float(x), travel=travel, position=position, resolution=resolution)
                    for i, x in enumerate(places)
                ),
            )
        )
    return Mirror(
        name="Rowan",
        nominal=nominal,
        segments=tuple(segments),
        tolerance=tolerance or Tolerance(),
        measurement=Measurement(x_uncertainty=x_uncertainty),
    )


def made_profile(
    mirror: Mirror,
    parameters: Sequence[float],
    *,
    pose: tuple[float, float] = (0.0, 0.0),
    lifts: Sequence[float] | Array | None = None,
    tilts: Sequence[float] | Array | None = None,
    points: int = 61,
    quantity: Literal["height", "slope"] = "height",
    sigma: float | None = 1e-7,
    noise: Array | None = None,
    shift: float = 0.0,
    skip: Sequence[int] = (),
) -> PlacedProfile:
    """Profile of an ellipse in a pose (height at x = 0, tilt) with misplaced segments; exact without noise.

    `shift`: how far the reported x is off. `skip`: segments without points.
    """
    count = len(mirror.segments)
    lifts = np.zeros(count) if lifts is None else np.asarray(lifts)
    tilts = np.zeros(count) if tilts is None else np.asarray(tilts)
    xs, values = [], []
    for number, (segment, lift, tilt) in enumerate(zip(mirror.segments, lifts, tilts, strict=True)):
        if number in skip:
            continue
        x = np.linspace(segment.start, segment.end, points)
        true = x - shift
        curve = ideal(quantity, true, *parameters)
        if quantity == "height":
            curve = curve + pose[0] + pose[1] * true + lift + tilt * (x - segment.middle)
        else:
            curve = curve + pose[1] + tilt
        xs.append(x)
        values.append(curve)
    x, z = np.concatenate(xs), np.concatenate(values)
    profile = Profile(
        name="made",
        quantity=quantity,
        x=x,
        values=z if noise is None else z + noise,
        sigma=None if sigma is None else np.full(len(x), sigma),
        frame="mirror",
    )
    return place_profile(profile, mirror)
