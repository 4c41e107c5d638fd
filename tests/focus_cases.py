"""Mirrors and beams for the tests of the focus, and rays traced the plain way."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.focus import Beam, FigureError, Piece, Surface
from ellipsefit.focus.geometry import bench
from ellipsefit.focus.rays import Cells, Rays, cut, trace
from ellipsefit.mirror import Mirror, Segment
from ellipsefit.profile import Profile, Quantity
from ellipsefit.simulate import hidden_state, invented_mirror

#: 12 m and 8 m, 20 mrad, 9 m in 18 segments with 5 mm gaps.
R1 = Ellipse(12.0, 8.0, 20e-3)
ANGSTROM = 1e-10
#: Figure of the invented mirrors: spread [m], correlation length [m].
SIZE, LENGTH = 20e-9, 40e-3


def spans(count: int, length: float, gap: float) -> list[tuple[float, float]]:
    """Equal segments about the pole."""
    pitch = (length + gap) / count
    return [(-length / 2 + i * pitch, -length / 2 + (i + 1) * pitch - gap) for i in range(count)]


def surface_of(
    ellipse: Ellipse = R1,
    *,
    count: int = 18,
    length: float = 9.0,
    gap: float = 5e-3,
    heights: FloatArray | None = None,
    tilts: FloatArray | None = None,
    figures: tuple[FigureError | None, ...] | None = None,
    nominal: Ellipse | None = None,
    coating_m: float | None = None,
    pose_height: float = 0.0,
    pose_tilt: float = 0.0,
) -> Surface:
    heights = np.zeros(count) if heights is None else heights
    tilts = np.zeros(count) if tilts is None else tilts
    figures = (None,) * count if figures is None else figures
    pieces = tuple(
        Piece(
            name=f"S{i + 1:02d}",
            start=start,
            end=end,
            height=float(heights[i]),
            tilt=float(tilts[i]),
            figure=figures[i],
            coating_m=coating_m,
        )
        for i, (start, end) in enumerate(spans(count, length, gap))
    )
    return Surface(
        nominal=nominal or ellipse, ellipse=ellipse, pieces=pieces, pose_height=pose_height, pose_tilt=pose_tilt
    )


def mirror_of(surface: Surface, **more: Any) -> Mirror:
    return Mirror(
        name="Larch",
        nominal=surface.nominal,
        segments=tuple(Segment(name=piece.name, start=piece.start, end=piece.end) for piece in surface.pieces),
        **more,
    )


def x_rays(**more: Any) -> Beam:
    return Beam(kind="x-ray", wavelength=(ANGSTROM, ANGSTROM), **more)


def neutrons(shortest: float = 3.0, longest: float = 5.0, **more: Any) -> Beam:
    return Beam(kind="neutron", wavelength=(shortest * ANGSTROM, longest * ANGSTROM), **more)


def wavy(
    start: float, end: float, amplitude: float, period: float, phase: float = 0.0, knots: int = 400
) -> FigureError:
    """Sinusoidal height error between knots."""
    x = np.linspace(start, end, knots)
    k = 2 * np.pi / period
    return FigureError(
        x=x,
        height=amplitude * np.sin(k * x + phase),
        slope=amplitude * k * np.cos(k * x + phase),
        unresolved=np.zeros_like(x),
    )


def rays_of(
    surface: Surface, beam: Beam, *, cells: int, per_cell: int = 1, deflection: Any = None
) -> tuple[Cells, Rays]:
    layout = bench(beam, surface.nominal, deflection)
    m = np.array([np.nan if piece.coating_m is None else piece.coating_m for piece in surface.pieces])
    found = cut(surface, layout, cells)
    return found, trace(found, beam, layout, m, per_cell)


class Plain(NamedTuple):
    """Rays traced the plain way: where they cross the plane [m], and which arrive at all."""

    across: FloatArray
    arrives: np.ndarray[tuple[int], np.dtype[np.bool_]]


def plain_trace(surface: Surface, beam: Beam, s: FloatArray, angle: FloatArray) -> Plain:
    """Trace rays that leave the source at s (across) in directions `angle`, the straightforward way.

    For every segment in turn: a ray below its front edge is lost; one below its rear edge meets it, and Newton's
    method finds where; it is reflected at the normal, is lost if it passes below a later edge, and crosses the plane.
    """
    layout = bench(beam, surface.nominal, None)
    sx, sz = (layout.source[i] + s * layout.across_in[i] for i in range(2))
    toward = -layout.source / np.hypot(*layout.source)
    dx = toward[0] * np.cos(angle) - toward[1] * np.sin(angle)
    dz = toward[0] * np.sin(angle) + toward[1] * np.cos(angle)
    across = np.full(len(angle), np.nan)
    flying = np.ones(len(angle), dtype=bool)
    edges = [
        (x, float(surface.curve(number, np.array([x])).height[0]))
        for number, piece in enumerate(surface.pieces)
        for x in (piece.start, piece.end)
    ]
    for number in range(len(surface.pieces)):
        front, rear = edges[2 * number], edges[2 * number + 1]
        at_front = sz + dz / dx * (front[0] - sx)
        at_rear = sz + dz / dx * (rear[0] - sx)
        flying &= at_front > front[1]  # what is lower hits the front face
        met = np.flatnonzero(flying & (at_rear <= rear[1]))
        flying[met] = False
        rise = dz[met] / dx[met]
        x = np.full(len(met), (front[0] + rear[0]) / 2)
        for _ in range(6):
            curve = surface.curve(number, np.clip(x, front[0], rear[0]))
            x = x - (curve.height - sz[met] - rise * (x - sx[met])) / (curve.slope - rise)
        curve = surface.curve(number, np.clip(x, front[0], rear[0]))
        normal = np.stack([-curve.slope, np.ones_like(x)]) / np.hypot(curve.slope, 1.0)
        into = dx[met] * normal[0] + dz[met] * normal[1]
        vx, vz = dx[met] - 2 * into * normal[0], dz[met] - 2 * into * normal[1]
        clear = np.ones(len(met), dtype=bool)
        for place, height in edges[2 * number + 2 :]:
            clear &= curve.height + vz / vx * (place - x) > height
        rx, rz = x - layout.image[0], curve.height - layout.image[1]
        ahead = beam.plane - (rx * layout.along[0] + rz * layout.along[1])
        far = ahead / (vx * layout.along[0] + vz * layout.along[1])
        landed = rx * layout.across[0] + rz * layout.across[1]
        landed = landed + far * (vx * layout.across[0] + vz * layout.across[1])
        across[met] = np.where(clear, landed, np.nan)
    return Plain(across, np.isfinite(across))


def plain_rays(surface: Surface, beam: Beam, count: int, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Random rays of a beam that fills the mirror: places in the source and directions."""
    layout = bench(beam, surface.nominal, None)
    s = np.zeros(count) if beam.source.is_point else beam.source.quantile(rng.uniform(0, 1, count))
    ends = []
    for number, x in ((0, surface.span[0]), (len(surface.pieces) - 1, surface.span[1])):
        z = float(surface.curve(number, np.array([x])).height[0])
        ux, uz = x - layout.source[0] - s * layout.across_in[0], z - layout.source[1] - s * layout.across_in[1]
        toward = -layout.source / np.hypot(*layout.source)
        ends.append(np.arctan2(toward[0] * uz - toward[1] * ux, toward[0] * ux + toward[1] * uz))
    return s, ends[0] + (ends[1] - ends[0]) * rng.uniform(0, 1, count)


def smooth(length: float, rng: np.random.Generator) -> tuple[FloatArray, FloatArray, FloatArray]:
    """White noise under a moving Gaussian weight, at places from 0 on, and its derivative: unit spread.

    Its correlation is exp(-d**2 / (2 LENGTH**2)).
    """
    step = LENGTH / 25
    count, width = int(length / step) + 1, LENGTH / np.sqrt(2)
    k = np.arange(-100, 101) * step
    weight = np.exp(-k * k / (2 * width**2))
    weight /= np.sqrt((weight**2).sum())
    white = rng.normal(size=count + 200)
    height = np.convolve(white, weight, "valid")
    return np.linspace(0, length, count), height, np.convolve(white, -k / width**2 * weight, "valid")


def true_mirror(
    segments: int, length: float, seed: int, *, noise: float, step: float, quantity: Quantity = "height"
) -> tuple[Mirror, Surface, Profile]:
    """An invented mirror with a figure, as it stands and as it is measured."""
    mirror, rng = invented_mirror(segments=segments, length=length), np.random.default_rng(seed)
    state = hidden_state(mirror, rng, spread_height=2e-6, spread_tilt=2e-6, height=2e-6, tilt=1e-6)
    pieces = []
    for item, height, tilt in zip(mirror.segments, state.segment_height, state.segment_tilt, strict=True):
        x, z, m = smooth(item.length, rng)
        figure = FigureError(x=item.start + x, height=SIZE * z, slope=SIZE * m, unresolved=0 * x)
        pieces.append(Piece(name=item.name, start=item.start, end=item.end, height=height, tilt=tilt, figure=figure))
    surface = Surface(
        nominal=mirror.nominal,
        ellipse=state.ellipse,
        pieces=tuple(pieces),
        pose_height=state.height,
        pose_tilt=state.tilt,
    )
    placed: list[FloatArray] = []
    values: list[FloatArray] = []
    for number, item in enumerate(mirror.segments):
        place = np.arange(item.start + step / 2, item.end, step)
        placed.append(place)
        values.append(getattr(surface.curve(number, place), quantity) + rng.normal(0, noise, len(place)))
    places = np.concatenate(placed)
    profile = Profile(
        name="invented",
        quantity=quantity,
        x=places,
        values=np.concatenate(values),
        sigma=np.full(len(places), noise),
        frame="mirror",
    )
    return mirror, surface, profile
