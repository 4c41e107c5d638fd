"""How answers reach the screen and the machine: tables for people, JSON for programs, never mixed."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from ellipsefit.errors import FileExistsAlreadyError


class Result(Protocol):
    """What every command shows."""

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """Where a command's answer goes."""

    json: str | None  # file, '-' for standard output, None: no JSON
    force: bool
    quiet: bool
    verbose: bool

    def check(self, *files: Path | None) -> None:
        """Refuse to overwrite before any work is done."""
        targets = [*files, Path(self.json) if self.json not in (None, "-") else None]
        for target in targets:
            if target is not None and target.exists() and not self.force:
                raise FileExistsAlreadyError(f"{target}: exists already; --force allows it to be overwritten")

    def text(self, *parts: object) -> None:
        """Print tables: on standard output, or on standard error beside JSON."""
        if self.quiet:
            return
        from rich.console import Console
        from rich.text import Text

        console = Console(stderr=self.json is not None, soft_wrap=True, highlight=False)
        for number, part in enumerate(parts):
            if number:
                console.print()
            text = Text(str(part))
            text.highlight_regex(r"(?m)^\S.*$", "bold")
            text.highlight_regex(r"NOT [A-Z]+|AT LIMIT|[A-Z]{4,} [A-Z]{4,}", "bold red")
            console.print(text)

    def answer(self, result: Result) -> None:
        """Write the JSON answer, if one is asked for."""
        if self.json is None:
            return
        text = json.dumps(result.to_dict(), indent=1, allow_nan=False) + "\n"
        if self.json == "-":
            sys.stdout.write(text)
            return
        from ellipsefit.files.safe import new_file

        with new_file(self.json, force=self.force) as temporary:
            temporary.write_text(text, encoding="utf-8")

    @contextmanager
    def progress(self) -> Iterator[Any]:
        """A line on standard error that says which step runs; silent where nobody watches."""
        from rich.console import Console  # not needed for help, so not loaded for it

        console = Console(stderr=True)
        if self.quiet or not console.is_terminal:
            yield lambda step: None  # noqa: ARG005 - a listener that does not listen
            return
        with console.status("starting") as status:
            yield lambda step: status.update(f"{step} …")
