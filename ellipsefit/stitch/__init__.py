"""Raw scans -> one Profile: conditioning, joining, guide self-calibration, drift."""

from ellipsefit.stitch.ambiguity import Ambiguity, scan_ambiguities
from ellipsefit.stitch.conditioning import StitchSettings
from ellipsefit.stitch.joining import stitch
from ellipsefit.stitch.planning import PlannedScan, ScanPlan, plan_scans
from ellipsefit.stitch.result import Stitched, StitchedScan, Undetermined

__all__ = [
    "Ambiguity",
    "PlannedScan",
    "ScanPlan",
    "StitchSettings",
    "Stitched",
    "StitchedScan",
    "Undetermined",
    "plan_scans",
    "scan_ambiguities",
    "stitch",
]
