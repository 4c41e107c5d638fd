"""Fields of one group; all that is wrong with them is collected."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping, Sequence, Sized
from typing import Any, Final, cast

import h5py
import numpy as np
from h5py import h5d

from ellipsefit.arrays import BoolArray, FloatArray
from ellipsefit.errors import FileFormatError, UnitError
from ellipsefit.files.damage import field_read
from ellipsefit.files.nexus.fields import (
    Column,
    FactorOf,
    check_whole,
    dataset_of,
    field_of,
    place_of,
    quantity_of,
    strings_of,
)
from ellipsefit.files.nexus.marks import Marks
from ellipsefit.files.nexus.opening import child_of
from ellipsefit.files.nexus.texts import decoded
from ellipsefit.profile import Quantity
from ellipsefit.units import unit_factor

_SQUARED: Final = re.compile(r"\(?(.+?)\)?\s*(?:\^|\*\*)?\s*2")


class Fields:
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
        self.names = {decoded(name) for name in group}
        self.faults = faults
        self.units = units
        self.most = most  # points that are read at most, of fields with one dimension

    def where(self, name: str) -> str:
        """File and field, for messages."""
        return place_of(self.path, self.group, name)

    def check_marks(self, marks: Marks) -> None:
        """Signal and axis must be told plainly."""
        self.faults += (f"{self.path}: {fault}" for fault in marks.faults)

    def errors_of(self, quantity: Quantity) -> str:
        """Field of its standard uncertainties; older files call it 'errors' alone."""
        own = f"{quantity}_errors"
        return "errors" if own not in self.names and "errors" in self.names else own

    def check_lengths(self, quantity: str, values: Sized, arrays: Mapping[str, Sized | None]) -> None:
        """All must be as long as the values, and these not empty."""
        for name, array in arrays.items():
            if array is not None and len(array) != len(values):
                self.faults.append(
                    f"{self.where(name)} has {len(array)} points; expected {len(values)} as '{quantity}'"
                )
        if not len(values):
            self.faults.append(f"{self.where(quantity)} is empty; expected points")

    def numbers(self, name: str, kind: str) -> FloatArray | None:
        """Values of a field in SI units (N,); None: something is wrong."""
        return self._numbers(name, lambda unit: unit_factor(unit, kind), kind)

    def optional(self, name: str, kind: str) -> FloatArray | None:
        """The same of a field that may be missing; None then, too."""
        return self.numbers(name, kind) if name in self.names else None

    def factor(self, kind: str) -> FloatArray | None:
        """The low-rank part of the covariance, (N, k)."""
        name = "covariance_factor"
        if name not in self.names:
            return None
        factor = self._numbers(name, lambda unit: unit_factor(unit, kind), kind, ndim=2)
        if factor is not None and not np.isfinite(factor).all():
            self.faults.append(f"{self.where(name)} holds NaN or infinity; expected finite numbers")
            return None
        return factor

    def variance(self, kind: str) -> FloatArray | None:
        """The diagonal part of the covariance, (N,)."""
        name = "covariance_diagonal"
        variance = self._numbers(name, lambda unit: _squared_factor(unit, kind), f"{kind} squared")
        if variance is not None and (variance < 0).any():
            row = int(np.flatnonzero(variance < 0)[0])
            self.faults.append(f"{self.where(name)} is {variance[row]:g} at point {row + 1}; expected variances")
            return None
        return variance

    def column(self, name: str, kind: str | None) -> Column | None:
        """A field to read in parts: a quantity of a kind, or else strings or a mask."""
        try:
            if kind is not None:
                found = quantity_of(self.path, self.group, name, lambda unit: unit_factor(unit, kind), kind)
                self.units.append((name, found[3]))
                return Column(*found[:3], self.where(name))
            dataset, _ = dataset_of(self.path, self.group, name, "biuf" if name == "mask" else "SO")
            return Column(dataset, None, 0.0, self.where(name))
        except FileFormatError as error:
            self.faults.append(str(error))
            return None

    def number(self, name: str, kind: str) -> float | None:
        """One finite value in SI units; None if the field is not there."""
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
        dataset = child_of(self.group, name)
        text = None
        if isinstance(dataset, h5d.DatasetID) and dataset.shape in ((), (1,)) and dataset.dtype.kind in "SO":
            try:
                check_whole(self.where(name), dataset)
            except FileFormatError as error:
                self.faults.append(str(error))
                return None
            with field_read(dataset):
                first = np.asarray(h5py.Dataset(dataset)[()], dtype=object).ravel()[0]
                text = decoded(first) if isinstance(first, str | bytes) else None
        if text in allowed:
            return text
        got = "no text" if text is None else f"{text[:40]!r}"
        self.faults.append(f"{self.where(name)} is {got}; expected {', '.join(allowed[:-1])} or {allowed[-1]}")
        return None

    def strings(self, name: str) -> np.ndarray[tuple[int], np.dtype[np.str_]] | None:
        """Texts of a field, (N,); None if it is not there."""
        if name not in self.names:
            return None
        try:
            return strings_of(self.path, self.group, name, self.most)
        except FileFormatError as error:
            self.faults.append(str(error))
            return None

    def mask(self) -> BoolArray | None:
        """Which points are masked, (N,); None if no field tells it."""
        if "mask" not in self.names:
            return None
        try:
            dataset, _ = dataset_of(self.path, self.group, "mask", "biuf")
        except FileFormatError as error:
            self.faults.append(str(error))
            return None
        count = dataset.shape[0] if self.most is None else min(self.most, dataset.shape[0])
        return cast("BoolArray", Column(dataset, None, 0.0, self.where("mask")).read(0, count))

    def _numbers(self, name: str, factor: FactorOf, expected: str, *, ndim: int = 1) -> FloatArray | None:
        try:
            most = self.most if ndim == 1 else None
            values, unit = field_of(self.path, self.group, name, factor, expected, ndim=ndim, most=most)
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
