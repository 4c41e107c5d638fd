"""Texts in HDF5, as fields and as attributes, of any length and character set."""

from __future__ import annotations

from typing import Any, Final

import h5py
import numpy as np
from h5py import h5a, h5t

from ellipsefit.files.damage import LIBRARY, DamageError, name_of

#: Bytes that any file may claim for a field or a text.
CLAIMED: Final = 1 << 24

#: Strings of any length in memory: numpy's type and HDF5's, by character set.
_VARIABLE: Final = {
    charset: (dtype, h5t.py_create(dtype))
    for charset, dtype in ((h5t.CSET_ASCII, h5py.string_dtype("ascii")), (h5t.CSET_UTF8, h5py.string_dtype("utf-8")))
}


def text_attribute(item: Any, name: str) -> str | None:
    """Attribute as text; None if there is none or it is not one text."""
    return low_text(item.id, name)


def low_text(item: Any, name: str) -> str | None:
    """As `text_attribute`, of a low-level object."""
    try:
        return _attribute_text(item, name.encode())
    except LIBRARY as error:
        raise DamageError(f"attribute '{name}' of '{name_of(item)}'") from error


def _attribute_text(item: Any, key: bytes) -> str | None:
    if not h5a.exists(item, key):
        return None
    attribute = h5a.open(item, key)
    kind, space = attribute.get_type(), attribute.get_space()
    if kind.get_class() != h5t.STRING or space.get_simple_extent_npoints() != 1:
        return None
    if kind.get_size() > CLAIMED:
        return None
    # with the type of the memory at hand, reading costs half; what is fixed in length HDF5 converts from any padding
    dtype, memory = _VARIABLE[kind.get_cset()] if kind.is_variable_str() else (f"S{kind.get_size()}", None)
    value = np.empty((1,) * space.get_simple_extent_ndims(), dtype)
    attribute.read(value, memory)
    first = value.item()
    return decoded(first) if isinstance(first, str | bytes) else None


def texts_of_attribute(item: Any, name: str) -> list[str]:
    """Attribute as a list of texts; what is no text is left out."""
    value = item.attrs.get(name)
    items = [value] if isinstance(value, str | bytes) else np.atleast_1d(np.asarray(value, dtype=object)).ravel()
    return [decoded(item) for item in items if isinstance(item, str | bytes)]


def decoded(item: str | bytes) -> str:
    """Text of what h5py gives as text or as bytes."""
    return item.decode("utf-8") if isinstance(item, bytes) else item
