"""From what each result was made, and what has been overtaken since: nothing stale is used without a word.

A result is stale when something it was made from has been replaced, or when the mirror no longer stands as it says. The
record tells most of it; the mirror file and the measured files at hand tell the rest.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from ellipsefit.align.orders import adjusters_of
from ellipsefit.errors import EllipsefitError
from ellipsefit.files.carrier import measured_in as record_of
from ellipsefit.files.mirror import mirror_from_text
from ellipsefit.files.nexus import mirror_named_in
from ellipsefit.files.record.names import printable_name
from ellipsefit.files.record.reading import (
    Kind,
    Record,
    RecordedEntry,
    RecordedInput,
    RecordedResult,
    Source,
    read_record,
    read_record_summary,
)
from ellipsefit.files.record.writing import MEASURED, file_checksum, measured_in, written_by
from ellipsefit.files.registry import file_format
from ellipsefit.files.safe import real_path
from ellipsefit.mirror import Mirror
from ellipsefit.rows import number

#: Positions that differ by less are the same [m].
SAME_PLACE: Final = 1e-9
_WORDS: Final[dict[Kind, str]] = {
    "stitching": "the stitching",
    "fit": "the fit",
    "correction": "the plan",
    "focus": "the focus",
    "comparison": "the comparison",
    "placement": "the placement",
    "forecast": "the forecast",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stale:
    """A result that was overtaken: what happened since, and what to do."""

    path: str  # such as 'round_1/fit'
    what: str  # in words
    why: tuple[str, ...]

    def sentences(self) -> tuple[str, ...]:
        """One for each reason."""
        return tuple(f"{self.what} is stale: {reason}" for reason in self.why)


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """One line of the graph: a result and all it was made from, in words."""

    path: str
    what: str
    made: datetime | None
    sources: tuple[Source, ...]
    named: tuple[str, ...]  # the same, for people


def words_for(entry: RecordedEntry, result: RecordedResult) -> str:
    """A result in words, such as 'the fit of round 2'."""
    which = f", the {_ordinal(result.number)}" if result.number > 1 else ""
    return f"{_WORDS[result.kind]} of {entry.kind} {entry.number}{which}"


def provenance(record: Record) -> tuple[Link, ...]:
    """The graph: every result, with the inputs and results it was made from."""
    return tuple(
        Link(
            path=result.path,
            what=words_for(entry, result),
            made=result.made,
            sources=result.sources,
            named=tuple(_source_words(record, source) for source in result.sources),
        )
        for entry, result in record.results
    )


def _source_words(record: Record, source: Source) -> str:
    found = record.find(source.path)
    if isinstance(found, RecordedInput):
        sha = f", SHA-256 {found.checksum[:8]}…" if found.checksum else ""
        return f"{found.role} {found.name}{sha}" if found.name else f"{found.role}{sha}"
    for entry, result in record.results:
        if result is found:
            return words_for(entry, result)
    return f"{source.path} (missing)"


def stale_results(record: Record) -> tuple[Stale, ...]:
    """Every result that the record itself says was overtaken.

    Parameters
    ----------
    record : Record
        As read.

    Returns
    -------
    tuple of Stale
        In the order of the file.
    """
    found: dict[str, Stale] = {}
    for entry, result in record.results:
        why = _overtaken(record, entry, result)
        for source in result.sources:
            why += _source_overtaken(record, source, found, why)
        if why:
            found[result.path] = Stale(path=result.path, what=words_for(entry, result), why=tuple(dict.fromkeys(why)))
    return tuple(found.values())


def current_results(record: Record) -> frozenset[str]:
    """Paths of the last results of each kind in the last round, survey and forecast.

    That an earlier one was followed by a later one goes without saying.
    """
    latest = [found[-1] for found in (record.rounds, record.surveys, record.forecasts) if found]
    return frozenset(result.path for entry in latest for result in entry.results if entry.last(result.kind) is result)


def _overtaken(record: Record, entry: RecordedEntry, result: RecordedResult) -> list[str]:
    """What came after a result and takes its place."""
    why: list[str] = []
    later = entry.last(result.kind)
    if result.kind != "comparison" and later is not None and later is not result:
        why.append(f"the same step was done again on {_day(later.made)} ({later.path}); use that")
    if entry.kind == "round" and result.kind in ("fit", "correction", "focus"):
        newer = next((one for one in reversed(record.rounds) if one.number > entry.number and _measured(one)), None)
        if newer is not None:
            why.append(f"the mirror was measured again in round {newer.number} ({_day(newer.when)}); use that")
        done = _carried_out(entry)
        if done is not None and result.kind == "correction":
            why.append(
                f"it was carried out and compared ({done.path}); do not make these moves again: plan from a "
                "measurement made since"
            )
        elif done is not None and newer is None:
            why.append(f"moves were made since ({done.path}); measure the mirror again")
    if entry.kind == "survey":
        newer_survey = next(
            (one for one in reversed(record.surveys) if _time_of(one) > _time_of(entry) and one is not entry), None
        )
        if newer_survey is not None:
            why.append(
                f"the carrier was surveyed again in survey {newer_survey.number} ({_day(_survey_time(newer_survey))}); "
                "use that"
            )
        moved = _carrier_moved(record, _survey_time(entry))
        if moved is not None:
            why.append(f"the carrier was moved since ({moved}); survey it again")
    if entry.kind == "forecast":
        after = [one for one in record.surveys if entry.when is not None and _time_of(one) > entry.when.timestamp()]
        newer_forecast = record.forecasts[-1]
        if newer_forecast is not entry:
            why.append(f"there is a newer one, forecast {newer_forecast.number}; use that")
        elif after:
            why.append(f"survey {after[-1].number} ({_day(_survey_time(after[-1]))}) is not in it; forecast again")
    return why


def _source_overtaken(record: Record, source: Source, stale: Mapping[str, Stale], known: Sequence[str]) -> list[str]:
    """What happened to something that a result was made from."""
    found = record.find(source.path)
    if found is None:
        return [f"{source.path}, from which it was made, is not in the record; make it anew"]
    if source.checksum and found.checksum and source.checksum != found.checksum:
        return [f"{source.path} is no longer what it was made from; make it anew"]
    if isinstance(found, RecordedResult) and source.path in stale:
        of_it = stale[source.path]
        fresh = [reason for reason in of_it.why if reason.startswith("the same step was done again")]
        if fresh and not known:
            return [f"it rests on {of_it.what}, which was done again since; make it anew from that"]
    return []


def stale_for(
    path: str | os.PathLike[str], mirror: Mirror, measured: Sequence[str | os.PathLike[str]] = ()
) -> tuple[str, ...]:
    """What a record says against a step on this mirror file and these measured files.

    Parameters
    ----------
    path : path
        The record; one that is not there says nothing.
    mirror : Mirror
        The mirror as its file says it stands now.
    measured : sequence of path
        The measured files that the step uses.

    Returns
    -------
    tuple of str
        One sentence each: why, and what to do.
    """
    if not Path(path).exists():
        return ()
    record = read_record(path)
    notes = list(_moved_since(record, mirror))
    wanted = {file_checksum(file) for file in measured}
    for entry in reversed(record.rounds):
        if not wanted or wanted not in (measured_in(entry), written_by(entry)):
            continue
        newer = next((one for one in reversed(record.rounds) if one.number > entry.number), None)
        done = _carried_out(entry)
        if newer is not None and measured_in(newer) != measured_in(entry):
            notes.append(
                f"these data are those of round {entry.number} ({_day(entry.when)}); round {newer.number} "
                f"({_day(newer.when)}) is newer: use its data, or know that this looks back"
            )
        elif done is not None:
            notes.append(
                f"these data are those of round {entry.number}, measured before moves that were made since "
                f"({done.path}): measure the mirror again before anything is moved by them"
            )
        break
    return tuple(notes)


def _moved_since(record: Record, mirror: Mirror) -> list[str]:
    """Whether the mirror file agrees with the last recorded moves and with the last round's nominal."""
    notes = []
    stands = last_positions(record)
    if stands is not None:
        where, positions = stands
        wrong = [
            (key, positions[key], adjuster.position)
            for key, adjuster in adjusters_of(mirror).items()
            if key in positions and abs(positions[key] - adjuster.position) > SAME_PLACE
        ]
        if wrong:
            key, then, now = wrong[0]
            more = f", and {len(wrong) - 1} more differ" if len(wrong) > 1 else ""
            notes.append(
                f"the mirror file has {'/'.join(key)} at {_um(now)}, but {where} left it at {_um(then)}{more}: bring "
                "the mirror file up to date (compare writes it with --mirror-out), or record the moves made since"
            )
    last = next((entry for entry in reversed(record.rounds) if entry.mirror_text), None)
    then_mirror = None if last is None else mirror_then(last)
    if last is not None and then_mirror is not None:
        changes = design_changes(then_mirror, mirror)
        if changes:
            notes.append(
                f"the mirror file was changed since round {last.number}: {'; '.join(changes)}; its numbers are against "
                "the old file, `history` tells what that makes of them"
            )
    return notes


def stale_plan(path: str | os.PathLike[str], number: int | None = None) -> tuple[str, ...]:
    """Why the plan of a round, by default the last, should not be carried out as it is."""
    record = read_record(path)
    entry = next((one for one in record.rounds if one.number == number), record.rounds[-1] if record.rounds else None)
    result = None if entry is None else entry.last("correction")
    if result is None:
        return ()
    return next((one.sentences() for one in stale_results(record) if one.path == result.path), ())


def is_record(path: str | os.PathLike[str]) -> bool:
    """Whether a file of any kind is a record with rounds."""
    if file_format(path) != "hdf5":
        return False
    try:
        return mirror_named_in(path) is not None and bool(read_record_summary(path).rounds)
    except EllipsefitError:
        return False


def stale_sources(mirror: Mirror, *files: str | os.PathLike[str] | None) -> tuple[str, ...]:
    """What records from which the last campaign, or what adjusters do, is taken have against this mirror file."""
    records = [file for file in files if file is not None and is_record(file)]
    return tuple(dict.fromkeys(text for file in records for text in stale_for(file, mirror)))


def stale_measured(*files: str | os.PathLike[str]) -> tuple[str, ...]:
    """Why profiles that are taken from records no longer say how the mirror stands."""
    return tuple(f"{printable_name(file)}: {text}" for file in files if is_record(file) for text in stale_fit(file))


def stale_carriers(*carriers: str | os.PathLike[str]) -> tuple[str, ...]:
    """Why the measured mirrors that carrier files speak of no longer stand as measured."""
    records = [(carrier, record_of(carrier)) for carrier in carriers]
    return tuple(
        f"{printable_name(carrier)}: {text}"
        for carrier, record in records
        if record is not None
        for text in stale_fit(record)
    )


def stale_fit(path: str | os.PathLike[str]) -> tuple[str, ...]:
    """Why the last fit of a record no longer says how the mirror stands; a file of one fit says nothing."""
    try:
        record = read_record(path)
    except EllipsefitError:
        return ()
    for entry in reversed(record.rounds):
        result = entry.last("fit")
        if result is not None:
            return next((one.sentences() for one in stale_results(record) if one.path == result.path), ())
    return ()


def last_positions(record: Record) -> tuple[str, dict[tuple[str, str], float]] | None:
    """Where the last recorded moves left the adjusters [m], and which moves; None: none is recorded."""
    for entry in reversed(record.rounds):
        found = entry.last("comparison")
        if found is not None:
            moves = found.answer.get("moves", ())
            return found.path, {(move["segment"], move["adjuster"]): move["position"] for move in moves}
    return None


def mirror_then(entry: RecordedEntry) -> Mirror | None:
    """The mirror as a round's mirror file says; None: it holds none, or one that can't be read any more."""
    if entry.mirror_text is None:
        return None
    try:
        return mirror_from_text(entry.mirror_text, f"{entry.name}: mirror file")
    except EllipsefitError:
        return None


def design_changes(then: Mirror, now: Mirror) -> list[str]:
    """What differs between two states of a mirror file, but for where adjusters stand, in words."""
    words = []
    for key, name, kind in (("p", "p", "length"), ("q", "q", "length"), ("theta", "theta", "angle")):
        before, after = getattr(then.nominal, key), getattr(now.nominal, key)
        if before != after:
            words.append(f"nominal {name} {number(before, kind, digits=7)} to {number(after, kind, digits=7)}")
    names = [[segment.name for segment in mirror.segments] for mirror in (then, now)]
    if names[0] != names[1]:
        words.append(f"segments {', '.join(names[0])} to {', '.join(names[1])}")
    else:
        pairs = list(zip(then.segments, now.segments, strict=True))
        spans = [a.name for a, b in pairs if (a.start, a.end, a.edge) != (b.start, b.end, b.edge)]
        forms = [a.name for a, b in pairs if (a.form, a.form_uncertainty) != (b.form, b.form_uncertainty)]
        screws = [a.name for a, b in pairs if _adjusters_but_positions(a) != _adjusters_but_positions(b)]
        for what, which in (("span or edge", spans), ("form", forms), ("adjusters", screws)):
            if which:
                shown = ", ".join(which[:3]) + (f" and {len(which) - 3} more" if len(which) > 3 else "")
                words.append(f"{what} of {shown}")
    if then.measurement != now.measurement:
        words.append("measurement (x direction, offset or temperatures)")
    if then.tolerance != now.tolerance:
        words.append("tolerances")
    return words


def _adjusters_but_positions(segment: Any) -> list[tuple[Any, ...]]:
    return [
        (one.name, one.x, one.y, one.travel, one.resolution, one.backlash, one.raises, one.pitch_per_turn)
        for one in segment.adjusters
    ]


def previous_options(
    previous: str | os.PathLike[str] | None, record: str | os.PathLike[str] | None, stability: float
) -> dict[str, Any] | None:
    """What is kept of the option `previous` of a fit, so that it can be made again."""
    if previous is None:
        return None
    same = record is not None and Path(record).exists() and real_path(previous) == real_path(record)
    rounds = read_record(previous).rounds if same else ()
    if rounds:
        return {"round": rounds[-1].number, "stability": stability}
    return {"file": Path(previous).name, "checksum": file_checksum(previous), "stability": stability}


def rests_on(record: str | os.PathLike[str], options: Mapping[str, Any], *, learned: bool = False) -> tuple[str, ...]:
    """Paths of earlier results that a fit with these options, or a plan by what was learned, is made from."""
    if not Path(record).exists():
        return ()
    held, paths = read_record(record), []
    previous = options.get("previous")
    if isinstance(previous, dict) and "round" in previous:
        entry = next((one for one in held.rounds if one.number == previous["round"]), None)
        found = None if entry is None else entry.last("fit")
        paths += [] if found is None else [found.path]
    if learned:
        last = next((one for entry in reversed(held.rounds) if (one := entry.last("comparison")) is not None), None)
        paths += [] if last is None else [last.path]
    return tuple(paths)


# what the record tells


def _measured(entry: RecordedEntry) -> bool:
    return any(item.role in MEASURED for item in entry.inputs)


def _carried_out(entry: RecordedEntry) -> RecordedResult | None:
    """The comparison that tells of moves of a round's plan, but for test moves."""
    for result in entry.results:
        if result.kind == "comparison" and result.answer.get("kind", "round") == "round":
            return result
    return None


def _carrier_moved(record: Record, since: datetime | None) -> str | None:
    """Which round's plan moved the carrier after a date; None: the record knows of none."""
    if since is None:
        return None
    for entry in record.rounds:
        done, plan = _carried_out(entry), entry.last("correction")
        if done is None or plan is None or done.made is None or done.made <= since:
            continue
        carrier = plan.answer.get("carrier") or {}
        if any(carrier.get(key) for key in ("height", "tilt")):
            return f"by the plan of round {entry.number}, {_day(done.made)}"
    return None


def _survey_time(entry: RecordedEntry) -> datetime | None:
    """When a survey was made; by the date of its entry if it does not say."""
    found = entry.last("placement")
    text = None if found is None else found.answer.get("time")
    try:
        when = datetime.fromisoformat(text) if isinstance(text, str) else entry.when
    except ValueError:
        when = entry.when
    return when if when is None or when.tzinfo is not None else when.astimezone()


def _time_of(entry: RecordedEntry) -> float:
    when = _survey_time(entry)
    return float("-inf") if when is None else when.timestamp()


def _day(when: datetime | None) -> str:
    return "no date" if when is None else f"{when:%Y-%m-%d}"


def _um(value: float) -> str:
    return f"{value * 1e6:.6g} um"


def _ordinal(count: int) -> str:
    return {2: "second", 3: "third"}.get(count, f"{count}th")
