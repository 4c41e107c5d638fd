"""Claimed against actual uncertainty of height differences over simulated campaigns of scans."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.stats import chi2

from ellipsefit.stitch import StitchSettings, stitch
from tests.stitch_cases import Array, Campaign, Curve, error_of, mirror_of, nothing

STARTS = (-0.50, -0.37, -0.22, -0.14, -0.03, 0.09)
POINTS, STEP, NOISE, PAIRS = 40, 0.01, 5e-8, 200
MIRROR = mirror_of((-0.55, 0.55))


def stationary(rng: np.random.Generator) -> Curve:
    """Guide error drawn from a stationary process, 0.3 um rms, correlated over 0.12 m (Matérn, 5/2)."""
    place = np.linspace(0.0, POINTS * STEP, 161)
    a = np.sqrt(5.0) * np.abs(place[:, None] - place) / 0.12
    covariance = 3e-7**2 * (1 + a + a * a / 3) * np.exp(-a)
    drawn = np.linalg.cholesky(covariance + 1e-20 * np.eye(len(place))) @ rng.normal(size=len(place))
    return lambda c: np.interp(c, place, drawn)


def cosines(rng: np.random.Generator) -> Curve:
    """Guide error of three cosines, 0.3 um together: no stationary process with a tail of short waves."""
    phase, wave = rng.uniform(0, 2 * np.pi, 3), np.array([0.8, 0.35, 0.17])
    height = 3e-7 * np.array([0.9, 0.5, 0.25]) / np.sqrt(0.5 * (0.81 + 0.25 + 0.0625))
    return lambda c: np.asarray((height * np.cos(2 * np.pi * c[:, None] / wave + phase)).sum(axis=1))


def straight(rng: np.random.Generator) -> Curve:
    """No guide error."""
    return nothing


def z_scores(
    draw: Callable[[np.random.Generator], Curve],
    seed: int,
    *,
    drift: float = 0.0,
    guide: bool = True,
    degree: int = -1,
) -> Array:
    """Errors of 200 random height differences over their claimed standard uncertainties.

    `degree`: of the polynomial that is taken away from error and covariance first; -1: none.
    """
    rng = np.random.default_rng([17, seed])
    count = len(STARTS)
    wander = rng.normal(0.0, drift, (count, 2))
    legendre = np.polynomial.legendre.Legendre

    def of_time(coefficients: Array) -> Curve:
        return lambda t: np.asarray(legendre([0.0, 0.0, *coefficients])(t))

    case = Campaign(
        starts=STARTS,
        points=POINTS,
        step=STEP,
        figure=lambda x: 1.2e-7 * np.sin(11 * x),
        guide=draw(rng),
        heights=rng.normal(0, 2e-5, count),
        tilts=rng.normal(0, 4e-5, count),
        drift=[of_time(row) for row in wander] if drift else None,
        timed=drift > 0,
        noise=NOISE,
        sigma=NOISE,
    )
    profile = stitch(case.scans(rng), MIRROR, settings=StitchSettings(guide=guide)).profile
    error = error_of(profile, case.figure)
    first = rng.integers(0, len(error), PAIRS)
    second = (first + rng.integers(1, len(error), PAIRS)) % len(error)
    assert profile.covariance_factor is not None
    assert profile.sigma is not None
    columns = np.vander(profile.x, degree + 1)
    rest = np.eye(len(error)) - columns @ np.linalg.pinv(columns)
    error = rest @ error
    factor = np.hstack([rest @ profile.covariance_factor, rest * profile.sigma])
    between = factor[first] - factor[second]
    return np.asarray((error[first] - error[second]) / np.sqrt((between**2).sum(axis=1)))
