"""Limits that jump (dead cells, dead lines, failures): sensors past them are counted, not put on lines."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.tolerance import binomial_interval, binomial_upper
from drift.errors import Finding
from drift.records import Tables
from drift.results import Estimate, ResultTable
from drift.retirement.eligibility import worn_sensors
from drift.retirement.groups import POOLED, Exposure
from drift.retirement.limits import QUESTION
from drift.retirement.wording import label_of
from drift.study import Study

Floats = NDArray[np.float64]

FAILED = "failed"
_COLUMNS = {"dead_fraction": "dead", "dead_lines": "dead_lines"}


@dataclass(frozen=True, kw_only=True, eq=False)
class DeadCount:
    """Sensors of one construction past one limit by each exposure; arrays of shape (n_uses,)."""

    construction: str
    limit: str
    use: Floats
    past: Floats
    known: Floats

    def at(self, count: float) -> int:
        """Index of the last exposure not beyond ``count`` (-1 if there is none)."""
        return int(np.searchsorted(self.use, count, side="right")) - 1


def count_dead(tables: Tables, study: Study, construction_of: dict[str, str], exposure: Exposure, *,
               pooled: bool) -> tuple[list[DeadCount], list[Finding]]:
    """Count, for every jump limit and for recorded failures, the sensors past it by each checked exposure.

    A sensor is known at an exposure if it was checked then or later, or was past the limit before. A sensor
    past a limit stays past it.
    """
    checks = tables.checks
    findings: list[Finding] = []
    if checks is None:
        return [], findings
    worn = worn_sensors(checks["sensor"], tables)
    use = np.asarray(checks[exposure.name], dtype=np.float64)
    valid = worn & np.isfinite(use)
    if "exclude" in checks:
        valid &= ~(np.nan_to_num(np.asarray(checks["exclude"], dtype=np.float64)) > 0)
    sensors = checks["sensor"].astype(str)
    rows: list[DeadCount] = []
    for key, column in _COLUMNS.items():
        limit = getattr(study.limits, key)
        if limit is None:
            continue
        values = np.asarray(checks[column], dtype=np.float64) if column in checks else np.full(len(use), np.nan)
        if not np.isfinite(values[valid]).any():
            findings.append(Finding(
                severity="warning", code="limit-not-recorded", question=QUESTION, column=column,
                message=f"The limit {key} cannot be looked at: the checks have no column {column}",
                mend=f"Record {column} in the checks."))
            continue
        known = valid & np.isfinite(values)
        first = _first_past(sensors[known], use[known], values[known] > limit)
        rows += _by_construction(key, first, sensors[known], use[known], construction_of, pooled)
    failed = _failures(tables)
    if failed:
        rows += _by_construction(FAILED, failed, sensors[valid], use[valid], construction_of, pooled)
    return rows, findings


def past_jump(tables: Tables, study: Study, exposure: Exposure) -> dict[str, str]:
    """Sensors that a check showed past a limit that jumps, and the key of that limit."""
    checks = tables.checks
    found: dict[str, str] = {}
    for key, column in _COLUMNS.items():
        limit = getattr(study.limits, key)
        if checks is None or limit is None or column not in checks:
            continue
        values, use = (np.asarray(checks[c], dtype=np.float64) for c in (column, exposure.name))
        here = np.isfinite(values) & np.isfinite(use) & (values > limit)
        if "exclude" in checks:
            here &= ~(np.nan_to_num(np.asarray(checks["exclude"], dtype=np.float64)) > 0)
        for s in checks["sensor"][here]:
            found.setdefault(str(s), key)
    return found


def _failures(tables: Tables) -> dict[str, float]:
    if tables.events is None:
        return {}
    e = tables.events
    found: dict[str, float] = {}
    for s, u, what in zip(e["sensor"], np.asarray(e["use"], dtype=np.float64), e["event"], strict=True):
        if what == FAILED and math.isfinite(u):
            found[str(s)] = min(found.get(str(s), math.inf), float(u))
    return found


def _first_past(sensors: NDArray[np.str_], use: Floats, past: NDArray[np.bool_]) -> dict[str, float]:
    first: dict[str, float] = {}
    for s, u in zip(sensors[past], use[past], strict=True):
        first[str(s)] = min(first.get(str(s), math.inf), float(u))
    return first


def _by_construction(key: str, first: dict[str, float], sensors: NDArray[np.str_], use: Floats,
                     construction_of: dict[str, str], pooled: bool) -> list[DeadCount]:
    last: dict[str, float] = {}
    for s, u in zip(sensors, use, strict=True):
        last[str(s)] = max(last.get(str(s), -math.inf), float(u))
    label = {s: POOLED if pooled else construction_of.get(s, "") for s in last}
    rows = []
    for name in sorted(set(label.values())):
        mine = [s for s in last if label[s] == name]
        at = np.unique(use[np.isin(sensors, mine)])
        past = np.array([sum(first.get(s, math.inf) <= u for s in mine) for u in at], dtype=np.float64)
        known = np.array([sum(first.get(s, math.inf) <= u or last[s] >= u for s in mine) for u in at], np.float64)
        rows.append(DeadCount(construction=name, limit=key, use=at, past=past, known=known))
    return rows


def dead_table(rows: list[DeadCount], exposure: Exposure, confidence: float) -> ResultTable:
    """Table "dead cells": counts with exact one-sided upper bounds."""
    def joined(pick: str) -> Floats:
        return np.concatenate([getattr(r, pick) for r in rows]) if rows else np.zeros(0)

    past, known = joined("past"), joined("known")
    words = [(r.construction, r.limit) for r in rows for _ in r.use]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(known > 0, past / known, np.nan)
    return ResultTable.build("dead cells", {
        "construction": np.array([w[0] for w in words], dtype=object),
        "limit": np.array([w[1] for w in words], dtype=object),
        "use": joined("use"), "sensors past": past, "sensors known": known, "share": share,
        "upper bound": binomial_upper(past, known, confidence=confidence),
    }, units={"use": exposure.unit},
        caption=f"Sensors past a limit that jumps, by each use; the upper bound of their share is exact binomial "
                f"(Clopper-Pearson), one-sided, {100 * confidence:g} % confidence. Beside the count, not inside it.")


def dead_estimates(rows: list[DeadCount], counts: dict[str, float], exposure: Exposure, *,
                   level: float) -> list[Estimate]:
    """Share of sensors past each jump limit by the retire-after count (or the last check before it)."""
    made = []
    for r in rows:
        count = counts.get(r.construction, math.nan)
        i = r.at(count) if math.isfinite(count) else len(r.use) - 1
        if i < 0 or r.known[i] <= 0:
            continue
        low, high = binomial_interval(r.past[i], r.known[i], level=level)
        made.append(Estimate(
            name="share of sensors past the limit", value=100 * float(r.past[i] / r.known[i]), low=100 * float(low),
            high=100 * float(high), unit="%", level=level, n=int(r.known[i]),
            method=f"{r.past[i]:.0f} of {r.known[i]:.0f} sensors by {exposure.show(float(r.use[i]))}, exact binomial "
                   "(Clopper-Pearson)",
            of={**({"construction": r.construction} if r.construction else {}), "limit": r.limit}))
    return made


def dead_findings(rows: list[DeadCount], counts: dict[str, float], exposure: Exposure, *,
                  confidence: float) -> list[Finding]:
    """Say how many sensors were past each jump limit by the count, one finding a construction.

    A caution where any was.
    """
    said: dict[str, list[tuple[str, int, int, str]]] = {}
    for r in rows:
        count = counts.get(r.construction, math.nan)
        i = r.at(count) if math.isfinite(count) else len(r.use) - 1
        if i < 0 or r.known[i] <= 0:
            continue
        past, known = int(r.past[i]), int(r.known[i])
        upper = float(binomial_upper(past, known, confidence=confidence))
        by = f"by {exposure.show(float(r.use[i]))} (at most {100 * upper:.0f} % of sensors with " \
             f"{100 * confidence:g} % confidence)"
        said.setdefault(r.construction, []).append((r.limit, past, known, by))
    return [_dead_words(label_of(name), parts) for name, parts in said.items()]


def _dead_words(name: str, parts: list[tuple[str, int, int, str]]) -> Finding:
    """Put what was counted against each limit into one sentence, limits with the same count together."""
    alike: dict[tuple[int, int, str], list[str]] = {}
    for limit, past, known, by in parts:
        what = ("had failed" if limit == FAILED else
                f"{'was' if past == 1 else 'were'} past {limit}")
        alike.setdefault((past, known, by), []).append(what)
    texts = [f"{past} of {known} sensors {whats[0]} {by}" + "".join(f", and as many {w}" for w in whats[1:])
             for (past, known, by), whats in alike.items()]
    worn = any(past > 0 for _, past, _, _ in parts)
    return Finding(
        severity="warning" if worn else "note", code="sensors-past-a-jump-limit", question=QUESTION,
        message=f"{name}: {'; '.join(texts)}; this stands beside the count, not inside it",
        mend="Look at these sensors before every use." if worn else "")
