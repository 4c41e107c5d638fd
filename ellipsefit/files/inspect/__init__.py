"""What a file holds, and everything that is wrong with it.

`files` tells which kind it is and lays several on their mirror. A module for each kind gathers its facts: `designs`
(mirror, beam, carrier), `surveys`, `records`, and `measured`, which finds `profiles` or `scans`.
"""

from __future__ import annotations

from ellipsefit.files.inspect.content import Fact, FileContent, Inspection, Kind
from ellipsefit.files.inspect.files import inspect_file, inspect_files, inspect_together

__all__ = ["Fact", "FileContent", "Inspection", "Kind", "inspect_file", "inspect_files", "inspect_together"]
