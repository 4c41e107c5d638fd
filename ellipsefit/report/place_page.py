"""Pages of a placed carrier and of a forecast: one self-contained HTML file each, with tables, figures and cautions."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np

from ellipsefit.files.safe import new_file
from ellipsefit.place import EpochChange, Pair, Placement, SeasonForecast
from ellipsefit.report import place_figures as figures
from ellipsefit.report.cautions import CARRIER_CAUTIONS, CAUTIONS
from ellipsefit.report.pieces import Headline, Item, Picture, Section, Tables, Words, render_page, table, table_html
from ellipsefit.report.style import as_svg
from ellipsefit.rows import Table

#: What to mind beside the cautions before wheels are turned.
WHEELS: Final = "turn no wheel past its range, and never under a load that it is not made to lift."


def render_place_report(
    placement: Placement,
    *,
    pair: Pair | None = None,
    change: EpochChange | None = None,
    files: Sequence[str | os.PathLike[str]] = (),
) -> str:
    """Page of a placed carrier, from what was surveyed to which wheel turns in which order.

    Parameters
    ----------
    placement : Placement
    pair : Pair, optional
        The carrier together with the next one.
    change : EpochChange, optional
        What moved since an earlier survey.
    files : sequence of path
        What was read, for the list of files.

    Returns
    -------
    str
        HTML that needs no other file, no network and no script.
    """
    pose, foci, residuals, *cams = placement.rows()
    sections = [
        Section(key="foci", title="Foci", items=(table(foci), _foci(placement))),
        Section(key="targets", title="Targets", items=(table(residuals), _targets(placement))),
    ]
    if change is not None:
        sections.append(Section(key="change", title="What moved", items=tuple(table(one) for one in change.rows())))
    if cams:
        sections.append(Section(key="moves", title="Moves of the cams", items=_moves(placement, cams)))
    if pair is not None:
        items: tuple[Item, ...] = (Words(text=WHEELS, look="mind"), *(table(one) for one in pair.rows()))
        sections.append(Section(key="pair", title="With the next carrier", items=items))
    return render_page(
        title=f"Carrier {placement.carrier.name}",
        subtitle=f"Survey {placement.survey.name}, {_surveyed(placement)}",
        headline=Headline(
            text="ACCEPTABLE" if placement.acceptable else "NOT ACCEPTABLE",
            good=placement.acceptable,
            reasons=_reasons(placement),
        ),
        summary=(table(pose),),
        sections=sections,
        warnings=placement.warnings,
        settings=_files(files),
        cautions=(*CARRIER_CAUTIONS, *CAUTIONS),
    )


def carrier_section(placement: Placement, forecast: SeasonForecast | None = None) -> Section:
    """All of a placed carrier and its seasons as one section of a mirror's report."""
    pose, foci, residuals, *cams = placement.rows()
    items: list[Item] = [
        Words(text=f"Survey {placement.survey.name}, {_surveyed(placement)}.", look="note"),
        Tables(html=(table_html(pose), table_html(foci))),
        *(Words(text=reason) for reason in _reasons(placement)),
        _foci(placement),
        table(residuals),
        _targets(placement),
        *(_moves(placement, cams) if cams else ()),
    ]
    if forecast is not None:
        advice, seasons, dates, *steps = forecast.rows()
        items += [Words(text="Seasons", look="heading"), *(table(one) for one in (advice, seasons, *steps))]
        items += [_seasons(forecast), table(dates)]
    return Section(key="carrier", title="Carrier and season", items=tuple(items))


def _moves(placement: Placement, cams: Sequence[Table]) -> tuple[Item, ...]:
    return (Words(text=WHEELS, look="mind"), *(table(one) for one in cams), _reach(placement))


def _surveyed(placement: Placement) -> str:
    time = placement.survey.time
    return "date not stated" if time is None else f"{time:%Y-%m-%d %H:%M %Z}"


def render_drift_report(forecast: SeasonForecast, *, files: Sequence[str | os.PathLike[str]] = ()) -> str:
    """Page of a forecast: seasons, bands, and when to go there again."""
    advice, seasons, dates, *steps = forecast.rows()
    sections = [
        Section(key="seasons", title="Seasons", items=(*(table(one) for one in (seasons, *steps)), _seasons(forecast))),
        Section(key="forecast", title="Forecast", items=(table(dates),)),
    ]
    head = advice.title.partition(": ")[2]
    return render_page(
        title=f"Drift of {forecast.name}",
        subtitle=f"Surveys from {forecast.first_survey} on",
        headline=Headline(text=head[:1].upper() + head[1:], good=not forecast.due),
        summary=(table(advice),),
        sections=sections,
        warnings=forecast.warnings,
        settings=_files(files),
        cautions=(*CARRIER_CAUTIONS, *CAUTIONS),
    )


def _seasons(forecast: SeasonForecast) -> Picture:
    label = (
        f"A panel for each of {len(forecast.components)} coordinates with surveys, forecast and bands, and one with "
        f"the probability of being outside tolerance, at the most {forecast.risk.max() * 100:.0f} %."
    )
    caption = (
        "Surveys with standard uncertainty; where the coordinate was between them; forecast with bands of 50, 80 and "
        "95 %. Long dashes: tolerance; shaded: a step between two surveys; dotted: the carrier was moved on purpose. "
        "Below: the probability that any coordinate is outside tolerance."
    )
    return Picture(svg=as_svg(figures.plot_seasons(forecast), "seasons", label), caption=caption)


def _files(files: Sequence[str | os.PathLike[str]]) -> Table:
    names = tuple((f"file {number}", Path(path).name) for number, path in enumerate(files, 1))
    return Table(title="Files", cells=names or (("files", "none"),))


def write_place_report(
    placement: Placement,
    path: str | os.PathLike[str],
    *,
    pair: Pair | None = None,
    change: EpochChange | None = None,
    files: Sequence[str | os.PathLike[str]] = (),
    force: bool = False,
) -> None:
    """Write the page of a placed carrier, whole or not at all.

    Raises
    ------
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    _write(render_place_report(placement, pair=pair, change=change, files=files), path, force=force)


def write_drift_report(
    forecast: SeasonForecast,
    path: str | os.PathLike[str],
    *,
    files: Sequence[str | os.PathLike[str]] = (),
    force: bool = False,
) -> None:
    """Write the page of a forecast, whole or not at all.

    Raises
    ------
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    _write(render_drift_report(forecast, files=files), path, force=force)


def _write(page: str, path: str | os.PathLike[str], *, force: bool) -> None:
    with new_file(path, force=force) as place:
        place.write_text(page, encoding="utf-8", newline="\n")


def _reasons(placement: Placement) -> tuple[str, ...]:
    stated = placement.carrier.tolerance.stated
    found = []
    if placement.plan is None:
        found.append("The carrier file describes no mount, so no moves are planned.")
    elif not placement.plan.reach.reached:
        found.append(f"The pose wanted is out of reach: {', '.join(placement.plan.reach.limits) or 'the wheels end'}.")
    goal = "after the moves below" if placement.plan is not None else "as the carrier stands"
    if not stated:
        found.append("The carrier file states no tolerances of the foci.")
    else:
        verb = "are" if placement.acceptable else "are NOT"
        found.append(f"Both foci {verb} within tolerance {goal}.")
    if placement.suspect:
        found.append(f"Suspect: target {', '.join(placement.suspect)}.")
    return tuple(found)


def _targets(placement: Placement) -> Picture:
    worst = max(placement.residuals, key=lambda item: abs(item.normalised))
    label = (
        f"{len(placement.residuals)} targets from above and from the side with their residuals. Largest normalised "
        f"residual {abs(worst.normalised):.1f}, target {worst.target}."
    )
    caption = "Targets on the carrier, from above and from the side; arrows: residuals, enlarged."
    return Picture(svg=as_svg(figures.targets_figure(placement), "targets", label), caption=caption)


def _foci(placement: Placement) -> Picture:
    size = np.linalg.norm(placement.image.shift[1:]) * 1e6
    label = (
        f"Source and image focus across the beam with uncertainty and tolerance; the image focus is {size:.0f} um off."
    )
    caption = (
        "Where the foci are across the beam, minus nominal, with regions of 68 and 95 %. Shaded: tolerance. Diamond: "
        "after the moves."
    )
    return Picture(svg=as_svg(figures.foci_figure(placement), "foci", label), caption=caption)


def _reach(placement: Placement) -> Picture:
    label = (
        "Reach of the wheels in height and pitch, sideways and yaw, height and roll; where the carrier stands and goes."
    )
    caption = (
        "What the wheels reach about the middle of the contacts, all other motions at rest. Circle: where the carrier "
        "stands on its mount; diamond: where it goes."
    )
    return Picture(svg=as_svg(figures.reach_figure(placement), "reach", label), caption=caption)
