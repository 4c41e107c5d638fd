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
from ellipsefit.align.learning import CARRIER, KNOCK, Done, Knowledge, evidence_parts
from ellipsefit.align.objectives import SETTLING
from ellipsefit.align.orders import Orders, adjusters_of, shows_direction
from ellipsefit.arrays import FloatArray
from ellipsefit.mirror import Mirror, Segment

Kind = Literal["wrong-handed", "turned the wrong way", "not moved", "wrong screw", "swapped", "knocked"]

#: How often each mistake happens, per screw (or segment) and round: a guess, and no result hangs on a factor of ten.
CHANCE: Final[dict[Kind, float]] = {
    "turned the wrong way": 1e-3,
    "not moved": 3e-3,
    "wrong screw": 3e-5,
    "swapped": 3e-5,
    "knocked": 1e-5,
}
#: Wrong-handed screws seldom come alone (one line of a list was wrong): their share in a mirror is itself unknown, a
#: beta distribution with this many wrong and right screws seen before; a mean of 2 %.
HANDS: Final = (0.5, 25.0)
#: Probability from which a mistake is named, and that of an alternative from which it is mentioned.
SURE: Final = 0.95
MENTIONED: Final = 0.03
#: Factor between the densities of 'as asked' and 'the other way' from which a direction counts as seen.
DECISIVE: Final = 1000.0
#: Roll for a unit knock: over 50 mm [1/m].
KNOCK_ACROSS: Final = 20.0
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
    alternatives: tuple[tuple[tuple[Mistake, ...], float], ...]  # one mistake, two, or none: all as asked

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

    def prior(self, screws: int) -> float:
        """Logarithm of how probable its mistakes are beforehand, with so many screws whose hand is not known."""
        from scipy.special import betaln

        wrong = sum(mistake.kind == "wrong-handed" for mistake in self.mistakes)
        others = sum(np.log(CHANCE[m.kind]) for m in self.mistakes if m.kind != "wrong-handed")
        hands = betaln(HANDS[0] + wrong, HANDS[1] + screws - wrong) - betaln(*HANDS)
        return float(others + hands)


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
        self.lines = line_map(mirror, change.segments, change.freedoms)
        carrier = carrier_map(mirror, change.segments, change.freedoms) * np.array(CARRIER[change.freedoms])
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
        self.reference = self._whole(
            _Stance(done=Done.of(mirror, orders.moves), sign=np.ones(knowledge.count))
        )  # of which others are small changes
        self.unseen = int(((self.asked != 0) & ~knowledge.verified).sum())

    def _whole(self, stance: _Stance) -> tuple[_Stance, FloatArray, FloatArray]:
        """A stance with the expected change and its covariance, but for knocks."""
        mean, spread = np.zeros(len(self.change.change)), self.fixed.copy()
        for group, columns in self.groups.items():
            part = self._part(stance, group, columns)
            mean += part[0]
            spread += part[1]
        return stance, mean, spread

    def value(self, stance: _Stance) -> float:
        """Logarithm of density times prior probability."""
        return self.density(stance) + stance.prior(self.unseen)

    def density(self, stance: _Stance) -> float:
        """Logarithm of the density of the change that was seen."""
        from scipy.linalg import cho_factor, cho_solve

        known, mean, spread = self.reference
        mean, spread = mean.copy(), spread.copy()
        done, before = stance.done, known.done
        changed = (done.move != before.move) | (done.side != before.side) | (done.settled != before.settled)
        changed |= stance.sign != known.sign
        for group in {self.homes[place] for place in np.flatnonzero(changed)}:
            new, old = (self._part(each, group, self.groups[group]) for each in (stance, known))
            mean += new[0] - old[0]
            spread += new[1] - old[1]
        for name in stance.done.knocked:
            rows = self._rows(name)
            length = next(segment.length for segment in self.mirror.segments if segment.name == name)
            turn = 2 / length
            levers = {1: [turn], 2: [1.0, turn], 3: [1.0, turn, KNOCK_ACROSS]}[self.change.freedoms]
            spread[rows, rows] += (KNOCK * np.array(levers)) ** 2
        rest = self.change.change - mean
        # rows in units of their own spread: metres and radians differ by orders of magnitude. Without noise, segments
        # without screws do what the carrier does and nothing else: 1e-14 of its variance is (0.1 nm)**2
        size = np.sqrt(np.diag(spread))
        factor = cho_factor(spread / np.outer(size, size) + 1e-14 * np.eye(len(size)))
        rest = rest / size
        logs = 2 * np.log(np.diag(factor[0])).sum() + 2 * np.log(size).sum()
        return float(-0.5 * (rest @ cho_solve(factor, rest) + logs))

    def _rows(self, segment: str) -> range:
        start = self.change.segments.index(segment) * self.change.freedoms
        return range(start, start + self.change.freedoms)

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
            self.reference = self._whole(stance)
            best = self._best([*self.additions(stance), *self.removals(stance)], value)
            if best is None:
                best = self._best(self.exchanges(stance), value)
            if best is None:
                break
            stance, value = best
        return stance, value

    def _best(self, options: list[_Stance], least: float) -> tuple[_Stance, float] | None:
        """The most probable option, if it is more probable than this."""
        values = [self.value(option) for option in options]
        most = max(values, default=-np.inf)
        return (options[values.index(most)], most) if most > least + 1e-9 else None

    def all_reversed(self, stance: _Stance) -> list[_Stance]:
        """Every moved screw wrong-handed, where that was not seen otherwise already."""
        places = [int(p) for p in np.flatnonzero((self.asked != 0) & ~self.knowledge.verified)]
        if len(places) < 2:
            return []
        sign = stance.sign.copy()
        sign[places] = -1.0
        mistakes = tuple(Mistake(kind="wrong-handed", screw=self.keys[place]) for place in places)
        return [replace(stance, sign=sign, mistakes=mistakes)]

    def additions(self, stance: _Stance, screws: set[tuple[str, str]] | None = None) -> list[_Stance]:
        """One more mistake, at screws and segments that have none yet; or only at some screws."""
        taken = {screw for mistake in stance.mistakes for screw in (mistake.screw, mistake.other)}
        free = [place for place, key in enumerate(self.keys) if key not in taken]
        found = []
        for place in free:
            if screws is None or self.keys[place] in screws:
                found += self.single(stance, place, free)
        for name in self.change.segments:
            if screws is None and name not in stance.done.knocked:
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
        near = {segment.name for segment in self._beside(self.homes[place])}
        return [other for other, name in enumerate(self.homes) if name in near and other != place]

    def _beside(self, name: str) -> tuple[Segment, ...]:
        """A segment and its neighbours."""
        home = [segment.name for segment in self.mirror.segments].index(name)
        return self.mirror.segments[max(home - 1, 0) : home + 2]

    def _moves(
        self, stance: _Stance, kind: Kind, place: int, other: int | None, moves: dict[int, float]
    ) -> list[_Stance]:
        for screw, move in moves.items():
            if not self.adjusters[screw].reaches(self.adjusters[screw].position + move):
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
        """A knock or a swap explained otherwise: by two mistakes at screws of that segment."""
        found = []
        for mistake in stance.mistakes:
            if mistake.kind == "wrong-handed":
                continue
            if mistake.kind == "knocked":
                screws = {key for key in self.keys if key[0] == mistake.screw[0]}
            else:
                screws = {screw for screw in (mistake.screw, mistake.other) if screw is not None}
            found += self.pairs(self.without(stance, mistake), screws)
        return found

    def pairs(self, stance: _Stance, screws: set[tuple[str, str]]) -> list[_Stance]:
        """Two more mistakes, each at one of these screws."""
        return [option for first in self.additions(stance, screws) for option in self.additions(first, screws)]

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
        """How probable one mistake is among all that could have happened at its screws, the others being given.

        One mistake may also explain what two were found for, and two what one was found for.
        """
        bare = self.without(stance, mistake)
        if mistake.kind == "knocked":
            touched = {key for key in self.keys if key[0] == mistake.screw[0]}
        else:
            touched = {screw for screw in (mistake.screw, mistake.other) if screw is not None}
        homes = {segment for segment, _ in touched}
        near = {s.name for place in touched for s in self._beside(place[0])}
        options = {(): bare, (mistake,): stance}
        for gone in (None, *(item for item in bare.mistakes if item.screw[0] in near)):
            start = bare if gone is None else self.without(bare, gone)
            for option in self.additions(start):
                new = option.mistakes[-1]
                if {new.screw, new.other} & touched or (new.kind == "knocked" and new.screw[0] in homes):
                    if gone is None:
                        options[new,] = option
                    elif gone.screw in (new.screw, new.other) or new.kind == "knocked":
                        options.setdefault((new,), option)
        for option in self.pairs(bare, touched) if len(touched) > 1 else []:
            options[option.mistakes[-2:]] = option
        values = {what: self.value(option) for what, option in options.items()}
        most = max(values.values())
        weights = {what: float(np.exp(value - most)) for what, value in values.items()}
        total = sum(weights.values())
        ranked = sorted(((what, weight / total) for what, weight in weights.items()), key=lambda item: -item[1])
        return Finding(
            mistake=mistake,
            probability=weights[mistake,] / total,
            alternatives=tuple((what, share) for what, share in ranked if what != (mistake,) and share >= MENTIONED),
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
            if finding is None and self.knowledge.verified[place]:
                found.append("seen")
                continue
            sign = stance.sign.copy()
            sign[place] *= -1
            decided = value - self.density(replace(stance, sign=sign)) > np.log(DECISIVE)
            if stance.sign[place] < 0:
                found.append("reversed" if decided else "unknown")
            elif decided and shows_direction(move, self.adjusters[place]):
                found.append("seen")
            else:
                found.append("unknown")
        return tuple(found)
