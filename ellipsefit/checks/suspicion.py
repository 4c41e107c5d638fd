"""A slip that is suspected: what, where, how sure, and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from ellipsefit.errors import DataError

#: What may have gone wrong between the mirror and the file.
Kind = Literal[
    "sign",
    "unit",
    "not this curve",
    "other mirror",
    "x reversed, or p and q exchanged",
    "x shifted",
    "segment reversed",
    "segments swapped",
    "segment replaced",
    "stale data",
    "temperature",
    "frame",
    "target names",
    "mirror file",
]

#: How a sentence about a slip begins.
SUSPECTED: Final = "SUSPECTED SLIP"
#: Share of sound data of which one self-check may speak without cause.
CHANCE: Final = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspicion:
    """One slip that is suspected.

    Parameters
    ----------
    kind : Kind
    text : str
        What is seen and what to do, in words.
    where : tuple of str
        Names of segments, adjusters or targets; empty: all of it.
    p_value : float, optional
        At most so often sound data look like this; None: no matter of chance.
    refused : bool
        No reasonable reading makes sense of it: nothing is planned.
    """

    kind: Kind
    text: str
    where: tuple[str, ...] = ()
    p_value: float | None = None
    refused: bool = False

    def __str__(self) -> str:
        return f"{SUSPECTED} ({self.kind}): {self.text}"

    def to_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {"kind": self.kind, "where": list(self.where), "p_value": self.p_value, "text": self.text}


def refuse_or_warn(name: str, found: Sequence[Suspicion]) -> tuple[Suspicion, ...]:
    """What is only to be warned of.

    Parameters
    ----------
    name : str
        Where the data come from, for the message.
    found : sequence of Suspicion

    Raises
    ------
    DataError
        With the first suspicion that leaves no reasonable reading.
    """
    for suspicion in found:
        if suspicion.refused:
            raise DataError(f"{name}: {suspicion.text}")
    return tuple(found)


def enough(comparisons: int) -> float:
    """Logarithm of the likelihood ratio from which one of so many alternatives is believed.

    Under the usual reading the ratio's mean is 1, so it exceeds k at most once in k times (Markov's inequality).
    """
    return float(np.log(max(comparisons, 1) / CHANCE))


def chance_of(log_ratio: float, comparisons: int) -> float:
    """How often, at most, sound data would speak so clearly for one of so many alternatives."""
    return float(min(1.0, max(comparisons, 1) * np.exp(-log_ratio)))
