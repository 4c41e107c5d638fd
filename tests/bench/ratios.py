"""How a speed is told: processor time of the plain way over ours, both in the same run, best of a few.

Processor time, threads and child processes included, hardly minds what else the machine does.
"""

from __future__ import annotations

import resource
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

#: The share of its usual value to which a ratio may fall before something must be wrong.
FALL: Final = 0.5
BASELINE: Final = Path(__file__).parent / "baseline.json"


@dataclass(frozen=True, slots=True)
class Ratio:
    """What was done, against what, and how much longer that took."""

    name: str
    against: str  # the plain way
    ratio: float  # processor time of the plain way over ours
    floor: float  # what is asked for
    ours: float  # [s]

    def __str__(self) -> str:
        return (
            f"{self.name}: {self.ours:.3g} s, {self.ratio:.3g} times less than {self.against} (floor {self.floor:.3g})"
        )


Report = Callable[[str, str, float, float, float], Ratio]


def clock() -> float:
    """Processor time of this process and of those that it has waited for [s]."""
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime


def spent(work: Callable[[], object], *, rounds: int = 3, repeats: int = 1) -> float:
    """Processor time of one call, the best of some rounds [s]."""
    times = []
    for _ in range(rounds):
        started = clock()
        for _ in range(repeats):
            work()
        times.append((clock() - started) / repeats)
    return min(times)


def table(ratios: Iterable[Ratio]) -> str:
    """The ratios as a table of Markdown."""
    lines = ["| what | seconds | against | ratio | floor |", "| --- | ---: | --- | ---: | ---: |"]
    lines += [f"| {r.name} | {r.ours:.2g} | {r.against} | {r.ratio:.3g} | {r.floor:.3g} |" for r in ratios]
    return "\n".join(line.replace("e+0", "e") for line in lines)


def fallen(ratios: Iterable[Ratio], usual: Mapping[str, float]) -> list[str]:
    """A sentence for each ratio below half of its usual value, for each that is missing, and each without a value."""
    measured = {one.name: one.ratio for one in ratios}
    faults = [
        f"'{name}' was not measured; expected a ratio of about {usual[name]:.3g}"
        for name in usual.keys() - measured.keys()
    ]
    for name, ratio in measured.items():
        if name not in usual:
            faults.append(f"'{name}' has no usual ratio; expected one in {BASELINE.name}: python -m tests.bench --keep")
        elif not ratio >= FALL * usual[name]:
            faults.append(f"'{name}' has the ratio {ratio:.3g}; expected at least half of the usual {usual[name]:.3g}")
    return sorted(faults)


def in_document(text: str, new: str) -> str:
    """A document with another table between its two marks."""
    start, stop = "<!-- ratios -->\n", "<!-- end of ratios -->"
    if text.count(start) != 1 or text.count(stop) != 1:
        raise ValueError("the document has no place for the table; expected the marks of ratios, each once")
    head, rest = text.split(start)
    return f"{head}{start}\n{new}\n\n{stop}{rest.split(stop)[1]}"
