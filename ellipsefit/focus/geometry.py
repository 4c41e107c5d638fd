"""The directions that a beam's numbers are given along, and what they exclude."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.focus.beam import FREE_FALL, H_OVER_M, Beam
from ellipsefit.focus.surface import Surface
from ellipsefit.mirror import Deflection


class Bench(NamedTuple):
    """Places and unit vectors (x, z) in the nominal mirror frame."""

    source: FloatArray  # middle of the source [m]
    image: FloatArray  # nominal image focus [m]
    across_in: FloatArray  # across the incoming chief ray, towards +z
    along: FloatArray  # along the outgoing chief ray
    across: FloatArray  # across it, towards +z
    pull: FloatArray  # free fall in the plane [m/s**2]; zero: none


def bench(beam: Beam, nominal: Ellipse, deflection: Deflection | None) -> Bench:
    """Lay out source, plane and gravity about the nominal foci."""
    c, s = np.cos(nominal.theta), np.sin(nominal.theta)
    along_in, across_in = np.array([c, -s]), np.array([s, c])
    source, image = nominal.foci
    falls = beam.kind == "neutron" and beam.gravity and deflection in ("up", "down")
    pull = np.array([0.0, -FREE_FALL if deflection == "up" else FREE_FALL]) if falls else np.zeros(2)
    return Bench(
        source=source + beam.source_along * along_in + beam.source_across * across_in,
        image=image,
        across_in=across_in,
        along=np.array([c, s]),
        across=np.array([-s, c]),
        pull=pull,
    )


#: Free fall over the way, as an angle [rad], beyond which a neutron is too slow for any such mirror.
SLOW: Final = 0.05


def check_places(beam: Beam, surface: Surface, layout: Bench) -> None:
    """Refuse a source or a plane that no ray could leave or reach.

    Raises
    ------
    ParameterError
        If the source does not lie upstream of the mirror and above its surface, or the plane not downstream.
    """
    first, last = surface.span
    # the ends of what is filled; of a Gaussian all but a millionth
    ends = beam.source.quantile(np.array([5e-7, 1 - 5e-7])) if not beam.source.is_point else np.zeros(2)
    for place in (layout.source, *(layout.source + end * layout.across_in for end in ends)):
        edge = surface.curve(0, np.array([first]))
        # seen from the first edge, the source must stand above the tangent there
        above = place[1] - float(edge.height[0]) - float(edge.slope[0]) * (place[0] - first)
        if not (place[0] < first and above > 0):
            raise ParameterError(
                f"source_position: the source reaches x = {place[0]:.6g} m, z = {place[1]:.6g} m, inside or behind the "
                f"mirror; expected it upstream of x = {first:.6g} m and above the surface"
            )
    if layout.pull.any():
        slowest = H_OVER_M / beam.wavelength[1]
        fall = float(np.hypot(*layout.pull)) * (float(np.hypot(*layout.source)) + surface.nominal.q) / slowest**2
        if fall > SLOW:
            raise ParameterError(
                f"wavelength: {beam.wavelength[1] * 1e10:.6g} angstrom is a neutron of {slowest:.3g} m/s, which falls "
                "out of the beam before it reaches the plane; expected a shorter wavelength"
            )
    end = np.array([last, float(surface.curve(len(surface.pieces) - 1, np.array([last])).height[0])])
    behind = float((end - layout.image) @ layout.along)
    if not beam.plane > behind:
        raise ParameterError(
            f"plane: {beam.plane:.6g} m from the image focus lies upstream of the mirror's end; expected more than "
            f"{behind:.6g} m"
        )
