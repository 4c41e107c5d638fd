"""The words on what scans leave open against the null space of the whole design, for random plans."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from ellipsefit.scan import Orientation, Scan
from ellipsefit.stitching import Ambiguity, StitchSettings, scan_ambiguities
from ellipsefit.stitching.conditioning import condition_scans
from tests.stitch_cases import Array, Campaign, mirror_of

STEP, POINTS = 0.01, 48
N = 160  # plans
GRID = 4  # functions of the grid alone, and two cells of two points that rounding to the lattice may tie
POWERS = ("height", "tilt", "a parabola", "a cubic", "a quartic", "a quintic")
MOST = 5  # highest power of x that is looked at


class Plan:
    """A random plan on one grid, and the null space of profile, scans, guide and drift written out in full."""

    def __init__(self, seed: int) -> None:
        rng = np.random.default_rng([71, seed])
        self.rng = rng
        count = int(rng.integers(2, 8))
        self.quantity: Any = rng.choice(["height", "height", "slope"])
        steps = self._steps(count)
        starts = np.concatenate([[0], np.cumsum(steps)])
        kinds: list[list[Orientation]] = [
            ["normal"], ["normal"], ["normal", "face_down"], ["normal", "end_for_end"],
            ["normal", "face_down", "end_for_end"],
        ]  # fmt: skip
        allowed = kinds[int(rng.integers(len(kinds)))]
        facing = tuple(allowed[int(rng.integers(len(allowed)))] for _ in range(count))
        self.drift = int(rng.choice([0, 0, 2, 3]))
        self.carriage = bool(rng.random() < 0.8)
        end = int(starts[-1]) + POINTS
        spans = [(-0.5 * STEP, (end - 0.5) * STEP)]
        if rng.random() < 0.4:  # two segments with a gap
            gap = int(rng.integers(end // 3, 2 * end // 3))
            spans = [(-0.5 * STEP, (gap - 0.5) * STEP), ((gap + 7.5) * STEP, (end - 0.5) * STEP)]
        middle = (end - 1) / 2 * STEP
        self.mirror = mirror_of(*((a - middle, b - middle) for a, b in spans))
        made = Campaign(
            starts=[float(start) * STEP - middle for start in starts],
            points=POINTS,
            step=STEP,
            heights=[1e-6 * n for n in range(count)],
            tilts=[1e-6 * n for n in range(count)],
            quantity=self.quantity,
            orientation=facing,
            carriage=self.carriage,
            timed=True,
        ).scans()
        read = rng.random(count) < rng.choice([0.0, 0.0, 0.3, 1.0])
        self.scans: list[Scan] = [
            replace(scan, angle=0.0, angle_stderr=1e-7) if reading else scan
            for scan, reading in zip(made, read, strict=True)
        ]
        self.conditioned = condition_scans(
            self.scans, self.mirror, StitchSettings(spike_threshold=None, roll_off=False)
        )

    def _steps(self, count: int) -> Array:
        """Distances of starts: unequal, equal, or so far apart that a scan may stand alone."""
        kind = self.rng.choice(["unequal", "equal", "far", "still"], p=[0.55, 0.25, 0.1, 0.1])
        if kind == "equal":
            return np.full(count - 1, int(self.rng.integers(8, 30)))
        if kind == "still":
            return np.zeros(count - 1, dtype=np.int64)
        while True:
            steps = self.rng.integers(3, 30 if kind == "unequal" else 50, count - 1)
            if len(steps) < 2 or np.gcd.reduce(steps) == 1:
                return np.asarray(steps)

    @property
    def doubtful(self) -> bool:
        """Whether scans share some points, but too few to count as linked."""
        places = [set(np.round(scan.x[scan.used], 6)) for scan in self.conditioned]
        shared = [len(a & b) for n, a in enumerate(places) for b in places[:n]]
        return any(0 < count < 5 for count in shared)

    def design(self, *, guide: bool) -> tuple[Array, Array, int]:
        """Rows of the points in use: columns are knots of the profile, then all else; and the knots' places."""
        used = [scan.used for scan in self.conditioned]
        places = np.unique(np.round(np.concatenate([s.x[u] for s, u in zip(self.conditioned, used, strict=True)]), 6))
        knots, blocks, tails = len(places), [], []
        for scan, keep in zip(self.conditioned, used, strict=True):
            x = scan.x[keep]
            block = np.zeros((len(x), knots + (POINTS if guide else 0)))
            block[np.arange(len(x)), np.searchsorted(places, x - 1e-6)] = 1.0
            if guide:
                assert scan.scan.carriage is not None
                turned = scan.scan.orientation == "end_for_end" and self.quantity == "slope"
                sign = -1.0 if scan.scan.orientation == "face_down" or turned else 1.0
                block[np.arange(len(x)), knots + np.rint(scan.scan.carriage[keep] / STEP).astype(int)] = sign
            t = 2 * (scan.x - scan.x[0]) / np.ptp(scan.x) - 1
            tilt = 0 if self.quantity == "slope" else 1
            own = [
                np.polynomial.legendre.Legendre.basis(n)(t[keep])
                for n in range(max(self.drift, tilt) + 1)
                if n != tilt or scan.scan.angle is None  # else its tilt is known
            ]
            blocks.append(block)
            tails.append(np.stack(own, axis=1) if own else np.zeros((len(x), 0)))
        from scipy.linalg import block_diag

        return np.hstack([np.vstack(blocks), block_diag(*tails)]), places, knots

    def null(self, *, guide: bool) -> tuple[Array, Array]:
        """Orthonormal functions of the mirror in the null space, and their places."""
        design, places, knots = self.design(guide=guide)
        _, size, modes = np.linalg.svd(design)
        kept = np.r_[size < 1e-9, np.ones(design.shape[1] - len(size), dtype=bool)]
        left, weight, _ = np.linalg.svd(modes[kept, :knots].T, full_matrices=False)
        return left[:, weight > 1e-7], places


def leading_powers(basis: Array, places: Array, inside: Any = 1.0) -> list[int]:
    """Powers of x that lead a function of the space, on some of the places alone."""
    columns = np.polynomial.legendre.legvander(places / np.abs(places).max(), MOST) * np.reshape(inside, (-1, 1))
    columns = np.linalg.qr(columns)[0]
    shared = [
        int((np.linalg.svd(basis.T @ columns[:, : n + 1], compute_uv=False) > 1 - 1e-7).sum()) for n in range(MOST + 1)
    ]
    return [n for n in range(MOST + 1) if shared[n] > (shared[n - 1] if n else 0)]


def named_powers(found: Sequence[Ambiguity]) -> list[int]:
    return [item.degree for item in found if item.degree is not None]


def repeating(places: Array, period: float) -> Array:
    """All functions that repeat after a period on the grid."""
    cells = round(period / STEP)
    return np.asarray(np.eye(cells)[np.rint((places - places[0]) / STEP).astype(int) % cells])


@pytest.mark.parametrize("seed", range(N))
def test_words_name_the_null_space_and_nothing_else(seed: int) -> None:
    """Oracle: singular values of the design with every point of guide and profile free (numpy.linalg.svd).

    Each power of x that leads a null vector is named, and no other; what lies in none of them is named as periodic
    or as shapes of the guide, and where it is not named there is nothing more.
    """
    plan = Plan(seed)
    if plan.doubtful:
        return
    found = scan_ambiguities(plan.conditioned, drift_degree=plan.drift)
    kinds = {item.kind for item in found}
    basis, places = plan.null(guide="guide" not in kinds and plan.carriage)
    alone = [item for item in found if item.kind == "unlinked"]
    if alone:
        for item in alone:
            met = {float(x) for s in plan.conditioned if s.scan.name in item.scans for x in np.round(s.x[s.used], 6)}
            inside = np.isin(places, list(met))
            powers = leading_powers(basis, places, inside)
            shift = int(plan.quantity == "slope")
            words = item.function.partition(" of scan")[0].replace(" and ", ", ").split(", ")
            assert words == [POWERS[power + shift] for power in powers]
        return
    # of an open space of shapes (all even functions, say) higher powers are a part that has no name of its own
    highest = plan.drift + int("guide" not in kinds) if plan.drift else 2
    powers = [n for n in leading_powers(basis, places) if n <= max(highest, 2)]
    assert named_powers(found) == powers, kinds
    columns = [np.polynomial.legendre.legvander(places / np.abs(places).max(), max(powers, default=0))]
    columns += [repeating(places, item.period) for item in found if item.period is not None]
    named = np.linalg.svd(np.hstack(columns), full_matrices=False)
    named_space = named[0][:, named[1] > 1e-9]
    beyond = int((np.linalg.svd(basis - named_space @ (named_space.T @ basis), compute_uv=False) > 1e-6).sum())
    # of a grid: saw teeth from point to point and steps at the ends of overlaps, which no smooth guide has
    if "shape" in kinds:
        assert beyond > 0
    else:
        assert beyond <= GRID, (beyond, kinds)
    if "periodic" in kinds:
        assert basis.shape[1] - len(powers) > 1


def test_random_plans_are_of_all_kinds() -> None:
    """The check above sees every kind of what may be open. Source: the requirement."""
    kinds: set[str] = set()
    for seed in range(N):
        plan = Plan(seed)
        kinds |= {item.kind for item in scan_ambiguities(plan.conditioned, drift_degree=plan.drift)}
    assert kinds >= {"pose", "line", "parabola", "curve", "periodic", "shape", "unlinked", "guide"}
