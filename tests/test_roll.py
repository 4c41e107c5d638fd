"""Roll of segments from several scan lines, and plans that use it; geometry of supports."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from ellipsefit.align import plan_corrections
from ellipsefit.align.response import Response
from ellipsefit.align.rigid import rise_map
from ellipsefit.checks.edges import check_joints
from ellipsefit.errors import FileFormatError, ParameterError
from ellipsefit.files.response import read_response
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.fit.roll import segment_rolls
from ellipsefit.mirror import Adjuster, Measurement, Mirror, Segment
from ellipsefit.profile import Profile, place_profile
from tests.align_cases import NOMINAL, fit_of
from tests.rehearsal import Array, even_mirror, ideal

WIDE = (-1e-3, 1e-3)
SIDES = ((-0.1, -0.03), (0.1, -0.03), (0.0, 0.04))  # (lever, y) of the three adjusters [m]


def tripod_mirror(count: int = 6) -> Mirror:
    """Three adjusters a segment, not in line."""
    mirror = even_mirror(NOMINAL, count=count, pitch=0.45, travel=WIDE)
    return replace(
        mirror,
        segments=tuple(
            replace(
                s,
                adjusters=tuple(
                    Adjuster(name=f"A{i + 1}", x=s.middle + lever, y=y, travel=WIDE)
                    for i, (lever, y) in enumerate(SIDES)
                ),
            )
            for s in mirror.segments
        ),
    )


def several_lines(
    mirror: Mirror, lifts: Array, tilts: Array, rolls: Array, lines: tuple[float, ...], *,
    noise: float = 0.0, seed: int = 0, upstream: bool = False,
) -> EllipseFit:  # fmt: skip
    """Fit of a profile of lines at these y."""
    rng, parts = np.random.default_rng(seed), []
    for segment, lift, tilt, roll in zip(mirror.segments, lifts, tilts, rolls, strict=True):
        x = np.linspace(segment.start, segment.end, 61)
        for y in lines:
            z = ideal("height", x, 8.0, 8.0, 0.022) + lift + tilt * (x - segment.middle) + roll * y
            parts.append((x, z, np.full_like(x, y)))
    x, z, across = (np.concatenate(column) for column in zip(*parts, strict=True))
    turn = -1.0 if upstream else 1.0
    if upstream:
        mirror = replace(mirror, measurement=Measurement(x_direction="upstream"))
    profile = Profile(
        name="lines", quantity="height", x=turn * x, y=turn * across, values=z + rng.normal(0, noise, len(z)),
        sigma=np.full(len(z), max(noise, 1e-9)), frame="scan",
    )  # fmt: skip
    return fit_ellipse(profile, mirror, vary=(), segments="free", residual="white")


@pytest.mark.parametrize("lines", [(-0.02, 0.02), (0.0, 0.03), (-0.02, 0.0, 0.03)])
@pytest.mark.parametrize("upstream", [False, True])
def test_three_adjusters_take_height_tilt_and_roll(lines: tuple[float, ...], upstream: bool) -> None:
    """One segment 4 um high, tilted by 30 urad and rolled by 80 urad along lines that needn't be even about y = 0:
    each of its adjusters goes by -(height + tilt lever + roll y), by hand; the others and the carrier stay."""
    mirror = tripod_mirror()
    lifts, tilts, rolls = np.zeros(6), np.zeros(6), np.zeros(6)
    lifts[2], tilts[2], rolls[2] = 4e-6, 30e-6, 80e-6
    plan = plan_corrections(several_lines(mirror, lifts, tilts, rolls, lines, upstream=upstream))
    expected = np.zeros((6, 3))
    expected[2] = [-(4e-6 + 30e-6 * lever + 80e-6 * y) for lever, y in SIDES]
    # the solver's picometre over the shortest lever of 30 mm
    assert_allclose(np.array([move.move for move in plan.moves]).reshape(6, 3), expected, rtol=0, atol=2e-10)
    assert plan.carrier_roll is not None
    assert abs(plan.carrier_roll) < 2e-9
    assert all(rest.roll is not None and abs(rest.roll) < 5e-9 for rest in plan.segments)
    assert plan.feasible


def test_the_carrier_takes_a_common_roll() -> None:
    mirror = tripod_mirror()
    plan = plan_corrections(several_lines(mirror, np.zeros(6), np.zeros(6), np.full(6, 120e-6), (-0.02, 0.02)))
    assert plan.carrier_roll is not None
    assert_allclose(plan.carrier_roll, -120e-6, rtol=0, atol=1e-9)
    assert_allclose([move.move for move in plan.moves], 0, atol=1e-10)


def test_the_uncertainty_of_roll_is_honest() -> None:
    """White noise of 100 nm on 2 x 61 points at y = +-20 mm: 100 nm / (20 mm sqrt(122)) = 0.453 urad by hand; the
    estimates of 240 segments scatter by as much and their mean square over the stated variances is 1."""
    mirror = tripod_mirror()
    zeros = np.zeros(6)
    found = [
        roll
        for seed in range(40)
        for roll in segment_rolls(several_lines(mirror, zeros, zeros, zeros, (-0.02, 0.02), noise=1e-7, seed=seed))
        if roll is not None
    ]
    assert len(found) == 240
    values, stated = np.array([roll.roll for roll in found]), np.array([roll.stderr for roll in found])
    exact = 1e-7 / (0.02 * np.sqrt(122))
    assert_allclose(values.std(), exact, rtol=3.3 / np.sqrt(2 * 240))
    # never below what the noise makes, and of batch means with 7 degrees of freedom
    assert np.all(stated >= exact * (1 - 1e-9))
    assert 0.5 < np.mean((values / stated) ** 2) <= 1 + 3.3 * np.sqrt(2 / 240)


def test_lines_beside_each_other_show_no_steps() -> None:
    """A roll of 1 mrad over 40 mm is 40 um from one line to the next, at one x: each line is whole for itself, with its
    hole and without; and lines that lie within 0.1 mm, all but one, are no steps either."""
    mirror = tripod_mirror(2)
    x = np.concatenate([np.linspace(s.start, s.end, 61) for s in mirror.segments])
    x = np.delete(x, [30, 31, 90])
    for width in (0.04, 1e-4):
        both, across = np.tile(x, 2), np.repeat([-width / 2, width / 2], len(x))
        values = mirror.nominal.height(both) + 1e-3 * across
        profile = Profile(name="lines", quantity="height", x=both, y=across, values=values, frame="mirror")
        assert check_joints(place_profile(profile, mirror)) == []


def test_one_line_tells_no_roll() -> None:
    mirror = tripod_mirror()
    fit = several_lines(mirror, np.zeros(6), np.zeros(6), np.full(6, 50e-6), (0.0,))
    assert segment_rolls(fit) == (None,) * 6
    assert plan_corrections(fit).carrier_roll is None


# ------------------------------------------------------------------ supports


def test_rises_at_bessel_points() -> None:
    """Adjusters at the Bessel points, 0.5594 of the length apart (G. G. Bessel's points, a4 + 18a3 - 11a2 - 3a + 1 = 0
    for the ends, a = 0.2203): raising one of them raises the middle by half and tilts by 1/(0.5594 L)."""
    inset = next(
        float(root.real) for root in np.roots([1, 18, -11, -3, 1]) if abs(root.imag) < 1e-9 and 0 < root.real < 0.5
    )
    assert_allclose(1 - 2 * inset, 0.55938011863304, rtol=1e-12)
    segment = Segment(
        name="S", start=0.0, end=0.5,
        adjusters=tuple(Adjuster(name=n, x=0.5 * place, travel=WIDE) for n, place in (("U", inset), ("D", 1 - inset))),
    )  # fmt: skip
    height, tilt, roll = rise_map(segment)
    assert_allclose(height, [0.5, 0.5], rtol=1e-12)
    assert_allclose(tilt, np.array([-1, 1]) / (0.55938011863304 * 0.5), rtol=1e-12)
    assert_allclose(roll, 0)
    # so the nearer end rises by (1 + 1/0.5594)/2 of a move at it and the far end falls by (1/0.5594 - 1)/2
    assert_allclose(height[1] + tilt[1] * 0.25, (1 + 1 / 0.55938011863304) / 2, rtol=1e-12)


def test_three_adjusters_in_a_slanting_line_are_refused() -> None:
    adjusters = [
        Adjuster(name=n, x=x, y=y, travel=WIDE) for n, x, y in (("A", 0.1, -0.02), ("B", 0.2, 0.0), ("C", 0.3, 0.02))
    ]
    with pytest.raises(
        ParameterError, match="segment 'S': adjusters 'A', 'B', 'C' stand in one slanting line and cannot give"
    ):
        Segment(name="S", start=0.0, end=0.5, adjusters=tuple(adjusters))
    Segment(name="S", start=0.0, end=0.5, adjusters=tuple(replace(a, y=0.02) for a in adjusters))  # claims no roll
    Segment(name="S", start=0.0, end=0.5, adjusters=(*adjusters[:2], replace(adjusters[2], y=-0.02)))


# ------------------------------------------------------------------ influence matrix


def names_of(mirror: Mirror) -> tuple[tuple[str, str], ...]:
    return tuple((s.name, a.name) for s in mirror.segments for a in s.adjusters)


def test_commanded_moves_make_what_the_surface_needs() -> None:
    """One segment 4 um high; gain 0.8 and 5 % on the neighbour, one screw wrong-handed: rises are R @ moves."""
    mirror = even_mirror(NOMINAL, count=6, pitch=0.45, travel=WIDE)
    lifts = np.zeros(6)
    lifts[2] = 4e-6
    matrix = 0.8 * np.eye(12)
    matrix[4, 5] = matrix[5, 4] = 0.05
    matrix[5, 5] = -0.8
    response = Response(adjusters=names_of(mirror), matrix=matrix, stderr=np.zeros((12, 12)))
    plan = plan_corrections(fit_of(mirror, lifts, np.zeros(6)), response=response)
    moves = np.array([move.move for move in plan.moves])
    assert_allclose(matrix @ moves, -np.repeat(lifts, 2), rtol=0, atol=2e-11)
    assert plan.remaining.height_max < 1e-11


def test_a_singular_response_names_the_mode() -> None:
    """Two screws that do the same: turned against each other they do nothing."""
    mirror = even_mirror(NOMINAL, count=6, pitch=0.45, travel=WIDE)
    matrix = np.eye(12)
    matrix[4:6, 4:6] = 0.5
    response = Response(adjusters=names_of(mirror), matrix=matrix, stderr=np.zeros((12, 12)))
    with pytest.raises(
        ParameterError, match=r"singular: moves of \+1.00 S03/A\d and -1.00 S03/A\d together raise nothing"
    ):
        plan_corrections(fit_of(mirror, np.zeros(6), np.zeros(6)), response=response)


def test_a_response_is_read_from_both_formats(tmp_path: Path) -> None:
    mirror = even_mirror(NOMINAL, count=2, pitch=0.45, travel=WIDE)
    text = tmp_path / "r.csv"
    text.write_text("# measured\nmoved,at,value,uncertainty\nS01/A1,S01/A1,0.9,0.01\nS01/A1,S01/A2,0.05,0.02\n")
    table = tmp_path / "r.toml"
    table.write_text(
        '[[entry]]\nmoved = "S01/A1"\nat = "S01/A1"\nvalue = 0.9\nuncertainty = 0.01\n'
        '[[entry]]\nmoved = "S01/A1"\nat = "S01/A2"\nvalue = 0.05\nuncertainty = 0.02\n'
    )
    expected = np.eye(4)
    expected[0, 0], expected[1, 0] = 0.9, 0.05
    for path in (text, table):
        found = read_response(path, mirror)
        assert_allclose(found.matrix, expected, rtol=0, atol=0)
        assert found.stderr[1, 0] == 0.02


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("moved,at,value\nS01/A1,S09/A1,0.9\n", "line 2: at is 'S09/A1'; expected an adjuster of mirror 'Rowan'"),
        (
            "moved,at,value\nS01/A1,S01/A1,0.9\nS01/A1,S01/A1,0.8\n",
            "line 3: what S01/A1 does at S01/A1 stands there twice",
        ),
        ("moved,at,value\nS01/A1,S01/A1,much\n", "line 2: value is 'much'; expected a number"),
        ("moved,at,value\nS01/A1,S01/A1,nan\n", "line 2: value nan"),
        ("moved,at,value\nS01/A1,S01/A1\n", "line 2: has 2 cells; expected 3"),
        ("a,b\n", "the header is 'a,b'; expected 'moved,at,value,uncertainty'"),
        ("", "the header is ''"),
        ("moved," + "at," * 900 + "\n", "at,at,at,a ...; expected 'moved,at,value,uncertainty'"),
        ("moved,at,value\nS01/A1,S01/A1," + "7" * 900 + "much\n", "777 ...; expected a number"),
        ("moved,at,value\nS01/A1,S0" + "9" * 900 + ",1\n", "999 ...; expected an adjuster"),
        ("moved,at,value\n", "has no entries"),
    ],
)
def test_bad_response_files_get_one_sentence(tmp_path: Path, content: str, message: str) -> None:
    path = tmp_path / "r.csv"
    path.write_text(content)
    with pytest.raises(FileFormatError) as fault:
        read_response(path, even_mirror(NOMINAL, count=2, pitch=0.45, travel=WIDE))
    assert message in str(fault.value)
    assert str(path) in str(fault.value)
    assert len(str(fault.value)) < len(str(path)) + 200
