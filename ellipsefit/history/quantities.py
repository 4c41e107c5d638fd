"""What is followed over the years, and how its numbers are shown."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

from ellipsefit.files.record import RecordedEntry
from ellipsefit.rows import rounded
from ellipsefit.units import PRACTICAL

#: What is followed over the years: key, name, place in the answer of a fit, kind and unit.
QUANTITIES: Final = (
    ("p", "source distance p", ("ellipse", "p"), "length", "m"),
    ("q", "image distance q", ("ellipse", "q"), "length", "m"),
    ("theta", "grazing angle θ", ("ellipse", "theta"), "angle", "mrad"),
    ("height", "pose: height", ("pose", "height"), "length", "um"),
    ("tilt", "pose: tilt", ("pose", "tilt"), "angle", "urad"),
    ("slope_error_rms", "slope error, rms", ("figure", "slope_error_rms"), "angle", "urad"),
    ("image_along", "image focus, along", ("focus", "image_along"), "length", "mm"),
    ("image_across", "image focus, across", ("focus", "image_across"), "length", "um"),
)
NAMES: Final = {key: name for key, name, *_ in QUANTITIES}
_BARS: Final = "▁▂▃▄▅▆▇█"
_SIZES: Final = {name: size for units in PRACTICAL.values() for size, name in units} | {"rad": 1.0}


def numbers_of(answer: Mapping[str, Any], suffix: str = "") -> dict[str, float | None]:
    """Each quantity in the answer of a fit, or with '_stderr' its standard uncertainty; None: not told."""
    return {key: answer.get(group, {}).get(f"{name}{suffix}") for key, _, (group, name), *_ in QUANTITIES}


def recorded_numbers(entry: RecordedEntry) -> dict[str, float | None]:
    """Each quantity as the last fit of a round found it."""
    fit = entry.last("fit")
    return numbers_of({} if fit is None else fit.answer)


def sparkline(values: Sequence[float | None]) -> str:
    """Values as a row of bars, lowest to highest; a dot where none is known.

    Examples
    --------
    >>> sparkline([0.0, 1.0, None, 2.0])
    '▁▅·█'
    """
    known = [value for value in values if value is not None and math.isfinite(value)]
    if not known:
        return "·" * len(values)
    low, high = min(known), max(known)
    top = len(_BARS) - 1

    def bar(value: float | None) -> str:
        if value is None or not math.isfinite(value):
            return "·"
        return _BARS[3] if high == low else _BARS[math.floor((value - low) / (high - low) * top + 0.5)]

    return "".join(bar(value) for value in values)


def change_unit(unit: str) -> str:
    """Unit of a change of what is shown in another."""
    return {"m": "mm", "mrad": "urad"}.get(unit, unit)


def decimals(values: Sequence[float], unit: str) -> int:
    """Decimals that show three digits of the largest."""
    top = max(values, default=0.0) / _SIZES[unit]
    return 3 if top == 0 else min(max(2 - math.floor(math.log10(top)), 0), 4)


def plain(value: float, unit: str, places: int, *, sign: bool = False) -> str:
    """Value in a unit; what rounds to nothing is 0."""
    scaled = round(value / _SIZES[unit], places) + 0.0
    if scaled == 0:
        return "0"
    return f"{scaled:+.{places}f}" if sign else f"{scaled:.{places}f}"


def concise(value: float | None, stderr: float | None, unit: str, *, held: bool = False) -> str:
    """Value with its standard uncertainty in brackets, counted in its last digits (JCGM 100:2008, 7.2.2).

    Examples
    --------
    >>> concise(11.02034, 0.0734, "m"), concise(-671.8e-6, 534e-6, "um"), concise(7.0, None, "m", held=True)
    ('11.020(73)', '-670(530)', '7*')
    """
    if value is None:
        return "–"
    scaled = value / _SIZES[unit]
    if held:
        return f"{scaled:.7g}*"
    if not stderr:
        return f"{scaled:.4g}"
    shown, digits = rounded(scaled, stderr / _SIZES[unit])
    counted = digits.replace(".", "").lstrip("0")
    return f"{shown}({counted})"
