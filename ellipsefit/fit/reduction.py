"""One pass over the data: what all later fits, covariances and plans work on.

Along one segment the difference between the measured surface and a reference ellipse is, as far as any
ellipse near the reference and any rigid pose can explain it, a polynomial of low degree to rounding: the
ellipse is analytic up to its ends, so Chebyshev interpolation on the segment converges geometrically
(L. N. Trefethen, Approximation Theory and Approximation Practice, theorem 8.2). A segment is therefore
kept as the values of that polynomial at a few nodes: a triangular factor for white residuals, and block
means for correlated ones, both acting on node values. No later step touches the points again. Points are
taken block by block, so it does not matter how many there are.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.ellipse import Ellipse
from ellipsefit.mirror import Segment
from ellipsefit.moments import BLOCKS, Moments, bin_starts
from ellipsefit.profile import Block, Quantity
from ellipsefit.stream import Placed

#: Relative size of what the interpolation may neglect.
NEGLECT: Final = 1e-14
#: Lowest degree, which a pose and three parameters need, and the highest; a segment that needs more ends nearer to the
#: end of the ellipse than a sixth of its length.
LOWEST_DEGREE: Final = 5
HIGHEST_DEGREE: Final = 40


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


def reduce_profile(placed: Placed) -> Reduction:
    """Reduce a placed profile in one pass, block by block, relative to the nominal ellipse of its mirror."""
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


def _reduce_segment(placed: Placed, number: int) -> SegmentMoments:
    gathered = _Gathered(placed, number)
    for block in placed.blocks(number):
        gathered.add(block)
    return gathered.moments(number, placed.mirror.segments[number])


class _Gathered:
    """What the points of one segment have told so far, in Chebyshev polynomials on their span.

    Lower degrees are a leading part of all that is kept, so the degree is chosen when all points are in.
    """

    def __init__(self, placed: Placed, number: int) -> None:
        nominal, (first, last) = placed.mirror.nominal, placed.ends(number)
        self.ideal = nominal.height if placed.quantity == "height" else nominal.slope
        self.centre, self.half = (first + last) / 2, (last - first) / 2
        self.degree, self.count, shared = _degree(nominal, first, last), placed.points_of(number), placed.shared
        self.done = self.positions = 0
        self.last = -np.inf
        k, self.bins = self.degree + 1, min(BLOCKS, self.count)
        self.gram, self.right, self.square = np.zeros((k, k)), np.zeros(k), 0.0
        self.triangle = np.zeros((0, k + shared + 1))  # of polynomials, shared columns and value, if any are shared
        self.sums, self.shared_sums = np.zeros((self.bins, k)), np.zeros((self.bins, shared))
        self.scatter = Moments(self.bins, 2)

    def add(self, block: Block) -> None:
        """Take in the points that follow."""
        value = block.values - self.ideal(block.x)
        weight = np.ones_like(value) if block.sigma is None else block.sigma**-2
        s = np.clip((block.x - self.centre) / self.half, -1.0, 1.0)
        polynomials = chebyshev(s, self.degree)
        weighted = polynomials * weight
        self.gram += polynomials @ weighted.T
        self.right += weighted @ value
        self.square += float(weight * value @ value)
        starts, first = bin_starts(self.done, self.done + len(s), self.count, self.bins)
        at = slice(first, first + len(starts))
        self.scatter.add((s, value), weight, starts, first)
        self.sums[at] += np.add.reduceat(weighted, starts, axis=1).T
        if block.covariance_factor is not None:
            self.shared_sums[at] += np.add.reduceat(weight[:, None] * block.covariance_factor, starts, axis=0)
            rows = np.column_stack([polynomials.T, block.covariance_factor, value]) * np.sqrt(weight)[:, None]
            self.triangle = np.linalg.qr(np.concatenate([self.triangle, rows]))[1]
        self.positions += int(np.count_nonzero(np.diff(block.x, prepend=self.last)))
        self.done, self.last = self.done + len(s), float(block.x[-1])

    def moments(self, number: int, segment: Segment) -> SegmentMoments:
        """The segment after the pass."""
        degree = min(self.degree, self.positions - 1)
        factor: FloatArray | None = None
        while factor is None:  # points that leave large gaps may not support the highest degrees
            k, to_nodes = degree + 1, _lagrange_coefficients(degree)
            try:
                gram = to_nodes.T @ self.gram[:k, :k] @ to_nodes
                factor = np.asarray(np.linalg.cholesky(gram).T, dtype=np.float64)
            except np.linalg.LinAlgError:
                degree -= 1
        projection: FloatArray = np.asarray(np.linalg.solve(factor.T, to_nodes.T @ self.right[:k]), dtype=np.float64)
        left = max(self.square - float(projection @ projection), 0.0)
        m = self.shared_sums.shape[1]
        reduced = np.zeros((k, 0))
        if m:
            columns = np.column_stack([self.triangle[:, :k] @ to_nodes, self.triangle[:, self.degree + 1 :]])
            triangle = np.linalg.qr(columns)[1]
            factor, reduced, projection = triangle[: k + m, :k], triangle[: k + m, k : k + m], triangle[: k + m, -1]
            left = float(triangle[k + m, -1] ** 2) if len(triangle) > k + m else 0.0
        total, product = self.scatter.weight, self.scatter.product
        square = product[:, 0, 0]
        sloped = square > 1e-20 * total  # not so a single point, or points beside each other, across
        line = np.divide(product[:, 0, 1] ** 2, square, out=np.zeros(self.bins), where=sloped)
        freedom = self.scatter.count - 1 - sloped
        return SegmentMoments(
            number=number,
            middle=segment.middle,
            length=segment.length,
            count=self.count,
            nodes=self.centre + self.half * _chebyshev_nodes(degree),
            factor=factor,
            shared=reduced,
            projection=projection,
            rest=left,
            block_x=self.centre + self.half * self.scatter.mean[:, 0],
            block_basis=self.sums[:, :k] @ to_nodes / total[:, None],
            block_shared=self.shared_sums / total[:, None],
            block_value=self.scatter.mean[:, 1],
            block_weight=total,
            within=float((product[:, 1, 1] - line)[freedom > 0].sum()),
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
    falls = np.arange(HIGHEST_DEGREE) * np.arccosh(max(reach, 1.0))  # log(rho**n)
    return max(int(np.searchsorted(falls, -np.log(NEGLECT))), LOWEST_DEGREE)


def _chebyshev_nodes(degree: int) -> FloatArray:
    nodes: FloatArray = -np.cos(np.pi * (np.arange(degree + 1) + 0.5) / (degree + 1))
    return nodes


def chebyshev(s: FloatArray, degree: int) -> FloatArray:
    """Chebyshev polynomials T_0 to T_degree at s in [-1, 1], shape (degree + 1, N): T_n = 2 s T_(n-1) - T_(n-2)."""
    polynomials = np.empty((degree + 1, len(s)))
    polynomials[0], polynomials[1] = 1.0, s
    for n in range(2, degree + 1):
        np.multiply(2 * s, polynomials[n - 1], out=polynomials[n])
        polynomials[n] -= polynomials[n - 2]
    return polynomials


def _lagrange_coefficients(degree: int) -> FloatArray:
    """Chebyshev coefficients (rows) of polynomials that are 1 at one node and 0 at the others, (k, k)."""
    orders = np.arange(degree + 1)
    at_nodes = np.cos(orders[:, None] * np.arccos(_chebyshev_nodes(degree))[None, :])  # T_m at the nodes
    scale = np.where(orders == 0, 1.0, 2.0) / (degree + 1)
    # discrete orthogonality of the T_m at the nodes turns values into coefficients
    coefficients: FloatArray = scale[:, None] * at_nodes
    return coefficients


def node_basis(nodes: FloatArray, x: FloatArray) -> FloatArray:
    """Matrix that takes values at the nodes of a segment to those of their polynomial at x, shape (N, k)."""
    degree = len(nodes) - 1
    centre, outer = (nodes[0] + nodes[-1]) / 2, np.cos(np.pi / (2 * (degree + 1)))
    half = (nodes[-1] - nodes[0]) / 2 / outer
    return np.polynomial.chebyshev.chebvander((x - centre) / half, degree) @ _lagrange_coefficients(degree)
