"""The ideal curve: an ellipse seen from the pole of the mirror.

Mirror frame: origin at the pole, x along the tangent (downstream), z along the surface normal (towards
the foci). Source focus (-p cos(theta), p sin(theta)), image focus (q cos(theta), q sin(theta)).

Everything here follows from the definition, r1 + r2 = p + q. With the vergences a = 1/p, b = 1/q and

    m = 1 - cos(theta) = 2 sin(theta/2)**2
    W = (1 + a x)(1 - b x) + (b - a) m x

(r1, r2 the distances of a point of the curve to the foci) the quadratic for the height has the root

    z   = (a + b) sin(theta) x**2 / [(1 + a x) + (1 - b x) + (b - a) m x + 2 sqrt(W)]
    z'  = (a + b) sin(theta) x (1 + sqrt(W)) / (sqrt(W) [...])        [...] the same bracket
    z'' = (a + b) sin(theta) / (2 W**(3/2))

Each is a product of positive factors, and the two factors of W are formed from q - x and p + x, which a
computer subtracts with one rounding: neither the pole nor the ends of the ellipse cost digits, p = q is
no special case, and an infinite p or q (the parabola) is the same formula with a = 0 or b = 0.
The curve agrees with the closed form of K. A. Goldberg, J. Synchrotron Rad. 29 (2022) 991-996.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ellipsefit.arrays import FloatArray
from ellipsefit.errors import ParameterError


class Partials(NamedTuple):
    """Partial derivatives of a curve with respect to p [per m], q [per m] and theta [per rad]."""

    p: FloatArray
    q: FloatArray
    theta: FloatArray


class Axes(NamedTuple):
    """The ellipse in its own axes, centre at the origin, source focus at (-c, 0), image focus at (+c, 0)."""

    a: float  # semi-major axis [m]
    b: float  # semi-minor axis [m]
    pole_x: float  # the pole along the major axis, positive towards the image [m]


class _Point(NamedTuple):
    """What every formula needs of a point: bracket = (1 + ax) + (1 - bx) + (b - a)mx + 2 root."""

    root: FloatArray  # sqrt(W)
    bracket: FloatArray


@dataclass(frozen=True, slots=True)
class Ellipse:
    """Ellipse given by its focal distances and grazing angle at the pole.

    Parameters
    ----------
    p, q : float
        Distance pole to source focus, pole to image focus [m], > 0. One of them may be infinite:
        the parabola.
    theta : float
        Grazing angle at the pole [rad], 0 < theta < pi/2.

    Raises
    ------
    ParameterError
        If a parameter is out of range or NaN.

    Examples
    --------
    >>> Ellipse(40.0, 10.0, 3e-3).height(np.array([-0.1, 0.0, 0.1]))
    array([9.34005177e-07, 0.00000000e+00, 9.41036690e-07])
    """

    p: float
    q: float
    theta: float

    def __post_init__(self) -> None:
        for name in ("p", "q"):
            value = getattr(self, name)
            if not value > 0:
                raise ParameterError(f"{name} must be a distance to a focus in m, {name} > 0; got {value!r}")
        if np.isinf(self.p) and np.isinf(self.q):
            raise ParameterError("p and q must not both be infinite: that is a plane, not a focusing mirror")
        if not 0 < self.theta < np.pi / 2:
            raise ParameterError(
                f"theta must be a grazing angle in rad, 0 < theta < pi/2; got {self.theta!r}. "
                "A value in mrad must be multiplied by 1e-3."
            )

    @classmethod
    def from_axes(cls, a: float, b: float, pole_x: float) -> Ellipse:
        """Ellipse from its semi-axes and the place of the pole on it.

        Parameters
        ----------
        a, b : float
            Semi-major and semi-minor axis [m], a > b > 0 (the circle's pole sees itself at pi/2).
        pole_x : float
            Position of the pole along the major axis, from the centre, positive towards the image
            focus [m], abs(pole_x) < a.

        Raises
        ------
        ParameterError
            If these are no axes, or the pole is not on the curve between the ends.

        Notes
        -----
        Focal radii p = a + e x, q = a - e x; b**2 = p q sin(theta)**2 (Apollonius, Conics III).
        """
        if not (np.inf > a > b > 0 and abs(pole_x) < a):
            raise ParameterError(
                f"a > b > 0 and abs(pole_x) < a are required (m); got a = {a!r}, b = {b!r}, pole_x = {pole_x!r}"
            )
        eccentricity = np.sqrt((a - b) * (a + b)) / a
        p, q = a + eccentricity * pole_x, a - eccentricity * pole_x
        # tan(theta)**2 = b**2 / (p q - b**2) and p q - b**2 = (c y / b)**2 with y the pole's height above the axis
        cosine = eccentricity * a * np.sqrt((a - pole_x) * (a + pole_x)) / a
        return cls(float(p), float(q), float(np.arctan2(b, cosine)))

    @property
    def axes(self) -> Axes:
        """Semi-axes and pole position [m]: a = (p + q)/2, b = sqrt(pq) sin(theta), x0 = (p**2 - q**2)/(4c)."""
        self._require_finite("semi-axes")
        p, q = self.p, self.q
        b = np.sqrt(p * q) * np.sin(self.theta)
        # c = sqrt(p**2 + q**2 + 2 p q cos(2 theta)) / 2, the law of cosines without its cancellation
        c = np.hypot(p - q, 2 * np.sqrt(p * q) * np.cos(self.theta)) / 2
        return Axes(float((p + q) / 2), float(b), float((p - q) * (p + q) / (4 * c)))

    @property
    def axis_tilt(self) -> float:
        """Angle of the tangent at the pole against the major axis [rad]: tan = (p - q)/(p + q) tan(theta)."""
        self._require_finite("axis tilt")
        return float(np.arctan((self.p - self.q) / (self.p + self.q) * np.tan(self.theta)))

    @property
    def pole_radius(self) -> float:
        """Radius of curvature at the pole [m]: R = 2 / ((1/p + 1/q) sin(theta)), Coddington's equation."""
        return float(2 / ((1 / self.p + 1 / self.q) * np.sin(self.theta)))

    @property
    def foci(self) -> tuple[FloatArray, FloatArray]:
        """Source and image focus, each as (x, z) in the mirror frame [m]."""
        c, s = np.cos(self.theta), np.sin(self.theta)
        return np.array([-self.p * c, self.p * s]), np.array([self.q * c, self.q * s])

    @property
    def ends(self) -> tuple[float, float]:
        """Positions x where the curve turns vertical [m]; heights exist strictly between them."""
        p, q, c = self.p, self.q, np.cos(self.theta)
        if np.isinf(p) or np.isinf(q):
            # one factor of W is left: 1 + a x cos(theta), or 1 - b x cos(theta)
            return (-np.inf, float(q / c)) if np.isinf(p) else (float(-p / c), np.inf)
        half = np.hypot((p - q) * c, 2 * np.sqrt(p * q))
        shift = (p - q) * c
        # roots of x**2 + (p - q) c x - p q, each from the sum that does not cancel
        right = 2 * p * q / (half + shift) if shift > 0 else (half - shift) / 2
        return float(-p * q / right), float(right)

    def height(self, x: npt.ArrayLike) -> FloatArray:
        """Height above the tangent at the pole.

        Parameters
        ----------
        x : array, shape (N,)
            Position along the tangent [m]; pole at 0, positive downstream.

        Returns
        -------
        array, shape (N,)
            Height [m], positive towards the foci, 0 at the pole.

        Raises
        ------
        ParameterError
            If a point of x lies beyond the ellipse, or is NaN.
        """
        x = np.asarray(x, dtype=np.float64)
        height: FloatArray = self._strength * x * x / self._point(x).bracket
        return height

    def slope(self, x: npt.ArrayLike) -> FloatArray:
        """Slope dz/dx at x [m], dimensionless (rad for small angles), shape (N,); errors as `height`."""
        x = np.asarray(x, dtype=np.float64)
        root, bracket = self._point(x)
        slope: FloatArray = self._strength * x * (1 + root) / (root * bracket)
        return slope

    def curvature(self, x: npt.ArrayLike) -> FloatArray:
        """Second derivative of the height at x [1/m], shape (N,); errors as `height`."""
        x = np.asarray(x, dtype=np.float64)
        root = self._point(x).root
        curvature: FloatArray = self._strength / (2 * root * root * root)
        return curvature

    def distances(self, x: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Distances r1 to the source focus and r2 to the image focus [m], shape (N,) each; errors as `height`."""
        x = np.asarray(x, dtype=np.float64)
        z = self.height(x)
        (x1, z1), (x2, z2) = self.foci
        r1: FloatArray = np.hypot(x - x1, z - z1) if np.isfinite(self.p) else np.full_like(x, np.inf)
        r2: FloatArray = np.hypot(x - x2, z - z2) if np.isfinite(self.q) else np.full_like(x, np.inf)
        return r1, r2

    def grazing_angle(self, x: npt.ArrayLike) -> FloatArray:
        """Local grazing angle at x [rad], shape (N,); errors as `height`.

        The product of the focal distances of any tangent is b**2 (Apollonius, Conics III), so
        r1 r2 sin(theta(x))**2 = p q sin(theta)**2.
        """
        x = np.asarray(x, dtype=np.float64)
        near, far = self._relative_distances(x, self.height(x))
        sine = np.sin(self.theta) / np.sqrt(near * far)
        angle: FloatArray = np.arcsin(np.minimum(sine, 1.0))
        return angle

    def height_partials(self, x: npt.ArrayLike) -> Partials:
        """Derivatives of the height with respect to p, q and theta at fixed x; errors as `height`.

        Implicit differentiation of r1 + r2 = p + q, with the cancelling terms taken out by hand:
        dz/dp = -z (r2/q) a**2 / ((a + b) sqrt(W)), dz/dq likewise with r1/p and b**2, and
        dz/dtheta = [(a + b) s x (c x - k z) - c z (r1/p + r2/q)] / (2 s sqrt(W)),
        where s, c are sine and cosine of theta and k = s (b - a)/(a + b).
        """
        x = np.asarray(x, dtype=np.float64)
        a, b, s, c = 1 / self.p, 1 / self.q, np.sin(self.theta), np.cos(self.theta)
        k = s * (b - a) / (a + b)
        z, root = self.height(x), self._point(x).root
        r1, r2 = self._relative_distances(x, z)
        return Partials(
            -z * r2 * (a * a / (a + b)) / root,
            -z * r1 * (b * b / (a + b)) / root,
            ((a + b) * s * x * (c * x - k * z) - c * z * (r1 + r2)) / (2 * s * root),
        )

    def slope_partials(self, x: npt.ArrayLike) -> Partials:
        """Derivatives of the slope with respect to p, q and theta at fixed x: d/dx of `height_partials`."""
        x = np.asarray(x, dtype=np.float64)
        a, b, s, c = 1 / self.p, 1 / self.q, np.sin(self.theta), np.cos(self.theta)
        k = s * (b - a) / (a + b)
        z, dz, root = self.height(x), self.slope(x), self._point(x).root
        r1, r2 = self._relative_distances(x, z)
        u, du = c * x - k * z, c - k * dz  # r1/p = 1 + a u, r2/q = 1 - b u
        # sqrt(W)' / sqrt(W) = W' / (2 W), W' = (a - b) cos(theta) - 2 a b x
        decay = ((a - b) * c - 2 * a * b * x) / (2 * root * root)
        value = (a + b) * s * x * u - c * z * (r1 + r2)
        change = (a + b) * s * (u + x * du) - c * (dz * (r1 + r2) + z * (a - b) * du)
        return Partials(
            -(dz * r2 - z * b * du - z * r2 * decay) * (a * a / (a + b)) / root,
            -(dz * r1 + z * a * du - z * r1 * decay) * (b * b / (a + b)) / root,
            (change - value * decay) / (2 * s * root),
        )

    @property
    def _strength(self) -> float:
        """(1/p + 1/q) sin(theta), twice the curvature at the pole [1/m]: the factor that all points share.

        Rounded once, which leaves the points their share of the six units in the last place.
        """
        vergence = sum((1 / Fraction(distance) for distance in (self.p, self.q) if np.isfinite(distance)), Fraction())
        return float(vergence * Fraction(float(np.sin(self.theta))))

    def _point(self, x: FloatArray) -> _Point:
        p, q = self.p, self.q
        x = np.where(np.isfinite(x), x, np.nan)  # infinity is beyond without a warning on the way
        upstream = (p + x) / p if np.isfinite(p) else 1.0  # 1 + a x, one rounding where it gets small
        downstream = (q - x) / q if np.isfinite(q) else 1.0
        lift = (1 / q - 1 / p) * (2 * np.sin(self.theta / 2) ** 2) * x
        w = upstream * downstream + lift
        bracket = upstream + downstream + lift
        beyond = ~((w > 0) & (bracket > 0))  # NaN is beyond, too
        if np.any(beyond):
            where = np.atleast_1d(x)[np.atleast_1d(beyond)][0]
            first, last = self.ends
            raise ParameterError(
                f"x = {where:.6g} m lies beyond the ellipse, which ends at {first:.6g} m and {last:.6g} m"
            )
        root = np.sqrt(w)
        return _Point(root, bracket + 2 * root)

    def _relative_distances(self, x: FloatArray, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """r1/p and r2/q, from r1 = p + c x - k z, which is linear in x and z."""
        a, b, s, c = 1 / self.p, 1 / self.q, np.sin(self.theta), np.cos(self.theta)
        u = c * x - s * (b - a) / (a + b) * z
        return 1 + a * u, 1 - b * u

    def _require_finite(self, what: str) -> None:
        if np.isinf(self.p) or np.isinf(self.q):
            raise ParameterError(f"a parabola (infinite p or q) has no {what}")
