"""Reflectivity of a supermirror, and what decides it: momentum transfer and the critical angle of nickel.

The critical angle of natural nickel is theta_c = lambda sqrt(rho / pi) with rho = N b its scattering length
density, so Q_c = 4 pi theta_c / lambda = 4 sqrt(pi rho); m counts in units of it (common practice).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ellipsefit.arrays import FloatArray
from ellipsefit.focus.beam import Coating


def momentum_transfer(grazing: npt.ArrayLike, wavelength: npt.ArrayLike) -> FloatArray:
    """Q = 4 pi sin(grazing) / wavelength [1/m]; grazing in rad, wavelength in m."""
    return np.asarray(4 * np.pi * np.sin(grazing) / np.asarray(wavelength), dtype=np.float64)


def critical_q(scattering_length_density: float) -> float:
    """Momentum transfer up to which a plain surface reflects totally [1/m], from N b [1/m**2]."""
    return float(4 * np.sqrt(np.pi * scattering_length_density))


def supermirror(q: npt.ArrayLike, m: npt.ArrayLike, coating: Coating) -> FloatArray:
    """Reflectivity at momentum transfer q.

    R0 up to Q_c; above, R0/2 (1 - tanh((Q - m Q_c)/W)) (1 - alpha (Q - Q_c)), not below 0; everything times
    exp(-(Q sigma)**2) for a roughness sigma. The empirical formula of the trade, with its constants (R0 0.99,
    alpha 5 angstrom, W 0.003 / angstrom), from memory.

    Parameters
    ----------
    q : array
        Momentum transfer [1/m].
    m : array
        Cut-off in units of Q_c, one for each q or one for all; NaN: no coating is stated, all is reflected.
    coating : Coating
    """
    q, m = np.asarray(q, dtype=np.float64), np.asarray(m, dtype=np.float64)
    edge = coating.critical_q
    fall = 0.5 * (1 - np.tanh((q - m * edge) / coating.width)) * np.maximum(1 - coating.slope * (q - edge), 0.0)
    value = coating.reflectivity * np.where(q <= np.minimum(m, 1.0) * edge, 1.0, np.minimum(fall, 1.0))
    return np.asarray(np.where(np.isnan(m), 1.0, value * np.exp(-((q * coating.roughness) ** 2))), dtype=np.float64)
