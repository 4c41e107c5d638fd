"""The figure of a mirror's years: what was found each time, and why it changed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from ellipsefit.report.style import INK, QUIET, WARM, WIDTH, our_style
from ellipsefit.units import PRACTICAL

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_SIZES: Final = {name: size for units in PRACTICAL.values() for size, name in units} | {"rad": 1.0}
_TONES: Final = (INK, WARM, "#9fb3c1", "#5d7285", "#e7d3bd", "#c9cfcd")
_HATCHES: Final = ("", "///", "", "xxx", "...", "\\\\")


def draw_course(
    axes: Axes,
    numbers: Sequence[int],
    values: Sequence[float | None],
    stderr: Sequence[float | None],
    *,
    label: str,
    unit: str,
) -> list[Artist]:
    """Draw one quantity over the rounds, with its standard uncertainty where one is stated.

    Parameters
    ----------
    axes : Axes
    numbers : sequence of int
        Of the rounds.
    values, stderr : sequence of float or None
        SI; None: not known.
    label, unit : str
        What it is, and the unit in which it is drawn.
    """
    known = [place for place, value in enumerate(values) if value is not None]
    x = np.array([numbers[place] for place in known], dtype=np.float64)
    y = np.array([values[place] for place in known], dtype=np.float64) / _SIZES[unit]
    error = np.array([stderr[place] or 0.0 for place in known], dtype=np.float64) / _SIZES[unit]
    artists: list[Artist] = list(axes.plot(x, y, "o-", color=INK, markersize=4, linewidth=1.0))
    if error.any():
        artists += axes.errorbar(x, y, error, fmt="none", ecolor=QUIET, elinewidth=0.9, capsize=2).get_children()
    axes.set_title(f"{label} [{unit}]", loc="left")
    axes.set_xticks(list(numbers) if len(numbers) <= 10 else list(numbers)[:: -(-len(numbers) // 8)])
    axes.ticklabel_format(axis="y", useOffset=False)
    axes.margins(x=0.08, y=0.15)
    axes.grid(color="#d5d9d7", linewidth=0.5)
    return artists


def draw_shares(
    axes: Axes, names: Sequence[str], changes: Sequence[float], shares: Mapping[str, Sequence[float]]
) -> list[Artist]:
    """Draw shares of a change as bars end to end, each as a part of the largest sum of one sign; the change is marked.

    Parameters
    ----------
    axes : Axes
    names : sequence of str
        Of the quantities, downwards.
    changes : sequence of float
        SI; the sums of the shares.
    shares : mapping
        Of what changed to one share for each quantity.
    """
    rows = np.arange(len(names))
    table = np.array(list(shares.values()), dtype=np.float64).reshape(len(shares), len(names))
    size = np.maximum(np.where(table > 0, table, 0.0).sum(axis=0), -np.where(table < 0, table, 0.0).sum(axis=0))
    size[size == 0] = 1.0
    artists: list[Artist] = []
    right, left = np.zeros(len(names)), np.zeros(len(names))
    for place, (what, parts) in enumerate(zip(shares, table / size, strict=True)):
        start = np.where(parts >= 0, right, left)
        artists += axes.barh(
            rows,
            parts,
            0.6,
            left=start,
            color=_TONES[place % len(_TONES)],
            hatch=_HATCHES[place % len(_HATCHES)],
            edgecolor="white",
            linewidth=0.5,
            label=what,
        )
        right, left = np.where(parts >= 0, right + parts, right), np.where(parts < 0, left + parts, left)
    artists += axes.plot(np.asarray(changes) / size, rows, "D", color="black", markersize=4, label="change")
    axes.axvline(0.0, color=QUIET, linewidth=0.8)
    axes.set_yticks(rows, list(names))
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.set_xlabel("share of the change, relative to the larger sum of one sign")
    return artists


def plot_history(history: Any, quantities: Sequence[tuple[str, str, Any, str, str]]) -> Figure:
    """Figure of a `RecordHistory`: each of eight quantities over the rounds, and the shares of the last change."""
    from matplotlib.figure import Figure

    from ellipsefit.report.layout import SnugLayout

    why = history.attribution
    with our_style():
        figure = Figure(figsize=(WIDTH, 8.6 if why is not None else 5.6), layout=SnugLayout())
        grid = figure.add_gridspec(4 + 2 * (why is not None), 2)
        numbers = [one.number for one in history.rounds]
        for place, (key, name, _, _, unit) in enumerate(quantities):
            axes = figure.add_subplot(grid[place // 2, place % 2])
            values = [one.values[key] for one in history.rounds]
            draw_course(axes, numbers, values, [one.stderr[key] for one in history.rounds], label=name, unit=unit)
            if place >= len(quantities) - 2:
                axes.set_xlabel("round")
        if why is not None:
            axes = figure.add_subplot(grid[4:, :])
            keys = [(key, name) for key, name, *_ in quantities if key in why.values]
            shares = {
                what: [share[key] for key, _ in keys] for what, share in why.shares.items() if any(share.values())
            }
            draw_shares(axes, [name for _, name in keys], [why.change(key) for key, _ in keys], shares)
            axes.set_title(f"Why numbers changed from round {why.before} to round {why.after}", loc="left")
            axes.legend(loc="upper center", bbox_to_anchor=(0.4, -0.2), ncols=4)
        figure.suptitle(f"{history.mirror} over {len(numbers)} round{'s' * (len(numbers) != 1)}", x=0.01, ha="left")
    return figure
