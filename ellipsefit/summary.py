"""Many mirrors on one page: a line of numbers for each, and how they compare."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from itertools import chain
from typing import Any, ClassVar, Final, Literal, get_args

import numpy as np

from ellipsefit.align import CorrectionPlan
from ellipsefit.errors import ParameterError
from ellipsefit.fit import EllipseFit
from ellipsefit.focus import FocusResult
from ellipsefit.place import Placement
from ellipsefit.results import Result
from ellipsefit.rows import Table, number

Verdict = Literal["feasible", "throughput missed", "not feasible", "not converged", "failed"]

#: From good to bad.
VERDICTS: Final[tuple[Verdict, ...]] = get_args(Verdict)
#: Lines that a screen shows of each kind.
SHOWN: Final = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class MirrorLine:
    """What became of one mirror, SI; None: not known, or not asked for."""

    name: str  # in the batch
    verdict: Verdict
    reason: str = ""  # why it failed
    mirror: str | None = None  # name in its file
    round: int | None = None  # in its record
    share_of_tolerance: float | None = None  # largest of what remains over what is allowed, of any segment
    height_max: float | None = None  # what remains at an adjuster [m]
    tilt_max: float | None = None  # what remains of a segment [rad]
    image_shift_rms: float | None = None  # what remains, over segments [m]
    travel_missing: float | None = None  # [m]
    carrier_height: float | None = None  # [m]
    carrier_tilt: float | None = None  # [rad]
    p: float | None = None  # [m]
    p_stderr: float | None = None
    q: float | None = None
    q_stderr: float | None = None
    theta: float | None = None  # [rad]
    theta_stderr: float | None = None
    image_along: float | None = None  # misplacement before the correction [m]
    image_along_stderr: float | None = None
    image_across: float | None = None
    image_across_stderr: float | None = None
    height_error_rms: float | None = None  # of the figure [m]
    slope_error_rms: float | None = None  # of the figure [rad]
    whole_slope_error_rms: float | None = None  # segments as they were found [rad]
    throughput: float | None = None
    image_in_hall: float | None = None  # by the survey: how far the image focus is from where it should be [m]
    warnings: tuple[str, ...] = ()

    @classmethod
    def from_dict(cls, answer: dict[str, Any]) -> MirrorLine:
        """Line from its machine-readable form.

        Raises
        ------
        ParameterError
            If it is none.
        """
        try:
            line = cls(**{**answer, "warnings": tuple(answer["warnings"])})
        except (TypeError, KeyError):
            raise ParameterError("is no line of a batch") from None
        if line.verdict not in VERDICTS:
            raise ParameterError(f"verdict must be one of {', '.join(VERDICTS)}; got {line.verdict!r}")
        return line

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable form, SI."""
        return asdict(self) | {"warnings": list(self.warnings)}

    @property
    def rank(self) -> tuple[int, float, float]:
        """The larger, the worse: by verdict, then by share of the tolerance, then by height left."""
        return VERDICTS.index(self.verdict), self.share_of_tolerance or 0.0, self.height_max or 0.0


def mirror_line(
    name: str,
    fit: EllipseFit,
    plan: CorrectionPlan,
    light: FocusResult | None,
    placement: Placement | None,
    round_: int | None,
) -> MirrorLine:
    """The numbers of a job that are compared."""
    verdict: Verdict = "feasible"
    if not fit.converged:
        verdict = "not converged"
    elif not plan.feasible:
        verdict = "not feasible"
    elif light is not None and not light.acceptable:
        verdict = "throughput missed"
    ellipse, figure, focus, remaining = fit.ellipse, fit.figure, fit.focus, plan.remaining
    others = [part.warnings for part in (light, placement) if part is not None]
    warnings = (*fit.warnings, *plan.warnings, *chain.from_iterable(others))
    return MirrorLine(
        name=name,
        verdict=verdict,
        mirror=fit.mirror.name,
        round=round_,
        share_of_tolerance=_share_of_tolerance(plan),
        height_max=_known(remaining.height_max),
        tilt_max=_known(remaining.tilt_max),
        image_shift_rms=_known(remaining.image_shift_rms),
        travel_missing=_known(plan.travel_missing),
        carrier_height=_known(plan.carrier_height),
        carrier_tilt=_known(plan.carrier_tilt),
        p=_known(ellipse.p),
        p_stderr=_known(fit.stderr("p")),
        q=_known(ellipse.q),
        q_stderr=_known(fit.stderr("q")),
        theta=_known(ellipse.theta),
        theta_stderr=_known(fit.stderr("theta")),
        image_along=_known(focus.image_along),
        image_along_stderr=_known(focus.image_along_stderr),
        image_across=_known(focus.image_across),
        image_across_stderr=_known(focus.image_across_stderr),
        height_error_rms=_known(figure.height_error_rms),
        slope_error_rms=_known(figure.slope_error_rms),
        whole_slope_error_rms=_known(figure.whole_slope_error_rms),
        throughput=None if light is None else _known(light.throughput),
        image_in_hall=None if placement is None else float(np.linalg.norm(placement.image.shift)),
        warnings=tuple(dict.fromkeys(warnings)),
    )


def _known(value: float | None) -> float | None:
    return None if value is None or not np.isfinite(value) else float(value)


def _share_of_tolerance(plan: CorrectionPlan) -> float | None:
    tolerance = plan.mirror.tolerance
    shares = [
        abs(left) / allowed
        for rest in plan.segments
        for left, allowed in ((rest.height, tolerance.segment_height), (rest.tilt, tolerance.segment_tilt))
        if left is not None and allowed is not None
    ]
    return max(shares, default=None)


#: Column of a line: its title in files, with the unit, and what is multiplied to be in it.
COLUMNS: Final[dict[str, tuple[str, float]]] = {
    "share_of_tolerance": ("share of tolerance", 1.0),
    "height_max": ("height left [um]", 1e6),
    "tilt_max": ("tilt left [urad]", 1e6),
    "image_shift_rms": ("image shift left, rms [um]", 1e6),
    "travel_missing": ("travel missing [um]", 1e6),
    "carrier_height": ("carrier: height [um]", 1e6),
    "carrier_tilt": ("carrier: tilt [urad]", 1e6),
    "p": ("p [m]", 1.0),
    "p_stderr": ("stderr of p [mm]", 1e3),
    "q": ("q [m]", 1.0),
    "q_stderr": ("stderr of q [mm]", 1e3),
    "theta": ("theta [mrad]", 1e3),
    "theta_stderr": ("stderr of theta [urad]", 1e6),
    "image_along": ("image along [mm]", 1e3),
    "image_along_stderr": ("stderr of image along [mm]", 1e3),
    "image_across": ("image across [um]", 1e6),
    "image_across_stderr": ("stderr of image across [um]", 1e6),
    "height_error_rms": ("height error, rms [nm]", 1e9),
    "slope_error_rms": ("slope error, rms [urad]", 1e6),
    "whole_slope_error_rms": ("slope error as found, rms [urad]", 1e6),
    "throughput": ("throughput", 1.0),
    "image_in_hall": ("image in the hall, off by [mm]", 1e3),
}
#: Quantities whose spread over all mirrors is shown.
_COMPARED: Final = (
    ("share_of_tolerance", "left, share of tolerance", "share"),
    ("height_max", "height left at an adjuster", "length"),
    ("image_shift_rms", "image shift left, rms", "length"),
    ("slope_error_rms", "slope error, rms", "angle"),
    ("image_along", "|image along|, as found", "length"),
    ("image_across", "|image across|, as found", "length"),
    ("throughput", "throughput", "share"),
    ("image_in_hall", "image in the hall, off by", "length"),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Summary(Result):
    """What became of all mirrors of a batch, in its order."""

    lines: tuple[MirrorLine, ...]
    every: bool = False  # whether all lines are shown, instead of the worst
    table: ClassVar[str | None] = "results"

    @property
    def counts(self) -> dict[Verdict, int]:
        """How many there are of each verdict, from good to bad."""
        found = Counter(line.verdict for line in self.lines)
        return {verdict: found[verdict] for verdict in VERDICTS}

    @property
    def failed(self) -> int:
        """Mirrors without a result."""
        return self.counts["failed"]

    @property
    def acceptable(self) -> bool:
        """Whether every mirror has a result and each is feasible, with the required throughput."""
        return self.counts["feasible"] == len(self.lines)

    def worst_first(self) -> tuple[MirrorLine, ...]:
        """The lines, the worst before all others; among equals in the order of the batch."""
        return tuple(sorted(self.lines, key=lambda line: line.rank, reverse=True))

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        return {
            "mirrors": len(self.lines),
            "acceptable": self.acceptable,
            "counts": self.counts,
            "results": [line.to_dict() for line in self.lines],
        }

    def rows(self) -> list[Table]:
        """Tables: what failed and why, the worst mirrors, and how all compare."""
        title = f"Batch of {_many(len(self.lines))}: {self._counts_text()}"
        ordered = self.worst_first()
        failed = [line for line in ordered if line.verdict == "failed"]
        others = [line for line in ordered if line.verdict != "failed"]
        shown = len(self.lines) if self.every else SHOWN
        tables = [Table(title=title)]
        if failed:
            cells = tuple((line.name, line.reason) for line in failed[:shown])
            tables.append(Table(title="Without a result", cells=cells, notes=_rest(len(failed), shown)))
        if others:
            tables += [self.compared(others), mirror_table(others, shown)]
        return tables

    def compared(self, lines: Iterable[MirrorLine]) -> Table:
        """Median, 95 % and largest of what is compared."""
        cells = []
        for name, label, kind in _COMPARED:
            found = np.abs([value for line in lines if (value := getattr(line, name)) is not None])
            if not len(found):
                continue
            low = name == "throughput"  # of which the smallest is the worst
            values = (np.median(found), np.quantile(found, 0.05 if low else 0.95), found.min() if low else found.max())
            cells.append((label, *(_shown(float(value), kind) for value in values), str(len(found))))
        return Table(title="All together", header=("", "median", "95 % within", "worst", "mirrors"), cells=tuple(cells))

    def _counts_text(self) -> str:
        return ", ".join(f"{count} {shout(verdict)}" for verdict, count in self.counts.items() if count)


def mirror_table(lines: Iterable[MirrorLine], most: int) -> Table:
    """A line for each mirror that has a result, so many at most."""
    chosen = list(lines)
    lit = any(line.throughput is not None for line in chosen)
    short = any(line.travel_missing for line in chosen)
    placed = any(line.image_in_hall is not None for line in chosen)
    cells = tuple(
        (
            line.name,
            shout(line.verdict),
            _shown(line.share_of_tolerance, "share"),
            number(line.height_max, "length", unit="um"),
            number(line.tilt_max, "angle", unit="urad"),
            *((number(line.travel_missing, "length", unit="um") if line.travel_missing else "",) * short),
            number(line.slope_error_rms, "angle", unit="urad"),
            number(line.image_along, "length", unit="mm", sign=True),
            number(line.image_across, "length", unit="um", sign=True),
            *((_shown(line.throughput, "share"),) * lit),
            *((number(line.image_in_hall, "length", unit="mm"),) * placed),
            str(len(line.warnings)) if line.warnings else "",
        )
        for line in chosen[:most]
    )
    header = (
        "mirror",
        "",
        "of tolerance",
        "height left",
        "tilt left",
        *(("travel missing",) * short),
        "slope error",
        "image along",
        "image across",
        *(("throughput",) * lit),
        *(("in the hall",) * placed),
        "warnings",
    )
    notes = (
        "Of tolerance, height and tilt left: after the moves. Image: misplacement as found.",
        *(("In the hall: how far the image focus is from where it should be, by the survey.",) * placed),
        *_rest(len(chosen), most),
    )
    return Table(title="Mirrors, the worst first", header=header, cells=cells, notes=notes)


def shout(verdict: Verdict) -> str:
    """Verdict as it is shown: what is bad in capitals."""
    return verdict if verdict == "feasible" else verdict.upper()


def _shown(value: float | None, kind: str) -> str:
    if kind != "share":
        return number(value, kind)
    return "–" if value is None else f"{100 * value:.3g} %" if value < 10 else f"{value:.3g} times"


def _many(count: int) -> str:
    return f"{count:,} mirror{'s' * (count != 1)}".replace(",", " ")


def _rest(count: int, shown: int) -> tuple[str, ...]:
    return (f"… and {count - shown} more.",) if count > shown else ()
