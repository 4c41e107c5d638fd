"""The surface's own error along a segment: a stationary correlated part and white noise.

The correlated part is a Gaussian process with a Matérn covariance of smoothness 3/2, 5/2 or infinity
(C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning, 2006, eq. 4.17 and 4.9),
independent from segment to segment. Its smoothness, variance and length, and the noise, are those of
largest restricted likelihood (REML: H. D. Patterson and R. Thompson, Biometrika 58 (1971) 545-554), with
analytic derivatives, from block means and from the scatter that the means leave. The smoothness counts:
how much of the error looks like an ellipse's depends on it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.fit.reduction import Reduction, SegmentMoments


class Correlation(NamedTuple):
    """Shape of a correlation.

    The Matérn smoothness (infinity: Gaussian), and whether it is that of the slope of a stationary height
    error, which has no power at long wavelengths.
    """

    smoothness: float
    of_slope: bool = False

    @property
    def curvature(self) -> float:
        """Minus the second derivative at zero, in units of the length."""
        own = 1.0 if np.isinf(self.smoothness) else self.smoothness / (self.smoothness - 1)
        if not self.of_slope:
            return own
        # that of the slope is the fourth derivative over the second
        return 3.0 if np.isinf(self.smoothness) else 3 * self.smoothness / (self.smoothness - 2)

    def log_stretch(self, other: Correlation) -> float:
        """Logarithm by which its length is that of another shape, if both are as curved at zero."""
        return float(np.log(self.curvature / other.curvature) / 2)


GAUSSIAN: Final = Correlation(np.inf)
#: Shapes that are tried on heights; on slopes also those of the slope of a height error.
KINDS: Final = (Correlation(2.5), GAUSSIAN, Correlation(1.5))
SLOPE_KINDS: Final = (Correlation(2.5, of_slope=True), Correlation(np.inf, of_slope=True), *KINDS)
#: Twice the log-likelihood by which slopes must speak against a stationary height error: a factor of e**2
#: in likelihood (common practice).
SLOPE_EVIDENCE: Final = 4.0
#: Bounds of the correlation length: share of the mean block width, multiple of the longest segment.
SHORTEST: Final = 0.5
LONGEST: Final = 3.0
#: Where spread and length are tried, in standard deviations, and the least share of belief that counts.
BELIEF_STEPS: Final = (-2.4, -1.2, 0.0, 1.2, 2.4)
NEGLIGIBLE: Final = 1e-4
#: Size of a combination of shared effects, over the largest, that is no more than their rounding.
ALIKE: Final = 1e-10
#: Smallest noise that is believed [m or rad]: a computed profile may have none, a measured one never.
FINEST: Final = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceError:
    """Model of what remains when ellipse and pose of a segment are taken away.

    `noise` is the standard deviation of a point of weight 1, which means in units of the given sigma, or
    in m (rad) without one; `correlated` is the standard deviation of the correlated part [m or rad],
    0 for a white residual; `length` its correlation length [m] and `kind` its shape.
    """

    noise: float
    correlated: float = 0.0
    length: float = 0.0
    kind: Correlation = GAUSSIAN

    @property
    def logs(self) -> FloatArray:
        """Logarithms of noise, correlated spread and length, of an error that is correlated."""
        logs: FloatArray = np.log([self.noise, self.correlated, self.length])
        return logs

    @classmethod
    def at(cls, logs: FloatArray, kind: Correlation) -> SurfaceError:
        """That of these logarithms."""
        noise, correlated, length = (float(value) for value in np.exp(logs))
        return cls(noise=noise, correlated=correlated, length=length, kind=kind)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WhitenedSegment:
    """One segment divided by its uncertainty.

    The residual at node values f and weights c of the shared columns is `factor @ f + shared @ c - projection`.
    """

    factor: FloatArray  # (r, k)
    shared: FloatArray  # (r, m)
    projection: FloatArray  # (r,)


def whiten(reduction: Reduction, error: SurfaceError) -> tuple[WhitenedSegment, ...]:
    """Divide every segment by its uncertainty under a model of the surface error."""
    if error.correlated == 0.0:
        return tuple(
            WhitenedSegment(
                factor=part.factor / error.noise,
                shared=part.shared / error.noise,
                projection=part.projection / error.noise,
            )
            for part in reduction.segments
        )
    factors: dict[tuple[bytes, ...], FloatArray] = {}  # segments that are measured alike have one
    whitened = []
    for part in reduction.segments:
        key = _likeness(part)
        if key not in factors:
            factors[key] = np.asarray(np.linalg.cholesky(block_covariance(part, error)), dtype=np.float64)
        whitened.append(_whiten_correlated(part, factors[key]))
    return tuple(whitened)


def block_covariance(part: SegmentMoments, error: SurfaceError) -> FloatArray:
    """Covariance of a segment's block means under a model of the surface error, shape (B, B)."""
    covariance = np.diag(error.noise**2 / part.block_weight)
    if error.correlated:
        covariance += error.correlated**2 * _correlation(part.block_x, error.length, error.kind)[0]
    return covariance


def _whiten_correlated(part: SegmentMoments, factor: FloatArray) -> WhitenedSegment:
    from scipy.linalg import solve_triangular

    everything = np.column_stack([part.block_basis, part.block_shared, part.block_value])
    white = solve_triangular(factor, everything, lower=True)
    triangle: FloatArray = np.linalg.qr(white)[1]
    k = part.block_basis.shape[1]
    rows = triangle[: everything.shape[1] - 1]  # the last row holds what nothing can explain
    return WhitenedSegment(factor=rows[:, :k], shared=rows[:, k:-1], projection=rows[:, -1])


def estimate_white(reduction: Reduction, residual: FloatArray, freedom: int) -> SurfaceError:
    """White noise from the residuals of a fit at unit noise and its degrees of freedom."""
    rest = sum(part.rest for part in reduction.segments)
    square = max(float(residual @ residual) + rest, 0.0)
    return SurfaceError(noise=max(float(np.sqrt(square / max(freedom, 1))), _finest(reduction)))


def _finest(reduction: Reduction) -> float:
    """Smallest noise of a point of weight 1, in the units of `SurfaceError.noise`."""
    weight = sum(float(part.block_weight.sum()) for part in reduction.segments)
    return FINEST * float(np.sqrt(weight / reduction.count))


def estimate_correlated(
    reduction: Reduction,
    *,
    offset: FloatArray,
    shared: FloatArray,
    own: list[FloatArray],
    noise: float,
) -> SurfaceError:
    """Estimate noise, correlated spread and correlation length by REML.

    Parameters
    ----------
    reduction : Reduction
    offset : array, shape (K,)
        Node values of the ellipse about which the model is linear, minus reference.
    shared : array, shape (K, s)
        Node values of the effects that all segments share (ellipse, pose).
    own : list of array, shape (k, r) each
        Node values of the effects that each segment has for itself (height, tilt).
    noise : float
        Starting value, as `SurfaceError.noise`.
    """
    likelihood = SurfaceLikelihood(reduction, offset, shared, own)
    longest = max(part.length for part in reduction.segments)
    scatter, finest = max(likelihood.scatter, FINEST), _finest(reduction)
    within = sum(part.within for part in reduction.segments)
    within_freedom = sum(part.within_freedom for part in reduction.segments)
    if within_freedom > 0 and within > 0:
        noise = max(float(np.sqrt(within / within_freedom)), finest)
    bounds = [
        (max(np.log(noise) - 7, np.log(finest)), np.log(noise) + 4),
        (np.log(scatter) - 9, np.log(scatter) + 4),
        log_lengths(reduction),
    ]
    lowest, best, kind = np.inf, np.zeros(3), KINDS[0]
    before = kind
    starts: list[tuple[float, float, float]] = []
    for trial in SLOPE_KINDS if reduction.quantity == "slope" else KINDS:
        likelihood.kind = trial
        if trial.smoothness == KINDS[0].smoothness:
            starts = [(np.log(noise), np.log(scatter), np.log(longest / share)) for share in (6, 30)]
        else:
            # the next shape, as curved near zero as the last; from the last one's noise it may not find its way
            noise_before, size, length = starts[0]
            length += trial.log_stretch(before)
            starts = [(noise_before, size, length), (np.log(noise), size, length)]
        before = trial
        found = [_most_likely(likelihood, np.clip(start, *np.transpose(bounds)), bounds) for start in starts]
        # a surface whose height wanders without end is the less likely one: it needs evidence
        margin = SLOPE_EVIDENCE if kind.of_slope and not trial.of_slope else 0.0
        for result in found:
            if result.fun < lowest - margin:
                lowest, best, kind, margin = float(result.fun), result.x, trial, 0.0
        better = min(found, key=lambda result: float(result.fun)).x
        starts = [(better[0], better[1], better[2])]
    return SurfaceError.at(best, kind)


def log_lengths(reduction: Reduction) -> tuple[float, float]:
    """Logarithms of the shortest and of the longest correlation length that are looked for."""
    widths = [np.ptp(part.block_x) / (len(part.block_x) - 1) for part in reduction.segments]
    longest = max(part.length for part in reduction.segments)
    return float(np.log(SHORTEST * np.mean(widths))), float(np.log(LONGEST * longest))


def without_form(
    reduction: Reduction,
    error: SurfaceError,
    *,
    offset: FloatArray,
    shared: FloatArray,
    own: list[FloatArray],
    form: list[FloatArray],
) -> tuple[SurfaceError, float]:
    """What the surface error must be if the segments have no form, and how much less likely that is.

    Parameters
    ----------
    reduction, offset, shared, own
        As for `estimate_correlated`.
    error : SurfaceError
        Surface error beside the form.
    form : list of array, shape (k, 2) each
        Node values of the form, times its spreads.

    Returns
    -------
    SurfaceError, float
        Of the same kind, and twice the logarithm by which the likelihood is smaller than with form.
    """
    both = SurfaceLikelihood(reduction, offset, shared, own, form)
    alone = SurfaceLikelihood(reduction, offset, shared, own)
    both.kind = alone.kind = error.kind
    start = error.logs
    bounds = [(start[0] - 3, start[0] + 3), (start[1] - 9, start[1] + 9), log_lengths(reduction)]
    found = _most_likely(alone, start, bounds)
    return SurfaceError.at(found.x, error.kind), found.fun - both(start)[0]


def believed_errors(likelihood: SurfaceLikelihood, error: SurfaceError) -> list[tuple[SurfaceError, float]]:
    """Surface errors that the data leave believable beside the most likely one, each with its share of the belief.

    Of each shape, a grid about the most likely spread and length, in steps of their standard deviations and out to
    twice those, weighed by the likelihood; before the data, each logarithm and each shape is as good as any other.
    The noise stays: many points tell it far better than anything tells the rest.
    """
    grid, weights = [], []
    for kind in {error.kind: None} | dict.fromkeys(SLOPE_KINDS if error.kind.of_slope else KINDS):
        likelihood.kind = kind
        start = error.logs
        start[2] += kind.log_stretch(error.kind)
        found = _most_likely(likelihood, start, [(value - 3, value + 3) for value in start])
        values, vectors = np.linalg.eigh(likelihood.curvature(found.x, 0.02)[1:, 1:] / 2)
        widths = np.maximum(values, 1.0) ** -0.5  # what the data don't tell is believed within a factor of 2.7
        for first in BELIEF_STEPS:
            for second in BELIEF_STEPS:
                logs = found.x.copy()
                logs[1:] += vectors @ (widths * (first, second))
                weights.append(likelihood(logs)[0] / 2 - np.log(widths.prod()))
                grid.append(SurfaceError.at(logs, kind))
    share = np.exp(min(weights) - np.array(weights))
    share /= share.sum()
    return [(one, float(part)) for one, part in zip(grid, share, strict=True) if part > NEGLIGIBLE]


class _Found(NamedTuple):
    """Where a likelihood is largest: the logarithms, and minus twice its logarithm."""

    x: FloatArray
    fun: float


def _most_likely(likelihood: SurfaceLikelihood, start: FloatArray, bounds: list[tuple[float, float]]) -> _Found:
    """Search for the most likely logarithms of noise, spread and length from a start within bounds."""
    from scipy.optimize import minimize

    # many points tell the noise far better than anything tells the rest: in units of its own the search is round
    unit = np.array([max(likelihood.within_freedom / 1000, 1.0) ** -0.5, 1.0, 1.0])

    def scaled(steps: FloatArray) -> tuple[float, FloatArray]:
        value, gradient = likelihood(steps * unit)
        return value, gradient * unit

    found = minimize(
        scaled,
        start / unit,
        jac=True,
        method="L-BFGS-B",
        bounds=[(low / size, high / size) for (low, high), size in zip(bounds, unit, strict=True)],
        options={"ftol": 1e-9, "gtol": 1e-3},
    )
    return _Found(found.x * unit, float(found.fun))


def _correlation(x: FloatArray, length: float, kind: Correlation) -> tuple[FloatArray, FloatArray]:
    """Correlation of points on a segment and its derivative with respect to log(length), (B, B) each."""
    distance = np.abs(x[:, None] - x[None, :]) / length
    if kind.smoothness == np.inf:
        square = distance * distance
        decay = np.exp(-square / 2)
        if kind.of_slope:
            return (1 - square) * decay, square * (3 - square) * decay
        return decay, square * decay
    a = np.sqrt(2 * kind.smoothness) * distance
    decay = np.exp(-a)
    if kind.of_slope:
        return (1 + a - a * a) * decay, a * a * (3 - a) * decay
    if kind.smoothness == 1.5:
        return (1 + a) * decay, a * a * decay
    return (1 + a + a * a / 3) * decay, a * a * (1 + a) / 3 * decay


class SurfaceLikelihood:
    """Minus twice the restricted log-likelihood as a function of log noise, log spread, log length.

    `form`: node values of random effects of each segment, times their spreads, that are part of the covariance.
    Segments that are measured alike (on one grid, with the same weights) have one covariance, which is
    factored once for all of them.
    """

    def __init__(
        self,
        reduction: Reduction,
        offset: FloatArray,
        shared: FloatArray,
        own: list[FloatArray],
        form: list[FloatArray] | None = None,
    ) -> None:
        self.kind = KINDS[0]
        offsets, shares = reduction.split(offset), _told_apart(reduction, shared, own)
        self.s, self.r = shares[0].shape[1], own[0].shape[1]
        alike: dict[tuple[bytes, ...], list[int]] = {}
        columns, forms = [], []
        for number, (part, shift, share, mine) in enumerate(zip(reduction.segments, offsets, shares, own, strict=True)):
            effects = np.column_stack([share, part.block_basis @ mine])
            columns.append(np.column_stack([effects, part.block_value - part.block_basis @ shift]))
            random = part.block_basis @ form[number] if form else np.zeros((len(part.block_x), 0))
            forms.append(random @ random.T)
            alike.setdefault((*_likeness(part), *_rounded(random)), []).append(number)
        self.groups = [
            _Alike(
                x=reduction.segments[rows[0]].block_x,
                weight=reduction.segments[rows[0]].block_weight,
                form=forms[rows[0]],
                columns=np.stack([columns[row] for row in rows]),
            )
            for rows in alike.values()
        ]
        self.within = sum(part.within for part in reduction.segments)
        self.within_freedom = sum(part.within_freedom for part in reduction.segments)
        self.scatter = self._scatter()

    def _scatter(self) -> float:
        """Rms of the block means less each segment's own and shared effects, the segments taken singly."""
        squares, count = 0.0, 0
        for columns in (one for group in self.groups for one in group.columns):
            effects, value = columns[:, :-1], columns[:, -1]
            rest = value - effects @ np.linalg.lstsq(effects, value, rcond=None)[0]
            squares, count = squares + float(rest @ rest), count + len(value)
        return float(np.sqrt(squares / count))

    def _of_scatter(self, log_noise: float) -> float:
        """What the scatter within blocks adds to the value: less a constant, or a million points drown the rest."""
        if self.within <= 0 or self.within_freedom == 0:
            return float(self.within_freedom * 2 * log_noise)
        away = log_noise - np.log(self.within / self.within_freedom) / 2
        return float(self.within_freedom * (2 * away + np.expm1(-2 * away)))

    def __call__(self, logs: FloatArray) -> tuple[float, FloatArray]:
        """Value (up to a constant) and gradient at the logarithms of noise, correlated spread and length."""
        from scipy.linalg import lapack

        noise, spread, length = np.exp(logs)
        s, r = self.s, self.r
        value = self._of_scatter(logs[0])
        gradient = np.array([2 * self.within_freedom - 2 * self.within / noise**2, 0.0, 0.0])
        changes, inverses, solved, grams = [], [], [], []
        for group in self.groups:
            count = len(group.columns)
            correlation, longer = _correlation(group.x, length, self.kind)
            white = noise**2 / group.weight
            correlation *= spread**2
            longer *= spread**2
            covariance = correlation + group.form
            diagonal = slice(None, None, len(white) + 1)
            covariance.flat[diagonal] += white
            triangle, info = lapack.dpotrf(covariance, lower=1, overwrite_a=1)
            if info != 0:
                return np.inf, np.zeros(3)
            value += count * 2 * float(np.log(np.diag(triangle)).sum())
            inverse = lapack.dpotri(triangle, lower=1, overwrite_c=1)[0]
            inverse = inverse + inverse.T  # the upper half is zero
            inverse.flat[diagonal] /= 2
            changes.append((2 * white, 2 * correlation, longer))
            inverses.append(inverse)
            solved.append(inverse @ group.columns)
            grams.append(group.columns.transpose(0, 2, 1) @ solved[-1])
        # eliminate each segment's own effects, then solve the shared ones together
        gram = np.concatenate(grams)
        mine = np.linalg.inv(gram[:, s : s + r, s : s + r])
        value -= float(np.linalg.slogdet(mine)[1].sum())
        coupling = mine @ gram[:, s : s + r, :]
        reduced = (gram - gram[:, :, s : s + r] @ coupling).sum(axis=0)
        normal, right = reduced[:s, :s], reduced[:s, -1]
        covariance_shared = np.linalg.pinv(normal, rcond=1e-13, hermitian=True)
        value += float(np.log(np.maximum(np.linalg.eigvalsh(normal), 1e-300)).sum())
        best = covariance_shared @ right
        value += float(reduced[-1, -1] - right @ best)
        # effects of each segment, the shared ones and its own given them, and their covariance
        found = np.column_stack([np.tile(best, (len(gram), 1)), coupling[:, :, -1] - coupling[:, :, :s] @ best])
        spread_all = np.concatenate([np.tile(np.eye(s), (len(gram), 1, 1)), -coupling[:, :, :s]], axis=1)
        effects = spread_all @ covariance_shared @ spread_all.transpose(0, 2, 1)
        effects[:, s:, s:] += mine
        start = 0
        for change, inverse, one in zip(changes, inverses, solved, strict=True):
            rows = slice(start, start + len(one))
            start += len(one)
            design = one[:, :, : s + r]
            rest = one[:, :, -1:] - design @ found[rows][:, :, None]
            # derivative by the covariance K: K^-1 less K^-1 E K^-1, E the squares that the data let expect
            left, right = np.concatenate([design @ effects[rows], rest], 2), np.concatenate([design, rest], 2)
            pull = len(one) * inverse - np.tensordot(left, right, axes=((0, 2), (0, 2)))
            gradient += (pull.diagonal() @ change[0], np.vdot(pull, change[1]), np.vdot(pull, change[2]))
        return float(value), gradient

    def curvature(self, logs: FloatArray, step: float) -> FloatArray:
        """Second derivatives at these logarithms, shape (3, 3)."""
        steps = np.eye(3) * step
        found = np.array([(self(logs + one)[1] - self(logs - one)[1]) / (2 * step) for one in steps])
        both: FloatArray = (found + found.T) / 2
        return both


def _told_apart(reduction: Reduction, shared: FloatArray, own: list[FloatArray]) -> list[FloatArray]:
    """Block means of the shared effects as combinations that are orthonormal beside the segments' own effects, (B, s).

    Differences of the likelihood do not depend on the combinations, its rounding does: on one segment the derivatives
    by p, q and theta are as alike as the terms of a power series. Combinations that rounding makes up are left out.
    """
    shares = [part.block_basis @ share for part, share in zip(reduction.segments, reduction.split(shared), strict=True)]
    if not shared.shape[1]:
        return shares
    size = np.linalg.norm(np.concatenate(shares), axis=0)
    rows = []
    for part, share, mine in zip(reduction.segments, shares, own, strict=True):
        root = np.sqrt(part.block_weight)[:, None]
        basis = np.linalg.qr(root * (part.block_basis @ mine))[0]
        row = root * share / size
        rows.append(row - basis @ (basis.T @ row))
    _, values, turned = np.linalg.svd(np.concatenate(rows), full_matrices=False)
    kept = values > ALIKE * values[0]
    combined = turned[kept].T / values[kept] / size[:, None]
    return [share @ combined for share in shares]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Alike:
    """Segments of one covariance: B block means each, c columns."""

    x: FloatArray  # (B,) [m]
    weight: FloatArray  # (B,)
    form: FloatArray  # (B, B) covariance of what form does to the block means
    columns: FloatArray  # (segments, B, c): shared effects, own effects, value


def _likeness(part: SegmentMoments) -> tuple[bytes, ...]:
    """What is the same for segments of one covariance of their block means."""
    return (*_rounded(part.block_x - part.block_x[0]), *_rounded(part.block_weight))


def _rounded(array: FloatArray) -> tuple[bytes, ...]:
    """An array to a part in 10**9 of its size, to compare by."""
    size = float(f"{np.abs(array).max(initial=0.0):.9e}")
    return np.float64(size).tobytes(), np.round(array / (size or 1.0) * 1e9).tobytes()
