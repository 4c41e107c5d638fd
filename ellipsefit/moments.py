"""Means and products of columns, gathered block by block without cancellation."""

from __future__ import annotations

from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray, IntArray

#: Blocks of a segment's points whose means are kept, at most.
BLOCKS: Final = 64


class Moments:
    """Weights, means, and products about the means, of c columns in B bins; more points may always come.

    What a bin has and what comes to it are joined by the update of T. F. Chan, G. H. Golub and R. J. LeVeque,
    The American Statistician 37 (1983) 242-247, eq. 2.1, which never subtracts large sums of squares.

    Attributes
    ----------
    count : array of int, shape (B,)
        Points.
    weight : array, shape (B,)
        Sum of their weights.
    mean : array, shape (B, c)
    product : array, shape (B, c, c)
        Sum of weight (u - mean u) (v - mean v).
    """

    def __init__(self, bins: int, columns: int) -> None:
        self.count: IntArray = np.zeros(bins, dtype=np.intp)
        self.weight: FloatArray = np.zeros(bins)
        self.mean: FloatArray = np.zeros((bins, columns))
        self.product: FloatArray = np.zeros((bins, columns, columns))

    def add(self, columns: tuple[FloatArray, ...], weight: FloatArray, starts: IntArray, first: int) -> None:
        """Add points: those from `starts[i]` to the next start belong to bin `first + i`.

        Parameters
        ----------
        columns : tuple of array, shape (N,) each
        weight : array, shape (N,)
            Above zero.
        starts : array of int, shape (b,)
            Increasing, from 0, below N.
        first : int
            Bin of the first point.
        """
        at = slice(first, first + len(starts))
        count = np.diff(np.append(starts, len(weight)))
        total = np.add.reduceat(weight, starts)
        mean = np.stack([np.add.reduceat(weight * column, starts) for column in columns], axis=1) / total[:, None]
        rest = [column - np.repeat(middle, count) for column, middle in zip(columns, mean.T, strict=True)]
        product = np.empty((len(starts), len(columns), len(columns)))
        for i, one in enumerate(rest):
            weighted = weight * one
            for j, other in enumerate(rest[: i + 1]):
                product[:, i, j] = product[:, j, i] = np.add.reduceat(weighted * other, starts)
        both = self.weight[at] + total
        away = mean - self.mean[at]
        self.product[at] += product + (self.weight[at] * total / both)[:, None, None] * (
            away[:, :, None] * away[:, None, :]
        )
        self.mean[at] += (total / both)[:, None] * away
        self.weight[at] = both
        self.count[at] += count


def bin_starts(first: int, stop: int, count: int, bins: int) -> tuple[IntArray, int]:
    """Where bins of nearly equal numbers of points begin in a stretch of them.

    Parameters
    ----------
    first, stop : int
        The stretch, points `first` to `stop - 1` of `count`.
    count, bins : int
        Bin j holds the points from j * count // bins on.

    Returns
    -------
    array of int, int
        Starts within the stretch, the first 0; and the bin in which it begins.
    """
    edges: IntArray = (np.arange(bins) * count) // bins
    low, high = np.searchsorted(edges, [first, stop - 1], side="right") - 1
    return np.maximum(edges[low : high + 1] - first, 0), int(low)
