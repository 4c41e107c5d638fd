"""What would be gained: realign the segments, move the carrier, both, nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.focus.model import Draws, Model

#: Scale on which the carrier is moved: height [m], tilt [rad].
STEPS = (20e-6, 2e-6)


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One thing that could be done, and what would come of it."""

    name: str
    throughput: float
    throughput_stderr: float | None  # None: the mirror's uncertainty is not known
    rms: float  # [m]
    rms_stderr: float | None
    carrier_height: float  # move of the carrier at x = 0 [m]
    carrier_tilt: float  # [rad]

    def to_dict(self) -> dict[str, Any]:
        """For JSON, SI."""
        return {
            "name": self.name,
            "throughput": self.throughput,
            "throughput_stderr": self.throughput_stderr,
            "rms": self.rms,
            "rms_stderr": self.rms_stderr,
            "carrier_height": self.carrier_height,
            "carrier_tilt": self.carrier_tilt,
        }


def what_if(model: Model, draws: Draws | None = None) -> tuple[Choice, ...]:
    """Throughput and width if nothing is done, the segments are realigned, the carrier moved, or both.

    Realigned segments stand on the fitted ellipse in its pose, with their form. The carrier is moved to where
    most passes the aperture, or without one to where the spot is smallest about the chief ray.

    Parameters
    ----------
    model : Model
    draws : Draws, optional
        Of the mirror about what it is. A move that is made exactly leaves all that is unknown of it.
    """
    as_is = frozenset(model.factors)
    aligned = as_is - {"segment misalignment"}
    found = []
    for name, active, moves in (
        ("nothing", as_is, False),
        ("realign the segments", aligned, False),
        ("move the carrier", as_is, True),
        ("both", aligned, True),
    ):
        move = best_carrier(model, active) if moves else np.zeros(2)
        shift = _carried(model, active) @ move[:, None]
        through_stderr = rms_stderr = None
        if draws is not None:
            moved = model.moved(draws, model.landing(active))
            through_stderr = float(model.throughput(active, shift, moved).std())
            rms_stderr = float(model.spread(shift + moved.shift, active, moved.smear)[1].std())
        found.append(
            Choice(
                name=name,
                throughput=float(model.throughput(active, shift)[0]),
                throughput_stderr=through_stderr,
                rms=float(model.spread(shift, active)[1][0]),
                rms_stderr=rms_stderr,
                carrier_height=float(move[0]),
                carrier_tilt=float(move[1]),
            )
        )
    return tuple(found)


def _carried(model: Model, active: frozenset[str]) -> FloatArray:
    """Change of where light lands by the carrier's height and tilt, (N, 2)."""
    columns = [model.freedoms.labels.index(f"carrier {kind}") for kind in ("height", "tilt")]
    return model.response(model.landing(active))[:, columns]


def best_carrier(model: Model, active: frozenset[str]) -> FloatArray:
    """Move of the carrier, height [m] and tilt [rad], that serves the aperture best."""
    landing = model.landing(active)
    carried = _carried(model, active)
    weight = model.light * (model.solid if "gaps" in active else 1.0)
    weight = weight * np.broadcast_to(landing.reflectivity, (len(weight), landing.reflectivity.shape[1])).mean(axis=1)
    target = model.beam.aperture_offset
    root = np.sqrt(weight)
    rows = carried * root[:, None]
    size = np.linalg.norm(rows, axis=0)
    start = np.linalg.lstsq(rows / size, root * (target - landing.across.mean(axis=1)), rcond=None)[0] / size
    if model.beam.aperture is None:
        return np.asarray(start)
    from scipy.optimize import minimize

    width = model.beam.aperture

    def cost(step: FloatArray) -> float:
        shift = carried @ (start + step * STEPS)[:, None]
        # where all passes already, the smaller spot decides
        return -float(model.throughput(active, shift)[0]) + 1e-4 * float(model.spread(shift, active)[1][0]) / width

    tried = [np.zeros(2), -start / STEPS]  # smallest second moment, and not to move at all
    best = min(tried, key=cost)
    result = minimize(cost, best, method="Nelder-Mead", options={"xatol": 1e-2, "fatol": 1e-6, "maxiter": 120})
    return np.asarray(start + result.x * STEPS, dtype=np.float64)
