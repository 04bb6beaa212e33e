"""How often intervals of lives hold the truth: ``python -m tests.coverage lives``.

Weibull lives of shape 2, right-censored at one time or looked at every so often, with the number of failures that is
expected in the name of the design: likelihood-ratio intervals of shape, scale and the life by which 10 % fail, its
one-sided lower bound by likelihood ratio and calibrated (nominal 0.95), Turnbull's band from resampled units, and
incidence by cause. Where units entered late every second one is watched from new, and the others from times evenly
spread over four fifths of the study on. A study with fewer than two failures, or where no distribution can be fitted,
has no interval.
"""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.engine.life_fit import EULER_SHARE, LifeFit, fit_lives, ratio_interval, standard_quantile
from drift.engine.life_simulated import lasting_to, looked_at, signed_root
from drift.engine.turnbull import incidence, product_limit, resampled_masses, support_of
from drift.retirement.life_analysis import loglog_ends
from tests.coverage.family import FOLDER, LEVEL, Drawn, Family

TABLE, SEED, STUDIES = FOLDER / "lives.csv", 20261126, 2000
SHAPE, SCALE, SHARE = 2.0, 30.0, 0.10
DRAWS, RESAMPLES, AT_ONCE = 99, 199, 25
RATIO, CALIBRATED = "likelihood ratio", "calibrated signed root"
Floats = NDArray[np.float64]
WEIBULL = [f"{2 * r} units, {r} failures, {how}" for how in ("right-censored", "looked at 5 times") for r in (5, 10,
                                                                                                              20)]
CURVES = [f"{n} units, {how}" for how in ("looked at 5 times, without a model", "right-censored, two causes")
          for n in (12, 24, 48)]
LATE = [*(f"{2 * r} units, {r} failures, entered late, right-censored" for r in (5, 10, 20)),
        *(f"{n} units, entered late, right-censored, two causes" for n in (24, 48))]
DESIGNS = [*WEIBULL, *CURVES, *LATE]


def _numbers(design: str) -> int:
    found = re.match(r"(\d+) units", design)
    assert found
    return int(found[1])


def _world(n: int, *, checked: bool) -> tuple[Floats, NDArray[np.bool_], Floats]:
    """Half of the units are expected to fail before the end."""
    end = SCALE * math.log(2) ** (1 / SHAPE)
    return np.full(n, end), np.full(n, checked), np.linspace(0, end, 6)[1:]


def _late(n: int) -> tuple[Floats, Floats]:
    """Entries, and the one end of all at which half of the units are expected to have failed."""
    from scipy.optimize import brentq

    entry = np.where(np.arange(n) % 2 == 0, 0.0, (np.arange(n) + 1) / n)

    def failures(end: float) -> float:
        return float(-np.expm1((0.8 * end * entry / SCALE) ** SHAPE - (end / SCALE) ** SHAPE).sum() - n / 2)

    end = float(brentq(failures, 1.0, 10 * SCALE))
    return 0.8 * end * entry, np.full(n, end)


def _lives(design: str, rng: np.random.Generator, k: int, n: int) -> Floats:
    """Lives of k studies; of a unit that entered late, given that it lasted so long."""
    if "entered late" not in design:
        return SCALE * rng.weibull(SHAPE, (k, n))
    return lasting_to("weibull", math.log(SCALE), 1 / SHAPE, _late(n)[0], rng.random((k, n)))


def batch(design: str, drawn: Drawn) -> dict[tuple[str, str], tuple[Any, Any]]:
    """Simulate blocks of studies."""
    made = [_weibull(design, rng, k) if "failures" in design else _curves(design, rng, k) for rng, k in drawn]
    return {key: (np.concatenate([m[key][0] for m in made]), np.concatenate([m[key][1] for m in made]))
            for key in made[0]}


def _weibull(design: str, rng: np.random.Generator, k: int) -> dict[tuple[str, str], tuple[Floats, Floats]]:
    n = _numbers(design)
    end, checked, grid = _world(n, checked="looked at" in design)
    entry: Floats | float = 0.0
    if "entered late" in design:
        entry, end = _late(n)
    seen = looked_at(_lives(design, rng, k, n), end, checked, grid, entry)
    fit = fit_lives(seen)
    ok = fit.found & (seen.failures() >= 2)
    life = SCALE * (-math.log1p(-SHARE)) ** (1 / SHAPE)
    held: dict[tuple[str, str], tuple[Floats, Floats]] = {}

    def put(quantity: str, method: str, low: Floats, high: Floats, true: float) -> None:
        width = np.where(ok, np.where(np.isfinite(high), high - low, np.inf), np.nan)
        held[quantity, method] = (np.asarray((low <= true) & (true <= high)), width)

    put("Weibull shape", RATIO, *ratio_interval(seen, fit, LEVEL), SHAPE)
    put("Weibull scale", RATIO, *ratio_interval(seen, fit, LEVEL, p=EULER_SHARE), SCALE)
    put("life by which 10 % fail", RATIO, *ratio_interval(seen, fit, LEVEL, p=SHARE), life)
    lower = ratio_interval(seen, fit, 2 * LEVEL - 1, p=SHARE)[0]
    roots = _roots(fit, ok, end, checked, grid, rng, entry)
    truth = signed_root(seen, fit, np.full(k, math.log(life)), SHARE)
    held["lower bound of that life", RATIO] = (lower <= life, np.where(ok, life - lower, np.nan))
    held["lower bound of that life", CALIBRATED] = ((lower <= life) | (truth <= roots), np.where(ok, life - lower,
                                                                                                 np.nan))
    return held


def _roots(fit: LifeFit, ok: NDArray[np.bool_], end: Floats, checked: NDArray[np.bool_], grid: Floats,
           rng: np.random.Generator, entry: Floats | float) -> Floats:
    """Root to which the calibrated bound goes, in each study."""
    found = np.full(len(ok), np.nan)
    for i in range(0, len(ok), AT_ONCE):
        block = slice(i, i + AT_ONCE)
        mu, sigma = np.where(ok, fit.mu, 0.0)[block], np.where(ok, fit.sigma, 1.0)[block]
        u = rng.random((len(mu), DRAWS, len(end)))
        m, s = mu[:, None, None], sigma[:, None, None]
        life = (np.exp(np.clip(m + s * standard_quantile("weibull", u), -600, 600)) if np.ndim(entry) == 0 else
                lasting_to("weibull", m, s, np.asarray(entry), u))
        seen = looked_at(life, end, checked, grid, entry)
        again = fit_lives(seen)
        target = (mu + sigma * float(standard_quantile("weibull", SHARE)))[:, None]
        roots = signed_root(seen, again, np.broadcast_to(target, again.mu.shape), SHARE)
        good = again.found & (seen.failures() >= 2)
        for j in range(len(mu)):
            if good[j].sum() > DRAWS / 4:
                # k/(n + 1), or the few draws of a simulation would stand for a confidence of 0.941 in place of 0.95
                found[i + j] = max(float(np.quantile(roots[j][good[j]], LEVEL, method="weibull")), 0.0)
    return found


def _curves(design: str, rng: np.random.Generator, k: int) -> dict[tuple[str, str], tuple[Any, Any]]:
    n = _numbers(design)
    causes = "causes" in design
    end, checked, grid = _world(n, checked=not causes)
    entry = None
    if "entered late" in design:
        entry, end = _late(n)
    at = grid[2:4] if not causes else np.array([0.6, 0.9]) * end[0]
    true = -np.expm1(-(at / SCALE) ** SHAPE)
    names = [f"share failed by {w}{', one of two causes' if causes else ''}" for w in ("the middle", "nearly the end")]
    rows: list[list[tuple[bool, float]]] = []
    for _ in range(k):
        life = _lives(design, rng, 1, n)[0]
        if causes:
            rows.append(_by_cause(life, end, at, 0.6 * true, rng, entry))
            continue
        seen = looked_at(life, end, checked, grid)
        support = support_of(seen.lower, seen.upper)
        masses = resampled_masses(support, rng.multinomial(n, np.full(n, 1 / n), RESAMPLES).astype(float))
        low = np.quantile(incidence(support, masses, at), (1 - LEVEL) / 2, axis=0)
        high = np.quantile(incidence(support, masses, at, late=False), (1 + LEVEL) / 2, axis=0)
        rows.append([(bool(a <= t <= b), float(b - a)) for a, b, t in zip(low, high, true, strict=True)])
    method = "log(-log), Aalen-Johansen" if causes else "percentile band over resampled units"
    return {(name, method): (np.array([r[j][0] for r in rows]), np.array([r[j][1] for r in rows]))
            for j, name in enumerate(names)}


def _by_cause(life: Floats, end: Floats, at: Floats, true: Floats, rng: np.random.Generator,
              entry: Floats | None) -> list[tuple[bool, float]]:
    cause = np.where(life > end, -1, (rng.random(len(life)) > 0.6).astype(int))
    found = product_limit(np.minimum(life, end), cause, 2, entry=entry)
    made = []
    for t, share in zip(at, true, strict=True):
        j = int(np.searchsorted(found.time, t, side="right")) - 1
        if j < 0 or found.incidence[0, j] <= 0:
            made.append((False, math.nan))
            continue
        low, high = loglog_ends(found.incidence[0, j:j + 1], found.incidence_se[0, j:j + 1], 1.959963984540054)
        made.append((bool(low[0] <= share <= high[0]), float(high[0] - low[0])))
    return made


FAMILY = Family("lives", __doc__ or "", DESIGNS, None, TABLE, SEED, studies=STUDIES, batch=batch, cheap=CURVES[3])
