"""What all figures share: axes one above the other, the mirror along x, looks of curves and legends."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.mirror import Segment
from ellipsefit.report.curves import Curve
from ellipsefit.report.style import GRID, INK, QUIET, SHADE, WARM, WIDTH
from ellipsefit.units import practical_unit

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: More segment names than these do not fit above an axis: only every second, third, ... is written.
MOST_NAMES: Final = 20
#: Looks of a curve: the compared one wide and light beneath, the one that counts narrow and dark above.
BENEATH: Final[dict[str, Any]] = {"color": WARM, "linewidth": 2.6, "solid_capstyle": "butt"}
ABOVE: Final[dict[str, Any]] = {"color": INK, "linewidth": 0.8, "solid_capstyle": "butt"}


def stack(heights: tuple[float, ...], *, aligned: bool = True) -> tuple[Figure, list[Axes]]:
    """Empty figure with axes one above the other, of so many inches each; no window, no global state."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    from ellipsefit.report.layout import SnugLayout  # what draws is loaded when it is needed

    figure = Figure(figsize=(WIDTH, sum(heights) + 0.5 * len(heights) + 0.35), layout=SnugLayout(aligned=aligned))
    FigureCanvasAgg(figure)
    # near to where they will stand, so that ticks are chosen once
    tall = 72 * figure.get_figheight()
    near = {"left": 0.09, "right": 0.985, "bottom": 32 / tall, "top": 1 - 30 / tall, "hspace": 0.15}
    panels = figure.subplots(len(heights), 1, squeeze=False, gridspec_kw={"height_ratios": heights, **near})
    return figure, list(panels[:, 0])


def finish(*panels: Axes, segments: Sequence[Segment]) -> None:
    """Segment names on the first of axes over the same x, the axis's name under the last."""
    name_segments(panels[0], segments)
    for axes in panels[:-1]:
        axes.tick_params(labelbottom=False)
    panels[-1].set_xlabel(x_label(segments))


def along(axes: Axes, segments: Sequence[Segment]) -> float:
    """Set up x along the mirror: span, and every other segment shaded; returns the unit [m]."""
    scale, _ = x_unit(segments)
    first, last = segments[0].start, segments[-1].end
    margin = 0.01 * (last - first)
    # what a page's script tells with the position
    axes.set_label(json.dumps([[part.name, part.start / scale, part.end / scale] for part in segments]))
    spans = [(segment.start / scale, segment.length / scale) for segment in segments[1::2]]
    whole = axes.get_xaxis_transform()  # from the foot of the axes to their top
    axes.broken_barh(spans, (0.0, 1.0), transform=whole, color=SHADE, linewidth=0, zorder=0, label="_segments")
    axes.set_xlim((first - margin) / scale, (last + margin) / scale)
    axes.grid(axis="y", color=GRID, linewidth=0.5)
    return scale


def name_segments(axes: Axes, segments: Sequence[Segment]) -> None:
    """Write the segments' names above the axes, as many as fit."""
    scale, _ = x_unit(segments)
    step = -(-len(segments) // MOST_NAMES)
    for segment in segments[::step] if len(segments) > 1 else ():
        axes.annotate(
            segment.name,
            (segment.middle / scale, 1.0),
            xycoords=axes.get_xaxis_transform(),
            xytext=(0, 1),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=7,
            color=QUIET,
            parse_math=False,  # a $ in a name is a $
        )


def x_unit(segments: Sequence[Segment]) -> tuple[float, str]:
    """Unit of positions along the mirror: factor to SI and name."""
    return practical_unit(max(abs(segments[0].start), abs(segments[-1].end)), "length")


def x_label(segments: Sequence[Segment]) -> str:
    """Name of the axis along the mirror."""
    return f"x along the mirror, downstream [{x_unit(segments)[1]}]"


def largest(values: FloatArray) -> float:
    """Largest magnitude, NaN left out; 0 of nothing."""
    return float(np.nanmax(np.abs(values), initial=0.0))


def zero_line(axes: Axes) -> None:
    """Draw a dashed line at zero."""
    axes.axhline(0.0, color=QUIET, linewidth=0.7, linestyle=(0, (4, 3)), zorder=1)


def draw_curve(axes: Axes, what: Curve, scale: float, factor: float, label: str, look: dict[str, Any]) -> list[Artist]:
    """Draw a curve; where points were gathered in blocks, their extremes as a band behind the means."""
    artists: list[Artist] = []
    if what.low is not None and what.high is not None:
        artists.append(
            axes.fill_between(
                what.x / scale,
                what.low / factor,
                what.high / factor,
                color=look["color"],
                alpha=0.35,
                linewidth=0,
                label=f"_{label}",
            )
        )
    artists += axes.plot(what.x / scale, what.middle / factor, label=label, **look)
    return artists


def legend_above(axes: Axes, *, room: float = 1.6, columns: int = 3) -> None:
    """Legend above the axes, right, where no data are; `room` for the segments' names, in heights of its text."""
    axes.legend(
        loc="lower right",
        bbox_to_anchor=(1.0, 1.0),
        borderaxespad=room,
        ncols=columns,
        handlelength=1.8,
        borderpad=0.0,
        columnspacing=1.4,
    )
