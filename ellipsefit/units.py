"""Units at the borders: strings with units in, practical units out. Inside, all is SI.

Parsing is pint's; it is loaded at the first quantity in a unit that is not one of the usual, not on import.
"""

from __future__ import annotations

import re
import tokenize
from functools import cache
from typing import TYPE_CHECKING, Any, Final

from ellipsefit.errors import UnitError, shown

if TYPE_CHECKING:
    import pint

#: Kind of quantity -> (SI unit, example shown in error messages).
KINDS: Final = {
    "length": ("m", "12.5 mm"),
    "angle": ("rad", "18 mrad"),
    "time": ("s", "3 h"),
    "speed": ("m/s", "2 mm/s"),
    "temperature": ("K", "20 degC"),
    "temperature difference": ("K", "0.2 K"),
    "expansion": ("1/K", "9e-6 / K"),
    "pressure": ("Pa", "70 GPa"),
    "density": ("kg/m^3", "2500 kg/m^3"),
    "wave number": ("1/m", "0.0217 / angstrom"),
    "mass": ("kg", "1800 kg"),
    "force": ("N", "200 N"),
}

#: Practical units by kind, from large to small: (factor to SI, unit).
PRACTICAL: Final = {
    "length": ((1.0, "m"), (1e-3, "mm"), (1e-6, "um"), (1e-9, "nm")),
    "angle": ((1e-3, "mrad"), (1e-6, "urad"), (1e-9, "nrad")),
}

#: Units that need no parsing, for loading pint takes longer than most of what is done with them: factor and offset.
USUAL: Final[dict[tuple[str, str], tuple[float, float]]] = {
    **{("length", unit): (factor, 0.0) for factor, unit in (*PRACTICAL["length"], (1e-2, "cm"))},
    **{("angle", unit): (factor, 0.0) for factor, unit in (*PRACTICAL["angle"], (1.0, "rad"))},
    **{("time", unit): (factor, 0.0) for factor, unit in ((1.0, "s"), (60.0, "min"), (3600.0, "h"), (86400.0, "d"))},
    ("temperature", "K"): (1.0, 0.0),
    ("temperature", "degC"): (1.0, 273.15),
    ("temperature difference", "K"): (1.0, 0.0),
    ("expansion", "1/K"): (1.0, 0.0),
    ("expansion", "/ K"): (1.0, 0.0),
}

_QUANTITY: Final = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*((?:1\s*/|[^\s\d.,+-]).*?)?\s*")
_ALIASES: Final = {"µ": "u", "μ": "u", "°C": "degC", "°": "deg"}
#: Names joined by / * or blanks, each with a small power: pint evaluates text as an expression, so nothing
#: else reaches it.
_UNIT: Final = re.compile(
    r"(?:1?\s*/\s*)?{name}(?:(?:\s*[/*·]\s*|\s+){name})*".format(name=r"[A-Za-zÅ_]+(?:(?:\^|\*\*)-?\d)?")
)
_LONGEST_UNIT: Final = 40
_SPELLED_OUT: Final = re.compile(r"(?:milli|micro|nano|pico|centi)?(?:met(?:re|er)s?|radians?)|microns?|degrees?")


@cache
def _registry() -> pint.UnitRegistry[Any]:
    import pint

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    return registry


@cache
def unit_factor(unit: str, kind: str) -> tuple[float, float]:
    """Factor and offset that bring a number in `unit` to SI: si = factor * number + offset.

    Parameters
    ----------
    unit : str
        Such as 'um', 'µm', 'micrometre', 'mrad', 'degC'.
    kind : str
        One of `KINDS`.

    Raises
    ------
    UnitError
        If the unit is unknown or does not measure this kind of quantity.
    """
    si, example = KINDS[kind]
    if not unit:
        raise UnitError(f"a unit is missing; expected {_a(kind)} with a unit, such as '{example}'")
    spelled = unit
    for alias, plain in _ALIASES.items():
        spelled = spelled.replace(alias, plain)
    if (kind, spelled) in USUAL:
        return USUAL[kind, spelled]
    import pint

    if _SPELLED_OUT.fullmatch(spelled.casefold()):
        spelled = spelled.casefold()  # a word has the same meaning with a capital; 'Mm' and 'mm' don't
    if kind == "expansion":
        spelled = spelled.replace("degC", "K")  # of a difference, where both are the same
    if spelled.startswith("/"):
        spelled = "1 " + spelled
    if len(spelled) > _LONGEST_UNIT or not _UNIT.fullmatch(spelled):
        raise UnitError(f"unknown unit {shown(unit)}; expected {_a(kind)} such as '{example}'")
    registry = _registry()
    try:
        parsed: Any = registry.Quantity(spelled)
        units = parsed.units
        zero = registry.Quantity(0.0 * parsed.magnitude, units)
        one = registry.Quantity(1.0 * parsed.magnitude, units)
        if kind == "angle" and not _is_angle(units):
            raise UnitError(f"{shown(unit)} is no unit of {kind}; expected {_a(kind)} such as '{example}'")
        offset = float(zero.to(si).magnitude)
        factor = float(one.to(si).magnitude) - offset
    except pint.DimensionalityError:
        raise UnitError(f"{shown(unit)} is no unit of {kind}; expected {_a(kind)} such as '{example}'") from None
    except UnitError:
        raise
    except (
        pint.errors.PintError,
        ValueError,
        TypeError,
        AttributeError,
        SyntaxError,
        ArithmeticError,
        KeyError,
        AssertionError,
        tokenize.TokenError,
    ):
        # pint evaluates the text as an expression, so any of these can come out of nonsense
        raise UnitError(f"unknown unit {shown(unit)}; expected {_a(kind)} such as '{example}'") from None
    if kind == "temperature difference" and offset:
        raise UnitError(f"{shown(unit)} has a zero of its own; expected {_a(kind)} such as '{example}'")
    if parsed.magnitude != 1:
        raise UnitError(f"unknown unit {shown(unit)}; expected {_a(kind)} such as '{example}'")
    return factor, offset


def _is_angle(units: Any) -> bool:
    """Whether a unit is an angle or an explicit ratio such as um/m, and not a bare number."""
    if not units.dimensionless or units == _registry().dimensionless:
        return False
    base = _registry().Quantity(1.0, units).to_root_units().units
    return str(base) == "radian" or (str(base) == "dimensionless" and "/" in str(units))


def _a(kind: str) -> str:
    return f"{'an' if kind[0] in 'aeiou' else 'a'} {kind}"


def parse_quantity(text: object, kind: str) -> float:
    """SI value of a quantity written as a string with a unit.

    Parameters
    ----------
    text : object
        What stood in the file or on the command line; only a string is accepted.
    kind : str
        One of `KINDS`, such as 'length' or 'expansion'.

    Returns
    -------
    float
        Value in m, rad, s, m/s, K or 1/K.

    Raises
    ------
    UnitError
        If it is no string, no number, has no unit or one that does not fit.

    Examples
    --------
    >>> parse_quantity("250 um", "length")
    0.00025
    """
    example = KINDS[kind][1]
    if not isinstance(text, str):
        raise UnitError(f"got {shown(text)} without a unit; expected {_a(kind)} as a string, such as '{example}'")
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise UnitError(f"got {shown(text)}; expected {_a(kind)} such as '{example}'")
    number, unit = match.groups()
    if not unit:
        raise UnitError(f"got {shown(text)} without a unit; expected {_a(kind)} such as '{example}'")
    factor, offset = unit_factor(unit, kind)
    value = float(to_si(float(number), factor)) + offset
    if not abs(value) < float("inf"):
        raise UnitError(f"got {shown(text)}; expected a finite {kind} such as '{example}'")
    return value


def to_si(number: Any, factor: float) -> Any:
    """Number(s) times a unit's factor, rounded once: 250 um is 0.00025, not 250 * 1e-6 = 0.00024999999999999995."""
    inverse = float(round(1 / factor)) if factor < 1 else 0.0
    return number / inverse if inverse and abs(inverse * factor - 1) < 1e-12 else number * factor


def practical_unit(size: float, kind: str) -> tuple[float, str]:
    """Factor and name of the unit in which a number of this size reads best.

    Parameters
    ----------
    size : float
        Typical magnitude [SI], any sign.
    kind : str
        'length' or 'angle'.

    Returns
    -------
    factor, unit : float, str
        Value in the unit = SI value / factor.
    """
    units = PRACTICAL[kind]
    for factor, unit in units:
        if abs(size) >= 0.9995 * factor:
            return factor, unit
    return units[-1] if size else units[-2]
