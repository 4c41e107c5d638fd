"""The uncertainty budget: which input contributes how much to each result."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from ellipsefit.fit.prior import kind_of
from ellipsefit.results import Result
from ellipsefit.rows import Table, uncertainty


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """Standard uncertainty that one input alone would leave, by name of the result [m or rad]."""

    source: str
    results: dict[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget(Result):
    """Contributions, largest effect on the image focus first; their squares sum to the stated ones."""

    table: ClassVar[str | None] = "contributions"

    contributions: tuple[Contribution, ...]
    combined: dict[str, float]

    def to_dict(self) -> dict[str, Any]:
        """For JSON, SI."""
        return {
            "contributions": [{"source": item.source, **item.results} for item in self.contributions],
            "combined": self.combined,
        }

    def rows(self) -> list[Table]:
        """The budget as a table."""
        names = list(self.combined)

        def shown(results: dict[str, float]) -> tuple[str, ...]:
            return tuple(uncertainty(results[name], kind_of(name)) for name in names)

        cells = [(item.source, *shown(item.results)) for item in self.contributions]
        cells.append(("combined", *shown(self.combined)))
        return [
            Table(
                title="Uncertainty budget: standard uncertainty that each input alone leaves",
                header=("source", *(name.replace("_", " ") for name in names)),
                cells=tuple(cells),
                notes=("After JCGM 100:2008; squares of a column sum to that of its last row.",),
            )
        ]
