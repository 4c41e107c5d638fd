"""What a page's script must know of a figure to tell the values at a cursor: where its axes are, and its curves.

The values themselves are read off the drawn paths, so nothing stands twice in the page.
"""

from __future__ import annotations

import json
import re
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from ellipsefit.arrays import FloatArray

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Name of an axis up to its unit or what else is said of it, and the unit.
_NAME, _UNIT = re.compile(r"[^\[,;]*"), re.compile(r"\[([^\]]*)\]")


def mark_curves(figure: Figure) -> list[list[dict[str, Any]]]:
    """Give every curve that the legend names an id; returns, for each axes, what the script is told of them.

    A band whose label is the curve's with an underscore before it holds that curve's extremes.
    """
    found = []
    for place, axes in enumerate(figure.axes):
        curves: list[dict[str, Any]] = []
        bands = {str(band.get_label()): band for band in axes.collections}
        for artist, label in _named(axes):
            gid = f"c{place}.{len(curves)}"
            artist.set_gid(gid)
            entry: dict[str, Any] = {"id": gid, "name": label}
            band = bands.get(f"_{label}")
            if band is not None:
                band.set_gid(f"{gid}b")
                entry["band"] = f"{gid}b"
            curves.append(entry)
        found.append(curves)
    return found


def _named(axes: Axes) -> list[tuple[Artist, str]]:
    """Curves of more than one point with a name of their own."""
    from matplotlib.container import ErrorbarContainer

    named: list[tuple[Artist, str]] = [
        (line, str(line.get_label()))
        for line in axes.get_lines()
        if not str(line.get_label()).startswith("_") and _along_x(np.asarray(line.get_xdata(), dtype=np.float64))
    ]
    for container in axes.containers:
        if isinstance(container, ErrorbarContainer) and container.lines[0] is not None:
            label = str(container.get_label())
            if not label.startswith("_"):
                named.append((container.lines[0], label))
    return named


def _along_x(x: FloatArray) -> bool:
    """Whether points follow each other along x, so that a cursor finds one value."""
    known = x[np.isfinite(x)]
    return len(known) > 2 and bool((np.diff(known) >= 0).all())


def cursor_data(figure: Figure, curves: list[list[dict[str, Any]]], name: str) -> str:
    """JSON for the page's script, after the figure was drawn; empty where there is nothing to read off."""
    width, height = figure.get_size_inches() * 72
    panels = []
    for axes, own in zip(figure.axes, curves, strict=True):
        if not own:
            continue
        box = axes.get_position()
        panels.append(
            {
                "box": [round(v, 2) for v in (box.x0 * width, (1 - box.y1) * height, box.x1 * width)]
                + [round((1 - box.y0) * height, 2)],
                "x": _axis(axes, "x"),
                "y": _axis(axes, "y"),
                "curves": [
                    {key: f"{name}-{value}" if key != "name" else value for key, value in curve.items()}
                    for curve in own
                ],
                "parts": json.loads(str(axes.get_label()) or "[]"),  # panels.along leaves them there
            }
        )
    # axes one above the other share the name of the lowest
    for above, below in reversed(list(pairwise(panels))):
        if not above["x"]["name"] and above["x"]["ends"] == below["x"]["ends"]:
            above["x"]["name"], above["x"]["unit"] = below["x"]["name"], below["x"]["unit"]
    return json.dumps(panels, separators=(",", ":"), ensure_ascii=False) if panels else ""


def _axis(axes: Axes, which: str) -> dict[str, Any]:
    from matplotlib.dates import AutoDateLocator

    axis = getattr(axes, f"{which}axis")
    label = axis.get_label_text().replace("\n", " ")
    name, unit = _NAME.match(label), _UNIT.search(label)
    dated = isinstance(axis.get_major_locator(), AutoDateLocator)
    scale = "date" if dated else axis.get_scale()
    ends = [float(f"{end:.9g}") for end in getattr(axes, f"get_{which}lim")()]
    return {
        "ends": ends,
        "scale": scale,
        "name": "" if name is None else name[0].strip(),
        "unit": "" if unit is None else unit[1],
    }
