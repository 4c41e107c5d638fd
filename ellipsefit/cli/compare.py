"""`compare`: a round of moves looked at afterwards."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ellipsefit.cli.app import command
from ellipsefit.cli.options import OwnMirror, PlanFile, ResponseFile, RoundNumber, quantity
from ellipsefit.cli.show import Output
from ellipsefit.errors import ParameterError


@command("Compare what a round achieved with what was asked, and learn from it.")
def compare(
    plan: PlanFile,
    before: Annotated[Path, typer.Argument(metavar="BEFORE", help="Profile measured before the moves.")],
    after: Annotated[Path, typer.Argument(metavar="AFTER", help="Profile measured after them.")],
    *,
    response: ResponseFile = None,
    record: Annotated[
        Path | None,
        typer.Option(metavar="RECORD", help="Go on from the rounds in this record, and write the comparison into it."),
    ] = None,
    round_number: RoundNumber = None,
    mirror: OwnMirror = None,
    reading: Annotated[
        list[str] | None,
        typer.Option(metavar="TEXT", help="Where an adjuster really stands, such as 'S03/U=-4 um'. Repeatable."),
    ] = None,
    sheet: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The filled-in sheet (CSV): its readings are taken.")
    ] = None,
    mirror_out: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write the mirror file with the adjusters where they stand now."),
    ] = None,
    output: Output,
) -> None:
    """Compare what a round achieved with what was asked, adjuster by adjuster, and learn from it.

    Gains, coupling and backlash are updated; wrong directions, wrong screws and swapped neighbours are named.
    Exit status 1: something went otherwise than asked.
    """
    import ellipsefit as ef
    from ellipsefit.cli.recording import warn_of_measured, warn_of_plan
    from ellipsefit.files.comparing import compare_files

    output.check(mirror_out, reads=(plan, before, after, response, record, mirror, sheet))
    if response is not None and record is not None:
        raise ParameterError("--response and --record: both are given; expected one of them to go on from")
    with output.progress() as tell:
        tell("comparing")
        warn_of_plan(output, plan, round_number)
        if record is not None and record.exists():
            warn_of_plan(output, record, round_number)
        warn_of_measured(output, before, after)
        result = compare_files(
            plan,
            before,
            after,
            mirror=None if mirror is None else ef.read_mirror(mirror),
            past=response or record,
            number=round_number,
            readings=[_reading(text) for text in reading or ()],
            sheet=sheet,
        )
        if record is not None:
            from ellipsefit.files.record import keep_comparison

            kept = keep_comparison(record, result, number=round_number, before=before, after=after)
            output.tell(f"Kept in {record}: {', '.join(kept.results)}")
        if mirror_out is not None:
            ef.write_mirror(result.mirror, mirror_out, force=output.force)
    output.text(result)
    output.answer(result)
    raise typer.Exit(0 if result.as_asked else 1)


def _reading(text: str) -> tuple[str, str, float]:
    name, equals, value = text.partition("=")
    segment, slash, adjuster = name.strip().rpartition("/")
    if not (equals and slash and segment and adjuster):
        raise ParameterError(f"--reading: got '{text}'; expected such as 'S03/U=-4 um'")
    return segment, adjuster, quantity(value.strip(), "--reading")
