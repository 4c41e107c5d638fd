"""From a measured mirror and a beam to what its errors cost at the focus.

Exact rays over the measured surface (`rays`), diffraction by direct summation (`waves`), an analytic model with
exact derivatives (`model`) and, from it, the loss tree (`losses`), what could be done (`what_if`) and tolerances
(`tolerances`), which campaigns of exact rays verify (`campaign`).
"""

from ellipsefit.focus.beam import Beam, Coating, Distribution
from ellipsefit.focus.campaign import simulate, verify
from ellipsefit.focus.figures import FigureError
from ellipsefit.focus.focus import spot_in, trace_focus, trace_surface
from ellipsefit.focus.result import FocusResult
from ellipsefit.focus.surface import Piece, Surface, measured_surface
from ellipsefit.focus.tolerances import Tolerances, allocate_tolerances

__all__ = [
    "Beam",
    "Coating",
    "Distribution",
    "FigureError",
    "FocusResult",
    "Piece",
    "Surface",
    "Tolerances",
    "allocate_tolerances",
    "measured_surface",
    "simulate",
    "spot_in",
    "trace_focus",
    "trace_surface",
    "verify",
]
