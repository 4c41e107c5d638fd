"""Joining: one weighted least-squares problem for profile, scans, guide and drift.

Heights and tilts of the scans, the guide's error and the drift are random effects with Gaussian spreads,
estimated by restricted maximum likelihood; the profile itself has no prior, so nothing is invented about the
mirror. What the scans cannot tell is thereby held by the spreads, and is uncertain by as much.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray, frozen, median
from ellipsefit.checks import refuse_or_warn
from ellipsefit.checks.scans import check_scans
from ellipsefit.errors import DataError
from ellipsefit.mirror import Mirror
from ellipsefit.profile import Profile
from ellipsefit.scan import Scan
from ellipsefit.stitching.ambiguity import Ambiguity, scan_ambiguities
from ellipsefit.stitching.bordered import Factorised, FactorisedDense
from ellipsefit.stitching.conditioned import ConditionedScan, StitchSettings
from ellipsefit.stitching.conditioning import condition_scans
from ellipsefit.stitching.direction import check_directions, scans_to_turn
from ellipsefit.stitching.fusion import fuse
from ellipsefit.stitching.guide import guide_basis
from ellipsefit.stitching.normal import (
    Effects,
    Observations,
    ReducedNormal,
    gather,
    reduce_points,
    with_deviations,
)
from ellipsefit.stitching.result import Residuals, Stitched, StitchedScan
from ellipsefit.stitching.scan_errors import EffectErrors, effect_errors
from ellipsefit.stitching.spreads import Spreads, estimate_spreads, precision_of, rough_noise
from ellipsefit.stitching.substitution import (
    JoinedProfile,
    Solution,
    covariance_modes,
    heights_at_knots,
    joined_profile,
)
from ellipsefit.stitching.undetermined import left_open, undetermined
from ellipsefit.threads import single_threaded

#: Largest problem in effects that is solved densely.
DENSE: Final = 400
#: Scans from which spreads are estimated, at most.
SAMPLE: Final = 40
#: Scans that tell the distance of points, at most about.
STEPS: Final = 500
#: Scan residual over that of all, beyond which a scan contradicts the others.
MISFIT: Final = 5.0


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
    spreads = estimate_spreads(few, part, sample, settings)
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
    errors = effect_errors(points, effects, solution, modes, drift_spread=spreads.drift, told_by=part.scans)
    support = mirror.measurement.support
    sag = None
    if support is not None and support.uncertainty:
        sag = support.uncertainty * _sag_column(points, effects, normal, factorised, spreads.noise)
    del normal, few, solution  # large, and done with
    nominal = mirror.nominal.height if heights else mirror.nominal.slope
    rough = rough_noise(conditioned[:: max(len(conditioned) // SAMPLE, 1)])
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
    result = _result(
        conditioned, mirror, settings, ambiguities, effects, spreads, guide_found, given, errors, joined, remarks
    )
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
            replace(item, stderr=None if item.stderr is None else left_open(item.ambiguity, True, profile.x, factor))
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


def _solve(
    normal: ReducedNormal, effects: Effects, spreads: Spreads, conditioned: Sequence[ConditionedScan]
) -> Solution:
    """Best effects, of scans in the order of the effects."""
    prior = precision_of(effects, spreads, conditioned)
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
    return estimate_spreads(reduce_points(points, part), part, points.scans, settings).noise


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
    errors: EffectErrors,
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
    stitched = _stitched_scans(conditioned, effects, own, errors, joined.squares)
    _check_misfit(stitched)
    most = 0.05 * sum(len(rest) - scan.masked for rest, scan in zip(joined.residuals, stitched, strict=True))
    warnings = [f"scan {scan.name}: {scan.masked} points are masked" for scan in stitched if scan.masked > most]
    return Stitched(
        mirror=mirror,
        profile=profile,
        scans=stitched,
        undetermined=tuple(undetermined(item, effects, spreads, place, factor, conditioned) for item in ambiguities),
        guide_carriage=guide[0],
        guide_error=guide[1],
        guide_stderr=guide[2],
        guide_model=None if effects.guide is None else spreads.guide,
        drift=own[:, effects.tilt_column + 1 :],
        drift_spread=spreads.drift if effects.drift_degree >= 2 else None,
        drift_spread_stderr=errors.drift_spread if effects.drift_degree >= 2 else None,
        noise=spreads.noise,
        noise_stderr=spreads.noise_stderr,
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
    conditioned: Sequence[ConditionedScan],
    effects: Effects,
    own: FloatArray,
    errors: EffectErrors,
    squares: FloatArray,
) -> tuple[StitchedScan, ...]:
    scans = []
    for number, (scan, values, square) in enumerate(zip(conditioned, own, squares, strict=True)):
        arm = float(np.ptp(scan.x)) / 2 if effects.heights else 1.0
        scans.append(
            StitchedScan(
                name=scan.scan.name,
                height=float(values[0]) if effects.heights else None,
                height_stderr=float(errors.height[number]) if effects.heights else None,
                tilt=float(values[effects.tilt_column]) / arm,
                tilt_stderr=float(errors.tilt[number]),
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
