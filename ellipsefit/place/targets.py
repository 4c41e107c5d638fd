"""Which surveyed points are which targets of a carrier, and which of them don't belong to the others."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from scipy.special import chdtrc, fdtrc

from ellipsefit.arrays import FloatArray
from ellipsefit.checks import Suspicion
from ellipsefit.errors import DataError
from ellipsefit.place.carrier import Carrier
from ellipsefit.place.matching import Match, match_points
from ellipsefit.place.pose import rotation_vector
from ellipsefit.place.rigid import RigidFit, check_points, closed_pose, fit_rigid_body
from ellipsefit.place.survey import DOUBT, Located, Survey, check_names, locate, renamed

MatchBy = Literal["names", "geometry"]

#: Share of sound surveys in which some target is named without cause: the price of naming 97 % of six-sigma bumps.
NAMED: Final = 0.10
#: Share of sound surveys in which one is left out without cause.
LEFT_OUT: Final = 0.005
#: Rotation against nominal beyond which the coordinates themselves are called in question [rad].
LARGE_TURN: Final = 0.5
#: Relative difference of distances between targets that no temperature explains.
WRONG_SIZE: Final = 2e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Targets:
    """Targets of a carrier as a survey saw them."""

    carrier: Carrier
    survey: Survey  # with the names that fit the geometry
    located: Located
    body: dict[str, FloatArray]  # all targets in the carrier's frame, at its size in the survey [m]
    changed: tuple[tuple[str, str], ...] = ()  # names in the survey, and what they are

    @property
    def names(self) -> list[str]:
        """Of the surveyed targets, in the carrier's order."""
        return [name for name in self.body if name in self.located.names]

    @property
    def missing(self) -> list[str]:
        """Of targets that were not surveyed."""
        return [name for name in self.body if name not in self.located.names]

    @property
    def sigma(self) -> float:
        """Standard deviation of a coordinate, all taken together [m]."""
        return float(np.sqrt(np.mean(np.diag(self.located.covariance))))

    def places(self, names: list[str]) -> FloatArray:
        """Targets in the carrier's frame, shape (n, 3) [m]."""
        return np.array([self.body[name] for name in names]).reshape(-1, 3)

    def own_covariance(self, names: list[str]) -> FloatArray | None:
        """Covariances of the targets on the carrier, shape (n, 3, 3) [m²]; none if they are taken as exact."""
        sigma = np.array([self.carrier.target(name).sigma for name in names])
        return None if not sigma.any() else np.array([np.diag(row**2) for row in sigma])

    def fit(self, names: list[str], *, fit_scale: bool) -> RigidFit:
        """The carrier laid on these targets."""
        measured, covariance = self.located.part(names)
        return fit_rigid_body(
            self.places(names), measured, covariance, body_covariance=self.own_covariance(names), fit_scale=fit_scale
        )

    def under_other_names(self, found: Match, names: list[str]) -> Targets:
        """The same after points were found to be other targets than `names` says."""
        known = list(self.body)
        right = {name: known[number] for name, number in zip(names, found.index, strict=True)}
        survey = renamed(self.survey, right)
        return Targets(
            carrier=self.carrier,
            survey=survey,
            located=locate(survey, self.carrier.references),
            body=self.body,
            changed=tuple((old, new) for old, new in right.items() if old != new),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Belonging:
    """The carrier laid on the targets that belong together, and those that don't."""

    fit: RigidFit
    suspect: tuple[str, ...]  # named
    left_out: tuple[str, ...]  # those of them that the pose does not rest on
    warnings: tuple[str, ...]


def identify_targets(
    carrier: Carrier, survey: Survey, size: float, match: MatchBy
) -> tuple[Targets, tuple[Suspicion, ...]]:
    """Find which points of a survey are which targets.

    Parameters
    ----------
    carrier : Carrier
    survey : Survey
    size : float
        Of the carrier in the survey, over its size in its file.
    match : {'names', 'geometry'}
        Whether names in the survey are believed; if they are but don't fit the geometry, that is a suspicion.

    Raises
    ------
    DataError
        If points are unknown, too few or in one line, fit no arrangement of targets, or are mirrored.
    """
    body = {target.name: target.position * size for target in carrier.targets}
    if match == "geometry":
        found = _by_geometry(carrier, survey, body)
    else:
        check_names(survey, carrier)
        found = Targets(carrier=carrier, survey=survey, located=locate(survey, carrier.references), body=body)
    try:
        check_points(found.places(found.names), found.sigma)
    except DataError as fault:
        raise DataError(f"{survey.name}: {fault}") from None
    if match == "geometry":
        return found, ()
    exchanged = _exchanged(found)
    if exchanged is None:
        return found, ()
    said = ", ".join(f"'{old}' is '{new}'" for old, new in exchanged.changed)
    text = f"names don't fit the geometry and were exchanged: {said}; check the targets"
    return exchanged, (Suspicion(kind="target names", where=tuple(old for old, _ in exchanged.changed), text=text),)


def _by_geometry(carrier: Carrier, survey: Survey, body: dict[str, FloatArray]) -> Targets:
    """Targets by where they are, whatever the survey calls them."""
    references = {target.name for target in carrier.references}
    # stations are joined by the names that they use, whatever these are
    located = locate(survey, carrier.references if survey.frame == "station" else ())
    as_named = Targets(carrier=carrier, survey=survey, located=located, body=body)
    points = [name for name in located.names if name not in references]
    if not points:
        raise DataError(f"{survey.name}: holds no points besides reference points; expected targets of the carrier")
    measured, covariance = located.part(points)
    sigma = float(np.sqrt(np.mean(np.diag(covariance))))
    largest = max(float(np.max(target.sigma)) for target in carrier.targets)
    try:
        found = match_points(np.array(list(body.values())), measured, float(np.hypot(sigma, largest)), carrier.nominal)
    except DataError as fault:
        raise DataError(f"{survey.name}: {fault}") from None
    renamed_targets = as_named.under_other_names(found, points)
    check_names(renamed_targets.survey, carrier)
    return renamed_targets


def _exchanged(targets: Targets) -> Targets | None:
    """Nothing if the names fit the geometry, or nothing fits it; else the same with the names that do.

    Raises
    ------
    DataError
        If the coordinates are mirrored, or of another size.
    """
    carrier, survey, names = targets.carrier, targets.survey, targets.names
    measured, covariance = targets.located.part(names)
    body = targets.places(names)
    blocks = targets.own_covariance(names)
    sigma = float(np.sqrt((np.trace(covariance) + (0 if blocks is None else blocks.sum())) / (3 * len(names))))
    pose, mirrored = closed_pose(body, measured)
    rms = _rms(measured - pose.apply(body))
    turn = float(np.linalg.norm(rotation_vector(pose.matrix @ carrier.nominal.matrix.T)))
    if rms < 5 * sigma and turn < LARGE_TURN:
        return None
    if mirrored and rms > 5 * sigma:
        flipped = body * np.array([1.0, 1.0, -1.0])
        image, _ = closed_pose(flipped, measured)
        rest = _rms(measured - image.apply(flipped))
        if rest < min(5 * sigma, rms / 3):
            raise DataError(
                f"{survey.name}: the coordinates are mirrored (left-handed): targets fit within {rest * 1e6:.0f} um "
                "only as a mirror image; expected x along the beam, z up, and y = z x x"
            )
    try:
        found = match_points(np.array(list(targets.body.values())), measured, sigma, carrier.nominal)
    except DataError:
        # whatever their names, distances tell a wrong unit or a wrong carrier
        ratio = float(np.median(_distances(measured) / _distances(body)))
        if abs(ratio - 1) > WRONG_SIZE:
            raise DataError(
                f"{survey.name}: the targets are {ratio:.4g} times as far apart as in the file of carrier "
                f"'{carrier.name}'; expected its targets at their places (a wrong unit, or another carrier?)"
            ) from None
        return None
    other = targets.under_other_names(found, names)
    return other if other.changed else None


def _rms(rest: FloatArray) -> float:
    return float(np.sqrt(np.mean(rest**2)))


def _distances(points: FloatArray) -> FloatArray:
    """All distances between points, in order of size [m]."""
    first, second = np.triu_indices(len(points), 1)
    return np.sort(np.linalg.norm(points[first] - points[second], axis=1))


def sort_targets(targets: Targets, *, fit_scale: bool) -> Belonging:
    """Lay the carrier on its targets, and name those that don't belong: at `NAMED`; left out at `LEFT_OUT`.

    Raises
    ------
    DataError
        If most of the targets don't agree with one another.
    """
    names, survey = targets.names, targets.survey
    left, suspect = list(names), []
    out: list[str] = []
    warnings: list[str] = []
    stated = survey.covariance is not None
    fit = targets.fit(left, fit_scale=fit_scale)
    while len(left) > 3 and fit.freedom > 3:
        misfits = fit.misfits()
        worst = int(np.argmax(misfits))
        gain = float(misfits[worst])
        if stated:
            single = float(chdtrc(3, gain))
        else:
            spare = fit.freedom - 3
            rest = max(fit.chi_square - gain, 1e-300)
            single = float(fdtrc(3, spare, gain / 3 / (rest / spare)))
        chance = -np.expm1(len(left) * np.log1p(-min(single, 1 - 1e-16)))
        if chance > NAMED:
            break
        name = left[worst]
        suspect.append(name)
        trial = [one for one in left if one != name]
        try:
            check_points(targets.places(trial), targets.sigma)
        except DataError:
            warnings.append(f"target '{name}' is suspect, but without it the pose is not fixed: it stays in")
            break
        if chance > LEFT_OUT:
            warnings.append(
                f"target '{name}' is suspect: a sound survey would show such residuals in {chance * 100:.2g} % of "
                "cases; it stays in"
            )
            break
        others = [left[i] for i in np.flatnonzero(misfits > gain - 4) if i != worst]
        also = f" (or {', '.join(others)}: the residuals hardly tell which)" if others else ""
        warnings.append(
            f"target '{name}' does not belong to the others, bumped or misnamed{also}; it is left out of the pose"
        )
        left, out = trial, [*out, name]
        fit = targets.fit(left, fit_scale=fit_scale)
    if 2 * len(out) > len(names):
        raise DataError(
            f"{survey.name}: only {len(left)} of {len(names)} targets agree with one another within their uncertainty; "
            f"expected most of the targets of carrier '{targets.carrier.name}' at their places"
        )
    if len(left) == 3 and stated and fit.freedom and fit.probability < DOUBT:
        warnings.append("the three targets contradict each other; which one moved can't be told from three")
    return Belonging(fit=fit, suspect=tuple(suspect), left_out=tuple(out), warnings=tuple(warnings))
