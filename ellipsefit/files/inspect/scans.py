"""Raw scans: what they hold, what is wrong with them, and what they leave open on their mirror."""

from __future__ import annotations

import hashlib
import os
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from ellipsefit.errors import DataError
from ellipsefit.files.inspect.content import Fact, FileContent
from ellipsefit.files.inspect.words import celsius, counts, from_to, listed, span
from ellipsefit.mirror import Mirror
from ellipsefit.scan import Scan, ScanDirection


@np.errstate(over="ignore", invalid="ignore")  # what is near the largest number is told as none
def scans_content(
    path: str | os.PathLike[str],
    scans: tuple[Scan, ...],
    units: Sequence[tuple[str, str]],
    more: tuple[Fact, ...] = (),
) -> FileContent:
    """What is told of a file of scans, with their units and more facts."""
    return FileContent(
        kind="scans",
        path=os.fspath(path),
        facts=(*_scans_facts(scans, units), *more),
        faults=tuple(f"{path}: {fault}" for fault in _scans_faults(scans)),
        warnings=_scans_warnings(units),
        content=scans,
    )


def _scans_facts(scans: Sequence[Scan], units: Sequence[tuple[str, str]]) -> tuple[Fact, ...]:
    points = [len(scan.x) for scan in scans]
    quantities = sorted({scan.quantity for scan in scans})
    invalid = int(sum(len(scan.x) - np.isfinite(scan.values).sum() for scan in scans))
    steps = sorted(float(np.median(np.abs(np.diff(scan.x)))) for scan in scans)
    facts = [
        Fact("scans", str(len(scans)), len(scans)),
        Fact("quantity", " and ".join(quantities), quantities[0] if len(quantities) == 1 else quantities),
        Fact("points", _total(points), sum(points)),
        Fact("invalid points", f"{invalid} (NaN or infinite, skipped)" if invalid else "0", invalid),
        Fact("span", span(*_ends([scan.x for scan in scans])), _ends([scan.x for scan in scans])),
        Fact("median step", from_to(steps[0], steps[-1]), steps[len(steps) // 2]),
    ]
    for name in ("carriage", "time", "temperature"):
        arrays = [array for scan in scans if (array := getattr(scan, name)) is not None]
        if not arrays:
            facts.append(Fact(name, "not in the file", None))
            continue
        low, high = _ends(arrays)
        part = "" if len(arrays) == len(scans) else f", in {len(arrays)} of {len(scans)} scans"
        facts.append(Fact(name, _along(name, low, high) + part, [low, high]))
    facts.append(_directions_fact(scans))
    orientations = Counter(scan.orientation for scan in scans)
    facts.append(Fact("orientations", counts(orientations), dict(orientations)))
    angles = [scan.angle for scan in scans if scan.angle is not None]
    if angles:
        text = f"{len(angles)}: {from_to(min(angles), max(angles), 'angle')}"
        facts.append(Fact("angle readings", text, len(angles)))
    else:
        facts.append(Fact("angle readings", "none", 0))
    sigmas = [scan.sigma for scan in scans if scan.sigma is not None]
    facts.append(_scans_sigma_fact(scans, sigmas))
    segments = sorted(
        {str(name) for scan in scans if scan.segment is not None for name in np.unique(scan.segment) if name}
    )
    unknown = "not in the file; the mirror's spans decide"
    facts.append(Fact("segments", listed(segments) if segments else unknown, segments or None))
    spelled: dict[str, list[str]] = {}
    for name, unit in units:
        spelled.setdefault(name, []).append(unit)
    text = ", ".join(f"{name} [{', '.join(found)}]" for name, found in spelled.items())
    facts.append(Fact("units", text, {name: ", ".join(found) for name, found in spelled.items()}))
    return tuple(facts)


def _along(name: str, low: float, high: float) -> str:
    if name == "time":
        return f"{low:.6g} s to {high:.6g} s"
    if name == "temperature":
        return celsius(low, high)
    return span(low, high)


def _directions_fact(scans: Sequence[Scan]) -> Fact:
    """Which way the carriage ran: as declared, else as the order of the points says."""
    directions = Counter(scan.direction or _order(scan) or "not known" for scan in scans)
    declared = sum(scan.direction is not None for scan in scans)
    how = {0: "from the order of the points", len(scans): "declared"}.get(
        declared, f"{declared} declared, else by order"
    )
    return Fact("directions", f"{counts(directions)} ({how})", dict(directions))


def _order(scan: Scan) -> ScanDirection | None:
    """Which way the position on the guide (without one: on the axis) runs through the file."""
    steps = np.diff(scan.x if scan.carriage is None else scan.carriage)
    if (steps >= 0).all() and steps.any():
        return "forward"
    return "backward" if (steps <= 0).all() and steps.any() else None


def _scans_sigma_fact(scans: Sequence[Scan], sigmas: Sequence[Any]) -> Fact:
    if not sigmas:
        return Fact("sigma", "not in the file", None)
    low, high = _ends(sigmas)
    if len({scan.quantity for scan in scans}) > 1:  # lengths and angles have no common range
        return Fact("sigma", f"in {len(sigmas)} of {len(scans)} scans", None)
    kind = "length" if scans[0].quantity == "height" else "angle"
    return Fact("sigma", from_to(low, high, kind), [low, high])


def _scans_faults(scans: Sequence[Scan]) -> list[str]:
    """What is wrong with scans without a look at the mirror."""
    faults = []
    seen: dict[bytes, str] = {}
    for scan in scans:
        if scan.time is not None and (np.diff(scan.time) < 0).any():
            row = int(np.flatnonzero(np.diff(scan.time) < 0)[0])
            faults.append(
                f"scan '{scan.name}': time runs backwards from {scan.time[row]:.6g} s to {scan.time[row + 1]:.6g} s at "
                f"point {row + 2}; expected points in the order of measurement"
            )
        order = _order(scan)
        if scan.direction is not None and scan.carriage is not None and order not in (scan.direction, None):
            faults.append(
                f"scan '{scan.name}': is declared {scan.direction}, but its carriage runs {order}; expected the two "
                "to agree"
            )
        if not np.isfinite(scan.values).any():
            faults.append(f"scan '{scan.name}': no value is finite; expected a measurement")
            continue
        content = hashlib.blake2b(scan.x.tobytes() + scan.values.tobytes(), digest_size=16).digest()
        if content in seen:
            faults.append(f"scan '{scan.name}': has the same values as scan '{seen[content]}'; expected each scan once")
        else:
            seen[content] = scan.name
    return faults


def _scans_warnings(units: Sequence[tuple[str, str]]) -> tuple[str, ...]:
    spelled: dict[str, list[str]] = {}
    for name, unit in units:
        spelled.setdefault(name, []).append(unit)
    return tuple(
        f"{name} is in {', '.join(found[:-1])} in some scans and in {found[-1]} in others; each is taken at its word"
        for name, found in spelled.items()
        if len(found) > 1
    )


def scans_on_mirror(one: FileContent, scans: Sequence[Scan], mirror: Mirror) -> FileContent:
    """Scans together with their mirror: what stitching would refuse, and what they leave open."""
    from ellipsefit.stitching import StitchSettings, scan_ambiguities
    from ellipsefit.stitching.conditioned import ConditionedScan
    from ellipsefit.stitching.conditioning import condition_scan

    faults, warnings = list(one.faults), list(one.warnings)
    good: list[ConditionedScan] = []
    for scan in scans:
        try:
            good.append(condition_scan(scan, mirror, StitchSettings()))
        except DataError as error:
            faults.append(f"{one.path}: {error}")
    for quantity in ("height", "slope"):
        kind = [item for item in good if item.scan.quantity == quantity]
        for open_ in scan_ambiguities(kind) if kind else ():
            text = f"the {quantity} scans leave open: {open_.function}; would be settled by {open_.remedy}"
            (faults if open_.kind == "unlinked" else warnings).append(text)
    return replace(one, faults=tuple(faults), warnings=tuple(warnings))


def _ends(arrays: Sequence[Any]) -> list[float]:
    return [float(min(array.min() for array in arrays)), float(max(array.max() for array in arrays))]


def _total(points: Sequence[int]) -> str:
    if len(points) == 1:
        return str(points[0])
    low, high = min(points), max(points)
    return f"{sum(points)}, {low if low == high else f'{low} to {high}'} each"
