"""10,000 scans of 1,000 points joined: time, peak memory, and how the cost grows; with drift, and of slopes."""

from __future__ import annotations

import json
import subprocess
import sys

import numpy as np
import pytest

pytestmark = pytest.mark.bench

#: Run in a process of its own, so that its peak memory is known. Scans of 10 mm overlap by half, unequal steps.
PROGRAM = """
import json, resource, sys, time
import numpy as np
from ellipsefit.ellipse import Ellipse
from ellipsefit.mirror import Mirror, Segment
from ellipsefit.scan import Scan
from ellipsefit.stitching import stitch

count, kind, points, step = int(sys.argv[1]), sys.argv[2], 1000, 1e-5
rng = np.random.default_rng(1)
starts = np.arange(count) * points // 2 - rng.integers(0, points // 5, count)
starts -= starts[0]
x = step * np.arange(starts[-1] + points)
x -= x[-1] / 2
nominal = Ellipse(60.0, 60.0, 30e-3)
slopes = kind == "slopes"
curve = nominal.slope(x) if slopes else nominal.height(x)
curve += 1e-7 * np.sin(7 * x)
time_ = np.arange(points, dtype=float) if kind == "timed" else None
carriage = step * np.arange(points)
guide = 2e-7 * np.sin(500 * carriage) + 1e-7 * np.cos(1100 * carriage)
arm = np.linspace(-1.0, 1.0, points)
scans = []
for number, start in enumerate(starts):
    values = curve[start : start + points] + guide + rng.normal(0, 1e-5)
    if not slopes:
        values += rng.normal(0, 1e-5) * arm
    if kind == "timed":
        values += rng.normal(0, 1e-7) * arm**2
    values += rng.normal(0, 5e-8, points)
    scans.append(
        Scan(name=f"s{number}", quantity="slope" if slopes else "height", x=x[start : start + points], values=values,
             carriage=carriage, time=time_)
    )
cuts = np.linspace(x[0] - step / 2, x[-1] + step / 2, 101)
mirror = Mirror(
    name="Hazel",
    nominal=nominal,
    segments=tuple(Segment(name=f"S{i}", start=float(a), end=float(b)) for i, (a, b) in enumerate(zip(cuts, cuts[1:]))),
)
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
begun, worked = time.perf_counter(), time.process_time()
last = begun
steps, name = {}, "start"
def progress(text):
    global last, name
    now = time.perf_counter()
    steps[name], last, name = now - last, now, text
result = stitch(scans, mirror, progress=progress)
progress("end")
print(json.dumps({"seconds": time.perf_counter() - begun, "before": before / 1e6, "noise": result.noise,
                  "cpu": time.process_time() - worked,
                  "peak": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6, "steps": steps,
                  "guide": result.guide_spread}))
"""


def run(count: int, kind: str = "heights") -> dict[str, float]:
    done = subprocess.run([sys.executable, "-c", PROGRAM, str(count), kind], capture_output=True, text=True, check=True)
    answer: dict[str, float] = json.loads(done.stdout)
    print(f"\n{count} scans of {kind}: {answer}")
    return answer


def test_10000_scans_of_1000_points_are_joined_in_10_s_and_1_gb() -> None:
    """The requirement: 10 s, 1 GB (the scans themselves included), cost linear in points (exponent to 1.1)."""
    few, many = run(1000), run(10_000)
    exponent = np.log10(many["seconds"] / few["seconds"])
    print(f"exponent {exponent:.2f}")
    assert abs(many["noise"] / 5e-8 - 1) < 0.02
    assert many["seconds"] <= 10
    assert many["peak"] <= 1.0
    assert exponent <= 1.1


@pytest.mark.parametrize("kind", ["timed", "slopes"])
def test_drift_and_slopes_cost_in_proportion_to_points(kind: str) -> None:
    """Four times the points in at most four times the processor's time, to the power of 1.1."""
    few, many = run(1000, kind), run(4000, kind)
    exponent = np.log(many["cpu"] / few["cpu"]) / np.log(4)
    print(f"{kind}: exponent {exponent:.2f}")
    assert exponent <= 1.1
