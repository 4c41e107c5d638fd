"""What stands on the carrier: the mirror as designed, its segments and their adjusters.

All lengths in m, angles in rad, temperatures in K, in the mirror frame (x downstream, z out of the
reflecting side). Errors name the key of the mirror file that they speak of.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final, Literal, get_args

from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError

Deflection = Literal["up", "down", "left", "right"]
Direction = Literal["downstream", "upstream"]
Turn = Literal["clockwise", "anticlockwise"]
#: Rounding of a length that was read from a file [m].
SLACK: Final = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjuster:
    """One flexure adjuster of a segment; a positive move raises the surface along +z at (x, y).

    Parameters
    ----------
    name : str
        Name within its segment.
    x, y : float
        Where it acts [m].
    travel : tuple of float
        Lowest and highest position [m], first < second.
    position : float
        Where it stands now [m], within the travel.
    resolution : float
        Smallest step [m]; 0: any step.
    backlash : float
        Lost motion on reversal [m].
    raises : {'clockwise', 'anticlockwise'}, optional
        Which turn of the screw raises the surface.
    pitch_per_turn : float, optional
        Motion for one turn [m].
    gain_error : float, optional
        Standard uncertainty of achieved over asked motion, relative.
    """

    name: str
    x: float
    y: float = 0.0
    travel: tuple[float, float]
    position: float = 0.0
    resolution: float = 0.0
    backlash: float = 0.0
    raises: Turn | None = None
    pitch_per_turn: float | None = None
    gain_error: float | None = None

    def __post_init__(self) -> None:
        who = f"adjuster '{self.name}'"
        _finite(who, "x", self.x)
        _finite(who, "y", self.y)
        low, high = self.travel
        if not low < high:
            raise ParameterError(
                f"{who}: travel must run from a lower to a higher position; got {spoken(low)} to {spoken(high)}"
            )
        if not low <= self.position <= high:
            raise ParameterError(
                f"{who}: position must lie within the travel of {spoken(low)} to {spoken(high)}; "
                f"got {spoken(self.position)}"
            )
        for key in ("resolution", "backlash"):
            if not 0 <= getattr(self, key) < math.inf:
                raise ParameterError(f"{who}: {key} must not be negative; got {spoken(getattr(self, key))}")
        if self.resolution > high - low:
            raise ParameterError(f"{who}: resolution must be smaller than the travel; got {spoken(self.resolution)}")
        if self.pitch_per_turn is not None and not 0 < self.pitch_per_turn < math.inf:
            raise ParameterError(f"{who}: pitch_per_turn must be positive; got {spoken(self.pitch_per_turn)}")
        if self.gain_error is not None and not 0 <= self.gain_error < 1:
            raise ParameterError(f"{who}: gain_error must be a share from 0 to below 1; got {self.gain_error!r}")
        if self.raises not in (None, *get_args(Turn)):
            raise ParameterError(f"{who}: raises must be one of {', '.join(get_args(Turn))}; got {self.raises!r}")

    def reaches(self, position: float) -> bool:
        """Whether a position [m] lies within the travel, but for the rounding of what was read from a file."""
        low, high = self.travel
        return low - SLACK <= position <= high + SLACK


def _slanting_line(adjusters: tuple[Adjuster, ...]) -> bool:
    """Whether three or more adjusters that differ in x and in y stand in one line: tilt and roll would be one."""
    if len(adjusters) < 3:
        return False
    x, y = ([getattr(adjuster, key) for adjuster in adjusters] for key in ("x", "y"))
    wide, high = max(x) - min(x), max(y) - min(y)
    if not wide or not high:
        return False
    # twice the area of the largest triangle, of that of the box around them
    first = min(range(len(x)), key=lambda place: (x[place], y[place]))
    last = max(range(len(x)), key=lambda place: math.hypot(x[place] - x[first], y[place] - y[first]))
    dx, dy = x[last] - x[first], y[last] - y[first]
    area = max(abs(dx * (b - y[first]) - dy * (a - x[first])) for a, b in zip(x, y, strict=True))
    return bool(area < 1e-3 * wide * high)


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """One segment: its span along x [m], what is left out at both ends, and its adjusters.

    `form` is what the shop measured of it beside the ellipse: coefficients [m] of the second and third Legendre
    polynomial over the span, along +z, with their standard uncertainties; None: not known.
    """

    name: str
    start: float
    end: float
    edge: float = 0.0
    coating_m: float | None = None
    form: tuple[float, float] | None = None
    form_uncertainty: tuple[float, float] | None = None
    adjusters: tuple[Adjuster, ...] = ()

    def __post_init__(self) -> None:
        who = f"segment '{self.name}'"
        if not self.start < self.end:
            raise ParameterError(
                f"{who}: end must lie downstream of start; got start {_mm(self.start)} and end {_mm(self.end)}"
            )
        _finite(who, "start", self.start)
        _finite(who, "end", self.end)
        if not 0 <= self.edge < self.length / 2:
            raise ParameterError(f"{who}: edge must be from 0 to below half the segment; got {_mm(self.edge)}")
        if self.coating_m is not None and not 0 < self.coating_m < math.inf:
            raise ParameterError(f"{who}: coating_m must be positive; got {self.coating_m!r}")
        if (self.form is None) != (self.form_uncertainty is None):
            given, missing = ("form", "form_uncertainty") if self.form else ("form_uncertainty", "form")
            raise ParameterError(f"{who}: {given} is given without {missing}; expected both, or none")
        if self.form is not None and not all(math.isfinite(term) for term in self.form):
            raise ParameterError(f"{who}: form must be finite; got {self.form!r}")
        if self.form_uncertainty is not None and not all(0 < size < math.inf for size in self.form_uncertainty):
            sizes = " and ".join(spoken(size) for size in self.form_uncertainty)
            raise ParameterError(f"{who}: form_uncertainty must be positive; got {sizes}")
        names = [adjuster.name for adjuster in self.adjusters]
        for number, adjuster in enumerate(self.adjusters):
            if adjuster.name in names[:number]:
                raise ParameterError(f"{who}: two adjusters are called '{adjuster.name}'; names must differ")
            if not self.start <= adjuster.x <= self.end:
                raise ParameterError(
                    f"{who}, adjuster '{adjuster.name}': x must lie within the segment's span of "
                    f"{_mm(self.start)} to {_mm(self.end)}; got {_mm(adjuster.x)}"
                )

        slanting = _slanting_line(self.adjusters)
        if slanting:
            raise ParameterError(
                f"{who}: adjusters {', '.join(repr(name) for name in names)} stand in one slanting line and cannot "
                "give roll; expected one of them off the line, or the same y for all"
            )

    @property
    def middle(self) -> float:
        """Middle of the span [m]; a segment's height and tilt are given here."""
        return (self.start + self.end) / 2

    @property
    def length(self) -> float:
        """Length of the span [m]."""
        return self.end - self.start


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerance:
    """How far the target may be re-chosen, and what is acceptable after correction; None: not stated."""

    source_distance: float | None = None
    image_distance: float | None = None
    grazing_angle: float | None = None
    segment_height: float | None = None
    segment_tilt: float | None = None

    def __post_init__(self) -> None:
        for key in self.__slots__:
            value = getattr(self, key)
            if value is not None and not 0 < value < math.inf:
                raise ParameterError(f"tolerance: {key} must be positive; got {value!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Support:
    """How each segment rests while it is scanned, and what it is made of: from this its own sag is known.

    Parameters
    ----------
    from_end : float
        Distance of each of the two supports from its end [m].
    thickness : float
        Of the segment, even [m].
    modulus, density : float
        Young's modulus [Pa] and density [kg/m**3].
    uncertainty : float
        Standard uncertainty of the sag, relative.
    """

    from_end: float
    thickness: float
    modulus: float
    density: float
    uncertainty: float = 0.1

    def __post_init__(self) -> None:
        if not 0 <= self.from_end < math.inf:
            raise ParameterError(f"measurement.support: from_end must not be negative; got {_mm(self.from_end)}")
        for key in ("thickness", "modulus", "density"):
            if not 0 < getattr(self, key) < math.inf:
                raise ParameterError(f"measurement.support: {key} must be positive; got {getattr(self, key):g} in SI")
        if not 0 <= self.uncertainty <= 1:
            raise ParameterError(f"measurement.support: uncertainty must be from 0 to 1; got {self.uncertainty!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """How the scan's axis lies on the mirror, and the temperature at which it was measured."""

    x_direction: Direction = "downstream"
    x_offset: float = 0.0  # position of the pole on the scan's axis [m]
    x_uncertainty: float = 0.0  # standard uncertainty of that offset [m]
    x_scale_uncertainty: float = 0.0  # relative standard uncertainty of distances along x
    gain_uncertainty: float = 0.0  # relative standard uncertainty of heights (slopes)
    sag: float = 0.0  # known sag common to all segments: coefficient of the second Legendre polynomial, along +z [m]
    sag_uncertainty: float = 0.0  # standard uncertainty of a sag common to all segments, middle to ends 1.5 times [m]
    temperature_uncertainty: float = 0.0  # standard uncertainty [K]
    temperature: float | None = None  # [K]
    reference_temperature: float = 293.15  # [K], 20 degC: ISO 1
    expansion: float | None = None  # [1/K]
    support: Support | None = None  # None: the segments' sag stays in what is measured

    def __post_init__(self) -> None:
        if self.x_direction not in get_args(Direction):
            raise ParameterError(
                f"measurement: x_direction must be one of {', '.join(get_args(Direction))}; got {self.x_direction!r}"
            )
        _finite("measurement", "x_offset", self.x_offset)
        _finite("measurement", "sag", self.sag)
        if not 0 <= self.x_uncertainty < math.inf:
            raise ParameterError(f"measurement: x_uncertainty must not be negative; got {_mm(self.x_uncertainty)}")
        for key in ("x_scale_uncertainty", "gain_uncertainty", "sag_uncertainty", "temperature_uncertainty"):
            if not 0 <= getattr(self, key) < math.inf:
                raise ParameterError(f"measurement: {key} must not be negative; got {getattr(self, key)!r}")
        if self.temperature_uncertainty and self.expansion is None:
            raise ParameterError(
                "measurement: a temperature_uncertainty is given but no expansion; expected such as '9e-6 / K'"
            )
        if self.temperature is not None and self.expansion is None and self.temperature != self.reference_temperature:
            raise ParameterError("measurement: a temperature is given but no expansion; expected such as '9e-6 / K'")
        for key in ("temperature", "reference_temperature"):
            value = getattr(self, key)
            if value is not None and not 0 < value < math.inf:
                raise ParameterError(f"measurement: {key} must lie above absolute zero; got {value - 273.15:g} degC")
        if self.expansion is not None and not abs(self.expansion) < 1e-3:
            raise ParameterError(f"measurement: expansion must be below 1e-3 / K; got {self.expansion:g} / K")

    @property
    def stretch(self) -> float:
        """Length at the measurement over length at the reference temperature."""
        if self.temperature is None or self.expansion is None:
            return 1.0
        return 1.0 + self.expansion * (self.temperature - self.reference_temperature)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mirror:
    """The mirror as designed.

    Parameters
    ----------
    name : str
        What people call it.
    nominal : Ellipse
        The target ellipse.
    segments : tuple of Segment
        At least one, in the order of x, not overlapping, each within the ellipse.
    tolerance, measurement
        See there.
    deflection : {'up', 'down', 'left', 'right'}, optional
        Where the mirror sends the beam.

    Raises
    ------
    ParameterError
        If segments are missing, unsorted, overlapping, of the same name or off the ellipse.
    """

    name: str
    nominal: Ellipse
    segments: tuple[Segment, ...]
    tolerance: Tolerance = field(default_factory=Tolerance)
    measurement: Measurement = field(default_factory=Measurement)
    deflection: Deflection | None = None

    def __post_init__(self) -> None:
        if not self.segments:
            raise ParameterError("segment: a mirror needs at least one segment")
        if self.deflection not in (None, *get_args(Deflection)):
            raise ParameterError(
                f"deflection must be one of {', '.join(get_args(Deflection))}; got {self.deflection!r}"
            )
        names: set[str] = set()
        for before, segment in zip((None, *self.segments), self.segments, strict=False):
            if segment.name in names:
                raise ParameterError(f"segment: two segments are called '{segment.name}'; names must differ")
            names.add(segment.name)
            if before is not None and segment.start < before.end:
                fault = "overlaps" if segment.end > before.start else "stands upstream of"
                raise ParameterError(
                    f"segment '{segment.name}': start {_mm(segment.start)} {fault} segment '{before.name}', "
                    f"which ends at {_mm(before.end)}; expected segments in the order of x without overlap"
                )
        support = self.measurement.support
        for segment in self.segments:
            if support is not None and not support.from_end < segment.length / 2:
                raise ParameterError(
                    f"measurement.support: from_end must lie within half of segment '{segment.name}', which is "
                    f"{_mm(segment.length)} long; got {_mm(support.from_end)}"
                )
        first, last = self.nominal.ends
        for segment in self.segments:
            if not (first < segment.start and segment.end < last):
                raise ParameterError(
                    f"segment '{segment.name}': its span of {_mm(segment.start)} to {_mm(segment.end)} lies beyond "
                    f"the ellipse, which ends at {_mm(first)} and {_mm(last)}"
                )

    @property
    def span(self) -> tuple[float, float]:
        """Start of the first and end of the last segment [m]."""
        return self.segments[0].start, self.segments[-1].end


def _finite(who: str, key: str, value: float) -> None:
    if not math.isfinite(value):
        raise ParameterError(f"{who}: {key} must be finite; got {value!r}")


def _mm(value: float) -> str:
    return f"{value * 1e3:.7g} mm"


def spoken(value: float) -> str:
    """A length as errors tell it."""
    return f"{value * 1e6:.7g} um"
