"""How a focus wanders with the seasons, and where it will be: a Gaussian process over surveys.

One coordinate y(t) is level + trend + annual and half-annual waves + response to a lagged temperature + a random walk
+ rare steps; a survey sees it with a known uncertainty. All but the random walk's rate and the places of the steps is
linear with Gaussian priors, so it is integrated out exactly. The rate A L of the walk, var = A T L (V. Shiltsev,
Phys. Rev. Lett. 104 (2010) 238501: A = 10^(-5 +- 1) um^2/(s m)), is integrated over a grid, and so is a possible step
between any two neighbouring surveys. Forecasts are therefore mixtures of Gaussians that know what is not known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import linalg
from scipy.special import logsumexp, ndtr

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.errors import DataError, ParameterError

#: Julian year [s].
YEAR: Final = 365.25 * 86400.0
DAY: Final = 86400.0
#: Posterior odds that establish a step between two surveys.
ESTABLISHED: Final = 5.0
#: Most steps that are looked for.
MOST_STEPS: Final = 6
#: Nodes of the walk's rate, in standard deviations of its prior's logarithm.
NODES: Final = np.linspace(-2.5, 2.5, 11)
#: Fewest surveys that say anything of a season.
FEWEST_SURVEYS: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftSettings:
    """What is known before any survey: standard deviations of Gaussian priors, SI.

    Parameters
    ----------
    annual, half_annual : float
        Of each wave's cosine and sine [m]. Published annual movements of floors reach +-0.4 mm over 10 m (S. Matsui,
        C. Zhang, 1997, elevation of a large ring).
    trend : float
        [m per year].
    per_kelvin : float
        Response to temperature [m/K].
    level : float
        Of the first position [m]: wide.
    walk : float
        Median of A [m^2/(s m)]; 1e-5 um^2/(s m) is 1e-17.
    walk_decades : float
        Standard deviation of log10(A).
    distance : float
        L, over which the walk acts [m].
    step : float
        Size of a step [m].
    steps_per_year : float
        Their mean rate.
    """

    annual: float = 300e-6
    half_annual: float = 100e-6
    trend: float = 100e-6
    per_kelvin: float = 50e-6
    level: float = 10e-3
    walk: float = 1e-17
    walk_decades: float = 1.0
    distance: float = 20.0
    step: float = 150e-6
    steps_per_year: float = 0.1

    def __post_init__(self) -> None:
        for name in (
            "annual",
            "half_annual",
            "trend",
            "per_kelvin",
            "level",
            "walk",
            "walk_decades",
            "distance",
            "step",
        ):
            value = getattr(self, name)
            if not 0 < value < np.inf:
                raise ParameterError(f"{name} must be more than 0; got {value!r}")
        if not 0 <= self.steps_per_year < np.inf:
            raise ParameterError(f"steps_per_year must be 0 or more; got {self.steps_per_year!r}")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TemperatureLog:
    """Temperatures of a hall over time, for a response that follows them with a lag.

    Parameters
    ----------
    time : array, shape (M,)
        [s], increasing.
    temperature : array, shape (M,)
        [K].
    """

    time: FloatArray
    temperature: FloatArray

    def __post_init__(self) -> None:
        time, temperature = np.asarray(self.time, dtype=float), np.asarray(self.temperature, dtype=float)
        if time.ndim != 1 or time.shape != temperature.shape or len(time) < 2 or not (np.diff(time) > 0).all():
            raise ParameterError(
                "a temperature log must have two or more times that increase, and as many temperatures"
            )
        object.__setattr__(self, "time", sealed(time))
        object.__setattr__(self, "temperature", sealed(temperature))

    def lagged(self, at: npt.ArrayLike, lag: float) -> FloatArray:
        """Temperature behind a first-order lag [K] at times [s]; beyond the log its own season goes on.

        The filter is exact for a temperature that is linear between readings: gain 1/sqrt(1 + (w lag)^2) and delay
        atan(w lag)/w of a wave of angular frequency w.
        """
        wanted = np.asarray(at, dtype=np.float64)
        first, last = float(self.time[0]), float(self.time[-1])
        waves = _waves(self.time)
        fit = np.linalg.lstsq(waves, self.temperature, rcond=None)[0]
        step = DAY
        # long enough before the first reading for the filter to have settled
        grid = np.arange(first - max(6 * lag, YEAR), max(last, float(wanted.max(initial=last))) + 2 * step, step)
        inside = (grid >= first) & (grid <= last)
        values = np.where(inside, np.interp(grid, self.time, self.temperature), _waves(grid) @ fit)
        if lag > 0:
            from scipy.signal import lfilter, lfiltic  # slow to load, and seldom wanted

            decay = np.exp(-step / lag)
            # linear between readings: exact response of dy/dt = (u - y)/lag over one step
            ramp = lag / step * (1 - decay)
            # y[n] = decay y[n-1] + (1 - ramp) u[n] + (ramp - decay) u[n-1], at rest before the first day
            gains, poles = [1 - ramp, ramp - decay], [1.0, -decay]
            values = lfilter(gains, poles, values, zi=lfiltic(gains, poles, [values[0]], [values[0]]))[0]
        return np.interp(wanted, grid, values)


def _waves(time: FloatArray) -> FloatArray:
    phase = 2 * np.pi * np.asarray(time, dtype=float) / YEAR
    return np.column_stack([np.ones_like(phase), np.cos(phase), np.sin(phase), np.cos(2 * phase), np.sin(2 * phase)])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FoundStep:
    """A step between two neighbouring surveys."""

    before: float  # time of the survey before it [s]
    after: float
    size: float  # [m]
    stderr: float
    odds: float  # against no step there


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mixture:
    """Gaussians that share out the probability at each of T times: arrays of shape (C, T), weights (C,)."""

    weight: FloatArray
    mean: FloatArray
    sigma: FloatArray

    def below(self, value: float | FloatArray) -> FloatArray:
        """Probability of less than `value` at each time, shape (T,)."""
        return np.asarray(self.weight @ ndtr((value - self.mean) / self.sigma))

    def expectation(self) -> FloatArray:
        """Mean at each time, shape (T,)."""
        return np.asarray(self.weight @ self.mean)

    def stderr(self) -> FloatArray:
        """Standard deviation at each time, shape (T,)."""
        middle = self.expectation()
        return np.sqrt(np.asarray(self.weight @ (self.sigma**2 + (self.mean - middle) ** 2)))

    def quantile(self, share: float) -> FloatArray:
        """Value that is not exceeded with probability `share`, shape (T,): by bisection, to 1e-6 of the spread."""
        low = np.min(self.mean - 8 * self.sigma, axis=0)
        high = np.max(self.mean + 8 * self.sigma, axis=0)
        for _ in range(40):
            middle = (low + high) / 2
            under = self.below(middle) < share
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return np.asarray((low + high) / 2)

    def outside(self, limit: float, shift: float = 0.0) -> FloatArray:
        """Probability that |value + shift| exceeds a limit at each time, shape (T,)."""
        return np.asarray(1 - self.below(limit - shift) + self.below(-limit - shift))


@dataclass(frozen=True, kw_only=True, eq=False)
class DriftFit:
    """Drift of one coordinate, as far as the surveys tell it."""

    time: FloatArray  # (n,) [s]
    value: FloatArray  # (n,) [m]
    sigma: FloatArray  # (n,) [m]
    settings: DriftSettings
    steps: tuple[FoundStep, ...]
    log: TemperatureLog | None
    lag: float | None  # [s] of the response to temperature
    moved: tuple[int, ...]  # numbers of the surveys before which the carrier was moved on purpose
    _places: tuple[int, ...] = field(repr=False)  # a step lies before the survey of that number

    def _columns(self, time: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Regressors at times, shape (T, m), and their prior standard deviations."""
        settings = self.settings
        since = (time - self.time[0]) / YEAR
        waves = _waves(time)
        columns = [waves[:, 0], since, *waves.T[1:]]
        prior = [settings.level, settings.trend, *([settings.annual] * 2), *([settings.half_annual] * 2)]
        if self.log is not None and self.lag is not None:
            mean = float(self.log.temperature.mean())
            columns.append(self.log.lagged(time, self.lag) - mean)
            prior.append(settings.per_kelvin)
        for places, size in ((self.moved, settings.level), (self._places, settings.step)):
            for place in places:
                columns.append((time >= self._between(place)).astype(float))
                prior.append(size)
        return np.column_stack(columns), np.array(prior)

    def _between(self, place: int) -> float:
        return float(self.time[place - 1] + self.time[place]) / 2

    @cached_property
    def _pieces(self) -> _Pieces:
        return _pieces(self)

    @property
    def walk_rate(self) -> float:
        """Posterior mean of the walk's variance growth A L [m^2/s]."""
        return float(self._pieces.weight.sum(axis=1) @ self._pieces.rate)

    @property
    def log_evidence(self) -> float:
        """Logarithm of the probability density of the surveys, all that is unknown integrated out."""
        return self._pieces.evidence

    def forecast(self, time: npt.ArrayLike) -> Mixture:
        """Where the coordinate is at times [s], shape (T,), past or future; what a survey would add is left out."""
        at = np.atleast_1d(np.asarray(time, dtype=np.float64))
        pieces, settings = self._pieces, self.settings
        columns, prior = self._columns(at)
        scaled = columns * prior
        own = self._columns(self.time)[0] * prior
        start = self.time[0]
        shared = np.minimum((at - start)[:, None], (self.time - start)[None])
        shared = np.where(at[:, None] < start, 0.0, shared)
        future = at > self.time[-1]
        weights, means, sigmas = [], [], []
        gate = np.array([at >= self._between(place) for place in range(1, len(self.time))], dtype=np.float64)
        for number, rate in enumerate(pieces.rate):
            cross = rate * shared + scaled @ own.T  # (T, n)
            solved = linalg.cho_solve((pieces.factor[number], True), cross.T)  # (n, T)
            mean = solved.T @ self.value
            variance = np.sum(scaled**2, axis=1) + rate * np.abs(at - start) - np.sum(cross * solved.T, axis=1)
            weights.append(pieces.weight[number])
            left = np.vstack([np.zeros((1, len(at))), gate - pieces.columns.T @ solved])  # (1 + k, T)
            size, spread = pieces.size[number], pieces.spread[number]
            means.append(mean + left * size[:, None])
            sigmas.append(np.sqrt(np.maximum(variance + left**2 * spread[:, None] ** 2, 1e-24)))
        weight, mean_, sigma = np.concatenate(weights), np.concatenate(means), np.concatenate(sigmas)
        if settings.steps_per_year and future.any():
            # a step may come; more than one is rare enough
            ahead = np.where(future, (at - self.time[-1]) / YEAR, 0.0)
            chance = float(-np.expm1(-settings.steps_per_year * ahead.max()))
            share = -np.expm1(-settings.steps_per_year * ahead) / max(chance, 1e-300)
            # the chance grows with time: variance of the component grows so that its mean share is right
            jumped = np.sqrt(sigma**2 + settings.step**2 * share)
            weight = np.concatenate([weight * (1 - chance), weight * chance])
            mean_, sigma = np.concatenate([mean_, mean_]), np.concatenate([sigma, jumped])
        kept = weight > 1e-6 * weight.max()
        return Mixture(weight=weight[kept] / weight[kept].sum(), mean=mean_[kept], sigma=sigma[kept])

    def coefficients(self) -> tuple[FloatArray, FloatArray]:
        """Posterior mean and covariance of the regressors, at the most probable rate of the walk."""
        pieces = self._pieces
        number = int(np.argmax(pieces.weight.sum(axis=1)))
        columns, prior = self._columns(self.time)
        own = columns * prior
        solved = linalg.cho_solve((pieces.factor[number], True), own)
        mean = prior * (solved.T @ self.value)
        covariance = np.outer(prior, prior) * (np.eye(len(prior)) - own.T @ solved)
        return mean, covariance

    def season(self) -> tuple[float, float, float]:
        """Annual wave: amplitude [m], its standard uncertainty, and the day of the year of its maximum."""
        mean, covariance = self.coefficients()
        cosine, sine = mean[2], mean[3]
        size = float(np.hypot(cosine, sine))
        gradient = np.array([cosine, sine]) / max(size, 1e-300)
        stderr = float(np.sqrt(max(float(gradient @ covariance[2:4, 2:4] @ gradient), 0.0)))
        phase = float(np.arctan2(sine, cosine)) / (2 * np.pi)
        return size, stderr, (phase % 1.0) * 365.25

    def trend(self) -> tuple[float, float]:
        """Trend [m per year] and its standard uncertainty."""
        mean, covariance = self.coefficients()
        return float(mean[1]), float(np.sqrt(max(covariance[1, 1], 0.0)))

    def step_probabilities(self) -> FloatArray:
        """Probability of a (further) step between each pair of neighbouring surveys, shape (n - 1,)."""
        return np.asarray(self._pieces.weight.sum(axis=0)[1:])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pieces:
    """What a fit needs again and again: for each rate of the walk and each place of a step."""

    rate: FloatArray  # (Q,)
    weight: FloatArray  # (Q, 1 + k): none, or before survey 1 ... k
    factor: list[FloatArray]
    columns: FloatArray  # (n, k), steps
    size: FloatArray  # (Q, 1 + k) posterior mean of the step
    spread: FloatArray  # (Q, 1 + k)
    evidence: float


def _pieces(fit: DriftFit) -> _Pieces:
    time, value, settings = fit.time, fit.value, fit.settings
    columns, prior = fit._columns(time)
    fixed = (columns * prior) @ (columns * prior).T + np.diag(fit.sigma**2)
    walk = np.minimum((time - time[0])[:, None], (time - time[0])[None])
    count = len(time)
    steps = (np.arange(count)[:, None] >= np.arange(1, count)[None]).astype(float)
    taken = [place - 1 for place in (*fit._places, *fit.moved)]
    gaps = np.diff(time) / YEAR * settings.steps_per_year
    gaps[taken] = 0.0  # one step to a gap
    free = gaps > 0
    with np.errstate(divide="ignore"):
        chance = np.concatenate([[0.0], np.log(gaps)])
    rates = settings.walk * settings.distance * 10 ** (NODES * settings.walk_decades)
    score = np.full((len(rates), count), -np.inf)
    size, spread = np.zeros_like(score), np.zeros_like(score)
    factors = []
    for number, rate in enumerate(rates):
        factor = linalg.cholesky(fixed + rate * walk, lower=True)
        factors.append(factor)
        white = linalg.solve_triangular(factor, np.column_stack([value, steps]), lower=True)
        base = -0.5 * float(white[:, 0] @ white[:, 0]) - float(np.sum(np.log(np.diag(factor))))
        power = np.sum(white[:, 1:] ** 2, axis=0)
        pull = white[:, 1:].T @ white[:, 0]
        precision = power + 1 / settings.step**2
        gain = 0.5 * pull**2 / precision - 0.5 * np.log1p(settings.step**2 * power)
        score[number] = base - 0.5 * NODES[number] ** 2 + chance + np.concatenate([[0.0], gain])
        size[number, 1:] = pull / precision
        spread[number, 1:] = 1 / np.sqrt(precision)
    score[:, 1:][:, ~free] = -np.inf
    total = float(logsumexp(score))
    evidence = total - float(logsumexp(-0.5 * NODES**2)) - 0.5 * count * float(np.log(2 * np.pi))
    return _Pieces(
        rate=rates,
        weight=np.exp(score - total),
        factor=factors,
        columns=steps,
        size=size,
        spread=spread,
        evidence=evidence,
    )


def fit_drift(
    time: npt.ArrayLike,
    value: npt.ArrayLike,
    sigma: npt.ArrayLike,
    settings: DriftSettings | None = None,
    *,
    log: TemperatureLog | None = None,
    moved: Sequence[int] = (),
) -> DriftFit:
    """Fit the drift of one coordinate to its surveys.

    Parameters
    ----------
    time : array, shape (n,)
        Of the surveys [s], increasing.
    value : array, shape (n,)
        What was found [m].
    sigma : array, shape (n,), or float
        Standard uncertainty of each [m].
    settings : DriftSettings, optional
    log : TemperatureLog, optional
        Temperatures of the hall; the lag of the response is chosen by likelihood, from none to 120 days.
    moved : sequence of int
        Numbers, from 1, of the surveys before which the carrier was moved on purpose: a jump of any size there.

    Raises
    ------
    DataError
        If there are fewer than three surveys, or times do not increase.
    """
    settings = DriftSettings() if settings is None else settings
    when, found = np.asarray(time, dtype=np.float64), np.asarray(value, dtype=np.float64)
    sure = np.broadcast_to(np.asarray(sigma, dtype=np.float64), when.shape)
    if len(when) < FEWEST_SURVEYS:
        raise DataError(f"{len(when)} surveys tell nothing of a season; expected at least {FEWEST_SURVEYS}")
    if found.shape != when.shape or not (np.isfinite(found).all() and np.isfinite(when).all()):
        raise DataError("every survey must have one finite time and value")
    if not (np.diff(when) > 0).all():
        raise DataError("two surveys are of the same time, or not in order; expected times that increase")
    if not (sure > 0).all():
        raise DataError("every survey must have a standard uncertainty above 0")

    def candidate(lag: float | None, places: tuple[int, ...] = ()) -> DriftFit:
        return DriftFit(
            time=sealed(when),
            value=sealed(found),
            sigma=sealed(sure),
            settings=settings,
            steps=(),
            log=log,
            lag=lag,
            moved=tuple(moved),
            _places=places,
        )

    if any(not 0 < number < len(when) for number in moved):
        raise ParameterError(f"moved must hold numbers of surveys from 1 to {len(when) - 1}; got {list(moved)}")
    lag = None
    if log is not None:
        lags = [days * DAY for days in (0.0, 7.0, 15.0, 30.0, 60.0, 120.0)]
        lag = max(lags, key=lambda one: candidate(one).log_evidence)
    fit = candidate(lag)
    places: tuple[int, ...] = ()
    odds: list[float] = []
    while len(places) < min(MOST_STEPS, len(when) - 3) and settings.steps_per_year:
        chances = fit.step_probabilities()
        none = 1 - float(chances.sum())
        best = int(np.argmax(chances))
        if chances[best] < ESTABLISHED * max(none, 1e-300):
            break
        places = (*places, best + 1)
        odds.append(float(chances[best] / max(none, 1e-300)))
        fit = candidate(lag, places)
    if not places:
        return fit
    mean, covariance = fit.coefficients()
    first = len(mean) - len(places)
    steps = tuple(
        FoundStep(
            before=float(when[place - 1]),
            after=float(when[place]),
            size=float(mean[first + number]),
            stderr=float(np.sqrt(covariance[first + number, first + number])),
            odds=odds[number],
        )
        for number, place in enumerate(places)
    )
    return DriftFit(
        time=fit.time,
        value=fit.value,
        sigma=fit.sigma,
        settings=settings,
        steps=tuple(sorted(steps, key=lambda step: step.before)),
        log=log,
        lag=lag,
        moved=tuple(moved),
        _places=places,
    )


def best_aim(mixture: Mixture, limit: float) -> float:
    """Shift that keeps a coordinate within a limit for as much of the forecast as can be [m].

    Where many shifts do, the one that puts the forecast in the middle.
    """
    middle = mixture.expectation()
    centre = -float(middle.max() + middle.min()) / 2
    reach = float(np.ptp(middle)) / 2 + limit / 2
    low, high = centre - reach, centre + reach
    best = centre
    for _ in range(3):  # a coarse search, refined: the share of days out is not unimodal in general
        trial = np.linspace(low, high, 17)
        loss = [float(mixture.outside(limit, shift).mean()) + 1e-4 * ((shift - centre) / limit) ** 2 for shift in trial]
        best = float(trial[int(np.argmin(loss))])
        width = (high - low) / 16
        low, high = best - width, best + width
    return best
