"""What costs how much light: shares that sum to the whole, each with its uncertainty.

A loss that comes of several errors at once has no order in which they cost it, so every order counts alike:
the share of an error is its mean additional loss over all orders in which the errors can be switched on
(L. S. Shapley, A value for n-person games, 1953). Shares sum to the whole loss exactly. What the perfect
mirror loses already, for the size of the source, the aperture and the beam's divergence, is 'geometry'.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import factorial
from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.fit.effects import common_mode
from ellipsefit.fit.result import EllipseFit
from ellipsefit.focus.model import Model, Moved

#: Draws of the mirror from the fit's covariance, at the least, and their seed.
DRAWS: Final = (48, 20)


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """One error's share of the loss, as a share of the beam."""

    name: str
    share: float
    stderr: float | None  # None: nothing is known of the mirror's uncertainty


def state_covariance(fit: EllipseFit) -> FloatArray:
    """Covariance of heights and tilts of all segments, height and tilt of the pose, p, q and theta.

    Shape (2 k + 5, 2 k + 5) in the order of `model.Freedoms`; zero for what was held. A segment that was not
    measured has the spread of the others.
    """
    problem, count = fit.problem, len(fit.mirror.segments)
    parameters = np.array([fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta])
    varied = tuple(("p", "q", "theta").index(name) for name in fit.varied)
    v, measured = len(varied), list(fit.placed.measured)
    covariance = problem.posterior(parameters, varied) * problem.scale**2
    totals = np.column_stack([np.zeros((len(problem.totals), v)), problem.totals])
    effects, r = problem.effects, problem.effects.r
    pose = common_mode(effects, fit.placed.quantity, problem.spreads) @ totals
    own = totals - np.concatenate(effects.pose) @ pose
    if count == 1:
        own = 0 * own
    maps = np.zeros((2 * count + 5, covariance.shape[0]))
    places = np.array(measured)
    if r == 2:
        maps[places] = own[0::2]
        maps[2 * count] = pose[0]
    maps[count + places] = own[r - 1 :: r]
    maps[2 * count + 1] = pose[-1]
    for row, index in enumerate(varied):
        maps[2 * count + 2 + index, row] = 1.0
    found: FloatArray = maps @ covariance @ maps.T
    height, tilt = problem.spreads
    for index in set(range(count)) - set(measured):
        found[index, index], found[count + index, count + index] = height**2, tilt**2
    return found


def draws_of(covariance: FloatArray, count: int = DRAWS[0], seed: int = DRAWS[1]) -> FloatArray:
    """Draws of a Gaussian with zero mean, (freedoms, D), in pairs of opposite sign: odd orders cancel.

    Their mean products are the covariance to rounding, so what is linear in them has its standard deviation exactly;
    for that D is `count`, or twice as many as there are independent freedoms if that is more.
    """
    values, vectors = np.linalg.eigh(covariance / _scale(covariance))
    kept = values > 1e-12 * max(values.max(), 1e-300)
    root = vectors[:, kept] * np.sqrt(values[kept])
    pairs, free = max(count // 2, root.shape[1]), root.shape[1]
    even = np.linalg.qr(np.random.default_rng(seed).standard_normal((pairs, free)))[0]
    noise = np.sqrt(pairs) * even.T
    size = np.sqrt(np.diag(_scale(covariance)))
    return np.asarray(size[:, None] * (root @ np.concatenate([noise, -noise], axis=1)))


def _scale(covariance: FloatArray) -> FloatArray:
    size = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    size = np.where(size > 0, size, 1.0)
    return np.asarray(np.outer(size, size))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Losses:
    """Loss tree of a model, and its throughput."""

    throughput: float
    throughputs: FloatArray  # (D,) of each draw
    shares: tuple[Loss, ...]


def loss_tree(model: Model, draws: FloatArray | None = None) -> Losses:
    """Shares of all factors in the loss, geometry first.

    Parameters
    ----------
    model : Model
    draws : array, shape (freedoms, D), optional
        Of the mirror's state, about what it is; without them nothing has an uncertainty.
    """
    factors = model.factors
    n = len(factors)
    subsets = [frozenset(chosen) for size in range(n + 1) for chosen in combinations(factors, size)]
    everything = model.landing(frozenset(factors))
    response = model.response(everything)
    owners = np.array(model.freedoms.factor)
    states = None if draws is None else np.column_stack([np.zeros(len(draws)), draws])  # the first is the state itself
    moved: dict[frozenset[str], Moved] = {}
    values: dict[frozenset[str], FloatArray] = {}
    for subset in subsets:
        moving = frozenset(subset & set(owners))
        if states is not None and moving not in moved:
            moved[moving] = model.moved(states, response, moving)
        values[subset] = model.throughput(subset, moved=moved.get(moving))
    nothing, whole = values[frozenset()], values[frozenset(factors)]
    shares = [_loss("geometry", 1 - nothing)]
    for factor in factors:
        share = np.zeros_like(whole)
        for subset in subsets:
            if factor not in subset:
                size = len(subset)
                weight = factorial(size) * factorial(n - size - 1) / factorial(n)
                share += weight * (values[subset] - values[subset | {factor}])
        shares.append(_loss(factor, share))
    return Losses(throughput=float(whole[0]), throughputs=whole[1:], shares=tuple(shares))


def _loss(name: str, value: FloatArray) -> Loss:
    return Loss(name=name, share=float(value[0]), stderr=float(value[1:].std()) if len(value) > 1 else None)


def scaled_to(losses: tuple[Loss, ...], total: float) -> tuple[Loss, ...]:
    """The same tree with shares that sum to a loss found more exactly; the difference is spread in proportion."""
    found = sum(loss.share for loss in losses)
    size = sum(abs(loss.share) for loss in losses)
    if size == 0:
        return (Loss(name=losses[0].name, share=total, stderr=losses[0].stderr), *losses[1:])
    rest = total - found
    return tuple(
        Loss(name=loss.name, share=loss.share + rest * abs(loss.share) / size, stderr=loss.stderr) for loss in losses
    )
