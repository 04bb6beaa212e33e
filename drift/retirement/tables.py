"""The tables of the retirement result."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossing import BatchSummary, LineSummary, summarise_batches, summarise_lines, whole
from drift.errors import MINUS
from drift.results import ResultTable
from drift.retirement.bound import line_path, split_shares
from drift.retirement.evaluate import ConstructionAnswer, LimitAnswer
from drift.retirement.groups import Exposure, Group

Floats = NDArray[np.float64]
ALL = "all limits"
WITHOUT_EARLY = "without the early change"


def _table(name: str, rows: list[dict[str, Any]], columns: tuple[str, ...], units: dict[str, str],
           caption: str) -> ResultTable:
    def values(key: str) -> NDArray[Any]:
        cells = [r[key] for r in rows]
        return (np.array(cells, dtype=object) if any(isinstance(c, str) for c in cells)
                else np.array(cells, dtype=np.float64))

    return ResultTable.build(name, {c: values(c) for c in columns}, units=units, caption=caption)


def counts_table(answers: list[ConstructionAnswer], exposure: Exposure, level: float) -> ResultTable:
    """Table "retire-after counts": one row a limit and one over all limits, per construction."""
    rows = []
    for a in answers:
        m = len(a.limits)
        each = split_shares(a.content, a.confidence, m)
        groups = [x.group for x in a.limits]
        rows.append(_count_row(a.construction, ALL, a.count, a.bound, None, (math.nan,) * 3, a.cap,
                               a.content, a.confidence, min(g.n for g in groups), min(_batches(g) for g in groups),
                               _holds_for(groups),
                               a.binding.group.limit.key if a.binding else "refused", a.step))
        for x, share in zip(a.limits, a.shares, strict=True):
            rows.append(_count_row(a.construction, x.group.limit.key, x.count, x.bound, x, share, a.cap, each[0],
                                   each[1], x.group.n, _batches(x.group),
                                   _holds_for([x.group]),
                                   x.decided_by or "refused", a.step))
    columns = tuple(rows[0]) if rows else ("construction",)
    per = exposure.unit
    in_uses = ("retire after", "line bound", "skew companion", WITHOUT_EARLY, "longest count that can be stated",
               "average sensor crosses", "average crosses, low", "average crosses, high")
    return _table("retire-after counts", rows, columns, dict.fromkeys(in_uses, per), _counts_caption(answers, level))


def _counts_caption(answers: list[ConstructionAnswer], level: float) -> str:
    if not answers:
        return "No limit is declared."
    a = answers[0]
    early = (" Against a limit on the change from fresh both start from the early change of the mean sensor."
             if any(x.group.early > 0 for a in answers for x in a.limits) else "")
    return (f"Largest count at which, with {100 * a.confidence:g} % confidence, at least {100 * a.content:g} % of such "
            "sensors are still within every limit: the smaller of the tolerance bound of the sensors' lines and its "
            f"skew companion, each rounded down.{early} The count at which the average sensor crosses is not a policy: "
            f"half of the sensors are past the limit there. Two-sided intervals at {100 * level:g} %.")


def _holds_for(groups: list[Group]) -> str:
    if any(g.batch is None for g in groups):
        return "batches not known"
    return "new batch" if all(g.two_level for g in groups) else "these batches"


def _batches(g: Group) -> float:
    return float(len(g.batch_names)) if g.batch is not None else math.nan


def _count_row(construction: str, limit: str, count: float, bound: str, x: LimitAnswer | None,
               share: tuple[float, ...], cap: float, content: float, confidence: float, n: int, batches: float,
               holds_for: str, decided: str, step: float) -> dict[str, Any]:
    nan = math.nan
    finite = [v if x is not None and math.isfinite(v) else nan
              for v in ((x.line, x.companion) if x is not None else (nan, nan))]
    return {"construction": construction, "limit": limit, "retire after": count, "bound": bound or "refused",
            "line bound": finite[0], "skew companion": finite[1],
            WITHOUT_EARLY: x.without_early if x is not None else nan, "decided by": decided, "sensors": float(n),
            "batches": batches, "holds for": holds_for, "content": content, "confidence": confidence,
            "longest count that can be stated": float(whole(cap, step)),
            "average sensor crosses": x.mean_crossing if x else nan,
            "average crosses, low": x.mean_low if x else nan, "average crosses, high": x.mean_high if x else nan,
            "share beyond at the count": share[0], "share beyond, low": share[1], "share beyond, high": share[2]}


def path_table(answers: list[ConstructionAnswer], exposure: Exposure) -> ResultTable:
    """Table "bound path": mean line, tolerance bound and limit on the analysis scale, for the figure."""
    parts: list[dict[str, Any]] = []
    for a in answers:
        each = split_shares(a.content, a.confidence, len(a.limits))
        for x in a.limits:
            if x.refused:
                continue
            g = x.group
            at = np.unique(np.concatenate([np.linspace(0.0, a.cap, 61), [a.count] if math.isfinite(a.count) else []]))
            if g.sparse is not None:
                bound = g.sparse.path(at, content=each[0], confidence=each[1])
                s: LineSummary | BatchSummary = g.sparse.mean_lines()
            else:
                bound = line_path(g.intercept, g.slope, at, content=each[0], confidence=each[1],
                                  batch=g.batch if g.two_level else None)
                s = (summarise_batches(g.intercept, g.slope, g.batch) if g.two_level and g.batch is not None
                     else summarise_lines(g.intercept, g.slope))
            mean = np.asarray(s.mean0 + s.mean1 * at)
            limit = np.full(len(at), g.limit.threshold())
            for u, v, w, z in zip(at, g.limit.shown(bound), g.limit.shown(limit), g.limit.shown(mean), strict=True):
                parts.append({"construction": a.construction, "limit": g.limit.key, "use": float(u), "bound": float(v),
                              "limit_value": float(w), "mean": float(z)})
    return _table("bound path", parts, ("construction", "limit", "use", "bound", "limit_value", "mean"),
                  {"use": exposure.unit},
                  "Mean line and tolerance bound against the limit, on the scale of the analysis: log of the ratio to "
                  "fresh for a fall of sensitivity, log of the saturation pressure, reading or its log.")


def crossings_table(answers: list[ConstructionAnswer], exposure: Exposure) -> ResultTable:
    """Table "own crossing counts": where each sensor's own line meets the limit."""
    rows = []
    for a in answers:
        for x in a.limits:
            for s, t, last in zip(x.group.sensor, x.crossings, x.group.last, strict=True):
                rows.append({"construction": a.construction, "limit": x.group.limit.key, "sensor": str(s),
                             "crosses at": float(t) if math.isfinite(t) else math.nan, "last check": float(last),
                             "extrapolated": "does not wear towards the limit" if not math.isfinite(t)
                             else "yes" if t > last else "no"})
    return _table("own crossing counts", rows, ("construction", "limit", "sensor", "crosses at", "last check",
                                                "extrapolated"),
                  {"crosses at": exposure.unit, "last check": exposure.unit},
                  "Use at which each sensor's own line reaches the limit; beyond its last check an extrapolation.")


def shares_table(answers: list[ConstructionAnswer], exposure: Exposure) -> ResultTable:
    """Table "sensitivity to content and confidence"."""
    rows = [{"construction": a.construction, "limit": key or ALL, "content": p, "confidence": c, "retire after": n,
             "bound": b, "declared": "yes" if p == a.content and c == a.confidence else ""}
            for a in answers for key, p, c, n, b in a.by_shares]
    return _table("sensitivity to content and confidence", rows,
                  ("construction", "limit", "content", "confidence", "retire after", "bound", "declared"),
                  {"retire after": exposure.unit},
                  "How the count changes with the share of sensors that must be within the limits and the confidence.")


def limit_table(answers: list[ConstructionAnswer], exposure: Exposure) -> ResultTable:
    """Table "sensitivity to limit"."""
    rows = [{"construction": a.construction, "limit": key or ALL,
             "change": "as set" if f == 1 else f"{100 * (f - 1):+.0f} %".replace("-", MINUS),
             "limit value": v, "retire after": n, "bound": b} for a in answers for key, f, v, n, b in a.by_limit]
    return _table("sensitivity to limit", rows, ("construction", "limit", "change", "limit value", "retire after",
                                                 "bound"), {"retire after": exposure.unit},
                  "How the count changes when the declared limits are 10 % smaller or larger.")


def removal_table(answers: list[ConstructionAnswer], exposure: Exposure) -> ResultTable:
    """Table "sensitivity to removal": sensors removed by judgement taken to wear faster than their checks show."""
    rows = [{"construction": a.construction, "limit": key or ALL, "slopes of removed sensors times": f,
             "removed by judgement": float(len({s for x in a.limits for s in x.group.judged})), "retire after": n,
             "bound": b} for a in answers for key, f, n, b in a.by_removal
            if key == "" or len(a.limits) > 1]  # one limit is all limits
    return _table("sensitivity to removal", rows, ("construction", "limit", "slopes of removed sensors times",
                                                   "removed by judgement", "retire after", "bound"),
                  {"retire after": exposure.unit},
                  "How the count changes if sensors removed while their last check was within every limit were wearing "
                  "faster than their checks show.")


def left_out_table(answers: list[ConstructionAnswer], exposure: Exposure) -> ResultTable:
    """Table "leave one sensor out"."""
    rows = [{"construction": a.construction, "limit": key or ALL, "left out": s, "retire after": n}
            for a in answers for s, key, n in a.left_out_one]
    return _table("leave one sensor out", rows, ("construction", "limit", "left out", "retire after"),
                  {"retire after": exposure.unit}, "The count with each sensor left out in turn.")


def batches_table(answers: list[ConstructionAnswer], exposure: Exposure) -> ResultTable:
    """Table "batches": what the batches of each construction look like against each limit."""
    rows = []
    for a in answers:
        each = split_shares(a.content, a.confidence, len(a.limits))
        for x in a.limits:
            g = x.group
            if g.batch is None or x.refused:
                continue
            ignored = g.counts(content=each[0], confidence=each[1], cap=a.cap, step=a.step, ignore_batches=True)
            for code, name in enumerate(g.batch_names):
                mine = g.batch == code
                rows.append({"construction": a.construction, "limit": g.limit.key, "batch": name,
                             "sensors": float(mine.sum()), "mean slope": float(g.limit.sign * g.slope[mine].mean()),
                             "retire after": x.count, "with batches ignored": max(float(ignored.count), 0.0)})
    return _table("batches", rows, ("construction", "limit", "batch", "sensors", "mean slope", "retire after",
                                    "with batches ignored"),
                  {"mean slope": f"per {'use' if exposure.is_use else exposure.unit}", "retire after": exposure.unit,
                   "with batches ignored": exposure.unit},
                  "Mean slope of each batch on the analysis scale. The count with batches ignored is shown for "
                  "comparison only: it holds for sensors of these batches.")


def normal_table(answers: list[ConstructionAnswer]) -> ResultTable:
    """Table "normal plot": standardised line values at the count against normal scores."""
    from scipy.special import ndtri

    rows = []
    for a in answers:
        for x in a.limits:
            z = standardised(x, a.count if math.isfinite(a.count) else x.count)
            if z is None:
                continue
            order = np.argsort(z, kind="stable")
            scores = ndtri((np.arange(1, len(z) + 1) - 0.375) / (len(z) + 0.25))
            for i, q in zip(order, scores, strict=True):
                rows.append({"construction": a.construction, "limit": x.group.limit.key,
                             "sensor": str(x.group.sensor[i]), "standardised value": float(z[i]),
                             "normal score": float(q)})
    return _table("normal plot", rows, ("construction", "limit", "sensor", "standardised value", "normal score"), {},
                  "Line values at the count, wear upwards, in SDs from their mean, against normal scores (Blom); a "
                  "straight line is what the bound assumes.")


def standardised(x: LimitAnswer, at: float) -> Floats | None:
    """Line values at ``at`` in SDs from their mean; None where refused or without spread."""
    if x.refused or not math.isfinite(at) or x.group.sparse is not None:  # lines through two checks scatter by design
        return None
    at = at if at > 0 else 1.0
    values = x.group.intercept + x.group.slope * at
    sd = float(values.std(ddof=1))
    # Lines that agree to rounding have no spread to plot.
    return (values - values.mean()) / sd if sd > 1e-12 * float(np.abs(values).max()) else None
