"""Knowledge from outside the profile: a combination of p, q and theta with its uncertainty."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final, Literal

from ellipsefit.errors import ParameterError, UnitError
from ellipsefit.rows import with_uncertainty
from ellipsefit.units import parse_quantity

Parameter = Literal["p", "q", "theta"]
#: Order of the ellipse's parameters wherever they form a vector.
PARAMETERS: Final[tuple[Parameter, ...]] = ("p", "q", "theta")

_TERM: Final = re.compile(r"\s*([+-]?)\s*(?:(\d+(?:\.\d*)?|\.\d+)\s*\*\s*)?(p|q|theta)")
_EXAMPLE: Final = "'p+q=20 m +- 1 mm'"


def kind_of(name: str) -> str:
    """What a result of this name is: theta an angle, all others lengths."""
    return "angle" if name == "theta" else "length"


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """weights . (p, q, theta) = value, with standard uncertainty stderr [m or rad]."""

    weights: tuple[float, float, float]
    value: float
    stderr: float

    def __post_init__(self) -> None:
        if not any(self.weights):
            raise ParameterError("a prior must name at least one of p, q, theta")
        if any(self.weights[:2]) and self.weights[2]:
            raise ParameterError("a prior must not add a length to an angle; expected p and q, or theta alone")
        if not 0 < self.stderr < float("inf"):
            raise ParameterError(f"a prior needs a positive standard uncertainty; got {self.stderr!r}")
        if not all(math.isfinite(number) for number in (*self.weights, self.value)):
            raise ParameterError(f"a prior needs finite numbers; got {self.weights!r} and {self.value!r}")

    @property
    def kind(self) -> str:
        """Of its value: length or angle."""
        return "angle" if self.weights[2] else "length"

    def __str__(self) -> str:
        terms = [
            f"{weight:+g} {name}".replace("+1 ", "+").replace("-1 ", "-")
            for weight, name in zip(self.weights, PARAMETERS, strict=True)
            if weight
        ]
        return f"{''.join(terms).removeprefix('+')} = {with_uncertainty(self.value, self.stderr, self.kind)}"


def parse_prior(text: str) -> Prior:
    """Read a prior written as 'COMBINATION = VALUE +- UNCERTAINTY', such as 'p+q=20 m +- 1 mm'.

    Raises
    ------
    ParameterError, UnitError
        If the text does not read so, or a unit does not fit.

    Examples
    --------
    >>> parse_prior("p + q = 20 m +- 1 mm")
    Prior(weights=(1.0, 1.0, 0.0), value=20.0, stderr=0.001)
    """
    left, equals, right = text.partition("=")
    value, sign, stderr = right.replace("±", "+-").partition("+-")
    if not equals or not sign:
        raise ParameterError(f"prior '{text}' is not understood; expected such as {_EXAMPLE}")
    weights = {"p": 0.0, "q": 0.0, "theta": 0.0}
    place = 0
    while place < len(left.rstrip()):
        term = _TERM.match(left, place)
        if term is None or (place > 0 and not term[1]):
            raise ParameterError(
                f"prior '{text}': '{left[place:].strip()}' is not understood; expected a sum of p and q, or theta"
            )
        weights[term[3]] += float(term[1] + (term[2] or "1"))
        place = term.end()
    kind = "angle" if weights["theta"] and not (weights["p"] or weights["q"]) else "length"
    try:
        return Prior(
            weights=(weights["p"], weights["q"], weights["theta"]),
            value=parse_quantity(value.strip(), kind),
            stderr=parse_quantity(stderr.strip(), kind),
        )
    except (UnitError, ParameterError) as fault:
        raise type(fault)(f"prior '{text}': {fault}") from None
