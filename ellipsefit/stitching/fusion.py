"""Heights and slopes together: each where it is strong.

White slope noise integrates to a random walk of heights, so slopes are better at short wavelengths and
heights at long ones. Both stitched profiles, with their covariances, are data for one height at each knot:
the heights themselves, and the slopes as differences of neighbours. Nothing else is assumed of the mirror.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray, IntArray
from ellipsefit.profile import Profile
from ellipsefit.stitching.result import Stitched

#: Smooth modes of each segment whose covariance is kept as such; what is left counts for each point alone.
MODES: Final = 12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Stretch:
    """Data of one quantity on one segment, less nominal: values, variances, and shared columns."""

    x: FloatArray  # (n,)
    value: FloatArray  # (n,)
    variance: FloatArray  # (n,)
    shared: FloatArray  # (n, m)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _FusedSegment:
    """Heights of one segment given the weights c of all shared columns: mean - effect @ c, and what couples."""

    mean: FloatArray  # (n,)
    effect: FloatArray  # (n, m)
    variance: FloatArray  # (n,) of each point alone
    modes: FloatArray  # (n, r) smooth part of the covariance of this segment
    gram: FloatArray  # (m, m) information on c
    pull: FloatArray  # (m,)


def fuse(heights: Stitched, slopes: Stitched) -> Profile:
    """One height profile from stitched heights and stitched slopes of the same mirror.

    Parameters
    ----------
    heights, slopes : Stitched
        Of one mirror, both in its frame.

    Returns
    -------
    Profile
        Heights at the knots of `heights`, with covariance.
    """
    nominal, first = heights.mirror.nominal, heights.profile
    kinds = [_segments(heights.profile, nominal.height), _segments(slopes.profile, nominal.slope)]
    m = [next(iter(kind.values())).shared.shape[1] for kind in kinds]
    blocks = []
    for name, measured in kinds[0].items():
        empty = _Stretch(x=np.zeros(0), value=np.zeros(0), variance=np.zeros(0), shared=np.zeros((0, m[1])))
        blocks.append(_fused_segment(measured, kinds[1].get(name, empty)))
    # what the points are unsure of together couples the segments: one small problem for its weights
    information = np.eye(sum(m)) + np.sum([block.gram for block in blocks], axis=0)
    covariance = np.linalg.inv(information)
    weights = covariance @ np.sum([block.pull for block in blocks], axis=0)
    root = np.linalg.cholesky((covariance + covariance.T) / 2)
    own = np.cumsum([0, *(block.modes.shape[1] for block in blocks)])
    factors = []
    for block, start, stop in zip(blocks, own[:-1], own[1:], strict=True):
        modes = np.zeros((len(block.mean), own[-1]))
        modes[:, start:stop] = block.modes
        factors.append(np.column_stack([block.effect @ root, modes]))
    used = first.used
    deviation = np.concatenate([block.mean - block.effect @ weights for block in blocks])
    return replace(
        first,
        x=first.x[used],
        segment=None if first.segment is None else first.segment[used],
        mask=None,
        mask_reason=None,
        name=f"{len(heights.scans)} height and {len(slopes.scans)} slope scans",
        values=nominal.height(first.x[used]) + deviation,
        sigma=np.sqrt(np.concatenate([block.variance for block in blocks])),
        covariance_factor=np.concatenate(factors),
    )


def _segments(profile: Profile, ideal: Callable[[FloatArray], FloatArray]) -> dict[str, _Stretch]:
    """A stitched profile by segment, in the order of x."""
    used = profile.used
    x = profile.x[used]
    names = np.zeros(len(x), dtype=np.str_) if profile.segment is None else profile.segment[used]
    variance = np.zeros(len(x)) if profile.sigma is None else profile.sigma[used] ** 2
    shared = np.zeros((len(x), 0)) if profile.covariance_factor is None else profile.covariance_factor[used]
    value = profile.values[used] - ideal(x)
    return {
        str(name): _Stretch(
            x=x[names == name],
            value=value[names == name],
            variance=variance[names == name],
            shared=shared[names == name],
        )
        for name in dict.fromkeys(names.tolist())
    }


def _fused_segment(measured: _Stretch, steep: _Stretch) -> _FusedSegment:
    """Weighted least squares for the heights of one segment, the weights of shared columns left open."""
    n = len(measured.x)
    rows, kept = _difference_rows(measured.x, steep.x)
    weight = 1 / steep.variance[kept]
    information = np.diag(1 / measured.variance) + rows.T @ (weight[:, None] * rows)
    covariance = np.linalg.inv(information)
    covariance = (covariance + covariance.T) / 2
    # the data as functions of the weights c: heights = z + A c_h, slopes = D z + B c_s
    pulled = np.column_stack(
        [measured.shared / measured.variance[:, None], rows.T @ (weight[:, None] * steep.shared[kept])]
    )
    target = measured.value / measured.variance + rows.T @ (weight * steep.value[kept])
    mean, effect = covariance @ target, covariance @ pulled
    known = np.zeros((measured.shared.shape[1] + steep.shared.shape[1],) * 2)
    a = measured.shared.shape[1]
    known[:a, :a] = measured.shared.T @ (measured.shared / measured.variance[:, None])
    known[a:, a:] = steep.shared[kept].T @ (weight[:, None] * steep.shared[kept])
    direct = np.concatenate(
        [
            measured.shared.T @ (measured.value / measured.variance),
            steep.shared[kept].T @ (weight * steep.value[kept]),
        ]
    )
    values, vectors = np.linalg.eigh(covariance)
    few = min(MODES, n)
    modes = vectors[:, n - few :] * np.sqrt(np.maximum(values[n - few :], 0.0))
    return _FusedSegment(
        mean=mean,
        effect=effect,
        variance=np.maximum(np.diag(covariance) - np.einsum("ij,ij->i", modes, modes), 1e-30),
        modes=modes,
        gram=known - pulled.T @ effect,
        pull=direct - pulled.T @ mean,
    )


def _difference_rows(x: FloatArray, where: FloatArray) -> tuple[FloatArray, IntArray]:
    """Slopes at `where` as differences of heights at x: dense rows (k, n), and which of `where` they are.

    The slope of a pair of neighbours belongs to their middle; in between, the two nearest are mixed, which
    makes the error one of the third derivative. Places beyond the outer middles are left out.
    """
    n = len(x)
    middle = (x[1:] + x[:-1]) / 2
    inside = (where >= middle[0]) & (where <= middle[-1]) if n > 2 else np.zeros(len(where), dtype=bool)
    kept: IntArray = np.flatnonzero(inside)
    rows = np.zeros((len(kept), n))
    if not len(kept):
        return rows, kept
    left = np.clip(np.searchsorted(middle, where[kept], side="right") - 1, 0, n - 3)
    share = (where[kept] - middle[left]) / (middle[left + 1] - middle[left])
    here = np.arange(len(kept))
    for pair, part in ((left, 1 - share), (left + 1, share)):
        slope = part / (x[pair + 1] - x[pair])
        rows[here, pair + 1] += slope
        rows[here, pair] -= slope
    return rows, kept
