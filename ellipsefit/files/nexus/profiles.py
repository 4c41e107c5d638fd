"""The profile that an NXdata holds."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final, cast, get_args

import numpy as np

from ellipsefit.arrays import BoolArray, FloatArray
from ellipsefit.errors import FileFormatError, ParameterError
from ellipsefit.files.nexus.collected import Fields
from ellipsefit.files.nexus.finding import Measured, NexusContent, chosen_data
from ellipsefit.files.nexus.marks import KINDS, Marks, marks_of
from ellipsefit.files.nexus.texts import text_attribute
from ellipsefit.profile import Frame, Profile, Quantity

_NOT_FINITE: Final = "not finite"


def read_profile_data(path: str | os.PathLike[str], data: Any) -> Profile:
    """Profile from one NXdata, as `write_profile_data` wrote it.

    Raises
    ------
    FileFormatError
        For the first fault.
    """
    faults: list[str] = []
    profile = _profile(path, data, marks_of(data.id), faults, [])
    if profile is None or faults:
        raise FileFormatError(faults[0])
    return profile


def profile_content(path: str | os.PathLike[str], file: Any, candidates: Sequence[Measured]) -> NexusContent:
    """The profile of a file, or everything that is wrong with it."""
    try:
        data = chosen_data(path, file, candidates)
    except FileFormatError as error:
        return NexusContent("unknown", None, (str(error),), len(candidates), ())
    faults: list[str] = []
    units: list[tuple[str, str]] = []
    marks = marks_of(data.id)
    profile = _profile(path, data, marks, faults, units)
    found = None if faults else profile
    return NexusContent("profile", found, tuple(faults), len(candidates), tuple(units), older=marks.older)


def _profile(
    path: str | os.PathLike[str], data: Any, marks: Marks, faults: list[str], units: list[tuple[str, str]]
) -> Profile | None:
    quantity = cast("Quantity", marks.signal)
    reader = Fields(path, data.id, faults, units)
    reader.check_marks(marks)
    x = reader.numbers("x", "length")
    values = reader.numbers(quantity, KINDS[quantity])
    errors = reader.errors_of(quantity)
    sigma = reader.optional(errors, KINDS[quantity])
    y = reader.optional("y", "length")
    segment, mask, mask_reason = reader.strings("segment"), reader.mask(), reader.strings("mask_reason")
    factor = reader.factor(KINDS[quantity])
    if "covariance_diagonal" in reader.names:  # the errors are the marginal ones, with the factor's share in them
        variance = reader.variance(KINDS[quantity])
        errors, sigma = "covariance_diagonal", None if variance is None else np.sqrt(variance)
    elif factor is not None and sigma is not None:
        faults.append(f"{reader.where('covariance_diagonal')} is missing; expected it beside 'covariance_factor'")
    frame = frame_of(path, data, faults)
    if faults or x is None or values is None:
        return None
    arrays = {"x": x, errors: sigma, "segment": segment, "mask": mask, "mask_reason": mask_reason, "y": y}
    reader.check_lengths(quantity, values, {**arrays, "covariance_factor": factor})
    if faults:
        return None
    left_out = points_left_out(mask, x, values, sigma, y)
    if sigma is not None:
        wrong = np.flatnonzero(~left_out & ~(sigma > 0))
        if len(wrong):
            faults.append(no_sigma(reader.where(errors), sigma[wrong[0]], wrong[0]))
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


def frame_of(path: str | os.PathLike[str], data: Any, faults: list[str]) -> Frame:
    """Frame of a profile; a fault if it is none."""
    frame = text_attribute(data, "frame") or "scan"
    if frame not in get_args(Frame):
        faults.append(
            f"{path}: attribute 'frame' of '{data.name}' is {frame[:40]!r}; expected {' or '.join(get_args(Frame))}"
        )
    return cast("Frame", frame)


def no_sigma(where: str, sigma: float, row: int) -> str:
    """That a standard uncertainty is none, and where."""
    return f"{where} is {sigma:g} at point {row + 1}; expected standard uncertainties above 0"


def points_left_out(mask: BoolArray | None, *arrays: FloatArray | None) -> BoolArray:
    """Masked points, and those where an array is not finite."""
    first = next(array for array in arrays if array is not None)
    left_out = np.zeros(len(first), dtype=bool) if mask is None else mask.copy()
    for array in arrays:
        if array is not None:
            left_out |= ~np.isfinite(array)
    return left_out
