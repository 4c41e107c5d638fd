"""The record of a mirror: one HDF5 file by the NeXus standard, one NXentry a round.

Each round holds the profile on the mirror (of a large one, means over neighbours), what the fit leaves (the
default plot), the answers of fit and plan as JSON, the moves as a table, the mirror file as text, and the inputs with
their SHA-256.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from ellipsefit.align import CorrectionPlan
from ellipsefit.align.comparison import Comparison
from ellipsefit.errors import DataError, FileFormatError
from ellipsefit.files.mirror import mirror_from_text, mirror_text
from ellipsefit.files.nexus import (
    new_data,
    new_entry,
    new_group,
    open_nexus,
    read_profile_data,
    start_root,
    text_attribute,
    write_field,
    write_process,
    write_profile_data,
    write_text,
)
from ellipsefit.files.orders import PlanAnswer
from ellipsefit.files.safe import existing_file, new_file, read_bytes
from ellipsefit.fit import EllipseFit, Previous, previous_campaign
from ellipsefit.fit.campaigns import USUAL_STABILITY
from ellipsefit.mirror import Mirror
from ellipsefit.profile import Profile, place_profile
from ellipsefit.stitching import Stitched

_ROUND = re.compile(r"round_(\d+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordSummary:
    """What a record holds: the mirror's name and the numbers of its rounds."""

    mirror: str
    rounds: tuple[int, ...]


def read_record_summary(path: str | os.PathLike[str]) -> RecordSummary:
    """Mirror and rounds of a record.

    Raises
    ------
    FileMissingError, FileFormatError
        If it cannot be read or is no record of this program.
    """
    with open_nexus(path) as file:
        mirror = text_attribute(file, "mirror")
        if mirror is None:
            raise FileFormatError(f"{path}: is no record of a mirror; expected the attribute 'mirror' at the root")
        return RecordSummary(mirror=mirror, rounds=_rounds(file))


def read_fit_answer(path: str | os.PathLike[str]) -> dict[str, Any]:
    """The answer of the last fit that a record, or the file of one fit, holds.

    Raises
    ------
    FileMissingError, FileFormatError
        If it cannot be read or holds no fit.
    """
    with open_nexus(path) as file:
        rounds = _rounds(file)
        entry = f"round_{rounds[-1]}" if rounds else "fit"
        place = f"{entry}/fit/answer/data"
        if place not in file:
            raise FileFormatError(f"{path}: holds no fit; expected a record, or what 'ellipsefit fit -o' writes")
        try:
            answer: dict[str, Any] = json.loads(file[place][()])
        except ValueError:
            raise FileFormatError(f"{path}: '{place}' is no JSON; expected the answer of a fit") from None
        return answer


def _rounds(file: Any) -> tuple[int, ...]:
    return tuple(sorted(int(match[1]) for name in file if (match := _ROUND.fullmatch(name))))


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedRound:
    """What of a round is needed to look at it afterwards."""

    number: int
    when: datetime
    mirror_file: str  # text of the mirror file, as it was then
    plan: dict[str, Any] | None  # its answer


def read_round(path: str | os.PathLike[str], number: int | None = None) -> RecordedRound:
    """One round of a record, by default the last.

    Raises
    ------
    FileMissingError, FileFormatError
        If it cannot be read, is no record or has no such round.
    """
    rounds = read_record_summary(path).rounds
    if not rounds or (number is not None and number not in rounds):
        known = f"rounds {rounds[0]} to {rounds[-1]}" if rounds else "no rounds"
        raise FileFormatError(f"{path}: has {known}; expected round {1 if number is None else number}")
    chosen = rounds[-1] if number is None else number
    with open_nexus(path) as file:
        entry = file[f"round_{chosen}"]
        try:
            when = datetime.fromisoformat(_text_in(entry["start_time"]))
            mirror_file = _text_in(entry["input_1/data"])
            plan = json.loads(_text_in(entry["correction/answer/data"])) if "correction" in entry else None
        except (KeyError, ValueError) as fault:
            raise FileFormatError(f"{path}: round {chosen} is incomplete: {fault}; expected one of `run`") from None
    return RecordedRound(number=chosen, when=when, mirror_file=mirror_file, plan=plan)


def read_comparison(path: str | os.PathLike[str]) -> dict[str, Any] | None:
    """Answer of the last comparison that a record holds; None: it holds none.

    Raises
    ------
    FileMissingError, FileFormatError
        If it cannot be read or is no record.
    """
    rounds = read_record_summary(path).rounds
    with open_nexus(path) as file:
        for number in reversed(rounds):
            entry = file[f"round_{number}"]
            last = max(_comparisons(entry), default=0)
            if last:
                found = json.loads(_text_in(entry[f"comparison_{last}/answer/data"]))
                if isinstance(found, dict):
                    return found
    return None


def _text_in(dataset: Any) -> str:
    value = dataset[()]
    return value.decode("utf-8") if isinstance(value, bytes) else str(value)


def _comparisons(entry: Any) -> list[int]:
    return [int(match[1]) for name in entry if (match := re.fullmatch(r"comparison_(\d+)", name))]


def append_comparison(path: str | os.PathLike[str], comparison: Comparison, number: int | None = None) -> int:
    """Add what came of a round to the record, beside its plan; the file is replaced whole.

    Parameters
    ----------
    path : path
        The record, which must be there.
    comparison : Comparison
        Of that round's plan, or of its test moves: a round may have several.
    number : int, optional
        Round of the record; by default its last.

    Returns
    -------
    int
        Number of the round.

    Raises
    ------
    FileMissingError, FileFormatError
        If the record cannot be read, is one of another mirror or has no such round.
    """
    summary = read_record_summary(path)
    if summary.mirror != comparison.mirror.name:
        raise FileFormatError(
            f"{path}: is the record of mirror '{summary.mirror}'; expected one of mirror '{comparison.mirror.name}'"
        )
    chosen = read_round(path, number).number
    with new_file(path, force=True) as temporary:
        shutil.copyfile(path, temporary)
        with h5py.File(temporary, "a") as file:
            entry = file[f"round_{chosen}"]
            last = max(_comparisons(entry), default=0)
            process = write_process(entry, name=f"comparison_{last + 1}")
            _write_json(process, "answer", comparison.to_dict())
            table = new_group(process, "moves", "NXcollection")
            write_field(table, "segment", np.array([screw.segment for screw in comparison.screws], dtype=np.str_))
            write_field(table, "adjuster", np.array([screw.adjuster for screw in comparison.screws], dtype=np.str_))
            for column in ("asked", "expected", "position"):
                values = np.array([getattr(screw, column) for screw in comparison.screws], dtype=np.float64)
                write_field(table, column, values, units="m")
            for column in ("achieved", "achieved_stderr"):
                found = [getattr(screw, column) for screw in comparison.screws]
                values = np.array([np.nan if value is None else value for value in found], dtype=np.float64)
                write_field(table, column, values, units="m")
    return chosen


def append_round(
    path: str | os.PathLike[str],
    fit: EllipseFit,
    plan: CorrectionPlan | None,
    *,
    stitched: Stitched | None = None,
    inputs: Sequence[str | os.PathLike[str]],
    when: datetime,
) -> int:
    """Add a round to a record, or start one; the file is replaced whole, so a crash loses nothing.

    Parameters
    ----------
    path : path
        The record; made if it is not there.
    fit, plan
        The results of the round.
    stitched : Stitched, optional
        From which scans the profile comes; answer, settings and guide are kept. The profile has its covariance.
    inputs : sequence of path
        The mirror file and the measured files: their names and hashes are kept, and the mirror file's text.
    when : datetime
        Of the round, with time zone.

    Returns
    -------
    int
        Number of the round, from 1.

    Raises
    ------
    FileFormatError
        If the file is a record of another mirror.
    """
    place = Path(path)
    rounds: tuple[int, ...] = ()
    if place.exists():
        summary = read_record_summary(path)
        if summary.mirror != fit.mirror.name:
            raise FileFormatError(
                f"{path}: is the record of mirror '{summary.mirror}'; expected one of mirror '{fit.mirror.name}'"
            )
        rounds = summary.rounds
    number = max(rounds, default=0) + 1
    with new_file(path, force=True) as temporary:
        if place.exists():
            shutil.copyfile(place, temporary)
        with h5py.File(temporary, "a" if rounds else "w") as file:
            start_root(file, default=f"round_{number}")
            file.attrs["mirror"] = fit.mirror.name
            entry = new_entry(file, f"round_{number}", title=f"{fit.mirror.name}, round {number}")
            write_text(entry, "start_time", when.isoformat(timespec="seconds"))
            orders = None if plan is None else PlanAnswer(plan=plan, when=when).to_dict()
            _write_results(entry, fit, plan, orders)
            if stitched is not None:
                _write_stitched(entry, stitched)
            _write_inputs(entry, inputs)
    return number


def write_fit(
    fit: EllipseFit,
    path: str | os.PathLike[str],
    *,
    plan: CorrectionPlan | None = None,
    force: bool = False,
) -> None:
    """Write a fit (and a plan) as HDF5 by the NeXus standard.

    Raises
    ------
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    with new_file(path, force=force) as temporary, h5py.File(temporary, "w") as file:
        start_root(file, default="fit")
        file.attrs["mirror"] = fit.mirror.name
        entry = new_entry(file, "fit", title=f"Ellipse fit of {fit.mirror.name}")
        _write_results(entry, fit, plan)
        _write_mirror(new_group(entry, "input_1", "NXnote"), mirror_text(fit.mirror))


def read_previous(path: str | os.PathLike[str], mirror: Mirror, *, stability: float = USUAL_STABILITY) -> Previous:
    """The last campaign from a record (its last round) or from the file of a fit, with the moves made since.

    The moves are what the mirror's adjusters stand at now, less what they stood at then: the mirror file that the
    record keeps says so.

    Parameters
    ----------
    path : path
        Record, or file that `write_fit` wrote.
    mirror : Mirror
        The mirror as it stands now.
    stability : float
        As for `previous_campaign` [m].

    Raises
    ------
    FileMissingError, FileFormatError
        If it cannot be read, or holds no round of this program.
    DataError
        If it is of another mirror.
    """
    with open_nexus(path) as file:
        rounds = _rounds(file)
        name = f"round_{rounds[-1]}" if rounds else "fit"
        entry = file.get(name)
        parts = [] if entry is None else [entry.get("profile"), entry.get("input_1/data")]
        if entry is None or None in parts:
            raise FileFormatError(
                f"{path}: holds no campaign; expected a record that 'run' made, or a file that 'fit --output' wrote"
            )
        profile = read_profile_data(path, parts[0])
        text = parts[1][()]
        before = mirror_from_text(text.decode() if isinstance(text, bytes) else str(text), path)
        if before.name != mirror.name:
            raise DataError(f"{path}: is of mirror '{before.name}'; expected one of mirror '{mirror.name}'")
        which = f"{printable_name(path)}, round {rounds[-1]}" if rounds else printable_name(path)
    return previous_campaign(place_profile(profile, before), mirror, stability=stability, name=which)


def _write_results(
    entry: Any, fit: EllipseFit, plan: CorrectionPlan | None, answer: dict[str, Any] | None = None
) -> None:
    placed = fit.placed
    names = np.array([segment.name for segment in fit.mirror.segments])[placed.index]
    figure = new_data(entry, "figure_error", signal="height_error", axes=("x",))  # first, so shown by default
    write_field(figure, "x", placed.x, units="m")
    write_field(figure, "height_error", fit.figure.height_error, units="m")
    if placed.sigma is not None and placed.quantity == "height":
        write_field(figure, "height_error_errors", placed.sigma, units="m")
    write_field(figure, "slope_error", fit.figure.slope_error, units="rad")
    figure.attrs["auxiliary_signals"] = ["slope_error"]
    write_field(figure, "segment", names)
    if placed.shown_words:  # a large profile stays where it is
        figure.attrs["averaged"] = placed.shown_words
    profile = Profile(
        name=placed.name,
        quantity=placed.quantity,
        x=placed.x,
        values=placed.values,
        sigma=placed.sigma,
        segment=names,
        covariance_factor=placed.covariance_factor,
        frame="mirror",
    )
    data = write_profile_data(entry, "profile", profile)
    if placed.shown_words:
        data.attrs["averaged"] = placed.shown_words
    process = write_process(entry, _settings(fit), name="fit")
    _write_json(process, "answer", fit.to_dict())
    for name in fit.varied:
        field = write_field(process, name, getattr(fit.ellipse, name), units="rad" if name == "theta" else "m")
        field.attrs["stderr"] = fit.stderr(name)
    if plan is not None:
        process = write_process(entry, name="correction")
        _write_json(process, "answer", plan.to_dict() if answer is None else answer)
        table = new_group(process, "moves", "NXcollection")
        write_field(table, "segment", np.array([move.segment for move in plan.moves], dtype=np.str_))
        write_field(table, "adjuster", np.array([move.adjuster for move in plan.moves], dtype=np.str_))
        for column in ("start", "stop", "move"):
            write_field(table, column, np.array([getattr(move, column) for move in plan.moves]), units="m")


def _settings(fit: EllipseFit) -> dict[str, str]:
    """All that influences the numbers of a fit, SI, as text."""
    settings: dict[str, object] = {
        "varied": ", ".join(fit.varied),
        **fit.to_dict()["model"],
        "surface_error": fit.settings.surface_error,
        "priors": "; ".join(str(prior) for prior in fit.settings.priors),
        "x_uncertainty": fit.settings.x_uncertainty,
        "cutoff": fit.figure.cutoff,
    }
    return {key: "" if value is None else str(value) for key, value in settings.items()}


def printable_name(path: str | os.PathLike[str]) -> str:
    """Name of a file as proper Unicode; what its system cannot decode is shown as a replacement character."""
    return os.fsencode(Path(path).name).decode("utf-8", errors="replace")


def _write_stitched(entry: Any, stitched: Stitched) -> None:
    process = write_process(entry, {**stitched.settings.as_text(), **stitched.steps}, name="stitching")
    _write_json(process, "answer", stitched.to_dict())
    if len(stitched.guide_carriage):
        unit = "m" if stitched.profile.quantity == "height" else "rad"
        guide = new_data(entry, "guide", signal="guide_error", axes=("carriage",))
        write_field(guide, "carriage", stitched.guide_carriage, units="m")
        write_field(guide, "guide_error", stitched.guide_error, units=unit)
        write_field(guide, "guide_error_errors", stitched.guide_stderr, units=unit)


def _write_inputs(entry: Any, inputs: Sequence[str | os.PathLike[str]]) -> None:
    for number, path in enumerate(inputs):
        with existing_file(path).open("rb") as file:  # measured files may be large
            checksum = hashlib.file_digest(file, "sha256").hexdigest()
        note = new_group(entry, f"input_{number + 1}", "NXnote")
        write_text(note, "file_name", printable_name(path))
        write_text(note, "checksum", checksum)
        write_text(note, "algorithm", "SHA-256")
        if number == 0:
            _write_mirror(note, read_bytes(path).decode("utf-8", errors="replace"))


def _write_mirror(note: Any, text: str) -> None:
    write_text(note, "type", "application/toml")
    write_text(note, "data", text)


def _write_json(group: Any, name: str, answer: dict[str, Any]) -> None:
    note = new_group(group, name, "NXnote")
    write_text(note, "type", "application/json")
    write_text(note, "data", json.dumps(answer, allow_nan=False))
