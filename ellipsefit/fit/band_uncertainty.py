"""How sure the rms of a figure error in bands of wavelength is: of this surface, if it were measured again.

The mean square in a band is a sum of squares like any other, F being window, transform and the choice of ordinates; so
all that `figure_uncertainty` says of height and slope error holds. Without a window and with white noise of density N
that is Var(P) = 2 P N - N**2 for an ordinate P of surface and noise together, as 2 P_s N + N**2 for P_s = P - N. How
far ordinates of another surface, made alike, would scatter is another question: `Spectrum.stderr` answers that.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, NamedTuple, get_args

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.fit.figure_uncertainty import LeftByFit, square_variance
from ellipsefit.profile import Quantity
from ellipsefit.spectrum import BandPulls, Spectrum, WaveBand


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Part:
    """What a segment adds to the mean square of one error in one band."""

    pulls: FloatArray
    scatter: float
    pairs: float
    square: float


def with_band_uncertainties(
    spectrum: Spectrum,
    pulls: Mapping[int, BandPulls],
    variances: Mapping[int, FloatArray],
    left: LeftByFit | None,
    noise: float,
) -> Spectrum:
    """A spectrum whose bands say how sure they are, and how much of them is noise.

    Parameters
    ----------
    spectrum, pulls
        From `spectrum.pulled_spectrum`, by number of the segment.
    variances : mapping
        Of each segment: variance of its points' noise over that of a point of weight 1.
    left : LeftByFit or None
        Of the fit; None: the bands get no uncertainty.
    noise : float
        Standard deviation of a point of weight 1.
    """
    sums = {number: _of_bands(one, variances[number]) for number, one in pulls.items()}
    blocks = {} if left is None else {number: _in_blocks(one, left.blocks(number)) for number, one in pulls.items()}
    found: list[WaveBand] = []
    for index, band in enumerate((*spectrum.bands, spectrum.whole)):
        known: dict[str, Any] = {}
        for row, error in enumerate(get_args(Quantity)):
            rms = float(getattr(band, f"{error}_rms"))
            known[f"{error}_noise_rms"] = noise * float(np.sqrt(sum(one.noise[index, row] for one in sums.values())))
            if left is None:
                continue
            parts = {
                number: _Part(
                    pulls=blocks[number][index, row],
                    scatter=float(one.scatter[index, row]),
                    pairs=float(one.pairs[index, row]),
                    square=float(one.square[index, row]),
                )
                for number, one in sums.items()
            }
            variance = square_variance(parts, left, noise, left.gains[row])
            known[f"{error}_rms_stderr"] = float(np.sqrt(variance)) / rms if rms else 0.0
        found.append(replace(band, **known))
    return replace(spectrum, bands=tuple(found[:-1]), whole=found[-1])


class _Sums(NamedTuple):
    """Of one segment, (B + 1, 2) each; last of all bands together."""

    scatter: FloatArray
    square: FloatArray
    noise: FloatArray
    pairs: FloatArray


def _of_bands(one: BandPulls, variance: FloatArray) -> _Sums:
    bands = np.einsum("bqn,bqn,n->bq", one.points, one.points, variance)
    whole = one.points.sum(axis=0)
    return _Sums(
        scatter=np.concatenate([bands, (np.square(whole) @ variance)[None]]),
        square=_with_sum(one.square),
        noise=_with_sum(one.noise),
        pairs=one.pairs,
    )


def _with_sum(values: FloatArray) -> FloatArray:
    return np.concatenate([values, values.sum(axis=0, keepdims=True)])


def _in_blocks(one: BandPulls, count: int) -> FloatArray:
    """Sums over the blocks of the reduction, of bands and of all, (B + 1, 2, blocks)."""
    points = one.points.shape[-1]
    return _with_sum(np.add.reduceat(one.points, np.arange(count) * points // count, axis=-1))
