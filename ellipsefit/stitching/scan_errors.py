"""How well the scans' own heights, tilts and drift are known: from the covariance of the effects."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.stitching.normal import Effects, Observations
from ellipsefit.stitching.substitution import Modes, Solution


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EffectErrors:
    """Standard uncertainties of what the scans have for themselves."""

    height: FloatArray  # (scans,) at the middle of each scan, without what all share [m]; of slopes empty
    tilt: FloatArray  # (scans,) without what all share [rad]
    drift_spread: float | None  # of the standard deviation of the drift's coefficients; None: they tell nothing of it


def effect_errors(
    points: Observations, effects: Effects, solution: Solution, modes: Modes, *, drift_spread: float, told_by: int
) -> EffectErrors:
    """Uncertainties of heights, tilts and of the drift's spread, scans in the order in which they were given.

    The scans' mean tilt, with the heights that go with it about the mean of their middles, and their mean height are
    set aside: the scans cannot tell these, and all share them. The variance s**2 of drift coefficients whose own
    variances are v has the Fisher information sum((1 - v / s**2)**2) / (2 s**4) at least (D. A. Harville, 1977, of
    restricted likelihood; their covariances, left out here, add to it).

    Parameters
    ----------
    points, effects, solution, modes
        Of the joining.
    drift_spread : float
        Standard deviation s of the drift's coefficients.
    told_by : int
        How many of the scans that was estimated from.
    """
    k, count, column = effects.per_scan, effects.scans, effects.tilt_column
    ends = np.array([(scan.x[0], scan.x[-1]) for scan in points.scans])
    arm = np.abs(ends[:, 1] - ends[:, 0]) / 2 if effects.heights else np.ones(count)
    away = ends.mean(axis=1) - ends.mean()
    variances = modes.variances()
    own = variances[: k * count].reshape(count, k)
    if modes.total is None:
        # differences before squares: what all share may be uncertain by a thousand times as much
        roots = np.concatenate([modes.kept, modes.others], axis=1)[: k * count].reshape(count, k, -1)
        tilts = roots[:, column] / arm[:, None]
        shared = tilts.mean(axis=0)
        tilt = np.linalg.norm(tilts - shared, axis=1)
        heights = roots[:, 0] - roots[:, 0].mean(axis=0) - np.outer(away, shared)
        height = np.linalg.norm(heights, axis=1)
    else:
        rows = k * np.arange(count)
        means = np.zeros((effects.size, 2))
        means[rows, 0] = 1 / count
        means[rows + column, 1] = 1 / (count * arm)
        with_means = solution.factorised.solve(means)
        (hh, ht), (_, tt) = means.T @ with_means
        tilt_with = with_means[rows + column, 1] / arm
        height_with, height_with_tilt = with_means[rows].T
        tilt = np.sqrt(np.maximum(own[:, column] / arm**2 - 2 * tilt_with + tt, 0.0))
        square = own[:, 0] + hh + away**2 * tt - 2 * (height_with + away * height_with_tilt - away * ht)
        height = np.sqrt(np.maximum(square, 0.0))
    given = np.argsort(points.order)
    told = (1 - own[:, column + 1 :] / drift_spread**2) ** 2
    information = float(told.sum()) * min(told_by / count, 1.0)
    return EffectErrors(
        height=height[given] if effects.heights else np.zeros(0),
        tilt=tilt[given],
        drift_spread=drift_spread / np.sqrt(2 * information) if information else None,
    )
