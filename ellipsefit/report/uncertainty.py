"""Figure of what is known how well: confidence regions, and the budget of the image focus."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.fit import EllipseFit
from ellipsefit.fit.prior import PARAMETERS
from ellipsefit.fit.result import FOCI
from ellipsefit.report.style import GRID, INK, QUIET, WARM, WIDTH, our_style
from ellipsefit.rows import uncertainty
from ellipsefit.units import practical_unit

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Squared radii of the regions that hold two normal variables with 68.27 and 95.45 %: -2 log(1 - share).
REGIONS: Final = ((2.2957, "68 %"), (6.1801, "95 %"))
#: Pairs shown: (title, names, labels, kinds).
_PAIRS: Final = (
    ("Focal distances", ("p", "q"), ("p", "q"), ("length", "length")),
    ("Focal distance and angle", ("q", "theta"), ("q", "θ"), ("length", "angle")),
    ("Image focus", ("image_dx", "image_dz"), ("x", "z"), ("length", "length")),
    ("Source focus", ("source_dx", "source_dz"), ("x", "z"), ("length", "length")),
)


def draw_region(
    axes: Axes,
    centre: FloatArray,
    covariance: FloatArray,
    *,
    labels: tuple[str, str],
    kinds: tuple[str, str],
) -> list[Artist]:
    """Draw confidence regions of two results about their value; zero, the nominal, is marked.

    Parameters
    ----------
    axes : Axes
    centre : array, shape (2,)
        Found minus nominal, SI.
    covariance : array, shape (2, 2)
    labels : tuple of str
        Names on the axes.
    kinds : tuple of str
        length or angle.
    """
    size = np.sqrt(np.diag(covariance))
    units = [practical_unit(float(abs(c) + 2.5 * s), kind) for c, s, kind in zip(centre, size, kinds, strict=True)]
    factor = np.array([unit[0] for unit in units])
    values, vectors = np.linalg.eigh(covariance / np.outer(size, size))
    root = size[:, None] * vectors * np.sqrt(np.maximum(values, 0.0))
    angle = np.linspace(0, 2 * np.pi, 181)
    circle = np.array([np.cos(angle), np.sin(angle)])
    artists: list[Artist] = []
    for (square, share), style in zip(REGIONS, ("-", (0, (4, 2))), strict=True):
        x, z = (centre[:, None] + np.sqrt(square) * root @ circle) / factor[:, None]
        artists += axes.plot(x, z, color=INK, linewidth=1.2, linestyle=style, label=share)
    artists += axes.plot(*(centre / factor)[:, None], "o", color=INK, markersize=4, label="found")
    artists += axes.plot([0], [0], "+", color=WARM, markersize=9, markeredgewidth=2, label="nominal")
    for name, (_, unit), axis in zip(labels, units, (axes.xaxis, axes.yaxis), strict=True):
        axis.set_label_text(f"{name} minus nominal [{unit}]")
    axes.margins(0.08)
    axes.grid(color=GRID, linewidth=0.5)
    return artists


def draw_budget(axes: Axes, fit: EllipseFit) -> list[Artist]:
    """Draw a bar for each input: the standard uncertainty of the image focus, across or along, that it leaves."""
    name = next((key for key in ("image_across", "image_along") if key in fit.budget.combined), None)
    if name is None:
        return []
    items = [(item.source, item.results[name]) for item in fit.budget.contributions]
    items.append(("combined", fit.budget.combined[name]))
    sizes = np.array([value for _, value in items])
    factor, unit = practical_unit(float(sizes.max()), "length")
    rows = np.arange(len(items))
    colours = [WARM] * (len(items) - 1) + [INK]
    bars = axes.barh(rows, sizes / factor, height=0.6, color=colours)
    shown: dict[str, Any] = {"xytext": (3, 0), "textcoords": "offset points", "va": "center"}
    texts = [
        axes.annotate(uncertainty(float(value), "length"), (value / factor, row), **shown)
        for row, value in zip(rows, sizes, strict=True)
    ]
    axes.set_yticks(rows, [source for source, _ in items])
    axes.invert_yaxis()
    axes.tick_params(axis="y", length=0)
    axes.set_xlim(0, 1.12 * float(sizes.max()) / factor)
    axes.set_xlabel(f"standard uncertainty of the image focus, {name.split('_')[1]} the chief ray [{unit}]")
    return [*bars, *texts]


def plot_uncertainty(fit: EllipseFit) -> Figure:
    """Confidence regions of p, q, theta and the foci, and what makes up the uncertainty of the image focus."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    from ellipsefit.report.layout import SnugLayout

    known = [pair for pair in _PAIRS if np.isfinite(_joint(fit, pair[1])[1]).all()]
    lines = (len(known) + 1) // 2
    bars = len(fit.budget.contributions) + 1 if fit.budget.combined else 0
    with our_style():
        ratios = [2.4] * lines + ([0.24 * bars + 0.1] if bars else [])
        figure = Figure(figsize=(WIDTH, sum(ratios) + 0.55 * len(ratios) + 0.3), layout=SnugLayout())
        FigureCanvasAgg(figure)
        grid = figure.add_gridspec(max(len(ratios), 1), 2, height_ratios=ratios or None)
        for place, (title, names, labels, kinds) in enumerate(known):
            wide = place == len(known) - 1 and place % 2 == 0  # the last one alone in its line
            axes = figure.add_subplot(grid[place // 2, :] if wide else grid[place // 2, place % 2])
            draw_region(axes, *_joint(fit, names), labels=labels, kinds=kinds)
            axes.set_title(title, loc="left", color=QUIET)
            if place == 0:
                handles, texts = axes.get_legend_handles_labels()
                figure.legend(handles, texts, loc="outside upper right", ncols=4)
        if bars:
            draw_budget(figure.add_subplot(grid[lines, :]), fit)
    return figure


def _joint(fit: EllipseFit, names: tuple[str, str]) -> tuple[FloatArray, FloatArray]:
    """Found minus nominal, and the covariance of two results; NaN for what is held or unknown."""
    order: tuple[str, ...]
    if names[0] in PARAMETERS:
        order, covariance = PARAMETERS, fit.covariance
        nominal = fit.mirror.nominal
        values = [getattr(fit.ellipse, name) - getattr(nominal, name) for name in names]
    else:
        order, covariance = FOCI, fit.focus.covariance
        values = [np.nan if getattr(fit.focus, name) is None else getattr(fit.focus, name) for name in names]
    rows = [order.index(name) for name in names]
    return np.array(values, dtype=float), covariance[np.ix_(rows, rows)]
