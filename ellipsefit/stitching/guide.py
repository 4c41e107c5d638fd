"""The guide's straightness error: cubic B-splines of the carriage, held by a stationary random model."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from ellipsefit.arrays import FloatArray

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
    def knots(self) -> FloatArray:
        """All knots, those beyond the ends included."""
        step = (self.end - self.start) / self.intervals
        return np.asarray(self.start + step * np.arange(-3, self.intervals + 4), dtype=np.float64)

    @property
    def places(self) -> FloatArray:
        """Where each spline's coefficient acts: its mean knot (Greville abscissa) [m]."""
        step = (self.end - self.start) / self.intervals
        return np.asarray(self.start + step * (np.arange(self.size) - 1.0), dtype=np.float64)

    def matrix(self, carriage: FloatArray) -> Any:
        """Values of the splines at carriage positions, sparse, shape (N, size)."""
        from scipy.interpolate import BSpline

        knots = self.knots
        inside = np.clip(carriage, knots[3], knots[-4])  # rounding may put the last knot just before the end
        return BSpline.design_matrix(inside, knots, 3)


def guide_basis(carriage: FloatArray, step: float) -> GuideBasis:
    """Splines over the range of the carriage; no interval is shorter than four steps of the points."""
    start, end = float(carriage.min()), float(carriage.max())
    intervals = int(np.clip((end - start) / (4 * step), 4, INTERVALS))
    return GuideBasis(start=start, end=end, intervals=intervals)


def guide_covariance(places: FloatArray, spread: float, length: float) -> FloatArray:
    """Covariance of the coefficients: Matérn of smoothness 5/2 (Rasmussen and Williams 2006, eq. 4.17)."""
    a = np.sqrt(5.0) * np.abs(places[:, None] - places[None, :]) / length
    covariance: FloatArray = spread**2 * (1 + a + a * a / 3) * np.exp(-a)
    covariance[np.diag_indices_from(covariance)] += 1e-9 * spread**2  # keeps the inverse numerical
    return covariance
