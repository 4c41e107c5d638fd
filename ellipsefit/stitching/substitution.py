"""Back from the effects to the profile: its heights, its covariance as structure, and what the points leave."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from ellipsefit.arrays import FloatArray, frozen
from ellipsefit.stitching.bordered import Bordered, Factorised, FactorisedDense
from ellipsefit.stitching.normal import FEW_KNOTS, Effects, Observations, ReducedNormal, Window, binned

#: Residuals are noise: seven digits of them are plenty, and they are as many as the points.
SmallFloatArray = npt.NDArray[np.float32]
#: Columns that the covariance's low-rank part may have, and its largest number of entries.
RANK: Final = 96
ENTRIES: Final = 20_000_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solution:
    """Best effects, and their covariance: the inverse of the penalised normal equations."""

    values: FloatArray  # (m,)
    penalised: Bordered  # matrix of the normal equations, (m, m)
    factorised: FactorisedDense | Factorised


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Modes:
    """The covariance of the effects as modes, those that give the profile most variance first."""

    kept: FloatArray  # (m, r)
    others: FloatArray  # (m, s) all that are not kept; none for large problems
    total: Factorised | None  # of large problems: what kept modes leave is found as a difference from this
    inverse: FloatArray  # (h, n) and its inverse within the band
    border: FloatArray  # (b, b) and the root of its border's covariance
    every: int  # at one knot of so many

    def variances(self) -> FloatArray:
        """Variance of each effect, shape (m,)."""
        if self.total is None:
            return np.asarray((self.kept**2).sum(axis=1) + (self.others**2).sum(axis=1))
        across = self.total.across @ self.border
        own = self.inverse[0] + np.einsum("ij,ij->i", across, across)
        return np.asarray(np.concatenate([own, np.einsum("ij,ij->i", self.border, self.border)]) / self.total.size**2)


def covariance_modes(knots: int, normal: ReducedNormal, solution: Solution) -> Modes:
    """Modes of the effects' covariance by the variance that they give the profile."""
    rank = int(np.clip(ENTRIES // max(knots, 1), 4, RANK))
    size, total = normal.gram.size, solution.factorised
    nothing = np.zeros((size, 0))
    if isinstance(total, FactorisedDense):
        modes = total.modes(normal.gram.dense())
        return Modes(
            kept=modes[:, :rank],
            others=modes[:, rank:],
            total=None,
            inverse=nothing,
            border=nothing,
            every=normal.every,
        )
    from scipy.sparse.linalg import LinearOperator, eigsh

    _, modes = eigsh(
        LinearOperator((size, size), matvec=normal.gram.matvec, dtype=np.float64),
        k=rank,
        M=LinearOperator((size, size), matvec=solution.penalised.matvec, dtype=np.float64),
        Minv=LinearOperator((size, size), matvec=total.solve, dtype=np.float64),
        which="LM",
        tol=2e-2,  # what modes leave is put on the diagonal, however good they are
        v0=np.ones(size),
    )
    return Modes(
        kept=modes[:, ::-1],
        others=nothing,
        total=total,
        inverse=total.inverse_band(),
        border=total.border_root(),
        every=normal.every,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JoinedProfile:
    """The profile at its knots, in the order of x."""

    place: FloatArray  # (K,) [m]
    values: FloatArray  # (K,) [m or rad]
    sigma: FloatArray  # (K,) of each knot for itself
    factor: FloatArray  # (K, r) the covariance is factor @ factor.T + diag(sigma**2)
    residuals: tuple[SmallFloatArray, ...]  # of each scan's points, as the scans were given; NaN where masked
    against_others: tuple[FloatArray, ...]  # the same against all other scans; NaN where there is none, too
    squares: FloatArray  # (scans,) mean square of each scan's residuals, as the scans were given


def heights_at_knots(points: Observations, effects: Effects, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Place and deviation of each knot, shape (K,) each, for values of the effects."""
    place, deviation = np.empty(points.knots), np.empty(points.knots)

    def heights(window: Window) -> tuple[FloatArray, FloatArray]:
        return window.mean(window.x), window.mean(window.deviation - window.model(values))

    for window, (x, height) in points.over_windows(heights, effects):
        rows = slice(window.start, window.start + window.rows)
        place[rows], deviation[rows] = x, height
    return place, deviation


def joined_profile(
    points: Observations,
    effects: Effects,
    values: FloatArray,
    modes: Modes,
    noise: float,
    nominal: Callable[[FloatArray], FloatArray],
    *,
    against_others: int = 0,
) -> JoinedProfile:
    """The profile, its covariance and the residuals, for values of the effects.

    Parameters
    ----------
    points, effects, modes
    values : array, shape (m,)
        Of the effects.
    noise : float
        Of a point of unit weight.
    nominal : callable
        What is added to the deviation at a place.
    against_others : int
        Of so many scans, the first that were given, also what their points leave of what all others tell.
    """
    count, rank = points.knots, modes.kept.shape[1]
    place, found, sigma = np.empty(count), np.empty(count), np.empty(count)
    factor = np.empty((count, rank))
    residuals = [np.full(len(scan.x), np.nan, dtype=np.float32) for scan in points.scans]
    others = {number: np.full(len(residuals[given]), np.nan) for number, given in _firsts(points, against_others)}
    squares = np.zeros(len(points.scans))
    left: list[FloatArray] = []

    def rows_of(window: Window) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Writes the window's rows; returns what each point leaves, its squares by stretch, and `left`."""
        rows = slice(window.start, window.start + window.rows)
        rest = window.deviation - window.model(values)
        height = window.mean(rest)
        rest -= height[window.knot]
        factor[rows] = window.means() @ modes.kept[window.columns]
        place[rows] = window.mean(window.x)
        found[rows] = nominal(place[rows]) + height
        sigma[rows] = noise / np.sqrt(window.at_knot)
        return rest, binned(window.scan, rest * rest, len(window.stretches)), _left(window, factor[rows], modes)

    for window, (rest, square, part) in points.over_windows(rows_of, effects):
        first = 0
        for (number, begin, end), mine in zip(window.stretches, window.places, strict=True):
            last = first + end - begin
            residuals[number][mine] = rest[first:last]
            if (before := int(points.order[number])) < against_others:
                others[before][mine] = _apart(window, slice(first, last), rest[first:last])
            first = last
        squares[[number for number, _, _ in window.stretches]] += square
        left.append(part)
    whole, knots = np.concatenate(left), np.arange(0, count, modes.every)
    for start in range(0, count, FEW_KNOTS):
        rows = slice(start, min(start + FEW_KNOTS, count))
        more = whole[rows] if modes.every == 1 else np.interp(np.arange(rows.start, rows.stop), knots, whole)
        sigma[rows] = np.sqrt(sigma[rows] ** 2 + more)
    given = np.argsort(points.order)
    squares /= [len(knot) for knot in points.knot]
    return JoinedProfile(
        place=frozen(place),
        values=frozen(found),
        sigma=frozen(sigma),
        factor=frozen(factor),
        residuals=tuple(frozen(residuals[number]) for number in given),
        against_others=tuple(others[number] for number in range(against_others)),
        squares=squares[given],
    )


def _firsts(points: Observations, count: int) -> list[tuple[int, int]]:
    """The first scans as they were given, with their places in the order of elimination."""
    return [(int(before), place) for place, before in enumerate(points.order) if before < count]


def _apart(window: Window, points: slice, rest: FloatArray) -> FloatArray:
    """Residuals against the other scans: in a knot their mean is the common one less this point's share."""
    lone = np.maximum(1 - window.weight[points] / window.at_knot[window.knot[points]], 0.0)
    return np.divide(rest, lone, out=np.full_like(rest, np.nan), where=lone > 1e-9)


def _left(window: Window, factor: FloatArray, modes: Modes) -> FloatArray:
    """Variance at knots that the kept modes leave out, of one knot of every so many."""
    means = window.means(modes.every).toarray()
    if modes.total is None:
        rest = means @ modes.others[window.columns]
        return np.asarray(np.einsum("ij,ij->i", rest, rest))
    scaled = means / modes.total.size[window.columns]
    mine = window.columns[: window.own]
    own, border = scaled[:, : window.own], scaled[:, window.own :]
    distance = np.abs(mine[:, None] - mine)
    near = modes.inverse[np.minimum(distance, len(modes.inverse) - 1), np.minimum(mine[:, None], mine)]
    # scans beyond the band never meet in a knot
    whole = np.einsum("ij,ij->i", own @ np.where(distance < len(modes.inverse), near, 0.0), own)
    across = (border - own @ modes.total.across[mine]) @ modes.border
    whole += np.einsum("ij,ij->i", across, across)
    chosen = factor[-window.start % modes.every :: modes.every]
    return np.asarray(np.maximum(whole - np.einsum("ij,ij->i", chosen, chosen), 0.0))
