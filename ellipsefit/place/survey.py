"""What a survey measured, and how its stations are joined to one set of hall coordinates."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final, Literal

import numpy as np
from scipy import linalg
from scipy.special import chdtrc

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.place.carrier import Carrier, Target
from ellipsefit.place.pose import Pose, point_jacobian, rotation_matrix
from ellipsefit.place.rigid import FEWEST, block_diagonal, check_points, closed_pose

SurveyFrame = Literal["hall", "station"]
#: Probability of residuals as large or larger below which stations or stated uncertainties are called in question.
DOUBT: Final = 1e-3
#: Standard uncertainty of a coordinate until residuals tell another, where none is stated [m].
UNSTATED: Final = 30e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Survey:
    """Coordinates of targets, from one or several stations.

    Parameters
    ----------
    name : str
        For messages, such as the file's name.
    points : tuple of str, length N
        Target of each row.
    coordinates : array, shape (N, 3)
        [m].
    covariance : array, shape (3 N, 3 N), optional
        Of `coordinates` [m^2]; None: not stated.
    stations : tuple of str, length N
        From which each row was measured.
    frame : {'hall', 'station'}
        Whether coordinates are in the hall frame already, or each station's are in a frame of its own, which the
        reference points tie to the hall.
    temperature : float, optional
        Of the carrier [K].
    time : datetime, optional
        With time zone.
    carrier : str, optional
        Name of the carrier that was surveyed.
    moved : bool
        Whether the carrier was moved on purpose since the survey before.
    """

    name: str
    points: tuple[str, ...]
    coordinates: FloatArray
    covariance: FloatArray | None = None
    stations: tuple[str, ...] = ()
    frame: SurveyFrame = "hall"
    temperature: float | None = None
    time: datetime | None = None
    carrier: str | None = None
    moved: bool = False

    def __post_init__(self) -> None:
        count = len(self.points)
        if not self.stations:
            object.__setattr__(self, "stations", ("",) * count)
        coordinates = np.asarray(self.coordinates, dtype=np.float64)
        if coordinates.shape != (count, 3) or not count:
            raise ParameterError(f"{self.name}: coordinates must have a row of x, y, z for each of {count} points")
        if not np.isfinite(coordinates).all():
            raise ParameterError(f"{self.name}: coordinates must be finite")
        if len(self.stations) != count:
            raise ParameterError(f"{self.name}: stations must name one for each of {count} points")
        object.__setattr__(self, "coordinates", sealed(coordinates))
        if self.covariance is not None:
            covariance = np.asarray(self.covariance, dtype=np.float64)
            if covariance.shape != (3 * count, 3 * count) or not np.isfinite(covariance).all():
                raise ParameterError(f"{self.name}: covariance must be finite, of shape {(3 * count, 3 * count)}")
            try:
                linalg.cholesky(covariance)
            except linalg.LinAlgError:
                raise ParameterError(
                    f"{self.name}: covariance must be positive definite, every uncertainty above 0 and every "
                    "correlation between -1 and 1"
                ) from None
            object.__setattr__(self, "covariance", sealed((covariance + covariance.T) / 2))
        for point, station in zip(self.points, self.stations, strict=True):
            pair = list(zip(self.points, self.stations, strict=True))
            if pair.count((point, station)) > 1:
                where = f" by station '{station}'" if station else ""
                raise ParameterError(f"{self.name}: target '{point}' was measured twice{where}; expected once")
        if self.time is not None and self.time.tzinfo is None:
            raise ParameterError(f"{self.name}: time must have a time zone, such as 2026-04-14T09:30+00:00")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Located:
    """Points in the hall frame, each once, joined from all stations."""

    names: tuple[str, ...]
    coordinates: FloatArray  # (N, 3) [m]
    covariance: FloatArray  # (3 N, 3 N) [m^2]
    warnings: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        for name in ("coordinates", "covariance"):
            object.__setattr__(self, name, sealed(getattr(self, name)))

    def part(self, names: Sequence[str]) -> tuple[FloatArray, FloatArray]:
        """Coordinates and covariance of some points, in that order."""
        rows = np.array([self.names.index(name) for name in names], dtype=np.intp)
        entries = (3 * rows[:, None] + np.arange(3)).ravel()
        return self.coordinates[rows], self.covariance[np.ix_(entries, entries)]


def check_names(survey: Survey, carrier: Carrier) -> None:
    """Refuse a survey with points that the carrier file does not know.

    Raises
    ------
    DataError
        Naming the point and the nearest known one.
    """
    known = [target.name for target in (*carrier.targets, *carrier.references)]
    for point in survey.points:
        if point not in known:
            near = difflib.get_close_matches(point, known, n=1, cutoff=0.0)
            raise DataError(
                f"{survey.name}: '{point}' is no target of carrier '{carrier.name}'; the nearest name is "
                f"'{near[0] if near else ''}' (known: {', '.join(known)}); names can be found by geometry, too "
                "(--match geometry)"
            )


def locate(survey: Survey, references: Sequence[Target] = ()) -> Located:
    """Join all stations of a survey to one set of hall coordinates, by least squares.

    Parameters
    ----------
    survey : Survey
    references : sequence of Target
        Reference points in the hall frame; needed, and used, where each station has a frame of its own.

    Returns
    -------
    Located
        With the points in the order in which they are first named. A station's place is an unknown of the same
        adjustment, so points seen from several stations tie these together, and all covariances are complete.

    Raises
    ------
    DataError
        If a station sees too few reference points.
    """
    stated = survey.covariance is not None
    count = len(survey.points)
    covariance = survey.covariance if survey.covariance is not None else np.eye(3 * count) * UNSTATED**2
    names = tuple(dict.fromkeys(survey.points))
    if survey.frame == "hall" and len(names) == count:
        return Located(names=names, coordinates=survey.coordinates, covariance=covariance)
    stations = tuple(dict.fromkeys(survey.stations)) if survey.frame == "station" else ()
    known = [target for target in references if target.name in names] if stations else []
    poses = [_station_start(survey, station, known) for station in stations]
    index = np.array([names.index(point) for point in survey.points])
    owner = np.array([stations.index(name) if stations else 0 for name in survey.stations])
    first = 6 * len(stations)
    middle = [survey.coordinates[owner == number].mean(axis=0) for number in range(len(stations))]
    points = np.zeros((len(names), 3))
    for row in range(count):  # the first sighting is the start
        if not points[index[row]].any():
            place = survey.coordinates[row]
            points[index[row]] = poses[owner[row]].apply(place) if stations else place
    prior = np.array([target.position for target in known]).reshape(-1, 3)
    prior_rows = np.array([names.index(target.name) for target in known], dtype=np.intp)
    floor = 1e-9  # m: a reference of no stated uncertainty is known, not infinitely
    prior_white = np.array([1 / np.maximum(target.sigma, floor) for target in known]).reshape(-1, 3)
    for _ in range(20):
        design = np.zeros((3 * count + 3 * len(known), first + 3 * len(names)))
        turned = survey.coordinates.copy()
        total = covariance
        if stations:
            turn = np.zeros((count, 3, 3))
            for number, pose in enumerate(poses):
                rows = np.flatnonzero(owner == number)
                turned[rows] = pose.apply(survey.coordinates[rows])
                arms = turned[rows] - pose.apply(middle[number])
                entries = (3 * rows[:, None] + np.arange(3)).ravel()
                design[entries, 6 * number : 6 * number + 6] = point_jacobian(arms)
                turn[rows] = pose.matrix
            block = block_diagonal(turn)
            total = block @ covariance @ block.T
        for row in range(count):
            design[3 * row : 3 * row + 3, first + 3 * index[row] : first + 3 * index[row] + 3] = -np.eye(3)
        rest = (points[index] - turned).ravel()
        factor = linalg.cholesky(total, lower=True)
        design[: 3 * count] = linalg.solve_triangular(factor, design[: 3 * count], lower=True)
        target = np.concatenate([linalg.solve_triangular(factor, rest, lower=True), np.zeros(3 * len(known))])
        for number, row in enumerate(prior_rows):
            start = 3 * count + 3 * number
            columns = slice(first + 3 * row, first + 3 * row + 3)
            design[start : start + 3, columns] = np.diag(prior_white[number])
            target[start : start + 3] = (prior[number] - points[row]) * prior_white[number]
        step, *_ = np.linalg.lstsq(design, target, rcond=None)
        for number, pose in enumerate(poses):
            part = step[6 * number : 6 * number + 6]
            centre = pose.apply(middle[number]) + part[:3]
            matrix = rotation_matrix(part[3:]) @ pose.matrix
            poses[number] = Pose.of_matrix(centre - matrix @ middle[number], matrix)
        points = points + step[first:].reshape(-1, 3)
        if np.abs(step).max() < 1e-12:
            break
    normal = np.linalg.inv(design.T @ design)
    left = target - design @ step
    freedom = len(target) - design.shape[1]
    probability = float(chdtrc(freedom, left @ left)) if freedom else 1.0
    warnings: tuple[str, ...] = ()
    if stated and probability < DOUBT:
        factor_ = float(np.sqrt(left @ left / freedom))
        what = "stations and reference points" if stations else "sightings of the same points"
        warnings = (f"the {what} disagree by {factor_:.2g} times their stated uncertainty",)
    return Located(
        names=names,
        coordinates=points,
        covariance=np.asarray(normal[first:, first:], dtype=np.float64),
        warnings=warnings,
    )


def _station_start(survey: Survey, station: str, known: Sequence[Target]) -> Pose:
    rows = [row for row, name in enumerate(survey.stations) if name == station]
    seen = {survey.points[row]: row for row in rows}
    used = [target for target in known if target.name in seen]
    where = f"{survey.name}: station '{station}'" if station else f"{survey.name}: the survey, in its station's frame,"
    if len(used) < FEWEST:
        raise DataError(
            f"{where} sees {len(used)} reference points of the carrier file; expected at least {FEWEST}, not in one "
            "line, to tie it to the hall"
        )
    body = survey.coordinates[[seen[target.name] for target in used]]
    hall = np.array([target.position for target in used])
    try:
        check_points(body, UNSTATED, "reference points")
    except DataError as fault:
        raise DataError(f"{where}: {fault}") from None
    return closed_pose(body, hall)[0]


def renamed(survey: Survey, names: dict[str, str]) -> Survey:
    """Survey with some of its points named anew."""
    return replace(survey, points=tuple(names.get(point, point) for point in survey.points))
