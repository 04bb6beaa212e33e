"""The ten intraclass correlations of McGraw & Wong (1996), for complete, incomplete and replicated tables."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from drift.engine.agreement_interval import MOST_LEVELS, agreement_interval
from drift.engine.fixed_levels import fixed_agreement_pivotal
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
SHORTEST = "shortest calibrated interval"
HIGHEST_LEVEL = 0.99
FIXED = "generalised pivotal interval, levels fixed"


@dataclass(frozen=True, kw_only=True)
class Coefficient:
    """One case with its default interval and, for absolute agreement over a sample of levels, two others beside it.

    ``pivotal`` is the generalised pivotal interval; ``classical`` the F/Satterthwaite interval that papers print,
    there for complete tables without replicates only.
    """

    name: str
    model: Model
    value: float
    low: float
    high: float
    method: str
    k: float
    pivotal: Interval = NO_INTERVAL
    classical: Interval = NO_INTERVAL

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
    Values of complete tables come from unbiased mean squares, so that they can be negative, of others from REML.
    ICC(1) has the exact F interval (Wald's for unequal numbers), ICC(C) the exact F interval without replicates and
    a generalised pivotal one with them. ICC(A) over a sample of levels has the shortest calibrated interval
    (:mod:`drift.engine.agreement_interval`; the pivotal one beyond 31 levels), over fixed levels a generalised pivotal
    one. Intervals of means of k are those of one reading stepped up.
    """
    pivotal = NO_INTERVAL if parts.pivots is None else agreement_pivotal(parts.pivots, level)
    values, ends, methods = _values(parts, level, pivotal)
    classical = ends["ICC(A,1)"] if SATTERTHWAITE in methods["ICC(A,1)"] else NO_INTERVAL
    agreement = _agreement(parts, level, values["ICC(A,1)"], ends["ICC(A,1)"], methods["ICC(A,1)"])
    k = float(parts.shape[1])
    one_way_k = k if parts.squares is not None or parts.replicated else parts.flat.k0
    out = []
    for name, model in ORDER:
        single = name if name.endswith("1)") else {"ICC(k)": "ICC(1)", "ICC(A,k)": "ICC(A,1)"}.get(name, "ICC(C,1)")
        size = one_way_k if model == "one-way" else k
        mean = name != single
        ends_here, method = agreement[model] if single == "ICC(A,1)" else (ends[single], methods[single])
        beside = (pivotal, classical) if "A" in name and model == "two-way random" else (NO_INTERVAL, NO_INTERVAL)
        if mean:
            ends_here, beside = _stepped(ends_here, size), (_stepped(beside[0], size), _stepped(beside[1], size))
            method += f", stepped up to the mean of {size:.4g}"
        value = values[name] if not mean or name in values else step_up(values[single], size)
        low, high = (x if math.isfinite(x) else math.nan for x in ends_here)
        value = value if math.isfinite(value) else math.nan
        out.append(Coefficient(name=name, model=model, value=value, low=low, high=high, method=method,
                               k=size if mean else 1.0, pivotal=beside[0], classical=beside[1]))
    return tuple(out)


def one_sided(parts: Components, case: Coefficient, side: Literal["low", "high"], *, level: float) -> float:
    """Return the one-sided bound of a case of :func:`coefficients`.

    Parameters
    ----------
    parts : Components
    case : Coefficient
        At ``level``.
    side : {"low", "high"}
    level : float
        Confidence that the coefficient is on the good side of the bound.

    Notes
    -----
    Intervals with equal tails give the end at 2 level - 1. The shortest calibrated interval may miss on one side only,
    so that each of its ends is a bound at the interval's own level and no tighter one is claimed.
    """
    end = 0 if side == "low" else 1
    if SHORTEST in case.method:
        return (case.low, case.high)[end]
    # With equal tails at 2 level - 1 each end alone has the level asked for.
    twin = next(c for c in coefficients(parts, level=2 * level - 1) if (c.name, c.model) == (case.name, case.model))
    return (twin.low, twin.high)[end]


def _stepped(ends: Interval, size: float) -> Interval:
    return step_up(ends[0], size), step_up(ends[1], size)


def _agreement(parts: Components, level: float, value: float, ends: Interval,
               method: str) -> dict[Model, tuple[Interval, str]]:
    """Return interval and method of ICC(A,1) for a sample of levels and for fixed ones."""
    p = parts.pivots
    if p is None:
        return {"two-way random": (ends, method), "two-way mixed": (ends, method)}
    pivotal = f"{parts.method}, {PIVOTAL}"
    sample = (agreement_interval(p, level), f"{parts.method}, {SHORTEST}")
    # Beyond 0.99 its lattice has too few points in the tails.
    if parts.shape[1] > MOST_LEVELS or level > HIGHEST_LEVEL or math.isnan(sample[0][0]):
        sample = (agreement_pivotal(p, level), pivotal)
    fixed = fixed_agreement_pivotal(p, level)
    return {"two-way random": (_around(value, sample[0]), sample[1]),
            "two-way mixed": (_around(value, fixed), f"{parts.method}, {FIXED}")}


def _around(value: float, ends: Interval) -> Interval:
    """Let an interval of a coefficient that cannot be negative reach down to a negative estimate."""
    return (min(ends[0], value), max(ends[1], value)) if math.isfinite(value) else ends


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
