"""Height and tilt of the segments as effects: what they do at the nodes, and how much they spread."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.fit.reduction import Reduction
from ellipsefit.fit.surface_error import WhitenedSegment
from ellipsefit.profile import Quantity

#: Spreads by which the common mode is weighted where none are in use: 5 um and 20 urad.
USUAL_SPREADS: Final = (5e-6, 20e-6)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SegmentEffects:
    """Effects of each measured segment, about its middle: height and tilt, or tilt alone for slopes.

    `own[j]` (k, r) gives the node values of the r effects of segment j; `pose[j]` (r, r) the effects that
    a pose of the whole mirror (height at x = 0, tilt) has on it.
    """

    own: tuple[FloatArray, ...]
    pose: tuple[FloatArray, ...]

    @property
    def r(self) -> int:
        """Effects per segment: 2 (height, tilt) or 1 (tilt)."""
        return int(self.own[0].shape[1])

    @property
    def shared_pose(self) -> FloatArray:
        """Node values of the pose of the whole mirror, all segments one after the other, shape (K, r)."""
        return np.concatenate([own @ pose for own, pose in zip(self.own, self.pose, strict=True)])


def segment_effects(reduction: Reduction) -> SegmentEffects:
    """Effects of the measured segments at their nodes."""
    own, pose = [], []
    for part in reduction.segments:
        ones = np.ones_like(part.nodes)
        if reduction.quantity == "height":
            own.append(np.column_stack([ones, part.nodes - part.middle]))
            pose.append(np.array([[1.0, part.middle], [0.0, 1.0]]))
        else:
            own.append(ones[:, None])
            pose.append(np.eye(1))
    return SegmentEffects(own=tuple(own), pose=tuple(pose))


def common_mode(effects: SegmentEffects, quantity: Quantity, spreads: tuple[float, float]) -> FloatArray:
    """Matrix that takes all segments' effects, shape (J r,), to the pose of the mirror, shape (r,).

    Least squares of h_i = H + T x_i with weight 1/s_h**2 and t_i = T with weight 1/s_t**2.
    """
    scale = np.array(spreads if quantity == "height" else spreads[1:])
    design = np.concatenate([pose / scale[:, None] for pose in effects.pose])
    weights: FloatArray = np.linalg.pinv(design) / np.tile(scale, len(effects.pose))
    return weights


def estimate_spreads(
    reduction: Reduction,
    whitened: tuple[WhitenedSegment, ...],
    effects: SegmentEffects,
    *,
    offset: FloatArray,
    partials: FloatArray,
    given: tuple[float | None, float | None],
) -> tuple[float, float]:
    """Spreads of segment height [m] and tilt [rad] by REML, as far as they are not given.

    Parameters
    ----------
    reduction, whitened, effects
        The data, divided by their uncertainty.
    offset : array, shape (K,)
        Node values of the ellipse about which the model is linear, minus reference.
    partials : array, shape (K, v)
        Derivatives with respect to the ellipse's free parameters.
    given : tuple
        Spread of height and of tilt where the user states them, else None.

    Returns
    -------
    tuple of float
        Spread of height and of tilt; the height's is the usual one (not used) for slopes.
    """
    from scipy.optimize import minimize

    height, tilt = given
    if reduction.quantity == "slope":
        height = USUAL_SPREADS[0]
    if height is not None and tilt is not None:
        return height, tilt
    size = np.linalg.norm(partials, axis=0)
    size[size == 0] = 1.0
    parts = zip(
        whitened, effects.own, effects.pose, reduction.split(partials / size), reduction.split(offset), strict=True
    )
    grams, values = [], []
    for white, own, pose, slopes, shift in parts:
        columns = white.factor @ np.column_stack([slopes, own @ pose, own])
        value = white.projection - white.factor @ shift
        mine = columns[:, -effects.r :]
        # how each segment stands if left free: data for the starting value
        values.append(np.linalg.lstsq(mine, value, rcond=None)[0])
        both = np.column_stack([columns, value])
        grams.append(both.T @ both)
    gram = np.array(grams)
    r = effects.r
    s = gram.shape[1] - r - 1
    less_pose = np.array(values).ravel()
    design = np.concatenate(effects.pose)
    rest = (less_pose - design @ np.linalg.lstsq(design, less_pose, rcond=None)[0]).reshape(-1, r)
    start = np.maximum(np.std(rest, axis=0), 1e-9)
    known = np.array([height, tilt][-r:], dtype=object)
    open_ = np.array([value is None for value in known])

    def deviance(logs: FloatArray) -> float:
        spread = np.array([0.0 if value is None else value for value in known], dtype=np.float64)
        spread[open_] = np.exp(logs)
        mine = gram[:, s : s + r, s : s + r] + np.diag(spread**-2.0)
        total = float(np.linalg.slogdet(mine)[1].sum()) + 2 * len(gram) * float(np.log(spread).sum())
        coupling = np.linalg.solve(mine, gram[:, s : s + r, :])
        reduced = (gram - gram[:, :, s : s + r] @ coupling).sum(axis=0)
        normal, right = reduced[:s, :s], reduced[:s, -1]
        total += float(np.linalg.slogdet(normal)[1])
        return total + float(reduced[-1, -1] - right @ np.linalg.solve(normal, right))

    first = np.log(start[open_])
    found = minimize(
        deviance,
        first,
        method="Nelder-Mead",
        bounds=[(value - 9, value + 5) for value in first],
        options={"xatol": 1e-4, "fatol": 1e-6},
    )
    spread = np.array([0.0 if value is None else value for value in known], dtype=np.float64)
    spread[open_] = np.exp(found.x)
    return (float(spread[0]), float(spread[1])) if r == 2 else (USUAL_SPREADS[0], float(spread[0]))
