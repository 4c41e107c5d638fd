"""The alignment as linear algebra: deviations, what carrier and segments can do about them, and limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from ellipsefit.align.response import Response
from ellipsefit.align.rigid import rise_map
from ellipsefit.arrays import BoolArray, FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.fit.result import EllipseFit
from ellipsefit.fit.roll import segment_rolls
from ellipsefit.mirror import Adjuster, Mirror, Segment

#: Condition number from which an influence matrix counts as singular.
_SINGULAR: Final = 1e6
#: Part of a mode that is named, relative to its largest, and how many are.
_LEAST_SHARE: Final = 0.05
_MOST_NAMED: Final = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SegmentDeviation:
    """Line of one measured segment relative to the target: height at its middle [m] and tilt [rad], along y = 0."""

    number: int
    segment: Segment
    height: float  # 0 where only slopes were measured: the segment turns about its middle
    tilt: float
    roll: float | None = None  # [rad], positive when the +y side is high; None: not measured


def deviations(fit: EllipseFit, target: Ellipse, mirror: Mirror | None = None) -> tuple[SegmentDeviation, ...]:
    """How each measured segment stands relative to the target ellipse in the nominal frame.

    Pose, the segment's own height and tilt, and the least-squares line of fitted minus target ellipse
    over its span; where scan lines at several y were measured, the roll, and what it did to the fitted line.
    `mirror` has the adjusters as they stand now; by default those at the fit.
    """
    found = []
    for (number, change), roll in zip(_lines(fit, target), segment_rolls(fit), strict=True):
        segment, state = (mirror or fit.mirror).segments[number], fit.segments[number]
        tilt = fit.pose.tilt + (state.tilt or 0.0) + float(change[1])
        height = 0.0
        if fit.placed.quantity == "height":
            height = (fit.pose.height or 0.0) + fit.pose.tilt * segment.middle + (state.height or 0.0)
            height += float(change[0])
        if roll is not None:
            height, tilt = height - roll.roll * roll.lifted, tilt - roll.roll * roll.tilted
        found.append(
            SegmentDeviation(
                number=number, segment=segment, height=height, tilt=tilt, roll=None if roll is None else roll.roll
            )
        )
    return tuple(found)


def _lines(fit: EllipseFit, target: Ellipse) -> list[tuple[int, FloatArray]]:
    """Number of each measured segment, and height and tilt of fitted minus target ellipse over its span."""
    found = []
    for number in fit.placed.measured:
        segment = fit.mirror.segments[number]
        x, _ = span_places(segment)
        if fit.placed.quantity == "slope":
            found.append((number, np.array([0.0, np.mean(fit.ellipse.slope(x) - target.slope(x))])))
        else:
            found.append((number, _line(segment, fit.ellipse.height(x) - target.height(x))))
    return found


def span_places(segment: Segment) -> tuple[FloatArray, FloatArray]:
    """Places along a segment, and their distances from its middle [m]."""
    lever = np.linspace(-0.5, 0.5, 65) * segment.length
    return segment.middle + lever, lever


def _line(segment: Segment, change: FloatArray) -> FloatArray:
    """Height at the middle and tilt of a change of the surface over the span."""
    _, lever = span_places(segment)
    return np.array([change.mean(), lever @ change / (lever @ lever)])


def target_lines(ellipse: Ellipse, segment: Segment, *, heights: bool) -> FloatArray:
    """Change of a segment's height and tilt over the target for a unit change of its p, q, theta, shape (2, 3)."""
    x, _ = span_places(segment)
    if heights:
        return -np.column_stack([_line(segment, part) for part in ellipse.height_partials(x)])
    return -np.stack([np.zeros(3), [part.mean() for part in ellipse.slope_partials(x)]])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """Linear model of a correction.

    Unknowns v: the carrier's height, tilt and, where rolls were measured, roll; changes of the target's p, q and
    theta if it may move; then each segment's freedom. Error at the check points: `error + effect @ v`; commanded
    moves of the adjusters: `moves @ v`; each segment's height at the middle and tilt: `line + line_effect @ v`, two
    rows a segment. For slopes the carrier's height is no unknown and no segment changes its height.
    """

    target: Ellipse  # about which it is linear
    deviations: tuple[SegmentDeviation, ...]
    adjusters: tuple[tuple[int, Adjuster], ...]  # (row in deviations, adjuster), as in `moves`
    error: FloatArray  # (C,) [m] at the check points: the adjusters, and the ends where these don't suffice
    effect: FloatArray  # (C, n)
    at_adjuster: BoolArray  # (C,) which check points are adjusters, in their order
    moves: FloatArray  # (A, n) commanded, so that the surface rises as wanted
    influence: FloatArray  # (A, A) rises of the surface at the adjusters for commanded moves
    influence_stderr: FloatArray  # (A, A)
    lowest: FloatArray  # (A,) [m], whole multiples of the resolution
    highest: FloatArray  # (A,)
    line: FloatArray  # (2 S,)
    line_effect: FloatArray  # (2 S, n)
    target_low: FloatArray  # (3,) or (0,) smallest change of p, q, theta
    target_high: FloatArray
    distance: FloatArray  # (S,) from the middle of each segment to the image focus [m]
    light: FloatArray  # (S,) share of the light from the source that falls on each segment, sums to 1
    heights: bool  # False: slopes alone
    rolls: bool  # whether the carrier's roll is an unknown

    @property
    def carrier_size(self) -> int:
        """Unknowns of the carrier: height, tilt and roll, height and tilt, or tilt alone."""
        return 1 + self.heights + self.rolls

    @property
    def common_size(self) -> int:
        """Unknowns that all segments share: those of the carrier and the target's."""
        return self.carrier_size + len(self.target_low)

    @property
    def names(self) -> tuple[str, ...]:
        """Segment and adjuster, as they are spoken of."""
        return tuple(f"{self.deviations[row].segment.name}/{adjuster.name}" for row, adjuster in self.adjusters)

    @property
    def resolution(self) -> FloatArray:
        """Smallest step of each adjuster [m], shape (A,)."""
        return np.array([adjuster.resolution for _, adjuster in self.adjusters])


def layout(
    fit: EllipseFit, target: Ellipse, mirror: Mirror, response: Response | None = None, *, free_target: bool = False
) -> Layout:
    """Build the linear model of all corrections of a measured mirror, as it stands now, towards a target.

    Parameters
    ----------
    free_target : bool
        Whether p, q and theta of the target are unknowns, within the mirror's tolerances about nominal.

    Raises
    ------
    ParameterError
        If the response is one of other adjusters, or singular.
    """
    found = deviations(fit, target, mirror)
    heights = fit.placed.quantity == "height"
    rolls = any(item.roll is not None for item in found)
    carrier = 1 + heights + rolls
    low, high = _target_range(target, mirror) if free_target else (np.zeros(0), np.zeros(0))
    common = carrier + len(low)
    freedoms = [_freedom(item.segment, heights=heights, roll=item.roll is not None) for item in found]
    n = common + sum(len(freedom) for freedom in freedoms)
    error, effect, at_adjuster, rises, adjusters, line, line_effect = [], [], [], [], [], [], []
    column = common
    for row, (item, freedom) in enumerate(zip(found, freedoms, strict=True)):
        segment, roll = item.segment, item.roll or 0.0
        columns = slice(column, column + len(freedom))
        column += len(freedom)
        retarget = target_lines(target, segment, heights=heights) if len(low) else np.zeros((2, 0))

        def lift(
            x: float, y: float, *, middle: float = segment.middle, own: slice = columns, kinds: str = freedom
        ) -> FloatArray:
            """What the unknowns of this segment do to its surface at (x, y): moves only."""
            effect = np.zeros(n)
            effect[own] = [{"h": 1.0, "t": x - middle, "r": y}[kind] for kind in kinds]
            return effect

        def carry(x: float, y: float, *, middle: float = segment.middle, lines: FloatArray = retarget) -> FloatArray:
            """What the unknowns shared by all segments do there."""
            effect = np.zeros(n)
            effect[:carrier] = ((1.0, x) if heights else (x - middle,)) + (y,) * rolls
            effect[carrier:common] = lines[0] + lines[1] * (x - middle)
            return effect

        points = [(adjuster.x, adjuster.y if item.roll is not None else 0.0, True) for adjuster in segment.adjusters]
        if "t" not in freedom:
            points += [(segment.start, 0.0, False), (segment.end, 0.0, False)]
        for x, y, is_adjuster in points:
            error.append(item.height + item.tilt * (x - segment.middle) + roll * y)
            effect.append(carry(x, y) + lift(x, y))
            at_adjuster.append(is_adjuster)
        for adjuster in segment.adjusters:
            adjusters.append((row, adjuster))
            rises.append(lift(adjuster.x, adjuster.y))
        line += [item.height, item.tilt]
        step = segment.length / 2
        middle = carry(segment.middle, 0.0) + lift(segment.middle, 0.0)
        line_effect += [middle, (carry(segment.end, 0.0) + lift(segment.end, 0.0) - middle) / step]
    names = [f"{found[row].segment.name}/{adjuster.name}" for row, adjuster in adjusters]
    ranges = [_range(adjuster) for _, adjuster in adjusters]
    influence, stderr = _influence([(found[row].segment.name, a) for row, a in adjusters], response)
    middles = np.array([item.segment.middle for item in found])
    return Layout(
        target=target,
        deviations=found,
        adjusters=tuple(adjusters),
        error=np.array(error),
        effect=np.array(effect).reshape(len(error), n),
        at_adjuster=np.array(at_adjuster, dtype=bool),
        moves=_commanded(influence, np.array(rises).reshape(len(adjusters), n), names),
        influence=influence,
        influence_stderr=stderr,
        lowest=np.array([low for low, _ in ranges]),
        highest=np.array([high for _, high in ranges]),
        line=np.array(line),
        line_effect=np.array(line_effect),
        target_low=low,
        target_high=high,
        distance=target.distances(middles)[1],
        light=_light(target, [item.segment for item in found]),
        heights=heights,
        rolls=rolls,
    )


def _target_range(target: Ellipse, mirror: Mirror) -> tuple[FloatArray, FloatArray]:
    """Changes of p, q, theta that stay within tolerance of nominal; a parameter without one stays where it is."""
    nominal, tolerance = mirror.nominal, mirror.tolerance
    width = np.array(
        [tolerance.source_distance or 0.0, tolerance.image_distance or 0.0, tolerance.grazing_angle or 0.0]
    )
    away = np.array([target.p - nominal.p, target.q - nominal.q, target.theta - nominal.theta])
    # a part in 1e9 is left to the solver, so that the sum is within in floating point, too
    return -width * (1 - 1e-9) - away, width * (1 - 1e-9) - away


def _light(target: Ellipse, segments: list[Segment]) -> FloatArray:
    """Share of the light of a source of even divergence: the angle under which it sees each segment."""
    middles = np.array([segment.middle for segment in segments])
    seen = np.array([segment.length for segment in segments]) * np.sin(target.grazing_angle(middles))
    if np.isfinite(target.p):
        seen = seen / target.distances(middles)[0]
    share: FloatArray = seen / seen.sum()
    return share


def _influence(names: list[tuple[str, Adjuster]], response: Response | None) -> tuple[FloatArray, FloatArray]:
    """Part of a response that speaks of these adjusters, and its standard uncertainty."""
    if response is None:
        return np.eye(len(names)), np.diag([adjuster.gain_error or 0.0 for _, adjuster in names])
    known = {key: place for place, key in enumerate(response.adjusters)}
    places = []
    for segment, adjuster in names:
        if (segment, adjuster.name) not in known:
            raise ParameterError(
                f"response: says nothing of adjuster '{segment}/{adjuster.name}'; expected all of the mirror's"
            )
        places.append(known[segment, adjuster.name])
    part = np.ix_(places, places)
    return np.array(response.matrix[part]), np.array(response.stderr[part])


def _commanded(influence: FloatArray, rises: FloatArray, names: list[str]) -> FloatArray:
    """Moves whose rises these are."""
    if not len(influence):
        return rises
    _, size, modes = np.linalg.svd(influence)
    if size[-1] * _SINGULAR < size[0]:
        raise ParameterError(
            f"response: the influence matrix is singular: moves of {mode_words(modes[-1], names)} together raise "
            "nothing; expected that each adjuster does something of its own"
        )
    return np.asarray(np.linalg.solve(influence, rises), dtype=np.float64)


def mode_words(mode: FloatArray, names: Sequence[str]) -> str:
    """Largest parts of a mode of moves, such as '+1.00 S01/U and -1.00 S01/D'."""
    scaled = mode / mode[np.argmax(np.abs(mode))]
    order = [place for place in np.argsort(-np.abs(scaled), kind="stable") if abs(scaled[place]) > _LEAST_SHARE]
    parts = [f"{scaled[place]:+.2f} {names[place]}" for place in order[:_MOST_NAMED]]
    more = len(order) - len(parts)
    return " and ".join(parts) + (f" and {more} more" if more else "")


def _freedom(segment: Segment, *, heights: bool, roll: bool) -> str:
    """What adjusters can do with a rigid segment: 'h' raise it, 't' tilt it, 'r' roll it.

    Two places along x give height and tilt, three not in line roll too; it is used where it was measured and stays
    as it is elsewhere. Slopes ask for no height.
    """
    able = np.any(rise_map(segment) != 0, axis=1)
    return "h" * bool(able[0] and heights) + "t" * bool(able[1]) + "r" * bool(able[2] and roll and heights)


def _range(adjuster: Adjuster) -> tuple[float, float]:
    """Lowest and highest move that stays within travel: whole steps, so that rounding cannot leave it."""
    low, high = (end - adjuster.position for end in adjuster.travel)
    step = adjuster.resolution
    if step == 0:
        return low, high
    slack = 1e-9  # of a step: 250 um / 0.5 um must count as 500 steps
    return float(np.ceil(low / step - slack) * step), float(np.floor(high / step + slack) * step)
