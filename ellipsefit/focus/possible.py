"""Mirrors that a fit holds possible: draws of all that it leaves open, state and figure together.

What is left of the points tells the figure: on a state s, and with weights c of what points share, its mean is
R (y - A s - B c), and it scatters about that by what noise hides. The posterior of both is therefore that of s and c,
which take the figure along by -R (A ds + B dc), and this scatter beside it (C. E. Rasmussen and C. K. I. Williams,
Gaussian Processes for Machine Learning, 2006, section 2.7). A long figure error and a tilt, which a fit can hardly tell
apart, thus make one surface, whatever is called which.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from ellipsefit.arrays import FloatArray, IntArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.fit.effects import common_mode
from ellipsefit.fit.result import EllipseFit
from ellipsefit.focus.figures import FigureModel, summed
from ellipsefit.focus.surface import Surface

#: Seed of the draws.
SEED: Final = 20
#: Share of the largest variance, each in its own unit, below which a freedom is none.
RANK: Final = 1e-12
#: Variance of slopes, over the largest, that is added where rounding leaves a covariance with a negative value.
LEAST: Final = 1e-9


class DrawnFigure(NamedTuple):
    """Changes of the figure of one piece in D draws, at K knots."""

    knots: FloatArray  # (K,) [m]
    height: FloatArray  # (K, D) [m]
    slope: FloatArray  # (K, D) [rad]
    hidden: FloatArray  # (K, D) heights of that part which noise hides, whatever the state [m]

    def at(self, x: FloatArray) -> FloatArray:
        """Heights at places [m], (N, D)."""
        from scipy.interpolate import CubicHermiteSpline

        spline = CubicHermiteSpline(self.knots, self.height, self.slope)
        place = np.clip(x, self.knots[0], self.knots[-1])
        return np.asarray(spline(place) + spline(place, 1) * (x - place)[:, None], dtype=np.float64)

    def slopes_over(self, x: FloatArray, width: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean slopes over stretches of some width about places, and of what noise hides alone, (N, D) [rad]."""
        inside = np.clip(np.stack([x - width / 2, x + width / 2]), self.knots[0], self.knots[-1])
        length = np.maximum(inside[1] - inside[0], 1e-12)[:, None]
        ends = [self.at(end) for end in inside]
        hidden = [_between(self.knots, self.hidden, end) for end in inside]
        return (ends[1] - ends[0]) / length, (hidden[1] - hidden[0]) / length


def _between(knots: FloatArray, values: FloatArray, x: FloatArray) -> FloatArray:
    """Columns of values (K, D) at places between equal knots, (N, D)."""
    place = (x - knots[0]) / (knots[1] - knots[0])
    low = np.clip(place.astype(np.intp), 0, len(knots) - 2)
    share = (place - low)[:, None]
    return np.asarray((1 - share) * values[low] + share * values[low + 1])


class Drawn(NamedTuple):
    """D mirrors, as changes of what was found."""

    state: FloatArray  # (2 k + 5, D) as of `state_covariance`
    figures: tuple[DrawnFigure | None, ...]  # of each piece

    def heights_at(self, piece: IntArray, x: FloatArray) -> FloatArray:
        """Changes of the figure at places, each on a piece, (N, D) [m]."""
        found = np.zeros((len(x), self.state.shape[1]))
        for number, figure in enumerate(self.figures):
            if figure is not None:
                mine = piece == number
                found[mine] = figure.at(x[mine])
        return found

    def slopes_over(self, piece: IntArray, x: FloatArray, width: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Changes of the figure's mean slope over stretches, and those that noise hides, (N, D) each [rad]."""
        found = np.zeros((2, len(x), self.state.shape[1]))
        for number, figure in enumerate(self.figures):
            if figure is not None:
                mine = piece == number
                found[:, mine] = figure.slopes_over(x[mine], width[mine])
        return found[0], found[1]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OpenFigure:
    """Figure of one piece at K knots, by what U unknowns do to it, and what they leave open of it."""

    knots: FloatArray  # (K,) [m]
    height: FloatArray  # (K, U) [m]
    slope: FloatArray  # (K, U) [rad]
    hidden: FloatArray  # (K, K) covariance of the slopes for given unknowns [rad**2]

    def drawn(self, unknowns: FloatArray, rng: np.random.Generator) -> DrawnFigure:
        """For draws of the unknowns (U, D), the second half opposite to the first."""
        normal = rng.standard_normal((len(self.knots), unknowns.shape[1] // 2))
        half = _cholesky(self.hidden) @ normal
        slope = np.concatenate([half, -half], axis=1)
        hidden = summed(self.knots, slope)
        return DrawnFigure(self.knots, self.height @ unknowns + hidden, self.slope @ unknowns + slope, hidden)


def _cholesky(covariance: FloatArray) -> FloatArray:
    """Lower factor of a covariance that rounding may have left with values a little below zero."""
    size = float(np.diag(covariance).max())
    if not size > 0:
        return np.zeros_like(covariance)
    try:
        return np.asarray(np.linalg.cholesky(covariance + LEAST * size * np.eye(len(covariance))))
    except np.linalg.LinAlgError:
        values, vectors = np.linalg.eigh(covariance)
        return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Possible:
    """What is open of a mirror: U Gaussian unknowns, what they do to state and figures, and what these leave open."""

    covariance: FloatArray  # (U, U)
    state: FloatArray  # (2 k + 5, U)
    figures: tuple[OpenFigure | None, ...]  # of each piece; None: it has none, or it is known

    @classmethod
    def of_state(cls, covariance: FloatArray) -> Possible:
        """A state of known covariance, in the order of `state_covariance`, on figures that are known."""
        return cls(covariance=covariance, state=np.eye(len(covariance)), figures=(None,) * ((len(covariance) - 5) // 2))

    @classmethod
    def of(cls, fit: EllipseFit, surface: Surface) -> Possible:
        """What a fit leaves open of the surface that it tells."""
        covariance, state = _unknowns(fit)
        return cls(
            covariance=covariance,
            state=state,
            figures=tuple(
                None if piece.figure is None else _open_figure(fit, number, covariance.shape[0])
                for number, piece in enumerate(surface.pieces)
            ),
        )

    def beside(self, state: FloatArray, variance: FloatArray) -> Possible:
        """With more unknowns, of variances (A,), that move the state by columns (2 k + 5, A) and no figure."""
        n, a = len(self.covariance), len(variance)
        covariance = np.zeros((n + a, n + a))
        covariance[:n, :n] = self.covariance
        covariance[n:, n:] = np.diag(variance)
        figures = tuple(
            None
            if one is None
            else replace(one, height=np.pad(one.height, ((0, 0), (0, a))), slope=np.pad(one.slope, ((0, 0), (0, a))))
            for one in self.figures
        )
        return Possible(covariance=covariance, state=np.column_stack([self.state, state]), figures=figures)

    @property
    def state_covariance(self) -> FloatArray:
        """Covariance of the state, (2 k + 5, 2 k + 5)."""
        return np.asarray(self.state @ self.covariance @ self.state.T)

    def drawn(self, count: int, seed: int = SEED) -> Drawn:
        """Mirrors, in pairs of opposite sign: odd orders cancel.

        Mean products of the state are its covariance to rounding, and so are those of what follows from it; for that
        D is `count`, or twice as many as the state has independent freedoms if that is more.
        """
        rng = np.random.default_rng(seed)
        root = _root(self.covariance)
        moved = self.state @ root
        size = np.sqrt(np.sum(moved**2, axis=1))
        _, values, turned = np.linalg.svd(moved / np.where(size > 0, size, 1.0)[:, None])
        free = int(np.count_nonzero(values**2 > RANK * max(float(values.max(initial=0.0)) ** 2, 1e-300)))
        pairs = max(count // 2, free)
        even = np.linalg.qr(rng.standard_normal((pairs, free)))[0]
        noise = np.concatenate([np.sqrt(pairs) * even.T, rng.standard_normal((len(turned) - free, pairs))])
        unknowns = root @ turned.T @ np.concatenate([noise, -noise], axis=1)
        figures = tuple(None if one is None else one.drawn(unknowns, rng) for one in self.figures)
        return Drawn(self.state @ unknowns, figures)


def draws_of(covariance: FloatArray, count: int, seed: int = SEED) -> FloatArray:
    """Draws of a Gaussian with zero mean, (U, D), as of `Possible.drawn`."""
    return Possible(covariance=covariance, state=np.eye(len(covariance)), figures=()).drawn(count, seed).state


def _root(covariance: FloatArray) -> FloatArray:
    """Matrix whose product with its transpose is a covariance, (U, r)."""
    size = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    size = np.where(size > 0, size, 1.0)
    values, vectors = np.linalg.eigh(covariance / np.outer(size, size))
    kept = values > RANK * max(float(values.max()), 1e-300)
    return np.asarray(size[:, None] * (vectors[:, kept] * np.sqrt(values[kept])))


def state_covariance(fit: EllipseFit) -> FloatArray:
    """Covariance of heights and tilts of all segments, height and tilt of the pose, p, q and theta.

    Shape (2 k + 5, 2 k + 5) in the order of `model.Freedoms`; zero for what was held. A segment that was not
    measured has the spread of the others.
    """
    covariance, state = _unknowns(fit)
    return np.asarray(state @ covariance @ state.T)


def _unknowns(fit: EllipseFit) -> tuple[FloatArray, FloatArray]:
    """Covariance of a fit's unknowns (U, U), and what they do to the state (2 k + 5, U).

    Unknowns are those of the fit, then height and tilt of each segment that was not measured.
    """
    problem, count = fit.problem, len(fit.mirror.segments)
    varied, measured = _varied(fit), list(fit.placed.measured)
    posterior = problem.posterior(_parameters(fit), varied) * problem.scale**2
    totals = _totals(fit)
    effects, r = problem.effects, problem.effects.r
    pose = common_mode(effects, fit.placed.quantity, problem.spreads) @ totals
    own = totals - np.concatenate(effects.pose) @ pose
    if count == 1:
        own = 0 * own
    others = [number for number in range(count) if number not in measured]
    n = len(posterior)
    covariance = np.zeros((n + 2 * len(others),) * 2)
    covariance[:n, :n] = posterior
    covariance[n:, n:] = np.diag(np.tile(np.square(problem.spreads), len(others)))
    state = np.zeros((2 * count + 5, len(covariance)))
    places = np.array(measured)
    if r == 2:
        state[places, :n] = own[0::2]
        state[2 * count, :n] = pose[0]
    state[count + places, :n] = own[r - 1 :: r]
    state[2 * count + 1, :n] = pose[-1]
    for row, index in enumerate(varied):
        state[2 * count + 2 + index, row] = 1.0
    for place, number in enumerate(others):
        state[number, n + 2 * place] = state[count + number, n + 2 * place + 1] = 1.0
    return covariance, state


def _open_figure(fit: EllipseFit, number: int, unknowns: int) -> OpenFigure:
    """How the figure of a measured segment follows a fit's unknowns."""
    model, placed, problem = FigureModel.of(fit, number), fit.placed, fit.problem
    varied, totals, r = _varied(fit), _totals(fit), problem.effects.r
    row = list(placed.measured).index(number)
    ellipse: Ellipse = fit.ellipse
    partials = ellipse.height_partials(model.place) if model.heights else ellipse.slope_partials(model.place)
    lever = model.place - fit.mirror.segments[number].middle
    line = np.column_stack([np.ones_like(lever), lever]) if model.heights else np.ones((len(lever), 1))
    does = np.zeros((len(lever), unknowns))
    does[:, : totals.shape[1]] = line @ totals[row * r : (row + 1) * r]
    does[:, : len(varied)] += np.stack(partials, axis=1)[:, list(varied)]
    if placed.covariance_factor is not None:
        # columns that points share are unknowns of their own, the first of those that a fit has of that kind
        first = totals.shape[1] - problem.reduction.shared
        columns = model.means(placed.covariance_factor[placed.part(number)])
        does[:, first : first + columns.shape[1]] += columns
    height, slope = model.resolved(-does)
    return OpenFigure(knots=model.knots, height=height, slope=slope, hidden=model.open_slopes())


def _parameters(fit: EllipseFit) -> FloatArray:
    return np.array([fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta])


def _varied(fit: EllipseFit) -> tuple[int, ...]:
    return tuple(("p", "q", "theta").index(name) for name in fit.varied)


def _totals(fit: EllipseFit) -> FloatArray:
    """What all unknowns of a fit but the ellipse's do to height and tilt of each measured segment, (J r, v + n)."""
    totals = fit.problem.totals
    return np.column_stack([np.zeros((len(totals), len(fit.varied))), totals])
