"""The guide's straightness error: cubic B-splines of the carriage, held by a stationary random model."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from ellipsefit.arrays import FloatArray, IntArray

#: Knots over the carriage's range: finer structure of the guide than this share of it is not followed.
INTERVALS: Final = 96
#: White part of the guide's error, as a share of its variance.
WHITE: Final = 1e-8

GuideShape = Literal["matern", "gaussian"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GuideBasis:
    """B-splines of degree 3 on equal knots; a parabola and a line are among their sums exactly."""

    start: float
    end: float
    intervals: int

    @property
    def size(self) -> int:
        """Number of splines."""
        return self.intervals + 3

    @property
    def places(self) -> FloatArray:
        """Where each spline's coefficient acts: its mean knot (Greville abscissa) [m]."""
        step = (self.end - self.start) / self.intervals
        return np.asarray(self.start + step * (np.arange(self.size) - 1.0), dtype=np.float64)

    def cells(self, carriage: FloatArray) -> tuple[IntArray, FloatArray]:
        """The interval of each carriage position, shape (N,), and its four splines there, (4, N).

        Interval i has the splines i to i + 3.
        """
        place = (np.clip(carriage, self.start, self.end) - self.start) * (self.intervals / (self.end - self.start))
        cell: IntArray = np.minimum(place.astype(np.intp), self.intervals - 1)
        t = place - cell
        rest, square = 1.0 - t, t * t
        splines = np.empty((4, len(t)))
        np.multiply(rest * rest, rest, out=splines[0])
        splines[1] = (3.0 * t - 6.0) * square + 4.0
        splines[2] = ((3.0 - 3.0 * t) * t + 3.0) * t + 1.0
        np.multiply(square, t, out=splines[3])
        splines /= 6.0
        return cell, splines

    def matrix(self, carriage: FloatArray) -> FloatArray:
        """Values of the splines at carriage positions, shape (N, size)."""
        cell, splines = self.cells(carriage)
        values = np.zeros((len(carriage), self.size))
        values[np.arange(len(carriage)), cell + np.arange(4)[:, None]] = splines
        return values


def guide_basis(carriage: FloatArray, step: float) -> GuideBasis:
    """Splines over the range of carriage positions; no interval is shorter than four steps of the points."""
    start, end = float(carriage.min()), float(carriage.max())
    intervals = int(np.clip((end - start) / (4 * step), 4, INTERVALS))
    return GuideBasis(start=start, end=end, intervals=intervals)


@dataclass(frozen=True, slots=True, kw_only=True)
class GuideModel:
    """Stationary random model of the guide's error: a mean of covariances, for what is known of them is a belief.

    Each part has a weight, a standard deviation, a correlation length [m] and a shape.
    """

    parts: tuple[tuple[float, float, float, GuideShape], ...]

    @property
    def spread(self) -> float:
        """Standard deviation of the error."""
        return float(np.sqrt(sum(weight * spread**2 for weight, spread, _, _ in self.parts)))

    @property
    def length(self) -> float:
        """Correlation length [m], the mean over the parts."""
        return float(sum(weight * length for weight, _, length, _ in self.parts))

    @property
    def spread_stderr(self) -> float:
        """Standard deviation of what is believed of the spread; 0 where it is known."""
        return self._scatter(np.array([spread for _, spread, _, _ in self.parts]))

    @property
    def length_stderr(self) -> float:
        """Standard deviation of what is believed of the correlation length [m]."""
        return self._scatter(np.array([length for _, _, length, _ in self.parts]))

    def _scatter(self, values: FloatArray) -> float:
        weights = np.array([weight for weight, _, _, _ in self.parts])
        mean = np.average(values, weights=weights)
        return float(np.sqrt(np.average((values - mean) ** 2, weights=weights)))

    def covariance(self, places: FloatArray) -> FloatArray:
        """Covariance of the splines' coefficients that act at `places`, shape (K, K)."""
        total = np.zeros((len(places),) * 2)
        for weight, spread, length, shape in self.parts:
            if weight > 0:
                total += weight * _part(places, spread, length, shape)
        total[np.diag_indices_from(total)] += WHITE * self.spread**2  # keeps the inverse numerical
        return total


def one_guide(spread: float, length: float, shape: GuideShape = "matern") -> GuideModel:
    """Model of one part."""
    return GuideModel(parts=((1.0, spread, length, shape),))


def _part(places: FloatArray, spread: float, length: float, shape: GuideShape) -> FloatArray:
    """Matérn of smoothness 5/2, or Gaussian (Rasmussen and Williams 2006, eqs. 4.17 and 4.9).

    A guide without fine structure is Gaussian in shape: a Matérn that must deny the same structure takes up
    too long a correlation, and then too little of what lies between long and short.
    """
    distance = np.abs(places[:, None] - places[None, :]) / length
    if shape == "matern":
        a = np.sqrt(5.0) * distance
        return np.asarray(spread**2 * (1 + a + a * a / 3) * np.exp(-a), dtype=np.float64)
    return np.asarray(spread**2 * np.exp(-(distance**2) / 2), dtype=np.float64)


def believed_guide(
    information: FloatArray,
    pull: FloatArray,
    places: FloatArray,
    best: dict[GuideShape, tuple[float, float]],
    *,
    longest: float,
    known_spread: float | None = None,
) -> GuideModel:
    """The guide's model as far as its likelihood tells it: covariances weighted over shape, length and spread.

    From one guide its spread is known to some ten per cent at best, and nothing measures the parabola or what
    repeats with the step, whose uncertainties hang on shape and spread. With K the covariance at unit spread,
    the eigenvalues e of root(K) information root(K) give the likelihood for every spread s at once: its
    logarithm is -sum(log(1 + s**2 e) - s**2 b**2 / (1 + s**2 e)) / 2, b the pull along their vectors.

    Parameters
    ----------
    information : array, shape (K, K)
        What the scans tell of the splines' coefficients, all else eliminated.
    pull : array, shape (K,)
        Right-hand side that belongs to it.
    places : array, shape (K,)
        Where the coefficients act [m].
    best : dict
        Spread and correlation length [m] around which to look, for each shape.
    longest : float
        Bound of the length [m].
    known_spread : float, optional
        The spread, if it is known.
    """
    found = []
    for shape, (spread, length) in best.items():
        for change in np.linspace(-0.8, 0.8, 9):
            here = min(length * np.exp(change), longest)
            size, modes = np.linalg.eigh(_part(places, 1.0, here, shape) + WHITE * np.eye(len(places)))
            root = (modes * np.sqrt(np.maximum(size, WHITE))) @ modes.T
            e, vectors = np.linalg.eigh(root @ information @ root)
            e, b = np.maximum(e, 0.0), vectors.T @ (root @ pull)
            # a longer correlation goes with a larger spread: the ridge of the likelihood runs along both
            steps = 2.5 * change + np.linspace(-2.0, 4.0, 25)
            for s in np.array([known_spread]) if known_spread is not None else spread * np.exp(steps):
                share = 1 + s**2 * e
                found.append((float(np.sum(np.log(share) - (s * b) ** 2 / share)), float(s), float(here), shape))
    values = np.array([item[0] for item in found])
    weights = np.exp(-0.5 * (values - values.min()))
    weights /= weights.sum()
    return GuideModel(
        parts=tuple(
            (float(weight), spread, length, shape)
            for weight, (_, spread, length, shape) in zip(weights, found, strict=True)
            if weight > 1e-4
        )
    )
