"""Reading the largest harmless difference as people write it: a number, a quantity, or a share."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from drift.units import UnitError, kind, parse_quantity

# Beyond twice the mean of two positive readings no difference can lie, so that such a share would judge nothing.
LARGEST_SHARE = 2.0
_SHARE = re.compile(r"^\s*(?P<number>[^%a-zA-Z]+?)\s*(?:%|per ?cent)\s*(?P<of>of the mean(?: of the two)?)?\s*$",
                    re.IGNORECASE)


class HarmlessError(ValueError):
    """A largest harmless difference that cannot be read; ``mend`` says what to write."""

    def __init__(self, message: str, mend: str) -> None:
        super().__init__(message)
        self.mend = mend


@dataclass(frozen=True)
class Said:
    """What was written: a value with its unit (``""`` where none was given), or a share of the mean of the two.

    ``plainly`` tells that the words "of the mean" were written, so that a percent sign cannot be a unit.
    """

    value: float
    unit: str
    share: bool
    plainly: bool = False


def said_harmless(given: float | str) -> Said:
    """Read ``25``, ``"25 kPa"``, ``"10 %"`` or ``"10 % of the mean"``.

    Raises
    ------
    HarmlessError
        If there is no number, the unit is not known, or the value is not above zero (a share: not under 200 %).

    Examples
    --------
    >>> said_harmless("10 %")
    Said(value=0.1, unit='', share=True, plainly=False)
    """
    text = f"{given:g}" if isinstance(given, (int, float)) else " ".join(given.split())
    share = None if isinstance(given, (int, float)) else _SHARE.match(text)
    try:
        quantity = parse_quantity(share["number"] if share else given)
    except UnitError as error:
        raise HarmlessError(f"harmless is {text!r}: {error}", 'Write a number in the reading\'s unit, a quantity such '
                            'as "25 kPa", or a share such as "10 %".') from None
    if not (math.isfinite(quantity.value) and quantity.value > 0):
        raise HarmlessError(f"harmless is {text}, but the largest harmless difference must be above zero",
                            "Give it in the reading's unit.")
    if share is None:
        return Said(quantity.value, quantity.unit, False)
    if quantity.value / 100 >= LARGEST_SHARE:
        raise HarmlessError(f"harmless is {text}, but two positive readings never differ by 200 % of their mean",
                            "Give a smaller share, or a difference in the reading's unit.")
    return Said(quantity.value / 100, "", True, plainly=bool(share["of"]))


def is_percent(unit: str) -> bool:
    """Tell whether readings are themselves shares, so that "10 %" could be a difference between them."""
    try:
        return kind(unit) == "fraction"
    except UnitError:
        return False
