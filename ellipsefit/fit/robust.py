"""What does not belong: points that stray from their neighbours, and segments that were knocked."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from scipy.special import bdtrc, ndtr, stdtrit

from ellipsefit.arrays import BoolArray, FloatArray, IntArray
from ellipsefit.profile import PlacedProfile
from ellipsefit.rows import Table
from ellipsefit.stream import Placed, with_neighbours

#: Robust standard deviations beyond which a point strays from the running median of its neighbours.
STRAY: Final = 7.0
#: Robust standard deviations beyond which a segment is not one of the others, at least.
KNOCKED: Final = 6.0
#: One-sided probability of Student's t beyond which it is not, where segments are few.
KNOCKED_CHANCE: Final = 5e-4
#: Robust standard deviations beyond which normal noise lies once in 16,000 points.
FAR: Final = 4.0
#: Share of stray points from which a segment is called dirty.
DIRTY_SHARE: Final = 0.02
#: Points of the running median.
WINDOW: Final = 15
#: Points of the neighbours with which a block is judged, on each side: some windows.
BESIDE: Final = 8 * WINDOW
#: Blocks, evenly spread, that tell how a segment of many scatters.
ASKED: Final = 16
#: How much rougher than those a block may be before that is dirt.
ROUGHER: Final = 2.0
#: Share of a segment's points whose distances from the running median tell its scatter.
MOST: Final = 0.7
#: Normal quantile of that share of absolute values.
MOST_NORMAL: Final = 1.0364333894937898
#: Standard deviation of a normal variable over its median absolute deviation.
NORMAL_MAD: Final = 1.4826022185056018


def without_strays(placed: Placed) -> tuple[Placed, dict[str, int]]:
    """Leave out points that stray from their neighbours by far more than those scatter.

    Parameters
    ----------
    placed : PlacedProfile or PlacedStream

    Returns
    -------
    PlacedProfile or PlacedStream, dict
        What is left, and how many points were left out of which segment. Up to half of the points around any
        place may stray (a dirty patch), and a quarter of a segment's; it is never left with fewer than 5.
    """
    counts: dict[str, int] = {}

    def found() -> Iterator[tuple[int, IntArray]]:
        for number in placed.measured:
            name = placed.mirror.segments[number].name
            for rows in _stray_rows(placed, number):
                counts[name] = counts.get(name, 0) + len(rows)
                yield number, rows

    left = placed.without(found())
    return (left, counts) if counts else (placed, {})


def _stray_rows(placed: Placed, number: int) -> Iterator[IntArray]:
    """Rows of the points of a segment that stray, block by block; each is judged with some of its neighbours."""
    nominal = placed.mirror.nominal
    ideal = nominal.height if placed.quantity == "height" else nominal.slope
    roughest = _roughest(placed, number)
    for near, start, stop in with_neighbours(placed.blocks(number), BESIDE):
        stray = _strays(near.x, near.values - ideal(near.x), roughest)[start:stop]
        if stray.any():
            yield near.rows[start:stop][stray]


def _roughest(placed: Placed, number: int) -> float:
    """Scatter beyond which a block is dirty; infinite if there are no other blocks to tell.

    A dirty patch may fill a block, and would seem usual in it.
    """
    nominal = placed.mirror.nominal
    ideal = nominal.height if placed.quantity == "height" else nominal.slope
    found = []
    for block in placed.blocks(number, most=ASKED):
        if len(block.x) >= 2 * WINDOW:
            flat = _flat(block.x, block.values - ideal(block.x))
            found.append(_scatter(flat, np.abs(flat - _running_median(flat))))
    return ROUGHER * float(np.median(found)) if len(found) > 2 else np.inf


def _strays(x: FloatArray, deviation: FloatArray, roughest: float) -> BoolArray:
    """Points that stray, as long as leaving out those found brings more to light."""
    stray = np.zeros(len(x), dtype=bool)
    while True:
        kept = np.flatnonzero(~stray)
        if len(kept) < 2 * WINDOW:
            return stray
        flat = _flat(x[kept], deviation[kept])
        away = np.abs(flat - _running_median(flat))
        found = away > STRAY * min(_scatter(flat, away), roughest)
        if not found.any():
            return stray
        stray[kept[found]] = True


def _flat(x: FloatArray, deviation: FloatArray) -> FloatArray:
    """Deviation less the line through the medians of its outer quarters: a stray point does not tilt it."""
    quarter = len(x) // 4
    rise = np.median(deviation[-quarter:]) - np.median(deviation[:quarter])
    run = np.median(x[-quarter:]) - np.median(x[:quarter])
    flat: FloatArray = deviation - rise / run * x
    return flat


def _scatter(flat: FloatArray, away: FloatArray) -> float:
    """Robust standard deviation about the running median.

    Where a smooth surface rises, the median is the point itself, and distances are nothing: they are judged by
    those of most points, and not taken for less than a step between neighbours (of noise as large, 0.95).
    """
    scale, step = float(np.quantile(away, MOST)) / MOST_NORMAL, float(np.median(np.abs(np.diff(flat))))
    return max(scale, step, 1e-15)


def _running_median(values: FloatArray) -> FloatArray:
    """Median of `WINDOW` neighbours; at the ends the values go on as their mirror image through a point.

    A surface that rises to its end would else stray from the median of a window that is one-sided there.
    """
    from scipy.ndimage import median_filter

    half = WINDOW // 2
    before = 2 * np.median(values[:5]) - values[5 : 5 + half][::-1]
    after = 2 * np.median(values[-5:]) - values[-5 - half : -5][::-1]
    whole = np.concatenate([before, values, after])
    return np.asarray(median_filter(whole, WINDOW)[half:-half], dtype=np.float64)


def knocked_segments(effects: FloatArray, pose: FloatArray) -> IntArray:
    """Segments that stand far outside the spread of the others.

    Parameters
    ----------
    effects : array, shape (J, r)
        Height and tilt (or tilt) of each segment.
    pose : array, shape (J r, r)
        What a pose of the whole mirror does to them.

    Returns
    -------
    array of int
        Rows of segments, the worst first, of which an effect lies beyond `KNOCKED` robust standard deviations of
        all (more for fewer than 14 segments, whose scale is less sure), the common pose (found by least absolute
        deviations, which one stray segment cannot pull) set aside; at most a third of the segments.
    """
    count, r = effects.shape
    if count < 5:
        return np.zeros(0, dtype=np.intp)
    rest = effects.ravel() - pose @ _least_absolute(pose, effects.ravel(), r)
    away = np.abs(rest.reshape(count, r))
    scale = NORMAL_MAD * np.median(away, axis=0) * count / (count - 1)  # a pose takes a degree of freedom from each
    ratio = (away / np.maximum(scale, 1e-15)).max(axis=1)
    # the scale of a few is itself uncertain: a median absolute deviation is worth about half of its values
    limit = max(KNOCKED, -float(stdtrit(count / 2 - 1, KNOCKED_CHANCE)))
    worst: IntArray = np.argsort(ratio)[::-1][: count // 3]
    far: IntArray = worst[ratio[worst] > limit]
    return far


def _least_absolute(design: FloatArray, values: FloatArray, r: int) -> FloatArray:
    """Coefficients of least absolute deviations, each kind of effect over its median size: reweighted squares."""
    size = np.tile(np.maximum(np.median(np.abs(values.reshape(-1, r)), axis=0), 1e-15), len(values) // r)
    rows, target = design / size[:, None], values / size
    columns = np.linalg.norm(rows, axis=0)
    rows = rows / columns
    found = np.linalg.lstsq(rows, target, rcond=None)[0]
    for _ in range(30):
        weight = np.maximum(np.abs(target - rows @ found), 1e-6) ** -0.5
        found = np.linalg.lstsq(rows * weight[:, None], target * weight, rcond=None)[0]
    coefficients: FloatArray = found / columns
    return coefficients


@dataclass(frozen=True, slots=True, kw_only=True)
class Oddities:
    """What was found that does not belong, and what was done about it."""

    strays: dict[str, int]  # points left out, by segment
    dirty: tuple[str, ...]  # segments of which many points were
    knocked: tuple[str, ...]  # segments that stand far outside the spread of the others, left free
    tails: float  # share of points whose noise is beyond `FAR` robust standard deviations
    heavy: bool  # whether that is more than normal noise has

    def to_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "strays": self.strays,
            "dirty": list(self.dirty),
            "knocked": list(self.knocked),
            "far_noise_share": self.tails,
            "heavy_tailed_noise": self.heavy,
        }

    def warnings(self) -> list[str]:
        """A sentence on each."""
        notes = []
        total = sum(self.strays.values())
        if total:
            dirt = f"; segment {', '.join(self.dirty)} looks dirty" if self.dirty else ""
            notes.append(f"{total} point{'s' * (total > 1)} that stray far from their neighbours are left out{dirt}")
        notes += [
            f"segment {name} stands far outside the spread of the others, as if knocked: it is left free"
            for name in self.knocked
        ]
        if self.heavy:
            notes.append(
                f"the noise has heavy tails: {100 * self.tails:.2g} % of it lies beyond {FAR:g} standard deviations, "
                "0.006 % would; the uncertainties allow for its variance"
            )
        return notes

    def table(self) -> Table:
        """As a table."""
        strays = ", ".join(f"{count} of {name}" for name, count in self.strays.items())
        tails = f"{100 * self.tails:.2g} % beyond {FAR:g} standard deviations"
        return Table(
            title="What does not belong",
            cells=(
                ("points left out because they stray", strays or "none"),
                ("segments that look dirty", ", ".join(self.dirty) or "none"),
                ("segments that look knocked, left free", ", ".join(self.knocked) or "none"),
                ("noise", f"HEAVY TAILS, {tails}" if self.heavy else f"as normal noise, {tails}"),
            ),
        )


def noise_tails(placed: PlacedProfile, residual: FloatArray) -> tuple[float, bool]:
    """Share of the noise beyond `FAR` robust standard deviations, and whether that is more than normal noise has.

    Noise is told from the surface by second differences, which a smooth surface has next to none of, every third
    of them, which have no point in common. More than normal: the share would be as large by chance once in a
    million.
    """
    found = []
    for number in placed.measured:
        part = placed.part(number)
        x, rest = placed.x[part], residual[part]
        if placed.sigma is not None:
            rest = rest / placed.sigma[part]
        gap = np.diff(x)
        even = (gap[1:] < 1.5 * np.median(gap)) & (gap[:-1] < 1.5 * np.median(gap))
        bend = (rest[2:] - 2 * rest[1:-1] + rest[:-2])[even][::3]
        if len(bend):
            found.append(bend / (NORMAL_MAD * max(float(np.median(np.abs(bend))), 1e-300)))
    away = np.abs(np.concatenate(found)) if found else np.zeros(0)
    far = int(np.sum(away > FAR))
    return far / max(len(away), 1), bool(bdtrc(far - 1, len(away), 2 * ndtr(-FAR)) < 1e-6)
