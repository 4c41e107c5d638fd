"""From surveyed targets to the pose of a carrier, its foci in the hall, and the cam angles that mend it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, Final, Literal

import numpy as np

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.checks import Suspicion, refuse_or_warn
from ellipsefit.checks.design import TEMPERATURE
from ellipsefit.decision import decide
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.place.carrier import Carrier, in_space
from ellipsefit.place.moves import STEP, MountPlan, plan_mount
from ellipsefit.place.pose import Pose, cross_matrix, point_jacobian, rotation_vector
from ellipsefit.place.survey import DOUBT, Survey
from ellipsefit.place.targets import LARGE_TURN, Belonging, MatchBy, Targets, identify_targets, sort_targets
from ellipsefit.results import Array, Result
from ellipsefit.rows import Table, number, with_uncertainty

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Figure_

Scale = Literal["expansion", "fitted", "fixed"]

#: A carrier stands within so much of nominal [m], [rad]: halls move by millimetres (common practice).
FAR: Final = (50e-3, 20e-3)
AXES: Final = ("x", "y", "z")


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetResidual:
    """Measured minus fitted, in the hall frame [m]."""

    target: str
    dx: float
    dy: float
    dz: float
    normalised: float  # the largest of three, over its standard deviation
    used: bool  # False: left out of the fit


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spot:
    """A point of the mirror in the hall: where it is and how well that is known."""

    name: str
    position: FloatArray  # (3,) [m]
    nominal: FloatArray  # (3,)
    covariance: FloatArray  # (3, 3)

    def __post_init__(self) -> None:
        for name in ("position", "nominal", "covariance"):
            object.__setattr__(self, name, sealed(getattr(self, name)))

    @property
    def shift(self) -> FloatArray:
        """Actual minus nominal, shape (3,) [m]."""
        return self.position - self.nominal

    @property
    def stderr(self) -> FloatArray:
        """Standard uncertainty along hall x, y, z [m]."""
        return np.sqrt(np.diag(self.covariance))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placement(Result):
    """Where a carrier stands, where its foci are, and what mends it. SI, hall frame."""

    table: ClassVar[str | None] = "residuals"

    carrier: Carrier
    survey: Survey
    pose: Pose  # of the carrier frame in the hall
    covariance: FloatArray  # (6, 6) of its shift [m] and rotation about the hall's axes [rad]
    survey_covariance: FloatArray  # (6, 6), the part that another survey draws anew
    scale: float  # size of the carrier relative to the reference temperature
    scale_stderr: float | None  # None: not fitted
    residuals: tuple[TargetResidual, ...]
    chi_square: float
    freedom: int
    suspect: tuple[str, ...]
    left_out: tuple[str, ...]
    renamed: tuple[tuple[str, str], ...]  # name in the survey, target that it is
    source: Spot
    pole: Spot
    image: Spot
    wanted: Pose  # pose of the carrier that brings the foci to nominal
    plan: MountPlan | None  # None: no mount in the carrier file
    after: tuple[Spot, Spot, Spot] | None  # source, pole and image after the moves
    acceptable: bool
    warnings: tuple[str, ...]
    suspicions: tuple[Suspicion, ...] = ()  # slips that are suspected

    def __post_init__(self) -> None:
        for name in ("covariance", "survey_covariance"):
            object.__setattr__(self, name, sealed(getattr(self, name)))

    @property
    def misplacement(self) -> FloatArray:
        """Pole and attitude minus nominal: shift of the pole [m] and rotation about the hall's axes [rad], (6,)."""
        turn = rotation_vector(self.pose.matrix @ self.carrier.nominal.matrix.T)
        return np.concatenate([self.pole.shift, turn])

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        return {
            "carrier": self.carrier.name,
            "survey": self.survey.name,
            "time": None if self.survey.time is None else self.survey.time.isoformat(),
            "pose": {
                "translation": self.pose.translation.tolist(),
                "rotation": self.pose.rotation.tolist(),
                "covariance": self.covariance.tolist(),
            },
            "misplacement": {"pole": self.pole.shift.tolist(), "rotation": self.misplacement[3:].tolist()},
            "scale": self.scale,
            "scale_stderr": self.scale_stderr,
            "residuals": [
                {
                    "target": item.target,
                    "dx": item.dx,
                    "dy": item.dy,
                    "dz": item.dz,
                    "normalised": item.normalised,
                    "used": item.used,
                }
                for item in self.residuals
            ],
            "chi_square": self.chi_square,
            "degrees_of_freedom": self.freedom,
            "suspect": list(self.suspect),
            "left_out": list(self.left_out),
            "renamed": [{"survey": old, "target": new} for old, new in self.renamed],
            "foci": {
                "source": self.source.position.tolist(),
                "image": self.image.position.tolist(),
                "source_covariance": self.source.covariance.tolist(),
                "image_covariance": self.image.covariance.tolist(),
                "source_shift": self.source.shift.tolist(),
                "image_shift": self.image.shift.tolist(),
            },
            "pole": {"position": self.pole.position.tolist(), "covariance": self.pole.covariance.tolist()},
            "cams": []
            if self.plan is None
            else [
                {"contact": move.contact, "from": move.start, "to": move.stop, "stderr": move.stderr}
                for move in self.plan.moves
            ],
            "steps": []
            if self.plan is None
            else [
                {
                    "round": step.round,
                    "contact": step.contact,
                    "from": step.start,
                    "to": step.stop,
                    "least_load": step.least_load,
                }
                for step in self.plan.steps
            ],
            "reachable": None if self.plan is None else self.plan.reach.reached,
            "limits": [] if self.plan is None else list(self.plan.reach.limits),
            "after": None if self.after is None else {spot.name: spot.shift.tolist() for spot in self.after},
            "acceptable": self.acceptable,
            "suspicions": [item.to_dict() for item in self.suspicions],
            "warnings": list(self.warnings),
        }

    def arrays(self) -> tuple[Array, ...]:
        """Pose with covariance, and pole and foci with theirs."""
        spots = (self.source, self.pole, self.image)
        pose = np.concatenate([self.pose.translation, self.pose.rotation])
        return (
            Array("component", ("component",), ["x", "y", "z", "rx", "ry", "rz"], "", "of the pose", True),
            Array("pose", ("component",), pose, "", "translation [m] and rotation vector [rad] in the hall"),
            Array("covariance", ("component", "component_2"), self.covariance, "", "of the pose [m, rad]"),
            Array("point", ("point",), [spot.name for spot in spots], "", "source, pole, image", True),
            Array("axis", ("axis",), ["x", "y", "z"], "", "of the hall", True),
            Array("position", ("point", "axis"), [spot.position for spot in spots], "m", "in the hall"),
            Array("shift", ("point", "axis"), [spot.shift for spot in spots], "m", "position minus nominal"),
            Array("position_stderr", ("point", "axis"), [spot.stderr for spot in spots], "m", "standard uncertainty"),
        )

    def rows(self) -> list[Table]:
        """Tables of the placement, as shown on screens and pages."""
        tables = [self._pose_table(), self._focus_table(), self._residual_table()]
        return tables if self.plan is None else [*tables, self._cam_table(self.plan), self._step_table(self.plan)]

    def plot(self) -> Figure_:
        """Figure of the placement: targets and residuals, and where the foci are."""
        from ellipsefit.report import plot_placement  # the one way up: a result draws itself when asked

        return plot_placement(self)

    def plot_reach(self) -> Figure_:
        """Figure of what the wheels reach, where the carrier stands and where it is to go.

        Raises
        ------
        ParameterError
            If the carrier has no mount, so that there are no wheels.
        """
        from ellipsefit.report import reach_figure

        if self.plan is None:
            raise ParameterError(
                f"carrier '{self.carrier.name}' has no mount; expected one to draw what its wheels reach"
            )
        return reach_figure(self)

    def _pose_table(self) -> Table:
        shift, turn = self.misplacement[:3], self.misplacement[3:]
        sure = np.sqrt(np.diag(self.covariance))[3:]
        cells = [
            (f"pole, {axis}", with_uncertainty(float(value), float(error), "length"))
            for axis, value, error in zip(AXES, shift, self.pole.stderr, strict=True)
        ]
        cells += [
            ("roll", with_uncertainty(float(turn[0]), float(sure[0]), "angle")),
            ("pitch", with_uncertainty(float(-turn[1]), float(sure[1]), "angle")),
            ("yaw", with_uncertainty(float(turn[2]), float(sure[2]), "angle")),
        ]
        if self.scale_stderr is not None:
            cells.append(("size, fitted", f"({1e6 * (self.scale - 1):+.3g} ± {1e6 * self.scale_stderr:.2g}) um per m"))
        elif self.scale != 1:
            cells.append(("size, by temperature", f"{1e6 * (self.scale - 1):+.3g} um per m"))
        verdict = "acceptable" if self.acceptable else "NOT ACCEPTABLE"
        notes = tuple(f"Note: {text}" for text in self.warnings)
        return Table(
            title=f"Carrier {self.carrier.name} as surveyed, minus nominal: {verdict}",
            header=("", "misplacement"),
            cells=tuple(cells),
            notes=notes,
        )

    def _focus_table(self) -> Table:
        cells = []
        limits = {"source": self.carrier.tolerance.source, "image": self.carrier.tolerance.image}
        after = {} if self.after is None else {spot.name: spot for spot in self.after}
        for spot in (self.source, self.image):
            for place, axis in enumerate(AXES):
                limit = float(limits[spot.name][place])
                cell = [
                    f"{spot.name} focus, {axis}",
                    with_uncertainty(float(spot.shift[place]), float(spot.stderr[place]), "length"),
                    "–" if np.isinf(limit) else f"±{number(limit, 'length')}",
                    "" if np.isinf(limit) else verdict_word(float(spot.shift[place]), float(spot.stderr[place]), limit),
                ]
                if after:
                    there = after[spot.name]
                    cell.append(with_uncertainty(float(there.shift[place]), float(there.stderr[place]), "length"))
                cells.append(tuple(cell))
        header = ("", "now, minus nominal", "tolerance", "now")
        origin = "Foci of the nominal ellipse."
        if self.carrier.mirror.measured is not None:
            origin = f"Foci of the measured ellipse ({self.carrier.mirror.measured.origin})."
        notes = (
            origin,
            "Hall frame: x along the beam, z up. 'unsure': nearer to the limit than 1.64 standard uncertainties "
            "(ISO 14253-1, 95 %).",
        )
        return Table(
            title="Where the foci are",
            header=(*header, "after the moves") if after else header,
            cells=tuple(cells),
            notes=notes,
        )

    def _residual_table(self) -> Table:
        def um(value: float) -> str:
            return number(value, "length", unit="um", places=1, sign=True)

        cells = tuple(
            (
                item.target,
                um(item.dx),
                um(item.dy),
                um(item.dz),
                f"{item.normalised:.1f}",
                "LEFT OUT" if not item.used else "SUSPECT" if item.target in self.suspect else "",
            )
            for item in self.residuals
        )
        mean = np.sqrt(self.chi_square / self.freedom) if self.freedom else None
        notes = (
            ()
            if mean is None
            else (f"Residuals are {mean:.2f} times what the stated uncertainties lead one to expect.",)
        )
        header = ("target", "dx", "dy", "dz", "normalised", "")
        return Table(title="Targets, measured minus fitted", header=header, cells=cells, notes=notes)

    def _cam_table(self, plan: MountPlan) -> Table:
        def degrees(angle: float) -> str:
            return f"{np.degrees(angle):+.3f} deg"

        cells = tuple(
            (
                move.contact,
                degrees(move.start),
                degrees(move.stop),
                degrees(move.stop - move.start),
                number(move.motion, "length", unit="um", places=1, sign=True),
                "stands still" if move.stderr is None else f"± {np.degrees(move.stderr):.3f} deg",
            )
            for move in plan.moves
        )
        state = "" if plan.reach.reached else ": OUT OF REACH, nearest pose"
        notes = ["Motion: along the contact's normal, positive into the carrier. ±: from the survey."]
        mount = self.carrier.mount
        if mount is not None:
            notes.append(f"Condition of the layout: {mount.condition:.1f} (1: equally stiff against every motion).")
        if not plan.reach.reached:
            notes.append(f"Limited by: {', '.join(plan.reach.limits) or 'the wheels'}.")
        return Table(
            title=f"Cam angles{state}",
            header=("contact", "from", "to", "turn", "motion", "survey"),
            cells=cells,
            notes=tuple(notes),
        )

    def _step_table(self, plan: MountPlan) -> Table:
        cells = tuple(
            (
                str(step.round),
                step.contact,
                f"{np.degrees(step.start):+.3f} deg",
                f"{np.degrees(step.stop):+.3f} deg",
                "–" if step.least_load is None else f"{step.least_load * 100:.0f} %",
                step.least_contact or "",
            )
            for step in plan.steps
        )
        notes = ["Least load: of any contact during the turn, as a share of what it carries at rest."]
        if plan.unloading:
            notes.append(f"WOULD UNLOAD: {', '.join(plan.unloading)}.")
        if not cells:
            notes = ["No wheel is asked to turn."]
        return Table(
            title="Order of the moves",
            header=("round", "contact", "from", "to", "least load", "of"),
            cells=cells,
            notes=tuple(notes),
        )


def verdict_word(shift: float, stderr: float, limit: float) -> str:
    """Decision after ISO 14253-1 in a word."""
    return {"conform": "within", "indeterminate": "unsure", "non-conform": "OUTSIDE"}[decide(shift, stderr, limit)]


def place_carrier(
    carrier: Carrier,
    survey: Survey,
    *,
    scale: Scale = "expansion",
    match: MatchBy = "names",
    temperature: float | None = None,
    step: float = STEP,
    approach: float = 0.0,
    moves: bool = True,
) -> Placement:
    """Pose of a carrier from a survey of its targets, carried to its foci, and the cam angles that mend it.

    Parameters
    ----------
    carrier : Carrier
    survey : Survey
    scale : {'expansion', 'fitted', 'fixed'}
        Size of the carrier: by its temperature and coefficient of expansion, fitted, or as in the file.
    match : {'names', 'geometry'}
        Whether names in the survey are believed.
    temperature : float, optional
        Of the carrier [K], in place of the survey's.
    step : float
        Motion of a contact in one round of moves [m].
    approach : float
        Overshoot [m] of lowering moves, so that every wheel ends by raising.
    moves : bool
        Whether cam angles are planned, where the carrier has a mount.

    Returns
    -------
    Placement

    Raises
    ------
    DataError
        If the survey can't tell the pose: unknown names, too few targets, all in one line, mirrored coordinates,
        unknown temperature.
    """
    warnings: list[str] = []
    suspicions: list[Suspicion] = []
    size = _size(carrier, survey, scale, temperature, warnings)
    targets, exchanged = identify_targets(carrier, survey, size, match)
    survey, names = targets.survey, targets.names
    warnings += targets.located.warnings
    if targets.missing:
        warnings.append(f"{_listed(targets.missing)} not surveyed; the pose rests on {len(names)} targets")
    suspicions += exchanged
    warnings += [str(found) for found in exchanged]
    belonging = sort_targets(targets, fit_scale=scale == "fitted")
    fit = belonging.fit
    warnings += belonging.warnings
    inflation, freedom = 1.0, fit.freedom
    if survey.covariance is None:
        if not freedom:
            raise DataError(f"{survey.name}: states no uncertainty, and {len(names)} targets leave no way to find it")
        inflation = fit.chi_square / freedom
        warnings.append(
            f"the survey states no uncertainty: {np.sqrt(inflation) * 30:.2g} um of a coordinate is estimated from "
            f"the residuals ({freedom} degrees of freedom)"
        )
    elif freedom and fit.probability < DOUBT:
        inflation = fit.chi_square / freedom
        warnings.append(
            f"residuals are {np.sqrt(inflation):.2g} times what the stated uncertainties lead one to expect; all "
            "uncertainties are enlarged by that"
        )
    joint = fit.joint * inflation
    full_size = size * fit.scale
    foci = _spots(carrier, fit.pose, full_size, joint)
    measured = carrier.mirror.measured
    if measured is not None and not measured.height_known:
        warnings.append("the mirror was measured by slopes, so its height on the carrier is taken as nominal")
    turn = float(np.linalg.norm(rotation_vector(fit.pose.matrix @ carrier.nominal.matrix.T)))
    if turn > LARGE_TURN:
        raise DataError(
            f"{survey.name}: the carrier seems turned by {turn:.2g} rad from nominal; expected the hall frame, "
            "right-handed with x along the beam and z up (mirrored or exchanged axes?)"
        )
    shift = float(np.linalg.norm(foci[1].shift))
    if shift > FAR[0] or turn > FAR[1]:
        found = _far(carrier, fit.pose, shift, turn)
        suspicions += refuse_or_warn(survey.name, [found])
        warnings.insert(0, str(found))
    survey_part = _survey_covariance(targets, belonging) * inflation
    wanted = wanted_pose(carrier, full_size)
    plan = None
    after = None
    end = fit.pose
    if carrier.mount is not None and moves:
        plan = plan_mount(carrier.mount, fit.pose, wanted, covariance=joint[:6, :6], step=step, approach=approach)
        warnings += plan.warnings
        end = plan.pose
        after = _spots(carrier, end, full_size, joint)
    final = after or foci
    acceptable = _acceptable(carrier, final, plan)
    return Placement(
        carrier=carrier,
        survey=survey,
        pose=fit.pose,
        covariance=joint[:6, :6],
        survey_covariance=survey_part,
        scale=full_size,
        scale_stderr=None if fit.scale_stderr is None else size * float(np.sqrt(joint[6, 6])),
        residuals=_residuals(targets, belonging, np.sqrt(inflation)),
        chi_square=fit.chi_square,
        freedom=freedom,
        suspect=belonging.suspect,
        left_out=belonging.left_out,
        renamed=targets.changed,
        source=foci[0],
        pole=foci[1],
        image=foci[2],
        wanted=wanted,
        plan=plan,
        after=after,
        acceptable=acceptable,
        warnings=tuple(warnings),
        suspicions=tuple(suspicions),
    )


def _listed(names: list[str]) -> str:
    return f"target{'s' * (len(names) > 1)} {', '.join(names)} {'were' if len(names) > 1 else 'was'}"


def _size(carrier: Carrier, survey: Survey, scale: Scale, temperature: float | None, warnings: list[str]) -> float:
    temperature = survey.temperature if temperature is None else temperature
    if scale != "expansion":
        return 1.0
    if carrier.expansion is None:
        warnings.append(
            "the carrier file states no expansion: the carrier is taken to have its size at every temperature"
        )
        return 1.0
    if temperature is None:
        raise DataError(
            f"{survey.name}: the temperature of the carrier is not stated, but '{carrier.name}' expands by "
            f"{carrier.expansion:.3g} / K; expected a line such as '# temperature: 21.3 degC', or --temperature, or "
            "--scale fitted"
        )
    if not TEMPERATURE[0] <= temperature <= TEMPERATURE[1]:
        raise DataError(
            f"{survey.name}: the temperature of the carrier is {temperature - 273.15:.4g} degC; expected 0 to 60 degC "
            "(degC and K confused?)"
        )
    return carrier.scale_at(temperature)


def _far(carrier: Carrier, pose: Pose, shift: float, turn: float) -> Suspicion:
    """What is said of a carrier that stands where none can."""
    away = f"{shift * 1e3:.4g} mm and {turn * 1e3:.3g} mrad from nominal"
    home = carrier.nominal.translation
    at_origin = np.linalg.norm(pose.translation) < FAR[0] and np.linalg.norm(pose.rotation) < FAR[1]
    if at_origin and np.linalg.norm(home) > FAR[0]:
        return Suspicion(
            kind="frame",
            text="the coordinates are those of the carrier's own frame; expected the hall frame, where the carrier "
            f"stands at {', '.join(f'{value:.4g} m' for value in home)}",
            refused=True,
        )
    return Suspicion(
        kind="frame",
        text=f"carrier '{carrier.name}' seems to stand {away}, further than any hall moves it; check in which frame, "
        "and from which origin, the coordinates are",
    )


def _residuals(targets: Targets, belonging: Belonging, inflation: float) -> tuple[TargetResidual, ...]:
    fit = belonging.fit
    used = [name for name in targets.names if name not in belonging.left_out]
    normalised = dict(zip(used, fit.normalised(), strict=True))
    found = []
    for name in targets.names:
        measured, covariance = targets.located.part([name])
        rest = measured[0] - fit.pose.apply(targets.body[name] * fit.scale)
        if name in normalised:
            values = normalised[name]
        else:  # predicted from the others
            rows_ = point_jacobian(fit.pose.matrix @ targets.body[name] * fit.scale)
            blocks = targets.own_covariance([name])
            own = covariance if blocks is None else covariance + fit.pose.matrix @ blocks[0] @ fit.pose.matrix.T
            values = rest / np.sqrt(np.diag(own + rows_ @ fit.covariance @ rows_.T))
        worst = float(values[np.argmax(np.abs(values))]) / inflation
        found.append(
            TargetResidual(
                target=name,
                dx=float(rest[0]),
                dy=float(rest[1]),
                dz=float(rest[2]),
                normalised=worst,
                used=name in normalised,
            )
        )
    return tuple(found)


def _survey_covariance(targets: Targets, belonging: Belonging) -> FloatArray:
    """What another survey of the same targets would draw anew: targets' own uncertainty on the carrier stays."""
    used = [name for name in targets.names if name not in belonging.left_out]
    covariance = targets.located.part(used)[1]
    gain = belonging.fit.gain
    found: FloatArray = (gain @ covariance @ gain.T)[:6, :6]
    return found


def _spots(carrier: Carrier, pose: Pose, size: float, joint: FloatArray) -> tuple[Spot, Spot, Spot]:
    """Source focus, pole and image focus in the hall, with all that is uncertain about them."""
    mirror, measured = carrier.mirror, carrier.mirror.measured
    nominal = carrier.nominal_points()
    source, image = (in_space(focus) for focus in mirror.nominal.foci)
    own = {"source": np.zeros((3, 3)), "pole": np.zeros((3, 3)), "image": np.zeros((3, 3))}
    if measured is not None:
        source, image = source + in_space(measured.source), image + in_space(measured.image)
        plane = np.array([[1.0, 0.0], [0.0, 0.0], [0.0, 1.0]])
        own["source"] = plane @ measured.source_covariance @ plane.T
        own["image"] = plane @ measured.image_covariance @ plane.T
    spots = []
    for (name, block), point, goal in zip(own.items(), (source, np.zeros(3), image), nominal, strict=True):
        on_carrier = carrier.mirror_point(point, size)
        arm = pose.matrix @ on_carrier
        columns = point_jacobian(arm)
        if len(joint) == 7:
            columns = np.column_stack([columns, arm / size])
        total = columns @ joint @ columns.T
        turned = mirror.pose.matrix @ point
        lever = np.hstack([np.eye(3), -cross_matrix(turned)])
        seat = lever @ np.diag(mirror.sigma**2) @ lever.T
        total += pose.matrix @ (seat + mirror.pose.matrix @ block @ mirror.pose.matrix.T) @ pose.matrix.T
        spots.append(Spot(name=name, position=pose.apply(on_carrier), nominal=goal, covariance=total))
    return spots[0], spots[1], spots[2]


def wanted_pose(carrier: Carrier, size: float = 1.0) -> Pose:
    """Pose of the carrier that brings both foci to nominal as well as a rigid carrier can.

    With the ellipse measured or the carrier expanded the distance of the foci is not nominal; what is missing is
    shared by both in the ratio of their tolerances. The rotation about the line of the foci is nominal.
    """
    measured = carrier.mirror.measured
    if measured is None and size == 1:
        return carrier.nominal
    source, image = (in_space(focus) for focus in carrier.mirror.nominal.foci)
    if measured is not None:
        source, image = source + in_space(measured.source), image + in_space(measured.image)
    points = carrier.mirror_point(np.array([source, image]), size)
    goals = np.array([carrier.nominal_points()[0], carrier.nominal_points()[2]])
    weight = np.concatenate(
        [
            np.where(np.isfinite(limit), 1 / limit, 1 / np.array([10e-3, 100e-6, 100e-6]))
            for limit in (carrier.tolerance.source, carrier.tolerance.image)
        ]
    )
    pose = carrier.nominal
    for _ in range(20):
        columns = point_jacobian(points @ pose.matrix.T) * weight[:, None]
        rest = (goals - pose.apply(points)).ravel() * weight
        axis = pose.matrix @ (points[1] - points[0])
        axis = axis / np.linalg.norm(axis)
        turn = rotation_vector(pose.matrix @ carrier.nominal.matrix.T)
        columns = np.vstack([columns, np.concatenate([np.zeros(3), axis]) * 1e3])
        rest = np.append(rest, -float(turn @ axis) * 1e3)
        step = np.linalg.lstsq(columns, rest, rcond=None)[0]
        pose = pose.moved(step)
        if np.abs(step).max() < 1e-14:
            break
    return pose


def _acceptable(carrier: Carrier, spots: tuple[Spot, Spot, Spot], plan: MountPlan | None) -> bool:
    """Whether both foci end within tolerance; without stated tolerances, whether the pose is reached."""
    tolerance = carrier.tolerance
    if not tolerance.stated:
        return plan is None or (plan.reach.reached and not plan.unloading)
    source, _, image = spots
    within = (np.abs(source.shift) <= tolerance.source).all() and (np.abs(image.shift) <= tolerance.image).all()
    return bool(within) and (plan is None or not plan.unloading)
