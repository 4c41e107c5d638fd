"""Whether the measured curve can be that of the nominal ellipse: its size, and how it bends along x.

Every segment may stand at any height and tilt, so what is compared is each segment's curve less its line (of slopes,
less its mean). How the segments' lines lie to one another is a second witness: they are aligned to some tens of
microradians, while a wrong curve makes milliradians of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from scipy.special import ndtr, ndtri

from ellipsefit.arrays import FloatArray
from ellipsefit.checks.suspicion import CHANCE, Suspicion, chance_of, enough
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.mirror import Mirror
from ellipsefit.profile import PlacedProfile, Quantity
from ellipsefit.rows import number

#: A curvature that is off by more than this share is none that a shop delivers (common practice: below 0.01).
USUAL: Final = 0.1
#: Beyond this factor no reading makes a mirror of it.
NONE: Final = 1.5
#: Tilt of a segment [rad] and relative error of its curvature as one usually finds them, each worth `WORTH` segments.
USUAL_TILT: Final = 50e-6
USUAL_BEND: Final = 5e-3
WORTH: Final = 4
#: Spread of the segments' tilts [rad], and as a share of that of the nominal curve, that no alignment leaves.
MISALIGNED: Final = (500e-6, 0.3)
#: Form that no shop leaves in most segments of a mirror, rms, of heights [m] and slopes [rad] (common practice: a
#: tenth of it and less).
MISSHAPEN: Final = {"height": 2e-6, "slope": 30e-6}
#: Values of a segment's error that count as independent, at most.
INDEPENDENT: Final = 5
#: What a curvature so many times the nominal one comes from.
FACTORS: Final = {
    "height": (
        (2.0, "the wavefront's error, which is twice the surface's"),
        (25.4, "millimetres read as inches"),
        (1 / 25.4, "inches read as millimetres"),
    ),
    "slope": (
        (2.0, "the ray's angle, which is twice the surface's"),
        (4.848136811, "microradians read as arc seconds"),
        (1 / 4.848136811, "arc seconds read as microradians"),
        (np.pi / 180 * 1e3, "milliradians read as degrees"),
        (1 / (np.pi / 180 * 1e3), "degrees read as milliradians"),
    ),
}
#: The same for both.
POWERS: Final = (
    (0.5, "half of the surface's error"),
    (10.0, "a unit ten times too large"),
    (0.1, "a unit ten times too small"),
    (1e3, "a unit a thousand times too large"),
    (1e-3, "a unit a thousand times too small"),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curves:
    """The segments' curves less their lines, and the lines; J measured segments.

    `ideal` is the nominal curve and `mirrored` the same seen from the other end (None: the ellipse does not reach as
    far there), both at the measured points.
    """

    mirror: Mirror
    quantity: Quantity
    numbers: tuple[int, ...]
    measured: tuple[FloatArray, ...]  # each (n,), less its line
    ideal: tuple[FloatArray, ...]
    mirrored: tuple[FloatArray, ...] | None
    line: FloatArray  # (J,) measured slope of each segment [rad]
    ideal_line: FloatArray  # (J,)
    mirrored_line: FloatArray | None

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the measured segments."""
        return tuple(self.mirror.segments[number].name for number in self.numbers)

    @property
    def ratio(self) -> FloatArray:
        """Measured over nominal curve of each segment, by least squares, shape (J,)."""
        return np.array([_ratio(curve, ideal) for curve, ideal in zip(self.measured, self.ideal, strict=True)])

    @property
    def bend(self) -> FloatArray:
        """Size of the nominal curve of each segment over its length squared (of slopes, over its length), shape (J,).

        That is its curvature, but for a factor that is the same for segments alike.
        """
        power = 2 if self.quantity == "height" else 1
        length = np.array([self.mirror.segments[number].length for number in self.numbers])
        size = np.array([np.sqrt(np.mean(curve**2)) for curve in self.ideal])
        return np.asarray(size / length**power)


def segment_curves(placed: PlacedProfile) -> Curves:
    """Each segment's curve and line, of a profile on its mirror."""
    nominal = placed.mirror.nominal
    heights = placed.quantity == "height"
    exchanged = _exchanged(nominal, placed.x)
    found: list[tuple[FloatArray, ...]] = []
    lines: list[tuple[float, ...]] = []
    shapes = [nominal] if exchanged is None else [nominal, exchanged]
    for segment in placed.measured:
        part = placed.part(segment)
        x = placed.x[part]
        values = np.stack(
            [placed.values[part], *(ellipse.height(x) if heights else ellipse.slope(x) for ellipse in shapes)]
        )
        centred = values - values.mean(axis=1, keepdims=True)
        lever = x - x.mean()
        if heights:
            line = centred @ lever / float(lever @ lever)
            centred = centred - line[:, None] * lever
        else:
            line = values.mean(axis=1)
        found.append(tuple(centred))
        lines.append(tuple(float(value) for value in line))
    columns = np.array(lines).T
    return Curves(
        mirror=placed.mirror,
        quantity=placed.quantity,
        numbers=placed.measured,
        measured=tuple(curves[0] for curves in found),
        ideal=tuple(curves[1] for curves in found),
        mirrored=None if exchanged is None else tuple(curves[2] for curves in found),
        line=columns[0],
        ideal_line=columns[1],
        mirrored_line=None if exchanged is None else columns[2],
    )


def check_size(curves: Curves) -> list[Suspicion]:
    """Whether the curvature is the nominal one: a wrong sign, unit or quantity, or the heights of another mirror."""
    ratio, stderr = curves.ratio, _ratio_stderr(curves)
    count = len(ratio)
    middle = float(np.median(ratio))
    # between segments, too, it scatters: by form, and by what an ellipse nearby does
    spread = 1.4826 * float(np.median(np.abs(ratio - middle))) if count > 3 else 0.0
    sure = float(-ndtri(CHANCE / 2 / count))
    error = np.hypot(stderr, spread)
    of_middle = float(np.hypot(np.median(stderr), spread)) * np.sqrt(np.pi / 2 / count)
    hidden = of_middle * sure > 0.5
    if hidden and not _misshapen(curves, ratio, sure * stderr):  # so flat that its own errors hide the curve
        return []
    off = np.abs(ratio - 1) > USUAL + sure * error
    no_curve = (np.abs(ratio - middle) > 0.3 * max(abs(middle), 1.0) + sure * stderr).mean() > 0.5
    where = f"of mirror '{curves.mirror.name}'"
    if hidden or no_curve or (abs(middle) < 0.02 + sure * of_middle and of_middle * sure < 0.1):
        return [
            Suspicion(
                kind="not this curve",
                text=f"the {curves.quantity}s don't follow the curve {where}: segment by segment they bend "
                f"{ratio.min():.2g} to {ratio.max():.2g} times as much; expected {curves.quantity}s of this mirror "
                "(heights and slopes confused, another mirror's file, or x in another order?)",
                refused=True,
            )
        ]
    excess = abs(middle - 1) - USUAL - sure * of_middle
    if excess <= 0:
        return [] if not off.any() else _single_sizes(curves, ratio, off, middle, error)
    known = (*FACTORS[curves.quantity], *POWERS)
    hint = next((f"; it looks like {words}" for factor, words in known if abs(middle / factor - 1) < USUAL), "")
    refused = not 1 / NONE < middle < NONE
    p_value = float(2 * count * ndtr((USUAL - abs(middle - 1)) / max(of_middle, 1e-300)))
    return [
        Suspicion(
            kind="sign" if middle < 0 else "unit" if hint else "other mirror",
            text=f"the surface is curved {middle:.3g} times as much as the nominal ellipse {where}{hint}; expected the "
            f"unit of {curves.quantity} as it is in the header, and the p, q and theta of this mirror",
            p_value=min(p_value, 1.0),
            refused=refused,
        )
    ]


def _misshapen(curves: Curves, ratio: FloatArray, sure: FloatArray) -> bool:
    """Whether most segments are bent by more than form does, each sure by itself, and none as another: no factor."""
    sizes = np.array([np.sqrt(np.mean(curve**2)) for curve in curves.ideal])
    off = np.abs(ratio - 1)
    return bool(((off > USUAL + sure) & (off * sizes > MISSHAPEN[curves.quantity])).mean() > 0.5)


def _single_sizes(
    curves: Curves, ratio: FloatArray, off: np.ndarray[tuple[int], np.dtype[np.bool_]], middle: float, error: FloatArray
) -> list[Suspicion]:
    """Segments that alone have another curvature; told only among enough others."""
    if len(ratio) < 5:
        return []
    found = []
    for row in np.flatnonzero(off):
        others = np.delete(ratio, row)
        scatter = float(np.hypot(np.std(others, ddof=1), error[row] / np.sqrt(2)))
        if abs(ratio[row] - np.median(others)) > max(USUAL, 8 * scatter):
            name = curves.names[row]
            found.append(
                Suspicion(
                    kind="segment replaced",
                    where=(name,),
                    text=f"segment {name} alone is curved {ratio[row] / middle:.3g} times as much as the nominal "
                    "ellipse there; check whether it belongs to this place and whether its data have the unit of the "
                    "others",
                )
            )
    return found if len(found) <= len(ratio) // 3 else []


def check_lines(curves: Curves) -> list[Suspicion]:
    """Whether the segments lie to one another as on the nominal ellipse: most of them, nearly."""
    if len(curves.numbers) < 3:
        return []
    tilt = curves.line - curves.ideal_line
    spread = 1.4826 * float(np.median(np.abs(tilt - np.median(tilt))))
    wanted = float(np.std(curves.ideal_line))
    if spread < max(MISALIGNED[0], MISALIGNED[1] * wanted):
        return []
    return [
        Suspicion(
            kind="not this curve",
            text=f"the segments are tilted by {number(spread, 'angle')} against one another where the whole mirror "
            f"'{curves.mirror.name}' turns by {number(float(np.ptp(curves.ideal_line)), 'angle')}; expected "
            f"{curves.quantity}s of this mirror (heights and slopes confused, or another mirror's file?)",
        )
    ]


def check_ends(curves: Curves) -> tuple[list[Suspicion], bool]:
    """Whether the curve runs along x as the nominal one does, or as that seen from the other end.

    Returns
    -------
    list of Suspicion
    bool
        Whether the data can tell; for p = q nobody can.
    """
    if curves.mirrored is None or curves.mirrored_line is None:
        return [], False
    gain = 0.0
    forward, backward = (_left(curves.measured, shape) for shape in (curves.ideal, curves.mirrored))
    best = min((forward, backward), key=_square)
    weight = min(_independent(best), INDEPENDENT * len(curves.numbers))
    gain += weight / 2 * float(np.log(_square(forward) / max(_square(backward), 1e-300)))
    if len(curves.numbers) > 1:
        gain += spread_gain(curves.line - curves.ideal_line, curves.line - curves.mirrored_line, USUAL_TILT)
    needed = enough(1)
    if gain < needed:
        return [], gain < -needed
    return [
        Suspicion(
            kind="x reversed, or p and q exchanged",
            text=f"along x the curve changes as the nominal ellipse of mirror '{curves.mirror.name}' does seen from "
            "the other end: x runs the other way (check x_direction and the order of the scan), or source_distance and "
            "image_distance are exchanged in the mirror file",
            p_value=chance_of(gain, 1),
        )
    ], True


#: An ellipse that is off by more than this share of p, q or theta, and by so many times what the mirror file allows
#: for, is none that was ordered.
OTHER: Final = 0.02
TOLERANCES: Final = 5.0
#: Standard uncertainties, enlarged as for 95 %, of which so much must be beyond doubt.
DOUBT: Final = 2.5


def check_ellipse(mirror: Mirror, found: Ellipse, expanded: Mapping[str, float]) -> list[Suspicion]:
    """Whether the ellipse that was found can be the one that was ordered.

    Parameters
    ----------
    mirror : Mirror
    found : Ellipse
    expanded : mapping
        Uncertainties of p [m], q [m] and theta [rad] with a coverage of 95 %; those that were held are not in it.
    """
    nominal, tolerance = mirror.nominal, mirror.tolerance
    allowed = {"p": tolerance.source_distance, "q": tolerance.image_distance, "theta": tolerance.grazing_angle}
    far = []
    for name, sure in expanded.items():
        value, wanted = getattr(found, name), getattr(nominal, name)
        room = max(OTHER * abs(wanted), TOLERANCES * (allowed[name] or 0.0))
        if abs(value - wanted) > room + DOUBT * sure:
            far.append(name)
    if not far:
        return []
    kinds: dict[str, Literal["length", "angle"]] = {"p": "length", "q": "length", "theta": "angle"}
    words = ", ".join(
        f"{name} is {number(getattr(found, name), kinds[name], digits=4)} where the mirror file has "
        f"{number(getattr(nominal, name), kinds[name], digits=4)}"
        for name in far
    )
    text = f"{words}: more than a shop misses it by; expected the mirror file of the mirror that was measured"
    if {"p", "q"} <= set(expanded):
        moved, against = found.p - nominal.p, found.q - nominal.q
        if abs(moved + against) < 0.1 * abs(moved) + expanded["p"] + expanded["q"] and "theta" not in far:
            text = f"{words}: as if x had another origin by {-moved * 1e3:+.3g} mm; check x_offset and its sign"
            return [Suspicion(kind="x shifted", text=text)]
    return [Suspicion(kind="other mirror", text=text)]


def spread_gain(before: FloatArray, after: FloatArray, usual: float) -> float:
    """Logarithm of the likelihood ratio of two sets of values, each normal about its mean with an unknown spread.

    Of that spread is known beforehand that it is about `usual`, as from `WORTH` values (an inverse gamma prior).
    """
    known = WORTH * usual**2
    one, other = (float(np.sum((values - values.mean()) ** 2)) + known for values in (before, after))
    return (len(before) - 1 + WORTH) / 2 * float(np.log(one / other))


def _exchanged(nominal: Ellipse, x: FloatArray) -> Ellipse | None:
    """The ellipse seen from the other end, if it reaches as far as the points."""
    try:
        found = Ellipse(nominal.q, nominal.p, nominal.theta)
    except ParameterError:
        return None
    first, last = found.ends
    return found if first < float(x.min()) and float(x.max()) < last else None


def _ratio(curve: FloatArray, ideal: FloatArray) -> float:
    square = float(ideal @ ideal)
    return float(ideal @ curve) / square if square > 0 else 0.0


def _ratio_stderr(curves: Curves) -> FloatArray:
    """Standard error of each segment's ratio, its error taken for correlated: few values of it are independent."""
    found = []
    for curve, ideal in zip(curves.measured, curves.ideal, strict=True):
        rest = curve - _ratio(curve, ideal) * ideal
        weight = min(_independent([rest]), INDEPENDENT)
        found.append(np.sqrt(float(rest @ rest) / max(float(ideal @ ideal), 1e-300) / max(weight, 1.0)))
    return np.array(found)


def _left(measured: tuple[FloatArray, ...], shape: tuple[FloatArray, ...]) -> list[FloatArray]:
    """Measured less the shape, of one size for all."""
    both = sum(float(a @ b) for a, b in zip(measured, shape, strict=True))
    square = sum(float(b @ b) for b in shape)
    size = both / square if square > 0 else 0.0
    return [a - size * b for a, b in zip(measured, shape, strict=True)]


def _square(parts: list[FloatArray]) -> float:
    return sum(float(part @ part) for part in parts)


def _independent(parts: list[FloatArray]) -> float:
    """How many independent values these are worth: N over 1 + 2 sum of autocorrelations, up to the first that is none.

    G. E. P. Box, G. M. Jenkins, Time Series Analysis (1970), ch. 2: the variance of a mean of correlated values.
    """
    count = sum(len(part) for part in parts)
    square = _square(parts)
    if square <= 0:
        return float(count)
    most = max(min(len(part) for part in parts) // 2, 1)
    total = np.zeros(most)
    for part in parts:
        size = 2 ** int(np.ceil(np.log2(2 * len(part))))
        total += np.fft.irfft(np.abs(np.fft.rfft(part, size)) ** 2, size)[:most]
    correlation = total / square
    gone = np.flatnonzero(correlation < 2 / np.sqrt(count))
    reach = int(gone[0]) if len(gone) else most
    return float(count / (1 + 2 * correlation[1:reach].sum()))
