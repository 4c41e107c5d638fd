"""Profiles and areal lines as X3P (ISO 25178-72:2017 with Amendment 1:2020): XML and binary data in a ZIP archive.

What is known of the layout, and how well: the records, the rules of the container and the namespace were checked
against descriptions of the standard; the spelling of elements, the order of coordinates in the binary data (of each
point those axes that are absolute, x before y before z) and of bits in the mask (the lowest first) are from memory.
Elements are found by name whatever their prefix, for the two revisions of the schema (2007 and 2020) differ in little
else that matters here: the amendment says what a rotation means, position = rotation * (index * increment) + offset.

Nothing is unpacked to disk, no declared size is believed, and the XML may have no document type.
"""

from __future__ import annotations

import hashlib
import io
import math
import os
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import IO, Final, Literal, NamedTuple
from xml.etree.ElementTree import Element, ParseError

import numpy as np
import numpy.typing as npt
from defusedxml import DefusedXmlException
from defusedxml.ElementTree import fromstring

from ellipsefit.arrays import BoolArray, FloatArray
from ellipsefit.errors import EllipsefitError, FileFormatError, ParameterError, shown
from ellipsefit.files.lines import (
    MOST_POINTS,
    Chooser,
    Conversion,
    Lines,
    backwards,
    exactly_even,
    lattice_of,
    lines_of,
    on_lattice,
)
from ellipsefit.files.safe import existing_file, new_file
from ellipsefit.profile import Profile
from ellipsefit.rows import number
from ellipsefit.scan import Scan

#: Namespace of both revisions of the schema.
NAMESPACE: Final = "http://www.opengps.eu/2008/ISO5436_2"
#: Types of stored numbers by the schema's letter.
_TYPES: Final = {"I": "<i2", "L": "<i4", "F": "<f4", "D": "<f8"}
_WORDS: Final = {"I": "int16", "L": "int32", "F": "float32", "D": "float64"}
_FEATURES: Final = {"PRF": "profile", "SUR": "surface", "PCL": "points"}

#: Bounds of what is believed: a measured file has far less of each.
_MOST_MEMBERS: Final = 1000
_LARGEST_XML: Final = 1 << 23
_MOST_LINES: Final = 1_000_000
_LARGEST_DATA: Final = 1 << 33
#: Above this size a member that unpacks to more than so many times itself is no measurement.
_BOMB: Final = (1 << 22, 200)
_CHUNK: Final = 1 << 20
#: Data up to this size are read whole when a file is only looked at.
_LOOK: Final = 1 << 25

Stored = Literal["int16", "int32", "float32", "float64"]


# reading


def read_x3p(path: str | os.PathLike[str], choose: Chooser, *, look: bool = False) -> Lines:
    """Lines of an X3P file.

    Parameters
    ----------
    path : path
    choose : callable
        Which lines are taken, told where they are.
    look : bool
        Whether large data are read only as far as the chosen lines reach; their checksum is not verified then.

    Returns
    -------
    Lines
        Positions and heights in m; invalid points are NaN.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    FileFormatError
        For the first fault; the text names the file, the part of it, and what was expected.
    """
    place = existing_file(path)
    with _faults_told(path), zipfile.ZipFile(place) as archive:
        return _Reader(path, archive).lines(choose, look=look)


@contextmanager
def _faults_told(path: str | os.PathLike[str]) -> Iterator[None]:
    """Whatever is wrong with the archive, in one sentence."""
    try:
        yield
    except EllipsefitError:
        raise
    except (
        zipfile.BadZipFile,
        zlib.error,
        struct.error,
        EOFError,
        OSError,
        ValueError,
        NotImplementedError,
        RuntimeError,  # encrypted
        OverflowError,
    ) as error:
        reason = (str(error).splitlines() or [type(error).__name__])[0][:100]
        raise FileFormatError(f"{path}: is no sound ZIP archive ({reason}); expected an X3P file, copy it again") from (
            error
        )


class _Axis(NamedTuple):
    """One axis: incremental, or stored for each point."""

    absolute: bool
    kind: str  # letter of its type
    increment: float
    offset: float


class _Reader:
    """One archive."""

    def __init__(self, path: str | os.PathLike[str], archive: zipfile.ZipFile) -> None:
        self.path = path
        self.archive = archive
        self.members = self._checked_members()
        self.told: list[tuple[str, str]] = []
        self.warnings: list[str] = []

    def fault(self, text: str) -> FileFormatError:
        return FileFormatError(f"{self.path}: {text}")

    def _checked_members(self) -> dict[str, zipfile.ZipInfo]:
        members: dict[str, zipfile.ZipInfo] = {}
        found = self.archive.infolist()
        if len(found) > _MOST_MEMBERS:
            raise self.fault(f"holds {len(found)} members; expected an X3P file, which has a handful")
        for member in found:
            name = member.orig_filename
            if name.startswith(("/", "\\")) or ":" in name or "\\" in name or "\0" in name or ".." in name.split("/"):
                raise self.fault(f"member {shown(name)} leads out of the archive; expected plain names inside it")
            if member.filename in members:
                raise self.fault(f"member {shown(name)} is there twice; expected each once")
            members[member.filename] = member
        return members

    def open(self, name: str, what: str, *, largest: int, size: int | None = None) -> IO[bytes]:
        """A member to read from, if it can be what it claims to be; `size` is what it should have."""
        member = self.members.get(name)
        if member is None:
            also = "" if self.members.get("main.xml") else "; a ZIP archive without main.xml is no X3P file"
            raise self.fault(f"has no member {shown(name)}; expected {what}{also}")
        if member.flag_bits & 1:
            raise self.fault(f"member '{name}' is encrypted; expected it open")
        if member.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise self.fault(f"member '{name}' is compressed in an unusual way; expected it stored or deflated")
        if member.file_size > largest:
            raise self.fault(f"member '{name}' unpacks to {member.file_size} bytes; expected at most {largest}")
        if size is not None and member.file_size != size:
            raise self.fault(f"member '{name}' has {member.file_size} bytes; expected {size}, by what main.xml says")
        large, ratio = _BOMB
        if member.file_size > large and member.file_size > ratio * max(member.compress_size, 1):
            raise self.fault(
                f"member '{name}' unpacks to {member.file_size / max(member.compress_size, 1):.0f} times its size; "
                "expected a measurement"
            )
        return self.archive.open(member)

    def whole(self, name: str, what: str, *, largest: int) -> bytes:
        with self.open(name, what, largest=largest) as file:
            data = file.read(largest + 1)
        if len(data) > largest:
            raise self.fault(f"member '{name}' unpacks to more than {largest} bytes; expected at most that")
        return data

    # the XML

    def lines(self, choose: Chooser, *, look: bool) -> Lines:
        xml = self.whole("main.xml", "the description of the data", largest=_LARGEST_XML)
        try:
            root = fromstring(xml, forbid_dtd=True)
        except DefusedXmlException:
            raise self.fault("main.xml has a document type or entities; expected plain XML") from None
        except ParseError as error:
            raise self.fault(f"main.xml is no valid XML: {str(error)[:80]}; expected an X3P file") from None
        except (ValueError, LookupError) as error:  # a character set that does not exist
            raise self.fault(f"main.xml is no valid XML: {str(error)[:80]}; expected an X3P file") from None
        if _local(root) != "iso5436_2":
            raise self.fault(f"main.xml holds {shown(root.tag)}; expected the element 'ISO5436_2'")
        if not root.tag.startswith(f"{{{NAMESPACE}}}"):
            self.warnings.append(f"{self.path}: main.xml does not name the standard's namespace; it is read as if")
        self.check_xml(root, xml)
        self.about(root)
        axes, rotation = self.axes(root)
        if self.find(root, "Record3/MatrixDimension") is not None:
            return self.matrix(root, axes, rotation, choose, look=look)
        return self.listed(root, axes, rotation, choose, look=look)

    def check_xml(self, root: Element, xml: bytes) -> None:
        node = self.find(root, "Record4/ChecksumFile")
        name = _text(node) if node is not None else "md5checksum.hex"
        data = self.whole(name, "the checksum of main.xml", largest=4096)
        match = re.match(rb"\s*([0-9a-fA-F]{32})\b", data)
        if match is None:
            raise self.fault(f"member {shown(name)} holds no MD5 checksum; expected 32 hexadecimal digits")
        if hashlib.md5(xml, usedforsecurity=False).hexdigest() != match[1].decode().lower():
            raise self.fault("main.xml does not match its checksum; expected the file as it was written, copy it again")

    def about(self, root: Element) -> None:
        """What the file tells of itself."""
        feature = self.text(root, "Record1/FeatureType")
        if feature not in _FEATURES:
            raise self.fault(f"main.xml: Record1/FeatureType is {shown(feature)}; expected PRF, SUR or PCL")
        revision = self.find(root, "Record1/Revision")
        named = "no revision named" if revision is None else f"revision {shown(_text(revision))}"
        self.told.append(("format", f"X3P (ISO 25178-72), {_FEATURES[feature]}, {named}"))
        for label, place in (
            ("date", "Record2/Date"),
            ("creator", "Record2/Creator"),
            ("instrument", "Record2/Instrument/Model"),
            ("calibrated", "Record2/CalibrationDate"),
            ("comment", "Record2/Comment"),
        ):
            node = self.find(root, place)
            if node is not None and _text(node):
                self.told.append((label, " ".join(_text(node).split())[:100]))

    def axes(self, root: Element) -> tuple[tuple[_Axis, _Axis, _Axis], FloatArray | None]:
        found = []
        for name in ("CX", "CY", "CZ"):
            place = f"Record1/Axes/{name}"
            if self.find(root, place) is None:
                if name != "CY":  # a profile need not say where it lies across
                    raise self.fault(f"main.xml has no {place}; expected the axis")
                found.append(_Axis(False, "D", 0.0, 0.0))
                continue
            kind = self.text(root, f"{place}/AxisType")
            if kind not in ("A", "I") or (name == "CZ" and kind != "A"):
                expected = "A (absolute)" if name == "CZ" else "A (absolute) or I (incremental)"
                raise self.fault(f"main.xml: {place}/AxisType is {shown(kind)}; expected {expected}")
            absolute = kind == "A"
            node = self.find(root, f"{place}/DataType")
            letter = _text(node) if node is not None else "D"
            if letter not in _TYPES or (absolute and node is None):
                got = "missing" if node is None else shown(letter)
                raise self.fault(f"main.xml: {place}/DataType is {got}; expected I, L, F or D")
            increment = self.number(root, f"{place}/Increment", None if not absolute or letter in "IL" else 1.0)
            if not increment > 0 and not (name == "CY" and not absolute):
                raise self.fault(f"main.xml: {place}/Increment is {increment:g}; expected a length above 0 in m")
            if absolute and letter in "FD" and increment != 1:
                self.warnings.append(
                    f"{self.path}: {name} is stored as {_WORDS[letter]} with an increment of {increment:g}, by which "
                    "it is multiplied"
                )
            found.append(_Axis(absolute, letter, increment, self.number(root, f"{place}/Offset", 0.0)))
        x, y, z = found
        scale = "" if z.increment == 1 else f", {number(z.increment, 'length', digits=4)} a count"
        self.told.append(("heights stored as", f"{_WORDS[z.kind]}{scale if z.kind in 'IL' else ''}"))
        return (x, y, z), self.rotation(root)

    def rotation(self, root: Element) -> FloatArray | None:
        if self.find(root, "Record1/Axes/Rotation") is None:
            return None
        entries = [
            self.number(root, f"Record1/Axes/Rotation/r{row}{column}", None) for row in "123" for column in "123"
        ]
        matrix = np.array(entries).reshape(3, 3)
        if not (np.abs(matrix) <= 1 + 1e-6).all() or np.abs(matrix @ matrix.T - np.eye(3)).max() > 1e-6:
            raise self.fault("main.xml: Record1/Axes/Rotation is no rotation; expected an orthogonal matrix r11 to r33")
        if np.linalg.det(matrix) < 0:
            raise self.fault("main.xml: Record1/Axes/Rotation mirrors; expected a rotation")
        if (matrix == np.eye(3)).all():
            return None
        self.told.append(("rotation", "applied to positions and heights"))
        return matrix

    def find(self, root: Element, place: str) -> Element | None:
        """Element by its path, whatever prefix and capitals it has; None if it is not there."""
        node: Element | None = root
        for name in place.split("/"):
            if node is None:
                return None
            matching = [child for child in node if _local(child) == name.casefold()]
            if len(matching) > 1:
                raise self.fault(f"main.xml has {len(matching)} elements {place}; expected one")
            node = matching[0] if matching else None
        return node

    def text(self, root: Element, place: str) -> str:
        node = self.find(root, place)
        if node is None:
            raise self.fault(f"main.xml has no {place}; expected it")
        return _text(node)

    def number(self, root: Element, place: str, default: float | None) -> float:
        node = self.find(root, place)
        if node is None and default is not None:
            return default
        text = self.text(root, place)
        value = _float(text)
        if value is None:
            raise self.fault(f"main.xml: {place} is {shown(text)}; expected a number")
        return value

    def count(self, root: Element, place: str, default: int | None = None) -> int:
        node = self.find(root, place)
        if node is None and default is not None:
            return default
        text = self.text(root, place)
        if not re.fullmatch(r"\+?0*[1-9]\d{0,11}", text, re.ASCII):
            raise self.fault(f"main.xml: {place} is {shown(text)}; expected a number of points, 1 or more")
        return int(text)

    # the points

    def matrix(
        self,
        root: Element,
        axes: tuple[_Axis, _Axis, _Axis],
        rotation: FloatArray | None,
        choose: Chooser,
        *,
        look: bool,
    ) -> Lines:
        y = axes[1]
        along = self.count(root, "Record3/MatrixDimension/SizeX")
        across = self.count(root, "Record3/MatrixDimension/SizeY")
        layers = self.count(root, "Record3/MatrixDimension/SizeZ", 1)  # some leave it out
        if layers > 1:
            raise self.fault(f"main.xml: SizeZ is {layers}, several layers; expected 1, heights over x and y")
        if across > _MOST_LINES:
            raise self.fault(f"main.xml: SizeY is {across}; expected at most {_MOST_LINES} lines")
        lines = choose(y.offset + y.increment * np.arange(across, dtype=np.float64) * (not y.absolute))
        self.check_size(along * len(lines))
        coordinates = self.points(root, axes, along * across, range(lines.start * along, lines.stop * along), look=look)
        found = self.placed(coordinates, axes, rotation, (len(lines), along), lines.start)
        self.told.append(("lines", str(across)))
        return found._replace(told=tuple(self.told), warnings=tuple(self.warnings), in_file=across)

    def listed(
        self,
        root: Element,
        axes: tuple[_Axis, _Axis, _Axis],
        rotation: FloatArray | None,
        choose: Chooser,
        *,
        look: bool,
    ) -> Lines:
        """Points without an order in space: they make a line if they lie on one."""
        count = self.count(root, "Record3/ListDimension")
        self.check_size(count)
        choose(np.zeros(1))
        coordinates = self.points(root, axes, count, range(count), look=look)
        found = self.placed(coordinates, axes, rotation, (1, count), 0)
        across = found.y[np.isfinite(found.heights)]
        if len(across) and np.ptp(across) > 0:
            raise self.fault(f"is a cloud of points, y from {across.min():g} m to {across.max():g} m; expected a line")
        return found._replace(told=tuple(self.told), warnings=tuple(self.warnings))

    def check_size(self, points: int) -> None:
        if points > MOST_POINTS:
            raise self.fault(f"has {points} points; expected at most {MOST_POINTS}; HDF5 may hold more")

    def placed(
        self,
        coordinates: list[FloatArray | None],
        axes: tuple[_Axis, _Axis, _Axis],
        rotation: FloatArray | None,
        shape: tuple[int, int],
        first: int,
    ) -> Lines:
        """Positions and heights [m] of lines: index times increment or stored value, rotated, then offset."""
        steps = (np.arange(shape[1])[None, :], np.arange(first, first + shape[0])[:, None], np.zeros((1, 1)))
        found = []
        for axis, own, step in zip(axes, coordinates, steps, strict=True):
            scaled = step * axis.increment if own is None else own.reshape(shape)
            found.append(np.broadcast_to(scaled, shape))
        with np.errstate(over="ignore", invalid="ignore"):  # what is not finite is invalid
            if rotation is not None:
                found = [sum((r * c for r, c in zip(row, found, strict=True)), np.zeros(shape)) for row in rotation]
            x, y, z = (values + axis.offset for values, axis in zip(found, axes, strict=True))
        return Lines(x, y, z)

    def points(
        self, root: Element, axes: tuple[_Axis, _Axis, _Axis], count: int, wanted: range, *, look: bool
    ) -> list[FloatArray | None]:
        """Stored values times increment of the absolute axes, of the wanted points; NaN where invalid."""
        data_list, link = self.find(root, "Record3/DataList"), self.find(root, "Record3/DataLink")
        if (data_list is None) == (link is None):
            raise self.fault("main.xml: Record3 has no DataLink and no DataList, or both; expected one of them")
        if data_list is not None:
            return self.datums(data_list, axes, count, wanted)
        return self.binary(root, axes, count, wanted, look=look)

    def datums(
        self, data_list: Element, axes: tuple[_Axis, _Axis, _Axis], count: int, wanted: range
    ) -> list[FloatArray | None]:
        entries = [node for node in data_list if _local(node) == "datum"]
        if len(entries) != count:
            raise self.fault(f"main.xml: Record3/DataList has {len(entries)} entries; expected {count}")
        stored = [place for place, axis in enumerate(axes) if axis.absolute]
        values = np.full((3, len(wanted)), np.nan)
        for row, entry in enumerate(wanted):
            text = _text(entries[entry])
            if not text:
                continue  # an empty entry is an invalid point
            cells = [_float(cell) for cell in text.split(";")]
            if None in cells or len(cells) not in (len(stored), 3):
                raise self.fault(
                    f"main.xml: Datum {entry + 1} is {shown(text)}; expected {len(stored)} numbers between semicolons"
                )
            for place in stored:
                cell = cells[place if len(cells) == 3 else stored.index(place)]
                values[place, row] = np.nan if cell is None else cell
        self.told.append(("checksum", "of the XML, which holds the data: verified"))
        return [values[place] * axis.increment if axis.absolute else None for place, axis in enumerate(axes)]

    def binary(
        self, root: Element, axes: tuple[_Axis, _Axis, _Axis], count: int, wanted: range, *, look: bool
    ) -> list[FloatArray | None]:
        stored = [place for place, axis in enumerate(axes) if axis.absolute]
        kind = np.dtype([("xyz"[place], _TYPES[axes[place].kind]) for place in stored])
        name = self.text(root, "Record3/DataLink/PointDataLink")
        part = look and count * kind.itemsize > _LOOK
        data = self.stretch(
            name,
            self.text(root, "Record3/DataLink/MD5ChecksumPointData"),
            count * kind.itemsize,
            slice(wanted.start * kind.itemsize, wanted.stop * kind.itemsize),
            part=part,
        )
        points = np.frombuffer(data, kind)
        invalid: BoolArray = np.zeros(len(wanted), dtype=bool)
        if self.find(root, "Record3/DataLink/ValidPointsLink") is not None:
            bits = self.stretch(
                self.text(root, "Record3/DataLink/ValidPointsLink"),
                self.text(root, "Record3/DataLink/MD5ChecksumValidPoints"),
                (count + 7) // 8,
                slice(wanted.start // 8, (wanted.stop + 7) // 8),
                part=part,
            )
            valid = np.unpackbits(np.frombuffer(bits, np.uint8), bitorder="little")
            invalid = valid[wanted.start % 8 :][: len(wanted)] == 0
        self.told.append(("checksums", "of XML and data: " + ("NOT VERIFIED of the data" if part else "verified")))
        found: list[FloatArray | None] = []
        for place, axis in enumerate(axes):
            if not axis.absolute:
                found.append(None)
                continue
            values = points["xyz"[place]].astype(np.float64)
            if axis.increment != 1:
                with np.errstate(over="ignore", invalid="ignore"):
                    values *= axis.increment
            if place == 2:
                values[invalid] = np.nan
            found.append(values)
        return found

    def stretch(self, name: str, checksum: str, size: int, wanted: slice, *, part: bool) -> bytes:
        """Bytes of a member, whose size and checksum are right; of a part that is only looked at, its size."""
        if not re.fullmatch(r"[0-9a-fA-F]{32}", checksum):
            raise self.fault(f"main.xml: the checksum of '{name}' is {shown(checksum)}; expected 32 hexadecimal digits")
        digest, place, kept = hashlib.md5(usedforsecurity=False), 0, io.BytesIO()
        with self.open(name, "the data that main.xml links to", largest=_LARGEST_DATA, size=size) as file:
            while chunk := file.read(min(_CHUNK, size + 1 - place)):
                digest.update(chunk)
                kept.write(chunk[max(wanted.start - place, 0) : max(wanted.stop - place, 0)])
                place += len(chunk)
                if place > size or (part and place >= wanted.stop):
                    break
        if not part and place != size:
            raise self.fault(f"member '{name}' unpacks to another size; expected {size} bytes")
        if not part and digest.hexdigest() != checksum.lower():
            raise self.fault(
                f"member '{name}' does not match its checksum; expected it as written, copy the file again"
            )
        return kept.getvalue()


def _local(node: Element) -> str:
    """Name of an element without its namespace."""
    return node.tag.rpartition("}")[2].casefold() if isinstance(node.tag, str) else ""


def _text(node: Element) -> str:
    return (node.text or "").strip()


def _float(text: str) -> float | None:
    try:
        value = float(text) if len(text) < 100 and "_" not in text else math.nan
    except ValueError:
        return None
    return value if math.isfinite(value) else None


# writing


def write_x3p(
    measured: Profile | Scan, path: str | os.PathLike[str], *, stored: Stored = "float64", force: bool = False
) -> Conversion:
    """Write heights as X3P: PRF of one line, SUR of several.

    Positions are incremental where even spacing (with gaps as invalid points) gives them back to rounding, else
    each is stored. There is no Record2, for who measured with what is not known here.

    Parameters
    ----------
    measured : Profile or Scan
        Heights; points that are masked or not finite are marked invalid.
    path : path
    stored : {'float64', 'float32', 'int32', 'int16'}
        Type of the heights; whole numbers share the range of the heights evenly.
    force : bool
        Whether a file of that name may be replaced.

    Returns
    -------
    Conversion
        What was rounded, and what X3P has no place for.

    Raises
    ------
    ParameterError
        If there are slopes, no valid point, or lines that don't share their positions.
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    if stored not in _WORDS.values():
        raise ParameterError(f"{path}: X3P stores {', '.join(_WORDS.values())}; got {stored!r}")
    lines, lost = lines_of(measured, path)
    letter = next(letter for letter, word in _WORDS.items() if word == stored)
    x, y = lines.x[0], lines.y[:, 0]
    lattice, rows = lattice_of(x), lattice_of(y)
    if len(y) > 1 and not (exactly_even(lattice) and exactly_even(rows)):
        raise ParameterError(f"{path}: is to hold {len(y)} lines that are not evenly spaced; expected one line")
    even = exactly_even(lattice) and lattice is not None
    heights = lines.heights
    if even and lattice is not None:
        if backwards(x):
            lost = [*lost, "the order of measurement: points are written along +x"]
        heights = on_lattice(lattice, heights)
    valid = np.isfinite(heights)
    if not valid.any():
        raise ParameterError(f"{path}: is to hold no valid point; expected a measurement")
    counts, increment, offset, rounding = _stored(heights, valid, letter)
    fields: list[tuple[str, npt.NDArray[np.generic]]] = [] if even else [("x", x.astype("<f8"))]
    fields.append(("z", counts.ravel()))
    data = np.empty(heights.size, np.dtype([(name, values.dtype) for name, values in fields]))
    for name, values in fields:
        data[name] = values
    axis_x = ("I", None, lattice.step, lattice.start) if even and lattice else ("A", "D", 1.0, 0.0)
    axis_y = ("I", None, rows.step if rows else 1.0, float(y[0]))
    mask = None if valid.all() else np.packbits(valid.ravel(), bitorder="little").tobytes()
    members = _members(
        data.tobytes(),
        mask,
        "PRF" if len(y) == 1 else "SUR",
        (axis_x, axis_y, ("A", letter, increment, offset)),
        (heights.shape[1], heights.shape[0]),
    )
    with new_file(path, force=force) as temporary, zipfile.ZipFile(temporary, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members:
            # always the same date: the same profile is the same file; what deflates like a bomb is stored as it is
            size, ratio = _BOMB
            plain = len(content) > size and len(content) > ratio / 2 * len(zlib.compress(content))
            archive.writestr(zipfile.ZipInfo(name), content, zipfile.ZIP_STORED if plain else zipfile.ZIP_DEFLATED)
    shift = lattice.stray if even and lattice is not None else 0.0
    return Conversion(
        path=os.fspath(path),
        layout=f"X3P (ISO 25178-72), heights as {stored}",
        points=heights.size,
        invalid=int((~valid).sum()),
        height_rounding=rounding,
        position_rounding=shift,
        lost=tuple(lost),
    )


def _stored(heights: FloatArray, valid: BoolArray, letter: str) -> tuple[npt.NDArray[np.generic], float, float, float]:
    """Heights as stored, increment and offset, and a bound of the rounding: half a count, and float64's own."""
    kind = np.dtype(_TYPES[letter])
    if kind.kind == "f":
        with np.errstate(over="ignore"):
            counts = heights.astype(kind)
        change = np.abs(counts.astype(np.float64) - heights)[valid]
        if not np.isfinite(change).all():
            raise ParameterError(f"heights up to {np.abs(heights[valid]).max():g} m don't fit into float32")
        return counts, 1.0, 0.0, float(change.max())
    low, high = float(heights[valid].min()), float(heights[valid].max())
    most = np.iinfo(kind).max
    increment, offset = (high / most - low / most) / 2 or 1e-12, low / 2 + high / 2
    counts = np.zeros(heights.shape, kind)
    counts[valid] = np.clip(np.rint((heights[valid] - offset) / increment), -most, most).astype(kind)
    return counts, increment, offset, float(increment / 2 + 4 * np.finfo(np.float64).eps * max(abs(low), abs(high)))


def _members(
    data: bytes,
    mask: bytes | None,
    feature: str,
    axes: tuple[tuple[str, str | None, float, float], ...],
    size: tuple[int, int],
) -> Iterator[tuple[str, bytes]]:
    parts = []
    for name, (kind, letter, increment, offset) in zip(("CX", "CY", "CZ"), axes, strict=True):
        typed = "" if letter is None else f"<DataType>{letter}</DataType>"
        parts.append(
            f"<{name}><AxisType>{kind}</AxisType>{typed}<Increment>{increment!r}</Increment>"
            f"<Offset>{offset!r}</Offset></{name}>"
        )
    links = _link("PointDataLink", "bindata/data.bin", "MD5ChecksumPointData", data)
    if mask is not None:
        links += _link("ValidPointsLink", "bindata/valid.bin", "MD5ChecksumValidPoints", mask)
    xml = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<p:ISO5436_2 xmlns:p="{NAMESPACE}">\n'
        f"<Record1><Revision>ISO5436 - 2000</Revision><FeatureType>{feature}</FeatureType>\n"
        f"<Axes>{''.join(parts)}</Axes></Record1>\n"
        f"<Record3><MatrixDimension><SizeX>{size[0]}</SizeX><SizeY>{size[1]}</SizeY><SizeZ>1</SizeZ>"
        f"</MatrixDimension>\n<DataLink>{links}</DataLink></Record3>\n"
        "<Record4><ChecksumFile>md5checksum.hex</ChecksumFile></Record4>\n"
        "</p:ISO5436_2>\n"
    ).encode()
    yield "main.xml", xml
    yield "bindata/data.bin", data
    if mask is not None:
        yield "bindata/valid.bin", mask
    yield "md5checksum.hex", f"{_md5(xml)} *main.xml\n".encode()


def _link(name: str, member: str, sum_name: str, data: bytes) -> str:
    return f"<{name}>{member}</{name}><{sum_name}>{_md5(data).upper()}</{sum_name}>"


def _md5(data: bytes) -> str:
    return hashlib.md5(data, usedforsecurity=False).hexdigest()
