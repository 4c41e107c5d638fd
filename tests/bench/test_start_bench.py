"""How long a person waits before anything happens, as ratios to what cannot be avoided. Best of 5."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest

pytestmark = pytest.mark.bench


def best_of_5(*command: str) -> float:
    times = []
    for _ in range(5):
        started = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True)
        times.append(time.perf_counter() - started)
    return min(times)


def test_import_costs_at_most_half_more_than_numpy_and_scipy() -> None:
    ours = best_of_5(sys.executable, "-c", "import ellipsefit")
    plain = best_of_5(sys.executable, "-c", "import numpy, scipy.optimize")
    print(f"\nimport ellipsefit: {ours:.3f} s, numpy and scipy.optimize {plain:.3f} s, ratio {ours / plain:.2f}")
    assert ours <= 1.5 * plain


def test_help_costs_at_most_half_more_than_its_libraries() -> None:
    ours = best_of_5(sys.executable, "-m", "ellipsefit", "--help")
    plain = best_of_5(sys.executable, "-c", "import numpy, typer, rich")
    print(f"\nellipsefit --help: {ours:.3f} s, numpy, typer and rich {plain:.3f} s, ratio {ours / plain:.2f}")
    assert ours <= 1.5 * plain


def test_demo_takes_about_15_seconds_or_less(tmp_path: Path) -> None:
    started = time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "ellipsefit", "demo", str(tmp_path / "demo")], check=True, capture_output=True
    )
    taken = time.perf_counter() - started
    print(f"\ndemo: {taken:.1f} s")
    assert taken <= 15
