"""Random studies: raw readings, everything a paper could print of them, rounded as papers round.

Points come from the house's own engine; what the engine does not print is worked out from the raw readings by the
definition, never from other printed numbers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import ROUND_DOWN, ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from typing import Any

import numpy as np
from scipy import special

from drift.engine.age_replacement import weibull_age_optimum
from drift.engine.concordance import concordance, correlation_interval
from drift.engine.gauge import crossed_squares, sizes
from drift.engine.interlaboratory import precision
from drift.engine.limits_of_agreement import limits, mean_interval, one_stratum, total_deviation_index
from drift.engine.meansquares import chi_square_sd, classical_intervals, icc_points, two_way
from drift.reported.vocabulary import quantities

RULES = {"half-up": ROUND_HALF_UP, "half-even": ROUND_HALF_EVEN, "truncation": ROUND_DOWN}
LEVELS = (0.90, 0.95, 0.99)


@dataclass
class Truth:
    """What a study gives, before it is printed."""

    values: dict[str, float] = field(default_factory=dict)
    intervals: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    lists: dict[str, list[float]] = field(default_factory=dict)
    counts: dict[str, int] = field(default_factory=dict)
    conventions: dict[str, dict[str, str]] = field(default_factory=dict)


Study = Callable[[np.random.Generator], Truth | None]


def noise(rng: np.random.Generator, shape: tuple[int, ...]) -> Any:
    """Return readings of several kinds of distribution, mean 0, about unit spread."""
    kind = rng.integers(5)
    if kind == 0:
        return rng.standard_t(3, shape)
    if kind == 1:
        return rng.gamma(1.5, 1.0, shape) - 1.5
    if kind == 2:
        return rng.integers(-2, 3, shape).astype(float)
    return rng.normal(size=shape)


def readings(rng: np.random.Generator, n: int, k: int) -> Any:
    """Return a complete table of units by raters, from no reliability at all to nearly all."""
    unit = 10 ** rng.uniform(-2, 1.5) * noise(rng, (n, 1)) * (rng.random() > 0.08)
    rater = 10 ** rng.uniform(-2, 0.7) * noise(rng, (1, k)) * (rng.random() > 0.2)
    scale = 10 ** rng.uniform(-2, 3)
    table = scale * (unit + rater + noise(rng, (n, k)) + rng.choice([0.0, 5.0, 40.0]))
    return np.round(table, int(rng.integers(0, 4))) if rng.random() < 0.3 and scale > 1 else table


def reliability(rng: np.random.Generator) -> Truth | None:
    """Six coefficients, mean squares, components, SEM and MDC of a complete table."""
    n, k = int(rng.integers(3, 41)), int(rng.integers(2, 7))
    table = readings(rng, n, k)
    squares = two_way(table)
    flat = squares.one_way
    if min(squares.ms_residual, flat.ms_within, squares.ms_target, squares.ms_facet) <= 1e-9 * np.var(table):
        return None
    points = icc_points(squares)
    if not all(math.isfinite(x) for x in points.values()) or points["ICC(C,1)"] < -0.999 / (k - 1):
        return None
    level = float(rng.choice(LEVELS))
    made = Truth(counts={"n": n, "k": k})
    names = {"ICC(1)": "icc_1", "ICC(k)": "icc_k", "ICC(C,1)": "icc_c1", "ICC(C,k)": "icc_ck", "ICC(A,1)": "icc_a1",
             "ICC(A,k)": "icc_ak"}
    ends = classical_intervals(squares, level)
    for name, symbol in names.items():
        made.values[symbol] = points[name]
        if all(math.isfinite(x) for x in ends[name]):
            made.intervals[symbol] = (*ends[name], level)
            made.conventions[symbol] = {"method": "F"}
    part = squares.components()
    raw = {"var_units": part["target"], "var_raters": part["facet"], "var_error": part["residual"]}
    cut = rng.random() < 0.5
    shown = {x: max(v, 0.0) for x, v in raw.items()} if cut else raw
    whole = sum(shown.values())
    made.values |= shown
    if whole > 0 and max(abs(v) for v in shown.values()) < 1.5 * whole:
        made.values |= {f"share_{x.removeprefix('var_')}": v / whole for x, v in shown.items()}
    mse, msj = squares.ms_residual, squares.ms_facet
    raters = shown["var_raters"]
    dfs = {"units": n - 1, "raters": k - 1, "error": (n - 1) * (k - 1), "within": n * (k - 1)}
    for x, ms in (("units", squares.ms_target), ("raters", msj), ("error", mse), ("within", flat.ms_within)):
        made.values |= {f"ms_{x}": ms, f"ss_{x}": ms * dfs[x]}
        made.counts[f"df_{x}"] = dfs[x]
    made.counts["df_total"] = n * k - 1
    made.values["ss_total"] = float(np.sum((table - table.mean()) ** 2))
    f_two, f_raters = squares.ms_target / mse, msj / mse
    made.values |= {"f_raters": f_raters, "p_raters": float(special.fdtrc(k - 1, dfs["error"], f_raters))}
    if rng.random() < 0.5:
        made.values |= {"f_two": f_two, "p_f": float(special.fdtrc(n - 1, dfs["error"], f_two))}
    else:
        made.values |= {"f_one": flat.f_ratio, "p_f": float(special.fdtrc(n - 1, dfs["within"], flat.f_ratio))}
    made.values |= {"sem_c": math.sqrt(mse), "sem_1": math.sqrt(flat.ms_within), "sd_all": float(table.std(ddof=1)),
                    "sd_columns": math.sqrt(float(table.var(axis=0, ddof=1).mean())), "alpha": points["ICC(C,k)"]}
    if raters + mse > 0:
        made.values["sem_a"] = math.sqrt(raters + mse)
    if shown["var_units"] > 0:
        made.values["sd_true"] = math.sqrt(shown["var_units"])
    sem = chi_square_sd(mse, dfs["error"], level)
    made.intervals["sem_c"] = (*sem, level)
    made.conventions["sem_c"] = {"method": "chi-square"}
    factor, word = [(float(special.ndtri(0.5 + level / 2)), "1.96"),
                    (float(special.stdtrit(dfs["error"], 0.5 + level / 2)), "t")][int(rng.integers(2))]
    for x in ("c", "a"):
        if f"sem_{x}" in made.values:
            made.values[f"mdc_{x}"] = factor * math.sqrt(2) * made.values[f"sem_{x}"]
            made.conventions[f"mdc_{x}"] = {"factor": word, "level": str(level)}
    if k == 2 and rng.random() < 0.5:
        made.values["sd_diff"] = float(np.std(table[:, 0] - table[:, 1], ddof=1))
    return made


def two_methods(rng: np.random.Generator) -> Truth | None:
    """Bias, limits, correlation and concordance of pairs."""
    n = int(rng.integers(4, 80))
    table = readings(rng, n, 2)
    a, b = table[:, 0], table[:, 1] * (rng.uniform(0.5, 1.5) if rng.random() < 0.3 else 1.0)
    d, mean = a - b, (a + b) / 2
    if min(np.ptp(a), np.ptp(b), np.ptp(d), np.ptp(mean)) <= 1e-9 * np.abs(table).max():
        return None
    squares = two_way(np.column_stack([a, b]))
    points, c = icc_points(squares), concordance(a, b, ddof=1)
    if not abs(c.precision) < 0.99999 or not all(math.isfinite(x) for x in points.values()):
        return None
    level = float(rng.choice(LEVELS))
    made = Truth(counts={"n": n, "k": 2})
    strata = one_stratum(d)
    factor, multiplier = [("1.96", 1.959963984540054), ("2", 2.0)][int(rng.integers(2))]
    low, high = limits(strata, multiplier=multiplier)
    made.values |= {"mean_1": float(a.mean()), "mean_2": float(b.mean()), "sd_1": float(a.std(ddof=1)),
                    "sd_2": float(b.std(ddof=1)), "bias": strata.mean, "sd_diff": strata.sd, "loa_low": low,
                    "loa_high": high, "r": c.precision, "diff_min": float(d.min()), "diff_max": float(d.max()),
                    "se_bias": strata.sd / math.sqrt(n), "se_1": float(a.std(ddof=1)) / math.sqrt(n),
                    "icc_c1": points["ICC(C,1)"], "icc_a1": points["ICC(A,1)"], "scale_shift": c.scale_shift,
                    "location_shift": c.location_shift, "c_b": c.accuracy, "ccc": c.value}
    for x in ("loa_low", "loa_high", "sd_diff"):
        made.conventions[x] = {"factor": factor, "divisor": "n-1"}
    made.conventions["loa_low"]["level"] = "0.95"
    for x in ("ccc", "location_shift"):
        made.conventions[x] = {"divisor": "n-1"}
    made.intervals["bias"] = (*mean_interval(strata, level), level)
    made.conventions["bias"] = {"method": "t"}
    made.intervals["r"] = (*correlation_interval(c.precision, n, level), level)
    made.conventions["r"] = {"method": "Fisher z"}
    t, t_r = strata.mean * math.sqrt(n) / strata.sd, c.precision * math.sqrt((n - 2) / (1 - c.precision ** 2))
    made.values |= {"t_bias": t, "p_bias": float(2 * special.stdtr(n - 1, -abs(t))), "t_r": t_r,
                    "p_r": float(2 * special.stdtr(n - 2, -abs(t_r)))}
    fit = np.polyfit(mean - mean.mean(), d, 1)
    made.values |= {"slope_mean": float(fit[0]), "r_mean": float(np.corrcoef(mean, d)[0, 1])}
    made.conventions["p_r"] = {"method": "t"}
    outside = int(np.sum((d < low) | (d > high)))
    made.counts["outside"] = outside
    made.values["outside_share"] = outside / n
    content = 0.9
    made.values |= {"tdi": total_deviation_index(strata.mean, strata.sd, content), "tdi_share": content}
    made.conventions["tdi"] = {"method": "exact", "divisor": "n-1"}
    if a.min() > 0 and b.min() > 0:
        ratios = one_stratum(np.log(a) - np.log(b))
        if 1e-6 < ratios.sd < 1.5 and abs(ratios.mean) < 2:
            ends = limits(ratios)
            made.values |= {"log_bias": ratios.mean, "log_low": ends[0], "log_high": ends[1],
                            "ratio": math.exp(ratios.mean), "ratio_low": math.exp(ends[0]),
                            "ratio_high": math.exp(ends[1])}
    return made


def gauge(rng: np.random.Generator) -> Truth | None:
    """Gauge study: EV, AV, INT, GRR, PV, TV and their shares."""
    p, o, m = int(rng.integers(5, 13)), int(rng.integers(2, 5)), int(rng.integers(2, 4))
    part, op = np.meshgrid(np.arange(p), np.arange(o), indexing="ij")
    scale = 10 ** rng.uniform(-2, 2)
    y = scale * (3 * rng.normal(size=(p, 1, 1)) + 0.6 * rng.normal(size=(1, o, 1)) + 0.5 * rng.normal(size=(p, o, m)))
    codes = [np.repeat(x.reshape(-1), m) for x in (part, op)]
    with_interaction = bool(rng.random() < 0.5)
    squares = crossed_squares(y.reshape(-1), *codes, interaction=with_interaction)
    variances = {name: max(float(w @ squares.ms), 0.0) for name, w in squares.weights.items()}
    found = {x: math.sqrt(s.variance) for x, s in sizes(squares, variances, 0.95, shares=False).items()}
    names = {"EV": "ev", "AV": "av", "INT": "interaction", "GRR": "grr", "PV": "pv", "TV": "tv"}
    made = Truth()
    for name, symbol in names.items():
        if name in found:
            made.values[symbol] = found[name]
            if name != "TV":
                short = "int" if symbol == "interaction" else symbol
                made.values |= {f"pct_{short}": 100 * found[name] / found["TV"],
                                f"con_{short}": 100 * (found[name] / found["TV"]) ** 2}
    if found["GRR"] > 0:
        made.values["ndc"] = 1.41 * found["PV"] / found["GRR"]
    width = scale * rng.uniform(5, 40)
    made.values |= {"usl": width, "lsl": 0.0, "tolerance": width, "pct_tol": 600 * found["GRR"] / width}
    return made


def laboratories(rng: np.random.Generator) -> Truth | None:
    """Repeatability and reproducibility over laboratories, with Mandel's h and k."""
    p, m = int(rng.integers(4, 12)), int(rng.integers(2, 5))
    y = 10 ** rng.uniform(-1, 2) * (20 + rng.normal(size=(p, 1)) * rng.uniform(0, 2) + rng.normal(size=(p, m)))
    found = precision(y.reshape(-1), np.repeat(np.arange(p), m), level=0.95)
    made = Truth(counts={"labs": p})
    made.values |= {"s_r": found.s_r, "s_R": found.s_reproducibility, "s_L": found.s_l,
                    "repeatability": 2.8 * found.s_r, "reproducibility": 2.8 * found.s_reproducibility}
    means, sds = y.mean(axis=1), y.std(axis=1, ddof=1)
    made.lists |= {"mandel_h": list((means - means.mean()) / means.std(ddof=1)),
                   "mandel_k": list(sds / math.sqrt(float(np.mean(sds ** 2))))}
    return made


def drift_line(rng: np.random.Generator) -> Truth | None:
    """A straight line over uses, and lives and costs of a Weibull."""
    points = int(rng.integers(4, 40))
    x = np.sort(rng.choice(np.arange(200), points, replace=False)).astype(float)
    scale = 10 ** rng.uniform(-2, 2)
    y = scale * (50 - rng.uniform(0, 0.3) * x + rng.normal(size=points))
    xc = x - x.mean()
    slope = float(xc @ y / (xc @ xc))
    rest = y - y.mean() - slope * xc
    se = math.sqrt(float(rest @ rest) / (points - 2) / float(xc @ xc))
    t, level = slope / se, float(rng.choice(LEVELS))
    half = float(special.stdtrit(points - 2, 0.5 + level / 2)) * se
    made = Truth(counts={"points": points, "df_slope": points - 2})
    intercept = float(y.mean() - slope * x.mean())
    made.values |= {"slope": slope, "se_slope": se, "t_slope": t, "intercept": intercept,
                    "p_slope": float(2 * special.stdtr(points - 2, -abs(t))),
                    "r_squared": float(np.corrcoef(x, y)[0, 1] ** 2)}
    made.intervals["slope"] = (slope - half, slope + half, level)
    made.conventions["slope"] = {"method": "t"}
    if slope < -1e-6 * scale:
        made.values |= {"limit": 30 * scale, "uses_to_limit": (30 * scale - intercept) / slope}
        if made.values["uses_to_limit"] <= 0:
            del made.values["uses_to_limit"]
    shape, life = rng.uniform(1.2, 5), 10 ** rng.uniform(1, 3)
    planned, failed = rng.uniform(1, 5), rng.uniform(8, 60)
    made.values |= {"weibull_shape": shape, "weibull_scale": life, "life_mean": life * math.gamma(1 + 1 / shape),
                    "life_median": life * math.log(2) ** (1 / shape), "b10": life * (-math.log(0.9)) ** (1 / shape),
                    "cost_planned": planned, "cost_failure": failed}
    best = weibull_age_optimum(shape=shape, scale=life, planned=planned, failed=failed)
    if math.isfinite(best.age):
        made.values |= {"replace_at": best.age, "cost_rate": best.cost}
    return made


def counts_and_groups(rng: np.random.Generator) -> Truth | None:
    """Readings in steps, groups that make a whole, percentages, survival."""
    groups = int(rng.integers(2, 5))
    sizes_of = [int(rng.integers(2, 15)) for _ in range(groups)]
    step = float(rng.choice([1.0, 0.5, 0.1]))
    parts = [np.round(rng.normal(20, 4, s) / step) for s in sizes_of]
    whole = np.concatenate(parts)
    n = len(whole)
    made = Truth(counts={"n": n})
    made.values |= {"mean": float(whole.mean() * step), "sd": float(whole.std(ddof=1) * step), "step": step,
                    "se": float(whole.std(ddof=1) * step) / math.sqrt(n)}
    made.conventions["sd"] = {"divisor": "n-1"}
    made.lists |= {"group_mean": [float(x.mean() * step) for x in parts], "group_n": [float(s) for s in sizes_of],
                   "group_sd": [float(x.std(ddof=1) * step) for x in parts]}
    counts = [int(rng.integers(0, n + 1)) for _ in range(3)]
    made.lists |= {"count": [float(c) for c in counts], "percentage": [100 * c / n for c in counts]}
    at_risk, survival, values, risks = n, 1.0, [], []
    while at_risk > 1 and len(values) < 6:
        died = int(rng.integers(0, 3))
        died = min(died, at_risk)
        survival *= 1 - died / at_risk
        values.append(survival)
        risks.append(float(at_risk))
        at_risk -= died + int(rng.integers(0, 2))
    made.lists |= {"survival": values, "at_risk": risks}
    us = [10 ** rng.uniform(-1, 1) for _ in range(4)]
    nus = [float(rng.integers(3, 60)) for _ in us]
    u_c = math.sqrt(sum(u * u for u in us))
    made.lists |= {"u_part": us, "nu_part": nus}
    made.values |= {"u_c": u_c, "nu_eff": u_c ** 4 / sum(u ** 4 / v for u, v in zip(us, nus, strict=True)),
                    "coverage_factor": 2.0, "u_expanded": 2 * u_c}
    return made


FAMILIES: Mapping[str, Study] = {"reliability": reliability, "two methods": two_methods, "gauge study": gauge,
                                 "laboratories": laboratories, "drift and life": drift_line,
                                 "counts and groups": counts_and_groups}


def printed(value: float, decimals: int, rule: str) -> str:
    """Return a number as it is printed under a rule."""
    made = Decimal(repr(float(value))).quantize(Decimal(1).scaleb(-decimals), rounding=RULES[rule])
    return f"{made:f}" if made else f"{abs(made):f}"


def decimals_for(symbol: str, value: float, significant: int) -> int:
    """Return the decimals of a quantity: fixed for coefficients, by size for the others."""
    q = quantities()[symbol.partition("__")[0]]
    if q.scale == "share" or (symbol.startswith(("p_", "r", "c_b", "ccc")) and q.domain[1] <= 1):
        return max(1, significant - 1) + (1 if symbol.startswith("p_") else 0)
    size = abs(value)
    return max(0, significant - 1 - (math.floor(math.log10(size)) if size > 0 else 0))


def claims_of(truth: Truth, rng: np.random.Generator, *, rule: str, significant: int | None = None,
              keep: float = 1.0) -> dict[str, Any]:
    """Return the claim file of a study, as TOML would give it."""
    claims: list[dict[str, Any]] = []

    def digits(symbol: str, value: float) -> int:
        own = int(rng.integers(2, 6)) if significant is None else significant
        return min(12, decimals_for(symbol, value, own))

    for symbol, value in truth.values.items():
        if rng.random() > keep:
            continue
        d = digits(symbol, value)
        text = printed(value, d, rule)
        claim: dict[str, Any] = {"what": symbol, **truth.conventions.get(symbol, {})}
        if symbol in truth.intervals and rng.random() < 0.8:
            low, high, level = truth.intervals[symbol]
            text += f" ({printed(low, d, rule)} to {printed(high, d, rule)})"
            claim["level"] = str(level)
        claims.append({**claim, "printed": text})
    for symbol, count in truth.counts.items():
        if symbol in ("n", "k"):
            continue
        claims.append({"what": symbol, "printed": str(count)})
    for symbol, values in truth.lists.items():
        whole = quantities()[symbol].scale == "whole" or symbol == "nu_part"
        d = 0 if whole else digits(symbol, float(np.median(np.abs(values))))
        claims += [{"what": symbol, "item": str(i), "printed": printed(v, d, rule)} for i, v in enumerate(values)]
    paper: dict[str, Any] = {"title": "random", "rounding": "truncation" if rule == "truncation" else rule}
    paper |= {x: truth.counts[x] for x in ("n", "k") if x in truth.counts}
    return {"paper": paper, "claims": claims}
