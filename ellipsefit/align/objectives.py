"""What a plan makes small: each objective is a small function of a `Layout`, and they are taken in order.

An objective is the least value of cost @ h over helpers h >= what `unknowns @ v + helpers @ h <= limits` demands.
All but the last two are lengths in m. Whatever comes later is decided among the plans that are best so far.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final, Literal, get_args

import numpy as np

from ellipsefit.align.counting import fewest_moves
from ellipsefit.align.layout import Layout
from ellipsefit.align.limits import Limits
from ellipsefit.align.program import Optimum, column_size, minimise_linear, minimise_squares
from ellipsefit.arrays import BoolArray, FloatArray, IntArray
from ellipsefit.errors import ParameterError

Objective = Literal["worst", "spot", "reach", "travel", "screws", "expected"]

#: What each objective is, in words.
WORDS: Final[dict[Objective, str]] = {
    "worst": "smallest worst error at an adjuster",
    "spot": "smallest spot expected at the image focus",
    "reach": "smallest largest move",
    "travel": "least travel of all adjusters together",
    "screws": "fewest screws touched",
    "expected": "smallest error to be expected, given what is unsure",
}
#: What locking, creep and settling add to every adjuster that is touched, standard deviation [m] (common practice:
#: 0.2 um and more).
SETTLING: Final = 0.2e-6
#: Share of an optimum that what comes later may cost, and that share in metres: a picometre for the solver's tolerance.
_SHARE: Final = 1e-9
_LEAST: Final = 1e-12
#: Gain error of an adjuster that claims none: with it the smallest expected error is one plan, not many.
_LEAST_GAIN_ERROR: Final = 1e-3
#: Move below which an adjuster is not touched [m]: a thousandth of what any adjuster resolves.
_TOUCHED: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measure:
    """A convex function of v, as a linear programme."""

    unknowns: FloatArray  # (m, n)
    helpers: FloatArray  # (m, h)
    limits: FloatArray  # (m,)
    cost: FloatArray  # (h,)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Choice:
    """The unknowns that are best by all objectives in order, with the proof of each."""

    values: FloatArray  # (n,)
    optima: dict[Objective, float]  # [m]; count of screws
    gaps: dict[Objective, float]  # primal minus dual, in the same unit
    pressure: FloatArray | None  # (rows of the limits,) on the first objective; None: it was not linear


def _both_signs(effect: FloatArray, offset: FloatArray, helpers: FloatArray, cost: FloatArray) -> Measure:
    """Helpers bound |effect @ v + offset| from above."""
    return Measure(
        unknowns=np.concatenate([effect, -effect]),
        helpers=-np.concatenate([helpers, helpers]),
        limits=np.concatenate([-offset, offset]),
        cost=cost,
    )


def worst_error(model: Layout) -> Measure:
    """Largest |error| at a check point."""
    return _both_signs(model.effect, model.error, np.ones((len(model.error), 1)), np.ones(1))


def expected_spot(model: Layout) -> Measure:
    """Mean distance by which light misses the image focus: each segment's shift there times its share of the light.

    A tilt turns the light by twice itself, so that it misses by 2 d tilt at a distance d; a height shifts it by twice
    itself (law of reflection at grazing incidence). A far segment's tilt therefore costs more.
    """
    shift = np.stack([2.0 * model.heights + 0.0 * model.distance, 2 * model.distance], axis=1)
    effect = np.einsum("si,sin->sn", shift, model.line_effect.reshape(*shift.shape, model.line_effect.shape[1]))
    offset = np.einsum("si,si->s", shift, model.line.reshape(shift.shape))
    return _both_signs(effect, offset, np.eye(len(shift)), model.light)


def largest_move(model: Layout) -> Measure:
    """Largest |move|."""
    return _both_signs(model.moves, np.zeros(len(model.moves)), np.ones((len(model.moves), 1)), np.ones(1))


def total_travel(model: Layout) -> Measure:
    """Sum of all |moves|."""
    count = len(model.moves)
    return _both_signs(model.moves, np.zeros(count), np.eye(count), np.ones(count))


_LINEAR: Final[dict[str, Callable[[Layout], Measure]]] = {
    "worst": worst_error,
    "spot": expected_spot,
    "reach": largest_move,
    "travel": total_travel,
}


def check_objectives(names: Sequence[str]) -> tuple[Objective, ...]:
    """The objectives as they will be taken, with the least travel last where none leaves it open.

    Raises
    ------
    ParameterError
        If one is unknown or stands twice, or 'expected' stands with others.
    """
    known: tuple[Objective, ...] = get_args(Objective)
    for place, name in enumerate(names):
        if name not in known:
            raise ParameterError(f"objectives must be some of {', '.join(known)}, in order; got {name!r}")
        if name in names[:place]:
            raise ParameterError(f"objectives must differ; '{name}' stands twice")
    if not names:
        raise ParameterError(f"objectives must name at least one of {', '.join(known)}")
    if "expected" in names:
        if len(names) > 1:
            raise ParameterError("objectives: 'expected' weighs all there is by itself; expected it alone")
        return ("expected",)
    taken = sorted((item for item in known if item in names), key=list(names).index)
    last: Objective = "travel"
    return tuple(dict.fromkeys((*taken, last)))


def choose(model: Layout, limits: Limits, objectives: Sequence[Objective]) -> Choice | None:
    """Unknowns that are best by the objectives in order; None if the limits contradict each other."""
    n = model.effect.shape[1]
    rows, bounds = limits.rows, limits.limits
    values = np.zeros(n)
    optima: dict[Objective, float] = {}
    gaps: dict[Objective, float] = {}
    pressure: FloatArray | None = None
    for place, name in enumerate(objectives):
        if name == "expected":
            found, loss = _expected(model, limits)
            if found is None:
                return None
            return Choice(values=found, optima={name: loss}, gaps={name: 0.0}, pressure=None)
        if name in ("screws", "travel", "reach") and not len(model.moves):
            optima[name], gaps[name] = 0.0, 0.0
            continue
        if name == "screws":
            moves = np.column_stack([model.moves, np.zeros((len(model.moves), rows.shape[1] - n))])
            picked = fewest_moves(
                rows, bounds, moves, model.lowest, model.highest, shared=model.common_size, groups=_groups(model)
            )
            if picked is None:
                return None
            chosen, least = picked
            optima[name], gaps[name] = float(chosen.sum()), float(chosen.sum()) - least
            still = moves[~chosen]
            rows = np.concatenate([rows, still, -still])
            bounds = np.concatenate([bounds, np.zeros(2 * len(still))])
            if name != objectives[-1]:
                continue
            measure = total_travel(model)
        else:
            measure = _LINEAR[name](model)
        extra, more = len(measure.cost), rows.shape[1] - n
        held = np.column_stack([measure.unknowns, np.zeros((len(measure.limits), more))])
        wider = np.concatenate(
            [np.column_stack([rows, np.zeros((len(rows), extra))]), np.column_stack([held, measure.helpers])]
        )
        cost = np.concatenate([np.zeros(n + more), measure.cost])
        optimum: Optimum | None = minimise_linear(cost, wider, np.concatenate([bounds, measure.limits]))
        if optimum is None:
            return None
        best = max(optimum.cost, 0.0)
        values = optimum.values[:n]
        if name != "screws":
            optima[name], gaps[name] = best, optimum.gap
        if place == 0:
            pressure = optimum.pressure[: len(limits.limits)]
        # a count is decided within the tolerance of branch and bound, a millionth of a scaled unknown
        most = best * (1 + _SHARE) + (_TOUCHED if "screws" in objectives[place:] else _LEAST)
        if extra == 1:  # the largest of many is held by holding each, and the segments stay apart
            rows = np.concatenate([rows, held])
            bounds = np.concatenate([bounds, measure.limits - measure.helpers[:, 0] * most / measure.cost[0]])
        else:
            rows = np.concatenate([wider, cost[None, :]])
            bounds = np.concatenate([bounds, measure.limits, [most]])
    return Choice(values=values, optima=optima, gaps=gaps, pressure=pressure)


def _groups(model: Layout) -> list[tuple[IntArray, int]]:
    """Adjusters of each segment that moves by itself, and the fewest of them that any motion of it moves."""
    if np.any(model.influence - np.diag(np.diag(model.influence))):
        return []  # coupled screws move for each other
    found = []
    for row in range(len(model.deviations)):
        places = np.flatnonzero([own == row for own, _ in model.adjusters])
        part = model.moves[places]
        own = part[:, np.any(part != 0, axis=0)]
        found.append((places, _fewest_moved(own)))
    return [(places, least) for places, least in found if least > 1]


def _fewest_moved(moves: FloatArray) -> int:
    """Fewest rows that differ from zero in any combination of the columns but none at all."""
    count, freedom = (int(size) for size in moves.shape)
    if not freedom:
        return 0
    for least in range(1, count + 1):
        for still in combinations(range(count), count - least):
            held = moves[list(still)] / np.abs(moves).max(axis=0)
            if not len(held) or int(np.linalg.matrix_rank(held)) < freedom:
                return least
    return count


def expected_rows(model: Layout) -> tuple[FloatArray, FloatArray]:
    """Matrix and offset whose squared length is the sum of expected squares at the check points [m**2].

    The rest at each, and what each move adds through the uncertainty of the influence matrix. What the measurement is
    unsure of adds the same whatever is done; errors are at their posterior means.
    """
    # of all rises a unit move makes; no gain is known to better than a thousandth
    spread = np.maximum(np.sqrt((model.influence_stderr**2).sum(axis=0)), _LEAST_GAIN_ERROR)
    unsure = spread[:, None] * model.moves
    return np.concatenate([model.effect, unsure]), np.concatenate([model.error, np.zeros(len(unsure))])


def touch_cost(model: Layout) -> FloatArray:
    """Expected square that touching an adjuster adds [m**2]: settling, and rounding to its steps, shape (A,)."""
    cost: FloatArray = SETTLING**2 + model.resolution**2 / 12
    return cost


def _expected(model: Layout, limits: Limits) -> tuple[FloatArray | None, float]:
    """Smallest expected sum of squares, touching included; unknowns, and its root mean over the check points [m].

    Screws are left alone, the smallest move first, as long as that makes it smaller.
    """
    matrix, offset = expected_rows(model)
    # what others can do as well, such as the target where the carrier takes all, stays where it is
    useful = np.eye(matrix.shape[1])[:, _independent(matrix, model)]
    cost, points = touch_cost(model), max(len(model.error), 1)

    def solve(touched: BoolArray) -> tuple[FloatArray | None, float]:
        basis = useful @ _null_space(model.moves[~touched] @ useful)
        found = minimise_squares(matrix @ basis, offset, limits.rows @ basis, limits.limits)
        if found is None:
            return None, np.inf
        values = basis @ found
        return values, float(np.sum((matrix @ values + offset) ** 2) + cost[touched].sum())

    # from all screws, or from those that a plan without regard to what is unsure would touch
    starts = [np.ones(len(model.moves), dtype=bool)]
    plain = choose(model, limits, ("worst", "travel"))
    if plain is not None:
        starts.append(np.abs(model.moves @ plain.values) > _TOUCHED)
    values, loss, touched = min(((*solve(start), start) for start in starts), key=lambda found: found[1])
    if values is None:
        return None, np.inf
    for place in np.argsort(np.abs(model.moves @ values), kind="stable"):
        fewer = touched.copy()
        fewer[place] = False
        other, smaller = solve(fewer)
        if other is not None and smaller <= loss:
            touched, values, loss = fewer, other, smaller
    return values, float(np.sqrt(loss / points))


def _independent(matrix: FloatArray, model: Layout) -> list[int]:
    """Unknowns that do something which those before them don't: the carrier's, the segments', then the target's."""
    carrier, common = model.carrier_size, model.common_size
    order = [*range(carrier), *range(common, matrix.shape[1]), *range(carrier, common)]
    basis: FloatArray = np.zeros((len(matrix), 0))
    kept = []
    for place in order:
        column = matrix[:, place]
        rest = column - basis @ (basis.T @ column)
        size = float(np.linalg.norm(rest))
        if size > 1e-6 * float(np.linalg.norm(column)):
            basis = np.column_stack([basis, rest / size])
            kept.append(place)
    return sorted(kept)


def _null_space(rows: FloatArray) -> FloatArray:
    """Basis of all unknowns that these rows leave at zero, shape (n, k)."""
    if not len(rows):
        return np.eye(rows.shape[1])
    from scipy.linalg import null_space

    size = column_size(rows)
    return np.asarray(null_space(rows / size) / size[:, None], dtype=np.float64)
