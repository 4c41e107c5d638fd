"""Rounds of moves on simulated mirrors, measured as lines of segments: as fast as many of them need it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from ellipsefit.align.change import LineChange, carrier_map, line_map
from ellipsefit.align.orders import Order, Orders, adjusters_of, approached
from ellipsefit.arrays import FloatArray
from ellipsefit.mirror import Adjuster, Mirror
from ellipsefit.practice import Faults, PracticeMirror
from ellipsefit.simulate import invented_mirror

NOISE = 100e-9  # m, of the surface at each adjuster in each measurement


def small_mirror(segments: int = 6, travel: float = 150e-6) -> Mirror:
    return invented_mirror(segments=segments, length=0.5 * segments, travel=travel)


def with_adjusters(mirror: Mirror, **values: Any) -> Mirror:
    """The mirror with these values at every adjuster."""

    def changed(adjuster: Adjuster) -> Adjuster:
        return replace(adjuster, **values)

    return replace(
        mirror, segments=tuple(replace(s, adjusters=tuple(changed(a) for a in s.adjusters)) for s in mirror.segments)
    )


def perfect(mirror: Mirror) -> Faults:
    count = len(adjusters_of(mirror))
    return Faults(matrix=np.eye(count), backlash=np.zeros(count), offset=np.zeros(count))


def orders_for(mirror: Mirror, moves: FloatArray, *, direct: bool = False) -> Orders:
    """Orders of these moves [m] for all adjusters, in whole steps."""
    found = []
    for (key, adjuster), move in zip(adjusters_of(mirror).items(), moves, strict=True):
        step = adjuster.resolution
        whole = round(float(move) / step) * step if step else float(move)
        order = Order(segment=key[0], adjuster=key[1], start=adjuster.position, stop=adjuster.position + whole)
        found.append(order if direct else approached(adjuster, order))
    return Orders(mirror=mirror, moves=tuple(found))


def lines_of(practice: PracticeMirror) -> FloatArray:
    """Height at the middle and tilt of each segment, as they truly are, shape (2 S,)."""
    truth = practice.truth
    found = [
        (height + truth.height + truth.tilt * segment.middle, tilt + truth.tilt)
        for segment, height, tilt in zip(
            practice.mirror.segments, truth.segment_height, truth.segment_tilt, strict=True
        )
    ]
    return np.ravel(found)


def seen_change(
    before: PracticeMirror, after: PracticeMirror, rng: np.random.Generator, noise: float = NOISE
) -> LineChange:
    """Change of lines as two measurements show it: noise at each adjuster, and the mirror put down anew."""
    names = tuple(segment.name for segment in before.mirror.segments)
    lines = line_map(before.mirror, names, 2)
    placing = carrier_map(before.mirror, names, 2) @ (rng.normal(size=2) * [20e-6, 10e-6])
    error = lines @ rng.normal(0.0, np.sqrt(2) * noise, lines.shape[1])
    return LineChange(
        quantity="height",
        segments=names,
        change=lines_of(after) - lines_of(before) + placing + error,
        covariance=2 * noise**2 * lines @ lines.T,
        alike=None,
    )
