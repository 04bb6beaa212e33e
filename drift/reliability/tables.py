"""The four tables of a reliability result."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from drift.reliability.components import Components
from drift.reliability.words import Declared, plural
from drift.results import ResultTable
from drift.study import ReliabilityQuestion

if TYPE_CHECKING:
    from drift.reliability.analysis import Analysed
    from drift.reliability.error_sizes import ErrorSize

Rows = list[dict[str, Any]]


def component_name(part: str, question: ReliabilityQuestion, facet: str, parts: Components) -> str:
    """Return a component in the question's own words."""
    if part == "target":
        return question.target
    if part == "facet":
        return facet
    if part == "interaction":
        return f"{question.target} x {facet}"
    return "within cell" if parts.replicated else "residual"


def component_interval(part: str, *, fixed: bool = False) -> str:
    """Name the interval of a component."""
    if part == "facet" and fixed:
        return "generalised pivotal interval, levels fixed"
    return "exact chi-square interval" if part == "residual" else "generalised pivotal interval"


def reading_label(size: ErrorSize, facet: str) -> dict[str, str]:
    """Return the label of an error that belongs to a mean; empty for one reading."""
    words = {"levels": f"mean of {size.of} {facet} levels", "replicates": f"mean of {size.of} replicates"}
    return {"reading": words[size.reading]} if size.reading in words else {}


# Columns of the tables here; a column of the user's with such a name is told apart.
TAKEN = frozenset({"method", "unit", "value", "low", "high", "model", "declared", "component", "variance", "SD",
                   "share", "source", "df", "F", "measure", "when", "coefficient", "quantity", "state", "per", "trend",
                   "p", "a", "b", "first", "from", "to", "targets", "readings", "ICC", "SEM", "note"})
OWN_COLUMN = " (column)"


def column_of(name: str) -> str:
    """Return the head under which a ``by`` or compared column stands in a table of ours."""
    return name + OWN_COLUMN if name in TAKEN else name


def labels_in_table(labels: Mapping[str, str]) -> dict[str, str]:
    """Return the labels of a group under the heads of a table."""
    return {column_of(k): v for k, v in labels.items()}


def all_tables(done: Sequence[Analysed], question: ReliabilityQuestion, facet: str,
               pick: Declared) -> Iterable[ResultTable]:
    """Return "coefficients", "variance shares", "mean squares" and "measurement error"."""
    units = {a.group.unit for a in done}
    unit = units.pop() if len(units) == 1 else ""
    usable = [(a, a.parts) for a in done if isinstance(a.parts, Components)]
    coefficient_rows, share_rows, square_rows, error_rows = Rows(), Rows(), Rows(), Rows()
    for one, parts in usable:
        labels = labels_in_table(one.group.labels)
        coefficient_rows += [_coefficient(c, labels, pick) for c in one.cases]
        share_rows += _shares(parts, labels, question, facet)
        square_rows += _squares(parts, labels, question, facet)
        error_rows += [_error(e, labels, facet, one.group.unit) for e in one.errors]
    by, squared = [column_of(b) for b in question.by], f"{unit}^2" if unit else ""
    yield _table("coefficients", coefficient_rows, [*by, "coefficient", "model", "Shrout-Fleiss", "in words", "value",
                                                    "low", "high", "method", "classical low", "classical high",
                                                    "pivotal low", "pivotal high", "declared"],
                 {}, f"All ten intraclass correlations; declared: {pick.coefficient}, {pick.model}, because "
                     f"{pick.because}.")
    yield _table("variance shares", share_rows, [*by, "component", "variance", "SD", "SD low", "SD high", "share"],
                 {"variance": squared, "SD": unit, "SD low": unit, "SD high": unit, "share": "%"},
                 "Variance components; shares of their sum.")
    yield _table("mean squares", square_rows, [*by, "source", "df", "sum of squares", "mean square", "F"],
                 {"sum of squares": squared, "mean square": squared}, "Analysis of variance.")
    yield _table("measurement error", error_rows,
                 [*by, "measure", "value", "low", "high", "unit", "when", "method"], {},
                 "Measurement error of one reading and of means, in the reading's unit and in percent of the mean; "
                 "when: the situation a figure belongs to.")


def _table(name: str, rows: Rows, columns: list[str], units: dict[str, str], caption: str) -> ResultTable:
    return ResultTable.build(name, {c: [r.get(c) for r in rows] for c in columns}, units=units, caption=caption)


def _error(e: ErrorSize, labels: dict[str, str], facet: str, unit: str) -> dict[str, Any]:
    """One row of measurement error; the measure's name says what is averaged, so that names are unique."""
    name, percent = e.name.removesuffix(", percent"), ", percent" if e.name.endswith(", percent") else ""
    mean = "".join(f", {text}" for text in reading_label(e, facet).values())
    return {**labels, "measure": f"{name}{mean}{percent}", "value": e.value, "low": e.low, "high": e.high,
            "unit": e.unit(unit), "when": e.when, "method": e.method}


def _coefficient(c: Any, labels: dict[str, str], pick: Declared) -> dict[str, Any]:
    chosen = (c.name, c.model) == (pick.coefficient, pick.model)
    return {**labels, "coefficient": c.name, "model": c.model, "Shrout-Fleiss": c.shrout_fleiss, "in words": c.sentence,
            "value": c.value, "low": c.low, "high": c.high, "method": c.method, "classical low": c.classical[0],
            "classical high": c.classical[1], "pivotal low": c.pivotal[0], "pivotal high": c.pivotal[1],
            "declared": "yes" if chosen else "no"}


def _shares(parts: Components, labels: dict[str, str], question: ReliabilityQuestion, facet: str) -> Rows:
    total = sum(parts.variances.values())
    rows = Rows()
    for part, variance in parts.variances.items():
        if part == "interaction" and not parts.replicated:
            continue
        low, high = (math.sqrt(max(x, 0.0)) for x in parts.intervals[part])
        rows.append({**labels, "component": component_name(part, question, facet, parts), "variance": variance,
                     "SD": math.sqrt(variance), "SD low": low, "SD high": high,
                     "share": 100 * variance / total if total > 0 else math.nan})
    return rows


def _squares(parts: Components, labels: dict[str, str], question: ReliabilityQuestion, facet: str) -> Rows:
    """Mean squares of a complete table; for the others the one-way table and the reduced sums."""
    flat, s = parts.flat, parts.squares
    rows: list[tuple[str, float, float, float]] = []  # source, df, mean square, mean square of its error
    if s is None:
        rows = [(f"between {plural(question.target)}, one-way", flat.df_between, flat.ms_between, flat.ms_within),
                (f"within {plural(question.target)}", flat.df_within, flat.ms_within, math.nan)]
        p = parts.pivots
        if p is not None:
            inner = p.ss_inner / p.df_inner
            rows += [(f"{question.target}, {facet} absorbed", p.df_target, float(p.target_squares.sum()) / p.df_target,
                      inner),
                     (f"{facet}, {question.target} absorbed", p.df_facet, float(p.facet_squares.sum()) / p.df_facet,
                      inner),
                     ("residual of cell means", p.df_inner, inner, math.nan)]
            if p.df_within:
                rows.append(("within cell", p.df_within, p.ss_within / p.df_within, math.nan))
    else:
        inner = s.ms_residual
        cell = s.ms_within if s.m > 1 else math.nan
        rows = [(question.target, s.df[0], s.ms_target, inner), (facet, s.df[1], s.ms_facet, inner),
                (f"{question.target} x {facet}" if s.m > 1 else "residual", s.df[2], inner, cell)]
        if s.m > 1:
            rows.append(("within cell", s.df[3], s.ms_within, math.nan))
        rows.append((f"within {plural(question.target)}", flat.df_within, flat.ms_within, math.nan))
    return [{**labels, "source": name, "df": df, "sum of squares": df * ms, "mean square": ms,
             "F": ms / error if error > 0 else math.nan} for name, df, ms, error in rows]
