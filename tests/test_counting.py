"""Fewest screws: against the definition, tried set by set, and against branch and bound where screws are coupled."""

from __future__ import annotations

import ctypes
import os
from itertools import combinations

import numpy as np
import pytest

from ellipsefit.align.counting import WHOLE_GAP, _branch_and_bound, fewest_moves
from ellipsefit.align.layout import Layout, layout
from ellipsefit.align.limits import Limits, goal_limits, segment_limits, travel_limits
from ellipsefit.align.objectives import choose
from ellipsefit.align.program import minimise_linear
from ellipsefit.align.response import Response
from ellipsefit.mirror import Mirror, Tolerance
from ellipsefit.silence import silent_output
from tests.align_cases import NOMINAL, fit_of
from tests.rehearsal import even_mirror
from tests.test_roll import several_lines


def drawn(
    seed: int,
    *,
    count: int,
    adjusters: int,
    tolerance: Tolerance,
    travel: float = 60e-6,
    response: Response | None = None,
) -> tuple[Layout, Mirror]:
    """Segments that spread by 5 um and 20 urad."""
    rng = np.random.default_rng(seed)
    mirror = even_mirror(
        NOMINAL, count=count, pitch=0.45, travel=(-travel, travel), adjusters=adjusters, tolerance=tolerance
    )
    fit = fit_of(mirror, rng.normal(0, 5e-6, count), rng.normal(0, 20e-6, count))
    return layout(fit, NOMINAL, mirror, response), mirror


def fewest(model: Layout, limits: Limits) -> int | None:
    """By the definition: the smallest set of screws with which the limits can be kept, the others held still."""
    count = len(model.moves)
    for many in range(count + 1):
        for some in combinations(range(count), many):
            still = np.delete(model.moves, some, axis=0)
            rows = np.concatenate([limits.rows, still, -still])
            bounds = np.concatenate([limits.limits, np.zeros(2 * len(still))])
            if minimise_linear(np.zeros(rows.shape[1]), rows, bounds) is not None:
                return many
    return None


def test_the_count_is_the_smallest_there_is() -> None:
    """24 mirrors of 1 to 4 segments with 1 to 3 adjusters, loose and tight, some that can't be brought in at all."""
    contradictions = 0
    for seed in range(24):
        tolerance = Tolerance(
            segment_height=(1e-6, 3e-6, 6e-6)[seed % 3], segment_tilt=(5e-6, 20e-6, 40e-6)[seed // 3 % 3]
        )
        adjusters = 1 + seed // 2 % 3
        model, mirror = drawn(
            seed,
            count=1 + seed % (4 if adjusters < 3 else 2),
            adjusters=adjusters,
            tolerance=tolerance,
            travel=(8e-6, 60e-6)[seed % 2],
        )
        limits = travel_limits(model) + segment_limits(model, mirror, margin=True)
        found, right = choose(model, limits, ("screws", "travel")), fewest(model, limits)
        contradictions += right is None
        assert (None if found is None else found.optima["screws"]) == right
        if found is not None:
            assert found.gaps["screws"] == 0
            assert (np.abs(model.moves @ found.values) > 1e-9).sum() <= found.optima["screws"]
    assert 0 < contradictions < 20


@pytest.mark.parametrize("adjusters", [2, 3])
@pytest.mark.parametrize("tight", [1.0, 0.4, 0.2])
def test_twenty_segments_are_proven_even_if_nearly_every_screw_must_move(adjusters: int, tight: float) -> None:
    """A plan of so many screws exists, and what branch and bound proved in its time says that there may be no fewer."""
    tolerance = Tolerance(segment_height=tight * 5e-6, segment_tilt=tight * 25e-6)
    model, mirror = drawn(0, count=20, adjusters=adjusters, tolerance=tolerance)
    limits = travel_limits(model) + segment_limits(model, mirror, margin=True)
    found = choose(model, limits, ("screws", "travel"))
    assert found is not None
    assert found.gaps["screws"] == 0
    assert (np.abs(model.moves @ found.values) > 1e-9).sum() <= found.optima["screws"]
    assert np.all(limits.rows @ found.values <= limits.limits + 1e-12)
    if tight == 1.0:  # which branch and bound can prove
        other = _branch_and_bound(limits.rows, limits.limits, model.moves, model.lowest, model.highest, ())
        assert other is not None
        assert other[1] <= found.optima["screws"] <= other[0].sum()
        assert other[0].sum() <= other[1] * (1 + WHOLE_GAP) + 1


def test_among_the_plans_of_smallest_worst_error_fewest_are_counted_too() -> None:
    """By the definition, with the worst error held at its optimum."""
    for seed in range(6):
        model, mirror = drawn(seed, count=3, adjusters=2, tolerance=Tolerance(), travel=(3e-6, 9e-6)[seed % 2])
        limits = travel_limits(model)
        found = choose(model, limits, ("worst", "screws"))
        assert found is not None
        assert mirror.tolerance == Tolerance()
        most = found.optima["worst"] * (1 + 1e-9) + 1e-9  # what later objectives may cost
        held = Limits(
            rows=np.concatenate([model.effect, -model.effect]),
            limits=np.concatenate([most - model.error, most + model.error]),
            names=("worst error",) * (2 * len(model.error)),
        )
        assert found.optima["screws"] == fewest(model, limits + held)


def test_nothing_wrong_and_nothing_limited() -> None:
    """A perfect mirror needs no screw; tolerances that pin its segments exactly, and some that nothing limits."""
    for tolerance in (Tolerance(segment_height=1e-6), Tolerance(segment_tilt=1e-6), Tolerance()):
        mirror = even_mirror(NOMINAL, count=4, pitch=0.45, adjusters=2, tolerance=tolerance)
        model = layout(fit_of(mirror, np.zeros(4), np.zeros(4)), NOMINAL, mirror)
        found = choose(model, travel_limits(model) + goal_limits(model, mirror, margin=True), ("screws",))
        assert found is not None
        assert found.optima["screws"] == 0
        assert found.gaps["screws"] == 0


def test_roll_that_no_tolerance_asks_for_costs_no_screw() -> None:
    """Roll measured along two lines, tolerances of height and tilt: the count is proven."""
    rng = np.random.default_rng(2)
    tolerance = Tolerance(segment_height=1e-6, segment_tilt=5e-6)
    mirror = even_mirror(NOMINAL, count=20, pitch=0.45, travel=(-200e-6, 200e-6), adjusters=3, tolerance=tolerance)
    lifts, tilts = rng.normal(0, 5e-6, 20), rng.normal(0, 20e-6, 20)
    rolled = layout(several_lines(mirror, lifts, tilts, rng.normal(0, 50e-6, 20), (-0.02, 0.02)), NOMINAL, mirror)
    assert rolled.rolls
    found = choose(rolled, travel_limits(rolled) + segment_limits(rolled, mirror, margin=True), ("screws",))
    assert found is not None
    assert found.gaps["screws"] == 0


def test_coupled_screws_are_counted_by_branch_and_bound() -> None:
    """Neighbours that move each other by 5 %: the count by the definition, within its gap of 0 for so few."""
    mirror = even_mirror(NOMINAL, count=3, pitch=0.45, adjusters=2, travel=(-60e-6, 60e-6))
    names = tuple((segment.name, adjuster.name) for segment in mirror.segments for adjuster in segment.adjusters)
    matrix = np.eye(6) + 0.05 * (np.eye(6, k=1) + np.eye(6, k=-1))
    response = Response(adjusters=names, matrix=matrix, stderr=np.zeros((6, 6)))
    for seed in range(4):
        model, tight = drawn(
            seed, count=3, adjusters=2, tolerance=Tolerance(segment_height=3e-6, segment_tilt=15e-6), response=response
        )
        limits = travel_limits(model) + segment_limits(model, tight, margin=True)
        found = fewest_moves(
            limits.rows, limits.limits, model.moves, model.lowest, model.highest, shared=model.common_size
        )
        assert found is not None
        assert found[0].sum() == found[1] == fewest(model, limits)


@pytest.mark.skipif(os.name != "posix", reason="the C library is found by another name")
def test_compiled_code_can_say_nothing_on_standard_output(capfd: pytest.CaptureFixture[str]) -> None:
    library = ctypes.CDLL(None)
    library.puts(b"before")
    library.fflush(None)
    with silent_output():
        library.puts(b"a remark")
    library.puts(b"after")
    library.fflush(None)
    assert capfd.readouterr().out.split() == ["before", "after"]
