"""What conditioning makes of a scan, what it was told to do, and the reasons for which points are masked."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Final, Literal, get_args

import numpy as np
import numpy.typing as npt

from ellipsefit.arrays import BoolArray, FloatArray, IntArray, median, sealed
from ellipsefit.errors import ParameterError
from ellipsefit.scan import Scan

#: Reasons for which a point is masked, in the order in which they are found.
Reason = Literal["", "invalid", "outside", "edge", "roll-off", "spike"]
#: The same, in the order of their codes.
REASONS: Final[tuple[str, ...]] = get_args(Reason)
INVALID, OUTSIDE, EDGE, ROLL_OFF, SPIKE = range(1, len(REASONS))

#: Points of the running median against which a spike is told; a spike is shorter than half of it.
SPIKE_WINDOW: Final = 11

SmallIntArray = npt.NDArray[np.int32]
CodeArray = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class StitchSettings:
    """What stitching does and does not do; every step can be left out.

    Parameters
    ----------
    spike_threshold : float, optional
        Robust standard deviations beyond which a point is a spike; None: none is looked for.
    roll_off : bool
        Whether ends of segments that bend away from the rest are masked.
    guide : bool
        Whether the guide's straightness error is solved for (needs `carriage`).
    guide_straightness : float, optional
        Its standard deviation, if known [m], or of the guide's pitch error [rad] for slopes.
    drift_degree : int
        Highest power of time in the drift of a scan beyond a line; below 2: none.
    temperature_limit : float
        Largest difference of mean temperature between scans [K].
    """

    spike_threshold: float | None = 6.0
    roll_off: bool = True
    guide: bool = True
    guide_straightness: float | None = None
    drift_degree: int = 3
    temperature_limit: float = 0.5

    def as_text(self) -> dict[str, str]:
        """Each setting as text, for files."""
        return {field.name: str(getattr(self, field.name)) for field in fields(self)}

    def __post_init__(self) -> None:
        if self.spike_threshold is not None and not 3 <= self.spike_threshold < np.inf:
            raise ParameterError(
                f"spike_threshold must be at least 3 standard deviations; got {self.spike_threshold!r}"
            )
        if self.guide_straightness is not None and not 0 < self.guide_straightness < np.inf:
            raise ParameterError(f"guide_straightness must be positive; got {self.guide_straightness!r}")
        if not 0 <= self.drift_degree <= 6:
            raise ParameterError(f"drift_degree must be from 0 to 6; got {self.drift_degree!r}")
        if not 0 < self.temperature_limit < np.inf:
            raise ParameterError(f"temperature_limit must be positive; got {self.temperature_limit!r}")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ConditionedScan:
    """A scan in the mirror frame, less the nominal ellipse, with a reason for each point left out."""

    scan: Scan
    x: FloatArray  # (N,) mirror frame [m]
    deviation: FloatArray  # (N,) measured minus nominal [m or rad]; NaN where invalid
    sigma: FloatArray  # (N,) 1 where none is given
    segment: SmallIntArray  # (N,) number of the segment, -1: none
    code: CodeArray  # (N,) place of the point's reason in REASONS, 0: in use
    guide_sign: float  # with which the guide's error enters: -1 for a mirror that lay face down
    asymmetric: bool = False  # whether the nominal curve alone tells that the scan is not back to front
    sag: FloatArray | None = None  # (N,) of the segments, already taken away from the deviation; None: none was

    def __post_init__(self) -> None:
        for name in ("x", "deviation", "sigma"):
            object.__setattr__(self, name, sealed(getattr(self, name)))
        if self.sag is not None:
            object.__setattr__(self, "sag", sealed(self.sag))
        object.__setattr__(self, "segment", sealed(self.segment, np.int32))
        object.__setattr__(self, "code", sealed(self.code, np.uint8))

    @property
    def reason(self) -> np.ndarray[tuple[int], np.dtype[np.str_]]:
        """Why each point is masked, in words, shape (N,); empty where it is not."""
        words: np.ndarray[tuple[int], np.dtype[np.str_]] = np.array(REASONS)[self.code]
        return words

    @property
    def used(self) -> BoolArray:
        """Which points are not masked, shape (N,)."""
        used: BoolArray = self.code == 0
        return used

    @property
    def rising(self) -> IntArray | slice:
        """Places of the points in use, in the order of x."""
        backward = self.x[-1] < self.x[0]
        if not self.code.any():
            return slice(None, None, -1) if backward else slice(None)
        used: IntArray = np.flatnonzero(self.code == 0)
        return used[::-1] if backward else used

    @property
    def offset(self) -> float | None:
        """Where the carriage's zero stands on the mirror: x - carriage, or x + carriage where they run apart [m]."""
        if self.scan.carriage is None:
            return None
        carriage = self.scan.carriage
        sense = np.sign((self.x[-1] - self.x[0]) * (carriage[-1] - carriage[0]))
        few = slice(None, None, max(len(carriage) // 64, 1))  # it is one place, within the tolerance checked before
        return float(median(self.x[few] - sense * carriage[few]))
