"""The command `focus`: what a measured mirror's errors cost at the focus."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ellipsefit.cli.app import command
from ellipsefit.cli.options import (
    CampaignOptions,
    FigureFile,
    MirrorFile,
    ProfileFile,
    RecordFile,
    Seed,
    Workers,
    keys_in,
    options_named,
    processes,
)
from ellipsefit.cli.show import Output, drawn, model_text
from ellipsefit.cli.steps import fitted
from ellipsefit.errors import ParameterError

if TYPE_CHECKING:
    from ellipsefit.focus import FocusResult, Tolerances


class _Answer:
    """Result and tolerances as one JSON answer."""

    def __init__(self, result: FocusResult, tolerances: Tolerances | None) -> None:
        self.result, self.tolerances = result, tolerances

    def to_dict(self) -> dict[str, Any]:
        answer = self.result.to_dict()
        if self.tolerances is not None:
            answer["tolerances"] = self.tolerances.to_dict()
        return answer


@command("Say what the errors cost at the focus.")
def focus(
    mirror: MirrorFile,
    profile: ProfileFile,
    *,
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
    seed: Seed = 1,
    workers: Workers = 0,
    figure: FigureFile = None,
    model: CampaignOptions,
    record: RecordFile = None,
    output: Output,
) -> None:
    """Trace a beam over the measured mirror: spot, best focus, throughput, and what costs how much light.

    Exit status 1: the required throughput is missed.
    """
    import ellipsefit as ef
    from ellipsefit.cli.recording import keep_fit, warn_of_sources
    from ellipsefit.focus import verify
    from ellipsefit.rows import as_text

    output.check(drawn(figure), reads=(mirror, profile, beam, model.previous, record))
    if draws < 0:
        raise ParameterError(f"--draws: got {draws}; expected 0 or more")
    budget = None
    with (
        output.progress() as tell,
        options_named("rays", "coverage"),
        keys_in(beam),
        processes(workers, wanted=tolerances is not None and draws > 0) as executor,
    ):
        light = ef.read_beam(beam)
        fit = fitted(mirror, profile, model, tell, record)
        warn_of_sources(output, fit.mirror, model.previous, measured=[profile])
        tell("tracing")
        result = ef.trace_focus(fit, fit.mirror, light, rays=rays, coverage=coverage)
        if tolerances is not None:
            with _budget_named():
                budget = ef.allocate_tolerances(fit.mirror, light, tolerances)
            if draws:
                budget = verify(budget, draws=draws, seed=seed, executor=executor, progress=tell)
        output.draw(result, figure, tell)
    light_found = (result, _Answer(result, budget).to_dict(), beam)
    keep_fit(output, record, fit, model, mirror, profile, light=light_found)
    parts: list[object] = [fit, model_text(fit)] if output.verbose else []
    parts.append(result)
    if budget is not None:
        parts += [budget, as_text([budget.sensitivity_table()])] if output.verbose else [budget]
    output.text(*parts)
    output.answer(_Answer(result, budget))
    raise typer.Exit(0 if result.acceptable else 1)


@contextmanager
def _budget_named() -> Iterator[None]:
    try:
        yield
    except ParameterError as fault:
        if not str(fault).startswith("budget "):
            raise
        raise ParameterError(f"--tolerances {str(fault).removeprefix('budget ')}") from None
