"""The report on scans: figures and page hold the numbers of the stitched profile, and stay small."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from matplotlib.artist import Artist
from matplotlib.collections import PolyCollection
from matplotlib.container import ErrorbarContainer
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from numpy.testing import assert_allclose

from ellipsefit.align import CorrectionPlan, plan_corrections
from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.mirror import Adjuster, Measurement, Mirror, Segment
from ellipsefit.report import plot_stitched, render_report
from ellipsefit.report import stitch_figures as fig
from ellipsefit.report.stitch_curves import (
    MOST_SCANS,
    aligned_deviation,
    drift_of,
    residual_by_time,
    shown_scans,
)
from ellipsefit.scan import Scan
from ellipsefit.stitching import Stitched, StitchSettings, stitch
from ellipsefit.stitching.conditioned import REASONS
from tests.test_report import WHEN, Page, squeezed

#: The mirror reaches from -0.998 m to 0.998 m, so positions along it are drawn in mm.
MM = 1e-3
#: To a practical unit and back: two roundings, and a few in what leads there.
ROUNDING = 8 * np.finfo(float).eps
#: Invented: four segments of half a metre.
MIRROR = Mirror(
    name="Linden",
    nominal=Ellipse(9.0, 6.0, 0.02),
    segments=tuple(
        Segment(
            name=f"T{number}",
            start=-1.0 + 0.5 * number + 0.002,
            end=-0.5 + 0.5 * number - 0.002,
            edge=0.004,
            adjusters=tuple(
                Adjuster(name=name, x=-0.75 + 0.5 * number + arm, travel=(-2e-4, 2e-4), resolution=1e-6)
                for name, arm in (("U", -0.15), ("D", 0.15))
            ),
        )
        for number in range(4)
    ),
)


def made_scans(
    mirror: Mirror = MIRROR, *, count: int = 10, step: float = 4e-3, slopes: bool = False, spikes: bool = True
) -> list[Scan]:
    """Invented scans of 0.8 m at unequal steps: height and tilt of their own, guide error, drift, spikes and gaps."""
    random = np.random.default_rng(20310507)
    how = mirror.measurement
    turn = 1.0 if how.x_direction == "downstream" else -1.0
    grid = step * np.arange(round(0.8 / step) + 1)
    scans = []
    for number, start in enumerate(np.linspace(-1.0, 0.2, count) + random.uniform(-0.05, 0.05, count)):
        x = step * round(start / step) + grid
        x = x[np.abs(x) < 1.0]
        s = x - x[0]
        form = np.searchsorted([-0.5, 0.0, 0.5], x) * 4e-6 + 1e-7 * np.sin(x / 0.03)
        values = mirror.nominal.slope(x) if slopes else mirror.nominal.height(x) + form + random.normal(0, 2e-5)
        values = values + random.normal(0, 2e-5) * (1.0 if slopes else s) + 3e-7 * np.sin(s / 0.1)
        values = values + random.normal(0, 1e-6) * s**2 + random.normal(0, 3e-8, len(x))
        if spikes:
            values[random.integers(1, len(x) - 1)] += 2e-5
        values[random.integers(1, len(x) - 1)] = np.nan
        scans.append(
            Scan(
                name=f"scan_{number:04}",
                quantity="slope" if slopes else "height",
                x=turn * x * how.stretch + how.x_offset,
                values=turn * values if slopes else values * how.stretch,
                sigma=np.full(len(x), 3e-8),
                carriage=turn * s,  # it runs as the scan's own axis does
                time=500 * s,
            )
        )
    return scans


@cache
def joined() -> Stitched:
    return stitch(made_scans(), MIRROR)


@cache
def bent() -> Stitched:
    """Scans that lie turned and warm on their axis, of a mirror that says so."""
    measurement = Measurement(
        x_direction="upstream", x_offset=0.25, temperature=296.0, reference_temperature=293.0, expansion=9e-6
    )
    mirror = replace(MIRROR, measurement=measurement)
    return stitch(made_scans(mirror), mirror)


@cache
def sloped() -> Stitched:
    return stitch(made_scans(slopes=True), MIRROR)


@cache
def many() -> Stitched:
    return stitch(
        made_scans(count=3 * MOST_SCANS, step=1.6e-2, spikes=False), MIRROR, settings=StitchSettings(guide=False)
    )


@cache
def solved(which: str = "joined") -> tuple[EllipseFit, CorrectionPlan, Stitched]:
    stitched = {"joined": joined, "sloped": sloped, "many": many}[which]()
    fit = fit_ellipse(stitched.profile, MIRROR)
    return fit, plan_corrections(fit), stitched


@cache
def page_of(which: str = "joined") -> str:
    fit, plan, stitched = solved(which)
    return render_report(fit, plan, when=WHEN, stitched=stitched)


def drawn(artist: Artist) -> tuple[FloatArray, FloatArray]:
    """Coordinates of a line without the places where the pen is lifted."""
    assert isinstance(artist, Line2D)
    x, y = (np.asarray(values, dtype=np.float64) for values in artist.get_data())
    return x[np.isfinite(y)], y[np.isfinite(y)]


def unit_of(label: str) -> float:
    """SI value of the unit that an axis states."""
    found = re.search(r"\[(\w+)\]", label)
    assert found is not None
    return {"mm": 1e-3, "um": 1e-6, "nm": 1e-9, "urad": 1e-6, "nrad": 1e-9, "s": 1.0, "min": 60.0}[found[1]]


def own_deviation(stitched: Stitched) -> tuple[FloatArray, FloatArray]:
    """Joined profile minus nominal, and its least-squares line (of slopes: mean)."""
    profile = stitched.profile
    nominal = MIRROR.nominal
    ideal = nominal.height(profile.x) if profile.quantity == "height" else nominal.slope(profile.x)
    deviation = profile.values - ideal
    return deviation, np.polyfit(profile.x, deviation, 1 if profile.quantity == "height" else 0)


@pytest.mark.parametrize("make", [joined, bent, sloped])
def test_scans_are_drawn_as_measured(make: Callable[[], Stitched]) -> None:
    stitched = make()
    axes = Figure().subplots()
    artists = fig.draw_scans(axes, stitched)
    unit = unit_of(axes.get_ylabel())
    _, line = own_deviation(stitched)
    assert len(artists) == len(stitched.scans)
    for artist, scan in zip(artists, stitched.conditioned, strict=True):
        x, y = drawn(artist)
        used = scan.used
        assert_allclose(x * MM, scan.x[used], rtol=ROUNDING)
        wanted = (scan.deviation - np.polyval(line, scan.x))[used]
        assert_allclose(y * unit, wanted, rtol=0, atol=1e-15)  # m: differences of mm, and a line through them


def test_segments_are_shaded_as_far_as_they_reach_measured_or_not() -> None:
    """Scans of the first half of the mirror: every other segment of all four is shaded, from its start to its end."""
    few = stitch([scan for scan in made_scans() if scan.x.max() < 0.0], MIRROR, settings=StitchSettings(guide=False))
    assert few.profile.x.max() < 0.0
    axes = Figure().subplots()
    fig.draw_aligned(axes, few)
    (shades,) = [part for part in axes.collections if part.get_label() == "_segments"]
    corners = [np.asarray(path.vertices, dtype=np.float64)[:, 0] * MM for path in shades.get_paths()]
    shaded = [(x.min(), x.max()) for x in corners]
    assert_allclose(shaded, [(part.start, part.end) for part in MIRROR.segments[1::2]], rtol=0, atol=1e-15)


@pytest.mark.parametrize("make", [joined, bent, sloped])
def test_aligned_scans_are_the_joined_profile_and_their_residual(make: Callable[[], Stitched]) -> None:
    stitched = make()
    axes = Figure().subplots()
    *scans, profile = fig.draw_aligned(axes, stitched)
    unit = unit_of(axes.get_ylabel())
    deviation, line = own_deviation(stitched)
    x, y = drawn(profile)
    x = x * MM
    assert_allclose(x, stitched.profile.x, rtol=ROUNDING)
    assert_allclose(y * unit, deviation - np.polyval(line, x), rtol=0, atol=1e-15)
    for artist, scan, residual in zip(scans, stitched.conditioned, stitched.residuals, strict=True):
        x_scan, y_scan = drawn(artist)
        # all points lie on one grid, so each scan's point is a point of the profile
        places = np.abs(x[:, None] - MM * x_scan[None, :]).argmin(axis=0)
        assert_allclose((y_scan - y[places]) * unit, residual[scan.used], rtol=0, atol=1e-15)


def test_differences_are_the_residuals_row_by_row() -> None:
    stitched = joined()
    axes = Figure().subplots()
    artists = fig.draw_differences(axes, stitched)
    pitch = fig.row_pitch(stitched)
    typical = np.median([scan.residual_rms for scan in stitched.scans])
    assert 5 * typical <= pitch <= 7.5 * typical  # the longest way between two round numbers is 1 to 1.5
    for row, (scan, residual) in enumerate(zip(stitched.conditioned, stitched.residuals, strict=True)):
        _, y = drawn(artists[2 * row])
        assert_allclose((row - y) * pitch, residual[scan.used], rtol=0, atol=1e-15 * max(row, 1))
        _, means = drawn(artists[2 * row + 1])
        assert len(means) == fig.MEANS
        assert_allclose((row - means[0]) * pitch, residual[scan.used][: scan.used.sum() // 24 + 1].mean(), atol=1e-15)
    assert [label.get_text() for label in axes.get_yticklabels()] == [scan.name for scan in stitched.scans]


def test_guide_is_drawn_with_its_uncertainty() -> None:
    stitched = joined()
    axes = Figure().subplots()
    band, line = fig.draw_guide(axes, stitched)
    unit = unit_of(axes.get_ylabel())
    x, y = drawn(line)
    assert_allclose(x * unit_of(axes.get_xlabel()), stitched.guide_carriage, rtol=ROUNDING)
    assert_allclose(y * unit, stitched.guide_error, rtol=ROUNDING)
    assert isinstance(band, PolyCollection)
    edge = np.asarray(band.get_paths()[0].vertices)
    low, high = ((stitched.guide_error + side * stitched.guide_stderr) for side in (-1, 1))
    assert_allclose(edge[:, 1].min() * unit, low.min(), rtol=ROUNDING)
    assert_allclose(edge[:, 1].max() * unit, high.max(), rtol=ROUNDING)


def test_drift_is_what_lies_between_a_scan_and_its_aligned_self_but_for_a_line() -> None:
    """Without a guide, measured = aligned + height + tilt + drift to rounding; drift has no line in time."""
    stitched = stitch(made_scans(), MIRROR, settings=StitchSettings(guide=False))
    for number, scan in enumerate(stitched.conditioned):
        drift = drift_of(stitched, number)
        assert drift is not None
        assert np.abs(drift).max() > 1e-8
        used = scan.used
        rest = (scan.deviation - aligned_deviation(stitched, number) - drift)[used]
        line = np.polyfit(scan.x[used], rest, 1)
        assert_allclose(rest, np.polyval(line, scan.x[used]), rtol=0, atol=1e-14)
    axes = Figure().subplots()
    artists = fig.draw_drift(axes, stitched)
    assert len(artists) == len(stitched.scans)
    last = drift_of(stitched, len(artists) - 1)
    time = stitched.conditioned[-1].scan.time
    assert last is not None
    assert time is not None
    unit = unit_of(axes.get_ylabel())
    x, y = drawn(artists[-1])
    assert_allclose(np.array([x[0], x[-1]]) * unit_of(axes.get_xlabel()), (0.0, time[-1] - time[0]), rtol=ROUNDING)
    assert_allclose(np.array([y[0], y[-1]]) * unit, last[[0, -1]], rtol=ROUNDING)


def test_drift_is_the_sum_of_legendre_polynomials_of_time() -> None:
    """Closed forms P2(t) = (3 t^2 - 1) / 2 and P3(t) = (5 t^3 - 3 t) / 2: Abramowitz and Stegun 1964,
    table 22.9, from memory."""
    stitched = joined()
    second, third = 3e-8, -2e-8  # m, invented
    known = replace(stitched, drift=np.tile([second, third], (len(stitched.scans), 1)))
    for number, scan in enumerate(stitched.conditioned):
        t = np.linspace(-1, 1, len(scan.x))  # the points of these scans follow each other at equal times
        wanted = second * (3 * t**2 - 1) / 2 + third * (5 * t**3 - 3 * t) / 2
        drift = drift_of(known, number)
        assert drift is not None
        assert_allclose(
            drift, wanted, rtol=0, atol=1e-14 * second
        )  # times are rounded: some eps, times slopes of up to 7


def test_no_drift_is_drawn_where_none_was_solved_for() -> None:
    stitched = stitch(made_scans(), MIRROR, settings=StitchSettings(drift_degree=0))
    assert drift_of(stitched, 0) is None
    assert len(fig.drift_figure(stitched).axes) == 1
    timeless = [replace(scan, time=None) for scan in made_scans()]
    assert not fig.has_times(stitch(timeless, MIRROR))


def test_residual_by_time_is_the_mean_of_all_scans() -> None:
    stitched = joined()
    found = residual_by_time(stitched)
    assert found is not None
    pairs = []
    for scan, residual in zip(stitched.conditioned, stitched.residuals, strict=True):
        assert scan.scan.time is not None
        pairs += [
            (time - scan.scan.time[0], rest)
            for time, rest in zip(scan.scan.time, residual, strict=True)
            if np.isfinite(rest)
        ]
    end = max(time for time, _ in pairs)
    first = np.array([rest for time, rest in pairs if time < end / 24])
    last = np.array([rest for time, rest in pairs if time >= end * 23 / 24])
    _, mean, stderr = found
    for place, values in ((0, first), (-1, last)):
        assert_allclose(mean[place], values.mean(), rtol=0, atol=1e-20)  # of values up to 1e-7
        assert_allclose(stderr[place], values.std(ddof=1) / np.sqrt(len(values)), rtol=1e-10)
    axes = Figure().subplots()
    fig.draw_time_residual(axes, stitched)
    (bars,) = axes.containers
    assert isinstance(bars, ErrorbarContainer)
    assert_allclose(np.asarray(bars[0].get_ydata()) * unit_of(axes.get_ylabel()), mean, rtol=ROUNDING)


def test_masked_points_are_drawn_where_they_are_and_counted() -> None:
    stitched = joined()
    axes = Figure().subplots()
    _, *marks = fig.draw_masks(axes, stitched)
    legend = axes.get_legend()
    assert legend is not None
    said = [text.get_text() for text in legend.get_texts()]
    assert said == [f"{reason} ({count})" for reason, count in stitched.masked.items()]
    assert {"spike", "invalid", "edge"} <= set(stitched.masked)
    for artist, (reason, count) in zip(marks, stitched.masked.items(), strict=True):
        x, row = drawn(artist)
        assert len(x) == count
        wanted = [
            (place, number)
            for number, scan in enumerate(stitched.conditioned)
            for place in scan.x[scan.reason == reason]
        ]
        assert_allclose(np.column_stack([x * MM, row]), wanted, rtol=ROUNDING)
    assert len({artist.get_marker() for artist in marks if isinstance(artist, Line2D)}) == len(marks)


def test_plot_has_the_panels_that_have_content() -> None:
    stitched = joined()
    assert len(stitched.plot().axes) == 7
    assert len(plot_stitched(stitch(made_scans(), MIRROR, settings=StitchSettings(drift_degree=0))).axes) == 6
    bare = [replace(scan, time=None, carriage=None) for scan in made_scans()]
    assert len(plot_stitched(stitch(bare, MIRROR)).axes) == 4


@pytest.mark.parametrize("which", ["joined", "sloped", "many"])
def test_page_with_scans_is_well_formed_stands_alone_and_is_small(which: str) -> None:
    text = page_of(which)
    page = Page(text)
    for foreign in ("http", "src=", "<script ", "@import", "<link", "<img", "<iframe", "//"):
        assert foreign not in text
    ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(ids) == len(set(ids))
    targets = [attributes["href"] or "" for _, attributes in page.elements if "href" in attributes]
    targets += [f"#{found}" for found in re.findall(r"url\(#([^)]*)\)", text)]
    assert {target[1:] for target in targets} <= set(ids)
    assert "#stitching" in targets
    assert ids.index("stitching") < ids.index("fit")
    drawings = [attributes for tag, attributes in page.elements if tag == "svg"]
    assert all(drawing["role"] == "img" and drawing["aria-label"] for drawing in drawings)
    assert len(text.encode()) < 3_000_000


def test_page_without_scans_has_no_section_on_them() -> None:
    fit, plan, _ = solved()
    page = Page(render_report(fit, plan, when=WHEN))
    assert "stitching" not in {attributes.get("id") for _, attributes in page.elements}
    assert "cannot tell" not in page.text


@pytest.mark.parametrize("which", ["joined", "sloped"])
def test_page_holds_every_number_and_every_open_question(which: str) -> None:
    _, _, stitched = solved(which)
    page = Page(page_of(which))
    summary, scans, unknown = stitched.rows()
    for table in (summary, scans):
        for cells in table.cells:
            assert list(cells) in page.rows
    assert unknown.title in page.text
    assert stitched.undetermined
    for item, cells in zip(stitched.undetermined, unknown.cells, strict=True):
        amount = "Its size is not known" if item.stderr is None else f"Standard uncertainty: {cells[1]}"
        words = f"{item.function[0].upper()}{item.function[1:]} {amount}. Fixed by: {item.fixed_by}. "
        assert squeezed(f"{words}Would be settled by: {item.remedy}.") in page.text
    assert [warning for warning in stitched.warnings if squeezed(warning) not in page.text] == []


def test_alternative_text_tells_what_the_figures_show() -> None:
    _, _, stitched = solved()
    labels = [attributes["aria-label"] or "" for tag, attributes in Page(page_of()).elements if tag == "svg"]
    worst = max(stitched.scans, key=lambda scan: scan.residual_rms)
    assert any(f"scan {worst.name}" in label for label in labels)
    counts = ", ".join(f"{reason} {count}" for reason, count in stitched.masked.items())
    assert any(counts in label for label in labels)
    assert any("peak to valley" in label and "guide" in label for label in labels)


def test_many_scans_are_neither_all_drawn_nor_all_listed() -> None:
    """Those with the largest residual are listed, and how many are not."""
    _, _, stitched = solved("many")
    assert len(shown_scans(stitched)) == MOST_SCANS
    assert len(fig.draw_scans(Figure().subplots(), stitched)) <= 2 * MOST_SCANS
    page = Page(page_of("many"))
    listed = {row[0] for row in page.rows} & {scan.name for scan in stitched.scans}
    ranked = sorted(stitched.scans, key=lambda scan: -scan.residual_rms)
    assert listed == {scan.name for scan in ranked[:MOST_SCANS]}
    assert f"and {len(stitched.scans) - MOST_SCANS} more." in page.text
    assert f"{MOST_SCANS} of {len(stitched.scans)} scans are drawn" in page.text


def test_many_warnings_are_counted_instead_of_listed() -> None:
    fit, plan, stitched = solved()
    warnings = tuple(f"scan number {number} is odd" for number in range(1000))
    text = Page(render_report(fit, plan, when=WHEN, stitched=replace(stitched, warnings=warnings))).text
    assert text.count("is odd") == 20
    assert "… and 980 more like these." in text


def test_many_masked_points_share_markers() -> None:
    stitched = many()
    first = stitched.conditioned[0]
    edge = REASONS.index("edge")
    code = np.where(np.arange(len(first.x)) % 2, edge, first.code)
    scans = tuple(
        replace(scan, code=np.where(np.arange(len(scan.x)) % 2, edge, scan.code)) for scan in stitched.conditioned
    )
    assert (code == edge).sum() * len(scans) > fig.MOST_MARKS
    crowded = replace(stitched, conditioned=scans)
    axes = Figure().subplots()
    _, *marks = fig.draw_masks(axes, crowded)
    assert all(len(drawn(mark)[0]) <= 1.1 * fig.MOST_MARKS for mark in marks)
    legend = axes.get_legend()
    assert legend is not None
    assert f"edge ({crowded.masked['edge']})" in [text.get_text() for text in legend.get_texts()]


def test_names_of_scans_are_escaped() -> None:
    fit, plan, stitched = solved()
    odd = replace(stitched.scans[0], name="A<b>&$x^2$")
    page = Page(render_report(fit, plan, when=WHEN, stitched=replace(stitched, scans=(odd, *stitched.scans[1:]))))
    assert "A<b>&$x^2$" in page.text
    assert "b" not in {tag for tag, _ in page.elements}
