"""Files in and out, one module a format; each is loaded at first use.

Nothing here draws or computes: a reader gives the frozen data of the floors below, a writer takes them.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from ellipsefit.files.batch import BatchItem, read_batch
    from ellipsefit.files.beam import read_beam
    from ellipsefit.files.carrier import read_carrier, write_carrier
    from ellipsefit.files.convert import convert_file, write_measured
    from ellipsefit.files.inspect import FileContent, Inspection, inspect_file, inspect_files, inspect_together
    from ellipsefit.files.lines import Conversion
    from ellipsefit.files.mirror import read_mirror, write_mirror
    from ellipsefit.files.nexus import write_profile, write_scans
    from ellipsefit.files.record import read_previous
    from ellipsefit.files.registry import open_measured, open_profile, read_measured, read_profile, read_scans
    from ellipsefit.files.sdf import write_sdf
    from ellipsefit.files.survey import read_survey, read_surveys, write_survey, write_surveys
    from ellipsefit.files.text import write_text_profile, write_text_scan
    from ellipsefit.files.x3p import write_x3p

__all__ = [
    "BatchItem",
    "Conversion",
    "FileContent",
    "Inspection",
    "convert_file",
    "inspect_file",
    "inspect_files",
    "inspect_together",
    "open_measured",
    "open_profile",
    "read_batch",
    "read_beam",
    "read_carrier",
    "read_measured",
    "read_mirror",
    "read_previous",
    "read_profile",
    "read_scans",
    "read_survey",
    "read_surveys",
    "write_carrier",
    "write_measured",
    "write_mirror",
    "write_profile",
    "write_scans",
    "write_sdf",
    "write_survey",
    "write_surveys",
    "write_text_profile",
    "write_text_scan",
    "write_x3p",
]

_HOMES: Final = {
    "BatchItem": "batch",
    "Conversion": "lines",
    "FileContent": "inspect",
    "Inspection": "inspect",
    "convert_file": "convert",
    "inspect_file": "inspect",
    "inspect_files": "inspect",
    "inspect_together": "inspect",
    "open_measured": "registry",
    "open_profile": "registry",
    "read_batch": "batch",
    "read_beam": "beam",
    "read_carrier": "carrier",
    "read_measured": "registry",
    "read_mirror": "mirror",
    "read_previous": "record",
    "read_profile": "registry",
    "read_scans": "registry",
    "read_survey": "survey",
    "read_surveys": "survey",
    "write_carrier": "carrier",
    "write_measured": "convert",
    "write_mirror": "mirror",
    "write_profile": "nexus",
    "write_scans": "nexus",
    "write_sdf": "sdf",
    "write_survey": "survey",
    "write_surveys": "survey",
    "write_text_profile": "text",
    "write_text_scan": "text",
    "write_x3p": "x3p",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
