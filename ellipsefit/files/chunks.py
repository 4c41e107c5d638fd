"""The chunks of an HDF5 field, unpacked to their size before HDF5 unpacks them.

HDF5 takes whatever a chunk comes to for the whole of it. Of one that comes to less, the rest is what memory held
before; one that comes to more takes as much memory as it likes; and what was never written leaves the memory of who
reads as it was, if the file says so.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable, Iterator
from typing import Any, Final

from h5py import h5d, h5i, h5z

from ellipsefit.errors import FileFormatError

_SUM: Final = 4  # bytes that fletcher32 adds
_OTHERS: Final = {h5z.FILTER_SZIP: "szip", h5z.FILTER_NBIT: "nbit", h5z.FILTER_SCALEOFFSET: "scaleoffset"}


def check_chunks(
    where: str, dataset: Any, start: int = 0, stop: int | None = None, *, looked_at: set[tuple[int, ...]] | None = None
) -> None:
    """Refuse a field if a chunk of it does not come to its size, or some of it was never written.

    A chunk that the file leaves out and for which it gives a value is none the worse for it.

    Parameters
    ----------
    where : str
        What the field is called in messages.
    dataset : h5py.h5d.DatasetID
        A field of this file.
    start, stop : int, optional
        Rows that will be read; by default all.
    looked_at : set of tuple of int, optional
        Where chunks begin that were looked at before, and are not again; those that are looked at now are added.

    Raises
    ------
    FileFormatError
        For the first chunk at fault, or if the field is packed in a way that cannot be looked at.
    """
    if dataset.get_offset() is not None:  # one block, which HDF5 holds against the size of the field
        return
    plan = dataset.get_create_plist()
    if plan.get_layout() == h5d.CHUNKED:
        last = dataset.shape[0] if stop is None else stop
        _check_each(where, dataset, plan, start, last, set() if looked_at is None else looked_at)
    elif plan.get_layout() == h5d.CONTIGUOUS and math.prod(dataset.shape or ()) and _leaves_memory(plan):
        raise FileFormatError(f"{where} was declared, but never written; expected its values")


def check_filters(where: str, plan: Any) -> None:
    """Refuse a field that is packed twice, or as we do not know.

    Raises
    ------
    FileFormatError
        As it says.
    """
    codes = _filters(plan)
    for code in codes:
        if code not in (h5z.FILTER_SHUFFLE, h5z.FILTER_FLETCHER32, *_UNPACKED):
            name = _OTHERS.get(code, f"number {code}")
            raise FileFormatError(f"{where} is packed by the HDF5 filter {name}; expected gzip, lzf or none")
    if sum(code in _UNPACKED for code in codes) > 1:
        raise FileFormatError(f"{where} is compressed twice; expected once at most")


def _filters(plan: Any) -> list[int]:
    """In the order in which they were applied."""
    return [plan.get_filter(place)[0] for place in range(plan.get_nfilters())]


def _leaves_memory(plan: Any) -> bool:
    """Whether HDF5 gives no value for what was never written."""
    fill: bool = plan.get_fill_time() == h5d.FILL_TIME_NEVER
    return fill or plan.fill_value_defined() == h5d.FILL_VALUE_UNDEFINED


def _check_each(where: str, dataset: Any, plan: Any, start: int, stop: int, looked_at: set[tuple[int, ...]]) -> None:
    chunk, filters = plan.get_chunk(), _filters(plan)
    whole = math.prod(chunk) * dataset.get_type().get_size()
    size, written = h5i.get_file_id(dataset).get_filesize(), 0
    for offset in _offsets(dataset, chunk[0], start, stop):
        if offset in looked_at:
            written += 1
            continue
        info = dataset.get_chunk_info_by_coord(offset)
        if info.byte_offset is None:
            continue
        written += 1
        place = f"{where} is damaged: its chunk from point {offset[0] + 1} on"
        if info.size > size:
            raise FileFormatError(f"{place} claims {info.size} bytes in a file of {size}; expected the file whole")
        applied = [code for number, code in enumerate(filters) if not info.filter_mask >> number & 1]
        at = next((number for number, code in enumerate(applied) if code in _UNPACKED), len(applied))
        wanted = whole + _SUM * applied[:at].count(h5z.FILTER_FLETCHER32)
        stored = info.size - _SUM * applied[at + 1 :].count(h5z.FILTER_FLETCHER32)
        unpacked: int | None = stored
        if at < len(applied):
            raw = memoryview(dataset.read_direct_chunk(offset)[1])[: max(stored, 0)]
            unpacked = _UNPACKED[applied[at]](raw, wanted)
        if unpacked != wanted:
            amount = "more" if unpacked and unpacked > wanted else f"{unpacked} bytes"
            what = "cannot be unpacked" if unpacked is None else f"comes to {amount}"
            raise FileFormatError(f"{place} {what}; expected {wanted} bytes, copy the file again")
        looked_at.add(offset)
    if _leaves_memory(plan) and written < _chunks_between(dataset.shape, chunk, start, stop):
        raise FileFormatError(f"{where} was declared, but not all of it written; expected its values")


def _chunks_between(shape: tuple[int, ...], chunk: tuple[int, ...], start: int, stop: int) -> int:
    if stop <= start:
        return 0
    beside = math.prod(math.ceil(n / k) for n, k in zip(shape[1:], chunk[1:], strict=True))
    return (math.ceil(stop / chunk[0]) - start // chunk[0]) * beside


def _offsets(dataset: Any, rows: int, start: int, stop: int) -> Iterator[tuple[int, ...]]:
    """Where the chunks begin that hold these rows."""
    if len(dataset.shape) == 1 and (start > 0 or stop < dataset.shape[0]):
        yield from ((place,) for place in range(start // rows * rows, stop, rows))
        return
    found: list[tuple[int, ...]] = []
    dataset.chunk_iter(lambda chunk: found.append(chunk.chunk_offset))  # the walk must end before a chunk is read
    yield from (offset for offset in found if offset[0] < stop and offset[0] + rows > start)


def _inflated(raw: memoryview, most: int) -> int | None:
    """Bytes to which a stream of deflate comes, `most` + 1 for any more; None: it is damaged."""
    stream = zlib.decompressobj()
    try:
        size = len(stream.decompress(raw, most + 1))
    except zlib.error:
        return None
    return size if stream.eof or size > most else None


def _lzf_size(raw: memoryview, most: int) -> int | None:
    """As `_inflated`, for LZF as h5py writes it.

    A byte below 32 stands before as many bytes and one more, which are taken as they are; any other begins a
    reference, whose upper three bits tell its length less 2, and if they are all set one more byte adds to it.
    """
    at = size = 0
    end = len(raw)
    while at < end and size <= most:
        control = raw[at]
        if control < 32:
            size += control + 1
            at += control + 2
        elif control < 224:
            size += (control >> 5) + 2
            at += 2
        else:
            size += 9 + (raw[at + 1] if at + 1 < end else 0)
            at += 3
    return size if at == end else (most + 1 if size > most else None)


_UNPACKED: Final[dict[int, Callable[[memoryview, int], int | None]]] = {
    h5z.FILTER_DEFLATE: _inflated,
    h5z.FILTER_LZF: _lzf_size,
}
