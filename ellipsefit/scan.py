"""One pass of a profilometer over a part of the mirror, as it stands in its file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.errors import ParameterError
from ellipsefit.profile import Quantity
from ellipsefit.results import Array, Result
from ellipsefit.rows import Table, number, with_uncertainty

ScanDirection = Literal["forward", "backward"]
Orientation = Literal["normal", "end_for_end", "face_down"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scan(Result):
    """A raw scan: values along x with a height and a tilt of its own.

    Parameters
    ----------
    name : str
        Name of the scan, unique among those of a campaign.
    quantity : {'height', 'slope'}
        What `values` are: heights [m] or slopes [rad].
    x, values : array, shape (N,)
        Positions on the scan's axis [m] and what was measured, in the order of measurement; values may be
        NaN or infinite, and are skipped and counted then.
    sigma : array, shape (N,), optional
        Standard uncertainty of each value.
    carriage : array, shape (N,), optional
        Position along the profilometer's own guide [m].
    time : array, shape (N,), optional
        Time of each sample [s].
    temperature : array, shape (N,), optional
        [K].
    segment : array of str, shape (N,), optional
    direction : {'forward', 'backward'}, optional
        Which way the carriage ran.
    orientation : {'normal', 'end_for_end', 'face_down'}
        How the mirror lay on the profilometer.
    angle, angle_stderr : float, optional
        Independent reading of the scan's tilt and its standard uncertainty [rad].

    Raises
    ------
    ParameterError
        If shapes differ, fewer than 5 points are there, positions are not finite or a sigma is not positive.
    """

    name: str
    quantity: Quantity
    x: FloatArray
    values: FloatArray
    sigma: FloatArray | None = None
    carriage: FloatArray | None = None
    time: FloatArray | None = None
    temperature: FloatArray | None = None
    segment: np.ndarray[tuple[int], np.dtype[np.str_]] | None = None
    direction: ScanDirection | None = None
    orientation: Orientation = "normal"
    angle: float | None = None
    angle_stderr: float | None = None

    def arrays(self) -> tuple[Array, ...]:
        """The points in the order of measurement, with what is stated of them."""
        unit = "m" if self.quantity == "height" else "rad"
        return (
            Array("x", ("point",), self.x, "m", "position", True),
            Array(self.quantity, ("point",), self.values, unit, self.quantity),
            Array("sigma", ("point",), self.sigma, unit, "standard uncertainty"),
            Array("carriage", ("point",), self.carriage, "m", "position along the guide"),
            Array("time", ("point",), self.time, "s", "of the sample"),
            Array("temperature", ("point",), self.temperature, "K", "temperature"),
            Array("segment", ("point",), self.segment, "", "segment", True),
        )

    def to_dict(self) -> dict[str, Any]:
        """What the scan is, SI; its points are in `arrays`."""
        return {
            "name": self.name,
            "quantity": self.quantity,
            "points": len(self.x),
            "invalid": int((~np.isfinite(self.values)).sum()),
            "start": float(self.x[0]),
            "end": float(self.x[-1]),
            "direction": self.direction,
            "orientation": self.orientation,
            "angle": self.angle,
            "angle_stderr": self.angle_stderr,
        }

    def rows(self) -> list[Table]:
        """What the scan is, as a table."""
        facts = self.to_dict()
        cells = (
            ("measured", f"{self.quantity}s"),
            ("points", str(facts["points"])),
            ("of them not finite", str(facts["invalid"])),
            ("from", number(facts["start"], "length", digits=5)),
            ("to", number(facts["end"], "length", digits=5)),
            ("direction", self.direction or "not stated"),
            ("orientation", self.orientation.replace("_", " ")),
            ("reading of its tilt", with_uncertainty(self.angle, self.angle_stderr, "angle")),
        )
        return [Table(title=f"Scan {self.name}", cells=cells)]

    def __post_init__(self) -> None:
        for key in ("x", "values", "sigma", "carriage", "time", "temperature"):
            array = getattr(self, key)
            if array is None:
                continue
            object.__setattr__(self, key, sealed(array))
            if array.shape != (len(self.x),):
                raise ParameterError(f"scan '{self.name}': {key} must have one entry for each x; got {array.shape}")
            if key != "values" and not np.isfinite(array).all():
                row = int(np.flatnonzero(~np.isfinite(array))[0])
                raise ParameterError(f"scan '{self.name}': {key} must be finite; got {array[row]} at point {row + 1}")
        if self.segment is not None:
            object.__setattr__(self, "segment", sealed(self.segment, np.str_))
            if self.segment.shape != self.x.shape:
                raise ParameterError(f"scan '{self.name}': segment must have one entry for each x")
        if len(self.x) < 5:
            raise ParameterError(f"scan '{self.name}': has {len(self.x)} points; expected at least 5")
        if self.sigma is not None and not (self.sigma > 0).all():
            row = int(np.flatnonzero(~(self.sigma > 0))[0])
            raise ParameterError(
                f"scan '{self.name}': sigma must be positive; got {self.sigma[row]} at point {row + 1}"
            )
        for key, allowed in (("direction", (None, *get_args(ScanDirection))), ("orientation", get_args(Orientation))):
            if getattr(self, key) not in allowed:
                names = ", ".join(str(name) for name in allowed if name)
                raise ParameterError(f"scan '{self.name}': {key} must be one of {names}; got {getattr(self, key)!r}")
        if (self.angle is None) != (self.angle_stderr is None):
            raise ParameterError(
                f"scan '{self.name}': an angle needs its standard uncertainty, and the other way round"
            )
        if self.angle is not None and not np.isfinite(self.angle):
            raise ParameterError(f"scan '{self.name}': angle must be finite; got {self.angle!r}")
        if self.angle_stderr is not None and not 0 < self.angle_stderr < np.inf:
            raise ParameterError(f"scan '{self.name}': angle_stderr must be positive; got {self.angle_stderr!r}")
