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

from ellipsefit.arrays import FloatArray, IntArray, sealed
from ellipsefit.focus.beam import Beam
from ellipsefit.focus.geometry import Bench
from ellipsefit.focus.model import Freedoms
from ellipsefit.focus.possible import Drawn
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
#: For the uncertainty: most cells times points times draws times source points, and fewest draws.
MOST_DRAWN: Final = (200_000_000, 24)
#: Most points by which a source is told.
SOURCE_POINTS: Final = 129


@dataclass(frozen=True, slots=True, kw_only=True)
class LineStderr:
    """Standard uncertainty of what a line spread tells of a mirror; that of the perfect one is known."""

    fwhm: float
    strehl: float
    marechal: float
    phase_rms: float


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
    stderr: LineStderr | None = None  # None: the mirror's uncertainty is not known

    def __post_init__(self) -> None:
        for name in ("place", "density", "perfect"):
            object.__setattr__(self, name, sealed(getattr(self, name)))

    def sure(self, name: str) -> float | None:
        """Standard uncertainty of one of the numbers, if it is known."""
        return None if self.stderr is None else float(getattr(self.stderr, name))

    def to_dict(self) -> dict[str, float | str | None]:
        """For JSON, SI."""
        found: dict[str, float | str | None] = {}
        for name in LineStderr.__slots__:
            found[name], found[f"{name}_stderr"] = getattr(self, name), self.sure(name)
        return found | {"perfect_fwhm": self.perfect_fwhm, "coherence": self.coherence}


class Wave(NamedTuple):
    """What the surface sends to the plane, by cells of shape (N,)."""

    piece: IntArray
    x: FloatArray
    amplitude: FloatArray
    before: FloatArray  # path from the middle of the source, less that over the perfect surface [m]
    rise: FloatArray  # surface minus the nominal one [m]
    angle: FloatArray  # direction from the image focus, from the chief ray [rad]


def line_spread(
    surface: Surface,
    beam: Beam,
    layout: Bench,
    *,
    centre: float,
    width: float,
    points: int | None = None,
    drawn: Drawn | None = None,
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
    drawn : Drawn, optional
        Mirrors; for each the wave is summed again.
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
    flat = wave._replace(before=np.zeros_like(wave.x), rise=np.zeros_like(wave.x))
    perfect_beam = beam_at_focus(beam)
    perfect = intensity(flat, perfect_beam, layout, surface, place - centre, sources, weights)
    phase = _untilted(k * (wave.before + _after(wave, layout, surface, np.array([beam.plane, centre]))), wave)
    rms = float(_rms(phase, wave))
    found = LineSpread(
        place=place,
        density=density,
        perfect=perfect,
        fwhm=_fwhm(place, density),
        perfect_fwhm=_fwhm(place, perfect),
        strehl=_peak(density) / _peak(perfect),
        marechal=float(np.exp(-(rms**2))),
        phase_rms=rms,
        coherence=beam.coherence,
    )
    if drawn is None:
        return found
    change = _untilted(k * _lengthened(wave, surface, layout, np.array([beam.plane, centre]), drawn), wave)
    return replace(found, stderr=_stderr(found, wave, beam, layout, surface, narrowest, phase, change))


def _stderr(
    line: LineSpread,
    wave: Wave,
    beam: Beam,
    layout: Bench,
    surface: Surface,
    narrowest: float,
    phase: FloatArray,
    change: FloatArray,
) -> LineStderr:
    """Scatter of what a line spread tells over draws that change the phase by (N, D), less what only moves the image.

    A source whose image is wider than the diffraction asks for fewer points, of itself and of the plane.
    """
    rms = _rms(phase[:, None] + change, wave)
    sources, weights = _source_points(beam, surface, narrowest, 1.0)
    finer = max(int(line.fwhm / narrowest), 1)
    cost = len(wave.x) * len(line.place) * len(sources)
    drawn = change.shape[1]
    if cost / finer * drawn > MOST_DRAWN[0]:
        pairs = max(int(MOST_DRAWN[0] * finer / cost) // 2, MOST_DRAWN[1] // 2)
        half = drawn // 2
        kept = [*range(min(pairs, half)), *range(half, half + min(pairs, half))]
        change = change[:, kept]
    place = line.place[::finer]
    found = intensity(wave, beam, layout, surface, place, sources, weights, change)
    peak = _peak(intensity(wave, beam, layout, surface, place, sources, weights))
    return LineStderr(
        fwhm=float(np.std([_fwhm(place, one) for one in found.T])),
        strehl=line.strehl * float(np.std([_peak(one) / peak for one in found.T])),
        marechal=float(np.exp(-(rms**2)).std()),
        phase_rms=float(rms.std()),
    )


def _lengthened(wave: Wave, surface: Surface, layout: Bench, target: FloatArray, drawn: Drawn) -> FloatArray:
    """How much longer the path over each cell to a target is in each draw of the mirror, (N, D) [m]."""
    rise = wave.rise[:, None] + Freedoms.of(surface, wave.piece, wave.x).dz @ drawn.state
    rise += drawn.heights_at(wave.piece, wave.x)
    nominal = surface.nominal
    there = layout.source - nominal.foci[0]
    z = nominal.height(wave.x)
    inwards = np.stack([wave.x - nominal.foci[0][0], z - nominal.foci[0][1]])[:, :, None]
    outwards = np.stack([layout.image[0] - wave.x, layout.image[1] - z])[:, :, None]
    here = layout.along * target[0] + layout.across * target[1]
    paths = [
        _longer(inwards, np.stack([np.full_like(lift, -there[0]), lift - there[1]]))
        + _longer(outwards, np.stack([np.full_like(lift, here[0]), here[1] - lift]))
        for lift in (rise, wave.rise[:, None])
    ]
    return paths[0] - paths[1]


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
    return Wave(cells.piece, cells.x, amplitude, _before(cells, rise, surface, layout), rise, angle)


def intensity(
    wave: Wave,
    beam: Beam,
    layout: Bench,
    surface: Surface,
    place: FloatArray,
    sources: FloatArray,
    weights: FloatArray,
    change: FloatArray | None = None,
) -> FloatArray:
    """Light per length at places of the plane [1/m]: the sum over sources of |sum over cells|**2 / wavelength.

    Shape (B,), or with changes of the phase (N, D) [rad] the same for each of them, (B, D).
    """
    wavelength = beam.mean_wavelength
    k = 2 * np.pi / wavelength
    # one wave for each point of the source; those points share everything behind the mirror
    paths = wave.before[:, None] + _source_paths(wave, surface, layout, sources)
    sent = wave.amplitude[:, None] * np.exp(1j * (k * paths)) * np.sqrt(weights)
    turned = np.ones((len(wave.x), 1)) if change is None else np.exp(1j * change)
    found = np.empty((len(place), turned.shape[1]))
    size = max(1_000_000 // len(wave.x), 1)
    for start in range(0, len(place), size):
        part = place[start : start + size]
        phase = k * _after(wave, layout, surface, np.stack([np.full_like(part, beam.plane), part]))
        kernel = np.empty(phase.shape, dtype=np.complex128)
        np.cos(phase, out=kernel.real)
        np.sin(phase, out=kernel.imag)
        if change is None:
            found[start : start + size, 0] = (np.abs(kernel.T @ sent) ** 2).sum(axis=1)
        else:
            found[start : start + size] = sum(np.abs(kernel.T @ (one[:, None] * turned)) ** 2 for one in sent.T)
    return found[:, 0] / wavelength if change is None else found / wavelength


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


def _source_points(beam: Beam, surface: Surface, narrowest: float, dense: float = 3.0) -> tuple[FloatArray, FloatArray]:
    """Points of the source and their weights: one, or so many to each width of the diffraction.

    Light per length of a coherent wave has no waves shorter than 0.886 times that width, so that those points add up
    to a smooth source if they are as close as that.
    """
    if beam.coherence == "full" or beam.source.is_point:
        return np.zeros(1), np.ones(1)
    ends = beam.source.quantile(np.array([5e-5, 1 - 5e-5]))
    image = float(ends[1] - ends[0]) * surface.nominal.q / surface.nominal.p
    count = int(np.clip(dense * image / narrowest, 9, SOURCE_POINTS)) | 1
    edges = np.linspace(ends[0], ends[1], count + 1)
    light = np.diff(beam.source.cdf(edges))
    return (edges[1:] + edges[:-1]) / 2, light / light.sum()


def _untilted(phase: FloatArray, wave: Wave) -> FloatArray:
    """Phase (N, ...) less its mean and what is linear in the angle, weighted by amplitude [rad]."""
    weight = wave.amplitude / wave.amplitude.sum()
    u = wave.angle - weight @ wave.angle
    rest = phase - weight @ phase
    return np.asarray(rest - np.multiply.outer(u, (weight * u) @ rest) / (weight @ (u * u)))


def _rms(phase: FloatArray, wave: Wave) -> FloatArray:
    """Standard deviation of a phase (N, ...) without mean, weighted by amplitude [rad]."""
    return np.asarray(np.sqrt(wave.amplitude / wave.amplitude.sum() @ phase**2))


def _peak(density: FloatArray) -> float:
    """Largest density, by the parabola through the largest value and its neighbours."""
    top = int(density.argmax())
    if not 0 < top < len(density) - 1:
        return float(density[top])
    before, here, behind = density[top - 1 : top + 2]
    bend = before - 2 * here + behind
    return float(here - (behind - before) ** 2 / (8 * bend)) if bend < 0 else float(here)


def _fwhm(place: FloatArray, density: FloatArray) -> float:
    half = _peak(density) / 2
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
