"""Tables of the retirement section, turned so that a reader compares along a row."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from drift.report.tables import Grid, interval_text, number, shared_decimals
from drift.results import Result, ResultTable

WHOLE = "all limits"


def decision_grids(result: Result) -> tuple[Grid, ...]:
    """Return counts, what stands around them, and how they move with shares, limits and sensors left out."""
    named = {t.name: t for t in result.tables if len(t)}
    made: list[Grid | None] = []
    if "retire-after counts" in named:
        made += [_counts(named["retire-after counts"]), _around(named["retire-after counts"])]
    if "sensitivity to content and confidence" in named:
        made.append(_by_shares(named["sensitivity to content and confidence"]))
    if "sensitivity to limit" in named:
        made.append(_by_limit(named["sensitivity to limit"]))
    if "leave one sensor out" in named:
        made.append(_left_out(named["leave one sensor out"]))
    if "dead cells" in named:
        made.append(_past(named["dead cells"]))
    return tuple(g for g in made if g is not None)


def _unit(table: ResultTable, column: str) -> str:
    return next((c.unit for c in table.columns if c.name == column), "")


def _words(value: Any) -> str:
    return "" if value is None else str(value).replace("_", " ")


def _pairs(t: ResultTable) -> list[tuple[Any, Any]]:
    """Return constructions and limits in the order of the table."""
    return list(dict.fromkeys((t["construction"][i], t["limit"][i]) for i in range(len(t)) if not _only(t, i)))


def count_cell(value: float, bound: object) -> str:
    """Return a count as it is said: ``20``, ``at least 75``, ``no count``."""
    if not math.isfinite(value):
        return "no count"
    shown = number(value, 0 if float(value).is_integer() else 1)
    return f"at least {shown}" if bound == "at least" else shown


def _only(t: ResultTable, i: int) -> bool:
    """Tell whether row ``i`` is the count over all limits where there is but one limit."""
    limits = {str(k) for k, c in zip(t["limit"], t["construction"], strict=True) if c == t["construction"][i]}
    return bool(t["limit"][i] == WHOLE) and len(limits - {WHOLE}) == 1


def _grid(caption: str, heads: Sequence[str], rows: Sequence[Sequence[str]], words: int) -> Grid:
    """Make a grid whose first ``words`` columns are words; columns without any content are left out."""
    keep = [j for j in range(len(heads)) if any(r[j] for r in rows)]
    return Grid(caption=caption, heads=tuple(heads[j] for j in keep),
                rows=tuple(tuple(r[j] for j in keep) for r in rows),
                numeric=tuple(j >= words for j in keep))


def _counts(t: ResultTable) -> Grid:
    unit = _unit(t, "retire after")
    ends = {c: shared_decimals(list(t[c])) for c in ("line bound", "skew companion")}
    rows = [[_words(t["construction"][i]), _words(t["limit"][i]), _words(t["decided by"][i]), _words(t["holds for"][i]),
             count_cell(t["retire after"][i], t["bound"][i]), *(number(t[c][i], d) for c, d in ends.items()),
             f"{100 * t['content'][i]:.4g} %", f"{100 * t['confidence'][i]:.4g} %", number(t["sensors"][i], 0),
             number(t["batches"][i], 0)] for i in range(len(t)) if not _only(t, i)]
    heads = ["construction", "limit", "decided by", "holds for", f"retire after [{unit}]", f"line bound [{unit}]",
             f"skew companion [{unit}]", "content", "confidence", "sensors", "batches"]
    if "without the early change" in {c.name for c in t.columns}:
        heads.append(f"without the early change [{unit}]")
        bare = [number(t["without the early change"][i], 0) for i in range(len(t)) if not _only(t, i)]
        rows = [[*row, b] for row, b in zip(rows, bare, strict=True)]
    return _grid(t.caption, heads, rows, 4)


def _around(t: ResultTable) -> Grid | None:
    unit = _unit(t, "retire after")
    rows = []
    for i in range(len(t)):
        mean = (t["average sensor crosses"][i], t["average crosses, low"][i], t["average crosses, high"][i])
        share = tuple(100 * t[c][i] for c in ("share beyond at the count", "share beyond, low", "share beyond, high"))
        cap = t["longest count that can be stated"][i]
        if any(math.isfinite(v) for v in (mean[0], share[0])):
            rows.append([_words(t["construction"][i]), _words(t["limit"][i]), interval_text(*mean),
                         interval_text(*share),
                         number(cap, shared_decimals([cap]))])
    heads = ["construction", "limit", f"average sensor reaches the limit [{unit}]",
             "sensors beyond it at the count [%]",
             f"longest count that can be stated [{unit}]"]
    return _grid("Around the count. The average sensor's crossing is not a policy: half of the sensors are past "
                 "the limit "
                 "there.", heads, rows, 2) if rows else None


def _by_shares(t: ResultTable) -> Grid:
    confidences = sorted(set(t["confidence"]))
    rows = []
    for construction in dict.fromkeys(t["construction"]):
        for content in sorted(set(t["content"])):
            cells = []
            for confidence in confidences:
                at = [i for i in range(len(t)) if t["construction"][i] == construction and t["content"][i] == content
                      and t["confidence"][i] == confidence]
                whole = [i for i in at if t["limit"][i] == WHOLE] or at[:1]
                cells.append(count_cell(t["retire after"][whole[0]], t["bound"][whole[0]]) if whole else "")
            rows.append([_words(construction), f"{100 * content:g} %", *cells])
    heads = ["construction", "content", *(f"confidence {100 * c:g} %" for c in confidences)]
    declared = next((f"; declared are content {100 * t['content'][i]:g} % and confidence {100 * t['confidence'][i]:g} %"
                     for i in range(len(t)) if t["declared"][i]), "")
    return _grid(f"{t.caption.rstrip('.')} [{_unit(t, 'retire after')}]{declared}", heads, rows, 2)


def _by_limit(t: ResultTable) -> Grid:
    changes = list(dict.fromkeys(t["change"]))
    rows = []
    for construction, limit in _pairs(t):
        at = {t["change"][i]: i for i in range(len(t)) if (t["construction"][i], t["limit"][i]) == (construction,
                                                                                                    limit)}
        rows.append([_words(construction), _words(limit),
                     *(count_cell(t["retire after"][at[c]], t["bound"][at[c]]) if c in at else "" for c in changes)])
    heads = ["construction", "limit", *(f"limit {c}" for c in changes)]
    return _grid(f"{t.caption.rstrip('.')} [{_unit(t, 'retire after')}]", heads, rows, 2)


def _left_out(t: ResultTable) -> Grid:
    rows = []
    for construction, limit in _pairs(t):
        at = [i for i in range(len(t)) if (t["construction"][i], t["limit"][i]) == (construction, limit)
              and math.isfinite(t["retire after"][i])]
        if at:
            low, high = (pick(at, key=lambda i: t["retire after"][i]) for pick in (min, max))
            rows.append([_words(construction), _words(limit), *(
                f"{count_cell(t['retire after'][i], None)} (without {t['left out'][i]})" for i in (low, high))])
    unit = _unit(t, "retire after")
    return _grid(t.caption, ["construction", "limit", f"lowest [{unit}]", f"highest [{unit}]"], rows, 2)


def _past(t: ResultTable) -> Grid:
    """Show each limit at its last use and wherever the number of sensors past it changes."""
    rows = []
    for i in range(len(t)):
        key = (t["construction"][i], t["limit"][i])
        after = i + 1 < len(t) and (t["construction"][i + 1], t["limit"][i + 1]) == key
        before = i > 0 and (t["construction"][i - 1], t["limit"][i - 1]) == key
        if not after or (before and t["sensors past"][i] != t["sensors past"][i - 1]):
            rows.append([*map(_words, key), number(t["use"][i], 0),
                         f"{t['sensors past'][i]:g} of {t['sensors known'][i]:g}", number(100 * t["share"][i], 0),
                         number(100 * t["upper bound"][i], 0)])
    heads = ["construction", "limit", f"by [{_unit(t, 'use') or 'use'}]", "sensors past", "share [%]",
             "upper bound [%]"]
    return _grid(t.caption, heads, rows, 2)
