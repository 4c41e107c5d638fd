"""Which field of an NXdata is its signal, and which is the axis.

Today attributes `signal` and `axes` of the group say so. In files of the older style the fields do (from memory: NeXus
manual, 'Associating plottable data using attributes applied to the data field', and by dimension number 'using the
axis attribute'): the signal has signal=1, and it names its axes ('x', 'x:y' or '[x,y]'), or these have axis=1, 2 ...
for the dimension and, where several could be meant, one has primary=1. Numbers may be written as texts.
"""

from __future__ import annotations

import re
from typing import Any, Final, NamedTuple

import h5py
import numpy as np
from h5py import h5a, h5d, h5t

from ellipsefit.files.damage import LIBRARY, DamageError, name_of
from ellipsefit.files.nexus.opening import child_of
from ellipsefit.files.nexus.texts import decoded, low_text, texts_of_attribute

#: Signals that are measured, and the kind of quantity that they are.
KINDS: Final = {"height": "length", "slope": "angle"}


class Marks(NamedTuple):
    """What an NXdata says of its signal and axis."""

    signal: str | None  # name of the field; None: none is said
    faults: tuple[str, ...] = ()  # of a signal that is measured
    older: str | None = None  # how the fields say it; None: the group does


def marks_of(group: Any) -> Marks:
    """Signal and axis of a GroupID; the axis must be x."""
    try:
        today = h5a.exists(group, b"signal")
    except LIBRARY as error:
        raise DamageError(f"attribute 'signal' of '{name_of(group)}'") from error
    if not today:
        return _marks_of_fields(group)
    signal = low_text(group, "signal")
    if signal not in KINDS or low_text(group, "axes") == "x":
        return Marks(signal)
    return Marks(signal, (_wrong_axes(group, texts_of_attribute(h5py.Group(group), "axes")),))


def _marks_of_fields(group: Any) -> Marks:
    signals, along, primary = [], [], []
    for key in group:
        field = child_of(group, key)
        if not isinstance(field, h5d.DatasetID):
            continue
        name = decoded(key)
        if _is_one(field, "signal"):
            signals.append(name)
        if _is_one(field, "axis"):
            along.append(name)
            if _is_one(field, "primary"):
                primary.append(name)
    signal = next((name for name in signals if name in KINDS), signals[0] if signals else None)
    if signal not in KINDS:
        return Marks(signal)
    faults = []
    if len(signals) > 1:
        faults.append(f"NXdata '{name_of(group)}' has signal=1 at {_shown(signals)}; expected it at one field")
    named = {
        f"axes of '{signal}'": _axes_named_by(h5py.Dataset(child_of(group, signal))),
        "axes of the group": _axes_named_by(h5py.Group(group)),
        "axis=1": primary or along,
    }
    told = {how: names for how, names in named.items() if names}
    if len(told) > 1 and "x" in named["axis=1"]:
        told["axis=1"] = ["x"]  # of several, axes tell which
    faults += _faults_of_axes(group, told, "primary=1" if primary else "axis=1")
    how = " and ".join(told)
    return Marks(signal, tuple(faults), f"'{signal}' by signal=1, 'x' by {how}: marks on the fields, as of older NeXus")


def _faults_of_axes(group: Any, told: dict[str, list[str]], mark: str) -> list[str]:
    """What is wrong with the axes that each kind of mark tells."""
    ways = list(told.values())
    if ways and all(names == ["x"] for names in ways):
        return []
    if any(names != ways[0] for names in ways):
        found = ", but ".join(f"{_shown(names)} by {how}" for how, names in told.items())
        return [f"NXdata '{name_of(group)}' has the axes {found}; expected 'x' by each"]
    if list(told) == ["axis=1"] and len(ways[0]) > 1:
        return [f"NXdata '{name_of(group)}' has {mark} at {_shown(ways[0])}; expected it at 'x' alone"]
    return [_wrong_axes(group, ways[0] if ways else [])]


def _wrong_axes(group: Any, axes: list[str]) -> str:
    return f"NXdata '{name_of(group)}' has the axes {_shown(axes)}; expected 'x'"


def _axes_named_by(item: Any) -> list[str]:
    """Axes that a signal or its group names, the slowest dimension first."""
    parts = [part for text in texts_of_attribute(item, "axes") for part in re.split("[:,]", text.strip().strip("[]"))]
    return [name for part in parts if (name := part.strip())]


def _is_one(field: Any, name: str) -> bool:
    """Whether an attribute of a DatasetID is 1, as a number or as a text."""
    text = low_text(field, name)
    if text is not None:
        return text.strip() == "1"
    try:
        if not h5a.exists(field, name.encode()):
            return False
        attribute = h5a.open(field, name.encode())
        space = attribute.get_space()
        if attribute.get_type().get_class() not in (h5t.INTEGER, h5t.FLOAT) or space.get_simple_extent_npoints() != 1:
            return False
        value = np.empty((1,) * space.get_simple_extent_ndims())
        attribute.read(value)
    except LIBRARY as error:
        raise DamageError(f"attribute '{name}' of '{name_of(field)}'") from error
    return bool(value.item() == 1)


def _shown(names: list[str]) -> str:
    return ", ".join([repr(name[:40]) for name in names[:4]] + ["..."] * (len(names) > 4)) or "none"
