"""The fit: which ellipse, in which pose, with which segments misplaced, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, get_args

import numpy as np
from scipy.special import gammaincinv

from ellipsefit.arrays import FloatArray
from ellipsefit.checks import Suspicion, refuse_or_warn
from ellipsefit.checks.curve import check_ellipse
from ellipsefit.checks.profile_checks import Checked, check_profile, check_rounds
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.figure import Figure, Surface, measured_figure
from ellipsefit.fit.budget import Budget, Contribution
from ellipsefit.fit.campaigns import POSE_THEN, Previous, both_campaigns
from ellipsefit.fit.conflict import PriorCheck, moved_checks, prior_checks
from ellipsefit.fit.effects import (
    BOUNDLESS,
    FEWEST_SEGMENTS,
    FORM_EVIDENCE,
    USUAL_SPREADS,
    SegmentEffects,
    beside_surface,
    common_mode,
    estimate_spreads,
    segment_effects,
)
from ellipsefit.fit.few import form_notes
from ellipsefit.fit.figure_uncertainty import left_by_fit, noise_of, with_uncertainties
from ellipsefit.fit.freedom import expanded_factor, spread_cost
from ellipsefit.fit.jackknife import jackknife
from ellipsefit.fit.prior import PARAMETERS, Parameter, Prior, kind_of
from ellipsefit.fit.problem import JointProblem, SegmentModel
from ellipsefit.fit.reduction import Reduction, reduce_profile
from ellipsefit.fit.result import FOCI, EllipseFit, FitSettings, FocusShift, Pose, ResidualModel, SegmentState
from ellipsefit.fit.robust import DIRTY_SHARE, Oddities, knocked_segments, noise_tails, without_strays
from ellipsefit.fit.shop import ShopForm, shop_form
from ellipsefit.fit.solver import LeastSquaresSolution
from ellipsefit.fit.surface_error import SurfaceError, estimate_correlated, estimate_white, whiten, without_form
from ellipsefit.fit.systematics import systematic_patterns
from ellipsefit.mirror import Measurement, Mirror
from ellipsefit.profile import PlacedProfile, Profile
from ellipsefit.rows import number, uncertainty
from ellipsefit.stream import Placed, ProfileSource, placed_on
from ellipsefit.threads import single_threaded

#: A parameter whose standard uncertainty exceeds this share of its value is held at nominal.
KNOWN_SHARE: Final = 0.01
#: Probability below which a segment is said to stand elsewhere than the moves made have put it, over all segments.
WRONG_MOVE: Final = 1e-3


@single_threaded
def fit_ellipse(
    profile: Profile | ProfileSource | Placed,
    mirror: Mirror | None = None,
    *,
    vary: tuple[Parameter, ...] | None = None,
    segments: SegmentModel = "random",
    residual: ResidualModel = "correlated",
    spread_height: float | None = None,
    spread_tilt: float | None = None,
    priors: tuple[Prior, ...] = (),
    previous: Previous | None = None,
    earlier: Sequence[tuple[str, PlacedProfile]] = (),
    suspected: Sequence[Suspicion] = (),
    cutoff: float | None = None,
) -> EllipseFit:
    """Fit the ellipse, its pose and every segment's height and tilt to a profile.

    Parameters
    ----------
    profile : Profile, ProfileSource, PlacedProfile or PlacedStream
        What was measured. A profile that is not held (`ellipsefit.open_profile`) is read block by block, a few
        times; of it the result holds means over neighbours.
    mirror : Mirror, optional
        The mirror; not needed for a profile that is placed already.
    vary : tuple of {'p', 'q', 'theta'}, optional
        Parameters to fit. By default all that the data can tell: a parameter is held at nominal when its
        standard uncertainty, free, would exceed 1 % of its value; first the longer of p and q, then theta.
    segments : {'random', 'free', 'fixed'}
        Heights and tilts of the segments: tied by a spread, free, or none at all.
    residual : {'correlated', 'white'}
        Model of the surface's own error along a segment.
    spread_height, spread_tilt : float, optional
        Spreads of random segments [m], [rad]; estimated where not given.
    priors : tuple of Prior
        Knowledge from outside. Form of segments that the shop measured stands in the mirror.
    previous : Previous, optional
        The last campaign on this mirror and the moves made since.
    earlier : sequence of (str, PlacedProfile)
        Earlier measurements of this mirror, the last one last, by what they are called; they are compared with, for
        slips, and nothing of them goes into the fit. The last campaign need not be among them.
    suspected : sequence of Suspicion
        Slips that are suspected already, to be told with the others.
    cutoff : float, optional
        Cut-off of the filter for slope errors [m].

    Returns
    -------
    EllipseFit

    Raises
    ------
    DataError
        If the profile does not belong to the mirror, or a self-check finds a slip that leaves no reasonable reading.
    ParameterError
        If an option is out of range.
    """
    _check_vary(vary)
    placed = placed_on(profile, mirror)
    given = (spread_height, spread_tilt)
    strays: dict[str, int] = {}
    if residual == "correlated":
        placed, strays = without_strays(placed)
    shown = placed.shown()
    checked = check_profile(shown, profile if isinstance(profile, Profile) else None)
    if previous is not None and all(then is not previous.placed for _, then in earlier):
        earlier = (*earlier, (previous.name, previous.placed))
    if earlier:
        checked = checked.with_more("against earlier rounds", check_rounds(shown, earlier))
    refuse_or_warn(placed.name, checked.suspicions)
    problem = prepare_problem(
        placed,
        mirror,
        segments=segments,
        residual=residual,
        spread_height=spread_height,
        spread_tilt=spread_tilt,
        priors=priors,
        previous=previous,
    )
    warnings = list(placed.warnings)
    count = len(placed.measured)
    if segments == "random" and problem.model == "free":
        warnings.append(
            f"{count} segments are too few to estimate how segments spread (at least {FEWEST_SEGMENTS}): they are "
            "left free; give both spreads to tie them"
        )
    start = np.array([getattr(placed.mirror.nominal, name) for name in PARAMETERS])
    if vary is None:
        state, notes = _choose_varied(problem, start, placed.mirror.measurement)
        warnings += notes
    else:
        chosen = tuple(index for index, name in enumerate(PARAMETERS) if name in vary)
        state = _State.solved(problem, start, chosen, placed.mirror.measurement)
    parameters, varied, solution = state.parameters, state.varied, state.solution
    if any(solution.at_bound):
        warnings.append("a parameter runs away from the nominal without end: the data don't tell it; hold one")
    converged = solution.converged and not any(solution.at_bound)
    if not converged:
        warnings.append("the fit has NOT CONVERGED")
    checks = prior_checks(
        problem,
        start,
        parameters,
        varied,
        names=[placed.mirror.segments[i].name for i in placed.measured],
        how=placed.mirror.measurement,
    )
    warnings += [check.text for check in checks if check.conflict]
    held = () if vary is not None else tuple(index for index in range(3) if index not in varied)
    factor = expanded_factor(problem.freedom)
    unsure = np.sqrt(np.diag(state.ellipse_covariance()))
    ellipse = Ellipse(*(float(value) for value in parameters))
    checked = checked.with_more(
        "ellipse found against the nominal one",
        check_ellipse(placed.mirror, ellipse, {PARAMETERS[index]: float(factor * unsure[index]) for index in varied})
        if converged
        else [],
    )
    checked = replace(checked, suspicions=(*suspected, *checked.suspicions))
    return _result(
        placed,
        problem,
        state,
        shown=shown,
        checked=checked,
        held=held,
        residual=residual,
        given=given,
        cutoff=cutoff,
        warnings=warnings,
        converged=converged,
        checks=checks,
        strays=strays,
        previous=previous,
    )


def _check_vary(vary: tuple[Parameter, ...] | None) -> None:
    for name in vary or ():
        if name not in PARAMETERS:
            raise ParameterError(f"vary takes some of {', '.join(PARAMETERS)}; got {name!r}")


@single_threaded
def prepare_problem(
    profile: Profile | ProfileSource | Placed,
    mirror: Mirror | None = None,
    *,
    segments: SegmentModel = "random",
    residual: ResidualModel = "correlated",
    spread_height: float | None = None,
    spread_tilt: float | None = None,
    priors: tuple[Prior, ...] = (),
    previous: Previous | None = None,
) -> JointProblem:
    """Reduce a profile and estimate its uncertainties: all of `fit_ellipse` but the values of p, q, theta.

    A single segment has no misplacement of its own (its pose is the mirror's), and random segments fewer
    than 5 are left free unless their spreads are given.
    """
    for name, value, allowed in (
        ("segments", segments, get_args(SegmentModel)),
        ("residual", residual, get_args(ResidualModel)),
    ):
        if value not in allowed:
            raise ParameterError(f"{name} must be one of {', '.join(allowed)}; got {value!r}")
    for key, spread in (("spread_height", spread_height), ("spread_tilt", spread_tilt)):
        if spread is not None and not 0 < spread < np.inf:
            raise ParameterError(f"{key} must be positive; got {spread!r}")
    placed = placed_on(profile, mirror)
    given = (spread_height, spread_tilt)

    def alone(placed: Placed) -> JointProblem:
        reduction = reduce_profile(placed)
        effects = segment_effects(reduction)
        model, count = segments, len(reduction.segments)
        if count == 1 and model == "random":
            model = "fixed"
        elif model == "random" and count < FEWEST_SEGMENTS and None in given[-effects.r :]:
            model = "free"
        return _problem(
            reduction, effects, shop_form(reduction, effects, placed.mirror), model, residual, given, priors
        )

    problem = alone(placed)
    if previous is None:
        return problem
    if segments == "fixed" and len(placed.mirror.segments) > 1:
        raise ParameterError("segments must be free or random beside a last campaign, between which they were moved")
    if previous.placed.quantity != placed.quantity:
        raise DataError(
            f"{previous.name}: has {previous.placed.quantity}s where {placed.name} has {placed.quantity}s; expected "
            "the same quantity in both campaigns"
        )
    earlier = previous.placed
    if earlier.mirror.nominal != placed.mirror.nominal:
        earlier = replace(earlier, mirror=placed.mirror)  # both reductions are about one reference
    return _of_both(problem, alone(without_strays(earlier)[0] if residual == "correlated" else earlier), previous)


def _of_both(now: JointProblem, then: JointProblem, previous: Previous) -> JointProblem:
    """One problem of two campaigns: all that is estimated is what it was before the moves, but for the noise.

    Segments that were put where the first result, with its errors, wanted them are no random ones any more: what
    they have in common would be taken for form.
    """
    names = {part.number for part in then.reduction.segments}
    if not any(part.number in names for part in now.reduction.segments):
        raise DataError(f"{previous.name}: no segment was measured then that is measured now; expected the same mirror")
    weight = (now.error.noise / then.error.noise) ** 2
    loose_then = {then.reduction.segments[row].number for row in then.loose}
    loose = tuple(row for row, part in enumerate(now.reduction.segments) if part.number in loose_then)
    error = replace(then.error, noise=now.error.noise)
    unsure: tuple[int, ...] = ()
    found: list[PriorCheck] = []
    start = np.array([getattr(now.reduction.reference, name) for name in PARAMETERS])
    while True:
        merged, moved = both_campaigns(
            now.reduction, then.reduction, now.effects, previous, weight=weight, unsure=unsure
        )
        both = replace(
            now,
            reduction=merged,
            whitened=whiten(merged, error),
            error=error,
            model="free" if "free" in (now.model, then.model) else now.model,
            spreads=then.spreads,
            form=then.form,
            loose=loose,
            freedom=then.freedom,
            scale=then.scale,
            moved=moved,
        )
        if found:
            both = replace(
                both,
                moved=replace(moved, chi_squared=found[0].chi_squared, p_value=found[0].p_value),
            )
        if len(unsure) >= len(merged.segments) // 2:
            return both
        # one at a time, the worst first: it pulls its neighbours along
        parameters, _ = both.solve(start, (0, 1, 2))
        checks = {row: check for row, check in moved_checks(both, parameters).items() if row not in unsure}
        # several may be so far off that no probability is left
        worst = min(checks, key=lambda row: (checks[row].p_value, -checks[row].chi_squared), default=None)
        if worst is None or checks[worst].p_value * len(checks) > WRONG_MOVE:
            return both
        found.append(checks[worst])
        unsure = tuple(sorted((*unsure, worst)))


def _oddities(
    placed: Placed, shown: PlacedProfile, strays: dict[str, int], problem: JointProblem, residual: FloatArray
) -> Oddities:
    """What does not belong, named."""
    left = {placed.mirror.segments[row].name: placed.points_of(row) for row in placed.measured}
    tails, heavy = noise_tails(shown, residual)
    return Oddities(
        strays=strays,
        dirty=tuple(name for name, count in strays.items() if count > DIRTY_SHARE * (count + left[name])),
        knocked=tuple(placed.mirror.segments[placed.measured[row]].name for row in problem.loose),
        tails=tails,
        heavy=heavy,
    )


def _problem(
    reduction: Reduction,
    effects: SegmentEffects,
    shop: ShopForm | None,
    model: SegmentModel,
    residual: ResidualModel,
    given: tuple[float | None, float | None],
    priors: tuple[Prior, ...],
) -> JointProblem:
    """The joint problem with its uncertainties: estimated about a first fit with free segments."""
    nominal = reduction.reference
    start = np.array([nominal.p, nominal.q, nominal.theta])
    unit = SurfaceError(noise=1.0)
    own_model: SegmentModel = "fixed" if model == "fixed" else "free"
    first = JointProblem(
        reduction=reduction,
        whitened=whiten(reduction, unit),
        effects=effects,
        error=unit,
        model=own_model,
        spreads=USUAL_SPREADS,
        shop=shop,
    )
    parameters, solution = first.solve(start, (0, 1, 2))
    held = reduction.shared + (0 if shop is None else shop.columns.shape[1])
    freedom = reduction.count - (first.linear.shape[1] - held) - 3
    error = estimate_white(reduction, solution.residual, freedom)
    ellipse = Ellipse(*(float(value) for value in parameters))
    offset, partials = first.values(ellipse), reduction.partials(ellipse)
    # Low-order form is the segments' own: counted to the surface error, it would make that as long as they are
    apart = own_model == "free" and len(reduction.segments) >= FEWEST_SEGMENTS
    if residual == "correlated":
        shared, own = beside_surface(effects, partials, tied=own_model == "fixed", apart=apart)
        error = estimate_correlated(reduction, offset=offset, shared=shared, own=own, noise=error.noise)
    whitened = whiten(reduction, error)
    problem = JointProblem(
        reduction=reduction,
        whitened=whitened,
        effects=effects,
        error=error,
        model=model,
        spreads=USUAL_SPREADS,
        priors=priors,
        shop=shop,
        apart=apart if residual == "correlated" else None,
    )
    form = residual == "correlated" and model != "fixed" and len(whitened) >= FEWEST_SEGMENTS
    if shop is not None and len(whitened) - len(shop.known) < FEWEST_SEGMENTS:
        form = False  # the others are too few to estimate how form spreads
    problem = _with_spreads(problem, offset, partials, given, form=form)
    if form:
        columns = [columns * np.array(problem.form or (0.0, 0.0)) for columns in problem.own_effects.form]
        alone, evidence = without_form(
            reduction, error, offset=offset, shared=partials, own=list(effects.own), form=columns
        )
        if evidence < FORM_EVIDENCE:
            # form that is no more than the surface error's own would only make everything look less certain: without
            # it, that is estimated from all it does
            problem = replace(problem, error=alone, whitened=whiten(reduction, alone), apart=False)
            problem = _with_spreads(problem, offset, partials, given, form=False)
    if model == "random" and None in given[-effects.r :]:
        # one at a time, the worst first: it pulls its neighbours along
        while len(problem.loose) < len(whitened) // 3:
            found, _ = problem.solve(start, (0, 1, 2))
            stand = problem.totals @ problem.linear_solution(found)
            rows = knocked_segments(stand.reshape(-1, effects.r), np.concatenate(effects.pose))
            new = [int(row) for row in rows if row not in problem.loose]
            if not new:
                break
            problem = replace(problem, loose=tuple(sorted((*problem.loose, new[0]))))
            problem = _with_spreads(problem, offset, partials, given, form=bool(problem.form))
    cost = spread_cost(
        problem,
        parameters,
        spreads_estimated=(given[0] is None, given[1] is None),
    )
    return replace(problem, freedom=cost.freedom, scale=cost.scale)


def _with_spreads(
    problem: JointProblem,
    offset: FloatArray,
    partials: FloatArray,
    given: tuple[float | None, float | None],
    *,
    form: bool,
) -> JointProblem:
    """The problem with the spreads of its segments, and of their form, estimated as far as they are not given."""
    tied = problem.model == "random"
    if not (tied or form):
        return replace(problem, form=())
    found = estimate_spreads(
        problem.reduction,
        problem.whitened,
        problem.own_effects,
        offset=offset,
        partials=partials,
        # free segments are random ones with boundless spreads, as far as their form is concerned
        given=given if tied else (BOUNDLESS, BOUNDLESS),
        form=form,
        loose=problem.loose,
    )
    return replace(problem, spreads=(found[0], found[1]) if tied else problem.spreads, form=found[2:])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _State:
    """A solution with the covariance of all that was varied, and the maps to what is reported."""

    parameters: FloatArray  # (3,)
    varied: tuple[int, ...]
    solution: LeastSquaresSolution
    linear: FloatArray  # (n,) the linear unknowns
    covariance: FloatArray  # (v + n, v + n)
    systematic: dict[str, FloatArray]  # change of all unknowns by one standard uncertainty of each common input

    @classmethod
    def solved(cls, problem: JointProblem, start: FloatArray, varied: tuple[int, ...], how: Measurement) -> _State:
        parameters, solution = problem.solve(start, varied)
        covariance = problem.posterior(parameters, varied) * problem.scale**2
        ellipse = Ellipse(*(float(value) for value in parameters))
        patterns = systematic_patterns(problem.reduction, ellipse, how)
        changes = {name: problem.response(parameters, varied, pattern) for name, pattern in patterns.items()}
        for change in changes.values():
            covariance = covariance + np.outer(change, change)
        return cls(
            parameters=parameters,
            varied=varied,
            solution=solution,
            linear=problem.linear_solution(parameters),
            covariance=covariance,
            systematic=changes,
        )

    def ellipse_covariance(self) -> FloatArray:
        """Covariance of (p, q, theta), NaN where held, shape (3, 3)."""
        v, whole = len(self.varied), np.full((3, 3), np.nan)
        whole[np.ix_(self.varied, self.varied)] = self.covariance[:v, :v]
        return whole

    def with_pose(self, pose_map: FloatArray) -> FloatArray:
        """Covariance of p, q, theta and the pose's height and tilt, NaN where held or unknown, shape (5, 5)."""
        maps = np.full((5, len(self.covariance)), np.nan)
        maps[list(self.varied)] = np.eye(len(self.covariance))[: len(self.varied)]
        maps[5 - len(pose_map) :] = pose_map
        covariance: FloatArray = maps @ self.covariance @ maps.T
        return covariance

    def of_linear(self, matrix: FloatArray) -> FloatArray:
        """A map of the linear unknowns, as a map of all unknowns."""
        return np.column_stack([np.zeros((len(matrix), len(self.varied))), matrix])

    def stderr(self, matrix: FloatArray) -> FloatArray:
        """Standard uncertainties of linear functions of all unknowns, one for each row."""
        variance = np.einsum("ij,jk,ik->i", matrix, self.covariance, matrix)
        stderr: FloatArray = np.sqrt(np.maximum(variance, 0.0))
        return stderr


def _choose_varied(problem: JointProblem, start: FloatArray, how: Measurement) -> tuple[_State, list[str]]:
    """The solution in which all of p, q, theta are free that the data can tell, and a note for each that is held."""
    longer, shorter = (0, 1) if start[0] >= start[1] else (1, 0)
    held: list[tuple[int, float]] = []
    state = _State.solved(problem, start, (0, 1, 2), how)
    for index in (longer, 2, shorter):
        place = state.varied.index(index)
        stderr = float(np.sqrt(state.covariance[place, place]))
        value = min(state.parameters[index], start[index])
        if stderr <= KNOWN_SHARE * value and not state.solution.at_bound[place]:
            continue
        held.append((index, stderr))
        state = _State.solved(problem, start, tuple(other for other in state.varied if other != index), how)
    return state, [_held_note(problem, state.parameters, index, stderr, state.varied) for index, stderr in held]


def _held_note(
    problem: JointProblem, parameters: FloatArray, index: int, stderr: float, varied: tuple[int, ...]
) -> str:
    """Why a parameter is held, and how the varied ones follow the value at which it is held."""
    kind = kind_of(PARAMETERS[index])
    share = 100 * stderr / parameters[index]
    size = f"{number(stderr, kind)} ({share:.3g} %)" if np.isfinite(stderr) and share < 1000 else "beyond any use"
    note = (
        f"{PARAMETERS[index]} is held at nominal, {number(parameters[index], kind, digits=5)}: free, its standard "
        f"uncertainty would be {size}, above 1 % of its value"
    )
    row = problem.posterior(parameters, (index, *varied))[0, : 1 + len(varied)]
    if not varied or not np.isfinite(row).all():
        return note
    step, unit = (1.0, "m") if index < 2 else (1e-3, "mrad")
    known = []
    for other, change in zip(varied, row[1:] / row[0] * step, strict=True):
        name, its = PARAMETERS[other], kind_of(PARAMETERS[other])
        value, follows = number(parameters[other], its, digits=6), number(change, its, sign=True)
        known.append(f"{name} = {value} {follows} per {unit} of {PARAMETERS[index]} - nominal")
    return f"{note}; known is the combination {' and '.join(known)}"


def _result(
    placed: Placed,
    problem: JointProblem,
    state: _State,
    *,
    shown: PlacedProfile,
    checked: Checked,
    held: tuple[int, ...],
    residual: ResidualModel,
    given: tuple[float | None, float | None],
    cutoff: float | None,
    warnings: list[str],
    converged: bool,
    checks: tuple[PriorCheck, ...],
    strays: dict[str, int],
    previous: Previous | None,
) -> EllipseFit:
    mirror, quantity, effects = placed.mirror, placed.quantity, problem.effects
    ellipse = Ellipse(*(float(value) for value in state.parameters))
    totals = state.of_linear(problem.totals)
    pose_map = common_mode(effects, quantity, problem.spreads) @ totals
    segment_map = totals - np.concatenate(effects.pose) @ pose_map
    unknowns = np.concatenate([np.zeros(len(state.varied)), state.linear])
    pose_values, pose_stderr = pose_map @ unknowns, state.stderr(pose_map)
    single = len(mirror.segments) == 1
    own = np.zeros(len(segment_map)) if single else segment_map @ unknowns
    own_stderr = np.zeros(len(segment_map)) if single else state.stderr(segment_map)
    everything = totals @ unknowns
    r = effects.r
    surface = _surface(placed, ellipse, everything.reshape(-1, r), own.reshape(-1, r))
    rest, misplaced = surface.left(shown)
    figure, told = measured_figure(placed, surface, cutoff=cutoff, shown=shown)
    noise = noise_of(problem.error, stated=shown.sigma is not None)
    left = left_by_fit(
        problem, state.parameters, state.varied, mirror.measurement, own_columns=placed.shared, noise=noise
    )
    stands = np.zeros((len(own), len(own))) if single else segment_map @ state.covariance @ segment_map.T
    figure = with_uncertainties(figure, told, left, noise, stands)
    oddities = _oddities(placed, shown, strays, problem, rest)
    warnings = [*warnings, *oddities.warnings(), *form_notes(problem, state.parameters, state.varied)]
    if r == 1:
        warnings = [
            *warnings,
            "slopes don't tell heights: what depends on a height is not known and shown as –",
        ]
    if r == 2:
        pose = Pose(
            height=float(pose_values[0]),
            tilt=float(pose_values[1]),
            height_stderr=float(pose_stderr[0]),
            tilt_stderr=float(pose_stderr[1]),
        )
    else:
        pose = Pose(height=None, tilt=float(pose_values[0]), height_stderr=None, tilt_stderr=float(pose_stderr[0]))
    model = problem.model
    focus, outputs = _focus_shift(mirror.nominal, ellipse, pose, state, pose_map, held)
    unit = np.eye(len(state.covariance))
    outputs = {PARAMETERS[index]: unit[place] for place, index in enumerate(state.varied)} | outputs
    check = jackknife(problem, state.parameters, state.varied)
    disagree = _jackknife_notes(state, check, len(problem.whitened))
    warnings = [*warnings, *disagree.values()]
    return EllipseFit(
        ellipse=ellipse,
        varied=tuple(PARAMETERS[index] for index in state.varied),
        covariance=state.ellipse_covariance(),
        pose_covariance=state.with_pose(pose_map),
        pose=pose,
        segments=_segment_states(placed, figure, own.reshape(-1, r), own_stderr.reshape(-1, r), single),
        figure=figure,
        focus=focus,
        budget=_budget(problem, state, outputs),
        converged=converged,
        warnings=(*(str(item) for item in checked.suspicions), *warnings),
        checked=checked,
        settings=FitSettings(
            segments=model,
            residual=residual,
            spread_height=problem.spreads[0] if model == "random" and r == 2 else None,
            spread_tilt=problem.spreads[1] if model == "random" else None,
            spreads_estimated=model == "random" and None in given[-r:],
            surface_error=problem.error,
            priors=problem.priors,
            x_uncertainty=mirror.measurement.x_uncertainty,
            freedom=problem.freedom,
            previous=None if previous is None else previous.name,
        ),
        prior_checks=checks,
        oddities=oddities,
        placed=shown,
        problem=problem,
        jackknife=check,
        disagree=tuple(disagree),
        residual=rest,
        misplacement=misplaced,
    )


def _surface(placed: Placed, ellipse: Ellipse, totals: FloatArray, own: FloatArray) -> Surface:
    """The surface that was found; for slopes there is one effect a segment, its tilt."""
    segments = placed.mirror.segments
    effects = np.zeros((2, len(segments), 2))
    effects[0, placed.measured, 2 - totals.shape[1] :] = totals
    effects[1, placed.measured, 2 - own.shape[1] :] = own
    return Surface(
        quantity=placed.quantity,
        middles=np.array([segment.middle for segment in segments]),
        ellipse=ellipse,
        total=effects[0],
        own=effects[1],
    )


def _segment_states(
    placed: Placed, figure: Figure, own: FloatArray, stderr: FloatArray, single: bool
) -> tuple[SegmentState, ...]:
    measured = {segment: row for row, segment in enumerate(placed.measured)}
    states = []
    for index, segment in enumerate(placed.mirror.segments):
        row = measured.get(index)
        heights = row is not None and (placed.quantity == "height" or single)
        states.append(
            SegmentState(
                name=segment.name,
                height=float(own[row, 0]) if heights else None,
                tilt=None if row is None else float(own[row, -1]),
                height_stderr=float(stderr[row, 0]) if heights else None,
                tilt_stderr=None if row is None else float(stderr[row, -1]),
                height_error_rms=figure.segment_height_error_rms[index],
                slope_error_rms=figure.segment_slope_error_rms[index],
                height_error_rms_stderr=_of(figure.segment_height_error_rms_stderr, index),
                slope_error_rms_stderr=_of(figure.segment_slope_error_rms_stderr, index),
            )
        )
    return tuple(states)


def _of(values: tuple[float | None, ...], index: int) -> float | None:
    """One of them, where they are known at all."""
    return values[index] if values else None


def _focus_shift(
    nominal: Ellipse, ellipse: Ellipse, pose: Pose, state: _State, pose_map: FloatArray, held: tuple[int, ...]
) -> tuple[FocusShift, dict[str, FloatArray]]:
    """Foci of the ellipse, turned by the tilt about the origin and lifted by the height, minus nominal.

    With it, for each misplacement that is known, its derivatives with respect to all unknowns.
    """
    c, s = np.cos(ellipse.theta), np.sin(ellipse.theta)
    c0, s0 = np.cos(nominal.theta), np.sin(nominal.theta)
    turn = np.array([[np.cos(pose.tilt), -np.sin(pose.tilt)], [np.sin(pose.tilt), np.cos(pose.tilt)]])
    lift = np.array([0.0, pose.height or 0.0])
    result: dict[str, Any] = {}
    outputs: dict[str, FloatArray] = {}
    known_maps: dict[str, FloatArray] = {}
    for name, own, direction, axes in (
        ("image", 1, np.array([c, s]), np.array([[c0, s0], [-s0, c0]])),
        ("source", 0, np.array([-c, s]), np.array([[c0, -s0], [s0, c0]])),
    ):
        distance = (ellipse.p, ellipse.q)[own]
        focus = turn @ (distance * direction)
        shift = focus + lift - nominal.foci[own]
        # derivative with respect to all unknowns: its distance, theta, then the pose
        across = np.array([-s, c]) if own == 1 else np.array([s, c])
        gradient = np.zeros((2, len(state.covariance)))
        for index, column in ((own, direction), (2, distance * across)):
            if index in state.varied:
                gradient[:, state.varied.index(index)] += turn @ column
        gradient += np.outer([-focus[1], focus[0]], pose_map[-1])
        if len(pose_map) == 2:
            gradient += np.outer([0.0, 1.0], pose_map[0])
        values = {"dx": shift[0], "dz": shift[1], "along": axes[0] @ shift, "across": axes[1] @ shift}
        maps = np.stack([gradient[0], gradient[1], axes[0] @ gradient, axes[1] @ gradient])
        for key, stderr, row in zip(values, state.stderr(maps), maps, strict=True):
            vertical = key in ("dz", "across")
            known = not vertical or pose.height is not None
            sure = known and own not in held and not (vertical and 2 in held)
            result[f"{name}_{key}"] = float(values[key]) if known else None
            result[f"{name}_{key}_stderr"] = float(stderr) if sure else None
            if sure:
                known_maps[f"{name}_{key}"] = row
            if sure and key in ("along", "across"):
                outputs[f"{name}_{key}"] = row
    four = np.full((4, len(state.covariance)), np.nan)
    for place, key in enumerate(FOCI):
        four[place] = known_maps.get(key, np.nan)
    covariance = four @ state.covariance @ four.T
    return FocusShift(**result, covariance=covariance), outputs


def _jackknife_notes(state: _State, check: FloatArray | None, count: int) -> dict[str, str]:
    """What is said where the model's uncertainty and the jackknife's cannot both be right.

    The jackknife's variance over the true one is about chi-squared over its degrees of freedom, of which there
    are about J/4 (in simulated mirrors), for the segments at the ends tell more than the others.
    """
    if check is None:
        return {}
    freedom = max(count / 4, 2.0)
    low, high = np.sqrt(2 * gammaincinv(freedom / 2, [0.0025, 0.9975]) / freedom)
    stated = np.sqrt(np.diag(state.covariance))[: len(state.varied)]
    names = [PARAMETERS[index] for index in state.varied]
    return {
        name: f"{name}: the model claims ± {uncertainty(float(claim), kind_of(name))}, leaving out one segment after "
        f"the other gives ± {uncertainty(float(found), kind_of(name))}: look at the segments"
        for name, claim, found in zip(names, stated, check, strict=True)
        if not low <= found / claim <= high
    }


def _budget(problem: JointProblem, state: _State, outputs: dict[str, FloatArray]) -> Budget:
    """Which input contributes how much to each output, given as derivatives with respect to all unknowns."""
    if not outputs:
        return Budget(contributions=(), combined={})
    names = list(outputs)
    maps = np.stack([outputs[name] for name in names])
    jacobian = problem.joint_jacobian(state.parameters, state.varied)
    # the estimate is a linear function of the rows, each of unit variance
    rows_ = maps @ problem.posterior(state.parameters, state.varied) @ jacobian.T * problem.scale
    found = {name: np.linalg.norm(rows_[:, part], axis=1) for name, part in problem.sources().items()}
    found |= {name: np.abs(maps @ change) for name, change in state.systematic.items()}
    found.pop(POSE_THEN, None)  # free, so it contributes nothing
    key = names.index("image_across") if "image_across" in names else 0
    order = sorted(found, key=lambda name: -float(found[name][key]))
    return Budget(
        contributions=tuple(
            Contribution(source=name, results=dict(zip(names, (float(v) for v in found[name]), strict=True)))
            for name in order
        ),
        combined=dict(zip(names, (float(value) for value in state.stderr(maps)), strict=True)),
    )
