"""Raw scans -> one Profile: conditioning, joining, guide self-calibration, drift."""

from ellipsefit.stitching.ambiguity import Ambiguity, scan_ambiguities
from ellipsefit.stitching.conditioned import StitchSettings
from ellipsefit.stitching.joining import stitch
from ellipsefit.stitching.planning import PlannedScan, ScanPlan, plan_scans
from ellipsefit.stitching.result import Stitched, StitchedScan, Undetermined

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
