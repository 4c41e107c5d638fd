"""Hypotheses about one round, one by one: densities by differences, shares by Bayes' rule, directions by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import multivariate_normal

from ellipsefit.align.change import LineChange, carrier_map, line_map
from ellipsefit.align.diagnosis import KNOCK_ACROSS, MENTIONED, SURE, Mistake, _Search, _Stance, diagnose
from ellipsefit.align.learning import KNOCK, Done, Knowledge, first_knowledge
from ellipsefit.align.orders import Orders, adjusters_of, shows_direction
from ellipsefit.mirror import Mirror
from tests.loop_cases import orders_for, small_mirror, with_adjusters
from tests.rehearsal import Array

MOVES = np.array([20, -30, 15, 25, -10, 40]) * 1e-6


def change_of(mirror: Mirror, rises: Array, *, freedoms: int = 2, noise: float = 1e-7) -> LineChange:
    names = tuple(segment.name for segment in mirror.segments)
    lines = line_map(mirror, names, freedoms)
    return LineChange(
        quantity="slope" if freedoms == 1 else "height", segments=names, change=lines @ rises,
        covariance=noise**2 * lines @ lines.T + 1e-24 * np.eye(len(lines)), alike=None,
    )  # fmt: skip


def searched(
    mirror: Mirror, moves: Array, rises: Array, *, noise: float = 1e-7, knowledge: Knowledge | None = None
) -> tuple[_Search, _Stance]:
    orders = orders_for(mirror, moves, direct=True)
    search = _Search(knowledge or first_knowledge(mirror), mirror, orders, change_of(mirror, rises, noise=noise))
    return search, _Stance(done=Done.of(mirror, orders.moves), sign=np.ones(len(moves)))


def log_normal(value: Array, mean: Array, covariance: Array) -> float:
    """By scipy, in units in which metres and radians are of one size."""
    size = np.sqrt(np.diag(covariance))
    unit = covariance / np.outer(size, size)
    return float(multivariate_normal(mean / size, unit).logpdf(value / size) - np.log(size).sum())


@pytest.mark.parametrize("freedoms", [1, 2])
def test_the_density_with_backlash_is_that_of_the_model_by_differences(freedoms: int) -> None:
    """Surface = matrix @ (sign * (move - side / 2 backlash - offset)) where a stroke took up all backlash, sign * move
    where it did not, and then half of the backlash more or less: derivatives by all unknowns by central differences,
    exact for a bilinear model; the rest is a sum of independent Gaussians."""
    mirror = with_adjusters(small_mirror(3), resolution=0.0, backlash=4e-6)
    rng = np.random.default_rng(31)
    first = first_knowledge(mirror)
    entries, count = len(first.rows), first.count
    known = replace(
        first, mean=np.concatenate([first.mean[:entries] + rng.normal(0, 0.05, entries),
                                    rng.uniform(2e-6, 6e-6, count), rng.normal(0, 1e-6, count)])
    )  # fmt: skip
    change = change_of(mirror, MOVES, freedoms=freedoms)
    search = _Search(known, mirror, orders_for(mirror, MOVES), change)
    lines = line_map(mirror, change.segments, freedoms)
    carrier = carrier_map(mirror, change.segments, freedoms) * 1e-3
    still = MOVES * [1, 1, 0, 1, 1, 1]
    done = Done(
        move=still, side=np.array([1.0, -1, 0, 1, -1, 1]), settled=np.array([True, True, False, False, True, True])
    )
    reference = None
    for sign in (np.ones(6), np.array([1.0, -1, 1, -1, 1, 1])):

        def surface(unknowns: Array, sign: Array = sign) -> Array:
            matrix = np.zeros((count, count))
            matrix[known.rows, known.columns] = unknowns[:entries]
            backlash, offset = unknowns[entries : entries + count], unknowns[entries + count :]
            lost = np.where(done.settled, done.side / 2 * backlash + offset, 0.0)
            return np.asarray(matrix @ (sign * (done.move - lost)))

        jacobian = np.zeros((count, entries + 2 * count))
        for place in range(jacobian.shape[1]):
            step = np.zeros(jacobian.shape[1])
            step[place] = 0.1 if place < entries else 1e-6
            jacobian[:, place] = (surface(known.mean + step) - surface(known.mean - step)) / (2 * step[place])
        loose = np.where((done.side != 0) & ~done.settled, (known.backlash / 2) ** 2, 0.0)
        rises = jacobian @ known.covariance @ jacobian.T + np.diag(loose) + 0.04e-12 * np.eye(count)
        whole = change.covariance + carrier @ carrier.T + lines @ rises @ lines.T
        expected = log_normal(change.change, lines @ surface(known.mean), whole)
        found = search.density(_Stance(done=done, sign=sign))
        # the normalising constant is the same for all
        reference = found - expected if reference is None else reference
        assert_allclose(found - expected, reference, rtol=0, atol=1e-6)
        assert_allclose(reference, len(lines) / 2 * np.log(2 * np.pi), rtol=1e-6)


def test_a_knock_may_turn_and_roll_a_segment() -> None:
    """50 um at the middle, as much at its ends, and 50 um over 50 mm across, each by itself, in squares."""
    mirror = with_adjusters(small_mirror(2), resolution=0.0, backlash=0.0)
    sides = (("L", 0.1), ("R", -0.1))
    segments = tuple(
        replace(s, adjusters=(s.adjusters[0], *(replace(s.adjusters[1], name=n, y=y) for n, y in sides)))
        for s in mirror.segments
    )
    mirror = replace(mirror, segments=segments)
    moves = np.array([20, -30, 15, 25, -10, 40]) * 1e-6
    for freedoms in (1, 2, 3):
        change = change_of(mirror, moves, freedoms=freedoms)
        search = _Search(first_knowledge(mirror), mirror, orders_for(mirror, moves, direct=True), change)
        start = _Stance(done=search.reference[0].done, sign=np.ones(6))
        knocked = replace(start, done=replace(start.done, knocked=frozenset({"S02"})))
        more = search.reference[2].copy()
        levers = {1: [2 / 0.5], 2: [1.0, 2 / 0.5], 3: [1.0, 2 / 0.5, KNOCK_ACROSS]}[freedoms]
        length = mirror.segments[1].length
        levers = [value * 0.5 / length if n == (freedoms > 1) else value for n, value in enumerate(levers)]
        own = np.arange(freedoms, 2 * freedoms)
        more[own, own] += (KNOCK * np.array(levers)) ** 2
        mean = search.reference[1]
        difference = search.density(knocked) - search.density(start)
        expected = log_normal(change.change, mean, more) - log_normal(change.change, mean, search.reference[2])
        assert_allclose(difference, expected, rtol=1e-6)


def test_all_that_may_have_happened_shares_the_probability() -> None:
    """A screw asked for 20 um went 45, its neighbour anything from -10 to 30: one turned instead of the other, a knock
    of the segment, or swapped. Shares stand in the ratio of rate times density, none is told below its least, and what
    happens to another segment is none of it."""
    mirror = with_adjusters(small_mirror(2), resolution=0.0, backlash=0.0)
    moves = np.array([20e-6, 30e-6, -15e-6, 30e-6])
    knock = Mistake(kind="knocked", screw=("S01", ""))
    knocks = []
    for there in np.linspace(-10e-6, 30e-6, 9):
        search, start = searched(mirror, moves, np.array([45e-6, there, -15e-6, 30e-6]))
        options = {one.mistakes[-1]: one for one in search.additions(start)}
        stance = next(one for what, one in options.items() if what.kind == "not moved")
        assert stance.mistakes[-1].screw == ("S01", "U")
        finding = search.judge(stance, stance.mistakes[-1])
        told = dict(finding.alternatives)
        assert all(share >= MENTIONED for share in told.values())
        assert finding.probability + sum(told.values()) <= 1 + 1e-12
        knocks.append(told.get((knock,), 0.0))
        values = {what[0]: search.value(options[what[0]]) for what in told if len(what) == 1}
        most = max(values, key=lambda what: values[what])
        for what, value in values.items():
            assert_allclose(told[what,] / told[most,], np.exp(value - values[most]), rtol=1e-9)
        assert not any(mistake.screw == ("S02", "") for what in told for mistake in what)
        # the knock itself is judged against all that may have happened at the segment's screws, two at a time as well
        pushed = options[knock]
        judged = search.judge(pushed, knock)
        own = {("S01", "U"), ("S01", "D")}
        pairs = search.pairs(start, own)
        single = [one for what, one in options.items() if {what.screw, what.other} & own]
        all_ = {one.mistakes: search.value(one) for one in (start, pushed, *single, *pairs)}
        most_of_all = max(all_.values())
        total = sum(np.exp(value - most_of_all) for value in all_.values())
        assert_allclose(judged.probability, np.exp(all_[knock,] - most_of_all) / total, rtol=1e-9)
        for mistakes, share in judged.alternatives:
            assert_allclose(share, np.exp(all_[mistakes] - most_of_all) / total, rtol=1e-9)
    assert max(knocks) > 0.5


def test_a_direction_that_was_seen_once_counts_as_seen() -> None:
    """A move of 1 um in 2 um of backlash shows no direction by itself; one that an earlier round showed is known."""
    mirror = with_adjusters(small_mirror(2), resolution=0.0, backlash=2e-6)
    moves = np.array([1e-6, 30e-6, -15e-6, 0.0])
    orders, change = orders_for(mirror, moves, direct=True), change_of(mirror, moves, noise=0.3e-6)
    plain = first_knowledge(mirror)
    assert diagnose(plain, mirror, orders, change).direction == ("unknown", "seen", "seen", "not moved")
    told = plain.with_verified(frozenset({0}))
    assert diagnose(told, mirror, orders, change).direction == ("seen", "seen", "seen", "not moved")
    assert list(told.verified) == [True, False, False, False]


def test_a_screw_whose_direction_is_known_is_turned_the_wrong_way_and_another_is_wrong_handed() -> None:
    """What moved against its order: its hand is in doubt only where no earlier round has shown it. Where it went is
    then known: 'seen' of the one, 'reversed' of the other."""
    mirror = with_adjusters(small_mirror(3), resolution=0.0, backlash=0.0)
    rises = MOVES * [1, 1, -1, 1, 1, 1]
    for verified, kind, word in (
        (frozenset({2}), "turned the wrong way", "seen"),
        (frozenset(), "wrong-handed", "reversed"),
    ):
        known = first_knowledge(mirror).with_verified(verified)
        found = diagnose(known, mirror, orders_for(mirror, MOVES), change_of(mirror, rises))
        (only,) = found.findings
        assert (only.mistake.kind, only.mistake.screw) == (kind, ("S02", "U"))
        assert only.sure
        assert found.direction[2] == word
        assert found.reversed == (frozenset() if verified else frozenset({2}))
        assert_allclose(found.done.move, rises if verified else MOVES)


@pytest.mark.parametrize("place", range(6))
def test_what_may_have_happened_at_one_screw(place: int) -> None:
    """By hand: its hand, forgotten, one of its neighbours turned instead, or swapped with a later one that moves
    otherwise; neighbours stand on the same segment or beside it."""
    mirror = with_adjusters(small_mirror(4), resolution=0.0, backlash=0.0)
    keys = list(adjusters_of(mirror))
    moves = np.array([20, -30, 15, 0, -10, 15, 25, 40]) * 1e-6
    search, start = searched(mirror, moves, moves)
    found = {(o.mistakes[-1].kind, o.mistakes[-1].other) for o in search.single(start, place, list(range(8)))}
    if not moves[place]:
        assert not found
        return
    near = [n for n in range(8) if abs(n // 2 - place // 2) <= 1 and n != place]
    expected = {("wrong-handed", None), ("not moved", None)} | {("wrong screw", keys[n]) for n in near}
    expected |= {("swapped", keys[n]) for n in near if n > place and moves[n] not in (0.0, moves[place])}
    assert found == expected
    for option in search.single(start, place, list(range(8))):
        mistake = option.mistakes[-1]
        other = None if mistake.other is None else keys.index(mistake.other)
        done = moves.copy()
        if mistake.kind in ("not moved", "wrong screw"):
            done[place] = 0.0
        if mistake.kind == "wrong screw":
            assert other is not None
            done[other] += moves[place]
        if mistake.kind == "swapped":
            assert other is not None
            done[[place, other]] = moves[[other, place]]
        assert_allclose(option.done.move, done, rtol=1e-12)
        assert list(np.flatnonzero(option.sign < 0)) == ([place] if mistake.kind == "wrong-handed" else [])
        # and back again
        bare = search.without(option, mistake)
        assert_allclose(bare.done.move, moves)
        assert_allclose(bare.done.side, start.done.side)
        assert np.array_equal(bare.done.settled, start.done.settled)
        assert_allclose(bare.sign, 1.0)
        assert bare.mistakes == ()
    # partners that are taken already are none, and the others stay
    for taken in near:
        rest = search.single(start, place, [n for n in range(8) if n != taken])
        assert {(o.mistakes[-1].kind, o.mistakes[-1].other) for o in rest} == {
            e for e in expected if e[1] != keys[taken]
        }
    assert all(o.mistakes[-1].other is None for o in search.single(start, place, [place]))


def test_mistakes_are_added_where_there_is_none_and_two_explain_one() -> None:
    """A screw that has a mistake gets no other one; segments may be knocked once; a knock is exchanged for two mistakes
    at its own screws, a swap for two at the two; hands are never exchanged."""
    mirror = with_adjusters(small_mirror(3), resolution=0.0, backlash=0.0)
    search, start = searched(mirror, MOVES, MOVES)
    first = next(o for o in search.additions(start) if o.mistakes[-1].kind == "not moved")
    second = search.additions(first)
    taken = first.mistakes[0].screw
    assert all(taken not in (o.mistakes[-1].screw, o.mistakes[-1].other) for o in second)
    assert {o.mistakes[-1].screw[0] for o in second if o.mistakes[-1].kind == "knocked"} == {"S01", "S02", "S03"}
    knocked = next(o for o in search.additions(start) if o.mistakes[-1].screw == ("S02", ""))
    assert knocked.done.knocked == {"S02"}
    assert ("S02", "") not in {o.mistakes[-1].screw for o in search.additions(knocked)}
    assert search.without(knocked, knocked.mistakes[0]).done.knocked == frozenset()
    for option in search.exchanges(knocked):
        assert [m.screw[0] for m in option.mistakes] == ["S02", "S02"]
        assert option.done.knocked == frozenset()
    assert {o.mistakes[0].screw for o in search.exchanges(knocked)} == {("S02", "U"), ("S02", "D")}
    swapped = next(o for o in search.additions(start) if o.mistakes[-1].kind == "swapped")
    two = {swapped.mistakes[0].screw, swapped.mistakes[0].other}
    assert search.exchanges(swapped)
    assert all({m.screw for m in o.mistakes} == two for o in search.exchanges(swapped))
    hand = next(o for o in search.additions(start) if o.mistakes[-1].kind == "wrong-handed")
    assert search.exchanges(hand) == []
    assert [o.mistakes for o in search.removals(second[0])] == [(second[0].mistakes[1],), first.mistakes]


def test_all_hands_are_tried_at_once_where_they_are_not_known() -> None:
    mirror = with_adjusters(small_mirror(3), resolution=0.0, backlash=0.0)
    moves = MOVES * [1, 1, 0, 1, 1, 1]
    for verified, count in ((frozenset[int](), 5), (frozenset({0, 1, 3}), 2), (frozenset({0, 1, 3, 4}), 0)):
        known = first_knowledge(mirror).with_verified(verified)
        search, start = searched(mirror, moves, moves, knowledge=known)
        assert search.unseen == 5 - len(verified)
        found = search.all_reversed(start)
        if not count:
            assert found == []
            continue
        (one,) = found
        assert len(one.mistakes) == count == (one.sign < 0).sum()
        assert set(np.flatnonzero(one.sign < 0)) == {0, 1, 3, 4, 5} - verified


def test_a_round_that_nobody_can_read_is_left_as_asked() -> None:
    """Noise of a millimetre: nothing is found, and no direction is known."""
    mirror = with_adjusters(small_mirror(2), resolution=0.0, backlash=0.0)
    moves = np.array([20e-6, 30e-6, -15e-6, 30e-6])
    orders: Orders = orders_for(mirror, moves)
    found = diagnose(first_knowledge(mirror), mirror, orders, change_of(mirror, -moves, noise=1e-3))
    assert found.findings == ()
    assert found.direction == ("unknown",) * 4
    assert 0.5 < SURE < 1


def test_a_move_of_five_times_the_backlash_shows_its_direction() -> None:
    """To the picometre that rounding of micrometres leaves."""
    screw = next(iter(adjusters_of(with_adjusters(small_mirror(1), backlash=2e-6)).values()))
    assert shows_direction(10e-6, screw)
    assert shows_direction(-5 * 2e-6, screw)
    assert not shows_direction(9.99e-6, screw)
    assert not shows_direction(-9.99e-6, screw)
    assert shows_direction(1e-9, replace(screw, backlash=0.0))
