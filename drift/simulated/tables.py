"""The committed tables of simulated coverage, and the row nearest to a user's design."""

from __future__ import annotations

import csv
import fnmatch
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from drift.simulated.designs import Design, distance, of_row, parameter_distance

FAR = 0.6  # a distance beyond which a design is not like another: 1.8 times the targets, or 3 levels for 2
FAR_APART = 1.0  # the same for what a study estimates: a true ICC of 0.3 for 0.8, a facet share of 0.8 for 0.16
SHORT = 0.93  # coverage of a nominal 0.95 interval below which the output says so
# Tables of a family beside the one of its name; a pattern, because several may hold rows of the same quantity.
ALSO = {"reliability": ("reliability*", "icc*", "missing*", "measurement*", "agreement_interval*"),
        "retirement": ("retirement", "retire_after", "retire_sparse")}
_SAID_FIRST = re.compile(r"^1\.96 sqrt\(2\) SEM; ")
_SAID_LAST = re.compile(r"(?:; in percent of the mean|, stepped up |, ends (?:transformed|rounded)|; over sqrt\().*$")


@dataclass(frozen=True, kw_only=True)
class Row:
    """One row of a table of simulated coverage."""

    table: str
    design: Design
    text: str
    quantity: str
    method: str
    nominal: float
    coverage: float
    width: float
    studies: int
    date: str


@dataclass(frozen=True, kw_only=True)
class Simulated:
    """What simulation says about one interval in the design nearest to a user's own.

    Parameters
    ----------
    quantity, method : str
        As in the table.
    coverage : float
        Share of the simulated studies whose interval held the truth, in the nearest row.
    lowest : float
        Smallest share over all rows of that size: over what a study can only estimate, such as the share of the facet
        in the variance.
    mean_width : float
        In the simulation's own unit (the variance of single readings is one, unless the table says otherwise).
    studies : int
        Simulated for that row.
    nominal : float
    design_text, lowest_text : str
        The design of the nearest row, and of that with the smallest coverage.
    distance : float
        From the user's design, in what a study knows.
    apart : float
        From the user's estimates of the rest.
    table, date : str
        Where it stands, and when it was simulated.
    """

    quantity: str
    method: str
    coverage: float
    lowest: float
    mean_width: float
    studies: int
    nominal: float
    design_text: str
    lowest_text: str
    distance: float
    apart: float
    table: str
    date: str

    @property
    def far(self) -> bool:
        """Whether no simulated design is like the user's."""
        return self.distance > FAR or self.apart > FAR_APART

    @property
    def short(self) -> bool:
        """Whether the interval is too short at this size for some value of what a study can only estimate."""
        return self.lowest < SHORT + self.nominal - 0.95


@cache
def rows_of(family: str) -> tuple[Row, ...]:
    """Return the rows of a family, of every table that belongs to it; none where there is no table."""
    patterns = ALSO.get(family, (family,))
    found: list[Row] = []
    folder = files("drift") / "handbook" / "coverage"
    for path in sorted(folder.iterdir(), key=lambda p: p.name):
        stem, dot, ending = path.name.partition(".")
        if (dot, ending) == (".", "csv") and any(fnmatch.fnmatchcase(stem, p) for p in patterns):
            found += [_row(r, stem) for r in csv.DictReader(path.read_text(encoding="utf-8").splitlines())
                      if "design" in r or "rule" in r]
    return tuple(found)


def _row(r: Mapping[str, str], table: str) -> Row:
    if "rule" in r:
        batches = f" of {r['batches']} batches" if r["batches"] else ""
        text = f"{r['sensors']} sensors{batches}{', worn ones removed' if r['drop_out'] == 'yes' else ''}, {r['shape']}"
        return Row(table=table, design=of_row(r, table), text=text, quantity="retire after", method=r["rule"],
                   nominal=1 - float(r["nominal"]), coverage=1 - float(r["unsafe"]), width=math.nan,
                   studies=int(r["studies"]), date=r["date"])
    # An interval of an SD is that of its variance with the root taken, and holds exactly as often.
    return Row(table=table, design=of_row(r, table), text=r["design"] + _shares_text(r), method=r["method"],
               quantity=r["quantity"].replace("variance, ", "SD, "), nominal=float(r["nominal"]),
               coverage=float(r["coverage"]), width=float(r["mean_width"] or "nan"), studies=int(r["studies"]),
               date=r["date"])


def _shares_text(r: Mapping[str, str]) -> str:
    """Return the shares of an agreement design in words: ``, 10 % and 50 % of the variance between them``."""
    if r.get("shares", "none") == "none":
        return ""
    shares = [f"{100 * float(s):g} %" for s in r["shares"].split(" + ")]
    return f", {' and '.join(shares)} of the variance between {'them' if len(shares) > 1 else _unit(r['design'])}"


def _unit(design: str) -> str:
    found = re.match(r"\d+ ([a-z]+)", design)
    return found[1] if found else "targets"


def core(method: str) -> str:
    """Return the name of the interval in a method, without what was fitted and how it was stepped up or rescaled.

    Examples
    --------
    >>> core("ANOVA, F/Satterthwaite interval, stepped up to the mean of 3")
    'f/satterthwaite'
    """
    plain = _SAID_LAST.sub("", _SAID_FIRST.sub("", method))
    return plain.split("; ")[-1].split(", ")[-1].removesuffix(" interval").casefold()


def nearest(family: str, quantity: str, method: str, design: Design) -> Simulated | None:
    """Return what simulation says about an interval in the design nearest to a user's own.

    Parameters
    ----------
    family : str
        Such as ``"reliability"``, ``"agreement"``, ``"drift"``, ``"retirement"``.
    quantity : str
        As in the table, such as ``"ICC(A,1)"``.
    method : str
        As printed; what is compared is the interval's name, not what was fitted.
    design : Design
        The user's own.

    Returns
    -------
    Simulated or None
        None where no row has that quantity and interval.

    Notes
    -----
    The size is chosen first, by what a study knows of itself (targets, levels, readings, missing cells); among the
    rows of that size the one whose facet share and ICC are nearest to the estimates.
    """
    rows = _matching(family, quantity, core(method))
    if not rows:
        return None
    away = {r: distance(design, r.design) for r in rows}
    least = min(away.values())
    same = [r for r in rows if away[r] < least + 1e-9]
    best = min(same, key=lambda r: (parameter_distance(design, r.design), -r.studies))
    lowest = min(same, key=lambda r: r.coverage)
    return Simulated(quantity=best.quantity, method=best.method, coverage=best.coverage,
                     lowest=lowest.coverage, lowest_text=lowest.text, mean_width=best.width, studies=best.studies,
                     nominal=best.nominal, design_text=best.text, distance=least, table=best.table, date=best.date,
                     apart=parameter_distance(design, best.design))


@cache
def _matching(family: str, quantity: str, interval: str) -> tuple[Row, ...]:
    return tuple(r for r in rows_of(family) if r.quantity == quantity and core(r.method) == interval)


def coverage_lines(family: str, *, most: int = 8) -> list[tuple[str, str, str]]:
    """Return a short table of a family for its page of the handbook: design, coverage, mean width.

    The quantity that stands first in the table, by the narrowest interval that holds; designs from small to large.
    """
    rows = rows_of(family)
    if not rows:
        return []
    first = [r for r in rows if r.quantity == rows[0].quantity]
    intervals: dict[str, list[Row]] = {}
    for r in first:
        intervals.setdefault(core(r.method), []).append(r)
    mine = min(intervals.values(), key=_merit)
    mine.sort(key=lambda r: (r.design.n or 0, r.design.k or 0, r.design.missing))
    step = max(1, math.ceil(len(mine) / most))
    return [(r.text, f"{r.coverage:.3f}", f"{r.width:.3g}" if math.isfinite(r.width) else "") for r in mine[::step]]


def _merit(rows: list[Row]) -> tuple[float, float]:
    """Rank intervals: the one that holds everywhere, and of those the narrowest."""
    widths = [r.width for r in rows if math.isfinite(r.width)]
    return max(0.0, SHORT - min(r.coverage for r in rows)), sum(widths) / len(widths) if widths else math.inf
