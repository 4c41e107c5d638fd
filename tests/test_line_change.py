"""How segments moved between two measurements. Oracle: simulated mirrors whose moves are known."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from ellipsefit.align.change import LineChange, carrier_map, line_change, line_map
from ellipsefit.align.orders import adjusters_of
from ellipsefit.errors import DataError
from ellipsefit.mirror import Adjuster, Measurement, Segment
from ellipsefit.practice import practice_mirror
from ellipsefit.profile import Profile, place_profile
from tests.loop_cases import orders_for, perfect, small_mirror


def pair(
    seed: int, *, noise: float = 100e-9, quantity: str = "height", step: tuple[float, float] = (4e-3, 4e-3)
) -> Any:
    rng = np.random.default_rng(seed)
    mirror = replace(small_mirror(), measurement=Measurement())
    before = practice_mirror(rng, mirror=mirror, faults=perfect(mirror))
    moves = rng.normal(0.0, 10e-6, len(adjusters_of(mirror)))
    orders = orders_for(mirror, moves)
    after = before.moved(orders)
    first, second = (
        place_profile(each.measure(rng, noise=noise, quantity=quantity, step=each_step, placing=(0.0, 0.0)), mirror)
        for each, each_step in ((before, step[0]), (after, step[1]))
    )
    return mirror, np.array([order.move for order in orders.moves]), line_change(first, second)


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_without_noise_the_moves_come_back(quantity: str) -> None:
    """The figure of 100 nm is the same before and after, so nothing of it is left; rounding of 0.2 mm heights is."""
    mirror, moves, change = pair(1, noise=0.0, quantity=quantity)
    expected = line_map(mirror, change.segments, change.freedoms) @ moves
    assert_allclose(change.change, expected, atol=1e-15 / 0.1)


def test_other_steps_before_and_after_leave_a_hundredth_of_the_figure() -> None:
    """Linear interpolation of a figure of 100 nm and 40 mm over 5 mm errs by (h/l)**2/8 of it, rms: 0.2 nm a point."""
    mirror, moves, change = pair(2, noise=0.0, step=(4e-3, 5e-3))
    rest = change.change - line_map(mirror, change.segments, 2) @ moves
    assert np.abs(rest[0::2]).max() < 1e-9
    assert np.abs(rest[1::2]).max() < 1e-9 / 0.1


def test_stated_uncertainties_cover() -> None:
    """Normalised squared errors of 60 pairs have mean 1; 720 of them, so +- 3 sqrt(2/720)."""
    squares = []
    for seed in range(60):
        mirror, moves, change = pair(100 + seed, step=(10e-3, 10e-3))
        rest = change.change - line_map(mirror, change.segments, 2) @ moves
        squares.append(rest @ np.linalg.solve(change.covariance, rest))
    count = 60 * len(change.change)
    # the covariance is the larger of the stated and what the differences show, so it may be a little too large
    assert 1 - 0.25 < np.sum(squares) / count < 1 + 3 * np.sqrt(2 / count)


def test_an_unsure_origin_tilts_all_segments_together() -> None:
    """Shifting a curve of radius R by dx tilts it by dx/R, and nothing else of a parabola. Radius at the pole:
    R = 2 p q / ((p + q) sin(theta)), Coddington."""
    mirror = replace(small_mirror(), measurement=Measurement(x_uncertainty=0.5e-3))
    rng = np.random.default_rng(4)
    practice = practice_mirror(rng, mirror=mirror, faults=perfect(mirror))
    first, second = (place_profile(practice.measure(rng, step=10e-3, noise=1e-9), mirror) for _ in range(2))
    change = line_change(first, second)
    nominal = mirror.nominal
    radius = 2 * nominal.p * nominal.q / ((nominal.p + nominal.q) * np.sin(nominal.theta))
    tilts = np.sqrt(np.diag(change.covariance)[1::2])
    # over 3 m the curvature changes by a fifth, from both sides of the pole about its mean
    assert_allclose(tilts, np.sqrt(2) * 0.5e-3 / radius, rtol=0.2)


def test_a_rigid_segment_on_two_supports_follows_the_lever_rule() -> None:
    """By hand: supports 0.1 m and 0.3 m from the middle to both sides. Raising the first by 4 um lifts the middle by
    3/4 of it and tilts by -4 um / 0.4 m."""
    segment = Segment(
        name="S",
        start=-0.4,
        end=0.4,
        adjusters=(
            Adjuster(name="U", x=-0.1, travel=(-1e-4, 1e-4)),
            Adjuster(name="D", x=0.3, travel=(-1e-4, 1e-4)),
        ),
    )
    mirror = replace(small_mirror(), segments=(segment,))
    found = line_map(mirror, ("S",), 2) @ np.array([4e-6, 0.0])
    assert_allclose(found, [3e-6, -10e-6], rtol=1e-12)


def test_three_supports_not_in_line_lift_along_the_scan_by_their_plane() -> None:
    """By hand: two supports at x = -0.1 m, y = +-0.05 m and one at x = 0.1 m. Raising one of the two by 2 um raises
    their line's middle (y = 0) by 1 um: the segment's middle by 0.5 um, tilted by -1 um / 0.2 m, rolled by
    2 um / 0.1 m."""
    supports = tuple(
        Adjuster(name=name, x=x, y=y, travel=(-1e-4, 1e-4))
        for name, x, y in (("L", -0.1, 0.05), ("R", -0.1, -0.05), ("D", 0.1, 0.0))
    )
    mirror = replace(small_mirror(), segments=(Segment(name="S", start=-0.2, end=0.2, adjusters=supports),))
    found = line_map(mirror, ("S",), 3) @ np.array([2e-6, 0.0, 0.0])
    assert_allclose(found, [0.5e-6, -5e-6, 20e-6], rtol=1e-12)


def test_the_carrier_moves_all_lines_by_one_line() -> None:
    mirror = small_mirror(segments=2)
    names = tuple(segment.name for segment in mirror.segments)
    found = carrier_map(mirror, names, 2) @ np.array([5e-6, 2e-6])
    expected = [v for segment in mirror.segments for v in (5e-6 + 2e-6 * segment.middle, 2e-6)]
    assert_allclose(found, expected, rtol=1e-12)


def measured(seed: int, mirror: Any = None, **options: Any) -> Any:
    rng = np.random.default_rng(seed)
    practice = practice_mirror(rng, mirror=mirror or small_mirror())
    return place_profile(practice.measure(rng, step=4e-3, noise=20e-9, **options), practice.mirror)


def test_one_surface_is_known_again_and_another_is_not() -> None:
    rng = np.random.default_rng(8)
    practice = practice_mirror(rng, mirror=small_mirror())
    first, second = (place_profile(practice.measure(rng, step=4e-3), practice.mirror) for _ in range(2))
    assert (line_change(first, second).alike or 0.0) > 0.9
    assert abs(line_change(first, measured(9)).alike or 1.0) < 0.3


def test_different_mirrors_are_refused() -> None:
    with pytest.raises(DataError, match="of one mirror"):
        line_change(measured(1), measured(1, replace(small_mirror(), name="Other")))


def test_heights_and_slopes_are_refused_together() -> None:
    with pytest.raises(DataError, match="one quantity in both"):
        line_change(measured(1), measured(1, quantity="slope"))


def test_a_measurement_from_the_other_end_is_refused() -> None:
    first = measured(3)
    turned = replace(first, values=first.values)
    values = first.values - first.mirror.nominal.height(first.x)
    turned = replace(first, values=values[::-1] + first.mirror.nominal.height(first.x))
    with pytest.raises(DataError, match="seen from the other end"):
        line_change(first, turned)


def test_shapes_are_checked() -> None:
    with pytest.raises(ValueError, match="expected 2 values"):
        LineChange(quantity="height", segments=("S",), change=np.zeros(4), covariance=np.eye(4), alike=None)


def two_lines(profile: Profile, roll: float, y: float = 10e-3) -> Profile:
    """The same surface along two lines at y and -y/2, every segment rolled."""
    x, values = (np.concatenate([each, each]) for each in (profile.x, profile.values))
    across = np.repeat([y, -y / 2], len(profile.x))
    assert profile.segment is not None
    return replace(
        profile, x=x, values=values + roll * across, y=across, sigma=None, segment=np.tile(profile.segment, 2)
    )


def test_of_several_lines_height_and_tilt_are_those_at_y_0() -> None:
    """A roll of 1 mrad over 10 mm is 10 um at one line and -5 um at the other; none of it is height or tilt."""
    rng = np.random.default_rng(21)
    mirror = small_mirror()
    before = practice_mirror(rng, mirror=mirror, faults=perfect(mirror))
    orders = orders_for(mirror, rng.normal(0.0, 10e-6, 12))
    profiles = [each.measure(rng, noise=0.0, step=10e-3, placing=(0.0, 0.0)) for each in (before, before.moved(orders))]
    first, second = (
        place_profile(two_lines(profile, roll), mirror) for profile, roll in zip(profiles, (0.0, 1e-3), strict=True)
    )
    change = line_change(first, second)
    moves = np.array([order.move for order in orders.moves])
    assert change.freedoms == 3
    found = change.change.reshape(-1, 3)
    assert_allclose(found[:, :2].ravel(), line_map(mirror, change.segments, 2) @ moves, atol=1e-14)
    assert_allclose(found[:, 2], 1e-3, rtol=1e-9)
