"""Figures and the report page; what draws or renders is loaded when it is first called."""

from ellipsefit.report.cautions import CAUTIONS
from ellipsefit.report.figures import errors_figure, plot_fit, plot_plan
from ellipsefit.report.focus_figures import plot_focus
from ellipsefit.report.history_figure import plot_history
from ellipsefit.report.moves import moves_table
from ellipsefit.report.page import render_report, write_report
from ellipsefit.report.place_figures import plot_placement, plot_seasons, reach_figure
from ellipsefit.report.place_page import (
    render_drift_report,
    render_place_report,
    write_drift_report,
    write_place_report,
)
from ellipsefit.report.saving import figure_format, save_figure
from ellipsefit.report.spectrum_figure import plot_spectrum
from ellipsefit.report.stitch_figures import plot_stitched
from ellipsefit.report.trade_figure import trade_off_figure
from ellipsefit.report.uncertainty import plot_uncertainty
from ellipsefit.report.verdict import Verdict, verdict

__all__ = [
    "CAUTIONS",
    "Verdict",
    "errors_figure",
    "figure_format",
    "moves_table",
    "plot_fit",
    "plot_focus",
    "plot_history",
    "plot_placement",
    "plot_plan",
    "plot_seasons",
    "plot_spectrum",
    "plot_stitched",
    "plot_uncertainty",
    "reach_figure",
    "render_drift_report",
    "render_place_report",
    "render_report",
    "save_figure",
    "trade_off_figure",
    "verdict",
    "write_drift_report",
    "write_place_report",
    "write_report",
]
