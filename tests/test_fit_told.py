"""What a fit tells of what it held, of what does not belong, of slips, and of how sure all that is."""

from __future__ import annotations

import dataclasses
import re
from dataclasses import replace
from types import SimpleNamespace
from typing import Any, Literal

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import cumulative_trapezoid
from scipy.stats import norm

from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.fit import Prior, fit_ellipse
from ellipsefit.fit import ellipse_fit as room
from ellipsefit.fit.campaigns import MovedSince, Previous, both_campaigns, previous_campaign
from ellipsefit.fit.conflict import _misplaced
from ellipsefit.fit.effects import UNTOLD, segment_effects
from ellipsefit.fit.ellipse_fit import _focus_shift, _held_note, _oddities, prepare_problem
from ellipsefit.fit.figure_uncertainty import left_by_fit
from ellipsefit.fit.freedom import _bends, spread_cost, surface_likelihood
from ellipsefit.fit.lmfit_bridge import ellipse_parameters
from ellipsefit.fit.reduction import reduce_profile
from ellipsefit.fit.result import FOCI, Pose, _derived
from ellipsefit.fit.robust import (
    MOST,
    MOST_NORMAL,
    NORMAL_MAD,
    _flat,
    _running_median,
    _scatter,
    _strays,
    knocked_segments,
)
from ellipsefit.fit.surface_error import SurfaceLikelihood
from ellipsefit.mirror import Measurement
from ellipsefit.rows import number, stated, with_uncertainty
from tests.fit_cases import Case
from tests.rehearsal import PARAMETERS, Array, even_mirror, made_profile
from tests.test_fit_exact import TRUE, white

UNITS = {"m": 1.0, "mm": 1e-3, "um": 1e-6, "mrad": 1e-3, "urad": 1e-6, "nrad": 1e-9}


@pytest.mark.parametrize("held", [0, 1, 2])
def test_a_held_parameter_says_how_the_others_follow(held: int) -> None:
    """Refits with it held a little lower and higher: the change of each other per metre, or per milliradian."""
    problem = prepare_problem(white(noise=1e-8), segments="free", residual="white")
    start = np.array(TRUE)
    varied = tuple(index for index in range(3) if index != held)
    parameters, _ = problem.solve(start, varied)
    step = np.zeros(3)
    step[held] = 1e-4 * TRUE[held]
    up, down = (problem.solve(start + sign * step, varied)[0] for sign in (1, -1))
    follow = (up - down)[list(varied)] / (2 * step[held]) * (1e-3 if held == 2 else 1.0)
    text = _held_note(problem, parameters, held, 0.02 * TRUE[held], varied)
    assert f"{PARAMETERS[held]} is held at nominal, " in text
    assert "(2 %), above 1 % of its value; known is the combination " in text
    said = re.findall(r"(\w+) = [\d.]+ m?(?:rad)? ([+-][\d.]+) (\w+) per (m|mrad) of", text)
    assert [name for name, *_ in said] == [PARAMETERS[index] for index in varied]
    assert {unit for *_, unit in said} == {"mrad" if held == 2 else "m"}
    # three digits are printed
    assert_allclose([float(value) * UNITS[unit] for _, value, unit, _ in said], follow, rtol=6e-3)
    alone = _held_note(problem, parameters, held, np.inf, ())
    assert "its standard uncertainty would be beyond any use, above 1 % of its value" in alone
    assert "known" not in alone
    assert "(999 %)" in _held_note(problem, parameters, held, 9.99 * float(parameters[held]), ())
    assert "beyond any use" in _held_note(problem, parameters, held, 10 * float(parameters[held]), ())


def test_second_derivatives_of_what_is_not_zero_at_zero() -> None:
    """cos(a) cosh(2 b) + 3 a b: [[-1, 3], [3, 4]]; central differences of 0.08 leave (0.08)**2 / 12 of the fourth."""
    found = _bends(lambda v: np.array([np.cos(v[0]) * np.cosh(2 * v[1]) + 3 * v[0] * v[1]]), 2)
    assert_allclose(found[:, :, 0], [[-1, 3], [3, 4]], rtol=0.01)


def test_segments_measured_alike_are_factored_once() -> None:
    """Six on one grid with one weight are one group, wherever they stand; another grid or weight is another."""
    placed = white(points=60)

    def groups(**changed: Any) -> list[int]:
        reduction = reduce_profile(replace(placed, **changed))
        own = list(segment_effects(reduction).own)
        found = SurfaceLikelihood(reduction, np.zeros(len(reduction.nodes)), reduction.partials(Ellipse(*TRUE)), own)
        return sorted(len(group.columns) for group in found.groups)

    assert groups() == [6]
    assert placed.sigma is not None
    doubled = placed.sigma.copy()
    doubled[60:180] *= 2
    assert groups(sigma=doubled) == [2, 4]
    moved = placed.x.copy()
    moved[300:360] += 1e-4 * np.sin(np.arange(60))
    assert groups(x=moved) == [1, 5]


def test_what_points_are_unsure_of_beside_their_noise_grows_with_the_scale() -> None:
    """Twice the standard uncertainties, four times the covariance; what the points share is told apart."""
    placed = white(count=8, points=40)
    problem = prepare_problem(placed, segments="random", residual="white", spread_height=5e-6, spread_tilt=2e-5)
    arguments: Any = {"how": Measurement(), "own_columns": 0, "noise": 1.0}
    one, two = (
        left_by_fit(replace(problem, scale=scale), np.array(TRUE), (0, 1, 2), **arguments) for scale in (1.0, 2.0)
    )
    assert one is not None
    assert two is not None
    assert_allclose(two.unsure, 4 * one.unsure, rtol=1e-12)
    assert_allclose(one.unsure, problem.posterior(np.array(TRUE), (0, 1, 2)), rtol=1e-9)
    assert one.starts == {
        number: sum(len(p.block_x) for p in problem.reduction.segments[:number]) for number in range(8)
    }


def test_a_patch_is_dirt_from_a_fiftieth_of_the_points() -> None:
    """Two of what were a hundred points are a fiftieth, no dirt; three are; of each segment by its own count."""
    placed = white(points=100, count=3)
    problem: Any = SimpleNamespace(loose=(2,))
    left = replace(placed, bounds=np.array([0, 98, 195, 295]), x=placed.x[:295], values=placed.values[:295], sigma=None)
    found = _oddities(left, left, {"S01": 2, "S02": 3}, problem, 1e-9 * np.sin(np.arange(295.0) ** 2))
    assert found.strays == {"S01": 2, "S02": 3}
    assert found.dirty == ("S02",)
    assert found.knocked == ("S03",)


def test_the_last_campaign_is_one_of_the_earlier_rounds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Compared with for slips once, whether it is named among them or not, as the last."""
    placed = white()
    other = replace(placed, values=placed.values + 1e-9)
    previous = Previous(placed=placed, moves=np.zeros((6, 2)), factor=np.full((6, 2, 1), 1e-6), name="last")
    asked: list[list[str]] = []

    def rounds(_: Any, earlier: Any) -> list[Any]:
        asked.append([name for name, _ in earlier])
        return []

    monkeypatch.setattr(room, "check_rounds", rounds)
    options: Any = {"vary": (), "residual": "white", "segments": "free"}
    fit_ellipse(placed, previous=previous, **options)
    fit_ellipse(placed, previous=previous, earlier=[("old", other)], **options)
    fit_ellipse(placed, previous=previous, earlier=[("old", other), ("then", placed)], **options)
    fit_ellipse(placed, earlier=[("old", other)], **options)
    fit_ellipse(placed, **options)
    assert asked == [["last"], ["old", "last"], ["old", "then"], ["old"]]


def test_what_is_held_has_no_uncertainty_and_says_so_on_screen() -> None:
    """p held because it was asked: it is known, so the source is where the pose puts it; the table calls it held."""
    fit = fit_ellipse(white(), vary=("q", "theta"), segments="free", residual="white")
    table = fit.rows()[0]
    assert table.header == ("", "fitted", "nominal", "difference")
    assert table.cells[0][3] == "held"
    assert "held" not in table.cells[1][3]
    assert fit.focus.source_along_stderr is not None
    assert fit.stderr("p") is None
    assert fit.to_dict()["ellipse"]["p_stderr"] is None
    assert fit.to_dict()["ellipse"]["varied"] == ["q", "theta"]


def test_monte_carlo_refits_what_was_varied() -> None:
    """About what was found, one column each, in the order of p, q, theta."""
    fit = fit_ellipse(
        white(), vary=("q", "theta"), segments="free", residual="white",
        priors=(Prior(weights=(0.0, 1.0, 0.0), value=10.0, stderr=1e-3),),
    )  # fmt: skip
    draws = fit.monte_carlo(400, np.random.default_rng(3))
    assert draws.shape == (400, 2)
    size: Array = np.array([fit.stderr("q") or 0.0, fit.stderr("theta") or 0.0]) / fit.problem.scale
    assert_allclose(draws.mean(axis=0), [fit.ellipse.q, fit.ellipse.theta], rtol=0, atol=4 * size.max() / 20)
    assert_allclose(draws.std(axis=0), size, rtol=4 / np.sqrt(800))


def test_a_mirror_as_long_to_source_as_to_image_holds_the_source_first() -> None:
    """Too short to tell p and q apart: of two equal ones p is held, of unequal ones the longer."""
    for nominal, held in (((10.0, 10.0, 0.01), "p"), ((10.0, 10.5, 0.01), "q"), ((10.5, 10.0, 0.01), "p")):
        mirror = even_mirror(Ellipse(*nominal), count=1, pitch=0.3, gap=0)
        noise = 5e-8 * np.random.default_rng(1).normal(size=100)
        fit = fit_ellipse(made_profile(mirror, nominal, points=100, noise=noise, sigma=5e-8), residual="white")
        assert held not in fit.varied
        assert any(text.startswith(f"{held} is held at nominal") for text in fit.warnings)


def arrays_in(item: Any, kinds: tuple[str, ...], found: dict[str, Array], seen: set[int]) -> None:
    """Arrays of dataclasses of these names, anywhere below."""
    if id(item) in seen:
        return
    seen.add(id(item))
    if dataclasses.is_dataclass(item):
        for entry in dataclasses.fields(item):
            value = getattr(item, entry.name)
            if isinstance(value, np.ndarray) and type(item).__name__ in kinds:
                found[f"{type(item).__name__}.{entry.name}"] = value
            arrays_in(value, kinds, found, seen)
    elif isinstance(item, tuple | list):
        for one in item:
            arrays_in(one, kinds, found, seen)


def test_no_array_of_a_result_can_be_changed() -> None:
    """Nor any of what it rests on, which later steps read again."""
    placed = white()
    segments = tuple(replace(s, form=(1e-8, 0.0), form_uncertainty=(1e-9, 1e-9)) for s in placed.mirror.segments)
    placed = replace(placed, mirror=replace(placed.mirror, segments=segments))
    previous = Previous(placed=placed, moves=np.zeros((6, 2)), factor=np.full((6, 2, 1), 1e-6))
    fit = fit_ellipse(placed, vary=(), segments="free", residual="white")
    found: dict[str, Array] = {}
    kinds = ("EllipseFit", "FocusShift", "SegmentMoments", "ShopForm", "Previous", "LeastSquaresSolution")
    _, solution = fit.problem.solve(np.array(TRUE), (0, 1, 2))
    arrays_in([fit, previous, solution], kinds, found, set())
    assert {name.split(".")[0] for name in found} == set(kinds)
    whole = {name for name, array in found.items() if array.flags.writeable}
    assert whole <= {"EllipseFit.jackknife", "ShopForm.rows", "ShopForm.known"}
    assert len(found) > 20


def test_spreads_that_rounding_hides_are_no_estimates(monkeypatch: pytest.MonkeyPatch) -> None:
    """A likelihood that is no number there tells nothing of how well they are known: no freedom is spent on them."""
    problem = prepare_problem(white(count=8), residual="white")
    both: Any = {"spreads_estimated": (True, True)}
    assert np.isfinite(spread_cost(problem, np.array(TRUE), **both).freedom)
    monkeypatch.setattr(
        "ellipsefit.fit.freedom.spread_likelihood", lambda *_, **__: (lambda spread: (UNTOLD, 0 * spread), None)
    )
    untold = spread_cost(problem, np.array(TRUE), **both)
    assert (untold.freedom, untold.inflation, untold.scale) == (np.inf, 1.0, 1.0)


def test_a_problem_whose_spreads_are_known_is_sure_of_its_uncertainties() -> None:
    case = Case(segments=5, points=20)
    problem = case.known_problem(case.draw(np.random.default_rng(1)))
    assert (problem.scale, problem.freedom, problem.apart) == (1.0, np.inf, None)
    assert surface_likelihood(problem, np.array(case.nominal)) is None


@pytest.mark.parametrize("r", [1, 2])
def test_a_segment_elsewhere_is_told_with_the_sign_of_how_far(r: int) -> None:
    """What its unknowns of the moves make of it: one unknown of 3 um and 4 urad by two thirds of that."""
    factor = np.zeros((2, r, 4))
    factor[1, :, 1] = [3e-6, -4e-6][-r:]
    moved = MovedSince(
        moves=np.zeros((2, r)), factor=factor, sizes={"stitching": 1, "moves since the last campaign": 2, "pose": 1}
    )
    problem: Any = SimpleNamespace(moved=moved, scale=2.0, freedom=np.inf)
    text = _misplaced(problem, np.array([1 / 3, 9.0]), 1, "S02")
    assert text == ("S02 stands +2.00 um and -2.67 urad off" if r == 2 else "S02 stands -2.67 urad off")


@pytest.mark.parametrize(("count", "known", "found"), [(4, 0, False), (5, 0, True), (9, 5, False), (9, 4, True)])
def test_form_is_looked_for_from_five_segments_on(count: int, known: int, found: bool) -> None:
    """Form of 2 um, plain to see; of those whose form the shop gives none is looked for."""
    case, rng = Case(segments=count, points=40, form=0.0), np.random.default_rng(3)

    def spoil(added: Array) -> None:
        added[known:] += rng.normal(0, 2e-6, (count - known, 2)) @ case.form_columns.T

    placed = case.draw(rng, spoil).placed
    segments = tuple(
        replace(one, form=(0.0, 0.0), form_uncertainty=(1e-6, 1e-6)) if number < known else one
        for number, one in enumerate(placed.mirror.segments)
    )
    placed = replace(placed, mirror=replace(placed.mirror, segments=segments))
    problem = prepare_problem(placed, segments="free")
    assert len(problem.form) == (2 if found else 0)
    assert problem.apart is (count >= 5)
    white_ = prepare_problem(placed, segments="free", residual="white")
    assert (white_.form, white_.apart) == ((), None)
    if found:
        assert_allclose(problem.form, 2e-6, rtol=0.9)


KEYS = tuple(f"{name}_{key}" for name in ("image", "source") for key in ("dx", "dz", "along", "across"))


@pytest.mark.parametrize("heights", [True, False])
@pytest.mark.parametrize("held", [(), (0,), (1,), (2,), (0, 2)])
def test_what_of_the_foci_is_known_and_how_sure(held: tuple[int, ...], heights: bool) -> None:
    """A focus whose distance the data do not tell has no uncertainty, nor has anything vertical without theta; without
    the pose's height (of slopes) the vertical is not known at all. Where all is known, by differences."""
    varied = tuple(index for index in range(3) if index not in held)
    r = 2 if heights else 1
    root = np.random.default_rng(1).normal(size=(len(varied) + r, len(varied) + r)) * 1e-4
    nominal, ellipse = Ellipse(*TRUE), Ellipse(20.01, 9.98, 0.0121)
    state: Any = SimpleNamespace(varied=varied, covariance=root @ root.T)
    state.stderr = lambda maps: np.sqrt(np.diag(maps @ state.covariance @ maps.T))
    pose = Pose(height=3e-4 if heights else None, tilt=2e-4, height_stderr=None, tilt_stderr=0.0)
    pose_map = np.eye(len(varied) + r)[len(varied) :]
    found, outputs = _focus_shift(nominal, ellipse, pose, state, pose_map, held)
    for key in KEYS:
        vertical = key.endswith(("dz", "across"))
        known = heights or not vertical
        own = 1 if key.startswith("image") else 0
        sure = known and own not in held and not (vertical and 2 in held)
        assert (getattr(found, key) is not None) is known
        assert (getattr(found, f"{key}_stderr") is not None) is sure
        assert (key in outputs) is (sure and key.endswith(("along", "across")))

    def places(v: Array) -> Array:
        p, q, theta, height, tilt = v
        turn = np.exp(1j * tilt)
        image = turn * q * np.exp(1j * theta) + 1j * height - TRUE[1] * np.exp(1j * TRUE[2])
        source = -turn * p * np.exp(-1j * theta) + 1j * height + TRUE[0] * np.exp(-1j * TRUE[2])
        shifts = []
        for shift, ray in ((image, np.exp(1j * TRUE[2])), (source, np.exp(-1j * TRUE[2]))):
            turned = shift / ray
            shifts += [shift.real, shift.imag, turned.real, turned.imag]
        return np.array(shifts)

    at = np.array([20.01, 9.98, 0.0121, 3e-4 if heights else 0.0, 2e-4])
    assert_allclose([getattr(found, key) or 0.0 for key in KEYS], np.where(
        [getattr(found, key) is not None for key in KEYS], places(at), 0.0), rtol=1e-9, atol=1e-15)  # fmt: skip
    columns = [*varied, *range(5 - r, 5)]
    slopes = np.column_stack([(places(at + d) - places(at - d)) / 2e-6 for d in np.eye(5)[columns] * 1e-6])
    stderr = np.sqrt(np.diag(slopes @ state.covariance @ slopes.T))
    for key, expected in zip(KEYS, stderr, strict=True):
        one = getattr(found, f"{key}_stderr")
        assert one is None or one == pytest.approx(expected, rel=1e-5)
    told_of = [getattr(found, f"{key}_stderr") is not None for key in FOCI]
    assert list(np.isfinite(np.diag(found.covariance))) == told_of
    if all(told_of):
        assert_allclose(found.covariance, (slopes @ state.covariance @ slopes.T)[np.ix_([0, 1, 4, 5], [0, 1, 4, 5])],
                        rtol=1e-5, atol=1e-18)  # fmt: skip
        size = np.sqrt(np.diag(found.covariance))
        assert_allclose(found.correlation, found.covariance / np.outer(size, size), rtol=1e-12)
    told = found.to_dict()
    assert [row[place] is None for place, row in enumerate(told["covariance"])] == [not one for one in told_of]
    assert told["covariance_order"] == list(FOCI)


def test_a_budget_is_of_p_q_theta_and_the_places_of_the_foci() -> None:
    """Largest effect on the image across first, or on the first result where that is not known."""
    names = {"image_along", "image_across", "source_along", "source_across"}
    options: Any = {"segments": "free", "residual": "white"}
    placed = white()
    mirror = replace(placed.mirror, measurement=Measurement(x_uncertainty=2e-3, gain_uncertainty=1e-4))
    for quantity, missing in (("height", set()), ("slope", {"image_across", "source_across"})):
        measured = replace(white(quantity=quantity), mirror=mirror)  # type: ignore[arg-type]  # one of the words that it takes
        budget = fit_ellipse(measured, vary=PARAMETERS, **options).budget
        assert set(budget.combined) == {*PARAMETERS, *names} - missing
        first = [item.results["image_across" if quantity == "height" else "p"] for item in budget.contributions]
        assert first == sorted(first, reverse=True)
        assert len(first) == 3
        for name, combined in budget.combined.items():
            assert_allclose(np.hypot.reduce([i.results[name] for i in budget.contributions]), combined, rtol=1e-6)
    nothing = fit_ellipse(white(quantity="slope", count=1), vary=(), **options).budget
    assert set(nothing.combined) == names - {"image_across", "source_across"}


# ------------------------------------------------------------------ constants that published tables give


def test_factors_of_robust_scatter_are_those_of_the_normal_law() -> None:
    """A normal variable lies within 1.0364 (70 %) and within 1/1.4826 (half) standard deviations of zero."""
    assert_allclose(2 * norm.cdf(MOST_NORMAL) - 1, 0.7, rtol=1e-12)
    assert MOST == 0.7
    assert_allclose(2 * norm.cdf(1 / NORMAL_MAD) - 1, 0.5, rtol=1e-12)


@pytest.mark.parametrize(("count", "limit"), [(6, 31.599), (8, 12.924), (10, 8.610), (12, 6.869), (20, 6.0)])
def test_few_segments_are_knocked_by_students_t(count: int, limit: float) -> None:
    """The 0.05 % points of Student's t of n/2 - 1 degrees of freedom (2 to 5; any textbook's table), 6 at least."""
    tilts = norm.ppf((np.arange(count) + 0.5) / count)[:, None] * 1e-5
    tilts -= np.median(tilts)
    for share, named in ((0.97, ()), (1.03, (count - 1,))):
        one = tilts.copy()
        one[-1] = 1.0
        scale = NORMAL_MAD * np.median(np.abs(one - np.median(one))) * count / (count - 1)
        one[-1] = np.median(one) + share * limit * scale
        found = knocked_segments(one, np.ones((count, 1)))
        # least absolute deviations put the pose anywhere between the two middle values
        middle = np.sort(one.ravel())[[count // 2 - 1, count // 2]]
        if np.ptp(middle) < 0.02 * limit * scale:
            assert tuple(found) == named


def test_a_point_strays_from_seven_deviations_on() -> None:
    """Beyond the running median of its neighbours, in robust standard deviations of all distances from it."""
    x, rng = np.linspace(0, 1, 400), np.random.default_rng(2)
    noise = rng.normal(size=400)
    flat = _flat(x, noise)
    scatter = _scatter(flat, np.abs(flat - _running_median(flat)))
    for size, far in ((6.7, False), (7.3, True)):
        one = noise.copy()
        one[200] = _running_median(flat)[200] + (noise - flat)[200] + size * scatter
        assert _strays(x, one, np.inf)[200] == far
        assert _strays(x, one, 0.9 * scatter)[200]  # a block that is rougher than others is judged by these
    assert not _strays(x, noise, np.inf).any()
    assert not _strays(x[:29], 1e3 * noise[:29] ** 9, 1e-9).any()  # too few
    assert _strays(x[:30], np.where(np.arange(30) == 15, 1.0, 1e-3 * noise[:30]), np.inf)[15]


def test_parameters_for_lmfit_are_bounded_as_the_fit_bounds_them() -> None:
    """From a twentieth of the nominal, theta to twenty times it and below a right angle."""
    placed = white()
    found = ellipse_parameters(placed.mirror)
    for name, value in zip(PARAMETERS, TRUE, strict=True):
        assert (found[name].value, found[name].vary) == (value, True)
        assert_allclose(found[name].min, value / 20, rtol=1e-12)
        assert found[name].max == (np.inf if name != "theta" else 20 * 0.012)
    steep = replace(placed.mirror, nominal=Ellipse(20.0, 10.0, 0.5))
    assert ellipse_parameters(steep)["theta"].max == 1.57


def test_an_adjuster_holds_its_place_to_half_a_micrometre_if_nothing_is_said() -> None:
    """Common practice; at both ends of a segment without any, the lever rule."""
    placed = white()
    bare = tuple(replace(segment, adjusters=()) for segment in placed.mirror.segments)
    placed = replace(placed, mirror=replace(placed.mirror, segments=bare))
    found = previous_campaign(placed, placed.mirror)
    length = placed.mirror.segments[0].length
    covariance = found.factor[0] @ found.factor[0].T
    assert_allclose(np.diag(covariance), [0.5e-6**2 / 2, 2 * 0.5e-6**2 / length**2], rtol=1e-9)


def test_what_follows_is_shown_as_held_or_with_its_uncertainty() -> None:
    assert _derived(None, None, "length") == with_uncertainty(None, None, "length")
    assert _derived(2e-3, 1e-4, "length") == with_uncertainty(2e-3, 1e-4, "length")
    assert _derived(2e-3, None, "length") == number(2e-3, "length") + " (held)"
    assert _derived(2e-3, 0.0, "length") == number(2e-3, "length")
    assert stated(2e-8, 1e-9, "length", unit="nm") == with_uncertainty(2e-8, 1e-9, "length", unit="nm")
    assert stated(2e-8, None, "length", unit="nm") == stated(2e-8, 0.0, "length", unit="nm") == "20.0 nm"


def test_an_ellipse_is_judged_by_its_expanded_uncertainty(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whether it can be the nominal one, within 95.45 %; a fit that has not converged is not judged."""
    asked: list[dict[str, float]] = []

    def check(_: Any, ellipse: Ellipse, unsure: dict[str, float]) -> list[Any]:
        asked.append(unsure)
        return []

    monkeypatch.setattr(room, "check_ellipse", check)
    fit = fit_ellipse(white(count=8), vary=("p", "theta"), residual="white")
    expected = {name: fit.coverage_factor * (fit.stderr(name) or 0.0) for name in ("p", "theta")}
    assert list(asked[0]) == ["p", "theta"]
    assert_allclose(list(asked[0].values()), list(expected.values()), rtol=1e-9)


def test_slopes_spread_in_height_as_usual() -> None:
    """They do not tell it; what else asks for it is given 5 um, whatever tilts do."""
    for tilt in (None, 3e-5):
        problem = prepare_problem(white(quantity="slope"), residual="white", spread_tilt=tilt)
        assert problem.spreads[0] == 5e-6
        assert tilt is None or problem.spreads[1] == tilt


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_errors_measured_closer_together_are_steeper_and_sum_up_to_less(quantity: Literal["height", "slope"]) -> None:
    """A wave whose places are squeezed by 1e-3: its slope by numpy's gradient grows, its integral by the trapezium rule
    shrinks, by as much; a gain changes both."""
    x = np.linspace(0, 1, 2001)
    wave, squeezed = np.sin(20 * x), x / (1 + 1e-3)
    steeper = np.std(np.gradient(wave, squeezed)) / np.std(np.gradient(wave, x)) - 1
    lower = np.std(cumulative_trapezoid(wave, squeezed)) / np.std(cumulative_trapezoid(wave, x)) - 1
    problem = prepare_problem(white(count=6, quantity=quantity), segments="free", residual="white")
    how = Measurement(x_scale_uncertainty=1e-3, gain_uncertainty=2e-4)
    left = left_by_fit(problem, np.array(TRUE), (0, 1, 2), how, own_columns=0, noise=1.0)
    assert left is not None
    heights, slopes = (0.0, steeper) if quantity == "height" else (lower, 0.0)
    assert_allclose(left.gains, np.array([[heights, 2e-4], [slopes, 2e-4]], dtype=float), rtol=2e-3)
    assert left.shared.shape[1] == 2


def test_scatter_within_blocks_of_both_campaigns_adds_up() -> None:
    """Thousands of points, many in a block: sums of squares and degrees of freedom, the first ones' by their weight."""
    first, second = white(points=900, count=2), white(points=700, count=2, seed=3)
    then, now = reduce_profile(first), reduce_profile(second)
    previous = Previous(placed=first, moves=np.zeros((2, 2)), factor=np.zeros((2, 2, 1)))
    merged, _ = both_campaigns(now, then, segment_effects(now), previous, weight=0.25)
    for whole, a, b in zip(merged.segments, now.segments, then.segments, strict=True):
        assert min(a.within, b.within) > 0
        assert_allclose(whole.within, a.within + 0.25 * b.within, rtol=1e-12)
        assert whole.within_freedom == a.within_freedom + b.within_freedom


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_tables_show_signs_units_and_what_is_unknown(quantity: Literal["height", "slope"]) -> None:
    """Cell by cell as `rows` prints a number: differences with the uncertainty, segments in um, urad and nm."""
    fit = fit_ellipse(white(quantity=quantity), vary=("p", "theta"), segments="free", residual="white")
    ellipse, segments, figure, focus = fit.rows()
    assert ellipse.title == f"Ellipse of {fit.mirror.name}"
    nominal = fit.mirror.nominal
    p, theta, pose = fit.ellipse.p, fit.ellipse.theta, fit.pose
    assert ellipse.cells == (
        ("source distance p", with_uncertainty(p, fit.stderr("p"), "length"), number(nominal.p, "length", digits=6),
         with_uncertainty(p - nominal.p, fit.stderr("p"), "length")),
        ("image distance q", with_uncertainty(fit.ellipse.q, None, "length"), number(10.0, "length", digits=6), "held"),
        ("grazing angle θ", with_uncertainty(theta, fit.stderr("theta"), "angle"), number(0.012, "angle", digits=6),
         with_uncertainty(theta - nominal.theta, fit.stderr("theta"), "angle")),
        ("pose: height", _derived(pose.height, pose.height_stderr, "length"), "0 um", ""),
        ("pose: tilt", with_uncertainty(pose.tilt, pose.tilt_stderr, "angle"), "0 urad", ""),
    )  # fmt: skip
    assert ellipse.notes == tuple(f"Note: {text}" for text in fit.warnings)
    for row, one in zip(segments.cells, fit.segments, strict=True):
        assert row == (
            one.name, stated(one.height, one.height_stderr, "length", unit="um"),
            stated(one.tilt, one.tilt_stderr, "angle", unit="urad"),
            with_uncertainty(one.height_error_rms, one.height_error_rms_stderr, "length", unit="nm"),
            with_uncertainty(one.slope_error_rms, one.slope_error_rms_stderr, "angle", unit="urad"),
        )  # fmt: skip
    assert [row[2] for row in figure.cells] == [
        fit.figure.told("height_error_pv"), fit.figure.told("slope_error_pv"), "", ""
    ]  # fmt: skip
    assert [row[0] for row in focus.cells] == [
        "image focus, along the chief ray", "image focus, across the chief ray",
        "source focus, along the chief ray", "source focus, across the chief ray",
    ]  # fmt: skip
    shift = fit.focus
    assert focus.cells[0][1] == with_uncertainty(shift.image_along, shift.image_along_stderr, "length")
    lost = replace(fit, converged=False)
    assert lost.rows()[0].title == f"Ellipse of {fit.mirror.name}: NOT CONVERGED, these are the last values tried"
    told = fit.to_dict()
    assert told["model"]["correlation_length"] is None
    assert told["model"]["degrees_of_freedom"] is None
    rough = replace(fit.settings.surface_error, correlated=1e-8, length=0.05)
    other = replace(fit, settings=replace(fit.settings, surface_error=rough, freedom=12.0)).to_dict()["model"]
    assert (other["correlation_length"], other["degrees_of_freedom"]) == (0.05, 12.0)
    arrays = {one.name: one for one in fit.arrays()}
    assert [name for name, one in arrays.items() if one.coordinate] == ["x", "segment", "parameter"]
    assert arrays[quantity].unit == arrays["residual"].unit == ("m" if quantity == "height" else "rad")


def test_strays_are_left_out_of_a_correlated_fit_alone() -> None:
    """White: every point counts, as whoever asks for it wants. The other's result is of the points that are left."""
    placed = white(points=100, count=2)
    values = placed.values.copy()
    values[[50, 150]] += 5e-6
    spoilt = replace(placed, values=values)
    for residual, count in (("white", 200), ("correlated", 198)):
        fit = fit_ellipse(spoilt, vary=(), residual=residual)  # type: ignore[arg-type]  # one of the words that it takes
        assert fit.placed.count == len(fit.residual) == count
        assert fit.oddities.strays == ({} if count == 200 else {"S01": 1, "S02": 1})


def test_one_segment_may_be_fixed_beside_its_last_campaign() -> None:
    """It has no misplacement that moves could change; of two it is refused."""
    for count in (1, 2):
        placed = white(points=40, count=count)
        previous = Previous(placed=placed, moves=np.zeros((count, 2)), factor=np.full((count, 2, 1), 1e-6))
        options: Any = {"segments": "fixed", "residual": "white", "previous": previous}
        if count == 1:
            assert prepare_problem(placed, **options).model == "fixed"
        else:
            with pytest.raises(ParameterError, match="segments must be free or random beside a last campaign"):
                prepare_problem(placed, **options)


def test_two_campaigns_are_weighed_by_their_noise_and_keep_what_was_estimated_first() -> None:
    """The first one's points weigh by the square of now over then; its spreads, form and freedom are those in use."""
    now, then = white(points=60, count=6, noise=1e-7), white(points=60, count=6, noise=1e-7, seed=2)
    assert then.sigma is not None
    then = replace(then, sigma=then.sigma / 3, values=now.values + 0 * then.values)
    rng = np.random.default_rng(1)
    then = replace(then, values=then.values + 3e-8 * rng.normal(size=then.count))
    previous = Previous(placed=then, moves=np.zeros((6, 2)), factor=np.full((6, 2, 1), 1e-6))
    one, first = (prepare_problem(placed, residual="white", segments="random") for placed in (now, then))
    both = prepare_problem(now, residual="white", segments="random", previous=previous)
    weight = (one.error.noise / first.error.noise) ** 2
    for whole, a, b in zip(both.reduction.segments, one.reduction.segments, first.reduction.segments, strict=True):
        assert_allclose(whole.block_weight, np.concatenate([a.block_weight, weight * b.block_weight]), rtol=1e-12)
    assert (both.spreads, both.form, both.freedom, both.scale) == (
        first.spreads,
        first.form,
        first.freedom,
        first.scale,
    )
    assert both.error == replace(first.error, noise=one.error.noise)
    assert both.model == "random"
    assert both.moved is not None
    assert both.moved.unsure == ()
    free = prepare_problem(now, residual="white", segments="free", previous=previous)
    assert free.model == "free"
    elsewhere = replace(then, bounds=np.minimum(then.bounds, 60), x=then.x[:60], values=then.values[:60], sigma=None)
    other = replace(now, bounds=np.maximum(now.bounds - 60, 0), x=now.x[60:], values=now.values[60:], sigma=None)
    apart = Previous(placed=elsewhere, moves=np.zeros((6, 2)), factor=np.full((6, 2, 1), 1e-6), name="round 1")
    with pytest.raises(DataError, match="round 1: no segment was measured then that is measured now"):
        prepare_problem(other, residual="white", segments="free", previous=apart)


def test_a_fit_that_runs_away_says_so_and_has_not_converged() -> None:
    """Asked for p, q and theta of a mirror so short that its noise looks like any ellipse."""
    mirror = even_mirror(Ellipse(20.0, 20.0, 0.01), count=1, pitch=0.2, gap=0)
    noise = 2e-8 * np.random.default_rng(1).normal(size=40)
    placed = made_profile(mirror, (20.0, 20.0, 0.01), points=40, noise=noise, sigma=2e-8)
    fit = fit_ellipse(placed, vary=PARAMETERS, residual="white")
    assert not fit.converged
    assert any(text.startswith("a parameter runs away from the nominal without end") for text in fit.warnings)
    assert "the fit has NOT CONVERGED" in fit.warnings
    assert "NOT CONVERGED" in str(fit)
    good = fit_ellipse(placed, vary=("theta",), residual="white")
    assert good.converged
    assert "NOT CONVERGED" not in str(good)


def test_spreads_must_be_positive() -> None:
    """Nothing is tied by nothing, nor by what has no end."""
    placed = white(points=20)
    for key in ("spread_height", "spread_tilt"):
        for bad in (0.0, -1e-6, np.inf, np.nan):
            options: Any = {key: bad}
            with pytest.raises(ParameterError, match=f"{key} must be positive; got {bad!r}"):
                prepare_problem(placed, **options)


def test_what_is_identified_rests_on_the_covariance_of_all_three() -> None:
    """With p, q and theta all free the stated covariance is that of combinations and invariants: p + q, b and 1/R by
    their gradients; unsure inputs that all points share are in it."""
    placed = white(noise=1e-9)
    how = Measurement(x_uncertainty=1e-3, gain_uncertainty=1e-3)
    fit = fit_ellipse(
        replace(placed, mirror=replace(placed.mirror, measurement=how)), vary=PARAMETERS, segments="free",
        residual="white",
    )  # fmt: skip
    p, q, theta = fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta
    found = fit.identifiability()
    b = np.sqrt(p * q) * np.sin(theta)
    gradients = np.array([
        [1, 1, 0],
        [b / (2 * p), b / (2 * q), b / np.tan(theta)],
        [-np.sin(theta) / (2 * p**2), -np.sin(theta) / (2 * q**2), (1 / p + 1 / q) * np.cos(theta) / 2],
    ])  # fmt: skip
    stderr = np.sqrt(np.diag(gradients @ fit.covariance @ gradients.T))
    assert_allclose([found.focal_sum[1], found.semi_minor[1], found.pole_curvature[1]], stderr, rtol=1e-6)
    one = fit_ellipse(
        replace(placed, mirror=replace(placed.mirror, measurement=how)), vary=("theta",), segments="free",
        residual="white",
    ).identifiability()  # fmt: skip
    assert_allclose(one.focal_sum[1], stderr[0], rtol=1e-2)


def test_a_segment_is_called_knocked_only_beside_a_spread_that_is_estimated() -> None:
    """Free segments may stand anywhere, and whoever states both spreads says what is usual."""
    case = Case(segments=9, points=30, knocked=3)
    placed = case.draw(np.random.default_rng(2)).placed
    given: dict[str, Any] = {"spread_height": 5e-6, "spread_tilt": 2e-5}
    assert prepare_problem(placed, residual="white").loose == (3,)
    assert prepare_problem(placed, residual="white", spread_tilt=2e-5).loose == (3,)
    assert prepare_problem(placed, residual="white", **given).loose == ()
    assert prepare_problem(placed, residual="white", segments="free").loose == ()
    assert prepare_problem(placed, residual="white", segments="fixed").loose == ()
