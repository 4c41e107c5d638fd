"""A batch of mirrors on disk: the list of what is to be done, the journal of what is done, the summary as CSV."""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from glob import glob
from pathlib import Path
from typing import Annotated, Any, BinaryIO, Final

from pydantic import BeforeValidator, Field

from ellipsefit.errors import FileFormatError, FileMissingError, ParameterError
from ellipsefit.files.safe import new_file, read_bytes, real_path
from ellipsefit.files.text import looks_like_toml
from ellipsefit.files.toml import Table, check_table, parse_toml
from ellipsefit.summary import COLUMNS, MirrorLine, Summary

JOURNAL: Final = "batch.jsonl"
_START: Final = b'{"batch": 1'
SUMMARIES: Final = ("summary.csv", "summary.json", "summary.html")
#: Names that a folder of results can't have, since the batch's own files do.
_TAKEN: Final = (JOURNAL, *SUMMARIES)
_LONGEST_NAME: Final = 100
_SCANS: Final = "a file of scans or of a profile, a pattern such as 'heron/scan_*.csv', or a list of these"
_SURVEYS: Final = "a file of a survey, a pattern such as 'heron/survey_*.csv', or a list of these"


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchItem:
    """One mirror of a batch: what is measured of it, and under which name its results go."""

    name: str
    mirror: Path
    scans: tuple[Path, ...]
    beam: Path | None = None
    previous: Path | None = None  # record, or file of a fit, of the last campaign
    carrier: Path | None = None
    surveys: tuple[Path, ...] = ()  # of that carrier
    fault: str = ""  # what is wrong with it already; it will fail with this


def read_batch(paths: Sequence[str | os.PathLike[str]]) -> tuple[BatchItem, ...]:
    """Mirrors of a batch, from lists and folders.

    Parameters
    ----------
    paths : sequence of path
        Each a list, a folder of one mirror, or a folder of such folders.

        - A list is CSV with the columns mirror, scans and, optional, name, beam, previous, carrier and survey; or
          TOML with a table [[mirror]] each, of the keys file, scans, and these. Files are named from the list's
          folder on. Several files of scans or surveys are a list in TOML and parted by | in CSV; each may be a
          pattern.
        - The folder of a mirror holds mirror.toml and either its scans, all files whose names begin with 'scan', or
          one file whose name begins with 'profile'; beam.toml, if there is a beam; and carrier.toml with its
          surveys, files whose names begin with 'survey', if the carrier was surveyed.

    Returns
    -------
    tuple of BatchItem
        In the order given, folders by name. What has no name is called as its folder, or its mirror file.

    Raises
    ------
    FileMissingError, FileFormatError
        If a list is faulty, a folder holds no mirror, or two mirrors have one name. Whether the files of a mirror
        can be read is seen when it is its turn.
    """
    found: list[tuple[str, BatchItem]] = []  # with where it is named
    for path in paths:
        place = Path(path)
        found += _from_folder(place) if place.is_dir() else _from_list(place)
    if not found:
        raise ParameterError("no mirror is named; expected at least one")
    seen: dict[str, str] = {}
    for where, item in found:
        _check_name(where, item.name)
        first = seen.setdefault(item.name.casefold(), where)
        if first != where:
            raise FileFormatError(
                f"{where}: has the name '{item.name}', as has {first}; expected a name of its own for each mirror"
            )
    return tuple(item for _, item in found)


def _check_name(where: str, name: str) -> None:
    sound = name.isprintable() and not set(name) & set('/\\:*?"<>|') and name == name.strip(" .")
    if not sound or not 0 < len(name) <= _LONGEST_NAME or name.casefold() in _TAKEN:
        raise FileFormatError(
            f"{where}: the name {name[:60]!r} can't be that of a folder; expected such as 'heron-2026', "
            f"up to {_LONGEST_NAME} characters"
        )


def _from_folder(folder: Path) -> list[tuple[str, BatchItem]]:
    try:
        inside = sorted(folder.iterdir())
        mirrors = [folder] if (folder / "mirror.toml").exists() else []
        mirrors = mirrors or [place for place in inside if place.is_dir() and (place / "mirror.toml").exists()]
    except OSError as fault:
        raise FileMissingError(f"{folder}: cannot be read: {(fault.strerror or '').lower()}") from None
    if not mirrors:
        raise FileMissingError(f"{folder}: neither it nor a folder in it holds a mirror.toml; expected one")
    return [(str(place), _folder_item(place)) for place in mirrors]


def _folder_item(folder: Path) -> BatchItem:
    files = sorted(place for place in folder.iterdir() if place.is_file())
    scans = [place for place in files if place.name.casefold().startswith("scan")]
    profiles = [place for place in files if place.name.casefold().startswith("profile")]
    fault = ""
    if bool(scans) == bool(profiles) or len(profiles) > 1:
        got = ", ".join(place.name for place in (scans + profiles)[:4]) or "none of them"
        fault = f"{folder}: expected files whose names begin with 'scan', or one that begins with 'profile'; got {got}"
    beam, carrier = folder / "beam.toml", folder / "carrier.toml"
    surveys = [place for place in files if place.name.casefold().startswith("survey")]
    return BatchItem(
        name=real_path(folder).name,
        mirror=folder / "mirror.toml",
        scans=tuple(scans or profiles),
        beam=beam if beam.exists() else None,
        carrier=carrier if carrier.exists() else None,
        surveys=tuple(surveys),
        fault=fault,
    )


def _from_list(path: Path) -> list[tuple[str, BatchItem]]:
    data = read_bytes(path)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = data[: fault.start].count(b"\n") + 1
        raise FileFormatError(f"{path}, line {line}: is no text in UTF-8; expected a list of mirrors") from None
    rows = [(number, line) for number, line in enumerate(text.split("\n"), 1) if _counts(line)]
    if rows and looks_like_toml(rows[0][1].strip()):
        return _from_toml(data, path)
    return _from_csv(rows, path)


def _counts(line: str) -> bool:
    return line.strip() != "" and not line.lstrip().startswith("#")


def _texts(expected: str) -> Callable[[object], tuple[str, ...]]:
    def check(value: object) -> tuple[str, ...]:
        texts = [value] if isinstance(value, str) else value
        if (
            not isinstance(texts, list)
            or not texts
            or not all(isinstance(text, str) and text.strip() for text in texts)
        ):
            raise ValueError(f"got {str(value)[:60]!r}; expected {expected}")
        return tuple(texts)

    return check


class _MirrorTable(Table):
    file: str = Field(description="the mirror file")
    scans: Annotated[tuple[str, ...], BeforeValidator(_texts(_SCANS))] = Field(description=_SCANS)
    name: str | None = None
    beam: str | None = None
    previous: str | None = None
    carrier: str | None = None
    survey: Annotated[tuple[str, ...], BeforeValidator(_texts(_SURVEYS))] = Field(default=(), description=_SURVEYS)


class _ListTable(Table):
    mirror: list[_MirrorTable]


def _from_toml(data: bytes, path: Path) -> list[tuple[str, BatchItem]]:
    table = check_table(parse_toml(data, path), _ListTable, path)
    return [(f"{path}, mirror {number}", _item(path, entry)) for number, entry in enumerate(table.mirror, 1)]


_NEEDED: Final = ("mirror", "scans")
_KNOWN: Final = (*_NEEDED, "name", "beam", "previous", "carrier", "survey")


def _from_csv(rows: Sequence[tuple[int, str]], path: Path) -> list[tuple[str, BatchItem]]:
    expected = "expected a list of mirrors: CSV with the columns mirror, scans, or TOML with tables [[mirror]]"
    if not rows:
        raise FileFormatError(f"{path}: names no mirror; {expected}")
    delimiter = next((mark for mark in "\t;," if mark in rows[0][1]), ",")
    cells = [(number, next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))) for number, line in rows]
    header = [cell.strip().casefold() for cell in cells[0][1]]
    where = f"{path}, line {cells[0][0]}"
    missing = [name for name in _NEEDED if name not in header]
    if missing:
        raise FileFormatError(f"{where}: no column '{missing[0]}' in the header; {expected}")
    for name in header:
        if name not in _KNOWN or header.count(name) > 1:
            fault = "stands twice" if name in _KNOWN else "is not known"
            raise FileFormatError(f"{where}: column '{name[:60]}' {fault}; expected some of {', '.join(_KNOWN)}")
    found = []
    for number, row in cells[1:]:
        where = f"{path}, line {number}"
        if len(row) != len(header):
            raise FileFormatError(f"{where}: expected {len(header)} columns as in the header; got {len(row)}")
        given: dict[str, Any] = {name: cell.strip() for name, cell in zip(header, row, strict=True) if cell.strip()}
        for name in {"scans", "survey"} & set(given):
            given[name] = [part.strip() for part in given[name].split("|")]
        if "mirror" not in given or not all(given.get("scans", [""])):
            raise FileFormatError(f"{where}: expected a mirror file, and {_SCANS} parted by |; got an empty cell")
        if not all(given.get("survey", ())):
            raise FileFormatError(f"{where}: expected {_SURVEYS} parted by |; got an empty one")
        entry = _MirrorTable.model_validate({"file": given.pop("mirror"), **given})
        found.append((where, _item(path, entry)))
    if not found:
        raise FileFormatError(f"{path}: no mirror follows the header; {expected}")
    return found


def _item(path: Path, entry: _MirrorTable) -> BatchItem:
    folder = path.parent
    design = folder / entry.file
    usual = real_path(design).parent.name if design.stem == "mirror" else design.stem

    def place(file: str | None) -> Path | None:
        return None if file is None else folder / file

    def places(patterns: Sequence[str]) -> tuple[Path, ...]:
        return tuple(found for pattern in patterns for found in _matching(folder / pattern))

    return BatchItem(
        name=usual if entry.name is None else entry.name,
        mirror=design,
        scans=places(entry.scans),
        beam=place(entry.beam),
        previous=place(entry.previous),
        carrier=place(entry.carrier),
        surveys=places(entry.survey),
    )


def _matching(place: Path) -> list[Path]:
    """The file itself, or those that the pattern names; a pattern that names none stays, to be told when it is read."""
    if not set("*?[") & set(str(place)) or place.exists():
        return [place]
    return [Path(found) for found in sorted(glob(str(place)))] or [place]  # noqa: PTH207 - an absolute pattern


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalEntry:
    """What the journal says of a mirror: its line, and the checksum of all that it was made from."""

    line: MirrorLine
    inputs: str


class Journal:
    """What is done of a batch, a line of JSON each, on disk as soon as it is done; open in one program at a time."""

    def __init__(self, path: Path, file: BinaryIO) -> None:
        self.path = path
        self._file = file

    def write(self, entry: JournalEntry) -> None:
        """Add what became of a mirror.

        Raises
        ------
        FileMissingError
            If the disk is full, say.
        """
        self._append({"inputs": entry.inputs, "line": entry.line.to_dict()})

    def _append(self, content: Mapping[str, Any]) -> None:
        try:
            self._file.write(json.dumps(content, allow_nan=False).encode() + b"\n")
            self._file.flush()
        except OSError as fault:
            raise FileMissingError(f"{self.path}: cannot be written: {(fault.strerror or '').lower()}") from None


@contextmanager
def open_journal(
    folder: Path, options: Mapping[str, str], *, force: bool = False
) -> Iterator[tuple[Journal, dict[str, JournalEntry]]]:
    """Open the journal of a batch, to go on.

    Parameters
    ----------
    folder : path
        Of the batch.
    options : mapping
        All that results depend on besides the inputs. A batch goes on only with the same.
    force : bool
        Whether to begin anew, whatever the journal says.

    Yields
    ------
    Journal, dict
        Where to write, and what is done, by name.

    Raises
    ------
    FileFormatError
        If the file is no journal, or of other options.
    FileMissingError
        If it can't be written, or another program has it open.
    """
    path = folder / JOURNAL
    try:
        file = path.open("a+b")
    except OSError as fault:
        raise FileMissingError(f"{path}: cannot be written: {(fault.strerror or '').lower()}") from None
    with file:
        _lock(path, file)
        file.seek(0)
        done: dict[str, JournalEntry] = {}
        journal = Journal(path, file)
        if force:
            file.truncate(0)
        else:
            done, whole = _read_journal(path, file.read(), options)
            file.truncate(whole)  # a line that a crash cut off
        if not done and file.seek(0, os.SEEK_END) == 0:
            journal._append({"batch": 1, "options": dict(options)})
        yield journal, done


def _read_journal(path: Path, data: bytes, options: Mapping[str, str]) -> tuple[dict[str, JournalEntry], int]:
    """What is done, and how many bytes of the journal are whole lines."""
    whole = data.rfind(b"\n") + 1
    done: dict[str, JournalEntry] = {}
    for number, text in enumerate(data[:whole].splitlines(), 1):
        try:
            content = json.loads(text)
            if number == 1:
                if content["batch"] != 1:
                    raise ValueError
                _same_options(path, content["options"], options)
            else:
                line = MirrorLine.from_dict(content["line"])
                done[line.name] = JournalEntry(line=line, inputs=content["inputs"])
        except FileFormatError:
            raise
        except (ValueError, KeyError, TypeError):
            raise FileFormatError(
                f"{path}, line {number}: is not what a batch writes; move it away, or begin anew with --force"
            ) from None
    if not whole and not data.startswith(_START[: len(data)]):
        raise FileFormatError(f"{path}: is no journal of a batch; move it away, or begin anew with --force")
    return done, whole


def _same_options(path: Path, before: Mapping[str, str], now: Mapping[str, str]) -> None:
    for name in {**before, **now}:
        if before.get(name) != now.get(name):
            raise FileFormatError(
                f"{path}: was begun with {name} = {before.get(name)}, now it is {now.get(name)}; "
                "expected the same, another folder, or --force to do all again"
            )


def _lock(path: Path, file: BinaryIO) -> None:
    try:
        import fcntl
    except ImportError:  # no such locks on this system
        return
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        raise FileMissingError(f"{path}: another batch is at work in this folder; expected one at a time") from None


def write_summary_csv(summary: Summary, path: str | os.PathLike[str], *, force: bool = False) -> None:
    """Write a line for each mirror, in the order of the batch: CSV in UTF-8, with units in the header.

    Raises
    ------
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    titles = [title for title, _ in COLUMNS.values()]
    writer.writerow(["name", "mirror", "verdict", "round", *titles, "warnings", "reason"])
    for line in summary.lines:
        values = (_cell(getattr(line, column), factor) for column, (_, factor) in COLUMNS.items())
        shown = "" if line.round is None else line.round
        writer.writerow([line.name, line.mirror or "", line.verdict, shown, *values, len(line.warnings), line.reason])
    with new_file(path, force=force) as temporary:
        temporary.write_text(text.getvalue(), encoding="utf-8", newline="")


def _cell(value: float | None, factor: float) -> str:
    return "" if value is None else f"{value * factor:.9g}"


def write_summary_json(summary: Summary, path: str | os.PathLike[str], *, force: bool = False) -> None:
    """Write the machine-readable answer, SI.

    Raises
    ------
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    text = json.dumps(summary.to_dict(), indent=1, allow_nan=False) + "\n"
    with new_file(path, force=force) as temporary:
        temporary.write_text(text, encoding="utf-8")
