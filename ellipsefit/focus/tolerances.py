"""Tolerances: what each freedom does at the focus, and how much of it a loss allows.

With the mirror perfect but for Gaussian errors, light from one row lands about where it should with the sum
of the variances that all freedoms add there. The mean throughput therefore follows from variances alone,
and a budget can be shared out without a simulation; `campaign.verify` checks it with one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Final

import numpy as np

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.errors import ParameterError
from ellipsefit.focus.beam import Beam
from ellipsefit.focus.geometry import bench, check_places
from ellipsefit.focus.model import Model
from ellipsefit.focus.surface import Piece, Surface
from ellipsefit.mirror import Mirror
from ellipsefit.results import Result
from ellipsefit.rows import Table, number

#: Groups of freedoms that share a budget.
GROUPS: Final = ("segment height", "segment tilt", "carrier height", "carrier tilt")
#: Share by which an error may widen the spot of the perfect mirror before it counts.
NOTICED: Final = 0.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Allowance:
    """What one group of freedoms may do: standard deviations, one for each segment or one for the carrier."""

    name: str
    kind: str  # length or angle
    stderr: FloatArray  # (segments,) or (1,), SI: allowed standard deviation
    floor: float  # below this (of the strictest segment) little is gained: the perfect spot is 5 % wider [SI]
    loss: float  # what it costs alone

    def __post_init__(self) -> None:
        object.__setattr__(self, "stderr", sealed(self.stderr))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verified:
    """What a simulated campaign with exact rays makes of a budget."""

    draws: int
    seed: int
    loss: float
    stderr: float
    agrees: bool  # within three standard errors and 0.5 % of the beam


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tolerances(Result):
    """A loss budget shared out over the freedoms of segments and carrier."""

    table: ClassVar[str | None] = "groups"

    mirror: Mirror
    beam: Beam
    budget: float  # loss that is allowed on top of the perfect mirror's, as a share of the beam
    perfect: float  # throughput of the perfect mirror
    perfect_rms: float  # its spot [m]
    loss: float  # expected with all allowances together
    groups: tuple[Allowance, ...]
    sensitivity: FloatArray  # (freedoms,) change of the image's place, rms over the light [m/m or m/rad]
    labels: tuple[str, ...]
    verified: Verified | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "sensitivity", sealed(self.sensitivity))

    def to_dict(self) -> dict[str, Any]:
        """For JSON, SI."""
        check = self.verified
        return {
            "budget": self.budget,
            "expected_loss": self.loss,
            "perfect_throughput": self.perfect,
            "perfect_rms": self.perfect_rms,
            "groups": [
                {"name": item.name, "allowed": item.stderr.tolist(), "floor": item.floor, "loss": item.loss}
                for item in self.groups
            ],
            "sensitivity": dict(zip(self.labels, self.sensitivity.tolist(), strict=True)),
            "verified": None
            if check is None
            else {
                "draws": check.draws,
                "seed": check.seed,
                "loss": check.loss,
                "stderr": check.stderr,
                "agrees": check.agrees,
            },
        }

    def rows(self) -> list[Table]:
        """The budget as tables."""
        cells = []
        for item in self.groups:
            low, high = float(item.stderr.min()), float(item.stderr.max())
            unit = "um" if item.kind == "length" else "urad"
            allowed = number(low, item.kind, unit=unit)
            if high > 1.005 * low:
                allowed = f"{allowed} to {number(high, item.kind, unit=unit)}"
            cells.append(
                (
                    item.name,
                    allowed,
                    number(item.floor, item.kind, unit=unit) if item.floor > 1e-9 else "none",
                    f"{100 * item.loss:.2f} %",
                )
            )
        notes = [
            f"Together they cost {100 * self.loss:.2f} % of the beam on average; the perfect mirror passes "
            f"{100 * self.perfect:.2f} %, with a spot of {number(self.perfect_rms, 'length')} rms.",
            "Floor: the spread at which this alone widens the perfect mirror's spot by 5 %; a finer tolerance "
            "gains hardly anything.",
            "Segment tilts are allowed in inverse proportion to their lever, so that each blurs alike; their floor is "
            "that of the strictest.",
        ]
        if self.verified is not None:
            check = self.verified
            verdict = "agrees" if check.agrees else "does NOT AGREE"
            notes.append(
                f"{check.draws} simulated mirrors with exact rays lose ({100 * check.loss:.2f} ± "
                f"{100 * check.stderr:.2f}) %: {verdict}."
            )
        return [
            Table(
                title=f"Tolerances of {self.mirror.name} for a loss of {100 * self.budget:.3g} % of the beam",
                header=("standard deviation of", "allowed", "floor", "costs alone"),
                cells=tuple(cells),
                notes=tuple(notes),
            )
        ]

    def sensitivity_table(self) -> Table:
        """How far each freedom sends the light, by its unit."""
        cells = tuple(
            (
                label,
                f"{number(value * 1e-6, 'length', unit='um')} per {'um' if label.endswith('height') else 'urad'}",
            )
            for label, value in zip(self.labels, self.sensitivity, strict=True)
        )
        return Table(title="Where each freedom sends the light, rms over all of it", header=("", "moves"), cells=cells)


def perfect_surface(mirror: Mirror) -> Surface:
    """The mirror as designed, with its gaps."""
    return Surface(
        nominal=mirror.nominal,
        ellipse=mirror.nominal,
        pieces=tuple(
            Piece(name=item.name, start=item.start, end=item.end, coating_m=item.coating_m) for item in mirror.segments
        ),
    )


def coated(surface: Surface, beam: Beam) -> Surface:
    """The surface with the beam's coating on pieces that state none."""
    if beam.kind != "neutron" or beam.coating.m is None:
        return surface
    m = beam.coating.m
    return replace(surface, pieces=tuple(replace(p, coating_m=m) if p.coating_m is None else p for p in surface.pieces))


def allocate_tolerances(mirror: Mirror, beam: Beam, budget: float) -> Tolerances:
    """Share a loss out over segment heights and tilts and the carrier's height and tilt.

    Each of the four groups adds the same variance to the spot, and all together cost the budget on average.

    Parameters
    ----------
    mirror : Mirror
    beam : Beam
        With an aperture.
    budget : float
        Loss allowed on top of the perfect mirror's, as a share of the beam.

    Raises
    ------
    ParameterError
        If there is no aperture, or the budget is none between 0 and what the perfect mirror passes.
    """
    if beam.aperture is None:
        raise ParameterError("aperture: a loss budget needs an aperture that light can miss; the beam states none")
    layout = bench(beam, mirror.nominal, mirror.deflection)
    surface = coated(perfect_surface(mirror), beam)
    check_places(beam, surface, layout)
    model = Model.of(surface, beam, layout)
    active = frozenset(model.factors)
    perfect = float(model.throughput(active)[0])
    if not 0 < budget < 0.9 * perfect:
        raise ParameterError(
            f"budget must be a share of the beam above 0 and below {0.9 * perfect:.3g}, 0.9 of what the perfect mirror "
            f"passes; got {budget!r}"
        )
    response = model.response(model.landing(active))
    k = len(mirror.segments)
    weight = model.light * model.solid
    lever = np.array(
        [np.sqrt(weight @ response[:, i] ** 2 / max(weight[model.piece == i % k].sum(), 1e-300)) for i in range(2 * k)]
    )
    rms = float(model.spread()[1][0])
    profiles = {
        "segment height": (np.arange(k), np.ones(k)),
        "segment tilt": (np.arange(k, 2 * k), lever[k:].min() / lever[k:]),
        "carrier height": (np.array([2 * k]), np.ones(1)),
        "carrier tilt": (np.array([2 * k + 1]), np.ones(1)),
    }
    # each group adds the same variance to the spot, so many times that together they cost the budget
    scale, added = {}, {}
    for name, (columns, share) in profiles.items():
        added[name] = response[:, columns] ** 2 @ share**2
        scale[name] = float(1 / np.sqrt(weight @ added[name] / weight.sum()))
    landing = model.landing(active)

    def loss_of(sizes: dict[str, float]) -> float:
        variance = sum((added[name] * size**2 for name, size in sizes.items()), np.zeros(len(model.x)))
        passed = model.mean_throughput(landing, active, np.sqrt(variance))
        height, tilt = (sizes.get(name, 0.0) * profiles[name][1] for name in GROUPS[:2])
        return perfect - passed * (1 - _step_loss(model, mirror, height, tilt))

    perfect = model.mean_throughput(landing, active, np.zeros(len(model.x)))
    blur = _root(lambda size: loss_of({name: size * scale[name] for name in GROUPS}), budget)
    groups = tuple(
        Allowance(
            name=name,
            kind="length" if "height" in name else "angle",
            stderr=blur * scale[name] * profiles[name][1],
            floor=float(rms * np.sqrt((1 + NOTICED) ** 2 - 1) * scale[name] * profiles[name][1].min()),
            loss=loss_of({name: blur * scale[name]}),
        )
        for name in GROUPS
    )
    total = loss_of({name: blur * scale[name] for name in GROUPS})
    place = np.sqrt(weight @ response**2 / weight.sum())
    return Tolerances(
        mirror=mirror,
        beam=beam,
        budget=budget,
        perfect=perfect,
        perfect_rms=rms,
        loss=total,
        groups=groups,
        sensitivity=place[: 2 * k + 2],
        labels=model.freedoms.labels[: 2 * k + 2],
    )


def _step_loss(model: Model, mirror: Mirror, height: FloatArray, tilt: FloatArray) -> float:
    """Mean share of the light that steps between segments take, for Gaussian heights and tilts.

    Across a gap a grazing ray falls by g = gap times grazing angle. A step D ~ N(0, s**2) takes light over a
    length (|D| - g)/theta where |D| exceeds g: E = 2 (s phi(g/s) - g Q(g/s)) / theta, one half of it on either side.
    """
    from scipy.special import ndtr

    spans = np.array([[item.start, item.end] for item in mirror.segments])
    if len(spans) < 2:
        return 0.0
    variance = height**2 + (tilt * (spans[:, 1] - spans[:, 0]) / 2) ** 2
    step = np.maximum(np.sqrt(variance[1:] + variance[:-1]), 1e-15)
    middle = (spans[1:, 0] + spans[:-1, 1]) / 2
    nominal = mirror.nominal
    source = nominal.foci[0]
    grazing = np.arctan(nominal.slope(middle)) + np.arctan2(source[1] - nominal.height(middle), middle - source[0])
    fall = (spans[1:, 0] - spans[:-1, 1]) * grazing
    ratio = fall / step
    mean = 2 * (step * np.exp(-(ratio**2) / 2) / np.sqrt(2 * np.pi) - fall * ndtr(-ratio)) / grazing
    density = np.interp(middle, model.x, model.light / model.width)
    return float(density @ mean / (model.light @ model.solid))


def _root(function: Callable[[float], float], wanted: float) -> float:
    """Size at which a growing loss reaches what is wanted, by doubling and bisection on a log scale."""
    high = 1e-9
    while function(high) < wanted:
        high *= 2
        if high > 1.0:
            return high
    low = high / 2
    for _ in range(24):
        middle = (low * high) ** 0.5
        low, high = (middle, high) if function(middle) < wanted else (low, middle)
    return float((low * high) ** 0.5)
