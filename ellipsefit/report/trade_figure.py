"""The figure of what remains against how much is moved."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ellipsefit.align import TradeOff
from ellipsefit.report.panels import largest, legend_above, stack
from ellipsefit.report.style import GRID, INK, WARM, our_style
from ellipsefit.units import practical_unit

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def draw_trade_off(axes: Axes, trade: TradeOff) -> list[Artist]:
    """Draw the worst error left over the travel in total, with the number of screws, and the plan's own place."""
    points = sorted(trade.points, key=lambda point: point.travel)
    travel = np.array([point.travel for point in (*points, trade.plan)])
    worst = np.array([point.worst for point in (*points, trade.plan)])
    across, up = practical_unit(largest(travel), "length"), practical_unit(largest(worst), "length")
    artists: list[Artist] = [
        *axes.plot(
            travel[:-1] / across[0],
            worst[:-1] / up[0],
            "o-",
            color=INK,
            markersize=4,
            linewidth=1.2,
            label="least possible",
        ),
        *axes.plot(
            travel[-1:] / across[0],
            worst[-1:] / up[0],
            "D",
            color=WARM,
            markeredgecolor=INK,
            markersize=6,
            label="this plan, rounded to steps",
        ),
    ]
    artists += [
        axes.annotate(
            str(point.screws),
            (point.travel / across[0], point.worst / up[0]),
            xytext=(4, 4),
            textcoords="offset points",
            fontsize=7,
        )
        # the last ones may stand so close that their numbers would touch
        for point, after in zip(points, (*points[1:], None), strict=True)
        if after is None or abs(after.travel - point.travel) > 0.025 * points[-1].travel
    ]
    axes.set_ylim(bottom=0)
    axes.grid(color=GRID, linewidth=0.5)
    axes.set_xlabel(f"travel of all adjusters together [{across[1]}]; numbers: screws that move")
    axes.set_ylabel(f"worst error left [{up[1]}]")
    legend_above(axes)
    return artists


def trade_off_figure(trade: TradeOff) -> Figure:
    """What remains against how much is moved."""
    with our_style():
        figure, (axes,) = stack((2.6,))
        draw_trade_off(axes, trade)
    return figure
