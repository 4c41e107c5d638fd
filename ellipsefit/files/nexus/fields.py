"""One field of an HDF5 file: whether it may be read, its values in SI, its texts, and what is wrong with it."""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from typing import Any, Final, cast

import h5py
import numpy as np
import numpy.typing as npt
from h5py import h5d, h5i, h5s, h5t

from ellipsefit.arrays import FloatArray
from ellipsefit.errors import FileFormatError, UnitError
from ellipsefit.files.chunks import check_chunks, check_filters
from ellipsefit.files.damage import LIBRARY, field_read, name_of, own_words
from ellipsefit.files.nexus.opening import child_of
from ellipsefit.files.nexus.texts import CLAIMED, decoded, low_text
from ellipsefit.units import to_si, unit_factor

_LARGEST: Final = 500_000_000  # points; a damaged file may claim any number
#: Times its own size that a file may claim beyond `CLAIMED`: what is measured compresses far less.
_PRESSED: Final = 100
_BLOCK: Final = 64  # texts that are read at a time, for many may stand for one that is long
CACHE: Final = 1 << 24  # bytes of a field's chunks that are kept: the next block may need the same chunk

#: Factor and offset that bring a unit to SI.
FactorOf = Callable[[str], tuple[float, float]]


def place_of(path: str | os.PathLike[str], group: Any, name: str) -> str:
    """File and field, for messages."""
    return f"{path}: field '{name_of(group).rstrip('/')}/{name}'"


def dataset_of(
    path: str | os.PathLike[str], group: Any, name: str, kinds: str, *, ndim: int = 1
) -> tuple[Any, tuple[int, ...]]:
    """DatasetID in a GroupID whose type is one of these, stored in this file; and its shape.

    With ndim 0 it is one value, (1,) too.
    """
    dataset = child_of(group, name)
    if not isinstance(dataset, h5d.DatasetID):
        raise FileFormatError(f"{place_of(path, group, name)} is missing; expected {_EXPECTED[ndim][1]}")
    _check_storage(place_of(path, group, name), dataset)
    if dataset.dtype.kind not in kinds or ("O" in kinds and h5py.check_string_dtype(dataset.dtype) is None):
        wanted = "numbers" if "f" in kinds else "strings"
        raise FileFormatError(f"{place_of(path, group, name)} holds {type_words(dataset.dtype)}; expected {wanted}")
    shape = dataset.shape
    if shape is None or not (len(shape) == ndim or (ndim == 0 and shape == (1,))):
        got = "holds nothing" if shape is None else f"has the shape {shape}"
        raise FileFormatError(
            f"{place_of(path, group, name)} {got}; expected {', '.join(_EXPECTED[ndim][ndim == 0 :])}"
        )
    if math.prod(shape) > _LARGEST:
        raise FileFormatError(
            f"{place_of(path, group, name)} has {math.prod(shape)} points; expected at most {_LARGEST}"
        )
    return dataset, shape


def _check_storage(where: str, dataset: Any) -> None:
    """Refuse what is kept elsewhere, and what claims more than its file can hold."""
    try:
        kind = dataset.dtype
    except LIBRARY as error:
        raise FileFormatError(
            f"{where} is of a type that is not known here ('{own_words(error)}'); expected numbers or strings"
        ) from error
    width = 4 * kind.itemsize if kind.kind == "S" else max(kind.itemsize, 8)  # as it will be held
    _check_room(where, dataset, math.prod(dataset.shape or ()) * width)
    if dataset.get_offset() is not None:  # one block of this file
        return
    layout = dataset.get_create_plist()
    if layout.get_layout() == h5d.VIRTUAL or layout.get_external_count():
        raise FileFormatError(f"{where} is kept in another file; expected the data in this file")
    if layout.get_layout() != h5d.CHUNKED:
        return
    _check_room(where, dataset, math.prod(layout.get_chunk()) * kind.itemsize)
    check_filters(where, layout)


def check_whole(where: str, dataset: Any) -> None:
    """As `_check_storage`, of a field that is then read whole."""
    _check_storage(where, dataset)
    with field_read(dataset):
        check_chunks(where, dataset)


def _check_room(where: str, dataset: Any, claimed: int) -> None:
    """Refuse what would take far more memory than the file is large."""
    if claimed <= CLAIMED:
        return
    size = h5i.get_file_id(dataset).get_filesize()
    if claimed > CLAIMED + _PRESSED * size:
        raise FileFormatError(
            f"{where} claims {claimed} bytes in a file of {size}; expected a file that holds what it declares"
        )


def stored_field(path: str | os.PathLike[str], group: Any, name: str) -> Any:
    """Dataset of an h5py.Group that is stored in this file and holds what it declares; None if there is none.

    Raises
    ------
    FileFormatError
        If it is kept in another file, or claims more than the file can hold.
    """
    dataset = child_of(group.id, name)
    if not isinstance(dataset, h5d.DatasetID):
        return None
    check_whole(place_of(path, group.id, name), dataset)
    return h5py.Dataset(dataset)


def read_text(path: str | os.PathLike[str], group: Any, name: str) -> str | None:
    """The one text of a field; None if there is none.

    Raises
    ------
    FileFormatError
        If it is no single text, or as `stored_field` says.
    """
    item = stored_field(path, group, name)
    if item is None:
        return None
    if h5py.check_string_dtype(item.dtype) is None or item.shape not in ((), (1,)):
        raise FileFormatError(f"{place_of(path, group.id, name)} is no text; expected one")
    with field_read(item.id):
        return decoded(np.asarray(item[()], dtype=object).ravel()[0])


#: Of a field with so many dimensions: these, and what is in them.
_EXPECTED: Final = {
    0: ("no dimension", "one value"),
    1: ("one dimension", "a value for each point"),
    2: ("two dimensions", "a row for each point"),
}

_TYPES: Final = {"f": "numbers", "i": "numbers", "u": "numbers", "b": "true and false", "c": "complex numbers"}


def type_words(kind: np.dtype[Any]) -> str:
    """What a field of this type holds, in words."""
    if kind.kind == "S" or h5py.check_string_dtype(kind) is not None:
        return "texts"
    if kind.kind == "O":
        return "references" if h5py.check_ref_dtype(kind) is not None else "lists of any length"
    if kind.names is not None:
        return f"groups of values ({', '.join(kind.names[:5])})"
    return _TYPES.get(kind.kind, "bytes without a meaning" if kind.kind == "V" else f"values of type {kind}")


def quantity_of(
    path: str | os.PathLike[str], group: Any, name: str, factor_of: FactorOf, expected: str, *, ndim: int = 1
) -> tuple[Any, float, float, str]:
    """DatasetID of a field of numbers, factor and offset that bring it to SI units, and its unit."""
    dataset, _ = dataset_of(path, group, name, "iuf", ndim=ndim)
    unit = low_text(dataset, "units")
    if not unit:
        raise FileFormatError(f"{place_of(path, group, name)} has no units; expected a unit of {expected}")
    try:
        return dataset, *factor_of(unit), unit
    except UnitError as error:
        raise FileFormatError(f"{place_of(path, group, name)}: units: {error}") from None


def field_of(
    path: str | os.PathLike[str],
    group: Any,
    name: str,
    factor_of: FactorOf,
    expected: str,
    *,
    ndim: int = 1,
    most: int | None = None,
) -> tuple[FloatArray, str]:
    """Numbers of a field in SI units, and its unit."""
    dataset, factor, offset, unit = quantity_of(path, group, name, factor_of, expected, ndim=ndim)
    if most is not None and dataset.shape[0] > most:
        return Column(dataset, factor, offset, place_of(path, group, name)).read(0, most), unit
    values = np.empty(dataset.shape)
    if values.size:
        with field_read(dataset):
            check_chunks(place_of(path, group, name), dataset)
            dataset.read(h5s.ALL, h5s.ALL, values, h5t.NATIVE_DOUBLE)  # whatever its type, HDF5 converts
    return _in_si(values, factor, offset), unit


def _in_si(values: FloatArray, factor: float, offset: float) -> FloatArray:
    if factor != 1:
        with np.errstate(over="ignore"):  # an infinite value is treated like any other that is not finite
            values = to_si(values, factor)
    return values + offset if offset else values


class Column:
    """A field that is read in parts: numbers in SI units, or with no factor strings or a mask."""

    def __init__(self, dataset: Any, factor: float | None, offset: float, where: str) -> None:
        self.dataset = dataset  # DatasetID
        self.factor = factor
        self.offset = offset
        self.where = where  # for messages
        self._looked_at: set[tuple[int, ...]] = set()  # chunks that need not be looked at again

    def __len__(self) -> int:
        return int(self.dataset.shape[0])

    def read(self, start: int, stop: int) -> Any:
        """Values `start` to `stop - 1`."""
        if self.factor is None and self.dataset.dtype.kind not in "biuf":
            return _texts_of(self.dataset, start, stop, self.where, self._looked_at)
        with field_read(self.dataset):
            check_chunks(self.where, self.dataset, start, stop, looked_at=self._looked_at)
            if self.factor is None:
                return h5py.Dataset(self.dataset)[start:stop] != 0
            values = np.empty(stop - start)
            place = self.dataset.get_space()
            place.select_hyperslab((start,), (stop - start,))
            self.dataset.read(h5s.create_simple(values.shape), place, values, h5t.NATIVE_DOUBLE)
            return _in_si(values, self.factor, self.offset)


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
    return field_of(path, group.id, name, lambda unit: unit_factor(unit, kind), kind)[0]


def read_strings(path: str | os.PathLike[str], group: Any, name: str) -> np.ndarray[tuple[int], np.dtype[np.str_]]:
    """Strings of a field, shape (N,).

    Raises
    ------
    FileFormatError
        If the field is missing, holds no strings or is not one-dimensional.
    """
    return strings_of(path, group.id, name)


def strings_of(
    path: str | os.PathLike[str], group: Any, name: str, most: int | None = None
) -> np.ndarray[tuple[int], np.dtype[np.str_]]:
    """As `read_strings`, of the first points alone if there is a `most`."""
    dataset, shape = dataset_of(path, group, name, "SO")
    return _texts_of(dataset, 0, shape[0] if most is None else min(most, shape[0]), place_of(path, group, name))


def _texts_of(
    dataset: Any, start: int, stop: int, where: str, looked_at: set[tuple[int, ...]] | None = None
) -> np.ndarray[tuple[int], np.dtype[np.str_]]:
    """Texts `start` to `stop - 1` of a field."""
    field = h5py.Dataset(dataset)
    with field_read(dataset):
        check_chunks(where, dataset, start, stop, looked_at=looked_at)
        if dataset.dtype.kind != "O":
            return _text_array(field[start:stop])
        texts: list[str] = []
        longest = 0
        for first in range(start, stop, _BLOCK):
            texts += [decoded(item) for item in field[first : min(first + _BLOCK, stop)].tolist()]
            longest = max(longest, *map(len, texts[first - start :]))
            _check_room(where, dataset, 4 * longest * len(texts))
        _check_room(where, dataset, 4 * longest * (stop - start))
        return np.array(texts, dtype=np.str_)


def _text_array(raw: npt.NDArray[Any]) -> np.ndarray[tuple[int], np.dtype[np.str_]]:
    try:
        return cast("np.ndarray[tuple[int], np.dtype[np.str_]]", raw.astype(np.str_))  # fast, for ASCII
    except UnicodeDecodeError:
        return cast("np.ndarray[tuple[int], np.dtype[np.str_]]", np.char.decode(raw, "utf-8"))
