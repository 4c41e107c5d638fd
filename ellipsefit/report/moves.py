"""The moves as a person at the mirror needs them: where from, where to, which way and how many turns."""

from __future__ import annotations

from typing import Final

from ellipsefit.align import CorrectionPlan, Move
from ellipsefit.mirror import Adjuster
from ellipsefit.rows import Table, number

OPPOSITE: Final = {"clockwise": "anticlockwise", "anticlockwise": "clockwise"}


def moves_table(plan: CorrectionPlan) -> Table:
    """Table of the moves to take to the mirror, with room for initials.

    Turns of the screw appear where the mirror file tells the pitch or which turn raises the surface.
    """
    adjusters = {
        (segment.name, adjuster.name): adjuster for segment in plan.mirror.segments for adjuster in segment.adjusters
    }
    asked = [(move, adjusters[move.segment, move.adjuster]) for move in plan.moves]
    turning = any(adjuster.raises is not None or adjuster.pitch_per_turn is not None for _, adjuster in asked)
    limits = any(move.at_limit for move, _ in asked)
    columns: list[tuple[str, list[str]]] = [
        ("segment", [move.segment for move, _ in asked]),
        ("adjuster", [move.adjuster for move, _ in asked]),
        ("from", [_um(move.start, sign=True) for move, _ in asked]),
        ("to", [_um(move.stop, sign=True) for move, _ in asked]),
        ("move", [_um(move.move, sign=True) for move, _ in asked]),
        ("direction", [direction(move) for move, _ in asked]),
        *([("turns", [turns(move, adjuster) for move, adjuster in asked])] * turning),
        ("travel left", [_um(move.travel_left) for move, _ in asked]),
        *([("remark", ["AT LIMIT" if move.at_limit else "" for move, _ in asked])] * limits),
        ("initials", [""] * len(asked)),
    ]
    header = tuple(name for name, _ in columns)
    cells = tuple(zip(*(column for _, column in columns), strict=True))
    notes = ["Positive raises the surface, out of the reflecting side."]
    backlash = max((adjuster.backlash for _, adjuster in asked), default=0.0)
    if backlash:
        notes.append(
            f"Backlash of up to {number(backlash, 'length')} is not in these numbers: "
            "reach every position from the same side."
        )
    return Table(title="Moves of the adjusters", header=header, cells=cells, notes=tuple(notes))


def direction(move: Move) -> str:
    """Which way the surface goes: 'raise', 'lower' or 'leave'."""
    return "raise" if move.move > 0 else "lower" if move.move < 0 else "leave"


def turns(move: Move, adjuster: Adjuster) -> str:
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


def _um(value: float, *, sign: bool = False) -> str:
    return number(value, "length", unit="um", places=2, sign=sign)
