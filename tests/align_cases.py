"""Mirrors as they were put in, for tests of plans: a fit of any heights, tilts and pose without fitting anew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np

from ellipsefit.ellipse import Ellipse
from ellipsefit.fit import EllipseFit
from ellipsefit.mirror import Adjuster, Mirror
from tests.rehearsal import Array, even_mirror
from tests.test_align import exact_fit

NOMINAL = Ellipse(8.0, 8.0, 0.022)


def with_adjusters(mirror: Mirror, **values: Any) -> Mirror:
    """The mirror with these values at every adjuster."""

    def changed(adjuster: Adjuster) -> Adjuster:
        return replace(adjuster, **values)

    return replace(
        mirror, segments=tuple(replace(s, adjusters=tuple(changed(a) for a in s.adjusters)) for s in mirror.segments)
    )


@cache
def _blank(count: int, pitch: float, nominal: Ellipse) -> EllipseFit:
    mirror = even_mirror(nominal, count=count, pitch=pitch)
    if nominal == NOMINAL:
        return exact_fit(mirror, np.zeros(count), np.zeros(count))
    from ellipsefit.fit import fit_ellipse
    from tests.rehearsal import made_profile

    placed = made_profile(mirror, (nominal.p, nominal.q, nominal.theta), points=21)
    return fit_ellipse(placed, vary=(), segments="free", residual="white")


def fit_of(
    mirror: Mirror,
    lifts: Sequence[float] | Array,
    tilts: Sequence[float] | Array,
    pose: tuple[float, float] = (0.0, 0.0),
    *,
    pitch: float = 0.45,
) -> EllipseFit:
    """Fit that found exactly these heights, tilts and pose on the nominal ellipse of an even mirror."""
    blank = _blank(len(mirror.segments), pitch, mirror.nominal)
    states = tuple(
        replace(state, height=float(lift), tilt=float(tilt))
        for state, lift, tilt in zip(blank.segments, lifts, tilts, strict=True)
    )
    return replace(
        blank,
        placed=replace(blank.placed, mirror=mirror),
        segments=states,
        pose=replace(blank.pose, height=pose[0], tilt=pose[1]),
    )


def levers(mirror: Mirror) -> tuple[Array, Array, Array]:
    """Segment number, lever about its middle and x of every adjuster."""
    rows = [
        (number, adjuster.x - segment.middle, adjuster.x)
        for number, segment in enumerate(mirror.segments)
        for adjuster in segment.adjusters
    ]
    number, lever, x = np.array(rows).T
    return number.astype(int), lever, x
