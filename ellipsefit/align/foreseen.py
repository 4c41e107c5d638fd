"""What the moves leave, as a distribution: errors that the plan knows of, and those that nobody knows.

The worst of many rests, and their rms, are larger on average than those of the mean rests, by what is unknown of each.
They are found from draws of the joint covariance (JCGM 101:2008); where light will focus is linear, and needs none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from ellipsefit.align.layout import Layout, span_places, target_lines
from ellipsefit.arrays import FloatArray, root
from ellipsefit.ellipse import Ellipse
from ellipsefit.rows import with_uncertainty

#: Draws of what is unknown, in pairs of opposite sign, and their seed: means are sure to 2 % of their spread.
DRAWS: Final = (2000, 20)


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """Mean and standard deviation of a number that is not known yet, SI."""

    mean: float
    stderr: float

    @classmethod
    def of(cls, draws: FloatArray) -> Expected:
        """From draws, (D,)."""
        return cls(mean=float(draws.mean()), stderr=float(draws.std()))

    def words(self, kind: str) -> str:
        """As it is shown."""
        return with_uncertainty(self.mean, self.stderr, kind)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedRests:
    """What can be expected of the numbers of a plan's `Remaining`."""

    height_max: Expected
    tilt_max: Expected
    image_shift_rms: Expected
    slope_error_rms: Expected

    def to_dict(self) -> dict[str, Any]:
        """For JSON, SI."""
        return {
            name: {"mean": one.mean, "stderr": one.stderr} for name in self.__slots__ for one in [getattr(self, name)]
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SlopesLeft:
    """Slope error that the moves leave, as sums over the points of each segment."""

    square: float  # mean over all points, at the mean rests [rad**2]
    mean: FloatArray  # (S,) of each segment [rad]
    share: FloatArray  # (S,) of all points
    figure: float  # rms of the figure [rad]
    figure_stderr: float


def expected_rests(
    model: Layout,
    rests: FloatArray,
    errors: FloatArray,
    before: FloatArray,
    rise_variance: FloatArray,
    lines: FloatArray,
    slopes: SlopesLeft,
) -> ExpectedRests:
    """Distribution of what remains.

    Parameters
    ----------
    model : Layout
    rests : array, shape (S, 2)
        Heights and tilts that are left, at their means.
    errors : array, shape (C,)
        The same at the adjusters, or without any at the ends of the segments.
    before : array, shape (2 S, 2 S)
        Covariance of heights and tilts before the moves.
    rise_variance : array, shape (A,)
        Of what the moves do at the adjusters.
    lines : array, shape (2 S, A)
        Heights and tilts by rises at the adjusters.
    slopes : SlopesLeft
    """
    count, seed = DRAWS
    rng = np.random.default_rng(seed)

    def drawn(size: int) -> FloatArray:
        half = rng.standard_normal((size, count // 2))
        return np.concatenate([half, -half], axis=1)

    scale = root(np.diag(before))
    scale = np.where(scale > 0, scale, 1.0)
    values, vectors = np.linalg.eigh(before / np.outer(scale, scale))
    away = scale[:, None] * (vectors * root(values) @ drawn(len(before)))
    risen = np.sqrt(rise_variance)[:, None] * drawn(len(rise_variance))
    points = check_points(model)
    there = errors[:, None] + points @ away + (risen if model.at_adjuster.any() else 0.0)
    turned = (away + lines @ risen)[1::2]
    tilts = rests[:, 1:] + turned
    square = slopes.square + slopes.share @ (turned**2 + 2 * slopes.mean[:, None] * turned)
    square = square + 2 * slopes.figure * slopes.figure_stderr * drawn(1)[0]
    return ExpectedRests(
        height_max=Expected.of(np.abs(there).max(axis=0)),
        tilt_max=Expected.of(np.abs(tilts).max(axis=0)),
        image_shift_rms=Expected.of(np.sqrt(np.mean((2 * model.distance[:, None] * tilts) ** 2, axis=0))),
        slope_error_rms=Expected.of(root(square)),
    )


def check_points(model: Layout) -> FloatArray:
    """Surface at the adjusters, or without any at the ends of the segments, from heights and tilts, (C, 2 S)."""
    places = [(row, adjuster.x) for row, adjuster in model.adjusters]
    if not places:
        segments = [item.segment for item in model.deviations]
        places = [(row, x) for row, segment in enumerate(segments) for x in (segment.start, segment.end)]
    points = np.zeros((len(places), 2 * len(model.deviations)))
    for place, (row, x) in enumerate(places):
        points[place, 2 * row : 2 * row + 2] = (1.0, x - model.deviations[row].segment.middle)
    return points


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusLeft:
    """Where light will focus after the moves, minus nominal, along and across the chief ray [m], with uncertainties.

    `image`: the light of the nominal source, to first order; `source`: that of the nominal image, sent backwards. Along
    is positive downstream, across towards +z.
    """

    image_along: float
    image_along_stderr: float
    image_across: float
    image_across_stderr: float
    source_along: float
    source_along_stderr: float
    source_across: float
    source_across_stderr: float

    def to_dict(self) -> dict[str, float]:
        """For JSON, SI."""
        return {name: getattr(self, name) for name in self.__slots__}

    def words(self, name: str) -> str:
        """One of them as it is shown."""
        return with_uncertainty(getattr(self, name), getattr(self, f"{name}_stderr"), "length")


def focus_left(model: Layout, ellipse: Ellipse, rests: FloatArray, covariance: FloatArray) -> FocusLeft:
    """Where light focuses when segments stand as the moves leave them, with the form of the fitted ellipse.

    A slope error m and a height error z send a ray from one focus to y = (2 d m + (1 - d / d') z) across the chief ray
    at the other, d and d' its lengths behind and before the mirror; it crosses with the slope t of the nominal ray.
    Least squares over the light finds where rays come closest together.

    Parameters
    ----------
    model : Layout
    ellipse : Ellipse
        That was fitted: within a segment moves don't change the surface.
    rests : array, shape (S, 2)
        Heights and tilts that are left.
    covariance : array, shape (2 S + 3, 2 S + 3)
        Of heights and tilts after the moves, and of p, q, theta.
    """
    target, count = model.target, len(model.deviations)
    places, lengths, slope, height = [], [], [], []
    in_slope, in_height = [], []  # derivatives by heights and tilts, and p, q, theta
    for row, item in enumerate(model.deviations):
        x, lever = span_places(item.segment)
        line = -target_lines(ellipse, item.segment, heights=model.heights)
        change_m = ellipse.slope(x) - target.slope(x)
        change_z = ellipse.height(x) - target.height(x)
        tilt = lever @ change_z / (lever @ lever) if model.heights else change_m.mean()
        places.append(x)
        lengths.append(np.full(len(x), item.segment.length / len(x)))
        slope.append(rests[row, 1] + change_m - tilt)
        height.append(rests[row, 0] + rests[row, 1] * lever + change_z - change_z.mean() - tilt * lever)
        by_m, by_z = np.zeros((len(x), 2 * count + 3)), np.zeros((len(x), 2 * count + 3))
        by_m[:, 2 * row + 1] = 1.0
        by_m[:, 2 * count :] = np.column_stack(ellipse.slope_partials(x)) - line[1]
        by_z[:, 2 * row], by_z[:, 2 * row + 1] = 1.0, lever
        by_z[:, 2 * count :] = np.column_stack(ellipse.height_partials(x)) - line[0] - np.outer(lever, line[1])
        in_slope.append(by_m)
        in_height.append(by_z)
    x = np.concatenate(places)
    z, seen = target.height(x), np.concatenate(lengths) * np.sin(target.grazing_angle(x))
    m_error, z_error, by_m, by_z = (np.concatenate(column) for column in (slope, height, in_slope, in_height))
    if not model.heights:
        z_error, by_z = 0 * z_error, 0 * by_z
    found: dict[str, float] = {}
    c, s = np.cos(target.theta), np.sin(target.theta)
    for name, own, along, across in (("image", 1, (c, s), (-s, c)), ("source", 0, (c, -s), (s, c))):
        behind, before = (np.array(target.foci[place]) for place in (own, 1 - own))
        vx, vz = behind[0] - x, behind[1] - z
        d, d_before = np.hypot(vx, vz), np.hypot(before[0] - x, before[1] - z)
        ahead, aside = vx * along[0] + vz * along[1], vx * across[0] + vz * across[1]
        t = aside / ahead
        moved, lift = 2 * ahead, 1 - d / d_before  # ahead is negative where light goes upstream
        weight = seen / d_before if np.isfinite(d_before).all() else seen  # what a source of even divergence lights
        weight = weight / weight.sum()
        mean = float(weight @ t)
        off = weight * (t - mean)
        pull = -off / float(off @ (t - mean))
        for key, weights in (("along", pull), ("across", weight + mean * pull)):
            value = float(weights @ (moved * m_error + lift * z_error))
            row = (weights * moved) @ by_m + (weights * lift) @ by_z
            found[f"{name}_{key}"] = value
            found[f"{name}_{key}_stderr"] = float(root(row @ covariance @ row))
    return FocusLeft(**found)
