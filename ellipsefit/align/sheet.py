"""The moves as a person at the mirror needs them: where from, where to, which way, how many turns, which side last."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from ellipsefit.align.orders import TEST_BACKLASH, Order, Orders, adjusters_of
from ellipsefit.align.sequence import sequence_of
from ellipsefit.mirror import Adjuster
from ellipsefit.rows import Table, number

OPPOSITE: Final = {"clockwise": "anticlockwise", "anticlockwise": "clockwise"}


class Moving(Protocol):
    """Whatever moves by some length."""

    @property
    def move(self) -> float:
        """How far [m]; positive is meant to raise the surface."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetLine:
    """One line of the sheet; lengths in m, words as printed."""

    number: int
    segment: str
    adjuster: str
    start: float
    stop: float
    direction: str  # what the surface does: raise, lower, leave
    turns: str  # how far and which way the screw turns, as far as the mirror file tells
    approach: str
    check: int  # check digit of segment, adjuster, from and to

    @property
    def move(self) -> float:
        """How far [m]."""
        return self.stop - self.start


def sheet_lines(orders: Orders) -> tuple[SheetLine, ...]:
    """Lines of the sheet in the order in which the moves are made; adjusters that stay are left out.

    The direction of a screw that is known to be wrong-handed is told as what its surface does.
    """
    adjusters = adjusters_of(orders.mirror)
    return tuple(
        SheetLine(
            number=place,
            segment=order.segment,
            adjuster=order.adjuster,
            start=order.start,
            stop=order.stop,
            direction=direction(order, reverse=order.gain < 0),
            turns=turns(order, adjusters[order.key]),
            approach=approach(order),
            check=check_digit(f"{order.segment} {order.adjuster} {micrometres(order.start)} {micrometres(order.stop)}"),
        )
        for place, order in enumerate(sequence_of(orders).steps, start=1)
    )


def sheet_table(orders: Orders) -> Table:
    """The sheet as a table, with room for the reading and initials."""
    lines = sheet_lines(orders)
    turning = any(line.turns for line in lines)
    columns: list[tuple[str, list[str]]] = [
        ("line", [str(line.number) for line in lines]),
        ("segment", [line.segment for line in lines]),
        ("adjuster", [line.adjuster for line in lines]),
        ("from [um]", [micrometres(line.start) for line in lines]),
        ("to [um]", [micrometres(line.stop) for line in lines]),
        ("move [um]", [micrometres(line.move) for line in lines]),
        ("surface", [line.direction for line in lines]),
        *([("turns of the screw", [line.turns for line in lines])] * turning),
        ("approach", [line.approach for line in lines]),
        ("check", [str(line.check) for line in lines]),
        ("reading [um]", [""] * len(lines)),
        ("initials", [""] * len(lines)),
    ]
    header = tuple(name for name, _ in columns)
    cells = tuple(zip(*(column for _, column in columns), strict=True))
    what = "Test moves" if orders.kind == "test" else "Moves"
    return Table(title=f"{what} of {orders.mirror.name}", header=header, cells=cells, notes=sheet_notes(orders))


def sheet_notes(orders: Orders) -> tuple[str, ...]:
    """What a person with the sheet has to know besides the lines."""
    notes = [
        *(f"{doubt}. DON'T MOVE A SCREW before this is settled." for doubt in orders.doubts),
        "Positive raises the surface, out of the reflecting side. Work from the first line to the last.",
        "Check digit (ISO/IEC 7064, MOD 11,10) of segment, adjuster, from and to: read the line aloud, and let the "
        "other person confirm the digit.",
        "Write the scale's reading where it does not end at 'to', and your initials when the line is done.",
    ]
    if orders.carrier is not None and orders.kind == "round":
        height, tilt = orders.carrier
        end = "up" if tilt > 0 else "down"
        words = [f"tilt by {number(abs(tilt), 'angle', unit='urad', digits=4)}, downstream end {end}"]
        if height is not None:
            way = "raise" if height > 0 else "lower"
            words.insert(0, f"{way} by {number(abs(height), 'length', unit='um', digits=4)} at the pole")
        notes.append(f"Not on this sheet is the carrier's own share: {', '.join(words)}.")
    if not any(order.move for order in orders.moves):
        notes.insert(0, "No adjuster is asked to move.")
    if orders.kind == "test":
        notes.append("These are test moves: measure again after them, before the whole plan is carried out.")
    if orders.unknown:
        notes.append(
            f"The direction of {listed(orders.unknown)} can't be known from this plan: their moves are smaller than "
            f"{TEST_BACKLASH:g} times the backlash."
        )
    return tuple(notes)


def listed(names: Sequence[str], most: int = 8) -> str:
    """The first names, and how many more there are."""
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")


def micrometres(value: float) -> str:
    """Length as it stands on the sheet, in um.

    Examples
    --------
    >>> micrometres(-12.5e-6), micrometres(0.0)
    ('-12.50', '+0.00')
    """
    text = f"{value * 1e6:+.2f}"
    return "+0.00" if text == "-0.00" else text


def direction(move: Moving, *, reverse: bool = False) -> str:
    """Which way the surface goes: 'raise', 'lower' or 'leave'; `reverse`: the screw is wrong-handed."""
    way = -move.move if reverse else move.move
    return "raise" if way > 0 else "lower" if way < 0 else "leave"


def turns(move: Moving, adjuster: Adjuster) -> str:
    """How far and which way the screw turns, as far as the mirror file tells; empty for no move."""
    if move.move == 0:
        return ""
    words = []
    if adjuster.pitch_per_turn is not None:
        count = abs(move.move) / adjuster.pitch_per_turn
        words.append(f"{count:.3f} ({count * 360:.0f}°)")
    if adjuster.raises is not None:
        words.append(adjuster.raises if move.move > 0 else OPPOSITE[adjuster.raises])
    return " ".join(words)


def approach(order: Order) -> str:
    """From which side the end is reached, in words, with the place to turn back at."""
    if order.approach == "direct":
        return "straight"
    side = "from below" if order.approach == "rising" else "from above"
    turn = order.turning_point
    return side if turn is None else f"{side}: first to {micrometres(turn)} um"


def check_digit(text: str) -> int:
    """Check digit of a text by ISO/IEC 7064:2003, MOD 11,10 (a hybrid system: every single wrong digit changes it).

    Digits count as they are, letters as 10 to 35 whatever their case, a minus sign as 36, other signs and blanks
    not at all; a letter of another script counts by its code.

    Examples
    --------
    >>> check_digit("0794")
    5
    """
    product = 10
    for digit in _digits(text):
        total = (product + digit) % 10 or 10
        product = 2 * total % 11
    return (11 - product) % 10


def _digits(text: str) -> list[int]:
    found: list[int] = []
    for sign in text:
        if sign.isascii() and sign.isdigit():
            found.append(int(sign))
        elif sign.isascii() and sign.isalpha():
            found += [int(digit) for digit in str(ord(sign.upper()) - ord("A") + 10)]
        elif sign == "-":
            found += [3, 6]
        elif not sign.isascii():
            found += [int(digit) for digit in str(ord(sign))]
    return found
