"""How sure the rms and peak to valley of a figure are: noise, what the fit takes away, and what all points share.

The mean square S / N of an error F r, with r = P z what the fit leaves of the measured values z, changes by twice
v'P e / N for errors e of these, v = F'F r. For noise of covariance D and sums of squares that are those of surface and
noise together,

    Var(S) = 4 v'P D P'v - 2 tr((F D F')**2),

as E[v'D v] for a Gaussian e holds the trace once too often; it is no less than half its first term, which it is
for noise alone. P is I - C H, with C what the fitted unknowns do to the surface and H how the fit draws them from the
points: by block means, under its own covariance. Beyond their noise the unknowns are unsure for the surface's own
error, which is in part a line: where F r is not orthogonal to C, that counts too. Columns that points share and
systematic inputs change r by what the fit does not take up, and enter by v'P alone (JCGM 100:2008, 5.2).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol, get_args

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.figure import Figure, Gathered, Told, rms_of
from ellipsefit.fit.problem import JointProblem
from ellipsefit.fit.surface_error import SurfaceError, block_covariance
from ellipsefit.fit.systematics import systematic_patterns
from ellipsefit.mirror import Measurement
from ellipsefit.profile import Quantity


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LeftByFit:
    """What errors of the block means leave in the residual, by blocks: those of all segments one after the other."""

    starts: dict[int, int]  # first block of each segment's measurement now, by its number
    noise: FloatArray  # (B,) variance of the noise of each block's mean
    places: FloatArray  # (B,) [m]
    taken: FloatArray  # (B, u) what the unknowns do there
    drawn: FloatArray  # (B, u) how they are drawn from the means
    unsure: FloatArray  # (u, u) their covariance, but for what all points share
    shared: FloatArray  # (B, m) what is left of what all points share, at one standard uncertainty
    gains: FloatArray  # (2, m) relative changes of height and slope errors by the same

    def blocks(self, number: int) -> int:
        """How many blocks a segment has."""
        later = [start for start in self.starts.values() if start > self.starts[number]]
        return min(later, default=len(self.noise)) - self.starts[number]


def noise_of(error: SurfaceError, *, stated: bool) -> float:
    """Standard deviation of the measurement's noise at a point of weight 1.

    With a stated uncertainty of the points that is 1, or what the data show if they show more; a white model cannot
    tell noise from the surface, and takes all for noise where none is stated.
    """
    if not stated:
        return error.noise
    return max(error.noise, 1.0) if error.correlated else 1.0


def left_by_fit(
    problem: JointProblem,
    parameters: FloatArray,
    varied: tuple[int, ...],
    how: Measurement,
    *,
    own_columns: int,
    noise: float,
) -> LeftByFit | None:
    """How the fit takes up errors of the measured points; None where it does not tell all its unknowns.

    Parameters
    ----------
    problem : JointProblem
    parameters : array, shape (3,)
        p, q, theta.
    varied : tuple of int
        Which of them were fitted.
    how : Measurement
        Uncertainties of what all points share.
    own_columns : int
        Columns that the points of this measurement are unsure of together, the first of those of the problem.
    noise : float
        As of `noise_of`.
    """
    reduction, ellipse = problem.reduction, Ellipse(*(float(value) for value in parameters))
    posterior = problem.posterior(parameters, varied)
    if not np.isfinite(posterior).all():
        return None
    v = len(varied)
    surface = np.column_stack([reduction.partials(ellipse)[:, list(varied)], problem.rigid_values])
    everything = np.column_stack([surface[:, :v], problem.linear_values])
    patterns = systematic_patterns(reduction, ellipse, how)
    changes = [problem.response(parameters, varied, pattern) for pattern in patterns.values()]
    # the columns that points share are unknowns of unit variance: what the others do for them is their covariance
    first = len(posterior) - reduction.shared
    columns = -posterior[:, first : first + own_columns]
    nodes = np.column_stack([np.zeros((len(surface), own_columns)), *patterns.values()])
    nodes = nodes - surface @ np.column_stack([columns, *changes])
    blocks: list[list[FloatArray]] = []
    starts, start = {}, 0
    for part, mine, does, left in zip(
        reduction.segments, reduction.split(surface), reduction.split(everything), reduction.split(nodes), strict=True
    ):
        starts[part.number] = start
        start += len(part.block_x)
        design = part.block_basis @ does
        if part.block_shared.shape[1]:
            design[:, -part.block_shared.shape[1] :] += part.block_shared
        still = part.block_basis @ left
        still[:, :own_columns] += part.block_shared[:, :own_columns]
        variance = noise**2 / part.block_weight
        drawn = np.linalg.solve(block_covariance(part, problem.error), design @ posterior)
        blocks.append([variance, part.block_x, part.block_basis @ mine, np.asarray(drawn, dtype=np.float64), still])
    variances, places, taken, drawn_, shared = (np.concatenate(column) for column in zip(*blocks, strict=True))
    gains = np.zeros((2, shared.shape[1]))
    for place, name in enumerate(patterns, own_columns):
        if name.endswith("gain"):  # of all that is measured, the errors among it
            gains[:, place] = how.gain_uncertainty
        if name == "x scale":  # measured closer together, slopes are steeper, and sums of slopes lower
            heights = reduction.quantity == "height"
            gains[:, place] = (0.0, how.x_scale_uncertainty) if heights else (-how.x_scale_uncertainty, 0.0)
    return LeftByFit(
        starts=starts,
        noise=variances,
        places=places,
        taken=taken,
        drawn=drawn_,
        unsure=(posterior - columns @ columns.T) * problem.scale**2,
        shared=shared,
        gains=gains,
    )


class Summed(Protocol):
    """What of one error of a segment tells how sure its sum of squares is, as `figure.Gathered` gathers it."""

    @property
    def pulls(self) -> FloatArray:
        """Sums of F'F r in the blocks of the reduction."""

    @property
    def scatter(self) -> float:
        """Its product with the variance of a point's noise, at weight 1."""

    @property
    def pairs(self) -> float:
        """Trace of (F V F')**2."""

    @property
    def square(self) -> float:
        """Sum of squares."""


def square_variance(parts: Mapping[int, Summed], left: LeftByFit, noise: float, gains: FloatArray) -> float:
    """A quarter of the variance of the sum of squares over some segments.

    Parameters
    ----------
    parts : mapping
        By number of the segment.
    left : LeftByFit
        Of the fit.
    noise : float
        Standard deviation of a point of weight 1.
    gains : array, shape (m,)
        Relative changes of the error by what all points share.
    """
    pulls = np.zeros(len(left.noise))
    for number, part in parts.items():
        pulls[left.starts[number] :][: len(part.pulls)] = part.pulls
    taken = left.taken.T @ pulls
    drawn = left.drawn @ taken
    scatter = noise**2 * sum(part.scatter for part in parts.values())
    scatter = max(scatter + float(left.noise @ (drawn**2 - 2 * drawn * pulls)), 0.0)
    beyond = max(float(taken @ left.unsure @ taken - left.noise @ drawn**2), 0.0)
    pairs = noise**4 * sum(part.pairs for part in parts.values())
    shared = left.shared.T @ pulls + gains * sum(part.square for part in parts.values())
    return max(scatter - pairs / 2, scatter / 2) + beyond + float(shared @ shared)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Unsure:
    """Uncertainty of one error's numbers."""

    error: Quantity
    told: Told
    left: LeftByFit
    noise: float

    @property
    def parts(self) -> dict[int, Gathered]:
        return self.told.of(self.error)

    @property
    def gains(self) -> FloatArray:
        gains: FloatArray = self.left.gains[int(self.error == "slope")]
        return gains

    def square(self, numbers: Sequence[int]) -> float:
        """A quarter of the variance of the sum of squares over some segments."""
        return square_variance({number: self.parts[number] for number in numbers}, self.left, self.noise, self.gains)

    def rms(self, numbers: Sequence[int]) -> float:
        """Of the rms over some segments."""
        root = float(np.sqrt(self.square(numbers)))
        size = sum(part.count for part in map(self.parts.__getitem__, numbers)) * rms_of(
            self.parts[number] for number in numbers
        )
        return root / size if size else 0.0

    def peak_to_valley(self) -> float:
        """Of the difference of the extremes."""
        high, top, low, bottom = self.told.extremes(self.error)
        noise = self.noise**2 * self.told.extremes_noise(self.error)
        shared = self.shared_at(high, top.x) - self.shared_at(low, bottom.x)
        shared = shared + self.gains * (top.value - bottom.value)
        return float(np.sqrt(noise + shared @ shared))

    def shared_at(self, number: int, x: float) -> FloatArray:
        """What all points share does to the error at a place, (m,)."""
        start = self.left.starts[number]
        blocks = slice(start, start + len(self.parts[number].pulls))
        places, which = np.unique(self.left.places[blocks], return_index=True)
        shared = self.left.shared[blocks][which]
        if self.error == self.told.quantity or len(places) < 2:
            field = shared * (self.error == self.told.quantity)
        elif self.error == "slope":
            field = np.gradient(shared, places, axis=0)
        else:
            rise = np.diff(places)[:, None] * (shared[1:] + shared[:-1]) / 2
            field = np.concatenate([np.zeros((1, shared.shape[1])), np.cumsum(rise, axis=0)])
            field = field - field.mean(axis=0)
        return np.array([np.interp(x, places, column) for column in field.T])


def with_uncertainties(
    figure: Figure, told: Told, left: LeftByFit | None, noise: float, misplacement: FloatArray
) -> Figure:
    """A figure with the standard uncertainty of each number.

    Parameters
    ----------
    figure, told
        From `figure.measured_figure`.
    left : LeftByFit or None
        Of the fit.
    noise : float
        Standard deviation of a point of weight 1.
    misplacement : array, shape (J r, J r)
        Covariance of heights and tilts of the measured segments relative to ellipse and pose.
    """
    measured, errors = list(told.height), get_args(Quantity)
    found: dict[str, Any] = {}
    for error in errors:
        parts = told.of(error)
        count = sum(part.count for part in parts.values())
        if count:
            found[f"{error}_noise_rms"] = noise * float(np.sqrt(sum(part.noise for part in parts.values()) / count))
    if left is None:
        return replace(figure, **found)
    r = len(misplacement) // len(measured)
    for error in errors:
        unsure = _Unsure(error=error, told=told, left=left, noise=noise)
        parts, known = unsure.parts, [number for number in measured if unsure.parts[number].count]
        if not known:
            continue
        found[f"{error}_error_rms_stderr"] = unsure.rms(measured)
        found[f"{error}_error_pv_stderr"] = unsure.peak_to_valley()
        found[f"segment_{error}_error_rms_stderr"] = tuple(
            unsure.rms([number]) if number in known else None for number in range(len(figure.segment_slope_error_rms))
        )
        whole = getattr(figure, f"whole_{error}_error_rms")
        if whole is None:
            continue
        # heights and tilts pull on heights, tilts alone on slopes; slopes tell of no heights that were misplaced
        pulls = np.array([parts[number].whole_pull for number in measured])
        pulls = pulls[:, :1] if error == "slope" else pulls
        own = misplacement if error == "height" else misplacement[r - 1 :: r, r - 1 :: r]
        square = unsure.square(measured)
        if pulls.size == len(own):
            square += max(float(pulls.ravel() @ own @ pulls.ravel()), 0.0)  # by rounding, where nothing is unsure
        size = whole * sum(part.count for part in parts.values())
        found[f"whole_{error}_error_rms_stderr"] = float(np.sqrt(square)) / size if size else 0.0
    return replace(figure, **found)
