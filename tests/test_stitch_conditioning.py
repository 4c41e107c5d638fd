"""Scans made ready: what is masked and why, and one clear sentence for each bad input."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.mirror import Measurement
from ellipsefit.scan import Scan
from ellipsefit.stitching import StitchSettings, stitch
from ellipsefit.stitching.conditioning import condition_scans
from tests.stitch_cases import NOMINAL, Array, Campaign, error_of, less, mirror_of

MIRROR = mirror_of((-0.6, 0.6))
NOISE = 5e-8
STARTS = (-0.50, -0.37, -0.22, -0.13, 0.03)


def scans(seed: int = 1, **changes: Any) -> list[Scan]:
    rng = np.random.default_rng(seed)
    case = Campaign(
        starts=STARTS,
        points=100,
        step=0.004,
        heights=rng.normal(0, 1e-5, 5),
        tilts=rng.normal(0, 1e-5, 5),
        noise=NOISE,
        sigma=NOISE,
        timed=True,
    )
    return replace(case, **changes).scans(rng)


def with_(number: int, **changes: Any) -> list[Scan]:
    """The scans, one of them changed."""
    made = scans()
    made[number] = replace(made[number], **changes)
    return made


def reversed_x(scan: Scan) -> Scan:
    """A backward pass stored with the x of a forward one."""
    return replace(scan, values=scan.values[::-1])


def no_overlap() -> list[Scan]:
    return scans(starts=(-0.55, -0.5, 0.15), heights=None, tilts=None)


def wrong_carriage() -> list[Scan]:
    carriage = scans()[2].carriage
    assert carriage is not None
    return with_(2, carriage=carriage * 1.01)


def backward_carriage() -> list[Scan]:
    carriage = scans()[2].carriage
    assert carriage is not None
    return with_(2, carriage=carriage[::-1])


def time_backwards() -> list[Scan]:
    time = scans()[1].time
    assert time is not None
    wrong = np.array(time)
    wrong[40] = wrong[38]
    return with_(1, time=wrong)


def turning_back() -> list[Scan]:
    x = np.array(scans()[3].x)
    x[50] = x[48]
    return with_(3, x=x, carriage=None)


def mixed() -> list[Scan]:
    return [*scans()[:4], scans(quantity="slope")[4]]


def same_content() -> list[Scan]:
    made = scans()
    return [*made, replace(made[1], name="scan 6", time=None)]


def same_name() -> list[Scan]:
    return with_(1, name="scan 1")


def warm() -> list[Scan]:
    made = [replace(scan, temperature=np.full(100, 293.15)) for scan in scans()]
    made[3] = replace(made[3], temperature=np.full(100, 294.0))
    return made


def other_segment() -> list[Scan]:
    return with_(2, segment=np.full(100, "T9"))


def beside_the_mirror() -> list[Scan]:
    return with_(4, x=scans()[4].x + 5.0)


def declared_forward() -> list[Scan]:
    made = scans()[1]
    assert made.carriage is not None
    turned = replace(made, x=made.x[::-1], values=made.values[::-1], carriage=made.carriage[::-1], direction="forward")
    return [turned if scan.name == turned.name else scan for scan in scans()]


@pytest.mark.parametrize(
    ("bad", "sentence"),
    [
        (
            no_overlap,
            "the scans don't hang together: .*scan 3 against the other scans; expected overlaps",
        ),
        (wrong_carriage, r"scan 'scan 3': the carriage doesn't match x, .* changes by 3.96 mm; expected within 0.1 mm"),
        (backward_carriage, "scan 'scan 3': the carriage doesn't match x, .*turned end for end, or x is reversed"),
        (time_backwards, "scan 'scan 2': time runs backwards at point 41; expected the order of measurement"),
        (turning_back, "scan 'scan 4': x turns back at point 51; expected one pass in one direction"),
        (same_content, "scan 'scan 6' has the same content as scan 'scan 2'; expected each scan once"),
        (same_name, "two scans are called 'scan 1'; expected a name for each"),
        (warm, "scan 'scan 4' was taken 0.85 K warmer than scan 'scan 1'; expected all within 0.5 K"),
        (other_segment, "scan 'scan 3': segment 'T9' is not in the mirror file of 'Hazel'; expected one of S1"),
        (beside_the_mirror, "scan 'scan 5': no valid point lies on a segment of mirror 'Hazel'.*check the unit of x"),
        (declared_forward, "scan 'scan 2' is declared forward but its carriage runs backward; expected the two to"),
        (lambda: with_(2, values=scans()[2].values * 1e3), "scan 'scan 3': its heights are a factor 1000 away"),
        (lambda: with_(2, values=scans()[2].values * 1e-3), "scan 'scan 3': its heights are a factor 0.001 away"),
        (lambda: with_(2, values=-scans()[2].values), "scan 'scan 3': the curve is convex where mirror 'Hazel' is"),
        (lambda: with_(0, x=scans()[0].x * 1e3, carriage=None), "scan 'scan 1': no valid point .*check the unit of x"),
        (list, "no scans are given; expected at least one"),
    ],
    ids=lambda value: value.__name__.strip("<>") if callable(value) else "",
)
def test_bad_scans_get_one_clear_sentence(bad: Callable[[], Sequence[Scan]], sentence: str) -> None:
    """What, which scan, and what was expected. Source: the requirement, word by word."""
    with pytest.raises(DataError) as caught:
        stitch(bad(), MIRROR)
    text = str(caught.value)
    assert re.search(sentence, text), text
    assert "\n" not in text


def test_heights_and_slopes_are_not_conditioned_as_one() -> None:
    """Of two kinds in one problem the sentence names one scan of each. Source: the requirement."""
    with pytest.raises(DataError, match="'scan 1' heights and 'scan 5' slopes; expected one of them"):
        condition_scans(mixed(), MIRROR, StitchSettings())


@pytest.mark.parametrize("quantity", ["height", "slope"])
@pytest.mark.parametrize("count", [1, 2, 3])
def test_a_reversed_scan_is_found_by_the_gradient_of_curvature(count: int, quantity: Any) -> None:
    """A long scan of an asymmetric ellipse: its cubic, some 10 um over 3 m, has the wrong sign back to front.

    z = c x**2 (1 + k x ...), k = (p - q) cos(theta) / (2 p q). Source: series of the ellipse.
    """
    long = mirror_of((-2.0, -0.01), (0.01, 2.0))
    noise = NOISE if quantity == "height" else 1e-6
    case: dict[str, Any] = {
        "starts": (-1.9, -1.5, -1.2)[:count],
        "points": 150,
        "step": 0.02,
        "heights": None,
        "tilts": None,
    }
    made = scans(**case, quantity=quantity, noise=noise, sigma=noise)
    stitch(made, long)
    # x as of a pass the other way: the curve about the scan's middle is mirrored, a line apart
    made[-1] = replace(made[-1], values=made[-1].values[::-1] * (1.0 if quantity == "height" else -1.0))
    with pytest.raises(DataError, match=rf"scan '{made[-1].name}': its curvature changes along x against .*reversed"):
        stitch(made, long)


def short(seed: int, count: int, figure: float, quantity: Any = "height") -> list[Scan]:
    """Scans of 0.4 m on a mirror so nearly symmetric that its curve tells no direction; waves of the figure do."""
    rng = np.random.default_rng([57, seed])
    phase = rng.uniform(0, 2 * np.pi, 3)
    noise = 2e-8 if quantity == "height" else 1e-7

    def waves(x: Any) -> Any:
        rate = np.array([9.0, 23.0, 41.0])
        size = figure * (np.ones(3) if quantity == "height" else rate)
        return (size * np.sin(rate * x[:, None] + phase)).sum(axis=1)

    return scans(
        seed, starts=STARTS[:count], figure=waves, noise=noise, sigma=noise, quantity=quantity, timed=False,
        heights=rng.normal(0, 1e-5, count), tilts=rng.normal(0, 1e-5, count),
    )  # fmt: skip


@pytest.mark.parametrize("quantity", ["height", "slope"])
@pytest.mark.parametrize("which", [0, 2, 4])
def test_a_short_reversed_scan_is_found_by_what_the_others_saw(which: int, quantity: Any) -> None:
    """Waves of 100 nm, five times the noise, in the wrong order: turned round they fit, as they stand they don't.

    Source: definition. The nominal curve's odd part over 0.4 m is below 0.2 um and tells nothing.
    """
    for seed in range(2):
        made = short(seed, 5, 1e-7, quantity)
        assert not stitch(made, MIRROR).warnings
        turn = 1.0 if quantity == "height" else -1.0
        made[which] = replace(made[which], values=turn * made[which].values[::-1], direction="forward")
        with pytest.raises(DataError, match=rf"scan '{made[which].name}'.* fits the other scans only back to front"):
            stitch(made, MIRROR)


def test_of_two_scans_without_a_guide_the_reversed_one_is_found() -> None:
    """Turned round, the wrong one fits the other; the right one doesn't. Source: definition."""
    made = [replace(scan, carriage=None) for scan in short(1, 2, 1e-7)]
    made[1] = replace(made[1], values=made[1].values[::-1], direction="forward")
    with pytest.raises(DataError, match=r"scan 'scan 2'.* fits the other scans only back to front"):
        stitch(made, MIRROR)


@pytest.mark.parametrize("count", [1, 2, 5])
def test_what_nothing_tells_from_its_mirror_image_is_said(count: int) -> None:
    """No figure on a symmetric ellipse, or two scans of a guide of any shape: a warning names them.

    Source: definition; of p = q = 10 m, the odd part over 0.4 m at 0.3 m from the pole is below 1 nm.
    """
    even = Ellipse(10.0, 10.0, 20e-3)
    starts = (-0.50, -0.37, -0.22, -0.13, 0.03)[:count]
    made = scans(starts=starts, nominal=even, heights=[1e-6] * count, tilts=None, timed=False)
    if count == 2:
        made = short(1, 2, 1e-7)
    mirror = MIRROR if count == 2 else replace(MIRROR, nominal=even)
    said = [text for text in stitch(made, mirror).warnings if "back to front" in text]
    assert len(said) == 1
    assert made[0].name in said[0]
    made[-1] = replace(made[-1], values=made[-1].values[::-1])
    stitch(made, mirror)  # as it was said: it is not noticed


def test_good_scans_are_not_taken_for_reversed() -> None:
    """9 campaigns of figures from nothing to much: never an error. Source: definition."""
    for seed in range(9):
        stitch(short(seed, 2 + seed % 4, 10.0 ** (-9 + seed % 3)), MIRROR)


def test_a_scan_that_contradicts_the_others_is_named() -> None:
    """One pass over another mirror of the same shape: its waves of 2 um are not those of the 11 others.

    Residuals of scans that fit are those of noise, 20 nm. Source: definition.
    """
    starts = tuple(-0.5 + 0.047 * np.arange(12))
    case: dict[str, Any] = {
        "starts": starts,
        "heights": None,
        "tilts": None,
        "noise": 2e-8,
        "sigma": 2e-8,
        "carriage": False,
    }
    made = scans(**case)
    other = scans(**case, figure=lambda x: 2e-6 * np.sin(60 * x))
    made[4] = other[4]
    with pytest.raises(DataError, match=r"scan 'scan 5' contradicts the others: .*check whether its x is reversed"):
        stitch(made, MIRROR)


def test_one_scan_is_a_profile_as_it_stands() -> None:
    """Height and tilt apart, a single scan comes back as it was measured. Source: definition."""
    only = scans()[2]
    result = stitch([only], MIRROR)
    assert_allclose(result.profile.x, only.x, rtol=0, atol=1e-12)
    assert np.abs(less(result.profile.x, result.profile.values - only.values, 1)).max() < 1e-12
    words = " ".join(item.function for item in result.undetermined)
    assert "height of the whole profile" in words
    assert "guide's straightness" in words


def test_every_mask_carries_its_reason_and_raw_data_stay() -> None:
    """Spikes, NaN, chamfers and points beside the mirror, as put in. Source: definition."""
    mirror = mirror_of((-0.5, -0.302), (-0.298, 0.43))
    mirror = replace(mirror, segments=tuple(replace(part, edge=0.01) for part in mirror.segments))
    made = scans()
    values, before = np.array(made[0].values), np.array(made[0].values)
    values[30], values[75], values[61] = np.nan, values[75] + 3e-6, values[61] - 3e-6
    before[[30, 75, 61]] = values[[30, 75, 61]]
    made[0] = replace(made[0], values=values)
    first = condition_scans(made, mirror, StitchSettings())[0]
    assert first.reason[30] == "invalid"
    assert list(np.flatnonzero(first.reason == "spike")) == [61, 75]
    inside = (first.x >= -0.5 - 1e-9) & (first.x <= -0.302 + 1e-9) | (first.x >= -0.298 - 1e-9)
    assert list(np.flatnonzero(first.reason == "outside")) == list(np.flatnonzero(~inside))
    near = np.abs(first.x[:, None] - np.array([-0.5, -0.302, -0.298])).min(axis=1) < 0.01 - 1e-9
    assert list(np.flatnonzero(first.reason == "edge")) == list(np.flatnonzero(near & inside))
    np.testing.assert_array_equal(first.scan.values, before)
    result = stitch(made, mirror)
    assert result.masked["spike"] >= 2
    assert result.masked["invalid"] == 1
    assert result.spikes == result.masked["spike"]
    assert np.isnan(result.residuals[0][75])


def test_good_points_are_seldom_taken_for_spikes() -> None:
    """Of 5 x 20 x 100 normal points none to a handful lie beyond 6 robust standard deviations (1e-9 each,
    a little more as the scale is estimated): at most 1 in 1000. Source: the normal law."""
    masked = 0
    for seed in range(20):
        conditioned = condition_scans(scans(seed), MIRROR, StitchSettings())
        masked += sum(int((~scan.used).sum()) for scan in conditioned)
    assert masked <= 10


def test_roll_off_is_masked_at_the_end_that_bends_away() -> None:
    """The last 8 points fall by a parabola to 2 um; the search spans the outer tenth. Source: what was put in."""
    made = scans()
    values = np.array(made[1].values)
    values[-8:] -= 2e-6 * (np.arange(1, 9) / 8) ** 2
    made[1] = replace(made[1], values=values)
    conditioned = condition_scans(made, MIRROR, StitchSettings())[1]
    bad = np.flatnonzero(conditioned.reason == "roll-off")
    assert len(bad) >= 4
    assert bad.min() >= 90
    assert bad.max() == 99
    off = condition_scans(made, MIRROR, StitchSettings(roll_off=False, spike_threshold=None))[1]
    assert off.used.all()


def test_sharp_chamfers_of_one_or_two_points_are_masked() -> None:
    """20 um down over the last 6 mm of each segment at a step of 4 mm: one or two points. Source: what was put in."""
    spans = ((-0.5, -0.302), (-0.298, -0.1), (-0.096, 0.43))
    mirror = mirror_of(*spans)
    made = []
    for scan in scans(heights=None, tilts=None):
        values = np.array(scan.values)
        low = np.zeros(len(values), dtype=bool)
        for end in np.ravel(spans):
            low |= np.abs(scan.x - end) < 0.006
        values[low] -= 20e-6
        made.append((replace(scan, values=values), low))
    for (raw, low), ready in zip(made, condition_scans([s for s, _ in made], mirror, StitchSettings()), strict=True):
        for number in np.unique(ready.segment[ready.segment >= 0]):
            here = ready.segment == number
            if here.sum() >= 12:
                assert not (low & here & ready.used).any(), raw.name
                assert (~low & here & ~ready.used).sum() <= 1


def test_temperature_brings_lengths_to_the_reference() -> None:
    """x and heights over 1 + expansion (T - reference): a glass of 9e-6 / K, 2 K too warm. Source: definition."""
    how = Measurement(reference_temperature=293.15, temperature=293.15, expansion=9e-6)
    mirror = replace(MIRROR, measurement=how)
    made = [replace(scan, temperature=np.full(100, 295.15)) for scan in scans()]
    conditioned = condition_scans(made, mirror, StitchSettings())[0]
    assert_allclose(conditioned.x, made[0].x / (1 + 18e-6), rtol=1e-14)
    expected = made[0].values / (1 + 18e-6) - NOMINAL.height(made[0].x / (1 + 18e-6))
    assert_allclose(conditioned.deviation, expected, rtol=0, atol=1e-16)


def test_scans_upstream_and_backward_are_the_same_mirror() -> None:
    """x turned by the mirror file, points in reverse order of a backward pass: the profile doesn't care.

    Source: definition; the same noise in both, so that only rounding differs, 1e-16 times the condition.
    """
    made = scans()
    turned = [
        replace(
            scan,
            x=0.003 - scan.x[::-1],
            values=scan.values[::-1],
            carriage=None if scan.carriage is None else 0.5 - scan.carriage[::-1],
        )
        for scan in made
    ]
    mirror = replace(MIRROR, measurement=Measurement(x_direction="upstream", x_offset=0.003))
    settings = StitchSettings(spike_threshold=None, roll_off=False, guide=False, drift_degree=0)
    profile = stitch(made, MIRROR, settings=settings).profile
    other = stitch(turned, mirror, settings=settings).profile
    assert_allclose(other.x, profile.x, rtol=0, atol=1e-12)
    assert np.abs(less(profile.x, error_of(other, np.zeros_like) - error_of(profile, np.zeros_like), 1)).max() < 1e-11


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"spike_threshold": 1.0}, "spike_threshold must be at least 3"),
        ({"guide_straightness": 0.0}, "guide_straightness must be positive"),
        ({"drift_degree": 9}, "drift_degree must be from 0 to 6"),
        ({"temperature_limit": float("nan")}, "temperature_limit must be positive"),
    ],
)
def test_settings_out_of_range_are_refused(settings: dict[str, Any], words: str) -> None:
    """Each sentence names the setting. Source: its documentation."""
    with pytest.raises(ParameterError, match=words):
        StitchSettings(**settings)


def test_a_bend_of_the_guide_is_not_taken_for_roll_off_and_roll_off_is_still_found() -> None:
    """What bends away at the same place of the mirror in scans with the guide elsewhere is the mirror's own."""
    mirror = mirror_of(*((0.1 * edge, 0.1 * edge + 0.0999) for edge in range(-4, 4)))

    def rolls(x: Array) -> Array:
        return np.asarray(np.where((x > -0.1005) & (x < -0.092), -2e-6 * ((x + 0.092) / 0.008) ** 2, 0.0))

    case = Campaign(
        starts=(-0.4, -0.371, -0.332, -0.286, -0.215, -0.16),
        points=500,
        step=1e-3,
        figure=rolls,
        guide=lambda c: 2e-6 * np.exp(-(((c - 0.3) / 0.03) ** 2)),
        noise=2e-8,
        sigma=2e-8,
    )
    raw = case.scans(np.random.default_rng(5))
    conditioned = condition_scans(raw, mirror, StitchSettings())
    masked = np.concatenate([scan.x[scan.reason == "roll-off"] for scan in conditioned])
    alone = np.concatenate([condition_scans([scan], mirror, StitchSettings())[0].reason == "roll-off" for scan in raw])
    assert len(masked) >= 4 * 4  # where the guide bends as much, a scan cannot see it
    assert ((masked > -0.101) & (masked < -0.091)).all()
    assert alone.sum() > len(masked)  # by itself, a scan can't tell
