"""Figures of a placed carrier and of its seasons; each `draw_*(axes, ...)` returns its artists and shows nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.place import Placement, Pose, SeasonForecast
from ellipsefit.place.drift import DAY, YEAR, DriftFit
from ellipsefit.place.placement import Spot
from ellipsefit.report.panels import legend_above, stack, zero_line
from ellipsefit.report.style import GRID, INK, QUIET, SHADE, WARM, WIDTH, our_style
from ellipsefit.units import practical_unit

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Factor by which an ellipse of one standard deviation grows to hold 95 % of a plane Gaussian: sqrt(-2 ln 0.05).
WHOLE: Final = 2.4477
#: Directions in which the reach is followed.
DIRECTIONS: Final = 32


def draw_targets(axes: Axes, placement: Placement, across: int) -> list[Artist]:
    """Draw the targets on the carrier, seen from above (`across` = 1) or from the side (2), with their residuals."""
    names = [item.target for item in placement.residuals]
    places = np.array([placement.carrier.target(name).position for name in names])
    rest = np.array([[item.dx, item.dy, item.dz] for item in placement.residuals])
    used = np.array([item.used for item in placement.residuals])
    artists: list[Artist] = []
    spread = float(np.ptp(places[:, 0])) or 1.0
    largest = float(np.abs(rest).max())
    factor = 0.06 * spread / largest if largest else 1.0
    x, u = places[:, 0], places[:, across]
    artists += axes.plot(x[used], u[used], "o", color=INK, markersize=4, label="target")
    if (~used).any():
        artists += axes.plot(x[~used], u[~used], "s", color=WARM, markersize=6, label="left out")
    artists.append(
        axes.quiver(
            x,
            u,
            rest[:, 0] * factor,
            rest[:, across] * factor,
            angles="uv",
            scale_units="x",
            scale=1,
            width=0.003,
            color=WARM,
            label=f"residual, largest {largest * 1e6:.0f} um",
        )
    )
    for name, a, b in zip(names, x, u, strict=True):
        axes.annotate(
            name, (a, b), xytext=(4, 4), textcoords="offset points", fontsize=7, color=QUIET, parse_math=False
        )
    low, high = float(u.min()), float(u.max())
    margin = 0.5 * (high - low) + 0.05
    axes.set_ylim(low - margin, high + margin)
    axes.set_xlim(float(x.min()) - 0.08 * spread, float(x.max()) + 0.08 * spread)
    axes.set_ylabel("y [m]" if across == 1 else "z [m]")
    axes.grid(color=GRID, linewidth=0.5)
    return artists


def draw_focus(axes: Axes, placement: Placement, which: str) -> list[Artist]:
    """Draw where a focus is across the beam, minus nominal: ellipses of 68 and 95 %, tolerance, and after the moves."""
    from matplotlib.patches import Ellipse, Rectangle

    spot: Spot = getattr(placement, which)
    limit = getattr(placement.carrier.tolerance, which)
    after = None if placement.after is None else next(one for one in placement.after if one.name == which)
    shift = spot.shift[1:] * 1e6
    covariance = spot.covariance[1:, 1:] * 1e12
    values, vectors = np.linalg.eigh(covariance)
    artists: list[Artist] = []
    if np.isfinite(limit[1:]).all():
        box = Rectangle(
            (-limit[1] * 1e6, -limit[2] * 1e6), 2e6 * limit[1], 2e6 * limit[2], facecolor=SHADE, edgecolor=QUIET, lw=0.8
        )
        artists.append(axes.add_patch(box))
    angle = float(np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1])))
    for factor, style in ((1.5152, "-"), (WHOLE, "--")):  # sqrt(-2 ln(1 - 0.683))
        size = 2 * factor * np.sqrt(np.maximum(values, 0))
        ring = Ellipse((shift[0], shift[1]), size[1], size[0], angle=angle, fill=False, edgecolor=INK, ls=style, lw=1.0)
        artists.append(axes.add_patch(ring))
    artists += axes.plot(*shift, "o", color=INK, markersize=4, label="now (68 and 95 %)")
    if after is not None:
        artists += axes.plot(
            *(after.shift[1:] * 1e6), "D", color=WARM, markersize=5, markeredgecolor=INK, label="after the moves"
        )
    axes.axhline(0, color=QUIET, lw=0.6)
    axes.axvline(0, color=QUIET, lw=0.6)
    reach = max(float(np.abs(shift).max() + WHOLE * np.sqrt(values[-1])), 1.0)
    finite = limit[1:][np.isfinite(limit[1:])] * 1e6
    reach = 1.15 * max(reach, float(finite.max(initial=0.0)))
    axes.set_xlim(-reach, reach)
    axes.set_ylim(-reach, reach)
    axes.set_aspect("equal")
    axes.set_xlabel("y [um]")
    axes.set_ylabel("z [um]")
    axes.set_title(f"{which} focus, minus nominal", loc="left")
    return artists


def reach_outline(placement: Placement, one: FloatArray, other: FloatArray) -> FloatArray:
    """Outline of what the wheels reach in a plane of two twists, shape (n, 2) in units of the twists.

    The twists are about the middle of the contacts, in the mount's frame.
    """
    mount = placement.carrier.mount
    if mount is None:
        return np.zeros((0, 2))
    angle = np.linspace(0, 2 * np.pi, DIRECTIONS + 1)
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    factors = mount.extents(_about_middle(unit @ np.array([one, other]), mount.points.mean(axis=0)), most=20.0)
    outline: FloatArray = factors[:, None] * unit
    return outline


def _about_middle(twists: FloatArray, middle: FloatArray) -> FloatArray:
    """Twists of the origin, shape (n, 6), that turn about a point."""
    return np.column_stack([twists[:, :3] - np.cross(twists[:, 3:], middle), twists[:, 3:]])


def _coordinates(pose: Pose, middle: FloatArray) -> FloatArray:
    """Shift of a point of the carrier, and rotation: shape (6,)."""
    return np.concatenate([pose.apply(middle) - middle, pose.rotation])


_PLANES: Final[tuple[tuple[str, str, int, int, float, float], ...]] = (
    ("height [mm]", "pitch [mrad]", 2, 4, 1.0, -1.0),
    ("sideways [mm]", "yaw [mrad]", 1, 5, 1.0, 1.0),
    ("height [mm]", "roll [mrad]", 2, 3, 1.0, 1.0),
)


def draw_reach(axes: Axes, placement: Placement, plane: int) -> list[Artist]:
    """Draw the reach of the wheels in one of three planes, where the carrier stands and where it is to go."""
    mount, plan = placement.carrier.mount, placement.plan
    if mount is None or plan is None:
        return []
    x_name, y_name, first, second, x_sign, y_sign = _PLANES[plane]
    one, other = np.zeros(6), np.zeros(6)
    one[first], other[second] = 1e-3 * x_sign, 1e-3 * y_sign
    outline = reach_outline(placement, one, other)
    middle = mount.points.mean(axis=0)
    artists: list[Artist] = []
    artists += axes.fill(outline[:, 0], outline[:, 1], facecolor=SHADE, edgecolor=QUIET, lw=0.9, label="within reach")
    now = _coordinates(mount.pose_at(mount.angles), middle)
    to = _coordinates(plan.reach.pose, middle)
    scale = np.array([1e3 * x_sign, 1e3 * y_sign])
    start, stop = now[[first, second]] * scale, to[[first, second]] * scale
    artists += axes.plot(*start, "o", color=INK, markersize=4, label="now")
    artists += axes.plot(*stop, "D", color=WARM, markeredgecolor=INK, markersize=5, label="to go")
    axes.axhline(0, color=QUIET, lw=0.5)
    axes.axvline(0, color=QUIET, lw=0.5)
    axes.set_xlabel(x_name)
    axes.set_ylabel(y_name)
    return artists


def targets_figure(placement: Placement) -> Figure:
    """Figure of the targets and their residuals, from above and from the side."""
    with our_style():
        figure, panels = stack((1.9, 1.9))
        for axes, across in zip(panels, (1, 2), strict=True):
            draw_targets(axes, placement, across)
        legend_above(panels[0])
        panels[0].tick_params(labelbottom=False)
        panels[-1].set_xlabel("x along the carrier, downstream [m]")
    return figure


def foci_figure(placement: Placement) -> Figure:
    """Figure of both foci across the beam."""
    return _row(lambda axes, number: draw_focus(axes, placement, ("source", "image")[number]), 2, 3.6)


def reach_figure(placement: Placement) -> Figure:
    """Figure of the reach of the wheels, in three planes."""
    return _row(lambda axes, number: draw_reach(axes, placement, number), 3, 2.9)


def _row(draw: Any, count: int, height: float) -> Figure:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    from ellipsefit.report.layout import SnugLayout

    with our_style():
        figure = Figure(figsize=(WIDTH, height), layout=SnugLayout())
        FigureCanvasAgg(figure)
        panels = figure.subplots(1, count, squeeze=False)[0]
        for number, axes in enumerate(panels):
            draw(axes, number)
        handles, labels = panels[0].get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside upper right", ncols=3)
    return figure


def plot_placement(placement: Placement) -> Figure:
    """Figure of a placement: targets with residuals, from above and from the side, and both foci."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    from ellipsefit.report.layout import SnugLayout

    with our_style():
        figure = Figure(figsize=(WIDTH, 7.6), layout=SnugLayout())
        FigureCanvasAgg(figure)
        panels = figure.subplot_mosaic(
            [["above", "above"], ["side", "side"], ["source", "image"]], height_ratios=[1.6, 1.6, 3]
        )
        for name, across in (("above", 1), ("side", 2)):
            draw_targets(panels[name], placement, across)
        legend_above(panels["above"])
        panels["above"].tick_params(labelbottom=False)
        panels["side"].set_xlabel("x along the carrier, downstream [m]")
        for name in ("source", "image"):
            draw_focus(panels[name], placement, name)
        panels["source"].legend(loc="upper left", bbox_to_anchor=(0.0, -0.2), ncols=2)
    return figure


# seasons


def _days(times: FloatArray | float) -> Any:
    """Times as matplotlib counts dates: days since 1970-01-01."""
    return np.asarray(times) / DAY


def _history(fit: DriftFit) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Times between the surveys, and where the coordinate was then: mean and standard uncertainty."""
    grid = np.unique(np.concatenate([np.linspace(fit.time[0], fit.time[-1], 240), fit.time]))
    mixture = fit.forecast(grid)
    return grid, mixture.expectation(), mixture.stderr()


def draw_season(axes: Axes, forecast: SeasonForecast, which: int) -> list[Artist]:
    """Draw one coordinate: surveys, what it did between them, and the forecast with bands of 50, 80 and 95 %."""
    one = forecast.components[which]
    fit = one.fit
    factor, unit = practical_unit(float(np.abs(fit.value).max()), "length")
    grid, mean, stderr = _history(fit)
    past = _days(grid)
    artists: list[Artist] = [
        axes.fill_between(past, (mean - 2 * stderr) / factor, (mean + 2 * stderr) / factor, color=INK, alpha=0.15, lw=0)
    ]
    artists += axes.plot(past, mean / factor, color=INK, lw=1.0, label="between surveys (95 %)")
    artists += list(
        axes.errorbar(
            _days(fit.time),
            fit.value / factor,
            yerr=fit.sigma / factor,
            fmt="o",
            color=INK,
            markersize=3.5,
            elinewidth=0.8,
            label="surveys",
        ).get_children()
    )
    dates = _days(forecast.dates)
    for low, high, alpha in ((0, 6, 0.22), (1, 5, 0.3), (2, 4, 0.45)):
        band = axes.fill_between(
            dates, one.quantiles[low] / factor, one.quantiles[high] / factor, color=WARM, alpha=alpha, lw=0
        )
        artists.append(band)
    artists += axes.plot(dates, one.quantiles[3] / factor, color=WARM, lw=1.6, label="forecast (50, 80, 95 %)")
    if one.limit is not None and one.limit < 20 * np.abs(one.quantiles).max():
        for side in (-1, 1):
            line = axes.axhline(side * one.limit / factor, color=QUIET, lw=1.0, ls=(0, (5, 2)))
            artists.append(line)
    for step in fit.steps:
        artists.append(axes.axvspan(float(_days(step.before)), float(_days(step.after)), color=SHADE, lw=0, zorder=0))
    for number in fit.moved:
        middle = (fit.time[number - 1] + fit.time[number]) / 2
        artists.append(axes.axvline(float(_days(middle)), color=QUIET, lw=0.9, ls=":"))
    zero_line(axes)
    axes.set_ylabel(f"{one.name}\n[{unit}]")
    axes.grid(axis="y", color=GRID, linewidth=0.5)
    return artists


def draw_risk(axes: Axes, forecast: SeasonForecast) -> list[Artist]:
    """Draw the probability that a focus is outside tolerance against date, and when to go there."""
    dates = _days(forecast.dates)
    artists: list[Artist] = [axes.fill_between(dates, 0, forecast.risk * 100, color=WARM, alpha=0.45, lw=0)]
    artists += axes.plot(dates, forecast.risk * 100, color=INK, lw=1.2)
    for time, word, style in ((forecast.next_survey, "survey", ":"), (forecast.realign, "realign", "--")):
        if time is not None:
            when = float(_days(time))
            artists.append(axes.axvline(when, color=INK, lw=1.0, ls=style, label=word))
    axes.set_ylim(0, 100)
    axes.set_ylabel("outside\ntolerance [%]")
    axes.grid(axis="y", color=GRID, linewidth=0.5)
    if axes.get_legend_handles_labels()[0]:
        axes.legend(loc="upper left")
    return artists


def plot_seasons(forecast: SeasonForecast) -> Figure:
    """Figure of the seasons: a panel for each coordinate, and the probability of being outside tolerance."""
    with our_style():
        count = len(forecast.components)
        figure, panels = stack((*((1.45,) * count), 1.0))
        start = min(float(one.fit.time[0]) for one in forecast.components)
        span = _days(np.array([start - 0.03 * YEAR, forecast.dates[-1] + 0.03 * YEAR]))
        for number, axes in enumerate(panels[:-1]):
            draw_season(axes, forecast, number)
            axes.tick_params(labelbottom=False)
            axes.set_xlim(*span)
        legend_above(panels[0])
        draw_risk(panels[-1], forecast)
        panels[-1].set_xlim(*span)
        for axes in panels:
            axes.xaxis_date()
    return figure
