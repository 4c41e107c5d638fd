"""A segment's own form as its fingerprint: what was measured now against what was measured before.

Height, tilt and all up to the third power of x change with how a segment stands, rests and is warm, and with where it
stands on the ellipse; what is left is its own, and stays. The difference of two measurements of one segment is their
noise, and what stitching left open; that of two segments has the variance of both their forms. Noise is told from third
differences, in which a smooth form is next to nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.special import chdtr, ndtri

from ellipsefit.arrays import BoolArray, FloatArray
from ellipsefit.checks.suspicion import CHANCE, Suspicion, chance_of, enough
from ellipsefit.outliers import NORMAL_MAD
from ellipsefit.profile import PlacedProfile

#: Highest power of x that is no fingerprint, of heights; of slopes one less.
COMMON: Final = 3
#: Fewest independent values of a segment's form that make a fingerprint.
FEWEST: Final = 1.5
#: Probability that one of so many other forms looks like this one by chance below which it is named.
NAMED: Final = 0.01
#: Share of the forms' variance that may differ between two measurements of one surface, noise apart, and still be one:
#: a third of its amplitude.
ONE: Final = 0.1
#: Where noise leaves no better limit than this share, forms don't tell.
HIDDEN: Final = 0.35
#: Half waves over a segment by which forms are told, whichever tell most.
WAVES: Final = (16, 32, 64, 128)
#: Furthest shift that is looked for [m], and as a share of a segment.
FURTHEST: Final = (30e-3, 0.2)
#: Standard uncertainties of the two origins of x that are allowed for.
SURE: Final = 4.0
#: Noise that is repeated to so small a share of its variance was measured once.
REPEATED: Final = 0.02
#: The same where no uncertainty is stated, and the surface's own roughness might repeat.
REPEATED_UNSTATED: Final = 1e-4
#: Difference over its stated standard deviation below which two measurements are one.
TOO_GOOD: Final = 0.3
#: Points in common that tell.
LEAST_POINTS: Final = 30


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prints:
    """Fingerprints of the segments that were measured both times, on one grid about each middle.

    `now` and `then` have a row for each of the J segments.
    """

    names: tuple[str, ...]
    sign: float  # with which a form enters that is seen from the other end: of slopes, -1
    step: float  # of the grid [m]
    now: FloatArray  # (J, n)
    then: FloatArray  # (J, n)
    noise: float  # variance of a point of their difference, if the surface is one
    form: float  # the same if it is two, less that
    freedom: float  # degrees of freedom of a row: its squares over that are a variance
    independent: float  # values of a row that are

    @property
    def sure(self) -> float:
        """Share of the forms' variance that noise alone takes for a difference, hardly ever more."""
        return float(-ndtri(CHANCE / len(self.names)) * np.sqrt(2 / self.freedom) * self.noise / self.form)


def check_earlier(now: PlacedProfile, then: PlacedProfile, when: str) -> list[Suspicion]:
    """Whether each segment shows the form that it had in an earlier measurement of the same mirror.

    Parameters
    ----------
    now, then : PlacedProfile
        On mirrors with the same segments.
    when : str
        What the earlier one is called, such as 'round 2'.
    """
    if now.quantity != then.quantity:
        return []
    prints = _prints(now, then)
    if prints is None or prints.independent < FEWEST:
        return []
    return _judge(prints, when, now.mirror.measurement.x_uncertainty)


def _judge(prints: Prints, when: str, x_uncertainty: float) -> list[Suspicion]:
    count = len(prints.names)
    limit = max(ONE, prints.sure)
    usual = _apart(prints, prints.then)
    turned = _apart(prints, prints.sign * prints.then[:, ::-1])
    same, mirrored = float(np.median(np.diag(usual))), float(np.median(np.diag(turned[:, ::-1])))
    if mirrored < limit < same and count > 2:
        return [
            Suspicion(
                kind="x reversed, or p and q exchanged",
                text=f"the segments' own form is that of {when} seen from the other end: x runs the other way",
                p_value=CHANCE,
            )
        ]
    shift = _shift(prints, when, x_uncertainty)
    if shift:
        return shift
    return _single(prints, when, usual, turned, limit) if limit < HIDDEN else []


def _apart(prints: Prints, then: FloatArray) -> FloatArray:
    """How far forms now and then are apart: 0, one surface; about 1, two; shape (J, J)."""
    squares = np.sum(prints.now**2, axis=1)[:, None] + np.sum(then**2, axis=1) - 2 * prints.now @ then.T
    return np.asarray((squares / prints.freedom - prints.noise) / prints.form)


def _single(prints: Prints, when: str, usual: FloatArray, turned: FloatArray, limit: float) -> list[Suspicion]:
    """Segments that don't show their own form."""
    names, count = prints.names, len(prints.names)
    found: list[Suspicion] = []
    strange: list[str] = []
    done: set[int] = set()
    for row in range(count):
        if row in done or usual[row, row] < limit:
            continue
        every = np.concatenate([usual[row], turned[row]])
        best = int(np.argmin(every))
        other, reverse = best % count, best >= count
        alike = _by_chance(prints, float(every[best]))
        back = np.concatenate([usual[other], turned[other]])
        mutual = other != row and int(np.argmin(back)) % count == row and back.min() < limit <= usual[other, other]
        tried = alike * 2 * count
        chance = alike if other == row else tried**2 if mutual else tried
        if every[best] >= limit or chance > NAMED:
            strange.append(names[row])
            continue
        way = ", back to front" if reverse else ""
        if other == row:
            text = (
                f"segment {names[row]} shows its form of {when} back to front: it was turned end for end, or its data "
                "run the other way"
            )
        elif mutual:
            done.add(other)
            text = (
                f"segments {names[row]} and {names[other]} show each other's form of {when}{way}: they, or their data, "
                "are swapped"
            )
        else:
            text = f"where segment {names[row]} stands, the form of {names[other]} of {when} is seen{way}"
        found.append(
            Suspicion(
                kind="segment reversed" if other == row else "segments swapped",
                where=(names[row], names[other]) if mutual else (names[row],),
                text=text,
                p_value=min(CHANCE, chance),
            )
        )
    if 2 * len(strange) > count:
        return [
            *found,
            Suspicion(
                kind="other mirror" if count > 1 else "segment replaced",
                text=f"{'most segments' if count > 1 else 'the mirror'} ({len(strange)} of {count}) don't show their "
                f"form of {when}: is this the same mirror, and does x have the same origin? If it was reworked, begin "
                "a new record",
                p_value=CHANCE,
            ),
        ]
    return found + [
        Suspicion(
            kind="segment replaced",
            where=(name,),
            text=f"segment {name} does not show its form of {when}: was it replaced, reworked or badly soiled, or does "
            "it stand in another's place? If it was reworked, begin a new record",
            p_value=CHANCE,
        )
        for name in strange
    ]


def _by_chance(prints: Prints, apart: float) -> float:
    """Probability that two forms are so near by chance: chi-squared of their independent values."""
    k = prints.independent
    near = max(apart, float(np.sqrt(2 / prints.freedom) * prints.noise / prints.form))
    return float(chdtr(k, k * near))


def _shift(prints: Prints, when: str, x_uncertainty: float) -> list[Suspicion]:
    """One shift of all segments, told by where their forms agree best."""
    n = prints.now.shape[1]
    most = int(min(FURTHEST[0] / prints.step, FURTHEST[1] * n))
    lags = np.arange(-most, most + 1)
    agree = np.array([_pooled(prints, int(lag)) for lag in lags])
    best = int(np.argmax(agree))
    shift = float(lags[best]) * prints.step
    allowed = SURE * np.sqrt(2.0) * x_uncertainty + prints.step
    if abs(shift) <= allowed or agree[best] <= 0:
        return []
    near = float(agree[np.abs(lags) * prints.step <= allowed].max())
    weight = prints.independent * len(prints.names)
    gain = weight / 2 * float(np.log((1 - near * abs(near)) / max(1 - agree[best] ** 2, 1e-12)))
    if gain < enough(len(lags)) or agree[best] < 0.5:
        return []
    return [
        Suspicion(
            kind="x shifted",
            text=f"the segments' own form lies {shift * 1e3:+.3g} mm from where it was in {when}: x has another "
            "origin; check x_offset, or where the scan began",
            p_value=chance_of(gain, len(lags)),
        )
    ]


def _pooled(prints: Prints, lag: int) -> float:
    n = prints.now.shape[1]
    here = slice(max(lag, 0), n + min(lag, 0))
    there = slice(max(-lag, 0), n + min(-lag, 0))
    one, two = prints.now[:, here], prints.then[:, there]
    scale = np.sqrt(float(np.sum(one**2)) * float(np.sum(two**2)))
    return float(np.sum(one * two) / scale) if scale > 0 else 0.0


def _prints(now: PlacedProfile, then: PlacedProfile) -> Prints | None:
    """Both measurements on one grid; None where they have too little in common."""
    common = [number for number in now.measured if number in then.measured]
    if not common:
        return None
    segments = [now.mirror.segments[number] for number in common]
    low = high = np.inf
    for number, segment in zip(common, segments, strict=True):
        for placed in (now, then):
            first, last = placed.ends(number)
            low, high = min(low, segment.middle - first), min(high, last - segment.middle)
    half = min(low, high)
    step = float(np.median([max(now.step(number), then.step(number)) for number in common]))
    count = int(2 * half / step) + 1 if half > 0 else 0
    if count < 4 * (COMMON + 1):
        return None
    grid = np.linspace(-half, half, count)
    degree = COMMON if now.quantity == "height" else COMMON - 1
    columns = np.linalg.qr(np.polynomial.legendre.legvander(grid / half, degree))[0]

    rest = np.eye(count) - columns @ columns.T

    def rows(placed: PlacedProfile) -> tuple[FloatArray, float, float]:
        """Forms, the variance of their noise, and of what the points are unsure of together."""
        found, third, shared = [], [], []
        for number, segment in zip(common, segments, strict=True):
            x, deviation = _deviation(placed, number)
            found.append(rest @ np.interp(grid + segment.middle, x, deviation))
            third.append(np.diff(deviation, 3))
            if placed.covariance_factor is not None and placed.y is None:
                factor = placed.covariance_factor[placed.part(number)]
                onto = np.stack([np.interp(grid + segment.middle, x, column) for column in factor.T], axis=1)
                shared.append(float(np.sum((rest @ onto) ** 2)) / (count - degree - 1))
        noise = (NORMAL_MAD * float(np.median(np.abs(np.concatenate(third))))) ** 2 / 20.0
        return np.stack(found), noise, float(np.mean(shared)) if shared else 0.0

    (one, *errors), (two, *others) = rows(now), rows(then)
    noise = float(sum(errors) + sum(others))
    found = [
        prints
        for waves in WAVES
        if (prints := _smooth(one, two, noise, waves, degree, [segment.name for segment in segments])) is not None
    ]
    if not found:
        return None
    best = min(found, key=lambda prints: (max(ONE, prints.sure), -prints.freedom))
    return replace(best, sign=1.0 if now.quantity == "height" else -1.0, step=float(grid[1] - grid[0]))


def _smooth(one: FloatArray, two: FloatArray, noise: float, waves: int, degree: int, names: list[str]) -> Prints | None:
    """Forms as so many half waves over a segment tell them: noise is spread over all, form is not."""
    from scipy.fft import dct, idct

    if 3 * waves > one.shape[1] and waves > WAVES[0]:
        return None
    parts = [dct(rows, norm="ortho", axis=1)[:, :waves] for rows in (one, two)]
    freedom = float(waves - degree - 1)
    both = sum(float(np.mean(np.sum(part**2, axis=1))) for part in parts) / freedom
    if both <= noise:
        return None
    # of independent waves of unequal size as many count as (sum of squares)^2 over sum of fourth powers
    power = np.maximum(np.mean(parts[0] ** 2 + parts[1] ** 2, axis=0) - noise, 0.0)
    return Prints(
        names=tuple(names),
        sign=1.0,
        step=1.0,
        now=idct(parts[0], n=one.shape[1], norm="ortho", axis=1),
        then=idct(parts[1], n=one.shape[1], norm="ortho", axis=1),
        noise=noise,
        form=both - noise,
        freedom=freedom,
        independent=float(power.sum() ** 2 / max(float(power @ power), 1e-300)),
    )


def _deviation(placed: PlacedProfile, number: int) -> tuple[FloatArray, FloatArray]:
    """Measured minus nominal of a segment, points at one x (of several lines) as their mean."""
    part = placed.part(number)
    nominal, x = placed.mirror.nominal, placed.x[part]
    values = placed.values[part] - (nominal.height(x) if placed.quantity == "height" else nominal.slope(x))
    if (np.diff(x) > 0).all():
        return x, values
    places, which = np.unique(x, return_inverse=True)
    return places, np.bincount(which, weights=values) / np.bincount(which)


def check_stale(now: PlacedProfile, then: PlacedProfile, when: str, *, moved: bool | None = None) -> list[Suspicion]:
    """Whether both are one measurement: their noise is the same.

    Parameters
    ----------
    now, then, when
        As for `check_earlier`.
    moved : bool, optional
        Whether adjusters were moved since, as far as the mirror file tells; None: it is not asked.
    """
    if now.quantity != then.quantity:
        return []
    bent_now, bent_then, bent_both, stated = [], [], [], []
    for number in now.measured:
        if number not in then.measured:
            continue
        one, two = now.part(number), then.part(number)
        near, both = _matched(now.x[one], then.x[two], now.step(number))
        if both.sum() < LEAST_POINTS:
            continue
        nominal, x = now.mirror.nominal, now.x[one][both]
        ideal = nominal.height if now.quantity == "height" else nominal.slope
        first = now.values[one][both] - ideal(x)
        second = then.values[two][near[both]] - ideal(then.x[two][near[both]])
        bent_now.append(np.diff(first, 3))
        bent_then.append(np.diff(second, 3))
        bent_both.append(np.diff(first - second, 3))
        if now.sigma is not None and then.sigma is not None:
            stated.append(np.hypot(now.sigma[one][both], then.sigma[two][near[both]]))
    if not bent_both:
        return []
    # third differences, which a smooth surface has next to none of: 1 + 9 + 9 + 1 times the noise's variance
    scatter = [
        NORMAL_MAD * float(np.median(np.abs(np.concatenate(part)))) / np.sqrt(20.0)
        for part in (bent_now, bent_then, bent_both)
    ]
    alone = scatter[0] ** 2 + scatter[1] ** 2
    if alone == 0:
        return []
    repeated = scatter[2] ** 2 / alone
    if stated:
        one_measurement = repeated < REPEATED and scatter[2] < TOO_GOOD * float(np.median(np.concatenate(stated)))
    else:
        one_measurement = repeated < REPEATED_UNSTATED
    if not one_measurement:
        return []
    meaning = {
        True: "although the adjusters' positions in the mirror file say that they were moved since: measure again",
        False: "and the adjusters stand where they stood: if moves were made since, these data are older; measure "
        "again, and write the new positions to the mirror file",
        None: "so it shows nothing of what was done in between: expected a new measurement",
    }[moved]
    return [
        Suspicion(
            kind="stale data",
            text=f"what was measured ({now.name}) repeats the noise of {when} and is the same measurement, {meaning}",
            p_value=CHANCE,
        )
    ]


def _matched(
    here: FloatArray, there: FloatArray, step: float
) -> tuple[np.ndarray[tuple[int], np.dtype[np.intp]], BoolArray]:
    """For each position the nearest of another measurement, and whether it is the very same."""
    right = np.clip(np.searchsorted(there, here), 1, len(there) - 1)
    near = np.where(np.abs(there[right] - here) < np.abs(there[right - 1] - here), right, right - 1)
    return near, np.abs(there[near] - here) < 1e-3 * step
