"""A profile that is too large to be held: it lies on the mirror as any other, but is read block by block."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import chain
from typing import Any, Final, Protocol, overload

import numpy as np

from ellipsefit.arrays import BoolArray, FloatArray, IntArray
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.mirror import Mirror
from ellipsefit.moments import Moments, bin_starts
from ellipsefit.profile import (
    BLOCK,
    Block,
    Frame,
    PlacedProfile,
    Profile,
    Quantity,
    Shape,
    Tally,
    check_count,
    missing_notes,
    place_profile,
    points_on_mirror,
    spread_evenly,
    to_mirror_frame,
    twice,
)

#: Points that results hold and figures show of a profile that is not held itself, about.
SHOWN: Final = 100_000


class ProfileSource(Protocol):
    """A profile that gives its points in parts; `ellipsefit.open_profile` makes one of a large file.

    A `Profile` is one, too. Points lie along x, up or down, in each segment; where they step back now and
    then, as an encoder's readings do, no more than a block of points may lie between.
    """

    @property
    def name(self) -> str:
        """Where it comes from, for messages."""

    @property
    def quantity(self) -> Quantity:
        """What was measured."""

    @property
    def frame(self) -> Frame:
        """The axis on which x stands."""

    def __len__(self) -> int:
        """Points, with those that are masked."""

    def part(self, start: int, stop: int, *, names: bool = True) -> Profile:
        """Points `start` to `stop - 1`; without `names`, the names of segments may be left out."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Stretch:
    """Where the points of one segment stand in the source."""

    start: int  # row of the first
    stop: int  # row after the last
    downwards: bool  # x falls from row to row
    back: float  # how far x steps back on its way, at most [m]
    first: float  # [m]
    last: float  # [m]
    step: float  # median distance of neighbours [m]
    count: int
    kept: tuple[np.ndarray[Any, np.dtype[np.uint8]], ...]  # for each block of rows a bit for each row: in use


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlacedStream:
    """A profile on its mirror that stays where it is: what a `PlacedProfile` holds, this reads when asked."""

    name: str
    mirror: Mirror
    quantity: Quantity
    source: ProfileSource
    stretches: tuple[_Stretch | None, ...]  # for each segment; None: no points
    outside: int  # points in no segment, skipped
    masked: int  # points masked in the file, skipped
    warnings: tuple[str, ...]
    block: int  # points that are read at a time

    @property
    def count(self) -> int:
        """Points in use."""
        return sum(stretch.count for stretch in self.stretches if stretch is not None)

    @property
    def shared(self) -> int:
        """Columns that the points are unsure of together: none."""
        return 0

    @property
    def measured(self) -> tuple[int, ...]:
        """Numbers of the segments that have points."""
        return tuple(number for number, stretch in enumerate(self.stretches) if stretch is not None)

    def points_of(self, segment: int) -> int:
        """How many points there are of one segment."""
        stretch = self.stretches[segment]
        return 0 if stretch is None else stretch.count

    def ends(self, segment: int) -> tuple[float, float]:
        """First and last position of the points of a segment that has some [m]."""
        stretch = self._stretch(segment)
        return stretch.first, stretch.last

    def step(self, segment: int) -> float:
        """Typical distance of neighbouring positions of a segment [m]: the median of its blocks' medians."""
        return self._stretch(segment).step

    def blocks(self, segment: int, *, most: int | None = None) -> Iterator[Block]:
        """Points of one segment along x, a block at a time; all, or of blocks spread evenly.

        Raises
        ------
        DataError
            If a position stands twice.
        """
        stretch, last = self._stretch(segment), -np.inf
        read = self._read(stretch, most)
        for block in _in_order(read, stretch.back) if stretch.back > 0 else read:
            same = np.diff(block.x, prepend=last) <= 0
            if same.any():
                raise DataError(twice(self.name, self.mirror.segments[segment].name, float(block.x[same][0])))
            last = block.x[-1]
            yield block

    def _stretch(self, segment: int) -> _Stretch:
        stretch = self.stretches[segment]
        if stretch is None:
            raise ParameterError(f"segment must have points; segment {segment} has none")
        return stretch

    def _read(self, stretch: _Stretch, most: int | None = None) -> Iterator[Block]:
        numbers = spread_evenly(range(len(stretch.kept)), most)
        for number in reversed(numbers) if stretch.downwards else numbers:
            start = stretch.start + number * self.block
            stop = min(start + self.block, stretch.stop)
            rows = np.flatnonzero(np.unpackbits(stretch.kept[number], count=stop - start))
            if not len(rows):
                continue
            rows = rows[::-1] if stretch.downwards else rows
            x, values, sigma = to_mirror_frame(self.source.part(start, stop, names=False), self.mirror)
            yield Block(
                x=x[rows],
                values=values[rows],
                sigma=None if sigma is None else sigma[rows],
                covariance_factor=None,
                rows=rows + number * self.block,
            )

    def without(self, rows: Iterable[tuple[int, IntArray]]) -> PlacedStream:
        """Leave points out: pairs of a segment and some rows of its blocks."""
        kept = [None if stretch is None else list(stretch.kept) for stretch in self.stretches]
        left_out: dict[int, int] = {}
        for segment, some in rows:
            bits = kept[segment]
            if bits is None or not len(some):
                continue
            left_out[segment] = left_out.get(segment, 0) + len(some)
            which, place = np.divmod(some, self.block)
            for number in np.unique(which):
                row = np.unpackbits(bits[number])
                row[place[which == number]] = 0
                bits[number] = np.packbits(row)
        stretches = list(self.stretches)
        for segment, count in left_out.items():
            old = self._stretch(segment)
            stretches[segment] = replace(old, kept=tuple(kept[segment] or ()), count=old.count - count)
        placed = replace(self, stretches=tuple(stretches))
        for segment in left_out:  # the ends may have gone
            first, last = placed._found_ends(segment)
            stretches[segment] = replace(placed._stretch(segment), first=first, last=last)
        return replace(self, stretches=tuple(stretches))

    def _found_ends(self, segment: int) -> tuple[float, float]:
        """First and last position: what the outermost blocks with points, on both sides, reach."""
        stretch = self._stretch(segment)
        some = [number for number, bits in enumerate(stretch.kept) if bits.any()]
        # points that are out of order may lie one block further in
        near = sorted({*some[:2], *some[-2:]})
        bare = tuple(bits if number in near else np.zeros_like(bits) for number, bits in enumerate(stretch.kept))
        x = np.concatenate([block.x for block in self._read(replace(stretch, kept=bare))])
        return float(x.min()), float(x.max())

    def shown(self) -> PlacedProfile:
        """What results hold and figures show of it: means over some neighbours, deviation from nominal by deviation."""
        nominal = self.mirror.nominal
        ideal = nominal.height if self.quantity == "height" else nominal.slope
        size = -(-self.count // SHOWN)
        x, values, weight, sizes = [], [], [], []
        with_sigma = True
        for number in range(len(self.stretches)):
            count, done = self.points_of(number), 0
            bins = -(-count // size)
            moments = Moments(bins, 2)
            for block in self.blocks(number) if count else ():
                starts, first = bin_starts(done, done + len(block.x), count, bins)
                weights = np.ones_like(block.x) if block.sigma is None else block.sigma**-2
                with_sigma = block.sigma is not None
                moments.add((block.x, block.values - ideal(block.x)), weights, starts, first)
                done += len(block.x)
            x.append(moments.mean[:, 0])
            values.append(moments.mean[:, 1])
            weight.append(moments.weight)
            sizes.append(bins)
        places = np.concatenate(x)
        return PlacedProfile(
            name=self.name,
            mirror=self.mirror,
            quantity=self.quantity,
            x=places,
            values=np.concatenate(values) + ideal(places),
            sigma=np.concatenate(weight) ** -0.5 if with_sigma else None,
            covariance_factor=None,
            bounds=np.concatenate([[0], np.cumsum(sizes)]),
            outside=self.outside,
            masked=self.masked,
            warnings=self.warnings,
            stands_for=self.count,
        )


#: A profile on its mirror, held or read.
Placed = PlacedProfile | PlacedStream


def with_neighbours(blocks: Iterable[Block], beside: int) -> Iterator[tuple[Block, int, int]]:
    """Each block with up to so many points of those before and after it, and where it starts and stops therein."""
    before: Block | None = None
    here: Block | None = None
    for after in chain(blocks, [None]):
        if here is not None:
            parts = [here] if after is None else [here, after.take(slice(0, beside))]
            start = 0
            if before is not None:
                start = min(beside, len(before.x))
                parts.insert(0, before.take(slice(len(before.x) - start, None)))
            yield (_joined(parts) if len(parts) > 1 else here), start, start + len(here.x)
        before, here = here, after


def _in_order(blocks: Iterator[Block], back: float) -> Iterator[Block]:
    """The same points, sorted, when none lies further than `back` behind one that came before."""
    held: Block | None = None
    for block in blocks:
        held = block if held is None else _joined([held, block])
        held = held.take(np.argsort(held.x, kind="stable"))
        ready = int(np.searchsorted(held.x, held.x[-1] - back))
        if ready:
            yield held.take(slice(0, ready))
            held = held.take(slice(ready, None))
    if held is not None:
        yield held


def _joined(blocks: list[Block]) -> Block:
    sigma = [block.sigma for block in blocks if block.sigma is not None]
    return Block(
        x=np.concatenate([block.x for block in blocks]),
        values=np.concatenate([block.values for block in blocks]),
        sigma=np.concatenate(sigma) if sigma else None,
        covariance_factor=None,
        rows=np.concatenate([block.rows for block in blocks]),
    )


class _Finder:
    """Finds the stretch of one segment while the source passes by."""

    def __init__(self, mirror: Mirror, number: int, block: int) -> None:
        self.segment = mirror.segments[number]
        self.block = block
        self.start = -1
        self.stop = self.count = 0
        self.low, self.high = np.inf, -np.inf
        self.back_upwards = self.back_downwards = 0.0
        self.steps: list[float] = []
        self.bits: list[BoolArray] = []  # rows from `start` on, full blocks packed as they fill
        self.kept: list[np.ndarray[Any, np.dtype[np.uint8]]] = []

    def add(self, row: int, kept: BoolArray, x: FloatArray) -> None:
        """Rows from `row` on: which of them are this segment's, and their positions (n,)."""
        if self.start < 0:
            skip = int(np.argmax(kept))
            self.start, self.stop = row + skip, row + skip
            kept = kept[skip:]
            row += skip
        end = len(kept) - int(np.argmax(kept[::-1]))
        self._mark(np.concatenate([np.zeros(row - self.stop, dtype=bool), kept[:end]]))
        self.stop = row + end
        self.count += len(x)
        highest = np.maximum.accumulate(np.maximum(x, self.high))
        lowest = np.minimum.accumulate(np.minimum(x, self.low))
        self.back_upwards = max(self.back_upwards, float((highest - x).max()))
        self.back_downwards = max(self.back_downwards, float((x - lowest).max()))
        self.high, self.low = float(highest[-1]), float(lowest[-1])
        if len(x) > 1:
            self.steps.append(float(np.median(np.abs(np.diff(x)))))

    def _mark(self, bits: BoolArray) -> None:
        self.bits.append(bits)
        if sum(len(part) for part in self.bits) >= self.block:
            whole = np.concatenate(self.bits)
            full = len(whole) // self.block * self.block
            self.kept += [np.packbits(part) for part in whole[:full].reshape(-1, self.block)]
            self.bits = [whole[full:]]

    def found(self, name: str) -> _Stretch | None:
        """The stretch, once all has passed."""
        if not self.count:
            return None
        check_count(name, self.segment.name, self.count)
        rest = np.concatenate(self.bits) if self.bits else np.zeros(0, dtype=bool)
        kept = (*self.kept, *([np.packbits(rest)] if len(rest) else []))
        downwards = self.back_downwards < self.back_upwards
        back, step = min(self.back_downwards, self.back_upwards), float(np.median(self.steps))
        mean_step = (self.high - self.low) / self.count
        if back > self.block * mean_step and self.count > self.block:
            raise DataError(
                f"{name}: x steps back by {back * 1e3:.6g} mm in segment '{self.segment.name}'; expected a profile of "
                f"{self.count} points a segment sorted along x, as it is read in parts"
            )
        return _Stretch(
            start=self.start,
            stop=self.stop,
            downwards=downwards,
            back=back,
            first=self.low,
            last=self.high,
            step=step,
            count=self.count,
            kept=kept,
        )


def place_source(source: ProfileSource, mirror: Mirror, *, block: int = BLOCK) -> PlacedStream:
    """Bring a profile into the mirror frame, as `place_profile` does, but leave it where it is.

    One pass finds which points lie on which segment, and checks all that `place_profile` checks.

    Parameters
    ----------
    source : ProfileSource
        Of a `Profile` y and covariance_factor are not used: it would have to be held.
    mirror : Mirror
    block : int
        Points to read at a time.

    Raises
    ------
    DataError
        As by `place_profile`, and if x steps back and forth by more than can be sorted on the way.
    """
    tally, shape = Tally(source.name, mirror), Shape(source.name, mirror, source.quantity)
    finders = [_Finder(mirror, number, block) for number in range(len(mirror.segments))]
    for row in range(0, len(source), block):
        points = points_on_mirror(source.part(row, min(row + block, len(source))), mirror)
        tally.add(points)
        for number in np.flatnonzero(np.bincount(points.segment[points.kept])):
            here = points.kept & (points.segment == number)
            finders[number].add(row, here, points.x[here])
            shape.add(int(number), points.x[here], points.values[here])
    tally.check()
    stretches = tuple(finder.found(source.name) for finder in finders)
    if all(stretch is None for stretch in stretches):
        raise DataError(f"{source.name}: no point lies on a segment of mirror '{mirror.name}'")
    shape.check()
    counts = np.array([0 if stretch is None else stretch.count for stretch in stretches])
    return PlacedStream(
        name=source.name,
        mirror=mirror,
        quantity=source.quantity,
        source=source,
        stretches=stretches,
        outside=tally.outside,
        masked=tally.masked,
        warnings=(*tally.warnings, *missing_notes(mirror, counts)),
        block=block,
    )


@overload
def placed_on(profile: Profile | PlacedProfile, mirror: Mirror | None) -> PlacedProfile: ...
@overload
def placed_on(profile: Profile | ProfileSource | Placed, mirror: Mirror | None) -> Placed: ...
def placed_on(profile: Profile | ProfileSource | Placed, mirror: Mirror | None) -> Placed:
    """The profile on its mirror, whatever it comes as; one that is placed already needs no mirror."""
    if isinstance(profile, PlacedProfile | PlacedStream):
        return profile
    if mirror is None:
        raise ParameterError("mirror is needed with a profile that is not placed on one")
    return place_profile(profile, mirror) if isinstance(profile, Profile) else place_source(profile, mirror)
