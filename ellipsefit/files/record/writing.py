"""Appending to a record: a step's results, with the inputs from which they were made."""

from __future__ import annotations

import hashlib
import json
import os
import platform
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any, Final, NamedTuple

import h5py
import numpy as np

from ellipsefit.align import CorrectionPlan
from ellipsefit.align.comparison import Comparison
from ellipsefit.errors import FileFormatError
from ellipsefit.files.mirror import mirror_text
from ellipsefit.files.nexus import (
    new_entry,
    new_group,
    start_root,
    write_field,
    write_process,
    write_text,
)
from ellipsefit.files.record.claim import Claim, claimed
from ellipsefit.files.record.draft import drafted
from ellipsefit.files.record.names import printable_name
from ellipsefit.files.record.reading import (
    EntryKind,
    Record,
    RecordedEntry,
    inputs_of,
    last_result,
    read_record,
    read_record_summary,
    read_round,
    results_of,
)
from ellipsefit.files.record.steps import (
    Step,
    comparison_step,
    fit_step,
    focus_step,
    plan_step,
    stitch_step,
    write_mask,
)
from ellipsefit.files.safe import existing_file, new_file, read_bytes
from ellipsefit.fit import EllipseFit
from ellipsefit.focus import FocusResult
from ellipsefit.profile import Profile
from ellipsefit.stitching import Stitched

#: Roles of files whose text is kept, being small and written by hand.
_KEPT: Final = ("mirror file", "beam file", "carrier file", "survey", "temperatures", "influence matrix")
#: Text beyond this is not kept [bytes]; its hash is.
_LARGEST_TEXT: Final = 1 << 20
#: Roles of what was measured: a round holds one campaign of measurement.
MEASURED: Final = ("scans", "profile", "measured")
_LIBRARIES: Final = ("numpy", "scipy", "lmfit", "h5py")


class Given(NamedTuple):
    """A file that a step read, and what it is to it."""

    path: str | os.PathLike[str]
    role: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """Where results went in a record."""

    entry: str  # such as 'round_3'
    number: int
    results: tuple[str, ...]  # their paths
    warnings: tuple[str, ...]


def append_round(
    path: str | os.PathLike[str],
    fit: EllipseFit,
    plan: CorrectionPlan | None,
    *,
    stitched: Stitched | None = None,
    light: FocusResult | None = None,
    inputs: Sequence[str | os.PathLike[str]],
    beam: str | os.PathLike[str] | None = None,
    when: datetime,
    options: Mapping[str, Any] | None = None,
    rests_on: Sequence[str] = (),
    measured: Profile | None = None,
    claim: Claim | None = None,
) -> Kept:
    """Add a round to a record, or start one; the file is replaced whole, so a crash loses nothing.

    Parameters
    ----------
    path : path
        The record; made if it is not there.
    fit, plan
        The results of the round.
    stitched : Stitched, optional
        From which scans the profile comes; answer, settings, masks and guide are kept. The profile has its covariance.
    light : FocusResult, optional
        Of the beam in the file `beam`.
    inputs : sequence of path
        The mirror file and the measured files: names, sizes and hashes are kept, and the mirror file's text.
    when : datetime
        Of the round, with time zone.
    options : mapping, optional
        Arguments of the fit as they were given.
    rests_on : sequence of str
        Paths in the record of what the fit, or the plan, was made from besides.
    measured : Profile, optional
        The profile as it was given, for the reasons of its masked points.
    claim : Claim, optional
        One that is held already.

    Returns
    -------
    Kept
        Number of the round, from 1, and what is odd about it.

    Raises
    ------
    FileFormatError
        If the file is a record of another mirror.
    FileBusyError, FileMissingError
        If another process holds it, or it cannot be written.
    """
    steps = [] if stitched is None else [stitch_step(stitched)]
    steps.append(fit_step(fit, options=options, rests_on=rests_on))
    steps += [] if plan is None else [plan_step(plan, when, rests_on=rests_on)]
    steps += [] if light is None else [focus_step(light)]
    role = "profile" if stitched is None else "scans"
    given = [Given(file, "mirror file" if place == 0 else role) for place, file in enumerate(inputs)]
    given += [] if beam is None else [Given(beam, "beam file")]
    return keep(path, fit.mirror.name, steps, given, when=when, anew=True, measured=measured, claim=claim)


def append_comparison(path: str | os.PathLike[str], comparison: Comparison, number: int | None = None) -> int:
    """Add what came of a round to the record, beside its plan; the file is replaced whole.

    Parameters
    ----------
    path : path
        The record, which must be there.
    comparison : Comparison
        Of that round's plan, or of its test moves: a round may have several.
    number : int, optional
        Round of the record; by default its last.

    Returns
    -------
    int
        Number of the round.

    Raises
    ------
    FileMissingError, FileFormatError
        If the record cannot be read, is one of another mirror or has no such round.
    """
    return keep_comparison(path, comparison, number=number).number


def keep_comparison(
    path: str | os.PathLike[str],
    comparison: Comparison,
    *,
    number: int | None = None,
    before: str | os.PathLike[str] | None = None,
    after: str | os.PathLike[str] | None = None,
    claim: Claim | None = None,
) -> Kept:
    """As `append_comparison`, with the files that were measured before and after."""
    with claimed(path, claim) as held:
        summary = read_record_summary(path)
        _check_mirror(path, summary.mirror, comparison.mirror.name)
        chosen = read_round(path, number).number
        given = [
            Given(file, role)
            for file, role in ((before, "measured before"), (after, "measured after"))
            if file is not None
        ]
        now = datetime.now(UTC)
        step = comparison_step(comparison)
        return keep(path, comparison.mirror.name, [step], given, when=now, into=f"round_{chosen}", claim=held)


def keep(
    path: str | os.PathLike[str],
    mirror: str,
    steps: Sequence[Step],
    given: Sequence[Given],
    *,
    when: datetime,
    kind: EntryKind = "round",
    anew: bool = False,
    into: str | None = None,
    measured: Profile | None = None,
    claim: Claim | None = None,
) -> Kept:
    """Add results to a record, or start one with them.

    A round holds one campaign of measurement: results of data that a round of the record was made from, or that its
    stitching wrote, go there; those of other data begin a round.

    Parameters
    ----------
    path : path
        The record; made if it is not there.
    mirror : str
        Its mirror's name.
    steps : sequence of Step
        In the order in which they rest on each other.
    given : sequence of Given
        The files from which they were made.
    when : datetime
        Of the entry, if one begins, with time zone.
    kind : {'round', 'survey', 'forecast'}
        Of the entry.
    anew : bool
        Whether a new entry begins in any case.
    into : str, optional
        Name of the entry, which must be there.
    measured : Profile, optional
        The profile as it was given, for the reasons of its masked points.
    claim : Claim, optional
        One that is held already.

    Raises
    ------
    FileFormatError
        If the file is no record, or one of another mirror.
    FileBusyError, FileMissingError
        If another process holds it, a file cannot be read or the record cannot be written.
    """
    with claimed(path, claim):
        record = read_record(path, ("stitching",)) if Path(path).exists() else None
        if record is not None:
            _check_mirror(path, record.mirror, mirror)
        files = [_noted(item) for item in given]
        entries = () if record is None else record.entries
        if into is None and not anew and kind == "round":
            into = _same_data(record, files)
        number = max((entry.number for entry in entries if entry.kind == kind), default=0) + 1
        name = into or f"{kind}_{number}"
        warnings = () if into else _clock_warnings(entries, kind, when)
        with drafted(path, room=sum(step.room for step in steps)) as file:
            rounds = kind == "round" and not into
            if record is None or rounds:
                start_root(file, default=name)
            file.attrs["mirror"] = mirror
            if into:
                entry = file[into]
            else:
                entry = new_entry(file, name, title=f"{mirror}, {kind} {number}")
                write_text(entry, "start_time", when.isoformat(timespec="seconds"))
            paths = [_input_path(entry, item) for item in files]
            known = {path_: item.checksum for path_, item in zip(paths, files, strict=True)}
            roles: dict[str, list[str]] = {}
            for path_, item in zip(paths, files, strict=True):
                roles.setdefault(item.role, []).append(path_)
            results = [_write_step(file, entry, step, roles, known) for step in steps]
            if measured is not None:
                write_mask(entry, measured)
    chosen = int(name.rpartition("_")[2])
    return Kept(entry=name, number=chosen, results=tuple(results), warnings=warnings)


def write_fit(
    fit: EllipseFit,
    path: str | os.PathLike[str],
    *,
    plan: CorrectionPlan | None = None,
    force: bool = False,
) -> None:
    """Write a fit (and a plan) as HDF5 by the NeXus standard.

    Raises
    ------
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    with new_file(path, force=force) as temporary, h5py.File(temporary, "w") as file:
        start_root(file, default="fit")
        file.attrs["mirror"] = fit.mirror.name
        entry = new_entry(file, "fit", title=f"Ellipse fit of {fit.mirror.name}")
        note = new_group(entry, "input_1", "NXnote")
        write_text(note, "role", "mirror file")
        _write_content(note, mirror_text(fit.mirror))
        roles, known = {"mirror file": [f"{entry.name[1:]}/input_1"]}, dict[str, str]()
        _write_step(file, entry, fit_step(fit), roles, known)
        if plan is not None:
            _write_step(file, entry, plan_step(plan, datetime.now(UTC)), roles, known)


def file_checksum(path: str | os.PathLike[str]) -> str:
    """SHA-256 of a file, in hexadecimal digits."""
    with existing_file(path).open("rb") as file:  # measured files may be large
        return hashlib.file_digest(file, "sha256").hexdigest()


@dataclass(frozen=True, slots=True)
class _Noted:
    """A file that was read: what of it is kept."""

    role: str
    name: str
    checksum: str
    size: int
    text: str | None


def _noted(given: Given) -> _Noted:
    size = existing_file(given.path).stat().st_size
    if given.role in _KEPT and size <= _LARGEST_TEXT:
        content = read_bytes(given.path)
        checksum = hashlib.sha256(content).hexdigest()
        binary = given.role != "mirror file" and b"\0" in content
        text = None if binary else content.decode("utf-8", errors="replace")
    else:
        checksum, text = file_checksum(given.path), None
    return _Noted(given.role, printable_name(given.path), checksum, size, text)


def _check_mirror(path: str | os.PathLike[str], held: str, mirror: str) -> None:
    if held != mirror:
        raise FileFormatError(f"{path}: is the record of mirror '{held}'; expected one of mirror '{mirror}'")


def _same_data(record: Record | None, files: Sequence[_Noted]) -> str | None:
    """Name of the latest round that was made from the same measured files, or whose stitching wrote them."""
    wanted = {item.checksum for item in files if item.role in MEASURED}
    for entry in reversed(() if record is None else record.rounds):
        if wanted and wanted in (measured_in(entry), written_by(entry)):
            return entry.name
    return None


def measured_in(entry: RecordedEntry) -> set[str]:
    """SHA-256 of the measured files of a round."""
    return {item.checksum for item in entry.inputs if item.role in MEASURED}


def written_by(entry: RecordedEntry) -> set[str]:
    """SHA-256 of the profile that a round's last stitching wrote."""
    found = entry.last("stitching")
    return {found.output} if found is not None and found.output else set()


def _clock_warnings(entries: Sequence[RecordedEntry], kind: EntryKind, when: datetime) -> tuple[str, ...]:
    """A clock that was set back, or set wrong, would put the years in the wrong order."""
    before = [entry for entry in entries if entry.kind == kind and entry.when is not None]
    if kind != "round" or not before or before[-1].when is None or before[-1].when <= when:
        return ()
    last = before[-1]
    return (
        f"this round is dated {when:%Y-%m-%d %H:%M}, before round {last.number} of {last.when:%Y-%m-%d %H:%M}: is the "
        "clock of this computer right? Rounds keep the order of their numbers",
    )


def _input_path(entry: Any, item: _Noted) -> str:
    """Path of an input in the entry, written if it is not there yet."""
    numbers = inputs_of(entry)
    for number in numbers:
        note = entry[f"input_{number}"]
        if "checksum" in note and _text(note["checksum"]) == item.checksum:
            role = _text(note["role"]) if "role" in note else ("mirror file" if number == 1 else "measured")
            if role == item.role or {role, item.role} <= set(MEASURED):
                return f"{entry.name[1:]}/input_{number}"
    number = max(numbers, default=0) + 1
    note = new_group(entry, f"input_{number}", "NXnote")
    write_text(note, "file_name", item.name)
    write_text(note, "role", item.role)
    write_text(note, "checksum", item.checksum)
    write_text(note, "algorithm", "SHA-256")
    write_field(note, "size", item.size, units="byte")
    if item.text is not None:
        _write_content(note, item.text, kind="application/toml" if item.role.endswith("file") else "text/plain")
    return f"{entry.name[1:]}/input_{number}"


def _write_content(note: Any, text: str, kind: str = "application/toml") -> None:
    write_text(note, "type", kind)
    write_text(note, "data", text)


def _write_step(file: Any, entry: Any, step: Step, roles: Mapping[str, list[str]], known: Mapping[str, str]) -> str:
    """Write one result, unless the last of its kind is the same; returns its path."""
    number = 1 + max((item for kind, item, _ in results_of(entry) if kind == step.kind), default=0)
    # what came of moves is always numbered, as a round may have several
    name = step.kind if number == 1 and step.kind != "comparison" else f"{step.kind}_{number}"
    sources = list(dict.fromkeys(path for what in step.rests_on for path in _resolved(file, entry, what, roles)))
    checksums = [known.get(path) or _checksum_of(file[path]) for path in sources]
    last = last_result(entry, step.kind)
    if last is not None and _same_result(entry[last], step, sources):
        return f"{entry.name[1:]}/{last}"
    process = write_process(entry, step.settings, name=name)
    versions = new_group(process, "versions", "NXcollection")
    for library, version in library_versions().items():
        write_text(versions, library, version)
    made_from = new_group(process, "made_from", "NXcollection")
    write_field(made_from, "source", np.array(sources, dtype=np.str_))
    write_field(made_from, "checksum", np.array(checksums, dtype=np.str_))
    if step.options is not None:
        write_json(process, "options", step.options)
    if step.output:
        write_text(process, "output", step.output)
    write_json(process, "answer", step.answer)
    if step.write is not None:
        step.write(entry, process)
    return f"{entry.name[1:]}/{name}"


def _same_result(process: Any, step: Step, sources: Sequence[str]) -> bool:
    """Whether a result is there already, made from the same."""
    if "made_from" not in process:
        return False
    text = json.dumps(step.answer, allow_nan=False)
    before = [value.decode("utf-8") for value in process["made_from/source"][()]]
    return before == list(sources) and _checksum_of(process) == hashlib.sha256(text.encode()).hexdigest()


def _resolved(file: Any, entry: Any, what: str, roles: Mapping[str, list[str]]) -> list[str]:
    """Paths of what a result rests on: inputs of a role, the latest result of a kind, or a path."""
    if "/" in what:
        return [what] if what in file else []
    found = last_result(entry, what)
    return [f"{entry.name[1:]}/{found}"] if found is not None else list(roles.get(what, ()))


def _checksum_of(item: Any) -> str:
    note = item.get("answer", item)
    return _text(note["checksum"]) if "checksum" in note else ""


def _text(dataset: Any) -> str:
    value = dataset[()]
    return value.decode("utf-8") if isinstance(value, bytes) else str(value)


def write_json(group: Any, name: str, answer: Mapping[str, Any]) -> None:
    """An answer as JSON, with its SHA-256."""
    text = json.dumps(answer, allow_nan=False)
    note = new_group(group, name, "NXnote")
    write_text(note, "type", "application/json")
    write_text(note, "data", text)
    write_text(note, "checksum", hashlib.sha256(text.encode()).hexdigest())
    write_text(note, "algorithm", "SHA-256")


def library_versions() -> dict[str, str]:
    """Of Python and of what computes beside this program."""
    found = {"Python": platform.python_version()}
    for library in _LIBRARIES:
        try:
            found[library] = metadata.version(library)
        except metadata.PackageNotFoundError:
            found[library] = "unknown: run without installation"
    return found
