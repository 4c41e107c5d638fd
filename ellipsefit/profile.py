"""What was measured, and how it lies on the mirror."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, get_args

import numpy as np

from ellipsefit.arrays import BoolArray, FloatArray, IntArray, sealed
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.mirror import Mirror

Quantity = Literal["height", "slope"]
Frame = Literal["scan", "mirror"]

#: Fewest points that a segment needs: height, tilt and three degrees of freedom left to judge them by.
FEWEST_POINTS: Final = 5
#: Largest share of points that may lie in no segment.
LARGEST_SHARE_OUTSIDE: Final = 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Profile:
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
            if array is not None and not np.isfinite(array[used]).all():
                row = int(np.flatnonzero(used & ~np.isfinite(array))[0])
                raise ParameterError(
                    f"{key} must be finite where it is not masked; got {array[row]} at point {row + 1}"
                )
        if self.sigma is not None and not ((self.sigma[used] > 0) & np.isfinite(self.sigma[used])).all():
            row = int(np.flatnonzero(used & ~((self.sigma > 0) & np.isfinite(self.sigma)))[0])
            raise ParameterError(f"sigma must be positive; got {self.sigma[row]} at point {row + 1}")

    @property
    def used(self) -> BoolArray:
        """Which points are not masked, shape (N,)."""
        return np.ones(len(self.x), dtype=bool) if self.mask is None else ~self.mask


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlacedProfile:
    """A profile on its mirror: mirror frame, sorted by segment and x, only points in use.

    Points of segment i are `x[bounds[i]:bounds[i + 1]]`; a segment without points has an empty range.
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

    def __post_init__(self) -> None:
        for key in ("x", "values", "sigma", "covariance_factor", "y"):
            if getattr(self, key) is not None:
                object.__setattr__(self, key, sealed(getattr(self, key)))
        object.__setattr__(self, "bounds", sealed(self.bounds, np.intp))

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
    x, values, sigma = _to_mirror_frame(profile, mirror)
    used = profile.used
    masked = int(len(used) - used.sum())
    if masked == len(used):
        raise DataError(f"{profile.name}: no point is left to use; expected at least {FEWEST_POINTS} in a segment")
    _check_scale(profile.name, x[used], mirror)
    index = _segment_of_points(profile, x, mirror)
    outside = used & (index < 0)
    share = outside.sum() / used.sum()
    if share > LARGEST_SHARE_OUTSIDE:
        worst = float(x[outside][0])
        raise DataError(
            f"{profile.name}: {outside.sum()} of {used.sum()} points lie in no segment of mirror '{mirror.name}', the "
            f"first at x = {worst * 1e3:.6g} mm in the mirror frame; expected at most 1 % (spans run from "
            f"{mirror.span[0] * 1e3:.6g} mm to {mirror.span[1] * 1e3:.6g} mm)"
        )
    warnings = [f"{outside.sum()} of {used.sum()} points lie in no segment and are skipped"] if outside.any() else []
    edges = np.array([segment.edge for segment in mirror.segments])
    starts = np.array([segment.start for segment in mirror.segments]) + edges
    ends = np.array([segment.end for segment in mirror.segments]) - edges
    kept = used & (index >= 0) & (x >= starts[index] - _SLACK) & (x <= ends[index] + _SLACK)
    if masked:
        warnings.append(f"{masked} of {len(used)} points are masked and skipped")
    order = np.flatnonzero(kept)
    order = order[np.lexsort((x[order], index[order]))]
    bounds = np.searchsorted(index[order], np.arange(len(mirror.segments) + 1))
    placed = PlacedProfile(
        name=profile.name,
        mirror=mirror,
        quantity=profile.quantity,
        x=x[order],
        values=values[order],
        sigma=None if sigma is None else sigma[order],
        covariance_factor=None if profile.covariance_factor is None else profile.covariance_factor[order],
        bounds=bounds,
        outside=int(outside.sum()),
        masked=masked,
        warnings=(*warnings, *_missing(mirror, np.diff(bounds))),
        y=None if profile.y is None else _across(profile, mirror)[order],
    )
    _check_points(placed, placed.y)
    _check_shape(placed)
    return placed


#: Heights [m] and slopes [rad] beyond this are nonsense, and their squares might overflow.
_LARGEST_VALUE: Final = 1e6
#: Share of the measured curve that the nominal one must explain before its sign and size are judged.
MOSTLY: Final = 0.5
#: Positions written with a few decimals may end this far outside their span [m].
_SLACK: Final = 1e-9


def _to_mirror_frame(profile: Profile, mirror: Mirror) -> tuple[FloatArray, FloatArray, FloatArray | None]:
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


def _check_scale(name: str, x: FloatArray, mirror: Mirror) -> None:
    """Refuse an x that is a power of 1000 away from the mirror, as a wrong unit makes it."""
    reach = float(np.abs(x).max())
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
        names, codes = np.unique(profile.segment, return_inverse=True)
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


def _missing(mirror: Mirror, counts: IntArray) -> list[str]:
    empty = [segment.name for segment, count in zip(mirror.segments, counts, strict=True) if count == 0]
    return [
        f"segment {name} has no points: nothing is known of it and nothing is asked of its adjusters" for name in empty
    ]


def _check_points(placed: PlacedProfile, y: FloatArray | None) -> None:
    counts = np.diff(placed.bounds)
    if not counts.any():
        raise DataError(f"{placed.name}: no point lies on a segment of mirror '{placed.mirror.name}'")
    for number in placed.measured:
        part, segment = placed.part(number), placed.mirror.segments[number]
        if counts[number] < FEWEST_POINTS:
            raise DataError(
                f"{placed.name}: segment '{segment.name}' has {counts[number]} point{'s' * bool(counts[number] > 1)}; "
                f"expected at least {FEWEST_POINTS}, or none"
            )
        x = placed.x[part]
        same = np.diff(x) <= 0
        if y is not None:
            across = y[part]
            rank = np.lexsort((across, x))
            same = (np.diff(x[rank]) <= 0) & (np.diff(across[rank]) == 0)
        if same.any():
            raise DataError(
                f"{placed.name}: x = {x[1:][same][0] * 1e3:.6g} mm stands twice in segment '{segment.name}'; "
                "expected each position once"
            )
        positions = len(np.unique(x))  # fewer than points where y differs
        if positions < FEWEST_POINTS:
            raise DataError(
                f"{placed.name}: segment '{segment.name}' has points at {positions} position"
                f"{'s' * (positions > 1)} only; expected at least {FEWEST_POINTS}, or none"
            )


def _check_shape(placed: PlacedProfile) -> None:
    """Refuse a curve that is convex, or whose curvature is far from the nominal one.

    The measured values are regressed on the nominal ones, both less their line (heights) or mean (slopes)
    in each segment; the ratio is 1 for the nominal mirror, -1 with the sign of the height flipped.
    """
    largest = float(np.abs(placed.values).max())
    if largest > _LARGEST_VALUE:
        raise DataError(
            f"{placed.name}: a {placed.quantity} of {largest:g} {'m' if placed.quantity == 'height' else 'rad'} "
            "is none of a mirror; expected another unit or a mask"
        )
    nominal = placed.mirror.nominal
    ideal = nominal.height(placed.x) if placed.quantity == "height" else nominal.slope(placed.x)
    degree = 1 if placed.quantity == "height" else 0
    product, square, rest = 0.0, 0.0, 0.0
    for number in placed.measured:
        part = placed.part(number)
        wanted, found = (_less_polynomial(placed.x[part], v[part], degree) for v in (ideal, placed.values))
        product += float(wanted @ found)
        square += float(wanted @ wanted)
        rest += float(found @ found)
    if square == 0:
        return
    ratio = product / square
    if ratio * product < MOSTLY * rest:  # a nearly flat mirror: its own errors hide the curve
        return
    # spread of the ratio if all that the nominal curve does not explain were independent noise
    spread = np.sqrt(max(rest - ratio * product, 0.0) / square / max(len(placed.x) - 1, 1))
    if ratio < -5 * spread and ratio < -0.5:
        raise DataError(
            f"{placed.name}: the curve is convex ({ratio:.3g} times the nominal curvature) where mirror "
            f"'{placed.mirror.name}' is concave; expected {placed.quantity}s along +z, out of the reflecting side"
        )
    for factor in (1e3, 1e6, 1e-3, 1e-6):
        if 0.5 < ratio / factor < 2 and spread < abs(ratio) / 5:
            raise DataError(
                f"{placed.name}: the {placed.quantity}s are a factor {factor:g} away from those of mirror "
                f"'{placed.mirror.name}'; expected another unit of {placed.quantity}, check the header"
            )


def _less_polynomial(x: FloatArray, values: FloatArray, degree: int) -> FloatArray:
    rest: FloatArray = values - values.mean()
    if degree:
        t = x - x.mean()
        rest = rest - t * (t @ rest / (t @ t))
    return rest
