"""Profiles that are read block by block: the same answers as of those that are held, in bounded memory."""

from __future__ import annotations

import json
import os
import tracemalloc
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Literal

import h5py
import numpy as np
import numpy.typing as npt
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from ellipsefit.align import plan_corrections
from ellipsefit.cli import main
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import DataError, FileFormatError, FileMissingError
from ellipsefit.figure import Surface, figure_errors
from ellipsefit.files import (
    inspect_file,
    inspect_together,
    open_profile,
    read_profile,
    registry,
    write_mirror,
    write_profile,
)
from ellipsefit.files.nexus import NexusProfile, open_nexus_profile
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.fit.effects import segment_effects
from ellipsefit.fit.problem import SegmentModel
from ellipsefit.fit.reduction import reduce_profile
from ellipsefit.fit.robust import without_strays
from ellipsefit.fit.surface_error import SurfaceLikelihood, estimate_correlated
from ellipsefit.mirror import Measurement, Mirror
from ellipsefit.moments import Moments, bin_starts
from ellipsefit.profile import Frame, PlacedProfile, Profile, Quantity, place_profile
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile
from ellipsefit.stream import PlacedStream, place_source
from tests.rehearsal import PARAMETERS, even_mirror
from tests.test_fit import dense_fit

Array = npt.NDArray[np.float64]
NOMINAL = Ellipse(12.0, 8.0, 20e-3)
MIRROR = invented_mirror(name="Rowan", nominal=NOMINAL, segments=6, length=3.0, gap=5e-3)


def measured(
    quantity: Quantity = "height", *, step: float = 1e-3, seed: int = 1, mirror: Mirror = MIRROR, **options: float
) -> Profile:
    rng = np.random.default_rng(seed)
    sizes = {"noise": 60e-9, "figure": 100e-9} if quantity == "height" else {"noise": 100e-9, "figure": 200e-9}
    return simulate_profile(mirror, hidden_state(mirror, rng), rng, step=step, quantity=quantity, **(sizes | options))


def turned(profile: Profile) -> Profile:
    """The same points, last first."""
    return rearranged(profile, np.arange(len(profile))[::-1])


def rearranged(profile: Profile, order: npt.NDArray[np.intp]) -> Profile:
    assert profile.sigma is not None
    assert profile.segment is not None
    return replace(
        profile,
        x=profile.x[order],
        values=profile.values[order],
        sigma=profile.sigma[order],
        segment=profile.segment[order],
        mask=None if profile.mask is None else profile.mask[order],
    )


# what blocks do not change


@pytest.mark.parametrize("block", [1, 7, 64, 1000, 10_000])
def test_moments_do_not_depend_on_blocks(block: int) -> None:
    """Sums over 1000 points in 9 bins, about means of 1 with deviations of 1e-6: as by definition."""
    rng = np.random.default_rng(2)
    columns = (1 + 1e-6 * rng.normal(size=1000), 3 + 1e-6 * rng.normal(size=1000))
    weight = rng.uniform(0.5, 2, 1000)
    moments = Moments(9, 2)
    for start in range(0, 1000, block):
        stop = min(start + block, 1000)
        starts, first = bin_starts(start, stop, 1000, 9)
        moments.add(tuple(column[start:stop] for column in columns), weight[start:stop], starts, first)
    edges = [j * 1000 // 9 for j in range(10)]
    for j, (start, stop) in enumerate(pairwise(edges)):
        w, (u, v) = weight[start:stop], (column[start:stop] for column in columns)
        assert moments.count[j] == stop - start
        assert_allclose(moments.weight[j], w.sum(), rtol=1e-13)
        middle = np.array([w @ u, w @ v]) / w.sum()
        assert_allclose(moments.mean[j], middle, rtol=1e-15 * 10)
        rest = np.stack([u - middle[0], v - middle[1]])
        # positions are rounded to 2e-16, 2e-10 of what they deviate by
        assert_allclose(moments.product[j], (rest * w) @ rest.T, rtol=1e-8, atol=1e-8 * w.sum() * 1e-12)


@pytest.mark.parametrize("quantity", ["height", "slope"])
@pytest.mark.parametrize("block", [13, 500])
@pytest.mark.parametrize("order", ["as it stands", "last first"])
def test_the_reduction_of_a_stream_is_that_of_the_held_profile(quantity: Quantity, block: int, order: str) -> None:
    """Factors, projections and block means to rounding: 1e-12 of the largest."""
    profile = measured(quantity)
    source = profile if order == "as it stands" else turned(profile)
    held, read = (
        reduce_profile(place_profile(profile, MIRROR)),
        reduce_profile(place_source(source, MIRROR, block=block)),
    )
    for one, other in zip(held.segments, read.segments, strict=True):
        assert (one.number, one.count, one.within_freedom) == (other.number, other.count, other.within_freedom)
        for key in ("nodes", "factor", "projection", "block_x", "block_basis", "block_value", "block_weight"):
            wanted, found = getattr(one, key), getattr(other, key)
            assert_allclose(found, wanted, rtol=0, atol=1e-12 * np.abs(wanted).max())
        # 0.2 mm of pose beside 60 nm of noise is 1e7, squared: of 1e-16 for each of some ten roundings 1e-8 is left
        assert_allclose(other.rest, one.rest, rtol=5e-8)
        assert_allclose(other.within, one.within, rtol=1e-9)


def assert_same_answers(found: EllipseFit, wanted: EllipseFit, *, rtol: float = 1e-9, share: float = 1e-3) -> None:
    """Values within a share of their uncertainty (a likelihood is maximised to 1e-3 of it), figures to rounding."""
    assert found.varied == wanted.varied
    assert found.warnings == wanted.warnings
    for name in wanted.varied:
        one, other, stderr = getattr(found.ellipse, name), getattr(wanted.ellipse, name), wanted.stderr(name)
        assert stderr is not None
        assert abs(one - other) <= share * stderr
        assert_allclose(found.stderr(name) or 0, stderr, rtol=1e-3)
    one_figure, other_figure = found.to_dict()["figure"], wanted.to_dict()["figure"]
    for key, value in other_figure.items():
        if value is not None:  # uncertainties are as sure as the noise that was estimated
            assert_allclose(one_figure[key], value, rtol=1e-3 if "stderr" in key or "noise" in key else rtol)
    for mine, theirs in zip(found.segments, wanted.segments, strict=True):
        assert mine.name == theirs.name
        assert_allclose(mine.height_error_rms or 0, theirs.height_error_rms or 0, rtol=rtol)
        assert_allclose(mine.slope_error_rms or 0, theirs.slope_error_rms or 0, rtol=rtol)


@pytest.mark.parametrize("quantity", ["height", "slope"])
@pytest.mark.parametrize("step", [1e-3, 4e-5])
@pytest.mark.parametrize("residual", ["white", "correlated"])
def test_a_stream_is_fitted_as_the_held_profile(
    quantity: Quantity, step: float, residual: Literal["white", "correlated"]
) -> None:
    """Few points, and many (75,000: slopes from means in cells); upwards and downwards."""
    profile = measured(quantity, step=step)
    block = 97 if step > 1e-4 else 3001
    model: SegmentModel = "free" if residual == "white" else "random"
    wanted = fit_ellipse(profile, MIRROR, residual=residual, segments=model)
    for source in (profile, turned(profile)):
        found = fit_ellipse(place_source(source, MIRROR, block=block), residual=residual, segments=model)
        assert_same_answers(found, wanted, rtol=1e-8 if residual == "white" else 1e-4)
        if residual == "white":  # no likelihood is searched: the same to rounding
            for name in wanted.varied:
                assert_allclose(getattr(found.ellipse, name), getattr(wanted.ellipse, name), rtol=1e-9)


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_a_stream_is_fitted_as_by_dense_least_squares(quantity: Quantity) -> None:
    """Every point, height and tilt as unknowns of `scipy.optimize.least_squares`: p, q, theta within 1e-9."""
    profile = measured(quantity, step=4e-3)
    mirror = replace(MIRROR, measurement=Measurement())  # nothing is unsure but the points
    placed = place_profile(profile, mirror)
    dense, _, covariance = dense_fit(placed, np.array([12.0, 8.0, 20e-3]))
    fit = fit_ellipse(place_source(profile, mirror, block=50), vary=PARAMETERS, segments="free", residual="white")
    assert_allclose([fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta], dense, rtol=1e-9)
    stderr = np.sqrt(np.diag(fit.covariance)) / fit.settings.surface_error.noise
    assert_allclose(stderr, np.sqrt(np.diag(covariance))[:3], rtol=1e-7)


@pytest.mark.parametrize("more", [1, 1e3, 1e6])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_most_likely_surface_error_is_found_however_many_points_tell_the_noise(more: float, seed: int) -> None:
    """There the restricted likelihood is level: half a gradient of 0.02 over an information of 1 or more is a
    hundredth of the standard deviation of a logarithm."""
    reduction = reduce_profile(place_profile(measured(seed=seed), MIRROR))
    segments = tuple(
        replace(part, within=part.within * more, within_freedom=round(part.within_freedom * more))
        for part in reduction.segments
    )
    reduction, effects = replace(reduction, segments=segments), segment_effects(reduction)
    partials = reduction.partials(NOMINAL)
    own = [np.column_stack(both) for both in zip(effects.own, effects.form, strict=True)]
    offset, shared = np.zeros(len(partials)), partials[:, :0]
    error = estimate_correlated(reduction, offset=offset, shared=shared, own=own, noise=1.0)
    likelihood = SurfaceLikelihood(reduction, offset, shared, own)
    likelihood.kind = error.kind
    gradient = likelihood(np.log([error.noise, error.correlated, error.length]))[1]
    assert np.abs(gradient[1:]).max() < 0.02


# how it lies on the mirror


def points_of(placed: PlacedStream | PlacedProfile) -> list[tuple[Array, Array]]:
    found = []
    for number in placed.measured:
        blocks = list(placed.blocks(number))
        found.append((np.concatenate([b.x for b in blocks]), np.concatenate([b.values for b in blocks])))
    return found


def assert_same_points(found: PlacedStream, wanted: PlacedProfile) -> None:
    assert (found.measured, found.count, found.outside, found.masked, found.warnings) == (
        wanted.measured,
        wanted.count,
        wanted.outside,
        wanted.masked,
        wanted.warnings,
    )
    for (x, values), (x_wanted, values_wanted) in zip(points_of(found), points_of(wanted), strict=True):
        assert_array_equal(x, x_wanted)
        assert_array_equal(values, values_wanted)
    for number in wanted.measured:
        assert found.ends(number) == wanted.ends(number)


@pytest.mark.parametrize("block", [10, 97, 5000])
@pytest.mark.parametrize("names", [True, False])
def test_masks_edges_gaps_and_points_outside_are_left_out_as_ever(block: int, names: bool) -> None:
    """Also upstream, shifted, at another temperature, and with a segment that nobody measured."""
    mirror = replace(
        MIRROR,
        segments=tuple(replace(segment, edge=3e-3) for segment in MIRROR.segments),
        measurement=Measurement(x_direction="upstream", x_offset=0.2, expansion=9e-6, temperature=296.15),
    )
    profile = measured()
    rng = np.random.default_rng(3)
    x = np.append(profile.x, mirror.span[1] + 0.01)
    kept = (x < 0.5) | (x > 1.0)
    assert profile.sigma is not None
    assert profile.segment is not None
    raw = replace(
        profile,
        x=(-(x * mirror.measurement.stretch) + 0.2)[kept],
        values=np.append(profile.values, 0.0)[kept],
        sigma=np.append(profile.sigma, 1e-7)[kept],
        segment=np.append(profile.segment, MIRROR.segments[-1].name)[kept] if names else None,
        mask=rng.random(int(kept.sum())) < 0.2,
        frame="scan",
    )
    assert_same_points(place_source(raw, mirror, block=block), place_profile(raw, mirror))


@pytest.mark.parametrize("block", [60, 1000])
@pytest.mark.parametrize("downwards", [False, True])
def test_positions_that_step_back_now_and_then_are_sorted_on_the_way(block: int, downwards: bool) -> None:
    """An encoder's readings, a standard deviation of three steps off."""
    profile = measured()
    inside = np.zeros(len(profile), dtype=bool)
    for segment in MIRROR.segments:
        inside |= (profile.x > segment.start + 0.03) & (profile.x < segment.end - 0.03)
    jitter = np.where(inside, 3e-3 * np.random.default_rng(4).normal(size=len(profile)), 0.0)
    shaken = replace(profile, x=profile.x + jitter)
    source = turned(shaken) if downwards else shaken
    assert_same_points(place_source(source, MIRROR, block=block), place_profile(shaken, MIRROR))


def test_a_profile_that_runs_back_and_forth_is_refused_with_the_way_out() -> None:
    profile = measured()
    order = np.argsort(np.random.default_rng(5).random(len(profile)))
    with pytest.raises(DataError, match=r"^simulated Rowan: x steps back by \d+\.?\d* mm in segment 'S\d+'; expected"):
        place_source(rearranged(profile, order), MIRROR, block=50)


def test_a_position_that_stands_twice_is_told() -> None:
    profile = measured()
    x = profile.x.copy()
    x[100] = x[99]
    source = replace(profile, x=x)
    with pytest.raises(DataError, match="stands twice in segment 'S01'; expected each position once"):
        place_profile(source, MIRROR)
    for block in (100, 64):  # between two blocks, and within one
        with pytest.raises(DataError, match="stands twice in segment 'S01'; expected each position once"):
            fit_ellipse(place_source(source, MIRROR, block=block))


@pytest.mark.parametrize(
    "spoil",
    [
        lambda profile: replace(profile, x=profile.x * 1e3, segment=None),
        lambda profile: replace(profile, x=profile.x + 0.4, segment=None),
        lambda profile: replace(profile, values=-profile.values),
        lambda profile: replace(profile, values=profile.values * 1e3),
        lambda profile: replace(profile, values=np.where(np.arange(len(profile)) == 7, 1e200, profile.values)),
        lambda profile: replace(profile, mask=np.ones(len(profile), dtype=bool)),
        lambda profile: replace(profile, mask=(profile.x < -1.0) & (np.arange(len(profile)) > 3)),
        lambda profile: replace(profile, segment=np.where(profile.segment == "S02", "T02", profile.segment)),
    ],
)
def test_what_cannot_be_this_mirror_is_refused_in_the_same_words(spoil: Callable[[Profile], Profile]) -> None:
    spoilt = spoil(measured())
    with pytest.raises(DataError) as held:
        place_profile(spoilt, MIRROR)
    with pytest.raises(DataError) as read:
        place_source(spoilt, MIRROR, block=100)
    assert str(read.value) == str(held.value)


# stray points


@pytest.mark.parametrize("block", [200, 1000])
@pytest.mark.parametrize("downwards", [False, True])
def test_points_that_stray_are_left_out_of_a_stream(block: int, downwards: bool) -> None:
    """Lifted by 2 um, 30 times the noise: those and no others, also at the ends of blocks."""
    whole = measured(figure=0.0)
    profile = rearranged(whole, np.flatnonzero(np.isin(whole.x, place_profile(whole, MIRROR).x)))  # less the edges
    rng = np.random.default_rng(6)
    dirty = np.unique(np.concatenate([rng.choice(len(profile), 60, replace=False), [0, 199, 200, 201, 400, 999, 1000]]))
    values = profile.values.copy()
    values[dirty] += 2e-6
    spoilt = replace(profile, values=values)
    clean = np.ones(len(profile), dtype=bool)
    clean[dirty] = False
    source = place_source(turned(spoilt) if downwards else spoilt, MIRROR, block=block)
    left, counts = without_strays(source)
    assert isinstance(left, PlacedStream)
    assert sum(counts.values()) == len(dirty)
    assert left.count == source.count - len(dirty)
    assert_array_equal(np.concatenate([x for x, _ in points_of(left)]), profile.x[clean])
    for number, (x, _) in zip(left.measured, points_of(left), strict=True):
        assert left.ends(number) == (x[0], x[-1])
        assert left.points_of(number) == len(x)


def test_a_dirty_patch_that_fills_blocks_is_found_by_what_the_others_scatter() -> None:
    """Two fifths of 1500 points that follow each other lifted by 1 to 5 um, read by 500: all of them found."""
    mirror = even_mirror(NOMINAL, count=1, pitch=1.0, gap=0.0)
    profile = measured(step=1e-4, mirror=mirror, figure=0.0)
    rng = np.random.default_rng(7)
    dirty = 3000 + rng.choice(1500, 600, replace=False)
    values = profile.values.copy()
    values[dirty] += rng.uniform(1e-6, 5e-6, len(dirty))
    left, _ = without_strays(place_source(replace(profile, values=values), mirror, block=500))
    ((x, _),) = points_of(left)
    assert not np.isin(profile.x[dirty], x).any()
    assert len(profile) - len(x) <= 1.5 * len(dirty)


# figure, and what is shown


def test_means_in_cells_have_the_slope_error_of_all_points() -> None:
    """A wave of 50 mm and 50 nm at steps of 10 um: 2 pi A / (wavelength sqrt(2)) times what the filter transmits,
    2**-(20/50)**2, and the cells, 1 - (pi w / wavelength)**2 / 6 = 1 - 7e-6; the ends cost 1 % of 1 m, 1e-2."""
    mirror = even_mirror(NOMINAL, count=1, pitch=1.0, gap=0.0)
    x: Array = np.asarray(-0.5 + (np.arange(100_000) + 0.5) * 1e-5)
    k = 2 * np.pi / 0.05
    values = NOMINAL.height(x) + 50e-9 * np.sin(k * x)
    profile = Profile(name="made", quantity="height", x=x, values=values, frame="mirror")
    placed = place_source(profile, mirror, block=4096)
    nothing = np.zeros((1, 2))
    surface = Surface(quantity="height", middles=np.zeros(1), ellipse=NOMINAL, total=nothing, own=nothing)
    figure = figure_errors(placed, surface)
    expected = 2 ** -((20 / 50) ** 2) * 50e-9 * k
    assert_allclose(figure.slope_error_rms, expected / np.sqrt(2), rtol=1e-2)
    shown = placed.shown()
    inner = np.abs(shown.x) < 0.45
    assert_allclose(figure.slope_error[inner], (expected * np.cos(k * shown.x))[inner], rtol=0, atol=1e-4 * expected)


def test_a_gap_and_missing_points_are_no_edge_for_cells() -> None:
    """A line of 5 urad with a gap of 50 mm and 10 % of its points missing has that slope wherever it has one."""
    mirror = even_mirror(NOMINAL, count=1, pitch=1.0, gap=0.0)
    x: Array = np.asarray(-0.5 + (np.arange(100_000) + 0.5) * 1e-5)
    x = x[((x < 0.1) | (x > 0.15)) & (np.random.default_rng(8).random(len(x)) > 0.1)]
    profile = Profile(name="made", quantity="height", x=x, values=NOMINAL.height(x) + 5e-6 * x, frame="mirror")
    nothing = np.zeros((1, 2))
    surface = Surface(quantity="height", middles=np.zeros(1), ellipse=NOMINAL, total=nothing, own=nothing)
    placed = place_source(profile, mirror, block=4096)
    slope, at = figure_errors(placed, surface).slope_error, placed.shown().x
    # a filter with one side only shortens a line: not within a cut-off of an end
    far = (np.abs(at) < 0.48) & (np.abs(at - 0.125) > 0.045)
    assert_allclose(slope[far], 5e-6, rtol=1e-6)
    assert np.isfinite(slope).all()


def test_what_is_shown_of_a_stream_are_means_of_neighbours(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ellipsefit.stream.SHOWN", 300)
    profile = measured()
    held = place_profile(profile, MIRROR)
    fit = fit_ellipse(place_source(profile, MIRROR, block=100))
    shown = fit.placed
    assert shown.stands_for == shown.count == held.count
    assert 300 <= len(shown.x) <= 300 + len(MIRROR.segments)
    assert fit.to_dict()["model"]["points"] == held.count
    assert shown.shown_words == "means of 10 neighbours each"
    for number in held.measured:
        part, mean = held.part(number), shown.part(number)
        assert_allclose(np.mean(shown.x[mean]), np.mean(held.x[part]), atol=1e-3)  # within a step
        assert len(fit.residual[mean]) == len(fit.figure.slope_error[mean]) == mean.stop - mean.start
    assert shown.sigma is not None
    assert_allclose(shown.sigma, 60e-9 / np.sqrt(10), rtol=0.1)  # of 9 or 10 points each


def test_corrections_from_a_stream_are_those_from_the_held_profile(monkeypatch: pytest.MonkeyPatch) -> None:
    """Moves and the slope error that remains, from 500 means of 15,000 points.

    What a change of ellipse adds to the slope is smooth; the mean of its product with the error over means is
    that over points but for the error's part within a mean, less than 1 % here.
    """
    profile = measured(step=2e-4)
    wanted = plan_corrections(fit_ellipse(profile, MIRROR, residual="white"))
    monkeypatch.setattr("ellipsefit.stream.SHOWN", 500)
    found = plan_corrections(fit_ellipse(place_source(profile, MIRROR, block=999), residual="white"))
    assert_allclose([m.move for m in found.moves], [m.move for m in wanted.moves], rtol=0, atol=1e-12)
    assert_allclose(found.remaining.slope_error_rms, wanted.remaining.slope_error_rms, rtol=1e-2)


# memory


@dataclass
class Endless:
    """A source that holds nothing: an exact mirror with a ripple, made when asked."""

    count: int
    mirror: Mirror
    name: str = "endless"
    quantity: Quantity = "height"
    frame: Frame = "mirror"

    def __len__(self) -> int:
        return self.count

    def part(self, start: int, stop: int, *, names: bool = True) -> Profile:  # noqa: ARG002  # it has none
        first, last = self.mirror.span
        x: Array = np.asarray(first + (np.arange(start, stop) + 0.5) * ((last - first) / self.count))
        values = Ellipse(12.01, 7.99, 20.01e-3).height(x) + 50e-9 * np.sin(2 * np.pi * x / 7e-6)
        return Profile(name=self.name, quantity="height", x=x, values=values, frame="mirror")


def test_memory_does_not_grow_with_the_points() -> None:
    """Ten times as many points, of which ten times as many would be 16 MB: within 2 MB of the same peak."""
    mirror = even_mirror(NOMINAL, count=1, pitch=2.0, gap=0.0)
    fit_ellipse(Endless(20_000, mirror), mirror, residual="white")  # what is loaded at first use
    peaks = []
    for count in (200_000, 2_000_000):
        tracemalloc.start()
        fit = fit_ellipse(Endless(count, mirror), mirror, residual="white")
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert fit.placed.count == count
    assert peaks[1] <= peaks[0] + 2e6


# files


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    write_mirror(MIRROR, tmp_path / "mirror.toml")
    write_profile(measured(), tmp_path / "profile.h5")
    return tmp_path / "mirror.toml", tmp_path / "profile.h5"


def test_parts_of_a_file_are_parts_of_its_profile(tmp_path: Path) -> None:
    """Units, names of segments, masks and values that are not finite; compressed in chunks."""
    path, wanted = tmp_path / "chunks.h5", measured()
    names, sigma = wanted.segment, wanted.sigma
    assert names is not None
    assert sigma is not None
    values = wanted.values * 1e6
    values[[5, 700]] = np.nan
    with h5py.File(path, "w") as file:
        entry = file.create_group("entry")
        entry.attrs["NX_class"] = "NXentry"
        data = entry.create_group("data")
        data.attrs.update({"NX_class": "NXdata", "signal": "height", "axes": "x"})
        for name, column, unit in (
            ("x", wanted.x * 1e3, "mm"),
            ("height", values, "um"),
            ("height_errors", sigma, "m"),
        ):
            data.create_dataset(name, data=column, chunks=(64,), compression="gzip").attrs["units"] = unit
        data.create_dataset("segment", data=names.astype(object), dtype=h5py.string_dtype())
        data.create_dataset("mask", data=np.arange(len(names)) == 9)
    whole = read_profile(path)
    with NexusProfile(path) as profile:
        assert len(profile) == len(whole)
        assert (profile.name, profile.quantity, profile.frame) == (whole.name, whole.quantity, whole.frame)
        for start, stop in ((0, 1), (0, 50), (63, 130), (690, 800), (0, len(whole))):
            part, expected = profile.part(start, stop), whole.part(start, stop)
            for key in ("x", "values", "sigma", "segment", "used"):
                assert_array_equal(getattr(part, key), getattr(expected, key))
        assert profile.part(0, 5, names=False).segment is None
    with pytest.raises(FileMissingError, match=r"chunks\.h5: is closed; expected the profile to stay open"):
        profile.part(0, 5)


def test_a_large_file_is_inspected_as_if_it_were_held(
    files: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same facts; the median step is that of medians of parts, and here all steps are equal to 1e-9."""
    held = inspect_file(files[1]).to_dict()
    monkeypatch.setattr("ellipsefit.files.inspect.measured.HELD", 100)
    monkeypatch.setattr("ellipsefit.files.inspect.profiles.PART", 300)
    monkeypatch.setattr("ellipsefit.stream.BLOCK", 300)
    read = inspect_together([inspect_file(path) for path in files])
    assert isinstance(read[1].content, NexusProfile)
    found = read[1].to_dict()
    assert_allclose(found["facts"].pop("median_step"), held["facts"].pop("median_step"), rtol=1e-9)
    assert held["facts"].pop("masked_points") == 0  # not counted in parts
    assert found["facts"].pop("looked_at").startswith("8 parts of 300 points")
    assert found.pop("warnings")[0].endswith("the rest is checked when the file is read")
    assert found | {"warnings": []} == held
    read[1].content.close()
    with h5py.File(files[1], "a") as file:
        file["profile/data/height_errors"][70] = -1.0
    assert inspect_file(files[1]).faults == (
        f"{files[1]}: field '/profile/data/height_errors' is -1 at point 71; expected standard uncertainties above 0",
    )


def test_only_a_large_profile_stays_in_its_file(files: tuple[Path, Path], tmp_path: Path) -> None:
    path = files[1]
    count = len(measured())
    assert isinstance(open_nexus_profile(path, held=count), Profile)
    profile = open_nexus_profile(path, held=count - 1)
    assert isinstance(profile, NexusProfile)
    profile.close()
    beside = tmp_path / "beside.h5"  # y tells points apart that stand at one x
    write_profile(replace(measured(), y=np.zeros(count)), beside)
    assert isinstance(open_nexus_profile(beside, held=1), Profile)
    assert isinstance(open_profile(path), Profile)


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda data: data["x"].attrs.__delitem__("units"), "/x' has no units; expected a unit of length"),
        (lambda data: data.__delitem__("height"), "/height' is missing; expected"),
        (lambda data: data["height_errors"].write_direct(np.full(len(data["x"]), -1.0)), "is -1 at point 1; expected"),
        (lambda data: data.attrs.__setitem__("frame", "hall"), "is 'hall'; expected scan or mirror"),
        (
            lambda data: [data.__delitem__("segment"), data.create_dataset("segment", data=[b"S01"])],
            "/segment' has 1 points; expected",
        ),
    ],
)
def test_a_faulty_large_file_is_told_in_the_same_words(
    spoil: Callable[[h5py.Group], object], message: str, files: tuple[Path, Path]
) -> None:
    path = files[1]
    with h5py.File(path, "a") as file:
        spoil(file["profile/data"])
    with pytest.raises(FileFormatError) as whole:
        read_profile(path)
    with pytest.raises(FileFormatError) as read:
        place_source(NexusProfile(path), MIRROR, block=100)
    assert message in str(read.value)
    assert str(read.value) == str(whole.value)


def test_a_large_file_goes_through_every_command(
    files: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """fit, correct and run: the same answers as if it were held."""
    mirror, profile = map(str, files)
    monkeypatch.setattr("ellipsefit.stream.SHOWN", 600)

    def answer(*arguments: str) -> dict[str, object]:
        with pytest.raises(SystemExit) as caught:
            main([*arguments, "--json", "-", "--residual", "white"])
        assert caught.value.code == 0
        found: dict[str, object] = json.loads(capsys.readouterr().out)
        return found

    def both(command: str, *more: str) -> tuple[dict[str, object], dict[str, object]]:
        monkeypatch.setattr(registry, "HELD", 2_000_000)
        held = answer(command, mirror, profile, *(option.format(1) for option in more))
        monkeypatch.setattr(registry, "HELD", 100)
        return held, answer(command, mirror, profile, *(option.format(2) for option in more))

    held, read = both("fit", "-o", f"{tmp_path}/fit{{}}.h5")
    for key in PARAMETERS:
        assert_allclose(read["ellipse"][key], held["ellipse"][key], rtol=1e-9)  # type: ignore[index]  # JSON
    with h5py.File(tmp_path / "fit2.h5") as file:
        assert file["fit/figure_error"].attrs["averaged"] == "means of 5 neighbours each"
    held, read = both("correct")
    assert read["feasible"] == held["feasible"]
    held, read = both("run", "-o", f"{tmp_path}/{{}}")
    assert_allclose(read["fit"]["ellipse"]["p"], held["fit"]["ellipse"]["p"], rtol=1e-9)  # type: ignore[index]  # JSON
    assert "shown as means of 5 neighbours each" in (tmp_path / "2" / "report.html").read_text()


def test_a_file_that_is_cut_short_while_it_is_read_is_told(tmp_path: Path) -> None:
    """HDF5 itself reads zeros where nothing is left."""
    x = np.linspace(-1, 1, 100_000)
    path = tmp_path / "a.h5"
    write_profile(Profile(name="a", quantity="height", x=x, values=x**2), path)
    profile = open_nexus_profile(path, held=1000)
    assert isinstance(profile, NexusProfile)
    profile.part(0, 10)
    os.truncate(path, path.stat().st_size // 2)
    with profile, pytest.raises(FileFormatError, match=r"a\.h5: was changed while it was read; expected it to stay"):
        profile.part(len(x) - 10, len(x))
