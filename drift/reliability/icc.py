"""The ten intraclass correlations of McGraw & Wong (1996), for complete, incomplete and replicated tables."""

from __future__ import annotations

import math
from dataclasses import dataclass

from drift.engine.meansquares import (
    Interval,
    classical_intervals,
    f_interval,
    icc_points,
    step_up,
    wald_interval,
)
from drift.engine.pivotal import agreement_pivotal, consistency_pivotal
from drift.reliability.components import NO_INTERVAL, Components
from drift.reliability.words import ORDER, Model, sentence, shrout_fleiss

EXACT_F = "exact F interval"
SATTERTHWAITE = "F/Satterthwaite interval"
PIVOTAL = "generalised pivotal interval"


@dataclass(frozen=True, kw_only=True)
class Coefficient:
    """One case with its default interval and, for absolute agreement, the pivotal one beside it."""

    name: str
    model: Model
    value: float
    low: float
    high: float
    method: str
    k: float
    pivotal: Interval = NO_INTERVAL

    @property
    def shrout_fleiss(self) -> str:
        """Name of Shrout & Fleiss (1979)."""
        return shrout_fleiss(self.name, self.model)

    @property
    def sentence(self) -> str:
        """The case in words."""
        return sentence(self.name, self.model)


def coefficients(parts: Components, *, level: float) -> tuple[Coefficient, ...]:
    """Return all ten cases.

    Parameters
    ----------
    parts : Components
    level : float
        Confidence level, two-sided.

    Notes
    -----
    Complete tables: values from unbiased mean squares, so that they can be negative; ICC(1) and ICC(C) with
    the exact F interval, ICC(A) with the F/Satterthwaite interval that papers print. With equal replicates
    ICC(C) and ICC(A) have generalised pivotal intervals. Otherwise REML: ICC(C) has an exact F interval
    without replicates, ICC(A) a generalised pivotal one; ICC(1) is the unequal-numbers analysis of variance
    (Ebel 1951) with Wald's exact interval. Intervals of means of k are those of one reading stepped up.
    """
    pivotal = NO_INTERVAL if parts.pivots is None else agreement_pivotal(parts.pivots, level)
    values, ends, methods = _values(parts, level, pivotal)
    k = float(parts.shape[1])
    one_way_k = k if parts.squares is not None or parts.replicated else parts.flat.k0
    out = []
    for name, model in ORDER:
        single = name if name.endswith("1)") else {"ICC(k)": "ICC(1)", "ICC(A,k)": "ICC(A,1)"}.get(name, "ICC(C,1)")
        size = one_way_k if model == "one-way" else k
        mean = name != single
        low, high = ends[single]
        beside = pivotal if "A" in name and model == "two-way random" else NO_INTERVAL
        if mean:
            low, high, beside = step_up(low, size), step_up(high, size), (step_up(beside[0], size),
                                                                         step_up(beside[1], size))
        value = values[name] if not mean or name in values else step_up(values[single], size)
        low, high = (x if math.isfinite(x) else math.nan for x in (low, high))
        value = value if math.isfinite(value) else math.nan
        method = methods[single] + (f", stepped up to the mean of {size:.4g}" if mean else "")
        out.append(Coefficient(name=name, model=model, value=value, low=low, high=high, method=method,
                               k=size if mean else 1.0, pivotal=beside))
    return tuple(out)


def _values(parts: Components, level: float,
            pivotal: Interval) -> tuple[dict[str, float], dict[str, Interval], dict[str, str]]:
    if parts.squares is None:
        return _incomplete(parts, level, pivotal)
    squares = parts.squares
    values = icc_points(squares)
    if squares.m == 1:
        return values, classical_intervals(squares, level), {
            "ICC(1)": f"ANOVA, {EXACT_F}", "ICC(C,1)": f"ANOVA, {EXACT_F}", "ICC(A,1)": f"ANOVA, {SATTERTHWAITE}"}
    flat = squares.one_way
    ends = {"ICC(1)": f_interval(flat.f_ratio, flat.df_between, flat.df_within, squares.k * squares.m, level),
            "ICC(C,1)": NO_INTERVAL, "ICC(A,1)": pivotal}
    methods = dict.fromkeys(("ICC(C,1)", "ICC(A,1)"), f"ANOVA with replicates, {PIVOTAL}")
    methods["ICC(1)"] = f"one-way ANOVA of all readings, facet ignored, {EXACT_F}"
    if parts.pivots is not None:
        ends["ICC(C,1)"] = consistency_pivotal(parts.pivots, level)
    return values, ends, methods


def _incomplete(parts: Components, level: float,
                pivotal: Interval) -> tuple[dict[str, float], dict[str, Interval], dict[str, str]]:
    v, flat, k = parts.variances, parts.flat, parts.shape[1]
    noise = v["interaction"] + v["residual"]
    between = (flat.ms_between - flat.ms_within) / flat.k0
    values = {"ICC(1)": _share(between, flat.ms_within),
              "ICC(C,1)": _share(v["target"], noise), "ICC(C,k)": _share(v["target"], noise / k),
              "ICC(A,1)": _share(v["target"], v["facet"] + noise),
              "ICC(A,k)": _share(v["target"], (v["facet"] + noise) / k)}
    ends = {"ICC(1)": wald_interval(flat, level), "ICC(C,1)": NO_INTERVAL, "ICC(A,1)": pivotal}
    if parts.pivots is not None:
        ends["ICC(C,1)"] = consistency_pivotal(parts.pivots, level)
        low, high = ends["ICC(C,1)"]
        ends["ICC(C,1)"] = (max(low, 0.0), max(high, 0.0))  # a REML variance is not negative
    return values, ends, {
        "ICC(1)": "one-way ANOVA, unequal numbers, exact F interval (Wald)",
        "ICC(C,1)": f"REML, {PIVOTAL if parts.replicated else EXACT_F}", "ICC(A,1)": f"REML, {PIVOTAL}"}


def _share(top: float, rest: float) -> float:
    return top / (top + rest) if top + rest > 1e-12 * max(abs(top), abs(rest)) else math.nan
