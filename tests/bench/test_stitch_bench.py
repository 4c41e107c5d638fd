"""10,000 scans of 1,000 points joined: time, peak memory, and how the cost grows."""

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

count, points, step = int(sys.argv[1]), 1000, 1e-5
rng = np.random.default_rng(1)
starts = np.arange(count) * points // 2 - rng.integers(0, points // 5, count)
starts -= starts[0]
x = step * np.arange(starts[-1] + points)
x -= x[-1] / 2
nominal = Ellipse(60.0, 60.0, 30e-3)
curve = nominal.height(x) + 1e-7 * np.sin(7 * x)
carriage = step * np.arange(points)
guide = 2e-7 * np.sin(500 * carriage) + 1e-7 * np.cos(1100 * carriage)
arm = np.linspace(-1.0, 1.0, points)
scans = []
for number, start in enumerate(starts):
    values = curve[start : start + points] + guide + rng.normal(0, 1e-5) + rng.normal(0, 1e-5) * arm
    values += rng.normal(0, 5e-8, points)
    scans.append(
        Scan(name=f"s{number}", quantity="height", x=x[start : start + points], values=values, carriage=carriage)
    )
cuts = np.linspace(x[0] - step / 2, x[-1] + step / 2, 101)
mirror = Mirror(
    name="Hazel",
    nominal=nominal,
    segments=tuple(Segment(name=f"S{i}", start=float(a), end=float(b)) for i, (a, b) in enumerate(zip(cuts, cuts[1:]))),
)
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
begun = last = time.perf_counter()
steps, name = {}, "start"
def progress(text):
    global last, name
    now = time.perf_counter()
    steps[name], last, name = now - last, now, text
result = stitch(scans, mirror, progress=progress)
progress("end")
print(json.dumps({"seconds": time.perf_counter() - begun, "before": before / 1e6, "noise": result.noise,
                  "peak": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6, "steps": steps,
                  "guide": result.guide_spread}))
"""


def run(count: int) -> dict[str, float]:
    done = subprocess.run([sys.executable, "-c", PROGRAM, str(count)], capture_output=True, text=True, check=True)
    answer: dict[str, float] = json.loads(done.stdout)
    print(f"\n{count} scans: {answer}")
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
