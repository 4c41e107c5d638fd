"""Joining: one weighted least-squares problem for profile, scans, guide and drift.

Heights and tilts of the scans, the guide's error and the drift are random effects with Gaussian spreads,
estimated by restricted maximum likelihood; the profile itself has no prior, so nothing is invented about the
mirror. What the scans cannot tell is thereby held by the spreads, and is uncertain by as much.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal, get_args

import numpy as np

from ellipsefit.arrays import FloatArray, frozen, median
from ellipsefit.checks import refuse_or_warn
from ellipsefit.checks.scans import check_scans
from ellipsefit.errors import DataError
from ellipsefit.mirror import Mirror
from ellipsefit.outliers import NORMAL_MAD
from ellipsefit.profile import Profile
from ellipsefit.rows import number
from ellipsefit.scan import Scan
from ellipsefit.stitching.ambiguity import Ambiguity, scan_ambiguities
from ellipsefit.stitching.bordered import Factorised, FactorisedDense
from ellipsefit.stitching.conditioning import ConditionedScan, StitchSettings, condition_scans
from ellipsefit.stitching.direction import check_directions, scans_to_turn
from ellipsefit.stitching.fusion import fuse
from ellipsefit.stitching.guide import WHITE, GuideModel, GuideShape, believed_guide, guide_basis, one_guide
from ellipsefit.stitching.normal import (
    FEW_KNOTS,
    Effects,
    Observations,
    ReducedNormal,
    gather,
    reduce_points,
    with_deviations,
)
from ellipsefit.stitching.result import Residuals, Stitched, StitchedScan, Undetermined
from ellipsefit.stitching.substitution import (
    JoinedProfile,
    Solution,
    covariance_modes,
    heights_at_knots,
    joined_profile,
)
from ellipsefit.threads import single_threaded

#: Largest problem in effects that is solved densely.
DENSE: Final = 400
#: Scans from which spreads are estimated, at most.
SAMPLE: Final = 40
#: Scans that tell the distance of points, at most about.
STEPS: Final = 500
#: Scan residual over that of all, beyond which a scan contradicts the others.
MISFIT: Final = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """Standard deviations of the random effects, and of a point over its stated one."""

    noise: float
    height: float
    tilt: float  # by the height that it makes at a scan's end; by itself for slopes
    drift: float
    guide: GuideModel


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
    suspected = check_scans(scans, mirror, temperature_limit=settings.temperature_limit)
    suspicions = refuse_or_warn("the scans", suspected)
    some = conditioned[:: -(-len(conditioned) // STEPS)]
    step = float(np.median([median(np.abs(np.diff(scan.x))) for scan in some]))
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
    carriage = points.carriage_range
    if settings.guide and carriage is not None and not any(item.kind == "guide" for item in ambiguities):
        guide = guide_basis(carriage, step)
    effects = Effects(
        heights=heights,
        drift_degree=settings.drift_degree if timed else 0,
        guide=guide,
        scans=len(conditioned),
    )
    normal = reduce_points(points, effects)
    few, part, sample = normal, effects, points.scans
    if effects.scans > SAMPLE:  # spreads from neighbours are good to a few per cent
        sample = tuple(sorted(conditioned, key=lambda scan: min(scan.x[0], scan.x[-1]))[:SAMPLE])
        part = replace(effects, scans=len(sample))
        fewer = gather(sample, step, border=False)
        few, sample = reduce_points(fewer, part), fewer.scans
    spreads = _estimate(few, part, sample, settings)
    solution = _solve(normal, effects, spreads, points.scans)
    if normal.away > 1e-6:  # points of different scans don't coincide: carry each to its knot along the profile
        progress("joining again, along the slope")
        place, deviation = heights_at_knots(points, effects, solution.values)
        points = replace(points, place=place, slope=_local_slope(place, deviation, step))
        normal = with_deviations(normal, points, effects)
        solution = _solve(normal, effects, spreads, points.scans)
    progress("covariance")
    modes = covariance_modes(points.knots, normal, solution)
    values, factorised = solution.values, solution.factorised
    support = mirror.measurement.support
    sag = None
    if support is not None and support.uncertainty:
        sag = support.uncertainty * _sag_column(points, effects, normal, factorised, spreads.noise)
    del normal, few, solution  # large, and done with
    nominal = mirror.nominal.height if heights else mirror.nominal.slope
    rough = _rough_noise(conditioned[:: max(len(conditioned) // SAMPLE, 1)])
    joined = joined_profile(
        points,
        effects,
        values,
        modes,
        spreads.noise,
        nominal,
        against_others=scans_to_turn(len(conditioned), spreads.noise, rough),
    )
    if sag is not None:
        joined = replace(joined, factor=np.column_stack([joined.factor, sag]))
    either_way = check_directions(
        conditioned,
        joined.against_others,
        mirror,
        noise=spreads.noise,
        rough_noise=rough,
        noise_of=lambda some: _noise_of(some, effects, settings),
        guide=guide is not None,
    )
    given = np.empty((effects.scans, effects.per_scan))
    given[points.order] = values[: given.size].reshape(given.shape)
    del points, modes
    guide_found = _guide(effects, values[effects.guide_columns], factorised)
    remarks = [*_untreated(conditioned, mirror, settings), *_untold(either_way)]
    result = _result(conditioned, mirror, settings, ambiguities, effects, spreads, guide_found, given, joined, remarks)
    if not suspicions:
        return result
    return replace(result, suspicions=suspicions, warnings=(*(str(item) for item in suspicions), *result.warnings))


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
        suspicions=(*heights.suspicions, *slopes.suspicions),
    )


def _names(profile: Profile) -> list[str]:
    """Segments of the points in use."""
    return [] if profile.segment is None else [str(name) for name in profile.segment[profile.used]]


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


def _precision(effects: Effects, spreads: Spreads, conditioned: Sequence[ConditionedScan]) -> Precision:
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


def _solve(
    normal: ReducedNormal, effects: Effects, spreads: Spreads, conditioned: Sequence[ConditionedScan]
) -> Solution:
    """Best effects, of scans in the order of the effects."""
    prior = _precision(effects, spreads, conditioned)
    total = normal.right / spreads.noise**2 + prior.right
    if effects.size <= DENSE:
        dense = FactorisedDense.of(prior.added_to(normal.matrix.dense() / spreads.noise**2))
        return Solution(values=dense.solve(total), penalised=normal.matrix, factorised=dense)
    n = len(normal.matrix.cross)
    border = np.zeros_like(normal.matrix.corner)
    wide = len(prior.diagonal) - n
    border[np.arange(wide), np.arange(wide)] = prior.diagonal[n:]
    border[wide:, wide:] = prior.guide
    penalised = normal.matrix.plus(spreads.noise**-2, prior.diagonal[:n], border)
    factorised = penalised.factorised()
    return Solution(values=factorised.solve(total), penalised=penalised, factorised=factorised)


def _noise_of(scans: Sequence[ConditionedScan], effects: Effects, settings: StitchSettings) -> float:
    """Noise over the stated one that joining of these scans finds."""
    step = float(np.median([median(np.abs(np.diff(scan.x))) for scan in scans]))
    part = replace(effects, scans=len(scans))
    points = gather(scans, step, border=False)
    return _estimate(reduce_points(points, part), part, points.scans, settings).noise


def _estimate(
    normal: ReducedNormal, effects: Effects, conditioned: Sequence[ConditionedScan], settings: StitchSettings
) -> Spreads:
    """Spreads by restricted maximum likelihood."""
    from scipy.optimize import minimize

    right, square, freedom = normal.right, normal.square, normal.freedom
    k, kept = effects.per_scan, effects.scans
    dense = normal.matrix.dense()
    # noise and the sizes of heights and tilts from a fit that holds them loosely
    rough = _rough_noise(conditioned)
    largest = max(float(np.abs(scan.deviation[scan.used]).max()) for scan in conditioned) or 1e-12
    span = 1.6 if effects.guide is None else effects.guide.end - effects.guide.start
    wide = one_guide(largest / 10, span / 8)
    loose = Spreads(noise=rough, height=largest, tilt=largest, drift=largest / 10, guide=wide)

    def values_at(spreads: Spreads) -> tuple[FloatArray, float]:
        prior = _precision(effects, spreads, conditioned)
        penalised = prior.added_to(dense / spreads.noise**2)
        total = right / spreads.noise**2 + prior.right
        factorised = FactorisedDense.of(penalised)
        found = factorised.solve(total)
        return found, factorised.log_determinant - prior.guide_log_determinant - float(total @ found)

    found, _ = values_at(loose)
    own = found[: k * kept].reshape(kept, k)
    noise = rough
    if freedom > effects.size:
        rest = square - 2 * float(right @ found) + float(found @ (dense @ found))
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
        prior = _precision(effects, estimated, conditioned)
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
    normal = reduce_points(points, effects)
    solution = _solve(normal, effects, spreads, points.scans)
    modes = covariance_modes(points.knots, normal, solution)
    joined = joined_profile(points, effects, solution.values, modes, spreads.noise, np.zeros_like)
    return joined.place, joined.factor, joined.sigma**2


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


def _result(
    conditioned: tuple[ConditionedScan, ...],
    mirror: Mirror,
    settings: StitchSettings,
    ambiguities: tuple[Ambiguity, ...],
    effects: Effects,
    spreads: Spreads,
    guide: tuple[FloatArray, FloatArray, FloatArray],
    own: FloatArray,
    joined: JoinedProfile,
    remarks: Sequence[str],
) -> Stitched:
    place, factor = joined.place, joined.factor
    quantity = conditioned[0].scan.quantity
    starts = np.array([part.start for part in mirror.segments])
    names = np.array([part.name for part in mirror.segments])
    first = np.searchsorted(place, starts[1:] - 1e-9)
    profile = Profile(
        name=f"{len(conditioned)} stitched scans",
        quantity=quantity,
        x=place,
        values=joined.values,
        sigma=joined.sigma,
        segment=frozen(np.repeat(names, np.diff(np.concatenate([[0], first, [len(place)]])))),
        # a point of the profile rests on what no scan masks; masks of single points stay with their scans
        mask=None,
        mask_reason=None,
        covariance_factor=factor,
        frame="mirror",
    )
    stitched = _stitched_scans(conditioned, effects, own, joined.squares)
    _check_misfit(stitched)
    most = 0.05 * sum(len(rest) - scan.masked for rest, scan in zip(joined.residuals, stitched, strict=True))
    warnings = [f"scan {scan.name}: {scan.masked} points are masked" for scan in stitched if scan.masked > most]
    return Stitched(
        mirror=mirror,
        profile=profile,
        scans=stitched,
        undetermined=tuple(_undetermined(item, effects, spreads, place, factor, conditioned) for item in ambiguities),
        guide_carriage=guide[0],
        guide_error=guide[1],
        guide_stderr=guide[2],
        guide_spread=None if effects.guide is None else spreads.guide.spread,
        guide_length=None if effects.guide is None else spreads.guide.length,
        drift=own[:, effects.tilt_column + 1 :],
        drift_spread=spreads.drift if effects.drift_degree >= 2 else None,
        noise=spreads.noise,
        conditioned=conditioned,
        residuals=Residuals(joined.residuals),
        settings=settings,
        warnings=(*remarks, *warnings),
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
    points: Observations,
    effects: Effects,
    normal: ReducedNormal,
    factorised: Factorised | FactorisedDense,
    noise: float,
) -> FloatArray:
    """What the profile owes to the sag that was taken away, shape (K,): joining is linear, so it is joined itself."""
    sags = [scan.sag if scan.sag is not None else np.zeros(len(scan.x)) for scan in points.scans]
    silent = tuple(replace(scan, deviation=sag) for scan, sag in zip(points.scans, sags, strict=True))
    own = replace(points, scans=silent, place=None, slope=None)
    values = factorised.solve(with_deviations(normal, own, effects).right / noise**2)
    return heights_at_knots(own, effects, values)[1]


def _stitched_scans(
    conditioned: Sequence[ConditionedScan], effects: Effects, own: FloatArray, squares: FloatArray
) -> tuple[StitchedScan, ...]:
    scans = []
    for scan, values, square in zip(conditioned, own, squares, strict=True):
        arm = float(np.ptp(scan.x)) / 2 if effects.heights else 1.0
        scans.append(
            StitchedScan(
                name=scan.scan.name,
                height=float(values[0]) if effects.heights else None,
                tilt=float(values[effects.tilt_column]) / arm,
                masked=int(np.count_nonzero(scan.code)),
                residual_rms=float(np.sqrt(square)),
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


def _guide(
    effects: Effects, values: FloatArray, factorised: Factorised | FactorisedDense
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Carriage positions, the guide's error there less its line, and its standard uncertainty."""
    if effects.guide is None:
        return np.zeros(0), np.zeros(0), np.zeros(0)
    carriage = np.linspace(effects.guide.start, effects.guide.end, 201)
    basis = effects.guide.matrix(carriage)
    line = np.column_stack([np.ones_like(carriage), carriage])
    less_line = basis - line @ np.linalg.lstsq(line, basis, rcond=None)[0]
    covariance = factorised.last_covariance(effects.guide.size)
    variance = np.einsum("ij,jk,ik->i", less_line, covariance, less_line, optimize=True)
    return carriage, less_line @ values, np.sqrt(np.maximum(variance, 0.0))


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
            spread = number(spreads.guide.spread, "length" if effects.heights else "angle", digits=2)
            held.append(
                "the guide is taken as straight, as asked for"
                if effects.guide is None
                else "the guide's error is taken as a stationary random function of the carriage (spread "
                f"{spread}, correlation length {number(spreads.guide.length, 'length')}, as the scans tell)"
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
    middle, half = (place[0] + place[-1]) / 2, max(float(place[-1] - place[0]) / 2, 1e-12)
    few = slice(None, None, max(len(place) // FEW_KNOTS, 1))  # the patterns are smooth
    place, factor = place[few], factor[few]
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
