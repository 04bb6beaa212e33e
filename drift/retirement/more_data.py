"""What more checks, more sensors or more batches would each buy: the same rule on studies like this one, but larger.

Studies are drawn from this study's own estimates, so the gains are those to be expected if the estimates are right;
they say what to do next, not what the count will be.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.engine.sparse_lines import Checks, fit_line_models
from drift.errors import Finding
from drift.results import ResultTable, join_words
from drift.retirement.bound import retire_arrays, split_shares
from drift.retirement.evaluate import ConstructionAnswer
from drift.retirement.groups import Exposure, Group
from drift.retirement.limits import QUESTION
from drift.retirement.wording import label_of

Floats = NDArray[np.float64]

TABLE = "what would more data buy"
STUDIES, STUDIES_TWO_LEVEL = 400, 64
CHECKS, SENSORS, BATCHES = "3 more checks a sensor", "twice the sensors", "as many sensors again, of new batches"
FULL = math.inf  # checks without end: every sensor's true line is known


@dataclass(frozen=True, kw_only=True)
class Gain:
    """One larger study: what is added, its size, and the median of its uncut counts."""

    change: str
    sensors: int
    batches: int
    checks: float
    count: float
    gained: float


@dataclass(frozen=True, eq=False)
class _Spread:
    """Mean line, covariances between batches, within them and of check error (one a sensor), per unit of exposure."""

    mean: Floats
    between: Floats
    within: Floats
    error: Floats


def more_data(a: ConstructionAnswer, *, seed: int) -> tuple[Gain, ...]:
    """Simulate larger studies of the binding limit; nothing where it is refused, cut at the cap or by a mixed model.

    Parameters
    ----------
    a : ConstructionAnswer
    seed : int
        The same draws serve all sizes, so that gains are not noise.
    """
    x = a.binding
    if x is None or x.bound != "exact" or x.group.sparse is not None or x.group.checks is None or x.count <= 0:
        return ()
    g = x.group
    assert g.checks is not None
    spread = _spread(g, g.checks)
    if not np.isfinite(spread.error).all() or not np.trace(spread.between + spread.within) > 0:
        return ()
    each = split_shares(a.content, a.confidence, len(a.limits))
    mean_checks = float(g.checks.n.mean())
    sizes: list[tuple[str, int, float, bool]] = [
        ("as it is", 0, 0.0, False), ("1 more check a sensor", 0, 1.0, False), (CHECKS, 0, 3.0, False),
        ("twice the checks", 0, mean_checks, False), ("checks without end", 0, FULL, False),
        ("5 more sensors", 5, 0.0, False), (SENSORS, g.n, 0.0, False)]
    if g.two_level:
        sizes.append((BATCHES, g.n, 0.0, True))
    found: list[Gain] = []
    for change, sensors, checks, batches in sizes:
        count, n_batches = _median(g, spread, each, sensors, checks, batches, seed)
        found.append(Gain(change=change, sensors=g.n + sensors, batches=n_batches, checks=mean_checks + checks,
                          count=count, gained=count - found[0].count if found else 0.0))
    return tuple(found)


def _spread(g: Group, c: Checks) -> _Spread:
    fit = fit_line_models(c)
    unit = np.array([1.0, c.scale])
    per = np.outer(unit, unit)
    d = np.array([[float(fit.d00), float(fit.d01)], [float(fit.d01), float(fit.d11)]]) / per
    inner = np.stack([np.stack([c.n, c.sx], -1), np.stack([c.sx, c.sxx], -1)], -2)
    error = float(fit.sigma2) * np.linalg.inv(inner) / per
    mean = np.array([float(fit.beta0), float(fit.beta1)]) / unit
    between = np.zeros((2, 2))
    if g.two_level and g.batch is not None:
        lines = np.stack([c.d0, c.d1 / c.scale], axis=1)
        size = np.bincount(g.batch)
        means = np.stack([np.bincount(g.batch, v) / size for v in lines.T], axis=1)
        away = lines - means[g.batch]
        inside = away.T @ away / max(g.n - len(size), 1)
        between = _psd(np.cov(means.T) - inside * float((1 / size).mean()))
        d = _psd(inside - error.mean(0)) if g.n > len(size) else np.zeros((2, 2))
    return _Spread(mean, between, d, error)


def _psd(m: Floats) -> Floats:
    w, v = np.linalg.eigh(m)
    return np.asarray((v * np.maximum(w, 0.0)) @ v.T)


def _root(m: Floats) -> Floats:
    w, v = np.linalg.eigh(m)
    return np.asarray((v * np.sqrt(np.maximum(w, 0.0))[..., None, :]) @ np.swapaxes(v, -1, -2))


def _median(g: Group, s: _Spread, each: tuple[float, float], sensors: int, checks: float, batches: bool,
            seed: int) -> tuple[float, int]:
    """Median uncut count of studies with so many more sensors and checks, and the number of their batches."""
    assert g.checks is not None
    n = g.n + sensors
    old = np.arange(n) % g.n
    code, many = None, len(g.batch_names) if g.batch is not None else 0
    if g.two_level and g.batch is not None:
        code = g.batch[old] + (len(g.batch_names) * (np.arange(n) // g.n) if batches else 0)
        many = int(code.max()) + 1
    n_studies = STUDIES if code is None else STUDIES_TWO_LEVEL
    rng = np.random.default_rng(np.random.SeedSequence([seed, 5]))
    # Draws of a sensor do not depend on how many others there are.
    z = rng.standard_normal((2 * g.n + 5, 3, n_studies, 2))[:n]
    of_batch = np.zeros((n, n_studies, 2)) if code is None else z[np.unique(code, return_index=True)[1][code], 0]
    shrink = np.zeros(n) if checks == FULL else 1 / np.sqrt(1 + checks / g.checks.n[old])
    lines = (s.mean + of_batch @ _root(s.between) + z[:, 1] @ _root(s.within)
             + np.einsum("nsi,nij->nsj", z[:, 2], _root(s.error[old])) * shrink[:, None, None])
    start = np.full((n_studies, n), g.early) if g.limit.relative else lines[..., 0].T
    c = retire_arrays(start, lines[..., 1].T, g.limit.threshold(), content=each[0], confidence=each[1], batch=code)
    return float(np.median(np.maximum(np.fmin(c.line, c.companion), 0.0))), many


def more_table(answers: list[ConstructionAnswer], more: list[tuple[Gain, ...]], exposure: Exposure) -> ResultTable:
    """Table "what would more data buy"."""
    rows = [(a, x) for a, found in zip(answers, more, strict=True) for x in found]
    columns: dict[str, Any] = {
        "construction": np.array([a.construction for a, _ in rows], dtype=object),
        "limit": np.array([a.binding.group.limit.key if a.binding else "" for a, _ in rows], dtype=object),
        "change": np.array([x.change for _, x in rows], dtype=object),
        "sensors": np.array([float(x.sensors) for _, x in rows]),
        "batches": np.array([float(x.batches) if x.batches else math.nan for _, x in rows]),
        "checks a sensor": np.array([x.checks if math.isfinite(x.checks) else math.nan for _, x in rows]),
        "typical count": np.array([x.count for _, x in rows]),
        "gained": np.array([x.gained for _, x in rows])}
    return ResultTable.build(TABLE, columns, units={"typical count": exposure.unit, "gained": exposure.unit}, caption=(
        "Median count before rounding of simulated studies like this one, but larger, drawn from this study's own "
        "estimates and put through the same rule; what is gained is the difference to a study of this size."))


def more_findings(answers: list[ConstructionAnswer], more: list[tuple[Gain, ...]],
                  exposure: Exposure) -> list[Finding]:
    """One sentence a construction: what to add next time."""
    made = []
    for a, found in zip(answers, more, strict=True):
        said = [f"{max(x.gained, 0.0):.1f} {exposure.per} by {x.change}" for x in found
                if x.change in (CHECKS, SENSORS, BATCHES)]
        if said:
            made.append(Finding(severity="note", code="more-data", question=QUESTION, message=(
                f"{label_of(a.construction)}: the count would typically gain {join_words(said)} (simulated from this "
                "study's own estimates)")))
    return made
