"""Files in and out, one module a format; each is loaded at first use.

Nothing here draws or computes: a reader gives the frozen data of the floors below, a writer takes them.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from ellipsefit.files.inspect import FileContent, Inspection, inspect_file, inspect_files, inspect_together
    from ellipsefit.files.mirror import read_mirror, write_mirror
    from ellipsefit.files.nexus import write_profile, write_scans
    from ellipsefit.files.registry import open_measured, open_profile, read_measured, read_profile, read_scans
    from ellipsefit.files.text import write_text_profile

__all__ = [
    "FileContent",
    "Inspection",
    "inspect_file",
    "inspect_files",
    "inspect_together",
    "open_measured",
    "open_profile",
    "read_measured",
    "read_mirror",
    "read_profile",
    "read_scans",
    "write_mirror",
    "write_profile",
    "write_scans",
    "write_text_profile",
]

_HOMES: Final = {
    "FileContent": "inspect",
    "Inspection": "inspect",
    "inspect_file": "inspect",
    "inspect_files": "inspect",
    "inspect_together": "inspect",
    "open_measured": "registry",
    "open_profile": "registry",
    "read_measured": "registry",
    "read_mirror": "mirror",
    "read_profile": "registry",
    "read_scans": "registry",
    "write_mirror": "mirror",
    "write_profile": "nexus",
    "write_scans": "nexus",
    "write_text_profile": "text",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
