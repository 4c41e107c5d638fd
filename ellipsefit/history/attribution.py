"""Why the numbers of a mirror changed: refits with one thing changed at a time, whose shares add up to the change."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from ellipsefit.align.orders import adjusters_of, moved_mirror
from ellipsefit.errors import EllipsefitError, FileFormatError
from ellipsefit.files.record import RecordedEntry, read_record, read_round_profile
from ellipsefit.files.record.provenance import design_changes, mirror_then
from ellipsefit.fit import Previous, Prior, fit_ellipse, parse_prior, previous_campaign
from ellipsefit.history.quantities import NAMES, QUANTITIES, change_unit, decimals, numbers_of, plain, recorded_numbers
from ellipsefit.mirror import Mirror
from ellipsefit.profile import Profile, place_profile
from ellipsefit.rows import Table

#: Things that change a number, in the order in which they are changed one at a time.
MOVES, DATA, FILE, SETTINGS, PROGRAM = "moves made", "measured anew", "mirror file", "settings", "program"
FACTORS: Final = (MOVES, DATA, FILE, SETTINGS, PROGRAM)
_TIED: Final = "not told apart"


@dataclass(frozen=True, slots=True, kw_only=True)
class Attribution:
    """Why numbers changed from one round to another: shares that add up to the change. SI.

    One thing is changed at a time, in the order of `shares`, and the fit is made again: first the moves made are added
    to the earlier profile, then the new profile takes its place, then the mirror file and the settings. What the
    present program finds otherwise than the one that wrote the record is a share of its own.
    """

    before: int  # rounds
    after: int
    values: Mapping[str, tuple[float, float]]  # recorded before and after
    shares: Mapping[str, Mapping[str, float]]  # by what changed, then by quantity
    notes: tuple[str, ...]

    def change(self, key: str) -> float:
        """Recorded after minus recorded before."""
        first, second = self.values[key]
        return second - first

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        return {
            "from": self.before,
            "to": self.after,
            "quantities": {
                key: {
                    "before": first,
                    "after": second,
                    "change": second - first,
                    "shares": {name: share[key] for name, share in self.shares.items()},
                }
                for key, (first, second) in self.values.items()
            },
            "notes": list(self.notes),
        }

    def table(self) -> Table:
        """Shares beside each other, each in the unit of its quantity."""
        cells = []
        for key, name, *_, unit in QUANTITIES:
            if key not in self.values:
                continue
            small = change_unit(unit)
            shown = [self.change(key), *(share[key] for share in self.shares.values())]
            places = decimals([abs(value) for value in shown], small)
            cells.append((f"{name} [{small}]", *(plain(value, small, places, sign=True) for value in shown)))
        return Table(
            title=f"Why numbers changed from round {self.before} to round {self.after}",
            header=("", "change", *self.shares),
            cells=tuple(cells),
            notes=(
                *self.notes,
                "One thing at a time is changed, from left to right; program: its version, and rounding.",
            ),
        )


@dataclass(frozen=True, slots=True)
class _State:
    """All that a fit is made from."""

    profile: Profile
    mirror: Mirror
    options: Mapping[str, Any]


def attribute_change(path: str | os.PathLike[str], first: RecordedEntry, second: RecordedEntry) -> Attribution:
    """Refits with one thing changed at a time, from what was recorded first to what was recorded second.

    Parameters
    ----------
    path : path
        The record.
    first, second : RecordedEntry
        Two of its rounds, each with a fit.

    Returns
    -------
    Attribution
        Where a thing cannot be changed alone, such as data on segments that the other mirror file doesn't have, it goes
        together with the next one.
    """
    recorded = [recorded_numbers(entry) for entry in (first, second)]
    keys = [key for key in NAMES if all(one[key] is not None for one in recorded)]
    start, end = ({key: float(one[key] or 0.0) for key in keys} for one in recorded)
    then, now = mirror_then(first), mirror_then(second)
    notes: list[str] = []
    shares = {name: dict.fromkeys(keys, 0.0) for name in FACTORS}

    def result(names: Mapping[str, Mapping[str, float]]) -> Attribution:
        return Attribution(
            before=first.number,
            after=second.number,
            values={key: (start[key], end[key]) for key in keys},
            shares=names,
            notes=tuple(notes),
        )

    def whole(reason: str) -> Attribution:
        notes.append(f"Note: the change cannot be told apart: {reason}.")
        return result({_TIED: {key: end[key] - start[key] for key in keys}})

    if then is None or now is None:
        return whole("a round holds no mirror file that can be read")
    try:
        profiles = [read_round_profile(path, entry.number) for entry in (first, second)]
        options = [_options(path, entry, notes) for entry in (first, second)]
        found = _refit(_State(profiles[0], then, options[0]))
    except EllipsefitError as fault:
        return whole(str(fault))
    at = {key: found.get(key) for key in keys}
    lost = [key for key in keys if at[key] is None]  # the present program does not tell it any more
    state = {key: start[key] if (value := at[key]) is None else value for key in keys}
    for key in keys:
        shares[PROGRAM][key] += state[key] - start[key]

    moved, word = _moved_profile(profiles[0], then, now, first)
    changes: list[tuple[str, Callable[[], _State] | None]] = [
        (MOVES, None if moved is None else lambda: _State(moved, then, options[0])),
        (DATA, lambda: _State(profiles[1], then, options[0])),
        (FILE, None if then == now else lambda: _State(profiles[1], now, options[0])),
        (SETTINGS, None if options[0] == options[1] else lambda: _State(profiles[1], now, options[1])),
    ]
    if word:
        notes.append(f"Moves made: {word}.")
    design = design_changes(then, now)
    if design:
        notes.append(f"Mirror file: {'; '.join(design)}.")
    if options[0] != options[1]:
        notes.append(f"Settings: {_option_changes(options[0], options[1])}.")
    versions = [fit.versions for entry in (first, second) if (fit := entry.last("fit")) is not None]
    if len(versions) == 2:
        different = [
            f"{name} {versions[0].get(name, 'unknown')} to {versions[1].get(name, 'unknown')}"
            for name in dict.fromkeys([*versions[0], *versions[1]])
            if versions[0].get(name) and versions[1].get(name) and versions[0].get(name) != versions[1].get(name)
        ]
        if different:
            notes.append(f"Versions: {', '.join(different)}.")
    waiting: list[str] = []
    for name, make in changes:
        if make is None:
            continue
        try:
            found = _refit(make())
        except EllipsefitError as fault:
            waiting.append(name)
            notes.append(f"Note: '{name}' cannot be changed alone ({str(fault).splitlines()[0]}).")
            continue
        label = " and ".join([*waiting, name])
        for old in waiting:
            shares.pop(old)
        if waiting:
            shares = {(label if key == name else key): share for key, share in shares.items()}
            waiting = []
        for key in keys:
            value = found.get(key)
            if value is not None and key not in lost:
                shares[label][key] = value - state[key]
                state[key] = value
    if waiting:  # the last step goes with what the program finds otherwise
        label = " and ".join([*waiting, PROGRAM])
        for old in waiting:
            shares.pop(old)
        shares = {(label if key == PROGRAM else key): share for key, share in shares.items()}
    else:
        label = PROGRAM
    for key in keys:
        shares[label][key] += end[key] - state[key]
    if lost:
        notes.append(f"Note: of {', '.join(NAMES[key] for key in lost)} the present program tells nothing.")
    return result(shares)


def _refit(state: _State) -> dict[str, float | None]:
    options = dict(state.options)
    previous = options.pop("previous", None)
    if isinstance(previous, _Earlier):
        options["previous"] = previous.campaign(state.mirror)
    return numbers_of(fit_ellipse(state.profile, state.mirror, **options).to_dict())


@dataclass(frozen=True, slots=True)
class _Earlier:
    """The campaign that a fit rests on, as its round and mirror file tell it."""

    path: str
    round: int
    stability: float

    def campaign(self, mirror: Mirror) -> Previous:
        entry = next(one for one in read_record(self.path).rounds if one.number == self.round)
        before = mirror_then(entry)
        if before is None:
            raise FileFormatError(f"{self.path}: round {self.round} holds no mirror file")
        placed = place_profile(read_round_profile(self.path, self.round), before)
        return previous_campaign(placed, mirror, stability=self.stability, name=f"round {self.round}")


def _options(path: str | os.PathLike[str], entry: RecordedEntry, notes: list[str]) -> dict[str, Any]:
    """Arguments of `fit_ellipse` that gave the fit of a round."""
    fit = entry.last("fit")
    if fit is None:
        raise FileFormatError(f"{path}: round {entry.number} holds no fit")
    asked = fit.options if fit.options is not None else _options_of_settings(fit.settings)
    options: dict[str, Any] = {
        "vary": None if asked.get("vary") is None else tuple(asked["vary"]),
        **{key: asked.get(key) for key in ("spread_height", "spread_tilt", "cutoff")},
        "segments": asked.get("segments") or "random",
        "residual": asked.get("residual") or "correlated",
        "priors": tuple(
            Prior(weights=tuple(one["weights"]), value=one["value"], stderr=one["stderr"])
            for one in asked.get("priors", ())
        ),
    }
    previous = asked.get("previous")
    if isinstance(previous, dict) and "round" in previous:
        options["previous"] = _Earlier(os.fspath(path), int(previous["round"]), float(previous["stability"]))
    elif previous:
        name = previous.get("file", "a file") if isinstance(previous, dict) else previous
        notes.append(
            f"Note: the fit of round {entry.number} rests on {name} as well, which this record does not hold: what "
            f"that does to it is among '{PROGRAM}'."
        )
    return options


def _options_of_settings(settings: Mapping[str, str]) -> dict[str, Any]:
    """Arguments that give a fit again, from its settings as text: records of before kept no more."""

    def given(key: str) -> float | None:
        known = settings.get("spreads_estimated") == "False" and settings.get("segments") == "random"
        return float(settings[key]) if known and settings.get(key) else None

    priors = [parse_prior(_unbracketed(text)) for text in settings.get("priors", "").split("; ") if text]
    return {
        "vary": [name.strip() for name in settings.get("varied", "").split(",") if name.strip()],
        "segments": settings.get("segments"),
        "residual": settings.get("residual"),
        "spread_height": given("spread_height"),
        "spread_tilt": given("spread_tilt"),
        "cutoff": float(settings["cutoff"]) if settings.get("cutoff") else None,
        "priors": [{"weights": one.weights, "value": one.value, "stderr": one.stderr} for one in priors],
        "previous": settings.get("previous") or None,
    }


def _unbracketed(text: str) -> str:
    """'p +q = (20.0000 ± 0.0010) m' as it is typed: each number with its unit."""
    left, _, right = text.partition("=")
    inside, bracket, unit = right.strip().removeprefix("(").partition(")")
    value, sign, stderr = inside.partition("±")
    if not bracket or not sign:
        return text
    return f"{left}={value.strip()} {unit.strip()} +- {stderr.strip()} {unit.strip()}"


def _moved_profile(profile: Profile, then: Mirror, now: Mirror, entry: RecordedEntry) -> tuple[Profile | None, str]:
    """The earlier profile with the moves made since added to it, and in words from where they are known."""
    done = next(
        (
            one
            for one in reversed(entry.results)
            if one.kind == "comparison" and one.answer.get("kind", "round") == "round"
        ),
        None,
    )
    stands = {key: adjuster.position for key, adjuster in adjusters_of(then).items()}
    if done is not None:
        after = {(one["segment"], one["adjuster"]): float(one["position"]) for one in done.answer.get("moves", ())}
        word = f"adjusters and carrier as {done.path} found them"
    else:
        after = {key: adjuster.position for key, adjuster in adjusters_of(now).items()}
        word = "adjusters by their positions in the two mirror files; of the carrier nothing is recorded"
    after = {key: after.get(key, place) for key, place in stands.items()}
    carrier = {} if done is None else done.answer.get("carrier") or {}
    height, tilt = float(carrier.get("height") or 0.0), float(carrier.get("tilt") or 0.0)
    if all(abs(after[key] - place) < 1e-12 for key, place in stands.items()) and not (height or tilt):
        return None, ""
    try:
        placed = place_profile(profile, then)
        moves = previous_campaign(placed, moved_mirror(then, after)).moves
    except EllipsefitError:
        return None, ""
    middles = np.array([segment.middle for segment in then.segments])
    index = placed.index
    turned = moves[index, 1] + tilt
    if placed.quantity == "slope":
        values = placed.values + turned
    else:
        raised = moves[index, 0] + height + tilt * middles[index]
        values = placed.values + raised + turned * (placed.x - middles[index])
    names = np.array([segment.name for segment in then.segments])[index]
    return (
        Profile(
            name=profile.name,
            quantity=placed.quantity,
            x=placed.x,
            values=values,
            sigma=placed.sigma,
            y=placed.y,
            segment=names,
            covariance_factor=placed.covariance_factor,
            frame="mirror",
        ),
        word,
    )


def _option_changes(before: Mapping[str, Any], after: Mapping[str, Any]) -> str:
    words = []
    for key in dict.fromkeys([*before, *after]):
        first, second = before.get(key), after.get(key)
        if first != second:
            words.append(f"{key.replace('_', ' ')} {_option(first)} to {_option(second)}")
    return ", ".join(words)


def _option(value: Any) -> str:
    if value is None or value == ():
        return "left to the program" if value is None else "none"
    if isinstance(value, _Earlier):
        return f"round {value.round}"
    if isinstance(value, tuple):
        return " and ".join(str(one) for one in value)
    return f"{value:.4g}" if isinstance(value, float) else str(value)
