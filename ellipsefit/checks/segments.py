"""Slips with single segments: turned end for end, swapped, of another sign or unit.

A segment that is aligned to tens of microradians seems tilted by milliradians when its values are those of another
place, and bent otherwise when it stands in another's place. Each such slip is undone in thought; where the segments
then agree as they should, it is believed.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.checks.curve import USUAL_BEND, USUAL_TILT, Curves, spread_gain
from ellipsefit.checks.suspicion import Kind, Suspicion, chance_of, enough

#: Factors of a wrong unit.
UNITS: Final = (1e3, 1e6, 1e-3, 1e-6)
#: Segments whose lengths differ by less than this share may be taken for each other.
ALIKE: Final = 0.02
#: Logarithm of the likelihood ratio by which the curve alone must speak for another sign or unit.
SHOWN: Final = float(np.log(10.0))
#: How near to the nominal curve a segment's must be when its slip is undone.
NEAR: Final = 0.5
#: Alternatives that are so much less likely are not mentioned.
MENTIONED: Final = 20.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Undone:
    """One slip undone: the lines and ratios of all segments as they were then."""

    kind: Kind
    rows: tuple[int, ...]
    words: str
    line: FloatArray
    ratio: FloatArray


def check_segments(curves: Curves) -> list[Suspicion]:
    """Segments that make sense only turned round, in another's place, or with another sign or unit."""
    if len(curves.numbers) < 2:
        return []
    line, ratio = curves.line.copy(), curves.ratio
    found: list[Suspicion] = []
    touched: set[int] = set()
    while len(touched) <= len(line) // 2:
        options = [option for option in _options(curves, line, ratio) if not touched & set(option.rows)]
        if not options:
            break
        gains = [_gain(curves, line, ratio, option) for option in options]
        best = int(np.argmax(gains))
        if gains[best] < enough(len(options)):
            break
        chosen = options[best]
        also = [
            option.words
            for option, gain in zip(options, gains, strict=True)
            if option is not chosen and gain > gains[best] - np.log(MENTIONED)
        ]
        or_else = f" (or {', or '.join(also)})" if also else ""
        found.append(
            Suspicion(
                kind=chosen.kind,
                where=tuple(curves.names[row] for row in chosen.rows),
                text=f"{chosen.words}{or_else}: so read, all segments agree; check the data of "
                f"{' and '.join(curves.names[row] for row in chosen.rows)}, and which segment stands where",
                p_value=chance_of(gains[best], len(options)),
            )
        )
        line, ratio = chosen.line, chosen.ratio
        touched |= set(chosen.rows)
    return found


def _gain(curves: Curves, line: FloatArray, ratio: FloatArray, option: _Undone) -> float:
    tilt = spread_gain(line - curves.ideal_line, option.line - curves.ideal_line, USUAL_TILT)
    bend = spread_gain(ratio, option.ratio, USUAL_BEND)
    # undone, the curve is the nominal one, or the mirror is too flat to tell
    if (np.abs(option.ratio[list(option.rows)] - 1) > NEAR).any():
        return -np.inf
    # another sign or unit shows in the curve itself; a line alone may be anything
    return tilt + bend if bend > SHOWN or option.kind not in ("sign", "unit") else -np.inf


def _options(curves: Curves, line: FloatArray, ratio: FloatArray) -> list[_Undone]:
    found = []
    names, bend = curves.names, curves.bend
    heights = curves.quantity == "height"
    what = f"{curves.quantity}s"

    def one(row: int, kind: Kind, words: str, tilt: float, size: float) -> None:
        lines, ratios = line.copy(), ratio.copy()
        lines[row], ratios[row] = tilt, size
        found.append(_Undone(kind=kind, rows=(row,), words=words, line=lines, ratio=ratios))

    for row, name in enumerate(names):
        one(row, "segment reversed", f"the {what} of segment {name} run back to front", -line[row], ratio[row])
        if not heights:
            one(row, "segment reversed", f"the slopes of {name} are in reverse order", line[row], -ratio[row])
        one(row, "sign", f"the {what} of segment {name} have the wrong sign", -line[row], -ratio[row])
        for factor in UNITS:
            size = f"{factor:g} times too small" if factor > 1 else f"{1 / factor:g} times too large"
            words = f"the {what} of segment {name} are {size}"
            one(row, "unit", words, line[row] * factor, ratio[row] * factor)
    lengths = np.array([curves.mirror.segments[number].length for number in curves.numbers])
    for a, b in combinations(range(len(names)), 2):
        if abs(lengths[a] / lengths[b] - 1) > ALIKE or not (bend[a] and bend[b]):
            continue
        both = np.array([a, b])
        swapped = both[::-1]
        # the data of each stand in the other's place: lines are those of the other place, too
        lines, ratios = line.copy(), ratio.copy()
        lines[both], ratios[both] = line[swapped], ratio[swapped] * bend[swapped] / bend[both]
        words = f"the data of segments {names[a]} and {names[b]} are swapped"
        found.append(_Undone(kind="segments swapped", rows=(a, b), words=words, line=lines, ratio=ratios))
        # the segments themselves are: each was aligned where it stands, and only its curve tells
        ratios = ratio.copy()
        ratios[both] = ratio[both] * bend[both] / bend[swapped]
        words = f"segments {names[a]} and {names[b]} stand in each other's place"
        found.append(_Undone(kind="segments swapped", rows=(a, b), words=words, line=line, ratio=ratios))
    return found
