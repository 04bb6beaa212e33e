"""Strings that hold two numbers: a mean with its SD, and limits of agreement, taken apart into claims of one each."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from drift.reported.strings import NUMBER, UNIT, Mark, StringProblemError, clean, read
from drift.reported.vocabulary import find, simplified, without_level

SPREAD = {("mean", "SD"): "SD", ("mean", "SE"): "SE of the mean", ("mean_1", "SD"): "SD 1", ("mean_1", "SE"): "SE 1",
          ("mean_2", "SD"): "SD 2", ("mean_2", "SE"): "SE 2", ("bias", "SD"): "SD of differences",
          ("bias", "SE"): "SE of the bias", ("group_mean", "SD"): "SD of a group"}
CENTRES = frozenset(symbol for symbol, _ in SPREAD)
LIMITS = frozenset(map(simplified, ("limits of agreement", "limits", "LoA", "limits of agreement (LoA)")))
_NAMED = re.compile(r"^(?P<centre>.+?)\s*(?:\(\s*(?P<a>SD|SE)\s*\)|(?:±|\+/-|\+-)\s*(?P<b>SD|SE)|,\s*(?P<c>SD|SE))$",
                    re.IGNORECASE)
_UNIT = rf"(?P<unit>(?:{UNIT})?)"
_UNIT_AT_END = re.compile(rf"(?<=[\d%)\]])\s*{_UNIT}$", re.IGNORECASE)
_PAIR = re.compile(r"^(?P<x>.+?)\s*(?:(?:±|\+/-|\+-)\s*(?P<z>[^()\[\]]+)|[(\[]\s*(?:SD|SE|±)?\s*[=:]?\s*"
                   rf"(?P<y>[^()\[\]]+)[)\]]\s*{_UNIT})\s*$", re.IGNORECASE)
_END = rf"{NUMBER}\s*%?(?:\s*[(\[][^()\[\]]*[)\]])?"
_LIMITS = re.compile(rf"^[(\[]?\s*(?P<low>{_END})\s*(?:to|bis|and|;|,\s|/|\N{{EN DASH}}|\N{{EM DASH}}|-|,)\s*"
                     rf"(?P<high>{_END})\s*[)\]]?\s*{_UNIT}$")


def parts(claim: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the claims that one claim of two numbers makes; the claim itself where it is of one.

    Raises
    ------
    StringProblemError
        Where its name promises two numbers, and the string does not hold them.
    """
    what, printed = str(claim.get("what", "")).strip(), str(claim.get("printed", "")).strip()
    named = _NAMED.match(what)
    quantity = find(named.group("centre")) if named else None
    if named and quantity is not None and find(what) is None:
        word = next(w for w in named.groups()[1:] if w).upper()
        spread = SPREAD.get((quantity.symbol, word))
        held = _PAIR.match(printed)
        if spread is None or held is None:
            raise StringProblemError(f"{printed!r} is no number with its {word} behind it" if spread else
                                     f"{quantity.name} has no {word} of its own in this list",
                                     f'Write printed = "213.0 (21.8)", or two claims: {quantity.name} and '
                                     f"{spread or word}.")
        centre, other = held.group("x").strip(), (held.group("y") or held.group("z")).strip()
        unit = held.group("unit") or _unit_of(other)
        return [{**claim, "what": quantity.name, "printed": _with_unit(centre, unit)},
                {**{k: v for k, v in claim.items() if k != "id"}, "what": spread,
                 "printed": _with_unit(other, unit)}]
    if simplified(without_level(what)) in LIMITS:
        ends = _LIMITS.match(clean(printed))
        if ends is None:
            raise StringProblemError(f"{printed!r} is no lower and upper limit",
                                     'Write printed = "-29.9 to 30.7", or two claims: lower limit and upper limit.')
        level = {} if "level" in claim or what == without_level(what) else {"level": what.split("%")[0].strip() + " %"}
        return [{**claim, **level, "what": name, "printed": _with_unit(ends.group(end), ends.group("unit"))}
                for name, end in (("lower limit", "low"), ("upper limit", "high"))]
    return [dict(claim)]


def is_name(what: str) -> bool:
    """Tell whether a text is the name of a number, or of two that one string holds."""
    named = _NAMED.match(what)
    return (find(what) is not None or simplified(without_level(what)) in LIMITS
            or (named is not None and find(named.group("centre")) is not None))


def name_and_number(line: str) -> tuple[str, str] | None:
    """Return the name and the printed string of a line without a sign between them, or None."""
    for cut in sorted((m.start() for m in re.finditer(r"\s", line)), reverse=True):
        what, printed = line[:cut].strip(), line[cut:].strip()
        if is_name(what):
            try:
                for part in parts({"what": what, "printed": printed}):
                    read(str(part["printed"]), mark="point")
            except StringProblemError:
                continue
            return what, printed
    return None


def turned(made: list[dict[str, Any]], mark: Mark | None) -> bool:
    """Put two limits into order; tell whether they stood the wrong way round."""
    if [x.get("what") for x in made] != ["lower limit", "upper limit"]:
        return False
    low, high = (read(str(x["printed"]), mark=mark).point for x in made)
    if low is None or high is None or low.value <= high.value:
        return False
    made[0]["printed"], made[1]["printed"] = made[1]["printed"], made[0]["printed"]
    return True


def _unit_of(text: str) -> str:
    found = _UNIT_AT_END.search(text)
    return found.group("unit") if found else ""


def _with_unit(text: str, unit: str) -> str:
    """Put the unit of two numbers behind one of them that has none."""
    return f"{text} {unit}" if unit and not _unit_of(text) else text


def advice(symbol: str, name: str, printed: str) -> str:
    """Return what to write where a mean or a bias stands with one number in brackets, or nothing."""
    if symbol in CENTRES and _PAIR.match(printed):
        words = " or ".join(f'what = "{name} ({w})"' for s, w in SPREAD if s == symbol)
        return f"If the second number is an SD or a standard error, write {words}; an interval has two numbers."
    return ""
