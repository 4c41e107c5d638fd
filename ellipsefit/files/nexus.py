"""Profiles as HDF5 by the NeXus standard (https://manual.nexusformat.org): NXentry, NXdata, NXprocess.

The helpers that write a group or a field serve every other file of that family.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any, Final, NamedTuple, cast, get_args

import h5py
import numpy as np
import numpy.typing as npt

from ellipsefit.arrays import BoolArray, FloatArray
from ellipsefit.errors import EllipsefitError, FileFormatError, ParameterError, UnitError
from ellipsefit.files.safe import existing_file, new_file
from ellipsefit.profile import Frame, Profile, Quantity
from ellipsefit.units import to_si, unit_factor

_KINDS: Final = {"height": "length", "slope": "angle"}
_SI: Final = {"height": "m", "slope": "rad"}
_LARGEST: Final = 500_000_000  # points; a damaged file may claim any number


class NexusContent(NamedTuple):
    """What an HDF5 file holds: a profile or faults, and its units."""

    profile: Profile | None
    faults: tuple[str, ...]
    scans: int
    units: tuple[tuple[str, str], ...]


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
    try:
        with h5py.File(place, "r") as file:
            _refuse_external_links(file, path)
            yield file
    except EllipsefitError:
        raise
    except (OSError, RuntimeError, KeyError, ValueError, TypeError, SystemError) as error:
        # any of these comes out of h5py for one damaged file or another; the cause stays attached
        reason = str(error)
        if "truncated" in reason:
            raise FileFormatError(f"{path}: is a truncated HDF5 file; expected it whole, copy it again") from error
        raise FileFormatError(
            f"{path}: cannot be read as HDF5: {reason.splitlines()[0] if reason else 'damaged'}"
        ) from error


def _refuse_external_links(file: Any, path: str | os.PathLike[str]) -> None:
    def outside(name: str, link: Any) -> tuple[str, Any] | None:
        return (name, link) if isinstance(link, h5py.ExternalLink) else None

    # the visitor ends at the first result; it must not raise, HDF5 calls it from C
    found = file.visititems_links(outside)
    if found is not None:
        name, link = found
        raise FileFormatError(
            f"{path}: '{name}' is a link to another file ('{link.filename}'); expected the data in this file"
        )


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
    content = examine_nexus_profile(path)
    if content.profile is None:
        raise FileFormatError(content.faults[0])
    return content.profile


def examine_nexus_profile(path: str | os.PathLike[str]) -> NexusContent:
    """Profile in an HDF5 file, or everything that is wrong with it.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    """
    scans = 0
    try:
        with open_nexus(path) as file:
            candidates = _measured_data(file)
            scans = len(candidates)
            return _content(path, _chosen(path, file, candidates), scans)
    except FileFormatError as error:  # what ends the reading
        return NexusContent(None, (str(error),), scans, ())


def _groups(parent: Any, nx_class: str) -> list[Any]:
    groups = (parent.get(name) for name in parent)  # get: None for a link that leads nowhere
    return [
        group for group in groups if isinstance(group, h5py.Group) and text_attribute(group, "NX_class") == nx_class
    ]


def _measured_data(file: Any) -> list[Any]:
    return [
        data
        for entry in _groups(file, "NXentry")
        for data in _groups(entry, "NXdata")
        if text_attribute(data, "signal") in _KINDS
    ]


def _chosen(path: str | os.PathLike[str], file: Any, candidates: Sequence[Any]) -> Any:
    default = _default(file)
    # a profile says in which frame it is, a raw scan does not: the default of many scans is only for viewing
    if default is not None and text_attribute(default, "signal") in _KINDS and "frame" in default.attrs:
        return default
    if len(candidates) == 1:
        return candidates[0]
    if candidates:
        raise FileFormatError(f"{path}: holds {len(candidates)} scans; expected one profile: stitch them first")
    entries = _groups(file, "NXentry")
    if not entries:
        raise FileFormatError(f"{path}: has no NXentry; expected HDF5 by the NeXus standard")
    data = [group for entry in entries for group in _groups(entry, "NXdata")]
    if not data:
        raise FileFormatError(f"{path}: has no NXdata; expected one whose signal is height or slope")
    signal = text_attribute(data[0], "signal")
    got = f"the signal '{signal}'" if signal else "no signal"
    raise FileFormatError(f"{path}: NXdata '{data[0].name}' has {got}; expected height or slope")


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


def _content(path: str | os.PathLike[str], data: Any, scans: int) -> NexusContent:
    quantity = cast("Quantity", text_attribute(data, "signal"))
    faults: list[str] = []
    units: list[tuple[str, str]] = []

    def field(name: str, kind: str) -> FloatArray | None:
        try:
            values = read_field(path, data, name, kind)
        except FileFormatError as error:
            faults.append(str(error))
            return None
        units.append((name, text_attribute(data[name], "units") or ""))
        return values

    axes = _texts(data, "axes")
    if axes != ["x"]:
        faults.append(f"{path}: NXdata '{data.name}' has the axes {axes or 'none'}; expected 'x'")
    x = field("x", "length")
    values = field(quantity, _KINDS[quantity])
    errors = f"{quantity}_errors"
    sigma = field(errors, _KINDS[quantity]) if errors in data else None
    y = field("y", "length") if "y" in data else None
    segment = mask = None
    try:
        segment = read_strings(path, data, "segment") if "segment" in data else None
        mask = _dataset(path, data, "mask", "biuf")[()] != 0 if "mask" in data else None
    except FileFormatError as error:
        faults.append(str(error))
    frame = text_attribute(data, "frame") or "scan"
    if frame not in get_args(Frame):
        faults.append(
            f"{path}: attribute 'frame' of '{data.name}' is '{frame}'; expected {' or '.join(get_args(Frame))}"
        )
    if faults or x is None or values is None:
        return NexusContent(None, tuple(faults), scans, tuple(units))
    arrays = {"x": x, errors: sigma, "segment": segment, "mask": mask, "y": y}
    for name, array in arrays.items():
        if array is not None and array.shape != values.shape:
            faults.append(
                f"{path}: field '{data.name}/{name}' has {len(array)} points; expected {len(values)} as '{quantity}'"
            )
    if not len(values):
        faults.append(f"{path}: field '{data.name}/{quantity}' is empty; expected points")
    if faults:
        return NexusContent(None, tuple(faults), scans, tuple(units))
    left_out = _left_out(mask, x, values, sigma, y)
    if sigma is not None:
        wrong = np.flatnonzero(~left_out & ~(sigma > 0))
        if len(wrong):
            faults.append(
                f"{path}: field '{data.name}/{errors}' is {sigma[wrong[0]]:g} at point {wrong[0] + 1}; expected "
                f"standard uncertainties above 0"
            )
            return NexusContent(None, tuple(faults), scans, tuple(units))
    try:
        profile = Profile(
            name=Path(path).name,
            quantity=quantity,
            x=x,
            values=values,
            sigma=sigma,
            segment=segment,
            y=y,
            mask=left_out if mask is not None or left_out.any() else None,
            frame=cast("Frame", frame),
        )
    except ParameterError as error:
        return NexusContent(None, (f"{path}: {error}",), scans, tuple(units))
    return NexusContent(profile, (), scans, tuple(units))


def _left_out(mask: BoolArray | None, *arrays: FloatArray | None) -> BoolArray:
    """Masked points, and those where an array is not finite."""
    first = next(array for array in arrays if array is not None)
    left_out = np.zeros(len(first), dtype=bool) if mask is None else mask.copy()
    for array in arrays:
        if array is not None:
            left_out |= ~np.isfinite(array)
    return left_out


def _dataset(path: str | os.PathLike[str], group: Any, name: str, kinds: str) -> Any:
    """A one-dimensional dataset of the group whose type is one of these, stored in this file."""
    dataset = group.get(name)
    where = f"{path}: field '{group.name}/{name}'"
    if not isinstance(dataset, h5py.Dataset):
        raise FileFormatError(f"{where} is missing; expected one value for each point")
    if dataset.is_virtual or dataset.external:
        raise FileFormatError(f"{where} is kept in another file; expected the data in this file")
    if dataset.dtype.kind not in kinds:
        wanted = "numbers" if "f" in kinds else "strings"
        raise FileFormatError(f"{where} is of type {dataset.dtype}; expected {wanted}")
    if dataset.shape is None or dataset.ndim != 1:
        raise FileFormatError(f"{where} has the shape {dataset.shape}; expected one dimension, a value for each point")
    if dataset.size > _LARGEST:
        raise FileFormatError(f"{where} has {dataset.size} points; expected at most {_LARGEST}")
    return dataset


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
    dataset = _dataset(path, group, name, "iuf")
    unit = text_attribute(dataset, "units")
    where = f"{path}: field '{group.name}/{name}'"
    if not unit:
        raise FileFormatError(f"{where} has no units; expected a unit of {kind}")
    try:
        factor, offset = unit_factor(unit, kind)
    except UnitError as error:
        raise FileFormatError(f"{where}: units: {error}") from None
    with np.errstate(over="ignore"):  # an infinite value is masked like any other
        values: FloatArray = to_si(dataset.astype(np.float64)[()], factor) + offset
    return values


def read_strings(path: str | os.PathLike[str], group: Any, name: str) -> np.ndarray[tuple[int], np.dtype[np.str_]]:
    """Strings of a field, shape (N,).

    Raises
    ------
    FileFormatError
        If the field is missing, holds no strings or is not one-dimensional.
    """
    dataset = _dataset(path, group, name, "SO")
    if h5py.check_string_dtype(dataset.dtype) is None:
        raise FileFormatError(f"{path}: field '{group.name}/{name}' is of type {dataset.dtype}; expected strings")
    raw = dataset[()]
    if raw.dtype.kind == "O":
        return np.array([_decoded(item) for item in raw.tolist()], dtype=np.str_)
    try:
        return cast("np.ndarray[tuple[int], np.dtype[np.str_]]", raw.astype(np.str_))  # fast, for ASCII
    except UnicodeDecodeError:
        return cast("np.ndarray[tuple[int], np.dtype[np.str_]]", np.char.decode(raw, "utf-8"))


def text_attribute(item: Any, name: str) -> str | None:
    """Attribute as text; None if there is none or it is not one text."""
    texts = _texts(item, name)
    return texts[0] if len(texts) == 1 else None


def _texts(item: Any, name: str) -> list[str]:
    """Attribute as a list of texts; what is no text is left out."""
    value = item.attrs.get(name)
    items = [value] if isinstance(value, str | bytes) else np.atleast_1d(np.asarray(value, dtype=object)).ravel()
    return [_decoded(item) for item in items if isinstance(item, str | bytes)]


def _decoded(item: str | bytes) -> str:
    return item.decode("utf-8") if isinstance(item, bytes) else item


# writing


def write_profile(profile: Profile, path: str | os.PathLike[str], *, force: bool = False) -> None:
    """Write a profile as HDF5 by the NeXus standard; it reads back to the same numbers.

    Raises
    ------
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    with new_file(path, force=force) as temporary, h5py.File(temporary, "w") as file:
        start_root(file, default="profile")
        entry = new_entry(file, "profile", title=profile.name)
        write_profile_data(entry, "data", profile)
        write_process(entry)


def write_profile_data(entry: Any, name: str, profile: Profile) -> Any:
    """Write a profile as NXdata into an NXentry and make it the entry's default; returns the group."""
    signal, unit = profile.quantity, _SI[profile.quantity]
    data = new_data(entry, name, signal=signal, axes=("x",))
    data.attrs["frame"] = profile.frame
    write_field(data, "x", profile.x, units="m")
    write_field(data, signal, profile.values, units=unit)
    if profile.sigma is not None:
        write_field(data, f"{signal}_errors", profile.sigma, units=unit)
    if profile.y is not None:
        write_field(data, "y", profile.y, units="m")
        data.attrs["y_indices"] = 0
    if profile.segment is not None:
        write_field(data, "segment", profile.segment)
    if profile.mask is not None:
        write_field(data, "mask", profile.mask)
    return data


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
    if array.dtype.kind == "U":
        encoded = np.char.encode(array, "utf-8")
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
