"""The command line: parse, call one library function, print. No mathematics here."""

from __future__ import annotations

import io
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import typer


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and leave with its exit status: 0 done, 1 not acceptable, 2 bad input or usage."""
    import typer

    from ellipsefit.errors import EllipsefitError

    app = whole_app()
    # of the parser's errors typer makes one public; its bases are wrong usage and whatever else it refuses
    usage_error: type[Any] = typer.BadParameter.__mro__[1]
    parser_error: type[Any] = typer.BadParameter.__mro__[2]

    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a poor character set costs a sign, not the answer

    try:
        arguments = sys.argv[1:] if arguments is None else arguments
        status = app(args=list(arguments) or ["--help"], prog_name="ellipsefit", standalone_mode=False)
    except EllipsefitError as fault:
        _fail(str(fault))
    except (typer.Abort, KeyboardInterrupt):
        _fail("interrupted", status=130)
    except BrokenPipeError:
        # who reads the output has gone: say nothing, and let nothing be flushed at exit
        sys.stdout = None
        sys.exit(141)
    except parser_error as fault:
        context = getattr(fault, "ctx", None)
        hint = f"; '{context.command_path if context else 'ellipsefit'} --help' shows what is expected"
        _fail(fault.format_message().rstrip(".") + hint * isinstance(fault, usage_error))
    sys.exit(status or 0)


#: Modules that hold them.
_COMMANDS: Final = (
    "batch",
    "commands",
    "compare",
    "convert",
    "focus",
    "guide",
    "history",
    "place",
    "rehearse",
    "sheet",
)


def whole_app() -> typer.Typer:
    """The command line with all its commands."""
    from ellipsefit.cli.app import app

    for name in _COMMANDS:  # each adds its commands when it is loaded
        import_module(f"ellipsefit.cli.{name}")
    return app


def _fail(message: str, *, status: int = 2) -> None:
    sys.stderr.write(f"ellipsefit: {' '.join(message.split())}\n")
    sys.exit(status)
