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

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.focus.model import Draws, Model, Moved


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """One error's share of the loss, as a share of the beam."""

    name: str
    share: float
    stderr: float | None  # None: nothing is known of the mirror's uncertainty


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Losses:
    """Loss tree of a model, and its throughput."""

    throughput: float
    shares: tuple[Loss, ...]


def loss_tree(model: Model, draws: Draws | None = None) -> Losses:
    """Shares of all factors in the loss, geometry first.

    Parameters
    ----------
    model : Model
    draws : Draws, optional
        Of the mirror about what it is; without them nothing has an uncertainty.
    """
    factors = model.factors
    n = len(factors)
    subsets = [frozenset(chosen) for size in range(n + 1) for chosen in combinations(factors, size)]
    everything = model.landing(frozenset(factors))
    owners = {*model.freedoms.factor, "figure"}
    states = None if draws is None else draws.after_none()  # the first is the mirror itself
    moved: dict[frozenset[str], Moved] = {}
    values: dict[frozenset[str], FloatArray] = {}
    for subset in subsets:
        moving = frozenset(subset & owners)
        if states is not None and moving not in moved:
            moved[moving] = model.moved(states, everything, moving)
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
    return Losses(throughput=float(whole[0]), shares=tuple(shares))


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
