"""The command line: parse, call one library function, print. No mathematics here."""

from __future__ import annotations

import io
import re
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
        _fail(_refusal(fault) + hint * isinstance(fault, usage_error))
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
#: The commands in the order in which they are met.
_ORDER: Final = (
    *("demo", "inspect", "convert", "stitch", "plan-scans", "fit", "correct", "focus", "sheet", "compare", "rehearse"),
    *("audit", "place", "drift", "run", "batch", "history", "guide"),
)


def whole_app() -> typer.Typer:
    """The command line with all its commands."""
    from ellipsefit.cli.app import app

    for name in _COMMANDS:  # each adds its commands when it is loaded
        import_module(f"ellipsefit.cli.{name}")
    places = {name: place for place, name in enumerate(_ORDER)}
    app.registered_commands.sort(
        key=lambda found: places[str(found.name or getattr(found.callback, "__name__", "")).replace("_", "-")]
    )
    return app


def _refusal(fault: Any) -> str:
    """What the parser did not understand, with the nearest word that it knows."""
    import difflib

    option = getattr(fault, "option_name", None)
    if option:
        near = difflib.get_close_matches(option, getattr(fault, "possibilities", None) or (), n=1)
        return f"no option '{option}'" + "".join(f" (did you mean '{word}'?)" for word in near)
    text = str(fault.format_message())
    unknown = re.fullmatch(r"No such command '(.*?)'\.(?: Did you mean '(.*?)'.*)?", text, re.DOTALL)
    if unknown:
        return f"no command '{unknown[1]}'" + (f" (did you mean '{unknown[2]}'?)" if unknown[2] else "")
    return text.rstrip(".")


def _fail(message: str, *, status: int = 2) -> None:
    sys.stderr.write(f"ellipsefit: {' '.join(message.split())}\n")
    sys.exit(status)
