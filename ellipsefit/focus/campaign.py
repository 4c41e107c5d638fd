"""Simulated campaigns with exact rays, run by any executor: the result does not depend on how many work."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.errors import ParameterError
from ellipsefit.focus.beam import Beam
from ellipsefit.focus.geometry import bench
from ellipsefit.focus.rays import cut, trace
from ellipsefit.focus.spot import through
from ellipsefit.focus.surface import Surface
from ellipsefit.focus.tolerances import GROUPS, Tolerances, Verified, coated, perfect_surface
from ellipsefit.mirror import Deflection

#: Mirrors for each task that is sent to a worker.
BATCH: Final = 16
#: Rays for each mirror: from so many cells, and so many points of the source.
RAYS: Final = (1600, 8)
#: What the linear budget may be off beyond chance, as a share of the beam.
ALLOWANCE: Final = 0.005


class Outcome(NamedTuple):
    """What one simulated mirror does."""

    throughput: float
    rms: float  # about the centroid [m]
    rms_about_axis: float
    centroid: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spreads:
    """Standard deviations from which mirrors are drawn; one for each segment, and for the carrier."""

    height: FloatArray  # [m]
    tilt: FloatArray  # [rad]
    carrier_height: float = 0.0
    carrier_tilt: float = 0.0


class Task(NamedTuple):
    """A batch of mirrors to draw; each has a seed of its own."""

    surface: Surface
    beam: Beam
    deflection: Deflection | None
    spreads: Spreads
    seed: int
    numbers: range


def run_batch(task: Task) -> list[Outcome]:
    """Draw and trace the mirrors of a task."""
    surface, beam = task.surface, task.beam
    layout = bench(beam, surface.nominal, task.deflection)
    m = np.array([np.nan if piece.coating_m is None else piece.coating_m for piece in surface.pieces])
    found = []
    for number in task.numbers:
        rng = np.random.default_rng([task.seed, number])
        heights = rng.normal(0.0, task.spreads.height)
        tilts = rng.normal(0.0, task.spreads.tilt)
        lift, turn = rng.normal(0.0, [task.spreads.carrier_height, task.spreads.carrier_tilt])
        pieces = tuple(
            replace(piece, height=piece.height + float(height), tilt=piece.tilt + float(tilt))
            for piece, height, tilt in zip(surface.pieces, heights, tilts, strict=True)
        )
        drawn = replace(surface, pieces=pieces).moved(float(lift), float(turn))
        rays = trace(cut(drawn, layout, RAYS[0]), beam, layout, m, RAYS[1])
        weight = rays.weight / rays.weight.sum()
        centre = float((weight * rays.across).sum())
        rms = float(np.sqrt((weight * (rays.across - centre) ** 2).sum()))
        found.append(Outcome(through(rays, beam), rms, float(np.hypot(rms, centre)), centre))
    return found


def simulate(
    surface: Surface,
    beam: Beam,
    spreads: Spreads,
    *,
    draws: int,
    seed: int,
    deflection: Deflection | None = None,
    executor: Executor | None = None,
    progress: Callable[[str], object] = str,
) -> tuple[Outcome, ...]:
    """Draw misaligned mirrors and trace each.

    Parameters
    ----------
    surface : Surface
        About which they are drawn.
    beam, spreads
    draws, seed : int
        How many, and the seed; the n-th mirror depends on seed and n alone.
    executor : concurrent.futures.Executor, optional
        Processes, threads or a cluster's; here, one after the other, by default.
    """
    if draws < 1:
        raise ParameterError(f"draws must be at least 1; got {draws!r}")
    tasks = [
        Task(surface, beam, deflection, spreads, seed, range(start, min(start + BATCH, draws)))
        for start in range(0, draws, BATCH)
    ]
    run: Iterable[list[Outcome]] = map(run_batch, tasks) if executor is None else executor.map(run_batch, tasks)
    found: list[Outcome] = []
    for outcomes in run:
        found += outcomes
        progress(f"{len(found)} of {draws} mirrors")
    return tuple(found)


def verify(
    tolerances: Tolerances,
    *,
    draws: int = 2000,
    seed: int = 1,
    executor: Executor | None = None,
    progress: Callable[[str], object] = str,
) -> Tolerances:
    """Check a budget with simulated mirrors and exact rays; the same tolerances, with what was found."""
    allowed = {item.name: item.stderr for item in tolerances.groups}
    height, tilt, lift, turn = (allowed[name] for name in GROUPS)
    mirror, beam = tolerances.mirror, tolerances.beam
    surface = coated(perfect_surface(mirror), beam)
    spreads = Spreads(height=height, tilt=tilt, carrier_height=float(lift[0]), carrier_tilt=float(turn[0]))
    outcomes = simulate(
        surface,
        beam,
        spreads,
        draws=draws,
        seed=seed,
        deflection=mirror.deflection,
        executor=executor,
        progress=progress,
    )
    still = Spreads(height=0 * height, tilt=0 * tilt)
    perfect = simulate(surface, beam, still, draws=1, seed=seed, deflection=mirror.deflection)[0].throughput
    lost = perfect - np.array([outcome.throughput for outcome in outcomes])
    stderr = float(lost.std(ddof=1) / np.sqrt(draws)) if draws > 1 else float("inf")
    loss = float(lost.mean())
    agrees = abs(loss - tolerances.loss) <= 3 * stderr + ALLOWANCE
    return replace(tolerances, verified=Verified(draws=draws, seed=seed, loss=loss, stderr=stderr, agrees=agrees))
