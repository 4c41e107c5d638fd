"""What a file holds, and everything that is wrong with it."""

from __future__ import annotations

import hashlib
import os
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar, Final, Literal, NamedTuple, cast

import numpy as np

from ellipsefit import rows
from ellipsefit.arrays import FloatArray
from ellipsefit.checks.design import check_mirror
from ellipsefit.checks.profile_checks import check_profile
from ellipsefit.errors import DataError, FileFormatError, FileMissingError
from ellipsefit.files.beam import beam_faults, is_beam_file, read_beam
from ellipsefit.files.carrier import carrier_faults, looks_like_carrier, read_carrier
from ellipsefit.files.lines import profile_of
from ellipsefit.files.mirror import mirror_faults, read_mirror
from ellipsefit.files.registry import HELD, LINED, file_format, look_at_lines
from ellipsefit.files.safe import existing_file
from ellipsefit.files.survey import looks_like_survey, read_surveys
from ellipsefit.files.text import examine_text, looks_like_toml
from ellipsefit.files.toml import load_toml
from ellipsefit.mirror import Mirror
from ellipsefit.profile import PlacedProfile, Profile, Quantity, spread_evenly
from ellipsefit.results import Result
from ellipsefit.scan import Scan, ScanDirection
from ellipsefit.stream import ProfileSource, placed_on

if TYPE_CHECKING:
    from ellipsefit.files.nexus import NexusContent
    from ellipsefit.files.record import Record, RecordedEntry

#: Points of a large profile that are looked at together.
PART: Final = 1 << 17
#: Parts of a profile that is large which are looked at, and points of many scans.
PARTS: Final = 8
LOOKED: Final = 1 << 18
#: A file of scans beyond this is looked at in parts.
LARGE: Final = 1 << 26

Kind = Literal["mirror", "beam", "profile", "scans", "carrier", "survey", "record", "unknown"]


class Fact(NamedTuple):
    """One thing that a file tells: for people in practical units, for programs in SI."""

    name: str
    text: str
    value: Any  # JSON: str, number, list or None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FileContent(Result):
    """What one file holds.

    Parameters
    ----------
    kind : {'mirror', 'beam', 'profile', 'scans', 'carrier', 'survey', 'record', 'unknown'}
        What it is.
    path : str
        The file.
    facts : tuple of Fact
        What it tells.
    faults : tuple of str
        Everything that is wrong with it, a sentence each; empty: nothing.
    warnings : tuple of str
        What is worth knowing but stops nothing.
    content : Mirror, Profile, ProfileSource, Record or tuple of Scan, optional
        What was read, if nothing hindered it.
    """

    kind: Kind
    path: str
    facts: tuple[Fact, ...] = ()
    faults: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    content: Mirror | Profile | ProfileSource | Record | tuple[Scan, ...] | None = None

    def rows(self) -> list[rows.Table]:
        """The content as tables, for text and HTML."""
        state = "NOTHING WRONG" if not self.faults else f"{len(self.faults)} FAULT{'S' * (len(self.faults) > 1)}"
        notes = tuple(f"WRONG: {fault}" for fault in self.faults)
        notes += tuple(f"warning: {warning}" for warning in self.warnings)
        cells = tuple((fact.name, fact.text) for fact in self.facts)
        return [rows.Table(title=f"{self.path}: {self.kind}, {state}", cells=cells, notes=notes)]

    def to_dict(self) -> dict[str, Any]:
        """The content for JSON, SI units."""
        return {
            "file": self.path,
            "kind": self.kind,
            "facts": {fact.name.replace(" ", "_"): fact.value for fact in self.facts},
            "faults": list(self.faults),
            "warnings": list(self.warnings),
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Inspection(Result):
    """What several files hold, and together."""

    table: ClassVar[str | None] = "files"

    contents: tuple[FileContent, ...]

    @property
    def faulty(self) -> bool:
        """Whether something is wrong with any of them."""
        return any(one.faults for one in self.contents)

    def rows(self) -> list[rows.Table]:
        """A table for each file."""
        return [table for one in self.contents for table in one.rows()]

    def to_dict(self) -> dict[str, Any]:
        """The contents for JSON, SI units."""
        return {"files": [one.to_dict() for one in self.contents], "faulty": self.faulty}


def inspect_files(paths: Iterable[str | os.PathLike[str]]) -> Inspection:
    """Say what each file holds, and what is wrong with them singly and together.

    Raises
    ------
    FileMissingError
        If one of them cannot be opened.
    """
    places = [existing_file(path) for path in paths]
    return Inspection(contents=inspect_together(inspect_file(place) for place in places))


def inspect_file(path: str | os.PathLike[str]) -> FileContent:
    """Say what a file holds and everything that is wrong with it; a fault is told, not raised.

    Parameters
    ----------
    path : path
        Mirror file, profile or raw scans, carrier file or surveys; a missing file is a fault, too.
    """
    try:
        found = file_format(path)
        if found == "hdf5" and existing_file(path).stat().st_size > LARGE:
            from ellipsefit.files.nexus import look_at_many  # h5py is loaded when a file needs it

            many = look_at_many(path, most=LOOKED)
            if many is not None:
                return _nexus_content(path, many)
        if found == "hdf5" and (record := _inspect_record(path)) is not None:
            return record
        if looks_like_survey(path):
            return _inspect_surveys(path)
        if found == "hdf5":
            return _inspect_nexus(path)
        if found in LINED:
            return _inspect_lines(path)
        return _inspect_toml(path) if _is_toml(path) else _inspect_text(path)
    except FileMissingError as error:
        return FileContent(kind="unknown", path=os.fspath(path), faults=(str(error),))


def inspect_together(contents: Iterable[FileContent]) -> tuple[FileContent, ...]:
    """Where exactly one file is a mirror, lay each profile and the scans on it and add what comes to light."""
    contents = tuple(contents)
    mirrors = [one.content for one in contents if isinstance(one.content, Mirror)]
    if len(mirrors) != 1:
        return contents
    return tuple(_on_mirror(one, mirrors[0]) for one in contents)


def _on_mirror(one: FileContent, mirror: Mirror) -> FileContent:
    if one.content is None or isinstance(one.content, Mirror):
        return one
    if isinstance(one.content, tuple):
        return _scans_on_mirror(one, one.content, mirror)
    if one.kind == "record":
        return _record_on_mirror(one, cast("Record", one.content), mirror)
    return _placed(one, cast("Profile | ProfileSource", one.content), mirror)


def _placed(one: FileContent, profile: Profile | ProfileSource, mirror: Mirror) -> FileContent:
    try:
        placed = placed_on(profile, mirror)
    except DataError as error:
        return replace(one, faults=(*one.faults, str(error)))
    if not isinstance(placed, PlacedProfile) or not isinstance(profile, Profile):  # too large to look at every point
        return replace(one, warnings=(*one.warnings, *placed.warnings))
    checked = check_profile(placed, profile)
    faults = tuple(f"{placed.name}: {item.text}" for item in checked.suspicions if item.refused)
    doubts = tuple(str(item) for item in checked.suspicions if not item.refused and item.kind != "mirror file")
    return replace(one, faults=(*one.faults, *faults), warnings=(*one.warnings, *doubts, *placed.warnings))


def _is_toml(path: str | os.PathLike[str]) -> bool:
    if os.fspath(path).casefold().endswith(".toml"):
        return True
    with existing_file(path).open("rb") as file:  # it may be large, and its first lines are enough
        text = file.read(4096).decode("utf-8-sig", errors="replace")
    lines = (line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#"))
    return looks_like_toml(next(lines, ""))


def _inspect_toml(path: str | os.PathLike[str]) -> FileContent:
    if looks_like_carrier(path):
        return _inspect_carrier(path)
    try:
        beam = is_beam_file(load_toml(path))
    except FileFormatError:
        beam = False  # which it was to be cannot be told; the fault is the same
    return _inspect_beam(path) if beam else _inspect_mirror(path)


def _inspect_beam(path: str | os.PathLike[str]) -> FileContent:
    faults = beam_faults(path)
    if faults:
        return FileContent(kind="beam", path=os.fspath(path), faults=faults)
    beam = read_beam(path)
    shortest, longest = (f"{wave * 1e10:.6g}" for wave in beam.wavelength)
    band = shortest if shortest == longest else f"{shortest} to {longest}"
    facts = (
        Fact("kind", beam.kind, beam.kind),
        Fact("wavelength", f"{band} angstrom", list(beam.wavelength)),
        Fact("source, rms", rows.number(beam.source.std, "length"), beam.source.std),
        Fact("aperture", "none" if beam.aperture is None else rows.number(beam.aperture, "length"), beam.aperture),
    )
    return FileContent(kind="beam", path=os.fspath(path), facts=facts)


def _inspect_mirror(path: str | os.PathLike[str]) -> FileContent:
    faults = mirror_faults(path)
    if faults:
        return FileContent(kind="mirror", path=os.fspath(path), faults=faults)
    mirror = read_mirror(path)
    doubts = tuple(str(item) for item in check_mirror(mirror))
    return FileContent(
        kind="mirror", path=os.fspath(path), facts=_mirror_facts(mirror), warnings=doubts, content=mirror
    )


def _mirror_facts(mirror: Mirror) -> tuple[Fact, ...]:
    nominal = mirror.nominal
    adjusters = sum(len(segment.adjusters) for segment in mirror.segments)
    return (
        Fact("name", mirror.name, mirror.name),
        Fact("source distance p", rows.with_uncertainty(nominal.p, 0.0, "length"), nominal.p),
        Fact("image distance q", rows.with_uncertainty(nominal.q, 0.0, "length"), nominal.q),
        Fact("grazing angle", rows.with_uncertainty(nominal.theta, 0.0, "angle"), nominal.theta),
        Fact("segments", str(len(mirror.segments)), len(mirror.segments)),
        Fact("adjusters", str(adjusters), adjusters),
        Fact("span", _range(*mirror.span), list(mirror.span)),
    )


def _inspect_carrier(path: str | os.PathLike[str]) -> FileContent:
    faults = carrier_faults(path)
    if faults:
        return FileContent(kind="carrier", path=os.fspath(path), faults=faults)
    carrier = read_carrier(path)
    mount = carrier.mount
    measured = carrier.mirror.measured
    facts = [
        Fact("name", carrier.name, carrier.name),
        Fact("targets", str(len(carrier.targets)), len(carrier.targets)),
        Fact("reference points", str(len(carrier.references)), len(carrier.references)),
        Fact("foci", "nominal" if measured is None else measured.origin, None if measured is None else measured.origin),
        Fact("tolerances", "stated" if carrier.tolerance.stated else "none", carrier.tolerance.stated),
    ]
    if mount is not None:
        wheels = int(mount.movable.sum())
        facts.append(Fact("mount", f"6 contacts, {wheels} of them with wheels", wheels))
        facts.append(Fact("condition of the mount", f"{mount.condition:.1f}", mount.condition))
        facts.append(Fact("weakest motion", mount.weakest_motion(), mount.weakest_motion()))
    from ellipsefit.files.record.provenance import stale_carriers  # with the fit, which takes its time to load

    doubts = stale_carriers(path) if measured is not None else ()
    return FileContent(kind="carrier", path=os.fspath(path), facts=tuple(facts), warnings=doubts)


def _inspect_surveys(path: str | os.PathLike[str]) -> FileContent:
    try:
        surveys = read_surveys(path)
    except FileFormatError as error:
        return FileContent(kind="survey", path=os.fspath(path), faults=(str(error),))
    names = list(dict.fromkeys(name for survey in surveys for name in survey.points))
    dates = sorted(survey.time.isoformat(timespec="minutes") for survey in surveys if survey.time is not None)
    carriers = sorted({survey.carrier for survey in surveys if survey.carrier is not None})
    warm = [survey.temperature - _ZERO_CELSIUS for survey in surveys if survey.temperature is not None]
    missing = [
        what
        for what, known in (
            ("date", all(survey.time is not None for survey in surveys)),
            ("temperature", len(warm) == len(surveys)),
            ("uncertainty", all(survey.covariance is not None for survey in surveys)),
        )
        if not known
    ]
    facts = (
        Fact("surveys", str(len(surveys)), len(surveys)),
        Fact("of carrier", ", ".join(carriers) or "not in the file", carriers or None),
        Fact("points", _list(names), names),
        Fact("dates", f"{dates[0]} to {dates[-1]}" if dates else "not in the file", dates or None),
        Fact(
            "temperature",
            f"{min(warm):.2f} degC to {max(warm):.2f} degC" if warm else "not in the file",
            [min(warm) + _ZERO_CELSIUS, max(warm) + _ZERO_CELSIUS] if warm else None,
        ),
        Fact("frame", surveys[0].frame, surveys[0].frame),
    )
    warnings = (f"{path}: states no {' and no '.join(missing)}",) if missing else ()
    return FileContent(kind="survey", path=os.fspath(path), facts=facts, warnings=warnings)


def _inspect_record(path: str | os.PathLike[str]) -> FileContent | None:
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
        Fact("results", _counts(Counter(results)) or "none", dict(Counter(results))),
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


def _record_on_mirror(one: FileContent, record: Record, mirror: Mirror) -> FileContent:
    """What a record has against a mirror file."""
    from ellipsefit.files.record.provenance import stale_for

    if record.mirror != mirror.name:
        fault = f"{one.path}: is the record of mirror '{record.mirror}'; expected one of mirror '{mirror.name}'"
        return replace(one, faults=(*one.faults, fault))
    notes = tuple(f"{one.path}: {text}" for text in stale_for(one.path, mirror))
    return replace(one, warnings=(*one.warnings, *notes))


def _inspect_text(path: str | os.PathLike[str]) -> FileContent:
    text = examine_text(path, look=True)
    kind: Kind = "unknown" if not text.delimiter else "scans" if text.kind == "scan" else "profile"
    understood: list[Fact] = []
    if text.delimiter:
        columns = ", ".join(f"{name} from {written!r}" for name, written in text.columns)
        ignored = "; ".join(text.ignored) or "nothing"
        understood = [
            Fact("delimiter", text.delimiter, text.delimiter),
            Fact("decimal", text.decimal, text.decimal),
            Fact("encoding", text.encoding, text.encoding),
            Fact("columns", columns, dict(text.columns)),
            Fact("ignored", ignored, list(text.ignored)),
        ]
    if text.content is None:
        return FileContent(kind=kind, path=os.fspath(path), facts=tuple(understood), faults=text.faults)
    if isinstance(text.content, Scan):
        whole = _scans_content(path, (text.content,), text.units, tuple(understood))
    else:
        facts = (*_profile_facts(text.content, text.units), *understood)
        whole = FileContent(kind=kind, path=os.fspath(path), facts=facts, content=text.content)
    if text.looked is None:
        return whole
    count = text.estimate or text.rows
    rough = round(count, 2 - len(str(count)))
    facts = tuple(
        Fact("points", f"about {rough}", rough) if fact.name == "points" else fact
        for fact in whole.facts
        if fact.name not in _OF_THE_WHOLE
    )
    return _looked_at(replace(whole, facts=facts), text.looked)


#: What a part of a file cannot tell.
_OF_THE_WHOLE: Final = ("masked points", "invalid points")


def _looked_at(whole: FileContent, parts: str, content: ProfileSource | None = None) -> FileContent:
    """The content of a file of which only parts were looked at; only a source of all of it is kept."""
    warning = f"{whole.path}: looked at {parts}; the rest is checked when the file is read"
    return replace(
        whole,
        facts=(*whole.facts, Fact("looked at", parts, parts)),
        warnings=(*whole.warnings, warning),
        content=content,
    )


def _inspect_nexus(path: str | os.PathLike[str]) -> FileContent:
    from ellipsefit.files.nexus import examine_nexus, large_profile  # h5py is loaded when a file needs it

    large = large_profile(path, held=HELD)
    if large is not None:
        some = len(large) > PARTS * PART
        try:
            told = _profile_facts(large, large.units, most=PARTS if some else None)
        except FileFormatError as error:  # numbers are checked as they are read
            return FileContent(kind="profile", path=os.fspath(path), faults=(str(error),))
        whole = FileContent(kind="profile", path=os.fspath(path), facts=told, content=large)
        if not some:
            return whole
        parts = f"{PARTS} parts of {PART} points, evenly from the first to the last of {len(large)}"
        return _looked_at(whole, parts, large)
    size = existing_file(path).stat().st_size
    return _nexus_content(path, examine_nexus(path, most=LOOKED if size > LARGE else None))


def _nexus_content(path: str | os.PathLike[str], found: NexusContent) -> FileContent:
    if isinstance(found.content, tuple):
        whole = _scans_content(path, found.content, found.units)
        if found.looked is None:
            return whole
        told = tuple(
            Fact("scans", str(found.scans), found.scans) if fact.name == "scans" else fact
            for fact in whole.facts
            if fact.name not in (*_OF_THE_WHOLE, "points")
        )
        return _looked_at(replace(whole, facts=told), found.looked)
    facts: tuple[Fact, ...] = ()
    if found.content is not None:
        facts = _profile_facts(found.content, found.units)
    elif found.scans > 1:
        facts = (Fact("scans", str(found.scans), found.scans),)
    return FileContent(kind=found.kind, path=os.fspath(path), facts=facts, faults=found.faults, content=found.content)


def _inspect_lines(path: str | os.PathLike[str]) -> FileContent:
    """A file of heights along lines; of several the first is looked at."""
    try:
        found = look_at_lines(path)
        profile = profile_of(path, found)
    except FileFormatError as error:
        return FileContent(kind="profile", path=os.fspath(path), faults=(str(error),))
    several = found.in_file > 1
    warnings = list(found.warnings)
    if several:
        warnings.append(
            f"{path}: holds {found.in_file} lines; points, span and step are of the first; one is taken by "
            "'ellipsefit convert FILE OUT --line N'"
        )
    told = tuple(Fact(name, text, text) for name, text in found.told)
    return FileContent(
        kind="profile",
        path=os.fspath(path),
        facts=(*_profile_facts(profile, (("x", "m"), ("height", "m"))), *told),
        warnings=tuple(warnings),
        content=None if several else profile,
    )


# scans


def _scans_content(
    path: str | os.PathLike[str],
    scans: tuple[Scan, ...],
    units: Sequence[tuple[str, str]],
    more: tuple[Fact, ...] = (),
) -> FileContent:
    return FileContent(
        kind="scans",
        path=os.fspath(path),
        facts=(*_scans_facts(scans, units), *more),
        faults=tuple(f"{path}: {fault}" for fault in _scans_faults(scans)),
        warnings=_scans_warnings(units),
        content=scans,
    )


def _scans_facts(scans: Sequence[Scan], units: Sequence[tuple[str, str]]) -> tuple[Fact, ...]:
    points = [len(scan.x) for scan in scans]
    quantities = sorted({scan.quantity for scan in scans})
    invalid = int(sum(len(scan.x) - np.isfinite(scan.values).sum() for scan in scans))
    steps = sorted(float(np.median(np.abs(np.diff(scan.x)))) for scan in scans)
    facts = [
        Fact("scans", str(len(scans)), len(scans)),
        Fact("quantity", " and ".join(quantities), quantities[0] if len(quantities) == 1 else quantities),
        Fact("points", _total(points), sum(points)),
        Fact("invalid points", f"{invalid} (NaN or infinite, skipped)" if invalid else "0", invalid),
        Fact("span", _range(*_ends([scan.x for scan in scans])), _ends([scan.x for scan in scans])),
        Fact("median step", _from_to(steps[0], steps[-1]), steps[len(steps) // 2]),
    ]
    for name in ("carriage", "time", "temperature"):
        arrays = [array for scan in scans if (array := getattr(scan, name)) is not None]
        if not arrays:
            facts.append(Fact(name, "not in the file", None))
            continue
        low, high = _ends(arrays)
        part = "" if len(arrays) == len(scans) else f", in {len(arrays)} of {len(scans)} scans"
        facts.append(Fact(name, _along(name, low, high) + part, [low, high]))
    facts.append(_directions_fact(scans))
    orientations = Counter(scan.orientation for scan in scans)
    facts.append(Fact("orientations", _counts(orientations), dict(orientations)))
    angles = [scan.angle for scan in scans if scan.angle is not None]
    if angles:
        text = f"{len(angles)}: {_from_to(min(angles), max(angles), 'angle')}"
        facts.append(Fact("angle readings", text, len(angles)))
    else:
        facts.append(Fact("angle readings", "none", 0))
    sigmas = [scan.sigma for scan in scans if scan.sigma is not None]
    facts.append(_scans_sigma_fact(scans, sigmas))
    segments = sorted(
        {str(name) for scan in scans if scan.segment is not None for name in np.unique(scan.segment) if name}
    )
    unknown = "not in the file; the mirror's spans decide"
    facts.append(Fact("segments", _list(segments) if segments else unknown, segments or None))
    spelled: dict[str, list[str]] = {}
    for name, unit in units:
        spelled.setdefault(name, []).append(unit)
    text = ", ".join(f"{name} [{', '.join(found)}]" for name, found in spelled.items())
    facts.append(Fact("units", text, {name: ", ".join(found) for name, found in spelled.items()}))
    return tuple(facts)


_ZERO_CELSIUS: Final = 273.15  # K


def _along(name: str, low: float, high: float) -> str:
    if name == "time":
        return f"{low:.6g} s to {high:.6g} s"
    if name == "temperature":
        return f"{low - _ZERO_CELSIUS:.2f} degC to {high - _ZERO_CELSIUS:.2f} degC"
    return _range(low, high)


def _directions_fact(scans: Sequence[Scan]) -> Fact:
    """Which way the carriage ran: as declared, else as the order of the points says."""
    directions = Counter(scan.direction or _order(scan) or "not known" for scan in scans)
    declared = sum(scan.direction is not None for scan in scans)
    how = {0: "from the order of the points", len(scans): "declared"}.get(
        declared, f"{declared} declared, else by order"
    )
    return Fact("directions", f"{_counts(directions)} ({how})", dict(directions))


def _order(scan: Scan) -> ScanDirection | None:
    """Which way the position on the guide (without one: on the axis) runs through the file."""
    steps = np.diff(scan.x if scan.carriage is None else scan.carriage)
    if (steps >= 0).all() and steps.any():
        return "forward"
    return "backward" if (steps <= 0).all() and steps.any() else None


def _scans_sigma_fact(scans: Sequence[Scan], sigmas: Sequence[Any]) -> Fact:
    if not sigmas:
        return Fact("sigma", "not in the file", None)
    low, high = _ends(sigmas)
    if len({scan.quantity for scan in scans}) > 1:  # lengths and angles have no common range
        return Fact("sigma", f"in {len(sigmas)} of {len(scans)} scans", None)
    kind = "length" if scans[0].quantity == "height" else "angle"
    return Fact("sigma", _from_to(low, high, kind), [low, high])


def _scans_faults(scans: Sequence[Scan]) -> list[str]:
    """What is wrong with scans without a look at the mirror."""
    faults = []
    seen: dict[bytes, str] = {}
    for scan in scans:
        if scan.time is not None and (np.diff(scan.time) < 0).any():
            row = int(np.flatnonzero(np.diff(scan.time) < 0)[0])
            faults.append(
                f"scan '{scan.name}': time runs backwards from {scan.time[row]:.6g} s to {scan.time[row + 1]:.6g} s at "
                f"point {row + 2}; expected points in the order of measurement"
            )
        order = _order(scan)
        if scan.direction is not None and scan.carriage is not None and order not in (scan.direction, None):
            faults.append(
                f"scan '{scan.name}': is declared {scan.direction}, but its carriage runs {order}; expected the two "
                "to agree"
            )
        if not np.isfinite(scan.values).any():
            faults.append(f"scan '{scan.name}': no value is finite; expected a measurement")
            continue
        content = hashlib.blake2b(scan.x.tobytes() + scan.values.tobytes(), digest_size=16).digest()
        if content in seen:
            faults.append(f"scan '{scan.name}': has the same values as scan '{seen[content]}'; expected each scan once")
        else:
            seen[content] = scan.name
    return faults


def _scans_warnings(units: Sequence[tuple[str, str]]) -> tuple[str, ...]:
    spelled: dict[str, list[str]] = {}
    for name, unit in units:
        spelled.setdefault(name, []).append(unit)
    return tuple(
        f"{name} is in {', '.join(found[:-1])} in some scans and in {found[-1]} in others; each is taken at its word"
        for name, found in spelled.items()
        if len(found) > 1
    )


def _scans_on_mirror(one: FileContent, scans: Sequence[Scan], mirror: Mirror) -> FileContent:
    """Scans together with their mirror: what stitching would refuse, and what they leave open."""
    from ellipsefit.stitching import StitchSettings, scan_ambiguities
    from ellipsefit.stitching.conditioned import ConditionedScan
    from ellipsefit.stitching.conditioning import condition_scan

    faults, warnings = list(one.faults), list(one.warnings)
    good: list[ConditionedScan] = []
    for scan in scans:
        try:
            good.append(condition_scan(scan, mirror, StitchSettings()))
        except DataError as error:
            faults.append(f"{one.path}: {error}")
    for quantity in ("height", "slope"):
        kind = [item for item in good if item.scan.quantity == quantity]
        for open_ in scan_ambiguities(kind) if kind else ():
            text = f"the {quantity} scans leave open: {open_.function}; would be settled by {open_.remedy}"
            (faults if open_.kind == "unlinked" else warnings).append(text)
    return replace(one, faults=tuple(faults), warnings=tuple(warnings))


def _ends(arrays: Sequence[Any]) -> list[float]:
    return [float(min(array.min() for array in arrays)), float(max(array.max() for array in arrays))]


def _from_to(low: float, high: float, kind: str = "length") -> str:
    """One number where both read the same."""
    first, last = rows.number(low, kind, digits=4), rows.number(high, kind, digits=4)
    return first if first == last else f"{first} to {last}"


def _total(points: Sequence[int]) -> str:
    if len(points) == 1:
        return str(points[0])
    low, high = min(points), max(points)
    return f"{sum(points)}, {low if low == high else f'{low} to {high}'} each"


def _counts(found: Counter[Any]) -> str:
    return ", ".join(f"{count} {str(name).replace('_', ' ')}" for name, count in found.items())


# profiles


def _profile_facts(
    profile: Profile | ProfileSource, units: Sequence[tuple[str, str]], *, most: int | None = None
) -> tuple[Fact, ...]:
    """Facts of a profile, in one pass over it or so many parts of it; a profile that is held is one part."""
    size = len(profile) if isinstance(profile, Profile) else PART
    masked, places, steps = 0, _Range(), []
    names: set[str] | None = None
    sigmas: _Range | None = None
    starts = range(0, len(profile), size)
    for start in spread_evenly(starts, most):
        part = profile.part(start, min(start + size, len(profile)))
        used = part.used
        x = np.unique(part.x[used])
        masked += int(len(used) - used.sum())
        places.add(x)
        if len(x) > 1:
            steps.append(float(np.median(np.diff(x))))
        if part.segment is not None:
            names = (names or set()) | {str(name) for name in np.unique(part.segment)}
        if part.sigma is not None and used.any():
            sigmas = sigmas or _Range()
            sigmas.add(part.sigma[used])
    facts = [
        Fact("quantity", profile.quantity, profile.quantity),
        Fact("points", str(len(profile)), len(profile)),
    ]
    if most is None or most >= len(starts):
        facts.append(Fact("masked points", str(masked), masked))
    if places.low <= places.high:
        facts.append(Fact("span", _range(places.low, places.high), [places.low, places.high]))
    if steps:
        step = float(np.median(steps))
        facts.append(Fact("median step", rows.number(step, "length", digits=4), step))
    facts.append(Fact("units", ", ".join(f"{name} [{unit}]" for name, unit in units), dict(units)))
    if names is None:
        facts.append(Fact("segments", "not in the file; the mirror's spans decide", None))
    else:
        facts.append(Fact("segments", _list(sorted(names)), sorted(names)))
    facts.append(_sigma_fact(profile.quantity, sigmas))
    if profile.frame == "mirror":
        facts.append(Fact("frame", "mirror", "mirror"))
    return tuple(facts)


class _Range:
    """Smallest and largest of values that come in parts."""

    def __init__(self) -> None:
        self.low, self.high = float("inf"), -float("inf")

    def add(self, values: FloatArray) -> None:
        if len(values):
            self.low, self.high = min(self.low, float(values.min())), max(self.high, float(values.max()))


def _sigma_fact(quantity: Quantity, found: _Range | None) -> Fact:
    if found is None:
        return Fact("sigma", "not in the file", None)
    low, high = found.low, found.high
    kind = "length" if quantity == "height" else "angle"
    text = rows.number(low, kind) if low == high else f"{rows.number(low, kind)} to {rows.number(high, kind)}"
    return Fact("sigma", text, [low, high])


def _range(low: float, high: float) -> str:
    return f"{rows.number(low, 'length', digits=7, unit='mm')} to {rows.number(high, 'length', digits=7, unit='mm')}"


def _list(names: list[str], longest: int = 12) -> str:
    shown = names if len(names) <= longest else [*names[: longest - 2], "...", names[-1]]
    return f"{len(names)}: {', '.join(shown)}"
