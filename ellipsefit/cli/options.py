"""What several commands share: arguments and options, and how their texts become quantities."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ellipsefit.errors import ParameterError, UnitError

if TYPE_CHECKING:
    from ellipsefit.stitching import StitchSettings


MirrorFile = Annotated[Path, typer.Argument(metavar="MIRROR", help="Mirror file (TOML).")]
ProfileFile = Annotated[Path, typer.Argument(metavar="PROFILE", help="Measured profile: text, NeXus HDF5, X3P or SDF.")]
Json = Annotated[
    str | None,
    typer.Option("--json", metavar="FILE", help="Write the answer as JSON to FILE, or to standard output with '-'."),
]
Force = Annotated[bool, typer.Option("--force", help="Allow files to be overwritten.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print no tables and no progress.")]
VerboseFit = Annotated[
    bool,
    typer.Option("--verbose", "-v", help="Also print the model, what the data tell, and checks of the uncertainties."),
]
VerbosePlan = Annotated[bool, typer.Option("--verbose", "-v", help="Also print the fit, its model and its settings.")]
VerboseStitch = Annotated[bool, typer.Option("--verbose", "-v", help="Also print how the scans were treated.")]
VerboseJob = Annotated[
    bool, typer.Option("--verbose", "-v", help="Also print stitching and fit, each with its settings.")
]
VerboseAlways = Annotated[
    bool, typer.Option("--verbose", "-v", help="Taken as everywhere; all there is to print is printed without it.")
]
Vary = Annotated[
    str | None,
    typer.Option(metavar="LIST", help="Parameters to fit, such as 'p,q,theta'. By default what the data can tell."),
]
Segments = Annotated[
    str, typer.Option(metavar="free|fixed|random", help="Segments: tied by a spread (random), free, or fixed.")
]
Residual = Annotated[
    str, typer.Option(metavar="white|correlated", help="Model of the surface's own error along a segment.")
]
SpreadHeight = Annotated[
    str | None,
    typer.Option(metavar="LENGTH", help="Spread of segment heights, such as '5 um'. Estimated if not given."),
]
SpreadTilt = Annotated[
    str | None,
    typer.Option(metavar="ANGLE", help="Spread of segment tilts, such as '20 urad'. Estimated if not given."),
]
Priors = Annotated[
    list[str] | None,
    typer.Option("--prior", metavar="TEXT", help="Outside knowledge, such as 'p+q=20 m +- 1 mm'. Repeatable."),
]
PreviousFile = Annotated[
    Path | None,
    typer.Option(
        "--previous",
        metavar="FILE",
        help="Record, or file of a fit, of the last campaign; moves since: the adjusters' positions now less then.",
    ),
]
Stability = Annotated[
    str, typer.Option(metavar="LENGTH", help="With --previous: how well an adjuster holds its place since.")
]
Cutoff = Annotated[
    str | None,
    typer.Option(metavar="LENGTH", help="Cut-off of the filter for slope errors. Default 20 mm or 5 steps."),
]


ScanFiles = Annotated[
    list[Path], typer.Argument(metavar="SCAN", help="Raw scans: text, X3P, SDF, or NeXus HDF5, which may hold many.")
]
ScanOrProfileFiles = Annotated[
    list[Path],
    typer.Argument(
        metavar="SCAN", help="Raw scans: text, X3P, SDF, or NeXus HDF5, which may hold many. Or one profile."
    ),
]
Guide = Annotated[bool, typer.Option("--guide/--no-guide", help="Solve for the guide's straightness error.")]
GuideStraightness = Annotated[
    str | None,
    typer.Option(metavar="LENGTH", help="Standard deviation of the guide's error, if known, such as '0.3 um'."),
]
DriftDegree = Annotated[
    int, typer.Option(metavar="N", help="Highest power of time in a scan's drift beyond a line; below 2: none.")
]
SpikeThreshold = Annotated[
    float, typer.Option(metavar="X", help="Robust standard deviations that make a spike; 0: none is looked for.")
]
RollOff = Annotated[bool, typer.Option("--roll-off/--no-roll-off", help="Mask ends of segments that bend away.")]
TemperatureLimit = Annotated[
    float, typer.Option(metavar="K", help="Largest difference of mean temperature between scans.")
]


def stitch_settings_of(
    guide: bool,
    guide_straightness: str | None,
    drift_degree: int,
    spike_threshold: float,
    roll_off: bool,
    temperature_limit: float,
) -> StitchSettings:
    """Settings of `stitch` from what was typed."""
    from ellipsefit.stitching import StitchSettings

    with options_named("spike_threshold", "drift_degree", "temperature_limit"):
        return StitchSettings(
            guide=guide,
            guide_straightness=positive(guide_straightness, "--guide-straightness"),
            drift_degree=drift_degree,
            spike_threshold=spike_threshold or None,
            roll_off=roll_off,
            temperature_limit=temperature_limit,
        )


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


def fit_options(
    vary: str | None,
    segments: str,
    residual: str,
    spread_height: str | None,
    spread_tilt: str | None,
    priors: list[str] | None,
    cutoff: str | None,
) -> dict[str, Any]:
    """Options of `fit_ellipse` from what was typed."""
    from ellipsefit.fit import parse_prior

    names = None if vary is None else tuple(name.strip() for name in vary.split(",") if name.strip())
    for name in names or ():
        if name not in ("p", "q", "theta"):
            raise ParameterError(f"--vary: '{name}' is no parameter; expected some of p, q, theta, such as 'q,theta'")
    return {
        "vary": names,
        "segments": segments,
        "residual": residual,
        "spread_height": positive(spread_height, "--spread-height"),
        "spread_tilt": positive(spread_tilt, "--spread-tilt", "angle"),
        "priors": tuple(parse_prior(text) for text in priors or ()),
        "cutoff": positive(cutoff, "--cutoff"),
    }
