"""The change of lines by hand: surfaces made up point by point, dense algebra beside it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.linalg import toeplitz

from ellipsefit.align.change import (
    LineChange,
    _autocovariance,
    _correlation,
    _of_stationary,
    _resampled,
    carrier_map,
    line_change,
    line_map,
)
from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.mirror import Adjuster, Mirror, Segment
from ellipsefit.profile import PlacedProfile, Profile, Quantity, place_profile
from tests.rehearsal import even_mirror

NOMINAL = Ellipse(8.0, 8.0, 0.022)
MIRROR = even_mirror(NOMINAL, count=3, pitch=0.45)
POINTS = 23


def seen(
    figure: FloatArray,
    *,
    x: FloatArray | None = None,
    quantity: Quantity = "height",
    sigma: FloatArray | None = None,
    factor: FloatArray | None = None,
    y: FloatArray | None = None,
    mirror: Mirror = MIRROR,
) -> PlacedProfile:
    """The nominal curve and a figure, at 23 even points of every segment, its ends included."""
    x = places() if x is None else x
    ideal = NOMINAL.height(x) if quantity == "height" else NOMINAL.slope(x)
    profile = Profile(
        name="seen", quantity=quantity, x=x, values=ideal + figure, sigma=sigma, covariance_factor=factor, y=y,
        frame="mirror",
    )  # fmt: skip
    return place_profile(profile, mirror)


def places(points: int = POINTS, mirror: Mirror = MIRROR) -> FloatArray:
    return np.concatenate([np.linspace(s.start, s.end, points) for s in mirror.segments])


def designs(x: FloatArray) -> list[FloatArray]:
    """Height at the middle and tilt at the points of each segment."""
    found = []
    for segment in MIRROR.segments:
        own = x[(x >= segment.start) & (x <= segment.end)]
        found.append(np.column_stack([np.ones_like(own), own - segment.middle]))
    return found


def smooth(seed: int, waves: int = 4) -> FloatArray:
    """A figure of 100 nm, the same at every point whenever it is asked."""
    rng = np.random.default_rng(seed)
    at = places()
    found = [rng.normal() * np.sin(k * at / 0.06 + rng.uniform(0, 6)) for k in range(1, waves)]
    return np.asarray(1e-7 * np.sum(found, axis=0))


def test_each_point_counts_in_the_line_the_ends_included() -> None:
    """Any change whatever, point by point: the line through it by ordinary least squares (numpy)."""
    change = 1e-6 * np.random.default_rng(1).normal(size=3 * POINTS)
    found = line_change(seen(smooth(1)), seen(smooth(1) + change))
    lines = [
        np.linalg.lstsq(design, part, rcond=None)[0]
        for design, part in zip(designs(places()), change.reshape(3, -1), strict=True)
    ]
    assert found.segments == ("S01", "S02", "S03")
    assert found.freedoms == 2
    # heights of 0.1 mm are told to eps of themselves
    assert_allclose(found.change, np.ravel(lines), rtol=0, atol=1e-18 / 0.1)
    tilts = line_change(seen(smooth(1), quantity="slope"), seen(smooth(1) + change, quantity="slope"))
    assert tilts.freedoms == 1
    assert_allclose(tilts.change, change.reshape(3, -1).mean(axis=1), rtol=0, atol=1e-17)


def test_what_is_stated_is_carried_to_the_lines() -> None:
    """Nothing changed, so the differences show no error: A diag(s1**2 + s2**2) A' + A (F1 F1' + F2 F2') A' with A the
    pseudo-inverse of each design. The second has half as many points: the means of neighbours are not two readings."""
    rng = np.random.default_rng(2)
    sparse = places(12)
    first_sigma, second_sigma = rng.uniform(5e-8, 2e-7, 3 * POINTS), np.repeat(rng.uniform(5e-8, 2e-7, 3), 12)
    # straight within each segment, so that interpolation keeps it
    bend = np.concatenate([d @ v for d, v in zip(designs(sparse), rng.normal(0, 1e-7, (3, 2)), strict=True)])
    plain = np.zeros(3 * POINTS)
    factor = 1e-7 * rng.normal(size=(3 * POINTS, 2))
    found = line_change(
        seen(plain, sigma=first_sigma, factor=factor),
        seen(np.zeros(36), x=sparse, sigma=second_sigma, factor=bend[:, None]),
    )
    second_bend = np.concatenate(
        [np.interp(d[:, 1], s[:, 1], b) for d, s, b in
         zip(designs(places()), designs(sparse), bend.reshape(3, -1), strict=True)]
    )  # fmt: skip
    inverse = np.zeros((6, 3 * POINTS))
    for row, design in enumerate(designs(places())):
        inverse[2 * row : 2 * row + 2, POINTS * row : POINTS * (row + 1)] = np.linalg.pinv(design)
    variance = first_sigma**2 + POINTS / 12 * np.repeat(second_sigma[::12], POINTS) ** 2
    together = np.column_stack([factor, second_bend])
    expected = inverse @ (np.diag(variance) + together @ together.T) @ inverse.T
    size = np.sqrt(np.diag(expected))
    # interpolating a curve of 1/R leaves h**2/(8 R) = 1 nm of seeming error, 1e-4 of the variance
    assert_allclose(found.covariance / np.outer(size, size), expected / np.outer(size, size), rtol=0, atol=1e-9)


def test_what_the_differences_show_counts_where_it_is_more_than_stated() -> None:
    """White differences of 1 um against 1 nm stated: 2 variances of the mean and the tilt, to the scatter of 20 degrees
    of freedom a segment; against 1 mm stated they count for nothing."""
    change = 1e-6 * np.random.default_rng(3).normal(size=3 * 200)
    x = places(200)
    found = line_change(seen(np.zeros(600), x=x, sigma=np.full(600, 1e-9)), seen(change, x=x))
    inverse = np.linalg.pinv(np.column_stack([np.ones(200), x[:200] - MIRROR.segments[0].middle]))
    white = np.diag(inverse @ inverse.T) * 1e-12
    # the variance is pooled over 594 degrees of freedom; lags that look correlated by chance count a little
    assert_allclose(np.diag(found.covariance).reshape(3, 2), np.tile(white, (3, 1)), rtol=0.35)
    stated = line_change(seen(np.zeros(600), x=x, sigma=np.full(600, 1e-3)), seen(change, x=x))
    assert_allclose(np.diag(stated.covariance).reshape(3, 2), np.tile(white, (3, 1)) * 1e6, rtol=1e-9)


def test_a_surface_that_looks_the_same_from_both_ends_is_no_mirror_image() -> None:
    """An even figure measured twice: it is itself, though it is its own image, too."""
    even = 1e-7 * np.cos(places() / 0.03)
    assert line_change(seen(even), seen(even)).alike == pytest.approx(1.0)
    assert line_change(seen(even), seen(-even, mirror=MIRROR)).alike == pytest.approx(-1.0)


def test_two_surfaces_that_are_not_alike_are_told_so_and_are_no_mirror_images() -> None:
    """Sines and cosines of whole periods over each segment have no correlation, from either end."""
    phase = np.tile(2 * np.pi * np.linspace(0, 1, POINTS), 3)
    one, two = 1e-7 * np.cos(phase), 1e-7 * np.cos(2 * phase)
    found = line_change(seen(one), seen(two)).alike
    assert found is not None
    assert abs(found) < 0.1
    odd = 1e-7 * np.sin(phase) * (1 + np.repeat([0.0, 1.0, 3.0], POINTS))
    with pytest.raises(DataError, match="seen from the other end"):
        line_change(seen(odd), seen(odd[::-1]))


def test_a_single_segment_is_never_called_a_mirror_image() -> None:
    one = replace(MIRROR, segments=MIRROR.segments[:1])
    x = places(mirror=one)
    odd = 1e-7 * np.sin(np.linspace(0, 2 * np.pi, POINTS))
    found = line_change(seen(odd, x=x, mirror=one), seen(odd[::-1], x=x, mirror=one))
    assert found.alike is not None
    assert found.alike < -0.9


def test_only_segments_seen_both_times_are_compared() -> None:
    """The last one's middle is 2 um higher, what the others did is another matter."""
    whole, x = places(), places(mirror=replace(MIRROR, segments=MIRROR.segments[1:]))
    raised = np.repeat([0.0, 2e-6], POINTS)
    found = line_change(seen(np.zeros(len(whole))), seen(raised, x=x))
    assert found.segments == ("S02", "S03")
    assert_allclose(found.change, [0, 0, 2e-6, 0], rtol=0, atol=1e-17)
    with pytest.raises(DataError, match="no segment of it was measured in seen"):
        line_change(seen(np.zeros(POINTS), x=whole[:POINTS]), seen(raised, x=x))


def test_a_stretch_that_is_too_short_in_common_is_refused() -> None:
    """Five points in common are enough, four are not."""
    whole = places(41)
    for common, fine in ((5, True), (4, False)):
        start = whole[41 - common] - 1e-12
        x = np.concatenate([np.linspace(start, whole[40], 9), whole[41:]])
        if fine:
            assert line_change(seen(np.zeros(123), x=whole), seen(np.zeros(len(x)), x=x)).segments[0] == "S01"
        else:
            with pytest.raises(DataError, match="covers too little of what seen covers of segment 'S01'"):
                line_change(seen(np.zeros(123), x=whole), seen(np.zeros(len(x)), x=x))


def test_what_lies_beyond_the_second_measurement_is_not_compared() -> None:
    """The second stops a third short at both ends, where the first one is 1 um off: the lines do not know of it."""
    first, last = MIRROR.segments[0].start, MIRROR.segments[0].end
    x = np.linspace(first, last, 40)
    short = x[13:-13]
    one = replace(MIRROR, segments=MIRROR.segments[:1])
    before = np.where((x < short[0]) | (x > short[-1]), 1e-6, 0.0)
    found = line_change(seen(before, x=x, mirror=one), seen(np.full(len(short), 2e-7), x=short, mirror=one))
    assert_allclose(found.change, [2e-7, 0], rtol=0, atol=1e-16)


def test_lines_are_paired_by_where_they_run_across() -> None:
    """Lines at y = 10 mm and 20 mm, the second time 0.3 mm off: a roll of 100 urad is seen between them, and height and
    tilt are those at y = 0. A line 5 mm off has no partner."""
    x = places()
    both = np.concatenate([x, x])
    across = np.repeat([10e-3, 20e-3], len(x))
    before = seen(np.zeros(len(both)), x=both, y=across)
    after = seen(1e-4 * across + 3e-7, x=both, y=across + 0.3e-3)
    found = line_change(before, after).change.reshape(3, 3)
    assert_allclose(found, np.tile([3e-7, 0, 1e-4], (3, 1)), rtol=1e-9, atol=1e-16)
    moved = seen(1e-4 * across, x=both, y=across + np.repeat([0.0, 5e-3], len(x)))
    # the line at 10 mm alone tells no roll: what it shows is height
    alone = line_change(before, moved)
    assert alone.freedoms == 2
    assert_allclose(alone.change[::2], 1e-6, rtol=1e-9)


def test_a_scan_line_of_one_point_is_none() -> None:
    """A second line at y = 20 mm with one point of `after` in the first segment cannot be interpolated: the line at
    y = 0 alone is compared there, and elsewhere both."""
    x = places()
    both, across = np.concatenate([x, x]), np.repeat([0.0, 20e-3], len(x))
    before = seen(np.zeros(len(both)), x=both, y=across)
    kept = np.ones(len(both), dtype=bool)
    kept[len(x) + 1 : len(x) + POINTS] = False
    roll = 1e-4 * across
    after = seen(roll[kept], x=both[kept], y=across[kept])
    found = line_change(before, after)
    # the first segment tells no roll, so none is asked of any: heights and tilts are those at y = 0
    assert found.freedoms == 2
    assert_allclose(found.change, 0, rtol=0, atol=1e-16)


def test_a_scan_line_of_two_points_is_one() -> None:
    """At y = 20 mm the second measurement has the ends of each segment alone: the line between them tells roll."""
    x = places()
    both, across = np.concatenate([x, x]), np.repeat([0.0, 20e-3], len(x))
    ends = np.isin(np.arange(len(x)) % POINTS, (0, POINTS - 1))
    kept = np.concatenate([np.ones(len(x), dtype=bool), ends])
    before = seen(np.zeros(len(both)), x=both, y=across)
    after = seen((1e-4 * across)[kept], x=both[kept], y=across[kept])
    found = line_change(before, after)
    assert found.freedoms == 3
    assert_allclose(found.change.reshape(3, 3), np.tile([0, 0, 1e-4], (3, 1)), rtol=1e-9, atol=1e-15)


def test_an_autocovariance_is_the_mean_product_at_each_distance() -> None:
    """By its definition, with n - lost - k terms counted; it ends where it first falls below twice 1/sqrt(n)."""
    rng = np.random.default_rng(5)
    rests = [np.convolve(rng.normal(size=n + 9), np.ones(10), "valid") for n in (400, 320)]
    found = _autocovariance(rests, [2, 3])
    assert 5 < len(found) < 20  # a mean of ten is correlated over ten
    for lag in range(len(found)):
        products = sum(float(rest[lag:] @ rest[: len(rest) - lag]) for rest in rests)
        counted = sum(len(rest) - lost - lag for rest, lost in zip(rests, (2, 3), strict=True))
        assert_allclose(found[lag], products / counted, rtol=1e-10)
        assert lag == 0 or found[lag] >= 2 * found[0] / np.sqrt(counted)
    assert len(_autocovariance([rng.normal(size=3)], [2])) == 1


def test_a_stationary_error_is_carried_by_the_dense_covariance() -> None:
    """A T A' with T = scipy's Toeplitz matrix of a correlation that is positive definite."""
    correlation = np.append(0.8 ** np.arange(30), np.zeros(11))
    inverse = np.random.default_rng(6).normal(size=(2, 41))
    exact = inverse @ toeplitz(correlation) @ inverse.T
    assert_allclose(_of_stationary(inverse, correlation[:30]), exact, rtol=1e-12)
    # one that is cut off too early is none: negative variances become nothing
    cut = np.array([1.0, 1.0])
    raw = inverse @ toeplitz(np.append(cut, np.zeros(39))) @ inverse.T
    values, vectors = np.linalg.eigh(raw)
    assert_allclose(_of_stationary(inverse, cut), vectors * np.maximum(values, 0) @ vectors.T, rtol=1e-10, atol=1e-12)
    alternating = np.array([1.0, 1.0]) @ np.array([[(-1.0) ** k for k in range(41)]] * 2)
    assert _of_stationary(alternating[None, :], cut)[0, 0] == 0.0


def test_a_correlation_of_figures_does_not_know_their_noise() -> None:
    """Neighbours share the figure and not the noise: of two equal figures under as much noise it is 1, not 1/2."""
    rng = np.random.default_rng(7)
    figure = np.sin(np.arange(40_000) / 50)
    one, two = (figure + rng.normal(0, 0.7, len(figure)) for _ in range(2))
    found = _correlation([one], [3 * two])
    assert found is not None
    assert abs(found - 1) < 0.03  # 4 sqrt(1 / 40,000) of products of unit size
    opposite = _correlation([one], [-two])
    assert opposite is not None
    assert abs(opposite + 1) < 0.03
    assert _correlation([one], [rng.normal(size=len(figure))]) is None
    assert _correlation([rng.normal(size=len(figure))], [one]) is None


def test_figures_that_are_mostly_noise_are_not_compared() -> None:
    """Of variance 1/2 of the figure itself, noise of variance 1.75 leaves 2/9 of the products, of 2.5 a sixth: beyond a
    fifth they are compared, below they are not, whichever of the two it is. 4e4 points tell it to 1 %."""
    rng = np.random.default_rng(8)
    figure = np.sin(np.arange(40_000) / 50)
    clear, fair, poor = (figure + rng.normal(0, np.sqrt(variance), len(figure)) for variance in (0.01, 1.75, 2.5))
    for one, other in ((clear, fair), (fair, clear)):
        found = _correlation([one], [other])
        assert found is not None
        assert abs(found - 1) < 0.05
    assert _correlation([clear], [poor]) is None
    assert _correlation([poor], [clear]) is None
    # by parts as by the whole, but for the few products across their ends
    halves = _correlation([clear[:20_000], clear[20_000:]], [fair[:20_000], fair[20_000:]])
    whole = _correlation([clear], [fair])
    assert halves is not None
    assert whole is not None
    assert abs(halves - whole) < 1e-3


def test_values_are_resampled_by_straight_lines_from_end_to_end() -> None:
    assert_allclose(_resampled(np.array([1.0, 3.0, 2.0]), 5), [1, 2, 3, 2.5, 2])


def test_shapes_that_do_not_fit_are_refused() -> None:
    eye = np.eye(2)
    for quantity, change, covariance in (
        ("height", np.zeros(1), np.eye(1)), ("height", np.zeros(2), np.eye(3)), ("height", np.zeros((2, 1)), eye),
        ("slope", np.zeros(2), eye),
    ):  # fmt: skip
        with pytest.raises(ParameterError, match=f"expected {2 if quantity == 'height' else 1} values and their"):
            LineChange(quantity=quantity, segments=("S",), change=change, covariance=covariance, alike=None)  # type: ignore[arg-type]  # one of the words that it takes
    for freedoms in (2, 3):
        kept = LineChange(
            quantity="height", segments=("S",), change=np.zeros(freedoms), covariance=np.eye(freedoms), alike=None
        )
        assert kept.freedoms == freedoms


def test_maps_take_the_rows_that_are_measured() -> None:
    """Segments in any order, one without adjusters, one on one adjuster: by hand, of three, two and one freedom."""
    travel = (-1e-4, 1e-4)
    mirror = replace(
        MIRROR,
        segments=(
            Segment(name="A", start=0.0, end=1.0, adjusters=(Adjuster(name="U", x=0.3, travel=travel),)),
            Segment(name="B", start=1.0, end=2.0),
            Segment(
                name="C", start=2.0, end=3.0,
                adjusters=tuple(Adjuster(name=n, x=x, travel=travel) for n, x in (("U", 2.25), ("D", 2.75))),
            ),
        ),
    )  # fmt: skip
    whole = np.zeros((9, 3))
    whole[0, 1:], whole[1, 1:] = 0.5, (-2.0, 2.0)  # C comes first: height is the mean, tilt the difference over 0.5 m
    whole[6, 0] = 1.0  # A is lifted whole and not turned
    assert_allclose(line_map(mirror, ("C", "B", "A"), 3), whole, rtol=0, atol=1e-15)
    assert_allclose(line_map(mirror, ("C", "B", "A"), 2), whole[[0, 1, 3, 4, 6, 7]], rtol=0, atol=1e-15)
    assert_allclose(line_map(mirror, ("C", "B", "A"), 1), whole[[1, 4, 7]], rtol=0, atol=1e-15)
    assert_allclose(carrier_map(mirror, ("C", "A"), 1), [[1], [1]])
    assert_allclose(carrier_map(mirror, ("C", "A"), 2), [[1.0, 2.5], [0.0, 1.0], [1.0, 0.5], [0.0, 1.0]])
    assert_allclose(carrier_map(mirror, ("C",), 3), [[1.0, 2.5, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
