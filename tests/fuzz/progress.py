"""How far an attack has come, kept in a folder so that it outlives the process."""

from __future__ import annotations

import faulthandler
import json
import time
from pathlib import Path

from tests.fuzz.judge import Finding, confined
from tests.fuzz.targets import Target


class Progress:
    """Counts files and keeps the smallest of each finding; confines the process when it begins."""

    def __init__(self, folder: Path, target: Target, wanted: int) -> None:
        self.folder, self.count, self.wanted = folder / target.name, 0, wanted
        self.found: dict[str, Finding] = {}
        self.place = self.folder / "files"
        self.place.mkdir(exist_ok=True, parents=True)
        for name, data in target.beside().items():
            (self.place / name).write_bytes(data)
        confined()
        faulthandler.enable()
        self.started = time.process_time()
        self._file = (self.folder / "progress").open("w", encoding="utf-8")
        self._tell()

    def note(self, one: Finding | None) -> None:
        """One file more."""
        self.count += 1
        if one is not None and (one.what not in self.found or len(one.data) < len(self.found[one.what].data)):
            self.found[one.what] = one
            (self.folder / f"found-{list(self.found).index(one.what)}").write_bytes(one.data)
            self._tell()
        elif self.count % 100 == 0 or self.count == self.wanted:
            self._tell()

    def _tell(self) -> None:
        found = [{"what": one.what, "detail": one.detail} for one in self.found.values()]
        told = {"count": self.count, "seconds": time.process_time() - self.started, "found": found}
        self._file.seek(0)
        self._file.write(json.dumps(told) + " " * 100 + "\n")
        self._file.truncate()
        self._file.flush()
