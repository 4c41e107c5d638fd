"""Figures of the light at the focus draw the result's numbers; the page's section stands alone."""

from __future__ import annotations

import re
from functools import cache

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.testing import assert_allclose

from ellipsefit.ellipse import Ellipse
from ellipsefit.focus import Beam, Coating, Distribution, FocusResult, trace_surface
from ellipsefit.report.focus_figures import draw_caustic, draw_line_spread, draw_losses, draw_spot, plot_focus
from ellipsefit.report.focus_section import focus_section
from ellipsefit.report.pieces import Picture, Tables
from ellipsefit.report.style import our_style
from tests.focus_cases import mirror_of, neutrons, surface_of, x_rays


@cache
def result_of(kind: str) -> FocusResult:
    rng = np.random.default_rng(3)
    if kind == "x-ray":
        surface = surface_of(Ellipse(42.0, 0.6, 3e-3), count=1, length=0.36, gap=0.0, pose_tilt=2e-7)
        beam: Beam = x_rays(source=Distribution(shape="gaussian", width=2e-5), aperture=2e-6, coherence="source")
    else:
        surface = surface_of(heights=rng.normal(0, 5e-6, 18), tilts=rng.normal(0, 10e-6, 18))
        beam = neutrons(aperture=1e-3, source=Distribution(width=3e-4), coating=Coating(m=3.0))
    return trace_surface(surface, mirror_of(surface, deflection="up"), beam)


def axes_of() -> Axes:
    return Figure().subplots()


def test_the_spot_s_curve_holds_the_light_that_is_in_the_window() -> None:
    result, axes = result_of("neutron"), axes_of()
    draw_spot(axes, result)
    line = next(item for item in axes.lines if item.get_label() == "light")
    x, y = line.get_xdata(), line.get_ydata()
    held = np.trapezoid(np.asarray(y, float), np.asarray(x, float))
    assert 0.9 < held <= 1.001
    assert "share per" in axes.get_ylabel()


def test_the_caustic_s_bands_are_narrowest_about_the_best_focus() -> None:
    result, axes = result_of("neutron"), axes_of()
    draw_caustic(axes, result)
    labels = [text.get_text() for text in axes.get_legend().get_texts()]  # type: ignore[union-attr]  # there is one
    assert labels == ["90 % of the light", "50 %", "single rays", "plane", "best focus"]
    mark = next(item for item in axes.lines if item.get_label() == "best focus")
    assert_allclose(float(np.asarray(mark.get_xdata(), float)[0]) * 1e-3, result.best_focus.along, rtol=1e-9)


def test_bars_are_the_shares() -> None:
    result, axes = result_of("neutron"), axes_of()
    draw_losses(axes, result)
    widths = [patch.get_width() for patch in axes.patches]  # type: ignore[attr-defined]  # bars are rectangles
    assert_allclose(widths, [100 * loss.share for loss in result.losses], rtol=1e-12)
    assert [text.get_text() for text in axes.get_yticklabels()] == [loss.name for loss in result.losses]


def test_the_line_spread_s_peak_is_the_strehl_ratio() -> None:
    result, axes = result_of("x-ray"), axes_of()
    assert result.line is not None
    draw_line_spread(axes, result.line)
    peaks = [float(np.asarray(line.get_ydata(), float).max()) for line in axes.lines[1:3]]
    # of 12 points to a width, 0.886 of a null's distance, the nearest to a peak sinc**2 lies so much below it, at most
    below = 1 - np.sinc(0.886 / 24) ** 2
    assert_allclose(peaks, [1.0, result.line.strehl], rtol=float(below))


@pytest.mark.parametrize("kind", ["x-ray", "neutron"])
def test_a_result_draws_itself(kind: str) -> None:
    figure = plot_focus(result_of(kind))
    assert len(figure.axes) == (4 if kind == "x-ray" else 3)
    with our_style():
        figure.canvas.draw()
    assert result_of(kind).plot() is not None


@pytest.mark.parametrize("kind", ["x-ray", "neutron"])
def test_the_section_says_all_and_needs_nothing_else(kind: str) -> None:
    section = focus_section(result_of(kind))
    pictures = [item.svg for item in section.items if isinstance(item, Picture)]
    assert len(pictures) == (4 if kind == "x-ray" else 3)
    text = " ".join([*pictures, *(html for item in section.items if isinstance(item, Tables) for html in item.html)])
    assert "What costs how much" in text
    assert not re.search(r"(?:href|src)=\"(?!#)", text)
    ids = re.findall(r' id="([^"]*)"', text)
    assert len(ids) == len(set(ids))
