"""Result tables for reading: numbers to the right, decimals shared down a column, intervals in one cell."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

from drift.errors import MINUS
from drift.results import Estimate, Exclusion, Result, ResultTable, decimals_for, ends_text, join_words

PHONE = 48
SENTENCE = 60  # letters of a cell from which on it is a sentence
FEW_ROWS, MANY_COLUMNS = 3, 11
MANY_LABELS = 4
HIDDEN_LABELS = ("question",)


@dataclass(frozen=True, kw_only=True)
class Grid:
    """A table as text: caption, heads, rows of cells, and which columns hold numbers."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[bool, ...]
    left_out: int = 0
    notes: tuple[str, ...] = ()

    @property
    def wide(self) -> bool:
        """Whether it is wider than the screen of a phone, of which some 48 letters fill the width."""
        return sum(max((min(len(cell), 24) for cell in column), default=0) + 2
                   for column in zip(self._narrow_heads, *self.rows, strict=True)) > PHONE

    @property
    def crowded(self) -> bool:
        """Whether so many columns hold sentences that each must be narrow."""
        return sum(any(len(cell) > SENTENCE for cell in column) for column in zip(*self.rows, strict=True)) > 2

    def turned(self) -> Grid:
        """Return the table with a row for each column, for few rows with so many values that they leave the page."""
        if len(self.rows) > FEW_ROWS or len(self.heads) < MANY_COLUMNS:
            return self
        rows = tuple((head, *(row[j] for row in self.rows)) for j, head in enumerate(self.heads))
        first, *others = rows
        return replace(self, heads=first, rows=tuple(others), numeric=(False, *([True] * len(self.rows))))

    @property
    def _narrow_heads(self) -> tuple[str, ...]:
        return tuple(max(head.split(), key=len, default="") for head in self.heads)


def number(value: float, decimals: int) -> str:
    """Return a number with so many decimals and a true minus sign; nothing for NaN."""
    if not math.isfinite(value):
        return "" if math.isnan(value) else ("no bound" if value > 0 else f"{MINUS}no bound")
    text = f"{value:.{decimals}f}"
    return text.replace("-", MINUS) if float(text) else text.lstrip("-")


def probability(value: float) -> str:
    """Return a p value with three decimals, ``< 0.001`` below that."""
    return "< 0.001" if value < 0.001 else number(value, 3)


def shared_decimals(values: Sequence[float]) -> int:
    """Return decimals that suit a whole column: three significant digits of its typical size, none for counts."""
    there = [abs(v) for v in values if math.isfinite(v)]
    if all(float(v).is_integer() for v in there):
        return 0
    sized = sorted(v for v in there if v > 0)
    middle = sized[len(sized) // 2] if sized else 1.0
    return int(min(6, max(0, 2 - math.floor(math.log10(middle)))))


def result_grid(table: ResultTable) -> Grid:
    """Return a result table for reading; the two ends of an interval stand in one cell, behind their value."""
    columns = {c.name: c for c in table.columns}
    ends = _ends(table)
    hidden = {name for pair in ends.values() for name in pair}
    heads, cells, numeric = [], [], []
    for name, column in columns.items():
        with_own = ends.get(name, ("",))[0] == f"{name}, low"  # limits that have intervals of their own stand apart
        alone = _ends_alone(name, columns) if name not in hidden and not with_own else None
        if name in hidden or (alone is not None and name == alone[2]):
            continue
        values, is_number = list(column.values), column.values.dtype.kind == "f"
        head = _head(name, column.unit)
        if alone is not None:
            high = list(columns[alone[2]].values)
            d = _column_decimals(values, values, high)
            cells.append([f"{number(a, d)} to {number(b, d)}" if math.isfinite(a + b) else "" for a, b in
                          zip(values, high, strict=True)])
            head = _head(alone[0], column.unit)
        elif name in ends:
            low, high = (list(columns[end].values) for end in ends[name])
            d = _column_decimals(values, low, high)
            there = any(math.isfinite(v) for v in (*low, *high))
            one_unit = "unit" not in columns  # else every row is a quantity of its own
            cells.append([_interval(v, a, b, d if one_unit else decimals_for(a, b, v))
                          for v, a, b in zip(values, low, high, strict=True)])
            head += " (interval)" if there else ""
        elif is_number and column.unit != "%":
            d = shared_decimals(values)
            cells.append([probability(v) if name == "p" or name.endswith(" p") else number(v, d) for v in values])
        elif is_number and column.unit == "%":
            cells.append(_percentages(values))
        else:
            words = ["" if v is None else str(v) for v in values]
            cells.append([w.replace("_", " ") for w in words] if name in KEYS_IN_WORDS else words)
        heads.append(head)
        numeric.append(is_number)
    keep = [i for i, column in enumerate(cells) if any(column)] or list(range(len(cells)))
    rows = tuple(zip(*(cells[i] for i in keep), strict=True)) if cells else ()
    return Grid(caption=table.caption or table.name, heads=tuple(heads[i] for i in keep), rows=rows,
                numeric=tuple(numeric[i] for i in keep))


def _percentages(values: Sequence[float]) -> list[str]:
    """Return percentages with two decimals at most: what is smaller is said to be so, not shown as a row of zeros."""
    d = min(shared_decimals(values), 2)
    return ["< 0.01" if 0 < v < 0.005 and d == 2 else number(v, d) for v in values]


KEYS_IN_WORDS = ("limit", "decided by", "limit passed at the last check")


def _ends_alone(name: str, columns: Mapping[str, Any]) -> tuple[str, str, str] | None:
    """Return (head, low, high) for a pair of ends without a value of their own, at either of its columns."""
    for low, high, head in ((" low", " high", "{} interval"), ("_low", "_high", "{} interval"),
                            ("lower ", "upper ", "{} bounds")):
        for own in (low, high):
            base = name.removesuffix(own) if own[0] in " _" else name.removeprefix(own)
            pair = (base + low, base + high) if own[0] in " _" else (low + base, high + base)
            if base != name and base not in columns and pair[0] in columns and pair[1] in columns:
                return head.format(base.replace("_", " ")), pair[0], pair[1]
    return None


NO_INTERVAL_OF_THEIR_OWN = ("std_error", "df", "n", "p", "level", "share", "statistic", "use", "at")


def _ends(table: ResultTable) -> dict[str, tuple[str, str]]:
    """Return which columns hold the interval of which: ``low`` and ``high`` belong to the value before them."""
    names = [c.name for c in table.columns]
    found: dict[str, tuple[str, str]] = {}
    for name in names:
        for low, high in ((f"{name}_low", f"{name}_high"), (f"{name} low", f"{name} high")):
            if low in names and high in names:
                found[name] = (low, high)
    for low, high in pairwise(names):
        place = names.index(low) - 1
        if low.endswith(", low") and high == low.removesuffix("low") + "high" and place >= 0:
            found.setdefault(names[place], (low, high))
    if "low" in names and "high" in names:
        before = [c.name for c in table.columns[:names.index("low")]
                  if c.values.dtype.kind == "f" and c.name not in NO_INTERVAL_OF_THEIR_OWN]
        if before:
            found.setdefault(before[-1], ("low", "high"))
    return found


def _column_decimals(values: Sequence[float], low: Sequence[float], high: Sequence[float]) -> int:
    each = [decimals_for(a, b, v) for v, a, b in zip(values, low, high, strict=True) if math.isfinite(v)]
    return Counter(sorted(each)).most_common(1)[0][0] if each else 2


def interval_text(value: float, low: float, high: float) -> str:
    """Return ``0.91 (0.84 to 0.95)``, nothing where there is no value; rounding follows the width."""
    return _interval(value, low, high, decimals_for(low, high, value)) if math.isfinite(value) else ""


def _interval(value: float, low: float, high: float, decimals: int) -> str:
    if not math.isfinite(value):
        return "not available"
    if not math.isfinite(low) and not math.isfinite(high):
        return number(value, decimals)
    ends = [number(e, decimals) if math.isfinite(e) else "" for e in (low, high)]
    return f"{number(value, decimals)} ({ends_text(*ends)})"


def _head(name: str, unit: str) -> str:
    words = name.replace("_", " ")
    return f"{words} [{unit}]" if unit else words


def estimate_grid(estimates: Sequence[Estimate], *, caption: str = "Estimates") -> Grid | None:
    """Return estimates for reading: labels become columns, one name shares its decimals."""
    if not estimates:
        return None
    names = list(dict.fromkeys(e.name for e in estimates))
    shown = sorted(estimates, key=lambda e: names.index(e.name))
    labels = [k for k in dict.fromkeys(k for e in shown for k in e.of) if k not in HIDDEN_LABELS]
    together = len(labels) >= MANY_LABELS  # a column each would leave no room for the values
    heads = ["estimate", *(["of"] if together else [k.replace("_", " ") for k in labels]), "value (interval)", "unit",
             "level", "n", "method"]
    methods = {m: i for i, m in enumerate(dict.fromkeys(e.method for e in shown if e.method), 1)}

    def whose(e: Estimate) -> list[str]:
        cells = [e.of.get(k, "").replace("_", " ") for k in labels]
        return [", ".join(_label(k, v) for k, v in zip(labels, cells, strict=True) if v)] if together else cells

    rows = tuple((e.name, *whose(e), value_text(e, shown), e.unit,
                  f"{100 * e.level:g} %" if math.isfinite(e.level) else "", "" if e.n is None else str(e.n),
                  f"({methods[e.method]})" if e.method else "") for e in shown)
    keep = [j for j in range(len(heads)) if any(r[j] for r in rows)]
    numeric = {"value (interval)", "n", "level"}
    return Grid(caption=caption, heads=tuple(heads[j] for j in keep),
                rows=tuple(tuple(r[j] for j in keep) for r in rows),
                numeric=tuple(heads[j] in numeric for j in keep),
                notes=tuple(f"({i}) {m}" for m, i in methods.items()))


def _label(key: str, value: str) -> str:
    """Return a label in one cell with others: ``chosen``, ``laminated``, ``at 38 uses``."""
    if value == "yes":
        return key
    return f"{key} {value}" if key in ("at", "a", "b") else value


def count_text(e: Estimate) -> str:
    """Return a count that may be capped: ``20``, ``at least 75``."""
    return f"{'at least ' if e.bound == 'at least' else ''}{number(e.value, 0 if e.value.is_integer() else 1)}"


def value_text(e: Estimate, among: Sequence[Estimate]) -> str:
    """Return value and interval with the decimals that estimates of this name share."""
    if e.bound is not None and math.isfinite(e.value):
        return count_text(e)
    if e.bound in ("at least", "at most"):
        return e.text().removesuffix(f" {e.unit}")
    alike = [a for a in among if (a.name, a.unit) == (e.name, e.unit)]
    d = _column_decimals([a.value for a in alike], [a.low for a in alike], [a.high for a in alike])
    return _interval(e.value, e.low, e.high, d)


def reliability_grid(result: Result) -> Grid | None:
    """Return one row for each group of a reliability question: declared coefficient, SEM and MDC side by side."""
    if not result.estimates:
        return None
    declared = result.estimates[0]
    wanted = [declared.name, "SEM (agreement)", "SEM (consistency)", "MDC (agreement)", "MDC (consistency)",
              "SEM (absolute)", "SEM (relative)", "MDC (absolute)", "MDC (relative)"]
    chosen = [e for e in result.estimates if e.name in wanted
              and (e.name != declared.name or e.of.get("model") == declared.of.get("model"))]
    labels = [k for k in dict.fromkeys(k for e in chosen for k in e.of) if k not in (*HIDDEN_LABELS, "model")]
    groups = list(dict.fromkeys(tuple(e.of.get(k, "") for k in labels) for e in chosen))
    names = [n for n in wanted if any(e.name == n for e in chosen)]
    units = {n: next(e.unit for e in chosen if e.name == n) for n in names}
    at = {(e.name, tuple(e.of.get(k, "") for k in labels)): e for e in chosen}
    rows = tuple((*g, *(value_text(at[n, g], chosen) if (n, g) in at else "" for n in names)) for g in groups)
    level = next((e.level for e in chosen if math.isfinite(e.level)), math.nan)
    model = f", {declared.of['model']}" if declared.of.get("model") else ""
    return Grid(caption=f"The coefficient that fits the declared design ({declared.name}{model}), and "
                        f"measurement error, "
                        f"with {100 * level:g} % intervals", heads=(*labels, *(_head(n, units[n]) for n in names)),
                rows=rows, numeric=tuple([False] * len(labels) + [True] * len(names)),
                notes=tuple(f"{n}: {join_words(dict.fromkeys(e.method for e in chosen if e.name == n and e.method))}"
                            for n in names if any(e.name == n and e.method for e in chosen)))


def exclusion_grid(exclusions: Sequence[Exclusion]) -> Grid | None:
    """Return how many rows left each question, by kind and reason."""
    if not exclusions:
        return None
    counted = Counter((x.question, x.table, x.kind, x.reason) for x in exclusions)
    rows = tuple((*key, str(count)) for key, count in counted.items())
    return Grid(caption="Rows that did not enter, by reason", heads=("question", "table", "kind", "reason", "rows"),
                rows=rows, numeric=(False, False, False, False, True))
