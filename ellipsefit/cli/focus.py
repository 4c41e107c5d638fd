"""The command `focus`: what a measured mirror's errors cost at the focus."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ellipsefit.cli.app import Command, app
from ellipsefit.cli.options import (
    Cutoff,
    Force,
    Json,
    MirrorFile,
    Priors,
    ProfileFile,
    Quiet,
    Residual,
    Segments,
    SpreadHeight,
    SpreadTilt,
    Vary,
    fit_options,
    keys_in,
    options_named,
)
from ellipsefit.cli.show import Output, model_text
from ellipsefit.errors import ParameterError

if TYPE_CHECKING:
    from ellipsefit.focus import FocusResult, Tolerances

Verbose = Annotated[
    bool,
    typer.Option("--verbose", "-v", help="Also print the fit and its model, and each sensitivity beside tolerances."),
]


class _Answer:
    """Result and tolerances as one JSON answer."""

    def __init__(self, result: FocusResult, tolerances: Tolerances | None) -> None:
        self.result, self.tolerances = result, tolerances

    def to_dict(self) -> dict[str, Any]:
        answer = self.result.to_dict()
        if self.tolerances is not None:
            answer["tolerances"] = self.tolerances.to_dict()
        return answer


@app.command(cls=Command, short_help="Say what the errors cost at the focus.")
def focus(
    mirror: MirrorFile,
    profile: ProfileFile,
    beam: Annotated[Path, typer.Option("--beam", metavar="BEAM", help="Beam file (TOML).")],
    rays: Annotated[int, typer.Option(metavar="N", help="Rays to trace, about.")] = 200_000,
    coverage: Annotated[
        float,
        typer.Option(metavar="SHARE", help="Share of a segment that the profile must cover, or a warning says so."),
    ] = 0.95,
    tolerances: Annotated[
        float | None,
        typer.Option(metavar="SHARE", help="Share out this loss of the beam over segments and carrier, such as 0.05."),
    ] = None,
    draws: Annotated[
        int, typer.Option(metavar="N", help="Simulated mirrors that check the tolerances; 0: none.")
    ] = 500,
    seed: Annotated[int, typer.Option(metavar="N", help="Of the random numbers.")] = 1,
    workers: Annotated[
        int, typer.Option(metavar="N", help="Processes, 0: one for each core; the result does not depend on it.")
    ] = 0,
    figure: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Draw spot, caustic, losses and line spread to FILE (svg, png or pdf)."),
    ] = None,
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
    verbose: Verbose = False,
) -> None:
    """Trace a beam over the measured mirror: spot, best focus, throughput, and what costs how much light.

    Exit status 1: the required throughput is missed.
    """
    import ellipsefit as ef
    from ellipsefit.report import figure_format, save_figure
    from ellipsefit.rows import as_text

    output = Output(json=json, force=force, quiet=quiet, verbose=verbose)
    output.check(figure)
    if figure is not None:
        figure_format(figure)
    if draws < 0:
        raise ParameterError(f"--draws: got {draws}; expected 0 or more")
    if workers < 0:
        raise ParameterError(f"--workers: got {workers}; expected 0 or more")
    options = fit_options(vary, segments, residual, spread_height, spread_tilt, prior, cutoff)
    budget = None
    with output.progress() as tell, options_named("segments", "residual", "rays", "coverage"), keys_in(beam):
        tell("reading")
        design, light, measured = ef.read_mirror(mirror), ef.read_beam(beam), ef.open_profile(profile)
        tell("fitting")
        fit = ef.fit_ellipse(measured, design, **options)
        tell("tracing")
        result = ef.trace_focus(fit, design, light, rays=rays, coverage=coverage)
        if tolerances is not None:
            with _budget_named():
                budget = ef.allocate_tolerances(design, light, tolerances)
            if draws:
                budget = _checked(budget, draws, seed, workers, tell)
        if figure is not None:
            tell("drawing")
            save_figure(result.plot(), figure, force=force)
    parts: list[object] = [fit, model_text(fit)] if verbose else []
    parts.append(result)
    if budget is not None:
        parts += [budget, as_text([budget.sensitivity_table()])] if verbose else [budget]
    output.text(*parts)
    output.answer(_Answer(result, budget))
    raise typer.Exit(0 if result.acceptable else 1)


def _checked(budget: Tolerances, draws: int, seed: int, workers: int, tell: Any) -> Tolerances:
    from ellipsefit.focus import verify

    workers = workers or os.cpu_count() or 1
    if workers == 1:
        return verify(budget, draws=draws, seed=seed, progress=tell)
    from concurrent.futures import ProcessPoolExecutor

    with ProcessPoolExecutor(workers) as executor:
        return verify(budget, draws=draws, seed=seed, executor=executor, progress=tell)


@contextmanager
def _budget_named() -> Iterator[None]:
    try:
        yield
    except ParameterError as fault:
        if not str(fault).startswith("budget "):
            raise
        raise ParameterError(f"--tolerances {str(fault).removeprefix('budget ')}") from None
