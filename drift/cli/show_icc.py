"""A reliability result in the order a statistician would tell it.

Answer, why this coefficient, what would make it narrower, cautions, then compact tables. Digits follow the
interval of the declared quantity, so that sentence and table print the same numbers.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from drift.cli.show import accounts_text, estimates_text, findings_text, grid, paragraph
from drift.cli.show_uses import use_blocks
from drift.results import decimals_for, format_interval

if TYPE_CHECKING:
    from drift.errors import Finding
    from drift.results import Estimate, Result, ResultTable

WHY = ("why-this-coefficient", "grade")
NARROWER = ("what-would-narrow",)
SHORT = {"ICC(A,1)": "agreement, one reading", "ICC(A,k)": "agreement, mean of {k}",
         "ICC(C,1)": "consistency, one reading", "ICC(C,k)": "consistency, mean of {k}",
         "ICC(1)": "one-way, one reading", "ICC(k)": "one-way, mean of {k}"}
IN_TABLES = re.compile(r"ICC\(|SEM \(|MDC \(|repeatability coefficient|within-target CV|variance component, SD")
# Said once in a caption instead of in every method.
SAID_ONCE = re.compile(r", stepped up to the mean of [\d.]+|1\.96 sqrt\(2\) SEM; |; over sqrt\([\d.]+\)")
OF_MEANS = re.compile(r", (mean of .+)$")
# Advice for so many combinations of --by is read; the rest stands in --json.
MOST_ADVICE = 2
# Per cent of a mean that are smaller are nothing.
TINY = 1e-5


def icc_blocks(result: Result) -> list[str]:
    """Return what follows the answer, block by block."""
    if _several_facets(result):
        from drift.cli.show_g import g_blocks

        return g_blocks(result)
    first = [f for f in result.findings if f.code in (*WHY, *NARROWER)]
    said_already = result.answer.casefold()
    # A refusal is its own caution and stands in the answer already.
    rest = [f for f in result.findings if f not in first and f"{f.message}. {f.mend}.".casefold() not in said_already]
    if not any(math.isfinite(e.value) for e in result.estimates):
        first = []
    said = [f for f in rest if f.severity != "note"]
    notes = [f for f in rest if f.severity == "note"]
    by = _by(result)
    others = [e for e in result.estimates if (not IN_TABLES.match(e.name) or _unknown_label(e, by))
              and "comparison" not in e.of]
    if not _rows(_table(result, "coefficients")):
        others = [e for e in others if math.isfinite(e.value)]
    methods: dict[str, int] = {}
    tables = (_by_tables if by else _tables)(result, methods)
    return [_told("Why this coefficient", [f for f in first if f.code in WHY]),
            _told("What would make it narrower", [f for f in first if f.code in NARROWER], MOST_ADVICE),
            findings_text(said), *use_blocks(result), *tables,
            _notes(methods, result.provenance.level, percent=not by),
            estimates_text(others), findings_text(notes), accounts_text(result)]


def _several_facets(result: Result) -> bool:
    return any(t.name == "D study" for t in result.tables)


def _unknown_label(e: Estimate, by: Sequence[str]) -> bool:
    """Whether an estimate carries a label that the compact tables have no column for."""
    return any(v for k, v in e.of.items() if k not in ("question", "model", "component", "reading",
                                                 *(b.removesuffix(" (column)") for b in by)))


def _told(head: str, findings: Sequence[Finding], most: int = 12) -> str:
    lines = [paragraph(f"{f.message.rstrip('.')}.{' ' + f.mend.rstrip('.') + '.' if f.mend else ''}", indent="  ")
             for f in findings]
    lines = list(dict.fromkeys(lines))
    more = [f"  ({len(lines) - most} more combinations stand in --json)"] if len(lines) > most else []
    return "\n".join([head, *lines[:most], *more]) if lines else ""


def _table(result: Result, name: str) -> ResultTable | None:
    return next((t for t in result.tables if t.name == name and len(t)), None)


def _rows(table: ResultTable | None) -> list[dict[str, Any]]:
    if table is None:
        return []
    names = [c.name for c in table.columns]
    return [dict(zip(names, values, strict=True)) for values in zip(*(c.values for c in table.columns), strict=True)]


def _by(result: Result) -> list[str]:
    """Return the columns that the question is repeated over: those before the coefficient in its table."""
    names = next(([c.name for c in t.columns] for t in result.tables if t.name == "coefficients"), ["coefficient"])
    return names[:names.index("coefficient")] if "coefficient" in names else []


def _asked(name: str, of_means: bool) -> bool:
    """Whether a row is about what will be used: one reading, or the mean over the facet's levels."""
    found = OF_MEANS.search(name)
    return found is not None and found.group(1).endswith(" levels") if of_means else found is None


def _uses_means(result: Result) -> bool:
    """Whether the declared coefficient is about the mean of k readings."""
    return any(r["declared"] == "yes" and str(r["coefficient"]).endswith("k)")
               for r in _rows(_table(result, "coefficients")))


def _declared_kind(result: Result) -> str:
    chosen = next((str(r["coefficient"]) for r in _rows(_table(result, "coefficients")) if r["declared"] == "yes"), "")
    return "consistency" if "C," in chosen else "agreement"


def _number(method: str, methods: dict[str, int]) -> str:
    plain = SAID_ONCE.sub("", method)
    return f"({methods.setdefault(plain, len(methods) + 1)})"


def _notes(methods: dict[str, int], level: float, *, percent: bool) -> str:
    if not methods:
        return ""
    of = "; percent is of the mean reading, whose own interval is combined with it" if percent else ""
    head = paragraph(f"Methods of the {100 * level:g} % intervals. MDC = 1.96 sqrt(2) SEM; a mean of k is stepped up "
                     f"from one reading and its error divided by sqrt(k){of}.", indent="  ")
    return "\n".join([head, *(paragraph(f"({n}) {m}", indent="  ", further="      ") for m, n in methods.items())])


def _shown(row: dict[str, Any], decimals: int, *, percent: bool = False) -> str:
    value, low, high = (float(row[c]) if row[c] is not None else math.nan for c in ("value", "low", "high"))
    if not math.isfinite(value):
        return "not available"
    if percent and 0 < value < TINY:
        return f"< {TINY:.5f}"
    text = format_interval(value, low, high, least=decimals)
    if math.isfinite(low) and decimals_for(low, high, value) > decimals:
        width = [f"{round(x, decimals) + 0.0:.{decimals}f}".replace("-", "\N{MINUS SIGN}") for x in (value, low, high)]
        text = f"{width[0]} ({width[1]} to {width[2]})"
    return text


def _decimals(row: dict[str, Any] | None, least: int = 0) -> int:
    if row is None:
        return least
    value, low, high = (float(row[c]) if row[c] is not None else math.nan for c in ("value", "low", "high"))
    if low == high:
        return max(least, 2)
    return max(least, decimals_for(low, high, value))


def _tables(result: Result, methods: dict[str, int]) -> list[str]:
    return [_coefficients(result, methods), _errors(result, methods), _components(result)]


def _coefficients(result: Result, methods: dict[str, int]) -> str:
    """Six rows for ten cases: random and mixed two-way effects share value and interval."""
    rows = _rows(_table(result, "coefficients"))
    if not rows:
        return ""
    chosen = next((r for r in rows if r["declared"] == "yes"), rows[0])
    d = _decimals(chosen, 2)
    head = ["", "case", "what it is about", "S & F", "value (interval)", "method"]
    lines: list[list[str]] = [head]
    seen: set[str] = set()
    for row in sorted(rows, key=lambda r: r["declared"] != "yes"):
        name = str(row["coefficient"])
        if name in seen:
            continue
        seen.add(name)
        k = re.search(r"mean of ([\d.]+)$", str(row["method"] or ""))
        same = re.search(r"ICC\([^)]*\)", str(row["Shrout-Fleiss"]))
        about = SHORT[name].format(k=f"{float(k.group(1)):.3g}" if k else "k")
        lines.append(["*" if row["declared"] == "yes" else "", name, about,
                      same.group() if same else "", _shown(row, d), _number(str(row["method"] or ""), methods)])
    caption = ("Coefficients (* declared; S & F: name in Shrout & Fleiss 1979; random and mixed two-way effects "
               "share the values of complete tables)")
    return f"{paragraph(caption)}\n{grid(lines)}"


def _errors(result: Result, methods: dict[str, int]) -> str:
    """Give each kind of error a row: in the unit, and in percent of the mean."""
    rows = {str(r["measure"]): r for r in _rows(_table(result, "measurement error"))}
    if not rows:
        return ""
    # Errors of means are shown where means will be used; otherwise one reading is what is asked about.
    of_means = _uses_means(result)
    rows = {k: r for k, r in rows.items() if _asked(k.removesuffix(", percent"), of_means)} or rows
    what = next((m.group(1) for k in rows if (m := OF_MEANS.search(k))), "") if of_means else ""
    kind = _declared_kind(result)
    units = [str(r["unit"]) for r in rows.values() if r["unit"] and r["unit"] != "%"]
    unit = f", {units[0]}" if units else ""
    lines = [["", f"error of the {what}" if what else "error of one reading", f"value (interval){unit}",
              "% of mean", "method"]]
    for name, row in rows.items():
        if name.endswith(", percent"):
            continue
        logs = "from logs" in name  # a ratio has no unit and would be misread in the column of the unit
        percent, own = rows.get(f"{name}, percent"), row["unit"] == "%" or logs
        plain = OF_MEANS.sub("", name)
        end = name.removeprefix(plain)
        like = rows.get(f"{plain.split(' (')[0]} ({kind}){end}", row) if (
            plain.startswith(("SEM", "MDC")) and not logs) else row
        star = "*" if plain.endswith(f"({kind})") else ""
        ratio = logs and row["unit"] != "%"
        shown = ("x " if ratio else "") + _shown(row, _decimals(like, 2 if ratio else 0), percent=own and not ratio)
        beside = _shown(percent, _decimals(percent), percent=True) if percent is not None else ""
        lines.append([star, plain, "" if own else shown, shown if own else beside,
                      _number(str(row["method"] or ""), methods)])
    return grid(lines)


def _components(result: Result) -> str:
    table = _table(result, "variance shares")
    rows = _rows(table)
    if table is None or not rows:
        return ""
    unit = next((c.unit for c in table.columns if c.name == "SD"), "")
    lines = [["source of variance", f"SD (interval){', ' + unit if unit else ''}", "share of the variance"]]
    for r in rows:
        ends = {"value": r["SD"], "low": r["SD low"], "high": r["SD high"]}
        lines.append([str(r["component"]), _shown(ends, _decimals(ends)),
                      f"{r['share']:.0f} %" if r["share"] == r["share"] else ""])
    return grid(lines)


def _by_tables(result: Result, methods: dict[str, int]) -> list[str]:
    """One row a combination of the ``by`` columns: the declared coefficient and its measurement error."""
    by, kind, means = _by(result), _declared_kind(result), _uses_means(result)
    errors = {(*(str(r[b]) for b in by), str(r["measure"])): r for r in _rows(_table(result, "measurement error"))}
    chosen = [r for r in _rows(_table(result, "coefficients")) if r["declared"] == "yes"]
    if not chosen:
        return []
    lines = [[*(b.removesuffix(" (column)") for b in by), f"{chosen[0]['coefficient']}", f"SEM ({kind})",
              f"MDC ({kind})", "unit", "method"]]
    for r in chosen:
        labels = [str(r[b]) for b in by]
        sem, mdc = (next((e for key, e in errors.items() if key[:-1] == tuple(labels) and OF_MEANS.sub("", key[-1])
                          == f"{what} ({kind})" and _asked(key[-1], means)), None)
                    for what in ("SEM", "MDC"))
        lines.append([*labels, _shown(r, _decimals(r, 2)), *(_shown(e, _decimals(e)) if e else "" for e in (sem, mdc)),
                      str(sem["unit"]) if sem else "",
                      " ".join(dict.fromkeys(_number(str(x["method"] or ""), methods) for x in (r, sem) if x))])
    if all(not line[-2] for line in lines[1:]):
        lines = [[*line[:-2], line[-1]] for line in lines]
    head = (f"The declared coefficient and the error of {'the mean over all levels' if means else 'one reading'}; "
            "--json and --out hold the other cases and components")
    return [f"{paragraph(head)}\n{grid(lines)}"]
