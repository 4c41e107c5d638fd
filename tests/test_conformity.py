"""Decisions on what is required: the zones of ISO 14253-1, published examples, and what the report says of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.stats import norm

from ellipsefit.align import plan_corrections
from ellipsefit.align.outlook import probability_inside
from ellipsefit.conformity import judge_mirror
from ellipsefit.decision import GUARD, decide, worst
from ellipsefit.mirror import Tolerance
from ellipsefit.report import render_report
from tests.test_pages import carrier_case
from tests.test_report import WHEN, Page, solved
from tests.test_report_focus import result_of


def test_guard_band_is_the_one_sided_quantile() -> None:
    """ISO 14253-1:2017 takes 95 % by default, at one limit: the normal quantile 1.6449 (ISO 14253-1 rounds to 1.65)."""
    assert_allclose(GUARD, norm.ppf(0.95), rtol=1e-15)


def test_zones_of_the_standard() -> None:
    """ISO 14253-1: conformity is proven in the specification zone less g at each limit, non-conformity beyond plus g.

    A shaft of 30 mm with limits of +-0.1 mm measured with u = 0.01 mm, the common textbook case (from memory), has
    g = 0.01645 mm: zones end at 0.08355 and 0.11645 mm.
    """
    for value, wanted in [
        (0.0, "conform"),
        (0.0835, "conform"),
        (0.0836, "indeterminate"),
        (0.1, "indeterminate"),
        (0.1164, "indeterminate"),
        (0.1165, "non-conform"),
    ]:
        assert decide(value, 0.01, 0.1) == decide(-value, 0.01, 0.1) == wanted
    assert decide(0.1, 0.0, 0.1) == "conform"  # nothing unsure: the limit itself is allowed
    assert worst([]) is None


def test_diode_of_jcgm_106() -> None:
    """JCGM 106:2012: a breakdown voltage of -5.47 V with u = 0.05 V against an upper limit of -5.40 V conforms with a
    probability of 0.92 (example from memory; Phi(1.4) = 0.91924 recomputed): less than 95 %, so neither is proven.

    Written as 5.47 against at least 5.40, and as 10 - 0.07 against 10, where the limit on the other side is far.
    """
    assert decide(5.47, 0.05, 5.40, at_least=True) == "indeterminate"
    assert decide(10 - 0.07, 0.05, 10.0) == "indeterminate"
    chance = probability_inside(np.array([0.0, 10 - 0.07]), np.diag([0.0, 0.05**2]), np.array([np.inf, 10.0]))
    assert_allclose(chance, 0.91924, rtol=0, atol=5e-6)


@settings(max_examples=200, derandomize=True)
@given(value=st.floats(-3, 3), stderr=st.floats(1e-3, 0.2))
def test_decision_is_that_of_the_probability_at_the_nearer_limit(value: float, stderr: float) -> None:
    """Conform where the probability of being inside the nearer limit is 95 % or more, non-conform where it is 5 %."""
    chance = norm.cdf((1.0 - abs(value)) / stderr)
    if abs(chance - 0.95) < 1e-9 or abs(chance - 0.05) < 1e-9:
        return
    wanted = "conform" if chance > 0.95 else "non-conform" if chance < 0.05 else "indeterminate"
    assert decide(value, stderr, 1.0) == wanted


def test_a_mirror_is_judged_by_its_worst_segment_now_and_after_the_moves() -> None:
    fit, _ = solved("dogwood")
    mirror = replace(fit.mirror, tolerance=Tolerance(segment_height=5e-6, segment_tilt=5e-5))
    plan = plan_corrections(replace(fit, placed=replace(fit.placed, mirror=mirror)), mirror)
    judged = judge_mirror(plan.fit, plan)
    height, tilt = judged.requirements
    assert height.now is not None
    assert height.after is not None
    assert plan.outlook is not None
    assert judged.now == "non-conform"
    # after the moves: the plan's own rests and their uncertainties
    rest = {item.name: item for item in plan.segments}
    sure = {item.name: item for item in plan.outlook.segments}
    assert rest[height.after.name].height == height.after.value
    assert sure[height.after.name].height_stderr == height.after.stderr
    assert worst(item.decision for item in plan.outlook.segments if item.decision is not None) == judged.after
    # as measured: a height and tilt that all have in common is the carrier's and changes nothing
    common = plan.fit.pose
    moved = replace(plan.fit, pose=replace(common, height=(common.height or 0.0) + 3e-4, tilt=common.tilt + 1e-4))
    again = judge_mirror(moved, plan).requirements[0].now
    assert again is not None
    assert_allclose(again.value, height.now.value, rtol=0, atol=1e-12)
    assert tilt.limit == 5e-5


def test_light_and_carrier_are_judged_where_something_is_required() -> None:
    fit, plan = solved("alder")
    placement, _ = carrier_case()
    light = result_of("neutron")
    asked = replace(light, beam=replace(light.beam, required_throughput=light.throughput / 2))
    judged = judge_mirror(fit, plan, asked, placement)
    names = [item.name for item in judged.requirements]
    assert "throughput" in names
    assert "image focus, hall z" in names
    assert "throughput" not in [item.name for item in judge_mirror(fit, plan, light).requirements]
    answer = judged.to_dict()
    assert len(answer["requirements"]) == len(names)
    text = Page(render_report(fit, plan, when=WHEN, focus=asked, placement=placement)).text
    assert "Requirements, as measured" in text
    assert "guard band of 1.64 standard uncertainties" in text


def test_nothing_required_is_nothing_judged() -> None:
    fit, _ = solved("alder")
    mirror = replace(fit.mirror, tolerance=Tolerance())
    plan = plan_corrections(replace(fit, placed=replace(fit.placed, mirror=mirror)), mirror)
    judged = judge_mirror(plan.fit, plan)
    assert judged.requirements == ()
    assert judged.now is None
    assert judged.rows() == []
    page = Page(render_report(plan.fit, plan, when=WHEN))
    assert "Requirements" not in page.text
    with pytest.raises(ValueError, match="expected stderr >= 0"):
        decide(1.0, -1.0, 1.0)
