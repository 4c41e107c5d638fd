"""What a file holds, and everything that is wrong with it."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, Literal, NamedTuple

import numpy as np

from ellipsefit import rows
from ellipsefit.errors import DataError, FileMissingError
from ellipsefit.files.mirror import mirror_faults, read_mirror
from ellipsefit.files.registry import file_format, zip_fault
from ellipsefit.files.safe import existing_file, read_bytes
from ellipsefit.files.text import examine_text_profile, looks_like_toml
from ellipsefit.mirror import Mirror
from ellipsefit.profile import Profile, place_profile


class Fact(NamedTuple):
    """One thing that a file tells: for people in practical units, for programs in SI."""

    name: str
    text: str
    value: Any  # JSON: str, number, list or None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FileContent:
    """What one file holds.

    Parameters
    ----------
    kind : {'mirror', 'profile', 'unknown'}
        What it is.
    path : str
        The file.
    facts : tuple of Fact
        What it tells.
    faults : tuple of str
        Everything that is wrong with it, a sentence each; empty: nothing.
    warnings : tuple of str
        What is worth knowing but stops nothing.
    content : Mirror or Profile, optional
        What was read, if nothing hindered it.
    """

    kind: Literal["mirror", "profile", "unknown"]
    path: str
    facts: tuple[Fact, ...] = ()
    faults: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    content: Mirror | Profile | None = None

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

    def __str__(self) -> str:
        return rows.as_text(self.rows())

    def _repr_html_(self) -> str:
        return rows.as_html(self.rows())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Inspection:
    """What several files hold, and together."""

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

    def __str__(self) -> str:
        return rows.as_text(self.rows())

    def _repr_html_(self) -> str:
        return rows.as_html(self.rows())


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
        Mirror file or profile; a missing file is a fault, too.
    """
    try:
        found = file_format(path)
        if found == "hdf5":
            return _inspect_nexus(path)
        if found == "zip":
            return FileContent(kind="unknown", path=os.fspath(path), faults=(zip_fault(path),))
        return _inspect_mirror(path) if _is_toml(path) else _inspect_text(path)
    except FileMissingError as error:
        return FileContent(kind="unknown", path=os.fspath(path), faults=(str(error),))


def inspect_together(contents: Iterable[FileContent]) -> tuple[FileContent, ...]:
    """Where exactly one file is a mirror, lay each profile on it and add what comes to light."""
    contents = tuple(contents)
    mirrors = [one.content for one in contents if isinstance(one.content, Mirror)]
    if len(mirrors) != 1:
        return contents
    return tuple(_placed(one, one.content, mirrors[0]) if isinstance(one.content, Profile) else one for one in contents)


def _placed(one: FileContent, profile: Profile, mirror: Mirror) -> FileContent:
    try:
        placed = place_profile(profile, mirror)
    except DataError as error:
        return replace(one, faults=(*one.faults, str(error)))
    return replace(one, warnings=(*one.warnings, *placed.warnings))


def _is_toml(path: str | os.PathLike[str]) -> bool:
    if os.fspath(path).casefold().endswith(".toml"):
        return True
    text = read_bytes(path)[:4096].decode("utf-8-sig", errors="replace")
    lines = (line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#"))
    return looks_like_toml(next(lines, ""))


def _inspect_mirror(path: str | os.PathLike[str]) -> FileContent:
    faults = mirror_faults(path)
    if faults:
        return FileContent(kind="mirror", path=os.fspath(path), faults=faults)
    mirror = read_mirror(path)
    return FileContent(kind="mirror", path=os.fspath(path), facts=_mirror_facts(mirror), content=mirror)


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


def _inspect_text(path: str | os.PathLike[str]) -> FileContent:
    text = examine_text_profile(path)
    facts: tuple[Fact, ...] = ()
    if text.profile is not None:
        facts = (*_profile_facts(text.profile, text.units), Fact("delimiter", text.delimiter, text.delimiter))
        facts += (Fact("decimal", text.decimal, text.decimal),)
    kind: Literal["profile", "unknown"] = "profile" if text.delimiter else "unknown"
    return FileContent(kind=kind, path=os.fspath(path), facts=facts, faults=text.faults, content=text.profile)


def _inspect_nexus(path: str | os.PathLike[str]) -> FileContent:
    from ellipsefit.files.nexus import examine_nexus_profile  # h5py is loaded when a file needs it

    found = examine_nexus_profile(path)
    facts: tuple[Fact, ...] = ()
    if found.profile is not None:
        facts = _profile_facts(found.profile, found.units)
    elif found.scans > 1:
        facts = (Fact("scans", str(found.scans), found.scans),)
    kind: Literal["profile", "unknown"] = "profile" if found.profile is not None or found.units else "unknown"
    return FileContent(kind=kind, path=os.fspath(path), facts=facts, faults=found.faults, content=found.profile)


def _profile_facts(profile: Profile, units: tuple[tuple[str, str], ...]) -> tuple[Fact, ...]:
    used = profile.used
    x = np.unique(profile.x[used])
    masked = int(len(used) - used.sum())
    facts = [
        Fact("quantity", profile.quantity, profile.quantity),
        Fact("points", str(len(profile.x)), len(profile.x)),
        Fact("masked points", str(masked), masked),
    ]
    if len(x):
        facts.append(Fact("span", _range(float(x[0]), float(x[-1])), [float(x[0]), float(x[-1])]))
    if len(x) > 1:
        step = float(np.median(np.diff(x)))
        facts.append(Fact("median step", rows.number(step, "length", digits=4), step))
    facts.append(Fact("units", ", ".join(f"{name} [{unit}]" for name, unit in units), dict(units)))
    if profile.segment is None:
        facts.append(Fact("segments", "not in the file; the mirror's spans decide", None))
    else:
        names = [str(name) for name in np.unique(profile.segment)]
        facts.append(Fact("segments", _list(names), names))
    facts.append(_sigma_fact(profile))
    if profile.frame == "mirror":
        facts.append(Fact("frame", "mirror", "mirror"))
    return tuple(facts)


def _sigma_fact(profile: Profile) -> Fact:
    used = profile.used
    if profile.sigma is None or not used.any():
        return Fact("sigma", "not in the file", None)
    low, high = float(profile.sigma[used].min()), float(profile.sigma[used].max())
    kind = "length" if profile.quantity == "height" else "angle"
    text = rows.number(low, kind) if low == high else f"{rows.number(low, kind)} to {rows.number(high, kind)}"
    return Fact("sigma", text, [low, high])


def _range(low: float, high: float) -> str:
    return f"{rows.number(low, 'length', digits=7, unit='mm')} to {rows.number(high, 'length', digits=7, unit='mm')}"


def _list(names: list[str], longest: int = 12) -> str:
    shown = names if len(names) <= longest else [*names[: longest - 2], "...", names[-1]]
    return f"{len(names)}: {', '.join(shown)}"
