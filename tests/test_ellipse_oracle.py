"""Ten thousand random ellipses against the definition of the ellipse, evaluated with 70 digits.

The oracle knows one equation, F(x, z; p, q, theta) = r1 + r2 - p - q = 0, with r1 and r2 the distances of
the point (x, z) to the foci (-p cos(theta), p sin(theta)) and (q cos(theta), q sin(theta)), and
differentiates it implicitly. It shares no formula with the library.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import mpmath
import numpy as np
import numpy.typing as npt
import pytest

from ellipsefit.ellipse import Ellipse

Array = npt.NDArray[np.float64]
Record = Callable[[str, object], None]

COUNT = 10_000
PARTIALS_COUNT = 1_000  # the derivatives need ten times the work
DIGITS = 70  # 50 good ones: the smallest z F_z here is about 1e-20 of p + q, against which F cancels


class Case(NamedTuple):
    """One ellipse and one point of it, the doubles the library sees."""

    p: float
    q: float
    theta: float
    x: float


def random_cases() -> list[Case]:
    """p/q log-uniform in 0.001..1000, theta in 0.1..100 mrad, x to 95 % of the distance to the nearer focus."""
    random = np.random.default_rng(20_240_611)
    ratio = 10 ** random.uniform(-3, 3, COUNT)
    mean = 10 ** random.uniform(0, 2, COUNT)  # sqrt(p q) [m]: the size; all formulas scale with it
    theta = 10 ** random.uniform(-4, -1, COUNT)
    p, q = mean * np.sqrt(ratio), mean / np.sqrt(ratio)
    x = random.uniform(-0.95, 0.95, COUNT) * np.minimum(p, q)
    return [Case(*map(float, row)) for row in zip(p, q, theta, x, strict=True)]


@dataclass
class Definition:
    """F and its derivatives at the point of the curve over x; v = (x, z) minus the focus, r its length."""

    case: Case

    def __post_init__(self) -> None:
        p, q, theta, self.x = map(mpmath.mpf, self.case)
        c, s = mpmath.cos(theta), mpmath.sin(theta)
        self.total = p + q
        self.foci = ((-p * c, p * s), (q * c, q * s))
        # derivative of each focus with respect to p, q, theta
        self.focus_partials = (((-c, s), (0, 0), (p * s, p * c)), ((0, 0), (c, s), (-q * s, q * c)))
        self.total_partials = (1, 1, 0)
        self.z = self.solve()
        self.differentiate()

    def solve(self) -> Any:
        """Newton from z = 0, the tangent: F is convex in z and positive there, so the steps only rise to the curve."""
        (x1, z1), (x2, z2) = self.foci
        u1, u2 = (self.x - x1) ** 2, (self.x - x2) ** 2
        z = mpmath.mpf(0)
        for _ in range(60):
            v1, v2 = z - z1, z - z2
            r1, r2 = mpmath.sqrt(u1 + v1 * v1), mpmath.sqrt(u2 + v2 * v2)
            step = (r1 + r2 - self.total) / (v1 / r1 + v2 / r2)
            z -= step
            if abs(step) <= abs(z) * mpmath.mpf(10) ** -30:  # the next step would be the square of this one
                return z
        raise AssertionError(f"the oracle did not converge for {self.case}")

    def differentiate(self) -> None:
        self.fx = self.fz = self.fxx = self.fxz = self.fzz = mpmath.mpf(0)
        self.r: list[Any] = []
        self.v: list[tuple[Any, Any]] = []
        for fx, fz in self.foci:
            u, w = self.x - fx, self.z - fz
            r = mpmath.sqrt(u * u + w * w)
            cube = r * r * r
            self.r.append(r)
            self.v.append((u, w))
            self.fx += u / r
            self.fz += w / r
            self.fxx += w * w / cube
            self.fxz -= u * w / cube
            self.fzz += u * u / cube
        self.slope = -self.fx / self.fz
        self.curvature = -(self.fxx + 2 * self.fxz * self.slope + self.fzz * self.slope**2) / self.fz

    def height_partial(self, index: int) -> Any:
        """-F_i / F_z with F_i = sum of dr/d(focus) . d(focus)/di - d(p + q)/di."""
        fi = mpmath.mpf(-self.total_partials[index])
        for (u, w), r, focus in zip(self.v, self.r, self.focus_partials, strict=True):
            dx, dz = focus[index]
            fi -= (u * dx + w * dz) / r
        return -fi / self.fz

    def slope_partial(self, index: int) -> Any:
        """The last one along the curve: -(F_xi + F_zi z' + (F_xz + F_zz z') z_i) / F_z."""
        fxi = fzi = mpmath.mpf(0)
        for (u, w), r, focus in zip(self.v, self.r, self.focus_partials, strict=True):
            dx, dz = focus[index]
            cube = r * r * r
            fxi -= w * (w * dx - u * dz) / cube
            fzi -= u * (u * dz - w * dx) / cube
        zi = self.height_partial(index)
        return -(fxi + fzi * self.slope + (self.fxz + self.fzz * self.slope) * zi) / self.fz


@pytest.fixture(scope="module")
def oracle() -> list[Definition]:
    with mpmath.workdps(DIGITS):
        return [Definition(case) for case in random_cases()]


def ulps(computed: float, exact: Any) -> float:
    """Error in units of the last place of the double nearest to the exact value."""
    return float((mpmath.mpf(computed) - exact) / mpmath.mpf(float(np.spacing(abs(float(exact))))))


def tell(record_property: Record, name: str, worst: float, case: Case) -> None:
    record_property(name, float(worst))
    print(f"\n{name}: worst {worst:.3g} at {case}")  # noqa: T201 - the number itself is wanted, with pytest -s


@pytest.mark.parametrize(("quantity", "attribute", "limit"), [
    ("height", "z", 6), ("slope", "slope", 6), ("curvature", "curvature", 12),
])  # fmt: skip
def test_curve_is_right_to_the_last_digits(
    quantity: str, attribute: str, limit: float, oracle: list[Definition], record_property: Record
) -> None:
    """Height and slope within 6 units of the last place, curvature within 12, of the definition.

    The limits are what is asked of the library, not what it happens to reach. They are reachable in plain
    double: some ten roundings of half a unit of eps each, and eps is up to two units of the last place; the
    curvature holds W**(-3/2), which adds 3/2 of the error of W.
    """
    with mpmath.workdps(DIGITS):
        errors = np.array([
            ulps(float(getattr(Ellipse(*this.case[:3]), quantity)(this.case.x)), getattr(this, attribute))
            for this in oracle
        ])  # fmt: skip
    worst = int(np.argmax(np.abs(errors)))
    tell(record_property, f"{quantity} [ulp]", abs(errors[worst]), oracle[worst].case)
    assert np.all(np.abs(errors) <= limit)  # NaN fails, too


@pytest.mark.parametrize("quantity", ["height", "slope"])
@pytest.mark.parametrize(("index", "name"), [(0, "p"), (1, "q"), (2, "theta")])
def test_partial_derivatives_have_no_cancellation(
    quantity: str, index: int, name: str, oracle: list[Definition], record_property: Record
) -> None:
    """Derivatives of height and slope against implicit differentiation of the definition.

    What is asked is 1e-11 of the largest term. The terms of the implicit formula itself, such as
    (dr1/dp - 1) / F_z, are many orders larger than their sum at grazing angles and would hide a derivative
    that is all noise; so the scale is narrower. Height: the derivative itself, which has no zero but the
    pole. Slope: it can pass through zero; with dz/dp = z g the product rule gives dz'/dp = z' g + z g',
    and the larger of these two terms is the scale.
    Some 20 roundings, the worst factor magnified 1 / (1 - 0.95) = 20 times: 20 * 20 * 1.1e-16 < 1e-13.
    """
    errors = []
    with mpmath.workdps(DIGITS):
        for this in oracle[:PARTIALS_COUNT]:
            partials = getattr(Ellipse(*this.case[:3]), f"{quantity}_partials")(this.case.x)
            exact = scale = this.height_partial(index)
            if quantity == "slope":
                exact = this.slope_partial(index)
                carried = scale * this.slope / this.z  # z' g
                scale = max(abs(carried), abs(exact - carried))
            errors.append(float(abs((mpmath.mpf(float(getattr(partials, name))) - exact) / scale)))
    worst = int(np.argmax(errors))
    tell(record_property, f"d {quantity} / d {name} [relative]", errors[worst], oracle[worst].case)
    assert max(errors) <= 1e-13
