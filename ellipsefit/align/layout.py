"""The alignment as linear algebra: deviations, what carrier and segments can do about them, and limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ellipsefit.align.response import Response
from ellipsefit.arrays import BoolArray, FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.fit.result import EllipseFit
from ellipsefit.mirror import Adjuster, Mirror, Segment

#: Condition number from which an influence matrix counts as singular.
_SINGULAR: Final = 1e6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SegmentDeviation:
    """Line of one measured segment relative to the target: height at its middle [m] and tilt [rad]."""

    number: int
    segment: Segment
    height: float  # 0 where only slopes were measured: the segment turns about its middle
    tilt: float


def deviations(fit: EllipseFit, target: Ellipse, mirror: Mirror | None = None) -> tuple[SegmentDeviation, ...]:
    """How each measured segment stands relative to the target ellipse in the nominal frame.

    Pose, the segment's own height and tilt, and the least-squares line of fitted minus target ellipse
    over its span. `mirror` has the adjusters as they stand now; by default those at the fit.
    """
    found = []
    for number in fit.placed.measured:
        segment, state = (mirror or fit.mirror).segments[number], fit.segments[number]
        lever = np.linspace(-0.5, 0.5, 65) * segment.length
        x = segment.middle + lever
        tilt = fit.pose.tilt + (state.tilt or 0.0)
        if fit.placed.quantity == "slope":
            tilt += float(np.mean(fit.ellipse.slope(x) - target.slope(x)))
            height = 0.0
        else:
            change = fit.ellipse.height(x) - target.height(x)
            tilt += float(lever @ change / (lever @ lever))
            height = (fit.pose.height or 0.0) + fit.pose.tilt * segment.middle
            height += (state.height or 0.0) + float(change.mean())
        found.append(SegmentDeviation(number=number, segment=segment, height=height, tilt=tilt))
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """Linear model of a correction: unknowns v = (carrier's height and tilt, then each segment's freedom).

    Error at the check points: `error + effect @ v`; moves of the adjusters: `moves @ v`; each segment's
    height at the middle and tilt: `line + line_effect @ v`, two rows a segment. For slopes the carrier's
    height is no unknown and no segment changes its height.
    """

    deviations: tuple[SegmentDeviation, ...]
    adjusters: tuple[tuple[int, Adjuster], ...]  # (row in deviations, adjuster), as in `moves`
    error: FloatArray  # (C,) [m] at the check points: the adjusters, and the ends where these don't suffice
    effect: FloatArray  # (C, n)
    at_adjuster: BoolArray  # (C,) which check points are adjusters, in their order
    moves: FloatArray  # (A, n) commanded, so that the surface rises as wanted
    influence: FloatArray  # (A, A) rises of the surface at the adjusters for commanded moves
    lowest: FloatArray  # (A,) [m], whole multiples of the resolution
    highest: FloatArray  # (A,)
    line: FloatArray  # (2 S,)
    line_effect: FloatArray  # (2 S, n)
    heights: bool  # False: slopes alone

    @property
    def carrier_size(self) -> int:
        """Unknowns of the carrier: height and tilt, or tilt alone."""
        return 2 if self.heights else 1


def layout(fit: EllipseFit, target: Ellipse, mirror: Mirror, response: Response | None = None) -> Layout:
    """Build the linear model of all corrections of a measured mirror, as it stands now, towards a target.

    Raises
    ------
    ParameterError
        If the response is one of other adjusters, or singular.
    """
    found = deviations(fit, target, mirror)
    heights = fit.placed.quantity == "height"
    carrier = 2 if heights else 1
    freedoms = [_freedom(item.segment, heights) for item in found]
    n = carrier + sum(len(freedom) for freedom in freedoms)
    error, effect, at_adjuster, moves, adjusters, line, line_effect = [], [], [], [], [], [], []
    column = carrier
    for row, (item, freedom) in enumerate(zip(found, freedoms, strict=True)):
        segment = item.segment
        columns = slice(column, column + len(freedom))
        column += len(freedom)

        def lift(x: float, *, middle: float = segment.middle, own: slice = columns, kinds: str = freedom) -> FloatArray:
            """What the unknowns do to the surface of this segment at x, moves only."""
            effect = np.zeros(n)
            effect[own] = [1.0 if kind == "h" else x - middle for kind in kinds]
            return effect

        def carry(x: float, *, middle: float = segment.middle) -> FloatArray:
            effect = np.zeros(n)
            effect[:carrier] = (1.0, x) if heights else (x - middle,)
            return effect

        points = [(adjuster.x, True) for adjuster in segment.adjusters]
        if len({adjuster.x for adjuster in segment.adjusters}) < 2:
            points += [(segment.start, False), (segment.end, False)]
        for x, is_adjuster in points:
            error.append(item.height + item.tilt * (x - segment.middle))
            effect.append(carry(x) + lift(x))
            at_adjuster.append(is_adjuster)
        for adjuster in segment.adjusters:
            adjusters.append((row, adjuster))
            moves.append(lift(adjuster.x))
        line += [item.height, item.tilt]
        step = segment.length / 2
        line_effect += [
            carry(segment.middle) + lift(segment.middle),
            (carry(segment.end) + lift(segment.end) - carry(segment.middle) - lift(segment.middle)) / step,
        ]
    ranges = [_range(adjuster) for _, adjuster in adjusters]
    influence = _influence([(found[row].segment.name, a.name) for row, a in adjusters], response)
    return Layout(
        deviations=found,
        adjusters=tuple(adjusters),
        error=np.array(error),
        effect=np.array(effect).reshape(-1, n),
        at_adjuster=np.array(at_adjuster, dtype=bool),
        moves=_commanded(influence, np.array(moves).reshape(-1, n)),
        influence=influence,
        lowest=np.array([low for low, _ in ranges]),
        highest=np.array([high for _, high in ranges]),
        line=np.array(line),
        line_effect=np.array(line_effect),
        heights=heights,
    )


def _influence(names: list[tuple[str, str]], response: Response | None) -> FloatArray:
    """Part of a response that speaks of these adjusters."""
    if response is None:
        return np.eye(len(names))
    known = {key: place for place, key in enumerate(response.adjusters)}
    for name in names:
        if name not in known:
            raise ParameterError(f"response: says nothing of adjuster '{'/'.join(name)}'; expected all of the mirror's")
    places = [known[name] for name in names]
    return np.array(response.matrix[np.ix_(places, places)])


def _commanded(influence: FloatArray, rises: FloatArray) -> FloatArray:
    """Moves whose rises these are."""
    if len(influence) and np.linalg.cond(influence) > _SINGULAR:
        raise ParameterError("response: the influence matrix is singular: some moves of adjusters do nothing together")
    return np.asarray(np.linalg.solve(influence, rises), dtype=np.float64) if len(influence) else rises


def _freedom(segment: Segment, heights: bool) -> str:
    """What adjusters can do with a rigid segment measured along one line: 'h' raise it, 't' tilt it.

    Two places along x give both; roll is not measured and stays as it is. Slopes ask for no height.
    """
    places = len({adjuster.x for adjuster in segment.adjusters})
    if places >= 2:
        return "ht" if heights else "t"
    return "h" if places == 1 and heights else ""


def _range(adjuster: Adjuster) -> tuple[float, float]:
    """Lowest and highest move that stays within travel: whole steps, so that rounding cannot leave it."""
    low, high = (end - adjuster.position for end in adjuster.travel)
    step = adjuster.resolution
    if step == 0:
        return low, high
    slack = 1e-9  # of a step: 250 um / 0.5 um must count as 500 steps
    return float(np.ceil(low / step - slack) * step), float(np.floor(high / step + slack) * step)
