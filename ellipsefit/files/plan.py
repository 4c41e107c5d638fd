"""A plan's machine-readable answer, complete enough to be carried out, and compared with what came of it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from ellipsefit.align import CorrectionPlan, TradeOff
from ellipsefit.align.orders import Order, adjusters_of, orders_of, trial_orders
from ellipsefit.align.sequence import Sequence, sequence_of
from ellipsefit.files.mirror import mirror_text
from ellipsefit.mirror import Mirror


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanAnswer:
    """A plan's machine-readable answer, complete enough to be compared with what came of it."""

    plan: CorrectionPlan
    when: datetime
    test: bool = False  # only the test moves of the plan
    trade: TradeOff | None = None  # what remains against how much is moved, where it was asked for

    def to_dict(self) -> dict[str, Any]:
        """The answer of the plan, and with it the mirror file, the time, and how each move is approached."""
        answer, orders = self.plan.to_dict(), orders_of(self.plan, self.when)
        if self.test:
            orders = trial_orders(orders)
            answer["moves"] = [_test_move(orders.mirror, order) for order in orders.moves]
            answer["direction_unknown"] = list(orders.unknown)
        else:
            for move in answer["moves"]:
                order = orders.order(move["segment"], move["adjuster"])
                if order is not None:
                    move |= {"approach": order.approach, "overshoot": order.overshoot, "gain": order.gain}
        if self.trade is not None:
            answer["trade_off"] = self.trade.to_dict()
        return answer | {
            "sequence": sequence_of(orders).to_dict(),
            "kind": orders.kind,
            "time": self.when.isoformat(timespec="microseconds"),
            "mirror": mirror_dict(self.plan.mirror),
        }

    def sequence(self) -> Sequence:
        """The moves in the order in which they are made."""
        orders = orders_of(self.plan, self.when)
        return sequence_of(trial_orders(orders) if self.test else orders)

    def test_text(self) -> str:
        """The test moves as a table."""
        from ellipsefit.align.sheet import sheet_table
        from ellipsefit.rows import as_text

        table = sheet_table(trial_orders(orders_of(self.plan, self.when)))
        shown = len(table.header) - 2  # room for reading and initials is for paper
        return as_text([replace(table, header=table.header[:shown], cells=tuple(row[:shown] for row in table.cells))])


def _test_move(mirror: Mirror, order: Order) -> dict[str, Any]:
    adjuster = adjusters_of(mirror)[order.key]
    left = max(min(order.stop - adjuster.travel[0], adjuster.travel[1] - order.stop), 0.0)
    return {
        "segment": order.segment,
        "adjuster": order.adjuster,
        "from": order.start,
        "to": order.stop,
        "move": order.move,
        "travel_left": left,
        "at_limit": left <= max(adjuster.resolution, 1e-9) * (1 + 1e-9),
        "approach": order.approach,
        "overshoot": order.overshoot,
        "gain": order.gain,
    }


def mirror_dict(mirror: Mirror) -> dict[str, str]:
    """Name, file and fingerprint (SHA-256 of the file) of a mirror as it stood."""
    text = mirror_text(mirror)
    return {"name": mirror.name, "fingerprint": hashlib.sha256(text.encode()).hexdigest(), "file": text}
