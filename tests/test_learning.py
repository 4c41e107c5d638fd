"""What is learned from a round. Oracle: the conditional of a joint Gaussian, and simulated mirrors."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from ellipsefit.align.change import carrier_map, line_map
from ellipsefit.align.learning import CARRIER, Done, first_knowledge, learn, rises
from ellipsefit.align.objectives import SETTLING
from ellipsefit.align.orders import adjusters_of
from ellipsefit.align.response import Response, nominal_response
from ellipsefit.errors import ParameterError
from ellipsefit.practice import draw_faults, practice_mirror
from tests.loop_cases import orders_for, seen_change, small_mirror, with_adjusters


def test_without_backlash_a_round_is_the_textbook_update_of_a_linear_model() -> None:
    """With moves that go on in the direction in which each screw stands, the model is linear in the entries. Oracle:
    mean + C_xy C_yy^-1 (y - E y) of the joint Gaussian, written out with independent entries."""
    mirror = with_adjusters(small_mirror(segments=3), backlash=0.0, gain_error=0.08)
    rng = np.random.default_rng(1)
    known = first_knowledge(mirror)
    count = known.count
    sure = known.covariance.copy()
    sure[len(known.rows) :, :] = 0.0  # backlash and slack are exactly nothing
    sure[:, len(known.rows) :] = 0.0
    known = replace(known, covariance=sure, mean=np.r_[known.mean[: len(known.rows)], np.zeros(2 * count)])
    practice = practice_mirror(rng, mirror=mirror, faults=draw_faults(mirror, rng, gain_error=0.08, backlash=0.0))
    orders = orders_for(mirror, rng.normal(0.0, 20e-6, count))
    done = Done.of(mirror, orders.moves)
    done = replace(done, settled=done.side != 0)
    change = seen_change(practice, practice.moved(orders), rng)
    found = learn(known, mirror, done, change)

    lines = line_map(mirror, change.segments, 2)
    entries = list(zip(known.rows, known.columns, strict=True))
    design = np.column_stack([lines[:, i] * done.move[j] for i, j in entries])
    spread = np.diag([sure[k, k] for k in range(len(entries))])
    carrier = carrier_map(mirror, change.segments, 2) * np.array(CARRIER[2])
    noise = change.covariance + SETTLING**2 * lines @ lines.T + carrier @ carrier.T
    y = change.change - lines @ done.move
    cross = spread @ design.T
    total = design @ cross + noise
    mean = cross @ np.linalg.solve(total, y)
    covariance = spread - cross @ np.linalg.solve(total, cross.T)
    learned = found.knowledge
    # in units of the prior's spread; the solve above loses some digits to the carrier's wide spread, hence 1e-6
    size = np.sqrt(np.diag(spread))
    assert_allclose(
        (learned.mean[: len(entries)] - np.eye(count)[known.rows, known.columns]) / size, mean / size, atol=1e-6
    )
    own = learned.covariance[: len(entries), : len(entries)] / np.outer(size, size)
    assert_allclose(own, covariance / np.outer(size, size), atol=1e-6)


def test_derivatives_of_the_rises_are_those_of_differences() -> None:
    mirror = small_mirror(segments=3)
    known = first_knowledge(mirror)
    rng = np.random.default_rng(2)
    orders = orders_for(mirror, rng.normal(0.0, 20e-6, known.count))
    done = Done.of(mirror, orders.moves)
    values = known.mean + rng.normal(size=len(known.mean)) * np.sqrt(np.diag(known.covariance))
    _, gradient = rises(known, values, done)
    for place in range(len(values)):
        # the model is bilinear, so a central difference is exact but for rounding
        step = 1e-3 if place < len(known.rows) else 1e-8
        up, down = values.copy(), values.copy()
        up[place] += step
        down[place] -= step
        difference = (rises(known, up, done)[0] - rises(known, down, done)[0]) / (2 * step)
        assert_allclose(gradient[:, place], difference, atol=1e-9 * max(1e-5, float(np.abs(gradient).max())))


def rounds(seed: int, moves: list[float], *, backlash: float = 2e-6) -> Any:
    """Rounds of random moves of these sizes on a mirror with hidden faults; knowledge after each."""
    rng = np.random.default_rng(seed)
    mirror = small_mirror()
    stage = practice_mirror(rng, mirror=mirror, faults=draw_faults(mirror, rng, backlash=backlash))
    known, found = first_knowledge(mirror), []
    for size in moves:
        orders = orders_for(stage.mirror, rng.normal(0.0, size, known.count))
        after = stage.moved(orders)
        known = learn(
            known, stage.mirror, Done.of(stage.mirror, orders.moves), seen_change(stage, after, rng)
        ).knowledge
        found.append(known)
        stage = after
    return stage, found


def test_gains_are_learned_and_their_uncertainty_covers() -> None:
    """Normalised squared errors of the gains of 25 mirrors after two rounds: 300 of them, mean 1. Gains and coupling
    are drawn as the prior says; the slack is uniform and the settling absent, so a little less than 1 is right."""
    squares, sizes = [], []
    for seed in range(25):
        stage, found = rounds(200 + seed, [20e-6, 20e-6])
        response = found[-1].response()
        error = np.diag(response.matrix) - np.diag(stage.faults.matrix)
        squares += list((error / np.diag(response.stderr)) ** 2)
        sizes += list(error**2)
    assert 0.6 < np.mean(squares) < 1 + 3 * np.sqrt(2 / len(squares))
    assert np.sqrt(np.mean(sizes)) < 0.05  # half of what they are known to before


def test_backlash_is_learned_from_reversals_only() -> None:
    """Two rounds onwards tell the gain, one back the backlash; a move and its reversal alone tell neither."""
    mirror = small_mirror()
    rng = np.random.default_rng(7)
    faults = draw_faults(mirror, rng, gain_error=0.0, coupling=0.0, backlash=3e-6)
    stage = practice_mirror(rng, mirror=mirror, faults=faults)
    known = first_knowledge(mirror)  # thinks 2 um
    before = float(known.backlash_stderr.mean())
    signs = np.where(np.arange(known.count) % 2, 1.0, -1.0)
    for move in (30e-6, 30e-6, -30e-6):
        orders = orders_for(stage.mirror, move * signs, direct=True)
        after = stage.moved(orders)
        known = learn(
            known, stage.mirror, Done.of(stage.mirror, orders.moves), seen_change(stage, after, rng)
        ).knowledge
        stage = after
    assert np.abs(known.backlash - 3e-6).max() < 4 * known.backlash_stderr.max()
    assert known.backlash_stderr.mean() < 0.5 * before


def test_a_move_of_the_carrier_is_no_adjusters_doing() -> None:
    """All segments raised by 50 um and tilted by 30 urad together: gains stay where they were, the carrier has it."""
    rng = np.random.default_rng(8)
    mirror = small_mirror()
    faults = draw_faults(mirror, rng, gain_error=0.0, coupling=0.0, backlash=0.0)
    stage = practice_mirror(rng, mirror=mirror, faults=faults)
    orders = orders_for(mirror, rng.normal(0.0, 20e-6, len(adjusters_of(mirror))))
    change = seen_change(stage, stage.moved(orders, carrier=(50e-6, 30e-6)), rng)
    found = learn(first_knowledge(mirror), mirror, Done.of(mirror, orders.moves), change)
    gains = np.diag(found.knowledge.response().matrix)
    assert np.abs(gains - 1).max() < 3 * np.diag(found.knowledge.response().stderr).max()
    rises_ = np.array([order.move for order in orders.moves])
    assert np.all(np.abs(found.rise - rises_) < 5 * found.rise_stderr)


def test_nothing_is_learned_of_what_did_not_move() -> None:
    mirror = small_mirror()
    rng = np.random.default_rng(9)
    stage = practice_mirror(rng, mirror=mirror)
    moves = np.zeros(len(adjusters_of(mirror)))
    moves[0] = 30e-6
    orders = orders_for(mirror, moves)
    known = first_knowledge(mirror)
    found = learn(known, mirror, Done.of(mirror, orders.moves), seen_change(stage, stage.moved(orders), rng)).knowledge
    assert_allclose(np.diag(found.response().stderr)[1:], np.diag(known.response().stderr)[1:], rtol=1e-9)
    assert found.response().stderr[0, 0] < known.response().stderr[0, 0]


def test_stated_gain_errors_are_the_prior() -> None:
    mirror = with_adjusters(small_mirror(), gain_error=0.03)
    assert_allclose(np.diag(first_knowledge(mirror).response().stderr), 0.03, rtol=1e-12)
    given = replace(nominal_response(mirror), matrix=2 * np.eye(12))
    assert_allclose(first_knowledge(mirror, given).response().matrix, 2 * np.eye(12))


def test_a_response_of_other_adjusters_is_refused() -> None:
    other = Response(adjusters=(("X", "U"),), matrix=np.eye(1), stderr=np.zeros((1, 1)))
    with pytest.raises(ParameterError, match="other adjusters"):
        first_knowledge(small_mirror(), other)
