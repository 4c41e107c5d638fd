"""Diffraction of X-rays: the line spread by direct summation of the Fresnel-Kirchhoff integral.

Every cell of the surface sends a cylindrical wave to every point of the plane. Its amplitude is the root of
the light that strikes it times the root of the angle that it subtends at the image, which is Kirchhoff's
obliquity over sqrt(r1 r2) (M. Born and E. Wolf, Principles of Optics, section 8.3, for a cylinder); so
|U|**2 / lambda integrates to the light. Its phase is the path from the source over the measured surface, taken as
the difference to p + q, the path over the perfect one: that difference is formed without cancellation.
Source points that do not know of each other add their intensities: a source of some size makes the light at
the mirror partially coherent, with the same sum over the surface for all of them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.focus.beam import Beam
from ellipsefit.focus.geometry import Bench
from ellipsefit.focus.rays import ORIGIN, Cells, Fan, cut, light_of
from ellipsefit.focus.surface import Surface

#: Full width at half maximum of sinc**2: 2 u / pi with sin(u)/u = 1/sqrt(2).
SINC_WIDTH: Final = 0.88589294137890468
#: Largest change of phase from a cell to the next [rad], and fewest cells.
PHASE_STEP: Final = 0.35
FEWEST: Final = 1500
#: Points of the plane for each diffraction width; most cells times points that are summed.
POINTS: Final = 12
MOST: Final = 20_000_000
#: Most points by which a source is told.
SOURCE_POINTS: Final = 129


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LineSpread:
    """Light over the plane, diffraction included; lengths in m."""

    place: FloatArray  # (B,) across the chief ray
    density: FloatArray  # (B,) light per length, as a share of the beam [1/m]
    perfect: FloatArray  # (B,) the same of the perfect mirror with the same gaps, about its own middle
    fwhm: float  # outermost points at half of the maximum
    perfect_fwhm: float
    strehl: float  # largest density over that of the perfect mirror
    marechal: float  # exp(-phase variance), an estimate for small errors
    phase_rms: float  # less its mean and the tilt that only moves the image [rad]
    coherence: str

    def __post_init__(self) -> None:
        for name in ("place", "density", "perfect"):
            object.__setattr__(self, name, sealed(getattr(self, name)))


class Wave(NamedTuple):
    """What the surface sends to the plane, by cells of shape (N,)."""

    x: FloatArray
    amplitude: FloatArray
    before: FloatArray  # path from the middle of the source, less that over the perfect surface [m]
    rise: FloatArray  # surface minus the nominal one [m]
    angle: FloatArray  # direction from the image focus, from the chief ray [rad]


def line_spread(
    surface: Surface, beam: Beam, layout: Bench, *, centre: float, width: float, points: int | None = None
) -> LineSpread | None:
    """Line spread in the beam's plane at the middle of its band; None: rays alone tell it, it has too many fringes.

    Parameters
    ----------
    surface, beam, layout
        The mirror, the beam and its bench.
    centre, width : float
        Where the light is, by rays: middle and width of the stretch that holds most of it [m].
    points : int, optional
        Points across the plane, by default as many as the fringes ask for.
    """
    wavelength = beam.mean_wavelength
    k = 2 * np.pi / wavelength
    ends = [_angle_at_image(surface, layout, x) for x in surface.span]
    opening = abs(ends[1] - ends[0])
    narrowest = SINC_WIDTH * wavelength / opening
    half = 0.75 * width + 10 * narrowest
    count = int(2 * half / narrowest * POINTS) | 1 if points is None else points
    cells_wanted = max(FEWEST, int(k * (half + width) * opening / PHASE_STEP), 4 * len(surface.pieces))
    if cells_wanted * count > MOST:
        return None
    wave = wave_of(surface, beam, layout, cells_wanted)
    place = centre + np.linspace(-half, half, count)
    sources, weights = _source_points(beam, surface, narrowest)
    density = intensity(wave, beam, layout, surface, place, sources, weights)
    flat = Wave(wave.x, wave.amplitude, np.zeros_like(wave.x), np.zeros_like(wave.x), wave.angle)
    perfect_beam = beam_at_focus(beam)
    perfect = intensity(flat, perfect_beam, layout, surface, place - centre, sources, weights)
    phase = k * (wave.before + _after(wave, layout, surface, np.array([beam.plane, centre])))
    rms = _phase_rms(phase, wave)
    return LineSpread(
        place=place,
        density=density,
        perfect=perfect,
        fwhm=_fwhm(place, density),
        perfect_fwhm=_fwhm(place, perfect),
        strehl=float(density.max() / perfect.max()),
        marechal=float(np.exp(-(rms**2))),
        phase_rms=rms,
        coherence=beam.coherence,
    )


def beam_at_focus(beam: Beam) -> Beam:
    """The same beam from the nominal source focus, seen at the nominal image focus."""
    return replace(beam, plane=0.0, source_along=0.0, source_across=0.0)


def wave_of(surface: Surface, beam: Beam, layout: Bench, count: int) -> Wave:
    """Amplitudes and paths of about so many cells of the surface."""
    cells = cut(surface, layout, count)
    fan = Fan.of(cells, beam, layout)
    light = light_of(cells, beam, layout, fan, slice(0, len(cells.x)), ORIGIN, np.full((1, 1), beam.mean_wavelength))
    angle = _seen_from(cells.x, surface.nominal.height(cells.x), layout)
    low, high = (_seen_from(x, surface.nominal.height(x), layout) for x in (cells.x0, cells.x1))
    amplitude = np.sqrt(light[:, 0] * cells.clear * np.abs(high - low))
    rise = _rise(surface, cells)
    return Wave(cells.x, amplitude, _before(cells, rise, surface, layout), rise, angle)


def intensity(
    wave: Wave,
    beam: Beam,
    layout: Bench,
    surface: Surface,
    place: FloatArray,
    sources: FloatArray,
    weights: FloatArray,
) -> FloatArray:
    """Light per length at places of the plane [1/m]: the sum over sources of |sum over cells|**2 / wavelength."""
    wavelength = beam.mean_wavelength
    k = 2 * np.pi / wavelength
    # one wave for each point of the source; those points share everything behind the mirror
    paths = wave.before[:, None] + _source_paths(wave, surface, layout, sources)
    sent = wave.amplitude[:, None] * np.exp(1j * (k * paths)) * np.sqrt(weights)
    found = np.empty(len(place))
    size = max(1_000_000 // len(wave.x), 1)
    for start in range(0, len(place), size):
        part = place[start : start + size]
        phase = k * _after(wave, layout, surface, np.stack([np.full_like(part, beam.plane), part]))
        kernel = np.empty(phase.shape, dtype=np.complex128)
        np.cos(phase, out=kernel.real)
        np.sin(phase, out=kernel.imag)
        found[start : start + size] = (np.abs(kernel.T @ sent) ** 2).sum(axis=1)
    return found / wavelength


def _before(cells: Cells, rise: FloatArray, surface: Surface, layout: Bench) -> FloatArray:
    """Path from the middle of the source to the surface, less that from the nominal focus to the nominal surface."""
    source = surface.nominal.foci[0]
    line = np.stack([cells.x - source[0], surface.nominal.height(cells.x) - source[1]])
    shift = layout.source - source
    return _longer(line, np.stack([np.zeros_like(rise) - shift[0], rise - shift[1]]))


def _longer(line: FloatArray, change: FloatArray) -> FloatArray:
    """|line + change| - |line| without cancellation; the first axis is (x, z)."""
    new = np.hypot(line[0] + change[0], line[1] + change[1])
    dot = 2 * (line[0] * change[0] + line[1] * change[1]) + change[0] ** 2 + change[1] ** 2
    return np.asarray(dot / (new + np.hypot(line[0], line[1])), dtype=np.float64)


def _source_paths(wave: Wave, surface: Surface, layout: Bench, sources: FloatArray) -> FloatArray:
    """How much longer the path is from other points of the source than from its middle, (N, M) [m]."""
    line = np.stack([wave.x - layout.source[0], surface.nominal.height(wave.x) + wave.rise - layout.source[1]])
    change = -layout.across_in[:, None, None] * sources[None, None, :]
    return _longer(line[:, :, None], change)


def _after(wave: Wave, layout: Bench, surface: Surface, target: FloatArray) -> FloatArray:
    """Path from the surface to (along, across) the chief ray from the image focus, less the nominal one [m].

    `target` has shape (2,) or (2, B); the result (N,) or (N, B).
    """
    nominal = surface.nominal
    line = np.stack([layout.image[0] - wave.x, layout.image[1] - nominal.height(wave.x)])
    along, across = layout.along, layout.across
    change = [along[i] * target[0] + across[i] * target[1] for i in range(2)]
    if np.ndim(target[0]):
        line = line[:, :, None]
        rise = wave.rise[:, None]
        moved = np.stack(np.broadcast_arrays(change[0][None, :], change[1][None, :] - rise))
    else:
        moved = np.stack(np.broadcast_arrays(np.asarray(change[0]), change[1] - wave.rise))
    return _longer(line, moved)


def _rise(surface: Surface, cells: Cells) -> FloatArray:
    """Surface minus nominal surface [m]."""
    return cells.z - surface.nominal.height(cells.x)


def _seen_from(x: FloatArray, z: FloatArray, layout: Bench) -> FloatArray:
    """Direction from the image focus to a point of the surface, from the chief ray backwards [rad]."""
    rx, rz = x - layout.image[0], z - layout.image[1]
    ahead = -(rx * layout.along[0] + rz * layout.along[1])
    return np.asarray(np.arctan2(rx * layout.across[0] + rz * layout.across[1], ahead))


def _angle_at_image(surface: Surface, layout: Bench, x: float) -> float:
    place = np.array([x])
    return float(_seen_from(place, surface.nominal.height(place), layout)[0])


def _source_points(beam: Beam, surface: Surface, narrowest: float) -> tuple[FloatArray, FloatArray]:
    """Points of the source and their weights: one, or as close as the line spread can tell apart."""
    if beam.coherence == "full" or beam.source.is_point:
        return np.zeros(1), np.ones(1)
    ends = beam.source.quantile(np.array([5e-5, 1 - 5e-5]))
    image = float(ends[1] - ends[0]) * surface.nominal.q / surface.nominal.p
    count = int(np.clip(3 * image / narrowest, 9, SOURCE_POINTS)) | 1
    edges = np.linspace(ends[0], ends[1], count + 1)
    light = np.diff(beam.source.cdf(edges))
    return (edges[1:] + edges[:-1]) / 2, light / light.sum()


def _phase_rms(phase: FloatArray, wave: Wave) -> float:
    """Standard deviation of the phase, weighted by amplitude, less mean and what is linear in the angle [rad]."""
    weight = wave.amplitude / wave.amplitude.sum()
    u = wave.angle - weight @ wave.angle
    rest = phase - weight @ phase
    rest = rest - u * (weight @ (u * rest)) / (weight @ (u * u))
    return float(np.sqrt(weight @ rest**2))


def _fwhm(place: FloatArray, density: FloatArray) -> float:
    half = density.max() / 2
    above = np.flatnonzero(density >= half)
    ends = []
    for inside, step in ((int(above[0]), -1), (int(above[-1]), 1)):
        outside = inside + step
        if not 0 <= outside < len(density):
            ends.append(float(place[inside]))
            continue
        share = (density[inside] - half) / (density[inside] - density[outside])
        ends.append(float(place[inside] + share * (place[outside] - place[inside])))
    return ends[1] - ends[0]
