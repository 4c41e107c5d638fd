"""Types of the arrays that results carry, and how they are sealed."""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
S = TypeVar("S", bound=np.generic)
BoolArray = npt.NDArray[np.bool_]


def sealed(values: npt.ArrayLike, dtype: npt.DTypeLike = np.float64) -> npt.NDArray[Any]:
    """Read-only copy of an array, so that a frozen result stays what it was.

    An array that owns its memory and is read-only already is returned as it is.
    """
    array = np.asarray(values, dtype=dtype)
    if array.flags.writeable or not array.flags.owndata:
        array = np.array(array, dtype=dtype)
        array.flags.writeable = False
    return array


def frozen(array: npt.NDArray[S]) -> npt.NDArray[S]:
    """An array that nobody else holds, made read-only: it need not be copied to be sealed."""
    array.flags.writeable = False
    return array


def root(variance: npt.ArrayLike) -> FloatArray:
    """Standard deviation of a variance that rounding may have left a little below zero."""
    return np.sqrt(np.maximum(variance, 0.0))


def median(values: FloatArray) -> FloatArray:
    """Median along the last axis: as `numpy.median` of finite values, without what that spends on other cases."""
    n = values.shape[-1]
    half = n // 2
    if n % 2:
        return np.asarray(np.partition(values, half, axis=-1)[..., half])
    sorted_ = np.partition(values, half, axis=-1)
    return np.asarray((sorted_[..., :half].max(axis=-1) + sorted_[..., half]) / 2)
