"""The third dimension: segments with roll and twist, under a beam of some height across.

Near the middle line a segment with roll rho and twist kappa is z(x, y) = z(x) + (rho + kappa (x - x_m)) y.
Roll sends light sideways by 2 sin(gamma) rho d, a grazing angle less than a tilt would; twist tilts the
segment by kappa y, and so widens the spot of a tall beam. Rays are reflected exactly at the surface's normal.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.fit.result import EllipseFit
from ellipsefit.focus.beam import Beam
from ellipsefit.focus.geometry import Bench
from ellipsefit.focus.rays import EVENLY, Cells
from ellipsefit.focus.surface import Surface

#: Least spread of the positions across, over the mirror's length, that tells roll [m].
TELLING = 1e-4


class Roll(NamedTuple):
    """Roll [rad] and twist [rad/m] of one segment, and their standard uncertainties."""

    roll: float
    twist: float
    roll_stderr: float
    twist_stderr: float


class Sideways(NamedTuple):
    """Where rays cross the plane in both directions, (N, M) each [m]."""

    across: FloatArray
    side: FloatArray  # +y
    slope: FloatArray


def rolls_of(fit: EllipseFit) -> tuple[Roll | None, ...]:
    """Roll and twist of each segment where the profile has lines beside each other; None: it does not tell.

    Least squares of what the fit leaves on 1, x, y and x y. The standard uncertainty counts an error that is
    common to neighbours by the correlation length of the surface error.
    """
    placed = fit.placed
    found: list[Roll | None] = [None] * len(fit.mirror.segments)
    if placed.y is None or placed.quantity != "height":
        return tuple(found)
    error = fit.settings.surface_error
    for number in placed.measured:
        part = placed.part(number)
        y = placed.y[part]
        if np.ptp(y) < TELLING:
            continue
        x = placed.x[part] - fit.mirror.segments[number].middle
        columns = np.column_stack([np.ones_like(x), x, y, x * y])
        size = np.linalg.norm(columns, axis=0)
        values, _, rank, _ = np.linalg.lstsq(columns / size, fit.residual[part], rcond=None)
        if rank < 4:
            continue
        rest = fit.residual[part] - columns / size @ values
        inverse = np.linalg.inv((columns / size).T @ (columns / size))
        step = max(np.ptp(x) / len(np.unique(x)), 1e-9)
        together = 1 + 2 * error.length / step if error.correlated else 1.0
        spread = np.sqrt(np.diag(inverse) * (rest @ rest) / max(len(x) - 4, 1) * together) / size
        values = values / size
        found[number] = Roll(float(values[2]), float(values[3]), float(spread[2]), float(spread[3]))
    return tuple(found)


def trace_solid(cells: Cells, surface: Surface, beam: Beam, layout: Bench, s: FloatArray, per_cell: int) -> Sideways:
    """Trace rays in three dimensions, without gravity.

    `s` (N, M) are places in the source across the chief ray; across the beam, rays meet the surface evenly over
    the beam's height, coming from the middle line of the source.
    """
    n = len(cells.x)
    roll = np.array([piece.roll for piece in surface.pieces])[cells.piece][:, None]
    twist = np.array([piece.twist for piece in surface.pieces])[cells.piece][:, None]
    middle = np.array([piece.middle for piece in surface.pieces])[cells.piece][:, None]
    shift = (np.arange(n)[:, None] * EVENLY[2] + np.arange(per_cell)[None, :] * EVENLY[1]) % 1.0
    y = beam.height * (shift - 0.5)
    x, m = cells.x[:, None], cells.slope[:, None]
    lean = roll + twist * (x - middle)
    z = cells.z[:, None] + lean * y
    ux = x - layout.source[0] - s * layout.across_in[0]
    uz = z - layout.source[1] - s * layout.across_in[1]
    nx, ny = -(m + twist * y), -lean  # normal (nx, ny, 1)
    into = 2 * (ux * nx + y * ny + uz) / (nx * nx + ny * ny + 1)
    vx, vy, vz = ux - into * nx, y - into * ny, uz - into
    rx, rz = x - layout.image[0], z - layout.image[1]
    va, ve = vx * layout.along[0] + vz * layout.along[1], vx * layout.across[0] + vz * layout.across[1]
    ahead = beam.plane - (rx * layout.along[0] + rz * layout.along[1])
    slope = ve / va
    return Sideways(rx * layout.across[0] + rz * layout.across[1] + ahead * slope, y + ahead * vy / va, slope)
