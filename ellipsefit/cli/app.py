"""The command line's frame: the program's name, how a command is registered, and how help reads."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from typing import Annotated, Any, Final, get_type_hints

import typer
from typer.core import TyperCommand

#: What whoever has typed no more than the name needs.
START: Final = """
See it:    ellipsefit demo, then open ellipsefit-demo/report.html
Learn it:  ellipsefit guide tutorial, from your own mirror to its moves
Look up:   ellipsefit COMMAND --help, ellipsefit guide files
""".strip()

app = typer.Typer(
    name="ellipsefit",
    epilog="Exit status: 0 done; 1 the answer is 'not acceptable'; 2 bad input or usage.",
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
)


class Command(TyperCommand):
    """A command whose help shows no types of the language beside the names of files."""

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        """Names of the arguments as they stand in the list below, without braces."""
        return [piece.replace("{", "").replace("}", "") for piece in super().collect_usage_pieces(ctx)]

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


def command(short_help: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Register a function as a command; a dataclass among its parameters stands for options, one for each field."""

    def register(function: Callable[..., None]) -> Callable[..., None]:
        app.command(cls=Command, short_help=short_help)(spread(function))
        return function

    return register


def spread(function: Callable[..., None]) -> Callable[..., None]:
    """The same function with each parameter that is a dataclass replaced by the fields of that class.

    So several commands share a group of options, and its checks, by sharing a type. What a dataclass raises when it is
    made is raised before the function runs.

    Examples
    --------
    >>> from ellipsefit.cli.show import Output
    >>> def command(name: str, output: Output) -> None: print(name, output.quiet)
    >>> list(inspect.signature(spread(command)).parameters)
    ['name', 'json', 'force', 'quiet', 'verbose']
    >>> spread(command)(name="S01", json=None, force=False, quiet=True, verbose=False)
    S01 True
    """
    own = inspect.signature(function, eval_str=True)
    groups: dict[str, tuple[Any, list[str]]] = {}
    shown: list[inspect.Parameter] = []
    for parameter in own.parameters.values():
        kind = parameter.annotation
        if not is_dataclass(kind):
            shown.append(parameter)
            continue
        hints = get_type_hints(kind, include_extras=True)
        own_fields = [field for field in fields(kind) if field.init]
        groups[parameter.name] = (kind, [field.name for field in own_fields])
        shown += [
            inspect.Parameter(field.name, parameter.kind, default=field.default, annotation=hints[field.name])
            for field in own_fields
        ]

    @functools.wraps(function)
    def spread_out(**given: Any) -> None:
        made = {name: kind(**{field: given.pop(field) for field in names}) for name, (kind, names) in groups.items()}
        function(**given, **made)

    described: Any = spread_out  # the parser reads the signature, and the types once more from the annotations
    described.__signature__ = own.replace(parameters=shown)
    described.__annotations__ = {parameter.name: parameter.annotation for parameter in shown}
    return spread_out


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"ellipsefit {version('ellipsefit')}")
        raise typer.Exit


@app.callback(
    help=f"From measured profiles to adjuster moves for long segmented elliptic mirrors.\n\n\b\n{START}",
)
def common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and leave.")
    ] = False,
) -> None:
    """From measured profiles to adjuster moves for long segmented elliptic mirrors."""
