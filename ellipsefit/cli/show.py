"""How answers reach the screen and the machine: tables for people, JSON for programs, never mixed."""

from __future__ import annotations

import json
import math
import os
import sys
import textwrap
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol

from ellipsefit.cli.options import Force, Json, Quiet, Verbose
from ellipsefit.errors import FileMissingError, ParameterError

if TYPE_CHECKING:
    from rich.console import Console

    from ellipsefit.fit import EllipseFit
    from ellipsefit.stitching import Stitched

#: What must not be overlooked; it stands in capitals, so that nothing depends on the colour.
_ALARMING: Final = r"NOT [A-Z]+|A SLIP IS SUSPECTED|SUSPECTED SLIP|AT LIMIT|WRONG:|\d+ FAULTS?\b"
#: Columns of text where no screen sets them, and the fewest that a screen is believed to have.
_USUAL_WIDTH: Final = 100
_LEAST_WIDTH: Final = 40


class Result(Protocol):
    """What every command shows."""

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer."""


class Drawable(Protocol):
    """What draws itself."""

    def plot(self) -> Any:
        """The result as a figure."""


def drawn(figure: Path | None) -> Path | None:
    """The file of a figure, refused if its ending is none of a figure's."""
    if figure is not None:
        from ellipsefit.report.saving import figure_format

        figure_format(figure)
    return figure


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """Where a command's answer goes: the options that every command has."""

    json: Json = None  # file, '-' for standard output, None: no JSON
    force: Force = False
    quiet: Quiet = False
    verbose: Verbose = False
    remarks: list[str] = field(init=False, default_factory=list)  # on what was touched, such as a record

    def remark(self, *texts: str) -> None:
        """Add warnings that no result knows of; they stand below the tables and among the answer's."""
        self.remarks.extend(text for text in texts if text not in self.remarks)

    def tell(self, text: str) -> None:
        """One line for whoever watches, on standard error."""
        if not self.quiet:
            sys.stderr.write(f"{text}\n")

    def check(self, *files: Path | None, folder: Path | None = None, reads: Iterable[Path | None] = ()) -> None:
        """Refuse what cannot be written before any work is done.

        Parameters
        ----------
        *files : Path or None
            To be written, None: not asked for.
        folder : Path, optional
            Yet to be made, where files may go.
        reads : iterable of Path or None
            What the command reads: with or without `--force`, no answer takes the place of what it came from.
        """
        if self.quiet and self.verbose:
            raise ParameterError("--quiet and --verbose: both are given; expected at most one of them")
        from ellipsefit.files.safe import check_target, real_path

        targets = [Path(file) for file in (*files, None if self.json == "-" else self.json) if file is not None]
        sources = [Path(file) for file in reads if file is not None]
        for target in [*targets, *([] if folder is None else [folder])]:
            _nameable(target)
        for target in targets:
            if any(_same(target, source) for source in sources):
                raise ParameterError(f"{target}: is to be read and written; expected another file for the answer")
            check_target(target, force=self.force, made=folder)
            if target.parent.is_dir():
                _writable(target)
        if len({real_path(target) for target in targets}) < len(targets):
            raise ParameterError(f"{targets[0]}: is to hold two answers; expected a file for each")
        if folder is not None and folder.exists() and not folder.is_dir():
            raise FileMissingError(f"{folder}: is a file; expected the name of a folder")

    @property
    def width(self) -> int:
        """Columns for running text."""
        console = self._console()
        return max(console.width, _LEAST_WIDTH) if console.is_terminal else _USUAL_WIDTH

    def _console(self) -> Console:
        return screen(stderr=self.json is not None)

    def text(self, *parts: object) -> None:
        """Print tables: on standard output, or on standard error beside JSON; then the remarks."""
        if self.quiet:
            sys.stderr.writelines(f"Note: {text}\n" for text in self.remarks)
            return
        if self.remarks:
            parts = (*parts, "Notes on the record\n" + "\n".join(f"  {text}" for text in self.remarks))
        from rich.text import Text

        console = self._console()
        for number, part in enumerate(parts):
            if number:
                console.print()
            text = Text(_wrapped(str(part), self.width) if console.is_terminal else str(part))
            text.highlight_regex(r"(?m)^\S.*$", "bold")
            text.highlight_regex(_ALARMING, "bold red")
            console.print(text)

    def draw(self, result: Drawable, figure: Path | None, tell: Callable[[str], object] = str) -> None:
        """Draw a result to a file, if one is asked for."""
        if figure is None:
            return
        from ellipsefit.report import save_figure

        tell("drawing")
        save_figure(result.plot(), figure, force=self.force)

    def answer(self, result: Result) -> None:
        """Write the JSON answer, if one is asked for."""
        if self.json is None:
            return
        table = result.to_dict()
        if self.remarks:
            table = {**table, "warnings": [*table.get("warnings", ()), *self.remarks]}
        text = json.dumps(table, indent=1, allow_nan=False) + "\n"
        if self.json == "-":
            sys.stdout.write(text)
            return
        from ellipsefit.files.safe import new_file

        with new_file(self.json, force=self.force) as temporary:
            temporary.write_text(text, encoding="utf-8")

    @contextmanager
    def progress(self) -> Iterator[Callable[[str], None]]:
        """A line on standard error that says which step runs; silent where nobody watches, unless asked to tell."""
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        console = screen(stderr=True)
        watched = console.is_terminal and not console.is_dumb_terminal and not self.quiet
        steps = _Steps(told=self.verbose, console=console)
        if not watched:
            yield steps.begin
            steps.begin(None)
            return
        columns = (TextColumn("{task.description}"), BarColumn(bar_width=24), TimeElapsedColumn())
        with Progress(*columns, console=console, transient=True) as bar:
            task = bar.add_task("starting", total=None)

            def tell(step: str) -> None:
                steps.begin(step)
                bar.update(task, description=f"{step} …")

            yield tell
            steps.begin(None)


class _Steps:
    """Says of each step, when it is over, how long it took."""

    def __init__(self, *, told: bool, console: Console) -> None:
        self._told, self._console = told, console
        self._step: str | None = None
        self._since = time.perf_counter()

    def begin(self, step: str | None) -> None:
        """The next step begins; None: none does."""
        now = time.perf_counter()
        if self._told and self._step is not None:
            self._console.print(f"{now - self._since:8.2f} s  {self._step}", markup=False)
        self._step, self._since = step, now


def screen(*, stderr: bool) -> Console:
    """The terminal, in plain letters where the environment asks for no colour (NO_COLOR, TERM=dumb)."""
    from rich.console import Console  # not needed for help, so not loaded for it

    plain = bool(os.environ.get("NO_COLOR")) or os.environ.get("TERM") in ("dumb", "unknown")
    return Console(stderr=stderr, soft_wrap=True, highlight=False, color_system=None if plain else "auto")


def _nameable(path: Path) -> None:
    """Refuse a name that no file can have."""
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return
    except (OSError, ValueError) as fault:  # ValueError: a null character
        reason = getattr(fault, "strerror", None) or str(fault)
        shown = repr(str(path))
        shown = shown if len(shown) <= 60 else f"{shown[:56]} ..."
        raise FileMissingError(f"{shown}: cannot be the name of a file: {reason.lower()}") from None


def _writable(target: Path) -> None:
    """Refuse a folder where nothing can be written; the only sure way to know is to try."""
    import tempfile

    try:
        with tempfile.TemporaryFile(dir=target.parent):
            pass
    except OSError as fault:
        raise FileMissingError(f"{target}: cannot be written: {(fault.strerror or str(fault)).lower()}") from None


def _same(one: Path, other: Path) -> bool:
    from ellipsefit.files.safe import real_path

    return real_path(one) == real_path(other) or (one.exists() and other.exists() and one.samefile(other))


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
