"""What speaks for and against the stated uncertainties, side by side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from ellipsefit.fit.conflict import PriorCheck
from ellipsefit.fit.prior import kind_of
from ellipsefit.fit.problem import SegmentModel
from ellipsefit.fit.robust import Oddities
from ellipsefit.results import Result
from ellipsefit.rows import Table, uncertainty

#: What each model of the segments says, in words.
MODELS: Final[dict[SegmentModel, str]] = {
    "random": "random: tied by their spread",
    "free": "free: nothing known of them",
    "fixed": "fixed: perfectly aligned",
}
JACKKNIFE: Final = "leaving out one segment after the other"


@dataclass(frozen=True, slots=True, kw_only=True)
class Belief(Result):
    """Standard uncertainties of p [m], q [m] and theta [rad] as other models would have claimed them, and checks."""

    used: SegmentModel
    claims: dict[SegmentModel, dict[str, float]]
    jackknife: dict[str, float] | None  # None: too few segments
    disagree: tuple[str, ...]  # of which the model's and the jackknife's uncertainty cannot both be right
    prior_checks: tuple[PriorCheck, ...]
    oddities: Oddities

    def to_dict(self) -> dict[str, Any]:
        """For JSON, SI."""
        return {
            "claims": self.claims,
            "jackknife": self.jackknife,
            "jackknife_disagrees": list(self.disagree),
            "prior_checks": [check.to_dict() for check in self.prior_checks],
            "robustness": self.oddities.to_dict(),
        }

    def rows(self) -> list[Table]:
        """As tables."""
        names = list(self.claims[self.used])
        tables = []
        if names:
            lines = [(f"{MODELS[self.used]} (stated)", self.claims[self.used])]
            lines += [(MODELS[model], claim) for model, claim in self.claims.items() if model != self.used]
            if self.jackknife is not None:
                lines.append((JACKKNIFE, self.jackknife))
            cells = [
                (label, *(f"± {uncertainty(claim[name], kind_of(name))}" for name in names)) for label, claim in lines
            ]
            notes = ["The last row believes no model of the surface; it is itself sure to a factor of about 1.5."]
            if self.jackknife is None:
                notes = ["Fewer than 5 segments: leaving out one after the other tells nothing."]
            elif self.disagree:
                notes.append(f"First and last row DISAGREE on {', '.join(self.disagree)}: look at the segments.")
            tables.append(
                Table(
                    title="Standard uncertainty by model of the segments",
                    header=("segments", *names),
                    cells=tuple(cells),
                    notes=tuple(notes),
                )
            )
        if self.prior_checks:
            checks = tuple(
                (
                    check.name,
                    f"{check.chi_squared:.3g}" if check.degrees else "–",
                    str(check.degrees),
                    f"{check.p_value:.2g}" if check.degrees else "–",
                    "CONFLICT" if check.conflict else "agrees" if check.degrees else "data say nothing",
                )
                for check in self.prior_checks
            )
            tables.append(
                Table(
                    title="Knowledge from outside against the data",
                    header=("knowledge", "chi-squared", "degrees", "p-value", ""),
                    cells=checks,
                    notes=("p-value: how often so large a difference would be chance, if both are right.",),
                )
            )
        tables.append(self.oddities.table())
        return tables
