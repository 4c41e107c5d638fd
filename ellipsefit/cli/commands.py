"""The commands. Each parses, calls one library function and prints; imports of the library wait for the call."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ellipsefit.cli.app import command
from ellipsefit.cli.options import (
    CampaignOptions,
    FigureFile,
    MirrorFile,
    ModelOptions,
    PlanOptions,
    PointStep,
    ProfileFile,
    RecordFile,
    ResponseFile,
    ScanFiles,
    ScanOrProfileFiles,
    Seed,
    StitchOptions,
    Workers,
    above_zero,
    keys_in,
    options_named,
    positive,
    processes,
    quantity,
)
from ellipsefit.cli.show import Output, drawn, model_text, treatment_text
from ellipsefit.cli.steps import fitted

if TYPE_CHECKING:
    from ellipsefit.job import JobResult


@command("Make an invented mirror and run the whole job on it.")
def demo(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where the demo goes.")] = Path("ellipsefit-demo"),
    *,
    planning: PlanOptions,
    output: Output,
) -> None:
    """Make an invented mirror with its raw scans in DIR and run the whole job on it, to a report.

    Exit status 1: no moves within travel suffice.
    """
    from datetime import UTC, datetime

    from ellipsefit.job import run_demo

    output.check(folder=folder)
    wanted = planning.settings()
    with output.progress() as tell:
        result = run_demo(folder, when=datetime.now(UTC), force=output.force, progress=tell, **wanted)
    _show_job(output, result)


@command("Say what files hold and what is wrong with them.")
def inspect(
    files: Annotated[list[Path], typer.Argument(metavar="FILE", help="Mirror files, profiles, scans and all else.")],
    *,
    output: Output,
) -> None:
    """Say what each file holds and everything that is wrong with it.

    With one mirror file among the files, the profiles are checked against it, too.
    Exit status 1: something is wrong.
    """
    from ellipsefit.files import inspect_files

    output.check(reads=files)
    with output.progress() as tell:
        tell("reading")
        result = inspect_files(files)
    output.text(result)
    output.answer(result)
    raise typer.Exit(1 if result.faulty else 0)


@command("Join raw scans to one profile with uncertainty.")
def stitch(
    mirror: MirrorFile,
    scans: ScanFiles,
    *,
    profile: Annotated[
        Path,
        typer.Option(
            "--output", "-o", metavar="PROFILE", help="The profile as NeXus HDF5, or as .x3p, .sdf, .csv, .txt."
        ),
    ],
    joining: StitchOptions,
    figure: FigureFile = None,
    record: RecordFile = None,
    output: Output,
) -> None:
    """Join raw scans to one profile with an uncertainty, and say what they cannot tell."""
    import ellipsefit as ef
    from ellipsefit.cli.recording import check_record, keep_stitched
    from ellipsefit.files import read_scans, write_measured
    from ellipsefit.stitching import stitch as join

    output.check(profile, drawn(figure), reads=(mirror, *scans, record))
    settings = joining.settings()
    with output.progress() as tell:
        tell("reading")
        design, raw = ef.read_mirror(mirror), read_scans(scans)
        check_record(record, design.name)
        result = join(raw, design, settings=settings, progress=tell)
        tell("writing")
        treatment = {**settings.as_text(), **result.steps}
        written = write_measured(result.profile, profile, settings=treatment, force=output.force)
        keep_stitched(output, record, result, mirror, scans, profile)
        output.draw(result, figure, tell)
    output.text(result, *([treatment_text(result)] if output.verbose else []), *([written] if written.lost else []))
    output.answer(result)


@command("Plan scans for a time budget.")
def plan_scans(
    mirror: MirrorFile,
    *,
    reach: Annotated[str, typer.Option(metavar="LENGTH", help="Travel of the carriage, such as '1.2 m'.")],
    overlap: Annotated[float, typer.Option(metavar="SHARE", help="Share of a scan that its neighbour repeats.")] = 0.7,
    budget: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="Time for all of it, such as '6 h'; more passes are added as they fit."),
    ] = None,
    speed: Annotated[str, typer.Option(metavar="SPEED", help="Of the carriage.")] = "2 mm/s",
    pause: Annotated[str, typer.Option(metavar="TIME", help="Between two scans.")] = "2 min",
    step: PointStep = "1 mm",
    noise: Annotated[str, typer.Option(metavar="LENGTH", help="Standard deviation of a point.")] = "60 nm",
    guide_straightness: Annotated[
        str, typer.Option(metavar="LENGTH", help="Standard deviation of the guide's error.")
    ] = "0.5 um",
    flips: Annotated[int, typer.Option(metavar="N", help="Scans to repeat with the mirror face down.")] = 0,
    flip_time: Annotated[str, typer.Option(metavar="TIME", help="To turn the mirror face down.")] = "1 h",
    output: Output,
) -> None:
    """List starts, directions and flips of scans, with the stitching uncertainty to expect."""
    import ellipsefit as ef
    from ellipsefit.stitching import plan_scans as plan

    output.check(reads=(mirror,))
    quantities = {
        "reach": above_zero(reach, "--reach"),
        "speed": above_zero(speed, "--speed", "speed"),
        "step": above_zero(step, "--step"),
        "noise": above_zero(noise, "--noise"),
        "guide_spread": above_zero(guide_straightness, "--guide-straightness"),
        "pause": quantity(pause, "--pause", "time"),
        "flip_time": above_zero(flip_time, "--flip-time", "time"),
    }
    time = positive(budget, "--budget", "time")
    with output.progress() as tell, options_named("overlap", "flips", *quantities):
        tell("reading")
        design = ef.read_mirror(mirror)
        tell("planning")
        result = plan(design, overlap=overlap, budget=time, flips=flips, **quantities)
    output.text(result)
    output.answer(result)


@command("Fit the ellipse, its pose and the segments.")
def fit(
    mirror: MirrorFile,
    profile: ProfileFile,
    *,
    model: CampaignOptions,
    output_file: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="FILE", help="Write the result as NeXus HDF5."),
    ] = None,
    record: RecordFile = None,
    output: Output,
) -> None:
    """Fit the ellipse to a profile and tell what is wrong with each segment.

    Exit status 1: not converged.
    """
    from ellipsefit.cli.recording import keep_fit, warn_of_sources

    output.check(output_file, reads=(mirror, profile, model.previous, record))
    with output.progress() as tell:
        result = fitted(mirror, profile, model, tell, record)
    warn_of_sources(output, result.mirror, model.previous, measured=[profile])
    if output_file is not None:
        from ellipsefit.files.record import write_fit

        write_fit(result, output_file, force=output.force)
    keep_fit(output, record, result, model, mirror, profile)
    checks: list[object] = []
    if output.verbose:
        checks = [model_text(result), result.checked, result.belief(), result.budget, result.identifiability()]
    output.text(result, *checks)
    output.answer(result)
    raise typer.Exit(0 if result.converged else 1)


@command("Plan adjuster moves within travel.")
def correct(
    mirror: MirrorFile,
    profile: ProfileFile,
    *,
    model: CampaignOptions,
    response: ResponseFile = None,
    planning: PlanOptions,
    trade_off: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Draw what remains against how much is moved to FILE (svg, png or pdf)."),
    ] = None,
    test_moves: Annotated[
        bool,
        typer.Option("--test-moves", help="Answer with small first moves that tell whether each screw goes right."),
    ] = False,
    record: RecordFile = None,
    output: Output,
) -> None:
    """Plan the moves of the adjusters within their travel, the carrier's share, and what remains.

    The JSON answer is the plan that `sheet` prints and `compare` looks back on.
    Exit status 1: no moves within travel suffice.
    """
    from datetime import UTC, datetime

    import ellipsefit as ef
    from ellipsefit.cli.recording import keep_fit, warn_of_sources
    from ellipsefit.files.orders import given_response
    from ellipsefit.files.plan import PlanAnswer
    from ellipsefit.report.cautions import cautions_text

    output.check(drawn(trade_off), reads=(mirror, profile, response, model.previous, record))
    wanted = planning.settings()
    with output.progress() as tell, options_named("target"):
        found = fitted(mirror, profile, model, tell, record)
        known = None if response is None else given_response(response, found.mirror)
        warn_of_sources(output, found.mirror, model.previous, response, measured=[profile])
        tell("planning")
        plan = ef.plan_corrections(found, response=known, **wanted)
        trade = None if trade_off is None else plan.trade_off()
        if trade is not None:
            output.draw(trade, trade_off, tell)
    answer = PlanAnswer(plan=plan, when=datetime.now(UTC), test=test_moves, trade=trade)
    keep_fit(output, record, found, model, mirror, profile, plan=answer, response=response)
    output.text(
        *([found, model_text(found)] if output.verbose else []),
        plan,
        answer.test_text() if test_moves else answer.sequence(),
        *([] if trade is None else [trade]),
        cautions_text(min(output.width, 100)),
    )
    output.answer(answer)
    raise typer.Exit(0 if plan.feasible else 1)


@command("Check by simulation that stated intervals cover.")
def audit(
    mirror: MirrorFile,
    *,
    campaigns: Annotated[int, typer.Option(metavar="N", help="Simulated campaigns.")] = 200,
    seed: Seed = 1,
    workers: Workers = 0,
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
    step: PointStep = "2 mm",
    measured: Annotated[str, typer.Option("--quantity", metavar="height|slope", help="What is measured.")] = "height",
    model: ModelOptions,
    output: Output,
) -> None:
    """Simulate campaigns of your own mirror and say whether the stated intervals cover.

    Exit status 1: they don't.
    """
    import ellipsefit as ef
    from ellipsefit.campaign import AuditSettings
    from ellipsefit.campaign import audit as run_audit

    output.check(reads=(mirror,))
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
    options = model.settings()
    design = ef.read_mirror(mirror)
    with output.progress() as tell, options_named("segments", "residual"), processes(workers) as executor:
        result = run_audit(design, settings, executor=executor, progress=tell, **options)
    output.text(result)
    output.answer(result)
    raise typer.Exit(0 if result.covers else 1)


@command("Stitch, fit, plan, record and report.")
def run(
    mirror: MirrorFile,
    scans: ScanOrProfileFiles,
    *,
    folder: Annotated[Path, typer.Option("--output", "-o", metavar="DIR", help="Where record and report go.")],
    model: CampaignOptions,
    joining: StitchOptions,
    response: ResponseFile = None,
    planning: PlanOptions,
    beam: Annotated[
        Path | None,
        typer.Option("--beam", metavar="BEAM", help="Beam file (TOML)."),
    ] = None,
    carrier: Annotated[
        Path | None,
        typer.Option("--carrier", metavar="FILE", help="Carrier file (TOML)."),
    ] = None,
    survey: Annotated[
        list[Path] | None,
        typer.Option("--survey", metavar="FILE", help="Survey of that carrier; three or more tell of its seasons."),
    ] = None,
    output: Output,
) -> None:
    """Do all of it: stitch, fit, plan, DIR/record.h5 and DIR/report.html; a record there gets another round.

    With --beam, the light at the focus is in it, too; with --carrier and --survey, where that stands and its seasons.
    Exit status 1: no moves within travel suffice.
    """
    from datetime import UTC, datetime

    from ellipsefit.job import run_job

    output.check(folder=folder, reads=(mirror, *scans, beam, carrier, *(survey or ()), response, model.previous))
    options, wanted = model.settings(), planning.settings()
    with output.progress() as tell, options_named("segments", "residual", "target"), keys_in(beam):
        result = run_job(
            mirror,
            scans,
            folder,
            when=datetime.now(UTC),
            force=output.force,
            progress=tell,
            stitch_settings=joining.settings(),
            previous=model.previous,
            stability=model.steadiness,
            beam_path=beam,
            carrier_path=carrier,
            survey_paths=survey or (),
            response_path=response,
            **wanted,
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
