"""What inspect says of a profile whose x runs over the same places again, beside what a fit does with it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest

from ellipsefit.errors import DataError
from ellipsefit.files import inspect_file, write_profile, write_scans, write_text_profile
from ellipsefit.files.x3p import write_x3p
from ellipsefit.profile import Profile, place_profile
from ellipsefit.scan import Scan
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile

MIRROR: Final = invented_mirror(name="Wren", segments=3, length=1.5)
SORTED: Final = "; a fit takes all points as one pass, sorted along x"
REFUSED: Final = "; a fit refuses that within a segment, expected each position once"
TWO_PASSES: Final = "x runs up to 2 times over the same places"


def measured() -> Profile:
    rng = np.random.default_rng(3)
    return replace(simulate_profile(MIRROR, hidden_state(MIRROR, rng), rng, step=5e-3), sigma=None)


def taken(profile: Profile, rows: Any, shift: Any = 0.0) -> Profile:
    """Points in this order; each moved along x."""
    assert profile.segment is not None
    x, values, segment = profile.x[rows] + shift, profile.values[rows], profile.segment[rows]
    return replace(profile, x=x, values=values, segment=segment)


def there_and_back(shift: float) -> Profile:
    profile = measured()
    forward = np.arange(len(profile))
    rows = np.append(forward, forward[::-1])
    return taken(profile, rows, np.repeat([0.0, shift], len(forward)))


def twice_forward() -> Profile:
    profile = measured()
    forward = np.arange(len(profile))
    return taken(profile, np.append(forward, forward), np.repeat([0.0, 1e-4], len(forward)))


def half_back() -> Profile:
    profile = measured()
    forward = np.arange(len(profile))
    rows = np.append(forward, forward[: len(forward) // 2 : -1])
    return taken(profile, rows, np.where(np.arange(len(rows)) < len(forward), 0.0, 1e-4))


def of_segments(order: list[int]) -> Profile:
    profile = measured()
    names = [MIRROR.segments[number].name for number in order]
    return taken(profile, np.concatenate([np.flatnonzero(profile.segment == name) for name in names]))


def jittering() -> Profile:
    """x as an encoder reads it, which steps back by up to a step."""
    profile = measured()
    jitter = np.random.default_rng(8).uniform(-5e-3, 5e-3, len(profile))
    edges = np.array([end for segment in MIRROR.segments for end in (segment.start, segment.end)])
    jitter[np.abs(profile.x[:, None] - edges).min(axis=1) < 0.01] = 0.0  # stays in its segment
    x = profile.x + jitter
    assert (np.diff(x) < 0).sum() > 5
    return replace(profile, x=x)


def one_again(masked: bool = False) -> Profile:
    profile = measured()
    again = taken(profile, np.append(np.arange(len(profile)), 7))
    return replace(again, mask=np.arange(len(again)) == 7 if masked else None)


def two_lines(apart: float) -> Profile:
    profile = measured()
    forward = np.arange(len(profile))
    lines = taken(profile, np.append(forward, forward))
    return replace(lines, y=np.repeat([1e-3, 1e-3 + apart], len(forward)))


COUNT: Final = len(measured())
FIRST: Final = float(measured().x[0])
#: How the points run, what is said of it, and whether a fit takes it.
RUNS: Final[dict[str, tuple[Callable[[], Profile], str, bool]]] = {
    "forward": (measured, "", True),
    "backward": (lambda: taken(measured(), np.arange(COUNT)[::-1]), "", True),
    "there and back": (lambda: there_and_back(1e-4), TWO_PASSES, True),
    "twice forward": (twice_forward, TWO_PASSES, True),
    "half of it back": (half_back, TWO_PASSES, True),
    "there and back on one grid": (
        lambda: there_and_back(0.0),
        f"{TWO_PASSES}, and {COUNT} of {2 * COUNT} points stand at a position of others, the first at "
        f"{FIRST * 1e3:.3f} mm",
        False,
    ),
    "a point again": (one_again, f"1 of {COUNT + 1} points stand at a position of others", False),
    "a point again, the other masked": (lambda: one_again(masked=True), "", True),
    "segments in another order": (lambda: of_segments([2, 0, 1]), "", True),
    "an encoder's steps back": (jittering, "", True),
    "two lines": (lambda: two_lines(5e-3), "", True),
    "a line twice": (
        lambda: two_lines(0.0),
        f"{COUNT} of {2 * COUNT} points stand at a position of others",
        False,
    ),
}


@pytest.mark.parametrize("kind", ["text", "hdf5"])
@pytest.mark.parametrize("run", RUNS)
def test_inspect_says_how_x_runs_as_a_fit_takes_it(run: str, kind: str, tmp_path: Path) -> None:
    make, said, taken_by_fit = RUNS[run]
    path = tmp_path / "profile"
    write = write_profile if kind == "hdf5" else write_text_profile
    write(make(), path)
    told = inspect_file(path)
    assert told.faults == ()  # where no mirror tells the segments
    assert len(told.warnings) == bool(said)
    if said:
        assert told.warnings[0].startswith(f"{path}: {said}")
        assert told.warnings[0].endswith(SORTED if taken_by_fit else REFUSED)
        assert f"warning: {told.warnings[0]}" in str(told)
    assert isinstance(told.content, Profile)
    if taken_by_fit:
        place_profile(told.content, MIRROR)
    else:
        with pytest.raises(DataError, match="stands twice in segment 'S01'; expected each position once"):
            place_profile(told.content, MIRROR)


def test_a_joint_that_two_segments_share_is_no_position_twice(tmp_path: Path) -> None:
    x = np.array([0.0, 1e-3, 2e-3, 2e-3, 3e-3, 4e-3])
    profile = Profile(name="p", quantity="height", x=x, values=x**2, segment=np.repeat(["S01", "S02"], 3))
    write_profile(profile, tmp_path / "p.h5")
    assert inspect_file(tmp_path / "p.h5").warnings == ()
    write_profile(replace(profile, segment=None), tmp_path / "q.h5")
    (warning,) = inspect_file(tmp_path / "q.h5").warnings
    assert "1 of 6 points stand at a position of others, the first at 2.000 mm" in warning


@pytest.mark.parametrize("count", [*range(5, 12), 50, 1000])
def test_passes_are_counted_whatever_the_step(count: int, tmp_path: Path) -> None:
    x = np.linspace(-1.0, 1.0, count)
    passes = np.concatenate([x, x[::-1] + 1e-3, x + 2e-3])
    write_profile(Profile(name="p", quantity="height", x=passes, values=passes**2), tmp_path / "p.h5")
    (warning,) = inspect_file(tmp_path / "p.h5").warnings
    assert "x runs up to 3 times over the same places;" in warning


@pytest.mark.filterwarnings("error")
def test_positions_near_the_largest_number_are_told_quietly(tmp_path: Path) -> None:
    x = np.array([-1e308, 1e308, -1e308, 0.0, 1.0])
    write_profile(Profile(name="p", quantity="height", x=x, values=0 * x), tmp_path / "p.h5")
    assert "1 of 5 points stand" in inspect_file(tmp_path / "p.h5").warnings[0]
    scan = Scan(name="s", quantity="height", x=x, values=x, carriage=x, time=x, temperature=np.abs(x))
    write_scans([scan], tmp_path / "s.h5")
    told = str(inspect_file(tmp_path / "s.h5"))
    assert "-273.15 degC to 1.000e+308 degC" in told
    assert max(map(len, told.splitlines())) < 300  # no number with all of its digits


def test_lines_of_surface_texture_run_once(tmp_path: Path) -> None:
    x = np.linspace(0.0, 1.0, 30)
    write_x3p(Profile(name="p", quantity="height", x=x, values=1e-6 * x), tmp_path / "p.x3p")
    assert inspect_file(tmp_path / "p.x3p").warnings == ()
