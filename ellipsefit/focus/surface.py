"""The surface that rays meet: an ellipse in its pose, rigid segments on it, and what is left of the profile.

What is left of the profile is noise on top of figure: `figures` tells these apart.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final, NamedTuple

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.fit.result import EllipseFit
from ellipsefit.focus.figures import FigureError, FigureModel, point_weights, slope_spread, slopes_from_point_to_point
from ellipsefit.rows import number

#: Share of a segment's span that the profile must cover, or it is said what is missing.
COVERAGE: Final = 0.95
#: Share of the variance of slopes up to which what is unresolved is believed; beyond, the data do not tell it.
OPEN: Final = 0.5
#: Standard uncertainties by which slopes from point to point must exceed those of the figure to be told, and share of
#: their mean square: a tenth of the width.
SURELY: Final = 5.0
NOTABLE: Final = 0.2


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
            if fit.settings.surface_error.correlated > 0:
                model = FigureModel.of(fit, index)
                figure = model.figure(model.means(fit.residual[part]))
                figures.append(figure)
            else:
                lever = placed.x[part] - segment.middle
                line = _line(lever, fit.residual[part], point_weights(placed, part), heights=heights)
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
    if figures and not _are_told(figures, fit):
        pieces = [replace(piece, figure=None) for piece in pieces]
        figures = []
    warnings += _missing_slopes(figures, fit)
    return Surface(
        nominal=mirror.nominal,
        ellipse=fit.ellipse,
        pieces=tuple(pieces),
        pose_height=fit.pose.height or 0.0,
        pose_tilt=fit.pose.tilt,
        warnings=tuple(warnings),
    )


def _are_told(figures: list[FigureError], fit: EllipseFit) -> bool:
    """Whether slopes are known; else what the model would have them be is no measurement."""
    prior = slope_spread(fit.settings.surface_error, heights=fit.placed.quantity == "height")
    return bool(np.mean([np.mean(figure.unresolved**2) for figure in figures]) <= OPEN * prior**2)


def _missing_slopes(figures: list[FigureError], fit: EllipseFit) -> list[str]:
    """What is to be said of slopes that no figure holds, nor what is unresolved of it."""
    error = fit.settings.surface_error
    if error.correlated == 0:
        return [
            f"the residual of {number(fit.figure.height_error_rms, 'length')} rms is taken for noise of the "
            "measurement, but for the line of each segment: no figure error enters"
        ]
    held = float(np.mean([np.mean(one.slope**2 + one.unresolved**2) for one in figures])) if figures else 0.0
    points = slopes_from_point_to_point(fit)
    if points is not None and points[0] - held > max(SURELY * points[1], NOTABLE * held):
        shown, known, more = (number(np.sqrt(square), "angle") for square in (points[0], held, points[0] - held))
        return [
            f"from point to point the profile shows slopes of {shown} rms, of which the figure holds {known}: the rest "
            f"is too short for it, and taken for noise; were it of the surface, {more} rms would blur the spot further"
        ]
    if figures:
        return []
    length = number(error.length, "length")
    size = number(slope_spread(error, heights=fit.placed.quantity == "height"), "angle")
    return [
        f"errors {length} long are too short for the profile to tell slopes from noise: they are left out; were they "
        f"real, slopes of {size} rms would blur the spot further"
    ]


def _line(lever: FloatArray, residual: FloatArray, weight: FloatArray, *, heights: bool) -> tuple[float, float]:
    """Height and tilt that a segment's residual still holds: all of it where the fit has no segments of its own."""
    if not heights:
        return 0.0, float(np.average(residual, weights=weight))
    root = np.sqrt(weight)
    columns = np.column_stack([np.ones_like(lever), lever]) * root[:, None]
    height, tilt = np.linalg.lstsq(columns, residual * root, rcond=None)[0]
    return float(height), float(tilt)


def _missing(x: FloatArray, start: float, end: float) -> list[tuple[float, float]]:
    """Stretches of a span that no point stands for: longer than 3.5 steps and a hundredth of the span."""
    places = np.unique(x)
    longest = max(3.5 * float(np.median(np.diff(places))), 0.01 * (end - start))
    edges = np.concatenate([[start], places, [end]])
    return [(float(edges[i]), float(edges[i + 1])) for i in np.flatnonzero(np.diff(edges) > longest)]
