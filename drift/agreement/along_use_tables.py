"""Estimates and tables of agreement along use."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from drift.agreement.along_use_limits import Exposure, Lasting
from drift.agreement.along_use_model import Along
from drift.agreement.along_use_terms import Term, how
from drift.agreement.along_use_words import crossing_words, protocol_sentence
from drift.agreement.equivalence import CONFIDENCE
from drift.engine.agreement_along_bounds import Crossing, lower_bound, mean_interval, upper_bound
from drift.errors import MINUS
from drift.results import Estimate, ResultTable

ALONG, LINES, LEFT, TERMS = "along use", "lines along use", "uses left", "interactions"
SEEN, BEYOND = 20, 4  # steps of the table within the uses seen, and beyond them
LIMITS = "MOVER and pivotal interval"
EXACT = "exact noncentral t interval"
TURNED = "interval turned round"
NONE = "; none: "  # in the method of a protocol limit, before the reason why there is none


def limit_method(along: Along) -> str:
    """Name the interval of limits along use."""
    return EXACT if along.at([along.last]).mean_squares.shape[1] == 1 else LIMITS


def use_estimates(along: Along, *, unit: str, of: Mapping[str, str], level: float,
                  multiplier: float) -> list[Estimate]:
    """Bias and limits at use 0, the median use and the present (largest) use."""
    named = [("use 0", 0.0), ("the median use", along.median), ("the present use", along.last)]
    if along.start > 0:
        named = named[1:]
    path = along.at([u for _, u in named])
    tail = 0.5 - level / 2
    low, high = mean_interval(path, level)
    half = multiplier * np.sqrt(path.variance)
    ends = {"lower": [lower_bound(path, p, multiplier=multiplier) for p in (tail, 1 - tail)],
            "upper": [upper_bound(path, p, multiplier=multiplier) for p in (tail, 1 - tail)]}
    made = []
    for i, (words, use) in enumerate(named):
        labels = {**of, "use": f"{use:g}"}
        made.append(Estimate(name=f"bias at {words}", value=float(path.mean[i]), low=float(low[i]), high=float(high[i]),
                             std_error=math.sqrt(float(path.mean_variance[i])), unit=unit, level=level, of=labels,
                             n=along.n_lines, method=how(along)))
        for side, sign in (("lower", -1.0), ("upper", 1.0)):
            made.append(Estimate(
                name=f"{side} limit at {words}", value=float(path.mean[i] + sign * half[i]), unit=unit, level=level,
                low=float(ends[side][0][i]), high=float(ends[side][1][i]), of=labels, n=along.n_lines,
                method=f"bias {MINUS if sign < 0 else '+'} {multiplier:g} SD at that use for a new target and sensor; "
                       f"{how(along).rsplit(', ', 1)[0]}, {limit_method(along)}"))
    return made


def lasting_estimates(along: Along, x: Lasting, *, exposure: Exposure, of: Mapping[str, str],
                      level: float) -> list[Estimate]:
    """Where bias and limits leave the harmless difference, and the protocol limit."""
    unit = "uses" if exposure.per == "use" else exposure.per
    made = [_crossing(name, c, x, unit=unit, of=of, level=level, n=along.n_lines) for name, c in
            (("use at which the bias leaves the harmless difference", x.bias),
             ("use at which a limit leaves the harmless difference", x.limits))]
    made.append(Estimate(
        name="protocol limit", value=x.protocol, unit=unit, level=CONFIDENCE, of=of, n=along.n_lines,
        bound=None if math.isnan(x.protocol) else "at least" if x.at_least else "exact",
        method=f"largest use up to which the outer one-sided {100 * CONFIDENCE:g} % bounds of both limits stay within "
               f"the harmless difference; {limit_method(along).removesuffix(' interval')} bounds"
               + (f"{NONE}{x.why_none}" if x.why_none else "")))
    return made


def split_method(e: Estimate) -> tuple[str, str]:
    """Return the method of a protocol limit, and why there is none (empty where there is one)."""
    method, _, why = e.method.partition(NONE)
    return method, why


def _crossing(name: str, c: Crossing, x: Lasting, *, unit: str, of: Mapping[str, str], level: float,
              n: int) -> Estimate:
    method = (f"first use at which it lies beyond {x.harmless:g}; pointwise {100 * level:g} % {TURNED}, nothing said "
              f"beyond {x.cap:g}")
    if math.isinf(c.value):
        return Estimate(name=name, value=x.most, low=c.low if math.isfinite(c.low) else math.nan, unit=unit, of=of,
                        level=level, n=n, bound="at least", method=method)
    return Estimate(name=name, value=c.value, low=c.low, high=c.high if math.isfinite(c.high) else math.nan, unit=unit,
                    level=level, of=of, n=n, method=method)


def along_table(along: Along, *, unit: str, exposure: Exposure, level: float, multiplier: float) -> ResultTable:
    """Bias, limits and their intervals at 25 uses, the last few beyond those seen."""
    step = (along.last - along.start) / SEEN
    uses = along.start + step * np.arange(SEEN + BEYOND + 1)
    path, tail = along.at(uses), 0.5 - level / 2
    low, high = mean_interval(path, level)
    half = multiplier * np.sqrt(path.variance)
    columns = {
        "use": uses, "bias": path.mean, "bias low": low, "bias high": high, "lower limit": path.mean - half,
        "lower limit low": lower_bound(path, tail, multiplier=multiplier),
        "lower limit high": lower_bound(path, 1 - tail, multiplier=multiplier), "upper limit": path.mean + half,
        "upper limit low": upper_bound(path, tail, multiplier=multiplier),
        "upper limit high": upper_bound(path, 1 - tail, multiplier=multiplier),
        "SD of differences": np.sqrt(path.variance), "SD between lines": np.sqrt(path.spread),
        "seen": ["yes" if u <= along.last * (1 + 1e-9) else "beyond" for u in uses]}
    units = {name: unit for name in columns if name not in ("use", "seen")} | {"use": exposure.per}
    return ResultTable.build(ALONG, columns, units=units, caption=(
        f"Bias and limits of agreement along use, for a new target and a new sensor, with {100 * level:g} % intervals; "
        "the last rows lie beyond the uses seen"))


def lines_table(along: Along, *, unit: str, exposure: Exposure) -> ResultTable:
    """Each sensor's own line."""
    roles, fit = along.roles, along.fit
    code = roles.lines if roles.lines is not None else np.zeros(len(along.use), dtype=np.int64)
    lines, k = fit.sensor_lines, fit.design.k
    first, last = np.full(k, np.inf), np.full(k, -np.inf)
    np.minimum.at(first, code, along.use)
    np.maximum.at(last, code, along.use)
    per = f"{unit} per {exposure.per}".strip()
    return ResultTable.build(LINES, {
        "sensor": list(roles.names) or ["all pairs"], "pairs": np.bincount(code).astype(float), "first use": first,
        "last use": last, "difference at use 0": lines[:, 0], "slope": lines[:, 1]},
        units={"first use": exposure.per, "last use": exposure.per, "difference at use 0": unit, "slope": per},
        caption="The line of each sensor along use, targets allowed for")


def left_table(x: Lasting, *, exposure: Exposure, unit: str) -> ResultTable:
    """Return the uses left: where bias and limits leave the harmless difference."""
    def plain(value: float) -> float:
        return value if math.isfinite(value) else math.nan

    rows = [("bias leaves", x.bias, crossing_words(x.bias, x, exposure)),
            ("a limit leaves", x.limits, crossing_words(x.limits, x, exposure))]
    return ResultTable.build(LEFT, {
        "what": [*(r[0] for r in rows), "protocol limit"],
        "use": [*(plain(r[1].value) for r in rows), x.protocol],
        "low": [*(plain(r[1].low) for r in rows), math.nan], "high": [*(plain(r[1].high) for r in rows), math.nan],
        "in words": [*(r[2] for r in rows), protocol_sentence(x, unit=unit, exposure=exposure).rstrip(".")]},
        units=dict.fromkeys(("use", "low", "high"), "" if exposure.per == "use" else exposure.per),
        caption=f"How long agreement within {x.harmless:g} {unit} lasts".replace("  ", " "))


def terms_table(terms: Sequence[Term], level: float) -> ResultTable:
    """Return what differences depend on, with p-values by themselves and beside each other."""
    return ResultTable.build(TERMS, {
        "term": [t.name for t in terms], "value": [t.value for t in terms], "low": [t.low for t in terms],
        "high": [t.high for t in terms], "unit": [t.unit for t in terms], "p": [t.p for t in terms],
        "p, all terms at once": [t.p_holm for t in terms], "words": [t.words for t in terms],
        "method": [t.method for t in terms]},
        caption=f"What the difference depends on, with {100 * level:g} % intervals of one term at a time; "
                "p of all terms at once after Holm (1979)")
