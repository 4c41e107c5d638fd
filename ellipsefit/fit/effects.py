"""Height and tilt of the segments as effects: what they do at the nodes, and how much they spread."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.fit.reduction import Reduction
from ellipsefit.fit.surface_error import WhitenedSegment
from ellipsefit.profile import Quantity

#: Twice the log-likelihood by which form must explain the data better: the 5 % point of the mixture of
#: chi-squared distributions for two variances at their bound (S. G. Self and K.-Y. Liang, J. Am. Stat.
#: Assoc. 82 (1987) 605-610, case 7).
FORM_EVIDENCE: Final = 4.23
#: Fewest measured segments from which a spread can be estimated.
FEWEST_SEGMENTS: Final = 5
#: Value of a likelihood that rounding hides; finite, for a search compares values.
UNTOLD: Final = 1e300
#: Spread that leaves a segment free [m, rad].
BOUNDLESS: Final = 1.0
#: Spreads by which the common mode is weighted where none are in use: 5 um and 20 urad.
USUAL_SPREADS: Final = (5e-6, 20e-6)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SegmentEffects:
    """Effects of each measured segment, about its middle: height and tilt, or tilt alone for slopes.

    `own[j]` (k, r) gives the node values of the r effects of segment j; `pose[j]` (r, r) the effects that
    a pose of the whole mirror (height at x = 0, tilt) has on it. `form[j]` (k, 2) gives the second and third
    Legendre polynomial over the span (their slopes' like for measured slopes): the low-order form that a
    segment has of its own, from polishing or support.
    """

    own: tuple[FloatArray, ...]
    pose: tuple[FloatArray, ...]
    form: tuple[FloatArray, ...]

    @property
    def r(self) -> int:
        """Effects per segment: 2 (height, tilt) or 1 (tilt)."""
        return int(self.own[0].shape[1])

    @property
    def shared_pose(self) -> FloatArray:
        """Node values of the pose of the whole mirror, all segments one after the other, shape (K, r)."""
        return np.concatenate([own @ pose for own, pose in zip(self.own, self.pose, strict=True)])


def segment_effects(reduction: Reduction) -> SegmentEffects:
    """Effects of the measured segments at their nodes."""
    own, pose, form = [], [], []
    for part in reduction.segments:
        ones = np.ones_like(part.nodes)
        s = 2 * (part.nodes - part.middle) / part.length
        if reduction.quantity == "height":
            own.append(np.column_stack([ones, part.nodes - part.middle]))
            pose.append(np.array([[1.0, part.middle], [0.0, 1.0]]))
            form.append(np.column_stack([(3 * s**2 - 1) / 2, (5 * s**3 - 3 * s) / 2]))
        else:
            own.append(ones[:, None])
            pose.append(np.eye(1))
            form.append(np.column_stack([s, (3 * s**2 - 1) / 2]))
    return SegmentEffects(own=tuple(own), pose=tuple(pose), form=tuple(form))


def beside_surface(
    effects: SegmentEffects, partials: FloatArray, *, tied: bool, apart: bool
) -> tuple[FloatArray, list[FloatArray]]:
    """What the surface error is estimated beside: columns that all segments share, and each segment's own.

    Parameters
    ----------
    partials : array, shape (K, v)
        Derivatives with respect to the ellipse's free parameters, at the nodes.
    tied : bool
        Segments are not misplaced: all share the pose.
    apart : bool
        Form is each segment's own, of any size. With it, segments leave nothing of an ellipse's change.
    """
    if tied:
        return np.column_stack([partials, effects.shared_pose]), [columns[:, :0] for columns in effects.own]
    if apart:
        return partials[:, :0], [np.column_stack(both) for both in zip(effects.own, effects.form, strict=True)]
    return partials, list(effects.own)


def common_mode(effects: SegmentEffects, quantity: Quantity, spreads: tuple[float, float]) -> FloatArray:
    """Matrix that takes all segments' effects, shape (J r,), to the pose of the mirror, shape (r,).

    Least squares of h_i = H + T x_i with weight 1/s_h**2 and t_i = T with weight 1/s_t**2.
    """
    scale = np.array(spreads if quantity == "height" else spreads[1:])
    design = np.concatenate([pose / scale[:, None] for pose in effects.pose])
    weights: FloatArray = np.linalg.pinv(design) / np.tile(scale, len(effects.pose))
    return weights


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpreadLikelihood:
    """Minus twice the restricted log-likelihood of the spreads of segment effects, small and exact.

    Everything else (ellipse, pose) is integrated out with a flat prior; data are divided by their uncertainty.
    """

    gram: FloatArray  # (J, c, c) of the columns: shared, random effects, value
    shared: int  # shared columns: ellipse and pose
    own: int  # height and tilt: the first random effects
    loose: tuple[int, ...] = ()  # segments whose height and tilt are not held

    @property
    def random(self) -> int:
        """Random effects of each segment."""
        return int(self.gram.shape[1]) - self.shared - 1

    def __call__(self, spread: FloatArray) -> tuple[float, FloatArray]:
        """Value and its derivatives by the logarithms of the spreads, shape (random,).

        UNTOLD where it cannot be told from rounding.
        """
        try:
            value, gradient = self._deviance(spread)
        except np.linalg.LinAlgError:  # data without noise
            return UNTOLD, np.zeros(self.random)
        return (value, gradient) if np.isfinite(value) else (UNTOLD, np.zeros(self.random))

    def _deviance(self, spread: FloatArray) -> tuple[float, FloatArray]:
        s, r, count = self.shared, self.random, len(self.gram)
        # effects in units of their spreads: each is of unit variance
        scale = np.ones((count, s + r + 1))
        scale[:, s : s + r] = spread
        scale[list(self.loose), s : s + self.own] = BOUNDLESS
        gram = self.gram * scale[:, :, None] * scale[:, None, :]
        mine = np.linalg.inv(gram[:, s : s + r, s : s + r] + np.eye(r))
        coupling = mine @ gram[:, s : s + r, :]
        reduced = (gram - gram[:, :, s : s + r] @ coupling).sum(axis=0)
        shared, right = np.linalg.inv(reduced[:s, :s]), reduced[:s, -1]
        best = shared @ right
        rest = float(reduced[-1, -1] - right @ best)
        value = rest - float(np.linalg.slogdet(mine)[1].sum()) - float(np.linalg.slogdet(shared)[1])
        # Fisher's identity: each spread asks for the mean square of its effects that the data let expect
        known = coupling[:, :, :s]
        effect = coupling[:, :, -1] - known @ best
        variance = np.diagonal(mine, axis1=1, axis2=2) + ((known @ shared) * known).sum(axis=2)
        pull = 2 - 2 * (effect**2 + variance)
        pull[list(self.loose), : self.own] = 0.0
        return value, pull.sum(axis=0)


def estimate_spreads(
    reduction: Reduction,
    whitened: tuple[WhitenedSegment, ...],
    effects: SegmentEffects,
    *,
    offset: FloatArray,
    partials: FloatArray,
    given: tuple[float | None, float | None],
    form: bool = False,
    loose: tuple[int, ...] = (),
) -> tuple[float, ...]:
    """Spreads of segment height [m] and tilt [rad], and of their form, by REML, as far as they are not given.

    Parameters
    ----------
    reduction, whitened, effects
        The data, divided by their uncertainty.
    offset : array, shape (K,)
        Node values of the ellipse about which the model is linear, minus reference.
    partials : array, shape (K, v)
        Derivatives with respect to the ellipse's free parameters.
    given : tuple
        Spread of height and of tilt where they are known, else None.
    form : bool
        Whether the two terms of the segments' own form are estimated, too.
    loose : tuple of int
        Rows of segments whose height and tilt do not count, for they were knocked.

    Returns
    -------
    tuple of float
        Spread of height and of tilt; the height's is the usual one (not used) for slopes; with `form` also
        those of its two terms [m or rad], if the data speak for them.
    """
    from scipy.optimize import minimize

    height, tilt = given
    if reduction.quantity == "slope":
        height = USUAL_SPREADS[0]
    if height is not None and tilt is not None and not form:
        return height, tilt
    likelihood, start = spread_likelihood(
        reduction, whitened, effects, offset=offset, partials=partials, form=form, loose=loose
    )
    known = [height, tilt][-effects.r :] + [None] * (2 * form)
    fixed = np.array(known, dtype=np.float64)  # NaN where they are not
    open_ = np.isnan(fixed)

    def spreads(logs: FloatArray) -> FloatArray:
        whole = fixed.copy()
        whole[open_] = np.exp(logs)
        return whole

    first = np.log(start[open_])

    def deviance(logs: FloatArray) -> tuple[float, FloatArray]:
        value, gradient = likelihood(spreads(logs))
        return value, gradient[open_]

    def best(start: FloatArray, bounds: list[tuple[float, float]]) -> tuple[FloatArray, float]:
        found = minimize(
            deviance,
            start,
            jac=True,
            method="L-BFGS-B",
            bounds=bounds,
            options={"ftol": 1e-12, "gtol": 1e-5},
        )
        return spreads(found.x), float(found.fun)

    bounds = [(float(value) - 9, float(value) + 5) for value in first]
    values, lowest = best(first, bounds)
    if form:
        # form that is no more than the surface error's own would only make everything look less certain
        none = np.append(first[:-2], [low for low, _ in bounds[-2:]])
        plain, without = best(none, [*bounds[:-2], *((low, low + 1e-3) for low, _ in bounds[-2:])])
        if without - lowest < FORM_EVIDENCE:
            values = plain[:-2]
    result = tuple(float(value) for value in values)
    return result if effects.r == 2 else (USUAL_SPREADS[0], *result)


def spread_likelihood(
    reduction: Reduction,
    whitened: tuple[WhitenedSegment, ...],
    effects: SegmentEffects,
    *,
    offset: FloatArray,
    partials: FloatArray,
    form: bool,
    loose: tuple[int, ...] = (),
) -> tuple[SpreadLikelihood, FloatArray]:
    """The likelihood of the spreads, and starting values for them; arguments as for `estimate_spreads`."""
    slopes = reduction.split(partials / np.linalg.norm(partials, axis=0))
    shifts = reduction.split(offset)
    grams, free = [], []
    for number, white in enumerate(whitened):
        own, pose = effects.own[number], effects.pose[number]
        random = np.column_stack([own, effects.form[number]]) if form else own
        columns = white.factor @ np.column_stack([slopes[number], own @ pose, random])
        value = white.projection - white.factor @ shifts[number]
        # how each segment stands if left free: data for the starting value
        free.append(np.linalg.lstsq(columns[:, -random.shape[1] :], value, rcond=None)[0])
        both = np.column_stack([columns, value])
        grams.append(both.T @ both)
    r = effects.r
    values = np.array(free)
    kept = [row for row in range(len(values)) if row not in loose]
    design = np.concatenate([effects.pose[row] for row in kept])
    own_values = values[kept, :r].ravel()
    rest = (own_values - design @ np.linalg.lstsq(design, own_values, rcond=None)[0]).reshape(-1, r)
    start = np.maximum(np.concatenate([np.std(rest, axis=0), np.std(values[:, r:], axis=0) / 2]), 1e-9)
    return SpreadLikelihood(gram=np.array(grams), shared=partials.shape[1] + r, own=r, loose=loose), start
