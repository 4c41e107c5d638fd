"""The whole loop on simulated mirrors: measured, fitted, planned, moved, compared, and planned again from that."""

from __future__ import annotations

import numpy as np
import pytest

import ellipsefit as ef
from ellipsefit.practice import draw_faults, practice_mirror
from ellipsefit.simulate import invented_mirror

HEIGHT, TILT = 2e-6, 10e-6  # what every segment must end within, the carrier at its best


def rounds_needed(seed: int, *, rounds: int = 3, wrong_handed: int = 0, segments: int = 14) -> int:
    """Rounds until every segment is inside for good, by truth; one more than asked for if never.

    10 % gain error, 5 % coupling, 2 um backlash, steps of 0.5 um, 100 nm noise of a point and a figure of 100 nm.
    """
    rng = np.random.default_rng(seed)
    design = invented_mirror(segments=segments, length=segments / 2)
    faults = draw_faults(design, rng, gain_error=0.1, coupling=0.05, backlash=2e-6, wrong_handed=wrong_handed)
    practice = practice_mirror(rng, mirror=design, faults=faults)
    fit, result, needed = ef.fit_ellipse(practice.measure(rng, step=5e-3), design), None, rounds + 1
    for number in range(1, rounds + 1):
        learned = None if result is None else result.response
        plan = ef.plan_corrections(fit, practice.mirror, response=learned)
        practice = practice.moved(plan)
        after = ef.fit_ellipse(practice.measure(rng, step=5e-3), practice.mirror)
        result = ef.compare_round(plan, fit, after, history=None if result is None else result.history)
        assert result.mirror == practice.mirror or wrong_handed
        fit = after
        height, tilt = practice.worst()
        inside = height <= HEIGHT and tilt <= TILT
        needed = min(needed, number) if inside else rounds + 1
    return needed


def test_two_rounds_bring_a_mirror_inside() -> None:
    """95 of 100 are asked for after two rounds, all after three. Of 6 mirrors, at 95 %, fewer than 5 are inside once
    in 30 times (binomial); the seeds are fixed."""
    needed = [rounds_needed(seed, segments=8) for seed in range(6)]
    assert sum(number <= 2 for number in needed) >= 5
    assert max(needed) <= 3


@pytest.mark.campaign
def test_95_of_100_mirrors_need_two_rounds_and_all_three() -> None:
    needed = [rounds_needed(seed) for seed in range(100)]
    assert sum(number <= 2 for number in needed) >= 95, needed
    assert max(needed) <= 3, needed


@pytest.mark.campaign
def test_three_wrong_hands_cost_one_round_more() -> None:
    """Not asked for: what a mirror costs on which nobody made test moves."""
    needed = [rounds_needed(seed, wrong_handed=3) for seed in range(30)]
    assert sum(number <= 3 for number in needed) >= 27, needed
