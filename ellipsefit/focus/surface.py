"""The surface that rays meet: an ellipse in its pose, rigid segments on it, and what is left of the profile.

A measured profile is noise on top of figure. Its slope would be noise alone at fine steps, so the figure is
what the fit's model of the surface error makes of the residual: the posterior mean of a Gaussian process
(C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning, 2006, eq. 2.23 and 9.4), with
the standard deviation of the slope that stays unresolved.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final, NamedTuple

import numpy as np

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.fit.result import EllipseFit
from ellipsefit.fit.surface_error import SurfaceError
from ellipsefit.rows import number

#: Blocks of points of one segment from which its figure is told, at most.
MOST_BLOCKS: Final = 400
#: Knots on one correlation length of the figure, and at most on a segment.
KNOTS: Final = (6, 1500)
#: Share of a segment's span that the profile must cover, or it is said what is missing.
COVERAGE: Final = 0.95
#: Share of the variance of slopes up to which what is unresolved is believed; beyond, the data do not tell it.
OPEN: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FigureError:
    """Figure of one segment: cubic between knots, with the slopes given there; straight on beyond the ends."""

    x: FloatArray  # (K,) [m], increasing
    height: FloatArray  # (K,) [m]
    slope: FloatArray  # (K,) [rad]
    unresolved: FloatArray  # (K,) standard deviation of the slope that the data leave open [rad]

    def __post_init__(self) -> None:
        for name in ("x", "height", "slope", "unresolved"):
            object.__setattr__(self, name, sealed(getattr(self, name)))

    def at(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Height [m] and slope [rad] at positions."""
        from scipy.interpolate import CubicHermiteSpline

        spline = CubicHermiteSpline(self.x, self.height, self.slope)
        place = np.clip(x, self.x[0], self.x[-1])
        slope = np.asarray(spline(place, 1), dtype=np.float64)
        return np.asarray(spline(place), dtype=np.float64) + slope * (x - place), slope


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Piece:
    """One segment as it stands relative to the ellipse in its pose."""

    name: str
    start: float  # [m]
    end: float
    height: float = 0.0  # at the middle [m]
    tilt: float = 0.0  # [rad]
    figure: FigureError | None = None
    coating_m: float | None = None
    roll: float = 0.0  # [rad], positive when the +y side is high
    twist: float = 0.0  # change of roll along x [rad/m]

    @property
    def middle(self) -> float:
        """Middle of the span [m]."""
        return (self.start + self.end) / 2


class Curve(NamedTuple):
    """Heights [m] and slopes [rad] at positions."""

    height: FloatArray
    slope: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Surface:
    """All segments, in the order of x, in the frame of the nominal mirror.

    z(x) = ellipse(x) + pose_height + pose_tilt x + segment's height + tilt (x - middle) + figure.
    """

    nominal: Ellipse
    ellipse: Ellipse
    pieces: tuple[Piece, ...]
    pose_height: float = 0.0  # at x = 0 [m]
    pose_tilt: float = 0.0  # [rad]
    warnings: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        if not self.pieces:
            raise ParameterError("a surface needs at least one piece")
        for before, after in zip(self.pieces, self.pieces[1:], strict=False):
            if not before.start < before.end <= after.start < after.end:
                raise ParameterError(f"piece '{after.name}' must lie downstream of piece '{before.name}'")

    @property
    def span(self) -> tuple[float, float]:
        """Start of the first and end of the last piece [m]."""
        return self.pieces[0].start, self.pieces[-1].end

    def curve(self, piece: int, x: FloatArray) -> Curve:
        """The surface of one piece at positions, also a bit beyond its ends."""
        mine = self.pieces[piece]
        height = self.ellipse.height(x) + self.pose_height + self.pose_tilt * x + mine.height
        height = height + mine.tilt * (x - mine.middle)
        slope = self.ellipse.slope(x) + self.pose_tilt + mine.tilt
        if mine.figure is not None:
            own = mine.figure.at(x)
            height, slope = height + own[0], slope + own[1]
        return Curve(height, slope)

    def unresolved(self, piece: int, x: FloatArray) -> FloatArray:
        """Standard deviation of the slope that the data leave open [rad]."""
        figure = self.pieces[piece].figure
        return np.zeros_like(x) if figure is None else np.interp(x, figure.x, figure.unresolved)

    def moved(self, height: float, tilt: float) -> Surface:
        """The surface after a move of the carrier: height at x = 0 [m] and tilt [rad]."""
        return replace(self, pose_height=self.pose_height + height, pose_tilt=self.pose_tilt + tilt)

    def realigned(self) -> Surface:
        """The surface with every segment set onto the ellipse in its pose; form stays as it is."""
        return replace(self, pieces=tuple(replace(piece, height=0.0, tilt=0.0) for piece in self.pieces))


def measured_surface(fit: EllipseFit, *, coverage: float = COVERAGE) -> Surface:
    """The surface that a fit and its profile tell.

    Parameters
    ----------
    fit : EllipseFit
    coverage : float
        Share of a segment's span, less its edges, that the profile must cover; a segment with less gets a
        warning that says which part is missing, and is continued there as its model expects.
    """
    mirror, placed = fit.mirror, fit.placed
    measured, pieces, figures, warnings = set(placed.measured), [], [], []
    heights = placed.quantity == "height"
    for index, (segment, state) in enumerate(zip(mirror.segments, fit.segments, strict=True)):
        figure, line = None, (0.0, 0.0)
        if index in measured:
            part = placed.part(index)
            missing = _missing(placed.x[part], segment.start + segment.edge, segment.end - segment.edge)
            share = 1 - sum(stop - start for start, stop in missing) / (segment.length - 2 * segment.edge)
            if share < coverage:
                where = ", ".join(f"{start * 1e3:.6g} mm to {stop * 1e3:.6g} mm" for start, stop in missing)
                warnings.append(
                    f"segment {segment.name}: the profile covers {100 * share:.3g} % of it, less than "
                    f"{100 * coverage:.3g} %; missing: {where}. There its line is continued without figure"
                )
            # without sigma a point has weight 1, a mean that of its neighbours
            gathered = placed.count / len(placed.x)
            weight = np.full(part.stop - part.start, gathered) if placed.sigma is None else placed.sigma[part] ** -2
            error = fit.settings.surface_error
            if error.correlated > 0:
                ends = (segment.start, segment.end)
                figure = resolved_figure(placed.x[part], fit.residual[part], weight, error, ends, heights=heights)
                figures.append(figure)
            else:
                line = _line(placed.x[part] - segment.middle, fit.residual[part], weight, heights=heights)
        else:
            warnings.append(f"segment {segment.name} was not measured; it is taken to stand on the fitted ellipse")
        pieces.append(
            Piece(
                name=segment.name,
                start=segment.start,
                end=segment.end,
                height=(state.height or 0.0) + line[0],
                tilt=(state.tilt or 0.0) + line[1],
                figure=figure,
                coating_m=segment.coating_m,
            )
        )
    if not heights:
        warnings.append(
            "slopes tell no heights: the mirror and its segments are taken to stand at their nominal height, and steps "
            "between them are not known"
        )
    error = fit.settings.surface_error
    if figures:
        prior = slope_spread(error, heights=heights)
        open_part = float(np.sqrt(np.mean([np.mean(figure.unresolved**2) for figure in figures])))
        if open_part**2 > OPEN * prior**2:
            # next to nothing is known of these slopes: what the model would have them be is no measurement
            pieces = [replace(piece, figure=None) for piece in pieces]
            length, size = number(error.length, "length"), number(prior, "angle")
            warnings.append(
                f"errors {length} long are too short for the profile to tell slopes from noise: they are left out; "
                f"were they real, slopes of {size} rms would blur the spot further"
            )
    if error.correlated == 0:
        warnings.append(
            f"the residual of {number(fit.figure.height_error_rms, 'length')} rms is taken for noise of the "
            "measurement, but for the line of each segment: no figure error enters"
        )
    return Surface(
        nominal=mirror.nominal,
        ellipse=fit.ellipse,
        pieces=tuple(pieces),
        pose_height=fit.pose.height or 0.0,
        pose_tilt=fit.pose.tilt,
        warnings=tuple(warnings),
    )


def _line(lever: FloatArray, residual: FloatArray, weight: FloatArray, *, heights: bool) -> tuple[float, float]:
    """Height and tilt that a segment's residual still holds: all of it where the fit has no segments of its own."""
    if not heights:
        return 0.0, float(np.average(residual, weights=weight))
    root = np.sqrt(weight)
    columns = np.column_stack([np.ones_like(lever), lever]) * root[:, None]
    height, tilt = np.linalg.lstsq(columns, residual * root, rcond=None)[0]
    return float(height), float(tilt)


def slope_spread(error: SurfaceError, *, heights: bool) -> float:
    """Standard deviation of the slope that a model of the surface error expects [rad]."""
    origin = np.zeros((1, 1))
    variance = -_covariance(origin, error, 2) if heights else _covariance(origin, error, 0)
    return float(np.sqrt(variance[0, 0]))


def _missing(x: FloatArray, start: float, end: float) -> list[tuple[float, float]]:
    """Stretches of a span that no point stands for: longer than 3.5 steps and a hundredth of the span."""
    places = np.unique(x)
    longest = max(3.5 * float(np.median(np.diff(places))), 0.01 * (end - start))
    edges = np.concatenate([[start], places, [end]])
    return [(float(edges[i]), float(edges[i + 1])) for i in np.flatnonzero(np.diff(edges) > longest)]


def resolved_figure(
    x: FloatArray,
    residual: FloatArray,
    weight: FloatArray,
    error: SurfaceError,
    ends: tuple[float, float],
    *,
    heights: bool,
) -> FigureError:
    """Figure of a segment as the posterior mean of the model of its surface error.

    Parameters
    ----------
    x, residual, weight : array, shape (N,)
        Points [m], what is left there [m or rad] and 1/sigma**2 (1 without sigma).
    error : SurfaceError
        With a correlated part.
    ends : tuple of float
        Span of the segment [m], which the knots fill.
    heights : bool
        Whether heights were measured, or slopes.
    """
    from scipy.linalg import cho_factor, cho_solve

    block = np.arange(len(x)) * min(MOST_BLOCKS, len(x)) // len(x)
    total = np.bincount(block, weight)
    place, value = np.bincount(block, weight * x) / total, np.bincount(block, weight * residual) / total
    covariance = _covariance(place[:, None] - place[None, :], error, 0)
    # the least noise keeps a very smooth process solvable in double precision
    covariance[np.diag_indices_from(covariance)] += error.noise**2 / total + 1e-11 * error.correlated**2
    factor = cho_factor(covariance, lower=True)
    count = int(np.clip(KNOTS[0] * (ends[1] - ends[0]) / error.length, 8, KNOTS[1])) + 1
    knots = np.linspace(*ends, count)
    distance = knots[:, None] - place[None, :]
    alpha = cho_solve(factor, value)
    if heights:
        across = _covariance(distance, error, 1)
        height, slope = _covariance(distance, error, 0) @ alpha, across @ alpha
    else:
        across = _covariance(distance, error, 0)
        slope = across @ alpha
        steps = np.diff(knots) * (slope[1:] + slope[:-1]) / 2
        height = np.concatenate([[0.0], np.cumsum(steps)])
        height -= height.mean()
    variance = slope_spread(error, heights=heights) ** 2 - np.sum(across * cho_solve(factor, across.T).T, axis=1)
    return FigureError(x=knots, height=height, slope=slope, unresolved=np.sqrt(np.maximum(variance, 0.0)))


def _covariance(distance: FloatArray, error: SurfaceError, order: int) -> FloatArray:
    """Covariance over distance [m], or its first or second derivative with respect to distance."""
    length, kind = error.length, error.kind
    size = error.correlated**2
    if np.isinf(kind.smoothness):
        d = distance / length
        decay = np.exp(-d * d / 2)
        if kind.of_slope:
            if order:
                raise ParameterError("slopes need no derivative of their covariance")
            return np.asarray(size * (1 - d * d) * decay)
        shape = {0: np.ones_like(d), 1: -d, 2: d * d - 1}[order]
        return np.asarray(size * shape * decay / length**order)
    rate = np.sqrt(2 * kind.smoothness) / length
    a, side = np.abs(distance) * rate, np.sign(distance)
    decay = np.exp(-a)
    if kind.of_slope:
        if order:
            raise ParameterError("slopes need no derivative of their covariance")
        return np.asarray(size * (1 + a - a * a) * decay)
    if kind.smoothness == 1.5:
        shape = {0: 1 + a, 1: -a * side, 2: a - 1}[order]
    else:
        shape = {0: 1 + a + a * a / 3, 1: -a * (1 + a) / 3 * side, 2: (a * a - a - 1) / 3}[order]
    return np.asarray(size * shape * decay * rate**order)
