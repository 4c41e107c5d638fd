"""The guide's straightness error: cubic B-splines of the carriage, held by a stationary random model."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray, IntArray

#: Knots over the carriage's range: finer structure of the guide than this share of it is not followed.
INTERVALS: Final = 96


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


def guide_covariance(places: FloatArray, spread: float, length: float) -> FloatArray:
    """Covariance of the coefficients: Matérn of smoothness 5/2 (Rasmussen and Williams 2006, eq. 4.17)."""
    a = np.sqrt(5.0) * np.abs(places[:, None] - places[None, :]) / length
    covariance: FloatArray = spread**2 * (1 + a + a * a / 3) * np.exp(-a)
    covariance[np.diag_indices_from(covariance)] += 1e-9 * spread**2  # keeps the inverse numerical
    return covariance
