"""A generalizability result for the terminal: answer, why, what would narrow it, cautions, then compact tables."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from drift.cli.show import accounts_text, findings_text, grid, paragraph
from drift.results import format_interval

if TYPE_CHECKING:
    from drift.results import Estimate, Result, ResultTable

FIRST = {"Why this coefficient": ("why-this-coefficient",), "What would make it narrower": ("what-would-narrow",)}
MEASURES = ("Phi coefficient", "G coefficient", "SEM (absolute)", "SEM (relative)", "MDC (absolute)", "MDC (relative)")
PLAN_ROWS = 25


def g_blocks(result: Result) -> list[str]:
    """Return what follows the answer, block by block."""
    from drift.cli.show_icc import _told

    codes = [c for group in FIRST.values() for c in group]
    answered = any(math.isfinite(e.value) for e in result.estimates)
    said = result.answer.casefold()
    first = [_told(head, [f for f in result.findings if f.code in group]) for head, group in FIRST.items() if answered]
    rest = [f for f in result.findings if f.code not in codes and f"{f.message}. {f.mend}.".casefold() not in said]
    blocks = [*first, findings_text([f for f in rest if f.severity != "note"])]
    if answered:
        methods = list(dict.fromkeys(e.method for e in result.estimates if e.name == "variance component, SD"))
        blocks += [_coefficients(result), _components(result), _plan(result),
                   paragraph(f"{100 * result.provenance.level:g} % intervals: {'; '.join(methods)}. MDC = 1.96 sqrt(2) "
                             "SEM. Absolute: readings compared in value; relative: in order and distance only.",
                             indent="  ")]
    return [*blocks, findings_text([f for f in rest if f.severity == "note"]), accounts_text(result)]


def _labels(e: Estimate) -> tuple[str, ...]:
    return tuple(v for k, v in e.of.items() if k not in ("question", "component"))


def _shown(ends: Sequence[float], least: int = 0) -> str:
    """Return value and interval; a wide interval leaves the value two digits at least."""
    value, low, high = ends
    if value > 0:
        least = max(least, 1 - math.floor(math.log10(value)))
    return format_interval(value, low, high, least=least) if math.isfinite(value) else "not available"


def _coefficients(result: Result) -> str:
    found = [e for e in result.estimates if e.name in MEASURES]
    rows = list(dict.fromkeys(_labels(e) for e in found))
    at = {(e.name, _labels(e)): e for e in found}
    units = next((e.unit for e in found if e.name.startswith("SEM") and e.unit), "")
    declared = result.estimates[0].name
    head = ["", f"value (interval); SEM and MDC{' in ' + units if units else ''}", *(" ".join(r) for r in rows)]
    lines = [[head[0], head[1], *head[2:]]]
    kind = "absolute" if declared.startswith("Phi") else "relative"
    for name in MEASURES:
        star = "*" if name == declared or name.endswith(f"({kind})") else ""
        least = 2 if name.endswith("coefficient") else 0
        mine = [at.get((name, r)) for r in rows]
        lines.append([star, name, *(_shown((e.value, e.low, e.high), least) if e else "" for e in mine)])
    head_line = "Coefficients and error of one reading, and of the mean over all that was studied (* declared)"
    return f"{paragraph(head_line)}\n{grid(lines if len(rows) <= 2 else _turned(lines))}"


def _turned(lines: Sequence[Sequence[str]]) -> list[list[str]]:
    names = [f"{line[1]}{line[0]}" for line in lines]
    names[0] = ""
    return [[names[0], *names[1:]], *([lines[0][j], *(line[j] for line in lines[1:])] for j in range(2, len(lines[0])))]


def _table(result: Result, name: str) -> ResultTable | None:
    return next((t for t in result.tables if t.name == name and len(t)), None)


def _components(result: Result) -> str:
    table = _table(result, "variance shares")
    if table is None:
        return ""
    unit = next((c.unit for c in table.columns if c.name == "SD"), "")
    names = [c.name for c in table.columns]
    by = names[:names.index("component")]
    lines = [[*by, "source of variance", f"SD (interval){', ' + unit if unit else ''}", "share of the variance"]]
    for i in range(len(table)):
        ends = [float(table[c][i]) for c in ("SD", "SD low", "SD high")]
        share = float(table["share"][i])
        lines.append([*(str(table[b][i]) for b in by), str(table["component"][i]), _shown(ends),
                      f"{share:.0f} %" if math.isfinite(share) else ""])
    return grid(lines)


def _plan(result: Result) -> str:
    table = _table(result, "D study")
    if table is None:
        return ""
    names = [c.name for c in table.columns]
    numbers = names[:names.index("readings")]
    kind, coefficient = ("absolute", "Phi") if result.estimates[0].name.startswith("Phi") else ("relative", "G")
    unit = next((c.unit for c in table.columns if c.name == f"SEM ({kind})"), "")
    wanted = (coefficient, f"SEM ({kind})", f"MDC ({kind})")
    heads = [f"{w}{', ' + unit if unit and '(' in w else ''}" for w in wanted]
    lines: list[list[str]] = [[*numbers, "readings", *heads]]
    for i in range(min(len(table), PLAN_ROWS)):
        lines.append([*(_plain(table[n][i]) for n in numbers), _plain(table["readings"][i]),
                      *(_shown([float(table[f"{w}{end}"][i]) for end in ("", " low", " high")], 0 if "(" in w else 2)
                        for w in wanted)])
    rest = len(table) > PLAN_ROWS
    more = f"; the first {PLAN_ROWS} of {len(table)} rows, all are in --out and --json" if rest else ""
    return f"{paragraph(f'D study: the mean over so many of each (value and interval){more}')}\n{grid(lines)}"


def _plain(value: Any) -> str:
    return f"{value:.3g}" if isinstance(value, float) else str(value)
