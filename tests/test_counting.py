"""Fewest screws: against the definition, tried set by set, and against branch and bound where screws are coupled."""

from __future__ import annotations

import ctypes
import os
from itertools import combinations

import numpy as np
import pytest
from scipy.optimize import linprog

from ellipsefit.align.counting import WHOLE_GAP, _branch_and_bound, fewest_moves
from ellipsefit.align.layout import Layout, layout
from ellipsefit.align.limits import Limits, goal_limits, segment_limits, travel_limits
from ellipsefit.align.objectives import choose
from ellipsefit.align.program import minimise_linear
from ellipsefit.align.response import Response
from ellipsefit.fit import fit_ellipse
from ellipsefit.mirror import Mirror, Tolerance
from ellipsefit.silence import silent_output
from tests.align_cases import NOMINAL, fit_of
from tests.rehearsal import Array, even_mirror, made_profile
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


# ------------------------------------------------------------------ programmes that are no mirror's


def fewest_of(rows: Array, limits: Array, moves: Array) -> int | None:
    """By the definition, with unknowns of one size, in micrometres."""
    size = np.abs(np.concatenate([rows, moves])).max(axis=0)
    rows, moves = rows / size, moves / size
    for many in range(len(moves) + 1):
        for some in combinations(range(len(moves)), many):
            still = np.delete(moves, some, axis=0)
            found = linprog(
                np.zeros(rows.shape[1]), A_ub=rows, b_ub=limits * 1e6, A_eq=still if len(still) else None,
                b_eq=np.zeros(len(still)) if len(still) else None, bounds=(None, None), method="highs",
            )  # fmt: skip
            if found.status == 0:
                return many
    return None


def bodies(seed: int, *, shared: int, coupled: bool = False) -> tuple[Array, Array, Array, Array]:
    """Two rigid bodies on three screws in a row, each with a height and a tilt, on a carrier; unknowns in any units.

    Rows and limits, travel's among them, moves and travel [m]; each body is to end within micrometres of its place.
    """
    rng = np.random.default_rng(seed)
    lever, n = np.array([-0.1, 0.02, 0.15]), shared + 4
    moves, places = np.zeros((6, n)), []
    for body in range(2):
        own = slice(shared + 2 * body, shared + 2 * body + 2)
        moves[3 * body : 3 * body + 3, own] = np.column_stack([np.ones(3), lever])
        for x in (-0.2, 0.2):
            row = np.zeros(n)
            row[:shared] = ((), (body + x,), (1.0, body + x), (1.0, body + x, (body + x) ** 2))[shared]
            row[own] = 1.0, x
            places.append(row)
    if coupled:
        moves = moves + 0.1 * np.roll(moves, 3, axis=0)
    effect, wrong = np.array(places), rng.normal(0, 5e-6, 4)
    most = rng.choice([1e-6, 3e-6, 6e-6])
    travel = rng.choice([4e-6, 30e-6])
    rows = np.concatenate([effect, -effect, moves, -moves])
    limits = np.concatenate([most - wrong, most + wrong, np.full(12, travel)])
    unit = 10.0 ** rng.uniform(-3, 3, n)
    return rows * unit, limits, moves * unit, np.full(6, travel)


@pytest.mark.parametrize("shared", [0, 1, 2, 3])
def test_fewest_moves_of_bodies_in_any_units(shared: int) -> None:
    """By the definition, set by set; by the arrangement of polygons and by branch and bound, with and without what is
    known of bodies on three screws in a row: any motion moves two of them."""
    groups = [(np.array([0, 1, 2]), 2), (np.array([3, 4, 5]), 2)]
    counts = []
    for seed in (0, 1, 2, 5) if shared < 3 else (0, 1):
        rows, limits, moves, travel = bodies(seed, shared=shared)
        right = fewest_of(rows, limits, moves)
        counts.append(right)
        found = [_branch_and_bound(rows, limits, moves, -travel, travel, some) for some in ((), groups)]
        if shared:
            found.append(fewest_moves(rows, limits, moves, -travel, travel, shared=shared, groups=groups))
        for one in found:
            assert (None if one is None else int(one[0].sum())) == right
            if one is not None:
                assert one[1] == right
                # and the others may really stand still
                still = moves[~one[0]]
                held = np.concatenate([rows, still, -still])
                assert minimise_linear(
                    np.zeros(held.shape[1]), held, np.concatenate([limits, np.full(2 * len(still), 1e-12)])
                ) is not None  # fmt: skip
    assert len(set(counts)) > 1


def test_coupled_bodies_in_any_units() -> None:
    """Screws that move each other's bodies by a tenth: no arrangement of polygons, the same count."""
    for seed in range(3):
        rows, limits, moves, travel = bodies(seed, shared=2, coupled=True)
        found = fewest_moves(rows, limits, moves, -travel, travel, shared=2)
        right = fewest_of(rows, limits, moves)
        assert (None if found is None else (int(found[0].sum()), found[1])) == (
            None if right is None else (right, right)
        )


def test_of_slopes_fewest_screws_are_counted_too() -> None:
    """The carrier's tilt is all that segments share; within 15 urad of the target, tilted by 30 urad or so."""
    for seed in range(4):
        rng = np.random.default_rng(seed)
        mirror = even_mirror(NOMINAL, count=3, pitch=0.45, tolerance=Tolerance(segment_tilt=15e-6))
        placed = made_profile(mirror, (8.0, 8.0, 0.022), tilts=rng.normal(0, 30e-6, 3), points=21, quantity="slope")
        model = layout(fit_ellipse(placed, vary=(), segments="free", residual="white"), NOMINAL, mirror)
        limits = travel_limits(model) + segment_limits(model, mirror, margin=True)
        found = choose(model, limits, ("screws", "travel"))
        assert found is not None
        assert found.optima["screws"] == fewest(model, limits)
        assert found.gaps["screws"] == 0


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
