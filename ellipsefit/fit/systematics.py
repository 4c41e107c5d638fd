"""Errors that all points share: how each, at one standard uncertainty, changes the measured surface.

They enter the covariance as correlated inputs (JCGM 100:2008, 5.2) and the uncertainty budget by name.
"""

from __future__ import annotations

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.fit.reduction import Reduction
from ellipsefit.mirror import Measurement


def systematic_patterns(reduction: Reduction, ellipse: Ellipse, how: Measurement) -> dict[str, FloatArray]:
    """Changes of the node values by one standard uncertainty of each input that is uncertain at all.

    Parameters
    ----------
    reduction : Reduction
    ellipse : Ellipse
        The surface.
    how : Measurement
        The mirror's measurement, with the standard uncertainties of its inputs.

    Returns
    -------
    dict of str to array, shape (K,)
        By name: x origin, x scale, height gain (slope gain for slopes), temperature, sag.
    """
    nodes, heights = reduction.nodes, reduction.quantity == "height"
    # a curve measured at x + dx seems to differ by its derivative times dx
    curve = ellipse.height(nodes) if heights else ellipse.slope(nodes)
    steep = ellipse.slope(nodes) if heights else ellipse.curvature(nodes)
    stretched = nodes * steep - (curve if heights else 0.0)
    sag = [
        (3 * (2 * (part.nodes - part.middle) / part.length) ** 2 - 1) / 2
        if heights
        else 6 * (2 * (part.nodes - part.middle) / part.length) / part.length
        for part in reduction.segments
    ]
    inputs: dict[str, tuple[float, FloatArray]] = {
        "x origin": (how.x_uncertainty, steep),
        "x scale": (how.x_scale_uncertainty, nodes * steep),
        "height gain" if heights else "slope gain": (how.gain_uncertainty, curve),
    }
    if how.expansion is not None:
        inputs["temperature"] = (how.expansion * how.temperature_uncertainty, stretched)
    inputs["sag common to all segments"] = (how.sag_uncertainty, np.concatenate(sag))
    return {name: size * pattern for name, (size, pattern) in inputs.items() if size}
