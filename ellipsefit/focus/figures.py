"""Figure of a segment, told from noise by the fit's model of the surface error.

A measured profile is noise on top of figure. Its slope would be noise alone at fine steps, so the figure is what the
model makes of the residual: the posterior mean of a Gaussian process (C. E. Rasmussen and C. K. I. Williams, Gaussian
Processes for Machine Learning, 2006, eq. 2.23, 2.24 and 9.4), linear in it, with the covariance of the slopes that it
leaves open.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray, IntArray, sealed
from ellipsefit.errors import ParameterError
from ellipsefit.fit.result import EllipseFit
from ellipsefit.fit.surface_error import SurfaceError
from ellipsefit.profile import PlacedProfile

#: Blocks of points of one segment from which its figure is told, at most.
MOST_BLOCKS: Final = 400
#: Knots on one correlation length of the figure, and at most on a segment.
KNOTS: Final = (6, 1500)
#: Relative difference of neighbouring steps that pass for even; points whose slopes are looked at together, neighbours
#: being alike; and fewest such groups.
EVEN: Final = 0.2
TOGETHER: Final = 50
FEWEST: Final = 10


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


def point_weights(placed: PlacedProfile, part: slice) -> FloatArray:
    """1 / sigma**2 of some points; without sigma a point has weight 1, a mean that of its neighbours."""
    if placed.sigma is None:
        return np.full(part.stop - part.start, placed.count / len(placed.x))
    return np.asarray(placed.sigma[part] ** -2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FigureModel:
    """How the figure of one segment follows from what a fit leaves of its points.

    Points come together in B blocks; the figure is told at K knots, which fill the span.
    """

    error: SurfaceError  # with a correlated part
    heights: bool  # whether heights were measured, or slopes
    starts: IntArray  # (B,) first point of each block
    weight: FloatArray  # (N,) 1 / sigma**2 of each point
    place: FloatArray  # (B,) [m]
    factor: tuple[FloatArray, bool]  # of the covariance of the blocks' means, by Cholesky
    knots: FloatArray  # (K,) [m]
    slope: FloatArray  # (K, B) covariance of slopes at knots and measured values

    @classmethod
    def of(cls, fit: EllipseFit, number: int) -> FigureModel:
        """That of a measured segment, by its number."""
        placed, segment = fit.placed, fit.mirror.segments[number]
        part = placed.part(number)
        return cls.of_points(
            placed.x[part],
            point_weights(placed, part),
            fit.settings.surface_error,
            (segment.start, segment.end),
            heights=placed.quantity == "height",
        )

    @classmethod
    def of_points(
        cls, x: FloatArray, weight: FloatArray, error: SurfaceError, ends: tuple[float, float], *, heights: bool
    ) -> FigureModel:
        """For points at x [m] (N,), increasing, with weights 1 / sigma**2 (1 without sigma), on a span [m]."""
        from scipy.linalg import cho_factor

        blocks = min(MOST_BLOCKS, len(x))
        starts = -(-np.arange(blocks) * len(x) // blocks)
        total = np.add.reduceat(weight, starts)
        place = np.add.reduceat(weight * x, starts) / total
        covariance = _covariance(place[:, None] - place[None, :], error, 0)
        # the least noise keeps a very smooth process solvable in double precision
        covariance[np.diag_indices_from(covariance)] += error.noise**2 / total + 1e-11 * error.correlated**2
        count = int(np.clip(KNOTS[0] * (ends[1] - ends[0]) / error.length, 8, KNOTS[1])) + 1
        knots = np.linspace(*ends, count)
        return cls(
            error=error,
            heights=heights,
            starts=starts,
            weight=weight,
            place=place,
            factor=cho_factor(covariance, lower=True),
            knots=knots,
            slope=_covariance(knots[:, None] - place[None, :], error, 1 if heights else 0),
        )

    def means(self, values: FloatArray) -> FloatArray:
        """Weighted mean in each block of values (N,) or columns (N, u) of points, (B,) or (B, u)."""
        weight = self.weight.reshape(-1, *(1,) * (values.ndim - 1))
        total = np.add.reduceat(weight, self.starts, axis=0)
        return np.asarray(np.add.reduceat(weight * values, self.starts, axis=0) / total)

    def resolved(self, means: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Height [m] and slope [rad] at the knots for means (B,) or (B, u) in blocks, (K,) or (K, u) each."""
        from scipy.linalg import cho_solve

        alpha = cho_solve(self.factor, means)
        slope = self.slope @ alpha
        if self.heights:
            distance = self.knots[:, None] - self.place[None, :]
            return _covariance(distance, self.error, 0) @ alpha, slope
        return summed(self.knots, slope), slope

    def figure(self, means: FloatArray) -> FigureError:
        """The figure for what is left in each block, (B,) [m or rad]."""
        from scipy.linalg import cho_solve

        height, slope = self.resolved(means)
        told = np.sum(self.slope * cho_solve(self.factor, self.slope.T).T, axis=1)
        variance = slope_spread(self.error, heights=self.heights) ** 2 - told
        return FigureError(x=self.knots, height=height, slope=slope, unresolved=np.sqrt(np.maximum(variance, 0.0)))

    def open_slopes(self) -> FloatArray:
        """Covariance of the slopes at the knots that the points leave, (K, K) [rad**2] (eq. 2.24)."""
        from scipy.linalg import cho_solve

        distance = self.knots[:, None] - self.knots[None, :]
        prior = -_covariance(distance, self.error, 2) if self.heights else _covariance(distance, self.error, 0)
        return np.asarray(prior - self.slope @ cho_solve(self.factor, self.slope.T))


def slopes_from_point_to_point(fit: EllipseFit) -> tuple[float, float] | None:
    """Mean square of the residual's slope at the scale of its points, and its standard uncertainty [rad**2].

    By the structure function at one step h and at two: half the mean square of differences is n**2 + m**2 d**2 / 2 over
    a distance d, of noise n from point to point and of slopes m that hardly change over two steps. Noise that is alike
    at neighbours passes for slopes. None where there are too few points in even steps.
    """
    found: list[float] = []
    for number in fit.placed.measured:
        part = fit.placed.part(number)
        rest, steps = fit.residual[part], np.diff(fit.placed.x[part])
        first, second = steps[:-1], steps[1:]
        even = (np.abs(second - first) < EVEN * first) & (first > 0)
        near, far = np.diff(rest) ** 2 / 2, (rest[2:] - rest[:-2]) ** 2 / 2
        near = (near[1:] + near[:-1]) / 2
        if fit.placed.quantity == "height":
            square = (far - near)[even] / (1.5 * (first * second)[even])
        else:
            square = rest[1:-1][even] ** 2 - (4 * near - far)[even] / 3
        if len(square) >= TOGETHER:
            found += [group.mean() for group in np.array_split(square, len(square) // TOGETHER)]
    if len(found) < FEWEST:
        return None
    return float(np.mean(found)), float(np.std(found, ddof=1) / np.sqrt(len(found)))


def summed(x: FloatArray, slope: FloatArray) -> FloatArray:
    """Heights of slopes (K,) or (K, u) by the trapezoidal rule, zero on average."""
    steps = np.diff(x).reshape(-1, *(1,) * (slope.ndim - 1)) * (slope[1:] + slope[:-1]) / 2
    height = np.concatenate([np.zeros_like(slope[:1]), np.cumsum(steps, axis=0)])
    return np.asarray(height - height.mean(axis=0))


def slope_spread(error: SurfaceError, *, heights: bool) -> float:
    """Standard deviation of the slope that a model of the surface error expects [rad]."""
    origin = np.zeros((1, 1))
    variance = -_covariance(origin, error, 2) if heights else _covariance(origin, error, 0)
    return float(np.sqrt(variance[0, 0]))


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
