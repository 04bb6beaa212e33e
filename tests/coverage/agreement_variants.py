"""How often the intervals of the variants hold the truth: ``python -m tests.coverage agreement_variants``.

Ratio and percent limits, regression limits with a constant SD and with one that changes along the means, nonparametric
limits; one pair per target and repeated pairs; beside them the intervals they were chosen from, and how often the
checks that propose them raise no false alarm. Studies of one pair per target are analysed many at a time by the
functions that the package uses; the means are fixed, as all of these hold given the means.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

from drift.agreement.proposal import INNER, OUTER
from drift.engine.changing_spread import ChangingSpread, changing_spread
from drift.engine.difference_checks import breusch_pagan, deleted_residuals
from drift.engine.limits_of_agreement import (
    MULTIPLIER,
    limit_factor,
    lower_limit_bound,
    mean_interval,
    one_stratum,
    upper_limit_bound,
)
from drift.engine.paired_components import fit_paired
from drift.engine.paired_regression import paired_line
from drift.engine.quantile_limits import quantile_interval, shared_quantiles
from drift.engine.regression_limits import regression_limits
from tests.coverage.family import FOLDER, LEVEL, Drawn, Family

TABLE, SEED, STUDIES = FOLDER / "agreement_variants.csv", 20261125, 2000
FloatArray = NDArray[np.float64]
Held = dict[tuple[str, str], tuple[Any, Any]]
TAIL = 0.5 - LEVEL / 2
PLACES = ("smallest mean", "middle mean", "largest mean")
SIZES = (5, 10, 20, 50, 150)
TAU = np.polynomial.hermite_e.hermegauss(60)
UNEQUAL = (1, 1, 1, 2, 2, 3, 3, 4, 6, 8, 10, 12)


@dataclass(frozen=True)
class World:
    """What is simulated: its kind, the pairs, and what the kind needs (SD of log ratios, SD at the ends, shares)."""

    kind: str
    n: int
    value: float = 0.0
    codes: tuple[tuple[int, ...], ...] = ()
    shares: tuple[float, ...] = ()
    skewed: bool = False


def _repeated() -> dict[str, tuple[tuple[int, ...], ...]]:
    """Return codes of targets (and sensors) of repeated pairs by their words."""
    def of(sizes: tuple[int, ...]) -> tuple[tuple[int, ...], ...]:
        return (tuple(np.repeat(np.arange(len(sizes)), sizes).tolist()),)

    found = {"10 targets x 3": of((3,) * 10), "20 targets x 3": of((3,) * 20), "85 targets x 3": of((3,) * 85),
             "10 targets x 10": of((10,) * 10), "85 targets x 10": of((10,) * 85),
             "12 targets, 1 to 12 pairs": of(UNEQUAL)}
    for n, k, m in ((20, 4, 3), (12, 8, 2), (50, 20, 1)):
        words = f"{n} targets x {k} sensors x {m}"
        found[words] = (tuple(np.repeat(np.arange(n), k * m).tolist()),
                        tuple(np.tile(np.repeat(np.arange(k), m), n).tolist()))
    return found


def worlds() -> dict[str, World]:
    """Return every design by its words."""
    found: dict[str, World] = {}
    for n in SIZES:
        start = f"{n} targets, one pair each"
        for sd in (0.1, 0.3):
            found[f"{start}, log ratios with SD {sd:g}"] = World("ratio", n, sd)
        found[f"{start}, constant SD"] = World("line", n, 1.0)
        for ends in (3.0, 10.0)[:1 if n in (5, 150) else 2]:
            found[f"{start}, SD {ends:g} times as large at the largest mean"] = World("line", n, ends)
        found[f"{start}, skewed differences"] = World("quantile", n)
    for n in (20, 50):
        for ends, words in ((1.0, "constant SD"), (3.0, "SD 3 times as large at the largest mean")):
            found[f"{n} targets, one pair each, skewed means, {words}"] = World("line", n, ends, skewed=True)
    found["300 targets, one pair each, skewed differences"] = World("quantile", 300)
    for words, codes in _repeated().items():
        two = len(codes) == 2
        for shares in ((0.3, 0.3), (0.1, 0.5))[:1 if len(codes[0]) == 1000 else 2] if two else ((0.2,), (0.8,)):
            said = f"{words}, share {shares[0]:g}" + (f", sensor share {shares[1]:g}" if two else "")
            found[said] = World("repeated", len(codes[0]), codes=codes, shares=shares)
    return found


def batch(design: str, work: Drawn) -> Mapping[tuple[str, str], tuple[Any, Any]]:
    """Simulate and analyse many studies of one design."""
    world = named[design]
    return MAKERS[world.kind](world, work)


def _normal(work: Drawn, n: int) -> FloatArray:
    return np.concatenate([rng.normal(size=(studies, n)) for rng, studies in work])


def _interval(low: FloatArray, high: FloatArray, truth: float) -> tuple[Any, Any]:
    return (low <= truth) & (truth <= high), high - low


def _strata_rows(held: Held, name: str, d: FloatArray, truths: tuple[float, float, float],
                 back: Callable[[FloatArray], FloatArray]) -> None:
    """Bias and limits of independent differences, on their scale and turned back."""
    n = d.shape[1]
    m, s = d.mean(1), d.std(1, ddof=1)
    t = special.stdtrit(n - 1.0, 1 - TAIL) / math.sqrt(n)
    near, far = (limit_factor(float(n), p) for p in (TAIL, 1 - TAIL))
    held[f"{name} bias", "t"] = _interval(back(m - t * s), back(m + t * s), truths[1])
    held[f"{name} lower limit", "exact noncentral t"] = _interval(back(m - far * s), back(m - near * s), truths[0])
    held[f"{name} upper limit", "exact noncentral t"] = _interval(back(m + near * s), back(m + far * s), truths[2])


def _ratio(world: World, work: Drawn) -> Held:
    """Log ratios are normal: ratio limits, and percent limits, which are nearly normal where ratios vary little."""
    held: Held = {}
    logs = 0.05 + world.value * _normal(work, world.n)
    truth = tuple(math.exp(0.05 + k * MULTIPLIER * world.value) for k in (-1, 0, 1))
    _strata_rows(held, "ratio", logs, truth, np.exp)  # type: ignore[arg-type]
    nodes, weights = TAU
    every = 200 * np.tanh((0.05 + world.value * nodes) / 2)
    mean = float(weights @ every / weights.sum())
    sd = math.sqrt(float(weights @ (every - mean) ** 2 / weights.sum()))
    _strata_rows(held, "percent", 200 * np.tanh(logs / 2), (mean - MULTIPLIER * sd, mean, mean + MULTIPLIER * sd),
                 np.asarray)
    return held


def means_of(n: int, *, skewed: bool = False) -> FloatArray:
    """Means of the pairs: evenly spread, or as quantiles of a lognormal distribution with a long tail above."""
    if not skewed:
        return np.linspace(0.0, 1.0, n)
    x = np.exp(0.8 * special.ndtri((np.arange(n) + 0.5) / n))
    return np.asarray((x - x[0]) / (x[-1] - x[0]), float)


def _line(world: World, work: Drawn) -> Held:
    """Differences on a line, whose SD is constant or grows along the means."""
    held: Held = {}
    n, x = world.n, means_of(world.n, skewed=world.skewed)
    sd = 1 + (world.value - 1) * x
    noise = sd * _normal(work, n)
    d = 0.5 * x + noise
    at = np.array([0.0, 0.5, 1.0])
    truth = 0.5 * at + MULTIPLIER * (1 + (world.value - 1) * at)
    constant, p = _constant(x, d, at), _checked(x, noise)
    places = range(3)
    for j in places:
        held[f"regression limit, {PLACES[j]}", "exact noncentral t"] = _interval(*constant[:, :, j], truth[j])
    plain = [limit_factor(float(n), q) * d.std(1, ddof=1) + d.mean(1) for q in (TAIL, 1 - TAIL)]
    for j in (0, 2):
        held[f"regression limit, {PLACES[j]}", "plain limits"] = _interval(*plain, truth[j])
    held["no false alarm, trend", "t"] = (p["trend"] >= 0.05, np.zeros(len(d)))
    if world.value == 1:
        held["no false alarm, spread", "studentised Breusch-Pagan"] = (p["spread"] >= 0.05, np.zeros(len(d)))
        held["no false alarm, outliers", "deleted residuals"] = (p["outlier"], np.zeros(len(d)))
        held["no false alarm, normality", "Shapiro-Wilk"] = (p["normal"] >= 0.05, np.zeros(len(d)))
    fit = changing_spread(x, d) if n >= 8 else None
    if world.value == 1 or n == 20:
        held["no false not interchangeable, regression limits at harmless", "as the verdict takes it"] = (
            _not_called_outside(world, x, noise, fit), np.zeros(len(d)))
    if fit is not None:
        low, high, outer = fit.bounds(at, [TAIL, 1 - TAIL, OUTER])
        pick = (p["spread"] < 0.05)[:, None]
        for j in places:
            held[f"regression limit, {PLACES[j]}", "averaged noncentral t"] = _interval(low[:, j], high[:, j], truth[j])
        for j in places:
            chosen = (np.where(pick[:, 0], a[:, j], b[:, j]) for a, b in zip((low, high), constant, strict=True))
            held[f"regression limit, {PLACES[j]}", "as the check chooses"] = _interval(*chosen, truth[j])
        held["outer bound of a regression limit, largest mean", "as the verdict takes it"] = (
            truth[2] <= outer[:, 2], np.zeros(len(d)))
        if n <= 50 and world.value > 1:
            for place, drawn, true in zip(PLACES, _resampled(x, d, at, work), truth, strict=True):
                held[f"regression limit, {place}", "percentile bootstrap of pairs"] = _interval(*drawn, true)
    return held


def _not_called_outside(world: World, x: FloatArray, noise: FloatArray, fit: ChangingSpread | None) -> Any:
    """Tell whether no inner bound lies beyond the harmless difference where limits just reach it at an end."""
    ends = np.array([0.0, 1.0])
    sides = []
    for sign in (1.0, -1.0):
        if fit is None:
            sides.append(_constant(x, sign * noise, ends, (INNER["constant"],))[0])
            continue
        tail = INNER["changing"] if sign > 0 else 1 - INNER["changing"]
        # The line that was added to the noise shifts every bound with it.
        sides.append(sign * (fit.bounds(ends, tail, multiplier=sign * MULTIPLIER)[0] - 0.5 * ends))
    return np.max(sides, axis=(0, 2)) <= MULTIPLIER * max(1.0, world.value)


def _constant(x: FloatArray, d: FloatArray, at: FloatArray, tails: tuple[float, ...] = (TAIL, 1 - TAIL)) -> FloatArray:
    """Exact bounds of the upper limit with a constant SD, those of its interval, shape (n_bounds, n_studies, n_at)."""
    n, u = len(x), x - x.mean()
    sxx = float(u @ u)
    slope = d @ u / sxx
    rest = d - d.mean(1, keepdims=True) - slope[:, None] * u
    s = np.sqrt(np.sum(rest**2, 1) / (n - 2))
    ends = np.empty((len(tails), len(d), len(at)))
    for j, a in enumerate(at):
        h = 1 / n + (a - x.mean()) ** 2 / sxx
        for i, q in enumerate(tails):
            ends[i, :, j] = d.mean(1) + slope * (a - x.mean()) + limit_factor(1 / h, q, df=n - 2.0) * s
    return ends


def _checked(x: FloatArray, noise: FloatArray) -> dict[str, Any]:
    """Return what the checks say of differences without a trend."""
    from drift.agreement.checks import shapiro

    n, u = len(x), x - x.mean()
    sxx = float(u @ u)
    slope = noise @ u / sxx
    rest = noise - noise.mean(1, keepdims=True) - slope[:, None] * u
    s = np.sqrt(np.sum(rest**2, 1) / (n - 2))
    return {"trend": 2 * special.stdtr(n - 2.0, -np.abs(slope) * math.sqrt(sxx) / s),
            "spread": np.array([breusch_pagan(x, r)[1] for r in rest]),
            "normal": np.array([shapiro(v)[1] for v in noise]),
            "outlier": np.array([not np.any(np.abs(t) > limit) for t, limit in map(deleted_residuals, noise)])}


def _resampled(x: FloatArray, d: FloatArray, at: FloatArray, work: Drawn, n_draws: int = 300
               ) -> list[tuple[FloatArray, FloatArray]]:
    """Percentile interval of the upper limit from resampled pairs, SD by the regression of absolute residuals."""
    n = len(x)
    ends = np.empty((2, len(d), len(at)))
    drawn_by = [rng for rng, studies in work for _ in range(studies)]
    for i, (mine, rng) in enumerate(zip(d, drawn_by, strict=True)):
        pick = rng.integers(0, n, (n_draws, n))
        pick = pick[np.ptp(x[pick], axis=1) > 0]
        u, y = x[pick], mine[pick]
        centred = u - u.mean(1, keepdims=True)
        sxx = np.sum(centred**2, 1)
        slope = np.sum(centred * y, 1) / sxx
        rest = np.abs(y - y.mean(1, keepdims=True) - slope[:, None] * centred)
        grows = np.sum(centred * rest, 1) / sxx
        away = at - u.mean(1, keepdims=True)
        sd = np.maximum(rest.mean(1)[:, None] + grows[:, None] * away, 0) * math.sqrt(math.pi / 2)
        limit = y.mean(1)[:, None] + slope[:, None] * away + MULTIPLIER * sd
        ends[:, i] = np.quantile(limit, [TAIL, 1 - TAIL], axis=0)
    return [(ends[0, :, j], ends[1, :, j]) for j in range(len(at))]


def _quantile(world: World, work: Drawn) -> Held:
    """Exponential differences: the interval of order statistics assumes no shape, that of plain limits does."""
    d = np.concatenate([rng.exponential(size=(studies, world.n)) for rng, studies in work])
    held: Held = {}
    for name, p in (("nonparametric lower limit", 0.025), ("nonparametric upper limit", 0.975)):
        held[name, "binomial interval of order statistics"] = _ends([quantile_interval(v, p, LEVEL)[1:] for v in d],
                                                                    -math.log(1 - p))
        bound = lower_limit_bound if p < 0.5 else upper_limit_bound
        held[name, "plain limits, exact noncentral t"] = _ends(
            [(bound(s, TAIL), bound(s, 1 - TAIL)) for s in map(one_stratum, d)], -math.log(1 - p))
    return held


def _ends(ends: list[tuple[float, float]], truth: float) -> tuple[Any, Any]:
    """Intervals whose missing ends reach to infinity."""
    low, high = np.array(ends).T
    low, high = np.where(np.isnan(low), -np.inf, low), np.where(np.isnan(high), np.inf, high)
    return _interval(low, high, truth)


def _repeats(world: World, work: Drawn) -> Held:
    """Repeated pairs of total variance one: ratios (as logs), a slope on the mean, and quantiles."""
    codes = [np.array(c) for c in world.codes]
    rows: dict[tuple[str, str], list[tuple[float, float, float]]] = {}
    for rng, studies in work:
        for _ in range(studies):
            _one_repeated(rows, world, codes, rng)
    return {key: (np.array([v[0] for v in found], dtype=bool), np.array([v[1] for v in found]))
            for key, found in rows.items()}


def _one_repeated(rows: dict[Any, list[Any]], world: World, codes: list[NDArray[np.int64]],
                  rng: np.random.Generator) -> None:
    def put(quantity: str, method: str, low: float, high: float, truth: float) -> None:
        low, high = -math.inf if math.isnan(low) else low, math.inf if math.isnan(high) else high
        rows.setdefault((quantity, method), []).append((low <= truth <= high, high - low))

    x = math.sqrt(0.8) * rng.normal(size=int(codes[0].max()) + 1)[codes[0]] + math.sqrt(0.2) * rng.normal(size=world.n)
    e = rng.normal(size=world.n) * math.sqrt(1 - sum(world.shares))
    for code, share in zip(codes, world.shares, strict=True):
        e = e + rng.normal(size=int(code.max()) + 1)[code] * math.sqrt(share)
    logs = fit_paired(0.1 * e, codes).strata
    assert logs is not None
    put("ratio bias", "t", *(math.exp(v) for v in mean_interval(logs, LEVEL)), 1.0)
    for name, bound, sign in (("lower", lower_limit_bound, -1), ("upper", upper_limit_bound, 1)):
        put(f"ratio {name} limit", "MOVER", *(math.exp(bound(logs, p)) for p in (TAIL, 1 - TAIL)),
            math.exp(sign * 0.1 * MULTIPLIER))
    line = paired_line(x, 0.5 * x + e, codes)
    for place, at in zip(PLACES, (-2.0, 0.0, 2.0), strict=True):
        strata = line.strata_at(at)
        put(f"regression bias, {place}", "t", *mean_interval(strata, LEVEL), 0.5 * at)
        put(f"regression limit, {place}", "MOVER", *(upper_limit_bound(strata, p) for p in (TAIL, 1 - TAIL)),
            0.5 * at + MULTIPLIER)
    pooled = regression_limits(x, 0.5 * x + e)
    put("regression limit, largest mean", "rows pooled as independent",
        *(pooled.bound_at(2.0, p) for p in (TAIL, 1 - TAIL)), 1.0 + MULTIPLIER)
    shared = shared_quantiles(e, codes)
    truth = float(special.ndtri(0.975))
    for name, p, sign in (("lower", 0.025, -1), ("upper", 0.975, 1)):
        put(f"nonparametric {name} limit", "effective number of pairs", *shared.interval(p, LEVEL), sign * truth)
    if len(codes) == 1:
        put("nonparametric upper limit", "cluster bootstrap of targets", *_cluster_bootstrap(e, codes[0], rng), truth)


def _cluster_bootstrap(d: FloatArray, code: NDArray[np.int64], rng: np.random.Generator,
                       n_draws: int = 200) -> tuple[float, float]:
    """Percentile interval of the 97.5 % quantile from resampled targets, each weighing the same."""
    k = int(code.max()) + 1
    order = np.argsort(d)
    weight = rng.multinomial(k, np.full(k, 1 / k), size=n_draws)[:, code[order]] / np.bincount(code)[code[order]]
    below = np.cumsum(weight, 1) < 0.975 * k - 1e-9
    found = d[order][np.minimum(below.sum(1), len(d) - 1)]
    return float(np.quantile(found, TAIL)), float(np.quantile(found, 1 - TAIL))


MAKERS: dict[str, Callable[[World, Drawn], Held]] = {"ratio": _ratio, "line": _line, "quantile": _quantile,
                                                     "repeated": _repeats}
named = worlds()
FAMILY = Family("agreement_variants", __doc__ or "", list(named), None, TABLE, SEED, studies=STUDIES, batch=batch,
                cheap="10 targets, one pair each, log ratios with SD 0.1")

if __name__ == "__main__":
    from tests.coverage.__main__ import main

    raise SystemExit(main(["agreement_variants"]))
