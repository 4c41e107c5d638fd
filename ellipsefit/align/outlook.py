"""What a plan can be expected to reach: uncertainty of every rest, and the decision it allows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, ClassVar, Final

import numpy as np

from ellipsefit.align.foreseen import ExpectedRests, FocusLeft, SlopesLeft, check_points, expected_rests, focus_left
from ellipsefit.align.layout import Layout, layout, target_lines
from ellipsefit.align.limits import line_map
from ellipsefit.align.objectives import SETTLING
from ellipsefit.arrays import FloatArray, root, sealed
from ellipsefit.decision import Decision, decide, worst
from ellipsefit.ellipse import Ellipse
from ellipsefit.fit.prior import PARAMETERS
from ellipsefit.fit.result import EllipseFit
from ellipsefit.fit.roll import segment_rolls
from ellipsefit.fit.systematics import systematic_patterns
from ellipsefit.mirror import Mirror
from ellipsefit.results import Result
from ellipsefit.rows import Table, number, uncertainty

#: Standard uncertainties that a wanted move must exceed to be more than what the measurement is unsure of.
SIGNIFICANT: Final = 2.0


def probability_inside(mean: FloatArray, covariance: FloatArray, limits: FloatArray) -> float:
    """Probability that two normal values both lie within -limits..limits; an infinite limit is none.

    Parameters
    ----------
    mean, limits : array, shape (2,)
    covariance : array, shape (2, 2)
    """
    from scipy.special import ndtr

    low, high = -limits, limits
    spread = root(np.diag(covariance))
    if np.isinf(limits[0]) or spread[0] == 0:
        # the second decides, for the first is known for sure or may be anything
        return float(abs(mean[0]) <= limits[0]) * _inside(float(mean[1]), float(spread[1]), float(limits[1]))
    # the first by Gauss-Legendre quadrature over its allowed range, the second given the first
    slope = covariance[0, 1] / covariance[0, 0]
    left = float(root(covariance[1, 1] - slope * covariance[0, 1]))
    start = max(low[0], mean[0] - 9 * spread[0])
    end = min(high[0], mean[0] + 9 * spread[0])
    if slope != 0:  # and no further than the second allows: its edge must not lie between two nodes
        reach = (np.array([-1.0, 1.0]) * (limits[1] + 9 * left) - mean[1]) / slope + mean[0]
        start, end = max(start, reach.min()), min(end, reach.max())
    node, weight = _quadrature()
    first = (start + end) / 2 + (end - start) / 2 * node
    density = np.exp(-(((first - mean[0]) / spread[0]) ** 2) / 2) / (np.sqrt(2 * np.pi) * spread[0])
    centre = mean[1] + slope * (first - mean[0])
    if left == 0:
        given = (np.abs(centre) <= limits[1]).astype(float)
    else:
        given = ndtr((high[1] - centre) / left) - ndtr((low[1] - centre) / left)
    return float(np.clip((end - start) / 2 * weight @ (density * given), 0.0, 1.0))


@cache
def _quadrature() -> tuple[FloatArray, FloatArray]:
    """Nodes and weights of Gauss and Legendre: finding them takes longer than all that is done with them."""
    node, weight = np.polynomial.legendre.leggauss(96)
    return sealed(node), sealed(weight)


def _inside(mean: float, spread: float, limit: float) -> float:
    from scipy.special import ndtr

    if spread == 0:
        return float(abs(mean) <= limit)
    return float(ndtr((limit - mean) / spread) - ndtr((-limit - mean) / spread))


@dataclass(frozen=True, slots=True, kw_only=True)
class SegmentOutlook:
    """How sure one segment's rest is; None: not known, or no tolerance to judge by."""

    name: str
    height_stderr: float | None
    tilt_stderr: float
    roll_stderr: float | None
    probability: float | None  # that it ends inside the tolerances
    decision: Decision | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook(Result):
    """What a plan can be expected to reach, if the carrier goes where it is sent.

    Segments are judged against the common height and tilt of all of them, whose uncertainty is the carrier's: what
    scans leave open of the whole profile, say, is settled by a survey of the carrier and not by any adjuster.
    """

    table: ClassVar[str | None] = "segments"
    segments: tuple[SegmentOutlook, ...]
    leave: tuple[str, ...]  # adjusters not to be touched
    doubtful: tuple[str, ...]  # moved although the move is within what the measurement is unsure of
    expected_error: float  # root of the expected mean square at the adjusters [m]
    common_height_stderr: float | None = None  # of all segments together, at x = 0 [m]; None: nothing is common
    common_tilt_stderr: float | None = None  # [rad]
    rests: ExpectedRests | None = None  # None: the data do not tell all unknowns
    foci: FocusLeft | None = None

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        return {
            "expected_error": self.expected_error,
            "common_height_stderr": self.common_height_stderr,
            "common_tilt_stderr": self.common_tilt_stderr,
            "remaining": None if self.rests is None else self.rests.to_dict(),
            "foci": None if self.foci is None else self.foci.to_dict(),
            "do_not_touch": list(self.leave),
            "doubtful": list(self.doubtful),
            "segments": [
                {
                    "name": item.name,
                    "height_stderr": item.height_stderr,
                    "tilt_stderr": item.tilt_stderr,
                    "roll_stderr": item.roll_stderr,
                    "probability": item.probability,
                    "decision": item.decision,
                }
                for item in self.segments
            ],
        }

    def rows(self) -> list[Table]:
        """Table of the segments, with what is to be left alone below."""
        judged = any(item.probability is not None for item in self.segments)
        rolled = any(item.roll_stderr is not None for item in self.segments)
        header = (
            "segment",
            "height ±",
            "tilt ±",
            *(("roll ±",) * rolled),
            *(("ends inside", "ISO 14253-1, 95 %") * judged),
        )
        cells = tuple(
            (
                item.name,
                uncertainty(item.height_stderr, "length", unit="um"),
                uncertainty(item.tilt_stderr, "angle", unit="urad"),
                *((uncertainty(item.roll_stderr, "angle", unit="urad"),) * rolled),
                *((_share(item.probability), _shown(item.decision)) * judged),
            )
            for item in self.segments
        )
        notes = [f"Expected error at the adjusters, rms: {number(self.expected_error, 'length')}."]
        if self.common_tilt_stderr is not None:
            common = [f"tilt ± {uncertainty(self.common_tilt_stderr, 'angle')}"]
            if self.common_height_stderr is not None:
                common.insert(0, f"height ± {uncertainty(self.common_height_stderr, 'length')}")
            notes.insert(0, f"Segments against what all have in common, which is the carrier's: {', '.join(common)}.")
        if self.leave:
            notes.append(f"Do not touch: {', '.join(self.leave)}.")
        if self.doubtful:
            notes.append(
                f"Within what the measurement is unsure of, yet moved: {', '.join(self.doubtful)}; "
                "objective 'expected' moves what is worth it."
            )
        return [Table(title="How sure it is", header=header, cells=cells, notes=tuple(notes))]


def _share(probability: float | None) -> str:
    return "–" if probability is None else f"{100 * probability:.1f} %"


def _shown(decision: Decision | None) -> str:
    return "–" if decision is None else "NOT CONFORMING" if decision == "non-conform" else decision


def deviation_covariance(fit: EllipseFit) -> FloatArray:
    """Covariance of all segments' deviations from the target, height and tilt in turn, shape (2 S, 2 S).

    From the joint posterior of ellipse, pose and segments, with what all points share.
    """
    count = 2 * len(fit.placed.measured)
    return joint_covariance(fit)[:count, :count]


def joint_covariance(fit: EllipseFit) -> FloatArray:
    """As `deviation_covariance`, with p, q and theta last, nothing where they are held, (2 S + 3, 2 S + 3)."""
    problem, ellipse = fit.problem, fit.ellipse
    parameters = np.array([ellipse.p, ellipse.q, ellipse.theta])
    varied = tuple(PARAMETERS.index(name) for name in fit.varied)
    covariance = problem.posterior(parameters, varied) * problem.scale**2
    for pattern in systematic_patterns(problem.reduction, ellipse, fit.mirror.measurement).values():
        change = problem.response(parameters, varied, pattern)
        covariance = covariance + np.outer(change, change)
    heights = fit.placed.quantity == "height"
    lines = [-target_lines(ellipse, fit.mirror.segments[number], heights=heights) for number in fit.placed.measured]
    own = problem.totals if heights else _beside(np.zeros_like(problem.totals), problem.totals)
    whole = np.column_stack([np.concatenate(lines)[:, list(varied)], own])
    ellipses = np.zeros((3, whole.shape[1]))
    ellipses[list(varied), np.arange(len(varied))] = 1.0
    whole = np.concatenate([whole, ellipses])
    found: FloatArray = whole @ covariance @ whole.T
    return found


def _beside(upper: FloatArray, lower: FloatArray) -> FloatArray:
    """Rows of both in turn."""
    return np.stack([upper, lower], axis=1).reshape(len(upper) + len(lower), upper.shape[1])


def rise_variances(model: Layout, moves: FloatArray) -> FloatArray:
    """Variance of what commanded moves do to the surface at each adjuster [m**2], shape (A,)."""
    found: FloatArray = model.influence_stderr**2 @ moves**2 + SETTLING**2 * (np.abs(moves) > 0)
    return found


def look_ahead(
    fit: EllipseFit,
    model: Layout,
    moves: FloatArray,
    rests: FloatArray,
    tolerances: Sequence[float | None],
    *,
    errors: FloatArray | None = None,
    slopes: SlopesLeft | None = None,
) -> Outlook:
    """Uncertainties of the rests after these commanded moves.

    Parameters
    ----------
    moves : array, shape (A,)
        Commanded and rounded [m].
    rests : array, shape (S, 2)
        Height and tilt left of each segment, at their means.
    tolerances : (height, tilt)
        Of one segment; None: not stated.
    errors : array, shape (C,), optional
        The rests at the adjusters, or without any at the ends of the segments.
    slopes : SlopesLeft, optional
        The rests as slope errors; without both, nothing is told of the worst and the rms.
    """
    touched = np.abs(moves) > 0
    joint = joint_covariance(fit)
    count = 2 * len(model.deviations)
    take, against = _common(model)
    common = root(np.diag(take @ joint[:count, :count] @ take.T)).tolist()
    apart = np.eye(len(joint))
    apart[:count, :count] = against
    joint = apart @ joint @ apart.T
    before = joint[:count, :count].copy()
    rise_variance = rise_variances(model, moves)
    lines = line_map(model)
    rows = np.delete(np.arange(len(lines)), np.arange(2, len(lines), 3))
    after = before + (lines[rows] * rise_variance) @ lines[rows].T
    joint[:count, :count] = after
    limits = np.array([np.inf if value is None else value for value in tolerances])
    if not model.heights:
        limits[0] = np.inf
    judged = bool(np.isfinite(limits).any())
    segments = []
    for row, (item, roll) in enumerate(zip(model.deviations, segment_rolls(fit), strict=True)):
        places = slice(2 * row, 2 * row + 2)
        own = after[places, places]
        spread = root(np.diag(own))
        added = float(lines[3 * row + 2] ** 2 @ rise_variance)
        segments.append(
            SegmentOutlook(
                name=item.segment.name,
                height_stderr=float(spread[0]) if model.heights else None,
                tilt_stderr=float(spread[1]),
                roll_stderr=None if roll is None else float(np.sqrt(roll.stderr**2 + added)),
                probability=probability_inside(rests[row], own, limits) if judged else None,
                decision=_decision(rests[row], spread, limits) if judged else None,
            )
        )
    points, wanted = _at_adjusters(model)
    unsure = points @ before @ points.T
    doubtful = np.abs(moves) < SIGNIFICANT * root(np.diag(wanted @ unsure @ wanted.T))
    left = points @ rests.ravel()
    square = left**2 + np.diag(unsure) + rise_variance if len(left) else np.diag(before)[::2] + rests[:, 0] ** 2
    known = bool(np.isfinite(joint).all())
    expected = None
    if known and errors is not None and slopes is not None:
        expected = expected_rests(model, rests, errors, before, rise_variance, lines[rows], slopes)
    return Outlook(
        segments=tuple(segments),
        leave=tuple(name for name, moved in zip(model.names, touched, strict=True) if not moved),
        doubtful=tuple(
            name for name, moved, small in zip(model.names, touched, doubtful, strict=True) if moved and small
        ),
        expected_error=float(np.sqrt(square.mean())) if len(square) else 0.0,
        common_height_stderr=common[0] if common and model.heights else None,
        common_tilt_stderr=common[-1] if common else None,
        rests=expected,
        foci=focus_left(model, fit.ellipse, rests, joint) if known else None,
    )


def _common(model: Layout) -> tuple[FloatArray, FloatArray]:
    """What takes the common height and tilt from all deviations, and what takes the rest, (2 S, 2 S).

    The common mode as in a fit's pose: least squares, heights weighted by 5 um and tilts by 20 urad; of slopes the mean
    tilt. One segment has nothing in common with others.
    """
    count = len(model.deviations)
    if count == 1:
        return np.zeros((0, 2)), np.eye(2)
    modes = np.zeros((2 * count, 2))
    modes[::2, 0], modes[1::2, 1] = 1.0, 1.0
    modes[::2, 1] = [item.segment.middle for item in model.deviations]
    weight = np.tile([5e-6**-2, 20e-6**-2], count)
    if not model.heights:
        modes, weight[::2] = modes[:, 1:], 0.0
    take = np.linalg.solve(modes.T @ (weight[:, None] * modes), modes.T * weight)
    rest = np.eye(2 * count) - modes @ take
    if not model.heights:
        rest[::2] = 0.0
    return take, rest


def as_measured(fit: EllipseFit, target: Ellipse, mirror: Mirror) -> tuple[FloatArray, FloatArray]:
    """How segments stand before any move, less what all have in common, and standard uncertainties.

    Returns
    -------
    values, stderr : array, shape (S, 2)
        Height [m] and tilt [rad] of each measured segment against the target; of one alone, as it stands.
    """
    model = layout(fit, target, mirror, None)
    values = np.array([(item.height, item.tilt) for item in model.deviations])
    _, rest = _common(model)
    stderr = root(np.diag(rest @ deviation_covariance(fit) @ rest.T))
    return (rest @ values.ravel()).reshape(values.shape), stderr.reshape(values.shape)


def _decision(rest: FloatArray, spread: FloatArray, limits: FloatArray) -> Decision | None:
    """The worse of the decisions on height and tilt."""
    return worst(
        decide(float(value), float(size), float(limit))
        for value, size, limit in zip(rest, spread, limits, strict=True)
        if np.isfinite(limit)
    )


def _at_adjusters(model: Layout) -> tuple[FloatArray, FloatArray]:
    """Surface at the adjusters from the lines, (A, 2 S); what it is less the carrier's least-squares part, (A, A)."""
    points = check_points(model) if model.adjusters else np.zeros((0, 2 * len(model.deviations)))
    columns = model.effect[model.at_adjuster][:, : model.carrier_size]
    taken = columns @ np.linalg.pinv(columns) if len(columns) else np.zeros((0, 0))
    return points, np.eye(len(points)) - taken
