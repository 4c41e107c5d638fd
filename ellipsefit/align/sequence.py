"""In which order moves are made, every state on the way within travel, and how to go back from any of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from ellipsefit.align.orders import Order, Orders, adjusters_of, approached, moved_mirror
from ellipsefit.errors import ParameterError
from ellipsefit.mirror import Mirror, spoken
from ellipsefit.results import Result
from ellipsefit.rows import Table, number


@dataclass(frozen=True, slots=True, kw_only=True)
class Sequence(Result):
    """Moves in the order in which they are made.

    Raises
    ------
    ParameterError
        If a state on the way lies outside the travel.
    """

    mirror: Mirror  # as it stood before
    steps: tuple[Order, ...]  # each adjuster once, and only those that move
    remeasured: bool  # biggest moves first; otherwise along the mirror

    def __post_init__(self) -> None:
        adjusters = adjusters_of(self.mirror)
        for name, position in self.states():
            if not adjusters[name].reaches(position):
                low, high = adjusters[name].travel
                raise ParameterError(
                    f"{'/'.join(name)}: {spoken(position)} on the way is outside its travel of {spoken(low)} "
                    f"to {spoken(high)}"
                )

    def states(self) -> tuple[tuple[tuple[str, str], float], ...]:
        """Every position that is commanded on the way: segment and adjuster, and where it stands then [m]."""
        return tuple(
            (step.key, place) for step in self.steps for place in (step.turning_point, step.stop) if place is not None
        )

    def undo(self, done: int) -> Orders:
        """Moves that lead back after the first `done` steps: the last first, each approached like any other.

        Raises
        ------
        ParameterError
            If there are not so many steps.
        """
        if not 0 <= done <= len(self.steps):
            raise ParameterError(f"undo: done must be from 0 to {len(self.steps)} steps; got {done!r}")
        made = self.steps[:done]
        adjusters = adjusters_of(self.mirror)
        # the mirror's position, not the step's stop: what is written in whole picometres is read back so
        there = moved_mirror(self.mirror, {step.key: step.stop for step in made})
        stands = adjusters_of(there)
        return Orders(
            mirror=there,
            moves=tuple(
                approached(
                    adjusters[step.key],
                    replace(step, start=stands[step.key].position, stop=step.start, approach="direct", overshoot=0.0),
                )
                for step in reversed(made)
            ),
        )

    def to_dict(self) -> list[dict[str, Any]]:
        """The machine-readable answer, SI."""
        return [
            {
                "segment": step.segment,
                "adjuster": step.adjuster,
                "from": step.start,
                "via": step.turning_point,
                "to": step.stop,
                "approach": step.approach,
            }
            for step in self.steps
        ]

    def rows(self) -> list[Table]:
        """Table of the steps."""
        cells = tuple(
            (str(place), step.segment, step.adjuster, _um(step.start), _um(step.turning_point), _um(step.stop))
            for place, step in enumerate(self.steps, start=1)
        )
        order = "biggest moves first, for it is measured again" if self.remeasured else "along the mirror"
        notes = ["To undo, go back from the last step made to the first, by the same rules."] if cells else []
        direct = [step.name for step in self.steps if step.approach == "direct" and adjuster_slack(self.mirror, step)]
        falling = [step.name for step in self.steps if step.approach == "falling"]
        if falling:
            notes.append(f"No room to come from below, come from above: {', '.join(falling)}.")
        if direct:
            notes.append(f"No room for an overshoot on either side, backlash stays: {', '.join(direct)}.")
        return [
            Table(
                title=f"Sequence: {order}",
                header=("step", "segment", "adjuster", "from", "via", "to"),
                cells=cells,
                notes=tuple(notes),
            )
        ]


def adjuster_slack(mirror: Mirror, step: Order) -> float:
    """Backlash of a step's adjuster [m]."""
    return adjusters_of(mirror)[step.key].backlash


def _um(value: float | None) -> str:
    return "" if value is None else number(value, "length", unit="um", places=2, sign=True)


def sequence_of(orders: Orders, *, remeasured: bool = True) -> Sequence:
    """Put the moves of a round in order.

    Where a measurement follows, the biggest come first: should the round be cut short, most of it is done, and a
    mistake of theirs is seen soonest (common practice). Otherwise they follow the mirror.
    """
    moved = [order for order in orders.moves if order.move]
    places = list(adjusters_of(orders.mirror))
    moved.sort(key=lambda order: places.index(order.key))
    if remeasured:
        moved.sort(key=lambda order: -abs(order.move))
    return Sequence(mirror=orders.mirror, steps=tuple(moved), remeasured=remeasured)
