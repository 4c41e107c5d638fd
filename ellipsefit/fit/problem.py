"""The joint least-squares problem of the ellipse, the pose and every segment's height and tilt.

All but p, q and theta enter linearly, through columns that do not depend on them. They are therefore
projected out once (variable projection: G. H. Golub and V. Pereyra, SIAM J. Numer. Anal. 10 (1973)
413-432; exact here), and the nonlinear problem has three parameters at most, for any number of segments.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.fit.campaigns import MovedSince
from ellipsefit.fit.effects import BOUNDLESS, SegmentEffects
from ellipsefit.fit.prior import Prior
from ellipsefit.fit.reduction import Reduction
from ellipsefit.fit.shop import ShopForm
from ellipsefit.fit.solver import LeastSquaresSolution, inverse_normal, minimise
from ellipsefit.fit.surface_error import SurfaceError, WhitenedSegment

SegmentModel = Literal["free", "fixed", "random"]


@dataclass(frozen=True, kw_only=True, eq=False)
class JointProblem:
    """Everything of the fit but the values of p, q and theta.

    The linear unknowns are: with free segments, the effects of each; with fixed ones, the pose alone; with
    random ones, the pose and each segment's deviation from it, held by rows deviation / spread; in each
    case also each segment's form, held by its spread, what is unknown of form that the shop measured, and the
    weights of the columns that the points are unsure of together, both held by rows of one.
    """

    reduction: Reduction
    whitened: tuple[WhitenedSegment, ...]
    effects: SegmentEffects
    error: SurfaceError  # by which the rows are divided
    model: SegmentModel
    spreads: tuple[float, float]
    form: tuple[float, ...] = ()  # spreads of the two terms of segment form [m or rad]; empty: none are modelled
    priors: tuple[Prior, ...] = ()
    loose: tuple[int, ...] = ()  # rows of segments that the spreads do not hold: they were knocked
    freedom: float = np.inf  # effective degrees of freedom of the variances, for spreads that were estimated
    scale: float = 1.0  # by which standard uncertainties are larger for that
    apart: bool | None = None  # whether the surface error was estimated beside form of any size; None: it was given
    shop: ShopForm | None = None  # form that is known from outside
    moved: MovedSince | None = None  # the data are those of two campaigns, with moves in between

    def residual(self, parameters: FloatArray) -> FloatArray:
        """Residuals over their uncertainty at (p, q, theta), linear unknowns at zero, shape (M,)."""
        rows = self._divide(self.values(Ellipse(*(float(value) for value in parameters))))
        rows[: len(self._target)] -= self._target
        if self.moved is not None and self.model == "random":
            start, moves = len(self._target), self.moved.moves.ravel()
            rows[start : start + len(moves)] -= moves / self._own_spreads
        prior = [(np.dot(prior.weights, parameters) - prior.value) / prior.stderr for prior in self.priors]
        return np.concatenate([rows, prior])

    def values(self, ellipse: Ellipse) -> FloatArray:
        """Node values of an ellipse with all that is known to stand on it, minus the reference, shape (K,)."""
        values = self.reduction.values(ellipse)
        return values if self.shop is None else values + self.shop.shift

    @cached_property
    def own_effects(self) -> SegmentEffects:
        """Effects of the segments, without the form of those whose form is known."""
        if self.shop is None:
            return self.effects
        known = set(self.shop.known.tolist())
        form = tuple(columns * (row not in known) for row, columns in enumerate(self.effects.form))
        return replace(self.effects, form=form)

    def jacobian(self, parameters: FloatArray) -> FloatArray:
        """Derivative of `residual` with respect to p, q, theta, shape (M, 3)."""
        rows = self._divide(self.reduction.partials(Ellipse(*(float(value) for value in parameters))))
        prior = [np.array(prior.weights) / prior.stderr for prior in self.priors]
        return np.concatenate([rows, np.array(prior).reshape(-1, 3)])

    def project(self, rows: FloatArray) -> FloatArray:
        """Rows less all that the linear unknowns can explain."""
        basis = self._linear_basis
        projected: FloatArray = rows - basis @ (basis.T @ rows)
        return projected

    def solve(self, start: FloatArray, varied: tuple[int, ...]) -> tuple[FloatArray, LeastSquaresSolution]:
        """Best p, q, theta with the others held at `start`; the solution holds the projected rows."""
        chosen = list(varied)

        def whole(values: FloatArray) -> FloatArray:
            parameters = start.copy()
            parameters[chosen] = values
            return parameters

        lower, upper = self._bounds(start)
        if not chosen:
            rest = self.project(self.residual(start))
            empty = np.zeros((len(rest), 0))
            return start, LeastSquaresSolution(
                values=np.zeros(0), residual=rest, jacobian=empty, converged=True, at_bound=()
            )
        solution = minimise(
            lambda values: self.project(self.residual(whole(values))),
            lambda values: self.project(self.jacobian(whole(values)))[:, chosen],
            start[chosen],
            lower=lower[chosen],
            upper=upper[chosen],
        )
        return whole(solution.values), solution

    def linear_solution(self, parameters: FloatArray) -> FloatArray:
        """Linear unknowns that fit best at (p, q, theta)."""
        size = np.linalg.norm(self.linear, axis=0)
        found: FloatArray = np.linalg.lstsq(self.linear / size, -self.residual(parameters), rcond=None)[0] / size
        return found

    def joint_jacobian(self, parameters: FloatArray, varied: tuple[int, ...]) -> FloatArray:
        """Columns of the varied parameters, then of the linear unknowns, shape (M, v + n)."""
        return np.column_stack([self.jacobian(parameters)[:, list(varied)], self.linear])

    def posterior(self, parameters: FloatArray, varied: tuple[int, ...]) -> FloatArray:
        """Covariance of the varied parameters and the linear unknowns, shape (v + n, v + n)."""
        return inverse_normal(self.joint_jacobian(parameters, varied))

    def response(self, parameters: FloatArray, varied: tuple[int, ...], pattern: FloatArray) -> FloatArray:
        """Change of all unknowns when node values `pattern` are added to the data, shape (v + n,)."""
        rows = np.concatenate([self._divide(pattern), np.zeros(len(self.priors))])
        jacobian = self.joint_jacobian(parameters, varied)
        size = np.linalg.norm(jacobian, axis=0)
        change: FloatArray = np.linalg.lstsq(jacobian / size, rows, rcond=None)[0] / size
        return change

    def sources(self) -> dict[str, slice]:
        """Rows of the joint Jacobian by what they speak of: each contributes its part to the uncertainty."""
        r, count, data = self.effects.r, len(self.whitened), len(self._target)
        sizes = {"surface error and noise": data}
        if self.model == "random":
            sizes["segment heights and tilts" if r == 2 else "segment tilts"] = count * r
        if self.form:
            sizes["segment form"] = count * len(self.form)
        if self.shop is not None:
            sizes["form from the shop"] = self.shop.columns.shape[1]
        if self.moved is not None:
            sizes |= self.moved.sizes
        elif self.reduction.shared:
            sizes["stitching"] = self.reduction.shared
        if self.priors:
            sizes["priors"] = len(self.priors)
        ends = np.cumsum(list(sizes.values()))
        return {
            name: slice(int(end) - size, int(end))
            for (name, size), end in zip(sizes.items(), ends, strict=True)
            if size
        }

    def held_columns(self, name: str) -> slice:
        """Linear unknowns that rows of one hold: those of 'form from the shop' or of `moved.sizes`."""
        rows, n = self.sources()[name], self.linear.shape[1]
        end = len(self.linear) - len(self.priors)  # the last rows that hold something hold the last unknowns
        return slice(n - (end - rows.start), n - (end - rows.stop))

    @cached_property
    def totals(self) -> FloatArray:
        """Matrix that takes the linear unknowns to the effects of each segment, shape (J r, n)."""
        r, count = self.effects.r, len(self.effects.own)
        parts = {
            "free": [np.eye(count * r)],
            "fixed": [np.concatenate(self.effects.pose)],
            "random": [np.concatenate(self.effects.pose), np.eye(count * r)],
        }[self.model]
        others = count * len(self.form) + self._shop_size + self.reduction.shared
        return np.column_stack([*parts, np.zeros((count * r, others))])

    @cached_property
    def linear_values(self) -> FloatArray:
        """What the linear unknowns do at the nodes, shape (K, n); nothing those of columns that points share."""
        values = self.rigid_values.copy()
        n, m, e = values.shape[1], self.reduction.shared, self._shop_size
        form = len(self.effects.own) * len(self.form)
        if form:
            values[:, n - m - e - form : n - m - e] = _side_by_side(self.own_effects.form)
        if self.shop is not None:
            values[:, n - m - e : n - m] = self.shop.columns
        return values

    @cached_property
    def rigid_values(self) -> FloatArray:
        """What the linear unknowns do at the nodes by heights and tilts of segments alone, shape (K, n)."""
        return np.asarray(_side_by_side(self.effects.own) @ self.totals)

    @cached_property
    def linear(self) -> FloatArray:
        """Columns of the linear unknowns, shape (M, n)."""
        count = len(self.effects.own)
        rows = self._divide(self.linear_values)
        n, m, e, data = rows.shape[1], self.reduction.shared, self._shop_size, len(self._target)
        # rows that hold random effects and shared columns: effect over its spread
        own = self._own_spreads if self.model == "random" else np.zeros(0)
        held = np.concatenate([own, np.tile(self.form, count), np.ones(e + m)])
        if m:
            rows[:data, n - m :] = np.concatenate([white.shared for white in self.whitened])
        rows[data:, n - len(held) :] = np.diag(1 / held)
        if self.moved is not None and len(own):
            # what the spreads hold is how the segments stood before they were moved
            rows[data : data + len(own), n - m :] -= self.moved.factor.reshape(len(own), m) / own[:, None]
        return np.concatenate([rows, np.zeros((len(self.priors), rows.shape[1]))])

    @property
    def _shop_size(self) -> int:
        return 0 if self.shop is None else self.shop.columns.shape[1]

    @property
    def _own_spreads(self) -> FloatArray:
        """Spreads of heights and tilts, those of loose segments without end, shape (J r,)."""
        own = np.tile(self.spreads[-self.effects.r :], (len(self.effects.own), 1))
        own[list(self.loose)] = BOUNDLESS
        return own.ravel()

    @cached_property
    def _linear_basis(self) -> FloatArray:
        size = np.linalg.norm(self.linear, axis=0)
        return np.linalg.qr(self.linear / size)[0]

    @cached_property
    def _target(self) -> FloatArray:
        return np.concatenate([white.projection for white in self.whitened])

    def _divide(self, values: FloatArray) -> FloatArray:
        """Node values over their uncertainty, with room for the rows of random effects and shared columns."""
        parts = self.reduction.split(values)
        rows = [white.factor @ part for white, part in zip(self.whitened, parts, strict=True)]
        per_segment = len(self.form) + (self.effects.r if self.model == "random" else 0)
        below = self._shop_size + self.reduction.shared + per_segment * len(self.whitened)
        rows.append(np.zeros((below, *values.shape[1:])))
        return np.concatenate(rows)

    def _bounds(self, start: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Ranges in which every point of the mirror stays on the ellipse."""
        nodes = self.reduction.nodes
        reach = np.array([max(-nodes.min(), 0.0), max(nodes.max(), 0.0)]) * 1.001
        lower = np.append(np.maximum(start[:2] / 20, reach), start[2] / 20)
        upper = np.append(start[:2] * 20, min(start[2] * 20, 1.57))
        return lower, upper


def _side_by_side(columns: tuple[FloatArray, ...]) -> FloatArray:
    """Columns of each segment at the nodes of all: a block for each segment, zero elsewhere."""
    ends = np.cumsum([block.shape for block in columns], axis=0)
    whole = np.zeros(ends[-1])
    for block, (row, column) in zip(columns, ends, strict=True):
        whole[row - block.shape[0] : row, column - block.shape[1] : column] = block
    return whole
