"""`batch`: the whole job on many mirrors, with one summary."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Annotated, cast, get_args

import typer

from ellipsefit.cli.app import command
from ellipsefit.cli.options import FitOptions, StitchOptions, Workers
from ellipsefit.cli.show import Output
from ellipsefit.errors import DataError, ParameterError


@command("Do all of it for many mirrors, with one summary.")
def batch(
    lists: Annotated[
        list[Path],
        typer.Argument(metavar="LIST", help="List of mirrors (CSV or TOML), folder of a mirror, or folder of such."),
    ],
    *,
    folder: Annotated[Path, typer.Option("--output", "-o", metavar="DIR", help="Where results and summary go.")],
    workers: Workers = 0,
    keep: Annotated[
        str,
        typer.Option(
            metavar="report|record|summary",
            help="What is kept of each mirror: record and report, the record, or its line in the summary alone.",
        ),
    ] = "report",
    beam: Annotated[Path | None, typer.Option("--beam", metavar="BEAM", help="Beam file (TOML).")] = None,
    model: FitOptions,
    joining: StitchOptions,
    output: Output,
) -> None:
    """Do all of it for many mirrors: what run does, to DIR/NAME, and DIR/summary.csv, .json and .html.

    A CSV list has the columns mirror and scans (files or patterns, parted by |) and, if wanted, name, beam, previous,
    carrier and survey; --beam is for mirrors that name none. A folder of a mirror holds mirror.toml, its scan* files
    or one profile* file, and where they are wanted beam.toml, carrier.toml and its survey* files. A batch that was
    stopped goes on with the same command; --force does all again.

    Exit status 1: some mirror is not acceptable; 2: some mirror has no result.
    """
    from datetime import UTC, datetime

    from ellipsefit.batch import BatchSettings, Keep, run_batch
    from ellipsefit.files.batch import read_batch
    from ellipsefit.fit.problem import SegmentModel
    from ellipsefit.fit.result import ResidualModel

    output.check(folder=folder, reads=(*(path for path in lists if path.is_file()), beam))
    if workers < 0:
        raise ParameterError(f"--workers: got {workers}; expected 0 or more")
    for option, word, kind in (
        ("--keep", keep, Keep),
        ("--segments", model.segments, SegmentModel),
        ("--residual", model.residual, ResidualModel),
    ):
        if word not in get_args(kind):
            raise ParameterError(f"{option}: got '{word}'; expected one of {', '.join(get_args(kind))}")
    settings = BatchSettings(
        when=datetime.now(UTC),
        keep=cast("Keep", keep),
        stitching=joining.settings(),
        stability=model.steadiness,
        fit=model.settings(),
    )
    items = read_batch(lists)
    if beam is not None:
        items = tuple(item if item.beam is not None else replace(item, beam=beam) for item in items)
    with output.progress() as tell:
        result = run_batch(
            items, folder, settings, workers=workers or os.cpu_count() or 1, force=output.force, progress=tell
        )
    result = replace(result, summary=replace(result.summary, every=output.verbose))
    output.text(result)
    output.answer(result)
    failed = result.summary.failed
    if failed:
        which = "the mirror has" if failed == len(items) == 1 else f"{failed} of {len(items)} mirrors have"
        raise DataError(f"{which} no result; {result.folder / 'summary.csv'} says why")
    raise typer.Exit(0 if result.summary.acceptable else 1)
