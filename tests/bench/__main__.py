"""Measure the benches: `python -m tests.bench` writes their ratios as a table into DEVELOPERS.md.

With --check the quick ones are measured and compared with their usual ratios (baseline.json); with --keep those
are what is measured now.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

import pytest

from tests.bench.ratios import BASELINE, Ratio, fallen, in_document, table

HERE = Path(__file__).parent
DOCUMENT = HERE.parents[1] / "DEVELOPERS.md"


class Gathered:
    """The ratios that tests told."""

    def __init__(self) -> None:
        self.ratios: list[Ratio] = []

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Only tests that tell a ratio."""
        items[:] = [item for item in items if "report" in getattr(item, "fixturenames", ())]

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Each of a test that was called."""
        if report.when == "call":
            told = [value for key, value in report.user_properties if key == "ratio"]
            self.ratios += [Ratio(**value) for value in told if isinstance(value, dict)]


def measure(which: str) -> tuple[int, list[Ratio]]:
    """Run the benches with these markers; exit status of pytest, and what they told."""
    gathered = Gathered()
    status = pytest.main(["-m", which, "-p", "no:xdist", "-s", str(HERE)], plugins=[gathered])
    return int(status), gathered.ratios


def main() -> int:
    """Run it from a terminal."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="measure the quick ones and fail if one fell by half")
    parser.add_argument("--keep", action="store_true", help="measure the quick ones and keep their ratios as the usual")
    options = parser.parse_args()
    if not (options.check or options.keep):
        status, ratios = measure("bench")
        DOCUMENT.write_text(in_document(DOCUMENT.read_text(encoding="utf-8"), table(ratios)), encoding="utf-8")
        return status
    _, ratios = measure("bench and quick")
    if options.keep:
        usual = {one.name: float(f"{one.ratio:.3g}") for one in ratios}
        BASELINE.write_text(json.dumps(usual, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
        return 0
    faults = fallen(ratios, json.loads(BASELINE.read_text(encoding="utf-8")))
    for fault in faults:
        print(f"SLOWER: {fault}")
    print(f"{len(ratios)} ratios compared, {len(faults)} fell")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
