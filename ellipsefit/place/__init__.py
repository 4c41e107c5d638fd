"""From survey targets to the pose of a carrier, to cam angles that mend it, and to a date for the next time."""

from ellipsefit.place.calibration import MountCalibration, RecordedMove, calibrate_mount
from ellipsefit.place.carrier import Carrier, FocusTolerance, MeasuredFoci, MountedMirror, Target
from ellipsefit.place.drift import DriftFit, DriftSettings, TemperatureLog, fit_drift
from ellipsefit.place.epochs import EpochChange, compare_surveys
from ellipsefit.place.mount import Contact, Mount
from ellipsefit.place.moves import MountPlan, plan_mount
from ellipsefit.place.pair import Pair, pair_carriers
from ellipsefit.place.placement import Placement, place_carrier
from ellipsefit.place.pose import Pose
from ellipsefit.place.rigid import RigidFit, fit_rigid_body
from ellipsefit.place.seasons import Costs, Decision, SeasonForecast, decide, forecast_seasons
from ellipsefit.place.survey import Located, Survey, locate

__all__ = [
    "Carrier",
    "Contact",
    "Costs",
    "Decision",
    "DriftFit",
    "DriftSettings",
    "EpochChange",
    "FocusTolerance",
    "Located",
    "MeasuredFoci",
    "Mount",
    "MountCalibration",
    "MountPlan",
    "MountedMirror",
    "Pair",
    "Placement",
    "Pose",
    "RecordedMove",
    "RigidFit",
    "SeasonForecast",
    "Survey",
    "Target",
    "TemperatureLog",
    "calibrate_mount",
    "compare_surveys",
    "decide",
    "fit_drift",
    "fit_rigid_body",
    "forecast_seasons",
    "locate",
    "pair_carriers",
    "place_carrier",
    "plan_mount",
]
