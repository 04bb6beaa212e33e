"""Tables of a gauge study."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from drift.engine.ranges import range_study
from drift.reliability.gauge.analysis import GaugeParts, Refused
from drift.reliability.gauge.estimates import CONTRIBUTION, NAMES, STUDY, TOLERANCE
from drift.reliability.gauge.rows import GaugeGroup
from drift.results import Estimate, ResultTable
from drift.study import GaugeQuestion

SOURCES = {"part": "parts", "operator": "operators", "interaction": "part x operator", "repeatability": "repeatability"}


@dataclass(frozen=True, kw_only=True, eq=False)
class AnalysedGauge:
    """One group with what was estimated from it."""

    group: GaugeGroup
    parts: GaugeParts | Refused
    estimates: tuple[Estimate, ...]


def gauge_tables(done: Sequence[AnalysedGauge], question: GaugeQuestion) -> tuple[ResultTable, ...]:
    """Return "gauge components", "analysis of variance", "operators" and "average and range", those with rows."""
    good = [(d.group, d.parts, d.estimates) for d in done if isinstance(d.parts, GaugeParts)]
    if not good:
        return ()
    made = [_components(good), _anova(good), _operators(good, question), _ranges(good)]
    return tuple(t for t in made if t is not None and len(t))


Good = tuple[GaugeGroup, GaugeParts, tuple[Estimate, ...]]


def _build(name: str, good: Sequence[Good], rows: list[dict[str, Any]], caption: str, units: dict[str, str],
           numbers: tuple[str, ...]) -> ResultTable | None:
    if not rows:
        return None
    names = dict.fromkeys(k for r in rows for k in r)
    columns = {k: [r.get(k, math.nan if k in numbers else "") for r in rows] for k in names}
    made = {k: np.array(v, dtype=np.float64) if k in numbers else np.array(v, dtype=object) for k, v in columns.items()}
    # A column without a number anywhere, such as a tolerance nobody gave, is left out.
    made = {k: v for k, v in made.items() if v.dtype == object or np.isfinite(v).any()}
    return ResultTable.build(name, made, units={k: u for k, u in units.items() if k in made}, caption=caption)


def _unit(good: Sequence[Good]) -> str:
    units = {g.unit for g, _, _ in good}
    return units.pop() if len(units) == 1 else ""


def _components(good: Sequence[Good]) -> ResultTable | None:
    rows, ends = [], ("", " low", " high")
    numbers = tuple(f"{n}{e}" for n in ("SD", "% of study variation", "% contribution", "% of tolerance") for e in ends)
    for group, _, estimates in good:
        at = {e.name: e for e in estimates}
        for name in NAMES.values():
            if name not in at:
                continue
            row: dict[str, Any] = {**group.labels, "source": name}
            for column, e in (("SD", at[name]), ("% of study variation", at.get(name + STUDY)),
                              ("% contribution", at.get(name + CONTRIBUTION)),
                              ("% of tolerance", at.get(name + TOLERANCE))):
                values = (e.value, e.low, e.high) if e is not None else (math.nan,) * 3
                row |= {column: values[0], f"{column} low": values[1], f"{column} high": values[2]}
            rows.append({**row, "method": at[name].method})
    u = _unit(good)
    return _build("gauge components", good, rows, "Where the variation comes from", dict.fromkeys(numbers[:3], u),
                  numbers)


def _anova(good: Sequence[Good]) -> ResultTable | None:
    rows = []
    for group, parts, _ in good:
        names = list(parts.tables)
        for model in sorted(names, key=lambda m: m != "with interaction"):
            squares = parts.tables[model]
            f, p = squares.f_tests()
            error = squares.ms[squares.sources.index("repeatability")]
            raw = squares.unbiased()
            for s, source in enumerate(squares.sources):
                rows.append({**group.labels, "model": model, "used": "yes" if model == names[-1] else "no",
                             "source": SOURCES[source], "df": squares.df[s], "sum of squares": squares.ss[s],
                             "mean square": squares.ms[s], "F": f[s], "p": p[s],
                             "F over repeatability": squares.ms[s] / error if error > 0 and source != "repeatability"
                             else math.nan, "variance": raw[source]})
    caption = ("Analysis of variance; F is over the mean square that holds the same other variances. A variance below "
               "zero counts as zero")
    if not all(p.balanced for _, p, _ in good):
        caption += ". Numbers are unequal: squares are of unweighted cell means or adjusted for each other"
    return _build("analysis of variance", good, rows, caption, {},
                  ("df", "sum of squares", "mean square", "F", "p", "F over repeatability", "variance"))


def _operators(good: Sequence[Good], question: GaugeQuestion) -> ResultTable | None:
    rows = []
    for group, parts, _ in good:
        if len(group.operator_names) < 2:
            continue
        centre = float(np.mean(group.values))
        for j, name in enumerate(group.operator_names):
            own = group.values[group.operators == j]
            sd, df = parts.operator_sds[j]
            rows.append({**group.labels, question.operator or "operator": name, "readings": float(len(own)),
                         "mean": float(own.mean()), "less mean of all": float(own.mean()) - centre,
                         "SD of repeats": sd, "df of repeats": float(df) if df else math.nan})
    u = _unit(good)
    return _build("operators", good, rows, "Each operator: mean, and scatter of repeats of one part",
                  {"mean": u, "less mean of all": u, "SD of repeats": u},
                  ("readings", "mean", "less mean of all", "SD of repeats", "df of repeats"))


def _ranges(good: Sequence[Good]) -> ResultTable | None:
    rows: list[dict[str, Any]] = []
    for group, parts, _ in good:
        if parts.kind != "crossed" or not parts.balanced or not parts.replicated:
            continue
        p, o, m = parts.shape[0], parts.shape[1], round(parts.shape[2])
        order = np.lexsort((group.operators, group.parts))
        cube = group.values[order].reshape(p, o, m)
        exact, manual = (range_study(cube, rounded=r) for r in (None, decimals_of(group.values)))
        rows += _range_rows(group, exact, manual, p * m)
    caption = ("Average-and-range method. Exact: constants 1/d2 and 1/d2* from the distribution of the range, nothing "
               "rounded. As in the manual: constants to four decimals, averages to two more than the readings, the "
               "range of part averages to one more. It sees no interaction; its intervals are those of the analysis of "
               "variance")
    return _build("average and range", good, rows, caption, {}, ("exact", "as in the manual"))


def _range_rows(group: GaugeGroup, exact: Any, manual: Any, cells: int) -> list[dict[str, Any]]:
    def figures(r: Any) -> dict[str, float]:
        ev, av, pv = r.ev, r.av(cells), r.pv
        grr = math.hypot(ev, av)
        tv = math.hypot(grr, pv)
        found = {f"mean range of {n}": x for n, x in zip(group.operator_names, r.ranges, strict=True)}
        found |= {f"mean of {n}": x for n, x in zip(group.operator_names, r.averages, strict=True)}
        found |= {"mean range": r.mean_range, "range of operator means": r.difference,
                  "range of part means": r.part_range,
                  "K1": r.k1, "K2": r.k2, "K3": r.k3, "EV": ev, "AV": av, "GRR": grr, "PV": pv, "TV": tv}
        if tv > 0:
            parts = (("EV", ev), ("AV", av), ("GRR", grr), ("PV", pv))
            found |= {f"{n}, % of study variation": 100 * x / tv for n, x in parts}
        return {**found, "1.41 PV / GRR": 1.41 * pv / grr} if grr > 0 else found

    a, b = figures(exact), figures(manual)
    return [{**group.labels, "quantity": q, "exact": v, "as in the manual": b.get(q, math.nan)} for q, v in a.items()]


def decimals_of(values: np.ndarray) -> int:
    """Return how many decimals readings carry, at most six."""
    scale = float(np.max(np.abs(values))) or 1.0
    return next((d for d in range(6) if np.allclose(np.round(values, d), values, rtol=0, atol=1e-9 * scale)), 6)

