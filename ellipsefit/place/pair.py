"""Two carriers in a row: the image focus of the first is the source of the second.

Only their relative place at the shared focus and the two ends matter, so the pair as a whole has motions that nobody
needs to make. The smallest set of cam moves uses that freedom: first as few wheels as possible, then as little turn.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, Final

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.place.moves import Step, order_moves, rounded_angles
from ellipsefit.place.placement import AXES, Placement, Spot
from ellipsefit.place.pose import Pose, point_jacobian
from ellipsefit.results import Result
from ellipsefit.rows import Table, number, with_uncertainty
from ellipsefit.silence import silent_output

#: Share of a tolerance that the moves aim for: the rest is left to the survey and to drift.
AIM: Final = 0.5
#: Tolerance where none is stated, along the beam and across it [m]: of the size that common practice asks for.
USUAL: Final = (10e-3, 100e-6, 100e-6)
#: Motion of a contact that is none [m].
NOTHING: Final = 1e-8


@dataclass(frozen=True, slots=True, kw_only=True)
class PairMove:
    """What one contact of one carrier is asked to do."""

    carrier: str
    contact: str
    start: float  # [rad]
    stop: float
    motion: float  # along the normal [m]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pair(Result):
    """How two carriers stand to each other, and the smallest set of moves that mends it. Hall frame, SI."""

    table: ClassVar[str | None] = "moves"

    first: Placement
    second: Placement
    mismatch: FloatArray  # (3,) image focus of the first minus source focus of the second [m]
    mismatch_covariance: FloatArray  # (3, 3)
    at_sample: FloatArray  # (3,) shift of the light at the last focus that the mismatch causes [m]
    sample: FloatArray  # (3,) its whole shift from nominal, the second carrier's own with it [m]
    sample_covariance: FloatArray  # (3, 3)
    magnification: float  # of the second mirror, q/p
    moves: tuple[PairMove, ...]
    steps: tuple[tuple[str, Step], ...]  # carrier and turn, in order
    unloading: tuple[str, ...]  # contacts that would unload on the way in any order
    alone: int  # wheels that would turn if each carrier went to its nominal place
    mends: bool  # whether the moves bring everything within tolerance
    mismatch_after: FloatArray  # (3,)
    sample_after: FloatArray  # (3,)

    def __post_init__(self) -> None:
        for name in (
            "mismatch",
            "mismatch_covariance",
            "at_sample",
            "sample",
            "sample_covariance",
            "mismatch_after",
            "sample_after",
        ):
            object.__setattr__(self, name, sealed(getattr(self, name)))

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        return {
            "first": self.first.carrier.name,
            "second": self.second.carrier.name,
            "mismatch": self.mismatch.tolist(),
            "mismatch_covariance": self.mismatch_covariance.tolist(),
            "at_sample": self.at_sample.tolist(),
            "sample": self.sample.tolist(),
            "sample_covariance": self.sample_covariance.tolist(),
            "magnification": self.magnification,
            "moves": [
                {"carrier": one.carrier, "contact": one.contact, "from": one.start, "to": one.stop}
                for one in self.moves
            ],
            "steps": [
                {"carrier": name, "contact": step.contact, "from": step.start, "to": step.stop}
                for name, step in self.steps
            ],
            "unloading": list(self.unloading),
            "moves_alone": self.alone,
            "mends": self.mends,
            "mismatch_after": self.mismatch_after.tolist(),
            "sample_after": self.sample_after.tolist(),
        }

    def rows(self) -> list[Table]:
        """Tables of the pair, as shown on screens and pages."""
        cells = []
        for name, now, covariance, after in (
            ("mismatch at the shared focus", self.mismatch, self.mismatch_covariance, self.mismatch_after),
            ("light at the last focus, minus nominal", self.sample, self.sample_covariance, self.sample_after),
        ):
            for place, axis in enumerate(AXES):
                stderr = float(np.sqrt(covariance[place, place]))
                cells.append(
                    (
                        f"{name}, {axis}",
                        with_uncertainty(float(now[place]), stderr, "length"),
                        with_uncertainty(float(after[place]), stderr, "length"),
                    )
                )
        state = "" if self.mends else ": NOT MENDED by any moves within range"
        notes: tuple[str, ...] = (
            "±: from the surveys, before and after the moves alike.",
            f"The second mirror magnifies a mismatch across the beam {self.magnification:.3g} times, along it "
            f"{self.magnification**2:.3g} times; to the side, where it does not focus, once.",
        )
        one = Table(
            title=f"{self.first.carrier.name} and {self.second.carrier.name} together{state}",
            header=("", "now", "after the moves"),
            cells=tuple(cells),
            notes=notes,
        )
        turned = tuple(
            (
                move.carrier,
                move.contact,
                f"{np.degrees(move.start):+.3f} deg",
                f"{np.degrees(move.stop):+.3f} deg",
                number(move.motion, "length", unit="um", places=1, sign=True),
            )
            for move in self.moves
        )
        count = len(self.moves)
        notes = (
            f"{count} wheel{'s' * (count != 1)} instead of {self.alone} if each carrier went to its nominal place.",
        )
        if not turned:
            notes = ("No wheel needs to turn.",)
        if self.unloading:
            notes = (*notes, f"WOULD UNLOAD on the way: {', '.join(self.unloading)}.")
        header = ("carrier", "contact", "from", "to", "motion")
        two = Table(title="Smallest set of moves for both", header=header, cells=turned, notes=notes)
        if not self.steps:
            return [one, two]
        order = tuple(
            (
                name,
                step.contact,
                f"{np.degrees(step.start):+.3f} deg",
                f"{np.degrees(step.stop):+.3f} deg",
                "–" if step.least_load is None else f"{step.least_load * 100:.0f} %",
            )
            for name, step in self.steps
        )
        header = ("carrier", "contact", "from", "to", "least load")
        return [one, two, Table(title="Order of the moves for both", header=header, cells=order)]


def image_response(placement: Placement) -> FloatArray:
    """Shift of the image focus with a shift of the source, both in the hall, shape (3, 3).

    Along the chief ray the image goes with (q/p)^2, across it with q/p and to the same side of the mirror (the mirror
    turns the sense, the crossing of the rays turns it back); sideways the mirror is plane and leaves it as it is.
    Source: the mirror equation 1/p + 1/q = 1/f and its derivative.
    """
    ellipse = placement.carrier.mirror.nominal
    power = ellipse.q / ellipse.p
    sine, cosine = np.sin(ellipse.theta), np.cos(ellipse.theta)
    before = np.array([[cosine, 0.0, -sine], [sine, 0.0, cosine], [0.0, 1.0, 0.0]])  # along, across, sideways
    after = np.array([[cosine, 0.0, sine], [-sine, 0.0, cosine], [0.0, 1.0, 0.0]])
    local = after.T @ np.diag([power**2, power, 1.0]) @ before
    turn = placement.pose.matrix @ placement.carrier.mirror.pose.matrix
    return np.asarray(turn @ local @ turn.T)


def pair_carriers(first: Placement, second: Placement) -> Pair:
    """Judge two placed carriers together and find the smallest set of moves that mends their mismatch.

    Parameters
    ----------
    first, second : Placement
        In the order of the beam; surveyed in one hall frame.

    Returns
    -------
    Pair
        `mends` is False where no moves within range bring all within tolerance; the moves are then the best there are.
    """
    response = image_response(second)
    mismatch = first.image.position - second.source.position
    covariance = first.image.covariance + second.source.covariance
    at_sample = response @ mismatch
    sample = second.image.shift + at_sample
    # the second carrier's pose moves its image and its source focus together
    lever = _lever(second, second.image) - response @ _lever(second, second.source)
    sample_covariance = lever @ second.covariance @ lever.T + response @ first.image.covariance @ response.T
    system = _System(first, second, response)
    moves, poses, mends = system.solve(mismatch, sample)
    steps, unloading = _ordered((first, second), moves)
    after_first = poses[0].apply(first.pose.inverse().apply(first.image.position))
    after_source = poses[1].apply(second.pose.inverse().apply(second.source.position))
    after_image = poses[1].apply(second.pose.inverse().apply(second.image.position))
    mismatch_after = after_first - after_source
    sample_after = after_image - second.image.nominal + response @ mismatch_after
    alone = sum(
        abs(move.motion) > NOTHING for one in (first, second) if one.plan is not None for move in one.plan.moves
    )
    return Pair(
        first=first,
        second=second,
        mismatch=mismatch,
        mismatch_covariance=covariance,
        at_sample=at_sample,
        sample=sample,
        sample_covariance=sample_covariance,
        magnification=second.carrier.mirror.nominal.q / second.carrier.mirror.nominal.p,
        moves=moves,
        steps=steps,
        unloading=unloading,
        alone=alone,
        mends=mends and not unloading,
        mismatch_after=mismatch_after,
        sample_after=sample_after,
    )


def _ordered(
    placements: tuple[Placement, Placement], moves: tuple[PairMove, ...]
) -> tuple[tuple[tuple[str, Step], ...], tuple[str, ...]]:
    """Turns of both carriers in an order that keeps every contact loaded, and contacts that none keeps so."""
    steps: list[tuple[str, Step]] = []
    unloading: list[str] = []
    for placement in placements:
        mount, name = placement.carrier.mount, placement.carrier.name
        own = {move.contact: move.stop for move in moves if move.carrier == name}
        if mount is None or not own:
            continue
        stop = np.array([own.get(contact.name, contact.angle) for contact in mount.contacts])
        base = placement.pose @ mount.pose_at(mount.angles).inverse()
        found, loose, _ = order_moves(mount, base, stop)
        steps += [(name, step) for step in found]
        unloading += [f"{name} {contact}" for contact in loose]
    return tuple(steps), tuple(unloading)


def _lever(placement: Placement, spot: Spot) -> FloatArray:
    return point_jacobian(spot.position - placement.pose.translation)


class _System:
    """The pair as linear algebra: motions of the contacts of both carriers, and what they do to the foci."""

    def __init__(self, first: Placement, second: Placement, response: FloatArray) -> None:
        self.placements = (first, second)
        self.columns: list[tuple[int, int]] = []  # carrier, contact
        twists: list[list[FloatArray]] = [[], []]
        lows: list[float] = []
        highs: list[float] = []
        for owner, placement in enumerate(self.placements):
            mount = placement.carrier.mount
            if mount is None:
                continue
            now = mount.angles
            here = mount.pose_at(now)
            base = placement.pose @ here.inverse()
            per_contact = np.linalg.inv(mount.pose_rows(here, now))
            for contact in np.flatnonzero(mount.movable):
                shift, turn = base.matrix @ per_contact[:3, contact], base.matrix @ per_contact[3:, contact]
                # the twist's origin is that of the carrier, as in the placement
                twists[owner].append(np.concatenate([shift, turn]))
                part = mount.contacts[contact]
                ends = [
                    part.motion(part.angle, part.reading_after(part.angle, way * part.eccentricity)) for way in (-2, 2)
                ]
                lows.append(min(ends))
                highs.append(max(ends))
                self.columns.append((owner, int(contact)))
        self.low, self.high = np.minimum(np.array(lows), 0.0), np.maximum(np.array(highs), 0.0)
        first_twists = np.array(twists[0]).reshape(-1, 6).T
        second_twists = np.array(twists[1]).reshape(-1, 6).T
        image = _lever(first, first.image) @ first_twists
        source = _lever(second, second.source) @ second_twists
        last = _lever(second, second.image) @ second_twists
        begin = _lever(first, first.source) @ first_twists
        shared = np.hstack([image, -source])
        self.effect = np.vstack(
            [
                shared,
                np.hstack([np.zeros_like(image), last]) + response @ shared,
                np.hstack([begin, np.zeros_like(last)]),
            ]
        )
        tolerances = (
            np.minimum(first.carrier.tolerance.image, second.carrier.tolerance.source),
            second.carrier.tolerance.image,
            first.carrier.tolerance.source,
        )
        stated = any(np.isfinite(limit).any() for limit in tolerances)
        limits = [limit if stated else np.array(USUAL) for limit in tolerances]
        self.limit = np.concatenate(limits)

    def solve(self, mismatch: FloatArray, sample: FloatArray) -> tuple[tuple[PairMove, ...], tuple[Pose, Pose], bool]:
        first, second = self.placements
        error = np.concatenate([mismatch, sample, first.source.shift])
        used = np.isfinite(self.limit)
        effect, error = self.effect[used] / self.limit[used, None], error[used] / self.limit[used]
        count = len(self.columns)
        if not count:
            return (), (first.pose, second.pose), bool((np.abs(error) <= 1).all())
        scale = 1e-3  # unknowns in mm: of the order of one
        rows_ = np.vstack([effect, -effect]) * scale
        rest = np.concatenate([-error, error])
        # the best that can be had, no better than the aim
        ones = np.ones((len(rest), 1))
        best = linprog(
            np.append(np.zeros(count), 1.0),
            A_ub=np.hstack([rows_, -ones]),
            b_ub=rest,
            bounds=[*zip(self.low / scale, self.high / scale, strict=True), (AIM, None)],
        )
        level = float(np.asarray(best.x)[-1]) + 1e-9
        # motions up and down, and whether a wheel turns at all
        turn_cost = 0.5 / (count * float(np.max(np.abs([self.low, self.high])) / scale))
        cost = np.concatenate([np.full(2 * count, turn_cost), np.ones(count)])
        limits = LinearConstraint(np.hstack([rows_, -rows_, np.zeros((len(rest), count))]), -np.inf, rest + level)
        identity = np.eye(count)
        gates = LinearConstraint(
            np.vstack(
                [
                    np.hstack([identity, np.zeros_like(identity), -np.diag(self.high / scale)]),
                    np.hstack([np.zeros_like(identity), identity, np.diag(self.low / scale)]),
                ]
            ),
            -np.inf,
            0.0,
        )
        bounds = Bounds(np.zeros(3 * count), np.concatenate([self.high / scale, -self.low / scale, np.ones(count)]))
        with silent_output():
            answer = milp(
                cost,
                constraints=[limits, gates],
                bounds=bounds,
                integrality=np.concatenate([np.zeros(2 * count), np.ones(count)]),
            )
        motion = np.array(np.asarray(best.x)[:count]) * scale
        if answer.x is not None:
            motion = (np.asarray(answer.x)[:count] - np.asarray(answer.x)[count : 2 * count]) * scale
        motion[np.abs(motion) < NOTHING] = 0.0
        return self._moves(motion, level)

    def _moves(self, motion: FloatArray, level: float) -> tuple[tuple[PairMove, ...], tuple[Pose, Pose], bool]:
        moves = []
        poses = []
        for owner, placement in enumerate(self.placements):
            mount = placement.carrier.mount
            if mount is None:
                poses.append(placement.pose)
                continue
            start = mount.angles
            stop = mount.angles
            for (other, contact), amount in zip(self.columns, motion, strict=True):
                if other == owner and amount:
                    stop[contact] = mount.contacts[contact].reading_after(float(start[contact]), float(amount))
            stop = rounded_angles(mount, start, stop)
            moves += [
                PairMove(
                    carrier=placement.carrier.name,
                    contact=part.name,
                    start=float(start[contact]),
                    stop=float(stop[contact]),
                    motion=part.motion(float(start[contact]), float(stop[contact])),
                )
                for contact, part in enumerate(mount.contacts)
                if stop[contact] != start[contact]
            ]
            here = mount.pose_at(start)
            poses.append(placement.pose @ here.inverse() @ mount.pose_at(stop))
        return tuple(moves), (poses[0], poses[1]), level <= 1.0
