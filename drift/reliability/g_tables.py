"""Tables of a generalizability result."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

from drift.reliability.d_study import Decision, numbers_row
from drift.reliability.error_sizes import CHANGE
from drift.reliability.g_study import GStudy
from drift.results import ResultTable
from drift.study import ReliabilityQuestion

Rows = list[dict[str, Any]]
MEASURES = ("Phi", "G", "SEM (absolute)", "SEM (relative)", "MDC (absolute)", "MDC (relative)")


def all_tables(studies: Sequence[tuple[GStudy, Sequence[Decision]]], question: ReliabilityQuestion,
               facets: Sequence[str]) -> Iterator[ResultTable]:
    """Return "variance shares", "mean squares", "D study" and, for unbalanced layouts, "estimators"."""
    by = list(question.by)
    units = {s.group.unit for s, _ in studies}
    unit = units.pop() if len(units) == 1 else ""
    squared = f"{unit}^2" if unit else ""
    shares, squares, plans, estimators = Rows(), Rows(), Rows(), Rows()
    for study, decisions in studies:
        labels = dict(study.group.labels)
        shares += _shares(study, labels)
        squares += _squares(study, labels)
        plans += [{**labels, **_decision(study, d)} for d in decisions]
        estimators += _estimators(study, labels)
    yield _table("variance shares", shares, [*by, "component", "variance", "SD", "SD low", "SD high", "share"],
                 {"variance": squared, "SD": unit, "SD low": unit, "SD high": unit, "share": "%"},
                 "Variance components of one reading; shares of their sum.")
    numbers = list(dict.fromkeys(k for s, d in studies for one in d[:1] for k in numbers_row(s, one.design))) or list(
        facets)
    columns = [*by, *numbers, "readings", *(f"{m}{end}" for m in MEASURES for end in ("", " low", " high"))]
    plain = {f"{m}{end}": unit for m in MEASURES[2:] for end in ("", " low", " high")}
    yield _table("D study", plans, columns, plain, "What the mean over so many levels of each facet would give.")
    yield _table("mean squares", squares, [*by, "source", "df", "sum of squares", "mean square", "expectation"],
                 {"sum of squares": squared, "mean square": squared},
                 "Analysis of variance; where the layout is not balanced each source is adjusted for all that do not "
                 "hold it.")
    if estimators:
        yield _table("estimators", estimators, [*by, "component", "REML", "analogous ANOVA (Henderson 1)",
                                                "adjusted mean squares"],
                     dict.fromkeys(("REML", "analogous ANOVA (Henderson 1)", "adjusted mean squares"), squared),
                     "Three estimators of the same variance components; they differ where the layout is not balanced.")


def _table(name: str, rows: Rows, columns: list[str], units: dict[str, str], caption: str) -> ResultTable:
    return ResultTable.build(name, {c: [r.get(c) for r in rows] for c in columns}, units=units, caption=caption)


def _shares(study: GStudy, labels: dict[str, str]) -> Rows:
    total = float(study.variances.sum())
    return [{**labels, "component": name, "variance": float(v), "SD": math.sqrt(v), "SD low": math.sqrt(low),
             "SD high": math.sqrt(high), "share": 100 * float(v) / total if total > 0 else math.nan}
            for name, v, (low, high) in zip(study.names, study.variances, study.intervals, strict=True)]


def _squares(study: GStudy, labels: dict[str, str]) -> Rows:
    s, names = study.squares, study.names
    rows = Rows()
    for i, name in enumerate(names):
        terms = [f"{c:.4g} {names[j]}" if abs(c - 1) > 1e-9 else names[j]
                 for j, c in enumerate(s.coefficients[i]) if c > 1e-9]
        rows.append({**labels, "source": name, "df": s.df[i], "sum of squares": s.ss[i], "mean square": s.ms[i],
                     "expectation": " + ".join(terms)})
    return rows


def _estimators(study: GStudy, labels: dict[str, str]) -> Rows:
    if study.fit is None:
        return []
    adjusted = study.squares.variances()
    other = study.analogous.variances if study.analogous is not None else [math.nan] * len(adjusted)
    if not study.layout.replicated and study.analogous is not None:
        other = study.analogous.variances
    return [{**labels, "component": name, "REML": float(study.fit.variances[j]),
             "analogous ANOVA (Henderson 1)": float(other[j]), "adjusted mean squares": float(adjusted[j])}
            for j, name in enumerate(study.names)]


def _decision(study: GStudy, d: Decision) -> dict[str, Any]:
    numbers = numbers_row(study, d.design)
    row: dict[str, Any] = {**numbers, "readings": math.prod(numbers.values())}
    for name, value, factor in (("Phi", d.phi, 1.0), ("G", d.g, 1.0), ("SEM (absolute)", d.sem_absolute, 1.0),
                                ("SEM (relative)", d.sem_relative, 1.0), ("MDC (absolute)", d.sem_absolute, CHANGE),
                                ("MDC (relative)", d.sem_relative, CHANGE)):
        scaled = value.times(factor)
        row |= {name: scaled.value, f"{name} low": scaled.low, f"{name} high": scaled.high}
    return row
