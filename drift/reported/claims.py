"""Claims: what a paper prints, as proved readable by :mod:`drift.reported.reading`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from drift.engine.intervals import EmptyIntervalError, Interval, meet
from drift.reported.strings import Printed, Rounding
from drift.reported.vocabulary import domain, title

# What a claim may say of how its number was made; a closed list with the words allowed for each.
CONVENTIONS: dict[str, tuple[str, ...]] = {
    "factor": ("1.96", "2", "t", "t prediction"),
    "divisor": ("n-1", "n"),
    "sd_of": ("all readings", "within columns", "true scores", "between units", "first session"),
    "average": ("single", "mean of k"),
    "kind": ("agreement", "consistency", "one-way"),
    "method": ("F", "t", "chi-square", "Fisher z", "approximate", "exact", "bootstrap", "other"),
    "estimation": ("ANOVA", "REML"),
}
DESIGNS = ("complete", "incomplete", "mixed model")
LEVELS = (0.95, 0.90, 0.99)
# Programs and authors print 0 where an estimate, or the lower end of its interval, is negative.
CUT_AT_ZERO = frozenset(("var_units", "var_raters", "share_units", "share_raters", "s_L", "icc", "icc_1", "icc_k",
                         "icc_c1", "icc_ck", "icc_a1", "icc_ak", "icc_m", "alpha"))


@dataclass(frozen=True)
class Claim:
    """One printed number in one place of a paper.

    Parameters
    ----------
    number : int
        Its place among the claims, from 1; an interval makes three of one line, told apart by ``part``.
    symbol : str
        Variable it is a value of: a quantity, or an end of its interval (``icc_1__low``).
    printed : Printed
        Digits as printed, in the unit of the quantity (shares as fractions).
    shown : str
        The string as the file holds it.
    table, group, item : str
        Where it stands: claims of one table and group are judged together; items tell several of one kind apart.
    conventions : mapping
        What the file says of how it was made.
    rounding : str
        How it was rounded.
    row : int, optional
        Row or number in the file.
    as_printed : Printed, optional
        What was printed, where ``printed`` holds it in another unit.
    """

    number: int
    symbol: str
    printed: Printed
    shown: str
    table: str = ""
    group: str = ""
    item: str = ""
    conventions: Mapping[str, str] = field(default_factory=dict)
    rounding: Rounding = "nearest"
    row: int | None = None
    id: str = ""
    as_printed: Printed | None = None

    @property
    def own(self) -> Printed:
        """The digits in the unit they are printed in."""
        return self.as_printed or self.printed

    @property
    def factor(self) -> float:
        """What a number in its own unit is multiplied by to be in the unit of ``printed``."""
        return float(self.printed.unit / self.own.unit)

    @property
    def name(self) -> str:
        """Its name in words, with its item."""
        if self.symbol in ("number", "whole"):
            return self.item or self.id or "number"
        return f"{title(self.symbol)} ({self.item})" if self.item else title(self.symbol)

    @property
    def place(self) -> str:
        """Table and group in words."""
        return ", ".join(p for p in (self.table, self.group) if p)

    def interval(self, *, rounding: Rounding | None = None, extra: float = 0.0) -> Interval:
        """Return what it can stand for; a printed zero of a component or coefficient may be a negative one cut off."""
        low, high = self.printed.interval(rounding or self.rounding, extra=extra)
        if self.symbol.partition("__")[0] in CUT_AT_ZERO and low <= 0.0 <= high:
            low = float("-inf")
            if self.symbol == "icc_ak":  # which has a pole: cut off may be what lies above 1
                high = float("inf")
        if self.symbol.partition("__")[0] in ("usl", "lsl"):
            return (low, high)
        try:
            return meet((low, high), domain(self.symbol)) if self.printed.bound else (low, high)
        except EmptyIntervalError:
            return (low, high)


def suits(symbol: str, method: str) -> bool:
    """Tell whether a method of intervals that a whole paper states can be that of one quantity."""
    coefficient = symbol.startswith("icc") or symbol in ("alpha", "ccc")
    return {"F": coefficient, "chi-square": symbol.startswith(("sem", "s_")),
            "Fisher z": coefficient or symbol == "r",
            "t": not coefficient and symbol != "r" and not symbol.startswith(("sem", "loa", "s_")),
            "approximate": symbol.startswith("loa")}.get(method, True)


@dataclass(frozen=True)
class Statement:
    """A relation that the paper states itself, between claims named by their ids."""

    equation: str
    name: str = ""
    row: int | None = None


@dataclass(frozen=True)
class Paper:
    """Everything that a claim file says.

    Parameters
    ----------
    title : str
    claims : tuple of Claim
    statements : tuple of Statement
        Relations that the paper states itself.
    design : {"complete", "incomplete", "mixed model"}
        Whether every unit was measured the same number of times and analysed as such.
    invented : bool
        Whether the paper is made up.
    file : str
        Name of the file.
    """

    title: str
    claims: tuple[Claim, ...]
    statements: tuple[Statement, ...] = ()
    design: str = "complete"
    invented: bool = False
    file: str = ""


def scopes(paper: Paper) -> list[tuple[str, str]]:
    """Return the places of a paper, each with its table and group, in the order they appear."""
    return list(dict.fromkeys((c.table, c.group) for c in paper.claims))


def held_in(paper: Paper, scope: tuple[str, str]) -> tuple[Claim, ...]:
    """Return the claims that hold in one place: its own, and those said of the whole table or paper.

    A claim of a wider place stands back where the narrower one says the same thing itself.
    """
    table = scope[0]
    own = [c for c in paper.claims if (c.table, c.group) == scope]
    said = {(c.symbol, c.item) for c in own}
    wider = []
    for place in ((table, ""), ("", "")):
        if place == scope:
            continue
        found = [c for c in paper.claims if (c.table, c.group) == place and (c.symbol, c.item) not in said]
        wider += found
        said |= {(c.symbol, c.item) for c in found}
    return (*own, *wider)
