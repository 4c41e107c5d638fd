"""Pages of a placed carrier and of a forecast: one self-contained HTML file each, with tables, figures and cautions."""

from __future__ import annotations

import os
import platform
from collections.abc import Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from ellipsefit.files.safe import new_file
from ellipsefit.place import EpochChange, Pair, Placement, SeasonForecast
from ellipsefit.report import place_figures as figures
from ellipsefit.report.cautions import CARRIER_CAUTIONS, CAUTIONS
from ellipsefit.report.pieces import Picture, table_html
from ellipsefit.report.style import as_svg
from ellipsefit.rows import Table

LIBRARIES = ("ellipsefit", "numpy", "scipy", "matplotlib")


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A section of the page."""

    key: str
    title: str
    tables: tuple[str, ...] = ()
    pictures: tuple[Picture, ...] = field(default=())
    mind: bool = False


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
        Section(key="foci", title="Foci", tables=(table_html(foci),), pictures=(_foci(placement),)),
        Section(key="targets", title="Targets", tables=(table_html(residuals),), pictures=(_targets(placement),)),
    ]
    if change is not None:
        sections.append(
            Section(key="change", title="What moved", tables=tuple(table_html(table) for table in change.rows()))
        )
    if cams:
        sections.append(
            Section(
                key="moves",
                title="Moves of the cams",
                tables=tuple(table_html(table) for table in cams),
                pictures=(_reach(placement),),
                mind=True,
            )
        )
    if pair is not None:
        sections.append(
            Section(
                key="pair",
                title="With the next carrier",
                tables=tuple(table_html(table) for table in pair.rows()),
                mind=True,
            )
        )
    time = placement.survey.time
    when = "date not stated" if time is None else f"{time:%Y-%m-%d %H:%M %Z}"
    return _page(
        title=f"Carrier {placement.carrier.name}",
        subtitle=f"Survey {placement.survey.name}, {when}",
        headline="ACCEPTABLE" if placement.acceptable else "NOT ACCEPTABLE",
        good=placement.acceptable,
        reasons=_reasons(placement),
        summary=table_html(pose),
        sections=sections,
        warnings=placement.warnings,
        files=files,
    )


def render_drift_report(forecast: SeasonForecast, *, files: Sequence[str | os.PathLike[str]] = ()) -> str:
    """Page of a forecast: seasons, bands, and when to go there again."""
    advice, seasons, table, *steps = forecast.rows()
    label = (
        f"A panel for each of {len(forecast.components)} coordinates with surveys, forecast and bands, and one with "
        f"the probability of being outside tolerance, at the most {forecast.risk.max() * 100:.0f} %."
    )
    caption = (
        "Surveys with standard uncertainty; where the coordinate was between them; forecast with bands of 50, 80 and "
        "95 %. Long dashes: tolerance; shaded: a step between two surveys; dotted: the carrier was moved on purpose. "
        "Below: the probability that any coordinate is outside tolerance."
    )
    picture = Picture(svg=as_svg(figures.plot_seasons(forecast), "seasons", label), caption=caption)
    sections = [
        Section(
            key="seasons",
            title="Seasons",
            tables=tuple(table_html(one) for one in (seasons, *steps)),
            pictures=(picture,),
        ),
        Section(key="forecast", title="Forecast", tables=(table_html(table),)),
    ]
    head = advice.title.partition(": ")[2]
    return _page(
        title=f"Drift of {forecast.name}",
        subtitle=f"Surveys from {forecast.first_survey} on",
        headline=head[:1].upper() + head[1:],
        good=not forecast.due,
        reasons=(),
        summary=table_html(advice),
        sections=sections,
        warnings=forecast.warnings,
        files=files,
    )


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


def _page(*, sections: Sequence[Section], files: Sequence[str | os.PathLike[str]], **content: Any) -> str:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("ellipsefit.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    names = tuple((f"file {number}", Path(path).name) for number, path in enumerate(files, 1))
    cells = (*((name, version(name)) for name in LIBRARIES), ("python", platform.python_version()))
    return environment.get_template("place.html.j2").render(
        sections=sections,
        settings=table_html(Table(title="Files", cells=names or (("files", "none"),))),
        versions=table_html(Table(title="Versions", cells=cells)),
        cautions=(*CARRIER_CAUTIONS, *CAUTIONS),
        **content,
    )


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
