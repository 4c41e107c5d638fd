"""The ideal curve against the geometry of conics, published figures and values with more digits.

Values called "60 digits" were computed from the definition r1 + r2 = p + q alone with 60-digit arithmetic,
apart from this code; `test_ellipse_oracle` does the same for random ellipses while it runs.
"""

from __future__ import annotations

import re
from typing import Any, NamedTuple

import mpmath
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from skimage.measure import EllipseModel

from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import EllipsefitError, ParameterError

Array = npt.NDArray[np.float64]

EPS = float(np.finfo(np.float64).eps)  # 2**-52
CLOSED_FORM = 16 * EPS  # some dozen factors, each rounded once

N1 = Ellipse(20.0, 10.0, 0.012)
X1 = Ellipse(46.0, 0.4, 0.003)
S1 = Ellipse(5.0, 5.0, 0.01)
L1 = Ellipse(3.0, 2.0, np.pi / 6)
ALL = [
    pytest.param(N1, id="N1"),
    pytest.param(X1, id="X1"),
    pytest.param(S1, id="S1"),
    pytest.param(L1, id="L1"),
    pytest.param(Ellipse(40.0, 10.0, 3e-3), id="grazing"),
]


def points_to(ellipse: Ellipse, share: float, count: int = 41) -> Array:
    """Positions up to a share of the way from the pole to both ends."""
    first, last = ellipse.ends
    return np.linspace(share * first, share * last, count)


def half_distance(ellipse: Ellipse) -> float:
    """Linear eccentricity c, half the distance between the foci [m]."""
    source, image = ellipse.foci
    return float(np.hypot(*(image - source)) / 2)


def arc(ellipse: Ellipse, first: float, last: float) -> float:
    """Length of the curve between two positions by 60-point Gauss-Legendre quadrature of the slope [m]."""
    nodes, weights = np.polynomial.legendre.leggauss(60)
    half = (last - first) / 2
    slope = ellipse.slope((first + last) / 2 + half * nodes)
    return float(half * np.sum(weights * np.hypot(1, slope)))


# --- relations of the conic ---------------------------------------------------------------------------------


@pytest.mark.parametrize("ellipse", ALL)
def test_axes_obey_the_triangle_of_foci_and_pole(ellipse: Ellipse) -> None:
    """2a = p + q; c by the law of cosines at the pole (angle pi - 2 theta); a**2 = b**2 + c**2; the pole is on
    the curve at y0 = -p q sin(2 theta) / (2c), its height in the same triangle.

    Nothing cancels: p and q of these five are equal, or differ by a third of the larger at least.
    """
    p, q, theta = ellipse.p, ellipse.q, ellipse.theta
    a, b, pole_x = ellipse.axes
    c = np.sqrt(p**2 + q**2 + 2 * p * q * np.cos(2 * theta)) / 2
    assert_allclose(a, (p + q) / 2, rtol=EPS)
    assert_allclose(b, np.sqrt(p * q) * np.sin(theta), rtol=4 * EPS)
    assert_allclose(half_distance(ellipse), c, rtol=CLOSED_FORM)
    assert_allclose(b**2 + c**2, a**2, rtol=CLOSED_FORM)
    assert_allclose(pole_x, (p**2 - q**2) / (4 * c), rtol=CLOSED_FORM)
    pole_y = p * q * np.sin(2 * theta) / (2 * c)
    assert_allclose((pole_x / a) ** 2 + (pole_y / b) ** 2, 1, rtol=CLOSED_FORM)


@pytest.mark.parametrize("ellipse", ALL)
def test_focal_distances_of_any_tangent_multiply_to_b_squared(ellipse: Ellipse) -> None:
    """Apollonius, Conics III. The distance of a focus from a tangent is a difference of lengths of the size of
    p + q which at grazing is b-sized: 4 eps (p + q) of it is lost, from each of the two."""
    x = points_to(ellipse, 0.9)
    z, slope = ellipse.height(x), ellipse.slope(x)
    first, second = (((fz - z) - slope * (fx - x)) / np.hypot(1, slope) for fx, fz in ellipse.foci)
    lost = 4 * EPS * (ellipse.p + ellipse.q)
    b2 = ellipse.axes.b**2
    assert np.all(np.abs(first * second - b2) <= lost * (first + second) + CLOSED_FORM * b2)


@pytest.mark.parametrize("ellipse", ALL)
def test_major_axis_is_tilted_by_the_asymmetry(ellipse: Ellipse) -> None:
    """tan(psi) = (p - q) / (p + q) tan(theta): the line through the foci in the mirror frame falls by psi.

    atol: p sin(theta) and q sin(theta) are subtracted, 4 eps of the steeper over the distance of the foci.
    """
    source, image = ellipse.foci
    dx, dz = image - source
    assert_allclose(ellipse.axis_tilt, np.arctan2(-dz, dx), rtol=CLOSED_FORM, atol=4 * EPS * np.sin(ellipse.theta))
    tangent = (ellipse.p - ellipse.q) / (ellipse.p + ellipse.q) * np.tan(ellipse.theta)
    assert_allclose(np.tan(ellipse.axis_tilt), tangent, rtol=CLOSED_FORM)


@pytest.mark.parametrize("ellipse", ALL)
def test_radius_at_the_pole_obeys_coddington(ellipse: Ellipse) -> None:
    """1/p + 1/q = 2 / (R sin(theta)). Source: Coddington's tangential equation for a mirror; history in
    R. Kingslake, Optics & Photonics News 5(8), 1994. The other form, (pq)**(3/2) / (ab), is the radius of
    curvature of an ellipse in its own axes. Both the stated radius and the curvature of the curve obey."""
    p, q, theta = ellipse.p, ellipse.q, ellipse.theta
    radius = 2 / (np.sin(theta) * (1 / p + 1 / q))
    assert_allclose(ellipse.pole_radius, radius, rtol=CLOSED_FORM)
    assert_allclose(1 / ellipse.curvature(0.0), radius, rtol=CLOSED_FORM)
    a, b, _ = ellipse.axes
    assert_allclose(ellipse.pole_radius, (p * q) ** 1.5 / (a * b), rtol=CLOSED_FORM)


@pytest.mark.parametrize("ellipse", ALL)
def test_sagitta_at_the_pole_obeys_coddington(ellipse: Ellipse) -> None:
    """The same from heights alone, which know nothing of a curvature formula: R = x**2 / (z(x) + z(-x))."""
    step = 1e-4 * min(ellipse.p, ellipse.q)  # m; the next even term is smaller by about (step / q)**2 = 1e-8
    left, right = ellipse.height([-step, step])
    radius = step**2 / (left + right)  # the odd terms cancel
    assert_allclose(radius, 2 / (np.sin(ellipse.theta) * (1 / ellipse.p + 1 / ellipse.q)), rtol=3e-8)


@pytest.mark.parametrize("ellipse", ALL)
def test_ends_are_the_outermost_points_of_the_ellipse(ellipse: Ellipse) -> None:
    """An ellipse tilted by psi reaches sqrt(a**2 cos(psi)**2 + b**2 sin(psi)**2) from its centre (its support
    function). Evaluated with 40 digits, because for p >> q the sum cancels in double."""
    with mpmath.workdps(40):
        p, q, theta = map(mpmath.mpf, (ellipse.p, ellipse.q, ellipse.theta))
        a, b = (p + q) / 2, mpmath.sqrt(p * q) * mpmath.sin(theta)
        psi = mpmath.atan((p - q) / (p + q) * mpmath.tan(theta))
        reach = mpmath.sqrt((a * mpmath.cos(psi)) ** 2 + (b * mpmath.sin(psi)) ** 2)
        centre = (q - p) * mpmath.cos(theta) / 2
        expected = [float(centre - reach), float(centre + reach)]
    assert_allclose(ellipse.ends, expected, rtol=CLOSED_FORM)


# --- the closed form of the literature ----------------------------------------------------------------------


def root_of_the_squared_definition(x: Any, p: Any, q: Any, theta: Any) -> Any:
    """Mirror-centred closed form: r1 = p + x cos(theta) - k z squared, the root that vanishes at the pole."""
    s, c = mpmath.sin(theta), mpmath.cos(theta)
    k = s * (p - q) / (p + q)
    b = 2 * p * q * s / (p + q) - k * c * x
    return (b - mpmath.sqrt(b * b - (1 - k * k) * (s * x) ** 2)) / (1 - k * k)


def root_of_the_turned_conic(x: Any, p: Any, q: Any, theta: Any) -> Any:
    """(X/a)**2 + (Y/b)**2 = 1 with X, Y turned by psi and moved to the pole; the lower root in z."""
    a, b2 = (p + q) / 2, p * q * mpmath.sin(theta) ** 2
    psi = mpmath.atan((p - q) / (p + q) * mpmath.tan(theta))
    c, s = mpmath.cos(psi), mpmath.sin(psi)
    half = mpmath.sqrt(a * a - b2)
    x0, y0 = (p * p - q * q) / (4 * half), -p * q * mpmath.sin(2 * theta) / (2 * half)
    # X = x0 + x c - z s, Y = y0 + x s + z c: a quadratic in z
    u, v = x0 + x * c, y0 + x * s
    second = s * s / a**2 + c * c / b2
    first = v * c / b2 - u * s / a**2
    zeroth = u * u / a**2 + v * v / b2 - 1
    return (-first - mpmath.sqrt(first * first - second * zeroth)) / second


@pytest.mark.parametrize("closed_form", [root_of_the_squared_definition, root_of_the_turned_conic])
@pytest.mark.parametrize("ellipse", ALL)
def test_height_agrees_with_the_closed_forms_of_the_literature(ellipse: Ellipse, closed_form: Any) -> None:
    """Closed forms evaluated apart from the library with 50 digits, in their textbook, cancelling form.

    K. A. Goldberg, J. Synchrotron Rad. 29 (2022) 991-996, solves Fermat's principle in mirror-centred
    coordinates; M. Sanchez del Rio and K. A. Goldberg, arXiv:2406.04079, transform the conic from its own
    axes. Both routes are derived here anew; of the papers the abstract and the introduction were read, their
    printed equations were not compared letter by letter.
    """
    x = points_to(ellipse, 0.9)
    with mpmath.workdps(50):
        p, q, theta = map(mpmath.mpf, (ellipse.p, ellipse.q, ellipse.theta))
        expected = [float(closed_form(mpmath.mpf(float(at)), p, q, theta)) for at in x]
    # atol: 50 digits less those of the cancellation leave nothing but a zero at the pole that is no exact zero
    assert_allclose(ellipse.height(x), expected, rtol=6 * EPS, atol=1e-40)


# --- values with more digits --------------------------------------------------------------------------------


class Row(NamedTuple):
    """One point with 22 digits; None where the table has no entry."""

    ellipse: Ellipse
    x: float
    z: float
    slope: float | None = None
    curvature: float | None = None
    r1: float | None = None
    r2: float | None = None
    grazing: float | None = None
    arc_minus_x: float | None = None


# fmt: off
ROWS = [
    Row(N1, -4.5, 0.008388539073364329593914, -0.003622618674004354281335, 7.5550426497110136676e-4,
        15.500290442761019158, 14.499709557238980842, 0.011319976532528264937, -1.02531590100577e-5),
    Row(N1, -1.5, 0.0009787682671295617142571, -0.001285171537475281448362, 8.2030627477865130874e-4,
        18.50010408372489878, 11.49989591627510122, 0.01163487116177658895, -4.2241126682392e-7),
    Row(N1, 0.001, 4.500004499118352677842e-10, 9.000121505718449946156e-7, 9.0004590464467521741e-4,
        20.000999927999064037, 9.9990000720009359627, 0.012000300034048810512, 1.35001113735191e-16),
    Row(N1, 2.25, 0.002433447229176753160599, 0.002246292278298625474234, 0.0011241477176752540269,
        22.249828268388683214, 7.7501717316113167862, 0.012923463341410353088, 1.78678106406047e-6),
    Row(N1, 4.5, 0.01066799048191688233213, 0.005258786291125213463868, 0.0016273023657004372872,
        24.499633332950173383, 5.5003666670498266173, 0.014619269680410276281, 1.76985816525827e-5),
    Row(X1, -0.15, 3.611561800113329996203e-5, -4.464365271568985160116e-4, 0.0023575735506039413637,
        None, 0.54999943147915132816, 0.0025625904133940796444),
    Row(X1, -0.05, 4.456329552267197963048e-6, -1.732016731783432536972e-4, 0.0031751977537744052516,
        None, 0.4499997881386378947, 0.0028299657597795136557),
    Row(X1, 0.05, 5.046251810331143470492e-6, 2.087598139914530576199e-4, 0.0046139253817503699171,
        None, 0.35000023987755133977, 0.0032053929053147349417),
    Row(X1, 0.15, 5.299446803953845897555e-5, 7.994576059320760288235e-4, 0.0076181266893257727376,
        None, 0.25000083124157033095, 0.0037885583334751091718),
    Row(S1, -2.0, 0.004174173480071945333436, -0.004364285065786797912312),
    Row(S1, 2.0, 0.004174173480071945333436, 0.004364285065786797912312),
    Row(S1, 4.5, 0.02820503519289238047215, 0.02064707192647036699633),
    Row(S1, 0.5, 2.506239675541434088996e-4),
    Row(L1, -1.0, 0.1010865001186219913281, -0.2033208444090807047988, 0.21551114239742065321,
        2.1238659462036991541, None, 0.51845484598622216601, -0.00676214238476827),
    Row(L1, 0.5, 0.02733633257211832065157, 0.1127508532323206691541, 0.24973948049779696261,
        3.4302790686350074913, None, 0.55600873376919517949, 0.00100873770706433),
    Row(L1, 1.2, 0.178632794954081804315, 0.3431892861944599349583, 0.46347812925272099736,
        4.0213672050459181957, None, 0.6654011758540649697, 0.0185756086895613),
    Row(Ellipse(40.0, 10.0, 0.003), -0.1, 9.3400517722396401814e-7),
    Row(Ellipse(40.0, 10.0, 0.003), 0.1, 9.4103668992151173899e-7),
]
# fmt: on


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"p{row.ellipse.p:g} x{row.x:g}")
def test_curve_agrees_with_values_of_22_digits(row: Row) -> None:
    """60 digits, from the definition. Tolerances by the condition of each formula in double; 0.012 and pi/6 are
    themselves rounded, which is half an eps of every height."""
    ellipse, x = row.ellipse, row.x
    assert_allclose(ellipse.height(x), row.z, rtol=4 * EPS)
    if row.slope is not None:
        assert_allclose(ellipse.slope(x), row.slope, rtol=1e-14)
    if row.curvature is not None:
        assert_allclose(ellipse.curvature(x), row.curvature, rtol=1e-13)
    r1, r2 = ellipse.distances(x)
    if row.r1 is not None:
        assert_allclose(r1, row.r1, rtol=4 * EPS)
    if row.r2 is not None:
        assert_allclose(r2, row.r2, rtol=4 * EPS)
    if row.grazing is not None:
        assert_allclose(ellipse.grazing_angle(x), row.grazing, rtol=1e-14)


@pytest.mark.parametrize("row", [row for row in ROWS if row.arc_minus_x is not None], ids=lambda row: f"x{row.x:g}")
def test_slope_integrates_to_the_arc_length(row: Row) -> None:
    """Arc minus x, 60 digits: the integral of s**2 / (1 + sqrt(1 + s**2)) over the slope s, 40 Gauss points.
    The values have 15 digits; 1e-12 is the error of a slope (1e-14) squared, with room for the sum."""
    nodes, weights = np.polynomial.legendre.leggauss(40)
    slope = row.ellipse.slope(row.x / 2 * (1 + nodes))
    extra = row.x / 2 * np.sum(weights * slope**2 / (1 + np.hypot(1, slope)))
    assert row.arc_minus_x is not None
    assert_allclose(extra, row.arc_minus_x, rtol=1e-12)


def test_axes_agree_with_values_of_20_digits() -> None:
    """60 digits. Of X1 the eccentricity is within 2e-7 of 1: 1 - e keeps eps / 1.5e-7 = 1.5e-9."""
    a, b, pole_x = N1.axes
    assert_allclose(a, 15.0, rtol=EPS)
    assert_allclose(b, 0.16970155457903680323, rtol=4 * EPS)
    assert_allclose(half_distance(N1), 14.999040015360098312, rtol=4 * EPS)
    assert_allclose(pole_x, 5.0003200153606226115, rtol=CLOSED_FORM)
    assert_allclose(N1.axis_tilt, 0.004000170674859033683, rtol=CLOSED_FORM)
    assert_allclose(N1.pole_radius, 1111.1377782257845802, rtol=CLOSED_FORM)
    a, b, _ = X1.axes
    assert_allclose(a, 23.2, rtol=EPS)
    assert_allclose(b, 0.012868547050875485672, rtol=4 * EPS)
    assert_allclose(half_distance(X1), 23.199996431044915129, rtol=4 * EPS)
    assert_allclose(1 - half_distance(X1) / a, 1.53834270899632652e-7, rtol=4e-9)
    assert_allclose(X1.axis_tilt, 0.0029482761644332726825, rtol=CLOSED_FORM)
    assert_allclose(X1.pole_radius, 264.36821264409454063, rtol=CLOSED_FORM)
    assert_allclose(S1.pole_radius, 500.0083334305565807, rtol=CLOSED_FORM)
    a, b, _ = L1.axes
    assert_allclose([a, b], [2.5, 1.2247448713915890491], rtol=4 * EPS)
    assert_allclose(half_distance(L1), 2.1794494717703367761, rtol=4 * EPS)
    assert_allclose(L1.pole_radius, 24 / 5, rtol=CLOSED_FORM)


# fmt: off
SERIES = [  # a2 ... a6
    pytest.param(N1, [4.4998920007775973339e-4, 1.1248920031103573434e-5, 9.1398994130283573651e-7,
                      5.4485184780793237658e-8, 4.3280221743032391251e-9], id="N1"),
    pytest.param(X1, [0.0018913015108708418476, 0.0023435587174166149121, 0.0036556493621147362915,
                      0.0063926753276406781096, 0.011981322665998560322], id="X1"),
    pytest.param(S1, [9.9998333341666646825e-4, 0.0, 9.9998333341666646825e-6, 0.0,
                      1.9999666668333329365e-7], id="S1"),
]
# fmt: on


@pytest.mark.parametrize(("ellipse", "coefficients"), SERIES)
def test_height_follows_its_power_series(ellipse: Ellipse, coefficients: list[float]) -> None:
    """z = a2 x**2 + ... + a6 x**6 + ..., 60 digits; published form: M. R. Howells et al., Opt. Eng. 39 (2000)
    2748 (cited from memory), and Goldberg 2022. The terms left out are a geometric series of ratio at most
    t = x / min(p, q) (the curve is singular at the ends): 2 t**5 of the whole."""
    q = min(ellipse.p, ellipse.q)
    for t in (1e-3, 3e-3, 1e-2, 3e-2):
        x = np.array([-t, t]) * q
        series = sum(a * x ** (k + 2) for k, a in enumerate(coefficients))
        assert_allclose(ellipse.height(x), series, rtol=CLOSED_FORM + 2 * t**5)


@pytest.mark.parametrize(("ellipse", "coefficients"), SERIES)
def test_pole_curvature_is_twice_the_first_coefficient(ellipse: Ellipse, coefficients: list[float]) -> None:
    """60 digits, as in the test before."""
    assert_allclose(ellipse.curvature(0.0), 2 * coefficients[0], rtol=1e-14)


@pytest.mark.parametrize("ellipse", ALL)
def test_curvature_at_the_pole_grows_by_the_cubic_and_quartic_terms(ellipse: Ellipse) -> None:
    """a3 = a2 cos(theta)/2 (1/q - 1/p), a4 = a2 [5/16 cos(theta)**2 (1/q - 1/p)**2 + 1/(4pq)] (sources as
    above), so z'' = 2 a2 + 6 a3 x + 12 a4 x**2 + ...; by odd and even differences over h = 1e-3 of the nearer
    distance. The next terms are (h/q)**2 = 1e-6 times a number below 20; the even difference has 1e-6 of the
    curvature left and keeps 16 eps / 1e-6 = 4e-9 of it."""
    p, q, c = ellipse.p, ellipse.q, np.cos(ellipse.theta)
    a2 = np.sin(ellipse.theta) * (p + q) / (4 * p * q)
    a3 = a2 * c / 2 * (1 / q - 1 / p)
    a4 = a2 * (5 / 16 * (c * (1 / q - 1 / p)) ** 2 + 1 / (4 * p * q))
    h = 1e-3 * min(p, q)
    left, middle, right = ellipse.curvature([-h, 0.0, h])
    assert_allclose((right - left) / (12 * h), a3, rtol=2e-5, atol=1e-12 * a2 / h)
    assert_allclose((right - 2 * middle + left) / (24 * h**2), a4, rtol=2e-5)


def test_partial_derivatives_of_the_height_agree_with_values_of_20_digits() -> None:
    """N1 at x = 2.25, 50 digits, by numerical differentiation of the exact root."""
    partials = N1.height_partials(2.25)
    expected = (-3.3851592725886192241e-5, -1.9436785424774303116e-4, 0.20277571313779355225)
    assert_allclose(partials, expected, rtol=1e-12)


# --- known ellipses -----------------------------------------------------------------------------------------


def test_rational_ellipse() -> None:
    """Semi-axes 5 and 4, foci at +-3: at (0, 4) p = q = 5, sin(theta) = 4/5, R = 25/4; at (3, 16/5), the end of
    the latus rectum, p = 34/5, q = 16/5, sin(theta) = 5/sqrt(34). Exact, by the focal radii a +- e x."""
    middle, rectum = Ellipse.from_axes(5.0, 4.0, 0.0), Ellipse.from_axes(5.0, 4.0, 3.0)
    assert_allclose((middle.p, middle.q, middle.theta), (5, 5, 0.92729521800161223243), rtol=CLOSED_FORM)
    assert_allclose(np.sin(middle.theta), 4 / 5, rtol=CLOSED_FORM)
    assert_allclose(middle.pole_radius, 25 / 4, rtol=CLOSED_FORM)
    assert_allclose((rectum.p, rectum.q, rectum.theta), (6.8, 3.2, 1.0303768265243124638), rtol=CLOSED_FORM)
    assert_allclose(np.sin(rectum.theta), 0.85749292571254418689, rtol=CLOSED_FORM)
    assert_allclose(rectum.pole_radius, 5.0752605292733495298, rtol=CLOSED_FORM)
    for ellipse in (middle, rectum):
        assert_allclose(half_distance(ellipse), 3, rtol=CLOSED_FORM)
        assert_allclose(ellipse.axes[:2], (5, 4), rtol=CLOSED_FORM)
    assert_allclose(rectum.axes.pole_x, 3, rtol=CLOSED_FORM)


class Quadrant(NamedTuple):
    """An ellipse with the pole where the tangent is at 45 degrees to the axes: the vertices have slopes -1, +1."""

    ellipse: Ellipse
    minor_vertex: float  # x of the end of the minor axis in the mirror frame
    major_vertex: float  # x of the end of the major axis on the image side


def quadrant(a: float, b: float) -> Quadrant:
    normal = a**2 / np.hypot(a, b)  # X of the pole; Y = -b**2 / hypot(a, b); tangent (1, 1) / sqrt(2)
    height = b**2 / np.hypot(a, b)
    return Quadrant(
        Ellipse.from_axes(a, b, float(normal)),
        float((-normal + height - b) / np.sqrt(2)),
        float((a - normal + height) / np.sqrt(2)),
    )


def test_earth_ellipsoid() -> None:
    """Geodetic Reference System 1980: H. Moritz, Bull. Geod. 54 (1980) 395, J. Geodesy 74 (2000) 128: 14 digits.
    Printed values within half of the last digit (the quarter arc within 1.5: copies differ in it), values
    with more digits, which follow from a and 1/f, within 1e-12."""
    a, b = 6378137.0, 6378137.0 * (1 - 1 / 298.257222101)
    ellipse, minor, major = quadrant(a, b)
    assert_allclose(ellipse.axes[:2], (a, 6356752.3141), rtol=0, atol=1e-4)
    assert_allclose(ellipse.axes.b, 6356752.31414035585, rtol=1e-12)
    assert_allclose(half_distance(ellipse), 521854.0097, rtol=0, atol=1e-4)
    # c is 0.08 of a, so the theta of the pole, near 90 degrees, magnifies roundings by (a/c)**2 = 150
    assert_allclose(half_distance(ellipse), 521854.009700252, rtol=1e-12)
    assert_allclose((half_distance(ellipse) / a) ** 2, 0.00669438002290078763, rtol=1e-12)
    assert_allclose((half_distance(ellipse) / b) ** 2, 0.00673949677547895824, rtol=1e-12)

    assert_allclose(ellipse.pole_radius, 6367381.815566521, rtol=1e-12)  # meridian radius at latitude 45 degrees
    assert_allclose(ellipse.slope([minor, major]), [-1, 1], rtol=1e-12)
    radii = (1 + 1) ** 1.5 / ellipse.curvature([minor, major])
    assert_allclose(radii, [6399593.6259, 6335439.3271], rtol=0, atol=1e-4)
    assert_allclose(radii, [6399593.625864023, 6335439.327083876], rtol=1e-12)

    quarter = arc(ellipse, minor, major)
    assert_allclose(quarter, 10001965.7293, rtol=0, atol=1.5e-4)
    assert_allclose(quarter, 10001965.7292304637, rtol=1e-12)
    assert_allclose(arc(ellipse, 0.0, major), 4984944.37785799662, rtol=1e-12)  # equator to latitude 45 degrees


def test_circumference_of_an_ellipse_with_semi_axes_5_and_3() -> None:
    """4 a E(m) with m = 16/25, the complete elliptic integral of the second kind, 25 digits. The 60 Gauss points
    have converged: the nearest singularity, the end of the curve, is farther than the piece is long / 4."""
    assert_allclose(4 * arc(*quadrant(5.0, 3.0)), 25.52699886339812846617866, rtol=1e-13)


def fit_conic(points: Array) -> Any:
    """Direct algebraic fit of an ellipse by skimage, which is not typed."""
    fitter: Any = EllipseModel
    return fitter.from_estimate(points)


def whole_ellipse(ellipse: Ellipse, count: int) -> Array:
    """Points all around, (2 count, 2): the lower half by `height`, the upper through the centre (a conic with
    two foci is centrally symmetric about their middle)."""
    first, last = ellipse.ends
    x = (first + last) / 2 + 0.999999 * (last - first) / 2 * np.cos(np.linspace(0, np.pi, count))
    lower = np.column_stack([x, ellipse.height(x)])
    source, image = ellipse.foci
    return np.vstack([lower, (source + image) - lower])


@pytest.mark.parametrize("ellipse", [L1, Ellipse(5.0, 5.0, 0.5), Ellipse(1.0, 7.0, 0.2)])
def test_a_general_ellipse_fitter_recovers_the_axes_of_the_whole_curve(ellipse: Ellipse) -> None:
    """skimage.measure.EllipseModel (direct algebraic fit of a conic): it squares its design matrix, whose
    condition number grows as (a/b)**2 < 60; 60**2 eps = 1e-12."""
    model = fit_conic(whole_ellipse(ellipse, 100))
    source, image = ellipse.foci
    assert_allclose(model.axis_lengths, ellipse.axes[:2], rtol=1e-11)
    assert_allclose(model.center, (source + image) / 2, rtol=1e-11, atol=1e-11)
    # the same line, whichever of its two directions
    assert_allclose(np.sin(model.theta + ellipse.axis_tilt), 0, atol=1e-11)


def test_a_general_ellipse_fitter_recovers_the_axes_from_one_mirror() -> None:
    """A conic in the plane has five degrees of freedom, as has an unsegmented mirror (p, q, theta and the pose).
    skimage.measure.EllipseModel on the arc alone: L1 to about 3e-13; N1, whose sagitta is 1/500 of its length,
    loses two digits more (3e-11 m of 15 m)."""
    x = np.linspace(-2.0, 1.7, 200)
    model = fit_conic(np.column_stack([x, L1.height(x)]))
    assert_allclose(model.axis_lengths, [2.5, 1.2247448713915890491], rtol=1e-11)
    assert_allclose(model.center, [-0.4330127018922193, 1.25], rtol=1e-11)
    assert_allclose(np.sin(model.theta + 0.11496092050070644), 0, atol=1e-11)

    x = np.linspace(-4.5, 4.5, 181)
    model = fit_conic(np.column_stack([x, N1.height(x)]))
    assert_allclose(model.axis_lengths, [15.0, 0.16970155457903680323], rtol=1e-9)


# --- limits -------------------------------------------------------------------------------------------------


def test_parabola_is_the_limit_of_an_infinite_distance() -> None:
    """p = 10 m, theta = 0.01, q infinite and 1e9 m, 60 digits."""
    x = np.array([-3.0, 2.0, 5.0])
    parabola, nearly = Ellipse(10.0, np.inf, 0.01), Ellipse(10.0, 1e9, 0.01)
    expected = [0.002667924184365568148027, 9.109657836104917834277e-4, 0.005050987881718978472626]
    assert_allclose(parabola.height(x), expected, rtol=4 * EPS)
    expected = [0.00266792420668734752894, 9.109657935895879651505e-4, 0.005050987943580386450063]
    assert_allclose(nearly.height(x), expected, rtol=4 * EPS)


def test_parabola_has_its_focus_and_directrix() -> None:
    """r1 = p + x cos(theta) + z sin(theta): as far from the focus as from the directrix, which is perpendicular
    to the outgoing beam (cos(theta), sin(theta)); and it leaves every ray in that direction."""
    parabola = Ellipse(10.0, np.inf, 0.3)
    x = np.linspace(-9.0, 30.0, 40)
    z, slope = parabola.height(x), parabola.slope(x)
    c, s = np.cos(0.3), np.sin(0.3)
    r1 = np.hypot(x + 10 * c, z - 10 * s)
    assert_allclose(r1, 10 + x * c + z * s, rtol=CLOSED_FORM)
    assert_allclose(parabola.distances(x)[0], r1, rtol=4 * EPS)
    assert np.all(np.isinf(parabola.distances(x)[1]))
    # the grazing angle of the outgoing beam; some eps of an angle below 1 rad
    assert_allclose(parabola.grazing_angle(x), 0.3 - np.arctan(slope), rtol=CLOSED_FORM, atol=4 * EPS)
    assert_allclose(parabola.ends, (-10 / c, np.inf), rtol=4 * EPS)
    assert_allclose(parabola.pole_radius, 20 / s, rtol=4 * EPS)


def test_partial_derivatives_of_the_parabola() -> None:
    """The parabola is (x s - z c)**2 = 4 p s z; its root, differentiated numerically with 50 digits."""

    def height(x: Any, p: Any, theta: Any) -> Any:
        s, c = mpmath.sin(theta), mpmath.cos(theta)
        b = x * s * c + 2 * p * s
        return (x * s) ** 2 / (b + mpmath.sqrt(b * b - (x * s * c) ** 2))

    parabola = Ellipse(10.0, np.inf, 0.02)
    for x in (-8.0, -1.0, 3.0):
        heights, slopes = parabola.height_partials(x), parabola.slope_partials(x)
        with mpmath.workdps(50):
            at = (mpmath.mpf(x), mpmath.mpf(10), mpmath.mpf(0.02))
            expected = [float(mpmath.diff(height, at, n)) for n in ((0, 1, 0), (0, 0, 1), (1, 1, 0), (1, 0, 1))]
        assert_allclose([heights.p, heights.theta, slopes.p, slopes.theta], expected, rtol=1e-12)
        assert heights.q == 0
        assert slopes.q == 0


@pytest.mark.parametrize("name", ["axes", "axis_tilt"])
def test_a_parabola_has_no_axes(name: str) -> None:
    with pytest.raises(ParameterError, match="parabola"):
        getattr(Ellipse(np.inf, 3.0, 0.01), name)


def test_circle_is_the_limit_of_normal_incidence() -> None:
    """p = q = 2 m and theta next below pi/2: z(0.7) = 2 - sqrt(3.51). cos(theta) = 3e-16 and p - q = 0 leave
    no trace of the difference."""
    circle = Ellipse(2.0, 2.0, float(np.nextafter(np.pi / 2, 0)))
    assert_allclose(circle.height([-0.7, 0.7]), 0.1265006004804805382459, rtol=4 * EPS)
    assert_allclose(circle.ends, (-2, 2), rtol=4 * EPS)


# --- the same curve from another pole -----------------------------------------------------------------------


def test_moving_the_pole_keeps_the_ellipse() -> None:
    """N1 seen from x = 2.25 m: new p, q, theta with 20 digits; a, b and c are the same."""
    r1, r2 = N1.distances(2.25)
    moved = Ellipse(float(r1), float(r2), float(N1.grazing_angle(2.25)))
    expected = (22.249828268388683214, 7.7501717316113167862, 0.012923463341410353088)
    assert_allclose((moved.p, moved.q, moved.theta), expected, rtol=1e-14)
    assert_allclose(moved.axes.a, 15.0, rtol=1e-14)
    assert_allclose(half_distance(moved), 14.99904001536009831153, rtol=1e-14)
    assert_allclose(moved.axes.b, 0.1697015545790368032287, rtol=1e-13)


@pytest.mark.parametrize("share", [-0.7, -0.2, 0.4, 0.8])
@pytest.mark.parametrize("ellipse", ALL)
def test_moving_the_pole_keeps_the_foci(ellipse: Ellipse, share: float) -> None:
    """The foci of the new triple, carried back from the tangent at x to the frame of the old pole, are the old
    ones. theta(x) is good to 1e-14, which at p + q is the tolerance."""
    first, last = ellipse.ends
    x = share * (last if share > 0 else -first)
    r1, r2 = ellipse.distances(x)
    moved = Ellipse(float(r1), float(r2), float(ellipse.grazing_angle(x)))
    tilt = np.arctan(ellipse.slope(x))
    turn = np.array([[np.cos(tilt), -np.sin(tilt)], [np.sin(tilt), np.cos(tilt)]])
    for old, new in zip(ellipse.foci, moved.foci, strict=True):
        back = turn @ new + np.array([x, float(ellipse.height(x))])
        assert_allclose(back, old, rtol=0, atol=1e-14 * (ellipse.p + ellipse.q))


# --- properties of every ellipse ----------------------------------------------------------------------------


def ellipses() -> st.SearchStrategy[Ellipse]:
    """Distances 0.1 to 1000 m, grazing angles 0.1 to 500 mrad, log-uniform."""
    distance = st.floats(-1, 3).map(lambda power: 10**power)
    angle = st.floats(-4, np.log10(0.5)).map(lambda power: 10**power)
    return st.builds(Ellipse, distance, distance, angle)


# of the way from the pole to the nearer focus; below 1e-12, squared, the heights would be subnormal numbers
shares = st.floats(-0.95, 0.95).filter(lambda share: share == 0 or abs(share) > 1e-12)


@given(ellipse=ellipses(), share=shares)
def test_distances_to_the_foci_add_up(ellipse: Ellipse, share: float) -> None:
    """r1 + r2 = p + q, the definition, with the foci written out. Positions of foci and points are rounded to
    eps / 2 of at most p + q each, four of them."""
    p, q, theta = ellipse.p, ellipse.q, ellipse.theta
    x = share * min(p, q)
    z = ellipse.height(x)
    r1 = np.hypot(x + p * np.cos(theta), z - p * np.sin(theta))
    r2 = np.hypot(x - q * np.cos(theta), z - q * np.sin(theta))
    assert_allclose(r1 + r2, p + q, rtol=4 * EPS)
    assert_allclose(ellipse.distances(x), (r1, r2), rtol=0, atol=4 * EPS * (p + q))


@given(ellipse=ellipses(), share=shares)
def test_rays_leave_at_the_angle_they_came_with(ellipse: Ellipse, share: float) -> None:
    """Law of reflection: the sines of both rays against the tangent are equal, and are the stated grazing angle.

    A ray's direction is known to 2 eps of (x, z) and the focus, both at most max(p, q, |x|), over its length,
    which stays above 1/20 of the focal distance: 100 eps.
    """
    x = share * min(ellipse.p, ellipse.q)
    z, slope = ellipse.height(x), ellipse.slope(x)
    (x1, z1), (x2, z2) = ellipse.foci
    sines = []
    for u, w in ((x - x1, z - z1), (x2 - x, z2 - z)):
        sines.append(abs(u * slope - w) / np.hypot(1, slope) / np.hypot(u, w))
    stated = np.sin(ellipse.grazing_angle(x))
    assert_allclose(sines, stated, rtol=100 * EPS, atol=100 * EPS)


@given(ellipse=ellipses(), share=shares)
def test_reversing_the_beam_mirrors_the_curve(ellipse: Ellipse, share: float) -> None:
    """z(x; p, q) = z(-x; q, p): the ellipse does not know which focus is the source."""
    x = share * min(ellipse.p, ellipse.q)
    back = Ellipse(ellipse.q, ellipse.p, ellipse.theta)
    assert_allclose(back.height(-x), ellipse.height(x), rtol=CLOSED_FORM)
    assert_allclose(back.slope(-x), -ellipse.slope(x), rtol=CLOSED_FORM)
    assert_allclose(back.curvature(-x), ellipse.curvature(x), rtol=CLOSED_FORM)
    p, q, theta = ellipse.height_partials(x)
    assert_allclose(back.height_partials(-x), (q, p, theta), rtol=1e-12)
    assert_allclose(back.ends, (-ellipse.ends[1], -ellipse.ends[0]), rtol=CLOSED_FORM)


@given(ellipse=ellipses(), share=shares, factor=st.floats(0.01, 100))
def test_a_larger_ellipse_is_the_same_ellipse_larger(ellipse: Ellipse, share: float, factor: float) -> None:
    """z is homogeneous of degree 1 in x, p, q: so is the definition. Scaled inputs are rounded by eps / 2, which
    the way to the nearer focus (5 % left) and the curvature's W**(-3/2) magnify 30 times."""
    x = share * min(ellipse.p, ellipse.q)
    larger = Ellipse(factor * ellipse.p, factor * ellipse.q, ellipse.theta)
    assert_allclose(larger.height(factor * x), factor * ellipse.height(x), rtol=64 * EPS)
    assert_allclose(larger.slope(factor * x), ellipse.slope(x), rtol=64 * EPS)
    assert_allclose(larger.curvature(factor * x), ellipse.curvature(x) / factor, rtol=64 * EPS)


@given(ellipse=ellipses(), share=shares)
def test_height_partials_satisfy_eulers_theorem(ellipse: Ellipse, share: float) -> None:
    """x z' + p dz/dp + q dz/dq = z, Euler's theorem for the homogeneous height. The sum runs over terms that may
    be 20 times larger than z near the focus: 20 * 20 eps of the largest."""
    x = share * min(ellipse.p, ellipse.q)
    partials = ellipse.height_partials(x)
    terms = np.array([x * ellipse.slope(x), ellipse.p * partials.p, ellipse.q * partials.q])
    assert_allclose(terms.sum(), ellipse.height(x), rtol=0, atol=400 * EPS * np.abs(terms).max())


@given(ellipse=ellipses())
def test_axes_lead_back_to_the_ellipse(ellipse: Ellipse) -> None:
    """from_axes(axes) is the identity. The shorter of p and q is a - e |pole_x|, a difference: eps is magnified
    by (p + q) / min(p, q), once in p and q and once under the root of theta."""
    again = Ellipse.from_axes(*ellipse.axes)
    magnified = CLOSED_FORM * (ellipse.p + ellipse.q) / min(ellipse.p, ellipse.q)
    assert_allclose((again.p, again.q, again.theta), (ellipse.p, ellipse.q, ellipse.theta), rtol=magnified)


def test_curve_touches_its_tangent_at_the_pole() -> None:
    """By definition of the frame: exactly 0, not nearly."""
    assert N1.height(0.0) == 0
    assert N1.slope(0.0) == 0
    assert N1.grazing_angle(0.0) == pytest.approx(N1.theta, rel=4 * EPS)
    assert_allclose(N1.distances(0.0), (20, 10), rtol=EPS)


@pytest.mark.parametrize("name", ["height", "slope", "curvature", "grazing_angle"])
def test_results_have_the_shape_of_x(name: str) -> None:
    x = np.linspace(-1, 1, 6)
    whole = getattr(N1, name)(x)
    assert whole.shape == (6,)
    assert whole.dtype == np.float64
    assert_allclose([float(getattr(N1, name)(float(at))) for at in x], whole, rtol=EPS)
    assert_allclose(getattr(N1, name)(list(x)), whole, rtol=EPS)


# --- what is refused ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "value"), [
    ("p", 0.0), ("p", -1.0), ("p", np.nan), ("p", -np.inf),
    ("q", 0.0), ("q", -1.0), ("q", np.nan), ("q", -np.inf),
    ("theta", 0.0), ("theta", -0.01), ("theta", np.pi / 2), ("theta", 12.0), ("theta", np.nan), ("theta", np.inf),
])  # fmt: skip
def test_a_parameter_out_of_range_is_named(name: str, value: float) -> None:
    """The text begins with the argument and ends with, or holds, what was received."""
    with pytest.raises(ParameterError, match=rf"^{name} must be .*got {value!r}") as caught:
        Ellipse(**{"p": 20.0, "q": 10.0, "theta": 0.012, name: value})
    assert isinstance(caught.value, EllipsefitError)
    assert isinstance(caught.value, ValueError)


def test_two_infinite_distances_are_refused() -> None:
    with pytest.raises(ParameterError, match=r"^p and q must not both be infinite"):
        Ellipse(np.inf, np.inf, 0.012)


METHODS = ["height", "slope", "curvature", "distances", "grazing_angle", "height_partials", "slope_partials"]


@pytest.mark.parametrize("name", METHODS)
@pytest.mark.parametrize("beyond", [np.nan, 1e6, -1e6, "first", "last"])
def test_a_position_beyond_the_ellipse_is_named(name: str, beyond: float | str) -> None:
    """One bad point among good ones is enough; 1e-12 beyond an end is beyond, 1e-12 before it is not."""
    first, last = N1.ends
    outside = {"first": first * (1 + 1e-12), "last": last * (1 + 1e-12)}
    x = outside[beyond] if isinstance(beyond, str) else beyond
    with pytest.raises(ParameterError, match=f"^{re.escape(f'x = {x:.6g} m')} lies beyond the ellipse"):
        getattr(N1, name)(np.array([0.0, x, 1.0]))
    with pytest.raises(ParameterError, match=f"^{re.escape(f'x = {x:.6g} m')} "):
        getattr(N1, name)(x)
    assert np.all(np.isfinite(getattr(N1, name)(np.array([first, last]) * (1 - 1e-12))))


@pytest.mark.parametrize("x", [-10.1, -1e3, np.nan])
def test_a_position_beyond_the_parabola_is_named(x: float) -> None:
    with pytest.raises(ParameterError, match=f"^{re.escape(f'x = {x:.6g} m')} lies beyond"):
        Ellipse(10.0, np.inf, 0.01).height(x)


@pytest.mark.parametrize(("a", "b", "pole_x"), [
    (4.0, 5.0, 0.0), (5.0, 0.0, 0.0), (5.0, -4.0, 0.0), (5.0, 4.0, 5.0), (5.0, 4.0, -6.0),
    (np.nan, 4.0, 0.0), (5.0, np.nan, 0.0), (5.0, 4.0, np.nan),
])  # fmt: skip
def test_axes_that_are_none_are_refused(a: float, b: float, pole_x: float) -> None:
    with pytest.raises(ParameterError, match=rf"got a = {a!r}, b = {b!r}, pole_x = {pole_x!r}"):
        Ellipse.from_axes(a, b, pole_x)
