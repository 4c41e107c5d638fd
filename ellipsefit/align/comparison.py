"""One round of moves looked at afterwards: what was achieved, what went wrong, what was learned, what is left."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Final

import numpy as np

from ellipsefit.align.change import SAME_SURFACE, LineChange, line_change
from ellipsefit.align.diagnosis import Diagnosis, Finding, diagnose, name_of
from ellipsefit.align.learning import Knowledge, Learned, learn
from ellipsefit.align.orders import TEST_BACKLASH, Order, Orders, adjusters_of, moved_mirror, orders_of, shows_direction
from ellipsefit.align.plan import CorrectionPlan
from ellipsefit.align.response import Response
from ellipsefit.align.rounds import History, PastRound
from ellipsefit.align.sheet import listed
from ellipsefit.checks import Suspicion, refuse_or_warn
from ellipsefit.checks.fingerprint import check_earlier, check_stale
from ellipsefit.checks.profile_checks import check_profile
from ellipsefit.errors import ParameterError
from ellipsefit.fit.result import EllipseFit
from ellipsefit.mirror import Mirror, spoken
from ellipsefit.profile import PlacedProfile
from ellipsefit.results import Array, Result
from ellipsefit.rows import Table, number, ratio, stated

#: Share of half the travel below which what is left of it is warned of (common practice).
RESERVE: Final = 0.3
#: A reading this near to what was asked for is what was asked for: a sheet shows no more [m].
AS_ASKED: Final = 1e-8
#: Correlation of figures below which two measurements are said to look like different surfaces.
DOUBTFUL: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Screw:
    """What became of one adjuster in a round; lengths in m."""

    segment: str
    adjuster: str
    start: float
    asked: float  # move of its scale that the plan asked for
    expected: float  # rise of the surface there that was expected of all moves, from what was known
    achieved: float | None  # rise of the surface there, relative to the carrier; None: not measured
    achieved_stderr: float | None
    gain: float  # rise for its own move; negative: the screw is wrong-handed
    gain_stderr: float
    backlash: float
    backlash_stderr: float
    direction: str  # seen, reversed, unknown, not moved
    position: float  # on its scale, as far as is known

    @property
    def name(self) -> str:
        """Segment and adjuster, as they are spoken of."""
        return name_of((self.segment, self.adjuster))


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerLine:
    """What one adjuster has of its travel; lengths in m."""

    segment: str
    adjuster: str
    low: float
    high: float
    position: float
    travelled: float  # sum of |moves| over all rounds
    moves: tuple[float, ...]  # round by round

    @property
    def left(self) -> float:
        """Distance to the nearer limit."""
        return max(min(self.position - self.low, self.high - self.position), 0.0)

    @property
    def warning(self) -> str:
        """Why its travel should be minded; empty: no reason."""
        last = self.moves[-1] if self.moves else 0.0
        if self.left < RESERVE * (self.high - self.low) / 2:
            return "RESERVE LOW"
        if last and not self.low <= self.position + last <= self.high:
            return "ANOTHER SUCH MOVE WOULD LEAVE ITS TRAVEL"
        return ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison(Result):
    """Achieved against asked, adjuster by adjuster; what went wrong; what was learned; what travel is left."""

    table: ClassVar[str | None] = "moves"

    mirror: Mirror  # with its adjusters where they stand now
    orders: Orders
    screws: tuple[Screw, ...]
    findings: tuple[Finding, ...]
    carrier_height: float | None  # what the whole mirror did between the measurements, at x = 0 [m]
    carrier_tilt: float  # [rad]
    carrier_height_stderr: float | None
    carrier_tilt_stderr: float
    knowledge: Knowledge
    history: History  # with this round
    ledger: tuple[LedgerLine, ...]
    warnings: tuple[str, ...]
    suspicions: tuple[Suspicion, ...] = ()  # slips that the measurements themselves show

    @property
    def as_asked(self) -> bool:
        """Whether nothing went otherwise than asked."""
        return not self.findings

    @property
    def response(self) -> Response:
        """The influence matrix as known now, for the next plan."""
        return self.knowledge.response()

    def sentences(self) -> tuple[str, ...]:
        """What went otherwise than asked, in words."""
        return tuple(_sentence(finding, self.orders) for finding in self.findings)

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        response = self.response
        return {
            "mirror": self.mirror.name,
            "round": len(self.history.rounds),
            "kind": self.orders.kind,
            "as_asked": self.as_asked,
            "moves": [
                {
                    "segment": screw.segment,
                    "adjuster": screw.adjuster,
                    "from": screw.start,
                    "asked": screw.asked,
                    "expected": screw.expected,
                    "achieved": screw.achieved,
                    "achieved_stderr": screw.achieved_stderr,
                    "gain": screw.gain,
                    "gain_stderr": screw.gain_stderr,
                    "backlash": screw.backlash,
                    "backlash_stderr": screw.backlash_stderr,
                    "direction": screw.direction,
                    "position": screw.position,
                }
                for screw in self.screws
            ],
            "findings": [
                {
                    "kind": finding.mistake.kind if finding.sure else "cannot tell",
                    "segment": finding.mistake.screw[0],
                    "adjuster": finding.mistake.screw[1] or None,
                    "other": None if finding.mistake.other is None else list(finding.mistake.other),
                    "probability": finding.probability,
                    "candidates": [
                        {
                            "mistakes": [
                                {
                                    "kind": mistake.kind,
                                    "segment": mistake.screw[0],
                                    "adjuster": mistake.screw[1] or None,
                                    "other": None if mistake.other is None else list(mistake.other),
                                }
                                for mistake in what
                            ],
                            "probability": share,
                        }
                        for what, share in (((finding.mistake,), finding.probability), *finding.alternatives)
                    ],
                    "text": text,
                }
                for finding, text in zip(self.findings, self.sentences(), strict=True)
            ],
            "carrier": {
                "height": self.carrier_height,
                "tilt": self.carrier_tilt,
                "height_stderr": self.carrier_height_stderr,
                "tilt_stderr": self.carrier_tilt_stderr,
            },
            "response": response.to_dict(),
            "ledger": [
                {
                    "segment": line.segment,
                    "adjuster": line.adjuster,
                    "travel": [line.low, line.high],
                    "position": line.position,
                    "travelled": line.travelled,
                    "travel_left": line.left,
                    "moves": list(line.moves),
                    "warning": line.warning or None,
                }
                for line in self.ledger
            ],
            "history": self.history.to_dict(),
            "suspicions": [item.to_dict() for item in self.suspicions],
            "warnings": list(self.warnings),
        }

    def arrays(self) -> tuple[Array, ...]:
        """The influence matrix as known now."""
        response = self.response
        names = np.array(["/".join(key) for key in response.adjusters], dtype=np.str_)
        return (
            Array("at", ("at",), names, "", "adjuster where the surface rises", True),
            Array("moved", ("moved",), names, "", "adjuster that is moved", True),
            Array("response", ("at", "moved"), response.matrix, "", "rise of the surface for a unit move"),
            Array("response_stderr", ("at", "moved"), response.stderr, "", "its standard uncertainty"),
        )

    def rows(self) -> list[Table]:
        """Tables of the comparison, as shown on screens and pages."""
        return [self._summary_table(), self._screw_table(), self._ledger_table()]

    def _summary_table(self) -> Table:
        what = "test moves" if self.orders.kind == "test" else "moves"
        verdict = "nothing speaks against its having been done as asked" if self.as_asked else "NOT AS ASKED"
        moved = sum(1 for screw in self.screws if screw.asked)
        unseen = sum(1 for screw in self.screws if screw.asked and screw.direction == "unknown")
        cells = [
            ("adjusters asked to move", str(moved)),
            (
                "carrier, or how the mirror lies: raised at the pole",
                stated(self.carrier_height, self.carrier_height_stderr, "length", unit="um"),
            ),
            (
                "carrier, or how the mirror lies: tilted",
                stated(self.carrier_tilt, self.carrier_tilt_stderr, "angle", unit="urad"),
            ),
        ]
        if unseen:
            cells.append(("moved too little to show their direction", str(unseen)))
        notes = [*(f"Found: {text}" for text in self.sentences()), *(f"Note: {text}" for text in self.warnings)]
        title = f"Round {len(self.history.rounds)} of {self.mirror.name}, {what}: {verdict}"
        return Table(title=title, cells=tuple(cells), notes=tuple(notes))

    def _screw_table(self) -> Table:
        def um(value: float | None) -> str:
            return number(value, "length", unit="um", places=2, sign=True)

        cells = tuple(
            (
                screw.name,
                um(screw.asked),
                um(screw.expected),
                stated(screw.achieved, screw.achieved_stderr, "length", unit="um"),
                ratio(screw.gain, screw.gain_stderr),
                stated(screw.backlash, screw.backlash_stderr, "length", unit="um"),
                {"reversed": "REVERSED", "not moved": ""}.get(screw.direction, screw.direction),
            )
            for screw in self.screws
        )
        header = ("adjuster", "asked", "expected", "achieved", "gain", "backlash", "direction")
        notes = (
            "asked: move of the scale; expected and achieved: rise of the surface there, the carrier's part taken off.",
        )
        return Table(title="Achieved against asked", header=header, cells=cells, notes=notes if cells else ())

    def _ledger_table(self) -> Table:
        def um(value: float) -> str:
            return number(value, "length", unit="um", places=2)

        cells = tuple(
            (
                name_of((line.segment, line.adjuster)),
                um(line.position),
                f"{um(line.low)} to {um(line.high)}",
                um(line.travelled),
                um(line.left),
                line.warning,
            )
            for line in self.ledger
        )
        header = ("adjuster", "stands at", "travel", "travelled", "left", "")
        return Table(title="Travel ledger", header=header, cells=cells)


def compare_round(
    asked: Orders | CorrectionPlan,
    before: EllipseFit | PlacedProfile | LineChange,
    after: EllipseFit | PlacedProfile | None = None,
    *,
    history: History | None = None,
    readings: Mapping[tuple[str, str], float] | None = None,
) -> Comparison:
    """Compare what a round of moves achieved with what was asked, and learn from it.

    Parameters
    ----------
    asked : Orders or CorrectionPlan
        What was asked.
    before, after : EllipseFit or PlacedProfile
        Measured before and after the moves; or the change of lines in place of `before`, alone.
    history : History, optional
        Rounds compared before; by default none.
    readings : mapping, optional
        Positions [m] that were read at adjusters afterwards, where they are not those asked for.

    Raises
    ------
    DataError
        If the measurements are not of one mirror and quantity, or the plan is older than the last recorded move.
    ParameterError
        If a reading is of no adjuster or outside its travel.
    """
    orders = asked if isinstance(asked, Orders) else orders_of(asked)
    past = history or History(mirror=orders.mirror.name)
    past.check(orders)
    suspected: tuple[Suspicion, ...] = ()
    if isinstance(before, LineChange):
        change = before
    elif after is None:
        raise ParameterError("after is needed with a profile measured before")
    else:
        first, second = (item.placed if isinstance(item, EllipseFit) else item for item in (before, after))
        change = line_change(first, second)
        suspected = _suspected(first, second)
    actual = _as_read(orders, readings or {})
    mirror = orders.mirror
    known = past.knowledge(mirror)
    told = _told_reversed(actual, known) if not past.rounds else frozenset()
    known = known.reversed(told)
    found = diagnose(known, mirror, actual, change)
    learned = learn(known.reversed(found.reversed), mirror, found.done, change)
    # one that went the other way may have been turned so: its direction counts as known when it is seen again
    seen = frozenset(place for place, word in enumerate(found.direction) if word == "seen")
    knowledge = learned.knowledge.with_verified(seen)
    keys = knowledge.adjusters
    moves = {key: float(found.done.move[place]) for place, key in enumerate(keys)}
    start = {key: adjuster.position for key, adjuster in adjusters_of(mirror).items()}
    now = moved_mirror(mirror, {key: start[key] + moves[key] for key in keys})
    this = PastRound(
        planned=orders.when,
        kind=orders.kind,
        moves=moves,
        positions={key: adjuster.position for key, adjuster in adjusters_of(now).items()},
        done=found.done,
        reversed=told ^ found.reversed,
        verified=seen,
        change=change,
        findings=tuple(_sentence(finding, actual) for finding in found.findings),
    )
    whole = replace(past, rounds=(*past.rounds, this))
    heights = change.quantity == "height"
    ledger = _ledger(now, whole)
    return Comparison(
        mirror=now,
        orders=actual,
        screws=_screws(actual, known, learned, knowledge, found, now),
        findings=found.findings,
        carrier_height=float(learned.carrier[0]) if heights else None,
        carrier_tilt=float(learned.carrier[1 if heights else 0]),
        carrier_height_stderr=float(learned.carrier_stderr[0]) if heights else None,
        carrier_tilt_stderr=float(learned.carrier_stderr[1 if heights else 0]),
        knowledge=knowledge,
        history=whole,
        ledger=ledger,
        suspicions=suspected,
        warnings=(
            *(str(item) for item in suspected),
            *_plan_notes(actual, past),
            *_warnings(actual, change, found.direction, ledger),
        ),
    )


def _suspected(before: PlacedProfile, after: PlacedProfile) -> tuple[Suspicion, ...]:
    """Slips with the second measurement, by itself and against the first."""
    found = check_profile(after).suspicions
    stale = check_stale(after, before, before.name)
    return refuse_or_warn(after.name, (*found, *(stale or check_earlier(after, before, before.name))))


def _told_reversed(orders: Orders, known: Knowledge) -> frozenset[int]:
    """Screws that the plan took for wrong-handed, where nothing else is known of them."""
    gains = np.diag(known.influence)
    return frozenset(
        place
        for place, key in enumerate(known.adjusters)
        if (order := orders.order(*key)) and order.gain < 0 < gains[place]
    )


def _as_read(orders: Orders, readings: Mapping[tuple[str, str], float]) -> Orders:
    """The orders as they were carried out, where positions were read afterwards."""
    adjusters = adjusters_of(orders.mirror)
    moves = {order.key: order for order in orders.moves}
    for key, reading in readings.items():
        if key not in adjusters:
            raise ParameterError(f"reading of {name_of(key)}: mirror '{orders.mirror.name}' has no such adjuster")
        if not adjusters[key].reaches(reading):
            low, high = adjusters[key].travel
            raise ParameterError(
                f"reading of {name_of(key)}: {spoken(reading)} lies outside its travel of {spoken(low)} to "
                f"{spoken(high)}"
            )
        asked = moves.get(key)
        if asked is None:
            moves[key] = Order(segment=key[0], adjuster=key[1], start=adjusters[key].position, stop=reading)
        elif abs(asked.stop - reading) > AS_ASKED:
            close = (
                abs(asked.stop - reading) <= asked.overshoot / 2
            )  # it was approached as asked, and not quite reached
            moves[key] = (
                replace(asked, stop=reading)
                if close
                else replace(asked, stop=reading, approach="direct", overshoot=0.0)
            )
    return replace(orders, moves=tuple(moves.values()))


def _screws(
    orders: Orders, known: Knowledge, learned: Learned, knowledge: Knowledge, found: Diagnosis, now: Mirror
) -> tuple[Screw, ...]:
    keys = knowledge.adjusters
    asked = np.array([order.move if (order := orders.order(*key)) else 0.0 for key in keys])
    response = knowledge.response()
    expected = known.influence @ asked
    stands = adjusters_of(now)
    return tuple(
        Screw(
            segment=key[0],
            adjuster=key[1],
            start=adjusters_of(orders.mirror)[key].position,
            asked=float(asked[place]),
            expected=float(expected[place]),
            achieved=float(learned.rise[place]) if learned.line_seen[place] else None,
            achieved_stderr=float(learned.rise_stderr[place]) if learned.line_seen[place] else None,
            gain=float(response.matrix[place, place]),
            gain_stderr=float(response.stderr[place, place]),
            backlash=float(knowledge.backlash[place]),
            backlash_stderr=float(knowledge.backlash_stderr[place]),
            direction=found.direction[place],
            position=stands[key].position,
        )
        for place, key in enumerate(keys)
    )


def _ledger(mirror: Mirror, history: History) -> tuple[LedgerLine, ...]:
    lines = []
    for (segment, name), adjuster in adjusters_of(mirror).items():
        moves = tuple(float(past.moves.get((segment, name), 0.0)) for past in history.rounds)
        lines.append(
            LedgerLine(
                segment=segment,
                adjuster=name,
                low=adjuster.travel[0],
                high=adjuster.travel[1],
                position=adjuster.position,
                travelled=float(sum(abs(move) for move in moves)),
                moves=moves,
            )
        )
    return tuple(lines)


def _sentence(finding: Finding, orders: Orders) -> str:
    """What was found, as one sentence, with what else would explain the same and how to tell."""
    mistake = finding.mistake
    if not finding.sure:
        shares = [((mistake,), finding.probability), *finding.alternatives]
        options = "; ".join(
            f"{' and '.join(item.words() for item in what) or 'all was done as asked'} ({100 * share:.0f} %)"
            for what, share in shares
        )
        return f"cannot tell: {options}. Read the positions there and give them with --reading."
    if mistake.kind == "wrong-handed":
        order = orders.order(*mistake.screw)
        assert order is not None
        up = order.move * order.gain > 0
        way, was = ("sank", "raise") if up else ("rose", "lower")
        hand = "wrong-handed" if order.gain > 0 else "not wrong-handed after all"
        read, other = (f"{value * 1e6:+.6g} um" for value in (order.stop, order.start - order.move))
        return (
            f"{name_of(mistake.screw)} went the wrong way: the surface {way} where the move was to {was} it. If its "
            f"scale reads {read}, the screw is {hand}, and the next plan allows for it; if it reads {other}, it "
            f"was turned the wrong way: compare again with --reading '{name_of(mistake.screw)}={other}'."
        )
    return f"{mistake.words()}."


def _warnings(
    orders: Orders, change: LineChange, direction: tuple[str, ...], ledger: tuple[LedgerLine, ...]
) -> tuple[str, ...]:
    notes = []
    if change.alike is not None and change.alike < DOUBTFUL:
        notes.append(
            f"the surfaces before and after are hardly alike (correlation of their figures {change.alike:.2f}, "
            f"above {SAME_SURFACE} for one surface): are both of this mirror, in the same frame?"
        )
    unseen = [s.name for s in orders.mirror.segments if s.adjusters and s.name not in change.segments]
    if unseen:
        notes.append(f"not measured both times, so nothing is known of their moves: {', '.join(unseen)}")
    moves = {order.key: order.move for order in orders.moves}
    small = [
        name_of(key)
        for (key, adjuster), word in zip(adjusters_of(orders.mirror).items(), direction, strict=True)
        if word == "unknown" and (move := moves.get(key)) and not shows_direction(move, adjuster)
    ]
    if small:
        notes.append(
            f"the direction of {listed(small)} can't be known from this round: the move was smaller than "
            f"{TEST_BACKLASH:g} times the backlash"
        )
    if change.freedoms < 3 and any(len({a.x for a in s.adjusters}) < len(s.adjusters) for s in orders.mirror.segments):
        notes.append("adjusters at one x, side by side, are told apart by what is known of them, not by one scan line")
    notes += [f"{name_of((line.segment, line.adjuster))}: {_ledger_words(line)}" for line in ledger if line.warning]
    return tuple(notes)


def _plan_notes(orders: Orders, past: History) -> tuple[str, ...]:
    """What is said where the plan knew more than the comparison."""
    if past.rounds or past.given is not None or all(order.gain == 1.0 for order in orders.moves):
        return ()
    return (
        "the plan was made by what was learned before, but no earlier comparison is given: but for wrong hands "
        "learning begins anew",
    )


def _ledger_words(line: LedgerLine) -> str:
    left = number(line.left, "length")
    if line.warning == "RESERVE LOW":
        return f"only {left} of travel left to the nearer limit; recentre it before its range is used up"
    return f"another move like the last would leave its travel, {left} are left to the nearer limit"
