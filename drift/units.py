"""Units as people write them: spelling, quantities, conversion.

The units a bench uses every day have their factors here, so that reading a table costs no start-up time; any
other expression goes to pint, imported only then. The table is tested against pint, digit for digit.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

PRESSURE = "kPa"
COUNT = "count"
FORCE = "N"
FRACTION = "fraction"

# Canonical name: (kind, factor to the base unit of its kind, other spellings, compared without case).
# Conventional millimetre of mercury and exact pound-force, inch and kilogram-force: NIST SP 811 (2008), appendix B.8.
_PSI_KPA = 4.4482216152605 / 0.0254**2 / 1000.0
_UNITS: dict[str, tuple[str, float, tuple[str, ...]]] = {
    "kPa": ("pressure", 1.0, ("kpa", "kilopascal", "kilopascals", "kn/m2")),
    "Pa": ("pressure", 1e-3, ("pa", "pascal", "pascals", "n/m2")),
    "hPa": ("pressure", 0.1, ("hpa", "hectopascal", "hectopascals")),
    "MPa": ("pressure", 1e3, ("megapascal", "megapascals", "n/mm2")),
    "N/cm2": ("pressure", 10.0, ("n/cm2", "ncm-2", "n.cm-2", "n cm-2", "newton/cm2")),
    "psi": ("pressure", _PSI_KPA, ("psi", "lbf/in2", "lb/in2", "psig", "pound/in2", "lbf/sqin")),
    "mmHg": ("pressure", 0.133322387415, ("mmhg", "mm hg", "torr(hg)")),
    "bar": ("pressure", 100.0, ("bar", "bars")),
    "mbar": ("pressure", 0.1, ("mbar", "millibar", "millibars")),
    "kgf/cm2": ("pressure", 98.0665, ("kgf/cm2", "kp/cm2")),
    "N": ("force", 1.0, ("n", "newton", "newtons")),
    "kN": ("force", 1e3, ("kn", "kilonewton", "kilonewtons")),
    "kgf": ("force", 9.80665, ("kgf", "kilogram-force", "kp")),
    "lbf": ("force", 4.4482216152605, ("lbf", "pound-force")),
    "count": ("count", 1.0, ("count", "counts", "raw", "raw counts", "digit", "digits", "adc", "adc counts", "lsb")),
    "fraction": ("fraction", 1.0, ("fraction", "share", "1", "dimensionless")),
    "%": ("fraction", 0.01, ("%", "percent", "per cent", "pct")),
    "s": ("time", 1.0, ("s", "sec", "second", "seconds")),
    "ms": ("time", 1e-3, ("ms", "millisecond", "milliseconds")),
    "min": ("time", 60.0, ("min", "minute", "minutes")),
    "h": ("time", 3600.0, ("h", "hr", "hrs", "hour", "hours")),
    "day": ("time", 86400.0, ("d", "day", "days")),
    "use": ("use", 1.0, ("use", "uses")),
    "cycle": ("cycle", 1.0, ("cycle", "cycles")),
    "degC": ("temperature", math.nan, ("degc", "°c", "deg c", "celsius", "oc")),
    "K": ("temperature", math.nan, ("kelvin", "kelvins")),
    "degF": ("temperature", math.nan, ("degf", "°f", "deg f", "fahrenheit")),
    "kg": ("mass", 1.0, ("kg", "kilogram", "kilograms")),
    "g": ("mass", 1e-3, ("gram", "grams")),
    "mm": ("length", 1e-3, ("mm", "millimetre", "millimeter")),
    "cm": ("length", 1e-2, ("cm", "centimetre", "centimeter")),
    "m": ("length", 1.0, ("m", "metre", "meter")),
}
_SPELLINGS = {s: name for name, (_, _, spellings) in _UNITS.items() for s in spellings}
_SUPERSCRIPTS = str.maketrans({"²": "2", "³": "3", "⁻": "-", "¹": "1", "µ": "u", "μ": "u", "\u00a0": " ",
                               "\u202f": " ", "·": "*", "\u2212": "-"})
# A mass over an area is not a pressure: the writer means the weight of that mass, and has to say so.
_MASS_PER_AREA = re.compile(r"^k?g\s*/\s*(cm|mm|m)(\^|\*\*)?2$", re.IGNORECASE)
_NUMBER = re.compile(r"^\s*([+\-\u2212]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*$", re.DOTALL)

Numeric = TypeVar("Numeric", float, "NDArray[np.float64]")


class UnitError(ValueError):
    """A unit that cannot be read, or two units that do not measure the same thing."""


@dataclass(frozen=True)
class Quantity:
    """A number with its unit in canonical spelling (``""`` for a bare number)."""

    value: float
    unit: str

    def to(self, unit: str) -> float:
        """Return the value in another unit.

        Raises
        ------
        UnitError
            If the units do not measure the same thing.
        """
        return convert(self.value, self.unit, unit)

    def __str__(self) -> str:
        return f"{self.value:g} {self.unit}".strip()


def _clean(unit: str) -> str:
    text = " ".join(unit.translate(_SUPERSCRIPTS).split())
    return text.replace("^", "").replace("**", "")


@lru_cache(maxsize=1)
def _registry() -> Any:
    import pint

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


@lru_cache(maxsize=512)
def _by_pint(unit: str) -> Any:
    """Return the pint unit of an expression, or None. ``cm2`` becomes ``cm**2`` first."""
    expression = re.sub(r"(?<=[A-Za-z])(-?\d)\b", r"**\1", " ".join(unit.translate(_SUPERSCRIPTS).split()))
    expression = expression.replace("^", "**").replace("****", "**")
    if not re.search(r"[A-Za-z]", expression):
        return None
    try:
        return _registry().Unit(expression)
    except Exception:
        return None  # pint raises a dozen unrelated types on text that is no unit


@lru_cache(maxsize=512)
def canonical(unit: str) -> str:
    """Return the one spelling used here for a unit.

    Parameters
    ----------
    unit : str
        As written by a person: ``"kpa"``, ``"N/cm²"``, ``"counts"``, ``"PSI"``.

    Returns
    -------
    str
        ``"kPa"``, ``"N/cm2"``, ``"count"``, ``"psi"``; an expression known to pint alone keeps its own
        spelling; ``""`` stays ``""``.

    Raises
    ------
    UnitError
        If nothing is known by that name; the message suggests the nearest.

    Examples
    --------
    >>> canonical("N/cm²"), canonical("Counts")
    ('N/cm2', 'count')
    """
    text = _clean(unit)
    if not text:
        return ""
    if text in _UNITS:
        return text
    if _MASS_PER_AREA.match(text):
        raise UnitError(f"{unit!r} is a mass over an area, not a pressure; write 'kgf/cm2' if that is meant")
    # Case tells milli from mega, so a spelling in mixed case that pint knows is never folded.
    if text == "mPa":
        return text
    folded = re.sub(r"\s*/\s*", "/", text.casefold())
    if folded in _SPELLINGS:
        return _SPELLINGS[folded]
    if folded == "mpa":
        raise UnitError(f"{unit!r} could be megapascal or millipascal; write 'MPa' or 'mPa'")
    if _by_pint(unit) is not None:
        return " ".join(unit.split())
    near = difflib.get_close_matches(folded, list(_SPELLINGS), n=1, cutoff=0.6)
    hint = f"; did you mean {_SPELLINGS[near[0]]!r}?" if near else ""
    raise UnitError(f"unit {unit!r} is not known{hint}")


def is_known(unit: str) -> bool:
    """Tell whether :func:`canonical` accepts a unit."""
    try:
        canonical(unit)
    except UnitError:
        return False
    return True


def is_everyday(unit: str) -> bool:
    """Tell whether a unit is in the table of everyday units (no other library is consulted)."""
    text = _clean(unit)
    return text in _UNITS or re.sub(r"\s*/\s*", "/", text.casefold()) in _SPELLINGS


def everyday_units() -> tuple[str, ...]:
    """Return the canonical names of the everyday units."""
    return tuple(_UNITS)


def kind(unit: str) -> str:
    """Return what a unit measures: ``"pressure"``, ``"force"``, ``"count"``, ..., or ``"other"``.

    Raises
    ------
    UnitError
        If the unit is not known.
    """
    name = canonical(unit)
    if name in _UNITS:
        return _UNITS[name][0]
    found = _by_pint(name) if name else None
    if found is None:
        return "other"
    for base, label in (("kPa", "pressure"), ("N", "force"), ("s", "time"), ("m", "length"), ("kg", "mass")):
        if found.dimensionality == _registry().Unit(base).dimensionality:
            return label
    return "other"


def is_pressure(unit: str) -> bool:
    """Tell whether a unit measures pressure; False for one that is not known."""
    return is_known(unit) and kind(unit) == "pressure"


def convert(value: Numeric, from_unit: str, to_unit: str) -> Numeric:
    """Convert a number or an array between units.

    Parameters
    ----------
    value : float or array of float64
        In ``from_unit``.
    from_unit, to_unit : str
        Any spelling :func:`canonical` accepts.

    Returns
    -------
    float or array of float64
        In ``to_unit``.

    Raises
    ------
    UnitError
        If a unit is not known or the two do not measure the same thing. Counts convert to nothing else: only
        a calibration turns them into a pressure.

    Examples
    --------
    >>> round(convert(250.0, "psi", "kPa"), 1)
    1723.7
    """
    source, target = canonical(from_unit), canonical(to_unit)
    if source == target:
        return value
    a, b = _UNITS.get(source), _UNITS.get(target)
    if a is not None and b is not None and a[0] == b[0] and math.isfinite(a[1]) and math.isfinite(b[1]):
        return value * (a[1] / b[1])
    if "" in (source, target) or (a is not None and b is not None and a[0] != b[0]) or kind(source) in (
            "count", "use", "cycle") or kind(target) in ("count", "use", "cycle"):
        raise UnitError(f"{from_unit!r} cannot be converted to {to_unit!r}: they do not measure the same thing")
    try:
        return _registry().Quantity(value, _by_pint(source)).to(_by_pint(target)).magnitude  # type: ignore[no-any-return]
    except Exception:
        raise UnitError(
            f"{from_unit!r} cannot be converted to {to_unit!r}: they do not measure the same thing") from None


def parse_quantity(text: str | float) -> Quantity:
    """Read a number with an optional unit, ``"1600 kPa"`` or ``"10 %"``.

    Parameters
    ----------
    text : str or float
        Decimal point only; a decimal comma is refused because it cannot be told from a thousands separator.

    Returns
    -------
    Quantity

    Raises
    ------
    UnitError
        If there is no number or the unit is not known.

    Examples
    --------
    >>> parse_quantity("1600 kPa")
    Quantity(value=1600.0, unit='kPa')
    """
    if isinstance(text, (int, float)):
        return Quantity(float(text), "")
    match = _NUMBER.match(text.replace("\u00a0", " "))
    if match is None:
        raise UnitError(f"{text!r} does not start with a number; write it as '1600 kPa'")
    if match.group(2).startswith((",", "'")):
        raise UnitError(f"{text!r} holds a comma or apostrophe in its number; write it with a decimal point only")
    return Quantity(float(match.group(1).replace("\u2212", "-")), canonical(match.group(2)))
