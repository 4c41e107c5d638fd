"""Which screw did not do what it was asked: hypotheses about single mistakes, compared by what they explain.

Each hypothesis says how the lines of all segments should have changed, with a covariance; its probability follows
from that density at the change that was seen, and from how often such a mistake happens (Bayes). What two
hypotheses explain alike is told as such.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from ellipsefit.align.change import LineChange, carrier_map, line_map
from ellipsefit.align.learning import CARRIER, KNOCK, SETTLING, Done, Knowledge, evidence_parts
from ellipsefit.align.orders import TEST_BACKLASH, Orders, adjusters_of
from ellipsefit.arrays import BoolArray, FloatArray
from ellipsefit.mirror import Mirror

Kind = Literal["wrong-handed", "turned the wrong way", "not moved", "wrong screw", "swapped", "knocked"]

#: How often each mistake happens, per screw (or segment) and round: a guess, and no result hangs on a factor of ten.
CHANCE: Final[dict[Kind, float]] = {
    "wrong-handed": 1e-2,
    "turned the wrong way": 1e-3,
    "not moved": 3e-3,
    "wrong screw": 3e-4,
    "swapped": 3e-4,
    "knocked": 1e-5,
}
#: Probability from which a mistake is named, and that of an alternative from which it is mentioned.
SURE: Final = 0.95
MENTIONED: Final = 0.03
#: Factor between the densities of 'as asked' and 'the other way' from which a direction counts as seen.
DECISIVE: Final = 1000.0
#: Most mistakes that are looked for in one round.
MOST: Final = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistake:
    """One thing that went otherwise than asked."""

    kind: Kind
    screw: tuple[str, str]  # of a knocked segment: its name and ''
    other: tuple[str, str] | None = None  # the screw that was turned instead, or the one it was swapped with

    def words(self) -> str:
        """What happened, in one clause."""
        own, other = name_of(self.screw), name_of(self.other) if self.other else ""
        return {
            "wrong-handed": f"{own} went the wrong way",
            "turned the wrong way": f"{own}, whose direction is known, was turned the wrong way",
            "not moved": f"{own} was not moved",
            "wrong screw": f"{other} was turned instead of {own}",
            "swapped": f"the moves of {own} and {other} were swapped",
            "knocked": f"segment {self.screw[0]} moved by something that no mistake at one or two screws explains",
        }[self.kind]


def name_of(screw: tuple[str, str]) -> str:
    """Segment and adjuster, as they are spoken of."""
    return "/".join(part for part in screw if part)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A mistake that was found, how probable it is, and what else would explain the same."""

    mistake: Mistake
    probability: float
    alternatives: tuple[tuple[Mistake | None, float], ...]  # None: all as asked

    @property
    def sure(self) -> bool:
        """Whether it is named, rather than 'cannot tell'."""
        return self.probability >= SURE


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Diagnosis:
    """What went otherwise than asked, and what was done therefore."""

    findings: tuple[Finding, ...]
    done: Done
    reversed: frozenset[int]  # places of screws that are wrong-handed
    direction: tuple[str, ...]  # of each adjuster: 'seen', 'reversed', 'unknown' or 'not moved'


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Stance:
    """A combination of hypotheses: what was done, and which screws are wrong-handed."""

    done: Done
    sign: FloatArray  # (A,) -1: wrong-handed
    mistakes: tuple[Mistake, ...] = ()

    @property
    def prior(self) -> float:
        """Logarithm of how probable its mistakes are beforehand."""
        return float(sum(np.log(CHANCE[mistake.kind]) for mistake in self.mistakes))


def diagnose(knowledge: Knowledge, mirror: Mirror, orders: Orders, change: LineChange) -> Diagnosis:
    """Find what went otherwise than asked, the most probable first, one after the other."""
    search = _Search(knowledge, mirror, orders, change)
    start = _Stance(done=Done.of(mirror, orders.moves), sign=np.ones(knowledge.count))
    best, value = search.climb(start)
    for other in search.all_reversed(start):  # all the other way round: one wrong line in the mirror file
        if search.value(other) > value:
            best, value = search.climb(other)
    findings = [search.judge(best, mistake) for mistake in best.mistakes]
    direction = search.directions(best, findings)
    return Diagnosis(
        findings=tuple(findings),
        done=best.done,
        reversed=frozenset(int(place) for place in np.flatnonzero(best.sign < 0)),
        direction=direction,
    )


class _Search:
    """Densities of hypotheses; what does not change between them is computed once."""

    def __init__(self, knowledge: Knowledge, mirror: Mirror, orders: Orders, change: LineChange) -> None:
        self.knowledge, self.mirror, self.orders, self.change = knowledge, mirror, orders, change
        self.lines = line_map(mirror, change.segments, change.quantity)
        self.rows_seen: BoolArray = np.abs(self.lines).sum(axis=1) > 0
        carrier = carrier_map(mirror, change.segments, change.quantity) * np.array(CARRIER[-self._width() :])
        self.fixed = change.covariance + carrier @ carrier.T + SETTLING**2 * self.lines @ self.lines.T
        self.keys = list(knowledge.adjusters)
        self.adjusters = list(adjusters_of(mirror).values())
        self.homes = [segment for segment, _ in self.keys]
        self.groups = {
            segment.name: np.array([place for place, home in enumerate(self.homes) if home == segment.name], dtype=int)
            for segment in mirror.segments
            if segment.adjusters
        }
        self.asked = np.zeros(len(self.keys))
        for order in orders.moves:
            self.asked[self.keys.index(order.key)] = order.move
        self.cache: dict[tuple[object, ...], tuple[FloatArray, FloatArray]] = {}

    def _width(self) -> int:
        return 2 if self.change.quantity == "height" else 1

    def value(self, stance: _Stance) -> float:
        """Logarithm of density times prior probability."""
        return self.density(stance) + stance.prior

    def density(self, stance: _Stance) -> float:
        """Logarithm of the density of the change that was seen."""
        from scipy.linalg import cho_factor, cho_solve

        mean, spread = np.zeros(len(self.change.change)), self.fixed.copy()
        for group, columns in self.groups.items():
            part = self._part(stance, group, columns)
            mean += part[0]
            spread += part[1]
        for name in stance.done.knocked:
            rows = self._rows(name)
            length = next(segment.length for segment in self.mirror.segments if segment.name == name)
            spread[rows, rows] += (KNOCK * np.array([1.0, 2 / length])[-self._width() :]) ** 2
        rest = self.change.change - mean
        # rows in units of their own spread: metres and radians differ by orders of magnitude
        size = np.sqrt(np.diag(spread))
        factor = cho_factor(spread / np.outer(size, size))
        rest = rest / size
        logs = 2 * np.log(np.diag(factor[0])).sum() + 2 * np.log(size).sum()
        return float(-0.5 * (rest @ cho_solve(factor, rest) + logs))

    def _rows(self, segment: str) -> range:
        start = self.change.segments.index(segment) * self._width()
        return range(start, start + self._width())

    def _part(self, stance: _Stance, group: str, columns: np.ndarray) -> tuple[FloatArray, FloatArray]:
        done = stance.done
        key = (
            group,
            tuple(done.move[columns]),
            tuple(done.side[columns]),
            tuple(done.settled[columns]),
            tuple(stance.sign[columns]),
        )
        if key not in self.cache:
            self.cache[key] = evidence_parts(self.knowledge, self.lines, done, stance.sign, columns)
        return self.cache[key]

    def climb(self, stance: _Stance) -> tuple[_Stance, float]:
        """Add or take away one mistake after the other, as long as that makes the whole more probable."""
        value = self.value(stance)
        for _ in range(MOST):
            options = [*self.additions(stance), *self.removals(stance), *self.exchanges(stance)]
            values = [self.value(option) for option in options]
            if not values or max(values) <= value + 1e-9:
                break
            value = max(values)
            stance = options[values.index(value)]
        return stance, value

    def all_reversed(self, stance: _Stance) -> list[_Stance]:
        """Every moved screw wrong-handed, where that was not seen otherwise already."""
        places = [int(p) for p in np.flatnonzero((self.asked != 0) & ~self.knowledge.verified)]
        if len(places) < 2:
            return []
        sign = stance.sign.copy()
        sign[places] = -1.0
        mistakes = tuple(Mistake(kind="wrong-handed", screw=self.keys[place]) for place in places)
        return [replace(stance, sign=sign, mistakes=mistakes)]

    def additions(self, stance: _Stance, home: str | None = None) -> list[_Stance]:
        """One more mistake, at screws and segments that have none yet; with `home`, at screws of that segment."""
        taken = {screw for mistake in stance.mistakes for screw in (mistake.screw, mistake.other)}
        free = [place for place, key in enumerate(self.keys) if key not in taken]
        found = []
        for place in free:
            if home in (None, self.homes[place]):
                found += self.single(stance, place, free)
        for name in self.change.segments:
            if home is None and name not in stance.done.knocked:
                done = replace(stance.done, knocked=stance.done.knocked | {name})
                found.append(self._with(stance, Mistake(kind="knocked", screw=(name, "")), done=done))
        return found

    def single(self, stance: _Stance, place: int, free: list[int]) -> list[_Stance]:
        """Every mistake that begins at one screw, the others of `free` being possible partners."""
        asked, key = float(self.asked[place]), self.keys[place]
        if not asked or self.homes[place] not in self.change.segments:
            return []
        if self.knowledge.verified[place]:
            found = self._moves(stance, "turned the wrong way", place, None, {place: -asked})
        else:
            sign = stance.sign.copy()
            sign[place] = -1.0
            found = [self._with(stance, Mistake(kind="wrong-handed", screw=key), sign=sign)]
        found += self._moves(stance, "not moved", place, None, {place: 0.0})
        for other in self._neighbours(place):
            if other not in free:
                continue
            there = float(self.asked[other])
            found += self._moves(stance, "wrong screw", place, other, {place: 0.0, other: there + asked})
            if there and other > place and abs(there - asked) > 1e-12:
                found += self._moves(stance, "swapped", place, other, {place: there, other: asked})
        return found

    def _neighbours(self, place: int) -> list[int]:
        """Adjusters of the same segment and of those beside it."""
        names = [segment.name for segment in self.mirror.segments]
        home = names.index(self.homes[place])
        near = set(names[max(home - 1, 0) : home + 2])
        return [other for other, name in enumerate(self.homes) if name in near and other != place]

    def _moves(
        self, stance: _Stance, kind: Kind, place: int, other: int | None, moves: dict[int, float]
    ) -> list[_Stance]:
        for screw, move in moves.items():
            low, high = self.adjusters[screw].travel
            if not low - 1e-9 <= self.adjusters[screw].position + move <= high + 1e-9:
                return []  # nobody turned it past its stop
        mistake = Mistake(kind=kind, screw=self.keys[place], other=None if other is None else self.keys[other])
        return [self._with(stance, mistake, done=stance.done.changed(move=moves))]

    def _with(
        self, stance: _Stance, mistake: Mistake, *, done: Done | None = None, sign: FloatArray | None = None
    ) -> _Stance:
        return _Stance(
            done=stance.done if done is None else done,
            sign=stance.sign if sign is None else sign,
            mistakes=(*stance.mistakes, mistake),
        )

    def removals(self, stance: _Stance) -> list[_Stance]:
        """One mistake less."""
        return [self.without(stance, mistake) for mistake in stance.mistakes]

    def exchanges(self, stance: _Stance) -> list[_Stance]:
        """A knock explained otherwise: by two mistakes at screws of that segment."""
        found = []
        for mistake in stance.mistakes:
            if mistake.kind != "knocked":
                continue
            bare = self.without(stance, mistake)
            for first in self.additions(bare, mistake.screw[0]):
                found += self.additions(first, mistake.screw[0])
        return found

    def without(self, stance: _Stance, mistake: Mistake) -> _Stance:
        """The same stance without one of its mistakes."""
        first = Done.of(self.mirror, self.orders.moves)
        done, sign = stance.done, stance.sign.copy()
        if mistake.kind == "knocked":
            done = replace(done, knocked=done.knocked - {mistake.screw[0]})
        move, side, settled = done.move.copy(), done.side.copy(), done.settled.copy()
        for screw in (mistake.screw, mistake.other):
            if screw in self.keys:
                place = self.keys.index(screw)
                move[place], side[place] = first.move[place], first.side[place]
                settled[place], sign[place] = first.settled[place], 1.0
        return _Stance(
            done=replace(done, move=move, side=side, settled=settled),
            sign=sign,
            mistakes=tuple(item for item in stance.mistakes if item != mistake),
        )

    def judge(self, stance: _Stance, mistake: Mistake) -> Finding:
        """How probable one mistake is among all that could have happened at its screws, the others being given."""
        bare = self.without(stance, mistake)
        taken = {screw for item in bare.mistakes for screw in (item.screw, item.other)}
        free = [place for place, key in enumerate(self.keys) if key not in taken]
        if mistake.kind == "knocked":
            touched = [place for place in free if self.homes[place] == mistake.screw[0]]
        else:
            touched = [self.keys.index(screw) for screw in (mistake.screw, mistake.other) if screw is not None]
        options: dict[Mistake | None, _Stance] = {None: bare}
        for option in self.additions(bare):
            new = option.mistakes[-1]
            near = [self.keys.index(s) for s in (new.screw, new.other) if s in self.keys]
            homes = {self.homes[place] for place in touched}
            if new == mistake or set(near) & set(touched) or (new.kind == "knocked" and new.screw[0] in homes):
                options[new] = option
        values = {kind: self.value(option) for kind, option in options.items()}
        most = max(values.values())
        weights = {kind: float(np.exp(value - most)) for kind, value in values.items()}
        total = sum(weights.values())
        ranked = sorted(((kind, weight / total) for kind, weight in weights.items()), key=lambda item: -item[1])
        return Finding(
            mistake=mistake,
            probability=weights[mistake] / total,
            alternatives=tuple((kind, share) for kind, share in ranked if kind != mistake and share >= MENTIONED),
        )

    def directions(self, stance: _Stance, findings: list[Finding]) -> tuple[str, ...]:
        """What the round tells of each screw's direction."""
        value = self.density(stance)
        by_screw = {screw: f for f in findings for screw in (f.mistake.screw, f.mistake.other) if screw}
        found = []
        for place, key in enumerate(self.keys):
            move = float(stance.done.move[place])
            if not move:
                found.append("not moved")
                continue
            finding = by_screw.get(key)
            if finding is not None and not finding.sure:
                found.append("unknown")
                continue
            sign = stance.sign.copy()
            sign[place] *= -1
            decided = value - self.density(replace(stance, sign=sign)) > np.log(DECISIVE)
            if stance.sign[place] < 0:
                found.append("reversed" if decided else "unknown")
            elif decided and abs(move) >= TEST_BACKLASH * self.adjusters[place].backlash * (1 - 1e-9):
                found.append("seen")
            else:
                found.append("unknown")
        return tuple(found)
