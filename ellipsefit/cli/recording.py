"""Answers kept in a record: the only place where a command's `--record` is seen to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from datetime import datetime

    from ellipsefit.cli.options import CampaignOptions
    from ellipsefit.cli.show import Output
    from ellipsefit.files.plan import PlanAnswer
    from ellipsefit.files.record import Given
    from ellipsefit.files.record.reading import EntryKind
    from ellipsefit.files.record.steps import Step
    from ellipsefit.fit import EllipseFit
    from ellipsefit.focus import FocusResult
    from ellipsefit.mirror import Mirror
    from ellipsefit.stitching import Stitched


def keep_answer(
    output: Output,
    record: Path | None,
    mirror: Mirror | str,
    steps: Sequence[Step],
    given: Sequence[Given],
    *,
    kind: EntryKind = "round",
    when: datetime | None = None,
) -> None:
    """Keep results in a record, and say what it has against them; without a record nothing is done.

    Parameters
    ----------
    mirror : Mirror or str
        The mirror, or for what stands on a carrier its name.
    steps, given
        As for `ellipsefit.files.record.keep`.
    """
    if record is None:
        return
    from datetime import UTC, datetime

    from ellipsefit.files.record import claimed, keep, read_record
    from ellipsefit.files.record.provenance import stale_for, stale_results
    from ellipsefit.files.record.writing import MEASURED

    moment = datetime.now(UTC) if when is None else when
    with claimed(record) as claim:
        name = mirror if isinstance(mirror, str) else mirror.name
        if not isinstance(mirror, str):
            output.remark(*stale_for(record, mirror, [item.path for item in given if item.role in MEASURED]))
        kept = keep(record, name, steps, given, when=moment, kind=kind, claim=claim)
        if kind != "round":  # such as a survey from before the last one
            overtaken = (one for one in stale_results(read_record(record)) if one.path in kept.results)
            output.remark(*(text for one in overtaken for text in one.sentences()))
    output.remark(*kept.warnings)
    output.tell(f"Kept in {record}: {', '.join(kept.results)}")


def check_record(record: Path | None, mirror: str) -> None:
    """Refuse the record of another mirror before any work is done."""
    if record is None or not record.exists():
        return
    from ellipsefit.errors import FileFormatError
    from ellipsefit.files.record import read_record_summary

    held = read_record_summary(record).mirror
    if held != mirror:
        raise FileFormatError(f"{record}: is the record of mirror '{held}'; expected one of mirror '{mirror}'")


def keep_stitched(
    output: Output, record: Path | None, stitched: Stitched, mirror: Path, scans: Sequence[Path], profile: Path
) -> None:
    """Keep what became of raw scans, and by its hash the profile that was written."""
    if record is None:
        return
    from ellipsefit.files.record import Given, file_checksum
    from ellipsefit.files.record.steps import stitch_step

    step = stitch_step(stitched, output=file_checksum(profile), profile=True)
    given = [Given(mirror, "mirror file"), *(Given(path, "scans") for path in scans)]
    keep_answer(output, record, stitched.mirror, [step], given)


def keep_fit(
    output: Output,
    record: Path | None,
    fit: EllipseFit,
    model: CampaignOptions,
    mirror: Path,
    profile: Path,
    *,
    plan: PlanAnswer | None = None,
    response: Path | None = None,
    light: tuple[FocusResult, Mapping[str, Any], Path] | None = None,
) -> None:
    """Keep a fit, with the plan or the focus that was made from it."""
    if record is None:
        return
    from ellipsefit.files.record import Given
    from ellipsefit.files.record.provenance import previous_options, rests_on
    from ellipsefit.files.record.steps import fit_step, focus_step, plan_step

    asked = {**model.settings(), "previous": previous_options(model.previous, record, model.steadiness)}
    steps = [fit_step(fit, options=asked, rests_on=rests_on(record, asked))]
    given = [Given(mirror, "mirror file"), Given(profile, "profile")]
    if plan is not None:
        own = response is not None and record.exists() and response.samefile(record)
        learned = rests_on(record, {}, learned=True) if own else ()
        steps.append(plan_step(plan, plan.when, rests_on=(*learned, "influence matrix")))
        given += [] if response is None or own else [Given(response, "influence matrix")]
    if light is not None:
        result, answer, beam = light
        steps.append(focus_step(result, answer))
        given.append(Given(beam, "beam file"))
    keep_answer(output, record, fit.mirror, steps, given)


def warn_of_sources(output: Output, mirror: Mirror, *files: Path | None, measured: Sequence[Path] = ()) -> None:
    """Say what records that a step is made from, such as the last campaign or a profile, have against it."""
    from ellipsefit.files.record.provenance import stale_measured, stale_sources

    output.remark(*stale_sources(mirror, *files), *stale_measured(*measured))


def warn_of_measured(output: Output, *measured: Path) -> None:
    """Say why profiles in records no longer say how the mirror stands."""
    from ellipsefit.files.record.provenance import stale_measured

    output.remark(*stale_measured(*measured))


def warn_of_plan(output: Output, plan: Path, number: int | None = None) -> None:
    """Say why the plan of a record should not be carried out as it is; a plan of its own file tells nothing."""
    from ellipsefit.files.record.provenance import is_record, stale_plan

    if is_record(plan):
        output.remark(*stale_plan(plan, number))


def warn_of_carrier(output: Output, *carriers: Path) -> None:
    """Say that the measured mirror a carrier file speaks of was moved or measured again since."""
    from ellipsefit.files.record.provenance import stale_carriers

    output.remark(*stale_carriers(*carriers))
