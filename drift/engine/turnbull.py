"""Survival without a model: Turnbull's estimate for intervals, with causes, and Kaplan-Meier where ends are exact.

The estimate puts mass on innermost intervals only: a left end followed at once by a right end. Inside one of them it
is not defined. With causes a column is a pair of innermost interval and cause, and the sums over time are the
cause-specific cumulative incidences; for exact and right-censored lives these are the Aalen-Johansen estimates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

STOP = 1e-9
MOST = 20_000
BOOT_STOP = 1e-5
BOOT_MOST = 2_000


@dataclass(frozen=True, eq=False)
class Support:
    """Where the mass may lie; arrays of shape (n_columns,), and which rows each may explain, (n_units, n_columns)."""

    left: Floats
    right: Floats
    cause: NDArray[np.int64]
    explains: Bools

    def __post_init__(self) -> None:
        for name in ("left", "right", "cause", "explains"):
            held = np.array(getattr(self, name))
            held.setflags(write=False)
            object.__setattr__(self, name, held)


@dataclass(frozen=True, eq=False)
class Turnbull:
    """Mass of each column of the support, and how far the likelihood could still rise.

    ``gradient`` is the largest value over columns of sum_i w_i a_ij / d_i / n - 1 and is at most the stopping value;
    with ``share`` zero wherever it is negative this is the Kuhn-Tucker condition of the maximum.
    """

    support: Support
    mass: Floats
    loglik: float
    gradient: float
    steps: int


def support_of(lower: Floats, upper: Floats, cause: NDArray[np.int64] | None = None) -> Support:
    """Find the innermost intervals of lives in (lower, upper], exact where both are equal.

    Parameters
    ----------
    lower, upper : ndarray, shape (n_units,)
    cause : ndarray of int, optional
        Cause of each failure (any number for units that did not fail); each cause has innermost intervals of its own.

    References
    ----------
    Turnbull, B. W. (1976), JRSS B 38:290-295; Hudgens, M. G., Satten, G. A. and Longini, I. M. (2001), Biometrics
    57:74-80 (causes).
    """
    low, high = np.asarray(lower, np.float64), np.asarray(upper, np.float64)
    why = np.zeros(len(low), np.int64) if cause is None else np.asarray(cause, np.int64)
    open_end = np.isinf(high)
    lefts: list[float] = []
    rights: list[float] = []
    causes: list[int] = []
    cover: list[Bools] = []
    for k in np.unique(why[~open_end]) if (~open_end).any() else np.array([0]):
        mine = open_end | (why == k)
        for a, b in _innermost(low[mine], high[mine]):
            if np.isinf(b) and any(np.isinf(r) for r in rights):
                continue  # mass beyond everything that was seen has no cause yet
            inside = ((low <= a) & (b <= high) & ((low < b) | (low == high)) & ((low < high) | (a == b)))
            lefts.append(a)
            rights.append(b)
            causes.append(-1 if np.isinf(b) else int(k))
            cover.append(inside & (mine if not np.isinf(b) else open_end))
    return Support(np.array(lefts), np.array(rights), np.array(causes, np.int64),
                   np.array(cover, bool).reshape(len(lefts), len(low)).T)


def _innermost(low: Floats, high: Floats) -> list[tuple[float, float]]:
    """Left ends that are followed at once by a right end; an exact life is a closed point."""
    exact = low == high
    # At one time: right ends of (l, r] come before left ends of the next; an exact life opens before and closes after
    # the right ends there, but before intervals that only start there.
    points = [(float(v), 0 if e else 2, 0) for v, e in zip(low, exact, strict=True)]
    points += [(float(v), 1, 1) for v in high]
    points.sort()
    found: list[tuple[float, float]] = []
    last: tuple[float, int, int] | None = None
    for point in points:
        if last is not None and last[2] == 0 and point[2] == 1:
            found.append((last[0], point[0]))
        last = point
    return list(dict.fromkeys(found))


def fit_turnbull(support: Support, weight: Floats | None = None) -> Turnbull:
    """Maximise the likelihood by self-consistency, sped up by extrapolation, until the gradient says it is the maximum.

    References
    ----------
    Turnbull (1976), eq. 3.5; Gentleman, R. and Geyer, C. J. (1994), Biometrika 81:618-623 (the check of the maximum);
    Varadhan, R. and Roland, C. (2008), Scandinavian Journal of Statistics 35:335-353 (extrapolation).
    """
    a = support.explains.astype(np.float64)
    w = np.ones((1, len(a))) if weight is None else np.asarray(weight, np.float64)[None, :]
    p, steps = _self_consistent(a, w, stop=STOP, most=MOST)
    p, gradient = _polished(a, w[0], p[0])
    d = a @ p
    on = w[0] > 0
    return Turnbull(support, p, float((w[0][on] * np.log(d[on])).sum()), gradient, steps)


def resampled_masses(support: Support, weights: Floats) -> Floats:
    """Masses of many resampled studies, shape (n_draws, n_columns); ``weights`` count each unit in each draw.

    The support of a part of the units never lies outside that of all, so one support serves every draw.
    """
    return _self_consistent(support.explains.astype(np.float64), np.asarray(weights, np.float64), stop=BOOT_STOP,
                            most=BOOT_MOST)[0]


def _self_consistent(a: Floats, w: Floats, *, stop: float, most: int) -> tuple[Floats, int]:
    n = w.sum(axis=1, keepdims=True)
    out = np.full((len(w), a.shape[1]), 1 / max(a.shape[1], 1))
    steps = 0
    live = np.arange(len(w))
    while len(live) and a.shape[1] and steps < most:
        steps += 1
        w_live, n_live = w[live], n[live]

        def step(q: Floats, w: Floats = w_live, n: Floats = n_live) -> tuple[Floats, Floats]:
            g = ((w / np.maximum(q @ a.T, 1e-300)) @ a) / n
            return q * g, g

        q = out[live]
        one, g = step(q)
        two, _ = step(one)
        r, v = one - q, two - 2 * one + q
        size = np.sqrt((v**2).sum(1))
        jump = -np.clip(np.sqrt((r**2).sum(1)) / np.maximum(size, 1e-300), 1.0, 1e4)[:, None]
        far = np.maximum(q - 2 * jump * r + jump**2 * v, 1e-2 * two)
        far /= far.sum(axis=1, keepdims=True)
        far, _ = step(far)
        # Keep the extrapolation only where it is no worse than two plain steps.
        better = _height(a, w_live, far) >= _height(a, w_live, two)
        out[live] = np.where(better[:, None], far, two)
        live = live[g.max(axis=1) - 1 >= stop]
    return out, steps


def _height(a: Floats, w: Floats, p: Floats) -> Floats:
    return np.asarray((w * np.log(np.maximum(p @ a.T, 1e-300))).sum(axis=1))


def _polished(a: Floats, w: Floats, p: Floats) -> tuple[Floats, float]:
    """Newton steps on the columns that keep mass: self-consistency is slow to take it from a column that has none."""
    n = float(w.sum())
    if not len(p):  # nobody failed: no mass to place
        return p, 0.0
    for _ in range(30):
        d = np.maximum(a @ p, 1e-300)
        g = (a.T @ (w / d)) / n - 1
        keep = (p > 1e-9) & ~((p < 1e-4) & (g < -1e-6))
        p = np.where(keep, p, 0.0)
        p /= p.sum()
        at = np.flatnonzero(keep)
        d = np.maximum(a @ p, 1e-300)
        scaled = a[:, at] * (np.sqrt(w) / d)[:, None]
        first = a[:, at].T @ (w / d) - n
        hessian = scaled.T @ scaled
        k = len(at)
        system = np.block([[hessian + 1e-12 * np.trace(hessian) * np.eye(k), np.ones((k, 1))],
                           [np.ones((1, k)), np.zeros((1, 1))]])
        move = np.linalg.solve(system, np.append(first, 0.0))[:k]
        with np.errstate(divide="ignore", invalid="ignore"):
            room = np.where(move < 0, -p[at] / move, np.inf).min(initial=np.inf)
        new = p.copy()
        new[at] += min(1.0, 0.9 * float(room)) * move
        new = np.maximum(new, 0.0)
        if _height(a, w[None], new[None])[0] < _height(a, w[None], p[None])[0] - 1e-12:
            break
        p = new / new.sum()
        if float(np.abs(move).max(initial=0.0)) < 1e-14:
            break
    d = np.maximum(a @ p, 1e-300)
    return p, float(((a.T @ (w / d)) / n - 1).max())


def incidence(support: Support, mass: Floats, at: Floats, cause: int | None = None, *, late: bool = True) -> Floats:
    """Share failed by each time, of one cause or of all; shape (..., n_times).

    Parameters
    ----------
    late : bool
        Count the mass of an innermost interval at its right end (the least it can be); False counts it from the left
        end on (the most).
    """
    here = np.isfinite(support.right) & (True if cause is None else support.cause == cause)
    t = np.asarray(at, np.float64)
    ends = support.right if late else support.left
    point = support.left == support.right
    inside = (ends[None, :] <= t[:, None]) if late else ((ends[None, :] < t[:, None]) | (point & (ends <= t[:, None])))
    return np.asarray((mass[..., None, :] * (inside & here[None, :])).sum(axis=-1))


@dataclass(frozen=True, eq=False)
class ProductLimit:
    """Kaplan-Meier steps with causes; arrays of shape (n_times,), causes (n_causes, n_times).

    ``std_error`` is Greenwood's; ``incidence_se`` that of the Aalen-Johansen estimates by the delta method.
    """

    time: Floats
    at_risk: Floats
    failed: Floats
    survival: Floats
    std_error: Floats
    incidence: Floats
    incidence_se: Floats


def product_limit(time: Floats, cause: NDArray[np.int64], n_causes: int = 1, *,
                  entry: Floats | None = None) -> ProductLimit:
    """Kaplan-Meier and Aalen-Johansen estimates of exact and right-censored lives.

    Parameters
    ----------
    time : ndarray, shape (n_units,)
    cause : ndarray of int
        0 to n_causes - 1, or -1 for a unit that was still fit.
    entry : ndarray, optional
        Time after which each unit was watched: it is at risk from there on, so that what is estimated is the curve of
        units that last to the smallest entry.

    References
    ----------
    Klein, J. P. and Moeschberger, M. L. (2003), Survival Analysis, 2nd ed., Springer, section 4.6 (late entries);
    Kaplan, E. L. and Meier, P. (1958), JASA 53:457-481; Aalen, O. O. and Johansen, S. (1978), Scandinavian Journal of
    Statistics 5:141-150; variance as in Marubini, E. and Valsecchi, M. G. (1995), Analysing Survival Data from
    Clinical Trials, Wiley, eq. 10.12.
    """
    at = np.unique(time[cause >= 0])
    since = np.full(len(time), -np.inf) if entry is None else np.where(entry > 0, entry, -np.inf)
    risk = np.array([((time >= t) & (since < t)).sum() for t in at], np.float64)
    by = np.array([[((time == t) & (cause == k)).sum() for t in at] for k in range(n_causes)], np.float64)
    by = by.reshape(n_causes, len(at))
    d = by.sum(axis=0)
    s = np.cumprod(1 - d / risk) if len(at) else np.zeros(0)
    before = np.concatenate([[1.0], s[:-1]]) if len(at) else np.zeros(0)
    with np.errstate(divide="ignore", invalid="ignore"):
        term = np.where(risk > d, d / (risk * np.maximum(risk - d, 1e-300)), 0.0)
    cumulative = np.cumsum(before * by / np.maximum(risk, 1), axis=1)
    se = s * np.sqrt(np.cumsum(term))
    var = np.zeros_like(cumulative)
    for j in range(len(at)):
        gap = cumulative[:, j:j + 1] - cumulative[:, :j + 1]
        dk, nj, sb = by[:, :j + 1], risk[:j + 1], before[:j + 1]
        var[:, j] = ((gap**2 * term[:j + 1]).sum(1) + (sb**2 * dk * (nj - dk) / nj**3).sum(1)
                     - 2 * (gap * sb * dk / nj**2).sum(1))
    return ProductLimit(at, risk, d, s, se, cumulative, np.sqrt(np.maximum(var, 0.0)))
