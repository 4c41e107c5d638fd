"""What can be expected after the moves: one unknown at a time, against rays that are reflected, not expanded."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Literal

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import multivariate_normal, norm

from ellipsefit.align.foreseen import DRAWS, SlopesLeft, check_points, expected_rests, focus_left
from ellipsefit.align.layout import Layout, layout, span_places
from ellipsefit.align.limits import line_map
from ellipsefit.align.outlook import (
    Outlook,
    SegmentOutlook,
    _common,
    as_measured,
    deviation_covariance,
    joint_covariance,
    look_ahead,
    probability_inside,
    rise_variances,
)
from ellipsefit.arrays import root
from ellipsefit.ellipse import Ellipse
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.mirror import Mirror, Tolerance
from tests.align_cases import fit_of
from tests.rehearsal import Array, even_mirror, ideal, made_profile

SKEWED = Ellipse(9.0, 4.0, 0.02)
Name = Literal["image", "source"]


def rays_miss(surface: Any, name: Name) -> Array:
    """How far across the chief ray, at one focus, rays of the other one pass that meet a surface z(x) at its places,
    and the slope of each against the chief ray: reflected at the normals that differences of z tell."""
    x, z, slope = surface
    c, s = np.cos(SKEWED.theta), np.sin(SKEWED.theta)
    source, image = np.array([-9.0 * c, 9.0 * s]), np.array([4.0 * c, 4.0 * s])
    start, end, along, across = (
        (source, image, np.array([c, s]), np.array([-s, c]))
        if name == "image"
        else (image, source, np.array([c, -s]), np.array([s, c]))
    )
    found = []
    for one, height, tilt in zip(x, z, slope, strict=True):
        place = np.array([one, height])
        incoming = (place - start) / np.linalg.norm(place - start)
        normal = np.array([-tilt, 1.0]) / np.hypot(tilt, 1.0)
        out = incoming - 2 * (incoming @ normal) * normal
        # place + length * out = end + miss * across
        length, miss = np.linalg.solve(np.column_stack([out, -across]), end - place)
        assert length > 0
        found.append((miss, out @ across / (out @ along)))
    whole: Array = np.array(found).T
    return whole


def light_on(x: Array, name: Name, lengths: Array) -> Array:
    """Angle under which the place that light comes from sees each stretch, by differences."""
    c, s = np.cos(SKEWED.theta), np.sin(SKEWED.theta)
    seen = np.array([-9.0 * c, 9.0 * s]) if name == "image" else np.array([4.0 * c, 4.0 * s])
    step = 1e-5

    def angle(at: Array) -> Array:
        return np.asarray(np.arctan((ideal("height", at, 9.0, 4.0, 0.02) - seen[1]) / (at - seen[0])))

    weight = np.abs(angle(x + step) - angle(x - step)) * lengths
    share: Array = weight / weight.sum()
    return share


def three_segments() -> tuple[Layout, Mirror]:
    mirror = even_mirror(SKEWED, count=3, pitch=0.45)
    return layout(fit_of(mirror, np.zeros(3), np.zeros(3)), SKEWED, mirror), mirror


def where_rays_meet(mirror: Mirror, lift: Array, turn: Array, ellipse: Ellipse) -> dict[str, float]:
    """Best focus by least squares over rays that meet each segment, at both foci: change per change of the surface.

    Within a segment the surface is that of the ellipse less its straight line, raised and turned.
    """
    x, rise, slope, lengths = [], [], [], []
    for segment, height, tilt in zip(mirror.segments, lift, turn, strict=True):
        places, lever = span_places(segment)
        parameters = (ellipse.p, ellipse.q, ellipse.theta)
        change = ideal("height", places, *parameters) - ideal("height", places, 9.0, 4.0, 0.02)
        bend, mean = np.polyfit(lever, change, 1)
        x.append(places)
        rise.append(height + tilt * lever + change - mean - bend * lever)
        change = ideal("slope", places, *parameters) - ideal("slope", places, 9.0, 4.0, 0.02)
        slope.append(tilt + change - bend)
        lengths.append(np.full(len(places), segment.length))
    at, up, tilted = np.concatenate(x), np.concatenate(rise), np.concatenate(slope)
    z, own = ideal("height", at, 9.0, 4.0, 0.02), ideal("slope", at, 9.0, 4.0, 0.02)
    found: dict[str, float] = {}
    names: tuple[Name, ...] = ("image", "source")
    for name in names:
        high, _ = rays_miss((at, z + up, own + tilted), name)
        low, _ = rays_miss((at, z - up, own - tilted), name)
        flat, cross = rays_miss((at, z, own), name)
        assert_allclose(flat, 0.0, atol=1e-12)  # an ellipse takes one focus to the other
        weight = np.sqrt(light_on(at, name, np.concatenate(lengths)))
        # a ray that misses by y and crosses with slope t passes (a along, b across) by y + t a - b
        design = np.column_stack([cross, -np.ones_like(cross)]) * weight[:, None]
        along, across = np.linalg.lstsq(design, -(high - low) / 2 * weight, rcond=None)[0]
        found |= {f"{name}_along": along, f"{name}_across": across}
    return found


@pytest.mark.parametrize("unknown", range(9))
def test_each_unknown_moves_the_foci_as_it_moves_rays(unknown: int) -> None:
    """A height of 1 um or a tilt of 1 urad of one of three segments, 1 um of p or q, 1 urad of theta: the foci move,
    and are as unsure, as least squares over reflected rays says. Cosines of grazing angles of 20 mrad and of slopes as
    large leave 4e-4 each of what a ray does, some times as much of where rays meet, which is a difference of rays."""
    model, mirror = three_segments()
    step = np.zeros(9)
    step[unknown] = 1e-6
    rests = step[:6].reshape(3, 2)
    ellipse = Ellipse(9.0 + step[6], 4.0 + step[7], 0.02 + step[8])
    truth = where_rays_meet(mirror, rests[:, 0], rests[:, 1], ellipse)
    told = focus_left(model, ellipse, rests, np.outer(step, step))
    size = {"along": 0.0, "across": 0.0}
    for key in size:
        size[key] = max(abs(truth[f"{name}_{key}"]) for name in ("image", "source"))
    for name in ("image", "source"):
        for key in ("along", "across"):
            value = truth[f"{name}_{key}"]
            assert_allclose(getattr(told, f"{name}_{key}"), value, rtol=4e-3, atol=2e-4 * size[key])
            assert_allclose(getattr(told, f"{name}_{key}_stderr"), abs(value), rtol=4e-3, atol=2e-4 * size[key])


def test_variances_of_the_foci_add() -> None:
    """Of independent unknowns in squares; of one that goes with another by their sum."""
    model, _ = three_segments()
    nothing = np.zeros((3, 2))
    size = np.array([1e-6, 2e-6, 3e-6, 1e-6, 2e-6, 1e-6, 1e-4, 2e-4, 1e-6])
    keys = [f"{name}_{axis}_stderr" for name in ("image", "source") for axis in ("along", "across")]
    single = [focus_left(model, SKEWED, nothing, np.diag(np.where(np.arange(9) == n, size**2, 0.0))) for n in range(9)]
    whole = focus_left(model, SKEWED, nothing, np.diag(size**2))
    for key in keys:
        assert_allclose(getattr(whole, key), np.sqrt(sum(getattr(one, key) ** 2 for one in single)), rtol=1e-9)
    told = whole.to_dict()
    assert told == {key: getattr(whole, key) for key in told}
    assert len(told) == 8
    assert [whole.image_along, whole.image_across, whole.source_along, whole.source_across] == [0.0] * 4


# ------------------------------------------------------------------ rests


def flat_slopes(count: int) -> SlopesLeft:
    return SlopesLeft(square=0.0, mean=np.zeros(count), share=np.full(count, 1 / count), figure=0.0, figure_stderr=0.0)


def test_one_large_rest_is_as_unsure_as_it_is() -> None:
    """Where one screw's error is far larger than all that is unsure, the worst is that one: its mean, which draws in
    pairs of opposite sign keep exactly, and its own standard deviation, dense: lever rule, covariance of height and
    tilt, and what the moves do there. 1000 pairs tell a standard deviation to 1 / sqrt(2000), taken four times."""
    model, mirror = three_segments()
    before = np.zeros((6, 6))
    before[2:4, 2:4] = np.array([[1.0, 3.0], [3.0, 16.0]]) * 1e-12
    before[0, 0] = 4e-12
    rise = np.array([0, 0, 9e-14, 16e-14, 0, 0])
    errors = np.array([0, 0, 0, -1e-4, 0, 0])
    rests = np.zeros((3, 2))
    rests[1] = 0.0, -2e-4
    lines = np.delete(line_map(model), np.arange(2, 9, 3), axis=0)
    slopes = replace(flat_slopes(3), square=1e-8, mean=np.array([0.0, 1e-4, 0.0]), share=np.array([0.2, 0.5, 0.3]))
    found = expected_rests(model, rests, errors, before, rise, lines, slopes)
    lever = mirror.segments[1].adjusters[1].x - mirror.segments[1].middle
    there = np.array([1.0, lever]) @ before[2:4, 2:4] @ [1.0, lever] + 16e-14
    far = 4 / np.sqrt(DRAWS[0])
    assert_allclose(found.height_max.mean, 1e-4, rtol=1e-9)
    assert_allclose(found.height_max.stderr, np.sqrt(there), rtol=far)
    turned = 16e-12 + (9e-14 + 16e-14) / (2 * lever) ** 2
    assert_allclose(found.tilt_max.mean, 2e-4, rtol=1e-9)
    assert_allclose(found.tilt_max.stderr, np.sqrt(turned), rtol=far)
    # of three image shifts, two of them nothing: the root of a third of the one's square, for small changes
    shift = 2 * model.distance[1] / np.sqrt(3)
    assert_allclose(found.image_shift_rms.mean, shift * 2e-4, rtol=1e-3)
    assert_allclose(found.image_shift_rms.stderr, shift * np.sqrt(turned), rtol=far)
    # d rms = share mean dt / rms: half of all points with a mean slope as large as the whole rms
    assert_allclose(found.slope_error_rms.mean, 1e-4, rtol=1e-3)
    assert_allclose(found.slope_error_rms.stderr, 0.5 * np.sqrt(turned), rtol=2 * far)


def test_without_adjusters_the_ends_of_segments_are_what_counts() -> None:
    """Nothing is moved, so the covariance of height and tilt is all there is: at one end that is far off."""
    mirror = even_mirror(SKEWED, count=2, pitch=0.45)
    bare = replace(mirror, segments=tuple(replace(s, adjusters=()) for s in mirror.segments))
    model = layout(fit_of(bare, np.zeros(2), np.zeros(2)), SKEWED, bare)
    before = np.zeros((4, 4))
    before[:2, :2] = np.array([[1.0, -2.0], [-2.0, 25.0]]) * 1e-12
    none = np.zeros((4, 0))
    found = expected_rests(
        model, np.zeros((2, 2)), np.array([1e-4, 0, 0, 0]), before, np.zeros(0), none, flat_slopes(2)
    )
    half = mirror.segments[0].length / 2
    at = np.array([1.0, -half])
    assert_allclose(found.height_max.mean, 1e-4, rtol=1e-9)
    assert_allclose(found.height_max.stderr, np.sqrt(at @ before[:2, :2] @ at), rtol=4 / np.sqrt(DRAWS[0]))
    assert check_points(model).shape == (4, 4)


def test_a_figure_that_is_unsure_makes_the_slope_error_unsure() -> None:
    """rms**2 = square + what the figure may be off: d rms = figure d figure / rms."""
    model, _ = three_segments()
    slopes = replace(flat_slopes(3), square=25e-12, figure=3e-6, figure_stderr=0.1e-6)
    zero = np.zeros((6, 6))
    found = expected_rests(model, np.zeros((3, 2)), np.zeros(6), zero, np.zeros(6), np.zeros((6, 6)), slopes)
    assert_allclose(found.slope_error_rms.mean, 5e-6, rtol=1e-3)
    assert_allclose(found.slope_error_rms.stderr, 3 / 5 * 0.1e-6, rtol=4 / np.sqrt(DRAWS[0]))
    assert (found.height_max.mean, found.tilt_max.stderr, found.image_shift_rms.mean) == (0.0, 0.0, 0.0)
    told = found.to_dict()
    assert told["slope_error_rms"] == {"mean": found.slope_error_rms.mean, "stderr": found.slope_error_rms.stderr}
    assert list(told) == ["height_max", "tilt_max", "image_shift_rms", "slope_error_rms"]


# ------------------------------------------------------------------ sureness


def test_probabilities_of_two_that_go_together() -> None:
    """40 rectangles of any means, limits, units and correlations, against scipy's bivariate normal (A. Genz), 1e-6."""
    rng = np.random.default_rng(17)
    wide = 0
    for _ in range(40):
        scale = 10.0 ** rng.uniform(-7, 1, 2)
        correlation = rng.uniform(-0.97, 0.97)
        mean, limits = rng.normal(0, 1.5, 2), rng.uniform(0.1, 4.0, 2)
        if rng.random() < 0.2:
            limits[rng.integers(2)] = np.inf
        unit = np.array([[1.0, correlation], [correlation, 1.0]])
        found = probability_inside(mean * scale, unit * np.outer(scale, scale), limits * scale)
        a, b = np.minimum(limits, 50.0)
        corners = np.array([[a, b], [-a, b], [a, -b], [-a, -b]])
        below = multivariate_normal.cdf(corners, mean, unit, abseps=1e-9, releps=1e-9)
        assert_allclose(found, below @ [1.0, -1.0, -1.0, 1.0], rtol=0, atol=1e-6)
        wide += 0.01 < found < 0.99
    assert wide > 25


def test_deviations_of_variances_that_rounding_left_below_nothing() -> None:
    assert_allclose(root(np.array([4.0, 0.0, -1e-30])), [2.0, 0.0, 0.0])
    assert float(root(-1e-12)) == 0.0
    assert float(root(9.0)) == 3.0


def measured(quantity: Literal["height", "slope"], count: int, noise: float = 1e-6) -> tuple[EllipseFit, Mirror]:
    rng = np.random.default_rng(18)
    mirror = even_mirror(SKEWED, count=count, pitch=0.45, tolerance=Tolerance(segment_height=1.5e-6, segment_tilt=2e-6))
    placed = made_profile(
        mirror, (9.0, 4.0, 0.02), lifts=rng.normal(0, 5e-6, count), tilts=rng.normal(0, 20e-6, count), points=41,
        sigma=noise, noise=rng.normal(0, noise, count * 41), quantity=quantity,
    )  # fmt: skip
    return fit_ellipse(placed, vary=(), segments="free", residual="white"), mirror


def test_two_segments_have_a_height_and_a_tilt_in_common() -> None:
    """The weighted least-squares line by numpy's lstsq; rests and uncertainties are against it, the model's and those
    as measured."""
    fit, mirror = measured("height", 2)
    model = layout(fit, SKEWED, mirror)
    middle = [segment.middle for segment in mirror.segments]
    modes = np.array([[1.0, middle[0]], [0.0, 1.0], [1.0, middle[1]], [0.0, 1.0]])
    weight = np.tile([1 / 5e-6, 1 / 20e-6], 2)
    take = np.linalg.lstsq(modes * weight[:, None], np.diag(weight), rcond=None)[0]
    found = _common(model)
    assert_allclose(found[0], take, rtol=1e-9, atol=1e-12)
    assert_allclose(found[1], np.eye(4) - modes @ take, rtol=0, atol=1e-12)
    covariance = deviation_covariance(fit)
    told = look_ahead(fit, model, np.zeros(4), np.zeros((2, 2)), (None, None))
    assert_allclose(
        np.array([told.common_height_stderr, told.common_tilt_stderr], dtype=float),
        np.sqrt(np.diag(take @ covariance @ take.T)),
        rtol=1e-9,
    )
    values, stderr = as_measured(fit, SKEWED, mirror)
    against = np.eye(4) - modes @ take
    lines = np.ravel([(item.height, item.tilt) for item in model.deviations])
    assert_allclose(values.ravel(), against @ lines, rtol=1e-9, atol=1e-18)
    assert_allclose(stderr.ravel(), np.sqrt(np.diag(against @ covariance @ against.T)), rtol=1e-6)
    assert told.expected_error > 0
    assert told.rests is None
    assert told.foci is not None


def test_slopes_between_their_limits_are_judged_by_both_tilts() -> None:
    """A tolerance of the height says nothing of slopes; of the tilt, as large as its uncertainty, it says 68 %."""
    fit, mirror = measured("slope", 3)
    model = layout(fit, SKEWED, mirror)
    covariance = deviation_covariance(fit)[1::2, 1::2]
    less = np.eye(3) - 1 / 3
    tilt = float(np.sqrt(np.diag(less @ covariance @ less.T)[0]))
    for limit, share in ((tilt, norm.cdf(1) - norm.cdf(-1)), (2 * tilt, norm.cdf(2) - norm.cdf(-2))):
        found = look_ahead(fit, model, np.zeros(6), np.zeros((3, 2)), (1e-12, limit)).segments[0]
        assert found.probability is not None
        assert_allclose(found.probability, share, rtol=1e-9)
        assert found.decision == ("indeterminate" if limit == tilt else "conform")
    # of tilts alone nothing is judged where only heights have a tolerance
    bare = look_ahead(fit, model, np.zeros(6), np.zeros((3, 2)), (1e-6, None))
    assert [item.probability for item in bare.segments] == [None] * 3
    assert [item.decision for item in bare.segments] == [None] * 3
    heights, _ = measured("height", 3)
    told = look_ahead(heights, layout(heights, SKEWED, mirror), np.zeros(6), np.zeros((3, 2)), (None, 1e-3))
    assert [item.decision for item in told.segments] == ["conform"] * 3


def test_slopes_are_as_unsure_as_their_means() -> None:
    """Of N slopes with a standard deviation s each, a segment's tilt has s / sqrt(N), by itself; heights are not told.
    What the residuals say of s, of 120 degrees of freedom, is within four times sqrt(2 / 120) of its square."""
    fit, _ = measured("slope", 3, noise=2e-6)
    found = deviation_covariance(fit)
    expected = np.zeros((6, 6))
    expected[1::2, 1::2] = (2e-6) ** 2 / 41 * np.eye(3)
    scale = found[1, 1] / expected[1, 1]
    assert abs(scale - 1) < 4 * np.sqrt(2 / 120)
    assert_allclose(found, scale * expected, rtol=1e-6, atol=1e-20)


def test_unmoved_screws_add_nothing_and_moved_ones_settle() -> None:
    """Variance of a rise: (gain error times move)**2 of all that move it, and 0.2 um where it is moved itself."""
    fit, mirror = measured("height", 2)
    model = layout(fit, SKEWED, mirror)
    stderr = np.diag([0.05, 0.05, 0.05, 0.05])
    stderr[0, 1] = 0.01
    found = rise_variances(replace(model, influence_stderr=stderr), np.array([0.0, 10e-6, -4e-6, 0.0]))
    assert_allclose(found, [1e-14, 0.25e-12 + 4e-14, 4e-14 + 4e-14, 0.0], rtol=1e-12)
    joint = joint_covariance(fit)
    assert joint.shape == (7, 7)
    assert_allclose(joint[:4, :4], deviation_covariance(fit))
    assert_allclose(joint[4:], 0.0, atol=0)  # p, q and theta were held


def test_what_varies_is_unsure_as_the_fit_says() -> None:
    """p and theta fitted: their entries are the fit's own covariance, and q's, which was held, are nothing."""
    mirror = even_mirror(SKEWED, count=5, pitch=0.45)
    rng = np.random.default_rng(4)
    placed = made_profile(mirror, (9.0, 4.0, 0.02), points=41, sigma=1e-7, noise=rng.normal(0, 1e-7, 5 * 41))
    fit = fit_ellipse(placed, vary=("p", "theta"), segments="fixed", residual="white")
    joint = joint_covariance(fit)
    own = np.sqrt(np.diag(joint)[-3:])
    told = fit.to_dict()["ellipse"]
    assert_allclose(own[[0, 2]], [told["p_stderr"], told["theta_stderr"]], rtol=1e-6)
    assert own[1] == 0.0


def test_how_sure_it_is_in_words() -> None:
    """Each column where it means something, a dash where nothing is judged, what does not conform in capitals."""

    def segment(decision: Any, probability: float | None, roll: float | None = None) -> SegmentOutlook:
        return SegmentOutlook(
            name="S", height_stderr=1e-6, tilt_stderr=2e-6, roll_stderr=roll, probability=probability,
            decision=decision,
        )  # fmt: skip

    outlook = Outlook(
        segments=(segment("conform", 0.987), segment(None, None), segment("non-conform", 0.0)), leave=(), doubtful=(),
        expected_error=3e-6,
    )  # fmt: skip
    table = outlook.rows()[0]
    assert table.header == ("segment", "height ±", "tilt ±", "ends inside", "ISO 14253-1, 95 %")
    assert [row[3:] for row in table.cells] == [("98.7 %", "conform"), ("–", "–"), ("0.0 %", "NOT CONFORMING")]
    assert len(table.notes) == 1
    assert table.notes[0].startswith("Expected error at the adjusters, rms: 3")
    assert not any("in common" in note for note in table.notes)
    common = replace(outlook, common_height_stderr=4e-6, common_tilt_stderr=5e-6).rows()[0].notes
    assert common[0].startswith("Segments against what all have in common, which is the carrier's: height ± 4")
    assert ", tilt ± 5" in common[0]
    tilts = replace(outlook, common_tilt_stderr=5e-6).rows()[0].notes
    assert "carrier's: tilt ± 5" in tilts[0]
    rolled = replace(outlook, segments=(segment(None, None, 3e-6), segment(None, None)))
    assert rolled.rows()[0].header == ("segment", "height ±", "tilt ±", "roll ±")
    told = outlook.to_dict()
    assert told["remaining"] is None
    assert told["foci"] is None
    assert told["segments"][0]["decision"] == "conform"
