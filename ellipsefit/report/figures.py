"""Figures of a fit and its plan; each `draw_*(axes, ...)` returns its artists and shows nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from ellipsefit.align import CorrectionPlan, Move
from ellipsefit.arrays import FloatArray
from ellipsefit.fit import EllipseFit
from ellipsefit.report.curves import before_after, curve, fitted_curve, nominal_curve
from ellipsefit.report.panels import (
    ABOVE,
    BENEATH,
    along,
    draw_curve,
    finish,
    largest,
    legend_above,
    stack,
    zero_line,
)
from ellipsefit.report.style import GRID, INK, QUIET, SHADE, WARM, our_style
from ellipsefit.units import practical_unit

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def draw_profile(axes: Axes, fit: EllipseFit) -> list[Artist]:
    """Draw measured values and the fitted ellipse in its pose, as they are."""
    placed = fit.placed
    ellipse, measured = curve(placed, fitted_curve(fit)), curve(placed, placed.values)
    unit = _unit(fit, placed.values)
    scale = along(axes, fit.mirror.segments)
    artists = draw_curve(axes, ellipse, scale, unit[0], "fitted ellipse in its pose", BENEATH)
    artists += draw_curve(axes, measured, scale, unit[0], "measured", ABOVE)
    axes.set_ylabel(f"{placed.quantity} [{unit[1]}]")
    legend_above(axes)
    return artists


def draw_deviation(axes: Axes, fit: EllipseFit) -> list[Artist]:
    """Draw measured values and the fitted ellipse in its pose, both minus the nominal ellipse."""
    placed, nominal = fit.placed, nominal_curve(fit)
    deviation = placed.values - nominal
    ellipse, measured = curve(placed, fitted_curve(fit) - nominal), curve(placed, deviation)
    unit = _unit(fit, deviation)
    scale = along(axes, fit.mirror.segments)
    zero_line(axes)
    artists = draw_curve(axes, ellipse, scale, unit[0], "fitted ellipse in its pose, minus nominal", BENEATH)
    artists += draw_curve(axes, measured, scale, unit[0], "measured, minus nominal", ABOVE)
    axes.set_ylabel(f"{placed.quantity} minus\nnominal [{unit[1]}]")
    legend_above(axes)
    return artists


def draw_residual(axes: Axes, fit: EllipseFit, plan: CorrectionPlan | None = None) -> list[Artist]:
    """Draw the error before and after correction, two curves on one scale.

    With a plan: surface minus target with the carrier's share done, before and after the moves of the
    adjusters. Without: surface minus fitted ellipse, segments as they stand and with their height and
    tilt taken away (`fit.residual`).
    """
    if plan is None:
        before, after = fit.residual + fit.misplacement, fit.residual
        names = "segments as they stand", "height and tilt of each segment taken away"
    else:
        before, after = before_after(fit, plan)
        names = "before the moves (carrier's share done)", "after the moves"
    unit = _unit(fit, before)
    scale = along(axes, fit.mirror.segments)
    zero_line(axes)
    artists = draw_curve(axes, curve(fit.placed, before), scale, unit[0], names[0], BENEATH)
    artists += draw_curve(axes, curve(fit.placed, after), scale, unit[0], names[1], ABOVE)
    axes.set_ylabel(f"{fit.placed.quantity} error [{unit[1]}]")
    legend_above(axes)
    return artists


def draw_remaining(axes: Axes, fit: EllipseFit, plan: CorrectionPlan | None = None) -> list[Artist]:
    """Draw what `draw_residual` draws as 'after', alone and on its own scale."""
    after = fit.residual if plan is None else before_after(fit, plan)[1]
    if plan is None:
        label = "height and tilt of each segment taken away, enlarged"
    else:
        label = "after the moves, enlarged" if plan.moves else "after the carrier's move"
    return _draw_error(axes, fit, after, _unit(fit, after), f"{fit.placed.quantity} error", label)


def draw_slope_error(axes: Axes, fit: EllipseFit) -> list[Artist]:
    """Draw the slope error, each segment's height and tilt taken away: filtered if heights were measured."""
    slope = fit.figure.slope_error
    return _draw_error(axes, fit, slope, practical_unit(largest(slope), "angle"), "slope error")


def draw_height_error(axes: Axes, fit: EllipseFit) -> list[Artist]:
    """Draw the height error, each segment's height and tilt taken away: integrated if slopes were measured."""
    height = fit.figure.height_error
    return _draw_error(axes, fit, height, practical_unit(largest(height), "length"), "height error")


def _draw_error(
    axes: Axes, fit: EllipseFit, error: FloatArray, unit: tuple[float, str], what: str, label: str = ""
) -> list[Artist]:
    """One error along the mirror, on its own scale."""
    scale = along(axes, fit.mirror.segments)
    zero_line(axes)
    artists = draw_curve(axes, curve(fit.placed, error), scale, unit[0], label or what, ABOVE)
    axes.set_ylabel(f"{what} [{unit[1]}]")
    legend_above(axes)
    return artists


def draw_segments(axes: Axes, fit: EllipseFit, quantity: Literal["height", "tilt"]) -> list[Artist]:
    """Draw the height or tilt of each segment relative to the fitted ellipse, with standard uncertainty.

    Heights are drawn at the middles, each on the straight line that the segment stands on.
    """
    states = [
        (segment, state)
        for segment, state in zip(fit.mirror.segments, fit.segments, strict=True)
        if getattr(state, quantity) is not None
    ]
    values = np.array([getattr(state, quantity) for _, state in states], dtype=float)
    sure = [getattr(state, f"{quantity}_stderr") for _, state in states]
    stderr = np.array([np.nan if value is None else value for value in sure])
    factor, name = practical_unit(largest(values), "length" if quantity == "height" else "angle")
    scale = along(axes, fit.mirror.segments)
    zero_line(axes)
    artists: list[Artist] = []
    if quantity == "height":
        from matplotlib.collections import LineCollection

        ends = [
            [
                (x / scale, ((state.height or 0.0) + (state.tilt or 0.0) * (x - segment.middle)) / factor)
                for x in (segment.start, segment.end)
            ]
            for segment, state in states
        ]
        lines = LineCollection(ends, colors=WARM, linewidths=2.6, label="line of the segment")
        axes.add_collection(lines)
        artists.append(lines)
    middles = np.array([segment.middle for segment, _ in states]) / scale
    points = axes.errorbar(
        middles,
        values / factor,
        yerr=stderr / factor,
        fmt="o" if quantity == "height" else "D",
        markersize=4,
        color=INK,
        elinewidth=1.2,
        capsize=3,
        label=f"{quantity} ± standard uncertainty",
    )
    artists += [part for part in points.get_children() if part is not None]
    axes.autoscale_view()
    axes.set_ylabel(f"{quantity} [{name}]")
    legend_above(axes)
    return artists


def draw_moves(axes: Axes, plan: CorrectionPlan) -> list[Artist]:
    """Draw, for each adjuster, a bar of its travel, where it stands and where it goes; one row each."""
    travel = {
        (segment.name, adjuster.name): adjuster.travel
        for segment in plan.mirror.segments
        for adjuster in segment.adjusters
    }
    rows = np.arange(len(plan.moves))
    ranges = np.array([travel[move.segment, move.adjuster] for move in plan.moves]).reshape(-1, 2)
    factor, name = practical_unit(largest(ranges), "length")
    start, stop = (np.array([getattr(move, key) for move in plan.moves]) / factor for key in ("start", "stop"))
    low, high = ranges.T / factor
    _shade_rows(axes, plan.moves)
    bars = axes.barh(
        rows, high - low, left=low, height=0.5, facecolor="#dfe3e1", edgecolor=QUIET, linewidth=0.7, label="travel"
    )
    paths = axes.hlines(rows, start, stop, colors=INK, linewidth=1.6)
    stands = axes.plot(
        start, rows, "o", markersize=5, markerfacecolor="white", markeredgecolor=INK, label="stands", zorder=3
    )
    goes = axes.plot(stop, rows, "D", markersize=4.5, color=WARM, markeredgecolor=INK, label="goes to", zorder=4)
    limits = [
        axes.annotate(
            "AT LIMIT",
            (1.0, row),
            xycoords=axes.get_yaxis_transform(),
            xytext=(3, 0),
            textcoords="offset points",
            va="center",
            fontsize=7,
            fontweight="bold",
        )
        for row, move in zip(rows, plan.moves, strict=True)
        if move.at_limit
    ]
    axes.set_yticks(rows, [f"{move.segment}  {move.adjuster}" for move in plan.moves], parse_math=False)
    axes.tick_params(axis="y", length=0)
    margin = 0.02 * float(np.ptp([low.min(), high.max()]))
    axes.set_xlim(low.min() - margin, high.max() + margin)
    axes.set_ylim(len(plan.moves) - 0.4, -0.6)  # the first segment on top
    axes.grid(axis="x", color=GRID, linewidth=0.5)
    axes.set_xlabel(f"position of the adjuster [{name}], positive raises the surface")
    legend_above(axes)
    return [*bars, paths, *stands, *goes, *limits]


def shape_figure(fit: EllipseFit) -> Figure:
    """Profile with ellipse, small, above the deviation from nominal."""
    with our_style():
        figure, (upper, lower) = stack((0.9, 2.0))
        draw_profile(upper, fit)
        draw_deviation(lower, fit)
        finish(upper, lower, segments=fit.mirror.segments)
    return figure


def errors_figure(fit: EllipseFit) -> Figure:
    """Height and slope error of the figure along the mirror."""
    with our_style():
        figure, (upper, lower) = stack((1.6, 1.6))
        draw_height_error(upper, fit)
        draw_slope_error(lower, fit)
        finish(upper, lower, segments=fit.mirror.segments)
    return figure


def segments_figure(fit: EllipseFit) -> Figure:
    """Height (where known) and tilt of each segment."""
    with our_style():
        heights = any(state.height is not None for state in fit.segments)
        figure, panels = stack((1.9, 1.6) if heights else (1.8,))
        if heights:
            draw_segments(panels[0], fit, "height")
        draw_segments(panels[-1], fit, "tilt")
        finish(*panels, segments=fit.mirror.segments)
    return figure


def residual_figure(fit: EllipseFit, plan: CorrectionPlan | None = None) -> Figure:
    """Error before and after on one scale, and the latter enlarged; after the carrier's move if it is alone."""
    with our_style():
        if plan is not None and not plan.moves:
            figure, (only,) = stack((1.8,))
            draw_remaining(only, fit, plan)
            finish(only, segments=fit.mirror.segments)
            return figure
        figure, (upper, lower) = stack((1.8, 1.6))
        draw_residual(upper, fit, plan)
        draw_remaining(lower, fit, plan)
        finish(upper, lower, segments=fit.mirror.segments)
    return figure


def moves_figure(plan: CorrectionPlan) -> Figure:
    """Moves of all adjusters against their travel."""
    with our_style():
        figure, (axes,) = stack((_moves_height(plan),))
        draw_moves(axes, plan)
    return figure


def plot_fit(fit: EllipseFit) -> Figure:
    """All that a fit has to show in one figure: shape, deviation, error and, if several, segments."""
    several = sum(state.tilt is not None for state in fit.segments) > 1
    heights = several and any(state.height is not None for state in fit.segments)
    with our_style():
        figure, panels = stack((0.9, 1.7, 1.7, *(1.7,) * heights, *(1.4,) * several))
        draw_profile(panels[0], fit)
        draw_deviation(panels[1], fit)
        draw_residual(panels[2], fit)
        if heights:
            draw_segments(panels[3], fit, "height")
        if several:
            draw_segments(panels[-1], fit, "tilt")
        finish(*panels, segments=fit.mirror.segments)
    return figure


def plot_plan(plan: CorrectionPlan, fit: EllipseFit) -> Figure:
    """All that a plan has to show in one figure: the error it mends, and the moves if there are any."""
    if not plan.moves:
        return residual_figure(fit, plan)
    with our_style():
        figure, panels = stack((1.7, 1.5, _moves_height(plan)))
        draw_residual(panels[0], fit, plan)
        draw_remaining(panels[1], fit, plan)
        draw_moves(panels[2], plan)
        finish(panels[0], panels[1], segments=plan.mirror.segments)
    return figure


def _moves_height(plan: CorrectionPlan) -> float:
    """Room for one row an adjuster [inch]."""
    return max(1.0, 0.185 * len(plan.moves))


def _unit(fit: EllipseFit, values: FloatArray) -> tuple[float, str]:
    return practical_unit(largest(values), "length" if fit.placed.quantity == "height" else "angle")


def _shade_rows(axes: Axes, moves: tuple[Move, ...]) -> None:
    """Shade the rows of every other segment."""
    names = list(dict.fromkeys(move.segment for move in moves))
    for row, move in enumerate(moves):
        if names.index(move.segment) % 2:
            axes.axhspan(row - 0.5, row + 0.5, color=SHADE, linewidth=0, zorder=0)
