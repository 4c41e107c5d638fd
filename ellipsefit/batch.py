"""The whole job on many mirrors: one summary, whoever works on it; what is done is not done again."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from inspect import signature
from itertools import islice
from multiprocessing import parent_process
from pathlib import Path
from typing import Any, ClassVar, Final, Literal, NamedTuple, get_args

from ellipsefit.errors import DataError, EllipsefitError, FileExistsAlreadyError, FileMissingError, ParameterError
from ellipsefit.files.batch import (
    JOURNAL,
    SUMMARIES,
    BatchItem,
    JournalEntry,
    open_journal,
    write_summary_csv,
    write_summary_json,
)
from ellipsefit.files.safe import existing_file
from ellipsefit.fit import fit_ellipse
from ellipsefit.fit.campaigns import USUAL_STABILITY
from ellipsefit.job import evaluate, place_surveyed, run_job
from ellipsefit.results import Result
from ellipsefit.rows import Table
from ellipsefit.stitching import StitchSettings
from ellipsefit.summary import MirrorLine, Summary, mirror_line

Keep = Literal["report", "record", "summary"]

#: Mirrors that are handed out ahead, for each worker: enough to keep it busy, few enough to hold.
AHEAD: Final = 4
#: Folders of work that is not finished begin so.
_UNFINISHED: Final = ".unfinished "
_LINE: Final = "line.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchSettings:
    """What is done with every mirror."""

    when: datetime  # of the rounds, with time zone
    keep: Keep = "report"  # record and report, the record, or only the line in the summary
    stitching: StitchSettings | None = None
    stability: float = USUAL_STABILITY  # as for `run_job` [m]
    fit: Mapping[str, Any] | None = None  # options of `fit_ellipse`

    def __post_init__(self) -> None:
        if self.keep not in get_args(Keep):
            raise ParameterError(f"keep must be one of {', '.join(get_args(Keep))}; got {self.keep!r}")

    def as_text(self) -> dict[str, str]:
        """All that results depend on besides the inputs."""
        usual = {name: parameter.default for name, parameter in signature(fit_ellipse).parameters.items()}
        given = {name: value for name, value in (self.fit or {}).items() if value != usual.get(name)}
        options = {
            name: "; ".join(str(part) for part in value) if isinstance(value, tuple) else str(value)
            for name, value in given.items()
        }
        stitching = StitchSettings() if self.stitching is None else self.stitching
        return {
            "program": f"ellipsefit {version('ellipsefit')}",
            "keep": self.keep,
            **stitching.as_text(),
            "stability": str(self.stability),
            **options,
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BatchResult(Result):
    """What became of a batch, and where it was written."""

    summary: Summary
    folder: Path
    done_before: int  # mirrors that an earlier run of the batch had done
    table: ClassVar[str | None] = "results"

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        return {**self.summary.to_dict(), "done_before": self.done_before, "folder": str(self.folder)}

    def rows(self) -> list[Table]:
        """Tables of the summary, and where it was written."""
        cells = (("folder", str(self.folder)), ("files", ", ".join(SUMMARIES)), ("done before", str(self.done_before)))
        return [*self.summary.rows(), Table(title="Written", cells=cells)]


class _Task(NamedTuple):
    """One mirror, for whoever works on it."""

    item: BatchItem
    folder: Path  # of the batch
    settings: BatchSettings
    known: str | None  # checksum of the inputs of which it is done
    force: bool


class _Outcome(NamedTuple):
    """What became of it; no line: it was done before."""

    line: MirrorLine | None
    inputs: str


def run_batch(
    items: Sequence[BatchItem],
    folder: str | os.PathLike[str],
    settings: BatchSettings,
    *,
    workers: int = 1,
    executor: Executor | None = None,
    force: bool = False,
    progress: Callable[[str], object] = str,
) -> BatchResult:
    """Do the whole job on many mirrors, and sum up.

    A mirror whose files are faulty is a line of the summary with the reason, and stops nobody. Results depend on its
    files and the settings alone, and stand in the order of `items`, so it makes no difference who works, how many
    there are or who is ready first. A batch that was stopped, in whatever way, goes on where it was.

    Parameters
    ----------
    items : sequence of BatchItem
        As `read_batch` gives them.
    folder : path
        Where `summary.csv`, `summary.json`, `summary.html` and a folder for each mirror go; made if its parent exists.
        The journal there, `batch.jsonl`, says what is done: a mirror is done again only if one of its files has
        changed, and then its record gets another round, or if it failed.
    settings : BatchSettings
    workers : int
        Processes, at least 1; 1 is this one.
    executor : concurrent.futures.Executor, optional
        Who works instead: processes, threads or a cluster's that sees the same files.
    force : bool
        Whether all is done again, and a summary that belongs to no batch may be overwritten.
    progress : callable
        Told how far it is.

    Returns
    -------
    BatchResult

    Raises
    ------
    EllipsefitError
        If the folder can't be used; what is wrong with a mirror is in its line.
    """
    if workers < 1:
        raise ParameterError(f"workers must be at least 1; got {workers!r}")
    place = _made_folder(Path(folder), force=force)
    with open_journal(place, settings.as_text(), force=force) as (journal, done):
        lines = {name: entry.line for name, entry in done.items()}
        known = {name: entry.inputs for name, entry in done.items() if entry.line.verdict != "failed"}
        tasks = (_Task(item, place, settings, known.get(item.name), force) for item in items)
        before = failed = 0
        outcomes = _in_any_order(tasks, workers, executor)
        for count, (item, outcome) in enumerate(outcomes, 1):
            if outcome.line is None:
                before += 1
            else:
                lines[item.name] = outcome.line
                failed += outcome.line.verdict == "failed"
                journal.write(JournalEntry(line=outcome.line, inputs=outcome.inputs))
                if outcome.line.verdict != "failed":
                    shutil.rmtree(_unfinished(place, item), ignore_errors=True)
            progress(f"{count} of {len(items)} mirrors{f', {failed} failed' if failed else ''}")
        summary = Summary(lines=tuple(lines[item.name] for item in items))
        _write(summary, settings, place)
    return BatchResult(summary=summary, folder=place, done_before=before)


def _made_folder(place: Path, *, force: bool) -> Path:
    try:
        place.mkdir(exist_ok=True)
    except OSError as fault:
        raise FileMissingError(f"{place}: the folder cannot be made: {(fault.strerror or '').lower()}") from None
    if not (place / JOURNAL).exists() and not force:
        for name in SUMMARIES:
            if (place / name).exists():
                raise FileExistsAlreadyError(
                    f"{place / name}: exists already, without the journal of a batch; "
                    "--force allows it to be overwritten"
                )
    return place


def _write(summary: Summary, settings: BatchSettings, place: Path) -> None:
    from ellipsefit.report.batch_page import write_batch_page

    write_summary_csv(summary, place / "summary.csv", force=True)
    write_summary_json(summary, place / "summary.json", force=True)
    write_batch_page(summary, place / "summary.html", when=settings.when, reports=settings.keep == "report", force=True)


def _in_any_order(
    tasks: Iterable[_Task], workers: int, executor: Executor | None
) -> Iterator[tuple[BatchItem, _Outcome]]:
    """Outcomes as they come, with what they are of."""
    if executor is not None:
        ahead = AHEAD * (getattr(executor, "_max_workers", None) or os.cpu_count() or 1)
        yield from _windowed(tasks, executor, ahead)
    elif workers == 1:
        yield from ((task.item, work_on(task)) for task in tasks)
    else:
        yield from _by_processes(iter(tasks), workers)


def _windowed(tasks: Iterable[_Task], executor: Executor, ahead: int) -> Iterator[tuple[BatchItem, _Outcome]]:
    """Only so many tasks are handed out at a time, however many there are."""
    rest = iter(tasks)
    waiting: dict[Future[_Outcome], _Task] = {}
    try:
        while True:
            for task in islice(rest, ahead - len(waiting)):
                try:
                    waiting[executor.submit(work_on, task)] = task
                except BrokenExecutor:
                    raise _WorkerDiedError((*waiting.values(), task)) from None
            if not waiting:
                return
            for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                try:
                    outcome = future.result()
                except BrokenExecutor:
                    raise _WorkerDiedError(tuple(waiting.values())) from None
                yield waiting.pop(future).item, outcome
    finally:
        for future in waiting:
            future.cancel()


class _WorkerDiedError(EllipsefitError):
    """A worker ended at one of these tasks."""

    def __init__(self, tasks: tuple[_Task, ...]) -> None:
        super().__init__("a worker has died; what is done is kept, and the same batch goes on from there")
        self.tasks = tasks


def _by_processes(tasks: Iterator[_Task], workers: int) -> Iterator[tuple[BatchItem, _Outcome]]:
    """Work of processes of our own: the mirror at which one dies is found out, and the others go on."""
    while True:
        try:
            with _pool(workers) as pool:
                yield from _windowed(tasks, pool, AHEAD * workers)
            return
        except _WorkerDiedError as fault:
            suspects = fault.tasks
        for task in suspects:
            try:
                with _pool(1) as pool:
                    yield from _windowed([task], pool, 1)
            except _WorkerDiedError:
                reason = "the process that worked on it was ended from outside, perhaps for want of memory"
                yield task.item, _Outcome(MirrorLine(name=task.item.name, verdict="failed", reason=reason), "")


def _pool(workers: int) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(workers, initializer=_mind_the_parent)


def _mind_the_parent() -> None:
    """Leave interrupts to the parent, and end when it has ended: nobody would take the results."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = parent_process()
    if parent is None:
        return

    def watch() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def work_on(task: _Task) -> _Outcome:
    """Do the job on one mirror; what is wrong with it becomes its line."""
    item = task.item
    inputs = ""
    try:
        if item.fault:
            return _Outcome(_failed(task, item.fault), inputs)
        inputs = _checksum(item)
        if inputs == task.known and not task.force:
            return _Outcome(None, inputs)
        line = _finished_before(task, inputs) or _done(task, inputs)
    except EllipsefitError as fault:
        line = _failed(task, str(fault))
    except MemoryError:
        line = _failed(task, "there is not enough memory for it")
    except Exception as fault:  # noqa: BLE001 - a fault of the program at one mirror must not stop the others
        line = _failed(task, f"unexpected {type(fault).__name__}: {fault}; 'run' on this mirror alone shows where")
    return _Outcome(line, inputs)


def _failed(task: _Task, reason: str) -> MirrorLine:
    stage = _unfinished(task.folder, task.item)
    if not (stage / _LINE).exists():  # else it is whole, and is moved to its place next time
        shutil.rmtree(stage, ignore_errors=True)
    text = " ".join(reason.replace(str(stage), str(task.folder / task.item.name)).split())
    return MirrorLine(name=task.item.name, verdict="failed", reason=text)


def _checksum(item: BatchItem) -> str:
    """SHA-256 of all files of a mirror, by what they are for."""
    whole = hashlib.sha256()
    parts = [("mirror", item.mirror), *(("scans", path) for path in item.scans)]
    single = (("beam", item.beam), ("previous", item.previous), ("carrier", item.carrier))
    parts += [(role, path) for role, path in single if path is not None]
    parts += [("survey", path) for path in item.surveys]
    for role, path in parts:
        try:
            with existing_file(path).open("rb") as file:
                whole.update(f"{role} {hashlib.file_digest(file, 'sha256').hexdigest()}\n".encode())
        except OSError as fault:
            if isinstance(fault, EllipsefitError):
                raise
            raise FileMissingError(f"{path}: cannot be read: {(fault.strerror or '').lower()}") from None
    return whole.hexdigest()


def _unfinished(folder: Path, item: BatchItem) -> Path:
    """Folder in which the files of a mirror are made, until all are there."""
    return folder / f"{_UNFINISHED}{item.name}"


def _done(task: _Task, inputs: str) -> MirrorLine:
    item, settings = task.item, task.settings
    options: dict[str, Any] = {
        "stitch_settings": settings.stitching,
        "previous": item.previous,
        "stability": settings.stability,
        "beam_path": item.beam,
        **(settings.fit or {}),
    }
    if settings.keep == "summary":
        found = evaluate(item.mirror, item.scans, **options)
        surveyed = item.carrier is not None or item.surveys
        placement = place_surveyed(item.carrier, item.surveys)[0] if surveyed else None
        return mirror_line(item.name, found.fit, found.plan, found.light, placement, None)
    target, stage = task.folder / item.name, _unfinished(task.folder, item)
    try:
        with _held(target):
            return _made_beside(task, inputs, stage, target, options)
    except OSError as fault:
        if isinstance(fault, EllipsefitError):
            raise
        raise FileMissingError(f"{target}: cannot be written: {(fault.strerror or '').lower()}") from None


def _made_beside(task: _Task, inputs: str, stage: Path, target: Path, options: dict[str, Any]) -> MirrorLine:
    """Make all files beside, and move them when they are whole: a batch that is stopped leaves no half of a round."""
    record, report = target / "record.h5", target / "report.html"
    if report.exists() and not record.exists() and not task.force:
        raise FileExistsAlreadyError(
            f"{report}: exists already without a record beside it; --force allows it to be overwritten"
        )
    shutil.rmtree(stage, ignore_errors=True)
    stage.mkdir()
    before = _state(record)
    if before is not None:
        shutil.copyfile(record, stage / record.name)
    names_taken = list(target.glob("report-*.html"))
    for path in names_taken:
        (stage / path.name).touch()
    if report.exists():
        shutil.copyfile(report, stage / report.name)
    item, settings = task.item, task.settings
    page = settings.keep == "report"
    options |= {"carrier_path": item.carrier, "survey_paths": item.surveys}
    result = run_job(item.mirror, item.scans, stage, when=settings.when, force=task.force, page=page, **options)
    for path in names_taken:
        (stage / path.name).unlink()
    line = mirror_line(item.name, result.fit, result.plan, result.light, result.placement, result.round)
    temporary = stage / f"{_LINE}.new"
    content = {"inputs": inputs, "record_before": before, "line": line.to_dict()}
    temporary.write_text(json.dumps(content, allow_nan=False), encoding="utf-8")
    temporary.replace(stage / _LINE)
    _move(stage, target, before)
    return line


@contextmanager
def _held(target: Path) -> Iterator[None]:
    """Nobody else adds to the record there meanwhile."""
    from ellipsefit.files.record import claimed

    if not target.is_dir():
        yield
        return
    with claimed(target / "record.h5"):
        yield


def _state(record: Path) -> list[int] | None:
    """What tells that a record was replaced; None: it is not there."""
    try:
        found = record.stat()
    except OSError:
        return None
    return [found.st_ino, found.st_mtime_ns]


def _finished_before(task: _Task, inputs: str) -> MirrorLine | None:
    """Line of a mirror that was finished when the batch was stopped, before the journal knew."""
    stage, target = _unfinished(task.folder, task.item), task.folder / task.item.name
    try:
        content = json.loads((stage / _LINE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    if content["inputs"] != inputs or task.force:
        return None
    with _held(target):
        before = content["record_before"]
        if (stage / "record.h5").exists() and _state(target / "record.h5") != before:
            return None  # somebody has added to the record since, or begun one
        _move(stage, target, before)
    return MirrorLine.from_dict(content["line"])


def _move(stage: Path, target: Path, before: list[int] | None) -> None:
    """Bring what is made to its place, the record last; the line stays, until the journal has it."""
    record = stage / "record.h5"
    target.mkdir(exist_ok=True)
    numbered, page = list(stage.glob("report-*.html")), stage / "report.html"
    for path in numbered:
        path.replace(target / path.name)
    if page.exists():
        page.replace(target / page.name)
    elif numbered:
        (target / page.name).unlink(missing_ok=True)  # it has its number now
    if record.exists():
        if before is None and (target / record.name).exists():
            raise DataError(f"{target / record.name}: came while its mirror was worked on; start the batch again")
        record.replace(target / record.name)
