"""The plan of one round: moves within travel, the carrier's share, and what remains."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from ellipsefit import rows
from ellipsefit.align.layout import Layout, layout
from ellipsefit.align.program import Optimum, minimise_linear
from ellipsefit.align.response import Response
from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.fit.result import EllipseFit
from ellipsefit.mirror import Mirror, Segment
from ellipsefit.rows import Table, number

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Figure_

#: Length below which a rest counts as none [m]: a thousandth of what any adjuster resolves.
NOTHING: Final = 1e-9
#: Share by which a tolerance may be passed and still counts as met: a plan may end right at it.
MET: Final = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """What one adjuster is asked to do [m]; positive raises the surface."""

    segment: str
    adjuster: str
    start: float
    stop: float
    move: float  # a whole multiple of the resolution
    travel_left: float  # from `stop` to the nearer limit
    at_limit: bool  # within one resolution of it


@dataclass(frozen=True, slots=True, kw_only=True)
class SegmentRest:
    """What remains of one segment after the rounded moves."""

    name: str
    height: float | None  # at its middle [m]; None: slopes don't tell
    tilt: float  # [rad]
    image_shift: float  # 2 d tilt at the image focus [m], d the distance from its middle


@dataclass(frozen=True, slots=True, kw_only=True)
class Remaining:
    """What remains of the mirror after the rounded moves."""

    height_max: float  # largest |error| at an adjuster [m]
    tilt_max: float  # largest |tilt| of a segment [rad]
    image_shift_rms: float  # over the segments [m]
    slope_error_rms: float  # over the points, against the target [rad]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CorrectionPlan:
    """Moves that bring the segments onto the target, together with a move of the whole carrier.

    Afterwards the surface at an adjuster stands at measured + carrier_height + carrier_tilt x + move, or what the
    response makes of all moves there.
    """

    fit: EllipseFit  # from which it was made
    mirror: Mirror  # with its adjusters as they stood
    feasible: bool
    target: Ellipse
    carrier_height: float | None  # at x = 0 [m]; None: slopes don't tell
    carrier_tilt: float  # [rad]
    moves: tuple[Move, ...]
    segments: tuple[SegmentRest, ...]
    remaining: Remaining
    binding: tuple[str, ...]  # segment/adjuster whose travel keeps the worst error from being smaller
    travel_missing: float | None  # more travel, at both ends of all, that would suffice [m]; None: none would
    worst_error: float  # smallest possible worst error, before rounding [m]
    optimality_gap: float  # of that number: primal minus dual [m]
    warnings: tuple[str, ...]
    response: Response | None = None  # by which the moves were chosen; None: each does what it is asked

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        return {
            "feasible": self.feasible,
            "target": {"p": self.target.p, "q": self.target.q, "theta": self.target.theta},
            "carrier": {"height": self.carrier_height, "tilt": self.carrier_tilt},
            "moves": [
                {
                    "segment": move.segment,
                    "adjuster": move.adjuster,
                    "from": move.start,
                    "to": move.stop,
                    "move": move.move,
                    "travel_left": move.travel_left,
                    "at_limit": move.at_limit,
                }
                for move in self.moves
            ],
            "remaining": {
                "height_max": self.remaining.height_max,
                "tilt_max": self.remaining.tilt_max,
                "image_shift_rms": self.remaining.image_shift_rms,
                "slope_error_rms": self.remaining.slope_error_rms,
            },
            "segments": [
                {"name": rest.name, "height": rest.height, "tilt": rest.tilt, "image_shift": rest.image_shift}
                for rest in self.segments
            ],
            "binding": list(self.binding),
            "travel_missing": self.travel_missing,
            "worst_error_before_rounding": self.worst_error,
            "warnings": list(self.warnings),
        }

    def rows(self) -> list[Table]:
        """Tables of the plan, as shown on screens and pages."""
        return [self._summary_table(), self._move_table(), self._rest_table()]

    def __str__(self) -> str:
        return rows.as_text(self.rows())

    def _repr_html_(self) -> str:
        return rows.as_html(self.rows())

    def plot(self) -> Figure_:
        """Figure of the plan: moves against travel."""
        from ellipsefit.report import plot_plan  # the one way up: a result draws itself when asked

        return plot_plan(self, self.fit)

    def _summary_table(self) -> Table:
        verdict = "feasible" if self.feasible else "NOT FEASIBLE"
        where = "an adjuster" if self.moves else "the end of a segment"
        cells = [
            ("carrier: raise at the pole", number(self.carrier_height, "length", unit="um", digits=4, sign=True)),
            ("carrier: tilt", number(self.carrier_tilt, "angle", unit="urad", digits=4, sign=True)),
            (f"largest error left at {where}", number(self.remaining.height_max, "length")),
            ("largest tilt left of a segment", number(self.remaining.tilt_max, "angle")),
            ("image shift left, rms over segments", number(self.remaining.image_shift_rms, "length")),
            ("slope error left, rms", number(self.remaining.slope_error_rms, "angle")),
        ]
        if not self.feasible:
            cells.append(("adjusters that bind", ", ".join(self.binding) or "none"))
            missing = "no travel suffices" if self.travel_missing is None else number(self.travel_missing, "length")
            cells.append(("travel missing", missing))
        notes = tuple(f"Note: {text}" for text in self.warnings)
        return Table(title=f"Correction of {self.mirror.name}: {verdict}", cells=tuple(cells), notes=notes)

    def _move_table(self) -> Table:
        def um(value: float, *, sign: bool = True) -> str:
            return number(value, "length", unit="um", places=2, sign=sign)

        cells = tuple(
            (
                move.segment,
                move.adjuster,
                um(move.start),
                um(move.stop),
                um(move.move),
                um(move.travel_left, sign=False),
                "AT LIMIT" if move.at_limit else "",
            )
            for move in self.moves
        )
        header = ("segment", "adjuster", "from", "to", "move", "travel left", "")
        notes = () if cells else ("No adjuster is asked to move.",)
        return Table(title="Moves (positive raises the surface)", header=header, cells=cells, notes=notes)

    def _rest_table(self) -> Table:
        cells = tuple(
            (
                rest.name,
                number(rest.height, "length", unit="um", sign=True),
                number(rest.tilt, "angle", unit="urad", sign=True),
                number(rest.image_shift, "length", unit="um", sign=True),
            )
            for rest in self.segments
        )
        header = ("segment", "height left", "tilt left", "image shift")
        return Table(title="What remains of each segment", header=header, cells=cells)


def plan_corrections(
    fit: EllipseFit, mirror: Mirror | None = None, *, response: Response | None = None
) -> CorrectionPlan:
    """Plan adjuster moves and the carrier's move towards the nominal ellipse.

    The smallest worst error at an adjuster comes first, then the least total motion of the adjusters, both
    as linear programmes with a proven optimum; where the mirror file states tolerances and a plan within
    them exists, the plan is one of those. Moves are rounded to whole steps and never leave the travel.

    Parameters
    ----------
    fit : EllipseFit
        How the mirror stands.
    mirror : Mirror, optional
        The mirror with its adjusters as they stand now; by default the one that was fitted.
    response : Response, optional
        What moves do to the surface; by default each adjuster does what it is asked.

    Returns
    -------
    CorrectionPlan

    Raises
    ------
    ParameterError
        If the mirror's segments are not those that were fitted.
    """
    mirror = fit.mirror if mirror is None else mirror
    spans = [[(segment.name, segment.start, segment.end) for segment in each.segments] for each in (mirror, fit.mirror)]
    if spans[0] != spans[1]:
        raise ParameterError(
            f"mirror '{mirror.name}' must have the names and spans of the segments of '{fit.mirror.name}', "
            "which was fitted; only its adjusters may stand elsewhere"
        )
    target = mirror.nominal
    model = layout(fit, target, mirror, response)
    n = model.effect.shape[1]
    tolerances = _tolerance_rows(model, mirror, margin=True)
    worst = _smallest_worst(model, *tolerances) if len(tolerances[1]) else None
    if worst is None and len(tolerances[1]):
        tolerances = _tolerance_rows(model, mirror, margin=False)
        worst = _smallest_worst(model, *tolerances)
    if worst is None:
        tolerances = np.zeros((0, n)), np.zeros(0)
        worst = _smallest_worst(model, *tolerances)
    if worst is None:  # moves of zero always satisfy the limits
        raise RuntimeError("the alignment programme found no solution although standing still is one")
    best = _least_motion(model, max(worst.cost, 0.0), *tolerances) if len(model.moves) else None
    values = worst.values[:n] if best is None else best.values[:n]
    return replace(_plan(fit, mirror, target, model, values, worst), response=response)


def _travel_rows(model: Layout) -> tuple[FloatArray, FloatArray]:
    return np.concatenate([model.moves, -model.moves]), np.concatenate([model.highest, -model.lowest])


def _tolerance_rows(model: Layout, mirror: Mirror, *, margin: bool) -> tuple[FloatArray, FloatArray]:
    """Rows that keep every segment within tolerance, less what rounding may add."""
    limits = []
    for item in model.deviations:
        height, tilt = mirror.tolerance.segment_height, mirror.tolerance.segment_tilt
        reserve = _rounding(item.segment) if margin else (0.0, 0.0)
        limits.append(np.inf if height is None or not model.heights else height - reserve[0])
        limits.append(np.inf if tilt is None else tilt - reserve[1])
    limit = np.array(limits)
    kept = np.isfinite(limit)
    effect, line, limit = model.line_effect[kept], model.line[kept], limit[kept]
    return np.concatenate([effect, -effect]), np.concatenate([limit - line, limit + line])


def _rounding(segment: Segment) -> tuple[float, float]:
    """How much rounding the moves to steps may change a segment's height at its middle, and its tilt."""
    half = np.array([adjuster.resolution / 2 for adjuster in segment.adjusters])
    lever = np.array([adjuster.x - segment.middle for adjuster in segment.adjusters])
    if len(set(lever)) < 2:  # no tilt
        return float(half.mean()) if len(half) else 0.0, 0.0
    lift, turn = np.abs(np.linalg.pinv(np.column_stack([np.ones_like(lever), lever]))) @ half
    return float(lift), float(turn)


def _smallest_worst(model: Layout, rows: FloatArray, limits: FloatArray) -> Optimum | None:
    """Minimise E with |error + effect v| <= E, inside travel and further rows; unknowns (v, E)."""
    travel, ranges = _travel_rows(model)
    above = np.concatenate([model.effect, -model.effect])
    matrix = np.concatenate(
        [
            np.column_stack([travel, np.zeros(len(travel))]),
            np.column_stack([above, -np.ones(len(above))]),
            np.column_stack([rows, np.zeros(len(rows))]),
        ]
    )
    cost = np.append(np.zeros(model.effect.shape[1]), 1.0)
    return minimise_linear(cost, matrix, np.concatenate([ranges, -model.error, model.error, limits]))


def _least_motion(model: Layout, worst: float, rows: FloatArray, limits: FloatArray) -> Optimum | None:
    """Minimise the sum of |moves| among the plans whose worst error is the smallest; unknowns (v, |moves|)."""
    travel, ranges = _travel_rows(model)
    count = len(model.moves)
    allowed = worst * (1 + 1e-9) + 1e-12  # a picometre for the solver's tolerance
    above = np.concatenate([model.effect, -model.effect, rows])
    matrix = np.concatenate(
        [
            np.column_stack([travel, np.zeros((2 * count, count))]),
            np.column_stack([above, np.zeros((len(above), count))]),
            np.column_stack([np.concatenate([model.moves, -model.moves]), -np.tile(np.eye(count), (2, 1))]),
        ]
    )
    bounds = np.concatenate([ranges, allowed - model.error, allowed + model.error, limits, np.zeros(2 * count)])
    cost = np.append(np.zeros(model.effect.shape[1]), np.ones(count))
    return minimise_linear(cost, matrix, bounds)


def _travel_missing(model: Layout, mirror: Mirror) -> float | None:
    """Smallest extra travel, in whole steps and at both ends of every adjuster, with which the goal is reached.

    What rounding may add is kept in reserve, as in the plan, unless the tolerances leave no room for it.
    """
    found = _travel_missing_at(model, mirror, margin=True)
    if found is None:
        found = _travel_missing_at(model, mirror, margin=False)
    step = max((adjuster.resolution for _, adjuster in model.adjusters), default=0.0)
    return found if found is None or not step else float(np.ceil(found / step - 1e-6) * step)


def _travel_missing_at(model: Layout, mirror: Mirror, *, margin: bool) -> float | None:
    travel, ranges = _travel_rows(model)
    goal, limits = _tolerance_rows(model, mirror, margin=margin)
    if not len(limits):
        share = 0.5 if margin else 1.0
        allowed = np.full(len(model.error), NOTHING)
        allowed[model.at_adjuster] = [max(share * adjuster.resolution, NOTHING) for _, adjuster in model.adjusters]
        goal = np.concatenate([model.effect, -model.effect])
        limits = np.concatenate([allowed - model.error, allowed + model.error])
    matrix = np.concatenate(
        [np.column_stack([travel, -np.ones(len(travel))]), np.column_stack([goal, np.zeros(len(goal))])]
    )
    matrix = np.concatenate([matrix, np.append(np.zeros(matrix.shape[1] - 1), -1.0)[None, :]])  # not negative
    cost = np.append(np.zeros(model.effect.shape[1]), 1.0)
    found = minimise_linear(cost, matrix, np.concatenate([ranges, limits, [0.0]]))
    return None if found is None else max(found.cost, 0.0)


def _plan(
    fit: EllipseFit, mirror: Mirror, target: Ellipse, model: Layout, values: FloatArray, worst: Optimum
) -> CorrectionPlan:
    carrier = values[: model.carrier_size]
    carrier_height = float(carrier[0]) if model.heights else None
    moves = _rounded_moves(model, model.moves @ values)
    error = model.error + model.effect[:, : model.carrier_size] @ carrier
    rises = model.influence @ np.array([move.move for move in moves])
    rests = _segment_rests(target, model, carrier, rises)
    if model.at_adjuster.any():
        at_adjuster = error[model.at_adjuster] + rises
        height_max = float(np.abs(at_adjuster).max())
    else:
        height_max = float(np.abs(error).max())
    warnings = list(fit.warnings)
    feasible = fit.converged and _within(model, mirror, rests, error, rises)
    missing: float | None = 0.0
    if not feasible:
        missing = _travel_missing(model, mirror)
    count = len(model.adjusters)
    pressure = worst.pressure[:count] + worst.pressure[count : 2 * count]
    binding = tuple(
        f"{model.deviations[row].segment.name}/{adjuster.name}"
        for (row, adjuster), push in zip(model.adjusters, pressure, strict=True)
        if push > 1e-9 and worst.cost > NOTHING
    )
    return CorrectionPlan(
        fit=fit,
        mirror=mirror,
        feasible=feasible,
        target=target,
        carrier_height=carrier_height,
        carrier_tilt=float(carrier[-1]),
        moves=moves,
        segments=rests,
        remaining=Remaining(
            height_max=height_max,
            tilt_max=max(abs(rest.tilt) for rest in rests),
            image_shift_rms=float(np.sqrt(np.mean([rest.image_shift**2 for rest in rests]))),
            slope_error_rms=_slope_error_left(fit, target, model, rests),
        ),
        binding=binding,
        travel_missing=missing,
        worst_error=max(worst.cost, 0.0),
        optimality_gap=worst.gap,
        warnings=tuple(warnings),
    )


def _rounded_moves(model: Layout, wanted: FloatArray) -> tuple[Move, ...]:
    moves = []
    for (row, adjuster), move, low, high in zip(model.adjusters, wanted, model.lowest, model.highest, strict=True):
        step = adjuster.resolution
        exact = float(np.clip(move, low, high))
        rounded = round(exact / step) * step if step else exact
        stop = min(max(adjuster.position + rounded, adjuster.travel[0]), adjuster.travel[1])
        left = max(min(stop - adjuster.travel[0], adjuster.travel[1] - stop), 0.0)
        left = 0.0 if left < NOTHING * 1e-3 else left  # rounding of the subtraction
        moves.append(
            Move(
                segment=model.deviations[row].segment.name,
                adjuster=adjuster.name,
                start=adjuster.position,
                stop=stop,
                move=rounded,
                travel_left=left,
                at_limit=bool(left <= max(step, NOTHING) * (1 + 1e-9)),
            )
        )
    return tuple(moves)


def _segment_rests(target: Ellipse, model: Layout, carrier: FloatArray, rises: FloatArray) -> tuple[SegmentRest, ...]:
    """Height and tilt of each segment after the carrier's move and the rounded moves of its adjusters."""
    line = (model.line + model.line_effect[:, : model.carrier_size] @ carrier).reshape(-1, 2)
    rests = []
    for row, item in enumerate(model.deviations):
        done = [
            (a.x - item.segment.middle, float(rise))
            for (r, a), rise in zip(model.adjusters, rises, strict=True)
            if r == row
        ]
        height, tilt = line[row]
        places = {lever for lever, _ in done}
        if len(places) >= 2:
            slope, lift = np.polyfit([lever for lever, _ in done], [move for _, move in done], 1)
            height, tilt = height + lift, tilt + slope
        elif places:
            height += np.mean([move for _, move in done])
        distance = float(target.distances(np.array([item.segment.middle]))[1][0])
        rests.append(
            SegmentRest(
                name=item.segment.name,
                height=float(height) if model.heights else None,
                tilt=float(tilt),
                image_shift=2 * distance * float(tilt),
            )
        )
    return tuple(rests)


def _within(
    model: Layout, mirror: Mirror, rests: tuple[SegmentRest, ...], error: FloatArray, rises: FloatArray
) -> bool:
    """Whether the goal is reached: the stated tolerances, or a worst rest of one step."""
    height, tilt = mirror.tolerance.segment_height, mirror.tolerance.segment_tilt
    if height is not None or tilt is not None:
        return all(
            (height is None or rest.height is None or abs(rest.height) <= height * (1 + MET))
            and (tilt is None or abs(rest.tilt) <= tilt * (1 + MET))
            for rest in rests
        )
    done, allowed = np.zeros(len(error)), np.full(len(error), NOTHING)
    done[model.at_adjuster] = rises
    allowed[model.at_adjuster] = [adjuster.resolution + NOTHING for _, adjuster in model.adjusters]
    return bool(np.all(np.abs(error + done) <= allowed))


def _slope_error_left(fit: EllipseFit, target: Ellipse, model: Layout, rests: tuple[SegmentRest, ...]) -> float:
    """Rms slope against the target after the moves: figure, change of ellipse within segments, tilt left."""
    placed = fit.placed
    change = fit.ellipse.slope(placed.x) - target.slope(placed.x)
    left = fit.figure.slope_error + change
    for item, rest in zip(model.deviations, rests, strict=True):
        part = placed.part(item.number)
        state = fit.segments[item.number]
        own = fit.pose.tilt + (state.tilt or 0.0)
        # the line of the ellipse's change is part of the segment's deviation, which becomes its rest
        left[part] += rest.tilt - (item.tilt - own)
    return float(np.sqrt(np.nanmean(left**2)))
