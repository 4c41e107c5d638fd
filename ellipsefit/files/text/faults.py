"""What is wrong with a text file, and how that is told."""

from __future__ import annotations

import os
from typing import NamedTuple

from ellipsefit.errors import FileFormatError


class _Fault(NamedTuple):
    place: str
    text: str
    times: int


class Faults:
    """Faults of one file: one of a kind and a column is told where it is met first, and how often.

    Parameters
    ----------
    path : path
        The file that each sentence names.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = path
        self._met: dict[tuple[str, str], _Fault] = {}

    def __len__(self) -> int:
        return len(self._met)

    def add(self, kind: str, column: str, place: str, text: str, count: int = 1) -> None:
        """Remember a fault of a column, '' for that of the whole, at a place as `at_line` writes it."""
        first = self._met.get((kind, column), _Fault(place, text, 0))
        self._met[kind, column] = first._replace(times=first.times + count)

    def met(self, kind: str, column: str | None = None) -> bool:
        """Whether there is a fault of this kind in a column, or in any."""
        return any(kind == one and column in (None, other) for one, other in self._met)

    def last(self, place: str, text: str) -> FileFormatError:
        """The fault beyond which nothing can be read, to be raised."""
        return FileFormatError(f"{self.path}{place}: {text}")

    def sentences(self) -> tuple[str, ...]:
        """A sentence for each fault, in the order in which they were met."""
        return tuple(f"{self.path}{place}: {text}{_repeated(times)}" for place, text, times in self._met.values())


def at_line(line: int) -> str:
    """Place of a line that is counted from 0, as it stands behind the name of the file."""
    return f", line {line + 1}"


def _repeated(times: int) -> str:
    return "" if times <= 1 else f" (so in {times} rows)"
