"""What a spot is like: its moments, its widths, and where it is smallest."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.errors import DataError
from ellipsefit.focus.beam import Beam
from ellipsefit.focus.rays import Rays

#: Bins between the outermost rays.
BINS: Final = 1 << 15
#: The same where only the change of a width is asked for.
FEWER: Final = 1 << 12
#: Width of the triangle with which a spot is smoothed before its half maximum is sought, over its 90 % width:
#: what a detector with 40 pixels across the spot would show.
RESOLUTION: Final = 1 / 40


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spot:
    """Distribution of the light in the plane, and its measures; lengths in m."""

    rms: float  # about the centroid
    rms_about_axis: float  # about the chief ray
    fwhm: float  # outermost points at half of the largest density, as a detector of 40 pixels would show it
    width_50: float  # of the stretch about the centroid that holds half of the light
    width_90: float
    centroid_along: float  # from the nominal image focus along the chief ray: where the plane stands
    centroid_across: float  # from the chief ray, positive towards +z
    place: FloatArray  # (B,) middles of bins across the chief ray
    density: FloatArray  # (B,) light per length over all light, as the detector would show it [1/m]

    def __post_init__(self) -> None:
        for name in ("place", "density"):
            object.__setattr__(self, name, sealed(getattr(self, name)))


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotStderr:
    """Standard uncertainty of each measure of a spot [m]."""

    rms: float
    rms_about_axis: float
    fwhm: float
    width_50: float
    width_90: float
    centroid_across: float


class BestFocus(NamedTuple):
    """Where the spot is smallest, from the nominal image focus [m]."""

    along: float
    across: float
    rms: float


def spot_of(rays: Rays, beam: Beam) -> Spot:
    """Measures of the light where it crosses the plane.

    Raises
    ------
    DataError
        If no light arrives.
    """
    y, w = rays.across.ravel(), rays.weight.ravel()
    total = float(w.sum())
    if not total > 0:
        raise DataError("no light reaches the plane: the beam misses the mirror, or nothing is reflected")
    centre = float(w @ y) / total
    off = y - centre
    rms = float(np.sqrt((w @ (off * off)) / total))
    widths, place, density = _widths(off, w / total, BINS)
    return Spot(
        rms=rms,
        rms_about_axis=float(np.hypot(rms, centre)),
        fwhm=widths.fwhm,
        width_50=widths.half,
        width_90=widths.most,
        centroid_along=beam.plane,
        centroid_across=centre,
        place=place + centre,
        density=density,
    )


class Widths(NamedTuple):
    """Full width at half maximum, and of the stretches that hold 50 % and 90 % of the light [m]."""

    fwhm: float
    half: float
    most: float


def widths_moved(rays: Rays, shift: FloatArray) -> FloatArray:
    """Widths of a spot when the light of each of its cells lands elsewhere by `shift` (N, D), shape (3, D)."""
    w = rays.weight.ravel() / rays.weight.sum()
    found = np.empty((3, shift.shape[1]))
    for number, move in enumerate(shift.T):
        y = (rays.across + move[:, None]).ravel()
        found[:, number] = _widths(y - w @ y, w, FEWER)[0]
    return found


def _widths(off: FloatArray, w: FloatArray, bins: int) -> tuple[Widths, FloatArray, FloatArray]:
    """Widths of light `w`, 1 in all, at places about its centroid; and places and density as a detector shows it."""
    low, high = float(off.min()), float(off.max())
    if not high - low > 1e-15:  # a point, to rounding
        return Widths(0.0, 0.0, 0.0), np.zeros(1), np.zeros(1)
    cell = (high - low) / bins
    index = np.minimum(((off - low) / cell).astype(np.intp), bins - 1)
    light = np.bincount(index, w, bins).astype(np.float64)
    edges: FloatArray = low + cell * np.arange(bins + 1.0)
    cumulated = np.concatenate([[0.0], np.cumsum(light)])
    half, most = _enclosed(edges, cumulated, np.array([0.5, 0.9]))
    density, place = _seen(light, edges, most)
    return Widths(_half_maximum(place, density), half, most), place, density


def _enclosed(edges: FloatArray, cumulated: FloatArray, shares: FloatArray) -> tuple[float, float]:
    """Widths of the stretches about 0 that hold two shares of the light."""
    half = np.sort(np.abs(edges), kind="stable")  # what they hold is linear between these
    held = np.interp(half, edges, cumulated) - np.interp(-half, edges, cumulated)
    low, high = 2 * np.interp(shares, held, half)
    return float(low), float(high)


def _seen(light: FloatArray, edges: FloatArray, width: float) -> tuple[FloatArray, FloatArray]:
    """Density as a detector shows it: smoothed by a triangle as wide at half its height as a pixel."""
    from scipy.signal import oaconvolve

    cell = float(edges[1] - edges[0])
    reach = max(round(RESOLUTION * width / cell), 1)
    triangle = np.concatenate([np.arange(1, reach + 1), np.arange(reach - 1, 0, -1)]).astype(np.float64)
    density = np.maximum(oaconvolve(light, triangle / triangle.sum()), 0.0) / cell
    start = edges[0] - (reach - 1) * cell
    return density, start + cell * (np.arange(len(density)) + 0.5)


def _half_maximum(place: FloatArray, density: FloatArray) -> float:
    """Distance of the outermost points at half of the largest density."""
    half = density.max() / 2
    above = np.flatnonzero(density >= half)
    first, last = int(above[0]), int(above[-1])

    def crossing(inside: int, outside: int) -> float:
        if not 0 <= outside < len(density):
            return float(place[inside])
        share = (density[inside] - half) / (density[inside] - density[outside])
        return float(place[inside] + share * (place[outside] - place[inside]))

    return crossing(last, last + 1) - crossing(first, first - 1)


def best_focus(rays: Rays, beam: Beam) -> BestFocus:
    """Plane across the chief ray in which the rms width is least: exact for straight rays.

    A ray crosses a plane further on by L at y + L t, so the variance is a parabola in L.
    """
    y, t, w = rays.across.ravel(), rays.slope.ravel(), rays.weight.ravel()
    w = w / w.sum()
    y0, t0 = float(w @ y), float(w @ t)
    dy, dt = y - y0, t - t0
    spread, both = float(w @ (dt * dt)), float(w @ (dy * dt))
    shift = -both / spread if spread > 0 else 0.0
    off = dy + shift * dt
    return BestFocus(along=beam.plane + shift, across=y0 + shift * t0, rms=float(np.sqrt(w @ (off * off))))


def through(rays: Rays, beam: Beam) -> float:
    """Share of the beam that passes the aperture."""
    if beam.aperture is None:
        return float(rays.weight.sum())
    inside = np.abs(rays.across - beam.aperture_offset) <= beam.aperture / 2
    return float(rays.weight.sum(where=inside))
