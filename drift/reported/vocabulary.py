"""The closed list of things a printed number can be, each with the names the field uses for it."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from math import inf
from typing import Literal

from drift.engine.intervals import Interval

Scale = Literal["number", "share", "percent", "whole"]

COEFFICIENT: Interval = (-1.0, 1.0)
ANY: Interval = (-inf, inf)
NOT_NEGATIVE: Interval = (0.0, inf)
SHARE: Interval = (0.0, 1.0)
UP_TO_ONE: Interval = (-inf, 1.0)


@dataclass(frozen=True)
class Quantity:
    """One thing a printed number can be.

    Parameters
    ----------
    symbol : str
        Name in equations.
    name : str
        Name in claim files, results and sentences.
    family : str
        Part of the list it stands in.
    domain : (float, float)
        Values it can take at all.
    scale : {"number", "share", "percent", "whole"}
        A share is kept as a fraction and may be printed in percent; a percent is kept in percent; whole numbers are
        counts.
    also : tuple of str
        Other names it goes by.
    many : bool
        Whether a group may hold several of them, told apart by ``item``.
    """

    symbol: str
    name: str
    family: str
    domain: Interval = ANY
    scale: Scale = "number"
    also: tuple[str, ...] = ()
    many: bool = False


@lru_cache(maxsize=1)
def quantities() -> dict[str, Quantity]:
    """Return every quantity by symbol."""
    from drift.reported.vocabulary_list import FAMILIES

    found: dict[str, Quantity] = {}
    for family, rows in FAMILIES.items():
        for symbol, name, domain, scale, also, many in rows:
            found[symbol] = Quantity(symbol, name, family, domain, scale, also, many)
    return found


@lru_cache(maxsize=1)
def by_name() -> dict[str, Quantity]:
    """Return every quantity by each of its names, simplified."""
    found: dict[str, Quantity] = {}
    for q in quantities().values():
        for name in (q.name, q.symbol, *q.also):
            found.setdefault(simplified(name), q)
    return found


def simplified(name: str) -> str:
    """Strip a name of what people write differently: spaces, hyphens, case where it tells nothing apart."""
    name = name.strip()
    # Case tells s_r (repeatability) from s_R (reproducibility), r from R, and p from P.
    if re.fullmatch(r"s_?[rRL]|[rRpPnNkKtTFU]", name):
        return name.replace("_", "")
    return re.sub(r"[\s_\-\u2013\u2014.\u00b7]+", "", name).casefold()


@lru_cache(maxsize=1)
def by_bare_name() -> dict[str, Quantity]:
    """Return every quantity by its names without brackets and commas: ``ICC2,1`` is ICC(2,1)."""
    found: dict[str, Quantity] = {}
    for name, q in by_name().items():
        found.setdefault(_bare(name), q)
    return found


def _bare(name: str) -> str:
    return re.sub(r"[()\[\],']", "", name)


_LEVEL = r"(?:90|95|99)"
_SESSION = r"(?:session|day|visit|test|trial|rater|method|time|occasion|measurement|device)"


def without_level(name: str) -> str:
    """Take a level away from a name: ``95 % limits of agreement``, ``MDC90``."""
    name = re.sub(rf"\b{_LEVEL}\s*%\s*(?:CI\s*)?", "", name.strip())
    return re.sub(rf"^(MDC|SDC|MDD)\s*_?{_LEVEL}$", r"\1", name, flags=re.IGNORECASE).strip()


def find(name: str) -> Quantity | None:
    """Return the quantity of that name, or None."""
    plain = without_level(name)
    # "mean of session 1", "session 1 mean", "SD (day 2)"
    of = re.fullmatch(rf"(mean|SD|SE)\s*(?:of|,|\()?\s*{_SESSION}\s*([12])\)?", plain, re.IGNORECASE)
    turned = re.fullmatch(rf"{_SESSION}\s*([12])\s*[:,]?\s*\(?(mean|SD|SE)\)?", plain, re.IGNORECASE)
    if of or turned:
        kind, which = of.groups() if of else turned.groups()[::-1]  # type: ignore[union-attr]
        plain = f"{kind} {which}"
    for tried in (name, plain):
        q = by_name().get(simplified(tried)) or by_bare_name().get(_bare(simplified(tried)))
        if q is not None:
            return q
    return None


def nearest(name: str) -> str | None:
    """Return the name that was probably meant."""
    wanted = simplified(name)
    found = difflib.get_close_matches(wanted, by_name(), n=1, cutoff=0.6)
    if found:
        return by_name()[found[0]].name
    words = re.findall(r"[a-z]{3,}", name.casefold())
    held = [q.name for q in quantities().values() if words and all(w in q.name.casefold() for w in words)]
    return min(held, key=len) if held else None


def title(symbol: str) -> str:
    """Name a variable of an equation in words: a quantity, or an end or the level of its interval."""
    base, _, part = symbol.partition("__")
    q = quantities().get(base)
    name = q.name if q else {"loa": "the limits of agreement"}.get(base, base)
    return {"": name, "low": f"lower end of {name}", "high": f"upper end of {name}", "level": f"level of {name}"}[part]


def domain(symbol: str) -> Interval:
    """Return the values a variable of an equation can take at all."""
    base, _, part = symbol.partition("__")
    if part == "level":
        return (0.0, 1.0)
    q = quantities().get(base)
    return q.domain if q else ANY


def listed(families: Iterable[str] = ()) -> dict[str, list[str]]:
    """Return the names by family."""
    wanted = set(families)
    found: dict[str, list[str]] = {}
    for q in quantities().values():
        if not wanted or q.family in wanted:
            found.setdefault(q.family, []).append(q.name)
    return found
