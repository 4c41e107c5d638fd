"""The whole job in one call: a measured profile to moves, record and report."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ellipsefit.align import CorrectionPlan, plan_corrections
from ellipsefit.errors import FileExistsAlreadyError, FileMissingError
from ellipsefit.files import read_mirror, read_profile
from ellipsefit.fit import EllipseFit, fit_ellipse

if TYPE_CHECKING:
    from collections.abc import Callable


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JobResult:
    """One round of the whole job, and where it was written."""

    fit: EllipseFit
    plan: CorrectionPlan
    round: int
    record: Path
    report: Path

    def __str__(self) -> str:
        return f"Round {self.round} of {self.fit.mirror.name}\n  record  {self.record}\n  report  {self.report}"

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer: those of fit and plan, and the files."""
        return {
            "fit": self.fit.to_dict(),
            "correct": self.plan.to_dict(),
            "round": self.round,
            "record": str(self.record),
            "report": str(self.report),
        }


def run_job(
    mirror_path: str | os.PathLike[str],
    profile_path: str | os.PathLike[str],
    folder: str | os.PathLike[str],
    *,
    when: datetime,
    force: bool = False,
    progress: Callable[[str], object] = str,
    **options: Any,
) -> JobResult:
    """Fit, plan, record and report one round.

    Parameters
    ----------
    mirror_path, profile_path : path
        The mirror file and the measured profile.
    folder : path
        Where `record.h5` and `report.html` go; made if its parent exists. A record of the same mirror in
        it gets another round, and its earlier report is kept under its number.
    when : datetime
        Of the round, with time zone.
    force : bool
        Whether a report that belongs to no record may be overwritten.
    progress : callable
        Told each step before it begins.
    **options
        As for `fit_ellipse`.

    Raises
    ------
    EllipsefitError
        If an input is faulty, or a file would be overwritten unasked.
    """
    from ellipsefit.files.record import append_round, read_record_summary
    from ellipsefit.files.safe import new_file
    from ellipsefit.report import render_report

    place = Path(folder)
    record, report = place / "record.h5", place / "report.html"
    earlier = read_record_summary(record).rounds if record.exists() else ()
    if report.exists() and not earlier and not force:
        raise FileExistsAlreadyError(
            f"{report}: exists already without a record beside it; --force allows it to be overwritten"
        )
    progress("reading")
    mirror, profile = read_mirror(mirror_path), read_profile(profile_path)
    progress("fitting")
    fit = fit_ellipse(profile, mirror, **options)
    progress("planning")
    plan = plan_corrections(fit)
    progress("reporting")
    number = max(earlier, default=0) + 1
    page = render_report(
        fit,
        plan,
        when=when,
        settings=(
            ("round", str(number)),
            ("mirror file", Path(mirror_path).name),
            ("profile", Path(profile_path).name),
        ),
    )
    # nothing is written until everything is there to be written
    _made_folder(folder)
    append_round(record, fit, plan, inputs=(mirror_path, profile_path), when=when)
    if earlier and report.exists():
        report.replace(_free_name(place, max(earlier)))
    with new_file(report, force=force) as temporary:
        temporary.write_text(page, encoding="utf-8")
    return JobResult(fit=fit, plan=plan, round=number, record=record, report=report)


def _free_name(folder: Path, number: int) -> Path:
    """Name for the report of an earlier round that no file has yet."""
    path, copy = folder / f"report-{number}.html", 1
    while path.exists():
        copy += 1
        path = folder / f"report-{number}-{copy}.html"
    return path


def run_demo(
    folder: str | os.PathLike[str], *, when: datetime, force: bool = False, progress: Callable[[str], object] = str
) -> JobResult:
    """Write the invented mirror of the demo and its profile, and run the whole job on them.

    Parameters
    ----------
    folder : path
        Where `mirror.toml`, `profile.csv`, `record.h5` and `report.html` go; made if its parent exists.
    when, force, progress
        As for `run_job`; with `force` the files of an earlier demo are replaced.

    Raises
    ------
    EllipsefitError
        If a file would be overwritten unasked or cannot be written.
    """
    from ellipsefit.files import write_mirror, write_text_profile
    from ellipsefit.simulate import DEMO_SEED, demo_mirror

    place = _made_folder(folder)
    mirror, profile, _ = demo_mirror()
    design, measured, record = place / "mirror.toml", place / "profile.csv", place / "record.h5"
    for path in (design, measured, record, place / "report.html"):
        if path.exists() and not force:
            raise FileExistsAlreadyError(f"{path}: exists already; --force allows it to be overwritten")
    progress("making the demo mirror")
    write_mirror(mirror, design, force=force)
    origin = f"Invented mirror {mirror.name}, simulated with seed {DEMO_SEED}: no real mirror was measured."
    write_text_profile(profile, measured, comments=(origin,), force=force)
    record.unlink(missing_ok=True)
    return run_job(design, measured, place, when=when, force=True, progress=progress)


def _made_folder(folder: str | os.PathLike[str]) -> Path:
    place = Path(folder)
    try:
        place.mkdir(exist_ok=True)
    except OSError as fault:
        raise FileMissingError(f"{place}: the folder cannot be made: {(fault.strerror or '').lower()}") from None
    return place
