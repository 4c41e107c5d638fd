"""What stitching found: the profile, each scan's place, the guide, and what stays open."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar, Literal, overload

import numpy as np
import numpy.typing as npt

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.checks import Suspicion
from ellipsefit.mirror import Mirror
from ellipsefit.profile import Profile
from ellipsefit.results import Array, Result
from ellipsefit.rows import Table, number, ratio, stated, uncertainty
from ellipsefit.stitching.ambiguity import Ambiguity
from ellipsefit.stitching.conditioned import REASONS, ConditionedScan, StitchSettings
from ellipsefit.stitching.guide import GuideModel

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Figure_


@dataclass(frozen=True, slots=True, kw_only=True)
class StitchedScan:
    """Where one scan stands against the profile; None: slopes have no height.

    Uncertainties are without the height and tilt that all scans share, which stay open.
    """

    name: str
    height: float | None  # at the middle of the scan [m]
    height_stderr: float | None
    tilt: float  # [rad]
    tilt_stderr: float
    masked: int
    residual_rms: float  # of its points in use, measured minus model [m or rad]


@dataclass(frozen=True, slots=True, kw_only=True)
class Undetermined:
    """A function that the scans cannot tell, how it was fixed, and how uncertain that leaves it."""

    function: str
    fixed_by: str
    stderr: float | None  # amplitude [m or rad]; None: nothing is known about its size
    kind: Literal["length", "angle"]  # of that amplitude
    remedy: str  # the measurement that would settle it
    ambiguity: Ambiguity  # what it comes from

    @property
    def name(self) -> str:
        """The function in short, for tables: without the clauses that say where it comes from."""
        return (
            self.function.partition(", ")[0]
            if self.ambiguity.kind in ("periodic", "shape", "guide", "drift")
            else self.function
        )


class Residuals(Sequence[FloatArray]):
    """What the points of each scan leave, (N,) in double precision when asked for.

    Kept with seven digits, which is plenty for noise: there are as many as points.
    """

    def __init__(self, arrays: Iterable[npt.NDArray[np.floating]]) -> None:
        self._kept = tuple(sealed(array, np.float32) for array in arrays)

    @overload
    def __getitem__(self, number: int) -> FloatArray: ...
    @overload
    def __getitem__(self, number: slice) -> Residuals: ...
    def __getitem__(self, number: int | slice) -> FloatArray | Residuals:
        if isinstance(number, slice):
            return Residuals(self._kept[number])
        return sealed(self._kept[number])

    def __len__(self) -> int:
        return len(self._kept)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stitched(Result):
    """One profile from raw scans, with its covariance as structure: low rank plus diagonal."""

    table: ClassVar[str | None] = "scans"

    mirror: Mirror
    profile: Profile  # in the mirror frame
    scans: tuple[StitchedScan, ...]
    undetermined: tuple[Undetermined, ...]
    guide_carriage: FloatArray  # (G,) [m]; empty: no guide solved for
    guide_error: FloatArray  # (G,) [m or rad], its mean line taken away
    guide_stderr: FloatArray  # (G,)
    guide_model: GuideModel | None  # what was believed of the guide's error; None: no guide solved for
    drift: FloatArray  # (S, d) coefficients of Legendre polynomials of each scan's time, -1 to 1: from 2, of slopes 1
    drift_spread: float | None  # standard deviation of each of them [m or rad]
    drift_spread_stderr: float | None
    noise: float  # standard deviation of a point over the stated one
    noise_stderr: float | None  # None: known by neighbours alone
    conditioned: tuple[ConditionedScan, ...]
    residuals: Sequence[FloatArray]  # for each scan, (N,); NaN where masked
    settings: StitchSettings
    warnings: tuple[str, ...]
    suspicions: tuple[Suspicion, ...] = ()  # slips that are suspected

    def __post_init__(self) -> None:
        for name in ("guide_carriage", "guide_error", "guide_stderr", "drift"):
            object.__setattr__(self, name, sealed(getattr(self, name)))
        if not isinstance(self.residuals, Residuals):
            object.__setattr__(self, "residuals", Residuals(self.residuals))

    @property
    def guide_spread(self) -> float | None:
        """Standard deviation of the guide's error [m or rad]; None: no guide solved for."""
        return None if self.guide_model is None else self.guide_model.spread

    @property
    def masked(self) -> dict[str, int]:
        """How many points of the scans are masked for each reason."""
        counts = np.zeros(len(REASONS), dtype=np.intp)
        for scan in self.conditioned:
            counts += np.bincount(scan.code, minlength=len(REASONS))
        return {reason: int(count) for reason, count in sorted(zip(REASONS, counts, strict=True)) if reason and count}

    @property
    def steps(self) -> dict[str, str]:
        """How the scans were treated before and while they were joined, in words."""
        how, scans = self.mirror.measurement, [item.scan for item in self.conditioned]
        lengths = "as measured"
        if how.expansion is not None and any(scan.temperature is not None for scan in scans):
            lengths = f"brought to {how.reference_temperature - 273.15:.4g} degC from the temperature of each point"
        elif how.stretch != 1.0 and how.temperature is not None:
            lengths = (
                f"brought to {how.reference_temperature - 273.15:.4g} degC from {how.temperature - 273.15:.4g} degC"
            )
        sag = "left in: the mirror file does not tell how segments rest"
        quantity = self.profile.quantity
        sags = [
            float(np.ptp(item.sag[item.used]))
            for item in self.conditioned
            if item.sag is not None and item.scan.quantity == quantity
        ]
        if sags and how.support is not None:
            kind: Literal["length", "angle"] = "length" if quantity == "height" else "angle"
            sag = f"taken away: {number(max(sags), kind)} from end to end, known to {how.support.uncertainty:.2g} of it"
        passes = Counter(scan.direction or ("forward" if scan.x[-1] > scan.x[0] else "backward") for scan in scans)
        lay = Counter(scan.orientation.replace("_", " ") for scan in scans)
        return {
            "passes": ", ".join(f"{count} {name}" for name, count in passes.items()),
            "mirror": ", ".join(f"{count} {name}" for name, count in lay.items()),
            "lengths": lengths,
            "sag of the segments": sag,
        }

    @property
    def spikes(self) -> int:
        """Points masked as spikes."""
        return self.masked.get("spike", 0)

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        return {
            "scans": [
                {
                    "name": scan.name,
                    "height": scan.height,
                    "height_stderr": scan.height_stderr,
                    "tilt": scan.tilt,
                    "tilt_stderr": scan.tilt_stderr,
                    "masked": scan.masked,
                }
                for scan in self.scans
            ],
            "undetermined": [
                {
                    "function": item.function,
                    "fixed_by": item.fixed_by,
                    "stderr": item.stderr,
                    "remedy": item.remedy,
                }
                for item in self.undetermined
            ],
            "spikes": self.spikes,
            "masked": self.masked,
            "steps": self.steps,
            "points": int(self.profile.used.sum()),
            "noise": self.noise,
            "noise_stderr": self.noise_stderr,
            "suspicions": [item.to_dict() for item in self.suspicions],
            "warnings": list(self.warnings),
        }

    def arrays(self) -> tuple[Array, ...]:
        """The profile, and the guide's error."""
        unit = "m" if self.profile.quantity == "height" else "rad"
        return (
            *self.profile.arrays(),
            Array("carriage", ("carriage",), self.guide_carriage, "m", "position along the guide", True),
            Array("guide_error", ("carriage",), self.guide_error, unit, "straightness error of the guide"),
            Array("guide_stderr", ("carriage",), self.guide_stderr, unit, "standard uncertainty of the guide's error"),
        )

    def rows(self) -> list[Table]:
        """Tables of the result."""
        kind = "length" if self.profile.quantity == "height" else "angle"
        scans = tuple(
            (
                scan.name,
                stated(scan.height, scan.height_stderr, "length", unit="um"),
                stated(scan.tilt, scan.tilt_stderr, "angle", unit="urad"),
                str(scan.masked),
                number(scan.residual_rms, kind),
            )
            for scan in self.scans
        )
        points = int(self.profile.used.sum())
        sigma = self.profile.sigma
        facts = [
            ("points of the profile", str(points)),
            (
                "standard uncertainty of a point by noise, median",
                number(None if sigma is None else float(np.median(sigma[self.profile.used])), kind),
            ),
            ("noise over the stated one", ratio(self.noise, self.noise_stderr))
            if any(item.scan.sigma is not None for item in self.conditioned)
            else ("noise of a point of a scan", stated(self.noise, self.noise_stderr, kind)),
        ]
        if self.guide_model is not None:
            guide = self.guide_model
            facts.append(("guide: spread of its error", stated(guide.spread, guide.spread_stderr, kind)))
            facts.append(("guide: correlation length", stated(guide.length, guide.length_stderr, "length")))
        if self.drift_spread is not None:
            beyond = " beyond a line" if kind == "length" else ""
            facts.append((f"drift{beyond}, spread", stated(self.drift_spread, self.drift_spread_stderr, kind)))
        facts += [(f"masked: {reason}", str(count)) for reason, count in self.masked.items()]
        notes = tuple(f"Note: {text}" for text in self.warnings)
        return [
            Table(title=f"Stitched profile of {len(self.scans)} scans", cells=tuple(facts), notes=notes),
            Table(
                title="Scans against the profile",
                header=("scan", "height", "tilt", "masked", "residual rms"),
                cells=scans,
                notes=("± without what all share, which stays open; residual rms is of these points.",),
            ),
            self._open_table(),
        ]

    def _open_table(self) -> Table:
        cells = tuple((item.name, uncertainty(item.stderr, item.kind)) for item in self.undetermined)
        notes: list[str] = []
        told: dict[str, str] = {}
        for item in self.undetermined:
            how = f"the same as {told[item.fixed_by]}" if item.fixed_by in told else item.fixed_by
            told.setdefault(item.fixed_by, item.name)
            notes += [item.function, f"  fixed by: {how}", f"  would be settled by: {item.remedy}"]
        return Table(
            title="What the scans cannot tell",
            header=("function", "standard uncertainty") if cells else (),
            cells=cells,
            notes=tuple(notes) or ("Nothing.",),
        )

    def _shown(self) -> list[Table]:
        """The tables, what is said on each open function set apart from their list."""
        *others, unknown = self.rows()
        if not unknown.cells:
            return [*others, unknown]
        how = Table(title="How that is fixed, and what would settle it", notes=unknown.notes)
        return [*others, replace(unknown, notes=()), how]

    def plot(self) -> Figure_:
        """Figure of the scans after alignment, the overlaps, the guide, drift and masks."""
        from ellipsefit.report import plot_stitched  # the one way up: a result draws itself when asked

        return plot_stitched(self)
