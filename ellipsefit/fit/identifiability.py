"""What of p, q and theta the data can tell: combinations, and quantities that need no pole."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.results import Result
from ellipsefit.rows import Table, with_uncertainty


@dataclass(frozen=True, slots=True, kw_only=True)
class Combination:
    """A combination of relative changes of p, q and theta, with its relative standard uncertainty."""

    weights: tuple[float, float, float]  # of dp/p, dq/q, dtheta/theta; of length 1
    stderr: float

    def __str__(self) -> str:
        names = ("dp/p", "dq/q", "dθ/θ")
        text = " ".join(f"{weight:+.2f} {name}" for weight, name in zip(self.weights, names, strict=True))
        return text.removeprefix("+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Identifiability(Result):
    """Combinations from best to worst known, and invariants of the ellipse under a move of its pole."""

    table: ClassVar[str | None] = "combinations"

    combinations: tuple[Combination, ...]
    focal_sum: tuple[float, float]  # p + q, the length of the major axis, and its standard uncertainty [m]
    semi_minor: tuple[float, float]  # b and its standard uncertainty [m]
    pole_curvature: tuple[float, float]  # 1/R at the pole and its standard uncertainty [1/m]

    def to_dict(self) -> dict[str, Any]:
        """For JSON, SI."""
        return {
            "combinations": [{"weights": list(item.weights), "stderr": item.stderr} for item in self.combinations],
            "p_plus_q": self.focal_sum[0],
            "p_plus_q_stderr": self.focal_sum[1],
            "semi_minor_axis": self.semi_minor[0],
            "semi_minor_axis_stderr": self.semi_minor[1],
            "pole_curvature": self.pole_curvature[0],
            "pole_curvature_stderr": self.pole_curvature[1],
        }

    def rows(self) -> list[Table]:
        """What is known, as tables."""
        cells = tuple((str(item), _percent(item.stderr)) for item in self.combinations)
        value, stderr = self.pole_curvature
        other = (
            ("p + q (length of the major axis)", with_uncertainty(*self.focal_sum, "length")),
            ("semi-minor axis b", with_uncertainty(*self.semi_minor, "length")),
            ("radius at the pole", with_uncertainty(1 / value, stderr / value**2, "length")),
        )
        return [
            Table(
                title="Combinations of p, q and θ, best known first",
                header=("combination", "relative uncertainty"),
                cells=cells,
            ),
            Table(title="Of these, what does not depend on where the pole is", cells=other[:2]),
            Table(title="And at the pole", cells=other[2:]),
        ]


def identify(ellipse: Ellipse, covariance: FloatArray) -> Identifiability:
    """Combinations and invariants from the covariance of (p, q, theta), shape (3, 3)."""
    p, q, theta = ellipse.p, ellipse.q, ellipse.theta
    size = np.array([p, q, theta])
    values, vectors = np.linalg.eigh(covariance / np.outer(size, size))
    combinations = []
    for value, vector in zip(values, vectors.T, strict=True):
        turned = vector * np.sign(vector[np.argmax(np.abs(vector))])
        combinations.append(
            Combination(
                weights=(float(turned[0]), float(turned[1]), float(turned[2])), stderr=float(np.sqrt(max(value, 0.0)))
            )
        )
    b = float(np.sqrt(p * q) * np.sin(theta))
    curvature = float((1 / p + 1 / q) * np.sin(theta) / 2)
    gradients = {
        "sum": np.array([1.0, 1.0, 0.0]),
        "b": b * np.array([0.5 / p, 0.5 / q, 1 / np.tan(theta)]),
        "curvature": np.array([-np.sin(theta) / (2 * p * p), -np.sin(theta) / (2 * q * q), curvature / np.tan(theta)]),
    }
    stderr = {name: float(np.sqrt(g @ covariance @ g)) for name, g in gradients.items()}
    return Identifiability(
        combinations=tuple(combinations),
        focal_sum=(p + q, stderr["sum"]),
        semi_minor=(b, stderr["b"]),
        pole_curvature=(curvature, stderr["curvature"]),
    )


def _percent(share: float) -> str:
    """A relative uncertainty with two digits and without powers of ten."""
    return (
        f"{np.format_float_positional(100 * share, 2, fractional=False, trim='-')} %"
        if share < 10
        else "beyond any use"
    )
