"""Estimates and tables of an interlaboratory study."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from drift.engine.interlaboratory import LIMIT, Precision, Relation
from drift.reliability.gauge.rows import Level
from drift.reliability.interlaboratory.tests_of_laboratories import Tested, h_critical, judged, k_critical
from drift.results import Estimate, ResultTable, join_words
from drift.study import InterlaboratoryQuestion

NAMES = {"m": "general mean (m)", "s_r": "repeatability SD (s_r)", "s_L": "between-laboratory SD (s_L)",
         "s_R": "reproducibility SD (s_R)", "r": "repeatability limit (r)", "R": "reproducibility limit (R)"}
MLS = "modified large-sample interval"
METHODS = {
    "m": "mean of all results, t interval of the laboratories' means",
    "s_r": "pooled within laboratories, exact chi-square interval",
    "s_L": f"ISO 5725-2 analysis of variance, {MLS}", "s_R": f"ISO 5725-2 analysis of variance, {MLS}"}


@dataclass(frozen=True, kw_only=True, eq=False)
class AnalysedLevel:
    """One level with its precision and tests; ``found`` is None where nothing could be estimated, ``why`` says why."""

    level: Level
    found: Precision | None
    tests: tuple[Tested, ...] = ()
    why: str = ""
    mend: str = ""


def labels(one: AnalysedLevel, question: InterlaboratoryQuestion) -> dict[str, str]:
    """Return the label of a level."""
    return {question.material: one.level.name} if question.material else {}


def estimates_of(one: AnalysedLevel, question: InterlaboratoryQuestion, *, level: float) -> list[Estimate]:
    """Return m, s_r, s_L, s_R, r and R of one level."""
    of = {"question": question.name, **labels(one, question)}
    unit, found = one.level.unit, one.found
    if found is None:
        return [Estimate(name=NAMES[k], value=math.nan, unit=unit, of=of, method=f"refused: {one.why}")
                for k in ("s_r", "s_R")]
    values = {"m": found.m, "s_r": found.s_r, "s_L": found.s_l, "s_R": found.s_reproducibility}
    out = []
    for key, value in values.items():
        if math.isnan(value):
            continue
        out.append(_made(key, value, found.intervals[key], _method(key, found), unit, of, level,
                         found.p if key != "s_r" else int((found.counts > 1).sum())))
    for key, of_key in (("r", "s_r"), ("R", "s_R")):
        value = values[of_key]
        if math.isfinite(value):
            low, high = found.intervals[of_key]
            out.append(_made(key, LIMIT * value, (LIMIT * low, LIMIT * high), f"{LIMIT} {of_key} (1.96 sqrt(2) "
                             f"rounded, ISO 5725-6); {_method(of_key, found)}", unit, of, level, found.p))
    return out


def _method(key: str, found: Precision) -> str:
    if key == "s_R" and math.isnan(found.s_r):
        return "SD of single results of laboratories, exact chi-square interval"
    unequal = bool(np.ptp(found.counts) > 0) and key in ("s_L", "s_R")
    return METHODS[key].replace(f", {MLS}", f", ends from unweighted means, {MLS}") if unequal else METHODS[key]


def _made(key: str, value: float, ends: tuple[float, float], method: str, unit: str, of: dict[str, str], level: float,
          n: int) -> Estimate:
    return Estimate(name=NAMES[key], value=value, low=ends[0], high=ends[1], unit=unit, n=n, of=of, method=method,
                    level=level if math.isfinite(ends[0]) else math.nan)


def all_tables(done: Sequence[AnalysedLevel], related: dict[str, tuple[Relation, ...]],
               question: InterlaboratoryQuestion) -> tuple[ResultTable, ...]:
    """Return "precision", "laboratories", "outlier tests" and "precision against level", those with rows."""
    good = [(d, d.found) for d in done if d.found is not None]
    if not good:
        return ()
    units = {d.level.unit for d, _ in good}
    unit = units.pop() if len(units) == 1 else ""
    made = [_precision(good, question, unit), _laboratories(good, question, unit), _tests(good, question),
            _relations(related)]
    return tuple(t for t in made if t is not None and len(t))


Good = Sequence[tuple[AnalysedLevel, Precision]]


def _columns(rows: list[dict[str, Any]], words: Sequence[str]) -> dict[str, Any]:
    return {k: np.array([r[k] for r in rows], dtype=object if k in words else np.float64) for k in rows[0]}


def _precision(good: Good, question: InterlaboratoryQuestion, unit: str) -> ResultTable:
    rows = []
    for one, f in good:
        row: dict[str, Any] = {**labels(one, question), "laboratories": float(f.p), "results": float(f.counts.sum())}
        for key, value in (("m", f.m), ("s_r", f.s_r), ("s_L", f.s_l), ("s_R", f.s_reproducibility)):
            row |= {key: value, f"{key} low": f.intervals[key][0], f"{key} high": f.intervals[key][1]}
        row |= {"s_xbar": f.s_means, "r": LIMIT * f.s_r, "R": LIMIT * f.s_reproducibility, "s_L2 before cut": f.between}
        rows.append(row)
    sized = [k for k in rows[0] if k not in (question.material, "laboratories", "results", "s_L2 before cut")]
    return ResultTable.build("precision", _columns(rows, [question.material or ""]), units=dict.fromkeys(sized, unit),
                             caption="Precision by level. s_xbar is the SD of the laboratories' means (ASTM E691); "
                             "s_L2 before cut is the between-laboratory variance as estimated, which counts as zero "
                             "when negative")


def _laboratories(good: Good, question: InterlaboratoryQuestion, unit: str) -> ResultTable:
    rows = []
    for one, f in good:
        crit = h_critical(f.p)
        for i, name in enumerate(one.level.laboratory_names):
            k_crit = k_critical(f, i)
            h, k = float(f.h[i]), float(f.k[i])
            rows.append({**labels(one, question), question.laboratory: name, "results": float(f.counts[i]),
                         "mean": float(f.means[i]), "SD": float(f.sds[i]),
                         "h": h, "h critical 5 %": crit[0], "h critical 1 %": crit[1], "h critical 0.5 %": crit[2],
                         "k": k, "k critical 5 %": k_crit[0], "k critical 1 %": k_crit[1],
                         "k critical 0.5 %": k_crit[2],
                         "h says": judged(abs(h), crit[:2]), "k says": judged(k, k_crit[:2])})
    words = [question.material or "", question.laboratory, "h says", "k says"]
    return ResultTable.build("laboratories", _columns(rows, words),
                             units={"mean": unit, "SD": unit},
                             caption="Each laboratory with Mandel's h (means) and k (scatter). Critical values at 0.5 "
                             "% are those that ASTM E691 prints")


def _tests(good: Good, question: InterlaboratoryQuestion) -> ResultTable | None:
    rows = [{**labels(one, question), "test": t.test, question.laboratory: join_words(t.laboratories),
             "statistic": t.statistic, "critical 5 %": t.critical[0], "critical 1 %": t.critical[1],
             "says": t.verdict or "nothing striking"} for one, _ in good for t in one.tests]
    if not rows:
        return None
    words = [question.material or "", "test", question.laboratory, "says"]
    return ResultTable.build("outlier tests", _columns(rows, words),
                             caption="Cochran (largest variance), Grubbs (one and two outlying means; for two, small "
                             "values are striking). Critical values are computed; Cochran's are for the number of "
                             "results most laboratories have")


FORMS = {"I": "s = b m", "II": "s = a + b m", "III": "lg s = c + d lg m"}


def _relations(related: dict[str, tuple[Relation, ...]]) -> ResultTable | None:
    rows = []
    for what, forms in related.items():
        for r in forms:
            rows.append({"of": what, "form": f"{r.form}: {FORMS[r.form]}", "a or c": r.intercept,
                         "a or c low": r.intercept_ends[0], "a or c high": r.intercept_ends[1], "b or d": r.slope,
                         "b or d low": r.slope_ends[0], "b or d high": r.slope_ends[1],
                         "relative misfit": 100 * r.misfit
                         if math.isfinite(r.misfit) else math.nan})
    if not rows:
        return None
    return ResultTable.build("precision against level", _columns(rows, ["of", "form"]), units={"relative misfit": "%"},
                             caption="The three relations of ISO 5725-2 between precision and level m, with intervals "
                             "of the regressions; misfit is the root mean square of relative residuals")
