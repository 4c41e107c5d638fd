"""The whole job in one call: a measured profile to moves, record and report."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from ellipsefit.align import CorrectionPlan, plan_corrections
from ellipsefit.align.plan import DEFAULT, TargetChoice
from ellipsefit.conformity import judge_mirror
from ellipsefit.errors import DataError, FileExistsAlreadyError, FileFormatError, FileMissingError, ParameterError
from ellipsefit.files import (
    open_measured,
    read_beam,
    read_carrier,
    read_mirror,
    read_previous,
    read_scans,
    read_surveys,
)
from ellipsefit.files.orders import given_response, learned_response
from ellipsefit.files.plan import PlanAnswer
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.fit.campaigns import USUAL_STABILITY
from ellipsefit.focus import FocusResult, trace_focus
from ellipsefit.foreseen import LightAfter, foresee_light
from ellipsefit.mirror import Mirror
from ellipsefit.place import Placement, SeasonForecast, forecast_seasons, place_carrier
from ellipsefit.profile import Profile
from ellipsefit.results import Result
from ellipsefit.rows import Table
from ellipsefit.stitching import Stitched, StitchSettings, stitch
from ellipsefit.stream import ProfileSource

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from ellipsefit.files.record import Claim


#: Surveys that tell of seasons, at the least.
SEASONAL: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evaluation:
    """What was found of one mirror, before anything is written."""

    profile: Profile | None  # as it was given or stitched; None: it stays in its file
    stitched: Stitched | None  # None: a profile was given
    fit: EllipseFit
    plan: CorrectionPlan
    light: FocusResult | None  # None: no beam was given
    foreseen: LightAfter | None = None  # the same after the moves; None: no beam, or no light would arrive


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JobResult(Result):
    """One round of the whole job, and where it was written."""

    stitched: Stitched | None  # None: a profile was given
    fit: EllipseFit
    plan: CorrectionPlan
    light: FocusResult | None  # None: no beam was given
    placement: Placement | None  # None: no carrier was given
    forecast: SeasonForecast | None  # None: fewer than three surveys of it
    round: int
    record: Path
    report: Path
    when: datetime
    foreseen: LightAfter | None = None  # of the light after the moves; None: no beam, or no light would arrive
    warnings: tuple[str, ...]  # what the record says against this round, such as moves it does not know of

    def rows(self) -> list[Table]:
        """What was done, and where it was written."""
        joined = () if self.stitched is None else (_joined(self.stitched),)
        notes = (*joined, *(f"Note: {text}" for text in self.warnings))
        cells = (("record", str(self.record)), ("report", str(self.report)))
        return [Table(title=f"Round {self.round} of {self.fit.mirror.name}", cells=cells, notes=notes)]

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer: those of fit and plan, and the files."""
        return {
            "stitch": None if self.stitched is None else self.stitched.to_dict(),
            "fit": self.fit.to_dict(),
            "correct": PlanAnswer(plan=self.plan, when=self.when).to_dict(),
            "focus": None if self.light is None else self.light.to_dict(),
            "focus_after_moves": None if self.foreseen is None else self.foreseen.to_dict(),
            "place": None if self.placement is None else self.placement.to_dict(),
            "drift": None if self.forecast is None else self.forecast.to_dict(),
            "conformity": judge_mirror(self.fit, self.plan, self.light, self.placement, self.foreseen).to_dict(),
            "round": self.round,
            "record": str(self.record),
            "report": str(self.report),
            "warnings": list(self.warnings),
        }


def run_job(
    mirror_path: str | os.PathLike[str],
    measured: Sequence[str | os.PathLike[str]],
    folder: str | os.PathLike[str],
    *,
    when: datetime,
    force: bool = False,
    progress: Callable[[str], object] = str,
    stitch_settings: StitchSettings | None = None,
    previous: str | os.PathLike[str] | None = None,
    stability: float = USUAL_STABILITY,
    beam_path: str | os.PathLike[str] | None = None,
    carrier_path: str | os.PathLike[str] | None = None,
    survey_paths: Sequence[str | os.PathLike[str]] = (),
    page: bool = True,
    response_path: str | os.PathLike[str] | None = None,
    objectives: Sequence[str] = DEFAULT,
    target: TargetChoice = "nominal",
    **options: Any,
) -> JobResult:
    """Stitch, fit, plan, record and report one round.

    Parameters
    ----------
    mirror_path : path
        The mirror file.
    measured : sequence of path
        Files of raw scans, which are stitched, or one file with a profile.
    folder : path
        Where `record.h5` and `report.html` go; made if its parent exists. A record of the same mirror in
        it gets another round, and its earlier report is kept under its number.
    when : datetime
        Of the round, with time zone.
    force : bool
        Whether a report that belongs to no record may be overwritten.
    progress : callable
        Told each step before it begins.
    stitch_settings : StitchSettings, optional
        How raw scans are stitched.
    previous : path, optional
        Record, or file of a fit, of the last campaign; the record in `folder` before this round, if that is meant.
    stability : float
        How well adjusters hold their place since [m].
    beam_path : path, optional
        A beam file; the report then has a section on the light at the focus.
    carrier_path, survey_paths : path, sequence of path, optional
        The carrier and surveys of it; the report then has a section on where it stands and, with three surveys or
        more, on its seasons.
    page : bool
        Whether the report is written; without it, `report` of the answer is where it would be.
    response_path : path, optional
        What adjusters do to the surface; by default what the record in `folder` has learned, if any.
    objectives, target
        As for `plan_corrections`.
    **options
        As for `fit_ellipse`.

    Raises
    ------
    EllipsefitError
        If an input is faulty, or a file would be overwritten unasked.
    """
    from ellipsefit.files.record import append_round, claimed, printable_name, read_record_summary
    from ellipsefit.files.record.provenance import (
        previous_options,
        rests_on,
        stale_carriers,
        stale_for,
        stale_measured,
        stale_sources,
    )
    from ellipsefit.files.safe import new_file, remove_leftovers
    from ellipsefit.report import render_report

    place = Path(folder)
    record, report = place / "record.h5", place / "report.html"
    _check_folder(record, report, force=force)
    if record.exists():
        _check_record(record, read_mirror(mirror_path))
    as_read = _state(record)
    placement, forecast = None, None
    if carrier_path is not None or survey_paths:
        progress("placing")
        placement, forecast = place_surveyed(carrier_path, survey_paths)
    found = evaluate(
        mirror_path,
        measured,
        progress=progress,
        record=record if as_read is not None else None,
        stitch_settings=stitch_settings,
        previous=previous,
        stability=stability,
        beam_path=beam_path,
        response_path=response_path,
        objectives=objectives,
        target=target,
        **options,
    )
    mirror = found.fit.mirror
    asked = options | {"previous": previous_options(previous, record, stability)}
    # from here on the record is ours alone: what is read of it stays true until the round is in it
    with _folder_for(folder), claimed(record) as claim:
        _check_folder(record, report, force=force)
        earlier = read_record_summary(record).rounds if record.exists() else ()
        if _state(record) != as_read:  # another process has added to it meanwhile
            _check_record(record, mirror)
            if response_path is None:
                known = learned_response(record, mirror, mirror_path)
                plan = plan_corrections(found.fit, response=known, objectives=objectives, target=target)
                found = replace(found, plan=plan, foreseen=_foreseen(plan, found.light))
        learned = response_path is None and bool(earlier) and learned_response(record, mirror, mirror_path) is not None
        made_from = rests_on(record, asked, learned=learned) if earlier else ()
        warnings = (
            *(stale_for(record, mirror, measured) if earlier else ()),
            *stale_sources(mirror, previous, response_path),
            *stale_measured(*measured),
            *(() if carrier_path is None else stale_carriers(carrier_path)),
        )
        warnings = tuple(dict.fromkeys(warnings))
        progress("reporting")
        number = max(earlier, default=0) + 1
        text = ""
        if page:
            text = render_report(
                found.fit,
                found.plan,
                when=when,
                settings=(
                    ("round", str(number)),
                    ("mirror file", printable_name(mirror_path)),
                    ("scans" if found.stitched else "profile", ", ".join(printable_name(path) for path in measured)),
                    *((("beam file", printable_name(beam_path)),) if beam_path is not None else ()),
                    *((("carrier file", printable_name(carrier_path)),) if carrier_path is not None else ()),
                    *((("surveys", ", ".join(printable_name(path) for path in survey_paths)),) if survey_paths else ()),
                ),
                stitched=found.stitched,
                focus=found.light,
                foreseen=found.foreseen,
                placement=placement,
                forecast=forecast,
                notes=warnings,
            )
        # nothing is written until everything is there to be written; a page is never left under another round's number
        kept_page = _free_name(place, max(earlier)) if earlier and report.exists() else None
        if kept_page is not None:
            report.replace(kept_page)
        try:
            kept = append_round(
                record,
                found.fit,
                found.plan,
                stitched=found.stitched,
                light=found.light,
                inputs=(mirror_path, *measured),
                beam=beam_path,
                when=when,
                options=asked,
                rests_on=made_from,
                measured=found.profile if found.stitched is None else None,
                claim=claim,
            )
        except BaseException:
            if kept_page is not None:
                kept_page.replace(report)
            raise
        if page:
            remove_leftovers(report)
            with new_file(report, force=force) as temporary:
                temporary.write_text(text, encoding="utf-8")
        if placement is not None and carrier_path is not None:
            _keep_place(record, mirror, placement, forecast, (carrier_path, *survey_paths), when, claim)
    return JobResult(
        stitched=found.stitched,
        fit=found.fit,
        plan=found.plan,
        light=found.light,
        foreseen=found.foreseen,
        placement=placement,
        forecast=forecast,
        round=number,
        record=record,
        report=report,
        when=when,
        warnings=(*warnings, *kept.warnings),
    )


def evaluate(
    mirror_path: str | os.PathLike[str],
    measured: Sequence[str | os.PathLike[str]],
    *,
    progress: Callable[[str], object] = str,
    record: Path | None = None,
    stitch_settings: StitchSettings | None = None,
    previous: str | os.PathLike[str] | None = None,
    stability: float = USUAL_STABILITY,
    beam_path: str | os.PathLike[str] | None = None,
    response_path: str | os.PathLike[str] | None = None,
    objectives: Sequence[str] = DEFAULT,
    target: TargetChoice = "nominal",
    **options: Any,
) -> Evaluation:
    """Stitch, fit, plan and, with a beam, trace; nothing is written.

    Parameters
    ----------
    record : path, optional
        Record of earlier rounds, whose comparisons tell what the adjusters do.
    mirror_path, measured, progress, stitch_settings, previous, stability, beam_path, response_path, objectives, \
    target, **options
        As for `run_job`.

    Raises
    ------
    EllipsefitError
        If an input is faulty.
    """
    from ellipsefit.files.record import read_earlier

    progress("reading")
    mirror = read_mirror(mirror_path)
    beam = None if beam_path is None else read_beam(beam_path)
    profile, stitched = measured_profile(measured, mirror, settings=stitch_settings, progress=progress)
    progress("fitting")
    if response_path is not None:
        learned = given_response(response_path, mirror)
    else:
        learned = None if record is None else learned_response(record, mirror, mirror_path)
    last = None if previous is None else read_previous(previous, mirror, stability=stability)
    fit = fit_ellipse(
        profile,
        mirror,
        previous=last,
        earlier=() if record is None else read_earlier(record),
        suspected=() if stitched is None else stitched.suspicions,
        **options,
    )
    progress("planning")
    plan = plan_corrections(fit, response=learned, objectives=objectives, target=target)
    light = None
    if beam is not None:
        progress("tracing")
        light = trace_focus(fit, mirror, beam)
    held = profile if isinstance(profile, Profile) else None
    return Evaluation(profile=held, stitched=stitched, fit=fit, plan=plan, light=light, foreseen=_foreseen(plan, light))


def _foreseen(plan: CorrectionPlan, light: FocusResult | None) -> LightAfter | None:
    """What the light will do after the moves, if a beam is known."""
    return None if light is None else foresee_light(plan, light)


def _state(record: Path) -> tuple[int, int] | None:
    """What tells that a record was replaced; None: it is not there."""
    try:
        found = record.stat()
    except OSError:
        return None
    return found.st_ino, found.st_mtime_ns


def _check_folder(record: Path, report: Path, *, force: bool) -> None:
    if report.exists() and not record.exists() and not force:
        raise FileExistsAlreadyError(
            f"{report}: exists already without a record beside it; --force allows it to be overwritten"
        )


def _check_record(record: Path, mirror: Mirror) -> None:
    """Refuse the record of another mirror before any work is done."""
    from ellipsefit.files.record import read_record_summary

    held = read_record_summary(record).mirror
    if held != mirror.name:
        raise FileFormatError(f"{record}: is the record of mirror '{held}'; expected one of mirror '{mirror.name}'")


@contextmanager
def _folder_for(folder: str | os.PathLike[str]) -> Iterator[None]:
    """The folder, made if it is not there, and taken away again if nothing comes into it."""
    there = Path(folder).exists()
    place = _made_folder(folder)
    try:
        yield
    except BaseException:
        if not there:
            with suppress(OSError):  # something came into it
                place.rmdir()
        raise


def _keep_place(
    record: Path,
    mirror: Mirror,
    placement: Placement,
    forecast: SeasonForecast | None,
    paths: Sequence[str | os.PathLike[str]],
    when: datetime,
    claim: Claim,
) -> None:
    """Where the carrier stands goes beside the round, as a survey and a forecast of the record."""
    from ellipsefit.files.record import Given, keep
    from ellipsefit.files.record.steps import forecast_step, placement_step

    given = [Given(path, "survey" if place else "carrier file") for place, path in enumerate(paths)]
    surveyed = placement.survey.time or when
    keep(record, mirror.name, [placement_step(placement)], given, when=surveyed, kind="survey", claim=claim)
    if forecast is not None:
        keep(record, mirror.name, [forecast_step(forecast)], given, when=when, kind="forecast", claim=claim)


def place_surveyed(
    carrier_path: str | os.PathLike[str] | None, survey_paths: Sequence[str | os.PathLike[str]]
) -> tuple[Placement, SeasonForecast | None]:
    """Where a carrier stands by the last of some surveys, and what its seasons do if three or more are given.

    Raises
    ------
    ParameterError
        If only one of both is given.
    DataError
        If a survey is one of another carrier, or several are not to be put in order.
    """
    if carrier_path is None or not survey_paths:
        raise ParameterError("carrier and survey belong together: expected --carrier CARRIER and --survey SURVEY")
    carrier, surveys = read_carrier(carrier_path), read_surveys(list(survey_paths))
    for survey in surveys:
        if survey.carrier is not None and survey.carrier != carrier.name:
            raise DataError(
                f"{survey.name}: is a survey of carrier '{survey.carrier}'; expected one of '{carrier.name}'"
            )
        if survey.time is None and len(surveys) > 1:
            raise DataError(f"{survey.name}: states no date; expected one, to tell which survey is the last")
    last = max(surveys, key=lambda one: 0.0 if one.time is None else one.time.timestamp())
    placement = place_carrier(carrier, last)
    if len(surveys) < SEASONAL:
        return placement, None
    return placement, forecast_seasons([place_carrier(carrier, one, moves=False) for one in surveys])


def _joined(stitched: Stitched) -> str:
    """What became of the scans, in one line."""
    spikes, masked = stitched.spikes, sum(stitched.masked.values())
    left_out = f"{spikes} spike{'s' * (spikes != 1)} and {masked - spikes} other point{'s' * (masked - spikes != 1)}"
    stays_open = ", ".join(item.name for item in stitched.undetermined) or "nothing"
    count = len(stitched.scans)
    return f"{count} scan{'s' * (count != 1)} joined; {left_out} masked; stays open: {stays_open}"


def _free_name(folder: Path, number: int) -> Path:
    """Name for the report of an earlier round that no file has yet."""
    path, copy = folder / f"report-{number}.html", 1
    while path.exists():
        copy += 1
        path = folder / f"report-{number}-{copy}.html"
    return path


def measured_profile(
    paths: Sequence[str | os.PathLike[str]],
    mirror: Mirror,
    *,
    settings: StitchSettings | None = None,
    progress: Callable[[str], object] = str,
) -> tuple[Profile | ProfileSource, Stitched | None]:
    """Profile from files: one that holds it, or raw scans that are stitched.

    Raises
    ------
    DataError
        If profiles and scans are mixed, or several profiles are given.
    """
    contents = {str(path): open_measured(path) for path in paths}
    profiles = {path: content for path, content in contents.items() if not isinstance(content, tuple)}
    if len(profiles) == 1 and len(contents) == 1:
        return next(iter(profiles.values())), None
    if profiles:
        raise DataError(f"{next(iter(profiles))}: is a profile; expected one profile alone, or raw scans only")
    scans = read_scans(list(paths))
    stitched = stitch(scans, mirror, settings=settings, progress=progress)
    return stitched.profile, stitched


def run_demo(
    folder: str | os.PathLike[str],
    *,
    when: datetime,
    force: bool = False,
    progress: Callable[[str], object] = str,
    objectives: Sequence[str] = DEFAULT,
    target: TargetChoice = "nominal",
) -> JobResult:
    """Write the invented mirror of the demo and its raw scans, and run the whole job on them.

    Parameters
    ----------
    folder : path
        Where `mirror.toml`, `scans.h5`, `record.h5` and `report.html` go; made if its parent exists.
    when, force, progress
        As for `run_job`; with `force` mirror and scans of an earlier demo are replaced, and its record gets
        another round.
    objectives, target
        As for `plan_corrections`.

    Raises
    ------
    EllipsefitError
        If a file would be overwritten unasked or cannot be written.
    """
    from ellipsefit.files import write_mirror, write_scans
    from ellipsefit.simulate import demo_scans

    place = _made_folder(folder)
    mirror, scans, _ = demo_scans()
    design, measured, record = place / "mirror.toml", place / "scans.h5", place / "record.h5"
    for path in (design, measured, record, place / "report.html"):
        if path.exists() and not force:
            raise FileExistsAlreadyError(f"{path}: exists already; --force allows it to be overwritten")
    progress("making the demo mirror")
    write_mirror(mirror, design, force=force)
    write_scans(scans, measured, force=force)
    return run_job(
        design, [measured], place, when=when, force=True, progress=progress, objectives=objectives, target=target
    )


def _made_folder(folder: str | os.PathLike[str]) -> Path:
    place = Path(folder)
    try:
        place.mkdir(exist_ok=True)
    except OSError as fault:
        raise FileMissingError(f"{place}: the folder cannot be made: {(fault.strerror or '').lower()}") from None
    return place
