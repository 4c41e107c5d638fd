"""Joining: one weighted least-squares problem for profile, scans, guide and drift.

Heights and tilts of the scans, the guide's error and the drift are random effects with Gaussian spreads,
estimated by restricted maximum likelihood; the profile itself has no prior, so nothing is invented about the
mirror. What the scans cannot tell is thereby held by the spreads, and is uncertain by as much.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.errors import DataError
from ellipsefit.mirror import Mirror
from ellipsefit.outliers import NORMAL_MAD
from ellipsefit.profile import Profile
from ellipsefit.rows import number
from ellipsefit.scan import Scan
from ellipsefit.stitching.ambiguity import Ambiguity, scan_ambiguities
from ellipsefit.stitching.conditioning import ConditionedScan, StitchSettings, condition_scans
from ellipsefit.stitching.direction import check_directions
from ellipsefit.stitching.fusion import fuse
from ellipsefit.stitching.guide import guide_basis, guide_covariance
from ellipsefit.stitching.normal import Effects, Observations, ReducedNormal, gather, knot_means, reduce_points
from ellipsefit.stitching.result import Stitched, StitchedScan, Undetermined
from ellipsefit.threads import single_threaded

#: Largest problem in effects that is solved densely.
DENSE: Final = 1500
#: Scans from which spreads are estimated, at most.
SAMPLE: Final = 40
#: Columns that the covariance's low-rank part may have, and its largest number of entries.
RANK: Final = 96
ENTRIES: Final = 20_000_000
#: Scan residual over that of all, beyond which a scan contradicts the others.
MISFIT: Final = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """Standard deviations of the random effects, and of a point over its stated one."""

    noise: float
    height: float
    tilt: float  # by the height that it makes at a scan's end; by itself for slopes
    drift: float
    guide: float
    guide_length: float


@single_threaded
def stitch(
    scans: Sequence[Scan],
    mirror: Mirror,
    *,
    settings: StitchSettings | None = None,
    progress: Callable[[str], object] = str,
) -> Stitched:
    """Join raw scans to one profile with a covariance.

    Parameters
    ----------
    scans : sequence of Scan
        Overlapping; of heights, slopes, or both: then each kind is joined for itself, and both are fused.
    mirror : Mirror
        The mirror, with how the scan's axis lies on it.
    settings : StitchSettings, optional
    progress : callable
        Told each step before it begins.

    Returns
    -------
    Stitched
        The profile is in the mirror frame, relative to the mean height and tilt of the scans.

    Raises
    ------
    DataError
        If the scans contradict themselves, the mirror or each other, or are not linked by overlaps.
    """
    settings = StitchSettings() if settings is None else settings
    slopes = [scan for scan in scans if scan.quantity == "slope"]
    if slopes and len(slopes) < len(scans):
        others = [scan for scan in scans if scan.quantity == "height"]
        return _joined_together(
            stitch(others, mirror, settings=settings, progress=progress),
            stitch(slopes, mirror, settings=replace(settings, guide_straightness=None), progress=progress),
        )
    progress("conditioning")
    conditioned = condition_scans(scans, mirror, settings)
    step = float(np.median([np.median(np.abs(np.diff(scan.x))) for scan in conditioned]))
    points = gather(conditioned, step)
    heights = scans[0].quantity == "height"
    timed = all(scan.time is not None for scan in scans) and points.freedom_per_scan > 20
    ambiguities = scan_ambiguities(conditioned, drift_degree=settings.drift_degree if timed else 0)
    for item in ambiguities:
        if item.kind == "unlinked":
            raise DataError(
                f"the scans don't hang together: nothing tells the {item.function}; expected overlaps of at least 5 "
                f"points, or {item.remedy}"
            )
    if settings.drift_degree >= 2 and not timed:
        ambiguities = (*ambiguities, _unknown_drift(scans))
    progress("joining")
    guide = None
    if settings.guide and points.carriage is not None and not any(item.kind == "guide" for item in ambiguities):
        guide = guide_basis(points.carriage, step)
    effects = Effects(
        heights=heights,
        drift_degree=settings.drift_degree if timed else 0,
        guide=guide,
        scans=len(conditioned),
    )
    normal = reduce_points(points, effects)
    few, part, sample = normal, effects, conditioned
    if effects.scans > SAMPLE:  # spreads from neighbours are good to a few per cent
        sample = tuple(sorted(conditioned, key=lambda scan: float(scan.x.min()))[:SAMPLE])
        part = replace(effects, scans=len(sample))
        few = reduce_points(gather(sample, step), part)
    spreads = _estimate(few, part, sample, settings)
    solution = _solve(normal, effects, spreads, conditioned)
    means = knot_means(points, effects)
    away = float(np.abs(points.x - means[3][points.knot]).max())
    if away > 1e-6:  # points of different scans don't coincide: carry each to its knot along the profile's slope
        progress("joining again, along the slope")
        deviation = means[1] - means[0] @ solution.values
        slope = _local_slope(means[3], deviation, step)
        points = replace(points, deviation=points.deviation - slope[points.knot] * (points.x - means[3][points.knot]))
        normal = reduce_points(points, effects)
        solution = _solve(normal, effects, spreads, conditioned)
        means = knot_means(points, effects)
    progress("covariance")
    return _result(conditioned, mirror, settings, ambiguities, points, effects, spreads, solution, means)


def _unknown_drift(scans: Sequence[Scan]) -> Ambiguity:
    """Drift that is not solved for, as something that stays open."""
    timed = all(scan.time is not None for scan in scans)
    return Ambiguity(
        kind="drift",
        function=f"a drift of each scan{' beyond a line' * (scans[0].quantity == 'height')}, "
        + ("which no repeats tell from the mirror" if timed else "which nothing tells without the time of each point"),
        remedy=("" if timed else "the time of each point, and ") + "repeats forward and backward of the same stretch",
        partners=("drift",),
    )


def _joined_together(heights: Stitched, slopes: Stitched) -> Stitched:
    """Heights and slopes as one result; guide and drift are those of the heights."""
    profile = fuse(heights, slopes)
    beyond = [
        name for name in dict.fromkeys(_names(slopes.profile)) if name not in dict.fromkeys(_names(heights.profile))
    ]
    warnings = [*heights.warnings, *slopes.warnings]
    if beyond:
        warnings.append(f"segment {', '.join(beyond)} has slopes but no heights: it is not in the profile")
    factor = np.zeros((len(profile.x), 0)) if profile.covariance_factor is None else profile.covariance_factor
    width = max(heights.drift.shape[1], slopes.drift.shape[1])
    drift = [np.pad(part.drift, ((0, 0), (0, width - part.drift.shape[1]))) for part in (heights, slopes)]
    return replace(
        heights,
        profile=profile,
        scans=(*heights.scans, *slopes.scans),
        undetermined=tuple(
            replace(item, stderr=None if item.stderr is None else _left_open(item.ambiguity, True, profile.x, factor))
            for item in heights.undetermined
        ),
        conditioned=(*heights.conditioned, *slopes.conditioned),
        residuals=(*heights.residuals, *slopes.residuals),
        drift=np.concatenate(drift),
        warnings=tuple(warnings),
    )


def _names(profile: Profile) -> list[str]:
    """Segments of the points in use."""
    return [] if profile.segment is None else [str(name) for name in profile.segment[profile.used]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solution:
    """Best effects, and a way to apply their covariance."""

    values: FloatArray  # (m,)
    factorised: Any  # solve(right) of the penalised normal equations
    penalised: Any  # their matrix


def _precision(effects: Effects, spreads: Spreads, conditioned: Sequence[ConditionedScan]) -> tuple[Any, FloatArray]:
    """Prior precision of the effects (sparse) and its product with the prior mean."""
    from scipy.sparse import block_diag, coo_array, csr_array, diags_array

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
    own = diags_array(diagonal)
    if effects.guide is None:
        return csr_array(own), right
    covariance = guide_covariance(effects.guide.places, spreads.guide, spreads.guide_length)
    # by its eigenvalues: a general inverse loses the positive definiteness that the smooth parts need
    size, modes = np.linalg.eigh(covariance)
    inverse = (modes / np.maximum(size, 1e-9 * spreads.guide**2)) @ modes.T
    inverse = (inverse + inverse.T) / 2
    return csr_array(block_diag([own, coo_array(inverse)])), right


def _solve(
    normal: ReducedNormal, effects: Effects, spreads: Spreads, conditioned: Sequence[ConditionedScan]
) -> Solution:
    precision, right = _precision(effects, spreads, conditioned)
    penalised = normal.matrix / spreads.noise**2 + precision
    total = normal.right / spreads.noise**2 + right
    if effects.size <= DENSE:
        from scipy.linalg import cho_solve

        dense = penalised.toarray()
        size = np.sqrt(np.diag(dense))
        factor = _cholesky(dense / np.outer(size, size))

        def solve(rhs: FloatArray) -> FloatArray:
            columns = rhs.reshape(len(rhs), -1)
            found: FloatArray = cho_solve(factor, columns / size[:, None]) / size[:, None]
            return found.reshape(rhs.shape)

        return Solution(values=solve(total), factorised=solve, penalised=dense)
    from scipy.sparse.linalg import splu

    # scans in the order of their places couple to their neighbours alone, and the guide, last, to all: a band
    # with a border, which stays one when factorised
    k = effects.per_scan
    places = np.argsort([float(scan.x.min()) for scan in conditioned], kind="stable")
    own = (places[:, None] * k + np.arange(k)).ravel()
    order = np.concatenate([own, np.arange(k * effects.scans, effects.size)])
    inverse = splu(penalised[order][:, order].tocsc(), permc_spec="NATURAL", options={"SymmetricMode": True})

    def solve_sparse(rhs: FloatArray) -> FloatArray:
        found = np.empty_like(rhs)
        found[order] = inverse.solve(np.ascontiguousarray(rhs[order]))
        return found

    return Solution(values=solve_sparse(total), factorised=solve_sparse, penalised=penalised)


def _noise_of(scans: Sequence[ConditionedScan], effects: Effects, settings: StitchSettings) -> float:
    """Noise over the stated one that joining of these scans finds."""
    step = float(np.median([np.median(np.abs(np.diff(scan.x))) for scan in scans]))
    part = replace(effects, scans=len(scans))
    return _estimate(reduce_points(gather(scans, step), part), part, scans, settings).noise


def _estimate(
    normal: ReducedNormal, effects: Effects, conditioned: Sequence[ConditionedScan], settings: StitchSettings
) -> Spreads:
    """Spreads by restricted maximum likelihood."""
    from scipy.linalg import cho_solve
    from scipy.optimize import minimize

    right, square, freedom = normal.right, normal.square, normal.freedom
    k, kept = effects.per_scan, effects.scans
    dense = normal.matrix.toarray()
    # noise and the sizes of heights and tilts from a fit that holds them loosely
    rough = _rough_noise(conditioned)
    largest = max(float(np.abs(scan.deviation[scan.used]).max()) for scan in conditioned) or 1e-12
    loose = Spreads(noise=rough, height=largest, tilt=largest, drift=largest / 10, guide=largest / 10, guide_length=0.2)
    reach = 0.2 if effects.guide is None else (effects.guide.end - effects.guide.start) / 8
    loose = replace(loose, guide_length=reach)

    def values_at(spreads: Spreads) -> tuple[FloatArray, float]:
        precision, mean = _precision(effects, spreads, conditioned)
        penalised = dense / spreads.noise**2 + precision.toarray()
        total = right / spreads.noise**2 + mean
        size = np.sqrt(np.diag(penalised))
        factor = _cholesky(penalised / np.outer(size, size))
        found = cho_solve(factor, total / size, check_finite=False) / size
        logs = 2 * float(np.log(np.diag(factor[0])).sum() + np.log(size).sum())
        return found, logs - float(total @ found)

    found, _ = values_at(loose)
    own = found[: k * kept].reshape(kept, k)
    noise = rough
    if freedom > effects.size:
        rest = square - 2 * right @ found + found @ (dense @ found)
        noise = max(float(np.sqrt(max(rest, 0.0) / (freedom - effects.size))), rough / 10)

    def spread_of(column: int, least: float) -> float:
        values = own[:, column]
        return max(float(np.std(values, ddof=1)) if kept > 2 else float(np.abs(values).max(initial=0.0)), least)

    height = spread_of(0, 1e-9) if effects.heights else 1e-6
    tilt = spread_of(effects.tilt_column, 1e-9)
    start = replace(loose, noise=noise, height=height, tilt=tilt)
    typical = noise * float(np.sqrt(kept / max(np.diag(dense)[: k * kept : k].sum() / max(len(own), 1), 1e-300)))
    drifts, guided = k > 1 + int(effects.heights), effects.guide is not None
    guide_known = settings.guide_straightness is not None
    start = replace(start, drift=max(typical, 1e-12), guide=settings.guide_straightness or max(10 * typical, 1e-9))
    if not (drifts or guided):
        return _for_poses(start, own, effects)

    def spreads_of(logs: FloatArray) -> Spreads:
        entries = iter(np.exp(logs))
        changes: dict[str, float] = {"noise": float(next(entries))}
        if drifts:
            changes["drift"] = float(next(entries))
        if guided:
            changes["guide_length"] = float(next(entries))
            if not guide_known:
                changes["guide"] = float(next(entries))
        return replace(start, **changes)

    def deviance(logs: FloatArray) -> float:
        spreads = spreads_of(logs)
        try:
            _, value = values_at(spreads)
        except np.linalg.LinAlgError:
            return np.inf
        value += freedom * 2 * np.log(spreads.noise) + square / spreads.noise**2
        if drifts:
            value += 2 * kept * (k - 1 - int(effects.heights)) * np.log(spreads.drift)
        if guided and effects.guide is not None:
            covariance = guide_covariance(effects.guide.places, spreads.guide, spreads.guide_length)
            value += float(np.linalg.slogdet(covariance)[1])
        return float(value)

    first = [np.log(start.noise)]
    bounds = [(first[0] - 3, first[0] + 3)]
    if drifts:
        first.append(np.log(start.drift))
        bounds.append((first[-1] - 8, first[-1] + 8))
    if guided and effects.guide is not None:
        span = effects.guide.end - effects.guide.start
        first.append(np.log(start.guide_length))
        bounds.append((np.log(span / effects.guide.intervals * 2), np.log(2 * span)))
        if not guide_known:
            first.append(np.log(start.guide))
            bounds.append((first[-1] - 6, first[-1] + 10))
    low, high = np.array(bounds).T
    centre = np.clip(first, low + 0.5, high - 1.0)
    simplex = centre + np.vstack([np.zeros(len(centre)), 0.5 * np.eye(len(centre))])  # logarithms: a half is a step
    best = minimize(
        deviance,
        centre,
        method="Nelder-Mead",
        bounds=bounds,
        options={"xatol": 1e-4, "fatol": 1e-6, "maxfev": 1000, "initial_simplex": simplex},
    )
    if guided and not guide_known:
        best.x[-1] = _widened(deviance, best.x)
    estimated = spreads_of(best.x)
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


def _widened(deviance: Callable[[FloatArray], float], best: FloatArray) -> float:
    """Logarithm of the guide's spread, whose square is the mean over its likelihood at the best length.

    From one guide its spread is known to some ten per cent at best, and nothing measures the parabola, whose
    uncertainty is in proportion to it.
    """
    spreads = best[-1] + np.linspace(-1.0, 6.0, 29)
    values = np.array([deviance(np.r_[best[:-1], spread]) for spread in spreads])
    weights = np.exp(-0.5 * (values - values.min()))
    return 0.5 * float(np.log(weights @ np.exp(2 * spreads) / weights.sum()))


@single_threaded
def expected_covariance(
    conditioned: Sequence[ConditionedScan], effects: Effects, spreads: Spreads, step: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Covariance of the profile that scans will give, before any value is measured.

    Parameters
    ----------
    conditioned : sequence of ConditionedScan
        Scans with their positions and sigmas; values do not count.
    effects, spreads
        Of the joining.
    step : float
        Distance of points [m].

    Returns
    -------
    place, factor, variance : array, shapes (K,), (K, r), (K,)
        Positions [m]; the covariance is factor @ factor.T + diag(variance) [m**2].
    """
    points = gather(conditioned, step)
    solution = _solve(reduce_points(points, effects), effects, spreads, conditioned)
    matrix, _, weight, place = knot_means(points, effects)
    factor, left = _low_rank(matrix, solution, effects, points.knots)
    return place, factor, spreads.noise**2 / weight + left


def _cholesky(matrix: FloatArray) -> tuple[FloatArray, bool]:
    """Cholesky factor of a positive definite matrix of unit diagonal, for `cho_solve`."""
    from scipy.linalg import cho_factor

    try:
        factor, lower = cho_factor(matrix, lower=True, check_finite=False)
    except np.linalg.LinAlgError:
        # noise so small against heights and tilts that rounding hides the prior of the common pose: hold that
        ridge = 1e-14 * len(matrix) * np.eye(len(matrix))
        factor, lower = cho_factor(matrix + ridge, lower=True, check_finite=False)
    return factor, lower


def _rough_noise(conditioned: Sequence[ConditionedScan]) -> float:
    """Noise of a point over its stated one, from third differences, which no smooth curve reaches."""
    found = []
    for scan in conditioned:
        third = np.diff(scan.deviation[scan.used] / scan.sigma[scan.used], 3)
        if len(third):
            found.append(NORMAL_MAD * float(np.median(np.abs(third))) / np.sqrt(20.0))  # 1 + 9 + 9 + 1
    # exact data: what is left is rounding, and zero noise is no weight
    largest = max(float(np.abs(scan.deviation[scan.used] / scan.sigma[scan.used]).max()) for scan in conditioned)
    return max(float(np.median(found)) if found else 1.0, 1e-7 * largest, 1e-15)


def _local_slope(x: FloatArray, deviation: FloatArray, step: float) -> FloatArray:
    """Slope of the profile at its knots, over a few neighbours; 0 next to gaps."""
    slope = np.gradient(deviation, x)
    near = np.gradient(x) < 2 * step
    return np.where(near, slope, 0.0)


def _low_rank(means: Any, solution: Solution, effects: Effects, knots: int) -> tuple[FloatArray, FloatArray]:
    """Factor (K, r) of the part of the covariance that points share, and what the factor leaves out, (K,)."""
    rank = int(np.clip(ENTRIES // max(knots, 1), 4, RANK))
    gram = means.T @ means
    if effects.size <= DENSE:
        from scipy.linalg import eigh

        # modes of the effects, largest first, by the variance that they give the profile
        _, modes = eigh(gram.toarray(), solution.penalised)
        modes = modes[:, ::-1]
        everything = means @ modes
        rank = min(rank, modes.shape[1])
        rest: FloatArray = np.einsum("ij,ij->i", everything[:, rank:], everything[:, rank:])
        return np.ascontiguousarray(everything[:, :rank]), rest
    from scipy.sparse.linalg import LinearOperator, eigsh

    solve = LinearOperator(gram.shape, matvec=solution.factorised)
    _, modes = eigsh(gram, k=rank, M=solution.penalised, Minv=solve, which="LM", tol=1e-3)
    return means @ modes[:, ::-1], np.zeros(knots)


def _result(
    conditioned: tuple[ConditionedScan, ...],
    mirror: Mirror,
    settings: StitchSettings,
    ambiguities: tuple[Ambiguity, ...],
    points: Observations,
    effects: Effects,
    spreads: Spreads,
    solution: Solution,
    means: tuple[Any, FloatArray, FloatArray, FloatArray],
) -> Stitched:
    matrix, mean_value, weight, place = means
    deviation = mean_value - matrix @ solution.values
    factor, left = _low_rank(matrix, solution, effects, points.knots)
    support = mirror.measurement.support
    if support is not None and support.uncertainty:
        column = _sag_column(conditioned, effects, spreads, solution)
        factor = np.column_stack([factor, support.uncertainty * column])
    variance = spreads.noise**2 / weight + left
    quantity = conditioned[0].scan.quantity
    ideal = mirror.nominal.height(place) if quantity == "height" else mirror.nominal.slope(place)
    starts = np.array([part.start for part in mirror.segments])
    index = np.clip(np.searchsorted(starts - 1e-9, place, side="right") - 1, 0, None)
    names = np.array([part.name for part in mirror.segments])
    profile = Profile(
        name=f"{len(conditioned)} stitched scans",
        quantity=quantity,
        x=place,
        values=ideal + deviation,
        sigma=np.sqrt(variance),
        segment=names[index],
        # a point of the profile rests on what no scan masks; masks of single points stay with their scans
        mask=np.zeros(len(place), dtype=bool),
        mask_reason=np.full(len(place), ""),
        covariance_factor=factor,
        frame="mirror",
    )
    residuals, against_others = _residuals(conditioned, points, effects, solution, deviation, weight)
    stitched = _stitched_scans(conditioned, effects, solution, residuals)
    either_way = check_directions(
        conditioned,
        against_others,
        mirror,
        noise=spreads.noise,
        rough_noise=_rough_noise(conditioned),
        noise_of=lambda scans: _noise_of(scans, effects, settings),
        guide=effects.guide is not None,
    )
    _check_misfit(stitched)
    guide = _guide(effects, solution)
    warnings = [
        *_untreated(conditioned, mirror, settings),
        *_untold(either_way),
        *(
            f"scan {scan.name}: {scan.masked} points are masked"
            for scan in stitched
            if scan.masked > 0.05 * len(points.knot)
        ),
    ]
    own = solution.values[: effects.per_scan * effects.scans].reshape(effects.scans, -1)
    return Stitched(
        mirror=mirror,
        profile=profile,
        scans=stitched,
        undetermined=tuple(_undetermined(item, effects, spreads, place, factor, conditioned) for item in ambiguities),
        guide_carriage=guide[0],
        guide_error=guide[1],
        guide_stderr=guide[2],
        guide_spread=None if effects.guide is None else spreads.guide,
        guide_length=None if effects.guide is None else spreads.guide_length,
        drift=own[:, effects.tilt_column + 1 :],
        drift_spread=spreads.drift if effects.drift_degree >= 2 else None,
        noise=spreads.noise,
        conditioned=conditioned,
        residuals=residuals,
        settings=settings,
        warnings=tuple(warnings),
    )


def _few(names: Sequence[str]) -> str:
    return ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")


def _untold(names: Sequence[str]) -> list[str]:
    """Warning of scans that nothing tells from their mirror image."""
    if not names:
        return []
    return [
        f"scan{'s' * (len(names) > 1)} {_few(names)}: the data fit as well back to front, so a reversed x would not be "
        "noticed; the file is taken at its word"
    ]


def _untreated(conditioned: Sequence[ConditionedScan], mirror: Mirror, settings: StitchSettings) -> list[str]:
    """Warnings of steps that lack what some scans or the mirror file do not tell."""
    scans, how = [item.scan for item in conditioned], mirror.measurement
    said = []
    if how.expansion is None and any(scan.temperature is not None for scan in scans):
        said.append("the scans carry temperatures, but the mirror file has no expansion: lengths are taken as measured")
    lacking = (
        ("temperature", "its lengths are taken as measured", how.expansion is not None and how.temperature is None),
        ("carriage", "the error of the guide is solved for in no scan", settings.guide),
        ("time", "drift is solved for in no scan", settings.drift_degree >= 2),
        ("sigma", "it is taken from the differences of neighbours", True),
    )
    for key, what, wanted in lacking:
        without = [scan.name for scan in scans if getattr(scan, key) is None]
        if wanted and 0 < len(without) < len(scans):
            said.append(f"scan {_few(without)} carries no {key}, as others do: {what}")
    return said


def _sag_column(
    conditioned: Sequence[ConditionedScan],
    effects: Effects,
    spreads: Spreads,
    solution: Solution,
) -> FloatArray:
    """What the profile owes to the sag that was taken away, shape (K,): joining is linear, so it is joined itself."""
    sags = [scan.sag if scan.sag is not None else np.zeros(len(scan.x)) for scan in conditioned]
    silent = tuple(replace(scan, deviation=sag) for scan, sag in zip(conditioned, sags, strict=True))
    step = float(np.median([np.median(np.abs(np.diff(scan.x))) for scan in conditioned]))
    own = gather(silent, step)
    values = solution.factorised(reduce_points(own, effects).right / spreads.noise**2)
    matrix, mean, _, _ = knot_means(own, effects)
    column: FloatArray = mean - matrix @ values
    return column


def _residuals(
    conditioned: Sequence[ConditionedScan],
    points: Observations,
    effects: Effects,
    solution: Solution,
    deviation: FloatArray,
    weight: FloatArray,
) -> tuple[tuple[FloatArray, ...], tuple[FloatArray, ...]]:
    """For each scan, points minus the model, and minus the model of all other scans (NaN where there is none)."""
    rest = points.deviation - deviation[points.knot]
    for block in points.blocks():
        rest[block] -= effects.matrix(points, block) @ solution.values
    order = np.argsort(points.scan, kind="stable")
    found, others = [], []
    # in a knot the others' mean is the common one less this point's share
    lone = np.maximum(1 - points.weight / weight[points.knot], 0.0)
    apart = np.divide(rest, lone, out=np.full_like(rest, np.nan), where=lone > 1e-9)
    counts = np.bincount(points.scan, minlength=len(conditioned))
    for scan, mine in zip(conditioned, np.split(order, np.cumsum(counts)[:-1]), strict=True):
        values = np.full(len(scan.x), np.nan)
        used = np.flatnonzero(scan.used)
        # points are sorted by x within a segment, and segments by x: so are these
        values[used[np.argsort(scan.x[used], kind="stable")]] = rest[mine]
        found.append(values)
        alone = np.full(len(scan.x), np.nan)
        alone[used[np.argsort(scan.x[used], kind="stable")]] = apart[mine]
        others.append(alone)
    return tuple(found), tuple(others)


def _stitched_scans(
    conditioned: Sequence[ConditionedScan],
    effects: Effects,
    solution: Solution,
    residuals: Sequence[FloatArray],
) -> tuple[StitchedScan, ...]:
    k = effects.per_scan
    own = solution.values[: k * effects.scans].reshape(-1, k)
    scans = []
    for scan, values, rest in zip(conditioned, own, residuals, strict=True):
        arm = float(np.ptp(scan.x)) / 2 if effects.heights else 1.0
        scans.append(
            StitchedScan(
                name=scan.scan.name,
                height=float(values[0]) if effects.heights else None,
                tilt=float(values[effects.tilt_column]) / arm,
                masked=int((~scan.used).sum()),
                residual_rms=float(np.sqrt(np.nanmean(rest**2))),
            )
        )
    return tuple(scans)


def _check_misfit(stitched: Sequence[StitchedScan]) -> None:
    """Refuse a scan that the others contradict, such as one that is reversed."""
    if len(stitched) < 3:
        return
    typical = float(np.median([scan.residual_rms for scan in stitched]))
    worst = max(stitched, key=lambda scan: scan.residual_rms)
    if worst.residual_rms > MISFIT * max(typical, 1e-15):
        raise DataError(
            f"scan '{worst.name}' contradicts the others: it leaves {worst.residual_rms / typical:.3g} times their "
            "residual; expected the same mirror in the same order, check whether its x is reversed or shifted"
        )


def _guide(effects: Effects, solution: Solution) -> tuple[FloatArray, FloatArray, FloatArray]:
    if effects.guide is None:
        return np.zeros(0), np.zeros(0), np.zeros(0)
    carriage = np.linspace(effects.guide.start, effects.guide.end, 201)
    basis = effects.guide.matrix(carriage).toarray()
    columns = effects.guide_columns
    line = np.column_stack([np.ones_like(carriage), carriage])
    less_line = basis - line @ np.linalg.lstsq(line, basis, rcond=None)[0]
    whole = np.zeros((effects.size, len(carriage)))
    whole[columns] = less_line.T
    variance = np.einsum("ij,ij->j", whole, solution.factorised(whole))
    return carriage, less_line @ solution.values[columns], np.sqrt(np.maximum(variance, 0.0))


def _undetermined(
    item: Ambiguity,
    effects: Effects,
    spreads: Spreads,
    place: FloatArray,
    factor: FloatArray,
    conditioned: Sequence[ConditionedScan],
) -> Undetermined:
    """How an ambiguity was fixed, and the uncertainty that the profile carries along it."""
    kind: Literal["length", "angle"] = "length" if effects.heights else "angle"
    fixed_by, known = "nothing: it stands in the profile as part of the mirror", False
    if item.kind == "pose":
        height = "height" in item.function
        fixed_by = f"the {'heights' if height else 'tilts'} of the scans are zero on average"
        known = len(conditioned) > 2
        kind = "length" if height else "angle"
    elif item.kind == "drift":
        fixed_by = "nothing: it is taken as none, and stands in the profile as part of the mirror"
    elif item.partners:
        kind = "angle" if item.kind == "line" else kind
        held = []
        if "guide" in item.partners:
            spread = number(spreads.guide, "length" if effects.heights else "angle", digits=2)
            held.append(
                "the guide is taken as straight, as asked for"
                if effects.guide is None
                else "the guide's error is taken as a stationary random function of the carriage (spread "
                f"{spread}, correlation length {number(spreads.guide_length, 'length')}, as the scans tell)"
            )
        if "drift" in item.partners:
            spread = number(spreads.drift, "length" if effects.heights else "angle", digits=2)
            held.append(f"the drift of each scan is taken as random about zero (spread {spread}, as the scans tell)")
        fixed_by, known = ", and ".join(held), not ("guide" in item.partners and effects.guide is None)
    return Undetermined(
        function=item.function,
        fixed_by=fixed_by,
        stderr=_left_open(item, effects.heights, place, factor) if known else None,
        kind=kind,
        remedy=item.remedy,
        ambiguity=item,
    )


def _left_open(item: Ambiguity, heights: bool, place: FloatArray, factor: FloatArray) -> float:
    """Standard uncertainty that the covariance carries along an ambiguity: its amplitude over the mirror."""
    middle, half = (place[0] + place[-1]) / 2, max(float(np.ptp(place)) / 2, 1e-12)
    s = (place - middle) / half
    if item.kind == "periodic":
        return _periodic(place, factor, item.period or 1.0)
    if item.kind == "shape":  # rms over the mirror, a parabola set aside
        basis = np.vander(s, 3)
        rest = factor - basis @ np.linalg.lstsq(basis, factor, rcond=None)[0]
        return float(np.sqrt(np.mean(np.einsum("ij,ij->i", rest, rest))))
    degree = item.degree or 0
    if degree == 1 and heights:
        return _along(s * half, factor)
    if degree == 0:
        return _along(np.ones_like(s), factor)
    lower = np.vander(s, degree)
    return _along(s**degree - lower @ np.linalg.lstsq(lower, s**degree, rcond=None)[0], factor)


def _along(pattern: FloatArray, factor: FloatArray) -> float:
    """Standard uncertainty of the coefficient of a pattern, by least squares on the profile."""
    return float(np.linalg.norm(pattern @ factor) / (pattern @ pattern))


def _periodic(place: FloatArray, factor: FloatArray, period: float) -> float:
    """Rms over the mirror of the standard uncertainty along sinusoids of the period, the parabola set aside."""
    parabola = np.vander(place / np.abs(place).max(), 3)
    factor = factor - parabola @ np.linalg.lstsq(parabola, factor, rcond=None)[0]
    harmonics = np.arange(1, 9)
    phase = 2 * np.pi * harmonics[:, None] * place[None, :] / period
    basis = np.concatenate([np.cos(phase), np.sin(phase)]).T
    fit = basis @ np.linalg.lstsq(basis, factor, rcond=None)[0]
    return float(np.sqrt(np.mean(np.einsum("ij,ij->i", fit, fit))))
