"""How rigid segments follow their adjusters."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.mirror import Segment


def rise_map(segment: Segment) -> FloatArray:
    """Height at the middle, tilt and roll of a rigid segment from rises at its adjusters, shape (3, a).

    By least squares; what the adjusters' places can't turn stays as it is.
    """
    lever = np.array([adjuster.x - segment.middle for adjuster in segment.adjusters])
    across = np.array([adjuster.y for adjuster in segment.adjusters])
    found = np.zeros((3, len(lever)))
    if not len(lever):
        return found
    columns = [0, *([1] if np.ptp(lever) > 0 else [])]
    plane = np.column_stack([np.ones_like(lever), lever, across])
    if np.linalg.matrix_rank(plane) > len(columns):
        columns.append(2)
    found[columns] = np.linalg.pinv(plane[:, columns])
    return found


def rise_maps(segments: Sequence[Segment]) -> FloatArray:
    """The same of several segments from rises at all their adjusters, shape (3 S, A)."""
    from scipy.linalg import block_diag

    return np.asarray(block_diag(*map(rise_map, segments)), dtype=np.float64)
