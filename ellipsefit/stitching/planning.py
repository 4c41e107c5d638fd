"""A plan of scans for a time budget, with the stitching uncertainty that it will leave."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, Final

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.errors import ParameterError
from ellipsefit.mirror import Mirror
from ellipsefit.results import Result
from ellipsefit.rows import Table, number
from ellipsefit.scan import Orientation, Scan, ScanDirection
from ellipsefit.stitching.ambiguity import scan_ambiguities
from ellipsefit.stitching.conditioned import StitchSettings
from ellipsefit.stitching.conditioning import condition_scans
from ellipsefit.stitching.guide import guide_basis, one_guide
from ellipsefit.stitching.joining import expected_covariance
from ellipsefit.stitching.normal import Effects
from ellipsefit.stitching.spreads import Spreads

#: Points per scan that the forecast uses; more change nothing but the noise, which is scaled.
FORECAST_POINTS: Final = 240
#: Said wherever a plan has the mirror turned.
TURNING: Final = (
    "Caution: turning a mirror over is a lift. Plan it under local rules, by qualified persons, with every segment "
    "secured; never stand below a load; keep fingers out of gaps."
)
#: Fractions of the golden ratio: starts that are spread without a common step.
_GOLDEN: Final = 0.6180339887498949


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedScan:
    """One scan to take."""

    name: str
    start: float  # where its upstream end lies on the mirror [m]
    end: float
    direction: ScanDirection
    orientation: Orientation
    begins: float  # time from the start of the campaign [s]


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanPlan(Result):
    """Scans in the order in which to take them, and what they will tell."""

    table: ClassVar[str | None] = "scans"

    mirror: Mirror
    scans: tuple[PlannedScan, ...]
    duration: float  # [s]
    noise: float  # expected standard uncertainty of a point of the profile, rms, pose set aside [m]
    parabola: float | None  # of the sag of a parabola over the mirror [m]; None: settled as well as all else
    shape: float  # rms standard uncertainty, pose and parabola set aside [m]
    ambiguities: tuple[str, ...]  # functions that stay open, in words
    remedies: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        return {
            "scans": [
                {
                    "name": scan.name,
                    "start": scan.start,
                    "end": scan.end,
                    "direction": scan.direction,
                    "orientation": scan.orientation,
                    "begins": scan.begins,
                }
                for scan in self.scans
            ],
            "duration": self.duration,
            "expected": {"height_stderr": self.noise, "parabola_stderr": self.parabola, "shape_stderr": self.shape},
            "undetermined": list(self.ambiguities),
        }

    def rows(self) -> list[Table]:
        """Tables of the plan."""
        cells = tuple(
            (
                scan.name,
                f"{scan.start * 1e3:.1f} mm",
                f"{scan.end * 1e3:.1f} mm",
                scan.direction,
                scan.orientation.replace("_", " "),
                f"{int(scan.begins // 3600)}:{int(scan.begins % 3600 // 60):02d} h",
            )
            for scan in self.scans
        )
        parabola = number(self.parabola, "length")
        if self.parabola is None and any(scan.orientation == "face_down" for scan in self.scans):
            parabola = "settled by the flips"
        facts = (
            ("scans", str(len(self.scans))),
            ("duration", f"{self.duration / 3600:.2f} h"),
            ("expected uncertainty of a height, pose set aside", number(self.noise, "length")),
            ("of it, a parabola over the mirror", parabola),
            ("of it, everything else", number(self.shape, "length")),
        )
        notes = tuple(
            f"Stays open: {what}; would be settled by {how}."
            for what, how in zip(self.ambiguities, self.remedies, strict=True)
        )
        if any(scan.orientation != "normal" for scan in self.scans):
            notes = (*notes, TURNING)
        return [
            Table(title=f"Scans of {self.mirror.name}", cells=facts, notes=notes),
            Table(
                title="In this order",
                header=("scan", "from", "to", "direction", "orientation", "begins"),
                cells=cells,
                notes=("Starts differ by unequal steps on purpose: equal steps leave periodic errors open.",)
                if len({scan.start for scan in self.scans}) > 1
                else (),
            ),
        ]


def plan_scans(
    mirror: Mirror,
    *,
    reach: float,
    overlap: float = 0.7,
    budget: float | None = None,
    speed: float = 2e-3,
    pause: float = 120.0,
    step: float = 1e-3,
    noise: float = 60e-9,
    guide_spread: float = 0.5e-6,
    guide_length: float | None = None,
    flips: int = 0,
    flip_time: float = 3600.0,
) -> ScanPlan:
    """Plan scans that cover a mirror, at unequal steps, each place forward and backward.

    Parameters
    ----------
    mirror : Mirror
    reach : float
        Travel of the carriage [m].
    overlap : float
        Share of a scan that it has in common with its neighbour, 0.1 to 0.95.
    budget : float, optional
        Time for everything [s]; further passes in the order forward, backward, backward, forward are added as
        long as they fit.
    speed, pause : float
        Of the carriage [m/s]; between two scans [s].
    step, noise : float
        Distance of points [m] and standard deviation of one [m].
    guide_spread, guide_length : float
        Standard deviation [m] and correlation length [m] of the guide's straightness error; the length is by
        default a sixth of the reach.
    flips : int
        Scans to repeat with the mirror face down, spread over the mirror; the first costs `flip_time` [s].

    Raises
    ------
    ParameterError
        If an option is out of range, or one pass takes longer than the budget.
    """
    _check_options(reach, overlap, speed, pause, step, noise, guide_spread, flips)
    places = _places(mirror, reach, overlap)
    order = _order(places, flips)
    duration = reach / speed + pause
    passes = 1
    single = len(order) * duration + (flip_time if flips else 0.0)  # each pass turns the mirror once
    if budget is not None:
        if single > budget:
            raise ParameterError(
                f"one pass takes {single / 3600:.2f} h, more than the budget of {budget / 3600:.2f} h; expected more "
                "time, a longer reach, less overlap or a faster carriage"
            )
        passes = max(int(budget // single), 1)
    scans: list[PlannedScan] = []
    clock = 0.0
    lies = "normal"
    for number_ in range(passes):
        # forward, backward, backward, forward: linear drift cancels in each pair, quadratic in each four
        for start, direction, orientation in order if number_ % 2 == 0 else reversed(order):
            if orientation != lies:
                clock += flip_time
                lies = orientation
            scans.append(
                PlannedScan(
                    name=f"scan_{len(scans) + 1:03d}",
                    start=start,
                    end=start + reach,
                    direction=direction,
                    orientation=orientation,
                    begins=clock,
                )
            )
            clock += duration
    length = reach / 6 if guide_length is None else guide_length
    return _with_forecast(mirror, tuple(scans), clock, step, noise, guide_spread, length)


def _check_options(
    reach: float,
    overlap: float,
    speed: float,
    pause: float,
    step: float,
    noise: float,
    guide_spread: float,
    flips: int,
) -> None:
    for name, value in (("reach", reach), ("speed", speed), ("step", step), ("noise", noise)):
        if not 0 < value < np.inf:
            raise ParameterError(f"{name} must be positive; got {value!r}")
    if not 0 < guide_spread < np.inf:
        raise ParameterError(f"guide_spread must be positive; got {guide_spread!r}")
    if not 0 <= pause < np.inf:
        raise ParameterError(f"pause must not be negative; got {pause!r}")
    if not 0.1 <= overlap <= 0.95:
        raise ParameterError(f"overlap must be a share from 0.1 to 0.95; got {overlap!r}")
    if reach < 20 * step:
        raise ParameterError(f"reach must be at least 20 steps of {step * 1e3:g} mm; got {reach * 1e3:g} mm")
    if not 0 <= flips <= 1000:
        raise ParameterError(f"flips must be from 0 to 1000; got {flips!r}")


def _places(mirror: Mirror, reach: float, overlap: float) -> list[float]:
    """Upstream ends of the scans: from end to end of the mirror, off equal steps by parts of the golden ratio."""
    first, last = mirror.span
    room = last - first - reach
    if room <= 0:
        return [first + room / 2]
    longest = reach * (1 - overlap)
    count = max(int(np.ceil(room / longest)) + 1, 3)
    while True:  # the widest step decides
        pitch = room / (count - 1)
        shift = ((np.arange(count) * _GOLDEN) % 1.0 - 0.5) * 0.35 * pitch
        shift[[0, -1]] = 0.0
        places = first + np.linspace(0.0, room, count) + shift
        if np.diff(places).max() <= longest:
            return [float(place) for place in places]
        count += 1


def _order(places: list[float], flips: int) -> list[tuple[float, ScanDirection, Orientation]]:
    order: list[tuple[float, ScanDirection, Orientation]] = []
    for place in places:
        order += [(place, "forward", "normal"), (place, "backward", "normal")]
    chosen = {round(index) for index in np.linspace(0, len(places) - 1, min(flips, len(places)))}
    order += [(places[index], "forward", "face_down") for index in sorted(chosen)]
    return order


def _with_forecast(
    mirror: Mirror,
    scans: tuple[PlannedScan, ...],
    duration: float,
    step: float,
    noise: float,
    guide_spread: float,
    guide_length: float,
) -> ScanPlan:
    """What the plan will leave, by the linear theory of the joining itself, on a coarser grid."""
    reach = scans[0].end - scans[0].start
    coarse = max(step, reach / FORECAST_POINTS)
    sigma = noise * np.sqrt(step / coarse)
    simulated = [_silent_scan(scan, mirror, coarse, float(sigma)) for scan in scans]
    settings = StitchSettings(spike_threshold=None, roll_off=False)
    conditioned = condition_scans(simulated, mirror, settings)
    ambiguities = scan_ambiguities(conditioned)
    guided = not any(item.kind == "guide" for item in ambiguities)
    effects = Effects(
        heights=True,
        drift_degree=0,
        guide=guide_basis(np.array([0.0, reach]), coarse) if guided else None,
        scans=len(scans),
    )
    spreads = Spreads(noise=1.0, height=1e-4, tilt=1e-4, drift=1e-9, guide=one_guide(guide_spread, guide_length))
    place, factor, variance = expected_covariance(conditioned, effects, spreads, coarse)
    variance = variance * coarse / step  # a point of the fine grid has the full noise of its own
    s = place / np.abs(place).max()
    parabola = s**2 - np.polyval(np.polyfit(s, s**2, 1), s)
    open_ = any(item.kind == "parabola" for item in ambiguities)
    return ScanPlan(
        mirror=mirror,
        scans=scans,
        duration=duration,
        noise=_left(s, factor, variance, 1),
        parabola=float(np.linalg.norm(parabola @ factor) / (parabola @ parabola)) if open_ else None,
        shape=_left(s, factor, variance, 2),
        ambiguities=tuple(item.function for item in ambiguities),
        remedies=tuple(item.remedy for item in ambiguities),
    )


def _left(s: FloatArray, factor: FloatArray, variance: FloatArray, degree: int) -> float:
    """Rms standard uncertainty when a polynomial of this degree is set aside."""
    basis = np.vander(s, degree + 1)
    rest = factor - basis @ np.linalg.lstsq(basis, factor, rcond=None)[0]
    return float(np.sqrt(np.mean(np.einsum("ij,ij->i", rest, rest) + variance)))


def _silent_scan(scan: PlannedScan, mirror: Mirror, step: float, sigma: float) -> Scan:
    """The scan as it would be on the nominal mirror without any error."""
    count = int(np.floor((scan.end - scan.start) / step)) + 1
    first = np.ceil(scan.start / step - 1e-9) * step  # on one lattice for all scans
    x = first + np.arange(count) * step
    spans = [(part.start, part.end) for part in mirror.segments]
    inside = np.zeros(count, dtype=bool)
    for start, end in spans:
        inside |= (x >= start) & (x <= end)
    x = x[inside]
    values = mirror.nominal.height(x)
    carriage = np.clip(x - scan.start, 0.0, None)
    if scan.direction == "backward":
        x, values, carriage = x[::-1], values[::-1], carriage[::-1]
    # heights of the same nominal curve differ between scans by their name alone: a scan is no copy of another
    tag = 1e-15 * int(scan.name.removeprefix("scan_"))
    return Scan(
        name=scan.name,
        quantity="height",
        x=x,
        values=values + tag,
        sigma=np.full(len(x), sigma),
        carriage=carriage,
        direction=scan.direction,
        orientation=scan.orientation,
    )
