"""Invented carriers and their halls, with a known truth: the demo, and what tests need at real size."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.place.carrier import Carrier, FocusTolerance, MountedMirror, Target
from ellipsefit.place.drift import DAY, YEAR
from ellipsefit.place.mount import Contact, Mount
from ellipsefit.place.pose import Pose
from ellipsefit.place.rigid import block_diagonal
from ellipsefit.place.survey import Survey

#: Seed of the demo: the same numbers on every machine.
HALLS_SEED: Final = 2031
#: First survey of the demo.
FIRST_SURVEY: Final = datetime(2021, 2, 10, 9, 0, tzinfo=UTC)
_SLANT: Final = float(np.sqrt(0.5))


def invented_mount(*, length: float = 5.6, width: float = 0.6) -> Mount:
    """Flat, line and point: one contact beneath, a pair at 45 degrees, wedges spread over the width, and a stop.

    Parameters
    ----------
    length : float
        From the line to the point, along the beam [m].
    width : float
        From one wedge to the other, and from the beam to the flat [m].
    """
    half = length / 2

    def wheel(name: str, point: tuple[float, float, float], normal: tuple[float, float, float]) -> Contact:
        return Contact(
            name=name,
            point=np.array(point),
            normal=np.array(normal),
            eccentricity=2e-3,
            range=(-np.radians(75.0), np.radians(75.0)),
            wheel_radius=30e-3,
            resolution=np.radians(0.05),
        )

    return Mount(
        contacts=(
            wheel("line left", (-half, 0.05, -0.4), (0.0, -_SLANT, _SLANT)),
            wheel("line right", (-half, -0.05, -0.4), (0.0, _SLANT, _SLANT)),
            wheel("wedge left", (half, width / 2, -0.4), (0.0, -_SLANT, _SLANT)),
            wheel("wedge right", (half, -width / 2, -0.4), (0.0, _SLANT, _SLANT)),
            wheel("flat", (0.3 * half, width, -0.4), (0.0, 0.0, 1.0)),
            Contact(name="stop", point=np.array([-half, 0.0, -0.35]), normal=np.array([1.0, 0.0, 0.0]), preload=800.0),
        ),
        mass=1900.0,
        centre_of_gravity=np.array([0.1, 0.1, -0.05]),
        friction=0.1,
    )


def invented_carrier(
    *, name: str = "Heron", nominal: Ellipse | None = None, position: tuple[float, float, float] = (30.0, 0.0, 1.25)
) -> Carrier:
    """Carrier with eight outrigger targets and six reference points on the hall's walls and floor."""
    ellipse = Ellipse(13.0, 8.5, 19e-3) if nominal is None else nominal
    places = [
        (-4.62, -0.52, 0.31),
        (-4.58, 0.47, 0.29),
        (-1.63, -0.61, -0.28),
        (-1.57, 0.58, 0.33),
        (1.71, -0.57, 0.30),
        (1.66, 0.62, -0.31),
        (4.55, -0.49, -0.27),
        (4.66, 0.53, 0.28),
    ]
    targets = tuple(
        Target(name=f"T{number}", position=np.array(place), sigma=np.full(3, 10e-6))
        for number, place in enumerate(places, 1)
    )
    x, y, z = position
    walls = [
        (-7.1, -3.2, 0.9),
        (-6.8, 3.3, 1.6),
        (0.4, -3.4, 2.3),
        (-0.2, 3.1, -0.6),
        (7.3, -3.1, 1.2),
        (6.9, 3.4, 0.3),
    ]
    references = tuple(
        Target(name=f"{name[0]}{number}", position=np.array([x + a, y + b, z + c]), sigma=np.full(3, 20e-6))
        for number, (a, b, c) in enumerate(walls, 1)
    )
    return Carrier(
        name=name,
        targets=targets,
        references=references,
        mirror=MountedMirror(
            name=name, nominal=ellipse, sigma=np.array([10e-6, 10e-6, 5e-6, 20e-6, 1e-6, 2e-6]), pose=Pose.identity()
        ),
        nominal=Pose(np.array(position), np.zeros(3)),
        mount=invented_mount(),
        tolerance=FocusTolerance(source=np.array([20e-3, 600e-6, 600e-6]), image=np.array([20e-3, 600e-6, 300e-6])),
        expansion=12e-6,
    )


def invented_pair() -> tuple[Carrier, Carrier]:
    """Two carriers in a row: the image focus of the first is the source of the second."""
    first = invented_carrier()
    shared = first.nominal_points()[2]
    ellipse = Ellipse(9.0, 6.0, 21e-3)
    second = invented_carrier(name="Plover", nominal=ellipse)
    # the second mirror sends the beam back down to level: it hangs face down, and its source is the shared focus
    direction = shared - first.nominal_points()[1]
    slope = float(np.arctan2(direction[2], direction[0]))
    pitch = slope - ellipse.theta
    flip = Pose(np.zeros(3), np.array([np.pi, 0.0, 0.0]))
    turn = Pose(np.zeros(3), np.array([0.0, -pitch, 0.0])) @ flip
    source = np.array([-ellipse.p * np.cos(ellipse.theta), 0.0, ellipse.p * np.sin(ellipse.theta)])
    # carrier level, mirror turned upon it
    pole = shared - turn.apply(source)
    carrier = replace(
        second,
        nominal=Pose(pole, np.zeros(3)),
        mirror=replace(second.mirror, pose=turn),
        references=tuple(
            replace(point, name=f"P{number}", position=point.position - np.array([30.0, 0.0, 1.25]) + pole)
            for number, point in enumerate(second.references, 1)
        ),
    )
    return first, carrier


@dataclass(frozen=True, slots=True, kw_only=True)
class Floor:
    """How an invented hall moves its carrier: each a row of shift z [m], shift y [m], pitch, yaw, roll [rad]."""

    annual: FloatArray  # (5,)
    half_annual: FloatArray  # (5,)
    phase: FloatArray  # (2,) of the two waves [rad]
    trend: FloatArray  # (5,) a year
    walk: FloatArray  # (5,) a root year
    step: FloatArray  # (5,)
    step_time: float  # [s] after the first survey; infinite: none


def invented_floor(rng: np.random.Generator, *, step: bool = False) -> Floor:
    """Draw how a hall moves."""
    size = np.array([1.0, 0.5, 0.12, 0.06, 0.2])
    return Floor(
        annual=size * 65e-6 * rng.uniform(0.7, 1.3, 5) * rng.choice([-1, 1], 5),
        half_annual=size * 25e-6 * rng.uniform(0.5, 1.5, 5),
        phase=rng.uniform(-0.5, 0.5, 2) + np.array([0.6, 2.0]),
        trend=size * 20e-6 * rng.normal(0, 1, 5),
        walk=size * 35e-6,
        step=size * np.array([260e-6, 0, 0, 0, 0]),
        step_time=1.85 * YEAR if step else np.inf,
    )


def floor_motion(floor: Floor, time: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Motion of the floor at times [s], shape (T, 5), zero at the first: shift z, y [m], pitch, yaw, roll [rad]."""
    phase = 2 * np.pi * time[:, None] / YEAR
    waves = floor.annual * np.cos(phase - floor.phase[0]) + floor.half_annual * np.cos(2 * phase - floor.phase[1])
    gaps = np.diff(time, prepend=time[0]) / YEAR
    walk = np.cumsum(rng.normal(0, 1, (len(time), 5)) * np.sqrt(gaps)[:, None] * floor.walk, axis=0)
    motion = waves + floor.trend * time[:, None] / YEAR + walk + floor.step * (time > floor.step_time)[:, None]
    return np.asarray(motion - motion[0])


def floor_pose(carrier: Carrier, motion: FloatArray, start: Pose | None = None) -> Pose:
    """Where a floor that moved so carries the carrier: about its own place in the hall."""
    z, y, pitch, yaw, roll = motion
    start = carrier.nominal if start is None else start
    return start.moved(np.array([0.0, y, z, roll, -pitch, yaw]))


def simulate_survey(
    carrier: Carrier,
    pose: Pose,
    rng: np.random.Generator,
    *,
    sigma: float = 30e-6,
    temperature: float = 293.15,
    time: datetime | None = None,
    name: str = "survey",
    fiducials: FloatArray | None = None,
    references: bool = True,
) -> Survey:
    """Survey of a carrier that stands at a pose.

    Parameters
    ----------
    carrier, pose
        The carrier and where it stands in the hall.
    rng : Generator
    sigma : float
        Standard uncertainty of a coordinate [m].
    temperature : float
        Of the carrier [K].
    time : datetime, optional
    name : str
    fiducials : array, shape (N, 3), optional
        Where the targets really are on the carrier; by default as the file says.
    references : bool
        Whether the hall's reference points are surveyed, too.
    """
    places = np.array([target.position for target in carrier.targets]) if fiducials is None else fiducials
    points = [target.name for target in carrier.targets]
    found = pose.apply(places * carrier.scale_at(temperature))
    if references and carrier.references:
        points += [target.name for target in carrier.references]
        found = np.vstack([found, [target.position for target in carrier.references]])
    count = len(points)
    return Survey(
        name=name,
        points=tuple(points),
        coordinates=found + rng.normal(0, sigma, (count, 3)),
        covariance=block_diagonal(np.tile(np.eye(3) * sigma**2, (count, 1, 1))),
        temperature=temperature,
        time=time,
        carrier=carrier.name,
    )


def demo_halls(*, years: int = 4, every: int = 91) -> tuple[tuple[Carrier, ...], tuple[tuple[Survey, ...], ...]]:
    """Two carriers in a row, each surveyed quarterly over four invented years.

    The first hall made a step in its second winter, and its carrier was realigned once, in the third year.

    Returns
    -------
    carriers, surveys
        Two carriers; for each its surveys in order of time.
    """
    rng = np.random.default_rng(HALLS_SEED)
    carriers = invented_pair()
    count = int(years * 365.25 // every) + 1
    series = []
    for number, carrier in enumerate(carriers):
        floor = invented_floor(rng, step=number == 0)
        days = np.arange(count) * every + rng.integers(-6, 7, count) + 2 * number
        days[0] = 2 * number
        time = np.asarray(days * DAY, dtype=np.float64)
        motion = floor_motion(floor, time, rng)
        places = np.array([target.position for target in carrier.targets])
        places = places + rng.normal(0, 10e-6, places.shape)
        start = carrier.nominal.moved(np.concatenate([rng.normal(0, 40e-6, 3), rng.normal(0, 8e-6, 3)]))
        surveys = []
        for place, (day, row) in enumerate(zip(days, motion, strict=True)):
            when = FIRST_SURVEY + timedelta(days=int(day))
            warm = 293.15 + 1.3 - 2.4 * np.cos(2 * np.pi * (when.timetuple().tm_yday - 20) / 365.25)
            survey = simulate_survey(
                carrier,
                floor_pose(carrier, row, start),
                rng,
                temperature=round(float(warm + rng.normal(0, 0.2)), 2),
                time=when,
                name=f"{carrier.name.lower()}_{when:%Y-%m}",
                fiducials=places,
            )
            surveys.append(survey)
            if number == 0 and place == 10:  # realigned to nominal; the next survey says so
                start = carrier.nominal.moved(-start.twist_to(floor_pose(carrier, row, start)))
            if number == 0 and place == 11:
                surveys[-1] = replace(survey, moved=True)
        series.append(tuple(surveys))
    return carriers, (series[0], series[1])
