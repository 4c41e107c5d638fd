"""The page's section on scans and stitching."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np

from ellipsefit.report import stitch_figures as figures
from ellipsefit.report.pieces import Item, Picture, Section, Tables, Terms, Words, table, table_html
from ellipsefit.report.stitch_curves import MOST_SCANS, drifts, shown_scans
from ellipsefit.report.style import as_svg
from ellipsefit.rows import Table, number, uncertainty
from ellipsefit.stitching import Stitched, Undetermined


def stitch_section(stitched: Stitched) -> Section:
    """Put the section together; of many scans, some are drawn and those that fit worst are listed."""
    summary, scans, _ = stitched.rows()
    pictures = [_scans(stitched), _differences(stitched)]
    if len(stitched.guide_carriage):
        pictures.append(_guide(stitched))
    if figures.has_times(stitched):
        pictures.append(_drift(stitched))
    if stitched.masked:
        pictures.append(_masks(stitched))
    unknown: Item = Words(text="Nothing.")
    if stitched.undetermined:
        unknown = Terms(entries=tuple(_open_item(item) for item in stitched.undetermined))
    items: list[Item] = [
        Tables(html=(table_html(summary), table_html(settings_table(stitched)))),
        Words(text="What the scans cannot tell", look="heading"),
        unknown,
        *pictures,
        *((Words(text="No point of the scans is masked."),) if not stitched.masked else ()),
        table(short_table(scans, stitched)),
    ]
    return Section(key="stitching", title="Scans and stitching", items=tuple(items))


def short_table(table: Table, stitched: Stitched) -> Table:
    """Table of scans with no more than `MOST_SCANS`: those with the largest residual, in their order."""
    if len(table.cells) <= MOST_SCANS:
        return table
    worst = np.sort(np.argsort([-scan.residual_rms for scan in stitched.scans], kind="stable")[:MOST_SCANS])
    return replace(
        table,
        title=f"{table.title}: the {MOST_SCANS} with the largest residual",
        cells=tuple(table.cells[place] for place in worst),
        notes=(*table.notes, f"… and {len(table.cells) - MOST_SCANS} more."),
    )


def settings_table(stitched: Stitched) -> Table:
    """What stitching did and what it left out."""
    settings = stitched.settings
    kind: Literal["length", "angle"] = "length" if stitched.profile.quantity == "height" else "angle"
    spikes = settings.spike_threshold
    straightness = settings.guide_straightness
    guide, drift = "not solved for", "not solved for"
    if len(stitched.guide_carriage):
        guide = "solved for, its spread " + ("estimated" if straightness is None else number(straightness, kind))
    if stitched.drift_spread is not None:
        drift = f"polynomial of time, degree {settings.drift_degree}"
    return Table(
        title="How the scans were treated",
        cells=(
            ("spikes", "not looked for" if spikes is None else f"masked beyond {spikes:g} robust deviations"),
            ("roll-off at segment ends", "masked" if settings.roll_off else "not looked for"),
            ("error of the guide", guide),
            ("drift of each scan", drift),
            *stitched.steps.items(),
        ),
    )


def _open_item(item: Undetermined) -> tuple[str, tuple[str, ...]]:
    unsure = "Its size is not known."
    if item.stderr is not None:
        unsure = f"Standard uncertainty: {uncertainty(item.stderr, item.kind)}."
    name = f"{item.function[:1].upper()}{item.function[1:]}"
    return name, (unsure, f"Fixed by: {item.fixed_by}.", f"Would be settled by: {item.remedy}.")


def _chosen(stitched: Stitched) -> str:
    count = len(stitched.scans)
    return "" if count <= MOST_SCANS else f" {len(shown_scans(stitched))} of {count} scans are drawn, evenly chosen."


def _scans(stitched: Stitched) -> Picture:
    what = stitched.profile.quantity
    own = "height and tilt" if what == "height" else "mean slope"
    label = (
        f"Two graphs over x of the {what}s of {len(stitched.scans)} scans minus nominal: as measured, "
        "and after alignment with the profile joined from them."
    )
    caption = (
        f"Scans minus the nominal {what} and the {own} of the whole profile. Above: as measured. Below: with each "
        "scan's own height and tilt, the guide's error and drift taken away, and the profile joined from them."
    )
    svg = as_svg(figures.scans_figure(stitched), "scans", label)
    return Picture(svg=svg, caption=caption + _chosen(stitched))


def _differences(stitched: Stitched) -> Picture:
    kind: Literal["length", "angle"] = "length" if stitched.profile.quantity == "height" else "angle"
    worst = max(stitched.scans, key=lambda scan: scan.residual_rms)
    label = (
        f"A row for each scan: scan minus joined profile over x. Largest residual: {number(worst.residual_rms, kind)} "
        f"rms, scan {worst.name}."
    )
    caption = (
        "Differences in the overlaps: each aligned scan minus the joined profile; from one row to the next is "
        f"{number(figures.row_pitch(stitched), kind)}. Where a scan is alone the difference is zero by "
        "construction." + _chosen(stitched)
    )
    return Picture(svg=as_svg(figures.differences_figure(stitched), "overlaps", label), caption=caption)


def _guide(stitched: Stitched) -> Picture:
    heights = stitched.profile.quantity == "height"
    kind: Literal["length", "angle"] = "length" if heights else "angle"
    size = number(float(np.ptp(stitched.guide_error)), kind)
    label = f"Graph over the carriage's position: error of the guide, {size} peak to valley, with its uncertainty."
    caption = (
        f"{'Straightness' if heights else 'Pitch'} error of the profilometer's guide, its mean line taken away, "
        "with one standard uncertainty to each side."
    )
    return Picture(svg=as_svg(figures.guide_figure(stitched), "guide", label), caption=caption)


def _drift(stitched: Stitched) -> Picture:
    left = "what is left, averaged over all scans in intervals of time: a drift that each scan repeats would stand out."
    if drifts(stitched):
        label = "Two graphs over time: drift of each scan, and the mean residual of all scans."
        caption = f"Above: drift of each scan beyond a straight line, taken away. Below: {left}" + _chosen(stitched)
    elif stitched.drift_spread is not None:
        label = "Graph over time: mean residual of all scans. No drift beyond a line was found."
        caption = f"No drift beyond a straight line was found. Shown is {left}"
    else:
        label = "Graph over time: mean residual of all scans. Drift was not solved for."
        caption = f"Drift was not solved for. Shown is {left}"
    return Picture(svg=as_svg(figures.drift_figure(stitched), "drift", label), caption=caption)


def _masks(stitched: Stitched) -> Picture:
    counts = ", ".join(f"{reason} {count}" for reason, count in stitched.masked.items())
    label = f"A row for each scan with its masked points, by reason: {counts}."
    caption = "Points left out, by reason, with how many there are; grey lines are the spans of the scans."
    if max(stitched.masked.values()) > figures.MOST_MARKS:
        caption += f" Of more than {figures.MOST_MARKS} points for one reason neighbours share a marker."
    return Picture(svg=as_svg(figures.masks_figure(stitched), "masks", label), caption=caption)
