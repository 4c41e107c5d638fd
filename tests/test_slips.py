"""Mistakes that people make are caught before a screw moves, and sound campaigns are left in peace."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import binom

from ellipsefit.checks.curve import check_ends, check_size, segment_curves, spread_gain
from ellipsefit.checks.design import check_mirror
from ellipsefit.checks.edges import check_gaps, check_joints
from ellipsefit.checks.suspicion import CHANCE, enough
from ellipsefit.cli import main
from ellipsefit.ellipse import Ellipse
from ellipsefit.files import read_mirror
from ellipsefit.files.mirror import mirror_text
from ellipsefit.mirror import Mirror
from ellipsefit.profile import Profile, place_profile
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile
from tests.rehearsal import DATA, even_mirror, made_profile
from tests.slip_cases import KINDS, all_slips, clean_campaign, drawn, profile_text, x_moved

#: Share of mistakes that must be caught, and of sound campaigns that may be called in question.
CAUGHT = 0.99
FALSE = 0.01


def allowed(count: int, share: float) -> int:
    """Failures among so many trials that a share as stated has in all but one run in ten thousand."""
    return int(binom.ppf(1 - 1e-4, count, share))


def test_the_suite_has_two_hundred_mistakes() -> None:
    assert len(all_slips()) >= 200


def test_mistakes_are_caught(tmp_path: Path) -> None:
    """Every twelfth; the whole suite is the campaign below."""
    some = all_slips()[::12]
    missed = {slip.name: said for slip in some for caught, said in [slip.caught(tmp_path)] if not caught}
    assert len(missed) <= allowed(len(some), 1 - CAUGHT), missed


def test_sound_campaigns_are_left_in_peace() -> None:
    some = range(0, 1000, 33)
    spoken = {number: said for number in some for _, said in [clean_campaign(number)] if said}
    assert len(spoken) <= allowed(len(some), FALSE), spoken


@pytest.mark.campaign
def test_all_mistakes_are_caught(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    missed = {slip.name: said for slip in all_slips() for caught, said in [slip.caught(tmp_path)] if not caught}
    count = len(all_slips())
    with capsys.disabled():
        print(f"\n{count - len(missed)} of {count} mistakes caught; missed: {missed}")  # noqa: T201 - a campaign prints what it found
    assert len(missed) <= (1 - CAUGHT) * count


@pytest.mark.campaign
def test_a_thousand_sound_campaigns_are_left_in_peace(capsys: pytest.CaptureFixture[str]) -> None:
    spoken = {number: said for number in range(1000) for _, said in [clean_campaign(number)] if said}
    with capsys.disabled():
        print(f"\n{len(spoken)} of 1000 sound campaigns called in question: {spoken}")  # noqa: T201 - a campaign prints what it found
    assert len(spoken) <= FALSE * 1000


# what nobody can tell


def test_where_p_is_q_both_ends_look_the_same_and_that_is_said() -> None:
    """The ellipse is symmetric about its minor axis, which p = q puts at the pole: z(-x) = z(x)."""
    nominal = Ellipse(8.0, 8.0, 22e-3)
    x = np.linspace(-2.0, 2.0, 41)
    assert_allclose(nominal.height(-x), nominal.height(x), rtol=1e-13)
    mirror = even_mirror(nominal, count=8, pitch=0.5)
    placed = made_profile(mirror, (8.0, 8.0, 22e-3), points=41)
    found, told = check_ends(segment_curves(placed))
    assert not found
    assert not told


def test_without_edges_in_sight_another_origin_is_exactly_another_ellipse() -> None:
    """Points of the curve shifted by s along the tangent at the pole are those of the ellipse whose pole is where
    the old one had x = -s, seen from there: its tangent and height count as pose. Both foci stay where they are."""
    p, q, theta, shift = 13.0, 8.5, 19e-3, 0.3
    nominal = Ellipse(p, q, theta)
    pole = np.array([-shift, float(nominal.height(np.array([-shift]))[0])])
    distances = [float(np.linalg.norm(np.asarray(focus) - pole)) for focus in nominal.foci]
    tilt = float(nominal.slope(np.array([-shift]))[0])
    to_image = np.asarray(nominal.foci[1]) - pole
    other = Ellipse(distances[0], distances[1], float(np.arctan2(to_image[1], to_image[0]) - np.arctan(tilt)))
    u = np.linspace(-1.0, 1.0, 21)
    turn = np.arctan(tilt)
    along = u * np.cos(turn) - other.height(u) * np.sin(turn) + pole[0]
    up = u * np.sin(turn) + other.height(u) * np.cos(turn) + pole[1]
    assert_allclose(nominal.height(along), up, atol=1e-13)
    assert_allclose(sum(distances), p + q, rtol=1e-14)


def test_a_segment_at_the_pole_looks_the_same_turned_round_to_its_own_error() -> None:
    """What is odd in the nominal curve there is z''' x^3 / 6 less its line: below the noise for a short segment."""
    nominal = Ellipse(13.0, 8.5, 19e-3)
    x = np.linspace(-0.25, 0.25, 251)
    odd = nominal.height(x) - nominal.height(-x)
    rest = odd - x * float(x @ odd) / float(x @ x)
    assert np.sqrt(np.mean(rest**2)) < 150e-9  # less than figure errors of 100 nm do, twice


def test_swapping_equal_segments_changes_nothing() -> None:
    mirror = even_mirror(Ellipse(8.0, 8.0, 22e-3), count=2, pitch=0.5)
    placed = made_profile(mirror, (8.0, 8.0, 22e-3), points=41)
    one, other = placed.values[placed.part(0)], placed.values[placed.part(1)]
    assert_allclose(one, other[::-1], atol=1e-15)


# how sure


def test_a_likelihood_ratio_is_believed_at_most_as_often_as_stated() -> None:
    """Markov's inequality, for the spread of tilts: data of one reading seldom speak for another that is no better.

    Under the first reading the ratio of densities has mean 1; that of profiled spreads exceeds it by little."""
    rng = np.random.default_rng(5)
    draws = 20_000
    gains = [spread_gain(one, other, 50e-6) for one, other in rng.normal(0, 20e-6, (draws, 2, 8))]
    assert np.mean(np.array(gains) > enough(1)) <= CHANCE + 4 * np.sqrt(CHANCE / draws)


@pytest.mark.parametrize("shift", [-20e-3, -6e-3, 5e-3, 14e-3])
def test_gaps_in_the_data_tell_a_shift_to_half_a_step(shift: float) -> None:
    mirror = invented_mirror(segments=10, length=5.0)
    rng = np.random.default_rng(2)
    profile = simulate_profile(mirror, hidden_state(mirror, rng), rng)
    assert check_gaps(profile.x, mirror) == ([], True)
    (found,), told = check_gaps(profile.x + shift, mirror)
    assert told
    assert found.kind == "x shifted"
    assert f"{shift * 1e3:+.4g}"[:2] in found.text


def _of_pairs(quantity: str, step: float = 2e-3) -> tuple[Profile, Mirror, Mirror]:
    """A profile of ten segments, their mirror, and one with five of twice the length that ends where they end."""
    short, long = invented_mirror(segments=10, length=5.0), invented_mirror(segments=5, length=5.0)
    rng = np.random.default_rng(4)
    noise, figure = (60e-9, 100e-9) if quantity == "height" else (1e-7, 1e-6)
    profile = simulate_profile(
        short, hidden_state(short, rng), rng, step=step, quantity=quantity, noise=noise, figure=figure
    )
    return replace(profile, segment=None), short, long


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_segments_that_are_two_show_a_step_in_their_middle(quantity: str) -> None:
    profile, short, long = _of_pairs(quantity)
    assert check_joints(place_profile(profile, short)) == []
    (found,) = check_joints(place_profile(profile, long))
    assert found.kind == "other mirror"
    assert len(found.where) >= 3
    assert set(found.where) <= {segment.name for segment in long.segments}
    assert found.p_value is not None
    assert found.p_value <= CHANCE


def test_a_hole_in_the_data_of_one_piece_is_no_joint() -> None:
    """Holes of one to six points anywhere, in noise alone: none is called a joint in 200 mirrors."""
    mirror = even_mirror(Ellipse(13.0, 8.5, 19e-3), count=4, pitch=0.5)
    clean = made_profile(mirror, (13.0, 8.5, 19e-3), points=251)
    rng = np.random.default_rng(11)
    for _ in range(200):
        kept = np.ones(len(clean.x), dtype=bool)
        for start in rng.integers(0, len(kept) - 6, 12):
            kept[start : start + rng.integers(1, 7)] = False
        values = clean.values + rng.normal(0.0, 60e-9, len(kept))
        profile = Profile(name="profile", quantity="height", x=clean.x[kept], values=values[kept])
        assert check_joints(place_profile(profile, mirror)) == []


def test_one_hole_is_one_however_many_lines_show_it() -> None:
    """Dirt at one place, across all of five scan lines: no joint, though each line has a step there."""
    mirror = even_mirror(Ellipse(13.0, 8.5, 19e-3), count=4, pitch=0.5)
    clean = made_profile(mirror, (13.0, 8.5, 19e-3), points=251)
    rng = np.random.default_rng(12)
    kept = np.ones(len(clean.x), dtype=bool)
    kept[120:123] = False
    x, values = (
        clean.x[kept],
        clean.values[kept]
        + np.where(clean.x[kept] < clean.x[121], 0.0, 4e-6) * (clean.x[kept] < mirror.segments[0].end),
    )
    profile = Profile(
        name="profile",
        quantity="height",
        x=np.repeat(x, 5),
        y=np.tile(np.arange(5) * 10e-3, len(x)),
        values=np.repeat(values, 5) + rng.normal(0.0, 60e-9, 5 * len(x)),
    )
    assert check_joints(place_profile(profile, mirror)) == []


def test_data_that_run_on_over_gaps_are_of_another_mirror() -> None:
    profile, short, _ = _of_pairs("height")
    assert check_gaps(profile.x, short) == ([], True)
    halves = invented_mirror(segments=20, length=5.0)
    (found,), told = check_gaps(profile.x, halves)
    assert told
    assert found.kind == "other mirror"
    assert "run on over 10 of the 19 gaps" in found.text
    # where points stand too far apart to show a gap, nobody can tell
    sparse, _, _ = _of_pairs("height", step=5e-3)
    assert check_gaps(sparse.x, halves)[0] == []


@pytest.mark.parametrize("factor", [1.0, 3.0])
def test_form_that_shops_leave_is_no_other_quantity(factor: float) -> None:
    """A mirror so flat that its segments' own form, 200 nm rms and three times that, hides its curve."""
    mirror = invented_mirror(segments=6, length=1.8, nominal=Ellipse(900.0, 700.0, 2e-3))
    rng = np.random.default_rng(3)
    profile = simulate_profile(mirror, hidden_state(mirror, rng, change=(0.0, 0.0, 0.0)), rng, correlation_length=0.3)
    values = profile.values.copy()
    for segment in mirror.segments:
        part = profile.segment == segment.name
        s = 2 * (profile.x[part] - segment.middle) / segment.length
        values[part] += factor * 200e-9 * np.sqrt(5) * rng.normal() * (3 * s**2 - 1) / 2
    curves = segment_curves(place_profile(replace(profile, values=values), mirror))
    assert np.ptp(curves.ratio) > 1.0  # it is hidden
    assert check_size(curves) == []


@pytest.mark.parametrize("name", ["alder", "cedar", "dogwood"])
def test_mirror_files_of_the_rehearsals_are_sound(name: str) -> None:
    assert check_mirror(read_mirror(DATA / name / "mirror.toml")) == []


# what people see


@pytest.fixture
def shifted(tmp_path: Path) -> Path:
    """A mirror, and a profile of it whose x has another origin."""
    surface = drawn(KINDS["Heron"], np.random.default_rng(8))
    profile = x_moved(9e-3)(surface.measured(np.random.default_rng(9)), surface.mirror)
    (tmp_path / "mirror.toml").write_text(mirror_text(surface.mirror))
    (tmp_path / "profile.csv").write_text(profile_text(profile, named=False))
    return tmp_path


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str]:
    """Status of a command, and all it said."""
    with pytest.raises(SystemExit) as left:
        main([str(argument) for argument in arguments])
    said = capsys.readouterr()
    return int(left.value.code or 0), said.out + said.err


def test_a_slip_is_in_the_answer_the_plan_and_on_the_sheet(shifted: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = [shifted / "mirror.toml", shifted / "profile.csv"]
    assert run(capsys, "fit", *files, "--json", shifted / "fit.json")[0] == 0
    answer = json.loads((shifted / "fit.json").read_text())
    assert [item["kind"] for item in answer["suspicions"]] == ["x shifted"]
    assert answer["warnings"][0].startswith("SUSPECTED SLIP (x shifted): ")
    assert answer["self_checks"]["places of the gaps"] == "SUSPECT"
    assert "A SLIP IS SUSPECTED" in run(capsys, "correct", *files, "--json", shifted / "plan.json")[1]
    plan = json.loads((shifted / "plan.json").read_text())
    assert plan["suspicions"] == answer["suspicions"]
    sheets = [shifted / "sheet.html", shifted / "sheet.csv"]
    status, said = run(capsys, "sheet", shifted / "plan.json", "-o", sheets[0], "-o", sheets[1])
    assert status == 0
    assert "SUSPECTED SLIP (x shifted)" in said
    for sheet in sheets:
        assert "SUSPECTED SLIP (x shifted)" in sheet.read_text()
    assert "SUSPECTED SLIP (x shifted)" in run(capsys, "inspect", *files)[1]


def test_the_same_measurement_twice_is_told_when_a_record_holds_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    surface = drawn(KINDS["Heron"], np.random.default_rng(8))
    (tmp_path / "mirror.toml").write_text(mirror_text(surface.mirror))
    (tmp_path / "profile.csv").write_text(profile_text(surface.measured(np.random.default_rng(9))))
    command = ("run", tmp_path / "mirror.toml", tmp_path / "profile.csv", "-o", tmp_path / "out")
    first, second = (run(capsys, *command) for _ in range(2))
    assert "SUSPECTED SLIP" not in first[1]
    assert "SUSPECTED SLIP (stale data)" in second[1]
    assert "the adjusters stand where they stood" in second[1]
    assert second[0] == first[0]


def test_a_refused_profile_leaves_no_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    surface = drawn(KINDS["Heron"], np.random.default_rng(8))
    profile = surface.measured(np.random.default_rng(9))
    (tmp_path / "mirror.toml").write_text(mirror_text(surface.mirror))
    (tmp_path / "profile.csv").write_text(profile_text(replace(profile, values=2 * profile.values)))
    status, said = run(capsys, "run", tmp_path / "mirror.toml", tmp_path / "profile.csv", "-o", tmp_path / "out")
    assert status == 2
    assert "the wavefront's error" in said
    assert not (tmp_path / "out").exists()


def test_a_profile_that_is_placed_is_checked_as_well() -> None:
    mirror = invented_mirror(segments=10, length=5.0)
    rng = np.random.default_rng(2)
    profile = simulate_profile(mirror, hidden_state(mirror, rng), rng)
    exchanged = replace(mirror, nominal=Ellipse(mirror.nominal.q, mirror.nominal.p, mirror.nominal.theta))
    (found,), told = check_ends(segment_curves(place_profile(profile, exchanged)))
    assert told
    assert "exchanged in the mirror file" in found.text
