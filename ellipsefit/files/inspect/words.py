"""Ranges, lists and counts as people read them."""

from __future__ import annotations

from collections import Counter
from typing import Any, Final

from ellipsefit import rows

_ZERO_CELSIUS: Final = 273.15  # K
_HOTTEST: Final = 1e6  # degC, beyond any that is meant


def span(low: float, high: float) -> str:
    """Positions [m] from one to the other."""
    return f"{rows.number(low, 'length', digits=7, unit='mm')} to {rows.number(high, 'length', digits=7, unit='mm')}"


def from_to(low: float, high: float, kind: str = "length") -> str:
    """One number where both read the same."""
    first, last = rows.number(low, kind, digits=4), rows.number(high, kind, digits=4)
    return first if first == last else f"{first} to {last}"


def celsius(low: float, high: float) -> str:
    """Temperatures [K] from one to the other."""
    ends = (
        f"{end:.2f}" if abs(end) < _HOTTEST else f"{end:.3e}" for end in (low - _ZERO_CELSIUS, high - _ZERO_CELSIUS)
    )
    return " to ".join(f"{end} degC" for end in ends)


def counts(found: Counter[Any]) -> str:
    """How many there are of each."""
    return ", ".join(f"{count} {str(name).replace('_', ' ')}" for name, count in found.items())


def listed(names: list[str], longest: int = 12) -> str:
    """How many names, and the names; of many the first and the last."""
    shown = names if len(names) <= longest else [*names[: longest - 2], "...", names[-1]]
    return f"{len(names)}: {', '.join(shown)}"
