"""EllipseFit + Mirror -> CorrectionPlan: what each adjuster is asked to do, and what the carrier takes."""

from ellipsefit.align.conflict import Conflict
from ellipsefit.align.outlook import Outlook
from ellipsefit.align.plan import CorrectionPlan, Move, Remaining, SegmentRest, plan_corrections
from ellipsefit.align.tradeoff import TradeOff

__all__ = ["Conflict", "CorrectionPlan", "Move", "Outlook", "Remaining", "SegmentRest", "TradeOff", "plan_corrections"]
