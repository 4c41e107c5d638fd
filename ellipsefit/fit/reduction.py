"""One pass over the data: what all later fits, covariances and plans work on.

Along one segment the difference between the measured surface and a reference ellipse is, as far as any
ellipse near the reference and any rigid pose can explain it, a polynomial of low degree to rounding: the
ellipse is analytic up to its ends, so Chebyshev interpolation on the segment converges geometrically
(L. N. Trefethen, Approximation Theory and Approximation Practice, theorem 8.2). A segment is therefore
kept as the values of that polynomial at a few nodes: a triangular factor for white residuals, and block
means for correlated ones, both acting on node values. No later step touches the points again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.ellipse import Ellipse
from ellipsefit.profile import PlacedProfile, Quantity

#: Relative size of what the interpolation may neglect.
NEGLECT: Final = 1e-14
#: Highest degree; a segment that needs more reaches to within 1 % of a focus.
HIGHEST_DEGREE: Final = 40
#: Block means kept for each segment, at most.
BLOCKS: Final = 64


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SegmentMoments:
    """One segment after the pass: k nodes, B blocks, m columns that points are unsure of together.

    With f the values of a smooth function at the nodes and c weights of the shared columns,
    `factor @ f + shared @ c - projection` has the same squares as the weighted residuals (less `rest`), and
    `block_basis @ f + block_shared @ c` are their weighted block means.
    """

    number: int  # of the segment on the mirror
    middle: float  # of its span [m]
    length: float  # of its span [m]
    count: int  # points
    nodes: FloatArray  # (k,) positions [m]
    factor: FloatArray  # (r, k), r = k without shared columns
    shared: FloatArray  # (r, m)
    projection: FloatArray  # (r,)
    rest: float  # weighted sum of squares that no node values explain
    block_x: FloatArray  # (B,) mean positions [m]
    block_basis: FloatArray  # (B, k)
    block_shared: FloatArray  # (B, m)
    block_value: FloatArray  # (B,) mean of measured minus reference
    block_weight: FloatArray  # (B,) sum of weights
    within: float  # weighted sum of squares inside the blocks, each less its line
    within_freedom: int  # degrees of freedom of that sum

    def __post_init__(self) -> None:
        arrays = ("nodes", "factor", "shared", "projection", "block_x", "block_basis", "block_shared")
        for name in (*arrays, "block_value", "block_weight"):
            object.__setattr__(self, name, sealed(getattr(self, name)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reduction:
    """A profile after one pass, as deviations from a reference ellipse."""

    quantity: Quantity
    reference: Ellipse
    segments: tuple[SegmentMoments, ...]
    nodes: FloatArray  # all nodes, segment after segment
    reference_values: FloatArray  # of the reference ellipse at the nodes

    @property
    def shared(self) -> int:
        """Columns that the points are unsure of together."""
        return int(self.segments[0].shared.shape[1])

    @property
    def count(self) -> int:
        """Points that went in."""
        return sum(segment.count for segment in self.segments)

    def split(self, values: FloatArray) -> list[FloatArray]:
        """Values at all nodes (axis 0), cut by segment."""
        return np.split(values, np.cumsum([len(segment.nodes) for segment in self.segments])[:-1])

    def values(self, ellipse: Ellipse) -> FloatArray:
        """Ellipse minus reference at all nodes, shape (K,)."""
        curve = ellipse.height(self.nodes) if self.quantity == "height" else ellipse.slope(self.nodes)
        difference: FloatArray = curve - self.reference_values
        return difference

    def partials(self, ellipse: Ellipse) -> FloatArray:
        """Derivatives of `values` with respect to p, q, theta, shape (K, 3)."""
        parts = ellipse.height_partials if self.quantity == "height" else ellipse.slope_partials
        return np.stack(parts(self.nodes), axis=1)


def reduce_profile(placed: PlacedProfile) -> Reduction:
    """Reduce a placed profile in one pass, relative to the nominal ellipse of its mirror."""
    reference = placed.mirror.nominal
    segments = tuple(_reduce_segment(placed, number) for number in placed.measured)
    nodes = np.concatenate([segment.nodes for segment in segments])
    values = reference.height(nodes) if placed.quantity == "height" else reference.slope(nodes)
    return Reduction(
        quantity=placed.quantity,
        reference=reference,
        segments=segments,
        nodes=sealed(nodes),
        reference_values=sealed(values),
    )


def _reduce_segment(placed: PlacedProfile, number: int) -> SegmentMoments:
    part, segment = placed.part(number), placed.mirror.segments[number]
    x = placed.x[part]
    nominal = placed.mirror.nominal
    ideal = nominal.height(x) if placed.quantity == "height" else nominal.slope(x)
    value = placed.values[part] - ideal
    weight = np.ones_like(x) if placed.sigma is None else placed.sigma[part] ** -2
    centre, half = (x[0] + x[-1]) / 2, (x[-1] - x[0]) / 2
    s = np.clip((x - centre) / half, -1.0, 1.0)
    degree = min(_degree(nominal, float(x[0]), float(x[-1])), len(np.unique(x)) - 1)
    factor: FloatArray | None = None
    while factor is None:  # points that leave large gaps may not support the highest degrees
        basis = _lagrange_basis(s, degree)
        weighted = basis * weight[:, None]
        try:
            factor = np.asarray(np.linalg.cholesky(basis.T @ weighted).T, dtype=np.float64)
        except np.linalg.LinAlgError:
            degree -= 1
    projection: FloatArray = np.asarray(np.linalg.solve(factor.T, weighted.T @ value), dtype=np.float64)
    left = max(float(weight * value @ value - projection @ projection), 0.0)
    shared = np.zeros((len(x), 0)) if placed.covariance_factor is None else placed.covariance_factor[part]
    reduced = shared[: len(projection)]
    if shared.shape[1]:
        k, m = len(projection), shared.shape[1]
        triangle = np.linalg.qr(np.sqrt(weight)[:, None] * np.column_stack([basis, shared, value]))[1]
        factor, reduced, projection = triangle[: k + m, :k], triangle[: k + m, k : k + m], triangle[: k + m, -1]
        left = float(triangle[k + m, -1] ** 2) if len(triangle) > k + m else 0.0
    blocks = min(BLOCKS, len(x))
    first = (np.arange(blocks) * len(x)) // blocks
    total = np.add.reduceat(weight, first)
    mean_s = np.add.reduceat(weight * s, first) / total
    mean_value = np.add.reduceat(weight * value, first) / total
    sizes = np.diff(np.append(first, len(x)))
    t, rest = s - np.repeat(mean_s, sizes), value - np.repeat(mean_value, sizes)
    weighted_rest = weight * rest
    square, product = np.add.reduceat(weight * t * t, first), np.add.reduceat(weighted_rest * t, first)
    sloped = square > 1e-20 * total  # not so a single point, or points beside each other, across
    line = np.divide(product**2, square, out=np.zeros(blocks), where=sloped)
    freedom = sizes - 1 - sloped
    scattered = freedom > 0
    return SegmentMoments(
        number=number,
        middle=segment.middle,
        length=segment.length,
        count=len(x),
        nodes=centre + half * _chebyshev_nodes(degree),
        factor=factor,
        shared=reduced,
        projection=projection,
        rest=left,
        block_x=centre + half * mean_s,
        block_basis=np.add.reduceat(weighted, first, axis=0) / total[:, None],
        block_shared=np.add.reduceat(weight[:, None] * shared, first, axis=0) / total[:, None],
        block_value=mean_value,
        block_weight=total,
        within=float((np.add.reduceat(weighted_rest * rest, first) - line)[scattered].sum()),
        within_freedom=int(freedom.sum()),
    )


def _degree(ellipse: Ellipse, first: float, last: float) -> int:
    """Degree at which interpolation on a span neglects less than NEGLECT of what an ellipse nearby can do.

    The curve is analytic inside the Bernstein ellipse through the nearer end of the mirror ellipse; the
    coefficients fall as rho**-degree, with rho the sum of its semi-axes in units of the half span.
    """
    centre, half = (first + last) / 2, (last - first) / 2
    left, right = ellipse.ends
    reach = min(right - centre, centre - left) / half
    rho = reach + np.sqrt(reach * reach - 1) if reach > 1 else 1.0
    if rho <= 1.0:
        return HIGHEST_DEGREE
    return int(np.clip(np.ceil(-np.log(NEGLECT) / np.log(rho)), 5, HIGHEST_DEGREE))


def _chebyshev_nodes(degree: int) -> FloatArray:
    nodes: FloatArray = -np.cos(np.pi * (np.arange(degree + 1) + 0.5) / (degree + 1))
    return nodes


def _lagrange_basis(s: FloatArray, degree: int) -> FloatArray:
    """Polynomials that are 1 at one Chebyshev node and 0 at the others, at s: shape (N, degree + 1)."""
    orders = np.arange(degree + 1)
    at_nodes = np.cos(orders[:, None] * np.arccos(_chebyshev_nodes(degree))[None, :])  # T_m at the nodes
    scale = np.where(orders == 0, 1.0, 2.0) / (degree + 1)
    # discrete orthogonality of the T_m at the nodes turns values into coefficients
    return np.polynomial.chebyshev.chebvander(s, degree) @ (scale[:, None] * at_nodes)


def node_basis(nodes: FloatArray, x: FloatArray) -> FloatArray:
    """Matrix that takes values at the nodes of a segment to those of their polynomial at x, shape (N, k)."""
    degree = len(nodes) - 1
    centre, outer = (nodes[0] + nodes[-1]) / 2, np.cos(np.pi / (2 * (degree + 1)))
    half = (nodes[-1] - nodes[0]) / 2 / outer
    return _lagrange_basis((x - centre) / half, degree)
