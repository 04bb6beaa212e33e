"""Tables and estimates of analysed lives."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.engine.life_fit import EULER_SHARE
from drift.results import Estimate, ResultTable
from drift.retirement.life_analysis import FittedFamily, LifeAnalysis, band_of_fit

Floats = NDArray[np.float64]

RATIO = "likelihood-ratio interval"
POINTS = 60
NAMES = {"weibull": "Weibull", "lognormal": "lognormal"}


def percent(share: float) -> str:
    """``10 %``."""
    return f"{100 * share:.4g} %"


def ml_words(a: LifeAnalysis, family: str = "weibull") -> str:
    """Name the fit as a paper would, with how the lives are known."""
    lives = a.lives
    left = lives.failed & (lives.lower == 0) & ~lives.exact
    kinds = [(int(lives.exact.sum()), "exact"), (int((lives.failed & ~lives.exact & ~left).sum()), "interval-censored"),
             (int(left.sum()), "left-censored"), (int((~lives.failed).sum()), "right-censored")]
    told = ", ".join(f"{n} {w}" for n, w in kinds if n)
    late = f"; {int(lives.late.sum())} entered late, given that they had lasted so long" if lives.late.any() else ""
    return f"maximum likelihood of a {NAMES[family]} distribution ({told}{late})"


def life_name(share: float) -> str:
    """Name of the time by which a share has failed."""
    return f"life by which {percent(share)} fail"


def lower_words(f: FittedFamily) -> str:
    """How the lower bound of a life was obtained."""
    if f.small is not None and len(f.small.roots):
        return ("one-sided bound by the signed root of the likelihood ratio, calibrated in simulated studies like this "
                "one, and no higher than the likelihood-ratio bound")
    return "one-sided likelihood-ratio bound"


def estimates_of(a: LifeAnalysis, of: Mapping[str, str]) -> list[Estimate]:
    """Return every number of one set of lives."""
    per, n = a.lives.per, len(a.lives)
    made = [Estimate(name="failures seen", value=float(a.failures), unit=a.lives.what, n=n, of=of,
                     method=f"of {n} {a.lives.what}"
                     + ("; the others were still fit when last seen" if a.failures < n else ""))]
    w = a.best
    if w.found:
        made += _weibull(a, w, of)
    for family, f in a.families.items():
        if f.found:
            value = float(f.fit.quantile(a.spec.share))
            name = "" if family == "weibull" else ", lognormal"
            made += [Estimate(name=life_name(a.spec.share) + name, value=value, low=_open(f.life[0]),
                              high=_open(f.life[1]), level=a.spec.level, unit=per, n=n, of=of,
                              method=f"{ml_words(a, family)}, {RATIO}"),
                     Estimate(name=f"lower bound of the {life_name(a.spec.share)}{name}", value=f.life_lower, unit=per,
                              level=a.spec.confidence, n=n, of=of, method=f"{ml_words(a, family)}, {lower_words(f)}")]
    return made + _shares(a, of)


def _open(end: float) -> float:
    return end if math.isfinite(end) else math.nan


def _weibull(a: LifeAnalysis, w: FittedFamily, of: Mapping[str, str]) -> list[Estimate]:
    n, level, method = len(a.lives), a.spec.level, f"{ml_words(a)}, {RATIO}"
    made = [Estimate(name="Weibull shape", value=float(w.fit.beta), low=_open(w.shape[0]), high=_open(w.shape[1]),
                     level=level, n=n, of=of, method=method),
            Estimate(name="Weibull scale", value=float(w.fit.eta), low=_open(w.scale[0]), high=_open(w.scale[1]),
                     level=level, n=n, unit=a.lives.per, of=of, method=f"{method}; {percent(EULER_SHARE)} have failed "
                                                                       f"by "
                                                                       "then")]
    if w.small is not None and math.isfinite(w.small.shape_factor):
        root = w.small.ends(level, shape=True)
        made.append(Estimate(
            name="Weibull shape, small-sample bias removed", value=float(w.fit.beta) / w.small.shape_factor, n=n, of=of,
            method=f"shape over {w.small.shape_factor:.3f}, the median ratio of estimated to true shape in simulated "
                   f"studies like this one (signed roots {root[0]:.2f} and {root[1]:.2f} where a large sample has "
                   f"1.96)"))
    return made


def _shares(a: LifeAnalysis, of: Mapping[str, str]) -> list[Estimate]:
    """Share failed by the last time anybody was looked at, in all and by cause."""
    c = a.curve
    open_ended = np.flatnonzero(c.share < 1 - 1e-9)  # a last step to 1 only says that the longest life ended
    if not len(open_ended):
        return []
    at = int(open_ended[-1])
    labels = {**of, "at": f"{c.time[at]:g} {a.lives.per}"}

    def one(name: str, share: float, low: float, high: float) -> Estimate:
        return Estimate(name=name, value=100 * share, low=100 * low, high=100 * high, unit="%", level=a.spec.level,
                        n=len(a.lives), of=labels, method=c.method)

    made = [one("share failed", float(c.share[at]), float(c.low[at]), float(c.high[at]))]
    causes = a.lives.causes
    if len(causes) > 1:
        made += [one(f"share failed, by {cause}", float(c.by_cause[j, at]), float(c.cause_low[j, at]),
                     float(c.cause_high[j, at])) for j, cause in enumerate(causes)]
    return made


def tables_of(a: LifeAnalysis) -> list[ResultTable]:
    """Return every table of one set of lives."""
    made = [lives_table(a), distribution_table(a), curve_table(a), fitted_table(a)]
    if len(a.lives.causes) > 1:
        made.append(incidence_table(a))
    if a.fixed:
        made.append(fixed_table(a))
    return [t for t in made if len(t)]


def known_word(low: float, high: float) -> str:
    """How a life is known."""
    if math.isinf(high):
        return "still fit"
    return "exact" if low == high else "past when first seen" if low == 0 else "between two checks"


def lives_table(a: LifeAnalysis) -> ResultTable:
    """One row a unit."""
    x = a.lives
    late = {"watched from": x.entry} if x.entry is not None and x.late.any() else {}
    return ResultTable.build("lives", {
        "unit": x.unit, **late, "last seen fit": x.lower,
        "first seen past": np.where(np.isfinite(x.upper), x.upper, np.nan),
        "known": [known_word(lo, hi) for lo, hi in zip(x.lower, x.upper, strict=True)], "cause": x.cause},
        units={**dict.fromkeys(late, x.per), "last seen fit": x.per, "first seen past": x.per},
        caption="What is known of each life: it ended after the last time the unit was seen fit, and no later than the "
                "first time it was seen past its limit.")


def distribution_table(a: LifeAnalysis) -> ResultTable:
    """Fitted families side by side."""
    rows: list[dict[str, Any]] = []
    for family, f in a.families.items():
        if f.found:
            value = float(f.fit.quantile(a.spec.share))
            rows.append({"family": NAMES[family], "location": float(f.fit.mu), "location se": _se(f, 0),
                         "scale": float(f.fit.sigma), "scale se": float(f.fit.sigma) * _se(f, 1),
                         "log-likelihood": float(f.fit.loglik), life_name(a.spec.share): value, "low": f.life[0],
                         "high": f.life[1], "lower bound": f.life_lower, "lower bound, likelihood ratio":
                         f.life_lower_ratio})
    columns = {k: [r[k] for r in rows] for k in (rows[0] if rows else {"family": ""})}
    per = a.lives.per
    return ResultTable.build("life distributions", columns, units=dict.fromkeys(
        (life_name(a.spec.share), "low", "high", "lower bound", "lower bound, likelihood ratio"), per),
        caption=f"Distributions fitted to the lives. Location and scale are of the log life (Weibull: scale of the "
                f"life "
                f"= exp(location), shape = 1/scale); interval {percent(a.spec.level)}, lower bound one-sided "
                f"{percent(a.spec.confidence)}.")


def _se(f: FittedFamily, i: int) -> float:
    return float(np.sqrt(f.fit.cov[i, i]))


def curve_table(a: LifeAnalysis) -> ResultTable:
    """Survival without a model: one row a step."""
    c = a.curve
    if c.limit is not None:
        return ResultTable.build("survival", {
            "from": c.time, "to": c.time, "at risk": c.limit.at_risk, "share failed here": np.diff(c.share,
                                                                                                   prepend=0.0),
            "share failed": c.share, "low": c.low, "high": c.high}, units={"from": a.lives.per, "to": a.lives.per},
            caption=f"Share failed by each time: {c.method}.")
    keep = np.isfinite(c.support.right) & (c.turnbull.mass > 1e-12)
    order = np.argsort(c.support.right[keep], kind="stable")
    left, right, mass = (v[keep][order] for v in (c.support.left, c.support.right, c.turnbull.mass))
    at = np.searchsorted(c.time, right)
    return ResultTable.build("survival", {
        "from": left, "to": right, "at risk": [float((a.lives.upper > x).sum()) for x in left],
        "share failed here": mass, "share failed": c.share[at], "low": c.low[at], "high": c.high[at]},
        units={"from": a.lives.per, "to": a.lives.per},
        caption=f"Share failed in each interval and by its end: {c.method}. Where inside an interval it happened is "
                "not known.")


def fitted_table(a: LifeAnalysis) -> ResultTable:
    """Weibull curve with its band."""
    w = a.best
    if not w.found:
        return ResultTable.build("fitted survival", {"time": []})
    t = np.linspace(0, max(a.last, 1e-12), POINTS + 1)[1:]
    share, low, high = band_of_fit(w.fit, t, a.spec.level)
    return ResultTable.build("fitted survival", {"time": t, "share failed": share, "low": low, "high": high},
                             units={"time": a.lives.per},
                             caption=f"Share failed by each time by the fitted Weibull, with its pointwise "
                                     f"{percent(a.spec.level)} band.")


def incidence_table(a: LifeAnalysis) -> ResultTable:
    """Share failed of each cause by each time."""
    c, causes = a.curve, a.lives.causes
    k = len(c.time)
    return ResultTable.build("cumulative incidence", {
        "cause": np.repeat(np.array(causes, dtype=object), k), "time": np.tile(c.time, len(causes)),
        "share failed": c.by_cause.ravel(), "low": c.cause_low.ravel(), "high": c.cause_high.ravel()},
        units={"time": a.lives.per},
        caption=f"Share of all units that has failed of each cause by each time; the shares of all causes add up to "
                f"the "
                f"share failed. {c.method}.")


def fixed_table(a: LifeAnalysis) -> ResultTable:
    """Weibull with the shape taken from elsewhere."""
    return ResultTable.build("fixed shape", {
        "shape": [f.shape for f in a.fixed], "scale": [f.scale for f in a.fixed],
        "lower bound of scale": [f.scale_lower for f in a.fixed],
        f"lower bound of the {life_name(a.spec.share)}": [f.life_lower for f in a.fixed]},
        units=dict.fromkeys(("scale", "lower bound of scale", f"lower bound of the {life_name(a.spec.share)}"),
                            a.lives.per),
        caption="Weibull with a shape known from earlier studies (Weibayes): what would follow from each shape. Lower "
                f"bounds are one-sided, {percent(a.spec.confidence)}; a life in an interval counts up to its "
                f"beginning.")
