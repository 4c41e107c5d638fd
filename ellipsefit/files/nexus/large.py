"""Profiles that stay in their HDF5 file and are read in parts."""

from __future__ import annotations

import os
from pathlib import Path
from typing import cast

import h5py
import numpy as np
from h5py import h5d

from ellipsefit.errors import FileFormatError, FileMissingError
from ellipsefit.files.apart import read_apart
from ellipsefit.files.damage import damage_told
from ellipsefit.files.heaps import check_heaps
from ellipsefit.files.nexus.collected import Fields
from ellipsefit.files.nexus.fields import CACHE
from ellipsefit.files.nexus.finding import chosen_data, holds_scans, measured_data
from ellipsefit.files.nexus.marks import KINDS, marks_of
from ellipsefit.files.nexus.opening import refuse_strange_links
from ellipsefit.files.nexus.profiles import frame_of, no_sigma, points_left_out
from ellipsefit.files.nexus.reading import read_nexus_profile
from ellipsefit.files.safe import existing_file
from ellipsefit.profile import Profile, Quantity


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
            self._file = h5py.File(place, "r", rdcc_nbytes=CACHE)
            try:
                refuse_strange_links(self._file, path)
                data = chosen_data(path, self._file, measured_data(self._file))
                self.marks = marks_of(data.id)
                self.quantity = cast("Quantity", self.marks.signal)
                self._reader = reader = Fields(path, data.id, faults, [])
                self._errors = reader.errors_of(self.quantity)
                reader.check_marks(self.marks)
                kinds = {"x": "length", self.quantity: KINDS[self.quantity], self._errors: KINDS[self.quantity]}
                needed = ["x", self.quantity, *({self._errors, "segment", "mask"} & reader.names)]
                columns = {name: reader.column(name, kinds.get(name)) for name in needed}
                self.frame = frame_of(path, data, faults)
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

    def _check_unchanged(self) -> None:
        if _state(Path(self.path)) != self._state:
            raise FileFormatError(
                f"{self.path}: was changed while it was read; expected it to stay as it is, run again"
            )

    def part(self, start: int, stop: int, *, names: bool = True) -> Profile:
        """Points `start` to `stop - 1`; without `names`, those of segments are not read."""
        if not self._file:
            raise FileMissingError(f"{self.path}: is closed; expected the profile to stay open while it is read")
        self._check_unchanged()  # chunks that were whole once are not looked at again
        with damage_told(self.path):
            read = {
                name: column.read(start, stop) for name, column in self._columns.items() if names or name != "segment"
            }
        self._check_unchanged()  # what a file has lost HDF5 reads as zeros
        x, values, sigma = read["x"], read[self.quantity], read.get(self._errors)
        left_out = points_left_out(read.get("mask"), x, values, sigma)
        if sigma is not None:
            wrong = np.flatnonzero(~left_out & ~(sigma > 0))
            if len(wrong):
                raise FileFormatError(no_sigma(self._reader.where(self._errors), sigma[wrong[0]], start + wrong[0]))
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
