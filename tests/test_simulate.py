"""The simulator: what it claims to have put in is in there, and the demo data are what it makes."""

from __future__ import annotations

import hashlib
import re
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.files import read_mirror, read_profile, write_mirror, write_text_profile
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.job import run_demo
from ellipsefit.profile import Profile
from ellipsefit.simulate import (
    HiddenState,
    demo_mirror,
    hidden_state,
    invented_mirror,
    simulate_profile,
)
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


@cache
def demo_fit() -> tuple[EllipseFit, HiddenState]:
    mirror, profile, truth = demo_mirror()
    return fit_ellipse(profile, mirror), truth


def test_the_default_fit_of_the_demo_covers_the_truth() -> None:
    """Within 3.5 stated standard uncertainties, and all three parameters are told apart."""
    fit, truth = demo_fit()
    assert fit.varied == ("p", "q", "theta")
    for name in fit.varied:
        stderr = fit.stderr(name)
        assert stderr is not None
        assert abs(getattr(fit.ellipse, name) - getattr(truth.ellipse, name)) < 3.5 * stderr, name


def test_the_demo_fit_tells_each_segment_once_pose_and_ellipse_are_set_aside() -> None:
    """Within 1.5 um and 5 urad of the truth less a cubic, the part that a pose or another ellipse explains."""
    fit, truth = demo_fit()
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


def numbers_and_text(content: str) -> tuple[list[str], Array]:
    """What a file says between its numbers, and the numbers as they are printed."""
    pattern = r"(?<![\w.])-?\d+(?:\.\d+)?"
    return re.split(pattern, content), np.array([float(item) for item in re.findall(pattern, content)])


def test_the_demo_still_writes_the_files_in_data_demo(tmp_path: Path) -> None:
    """The same words, and numbers equal to one unit of the last printed digit: a tenth of a nanometre in x
    and a picometre in height, where sin, cos and exp of another C library may round the other way."""
    mirror, profile, _ = demo_mirror()
    write_mirror(mirror, tmp_path / "mirror.toml")
    remark = (DATA_DEMO / "profile.csv").read_text(encoding="utf-8").splitlines()[0].removeprefix("# ")
    write_text_profile(profile, tmp_path / "profile.csv", comments=(remark,))
    assert (tmp_path / "mirror.toml").read_text(encoding="utf-8") == (DATA_DEMO / "mirror.toml").read_text("utf-8")
    found_text, found = numbers_and_text((tmp_path / "profile.csv").read_text("utf-8"))
    kept_text, kept = numbers_and_text((DATA_DEMO / "profile.csv").read_text("utf-8"))
    assert found_text == kept_text
    assert_allclose(found, kept, rtol=0, atol=1.001e-6)  # um, six decimals; of x the seventh of a mm follows
    x, kept_x = (read_profile(home / "profile.csv").x for home in (tmp_path, DATA_DEMO))
    assert_allclose(x, kept_x, rtol=0, atol=1.001e-10)


def test_the_demo_command_writes_these_files(tmp_path: Path) -> None:
    result = run_demo(tmp_path / "demo", when=datetime(2026, 1, 1, tzinfo=UTC))
    assert result.plan.feasible
    assert sorted(path.name for path in (tmp_path / "demo").iterdir()) == [
        "mirror.toml",
        "profile.csv",
        "record.h5",
        "report.html",
    ]
    for name in ("mirror.toml", "profile.csv"):
        found, kept = (home / name for home in (tmp_path / "demo", DATA_DEMO))
        assert numbers_and_text(found.read_text("utf-8"))[0] == numbers_and_text(kept.read_text("utf-8"))[0]


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
