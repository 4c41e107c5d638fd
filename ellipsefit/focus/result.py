"""What a measured mirror does to a beam, with uncertainty; it prints itself."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, ClassVar, Final

from ellipsefit import rows
from ellipsefit.focus.beam import Beam
from ellipsefit.focus.losses import Loss
from ellipsefit.focus.model import Model
from ellipsefit.focus.rays import Rays
from ellipsefit.focus.solid import Roll
from ellipsefit.focus.spot import BestFocus, Spot, SpotStderr
from ellipsefit.focus.surface import Surface
from ellipsefit.focus.waves import LineSpread
from ellipsefit.focus.what_if import Choice
from ellipsefit.mirror import Mirror
from ellipsefit.results import Array, Result
from ellipsefit.rows import Table, number, stated

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """Where the beam goes, as shares of it, which sum to 1; or the standard uncertainty of each share."""

    into_aperture: float
    beside_aperture: float
    absorbed: float  # by the coating
    cut_off: float  # reflected, and stopped by the edge of a later segment
    gaps: float
    past: float  # beside the mirror

    @property
    def total(self) -> float:
        """Sum of all."""
        return float(sum(getattr(self, name) for name in self.__slots__))

    def to_dict(self) -> dict[str, float]:
        """For JSON."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True, kw_only=True)
class Analytic:
    """The same by the analytic model, to first order."""

    throughput: float
    rms: float  # [m]
    agrees: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SideSpot:
    """The spot in the third dimension [m], positive towards +y."""

    centroid: float
    rms: float
    centroid_stderr: float | None = None  # None: nothing is known of how sure the rolls are
    rms_stderr: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FocusResult(Result):
    """Spot, best focus, throughput and what costs how much light. Lengths in m, angles in rad."""

    table: ClassVar[str | None] = "loss"

    mirror: Mirror
    beam: Beam
    spot: Spot
    spot_stderr: SpotStderr | None  # None, as all further ones: the mirror's uncertainty is not known
    best_focus: BestFocus
    best_focus_stderr: BestFocus | None
    throughput: float  # share of the beam that passes the aperture
    balance: Balance
    balance_stderr: Balance | None
    losses: tuple[Loss, ...]  # shares that sum to 1 - throughput
    analytic: Analytic
    line: LineSpread | None  # of X-rays; None: neutrons, or more fringes than are summed
    choices: tuple[Choice, ...]
    droop: tuple[float, float] | None  # fall of the shortest and longest wave to the plane [m]; None: does not fall
    side: SideSpot | None  # None: no roll or twist is known
    rolls: tuple[Roll | None, ...]
    warnings: tuple[str, ...]
    surface: Surface
    model: Model
    rays: Rays  # (N, M)

    @property
    def acceptable(self) -> bool:
        """Whether the required throughput, if any, is reached."""
        required = self.beam.required_throughput
        return required is None or self.throughput >= required

    @property
    def throughput_stderr(self) -> float | None:
        """Standard uncertainty of the throughput."""
        return None if self.balance_stderr is None else self.balance_stderr.into_aperture

    @property
    def strehl(self) -> float | None:
        """Strehl ratio of X-rays; None where it is not known."""
        return None if self.line is None else self.line.strehl

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        spot, best, line = self.spot, self.best_focus, self.line
        sure = self.best_focus_stderr or (None, None, None)
        measures: dict[str, float | None] = {}
        for name in SpotStderr.__slots__:
            measures[name] = getattr(spot, name)
            measures[f"{name}_stderr"] = _part(self.spot_stderr, name)
        return {
            "spot": measures | {"centroid_along": spot.centroid_along},
            "best_focus": {
                "along": best.along,
                "across": best.across,
                "rms": best.rms,
                "along_stderr": sure[0],
                "across_stderr": sure[1],
                "rms_stderr": sure[2],
            },
            "throughput": {
                "value": self.throughput,
                "stderr": self.throughput_stderr,
                "required": self.beam.required_throughput,
                "acceptable": self.acceptable,
            },
            "strehl": self.strehl,
            "strehl_stderr": None if line is None or line.stderr is None else line.stderr.strehl,
            "loss": [{"name": loss.name, "share": loss.share, "stderr": loss.stderr} for loss in self.losses],
            "balance": self.balance.to_dict(),
            "balance_stderr": None if self.balance_stderr is None else self.balance_stderr.to_dict(),
            "diffraction": None if line is None else line.to_dict(),
            "analytic": {
                "throughput": self.analytic.throughput,
                "rms": self.analytic.rms,
                "agrees": self.analytic.agrees,
            },
            "what_if": [choice.to_dict() for choice in self.choices],
            "gravity": None if self.droop is None else {"droop": list(self.droop)},
            "side": None if self.side is None else asdict(self.side),
            "roll": [
                {
                    "name": segment.name,
                    "roll": roll.roll,
                    "twist": roll.twist,
                    "roll_stderr": roll.roll_stderr,
                    "twist_stderr": roll.twist_stderr,
                }
                for segment, roll in zip(self.mirror.segments, self.rolls, strict=True)
                if roll is not None
            ],
            "beam": self.beam.to_dict(),
            "warnings": list(self.warnings),
        }

    def arrays(self) -> tuple[Array, ...]:
        """Light over the plane, by rays and, of X-rays, by diffraction."""
        spot, line = self.spot, self.line
        found = (
            Array("across", ("across",), spot.place, "m", "position across the chief ray", True),
            Array("density", ("across",), spot.density, "1/m", "light per length over all light, by rays"),
        )
        if line is None:
            return found
        return (
            *found,
            Array("across_diffracted", ("across_diffracted",), line.place, "m", "position across the chief ray", True),
            Array("diffracted", ("across_diffracted",), line.density, "1/m", "light per length, diffraction included"),
            Array("perfect", ("across_diffracted",), line.perfect, "1/m", "the same of the perfect mirror"),
        )

    def rows(self) -> list[Table]:
        """Tables of the result, as shown on screens and pages."""
        tables = [self._spot_table(), self._throughput_table(), self._loss_table(), self._choice_table()]
        if self.line is not None:
            tables.insert(1, self._diffraction_table(self.line))
        return tables

    def plot(self) -> Figure:
        """Figure of the light at the focus: spot, caustic, losses, line spread."""
        from ellipsefit.report import plot_focus  # the one way up: a result draws itself when asked

        return plot_focus(self)

    def _spot_table(self) -> Table:
        best, sure = self.best_focus, self.best_focus_stderr or (None, None, None)
        measures = (
            ("rms width", "rms"),
            ("full width at half maximum", "fwhm"),
            ("width that holds 50 %", "width_50"),
            ("width that holds 90 %", "width_90"),
            ("centroid across the chief ray", "centroid_across"),
        )
        cells = [
            *(
                (words, stated(getattr(self.spot, name), _part(self.spot_stderr, name), "length"))
                for words, name in measures
            ),
            ("best focus, along the chief ray", stated(best.along, sure[0], "length")),
            ("best focus, across it", stated(best.across, sure[1], "length")),
            ("rms width there", stated(best.rms, sure[2], "length")),
        ]
        if self.side is not None:
            cells += [
                ("sideways (+y): centroid", stated(self.side.centroid, self.side.centroid_stderr, "length")),
                ("sideways: rms width", stated(self.side.rms, self.side.rms_stderr, "length")),
            ]
        notes = [
            f"In the plane {self._plane_words()}. Along: positive downstream; across: positive towards +z.",
            *((_HOW_SURE,) if self.spot_stderr is not None else ()),
            *(f"Note: {text}" for text in self.warnings),
        ]
        if not self.analytic.agrees:
            notes.append(
                f"The analytic model does NOT AGREE: {number(self.analytic.rms, 'length')} rms, "
                f"{100 * self.analytic.throughput:.2f} % through. Shares and uncertainties follow from it."
            )
        return Table(title=f"Spot of {self.mirror.name}", header=("", "value"), cells=tuple(cells), notes=tuple(notes))

    def _plane_words(self) -> str:
        plane = self.beam.plane
        if plane == 0:
            return "of the nominal image focus"
        side = "downstream" if plane > 0 else "upstream"
        return f"{number(abs(plane), 'length')} {side} of the nominal image focus"

    def _diffraction_table(self, line: LineSpread) -> Table:
        cells = (
            ("Strehl ratio", _ratio(line.strehl, line.sure("strehl"))),
            ("Maréchal's estimate of it", _marechal(line)),
            ("phase error, rms", f"{_ratio(line.phase_rms, line.sure('phase_rms'))} rad"),
            ("full width at half maximum", stated(line.fwhm, line.sure("fwhm"), "length")),
            ("of the perfect mirror", number(line.perfect_fwhm, "length")),
        )
        how = "as from a point source" if line.coherence == "full" else "over all points of the source"
        return Table(
            title="Diffraction",
            header=("", "value"),
            cells=cells,
            notes=(
                f"At {self.beam.mean_wavelength * 1e10:.4g} angstrom, {how}.",
                *((_HOW_SURE_OF_WAVES,) if line.stderr is not None else ()),
            ),
        )

    def _known(self, cells: Iterable[tuple[str, ...]]) -> list[str]:
        """What is to be said of shares in a second column that have no uncertainty beside others that have one."""
        unsure = any("±" not in cell[1] for cell in cells)
        return [_KNOWN] if unsure and self.balance_stderr is not None else []

    def _throughput_table(self) -> Table:
        balance, beam = self.balance, self.beam
        names = {
            "into_aperture": "through the aperture" if beam.aperture is not None else "to the plane",
            "beside_aperture": "beside it",
            "absorbed": "lost in the coating",
            "cut_off": "stopped by a later edge",
            "gaps": "through gaps",
            "past": "beside the mirror",
        }
        cells = [
            (label, _percent(getattr(balance, name), _part(self.balance_stderr, name)))
            for name, label in names.items()
            if name == "into_aperture" or abs(getattr(balance, name)) > 5e-6
        ]
        notes = self._known(cells)
        if beam.aperture is not None:
            middle = number(beam.aperture_offset, "length", sign=True)
            where = "on the chief ray" if beam.aperture_offset == 0 else f"{middle} from the chief ray"
            notes.append(f"The aperture is {number(beam.aperture, 'length')} wide, its middle {where}.")
        if beam.required_throughput is not None:
            verdict = "reached" if self.acceptable else "NOT REACHED"
            notes.append(f"Required are {100 * beam.required_throughput:.3g} %: {verdict}.")
        return Table(title="Where the beam goes", header=("", "share"), cells=tuple(cells), notes=tuple(notes))

    def _loss_table(self) -> Table:
        cells = [(loss.name, _percent(loss.share, loss.stderr)) for loss in self.losses]
        cells.append(("together", _percent(1 - self.throughput, self.throughput_stderr)))
        notes = (
            "Geometry is what the perfect mirror loses, by the files alone. Each further share is its mean over all "
            "orders in which the errors can come; a negative one makes up for another.",
            *self._known(cells[1:]),
        )
        return Table(title="What costs how much", header=("", "share"), cells=tuple(cells), notes=notes)

    def _choice_table(self) -> Table:
        cells = tuple(
            (
                choice.name,
                _percent(choice.throughput, choice.throughput_stderr),
                stated(choice.rms, choice.rms_stderr, "length", unit="um"),
                number(choice.carrier_height, "length", unit="um", sign=True) if choice.carrier_height else "",
                number(choice.carrier_tilt, "angle", unit="urad", sign=True) if choice.carrier_tilt else "",
            )
            for choice in self.choices
        )
        return Table(
            title="What could be done",
            header=("", "throughput", "rms width", "carrier: height", "tilt"),
            cells=cells,
            notes=(
                "Realigned segments stand on the fitted ellipse and keep their form. The carrier's moves are settings.",
                *((_ONCE_MADE,) if self.spot_stderr is not None else ()),
                *self._known(cells),
            ),
        )


#: Least estimate of a Strehl ratio that is printed: a phase error of 2.1 rad rms, far beyond its use.
LEAST_MARECHAL: Final = 0.01
_KNOWN = "A share without ± is known better than to its last digit."
_ONCE_MADE = "± is what stays unknown of the mirror once the moves are made."
_HOW_SURE = (
    "± is for what the fit leaves open of ellipse, pose, segments and their figure together, known to about a tenth of "
    "itself. In the widths, what noise hides of the figure stands as a blur."
)
_HOW_SURE_OF_WAVES = (
    "± is for what the fit leaves open of ellipse, pose, segments and their figure together. The perfect mirror "
    "follows from the files."
)


def _part(stderr: SpotStderr | Balance | None, name: str) -> float | None:
    """One of several uncertainties, if they are known."""
    return None if stderr is None else float(getattr(stderr, name))


def _percent(share: float, stderr: float | None) -> str:
    if stderr is None or stderr < 5e-7:
        return f"{100 * share:.2f} %".replace("-0.00", "0.00")
    return rows.share(share, stderr)


def _marechal(line: LineSpread) -> str:
    """Maréchal's estimate, which is meant for small errors: of large ones no digits."""
    if line.marechal < LEAST_MARECHAL:
        return f"below {LEAST_MARECHAL:g}: errors are too large for it"
    return _ratio(line.marechal, line.sure("marechal"))


def _ratio(value: float, stderr: float | None) -> str:
    """A plain number with its uncertainty, where one is known."""
    if stderr:
        return "({} ± {})".format(*rows.rounded(value, stderr))
    return f"{value:.3f}" if value > 1e-3 else f"{value:.2g}"
