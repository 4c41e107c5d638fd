"""What a record holds: rounds, surveys and forecasts, each with its inputs and the results made from them."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Literal, get_args

import h5py

from ellipsefit.errors import DataError, EllipsefitError, FileFormatError
from ellipsefit.files.apart import read_apart
from ellipsefit.files.mirror import mirror_from_text
from ellipsefit.files.nexus import open_nexus, read_profile_data, text_attribute
from ellipsefit.files.record.names import printable_name
from ellipsefit.files.record.parts import (
    group_in,
    json_in,
    mirror_text_place,
    number_in,
    optional_text,
    pairs_in,
    place_of,
    text_in,
    texts_in,
    time_in,
)
from ellipsefit.fit import Previous, previous_campaign
from ellipsefit.fit.campaigns import USUAL_STABILITY
from ellipsefit.mirror import Mirror
from ellipsefit.profile import PlacedProfile, Profile, place_profile

Kind = Literal["stitching", "fit", "correction", "focus", "comparison", "placement", "forecast"]
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)
EntryKind = Literal["round", "survey", "forecast"]
ENTRY_KINDS: Final[tuple[EntryKind, ...]] = get_args(EntryKind)

_ENTRY: Final = re.compile(rf"({'|'.join(ENTRY_KINDS)})_(\d+)")
_RESULT: Final = re.compile(rf"({'|'.join(KINDS)})(?:_(\d+))?")
_INPUT: Final = re.compile(r"input_(\d+)")
#: From what a result is made where its file does not say so, as before records kept it.
_USUAL: Final[dict[Kind, tuple[str, ...]]] = {
    "stitching": ("input",),
    "fit": ("stitching", "input"),
    "correction": ("fit",),
    "focus": ("fit",),
    "comparison": ("correction",),
    "placement": ("input",),
    "forecast": ("input",),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """From what a result was made: an input or another result of the record, as it was then."""

    path: str  # such as 'round_1/input_2'
    checksum: str  # SHA-256; empty: the record does not tell


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedInput:
    """A file from which results were made."""

    path: str
    name: str
    role: str  # such as 'mirror file', 'scans', 'beam file'
    checksum: str  # SHA-256 of its bytes
    size: int | None  # bytes; None: the record does not tell
    text: str | None  # its content, where that is kept


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedResult:
    """One answer of one step, with the settings and the inputs that gave it."""

    path: str
    kind: Kind
    number: int  # among those of its kind in its entry
    made: datetime | None
    versions: dict[str, str]
    settings: dict[str, str]
    options: dict[str, Any] | None  # as asked; None: the record does not tell
    answer: dict[str, Any]
    checksum: str  # SHA-256 of the answer
    output: str  # SHA-256 of the file it was written to; empty: none, or not told
    sources: tuple[Source, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedEntry:
    """A round of measurement, a survey or a forecast."""

    kind: EntryKind
    number: int
    when: datetime | None
    inputs: tuple[RecordedInput, ...]
    results: tuple[RecordedResult, ...]  # in the order in which they came

    @property
    def name(self) -> str:
        """In the file."""
        return f"{self.kind}_{self.number}"

    def last(self, kind: Kind) -> RecordedResult | None:
        """The latest result of a kind."""
        return next((one for one in reversed(self.results) if one.kind == kind), None)

    def of_role(self, role: str) -> RecordedInput | None:
        """The latest input of a role."""
        return next((one for one in reversed(self.inputs) if one.role == role), None)

    @property
    def mirror_text(self) -> str | None:
        """Text of the mirror file, as it was then."""
        found = self.of_role("mirror file")
        return None if found is None else found.text


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """Everything a record holds but the arrays."""

    name: str  # of the file
    mirror: str
    rounds: tuple[RecordedEntry, ...]
    surveys: tuple[RecordedEntry, ...]
    forecasts: tuple[RecordedEntry, ...]

    @property
    def entries(self) -> tuple[RecordedEntry, ...]:
        """Rounds, then surveys, then forecasts."""
        return self.rounds + self.surveys + self.forecasts

    @property
    def results(self) -> Iterator[tuple[RecordedEntry, RecordedResult]]:
        """Every result, with the entry that holds it."""
        return ((entry, result) for entry in self.entries for result in entry.results)

    def find(self, path: str) -> RecordedInput | RecordedResult | None:
        """Input or result by its path in the file."""
        for entry in self.entries:
            found: tuple[RecordedInput | RecordedResult, ...] = entry.inputs + entry.results
            for item in found:
                if item.path == path:
                    return item
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordSummary:
    """What a record holds: the mirror's name and the numbers of its rounds."""

    mirror: str
    rounds: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedRound:
    """What of a round is needed to look at it afterwards."""

    number: int
    when: datetime
    mirror_file: str  # text of the mirror file, as it was then
    plan: dict[str, Any] | None  # its answer


@read_apart
def read_record(path: str | os.PathLike[str], kinds: Sequence[Kind] = KINDS) -> Record:
    """Everything that a record holds, but the arrays; of results those of some kinds, by default all.

    Raises
    ------
    FileMissingError, FileFormatError
        If it cannot be read or is no record of this program; the text names file, place and what was expected.
    """
    with open_nexus(path) as file:
        mirror = _mirror_name(path, file)
        found: dict[str, list[RecordedEntry]] = {"round": [], "survey": [], "forecast": []}
        for kind, number in entries_of(file):
            found[kind].append(_entry(path, file, kind, number, kinds))
    return Record(
        name=printable_name(path),
        mirror=mirror,
        rounds=tuple(found["round"]),
        surveys=tuple(found["survey"]),
        forecasts=tuple(found["forecast"]),
    )


@read_apart
def read_record_summary(path: str | os.PathLike[str]) -> RecordSummary:
    """Mirror and rounds of a record.

    Raises
    ------
    FileMissingError, FileFormatError
        If it cannot be read or is no record of this program.
    """
    with open_nexus(path) as file:
        return RecordSummary(mirror=_mirror_name(path, file), rounds=_rounds(file))


@read_apart
def read_fit_answer(path: str | os.PathLike[str]) -> dict[str, Any]:
    """The answer of the last fit that a record, or the file of one fit, holds.

    Raises
    ------
    FileMissingError, FileFormatError
        If it cannot be read or holds no fit.
    """
    with open_nexus(path) as file:
        for entry in [*(f"round_{number}" for number in reversed(_rounds(file))), "fit"]:
            name = last_result(group_in(path, file, entry), "fit") if entry in file else None
            if name is not None:
                return answer_in(path, file[entry], name)
    raise FileFormatError(f"{path}: holds no fit; expected a record, or what 'ellipsefit fit -o' writes")


@read_apart
def read_round(path: str | os.PathLike[str], number: int | None = None) -> RecordedRound:
    """One round of a record, by default the last.

    Raises
    ------
    FileMissingError, FileFormatError
        If it cannot be read, is no record or has no such round.
    """
    with open_nexus(path) as file:
        _mirror_name(path, file)
        rounds = _rounds(file)
        if not rounds or (number is not None and number not in rounds):
            known = f"rounds {rounds[0]} to {rounds[-1]}" if rounds else "no rounds"
            raise FileFormatError(f"{path}: has {known}; expected round {1 if number is None else number}")
        chosen = rounds[-1] if number is None else number
        entry = group_in(path, file, f"round_{chosen}")
        when = time_in(path, entry, "start_time")
        if when is None:
            raise FileFormatError(f"{path}: 'round_{chosen}/start_time' is missing; expected a date and time")
        mirror_file = text_in(path, entry, "input_1/data")
        name = last_result(entry, "correction")
        plan = None if name is None else answer_in(path, entry, name)
    return RecordedRound(number=chosen, when=when, mirror_file=mirror_file, plan=plan)


@read_apart
def read_comparison(path: str | os.PathLike[str]) -> dict[str, Any] | None:
    """Answer of the last comparison that a record holds; None: it holds none.

    Raises
    ------
    FileMissingError, FileFormatError
        If it cannot be read or is no record.
    """
    with open_nexus(path) as file:
        _mirror_name(path, file)
        for number in reversed(_rounds(file)):
            entry = group_in(path, file, f"round_{number}")
            name = last_result(entry, "comparison")
            if name is not None:
                return answer_in(path, entry, name)
    return None


@read_apart
def read_round_profile(path: str | os.PathLike[str], number: int) -> Profile:
    """The profile that a round holds, in the mirror frame.

    Raises
    ------
    FileMissingError, FileFormatError
        If it cannot be read or the round has none.
    """
    with open_nexus(path) as file:
        if f"round_{number}/profile" not in file:
            raise FileFormatError(f"{path}: round {number} holds no profile; expected a round of `run` or `fit`")
        return read_profile_data(path, group_in(path, file, f"round_{number}/profile"))


def read_previous(path: str | os.PathLike[str], mirror: Mirror, *, stability: float = USUAL_STABILITY) -> Previous:
    """The last campaign from a record (its last round) or from the file of a fit, with the moves made since.

    The moves are what the mirror's adjusters stand at now, less what they stood at then: the mirror file that the
    record keeps says so.

    Parameters
    ----------
    path : path
        Record, or file that `write_fit` wrote.
    mirror : Mirror
        The mirror as it stands now.
    stability : float
        As for `previous_campaign` [m].

    Raises
    ------
    FileMissingError, FileFormatError
        If it cannot be read, or holds no round of this program.
    DataError
        If it is of another mirror.
    """
    number, profile, text = _last_campaign(path)
    before = mirror_from_text(text, mirror_text_place(path, "fit" if number is None else f"round_{number}"))
    if before.name != mirror.name:
        raise DataError(f"{path}: is of mirror '{before.name}'; expected one of mirror '{mirror.name}'")
    which = printable_name(path) if number is None else f"{printable_name(path)}, round {number}"
    return previous_campaign(place_profile(profile, before), mirror, stability=stability, name=which)


@read_apart
def _last_campaign(path: str | os.PathLike[str]) -> tuple[int | None, Profile, str]:
    """Number of the last round (None: the file of a fit), its profile and the text of its mirror file."""
    with open_nexus(path) as file:
        rounds = _rounds(file)
        number = rounds[-1] if rounds else None
        entry = file.get("fit" if number is None else f"round_{number}")
        parts = [entry.get("profile"), entry.get("input_1/data")] if isinstance(entry, h5py.Group) else [None]
        if not (isinstance(parts[0], h5py.Group) and isinstance(parts[-1], h5py.Dataset)):
            raise FileFormatError(
                f"{path}: holds no campaign; expected a record that 'run' made, or a file that 'fit --output' wrote"
            )
        return number, read_profile_data(path, parts[0]), text_in(path, entry, "input_1/data")


@read_apart
def record_faults(path: str | os.PathLike[str]) -> tuple[str, ...]:
    """What is damaged in a record: answers that are not what their SHA-256 says, profiles that cannot be read.

    Raises
    ------
    FileMissingError, FileFormatError
        If it cannot be read or is no record of this program.
    """
    faults = []
    with open_nexus(path) as file:
        _mirror_name(path, file)
        for kind, number in entries_of(file):
            entry = group_in(path, file, f"{kind}_{number}")
            for _, _, name in results_of(entry):
                answer = group_in(path, entry, name).get("answer")
                if not isinstance(answer, h5py.Group) or not {"data", "checksum"} <= set(answer):
                    continue
                text = text_in(path, answer, "data")
                if hashlib.sha256(text.encode()).hexdigest() != text_in(path, answer, "checksum"):
                    faults.append(
                        f"{path}: '{kind}_{number}/{name}/answer' is not what was written: its SHA-256 differs; "
                        "expected it untouched, take the record from a backup"
                    )
            if isinstance(entry.get("profile"), h5py.Group):
                try:
                    read_profile_data(path, entry["profile"])
                except FileFormatError as fault:
                    faults.append(str(fault))
    return tuple(faults)


def read_earlier(path: str | os.PathLike[str], *, most: int = 10) -> tuple[tuple[str, PlacedProfile], ...]:
    """What was measured in the last rounds of a record, each on the mirror as it was then, the last one last.

    A round that cannot be read any more is left out.

    Parameters
    ----------
    path : path
    most : int
        Rounds to read, at most.

    Raises
    ------
    FileMissingError, FileFormatError
        If the file cannot be read.
    """
    found = []
    for number, profile, text in _campaigns(path, most):
        with suppress(EllipsefitError):
            mirror = mirror_from_text(text, mirror_text_place(path, f"round_{number}"))
            found.append((f"round {number}", place_profile(profile, mirror)))
    return tuple(found)


@read_apart
def _campaigns(path: str | os.PathLike[str], most: int) -> list[tuple[int, Profile, str]]:
    """Number, profile and text of the mirror file of the last rounds that can be read."""
    found = []
    with open_nexus(path) as file:
        for number in _rounds(file)[-most:]:
            with suppress(FileFormatError):
                entry = group_in(path, file, f"round_{number}")
                text = text_in(path, entry, "input_1/data")
                found.append((number, read_profile_data(path, group_in(path, entry, "profile")), text))
    return found


def entries_of(file: Any) -> list[tuple[EntryKind, int]]:
    """Kind and number of every entry, rounds first, in their order."""
    found = [match for name in file if (match := _ENTRY.fullmatch(name))]
    return [(kind, number) for kind in ENTRY_KINDS for number in sorted(int(one[2]) for one in found if one[1] == kind)]


def results_of(entry: Any) -> list[tuple[Kind, int, str]]:
    """Kind, number and name of every result of an entry."""
    found = [match for name in entry if (match := _RESULT.fullmatch(name))]
    return [
        (kind, number, name)
        for kind in KINDS
        for number, name in sorted((int(one[2] or 1), one[0]) for one in found if one[1] == kind)
    ]


def last_result(entry: Any, kind: str) -> str | None:
    """Name of the latest result of a kind in an entry; None: it has none, or what is named is no kind."""
    names = [name for found, _, name in results_of(entry) if found == kind]
    return names[-1] if names else None


def inputs_of(entry: Any) -> list[int]:
    """Numbers of the inputs of an entry, in their order."""
    return sorted(int(match[1]) for name in entry if (match := _INPUT.fullmatch(name)))


def _mirror_name(path: str | os.PathLike[str], file: Any) -> str:
    mirror = text_attribute(file, "mirror")
    if mirror is None:
        raise FileFormatError(f"{path}: is no record of a mirror; expected the attribute 'mirror' at the root")
    return mirror


def _rounds(file: Any) -> tuple[int, ...]:
    return tuple(number for kind, number in entries_of(file) if kind == "round")


def answer_in(path: str | os.PathLike[str], entry: Any, name: str) -> dict[str, Any]:
    """The answer of a result of an entry.

    Raises
    ------
    FileFormatError
        If it is no JSON object.
    """
    answer = json_in(path, entry, f"{name}/answer/data", "the answer of a step")
    if not isinstance(answer, dict):
        raise FileFormatError(f"{path}: '{place_of(entry, name)}/answer/data' is no JSON object; expected an answer")
    return answer


def _entry(
    path: str | os.PathLike[str], file: Any, kind: EntryKind, number: int, kinds: Sequence[Kind]
) -> RecordedEntry:
    entry = group_in(path, file, f"{kind}_{number}")
    inputs = tuple(_input(path, group_in(path, entry, f"input_{item}"), item) for item in inputs_of(entry))
    results: list[RecordedResult] = []
    for what, item, key in results_of(entry):
        if what in kinds:
            results.append(_result(path, entry, key, what, item, inputs, results))
    when = time_in(path, entry, "start_time")
    return RecordedEntry(kind=kind, number=number, when=when, inputs=inputs, results=tuple(results))


def _input(path: str | os.PathLike[str], note: Any, number: int) -> RecordedInput:
    return RecordedInput(
        path=note.name.strip("/"),
        name=optional_text(path, note, "file_name") or "",
        role=optional_text(path, note, "role") or ("mirror file" if number == 1 else "measured"),
        checksum=optional_text(path, note, "checksum") or "",
        size=number_in(path, note, "size"),
        text=optional_text(path, note, "data"),
    )


def _result(
    path: str | os.PathLike[str],
    entry: Any,
    name: str,
    kind: Kind,
    number: int,
    inputs: tuple[RecordedInput, ...],
    before: list[RecordedResult],
) -> RecordedResult:
    process = group_in(path, entry, name)
    version = optional_text(path, process, "version")
    if "made_from" in process:
        pairs = pairs_in(path, group_in(path, process, "made_from"), ("source", "checksum"))
        sources = tuple(Source(path=place, checksum=checksum) for place, checksum in pairs)
    else:
        sources = _usual_sources(kind, inputs, before)
    return RecordedResult(
        path=process.name.strip("/"),
        kind=kind,
        number=number,
        made=time_in(path, process, "date"),
        versions=({} if version is None else {"ellipsefit": version}) | texts_in(path, process, "versions"),
        settings=texts_in(path, process, "settings"),
        options=json_in(path, process, "options/data", "options as asked") if "options" in process else None,
        answer=answer_in(path, entry, name),
        checksum=optional_text(path, process, "answer/checksum") or "",
        output=optional_text(path, process, "output") or "",
        sources=sources,
    )


def _usual_sources(kind: Kind, inputs: tuple[RecordedInput, ...], before: list[RecordedResult]) -> tuple[Source, ...]:
    found: list[Source] = []
    for what in _USUAL[kind]:
        if what == "input":
            found += [Source(path=item.path, checksum=item.checksum) for item in inputs]
        else:
            found += [Source(path=item.path, checksum=item.checksum) for item in before if item.kind == what][-1:]
    return tuple(found)
