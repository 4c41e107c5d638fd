"""Invented mirrors with a known truth, to rehearse on: the demo, and what tests need at real size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.mirror import Adjuster, Measurement, Mirror, Segment, Tolerance
from ellipsefit.profile import Profile

#: Seed of the demo: the same numbers on every machine.
DEMO_SEED = 2026
#: Share of a correlation length within which the neighbours of a point count in the simulated figure.
_REACH = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HiddenState:
    """How an invented mirror really stands: what a fit should find.

    `ellipse` in its pose (`height` at x = 0 [m], `tilt` [rad]); each segment's height at its middle [m] and
    tilt [rad] on top.
    """

    ellipse: Ellipse
    height: float
    tilt: float
    segment_height: tuple[float, ...]
    segment_tilt: tuple[float, ...]


def invented_mirror(
    *,
    name: str = "Heron",
    nominal: Ellipse | None = None,
    segments: int = 14,
    length: float = 7.0,
    gap: float = 4e-3,
    lever: float = 0.28,
    travel: float = 150e-6,
    resolution: float = 0.5e-6,
) -> Mirror:
    """Mirror of equal segments about the pole, two adjusters each.

    Parameters
    ----------
    name : str
    nominal : Ellipse, optional
        By default p = 13 m, q = 8.5 m, theta = 19 mrad.
    segments : int
        Number of segments, >= 1.
    length : float
        From the start of the first to the end of the last [m], gaps included.
    gap : float
        Between neighbours [m].
    lever : float
        Distance of the adjusters from the middle, as a share of the segment's length.
    travel, resolution : float
        Of each adjuster [m], travel to both sides of zero.
    """
    pitch = (length + gap) / segments
    parts = []
    for number in range(segments):
        start = -length / 2 + number * pitch
        end = start + pitch - gap
        middle, arm = (start + end) / 2, lever * (end - start)
        adjusters = tuple(
            Adjuster(
                name=label,
                x=round(middle + side * arm, 6),
                travel=(-travel, travel),
                resolution=resolution,
                backlash=2e-6,
                raises="clockwise",
                pitch_per_turn=250e-6,
            )
            for label, side in (("U", -1), ("D", 1))
        )
        parts.append(
            Segment(name=f"S{number + 1:02d}", start=round(start, 6), end=round(end, 6), edge=2e-3, adjusters=adjusters)
        )
    return Mirror(
        name=name,
        nominal=Ellipse(13.0, 8.5, 19e-3) if nominal is None else nominal,
        segments=tuple(parts),
        tolerance=Tolerance(
            source_distance=20e-3, image_distance=20e-3, grazing_angle=30e-6, segment_height=2e-6, segment_tilt=10e-6
        ),
        measurement=Measurement(x_uncertainty=0.5e-3),
        deflection="up",
    )


def hidden_state(
    mirror: Mirror,
    rng: np.random.Generator,
    *,
    spread_height: float = 5e-6,
    spread_tilt: float = 20e-6,
    height: float = 180e-6,
    tilt: float = -90e-6,
    change: tuple[float, float, float] = (6e-3, -4e-3, 12e-6),
) -> HiddenState:
    """Draw how a mirror stands: segments Gaussian about a pose of the carrier, the ellipse off by `change`."""
    nominal, count = mirror.nominal, len(mirror.segments)
    return HiddenState(
        ellipse=Ellipse(nominal.p + change[0], nominal.q + change[1], nominal.theta + change[2]),
        height=height,
        tilt=tilt,
        segment_height=tuple(float(value) for value in rng.normal(0.0, spread_height, count)),
        segment_tilt=tuple(float(value) for value in rng.normal(0.0, spread_tilt, count)),
    )


def simulate_profile(
    mirror: Mirror,
    state: HiddenState,
    rng: np.random.Generator,
    *,
    step: float = 2e-3,
    noise: float = 60e-9,
    figure: float = 100e-9,
    correlation_length: float = 40e-3,
    quantity: str = "height",
) -> Profile:
    """Measure an invented mirror.

    Parameters
    ----------
    mirror, state
        The mirror and how it stands.
    rng : numpy.random.Generator
        Source of noise and figure error.
    step : float
        Distance of points [m]; the first stands half a step inside each segment.
    noise : float
        White noise, standard deviation [m, rad].
    figure, correlation_length : float
        Standard deviation [m, rad] and length [m] of a stationary figure error with Gaussian covariance
        along each segment, made as a moving average of white noise.
    quantity : {'height', 'slope'}

    Returns
    -------
    Profile
        In the mirror frame's axis, with sigma = noise and the segment of each point.
    """
    if quantity not in ("height", "slope"):
        raise ParameterError(f"quantity must be height or slope; got {quantity!r}")
    x, values, names = [], [], []
    parts = zip(mirror.segments, state.segment_height, state.segment_tilt, strict=True)
    for segment, height, tilt in parts:
        count = round(segment.length / step)
        place = segment.start + (np.arange(count) + 0.5) * (segment.length / count)
        own = _smooth_noise(count, correlation_length / (segment.length / count), rng) * figure
        if quantity == "height":
            ideal = state.ellipse.height(place) + state.height + state.tilt * place
            ideal = ideal + height + tilt * (place - segment.middle)
        else:
            ideal = state.ellipse.slope(place) + state.tilt + tilt
        x.append(place)
        values.append(ideal + own + rng.normal(0.0, noise, count))
        names.append(np.full(count, segment.name))
    points = np.concatenate(x)
    return Profile(
        name=f"simulated {mirror.name}",
        quantity="height" if quantity == "height" else "slope",
        x=points,
        values=np.concatenate(values),
        sigma=np.full(len(points), noise) if noise > 0 else None,
        segment=np.concatenate(names),
        frame="mirror",
    )


def _smooth_noise(count: int, length: float, rng: np.random.Generator) -> FloatArray:
    """Unit-variance noise with covariance exp(-(d / length)**2 / 2), d in steps, shape (count,)."""
    if length <= 0:
        return rng.normal(size=count)
    from scipy.signal import fftconvolve

    reach = int(np.ceil(_REACH * length))
    distance = np.arange(-reach, reach + 1) / length
    kernel = np.exp(-(distance**2))  # its own correlation is the wanted covariance
    kernel /= np.sqrt(kernel @ kernel)
    smooth: FloatArray = fftconvolve(rng.normal(size=count + 2 * reach), kernel, "valid")
    return smooth


def demo_mirror() -> tuple[Mirror, Profile, HiddenState]:
    """The demo: the invented mirror Heron, its profile, and the truth behind it."""
    rng = np.random.default_rng(DEMO_SEED)
    mirror = invented_mirror()
    state = hidden_state(mirror, rng)
    return mirror, simulate_profile(mirror, state, rng), state
