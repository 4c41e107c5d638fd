"""A result's rows, shown as plain text or as HTML: both render the same cells, so they cannot disagree."""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from ellipsefit.units import PRACTICAL, practical_unit

#: Share by which rounding to the nearest may make an uncertainty smaller; where it would be more, it is rounded up.
#: The two examples of GUM 7.2.6 lose 0.2 % (rounded down) and 4.5 % (rounded up); this lies between.
UNDERSTATED: Final = 0.01
#: Most decimals of a number without an uncertainty: what is smaller is nothing in its unit.
MOST_PLACES: Final = 3
#: From here on a floating-point number does not know all the digits before its point, and is shown by its power of 10.
_LARGEST_FIXED: Final = 1e15


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One table of a result.

    The first column is text; the others are right-aligned where every cell of them is a number.
    """

    title: str
    header: tuple[str, ...] = ()
    cells: tuple[tuple[str, ...], ...] = ()
    notes: tuple[str, ...] = field(default=())


def as_text(tables: Iterable[Table]) -> str:
    """Tables as aligned plain text, without colour.

    Examples
    --------
    >>> print(as_text([Table(title="Moves", header=("segment", "move"), cells=(("S01", "-12.5 um"),))]))
    Moves
      segment      move
      S01      -12.5 um
    """
    return "\n\n".join(_table_text(table) for table in tables)


def _table_text(table: Table) -> str:
    lines = [table.title]
    body = [table.header, *table.cells] if table.header else list(table.cells)
    if body:
        right = _right_columns(table.cells) or [False] * len(table.header)
        widths = [max(len(row[column]) for row in body) for column in range(len(body[0]))]
        for row in body:
            cells = [
                cell.rjust(width) if flush else cell.ljust(width)
                for cell, width, flush in zip(row, widths, right, strict=True)
            ]
            lines.append(("  " + "  ".join(cells)).rstrip())
    lines += [f"  {note}" for note in table.notes]
    return "\n".join(lines)


def as_html(tables: Iterable[Table]) -> str:
    """Tables as HTML fragments, one `<table>` each; every cell escaped."""
    return "\n".join(_table_html(table) for table in tables)


def _table_html(table: Table) -> str:
    right = _right_columns(table.cells)
    kinds = [' class="number"' if flush else "" for flush in right]
    parts = ["<table>", f"<caption>{html.escape(table.title)}</caption>"]
    if table.header:
        heads = kinds or [""] * len(table.header)
        cells = "".join(
            f'<th scope="col"{kind}>{html.escape(cell)}</th>' for cell, kind in zip(table.header, heads, strict=True)
        )
        parts.append(f"<thead><tr>{cells}</tr></thead>")
    parts.append("<tbody>")
    for row in table.cells:
        first = f'<th scope="row">{html.escape(row[0])}</th>'
        rest = "".join(f"<td{kind}>{html.escape(cell)}</td>" for cell, kind in zip(row[1:], kinds[1:], strict=True))
        parts.append(f"<tr>{first}{rest}</tr>")
    parts.append("</tbody></table>")
    parts += [f'<p class="note">{html.escape(note)}</p>' for note in table.notes]
    return "\n".join(parts)


def _right_columns(cells: Sequence[Sequence[str]]) -> list[bool]:
    """Which columns hold numbers (with units, dashes or nothing) only."""
    columns = list(zip(*cells, strict=True))
    return [False] * bool(columns) + [
        all(not cell or cell[0] in "+-0123456789−–" for cell in column) for column in columns[1:]
    ]


def number(
    value: float | None,
    kind: str,
    *,
    digits: int = 3,
    unit: str | None = None,
    places: int | None = None,
    sign: bool = False,
) -> str:
    """Value in a practical unit with so many significant digits; '–' where it is not known.

    Parameters
    ----------
    value : float or None
        SI value.
    kind : str
        'length' or 'angle'.
    digits : int
        Significant digits, at the least the integer part is shown whole.
    unit : str, optional
        Unit to use; by default the one that reads best.
    places : int, optional
        Decimals, instead of significant digits.
    sign : bool
        Whether a plus sign is shown.

    Examples
    --------
    >>> number(1.234567e-5, "length"), number(None, "angle"), number(-2e-4, "length", unit="um", sign=True)
    ('12.3 um', '–', '-200 um')
    """
    if value is None or not math.isfinite(value):
        return "–"
    factor, name = practical_unit(value, kind) if unit is None else (_factor(unit, kind), unit)
    scaled = value / factor
    if not math.isfinite(scaled):  # beyond any number in this unit
        return "–"
    if places is None:
        places = min(_decimals(scaled, digits), MOST_PLACES)
    return f"{_fixed(scaled, places, sign=sign)} {name}"


def with_uncertainty(value: float | None, stderr: float | None, kind: str, *, unit: str | None = None) -> str:
    """Value and standard uncertainty in one unit, rounded as the GUM advises; see `rounded`.

    Examples
    --------
    >>> with_uncertainty(11.0203, 0.0734, "length")
    '(11.020 ± 0.073) m'
    >>> with_uncertainty(7.0, None, "length")
    '7.00000 m (held)'
    """
    if value is None or not math.isfinite(value):
        return "–"
    factor, name = _readable(abs(value), abs(stderr or 0.0), kind) if unit is None else (_factor(unit, kind), unit)
    scaled = value / factor
    if stderr is None:
        return f"{_fixed(scaled, _decimals(scaled, 6))} {name} (held)"
    if stderr == 0:
        return f"{_fixed(scaled, _decimals(scaled, 6))} {name}"
    return "({} ± {}) {}".format(*rounded(scaled, stderr / factor), name)


def stated(value: float | None, stderr: float | None, kind: str, *, unit: str | None = None) -> str:
    """Value with its standard uncertainty where one is known, else with three digits.

    Examples
    --------
    >>> stated(1.234567e-5, 2.3e-8, "length"), stated(1.234567e-5, None, "length")
    ('(12.346 ± 0.023) um', '12.3 um')
    """
    if not stderr or not math.isfinite(stderr):
        return number(value, kind, unit=unit)
    return with_uncertainty(value, stderr, kind, unit=unit)


def ratio(value: float, stderr: float | None) -> str:
    """A number without a unit, with its standard uncertainty if one is known.

    Examples
    --------
    >>> ratio(1.00352, 0.0121), ratio(1.00352, None)
    ('1.004 ± 0.012', '1.00')
    """
    return " ± ".join(rounded(value, stderr)) if stderr else _fixed(value, _decimals(value, 3))


def uncertainty(stderr: float | None, kind: str, *, unit: str | None = None) -> str:
    """Standard uncertainty alone, rounded as beside its value; '–' where it is not known.

    Examples
    --------
    >>> uncertainty(5.34e-4, "length"), uncertainty(3.21e-7, "length", unit="um"), uncertainty(None, "angle")
    ('0.53 mm', '0.32 um', '–')
    """
    if stderr is None or not math.isfinite(stderr):
        return "–"
    factor, name = _readable(0.0, stderr, kind) if unit is None else (_factor(unit, kind), unit)
    return f"{rounded(0.0, stderr / factor)[1]} {name}"


def share(value: float, stderr: float | None) -> str:
    """A share of something in %, with its standard uncertainty if one is known.

    Examples
    --------
    >>> share(0.93214, 0.0123), share(0.93214, None)
    ('(93.2 ± 1.3) %', '93.2 %')
    """
    if not stderr:
        return f"{_fixed(100 * value, min(_decimals(100 * value, 3), MOST_PLACES))} %"
    return "({} ± {}) %".format(*rounded(100 * value, 100 * stderr))


def rounded(value: float, stderr: float) -> tuple[str, str]:
    """Value and its standard uncertainty, rounded as JCGM 100:2008 (GUM), 7.2.6, advises.

    The uncertainty keeps two significant digits and the value ends at the same one. The uncertainty is rounded up
    where the nearest number would make it smaller by more than `UNDERSTATED`: 10.47 becomes 11, 28.05 becomes 28.

    Parameters
    ----------
    value, stderr : float
        In one unit; stderr > 0.

    Examples
    --------
    >>> rounded(10.05762, 0.027), rounded(1234.0, 567.0)
    (('10.058', '0.027'), ('1230', '570'))
    """
    if stderr == 0:
        return _fixed(value, _decimals(value, 6)), "0"
    places = 1 - math.floor(math.log10(stderr))
    counted = stderr * 10.0**places  # 10 to 99.99, in units of the last digit shown
    size = round(counted)
    if counted - size > UNDERSTATED * counted:
        size += 1
    if size >= 100:
        size, places = 10, places - 1
    return _fixed(value, places), _fixed(size * 10.0**-places, places)


def _readable(value: float, stderr: float, kind: str) -> tuple[float, str]:
    """Unit in which both read best: of their larger one, or a larger one where two digits stand before the point."""
    factor, name = practical_unit(max(value, stderr), kind)
    for larger, other in reversed(PRACTICAL[kind]):
        if stderr < 99.5 * factor:
            break
        if larger > factor:
            factor, name = larger, other
    return factor, name


def _factor(unit: str, kind: str) -> float:
    return {name: factor for factor, name in (*PRACTICAL[kind], (1.0, "rad"))}[unit]


def _decimals(value: float, digits: int) -> int:
    """Decimals that show so many significant digits of a value (never negative)."""
    if abs(value) < 1e-290:  # 0, or so small that its power of ten is no number
        return max(digits - 1, 0)
    exponent = math.floor(math.log10(abs(value)))
    if round(abs(value) / 10.0 ** (exponent - digits + 1)) >= 10**digits:
        exponent += 1  # 9.96 with two digits is 10, not 10.0
    return max(digits - 1 - exponent, 0)


def _fixed(value: float, places: int, *, sign: bool = False) -> str:
    if places < 0:
        value, places = round(value, places), 0
    form = f".{places}f" if abs(value) < _LARGEST_FIXED else ".3e"
    text = f"{value:+{form}}" if sign else f"{value:{form}}"
    return text.replace("-", "", 1) if float(text) == 0 and text.startswith("-") else text
