"""What remains against how much is moved: plans on the edge of what is possible."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, Final

import numpy as np

from ellipsefit.align.layout import Layout
from ellipsefit.align.limits import NOTHING, Limits, travel_limits
from ellipsefit.align.objectives import choose
from ellipsefit.results import Result
from ellipsefit.rows import Table, number

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Figure_

#: Plans from the smallest worst error to the carrier alone.
POINTS: Final = 13


@dataclass(frozen=True, slots=True, kw_only=True)
class TradePoint:
    """One plan before rounding: no other leaves as little with less travel."""

    worst: float  # error at an adjuster [m]
    travel: float  # of all adjusters together [m]
    largest: float  # move [m]
    screws: int  # that move


@dataclass(frozen=True, slots=True, kw_only=True)
class TradeOff(Result):
    """Plans on the edge of what is possible, least error first, and the plan that was made."""

    table: ClassVar[str | None] = "points"

    points: tuple[TradePoint, ...]
    plan: TradePoint  # after rounding

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        return {"points": [_entry(point) for point in self.points], "plan": _entry(self.plan)}

    def rows(self) -> list[Table]:
        """Table of the plans."""
        cells = [_cells("", point) for point in self.points]
        return [
            Table(
                title="What remains against how much is moved, the carrier set anew for each",
                header=("", "worst error left", "travel in total", "largest move", "screws"),
                cells=(*cells, _cells("this plan", self.plan)),
            )
        ]

    def plot(self) -> Figure_:
        """Figure of the worst error left against the travel."""
        from ellipsefit.report import trade_off_figure  # the one way up: a result draws itself when asked

        return trade_off_figure(self)


def _entry(point: TradePoint) -> dict[str, Any]:
    return {"worst": point.worst, "travel": point.travel, "largest": point.largest, "screws": point.screws}


def _cells(name: str, point: TradePoint) -> tuple[str, ...]:
    return (
        name,
        number(point.worst, "length", unit="um", places=2),
        number(point.travel, "length", unit="um", places=1),
        number(point.largest, "length", unit="um", places=1),
        str(point.screws),
    )


def trade_off(model: Layout, worst: float, moves: Sequence[float]) -> TradeOff:
    """Least travel for every worst error between the smallest and that of the carrier alone.

    Parameters
    ----------
    worst, moves
        Of the plan that was made, after rounding [m].
    """
    travel = travel_limits(model)
    still = travel + _error_limits(model, np.inf, still=True)
    # to stand still is within travel, so there is a plan of either kind; the edge is steep where little remains: even
    # steps of the root of the error
    ends = [choose(model, travel, ("worst", "travel")), choose(model, still, ("worst",))]
    start, end = (np.sqrt(found.optima["worst"]) for found in ends if found is not None)
    points = []
    for allowed in np.linspace(start, end, POINTS if end - start > NOTHING else 1) ** 2:
        found = choose(model, travel + _error_limits(model, float(allowed) * (1 + 1e-9) + 1e-12), ("travel",))
        if found is not None:
            left = float(np.abs(model.error + model.effect @ found.values).max())
            points.append(_point(left, model.moves @ found.values))
    return TradeOff(points=tuple(points), plan=_point(worst, np.array(moves)))


def _error_limits(model: Layout, worst: float, *, still: bool = False) -> Limits:
    """No error beyond `worst`; or no move at all."""
    effect, offset = (model.moves, np.zeros(len(model.moves))) if still else (model.effect, model.error)
    most = 0.0 if still else worst
    return Limits(
        rows=np.concatenate([effect, -effect]),
        limits=np.concatenate([most - offset, most + offset]),
        names=("error",) * (2 * len(effect)),
    )


def _point(worst: float, moves: np.ndarray[tuple[int], np.dtype[np.float64]]) -> TradePoint:
    size = np.abs(moves)
    return TradePoint(
        worst=worst,
        travel=float(size.sum()),
        largest=float(size.max(initial=0.0)),
        screws=int(np.sum(size > NOTHING)),
    )
