"""Profiles and areal lines as SDF (ISO 25178-71:2017), ASCII and binary.

What is known of the layout, and how well: order, sizes and types of the header's fields, the eight data types, the date
and the sections of the ASCII form were checked against public descriptions by two metrology institutes; the version
strings, 32-bit counts in version 2.0 and the word BAD come from secondary sources. Which stored number means an invalid
point in the binary form could not be checked: taken as such are NaN, infinity and the largest float, and of the signed
integers the smallest. An unsigned integer is always a height, and its largest value brings a warning.

Heights are stored numbers times Zscale, positions counts times Xscale, in m. There is no offset, so x starts at 0.
"""

from __future__ import annotations

import math
import os
import re
import struct
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import BinaryIO, Final, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from ellipsefit.arrays import BoolArray, FloatArray
from ellipsefit.errors import FileFormatError, FileMissingError, ParameterError, shown
from ellipsefit.files.lines import MOST_POINTS, Chooser, Conversion, Lines, backwards, lattice_of, lines_of, on_lattice
from ellipsefit.files.safe import existing_file, new_file
from ellipsefit.profile import Profile
from ellipsefit.rows import number
from ellipsefit.scan import Scan

#: First bytes of such a file: a for ASCII, b for binary; ISO, or BCR of the form that it comes from.
VERSION: Final = re.compile(rb"([ab])(ISO|BCR)-(\d)\.(\d)")
#: Data types by their number.
_TYPES: Final = ("<u1", "<u2", "<u4", "<f4", "<i1", "<i2", "<i4", "<f8")
_WORDS: Final = ("uint8", "uint16", "uint32", "float32", "int8", "int16", "int32", "float64")
#: Fields of the header in their order: in the binary form with the type of each, after the version of 8 characters.
_FIELDS: Final = {
    "ManufacID": "10s",
    "CreateDate": "12s",
    "ModDate": "12s",
    "NumPoints": "H",
    "NumProfiles": "H",
    "Xscale": "d",
    "Yscale": "d",
    "Zscale": "d",
    "Zresolution": "d",
    "Compression": "B",
    "DataType": "B",
    "CheckType": "B",
}
_BAD: Final = (b"BAD", b"bad", b"Bad")
_MOST_PER_LINE: Final = 65535  # counts of version 1.0 have 16 bits
_LONGEST_VALUE: Final = 100
_MOST_LINES: Final = 1_000_000
_CHUNK: Final = 1 << 22
#: Larger files are only looked at, not read whole, when they are inspected.
_LOOK: Final = 1 << 24
_HEADER: Final = 1 << 14

Stored = Literal["uint8", "uint16", "uint32", "float32", "int8", "int16", "int32", "float64"]


class _Header(NamedTuple):
    """What stands before the data."""

    version: str
    ascii: bool
    text: dict[str, str]
    points: int
    lines: int
    xscale: float
    yscale: float
    zscale: float
    resolution: float
    kind: int
    checked: int
    size: int  # bytes before the data


def read_sdf(path: str | os.PathLike[str], choose: Chooser, *, look: bool = False) -> Lines:
    """Lines of an SDF file.

    Parameters
    ----------
    path : path
    choose : callable
        Which lines are taken, told where they are.
    look : bool
        Whether of a large ASCII file only the beginning is read, if the chosen lines are in it.

    Returns
    -------
    Lines
        Positions and heights in m, x from 0; invalid points are NaN.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    FileFormatError
        For the first fault; the text names the file, the field or line, and what was expected.
    """
    try:
        with existing_file(path).open("rb") as file:
            return _Reader(path, file).lines(choose, look=look)
    except FileMissingError:
        raise
    except OSError as error:
        raise FileMissingError(f"{path}: cannot be read: {(error.strerror or str(error)).lower()}") from None


class _Reader:
    """One file."""

    def __init__(self, path: str | os.PathLike[str], file: BinaryIO) -> None:
        self.path = path
        self.file = file
        self.size = file.seek(0, os.SEEK_END)
        self.warnings: list[str] = []

    def fault(self, text: str) -> FileFormatError:
        return FileFormatError(f"{self.path}: {text}")

    def lines(self, choose: Chooser, *, look: bool) -> Lines:
        self.file.seek(0)
        start = self.file.read(_HEADER)
        match = VERSION.match(start)
        if match is None:
            raise self.fault("does not begin with a version such as 'bISO-1.0'; expected an SDF file")
        header = self.ascii_header(start, match) if match[1] == b"a" else self.binary_header(start, match)
        self.check_size(header)
        chosen = choose(header.yscale * np.arange(header.lines, dtype=np.float64))
        if len(chosen) * header.points > MOST_POINTS:
            raise self.fault(f"has {len(chosen) * header.points} points; expected at most {MOST_POINTS}")
        read = self.ascii_data if header.ascii else self.binary_data
        stored, invalid, trailer = read(header, chosen, look=look)
        with np.errstate(over="ignore", invalid="ignore"):  # what is not finite is invalid
            heights = stored * header.zscale
        heights[invalid] = np.nan
        shape = (len(chosen), header.points)
        x = header.xscale * np.arange(header.points, dtype=np.float64)
        y = header.yscale * np.arange(chosen.start, chosen.stop, dtype=np.float64)
        return Lines(
            np.broadcast_to(x, shape),
            np.broadcast_to(y[:, None], shape),
            heights.reshape(shape),
            tuple(self.told(header, trailer)),
            tuple(self.warnings),
            header.lines,
        )

    def told(self, header: _Header, trailer: str) -> list[tuple[str, str]]:
        form = "ASCII" if header.ascii else "binary"
        found = [
            ("format", f"SDF (ISO 25178-71), {form}, version {header.version}"),
            ("lines", str(header.lines)),
            ("heights stored as", f"{_WORDS[header.kind]}, Zscale {header.zscale:g} m"),
            (
                "resolution",
                number(header.resolution, "length", digits=4) if header.resolution >= 0 else "not known to the writer",
            ),
        ]
        for label, key in (("instrument", "ManufacID"), ("created", "CreateDate"), ("changed", "ModDate")):
            text = header.text.get(key, "")
            if text:
                found.append((label, _date(text) if key.endswith("Date") else text))
        if trailer:
            found.append(("trailer", trailer if len(trailer) <= 100 else trailer[:97] + "..."))
        if header.checked:
            self.warnings.append(
                f"{self.path}: CheckType is {header.checked}, a checksum of a kind that is not known here; NOT VERIFIED"
            )
        return found

    # headers

    def binary_header(self, start: bytes, match: re.Match[bytes]) -> _Header:
        version = self.version(start[:8], match)
        wide = int(match[3]) >= 2
        layout = struct.Struct("<" + "".join(_FIELDS.values()).replace("H", "I" if wide else "H"))
        if len(start) < 8 + layout.size:
            raise self.fault(f"ends within its header, at {len(start)} bytes; expected {8 + layout.size} and data")
        values = dict(zip(_FIELDS, layout.unpack_from(start, 8), strict=True))
        text = {key: _plain(value) for key, value in values.items() if isinstance(value, bytes)}
        return self.header(version, False, text, {k: v for k, v in values.items() if k not in text}, 8 + layout.size)

    def ascii_header(self, start: bytes, match: re.Match[bytes]) -> _Header:
        end = re.search(rb"(?:\r\n|\n|\r)[ \t]*\*[ \t]*(?:\r\n|\n|\r)", start)
        if end is None:
            raise self.fault(f"has no line '*' within {_HEADER} bytes; expected one between header and data")
        first, *rest = re.split(rb"\r\n|\n|\r", start[: end.start()])
        version = self.version(first, match)
        found: dict[str, str] = {}
        names = {name.casefold(): name for name in _FIELDS}
        for place, line in enumerate(rest, start=2):
            written = _plain(line)
            if not written or written.startswith(";"):
                continue
            key, equals, value = (part.strip() for part in written.partition("="))
            if not equals:
                raise self.fault(f"line {place} of the header is {shown(written)}; expected such as 'NumPoints = 1000'")
            name = names.get(key.casefold())
            if name is None:
                self.warnings.append(f"{self.path}: the header has {shown(key)}, which is not used")
            elif name in found:
                raise self.fault(f"{name} stands twice in the header; expected it once")
            else:
                found[name] = value
        text: dict[str, str] = {
            name: found.pop(name) for name in ("ManufacID", "CreateDate", "ModDate") if name in found
        }
        values: dict[str, float] = {}
        for name in list(_FIELDS)[3:]:
            if name not in found:
                if name in ("Yscale", "Zresolution", "Compression", "CheckType"):
                    values[name] = -1.0 if name == "Zresolution" else 0
                    continue
                raise self.fault(f"the header has no {name}; expected it")
            value = found[name]
            if _FIELDS[name] == "d":
                parsed = _float(value)
                if parsed is None:
                    raise self.fault(f"{name} is {shown(value)}; expected a number")
                values[name] = parsed
            elif re.fullmatch(r"\d{1,10}", value, re.ASCII):
                values[name] = int(value)
            else:
                raise self.fault(f"{name} is {shown(value)}; expected a whole number")
        return self.header(version, True, text, values, end.end())

    def version(self, line: bytes, match: re.Match[bytes]) -> str:
        text = _plain(line)
        if text != match[0].decode():
            raise self.fault(f"begins with {shown(text)}; expected a version such as 'aISO-1.0'")
        if int(match[3]) not in (1, 2):
            raise self.fault(f"is of version {match[3].decode()}.{match[4].decode()}; expected 1.0 or 2.0")
        return text

    def header(self, version: str, in_text: bool, text: dict[str, str], values: dict[str, float], size: int) -> _Header:
        points, lines = int(values["NumPoints"]), int(values["NumProfiles"])
        for name, value, most in (("NumPoints", points, MOST_POINTS), ("NumProfiles", lines, _MOST_LINES)):
            if not 1 <= value <= most:
                raise self.fault(f"{name} is {value}; expected 1 to {most}")
        for name in ("Xscale", "Yscale", "Zscale", "Zresolution"):
            if not math.isfinite(values[name]):
                raise self.fault(f"{name} is {values[name]}; expected a finite number")
        for name, needed in (("Xscale", points > 1), ("Yscale", lines > 1), ("Zscale", True)):
            if not values[name] > 0 and (needed or values[name] < 0):
                raise self.fault(f"{name} is {values[name]:g}; expected a length above 0 in m")
        if values["Compression"]:
            raise self.fault(f"Compression is {values['Compression']:g}; expected 0, none")
        kind = int(values["DataType"])
        if kind >= len(_TYPES):
            raise self.fault(f"DataType is {kind}; expected 0 to {len(_TYPES) - 1}")
        return _Header(
            version,
            in_text,
            text,
            points,
            lines,
            values["Xscale"],
            values["Yscale"],
            values["Zscale"],
            values["Zresolution"],
            kind,
            int(values["CheckType"]),
            size,
        )

    # data

    def check_size(self, header: _Header) -> None:
        """Refuse a header that promises more than the file can hold, before anything is made for it."""
        count = header.lines * header.points
        least = 2 * count - 1 if header.ascii else count * np.dtype(_TYPES[header.kind]).itemsize
        if self.size < header.size + least:
            raise self.fault(
                f"has {self.size} bytes; expected {'more' if header.ascii else header.size + least}: {header.lines} x "
                f"{header.points} points of {_WORDS[header.kind]} after its header"
            )

    def binary_data(
        self,
        header: _Header,
        chosen: range,
        *,
        look: bool,  # noqa: ARG002 - only the chosen lines are read anyway
    ) -> tuple[FloatArray, BoolArray, str]:
        kind = np.dtype(_TYPES[header.kind])
        per_line = header.points * kind.itemsize
        end = header.size + header.lines * per_line
        self.file.seek(header.size + chosen.start * per_line)
        raw = np.frombuffer(self.file.read(len(chosen) * per_line), kind)
        self.file.seek(end)
        trailer = " ".join(_plain(self.file.read(_HEADER)).replace("*", " ").split())
        stored = raw.astype(np.float64)
        if kind.kind == "f":
            invalid = ~(np.isfinite(raw) & (np.abs(raw) < np.finfo(kind).max))
        elif kind.kind == "i":
            invalid = raw == np.iinfo(kind).min
        else:
            invalid = np.zeros(len(raw), dtype=bool)
            full = int((raw == np.iinfo(kind).max).sum())
            if full:
                self.warnings.append(
                    f"{self.path}: {full} point{'s' * (full > 1)} at {np.iinfo(kind).max}, the largest "
                    f"{_WORDS[header.kind]}; taken as heights, though some writers mark invalid points so"
                )
        return stored, invalid, trailer

    def ascii_data(self, header: _Header, chosen: range, *, look: bool) -> tuple[FloatArray, BoolArray, str]:
        """Values in chunks, of which only the wanted ones are kept."""
        first, last, count = chosen.start * header.points, chosen.stop * header.points, header.points * header.lines
        values, place, rest, trailer = np.full(last - first, np.nan), 0, b"", b""
        self.file.seek(header.size)
        for body, after in self.chunks():
            cells = (rest + body).split()
            rest = cells.pop() if after is None and cells and not body[-1:].isspace() else b""
            if len(rest) > _LONGEST_VALUE:
                raise self.fault(
                    f"value {place + len(cells) + 1} of the data is {shown(_plain(rest))}; expected a number"
                )
            own = range(max(first - place, 0), min(last - place, len(cells)))
            if own:
                start = place + own.start - first
                values[start : start + len(own)] = self.numbers(cells[own.start : own.stop], place + own.start)
            place += len(cells)
            trailer = after or b""
            if place > count or (look and place >= last and self.size > _LOOK):
                break
        if place < last or (place != count and not (look and self.size > _LOOK)):
            raise self.fault(
                f"has {place} values{' or more' * (place > count)}; expected {count}, which are NumProfiles x "
                f"NumPoints = {header.lines} x {header.points}"
            )
        return values, ~np.isfinite(values), " ".join(_plain(trailer).replace("*", " ").split())

    def chunks(self) -> Iterator[tuple[bytes, bytes | None]]:
        """The data section, and with its last chunk what follows; None before."""
        while chunk := self.file.read(_CHUNK):
            body, star, after = chunk.partition(b"*")
            if star:
                yield body, after + self.file.read(_HEADER)
                return
            yield body, None
        yield b" ", b""

    def numbers(self, cells: list[bytes], before: int) -> FloatArray:
        try:
            if any(b"_" in cell for cell in cells):  # Python's float would take 1_000
                raise ValueError
            return np.fromiter((math.nan if cell in _BAD else float(cell) for cell in cells), np.float64, len(cells))
        except ValueError:
            pass
        for place, cell in enumerate(cells, start=before + 1):
            if cell not in _BAD and _float(_plain(cell)) is None:
                raise self.fault(f"value {place} of the data is {shown(_plain(cell))}; expected a number or BAD")
        raise self.fault("has data that are no numbers; expected numbers or BAD")


def _plain(data: bytes) -> str:
    """Text of a field: padded with blanks or zeros, and seldom more than ASCII."""
    return "".join(c if c.isprintable() else " " for c in data.decode("latin-1").replace("\0", " ")).strip()


def _date(text: str) -> str:
    """DDMMYYYYHHMM in ISO 8601, or as it stands."""
    try:
        return datetime.strptime(text, "%d%m%Y%H%M").isoformat(timespec="minutes")  # it has no zone
    except ValueError:
        return text


def _float(text: str) -> float | None:
    try:
        return float(text) if "_" not in text else None
    except ValueError:
        return None


# writing


def write_sdf(
    measured: Profile | Scan,
    path: str | os.PathLike[str],
    *,
    stored: Stored = "float64",
    ascii: bool = False,  # noqa: A002 - the standard's word
    when: datetime | None = None,
    force: bool = False,
) -> Conversion:
    """Write heights as SDF of version 1.0.

    Parameters
    ----------
    measured : Profile or Scan
        Heights, evenly spaced up to a thousandth of a step; gaps, masked points and such as are not finite become
        invalid points.
    path : path
    stored : {'float64', 'float32', 'int32', 'int16', 'int8', 'uint32', 'uint16', 'uint8'}
        Type of the heights; whole numbers use the range of the heights. Unsigned ones can't tell an invalid point
        in the binary form, and hold no negative height: the lowest becomes 1 count.
    ascii : bool
        Text instead of binary.
    when : datetime, optional
        Written as date of creation; by default now.
    force : bool
        Whether a file of that name may be replaced.

    Returns
    -------
    Conversion
        What was rounded or shifted, and what SDF has no place for.

    Raises
    ------
    ParameterError
        If there are slopes, no valid point, points that are not evenly spaced, more than 65,535 in a line, or
        invalid ones that the type can't tell.
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    if stored not in _WORDS:
        raise ParameterError(f"{path}: SDF stores {', '.join(_WORDS)}; got {stored!r}")
    lines, lost = lines_of(measured, path)
    x, y = lines.x[0], lines.y[:, 0]
    lattice, rows = lattice_of(x), lattice_of(y)
    if lattice is None or rows is None or rows.size != len(y):
        raise ParameterError(
            f"{path}: is to hold points that are not evenly spaced; expected even spacing, X3P and HDF5 need none"
        )
    if max(lattice.size, rows.size) > _MOST_PER_LINE:
        raise ParameterError(
            f"{path}: is to hold {lattice.size} points in a line; expected at most {_MOST_PER_LINE}, X3P and HDF5 "
            "hold more"
        )
    if lattice.start != 0:
        lost.append(f"where x begins: {lattice.start!r} m is 0 in the file (it is told in the trailer, for people)")
    if rows.start != 0:
        lost.append(f"where y begins: {rows.start!r} m is 0 in the file")
    if backwards(x):
        lost.append("the order of measurement: points are written along +x")
    heights = on_lattice(lattice, lines.heights)
    valid = np.isfinite(heights)
    if not valid.any():
        raise ParameterError(f"{path}: is to hold no valid point; expected a measurement")
    kind = _WORDS.index(stored)
    counts, scale, shift, rounding = _stored(heights, valid, np.dtype(_TYPES[kind]), path)
    if shift:
        lost.append(f"the height of the whole: {shift!r} m was taken away, for {stored} holds no negative height")
    if not valid.all() and stored.startswith("uint") and not ascii:
        raise ParameterError(
            f"{path}: is to hold {int((~valid).sum())} invalid points as {stored}, which can't tell them; expected a "
            "signed type or float"
        )
    now = (when or datetime.now(UTC)).strftime("%d%m%Y%H%M")
    values: dict[str, str | int | float] = {
        "ManufacID": "ellipsefit",
        "CreateDate": now,
        "ModDate": now,
        "NumPoints": lattice.size,
        "NumProfiles": rows.size,
        "Xscale": lattice.step,
        "Yscale": rows.step if rows.size > 1 else 0.0,
        "Zscale": scale,
        "Zresolution": scale if counts.dtype.kind in "iu" else -1.0,
        "Compression": 0,
        "DataType": kind,
        "CheckType": 0,
    }
    trailer = f"x begins at {lattice.start!r} m\r\n"
    content = _text_file(values, counts, valid, trailer) if ascii else _binary_file(values, counts, trailer)
    with new_file(path, force=force) as temporary:
        temporary.write_bytes(content)
    return Conversion(
        path=os.fspath(path),
        layout=f"SDF (ISO 25178-71), {'ASCII' if ascii else 'binary'}, heights as {stored}",
        points=heights.size,
        invalid=int((~valid).sum()),
        height_rounding=rounding,
        position_rounding=lattice.stray,
        lost=tuple(lost),
    )


def _stored(
    heights: FloatArray, valid: BoolArray, kind: np.dtype[np.generic], path: str | os.PathLike[str]
) -> tuple[npt.NDArray[np.generic], float, float, float]:
    """Numbers to store, their scale, what was taken from the heights, and a bound of the rounding."""
    if kind.kind == "f":
        with np.errstate(over="ignore"):
            counts = heights.astype(kind)
        change = np.abs(counts.astype(np.float64) - heights)[valid]
        if not np.isfinite(change).all():
            raise ParameterError(f"{path}: heights up to {np.abs(heights[valid]).max():g} m don't fit into float32")
        return counts, 1.0, 0.0, float(change.max())
    limits = np.iinfo(str(kind))
    low, high = float(heights[valid].min()), float(heights[valid].max())
    if kind.kind == "i":
        shift, scale, first, last = 0.0, max(-low, high) / limits.max or 1e-12, -limits.max, limits.max
    else:
        # neither 0 nor the largest is used: one of them may mean an invalid point elsewhere
        first, last = 1, limits.max - 1
        scale = (high / (last - first) - low / (last - first)) or 1e-12
        shift = low - scale * first
    counts = np.full(heights.shape, limits.min if kind.kind == "i" else 0, kind)
    counts[valid] = np.clip(np.rint((heights[valid] - shift) / scale), first, last).astype(kind)
    return counts, scale, shift, float(scale / 2 + 4 * np.finfo(np.float64).eps * max(abs(low), abs(high)))


def _binary_file(values: dict[str, str | int | float], counts: npt.NDArray[np.generic], trailer: str) -> bytes:
    layout = struct.Struct("<8s" + "".join(_FIELDS.values()))
    padded = [
        value.ljust(int(_FIELDS[name][:-1])).encode() if isinstance(value, str) else value
        for name, value in values.items()
    ]
    return layout.pack(b"bISO-1.0", *padded) + counts.tobytes() + trailer.encode()


def _text_file(
    values: dict[str, str | int | float], counts: npt.NDArray[np.generic], valid: BoolArray, trailer: str
) -> bytes:
    lines = ["aISO-1.0"]
    lines += [
        f"{name} = {value!r}" if isinstance(value, float) else f"{name} = {value}" for name, value in values.items()
    ]
    lines.append("*")
    for row, good in zip(counts.tolist(), valid.tolist(), strict=True):
        lines += [repr(value) if fine else "BAD" for value, fine in zip(row, good, strict=True)]
    return ("\r\n".join([*lines, "*", trailer.rstrip(), "*"]) + "\r\n").encode()
