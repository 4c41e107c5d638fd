"""How answers reach the screen and the machine: tables for people, JSON for programs, never mixed."""

from __future__ import annotations

import json
import math
import sys
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol

from ellipsefit.errors import FileExistsAlreadyError, FileMissingError, ParameterError

if TYPE_CHECKING:
    from rich.console import Console

    from ellipsefit.fit import EllipseFit
    from ellipsefit.stitching import Stitched

#: What must not be overlooked; it stands in capitals, so that nothing depends on the colour.
_ALARMING: Final = r"NOT [A-Z]+|AT LIMIT|WRONG:|\d+ FAULTS?\b"
#: Columns of text where no screen sets them, and the fewest that a screen is believed to have.
_USUAL_WIDTH: Final = 100
_LEAST_WIDTH: Final = 40


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

    def check(self, *files: Path | None, folder: Path | None = None) -> None:
        """Refuse what cannot be written before any work is done; `folder` is yet to be made."""
        targets = [Path(file) for file in (*files, None if self.json == "-" else self.json) if file is not None]
        for target in targets:
            if target.is_dir():
                raise FileMissingError(f"{target}: is a folder; expected the name of a file to write")
            if not target.parent.is_dir() and target.parent != folder:
                raise FileMissingError(f"{target}: cannot be written: there is no folder '{target.parent}'")
            if target.exists() and not self.force:
                raise FileExistsAlreadyError(f"{target}: exists already; --force allows it to be overwritten")
        if len({target.absolute() for target in targets}) < len(targets):
            raise ParameterError(f"{targets[0]}: is to hold two answers; expected a file for each")

    @property
    def width(self) -> int:
        """Columns for running text."""
        console = self._console()
        return max(console.width, _LEAST_WIDTH) if console.is_terminal else _USUAL_WIDTH

    def _console(self) -> Console:
        from rich.console import Console  # not needed for help, so not loaded for it

        return Console(stderr=self.json is not None, soft_wrap=True, highlight=False)

    def text(self, *parts: object) -> None:
        """Print tables: on standard output, or on standard error beside JSON."""
        if self.quiet:
            return
        from rich.text import Text

        console = self._console()
        for number, part in enumerate(parts):
            if number:
                console.print()
            text = Text(_wrapped(str(part), self.width) if console.is_terminal else str(part))
            text.highlight_regex(r"(?m)^\S.*$", "bold")
            text.highlight_regex(_ALARMING, "bold red")
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
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        console = Console(stderr=True)
        if self.quiet or not console.is_terminal:
            yield lambda _: None
            return
        columns = (TextColumn("{task.description}"), BarColumn(bar_width=24), TimeElapsedColumn())
        with Progress(*columns, console=console, transient=True) as bar:
            task = bar.add_task("starting", total=None)
            yield lambda step: bar.update(task, description=f"{step} …")


def _wrapped(text: str, width: int) -> str:
    """Break sentences that are too long for the screen; rows of tables, told by their gaps, stay whole."""
    lines: list[str] = []
    for line in text.splitlines():
        words = line.lstrip()
        indent = line[: len(line) - len(words)]
        if len(line) <= width or "  " in words:
            lines.append(line)
        else:
            lines += textwrap.wrap(
                words,
                width,
                initial_indent=indent,
                subsequent_indent=indent + "  ",
                break_long_words=False,  # a path is copied whole
                break_on_hyphens=False,
            )
    return "\n".join(lines)


def model_text(fit: EllipseFit) -> str:
    """The model behind a fit and its settings, as a table."""
    from ellipsefit.rows import Table, as_text, number

    settings, error, placed = fit.settings, fit.settings.surface_error, fit.placed
    kind = "length" if placed.quantity == "height" else "angle"
    how = "estimated" if settings.spreads_estimated else "given"
    cells = [("parameters fitted", ", ".join(fit.varied) or "none"), ("segments", settings.segments)]
    for name, spread, unit in (("height", settings.spread_height, "length"), ("tilt", settings.spread_tilt, "angle")):
        if spread is not None:
            cells.append((f"spread of {name}s", f"{number(spread, unit)} ({how})"))
    cells.append(("surface error", settings.residual))
    if settings.residual == "correlated":
        smoothness = "Gaussian" if math.isinf(error.kind.smoothness) else f"Matérn {error.kind.smoothness:g}"
        cells.append(("  correlated part, rms", number(error.correlated, kind)))
        cells.append(("  its length and covariance", f"{number(error.length or None, 'length')}, {smoothness}"))
    noise = number(error.noise, kind) if placed.sigma is None else f"{error.noise:.3g} times the stated sigma"
    cells.append(("white noise", noise))
    cells += [("prior", str(prior)) for prior in settings.priors]
    if settings.previous is not None:
        cells.append(("last campaign", settings.previous))
    cells.append(("uncertainty of the x origin", number(settings.x_uncertainty, "length")))
    cells.append(("filter for slope errors", number(fit.figure.cutoff, "length")))
    points = f"{placed.count} used, {placed.masked} masked, {placed.outside} in no segment"
    if placed.shown_words:
        points += f"; shown and kept as {placed.shown_words}"
    cells.append(("points", points))
    return as_text([Table(title="Model and settings", cells=tuple(cells))])


def treatment_text(stitched: Stitched) -> str:
    """How scans were treated before they were joined, as a table."""
    from ellipsefit.report.stitch_section import settings_table
    from ellipsefit.rows import as_text

    return as_text([settings_table(stitched)])
