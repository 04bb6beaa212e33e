"""How often the intervals of comparison lines hold the truth: slope, intercept and predicted difference.

Targets spread uniformly about 100 with an SD of 10; the reliability ratio is the share of the variance of b that is not
error. The errors of a are as large as those of b (error ratio 1), or proportional to the slope for Passing-Bablok.
"Constant CV": log-uniform targets from 10 to 200, errors of 10 % on both sides. A predicted difference is that at 1.5
SDs above the mean target (constant CV: at 150), "middle" that at the mean (at 50). "No false bend": how often the test
of a straight line leaves a truly straight one alone at 5 %.
``python -m tests.coverage comparison_lines``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.agreement.line_deming import EXACT, PIVOTAL
from drift.agreement.line_found import JACKKNIFE
from drift.agreement.line_ranks import BOTH, HEIGHT, RANKS, SCORES, wider
from drift.agreement.line_york import SCALED, WIDER
from drift.engine.comparison import deming as dm
from drift.engine.comparison import passing_bablok as pb
from drift.engine.comparison.replicates import drawn_lines, linked, linked_ratio
from drift.engine.comparison.straightness import straightness
from drift.engine.comparison.weighted_deming import weighted_deming
from drift.engine.comparison.york import york
from drift.engine.limits_of_agreement import t_quantile
from tests.coverage.family import FOLDER, LEVEL, Drawn, Family

TABLE, SEED, STUDIES = FOLDER / "comparison_lines.csv", 20261126, 2000
FloatArray = NDArray[np.float64]
Held = dict[tuple[str, str], tuple[NDArray[np.bool_], FloatArray]]
STATED, SIGNS, OLD = "stated z interval", "cumulative sum against random signs", "Kolmogorov-Smirnov, as in 1983"


@dataclass(frozen=True)
class Design:
    """One design; what is left at its default is not said in its name."""

    n: int
    reliability: float = 0.0
    slope: float = 1.0
    ratio: float = 1.0
    kind: str = "pairs"
    sizes: tuple[int, ...] = ()
    share: float = 0.0
    moving: float = 0.0
    rounded: bool = False
    tails: float = 0.0
    known: int = 0

    @property
    def name(self) -> str:
        """The design as it stands in the table."""
        if self.kind == "unlinked":
            size = f"{self.n} targets, 3 and 2 unlinked readings"
        elif self.sizes and len(set(self.sizes)) > 1:
            size = f"{self.n} targets, {min(self.sizes)} to {max(self.sizes)} pairs"
        elif self.sizes:
            size = f"{self.n} targets x {self.sizes[0]}"
        else:
            size = f"{self.n} targets"
        parts = [size]
        if self.reliability:
            parts.append(f"reliability ratio {self.reliability:g}")
        if self.kind == "cv":
            parts.append("constant CV")
        if self.kind == "york":
            parts.append("uncertainties known" if not self.known else f"uncertainties from {self.known} readings")
        if self.share:
            parts.append(f"half of the errors shared by a target{', truth moving' if self.moving else ''}")
        if self.slope != 1:
            parts.append(f"slope {self.slope:g}")
        if self.ratio != 1:
            parts.append(f"error ratio {self.ratio:g}")
        parts += ["readings rounded to the error"] * self.rounded + ["long-tailed errors"] * bool(self.tails)
        return ", ".join(parts)


def designs() -> list[Design]:
    """Return the grid."""
    found = [Design(n, r) for n in (10, 20, 50, 100) for r in (0.99, 0.9, 0.7)]
    found += [Design(n, r, slope=0.9) for n in (10, 20, 50) for r in (0.99, 0.9)]
    found += [Design(n, 0.9, ratio=4.0) for n in (10, 20, 50)]
    found += [Design(n, kind="cv") for n in (10, 20, 50, 100)] + [Design(20, kind="cv", slope=0.9)]
    found += [Design(n, 0.99, rounded=True) for n in (10, 20, 50)] + [Design(n, 0.9, tails=5.0) for n in (10, 20, 50)]
    found += [Design(n, 0.9, sizes=(3,) * n, share=0.5, moving=m) for n in (10, 20, 40) for m in (0.0, 0.5)]
    found += [Design(n, 0.9, sizes=(1, 2, 3, 3, 6) * (n // 5), share=0.5, moving=0.5) for n in (10, 20)]
    found += [Design(n, r, kind="unlinked") for n in (10, 20) for r in (0.95, 0.7)]
    found += [Design(20, 0.9, sizes=(2,) * 20), Design(40, 0.9, sizes=(3,) * 40)]
    found += [Design(n, kind="york", known=k) for n in (10, 20, 50) for k in (0, 5, 10)]
    return found + [Design(n, 0.9, sizes=(1, 1, 2, 3, 4, 6, 8, 10, 11, 12) * (n // 10), share=0.5) for n in (10, 20)]


NAMED = {d.name: d for d in designs()}


def held(low: FloatArray, high: FloatArray, truth: float, there: NDArray[np.bool_] | None = None
         ) -> tuple[NDArray[np.bool_], FloatArray]:
    """Tell which intervals hold the truth (an end that is not there holds), and how wide they are."""
    ok = ~(low > truth) & ~(high < truth)
    width = np.where(np.isnan(low) | np.isnan(high), np.inf, high - low)
    return ok, np.where(there, width, np.nan) if there is not None else width


def errors(d: Design, rng: np.random.Generator, shape: tuple[int, ...]) -> FloatArray:
    """Draw errors of variance one."""
    if d.tails:
        return np.asarray(rng.standard_t(d.tails, shape) / np.sqrt(d.tails / (d.tails - 2)))
    return rng.standard_normal(shape)


def draw(d: Design, drawn: Drawn, *, follow: bool = False) -> tuple[FloatArray, FloatArray]:
    """Draw b and a, shape (studies, rows); ``follow``: the error ratio is the slope squared, as Passing-Bablok takes.

    Both are drawn from the same true values and standardised errors.
    """
    ratio = d.slope**2 if follow else d.ratio
    b, a = [], []
    for rng, m in drawn:
        if d.kind == "cv":
            true = np.exp(rng.uniform(np.log(10), np.log(200), (m, d.n)))
            b.append(true * (1 + 0.1 * rng.standard_normal(true.shape)))
            a.append(d.slope * true * (1 + 0.1 * rng.standard_normal(true.shape)))
            continue
        code = np.repeat(np.arange(d.n), d.sizes) if d.sizes else np.arange(d.n)
        true = 100 + 10 * (np.sqrt(1 - d.moving) * rng.uniform(-np.sqrt(3), np.sqrt(3), (m, d.n))[:, code]
                           + np.sqrt(d.moving) * rng.standard_normal((m, len(code))))
        sd = 10 * np.sqrt((1 - d.reliability) / d.reliability)
        made = []
        for _ in range(2):
            own = errors(d, rng, (m, len(code)))
            made.append(sd * (np.sqrt(d.share) * errors(d, rng, (m, d.n))[:, code] + np.sqrt(1 - d.share) * own
                              if d.share else own))
        x, y = true + made[0], d.slope * true + np.sqrt(ratio) * made[1]
        if d.rounded:
            x, y = np.round(x / sd) * sd, np.round(y / sd) * sd
        b.append(x)
        a.append(y)
    return np.concatenate(b), np.concatenate(a)


def spots(d: Design) -> tuple[float, float]:
    """Return the middle and the high reading of b at which a difference is predicted."""
    return (50.0, 150.0) if d.kind == "cv" else (5.0, 9.0) if d.kind == "york" else (100.0, 115.0)


def of_errors(title: str, how: str, d: Design, slope: FloatArray, intercept: FloatArray, t: float,
              se: dict[str, FloatArray], *, tail: str = "", truth: float = 0.0) -> Held:
    """Judge symmetric intervals: estimate -/+ t standard errors of slope, intercept, and values at the spots."""
    middle, high = spots(d)
    out: Held = {}
    for name, value, true in (("slope", slope, d.slope), ("intercept", intercept, truth),
                              ("predicted difference", intercept + slope * high, truth + d.slope * high),
                              ("predicted difference, middle", intercept + slope * middle, truth + d.slope * middle)):
        out[f"{title} {name}{tail}", how] = held(value - t * se[name], value + t * se[name], true)
    return out


def jackknifed(slope: FloatArray, intercept: FloatArray, left_slope: FloatArray, left_intercept: FloatArray,
               d: Design) -> dict[str, FloatArray]:
    """Return jackknife standard errors of the four quantities."""
    middle, high = spots(d)
    parts = {"slope": (slope, left_slope), "intercept": (intercept, left_intercept),
             "predicted difference": (intercept + slope * high, left_intercept + left_slope * high),
             "predicted difference, middle": (intercept + slope * middle, left_intercept + left_slope * middle)}
    return {k: dm.jackknife(v, left)[1] for k, (v, left) in parts.items()}


def bends(title: str, b: FloatArray, a: FloatArray, slope: FloatArray, intercept: FloatArray, ratio: ArrayLike, *,
          spread: FloatArray | None = None, tail: str = "", old: bool = False) -> Held:
    """Judge the test of a straight line, study by study; with ``old`` also that of 1983."""
    lam = np.broadcast_to(np.asarray(ratio, float).reshape(-1, 1) if np.ndim(ratio) < 2 else ratio, b.shape)
    p = np.array([straightness(b[i], a[i], float(slope[i]), float(intercept[i]), ratio=lam[i],
                               spread=1.0 if spread is None else spread[i])[1] for i in range(len(b))])
    made = {(f"{title} no false bend{tail}", SIGNS): (~(p < 1 - LEVEL), 0 * p)}
    if old:
        p = np.array([pb.linearity(b[i], a[i], float(slope[i]), float(intercept[i]))[1] for i in range(len(b))])
        made[f"{title} no false bend{tail}", OLD] = (~(p < 1 - LEVEL), 0 * p)
    return made


def exact(title: str, d: Design, sums: dm.Scatter, ratio: float, *, tail: str = "") -> Held:
    """Judge the exact intervals."""
    df = d.n - 2
    t = t_quantile(0.5 + LEVEL / 2, float(df))
    axes = dm.axes_of(sums, ratio)
    half, centre = dm.exact_half_angle(axes, df, t), dm.exact_centre(axes, df, t)
    out: Held = {(f"{title} slope{tail}", EXACT): held(*dm.slope_limits(axes, half), d.slope)}
    middle, high = spots(d)
    low, top = dm.value_limits(axes, np.array([0.0, high, middle]), half, centre)
    for j, (name, at) in enumerate((("intercept", 0.0), ("predicted difference", high),
                                    ("predicted difference, middle", middle))):
        out[f"{title} {name}{tail}", EXACT] = held(low[:, j], top[:, j], d.slope * at)
    return out


def deming(d: Design, b: FloatArray, a: FloatArray, ratio: float, *, tail: str = "") -> Held:
    """Judge Deming lines of independent pairs, with the interval that is printed and the published one."""
    from scipy.special import fdtri

    sums, left = dm.scatter(b, a), dm.without_each(b, a)
    slope, left_slope = dm.slope_of(sums, ratio), dm.slope_of(left, ratio)
    intercept, left_intercept = dm.intercept_of(sums, slope), dm.intercept_of(left, left_slope)
    out = exact("Deming", d, sums, ratio, tail=tail)
    out |= of_errors("Deming", JACKKNIFE, d, slope, intercept, t_quantile(0.5 + LEVEL / 2, d.n - 2.0),
                     jackknifed(slope, intercept, left_slope, left_intercept, d), tail=tail)
    f = dm.joint_f(sums, ratio, d.n - 2, slope=d.slope)
    out[f"Deming joint test of slope and intercept{tail}", "exact F test"] = (f <= fdtri(2, d.n - 2, LEVEL), 0 * f)
    return out | bends("Deming", b, a, slope, intercept, ratio, tail=tail)


def weighted(d: Design, b: FloatArray, a: FloatArray) -> Held:
    """Judge weighted Deming lines; the jackknife fits anew without each pair."""
    positive = (b > 0).all(1) & (a > 0).all(1)
    b, a = np.where(positive[:, None], b, 1.0 + np.arange(d.n)), np.where(positive[:, None], a, 1.0 + np.arange(d.n))
    sums, weights, done = weighted_deming(b, a, 1.0)
    slope = dm.slope_of(sums, 1.0)
    intercept = dm.intercept_of(sums, slope)
    include = 1 - np.eye(d.n)
    left_slope, left_intercept = np.empty_like(b), np.empty_like(b)
    step = max(1, 400_000 // d.n**2)
    for i in range(0, len(b), step):
        part = weighted_deming(b[i:i + step, None], a[i:i + step, None], 1.0, include=include)[0]
        left_slope[i:i + step] = dm.slope_of(part, 1.0)
        left_intercept[i:i + step] = dm.intercept_of(part, left_slope[i:i + step])
    out = exact("Weighted Deming", d, sums, 1.0)
    out |= of_errors("Weighted Deming", JACKKNIFE, d, slope, intercept, t_quantile(0.5 + LEVEL / 2, d.n - 2.0),
                     jackknifed(slope, intercept, left_slope, left_intercept, d))
    with np.errstate(invalid="ignore"):
        out |= bends("Weighted Deming", b, a, slope, intercept, 1.0, spread=weights**-0.5)
    return {k: (ok, np.where(positive & done, w, np.nan)) for k, (ok, w) in out.items()}


def ranks(d: Design, b: FloatArray, a: FloatArray) -> Held:
    """Judge Passing-Bablok lines, study by study."""
    middle, high = spots(d)
    at = np.array([0.0, high, middle])
    made: dict[tuple[str, str], list[tuple[float, float]]] = {}
    lines: list[tuple[float, float]] = []
    for x, y in zip(b, a, strict=True):
        found = pb.passing_bablok(x, y, level=LEVEL)
        line = found.line
        there = np.isfinite(line.slope) and line.slope > 0
        lines.append((line.slope, line.intercept) if there else (1.0, 0.0))
        limits = pb.holding_limits(x, y, found, level=LEVEL) if there else None
        low, top = pb.value_limits(line, limits, at) if limits is not None else (np.full(3, np.nan), np.full(3, np.nan))
        ends = {("slope", SCORES): (limits.low, limits.high) if limits is not None else (np.nan, np.nan),
                ("slope", RANKS): (line.slope_low, line.slope_high),
                ("intercept", BOTH): wider(line.intercept_low, low[0], line.intercept_high, top[0]),
                ("intercept", RANKS): (line.intercept_low, line.intercept_high),
                ("predicted difference", HEIGHT): (low[1], top[1]),
                ("predicted difference, middle", HEIGHT): (low[2], top[2])}
        for (name, how), pair in ends.items():
            made.setdefault((f"Passing-Bablok {name}", how), []).append(pair if there else (np.nan, np.nan))
    truth = {"slope": d.slope, "intercept": 0.0, "predicted difference": d.slope * high,
             "predicted difference, middle": d.slope * middle}
    out: Held = {}
    for key, pairs in made.items():
        ends_of = np.array(pairs)
        out[key] = held(ends_of[:, 0], ends_of[:, 1], truth[key[0].removeprefix("Passing-Bablok ")])
    slope, intercept = np.array(lines).T
    return out | bends("Passing-Bablok", b, a, slope, intercept, slope**2, old=True)


def clustered(d: Design, b: FloatArray, a: FloatArray) -> Held:
    """Judge lines of linked pairs on targets: Deming leaving out each target, Passing-Bablok on target means."""
    from scipy.special import fdtri

    code = np.repeat(np.arange(d.n), d.sizes)
    sums, left = dm.scatter(b, a), dm.without_each(b, a, code)
    slope, left_slope = dm.slope_of(sums, d.ratio), dm.slope_of(left, d.ratio)
    intercept, left_intercept = dm.intercept_of(sums, slope), dm.intercept_of(left, left_slope)
    t = t_quantile(0.5 + LEVEL / 2, df := sum(d.sizes) ** 2 / sum(k * k for k in d.sizes) - 2.0)
    out = of_errors("Deming", JACKKNIFE, d, slope, intercept, t,
                    jackknifed(slope, intercept, left_slope, left_intercept, d))
    out |= {(f"{q}, rows as independent", m): v for (q, m), v in _pooled(d, b, a, sums).items() if "slope" in q}
    each = np.stack([left_slope, left_intercept + 100 * left_slope], -1)
    each = each - each.mean(1, keepdims=True)
    cov = (d.n - 1) / d.n * np.einsum("bij,bik->bjk", each, each)
    gap = np.stack([slope - d.slope, intercept + 100 * (slope - d.slope)], -1)
    f = np.einsum("bi,bi->b", gap, np.linalg.solve(cov, gap[..., None])[..., 0]) * (df - 1) / (2 * df)
    out["Deming joint test of slope and intercept", "Hotelling"] = (f <= fdtri(2, df - 1, LEVEL), 0 * f)
    if not d.share and not d.moving:
        out |= _linked(d, b, a, code, t)
    member = np.zeros((len(code), d.n))
    member[np.arange(len(code)), code] = 1 / np.bincount(code)[code]
    return out | ranks(d, b @ member, a @ member)


def _linked(d: Design, b: FloatArray, a: FloatArray, code: NDArray[np.int64], t: float) -> Held:
    """Judge Deming lines whose ratio comes from linked replicates, jackknifed with the line."""
    made, there = [], np.ones(len(b), dtype=bool)
    for i, (x, y) in enumerate(zip(b, a, strict=True)):
        found = linked(x, y, code)
        ratio, without = float(linked_ratio(found)), linked_ratio(found, without_each=True)
        there[i] = ratio > 0 and bool(np.all(np.isfinite(without)))
        sums, left = dm.scatter(x, y), dm.without_each(x, y, code)
        s, ls = dm.slope_of(sums, ratio), dm.slope_of(left, without)
        made.append((s, dm.intercept_of(sums, s), ls, dm.intercept_of(left, ls)))
    slope, intercept, left_slope, left_intercept = (np.array([m[j] for m in made]) for j in range(4))
    found_all = of_errors("Deming", JACKKNIFE, d, slope, intercept, t,
                          jackknifed(slope, intercept, left_slope, left_intercept, d),
                          tail=", ratio from linked replicates")
    return {k: (ok, np.where(there, w, np.nan)) for k, (ok, w) in found_all.items()}


def _pooled(d: Design, b: FloatArray, a: FloatArray, sums: dm.Scatter) -> Held:
    rows = Design(b.shape[1], d.reliability, slope=d.slope)
    return exact("Deming", rows, sums, d.ratio)


def unlinked(d: Design, drawn: Drawn) -> Held:
    """Judge Deming lines whose ratio comes from unlinked replicates: three readings of a, two of b on each target."""
    middle, high = spots(d)
    made: dict[str, list[tuple[float, float]]] = {}
    tails = [0.5 - LEVEL / 2, 0.5 + LEVEL / 2]
    sd = 10 * np.sqrt((1 - d.reliability) / d.reliability)
    for rng, m in drawn:
        true = 100 + 10 * rng.uniform(-np.sqrt(3), np.sqrt(3), (m, d.n, 1))
        b, a = true + sd * rng.standard_normal((m, d.n, 2)), true + sd * rng.standard_normal((m, d.n, 3))
        within = [v.var(-1, ddof=1).mean(-1) for v in (a, b)]
        ratio = within[0] / within[1] * (2 / 3)
        x, y = b.mean(-1), a.mean(-1)
        for i in range(m):
            lines = drawn_lines(dm.scatter(x[i], y[i]), d.n, float(ratio[i]), 2 * d.n, d.n, n_draws=2000, rng=rng)
            values = lines.values(np.array([0.0, high, middle]))
            for name, draws in zip(("slope", "intercept", "predicted difference", "predicted difference, middle"),
                                   (lines.slope, *values), strict=True):
                low, top = np.quantile(draws, tails)
                made.setdefault(name, []).append((float(low), float(top)))
    truth = {"slope": 1.0, "intercept": 0.0, "predicted difference": high, "predicted difference, middle": middle}
    return {(f"Deming {name}", PIVOTAL): held(*np.array(pairs).T, truth[name]) for name, pairs in made.items()}


def yorks(d: Design, drawn: Drawn) -> Held:
    """Judge York lines a = 1 + 2 b; uncertainties differ from point to point and are known, or SDs of some readings."""
    parts = []
    for rng, m in drawn:
        true = rng.uniform(0, 10, (m, d.n))
        sb, sa = (0.5 * np.exp(0.5 * rng.standard_normal((m, d.n))) for _ in range(2))
        b, a = true + sb * rng.standard_normal((m, d.n)), 1 + 2 * true + sa * rng.standard_normal((m, d.n))
        if d.known:
            sb, sa = (s * np.sqrt(rng.chisquare(d.known - 1, s.shape) / (d.known - 1)) for s in (sb, sa))
        parts.append((b, a, sb, sa))
    b, a, sb, sa = (np.concatenate([p[j] for p in parts]) for j in range(4))
    line = york(b, a, sb, sa)
    true_line = Design(d.n, slope=2.0, kind="york")
    middle, high = spots(d)

    def errors_of(scale: FloatArray | float) -> dict[str, FloatArray]:
        at = {"intercept": 0.0, "predicted difference": high, "predicted difference, middle": middle}
        return {"slope": scale * line.slope_se, **{k: scale * np.sqrt(line.centre_se**2 + (x - line.centre) ** 2
                                                                      * line.slope_se**2) for k, x in at.items()}}

    judge = partial(of_errors, "York", d=true_line, slope=line.slope, intercept=line.intercept, truth=1.0)
    t = t_quantile(0.5 + LEVEL / 2, d.n - 2.0)
    scaled = errors_of(np.sqrt(line.reduced))
    out = judge(how=STATED, t=1.959964, se=errors_of(1.0)) | judge(how=SCALED, t=t, se=scaled)
    include = 1 - np.eye(d.n)
    left = [york(b[i, None], a[i, None], sb[i, None], sa[i, None], include=include) for i in range(len(b))] \
        if d.n > 50 else [york(*(v[i:i + 50, None] for v in (b, a, sb, sa)), include=include)
                          for i in range(0, len(b), 50)]
    free = jackknifed(line.slope, line.intercept, np.concatenate([x.slope for x in left]),
                      np.concatenate([x.intercept for x in left]), true_line)
    out |= bends("York", b, a, line.slope, line.intercept, (sa / sb) ** 2,
                 spread=np.sqrt(sa**2 + (line.slope[:, None] * sb) ** 2))
    return out | judge(how=JACKKNIFE, t=t, se=free) | judge(how=WIDER, t=t,
                                                            se={k: np.maximum(scaled[k], free[k]) for k in free})


def batch(design: str, drawn: Drawn) -> Held:
    """Simulate many studies of one design."""
    d = NAMED[design]
    if d.kind == "unlinked":
        return unlinked(d, drawn)
    if d.kind == "york":
        return yorks(d, drawn)
    b, a = draw(d, drawn)
    if d.sizes:
        return clustered(d, b, a)
    if d.kind == "cv":
        return (weighted(d, b, a) if d.slope == 1 or d.n <= 50 else {}) | ranks(d, b, a) \
            | deming(d, b, a, 1.0, tail=", errors in truth in proportion to the reading")
    out = deming(d, b, a, d.ratio)
    if d.ratio != 1:
        return out | {k: v for k, v in deming(d, b, a, 1.0, tail=f", ratio taken as 1 but {d.ratio:g}").items()
                      if "slope" in k[0] and "joint" not in k[0]}
    return out | ranks(d, *(draw(d, drawn, follow=True) if d.slope != 1 else (b, a)))


FAMILY = Family("comparison_lines", __doc__ or "", list(NAMED), None, TABLE, SEED, studies=STUDIES, batch=batch,
                cheap="10 targets, reliability ratio 0.9")

if __name__ == "__main__":
    from tests.coverage.__main__ import main

    raise SystemExit(main(["comparison_lines"]))
