"""The verdict of a plan in words: whether it brings the mirror within its goal, and if not, why."""

from __future__ import annotations

from dataclasses import dataclass

from ellipsefit.align import CorrectionPlan, SegmentRest
from ellipsefit.fit import EllipseFit
from ellipsefit.rows import number


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """One line that says it all, and the sentences behind it."""

    headline: str  # 'FEASIBLE' or 'NOT FEASIBLE'
    reasons: tuple[str, ...]


def verdict(fit: EllipseFit, plan: CorrectionPlan) -> Verdict:
    """Say in words whether a plan reaches its goal, what the goal is, and what stands in the way."""
    reasons = [] if fit.converged else ["The fit has NOT CONVERGED: the numbers are the last values tried."]
    reasons += _reached(plan) if plan.feasible else _missed(plan)
    return Verdict(headline="FEASIBLE" if plan.feasible else "NOT FEASIBLE", reasons=tuple(reasons))


def to_do(fit: EllipseFit, plan: CorrectionPlan) -> tuple[str, ...]:
    """What comes next, step by step."""
    if not fit.converged:
        return ("Look at the warnings and the profile; do not move anything by these numbers.",)
    turned = [move for move in plan.moves if move.move]
    steps = [f"Carrier: {', '.join(carrier_words(plan))}."]
    if turned:
        segments = len({move.segment for move in turned})
        stays = len(plan.moves) - len(turned)
        left = f"; {stays} stay where they are" if stays else ""
        steps.append(
            f"Turn {len(turned)} adjuster{'s' * (len(turned) != 1)} on {segments} "
            f"segment{'s' * (segments != 1)} as listed under Corrections, in the order given there{left}."
        )
    if plan.feasible:
        steps.append("Measure again and compare.")
    else:
        steps.append("These moves do not suffice: see what binds under What remains before anyone goes there.")
    return tuple(steps)


def carrier_words(plan: CorrectionPlan) -> tuple[str, ...]:
    """What the carrier is to do, one phrase for each freedom."""
    height, tilt = plan.carrier_height, plan.carrier_tilt
    found = []
    if height is not None:
        word = "raise" if height > 0 else "lower"
        found.append(f"{word} by {number(abs(height), 'length', unit='um', digits=4)} at the pole (x = 0)")
    end = "downstream end up" if tilt > 0 else "downstream end down"
    found.append(f"tilt by {number(abs(tilt), 'angle', unit='urad', digits=4)}, {end}")
    if plan.carrier_roll is not None:
        side = "+y side up" if plan.carrier_roll > 0 else "+y side down"
        found.append(f"roll by {number(abs(plan.carrier_roll), 'angle', unit='urad', digits=4)}, {side}")
    return tuple(found)


def _reached(plan: CorrectionPlan) -> list[str]:
    means = "the moves below and the carrier's move" if plan.moves else "the carrier's move alone"
    goal = _tolerances(plan)
    if goal:
        return [f"With {means} every measured segment ends within {' and '.join(goal)}."]
    if plan.moves:
        return [
            f"With {means} the largest error left at an adjuster is {number(plan.remaining.height_max, 'length')}, "
            "within one step. The mirror file states no tolerances."
        ]
    return [f"With {means} the mirror stands on its target. There are no adjusters, and none is needed."]


def _missed(plan: CorrectionPlan) -> list[str]:
    found = []
    goal = _tolerances(plan)
    outside = [rest.name for rest in plan.segments if _exceeds(plan, rest)]
    if outside:
        found.append(f"Outside {' and '.join(goal)} after the best moves there are: {', '.join(outside)}.")
    elif not goal:
        kind = "at an adjuster" if plan.moves else "at the end of a segment"
        found.append(
            f"The best moves there are leave {number(plan.remaining.height_max, 'length')} {kind}. "
            "The mirror file states no tolerances, so the goal is one step of the adjuster."
        )
    if not plan.moves:
        found.append("The mirror has no adjusters, and the carrier alone does not suffice.")
    if plan.binding:
        found.append(f"Travel that binds: {', '.join(plan.binding)}.")
    if plan.moves and plan.travel_missing is None:
        found.append("No amount of travel would suffice.")
    elif plan.moves and plan.travel_missing:
        found.append(
            f"Another {number(plan.travel_missing, 'length')} of travel at both ends of every adjuster would suffice."
        )
    return found


def _tolerances(plan: CorrectionPlan) -> list[str]:
    tolerance = plan.mirror.tolerance
    found = []
    if tolerance.segment_height is not None:
        found.append(f"{number(tolerance.segment_height, 'length')} in height")
    if tolerance.segment_tilt is not None:
        found.append(f"{number(tolerance.segment_tilt, 'angle')} in tilt")
    return found


def _exceeds(plan: CorrectionPlan, rest: SegmentRest) -> bool:
    height, tilt = plan.mirror.tolerance.segment_height, plan.mirror.tolerance.segment_tilt
    too_high = height is not None and rest.height is not None and abs(rest.height) > height
    return too_high or (tilt is not None and abs(rest.tilt) > tilt)
