"""The record of a mirror, and what it has against a mirror file."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from ellipsefit.errors import FileFormatError
from ellipsefit.files.inspect.content import Fact, FileContent
from ellipsefit.files.inspect.words import counts
from ellipsefit.mirror import Mirror

if TYPE_CHECKING:
    from ellipsefit.files.record import Record, RecordedEntry


def inspect_record(path: str | os.PathLike[str]) -> FileContent | None:
    """A record of a mirror; None if it is none."""
    from ellipsefit.files.nexus import mirror_named_in  # h5py is loaded when a file needs it

    try:
        if mirror_named_in(path) is None:
            return None
    except FileFormatError:
        return None  # whoever reads on says what is wrong with it
    from ellipsefit.files.record import read_record, record_faults  # with the fit, which takes its time to load
    from ellipsefit.files.record.provenance import current_results, stale_results

    try:
        record, faults = read_record(path), record_faults(path)
    except FileFormatError as error:
        return FileContent(kind="record", path=os.fspath(path), faults=(str(error),))
    if not record.entries:
        return None  # the file of one fit
    stale, current = stale_results(record), current_results(record)
    results = [result.kind for _, result in record.results]
    told = f"ellipsefit history {os.fspath(path)}"
    marked = f"{len(stale)} of {len(results)} results: {', '.join(one.path for one in stale)}"
    facts = (
        Fact("mirror", record.mirror, record.mirror),
        *(
            Fact(name, _entries(entries), [_dated(entry) for entry in entries])
            for name, entries in (
                ("rounds", record.rounds),
                ("surveys", record.surveys),
                ("forecasts", record.forecasts),
            )
        ),
        Fact("results", counts(Counter(results)) or "none", dict(Counter(results))),
        Fact("stale", marked if stale else "none", [{"result": one.path, "why": list(one.why)} for one in stale]),
        Fact("its years", told, told),
    )
    return FileContent(
        kind="record",
        path=os.fspath(path),
        facts=facts,
        faults=faults,
        warnings=tuple(f"{path}: {text}" for one in stale if one.path in current for text in one.sentences()),
        content=record,
    )


def _entries(entries: Sequence[RecordedEntry]) -> str:
    """How many, and from when to when."""
    days = [f"{entry.when:%Y-%m-%d}" for entry in entries if entry.when is not None]
    return str(len(entries)) + (f", {days[0] if days[0] == days[-1] else f'{days[0]} to {days[-1]}'}" if days else "")


def _dated(entry: RecordedEntry) -> dict[str, Any]:
    when = None if entry.when is None else entry.when.isoformat()
    return {"number": entry.number, "time": when, "results": [one.path for one in entry.results]}


def record_on_mirror(one: FileContent, record: Record, mirror: Mirror) -> FileContent:
    """What a record has against a mirror file."""
    from ellipsefit.files.record.provenance import stale_for

    if record.mirror != mirror.name:
        fault = f"{one.path}: is the record of mirror '{record.mirror}'; expected one of mirror '{mirror.name}'"
        return replace(one, faults=(*one.faults, fault))
    notes = tuple(f"{one.path}: {text}" for text in stale_for(one.path, mirror))
    return replace(one, warnings=(*one.warnings, *notes))
