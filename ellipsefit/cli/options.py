"""What several commands share: arguments, options and groups of options, and how their texts become quantities."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, get_args

import typer

from ellipsefit.errors import ParameterError, UnitError

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from ellipsefit.stitching import StitchSettings


# what is read

MirrorFile = Annotated[Path, typer.Argument(metavar="MIRROR", help="Mirror file (TOML).")]
ProfileFile = Annotated[Path, typer.Argument(metavar="PROFILE", help="Measured profile: text, NeXus HDF5, X3P or SDF.")]
ScanFiles = Annotated[
    list[Path], typer.Argument(metavar="SCAN", help="Raw scans: text, X3P, SDF, or NeXus HDF5, which may hold many.")
]
ScanOrProfileFiles = Annotated[
    list[Path],
    typer.Argument(
        metavar="SCAN", help="Raw scans: text, X3P, SDF, or NeXus HDF5, which may hold many. Or one profile."
    ),
]
PlanFile = Annotated[Path, typer.Argument(metavar="PLAN", help="JSON answer of correct, or a record.")]
OwnMirror = Annotated[
    Path | None,
    typer.Option("--mirror", metavar="FILE", help="Mirror file, where what is read does not hold its own."),
]
RoundNumber = Annotated[
    int | None, typer.Option("--round", metavar="N", help="Round of a record; by default its last.")
]
ResponseFile = Annotated[
    Path | None,
    typer.Option(
        "--response",
        metavar="FILE",
        help="What adjusters do to the surface: TOML or CSV, the JSON answer of compare, or a record.",
    ),
]

# what is written, and how much is said

RecordFile = Annotated[
    Path | None,
    typer.Option(
        "--record", metavar="RECORD", help="Keep the answer in this record of the mirror; made if it is not there."
    ),
]

Json = Annotated[
    str | None,
    typer.Option("--json", metavar="FILE", help="Write the answer as JSON to FILE, or to standard output with '-'."),
]
Force = Annotated[bool, typer.Option("--force", help="Allow files to be overwritten.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print no tables and no progress.")]
Verbose = Annotated[
    bool,
    typer.Option("--verbose", "-v", help="Print each step with its time, and models, settings and checks in full."),
]
VerboseAlways = Verbose
FigureFile = Annotated[
    Path | None, typer.Option("--figure", metavar="FILE", help="Draw the result to FILE (svg, png or pdf).")
]
ReportFile = Annotated[Path | None, typer.Option("--report", metavar="FILE", help="Write a page to take along, HTML.")]

# simulations

Seed = Annotated[int, typer.Option("--seed", metavar="N", help="Seed of the random numbers.")]
Workers = Annotated[
    int,
    typer.Option("--workers", metavar="N", help="Processes, 0: one for each core; the result does not depend on it."),
]
PointStep = Annotated[str, typer.Option("--step", metavar="LENGTH", help="Distance of points.")]


@contextmanager
def processes(workers: int, *, wanted: bool = True) -> Iterator[Executor | None]:
    """So many processes, if any are wanted; None: this one alone."""
    if workers < 0:
        raise ParameterError(f"--workers: got {workers}; expected 0 or more")
    workers = workers or os.cpu_count() or 1
    if workers == 1 or not wanted:
        yield None
        return
    from concurrent.futures import ProcessPoolExecutor

    with ProcessPoolExecutor(workers) as executor:
        yield executor


# groups of options; each is a type, and a command has it by a parameter of that type


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelOptions:
    """What is fitted."""

    vary: Annotated[
        str | None,
        typer.Option(metavar="LIST", help="Parameters to fit, such as 'p,q,theta'. By default what the data can tell."),
    ] = None
    segments: Annotated[
        str, typer.Option(metavar="free|fixed|random", help="Segments: tied by a spread (random), free, or fixed.")
    ] = "random"
    residual: Annotated[
        str, typer.Option(metavar="white|correlated", help="Model of the surface's own error along a segment.")
    ] = "correlated"

    def settings(self) -> dict[str, Any]:
        """Arguments of `fit_ellipse`."""
        names = None if self.vary is None else tuple(name.strip() for name in self.vary.split(",") if name.strip())
        for name in names or ():
            if name not in ("p", "q", "theta"):
                raise ParameterError(
                    f"--vary: '{name}' is no parameter; expected some of p, q, theta, such as 'q,theta'"
                )
        return {"vary": names, "segments": self.segments, "residual": self.residual}


@dataclass(frozen=True, slots=True, kw_only=True)
class FitOptions(ModelOptions):
    """What is fitted, and what is known beforehand."""

    spread_height: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help="Spread of segment heights, such as '5 um'. Estimated if not given."),
    ] = None
    spread_tilt: Annotated[
        str | None,
        typer.Option(metavar="ANGLE", help="Spread of segment tilts, such as '20 urad'. Estimated if not given."),
    ] = None
    prior: Annotated[
        list[str] | None,
        typer.Option(metavar="TEXT", help="Outside knowledge, such as 'p+q=20 m +- 1 mm'. Repeatable."),
    ] = None
    stability: Annotated[
        str, typer.Option(metavar="LENGTH", help="How well an adjuster holds its place since the last campaign.")
    ] = "0.5 um"
    cutoff: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help="Cut-off of the filter for slope errors. Default 20 mm or 5 steps."),
    ] = None

    def settings(self) -> dict[str, Any]:
        """Arguments of `fit_ellipse`, but for the last campaign, which takes a mirror to be read."""
        from ellipsefit.fit import parse_prior

        above_zero(self.stability, "--stability")
        return {
            **super(FitOptions, self).settings(),  # the short form of super is lost with slots
            "spread_height": positive(self.spread_height, "--spread-height"),
            "spread_tilt": positive(self.spread_tilt, "--spread-tilt", "angle"),
            "priors": tuple(parse_prior(text) for text in self.prior or ()),
            "cutoff": positive(self.cutoff, "--cutoff"),
        }

    @property
    def steadiness(self) -> float:
        """How well an adjuster holds its place since the last campaign [m]."""
        return above_zero(self.stability, "--stability")


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignOptions(FitOptions):
    """What is fitted, and what is known beforehand, the last campaign included."""

    previous: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Record, or file of a fit, of the last campaign; moves since: the adjusters' positions now less then.",
        ),
    ] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StitchOptions:
    """How raw scans are joined."""

    guide: Annotated[bool, typer.Option("--guide/--no-guide", help="Solve for the guide's straightness error.")] = True
    guide_straightness: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help="Standard deviation of the guide's error, if known, such as '0.3 um'."),
    ] = None
    drift_degree: Annotated[
        int, typer.Option(metavar="N", help="Highest power of time in a scan's drift beyond a line; below 2: none.")
    ] = 3
    spike_threshold: Annotated[
        float, typer.Option(metavar="X", help="Robust standard deviations that make a spike; 0: none is looked for.")
    ] = 6.0
    roll_off: Annotated[
        bool, typer.Option("--roll-off/--no-roll-off", help="Mask ends of segments that bend away.")
    ] = True
    temperature_limit: Annotated[
        float, typer.Option(metavar="K", help="Largest difference of mean temperature between scans.")
    ] = 0.5

    def settings(self) -> StitchSettings:
        """Settings of `stitch`."""
        from ellipsefit.stitching import StitchSettings

        with options_named("spike_threshold", "drift_degree", "temperature_limit"):
            return StitchSettings(
                guide=self.guide,
                guide_straightness=positive(self.guide_straightness, "--guide-straightness"),
                drift_degree=self.drift_degree,
                spike_threshold=self.spike_threshold or None,
                roll_off=self.roll_off,
                temperature_limit=self.temperature_limit,
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanOptions:
    """What moves are for."""

    objective: Annotated[
        str,
        typer.Option(
            metavar="LIST", help="What is made small, in order: worst, spot, reach, travel, screws; or expected."
        ),
    ] = "worst,travel"
    target: Annotated[
        str,
        typer.Option(metavar="nominal|free", help="free: p, q and theta may move within the mirror's tolerances."),
    ] = "nominal"

    def settings(self) -> dict[str, Any]:
        """Arguments of `plan_corrections`."""
        from ellipsefit.align.objectives import check_objectives
        from ellipsefit.align.plan import TargetChoice

        try:
            wanted = check_objectives([name.strip() for name in self.objective.split(",") if name.strip()])
        except ParameterError as fault:
            raise ParameterError(f"--objective: {str(fault).removeprefix('objectives: ')}") from None
        if self.target not in get_args(TargetChoice):
            raise ParameterError(f"--target: got '{self.target}'; expected {' or '.join(get_args(TargetChoice))}")
        return {"objectives": wanted, "target": self.target}


# how texts become quantities, and whose name a fault is told by


@contextmanager
def options_named(*arguments: str) -> Iterator[None]:
    """Let the library's sentences on these arguments name the option as it is typed."""
    try:
        yield
    except ParameterError as fault:
        argument, _, rest = str(fault).partition(" ")
        if argument not in arguments:
            raise
        raise ParameterError(f"--{argument.replace('_', '-')} {rest}") from None


#: Keys of the beam file that the library's sentences may name.
_BEAM_KEYS = ("source_position", "plane", "aperture", "beam", "wavelength")


@contextmanager
def keys_in(beam: Path | None) -> Iterator[None]:
    """Let the library's sentences on the beam name its file."""
    try:
        yield
    except ParameterError as fault:
        if beam is None or str(fault).partition(":")[0] not in _BEAM_KEYS:
            raise
        raise ParameterError(f"{beam}: {fault}") from None


def positive(text: str | None, option: str, kind: str = "length") -> float | None:
    """Quantity above zero, if one was typed."""
    return None if text is None else above_zero(text, option, kind)


def above_zero(text: str, option: str, kind: str = "length") -> float:
    """Quantity above zero."""
    value = quantity(text, option, kind)
    if value <= 0:
        raise ParameterError(f"{option}: got '{text}'; expected more than zero")
    return value


def quantity(text: str, option: str, kind: str = "length") -> float:
    """Quantity with a unit, in SI; the error names the option."""
    from ellipsefit.units import parse_quantity

    try:
        return parse_quantity(text, kind)
    except UnitError as fault:
        raise UnitError(f"{option}: {fault}") from None
