"""Where axes stand on a figure: as much room about each as its words need, measured once.

matplotlib's constrained layout does the same, but sets out all ticks a dozen times; that was a third of a page's time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, Final

import numpy as np
from matplotlib.layout_engine import LayoutEngine

from ellipsefit.arrays import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure
    from matplotlib.transforms import BboxBase

#: About what stands around axes, and at the edges of the figure [pt].
PAD: Final = 3.0
#: Other ticks may be chosen where axes have another size, and then need other room.
MOST_TIMES: Final = 3
SIDES: Final = ("left", "right", "bottom", "top")


@dataclass(frozen=True, slots=True)
class _Name:
    """The name of an axis: on which side it stands, how far off the axes, and how thick it is [px]."""

    axis: Axis
    side: str
    offset: float
    size: float


@dataclass(frozen=True, slots=True)
class _Room:
    """What stands around axes but for the names of its axis, by side [px], and these names."""

    beyond: dict[str, float]
    names: tuple[_Name, ...]


class SnugLayout(LayoutEngine):
    """Axes of one grid, as large as what stands around them allows, names of y axes below each other if `aligned`."""

    _adjust_compatible: ClassVar[bool] = False
    _colorbar_gridspec: ClassVar[bool] = False

    def __init__(self, *, aligned: bool = True) -> None:
        super().__init__()
        self._aligned = aligned

    def execute(self, fig: Figure) -> None:
        """Set the axes in their places; called by whatever draws the figure."""
        canvas: Any = fig
        self.settle(fig, canvas._get_renderer())

    def settle(self, fig: Figure, renderer: Any) -> None:
        """The same by the letters of a renderer; if it is the one that draws, it measures each word once."""
        own = [axes for axes in fig.axes if axes.get_subplotspec() is not None]
        if not own:
            return
        for _ in range(MOST_TIMES):
            ticks = _ticks(own)
            _place(fig, own, [_room_about(axes, renderer) for axes in own], renderer, aligned=self._aligned)
            if _ticks(own) == ticks:
                return


def _ticks(several: Sequence[Axes]) -> list[tuple[float, ...]]:
    return [tuple(map(float, axis.get_majorticklocs())) for axes in several for axis in (axes.xaxis, axes.yaxis)]


def _room_about(axes: Axes, renderer: Any) -> _Room:
    """Measure what stands around axes."""
    axes.apply_aspect()
    box = axes.get_window_extent()
    beyond = dict.fromkeys(SIDES, 0.0)
    names, shown = [], []
    for child in axes.child_axes:  # a second axis goes where its parent has been put
        place = child.get_axes_locator()
        child.apply_aspect(None if place is None else place(child, renderer))
    for axis in (axis for one in (axes, *axes.child_axes) for axis in (one.xaxis, one.yaxis)):
        if not (axes.axison and axis.get_visible()) or _mute(axis):
            continue
        label = axis.label
        axis.set_label_coords(0.5, 0.5)  # or its place would be found anew from all ticks, here and when drawn
        label.set_visible(False)
        reach = _reach(box, axis.get_tightbbox(renderer))
        label.set_visible(True)
        if axis.get_label_text():
            side, extent = axis.get_label_position(), label.get_window_extent(renderer)
            size = extent.height if side in ("bottom", "top") else extent.width
            names.append(_Name(axis, side, reach[side] + _pixels(axes, axis.labelpad), size))
        beyond = {side: max(beyond[side], reach[side]) for side in SIDES}
        shown.append(axis)
    for axis in shown:
        axis.set_visible(False)
    reach = _reach(box, axes.get_tightbbox(renderer, for_layout_only=True))
    for axis in shown:
        axis.set_visible(True)
    return _Room({side: max(beyond[side], reach[side]) for side in SIDES}, tuple(names))


def _mute(axis: Axis) -> bool:
    """Whether an axis has ticks alone, which nothing has to make room for."""
    shown = axis.get_tick_params()
    return not axis.get_label_text() and not any(shown.get(f"label{side}", False) for side in SIDES)


def _reach(box: BboxBase, extent: BboxBase | None) -> dict[str, float]:
    """How far something reaches beyond a box, by side [px]."""
    if extent is None or not np.isfinite(extent.extents).all():
        return dict.fromkeys(SIDES, 0.0)
    far = (box.x0 - extent.x0, extent.x1 - box.x1, box.y0 - extent.y0, extent.y1 - box.y1)
    return {side: max(float(value), 0.0) for side, value in zip(SIDES, far, strict=True)}


def _pixels(artist: Any, points: float) -> float:
    """A length in points as pixels of its figure."""
    return float(points * artist.get_figure().dpi / 72)


def _place(figure: Figure, own: Sequence[Axes], rooms: Sequence[_Room], renderer: Any, *, aligned: bool) -> None:
    """Share the figure out: margins as wide as they must be, the rest in the grid's ratios."""
    spans = [_spans(axes) for axes in own]
    grid: Any = own[0].get_gridspec()
    rows, columns = grid.get_geometry()
    pad = _pixels(own[0], PAD)
    offsets = _offsets(rooms, spans, aligned=aligned)
    margins = {side: np.zeros(columns if side in ("left", "right") else rows) for side in SIDES}
    for room, span, offset in zip(rooms, spans, offsets, strict=True):
        for side in SIDES:
            here = [offset[name.side] + name.size for name in room.names if name.side == side]
            place = span[side]
            margins[side][place] = max(margins[side][place], room.beyond[side], *here)
    head = sum(part.get_window_extent(renderer).height + 2 * pad for part in (*figure.legends, *figure.texts))
    across = _shared(figure.bbox.width, margins["left"], margins["right"], grid.get_width_ratios(), pad)
    down = _shared(figure.bbox.height - head, margins["top"], margins["bottom"], grid.get_height_ratios(), pad)
    if across is None or down is None:
        return  # so small a figure has no room for its words: left as it is
    width, height = figure.bbox.width, figure.bbox.height
    for axes, room, span, offset in zip(own, rooms, spans, offsets, strict=True):
        x0, x1 = across[0][span["left"]], across[1][span["right"]]
        y1, y0 = height - head - down[0][span["top"]], height - head - down[1][span["bottom"]]
        canvas: Any = axes
        canvas._set_position((x0 / width, y0 / height, (x1 - x0) / width, (y1 - y0) / height))  # stays in the layout
        axes.apply_aspect()
        box = axes.get_window_extent()
        for name in room.names:
            off = offset[name.side]
            x, y = off / box.width, off / box.height
            at = {"left": (-x, 0.5), "right": (1 + x, 0.5), "bottom": (0.5, -y), "top": (0.5, 1 + y)}[name.side]
            name.axis.set_label_coords(*at, transform=axes.transAxes)


def _spans(axes: Axes) -> dict[str, int]:
    """First and last column and row of the grid that axes take."""
    spec: Any = axes.get_subplotspec()
    return {
        "left": spec.colspan.start,
        "right": spec.colspan.stop - 1,
        "top": spec.rowspan.start,
        "bottom": spec.rowspan.stop - 1,
    }


def _offsets(rooms: Sequence[_Room], spans: Sequence[dict[str, int]], *, aligned: bool) -> list[dict[str, float]]:
    """How far off its axes the name on each side stands [px]; of those in one column, all as the farthest."""
    found = [{name.side: name.offset for name in room.names} for room in rooms]
    if aligned:
        for column in {span["left"] for span in spans}:
            those = [one for one, span in zip(found, spans, strict=True) if span["left"] == column and "left" in one]
            farthest = max((one["left"] for one in those), default=0.0)
            for one in those:
                one["left"] = farthest
    return found


def _shared(
    whole: float, before: FloatArray, after: FloatArray, ratios: Sequence[float] | None, pad: float
) -> tuple[FloatArray, FloatArray] | None:
    """Begin and end of each column (or row) of axes in so many pixels; None: there is no room."""
    shares = np.ones(len(before)) if ratios is None else np.asarray(ratios, dtype=np.float64)
    room = whole - float(before.sum() + after.sum()) - 2 * pad * len(before)
    if room <= 0:
        return None
    sizes = room * shares / shares.sum()
    taken = before + sizes + after + 2 * pad
    begins = np.concatenate([[0.0], np.cumsum(taken)[:-1]]) + pad + before
    return begins, begins + sizes
