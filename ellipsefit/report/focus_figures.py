"""Figures of the light at the focus; each `draw_*(axes, ...)` returns its artists and shows nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.focus.result import FocusResult
from ellipsefit.focus.waves import LineSpread
from ellipsefit.report.panels import ABOVE, BENEATH, legend_above, stack, zero_line
from ellipsefit.report.style import INK, QUIET, SHADE, WARM, our_style
from ellipsefit.units import practical_unit

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Points along a drawn curve, and single rays in a caustic.
POINTS: Final = 700
SINGLE: Final = 72
#: Rays of which the bands of a caustic are made: a share of 5 % is known within 0.3 %.
SOME: Final = 8000
#: Planes across which a caustic's bands are drawn.
PLANES: Final = 81


def draw_spot(axes: Axes, result: FocusResult) -> list[Artist]:
    """Draw the light over the plane, with the aperture and the widths that hold 50 and 90 %."""
    spot, beam = result.spot, result.beam
    low, high = _window(result)
    factor, unit = practical_unit(max(abs(low), abs(high)), "length")
    artists: list[Artist] = []
    if beam.aperture is not None:
        ends = [beam.aperture_offset + side * beam.aperture / 2 for side in (-1, 1)]
        label = f"aperture, {100 * result.throughput:.3g} % of the beam"
        artists.append(
            axes.axvspan(ends[0] / factor, ends[1] / factor, color=SHADE, linewidth=0, zorder=0, label=label)
        )
    place, density = _sampled(spot.place, spot.density, low, high)
    share = density * factor
    artists.append(axes.fill_between(place / factor, share, color=INK, alpha=0.18, linewidth=0))
    artists += axes.plot(place / factor, share, label="light", **ABOVE)
    top = float(share.max()) or 1.0
    for height, width, text in ((1.09, spot.width_90, "90 %"), (1.04, spot.width_50, "50 %")):
        ends = [(spot.centroid_across + side * width / 2) / factor for side in (-1, 1)]
        artists += axes.plot(ends, [height * top] * 2, color=WARM, linewidth=2.2, solid_capstyle="butt")
        artists.append(
            axes.annotate(
                text, (ends[1], height * top), xytext=(3, 0), textcoords="offset points", va="center", fontsize=7
            )
        )
    artists.append(axes.axvline(spot.centroid_across / factor, color=QUIET, linewidth=0.7, linestyle=(0, (4, 3))))
    axes.set_xlim(low / factor, high / factor)
    axes.set_ylim(0, 1.16 * top)
    axes.set_xlabel(f"across the chief ray [{unit}]")
    axes.set_ylabel(f"light, share per {unit}")
    legend_above(axes)
    return artists


def draw_caustic(axes: Axes, result: FocusResult) -> list[Artist]:
    """Draw rays about the focus, and the stretches that hold 50 and 90 % of the light in each plane."""
    along, across, weight = _rays_about(result)
    best, plane = result.best_focus, result.beam.plane
    x_factor, x_unit = practical_unit(float(np.abs(along).max()), "length")
    bands = [_quantiles(across[:, index], weight, (0.05, 0.25, 0.5, 0.75, 0.95)) for index in range(len(along))]
    level = np.array(bands)
    y_factor, y_unit = practical_unit(float(np.abs(level).max()) or 1e-9, "length")
    x = along / x_factor
    artists: list[Artist] = [
        axes.fill_between(
            x,
            level[:, 0] / y_factor,
            level[:, 4] / y_factor,
            color=WARM,
            alpha=0.3,
            linewidth=0,
            label="90 % of the light",
        ),
        axes.fill_between(
            x, level[:, 1] / y_factor, level[:, 3] / y_factor, color=WARM, alpha=0.65, linewidth=0, label="50 %"
        ),
    ]
    order = np.argsort(across[:, -1] - across[:, 0], kind="stable")
    cumulated = np.cumsum(weight[order])
    chosen = order[np.searchsorted(cumulated, (np.arange(SINGLE) + 0.5) / SINGLE * cumulated[-1])]
    ends = np.array([0, len(along) - 1])
    for number, ray in enumerate(chosen):
        label = "single rays" if number == 0 else None
        artists += axes.plot(x[ends], across[ray, ends] / y_factor, color=INK, linewidth=0.35, alpha=0.7, label=label)
    artists.append(axes.axvline(plane / x_factor, color=QUIET, linewidth=0.9, linestyle=(0, (4, 3)), label="plane"))
    artists += axes.plot(
        [best.along / x_factor],
        [best.across / y_factor],
        marker="D",
        color=INK,
        markersize=4.5,
        linestyle="",
        label="best focus",
    )
    margin = 0.6 * float(level[:, 4].max() - level[:, 0].min()) / y_factor * 0.1
    axes.set_xlim(x[0], x[-1])
    axes.set_ylim(level[:, 0].min() / y_factor - margin, level[:, 4].max() / y_factor + margin)
    axes.set_xlabel(f"along the chief ray, from the nominal image focus [{x_unit}]")
    axes.set_ylabel(f"across it [{y_unit}]")
    axes.legend(
        loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=5, handlelength=1.6, borderpad=0.0, columnspacing=1.2
    )
    return artists


def draw_losses(axes: Axes, result: FocusResult) -> list[Artist]:
    """Draw each error's share of the loss as a bar with its standard uncertainty."""
    losses = result.losses
    places = np.arange(len(losses))[::-1]
    shares = np.array([100 * loss.share for loss in losses])
    errors = [100 * (loss.stderr or 0.0) for loss in losses]
    artists: list[Artist] = list(axes.barh(places, shares, height=0.62, color=INK))
    axes.errorbar(shares, places, xerr=errors, fmt="none", ecolor=WARM, elinewidth=2.0, capsize=3.0)
    span = max(float(np.abs(shares).max()), 0.1)
    for place, share, error in zip(places, shares, errors, strict=True):
        side = 1 if share >= 0 else -1
        artists.append(
            axes.annotate(
                f"{share:.2f} %".replace("-0.00", "0.00"),
                (share + side * error, place),
                xytext=(5 * side, 0),
                textcoords="offset points",
                va="center",
                ha="left" if side > 0 else "right",
                fontsize=7.5,
            )
        )
    axes.set_yticks(places, [loss.name for loss in losses])
    axes.axvline(0.0, color=QUIET, linewidth=0.7)
    low = min(float(shares.min()), 0.0)
    axes.set_xlim(low * 1.25 - 0.02 * span - 0.14 * span * (low < 0), max(float(shares.max()), 0.0) + 0.2 * span)
    axes.set_xlabel(f"share of the beam [%]; together {100 * (1 - result.throughput):.2f} %")
    axes.tick_params(axis="y", length=0)
    return artists


def draw_line_spread(axes: Axes, line: LineSpread) -> list[Artist]:
    """Draw the line spread with diffraction beside that of the perfect mirror, shifted onto it."""
    factor, unit = practical_unit(float(np.abs(line.place).max()), "length")
    centre = line.place[len(line.place) // 2]
    zero_line(axes)
    ideal = float(line.perfect.max())
    artists: list[Artist] = list(
        axes.plot(line.place / factor, line.perfect / ideal, label="perfect mirror, moved here", **BENEATH)
    )
    artists += axes.plot(
        line.place / factor, line.density / ideal, label=f"measured mirror, Strehl ratio {line.strehl:.3g}", **ABOVE
    )
    axes.axvline(centre / factor, color=QUIET, linewidth=0.5, linestyle=(0, (4, 3)))
    axes.set_xlim(line.place[0] / factor, line.place[-1] / factor)
    axes.set_ylim(bottom=0)
    axes.set_xlabel(f"across the chief ray [{unit}]")
    axes.set_ylabel("light over the\nperfect maximum")
    legend_above(axes)
    return artists


def spot_figure(result: FocusResult) -> Figure:
    """Figure of the spot."""
    with our_style():
        figure, (axes,) = stack((2.4,))
        draw_spot(axes, result)
    return figure


def caustic_figure(result: FocusResult) -> Figure:
    """Figure of the caustic."""
    with our_style():
        figure, (axes,) = stack((2.6,))
        draw_caustic(axes, result)
    return figure


def loss_figure(result: FocusResult) -> Figure:
    """Figure of the loss tree."""
    with our_style():
        figure, (axes,) = stack((0.3 + 0.28 * len(result.losses),))
        draw_losses(axes, result)
    return figure


def line_figure(line: LineSpread) -> Figure:
    """Figure of the line spread."""
    with our_style():
        figure, (axes,) = stack((2.2,))
        draw_line_spread(axes, line)
    return figure


def plot_focus(result: FocusResult) -> Figure:
    """All of it in one figure: spot, caustic, losses and, of X-rays, the line spread."""
    with our_style():
        heights = (2.0, 2.3, 0.3 + 0.26 * len(result.losses))
        figure, panels = stack(heights if result.line is None else (*heights, 1.9), aligned=False)
        draw_spot(panels[0], result)
        draw_caustic(panels[1], result)
        draw_losses(panels[2], result)
        if result.line is not None:
            draw_line_spread(panels[3], result.line)
    return figure


def _window(result: FocusResult) -> tuple[float, float]:
    """Stretch that shows the spot, and the aperture if that is not much wider."""
    spot, beam = result.spot, result.beam
    half = max(0.75 * spot.width_90, 1e-12)
    low, high = spot.centroid_across - half, spot.centroid_across + half
    if beam.aperture is not None:
        edges = beam.aperture_offset - 0.55 * beam.aperture, beam.aperture_offset + 0.55 * beam.aperture
        if max(high, edges[1]) - min(low, edges[0]) < 8 * (high - low):
            low, high = min(low, edges[0]), max(high, edges[1])
    return low, high


def _sampled(place: FloatArray, density: FloatArray, low: float, high: float) -> tuple[FloatArray, FloatArray]:
    """Density at so many places of a window: means over what lies between."""
    edges = np.linspace(low, high, POINTS + 1)
    if len(place) < 2:
        return (edges[1:] + edges[:-1]) / 2, np.zeros(POINTS)
    cell = float(place[1] - place[0])
    cumulated = np.concatenate([[0.0], np.cumsum(density) * cell])
    bounds = np.append(place - cell / 2, place[-1] + cell / 2)
    held = np.interp(edges, bounds, cumulated)
    return (edges[1:] + edges[:-1]) / 2, np.diff(held) / np.diff(edges)


def _rays_about(result: FocusResult) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Planes about the focus (P,), where some rays cross them (R, P), and their light (R,)."""
    rays, best, plane = result.rays, result.best_focus, result.beam.plane
    step = max(rays.across.size // SOME, 1)
    y, t, w = (array.ravel()[::step] for array in (rays.across, rays.slope, rays.weight))
    centre = float(w @ t) / float(w.sum())
    opening = float(np.sqrt(w @ (t - centre) ** 2 / w.sum()))
    depth = 2.5 * result.spot.width_90 / opening if opening > 0 else 1.0
    reach = max(1.6 * abs(best.along - plane), depth / 2, 1e-9)
    along = plane + np.linspace(-reach, reach, PLANES)
    return along, y[:, None] + (along - plane) * t[:, None], w


def _quantiles(values: FloatArray, weight: FloatArray, shares: tuple[float, ...]) -> FloatArray:
    order = np.argsort(values)
    cumulated = np.cumsum(weight[order])
    return np.asarray(np.interp(np.array(shares) * cumulated[-1], cumulated, values[order]))
