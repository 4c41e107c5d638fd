"""What an HDF5 file holds: which of its groups are measured data, a profile among them, scans or surveys."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Any, Literal, NamedTuple, cast

import h5py
from h5py import h5a, h5g

from ellipsefit.errors import FileFormatError
from ellipsefit.files.apart import read_apart
from ellipsefit.files.nexus.marks import KINDS, Marks, marks_of
from ellipsefit.files.nexus.opening import child_of, groups_of, open_nexus
from ellipsefit.files.nexus.texts import decoded, low_text, text_attribute
from ellipsefit.profile import Profile, Quantity
from ellipsefit.scan import Scan


class NexusContent(NamedTuple):
    """What an HDF5 file holds: a profile, scans, or faults; and its units."""

    kind: Literal["profile", "scans", "unknown"]
    content: Profile | tuple[Scan, ...] | None
    faults: tuple[str, ...]
    scans: int  # also those at fault
    units: tuple[tuple[str, str], ...]
    looked: str | None = None  # which part was looked at; None: all
    older: str | None = None  # how the fields say what they are; None: their groups do


class Measured(NamedTuple):
    """An NXdata whose signal is height or slope, with the NXentry that it stands in."""

    entry: str
    data: str
    marks: Marks
    framed: bool  # says in which frame it is, as a profile does and a raw scan does not

    @property
    def quantity(self) -> Quantity:
        """What was measured."""
        return cast("Quantity", self.marks.signal)

    def entry_id(self, file: Any) -> Any:
        """GroupID of the NXentry; opened when needed, as ten thousand open groups close slowly."""
        return h5g.open(file.id, self.entry.encode())

    def data_id(self, file: Any) -> Any:
        """GroupID of the NXdata."""
        return h5g.open(file.id, f"{self.entry}/{self.data}".encode())


@read_apart
def holds_scans(path: str | os.PathLike[str]) -> bool:
    """Whether an HDF5 file holds raw scans, not a profile, as `read_nexus_measured` tells them apart."""
    with open_nexus(path) as file:
        return has_scans(file, measured_data(file))


@read_apart
def holds_surveys(path: str | os.PathLike[str]) -> bool:
    """Whether an HDF5 file holds surveys of targets."""
    with open_nexus(path) as file:
        return bool(survey_entries(file))


def survey_entries(file: Any) -> list[tuple[str, str]]:
    """NXentry and NXdata of each survey, which has positions as its signal."""
    found = []
    for name in file:
        entry = file.get(name)
        if not isinstance(entry, h5py.Group) or text_attribute(entry, "NX_class") != "NXentry":
            continue
        for part in entry:
            data = entry.get(part)
            if isinstance(data, h5py.Group) and text_attribute(data, "signal") == "position":
                found.append((name, part))
    return found


@read_apart
def mirror_named_in(path: str | os.PathLike[str]) -> str | None:
    """The mirror that a record, or the file of a fit, says it is of; None: it does not say.

    Raises
    ------
    FileMissingError, FileFormatError
        If the file cannot be read.
    """
    with open_nexus(path) as file:
        return text_attribute(file, "mirror")


def has_scans(file: Any, candidates: Sequence[Measured]) -> bool:
    """Whether a file holds raw scans; a profile says in which frame it is."""
    default = _default(file)
    profile = default is not None and "frame" in default.attrs
    raw = [one for one in candidates if not one.framed]
    alone = len(raw) == 1 and not {b"carriage", b"time"}.isdisjoint(raw[0].data_id(file))
    return not profile and (len(raw) > 1 or alone)


def measured_data(file: Any, names: Sequence[bytes] | None = None) -> list[Measured]:
    """All NXdata with heights or slopes, in the order of the file; of some entries alone, if they are named."""
    found = []
    for entry_name in list(file.id) if names is None else names:
        entry = child_of(file.id, entry_name)
        if not (isinstance(entry, h5g.GroupID) and low_text(entry, "NX_class") == "NXentry"):
            continue
        for data_name in list(entry):
            data = child_of(entry, data_name)
            if not (isinstance(data, h5g.GroupID) and low_text(data, "NX_class") == "NXdata"):
                continue
            marks = marks_of(data)
            if marks.signal in KINDS:
                found.append(Measured(decoded(entry_name), decoded(data_name), marks, h5a.exists(data, b"frame")))
    return found


def chosen_data(path: str | os.PathLike[str], file: Any, candidates: Sequence[Measured]) -> Any:
    """The NXdata of the profile."""
    default = _default(file)
    # a profile says in which frame it is, a raw scan does not: the default of many scans is only for viewing
    if default is not None and "frame" in default.attrs and marks_of(default.id).signal in KINDS:
        return default
    if len(candidates) == 1:
        return h5py.Group(candidates[0].data_id(file))
    beside = [one for one in candidates if one.framed and one.entry == text_attribute(file, "default")]
    if len(beside) == 1:  # of the entry that is shown, as of a record's last round
        return h5py.Group(beside[0].data_id(file))
    if candidates:
        raise FileFormatError(f"{path}: holds {len(candidates)} scans; expected one profile: stitch them first")
    raise FileFormatError(nothing_measured(path, file))


def nothing_measured(path: str | os.PathLike[str], file: Any) -> str:
    """What a file without heights and slopes has instead, in a sentence."""
    entries = groups_of(file, "NXentry")
    if not entries:
        names = [repr(name[:40]) for name in list(file)[:6]]
        got = f"only {', '.join(names[:5])}{', ...' * (len(names) > 5)}" if names else "nothing"
        return (
            f"{path}: has no NXentry, {got}; expected HDF5 by the NeXus standard: in an NXentry an NXdata whose signal "
            "is height or slope"
        )
    data = [group for entry in entries for group in groups_of(entry, "NXdata")]
    if not data:
        return f"{path}: has no NXdata; expected one whose signal is height or slope"
    signal = marks_of(data[0].id).signal
    got = f"the signal {signal[:40]!r}" if signal else "no signal"
    return f"{path}: NXdata '{data[0].name}' has {got}; expected height or slope"


def _default(group: Any) -> Any:
    """The NXdata to which the `default` attributes lead, or None."""
    for _ in range(8):
        if text_attribute(group, "NX_class") == "NXdata":
            return group
        name = text_attribute(group, "default")
        group = group.get(name) if name else None
        if not isinstance(group, h5py.Group):
            return None
    return None
