"""`convert`: one file of a measurement to another format."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ellipsefit.cli.app import command
from ellipsefit.cli.show import Output


@command("Write a profile or scan in another format, and say what that lost.")
def convert(
    source: Annotated[Path, typer.Argument(metavar="IN", help="Profile or scans: text, NeXus HDF5, X3P or SDF.")],
    target: Annotated[Path, typer.Argument(metavar="OUT", help="Its suffix tells the format: .x3p .sdf .h5 .csv .txt")],
    *,
    line: Annotated[
        str | None,
        typer.Option(metavar="N|LENGTH|all", help="Of X3P or SDF with several lines: number, place across, or all."),
    ] = None,
    scan: Annotated[str | None, typer.Option(metavar="NAME", help="Of several scans, the one to write.")] = None,
    store: Annotated[
        str | None,
        typer.Option(
            metavar="TYPE", help="Heights in X3P or SDF as float64, float32, int32, int16; SDF: also uint16 …"
        ),
    ] = None,
    ascii_form: Annotated[bool, typer.Option("--ascii", help="SDF as text instead of binary.")] = False,
    output: Output,
) -> None:
    """Write a profile or a scan in another format, and say what that format could not carry.

    X3P is ISO 25178-72, SDF is ISO 25178-71. A file with several lines across asks for --line.
    """
    from ellipsefit.cli.recording import warn_of_measured
    from ellipsefit.files import convert_file

    output.check(target, reads=(source,))
    with output.progress() as tell:
        tell("converting")
        result = convert_file(source, target, line=line, scan=scan, stored=store, ascii=ascii_form, force=output.force)
        warn_of_measured(output, source)
    output.text(result)
    output.answer(result)
