"""The report page: one self-contained HTML file with tables, figures, moves and cautions."""

from __future__ import annotations

import os
import platform
from collections.abc import Sequence
from datetime import datetime
from importlib.metadata import version
from typing import Final

from ellipsefit.align import CorrectionPlan
from ellipsefit.align.orders import orders_of
from ellipsefit.align.sequence import sequence_of
from ellipsefit.files.safe import new_file
from ellipsefit.fit import EllipseFit
from ellipsefit.focus.result import FocusResult
from ellipsefit.report import figures
from ellipsefit.report.cautions import CAUTIONS
from ellipsefit.report.curves import MOST_POINTS
from ellipsefit.report.focus_section import focus_section
from ellipsefit.report.moves import moves_table
from ellipsefit.report.pieces import Picture, few, table_html
from ellipsefit.report.stitch_section import stitch_section
from ellipsefit.report.style import as_svg
from ellipsefit.report.trade_figure import trade_off_figure
from ellipsefit.report.uncertainty import plot_uncertainty
from ellipsefit.report.verdict import verdict
from ellipsefit.rows import Table, number
from ellipsefit.stitching import Stitched

#: Libraries whose version can change a digit or a line.
LIBRARIES: Final = ("ellipsefit", "numpy", "scipy", "matplotlib")
#: Warnings of stitching that are listed; there may be one for each scan.
MOST_WARNINGS: Final = 20


def render_report(
    fit: EllipseFit,
    plan: CorrectionPlan,
    *,
    when: datetime,
    stitched: Stitched | None = None,
    focus: FocusResult | None = None,
    title: str | None = None,
    settings: Sequence[tuple[str, str]] = (),
) -> str:
    """Report page of one round, from what was measured to what is to be done.

    Parameters
    ----------
    fit, plan
        The results to report; the plan is one of this fit.
    when : datetime
        Date and time to print; nothing else on the page depends on when it is made.
    stitched : Stitched, optional
        How the profile was joined from scans, if it was; it gets a section before the fit.
    focus : FocusResult, optional
        What the mirror does to a beam, if one is known; it gets a section before the warnings.
    title : str, optional
        Heading, by default the mirror's name.
    settings : sequence of (name, value)
        Further rows for the settings, such as the files that were read.

    Returns
    -------
    str
        HTML that needs no other file, no network and no script.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("ellipsefit.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    summary, _, *rests = plan.rows()
    several = len(fit.placed.measured) > 1
    light_warnings = () if focus is None else focus.warnings
    scan_warnings = () if stitched is None else few(stitched.warnings, MOST_WARNINGS)
    return environment.get_template("report.html.j2").render(
        title=title or f"Mirror {fit.mirror.name}",
        mirror_name=fit.mirror.name,
        when=_spoken(when),
        when_machine=when.isoformat(timespec="minutes"),
        verdict=verdict(fit, plan),
        feasible=plan.feasible,
        summary=table_html(summary),
        mirror=table_html(_mirror_table(fit)),
        stitching=None if stitched is None else stitch_section(stitched),
        fit=[table_html(table) for table in _fit_tables(fit)],
        shape=_shape(fit),
        segments=_segments(fit) if several else None,
        uncertainty=_uncertainty(fit) if fit.varied else None,
        carrier=_carrier_words(plan),
        moves=table_html(moves_table(plan)) if plan.moves else None,
        moves_picture=_moves(plan) if plan.moves else None,
        residual=_residual(fit, plan),
        focus=None if focus is None else focus_section(focus),
        rests=[table_html(table) for table in rests],
        sequence=table_html(_sequence_table(plan)) if plan.moves else None,
        trade=_trade(plan) if plan.moves else None,
        warnings=tuple(dict.fromkeys((*scan_warnings, *fit.warnings, *plan.warnings, *light_warnings))),
        settings=table_html(_settings_table(fit, settings)),
        versions=table_html(_version_table()),
        cautions=CAUTIONS,
    )


def write_report(
    fit: EllipseFit,
    plan: CorrectionPlan,
    path: str | os.PathLike[str],
    *,
    when: datetime,
    force: bool = False,
    stitched: Stitched | None = None,
    focus: FocusResult | None = None,
    title: str | None = None,
    settings: Sequence[tuple[str, str]] = (),
) -> None:
    """Write the report page to a file, whole or not at all.

    Raises
    ------
    FileExistsAlreadyError
        If the file is there and `force` is not given.
    FileMissingError
        If the folder is missing or cannot be written to.
    """
    page = render_report(fit, plan, when=when, stitched=stitched, focus=focus, title=title, settings=settings)
    with new_file(path, force=force) as place:
        place.write_text(page, encoding="utf-8", newline="\n")


def _spoken(when: datetime) -> str:
    zone = when.tzname()
    return f"{when:%Y-%m-%d %H:%M}" + (f" {zone}" if zone else "")


def _mirror_table(fit: EllipseFit) -> Table:
    mirror, placed = fit.mirror, fit.placed
    nominal, tolerance = mirror.nominal, mirror.tolerance
    first, last = mirror.span
    count = len(mirror.segments)
    adjusters = sum(len(segment.adjusters) for segment in mirror.segments)
    cells = [
        ("nominal source distance p", number(nominal.p, "length", digits=6)),
        ("nominal image distance q", number(nominal.q, "length", digits=6)),
        ("nominal grazing angle θ", number(nominal.theta, "angle", digits=6)),
        ("span along x", f"{number(first, 'length', digits=6)} to {number(last, 'length', digits=6)}"),
        ("segments", f"{count}" if len(placed.measured) == count else f"{count}, {len(placed.measured)} measured"),
        ("adjusters", str(adjusters) if adjusters else "none"),
    ]
    if mirror.deflection is not None:
        cells.append(("sends the beam", mirror.deflection))
    if tolerance.segment_height is not None:
        cells.append(("tolerance of a segment's height", number(tolerance.segment_height, "length")))
    if tolerance.segment_tilt is not None:
        cells.append(("tolerance of a segment's tilt", number(tolerance.segment_tilt, "angle")))
    cells += [
        ("measured quantity", placed.quantity),
        ("points in use", f"{placed.count}" + (f", shown as {placed.shown_words}" if placed.shown_words else "")),
    ]
    if placed.masked or placed.outside:
        cells.append(("points skipped", f"{placed.masked} masked, {placed.outside} in no segment"))
    return Table(title=f"{mirror.name} as designed, and what was measured", cells=tuple(cells))


def _settings_table(fit: EllipseFit, further: Sequence[tuple[str, str]]) -> Table:
    settings, error = fit.settings, fit.settings.surface_error
    kind = "length" if fit.placed.quantity == "height" else "angle"
    cells = [
        *further,
        ("parameters varied", ", ".join(fit.varied) or "none"),
        ("segments", settings.segments),
        ("residual", settings.residual),
    ]
    how = "estimated" if settings.spreads_estimated else "given"
    for name, spread, unit in (
        ("height", settings.spread_height, "length"),
        ("tilt", settings.spread_tilt, "angle"),
    ):
        if spread is not None:
            cells.append((f"spread of the segments' {name}", f"{number(spread, unit)} ({how})"))
    if error.correlated:
        cells.append(("correlated surface error, rms", number(error.correlated, kind)))
        cells.append(("its correlation length", number(error.length, "length")))
    cells += [("prior", str(prior)) for prior in settings.priors]
    if settings.previous is not None:
        cells.append(("last campaign", settings.previous))
    if settings.x_uncertainty:
        cells.append(("standard uncertainty of the x origin", number(settings.x_uncertainty, "length")))
    return Table(title="Settings", cells=tuple(cells))


def _version_table() -> Table:
    cells = (*((name, version(name)) for name in LIBRARIES), ("python", platform.python_version()))
    return Table(title="Versions", cells=cells)


def _carrier_words(plan: CorrectionPlan) -> tuple[str, ...]:
    """What the carrier is to do, one phrase for each freedom."""
    height, tilt = plan.carrier_height, plan.carrier_tilt
    found = []
    if height is not None:
        word = "raise" if height > 0 else "lower"
        found.append(f"{word} by {number(abs(height), 'length', unit='um', digits=4)} at the pole (x = 0)")
    end = "downstream end up" if tilt > 0 else "downstream end down"
    found.append(f"tilt by {number(abs(tilt), 'angle', unit='urad', digits=4)}, {end}")
    if plan.carrier_roll is not None:
        side = "+y side up" if plan.carrier_roll > 0 else "+y side down"
        found.append(f"roll by {number(abs(plan.carrier_roll), 'angle', unit='urad', digits=4)}, {side}")
    return tuple(found)


def _sequence_table(plan: CorrectionPlan) -> Table:
    """The order in which the moves are made."""
    (table,) = sequence_of(orders_of(plan)).rows()
    return table


def _trade(plan: CorrectionPlan) -> Picture:
    label = "Graph of the worst error left at an adjuster over the travel of all adjusters together."
    caption = (
        "What remains against how much is moved: each circle is a plan that no other beats in both, the carrier set "
        "anew for it; the diamond is this plan."
    )
    return Picture(svg=as_svg(trade_off_figure(plan.trade_off()), "trade", label), caption=caption)


def _shape(fit: EllipseFit) -> Picture:
    what = fit.placed.quantity
    label = (
        f"Two graphs over x: measured {what}s with the fitted ellipse, and both minus the nominal ellipse, "
        f"at {fit.placed.count} points."
    )
    caption = (
        f"Measured {what}s and the fitted ellipse in its pose. Above: as they are, where nothing is seen of "
        "their difference. Below: both minus the nominal ellipse."
    )
    if len(fit.placed.x) > MOST_POINTS:
        caption += " In this and the error's figure lines are means over blocks of points, bands their extremes."
    return Picture(svg=as_svg(figures.shape_figure(fit), "shape", label), caption=caption)


def _segments(fit: EllipseFit) -> Picture:
    known = any(state.height is not None for state in fit.segments)
    what = "Height and tilt" if known else "Tilt"
    label = f"{what} of {len(fit.placed.measured)} segments over x, with standard uncertainties."
    caption = f"{what} of each segment relative to the fitted ellipse in its pose, with standard uncertainty."
    if known:
        caption += " In the upper graph each segment is drawn on the line that it stands on."
    return Picture(svg=as_svg(figures.segments_figure(fit), "segments", label), caption=caption)


def _fit_tables(fit: EllipseFit) -> list[Table]:
    """All tables of the fit: the result, what can be known, and what speaks for and against it."""
    return [*fit.rows(), *fit.identifiability().rows(), *fit.belief().rows(), *fit.budget.rows()]


def _uncertainty(fit: EllipseFit) -> Picture:
    first = fit.budget.contributions[0].source if fit.budget.contributions else "nothing"
    label = (
        "Confidence regions of p, q, θ and the foci; bars: what makes up the uncertainty of the image focus, "
        f"{first} first."
    )
    caption = (
        "Regions that hold both true values with a probability of 68 % and 95 %, found and nominal marked; foci in the "
        "carrier's frame. Below, the standard uncertainty of the image focus that each input alone would leave."
    )
    return Picture(svg=as_svg(plot_uncertainty(fit), "uncertainty", label), caption=caption)


def _residual(fit: EllipseFit, plan: CorrectionPlan) -> Picture:
    what, left = fit.placed.quantity, number(plan.remaining.slope_error_rms, "angle")
    if plan.moves:
        label = f"Two graphs over x: {what} error before and after the moves on one scale, and after them, enlarged."
        caption = (
            "Surface minus target ellipse, with the carrier's share done: before and after the moves of the "
            "adjusters, and below the latter enlarged."
        )
    else:
        label = f"Graph over x: {what} error after the carrier's move."
        caption = "Surface minus target ellipse after the carrier's move; no adjuster moves."
    label += f" Slope error left: {left} rms."
    return Picture(svg=as_svg(figures.residual_figure(fit, plan), "error", label), caption=caption)


def _moves(plan: CorrectionPlan) -> Picture:
    limits = [f"{move.segment} {move.adjuster}" for move in plan.moves if move.at_limit]
    label = (
        f"For each of {len(plan.moves)} adjusters a bar of its travel, where it stands and where it goes. "
        f"At a limit: {', '.join(limits) or 'none'}."
    )
    caption = (
        "Moves against travel: each bar is the travel of one adjuster; circle: where it stands; diamond: where it goes."
    )
    return Picture(svg=as_svg(figures.moves_figure(plan), "moves", label), caption=caption)
