"""What was measured, and how it lies on the mirror."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal, NamedTuple, get_args

import numpy as np

from ellipsefit.arrays import BoolArray, FloatArray, IntArray, sealed
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.mirror import Mirror
from ellipsefit.moments import Moments
from ellipsefit.results import Array, Result
from ellipsefit.rows import Table
from ellipsefit.rows import number as shown_number

Quantity = Literal["height", "slope"]
Frame = Literal["scan", "mirror"]

#: Fewest points that a segment needs: height, tilt and three degrees of freedom left to judge them by.
FEWEST_POINTS: Final = 5
#: Largest share of points that may lie in no segment.
LARGEST_SHARE_OUTSIDE: Final = 0.01
#: Points that are worked on together, at most: they and their columns fit into a processor's cache.
BLOCK: Final = 1 << 15


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Profile(Result):
    """A measured profile, as it stands in its file.

    Parameters
    ----------
    name : str
        Where it comes from, for messages.
    quantity : {'height', 'slope'}
        What `values` are: heights [m] along +z, or slopes dz/dx [rad].
    x : array, shape (N,)
        Positions [m], on the axis that `frame` names.
    values : array, shape (N,)
        Heights [m] or slopes [rad].
    sigma : array, shape (N,), optional
        Standard uncertainty of each value, > 0; None: equal and unknown.
    segment : array of str, shape (N,), optional
        Segment of each point; None: the spans of the mirror file decide.
    y : array, shape (N,), optional
        Position across [m].
    mask : array of bool, shape (N,), optional
        True where a point is left out.
    mask_reason : array of str, shape (N,), optional
        Why; empty where it is not.
    covariance_factor : array, shape (N, k), optional
        What the points are unsure of together: the covariance is F F' + diag(sigma**2) [m**2, rad**2].
    frame : {'scan', 'mirror'}
        'scan': the axis of the instrument, `Mirror.measurement` leads to the mirror; 'mirror': done.

    Raises
    ------
    ParameterError
        If shapes differ, a value in use is not finite or a sigma is not positive.
    """

    name: str
    quantity: Quantity
    x: FloatArray
    values: FloatArray
    sigma: FloatArray | None = None
    segment: np.ndarray[tuple[int], np.dtype[np.str_]] | None = None
    y: FloatArray | None = None
    mask: BoolArray | None = None
    mask_reason: np.ndarray[tuple[int], np.dtype[np.str_]] | None = None
    covariance_factor: FloatArray | None = None
    frame: Frame = "scan"

    def __post_init__(self) -> None:
        for key in ("x", "values", "sigma", "y", "covariance_factor"):
            if getattr(self, key) is not None:
                object.__setattr__(self, key, sealed(getattr(self, key)))
        if self.segment is not None:
            object.__setattr__(self, "segment", sealed(self.segment, np.str_))
        if self.mask is not None:
            object.__setattr__(self, "mask", sealed(self.mask, np.bool_))
        if self.mask_reason is not None:
            object.__setattr__(self, "mask_reason", sealed(self.mask_reason, np.str_))
        if self.quantity not in get_args(Quantity):
            raise ParameterError(f"quantity must be one of {', '.join(get_args(Quantity))}; got {self.quantity!r}")
        for key in ("values", "sigma", "segment", "y", "mask", "mask_reason"):
            array = getattr(self, key)
            if array is not None and array.shape != (len(self.x),):
                raise ParameterError(f"{key} must have one entry for each x, shape ({len(self.x)},); got {array.shape}")
        factor = self.covariance_factor
        if factor is not None and (factor.ndim != 2 or len(factor) != len(self.x) or not np.isfinite(factor).all()):
            raise ParameterError(f"covariance_factor must be finite, shape ({len(self.x)}, k); got {factor.shape}")
        used = self.used
        for key in ("x", "values", "y"):
            array = getattr(self, key)
            if array is not None and not (np.isfinite(array) | ~used).all():
                row = int(np.flatnonzero(used & ~np.isfinite(array))[0])
                raise ParameterError(
                    f"{key} must be finite where it is not masked; got {array[row]} at point {row + 1}"
                )
        if self.sigma is not None and not ((self.sigma > 0) & np.isfinite(self.sigma) | ~used).all():
            row = int(np.flatnonzero(used & ~((self.sigma > 0) & np.isfinite(self.sigma)))[0])
            raise ParameterError(f"sigma must be positive; got {self.sigma[row]} at point {row + 1}")

    def arrays(self) -> tuple[Array, ...]:
        """The points as they stand in the file, with what is stated of them."""
        unit = "m" if self.quantity == "height" else "rad"
        return (
            Array("x", ("point",), self.x, "m", "position", True),
            Array(self.quantity, ("point",), self.values, unit, self.quantity),
            Array("sigma", ("point",), self.sigma, unit, "standard uncertainty"),
            Array("segment", ("point",), self.segment, "", "segment", True),
            Array("y", ("point",), self.y, "m", "position across"),
            Array("mask", ("point",), self.mask, "", "left out"),
            Array("mask_reason", ("point",), self.mask_reason, "", "why"),
            Array("covariance_factor", ("point", "mode"), self.covariance_factor, unit, "what points share"),
        )

    def to_dict(self) -> dict[str, Any]:
        """What the profile is, SI; its points are in `arrays`."""
        return {
            "name": self.name,
            "quantity": self.quantity,
            "frame": self.frame,
            "points": len(self),
            "masked": int(len(self) - self.used.sum()),
            "start": float(self.x.min()) if len(self) else None,
            "end": float(self.x.max()) if len(self) else None,
        }

    def rows(self) -> list[Table]:
        """What the profile is, as a table."""
        facts = self.to_dict()
        cells = (
            ("measured", f"{self.quantity}s"),
            ("points", str(facts["points"])),
            ("of them masked", str(facts["masked"])),
            ("from", shown_number(facts["start"], "length", digits=5)),
            ("to", shown_number(facts["end"], "length", digits=5)),
            ("frame", {"scan": "the instrument's axis", "mirror": "mirror"}[self.frame]),
        )
        return [Table(title=f"Profile {self.name}", cells=cells)]

    @property
    def used(self) -> BoolArray:
        """Which points are not masked, shape (N,)."""
        return np.ones(len(self.x), dtype=bool) if self.mask is None else ~self.mask

    def __len__(self) -> int:
        return len(self.x)

    def part(self, start: int, stop: int, *, names: bool = True) -> Profile:
        """Points `start` to `stop - 1` as a profile; without `names`, of segments and reasons, it is quicker."""
        keys = ("sigma", "y", "mask", "covariance_factor", "segment", "mask_reason")
        arrays: dict[str, Any] = {
            key: None if getattr(self, key) is None else getattr(self, key)[start:stop] for key in keys
        }
        if not names:
            arrays |= {"segment": None, "mask_reason": None}
        return replace(self, x=self.x[start:stop], values=self.values[start:stop], **arrays)


class Block(NamedTuple):
    """Points of one segment that follow each other along x, n of them."""

    x: FloatArray  # (n,) [m]
    values: FloatArray  # (n,) [m] or [rad]
    sigma: FloatArray | None  # (n,)
    covariance_factor: FloatArray | None  # (n, k)
    rows: IntArray  # (n,) by which the points are named, if some are to be left out

    def take(self, which: IntArray | slice) -> Block:
        """Some of the points."""
        return Block(
            x=self.x[which],
            values=self.values[which],
            sigma=None if self.sigma is None else self.sigma[which],
            covariance_factor=None if self.covariance_factor is None else self.covariance_factor[which],
            rows=self.rows[which],
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlacedProfile:
    """A profile on its mirror: mirror frame, sorted by segment and x, only points in use.

    Points of segment i are `x[bounds[i]:bounds[i + 1]]`; a segment without points has an empty range. Of a
    profile that is too large to be held, these are means over neighbours, and `stands_for` tells of how many
    points in all.
    """

    name: str
    mirror: Mirror
    quantity: Quantity
    x: FloatArray  # (N,), [m]
    values: FloatArray  # (N,), [m] or [rad]
    sigma: FloatArray | None  # (N,)
    covariance_factor: FloatArray | None  # (N, k)
    bounds: IntArray  # (segments + 1,)
    outside: int  # points in no segment, skipped
    masked: int  # points masked in the file, skipped
    warnings: tuple[str, ...]
    y: FloatArray | None = None  # (N,), [m] across; None: all on one line
    stands_for: int | None = None  # points whose means these are; None: they are the points

    def __post_init__(self) -> None:
        for key in ("x", "values", "sigma", "covariance_factor", "y"):
            if getattr(self, key) is not None:
                object.__setattr__(self, key, sealed(getattr(self, key)))
        object.__setattr__(self, "bounds", sealed(self.bounds, np.intp))

    @property
    def count(self) -> int:
        """Points in use."""
        return len(self.x) if self.stands_for is None else self.stands_for

    @property
    def shown_words(self) -> str:
        """What figures and records hold of the points where they don't hold all; else empty."""
        if self.stands_for is None:
            return ""
        return f"means of {self.stands_for / len(self.x):.0f} neighbours each"

    @property
    def shared(self) -> int:
        """Columns that the points are unsure of together."""
        return 0 if self.covariance_factor is None else int(self.covariance_factor.shape[1])

    def part(self, segment: int) -> slice:
        """Range of the points of one segment."""
        return slice(int(self.bounds[segment]), int(self.bounds[segment + 1]))

    @property
    def measured(self) -> tuple[int, ...]:
        """Numbers of the segments that have points."""
        return tuple(int(i) for i in np.flatnonzero(np.diff(self.bounds)))

    @property
    def index(self) -> IntArray:
        """Segment number of each point, shape (N,)."""
        return np.repeat(np.arange(len(self.bounds) - 1), np.diff(self.bounds))

    def points_of(self, segment: int) -> int:
        """How many points there are of one segment."""
        return int(self.bounds[segment + 1] - self.bounds[segment])

    def ends(self, segment: int) -> tuple[float, float]:
        """First and last position of the points of a segment that has some [m]."""
        x = self.x[self.part(segment)]
        return float(x[0]), float(x[-1])

    def step(self, segment: int) -> float:
        """Median distance of neighbouring positions of a segment [m]."""
        return float(np.median(np.diff(np.unique(self.x[self.part(segment)]))))

    def blocks(self, segment: int, *, most: int | None = None) -> Iterator[Block]:
        """Points of one segment along x, up to `BLOCK` of them at a time; all, or of blocks spread evenly."""
        part = self.part(segment)
        for start in spread_evenly(range(part.start, part.stop, BLOCK), most):
            at = slice(start, min(start + BLOCK, part.stop))
            yield Block(
                x=self.x[at],
                values=self.values[at],
                sigma=None if self.sigma is None else self.sigma[at],
                covariance_factor=None if self.covariance_factor is None else self.covariance_factor[at],
                rows=np.arange(at.start - part.start, at.stop - part.start),
            )

    def without(self, rows: Iterable[tuple[int, IntArray]]) -> PlacedProfile:
        """Leave points out: pairs of a segment and some rows of its blocks."""
        kept = np.ones(len(self.x), dtype=bool)
        for segment, some in rows:
            kept[self.bounds[segment] + some] = False
        index = self.index[kept]
        return replace(
            self,
            x=self.x[kept],
            values=self.values[kept],
            sigma=None if self.sigma is None else self.sigma[kept],
            covariance_factor=None if self.covariance_factor is None else self.covariance_factor[kept],
            y=None if self.y is None else self.y[kept],
            bounds=np.searchsorted(index, np.arange(len(self.bounds))),
        )

    def shown(self) -> PlacedProfile:
        """What results hold and figures show of it: the profile itself."""
        return self


def spread_evenly(items: range, most: int | None) -> Sequence[int]:
    """All items, or so many of them that lie evenly between the first and the last."""
    if most is None or len(items) <= most:
        return items
    return [items[round(place)] for place in np.linspace(0, len(items) - 1, most)]


def place_profile(profile: Profile, mirror: Mirror) -> PlacedProfile:
    """Bring a profile into the mirror frame and sort its points by segment.

    The scan's axis is shifted and turned as `mirror.measurement` says, and lengths are brought to the
    reference temperature; points at the edges that the mirror file leaves out, masked points and (up to
    1 %) points in no segment are skipped.

    Raises
    ------
    DataError
        If the profile cannot be one of this mirror: x in another unit, too many points in no segment,
        unknown segments, fewer than 5 points in a segment, a position twice, or a convex curve.
    """
    points = points_on_mirror(profile, mirror)
    tally = Tally(profile.name, mirror)
    tally.add(points)
    tally.check()
    order = np.flatnonzero(points.kept)
    order = order[np.lexsort((points.x[order], points.segment[order]))]
    bounds = np.searchsorted(points.segment[order], np.arange(len(mirror.segments) + 1))
    placed = PlacedProfile(
        name=profile.name,
        mirror=mirror,
        quantity=profile.quantity,
        x=points.x[order],
        values=points.values[order],
        sigma=None if points.sigma is None else points.sigma[order],
        covariance_factor=None if profile.covariance_factor is None else profile.covariance_factor[order],
        bounds=bounds,
        outside=tally.outside,
        masked=tally.masked,
        warnings=(*tally.warnings, *missing_notes(mirror, np.diff(bounds))),
        y=None if profile.y is None else _across(profile, mirror)[order],
    )
    _check_points(placed, placed.y)
    shape = Shape(profile.name, mirror, profile.quantity)
    for number in placed.measured:
        for block in placed.blocks(number):
            shape.add(number, block.x, block.values)
    shape.check()
    return placed


#: Heights [m] and slopes [rad] beyond this are nonsense, and their squares might overflow.
_LARGEST_VALUE: Final = 1e6
#: Share of the measured curve that the nominal one must explain before its sign and size are judged.
MOSTLY: Final = 0.5
#: Positions written with a few decimals may end this far outside their span [m].
_SLACK: Final = 1e-9


class Points(NamedTuple):
    """Points of a profile in the mirror frame, in the order of the profile, N of them."""

    x: FloatArray  # (N,)
    values: FloatArray  # (N,)
    sigma: FloatArray | None  # (N,)
    used: BoolArray  # (N,) not masked
    segment: IntArray  # (N,) number; -1: in none
    kept: BoolArray  # (N,) in use: on a segment and not at an edge that is left out


def points_on_mirror(profile: Profile, mirror: Mirror) -> Points:
    """Bring points into the mirror frame and find their segments.

    Raises
    ------
    DataError
        If a segment is not one of the mirror's.
    """
    x, values, sigma = to_mirror_frame(profile, mirror)
    used, index = profile.used, _segment_of_points(profile, x, mirror)
    edges = np.array([segment.edge for segment in mirror.segments])
    starts = np.array([segment.start for segment in mirror.segments]) + edges
    ends = np.array([segment.end for segment in mirror.segments]) - edges
    kept = used & (index >= 0) & (x >= starts[index] - _SLACK) & (x <= ends[index] + _SLACK)
    return Points(x=x, values=values, sigma=sigma, used=used, segment=index, kept=kept)


class Tally:
    """How many points of a profile are masked or in no segment, and whether that can be."""

    def __init__(self, name: str, mirror: Mirror) -> None:
        self.name = name
        self.mirror = mirror
        self.count = self.masked = self.outside = 0
        self._reach = 0.0
        self._first_outside: float | None = None

    def add(self, points: Points) -> None:
        """Count points."""
        self.count += len(points.x)
        self.masked += len(points.x) - int(points.used.sum())
        outside = points.used & (points.segment < 0)
        self.outside += int(outside.sum())
        if self._first_outside is None and outside.any():
            self._first_outside = float(points.x[outside][0])
        if points.used.any():
            self._reach = max(self._reach, float(np.abs(points.x[points.used]).max()))

    def check(self) -> None:
        """Refuse a profile whose points are not where the mirror is.

        Raises
        ------
        DataError
            If no point is left, x has another unit, or too many points lie in no segment.
        """
        used = self.count - self.masked
        if used == 0:
            raise DataError(f"{self.name}: no point is left to use; expected at least {FEWEST_POINTS} in a segment")
        _check_scale(self.name, self._reach, self.mirror)
        if self._first_outside is not None and self.outside / used > LARGEST_SHARE_OUTSIDE:
            span = self.mirror.span
            raise DataError(
                f"{self.name}: {self.outside} of {used} points lie in no segment of mirror '{self.mirror.name}', the "
                f"first at x = {self._first_outside * 1e3:.6g} mm in the mirror frame; expected at most 1 % (spans run "
                f"from {span[0] * 1e3:.6g} mm to {span[1] * 1e3:.6g} mm)"
            )

    @property
    def warnings(self) -> tuple[str, ...]:
        """What is said of points that are skipped."""
        used = self.count - self.masked
        outside = [f"{self.outside} of {used} points lie in no segment and are skipped"] if self.outside else []
        masked = [f"{self.masked} of {self.count} points are masked and skipped"] if self.masked else []
        return (*outside, *masked)


def to_mirror_frame(profile: Profile, mirror: Mirror) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """Positions, values and uncertainties of a profile's points, in the mirror frame."""
    if profile.frame == "mirror":
        return profile.x, profile.values, profile.sigma
    how = mirror.measurement
    turn = 1.0 if how.x_direction == "downstream" else -1.0
    x = turn * (profile.x - how.x_offset) / how.stretch
    if profile.quantity == "slope":
        return x, turn * profile.values, profile.sigma
    return x, profile.values / how.stretch, None if profile.sigma is None else profile.sigma / how.stretch


def _across(profile: Profile, mirror: Mirror) -> FloatArray:
    """Positions across in the mirror frame: y = z x x, so that it turns with x."""
    y = np.zeros_like(profile.x) if profile.y is None else profile.y
    upstream = profile.frame == "scan" and mirror.measurement.x_direction == "upstream"
    return -y if upstream else y


def _check_scale(name: str, reach: float, mirror: Mirror) -> None:
    """Refuse an x that is a power of 1000 away from the mirror, as a wrong unit makes it."""
    size = max(abs(end) for end in mirror.span)
    for factor in (1e3, 1e6, 1e-3, 1e-6):
        if 0.5 < reach / (size * factor) < 1.05 and not 0.02 < reach / size < 50:
            raise DataError(
                f"{name}: x reaches {reach * 1e3:.6g} mm, a factor {factor:g} away from the spans of mirror "
                f"'{mirror.name}' (up to {size * 1e3:.6g} mm); expected another unit of x, check the header"
            )


def _segment_of_points(profile: Profile, x: FloatArray, mirror: Mirror) -> IntArray:
    """Segment number of each point, -1: none."""
    starts = np.array([segment.start for segment in mirror.segments])
    ends = np.array([segment.end for segment in mirror.segments])
    if profile.segment is None:
        index = np.searchsorted(starts - _SLACK, x, side="right") - 1
    else:
        names, codes = _distinct(profile.segment)
        named = np.bincount(codes[profile.used], minlength=len(names)) > 0  # a masked point may have any name
        known = {segment.name: number for number, segment in enumerate(mirror.segments)}
        strangers = [str(name) for name in names[named] if str(name) not in known]
        if strangers:
            raise DataError(
                f"{profile.name}: segment '{strangers[0]}' is not in the mirror file of '{mirror.name}'; "
                f"expected one of {', '.join(known)}"
            )
        index = np.array([known.get(str(name), -1) for name in names])[codes]
    index = np.where(np.isfinite(x), index, -1)
    inside = (index >= 0) & (x >= starts[index] - _SLACK) & (x <= ends[index] + _SLACK)
    return np.where(inside, index, -1)


def _distinct(names: np.ndarray[tuple[int], np.dtype[np.str_]]) -> tuple[Any, IntArray]:
    """Distinct names, and which of them each is; a long run of one name need not be sorted."""
    if len(names) and (names == names[0]).all():
        return names[:1], np.zeros(len(names), dtype=np.intp)
    return np.unique(names, return_inverse=True)


def missing_notes(mirror: Mirror, counts: IntArray) -> list[str]:
    """What is said of segments without points."""
    empty = [segment.name for segment, count in zip(mirror.segments, counts, strict=True) if count == 0]
    return [
        f"segment {name} has no points: nothing is known of it and nothing is asked of its adjusters" for name in empty
    ]


def check_count(name: str, segment: str, count: int) -> None:
    """Refuse a segment with some points, but too few.

    Raises
    ------
    DataError
    """
    if 0 < count < FEWEST_POINTS:
        raise DataError(
            f"{name}: segment '{segment}' has {count} point{'s' * (count > 1)}; "
            f"expected at least {FEWEST_POINTS}, or none"
        )


def twice(name: str, segment: str, x: float) -> str:
    """What is said of a position [m] that stands twice."""
    return f"{name}: x = {x * 1e3:.6g} mm stands twice in segment '{segment}'; expected each position once"


def _check_points(placed: PlacedProfile, y: FloatArray | None) -> None:
    counts = np.diff(placed.bounds)
    if not counts.any():
        raise DataError(f"{placed.name}: no point lies on a segment of mirror '{placed.mirror.name}'")
    for number in placed.measured:
        part, segment = placed.part(number), placed.mirror.segments[number]
        check_count(placed.name, segment.name, int(counts[number]))
        x = placed.x[part]
        same = np.diff(x) <= 0
        if y is not None:
            across = y[part]
            rank = np.lexsort((across, x))
            same = (np.diff(x[rank]) <= 0) & (np.diff(across[rank]) == 0)
        if same.any():
            raise DataError(twice(placed.name, segment.name, float(x[1:][same][0])))
        positions = len(np.unique(x))  # fewer than points where y differs
        if positions < FEWEST_POINTS:
            raise DataError(
                f"{placed.name}: segment '{segment.name}' has points at {positions} position"
                f"{'s' * (positions > 1)} only; expected at least {FEWEST_POINTS}, or none"
            )


class Shape:
    """Whether the measured curve can be that of the mirror, gathered block by block.

    The measured values are regressed on the nominal ones, both less their line (heights) or mean (slopes)
    in each segment; the ratio is 1 for the nominal mirror, -1 with the sign of the height flipped.
    """

    def __init__(self, name: str, mirror: Mirror, quantity: Quantity) -> None:
        self.name = name
        self.mirror = mirror
        self.quantity = quantity
        self._moments = Moments(len(mirror.segments), 3)
        self._largest = 0.0

    def add(self, segment: int, x: FloatArray, values: FloatArray) -> None:
        """Add points of a segment; nothing is judged yet."""
        self._largest = max(self._largest, float(np.abs(values).max()))
        if self._largest > _LARGEST_VALUE:
            return
        nominal = self.mirror.nominal
        ideal = nominal.height(x) if self.quantity == "height" else nominal.slope(x)
        self._moments.add((x, ideal, values), np.ones_like(x), np.zeros(1, dtype=np.intp), segment)

    def check(self) -> None:
        """Refuse a curve that is convex, or whose curvature is far from the nominal one.

        Raises
        ------
        DataError
        """
        if self._largest > _LARGEST_VALUE:
            raise DataError(
                f"{self.name}: a {self.quantity} of {self._largest:g} {'m' if self.quantity == 'height' else 'rad'} "
                "is none of a mirror; expected another unit or a mask"
            )
        measured = self._moments.product[self._moments.count > 0]
        products = measured[:, 1:, 1:]
        if self.quantity == "height":
            line = measured[:, 1:, 0]
            products = products - line[:, :, None] * line[:, None, :] / measured[:, :1, :1]
        (square, product), (_, rest) = products.sum(axis=0)
        if square == 0:
            return
        ratio = product / square
        if ratio * product < MOSTLY * rest:  # a nearly flat mirror: its own errors hide the curve
            return
        # spread of the ratio if all that the nominal curve does not explain were independent noise
        count = int(self._moments.count.sum())
        spread = np.sqrt(max(rest - ratio * product, 0.0) / square / max(count - 1, 1))
        if ratio < -5 * spread and ratio < -0.5:
            raise DataError(
                f"{self.name}: the curve is convex ({ratio:.3g} times the nominal curvature) where mirror "
                f"'{self.mirror.name}' is concave; expected {self.quantity}s along +z, out of the reflecting side"
            )
        for factor in (1e3, 1e6, 1e-3, 1e-6):
            if 0.5 < ratio / factor < 2 and spread < abs(ratio) / 5:
                raise DataError(
                    f"{self.name}: the {self.quantity}s are a factor {factor:g} away from those of mirror "
                    f"'{self.mirror.name}'; expected another unit of {self.quantity}, check the header"
                )
