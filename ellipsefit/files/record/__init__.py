"""The record of a mirror: one HDF5 file by the NeXus standard, one NXentry a round, a survey or a forecast.

A round is one campaign of measurement. It holds the profile on the mirror (of a large one, means over neighbours),
what the fit leaves (the default plot), the answer of each step as JSON with its settings, versions and the inputs it
was made from, by SHA-256; moves as tables, masks with their reasons, and the mirror file as text.

`reading` says what a record holds, `steps` how each result is kept, `writing` where it goes, `claim` and `draft` that
nothing is lost meanwhile, `provenance` what has been overtaken since.
"""

from __future__ import annotations

from ellipsefit.files.record.claim import Claim, claimed
from ellipsefit.files.record.names import printable_name
from ellipsefit.files.record.reading import (
    Record,
    RecordedEntry,
    RecordedInput,
    RecordedResult,
    RecordedRound,
    RecordSummary,
    Source,
    read_comparison,
    read_earlier,
    read_fit_answer,
    read_previous,
    read_record,
    read_record_summary,
    read_round,
    read_round_profile,
    record_faults,
)
from ellipsefit.files.record.writing import (
    Given,
    Kept,
    append_comparison,
    append_round,
    file_checksum,
    keep,
    keep_comparison,
    write_fit,
)

__all__ = [
    "Claim",
    "Given",
    "Kept",
    "Record",
    "RecordSummary",
    "RecordedEntry",
    "RecordedInput",
    "RecordedResult",
    "RecordedRound",
    "Source",
    "append_comparison",
    "append_round",
    "claimed",
    "file_checksum",
    "keep",
    "keep_comparison",
    "printable_name",
    "read_comparison",
    "read_earlier",
    "read_fit_answer",
    "read_previous",
    "read_record",
    "read_record_summary",
    "read_round",
    "read_round_profile",
    "record_faults",
    "write_fit",
]
