"""Figures of a D study: error and coefficient against the numbers of levels averaged over."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from drift.report import drawing as look
from drift.report.figures import axis_label, sentence, table_of, unit_of
from drift.report.figures_of_trials import rows_of
from drift.results import Result, ResultTable, format_interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SIZE = (4.9, 3.4)
LINES, GROUPS = 3, 6
# The long upper ends of intervals from two or three levels would flatten the curves that the figure is about.
TALLEST = 2.4


def d_study_figures(part: Result) -> list[tuple[str, str, Any, tuple[float, float]]]:
    """Return the drawings of a generalizability result: error and coefficient, for each group."""
    table = table_of(part, "D study")
    if table is None or not len(table):
        return []
    drawn: list[tuple[str, str, Any, tuple[float, float]]] = []
    for of in _groups(part, table)[:GROUPS]:
        where = "".join(f", {k} {v}" for k, v in of.items())
        tail = " ".join(of.values())
        drawn += [(f"d study error {tail} {part.question}", f"Error against numbers of levels, {part.question}{where}",
                   partial(d_study_figure, part, of=of, what="SEM"), SIZE),
                  (f"d study coefficient {tail} {part.question}", f"Coefficient against numbers of levels, "
                   f"{part.question}{where}", partial(d_study_figure, part, of=of, what="coefficient"), SIZE)]
    return drawn


def _numbers(table: ResultTable) -> list[str]:
    names = [c.name for c in table.columns]
    return [n for n in names[:names.index("readings")] if table[n].dtype.kind == "f"]


def _groups(part: Result, table: ResultTable) -> list[dict[str, str]]:
    names = [c.name for c in table.columns]
    by = [n for n in names[:names.index("readings")] if n not in _numbers(table)]
    found = dict.fromkeys(tuple((b, str(table[b][i])) for b in by) for i in range(len(table)))
    return [dict(f) for f in found]


def declared_kind(part: Result) -> tuple[str, str]:
    """Return the declared kind of error and coefficient."""
    return ("absolute", "Phi") if part.estimates[0].name.startswith("Phi") else ("relative", "G")


def d_study_figure(part: Result, axes: Axes, *, of: Mapping[str, str], what: str) -> str:
    """Draw the error, or the coefficient, against the number of levels of the facet that buys most.

    Parameters
    ----------
    part : Result
        Of a question with several facets; table "D study".
    axes : Axes
    of : mapping
        Labels of one group of a question asked ``by`` columns.
    what : {"SEM", "coefficient"}

    Returns
    -------
    str
        The caption.
    """
    table = part.table("D study")
    kind, coefficient = declared_kind(part)
    column = f"SEM ({kind})" if what == "SEM" else coefficient
    keep = rows_of(table, of)
    along, beside, others = _axes_of(table, keep, f"SEM ({kind})")
    keep &= np.all([table[o] == table[o][keep].min() for o in others], axis=0) if others else True
    levels: list[float] = sorted(set(table[beside][keep])) if beside else [math.nan]
    levels = levels if len(levels) <= LINES else [levels[0], levels[1], levels[-1]]
    highest, lowest, cut = 0.0, 1.0, False
    ends: list[tuple[float, float, str]] = []
    for s, level in enumerate(levels):
        mine = keep & (table[beside] == level) if beside else keep
        order = np.argsort(table[along][mine])
        x, y, low, high = (table[c][mine][order] for c in (along, column, f"{column} low", f"{column} high"))
        colour = look.SERIES[s % len(look.SERIES)]
        if s == 0:
            axes.fill_between(x, low, high, color=look.BAND, alpha=0.55, linewidth=0)
        else:  # bands on bands are mud: the ends of the others are lines
            for end in (low, high):
                axes.plot(x, end, color=colour, linestyle=look.DASHES[s], linewidth=0.8, alpha=0.8)
        axes.plot(x, y, color=colour, marker=look.MARKERS[s], markersize=4.5, linestyle=look.DASHES[s])
        highest, lowest = max(highest, float(high.max())), min(lowest, float(low.min()))
        cut |= what == "SEM" and float(high.max()) > TALLEST * float(table[column][keep].max())
        ends.append((float(x[-1]), float(y[-1]), f"{level:g} {_plural(beside, level)}" if beside else ""))
    ticks = sorted(set(table[along][keep]))
    axes.set_xticks(ticks, [f"{t:g}" for t in ticks])
    axes.margins(x=0.05)
    axes.set_xlabel(f"number of {_plural(along, 2)} averaged over")
    unit = unit_of(table, column)
    axes.set_ylabel(axis_label(column, unit) if what == "SEM" else f"{coefficient} coefficient")
    top = min(1.02 * highest, TALLEST * float(table[column][keep].max())) if what == "SEM" else 1.0
    axes.set_ylim(0 if what == "SEM" else math.floor(10 * lowest) / 10, top)
    if beside:
        axes.margins(x=0.04)
        look.end_labels(axes, [e[0] for e in ends], [e[1] for e in ends], [e[2] for e in ends], colour=look.INK,
                        size=8.5)
    return _caption(part, table, keep, of, along, beside, column, unit, cut=cut, others=others)


def _axes_of(table: ResultTable, keep: NDArray[np.bool_], sem: str) -> tuple[str, str, list[str]]:
    """Return the facet along the axis, that of the lines, and others, by how much a second level gains."""
    numbers = _numbers(table)
    base = {n: float(table[n][keep].min()) for n in numbers}
    gain = {}
    for n in numbers:
        line = keep.copy()
        for other in numbers:
            if other != n:
                line &= table[other] == base[other]
        values = table[sem][line][np.argsort(table[n][line])]
        gain[n] = float(values[0] - values[1]) if len(values) > 1 else -1.0
    order = sorted((n for n in numbers if gain[n] >= 0), key=lambda n: -gain[n]) or numbers[:1]
    along, beside = order[0], order[1] if len(order) > 1 else ""
    return along, beside, [n for n in numbers if n not in (along, beside)]


def _plural(word: str, n: float) -> str:
    if n == 1:
        return word
    if word.endswith("y") and word[-2:-1] not in "aeiou":
        return word[:-1] + "ies"
    return word + ("es" if word.endswith(("s", "x", "ch", "sh")) else "s")


def _caption(part: Result, table: ResultTable, keep: NDArray[np.bool_], of: Mapping[str, str], along: str, beside: str,
             column: str, unit: str, *, cut: bool, others: list[str]) -> str:
    least = keep & (table[beside] == table[beside][keep].min()) if beside else keep
    order = np.argsort(table[along][least])
    values = [[float(table[c][least][order][i]) for c in (column, f"{column} low", f"{column} high")] for i in (0, -1)]
    first, last = (f"{format_interval(*v)} {unit}".strip() for v in values)
    numbers = table[along][least][order]
    at = [f"{_number(x)} {_plural(along, x)}" for x in (numbers[0], numbers[-1])]
    lead = ", ".join([part.question, *(f"{k} {v}" for k, v in of.items())])
    fixed = "; ".join(f"{o} held at {float(table[o][keep].min()):g}" for o in others if len(set(table[o])) > 1)
    beyond = " Where they end at the upper edge they reach beyond it." if cut else ""
    change = " A change below 2.77 times the SEM (MDC) is within the noise." if column.startswith("SEM") else ""
    name = column if column.startswith("SEM") else f"{column} coefficient"
    bands = f"The band{' and the thin lines are' if beside else ' is'} {100 * part.provenance.level:g} % intervals."
    bands = bands if beside else bands.replace("intervals", "interval")
    fewest = float(table[beside][keep].min()) if beside else 0.0
    with_few = f" ({_number(fewest)} {_plural(beside, fewest)})" if beside else ""
    return sentence(f"{lead}: {name} {first} with {at[0]}, {last} with {at[1]}{with_few}. {bands}{beyond}{change}"
                    + (f" {fixed[0].upper()}{fixed[1:]}." if fixed else ""))


def _number(x: float) -> str:
    return "one" if x == 1 else f"{x:g}"
