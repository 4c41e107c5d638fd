"""The last campaign as knowledge: one surface, measured twice, its segments moved in between.

Surface error and form of a segment are the same in both campaigns, so the first result is no independent
measurement of the ellipse: to combine both answers as if it were would claim too much. The block means of both
are therefore kept side by side under one covariance. What differs between them are the noise, the pose (another
set-up, of any size), and how each segment stands: by the moves made, which are uncertain, too. Where the
segments are random, it is how they stood before the moves that their spread describes; afterwards they stand
where the first result, with its errors, has put them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.fit.effects import SegmentEffects
from ellipsefit.fit.reduction import Reduction, SegmentMoments, node_basis
from ellipsefit.mirror import Mirror, Segment
from ellipsefit.profile import PlacedProfile

#: How well an adjuster holds its place from one campaign to the next, standard uncertainty [m], where nothing else
#: is said: about the resolution of a usual one (common practice).
USUAL_STABILITY: Final = 0.5e-6
#: Relative standard uncertainty of a move where the mirror file gives no gain error (common practice).
USUAL_GAIN_ERROR: Final = 0.1
#: Standard deviation of a rectangular distribution over its full width (JCGM 100:2008, 4.3.7).
RECTANGULAR: Final = 12**-0.5
#: By how much moves are less sure of a segment that does not stand where they put it.
UNSURE: Final = 1e3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Previous:
    """The last campaign on the same mirror and the moves made since.

    Parameters
    ----------
    placed : PlacedProfile
        What was measured then.
    moves : array, shape (segments, 2)
        How much each segment of the mirror was raised at its middle [m] and tilted [rad] since.
    factor : array, shape (segments, 2, m)
        What that is uncertain by: the covariance of all moves is F F', F of shape (2 segments, m).
    name : str
        Where it comes from.

    Raises
    ------
    ParameterError
        If shapes do not fit the mirror, or a number is not finite.
    """

    placed: PlacedProfile
    moves: FloatArray
    factor: FloatArray
    name: str = "the last campaign"

    def __post_init__(self) -> None:
        count = len(self.placed.mirror.segments)
        for key in ("moves", "factor"):
            object.__setattr__(self, key, sealed(getattr(self, key)))
            array = getattr(self, key)
            if array.shape[:2] != (count, 2) or not np.isfinite(array).all():
                raise ParameterError(
                    f"{key} must be finite, of shape ({count}, 2{', m' * (key == 'factor')}) for the {count} segments; "
                    f"got shape {array.shape}"
                )


def previous_campaign(
    placed: PlacedProfile, mirror: Mirror, *, stability: float = USUAL_STABILITY, name: str = "the last campaign"
) -> Previous:
    """The last campaign, with the moves that the adjusters' positions then and now tell.

    Parameters
    ----------
    placed : PlacedProfile
        What was measured then; its mirror has the positions of the adjusters then.
    mirror : Mirror
        The mirror now.
    stability : float
        How well an adjuster, or an end of a segment without any, holds its place: standard uncertainty [m].
    name : str
        Where it comes from, for messages.

    Returns
    -------
    Previous
        A move is uncertain by its gain error (10 % if the mirror file gives none), and, where an adjuster was
        moved, by its backlash and resolution, each a rectangular distribution of that width.

    Raises
    ------
    DataError
        If the mirrors are not the same but for the positions.
    """
    if not 0 < stability < np.inf:
        raise ParameterError(f"stability must be positive; got {stability!r}")
    before = placed.mirror
    for then, now in zip(before.segments, mirror.segments, strict=False):
        if (then.name, then.start, then.end) != (now.name, now.start, now.end):
            raise DataError(
                f"{name}: its segment '{then.name}' from {then.start * 1e3:.6g} mm to {then.end * 1e3:.6g} mm is not "
                f"segment '{now.name}' of mirror '{mirror.name}'; expected a campaign on the same mirror"
            )
        if {adjuster.name for adjuster in then.adjusters} != {adjuster.name for adjuster in now.adjusters}:
            raise DataError(
                f"{name}: segment '{then.name}' had other adjusters; expected those of mirror '{mirror.name}'"
            )
    if len(before.segments) != len(mirror.segments):
        raise DataError(
            f"{name}: has {len(before.segments)} segments, mirror '{mirror.name}' has {len(mirror.segments)}; expected "
            "a campaign on the same mirror"
        )
    found = [_moved(then, now, stability) for then, now in zip(before.segments, mirror.segments, strict=True)]
    size = sum(factor.shape[1] for _, factor in found)
    whole = np.zeros((len(found), 2, size))
    column = 0
    for row, (_, factor) in enumerate(found):
        whole[row, :, column : column + factor.shape[1]] = factor
        column += factor.shape[1]
    return Previous(placed=placed, moves=np.stack([move for move, _ in found]), factor=whole, name=name)


def _moved(then: Segment, now: Segment, stability: float) -> tuple[FloatArray, FloatArray]:
    """Height and tilt by which a segment was moved, shape (2,), and a factor of their covariance, (2, m)."""
    earlier = {adjuster.name: adjuster.position for adjuster in then.adjusters}
    places = [adjuster.x for adjuster in now.adjusters]
    moves = [adjuster.position - earlier[adjuster.name] for adjuster in now.adjusters]
    sizes = []
    for adjuster, move in zip(now.adjusters, moves, strict=True):
        parts = [stability]
        if move:
            gain = USUAL_GAIN_ERROR if adjuster.gain_error is None else adjuster.gain_error
            parts += [gain * move, adjuster.backlash * RECTANGULAR, adjuster.resolution * RECTANGULAR]
        sizes.append(float(np.linalg.norm(parts)))
    if len(set(places)) < 2:  # what adjusters do not fix is fixed at the ends
        known = float(np.mean(moves)) if moves else 0.0
        sizes = [float(np.hypot(stability, max(sizes, default=0.0)))] * 2
        places, moves = [now.start, now.end], [known, known]
    design = np.column_stack([np.ones(len(places)), np.array(places) - now.middle])
    line = np.linalg.pinv(design)
    return line @ np.array(moves), line * np.array(sizes)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MovedSince:
    """What the shared columns of a reduction of two campaigns mean.

    The columns are, in this order, what `sizes` says: those of stitching now and then, what the moves are
    uncertain by, and the change of the pose, of any size.
    """

    moves: FloatArray  # (J, r) made since
    factor: FloatArray  # (J, r, m) what the shared columns add to them
    sizes: dict[str, int]
    unsure: tuple[int, ...] = ()  # rows of segments that do not stand where the moves put them
    chi_squared: float = np.nan  # of the worst of these, while it was held there
    p_value: float = np.nan

    def columns(self, name: str) -> slice:
        """Which of the shared columns are those of a name."""
        names = list(self.sizes)
        start = sum(self.sizes[before] for before in names[: names.index(name)])
        return slice(start, start + self.sizes[name])

    def part(self, kept: list[int]) -> MovedSince:
        """Of some of the segments."""
        return replace(self, moves=self.moves[kept], factor=self.factor[kept])


#: Names of the shared columns.
STITCHING: Final = "stitching"
STITCHING_THEN: Final = "stitching of the last campaign"
MOVES: Final = "moves since the last campaign"
POSE_THEN: Final = "pose in the last campaign"


def both_campaigns(
    now: Reduction,
    then: Reduction,
    effects: SegmentEffects,
    previous: Previous,
    *,
    weight: float,
    unsure: tuple[int, ...] = (),
) -> tuple[Reduction, MovedSince]:
    """One reduction of both campaigns: how the segments stand now, at the nodes of now.

    Parameters
    ----------
    now, then : Reduction
        About the same reference ellipse.
    effects : SegmentEffects
        Of `now`.
    previous : Previous
    weight : float
        By which the weights of `then` are multiplied, so that the noise has the units of now.
    unsure : tuple of int
        Rows of segments about which the moves are wrong.
    """
    earlier = {part.number: part for part in then.segments}
    r, own_now, own_then = effects.r, now.shared, then.shared
    numbers = [part.number for part in now.segments]
    moves, factor = previous.moves[numbers][:, -r:], previous.factor[numbers][:, -r:].copy()
    factor[list(unsure)] *= UNSURE
    sizes = {STITCHING: own_now, STITCHING_THEN: own_then, MOVES: factor.shape[2], POSE_THEN: r}
    total = sum(sizes.values())
    parts = []
    for row, part in enumerate(now.segments):
        if part.number not in earlier:
            parts.append(_padded(part, total))
            continue
        before = earlier[part.number]
        turn = node_basis(part.nodes, before.nodes)  # from the nodes of now to those of then
        mine = effects.own[row]
        # then: ellipse and segment as it stands now, less moves and what these are uncertain by, less the pose
        known = turn @ mine @ moves[row]
        unknown = -turn @ mine @ np.column_stack([factor[row], effects.pose[row]])
        parts.append(_joined(part, before, turn, known, unknown, (own_now, own_then), weight))
    whole = np.zeros((len(parts), r, total))
    whole[:, :, own_now + own_then : total - r] = factor
    merged = Reduction(
        quantity=now.quantity,
        reference=now.reference,
        segments=tuple(parts),
        nodes=now.nodes,
        reference_values=now.reference_values,
    )
    return merged, MovedSince(moves=moves, factor=whole, sizes=sizes, unsure=unsure)


def _padded(part: SegmentMoments, total: int) -> SegmentMoments:
    """A segment that was not measured then."""

    def wider(columns: FloatArray) -> FloatArray:
        return np.column_stack([columns, np.zeros((len(columns), total - columns.shape[1]))])

    return replace(part, shared=wider(part.shared), block_shared=wider(part.block_shared))


def _joined(
    now: SegmentMoments,
    then: SegmentMoments,
    turn: FloatArray,
    known: FloatArray,
    unknown: FloatArray,
    own: tuple[int, int],
    weight: float,
) -> SegmentMoments:
    """One segment in both campaigns; `known` (k,) and `unknown` (k, n) are node values at the nodes of then."""
    root = np.sqrt(weight)
    zeros_now = np.zeros((1, own[1] + unknown.shape[1]))
    zeros_then = np.zeros((1, own[0]))

    def shared(columns_now: FloatArray, columns_then: FloatArray, moved: FloatArray) -> FloatArray:
        above = np.column_stack([columns_now, np.repeat(zeros_now, len(columns_now), axis=0)])
        below = np.column_stack([np.repeat(zeros_then, len(columns_then), axis=0), columns_then, moved])
        return np.concatenate([above, below])

    return replace(
        now,
        count=now.count + then.count,
        factor=np.concatenate([now.factor, root * then.factor @ turn]),
        shared=shared(now.shared, root * then.shared, root * then.factor @ unknown),
        projection=np.concatenate([now.projection, root * (then.projection + then.factor @ known)]),
        rest=now.rest + weight * then.rest,
        block_x=np.concatenate([now.block_x, then.block_x]),
        block_basis=np.concatenate([now.block_basis, then.block_basis @ turn]),
        block_shared=shared(now.block_shared, then.block_shared, then.block_basis @ unknown),
        block_value=np.concatenate([now.block_value, then.block_value + then.block_basis @ known]),
        block_weight=np.concatenate([now.block_weight, weight * then.block_weight]),
        within=now.within + weight * then.within,
        within_freedom=now.within_freedom + then.within_freedom,
    )
