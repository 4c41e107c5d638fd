"""Profiles and scans read whole from HDF5, each in a process apart."""

from __future__ import annotations

import os
from typing import Any, Final, cast

import h5py
import numpy as np
from h5py import h5g, h5l

from ellipsefit.errors import FileFormatError
from ellipsefit.files.apart import read_apart
from ellipsefit.files.damage import damage_told
from ellipsefit.files.heaps import check_heaps
from ellipsefit.files.nexus.finding import NexusContent, has_scans, measured_data
from ellipsefit.files.nexus.opening import child_of, open_nexus, refuse_strange_links
from ellipsefit.files.nexus.profiles import profile_content
from ellipsefit.files.nexus.scans import scans_content
from ellipsefit.files.safe import existing_file
from ellipsefit.profile import Profile
from ellipsefit.scan import Scan


@read_apart
def read_nexus_profile(path: str | os.PathLike[str]) -> Profile:
    """Profile from an HDF5 file by the NeXus standard.

    Taken is the NXdata to which the `default` chain leads if it says that it is a profile (attribute
    `frame`), else the only one whose signal is height or slope. Values that are not finite are masked.

    Parameters
    ----------
    path : path
        File with an NXdata of `signal` height or slope, `axes` x (or fields marked so, see `nexus.marks`), each
        numeric field with `units`; optional `<signal>_errors`, `segment`, `mask`, `y` and the attribute `frame`.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    FileFormatError
        For the first fault; the text names file, field and what was expected.
    """
    with open_nexus(path) as file:
        found = profile_content(path, file, measured_data(file))
    return cast("Profile", _or_first_fault(found))


@read_apart
def read_nexus_scans(path: str | os.PathLike[str]) -> tuple[Scan, ...]:
    """Raw scans from an HDF5 file by the NeXus standard, in file order.

    Every NXdata whose signal is height or slope is a scan, named as its NXentry; a profile (attribute
    `frame`) is none. File order is the order of creation where the file keeps it, else that of the names.

    Parameters
    ----------
    path : path
        File with an NXdata as for `read_nexus_profile`; optional `<signal>_errors`, `carriage`, `time`,
        `temperature`, `segment`, `mask` (masked values become NaN), and in the NXentry `direction`, `orientation`,
        `angle` with `angle_errors`.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    FileFormatError
        For the first fault; the text names file, field and what was expected.
    """
    with open_nexus(path) as file:
        found = scans_content(path, file, measured_data(file))
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
            candidates = measured_data(file)
            if has_scans(file, candidates):
                return scans_content(path, file, candidates, most=most)
            return profile_content(path, file, candidates)
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
                entry = child_of(file.id, name)
                if isinstance(entry, h5g.GroupID):
                    refuse_strange_links(h5py.Group(entry), path)
            raw = measured_data(file, picked)
            if len(raw) < _LOOKED or any(one.framed for one in raw):
                return None
            found = scans_content(path, file, raw, most=most)
            some = found.looked.partition(" ")[0] if found.looked else str(len(raw))
            looked = f"{some} of {len(names)} entries, evenly from the first to the last"
            return found._replace(scans=len(names), looked=looked)
    except FileFormatError as error:
        return NexusContent("unknown", None, (str(error),), 0, ())


def _or_first_fault(found: NexusContent) -> Profile | tuple[Scan, ...]:
    if found.content is None:
        raise FileFormatError(found.faults[0])
    return found.content


def _measured_content(path: str | os.PathLike[str], file: Any) -> NexusContent:
    candidates = measured_data(file)
    content = scans_content if has_scans(file, candidates) else profile_content
    return content(path, file, candidates)
