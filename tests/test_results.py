"""Every result shows itself and hands its numbers on, by one place for all of them."""

from __future__ import annotations

import json
import pkgutil
import sys
import tomllib
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from html.parser import HTMLParser
from importlib import import_module
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pytest
from numpy.testing import assert_array_equal

import ellipsefit
import ellipsefit as ef
from ellipsefit.align.comparison import Comparison
from ellipsefit.align.orders import orders_of
from ellipsefit.align.sequence import sequence_of
from ellipsefit.batch import BatchResult
from ellipsefit.campaign import Audit, AuditedQuantity, AuditSettings
from ellipsefit.conformity import judge_mirror
from ellipsefit.errors import MissingExtraError, ParameterError
from ellipsefit.files import inspect_files, write_mirror, write_profile
from ellipsefit.files.convert import convert_file
from ellipsefit.files.practice import start_practice
from ellipsefit.files.record import append_round
from ellipsefit.fit import EllipseFit
from ellipsefit.halls import invented_mount
from ellipsefit.history import read_record_history
from ellipsefit.job import JobResult
from ellipsefit.place.calibration import RecordedMove, calibrate_mount
from ellipsefit.practice import draw_faults, practice_mirror
from ellipsefit.profile import Profile
from ellipsefit.results import Result
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile
from ellipsefit.spectrum import figure_spectrum
from ellipsefit.summary import Summary, mirror_line
from tests.stitch_cases import Campaign, mirror_of

WHEN = datetime(2026, 4, 14, 9, 30, tzinfo=UTC)


def every_result() -> list[type[Result]]:
    """All classes that are results, wherever they live."""
    for module in pkgutil.walk_packages(ellipsefit.__path__, "ellipsefit."):
        if not module.name.endswith("__main__"):
            import_module(module.name)
    found: dict[str, type[Result]] = {}  # by name: a class with slots is made twice
    new: list[type[Result]] = [Result]
    while new:
        below = [kind for kind in new.pop().__subclasses__() if kind.__module__.startswith("ellipsefit.")]
        found |= {kind.__qualname__: kind for kind in below}
        new += below
    return [found[name] for name in sorted(found)]


@cache
def fitted() -> EllipseFit:
    mirror, rng = invented_mirror(segments=5, length=2.5), np.random.default_rng(8)
    return ef.fit_ellipse(simulate_profile(mirror, hidden_state(mirror, rng), rng, step=5e-3), mirror)


@cache
def plan() -> ef.CorrectionPlan:
    return ef.plan_corrections(fitted())


@cache
def placed() -> tuple[list[list[ef.Placement]], Any]:
    carriers, surveys = ef.demo_halls(years=2)
    return [[ef.place_carrier(one, found) for found in own] for one, own in zip(carriers, surveys, strict=True)], (
        carriers,
        surveys,
    )


def beam(kind: Literal["neutron", "x-ray"]) -> ef.Beam:
    length = 4e-10 if kind == "neutron" else 1e-10
    return ef.Beam(kind=kind, wavelength=(length, length), aperture=2e-3)


def scans() -> list[ef.Scan]:
    return Campaign(starts=[-0.5, -0.3, -0.1], points=61, step=1e-2, noise=60e-9, sigma=60e-9).scans(
        np.random.default_rng(1)
    )


def compared() -> Comparison:
    rng = np.random.default_rng(3)
    design = invented_mirror(segments=3, length=1.5)
    practice = practice_mirror(rng, mirror=design, faults=draw_faults(design, rng, wrong_handed=0))
    before = ef.fit_ellipse(practice.measure(rng, step=5e-3), design)
    orders = orders_of(ef.plan_corrections(before), WHEN)
    return ef.compare_round(orders, before, ef.fit_ellipse(practice.moved(orders).measure(rng, step=5e-3), design))


def calibrated() -> Result:
    mount, rng = invented_mount(), np.random.default_rng(2)
    moves = []
    for _ in range(30):
        angles = rng.uniform(-1.2, 1.2, 6) * mount.movable
        moves.append(RecordedMove(angles=angles, pose=mount.pose_at(angles), covariance=np.diag([1e-10] * 6)))
    return calibrate_mount(mount, moves)


def audited() -> Audit:
    good = AuditedQuantity(
        name="p", kind="length", count=20, within_one=0.7, within_two=0.95, scatter=0.02, stated=0.021, covers=True
    )
    return Audit(mirror=fitted().mirror, settings=AuditSettings(campaigns=20), quantities=(good,), held={"theta": 1})


def stuck() -> Result:
    """Travel of 1 um against segments that stand off by more."""
    mirror, rng = invented_mirror(segments=3, length=1.5, travel=1e-6), np.random.default_rng(8)
    found = ef.plan_corrections(
        ef.fit_ellipse(simulate_profile(mirror, hidden_state(mirror, rng), rng, step=5e-3), mirror)
    ).conflict
    assert found is not None
    assert found.travel
    return found


def looked_ahead() -> Result:
    found = plan().outlook
    assert found is not None
    return found


def job(folder: Path) -> JobResult:
    record, report = folder / "record.h5", folder / "report.html"
    return JobResult(
        stitched=None,
        fit=fitted(),
        plan=plan(),
        light=None,
        placement=None,
        forecast=None,
        round=1,
        record=record,
        report=report,
        when=WHEN,
        warnings=(),
    )


def inspected(folder: Path) -> Any:
    write_mirror(fitted().mirror, folder / "mirror.toml")
    return inspect_files([folder / "mirror.toml"])


def converted(folder: Path) -> Any:
    profile = Profile(name="P", quantity="height", x=np.arange(3.0), values=np.arange(3.0) * 1e-6)
    write_profile(profile, folder / "profile.h5")
    return convert_file(folder / "profile.h5", folder / "profile.csv")


def recorded(folder: Path) -> Any:
    write_mirror(fitted().mirror, folder / "mirror.toml")
    append_round(folder / "record.h5", fitted(), plan(), inputs=[folder / "mirror.toml"], when=WHEN)
    return read_record_history(folder / "record.h5")


def foreseen() -> Any:
    return ef.foresee_light(plan(), ef.trace_focus(fitted(), fitted().mirror, beam("x-ray"), rays=2000), rays=2000)


def summarised() -> Summary:
    return Summary(lines=(mirror_line("one", fitted(), plan(), None, None, 1),))


#: One of each, small; a result that is missing here fails the first test.
SAMPLES: dict[str, Callable[[Path], Result]] = {
    "Audit": lambda _: audited(),
    "BatchResult": lambda folder: BatchResult(summary=summarised(), folder=folder, done_before=0),
    "Belief": lambda _: fitted().belief(),
    "Budget": lambda _: fitted().budget,
    "Checked": lambda _: fitted().checked,
    "Comparison": lambda _: compared(),
    "Conformity": lambda _: judge_mirror(fitted(), plan()),
    "Conflict": lambda _: stuck(),
    "Conversion": converted,
    "CorrectionPlan": lambda _: plan(),
    "EllipseFit": lambda _: fitted(),
    "EpochChange": lambda _: ef.compare_surveys(placed()[1][0][0], *placed()[1][1][0][:2]),
    "Figure": lambda _: fitted().figure,
    "FileContent": lambda folder: inspected(folder).contents[0],
    "FocusResult": lambda _: ef.trace_focus(fitted(), fitted().mirror, beam("x-ray"), rays=2000),
    "Identifiability": lambda _: fitted().identifiability(),
    "Inspection": inspected,
    "JobResult": job,
    "LightAfter": lambda _: foreseen(),
    "MountCalibration": lambda _: calibrated(),
    "Outlook": lambda _: looked_ahead(),
    "Pair": lambda _: ef.pair_carriers(placed()[0][0][0], placed()[0][1][0]),
    "Placement": lambda _: placed()[0][0][0],
    "PracticeFolder": lambda folder: start_practice(
        folder / "practice", practice_mirror(np.random.default_rng(1), mirror=fitted().mirror), seed=1
    ),
    "Profile": lambda _: Profile(name="P", quantity="height", x=np.arange(3.0), values=np.arange(3.0) * 1e-6),
    "RecordHistory": recorded,
    "Scan": lambda _: scans()[0],
    "ScanPlan": lambda _: ef.plan_scans(fitted().mirror, reach=1.2),
    "SeasonForecast": lambda _: ef.forecast_seasons(placed()[0][0]),
    "Sequence": lambda _: sequence_of(orders_of(plan(), WHEN)),
    "Spectrum": lambda _: figure_spectrum(
        [("S01", np.linspace(0.0, 0.063, 64), np.random.default_rng(5).normal(0.0, 1e-8, 64))], "height"
    ),
    "Stitched": lambda _: ef.stitch(scans(), mirror_of((-0.5, 0.5))),
    "Summary": lambda _: summarised(),
    "Tolerances": lambda _: ef.allocate_tolerances(fitted().mirror, beam("neutron"), 0.05),
    "TradeOff": lambda _: plan().trade_off(),
}
#: Those that hold what is long.
GRIDDED = {
    *("Comparison", "CorrectionPlan", "EllipseFit", "Figure", "FocusResult", "Placement", "Profile"),
    *("Scan", "SeasonForecast", "Spectrum", "Stitched"),
}


class Cells(HTMLParser):
    """Texts of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.open: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, _: Any) -> None:
        self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.texts.append(data.strip())


def test_every_result_has_a_sample_here() -> None:
    assert [kind.__qualname__ for kind in every_result()] == sorted(SAMPLES)


@pytest.mark.parametrize("name", SAMPLES)
def test_a_result_shows_itself_and_hands_its_numbers_on(name: str, tmp_path: Path) -> None:
    """Screen and notebook show the same cells, the answer is JSON, and frames hold what the answer holds."""
    result = SAMPLES[name](tmp_path)
    assert type(result).__qualname__ == name
    shown = " ".join(str(result).split())
    page = Cells(result._repr_html_())
    assert page.open == []
    for text in page.texts:
        assert " ".join(text.split()) in shown, text
    answer = json.loads(json.dumps(result.to_dict(), allow_nan=False))
    frame = result.to_dataframe()
    records = answer if isinstance(answer, list) else answer.get(result.table)
    if records:
        assert len(frame) == len(records)
        plain = [key for key, value in records[0].items() if isinstance(value, float | str | bool)]
        assert plain
        for key in plain:
            for there, here in zip(frame[key], records, strict=True):
                assert there == here[key] or (here[key] is None and there != there)
    assert bool(result.arrays()) == (name in GRIDDED)
    if name not in GRIDDED:
        with pytest.raises(ParameterError, match=f"{name} holds no arrays; expected to_dataframe"):
            result.to_xarray()
        return
    data = result.to_xarray()
    for array in result.arrays():
        if array.values is not None:
            assert_array_equal(data[array.name].values, np.asarray(array.values))
            assert data[array.name].attrs["long_name"] == array.meaning
            assert data[array.name].attrs.get("units", "") == array.unit
            assert (array.name in data.coords) == array.coordinate


def test_any_table_of_an_answer_and_the_points_are_data_frames() -> None:
    found = fitted()
    points = found.to_dataframe("point")
    assert list(points.columns[:3]) == ["x", "segment", "height"]
    assert_array_equal(points["residual"], found.residual)
    assert list(plan().to_dataframe("segments")["name"]) == ["S01", "S02", "S03", "S04", "S05"]
    with pytest.raises(ParameterError, match="table: EllipseFit has no 'bananas'; expected one of 'segments', 'point'"):
        found.to_dataframe("bananas")


@pytest.mark.parametrize(
    ("draw", "axes"),
    [
        (lambda: fitted().plot(), 5),
        (lambda: fitted().plot_errors(), 2),
        (lambda: fitted().plot_uncertainty(), None),
        (lambda: plan().plot(), 3),
        (lambda: placed()[0][0][0].plot(), 4),
        (lambda: placed()[0][0][0].plot_reach(), 3),
    ],
)
def test_a_figure_is_one_line(draw: Callable[[], Any], axes: int | None) -> None:
    figure = draw()
    figure.draw_without_rendering()
    assert axes is None or len(figure.axes) == axes


def test_a_carrier_without_wheels_has_no_reach_to_draw() -> None:
    sound = placed()[0][0][0]
    bare = ef.place_carrier(replace(sound.carrier, mount=None), placed()[1][1][0][0])
    with pytest.raises(ParameterError, match="has no mount; expected one to draw what its wheels reach"):
        bare.plot_reach()


def test_a_plan_without_moves_gives_an_empty_table() -> None:
    """Not another table instead."""
    none = replace(plan(), moves=())
    assert len(none.to_dataframe()) == 0
    assert len(none.to_xarray()["move"]) == 0


@pytest.mark.parametrize(("library", "method"), [("pandas", "to_dataframe"), ("xarray", "to_xarray")])
def test_a_missing_library_is_named_with_its_extra(library: str, method: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, library, None)
    with pytest.raises(MissingExtraError) as fault:
        getattr(fitted(), method)()
    told = f"{library} is not installed; expected it from python -m pip install 'ellipsefit[{library}]'"
    assert str(fault.value) == told
    assert isinstance(fault.value, ImportError)
    extras = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text("utf-8"))["project"]
    assert any(text.startswith(library) for text in extras["optional-dependencies"][library])
