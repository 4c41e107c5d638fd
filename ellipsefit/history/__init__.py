"""A mirror over the years, from its record: what was found each time, and why it changed."""

from ellipsefit.history.attribution import FACTORS, Attribution, attribute_change
from ellipsefit.history.quantities import QUANTITIES
from ellipsefit.history.years import Event, RecordHistory, RoundNumbers, read_record_history

__all__ = [
    "FACTORS",
    "QUANTITIES",
    "Attribution",
    "Event",
    "RecordHistory",
    "RoundNumbers",
    "attribute_change",
    "read_record_history",
]
