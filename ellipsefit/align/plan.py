"""The plan of one round: moves within travel, the carrier's share, and what remains."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar, Final, Literal, get_args

import numpy as np

from ellipsefit.align.conflict import Conflict, find_conflict
from ellipsefit.align.foreseen import SlopesLeft
from ellipsefit.align.layout import Layout, layout
from ellipsefit.align.limits import NOTHING, Limits, goal_limits, line_map, segment_limits, target_limits, travel_limits
from ellipsefit.align.objectives import WORDS, Choice, Objective, check_objectives, choose
from ellipsefit.align.outlook import Outlook, look_ahead
from ellipsefit.align.program import minimise_linear
from ellipsefit.align.response import Response
from ellipsefit.align.tradeoff import TradeOff, trade_off
from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.fit.result import EllipseFit
from ellipsefit.mirror import Mirror
from ellipsefit.results import Array, Result
from ellipsefit.rows import Table, number, with_uncertainty

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Figure_

#: Share by which a tolerance may be passed and still counts as met: a plan may end right at it.
MET: Final = 1e-6
#: Move that is the solver's rounding [m].
_NOISE: Final = 1e-11
#: Linearisations of the target; each brings its error down to about its square.
_PASSES: Final = 4

TargetChoice = Literal["nominal", "free"]
#: The objectives of a plan left to itself.
DEFAULT: Final[tuple[Objective, ...]] = ("worst", "travel")


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
    roll: float | None = None  # [rad]; None: not measured


@dataclass(frozen=True, slots=True, kw_only=True)
class Remaining:
    """What remains of the mirror after the rounded moves."""

    height_max: float  # largest |error| at an adjuster [m]
    tilt_max: float  # largest |tilt| of a segment [rad]
    image_shift_rms: float  # over the segments [m]
    slope_error_rms: float  # over the points, against the target [rad]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CorrectionPlan(Result):
    """Moves that bring the segments onto the target, together with a move of the whole carrier.

    Afterwards the surface at an adjuster stands at measured + carrier_height + carrier_tilt x + move, or what the
    response makes of all moves there.
    """

    table: ClassVar[str | None] = "moves"

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
    carrier_roll: float | None = None  # [rad]; None: no roll was measured
    objectives: tuple[Objective, ...] = DEFAULT
    optima: dict[Objective, float] = field(default_factory=dict)  # of each objective, before rounding [m]; a count
    gaps: dict[Objective, float] = field(default_factory=dict)  # primal minus dual of each
    outlook: Outlook | None = None  # None only where a plan was made up
    conflict: Conflict | None = None  # why it is not feasible

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        return {
            "feasible": self.feasible,
            "target": {"p": self.target.p, "q": self.target.q, "theta": self.target.theta},
            "carrier": {"height": self.carrier_height, "tilt": self.carrier_tilt, "roll": self.carrier_roll},
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
                {
                    "name": rest.name,
                    "height": rest.height,
                    "tilt": rest.tilt,
                    "roll": rest.roll,
                    "image_shift": rest.image_shift,
                }
                for rest in self.segments
            ],
            "binding": list(self.binding),
            "travel_missing": self.travel_missing,
            "worst_error_before_rounding": self.worst_error,
            "objectives": [
                {"name": name, "optimum": self.optima.get(name), "gap": self.gaps.get(name)} for name in self.objectives
            ],
            "target_shift": {
                "source_distance": _difference(self.target.p, self.mirror.nominal.p),
                "image_distance": _difference(self.target.q, self.mirror.nominal.q),
                "grazing_angle": self.target.theta - self.mirror.nominal.theta,
            },
            "outlook": None if self.outlook is None else self.outlook.to_dict(),
            "conflict": None if self.conflict is None else self.conflict.to_dict(),
            "suspicions": [item.to_dict() for item in self.fit.checked.suspicions],
            "warnings": list(self.warnings),
        }

    def arrays(self) -> tuple[Array, ...]:
        """Moves of the adjusters within their travel."""
        adjusters = {(s.name, a.name): a for s in self.mirror.segments for a in s.adjusters}
        own = [adjusters[move.segment, move.adjuster] for move in self.moves]
        names = [f"{move.segment}/{move.adjuster}" for move in self.moves]
        travel = np.reshape([one.travel for one in own], (len(own), 2))
        return (
            Array("adjuster", ("adjuster",), np.array(names, dtype=np.str_), "", "segment/adjuster", True),
            Array("x", ("adjuster",), [one.x for one in own], "m", "position along the mirror", True),
            Array("move", ("adjuster",), [move.move for move in self.moves], "m", "positive raises the surface"),
            Array("start", ("adjuster",), [move.start for move in self.moves], "m", "where it stood"),
            Array("stop", ("adjuster",), [move.stop for move in self.moves], "m", "where it is to stand"),
            Array("lowest", ("adjuster",), travel[:, 0], "m", "lower end of the travel"),
            Array("highest", ("adjuster",), travel[:, 1], "m", "upper end of the travel"),
        )

    def rows(self) -> list[Table]:
        """Tables of the plan, as shown on screens and pages."""
        further = [] if self.outlook is None else self.outlook.rows()
        conflict = [] if self.conflict is None else self.conflict.rows()
        rests = [self._rest_table(), *self._expected_tables()]
        return [self._summary_table(), self._move_table(), *rests, *conflict, *further]

    def trade_off(self) -> TradeOff:
        """What remains against how much is moved, for this mirror and target."""
        model = layout(self.fit, self.target, self.mirror, self.response)
        return trade_off(model, self.remaining.height_max, [move.move for move in self.moves])

    def plot(self) -> Figure_:
        """Figure of the plan: moves against travel."""
        from ellipsefit.report import plot_plan  # the one way up: a result draws itself when asked

        return plot_plan(self, self.fit)

    def _summary_table(self) -> Table:
        verdict = "feasible" if self.feasible else "NOT FEASIBLE"
        if self.fit.checked.suspicions:
            verdict += ", A SLIP IS SUSPECTED: read the notes before a screw is moved"
        where = "an adjuster" if self.moves else "the end of a segment"
        cells = [
            ("carrier: raise at the pole", number(self.carrier_height, "length", unit="um", digits=4, sign=True)),
            ("carrier: tilt", number(self.carrier_tilt, "angle", unit="urad", digits=4, sign=True)),
            (f"largest error left at {where}", number(self.remaining.height_max, "length")),
            ("largest tilt left of a segment", number(self.remaining.tilt_max, "angle")),
            ("image shift left, rms over segments", number(self.remaining.image_shift_rms, "length")),
            ("slope error left, rms", number(self.remaining.slope_error_rms, "angle")),
        ]
        if self.carrier_roll is not None:
            cells.insert(2, ("carrier: roll", number(self.carrier_roll, "angle", unit="urad", digits=4, sign=True)))
        if self.target != self.mirror.nominal:
            nominal = self.mirror.nominal
            cells += [
                ("target: p - nominal", number(_difference(self.target.p, nominal.p), "length", sign=True)),
                ("target: q - nominal", number(_difference(self.target.q, nominal.q), "length", sign=True)),
                ("target: theta - nominal", number(self.target.theta - nominal.theta, "angle", sign=True)),
            ]
        if self.objectives != DEFAULT:
            cells.append(("chosen for", ", then ".join(WORDS[name] for name in self.objectives)))
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
        rolled = any(rest.roll is not None for rest in self.segments)
        unsure = None if self.outlook is None else {item.name: item for item in self.outlook.segments}

        def shown(rest: SegmentRest, key: str, kind: str, unit: str) -> str:
            value = getattr(rest, key)
            stderr = None
            if unsure is not None and key == "image_shift":
                stderr = unsure[rest.name].tilt_stderr * abs(value / rest.tilt) if rest.tilt else None
            elif unsure is not None:
                stderr = getattr(unsure[rest.name], f"{key}_stderr")
            return (
                with_uncertainty(value, stderr, kind, unit=unit)
                if stderr and value is not None
                else number(value, kind, unit=unit, sign=True)
            )

        cells = tuple(
            (
                rest.name,
                shown(rest, "height", "length", "um"),
                shown(rest, "tilt", "angle", "urad"),
                *((shown(rest, "roll", "angle", "urad"),) * rolled),
                shown(rest, "image_shift", "length", "um"),
            )
            for rest in self.segments
        )
        header = ("segment", "height left", "tilt left", *(("roll left",) * rolled), "image shift")
        return Table(title="What remains of each segment", header=header, cells=cells)

    def _expected_tables(self) -> list[Table]:
        """What remains of the whole, and where light will focus: at the means, and with what is unknown."""
        if self.outlook is None or self.outlook.rests is None or self.outlook.foci is None:
            return []
        rests, foci = self.outlook.rests, self.outlook.foci
        where = "an adjuster" if self.moves else "the end of a segment"
        words = {
            "height_max": (f"largest error at {where}", "length"),
            "tilt_max": ("largest tilt of a segment", "angle"),
            "image_shift_rms": ("image shift, rms over segments", "length"),
            "slope_error_rms": ("slope error, rms", "angle"),
        }
        cells = tuple(
            (text, number(getattr(self.remaining, key), kind), getattr(rests, key).words(kind))
            for key, (text, kind) in words.items()
        )
        note = (
            "As planned: were all as found. To be expected: mean and standard deviation over what measurement and "
            "adjusters leave unknown, which adds to the worst of many and to an rms."
        )
        focused = tuple(
            (f"{name} focus, {axis} the chief ray", foci.words(f"{name}_{axis}"))
            for name in ("image", "source")
            for axis in ("along", "across")
        )
        aside = "To first order, of even light, with the carrier where it is sent; minus nominal."
        return [
            Table(
                title="What remains of the whole",
                header=("", "as planned", "to be expected"),
                cells=cells,
                notes=(note,),
            ),
            Table(title="Where the foci will be", header=("", "misplacement"), cells=focused, notes=(aside,)),
        ]


def _difference(value: float, nominal: float) -> float:
    """Change of a distance that may be infinite."""
    return 0.0 if value == nominal else value - nominal


def plan_corrections(
    fit: EllipseFit,
    mirror: Mirror | None = None,
    *,
    response: Response | None = None,
    objectives: Sequence[str] = DEFAULT,
    target: TargetChoice = "nominal",
) -> CorrectionPlan:
    """Plan adjuster moves and the carrier's move towards the target ellipse.

    By default the smallest worst error at an adjuster comes first, then the least total motion of the adjusters, both
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
    objectives : sequence of {'worst', 'spot', 'reach', 'travel', 'screws', 'expected'}
        What is made small, in this order: `ellipsefit.align.objectives.WORDS` says what each is. What they leave open
        the least travel decides. 'reach', 'travel' and 'screws' keep what makes a plan feasible; where that can't be
        reached, the smallest worst error comes before them. 'expected' stands alone.
    target : {'nominal', 'free'}
        'free': p, q and theta of the target may move within the mirror's tolerances, together with all else.

    Returns
    -------
    CorrectionPlan

    Raises
    ------
    ParameterError
        If the mirror's segments are not those that were fitted, an objective is unknown, the target is free without
        any tolerance for it, or the response is singular or of other adjusters.
    """
    mirror = fit.mirror if mirror is None else mirror
    spans = [[(segment.name, segment.start, segment.end) for segment in each.segments] for each in (mirror, fit.mirror)]
    if spans[0] != spans[1]:
        raise ParameterError(
            f"mirror '{mirror.name}' must have the names and spans of the segments of '{fit.mirror.name}', "
            "which was fitted; only its adjusters may stand elsewhere"
        )
    wanted = check_objectives(objectives)
    if target not in get_args(TargetChoice):
        raise ParameterError(f"target must be one of {', '.join(get_args(TargetChoice))}; got {target!r}")
    aim = mirror.nominal
    if target == "free":
        aim = _free_target(fit, mirror, response, wanted)
    model = layout(fit, aim, mirror, response)
    return _plan(fit, mirror, model, _chosen(model, mirror, wanted), response)


def _free_target(
    fit: EllipseFit, mirror: Mirror, response: Response | None, objectives: tuple[Objective, ...]
) -> Ellipse:
    """The target within tolerance that serves the objectives best: linearised about the last one until it stays."""
    tolerance = mirror.tolerance
    if not (tolerance.source_distance or tolerance.image_distance or tolerance.grazing_angle):
        raise ParameterError(
            "target 'free' needs a tolerance of source_distance, image_distance or grazing_angle; "
            f"mirror '{mirror.name}' has none"
        )
    target = mirror.nominal
    # the count of screws takes long, and which target allows fewest the travel tells nearly as well
    quick = tuple(name for name in objectives if name != "screws")
    for _ in range(_PASSES):
        model = layout(fit, target, mirror, response, free_target=True)
        found = _chosen(model, mirror, quick).values[model.carrier_size : model.common_size]
        p, q, theta = (float(value) for value in (target.p + found[0], target.q + found[1], target.theta + found[2]))
        target = Ellipse(p, q, theta)
        if np.all(np.abs(found) <= 1e-6 * (model.target_high - model.target_low)):
            break
    return target


def target_within(target: Ellipse, mirror: Mirror) -> bool:
    """Whether p, q and theta are within their tolerances of nominal, exactly; without one, at nominal."""
    nominal, tolerance = mirror.nominal, mirror.tolerance
    return (
        abs(_difference(target.p, nominal.p)) <= (tolerance.source_distance or 0.0)
        and abs(_difference(target.q, nominal.q)) <= (tolerance.image_distance or 0.0)
        and abs(target.theta - nominal.theta) <= (tolerance.grazing_angle or 0.0)
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Chosen:
    """What the objectives chose, and by which of them first."""

    choice: Choice
    objectives: tuple[Objective, ...]

    @property
    def values(self) -> FloatArray:
        return self.choice.values


def _chosen(model: Layout, mirror: Mirror, objectives: tuple[Objective, ...]) -> _Chosen:
    """The best choice within tolerances less what rounding may add, within tolerances, or within travel alone."""
    always = travel_limits(model) + target_limits(model)
    # to move little is only worth something where a goal must be reached, and says nothing without adjusters
    moving = objectives[0] in ("reach", "travel", "screws")
    if moving and not len(model.moves):
        moving, objectives = False, tuple(dict.fromkeys(("worst", *objectives)))
    for margin in (True, False):
        goal = (goal_limits if moving else segment_limits)(model, mirror, margin=margin)
        if not len(goal.limits):
            break
        found = choose(model, always + goal, objectives)
        if found is not None:
            return _Chosen(choice=found, objectives=objectives)
    if moving:
        objectives = tuple(dict.fromkeys(("worst", *objectives)))
    found = choose(model, always, objectives)
    if found is None:  # moves of zero always satisfy the limits
        raise RuntimeError("the alignment programme found no solution although standing still is one")
    return _Chosen(choice=found, objectives=objectives)


def _travel_missing(model: Layout, mirror: Mirror) -> float | None:
    """Smallest extra travel, in whole steps and at both ends of every adjuster, with which the goal is reached.

    What rounding may add is kept in reserve, as in the plan, unless the tolerances leave no room for it.
    """
    found = _travel_missing_at(model, goal_limits(model, mirror, margin=True))
    if found is None:
        found = _travel_missing_at(model, goal_limits(model, mirror, margin=False))
    step = float(model.resolution.max(initial=0.0))
    return found if found is None or not step else float(np.ceil(found / step - 1e-6) * step)


def _travel_missing_at(model: Layout, goal: Limits) -> float | None:
    travel = travel_limits(model)
    matrix = np.concatenate(
        [
            np.column_stack([travel.rows, -np.ones(len(travel.rows))]),
            np.column_stack([goal.rows, np.zeros(len(goal.rows))]),
        ]
    )
    matrix = np.concatenate([matrix, np.append(np.zeros(matrix.shape[1] - 1), -1.0)[None, :]])  # not negative
    cost = np.append(np.zeros(model.effect.shape[1]), 1.0)
    found = minimise_linear(cost, matrix, np.concatenate([travel.limits, goal.limits, [0.0]]))
    return None if found is None else found.cost


def _plan(fit: EllipseFit, mirror: Mirror, model: Layout, chosen: _Chosen, response: Response | None) -> CorrectionPlan:
    values, target = chosen.values, model.target
    carrier = values[: model.carrier_size]
    moves = _rounded_moves(model, model.moves @ values)
    commanded = np.array([move.move for move in moves])
    error = model.error + model.effect[:, : model.carrier_size] @ carrier
    rises = model.influence @ commanded
    rests = _segment_rests(model, carrier, rises)
    at_adjuster = error[model.at_adjuster] + rises if model.at_adjuster.any() else error
    within = target_within(target, mirror)
    feasible = fit.converged and within and _within(model, mirror, rests, error, rises)
    missing = 0.0 if feasible else _travel_missing(model, mirror)
    lines = np.array([(rest.height or 0.0, rest.tilt) for rest in rests])
    slopes = _slopes_left(fit, target, model, rests)
    optima = chosen.choice.optima
    # without that objective, the worst error that the others left before rounding
    worst = optima.get("worst", float(np.abs(model.error + model.effect @ values).max()))
    return CorrectionPlan(
        fit=fit,
        mirror=mirror,
        feasible=feasible,
        target=target,
        carrier_height=float(carrier[0]) if model.heights else None,
        carrier_tilt=float(carrier[int(model.heights)]),
        carrier_roll=float(carrier[-1]) if model.rolls else None,
        moves=moves,
        segments=rests,
        remaining=Remaining(
            height_max=float(np.abs(at_adjuster).max()),
            tilt_max=max(abs(rest.tilt) for rest in rests),
            image_shift_rms=float(np.sqrt(np.mean([rest.image_shift**2 for rest in rests]))),
            slope_error_rms=float(np.sqrt(slopes.square)),
        ),
        binding=_binding(model, chosen.choice, worst, moves),
        travel_missing=missing,
        worst_error=worst,
        optimality_gap=chosen.choice.gaps[chosen.objectives[0]],
        warnings=(*fit.warnings, *_without_end(model, missing)),
        response=response,
        objectives=chosen.objectives,
        optima=optima,
        gaps=chosen.choice.gaps,
        outlook=look_ahead(
            fit,
            model,
            commanded,
            lines,
            (mirror.tolerance.segment_height, mirror.tolerance.segment_tilt),
            errors=at_adjuster,
            slopes=slopes,
        ),
        conflict=None if feasible or not fit.converged else _conflict(model, mirror),
    )


def _without_end(model: Layout, missing: float | None) -> tuple[str, ...]:
    """Why no travel is named that would suffice."""
    if missing is not None:
        return ()
    if not len(model.moves):
        return ("the mirror has no adjusters, and the carrier alone does not bring it within tolerance",)
    return ("the adjusters cannot turn the segments as far as needed, with any travel: no travel suffices",)


def _conflict(model: Layout, mirror: Mirror) -> Conflict:
    """Limits in conflict; those that leave room for rounding, where the others could be met."""
    others = target_limits(model)
    found = find_conflict(model, goal_limits(model, mirror, margin=False), others)
    return found if found.limits else find_conflict(model, goal_limits(model, mirror, margin=True), others)


def _binding(model: Layout, choice: Choice, worst: float, moves: tuple[Move, ...]) -> tuple[str, ...]:
    """Adjusters whose travel keeps the first objective from being smaller."""
    if worst <= NOTHING:
        return ()
    if choice.pressure is None:
        return tuple(name for name, move in zip(model.names, moves, strict=True) if move.at_limit and move.move)
    count = len(model.adjusters)
    pressure = choice.pressure[:count] + choice.pressure[count : 2 * count]
    return tuple(name for name, push in zip(model.names, pressure, strict=True) if push > 1e-9)


def _rounded_moves(model: Layout, wanted: FloatArray) -> tuple[Move, ...]:
    moves = []
    for (row, adjuster), move, low, high in zip(model.adjusters, wanted, model.lowest, model.highest, strict=True):
        step = adjuster.resolution
        exact = float(np.clip(move, low, high)) if abs(move) > _NOISE else 0.0
        rounded = round(exact / step) * step if step else exact
        stop = min(max(adjuster.position + rounded, adjuster.travel[0]), adjuster.travel[1])
        left = min(stop - adjuster.travel[0], adjuster.travel[1] - stop)
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


def _segment_rests(model: Layout, carrier: FloatArray, rises: FloatArray) -> tuple[SegmentRest, ...]:
    """How each segment stands after the carrier's move and the rounded moves of its adjusters."""
    count = len(model.deviations)
    lines = (model.line + model.line_effect[:, : model.carrier_size] @ carrier).reshape(count, 2)
    turned = (line_map(model) @ rises).reshape(count, 3)
    rests = []
    for item, line, own, distance in zip(model.deviations, lines, turned, model.distance, strict=True):
        height, tilt = line + own[:2]
        rests.append(
            SegmentRest(
                name=item.segment.name,
                height=float(height) if model.heights else None,
                tilt=float(tilt),
                image_shift=2 * float(distance) * float(tilt),
                roll=None if item.roll is None else float(item.roll + carrier[-1] + own[2]),
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


def _slopes_left(fit: EllipseFit, target: Ellipse, model: Layout, rests: tuple[SegmentRest, ...]) -> SlopesLeft:
    """Slopes against the target after the moves: figure, change of ellipse within segments, tilt left."""
    placed = fit.placed
    change = fit.ellipse.slope(placed.x) - target.slope(placed.x)
    left = fit.figure.slope_error + change
    means, shares = [], []
    for item, rest in zip(model.deviations, rests, strict=True):
        part = placed.part(item.number)
        state = fit.segments[item.number]
        own = fit.pose.tilt + (state.tilt or 0.0)
        # the line of the ellipse's change is part of the segment's deviation, which becomes its rest
        left[part] += rest.tilt - (item.tilt - own)
        known = left[part][np.isfinite(left[part])]
        means.append(float(known.mean()) if len(known) else 0.0)
        shares.append(len(known))
    # what is added is smooth: where means of many points stand for them, it changes the square by as much
    added = float(np.nanmean(left**2) - np.nanmean(fit.figure.slope_error**2))
    return SlopesLeft(
        square=max(fit.figure.slope_error_rms**2 + added, 0.0),
        mean=np.array(means),
        share=np.array(shares) / max(sum(shares), 1),
        figure=fit.figure.slope_error_rms,
        figure_stderr=fit.figure.slope_error_rms_stderr or 0.0,
    )
