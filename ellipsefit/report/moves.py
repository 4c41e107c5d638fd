"""The moves as a person at the mirror needs them: where from, where to, which way and how many turns."""

from __future__ import annotations

import numpy as np

from ellipsefit.align import CorrectionPlan
from ellipsefit.align.sheet import direction, turns
from ellipsefit.rows import Table, number


def moves_table(plan: CorrectionPlan) -> Table:
    """Table of the moves to take to the mirror, with room for initials.

    Turns of the screw appear where the mirror file tells the pitch or which turn raises the surface.
    """
    adjusters = {
        (segment.name, adjuster.name): adjuster for segment in plan.mirror.segments for adjuster in segment.adjusters
    }
    gain = (
        {} if plan.response is None else dict(zip(plan.response.adjusters, np.diag(plan.response.matrix), strict=True))
    )
    asked = [(move, adjusters[move.segment, move.adjuster]) for move in plan.moves]
    turning = any(adjuster.raises is not None or adjuster.pitch_per_turn is not None for _, adjuster in asked)
    limits = any(move.at_limit for move, _ in asked)
    columns: list[tuple[str, list[str]]] = [
        ("segment", [move.segment for move, _ in asked]),
        ("adjuster", [move.adjuster for move, _ in asked]),
        ("from", [_um(move.start, sign=True) for move, _ in asked]),
        ("to", [_um(move.stop, sign=True) for move, _ in asked]),
        ("move", [_um(move.move, sign=True) for move, _ in asked]),
        ("direction", [direction(move, reverse=gain.get((move.segment, move.adjuster), 1.0) < 0) for move, _ in asked]),
        *([("turns", [turns(move, adjuster) for move, adjuster in asked])] * turning),
        ("travel left", [_um(move.travel_left) for move, _ in asked]),
        *([("remark", ["AT LIMIT" if move.at_limit else "" for move, _ in asked])] * limits),
        ("initials", [""] * len(asked)),
    ]
    header = tuple(name for name, _ in columns)
    cells = tuple(zip(*(column for _, column in columns), strict=True))
    notes = ["Positive raises the surface, out of the reflecting side."]
    if any(value < 0 for value in gain.values()):
        notes.append("A screw that is known to be wrong-handed does the contrary: heed what 'direction' says.")
    backlash = max((adjuster.backlash for _, adjuster in asked), default=0.0)
    if backlash:
        notes.append(
            f"Backlash of up to {number(backlash, 'length')} is not in these numbers: "
            "reach every position from the same side."
        )
    return Table(title="Moves of the adjusters", header=header, cells=cells, notes=tuple(notes))


def _um(value: float, *, sign: bool = False) -> str:
    return number(value, "length", unit="um", places=2, sign=sign)
