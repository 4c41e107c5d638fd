"""The curves that figures show, and how a million points become a few that look the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from ellipsefit.align import CorrectionPlan
from ellipsefit.align.layout import deviations
from ellipsefit.arrays import FloatArray
from ellipsefit.fit import EllipseFit
from ellipsefit.profile import PlacedProfile

#: Points that are drawn one by one; more are drawn as block means within their extremes.
MOST_POINTS: Final = 4000
#: Blocks along the mirror when there are more points: about one for each pixel across a page.
BLOCKS: Final = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """A curve to draw, NaN between segments; low and high are None where every point is shown."""

    x: FloatArray
    middle: FloatArray
    low: FloatArray | None = None
    high: FloatArray | None = None


def curve(placed: PlacedProfile, values: FloatArray) -> Curve:
    """Values at the points of a profile as a curve that a page can hold.

    Up to `MOST_POINTS` points are kept as they are. Of more, equal blocks of points give their mean and
    their extremes, so that no peak is lost.
    """
    parts = [placed.part(number) for number in placed.measured]
    return thinned([(placed.x[part], values[part]) for part in parts], most=MOST_POINTS, blocks=BLOCKS)


def thinned(parts: Sequence[tuple[FloatArray, FloatArray]], *, most: int, blocks: int) -> Curve:
    """Parts of a curve, each of positions and values, as one with the pen lifted between them.

    Up to `most` points are kept as they are. Of more, some `blocks` equal blocks of points give their mean
    and their extremes.
    """
    count = sum(len(x) for x, _ in parts)
    if count <= most:
        return Curve(x=_joined([x for x, _ in parts]), middle=_joined([values for _, values in parts]))
    size = -(-count // blocks)
    places, middle, low, high = [], [], [], []
    for x, values in parts:
        starts = np.arange(0, len(x), size)
        counts = np.diff(np.append(starts, len(x)))
        places.append(np.add.reduceat(x, starts) / counts)
        middle.append(np.add.reduceat(values, starts) / counts)
        low.append(np.minimum.reduceat(values, starts))
        high.append(np.maximum.reduceat(values, starts))
    return Curve(x=_joined(places), middle=_joined(middle), low=_joined(low), high=_joined(high))


def _joined(parts: list[FloatArray]) -> FloatArray:
    """Parts with one NaN between them, where the pen is lifted."""
    gap = np.array([np.nan])
    return np.concatenate([piece for part in parts for piece in (part, gap)][:-1])


def nominal_curve(fit: EllipseFit) -> FloatArray:
    """Nominal ellipse at the points, shape (N,): heights [m] or slopes [rad], as measured."""
    placed, nominal = fit.placed, fit.mirror.nominal
    return nominal.height(placed.x) if placed.quantity == "height" else nominal.slope(placed.x)


def fitted_curve(fit: EllipseFit) -> FloatArray:
    """Fitted ellipse in its pose at the points, shape (N,), as measured."""
    placed, pose = fit.placed, fit.pose
    if placed.quantity == "slope":
        return fit.ellipse.slope(placed.x) + pose.tilt
    return fit.ellipse.height(placed.x) + (pose.height or 0.0) + pose.tilt * placed.x


def before_after(fit: EllipseFit, plan: CorrectionPlan) -> tuple[FloatArray, FloatArray]:
    """Surface minus target, both shape (N,) [m or rad], before and after the moves of the adjusters.

    Both with the carrier's share done, so that they differ by what the adjusters do alone.
    """
    placed, target = fit.placed, plan.target
    heights = placed.quantity == "height"
    error = placed.values - (target.height(placed.x) if heights else target.slope(placed.x))
    before = error + plan.carrier_tilt * (placed.x if heights else 1.0) + (plan.carrier_height or 0.0)
    after = np.empty_like(error)
    for item, rest in zip(deviations(fit, target), plan.segments, strict=True):
        part = placed.part(item.number)
        turn = rest.tilt - item.tilt
        if heights:
            lift = (rest.height or 0.0) - item.height
            after[part] = error[part] + lift + turn * (placed.x[part] - item.segment.middle)
        else:
            after[part] = error[part] + turn
    return before, after
