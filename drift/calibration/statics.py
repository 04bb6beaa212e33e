"""Static characteristics of one series, each by itself: non-linearity, hysteresis, repeatability, zero, creep."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.calibration.fitting import Fitted, mounting_factors
from drift.calibration.rows import Series
from drift.engine import static_errors as engine
from drift.engine.curve_models import slope
from drift.errors import Finding
from drift.results import Estimate

Floats = NDArray[np.float64]
NONLINEARITY, HYSTERESIS = "non-linearity, percent of span", "hysteresis, percent of span"
REPEATABILITY, REPRODUCIBILITY = "repeatability SD", "reproducibility SD over mountings, percent"
ZERO, RETURN, CREEP = "reading at zero load", "return to zero, percent of span", "creep per decade of time, percent"
LOWEST = "lowest usable load"
BONFERRONI = "simultaneous t intervals of the level means, Bonferroni"


@dataclass(frozen=True, kw_only=True)
class Component:
    """One part of the uncertainty of a pressure, for a budget.

    Parameters
    ----------
    name : str
    value : float
        Standard uncertainty.
    unit : str
        "%" of the pressure or reading, or the unit of the reading.
    kind : {"A", "B"}
    distribution : str
        "normal" or "rectangular".
    df : float
        Degrees of freedom; infinite for type B.
    note : str
        Where the number comes from.
    """

    name: str
    value: float
    unit: str
    kind: str
    distribution: str
    df: float
    note: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class Statics:
    """What was found about one series."""

    estimates: tuple[Estimate, ...]
    components: tuple[Component, ...]
    by_level: tuple[Mapping[str, object], ...]
    findings: tuple[Finding, ...]


def span_of(s: Series) -> float:
    """Return mean reading at the highest less that at the lowest exact level of the curve."""
    rows = s.exact
    x, y = s.x[rows], s.y[rows]
    level = s.level[rows]
    bottom, top = level[np.argmin(x)], level[np.argmax(x)]
    return float(y[level == top].mean() - y[level == bottom].mean())


def statics(fitted: Fitted, *, level: float, usable_at: float | None, question: str) -> Statics:
    """Estimate the static characteristics that the readings of a series allow."""
    s = fitted.series
    found: list[Estimate] = []
    parts: list[Component] = []
    span = span_of(s) if len(np.unique(s.level[s.exact])) > 1 else math.nan
    sd, df = engine.pooled_within(s.y[s.exact], s.cells[s.exact])
    found += _repeatability(s, sd, df, level, parts)
    if math.isfinite(span) and span:
        found += _nonlinearity(s, span, sd, df, level)
        found += _hysteresis(s, span, level, parts)
        found += _zero(s, span, level, parts)
    found += _mountings(s, level, parts)
    found += _creep(s, level, parts)
    findings: list[Finding] = []
    if usable_at is not None and fitted.fit is not None:
        found += _lowest(fitted, usable_at, level, question, findings)
    return Statics(estimates=tuple(found), components=tuple(parts), by_level=tuple(by_level(fitted)),
                   findings=tuple(findings))


def _means(s: Series, rows: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats]:
    """Return loads, mean readings and counts of the levels, loads rising."""
    _, code = np.unique(s.level[rows], return_inverse=True)
    n = np.bincount(code).astype(np.float64)
    x, y = np.bincount(code, weights=s.x[rows]) / n, np.bincount(code, weights=s.y[rows]) / n
    order = np.argsort(x)
    return x[order], y[order], n[order]


def _nonlinearity(s: Series, span: float, sd: float, df: float, level: float) -> list[Estimate]:
    """Return the largest deviation of level means from each named line; three levels are needed."""
    x, y, n = _means(s, s.exact)
    if len(x) < 3:
        return []
    made = []
    for line in engine.LINES:
        operator = engine.deviation_operator(line, x, n)
        error = np.sqrt((operator**2 / n).sum(axis=1)) * sd if df > 0 else np.full(len(x), np.nan)
        big = engine.largest(operator @ y, error, df, level=level)
        made.append(Estimate(name=NONLINEARITY, value=100 * big.value / abs(span), low=100 * big.low / abs(span),
                             high=100 * big.high / abs(span), level=level if math.isfinite(big.low) else math.nan,
                             unit="%", n=len(x), of={**s.of, "line": line}, method=(
                                 f"largest deviation of a level mean from the {line} line, at {x[big.at]:.4g}"
                                 f"{f' {s.reference_unit}' if s.reference_unit else ''}; "
                                 f"{BONFERRONI if math.isfinite(big.low) else 'no replicates, no interval'}")))
    return made


def hysteresis_pairs(s: Series) -> tuple[Floats, Floats, NDArray[np.int64], NDArray[np.int64]]:
    """Return load, down less up, level and mounting of every pair of readings of one level in one cycle."""
    rows = ~s.right & ~s.left
    key = [tuple(k) for k in np.column_stack([s.mounting, s.cycle, s.level]).tolist()]
    up = {k: i for i, k in reversed(list(enumerate(key))) if rows[i] and s.direction[i] == "up"}
    down = {k: i for i, k in reversed(list(enumerate(key))) if rows[i] and s.direction[i] == "down"}
    both = sorted(set(up) & set(down))
    i, j = np.array([up[k] for k in both], dtype=np.int64), np.array([down[k] for k in both], dtype=np.int64)
    return s.x[i], s.y[j] - s.y[i], s.level[i], s.mounting[i]


def _hysteresis(s: Series, span: float, level: float, parts: list[Component]) -> list[Estimate]:
    x, gap, levels, _ = hysteresis_pairs(s)
    if not len(gap):
        return []
    _, code = np.unique(levels, return_inverse=True)
    n = np.bincount(code).astype(np.float64)
    mean, load = np.bincount(code, weights=gap) / n, np.bincount(code, weights=x) / n
    sd, df = engine.pooled_within(gap, code)
    big = engine.largest(mean, sd / np.sqrt(n), df, level=level)
    one = int(np.argmax(np.abs(gap)))
    unit = f" {s.reference_unit}" if s.reference_unit else ""
    half = abs(float(mean[big.at])) / (1 if _up_alone(s) else 2)
    parts.append(Component(name="hysteresis", value=half / math.sqrt(3), unit=s.reading_unit, kind="B",
                           distribution="rectangular", df=math.inf,
                           note="half-width: the largest mean difference" + (
                               ", whole because the curve is that of loading" if _up_alone(s) else ", halved")))
    return [Estimate(name=HYSTERESIS, value=100 * big.value / abs(span), low=100 * big.low / abs(span),
                     high=100 * big.high / abs(span), level=level if math.isfinite(big.low) else math.nan, unit="%",
                     n=len(gap), of=s.of,
                     method=f"largest mean difference of unloading and loading at one level in one cycle, at "
                            f"{load[big.at]:.4g}{unit}; "
                            f"{BONFERRONI if math.isfinite(big.low) else 'one cycle, no interval'}"),
            Estimate(name="hysteresis of a single pair, percent of span", value=100 * abs(float(gap[one])) / abs(span),
                     unit="%", n=len(gap), of=s.of, method=f"largest difference of two single readings, at "
                     f"{x[one]:.4g}{unit}; a largest of {len(gap)}, it grows with their number and has no interval")]


def _up_alone(s: Series) -> bool:
    return bool(np.any(s.direction == "down") and not np.any(s.direction[s.curve] == "down"))


def _repeatability(s: Series, sd: float, df: float, level: float, parts: list[Component]) -> list[Estimate]:
    if not df > 0:
        return []
    low, high = engine.sd_interval(sd, df, level)
    parts.append(Component(name="repeatability", value=sd, unit=s.reading_unit, kind="A", distribution="normal", df=df,
                           note="one reading; divide by the root of the readings averaged"))
    return [Estimate(name=REPEATABILITY, value=sd, low=low, high=high, level=level, unit=s.reading_unit, n=int(df),
                     of=s.of, method="SD of readings of one level, direction and mounting, pooled by degrees of "
                                     f"freedom ({df:g}); chi-square interval")]


def _mountings(s: Series, level: float, parts: list[Component]) -> list[Estimate]:
    factor = mounting_factors(s)
    m = len(factor)
    if m < 2 or np.all(factor == 1):
        return []
    sd = 100 * float(np.std(np.log(factor), ddof=1))
    low, high = engine.sd_interval(sd, m - 1, level)
    parts.append(Component(name="mounting", value=sd, unit="%", kind="A", distribution="normal", df=float(m - 1),
                           note="SD of the mountings' sensitivities"))
    return [Estimate(name=REPRODUCIBILITY, value=sd, low=low, high=high, level=level, unit="%", n=m, of=s.of,
                     method=f"SD of the logs of the sensitivities of {m} mountings; chi-square interval")]


def _zero(s: Series, span: float, level: float, parts: list[Component]) -> list[Estimate]:
    """Return the reading without load before loading, and by how much it fails to come back."""
    empty = (s.x == 0) & ~s.left
    before = empty & (s.direction != "down")
    made = []
    if before.any():
        value, se, low, high, _ = engine.mean_interval(s.y[before], level)
        made.append(Estimate(name=ZERO, value=value, std_error=se, low=low, high=high, unit=s.reading_unit,
                             level=level if math.isfinite(low) else math.nan, n=int(before.sum()), of=s.of,
                             method="mean reading at zero load before loading; t interval"))
    gaps = []
    for key in sorted({(int(a), int(b)) for a, b in zip(s.mounting, s.cycle, strict=True)}):
        here = empty & (s.mounting == key[0]) & (s.cycle == key[1])
        up, down = here & (s.direction == "up"), here & (s.direction == "down")
        if up.any() and down.any():
            gaps.append(float(s.y[down][-1] - s.y[up][0]))
    if gaps:
        value, se, low, high, _ = engine.mean_interval(100 * np.array(gaps) / span, level)
        parts.append(Component(name="zero", value=abs(value) * abs(span) / 100 / math.sqrt(3), unit=s.reading_unit,
                               kind="B", distribution="rectangular", df=math.inf, note="half-width: return to zero"))
        made.append(Estimate(name=RETURN, value=value, std_error=se, low=low, high=high, unit="%", n=len(gaps), of=s.of,
                             level=level if math.isfinite(low) else math.nan,
                             method="reading at zero load after a cycle less that before it; t interval over cycles"))
    return made


def creep_series(s: Series) -> list[tuple[float, float]]:
    """Return load and creep per decade of every load that was held and read at two times or more."""
    if not np.isfinite(s.hold).any():
        return []
    keys = np.column_stack([s.mounting, s.cycle, s.level, (s.direction == "down").astype(np.int64)])
    made = []
    for key in np.unique(keys, axis=0):
        rows = np.all(keys == key, axis=1) & ~s.right & ~s.left & (s.x > 0)
        k = engine.creep_of(s.y[rows], s.hold[rows]) if rows.sum() > 1 else math.nan
        if math.isfinite(k):
            made.append((float(s.x[rows].mean()), k))
    return made


def _creep(s: Series, level: float, parts: list[Component]) -> list[Estimate]:
    series = creep_series(s)
    if not series:
        return []
    value, se, low, high, _ = engine.mean_interval(100 * np.array([k for _, k in series]), level)
    parts.append(Component(name="creep", value=abs(value) / math.sqrt(3), unit="%", kind="B",
                           distribution="rectangular", df=math.inf,
                           note="half-width: one decade of time between calibration and use"))
    return [Estimate(name=CREEP, value=value, std_error=se, low=low, high=high, unit="%", n=len(series), of=s.of,
                     level=level if math.isfinite(low) else math.nan,
                     method=f"slope on log10 of time over the first reading, mean of {len(series)} holds; t interval")]


def _lowest(fitted: Fitted, q: float, level: float, question: str, findings: list[Finding]) -> list[Estimate]:
    """Return the lowest load from which on 2.4 residual SDs, as a load, stay below a share of it."""
    fit, s = fitted.fit, fitted.series
    assert fit is not None
    if fit.model == "power of logs" or not fit.df >= 1:
        return []
    low, high = engine.sd_interval(fit.sigma, fit.df, level)
    found = [_first_usable(fitted, sd, q) for sd in (fit.sigma, low, high)]
    if not math.isfinite(found[0]):
        findings.append(Finding(
            severity="warning", code="nowhere-usable", question=question,
            message=f"{f'{s.label}: ' if s.label else ''}no load of the calibrated range has a relative uncertainty "
                    f"of {100 * q:g} %: 2.4 residual SDs are more than that throughout",
            mend="Ask for a larger share with --usable-at, or average more readings"))
    untested = found[0] < fit.low
    if untested:
        findings.append(Finding(
            severity="warning", code="usable-below-levels", question=question,
            message=f"{f'{s.label}: ' if s.label else ''}the lowest usable load, {found[0]:.3g}, lies below the lowest "
                    f"calibrated level, {fit.low:.4g}: down there the curve and its scatter are an extrapolation",
            mend=f"Count loads from {fit.low:.4g} on as usable, or calibrate at lower loads"))
    return [Estimate(name=LOWEST, value=found[0], low=found[1] if math.isfinite(found[0]) else math.nan,
                     high=found[2] if math.isfinite(found[0]) else math.nan,
                     level=level if math.isfinite(found[0]) else math.nan, unit=s.reference_unit, n=fit.n, of=s.of,
                     method=f"lowest load above which 2.4 residual SDs, as a load, are at most {100 * q:g} % of it"
                            f"{f', below the lowest level of {fit.low:.4g}: an extrapolation' if untested else ''}; "
                            "ends from the chi-square interval of the SD")]


def _first_usable(fitted: Fitted, sd: float, q: float) -> float:
    fit = fitted.fit
    assert fit is not None
    x = np.linspace(fit.high / 20000, fit.high, 20000)
    steep = np.abs(slope(fit.model, np.asarray(fit.coefficients), x))
    with np.errstate(divide="ignore", invalid="ignore"):
        fine = 2.4 * sd / fit.sigma * np.sqrt(fit.own_variance(x)) / steep <= q * x
    bad = np.flatnonzero(~fine)
    if not len(bad):
        return 0.0 if fit.spread.theta else float(x[0])
    return float(x[bad[-1] + 1]) if bad[-1] + 1 < len(x) else math.nan


def by_level(fitted: Fitted) -> list[Mapping[str, object]]:
    """Return the relative errors of every level in percent, series by series (in the manner of ISO 376)."""
    s, curve = fitted.series, fitted.curve
    _, gaps, gap_level, _ = hysteresis_pairs(s)
    made: list[Mapping[str, object]] = []
    for code in sorted(np.unique(s.level), key=lambda c: float(s.x[s.level == c].mean())):
        rows = s.exact & (s.level == code)
        if not rows.any():
            continue
        y, mounting = s.y[rows], s.mounting[rows]
        mean = float(y.mean())
        load = float(s.x[rows].mean())
        each = [float(y[mounting == m].mean()) for m in np.unique(mounting)]
        repeat = [float(np.ptp(y[mounting == m])) for m in np.unique(mounting) if (mounting == m).sum() > 1]
        here = gaps[gap_level == code]
        of = 100 / mean if mean > 0 and load > 0 else math.nan
        made.append({**{k: s.of.get(k, "") for k in ("sensor", "use", "cal_id")}, "load": load, "readings": len(y),
                     "mean reading": mean, "reproducibility": of * (max(each) - min(each)) if len(each) > 1 else
                     math.nan, "repeatability": of * max(repeat) if repeat else math.nan,
                     "interpolation": of * (mean - float(curve.reading(load)[0])) if curve is not None else math.nan,
                     "reversibility": of * float(np.abs(here).mean()) if len(here) else math.nan})
    return made
