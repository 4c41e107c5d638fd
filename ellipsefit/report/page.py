"""The report page: one self-contained HTML file with tables, figures, moves and cautions."""

from __future__ import annotations

import os
from collections.abc import Sequence
from datetime import datetime
from typing import Final

from ellipsefit.align import CorrectionPlan
from ellipsefit.align.orders import orders_of
from ellipsefit.align.sequence import sequence_of
from ellipsefit.conformity import SPOKEN, Conformity, judge_mirror
from ellipsefit.errors import ParameterError
from ellipsefit.files.safe import new_file
from ellipsefit.fit import EllipseFit
from ellipsefit.focus.result import FocusResult
from ellipsefit.foreseen import LightAfter
from ellipsefit.place import Placement, SeasonForecast
from ellipsefit.report import figures
from ellipsefit.report.cautions import CARRIER_CAUTIONS, CAUTIONS
from ellipsefit.report.curves import BLOCKS, MOST_POINTS
from ellipsefit.report.focus_section import focus_section
from ellipsefit.report.moves import moves_table
from ellipsefit.report.pieces import Headline, Item, Picture, Points, Section, Words, few, render_page, table
from ellipsefit.report.place_page import carrier_section
from ellipsefit.report.spectrum_figure import plot_spectrum
from ellipsefit.report.stitch_section import stitch_section
from ellipsefit.report.style import as_svg
from ellipsefit.report.trade_figure import trade_off_figure
from ellipsefit.report.uncertainty import plot_uncertainty
from ellipsefit.report.verdict import carrier_words, to_do, verdict
from ellipsefit.rows import Table, number
from ellipsefit.spectrum import PER_DECADE, Spectrum
from ellipsefit.stitching import Stitched

#: Warnings of stitching that are listed; there may be one for each scan.
MOST_WARNINGS: Final = 20


def render_report(
    fit: EllipseFit,
    plan: CorrectionPlan,
    *,
    when: datetime,
    stitched: Stitched | None = None,
    focus: FocusResult | None = None,
    foreseen: LightAfter | None = None,
    placement: Placement | None = None,
    forecast: SeasonForecast | None = None,
    title: str | None = None,
    settings: Sequence[tuple[str, str]] = (),
    notes: Sequence[str] = (),
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
        What the mirror does to a beam, if one is known; it gets a section after the moves.
    foreseen : LightAfter, optional
        What it will do after the moves; shown with it, and judged where a throughput is required.
    placement : Placement, optional
        Where the carrier stands, if it was surveyed; it gets a section.
    forecast : SeasonForecast, optional
        What the seasons will do to it; shown with the placement.
    title : str, optional
        Heading, by default the mirror's name.
    settings : sequence of (name, value)
        Further rows for the settings, such as the files that were read.
    notes : sequence of str
        Further warnings, such as what the record says against this round.

    Returns
    -------
    str
        HTML that needs no other file and no network; a script of its own tells values at the cursor.
    """
    judged = judge_mirror(fit, plan, focus, placement, foreseen)
    said = verdict(fit, plan)
    summary, _, *rests = plan.rows()
    sections = [
        Section(key="mirror", title="Mirror", items=(table(_mirror_table(fit), "words"),)),
        *(() if stitched is None else (stitch_section(stitched),)),
        _fit_section(fit),
        _figure_section(fit),
        _moves_section(plan),
        _remains_section(fit, plan, rests),
        *(() if focus is None else (focus_section(focus, foreseen),)),
        *(() if placement is None else (carrier_section(placement, forecast),)),
        _uncertainty_section(fit),
    ]
    warnings = [
        *notes,
        *(() if stitched is None else few(stitched.warnings, MOST_WARNINGS)),
        *fit.warnings,
        *plan.warnings,
    ]
    for further in (focus, placement, forecast):
        warnings += () if further is None else further.warnings
    return render_page(
        title=title or f"Mirror {fit.mirror.name}",
        subtitle=f"Alignment round of {_spoken(when)}",
        headline=Headline(
            text=said.headline,
            good=plan.feasible,
            reasons=said.reasons,
            steps=to_do(fit, plan),
            decisions=_decisions(judged),
        ),
        summary=(*(table(one) for one in judged.rows() if judged.requirements), table(summary)),
        sections=sections,
        warnings=tuple(dict.fromkeys(warnings)),
        settings=_settings_table(fit, settings),
        cautions=CAUTIONS if placement is None else (*CARRIER_CAUTIONS, *CAUTIONS),
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
    foreseen: LightAfter | None = None,
    placement: Placement | None = None,
    forecast: SeasonForecast | None = None,
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
    page = render_report(
        fit,
        plan,
        when=when,
        stitched=stitched,
        focus=focus,
        foreseen=foreseen,
        placement=placement,
        forecast=forecast,
        title=title,
        settings=settings,
    )
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


def _decisions(judged: Conformity) -> tuple[tuple[str, str], ...]:
    found = (("as measured", judged.now), ("foreseen after the moves", judged.after))
    return tuple((words, SPOKEN[decision]) for words, decision in found if decision is not None)


def _fit_section(fit: EllipseFit) -> Section:
    """The fit, and what of it can be known."""
    ellipse, segments, _, foci = fit.rows()
    several = len(fit.placed.measured) > 1
    items: list[Item] = [table(ellipse), _shape(fit), table(foci), table(segments)]
    items += [_segments(fit)] * several
    items += [table(one) for one in fit.identifiability().rows()]
    return Section(key="fit", title="Fit and what can be known", items=tuple(items))


def _figure_section(fit: EllipseFit) -> Section:
    """Figure errors and their spectrum, where points suffice for one."""
    items: list[Item] = [table(fit.rows()[2]), _errors(fit)]
    try:
        found = fit.spectrum()
    except ParameterError:
        items.append(Words(text="Points are too few in a row for a spectrum.", look="note"))
    else:
        items += [_spectrum(found), *(table(one) for one in found.rows())]
    return Section(key="figure", title="Figure errors and spectrum", items=tuple(items))


def _moves_section(plan: CorrectionPlan) -> Section:
    """What to take to the mirror."""
    items: list[Item] = [
        Words(text="turn no screw past its stop.", look="mind"),
        Words(text="First, the carrier as a whole", look="heading"),
        Points(texts=carrier_words(plan)),
    ]
    if plan.moves:
        items += [
            Words(text="Then, the adjusters", look="heading"),
            table(moves_table(plan), "moves"),
            _moves(plan),
            table(_sequence_table(plan)),
        ]
    else:
        items.append(Words(text="No adjuster is asked to move."))
    items.append(Words(text="Measure again afterwards: only a new profile shows what was reached."))
    return Section(key="moves", title="Corrections", items=tuple(items))


def _remains_section(fit: EllipseFit, plan: CorrectionPlan, rests: Sequence[Table]) -> Section:
    """What the moves leave, and what fewer would."""
    items: list[Item] = [_residual(fit, plan), *(table(one) for one in rests)]
    items += [_trade(plan)] if plan.moves else []
    return Section(key="remains", title="What remains", items=tuple(items))


def _uncertainty_section(fit: EllipseFit) -> Section:
    """What makes up the uncertainties, and what speaks for and against them."""
    items: list[Item] = [table(one) for one in (*fit.budget.rows(), *fit.belief().rows())]
    if fit.varied:
        items.append(_uncertainty(fit))
    return Section(key="uncertainty", title="Uncertainty budget", items=tuple(items))


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
    return Picture(svg=as_svg(figures.shape_figure(fit), "shape", label), caption=caption + _thinned(fit))


def _segments(fit: EllipseFit) -> Picture:
    known = any(state.height is not None for state in fit.segments)
    what = "Height and tilt" if known else "Tilt"
    label = f"{what} of {len(fit.placed.measured)} segments over x, with standard uncertainties."
    caption = f"{what} of each segment relative to the fitted ellipse in its pose, with standard uncertainty."
    if known:
        caption += " In the upper graph each segment is drawn on the line that it stands on."
    return Picture(svg=as_svg(figures.segments_figure(fit), "segments", label), caption=caption)


def _errors(fit: EllipseFit) -> Picture:
    figure, heights = fit.figure, fit.placed.quantity == "height"
    label = (
        f"Two graphs over x: height error, {number(figure.height_error_rms, 'length')} rms, and slope error, "
        f"{number(figure.slope_error_rms, 'angle')} rms."
    )
    how = "slopes of the heights after a Gaussian filter" if heights else "heights integrated from the slopes"
    caption = f"What is left when ellipse, pose and each segment's height and tilt are taken away; {how}."
    return Picture(svg=as_svg(figures.errors_figure(fit), "figure-error", label), caption=caption + _thinned(fit))


def _spectrum(found: Spectrum) -> Picture:
    label = (
        f"Power spectral density of the {found.quantity} error over spatial frequency, for {len(found.names)} "
        f"segments and their mean; rms over all wavelengths {number(found.rms, _kind(found.quantity))}."
    )
    window = "each segment weighted by a Hann window" if found.window == "hann" else "without a window"
    caption = (
        f"One-sided power spectral density of the {found.quantity} error, normalised so that its integral over spatial "
        f"frequency is the mean square of the error; {window}. Mean of ordinates in {PER_DECADE} bands for each "
        f"factor of ten; waves down to {number(found.shortest, 'length')}. Shaded: 95 % interval of the mean, for a "
        "stationary Gaussian surface."
    )
    return Picture(svg=as_svg(plot_spectrum(found), "spectrum", label), caption=caption)


def _thinned(fit: EllipseFit) -> str:
    """What a caption says of lines that do not show every point."""
    if len(fit.placed.x) <= MOST_POINTS:
        return ""
    size = -(-len(fit.placed.x) // BLOCKS)
    return f" Lines are means of {size} neighbouring points, bands their smallest and largest, so no peak is lost."


def _kind(quantity: str) -> str:
    return "length" if quantity == "height" else "angle"


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
    return Picture(svg=as_svg(figures.residual_figure(fit, plan), "error", label), caption=caption + _thinned(fit))


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
