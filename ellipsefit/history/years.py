"""The years of a mirror on one screen, from its record."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, ClassVar, Final

from ellipsefit.errors import FileFormatError
from ellipsefit.files.record import Record, RecordedEntry, RecordedResult, read_record
from ellipsefit.files.record.provenance import Link, Stale, current_results, provenance, stale_results
from ellipsefit.history.attribution import Attribution, attribute_change
from ellipsefit.history.quantities import NAMES, QUANTITIES, concise, numbers_of, sparkline
from ellipsefit.results import Result
from ellipsefit.rows import Table, number

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Rounds shown beside each other: the first and the latest ones.
SHOWN: Final = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundNumbers:
    """What one round found, and what was done by it. SI; None: not known."""

    number: int
    when: datetime | None
    values: Mapping[str, float | None]  # by the keys of QUANTITIES
    stderr: Mapping[str, float | None]  # of these; None: none is stated, or it was held
    held: tuple[str, ...]  # of p, q and theta
    worst: tuple[str, float] | None  # segment that stands highest or lowest, and its height [m]
    feasible: bool | None  # None: no plan
    moves: int  # adjusters that the plan moves
    largest: float | None  # of its moves [m]
    compared: bool | None  # whether it was seen to be carried out as asked; None: not compared

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        return {
            "round": self.number,
            "time": None if self.when is None else self.when.isoformat(),
            **{key: self.values[key] for key in NAMES},
            **{f"{key}_stderr": self.stderr[key] for key in NAMES if key != "slope_error_rms"},
            "held": list(self.held),
            "worst_segment": None if self.worst is None else {"name": self.worst[0], "height": self.worst[1]},
            "feasible": self.feasible,
            "moves": self.moves,
            "largest_move": self.largest,
            "as_asked": self.compared,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened besides the rounds, in words."""

    when: datetime | None
    what: str
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordHistory(Result):
    """What a record tells of a mirror over the years, why it changed, and what of it is stale."""

    mirror: str
    rounds: tuple[RoundNumbers, ...]
    events: tuple[Event, ...]
    attribution: Attribution | None  # None: fewer than two rounds with a fit
    stale: tuple[Stale, ...]
    links: tuple[Link, ...]
    warnings: tuple[str, ...]
    table: ClassVar[str | None] = "rounds"

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        return {
            "mirror": self.mirror,
            "rounds": [one.to_dict() for one in self.rounds],
            "events": [
                {"time": None if one.when is None else one.when.isoformat(), "what": one.what, "detail": one.detail}
                for one in self.events
            ],
            "attribution": None if self.attribution is None else self.attribution.to_dict(),
            "stale": [{"result": one.path, "why": list(one.why)} for one in self.stale],
            "provenance": [
                {
                    "result": link.path,
                    "time": None if link.made is None else link.made.isoformat(),
                    "made_from": [{"path": source.path, "sha256": source.checksum or None} for source in link.sources],
                }
                for link in self.links
            ],
            "warnings": list(self.warnings),
        }

    def rows(self) -> list[Table]:
        """Tables of the history, as shown on screens and pages."""
        tables = [self._years_table()]
        if self.events:
            tables.append(self._event_table())
        if self.attribution is not None:
            tables.append(self.attribution.table())
        return tables

    def plot(self) -> Figure:
        """Figure of the years, and of the shares of the last change."""
        from ellipsefit.report import plot_history

        return plot_history(self, QUANTITIES)

    def provenance_table(self) -> Table:
        """From what each result was made."""
        cells = tuple((link.path, "; ".join(link.named) or "the record does not tell") for link in self.links)
        return Table(title="What each result was made from", header=("result", "made from"), cells=cells)

    def _years_table(self) -> Table:
        shown = self._columns()
        header = ("", *(("course",) if len(self.rounds) > 1 else ()), *(f"round {one.number}" for one in shown))
        course = len(self.rounds) > 1
        cells: list[tuple[str, ...]] = [("measured on", *(("",) if course else ()), *(_day(one.when) for one in shown))]
        for key, name, *_, unit in QUANTITIES:
            line = (sparkline([one.values[key] for one in self.rounds]),) if course else ()
            cells.append((f"{name} [{unit}]", *line, *(_concise(one, key, unit) for one in shown)))
        blank = ("",) if course else ()
        cells.append(("worst segment", *blank, *("–" if one.worst is None else one.worst[0] for one in shown)))
        worst = [None if one.worst is None else one.worst[1] for one in self.rounds]
        line = (sparkline(worst),) if course else ()
        cells.append(
            (
                "  its height [um]",
                *line,
                *("–" if one.worst is None else f"{one.worst[1] * 1e6:+.2f}" for one in shown),
            )
        )
        cells.append(("planned moves", *blank, *(_plan_words(one) for one in shown)))
        cells.append(("  largest [um]", *blank, *(_um(one.largest) for one in shown)))
        cells.append(("  carried out", *blank, *(_done_words(one) for one in shown)))
        left_out = len(self.rounds) - len(shown)
        notes = []
        if any(one.held for one in shown):
            notes.append("*: held at nominal. Digits in brackets: standard uncertainty of the last digits.")
        elif self.rounds:
            notes.append("Digits in brackets: standard uncertainty of the last digits.")
        if left_out:
            notes.append(f"{left_out} round{'s' * (left_out != 1)} between are not shown; the course shows all.")
        notes += [f"Note: {text}" for text in self.warnings]
        return Table(title=self._title(), header=header, cells=tuple(cells) if shown else (), notes=tuple(notes))

    def _columns(self) -> tuple[RoundNumbers, ...]:
        if len(self.rounds) <= SHOWN:
            return self.rounds
        return (self.rounds[0], *self.rounds[1 - SHOWN :])

    def _title(self) -> str:
        count = len(self.rounds)
        dates = [one.when for one in self.rounds if one.when is not None]
        years = ""
        if len(dates) > 1:
            years = f" from {_day(dates[0])} to {_day(dates[-1])}"
        return f"History of {self.mirror}: {count} round{'s' * (count != 1)}{years}"

    def _event_table(self) -> Table:
        cells = tuple((_day(one.when), one.what, one.detail) for one in self.events[-8:])
        left_out = len(self.events) - len(cells)
        notes = (f"{left_out} earlier ones are not shown.",) if left_out else ()
        return Table(title="What happened besides", header=("on", "what", ""), cells=cells, notes=notes)


def read_record_history(
    path: str | os.PathLike[str], *, start: int | None = None, stop: int | None = None
) -> RecordHistory:
    """The years of a mirror from its record, and why numbers changed between two of its rounds.

    Parameters
    ----------
    path : path
        The record.
    start, stop : int, optional
        Rounds whose numbers are compared; by default the last two that hold a fit.

    Returns
    -------
    RecordHistory

    Raises
    ------
    FileMissingError, FileFormatError
        If it cannot be read, is no record, or has no fit in such a round.
    """
    record = read_record(path)
    fitted = [entry for entry in record.rounds if entry.last("fit") is not None]
    pair = _pair(path, fitted, start, stop)
    attribution = None if pair is None else attribute_change(path, *pair)
    stale = stale_results(record)
    current = current_results(record)
    return RecordHistory(
        mirror=record.mirror,
        rounds=tuple(_numbers(entry) for entry in record.rounds),
        events=_events(record),
        attribution=attribution,
        stale=stale,
        links=provenance(record),
        warnings=tuple(text for one in stale if one.path in current for text in one.sentences()),
    )


# what a record tells of a round


def _numbers(entry: RecordedEntry) -> RoundNumbers:
    fit, plan = entry.last("fit"), entry.last("correction")
    answer = {} if fit is None else fit.answer
    ellipse = answer.get("ellipse", {})
    segments = [one for one in answer.get("segments", ()) if one.get("height") is not None]
    worst = max(segments, key=lambda one: abs(one["height"]), default=None)
    moves = [] if plan is None else [move["move"] for move in plan.answer.get("moves", ()) if move.get("move")]
    compared = [one for one in entry.results if one.kind == "comparison" and one.answer.get("kind", "round") == "round"]
    return RoundNumbers(
        number=entry.number,
        when=entry.when,
        values=numbers_of(answer),
        stderr=numbers_of(answer, "_stderr"),
        held=tuple(name for name in ("p", "q", "theta") if ellipse and name not in ellipse.get("varied", ())),
        worst=None if worst is None else (str(worst["name"]), float(worst["height"])),
        feasible=None if plan is None else bool(plan.answer.get("feasible")),
        moves=len(moves),
        largest=max((abs(move) for move in moves), default=None),
        compared=bool(compared[-1].answer.get("as_asked")) if compared else None,
    )


def _events(record: Record) -> tuple[Event, ...]:
    found: list[Event] = []
    for entry in record.rounds:
        found += [
            Event(when=result.made, what=_compared_words(entry, result), detail=_comparison(result))
            for result in entry.results
            if result.kind == "comparison"
        ]
    for entry in record.surveys:
        placed = entry.last("placement")
        if placed is not None:
            found.append(Event(when=entry.when, what=f"survey {entry.number}", detail=_placement(placed)))
    for entry in record.forecasts:
        forecast = entry.last("forecast")
        if forecast is not None:
            due = "realignment is due" if forecast.answer.get("realign_due") else "no realignment is due"
            ahead = forecast.answer.get("next_survey")
            more = f", next survey {str(ahead)[:10]}" if ahead else ""
            found.append(Event(when=entry.when, what=f"forecast {entry.number}", detail=f"{due}{more}"))
    return tuple(sorted(found, key=lambda one: one.when.timestamp() if one.when is not None else -math.inf))


def _compared_words(entry: RecordedEntry, result: RecordedResult) -> str:
    what = "test moves" if result.answer.get("kind") == "test" else "moves"
    return f"{what} of round {entry.number}"


def _comparison(result: RecordedResult) -> str:
    moved = [move for move in result.answer.get("moves", ()) if move.get("asked")]
    carrier = (result.answer.get("carrier") or {}).get("tilt")
    tail = "" if not carrier else f", carrier tilted {number(carrier, 'angle', sign=True)}"
    how = "as asked" if result.answer.get("as_asked") else "NOT AS ASKED"
    return f"{len(moved)} adjuster{'s' * (len(moved) != 1)} moved, {how}{tail}"


def _placement(result: RecordedResult) -> str:
    answer = result.answer
    image = answer.get("foci", {}).get("image_shift") or answer.get("misplacement", {}).get("pole")
    size = math.hypot(*image) if image else None
    what = "image focus" if answer.get("foci", {}).get("image_shift") else "pole"
    off = "" if size is None else f", {what} {number(size, 'length')} from nominal"
    return f"carrier {answer.get('carrier', '')}{off}"


def _pair(
    path: str | os.PathLike[str], fitted: Sequence[RecordedEntry], start: int | None, stop: int | None
) -> tuple[RecordedEntry, RecordedEntry] | None:
    by_number = {entry.number: entry for entry in fitted}
    for wanted in (start, stop):
        if wanted is not None and wanted not in by_number:
            known = ", ".join(map(str, by_number)) or "none"
            raise FileFormatError(f"{path}: round {wanted} holds no fit; expected one of rounds {known}")
    after = by_number[stop] if stop is not None else next(reversed(fitted), None)
    if after is None:
        return None
    earlier = [entry for entry in fitted if entry.number < after.number]
    before = by_number[start] if start is not None else (earlier[-1] if earlier else None)
    if before is None:
        return None
    if before.number >= after.number:
        raise FileFormatError(
            f"{path}: round {before.number} is not before round {after.number}; expected an earlier and a later one"
        )
    return before, after


def _concise(one: RoundNumbers, key: str, unit: str) -> str:
    return concise(one.values[key], one.stderr[key], unit, held=key in one.held)


def _plan_words(one: RoundNumbers) -> str:
    if one.feasible is None:
        return "–"
    return f"{one.moves}" if one.feasible else f"{one.moves} NOT OK"


def _done_words(one: RoundNumbers) -> str:
    return {None: "–", True: "as asked", False: "NOT AS ASKED"}[one.compared]


def _um(value: float | None) -> str:
    return "–" if value is None else f"{value * 1e6:.1f}"


def _day(when: datetime | None) -> str:
    return "no date" if when is None else f"{when:%Y-%m-%d}"
