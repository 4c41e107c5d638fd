"""`guide`: the documentation, offline; what it says of commands is read off the commands themselves."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ellipsefit.cli.app import command
from ellipsefit.cli.show import Output, screen
from ellipsefit.errors import ParameterError

if TYPE_CHECKING:
    from collections.abc import Iterator


@command("Read the guide: tutorial, how-to, files, commands, answers, theory, glossary.")
def guide(
    topic: Annotated[
        str | None, typer.Argument(metavar="[TOPIC]", help="What to read; without it, the topics are listed.")
    ] = None,
    *,
    page_file: Annotated[
        Path | None, typer.Option("--html", metavar="FILE", help="Write the topic, or all of it, as a page.")
    ] = None,
    browser: Annotated[
        bool, typer.Option("--open", help="Show the topic, or all of it, in the browser; nothing is fetched.")
    ] = False,
    output: Output,
) -> None:
    """Read the guide: a tutorial, how-to for each user, files, commands, answers, theory and glossary.

    All of it is part of the program and needs no network.
    """
    from ellipsefit.files.safe import new_file
    from ellipsefit.guide import TOPICS, page

    output.check(page_file)
    if topic is not None and topic not in TOPICS:
        raise ParameterError(f"guide: no topic '{topic}'{_near(topic, TOPICS)}; expected one of {', '.join(TOPICS)}")
    parts = {name: text_of(name) for name in ([topic] if topic else TOPICS)}
    if page_file is not None:
        with new_file(page_file, force=output.force) as temporary:
            temporary.write_text(page(parts), encoding="utf-8")
        output.text(f"The guide is in {page_file}")
    if browser:
        _open(page(parts))
    if page_file is None and not browser:
        if topic is None:
            rows = "\n".join(f"  {name:9}  {about}" for name, about in TOPICS.items())
            output.text(f"Topics\n{rows}\n\nRead one with 'ellipsefit guide TOPIC', or all with --html or --open.")
        else:
            _print(parts[topic], output)
    output.answer(_Answer(parts))


class _Answer:
    """The texts, for a program."""

    def __init__(self, parts: dict[str, str]) -> None:
        self.parts = parts

    def to_dict(self) -> dict[str, Any]:
        return {"topics": self.parts}


def _near(word: str, known: Any) -> str:
    import difflib

    found = difflib.get_close_matches(word, known, n=1)
    return f" (did you mean '{found[0]}'?)" if found else ""


def _print(text: str, output: Output) -> None:
    if output.quiet:
        return
    console = screen(stderr=output.json is not None)
    if not console.is_terminal or console.is_dumb_terminal:
        (sys.stderr if output.json is not None else sys.stdout).write(text)
        return
    from rich.markdown import Markdown

    console.print(Markdown(text, hyperlinks=False), soft_wrap=False, width=min(console.width, 100))


def _open(text: str) -> None:
    import tempfile
    import webbrowser

    with tempfile.NamedTemporaryFile(
        "w", suffix=".html", prefix="ellipsefit-guide-", delete=False, encoding="utf-8"
    ) as f:
        f.write(text)
    if not webbrowser.open(Path(f.name).as_uri()):
        raise ParameterError(f"--open: no browser could be started; the page is in {f.name}")


def text_of(topic: str) -> str:
    """Markdown of a topic; that of `commands` from the commands."""
    from ellipsefit.guide import topic_text

    return "\n".join(_commands()) if topic == "commands" else topic_text(topic)


def _commands() -> Iterator[str]:
    from ellipsefit.cli import whole_app

    whole: Any = typer.main.get_command(whole_app())
    yield "# Commands\n"
    yield "What `ellipsefit COMMAND --help` says, of all commands. Exit status 0: done; 1: the answer is 'not"
    yield "acceptable'; 2: bad input or usage, told in one sentence on standard error, with nothing written.\n"
    yield "Every command takes these:\n"
    shared = ("json", "force", "quiet", "verbose")
    first = next(iter(whole.commands.values()))
    yield from _table(first, lambda parameter: parameter.name in shared)
    for name, found in whole.commands.items():
        yield f"\n## {name}\n"
        yield f"    ellipsefit {name} {_usage(found)}\n"
        yield " ".join(str(found.help).split("\n\n")[0].split()) + "\n"
        yield from (" ".join(text.split()) + "\n" for text in str(found.help).split("\n\n")[1:])
        yield from _table(found, lambda parameter: parameter.name not in shared)


def _usage(found: Any) -> str:
    words = []
    for parameter in found.params:
        if parameter.param_type_name == "argument":
            word = f"{parameter.metavar.strip('[]')}{'...' * (parameter.nargs == -1)}"
            words.append(word if parameter.required else f"[{word}]")
        elif parameter.required:
            words.append(f"{parameter.opts[0]} {parameter.metavar}")
    return " ".join([*words, "[OPTIONS]"])


def _table(found: Any, wanted: Any) -> Iterator[str]:
    context = typer.Context(found, info_name=found.name)
    rows = []
    for parameter in found.params:
        record = parameter.get_help_record(context)
        if record is None or not wanted(parameter):
            continue
        name = record[0].partition(" <")[0] if parameter.param_type_name == "argument" else record[0]
        rows.append(f"| `{name.replace('|', chr(92) + '|')}` | {record[1].replace('|', chr(92) + '|')} |")
    if rows:
        yield "| | |\n| --- | --- |"
        yield from rows
