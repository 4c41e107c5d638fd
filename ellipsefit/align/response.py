"""What moves of the adjusters do to the surface: the influence matrix of a mirror."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.errors import ParameterError
from ellipsefit.mirror import Mirror


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Response:
    """How the surface at every adjuster answers to a commanded move of every adjuster.

    The rise of the surface at adjuster i is sum over j of matrix[i, j] * move[j]. Adjusters are those of all
    segments, in the mirror's order. A diagonal of 1 means that a move does what it says, a negative one that
    the screw is wrong-handed; what stands off the diagonal is coupling.

    Parameters
    ----------
    adjusters : tuple of (str, str)
        Segment and adjuster of each row and column.
    matrix : array, shape (A, A)
        Dimensionless.
    stderr : array, shape (A, A)
        Standard uncertainty of each entry.

    Raises
    ------
    ParameterError
        If shapes differ, or an entry is not finite.
    """

    adjusters: tuple[tuple[str, str], ...]
    matrix: FloatArray
    stderr: FloatArray

    def __post_init__(self) -> None:
        shape = (len(self.adjusters),) * 2
        for key in ("matrix", "stderr"):
            object.__setattr__(self, key, sealed(getattr(self, key)))
            array = getattr(self, key)
            if array.shape != shape or not np.isfinite(array).all():
                raise ParameterError(
                    f"response: {key} must be finite and have one row and column for each of the {shape[0]} "
                    f"adjusters; got shape {array.shape}"
                )

    def to_dict(self) -> dict[str, Any]:
        """As JSON: what `from_dict` reads back."""
        return {
            "adjusters": [list(key) for key in self.adjusters],
            "matrix": self.matrix.tolist(),
            "stderr": self.stderr.tolist(),
        }

    @classmethod
    def from_dict(cls, table: Mapping[str, Any]) -> Response:
        """Back from JSON.

        Raises
        ------
        KeyError, TypeError, ValueError
            If something is missing or of the wrong kind.
        """
        shape = (len(table["adjusters"]),) * 2
        return cls(
            adjusters=tuple((str(segment), str(adjuster)) for segment, adjuster in table["adjusters"]),
            matrix=np.array(table["matrix"], dtype=np.float64).reshape(shape),
            stderr=np.array(table["stderr"], dtype=np.float64).reshape(shape),
        )


def nominal_response(mirror: Mirror) -> Response:
    """Rigid segments, none across: each adjuster does what it is asked, within its stated gain error."""
    names = tuple((segment.name, adjuster.name) for segment in mirror.segments for adjuster in segment.adjusters)
    gain = [adjuster.gain_error or 0.0 for segment in mirror.segments for adjuster in segment.adjusters]
    return Response(adjusters=names, matrix=np.eye(len(names)), stderr=np.diag(gain))
