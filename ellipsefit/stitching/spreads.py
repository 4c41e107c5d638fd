"""Spreads of the random effects of a joining: what holds them, and how large they are by the scans themselves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, get_args

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.outliers import NORMAL_MAD
from ellipsefit.stitching.bordered import FactorisedDense
from ellipsefit.stitching.conditioned import ConditionedScan, StitchSettings
from ellipsefit.stitching.guide import WHITE, GuideModel, GuideShape, believed_guide, one_guide
from ellipsefit.stitching.normal import Effects, ReducedNormal


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """Standard deviations of the random effects, and of a point over its stated one."""

    noise: float
    height: float
    tilt: float  # by the height that it makes at a scan's end; by itself for slopes
    drift: float
    guide: GuideModel
    noise_freedom: int = 0  # points that tell the noise, beyond all that is solved for; 0: neighbours alone do

    @property
    def noise_stderr(self) -> float | None:
        """Standard uncertainty of the noise; None where scans don't tell it by their overlaps."""
        return self.noise / float(np.sqrt(2 * self.noise_freedom)) if self.noise_freedom else None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Precision:
    """Prior precision of the effects, and its product with the prior mean."""

    diagonal: FloatArray  # (k * scans,)
    guide: FloatArray  # (g, g)
    guide_log_determinant: float  # of that
    right: FloatArray  # (m,)

    def added_to(self, matrix: FloatArray) -> FloatArray:
        """A dense matrix (m, m) with the precision added, in place."""
        n = len(self.diagonal)
        matrix[np.arange(n), np.arange(n)] += self.diagonal
        matrix[n:, n:] += self.guide
        return matrix


def precision_of(effects: Effects, spreads: Spreads, conditioned: Sequence[ConditionedScan]) -> Precision:
    """Of scans in the order of the effects."""
    k, count = effects.per_scan, effects.scans
    scale = np.full((count, k), spreads.drift)
    scale[:, effects.tilt_column] = spreads.tilt
    if effects.heights:
        scale[:, 0] = spreads.height
    right = np.zeros(effects.size)
    diagonal = scale.ravel() ** -2.0
    for row, scan in enumerate(conditioned):
        angle, stderr = scan.scan.angle, scan.scan.angle_stderr
        if angle is None or stderr is None:
            continue
        arm = float(np.ptp(scan.x)) / 2 if effects.heights else 1.0
        place = row * k + effects.tilt_column
        diagonal[place] = (arm * stderr) ** -2.0
        right[place] = arm * angle * diagonal[place]
    if effects.guide is None:
        return Precision(diagonal=diagonal, guide=np.zeros((0, 0)), guide_log_determinant=0.0, right=right)
    covariance = spreads.guide.covariance(effects.guide.places)
    # by its eigenvalues: a general inverse loses the positive definiteness that the smooth parts need
    size, modes = np.linalg.eigh(covariance)
    size = np.maximum(size, WHITE * spreads.guide.spread**2)
    inverse = (modes / size) @ modes.T
    logs = -float(np.log(size).sum())
    return Precision(diagonal=diagonal, guide=(inverse + inverse.T) / 2, guide_log_determinant=logs, right=right)


def estimate_spreads(
    normal: ReducedNormal, effects: Effects, conditioned: Sequence[ConditionedScan], settings: StitchSettings
) -> Spreads:
    """Spreads by restricted maximum likelihood."""
    from scipy.optimize import minimize

    right, square, freedom = normal.right, normal.square, normal.freedom
    k, kept = effects.per_scan, effects.scans
    dense = normal.matrix.dense()
    # noise and the sizes of heights and tilts from a fit that holds them loosely
    rough = rough_noise(conditioned)
    largest = max(float(np.abs(scan.deviation[scan.used]).max()) for scan in conditioned) or 1e-12
    span = 1.6 if effects.guide is None else effects.guide.end - effects.guide.start
    wide = one_guide(largest / 10, span / 8)
    loose = Spreads(
        noise=rough,
        height=largest,
        tilt=largest,
        drift=largest / 10,
        guide=wide,
        noise_freedom=max(freedom - effects.size, 0),
    )

    def values_at(spreads: Spreads) -> tuple[FloatArray, float]:
        prior = precision_of(effects, spreads, conditioned)
        penalised = prior.added_to(dense / spreads.noise**2)
        total = right / spreads.noise**2 + prior.right
        factorised = FactorisedDense.of(penalised)
        found = factorised.solve(total)
        return found, factorised.log_determinant - prior.guide_log_determinant - float(total @ found)

    found, _ = values_at(loose)
    own = found[: k * kept].reshape(kept, k)
    noise = rough
    if loose.noise_freedom:
        rest = square - 2 * float(right @ found) + float(found @ (dense @ found))
        noise = max(float(np.sqrt(max(rest, 0.0) / loose.noise_freedom)), rough / 10)

    def spread_of(column: int, least: float) -> float:
        values = own[:, column]
        return max(float(np.std(values, ddof=1)) if kept > 2 else float(np.abs(values).max(initial=0.0)), least)

    height = spread_of(0, 1e-9) if effects.heights else 1e-6
    tilt = spread_of(effects.tilt_column, 1e-9)
    start = replace(loose, noise=noise, height=height, tilt=tilt)
    typical = noise * float(np.sqrt(kept / max(np.diag(dense)[: k * kept : k].sum() / max(len(own), 1), 1e-300)))
    drifts, guided = k > 1 + int(effects.heights), effects.guide is not None
    guide_known = settings.guide_straightness is not None
    guide_spread = settings.guide_straightness or max(10 * typical, 1e-9)
    start = replace(start, drift=max(typical, 1e-12), guide=one_guide(guide_spread, span / 8))
    if not (drifts or guided):
        return _for_poses(start, own, effects)

    def spreads_of(logs: FloatArray, shape: GuideShape) -> Spreads:
        entries = iter(np.exp(logs))
        changes: dict[str, Any] = {"noise": float(next(entries))}
        if drifts:
            changes["drift"] = float(next(entries))
        if guided:
            length = float(next(entries))
            changes["guide"] = one_guide(guide_spread if guide_known else float(next(entries)), length, shape)
        return replace(start, **changes)

    def deviance(logs: FloatArray, shape: GuideShape) -> float:
        spreads = spreads_of(logs, shape)
        try:
            _, value = values_at(spreads)
        except np.linalg.LinAlgError:
            return np.inf
        value += freedom * 2 * np.log(spreads.noise) + square / spreads.noise**2
        if drifts:
            value += 2 * kept * (k - 1 - int(effects.heights)) * np.log(spreads.drift)
        return float(value)

    first = [np.log(start.noise)]
    bounds = [(first[0] - 3, first[0] + 3)]
    if drifts:
        first.append(np.log(start.drift))
        bounds.append((first[-1] - 8, first[-1] + 8))
    if guided and effects.guide is not None:
        first.append(np.log(span / 8))
        bounds.append((np.log(span / effects.guide.intervals * 2), np.log(2 * span)))
        if not guide_known:
            first.append(np.log(guide_spread))
            bounds.append((first[-1] - 6, first[-1] + 10))
    low, high = np.array(bounds).T
    centre = np.clip(first, low + 0.5, high - 1.0)
    simplex = centre + np.vstack([np.zeros(len(centre)), 0.5 * np.eye(len(centre))])  # logarithms: a half is a step
    best: dict[GuideShape, FloatArray] = {
        shape: minimize(
            deviance,
            centre,
            args=(shape,),
            method="Nelder-Mead",
            bounds=bounds,
            options={"xatol": 1e-4, "fatol": 1e-6, "maxfev": 1000, "initial_simplex": simplex},
        ).x
        for shape in (get_args(GuideShape) if guided else ("matern",))
    }
    chosen = min(best, key=lambda shape: deviance(best[shape], shape))
    estimated = spreads_of(best[chosen], chosen)
    if guided and effects.guide is not None:
        found_at = {shape: spreads_of(logs, shape).guide for shape, logs in best.items()}
        prior = precision_of(effects, estimated, conditioned)
        information, pull = _told_of_guide(dense / estimated.noise**2, right / estimated.noise**2, effects, prior)
        believed = believed_guide(
            information,
            pull,
            effects.guide.places,
            {shape: (model.spread, model.length) for shape, model in found_at.items()},
            longest=2 * span,
            known_spread=settings.guide_straightness,
        )
        estimated = replace(estimated, guide=believed)
    # heights and tilts again, now that guide and drift are held as they should be
    own = values_at(estimated)[0][: k * kept].reshape(kept, k)
    return _for_poses(estimated, own, effects)


def _for_poses(spreads: Spreads, own: FloatArray, effects: Effects) -> Spreads:
    """Spreads of heights and tilts from the scans' own.

    Of so few the mean is t distributed: its standard deviation is larger (JCGM 101:2008, 6.4.9.4).
    """
    freedom = len(own) - 1
    if freedom < 2:
        return spreads
    own = own * np.sqrt(max(freedom, 3) / (max(freedom, 3) - 2))
    if effects.heights:
        spreads = replace(spreads, height=max(float(np.std(own[:, 0], ddof=1)), 1e-9))
    return replace(spreads, tilt=max(float(np.std(own[:, effects.tilt_column], ddof=1)), 1e-9))


def _told_of_guide(
    information: FloatArray, right: FloatArray, effects: Effects, prior: Precision
) -> tuple[FloatArray, FloatArray]:
    """What the points tell of the guide's coefficients, the scans' own effects eliminated."""
    n = effects.guide_columns.start
    own = information[:n, :n] + np.diag(prior.diagonal)
    target = right + prior.right
    taken = information[n:, :n] @ FactorisedDense.of(own).solve(np.column_stack([information[:n, n:], target[:n]]))
    return information[n:, n:] - taken[:, :-1], target[n:] - taken[:, -1]


def rough_noise(conditioned: Sequence[ConditionedScan]) -> float:
    """Noise of a point over its stated one, from third differences, which no smooth curve reaches."""
    found = []
    for scan in conditioned:
        third = np.diff(scan.deviation[scan.used] / scan.sigma[scan.used], 3)
        if len(third):
            found.append(NORMAL_MAD * float(np.median(np.abs(third))) / np.sqrt(20.0))  # 1 + 9 + 9 + 1
    # exact data: what is left is rounding, and zero noise is no weight
    largest = max(float(np.abs(scan.deviation[scan.used] / scan.sigma[scan.used]).max()) for scan in conditioned)
    return max(float(np.median(found)) if found else 1.0, 1e-7 * largest, 1e-15)
