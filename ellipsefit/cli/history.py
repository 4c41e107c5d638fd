"""`history`: the years of a mirror from its record."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ellipsefit.cli.app import command
from ellipsefit.cli.options import FigureFile
from ellipsefit.cli.show import Output, drawn


@command("Show a mirror's years from its record, and why numbers changed.")
def history(
    record: Annotated[Path, typer.Argument(metavar="RECORD", help="Record of a mirror, as run writes it.")],
    *,
    start: Annotated[
        int | None, typer.Option("--from", metavar="N", help="Round to explain from; by default the last but one.")
    ] = None,
    stop: Annotated[
        int | None, typer.Option("--to", metavar="N", help="Round to explain; by default the last.")
    ] = None,
    figure: FigureFile = None,
    output: Output,
) -> None:
    """Show the years of a mirror on one screen, and why its numbers changed since the last time.

    The fit is made again with one thing changed at a time: moves made, what was measured, mirror file, settings. The
    shares add up to the change. With --verbose, also what each result was made from, and all that is stale.
    """
    from ellipsefit.history import read_record_history
    from ellipsefit.rows import as_text

    output.check(drawn(figure), reads=(record,))
    with output.progress() as tell:
        tell("reading and fitting again")
        result = read_record_history(record, start=start, stop=stop)
        output.draw(result, figure, tell)
    stale = "\n".join(["What is stale", *(f"  {text}" for one in result.stale for text in one.sentences())])
    output.text(result, *([as_text([result.provenance_table()]), stale] if output.verbose else []))
    output.answer(result)
