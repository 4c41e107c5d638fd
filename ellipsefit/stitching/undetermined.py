"""What the scans leave open: how it was fixed, and the uncertainty that the profile carries along it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.rows import number
from ellipsefit.stitching.ambiguity import Ambiguity
from ellipsefit.stitching.conditioned import ConditionedScan
from ellipsefit.stitching.normal import FEW_KNOTS, Effects
from ellipsefit.stitching.result import Undetermined
from ellipsefit.stitching.spreads import Spreads


def undetermined(
    item: Ambiguity,
    effects: Effects,
    spreads: Spreads,
    place: FloatArray,
    factor: FloatArray,
    conditioned: Sequence[ConditionedScan],
) -> Undetermined:
    """How an ambiguity was fixed, and the uncertainty that the profile carries along it."""
    kind: Literal["length", "angle"] = "length" if effects.heights else "angle"
    fixed_by, known = "nothing: it stands in the profile as part of the mirror", False
    if item.kind == "pose":
        height = "height" in item.function
        fixed_by = f"the {'heights' if height else 'tilts'} of the scans are zero on average"
        known = len(conditioned) > 2
        kind = "length" if height else "angle"
    elif item.kind == "drift":
        fixed_by = "nothing: it is taken as none, and stands in the profile as part of the mirror"
    elif item.partners:
        kind = "angle" if item.kind == "line" else kind
        held = []
        if "guide" in item.partners:
            spread = number(spreads.guide.spread, "length" if effects.heights else "angle", digits=2)
            held.append(
                "the guide is taken as straight, as asked for"
                if effects.guide is None
                else "the guide's error is taken as a stationary random function of the carriage (spread "
                f"{spread}, correlation length {number(spreads.guide.length, 'length')}, as the scans tell)"
            )
        if "drift" in item.partners:
            spread = number(spreads.drift, "length" if effects.heights else "angle", digits=2)
            held.append(f"the drift of each scan is taken as random about zero (spread {spread}, as the scans tell)")
        fixed_by, known = ", and ".join(held), not ("guide" in item.partners and effects.guide is None)
    return Undetermined(
        function=item.function,
        fixed_by=fixed_by,
        stderr=left_open(item, effects.heights, place, factor) if known else None,
        kind=kind,
        remedy=item.remedy,
        ambiguity=item,
    )


def left_open(item: Ambiguity, heights: bool, place: FloatArray, factor: FloatArray) -> float:
    """Standard uncertainty that the covariance carries along an ambiguity: its amplitude over the mirror."""
    middle, half = (place[0] + place[-1]) / 2, max(float(place[-1] - place[0]) / 2, 1e-12)
    few = slice(None, None, max(len(place) // FEW_KNOTS, 1))  # the patterns are smooth
    place, factor = place[few], factor[few]
    s = (place - middle) / half
    if item.kind == "periodic":
        return _periodic(place, factor, item.period or 1.0)
    if item.kind == "shape":  # rms over the mirror, a parabola set aside
        basis = np.vander(s, 3)
        rest = factor - basis @ np.linalg.lstsq(basis, factor, rcond=None)[0]
        return float(np.sqrt(np.mean(np.einsum("ij,ij->i", rest, rest))))
    degree = item.degree or 0
    if degree == 1 and heights:
        return _along(s * half, factor)
    if degree == 0:
        return _along(np.ones_like(s), factor)
    lower = np.vander(s, degree)
    return _along(s**degree - lower @ np.linalg.lstsq(lower, s**degree, rcond=None)[0], factor)


def _along(pattern: FloatArray, factor: FloatArray) -> float:
    """Standard uncertainty of the coefficient of a pattern, by least squares on the profile."""
    return float(np.linalg.norm(pattern @ factor) / (pattern @ pattern))


def _periodic(place: FloatArray, factor: FloatArray, period: float) -> float:
    """Rms over the mirror of the standard uncertainty along sinusoids of the period, the parabola set aside."""
    parabola = np.vander(place / np.abs(place).max(), 3)
    factor = factor - parabola @ np.linalg.lstsq(parabola, factor, rcond=None)[0]
    harmonics = np.arange(1, 9)
    phase = 2 * np.pi * harmonics[:, None] * place[None, :] / period
    basis = np.concatenate([np.cos(phase), np.sin(phase)]).T
    fit = basis @ np.linalg.lstsq(basis, factor, rcond=None)[0]
    return float(np.sqrt(np.mean(np.einsum("ij,ij->i", fit, fit))))
