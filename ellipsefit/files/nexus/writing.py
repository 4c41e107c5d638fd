"""Profiles and scans written as HDF5, and the helpers that write a group or a field of every file of that family."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from importlib import metadata
from typing import Any, Final

import h5py
import numpy as np
import numpy.typing as npt

from ellipsefit.errors import ParameterError
from ellipsefit.files.safe import new_file
from ellipsefit.profile import Profile
from ellipsefit.scan import Scan

_SI: Final = {"height": "m", "slope": "rad"}


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
