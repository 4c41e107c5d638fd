"""The simulator: what it claims to have put in is in there, and the demo data are what it makes."""

from __future__ import annotations

import hashlib
import re
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.files import read_mirror, read_scans
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.job import run_demo
from ellipsefit.mirror import Mirror
from ellipsefit.profile import Profile
from ellipsefit.scan import Scan
from ellipsefit.simulate import (
    HiddenState,
    demo_mirror,
    demo_scans,
    hidden_state,
    invented_mirror,
    simulate_profile,
    simulate_scans,
)
from ellipsefit.stitching import Stitched, stitch
from tests.rehearsal import Array, ideal

DATA_DEMO = Path(__file__).parents[1] / "data_demo"
STRAIGHT = HiddenState(
    ellipse=Ellipse(13.0, 8.5, 19e-3), height=0.0, tilt=0.0, segment_height=(0.0,) * 14, segment_tilt=(0.0,) * 14
)


def figure_parts(profile: Profile) -> Array:
    """What a profile of the straight mirror has beyond the ellipse, shape (segments, points)."""
    assert profile.segment is not None
    own = profile.values - ideal(profile.quantity, profile.x, 13.0, 8.5, 19e-3).real
    names, counts = np.unique(profile.segment, return_counts=True)
    assert len(set(counts)) == 1  # segments of one length
    rows: Array = own.reshape(len(names), -1)
    return rows


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_without_noise_and_figure_the_profile_is_ellipse_pose_and_segments(quantity: str) -> None:
    """Conventions: height along +z, tilt positive when the downstream end rises, a segment's height and tilt
    at its middle. The ellipse is the published closed form (see `ideal`). Values reach 1 cm (20 mrad), so
    rounding is some 1e-18; 1e-15 leaves room for sums of five terms."""
    mirror = invented_mirror()
    rng = np.random.default_rng(5)
    state = hidden_state(mirror, rng, height=180e-6, tilt=-90e-6)
    profile = simulate_profile(mirror, state, rng, noise=0.0, figure=0.0, quantity=quantity)
    assert profile.sigma is None
    assert profile.segment is not None
    expected = ideal(quantity, profile.x, state.ellipse.p, state.ellipse.q, state.ellipse.theta).real
    for segment, height, tilt in zip(mirror.segments, state.segment_height, state.segment_tilt, strict=True):
        own = profile.segment == segment.name
        assert (profile.x[own] > segment.start).all()
        assert (profile.x[own] < segment.end).all()
        lever = profile.x[own] - (segment.start + segment.end) / 2
        if quantity == "height":
            expected[own] += 180e-6 - 90e-6 * profile.x[own] + height + tilt * lever
        else:
            expected[own] += -90e-6 + tilt
    assert_allclose(profile.values, expected, rtol=0, atol=1e-15)


def test_figure_error_has_the_stated_deviation_and_covariance() -> None:
    """Gaussian covariance exp(-(d/l)**2 / 2), the definition stated in `simulate_profile`.

    With l = 40 mm on 14 segments of 0.5 m and 40 mirrors there are 560 independent pieces. The mean of the
    product at one distance over a piece varies by at most sqrt(2 l sqrt(pi) / 0.5 m) = 0.53 (Isserlis: the
    variance of a mean product is (1/L) times the integral of c(u)**2 + c(u+d) c(u-d), at most 2 l sqrt(pi)
    in units of the variance), so the mean over pieces has a standard error below 0.53 / sqrt(560) = 0.023.
    Tolerance: 4 of these.
    """
    mirror, length, size = invented_mirror(), 40e-3, 100e-9
    pieces = np.concatenate(
        [
            figure_parts(
                simulate_profile(
                    mirror,
                    STRAIGHT,
                    np.random.default_rng(seed),
                    noise=0.0,
                    figure=size,
                    correlation_length=length,
                )
            )
            for seed in range(40)
        ]
    )
    step = mirror.segments[0].length / pieces.shape[1]
    tolerance = 4 * np.sqrt(2 * length * np.sqrt(np.pi) / mirror.segments[0].length / len(pieces))
    for lag in (0, 5, 10, 20, 40, 80):
        found = np.mean(pieces[:, : pieces.shape[1] - lag] * pieces[:, lag:]) / size**2
        assert abs(found - np.exp(-((lag * step / length) ** 2) / 2)) < tolerance, lag
    # neighbouring segments know nothing of each other: 560 independent products of variance 1 each
    rows = pieces.reshape(40, 14, -1)
    across = np.mean(rows[:, :-1, -1] * rows[:, 1:, 0]) / size**2
    assert abs(across) < 4 / np.sqrt(40 * 13)


def test_noise_has_the_stated_deviation_and_no_memory() -> None:
    """A variance from N independent normal values varies by sqrt(2/N), a product at distance 1 by 1/sqrt(N)."""
    profile = simulate_profile(invented_mirror(), STRAIGHT, np.random.default_rng(3), noise=60e-9, figure=0.0)
    noise = figure_parts(profile) / 60e-9
    assert profile.sigma is not None
    assert_array_equal(profile.sigma, 60e-9)
    assert abs(np.mean(noise**2) - 1) < 4 * np.sqrt(2 / noise.size)
    assert abs(np.mean(noise[:, 1:] * noise[:, :-1])) < 4 / np.sqrt(noise.size)


def test_segments_spread_as_stated() -> None:
    """A standard deviation from n normal values varies by 1/sqrt(2n); 100 mirrors of 14 segments."""
    mirror, rng = invented_mirror(), np.random.default_rng(11)
    states = [hidden_state(mirror, rng, spread_height=7e-6, spread_tilt=30e-6) for _ in range(100)]
    heights = np.array([state.segment_height for state in states])
    tilts = np.array([state.segment_tilt for state in states])
    assert_allclose(heights.std(), 7e-6, rtol=4 / np.sqrt(2 * heights.size))
    assert_allclose(tilts.std(), 30e-6, rtol=4 / np.sqrt(2 * tilts.size))


def test_a_seed_reproduces_and_another_does_not() -> None:
    mirror = invented_mirror()
    one, same, other = (simulate_profile(mirror, STRAIGHT, np.random.default_rng(seed)) for seed in (1, 1, 2))
    assert_array_equal(one.values, same.values)
    assert not (one.values == other.values).any()


def test_an_unknown_quantity_is_refused() -> None:
    with pytest.raises(ParameterError, match="height or slope; got 'curvature'"):
        simulate_profile(invented_mirror(), STRAIGHT, np.random.default_rng(0), quantity="curvature")


# raw scans


#: Without any error of the instrument and without figure: the surface and each scan's own line are left.
CLEAN = {"noise": 0.0, "figure": 0.0, "guide": 0.0, "drift": 0.0, "spikes": 0, "invalid": 0}


def short_mirror() -> Mirror:
    """5 segments of half a metre about the pole."""
    return invented_mirror(segments=5, length=2.5)


def short_scans(seed: int, **options: Any) -> tuple[tuple[Scan, ...], Mirror, HiddenState]:
    """Scans of 1.5 m with a point every 10 mm; figure, noise, guide, drift, spikes and invalid points as given."""
    mirror, rng = short_mirror(), np.random.default_rng(seed)
    state = hidden_state(mirror, rng)
    chosen = {"reach": 1.5, "places": 3, "step": 10e-3, **CLEAN, **options}
    if not chosen["noise"]:
        chosen["noise"] = 1e-30  # a stated uncertainty must be positive; this one is below rounding
    return simulate_scans(mirror, state, rng, **chosen), mirror, state


def beyond_the_surface(scan: Scan, mirror: Mirror, state: HiddenState) -> Array:
    """Values less the true surface by the published closed form, shape (N,)."""
    assert scan.segment is not None
    own = scan.values - ideal("height", scan.x, state.ellipse.p, state.ellipse.q, state.ellipse.theta).real
    own = own - state.height - state.tilt * scan.x
    for segment, height, tilt in zip(mirror.segments, state.segment_height, state.segment_tilt, strict=True):
        inside = scan.segment == segment.name
        assert (scan.x[inside] >= segment.start).all()
        assert (scan.x[inside] <= segment.end).all()
        own[inside] -= height + tilt * (scan.x[inside] - (segment.start + segment.end) / 2)
    rest: Array = own
    return rest


def centred(scan: Scan) -> Array:
    """x from -1 to 1 over the scan, shape (N,)."""
    place: Array = (2 * scan.x - scan.x[0] - scan.x[-1]) / np.ptp(scan.x)
    return place


def test_scans_without_errors_are_the_surface_and_a_line_whose_tilt_is_read() -> None:
    """Conventions: tilt positive when the downstream end rises. Values reach 2 mm, so rounding of five terms is
    below 1e-17 m; 1e-15 leaves room. The reading is off by its own 1e-12 rad, the line's slope by rounding."""
    scans, mirror, state = short_scans(4, angle_stderr=1e-12)
    assert len({scan.name for scan in scans}) == len(scans) == 6
    for scan in scans:
        rest = beyond_the_surface(scan, mirror, state)
        slope, height = np.polyfit(centred(scan), rest, 1)
        assert_allclose(rest, height + slope * centred(scan), rtol=0, atol=1e-15)
        assert scan.angle is not None
        assert abs(slope / (np.ptp(scan.x) / 2)) > 1e-7  # every scan has a tilt of its own
        assert_allclose(scan.angle, slope / (np.ptp(scan.x) / 2), rtol=0, atol=6e-12)


def test_scans_cover_the_mirror_forward_and_backward_and_keep_their_clock() -> None:
    """Carriage: x less a constant, from 0 to the reach at the most. Time runs in the order of measurement and at
    one speed, over the gaps, too; ratios of decimal numbers round to 1e-9 of a scan."""
    scans, mirror, _ = short_scans(6)
    assert min(scan.x.min() for scan in scans) < mirror.span[0] + 10e-3
    assert max(scan.x.max() for scan in scans) > mirror.span[1] - 10e-3
    assert [scan.direction for scan in scans] == ["forward", "backward"] * 3
    for scan in scans:
        assert scan.carriage is not None
        assert scan.time is not None
        assert np.ptp(scan.x - scan.carriage) < 1e-9
        assert (scan.carriage >= 0).all()
        assert (scan.carriage <= 1.5).all()
        assert (np.sign(np.diff(scan.x)) == (1 if scan.direction == "forward" else -1)).all()
        speed = np.abs(np.diff(scan.x)) / np.diff(scan.time)
        assert_allclose(speed, speed[0], rtol=1e-9)
    for forth, back in zip(scans[::2], scans[1::2], strict=True):
        assert_array_equal(forth.x, back.x[::-1])


def test_the_guide_is_one_function_of_the_carriage_with_the_stated_covariance() -> None:
    """Covariance g**2 exp(-(d/l)**2 / 2), as `simulate_profile` defines it for figure.

    Forward and backward see the same guide, a line apart, to rounding. A second difference over h = l knows no
    line; its variance is g**2 (6 - 8 exp(-1/2) + 2 exp(-2)). Two of them 0.3 m apart count as less than two, so
    only the seeds are counted: a variance from n of them is known to sqrt(2/n), and 4 of these are allowed.
    The points at x = -0.45 m and on are on the grid, so nothing is interpolated.
    """
    squares = []
    seeds = 400
    for seed in range(seeds):
        (forth, back), mirror, state = short_scans(seed, places=1, guide=300e-9, guide_length=0.3)
        own = beyond_the_surface(forth, mirror, state)
        gap = own - beyond_the_surface(back, mirror, state)[::-1]
        line = np.polyval(np.polyfit(centred(forth), gap, 1), centred(forth))
        assert_allclose(gap, line, rtol=0, atol=1e-15)
        picked = [int(np.argmin(np.abs(forth.x - x))) for x in (-0.45, -0.15, 0.15)]
        assert_allclose(forth.x[picked], (-0.45, -0.15, 0.15), rtol=0, atol=1e-12)
        squares.append((own[picked] @ (1.0, -2.0, 1.0)) ** 2)
    expected = (300e-9) ** 2 * (6 - 8 * np.exp(-0.5) + 2 * np.exp(-2))
    assert_allclose(np.mean(squares), expected, rtol=4 * np.sqrt(2 / seeds))


def test_drift_is_a_parabola_in_time_with_the_stated_deviation() -> None:
    """The second Legendre polynomial of the scan's time, -1 to 1. A standard deviation from n values varies by
    1/sqrt(2n); 4 of these. Values of 2 mm round below 1e-17 m, times that leaves of a parabola at most 1e-15."""
    sizes = []
    for seed in range(60):
        scans, mirror, state = short_scans(seed, drift=25e-9)
        for scan in scans:
            assert scan.time is not None
            clock = 2 * scan.time / scan.time[-1] - 1
            columns = np.polynomial.legendre.legvander(clock, 2)
            rest = beyond_the_surface(scan, mirror, state)
            found = np.linalg.lstsq(columns, rest, rcond=None)[0]
            assert_allclose(rest, columns @ found, rtol=0, atol=1e-15)
            sizes.append(found[2])
    assert_allclose(np.std(sizes), 25e-9, rtol=4 / np.sqrt(2 * len(sizes)))


def test_spikes_and_invalid_points_are_as_many_and_as_large_as_stated() -> None:
    """The same seed with and without them: 1 um to 8 um at so many points, NaN at others; nothing else moves."""
    clean = np.concatenate([scan.values for scan in short_scans(9)[0]])
    spoiled = np.concatenate([scan.values for scan in short_scans(9, spikes=12, invalid=10)[0]])
    assert np.isfinite(clean).all()
    assert np.isnan(spoiled).sum() == 10
    apart = np.abs(spoiled - clean)[np.isfinite(spoiled)]
    assert (apart > 0).sum() == 12
    assert apart[apart > 0].min() >= 1e-6 - 1e-15  # differences of numbers near 1 mm
    assert apart.max() <= 8e-6 + 1e-15


def test_a_seed_of_scans_reproduces_and_another_does_not() -> None:
    loud = {"noise": 60e-9, "figure": 100e-9, "guide": 300e-9, "drift": 20e-9, "spikes": 12, "invalid": 10}
    (one, _, _), (same, _, _), (other, _, _) = (short_scans(seed, **loud) for seed in (1, 1, 2))
    for first, second, third in zip(one, same, other, strict=True):
        for name in ("x", "values", "sigma", "carriage", "time", "segment"):
            assert_array_equal(getattr(first, name), getattr(second, name))
        assert first.angle == second.angle
        shared, left, right = np.intersect1d(first.x, third.x, return_indices=True)
        assert len(shared)
        assert not (first.values[left] == third.values[right]).any()
    assert all(scan.angle is None for scan in short_scans(1, angle_stderr=None)[0])


# the demo


@cache
def demo_fit() -> tuple[EllipseFit, Stitched, HiddenState]:
    mirror, scans, truth = demo_scans()
    stitched = stitch(scans, mirror)
    return fit_ellipse(stitched.profile, mirror), stitched, truth


def test_the_demo_finds_what_was_hidden_in_its_scans() -> None:
    """12 spikes of 1 um or more in noise of 60 nm and 10 invalid points, as `simulate_scans` says; two directions
    and angle readings leave no parabola open."""
    _, stitched, _ = demo_fit()
    assert stitched.masked["invalid"] == 10
    assert stitched.spikes == 12
    assert not [item.function for item in stitched.undetermined if "parabola" in item.function]


def test_the_default_fit_of_the_demo_covers_the_truth() -> None:
    """Within 3.5 stated standard uncertainties, and all three parameters are told apart."""
    fit, _, truth = demo_fit()
    assert fit.varied == ("p", "q", "theta")
    for name in fit.varied:
        stderr = fit.stderr(name)
        assert stderr is not None
        assert abs(getattr(fit.ellipse, name) - getattr(truth.ellipse, name)) < 3.5 * stderr, name


def test_the_demo_fit_tells_each_segment_once_pose_and_ellipse_are_set_aside() -> None:
    """Within 1.5 um and 5 urad of the truth less a cubic, the part that a pose or another ellipse explains."""
    fit, _, truth = demo_fit()
    middles = np.array([segment.middle for segment in fit.mirror.segments])
    basis = np.vander(middles, 4)
    slopes = np.column_stack([3 * middles**2, 2 * middles, np.ones(14), np.zeros(14)])
    both = np.concatenate([basis / 1.5e-6, slopes / 5e-6])
    off = np.concatenate(
        [
            [(s.height or 0.0) - true for s, true in zip(fit.segments, truth.segment_height, strict=True)],
            [(s.tilt or 0.0) - true for s, true in zip(fit.segments, truth.segment_tilt, strict=True)],
        ]
    ) / np.repeat([1.5e-6, 5e-6], 14)
    left = off - both @ np.linalg.lstsq(both, off, rcond=None)[0]
    assert np.abs(left).max() < 1


# the demo data beside the package


def assert_same_scans(found: Path, kept: Path) -> None:
    """The same words, and numbers as far as they do not hang on the C library: values near 1 cm and lengths of
    some metres round below 1e-15 m, a seed's random numbers are the same everywhere."""
    pairs = list(zip(read_scans(found), read_scans(kept), strict=True))
    assert len(pairs) == 14
    for one, other in pairs:
        assert (one.name, one.quantity, one.direction, one.orientation) == (
            *(other.name, other.quantity),
            *(other.direction, other.orientation),
        )
        assert one.segment is not None
        assert other.segment is not None
        assert_array_equal(one.segment, other.segment)
        for name in ("x", "values", "sigma", "carriage"):
            assert_allclose(getattr(one, name), getattr(other, name), rtol=0, atol=1e-14, err_msg=name)
        assert one.time is not None
        assert other.time is not None
        assert_allclose(one.time, other.time, rtol=0, atol=1e-9)  # s, of some 600 s
        assert one.angle is not None
        assert other.angle is not None
        assert_allclose(one.angle, other.angle, rtol=1e-12)
        assert one.angle_stderr == other.angle_stderr


def test_the_demo_command_still_writes_the_files_in_data_demo(tmp_path: Path) -> None:
    """The content is compared: HDF5 keeps the time of writing and its library's habits."""
    folder = tmp_path / "demo"
    result = run_demo(folder, when=datetime(2026, 1, 1, tzinfo=UTC))
    assert result.plan.feasible
    assert result.stitched is not None
    assert sorted(path.name for path in folder.iterdir()) == ["mirror.toml", "record.h5", "report.html", "scans.h5"]
    assert (folder / "mirror.toml").read_text("utf-8") == (DATA_DEMO / "mirror.toml").read_text("utf-8")
    assert_same_scans(folder / "scans.h5", DATA_DEMO / "scans.h5")


def test_the_checksums_beside_the_demo_data_are_right() -> None:
    """`sha256sum` format; every file but the note itself is listed."""
    note = (DATA_DEMO / "README.md").read_text(encoding="utf-8")
    listed = {name: checksum for checksum, name in re.findall(r"(?m)^([0-9a-f]{64})  (.+)$", note)}
    assert sorted(listed) == sorted(path.name for path in DATA_DEMO.iterdir() if path.name != "README.md")
    for name, checksum in listed.items():
        assert hashlib.sha256((DATA_DEMO / name).read_bytes()).hexdigest() == checksum, name


def test_the_demo_mirror_file_reads_back_as_the_mirror() -> None:
    """Positions are rounded to a micrometre by the maker, and written whole."""
    mirror, _, _ = demo_mirror()
    assert read_mirror(DATA_DEMO / "mirror.toml") == mirror
