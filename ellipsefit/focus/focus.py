"""From a fit and a beam to what the errors cost at the focus, in one call."""

from __future__ import annotations

from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np

from ellipsefit.errors import ParameterError
from ellipsefit.fit.result import EllipseFit
from ellipsefit.focus.beam import FREE_FALL, H_OVER_M, Beam
from ellipsefit.focus.geometry import Bench, bench, check_places
from ellipsefit.focus.losses import loss_tree, scaled_to
from ellipsefit.focus.model import Model
from ellipsefit.focus.possible import Possible
from ellipsefit.focus.rays import Cells, Rays, cut, samples, trace, unused
from ellipsefit.focus.result import Analytic, Balance, FocusResult, SideSpot
from ellipsefit.focus.solid import Roll, Sideways, rolls_of, trace_solid
from ellipsefit.focus.spot import BestFocus, Spot, best_focus, spot_of, through
from ellipsefit.focus.surface import COVERAGE, Surface, measured_surface
from ellipsefit.focus.tolerances import coated
from ellipsefit.focus.uncertainty import balance_stderr, side_stderr, spot_stderr
from ellipsefit.focus.waves import LineSpread, line_spread
from ellipsefit.focus.what_if import what_if
from ellipsefit.mirror import Mirror

#: Rays that are traced unless another number is asked for, and rays for each cell where the source has a width.
RAYS: Final = 200_000
PER_CELL: Final = 16
#: How far rays and analytic model may be apart: relative in width, absolute in throughput.
AGREE: Final = (0.01, 0.005)
#: Mirrors that are drawn, and how many of them tell the loss tree, which has a term for every subset of causes. Of
#: pairs of opposite sign one is independent: 80 tell a standard deviation to 8 %, 32 to 13 %.
DRAWS: Final = (160, 64)
#: Diffraction width over aperture above which rays alone are no throughput.
DIFFRACTS: Final = 0.1


class RayNumbers(NamedTuple):
    """What rays tell of a surface."""

    spot: Spot
    throughput: float
    best: BestFocus


def trace_focus(
    fit: EllipseFit,
    mirror: Mirror | None = None,
    beam: Beam | None = None,
    *,
    rays: int = RAYS,
    coverage: float = COVERAGE,
) -> FocusResult:
    """Trace a beam over a measured mirror and tell what its errors cost.

    Parameters
    ----------
    fit : EllipseFit
        Of the measured profile.
    mirror : Mirror, optional
        With the target ellipse, coatings and deflection; by default that of the fit. Its segments must be those
        of the fit.
    beam : Beam
    rays : int
        About how many rays are traced.
    coverage : float
        Share of a segment that the profile must cover; what is missing otherwise is said.

    Returns
    -------
    FocusResult

    Raises
    ------
    ParameterError
        If there is no beam, source or plane lie where no ray can be, or the mirror is another one.
    DataError
        If no light arrives.
    """
    mirror = fit.mirror if mirror is None else mirror
    if beam is None:
        raise ParameterError("beam: none is given; expected a Beam, such as from read_beam")
    if [(item.name, item.start, item.end) for item in mirror.segments] != [
        (item.name, item.start, item.end) for item in fit.mirror.segments
    ]:
        raise ParameterError(f"mirror: the segments of '{mirror.name}' are not those of the fit")
    if not 0 < coverage <= 1:
        raise ParameterError(f"coverage must be a share above 0 and at most 1; got {coverage!r}")
    surface = replace(measured_surface(fit, coverage=coverage), nominal=mirror.nominal)
    rolls = rolls_of(fit)
    pieces = tuple(
        replace(
            piece,
            coating_m=segment.coating_m,
            roll=0.0 if roll is None else roll.roll,
            twist=0.0 if roll is None else roll.twist,
        )
        for piece, segment, roll in zip(surface.pieces, mirror.segments, rolls, strict=True)
    )
    surface = replace(surface, pieces=pieces)
    return trace_surface(surface, mirror, beam, rays=rays, possible=Possible.of(fit, surface), rolls=rolls)


def trace_surface(
    surface: Surface,
    mirror: Mirror,
    beam: Beam,
    *,
    rays: int = RAYS,
    possible: Possible | None = None,
    rolls: tuple[Roll | None, ...] = (),
) -> FocusResult:
    """Trace a beam over a surface that is known.

    Parameters
    ----------
    surface : Surface
        With a piece for each segment of the mirror.
    mirror, beam, rays
        As for `trace_focus`.
    possible : Possible, optional
        What is open of the surface; without it there are no uncertainties.
    rolls : tuple, optional
        Roll and twist of each segment, where known.
    """
    if rays < 100:
        raise ParameterError(f"rays must be at least 100; got {rays!r}")
    surface = coated(surface, beam)
    layout = bench(beam, surface.nominal, mirror.deflection)
    check_places(beam, surface, layout)
    cells, traced, side = _traced(surface, beam, layout, rays, rolls)
    spot = spot_of(traced, beam)
    value = through(traced, beam)
    balance = _balance(cells, traced, beam, layout, value)
    model = Model.of(surface, beam, layout)
    drawn = None if possible is None else possible.drawn(DRAWS[0])
    draws = None if drawn is None else model.laid(drawn)
    losses = loss_tree(model, None if draws is None else draws.some(DRAWS[1] // 2))
    spot_sure = balance_sure = best_sure = None
    if drawn is not None and draws is not None:
        moved = model.moved(draws, model.landing(frozenset(model.factors)))
        spot_sure = spot_stderr(model, cells, traced, drawn, moved)
        balance_sure = balance_stderr(model, moved)
        best_sure = BestFocus(*(float(size) for size in model.best_focus(draws).std(axis=1)))
    rms = float(model.spread()[1][0])
    agrees = abs(rms - spot.rms) <= AGREE[0] * spot.rms + 1e-9
    agrees &= abs(losses.throughput - value) <= AGREE[1]
    line = None
    warnings = [*surface.warnings, *_beam_notes(surface, mirror, beam)]
    if beam.kind == "x-ray":
        width = 1.2 * spot.width_90
        line = line_spread(surface, beam, layout, centre=spot.centroid_across, width=width, drawn=drawn)
        warnings += _wave_notes(line, beam)
    return FocusResult(
        mirror=mirror,
        beam=beam,
        spot=spot,
        spot_stderr=spot_sure,
        best_focus=best_focus(traced, beam),
        best_focus_stderr=best_sure,
        throughput=value,
        balance=balance,
        balance_stderr=balance_sure,
        losses=scaled_to(losses.shares, 1 - value),
        analytic=Analytic(throughput=losses.throughput, rms=rms, agrees=bool(agrees)),
        line=line,
        choices=what_if(model, draws),
        droop=_droop(beam, layout, mirror),
        side=side,
        rolls=rolls or (None,) * len(mirror.segments),
        warnings=tuple(warnings),
        surface=surface,
        model=model,
        rays=traced,
    )


def _traced(
    surface: Surface, beam: Beam, layout: Bench, rays: int, rolls: tuple[Roll | None, ...] = ()
) -> tuple[Cells, Rays, SideSpot | None]:
    """Rays in the plane of incidence, or in three dimensions where segments roll or twist."""
    rolled = any(piece.roll or piece.twist for piece in surface.pieces)
    blurred = any(piece.figure is not None and piece.figure.unresolved.any() for piece in surface.pieces)
    wide = not beam.source.is_point or beam.wavelength[1] > beam.wavelength[0] or blurred or rolled
    per_cell = min(max(PER_CELL, rays // 200_000), 64) if wide else 1
    cells = cut(surface, layout, max(rays // per_cell, 1))
    m = np.array([np.nan if piece.coating_m is None else piece.coating_m for piece in surface.pieces])
    traced = trace(cells, beam, layout, m, per_cell)
    if not rolled:
        return cells, traced, None
    s = np.zeros((len(cells.x), per_cell))
    if not beam.source.is_point:
        s = beam.source.quantile(samples(np.arange(len(cells.x)), per_cell, 0))

    def leaning(roll: float, twist: float, share: float) -> Sideways:
        pieces = tuple(replace(p, roll=share * p.roll + roll, twist=share * p.twist + twist) for p in surface.pieces)
        return trace_solid(cells, replace(surface, pieces=pieces), beam, layout, s, per_cell)

    solid, flat = leaning(0.0, 0.0, 1.0), leaning(0.0, 0.0, 0.0)
    # what roll and twist add, so that gravity and what is unresolved stay in
    traced = traced._replace(
        across=traced.across + (solid.across - flat.across), slope=traced.slope + (solid.slope - flat.slope)
    )
    weight = traced.weight / traced.weight.sum()
    centre = float((weight * solid.side).sum())
    off = solid.side - centre
    sure: tuple[float | None, float | None] = None, None
    if rolls:
        step = 1e-6  # rad, and rad/m: where light lands sideways is all but linear in these
        turned = (leaning(step, 0.0, 1.0).side, leaning(0.0, step, 1.0).side)
        sure = side_stderr(cells.piece, weight, off, np.stack([side - solid.side for side in turned]) / step, rolls)
    rms = float(np.sqrt((weight * off**2).sum()))
    return cells, traced, SideSpot(centroid=centre, rms=rms, centroid_stderr=sure[0], rms_stderr=sure[1])


def _balance(cells: Cells, traced: Rays, beam: Beam, layout: Bench, value: float) -> Balance:
    arrives, struck = float(traced.weight.sum()), float(traced.struck.sum())
    seen = float((traced.struck * cells.clear[:, None]).sum())
    rest = unused(cells, beam, layout)
    return Balance(
        into_aperture=value,
        beside_aperture=arrives - value,
        absorbed=seen - arrives,
        cut_off=struck - seen,
        gaps=rest.gaps,
        past=rest.past,
    )


def _droop(beam: Beam, layout: Bench, mirror: Mirror) -> tuple[float, float] | None:
    """Free fall from source to plane of the shortest and the longest wave [m], whichever way is down."""
    if beam.kind != "neutron" or not beam.gravity:
        return None
    length = float(np.hypot(*layout.source)) + mirror.nominal.q + beam.plane
    shortest, longest = (FREE_FALL / 2 * (length * wave / H_OVER_M) ** 2 for wave in beam.wavelength)
    return shortest, longest


def _beam_notes(surface: Surface, mirror: Mirror, beam: Beam) -> list[str]:
    notes = []
    if beam.aperture is None:
        notes.append("the beam states no aperture: throughput counts all light that reaches the plane")
    if beam.kind == "neutron":
        bare = [piece.name for piece in surface.pieces if piece.coating_m is None]
        if len(bare) == len(surface.pieces):
            notes.append(
                "no coating is stated (coating_m of the segments, or m of the beam's coating): all is reflected"
            )
        elif bare:
            notes.append(f"no coating is stated of {', '.join(bare)}: they reflect all")
        if beam.gravity and mirror.deflection is None:
            notes.append("the mirror file states no deflection, so where down is is not known: gravity is left out")
        elif beam.gravity and mirror.deflection in ("left", "right"):
            notes.append("the mirror deflects sideways: gravity acts across its plane and costs no focus, only height")
    return notes


def _wave_notes(line: LineSpread | None, beam: Beam) -> list[str]:
    if line is None:
        return [
            "the spot is so much wider than diffraction that its fringes are not summed: Strehl ratio and line spread "
            "are not known"
        ]
    if beam.aperture is not None and line.perfect_fwhm > DIFFRACTS * beam.aperture:
        return ["diffraction is as wide as a good part of the aperture: throughput is that of rays alone"]
    return []


def ray_numbers(surface: Surface, beam_mirror: Mirror, beam: Beam, *, rays: int = RAYS) -> RayNumbers:
    """Spot, throughput and best focus of a beam on a surface of a mirror, by rays alone.

    Raises
    ------
    ParameterError
        If source or plane lie where no ray can be.
    DataError
        If no light arrives.
    """
    surface = coated(surface, beam)
    layout = bench(beam, surface.nominal, beam_mirror.deflection)
    check_places(beam, surface, layout)
    traced = _traced(surface, beam, layout, rays)[1]
    return RayNumbers(spot_of(traced, beam), through(traced, beam), best_focus(traced, beam))


def spot_in(surface: Surface, beam: Beam, *, rays: int = RAYS) -> Spot:
    """Spot of a beam on a surface, and nothing else: the quick way in loops."""
    layout = bench(beam, surface.nominal, None)
    check_places(beam, surface, layout)
    return spot_of(_traced(surface, beam, layout, rays)[1], beam)
