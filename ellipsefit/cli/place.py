"""The commands on carriers in their halls: where one stands, what mends it, and when it must be moved again."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ellipsefit.cli.app import command
from ellipsefit.cli.options import FigureFile, RecordFile, ReportFile, above_zero, options_named, positive, quantity
from ellipsefit.cli.show import Output, drawn
from ellipsefit.errors import DataError, ParameterError

if TYPE_CHECKING:
    from datetime import datetime

    from ellipsefit.place import Carrier, Placement, Survey, TemperatureLog

CarrierFile = Annotated[Path, typer.Argument(metavar="CARRIER", help="Carrier file (TOML).")]
SurveyFile = Annotated[Path, typer.Argument(metavar="SURVEY", help="Survey of its targets: text or NeXus HDF5.")]
SurveyFiles = Annotated[
    list[Path],
    typer.Argument(metavar="SURVEY", help="Surveys of its targets: text or NeXus HDF5, which may hold many."),
]
TemperatureOption = Annotated[
    str | None,
    typer.Option("--temperature", metavar="T", help="Of the carrier, in place of the survey's: '21.3 degC'."),
]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceOptions:
    """How a survey is laid on a carrier."""

    scale: Annotated[
        str,
        typer.Option(
            metavar="expansion|fitted|fixed", help="Size of the carrier: by temperature, fitted, or as drawn."
        ),
    ] = "expansion"
    match: Annotated[
        str, typer.Option(metavar="names|geometry", help="Believe the names of the targets, or find them.")
    ] = "names"

    def settings(self) -> dict[str, Any]:
        """Arguments of `place_carrier`."""
        if self.scale not in ("expansion", "fitted", "fixed"):
            raise ParameterError(f"--scale: got '{self.scale}'; expected expansion, fitted or fixed")
        if self.match not in ("names", "geometry"):
            raise ParameterError(f"--match: got '{self.match}'; expected names or geometry")
        return {"scale": self.scale, "match": self.match}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Answers:
    """Answers of several steps as one."""

    main: Any
    further: dict[str, Any]

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer."""
        return {**self.main.to_dict(), **{name: part.to_dict() for name, part in self.further.items()}}


@command("Say where a carrier stands, and the cam angles that mend it.")
def place(
    carrier: CarrierFile,
    survey: SurveyFile,
    *,
    downstream: Annotated[
        tuple[Path, Path] | None,
        typer.Option(
            "--next", metavar="CARRIER SURVEY", help="The carrier downstream, whose source is this one's image focus."
        ),
    ] = None,
    before: Annotated[
        Path | None, typer.Option("--before", metavar="SURVEY", help="An earlier survey, to tell what moved since.")
    ] = None,
    laying: PlaceOptions,
    temperature: TemperatureOption = None,
    step: Annotated[
        str, typer.Option("--step", metavar="LENGTH", help="Motion of a contact in one round of moves.")
    ] = "50 um",
    approach: Annotated[
        str | None,
        typer.Option("--approach", metavar="LENGTH", help="Lower too far by this, so that each wheel ends by raising."),
    ] = None,
    figure: FigureFile = None,
    report: ReportFile = None,
    record: RecordFile = None,
    output: Output,
) -> None:
    """Say where a carrier and its foci stand by a survey of its targets, and the cam angles that mend it.

    Exit status 1: within the wheels' range the foci cannot be brought within tolerance.
    """
    from ellipsefit.cli.recording import check_record, keep_answer, warn_of_carrier
    from ellipsefit.files import read_carrier, read_survey
    from ellipsefit.place import compare_surveys, pair_carriers
    from ellipsefit.report.cautions import cautions_text

    pair_files = downstream or ()
    output.check(drawn(figure), report, reads=(carrier, survey, before, *pair_files, record))
    options = {
        **laying.settings(),
        "temperature": None if temperature is None else quantity(temperature, "--temperature", "temperature"),
        "step": above_zero(step, "--step"),
        "approach": positive(approach, "--approach") or 0.0,
    }
    further: dict[str, Any] = {}
    with output.progress() as tell:
        tell("reading")
        design, measured = read_carrier(carrier), read_survey(survey)
        check_record(record, design.mirror.name)
        warn_of_carrier(output, carrier, *pair_files[:1])
        tell("placing")
        result = _placed(design, measured, options)
        if downstream is not None:
            second = _placed(read_carrier(downstream[0]), read_survey(downstream[1]), {**options, "temperature": None})
            further["pair"] = pair_carriers(result, second)
        if before is not None:
            further["change"] = compare_surveys(design, read_survey(before), measured)
        output.draw(result, figure, tell)
        if report is not None:
            from ellipsefit.report import write_place_report

            tell("reporting")
            pair, change = further.get("pair"), further.get("change")
            write_place_report(result, report, pair=pair, change=change, force=output.force, files=(carrier, survey))
    if record is not None:
        from ellipsefit.files.record import Given
        from ellipsefit.files.record.steps import placement_step

        given = [Given(carrier, "carrier file"), Given(survey, "survey")]
        given += [] if before is None else [Given(before, "survey before")]
        roles = ("carrier downstream", "survey downstream")
        given += [Given(path, role) for path, role in zip(pair_files, roles, strict=False)]
        kept = placement_step(result, _Answers(main=result, further=further).to_dict())
        keep_answer(output, record, design.mirror.name, [kept], given, kind="survey", when=measured.time)
    output.text(result, *further.values(), cautions_text(min(output.width, 100), carrier=True))
    output.answer(_Answers(main=result, further=further))
    raise typer.Exit(0 if result.acceptable else 1)


@command("Say what the seasons do to a carrier's foci, and when to go there again.")
def drift(
    carrier: CarrierFile,
    surveys: SurveyFiles,
    *,
    downstream: Annotated[
        Path | None,
        typer.Option(
            "--next",
            metavar="CARRIER",
            help="The carrier downstream; surveys that name it are its own, and the mismatch of both is forecast.",
        ),
    ] = None,
    until: Annotated[
        str | None, typer.Option("--until", metavar="DATE", help="End of the forecast, such as 2027-06-30.")
    ] = None,
    temperatures: Annotated[
        Path | None,
        typer.Option(
            "--temperatures", metavar="FILE", help="Log of the hall: text with the columns date, temperature."
        ),
    ] = None,
    distance: Annotated[
        str, typer.Option("--distance", metavar="LENGTH", help="Over which the floor's random walk acts.")
    ] = "20 m",
    survey_cost: Annotated[str, typer.Option(metavar="TIME", help="Of one survey.")] = "1.5 h",
    realign_cost: Annotated[str, typer.Option(metavar="TIME", help="Of one realignment by the cams.")] = "4 h",
    opening_cost: Annotated[str, typer.Option(metavar="TIME", help="Of opening the vessel, for comparison.")] = "2.5 d",
    out_cost: Annotated[str, typer.Option(metavar="TIME", help="Lost by one day outside tolerance.")] = "2.4 h",
    laying: PlaceOptions,
    figure: FigureFile = None,
    report: ReportFile = None,
    record: RecordFile = None,
    output: Output,
) -> None:
    """Say what the seasons do to a carrier's foci by a series of surveys, and when to survey and realign next.

    Exit status 1: a realignment is due.
    """
    from ellipsefit.cli.recording import check_record, keep_answer, warn_of_carrier
    from ellipsefit.files import read_carrier, read_surveys
    from ellipsefit.place import Costs, DriftSettings, forecast_seasons

    output.check(drawn(figure), report, reads=(carrier, *surveys, downstream, temperatures, record))
    options = laying.settings()
    costs = Costs(
        survey=above_zero(survey_cost, "--survey-cost", "time"),
        realign=above_zero(realign_cost, "--realign-cost", "time"),
        opening=above_zero(opening_cost, "--opening-cost", "time"),
        out_per_day=above_zero(out_cost, "--out-cost", "time"),
    )
    end = None if until is None else _date(until, "--until")
    settings = DriftSettings(distance=above_zero(distance, "--distance"))
    log = None if temperatures is None else _log(temperatures)
    with output.progress() as tell:
        tell("reading")
        designs = [read_carrier(path) for path in (carrier, *([] if downstream is None else [downstream]))]
        check_record(record, designs[0].mirror.name)
        warn_of_carrier(output, carrier, *([] if downstream is None else [downstream]))
        found = read_surveys(surveys)
        tell("placing")
        shares = _shared_out(designs, found)
        placed = [
            [_placed(design, one, {**options, "moves": False}) for one in share]
            for design, share in zip(designs, shares, strict=True)
        ]
        tell("forecasting")
        result = forecast_seasons(
            placed[0],
            downstream=placed[1] if len(placed) > 1 else (),
            until=end,
            settings=settings,
            costs=costs,
            log=log,
        )
        output.draw(result, figure, tell)
        if report is not None:
            from ellipsefit.report import write_drift_report

            tell("reporting")
            write_drift_report(result, report, force=output.force, files=(carrier, *surveys))
    if record is not None:
        from ellipsefit.files.record import Given
        from ellipsefit.files.record.steps import forecast_step

        given = [Given(carrier, "carrier file"), *(Given(path, "survey") for path in surveys)]
        given += [] if downstream is None else [Given(downstream, "carrier downstream")]
        given += [] if temperatures is None else [Given(temperatures, "temperatures")]
        kept = forecast_step(result, rests_on=("carrier downstream", "temperatures"))
        keep_answer(output, record, designs[0].mirror.name, [kept], given, kind="forecast")
    output.text(result)
    output.answer(result)
    raise typer.Exit(1 if result.due else 0)


def _placed(design: Carrier, survey: Survey, options: dict[str, Any]) -> Placement:
    from ellipsefit.place import place_carrier

    if survey.carrier is not None and survey.carrier != design.name:
        raise DataError(f"{survey.name}: is a survey of carrier '{survey.carrier}'; expected one of '{design.name}'")
    with options_named():
        return place_carrier(design, survey, **options)


def _shared_out(designs: list[Carrier], surveys: tuple[Survey, ...]) -> list[list[Survey]]:
    """Surveys of each carrier, by the name that they state."""
    if len(designs) == 1:
        return [list(surveys)]
    shares: list[list[Survey]] = [[] for _ in designs]
    names = [design.name for design in designs]
    for survey in surveys:
        if survey.carrier not in names:
            stated = "no carrier" if survey.carrier is None else f"carrier '{survey.carrier}'"
            raise DataError(
                f"{survey.name}: states {stated}; expected a line '# carrier: {names[0]}' or '# carrier: {names[1]}', "
                "to tell whose it is"
            )
        shares[names.index(survey.carrier)].append(survey)
    return shares


def _date(text: str, option: str) -> datetime:
    from datetime import UTC, datetime

    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        raise ParameterError(f"{option}: got '{text}'; expected a date such as 2027-06-30") from None
    return when if when.tzinfo is not None else when.replace(tzinfo=UTC)


def _log(path: Path) -> TemperatureLog:
    from ellipsefit.files.survey import read_temperatures

    return read_temperatures(path)
