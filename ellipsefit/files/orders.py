"""Plans to carry out and what was learned of their rounds, as JSON or from a record."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, get_args

from ellipsefit.align.orders import Approach, Kind, Order, Orders, adjusters_of, approached
from ellipsefit.align.response import Response
from ellipsefit.align.rounds import History
from ellipsefit.checks.suspicion import SUSPECTED
from ellipsefit.errors import DataError, EllipsefitError, FileFormatError, shown
from ellipsefit.files.mirror import mirror_from_text
from ellipsefit.files.registry import file_format
from ellipsefit.files.response import read_response
from ellipsefit.files.safe import read_bytes
from ellipsefit.mirror import Mirror


def read_orders(path: str | os.PathLike[str], mirror: Mirror | None = None, *, number: int | None = None) -> Orders:
    """Orders from the JSON answer of a plan, or from a round of a record.

    Parameters
    ----------
    path : path
        JSON of `correct`, or a record.
    mirror : Mirror, optional
        For a plan that does not hold its mirror.
    number : int, optional
        Round of the record; by default its last.

    Raises
    ------
    FileMissingError, FileFormatError
        If the file cannot be read or holds no plan; the text names file, key and what was expected.
    """
    if file_format(path) == "hdf5":
        from ellipsefit.files.record import read_round

        found = read_round(path, number)
        if found.plan is None:
            raise FileFormatError(f"{path}: round {found.number} holds no plan; expected one of `run`")
        own = None if "mirror" not in found.plan else _mirror_in(path, found.plan)
        design = mirror or own or mirror_from_text(found.mirror_file, f"{path}: round {found.number}")
        return _orders(path, found.plan | {"time": found.when.isoformat()}, design)
    table = _json(path, "a plan, the JSON answer of `correct`")
    if isinstance(table.get("correct"), dict):  # the answer of `run`
        table = table["correct"] | {key: table[key] for key in ("mirror", "time") if key in table}
    return _orders(path, table, mirror or _mirror_in(path, table))


def _json(path: str | os.PathLike[str], expected: str) -> dict[str, Any]:
    try:
        table = json.loads(read_bytes(path).decode("utf-8-sig"))
    except (UnicodeDecodeError, json.JSONDecodeError) as fault:
        line = f" in line {fault.lineno}" if isinstance(fault, json.JSONDecodeError) else ""
        raise FileFormatError(f"{path}: is no JSON{line}; expected {expected}") from None
    except RecursionError:
        raise FileFormatError(f"{path}: is nested too deeply; expected {expected}") from None
    if not isinstance(table, dict):
        raise FileFormatError(f"{path}: holds no JSON object; expected {expected}")
    return table


def _mirror_in(path: str | os.PathLike[str], table: Mapping[str, Any]) -> Mirror:
    own = table.get("mirror")
    if not isinstance(own, dict) or not isinstance(own.get("file"), str):
        raise FileFormatError(
            f"{path}: key 'mirror' is missing; expected the JSON answer of `correct` with its mirror, or --mirror"
        )
    if hashlib.sha256(own["file"].encode()).hexdigest() != own.get("fingerprint"):
        raise FileFormatError(f"{path}: key 'mirror.file' was changed after the plan was made; expected it untouched")
    return mirror_from_text(own["file"], f"{path}: mirror.file")


def _orders(path: str | os.PathLike[str], table: Mapping[str, Any], mirror: Mirror) -> Orders:
    moves = table.get("moves")
    if not isinstance(moves, list):
        raise FileFormatError(f"{path}: key 'moves' is missing; expected the list of moves of a plan")
    try:
        orders = [_order(path, place, move, mirror) for place, move in enumerate(moves, start=1)]
        when = table.get("time")
        return Orders(
            mirror=mirror,
            moves=tuple(orders),
            when=None if when is None else _time(path, when),
            unknown=tuple(str(name) for name in table.get("direction_unknown") or ()),
            carrier=_carrier(path, table.get("carrier")),
            doubts=_doubts(path, table.get("suspicions")),
            kind=_one_of(path, "kind", table.get("kind", "round"), get_args(Kind)),
        )
    except FileFormatError:
        raise
    except EllipsefitError as fault:
        raise FileFormatError(f"{path}: {fault}") from None


def _doubts(path: str | os.PathLike[str], table: object) -> tuple[str, ...]:
    items = [] if table is None else table
    if not isinstance(items, list) or not all(isinstance(item, dict) for item in items):
        raise FileFormatError(f"{path}: key 'suspicions' is faulty; expected a list of what is suspected")
    return tuple(f"{SUSPECTED} ({item.get('kind')}): {item.get('text')}" for item in items)


def _carrier(path: str | os.PathLike[str], table: object) -> tuple[float | None, float] | None:
    if table is None:
        return None
    height, tilt = (table.get(key) for key in ("height", "tilt")) if isinstance(table, dict) else ("", "")
    if not isinstance(tilt, int | float) or not (height is None or isinstance(height, int | float)):
        raise FileFormatError(f"{path}: key 'carrier' is faulty; expected height in m and tilt in rad")
    return height, tilt


def _time(path: str | os.PathLike[str], text: object) -> datetime:
    try:
        when = datetime.fromisoformat(str(text))
    except ValueError:
        example = "2026-03-01T09:30:00+00:00"
        raise FileFormatError(f"{path}: key 'time' is {shown(text)}; expected such as {example}") from None
    return when if when.tzinfo is not None else when.astimezone()


def _one_of(path: str | os.PathLike[str], key: str, value: object, known: tuple[Any, ...]) -> Any:
    if value not in known:
        raise FileFormatError(f"{path}: key '{key}' is {shown(value)}; expected one of {', '.join(known)}")
    return value


def _order(path: str | os.PathLike[str], place: int, move: object, mirror: Mirror) -> Order:
    where = f"{path}: move {place}"
    if not isinstance(move, dict):
        raise FileFormatError(f"{where} is no object; expected one with segment, adjuster, from and to")
    for key, kinds in (("segment", str), ("adjuster", str), ("from", (int, float)), ("to", (int, float))):
        if not isinstance(move.get(key), kinds) or isinstance(move.get(key), bool):
            raise FileFormatError(f"{where}: key '{key}' is {shown(move.get(key))}; expected a {_KIND[key]}")
    for key, what in (("overshoot", "a length in m"), ("gain", "a number")):
        value = move.get(key, 1.0)
        if not isinstance(value, int | float) or isinstance(value, bool):
            raise FileFormatError(f"{where}: key '{key}' is {shown(value)}; expected {what}")
    order = Order(
        segment=move["segment"],
        adjuster=move["adjuster"],
        start=float(move["from"]),
        stop=float(move["to"]),
        approach=_one_of(path, f"moves[{place - 1}].approach", move.get("approach", "direct"), get_args(Approach)),
        overshoot=float(move.get("overshoot", 0.0)),
        gain=float(move.get("gain", 1.0)),
    )
    if "approach" in move or order.key not in adjusters_of(mirror):
        return order
    return approached(adjusters_of(mirror)[order.key], order)


_KIND = {"segment": "name", "adjuster": "name", "from": "position in m", "to": "position in m"}


def read_history(path: str | os.PathLike[str], mirror: Mirror | None = None) -> History | None:
    """Rounds compared before, from the JSON answer of `compare` or from a record; None: a record without any.

    With a mirror, an influence matrix of its adjusters (TOML or CSV) serves as well: it is known, and no round was.

    Raises
    ------
    FileMissingError, FileFormatError
        If the file cannot be read or holds something else.
    """
    if mirror is not None and _is_matrix(path):
        return History(mirror=mirror.name, given=read_response(path, mirror))
    if file_format(path) == "hdf5":
        from ellipsefit.files.record import read_comparison

        answer = read_comparison(path)
        if answer is None:
            return None
    else:
        answer = _json(path, "the JSON answer of `compare`")
    table = answer.get("history")
    if not isinstance(table, dict):
        raise FileFormatError(f"{path}: key 'history' is missing; expected the JSON answer of `compare`")
    try:
        return History.from_dict(table)
    except KeyError as fault:
        raise FileFormatError(f"{path}: key 'history': {fault} is missing; expected an answer of `compare`") from None
    except (TypeError, ValueError, EllipsefitError) as fault:
        text = str(fault).splitlines()[0]
        raise FileFormatError(f"{path}: key 'history' is faulty: {text}; expected an answer of `compare`") from None


def learned_response(
    path: str | os.PathLike[str], mirror: Mirror, mirror_path: str | os.PathLike[str] = "the mirror file"
) -> Response | None:
    """What the comparisons in a file have taught of a mirror's adjusters; None: a record without any.

    Raises
    ------
    FileMissingError, FileFormatError
        If the file cannot be read or holds something else.
    DataError
        If it is of another mirror, or the mirror file is older than the last recorded move.
    """
    history = read_history(path)
    if history is None:
        return None
    try:
        known = history.knowledge(mirror)
    except EllipsefitError:
        raise
    except (KeyError, IndexError, ValueError) as fault:  # names or arrays that do not fit together
        text = str(fault).splitlines()[0]
        raise FileFormatError(f"{path}: key 'history' is faulty: {text}; expected an answer of `compare`") from None
    for key, adjuster in adjusters_of(mirror).items():
        stands = history.positions.get(key)
        if stands is not None and abs(stands - adjuster.position) > 1e-9:
            raise DataError(
                f"{mirror_path}: {'/'.join(key)} is at {adjuster.position * 1e6:.6g} um, but the last move recorded in "
                f"{path} left it at {stands * 1e6:.6g} um; expected the mirror file with the new positions, as "
                "compare writes it with --mirror-out"
            )
    return known.response()


def given_response(path: str | os.PathLike[str], mirror: Mirror) -> Response | None:
    """Influence matrix from a file of its own (TOML or CSV), or what the comparisons in a file have taught.

    Raises
    ------
    FileMissingError, FileFormatError, DataError
        As `read_response` and `learned_response` say.
    """
    return read_response(path, mirror) if _is_matrix(path) else learned_response(path, mirror)


def _is_matrix(path: str | os.PathLike[str]) -> bool:
    return Path(path).suffix.lower() in (".toml", ".csv", ".txt")
