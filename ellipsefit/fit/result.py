"""What a fit answers: ellipse, pose, segments, figure and foci, each with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, Any, ClassVar, Final, Literal, get_args

import numpy as np

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.checks.profile_checks import Checked
from ellipsefit.ellipse import Ellipse
from ellipsefit.figure import Figure
from ellipsefit.fit.band_uncertainty import with_band_uncertainties
from ellipsefit.fit.belief import Belief
from ellipsefit.fit.budget import Budget
from ellipsefit.fit.conflict import PriorCheck
from ellipsefit.fit.figure_uncertainty import left_by_fit, noise_of
from ellipsefit.fit.freedom import expanded_factor
from ellipsefit.fit.identifiability import Identifiability, identify
from ellipsefit.fit.prior import PARAMETERS, Parameter, Prior, kind_of
from ellipsefit.fit.problem import JointProblem, SegmentModel
from ellipsefit.fit.robust import Oddities
from ellipsefit.fit.surface_error import SurfaceError
from ellipsefit.fit.systematics import systematic_patterns
from ellipsefit.mirror import Mirror
from ellipsefit.profile import PlacedProfile
from ellipsefit.results import Array, Result
from ellipsefit.rows import Table, number, stated, with_uncertainty
from ellipsefit.spectrum import Spectrum, Window, pulled_spectrum

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Figure_

ResidualModel = Literal["white", "correlated"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SegmentState:
    """How one segment stands relative to the fitted ellipse in its pose; None: the data can't tell."""

    name: str
    height: float | None  # at the middle of the span [m]
    tilt: float | None  # [rad], positive when the downstream end is high
    height_stderr: float | None
    tilt_stderr: float | None
    height_error_rms: float | None
    slope_error_rms: float | None
    height_error_rms_stderr: float | None = None  # as of `Figure`
    slope_error_rms_stderr: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """Common mode of the mirror against the nominal: height at x = 0 [m] and tilt [rad]; None: unknown."""

    height: float | None
    tilt: float
    height_stderr: float | None
    tilt_stderr: float


#: Coordinates of the foci in the order of their covariance.
FOCI: Final = ("image_dx", "image_dz", "source_dx", "source_dz")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FocusShift:
    """Foci of the fitted ellipse in its pose, minus nominal, in the nominal mirror frame [m].

    `along` the nominal chief ray (downstream positive) and `across` it (positive towards +z).
    `covariance` is over image dx, dz and source dx, dz [m**2]. None, and NaN there: the data can't tell.
    """

    image_dx: float
    image_dz: float | None
    image_along: float
    image_across: float | None
    image_dx_stderr: float | None
    image_dz_stderr: float | None
    image_along_stderr: float | None
    image_across_stderr: float | None
    source_dx: float
    source_dz: float | None
    source_along: float
    source_across: float | None
    source_dx_stderr: float | None
    source_dz_stderr: float | None
    source_along_stderr: float | None
    source_across_stderr: float | None
    covariance: FloatArray  # (4, 4)

    def __post_init__(self) -> None:
        object.__setattr__(self, "covariance", sealed(self.covariance))

    def to_dict(self) -> dict[str, Any]:
        """For JSON: numbers by name, and the covariance with None for what is unknown."""
        rows_ = [[float(value) if np.isfinite(value) else None for value in row] for row in self.covariance]
        return _fields(self) | {"covariance": rows_, "covariance_order": list(FOCI)}

    @property
    def correlation(self) -> FloatArray:
        """Correlation of image dx, dz and source dx, dz, shape (4, 4)."""
        size = np.sqrt(np.diag(self.covariance))
        matrix: FloatArray = self.covariance / np.outer(size, size)
        return matrix


@dataclass(frozen=True, slots=True, kw_only=True)
class FitSettings:
    """What was asked and what was used, all that influences the numbers."""

    segments: SegmentModel  # as used
    residual: ResidualModel
    spread_height: float | None  # [m], of the segments; None: not used
    spread_tilt: float | None  # [rad]
    spreads_estimated: bool
    surface_error: SurfaceError
    priors: tuple[Prior, ...]
    x_uncertainty: float  # [m]
    freedom: float  # effective degrees of freedom of the uncertainties; infinite: spreads are known
    previous: str | None  # the last campaign, if it counts


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EllipseFit(Result):
    """Ellipse, pose and segments that fit a profile best. Lengths in m, angles in rad.

    The surface is modelled as z(x; p, q, theta) + height + tilt x + the segments' heights and tilts.
    `covariance` is over (p, q, theta), `pose_covariance` over these and the pose, with NaN rows for what was held.
    """

    table: ClassVar[str | None] = "segments"

    ellipse: Ellipse
    varied: tuple[Parameter, ...]
    covariance: FloatArray  # (3, 3)
    pose_covariance: FloatArray  # (5, 5), of p, q, theta and the pose's height and tilt
    pose: Pose
    segments: tuple[SegmentState, ...]
    figure: Figure
    focus: FocusShift
    budget: Budget
    converged: bool  # False: the numbers are the last iterate, not a result
    warnings: tuple[str, ...]
    settings: FitSettings
    placed: PlacedProfile  # what was measured; of a profile that is not held, means over neighbours
    problem: JointProblem  # reduced data and model: whatever else is asked costs nothing that grows with points
    prior_checks: tuple[PriorCheck, ...]  # whether what is known from outside and the data agree
    oddities: Oddities  # what does not belong, named
    jackknife: FloatArray | None  # (v,) standard errors of what was varied, leaving out one segment at a time
    disagree: tuple[str, ...]  # of which stated uncertainty and jackknife cannot both be right
    residual: FloatArray  # (N,) measured minus ellipse, pose and segments
    misplacement: FloatArray  # (N,) heights and tilts of the segments at the points
    checked: Checked = field(default_factory=Checked)  # self-checks, and slips that are suspected

    def __post_init__(self) -> None:
        for name in ("covariance", "pose_covariance", "residual", "misplacement"):
            object.__setattr__(self, name, sealed(getattr(self, name)))

    @property
    def mirror(self) -> Mirror:
        """The mirror that was measured."""
        return self.placed.mirror

    def stderr(self, parameter: Parameter) -> float | None:
        """Standard uncertainty of p [m], q [m] or theta [rad]; None if it was held."""
        if parameter not in self.varied:
            return None
        index = PARAMETERS.index(parameter)
        return float(np.sqrt(self.covariance[index, index]))

    @property
    def coverage_factor(self) -> float:
        """What a standard uncertainty is multiplied by for an interval of 95.45 %: 2, or more by Student's t."""
        return expanded_factor(self.settings.freedom)

    @property
    def correlation(self) -> tuple[tuple[float | None, ...], ...]:
        """Correlation of (p, q, theta); None where one of a pair was held."""
        size = np.sqrt(np.diag(self.covariance))
        matrix = self.covariance / np.outer(size, size)
        return tuple(tuple(float(value) if np.isfinite(value) else None for value in row) for row in matrix)

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer: SI values, None for what the data can't tell."""
        ellipse: dict[str, Any] = {name: getattr(self.ellipse, name) for name in PARAMETERS}
        ellipse |= {f"{name}_stderr": self.stderr(name) for name in PARAMETERS}
        ellipse |= {"correlation": [list(row) for row in self.correlation], "varied": list(self.varied)}
        settings = self.settings
        return {
            "ellipse": ellipse,
            "pose": _fields(self.pose),
            "segments": [_fields(segment) for segment in self.segments],
            "figure": self.figure.to_dict(),
            "focus": self.focus.to_dict(),
            "converged": self.converged,
            "warnings": list(self.warnings),
            **self.checked.to_dict(),
            "model": {
                "segments": settings.segments,
                "residual": settings.residual,
                "spread_height": settings.spread_height,
                "spread_tilt": settings.spread_tilt,
                "spreads_estimated": settings.spreads_estimated,
                "correlated_rms": settings.surface_error.correlated,
                "correlation_length": settings.surface_error.length or None,
                "coverage_factor": self.coverage_factor,
                "degrees_of_freedom": settings.freedom if np.isfinite(settings.freedom) else None,
                **self.belief().to_dict(),
                "budget": self.budget.to_dict(),
                "identifiability": self.identifiability().to_dict(),
                "previous": settings.previous,
                "knocked": list(self.oddities.knocked),
                "points": self.placed.count,
            },
        }

    def arrays(self) -> tuple[Array, ...]:
        """What is left at the points, and the covariance of p, q and theta."""
        placed, figure = self.placed, self.figure
        unit = "m" if placed.quantity == "height" else "rad"
        names = [segment.name for segment in self.mirror.segments]
        return (
            Array("x", ("point",), placed.x, "m", "position along the mirror", True),
            Array("segment", ("point",), np.repeat(names, np.diff(placed.bounds)), "", "segment", True),
            Array(placed.quantity, ("point",), placed.values, unit, f"measured {placed.quantity}"),
            Array("residual", ("point",), self.residual, unit, "measured minus ellipse, pose and segments"),
            Array("misplacement", ("point",), self.misplacement, unit, "of the segments, relative to ellipse and pose"),
            Array("height_error", ("point",), figure.height_error, "m", "figure error"),
            Array("slope_error", ("point",), figure.slope_error, "rad", "slope error, filtered"),
            Array("parameter", ("parameter",), PARAMETERS, "", "parameter of the ellipse", True),
            Array("covariance", ("parameter", "parameter_2"), self.covariance, "", "of p, q [m] and theta [rad]"),
        )

    def rows(self) -> list[Table]:
        """Tables of the result, as shown on screens and pages."""
        return [self._ellipse_table(), self._segment_table(), self._figure_table(), self._focus_table()]

    def identifiability(self) -> Identifiability:
        """What of p, q and theta the data can tell, all three free, by combinations and invariants."""
        parameters = np.array([self.ellipse.p, self.ellipse.q, self.ellipse.theta])
        covariance = self.problem.posterior(parameters, (0, 1, 2))[:3, :3] * self.problem.scale**2
        patterns = systematic_patterns(self.problem.reduction, self.ellipse, self.mirror.measurement)
        for pattern in patterns.values():
            change = self.problem.response(parameters, (0, 1, 2), pattern)[:3]
            covariance = covariance + np.outer(change, change)
        return identify(self.ellipse, covariance)

    def belief(self) -> Belief:
        """What speaks for and against the stated uncertainties: other models, jackknife, priors, oddities."""
        named: dict[str, float] | None = None
        if self.jackknife is not None:
            named = {name: float(value) for name, value in zip(self.varied, self.jackknife, strict=True)}
        return Belief(
            used=self.settings.segments,
            claims=self.claims(),
            jackknife=named,
            disagree=self.disagree,
            prior_checks=self.prior_checks,
            oddities=self.oddities,
        )

    def claims(self) -> dict[SegmentModel, dict[str, float]]:
        """Standard uncertainties of what was varied that each model of the segments would have claimed."""
        parameters = np.array([self.ellipse.p, self.ellipse.q, self.ellipse.theta])
        varied = tuple(PARAMETERS.index(name) for name in self.varied)
        found: dict[SegmentModel, dict[str, float]] = {}
        for model in get_args(SegmentModel):
            if model == self.problem.model:
                stated = ((name, self.stderr(name)) for name in self.varied)
                found[model] = {name: value for name, value in stated if value is not None}
                continue
            problem = replace(self.problem, model=model, loose=self.problem.loose if model == "random" else ())
            size = np.sqrt(np.diag(problem.posterior(parameters, varied))[: len(varied)])
            found[model] = {name: float(value) for name, value in zip(self.varied, size, strict=True)}
        return found

    def monte_carlo(self, draws: int, rng: np.random.Generator) -> FloatArray:
        """Refits of simulated repetitions of this measurement, shape (draws, v): one Gauss-Newton step each.

        Rows of the joint problem are drawn anew (JCGM 101), noise, surface error, segments and priors alike.
        """
        parameters = np.array([self.ellipse.p, self.ellipse.q, self.ellipse.theta])
        varied = tuple(PARAMETERS.index(name) for name in self.varied)
        jacobian = self.problem.joint_jacobian(parameters, varied)
        gain = (self.problem.posterior(parameters, varied) @ jacobian.T)[: len(varied)]
        noise = rng.standard_normal((draws, len(jacobian)))
        samples: FloatArray = parameters[list(varied)] + noise @ gain.T
        return samples

    def spectrum(self, *, window: Window = "hann") -> Spectrum:
        """Power spectral density of the figure error, each segment's height and tilt taken away.

        Raises
        ------
        ParameterError
            If no segment has 8 points in a row without a gap.
        """
        placed, names = self.placed, [segment.name for segment in self.mirror.segments]
        slices = {names[number]: placed.part(number) for number in placed.measured}
        noise = None
        if placed.stands_for is None and placed.y is None:  # means have less of it
            sigma = np.ones_like(placed.x) if placed.sigma is None else placed.sigma
            step = float(np.median([placed.step(number) for number in placed.measured]))
            noise = 2 * self.settings.surface_error.noise**2 * float(np.mean(sigma**2)) * step or None
        parts = [(name, placed.x[part], self.residual[part]) for name, part in slices.items()]
        # without sigma a point has weight 1, a mean that of its neighbours
        alike = np.full_like(placed.x, len(placed.x) / placed.count)
        variance = alike if placed.sigma is None else placed.sigma**2
        variances = [variance[part] for part in slices.values()]
        found, pulls = pulled_spectrum(parts, placed.quantity, window=window, noise=noise, variances=variances)
        noise_of_one = noise_of(self.settings.surface_error, stated=placed.sigma is not None)
        left = left_by_fit(
            self.problem,
            np.array([self.ellipse.p, self.ellipse.q, self.ellipse.theta]),
            tuple(PARAMETERS.index(name) for name in self.varied),
            self.mirror.measurement,
            own_columns=placed.shared,
            noise=noise_of_one,
        )
        numbers = {names[number]: number for number in placed.measured}
        return with_band_uncertainties(
            found,
            {numbers[name]: one for name, one in pulls.items()},
            dict(zip(placed.measured, variances, strict=True)),
            left,
            noise_of_one,
        )

    def plot(self) -> Figure_:
        """Figure of the fit: measured and fitted, residual, segments."""
        from ellipsefit.report import plot_fit  # the one way up: a result draws itself when asked

        return plot_fit(self)

    def plot_errors(self) -> Figure_:
        """Figure of the height and slope errors, each segment's height and tilt taken away."""
        from ellipsefit.report import errors_figure

        return errors_figure(self)

    def plot_uncertainty(self) -> Figure_:
        """Figure of confidence regions and of the budget of the image focus."""
        from ellipsefit.report import plot_uncertainty

        return plot_uncertainty(self)

    def _ellipse_table(self) -> Table:
        nominal, cells = self.mirror.nominal, []
        labels = {"p": "source distance p", "q": "image distance q", "theta": "grazing angle θ"}
        for name in PARAMETERS:
            kind = kind_of(name)
            value, ideal = getattr(self.ellipse, name), getattr(nominal, name)
            cells.append(
                (
                    labels[name],
                    with_uncertainty(value, self.stderr(name), kind),
                    number(ideal, kind, digits=6),
                    with_uncertainty(value - ideal, self.stderr(name), kind) if name in self.varied else "held",
                )
            )
        pose = self.pose
        cells.append(("pose: height", _derived(pose.height, pose.height_stderr, "length"), "0 um", ""))
        cells.append(("pose: tilt", _derived(pose.tilt, pose.tilt_stderr, "angle"), "0 urad", ""))
        title = f"Ellipse of {self.mirror.name}"
        if not self.converged:
            title += ": NOT CONVERGED, these are the last values tried"
        notes = tuple(f"Note: {text}" for text in self.warnings)
        return Table(title=title, header=("", "fitted", "nominal", "difference"), cells=tuple(cells), notes=notes)

    def _segment_table(self) -> Table:
        cells = tuple(
            (
                segment.name,
                stated(segment.height, segment.height_stderr, "length", unit="um"),
                stated(segment.tilt, segment.tilt_stderr, "angle", unit="urad"),
                stated(segment.height_error_rms, segment.height_error_rms_stderr, "length", unit="nm"),
                stated(segment.slope_error_rms, segment.slope_error_rms_stderr, "angle", unit="urad"),
            )
            for segment in self.segments
        )
        header = ("segment", "height", "tilt", "height rms", "slope rms")
        return Table(
            title="Segments, relative to the fitted ellipse in its pose",
            header=header,
            cells=cells,
            notes=("height rms and slope rms: what is left of each when its height and tilt are taken away.",),
        )

    def _figure_table(self) -> Table:
        figure = self.figure
        cells = [
            (f"{error} error{words}", figure.told(f"{key}_rms"), pv and figure.told(pv), noise and figure.told(noise))
            for error, words, key, pv, noise in (
                ("height", "", "height_error", "height_error_pv", "height_noise_rms"),
                ("slope", "", "slope_error", "slope_error_pv", "slope_noise_rms"),
                ("height", ", segments as they stand", "whole_height_error", "", ""),
                ("slope", ", segments as they stand", "whole_slope_error", "", ""),
            )
        ]
        band = (
            f"Slopes after a Gaussian filter (ISO 16610-21) with cut-off {number(figure.cutoff, 'length')}; "
            "peak to valley grows with the number of points."
            if figure.cutoff is not None
            else "Slopes as measured, unfiltered; heights by integration along each segment."
        )
        sure = (
            "As measured, with the noise in it. ± is how far another measurement would scatter about it; for peak to "
            "valley it is a bound."
        )
        header = ("", "rms", "peak to valley", "noise in it, rms")
        return Table(title="Figure", header=header, cells=tuple(cells), notes=(band, sure))

    def _focus_table(self) -> Table:
        focus = self.focus
        cells = tuple(
            (
                f"{name} focus, {axis} the chief ray",
                _derived(getattr(focus, f"{name}_{axis}"), getattr(focus, f"{name}_{axis}_stderr"), "length"),
            )
            for name in ("image", "source")
            for axis in ("along", "across")
        )
        notes = ("Along: positive downstream; across: positive towards +z.",)
        return Table(
            title="Where the foci are, minus nominal", header=("", "misplacement"), cells=tuple(cells), notes=notes
        )


def _derived(value: float | None, stderr: float | None, kind: str) -> str:
    """What follows from the parameters; without an uncertainty it is held by them, and three digits do."""
    if value is None or stderr:
        return with_uncertainty(value, stderr, kind)
    return number(value, kind) + " (held)" * (stderr is None)


def _fields(item: Any) -> dict[str, Any]:
    return {entry.name: getattr(item, entry.name) for entry in fields(item)}
