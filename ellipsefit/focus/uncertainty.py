"""How sure the measures of a spot and the beam's balance are, by draws of what the fit leaves open of the mirror.

Each draw is a mirror that the fit holds possible: other heights and tilts of its segments, another pose, other p, q and
theta. By the analytic model's derivatives it sends the light of every cell elsewhere, and the same measures are taken
again: of widths by rays, of all else by the model itself. What the fit leaves open of the figure is in every draw as it
is in the value: a blur of the rays.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray, IntArray
from ellipsefit.focus.losses import draws_of
from ellipsefit.focus.model import Freedoms, Model, Moved
from ellipsefit.focus.rays import Cells, Rays
from ellipsefit.focus.result import Balance
from ellipsefit.focus.solid import Roll
from ellipsefit.focus.spot import SpotStderr, widths_moved

#: About how many rays are moved, and the fewest cells of a piece.
MOVED: Final = (50_000, 24)


def spot_stderr(model: Model, cells: Cells, rays: Rays, draws: FloatArray) -> SpotStderr:
    """Standard uncertainty of each measure of a spot.

    Parameters
    ----------
    model : Model
    cells, rays
        Of the spot; so many as are enough are moved.
    draws : array, shape (freedoms, D)
        Of the state, about what it is.
    """
    landing = model.landing(frozenset(model.factors))
    centre, rms = model.spread(model.response(landing) @ draws)
    wanted = max(MOVED[0] // rays.across.shape[1], MOVED[1] * len(model.surface.pieces))
    some = slice(None, None, max(len(cells.x) // wanted, 1))
    free = Freedoms.of(model.surface, cells.piece[some], cells.x[some])
    band = landing.lever.shape[1] // 2
    lever, lift = (
        np.interp(cells.x[some], model.x, values[:, min(band, values.shape[1] - 1)])
        for values in (landing.lever, landing.lift)
    )
    shift = lever[:, None] * (free.dm @ draws) + lift[:, None] * (free.dz @ draws)
    fwhm, half, most = widths_moved(Rays(*(values[some] for values in rays)), shift).std(axis=1)
    return SpotStderr(
        rms=float(rms.std()),
        rms_about_axis=float(np.hypot(rms, centre).std()),
        fwhm=float(fwhm),
        width_50=float(half),
        width_90=float(most),
        centroid_across=float(centre.std()),
    )


def balance_stderr(model: Model, moved: Moved, throughput: FloatArray) -> Balance:
    """Standard uncertainty of each share of the beam, from draws of the state and the throughput (D,) of each."""
    clear, arrives = model.arriving(moved)
    return Balance(
        into_aperture=float(throughput.std()),
        beside_aperture=float((arrives - throughput).std()),
        absorbed=float((clear - arrives).std()),
        cut_off=float((moved.struck - clear).std()),
        gaps=float(moved.gaps.std()),
        past=float(moved.past.std()),
    )


def side_stderr(
    piece: IntArray, weight: FloatArray, side: FloatArray, change: FloatArray, rolls: tuple[Roll | None, ...]
) -> tuple[float, float]:
    """Standard uncertainty of the sideways centroid and rms width [m].

    Parameters
    ----------
    piece : array, shape (N,)
        Of each cell.
    weight, side : array, shape (N, M)
        Light of each ray, 1 in all, and where it lands across, less the centroid [m].
    change : array, shape (2, N, M)
        Of that by its piece's roll [m/rad] and twist [m**2/rad].
    rolls : tuple
        Roll and twist of each piece; None: not known, and taken for none.
    """
    size = np.array([(0.0, 0.0) if roll is None else (roll.roll_stderr, roll.twist_stderr) for roll in rolls])
    draws = draws_of(np.diag(size.ravel() ** 2)).reshape(len(rolls), 2, -1)

    def of_pieces(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(piece, (weight * values).sum(axis=1), len(rolls)), dtype=np.float64)

    first = np.stack([of_pieces(one) for one in change], axis=1)
    both = np.stack([of_pieces(side * one) for one in change], axis=1)
    squares = np.stack([[of_pieces(one * other) for other in change] for one in change])
    centre = np.einsum("pc,pcd->d", first, draws)
    square = float((weight * side**2).sum()) + 2 * np.einsum("pc,pcd->d", both, draws)
    square += np.einsum("bcp,pbd,pcd->d", squares, draws, draws)
    return float(centre.std()), float(np.sqrt(np.maximum(square - centre**2, 0.0)).std())
