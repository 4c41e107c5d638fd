"""Simulated mirrors for the campaigns of the fit: the generator, and what it allows at best.

The generator shares nothing with the fit but the closed form of the ellipse in `tests.rehearsal`. Each mirror
has its own ellipse near the nominal, a pose, and for each segment: height, tilt and two Legendre terms of form,
all Gaussian; a figure error, either a Gaussian process (Matérn, smoothness 5/2) or 15 cosines of random phase and
wavelength (log-uniform, 30 to 300 mm) scaled to exactly the same rms on every segment; and white noise.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.fit import EllipseFit, Prior
from ellipsefit.fit.effects import common_mode, segment_effects
from ellipsefit.fit.problem import JointProblem
from ellipsefit.fit.reduction import reduce_profile
from ellipsefit.fit.surface_error import Correlation, SurfaceError, whiten
from ellipsefit.mirror import Mirror
from ellipsefit.profile import PlacedProfile
from tests.rehearsal import PARAMETERS, Array, even_mirror, ideal_partials, made_profile

#: Height, tilt of one segment that was knocked: 20 spreads of R1.
KNOCK = (100e-6, -400e-6)


@dataclass(frozen=True)
class Simulated:
    """A measured mirror, and what was put in."""

    placed: PlacedProfile
    parameters: Array  # p, q, theta
    totals: Array  # (J r,) heights and tilts of the segments, the pose among them
    priors: tuple[Prior, ...]


@dataclass(frozen=True, kw_only=True)
class Case:
    """A kind of mirror; by default R1. Lengths in m, angles in rad."""

    nominal: tuple[float, float, float] = (12.0, 8.0, 20e-3)
    segments: int = 18
    pitch: float = 0.5
    points: int = 100  # of each segment
    quantity: Literal["height", "slope"] = "height"
    spreads: tuple[float, float] = (5e-6, 20e-6)
    form: float = 100e-9  # standard deviation of each of two Legendre terms, as heights
    figure: Literal["process", "cosines"] = "process"
    rms: float = 60e-9
    wave: float = 50e-3  # correlation length of the process
    noise: float = 60e-9  # m, or for slopes 1e-7 rad per 60 nm
    knocked: int | None = None
    prior: float | None = None  # standard uncertainty of p + q [m]
    degrees: int | None = None  # of Student's t, for noise with heavy tails

    @cached_property
    def mirror(self) -> Mirror:
        return even_mirror(Ellipse(*self.nominal), count=self.segments, pitch=self.pitch)

    @property
    def r(self) -> int:
        return 2 if self.quantity == "height" else 1

    @property
    def sigma(self) -> float:
        return self.noise if self.quantity == "height" else self.noise * 1e-7 / 60e-9

    @property
    def form_spreads(self) -> tuple[float, float]:
        """Of the coefficients of the two columns of form: P2, P3 of heights; of slopes P1, P2.

        d/dx P2 = 3 s 2/L and d/dx P3 = (5 P2 + 1) 2/L, of which the constant counts as tilt.
        """
        if self.quantity == "height":
            return self.form, self.form
        half = self.mirror.segments[0].length / 2
        return 3 * self.form / half, 5 * self.form / half

    @cached_property
    def error(self) -> SurfaceError:
        """What the figure error and the noise are, if the figure error is the process."""
        slope = self.quantity == "slope"
        size = self.rms * np.sqrt(5 / 3) / self.wave if slope else self.rms
        kind = Correlation(2.5, of_slope=slope)
        return SurfaceError(noise=1.0, correlated=float(size), length=self.wave, kind=kind)

    @cached_property
    def stations(self) -> Array:
        """Places of the points along one segment, from its middle."""
        half = self.mirror.segments[0].length / 2
        return np.linspace(-half, half, self.points)

    @cached_property
    def process_covariance(self) -> Array:
        """Covariance of the figure error along one segment."""
        a = np.sqrt(5) * np.abs(self.stations[:, None] - self.stations) / self.wave
        shape = 1 + a - a**2 if self.quantity == "slope" else 1 + a + a**2 / 3
        return np.asarray(self.error.correlated**2 * shape * np.exp(-a))

    @cached_property
    def _root(self) -> Array:
        jitter = 1e-9 * self.error.correlated**2 * np.eye(self.points)
        return np.asarray(np.linalg.cholesky(self.process_covariance + jitter))

    def _figure(self, rng: np.random.Generator) -> Array:
        if self.figure == "process":
            return np.asarray(self._root @ rng.normal(size=self.points))
        number = 2 * np.pi / np.exp(rng.uniform(np.log(0.03), np.log(0.3), 15))
        phase = rng.uniform(0, 2 * np.pi, 15)
        angle = np.outer(self.stations, number) + phase
        height = np.cos(angle).sum(axis=1)
        scale = self.rms / np.sqrt(np.mean(height**2))
        return np.asarray(scale * (height if self.quantity == "height" else -np.sin(angle) @ number))

    @cached_property
    def form_columns(self) -> Array:
        """The two terms of form along one segment, shape (points, 2)."""
        s = self.stations / self.stations[-1]
        legendre = [s, (3 * s**2 - 1) / 2, (5 * s**3 - 3 * s) / 2]
        return np.column_stack(legendre[1:] if self.quantity == "height" else legendre[:2])

    def draw(self, rng: np.random.Generator, spoil: Callable[[Array], None] | None = None) -> Simulated:
        """One mirror; `spoil` may change what is added to the profile, shape (J, points), in place."""
        count = self.segments
        true = np.array(self.nominal) + rng.normal(size=3) * [5e-3, 5e-3, 10e-6]
        pose = (float(rng.normal(0, 50e-6)), float(rng.normal(0, 20e-6)))
        lifts, tilts = rng.normal(0, self.spreads[0], count), rng.normal(0, self.spreads[1], count)
        if self.knocked is not None:
            lifts[self.knocked], tilts[self.knocked] = KNOCK
        form = rng.normal(size=(count, 2)) * self.form_spreads
        added = form @ self.form_columns.T
        added += np.array([self._figure(rng) for _ in range(count)])
        white = rng.normal(size=added.shape)
        if self.degrees is not None:  # of unit variance
            white = rng.standard_t(self.degrees, size=added.shape) * np.sqrt((self.degrees - 2) / self.degrees)
        added += self.sigma * white
        if spoil is not None:
            spoil(added)
        placed = made_profile(
            self.mirror,
            [float(value) for value in true],
            pose=pose,
            lifts=lifts,
            tilts=tilts,
            points=self.points,
            quantity=self.quantity,
            sigma=self.sigma,
            noise=added.ravel(),
        )
        middles = np.array([segment.middle for segment in self.mirror.segments])
        totals = np.column_stack([pose[0] + pose[1] * middles + lifts, pose[1] + tilts])[:, -self.r :]
        priors: tuple[Prior, ...] = ()
        if self.prior is not None:
            value = float(true[0] + true[1] + rng.normal(0, self.prior))
            priors = (Prior(weights=(1.0, 1.0, 0.0), value=value, stderr=self.prior),)
        return Simulated(placed, true, totals.ravel(), priors)

    def known_problem(self, simulated: Simulated) -> JointProblem:
        """The joint problem of a mirror whose spreads and figure error are all known."""
        reduction = reduce_profile(simulated.placed)
        return JointProblem(
            reduction=reduction,
            whitened=whiten(reduction, self.error),
            effects=segment_effects(reduction),
            error=self.error,
            model="random",
            spreads=self.spreads,
            form=self.form_spreads if self.form else (),
            priors=simulated.priors,
            loose=() if self.knocked is None else (self.knocked,),
        )

    @cached_property
    def bound(self) -> Array:
        """Posterior Cramér-Rao bound of p, q, theta: dense generalized least squares at the nominal, (3, 3).

        Every point with every other of its segment: figure error, form, height, tilt (for the knocked segment
        of any size) and noise. The pose is free.
        """
        precision = np.zeros((3 + self.r, 3 + self.r))
        for number, segment in enumerate(self.mirror.segments):
            x = segment.middle + self.stations
            ones = np.ones_like(x)
            own = np.column_stack([ones, self.stations]) if self.r == 2 else ones[:, None]
            spreads = np.array(self.spreads[-self.r :]) * (1e3 if number == self.knocked else 1.0)
            form = self.form_columns * self.form_spreads
            covariance = self.process_covariance + self.sigma**2 * np.eye(len(x))
            covariance = covariance + form @ form.T + (own * spreads) @ (own * spreads).T
            pose = np.column_stack([ones, x]) if self.r == 2 else ones[:, None]
            design = np.column_stack([ideal_partials(self.quantity, x, self.nominal), pose])
            white = np.linalg.solve(np.linalg.cholesky(covariance), design)
            precision += white.T @ white
        if self.prior is not None:
            precision[:2, :2] += self.prior**-2
        size = np.sqrt(np.diag(precision))
        inverse = np.linalg.inv(precision / np.outer(size, size)) / np.outer(size, size)
        return np.asarray(inverse[:3, :3])


#: Every scenario of the campaigns.
CASES = {
    "R1": Case(),
    "R1, cosines": Case(figure="cosines"),
    "fewer segments": Case(segments=8, pitch=1.0, points=200),
    "larger form": Case(form=400e-9),
    "short mirror": Case(segments=14, pitch=0.3, points=60),
    "slopes": Case(quantity="slope"),
    "slopes, cosines": Case(quantity="slope", figure="cosines"),
    "knocked": Case(knocked=5),
    "prior": Case(prior=1e-3),
}


def foci(parameters: FloatArray, height: float, tilt: float) -> Array:
    """Image (x, z) and source (x, z) of an ellipse in a pose."""
    p, q, theta = parameters
    c, s = np.cos(tilt), np.sin(tilt)
    found = []
    for x, z in ((q * np.cos(theta), q * np.sin(theta)), (-p * np.cos(theta), p * np.sin(theta))):
        found += [c * x - s * z, s * x + c * z + height]
    return np.array(found)


def deviations(fit: EllipseFit, simulated: Simulated) -> tuple[dict[str, float], Array]:
    """Errors over stated uncertainties: of p, q, theta and the foci by name, and of the segments' tilts.

    The true pose is the common mode of the true heights and tilts, by the definition and with the weights
    that the fit used.
    """
    result: dict[str, float] = {}
    for index, name in enumerate(PARAMETERS):
        stderr = fit.stderr(name)
        if stderr is not None:
            result[name] = float((getattr(fit.ellipse, name) - simulated.parameters[index]) / stderr)
    effects, quantity = fit.problem.effects, fit.placed.quantity
    pose = common_mode(effects, quantity, fit.problem.spreads) @ simulated.totals
    nominal = fit.mirror.nominal
    shift = foci(simulated.parameters, float(pose[0]) if len(pose) == 2 else 0.0, float(pose[-1]))
    shift -= foci(np.array([nominal.p, nominal.q, nominal.theta]), 0.0, 0.0)
    for true, key in zip(shift, ("image_dx", "image_dz", "source_dx", "source_dz"), strict=True):
        stderr, value = getattr(fit.focus, f"{key}_stderr"), getattr(fit.focus, key)
        if stderr is not None:
            result[key] = float((value - true) / stderr)
    own = simulated.totals - np.concatenate(effects.pose) @ pose
    tilts = own.reshape(-1, effects.r)[:, -1]
    found = np.array([segment.tilt for segment in fit.segments], dtype=float)
    stated = np.array([segment.tilt_stderr for segment in fit.segments], dtype=float)
    return result, (found - tilts) / stated
