"""The scans that a file holds, one for each NXdata."""

from __future__ import annotations

import math
import os
from collections import Counter
from collections.abc import Sequence
from typing import Any, Final, cast, get_args

import numpy as np
from h5py import h5d

from ellipsefit.errors import ParameterError
from ellipsefit.files.nexus.collected import Fields
from ellipsefit.files.nexus.finding import Measured, NexusContent, nothing_measured
from ellipsefit.files.nexus.marks import KINDS
from ellipsefit.files.nexus.opening import child_of
from ellipsefit.scan import Orientation, Scan, ScanDirection

#: Fields of a scan besides x and its signal: kind of quantity.
_ALONG: Final = {"carriage": "length", "time": "time", "temperature": "temperature"}


def scans_content(
    path: str | os.PathLike[str], file: Any, candidates: Sequence[Measured], *, most: int | None = None
) -> NexusContent:
    """The scans of a file, or everything that is wrong with them; of some alone beyond `most` points."""
    raw = [one for one in candidates if not one.framed]
    if not raw:
        fault = f"{path}: holds a profile; expected raw scans" if candidates else nothing_measured(path, file)
        return NexusContent("unknown", None, (fault,), 0, ())
    entries = [one.entry for one in raw]
    several = {name for name in entries if entries.count(name) > 1} if len(set(entries)) < len(entries) else set()
    faults: list[str] = []
    units: dict[tuple[str, str], None] = {}  # a set that keeps the order
    scans = []
    some: Sequence[Measured] = raw
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
    content = None if faults else tuple(scans)
    return NexusContent("scans", content, tuple(faults), len(raw), tuple(units), looked, _older(some))


def _older(some: Sequence[Measured]) -> str | None:
    """How the fields of scans say what they are, and of how many; None: the groups of all do."""
    found = Counter(one.marks.older for one in some if one.marks.older)
    return "; ".join(f"{how}{f' ({n} of {len(some)})' * (n < len(some))}" for how, n in found.items()) or None


def _some_of(file: Any, raw: Sequence[Measured], most: int) -> tuple[Sequence[Measured], int | None, str | None]:
    """Scans that lie evenly from the first to the last, how many points of each, and that in words."""
    longest = max(_points_of(file, raw[place]) for place in {0, len(raw) // 2, len(raw) - 1})
    count = min(len(raw), max(most // max(longest, 1), 1))
    points = None if longest <= most else most
    if count == len(raw) and points is None:
        return raw, None, None
    places = sorted({round(place) for place in np.linspace(0, len(raw) - 1, count)})
    what = f"{len(places)} of {len(raw)} scans, evenly from the first to the last" if len(raw) > 1 else "one scan"
    return [raw[place] for place in places], points, what + (f", {most} points of each" if points else "")


def _points_of(file: Any, one: Measured) -> int:
    dataset = child_of(one.data_id(file), one.quantity)
    shape = dataset.shape if isinstance(dataset, h5d.DatasetID) else None
    return int(math.prod(shape)) if shape else 0


def _scan(
    path: str | os.PathLike[str],
    file: Any,
    one: Measured,
    name: str,
    faults: list[str],
    units: list[tuple[str, str]],
    most: int | None = None,
) -> Scan | None:
    quantity, kind = one.quantity, KINDS[one.quantity]
    reader = Fields(path, one.data_id(file), faults, units, most)
    reader.check_marks(one.marks)
    x, values = reader.numbers("x", "length"), reader.numbers(quantity, kind)
    errors = reader.errors_of(quantity)
    sigma = reader.optional(errors, kind)
    along = {key: reader.optional(key, kind) for key, kind in _ALONG.items()}
    segment, mask = reader.strings("segment"), reader.mask()
    entry = Fields(path, one.entry_id(file), faults, units)
    direction = entry.choice("direction", get_args(ScanDirection))
    orientation = entry.choice("orientation", get_args(Orientation))
    angle, angle_stderr = entry.number("angle", "angle"), entry.number("angle_errors", "angle")
    for key, other in (("angle", "angle_errors"), ("angle_errors", "angle")):
        if key in entry.names and other not in entry.names:
            faults.append(f"{entry.where(other)} is missing; expected it beside '{key}'")
    if faults or x is None or values is None:
        return None
    reader.check_lengths(quantity, values, {"x": x, errors: sigma, **along, "segment": segment, "mask": mask})
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
