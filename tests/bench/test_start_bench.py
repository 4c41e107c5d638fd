"""How long a person waits before anything happens, as ratios to what cannot be avoided. Best of 5."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.bench.ratios import Report, spent

pytestmark = pytest.mark.bench


def started(*command: str) -> float:
    """Processor time of an interpreter that runs this, the best of five [s]."""
    return spent(lambda: subprocess.run((sys.executable, *command), check=True, capture_output=True), rounds=5)


@pytest.mark.quick
def test_import_costs_at_most_half_more_than_numpy_and_scipy(report: Report) -> None:
    plain = started("-c", "import numpy, scipy.optimize")
    report("import ellipsefit", "import numpy, scipy.optimize", started("-c", "import ellipsefit"), plain, 1 / 1.5)


@pytest.mark.quick
def test_help_costs_at_most_half_more_than_its_libraries(report: Report) -> None:
    plain = started("-c", "import numpy, typer, rich")
    report("ellipsefit --help", "import numpy, typer, rich", started("-m", "ellipsefit", "--help"), plain, 1 / 1.5)


def test_demo_takes_about_15_seconds_or_less(tmp_path: Path) -> None:
    begun = time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "ellipsefit", "demo", str(tmp_path / "demo")], check=True, capture_output=True
    )
    taken = time.perf_counter() - begun
    print(f"\ndemo: {taken:.1f} s")
    assert taken <= 15
