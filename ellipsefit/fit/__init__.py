"""Profile -> EllipseFit: one reduction of the data, then everything works on a dozen numbers a segment."""

from ellipsefit.fit.campaigns import Previous, previous_campaign
from ellipsefit.fit.conflict import PriorCheck
from ellipsefit.fit.ellipse_fit import fit_ellipse
from ellipsefit.fit.prior import Prior, parse_prior
from ellipsefit.fit.result import EllipseFit, FitSettings, FocusShift, Pose, SegmentState

__all__ = [
    "EllipseFit",
    "FitSettings",
    "FocusShift",
    "Pose",
    "Previous",
    "Prior",
    "PriorCheck",
    "SegmentState",
    "fit_ellipse",
    "parse_prior",
    "previous_campaign",
]
