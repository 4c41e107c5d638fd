"""A profile on its mirror: frames and signs by their definitions, and every contradiction told."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.mirror import Measurement, Mirror, Segment
from ellipsefit.profile import PlacedProfile, Profile, Quantity, place_profile

NOMINAL = Ellipse(11.0, 7.0, 18e-3)
MIRROR = Mirror(
    name="Rowan",
    nominal=NOMINAL,
    segments=(
        Segment(name="A", start=-0.5, end=-0.1),
        Segment(name="B", start=-0.08, end=0.2),
        Segment(name="C", start=0.22, end=0.6),
    ),
)
#: 41 points on A, 29 on B, 39 on C, step 10 mm; none in the gaps.
X = np.concatenate([np.arange(-50, -9), np.arange(-8, 21), np.arange(22, 61)]) / 100
NAMES = np.repeat(["A", "B", "C"], [41, 29, 39])


def profile_of(quantity: Quantity = "height", x: FloatArray = X, **options: Any) -> Profile:
    values = NOMINAL.height(x) if quantity == "height" else NOMINAL.slope(x)
    return Profile(**{"name": "scan.csv", "quantity": quantity, "x": x, "values": values, **options})


def with_measurement(**how: Any) -> Mirror:
    return replace(MIRROR, measurement=Measurement(**how))


def counts(placed: PlacedProfile) -> list[int]:
    return [int(count) for count in np.diff(placed.bounds)]


def test_points_are_assigned_by_the_spans_or_by_name_alike() -> None:
    by_span, by_name = place_profile(profile_of(), MIRROR), place_profile(profile_of(segment=NAMES), MIRROR)
    assert counts(by_span) == counts(by_name) == [41, 29, 39]
    assert_array_equal(by_span.x, X)
    assert_array_equal(by_name.x, X)
    assert by_span.warnings == ()
    assert by_span.measured == (0, 1, 2)
    assert_array_equal(by_span.index, np.repeat([0, 1, 2], [41, 29, 39]))


def test_the_order_of_the_file_does_not_matter() -> None:
    order = np.random.default_rng(1).permutation(len(X))
    sigma = np.linspace(1e-9, 2e-9, len(X))
    sorted_, mixed = (
        place_profile(profile_of(x=X[rank], sigma=sigma[rank], segment=NAMES[rank]), MIRROR)
        for rank in (np.arange(len(X)), order)
    )
    for key in ("x", "values", "sigma", "bounds"):
        assert_array_equal(getattr(sorted_, key), getattr(mixed, key))


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_an_upstream_scan_is_turned_round(quantity: Quantity) -> None:
    """Definition: the pole stands at x_offset on the scan's axis, which runs against x; heights stay,
    dz/dx changes its sign with dx."""
    offset = 0.3
    sign = 1 if quantity == "height" else -1
    straight = profile_of(quantity)
    scan = replace(straight, x=offset - X, values=sign * straight.values)
    placed = place_profile(scan, with_measurement(x_direction="upstream", x_offset=offset))
    assert_allclose(placed.x, X, rtol=0, atol=2e-16)  # two roundings of numbers up to 0.8
    assert_array_equal(placed.values, straight.values)


def test_the_offset_is_the_pole_on_the_axis_of_the_scan() -> None:
    placed = place_profile(replace(profile_of(), x=X + 12.5), with_measurement(x_offset=12.5))
    assert_allclose(placed.x, X, rtol=0, atol=4e-15)  # numbers up to 13 were rounded


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_lengths_are_brought_to_the_reference_temperature(quantity: Quantity) -> None:
    """A body of expansion a is (1 + a dT) times as long in every direction: angles stay."""
    grown = 1 + 9e-6 * 30
    cold = profile_of(quantity, sigma=np.full(len(X), 6e-8))
    length = grown if quantity == "height" else 1.0
    assert cold.sigma is not None
    scan = replace(cold, x=X * grown, values=cold.values * length, sigma=cold.sigma * length)
    how = {"temperature": 323.15, "reference_temperature": 293.15, "expansion": 9e-6}
    placed = place_profile(scan, with_measurement(**how))
    assert placed.sigma is not None
    # temperatures of 300 K are rounded to 6e-14 K: 5e-19 of a length, so roundings of the products remain
    assert_allclose(placed.x, X, rtol=1e-15)
    assert_allclose(placed.values, cold.values, rtol=1e-15)
    assert_allclose(placed.sigma, 6e-8, rtol=1e-15)


def test_a_profile_in_the_mirror_frame_is_left_as_it_is() -> None:
    how = with_measurement(x_direction="upstream", x_offset=0.1, temperature=300.0, expansion=9e-6)
    placed = place_profile(profile_of(frame="mirror"), how)
    assert_array_equal(placed.x, X)


def test_the_edges_of_a_segment_are_left_out_without_a_warning() -> None:
    edged = replace(MIRROR, segments=(replace(MIRROR.segments[0], edge=0.02), *MIRROR.segments[1:]))
    placed = place_profile(profile_of(), edged)
    assert counts(placed) == [37, 29, 39]  # two points at each end of A; a point on the line stays
    assert placed.x[0] == -0.48
    assert (placed.outside, placed.warnings) == (0, ())


def test_a_few_points_in_no_segment_are_skipped_with_a_warning() -> None:
    """One point of 110 is 0.9 %, below the 1 % that is allowed."""
    placed = place_profile(profile_of(x=np.append(X, -0.09)), MIRROR)
    assert placed.outside == 1
    assert counts(placed) == [41, 29, 39]
    assert placed.warnings == ("1 of 110 points lie in no segment and are skipped",)


def test_a_point_that_is_named_to_another_segment_is_in_none() -> None:
    names = NAMES.copy()
    names[0] = "B"
    assert place_profile(profile_of(segment=names), MIRROR).outside == 1


def test_masked_points_are_skipped_and_counted_whatever_they_hold() -> None:
    mask = np.zeros(len(X), dtype=bool)
    mask[[0, 50]] = True
    values = NOMINAL.height(X)
    values[0] = np.nan
    names = NAMES.copy()
    names[50] = "?"
    placed = place_profile(profile_of(values=values, mask=mask, segment=names), MIRROR)
    assert placed.masked == 2
    assert counts(placed) == [40, 28, 39]
    assert placed.warnings == ("2 of 109 points are masked and skipped",)


def test_a_segment_without_points_is_warned_of() -> None:
    placed = place_profile(profile_of(x=X[NAMES != "B"]), MIRROR)
    assert counts(placed) == [41, 0, 39]
    assert placed.measured == (0, 2)
    assert len(placed.warnings) == 1
    assert "segment B has no points" in placed.warnings[0]


def test_a_position_may_stand_twice_where_y_differs() -> None:
    x = np.append(X, X[0])
    with pytest.raises(DataError, match=r"scan\.csv: x = -500 mm stands twice in segment 'A'"):
        place_profile(profile_of(x=x), MIRROR)
    placed = place_profile(profile_of(x=x, y=np.append(np.zeros(len(X)), 0.01)), MIRROR)
    assert counts(placed) == [42, 29, 39]
    with pytest.raises(DataError, match="stands twice"):
        place_profile(profile_of(x=x, y=np.zeros(len(x))), MIRROR)


@pytest.mark.parametrize(
    ("points", "fragments"),
    [
        (X[:1], ("segment 'A' has 1 point;", "at least 5")),
        (np.append(X[NAMES != "A"], X[:4]), ("segment 'A' has 4 points;", "at least 5")),
        (np.append(X, [-0.09, 0.21]), ("2 of 111 points lie in no segment", "-90 mm", "at most 1 %", "600 mm")),
        (X + 5.0, ("lie in no segment", "spans run from -500 mm to 600 mm")),
    ],
)
def test_points_that_do_not_fit_the_mirror_are_an_error(points: FloatArray, fragments: tuple[str, ...]) -> None:
    with pytest.raises(DataError) as caught:
        place_profile(profile_of(x=points, values=(points / 10) ** 2), MIRROR)
    assert str(caught.value).startswith("scan.csv: ")
    for fragment in fragments:
        assert fragment in str(caught.value)


def test_points_across_do_not_stand_in_for_points_along() -> None:
    x = np.append(X[NAMES != "A"], np.full(6, -0.3))
    y = np.append(np.zeros(68), np.arange(6) * 0.01)
    with pytest.raises(DataError, match="segment 'A' has points at 1 position only; expected at least 5"):
        place_profile(profile_of(x=x, y=y), MIRROR)


@pytest.mark.parametrize("factor", [1e3, 1e6, 1e-3, 1e-6])
def test_x_in_another_unit_is_told_as_such(factor: float) -> None:
    scan = profile_of()
    with pytest.raises(DataError, match=rf"a factor {re.escape(f'{factor:g}')} away.*expected another unit of x"):
        place_profile(replace(scan, x=scan.x * factor), MIRROR)


@pytest.mark.parametrize("factor", [1e3, 1e6, 1e-3, 1e-6])
@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_values_in_another_unit_are_told_as_such(quantity: Quantity, factor: float) -> None:
    scan = profile_of(quantity)
    with pytest.raises(
        DataError, match=rf"factor {re.escape(f'{factor:g}')} away.*expected another unit of {quantity}"
    ):
        place_profile(replace(scan, values=scan.values * factor), MIRROR)


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_a_value_beyond_all_mirrors_is_told(quantity: Quantity) -> None:
    values = np.zeros(len(X))
    values[3] = 1e200
    with pytest.raises(DataError, match=rf"scan\.csv: a {quantity} of 1e\+200"):
        place_profile(profile_of(quantity, values=values), MIRROR)


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_a_flipped_sign_is_told_as_convex(quantity: Quantity) -> None:
    scan = profile_of(quantity)
    with pytest.raises(DataError, match=rf"scan\.csv: the curve is convex.*expected {quantity}s along \+z"):
        place_profile(replace(scan, values=-scan.values), MIRROR)


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_pose_segment_errors_and_noise_pass(quantity: Quantity) -> None:
    """Such as a mirror in work has: 1 mm and 1 mrad of pose, 10 um and 50 urad a segment, 1 um of noise."""
    rng = np.random.default_rng(3)
    slope = 1e-3 + 50e-6 * rng.standard_normal(3)[np.unique(NAMES, return_inverse=True)[1]]
    scan = profile_of(quantity)
    error = 1e-3 + slope * X + 1e-6 * rng.standard_normal(len(X)) if quantity == "height" else slope
    assert counts(place_profile(replace(scan, values=scan.values + error), MIRROR)) == [41, 29, 39]


def test_an_unknown_segment_is_told_with_the_known_ones() -> None:
    names = np.where(NAMES == "C", "D", NAMES)
    with pytest.raises(DataError, match=r"scan\.csv: segment 'D' is not in the mirror file of 'Rowan'.*A, B, C"):
        place_profile(profile_of(segment=names), MIRROR)


def test_a_profile_that_is_masked_whole_is_an_error() -> None:
    with pytest.raises(DataError, match=r"scan\.csv: no point is left to use"):
        place_profile(profile_of(mask=np.ones(len(X), dtype=bool)), MIRROR)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"values": X[1:]}, r"values must have one entry for each x, shape \(109,\); got \(108,\)"),
        ({"segment": NAMES[1:]}, "segment must have one entry"),
        ({"sigma": np.zeros(109)}, r"sigma must be positive; got 0\.0 at point 1"),
        ({"sigma": np.full(109, np.nan)}, "sigma must be positive; got nan"),
        ({"values": np.full(109, np.inf)}, "values must be finite where it is not masked; got inf at point 1"),
        ({"quantity": "depth"}, "quantity must be one of height, slope; got 'depth'"),
    ],
)
def test_a_profile_refuses_what_contradicts_itself(options: dict[str, Any], message: str) -> None:
    with pytest.raises(ParameterError, match=message):
        Profile(**{"name": "p", "quantity": "height", "x": X, "values": X, **options})


def test_a_profile_is_sealed_and_changes_no_argument() -> None:
    x = X.copy()
    profile = profile_of(x=x)
    x[0] = 7.0
    assert profile.x[0] == X[0]
    with pytest.raises(ValueError, match="read-only"):
        profile.x[0] = 7.0
