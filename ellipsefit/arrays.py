"""Types of the arrays that results carry, and how they are sealed."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
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
