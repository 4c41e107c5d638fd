"""Scans that lie back to front: told by what the other scans saw in the same places.

A scan whose values are stored against its x the wrong way round is the same mirror read backwards. Where other
scans overlap it, the values turned round fit them better than as they stand; where the stretch looks the same
from both ends within its noise, nothing tells, and that is said.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.errors import DataError
from ellipsefit.mirror import Mirror
from ellipsefit.stitching.conditioned import INVALID, ConditionedScan

#: Points that others must have seen, too.
LEAST_POINTS: Final = 20
#: A campaign with more noise than this many times what third differences show is searched for a scan back to front.
SUSPICIOUS: Final = 1.3
#: Scans that are tried turned round, and the share of the noise that must be left if that is what was wrong.
TRIALS: Final = 3
BETTER: Final = 0.75
#: Of more scans, only the first are looked at for whether they could be told.
MOST_SCANS: Final = 200


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BothWays:
    """How a scan fits all others as it stands and turned round."""

    turned: ConditionedScan
    gain: float  # sum of squares over sigma that turning round takes away
    points: int


def both_ways(scan: ConditionedScan, against_others: FloatArray, mirror: Mirror) -> BothWays | None:
    """Compare both ways; None where too few points are seen by other scans.

    `against_others` are the scan's points minus what all others and the guide predict, shape (N,), NaN where
    none does.
    """
    height = scan.scan.quantity == "height"
    twice = scan.used & scan.used[::-1]
    both = twice & np.isfinite(against_others)
    if both.sum() < LEAST_POINTS:
        return None
    ideal = np.full(len(scan.x), np.nan)
    ideal[scan.used] = (mirror.nominal.height if height else mirror.nominal.slope)(scan.x[scan.used])
    whole = (scan.deviation + ideal)[::-1]
    turned = (whole if height else -whole) - ideal
    t, sigma = scan.x[both] - scan.x[both].mean(), scan.sigma[both][:, None]
    columns = np.stack([np.ones_like(t), t] if height else [np.ones_like(t)], axis=1) / sigma
    forward = against_others[both]
    two = np.stack([forward, forward + turned[both] - scan.deviation[both]], axis=1) / sigma
    left = two - columns @ np.linalg.lstsq(columns, two, rcond=None)[0]
    stands, turns = (float(column @ column) for column in left.T)
    code = np.where(twice, scan.code, np.where(scan.used, INVALID, scan.code))
    other = replace(scan, deviation=turned, code=code)
    return BothWays(turned=other, gain=stands - turns, points=int(both.sum()))


def scans_to_turn(count: int, noise: float, rough_noise: float) -> int:
    """How many of the scans are looked at turned round: all where the noise is suspicious."""
    return count if noise > SUSPICIOUS * rough_noise and count > 1 else min(count, MOST_SCANS)


def check_directions(
    scans: Sequence[ConditionedScan],
    against_others: Sequence[FloatArray],
    mirror: Mirror,
    *,
    noise: float,
    rough_noise: float,
    noise_of: Callable[[Sequence[ConditionedScan]], float],
    guide: bool,
) -> list[str]:
    """Refuse a scan that lies back to front, and name those of which nothing tells.

    Parameters
    ----------
    scans : sequence of ConditionedScan
    against_others : sequence of array
        For each scan that is looked at, as `both_ways` says.
    mirror : Mirror
    noise, rough_noise : float
        Standard deviation of a point over its stated one: of the joining, and from differences of neighbours.
    noise_of : callable
        Joins scans and gives that noise.
    guide : bool
        Whether the guide may have any shape: then it takes whatever a single further place of scans shows.

    Returns
    -------
    list of str
        Names of scans that fit as well either way.

    Raises
    ------
    DataError
        If scans fit each other only when one is turned round; the sentence names it.
    """
    suspicious = noise > SUSPICIOUS * rough_noise and len(scans) > 1
    looked_at = scans[: scans_to_turn(len(scans), noise, rough_noise)]
    found = [both_ways(scan, rest, mirror) for scan, rest in zip(looked_at, against_others, strict=False)]
    if suspicious:
        _check_turned(scans, found, noise_of)
    places = {round(scan.offset, 3) for scan in scans if scan.offset is not None}
    hidden = guide and len(places) < 3
    unknown = []
    for scan, ways in zip(looked_at, found, strict=True):
        # both sums hold the noise of the same points, once in order and once turned
        told = ways is not None and abs(ways.gain) > 3 * np.sqrt(8 * ways.points) * min(noise, rough_noise) ** 2
        if hidden or not told:
            told = scan.asymmetric
        if not told:
            unknown.append(scan.scan.name)
    return unknown


def _check_turned(
    scans: Sequence[ConditionedScan],
    found: Sequence[BothWays | None],
    noise_of: Callable[[Sequence[ConditionedScan]], float],
) -> None:
    """Join again with the scans that gain most turned round, one at a time, among their neighbours."""
    gains = [(-ways.gain / ways.points, number) for number, ways in enumerate(found) if ways is not None]
    trials = []
    for gain, number in sorted(gains)[:TRIALS]:
        ways = found[number]
        if gain >= 0 or ways is None:
            continue
        middle = float(scans[number].x.mean())
        near = sorted(range(len(scans)), key=lambda other: abs(float(scans[other].x.mean()) - middle))[:40]
        stands = [scans[other] for other in near]
        turned = [ways.turned if other == number else scans[other] for other in near]
        share = noise_of(turned) / noise_of(stands)
        trials.append((share, scans[number].scan.name))
    trials = sorted(trial for trial in trials if trial[0] < BETTER)
    if trials:
        names = " or ".join(f"scan '{name}'" for share, name in trials if share < 1.1 * trials[0][0])
        raise DataError(
            f"{names}: fits the other scans only back to front; expected values in the order of x, check whether x is "
            "reversed and the declared direction"
        )
