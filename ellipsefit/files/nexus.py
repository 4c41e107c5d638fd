"""Profiles and scans as HDF5 by the NeXus standard (https://manual.nexusformat.org): NXentry, NXdata, NXprocess.

A file may hold ten thousand scans, so reading goes through the low-level objects of h5py (GroupID, DatasetID),
which spare two thirds of the time. The helpers that write a group or a field serve every other file of that family.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Callable, Iterator, Mapping, Sequence, Sized
from contextlib import contextmanager
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any, Final, Literal, NamedTuple, cast, get_args

import h5py
import numpy as np
import numpy.typing as npt
from h5py import h5a, h5d, h5g, h5i, h5l, h5o, h5s, h5t

from ellipsefit.arrays import BoolArray, FloatArray
from ellipsefit.errors import FileFormatError, FileMissingError, ParameterError, UnitError
from ellipsefit.files.apart import read_apart
from ellipsefit.files.chunks import check_chunks, check_filters
from ellipsefit.files.damage import LIBRARY, DamageError, damage_told, field_read, name_of, own_words
from ellipsefit.files.heaps import check_heaps
from ellipsefit.files.safe import existing_file, new_file
from ellipsefit.profile import Frame, Profile, Quantity
from ellipsefit.scan import Orientation, Scan, ScanDirection
from ellipsefit.units import to_si, unit_factor

_KINDS: Final = {"height": "length", "slope": "angle"}
_SI: Final = {"height": "m", "slope": "rad"}
_LARGEST: Final = 500_000_000  # points; a damaged file may claim any number
#: Bytes that any file may claim for a field, and times its own size beyond: what is measured compresses far less.
_CLAIMED: Final = 1 << 24
_PRESSED: Final = 100
_DEEPEST: Final = 32  # groups in one another; HDF5 visits them by recursion
_BLOCK: Final = 64  # texts that are read at a time, for many may stand for one that is long
_CACHE: Final = 1 << 24  # bytes of a field's chunks that are kept: the next block may need the same chunk
_SQUARED: Final = re.compile(r"\(?(.+?)\)?\s*(?:\^|\*\*)?\s*2")
_NOT_FINITE: Final = "not finite"
#: Fields of a scan besides x and its signal: kind of quantity.
_ALONG: Final = {"carriage": "length", "time": "time", "temperature": "temperature"}


class NexusContent(NamedTuple):
    """What an HDF5 file holds: a profile, scans, or faults; and its units."""

    kind: Literal["profile", "scans", "unknown"]
    content: Profile | tuple[Scan, ...] | None
    faults: tuple[str, ...]
    scans: int  # also those at fault
    units: tuple[tuple[str, str], ...]
    looked: str | None = None  # which part was looked at; None: all


class _Measured(NamedTuple):
    """An NXdata whose signal is height or slope, with the NXentry that it stands in."""

    entry: str
    data: str
    quantity: Quantity
    framed: bool  # says in which frame it is, as a profile does and a raw scan does not

    def entry_id(self, file: Any) -> Any:
        """GroupID of the NXentry; opened when needed, as ten thousand open groups close slowly."""
        return h5g.open(file.id, self.entry.encode())

    def data_id(self, file: Any) -> Any:
        """GroupID of the NXdata."""
        return h5g.open(file.id, f"{self.entry}/{self.data}".encode())


# reading


@contextmanager
def open_nexus(path: str | os.PathLike[str]) -> Iterator[Any]:
    """HDF5 file for reading; whatever is wrong with the file is told in one sentence.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    FileFormatError
        If it is no HDF5, truncated, damaged, or has links that leave it.
    """
    place = existing_file(path)
    with damage_told(path):
        check_heaps(place, path)
        with h5py.File(place, "r") as file:
            _refuse_strange_links(file, path)
            yield file


def _refuse_strange_links(file: Any, path: str | os.PathLike[str]) -> None:
    """Refuse links that leave the file, and groups so deep that HDF5, which visits them by recursion, would crash."""

    def strange(name: bytes, link: Any) -> bytes | None:
        return name if link.type not in _INSIDE or name.count(b"/") > _DEEPEST else None

    # the visitor ends at the first result, before it goes down; it must not raise, HDF5 calls it from C
    found = file.id.links.visit(strange, info=True)
    if found is None:
        return
    if found.count(b"/") > _DEEPEST:
        raise FileFormatError(f"{path}: has groups in more than {_DEEPEST} others; expected HDF5 by the NeXus standard")
    name = _decoded(found)
    link = file.get(name, getlink=True)
    target = link.filename if isinstance(link, h5py.ExternalLink) else "unknown"
    raise FileFormatError(f"{path}: '{name}' is a link to another file ('{target}'); expected the data in this file")


_INSIDE: Final = (h5l.TYPE_HARD, h5l.TYPE_SOFT)


@read_apart
def read_nexus_profile(path: str | os.PathLike[str]) -> Profile:
    """Profile from an HDF5 file by the NeXus standard.

    Taken is the NXdata to which the `default` chain leads if it says that it is a profile (attribute
    `frame`), else the only one whose signal is height or slope. Values that are not finite are masked.

    Parameters
    ----------
    path : path
        File with an NXdata of `signal` height or slope, `axes` x, each numeric field with `units`;
        optional `<signal>_errors`, `segment`, `mask`, `y` and the attribute `frame`.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    FileFormatError
        For the first fault; the text names file, field and what was expected.
    """
    with open_nexus(path) as file:
        found = _profile_content(path, file, _measured_data(file))
    return cast("Profile", _or_first_fault(found))


def read_profile_data(path: str | os.PathLike[str], data: Any) -> Profile:
    """Profile from one NXdata, as `write_profile_data` wrote it.

    Raises
    ------
    FileFormatError
        For the first fault.
    """
    faults: list[str] = []
    profile = _profile(path, data, faults, [])
    if profile is None or faults:
        raise FileFormatError(faults[0])
    return profile


@read_apart
def read_nexus_scans(path: str | os.PathLike[str]) -> tuple[Scan, ...]:
    """Raw scans from an HDF5 file by the NeXus standard, in file order.

    Every NXdata whose signal is height or slope is a scan, named as its NXentry; a profile (attribute
    `frame`) is none. File order is the order of creation where the file keeps it, else that of the names.

    Parameters
    ----------
    path : path
        File with an NXdata of `signal` height or slope, `axes` x, each numeric field with `units`; optional
        `<signal>_errors`, `carriage`, `time`, `temperature`, `segment`, `mask` (masked values become NaN),
        and in the NXentry `direction`, `orientation`, `angle` with `angle_errors`.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    FileFormatError
        For the first fault; the text names file, field and what was expected.
    """
    with open_nexus(path) as file:
        found = _scans_content(path, file, _measured_data(file))
    return cast("tuple[Scan, ...]", _or_first_fault(found))


@read_apart
def read_nexus_measured(path: str | os.PathLike[str]) -> Profile | tuple[Scan, ...]:
    """Profile or scans, whichever the file holds.

    It holds scans if several NXdata say nothing of a frame, or the only one has `carriage` or `time`.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    FileFormatError
        For the first fault; the text names file, field and what was expected.
    """
    with open_nexus(path) as file:
        found = _measured_content(path, file)
    return _or_first_fault(found)


@read_apart
def examine_nexus(path: str | os.PathLike[str], *, most: int | None = None) -> NexusContent:
    """Profile or scans in an HDF5 file, or everything that is wrong with it.

    Parameters
    ----------
    path : path
    most : int, optional
        Points that are looked at, about, if it holds scans with more of them; `looked` says which then.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    """
    try:
        with open_nexus(path) as file:
            candidates = _measured_data(file)
            if _holds_scans(file, candidates):
                return _scans_content(path, file, candidates, most=most)
            return _profile_content(path, file, candidates)
    except FileFormatError as error:  # what ends the reading
        return NexusContent("unknown", None, (str(error),), 0, ())


#: Entries beyond which a file is looked at by some of them.
_MANY: Final = 300
_LOOKED: Final = 32


@read_apart
def look_at_many(path: str | os.PathLike[str], *, most: int) -> NexusContent | None:
    """Scans of a file with hundreds of entries, of which some are looked at; None if it is no such file.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    """
    place = existing_file(path)
    try:
        check_heaps(place, path)
        with damage_told(path), h5py.File(place, "r") as file:
            names = list(file.id)
            if len(names) <= _MANY:
                return None
            picked = [names[round(number)] for number in np.linspace(0, len(names) - 1, _LOOKED)]
            if any(file.id.links.get_info(name).type != h5l.TYPE_HARD for name in picked):
                return None
            for name in picked:
                entry = _child(file.id, name)
                if isinstance(entry, h5g.GroupID):
                    _refuse_strange_links(h5py.Group(entry), path)
            raw = _measured_data(file, picked)
            if len(raw) < _LOOKED or any(one.framed for one in raw):
                return None
            found = _scans_content(path, file, raw, most=most)
            some = found.looked.partition(" ")[0] if found.looked else str(len(raw))
            looked = f"{some} of {len(names)} entries, evenly from the first to the last"
            return found._replace(scans=len(names), looked=looked)
    except FileFormatError as error:
        return NexusContent("unknown", None, (str(error),), 0, ())


def _state(place: Path) -> tuple[int, int] | None:
    """Size and time of change of a file; None: it is gone."""
    try:
        told = place.stat()
    except OSError:
        return None
    return told.st_size, told.st_mtime_ns


class NexusProfile:
    """A profile that stays in its HDF5 file and is read in parts: a `ProfileSource`.

    All but the numbers is checked when it is opened, and these as they are read. `y` and `covariance_factor`
    are not used: a profile with one of them is to be read whole.

    Parameters
    ----------
    path : path
        As for `read_nexus_profile`.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    FileFormatError
        For the first fault, here or in `part`; the text names file, field and what was expected.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = path
        self.name = Path(path).name
        place, faults = existing_file(path), list[str]()
        self._state = _state(place)
        with damage_told(path):
            self._file = h5py.File(place, "r", rdcc_nbytes=_CACHE)
            try:
                _refuse_strange_links(self._file, path)
                data = _chosen(path, self._file, _measured_data(self._file))
                self.quantity = cast("Quantity", text_attribute(data, "signal"))
                self._reader = reader = _Fields(path, data.id, faults, [])
                self._errors = f"{self.quantity}_errors"
                reader.check_axes()
                kinds = {"x": "length", self.quantity: _KINDS[self.quantity], self._errors: _KINDS[self.quantity]}
                needed = ["x", self.quantity, *({self._errors, "segment", "mask"} & reader.names)]
                columns = {name: reader.column(name, kinds.get(name)) for name in needed}
                self.frame = _frame(path, data, faults)
                self._columns = {name: column for name, column in columns.items() if column is not None}
                if not faults:
                    reader.check_lengths(self.quantity, self._columns[self.quantity], self._columns)
                if faults:
                    raise FileFormatError(faults[0])
            except BaseException:
                self._file.close()
                raise

    @property
    def units(self) -> tuple[tuple[str, str], ...]:
        """Fields and their units, as they stand in the file."""
        return tuple(self._reader.units)

    @property
    def whole(self) -> bool:
        """Whether it must be read whole."""
        return not {"y", "covariance_factor", "covariance_diagonal"}.isdisjoint(self._reader.names)

    def __len__(self) -> int:
        return len(self._columns["x"])

    def __enter__(self) -> NexusProfile:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; nothing can be read any more."""
        self._file.close()

    def touch(self) -> None:
        """Have HDF5 do what it may break down at: find each chunk, unpack the first and the last."""
        last = len(self) - 1
        with damage_told(self.path):
            for column in self._columns.values():
                if column.dataset.get_create_plist().get_layout() == h5d.CHUNKED:
                    column.dataset.get_num_chunks()
                for start in (0, last):
                    column.read(start, start + 1)

    def part(self, start: int, stop: int, *, names: bool = True) -> Profile:
        """Points `start` to `stop - 1`; without `names`, those of segments are not read."""
        if not self._file:
            raise FileMissingError(f"{self.path}: is closed; expected the profile to stay open while it is read")
        with damage_told(self.path):
            read = {
                name: column.read(start, stop) for name, column in self._columns.items() if names or name != "segment"
            }
        if _state(Path(self.path)) != self._state:  # what a file has lost HDF5 reads as zeros
            raise FileFormatError(
                f"{self.path}: was changed while it was read; expected it to stay as it is, run again"
            )
        x, values, sigma = read["x"], read[self.quantity], read.get(self._errors)
        left_out = _left_out(read.get("mask"), x, values, sigma)
        if sigma is not None:
            wrong = np.flatnonzero(~left_out & ~(sigma > 0))
            if len(wrong):
                raise FileFormatError(_no_sigma(self._reader.where(self._errors), sigma[wrong[0]], start + wrong[0]))
        for array in (x, values, sigma):
            if array is not None:
                array.flags.writeable = False  # ours alone, so the profile need not copy it
        return Profile(
            name=self.name,
            quantity=self.quantity,
            x=x,
            values=values,
            sigma=sigma,
            segment=read.get("segment"),
            mask=left_out if left_out.any() else None,
            frame=self.frame,
        )


def open_nexus_profile(path: str | os.PathLike[str], *, held: int) -> Profile | NexusProfile:
    """Profile from an HDF5 file: read whole up to so many points or if it must be, else left in its file.

    Raises
    ------
    FileMissingError, FileFormatError
        As by `read_nexus_profile`.
    """
    return NexusProfile(path) if _stays(path, held) else read_nexus_profile(path)


def large_profile(path: str | os.PathLike[str], *, held: int) -> NexusProfile | None:
    """The profile that `open_nexus_profile` leaves in its file; None for all else, also if something is wrong."""
    try:
        return None if holds_scans(path) or not _stays(path, held) else NexusProfile(path)
    except FileFormatError:
        return None


@read_apart
def _stays(path: str | os.PathLike[str], held: int) -> bool:
    """Whether a profile stays in its file; if so, all is touched that may then break down in the process itself."""
    check_heaps(existing_file(path), path)
    with NexusProfile(path) as profile:
        stays = len(profile) > held and not profile.whole
        if stays:
            profile.touch()
        return stays


@read_apart
def holds_scans(path: str | os.PathLike[str]) -> bool:
    """Whether an HDF5 file holds raw scans, not a profile, as `read_nexus_measured` tells them apart."""
    with open_nexus(path) as file:
        return _holds_scans(file, _measured_data(file))


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


def _or_first_fault(found: NexusContent) -> Profile | tuple[Scan, ...]:
    if found.content is None:
        raise FileFormatError(found.faults[0])
    return found.content


def _measured_content(path: str | os.PathLike[str], file: Any) -> NexusContent:
    candidates = _measured_data(file)
    content = _scans_content if _holds_scans(file, candidates) else _profile_content
    return content(path, file, candidates)


def _holds_scans(file: Any, candidates: Sequence[_Measured]) -> bool:
    default = _default(file)
    profile = default is not None and "frame" in default.attrs
    raw = [one for one in candidates if not one.framed]
    alone = len(raw) == 1 and not {b"carriage", b"time"}.isdisjoint(raw[0].data_id(file))
    return not profile and (len(raw) > 1 or alone)


def _measured_data(file: Any, names: Sequence[bytes] | None = None) -> list[_Measured]:
    found = []
    for entry_name in list(file.id) if names is None else names:
        entry = _child(file.id, entry_name)
        if not (isinstance(entry, h5g.GroupID) and _text(entry, "NX_class") == "NXentry"):
            continue
        for data_name in list(entry):
            data = _child(entry, data_name)
            if not (isinstance(data, h5g.GroupID) and _text(data, "NX_class") == "NXdata"):
                continue
            signal = _text(data, "signal")
            if signal in _KINDS:
                own = _decoded(entry_name), _decoded(data_name)
                found.append(_Measured(*own, cast("Quantity", signal), h5a.exists(data, b"frame")))
    return found


def _child(group: Any, name: str | bytes) -> Any:
    """Object of a group by its low-level name; None if there is none, or a link that leads nowhere."""
    key = name if isinstance(name, bytes) else name.encode()
    try:
        return h5o.open(group, key)
    except LIBRARY as error:
        if isinstance(error, KeyError) and any(words in str(error) for words in _NOT_THERE):
            return None
        raise DamageError(f"'{name_of(group).rstrip('/')}/{key.decode('utf-8', errors='backslashreplace')}'") from error


_NOT_THERE: Final = ("doesn't exist", "component not found")


def _groups(parent: Any, nx_class: str) -> list[Any]:
    groups = (parent.get(name) for name in parent)  # get: None for a link that leads nowhere
    return [
        group for group in groups if isinstance(group, h5py.Group) and text_attribute(group, "NX_class") == nx_class
    ]


def _chosen(path: str | os.PathLike[str], file: Any, candidates: Sequence[_Measured]) -> Any:
    """The NXdata of the profile."""
    default = _default(file)
    # a profile says in which frame it is, a raw scan does not: the default of many scans is only for viewing
    if default is not None and text_attribute(default, "signal") in _KINDS and "frame" in default.attrs:
        return default
    if len(candidates) == 1:
        return h5py.Group(candidates[0].data_id(file))
    beside = [one for one in candidates if one.framed and one.entry == text_attribute(file, "default")]
    if len(beside) == 1:  # of the entry that is shown, as of a record's last round
        return h5py.Group(beside[0].data_id(file))
    if candidates:
        raise FileFormatError(f"{path}: holds {len(candidates)} scans; expected one profile: stitch them first")
    raise FileFormatError(_nothing_measured(path, file))


def _nothing_measured(path: str | os.PathLike[str], file: Any) -> str:
    entries = _groups(file, "NXentry")
    if not entries:
        names = [repr(name[:40]) for name in list(file)[:6]]
        got = f"only {', '.join(names[:5])}{', ...' * (len(names) > 5)}" if names else "nothing"
        return (
            f"{path}: has no NXentry, {got}; expected HDF5 by the NeXus standard: in an NXentry an NXdata whose signal "
            "is height or slope"
        )
    data = [group for entry in entries for group in _groups(entry, "NXdata")]
    if not data:
        return f"{path}: has no NXdata; expected one whose signal is height or slope"
    signal = text_attribute(data[0], "signal")
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


def _profile_content(path: str | os.PathLike[str], file: Any, candidates: Sequence[_Measured]) -> NexusContent:
    try:
        data = _chosen(path, file, candidates)
    except FileFormatError as error:
        return NexusContent("unknown", None, (str(error),), len(candidates), ())
    faults: list[str] = []
    units: list[tuple[str, str]] = []
    profile = _profile(path, data, faults, units)
    return NexusContent("profile", None if faults else profile, tuple(faults), len(candidates), tuple(units))


def _profile(
    path: str | os.PathLike[str], data: Any, faults: list[str], units: list[tuple[str, str]]
) -> Profile | None:
    quantity = cast("Quantity", text_attribute(data, "signal"))
    reader = _Fields(path, data.id, faults, units)
    reader.check_axes()
    x = reader.numbers("x", "length")
    values = reader.numbers(quantity, _KINDS[quantity])
    errors = f"{quantity}_errors"
    sigma = reader.optional(errors, _KINDS[quantity])
    y = reader.optional("y", "length")
    segment, mask, mask_reason = reader.strings("segment"), reader.mask(), reader.strings("mask_reason")
    factor = reader.factor(_KINDS[quantity])
    if "covariance_diagonal" in reader.names:  # the errors are the marginal ones, with the factor's share in them
        variance = reader.variance(_KINDS[quantity])
        errors, sigma = "covariance_diagonal", None if variance is None else np.sqrt(variance)
    elif factor is not None and sigma is not None:
        faults.append(f"{reader.where('covariance_diagonal')} is missing; expected it beside 'covariance_factor'")
    frame = _frame(path, data, faults)
    if faults or x is None or values is None:
        return None
    arrays = {"x": x, errors: sigma, "segment": segment, "mask": mask, "mask_reason": mask_reason, "y": y}
    reader.check_lengths(quantity, values, {**arrays, "covariance_factor": factor})
    if faults:
        return None
    left_out = _left_out(mask, x, values, sigma, y)
    if sigma is not None:
        wrong = np.flatnonzero(~left_out & ~(sigma > 0))
        if len(wrong):
            faults.append(_no_sigma(reader.where(errors), sigma[wrong[0]], wrong[0]))
            return None
    if mask_reason is not None and mask is not None and (left_out & ~mask).any():
        mask_reason = np.where(left_out & ~mask, _NOT_FINITE, mask_reason)
    try:
        return Profile(
            name=Path(path).name,
            quantity=quantity,
            x=x,
            values=values,
            sigma=sigma,
            segment=segment,
            y=y,
            mask=left_out if mask is not None or left_out.any() else None,
            mask_reason=mask_reason,
            covariance_factor=factor,
            frame=frame,
        )
    except ParameterError as error:
        faults.append(f"{path}: {error}")
        return None


def _frame(path: str | os.PathLike[str], data: Any, faults: list[str]) -> Frame:
    frame = text_attribute(data, "frame") or "scan"
    if frame not in get_args(Frame):
        faults.append(
            f"{path}: attribute 'frame' of '{data.name}' is {frame[:40]!r}; expected {' or '.join(get_args(Frame))}"
        )
    return cast("Frame", frame)


def _no_sigma(where: str, sigma: float, row: int) -> str:
    return f"{where} is {sigma:g} at point {row + 1}; expected standard uncertainties above 0"


def _scans_content(
    path: str | os.PathLike[str], file: Any, candidates: Sequence[_Measured], *, most: int | None = None
) -> NexusContent:
    raw = [one for one in candidates if not one.framed]
    if not raw:
        fault = f"{path}: holds a profile; expected raw scans" if candidates else _nothing_measured(path, file)
        return NexusContent("unknown", None, (fault,), 0, ())
    entries = [one.entry for one in raw]
    several = {name for name in entries if entries.count(name) > 1} if len(set(entries)) < len(entries) else set()
    faults: list[str] = []
    units: dict[tuple[str, str], None] = {}  # a set that keeps the order
    scans = []
    some: Sequence[_Measured] = raw
    points = looked = None
    if most is not None:
        some, points, looked = _some_of(file, raw, most)
    for one in some:
        name = f"{one.entry}:{one.data}" if one.entry in several else one.entry
        found: list[tuple[str, str]] = []
        own: list[str] = []
        scan = _scan(path, file, one, name, own, found, points)
        units.update(dict.fromkeys(found))
        faults += own
        if scan is not None:
            scans.append(scan)
    return NexusContent("scans", None if faults else tuple(scans), tuple(faults), len(raw), tuple(units), looked)


def _some_of(file: Any, raw: Sequence[_Measured], most: int) -> tuple[Sequence[_Measured], int | None, str | None]:
    """Scans that lie evenly from the first to the last, how many points of each, and that in words."""
    longest = max(_points_of(file, raw[place]) for place in {0, len(raw) // 2, len(raw) - 1})
    count = min(len(raw), max(most // max(longest, 1), 1))
    points = None if longest <= most else most
    if count == len(raw) and points is None:
        return raw, None, None
    places = sorted({round(place) for place in np.linspace(0, len(raw) - 1, count)})
    what = f"{len(places)} of {len(raw)} scans, evenly from the first to the last" if len(raw) > 1 else "one scan"
    return [raw[place] for place in places], points, what + (f", {most} points of each" if points else "")


def _points_of(file: Any, one: _Measured) -> int:
    dataset = _child(one.data_id(file), one.quantity)
    shape = dataset.shape if isinstance(dataset, h5d.DatasetID) else None
    return int(math.prod(shape)) if shape else 0


def _scan(
    path: str | os.PathLike[str],
    file: Any,
    one: _Measured,
    name: str,
    faults: list[str],
    units: list[tuple[str, str]],
    most: int | None = None,
) -> Scan | None:
    quantity, kind = one.quantity, _KINDS[one.quantity]
    reader = _Fields(path, one.data_id(file), faults, units, most)
    reader.check_axes()
    x, values = reader.numbers("x", "length"), reader.numbers(quantity, kind)
    sigma = reader.optional(f"{quantity}_errors", kind)
    along = {key: reader.optional(key, kind) for key, kind in _ALONG.items()}
    segment, mask = reader.strings("segment"), reader.mask()
    entry = _Fields(path, one.entry_id(file), faults, units)
    direction = entry.choice("direction", get_args(ScanDirection))
    orientation = entry.choice("orientation", get_args(Orientation))
    angle, angle_stderr = entry.number("angle", "angle"), entry.number("angle_errors", "angle")
    for key, other in (("angle", "angle_errors"), ("angle_errors", "angle")):
        if key in entry.names and other not in entry.names:
            faults.append(f"{entry.where(other)} is missing; expected it beside '{key}'")
    if faults or x is None or values is None:
        return None
    reader.check_lengths(
        quantity, values, {"x": x, f"{quantity}_errors": sigma, **along, "segment": segment, "mask": mask}
    )
    if faults:
        return None
    if mask is not None:
        values = np.where(mask, np.nan, values)
    for array in (x, values, sigma, *along.values(), segment):
        if array is not None:
            array.flags.writeable = False  # ours alone, so the scan need not copy it
    try:
        return Scan(
            name=name,
            quantity=quantity,
            x=x,
            values=values,
            sigma=sigma,
            carriage=along["carriage"],
            time=along["time"],
            temperature=along["temperature"],
            segment=segment,
            direction=cast("ScanDirection | None", direction),
            orientation=cast("Orientation", orientation or "normal"),
            angle=angle,
            angle_stderr=angle_stderr,
        )
    except ParameterError as error:
        faults.append(f"{path}: {error}")
        return None


class _Fields:
    """Fields of one group; what is wrong with them is collected."""

    def __init__(
        self,
        path: str | os.PathLike[str],
        group: Any,
        faults: list[str],
        units: list[tuple[str, str]],
        most: int | None = None,
    ) -> None:
        self.path = path
        self.group = group  # h5g.GroupID
        self.names = {_decoded(name) for name in group}
        self.faults = faults
        self.units = units
        self.most = most  # points that are read at most, of fields with one dimension

    def where(self, name: str) -> str:
        return _where(self.path, self.group, name)

    def check_axes(self) -> None:
        if _text(self.group, "axes") != "x":
            axes = _texts(h5py.Group(self.group), "axes")
            place = name_of(self.group)
            self.faults.append(f"{self.path}: NXdata '{place}' has the axes {axes or 'none'}; expected 'x'")

    def check_lengths(self, quantity: str, values: Sized, arrays: Mapping[str, Sized | None]) -> None:
        for name, array in arrays.items():
            if array is not None and len(array) != len(values):
                self.faults.append(
                    f"{self.where(name)} has {len(array)} points; expected {len(values)} as '{quantity}'"
                )
        if not len(values):
            self.faults.append(f"{self.where(quantity)} is empty; expected points")

    def numbers(self, name: str, kind: str) -> FloatArray | None:
        return self._numbers(name, lambda unit: unit_factor(unit, kind), kind)

    def optional(self, name: str, kind: str) -> FloatArray | None:
        return self.numbers(name, kind) if name in self.names else None

    def factor(self, kind: str) -> FloatArray | None:
        name = "covariance_factor"
        if name not in self.names:
            return None
        factor = self._numbers(name, lambda unit: unit_factor(unit, kind), kind, ndim=2)
        if factor is not None and not np.isfinite(factor).all():
            self.faults.append(f"{self.where(name)} holds NaN or infinity; expected finite numbers")
            return None
        return factor

    def variance(self, kind: str) -> FloatArray | None:
        name = "covariance_diagonal"
        variance = self._numbers(name, lambda unit: _squared_factor(unit, kind), f"{kind} squared")
        if variance is not None and (variance < 0).any():
            row = int(np.flatnonzero(variance < 0)[0])
            self.faults.append(f"{self.where(name)} is {variance[row]:g} at point {row + 1}; expected variances")
            return None
        return variance

    def column(self, name: str, kind: str | None) -> _Column | None:
        """A field to read in parts: a quantity of a kind, or else strings or a mask."""
        try:
            if kind is not None:
                found = _quantity(self.path, self.group, name, lambda unit: unit_factor(unit, kind), kind)
                self.units.append((name, found[3]))
                return _Column(*found[:3], self.where(name))
            dataset, _ = _dataset(self.path, self.group, name, "biuf" if name == "mask" else "SO")
            return _Column(dataset, None, 0.0, self.where(name))
        except FileFormatError as error:
            self.faults.append(str(error))
            return None

    def number(self, name: str, kind: str) -> float | None:
        if name not in self.names:
            return None
        value = self._numbers(name, lambda unit: unit_factor(unit, kind), kind, ndim=0)
        if value is None:
            return None
        number = float(value.reshape(()))
        if not np.isfinite(number):
            self.faults.append(f"{self.where(name)} is {number}; expected a finite number")
            return None
        return number

    def choice(self, name: str, allowed: Sequence[str]) -> str | None:
        """One of these texts, or None if the field is not there."""
        if name not in self.names:
            return None
        dataset = _child(self.group, name)
        text = None
        if isinstance(dataset, h5d.DatasetID) and dataset.shape in ((), (1,)) and dataset.dtype.kind in "SO":
            try:
                _check_whole(self.where(name), dataset)
            except FileFormatError as error:
                self.faults.append(str(error))
                return None
            with field_read(dataset):
                first = np.asarray(h5py.Dataset(dataset)[()], dtype=object).ravel()[0]
                text = _decoded(first) if isinstance(first, str | bytes) else None
        if text in allowed:
            return text
        got = "no text" if text is None else f"{text[:40]!r}"
        self.faults.append(f"{self.where(name)} is {got}; expected {', '.join(allowed[:-1])} or {allowed[-1]}")
        return None

    def strings(self, name: str) -> np.ndarray[tuple[int], np.dtype[np.str_]] | None:
        if name not in self.names:
            return None
        try:
            return _strings(self.path, self.group, name, self.most)
        except FileFormatError as error:
            self.faults.append(str(error))
            return None

    def mask(self) -> BoolArray | None:
        if "mask" not in self.names:
            return None
        try:
            dataset, _ = _dataset(self.path, self.group, "mask", "biuf")
        except FileFormatError as error:
            self.faults.append(str(error))
            return None
        count = dataset.shape[0] if self.most is None else min(self.most, dataset.shape[0])
        return cast("BoolArray", _Column(dataset, None, 0.0, self.where("mask")).read(0, count))

    def _numbers(self, name: str, factor: _FactorOf, expected: str, *, ndim: int = 1) -> FloatArray | None:
        try:
            most = self.most if ndim == 1 else None
            values, unit = _field(self.path, self.group, name, factor, expected, ndim=ndim, most=most)
        except FileFormatError as error:
            self.faults.append(str(error))
            return None
        self.units.append((name, unit))
        return values


def _squared_factor(unit: str, kind: str) -> tuple[float, float]:
    match = _SQUARED.fullmatch(unit.strip())
    if match is None:
        raise UnitError(
            f"'{unit}' is no unit of {kind} squared; expected such as '{'m' if kind == 'length' else 'rad'}^2'"
        )
    return unit_factor(match[1].strip(), kind)[0] ** 2, 0.0


def _left_out(mask: BoolArray | None, *arrays: FloatArray | None) -> BoolArray:
    """Masked points, and those where an array is not finite."""
    first = next(array for array in arrays if array is not None)
    left_out = np.zeros(len(first), dtype=bool) if mask is None else mask.copy()
    for array in arrays:
        if array is not None:
            left_out |= ~np.isfinite(array)
    return left_out


_FactorOf = Callable[[str], tuple[float, float]]


def _where(path: str | os.PathLike[str], group: Any, name: str) -> str:
    return f"{path}: field '{name_of(group).rstrip('/')}/{name}'"


def _dataset(
    path: str | os.PathLike[str], group: Any, name: str, kinds: str, *, ndim: int = 1
) -> tuple[Any, tuple[int, ...]]:
    """DatasetID in a GroupID whose type is one of these, stored in this file; and its shape.

    With ndim 0 it is one value, (1,) too.
    """
    dataset = _child(group, name)
    if not isinstance(dataset, h5d.DatasetID):
        raise FileFormatError(f"{_where(path, group, name)} is missing; expected {_EXPECTED[ndim][1]}")
    _check_storage(_where(path, group, name), dataset)
    if dataset.dtype.kind not in kinds or ("O" in kinds and h5py.check_string_dtype(dataset.dtype) is None):
        wanted = "numbers" if "f" in kinds else "strings"
        raise FileFormatError(f"{_where(path, group, name)} holds {type_words(dataset.dtype)}; expected {wanted}")
    shape = dataset.shape
    if shape is None or not (len(shape) == ndim or (ndim == 0 and shape == (1,))):
        got = "holds nothing" if shape is None else f"has the shape {shape}"
        raise FileFormatError(f"{_where(path, group, name)} {got}; expected {', '.join(_EXPECTED[ndim][ndim == 0 :])}")
    if math.prod(shape) > _LARGEST:
        raise FileFormatError(f"{_where(path, group, name)} has {math.prod(shape)} points; expected at most {_LARGEST}")
    return dataset, shape


def _check_storage(where: str, dataset: Any) -> None:
    """Refuse what is kept elsewhere, and what claims more than its file can hold."""
    try:
        kind = dataset.dtype
    except LIBRARY as error:
        raise FileFormatError(
            f"{where} is of a type that is not known here ('{own_words(error)}'); expected numbers or strings"
        ) from error
    width = 4 * kind.itemsize if kind.kind == "S" else max(kind.itemsize, 8)  # as it will be held
    _check_room(where, dataset, math.prod(dataset.shape or ()) * width)
    if dataset.get_offset() is not None:  # one block of this file
        return
    layout = dataset.get_create_plist()
    if layout.get_layout() == h5d.VIRTUAL or layout.get_external_count():
        raise FileFormatError(f"{where} is kept in another file; expected the data in this file")
    if layout.get_layout() != h5d.CHUNKED:
        return
    _check_room(where, dataset, math.prod(layout.get_chunk()) * kind.itemsize)
    check_filters(where, layout)


def _check_whole(where: str, dataset: Any) -> None:
    """As `_check_storage`, of a field that is then read whole."""
    _check_storage(where, dataset)
    with field_read(dataset):
        check_chunks(where, dataset)


def _check_room(where: str, dataset: Any, claimed: int) -> None:
    """Refuse what would take far more memory than the file is large."""
    if claimed <= _CLAIMED:
        return
    size = h5i.get_file_id(dataset).get_filesize()
    if claimed > _CLAIMED + _PRESSED * size:
        raise FileFormatError(
            f"{where} claims {claimed} bytes in a file of {size}; expected a file that holds what it declares"
        )


def stored_field(path: str | os.PathLike[str], group: Any, name: str) -> Any:
    """Dataset of an h5py.Group that is stored in this file and holds what it declares; None if there is none.

    Raises
    ------
    FileFormatError
        If it is kept in another file, or claims more than the file can hold.
    """
    dataset = _child(group.id, name)
    if not isinstance(dataset, h5d.DatasetID):
        return None
    _check_whole(_where(path, group.id, name), dataset)
    return h5py.Dataset(dataset)


def read_text(path: str | os.PathLike[str], group: Any, name: str) -> str | None:
    """The one text of a field; None if there is none.

    Raises
    ------
    FileFormatError
        If it is no single text, or as `stored_field` says.
    """
    item = stored_field(path, group, name)
    if item is None:
        return None
    if h5py.check_string_dtype(item.dtype) is None or item.shape not in ((), (1,)):
        raise FileFormatError(f"{_where(path, group.id, name)} is no text; expected one")
    with field_read(item.id):
        return _decoded(np.asarray(item[()], dtype=object).ravel()[0])


#: Of a field with so many dimensions: these, and what is in them.
_EXPECTED: Final = {
    0: ("no dimension", "one value"),
    1: ("one dimension", "a value for each point"),
    2: ("two dimensions", "a row for each point"),
}
_TYPES: Final = {"f": "numbers", "i": "numbers", "u": "numbers", "b": "true and false", "c": "complex numbers"}


def type_words(kind: np.dtype[Any]) -> str:
    """What a field of this type holds, in words."""
    if kind.kind == "S" or h5py.check_string_dtype(kind) is not None:
        return "texts"
    if kind.kind == "O":
        return "references" if h5py.check_ref_dtype(kind) is not None else "lists of any length"
    if kind.names is not None:
        return f"groups of values ({', '.join(kind.names[:5])})"
    return _TYPES.get(kind.kind, "bytes without a meaning" if kind.kind == "V" else f"values of type {kind}")


def _quantity(
    path: str | os.PathLike[str], group: Any, name: str, factor_of: _FactorOf, expected: str, *, ndim: int = 1
) -> tuple[Any, float, float, str]:
    """DatasetID of a field of numbers, factor and offset that bring it to SI units, and its unit."""
    dataset, _ = _dataset(path, group, name, "iuf", ndim=ndim)
    unit = _text(dataset, "units")
    if not unit:
        raise FileFormatError(f"{_where(path, group, name)} has no units; expected a unit of {expected}")
    try:
        return dataset, *factor_of(unit), unit
    except UnitError as error:
        raise FileFormatError(f"{_where(path, group, name)}: units: {error}") from None


def _field(
    path: str | os.PathLike[str],
    group: Any,
    name: str,
    factor_of: _FactorOf,
    expected: str,
    *,
    ndim: int = 1,
    most: int | None = None,
) -> tuple[FloatArray, str]:
    """Numbers of a field in SI units, and its unit."""
    dataset, factor, offset, unit = _quantity(path, group, name, factor_of, expected, ndim=ndim)
    if most is not None and dataset.shape[0] > most:
        return _Column(dataset, factor, offset, _where(path, group, name)).read(0, most), unit
    values = np.empty(dataset.shape)
    if values.size:
        with field_read(dataset):
            check_chunks(_where(path, group, name), dataset)
            dataset.read(h5s.ALL, h5s.ALL, values, h5t.NATIVE_DOUBLE)  # whatever its type, HDF5 converts
    return _in_si(values, factor, offset), unit


def _in_si(values: FloatArray, factor: float, offset: float) -> FloatArray:
    if factor != 1:
        with np.errstate(over="ignore"):  # an infinite value is treated like any other that is not finite
            values = to_si(values, factor)
    return values + offset if offset else values


class _Column:
    """A field that is read in parts: numbers in SI units, or with no factor strings or a mask."""

    def __init__(self, dataset: Any, factor: float | None, offset: float, where: str) -> None:
        self.dataset = dataset  # DatasetID
        self.factor = factor
        self.offset = offset
        self.where = where  # for messages

    def __len__(self) -> int:
        return int(self.dataset.shape[0])

    def read(self, start: int, stop: int) -> Any:
        """Values `start` to `stop - 1`."""
        if self.factor is None and self.dataset.dtype.kind not in "biuf":
            return _texts_of(self.dataset, start, stop, self.where)
        with field_read(self.dataset):
            check_chunks(self.where, self.dataset, start, stop)
            if self.factor is None:
                return h5py.Dataset(self.dataset)[start:stop] != 0
            values = np.empty(stop - start)
            place = self.dataset.get_space()
            place.select_hyperslab((start,), (stop - start,))
            self.dataset.read(h5s.create_simple(values.shape), place, values, h5t.NATIVE_DOUBLE)
            return _in_si(values, self.factor, self.offset)


def read_field(path: str | os.PathLike[str], group: Any, name: str, kind: str) -> FloatArray:
    """Numbers of a field in SI units, shape (N,).

    Parameters
    ----------
    path : path
        Of the file, for messages.
    group : h5py.Group
        Group that holds the field.
    name : str
        Name of the field.
    kind : str
        One of `ellipsefit.units.KINDS`.

    Raises
    ------
    FileFormatError
        If the field is missing, not numeric, not one-dimensional, or its `units` are missing or wrong.
    """
    return _field(path, group.id, name, lambda unit: unit_factor(unit, kind), kind)[0]


def read_strings(path: str | os.PathLike[str], group: Any, name: str) -> np.ndarray[tuple[int], np.dtype[np.str_]]:
    """Strings of a field, shape (N,).

    Raises
    ------
    FileFormatError
        If the field is missing, holds no strings or is not one-dimensional.
    """
    return _strings(path, group.id, name)


def _strings(
    path: str | os.PathLike[str], group: Any, name: str, most: int | None = None
) -> np.ndarray[tuple[int], np.dtype[np.str_]]:
    dataset, shape = _dataset(path, group, name, "SO")
    return _texts_of(dataset, 0, shape[0] if most is None else min(most, shape[0]), _where(path, group, name))


def _texts_of(dataset: Any, start: int, stop: int, where: str) -> np.ndarray[tuple[int], np.dtype[np.str_]]:
    """Texts `start` to `stop - 1` of a field."""
    field = h5py.Dataset(dataset)
    with field_read(dataset):
        check_chunks(where, dataset, start, stop)
        if dataset.dtype.kind != "O":
            return _text_array(field[start:stop])
        texts: list[str] = []
        longest = 0
        for first in range(start, stop, _BLOCK):
            texts += [_decoded(item) for item in field[first : min(first + _BLOCK, stop)].tolist()]
            longest = max(longest, *map(len, texts[first - start :]))
            _check_room(where, dataset, 4 * longest * len(texts))
        _check_room(where, dataset, 4 * longest * (stop - start))
        return np.array(texts, dtype=np.str_)


def _text_array(raw: npt.NDArray[Any]) -> np.ndarray[tuple[int], np.dtype[np.str_]]:
    try:
        return cast("np.ndarray[tuple[int], np.dtype[np.str_]]", raw.astype(np.str_))  # fast, for ASCII
    except UnicodeDecodeError:
        return cast("np.ndarray[tuple[int], np.dtype[np.str_]]", np.char.decode(raw, "utf-8"))


#: Strings of any length in memory: numpy's type and HDF5's, by character set.
_VARIABLE: Final = {
    charset: (dtype, h5t.py_create(dtype))
    for charset, dtype in ((h5t.CSET_ASCII, h5py.string_dtype("ascii")), (h5t.CSET_UTF8, h5py.string_dtype("utf-8")))
}


def text_attribute(item: Any, name: str) -> str | None:
    """Attribute as text; None if there is none or it is not one text."""
    return _text(item.id, name)


def _text(item: Any, name: str) -> str | None:
    """As `text_attribute`, of a low-level object."""
    try:
        return _attribute_text(item, name.encode())
    except LIBRARY as error:
        raise DamageError(f"attribute '{name}' of '{name_of(item)}'") from error


def _attribute_text(item: Any, key: bytes) -> str | None:
    if not h5a.exists(item, key):
        return None
    attribute = h5a.open(item, key)
    kind, space = attribute.get_type(), attribute.get_space()
    if kind.get_class() != h5t.STRING or space.get_simple_extent_npoints() != 1:
        return None
    if kind.get_size() > _CLAIMED:
        return None
    # with the type of the memory at hand, reading costs half; what is fixed in length HDF5 converts from any padding
    dtype, memory = _VARIABLE[kind.get_cset()] if kind.is_variable_str() else (f"S{kind.get_size()}", None)
    value = np.empty((1,) * space.get_simple_extent_ndims(), dtype)
    attribute.read(value, memory)
    first = value.item()
    return _decoded(first) if isinstance(first, str | bytes) else None


def _texts(item: Any, name: str) -> list[str]:
    """Attribute as a list of texts; what is no text is left out."""
    value = item.attrs.get(name)
    items = [value] if isinstance(value, str | bytes) else np.atleast_1d(np.asarray(value, dtype=object)).ravel()
    return [_decoded(item) for item in items if isinstance(item, str | bytes)]


def _decoded(item: str | bytes) -> str:
    return item.decode("utf-8") if isinstance(item, bytes) else item


# writing


def write_profile(
    profile: Profile,
    path: str | os.PathLike[str],
    *,
    settings: Mapping[str, str] | None = None,
    force: bool = False,
) -> None:
    """Write a profile as HDF5 by the NeXus standard; it reads back to the same numbers.

    `settings`, of the step that made it, are kept in the NXprocess.

    Raises
    ------
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    with new_file(path, force=force) as temporary, h5py.File(temporary, "w") as file:
        start_root(file, default="profile")
        entry = new_entry(file, "profile", title=profile.name)
        write_profile_data(entry, "data", profile)
        write_process(entry, settings)


def write_profile_data(entry: Any, name: str, profile: Profile) -> Any:
    """Write a profile as NXdata into an NXentry and make it the entry's default; returns the group."""
    signal, unit = profile.quantity, _SI[profile.quantity]
    data = new_data(entry, name, signal=signal, axes=("x",))
    data.attrs["frame"] = profile.frame
    write_field(data, "x", profile.x, units="m")
    write_field(data, signal, profile.values, units=unit)
    factor = profile.covariance_factor
    if profile.sigma is not None:
        marginal = profile.sigma
        if factor is not None:
            marginal = np.sqrt(profile.sigma**2 + np.sum(factor**2, axis=1))
            write_field(data, "covariance_diagonal", profile.sigma**2, units=f"{unit}^2")
        write_field(data, f"{signal}_errors", marginal, units=unit)
    if factor is not None:
        write_field(data, "covariance_factor", factor, units=unit)
    if profile.y is not None:
        write_field(data, "y", profile.y, units="m")
        data.attrs["y_indices"] = 0
    if profile.segment is not None:
        write_field(data, "segment", profile.segment)
    if profile.mask is not None:
        write_field(data, "mask", profile.mask)
    if profile.mask_reason is not None:
        write_field(data, "mask_reason", profile.mask_reason)
    return data


def write_scans(scans: Sequence[Scan], path: str | os.PathLike[str], *, force: bool = False) -> None:
    """Write raw scans as HDF5 by the NeXus standard, one NXentry each; they read back the same, in order.

    Raises
    ------
    ParameterError
        If there is no scan, or a name stands twice or cannot be the name of an entry.
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    if not scans:
        raise ParameterError(f"{path}: no scan to write; expected at least one")
    names: set[str] = set()
    for scan in scans:
        if scan.name in ("", ".") or "/" in scan.name or "\0" in scan.name:
            raise ParameterError(f"{path}: a scan is named {scan.name!r}; expected a name without '/', not '' or '.'")
        if scan.name in names:
            raise ParameterError(f"{path}: two scans are named '{scan.name}'; expected each name once")
        names.add(scan.name)
    # track_order: the file keeps the order of the scans, whatever their names
    with new_file(path, force=force) as temporary, h5py.File(temporary, "w", track_order=True) as file:
        start_root(file, default=scans[0].name)
        for scan in scans:
            _write_scan(new_entry(file, scan.name, title=scan.name), scan)


def _write_scan(entry: Any, scan: Scan) -> None:
    signal, unit = scan.quantity, _SI[scan.quantity]
    for name in ("direction", "orientation"):
        text = getattr(scan, name)
        if text is not None:
            write_text(entry, name, text)
    if scan.angle is not None and scan.angle_stderr is not None:
        write_field(entry, "angle", scan.angle, units="rad")
        write_field(entry, "angle_errors", scan.angle_stderr, units="rad")
    data = new_data(entry, "data", signal=signal, axes=("x",))
    write_field(data, "x", scan.x, units="m")
    write_field(data, signal, scan.values, units=unit)
    optional = ((f"{signal}_errors", scan.sigma, unit), ("carriage", scan.carriage, "m"), ("time", scan.time, "s"))
    for name, array, units in (*optional, ("temperature", scan.temperature, "K")):
        if array is not None:
            write_field(data, name, array, units=units)
    if scan.segment is not None:
        write_field(data, "segment", scan.segment)


def start_root(file: Any, *, default: str) -> None:
    """Attributes of the root: its class, what to show, and who wrote it."""
    file.attrs["NX_class"] = "NXroot"
    file.attrs["default"] = default
    file.attrs["creator"] = "ellipsefit"
    file.attrs["file_time"] = _now()


def new_group(parent: Any, name: str, nx_class: str) -> Any:
    """New group of a NeXus class."""
    group = parent.create_group(name)
    group.attrs["NX_class"] = nx_class
    return group


def new_entry(file: Any, name: str, *, title: str, default: str | None = None) -> Any:
    """New NXentry with a title; `default` names the NXdata to show, by default the first one written."""
    entry = new_group(file, name, "NXentry")
    write_text(entry, "title", title)
    if default is not None:
        entry.attrs["default"] = default
    return entry


def new_data(entry: Any, name: str, *, signal: str, axes: Sequence[str]) -> Any:
    """New NXdata with its signal and axes (axis i along dimension i); the entry's default if it has none yet."""
    data = new_group(entry, name, "NXdata")
    data.attrs["signal"] = signal
    data.attrs["axes"] = list(axes) if len(axes) > 1 else axes[0]
    for dimension, axis in enumerate(axes):
        data.attrs[f"{axis}_indices"] = dimension
    if "default" not in entry.attrs:
        entry.attrs["default"] = name
    return data


def write_field(group: Any, name: str, values: npt.ArrayLike, *, units: str | None = None) -> Any:
    """Write an array, with `units` if it is a quantity; strings become UTF-8, booleans 0 and 1."""
    array = np.asarray(values)
    if array.dtype.kind in "US":
        encoded = np.char.encode(array, "utf-8") if array.dtype.kind == "U" else array
        kind = h5py.string_dtype("utf-8", max(encoded.dtype.itemsize, 1))
        return group.create_dataset(name, data=encoded.astype(kind))
    dataset = group.create_dataset(name, data=array.astype(np.uint8) if array.dtype.kind == "b" else array)
    if units is not None:
        dataset.attrs["units"] = units
    return dataset


def write_text(group: Any, name: str, text: str) -> Any:
    """Write one string."""
    return group.create_dataset(name, data=text, dtype=h5py.string_dtype("utf-8"))


def write_process(entry: Any, settings: Mapping[str, str] | None = None, *, name: str = "process") -> Any:
    """Write an NXprocess: program, version, date, and each setting as text in an NXcollection."""
    process = new_group(entry, name, "NXprocess")
    write_text(process, "program", "ellipsefit")
    write_text(process, "version", _version())
    write_text(process, "date", _now())
    if settings:
        collection = new_group(process, "settings", "NXcollection")
        for key, value in settings.items():
            write_text(collection, key, value)
    return process


def _version() -> str:
    try:
        return metadata.version("ellipsefit")
    except metadata.PackageNotFoundError:
        return "unknown: run without installation"


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
