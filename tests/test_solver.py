"""The solver on certified data, orthogonal distances and bounds: it is not only for ellipses."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from numpy.testing import assert_allclose

from ellipsefit.fit.solver import LeastSquaresSolution, inverse_normal, minimise

Array = npt.NDArray[np.float64]
HOME = Path(__file__).parent / "data" / "nist_strd"


@dataclass(frozen=True)
class Certified:
    """A data set of the NIST Statistical Reference Datasets with its certificate."""

    x: Array
    y: Array
    starts: tuple[Array, Array]
    values: Array
    stderr: Array
    rss: float
    freedom: int


def read_certified(name: str) -> Certified:
    """Parse a file as NIST publishes it (public domain)."""
    lines = (HOME / f"{name}.dat").read_text().splitlines()
    rows = [line.split("=")[1].split() for line in lines if re.match(r"\s*b\d+ =", line)]
    table = np.array(rows, dtype=float)

    def after(label: str) -> float:
        return float(next(line for line in lines if line.startswith(label)).split()[-1])

    begin = max(number for number, line in enumerate(lines) if line.startswith("Data:")) + 1
    y, x = np.array([line.split() for line in lines[begin:] if line.strip()], dtype=float).T
    assert len(y) == after("Number of Observations:")
    return Certified(
        x=x,
        y=y,
        starts=(table[:, 0], table[:, 1]),
        values=table[:, 2],
        stderr=table[:, 3],
        rss=after("Residual Sum of Squares:"),
        freedom=len(y) - len(table),  # the header of Rat43 says 9 for 15 - 4; its residual deviation says 11
    )


Model = Callable[[Array, npt.NDArray[np.complex128]], npt.NDArray[np.complex128]]


def rational(x: Array, b: npt.NDArray[np.complex128]) -> npt.NDArray[np.complex128]:
    return np.asarray((b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3) / (1 + b[4] * x + b[5] * x**2 + b[6] * x**3))


MODELS: dict[str, Model] = {
    "Misra1a": lambda x, b: b[0] * (1 - np.exp(-b[1] * x)),
    "Eckerle4": lambda x, b: b[0] / b[1] * np.exp(-0.5 * ((x - b[2]) / b[1]) ** 2),
    "Hahn1": rational,
    "Thurber": rational,
    "Rat43": lambda x, b: b[0] / (1 + np.exp(b[1] - b[2] * x)) ** (1 / b[3]),
    "MGH17": lambda x, b: b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4]),
    "Lanczos1": lambda x, b: b[0] * np.exp(-b[1] * x) + b[2] * np.exp(-b[3] * x) + b[4] * np.exp(-b[5] * x),
}


def solve(name: str, start: Array) -> LeastSquaresSolution:
    """Unweighted, unbounded; derivatives by the complex step, exact to rounding."""
    data, model = read_certified(name), MODELS[name]

    def residual(b: Array) -> Array:
        return np.asarray(model(data.x, b.astype(complex)).real - data.y)

    def jacobian(b: Array) -> Array:
        columns = []
        for index in range(len(b)):
            moved = b.astype(complex)
            moved[index] += 1e-30j
            columns.append(model(data.x, moved).imag / 1e-30)
        return np.column_stack(columns)

    bound = np.full(len(start), np.inf)
    with np.errstate(over="ignore", invalid="ignore"):  # first steps from a far start may overshoot
        return minimise(residual, jacobian, start, lower=-bound, upper=bound)


@pytest.mark.parametrize("start", [0, 1], ids=["start 1", "start 2"])
@pytest.mark.parametrize("name", [name for name in MODELS if name != "Lanczos1"])
def test_certified_values_are_met_from_both_starts(name: str, start: int) -> None:
    """NIST StRD: 8 of the 11 certified digits of parameters and residual squares, 6 of their uncertainties."""
    data = read_certified(name)
    found = solve(name, data.starts[start])
    assert found.converged
    assert_allclose(found.values, data.values, rtol=1e-8)
    assert_allclose(found.sum_of_squares, data.rss, rtol=1e-8)
    stderr = np.sqrt(np.diag(found.covariance(found.sum_of_squares / data.freedom)))
    assert_allclose(stderr, data.stderr, rtol=1e-6)


@pytest.mark.parametrize("start", [0, 1], ids=["start 1", "start 2"])
def test_certified_values_of_data_without_noise(start: int) -> None:
    """NIST StRD Lanczos1: three exponentials, data to 14 digits, residual squares 1.4e-25.

    The residuals, 1e-13, are 1e3 roundings of the data: their sum of squares and the uncertainties cannot
    have more than three digits in double precision, the parameters have all eight.
    """
    data = read_certified("Lanczos1")
    found = solve("Lanczos1", data.starts[start])
    assert found.converged
    assert_allclose(found.values, data.values, rtol=1e-8)
    assert_allclose(found.sum_of_squares, data.rss, rtol=1e-2)
    stderr = np.sqrt(np.diag(found.covariance(found.sum_of_squares / data.freedom)))
    assert_allclose(stderr, data.stderr, rtol=1e-2)


def test_a_linear_problem_of_bad_condition_is_solved_at_once() -> None:
    """NIST StRD Pontius (load cell, quadratic), 40 values; certified coefficients and uncertainties.

    Loads up to 3e6 scale the columns by up to 1e13; the solver scales them back, to a condition of 1e2: 1e-9.
    """
    first = """.11019 .21956 .32949 .43899 .54803 .65694 .76562 .87487 .98292 1.09146 1.20001 1.30822 1.41599
        1.52399 1.63194 1.73947 1.84646 1.95392 2.06128 2.16844"""
    second = """.11052 .22018 .32939 .43886 .54798 .65739 .76596 .87474 .98300 1.09150 1.20004 1.30818 1.41613
        1.52408 1.63159 1.73965 1.84696 1.95445 2.06177 2.16829"""
    y = np.array((first + " " + second).split(), dtype=float)
    x = np.tile(150000.0 * np.arange(1, 21), 2)
    design = np.column_stack([np.ones(40), x, x**2])
    bound = np.full(3, np.inf)
    found = minimise(lambda b: design @ b - y, lambda _: design, np.zeros(3), lower=-bound, upper=bound)
    assert found.converged
    assert_allclose(found.values, (0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14), rtol=1e-9)
    stderr = np.sqrt(np.diag(found.covariance(found.sum_of_squares / 37)))
    assert_allclose(stderr, (0.107938612033077e-3, 0.157817399981659e-9, 0.486652849992036e-16), rtol=1e-9)
    assert_allclose(np.sqrt(found.sum_of_squares / 37), 0.205177424076185e-3, rtol=1e-9)


# ------------------------------------------------------------------ orthogonal distances


def test_circle_of_gander_golub_and_strebel() -> None:
    """Geometric circle through six points: centre (4.7398, 2.9835), radius 4.7142.

    W. Gander, G. H. Golub, R. Strebel, BIT 34 (1994) 558-578 (printed result from memory); more digits
    recomputed apart from this code. The algebraic circle, which is the start, lies more than a radius away.
    """
    points = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)], dtype=float)

    def residual(u: Array) -> Array:
        return np.asarray(np.hypot(*(points - u[:2]).T) - u[2])

    def jacobian(u: Array) -> Array:
        away = points - u[:2]
        return np.column_stack([-away / np.hypot(*away.T)[:, None], -np.ones(len(points))])

    start = np.array([5.37941332, 7.25319848, 3.03704146])
    bound = np.full(3, np.inf)
    found = minimise(residual, jacobian, start, lower=-bound, upper=bound)
    assert found.converged
    assert_allclose(found.values, (4.7398, 2.9835, 4.7142), rtol=0, atol=5e-5)
    assert_allclose(found.values, (4.73978241090607403, 2.98353269929247516, 4.71422603779210975), rtol=1e-10)
    assert_allclose(found.sum_of_squares, 1.227599078183656, rtol=1e-12)


def test_ellipse_of_gander_golub_and_strebel() -> None:
    """Orthogonal-distance ellipse through eight points, published: centre (2.6996, 3.8160), semi-axes 6.5187
    and 3.0319, tilt 0.3596. Same paper; more digits recomputed apart from this code.

    Unknowns: five of the ellipse and a foot point for each point. The valley is narrow (eigenvalues of the
    Hessian 0.0055 to 97): 1e-6 on the parameters, 1e-12 on the squares.
    """
    points = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7), (6, 2), (8, 4)], dtype=float)
    n = len(points)

    def residual(u: Array) -> Array:
        (x, y, a, b, turn), foot = u[:5], u[5:]
        c, s = np.cos(turn), np.sin(turn)
        along, across = a * np.cos(foot), b * np.sin(foot)
        return np.concatenate([x + c * along - s * across - points[:, 0], y + s * along + c * across - points[:, 1]])

    def jacobian(u: Array) -> Array:
        (_, _, a, b, turn), foot = u[:5], u[5:]
        c, s = np.cos(turn), np.sin(turn)
        zero, one = np.zeros(n), np.ones(n)
        along, across = a * np.cos(foot), b * np.sin(foot)
        upper = [one, zero, c * np.cos(foot), -s * np.sin(foot), -s * along - c * across]
        lower = [zero, one, s * np.cos(foot), c * np.sin(foot), c * along - s * across]
        feet = (-a * np.sin(foot), b * np.cos(foot))
        return np.vstack(
            [
                np.column_stack([*upper, np.diag(c * feet[0] - s * feet[1])]),
                np.column_stack([*lower, np.diag(s * feet[0] + c * feet[1])]),
            ]
        )

    centre = points.mean(axis=0)
    turned = points - centre
    start = np.concatenate([centre, [5.0, 3.0, 0.4], np.arctan2(turned[:, 1] / 3, turned[:, 0] / 5) - 0.4])
    bound = np.full(5 + n, np.inf)
    found = minimise(residual, jacobian, start, lower=-bound, upper=bound)
    assert found.converged
    x, y, a, b, turn = found.values[:5]
    if abs(a) < abs(b):
        a, b, turn = b, a, turn + np.pi / 2
    turn = (turn + np.pi / 2) % np.pi - np.pi / 2
    ellipse = (x, y, abs(a), abs(b), turn)
    assert_allclose(ellipse, (2.6996, 3.8160, 6.5187, 3.0319, 0.3596), rtol=0, atol=5e-5)
    best = (2.6996121879412, 3.815956645939116, 6.518722302526588, 3.031886001736263, 0.359624271041549)
    assert_allclose(ellipse, best, rtol=1e-6)
    assert_allclose(found.sum_of_squares, 1.37330553977792, rtol=1e-12)


def test_line_with_errors_in_both_coordinates() -> None:
    """Pearson's data with York's weights: intercept 5.47991022403, slope -0.48053340745, S = 11.8664 and
    uncertainties 0.29497, 0.057985.

    J. H. Williamson, Can. J. Phys. 46 (1968) 1845; D. York et al., Am. J. Phys. 72 (2004) 367, table II,
    whose uncertainties are the curvature of the profiled sum of squares to first order at the adjusted
    points; this is what (J'J)^-1 over line and abscissae together gives. 1e-9 on the line.
    """
    x = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
    y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
    wx = np.sqrt([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0])
    wy = np.sqrt([1.0, 1.8, 4.0, 8.0, 20, 20, 70, 70, 100, 500])

    def residual(u: Array) -> Array:
        return np.concatenate([(u[2:] - x) * wx, (u[0] + u[1] * u[2:] - y) * wy])

    def jacobian(u: Array) -> Array:
        above = np.column_stack([np.zeros((10, 2)), np.diag(wx)])
        return np.vstack([above, np.column_stack([wy, u[2:] * wy, np.diag(u[1] * wy)])])

    start = np.concatenate([[5.8, -0.54], x])
    bound = np.full(12, np.inf)
    found = minimise(residual, jacobian, start, lower=-bound, upper=bound)
    assert found.converged
    assert_allclose(found.values[:2], (5.47991022403286536, -0.480533407446201987), rtol=1e-9)
    assert_allclose(found.sum_of_squares, 11.86635319406145, rtol=1e-12)
    stderr = np.sqrt(np.diag(found.covariance()))[:2]
    assert_allclose(stderr, (0.2949707354931086, 0.05798500900077444), rtol=1e-6)


# ------------------------------------------------------------------ covariance, bounds, honesty


def test_covariance_of_a_straight_line() -> None:
    """Calibration of a thermometer, JCGM 100:2008 (GUM) H.3: y1 = -0.1712 +- 0.0029, y2 = 0.00218 +- 0.00067,
    correlation -0.930; more digits recomputed from the table's data."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = np.array([-171, -169, -166, -159, -164, -165, -156, -157, -159, -161, -160]) * 1e-3
    design = np.column_stack([np.ones(11), t - 20])
    bound = np.full(2, np.inf)
    found = minimise(lambda u: design @ u - b, lambda _: design, np.zeros(2), lower=-bound, upper=bound)
    covariance = found.covariance(found.sum_of_squares / 9)
    stderr = np.sqrt(np.diag(covariance))
    assert_allclose(found.values, (-0.17120379013135, 0.002182697739887278), rtol=1e-12)
    assert_allclose(stderr, (0.002877597835159954, 6.679387732278317e-4), rtol=1e-12)
    assert_allclose(covariance[0, 1] / stderr.prod(), -0.9304296030934459, rtol=1e-12)
    # the prediction at 30 degC, H.3.4: -0.1494 +- 0.0041; without the correlation it would be 0.0073
    at = np.array([1.0, 10.0])
    assert_allclose(at @ found.values, -0.1493768127324772, rtol=1e-12)
    assert_allclose(np.sqrt(at @ covariance @ at), 0.004138595752854947, rtol=1e-12)


def test_columns_that_nothing_determines_have_infinite_variance() -> None:
    """Two equal columns, and fewer rows than columns: infinite, not large."""
    assert np.isinf(inverse_normal(np.ones((5, 2)))).all()
    assert np.isinf(inverse_normal(np.ones((1, 2)))).all()


def test_a_solution_at_a_bound_says_so() -> None:
    """Nearest point of x >= 1 to (0, 0.5) is (1, 0.5): at the bound of x, and as good as it gets."""
    target = np.array([0.0, 0.5])
    found = minimise(
        lambda u: u - target,
        lambda _: np.eye(2),
        np.array([2.0, 2.0]),
        lower=np.array([1.0, -5.0]),
        upper=np.array([3.0, 5.0]),
    )
    assert_allclose(found.values, [1.0, 0.5], rtol=1e-6)  # the search stays inside
    assert found.at_bound == (True, False)
    assert found.converged


def test_what_falls_without_end_ends_at_the_bound() -> None:
    """exp(-u) has no minimum: up to u = 8, the bound is the answer, and said to be one."""
    found = minimise(
        lambda u: np.array([np.exp(-u[0]), 1.0, 1.0]),
        lambda u: np.array([[-np.exp(-u[0])], [0.0], [0.0]]),
        np.zeros(1),
        lower=np.array([-8.0]),
        upper=np.array([8.0]),
    )
    assert_allclose(found.values, 8.0, rtol=1e-6)
    assert found.at_bound == (True,)


def test_a_search_that_is_cut_short_is_not_called_converged() -> None:
    """Wrong derivatives lead nowhere: the residual lies along the (true) tangent still, and that is judged."""
    x = np.linspace(0, 1, 20)

    def residual(u: Array) -> Array:
        return np.asarray(np.exp(u[0] * x) - np.exp(2 * x) + 0.1 * np.cos(5 * x))

    bound = np.full(1, np.inf)
    found = minimise(residual, lambda u: -(x * np.exp(u[0] * x))[:, None], np.zeros(1), lower=-bound, upper=bound)
    assert not found.converged
