"""Names of files as they are shown and kept."""

from __future__ import annotations

import os
from pathlib import Path


def printable_name(path: str | os.PathLike[str]) -> str:
    """Name of a file as proper Unicode; what its system cannot decode is shown as a replacement character."""
    return os.fsencode(Path(path).name).decode("utf-8", errors="replace")
