"""Why no plan is feasible: the smallest set of limits that contradict each other, and the travel that would do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, Final

import numpy as np

from ellipsefit.align.layout import Layout
from ellipsefit.align.limits import NOTHING, Limits, travel_limits
from ellipsefit.align.program import minimise_linear
from ellipsefit.results import Result
from ellipsefit.rows import Table, number

#: Shortfall below which limits count as met together [m, rad].
_MET: Final = 1e-3 * NOTHING


@dataclass(frozen=True, slots=True, kw_only=True)
class TravelNeeded:
    """More travel of one adjuster [m], at its lower and upper end."""

    adjuster: str  # segment/adjuster
    below: float
    above: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Conflict(Result):
    """Limits that can't be met together; without any one of them the others can.

    `travel` is the least additional travel, all adjusters together, with which the goal would be reached before
    rounding; None: no travel suffices.
    """

    table: ClassVar[str | None] = "travel_needed"
    limits: tuple[str, ...]
    travel: tuple[TravelNeeded, ...] | None

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        return {
            "limits": list(self.limits),
            "travel_needed": None
            if self.travel is None
            else [{"adjuster": item.adjuster, "below": item.below, "above": item.above} for item in self.travel],
        }

    def rows(self) -> list[Table]:
        """Table of the limits in conflict and of the travel that would do."""
        cells = tuple((name,) for name in self.limits)
        notes = () if cells else ("Every limit can be kept before moves are rounded to steps.",)
        tables = [Table(title="Limits in conflict: all but any one of them could be met", cells=cells, notes=notes)]
        if self.travel:
            tables.append(
                Table(
                    title="Least additional travel that would do",
                    header=("adjuster", "at the lower end", "at the upper end"),
                    cells=tuple((t.adjuster, _um(t.below), _um(t.above)) for t in self.travel),
                )
            )
        return tables


def _um(value: float) -> str:
    return number(value, "length", unit="um", places=2) if value else ""


def find_conflict(model: Layout, goal: Limits, others: Limits) -> Conflict:
    """The conflict between a goal, the travel of the adjusters and other limits.

    An elastic programme's dual names limits whose sum is a contradiction; a deletion filter leaves those that are
    needed for it (J. W. Chinneck and E. W. Dravnieks, ORSA J. Computing 3 (1991) 157-168).
    """
    whole = goal + travel_limits(model) + others
    names: tuple[str, ...] = ()
    push = _push(whole)
    if push is not None:
        kept = [int(place) for place in np.flatnonzero(push > 1e-9)]
        for place in tuple(kept):
            fewer = [other for other in kept if other != place]
            if fewer and _push(whole.chosen(fewer)) is not None:
                kept = fewer
        names = tuple(whole.names[place] for place in kept)
    return Conflict(limits=names, travel=_travel_needed(model, goal, others))


def _push(limits: Limits) -> np.ndarray[tuple[int], np.dtype[np.float64]] | None:
    """How each limit contributes to the contradiction, shape (m,); None: they can be met together."""
    rows = np.column_stack([limits.rows, -np.ones(len(limits.rows))])
    least = np.append(np.zeros(rows.shape[1] - 1), -1.0)  # the shortfall is not negative
    found = minimise_linear(-least, np.concatenate([rows, least[None, :]]), np.append(limits.limits, 0.0))
    if found is None or found.cost <= _MET:
        return None
    return found.pressure[:-1]


def _travel_needed(model: Layout, goal: Limits, others: Limits) -> tuple[TravelNeeded, ...] | None:
    travel, count, n = travel_limits(model), len(model.moves), model.effect.shape[1]
    hard = goal + others
    rows = np.concatenate(
        [
            np.column_stack([travel.rows, -np.eye(2 * count)]),
            np.column_stack([hard.rows, np.zeros((len(hard.rows), 2 * count))]),
            np.column_stack([np.zeros((2 * count, n)), -np.eye(2 * count)]),
        ]
    )
    cost = np.append(np.zeros(n), np.ones(2 * count))
    found = minimise_linear(cost, rows, np.concatenate([travel.limits, hard.limits, np.zeros(2 * count)]))
    if found is None:
        return None
    more = found.values[n:]
    more[more < _MET] = 0.0
    return tuple(
        TravelNeeded(adjuster=name, above=float(above), below=float(below))
        for name, above, below in zip(model.names, more[:count], more[count:], strict=True)
        if above or below
    )
