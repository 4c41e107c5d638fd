"""What formats of surface texture hold: heights along one line or several, evenly spaced or not.

Profiles and scans go into such lines and come out of them. What a format cannot carry is told, never dropped in
silence: a writer returns a `Conversion`.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np

from ellipsefit import rows
from ellipsefit.arrays import FloatArray, IntArray
from ellipsefit.errors import FileFormatError, ParameterError, UnitError
from ellipsefit.profile import Profile
from ellipsefit.results import Result
from ellipsefit.scan import Scan
from ellipsefit.units import parse_quantity

#: Points that are taken from one file, at most: such formats are held in memory.
MOST_POINTS: Final = 20_000_000
#: Share of a step by which positions may stray from even spacing where a format holds only that.
_STRAY: Final = 1e-3
#: The same where nothing may be lost: a few units in the last place of the longest position.
_ROUNDING: Final = 4 * np.finfo(np.float64).eps
_INVALID: Final = "invalid in its file"
FRAME_LOST: Final = (
    "the frame: x is on the mirror's own axis already, and the x_offset and x_direction of a mirror file would be "
    "applied again"
)


class Lines(NamedTuple):
    """M lines of N points; a height that is not finite is invalid."""

    x: FloatArray  # (M, N) [m]
    y: FloatArray  # (M, N) [m]
    heights: FloatArray  # (M, N) [m]
    told: tuple[tuple[str, str], ...] = ()  # what the file says of itself, for `inspect`
    warnings: tuple[str, ...] = ()
    in_file: int = 1  # lines of the file


#: Which lines are wanted, once it is known how many there are and where [m].
Chooser = Callable[[FloatArray], range]


def first_line(_: FloatArray) -> range:
    """The first line: for a look at a file, not to measure by."""
    return range(1)


def chooser(path: str | os.PathLike[str], line: str | None) -> Chooser:
    """The choice of lines: a number from 1, a place across such as '2.5 mm', 'all', or None if there is but one.

    Raises
    ------
    FileFormatError
        When asked, if None does not tell which.
    ParameterError
        When asked, if there is no such line.
    """

    def choose(y: FloatArray) -> range:
        count = len(y)
        where = f"y from {_mm(y.min())} to {_mm(y.max())}"
        if line is None:
            if count > 1:
                raise FileFormatError(
                    f"{path}: holds {count} lines, {where}; expected one: take it by 'ellipsefit convert FILE OUT "
                    f"--line N' (1 to {count}, a place across such as '2.5 mm', or all)"
                )
            return range(1)
        if line.strip().casefold() == "all":
            return range(count)
        if line.strip().isdecimal() and len(line) < 10:
            number = int(line)
            if not 1 <= number <= count:
                raise ParameterError(f"--line: got {number}; expected 1 to {count}, the lines of {path}")
            return range(number - 1, number)
        try:
            place = parse_quantity(line, "length")
        except UnitError:
            raise ParameterError(f"--line: got '{line}'; expected a number, a place such as '2.5 mm', or all") from None
        nearest = int(np.argmin(np.abs(y - place)))
        gap = float(np.abs(np.diff(y)).max()) / 2 if count > 1 else 0.0
        if abs(y[nearest] - place) > gap * (1 + 1e-9):
            raise ParameterError(f"--line: no line of {path} lies at {_mm(place)}; they have {where}")
        return range(nearest, nearest + 1)

    return choose


def profile_of(path: str | os.PathLike[str], lines: Lines) -> Profile:
    """Lines as a profile; of several each point has its place across, and invalid points are masked.

    Raises
    ------
    FileFormatError
        If they make none.
    """
    x, heights = lines.x.ravel(), lines.heights.ravel()
    invalid = ~(np.isfinite(heights) & np.isfinite(x))
    if invalid.all():
        raise FileFormatError(f"{path}: has no valid point; expected a measurement")
    try:
        return Profile(
            name=Path(path).name,
            quantity="height",
            x=x,
            values=heights,
            y=lines.y.ravel() if len(lines.x) > 1 else None,
            mask=invalid if invalid.any() else None,
            mask_reason=np.where(invalid, _INVALID, "") if invalid.any() else None,
        )
    except ParameterError as error:
        raise FileFormatError(f"{path}: {error}") from None


def scan_of(path: str | os.PathLike[str], lines: Lines) -> Scan:
    """One line as a raw scan; invalid heights are NaN, and points without a position are left out.

    Raises
    ------
    FileFormatError
        If it makes none, or there are several.
    """
    if len(lines.x) > 1:
        raise FileFormatError(f"{path}: holds {len(lines.x)} lines; expected one for a scan")
    placed = np.isfinite(lines.x[0])
    try:
        return Scan(
            name=Path(path).stem,
            quantity="height",
            x=lines.x[0][placed],
            values=np.where(np.isfinite(lines.heights[0]), lines.heights[0], np.nan)[placed],
        )
    except ParameterError as error:
        raise FileFormatError(f"{path}: {error}") from None


# writing


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Conversion(Result):
    """What was written, and what the format could not carry.

    Parameters
    ----------
    path : str
        The file.
    layout : str
        Its format, and how numbers are stored.
    points, invalid : int
        How many there are, and how many of them are marked invalid.
    height_rounding, position_rounding : float
        Bounds of what storing has changed in heights or slopes [m, rad] and in positions [m]; 0: nothing.
    lost : tuple of str
        What the format has no place for, in words; empty: everything is there.
    """

    path: str
    layout: str
    points: int
    invalid: int
    height_rounding: float = 0.0
    position_rounding: float = 0.0
    lost: tuple[str, ...] = field(default=())

    def rows(self) -> list[rows.Table]:
        """The report as a table, for text and HTML."""
        cells = [
            ("format", self.layout),
            ("points", str(self.points)),
            ("invalid points", str(self.invalid)),
            ("heights", _within(self.height_rounding)),
            ("positions", _within(self.position_rounding)),
        ]
        notes = tuple(f"NOT CARRIED: {text}" for text in self.lost) or ("everything is there",)
        return [rows.Table(title=f"{self.path}: written", cells=tuple(cells), notes=notes)]

    def to_dict(self) -> dict[str, Any]:
        """The report for JSON, SI units."""
        return {
            "file": self.path,
            "format": self.layout,
            "points": self.points,
            "invalid": self.invalid,
            "height_rounding": self.height_rounding,
            "position_rounding": self.position_rounding,
            "lost": list(self.lost),
        }


def _within(bound: float) -> str:
    return "as they were" if bound == 0 else f"rounded by {bound:.2g} m at most"


def lines_of(measured: Profile | Scan, path: str | os.PathLike[str]) -> tuple[Lines, list[str]]:
    """What such formats can hold of a profile or a scan, and what they cannot, in words.

    Raises
    ------
    ParameterError
        If it holds slopes, or lies on several lines that don't share their positions.
    """
    if measured.quantity != "height":
        raise ParameterError(f"{path}: is to hold slopes; expected heights, this format has no others")
    if isinstance(measured, Scan):
        heights = np.where(np.isfinite(measured.values), measured.values, np.nan)
        return Lines(measured.x[None, :], np.zeros((1, len(measured.x))), heights[None, :]), _lost_of_scan(measured)
    used, lost = measured.used, _lost_of_profile(measured)
    heights = np.where(used, measured.values, np.nan)
    placed = np.isfinite(measured.x)
    across = np.zeros(len(measured.x)) if measured.y is None else np.where(np.isfinite(measured.y), measured.y, 0.0)
    if not placed.all():
        lost.append(f"{int((~placed).sum())} masked points that have no position")
    x, y, heights = measured.x[placed], across[placed], heights[placed]
    places, line = np.unique(y, return_inverse=True)
    if len(places) == 1:
        return Lines(x[None, :], y[None, :], heights[None, :]), lost
    order = np.lexsort((x, line))
    count = len(x) // len(places)
    if count * len(places) != len(x) or (x[order].reshape(-1, count) != x[order][:count]).any():
        raise ParameterError(
            f"{path}: is to hold {len(places)} lines whose points are not at the same places along; expected one line"
        )
    shape = (len(places), count)
    return Lines(x[order].reshape(shape), y[order].reshape(shape), heights[order].reshape(shape)), lost


def _lost_of_profile(profile: Profile) -> list[str]:
    lost = []
    if profile.covariance_factor is not None:
        lost.append("what the points are unsure of together (covariance)")
    if profile.sigma is not None:
        lost.append("the uncertainty of each point (sigma)")
    if profile.segment is not None:
        lost.append(f"the names of {_counted(len(np.unique(profile.segment)), 'segment')}")
    if profile.mask is not None and profile.mask.any():
        lost.append(f"the values of {_counted(int(profile.mask.sum()), 'masked point')}, now marked invalid")
        if profile.mask_reason is not None:
            lost.append("why they are masked")
    if profile.frame == "mirror":
        lost.append(FRAME_LOST)
    return lost


def _lost_of_scan(scan: Scan) -> list[str]:
    lost = []
    if scan.sigma is not None:
        lost.append("the uncertainty of each point (sigma)")
    along = [name for name in ("carriage", "time", "temperature") if getattr(scan, name) is not None]
    if along:
        lost.append(f"{' and '.join(along)} of each point")
    if scan.segment is not None:
        lost.append(f"the names of {_counted(len(np.unique(scan.segment)), 'segment')}")
    if scan.direction is not None:
        lost.append(f"the direction of the scan ({scan.direction})")
    if scan.orientation != "normal":
        lost.append(f"how the mirror lay ({scan.orientation.replace('_', ' ')})")
    if scan.angle is not None:
        lost.append("the independent reading of its angle")
    return lost


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'s' * (number != 1)}"


class Lattice(NamedTuple):
    """Even spacing, start + step * place, on which positions lie."""

    start: float  # [m]
    step: float  # > 0 [m]
    places: IntArray  # (N,) of each position, not repeated
    stray: float  # largest distance of a position from it [m]

    @property
    def size(self) -> int:
        """Places from the first to the last."""
        return int(self.places.max()) + 1


def lattice_of(x: FloatArray) -> Lattice | None:
    """Even spacing with gaps on which positions lie up to a thousandth of a step; None if on no such.

    Parameters
    ----------
    x : array, shape (N,)
        Finite positions [m], in any order.
    """
    if len(x) == 1:
        return Lattice(float(x[0]), 1.0, np.zeros(1, dtype=np.intp), 0.0)
    rank = np.argsort(x, kind="stable")
    along = x[rank]
    step = float(np.median(np.diff(along)))
    if not step > 0 or np.ptp(along) / step > 10 * len(x) + 1000:
        return None
    index = np.rint((along - along[0]) / step).astype(np.intp)
    # with places known, both ends tell the step better than one distance does
    step = float((along[-1] - along[0]) / index[-1])
    index = np.rint((along - along[0]) / step).astype(np.intp)
    if (np.diff(index) <= 0).any():
        return None
    start = float(along[0])
    stray = float(np.abs(along - (start + step * index)).max())
    if not stray <= _STRAY * step:
        return None
    places = np.empty(len(x), dtype=np.intp)
    places[rank] = index
    return Lattice(start, step, places, stray)


def exactly_even(lattice: Lattice | None) -> bool:
    """Whether a lattice gives positions back to rounding."""
    if lattice is None:
        return False
    longest = max(abs(lattice.start), abs(lattice.start + lattice.step * (lattice.size - 1)))
    return bool(lattice.stray <= _ROUNDING * longest)


def on_lattice(lattice: Lattice, heights: FloatArray) -> FloatArray:
    """Heights of lines, shape (M, N), laid on a lattice; NaN where it has a gap."""
    laid = np.full((len(heights), lattice.size), np.nan)
    laid[:, lattice.places] = heights
    return laid


def backwards(x: FloatArray) -> bool:
    """Whether positions do not rise from point to point."""
    return bool((np.diff(x) <= 0).any())


def _mm(value: float) -> str:
    return rows.number(float(value), "length", digits=7, unit="mm")
