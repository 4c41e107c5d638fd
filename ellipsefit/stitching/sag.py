"""Sag of a segment under its own weight, on two symmetric supports."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.errors import ParameterError

#: Standard acceleration of free fall [m/s**2] (3rd CGPM, 1901).
GRAVITY: Final = 9.80665
#: Distance of a support from its end, over the length: end faces stay parallel (Airy points).
AIRY: Final = (1 - 1 / math.sqrt(3)) / 2


def weight_over_stiffness(density: float, modulus: float, thickness: float) -> float:
    """Weight per length over bending stiffness of a plate of even thickness [1/m**3].

    Parameters
    ----------
    density : float
        [kg/m**3].
    modulus : float
        Young's modulus [Pa].
    thickness : float
        [m].

    Raises
    ------
    ParameterError
        If one of them is not positive.
    """
    for name, value in (("density", density), ("modulus", modulus), ("thickness", thickness)):
        if not 0 < value < math.inf:
            raise ParameterError(f"{name} must be positive; got {value!r}")
    return 12 * density * GRAVITY / (modulus * thickness**2)


def segment_sag(x: FloatArray, *, length: float, support: float, load: float) -> FloatArray:
    """Height that a segment's weight adds to its surface, face up, relative to its supports.

    A segment face down bends the other way against its own surface, so reversal doesn't remove this.

    Parameters
    ----------
    x : array, shape (N,)
        Position from the segment's middle [m].
    length : float
        Of the segment [m].
    support : float
        Distance of each support from its end [m], 0 <= support < length / 2.
    load : float
        Weight per length over bending stiffness [1/m**3], as `weight_over_stiffness` gives it.

    Returns
    -------
    array, shape (N,)
        [m]; negative where the surface sinks.

    Raises
    ------
    ParameterError
        If a support lies beyond the middle, or a position beyond the ends.
    """
    half = _half(x, length, support)
    place = half - support

    def bent(at: FloatArray) -> FloatArray:
        # Euler-Bernoulli, twice the integral of the moment half (c - s) - (half - s)**2 / 2 between the supports;
        # beyond them the reaction is taken off again
        moment = half * (place * at**2 / 2 - at**3 / 6) - (half - at) ** 4 / 24 - half**3 * at / 6
        beyond: FloatArray = moment + half * np.maximum(at - place, 0.0) ** 3 / 6
        return beyond

    sag: FloatArray = load * (bent(np.abs(np.asarray(x, dtype=np.float64))) - bent(np.array(place)))
    return sag


def segment_sag_slope(x: FloatArray, *, length: float, support: float, load: float) -> FloatArray:
    """Slope of `segment_sag`, its derivative [rad]; arguments and errors are the same."""
    half = _half(x, length, support)
    place = half - support
    at = np.abs(np.asarray(x, dtype=np.float64))
    bent = half * (place * at - at**2 / 2) + (half - at) ** 3 / 6 - half**3 / 6
    slope: FloatArray = load * np.sign(x) * (bent + half * np.maximum(at - place, 0.0) ** 2 / 2)
    return slope


def _half(x: FloatArray, length: float, support: float) -> float:
    if not 0 < length < math.inf:
        raise ParameterError(f"length must be positive; got {length!r}")
    if not 0 <= support < length / 2:
        raise ParameterError(f"support must lie within half the length of {length:g} m from its end; got {support!r}")
    half = length / 2
    if not (np.abs(x) <= half * (1 + 1e-12)).all():
        raise ParameterError(f"x must lie within {half:g} m of the segment's middle")
    return half
