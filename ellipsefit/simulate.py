"""Invented mirrors with a known truth, to rehearse on: the demo, and what tests need at real size."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.mirror import Adjuster, Measurement, Mirror, Segment, Tolerance
from ellipsefit.profile import Profile
from ellipsefit.scan import Scan

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
                x=_whole_um(middle + side * arm),
                travel=(-travel, travel),
                resolution=resolution,
                backlash=2e-6,
                raises="clockwise",
                pitch_per_turn=250e-6,
            )
            for label, side in (("U", -1), ("D", 1))
        )
        name_ = f"S{number + 1:02d}"
        parts.append(Segment(name=name_, start=_whole_um(start), end=_whole_um(end), edge=2e-3, adjusters=adjusters))
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


def _whole_um(value: float) -> float:
    """Length rounded to a micrometre, as a file in mm gives it."""
    return round(value * 1e3, 3) / 1e3


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
        own = smooth_noise(count, correlation_length / (segment.length / count), rng) * figure
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


def smooth_noise(count: int, length: float, rng: np.random.Generator) -> FloatArray:
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


def simulate_scans(
    mirror: Mirror,
    state: HiddenState,
    rng: np.random.Generator,
    *,
    reach: float = 2.5,
    places: int = 7,
    step: float = 2e-3,
    noise: float = 60e-9,
    figure: float = 100e-9,
    correlation_length: float = 40e-3,
    guide: float = 300e-9,
    guide_length: float = 0.3,
    drift: float = 20e-9,
    spikes: int = 12,
    invalid: int = 10,
    angle_stderr: float | None = 0.5e-6,
) -> tuple[Scan, ...]:
    """Raw scans of heights over an invented mirror, forward and backward at each of several places.

    Parameters
    ----------
    mirror, state, rng
        As for `simulate_profile`.
    reach : float
        Travel of the carriage [m].
    places : int
        Places of the guide along the mirror, at unequal steps.
    step, noise : float
        Distance of points and white noise [m].
    figure, correlation_length : float
        Of the mirror's own error, as for `simulate_profile` [m].
    guide, guide_length : float
        Standard deviation and correlation length of the guide's straightness error [m].
    drift : float
        Standard deviation of a parabola in time over each scan [m].
    spikes, invalid : int
        Points in all that stray by 1 um to 8 um, and that are NaN.
    angle_stderr : float, optional
        Standard uncertainty of an independent reading of each scan's tilt [rad]; None: no readings.

    Returns
    -------
    tuple of Scan
        x is that of the mirror; each scan has a height and a tilt of its own.
    """
    grid, surface, names = _surface(mirror, state, step, figure, correlation_length, rng)
    first, last = mirror.span
    room = last - first - reach
    starts = first + room * np.linspace(0.0, 1.0, places) if places > 1 else np.array([first + room / 2])
    starts[1:-1] += rng.uniform(-0.2, 0.2, max(places - 2, 0)) * room / max(places - 1, 1)
    fine = np.arange(0.0, reach + step, step / 2)
    straightness = guide * smooth_noise(len(fine), 2 * guide_length / step, rng)
    scans = []
    for number in range(2 * places):
        start = starts[number // 2]
        inside = (grid >= start - 1e-9) & (grid <= start + reach + 1e-9)
        x, values = grid[inside], surface[inside]
        carriage = np.clip(x - start, 0.0, reach)
        height, tilt = rng.normal(0.0, 30e-6), rng.normal(0.0, 30e-6)
        along = 2 * (x - x[0]) / np.ptp(x) - 1
        values = values + height + tilt * (x - (x[0] + x[-1]) / 2) + np.interp(carriage, fine, straightness)
        values = values + rng.normal(0.0, drift) * (1.5 * along**2 - 0.5) + rng.normal(0.0, noise, len(x))
        backward = number % 2 == 1
        turn = slice(None, None, -1) if backward else slice(None)
        scans.append(
            Scan(
                name=f"scan_{number + 1:02d}",
                quantity="height",
                x=x[turn],
                values=values[turn],
                sigma=np.full(len(x), noise),
                carriage=carriage[turn],
                time=0.5 / step * np.abs(x[turn] - x[turn][0]),  # gaps between segments take their time, too
                segment=names[inside][turn],
                direction="backward" if backward else "forward",
                angle=None if angle_stderr is None else float(tilt + rng.normal(0.0, angle_stderr)),
                angle_stderr=angle_stderr,
            )
        )
    return _spoiled(scans, spikes, invalid, rng)


def _surface(
    mirror: Mirror,
    state: HiddenState,
    step: float,
    figure: float,
    correlation_length: float,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray, np.ndarray[tuple[int], np.dtype[np.str_]]]:
    """Positions on one grid, true heights and segment names, edges included."""
    x, heights, names = [], [], []
    for segment, height, tilt in zip(mirror.segments, state.segment_height, state.segment_tilt, strict=True):
        place = np.arange(np.ceil(segment.start / step), np.floor(segment.end / step) + 1) * step
        own = figure * smooth_noise(len(place), correlation_length / step, rng)
        x.append(place)
        heights.append(
            state.ellipse.height(place)
            + state.height
            + state.tilt * place
            + height
            + tilt * (place - segment.middle)
            + own
        )
        names.append(np.full(len(place), segment.name))
    return np.concatenate(x), np.concatenate(heights), np.concatenate(names)


def _spoiled(scans: list[Scan], spikes: int, invalid: int, rng: np.random.Generator) -> tuple[Scan, ...]:
    """Scans with single points that stray or are missing, somewhere."""
    values = [scan.values.copy() for scan in scans]
    for _ in range(spikes):
        scan = int(rng.integers(len(scans)))
        place = int(rng.integers(5, len(values[scan]) - 5))
        values[scan][place] += rng.choice([-1.0, 1.0]) * rng.uniform(1e-6, 8e-6)
    for _ in range(invalid):
        scan = int(rng.integers(len(scans)))
        values[scan][int(rng.integers(len(values[scan])))] = np.nan
    return tuple(replace(scan, values=mine) for scan, mine in zip(scans, values, strict=True))


def demo_mirror() -> tuple[Mirror, Profile, HiddenState]:
    """The invented mirror Heron, a profile of it, and the truth behind it."""
    rng = np.random.default_rng(DEMO_SEED)
    mirror = invented_mirror()
    state = hidden_state(mirror, rng)
    return mirror, simulate_profile(mirror, state, rng), state


def demo_scans() -> tuple[Mirror, tuple[Scan, ...], HiddenState]:
    """The demo: the invented mirror Heron, raw scans of it, and the truth behind them."""
    rng = np.random.default_rng(DEMO_SEED)
    mirror = invented_mirror()
    state = hidden_state(mirror, rng)
    return mirror, simulate_scans(mirror, state, rng), state
