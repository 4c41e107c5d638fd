"""The command line's frame: the program's name, its version and how help reads."""

from __future__ import annotations

from typing import Annotated, Any

import typer
from typer.core import TyperCommand

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
