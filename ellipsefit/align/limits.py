"""What every plan must keep, each limit by its name: travel, tolerances of the target, acceptance of the segments."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ellipsefit.align.layout import Layout
from ellipsefit.align.rigid import rise_maps
from ellipsefit.arrays import BoolArray, FloatArray
from ellipsefit.mirror import Mirror

#: Length below which a rest counts as none [m]: a thousandth of what any adjuster resolves.
NOTHING: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Limits:
    """What every plan must keep: rows @ v <= limits, each row with what it stands for."""

    rows: FloatArray  # (m, n)
    limits: FloatArray  # (m,)
    names: tuple[str, ...]

    def __add__(self, other: Limits) -> Limits:
        return Limits(
            rows=np.concatenate([self.rows, other.rows]),
            limits=np.concatenate([self.limits, other.limits]),
            names=self.names + other.names,
        )

    def chosen(self, kept: BoolArray | list[int]) -> Limits:
        """Some of them."""
        places = np.flatnonzero(kept) if isinstance(kept, np.ndarray) else np.array(kept, dtype=np.intp)
        return Limits(
            rows=self.rows[places], limits=self.limits[places], names=tuple(self.names[place] for place in places)
        )


def travel_limits(model: Layout) -> Limits:
    """Every commanded move stays within travel."""
    return Limits(
        rows=np.concatenate([model.moves, -model.moves]),
        limits=np.concatenate([model.highest, -model.lowest]),
        names=(
            *(f"travel of {name}, upper end" for name in model.names),
            *(f"travel of {name}, lower end" for name in model.names),
        ),
    )


def target_limits(model: Layout) -> Limits:
    """The target stays within the tolerances of p, q and theta."""
    count = len(model.target_low)
    rows = np.zeros((2 * count, model.effect.shape[1]))
    place = np.arange(count)
    rows[place, model.carrier_size + place] = 1.0
    rows[count + place, model.carrier_size + place] = -1.0
    # lengths and angles alike reach the solver as lengths: an angle of the target is one over a metre
    names = ("source_distance", "image_distance", "grazing_angle")[:count]
    return Limits(
        rows=rows,
        limits=np.concatenate([model.target_high, -model.target_low]),
        names=tuple(f"tolerance of {name}, {end} end" for end in ("upper", "lower") for name in names),
    )


def segment_limits(model: Layout, mirror: Mirror, *, margin: bool) -> Limits:
    """Every segment ends within its tolerances, less what rounding the moves to steps may add if there is a margin."""
    height, tilt = mirror.tolerance.segment_height, mirror.tolerance.segment_tilt
    reserve = rounding(model) if margin else np.zeros(len(model.line))
    limit = np.full(len(model.line), np.inf)
    if height is not None and model.heights:
        limit[::2] = height - reserve[::2]
    if tilt is not None:
        limit[1::2] = tilt - reserve[1::2]
    kept = np.isfinite(limit)
    names = [f"segment_{what} of {item.segment.name}" for item in model.deviations for what in ("height", "tilt")]
    upper = Limits(rows=model.line_effect, limits=limit - model.line, names=tuple(f"{name}, upper" for name in names))
    lower = Limits(rows=-model.line_effect, limits=limit + model.line, names=tuple(f"{name}, lower" for name in names))
    return upper.chosen(kept) + lower.chosen(kept)


def goal_limits(model: Layout, mirror: Mirror, *, margin: bool) -> Limits:
    """What makes a plan feasible: the tolerances of the segments or, without any, a worst rest of one step."""
    goal = segment_limits(model, mirror, margin=margin)
    if len(goal.limits):
        return goal
    allowed = np.full(len(model.error), NOTHING)
    allowed[model.at_adjuster] = np.maximum((0.5 if margin else 1.0) * model.resolution, NOTHING)
    names = _point_names(model)
    return Limits(
        rows=np.concatenate([model.effect, -model.effect]),
        limits=np.concatenate([allowed - model.error, allowed + model.error]),
        names=tuple(f"rest of one step at {name}, {side}" for side in ("upper", "lower") for name in names),
    )


def _point_names(model: Layout) -> list[str]:
    adjusters = iter(model.names)
    return [next(adjusters) if here else "the end of a segment" for here in model.at_adjuster]


def line_map(model: Layout) -> FloatArray:
    """Height, tilt and roll of each segment from rises at all adjusters, shape (3 S, A)."""
    return rise_maps([item.segment for item in model.deviations])


def rounding(model: Layout) -> FloatArray:
    """How much rounding the moves to steps may change each segment's height and tilt, shape (2 S,)."""
    most = np.abs(line_map(model) @ model.influence) @ (model.resolution / 2)
    return np.delete(most, np.arange(2, len(most), 3))
