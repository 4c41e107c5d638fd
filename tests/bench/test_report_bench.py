"""Speed and size of the report of a large mirror, against plain drawings of all its points (processor time)."""

from __future__ import annotations

import io
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from ellipsefit.align import plan_corrections
from ellipsefit.files import write_mirror, write_profile, write_scans
from ellipsefit.fit import fit_ellipse
from ellipsefit.mirror import Adjuster, Mirror, Segment, Tolerance
from ellipsefit.report import render_report
from ellipsefit.report.figures import errors_figure
from ellipsefit.report.style import as_svg
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile, simulate_scans
from tests.test_pages import DEMO, carrier_case
from tests.test_report import SCREWS, WHEN, long_profile
from tests.test_report_focus import result_of

pytestmark = pytest.mark.bench

MOST = 3.0  # s

#: Invented: 18 segments of half a metre, two adjusters each.
LONG = Mirror(
    name="Long",
    nominal=replace(SCREWS.nominal, p=30.0, q=20.0),
    segments=tuple(
        Segment(
            name=f"S{number + 1:02}",
            start=-4.5 + 0.5 * number + 0.001,
            end=-4.0 + 0.5 * number - 0.001,
            adjusters=tuple(
                Adjuster(name=name, x=-4.25 + 0.5 * number + arm, travel=(-2e-4, 2e-4), resolution=1e-6)
                for name, arm in (("U", -0.15), ("D", 0.15))
            ),
        )
        for number in range(18)
    ),
    tolerance=Tolerance(segment_height=4e-6, segment_tilt=2e-5),
)


def spent(work: Callable[[], str]) -> tuple[float, int]:
    """Best processor time of two calls [s], and bytes of what comes out."""
    best, size = np.inf, 0
    for _ in range(2):
        start = time.process_time()
        size = len(work().encode())
        best = min(best, time.process_time() - start)
    return best, size


def test_report_of_900000_points_with_every_section_that_applies() -> None:
    """Rendered from fit, plan, light and carrier. Plainly: two of its 32 axes with every point in them, as SVG."""
    fit = fit_ellipse(long_profile(900_000, LONG), LONG)
    plan = plan_corrections(fit)
    placement, forecast = carrier_case()
    light = result_of("neutron")

    def plainly() -> str:
        figure = Figure(figsize=(7.4, 4.5), layout="constrained")
        FigureCanvasAgg(figure)
        for axes, values in zip(figure.subplots(2, 1), (fit.figure.height_error, fit.figure.slope_error), strict=True):
            axes.plot(fit.placed.x, values, linewidth=0.8)
        target = io.StringIO()
        figure.savefig(target, format="svg")
        return target.getvalue()

    whole, size = spent(
        lambda: render_report(fit, plan, when=WHEN, focus=light, placement=placement, forecast=forecast)
    )
    bare, bare_size = spent(lambda: render_report(fit, plan, when=WHEN))
    ours, our_size = spent(lambda: as_svg(errors_figure(fit), "errors", "errors"))
    plain, plain_size = spent(plainly)
    print(
        f"\nreport {whole:.2f} s, {size / 1e6:.2f} MB; without light and carrier {bare:.2f} s, "
        f"{bare_size / 1e6:.2f} MB; "
        f"its figure of both errors {ours:.2f} s, {our_size / 1e3:.0f} kB against {plain:.2f} s, "
        f"{plain_size / 1e3:.0f} kB with every point: {plain / ours:.1f} times"
    )
    assert size < 3_000_000
    assert whole < MOST
    # the page's figure has names of segments, extremes and a cursor besides, for no more time and fewer bytes
    assert ours < 1.25 * plain
    assert our_size < plain_size


@pytest.mark.parametrize("raw", [False, True], ids=["profile", "scans"])
def test_from_the_start_of_the_command_to_the_page(raw: bool, tmp_path: Path) -> None:
    """`run` on files, with beam, carrier and surveys: all processor time of a new process, reading and record included.

    About 900,000 points, of a profile or of all raw scans together.
    """
    rng = np.random.default_rng(5)
    mirror = invented_mirror(segments=18, length=9.0)
    state = hidden_state(mirror, rng)
    write_mirror(mirror, tmp_path / "mirror.toml")
    if raw:
        scans = simulate_scans(mirror, state, rng, step=3.9e-5)
        write_scans(scans, tmp_path / "measured.h5")
        points = sum(len(scan.x) for scan in scans)
    else:
        profile = simulate_profile(mirror, state, rng, step=1e-5)
        write_profile(profile, tmp_path / "measured.h5")
        points = len(profile.x)
    assert points > 880_000
    (tmp_path / "beam.toml").write_text('kind = "neutron"\nwavelength = "4 angstrom"\naperture = ["2 mm", "0 mm"]\n')
    words = ["run", "mirror.toml", "measured.h5", "-o", "out", "--quiet", "--beam", "beam.toml"]
    words += ["--carrier", str(DEMO / "heron_carrier.toml"), "--survey", str(DEMO / "heron_surveys.h5")]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, "-m", "ellipsefit", *words], cwd=tmp_path, check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    size = (tmp_path / "out" / "report.html").stat().st_size
    taken = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    print(f"\n{points} points: {taken:.1f} s from the start of the command, {size / 1e6:.2f} MB")
    assert size < 3_000_000
