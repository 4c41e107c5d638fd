"""Where the data have gaps, against where the mirror file has them."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from scipy.special import bdtrc

from ellipsefit.arrays import FloatArray
from ellipsefit.checks.suspicion import CHANCE, Suspicion
from ellipsefit.mirror import Mirror

#: A step so many times the usual one is a gap.
HOLE: Final = 1.5
#: Share of the mirror's gaps that the data must show, and of those that must be met, to tell anything.
MET: Final = 0.7
#: Standard uncertainties of the origin of x that are allowed for.
SURE: Final = 4.0


class Gaps(NamedTuple):
    """Gaps along x: where their middles are, and how wide they are [m]."""

    middle: FloatArray
    width: FloatArray


def check_gaps(x: FloatArray, mirror: Mirror) -> tuple[list[Suspicion], bool]:
    """Whether gaps in the data lie where the mirror's gaps are.

    Parameters
    ----------
    x : array, shape (N,)
        Positions of the points in use, in the mirror frame [m], with those that lie in no segment.
    mirror : Mirror

    Returns
    -------
    list of Suspicion
    bool
        Whether the data can tell: they have about as many gaps as the mirror, two at least.
    """
    place = np.unique(x)
    if len(place) < 5:
        return [], False
    steps = np.diff(place)
    step = float(np.median(steps))
    wide = steps > HOLE * step
    holes = Gaps(middle=((place[1:] + place[:-1]) / 2)[wide], width=steps[wide])
    wanted = _mirror_gaps(mirror, float(place[0]), float(place[-1]))
    count = len(wanted.middle)
    if count < 2 or len(holes.middle) < max(2.0, MET * count):
        return [], False
    reach = step / 2 + SURE * mirror.measurement.x_uncertainty + 1e-9
    if _met(holes, wanted, 0.0, reach, step) >= MET * min(count, len(holes.middle)):
        return [], True
    # one shift for all, or the same seen from the other end
    best: tuple[int, float, bool] = (0, 0.0, False)
    for turned in (False, True):
        seen = Gaps(middle=-holes.middle[::-1], width=holes.width[::-1]) if turned else holes
        shifts = (seen.middle[:, None] - wanted.middle[None, :]).ravel()
        shifts = shifts[np.abs(shifts) < (mirror.span[1] - mirror.span[0]) / 2]
        for shift in shifts[np.argsort(np.abs(shifts))]:
            met = _met(seen, wanted, float(shift), step / 2 + 1e-9, step)
            if met > best[0]:
                best = (met, float(shift), turned)
    met, shift, turned = best
    if met:
        seen = Gaps(middle=-holes.middle[::-1], width=holes.width[::-1]) if turned else holes
        away = seen.middle[None, :] - wanted.middle[:, None] - shift
        nearest = np.take_along_axis(away, np.abs(away).argmin(axis=1)[:, None], axis=1)
        shift += float(np.median(nearest))
    # that gaps strewn at random meet so many of those wanted, at any of the shifts tried
    share = min(1.0, len(holes.middle) * 2 * step / (mirror.span[1] - mirror.span[0]))
    chance = min(1.0, 2 * len(holes.middle) * count * float(bdtrc(met - 1, count, share)))
    if met < MET * count or chance > CHANCE:
        if wanted.width.min() < HOLE * step:  # they need not be seen, and those seen may be points left out
            return [], False
        return [
            Suspicion(
                kind="other mirror",
                text=f"the data have {len(holes.middle)} gaps where mirror '{mirror.name}' has {count} between its "
                "segments, and they don't lie where those are; expected the spans of the mirror that was measured "
                "(another mirror's file, or another unit of x?)",
            )
        ], True
    if turned and abs(shift) <= reach + step:
        return [
            Suspicion(
                kind="x reversed, or p and q exchanged",
                text=f"the gaps between segments lie as those of mirror '{mirror.name}' seen from the other end: x "
                "runs the other way; check x_direction and the order of the scan",
                p_value=chance,
            )
        ], True
    end = " seen from the other end, and" if turned else ""
    return [
        Suspicion(
            kind="x shifted",
            text=f"the gaps between segments lie {shift * 1e3:+.4g} mm from those of mirror '{mirror.name}'{end}, all "
            "alike: x has another origin; check x_offset and its sign",
            p_value=chance,
        )
    ], True


def _mirror_gaps(mirror: Mirror, first: float, last: float) -> Gaps:
    """Gaps between segments that the data reach over."""
    ends = np.array([segment.end for segment in mirror.segments[:-1]])
    starts = np.array([segment.start for segment in mirror.segments[1:]])
    middle, width = (ends + starts) / 2, starts - ends
    seen = (width > 0) & (middle > first) & (middle < last)
    return Gaps(middle=middle[seen], width=width[seen])


def _met(holes: Gaps, wanted: Gaps, shift: float, reach: float, step: float) -> int:
    """How many gaps of the mirror, shifted, hold within a hole of the data: its ends may be wider, not narrower."""
    if not len(holes.middle):
        return 0
    away = np.abs(holes.middle[None, :] - wanted.middle[:, None] - shift)
    # a hole that is wider, by masked edges, may lie as much off
    room = reach + np.maximum(holes.width[None, :] - wanted.width[:, None], 0.0) / 2
    fits = (away <= room) & (holes.width[None, :] >= wanted.width[:, None] - step - 2 * reach)
    return int(fits.any(axis=1).sum())
