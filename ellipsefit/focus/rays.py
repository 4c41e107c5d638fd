"""Exact rays in the plane of incidence, by where they meet the surface.

A ray is given by the point P of the surface that it meets and the point S + s n of the source that it
comes from, so nothing has to be searched: it lies on the surface by construction. With tau = (1, z') the
reflected direction is v = 2 (u.tau) tau - |tau|**2 u, linear in u = P - S - s n, so the place where it
crosses the plane is a quotient of two linear functions of s whose coefficients belong to P alone. How much
light a ray stands for is the angle that its cell of the surface subtends at its point of the source, less
what edges upstream shadow. Neutrons that fall fly on parabolas; the one through two given points at a given
speed has a closed form, too.

Steps between segments: an edge that stands high takes light from the segment behind it (exactly, by angle,
for every point of the source) and cuts reflected light (in proportion within a cell, as seen from the middle
of the source). Within a segment the surface is concave, so edges are all that can be in the way.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from ellipsefit.arrays import FloatArray, IntArray
from ellipsefit.focus.beam import H_OVER_M, Beam
from ellipsefit.focus.geometry import Bench
from ellipsefit.focus.reflectivity import momentum_transfer, supermirror
from ellipsefit.focus.surface import Surface

#: Rays worked on at a time, so that all about them stays in the cache of a core.
CHUNK: Final = 1 << 15
#: Places in the source, with a wavelength each, by which the light of a stated divergence is told.
PLACES: Final = 32
#: The middle of the source, for one ray a cell.
ORIGIN: Final = np.zeros((1, 1))
#: Rays from which several cores pay.
MANY: Final = 1 << 20
#: Steps through a unit square that fill it evenly: the plastic number's powers (common practice).
EVENLY: Final = (0.7548776662466927, 0.5698402909980532, 0.8191725133961645)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cells:
    """The surface cut into cells along x; a ray meets the middle of one. All arrays have shape (N,)."""

    piece: IntArray
    x: FloatArray
    z: FloatArray
    slope: FloatArray
    unresolved: FloatArray  # standard deviation of the slope [rad]
    x0: FloatArray  # ends of the cell
    z0: FloatArray
    x1: FloatArray
    z1: FloatArray
    clear: FloatArray  # share that no later edge cuts off from the image


class Rays(NamedTuple):
    """Where rays cross the plane and what they carry, each of shape (N, M): M rays for each cell."""

    across: FloatArray  # from the chief ray, positive towards +z [m]
    slope: FloatArray  # tangent of the angle to the chief ray
    weight: FloatArray  # share of the beam that arrives
    struck: FloatArray  # share of the beam that strikes the surface


def cut(surface: Surface, layout: Bench, count: int) -> Cells:
    """Cut a surface into about so many cells, as many on each piece as its length asks for."""
    total = sum(piece.end - piece.start for piece in surface.pieces)
    numbers, mids, lows, highs, clear = [], [], [], [], []
    edges_x, edges_z = edges_of(surface)
    for index, piece in enumerate(surface.pieces):
        number = max(int(np.ceil(count * (piece.end - piece.start) / total)), 4)
        ends = np.linspace(piece.start, piece.end, number + 1)
        x = (ends[1:] + ends[:-1]) / 2
        at_ends, at_x = surface.curve(index, ends), surface.curve(index, x)
        z = at_ends.height
        margin = margin_above(ends, z, at_ends.slope, layout.source, edges_x[index + 1 :], edges_z[index + 1 :]).least
        clear.append(positive_share(margin[:-1], margin[1:]))
        numbers.append(np.full(number, index))
        mids.append(np.stack([x, at_x.height, at_x.slope, surface.unresolved(index, x)]))
        lows.append(np.stack([ends[:-1], z[:-1]]))
        highs.append(np.stack([ends[1:], z[1:]]))
    mid, low, high = (np.concatenate(parts, axis=1) for parts in (mids, lows, highs))
    return Cells(
        piece=np.concatenate(numbers),
        x=mid[0],
        z=mid[1],
        slope=mid[2],
        unresolved=mid[3],
        x0=low[0],
        z0=low[1],
        x1=high[0],
        z1=high[1],
        clear=np.concatenate(clear),
    )


def trace(cells: Cells, beam: Beam, layout: Bench, coating_m: FloatArray, per_cell: int) -> Rays:
    """Trace rays from every cell to the plane of the beam.

    Parameters
    ----------
    cells : Cells
    beam : Beam
    layout : Bench
    coating_m : array, shape (pieces,)
        m of each piece's coating; NaN: it reflects all.
    per_cell : int
        M, rays for each cell, spread evenly over source, wavelength and what is unresolved.

    Returns
    -------
    Rays
    """
    n = len(cells.x)
    rays = Rays(*(np.empty((n, per_cell)) for _ in range(4)))
    fan = Fan.of(cells, beam, layout)
    size = max(CHUNK // per_cell, 1)
    parts = [slice(start, min(start + size, n)) for start in range(0, n, size)]

    def work(part: slice) -> None:
        _trace_part(cells, beam, layout, fan, coating_m, part, rays)

    if n * per_cell >= MANY and (os.cpu_count() or 1) > 1:
        with ThreadPoolExecutor(os.cpu_count()) as pool:  # numpy lets go of the interpreter while it computes
            list(pool.map(work, parts))
    else:
        for part in parts:
            work(part)
    return rays


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fan:
    """Angles at the source, from its middle's line to the pole [rad]."""

    toward: FloatArray  # (2,) unit vector to which angles are taken
    acceptance: FloatArray  # polynomial in s / scale: angle from the mirror's first edge to its last, straight lines
    scale: float
    ends: tuple[float, float, float, float]  # x and z of the first edge, x and z of the last
    shadow: FloatArray  # (2, pieces) x and z of the downstream edges
    rivals: IntArray  # (3, pieces) upstream edge that stands highest from the ends and the middle of the source; -1
    shaded: IntArray  # cells that an edge upstream may shade
    light: FloatArray | None  # (N,) what each cell gets of a stated divergence, over all of the source

    @classmethod
    def of(cls, cells: Cells, beam: Beam, layout: Bench) -> Fan:
        """The fan of a beam over a mirror that is cut into cells."""
        toward = -layout.source / np.hypot(*layout.source)
        reach = source_reach(beam)
        scale = float(np.abs(reach).max()) or 1.0
        first, last = (cells.x0[0], cells.z0[0]), (cells.x1[-1], cells.z1[-1])
        if beam.source.is_point:
            acceptance = np.array([_angle(*first, layout, toward, 0.0, last)])
        else:
            s = np.linspace(-scale, scale, 9)
            values = [_angle(*first, layout, toward, float(place), last) for place in s]
            acceptance = np.polynomial.polynomial.polyfit(s / scale, values, 5)
        ends = np.flatnonzero(np.diff(cells.piece, append=cells.piece[-1] + 1))
        edges = np.stack([cells.x1[ends], cells.z1[ends]])
        shaded = np.zeros(len(cells.x), dtype=bool)
        wave, rivals = np.array(beam.mean_wavelength), []
        for place in (reach[0], 0.0, reach[1]):
            low = _launch(cells.x0, cells.z0, np.array(place), wave, layout, toward)
            seen = _launch(edges[0], edges[1], np.array(place), wave, layout, toward)
            highest = np.maximum.accumulate(seen)
            leader = np.maximum.accumulate(np.where(seen == highest, np.arange(len(seen)), -1))
            rivals.append(np.concatenate([[-1], leader[:-1]]))
            behind = np.where(cells.piece > 0, highest[cells.piece - 1], -np.inf)
            shaded |= low < behind + 1e-12
        return cls(
            toward=toward,
            acceptance=acceptance,
            scale=scale,
            ends=(float(first[0]), float(first[1]), float(last[0]), float(last[1])),
            shadow=edges,
            rivals=np.array(rivals),
            shaded=np.flatnonzero(shaded),
            light=None if beam.divergence is None else _light_of_cells(cells, beam, layout, toward),
        )

    def whole(self, s: FloatArray, wavelength: FloatArray, layout: Bench) -> FloatArray:
        """Angle that the mirror subtends from its first edge to its last [rad]."""
        if layout.pull.any():
            x0, z0, x1, z1 = (np.array([[value]]) for value in self.ends)
            return _subtended(x0, z0, x1, z1, s, wavelength, layout)
        return np.asarray(np.polynomial.polynomial.polyval(np.asarray(s) / self.scale, self.acceptance))


def source_reach(beam: Beam) -> FloatArray:
    """Ends of the source, of a Gaussian all but a millionth [m]."""
    return np.zeros(2) if beam.source.is_point else beam.source.quantile(np.array([5e-7, 1 - 5e-7]))


def _direction(x: FloatArray, z: FloatArray, layout: Bench, toward: FloatArray, s: FloatArray) -> FloatArray:
    """Angle of the line from a point of the source to (x, z), from `toward`, growing downstream [rad]."""
    ux = x - layout.source[0] - s * layout.across_in[0]
    uz = z - layout.source[1] - s * layout.across_in[1]
    return np.asarray(np.arctan2(toward[0] * uz - toward[1] * ux, toward[0] * ux + toward[1] * uz))


def _angle(x: float, z: float, layout: Bench, toward: FloatArray, s: float, other: tuple[float, float]) -> float:
    low = _direction(np.array(x), np.array(z), layout, toward, np.array(s))
    return float(_direction(np.array(other[0]), np.array(other[1]), layout, toward, np.array(s)) - low)


def samples(cells: IntArray, per_cell: int, which: int) -> FloatArray:
    """Shares between 0 and 1 for the rays of some cells (n,), (n, M): one in each M-th, evenly over the cells.

    `which`: 0 for the source, 1 for the wavelength, 2 for the unresolved slope.
    """
    row = cells[:, None]
    shift = (row * EVENLY[which] + 0.5) % 1.0
    column = np.arange(per_cell)[None, :]
    if which == 0:
        return np.asarray((column + shift) / per_cell)
    turn = (column * EVENLY[which - 1] + shift) % 1.0
    return np.asarray(np.clip(turn, 1e-9, 1 - 1e-9))


def unresolved_turns(cells: IntArray, per_cell: int) -> FloatArray:
    """Change of the slope for the rays of some cells, (n, M), over the standard deviation of what is unresolved."""
    from scipy.special import ndtri

    return np.asarray(ndtri(samples(cells, per_cell, 2)))


def _trace_part(
    cells: Cells, beam: Beam, layout: Bench, fan: Fan, coating_m: FloatArray, part: slice, rays: Rays
) -> None:
    per_cell, numbers = rays.across.shape[1], np.arange(part.start, part.stop)
    x, z, m = (values[part, None] for values in (cells.x, cells.z, cells.slope))
    s = ORIGIN
    if not beam.source.is_point:
        s = beam.source.quantile(samples(numbers, per_cell, 0))
    wavelength = np.full((1, 1), beam.wavelength[0])
    if beam.wavelength[1] > beam.wavelength[0]:
        wavelength = beam.wavelengths(samples(numbers, per_cell, 1))
    falls = bool(layout.pull.any())
    flight = fly(x, z, m, s, wavelength, beam, layout) if falls else straight(x, z, m, s, beam, layout)
    across, slope = flight.across, flight.slope
    unresolved = cells.unresolved[part, None]
    if unresolved.any():
        # first order in the slope: it is small beside all else
        turn = unresolved * unresolved_turns(numbers, per_cell)
        across = across + flight.lever * turn
        slope = slope + 2 * turn
    struck = light_of(cells, beam, layout, fan, part, s, wavelength)
    weight = struck * cells.clear[part, None]
    m_coating = coating_m[cells.piece[part]][:, None]
    if beam.kind == "neutron" and not np.isnan(m_coating).all():
        q = momentum_transfer(flight.grazing(), wavelength)
        weight = weight * supermirror(q, m_coating, beam.coating)
    rays.across[part], rays.slope[part] = across, slope
    rays.struck[part], rays.weight[part] = struck / per_cell, weight / per_cell


class Flight(NamedTuple):
    """Where rays cross the plane, from their points of the surface."""

    across: FloatArray  # [m]
    slope: FloatArray  # tangent of the angle to the chief ray
    lever: FloatArray  # change of `across` by the surface's slope [m/rad], to first order
    ux: FloatArray  # direction of incidence
    uz: FloatArray
    m: FloatArray  # slope of the surface

    def grazing(self) -> FloatArray:
        """Grazing angle [rad]."""
        return np.arctan2(self.ux * self.m - self.uz, self.ux + self.m * self.uz)


def straight(x: FloatArray, z: FloatArray, m: FloatArray, s: FloatArray, beam: Beam, layout: Bench) -> Flight:
    """Rays on straight lines, see the module's text."""
    ux, uz = x - layout.source[0], z - layout.source[1]
    nx, nz = layout.across_in
    even, odd = (1 - m) * (1 + m), 2 * m
    ax, az = layout.along
    ex, ez = layout.across
    vx, vz = even * ux + odd * uz, odd * ux - even * uz
    wx, wz = even * nx + odd * nz, odd * nx - even * nz
    rx, rz = x - layout.image[0], z - layout.image[1]
    ahead = beam.plane - (rx * ax + rz * az)
    slope = ((vx * ex + vz * ez) - s * (wx * ex + wz * ez)) / ((vx * ax + vz * az) - s * (wx * ax + wz * az))
    across = (rx * ex + rz * ez) + ahead * slope
    lever = ahead * (1 + slope * slope) * (2 / (1 + m * m))
    return Flight(across, slope, lever, ux - s * nx, uz - s * nz, m)


def fly(
    x: FloatArray,
    z: FloatArray,
    m: FloatArray,
    s: FloatArray,
    wavelength: FloatArray,
    beam: Beam,
    layout: Bench,
) -> Flight:
    """Neutrons on parabolas: |D - g t**2/2| = v t is quadratic in t**2, and the plane is met at a root of another."""
    gx, gz = layout.pull
    dx = x - layout.source[0] - s * layout.across_in[0]
    dz = z - layout.source[1] - s * layout.across_in[1]
    speed = H_OVER_M / np.asarray(wavelength)
    time = _time_of_flight(dx, dz, speed, layout)
    ux, uz = dx / time + gx * time / 2, dz / time + gz * time / 2
    scale = 1 / (1 + m * m)
    vx, vz = ((1 - m * m) * ux + 2 * m * uz) * scale, (2 * m * ux - (1 - m * m) * uz) * scale
    (ax, az), (ex, ez) = layout.along, layout.across
    rx, rz = x - layout.image[0], z - layout.image[1]
    ahead = beam.plane - (rx * ax + rz * az)
    va, ve, ga, ge = vx * ax + vz * az, vx * ex + vz * ez, gx * ax + gz * az, gx * ex + gz * ez
    after = 2 * ahead / (va + np.sqrt(va * va + 2 * ga * ahead))
    across = (rx * ex + rz * ez) + ve * after + ge * after * after / 2
    slope = (ve + ge * after) / (va + ga * after)
    return Flight(across, slope, 2 * scale * ahead * (1 + slope * slope), ux, uz, m)


def _time_of_flight(dx: FloatArray, dz: FloatArray, speed: FloatArray, layout: Bench) -> FloatArray:
    """Time from the source to a point at (dx, dz) from it, leaving at a given speed [s]: the flat parabola."""
    gx, gz = layout.pull
    square = dx * dx + dz * dz
    b = speed * speed + (dx * gx + dz * gz)
    root = np.sqrt(b * b - (gx * gx + gz * gz) * square)
    return np.asarray(np.sqrt(2 * square / (b + root)), dtype=np.float64)


def light_of(
    cells: Cells,
    beam: Beam,
    layout: Bench,
    fan: Fan,
    part: slice,
    s: FloatArray,
    wavelength: FloatArray,
) -> FloatArray:
    """Share of the beam that strikes each cell, (n, M): by angle at the source, less what upstream edges take."""
    x0, z0, x1, z1 = (values[part, None] for values in (cells.x0, cells.z0, cells.x1, cells.z1))
    if beam.divergence is None or fan.light is None:
        angle = _subtended(x0, z0, x1, z1, s, wavelength, layout)
        light = angle / fan.whole(s, wavelength, layout)
    else:
        low, high = (_launch(x, z, s, wavelength, layout, fan.toward) for x, z in ((x0, z0), (x1, z1)))
        light = beam.divergence.cdf(high) - beam.divergence.cdf(low)
        # a few places of the source a cell do not tell its light as well as all of them tell that of every cell
        mean = light.mean(axis=1, keepdims=True)
        whole = fan.light[part, None]
        light = np.where(mean > 0, light * (whole / np.where(mean > 0, mean, 1.0)), whole)
    first, last = np.searchsorted(fan.shaded, [part.start, part.stop])
    if last > first:
        rows = fan.shaded[first:last]
        own = rows - part.start
        place = np.broadcast_to(s, (len(light), s.shape[1]))[own]
        wave = np.broadcast_to(wavelength, (len(light), wavelength.shape[1]))[own]
        low = _launch(cells.x0[rows, None], cells.z0[rows, None], place, wave, layout, fan.toward)
        high = _launch(cells.x1[rows, None], cells.z1[rows, None], place, wave, layout, fan.toward)
        highest = np.full_like(low, -np.inf)
        for edge in fan.rivals[:, cells.piece[rows]]:  # of each row, the edges that may stand highest
            x, z = fan.shadow[:, edge, None]
            seen = _launch(x, z, place, wave, layout, fan.toward)
            highest = np.where(edge[:, None] >= 0, np.maximum(highest, seen), highest)
        light = np.array(np.broadcast_to(light, np.broadcast_shapes(light.shape, (1, low.shape[1]))))
        light[own] *= np.clip((high - np.maximum(low, highest)) / (high - low), 0.0, 1.0)
    return light


def _light_of_cells(cells: Cells, beam: Beam, layout: Bench, toward: FloatArray) -> FloatArray:
    """What each cell gets of a beam of stated divergence, (N,): cells beside each other share their edge's value."""
    if beam.divergence is None:
        return np.zeros_like(cells.x)
    s, wavelength = _places_and_waves(beam, PLACES)
    total = np.zeros_like(cells.x)
    for place, wave in zip(s, wavelength, strict=True):
        ends = (_launch(x, z, place, wave, layout, toward) for x, z in ((cells.x0, cells.z0), (cells.x1, cells.z1)))
        low, high = (beam.divergence.cdf(end) for end in ends)
        total += (high - low) / len(s)
    return total


def _places_and_waves(beam: Beam, count: int) -> tuple[FloatArray, FloatArray]:
    """So many places in the source with a wavelength each, evenly over both; one of a point and one wavelength."""
    single = beam.source.is_point and beam.wavelength[0] == beam.wavelength[1]
    share = (np.arange(1 if single else count) + 0.5) / (1 if single else count)
    s = np.zeros_like(share) if beam.source.is_point else beam.source.quantile(share)
    return s, beam.wavelengths((share * EVENLY[0] * count) % 1.0 if not single else share)


def _subtended(
    x0: FloatArray,
    z0: FloatArray,
    x1: FloatArray,
    z1: FloatArray,
    s: FloatArray,
    wavelength: FloatArray,
    layout: Bench,
) -> FloatArray:
    """Angle between the directions in which rays to the two ends of a cell leave the source [rad]."""
    sx, sz = layout.source
    nx, nz = layout.across_in
    if layout.pull.any():
        (ax, az), (bx, bz) = (_launched(x, z, s, wavelength, layout) for x, z in ((x0, z0), (x1, z1)))
        turned = (ax * bz - az * bx) / (ax * bx + az * bz)
    else:
        ux0, uz0, ux1, uz1 = x0 - sx, z0 - sz, x1 - sx, z1 - sz
        # cross and scalar product of the two lines are polynomials in s
        cross = (ux0 * uz1 - uz0 * ux1) - s * (nx * (uz1 - uz0) - nz * (ux1 - ux0))
        turned = cross / ((ux0 * ux1 + uz0 * uz1) - s * (nx * (ux0 + ux1) + nz * (uz0 + uz1)) + np.square(s))
    if turned.size and float(turned.max()) > 1e-2:
        return np.arctan(turned)
    return np.asarray(turned - turned * turned * turned / 3)


def _launched(
    x: FloatArray, z: FloatArray, s: FloatArray, wavelength: FloatArray, layout: Bench
) -> tuple[FloatArray, FloatArray]:
    """Velocity with which a neutron leaves the source to reach (x, z)."""
    dx = x - layout.source[0] - s * layout.across_in[0]
    dz = z - layout.source[1] - s * layout.across_in[1]
    time = _time_of_flight(dx, dz, H_OVER_M / np.asarray(wavelength), layout)
    return dx / time - layout.pull[0] * time / 2, dz / time - layout.pull[1] * time / 2


def _launch(
    x: FloatArray,
    z: FloatArray,
    s: FloatArray,
    wavelength: FloatArray,
    layout: Bench,
    toward: FloatArray,
) -> FloatArray:
    """Direction in which a ray to (x, z) leaves the source, from `toward` [rad]."""
    if not layout.pull.any():
        return _direction(x, z, layout, toward, s)
    vx, vz = _launched(x, z, s, wavelength, layout)
    return np.asarray(np.arctan2(toward[0] * vz - toward[1] * vx, toward[0] * vx + toward[1] * vz))


def edges_of(surface: Surface) -> tuple[FloatArray, FloatArray]:
    """Both ends of every piece, (pieces, 2) each: x and z."""
    x = np.array([[piece.start, piece.end] for piece in surface.pieces])
    z = np.stack([surface.curve(index, row).height for index, row in enumerate(x)])
    return x, z


class Margin(NamedTuple):
    """How far reflected rays pass above later edges, (N,) each."""

    least: FloatArray  # [m], infinite behind the last piece
    edge: IntArray  # which of the later edges is the nearest to the ray
    ahead: FloatArray  # its distance along x [m]
    rise: FloatArray  # slope of the ray


def margin_above(
    x: FloatArray, z: FloatArray, slope: FloatArray, source: FloatArray, edges_x: FloatArray, edges_z: FloatArray
) -> Margin:
    """How far the reflected ray passes above the highest later edge."""
    if not edges_x.size:
        return Margin(np.full_like(x, np.inf), np.zeros(len(x), dtype=np.intp), np.zeros_like(x), np.zeros_like(x))
    ux, uz = x - source[0], z - source[1]
    even, odd = (1 - slope) * (1 + slope), 2 * slope
    rise = (odd * ux - even * uz) / (even * ux + odd * uz)
    distance = edges_x.ravel()[None, :] - x[:, None]
    above = z[:, None] + rise[:, None] * distance - edges_z.ravel()[None, :]
    edge, row = above.argmin(axis=1), np.arange(len(x))
    return Margin(above[row, edge], edge, distance[row, edge], rise)


def positive_share(first: FloatArray, last: FloatArray) -> FloatArray:
    """Share of a stretch on which a line from `first` to `last` is above zero."""
    high, low = np.maximum(first, last), np.minimum(first, last)
    with np.errstate(invalid="ignore"):
        share = high / (high - low)
    return np.where(low > 0, 1.0, np.where(high <= 0, 0.0, share))


class Unused(NamedTuple):
    """What of the beam strikes no surface, as shares of it."""

    gaps: float  # between the pieces
    past: float  # beside the mirror: before its first edge or behind its last


class Struck(NamedTuple):
    """What strikes each piece, passes through gaps, and passes beside the mirror, as shares of the beam."""

    pieces: FloatArray  # (pieces, ...)
    gaps: FloatArray  # (...)
    past: FloatArray  # (...)


def struck(
    first: tuple[FloatArray, FloatArray], last: tuple[FloatArray, FloatArray], beam: Beam, layout: Bench
) -> Struck:
    """Where the light goes, from the edges of the pieces alone: what an edge upstream shadows has struck before it.

    Parameters
    ----------
    first, last : tuple of array
        x (pieces,) and z (pieces,) or, of several states, (pieces, D) of each piece's upstream and downstream edge.
    beam, layout
        The beam and its bench.
    """
    toward = -layout.source / np.hypot(*layout.source)
    s, wavelength = _places_and_waves(beam, PLACES)

    def seen(edge: tuple[FloatArray, FloatArray]) -> FloatArray:
        x, z = (values.reshape(len(values), 1, -1) for values in edge)
        return _launch(x, z, s[:, None], wavelength[:, None], layout, toward)

    low, high = seen(first), seen(last)
    reached = np.maximum.accumulate(high)
    if beam.divergence is None:
        start, whole = low[0], high[-1] - low[0]
        low, high, reached = ((angle - start) / whole for angle in (low, high, reached))
        past = 1 - reached[-1]
    else:
        low, high, reached = (beam.divergence.cdf(angle) for angle in (low, high, reached))
        past = low[0] + 1 - reached[-1]
    gaps = np.maximum(low[1:] - reached[:-1], 0.0).sum(axis=0)
    pieces = np.concatenate([(high - low)[:1], np.maximum(high[1:] - np.maximum(low[1:], reached[:-1]), 0.0)])
    shape = np.shape(last[1])[1:]
    return Struck(
        pieces.mean(axis=1).reshape(-1, *shape), gaps.mean(axis=0).reshape(shape), past.mean(axis=0).reshape(shape)
    )


def unused(cells: Cells, beam: Beam, layout: Bench) -> Unused:
    """What passes through gaps and beside the mirror, from the edges alone."""
    starts = np.flatnonzero(np.diff(cells.piece, prepend=-1))
    ends = np.append(starts[1:] - 1, len(cells.x) - 1)
    found = struck((cells.x0[starts], cells.z0[starts]), (cells.x1[ends], cells.z1[ends]), beam, layout)
    return Unused(float(found.gaps), float(found.past))
