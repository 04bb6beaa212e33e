"""Tables of compared policies."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

from drift.results import ResultTable
from drift.retirement.policy import PolicyAnswer
from drift.retirement.policy_costs import NAMES
from drift.retirement.policy_guard import RetireAt
from drift.retirement.policy_scores import PRICED
from drift.study import Costs, Study


def money(costs: Costs) -> str:
    """Name of the money, for units."""
    return costs.currency or "money"


def tables_of(answers: Sequence[PolicyAnswer], study: Study, level: float) -> list[ResultTable]:
    """Return the tables that hold rows."""
    unit = money(study.costs)
    made = [_policies(answers, unit, level), _curve(answers, unit, level), _swings(answers, unit),
            _costs(study.costs, unit)]
    return [t for t in made if t is not None and len(t)]


def _build(name: str, rows: list[dict[str, Any]], units: dict[str, str], caption: str) -> ResultTable | None:
    if not rows:
        return None
    return ResultTable.build(name, {k: [r[k] for r in rows] for k in rows[0]}, units=units, caption=caption)


def _policies(answers: Sequence[PolicyAnswer], unit: str, level: float) -> ResultTable | None:
    rows = []
    keys = {g.key: g for a in answers for s in a.scores for g in s.candidate.at}
    for a in answers:
        for s in sorted(a.scores, key=lambda s: (not math.isfinite(s.cost[0]), s.cost[0], s.spoilt[0])):
            p = s.candidate.policy
            rows.append({
                "construction": a.name, "policy": s.candidate.words, "kind": s.candidate.kind,
                "cost per use": s.cost[0], "cost, low": s.cost[1], "cost, high": s.cost[2],
                "cost, Monte Carlo error": s.cost[3], "spoilt per 100": s.spoilt[0], "spoilt, low": s.spoilt[1],
                "spoilt, high": s.spoilt[2], "spoilt, Monte Carlo error": s.spoilt[3],
                "past a limit per 100": s.past[0], "sensors per 100": s.sensors[0], "sensors, low": s.sensors[1],
                "sensors, high": s.sensors[2], "checks per 100": s.checks,
                "recalibrations per 100": s.recalibrations, "uses per sensor": s.uses,
                "sensors ever past a limit": 100 * s.ever[0], "ever past, upper bound": 100 * s.ever[1],
                "ever past, Monte Carlo error of the bound": 100 * s.ever[2],
                "keeps the statement": "yes" if s.keeps else "no",
                "statement broken": " and ".join(s.breaks), "beaten by none": "yes" if s.best else "no",
                "chosen": "yes" if s.chosen else "no", "count": s.candidate.note,
                "retire at a check that shows": " or ".join(g.short for g in s.candidate.at),
                **_retire_at(s.candidate.at, keys),
                "retire after": p.retire_after if math.isfinite(p.retire_after) else math.nan,
                "check every": float(p.check_every or math.nan),
                "recalibrate every": float(p.recalibrate_every or math.nan), "cut off": 100 * s.cut})
    per = dict.fromkeys(("cost per use", "cost, low", "cost, high", "cost, Monte Carlo error"), f"{unit} per use")
    share = dict.fromkeys(("sensors ever past a limit", "ever past, upper bound",
                           "ever past, Monte Carlo error of the bound", "cut off"), "%")
    read = {f"retire at, {k}": g.unit for k, g in keys.items()}
    return _build("policies", rows, {**per, **share, **read, "retire after": "uses", "check every": "uses",
                                     "recalibrate every": "uses", "uses per sensor": "uses"},
                  f"Policies, cheapest first, with {100 * level:g} % bands of what the study leaves uncertain. A "
                  "session is spoilt if the sensor is past a limit after it, or out of tolerance where one is "
                  "declared. \"Keeps the statement\": what [retirement] promises of every continuous limit holds under "
                  "the policy too, and what [recalibration] promises where it is declared. "
                  "\"Beaten by none\": no other is as cheap and spoils as little. A sensor is retired at a check that "
                  "shows the number given, or one further from fresh; these numbers are those of the simulation.")


def _retire_at(found: Sequence[RetireAt], keys: Iterable[str]) -> dict[str, float]:
    """Return one column a limit: the number at which a check retires a sensor."""
    own = {g.key: g.value for g in found}
    return {f"retire at, {k}": own.get(k, math.nan) for k in keys}


def _curve(answers: Sequence[PolicyAnswer], unit: str, level: float) -> ResultTable | None:
    rows = [{"construction": a.name, "way of working": c.name, "retire after": float(n), "cost per use": float(m),
             "cost, low": float(low), "cost, high": float(high), "spoilt per 100": float(s)}
            for a in answers for c in a.curves
            for n, m, low, high, s in zip(c.count, c.mean, c.low, c.high, c.spoilt, strict=True)]
    per = dict.fromkeys(("cost per use", "cost, low", "cost, high"), f"{unit} per use")
    return _build("cost curve", rows, {**per, "retire after": "uses"},
                  f"Cost per use over the retire-after count, with its {100 * level:g} % band.")


def _swings(answers: Sequence[PolicyAnswer], unit: str) -> ResultTable | None:
    rows = [{"construction": a.name, "cost": NAMES[name], "times": factor, "policy": words, "cost per use": cost,
             "choice changes": "yes" if moves else "no"}
            for a in answers for name, factor, words, cost, moves in a.swings]
    return _build("sensitivity to costs", rows, {"cost per use": f"{unit} per use"},
                  "The policy that would be chosen if one cost were half or twice as large.")


def _costs(costs: Costs, unit: str) -> ResultTable | None:
    given = {k: getattr(costs, k) for k in PRICED}
    rows = [{"cost of a": NAMES[k], "value": math.nan if v is None else float(v),
             "in sensors": float(v) / costs.sensor if v is not None and costs.sensor else math.nan}
            for k, v in given.items()]
    return _build("costs", rows, {"value": unit}, "Costs as declared in [costs], and in sensors; a dash was not given.")
