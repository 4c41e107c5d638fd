"""Joining against exact data, dense least squares, closed forms of error growth and drift-cancelling orders."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.interpolate import BSpline
from scipy.special import gamma, kv

from ellipsefit.fit import fit_ellipse
from ellipsefit.mirror import Mirror
from ellipsefit.profile import Profile
from ellipsefit.scan import Scan
from ellipsefit.stitching import Stitched, StitchSettings, joining, stitch, substitution
from ellipsefit.stitching.guide import WHITE, one_guide
from ellipsefit.stitching.spreads import Spreads
from tests.rehearsal import even_mirror
from tests.stitch_cases import NOMINAL, Array, Campaign, covariance_of, error_of, less, mirror_of, nothing

#: Neither spikes nor roll-offs: exact data have a robust scale of nothing.
PLAIN = StitchSettings(spike_threshold=None, roll_off=False)
HELD = Spreads(noise=1.0, height=2e-5, tilt=1e-5, drift=2e-8, guide=one_guide(3e-7, 0.15))


def hold(monkeypatch: pytest.MonkeyPatch, spreads: Spreads) -> None:
    """Leave out the estimation of spreads, so that an oracle can use the same."""
    monkeypatch.setattr(joining, "estimate_spreads", lambda *_: spreads)


# --- dense least squares ---------------------------------------------------------------------------------


def matern(distance: Array, spread: float, length: float) -> Array:
    """Matérn covariance of smoothness 5/2 by its general form with a Bessel function.

    C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning, 2006, eq. 4.14.
    """
    nu = 2.5
    a = np.sqrt(2 * nu) * np.where(distance > 0, distance, 1.0) / length
    values = spread**2 * 2 ** (1 - nu) / gamma(nu) * a**nu * kv(nu, a)
    return np.where(distance > 0, values, spread**2)


def dense(scans: Sequence[Scan], spreads: Spreads, *, guide: bool, drift: int = 0) -> tuple[Array, Array, Array]:
    """Knots, profile less nominal and its covariance by one QR of points and priors, written out row by row."""
    k = 2 + max(drift - 1, 0)
    knots = np.unique(np.round(np.concatenate([scan.x for scan in scans]), 9))
    carriage = np.concatenate([scan.carriage for scan in scans if scan.carriage is not None])
    step = float(np.median(np.diff(scans[0].x)))
    intervals = int(np.clip(np.ptp(carriage) / (4 * step), 4, 96)) if guide else 0
    width = np.ptp(carriage) / max(intervals, 1)
    splines = intervals + 3 if guide else 0
    m = k * len(scans) + splines
    rows, right = [], []
    for number, scan in enumerate(scans):
        sign = -1.0 if scan.orientation == "face_down" else 1.0
        block = np.zeros((len(scan.x), len(knots) + m))
        block[np.arange(len(scan.x)), np.searchsorted(knots, scan.x - 1e-8)] = 1.0
        own = len(knots) + k * number
        block[:, own] = 1.0
        block[:, own + 1] = 2 * (scan.x - scan.x[0]) / np.ptp(scan.x) - 1
        if drift:
            assert scan.time is not None
            t = 2 * (scan.time - scan.time[0]) / np.ptp(scan.time) - 1
            block[:, own + 2 : own + k] = np.polynomial.legendre.legvander(t, drift)[:, 2:]
        if guide:
            assert scan.carriage is not None
            every = carriage.min() + width * np.arange(-3, intervals + 4)
            at = np.minimum(scan.carriage, carriage.max() - 1e-12)
            block[:, len(knots) + k * len(scans) :] = sign * BSpline(every, np.eye(splines), 3)(at)
        sigma = spreads.noise * (1.0 if scan.sigma is None else scan.sigma)
        nominal = NOMINAL.height(scan.x)
        rows.append(block / np.broadcast_to(sigma, scan.x.shape)[:, None])
        right.append((scan.values - nominal) / sigma)
    prior, mean = np.zeros((m, len(knots) + m)), np.zeros(m)
    for number, scan in enumerate(scans):
        arm = np.ptp(scan.x) / 2
        stderr = spreads.tilt if scan.angle_stderr is None else arm * scan.angle_stderr
        scale = np.array([spreads.height, stderr, *[spreads.drift] * (k - 2)])
        place = k * number + np.arange(k)
        prior[place, len(knots) + place] = 1 / scale
        mean[k * number + 1] = 0.0 if scan.angle is None else arm * scan.angle / stderr
    if guide:
        greville = carriage.min() + width * (np.arange(splines) - 1)
        covariance = matern(np.abs(greville[:, None] - greville), spreads.guide.spread, spreads.guide.length)
        covariance += WHITE * spreads.guide.spread**2 * np.eye(splines)
        prior[k * len(scans) :, len(knots) + k * len(scans) :] = np.linalg.inv(np.linalg.cholesky(covariance))
    matrix, vector = np.vstack([*rows, prior]), np.concatenate([*right, mean])
    scale = np.linalg.norm(matrix, axis=0)
    q, r = np.linalg.qr(matrix / scale)
    inverse = np.linalg.inv(r) / scale[:, None]
    solution = inverse @ (q.T @ vector)
    return knots, solution[: len(knots)], inverse[: len(knots)] @ inverse[: len(knots)].T


STARTS = (-0.50, -0.37, -0.22, -0.13, 0.03, 0.11)


def small(rng: np.random.Generator, **changes: Any) -> list[Scan]:
    case = Campaign(
        starts=STARTS,
        points=40,
        step=0.01,
        figure=lambda x: 1e-7 * np.sin(9 * x),
        guide=lambda c: 2e-7 * np.sin(14 * c) + 1e-6 * c**2,
        heights=rng.normal(0, 2e-5, 6),
        tilts=rng.normal(0, 4e-5, 6),
        noise=5e-8,
        sigma=5e-8,
    )
    return replace(case, **changes).scans(rng)


@pytest.mark.parametrize(
    ("changes", "guide", "drift"),
    [
        ({}, True, 0),
        ({}, False, 0),
        ({"timed": True}, True, 3),
        ({"angle_stderr": 2e-7}, True, 0),
        ({"orientation": ("normal",) * 4 + ("face_down",) * 2}, True, 0),
        ({"orientation": ("normal", "end_for_end") * 3}, True, 0),
    ],
    ids=["guide", "no guide", "drift", "angles", "face down", "end for end"],
)
def test_joining_equals_dense_least_squares(
    monkeypatch: pytest.MonkeyPatch, changes: dict[str, Any], guide: bool, drift: int
) -> None:
    """Profile, covariance and pairwise differences against one dense QR with the priors as extra rows.

    Oracle: numpy.linalg.qr of the problem written out with the profile kept. Values within 1e-6 of their
    uncertainty's size. The low-rank part holds all modes here or leaves their variance to the diagonal: no
    variance may be lost; differences of pairs, which that approximation touches, within 2 %.
    """
    scans = small(np.random.default_rng(3), **changes)
    hold(monkeypatch, HELD)
    settings = replace(PLAIN, guide=guide, drift_degree=drift)
    profile = stitch(scans, mirror_of((-0.6, 0.6)), settings=settings).profile
    knots, values, covariance = dense(scans, HELD, guide=guide, drift=drift)
    assert_allclose(profile.x, knots, rtol=0, atol=1e-12)
    sigma = np.sqrt(np.diag(covariance))
    assert_allclose(profile.values - NOMINAL.height(knots), values, rtol=0, atol=1e-6 * sigma.max())
    ours = covariance_of(profile)
    assert_allclose(np.diag(ours), np.diag(covariance), rtol=1e-5)

    def pairs(matrix: Array) -> Array:
        size = np.diag(matrix)
        first, second = np.triu_indices(len(matrix), 1)
        return np.sqrt(size[first] + size[second] - 2 * matrix[first, second])

    assert_allclose(pairs(ours), pairs(covariance), rtol=0.02)


def test_what_the_low_rank_leaves_out_stays_on_the_diagonal(monkeypatch: pytest.MonkeyPatch) -> None:
    """With 4 columns only, the variance of every point is still that of dense least squares."""
    scans = small(np.random.default_rng(4))
    hold(monkeypatch, HELD)
    monkeypatch.setattr(substitution, "RANK", 4)
    profile = stitch(scans, mirror_of((-0.6, 0.6)), settings=PLAIN).profile
    assert profile.covariance_factor is not None
    assert profile.covariance_factor.shape[1] == 4
    _, _, covariance = dense(scans, HELD, guide=True)
    assert_allclose(np.diag(covariance_of(profile)), np.diag(covariance), rtol=1e-5)


# --- exact data -----------------------------------------------------------------------------------------


def exact(monkeypatch: pytest.MonkeyPatch, spreads: Spreads | None = None, **changes: Any) -> Stitched:
    """Noise-free scans with heights, tilts and a guide.

    Spreads of 1e6 noises pull true values of that size by 1e-12 of themselves, and leave double precision room.
    """
    rng = np.random.default_rng(11)
    hold(monkeypatch, spreads or replace(HELD, height=5e-5, tilt=5e-5, guide=one_guide(5e-5, 0.15), noise=1e-3))
    case = Campaign(
        starts=STARTS,
        points=40,
        step=0.01,
        figure=lambda x: 2e-7 * np.sin(9 * x) + 3e-7 * x**2,
        guide=lambda c: 4e-7 * c**2 + 1e-6 * c**3,
        heights=rng.normal(0, 2e-5, 6),
        tilts=rng.normal(0, 4e-5, 6),
        sigma=5e-8,
    )
    case = replace(case, **changes)
    return stitch(case.scans(), mirror_of((-0.6, 0.6)), settings=PLAIN)


def test_exact_scans_with_a_straight_guide_give_the_mirror(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only height and tilt stay open. Source: definition, scans on a straight guide differ by lines.

    Rounding of heights of some mm in double precision is 1e-18 m each, over 6 joints: 1e-13 m is ample.
    """
    monkeypatch.setattr(joining, "guide_basis", guide_must_not_be_asked_for)
    case: dict[str, Any] = {"guide": nothing, "carriage": False}
    result = exact(monkeypatch, **case)
    assert np.abs(less(result.profile.x, error_of(result.profile, figure), 1)).max() < 1e-13


@pytest.mark.parametrize("sigma", [None, 5e-8])
def test_noise_free_scans_pass_the_estimation_of_spreads(sigma: float | None) -> None:
    """No noise is a case that users simulate: the answer is right, and no square root or logarithm of zero.

    Heights of 0.1 mm over a noise floor of 1e-7 of that pull by far less than 1e-10 m.
    """
    rng = np.random.default_rng(13)
    case = Campaign(starts=STARTS, points=40, step=0.01, figure=figure, heights=rng.normal(0, 1e-4, 6), sigma=sigma)
    for carriage in (False, True):
        profile = stitch(replace(case, carriage=carriage).scans(), mirror_of((-0.6, 0.6)), settings=PLAIN).profile
        assert np.abs(less(profile.x, error_of(profile, figure), 2 if carriage else 1)).max() < 1e-10


def guide_must_not_be_asked_for(*_: object) -> None:
    raise AssertionError("scans without carriage have no guide")


def figure(x: Array) -> Array:
    """The mirror's own error in the exact scans."""
    return 2e-7 * np.sin(9 * x) + 3e-7 * x**2


def test_without_reversal_exact_scans_leave_a_parabola(monkeypatch: pytest.MonkeyPatch) -> None:
    """A cubic guide is told from the mirror up to a parabola: guide and mirror take it from one another.

    Source: definition; z(x) - a x**2 with guide + a c**2 and tilts + 2 a offset fit as well.
    """
    result = exact(monkeypatch)
    error = error_of(result.profile, figure)
    assert np.abs(less(result.profile.x, error, 2)).max() < 1e-12
    assert np.abs(less(result.profile.x, error, 1)).max() > 1e-9


@pytest.mark.parametrize(
    "changes",
    [{"orientation": ("normal",) * 5 + ("face_down",)}, {"angle_stderr": 1e-12}],
    ids=["face down", "angle readings"],
)
def test_reversal_or_angle_readings_settle_the_parabola(
    monkeypatch: pytest.MonkeyPatch, changes: dict[str, Any]
) -> None:
    """Face up and face down see z + g and z - g: half their sum is z. Tilts that are read leave no room for one.

    Source: the reversal identity, from its definition; what stays open is a line,
    which guide and mirror take from one another.
    """
    result = exact(monkeypatch, **changes)
    assert np.abs(less(result.profile.x, error_of(result.profile, figure), 1)).max() < 1e-12
    assert "parabola" not in " ".join(item.function for item in result.undetermined)


def test_one_face_down_repeat_of_a_single_scan_tells_mirror_from_guide(monkeypatch: pytest.MonkeyPatch) -> None:
    """Classical straightness reversal with two scans at one offset, guide of any shape that splines hold."""
    result = exact(
        monkeypatch, starts=(-0.2, -0.2), orientation=("normal", "face_down"), heights=(1e-6, -3e-6), tilts=(2e-6, 5e-6)
    )
    assert np.abs(less(result.profile.x, error_of(result.profile, figure), 1)).max() < 1e-12
    truth = 4e-7 * result.guide_carriage**2 + 1e-6 * result.guide_carriage**3
    assert_allclose(result.guide_error, less(result.guide_carriage, truth, 1), rtol=0, atol=1e-12)


def test_drift_that_sums_to_nothing_is_taken_out_of_exact_scans(monkeypatch: pytest.MonkeyPatch) -> None:
    """Parabolas of time of each scan, with no parabola or cubic in common, which would pass for the mirror's.

    Spreads of 2e3 noises pull by 2e-7, and rounding by 1e-16 * 2e3**2 / priors of each kind: 1e-4 of 0.1 um.
    No heights and tilts: random ones have something in common with the mirror's parabola, too, by chance.
    A common parabola p_i = a equals a x**2 of the mirror, and p_i = 3 a x_i its cubic: both are projected out.
    """
    rng = np.random.default_rng(5)
    middles = np.array(STARTS) + 0.195
    size = rng.normal(0, 1e-7, 6)
    common = np.vander(middles, 2)
    size -= common @ np.linalg.lstsq(common, size, rcond=None)[0]

    def parabola(a: float) -> Any:
        return lambda t: a * (1.5 * t * t - 0.5)

    result = exact(
        monkeypatch,
        spreads=Spreads(noise=1e-2, height=1e-6, tilt=1e-6, drift=1e-6, guide=one_guide(1e-6, 0.1)),
        guide=nothing,
        carriage=False,
        timed=True,
        heights=None,
        tilts=None,
        drift=[parabola(a) for a in size],
    )
    assert result.drift_spread is not None
    assert np.abs(less(result.profile.x, error_of(result.profile, figure), 1)).max() < 1e-11


# --- growth of the error ---------------------------------------------------------------------------------


def chain(count: int, half: int, **changes: Any) -> tuple[list[Scan], Mirror, Campaign]:
    """Scans that overlap their neighbours by half: 2 * half points each, 1 mm apart, noise 1 nm."""
    step, start = 1e-3, -(count + 1) * half * 1e-3 / 2
    case = Campaign(
        starts=[start + half * step * number for number in range(count)],
        points=2 * half,
        step=step,
        noise=1e-9,
        sigma=1e-9,
        **changes,
    )
    end = start + (count + 1) * half * step
    return case.scans(np.random.default_rng(8)), mirror_of((start - step, end)), case


@pytest.fixture
def loose(monkeypatch: pytest.MonkeyPatch) -> None:
    hold(monkeypatch, Spreads(noise=1.0, height=1e-3, tilt=1e-4, drift=1e-9, guide=one_guide(1e-9, 0.1)))


def shared(profile: Profile, half: int, count: int) -> tuple[Array, Array]:
    """Positions of the joints and ends of a chain, and the part of the covariance that scans cause there."""
    factor = np.asarray(profile.covariance_factor)
    joints = profile.x[0] + 1e-3 * (half * np.arange(1, count) + (half - 1) / 2)
    places = np.r_[profile.x[0], joints, profile.x[-1]]
    return places, np.stack([np.interp(places, profile.x, column) for column in factor.T], axis=1)


@pytest.mark.usefixtures("loose")
@pytest.mark.parametrize(("count", "closed"), [(80, 35.574260126376416)])
def test_an_unaided_chain_grows_as_the_closed_form_says(count: int, closed: float) -> None:
    """Rms after removing a line over the N + 1 joints and ends of N pieces, in units of sigma d, within 10 %.

    Closed form: independent tilt errors sigma at each joint, sigma**2 = 24 s**2 / (h**2 m (m**2 - 1)) of two
    lines over m points at h with noise s; the tabulated sums for N = 80 were derived exactly, and tend to
    N**1.5 / sqrt(420). Left out there: heights at the joints (below 1 % at N = 80) and longer end pieces.
    """
    half = 50
    scans, mirror, _ = chain(count, half, carriage=False)
    profile = stitch(scans, mirror, settings=PLAIN).profile
    places, factor = shared(profile, half, count)
    rest = np.stack([less(places, column, 1) for column in factor.T], axis=1)
    sigma = np.sqrt(24 * 1e-9**2 / (1e-3**2 * half * (half**2 - 1)))
    assert_allclose(sigma, 1.3859178573504742e-8, rtol=1e-12)
    assert_allclose(np.sqrt((rest**2).sum() / len(places)), closed * sigma * half * 1e-3, rtol=0.1)


@pytest.mark.usefixtures("loose")
def test_the_growth_exponent_is_three_halves() -> None:
    """Middle against the chord between 40 and 160 scans: sigma d N**1.5 / sqrt(48), exponent 1.5 within 0.05.

    Source: the same random walk of tilts, summed.
    """
    half, found = 20, []
    for count in (40, 160):
        scans, mirror, _ = chain(count, half, carriage=False)
        profile = stitch(scans, mirror, settings=PLAIN).profile
        factor = np.asarray(profile.covariance_factor)
        half_way = len(factor) // 2  # of an even number of points: the middle is between two
        middle = (factor[half_way - 1] + factor[half_way]) / 2 - (factor[0] + factor[-1]) / 2
        found.append(float(np.linalg.norm(middle)))
    assert abs(np.log(found[1] / found[0]) / np.log(4) - 1.5) < 0.05
    sigma = np.sqrt(24 * 1e-9**2 / (1e-3**2 * half * (half**2 - 1)))
    assert_allclose(found[1], sigma * half * 1e-3 * 160**1.5 / np.sqrt(48), rtol=0.1)


@pytest.mark.usefixtures("loose")
@pytest.mark.parametrize("count", [5, 12])
def test_error_growth_equals_the_dense_oracle(count: int) -> None:
    """End of the chain against its start and middle, and rms after removing a line, within 1 % of dense QR."""
    scans, mirror, _ = chain(count, 12)
    settings = replace(PLAIN, guide=False)
    profile = stitch(scans, mirror, settings=settings).profile
    spreads = Spreads(noise=1.0, height=1e-3, tilt=1e-4, drift=1e-9, guide=one_guide(1e-9, 0.1))
    knots, _, covariance = dense(scans, spreads, guide=False)
    ours = covariance_of(profile)
    columns = np.vander(knots, 2)
    rest = np.eye(len(knots)) - columns @ np.linalg.pinv(columns)
    bow = np.zeros(len(knots))
    bow[[0, len(knots) // 2, -1]] = 0.5, -1.0, 0.5
    assert_allclose(np.trace(rest @ ours @ rest), np.trace(rest @ covariance @ rest), rtol=0.02)
    assert_allclose(bow @ ours @ bow, bow @ covariance @ bow, rtol=0.02)


def test_angle_readings_stop_the_growth_at_80_scans() -> None:
    """80 scans of 200 points, half overlapping, angles good to 0.05 noise at the scan's end: 1.0 noise or less.

    Source: the trade's relative-angle stitching (H. Mimura et al., Rev. Sci. Instrum. 76, 045102, 2005, from
    memory); a plain simulation of that plan gave 0.76, and 13.5 without readings.
    """
    found = []
    for seed in range(5):
        scans, mirror, case = chain(80, 100, carriage=False, angle_stderr=0.05e-9 / 0.1)
        scans = case.scans(np.random.default_rng(seed))
        profile = stitch(scans, mirror, settings=PLAIN).profile
        found.append(np.mean(less(profile.x, error_of(profile, nothing), 1) ** 2))
    assert np.sqrt(np.mean(found)) <= 1.0e-9


# --- drift-cancelling orders -----------------------------------------------------------------------------


def thue_morse(order: int) -> list[int]:
    """+1 (forward) and -1 (backward), 2**order of them: each half repeats the one before, reversed in sign."""
    signs = [1]
    for _ in range(order):
        signs += [-sign for sign in signs]
    return signs


@pytest.mark.parametrize("order", [1, 2, 3, 4])
def test_thue_morse_signs_cancel_powers_of_time(order: int) -> None:
    """Sum of s_k k**p is zero for p < order and not for p = order, in exact fractions.

    Sources: E. Prouhet 1851; H. E. Swanson and S. Schlamminger, 2010 (title level).
    """
    signs = thue_morse(order)
    sums = [sum(s * Fraction(k) ** p for k, s in enumerate(signs)) for p in range(order + 1)]
    assert all(value == 0 for value in sums[:order])
    assert sums[order] != 0


def repeats(signs: Sequence[int], drift: Array) -> list[Scan]:
    """Scans of one span one after another, forward or backward, with a polynomial drift of the time."""
    x = np.linspace(-0.1, 0.1, 41)
    scans = []
    for number, sign in enumerate(signs):
        time = number + np.linspace(0.0, 1.0, 41)
        at = x[::sign]
        values = NOMINAL.height(at) + np.polynomial.polynomial.polyval(time / len(signs), drift)
        direction = "forward" if sign > 0 else "backward"
        scans.append(
            Scan(
                name=f"scan {number + 1}",
                quantity="height",
                x=at,
                values=values,
                time=time,
                carriage=at + 0.1,
                direction="forward" if direction == "forward" else "backward",
            )
        )
    return scans


@pytest.mark.parametrize(("order", "degree"), [(1, 1), (2, 2), (3, 3)], ids=["F B", "F B B F", "F B B F B F F B"])
def test_drift_cancelling_orders_leave_no_odd_error(monkeypatch: pytest.MonkeyPatch, order: int, degree: int) -> None:
    """What is odd about the scan's middle cancels for drift up to a power of time; the order F F ... does not.

    About the middle, scan k sees D(M_k + s_k u): its odd part is s_k D'(M_k) u + s_k D'''(M_k) u**3 / 6 ...,
    and sums of s_k times powers below `order` vanish. After V. V. Yashchuk, 2009.
    """
    hold(monkeypatch, Spreads(noise=1e-9, height=1e-6, tilt=1e-6, drift=1.0, guide=one_guide(1.0, 0.1)))
    monkeypatch.setattr(joining, "_check_misfit", lambda _: None)  # there is no noise to compare with
    drift = np.append(np.zeros(degree), 1e-7)
    settings = replace(PLAIN, drift_degree=0, guide=False)
    odd = []
    for signs in (thue_morse(order), [1] * 2**order):
        profile = stitch(repeats(signs, drift), mirror_of((-0.11, 0.11)), settings=settings).profile
        error = error_of(profile, nothing)
        odd.append(np.abs(error - error[::-1]).max() / 2)
    assert odd[0] < 1e-14
    assert odd[1] > 1e-9


def test_drift_of_a_single_scan_stays_in_the_profile() -> None:
    """One pass cannot tell drift from mirror: the profile is what was measured, and no drift is claimed.

    Source: definition, one value for each place.
    """
    scans = Campaign(starts=(-0.2,), points=41, step=0.01, drift=[lambda t: 3e-7 * t**2], timed=True).scans()
    result = stitch(scans, mirror_of((-0.3, 0.3)), settings=PLAIN)
    assert result.drift_spread is None
    error = less(result.profile.x, result.profile.values - scans[0].values, 1)
    assert np.abs(error).max() < 1e-12


# --- slopes ----------------------------------------------------------------------------------------------


def test_slope_scans_equal_plain_least_squares(monkeypatch: pytest.MonkeyPatch) -> None:
    """Slopes of overlapping scans: offsets by dense lstsq, rows written out; guide known to be straight.

    Oracle: numpy.linalg.lstsq of slope = profile(knot) + offset of the scan, with the offsets' spread as rows.
    """
    rng = np.random.default_rng(21)
    hold(monkeypatch, Spreads(noise=1.0, height=1.0, tilt=3e-5, drift=1.0, guide=one_guide(1.0, 0.1)))
    case = Campaign(
        starts=STARTS, points=40, step=0.01, quantity="slope", tilts=rng.normal(0, 3e-5, 6), noise=1e-7, sigma=1e-7
    )
    scans = case.scans(rng)
    result = stitch(scans, mirror_of((-0.6, 0.6)), settings=replace(PLAIN, guide=False))
    knots = np.unique(np.round(np.concatenate([scan.x for scan in scans]), 9))
    rows = np.zeros((240 + 6, len(knots) + 6))
    right = np.zeros(246)
    for number, scan in enumerate(scans):
        at = 40 * number + np.arange(40)
        rows[at, np.searchsorted(knots, scan.x - 1e-8)] = 1e7
        rows[at, len(knots) + number] = 1e7
        right[at] = (scan.values - NOMINAL.slope(scan.x)) * 1e7
    rows[240 + np.arange(6), len(knots) + np.arange(6)] = 1 / 3e-5
    expected = np.linalg.lstsq(rows, right, rcond=None)[0][: len(knots)]
    assert_allclose(result.profile.values - NOMINAL.slope(knots), expected, rtol=0, atol=1e-12)
    assert all(scan.height is None for scan in result.scans)
    assert np.std(less(knots, error_of(result.profile, nothing), 0)) < 1.2e-7


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_points_that_do_not_coincide_add_no_error(quantity: Any) -> None:
    """Starts off by irrational parts of the step: beyond a line the error is the noise of the knots.

    Linear theory: knots that one scan meets have its noise, others less: rms below the noise of a point. What
    interpolation adds, step**2 / 8 times the curvature of a figure of 0.1 um over 0.7 m, is below 1e-4 of it.
    """
    rng = np.random.default_rng(31)
    noise = 2e-8 if quantity == "height" else 2e-7
    starts = np.array(STARTS) + 0.01 * np.mod(np.arange(6) * (1 + np.sqrt(5)) / 2, 1.0)
    case = Campaign(
        starts=tuple(starts), points=40, step=0.01, quantity=quantity, figure=lambda x: 1e-7 * np.sin(9 * x),
        heights=rng.normal(0, 1e-5, 6), tilts=rng.normal(0, 1e-5, 6), noise=noise, sigma=noise, carriage=False,
    )  # fmt: skip
    scores = []
    for _ in range(5):
        profile = stitch(case.scans(rng), mirror_of((-0.6, 0.6)), settings=PLAIN).profile
        scores.append(less(profile.x, error_of(profile, case.figure), 1 if quantity == "height" else 0))
    assert np.sqrt(np.mean(np.concatenate(scores) ** 2)) < noise


# --- what the fit makes of it ----------------------------------------------------------------------------


def test_the_fit_uses_the_covariance_that_scans_share() -> None:
    """With the shared part dropped, the ellipse's uncertainties are too small; with it they cover the truth.

    12 seeded campaigns of a guide with an unknown parabola, two parameters that go together: beyond 2.6 standard
    uncertainties has a chance of 1 %, and more than 2 of 12 campaigns (4 of 24 cases) one of 2e-4 (binomial law).
    """
    mirror = even_mirror(NOMINAL, count=4, pitch=0.3)
    outside, larger = 0, []
    for seed in range(12):
        rng = np.random.default_rng([41, seed])
        bend = rng.normal(0, 4e-6)
        case = Campaign(
            starts=(-0.6, -0.49, -0.3, -0.17, -0.03, 0.12), points=48, step=0.01,
            guide=lambda c, bend=bend: bend * c**2 + 2e-7 * np.sin(20 * c),  # type: ignore[misc]  # bound at once
            heights=rng.normal(0, 1e-5, 6), tilts=rng.normal(0, 1e-5, 6), noise=5e-8, sigma=5e-8,
        )  # fmt: skip
        profile = stitch(case.scans(rng), mirror).profile
        vary: Any = ("p", "theta")
        whole = fit_ellipse(profile, mirror, vary=vary)
        alone = fit_ellipse(replace(profile, covariance_factor=None), mirror, vary=vary)
        for name in ("p", "theta"):
            full, bare = whole.stderr(name), alone.stderr(name)
            assert full is not None
            assert bare is not None
            larger.append(full / bare)
            outside += abs(getattr(whole.ellipse, name) - getattr(NOMINAL, name)) > 2.6 * full
    assert np.median(larger) > 1.05
    assert outside <= 4
