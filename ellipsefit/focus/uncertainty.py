"""How sure the measures of a spot and the beam's balance are, by draws of what the fit leaves open of the mirror.

Each draw is a mirror that the fit holds possible: other heights and tilts of its segments, another pose, other p, q and
theta, and the figure that goes with these. By the analytic model's derivatives it sends the light of every cell
elsewhere, and the same measures are taken again: of widths by rays, of all else by the model itself. What noise hides
of the slopes blurs the rays of the value; in a draw it is a figure like any other, as far as the model's rows tell it.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray, IntArray
from ellipsefit.focus.model import Freedoms, Model, Moved
from ellipsefit.focus.possible import Drawn, draws_of
from ellipsefit.focus.rays import Cells, Rays, unresolved_turns
from ellipsefit.focus.result import Balance
from ellipsefit.focus.solid import Roll
from ellipsefit.focus.spot import SpotStderr, widths_moved

#: About how many rays are moved, and the fewest cells of a piece.
MOVED: Final = (50_000, 24)
#: Draws of rolls and twists, at the least.
ROLLED: Final = 48


def spot_stderr(model: Model, cells: Cells, rays: Rays, drawn: Drawn, moved: Moved) -> SpotStderr:
    """Standard uncertainty of each measure of a spot.

    Parameters
    ----------
    model : Model
    cells, rays
        Of the spot; so many as are enough are moved.
    drawn : Drawn
        D mirrors.
    moved : Moved
        What they do to the light by the model.
    """
    centre, rms = model.spread(moved.shift, smear=moved.smear)
    per_cell = rays.across.shape[1]
    wanted = max(MOVED[0] // per_cell, MOVED[1] * len(model.surface.pieces))
    few = np.arange(0, len(cells.x), max(len(cells.x) // wanted, 1))
    piece, x = cells.piece[few], cells.x[few]
    free = Freedoms.of(model.surface, piece, x)
    lever, lift = (
        np.interp(x, model.x, values[:, 0]) for values in model.levers(model.landing(frozenset(model.factors)))
    )
    ends = np.diff(few, append=len(cells.x))  # each stands for the cells up to the next
    slope, hidden = drawn.slopes_over(piece, x, ends * (cells.x1[few] - cells.x0[few]))
    shift = lever[:, None] * (free.dm @ drawn.state + slope)
    shift += lift[:, None] * (free.dz @ drawn.state + drawn.heights_at(piece, x))
    some = Rays(*(values[few] for values in rays))
    if hidden.any():
        # what is drawn of the slopes blurs no more
        blur = cells.unresolved[few]
        less = blur - np.sqrt(np.maximum(blur**2 - np.mean(hidden**2, axis=1), 0.0))
        some = some._replace(across=some.across - (lever * less)[:, None] * unresolved_turns(few, per_cell))
    fwhm, half, most = widths_moved(some, shift).std(axis=1)
    return SpotStderr(
        rms=float(rms.std()),
        rms_about_axis=float(np.hypot(rms, centre).std()),
        fwhm=float(fwhm),
        width_50=float(half),
        width_90=float(most),
        centroid_across=float(centre.std()),
    )


def balance_stderr(model: Model, moved: Moved) -> Balance:
    """Standard uncertainty of each share of the beam, from what draws of the mirror do to the light."""
    throughput = model.throughput(frozenset(model.factors), moved=moved)
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
    draws = draws_of(np.diag(size.ravel() ** 2), ROLLED).reshape(len(rolls), 2, -1)

    def of_pieces(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(piece, (weight * values).sum(axis=1), len(rolls)), dtype=np.float64)

    first = np.stack([of_pieces(one) for one in change], axis=1)
    both = np.stack([of_pieces(side * one) for one in change], axis=1)
    squares = np.stack([[of_pieces(one * other) for other in change] for one in change])
    centre = np.einsum("pc,pcd->d", first, draws)
    square = float((weight * side**2).sum()) + 2 * np.einsum("pc,pcd->d", both, draws)
    square += np.einsum("bcp,pbd,pcd->d", squares, draws, draws)
    return float(centre.std()), float(np.sqrt(np.maximum(square - centre**2, 0.0)).std())
