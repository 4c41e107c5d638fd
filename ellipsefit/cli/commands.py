"""The commands. Each parses, calls one library function and prints; imports of the library wait for the call."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperCommand

from ellipsefit.cli.show import Output, model_text, treatment_text
from ellipsefit.errors import ParameterError, UnitError

if TYPE_CHECKING:
    from ellipsefit.fit import EllipseFit
    from ellipsefit.job import JobResult
    from ellipsefit.stitching import StitchSettings

app = typer.Typer(
    name="ellipsefit",
    help="From measured profiles to adjuster moves for long segmented elliptic mirrors.",
    epilog="Exit status: 0 done; 1 the answer is 'not acceptable'; 2 bad input or usage.",
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
)


class Command(TyperCommand):
    """A command whose help shows no types of the language beside the names of files."""

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write the arguments, then the options."""
        for title, kind in (("Arguments", "argument"), ("Options", "option")):
            records = [
                (name.partition(" <")[0] if kind == "argument" else name, text)
                for parameter in self.get_params(ctx)
                if parameter.param_type_name == kind
                for name, text in [parameter.get_help_record(ctx) or ("", "")]
                if name
            ]
            if records:
                with formatter.section(title):
                    formatter.write_dl(records)


MirrorFile = Annotated[Path, typer.Argument(metavar="MIRROR", help="Mirror file (TOML).")]
ProfileFile = Annotated[Path, typer.Argument(metavar="PROFILE", help="Measured profile: text or NeXus HDF5.")]
Json = Annotated[
    str | None,
    typer.Option("--json", metavar="FILE", help="Write the answer as JSON to FILE, or to standard output with '-'."),
]
Force = Annotated[bool, typer.Option("--force", help="Allow files to be overwritten.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print no tables and no progress.")]
VerboseFit = Annotated[
    bool, typer.Option("--verbose", "-v", help="Also print the model and its settings, and what the data can tell.")
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
Cutoff = Annotated[
    str | None,
    typer.Option(metavar="LENGTH", help="Cut-off of the filter for slope errors. Default 20 mm or 5 steps."),
]


ScanFiles = Annotated[
    list[Path], typer.Argument(metavar="SCAN", help="Raw scans: text or NeXus HDF5, which may hold many.")
]
ScanOrProfileFiles = Annotated[
    list[Path],
    typer.Argument(metavar="SCAN", help="Raw scans: text or NeXus HDF5, which may hold many. Or one profile alone."),
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


def _stitch_settings(
    guide: bool,
    guide_straightness: str | None,
    drift_degree: int,
    spike_threshold: float,
    roll_off: bool,
    temperature_limit: float,
) -> StitchSettings:
    from ellipsefit.stitching import StitchSettings

    with _options_named("spike_threshold", "drift_degree", "temperature_limit"):
        return StitchSettings(
            guide=guide,
            guide_straightness=_positive(guide_straightness, "--guide-straightness"),
            drift_degree=drift_degree,
            spike_threshold=spike_threshold or None,
            roll_off=roll_off,
            temperature_limit=temperature_limit,
        )


@contextmanager
def _options_named(*arguments: str) -> Iterator[None]:
    """Let the library's sentences on these arguments name the option as it is typed."""
    try:
        yield
    except ParameterError as fault:
        argument, _, rest = str(fault).partition(" ")
        if argument not in arguments:
            raise
        raise ParameterError(f"--{argument.replace('_', '-')} {rest}") from None


def _positive(text: str | None, option: str, kind: str = "length") -> float | None:
    return None if text is None else _above_zero(text, option, kind)


def _above_zero(text: str, option: str, kind: str = "length") -> float:
    value = _quantity(text, option, kind)
    if value <= 0:
        raise ParameterError(f"{option}: got '{text}'; expected more than zero")
    return value


def _quantity(text: str, option: str, kind: str = "length") -> float:
    from ellipsefit.units import parse_quantity

    try:
        return parse_quantity(text, kind)
    except UnitError as fault:
        raise UnitError(f"{option}: {fault}") from None


def _fit_options(
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
        "spread_height": _positive(spread_height, "--spread-height"),
        "spread_tilt": _positive(spread_tilt, "--spread-tilt", "angle"),
        "priors": tuple(parse_prior(text) for text in priors or ()),
        "cutoff": _positive(cutoff, "--cutoff"),
    }


def _fitted(mirror: Path, profile: Path, output: Output, options: dict[str, Any]) -> EllipseFit:
    import ellipsefit as ef

    with output.progress() as tell, _options_named("segments", "residual"):
        tell("reading")
        design, measured = ef.read_mirror(mirror), ef.read_profile(profile)
        tell("fitting")
        return ef.fit_ellipse(measured, design, **options)


@app.command(cls=Command, short_help="Make an invented mirror and run the whole job on it.")
def demo(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where the demo goes.")] = Path("ellipsefit-demo"),
    json: Json = None,
    force: Force = False,
    quiet: Quiet = False,
    verbose: VerboseJob = False,
) -> None:
    """Make an invented mirror with its raw scans in DIR and run the whole job on it, to a report.

    Exit status 1: no moves within travel suffice.
    """
    from datetime import UTC, datetime

    from ellipsefit.job import run_demo

    output = Output(json=json, force=force, quiet=quiet, verbose=verbose)
    output.check(folder=folder)
    with output.progress() as tell:
        result = run_demo(folder, when=datetime.now(UTC), force=force, progress=tell)
    _show_job(output, result)


@app.command(cls=Command, short_help="Say what files hold and what is wrong with them.")
def inspect(
    files: Annotated[list[Path], typer.Argument(metavar="FILE", help="Mirror files and profiles.")],
    json: Json = None,
    force: Force = False,
    quiet: Quiet = False,
    verbose: VerboseAlways = False,
) -> None:
    """Say what each file holds and everything that is wrong with it.

    With one mirror file among the files, the profiles are checked against it, too.
    Exit status 1: something is wrong.
    """
    from ellipsefit.files import inspect_files

    output = Output(json=json, force=force, quiet=quiet, verbose=verbose)
    output.check()
    result = inspect_files(files)
    output.text(result)
    output.answer(result)
    raise typer.Exit(1 if result.faulty else 0)


@app.command(cls=Command, short_help="Join raw scans to one profile with uncertainty.")
def stitch(
    mirror: MirrorFile,
    scans: ScanFiles,
    profile: Annotated[Path, typer.Option("--output", "-o", metavar="PROFILE", help="The profile, as NeXus HDF5.")],
    guide: Guide = True,
    guide_straightness: GuideStraightness = None,
    drift_degree: DriftDegree = 3,
    spike_threshold: SpikeThreshold = 6.0,
    roll_off: RollOff = True,
    temperature_limit: TemperatureLimit = 0.5,
    figure: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Draw scans, overlaps, guide, drift and masks to FILE (svg, png or pdf)."),
    ] = None,
    json: Json = None,
    force: Force = False,
    quiet: Quiet = False,
    verbose: VerboseStitch = False,
) -> None:
    """Join raw scans to one profile with an uncertainty, and say what they cannot tell."""
    import ellipsefit as ef
    from ellipsefit.files import read_scans, write_profile
    from ellipsefit.report import figure_format
    from ellipsefit.stitching import stitch as join

    output = Output(json=json, force=force, quiet=quiet, verbose=verbose)
    output.check(profile, figure)
    if figure is not None:
        figure_format(figure)
    settings = _stitch_settings(guide, guide_straightness, drift_degree, spike_threshold, roll_off, temperature_limit)
    with output.progress() as tell:
        tell("reading")
        design, raw = ef.read_mirror(mirror), read_scans(scans)
        result = join(raw, design, settings=settings, progress=tell)
        tell("writing")
        write_profile(result.profile, profile, settings=settings.as_text(), force=force)
        if figure is not None:
            from ellipsefit.report import save_figure

            tell("drawing")
            save_figure(result.plot(), figure, force=force)
    output.text(result, *([treatment_text(result)] if verbose else []))
    output.answer(result)


@app.command(cls=Command, short_help="Plan scans for a time budget.")
def plan_scans(
    mirror: MirrorFile,
    reach: Annotated[str, typer.Option(metavar="LENGTH", help="Travel of the carriage, such as '1.2 m'.")],
    overlap: Annotated[float, typer.Option(metavar="SHARE", help="Share of a scan that its neighbour repeats.")] = 0.7,
    budget: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="Time for all of it, such as '6 h'; more passes are added as they fit."),
    ] = None,
    speed: Annotated[str, typer.Option(metavar="SPEED", help="Of the carriage.")] = "2 mm/s",
    pause: Annotated[str, typer.Option(metavar="TIME", help="Between two scans.")] = "2 min",
    step: Annotated[str, typer.Option(metavar="LENGTH", help="Distance of points.")] = "1 mm",
    noise: Annotated[str, typer.Option(metavar="LENGTH", help="Standard deviation of a point.")] = "60 nm",
    guide_straightness: Annotated[
        str, typer.Option(metavar="LENGTH", help="Standard deviation of the guide's error.")
    ] = "0.5 um",
    flips: Annotated[int, typer.Option(metavar="N", help="Scans to repeat with the mirror face down.")] = 0,
    flip_time: Annotated[str, typer.Option(metavar="TIME", help="To turn the mirror face down.")] = "1 h",
    json: Json = None,
    force: Force = False,
    quiet: Quiet = False,
    verbose: VerboseAlways = False,
) -> None:
    """List starts, directions and flips of scans, with the stitching uncertainty to expect."""
    import ellipsefit as ef
    from ellipsefit.stitching import plan_scans as plan

    output = Output(json=json, force=force, quiet=quiet, verbose=verbose)
    output.check()
    quantities = {
        "reach": _above_zero(reach, "--reach"),
        "speed": _above_zero(speed, "--speed", "speed"),
        "step": _above_zero(step, "--step"),
        "noise": _above_zero(noise, "--noise"),
        "guide_spread": _above_zero(guide_straightness, "--guide-straightness"),
        "pause": _quantity(pause, "--pause", "time"),
        "flip_time": _above_zero(flip_time, "--flip-time", "time"),
    }
    design, time = ef.read_mirror(mirror), _positive(budget, "--budget", "time")
    with _options_named("overlap", "flips", *quantities):
        result = plan(design, overlap=overlap, budget=time, flips=flips, **quantities)
    output.text(result)
    output.answer(result)


@app.command(cls=Command, short_help="Fit the ellipse, its pose and the segments.")
def fit(
    mirror: MirrorFile,
    profile: ProfileFile,
    vary: Vary = None,
    segments: Segments = "random",
    residual: Residual = "correlated",
    spread_height: SpreadHeight = None,
    spread_tilt: SpreadTilt = None,
    prior: Priors = None,
    cutoff: Cutoff = None,
    output_file: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="FILE", help="Write the result as NeXus HDF5."),
    ] = None,
    json: Json = None,
    force: Force = False,
    quiet: Quiet = False,
    verbose: VerboseFit = False,
) -> None:
    """Fit the ellipse to a profile and tell what is wrong with each segment.

    Exit status 1: not converged.
    """
    output = Output(json=json, force=force, quiet=quiet, verbose=verbose)
    output.check(output_file)
    options = _fit_options(vary, segments, residual, spread_height, spread_tilt, prior, cutoff)
    result = _fitted(mirror, profile, output, options)
    if output_file is not None:
        from ellipsefit.files.record import write_fit

        write_fit(result, output_file, force=force)
    further = [model_text(result), result.budget, result.identifiability()] if verbose else []
    output.text(result, *further)
    output.answer(result)
    raise typer.Exit(0 if result.converged else 1)


@app.command(cls=Command, short_help="Plan adjuster moves within travel.")
def correct(
    mirror: MirrorFile,
    profile: ProfileFile,
    vary: Vary = None,
    segments: Segments = "random",
    residual: Residual = "correlated",
    spread_height: SpreadHeight = None,
    spread_tilt: SpreadTilt = None,
    prior: Priors = None,
    cutoff: Cutoff = None,
    json: Json = None,
    force: Force = False,
    quiet: Quiet = False,
    verbose: VerbosePlan = False,
) -> None:
    """Plan the moves of the adjusters within their travel, the carrier's share, and what remains.

    Exit status 1: no moves within travel suffice.
    """
    import ellipsefit as ef
    from ellipsefit.report.cautions import cautions_text

    output = Output(json=json, force=force, quiet=quiet, verbose=verbose)
    output.check()
    options = _fit_options(vary, segments, residual, spread_height, spread_tilt, prior, cutoff)
    found = _fitted(mirror, profile, output, options)
    plan = ef.plan_corrections(found)
    output.text(*([found, model_text(found)] if verbose else []), plan, cautions_text(min(output.width, 100)))
    output.answer(plan)
    raise typer.Exit(0 if plan.feasible else 1)


@app.command(cls=Command, short_help="Check by simulation that stated intervals cover.")
def audit(
    mirror: MirrorFile,
    campaigns: Annotated[int, typer.Option(metavar="N", help="Simulated campaigns.")] = 200,
    seed: Annotated[int, typer.Option(metavar="N", help="Of the random numbers.")] = 1,
    workers: Annotated[int, typer.Option(metavar="N", help="Processes; the result does not depend on it.")] = 1,
    spread_height: Annotated[str, typer.Option(metavar="LENGTH", help="Of the segments' heights.")] = "5 um",
    spread_tilt: Annotated[str, typer.Option(metavar="ANGLE", help="Of the segments' tilts.")] = "20 urad",
    figure: Annotated[str, typer.Option(metavar="LENGTH", help="Rms figure error.")] = "100 nm",
    correlation_length: Annotated[str, typer.Option(metavar="LENGTH", help="Of the figure error.")] = "40 mm",
    noise: Annotated[str, typer.Option(metavar="LENGTH", help="White noise of a point.")] = "60 nm",
    step: Annotated[str, typer.Option(metavar="LENGTH", help="Distance of points.")] = "2 mm",
    json: Json = None,
    force: Force = False,
    quiet: Quiet = False,
    verbose: VerboseAlways = False,
) -> None:
    """Simulate campaigns of your own mirror and say whether the stated intervals cover.

    Exit status 1: they don't.
    """
    import ellipsefit as ef
    from ellipsefit.campaign import AuditSettings
    from ellipsefit.campaign import audit as run_audit

    output = Output(json=json, force=force, quiet=quiet, verbose=verbose)
    output.check()
    quantities: dict[str, Any] = {
        "spread_height": _quantity(spread_height, "--spread-height"),
        "spread_tilt": _quantity(spread_tilt, "--spread-tilt", "angle"),
        "figure": _quantity(figure, "--figure"),
        "correlation_length": _quantity(correlation_length, "--correlation-length"),
        "noise": _quantity(noise, "--noise"),
        "step": _quantity(step, "--step"),
    }
    with _options_named("campaigns", *quantities):
        settings = AuditSettings(campaigns=campaigns, seed=seed, **quantities)
    if workers < 1:
        raise ParameterError(f"--workers: got {workers}; expected at least 1")
    design = ef.read_mirror(mirror)
    with output.progress() as tell:
        if workers == 1:
            result = run_audit(design, settings, progress=tell)
        else:
            from concurrent.futures import ProcessPoolExecutor

            with ProcessPoolExecutor(workers) as executor:
                result = run_audit(design, settings, executor=executor, progress=tell)
    output.text(result)
    output.answer(result)
    raise typer.Exit(0 if result.covers else 1)


@app.command(cls=Command, short_help="Stitch, fit, plan, record and report.")
def run(
    mirror: MirrorFile,
    scans: ScanOrProfileFiles,
    folder: Annotated[Path, typer.Option("--output", "-o", metavar="DIR", help="Where record and report go.")],
    vary: Vary = None,
    segments: Segments = "random",
    residual: Residual = "correlated",
    spread_height: SpreadHeight = None,
    spread_tilt: SpreadTilt = None,
    prior: Priors = None,
    cutoff: Cutoff = None,
    guide: Guide = True,
    guide_straightness: GuideStraightness = None,
    drift_degree: DriftDegree = 3,
    spike_threshold: SpikeThreshold = 6.0,
    roll_off: RollOff = True,
    temperature_limit: TemperatureLimit = 0.5,
    json: Json = None,
    force: Force = False,
    quiet: Quiet = False,
    verbose: VerboseJob = False,
) -> None:
    """Do all of it: stitch, fit, plan, DIR/record.h5 and DIR/report.html; a record there gets another round.

    Exit status 1: no moves within travel suffice.
    """
    from datetime import UTC, datetime

    from ellipsefit.job import run_job

    output = Output(json=json, force=force, quiet=quiet, verbose=verbose)
    output.check(folder=folder)
    options = _fit_options(vary, segments, residual, spread_height, spread_tilt, prior, cutoff)
    settings = _stitch_settings(guide, guide_straightness, drift_degree, spike_threshold, roll_off, temperature_limit)
    with output.progress() as tell, _options_named("segments", "residual"):
        result = run_job(
            mirror,
            scans,
            folder,
            when=datetime.now(UTC),
            force=force,
            progress=tell,
            stitch_settings=settings,
            **options,
        )
    _show_job(output, result)


def _show_job(output: Output, result: JobResult) -> None:
    parts: list[object] = []
    if output.verbose:
        if result.stitched is not None:
            parts += [result.stitched, treatment_text(result.stitched)]
        parts += [result.fit, model_text(result.fit)]
    output.text(*parts, result.plan, result)
    output.answer(result)
    raise typer.Exit(0 if result.plan.feasible else 1)


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"ellipsefit {version('ellipsefit')}")
        raise typer.Exit


@app.callback()
def common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and leave.")
    ] = False,
) -> None:
    """From measured profiles to adjuster moves for long segmented elliptic mirrors."""
