"""The analytic model beside the rays: first order in what each freedom does, a Gauss-like sum over the mirror.

Light that meets the mirror at P lands at y(P), the source smears it by the magnification there, and a
change of the surface by dz and its slope by dm moves it by

    dy = lever dm + lift dz,    lever = 2 d' (1 + t**2) / (1 + z'**2),

d' the distance from P to the plane along the chief ray and t the tangent of the ray's angle to it: near the
chief ray, 2 d dm, the law of reflection. Tilts, heights, pose and ellipse change dz and dm linearly, so what
a spot and a throughput do when all of them move costs a matrix product.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final, Literal, NamedTuple

import numpy as np

from ellipsefit.arrays import BoolArray, FloatArray, IntArray
from ellipsefit.focus.beam import FWHM, Beam, Distribution
from ellipsefit.focus.geometry import Bench
from ellipsefit.focus.possible import Drawn
from ellipsefit.focus.rays import (
    ORIGIN,
    Cells,
    Fan,
    Flight,
    Margin,
    Struck,
    edges_of,
    fly,
    light_of,
    margin_above,
    positive_share,
    straight,
    struck,
)
from ellipsefit.focus.reflectivity import momentum_transfer, supermirror
from ellipsefit.focus.surface import Surface

Factor = Literal[
    "carrier pose", "ellipse parameters", "segment misalignment", "figure", "gaps", "reflectivity", "gravity"
]

#: Rows of the model for each piece, and the most and fewest over the mirror.
ROWS: Final = (48, 1600, 480)
#: Parts of a band by which places are told, and wavelengths in each by which a coating is.
BAND: Final = 6
FINE: Final = 5
#: Smear of a row that no plane can tell [m].
LEAST_SMEAR: Final = 1e-12
#: Step of the grazing angle over which the slope of a reflectivity is taken [rad].
TURN: Final = 1e-6


class Landing(NamedTuple):
    """What the model says of one state: rows (N,) or, over a band, (N, wavelengths)."""

    across: FloatArray  # where light from the middle of the source lands [m]
    lever: FloatArray  # dy/dm [m]
    lift: FloatArray  # dy/dz
    reflectivity: FloatArray


class Draws(NamedTuple):
    """D small changes of the mirror, as the model's rows and edges meet them."""

    state: FloatArray  # (freedoms, D)
    height: FloatArray  # (N, D) of the figure [m]
    slope: FloatArray  # (N, D) of the figure, its mean over each row [rad]
    edges: FloatArray  # (edges, D) of the figure [m]
    resolved: FloatArray  # (N, D) variance of slopes that these draws hold, which else blurs the rays [rad**2]

    def some(self, pairs: int) -> Draws:
        """The first so many of those of either sign."""
        half = self.state.shape[1] // 2
        first = np.arange(min(pairs, half))
        return Draws(*(values[:, np.concatenate([first, half + first])] for values in self))

    def after_none(self) -> Draws:
        """The same, behind a change by nothing."""
        return Draws(*(np.pad(values, ((0, 0), (1, 0))) for values in self))


class Moved(NamedTuple):
    """What D small changes of the mirror do to the light: rows (N, D), shares of the beam (D,)."""

    shift: FloatArray  # (N, D) of where light lands [m]
    turned: FloatArray  # (N, D) of the surface's slope [rad]
    smear: FloatArray  # (N, D) standard deviation with which each row spreads its light [m]
    lit: FloatArray  # (N, D) what edges leave of a row's light, over what they leave now
    turn: FloatArray  # (N, D) of the grazing angle [rad]
    struck: FloatArray  # (D,) what strikes the surface
    gaps: FloatArray  # (D,)
    past: FloatArray  # (D,) beside the mirror


class Shade(NamedTuple):
    """What edges do to the rows, as the surface stands."""

    before: FloatArray  # (N,) share of a row that edges before it leave in the light
    ahead: tuple[Margin, Margin]  # above later edges, at both ends of a row; `edge` counts all edges of the mirror

    @property
    def share(self) -> FloatArray:
        """Share of each row that is in the light of source and image."""
        return self.before * positive_share(self.ahead[0].least, self.ahead[1].least)


@dataclass(frozen=True, kw_only=True, eq=False)
class Model:
    """Rows along the mirror, gaps included, with each contribution to the surface for itself."""

    beam: Beam
    layout: Bench
    surface: Surface
    piece: IntArray  # (N,)
    x: FloatArray  # (N,)
    width: FloatArray  # (N,) of each row along x [m]
    light: FloatArray  # (N,) share of the beam that heads for each row of the nominal mirror without gaps
    solid: FloatArray  # (N,) share of a row that is there and in the light of source and image
    shade: Shade
    height: dict[str, FloatArray]  # contribution -> (N,) [m]; 'nominal' is the target ellipse
    slope: dict[str, FloatArray]
    unresolved: FloatArray  # (N,) [rad]
    coating_m: FloatArray  # (N,)

    @classmethod
    def of(cls, surface: Surface, beam: Beam, layout: Bench) -> Model:
        """Lay out the rows; a gap belongs half and half to the pieces beside it."""
        pieces = surface.pieces
        per = int(np.clip(ROWS[0], -(-ROWS[2] // len(pieces)), max(ROWS[1] // len(pieces), 4)))
        index, lows, highs = [], [], []
        for number, piece in enumerate(pieces):
            before = pieces[number - 1].end if number else piece.start
            after = pieces[number + 1].start if number + 1 < len(pieces) else piece.end
            ends = [*np.linspace(piece.start, piece.end, per + 1)]
            ends = (
                [(before + piece.start) / 2] * (before < piece.start)
                + ends
                + [(piece.end + after) / 2] * (after > piece.end)
            )
            index += [number] * (len(ends) - 1)
            lows += ends[:-1]
            highs += ends[1:]
        which, low, high = np.array(index), np.array(lows), np.array(highs)
        x = (low + high) / 2
        nominal, ellipse = surface.nominal, surface.ellipse
        zero = np.zeros_like(x)
        own = {
            name: np.array([getattr(piece, name) for piece in pieces])[which] for name in ("height", "tilt", "middle")
        }
        figure_z, figure_m, unresolved = zero.copy(), zero.copy(), zero.copy()
        for number, piece in enumerate(pieces):
            if piece.figure is not None:
                mine = which == number
                inside = np.clip(x[mine], piece.start, piece.end)
                figure_z[mine], figure_m[mine] = piece.figure.at(inside)
                unresolved[mine] = surface.unresolved(number, inside)
        inside = np.array([piece.start for piece in pieces])[which] < x
        inside &= x < np.array([piece.end for piece in pieces])[which]
        cells = _whole_cells(surface, which, x, low, high)
        fan = Fan.of(cells, beam, layout)
        light = light_of(cells, beam, layout, fan, slice(0, len(x)), ORIGIN, np.full((1, 1), beam.mean_wavelength))[
            :, 0
        ]
        shade = _shade(surface, layout, which, low, high)
        return cls(
            beam=beam,
            layout=layout,
            surface=surface,
            piece=which,
            x=x,
            width=high - low,
            light=light,
            solid=np.where(inside, shade.share, 0.0),
            shade=shade,
            height={
                "nominal": nominal.height(x),
                "ellipse parameters": ellipse.height(x) - nominal.height(x),
                "carrier pose": surface.pose_height + surface.pose_tilt * x,
                "segment misalignment": own["height"] + own["tilt"] * (x - own["middle"]),
                "figure": figure_z,
            },
            slope={
                "nominal": nominal.slope(x),
                "ellipse parameters": ellipse.slope(x) - nominal.slope(x),
                "carrier pose": zero + surface.pose_tilt,
                "segment misalignment": own["tilt"],
                "figure": figure_m,
            },
            unresolved=unresolved,
            coating_m=np.array([np.nan if p.coating_m is None else p.coating_m for p in pieces])[which],
        )

    @property
    def factors(self) -> tuple[Factor, ...]:
        """What can cost light here."""
        found: list[Factor] = ["carrier pose", "ellipse parameters", "segment misalignment", "figure", "gaps"]
        silent = [name for name in found[:4] if not self.height[name].any() and not self.slope[name].any()]
        found = [name for name in found if name not in silent]
        if self.solid.min() == 1.0 and "gaps" in found:
            found.remove("gaps")
        if self.reflects:
            found.append("reflectivity")
        if self.layout.pull.any():
            found.append("gravity")
        return tuple(found)

    @property
    def reflects(self) -> bool:
        """Whether a coating takes part."""
        return self.beam.kind == "neutron" and not bool(np.isnan(self.coating_m).all())

    @cached_property
    def wavelengths(self) -> FloatArray:
        """Wavelengths of the band, evenly filled [m]."""
        shortest, longest = self.beam.wavelength
        count = BAND if longest > shortest else 1
        return np.asarray(self.beam.wavelengths((np.arange(count) + 0.5) / count))

    @cached_property
    def fine_wavelengths(self) -> FloatArray:
        """Wavelengths within each part of the band, (parts, F) [m]: near its edge a coating changes fast."""
        shortest, longest = self.beam.wavelength
        if longest == shortest:
            return np.full((1, 1), shortest)
        share = (np.arange(BAND * FINE) + 0.5) / (BAND * FINE)
        return np.asarray(self.beam.wavelengths(share)).reshape(BAND, FINE)

    def landing(self, active: frozenset[str]) -> Landing:
        """Where light lands when only some factors act: rows (N,) or (N, wavelengths)."""
        flight, x, z = self._flight(active)
        reflected: FloatArray = np.ones((1, 1))
        if "reflectivity" in active and self.reflects:
            reflected = self._reflectivity(flight.grazing())
        across = flight.across
        if self.beam.source.places:  # a given source need not be centred
            across = across + self.magnification[:, None] * self.beam.source.mean
        return Landing(across, flight.lever, self._lift(flight, x, z), reflected)

    def _flight(self, active: frozenset[str]) -> tuple[Flight, FloatArray, FloatArray]:
        """Rays from the middle of the source over the surface that some factors make, and its x and z, (N, 1)."""
        z, m = self.height["nominal"], self.slope["nominal"]
        for name in ("carrier pose", "ellipse parameters", "segment misalignment", "figure"):
            if name in active:
                z, m = z + self.height[name], m + self.slope[name]
        x, z, m = self.x[:, None], z[:, None], m[:, None]
        if "gravity" in active:
            return fly(x, z, m, ORIGIN, self.wavelengths, self.beam, self.layout), x, z
        return straight(x, z, m, ORIGIN, self.beam, self.layout), x, z

    def _reflectivity(self, grazing: FloatArray) -> FloatArray:
        """Mean over each part of the band, of rows at grazing angles (N,) or (N, wavelengths)."""
        parts = self.fine_wavelengths  # (parts of the band, wavelengths in each)
        q = momentum_transfer(grazing[:, :, None], parts if grazing.shape[1] == len(parts) else parts.reshape(1, -1))
        return np.asarray(supermirror(q, self.coating_m[:, None, None], self.beam.coating).mean(axis=2))

    def _lift(self, flight: Flight, x: FloatArray, z: FloatArray) -> FloatArray:
        """Change of the place of landing by the surface's height: P moves, and is seen from the source elsewhere."""
        (ax, az), ez = self.layout.along, self.layout.across[1]
        ahead = self.beam.plane - ((x - self.layout.image[0]) * ax + (z - self.layout.image[1]) * az)
        ux, uz = x - self.layout.source[0], z - self.layout.source[1]
        t = flight.slope
        turned = ux / (ux * ux + uz * uz)
        return np.asarray(ez - az * t - ahead * (1 + t * t) * turned, dtype=np.float64)

    @cached_property
    def magnification(self) -> FloatArray:
        """Image of the source over the source, for each row, (N,); negative: upside down."""
        z, m = sum(self.height.values()), sum(self.slope.values())
        step = 1e-5 * float(np.hypot(*self.layout.source))
        x, z, m = self.x[:, None], np.asarray(z)[:, None], np.asarray(m)[:, None]
        ends = [straight(x, z, m, ORIGIN + side * step, self.beam, self.layout).across for side in (-1.0, 1.0)]
        return np.asarray((ends[1] - ends[0])[:, 0] / (2 * step), dtype=np.float64)

    @cached_property
    def smear(self) -> FloatArray:
        """Standard deviation with which each row spreads its light, (N,) [m]: source, figure not resolved, row."""
        place = self.landing(frozenset(self.factors)).across[:, 0]
        step = np.zeros_like(place)
        for number in range(len(self.surface.pieces)):
            mine = self.piece == number
            step[mine] = np.abs(np.gradient(place[mine])) if mine.sum() > 1 else 0.0
        source = np.abs(self.magnification) * self.beam.source.std
        return np.sqrt(source**2 + (self.lever * self.unresolved) ** 2 + step**2 / 12 + LEAST_SMEAR**2)

    @cached_property
    def lever(self) -> FloatArray:
        """Change of where light lands by the slope, of the whole state, (N,) [m/rad]."""
        return self.landing(frozenset(self.factors)).lever[:, 0]

    @cached_property
    def shape(self) -> Distribution:
        """Shape of what each row spreads, of standard deviation 1."""
        source = self.beam.source
        if bool(source.places) or (source.shape == "gaussian" and not source.is_point):
            return Distribution(shape="gaussian", width=FWHM)
        return Distribution(shape="uniform", width=12**0.5)

    def passes(self, across: FloatArray, smear: FloatArray | None = None) -> FloatArray:
        """Share of each row's light that passes the aperture when it lands at `across`, shape (N, ...)."""
        if self.beam.aperture is None:
            return np.ones_like(across)
        smear = self.smear.reshape(-1, *(1,) * (across.ndim - 1)) if smear is None else smear
        middle, half = self.beam.aperture_offset, self.beam.aperture / 2
        return np.asarray(
            self.shape.cdf((middle + half - across) / smear) - self.shape.cdf((middle - half - across) / smear)
        )

    def density(self, across: FloatArray) -> FloatArray:
        """Derivative of `passes` by where the light lands [1/m]."""
        if self.beam.aperture is None:
            return np.zeros_like(across)
        smear = self.smear.reshape(-1, *(1,) * (across.ndim - 1))
        middle, half = self.beam.aperture_offset, self.beam.aperture / 2

        def pdf(t: FloatArray) -> FloatArray:
            if self.shape.shape == "gaussian":
                return np.asarray(np.exp(-t * t / 2) / np.sqrt(2 * np.pi))
            return np.where(np.abs(t) < 3**0.5, 12**-0.5, 0.0)

        return np.asarray(
            (pdf((middle - half - across) / smear) - pdf((middle + half - across) / smear)) / smear, dtype=np.float64
        )

    def throughput(
        self, active: frozenset[str], shift: FloatArray | None = None, moved: Moved | None = None
    ) -> FloatArray:
        """Share of the beam through the aperture, shape (D,); `shift` (N, D) moves where light lands, in D ways.

        Changes of the mirror, `moved`, do that too, and besides change what edges leave and what is reflected.
        """
        found = self.landing(active)
        moves = np.zeros((len(self.x), 1)) if shift is None else shift
        moves = moves if moved is None else moves + moved.shift
        total = np.zeros(moves.shape[1])
        for band, (weight, across) in enumerate(self.bands(found, active)):
            passed = self.passes(across[:, None] + moves, None if moved is None else moved.smear)
            if moved is not None:
                passed = passed * moved.lit if "gaps" in active else passed
                if "reflectivity" in active and self.reflects:
                    gain = self.gain[:, band] if found.across.shape[1] > 1 else self.gain.mean(axis=1)
                    lit = self.light * (self.solid if "gaps" in active else 1.0) / found.across.shape[1]
                    total += (lit * gain) @ (moved.turn * passed)
            total += weight @ passed
        return total

    def arriving(self, moved: Moved) -> tuple[FloatArray, FloatArray]:
        """What leaves the surface unhindered if nothing were absorbed, and what the coating reflects of it, (D,)."""
        reflected = self.landing(frozenset(self.factors)).reflectivity.mean(axis=1)
        light = (self.light * self.solid)[:, None] * moved.lit
        gained = self.gain.mean(axis=1) @ (light * moved.turn) if self.reflects else 0.0
        return light.sum(axis=0), reflected @ light + gained if reflected.size > 1 else light.sum(axis=0)

    @cached_property
    def edges(self) -> tuple[FloatArray, FloatArray]:
        """Both ends of every piece, x and z, (pieces, 2) each [m]."""
        return edges_of(self.surface)

    @cached_property
    def edge_freedoms(self) -> Freedoms:
        """What each freedom does to the ends of the pieces, two rows for each."""
        x = self.edges[0]
        return Freedoms.of(self.surface, np.repeat(np.arange(len(x)), 2), x.ravel())

    @cached_property
    def struck(self) -> Struck:
        """Where the light goes, as the surface stands."""
        x, z = self.edges
        return struck((x[:, 0], z[:, 0]), (x[:, 1], z[:, 1]), self.beam, self.layout)

    @cached_property
    def gain(self) -> FloatArray:
        """Change of reflectivity by the grazing angle, of the whole state: rows (N,) or (N, wavelengths) [1/rad]."""
        grazing = self._flight(frozenset(self.factors))[0].grazing()
        low, high = (self._reflectivity(grazing + turn) for turn in (-TURN, TURN))
        return np.asarray((high - low) / (2 * TURN))

    def laid(self, drawn: Drawn) -> Draws:
        """Draws of the mirror on the rows and edges of the model."""
        count, (x, _) = drawn.state.shape[1], self.edges
        slope, hidden = drawn.slopes_over(self.piece, self.x, self.width)
        return Draws(
            state=drawn.state,
            height=drawn.heights_at(self.piece, self.x),
            slope=slope,
            edges=drawn.heights_at(np.repeat(np.arange(len(x)), 2), x.ravel()),
            resolved=np.tile(np.mean(hidden**2, axis=1)[:, None], (1, count)),
        )

    def moved(self, draws: Draws, landing: Landing, moving: frozenset[str] | None = None) -> Moved:
        """What changes of the mirror do to the light, to first order but for what edges cut off.

        Parameters
        ----------
        draws : Draws
            From `laid`.
        landing : Landing
            Of the state that is changed.
        moving : frozenset of str, optional
            Factors whose part changes; by default all.
        """
        state, figure = draws.state, moving is None or "figure" in moving
        if moving is not None:
            state = state * np.isin(self.freedoms.factor, list(moving))[:, None]
        dz, dm = self.freedoms.dz @ state, self.freedoms.dm @ state
        raised, variance = self.edge_freedoms.dz @ state, self.smear[:, None] ** 2
        if figure:
            dz, dm, raised = dz + draws.height, dm + draws.slope, raised + draws.edges
            # what is drawn of the slopes blurs no more, as far as it did
            less = np.minimum(draws.resolved, self.unresolved[:, None] ** 2)
            variance = np.maximum(variance - self.lever[:, None] ** 2 * less, LEAST_SMEAR**2)
        lever, lift = self.levers(landing)
        (x, z), k = self.edges, len(self.surface.pieces)
        ends = z[:, :, None] + raised.reshape(k, 2, -1)
        then = struck((x[:, 0], ends[:, 0]), (x[:, 1], ends[:, 1]), self.beam, self.layout)
        now = self.struck.pieces[:, None]
        lit = np.where(now > 0, then.pieces / np.where(now > 0, now, 1.0), 1.0)[self.piece]
        margins = []
        for end in self.shade.ahead:
            edge = np.minimum(end.edge, 2 * k - 1)  # behind the last piece there is none, nor any limit
            further = dz + (2 * end.ahead * (1 + end.rise**2))[:, None] * dm - raised[edge]
            margins.append(end.least[:, None] + further)
        clear = positive_share(*(end.least for end in self.shade.ahead))[:, None]
        if clear.min() < 1 or min(float(margin.min()) for margin in margins) < 0:
            lit = lit * np.where(clear > 0, positive_share(*margins) / np.where(clear > 0, clear, 1.0), 1.0)
        ux, uz = self.x - self.layout.source[0], np.asarray(sum(self.height.values())) - self.layout.source[1]
        turn = dm - (ux / (ux * ux + uz * uz))[:, None] * dz
        return Moved(
            shift=lever * dm + lift * dz,
            turned=dm,
            smear=np.sqrt(np.broadcast_to(variance, dz.shape)),
            lit=lit,
            turn=turn,
            struck=then.pieces.sum(axis=0),
            gaps=then.gaps,
            past=then.past,
        )

    def bands(self, found: Landing, active: frozenset[str]) -> list[tuple[FloatArray, FloatArray]]:
        """Light of each row and where it lands, for as many parts of the band as land elsewhere."""
        weight = self.light * (self.solid if "gaps" in active else 1.0)
        count = found.across.shape[1]
        if count == 1:
            return [(weight * found.reflectivity.mean(axis=1), found.across[:, 0])]
        reflected = np.broadcast_to(found.reflectivity, found.across.shape)
        return [(weight * reflected[:, band] / count, found.across[:, band]) for band in range(count)]

    def mean_throughput(self, found: Landing, active: frozenset[str], spread: FloatArray) -> float:
        """Mean throughput when each row's light lands with a Gaussian error besides, of standard deviation (N,)."""
        total = 0.0
        for weight, across in self.bands(found, active):
            total += float(weight @ self._passes_on_average(across, spread))
        return total

    def _passes_on_average(self, across: FloatArray, spread: FloatArray) -> FloatArray:
        from scipy.special import ndtr

        if self.beam.aperture is None:
            return np.ones_like(across)
        middle, half = self.beam.aperture_offset, self.beam.aperture / 2
        width = np.hypot(spread, self.smear)
        ends = middle - half - across, middle + half - across
        gaussian = np.asarray(ndtr(ends[1] / width) - ndtr(ends[0] / width))
        if self.shape.shape == "gaussian":
            return gaussian
        # uniform smear: the mean of the normal distribution over it, by its integral t Phi(t) + phi(t)
        wide = self.smear > 0.05 * spread
        scale, box = np.maximum(spread, 1e-15), 3**0.5 * self.smear

        def integral(t: FloatArray) -> FloatArray:
            return np.asarray(t * ndtr(t) + np.exp(-t * t / 2) / np.sqrt(2 * np.pi))

        mean = [(integral((end + box) / scale) - integral((end - box) / scale)) * scale / (2 * box) for end in ends]
        return np.where(wide, mean[1] - mean[0], gaussian)

    def spread(
        self,
        shift: FloatArray | None = None,
        active: frozenset[str] | None = None,
        smear: FloatArray | None = None,
    ) -> tuple[FloatArray, FloatArray]:
        """Centroid and rms width [m] of a state, by default the whole, after a shift (N, D) of where light lands.

        `smear` (N, D) is what each row spreads then, by default what it does now.
        """
        active = frozenset(self.factors) if active is None else active
        found = self.landing(active)
        weight = (self.light * (self.solid if "gaps" in active else 1.0))[:, None] * found.reflectivity
        weight = np.broadcast_to(weight, np.broadcast_shapes(weight.shape, found.across.shape))
        weight = weight / weight.sum()
        moves = np.zeros((len(self.x), 1)) if shift is None else shift
        row, place = weight.sum(axis=1), np.broadcast_to(found.across, weight.shape)
        first = (weight * place).sum(axis=1)
        second = (weight * place**2).sum(axis=1)
        centre = first.sum() + row @ moves
        square = second.sum() + 2 * first @ moves + row @ moves**2 + row @ (self.smear if smear is None else smear) ** 2
        return centre, np.sqrt(np.maximum(square - centre**2, 0.0))

    def best_focus(self, draws: Draws) -> FloatArray:
        """Where the spot is smallest along the chief ray, across it there, and its rms width then [m], (3, D).

        Parameters
        ----------
        draws : Draws
            Changes of the mirror.
        """
        active = frozenset(self.factors)
        found = self.landing(active)
        weight = (self.light * (self.solid if "gaps" in active else 1.0))[:, None] * found.reflectivity
        weight = np.broadcast_to(weight, np.broadcast_shapes(weight.shape, found.across.shape))
        place = (weight * found.across).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-300)
        row = (weight / weight.sum()).sum(axis=1)[:, None]
        z, m = (np.asarray(sum(parts.values()))[:, None] for parts in (self.height, self.slope))
        t = straight(self.x[:, None], z, m, ORIGIN, self.beam, self.layout).slope[:, :1]
        moved = self.moved(draws, found)
        y = place[:, None] + moved.shift
        t = t + 2 * (1 + t**2) * moved.turned  # a ray is turned by twice the slope
        middle, mean = (row * y).sum(axis=0), (row * t).sum(axis=0)
        y, t = y - middle, t - mean
        along = -(row * y * t).sum(axis=0) / (row * t**2).sum(axis=0)
        width = np.sqrt((row * ((y + along * t) ** 2 + moved.smear**2)).sum(axis=0))
        return np.stack([self.beam.plane + along, middle + along * mean, width])

    @cached_property
    def freedoms(self) -> Freedoms:
        """What each freedom of segments, carrier and ellipse does to where light lands."""
        return Freedoms.of(self.surface, self.piece, self.x)

    def response(self, landing: Landing) -> FloatArray:
        """Change of where light lands by every freedom, (N, freedoms) [m/m or m/rad], at the band's middle."""
        lever, lift = self.levers(landing)
        return np.asarray(lever * self.freedoms.dm + lift * self.freedoms.dz)

    def levers(self, landing: Landing) -> tuple[FloatArray, FloatArray]:
        """Change of where light lands by slope and by height at the band's middle, (N, 1) each."""
        band = landing.lever.shape[1] // 2
        return landing.lever[:, band, None], landing.lift[:, min(band, landing.lift.shape[1] - 1), None]


class Freedoms(NamedTuple):
    """Freedoms of a mirror and what they do to its surface at the rows of a model."""

    labels: tuple[str, ...]
    factor: tuple[str, ...]  # the factor to which each belongs
    dz: FloatArray  # (N, freedoms)
    dm: FloatArray

    @classmethod
    def of(cls, surface: Surface, piece: IntArray, x: FloatArray) -> Freedoms:
        """At places (N,) of a surface, each on a piece."""
        n, k, names = len(x), len(surface.pieces), surface.pieces
        middles = np.array([item.middle for item in names])
        own: BoolArray = piece[:, None] == np.arange(k)[None, :]
        ones = np.ones((n, 1))
        partials, slopes = surface.ellipse.height_partials(x), surface.ellipse.slope_partials(x)
        labels = (
            *(f"{item.name} height" for item in names),
            *(f"{item.name} tilt" for item in names),
            "carrier height",
            "carrier tilt",
            "p",
            "q",
            "theta",
        )
        factor = ("segment misalignment",) * (2 * k) + ("carrier pose",) * 2 + ("ellipse parameters",) * 3
        return cls(
            labels=labels,
            factor=factor,
            dz=np.column_stack([own, own * (x[:, None] - middles), ones, x, *partials]),
            dm=np.column_stack([np.zeros((n, k)), own, 0 * ones, ones, *slopes]),
        )


def _whole_cells(surface: Surface, which: IntArray, x: FloatArray, low: FloatArray, high: FloatArray) -> Cells:
    """The nominal mirror without gaps, in the rows of the model."""
    nominal = surface.nominal
    return Cells(
        piece=np.zeros_like(which),  # one piece: nothing shades
        x=x,
        z=nominal.height(x),
        slope=nominal.slope(x),
        unresolved=np.zeros_like(x),
        x0=low,
        z0=nominal.height(low),
        x1=high,
        z1=nominal.height(high),
        clear=np.ones_like(x),
    )


def _shade(surface: Surface, layout: Bench, which: IntArray, low: FloatArray, high: FloatArray) -> Shade:
    """What edges of its neighbours do to each row, as it stands."""
    z0, z1, m0, m1 = (np.empty_like(low) for _ in range(4))
    for number in range(len(surface.pieces)):
        mine = which == number
        at_low, at_high = surface.curve(number, low[mine]), surface.curve(number, high[mine])
        z0[mine], m0[mine], z1[mine], m1[mine] = at_low.height, at_low.slope, at_high.height, at_high.slope
    edges_x, edges_z = edges_of(surface)
    before = np.ones_like(low)
    starts: list[Margin] = []
    stops: list[Margin] = []
    source = layout.source
    for number in range(len(surface.pieces)):
        mine = which == number
        later_x, later_z = edges_x[number + 1 :], edges_z[number + 1 :]
        for parts, x, z, m in ((starts, low, z0, m0), (stops, high, z1, m1)):
            margin = margin_above(x[mine], z[mine], m[mine], source, later_x, later_z)
            parts.append(margin._replace(edge=margin.edge + 2 * number + 2))
        if number:
            # rays that graze the highest edge before: how far the row's ends stand above them
            x, z = edges_x[:number, 1], edges_z[:number, 1]
            rise = float(((z - source[1]) / (x - source[0])).max())
            above = [
                height[mine] - source[1] - rise * (place[mine] - source[0]) for place, height in ((low, z0), (high, z1))
            ]
            before[mine] = positive_share(*above)
    return Shade(before, (_joined(starts), _joined(stops)))


def _joined(parts: list[Margin]) -> Margin:
    return Margin(*(np.concatenate(column) for column in zip(*parts, strict=True)))
