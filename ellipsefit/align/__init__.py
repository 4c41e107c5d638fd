"""EllipseFit + Mirror -> CorrectionPlan: what each adjuster is asked to do, and what the carrier takes."""

from ellipsefit.align.plan import CorrectionPlan, Move, Remaining, SegmentRest, plan_corrections

__all__ = ["CorrectionPlan", "Move", "Remaining", "SegmentRest", "plan_corrections"]
