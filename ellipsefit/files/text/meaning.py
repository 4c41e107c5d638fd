"""What a header promises: a profile or a scan, of which columns, in which units."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Final, Literal, NamedTuple

from ellipsefit.errors import UnitError, shown
from ellipsefit.files.text.columns import ALONG, KNOWN, NUMERIC, WITHOUT_UNIT, Column
from ellipsefit.files.text.faults import Faults, at_line
from ellipsefit.files.text.header import EXAMPLE, Header, looks_like_toml
from ellipsefit.profile import Quantity
from ellipsefit.units import unit_factor

Wanted = Literal["profile", "scan", "measured"]

_EXAMPLE_UNITS: Final = {"length": "um", "angle": "urad", "time": "s", "temperature": "degC"}


class Meaning(NamedTuple):
    """Which columns are in use, and how their numbers become SI."""

    is_scan: bool
    quantity: Quantity | None  # None: not known, and a fault
    columns: Mapping[int, Column]  # in use, by their place in a row
    others: tuple[Column, ...]
    units: tuple[tuple[str, str], ...]  # of the columns in use
    conversions: Mapping[str, tuple[float, float]]  # factor and offset of each


def meaning_of(header: Header, wanted: Wanted, faults: Faults) -> Meaning:
    """What the columns are taken for; what is wrong with them goes to the faults.

    Raises
    ------
    FileFormatError
        If none of them is known.
    """
    names = [column.name for column in header.columns]
    if not set(names) & set(KNOWN):
        also = " (this looks like a mirror file)" if looks_like_toml(header.text) else ""
        raise faults.last(
            at_line(header.line),
            f"no header row; expected columns such as {EXAMPLE}; got {shown(header.text)}{also}",
        )
    _check_columns(header, faults)
    quantity = _quantity(header, faults)
    is_scan = wanted == "scan" or (wanted == "measured" and not {"carriage", "time"}.isdisjoint(names))
    kinds = {**NUMERIC, **ALONG} if is_scan else NUMERIC
    used = {place: column for place, column in enumerate(header.columns) if column.name in (*kinds, *WITHOUT_UNIT)}
    units, conversions = [], {}
    for column in used.values():
        if column.name in kinds:
            kind = kinds[column.name] or (NUMERIC[quantity] if quantity else "length")
            conversion = _conversion(column, kind, header, faults)
            if column.unit and conversion is not None:
                units.append((column.name, column.unit))
                conversions[column.name] = conversion
    return Meaning(
        is_scan=is_scan,
        quantity=quantity,
        columns=used,
        others=tuple(column for place, column in enumerate(header.columns) if place not in used),
        units=tuple(units),
        conversions=conversions,
    )


def _check_columns(header: Header, faults: Faults) -> None:
    place, names = at_line(header.line), [column.name for column in header.columns]
    for column in header.columns:
        if column.other_unit:
            text = (
                f"column '{column.name}' has the unit [{column.unit}] in the header and [{column.other_unit}] below "
                "it; expected one of them"
            )
            faults.add("units", column.name, at_line(header.end), text)
    for name, count in sorted(Counter(names).items()):
        if name in KNOWN and count > 1:
            text = f"column '{name}' stands {count} times in the header; expected it once"
            faults.add("twice", name, place, text)
    if "x" not in names:
        text = f"no column 'x'; expected columns such as {EXAMPLE}; got {shown(', '.join(names))}"
        faults.add("no x", "x", place, text)
    for column in header.columns:
        if column.name in WITHOUT_UNIT and column.unit is not None:
            text = f"column '{column.name}' has the unit [{column.unit}]; expected none"
            faults.add("unit", column.name, place, text)


def _quantity(header: Header, faults: Faults) -> Quantity | None:
    names = [column.name for column in header.columns]
    measured: list[Quantity] = [name for name in ("height", "slope") if name in names]
    if len(measured) == 1:
        return measured[0]
    got = "both" if measured else f"neither in {shown(', '.join(names))}"
    text = f"expected one column 'height' or 'slope' with its unit; got {got}"
    faults.add("quantity", "", at_line(header.line), text)
    return None


def _conversion(column: Column, kind: str, header: Header, faults: Faults) -> tuple[float, float] | None:
    name, unit = column.name, column.unit
    example = f"'{name} [{'mm' if name in ('x', 'y', 'carriage') else _EXAMPLE_UNITS[kind]}]'"
    if not unit:
        faults.add("unit", name, at_line(header.end), f"column '{name}' has no unit; expected one, such as {example}")
        return None
    try:
        return unit_factor(unit, kind)
    except UnitError:
        text = f"column '{name}' has the unit [{unit}]; expected a unit of {kind}, such as {example}"
        faults.add("unit", name, at_line(header.end), text)
        return None
