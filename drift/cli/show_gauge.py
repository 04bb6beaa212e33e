"""A gauge study or an interlaboratory study as plain text: answer, what it means, cautions, compact tables."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from drift.cli.show import accounts_text, findings_text, grid, paragraph
from drift.errors import MINUS
from drift.report.gauge_tables import interval, labels_of, number, percent, rows_of

if TYPE_CHECKING:
    from drift.results import Result, ResultTable

MEANING = ("rule-of-thumb", "what-helps", "relation-to-level")
MOST, FEW = 40, 10


def gauge_blocks(result: Result) -> list[str]:
    """Return the blocks below the answer."""
    told = [f for f in result.findings if f.code in MEANING]
    rest = [f for f in result.findings if f.code not in MEANING and f.code != "simulated-coverage"]
    coverage = [f for f in result.findings if f.code == "simulated-coverage"]
    tables = _gauge_tables(result) if result.command == "gauge" else _laboratory_tables(result)
    return [*(paragraph(_sentence(f.message)) for f in told), findings_text(rest), *tables,
            *(paragraph(_sentence(f.message)) for f in coverage), accounts_text(result)]


def _sentence(text: str) -> str:
    text = text[:1].upper() + text[1:]
    return text if text.endswith(".") else f"{text}."


def _table(result: Result, name: str) -> ResultTable | None:
    return next((t for t in result.tables if t.name == name), None)


def _gauge_tables(result: Result) -> list[str]:
    table = _table(result, "gauge components")
    rows = rows_of(table)
    out = []
    if table is not None and rows:
        labels = labels_of(table, "source")
        unit = next((c.unit for c in table.columns if c.name == "SD"), "")
        heads = [*labels, "source", f"SD (interval){f', {unit}' if unit else ''}", "% of study variation",
                 "% contribution", "% of tolerance"]
        lines = [[*(str(r[c]) for c in labels), r["source"], interval(r, "SD"), percent(r, "% of study variation"),
                  percent(r, "% contribution"), percent(r, "% of tolerance")] for r in rows]
        methods = list(dict.fromkeys(str(r["method"]) for r in rows))
        out.append(f"{grid(_without_empty([heads, *lines]))}\n"
                   + paragraph(f"{100 * result.provenance.level:g} % intervals: {'; '.join(methods)}", indent="  "))
    out += [_anova(result), _operators(result), _bias(result)]
    return out


def _without_empty(lines: list[list[str]]) -> list[list[str]]:
    keep = [j for j in range(len(lines[0])) if any(line[j] for line in lines[1:])]
    return [[line[j] for j in keep] for line in lines]


def _anova(result: Result) -> str:
    table = _table(result, "analysis of variance")
    rows = rows_of(table)
    if table is None or not rows or len(rows) > MOST:
        return ""
    labels = labels_of(table, "model")
    lines = [[*labels, "analysis of variance", "source", "df", "sum of squares", "mean square", "F", "p"]]
    last = ""
    for r in rows:
        model = f"{r['model']}{' (used)' if r['used'] == 'yes' else ''}"
        p = r["p"]
        lines.append([*(str(r[c]) for c in labels), "" if model == last else model, r["source"], f"{r['df']:.0f}",
                      number(r["sum of squares"], digits=4), number(r["mean square"], digits=4), number(r["F"]),
                      "" if math.isnan(p) else "< 0.001" if p < 0.001 else f"{p:.3f}"])
        last = model
    return grid(lines)


def _operators(result: Result) -> str:
    rows = rows_of(_table(result, "operators"))
    if not rows or len(rows) > MOST:
        return ""
    names = list(rows[0])
    lines = [[*names[:names.index("readings")], "readings", "mean", "less mean of all", "SD of repeats"]]
    lines += [[*(str(r[c]) for c in names[:names.index("readings")]), f"{r['readings']:.0f}",
               number(r["mean"], digits=4), number(r["less mean of all"], digits=2),
               number(r.get("SD of repeats", math.nan))] for r in rows]
    return grid(_without_empty(lines))


def _bias(result: Result) -> str:
    rows = rows_of(_table(result, "bias"))
    if not rows:
        return ""
    names = list(rows[0])
    labels = names[:names.index("reference")]
    lines = [[*labels, "reference", "readings", "bias (interval)"]]
    lines += [[*(str(r[c]) for c in labels), f"{r['reference']:g}", f"{r['readings']:.0f}", interval(r, "bias")]
              for r in rows[:MOST]]
    text = grid(lines)
    line = rows_of(_table(result, "linearity"))
    if line:
        more = [[*(c for c in line[0] if c not in LINE), "line of bias on reference", "slope", "bias at reference 0",
                 "residual SD", "R squared", "df"]]
        more += [[*(str(r[c]) for c in line[0] if c not in LINE), f"through {r['through']}", interval(r, "slope"),
                  interval(r, "bias at 0"), number(r["residual SD"]),
                  "" if math.isnan(r["R squared"]) else f"{r['R squared']:.3f}", f"{r['df']:.0f}"] for r in line]
        text += f"\n\n{grid(more)}"
    return text


LINE = frozenset({"through", "slope", "slope low", "slope high", "t of slope", "bias at 0", "bias at 0 low",
                  "bias at 0 high", "t of bias at 0", "residual SD", "R squared", "df", "lack of fit F",
                  "lack of fit p"})


def _laboratory_tables(result: Result) -> list[str]:
    table = _table(result, "precision")
    rows = rows_of(table)
    if table is None or not rows:
        return []
    unit = next((c.unit for c in table.columns if c.name == "s_R"), "")
    names = list(rows[0])
    labels = names[:names.index("laboratories")]
    tail = f", {unit}" if unit else ""
    lines = [[*labels, "labs", "results", f"m{tail}", "s_r (interval)", "s_L", "s_R (interval)", "r", "R", "s_xbar"]]
    lines += [[*(str(r[c]) for c in labels), f"{r['laboratories']:.0f}", f"{r['results']:.0f}",
               number(r["m"], digits=4), interval(r, "s_r"), number(r["s_L"]), interval(r, "s_R"), number(r["r"]),
               number(r["R"]), number(r["s_xbar"])] for r in rows]
    out = [f"{grid(_without_empty(lines))}\n" + paragraph(
        f"{100 * result.provenance.level:g} % intervals; r = 2.8 s_r, R = 2.8 s_R (1.96 sqrt(2) rounded as in the "
        "standard)", indent="  ")]
    everything = rows_of(_table(result, "outlier tests"))
    tests = everything if len(everything) <= FEW else [r for r in everything if r["says"] != "nothing striking"]
    if everything and not tests:
        out.append(paragraph(f"Cochran's and Grubbs' {len(everything)} tests: nothing striking at 5 %."))
    elif tests:
        names = list(tests[0])
        heads = [*names[:names.index("statistic")], "statistic", "5 %", "1 %", "says"]
        left = len(everything) - len(tests)
        out.append((f"  The other {left} of Cochran's and Grubbs' tests say nothing at 5 %.\n"
                    if left else "") + grid([heads, *([*(str(r[c]) for c in names[:names.index("statistic")]),
                                                       f"{r['statistic']:.3f}",
                                   f"{r['critical 5 %']:.3f}", f"{r['critical 1 %']:.3f}", r["says"]] for r in tests)]))
    labs = rows_of(_table(result, "laboratories"))
    if len(rows) > 1 and labs:
        out += [_mandel(labs, what) for what in ("h", "k")]
    elif labs and len(labs) <= MOST:
        names = list(labs[0])
        own = names[:names.index("results")]
        heads = [*own, "results", "mean", "SD", "h", "k", "h 5 % / 1 %", "k 5 % / 1 %"]
        lines = [heads]
        for r in labs:
            lines.append([*(str(r[c]) for c in own), f"{r['results']:.0f}", number(r["mean"], digits=4),
                          number(r["SD"]),
                          f"{r['h']:.2f}".replace("-", MINUS), "" if math.isnan(r["k"]) else f"{r['k']:.2f}",
                          _pair(r, "h"), _pair(r, "k")])
        out.append(grid(_without_empty(lines)))
    return out


def _mandel(labs: Sequence[Mapping[str, Any]], what: str) -> str:
    """Give each laboratory a row and each level a column; one star beyond 5 %, two beyond 1 %."""
    names = list(labs[0])
    material, laboratory = names[:2]
    levels = list(dict.fromkeys(str(r[material]) for r in labs))
    who = list(dict.fromkeys(str(r[laboratory]) for r in labs))
    if len(levels) > 10 or len(who) > MOST:
        return ""
    at = {(str(r[laboratory]), str(r[material])): r for r in labs}

    def cell(r: Mapping[str, Any] | None) -> str:
        if r is None or math.isnan(r[what]):
            return ""
        stars = sum(abs(r[what]) > r[f"{what} critical {p}"] for p in ("5 %", "1 %"))
        return f"{float(r[what]):.2f}".replace("-", MINUS) + "*" * int(stars)

    lines = [[f"Mandel's {what}", *levels], *([w, *(cell(at.get((w, v))) for v in levels)] for w in who)]
    return grid(lines) + "\n  * beyond the 5 % critical value, ** beyond 1 %"


def _pair(row: Mapping[str, Any], what: str) -> str:
    a, b = row[f"{what} critical 5 %"], row[f"{what} critical 1 %"]
    return "" if math.isnan(a) else f"{a:.2f} / {b:.2f}"
