"""What a record holds: rounds, surveys and forecasts, each with its inputs and the results made from them."""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final, Literal, get_args

import h5py
import numpy as np

from ellipsefit.errors import DataError, EllipsefitError, FileFormatError
from ellipsefit.files.apart import read_apart
from ellipsefit.files.mirror import mirror_from_text
from ellipsefit.files.nexus import check_stored, open_nexus, read_profile_data, text_attribute
from ellipsefit.files.record.names import printable_name
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
            try:
                found[kind].append(_entry(file[f"{kind}_{number}"], kind, number, kinds))
            except (KeyError, ValueError, AttributeError) as fault:
                raise FileFormatError(
                    f"{path}: '{kind}_{number}' is damaged: {str(fault).splitlines()[0]}; expected an entry as written"
                ) from None
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
            name = last_result(file[entry], "fit") if entry in file else None
            if name is None:
                continue
            place = f"{entry}/{name}/answer/data"
            try:
                answer: dict[str, Any] = _json_in(file[place])
            except FileFormatError:
                raise
            except (KeyError, ValueError):
                raise FileFormatError(f"{path}: '{place}' is no JSON; expected the answer of a fit") from None
            return answer
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
        entry = file[f"round_{chosen}"]
        try:
            when = datetime.fromisoformat(_text_in(entry["start_time"]))
            mirror_file = _text_in(entry["input_1/data"])
            name = last_result(entry, "correction")
            plan = None if name is None else _json_in(entry[f"{name}/answer/data"])
        except FileFormatError:
            raise
        except (KeyError, ValueError) as fault:
            raise FileFormatError(f"{path}: round {chosen} is incomplete: {fault}; expected one of `run`") from None
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
            entry = file[f"round_{number}"]
            name = last_result(entry, "comparison")
            if name is not None:
                found = _json_in(entry[f"{name}/answer/data"])
                if isinstance(found, dict):
                    return found
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
        data = file.get(f"round_{number}/profile")
        if data is None:
            raise FileFormatError(f"{path}: round {number} holds no profile; expected a round of `run` or `fit`")
        return read_profile_data(path, data)


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
    before = mirror_from_text(text, path)
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
        return number, read_profile_data(path, parts[0]), _text_in(parts[1])


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
            entry = file[f"{kind}_{number}"]
            for _, _, name in results_of(entry):
                answer = entry[name].get("answer")
                if not isinstance(answer, h5py.Group) or not {"data", "checksum"} <= set(answer):
                    continue
                text = _text_in(answer["data"])
                if hashlib.sha256(text.encode()).hexdigest() != _text_in(answer["checksum"]):
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
            found.append((f"round {number}", place_profile(profile, mirror_from_text(text, path))))
    return tuple(found)


@read_apart
def _campaigns(path: str | os.PathLike[str], most: int) -> list[tuple[int, Profile, str]]:
    """Number, profile and text of the mirror file of the last rounds that can be read."""
    found = []
    with open_nexus(path) as file:
        for number in _rounds(file)[-most:]:
            entry = file[f"round_{number}"]
            if "profile" in entry and "input_1/data" in entry:
                with suppress(FileFormatError):
                    text = _text_in(entry["input_1/data"])
                    found.append((number, read_profile_data(path, entry["profile"]), text))
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


def _entry(entry: Any, kind: EntryKind, number: int, kinds: Sequence[Kind]) -> RecordedEntry:
    name = f"{kind}_{number}"
    inputs = tuple(_input(entry[f"input_{item}"], f"{name}/input_{item}", item) for item in inputs_of(entry))
    results: list[RecordedResult] = []
    for what, item, key in results_of(entry):
        if what not in kinds:
            continue
        results.append(_result(entry[key], f"{name}/{key}", what, item, inputs, results))
    when = _time(_text_in(entry["start_time"])) if "start_time" in entry else None
    return RecordedEntry(kind=kind, number=number, when=when, inputs=inputs, results=tuple(results))


def _input(note: Any, path: str, number: int) -> RecordedInput:
    usual = "mirror file" if number == 1 else "measured"
    return RecordedInput(
        path=path,
        name=_text_in(note["file_name"]) if "file_name" in note else "",
        role=_text_in(note["role"]) if "role" in note else usual,
        checksum=_text_in(note["checksum"]) if "checksum" in note else "",
        size=int(note["size"][()]) if "size" in note else None,
        text=_text_in(note["data"]) if "data" in note else None,
    )


def _result(
    process: Any,
    path: str,
    kind: Kind,
    number: int,
    inputs: tuple[RecordedInput, ...],
    before: list[RecordedResult],
) -> RecordedResult:
    answer = _json_in(process["answer/data"])
    if not isinstance(answer, dict):
        raise ValueError(f"{path}/answer is no JSON object")
    versions = {"ellipsefit": _text_in(process["version"])} if "version" in process else {}
    versions |= {name: _text_in(item) for name, item in process.get("versions", {}).items()}
    if "made_from" in process:
        group = process["made_from"]
        sources = tuple(
            Source(path=_decoded(place), checksum=_decoded(checksum))
            for place, checksum in zip(group["source"][()], group["checksum"][()], strict=True)
        )
    else:
        sources = _usual_sources(kind, inputs, before)
    return RecordedResult(
        path=path,
        kind=kind,
        number=number,
        made=_time(_text_in(process["date"])) if "date" in process else None,
        versions=versions,
        settings={name: _text_in(item) for name, item in process.get("settings", {}).items()},
        options=_json_in(process["options/data"]) if "options" in process else None,
        answer=answer,
        checksum=_text_in(process["answer/checksum"]) if "checksum" in process["answer"] else "",
        output=_text_in(process["output"]) if "output" in process else "",
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


def _time(text: str) -> datetime | None:
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        return None
    return when if when.tzinfo is not None else when.replace(tzinfo=UTC)


def _text_in(dataset: Any) -> str:
    if not isinstance(dataset, h5py.Dataset):
        raise KeyError(f"'{dataset.name}' is no field")
    check_stored(dataset)
    return _decoded(dataset[()])


def _json_in(dataset: Any) -> Any:
    try:
        return json.loads(_text_in(dataset))
    except RecursionError:
        raise ValueError(f"'{dataset.name}' is nested too deeply") from None


def _decoded(value: Any) -> str:
    raw = value.item() if isinstance(value, np.generic) else value
    return raw.decode("utf-8") if isinstance(raw, bytes) else str(raw)
