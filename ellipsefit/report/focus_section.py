"""The page's section on the light at the focus."""

from __future__ import annotations

from ellipsefit.focus.result import FocusResult
from ellipsefit.foreseen import LightAfter
from ellipsefit.report import focus_figures as figures
from ellipsefit.report.pieces import Item, Picture, Section, Words, table
from ellipsefit.report.style import as_svg
from ellipsefit.rows import Table, number


def focus_section(result: FocusResult, foreseen: LightAfter | None = None) -> Section:
    """Put the section together."""
    pictures = [_spot(result), _caustic(result), _losses(result)]
    if result.line is not None:
        line = result.line
        label = f"Line spread of the mirror beside that of a perfect one; Strehl ratio {line.strehl:.3g}."
        caption = "Line spread with diffraction, over the maximum of the perfect mirror's."
        pictures.append(Picture(svg=as_svg(figures.line_figure(line), "line", label), caption=caption))
    last = "" if foreseen is None else "; what it will do after the moves stands last"
    items: list[Item] = [
        Words(text=f"What the mirror does to the beam as it was measured, before any move{last}."),
        table(beam_table(result), "words"),
        *(table(one) for one in result.rows()),
        *pictures,
        *(() if foreseen is None else (table(one) for one in foreseen.rows())),
    ]
    return Section(key="focus", title="Focus and loss", items=tuple(items))


def beam_table(result: FocusResult) -> Table:
    """The beam as its file states it."""
    beam = result.beam
    shortest, longest = (f"{wave * 1e10:.4g}" for wave in beam.wavelength)
    cells = [
        ("kind", beam.kind),
        ("wavelength", f"{shortest if shortest == longest else f'{shortest} to {longest}'} angstrom"),
        ("source, rms width", "a point" if beam.source.is_point else number(beam.source.std, "length")),
        (
            "divergence",
            "fills the mirror" if beam.divergence is None else f"{number(beam.divergence.std, 'angle')} rms",
        ),
    ]
    if beam.source_along or beam.source_across:
        places = (number(value, "length", sign=True) for value in (beam.source_along, beam.source_across))
        cells.append(("source off the nominal focus, along and across", ", ".join(places)))
    coatings = sorted({piece.coating_m for piece in result.surface.pieces if piece.coating_m is not None})
    if beam.kind == "neutron":
        cells.append(("coating m", ", ".join(f"{m:g}" for m in coatings) or "not stated"))
        if result.droop is not None:
            fall = [number(value, "length") for value in result.droop]
            cells.append(("free fall on the way", fall[0] if fall[0] == fall[1] else f"{fall[0]} to {fall[1]}"))
    return Table(title="The beam", cells=tuple(cells))


def _spot(result: FocusResult) -> Picture:
    spot = result.spot
    label = (
        f"Light across the plane: {number(spot.rms, 'length')} rms, centroid "
        f"{number(spot.centroid_across, 'length', sign=True)} from the chief ray."
    )
    caption = "Light across the plane. Bars: the stretches about the centroid that hold 50 and 90 % of it."
    if result.beam.aperture is not None:
        caption += " Shaded: the aperture."
    return Picture(svg=as_svg(figures.spot_figure(result), "spot", label), caption=caption)


def _caustic(result: FocusResult) -> Picture:
    best = result.best_focus
    label = (
        f"Rays about the focus; smallest spot {number(best.along, 'length', sign=True)} along the chief ray from the "
        f"nominal focus, {number(best.rms, 'length')} rms."
    )
    caption = (
        "Rays about the focus, each drawn one standing for as much light, with what holds 50 and 90 % in each plane."
    )
    return Picture(svg=as_svg(figures.caustic_figure(result), "caustic", label), caption=caption)


def _losses(result: FocusResult) -> Picture:
    words = ", ".join(f"{loss.name} {100 * loss.share:.2f} %" for loss in result.losses)
    caption = "What costs how much of the beam, with standard uncertainties from the fit."
    return Picture(svg=as_svg(figures.loss_figure(result), "losses", f"Losses: {words}."), caption=caption)
