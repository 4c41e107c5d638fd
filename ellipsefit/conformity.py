"""Whether a mirror meets what is required of it, now and after the moves, decided after ISO 14253-1."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Final, Literal

import numpy as np

from ellipsefit.align import CorrectionPlan
from ellipsefit.align.outlook import as_measured
from ellipsefit.decision import GUARD, Decision, decide, worst
from ellipsefit.fit import EllipseFit
from ellipsefit.focus import FocusResult
from ellipsefit.foreseen import LightAfter
from ellipsefit.place import Placement
from ellipsefit.results import Result
from ellipsefit.rows import Table, number, rounded, share, uncertainty, with_uncertainty

Kind = Literal["length", "angle", "share"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """The worst of what one requirement is asked of, and the decision on it."""

    value: float
    stderr: float
    decision: Decision
    name: str = ""  # of the segment, where there are several
    failing: int = 0  # of how many conformity is not proven
    of: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Requirement:
    """One limit, and how it is met; SI. A value must be within +-limit, or at least the limit."""

    name: str
    kind: Kind
    limit: float
    now: Judged | None
    after: Judged | None  # after the planned moves; None: not foreseen
    at_least: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Conformity(Result):
    """All requirements on a mirror, its light and its carrier that files state."""

    requirements: tuple[Requirement, ...]
    table: ClassVar[str | None] = "requirements"

    @property
    def now(self) -> Decision | None:
        """The worst decision as measured; None: nothing is required."""
        return worst(item.now.decision for item in self.requirements if item.now is not None)

    @property
    def after(self) -> Decision | None:
        """The worst decision on what is foreseen after the moves; None: nothing is required or foreseen."""
        return worst(item.after.decision for item in self.requirements if item.after is not None)

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        return {
            "now": self.now,
            "after": self.after,
            "requirements": [
                {
                    "name": item.name,
                    "limit": item.limit,
                    "at_least": item.at_least,
                    **{key: _judged_dict(getattr(item, key)) for key in ("now", "after")},
                }
                for item in self.requirements
            ],
        }

    def rows(self) -> list[Table]:
        """Tables of the requirements as measured and, where that is foreseen, after the moves."""
        tables = []
        for key, title in (("now", "Requirements, as measured"), ("after", "Requirements, foreseen after the moves")):
            cells = tuple(
                (
                    item.name,
                    ("at least " if item.at_least else "±") + _plain(item.limit, item.kind),
                    *_cells(getattr(item, key), item.kind),
                )
                for item in self.requirements
                if getattr(item, key) is not None
            )
            if cells:
                header = ("", "limit", "found, at worst", "guard band", "decision")
                tables.append(Table(title=title, header=header, cells=cells))
        if tables:
            note = (
                "Decisions after ISO 14253-1 at 95 %: conform, inside the limit by more than the guard band of "
                f"{GUARD:.2f} standard uncertainties; non-conform, outside by more; else indeterminate. Segments are "
                "judged less the height and tilt that all have in common, which are the carrier's."
            )
            tables[-1] = replace(tables[-1], notes=(note,))
        return tables


#: How decisions read in tables; a poor outcome in capitals.
SPOKEN: Final[dict[Decision, str]] = {
    "conform": "conform",
    "indeterminate": "INDETERMINATE",
    "non-conform": "NON-CONFORM",
}


def _judged_dict(judged: Judged | None) -> dict[str, Any] | None:
    if judged is None:
        return None
    return {
        "value": judged.value,
        "stderr": judged.stderr,
        "decision": judged.decision,
        "segment": judged.name or None,
        "not_proven": judged.failing,
    }


def _plain(value: float, kind: Kind) -> str:
    return share(value, None) if kind == "share" else number(value, kind)


def _cells(judged: Judged, kind: Kind) -> tuple[str, str, str]:
    if kind == "share":
        value, guard = share(judged.value, judged.stderr), f"{rounded(0.0, 100 * GUARD * judged.stderr)[1]} %"
    else:
        value, guard = with_uncertainty(judged.value, judged.stderr, kind), uncertainty(GUARD * judged.stderr, kind)
    where = f", {judged.name}" if judged.name else ""
    how_many = f", {judged.failing} of {judged.of} segments" if judged.failing and judged.of > 1 else ""
    return f"{value}{where}", guard, f"{SPOKEN[judged.decision]}{how_many}"


def judge_mirror(
    fit: EllipseFit,
    plan: CorrectionPlan,
    light: FocusResult | None = None,
    placement: Placement | None = None,
    foreseen: LightAfter | None = None,
) -> Conformity:
    """Decide on everything that the mirror file, the beam file and the carrier file require.

    Parameters
    ----------
    fit, plan
        How the mirror stands, and what is to be done; the plan is one of this fit.
    light : FocusResult, optional
        For the required throughput; the mirror as measured.
    placement : Placement, optional
        For the tolerances of the carrier's foci.
    foreseen : LightAfter, optional
        For the throughput after the moves.
    """
    found = [*_segments(fit, plan)]
    if light is not None and light.beam.required_throughput is not None:
        required, stderr = light.beam.required_throughput, light.throughput_stderr or 0.0
        now = Judged(
            value=light.throughput,
            stderr=stderr,
            decision=decide(light.throughput, stderr, required, at_least=True),
        )
        after = None
        if foreseen is not None:
            expected = foreseen.throughput.expected
            after = Judged(
                value=expected.mean,
                stderr=expected.stderr,
                decision=decide(expected.mean, expected.stderr, required, at_least=True),
            )
        found.append(Requirement(name="throughput", kind="share", limit=required, now=now, after=after, at_least=True))
    if placement is not None:
        found += _foci(placement)
    return Conformity(requirements=tuple(found))


def _segments(fit: EllipseFit, plan: CorrectionPlan) -> Iterator[Requirement]:
    tolerance, outlook = plan.mirror.tolerance, plan.outlook
    limits = (tolerance.segment_height if fit.placed.quantity == "height" else None, tolerance.segment_tilt)
    if all(limit is None for limit in limits):
        return
    values, stderr = as_measured(fit, plan.target, plan.mirror)
    names = [rest.name for rest in plan.segments]
    for column, (limit, quantity) in enumerate(zip(limits, ("height", "tilt"), strict=True)):
        if limit is None:
            continue
        after = None
        if outlook is not None:
            left = np.array([getattr(rest, quantity) for rest in plan.segments], dtype=np.float64)
            sure = np.array([getattr(item, f"{quantity}_stderr") for item in outlook.segments], dtype=np.float64)
            after = _worst_of(names, left, sure, limit)
        yield Requirement(
            name=f"{quantity} of each segment",
            kind="length" if quantity == "height" else "angle",
            limit=limit,
            now=_worst_of(names, values[:, column], stderr[:, column], limit),
            after=after,
        )


def _worst_of(names: list[str], values: np.ndarray, stderr: np.ndarray, limit: float) -> Judged:
    """The value that is decided worst and, of these, has the least margin."""
    judged = [
        Judged(
            value=float(value),
            stderr=float(size),
            decision=decide(float(value), float(size), limit),
            name=name if len(names) > 1 else "",
        )
        for name, value, size in zip(names, values, stderr, strict=True)
    ]
    grade = worst(item.decision for item in judged)
    chosen = max(
        (item for item in judged if item.decision == grade), key=lambda item: abs(item.value) + GUARD * item.stderr
    )
    failing = sum(item.decision != "conform" for item in judged)
    return Judged(
        value=chosen.value,
        stderr=chosen.stderr,
        decision=chosen.decision,
        name=chosen.name,
        failing=failing,
        of=len(judged),
    )


def _foci(placement: Placement) -> Iterator[Requirement]:
    after = {} if placement.after is None else {spot.name: spot for spot in placement.after}
    for spot in (placement.source, placement.image):
        for place, axis in enumerate("xyz"):
            limit = float(getattr(placement.carrier.tolerance, spot.name)[place])
            if not np.isfinite(limit):
                continue
            judged = [
                None
                if one is None
                else Judged(
                    value=float(one.shift[place]),
                    stderr=float(one.stderr[place]),
                    decision=decide(float(one.shift[place]), float(one.stderr[place]), limit),
                )
                for one in (spot, after.get(spot.name))
            ]
            yield Requirement(
                name=f"{spot.name} focus, hall {axis}", kind="length", limit=limit, now=judged[0], after=judged[1]
            )
