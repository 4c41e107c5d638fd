"""Raw scans -> one Profile: conditioning, joining, guide self-calibration, drift."""

from ellipsefit.stitch.ambiguity import Ambiguity, scan_ambiguities
from ellipsefit.stitch.conditioning import StitchSettings
from ellipsefit.stitch.joining import stitch
from ellipsefit.stitch.result import Stitched, StitchedScan, Undetermined

__all__ = [
    "Ambiguity",
    "StitchSettings",
    "Stitched",
    "StitchedScan",
    "Undetermined",
    "scan_ambiguities",
    "stitch",
]
