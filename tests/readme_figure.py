"""The figure at the top of the README, from the demo: `python -m tests.readme_figure` draws it anew."""

from __future__ import annotations

from pathlib import Path

from matplotlib.figure import Figure

import ellipsefit as ef
from ellipsefit.report.figures import draw_profile, draw_remaining, draw_residual
from ellipsefit.report.panels import finish, stack
from ellipsefit.report.style import our_style

TARGET = Path(__file__).parents[1] / "notebooks" / "demo.png"


def figure() -> Figure:
    """The demo mirror as measured, its segments' errors, and what the planned moves leave."""
    mirror, scans, _ = ef.demo_scans()
    fit = ef.fit_ellipse(ef.stitch(scans, mirror).profile, mirror)
    plan = ef.plan_corrections(fit)
    with our_style():
        drawn, panels = stack((0.9, 1.7, 1.4))
        draw_profile(panels[0], fit)
        draw_residual(panels[1], fit, plan)
        draw_remaining(panels[2], fit, plan)
        finish(*panels, segments=mirror.segments)
    return drawn


if __name__ == "__main__":
    figure().savefig(TARGET, dpi=130, metadata={"Software": None})
