"""Form of segments that the shop measured: what is known of their surface beside ellipse, height and tilt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ellipsefit.arrays import FloatArray, IntArray, sealed
from ellipsefit.fit.effects import SegmentEffects
from ellipsefit.fit.reduction import Reduction
from ellipsefit.mirror import Mirror
from ellipsefit.profile import Quantity


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShopForm:
    """Known form at the nodes: it stands on the surface beside the ellipse, up to e unknowns of unit variance."""

    shift: FloatArray  # (K,) known node values
    columns: FloatArray  # (K, e) node values by one standard uncertainty of each unknown
    rows: IntArray  # (e,) row of the segment of each unknown
    known: IntArray  # rows of the segments whose own form is known

    def __post_init__(self) -> None:
        for name in ("shift", "columns"):
            object.__setattr__(self, name, sealed(getattr(self, name)))

    def part(self, kept: IntArray, nodes: IntArray) -> ShopForm:
        """What is left of it for some of the segments: their rows, and which nodes are theirs."""
        mine = np.isin(self.rows, kept)
        place = {int(row): number for number, row in enumerate(kept)}
        return ShopForm(
            shift=self.shift[nodes],
            columns=self.columns[np.ix_(nodes, mine)],
            rows=np.array([place[int(row)] for row in self.rows[mine]], dtype=np.intp),
            known=np.array([place[int(row)] for row in self.known if int(row) in place], dtype=np.intp),
        )


def shop_form(reduction: Reduction, effects: SegmentEffects, mirror: Mirror) -> ShopForm | None:
    """Form that the mirror file gives: of each segment its own, and a sag common to all; None: nothing is given.

    Heights are c2 P2(s) + c3 P3(s), s from -1 to 1 over the span; slopes their derivative, whose constant counts
    as tilt: d/dx P2 = (2 / L) 3 s, d/dx P3 = (2 / L) (1 + 5 P2(s)).
    """
    own = [mirror.segments[part.number] for part in reduction.segments]
    if not mirror.measurement.sag and all(segment.form is None for segment in own):
        return None
    shifts, columns, rows = [], [], []
    for row, (part, segment, form) in enumerate(zip(reduction.segments, own, effects.form, strict=True)):
        terms = terms_of_height(form, part.length, reduction.quantity)
        second, third = segment.form or (0.0, 0.0)
        given = np.array([second + mirror.measurement.sag, third])
        shifts.append(terms @ given)
        if segment.form_uncertainty is not None:
            columns.append(terms * np.array(segment.form_uncertainty))
            rows += [row, row]
    whole = np.zeros((len(reduction.nodes), len(rows)))
    ends = np.cumsum([len(part.nodes) for part in reduction.segments])
    for number, block in enumerate(columns):
        row = rows[2 * number]
        whole[ends[row] - len(block) : ends[row], 2 * number : 2 * number + 2] = block
    return ShopForm(
        shift=np.concatenate(shifts),
        columns=whole,
        rows=np.array(rows, dtype=np.intp),
        known=np.array(sorted(set(rows)), dtype=np.intp),
    )


def terms_of_height(form: FloatArray, length: float, quantity: Quantity) -> FloatArray:
    """Node values (k, 2) of P2 and P3 as heights of 1 m, for columns of form of a segment, which are of unit slope."""
    return form if quantity == "height" else form * np.array([3.0, 5.0]) * (2 / length)
