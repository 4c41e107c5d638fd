"""Every page that the program writes: valid HTML, alone, as wide as the screen, silent, and telling true values."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from html5lib import HTMLParser
from numpy.testing import assert_allclose
from skimage.color import rgb2lab

from ellipsefit.align import plan_corrections
from ellipsefit.align.orders import orders_of
from ellipsefit.arrays import FloatArray as Array
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.files import read_carrier, read_surveys
from ellipsefit.fit import fit_ellipse
from ellipsefit.job import place_surveyed
from ellipsefit.place import Placement, SeasonForecast, forecast_seasons, place_carrier
from ellipsefit.report import render_drift_report, render_place_report, render_report
from ellipsefit.report.curves import BLOCKS, MOST_POINTS
from ellipsefit.report.sheet import render_sheet
from ellipsefit.report.style import INK, QUIET, SHADE, WARM
from tests.test_report import SCREWS, WHEN, Page, long_profile, page_of, solved
from tests.test_report_focus import result_of
from tests.test_report_stitch import solved as stitched_case

DEMO = Path(__file__).parent.parent / "data_demo"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
WIDTHS = (1280, 390)


@cache
def carrier_case() -> tuple[Placement, SeasonForecast]:
    carrier = read_carrier(DEMO / "heron_carrier.toml")
    surveys = read_surveys([DEMO / "heron_surveys.h5"])
    return place_carrier(carrier, surveys[-1]), forecast_seasons(
        [place_carrier(carrier, survey, moves=False) for survey in surveys]
    )


@cache
def pages() -> dict[str, str]:
    """One of each kind, the report with all sections that there are."""
    placement, forecast = carrier_case()
    fit, plan, stitched = stitched_case()
    light = result_of("x-ray")
    whole = render_report(fit, plan, when=WHEN, stitched=stitched, focus=light, placement=placement, forecast=forecast)
    dense = fit_ellipse(long_profile(60_000), SCREWS, residual="white")
    return {
        "whole": whole,
        "alder": page_of("alder"),
        "slopes": page_of("cedar"),
        "dense": render_report(dense, plan_corrections(dense), when=WHEN),
        "place": render_place_report(placement, files=["heron_carrier.toml"]),
        "drift": render_drift_report(forecast),
        "sheet": render_sheet(orders_of(solved("dogwood")[1])),
    }


def test_every_page_is_valid_html() -> None:
    """Reference: a parser that follows the HTML standard and reports each of its parse errors."""
    for name, text in pages().items():
        parser = HTMLParser()
        parser.parse(text)
        assert parser.errors == [], name


def test_sections_stand_in_order_and_only_those_with_content() -> None:
    order = ["summary", "mirror", "stitching", "fit", "figure", "moves", "remains", "focus", "carrier", "uncertainty"]
    order += ["warnings", "settings", "cautions"]
    found = {name: re.findall(r'<section id="(\w+)">', text) for name, text in pages().items()}
    assert found["whole"] == order
    assert [key for key in order if key not in found["slopes"]] in (
        ["stitching", "focus", "carrier"],
        ["stitching", "focus", "carrier", "warnings"],
    )
    for text in pages().values():
        assert not re.search(r'<section id="\w+">\s*<h2>[^<]*</h2>\s*<div class="body">\s*</div>', text)


def test_every_figure_has_words_for_whoever_cannot_see_it() -> None:
    for text in pages().values():
        drawings = [attributes for tag, attributes in Page(text).elements if tag == "svg"]
        assert all(drawing["role"] == "img" and len(drawing["aria-label"] or "") > 20 for drawing in drawings)
        assert text.count("<figure>") == text.count("<figcaption>") == len(drawings)


def test_lines_of_many_points_say_so_and_keep_extremes() -> None:
    text = pages()["dense"]
    assert MOST_POINTS < 60_000
    assert f"Lines are means of {60_000 // BLOCKS} neighbouring points, bands their smallest and largest" in text
    assert "neighbouring points" not in pages()["alder"]


def seen(colour: str, missing: int) -> Array:
    """Lab coordinates of a colour as seen without the cones for long (0) or middle (1) waves.

    Matrices of G. Machado, M. Oliveira, L. Fernandes, IEEE Trans. Vis. Comput. Graph. 15 (2009) 1291, table 1,
    severity 1.0, on linear sRGB; from memory.
    """
    matrix = np.array(
        [
            [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
            [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
        ]
    )[missing]
    value = np.array([int(colour[place : place + 2], 16) for place in (1, 3, 5)]) / 255
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    linear = np.clip(matrix @ linear, 0, 1)
    value = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    lab: Array = np.asarray(rgb2lab(value.reshape(1, 1, 3)), dtype=np.float64)[0, 0]
    return lab


@pytest.mark.parametrize("missing", [0, 1])
def test_tones_differ_for_everyone_and_in_grey(missing: int) -> None:
    """What stands for different things differs by 20 in Lab, ten times what is just noticed (2.3: M. Mahy, L. Van
    Eycken, A. Oosterlinck, Color Res. Appl. 19 (1994) 105), for both common kinds of colour blindness; the curve
    that counts, the compared one and the ground differ by 20 in lightness alone, so in print without colour, too.
    """
    tones = [seen(colour, missing) for colour in (INK, WARM, QUIET, SHADE)]
    for number, one in enumerate(tones):
        assert all(np.linalg.norm(one - other) > 20 for other in tones[number + 1 :])
    light = [seen(colour, missing)[0] for colour in (INK, WARM, SHADE)]
    assert all(abs(one - other) > 20 for one, other in pairwise(light))


#: Told to each page under test: what it fetches, complains of and measures goes to the page around it.
PROBE = """
<script>
const faults = [];
addEventListener("error", (event) => faults.push(String(event.message)));
addEventListener("unhandledrejection", (event) => faults.push(String(event.reason)));
for (const kind of ["error", "warn"]) console[kind] = (...all) => faults.push(all.join(" "));
document.addEventListener("securitypolicyviolation", (event) => faults.push("fetches " + event.blockedURI));
addEventListener("load", () => {
  const read = (key) => {
    const svg = document.querySelector("svg[data-cursor]");
    if (!svg) return null;
    for (let i = 0; i < 9; i++)
      svg.parentElement.dispatchEvent(new KeyboardEvent("keydown", {key, shiftKey: true, bubbles: true}));
    return [...svg.closest("figure").querySelectorAll(".cursor-text span")].map((one) => one.textContent);
  };
  const wide = [...document.querySelectorAll("body *")].filter(
    (one) => !one.closest(".scroll") && one.getBoundingClientRect().right > innerWidth + 0.5);
  parent.postMessage({
    name: NAME,
    width: innerWidth,
    needed: document.documentElement.scrollWidth,
    wide: wide.map((one) => one.tagName),
    fetched: performance.getEntriesByType("resource").map((one) => one.name),
    small: [...document.querySelectorAll("p, td, th, li, dd")].filter(
      (one) => parseFloat(getComputedStyle(one).fontSize) < 11).length,
    right: read("ArrowRight"),
    gone: read("Escape"),
    faults,
  }, "*");
});
</script>
"""
POLICY = "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'"


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, int], dict[str, object]]:
    """What each page tells of itself in a browser at each width, all in one start of it."""
    if CHROMIUM is None:
        pytest.skip("no chromium on PATH")
    folder = tmp_path_factory.mktemp("pages")
    frames = []
    for name, text in pages().items():
        probe = PROBE.replace("NAME", json.dumps(name), 1)
        policy = f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">'
        (folder / f"{name}.html").write_text(text.replace("<head>", f"<head>{policy}{probe}", 1), encoding="utf-8")
        frames += [f'<iframe src="{name}.html" width="{width}" height="900"></iframe>' for width in WIDTHS]
    listen = (
        "<script>const told = []; addEventListener('message', (event) => { told.push(event.data);"
        f" if (told.length === {len(frames)}) document.body.textContent = JSON.stringify(told); }});</script>"
    )
    outer = folder / "all.html"
    outer.write_text(f"<!DOCTYPE html><head>{listen}</head><body style='width:1400px'>{''.join(frames)}</body>")
    command = [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"]
    command += ["--hide-scrollbars", "--disable-background-networking", "--disable-component-update", "--disable-sync"]
    command += [f"--user-data-dir={folder / 'user'}", "--virtual-time-budget=60000", "--dump-dom", outer.as_uri()]
    done = subprocess.run(command, capture_output=True, text=True, timeout=240, check=False)
    found = re.search(r"<body[^>]*>(\[.*\])</body>", done.stdout, re.DOTALL)
    assert found is not None, done.stderr[-2000:]
    told = json.loads(html.unescape(found[1]))
    return {(one["name"], one["width"]): one for one in told}


def test_pages_fit_the_screen_fetch_nothing_and_complain_of_nothing(
    shown: dict[tuple[str, int], dict[str, object]],
) -> None:
    assert set(shown) == {(name, width) for name in pages() for width in WIDTHS}
    for key, told in shown.items():
        assert told["faults"] == [], key
        assert told["fetched"] == [], key
        assert told["needed"] == key[1], key
        assert told["wide"] == [], key
        assert told["small"] == 0, key


def test_cursor_tells_the_value_of_the_curve(shown: dict[tuple[str, int], dict[str, object]]) -> None:
    """Read off the first figure of a page after nine strokes to the right; Escape takes it away again.

    A value in a path is rounded to 0.01 of some 140 points of height, a position to 0.1 of some 430, and what is told
    to a thousandth of the range.
    """
    fit, _ = solved("alder")
    told = shown["alder", 1280]
    words = told["right"]
    assert isinstance(words, list)
    place = re.search(r"(−?[\d.]+)\u00a0m \((\w+)\)$", words[0])
    assert place is not None, words
    x = float(place[1].replace("−", "-"))
    (segment,) = [part for part in fit.mirror.segments if part.start <= x <= part.end]
    assert place[2] == segment.name
    (measured,) = [re.search(r"(−?[\d.]+)\u00a0(\w+)$", text) for text in words if text.startswith("measured, minus")]
    assert measured is not None
    assert measured[2] == "um"
    deviation = fit.placed.values - fit.mirror.nominal.height(fit.placed.x)
    near = np.abs(fit.placed.x - x) < 0.02
    reach = np.ptp(deviation) / 1000
    low, high = deviation[near].min() - reach, deviation[near].max() + reach
    assert low * 1e6 <= float(measured[1].replace("−", "-")) <= high * 1e6
    assert told["gone"] == []


def test_cursor_tells_the_extremes_of_a_thinned_line(shown: dict[tuple[str, int], dict[str, object]]) -> None:
    words = shown["dense", 1280]["right"]
    assert isinstance(words, list)
    (line,) = [text for text in words if text.startswith("measured, minus")]
    found = re.search(r"(−?[\d.]+)\u00a0um \((−?[\d.]+)\u00a0um to (−?[\d.]+)\u00a0um\)$", line)
    assert found is not None
    middle, low, high = (float(text.replace("−", "-")) for text in found.groups())
    assert low <= middle <= high
    assert_allclose(middle, (low + high) / 2, rtol=0, atol=(high - low) + 1e-9)


def test_a_carrier_and_its_surveys_belong_together() -> None:
    """One survey places, three or more tell of seasons; the last by date counts; another carrier's is refused."""
    carrier, surveys = DEMO / "heron_carrier.toml", DEMO / "heron_surveys.h5"
    with pytest.raises(ParameterError, match="belong together: expected --carrier CARRIER and --survey SURVEY"):
        place_surveyed(carrier, ())
    with pytest.raises(ParameterError, match="belong together"):
        place_surveyed(None, [surveys])
    with pytest.raises(DataError, match="survey of carrier 'Plover'; expected one of 'Heron'"):
        place_surveyed(carrier, [DEMO / "plover_2025-02.csv"])
    alone, none = place_surveyed(carrier, [DEMO / "heron_2025-02.csv"])
    assert none is None
    placement, forecast = place_surveyed(carrier, [surveys])
    assert forecast is not None
    assert placement.survey.time == alone.survey.time


def test_notes_of_the_record_stand_with_the_warnings() -> None:
    page = Page(render_report(*solved("cedar"), when=WHEN, notes=["the scans have changed since"]))
    assert "the scans have changed since" in page.text


def test_points_too_few_for_a_spectrum_leave_the_rest() -> None:
    profile = long_profile(36)
    fit = fit_ellipse(profile, SCREWS, residual="white")
    text = render_report(fit, plan_corrections(fit), when=WHEN)
    assert "too few in a row for a spectrum" in text
