"""The last campaign and the moves since as knowledge: one surface measured twice."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import chi2

from ellipsefit.align import plan_corrections
from ellipsefit.errors import DataError, EllipsefitError, FileFormatError, ParameterError
from ellipsefit.files import read_previous, write_mirror, write_profile
from ellipsefit.files.record import write_fit
from ellipsefit.fit import EllipseFit, Previous, fit_ellipse, previous_campaign
from ellipsefit.mirror import Adjuster, Mirror
from ellipsefit.profile import PlacedProfile, Profile
from tests.fit_cases import Case
from tests.rehearsal import PARAMETERS, Array, ideal_partials, made_profile, segment_columns
from tests.test_fit_uncertainty import matern

CASE = Case(segments=10, pitch=0.9, points=60)
GAIN, BACKLASH, STABLE = 0.05, 1e-6, 0.5e-6


def with_adjusters(mirror: Mirror) -> Mirror:
    """Two adjusters on every segment, 0.3 m apart."""
    segments = tuple(
        replace(
            segment,
            adjusters=tuple(
                Adjuster(name=name, x=segment.middle + side, travel=(-1e-3, 1e-3), backlash=BACKLASH, gain_error=GAIN)
                for name, side in (("U", -0.15), ("D", 0.15))
            ),
        )
        for segment in mirror.segments
    )
    return replace(mirror, segments=segments)


@dataclass(frozen=True)
class Rounds:
    """Two campaigns of one mirror, and what was put in."""

    first: PlacedProfile
    fit: EllipseFit  # of the first
    second: PlacedProfile
    mirror: Mirror  # with its adjusters as they stand at the second
    true: Array  # p, q, theta
    moved: Array  # (J, 2) how the segments were really moved


def rounds(number: int, slip: dict[int, tuple[float, float]] | None = None) -> Rounds:
    """Measure, correct the segments as the fit says, set up anew, measure again; `slip`: moves that went wrong."""
    rng = np.random.default_rng([41, number])
    mirror = with_adjusters(CASE.mirror)
    count = CASE.segments
    true = np.array(CASE.nominal) + rng.normal(size=3) * [5e-3, 5e-3, 10e-6]
    lifts, tilts = rng.normal(0, 5e-6, count), rng.normal(0, 20e-6, count)
    form = rng.normal(size=(count, 2)) * CASE.form_spreads
    surface = form @ CASE.form_columns.T + np.array([CASE._figure(rng) for _ in range(count)])

    def measure(pose: tuple[float, float], lifts: Array, tilts: Array, mirror: Mirror) -> PlacedProfile:
        noise = (surface + CASE.noise * rng.normal(size=surface.shape)).ravel()
        stands: dict[str, Any] = {"pose": pose, "lifts": lifts, "tilts": tilts, "points": 60}
        return made_profile(mirror, [float(v) for v in true], sigma=CASE.noise, noise=noise, **stands)

    first = measure((3e-5, 1e-5), lifts, tilts, mirror)
    fit = fit_ellipse(first, vary=PARAMETERS)
    asked = {(move.segment, move.adjuster): move.move for move in plan_corrections(fit).moves}
    segments, moved = [], np.zeros((count, 2))
    for row, segment in enumerate(mirror.segments):
        moves = np.array([asked[segment.name, adjuster.name] for adjuster in segment.adjusters])
        real = (
            moves * (1 + GAIN * rng.normal(size=2)) + BACKLASH * rng.uniform(-0.5, 0.5, 2) + STABLE * rng.normal(size=2)
        )
        design = np.array([[1.0, -0.15], [1.0, 0.15]])
        moved[row] = np.linalg.solve(design, real) + (slip or {}).get(row, (0.0, 0.0))
        adjusters = tuple(replace(a, position=float(move)) for a, move in zip(segment.adjusters, moves, strict=True))
        segments.append(replace(segment, adjusters=adjusters))
    now = replace(mirror, segments=tuple(segments))
    second = measure((-2e-5, 3e-5), lifts + moved[:, 0], tilts + moved[:, 1], now)
    return Rounds(first=first, fit=fit, second=second, mirror=now, true=true, moved=moved)


def both(case: Rounds, **options: Any) -> EllipseFit:
    previous = previous_campaign(case.first, case.mirror)
    return fit_ellipse(case.second, vary=PARAMETERS, previous=previous, **options)


def test_two_campaigns_are_one_dense_generalized_least_squares_problem() -> None:
    """All points of both rounds at once: surface error and form common to both, noise their own; pose then and now
    free; how segments stood before by their spread, moves by their covariance. Block means lose less than 1 %."""
    case = rounds(0)
    problem = both(case).problem
    at = np.array([*case.true])
    found = problem.posterior(at, (0, 1, 2))[:3, :3]
    n, x, error = len(case.first.x), case.first.x, problem.error
    own = segment_columns(case.first)  # (n, 2 J)
    previous = previous_campaign(case.first, case.mirror)
    factor = previous.factor.reshape(20, -1)
    # unknowns of unit variance: how segments stood, what moves are uncertain by, form
    stood = own * np.tile(problem.spreads, 10)
    moved = own @ factor
    form = np.zeros((n, 20))
    for row in range(10):
        form[case.first.part(row), 2 * row : 2 * row + 2] = CASE.form_columns * problem.form
    random = np.block([[stood, np.zeros_like(moved), form], [stood, moved, form]])
    covariance = random @ random.T + (error.noise * CASE.noise) ** 2 * np.eye(2 * n)
    for row in range(10):
        part = case.first.part(row)
        shape = error.correlated**2 * matern(np.abs(x[part, None] - x[part]), error.length, error.kind)
        for a in (0, n):
            for b in (0, n):
                covariance[a + part.start : a + part.stop, b + part.start : b + part.stop] += shape
    partials = ideal_partials("height", x, at)
    pose, none = np.column_stack([np.ones(n), x]), np.zeros((n, 2))
    design = np.block([[partials, pose, none], [partials, none, pose]])
    rows = np.linalg.solve(np.linalg.cholesky(covariance), design)
    size = np.linalg.norm(rows, axis=0)
    inverse = np.linalg.inv(np.linalg.qr(rows / size, mode="r")) / size[:, None]
    dense = (inverse @ inverse.T)[:3, :3]
    assert_allclose(np.sqrt(np.diag(found) / np.diag(dense)), 1.0, rtol=0, atol=0.01)


def test_corrected_segments_do_not_make_the_second_fit_surer_than_it_is() -> None:
    """12 mirrors, each corrected by its first fit. Segments that were put onto the first result are no random ones:
    alone, the second fit claims too little; with the last campaign its errors are what it states.

    Sum of squares of z over 12 mirrors within the 0.1 % points of chi-squared.
    """
    squares, claims, first = [], [], []
    for number in range(12):
        case = rounds(number)
        fit, alone = both(case), fit_ellipse(case.second, vary=PARAMETERS)
        away = np.array([fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta]) - case.true
        squares.append(away**2 / np.diag(fit.covariance))
        claims.append(np.diag(alone.covariance) / np.diag(fit.covariance))
        assert not fit.prior_checks[0].conflict
        first.append(np.diag(fit.covariance) / np.diag(case.fit.covariance))
    total = np.sum(squares, axis=0)
    assert np.all((chi2.ppf(1e-3, 12) < total) & (total < chi2.ppf(1 - 1e-3, 12)))
    assert np.all(np.sqrt(np.median(claims, axis=0)) < 0.9)
    assert np.all(np.sqrt(np.median(first, axis=0)) < 1.1)  # two campaigns are no worse than one


def test_a_segment_that_does_not_stand_where_the_moves_put_it_is_named_and_not_held() -> None:
    """One slipped by 15 um and 60 urad, 15 to 20 uncertainties of its moves: named with size; the others are held,
    and the ellipse is as right as without the slip."""
    case = rounds(2, slip={3: (15e-6, 60e-6)})
    fit = both(case)
    (check,) = fit.prior_checks
    assert check.conflict
    assert check.p_value < 1e-4
    name = case.mirror.segments[3].name
    (text,) = [text for text in fit.warnings if "moves since" in text]
    assert f"segment {name} stands" in text
    assert fit.problem.moved is not None
    assert fit.problem.moved.unsure == (3,)
    stood = fit_ellipse(case.second, vary=PARAMETERS, segments="free")
    assert_allclose(fit.segments[3].tilt or 0.0, stood.segments[3].tilt or 0.0, rtol=0, atol=20e-6)
    away = np.array([fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta]) - case.true
    assert np.all(np.abs(away) < 3.5 * np.sqrt(np.diag(fit.covariance)))


def test_moves_come_from_positions_with_what_they_are_uncertain_by() -> None:
    """10 um up at U, 4 um down at D, 0.3 m apart: 3 um and -46.7 urad; each uncertain by gain 5 %, backlash of a
    rectangular distribution (width 1 um: 1 / 12**(1/2) um), and 0.5 um of stability; unmoved: stability alone."""
    mirror = with_adjusters(CASE.mirror)
    placed = made_profile(mirror, CASE.nominal)
    first, *others = mirror.segments
    up, down = first.adjusters
    moved = replace(first, adjusters=(replace(up, position=10e-6), replace(down, position=-4e-6)))
    previous = previous_campaign(placed, replace(mirror, segments=(moved, *others)))
    assert_allclose(previous.moves[0], [3e-6, -14e-6 / 0.3], rtol=1e-12)
    assert_allclose(previous.moves[1:], 0, atol=1e-20)
    at = [np.sqrt((0.05 * move) ** 2 + 1e-12 / 12 + 0.25e-12) for move in (10e-6, 4e-6)]
    line = np.array([[0.5, 0.5], [-1 / 0.3, 1 / 0.3]])
    assert_allclose(previous.factor[0] @ previous.factor[0].T, (line * np.square(at)) @ line.T, rtol=1e-12)
    assert_allclose(previous.factor[1] @ previous.factor[1].T, line @ line.T * 0.25e-12, rtol=1e-12, atol=1e-26)


def test_segments_without_adjusters_are_held_at_their_ends() -> None:
    bare = tuple(replace(segment, adjusters=()) for segment in CASE.mirror.segments)
    mirror = replace(CASE.mirror, segments=bare)
    previous = previous_campaign(made_profile(mirror, CASE.nominal), mirror, stability=1e-6)
    length = CASE.mirror.segments[0].length
    size = previous.factor[0] @ previous.factor[0].T
    assert_allclose(size, np.diag([0.5e-12, 2e-12 / length**2]), rtol=1e-12, atol=1e-26)


def test_the_first_round_may_be_slopes_only_with_slopes() -> None:
    case = rounds(1)
    previous = previous_campaign(made_profile(case.mirror, CASE.nominal, quantity="slope"), case.mirror, name="a.h5")
    with pytest.raises(DataError, match=r"a\.h5: has slopes where made has heights"):
        fit_ellipse(case.second, previous=previous)


def test_slopes_know_their_last_campaign_too() -> None:
    """Slopes of one surface, twice, with nothing moved: as sure as once, not root two surer; no conflict."""
    slopes = replace(CASE, quantity="slope")
    simulated = slopes.draw(np.random.default_rng(5))
    again = replace(simulated.placed, values=simulated.placed.values + 1e-8 * np.random.default_rng(6).normal(size=600))
    once = fit_ellipse(simulated.placed, vary=PARAMETERS)
    twice = fit_ellipse(again, vary=PARAMETERS, previous=previous_campaign(simulated.placed, CASE.mirror))
    assert not twice.prior_checks[0].conflict
    assert_allclose(np.sqrt(np.diag(twice.covariance) / np.diag(once.covariance)), 1.0, rtol=0, atol=0.12)


@pytest.mark.parametrize("count", [1, 2])
def test_few_segments_know_their_last_campaign(count: int) -> None:
    """One segment, two segments: converged, and as sure as the first time."""
    case = Case(segments=count, pitch=6.0 / count, points=200)
    simulated = case.draw(np.random.default_rng(5))
    previous = previous_campaign(simulated.placed, case.mirror)
    once = fit_ellipse(simulated.placed, vary=PARAMETERS)
    twice = fit_ellipse(simulated.placed, vary=PARAMETERS, previous=previous)
    assert twice.converged
    assert np.all(np.diag(twice.covariance) < 1.3 * np.diag(once.covariance))
    assert not any(check.conflict for check in twice.prior_checks)


def test_fixed_segments_do_not_move() -> None:
    case = rounds(1)
    with pytest.raises(ParameterError, match="segments must be free or random beside a last campaign"):
        both(case, segments="fixed")


@pytest.mark.parametrize("stability", [0.0, -1e-6, float("nan"), float("inf")])
def test_stability_must_be_positive(stability: float) -> None:
    with pytest.raises(ParameterError, match="stability must be positive"):
        previous_campaign(made_profile(CASE.mirror, CASE.nominal), CASE.mirror, stability=stability)


@pytest.mark.parametrize("key", ["moves", "factor"])
def test_arrays_that_do_not_fit_the_mirror_are_named(key: str) -> None:
    placed = made_profile(CASE.mirror, CASE.nominal)
    arrays: dict[str, Any] = {"moves": np.zeros((10, 2)), "factor": np.zeros((10, 2, 1))}
    for wrong in (arrays[key][:9], arrays[key] + np.nan):
        with pytest.raises(ParameterError, match=f"{key} must be finite, of shape"):
            Previous(placed=placed, **(arrays | {key: wrong}))


def other_mirrors() -> dict[str, Mirror]:
    mirror = with_adjusters(CASE.mirror)
    shifted = replace(mirror.segments[0], end=mirror.segments[0].end - 1e-3)
    bare = replace(mirror.segments[0], adjusters=mirror.segments[0].adjusters[:1])
    return {
        "is not segment": replace(mirror, segments=(shifted, *mirror.segments[1:])),
        "had other adjusters": replace(mirror, segments=(bare, *mirror.segments[1:])),
        "has 10 segments, mirror": replace(mirror, segments=mirror.segments[:-1]),
    }


@pytest.mark.parametrize("what", ["is not segment", "had other adjusters", "has 10 segments, mirror"])
def test_another_mirror_is_refused(what: str) -> None:
    placed = made_profile(with_adjusters(CASE.mirror), CASE.nominal)
    with pytest.raises(DataError, match=what):
        previous_campaign(placed, other_mirrors()[what])


def test_the_file_of_a_fit_is_the_last_campaign(tmp_path: Path) -> None:
    """Written and read back, it gives what the objects give."""
    case = rounds(1)
    write_fit(case.fit, tmp_path / "first.h5")
    read = read_previous(tmp_path / "first.h5", case.mirror)
    direct = previous_campaign(case.fit.placed, case.mirror)
    assert read.name == "first.h5"
    assert_allclose(read.moves, direct.moves, rtol=1e-12)
    assert_allclose(read.placed.values, direct.placed.values, rtol=1e-15)
    found = fit_ellipse(case.second, vary=PARAMETERS, previous=read)
    expected = fit_ellipse(case.second, vary=PARAMETERS, previous=direct)
    assert_allclose(found.covariance, expected.covariance, rtol=1e-9)
    assert found.to_dict()["model"]["previous"] == "first.h5"


def test_what_is_no_campaign_of_this_mirror_is_one_sentence(tmp_path: Path) -> None:
    case = rounds(1)
    write_fit(case.fit, tmp_path / "first.h5")
    write_mirror(case.mirror, tmp_path / "mirror.toml")
    with pytest.raises(DataError, match=r"is of mirror '.*'; expected one of mirror 'Other'"):
        read_previous(tmp_path / "first.h5", replace(case.mirror, name="Other"))
    with pytest.raises(EllipsefitError, match="is no HDF5 file"):
        read_previous(tmp_path / "mirror.toml", case.mirror)
    profile = Profile(name="a", quantity="height", x=case.second.x, values=case.second.values, frame="mirror")
    write_profile(profile, tmp_path / "profile.h5")
    with pytest.raises(FileFormatError, match="holds no campaign; expected a record"):
        read_previous(tmp_path / "profile.h5", case.mirror)


def test_strays_of_the_last_campaign_are_left_out_too() -> None:
    """Three points of the first campaign 20 um off: what both tell of p, q and theta moves by less than the tenth of a
    standard uncertainty that three points of 600 may."""
    case = rounds(3)
    values = case.first.values.copy()
    values[[70, 71, 300]] += 20e-6
    found = [
        fit_ellipse(case.second, vary=PARAMETERS, previous=previous_campaign(first, case.mirror, stability=STABLE))
        for first in (case.first, replace(case.first, values=values))
    ]
    one, two = (np.array([fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta]) for fit in found)
    stderr = np.array([found[0].stderr(name) or 0.0 for name in PARAMETERS])
    assert np.all(np.abs(one - two) < 0.1 * stderr)
