"""The commands. Each parses, calls one library function and prints; imports of the library wait for the call."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ellipsefit.cli.app import Command, app
from ellipsefit.cli.options import (
    Cutoff,
    DriftDegree,
    Force,
    Guide,
    GuideStraightness,
    Json,
    MirrorFile,
    PreviousFile,
    Priors,
    ProfileFile,
    Quiet,
    Residual,
    RollOff,
    ScanFiles,
    ScanOrProfileFiles,
    Segments,
    SpikeThreshold,
    SpreadHeight,
    SpreadTilt,
    Stability,
    TemperatureLimit,
    Vary,
    VerboseAlways,
    VerboseFit,
    VerboseJob,
    VerbosePlan,
    VerboseStitch,
    above_zero,
    fit_options,
    keys_in,
    options_named,
    positive,
    quantity,
    stitch_settings_of,
)
from ellipsefit.cli.show import Output, model_text, treatment_text
from ellipsefit.errors import ParameterError

if TYPE_CHECKING:
    from ellipsefit.fit import EllipseFit
    from ellipsefit.job import JobResult


def _fitted(
    mirror: Path, profile: Path, output: Output, options: dict[str, Any], previous: Path | None, stability: str
) -> EllipseFit:
    import ellipsefit as ef

    steady = above_zero(stability, "--stability")

    with output.progress() as tell, options_named("segments", "residual"):
        tell("reading")
        design, measured = ef.read_mirror(mirror), ef.open_profile(profile)
        earlier = None if previous is None else ef.read_previous(previous, design, stability=steady)
        tell("fitting")
        return ef.fit_ellipse(measured, design, previous=earlier, **options)


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
    profile: Annotated[
        Path,
        typer.Option(
            "--output", "-o", metavar="PROFILE", help="The profile as NeXus HDF5, or as .x3p, .sdf, .csv, .txt."
        ),
    ],
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
    from ellipsefit.files import read_scans, write_measured
    from ellipsefit.report import figure_format
    from ellipsefit.stitching import stitch as join

    output = Output(json=json, force=force, quiet=quiet, verbose=verbose)
    output.check(profile, figure)
    if figure is not None:
        figure_format(figure)
    settings = stitch_settings_of(guide, guide_straightness, drift_degree, spike_threshold, roll_off, temperature_limit)
    with output.progress() as tell:
        tell("reading")
        design, raw = ef.read_mirror(mirror), read_scans(scans)
        result = join(raw, design, settings=settings, progress=tell)
        tell("writing")
        written = write_measured(result.profile, profile, settings={**settings.as_text(), **result.steps}, force=force)
        if figure is not None:
            from ellipsefit.report import save_figure

            tell("drawing")
            save_figure(result.plot(), figure, force=force)
    output.text(result, *([treatment_text(result)] if verbose else []), *([written] if written.lost else []))
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
        "reach": above_zero(reach, "--reach"),
        "speed": above_zero(speed, "--speed", "speed"),
        "step": above_zero(step, "--step"),
        "noise": above_zero(noise, "--noise"),
        "guide_spread": above_zero(guide_straightness, "--guide-straightness"),
        "pause": quantity(pause, "--pause", "time"),
        "flip_time": above_zero(flip_time, "--flip-time", "time"),
    }
    design, time = ef.read_mirror(mirror), positive(budget, "--budget", "time")
    with options_named("overlap", "flips", *quantities):
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
    previous: PreviousFile = None,
    stability: Stability = "0.5 um",
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
    options = fit_options(vary, segments, residual, spread_height, spread_tilt, prior, cutoff)
    result = _fitted(mirror, profile, output, options, previous, stability)
    if output_file is not None:
        from ellipsefit.files.record import write_fit

        write_fit(result, output_file, force=force)
    further = [model_text(result), result.belief(), result.budget, result.identifiability()] if verbose else []
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
    previous: PreviousFile = None,
    stability: Stability = "0.5 um",
    cutoff: Cutoff = None,
    response: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="What adjusters do to the surface: TOML or CSV, the JSON answer of compare, or a record.",
        ),
    ] = None,
    objective: Annotated[
        str,
        typer.Option(
            metavar="LIST", help="What is made small, in order: worst, spot, reach, travel, screws; or expected."
        ),
    ] = "worst,travel",
    target: Annotated[
        str,
        typer.Option(metavar="nominal|free", help="free: p, q and theta may move within the mirror's tolerances."),
    ] = "nominal",
    trade_off: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Draw what remains against how much is moved to FILE (svg, png or pdf)."),
    ] = None,
    test_moves: Annotated[
        bool,
        typer.Option("--test-moves", help="Answer with small first moves that tell whether each screw goes right."),
    ] = False,
    json: Json = None,
    force: Force = False,
    quiet: Quiet = False,
    verbose: VerbosePlan = False,
) -> None:
    """Plan the moves of the adjusters within their travel, the carrier's share, and what remains.

    The JSON answer is the plan that `sheet` prints and `compare` looks back on.
    Exit status 1: no moves within travel suffice.
    """
    from datetime import UTC, datetime

    import ellipsefit as ef
    from ellipsefit.align.objectives import check_objectives
    from ellipsefit.files.orders import given_response
    from ellipsefit.files.plan import PlanAnswer
    from ellipsefit.report.cautions import cautions_text

    output = Output(json=json, force=force, quiet=quiet, verbose=verbose)
    output.check(trade_off)
    if trade_off is not None:
        from ellipsefit.report import figure_format

        figure_format(trade_off)
    options = fit_options(vary, segments, residual, spread_height, spread_tilt, prior, cutoff)
    try:
        wanted = check_objectives([name.strip() for name in objective.split(",") if name.strip()])
    except ParameterError as fault:
        raise ParameterError(f"--objective: {str(fault).removeprefix('objectives: ')}") from None
    found = _fitted(mirror, profile, output, options, previous, stability)
    known = None if response is None else given_response(response, found.mirror)
    with options_named("target"):
        plan = ef.plan_corrections(found, response=known, objectives=wanted, target=target)  # type: ignore[arg-type]  # it checks the word
    trade = None if trade_off is None else plan.trade_off()
    answer = PlanAnswer(plan=plan, when=datetime.now(UTC), test=test_moves, trade=trade)
    first: list[object] = [answer.test_text() if test_moves else answer.sequence()]
    if trade is not None and trade_off is not None:
        from ellipsefit.report import save_figure

        save_figure(trade.plot(), trade_off, force=force)
        first.append(trade)
    output.text(*([found, model_text(found)] if verbose else []), plan, *first, cautions_text(min(output.width, 100)))
    output.answer(answer)
    raise typer.Exit(0 if plan.feasible else 1)


@app.command(cls=Command, short_help="Check by simulation that stated intervals cover.")
def audit(
    mirror: MirrorFile,
    campaigns: Annotated[int, typer.Option(metavar="N", help="Simulated campaigns.")] = 200,
    seed: Annotated[int, typer.Option(metavar="N", help="Of the random numbers.")] = 1,
    workers: Annotated[int, typer.Option(metavar="N", help="Processes; the result does not depend on it.")] = 1,
    spread_height: Annotated[str, typer.Option(metavar="LENGTH", help="Of the segments' heights.")] = "5 um",
    spread_tilt: Annotated[str, typer.Option(metavar="ANGLE", help="Of the segments' tilts.")] = "20 urad",
    form: Annotated[
        str, typer.Option(metavar="LENGTH", help="Of each of two Legendre terms of a segment's own form.")
    ] = "100 nm",
    figure: Annotated[
        str | None, typer.Option(metavar="LENGTH|ANGLE", help="Rms figure error. Default 100 nm, of slopes 2 urad.")
    ] = None,
    correlation_length: Annotated[str, typer.Option(metavar="LENGTH", help="Of the figure error.")] = "40 mm",
    noise: Annotated[
        str | None,
        typer.Option(metavar="LENGTH|ANGLE", help="White noise of a point. Default 60 nm, of slopes 0.1 urad."),
    ] = None,
    step: Annotated[str, typer.Option(metavar="LENGTH", help="Distance of points.")] = "2 mm",
    measured: Annotated[str, typer.Option("--quantity", metavar="height|slope", help="What is measured.")] = "height",
    vary: Vary = None,
    segments: Segments = "random",
    residual: Residual = "correlated",
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
    slopes = measured == "slope"
    kind = "angle" if slopes else "length"
    quantities: dict[str, Any] = {
        "spread_height": quantity(spread_height, "--spread-height"),
        "spread_tilt": quantity(spread_tilt, "--spread-tilt", "angle"),
        "form": quantity(form, "--form"),
        "figure": quantity(figure or ("2 urad" if slopes else "100 nm"), "--figure", kind),
        "correlation_length": quantity(correlation_length, "--correlation-length"),
        "noise": quantity(noise or ("0.1 urad" if slopes else "60 nm"), "--noise", kind),
        "step": quantity(step, "--step"),
    }
    with options_named("campaigns", "quantity", *quantities):
        settings = AuditSettings(campaigns=campaigns, seed=seed, quantity=measured, **quantities)
    options = fit_options(vary, segments, residual, None, None, None, None)
    if workers < 1:
        raise ParameterError(f"--workers: got {workers}; expected at least 1")
    design = ef.read_mirror(mirror)
    with output.progress() as tell, options_named("segments", "residual"):
        if workers == 1:
            result = run_audit(design, settings, progress=tell, **options)
        else:
            from concurrent.futures import ProcessPoolExecutor

            with ProcessPoolExecutor(workers) as executor:
                result = run_audit(design, settings, executor=executor, progress=tell, **options)
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
    previous: PreviousFile = None,
    stability: Stability = "0.5 um",
    cutoff: Cutoff = None,
    guide: Guide = True,
    guide_straightness: GuideStraightness = None,
    drift_degree: DriftDegree = 3,
    spike_threshold: SpikeThreshold = 6.0,
    roll_off: RollOff = True,
    temperature_limit: TemperatureLimit = 0.5,
    beam: Annotated[
        Path | None,
        typer.Option("--beam", metavar="BEAM", help="Beam file (TOML): adds a section on the light at the focus."),
    ] = None,
    carrier: Annotated[
        Path | None,
        typer.Option("--carrier", metavar="FILE", help="Carrier file (TOML): adds a section on where it stands."),
    ] = None,
    survey: Annotated[
        list[Path] | None,
        typer.Option("--survey", metavar="FILE", help="Survey of that carrier; three or more tell of its seasons."),
    ] = None,
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
    options = fit_options(vary, segments, residual, spread_height, spread_tilt, prior, cutoff)
    settings = stitch_settings_of(guide, guide_straightness, drift_degree, spike_threshold, roll_off, temperature_limit)
    with output.progress() as tell, options_named("segments", "residual"), keys_in(beam):
        result = run_job(
            mirror,
            scans,
            folder,
            when=datetime.now(UTC),
            force=force,
            progress=tell,
            stitch_settings=settings,
            previous=previous,
            stability=above_zero(stability, "--stability"),
            beam_path=beam,
            carrier_path=carrier,
            survey_paths=survey or (),
            **options,
        )
    _show_job(output, result)


def _show_job(output: Output, result: JobResult) -> None:
    parts: list[object] = []
    if output.verbose:
        if result.stitched is not None:
            parts += [result.stitched, treatment_text(result.stitched)]
        parts += [result.fit, model_text(result.fit)]
        parts += [part for part in (result.light, result.placement, result.forecast) if part is not None]
    output.text(*parts, result.plan, result)
    output.answer(result)
    raise typer.Exit(0 if result.plan.feasible else 1)
