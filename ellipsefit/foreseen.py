"""What the light will do after planned moves, by the same rays, with what is unknown of mirror and adjusters."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ellipsefit.align import CorrectionPlan
from ellipsefit.align.foreseen import Expected
from ellipsefit.align.layout import Layout, layout
from ellipsefit.align.limits import line_map
from ellipsefit.align.outlook import rise_variances
from ellipsefit.arrays import FloatArray
from ellipsefit.errors import DataError
from ellipsefit.focus import FocusResult, Surface
from ellipsefit.focus.focus import RAYS, ray_numbers
from ellipsefit.focus.model import Model
from ellipsefit.focus.possible import Drawn, Possible
from ellipsefit.results import Result
from ellipsefit.rows import Table, number, share, with_uncertainty

#: Draws of mirror and moves: their standard deviations are sure to 5 %.
DRAWS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Foreseen:
    """One number: now, after the moves if all is as found, and what can be expected of it, SI."""

    now: float
    now_stderr: float | None
    planned: float
    expected: Expected

    def to_dict(self) -> dict[str, float]:
        """For JSON, SI."""
        return {"value": self.planned, "expected": self.expected.mean, "stderr": self.expected.stderr}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LightAfter(Result):
    """What a beam will do on a mirror once it is moved as planned, with the carrier where it is sent."""

    throughput: Foreseen  # share of the beam that passes the aperture
    rms: Foreseen  # width of the spot [m]
    centroid: Foreseen  # of the spot, across the chief ray [m]
    best_along: Foreseen  # where the spot is smallest, along the chief ray and across it [m]
    best_across: Foreseen
    best_rms: Foreseen
    required: float | None  # throughput; None: nothing is required

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        return {
            "throughput": self.throughput.to_dict() | {"required": self.required},
            "spot": {"rms": self.rms.to_dict(), "centroid_across": self.centroid.to_dict()},
            "best_focus": {
                "along": self.best_along.to_dict(),
                "across": self.best_across.to_dict(),
                "rms": self.best_rms.to_dict(),
            },
        }

    def rows(self) -> list[Table]:
        """A table of now and then."""
        through = self.throughput
        cells: list[tuple[str, ...]] = []
        cells.append(
            (
                "throughput",
                share(through.now, through.now_stderr),
                share(through.planned, None),
                share(through.expected.mean, through.expected.stderr),
            )
        )
        lost = [share(1 - through.now, through.now_stderr), share(1 - through.planned, None)]
        cells.append(("lost of the beam", *lost, share(1 - through.expected.mean, through.expected.stderr)))
        for words, one in (
            ("rms width of the spot", self.rms),
            ("its centroid across the chief ray", self.centroid),
            ("best focus, along the chief ray", self.best_along),
            ("best focus, across it", self.best_across),
            ("rms width there", self.best_rms),
        ):
            now = with_uncertainty(one.now, one.now_stderr, "length") if one.now_stderr else number(one.now, "length")
            cells.append((words, now, number(one.planned, "length"), one.expected.words("length")))
        notes = (
            "As planned: were all as found. To be expected: mean and standard deviation over what measurement and "
            "adjusters leave unknown, with the carrier where it is sent. Measure again: only that tells.",
        )
        header = ("", "as measured", "as planned", "to be expected")
        return [Table(title="What the light will do after the moves", header=header, cells=tuple(cells), notes=notes)]


def foresee_light(plan: CorrectionPlan, light: FocusResult, *, rays: int = RAYS) -> LightAfter | None:
    """Trace the beam over the mirror as the plan leaves it.

    Parameters
    ----------
    plan : CorrectionPlan
    light : FocusResult
        Of the plan's fit, before the moves.
    rays : int
        About how many are traced.

    Returns
    -------
    LightAfter or None
        None where no light would arrive.
    """
    model = layout(plan.fit, plan.target, plan.mirror, plan.response)
    moves = np.array([move.move for move in plan.moves])
    surface = moved_surface(light.surface, plan, model, model.influence @ moves)
    try:
        spot, throughput, best = ray_numbers(surface, light.mirror, light.beam, rays=rays)
    except DataError:
        return None
    rows = Model.of(surface, light.beam, light.model.layout)
    drawn = possible_after(plan, light.surface, model, moves).drawn(DRAWS)
    none = Drawn(0 * drawn.state[:, :1], (None,) * len(surface.pieces))
    active = frozenset(rows.factors)
    some = [rows.laid(one) for one in (drawn, none)]
    changes = [rows.moved(one, rows.landing(active)) for one in some]

    def told(values: FloatArray, middle: float, planned: float) -> Expected:
        """By draws of the model, whose middle stands for what rays found."""
        return Expected(mean=planned + float(values.mean()) - middle, stderr=float(values.std()))

    shares = [rows.throughput(active, moved=one) for one in changes]
    widths = [rows.spread(one.shift, smear=one.smear) for one in changes]
    places = [rows.best_focus(one) for one in some]
    now, now_sure = light.best_focus, light.spot_stderr
    best_foreseen = [
        Foreseen(
            now=before,
            now_stderr=before_stderr,
            planned=planned,
            expected=told(values, float(middle[0]), planned),
        )
        for before, before_stderr, planned, values, middle in zip(
            (now.along, now.across, now.rms),
            light.best_focus_stderr or (None, None, None),
            (best.along, best.across, best.rms),
            *places,
            strict=True,
        )
    ]
    return LightAfter(
        throughput=Foreseen(
            now=light.throughput,
            now_stderr=light.throughput_stderr,
            planned=throughput,
            expected=told(shares[0], float(shares[1][0]), throughput),
        ),
        rms=Foreseen(
            now=light.spot.rms,
            now_stderr=None if now_sure is None else now_sure.rms,
            planned=spot.rms,
            expected=told(widths[0][1], float(widths[1][1][0]), spot.rms),
        ),
        centroid=Foreseen(
            now=light.spot.centroid_across,
            now_stderr=None if now_sure is None else now_sure.centroid_across,
            planned=spot.centroid_across,
            expected=told(widths[0][0], float(widths[1][0][0]), spot.centroid_across),
        ),
        best_along=best_foreseen[0],
        best_across=best_foreseen[1],
        best_rms=best_foreseen[2],
        required=light.beam.required_throughput,
    )


def moved_surface(surface: Surface, plan: CorrectionPlan, model: Layout, rises: FloatArray) -> Surface:
    """A measured surface after a plan's moves, whose adjusters raise it by `rises` (A,), and the carrier's."""
    turned = (line_map(model) @ rises).reshape(-1, 3)
    pieces = list(surface.pieces)
    for item, rest, (height, tilt, _) in zip(model.deviations, plan.segments, turned, strict=True):
        piece = pieces[item.number]
        pieces[item.number] = replace(
            piece,
            height=piece.height + float(height),
            tilt=piece.tilt + float(tilt),
            roll=piece.roll if rest.roll is None else rest.roll,
        )
    return replace(surface, pieces=tuple(pieces)).moved(plan.carrier_height or 0.0, plan.carrier_tilt)


def possible_after(plan: CorrectionPlan, surface: Surface, model: Layout, moves: FloatArray) -> Possible:
    """What is open of a measured surface after the moves: what the fit leaves, and what adjusters make of them."""
    count = len(plan.fit.mirror.segments)
    numbers = np.array([item.number for item in model.deviations])
    lines = line_map(model).reshape(len(numbers), 3, -1)
    state = np.zeros((2 * count + 5, lines.shape[2]))
    state[numbers], state[count + numbers] = lines[:, 0], lines[:, 1]
    return Possible.of(plan.fit, surface).beside(state, rise_variances(model, moves))
