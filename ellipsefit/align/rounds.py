"""Rounds of moves that were compared, and what is known of a mirror's adjusters from all of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from ellipsefit.align.change import LineChange
from ellipsefit.align.diagnosis import name_of
from ellipsefit.align.learning import Done, Knowledge, first_knowledge, learn
from ellipsefit.align.orders import Orders, adjusters_of
from ellipsefit.align.response import Response
from ellipsefit.arrays import FloatArray
from ellipsefit.errors import DataError
from ellipsefit.mirror import Mirror, spoken


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PastRound:
    """A round that was compared: all that is needed to learn from it again."""

    planned: datetime | None
    kind: str
    moves: Mapping[tuple[str, str], float]  # what was done with each scale [m], as far as is known
    positions: Mapping[tuple[str, str], float]  # of all adjusters afterwards [m]
    done: Done
    reversed: frozenset[int]  # screws found to be wrong-handed in this round
    verified: frozenset[int]  # screws whose direction was seen
    change: LineChange
    findings: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """As JSON, SI."""
        done, change = self.done, self.change
        return {
            "planned": None if self.planned is None else self.planned.isoformat(timespec="microseconds"),
            "kind": self.kind,
            "moves": [{"segment": s, "adjuster": a, "move": move} for (s, a), move in self.moves.items()],
            "positions": [{"segment": s, "adjuster": a, "position": v} for (s, a), v in self.positions.items()],
            "done": {
                "move": done.move.tolist(),
                "side": done.side.tolist(),
                "settled": done.settled.tolist(),
                "knocked": sorted(done.knocked),
            },
            "reversed": sorted(self.reversed),
            "verified": sorted(self.verified),
            "change": {
                "quantity": change.quantity,
                "segments": list(change.segments),
                "values": change.change.tolist(),
                "covariance": change.covariance.tolist(),
            },
            "findings": list(self.findings),
        }

    @classmethod
    def from_dict(cls, table: Mapping[str, Any]) -> PastRound:
        """Back from JSON.

        Raises
        ------
        KeyError, TypeError, ValueError
            If something is missing or of the wrong kind.
        """
        done, change = table["done"], table["change"]
        return cls(
            planned=None if table["planned"] is None else datetime.fromisoformat(table["planned"]),
            kind=str(table["kind"]),
            moves={(str(e["segment"]), str(e["adjuster"])): float(e["move"]) for e in table["moves"]},
            positions={(str(e["segment"]), str(e["adjuster"])): float(e["position"]) for e in table["positions"]},
            done=Done(
                move=(move := _row(done["move"])),
                side=_row(done["side"], len(move)),
                settled=_row(done["settled"], len(move)).astype(bool),
                knocked=frozenset(str(name) for name in done["knocked"]),
            ),
            reversed=frozenset(int(place) for place in table["reversed"]),
            verified=frozenset(int(place) for place in table["verified"]),
            change=LineChange(
                quantity=change["quantity"],
                segments=tuple(str(name) for name in change["segments"]),
                change=np.array(change["values"], dtype=np.float64),
                covariance=np.array(change["covariance"], dtype=np.float64),
                alike=None,
            ),
            findings=tuple(str(text) for text in table["findings"]),
        )


def _row(values: object, count: int | None = None) -> FloatArray:
    """A list of numbers, of so many if that is known."""
    row = np.array(values, dtype=np.float64)
    if row.ndim != 1 or count not in (None, len(row)):
        raise ValueError("expected a number for each adjuster")
    return row


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class History:
    """All rounds of a mirror that were compared, the first first, and the response that was given before them."""

    mirror: str
    rounds: tuple[PastRound, ...] = ()
    given: Response | None = None

    @property
    def positions(self) -> Mapping[tuple[str, str], float]:
        """Where the adjusters stood after the last round [m]; empty: none was recorded."""
        return self.rounds[-1].positions if self.rounds else {}

    def knowledge(self, mirror: Mirror) -> Knowledge:
        """What the rounds have taught, computed from what was seen in each.

        Raises
        ------
        DataError
            If they are of another mirror.
        """
        self._check_mirror(mirror)
        known = first_knowledge(mirror, self.given)
        for past in self.rounds:
            if len(past.done.move) != known.count:
                raise DataError(
                    f"the rounds recorded are of {len(past.done.move)} adjusters and mirror '{mirror.name}' has "
                    f"{known.count}; expected the same mirror"
                )
            known = learn(known.reversed(past.reversed), mirror, past.done, past.change).knowledge
            known = known.with_verified(past.verified)
        return known

    def to_dict(self) -> dict[str, Any]:
        """As JSON, SI: what `from_dict` reads back."""
        return {
            "mirror": self.mirror,
            "given": None if self.given is None else self.given.to_dict(),
            "rounds": [past.to_dict() for past in self.rounds],
        }

    @classmethod
    def from_dict(cls, table: Mapping[str, Any]) -> History:
        """Back from JSON.

        Raises
        ------
        KeyError, TypeError, ValueError
            If something is missing or of the wrong kind.
        """
        given = table["given"]
        return cls(
            mirror=str(table["mirror"]),
            given=None if given is None else Response.from_dict(given),
            rounds=tuple(PastRound.from_dict(past) for past in table["rounds"]),
        )

    def _check_mirror(self, mirror: Mirror) -> None:
        if mirror.name != self.mirror:
            raise DataError(
                f"the rounds recorded are of mirror '{self.mirror}'; expected some of mirror '{mirror.name}'"
            )

    def check(self, orders: Orders) -> None:
        """Refuse a plan that is older than the last recorded move.

        Raises
        ------
        DataError
            If the plan was made before the last recorded round was planned, or starts from other positions.
        """
        self._check_mirror(orders.mirror)
        if not self.rounds:
            return
        last = self.rounds[-1]
        if last.planned is not None and orders.when is not None and orders.when <= last.planned:
            older = f"is older than the last recorded move, which was planned on {_spoken(last.planned)}"
            what = "is compared and recorded already" if orders.when == last.planned else older
            raise DataError(f"the plan of {_spoken(orders.when)} {what}; expected a newer plan")
        for key, adjuster in adjusters_of(orders.mirror).items():
            stands = last.positions.get(key)
            if stands is not None and abs(stands - adjuster.position) > 1e-9:
                raise DataError(
                    f"the plan is older than the last recorded move: it has {name_of(key)} at "
                    f"{spoken(adjuster.position)}, where that move left it at {spoken(stands)}; expected a "
                    "plan that starts from there"
                )


def _spoken(when: datetime) -> str:
    return f"{when:%Y-%m-%d %H:%M:%S}"
