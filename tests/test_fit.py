"""The fit against plain dense least squares, the truth of simulated mirrors, and exact profiles for every sign."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any, Literal

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import least_squares
from skimage.measure import EllipseModel

from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.fit.effects import segment_effects
from ellipsefit.fit.problem import JointProblem
from ellipsefit.fit.reduction import reduce_profile
from ellipsefit.fit.surface_error import SurfaceError, whiten
from ellipsefit.profile import PlacedProfile, Profile, place_profile
from tests.rehearsal import (
    PARAMETERS,
    Array,
    default_fit,
    even_mirror,
    ideal,
    ideal_partials,
    made_profile,
    rehearsal,
    segment_columns,
)

#: What a generalized least-squares fit with free segments and the covariance of the simulation can reach
#: at best, as stated for these rehearsal mirrors by their maker: p [m], q [m], theta [rad].
REACHABLE = {"alder": (75e-3, 25e-3, 98e-6), "dogwood": (71e-3, 71e-3, 211e-6)}
NAMES = ("alder", "cedar", "dogwood")


def fitted(fit: EllipseFit) -> Array:
    return np.array([fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta])


def dense_fit(placed: PlacedProfile, start: Array) -> tuple[Array, Array, Array]:
    """Plain weighted least squares of all points: p, q, theta and every height and tilt as unknowns.

    Returns the three, the other unknowns and the covariance for the given sigma.
    """
    assert placed.sigma is not None
    weight = 1 / placed.sigma
    own = segment_columns(placed) * weight[:, None]
    size = np.linalg.norm(own, axis=0)
    own = own / size
    # each unknown in units of about its own uncertainty, or the valley of p is too narrow for the steps
    unit = 1 / np.linalg.norm(ideal_partials(placed.quantity, placed.x, start) * weight[:, None], axis=0)

    def residual(u: Array) -> Array:
        curve = ideal(placed.quantity, placed.x, *(start + u[:3] * unit))
        return np.asarray((curve - placed.values) * weight + own @ u[3:])

    def jacobian(u: Array) -> Array:
        partials = ideal_partials(placed.quantity, placed.x, start + u[:3] * unit)
        return np.column_stack([partials * weight[:, None] * unit, own])

    first = np.zeros(3 + own.shape[1])
    found = least_squares(residual, first, jacobian, method="lm", xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=500)
    u = found.x
    for _ in range(3):  # the last digits by Gauss-Newton
        u = u + np.linalg.lstsq(jacobian(u), -residual(u), rcond=None)[0]
    inverse = np.linalg.inv(np.linalg.qr(jacobian(u), mode="r"))
    scale = np.concatenate([unit, 1 / size])
    return start + u[:3] * unit, u[3:] / size, inverse @ inverse.T * np.outer(scale, scale)


@pytest.mark.parametrize("name", NAMES)
def test_free_white_fit_is_the_plain_dense_least_squares_fit(name: str) -> None:
    """Same p, q, theta, same uncertainty of unit noise, as `scipy.optimize.least_squares` on all points.

    The dense fit knows nothing of the reduction and has an ellipse of its own. Heights of 8 mm are rounded
    to 1e-18 m, 1e-11 of sigma; p of a free fit moves by 1 m, a tenth of itself, for a change of one sigma
    everywhere in the worst pattern, and rounding patterns are no better than random: 1e-8.
    """
    placed = rehearsal(name).placed
    start = np.array([getattr(placed.mirror.nominal, key) for key in PARAMETERS])
    values, linear, covariance = dense_fit(placed, start)
    fit = fit_ellipse(placed, vary=PARAMETERS, segments="free", residual="white")
    assert fit.converged
    assert_allclose(fitted(fit), values, rtol=1e-8)
    stderr = np.sqrt(np.diag(fit.covariance)) / fit.settings.surface_error.noise
    assert_allclose(stderr, np.sqrt(np.diag(covariance))[:3], rtol=1e-7)  # varies with p, q, theta themselves
    # heights and tilts, where the pose is given back to the segments
    if placed.quantity == "height":
        own = np.array([[segment.height, segment.tilt] for segment in fit.segments], dtype=float)
        middles = np.array([segment.middle for segment in placed.mirror.segments])
        assert fit.pose.height is not None
        total = own + np.column_stack([fit.pose.height + fit.pose.tilt * middles, np.full(len(own), fit.pose.tilt)])
        # against what the profile's last digit, 1e-12 m, says of them
        assert_allclose(total, linear.reshape(-1, 2), rtol=1e-8, atol=1e-12)


@pytest.mark.parametrize("name", NAMES)
def test_noise_is_the_residual_per_degree_of_freedom(name: str) -> None:
    """White noise in units of the given sigma: sqrt(RSS / (points - unknowns)), from the dense residuals."""
    placed = rehearsal(name).placed
    assert placed.sigma is not None
    fit = fit_ellipse(placed, vary=PARAMETERS, segments="free", residual="white")
    rest = (placed.values - ideal(placed.quantity, placed.x, *fitted(fit))) / placed.sigma
    own = segment_columns(placed) / placed.sigma[:, None]
    rest = rest - own @ np.linalg.lstsq(own, rest, rcond=None)[0]
    noise = np.sqrt(rest @ rest / (len(rest) - own.shape[1] - 3))
    # the residual is what cancellation leaves of 1e4 sigma: 1e-16 * 1e8 of its square
    assert_allclose(fit.settings.surface_error.noise, noise, rtol=1e-6)


@pytest.mark.parametrize("name", NAMES)
def test_default_fit_covers_the_truth_and_states_every_uncertainty(name: str) -> None:
    """Simulated mirrors: each varied parameter within 3.5 of its stated standard uncertainties."""
    fit, true = default_fit(name), rehearsal(name).true_parameters
    assert fit.converged
    assert fit.varied
    for parameter in fit.varied:
        stderr = fit.stderr(parameter)
        assert stderr is not None
        assert 0 < stderr < np.inf
        error = getattr(fit.ellipse, parameter) - true[PARAMETERS.index(parameter)]
        assert abs(error) <= 3.5 * stderr, f"{parameter}: {error / stderr:.2f} stated standard uncertainties off"


@pytest.mark.parametrize("name", sorted(REACHABLE))
def test_stated_uncertainties_are_near_what_can_be_reached(name: str) -> None:
    """At most 1.5 times a generalized least-squares fit with free segments and the right covariance."""
    fit = default_fit(name)
    assert fit.varied == PARAMETERS
    assert np.all(np.sqrt(np.diag(fit.covariance)) <= 1.5 * np.array(REACHABLE[name]))


def test_white_uncertainties_miss_the_truth_of_alder() -> None:
    """Why the residual is correlated by default: a smooth surface error of 120 nm rms taken for independent
    noise promises far more than it keeps."""
    fit = fit_ellipse(rehearsal("alder").placed, segments="free", residual="white")
    off = (fitted(fit) - rehearsal("alder").true_parameters) / np.sqrt(np.diag(fit.covariance))
    assert np.abs(off).max() > 3.5


@pytest.mark.parametrize("name", ["alder", "dogwood"])
def test_segments_stand_as_simulated_up_to_a_cubic(name: str) -> None:
    """Height within 1.5 um and tilt within 5 urad of the truth, after a cubic.

    A rigid move and another ellipse explain a constant, a line, a parabola and (p, q apart) a cubic in x of
    the heights, and of the tilts its derivative: one cubic for both, weighted by what is allowed.
    """
    fit, truth = default_fit(name), rehearsal(name).truth["segments"]
    x = np.array([segment.middle for segment in fit.mirror.segments])
    height = np.array([segment.height for segment in fit.segments], dtype=float) - [s["lift"] for s in truth]
    tilt = np.array([segment.tilt for segment in fit.segments], dtype=float) - [s["tilt"] for s in truth]
    powers = np.arange(4)
    cubic = x[:, None] ** powers
    slope = powers * x[:, None] ** np.maximum(powers - 1, 0)
    design = np.concatenate([cubic / 1.5e-6, slope / 5e-6])
    rest = np.concatenate([height / 1.5e-6, tilt / 5e-6])
    rest -= design @ np.linalg.lstsq(design, rest, rcond=None)[0]
    assert np.abs(rest).max() <= 1


# ------------------------------------------------------------------ signs, on profiles without noise

NOMINAL = Ellipse(12.0, 7.0, 0.018)
LIFTS = np.array([2e-6, -5e-6, 7e-6, 0.0, -4e-6, 3e-6, 1e-6])
TILTS = np.array([10e-6, 25e-6, -30e-6, 5e-6, 0.0, -15e-6, 20e-6])
POSE = (230e-6, -140e-6)


def expected_common_mode(x: Array, lifts: Array, tilts: Array, spreads: tuple[float, float]) -> tuple[float, float]:
    """h_i = H + T x_i with weight 1/s_h**2, t_i = T with 1/s_t**2: normal equations written out."""
    a, b = spreads[0] ** -2, spreads[1] ** -2
    matrix = np.array([[a * len(x), a * x.sum()], [a * x.sum(), a * (x @ x) + b * len(x)]])
    height, tilt = np.linalg.solve(matrix, [a * lifts.sum(), a * (x @ lifts) + b * tilts.sum()])
    return float(height), float(tilt)


def test_pose_and_segments_of_an_exact_mirror_come_out_with_their_signs() -> None:
    """Heights along +z, tilt positive when the downstream end rises, at the middle of each span, and the
    common mode as defined (spreads 5 um and 20 urad where none are in use), computed here by hand."""
    mirror = even_mirror(NOMINAL, count=7, pitch=0.5)
    true = (12.03, 6.98, 0.01805)
    fit = fit_ellipse(made_profile(mirror, true, pose=POSE, lifts=LIFTS, tilts=TILTS), segments="free")
    assert fit.converged
    assert_allclose(fitted(fit), true, rtol=1e-10)  # rounding of heights, 1e-18 m, over a stderr of 1e-12 m noise
    x = np.array([segment.middle for segment in mirror.segments])
    height, tilt = expected_common_mode(x, POSE[0] + POSE[1] * x + LIFTS, POSE[1] + TILTS, (5e-6, 20e-6))
    assert fit.pose.height is not None
    assert_allclose([fit.pose.height, fit.pose.tilt], [height, tilt], rtol=1e-7)
    own = np.array([[segment.height, segment.tilt] for segment in fit.segments], dtype=float)
    assert_allclose(own[:, 0], POSE[0] + POSE[1] * x + LIFTS - height - tilt * x, rtol=0, atol=1e-12)
    assert_allclose(own[:, 1], POSE[1] + TILTS - tilt, rtol=0, atol=1e-12)
    assert_allclose(fit.residual, 0, atol=1e-12)


def test_common_mode_is_weighted_by_the_spreads_in_use() -> None:
    """Given spreads of 1 um and 200 urad: the pose follows the heights, not the tilts."""
    mirror = even_mirror(NOMINAL, count=7, pitch=0.5)
    placed = made_profile(mirror, (12.0, 7.0, 0.018), pose=POSE, lifts=LIFTS, tilts=TILTS, sigma=1e-9)
    fit = fit_ellipse(placed, vary=(), residual="white", spread_height=1e-6, spread_tilt=200e-6)
    x = np.array([segment.middle for segment in mirror.segments])
    height, tilt = expected_common_mode(x, POSE[0] + POSE[1] * x + LIFTS, POSE[1] + TILTS, (1e-6, 200e-6))
    assert fit.pose.height is not None
    # noise of 1e-12 m at most against a spread of 1e-6: the segments are not pulled by more than its square
    assert_allclose([fit.pose.height, fit.pose.tilt], [height, tilt], rtol=1e-7)


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_a_single_segment_has_no_misplacement_of_its_own(quantity: Literal["height", "slope"]) -> None:
    """Its pose is the mirror's: height and tilt 0, uncertainty 0, and the pose takes everything."""
    mirror = even_mirror(NOMINAL, count=1, pitch=3.0)
    placed = made_profile(mirror, (12.0, 7.0, 0.018), pose=POSE, points=400, quantity=quantity)
    fit = fit_ellipse(placed)
    (segment,) = fit.segments
    assert (segment.height, segment.tilt, segment.height_stderr, segment.tilt_stderr) == (0, 0, 0, 0)
    assert_allclose(fit.pose.tilt, POSE[1], rtol=1e-7)
    if quantity == "height":
        assert fit.pose.height is not None
        assert_allclose(fit.pose.height, POSE[0], rtol=1e-7)


def test_slopes_leave_heights_unknown_and_say_so() -> None:
    """None, never 0 or NaN, for all that hangs on a height; and a warning."""
    mirror = even_mirror(NOMINAL, count=7, pitch=0.5)
    placed = made_profile(mirror, (12.0, 7.0, 0.018), pose=POSE, tilts=TILTS, quantity="slope")
    fit = fit_ellipse(placed, segments="free")
    assert fit.pose.height is None
    assert fit.pose.height_stderr is None
    assert fit.focus.image_dz is fit.focus.source_dz is fit.focus.image_across is fit.focus.source_across is None
    assert all(segment.height is None and segment.height_stderr is None for segment in fit.segments)
    assert_allclose(fit.pose.tilt, POSE[1] + TILTS.mean(), rtol=1e-7)
    own = np.array([segment.tilt for segment in fit.segments], dtype=float)
    assert_allclose(own, TILTS - TILTS.mean(), rtol=0, atol=1e-11)
    assert any("slopes" in text and "height" in text for text in fit.warnings)
    focus = fit.focus
    assert_allclose([focus.image_dx, focus.source_dx], expected_foci(fit, POSE[1] + TILTS.mean(), 0.0)[:, 0], rtol=1e-6)


def expected_foci(fit: EllipseFit, tilt: float, height: float) -> Array:
    """Shift of the image and the source focus, (dx, dz) each: positions turned and lifted, minus nominal."""
    shifts = []
    for sign, key in ((1, "q"), (-1, "p")):
        c, s = np.cos(tilt), np.sin(tilt)
        distance = getattr(fit.ellipse, key)
        x, z = sign * distance * np.cos(fit.ellipse.theta), distance * np.sin(fit.ellipse.theta)
        x0 = sign * getattr(NOMINAL, key) * np.cos(NOMINAL.theta)
        z0 = getattr(NOMINAL, key) * np.sin(NOMINAL.theta)
        shifts.append([c * x - s * z - x0, s * x + c * z + height - z0])
    return np.array(shifts)


def test_foci_move_with_ellipse_and_pose() -> None:
    """Fitted foci in their pose, minus nominal: source at (-p cos, p sin), image at (q cos, q sin)."""
    mirror = even_mirror(NOMINAL, count=7, pitch=0.5)
    fit = fit_ellipse(made_profile(mirror, (12.03, 6.98, 0.01805), pose=POSE), segments="free")
    image, source = expected_foci(fit, *POSE[::-1])
    focus = fit.focus
    assert focus.image_dz is not None
    assert focus.source_dz is not None
    assert_allclose([focus.image_dx, focus.image_dz], image, rtol=1e-7)
    assert_allclose([focus.source_dx, focus.source_dz], source, rtol=1e-7)


def test_uncertainties_of_pose_segments_and_foci_are_propagated_from_the_dense_fit() -> None:
    """Law of propagation (JCGM 100:2008, 5.2.2) with the covariance of all unknowns of the dense fit.

    Derivatives by central differences of the definitions, one standard uncertainty wide: the definitions
    bend by less than 1e-4 over that.
    """
    placed = rehearsal("dogwood").placed
    nominal = placed.mirror.nominal
    values, linear, covariance = dense_fit(placed, np.array([nominal.p, nominal.q, nominal.theta]))
    middles = np.array([segment.middle for segment in placed.mirror.segments])
    c0, s0 = np.cos(nominal.theta), np.sin(nominal.theta)

    def reported(u: Array) -> Array:
        p, q, theta = u[:3]
        heights, tilts = u[3:].reshape(-1, 2).T
        height, tilt = expected_common_mode(middles, heights, tilts, (5e-6, 20e-6))
        c, s = np.cos(tilt), np.sin(tilt)
        image = [c * q * np.cos(theta) - s * q * np.sin(theta), s * q * np.cos(theta) + c * q * np.sin(theta) + height]
        source = [
            -c * p * np.cos(theta) - s * p * np.sin(theta),
            c * p * np.sin(theta) - s * p * np.cos(theta) + height,
        ]
        rays = [c0 * image[0] + s0 * image[1], c0 * image[1] - s0 * image[0]]
        rays += [c0 * source[0] - s0 * source[1], c0 * source[1] + s0 * source[0]]
        own = np.concatenate([heights - height - tilt * middles, tilts - tilt])
        return np.array([height, tilt, *image, *source, *rays, *own])

    at, size = np.concatenate([values, linear]), np.sqrt(np.diag(covariance))
    columns = []
    for index in range(len(at)):
        step = np.zeros_like(at)
        step[index] = size[index]
        columns.append((reported(at + step) - reported(at - step)) / (2 * size[index]))
    gradient = np.column_stack(columns)
    expected = np.sqrt(np.diag(gradient @ covariance @ gradient.T))
    fit = fit_ellipse(placed, segments="free", residual="white")
    focus = fit.focus
    found = [
        fit.pose.height_stderr,
        fit.pose.tilt_stderr,
        focus.image_dx_stderr,
        focus.image_dz_stderr,
        focus.source_dx_stderr,
        focus.source_dz_stderr,
        focus.image_along_stderr,
        focus.image_across_stderr,
        focus.source_along_stderr,
        focus.source_across_stderr,
        *(segment.height_stderr for segment in fit.segments),
        *(segment.tilt_stderr for segment in fit.segments),
    ]
    noise = fit.settings.surface_error.noise
    assert_allclose(np.array(found, dtype=float), noise * expected, rtol=1e-4)


@pytest.mark.parametrize(
    ("true", "pose", "along", "across"),
    [
        # a longer image arm: the image goes downstream; the chief ray is not left
        pytest.param((12.0, 7.05, 0.018), (0.0, 0.0), (0.05, 0.0), (0.0, 0.0), id="image arm longer"),
        # a longer source arm: the source goes upstream, which is negative
        pytest.param((12.05, 7.0, 0.018), (0.0, 0.0), (0.0, -0.05), (0.0, 0.0), id="source arm longer"),
        # a rise moves both foci along +z: cos(theta) across, and along the falling and the rising ray
        pytest.param(
            (12.0, 7.0, 0.018),
            (1e-4, 0.0),
            (1e-4 * np.sin(0.018), -1e-4 * np.sin(0.018)),
            (1e-4 * np.cos(0.018), 1e-4 * np.cos(0.018)),
            id="rise",
        ),
        # the downstream end rises: the image goes up by q T, the source, upstream, down by p T
        pytest.param((12.0, 7.0, 0.018), (0.0, 1e-5), (0.0, 0.0), (7e-5, -12e-5), id="tilt"),
        # steeper rays: image and source both go up by distance times change
        pytest.param((12.0, 7.0, 0.01801), (0.0, 0.0), (0.0, 0.0), (7e-5, 12e-5), id="theta"),
    ],
)
def test_foci_along_and_across_the_chief_ray(
    true: tuple[float, float, float],
    pose: tuple[float, float],
    along: tuple[float, float],
    across: tuple[float, float],
) -> None:
    """Small moves by hand, (image, source): along positive downstream, across positive towards +z."""
    mirror = even_mirror(NOMINAL, count=7, pitch=0.5)
    focus = fit_ellipse(made_profile(mirror, true, pose=pose), segments="free").focus
    # second order of 1e-5 rad: 12 m * 1e-10 / 2 = 0.6 nm
    assert_allclose([focus.image_along, focus.source_along], along, rtol=1e-8, atol=1e-9)
    found = np.array([focus.image_across, focus.source_across], dtype=float)
    assert_allclose(found, across, rtol=1e-8, atol=1e-9)


def test_the_reversed_scan_gives_the_same_mirror() -> None:
    """x measured upstream from an offset origin: heights stay, slopes change sign, nothing else moves."""
    mirror = even_mirror(NOMINAL, count=7, pitch=0.5)
    for quantity in ("height", "slope"):
        placed = made_profile(
            mirror, (12.03, 6.98, 0.01805), pose=POSE, lifts=LIFTS, tilts=TILTS, quantity=quantity, points=80
        )
        turned = replace(mirror, measurement=replace(mirror.measurement, x_direction="upstream", x_offset=0.25))
        profile = Profile(
            name="reversed",
            quantity=placed.quantity,
            x=0.25 - placed.x,
            values=placed.values if quantity == "height" else -placed.values,
            sigma=placed.sigma,
        )
        here, there = fit_ellipse(placed, segments="free"), fit_ellipse(profile, turned, segments="free")
        # 0.25 - (0.25 - x) rounds x by 1e-17 m
        assert_allclose(fitted(there), fitted(here), rtol=1e-9)
        assert_allclose(there.pose.tilt, here.pose.tilt, rtol=1e-7)


@pytest.mark.parametrize(
    ("true", "span"), [((3.0, 2.0, np.pi / 6), 1.7), ((20.0, 10.0, 0.012), 4.5)], ids=["steep", "grazing"]
)
def test_one_profile_agrees_with_a_general_conic_fitter(true: tuple[float, float, float], span: float) -> None:
    """a = (p + q)/2 and b = sqrt(pq) sin(theta) as `skimage.measure.EllipseModel` finds them.

    A conic has as many degrees of freedom as (p, q, theta, height, tilt). Published for these two without
    noise: 3e-13 and, grazing, 3e-11 m, which are the conic fitter's own rounding; the axes turn with the pose.
    """
    nominal = Ellipse(true[0] * 1.01, true[1] * 0.99, true[2] * 1.005)
    mirror = even_mirror(nominal, count=1, pitch=2 * span, gap=0)
    placed = made_profile(mirror, true, points=200)
    fit = fit_ellipse(placed)
    assert fit.varied == PARAMETERS
    model = EllipseModel.from_estimate(np.column_stack([placed.x, placed.values]))  # type: ignore[no-untyped-call]  # scikit-image gives it no types
    a, b = sorted(model.axis_lengths, reverse=True)
    axes = fit.ellipse.axes
    assert_allclose([axes.a, axes.b], [a, b], rtol=1e-10)


# ------------------------------------------------------------------ what the data can tell


def _short(length: float, quantity: Literal["height", "slope"], seed: int = 4) -> PlacedProfile:
    mirror = even_mirror(Ellipse(42.0, 0.6, 3e-3), count=1, pitch=length, gap=0)
    noise = 6e-8 * np.random.default_rng(seed).normal(size=200)
    return made_profile(mirror, (42.0, 0.6004, 3.0012e-3), quantity=quantity, points=200, noise=noise, sigma=6e-8)


def test_a_long_mirror_holds_nothing() -> None:
    """All three known to better than 1 %: all three varied, no warning."""
    assert default_fit("alder").varied == default_fit("dogwood").varied == PARAMETERS
    assert not default_fit("alder").warnings


@pytest.mark.parametrize(
    ("length", "varied"), [(0.3, ("q", "theta")), (0.02, ("q",))], ids=["holds p", "holds p and theta"]
)
def test_a_short_mirror_holds_first_the_longer_distance_then_theta(length: float, varied: tuple[str, ...]) -> None:
    """Held: at nominal, out of `varied`, no uncertainty, and a warning that names it."""
    fit = fit_ellipse(_short(length, "slope"))
    assert fit.varied == varied
    held = [name for name in PARAMETERS if name not in varied]
    for name in held:
        assert getattr(fit.ellipse, name) == getattr(fit.mirror.nominal, name)
        assert fit.to_dict()["ellipse"][f"{name}_stderr"] is None
        assert any(text.startswith(f"{name} is held at nominal") for text in fit.warnings)
    assert fit.to_dict()["ellipse"]["varied"] == list(varied)
    for parameter in fit.varied:
        stderr = fit.stderr(parameter)
        assert stderr is not None
        assert stderr <= 0.01 * getattr(fit.ellipse, parameter)
    index = [PARAMETERS.index(name) for name in held]
    assert all(fit.correlation[i][j] is None for i in index for j in range(3))


def test_the_shorter_distance_may_be_the_source_distance() -> None:
    """The same mirror turned round: q is the longer one and is held."""
    there = _short(0.3, "slope")
    mirror = even_mirror(Ellipse(0.6, 42.0, 3e-3), count=1, pitch=0.3, gap=0)
    profile = Profile(name="turned", quantity="slope", x=-there.x, values=-there.values, sigma=there.sigma)
    fit = fit_ellipse(place_profile(profile, mirror), residual="white")
    assert fit.varied == ("p", "theta")
    assert_allclose(fit.ellipse.p, fit_ellipse(there, residual="white").ellipse.q, rtol=1e-9)


@pytest.mark.parametrize(("length", "held", "step"), [(0.3, "p", 0.5), (0.02, "theta", 5e-6)], ids=["p", "theta"])
def test_the_known_combination_is_the_line_along_which_refits_move(length: float, held: str, step: float) -> None:
    """Held elsewhere, the others follow as the warning says.

    The line is a tangent: curvature over a step of 1.2 % (0.2 %) of p (theta) costs that share, the text
    has three digits; 3 % covers both.
    """
    placed = _short(length, "slope")
    fit = fit_ellipse(placed)
    (text,) = (text for text in fit.warnings if text.startswith(f"{held} is held"))
    unit = {"km": 1e3, "m": 1.0, "mm": 1e-3, "um": 1e-6, "nm": 1e-9, "mrad": 1e-3, "urad": 1e-6, "nrad": 1e-9}
    stated = {
        match[1]: (float(match[2]) * unit[match[3]], float(match[4]) * unit[match[5]] / (1 if held == "p" else 1e-3))
        for match in re.finditer(r"(q|theta) = ([\d.]+) (\w+) ([+-][\d.]+) (\w+) per m", text)
    }
    assert set(stated) == set(fit.varied)
    nominal = placed.mirror.nominal
    elsewhere = replace(nominal, **{held: getattr(nominal, held) + step})
    moved = fit_ellipse(replace(placed, mirror=replace(placed.mirror, nominal=elsewhere)), vary=fit.varied)
    for name, (value, slope) in stated.items():
        here = getattr(fit.ellipse, name)
        assert_allclose(value, here, rtol=2e-4)  # digits shown
        assert_allclose(getattr(moved.ellipse, name) - here, slope * step, rtol=0.03)


def test_nothing_is_known_of_a_very_short_mirror() -> None:
    """5 mm of heights with 60 nm noise: everything is held, and said; no number pretends otherwise."""
    fit = fit_ellipse(_short(5e-3, "height"))
    assert fit.varied == ()
    assert fit.converged
    assert len([text for text in fit.warnings if "held" in text]) == 3
    assert fit.focus.image_dx_stderr is None
    assert fit.focus.source_dx_stderr is None


def test_what_is_asked_to_vary_varies() -> None:
    """The user's choice overrules the rule; what is left out stands at nominal exactly."""
    fit = fit_ellipse(rehearsal("cedar").placed, vary=("theta",))
    assert fit.varied == ("theta",)
    assert (fit.ellipse.p, fit.ellipse.q) == (42.0, 0.6)


# ------------------------------------------------------------------ edges


def test_a_perfect_profile_is_fitted_without_complaint() -> None:
    """No noise at all, and no deviation from nominal: converged, zero misplacement, finite uncertainties."""
    mirror = even_mirror(NOMINAL, count=7, pitch=0.5)
    fit = fit_ellipse(made_profile(mirror, (12.0, 7.0, 0.018)))
    assert fit.converged
    assert np.isfinite(fit.covariance).all()
    assert_allclose(fitted(fit), (12.0, 7.0, 0.018), rtol=1e-10)
    assert max(abs(segment.height or 0.0) for segment in fit.segments) < 1e-12


def test_few_segments_are_left_free_with_a_warning() -> None:
    """Four segments say too little of a spread."""
    mirror = even_mirror(NOMINAL, count=4, pitch=0.8)
    noise = 1e-7 * np.random.default_rng(2).normal(size=4 * 61)
    placed = made_profile(mirror, (12.0, 7.0, 0.018), lifts=LIFTS[:4], tilts=TILTS[:4], noise=noise)
    fit = fit_ellipse(placed)
    assert fit.settings.segments == "free"
    assert any("too few" in text for text in fit.warnings)
    tied = fit_ellipse(placed, spread_height=5e-6, spread_tilt=20e-6)
    assert tied.settings.segments == "random"
    assert not tied.settings.spreads_estimated


def test_an_unmeasured_segment_is_unknown_and_changes_nothing_else() -> None:
    """A segment without points: None and a warning; the others as if it were not there."""
    mirror = even_mirror(NOMINAL, count=7, pitch=0.5)
    fit = fit_ellipse(made_profile(mirror, (12.03, 6.98, 0.01805), lifts=LIFTS, tilts=TILTS, skip=[2]), segments="free")
    missing = fit.segments[2]
    assert (missing.height, missing.tilt, missing.height_stderr, missing.height_error_rms) == (None,) * 4
    assert any("S03 has no points" in text for text in fit.warnings)
    assert_allclose(fitted(fit), (12.03, 6.98, 0.01805), rtol=1e-9)


def test_sigma_is_a_weight() -> None:
    """Half of the points ten times less sure: the dense weighted fit of the same, to rounding."""
    mirror = even_mirror(NOMINAL, count=7, pitch=0.5)
    rng = np.random.default_rng(5)
    sigma = np.where(rng.random(7 * 61) < 0.5, 1e-7, 1e-6)
    placed = made_profile(mirror, (12.03, 6.98, 0.01805), lifts=LIFTS, tilts=TILTS, noise=sigma * rng.normal(size=427))
    placed = replace(placed, sigma=sigma)
    values, _, covariance = dense_fit(placed, np.array([12.0, 7.0, 0.018]))
    fit = fit_ellipse(placed, vary=PARAMETERS, segments="free", residual="white")
    assert_allclose(fitted(fit), values, rtol=1e-9)
    scaled = fit.settings.surface_error.noise**2 * covariance[:3, :3]
    assert_allclose(fit.covariance, scaled, rtol=1e-7)


def test_without_sigma_the_scatter_tells_the_noise() -> None:
    """Equal unknown sigma: noise in metres, within 4 standard errors, 1/sqrt(2 N) each, of what was put in."""
    mirror = even_mirror(NOMINAL, count=7, pitch=0.5)
    noise = 1e-7 * np.random.default_rng(6).normal(size=7 * 300)
    placed = made_profile(mirror, (12.0, 7.0, 0.018), points=300, sigma=None, noise=noise)
    fit = fit_ellipse(placed, segments="free", residual="white")
    assert_allclose(fit.settings.surface_error.noise, 1e-7, rtol=4 / np.sqrt(2 * len(noise)))


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_points_beside_each_other_across_count_as_repeated_readings(quantity: Literal["height", "slope"]) -> None:
    """Two lines at the same x, y apart: values as from their mean, variance as from twice the readings.

    White noise: the fit of the means with sigma / sqrt(2) has the same normal equations, so the same values.
    """
    mirror = even_mirror(NOMINAL, count=7, pitch=0.5)
    rng = np.random.default_rng(12)
    first, second = (
        made_profile(
            mirror, (12.03, 6.98, 0.01805), tilts=TILTS, quantity=quantity, noise=1e-7 * rng.normal(size=7 * 61)
        )
        for _ in range(2)
    )
    assert first.sigma is not None
    both = Profile(
        name="two lines",
        quantity=quantity,
        x=np.concatenate([first.x, second.x]),
        values=np.concatenate([first.values, second.values]),
        sigma=np.concatenate([first.sigma, first.sigma]),
        y=np.repeat([-5e-3, 5e-3], len(first.x)),
        frame="mirror",
    )
    mean = replace(first, values=(first.values + second.values) / 2, sigma=first.sigma / np.sqrt(2))
    fit, expected = (
        fit_ellipse(data, mirror, vary=PARAMETERS, segments="free", residual="white") for data in (both, mean)
    )
    assert_allclose(fitted(fit), fitted(expected), rtol=1e-9)
    sizes = [np.sqrt(np.diag(each.covariance)) / each.settings.surface_error.noise for each in (fit, expected)]
    assert_allclose(sizes[0], sizes[1], rtol=1e-7)
    if quantity == "height":  # slopes are taken along x only, from what both lines say of a place
        assert_allclose(fit.figure.slope_error_rms, expected.figure.slope_error_rms, rtol=1e-6)
    assert fit_ellipse(both, mirror).converged


def test_the_reduction_keeps_all_that_any_ellipse_nearby_can_explain() -> None:
    """Weighted residual squares from the reduction = those of all points, at several ellipses about nominal.

    The sum over points is formed here. Reduction neglects 1e-14 of what an ellipse does; the squares at a
    distance of 1e6 sigma then agree to some 1e-12 of the largest.
    """
    placed = rehearsal("alder").placed
    assert placed.sigma is not None
    reduction = reduce_profile(placed)
    rest = sum(part.rest for part in reduction.segments)
    white = whiten(reduction, SurfaceError(noise=1.0))
    for p, q, theta in [(11.0, 7.0, 0.018), (11.3, 6.9, 0.0183), (10.5, 7.3, 0.0177)]:
        values = reduction.split(reduction.values(Ellipse(p, q, theta)))
        rows = np.concatenate([w.factor @ v - w.projection for w, v in zip(white, values, strict=True)])
        plain = (placed.values - ideal("height", placed.x, p, q, theta)) / placed.sigma
        assert_allclose(rows @ rows + rest, plain @ plain, rtol=1e-11)


def test_residuals_and_jacobian_of_the_joint_problem_belong_together() -> None:
    """Derivatives by the complex-step ellipse of the tests at the nodes, through the same factors."""
    placed = rehearsal("dogwood").placed
    reduction = reduce_profile(placed)
    error = SurfaceError(noise=1.0)
    problem = JointProblem(
        reduction=reduction,
        whitened=whiten(reduction, error),
        effects=segment_effects(reduction),
        error=error,
        model="free",
        spreads=(5e-6, 20e-6),
    )
    at = np.array([8.1, 7.95, 0.0221])
    partials = reduction.split(ideal_partials("height", reduction.nodes, at))
    expected = np.concatenate([w.factor @ d for w, d in zip(problem.whitened, partials, strict=True)])
    found = problem.jacobian(at)
    scale = np.abs(expected).max(axis=0)
    assert_allclose(found / scale, expected / scale, rtol=0, atol=1e-12)


@pytest.mark.parametrize(
    ("options", "what"),
    [
        ({"vary": ("p", "r")}, "vary takes some of p, q, theta; got 'r'"),
        ({"segments": "loose"}, "segments must be one of free, fixed, random; got 'loose'"),
        ({"residual": "pink"}, "residual must be one of white, correlated; got 'pink'"),
        ({"spread_height": -1e-6}, "spread_height must be positive; got -1e-06"),
        ({"spread_tilt": float("nan")}, "spread_tilt must be positive; got nan"),
        ({"cutoff": 0.0}, "cutoff must be a positive length in m; got 0.0"),
    ],
)
def test_a_wrong_option_is_named(options: dict[str, Any], what: str) -> None:
    with pytest.raises(ParameterError, match=re.escape(what)):
        fit_ellipse(rehearsal("cedar").placed, **options)


def test_a_profile_needs_its_mirror() -> None:
    placed = rehearsal("cedar").placed
    profile = Profile(name="bare", quantity="slope", x=placed.x, values=placed.values)
    with pytest.raises(ParameterError, match="mirror is needed"):
        fit_ellipse(profile)


def test_the_answer_has_no_nan_and_all_its_keys() -> None:
    """JSON of a fit that can't tell all: null, never NaN."""
    answer = default_fit("cedar").to_dict()
    assert {"ellipse", "pose", "segments", "figure", "focus", "converged", "warnings"} <= set(answer)

    def walk(value: object) -> None:
        if isinstance(value, dict):
            for item in value.values():
                walk(item)
        elif isinstance(value, (list, tuple)):
            for item in value:
                walk(item)
        elif isinstance(value, float):
            assert np.isfinite(value)
        else:
            assert value is None or isinstance(value, (str, int, bool))

    walk(answer)
    assert answer["ellipse"]["correlation"][0] == [None, None, None]
    assert answer["figure"]["cutoff"] is None  # slopes were measured
