"""What a key of a study file takes, tried out, so that the mend that is offered leads to a valid file."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Annotated, Any

from pydantic import BaseModel, TypeAdapter, ValidationError

NUMBER = re.compile(r"[+-]?\d[\d ,.']*")
EXAMPLES = (10, 0.1, 1, 0.9, 10_000)


def takes(model: type[BaseModel] | None, key: str, value: Any) -> bool:
    """Tell whether a key of a section takes a value; False where the key is unknown."""
    field = model.model_fields.get(key) if model is not None else None
    if field is None:
        return False
    whole: Any = Annotated[field.annotation, *field.metadata] if field.metadata else field.annotation
    try:
        TypeAdapter(whole, config=None).validate_python(value)
    except ValidationError:
        return False
    return True


def number_mend(model: type[BaseModel] | None, path: Sequence[str | int], value: Any) -> str:
    """Say which number to write in place of a value; empty where none is known to be taken.

    Parameters
    ----------
    model : type of BaseModel or None
        The section.
    path : sequence of str or int
        Of the key, the key last.
    value : object
        What stands there.
    """
    key = str(path[-1])
    if not any(takes(model, key, n) for n in EXAMPLES):
        return ""
    cost = len(path) > 1 and path[-2] == "costs" and key != "currency"
    zero = f"; {key} = 0 where it costs nothing" if cost else ""
    found = _number(value)
    for n in (found, None if found is None else found / 100):
        if n is not None and takes(model, key, n):
            return f"Write the number alone, without quotes or unit: {key} = {n:.12g}{_currency(value, cost)}"
    example = next(n for n in EXAMPLES if takes(model, key, n))
    return f"Write a number in digits, without quotes or unit, such as {key} = {example:g}{zero}"


def bare_mend(model: type[BaseModel] | None, path: Sequence[str | int], text: str) -> str:
    """Say what is meant by a value without quotes that is no number either, such as ``ten`` or ``10 EUR``."""
    key = str(path[-1])
    if text.casefold() in ("true", "false", "yes", "no") and takes(model, key, True):
        return f"Write {key} = {'true' if text.casefold() in ('true', 'yes') else 'false'}"
    if not takes(model, key, text):
        mend = number_mend(model, path, text)
        if mend:
            return mend
    return f'Put text in quotes: {key} = "{text}"'


def _number(value: Any) -> float | None:
    """Read the number in ``"10"``, ``"EUR 1,000.50"``, ``"10,5"`` or ``[10]``; None without exactly one."""
    if isinstance(value, bool) or value is None:
        return None
    if isinstance(value, (list, tuple)):
        return _number(value[0]) if len(value) == 1 else None
    if isinstance(value, (int, float)):
        return float(value)
    found = NUMBER.findall(str(value))
    if len(found) != 1:
        return None
    digits = re.sub(r"[ ']", "", found[0]).rstrip(".,")
    if "," in digits and "." in digits:
        digits = digits.replace("," if digits.rindex(".") > digits.rindex(",") else ".", "").replace(",", ".")
    elif re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+", digits):
        digits = digits.replace(",", "")
    else:
        digits = digits.replace(",", ".")
    try:
        return float(digits)
    except ValueError:
        return None


def _currency(value: Any, cost: bool) -> str:
    word = re.sub(r"[\d ,.'%+-]", "", value) if cost and isinstance(value, str) else ""
    return f', and the currency as a key of its own: currency = "{word}"' if word else ""
