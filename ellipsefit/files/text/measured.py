"""From a table to a profile or a scan: points that are left out, and what each number must be."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from ellipsefit.arrays import BoolArray, FloatArray
from ellipsefit.errors import ParameterError
from ellipsefit.files.text.faults import Faults
from ellipsefit.files.text.meaning import Meaning
from ellipsefit.files.text.table import Table
from ellipsefit.profile import Profile, Quantity
from ellipsefit.scan import Scan
from ellipsefit.units import to_si


def measured_of(table: Table, meaning: Meaning, faults: Faults) -> Profile | Scan | None:
    """What was measured, from a table without faults; None: the faults say now why not."""
    quantity, left_out = meaning.quantity, _left_out(table, faults)
    if faults or quantity is None:
        return None
    with np.errstate(over="ignore"):  # an infinite value is told as such below
        found: dict[str, FloatArray] = {
            name: to_si(table.columns[name], factor) + offset for name, (factor, offset) in meaning.conversions.items()
        }
    make = _scan if meaning.is_scan else _profile
    try:
        return make(found, left_out, quantity, table, faults)
    except ParameterError as error:
        faults.add("whole", "", "", str(error))
        return None


def _scan(
    found: Mapping[str, FloatArray], left_out: BoolArray | None, quantity: Quantity, table: Table, faults: Faults
) -> Scan | None:
    """A scan: its values may be what they are, and are none where they are left out; all else is finite."""
    checked = {name: numbers for name, numbers in found.items() if name not in (quantity, "y")}
    finite = _finite(checked)
    _check_finite(checked, table, "", faults)
    _check_sigma(finite, found, table, faults)
    if faults:
        return None
    values = found[quantity]
    return Scan(
        name=Path(faults.path).stem,
        quantity=quantity,
        x=found["x"],
        values=values if left_out is None else np.where(left_out, np.nan, values),
        sigma=found.get("sigma"),
        carriage=found.get("carriage"),
        time=found.get("time"),
        temperature=found.get("temperature"),
        segment=table.columns.get("segment"),
    )


def _profile(
    found: Mapping[str, FloatArray], left_out: BoolArray | None, quantity: Quantity, table: Table, faults: Faults
) -> Profile | None:
    """A profile: all of it is finite, or left out by its mask."""
    used = _finite(found)
    if left_out is None:
        _check_finite(found, table, ", or a column 'mask' that leaves the point out", faults)
    else:
        used &= ~left_out
    _check_sigma(used, found, table, faults)
    if faults:
        return None
    return Profile(
        name=Path(faults.path).name,
        quantity=quantity,
        x=found["x"],
        values=found[quantity],
        sigma=found.get("sigma"),
        segment=table.columns.get("segment"),
        y=found.get("y"),
        mask=None if left_out is None else ~used,
    )


def _left_out(table: Table, faults: Faults) -> BoolArray | None:
    """Points that a column 'mask' leaves out; None: there is none, or a faulty one."""
    mask = table.columns.get("mask")
    if mask is None:
        return None
    wrong = np.flatnonzero(~np.isfinite(mask))
    if len(wrong):
        text = f"column 'mask': expected 0 (in use) or 1 (left out); got {mask[wrong[0]]}"
        faults.add("mask", "mask", table.place(int(wrong[0])), text, len(wrong))
        return None
    left_out: BoolArray = mask != 0
    return left_out


def _finite(found: Mapping[str, FloatArray]) -> BoolArray:
    """Points at which every number is finite."""
    finite: BoolArray = np.logical_and.reduce([np.isfinite(numbers) for numbers in found.values()])
    return finite


def _check_finite(found: Mapping[str, FloatArray], table: Table, excuse: str, faults: Faults) -> None:
    for name, numbers in found.items():
        wrong = np.flatnonzero(~np.isfinite(numbers))
        if len(wrong):
            text = f"column '{name}' is {numbers[wrong[0]]}; expected a finite number{excuse}"
            faults.add("finite", name, table.place(int(wrong[0])), text, len(wrong))


def _check_sigma(used: BoolArray, found: Mapping[str, FloatArray], table: Table, faults: Faults) -> None:
    if "sigma" not in found:
        return
    wrong = np.flatnonzero(used & ~(found["sigma"] > 0))
    if len(wrong):
        text = f"column 'sigma' is {table.columns['sigma'][wrong[0]]:g}; expected a standard uncertainty above 0"
        faults.add("sigma", "sigma", table.place(int(wrong[0])), text, len(wrong))
