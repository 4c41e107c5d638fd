"""Figures of a stitched profile; each `draw_*(axes, stitched)` returns its artists and shows nothing."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from ellipsefit.arrays import FloatArray
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
from ellipsefit.report.stitch_curves import (
    MOST_SCANS,
    aligned_deviation,
    common_line,
    drift_of,
    drifts,
    joined_curve,
    residual_by_time,
    scan_curve,
    shown_scans,
)
from ellipsefit.report.style import GRID, INK, QUIET, WARM, our_style
from ellipsefit.stitching import Stitched
from ellipsefit.units import practical_unit

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Scans that overlap are told apart by taking these in turn.
TONES: Final = (INK, WARM, QUIET)
#: Marker and colour of a masked point, by reason.
MARKS: Final[dict[str, tuple[str, str]]] = {
    "invalid": ("x", INK),
    "outside": ("|", QUIET),
    "edge": (".", QUIET),
    "roll-off": ("^", WARM),
    "spike": ("D", WARM),
}
#: Markers of one reason; of more points, neighbours share one.
MOST_MARKS: Final = 1000
#: Spans of scans drawn behind the markers.
MOST_SPANS: Final = 200
#: Blocks of a scan whose mean residual is drawn.
MEANS: Final = 24


def draw_scans(axes: Axes, stitched: Stitched) -> list[Artist]:
    """Draw the scans as measured, each with its own height and tilt, minus nominal and the profile's line."""
    line = common_line(stitched)
    curves = [
        scan_curve(stitched, number, scan.deviation - line(scan.x))
        for number, scan in ((number, stitched.conditioned[number]) for number in shown_scans(stitched))
    ]
    factor, unit = _unit(stitched, max(largest(curve.middle) for curve in curves))
    scale = along(axes, stitched.mirror.segments)
    zero_line(axes)
    artists: list[Artist] = []
    for place, curve in enumerate(curves):
        look = {**ABOVE, "color": TONES[place % len(TONES)]}
        artists += draw_curve(axes, curve, scale, factor, "scans as measured" if place == 0 else "_", look)
    axes.set_ylabel(f"{stitched.profile.quantity} minus\nnominal [{unit}]")
    legend_above(axes)
    return artists


def draw_aligned(axes: Axes, stitched: Stitched) -> list[Artist]:
    """Draw the scans after alignment and the profile joined from them, minus nominal and the profile's line."""
    line = common_line(stitched)
    joined = joined_curve(stitched, line)
    factor, unit = _unit(stitched, largest(joined.middle))
    scale = along(axes, stitched.mirror.segments)
    zero_line(axes)
    artists: list[Artist] = []
    for place, number in enumerate(shown_scans(stitched)):
        aligned = aligned_deviation(stitched, number) - line(stitched.conditioned[number].x)
        label = "scans after alignment" if place == 0 else "_"
        artists += draw_curve(axes, scan_curve(stitched, number, aligned), scale, factor, label, BENEATH)
    artists += draw_curve(axes, joined, scale, factor, "joined profile", ABOVE)
    axes.set_ylabel(f"{stitched.profile.quantity} minus\nnominal [{unit}]")
    legend_above(axes)
    return artists


def draw_differences(axes: Axes, stitched: Stitched) -> list[Artist]:
    """Draw what each scan differs by from the joined profile, a row each: value / `row_pitch` below its row."""
    scans, pitch = shown_scans(stitched), row_pitch(stitched)
    scale = along(axes, stitched.mirror.segments)
    thin, means = {**BENEATH, "linewidth": 0.6}, {**ABOVE, "linewidth": 1.4}
    artists: list[Artist] = []
    for row, number in enumerate(scans):
        rest = stitched.residuals[number]
        curve = scan_curve(stitched, number, row * pitch - rest)  # rows count downwards
        artists += draw_curve(axes, curve, scale, pitch, "scan minus joined profile" if row == 0 else "_", thin)
        x, mean = _block_means(stitched.conditioned[number].x, rest)
        label = f"mean of {100 / MEANS:.0f} % of a scan" if row == 0 else "_"
        artists += axes.plot(x / scale, row - mean / pitch, label=label, **means)
    factor, unit = _unit(stitched, pitch)
    _scan_rows(axes, stitched, scans)
    axes.set_ylabel(f"one row: {pitch / factor:.3g} {unit}")
    legend_above(axes)
    return artists


def row_pitch(stitched: Stitched) -> float:
    """Distance of two rows in `draw_differences` [m or rad]: round, and at the least 5 times the residual."""
    typical = float(np.median([scan.residual_rms for scan in stitched.scans]))
    least = 5 * max(typical, 1e-15)
    decade = 10.0 ** np.floor(np.log10(least))
    return float(next(step * decade for step in (1, 1.5, 2, 3, 4, 5, 6, 8, 10) if step * decade >= least))


def draw_guide(axes: Axes, stitched: Stitched) -> list[Artist]:
    """Draw the guide's error over the carriage, less its mean line, with one standard uncertainty to each side."""
    error, stderr = stitched.guide_error, stitched.guide_stderr
    factor, unit = _unit(stitched, largest(np.abs(error) + stderr))
    scale, name = practical_unit(largest(stitched.guide_carriage), "length")
    carriage = stitched.guide_carriage / scale
    zero_line(axes)
    band = axes.fill_between(
        carriage,
        (error - stderr) / factor,
        (error + stderr) / factor,
        color=WARM,
        alpha=0.45,
        linewidth=0,
        label="± one standard uncertainty",
    )
    line = axes.plot(carriage, error / factor, label="error of the guide", **{**ABOVE, "linewidth": 1.4})
    axes.margins(x=0.01)
    axes.grid(axis="y", color=GRID, linewidth=0.5)
    axes.set_xlabel(f"carriage [{name}]")
    axes.set_ylabel(f"{'error' if stitched.profile.quantity == 'height' else 'pitch error'} [{unit}]")
    legend_above(axes)
    return [band, *line]


def draw_drift(axes: Axes, stitched: Stitched) -> list[Artist]:
    """Draw the drift of each scan that stitching took away, beyond a line, over the time since its start."""
    curves = []
    for number in shown_scans(stitched):
        drift, time = drift_of(stitched, number), stitched.conditioned[number].scan.time
        if drift is not None and time is not None:
            few = np.linspace(0, len(time) - 1, min(len(time), 61)).astype(np.intp)
            curves.append((time[few] - time[0], drift[few]))
    factor, unit = _unit(stitched, max((largest(drift) for _, drift in curves), default=0.0))
    scale, name = _time_unit(max((float(time[-1]) for time, _ in curves), default=0.0))
    zero_line(axes)
    artists: list[Artist] = []
    for place, (time, drift) in enumerate(curves):
        beyond = ", beyond a line" if stitched.profile.quantity == "height" else ""
        label = f"drift of each scan{beyond}" if place == 0 else "_"
        look = {**ABOVE, "color": TONES[place % len(TONES)], "linewidth": 1.0}
        artists += axes.plot(time / scale, drift / factor, label=label, **look)
    axes.set_ylabel(f"drift [{unit}]")
    _time_axis(axes, name)
    return artists


def draw_time_residual(axes: Axes, stitched: Stitched) -> list[Artist]:
    """Draw the mean residual of all scans over the time since each one's start, with its standard uncertainty."""
    found = residual_by_time(stitched)
    if found is None:
        return []
    time, mean, stderr = found
    factor, unit = _unit(stitched, largest(np.abs(mean) + stderr))
    scale, name = _time_unit(float(time[-1]))
    zero_line(axes)
    points = axes.errorbar(
        time / scale,
        mean / factor,
        yerr=stderr / factor,
        fmt="o",
        markersize=3.5,
        color=INK,
        elinewidth=1.0,
        capsize=2,
        label="left by time, mean of all scans ± standard uncertainty",
    )
    axes.set_ylabel(f"residual [{unit}]")
    _time_axis(axes, name)
    return [part for part in points.get_children() if part is not None]


def draw_masks(axes: Axes, stitched: Stitched) -> list[Artist]:
    """Draw where each scan lies and which of its points are masked, a marker for each reason."""
    count = len(stitched.scans)
    scale = along(axes, stitched.mirror.segments)
    low, high = axes.get_xlim()
    spans = np.unique(np.linspace(0, count - 1, min(count, MOST_SPANS)).round().astype(np.intp))
    ends = np.array([(scan.x.min(), scan.x.max()) for scan in (stitched.conditioned[number] for number in spans)])
    artists: list[Artist] = [
        axes.hlines(spans, ends[:, 0] / scale, ends[:, 1] / scale, colors="#c3cac8", linewidths=1.0, zorder=1)
    ]
    for reason, number in stitched.masked.items():
        marker, colour = MARKS.get(reason, ("s", INK))
        x, row = _masked_places(stitched, reason)
        artists += axes.plot(
            x / scale,
            row,
            marker,
            markersize=4.5,
            color=colour,
            markeredgecolor=INK if marker in "^D" else colour,
            markeredgewidth=1.2 if marker in "x|" else 0.5,
            label=f"{reason} ({number})",
            zorder=3,
        )
    every = [place for place in ends.ravel() / scale if np.isfinite(place)]
    axes.set_xlim(min(low, *every), max(high, *every))
    if count <= MOST_SCANS:
        _scan_rows(axes, stitched, list(range(count)))
    else:
        axes.set_ylim(count - 0.5, -0.5)
        axes.set_ylabel("number of the scan, from 0")
    legend_above(axes)
    return artists


def _masked_places(stitched: Stitched, reason: str) -> tuple[FloatArray, FloatArray]:
    """Masked points of one reason: x and number of the scan; of many, one in each cell of a grid."""
    found = [np.flatnonzero(scan.reason == reason) for scan in stitched.conditioned]
    rows = np.repeat(np.arange(len(found)), [len(own) for own in found])
    x = np.concatenate([scan.x[own] for scan, own in zip(stitched.conditioned, found, strict=True)])
    if len(x) <= MOST_MARKS:
        return x, rows.astype(np.float64)
    groups = min(len(found), MOST_SCANS)
    width = max(float(np.ptp(x)), 1e-12) / (MOST_MARKS / groups)
    place = np.stack([np.floor((x - x.min()) / width), rows * groups // len(found)])
    first = np.sort(np.unique(place, axis=1, return_index=True)[1])
    return x[first], rows[first].astype(np.float64)


def scans_figure(stitched: Stitched) -> Figure:
    """Scans as measured, and after alignment with the joined profile."""
    with our_style():
        figure, (upper, lower) = stack((1.7, 1.9))
        draw_scans(upper, stitched)
        draw_aligned(lower, stitched)
        finish(upper, lower, segments=stitched.mirror.segments)
    return figure


def differences_figure(stitched: Stitched) -> Figure:
    """Each scan minus the joined profile."""
    with our_style():
        figure, (axes,) = stack((_rows_height(stitched, 0.3),))
        draw_differences(axes, stitched)
        finish(axes, segments=stitched.mirror.segments)
    return figure


def guide_figure(stitched: Stitched) -> Figure:
    """Error of the profilometer's guide."""
    with our_style():
        figure, (axes,) = stack((1.7,))
        draw_guide(axes, stitched)
    return figure


def drift_figure(stitched: Stitched) -> Figure:
    """Drift that was taken away, if there is any, and what is left by time."""
    with our_style():
        found = drifts(stitched)
        figure, panels = stack((1.5, 1.4) if found else (1.5,))
        draw_time_residual(panels[-1], stitched)
        if found:
            draw_drift(panels[0], stitched)
            _same_time(*panels)
    return figure


def masks_figure(stitched: Stitched) -> Figure:
    """What is masked, and why."""
    with our_style():
        figure, (axes,) = stack((_rows_height(stitched, 0.2),))
        draw_masks(axes, stitched)
        finish(axes, segments=stitched.mirror.segments)
    return figure


def plot_stitched(stitched: Stitched) -> Figure:
    """All that stitching has to show in one figure; what was not solved for or not masked has no panel."""
    beside: list[tuple[float, Callable[[Axes, Stitched], Any]]] = []
    if len(stitched.guide_carriage):
        beside.append((1.5, draw_guide))
    if has_times(stitched):
        if drifts(stitched):
            beside.append((1.4, draw_drift))
        beside.append((1.3, draw_time_residual))
    masked = bool(stitched.masked)
    with our_style():
        heights = [1.7, 1.9, _rows_height(stitched, 0.26), *((_rows_height(stitched, 0.18),) * masked)]
        figure, panels = stack((*heights, *(height for height, _ in beside)))
        over_x = (draw_scans, draw_aligned, draw_differences, *((draw_masks,) * masked))
        for axes, draw in zip(panels, over_x, strict=False):
            draw(axes, stitched)
        finish(*panels[: len(over_x)], segments=stitched.mirror.segments)
        for axes, (_, draw_beside) in zip(panels[len(over_x) :], beside, strict=True):
            draw_beside(axes, stitched)
        if drifts(stitched) and has_times(stitched):
            _same_time(*panels[-2:])
    return figure


def has_times(stitched: Stitched) -> bool:
    """Whether every scan tells the times of its points."""
    return residual_by_time(stitched) is not None


def _rows_height(stitched: Stitched, row: float) -> float:
    """Room for one row a scan [inch], closer where there are many."""
    return max(1.2, row * min(len(stitched.scans), 20), 0.17 * len(shown_scans(stitched)))


def _scan_rows(axes: Axes, stitched: Stitched, scans: list[int]) -> None:
    """Rows named by their scans, the first on top."""
    rows = np.arange(len(scans))
    names = [_short(stitched.scans[number].name) for number in scans]
    axes.set_yticks(rows, names, fontsize=7, parse_math=False)
    axes.tick_params(axis="y", length=0)
    axes.set_ylim(len(scans) - 0.35, -0.65)


def _short(name: str, most: int = 24) -> str:
    return name if len(name) <= most else f"{name[: most - 1]}…"


def _block_means(x: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean place and value of equal blocks of the points that have a value."""
    known = np.isfinite(values)
    order = np.argsort(x[known], kind="stable")
    parts = [np.array_split(array[known][order], min(MEANS, int(known.sum()))) for array in (x, values)]
    places, means = (np.array([part.mean() for part in pieces]) for pieces in parts)
    return places, means


def _unit(stitched: Stitched, value: float) -> tuple[float, str]:
    return practical_unit(value, "length" if stitched.profile.quantity == "height" else "angle")


def _time_unit(value: float) -> tuple[float, str]:
    """Unit in which a duration reads best: factor to seconds and name."""
    return (1.0, "s") if value < 300 else (60.0, "min") if value < 3 * 3600 else (3600.0, "h")


def _same_time(upper: Axes, lower: Axes) -> None:
    """One axis of time for two panels."""
    lower.set_xlim(upper.get_xlim())
    upper.set_xlabel("")
    upper.tick_params(labelbottom=False)


def _time_axis(axes: Axes, unit: str) -> None:
    axes.margins(x=0.01)
    axes.grid(axis="y", color=GRID, linewidth=0.5)
    axes.set_xlabel(f"time since the start of the scan [{unit}]")
    legend_above(axes)
