"""Roll of the segments from scan lines at different y: what one line cannot tell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ellipsefit.fit.result import EllipseFit

#: Stretches along x into which a segment is cut: the scatter of their rolls is the uncertainty of the whole one's.
STRETCHES: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class SegmentRoll:
    """Roll dz/dy of one segment [rad], positive when the +y side is high."""

    roll: float
    stderr: float
    lifted: float  # y at which the fitted line ran at the middle [m]: it stood there by roll * y too high
    tilted: float  # change of that y along x, dimensionless


def segment_rolls(fit: EllipseFit) -> tuple[SegmentRoll | None, ...]:
    """Roll of each measured segment, in the order of `fit.placed.measured`; None: one line, or slopes.

    Least squares of the fit's residual on y, less what height and tilt take of it (R. Frisch and F. V. Waugh,
    Econometrica 1 (1933) 387-401). The standard uncertainty is that of a sum over stretches along x whose errors are
    independent of each other, however correlated within (G. E. P. Box's batch means; J. G. MacKinnon and H. White,
    J. Econometrics 29 (1985) 305-325, for the small-sample factor), and no less than the stated noise makes it.
    """
    placed = fit.placed
    found: list[SegmentRoll | None] = []
    for number in placed.measured:
        part, segment = placed.part(number), placed.mirror.segments[number]
        y = None if placed.y is None else placed.y[part]
        if y is None or placed.quantity != "height":
            found.append(None)
            continue
        lever = placed.x[part] - segment.middle
        columns = np.column_stack([np.ones_like(lever), lever])
        line = np.linalg.lstsq(columns, y, rcond=None)[0]
        across = y - columns @ line
        square = float(across @ across)
        if square <= 1e-9 * float(y @ y):  # one line, slanting or not: roll is height and tilt
            found.append(None)
            continue
        rest = fit.residual[part]
        roll = float(across @ rest) / square
        stretch = np.minimum(((lever / segment.length + 0.5) * STRETCHES).astype(int), STRETCHES - 1)
        scores = np.bincount(stretch, across * (rest - across * roll), minlength=STRETCHES)
        variance = STRETCHES / (STRETCHES - 1) * float(scores @ scores) / square**2
        if placed.sigma is not None:
            variance = max(variance, float((across * placed.sigma[part]) @ (across * placed.sigma[part])) / square**2)
        found.append(
            SegmentRoll(roll=roll, stderr=float(np.sqrt(variance)), lifted=float(line[0]), tilted=float(line[1]))
        )
    return tuple(found)
