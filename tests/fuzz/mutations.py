"""Damage to files: of their bytes, of their cells and lines, and of what stands in an HDF5 file."""

from __future__ import annotations

import io
import random
import re
from collections.abc import Callable, Sequence
from typing import Any, Final

import h5py
import numpy as np

from tests.fuzz.targets import AWKWARD, Target

_LONGEST: Final = 1 << 17
_HDF5: Final = b"\x89HDF"
_WORD: Final = re.compile(rb"[A-Za-z_][\w.]*|[-+]?\d[\w.+-]*|\"[^\"\n]*\"|\[[^\[\]\n]*\]")
_AWKWARD: Final = tuple(word.encode("utf-8") for word in AWKWARD)


class Mutator:
    """Draws damaged versions of a target's files."""

    def __init__(self, target: Target) -> None:
        self.target = target
        self.seeds = tuple(target.seeds())
        self.words = tuple({word for seed in self.seeds if seed[:4] != b"\x89HDF" for word in _WORD.findall(seed)})
        self.words = tuple(sorted(self.words)) + _AWKWARD

    def draw(self, rng: random.Random) -> bytes:
        """A seed with one to six damages; what HDF5 is to forge, it forges while the file is still sound."""
        data = rng.choice(self.seeds)
        count = rng.randint(1, 6) if rng.random() < 0.8 else 1
        forgings = sum(rng.random() < 0.5 for _ in range(count)) if data.startswith(_HDF5) else 0
        for _ in range(forgings):
            data = forged(data, rng)
        for _ in range(count - forgings):
            data = self.broken(data, rng)
        return data

    def damaged(self, data: bytes, rng: random.Random) -> bytes:
        """One damage more of any kind."""
        if data.startswith(_HDF5) and rng.random() < 0.5:
            return forged(data, rng)
        return self.broken(data, rng)

    def broken(self, data: bytes, rng: random.Random) -> bytes:
        """One damage more to bytes, words or lines."""
        ways: Sequence[Callable[[bytearray, random.Random], None]] = (
            (_flip, _overwrite, _cut, _repeat, self._splice, _number)
            if self.target.form in ("hdf5",) or data.startswith(_HDF5)
            else (_flip, _cut, _repeat, self._splice, self._word, self._word, self._word, _lines, _lines)
        )
        found = bytearray(data)
        rng.choice(ways)(found, rng)
        return bytes(found[:_LONGEST])

    def _splice(self, data: bytearray, rng: random.Random) -> None:
        other = rng.choice(self.seeds)
        start, stop = _span(other, rng)
        at, end = _span(data, rng)
        data[at : rng.choice((at, end))] = other[start:stop]

    def _word(self, data: bytearray, rng: random.Random) -> None:
        """One word for another."""
        there = [match.span() for match in _WORD.finditer(data)]
        new = rng.choice(self.words)
        if not there or rng.random() < 0.2:
            at = rng.randint(0, len(data))
            data[at:at] = new
            return
        start, stop = rng.choice(there)
        data[start:stop] = new


def _span(data: bytes | bytearray, rng: random.Random) -> tuple[int, int]:
    start = rng.randint(0, len(data))
    return start, min(len(data), start + int(2 ** rng.uniform(0, 12)))


def _flip(data: bytearray, rng: random.Random) -> None:
    for _ in range(rng.choice((1, 1, 2, 8))):
        if data:
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)


def _overwrite(data: bytearray, rng: random.Random) -> None:
    if data:
        data[rng.randrange(len(data))] = rng.choice((0, 1, 0x7F, 0x80, 0xFF, rng.randrange(256)))


def _number(data: bytearray, rng: random.Random) -> None:
    """A number of 1, 2, 4 or 8 bytes that is awkward: sizes, counts and addresses are such."""
    size = rng.choice((1, 2, 4, 8))
    if len(data) > size:
        at = rng.randrange(len(data) - size)
        value = rng.choice(
            (0, 1, -1, 1 << (8 * size - 1), (1 << (8 * size - 1)) - 1, len(data), rng.randrange(1 << 20))
        )
        data[at : at + size] = (value % (1 << 8 * size)).to_bytes(size, "little")


def _cut(data: bytearray, rng: random.Random) -> None:
    start, stop = _span(data, rng)
    del data[start : stop if rng.random() < 0.8 else len(data)]


def _repeat(data: bytearray, rng: random.Random) -> None:
    start, stop = _span(data, rng)
    at = rng.randint(0, len(data))
    data[at:at] = data[start:stop] * rng.choice((1, 1, 2, 20))


def _lines(data: bytearray, rng: random.Random) -> None:
    """Lines, or cells of one, swapped, doubled or dropped."""
    lines = data.split(b"\n")
    i, j = rng.randrange(len(lines)), rng.randrange(len(lines))
    way = rng.randrange(4)
    if way == 0:
        lines[i], lines[j] = lines[j], lines[i]
    elif way == 1:
        lines.insert(i, lines[j])
    elif way == 2:
        del lines[i]
    else:
        mark = rng.choice((b",", b";", b"\t", b" ", b"="))
        cells = lines[i].split(mark)
        k, m = rng.randrange(len(cells)), rng.randrange(len(cells))
        changes: tuple[list[bytearray], ...] = ([], [cells[m]], [cells[k], cells[m]], [bytearray()])
        cells[k : k + 1] = rng.choice(changes)
        lines[i] = bytearray(mark.join(cells))
    data[:] = b"\n".join(lines)


# what stands in an HDF5 file

_NAMES: Final = (
    "x", "height", "slope", "height_errors", "segment", "mask", "mask_reason", "y", "covariance_factor", "carriage",
    "time", "covariance_diagonal", "temperature", "angle", "angle_errors", "direction", "orientation", "target",
    "station", "position", "position_errors", "position_covariance", "start_time", "carrier", "moved", "data",
    "entry", "é", "a b",
)  # fmt: skip
_ATTRIBUTES: Final = ("units", "signal", "axes", "NX_class", "default", "frame", "mirror", "axis", "primary")
_TEXTS: Final = (
    "m", "mm", "um", "rad", "m^2", "degC", "s", "height", "slope", "position", "x", "NXentry", "NXdata", "mirror",
    "scan", "", "entry", "data", "forward", "backward", "2026-04-14", "é", "\n", "a" * 300, "{}", "[1]",
    "1", "x:y", "[x]",
)  # fmt: skip


def forged(data: bytes, rng: random.Random) -> bytes:
    """The file with another attribute, field or link, or one less; as it was where HDF5 refuses."""
    memory = io.BytesIO(data)
    try:
        with h5py.File(memory, "r+") as file:
            _forge(file, rng)
    except (OSError, RuntimeError, KeyError, ValueError, TypeError, AttributeError, SystemError, OverflowError):
        return data
    return memory.getvalue()


def _forge(file: Any, rng: random.Random) -> None:
    items: list[Any] = [file]
    file.visititems(lambda _name, item: items.append(item) if len(items) < 200 else True)
    groups = [item for item in items if isinstance(item, h5py.Group)]
    item, group = rng.choice(items), rng.choice(groups)
    way = rng.randrange(6)
    names = list(group)
    name = rng.choice(names) if names and rng.random() < 0.7 else rng.choice(_NAMES)
    if way == 0 and len(item.attrs):
        del item.attrs[rng.choice(list(item.attrs))]
    elif way == 1:
        item.attrs[rng.choice(_ATTRIBUTES)] = odd_value(rng, small=True)
    elif way == 2 and names:
        del group[rng.choice(names)]
    elif way == 3:
        _link(file, group, name, rng)
    else:
        units = group[name].attrs.get("units") if name in group and rng.random() < 0.8 else None
        if name in group:
            del group[name]
        _odd_dataset(group, name, rng)
        if units is not None:
            group[name].attrs["units"] = units


def _link(file: Any, group: Any, name: str, rng: random.Random) -> None:
    way = rng.randrange(4)
    if name in group and way:
        del group[name]
    if way == 0:
        group[name + "_again"] = group
    elif way == 1:
        group[name] = h5py.SoftLink(rng.choice(("/", "/entry/data", ".", "nowhere", group.name, "/" + name)))
    elif way == 2:
        group[name] = h5py.ExternalLink("elsewhere.h5", "/data")
    else:
        group[name] = file


def odd_value(rng: random.Random, *, small: bool = False) -> Any:
    """A value of any type that HDF5 knows, or nothing."""
    count = rng.choice((1, 2, 9)) if small else rng.choice((0, 1, 2, 9, 26, 51))
    makers: tuple[Callable[[], Any], ...] = (
        lambda: rng.choice(_TEXTS),
        lambda: rng.choice(_TEXTS),
        lambda: np.bytes_(rng.choice(_TEXTS).encode()),
        lambda: rng.choice((0, 1, 1, -1, 1.5, float("nan"), float("inf"), 1 << 40, True)),
        lambda: np.arange(count, dtype=rng.choice((">f8", "<f4", ">i2", "u1", "<f2", "<i8", "?", "<c16"))),
        lambda: np.array([rng.choice(_TEXTS) for _ in range(count)], dtype=h5py.string_dtype()),
        lambda: np.array([rng.choice(_TEXTS).encode() for _ in range(count)], dtype="S5"),
        lambda: np.zeros(count, dtype=[("a", "f8"), ("b", "i4")]),
        lambda: h5py.Empty("f8"),
        lambda: np.array(b"\xff\xfe\x00"),
        lambda: np.zeros((count, rng.choice((1, 3))), dtype="f8"),
        lambda: np.zeros(count, dtype=h5py.enum_dtype({"a": 0, "b": 1})),
    )
    return rng.choice(makers)()


def _odd_dataset(group: Any, name: str, rng: random.Random) -> None:
    if rng.random() < 0.6:
        group.create_dataset(name, data=odd_value(rng))
        return
    shape = rng.choice(((1 << 40,), (3_000_000,), (51,), (26,), (9,), (9, 3), (0,), (1 << 20, 1 << 20), (2, 2, 2)))
    kind = rng.choice(("f8", ">f4", "i1", h5py.string_dtype(), "S3", "S60000", h5py.ref_dtype, h5py.regionref_dtype,
                       h5py.vlen_dtype("f8"), np.dtype("V16"), h5py.opaque_dtype("M8[s]")))  # fmt: skip
    pressed = rng.choice((None, None, "gzip", "lzf"))
    chunks = rng.choice((None, True)) if pressed is None else True
    fill = {"fillvalue": 1.0} if kind in ("f8", ">f4", "i1") and rng.random() < 0.5 else {}
    group.create_dataset(name, shape, kind, chunks=chunks, compression=pressed, **fill)
