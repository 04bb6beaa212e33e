"""Designs of studies, read from the words of a coverage table, and how far two of them lie apart."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache, lru_cache

# Features that make a study another kind of study; other words of a design are settings nobody can know.
KINDS = ("worn ones removed", "within", "unlinked", "uses of their own", "fixed levels", "targets repeat", "lost early",
         "seen in part", "one line", "skewed targets", "with sensors", "occasions of", "looked at", "without a model",
         "entered late",
         "quadratic", "power law", "saturating", "through-zero", "curve chosen", "top level at 50 %",
         "SD proportional to load", "power estimated", "slope hardly shown",
         "reference off", "displayed")
# Intervals of one of these say nothing about a study that is none, whatever the sizes, and the other way round.
ALONE = frozenset({"seen in part"})
# True ICC(A,1), or share of the targets in the variance, of tables that have one throughout and do not repeat it.
ICC = {"reliability": 0.8, "measurement_error": 0.6}
_WORDS = r"(?: (?!x )[A-Za-z-]+)*"
_SIZE = re.compile(rf"^(\d+)({_WORDS}?)(?: (within|of) (\d+)({_WORDS}?))?((?: x \d+{_WORDS})*)$")
_REPEATS = ("readings", "replicates", "repeats", "trials", "pairs", "checks")
_PAIRS = re.compile(r"(\d+) to (\d+) (?:pairs|readings)")
_SOME_WITH = re.compile(r"^(\d+) with (\d+) pairs?$")
# Tables of pairs of readings: their designs are even unless they say otherwise.
_PAIRED = ("agreement", "agreement_variants", "agreement_survival", "concordance")
_FAILURES = re.compile(r"^(\d+) failures$")
_AND = re.compile(r"(\d+) and (\d+) unlinked readings")
_MISSING = re.compile(r"(\d+(?:\.\d+)?) % (?:of (?:the )?[a-z]+ )?missing")
_EACH = re.compile(r"(\d+) (?:readings|replicates|checks)(?: (?:a|per|in a) cell| each)")
_VALUE = {"share": re.compile(r"(?:(?:facet|operator|laboratory) )?shares? (\d*\.?\d+)"),
          "icc": re.compile(r"(?:(?:true )?ICC(?:\(A,1\))?|CCC|reliability ratio) (\d*\.?\d+)")}


@dataclass(frozen=True, kw_only=True)
class Design:
    """A design of a study; None where a number does not apply or is not known.

    Parameters
    ----------
    n : float
        Independent units: targets, sensors, pairs.
    k : float, optional
        Levels of the facet (or second factor, or batches).
    m : float
        Readings in a cell, or repeats of a unit.
    missing : float
        Share of the cells without a reading.
    share, icc : float, optional
        Share of the facet in the total variance, and ICC(A,1). What a study only estimates: the nearest row is
        chosen by them among those of one size, and the lowest coverage of that size is told beside it.
    even : float, optional
        How evenly repeats are spread over the units: the effective number of units (Kish 1965) over their number.
    kinds : frozenset of str
        What else makes it another kind of study, such as ``"worn ones removed"``.
    """

    n: float | None = None
    k: float | None = None
    m: float = 1.0
    missing: float = 0.0
    share: float | None = None
    icc: float | None = None
    even: float | None = None
    kinds: frozenset[str] = frozenset()

    @property
    def size(self) -> str:
        """Sizes in print: ``30 x 3``, ``12 x 8 x 2``."""
        m = f"{self.m:.2g}" if self.m != 1 else ""
        parts = [f"{x:g}" for x in (self.n, self.k) if x is not None]
        return " x ".join([*parts, m] if m and len(parts) > 1 else parts) or "this size"


    @property
    def words(self) -> str:
        """Sizes and estimates in print: ``30 x 3, facet share 0.04, ICC 0.81``."""
        said = [("facet share", self.share), ("ICC", self.icc)]
        return ", ".join([self.size, *(f"{name} {x:.2f}" for name, x in said if x is not None)])


@lru_cache(maxsize=50_000)  # every interval of a study asks for the distances from its design to the same others
def distance(mine: Design, other: Design) -> float:
    """Return how far two designs lie apart in what a study knows: sizes on the log scale, levels twice as heavy.

    With few levels the number of levels decides about coverage, not that of targets. 0.7 is twice the targets, or
    three levels instead of two.
    """
    total = 0.0
    for name, weight in (("n", 1.0), ("k", 2.0), ("m", 0.5)):
        a, b = getattr(mine, name), getattr(other, name)
        if (a is None) != (b is None):
            total += 1.0
        elif a is not None and b is not None:
            total += (weight * math.log(a / b)) ** 2
    total += (3 * (mine.missing - other.missing)) ** 2
    if mine.even is not None and other.even is not None:
        total += (1.5 * math.log(mine.even / other.even)) ** 2
    differ = mine.kinds ^ other.kinds
    total += 0.25 * len(differ) + 4 * len(differ & ALONE)
    return math.sqrt(total)


def parameter_distance(mine: Design, other: Design) -> float:
    """Return how far two designs lie apart in what a study only estimates."""
    total = 0.0
    if mine.share is not None and other.share is not None:
        total += (2 * (math.sqrt(max(mine.share, 0.0)) - math.sqrt(other.share))) ** 2
    if mine.icc is not None and other.icc is not None:
        total += ((_logit(mine.icc) - _logit(other.icc)) / 2) ** 2
    return math.sqrt(total)


def _logit(p: float) -> float:
    p = min(max(p, 0.01), 0.99)
    return math.log(p / (1 - p))


@cache  # a table words one design in many rows
def parse(text: str) -> Design:
    """Read a design from its words, such as ``30 x 3, facet share 0.04, 10 % of cells missing, 2 readings a cell``.

    Words that are not known are left out: they are settings of the simulation.
    """
    # "(3 sensors in 5 constructions)": levels of a nested facet count within each level of the other.
    phrases = [p.strip() for p in re.split(r"[,;]", re.sub(r"\((\d+ [a-z]+) in [^)]*\)", r"\1", text))]
    found = next((s for p in phrases if (s := _sizes(p)) is not None), Design())
    kinds = set(found.kinds)
    for phrase in phrases:
        if (m := _MISSING.search(phrase)) is not None:
            found = replace(found, missing=float(m[1]) / 100)
        elif (m := _EACH.search(phrase)) is not None:
            found = replace(found, m=float(m[1]))
        elif (m := _PAIRS.search(phrase)) is not None:
            few, many = float(m[1]), float(m[2])
            # Of numbers spread evenly on the log scale between the two.
            even = 2 * (many - few) / ((few + many) * math.log(many / few))
            found = replace(found, m=math.sqrt(few * many), even=even)
        elif (m := _FAILURES.match(phrase)) is not None:  # of lives: what is known depends on them, not on the units
            found = replace(found, n=float(m[1]))
        elif (m := _AND.search(phrase)) is not None:
            found = replace(found, m=(float(m[1]) + float(m[2])) / 2)
        for name, pattern in _VALUE.items():
            if (m := pattern.match(phrase)) is not None:
                found = replace(found, **{name: float(m[1])})  # type: ignore[arg-type]
        kinds |= {k for k in KINDS if k in phrase}
    groups = [(float(m[1]), float(m[2])) for m in map(_SOME_WITH.match, phrases) if m is not None]
    if groups:
        n, pairs, squares = (sum(a * b**power for a, b in groups) for power in (0, 1, 2))
        found = replace(found, m=pairs / n, even=pairs**2 / (n * squares))
    return replace(found, kinds=frozenset(kinds))


def _sizes(phrase: str) -> Design | None:
    """Read ``30 x 3``, ``20 targets x 4 sensors x 3``, ``12 sensors of 6 batches``, ``24 targets within 8 x 4``."""
    m = _SIZE.match(phrase)
    if m is None:
        return None
    n, noun, second, rest = float(m[1]), m[2].strip(), m[4], re.findall(rf" x (\d+)({_WORDS})", m[6])
    levels = [(float(second), "levels")] if second else []
    levels += [(float(a), b.strip()) for a, b in rest]
    # A number without a noun behind one with a noun counts repeats: "20 targets x 4 sensors x 3".
    repeats = [a for a, b in levels if (noun and not b) or b in _REPEATS]
    named = [a for a, b in levels if not ((noun and not b) or b in _REPEATS)]
    if not noun and len(named) > 1:
        repeats, named = named[1:], named[:1]
    return Design(n=n, k=named[0] if named else None, m=repeats[0] if repeats else 1.0,
                  kinds=frozenset({"within"} if m[3] == "within" else ()))


def of_row(row: Mapping[str, str], table: str) -> Design:
    """Return the design of a row of a table, which may spread it over columns."""
    if table == "retirement":
        return Design(n=float(row["sensors"]), k=float(row["batches"]) if row["batches"] else None,
                      kinds=frozenset({"worn ones removed"} if row["drop_out"] == "yes" else ()))
    found = parse(row["design"])
    if "shares" in row:  # agreement: shares of the random factors; with one factor its levels are the units
        shares = [float(s) for s in row["shares"].split(" + ") if s != "none"]
        found = replace(found, share=shares[0] if shares else None)
        if len(shares) < 2 and found.k is not None:
            found = replace(found, k=None, m=found.k)
    if table in _PAIRED and found.even is None and not found.missing:
        found = replace(found, even=1.0)
    return replace(found, icc=ICC.get(table)) if found.icc is None else found


