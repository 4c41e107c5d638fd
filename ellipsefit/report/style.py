"""One look for all figures: told apart by tone, weight and marker, so that colour is never needed."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from ellipsefit.report.cursor import cursor_data, mark_curves

if TYPE_CHECKING:
    from matplotlib.figure import Figure

INK: Final = "#17324d"  # what counts most: dark in grey, too
WARM: Final = "#d98a3d"  # what it is compared with: half as dark
SHADE: Final = "#eef0ee"  # every other segment
QUIET: Final = "#6f7a80"  # axes, names, limits
GRID: Final = "#d5d9d7"  # lines to read values by

#: Figures are drawn for this width [inch] and shown as wide as the page's text.
WIDTH: Final = 7.4

# the font that comes with matplotlib, drawn as outlines: a page looks the same on a machine without it
STYLE: Final[dict[str, Any]] = {
    "font.family": "DejaVu Sans",
    "font.size": 8.5,
    "axes.labelsize": 8.5,
    "axes.titlesize": 9,
    "axes.edgecolor": QUIET,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.prop_cycle": f"cycler(color={[INK, WARM, QUIET]})",
    "axes.formatter.use_mathtext": False,
    "axes.unicode_minus": True,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": "black",
    "ytick.labelcolor": "black",
    "xtick.labelsize": 8,
    "ytick.labelsize": 8,
    "legend.fontsize": 8,
    "legend.frameon": False,
    "figure.facecolor": "white",
    "svg.fonttype": "path",
    "svg.hashsalt": "ellipsefit",
    "path.simplify": True,
}

_NUMBER: Final = re.compile(r"-?\d+\.\d{3,}")


@contextmanager
def our_style() -> Iterator[None]:
    """Draw and save in our style, whatever the user's settings are; they are restored afterwards."""
    from matplotlib import style

    with style.context(STYLE, after_reset=True):
        yield


@contextmanager
def without_glyph_warnings() -> Iterator[None]:
    """Save without a warning for each sign that the font lacks: a name in such a script shows boxes."""
    import warnings

    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        yield


def as_svg(figure: Figure, name: str, label: str) -> str:
    """Figure as an SVG element for a page: same bytes each time, own ids, nothing from elsewhere.

    Parameters
    ----------
    figure : Figure
    name : str
        Put before every id, so that several figures share a page.
    label : str
        What the figure shows, for whoever cannot see it.
    """
    import html

    from matplotlib.backends.backend_svg import FigureCanvasSVG, RendererSVG

    from ellipsefit.report.layout import SnugLayout

    buffer = io.StringIO()
    nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    curves = mark_curves(figure)
    with our_style(), without_glyph_warnings():  # the tables show such names well
        # `savefig` would draw everything twice, and measure all words three times
        FigureCanvasSVG(figure)
        figure.set_dpi(72)
        make: Any = RendererSVG
        renderer = make(*figure.bbox.size, buffer, image_dpi=72, metadata=nothing)
        engine = figure.get_layout_engine()
        if isinstance(engine, SnugLayout):
            engine.settle(figure, renderer)
            figure.set_layout_engine("none")
        figure.draw(renderer)
        renderer.finalize()
        figure.set_layout_engine(engine)
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)
    text = re.sub(r"<style.*?</style>\s*", "", text, flags=re.DOTALL)  # it would reach the whole page
    text = re.sub(r"<!--.*?-->\s*", "", text, flags=re.DOTALL)
    text = re.sub(r'(<[^>]*?) id="', rf'\1 id="{name}-', text)
    text = text.replace('xlink:href="#', f'href="#{name}-').replace("url(#", f"url(#{name}-")
    text = re.sub(r' d="[^"]*"', lambda found: _NUMBER.sub(_rounded, found[0]), text)
    found = re.search(r'viewBox="[^"]*"', text)
    view = "" if found is None else found[0]
    cursor = html.escape(cursor_data(figure, curves, name))
    told = f' data-cursor="{cursor}"' if cursor else ""
    opening = f'<svg {view} role="img" aria-label="{html.escape(label)}"{told} style="stroke-linejoin:round">'
    return re.sub(r"<svg.*?>", lambda _: opening, text, count=1, flags=re.DOTALL)


def _rounded(found: re.Match[str]) -> str:
    """A coordinate to a hundredth of a point, below what any screen or printer shows."""
    return f"{float(found[0]):.2f}".rstrip("0").rstrip(".")
