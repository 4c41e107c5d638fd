"""What people at the mirror are asked to do: commanded moves, from a plan, for one round."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final, Literal, get_args

import numpy as np

from ellipsefit.align.plan import CorrectionPlan
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.mirror import SLACK, Adjuster, Mirror, spoken

Approach = Literal["rising", "falling", "direct"]
Kind = Literal["round", "test"]

#: Share of a planned move, and times the backlash, that a test move takes: the larger of the two.
TEST_SHARE: Final = 0.2
TEST_BACKLASH: Final = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """One adjuster's move [m]: from where to where on its own scale, and how the end is approached.

    'rising' or 'falling': the last stroke goes that way and takes up all backlash; where the move itself does not,
    the adjuster first goes `overshoot` beyond its end. 'direct': straight there.
    """

    segment: str
    adjuster: str
    start: float
    stop: float
    approach: Approach = "direct"
    overshoot: float = 0.0
    gain: float = 1.0  # as known: what the surface does for a unit move; negative: the screw is wrong-handed

    def __post_init__(self) -> None:
        if self.approach not in get_args(Approach):
            raise ParameterError(
                f"{self.name}: approach must be one of {', '.join(get_args(Approach))}; got {self.approach!r}"
            )
        if not (np.isfinite(self.start) and np.isfinite(self.stop)):
            raise ParameterError(f"{self.name}: from and to must be finite; got {self.start!r} and {self.stop!r}")
        if not np.isfinite(self.gain):
            raise ParameterError(f"{self.name}: gain must be finite; got {self.gain!r}")
        if not 0 <= self.overshoot < np.inf:
            raise ParameterError(f"{self.name}: overshoot must not be negative; got {self.overshoot!r}")

    @property
    def name(self) -> str:
        """Segment and adjuster, as they are spoken of."""
        return f"{self.segment}/{self.adjuster}"

    @property
    def key(self) -> tuple[str, str]:
        """Segment and adjuster."""
        return self.segment, self.adjuster

    @property
    def move(self) -> float:
        """How far the scale moves [m]; positive is meant to raise the surface."""
        return self.stop - self.start

    @property
    def turning_point(self) -> float | None:
        """Where it turns back before the last stroke [m]; None: it does not."""
        side = {"rising": 1.0, "falling": -1.0, "direct": 0.0}[self.approach]
        if not side or not self.overshoot or not self.move:
            return None
        if side * self.move >= self.overshoot:
            return None
        return self.stop - side * self.overshoot

    @property
    def last_stroke(self) -> float:
        """Signed length of the last stroke [m]."""
        return self.stop - (self.start if self.turning_point is None else self.turning_point)


@dataclass(frozen=True, slots=True, kw_only=True)
class Orders:
    """All moves of one round, for one mirror as it stood; checked against travel.

    Raises
    ------
    ParameterError
        If an adjuster is unknown, stands twice, starts elsewhere than the mirror says, or would leave its travel.
    """

    mirror: Mirror
    moves: tuple[Order, ...]
    when: datetime | None = None
    kind: Kind = "round"
    carrier: tuple[float | None, float] | None = None  # height at x = 0 [m] and tilt [rad] that it is to move by
    unknown: tuple[str, ...] = ()  # test moves: what the planned moves are too small to tell
    doubts: tuple[str, ...] = ()  # slips that are suspected behind the plan, in words

    def __post_init__(self) -> None:
        if self.when is not None and self.when.tzinfo is None:
            raise ParameterError(f"orders: the time {self.when} must have a time zone")
        adjusters = adjusters_of(self.mirror)
        seen: set[tuple[str, str]] = set()
        for order in self.moves:
            adjuster = adjusters.get(order.key)
            if adjuster is None:
                raise ParameterError(f"{order.name}: mirror '{self.mirror.name}' has no such adjuster")
            if order.key in seen:
                raise ParameterError(f"{order.name}: stands twice among the moves; expected each adjuster once")
            seen.add(order.key)
            if abs(order.start - adjuster.position) > 1e-9:
                raise ParameterError(
                    f"{order.name}: the move starts from {spoken(order.start)} but the adjuster stands at "
                    f"{spoken(adjuster.position)}"
                )
            low, high = adjuster.travel
            for place in (order.stop, order.turning_point):
                if place is not None and not adjuster.reaches(place):
                    raise ParameterError(
                        f"{order.name}: {spoken(place)} is outside its travel of {spoken(low)} to {spoken(high)}"
                    )

    def order(self, segment: str, adjuster: str) -> Order | None:
        """The move of one adjuster, None: it has none."""
        return next((order for order in self.moves if order.key == (segment, adjuster)), None)


def adjusters_of(mirror: Mirror) -> dict[tuple[str, str], Adjuster]:
    """All adjusters by segment and name, in the mirror's order."""
    return {(s.name, a.name): a for s in mirror.segments for a in s.adjusters}


def shows_direction(move: float, adjuster: Adjuster) -> bool:
    """Whether a move this large tells which way its screw goes: several times the backlash."""
    return abs(move) >= TEST_BACKLASH * adjuster.backlash - SLACK


def approached(adjuster: Adjuster, order: Order) -> Order:
    """The same move with its end approached rising if travel has room for the overshoot, else falling, else direct.

    The overshoot is twice the backlash in whole steps (common practice). Without backlash there is none.
    """
    if not adjuster.backlash or not order.move:
        return order
    step = adjuster.resolution or adjuster.backlash
    overshoot = float(np.ceil(2 * adjuster.backlash / step - 1e-9) * step)
    sides: tuple[tuple[float, Approach], ...] = ((1.0, "rising"), (-1.0, "falling"))
    for side, approach in sides:
        if adjuster.reaches(order.stop - side * overshoot):
            return replace(order, approach=approach, overshoot=overshoot)
    return order


def orders_of(plan: CorrectionPlan, when: datetime | None = None) -> Orders:
    """Orders that carry out a plan: its moves, each approached from the same side."""
    response = plan.response
    adjusters = adjusters_of(plan.mirror)
    gain = {} if response is None else dict(zip(response.adjusters, np.diag(response.matrix), strict=True))
    moves = tuple(
        approached(
            adjusters[move.segment, move.adjuster],
            Order(
                segment=move.segment,
                adjuster=move.adjuster,
                start=move.start,
                stop=move.stop,
                gain=float(gain.get((move.segment, move.adjuster), 1.0)),
            ),
        )
        for move in plan.moves
    )
    carrier = (plan.carrier_height, plan.carrier_tilt)
    doubts = tuple(str(item) for item in plan.fit.checked.suspicions)
    return Orders(mirror=plan.mirror, moves=moves, when=when, carrier=carrier, doubts=doubts)


def trial_orders(orders: Orders) -> Orders:
    """Small first moves that tell whether each screw goes the way it should, before the whole plan is carried out.

    Each is the larger of 20 % of the planned move and five times the backlash, in whole steps, never beyond the
    planned end and so never beyond the travel. A planned move below five times the backlash can't tell the
    direction: it is left out, and `unknown` names it.
    """
    adjusters = adjusters_of(orders.mirror)
    moves, unknown = [], []
    for order in orders.moves:
        adjuster, size = adjusters[order.key], abs(order.move)
        if not size:
            continue
        step = adjuster.resolution
        if not shows_direction(size, adjuster) or size < step - SLACK:
            unknown.append(order.name)
            continue
        wanted = max(TEST_SHARE * size, TEST_BACKLASH * adjuster.backlash, step)
        if step:
            wanted = float(np.ceil(wanted / step - 1e-9) * step)
        stop = order.stop if wanted >= size - SLACK else order.start + float(np.sign(order.move)) * wanted
        moves.append(replace(order, stop=stop, approach="direct", overshoot=0.0))
    return Orders(
        mirror=orders.mirror,
        moves=tuple(moves),
        when=orders.when,
        kind="test",
        unknown=tuple(unknown),
        doubts=orders.doubts,
    )


def moved_mirror(mirror: Mirror, positions: dict[tuple[str, str], float]) -> Mirror:
    """The mirror with adjusters at new positions [m].

    Raises
    ------
    DataError
        If a position lies outside its travel.
    """
    segments = []
    for segment in mirror.segments:
        adjusters = []
        for adjuster in segment.adjusters:
            position = positions.get((segment.name, adjuster.name), adjuster.position)
            low, high = adjuster.travel
            if not adjuster.reaches(position):
                raise DataError(
                    f"{segment.name}/{adjuster.name}: position {spoken(position)} lies outside its travel of "
                    f"{spoken(low)} to {spoken(high)}; expected a reading within it"
                )
            # in whole picometres, as a file in spoken gives it
            whole = round(position * 1e6, 6) / 1e6
            adjusters.append(replace(adjuster, position=min(max(whole, low), high)))
        segments.append(replace(segment, adjusters=tuple(adjusters)))
    return replace(mirror, segments=tuple(segments))
