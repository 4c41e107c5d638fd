"""The report: what it draws and prints is the result's, nothing is left out, and the page stands alone."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from numpy.testing import assert_allclose

from ellipsefit.align import CorrectionPlan, plan_corrections
from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import FileExistsAlreadyError, ParameterError
from ellipsefit.files import read_mirror, read_profile
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.mirror import Adjuster, Mirror, Segment, Tolerance
from ellipsefit.profile import Profile
from ellipsefit.report import (
    CAUTIONS,
    moves_table,
    plot_fit,
    plot_plan,
    render_report,
    save_figure,
    verdict,
    write_report,
)
from ellipsefit.report import figures as fig
from ellipsefit.report.curves import before_after, curve, fitted_curve
from ellipsefit.report.style import as_svg

DATA = Path(__file__).parent / "data"
WHEN = datetime(2031, 5, 6, 14, 30, tzinfo=UTC)
VOID = {"meta", "br", "hr", "link", "img", "input"}
#: Scaling to a practical unit is one division: half an ulp, and another for the sums that lead to a curve.
ROUNDING = 4 * np.finfo(float).eps


@cache
def solved(name: str) -> tuple[EllipseFit, CorrectionPlan]:
    """Fit and plan of a rehearsal mirror; each is fitted once."""
    fit = fit_ellipse(read_profile(DATA / name / "profile.csv"), read_mirror(DATA / name / "mirror.toml"))
    return fit, plan_corrections(fit)


@cache
def page_of(name: str) -> str:
    return render_report(*solved(name), when=WHEN)


class Page(HTMLParser):
    """Elements, attributes and text of a page; fails where an element is not closed in its turn."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.rows: list[list[str]] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not {"style", "script"} & set(self.open):
            self.words.append(data)
        if self.open and self.open[-1] in ("td", "th"):
            self.rows[-1][-1] += data

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def squeezed(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("name", ["alder", "cedar", "dogwood"])
def test_page_is_well_formed_and_stands_alone(name: str) -> None:
    """Every element closes in its turn, ids differ, links lead somewhere; nothing is fetched."""
    text = page_of(name)
    page = Page(text)
    for foreign in ("http", "src=", "<script ", "@import", "<link", "<img", "<iframe", "//", "fetch(", "import("):
        assert foreign not in text
    assert not [key for _, attributes in page.elements for key in attributes if key.startswith("on")]
    ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(ids) == len(set(ids))
    targets = [attributes["href"] or "" for _, attributes in page.elements if "href" in attributes]
    targets += [f"#{found}" for found in re.findall(r"url\(#([^)]*)\)", text)]
    assert targets
    assert {target[1:] for target in targets} <= set(ids)
    assert all(target.startswith("#") for target in targets)
    assert ("html", {"lang": "en"}) in page.elements
    assert [tag for tag, _ in page.elements].count("title") == 1
    drawings = [attributes for tag, attributes in page.elements if tag == "svg"]
    assert drawings
    assert all(drawing["role"] == "img" and drawing["aria-label"] for drawing in drawings)


@pytest.mark.parametrize("name", ["alder", "cedar", "dogwood"])
def test_page_holds_verdict_cautions_warnings_and_date(name: str) -> None:
    fit, plan = solved(name)
    text = Page(page_of(name)).text
    said = verdict(fit, plan)
    wanted = [said.headline, *said.reasons, *fit.warnings, *plan.warnings, "2031-05-06 14:30 UTC"]
    wanted += [part for caution in CAUTIONS for part in caution]
    assert [sentence for sentence in wanted if squeezed(sentence) not in text] == []


@pytest.mark.parametrize("name", ["alder", "cedar", "dogwood"])
def test_page_holds_every_number_of_the_tables(name: str) -> None:
    fit, plan = solved(name)
    summary, _, *rests = plan.rows()
    rows = Page(page_of(name)).rows
    for table in (*fit.rows(), summary, *rests):
        for cells in table.cells:
            assert list(cells) in rows


@pytest.mark.parametrize("name", ["alder", "dogwood"])
def test_page_holds_every_move(name: str) -> None:
    """From, to and move as the plan has them [um], and the word that goes with the sign."""
    _, plan = solved(name)
    rows = {(row[0], row[1]): row for row in Page(page_of(name)).rows if len(row) > 7 and row[0] != "segment"}
    found = {key: row for key, row in rows.items() if key[1] in ("U", "D")}
    assert len(found) == len(plan.moves)
    for move in plan.moves:
        row = found[move.segment, move.adjuster]
        for cell, value in zip(row[2:5], (move.start, move.stop, move.move), strict=True):
            assert cell.endswith(" um")
            # the plan counts in halves of a um, so two decimals are exact but for binary rounding
            assert_allclose(float(cell.removesuffix(" um")) * 1e-6, value, rtol=1e-9, atol=1e-15)
        assert row[5] == {1: "raise", 0: "leave", -1: "lower"}[int(np.sign(move.move))]
        assert ("AT LIMIT" in row) == move.at_limit


def test_page_of_no_moves_says_so() -> None:
    page = Page(page_of("cedar"))
    assert "No adjuster is asked to move." in page.text
    assert not [attributes for tag, attributes in page.elements if attributes.get("id") == "moves-figure_1"]
    assert [attributes for tag, attributes in page.elements if attributes.get("id") == "error-figure_1"]


def test_names_are_escaped() -> None:
    fit, plan = solved("cedar")
    name = "A<b>&\"'$x^2$</title>"
    segment = replace(fit.mirror.segments[0], name="S<i>&1")
    mirror = replace(fit.mirror, name=name, segments=(segment,))
    fit = replace(fit, placed=replace(fit.placed, mirror=mirror))
    text = render_report(fit, replace(plan, mirror=mirror), when=WHEN, settings=[("file", "<u>&")])
    page = Page(text)
    assert name in page.text
    assert ["file", "<u>&"] in page.rows
    assert not {"b", "i", "u"} & {tag for tag, _ in page.elements}


def test_same_inputs_give_the_same_bytes() -> None:
    assert render_report(*solved("cedar"), when=WHEN) == page_of("cedar")
    _, plan = solved("dogwood")
    drawn = {as_svg(fig.moves_figure(plan), "moves", "moves") for _ in range(2)}
    assert len(drawn) == 1


def test_users_settings_do_not_change_figures() -> None:
    fit, _ = solved("cedar")
    plain = as_svg(fig.shape_figure(fit), "shape", "shape")
    with mpl.rc_context({"lines.linewidth": 7.0, "axes.facecolor": "red", "font.size": 20.0}):
        assert as_svg(fig.shape_figure(fit), "shape", "shape") == plain
        assert mpl.rcParams["lines.linewidth"] == 7.0


def drawn(line: Artist, what: str = "y") -> FloatArray:
    """Coordinates of a line, without the gaps between segments."""
    assert isinstance(line, Line2D)
    values = np.asarray(line.get_ydata() if what == "y" else line.get_xdata(), dtype=np.float64)
    return values[np.isfinite(values)]


def test_residual_line_is_the_residual() -> None:
    fit, _ = solved("alder")
    axes = Figure().subplots()
    before, after = fig.draw_residual(axes, fit)
    assert "[um]" in axes.get_ylabel()
    assert "[m]" in fig.shape_figure(fit).axes[-1].get_xlabel()
    assert_allclose(drawn(after), fit.residual * 1e6, rtol=ROUNDING)
    assert_allclose(drawn(before), (fit.residual + fit.misplacement) * 1e6, rtol=ROUNDING)
    assert_allclose(drawn(after, "x"), fit.placed.x, rtol=ROUNDING)
    (enlarged,) = fig.draw_remaining(Figure().subplots(), fit)
    assert_allclose(drawn(enlarged), fit.residual * 1e9, rtol=ROUNDING)


@pytest.mark.parametrize(("name", "factor"), [("alder", 1e6), ("cedar", 1e6)])
def test_deviation_lines_are_measured_and_fitted_minus_nominal(name: str, factor: float) -> None:
    """um for heights, urad for slopes; measured minus fitted is what the fit calls residual and misplacement."""
    fit, _ = solved(name)
    placed, nominal = fit.placed, fit.mirror.nominal
    ideal = nominal.height(placed.x) if placed.quantity == "height" else nominal.slope(placed.x)
    ellipse, measured = fig.draw_deviation(Figure().subplots(), fit)
    assert_allclose(drawn(measured), (placed.values - ideal) * factor, rtol=ROUNDING)
    left = (fit.residual + fit.misplacement) * factor
    # both curves are differences of values up to 11 mm (1 mrad); a few ulp of these are what they may differ by
    slack = 16 * np.finfo(float).eps * np.abs(placed.values).max() * factor
    assert_allclose(drawn(measured) - drawn(ellipse), left, rtol=0, atol=slack)


@pytest.mark.parametrize("name", ["alder", "dogwood"])
def test_curve_after_is_residual_change_of_ellipse_and_the_rest_in_the_plan(name: str) -> None:
    """Less residual and change of ellipse it is a line on each segment; with that of the change, it is the rest."""
    fit, plan = solved(name)
    placed, ellipse, target = fit.placed, fit.ellipse, plan.target
    before, after = before_after(fit, plan)
    for number, rest in zip(placed.measured, plan.segments, strict=True):
        part, segment = placed.part(number), fit.mirror.segments[number]
        x = placed.x[part]
        change = ellipse.height(x) - target.height(x)
        tilt, height = np.polyfit(x - segment.middle, after[part] - fit.residual[part] - change, 1)
        lever = np.linspace(-0.5, 0.5, 65) * segment.length
        grid = segment.middle + lever
        own = np.polyfit(lever, ellipse.height(grid) - target.height(grid), 1)
        # heights are differences of numbers up to 11 mm, so a few ulp are 1e-17 m; the slopes have 0.25 m of lever
        assert rest.height is not None
        assert_allclose(height + own[1], rest.height, rtol=0, atol=1e-15)
        assert_allclose(tilt + own[0], rest.tilt, rtol=0, atol=1e-14)
        moved = after[part] - before[part]
        line = np.polyfit(x - segment.middle, moved, 1)
        assert_allclose(np.polyval(line, x - segment.middle), moved, rtol=0, atol=1e-15)
        wanted = [(move.move, move.adjuster) for move in plan.moves if move.segment == segment.name]
        for (move, _), adjuster in zip(wanted, segment.adjusters, strict=True):
            assert_allclose(np.polyval(line, adjuster.x - segment.middle), move, rtol=0, atol=1e-14)


def test_curve_after_has_the_slope_error_that_the_plan_states() -> None:
    fit, plan = solved("cedar")
    _, after = before_after(fit, plan)
    # slopes are differences of numbers up to 1 mrad, 1e-19 in double; the error is 1e-7
    assert_allclose(np.sqrt(np.mean(after**2)), plan.remaining.slope_error_rms, rtol=1e-10)


def test_moves_are_drawn_where_they_are() -> None:
    _, plan = solved("dogwood")
    axes = Figure().subplots()
    fig.draw_moves(axes, plan)
    lines = {line.get_label(): line for line in axes.get_lines()}
    assert_allclose(drawn(lines["stands"], "x"), [move.start * 1e6 for move in plan.moves], rtol=ROUNDING)
    assert_allclose(drawn(lines["goes to"], "x"), [move.stop * 1e6 for move in plan.moves], rtol=ROUNDING, atol=1e-12)
    travel = [adjuster.travel for segment in plan.mirror.segments for adjuster in segment.adjusters]
    bars = axes.containers[0].patches  # type: ignore[attr-defined] # a container of bars
    assert_allclose([bar.get_x() * 1e-6 for bar in bars], [low for low, _ in travel], rtol=ROUNDING)
    assert_allclose([(bar.get_x() + bar.get_width()) * 1e-6 for bar in bars], [high for _, high in travel], rtol=1e-12)
    labels = [label.get_text() for label in axes.get_yticklabels()]
    assert labels == [f"{move.segment}  {move.adjuster}" for move in plan.moves]
    said = [text.get_text() for text in axes.texts]
    assert said == ["AT LIMIT"] * sum(move.at_limit for move in plan.moves)


@pytest.mark.parametrize(("quantity", "factor"), [("height", 1e6), ("tilt", 1e6)])
def test_segments_are_drawn_where_they_stand(quantity: str, factor: float) -> None:
    fit, _ = solved("alder")
    axes = Figure().subplots()
    fig.draw_segments(axes, fit, "height" if quantity == "height" else "tilt")
    data, _, (bars,) = axes.containers[0]
    values = np.array([getattr(state, quantity) for state in fit.segments]) * factor
    stderr = np.array([getattr(state, f"{quantity}_stderr") for state in fit.segments]) * factor
    assert_allclose(data.get_ydata(), values, rtol=ROUNDING)
    spans = np.array([segment[:, 1] for segment in bars.get_segments()])
    assert_allclose(np.diff(spans, axis=1)[:, 0] / 2, stderr, rtol=1e-12)  # a difference of values some 100 times it


@pytest.mark.parametrize(("name", "panels"), [("alder", 5), ("cedar", 3)])
def test_plots_have_the_panels_that_have_content(name: str, panels: int) -> None:
    fit, plan = solved(name)
    assert len(plot_fit(fit).axes) == panels
    assert len(plot_plan(plan, fit).axes) == (3 if plan.moves else 1)


SCREWS = Mirror(
    name="Screws",
    nominal=Ellipse(9.0, 6.0, 0.02),
    segments=tuple(
        Segment(
            name=f"T{number}",
            start=-1.5 + 0.5 * number + 0.001,
            end=-1.0 + 0.5 * number - 0.001,
            adjusters=(
                Adjuster(
                    name="U",
                    x=-1.4 + 0.5 * number,
                    travel=(-2e-4, 2e-4),
                    resolution=1e-6,
                    backlash=3e-6,
                    raises="clockwise",
                    pitch_per_turn=2.5e-4,
                ),
                Adjuster(name="D", x=-1.1 + 0.5 * number, travel=(-2e-4, 2e-4), resolution=1e-6),
            ),
        )
        for number in range(6)
    ),
    tolerance=Tolerance(segment_height=4e-6, segment_tilt=2e-5),
)


def long_profile(points: int, mirror: Mirror = SCREWS) -> Profile:
    """Invented: the nominal ellipse, segments off by 10 um and 30 urad, waves of 100 nm and noise of 30 nm."""
    random = np.random.default_rng(20310506)
    parts = []
    for segment in mirror.segments:
        x = np.linspace(segment.start, segment.end, points // len(mirror.segments))
        height, tilt = random.normal(scale=(1e-5, 3e-5))
        waves = 1e-7 * np.sin(x / 0.02 + random.uniform(0, 6)) + random.normal(scale=3e-8, size=len(x))
        parts.append((x, mirror.nominal.height(x) + height + tilt * (x - segment.middle) + waves))
    x, z = (np.concatenate(column) for column in zip(*parts, strict=True))
    return Profile(name="long", quantity="height", x=x, values=z, frame="mirror")


def test_turns_follow_pitch_and_sense() -> None:
    """One turn is the pitch; the sense that raises is the file's, the other lowers."""
    fit = fit_ellipse(long_profile(3000), SCREWS)
    plan = plan_corrections(fit)
    table = moves_table(plan)
    column = table.header.index("turns")
    told = 0
    for cells, move in zip(table.cells, plan.moves, strict=True):
        if move.adjuster == "D" or move.move == 0:
            assert cells[column] == ""
            continue
        count, degrees, sense = cells[column].split()
        assert abs(float(count) - abs(move.move) / 2.5e-4) <= 0.0005000001  # rounded to three decimals
        assert abs(float(degrees.strip("()°")) - abs(move.move) / 2.5e-4 * 360) <= 0.5000001
        assert sense == ("clockwise" if move.move > 0 else "anticlockwise")
        told += 1
    assert told > 0
    assert any("Backlash of up to 3.00 um" in note for note in table.notes)
    assert verdict(fit, plan).headline == ("FEASIBLE" if plan.feasible else "NOT FEASIBLE")
    assert "4.00 um in height" in verdict(fit, plan).reasons[0]


def test_verdict_names_segments_out_of_tolerance() -> None:
    fit, _ = solved("dogwood")
    mirror = replace(fit.mirror, tolerance=Tolerance(segment_tilt=3e-6))
    plan = plan_corrections(replace(fit, placed=replace(fit.placed, mirror=mirror)), mirror)
    outside = [rest.name for rest in plan.segments if abs(rest.tilt) > 3e-6]
    said = verdict(fit, plan)
    if outside:
        assert said.headline == "NOT FEASIBLE"
        assert ", ".join(outside) in said.reasons[0]
    else:
        assert said.headline == "FEASIBLE"
    unfinished = verdict(replace(fit, converged=False), plan)
    assert "NOT CONVERGED" in unfinished.reasons[0]


def test_thinned_curve_keeps_means_and_extremes() -> None:
    fit = fit_ellipse(long_profile(60_000), SCREWS)
    placed = fit.placed
    values = fit.residual.copy()
    values[31_234] = 1e-3  # a single spike must not be lost
    thin = curve(placed, values)
    assert thin.low is not None
    assert thin.high is not None
    assert len(thin.x) < 1100
    assert np.nanmax(thin.high) == values.max()
    assert np.nanmin(thin.low) == values.min()
    assert np.isnan(thin.middle).sum() == len(placed.measured) - 1
    first = slice(0, 60)  # blocks of 60 points
    assert_allclose(thin.middle[0], values[first].mean(), rtol=1e-12)
    assert_allclose(thin.x[0], placed.x[first].mean(), rtol=1e-12)
    whole = fitted_curve(fit)
    assert_allclose(np.nanmean(curve(placed, whole).middle), whole.mean(), rtol=1e-3)  # the last blocks are shorter


def test_page_of_900000_points_is_small() -> None:
    fit = fit_ellipse(long_profile(900_000), SCREWS, residual="white")
    text = render_report(fit, plan_corrections(fit), when=WHEN)
    assert len(text.encode()) < 3_000_000
    assert "900000" in Page(text).text


def test_report_is_written_whole_and_overwrites_nothing(tmp_path: Path) -> None:
    place = tmp_path / "report.html"
    place.write_text("mine")
    with pytest.raises(FileExistsAlreadyError, match=r"report\.html"):
        write_report(*solved("cedar"), place, when=WHEN)
    assert place.read_text() == "mine"
    write_report(*solved("cedar"), place, when=WHEN, force=True)
    assert place.read_text(encoding="utf-8") == page_of("cedar")
    assert [item.name for item in tmp_path.iterdir()] == ["report.html"]


@pytest.mark.parametrize(("name", "first"), [("a.svg", b"<?xml"), ("b.png", b"\x89PNG\r\n\x1a\n"), ("c.PDF", b"%PDF-")])
def test_figure_is_saved_as_its_suffix_says_and_the_same_each_time(name: str, first: bytes, tmp_path: Path) -> None:
    """First bytes of a file: XML 1.0 section 2.8, PNG (ISO/IEC 15948) section 5.2, PDF (ISO 32000-1) section 7.5.2."""
    fit, plan = solved("cedar")
    place = tmp_path / name
    save_figure(plot_fit(fit), place)
    saved = place.read_bytes()
    assert saved.startswith(first)
    with pytest.raises(FileExistsAlreadyError, match=re.escape(name)):
        save_figure(plot_plan(plan, fit), place)
    assert place.read_bytes() == saved
    with mpl.rc_context({"savefig.dpi": 50, "savefig.facecolor": "red", "svg.hashsalt": None}):
        save_figure(plot_fit(fit), place, force=True)
    assert place.read_bytes() == saved
    for stamp in (b"Date", b"matplotlib.org", b"Matplotlib v"):
        assert stamp not in saved
    assert [item.name for item in tmp_path.iterdir()] == [name]


@pytest.mark.parametrize("name", ["a.jpg", "a", ".svg", "a.svg.gz"])
def test_figure_of_another_suffix_is_refused(name: str, tmp_path: Path) -> None:
    with pytest.raises(ParameterError, match=r"must end in \.svg, \.png or \.pdf; got (no suffix|'\.\w+')$"):
        save_figure(Figure(), tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_summary_names_where_the_largest_error_is_left() -> None:
    """Without adjusters errors are looked at where segments end."""
    fit, plan = solved("dogwood")
    assert "largest error left at an adjuster" in [cells[0] for cells in plan.rows()[0].cells]
    bare = replace(fit.mirror, segments=tuple(replace(part, adjusters=()) for part in fit.mirror.segments))
    found = [cells[0] for cells in plan_corrections(fit, bare).rows()[0].cells]
    assert "largest error left at the end of a segment" in found
    assert "largest error left at an adjuster" not in found


def test_importing_the_report_loads_no_drawing() -> None:
    code = "import sys, ellipsefit.report; print(sorted({'matplotlib', 'jinja2'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
