"""Straight lines of sensors, tolerance bounds of those lines, and where a bound first leaves a limit.

Everything here looks upwards: a value is fit while it is at or below the limit. Callers with a lower
limit flip the sign of values and limit. The last axis of every array is the sensors; leading axes are
studies, so that thousands of simulated studies take one call.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.new_batches import OneWay, two_level_bound, two_level_confidence
from drift.engine.readonly import frozen_array

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WHOLE_TOLERANCE = 1e-9  # a crossing within this relative distance below a whole number counts as that number


@dataclass(frozen=True)
class SensorLines:
    """Ordinary least-squares lines, one a sensor; arrays of shape (..., n_sensors)."""

    intercept: Floats
    slope: Floats
    slope_se: Floats
    n: Floats
    first: Floats
    last: Floats

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            object.__setattr__(self, name, frozen_array(getattr(self, name)))


def fit_lines(x: ArrayLike, y: ArrayLike) -> SensorLines:
    """Fit one unweighted straight line a sensor.

    Parameters
    ----------
    x, y : array_like, shape (..., n_sensors, n_occasions)
        Exposure and value of each occasion; NaN in either leaves the occasion out.

    Returns
    -------
    SensorLines
        A sensor with fewer than two distinct exposures has NaN for slope and intercept; the standard
        error of a slope needs three occasions.
    """
    xx, yy = np.broadcast_arrays(np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64))
    here = np.isfinite(xx) & np.isfinite(yy)
    w = here.astype(np.float64)
    n = w.sum(-1)
    x0, y0 = np.where(here, xx, 0.0), np.where(here, yy, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        xbar, ybar = x0.sum(-1) / n, y0.sum(-1) / n
        dx = np.where(here, x0 - xbar[..., None], 0.0)
        dy = np.where(here, y0 - ybar[..., None], 0.0)
        sxx = (dx * dx).sum(-1)
        slope = np.where(sxx > 0, (dx * dy).sum(-1) / sxx, np.nan)
        rss = ((dy - slope[..., None] * dx) ** 2).sum(-1)
        se = np.where((n > 2) & (sxx > 0), np.sqrt(rss / (n - 2) / sxx), np.nan)
    first = np.where(n > 0, np.where(here, xx, np.inf).min(-1, initial=np.inf), np.nan)
    last = np.where(n > 0, np.where(here, xx, -np.inf).max(-1, initial=-np.inf), np.nan)
    return SensorLines(ybar - slope * xbar, slope, se, n, first, last)


def own_crossings(intercept: ArrayLike, slope: ArrayLike, limit: ArrayLike) -> Floats:
    """Exposure at which each line reaches the limit (pseudo failure time), shape (..., n_sensors).

    Returns
    -------
    ndarray
        (limit - intercept) / slope; ``inf`` for a line that does not rise towards the limit, 0 for one that
        starts at or beyond it.

    References
    ----------
    Meeker, W. Q. and Escobar, L. A. (1998), Statistical Methods for Reliability Data, Wiley, section 13.3.
    """
    a, b = np.asarray(intercept, dtype=np.float64), np.asarray(slope, dtype=np.float64)
    gap = np.asarray(limit, dtype=np.float64) - a
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.where(b > 0, gap / b, np.inf)
    return np.where(np.isnan(a + b), np.nan, np.where(gap <= 0, 0.0, t))


@dataclass(frozen=True)
class LineSummary:
    """Mean line and the quadratic variance of line values: var(N) = s00 + 2 N s01 + N^2 s11 (divisor n - 1)."""

    n: int
    mean0: Floats
    mean1: Floats
    s00: Floats
    s01: Floats
    s11: Floats

    def mean(self, at: ArrayLike) -> Floats:
        """Mean of the line values at exposure ``at``."""
        return np.asarray(self.mean0 + self.mean1 * np.asarray(at, dtype=np.float64))

    def sd(self, at: ArrayLike) -> Floats:
        """SD of the line values at exposure ``at``."""
        x = np.asarray(at, dtype=np.float64)
        return np.sqrt(np.maximum(self.s00 + 2 * x * self.s01 + x * x * self.s11, 0.0))

    def bound(self, at: ArrayLike, k: ArrayLike) -> Floats:
        """Mean plus k SDs at exposure ``at``."""
        return np.asarray(self.mean(at) + np.asarray(k) * self.sd(at))


def summarise_lines(intercept: ArrayLike, slope: ArrayLike) -> LineSummary:
    """Mean and covariance of (intercept, slope) over the last axis."""
    a, b = np.broadcast_arrays(np.asarray(intercept, dtype=np.float64), np.asarray(slope, dtype=np.float64))
    n = a.shape[-1]
    m0, m1 = a.mean(-1), b.mean(-1)
    da, db = a - m0[..., None], b - m1[..., None]
    d = max(n - 1, 1)
    return LineSummary(n, m0, m1, (da * da).sum(-1) / d, (da * db).sum(-1) / d, (db * db).sum(-1) / d)


def first_crossing(lines: LineSummary, k: ArrayLike, limit: ArrayLike) -> Floats:
    """Largest exposure N (real) with mean(m) + k sd(m) <= limit for all 0 <= m <= N, in closed form.

    With k >= 0 the bound is convex in N (a line plus a multiple of a norm), so the set where it respects
    the limit is one interval and its upper end is a root of the quadratic
    (limit - mean(N))^2 = k^2 var(N). With k < 0 (lower confidence band of a mean) the first root is taken.

    Returns
    -------
    ndarray, shape (...,)
        -1 where the bound is beyond the limit already at 0; ``inf`` where it never leaves the limit.
    """
    kk, lim = np.asarray(k, dtype=np.float64), np.asarray(limit, dtype=np.float64)
    gap, b, k2 = lim - lines.mean0, lines.mean1, np.square(kk)
    qa = b * b - k2 * lines.s11
    qb = -2 * (gap * b + k2 * lines.s01)
    qc = gap * gap - k2 * lines.s00
    # The discriminant worked out by hand: k^2 is a factor of it, so nothing cancels when k is small.
    inner = (lines.s11 * gap * gap + 2 * lines.s01 * gap * b + lines.s00 * b * b
             + k2 * (lines.s01**2 - lines.s00 * lines.s11))
    qa, qb, qc, gap, b, kk, inner = np.broadcast_arrays(qa, qb, qc, gap, b, kk, inner)
    # Stable quadratic formula: q has the sign of -qb, so neither root loses digits to cancellation.
    with np.errstate(divide="ignore", invalid="ignore"):
        root = 2 * np.abs(kk) * np.sqrt(np.maximum(inner, 0.0))
        q = -(qb + np.where(qb >= 0, root, -root)) / 2
        roots = np.stack([q / qa, qc / q])
        real = ((inner >= 0) | (kk == 0)) & np.isfinite(roots) & (roots >= 0)
        # Squaring adds roots of mean - k sd; those of the bound have limit - mean of the sign of k.
        side = (gap - b * roots) * np.where(kk < 0, -1.0, 1.0)
        scale = np.abs(gap) + np.abs(b * roots)
        mine = real & (side >= -1e-12 * scale)
        candidates = np.where(mine, roots, np.inf)
    # A root at 0 itself belongs to a bound that starts on the limit and may fall: it ends nothing then.
    start = gap - kk * np.sqrt(np.maximum(lines.s00, 0.0))
    first = candidates.min(0)
    last = np.where(np.isfinite(candidates), candidates, -np.inf).max(0)
    end = np.where(kk < 0, first, np.where(np.isfinite(last), last, np.inf))
    return np.where(np.isnan(start), np.nan, np.where(start < 0, -1.0, end))


def companion_crossing(times: ArrayLike, k: ArrayLike) -> Floats:
    """Skew companion: exp(mean - k sd) of the logs of the sensors' own crossing counts.

    Parameters
    ----------
    times : array_like, shape (..., n_sensors)
        Own crossing counts; a study with one that is not positive and finite gives NaN.
    k : array_like, shape (...,)
        One-sided tolerance factor for ``n_sensors`` values.
    """
    t = np.asarray(times, dtype=np.float64)
    usable = np.all(np.isfinite(t) & (t > 0), axis=-1)
    logs = np.log(np.where(np.isfinite(t) & (t > 0), t, 1.0))
    sd = logs.std(-1, ddof=1) if t.shape[-1] > 1 else np.full(t.shape[:-1], np.nan)
    return np.where(usable, np.exp(logs.mean(-1) - np.asarray(k) * sd), np.nan)


@dataclass(frozen=True)
class BatchSummary:
    """Between- and within-batch sums of squares of line values as quadratics in exposure, and the mean line.

    ``between`` and ``within`` hold the coefficients (q00, q01, q11) of q00 + 2 N q01 + N^2 q11 on their last
    axis. Between sums are of unweighted batch means.
    """

    n_batches: int
    df_within: int
    harmonic_m: float
    mean0: Floats
    mean1: Floats
    between: Floats
    within: Floats

    def part(self, which: slice | Ints, shape: tuple[int, ...]) -> BatchSummary:
        """Return some of the studies, after broadcasting to ``shape`` and flattening."""
        def flat(values: Floats) -> Floats:
            return np.broadcast_to(values, shape).ravel()[which]

        def rows(values: Floats) -> Floats:
            return np.broadcast_to(values, (*shape, 3)).reshape(-1, 3)[which]

        return BatchSummary(self.n_batches, self.df_within, self.harmonic_m, flat(self.mean0), flat(self.mean1),
                            rows(self.between), rows(self.within))

    def at(self, exposure: ArrayLike) -> OneWay:
        """One-way sample of the line values at each exposure."""
        x = np.asarray(exposure, dtype=np.float64)
        terms = np.stack([np.ones_like(x), 2 * x, x * x], axis=-1)
        return OneWay(self.mean0 + self.mean1 * x, (self.between * terms).sum(-1), (self.within * terms).sum(-1),
                      self.n_batches, self.df_within, self.harmonic_m)

    def bound(self, exposure: ArrayLike, *, content: float, confidence: float) -> Floats:
        """Two-level tolerance bound of line values (see ``two_level_bound``)."""
        return two_level_bound(self.at(exposure), content=content, confidence=confidence)

    def confidence(self, exposure: ArrayLike, limit: ArrayLike, *, content: float) -> Floats:
        """Confidence that the share ``content`` of new units is within ``limit``."""
        return two_level_confidence(self.at(exposure), limit, content=content)


def summarise_batches(intercept: ArrayLike, slope: ArrayLike, batch: ArrayLike) -> BatchSummary:
    """Unweighted batch means and sums of squares of lines.

    Parameters
    ----------
    intercept, slope : array_like, shape (..., n_sensors)
        Lines.
    batch : array_like of int, shape (n_sensors,)
        Batch code of each sensor, the same in all studies.
    """
    a, b = np.broadcast_arrays(np.asarray(intercept, dtype=np.float64), np.asarray(slope, dtype=np.float64))
    names, code = np.unique(np.asarray(batch), return_inverse=True)
    member = (code[:, None] == np.arange(len(names))).astype(np.float64)
    size = member.sum(0)
    am, bm = a @ member / size, b @ member / size
    m0, m1 = am.mean(-1), bm.mean(-1)

    def products(u: Floats, v: Floats) -> Floats:
        return np.stack([(u * u).sum(-1), (u * v).sum(-1), (v * v).sum(-1)], axis=-1)

    between = products(am - m0[..., None], bm - m1[..., None])
    within = products(a - am[..., code], b - bm[..., code])
    return BatchSummary(len(names), a.shape[-1] - len(names), float(len(size) / (1 / size).sum()), m0, m1, between,
                        within)


def first_crossing_batches(lines: BatchSummary, limit: ArrayLike, upper: ArrayLike, *, content: float,
                           confidence: float, cells: int = 6) -> Floats:
    """Largest exposure N (real) in [0, upper] with the two-level bound within the limit for all 0 <= m <= N.

    The bound is within the limit where the confidence of ``content`` being within it is at least ``confidence``;
    that has no closed form and is solved by a grid and false position, for all studies at once.

    Parameters
    ----------
    lines : BatchSummary
        Shape (n_studies,) or ().
    limit, upper : array_like, shape (n_studies,) or ()
        Limit, and end of the search.
    cells : int
        Cells of the grid that looks for the first departure.

    Returns
    -------
    ndarray
        -1 where the bound is beyond the limit at 0; ``inf`` where it respects the limit up to ``upper``.
    """
    shape = np.broadcast_shapes(lines.mean0.shape, np.shape(limit), np.shape(upper))
    lim, end = (np.broadcast_to(np.asarray(v, dtype=np.float64), shape).ravel() for v in (limit, upper))
    found = np.empty(len(lim))
    for start in range(0, len(lim), 64):  # a block of studies at a time keeps the arrays in the cache
        part = slice(start, start + 64)
        found[part] = _crossing_block(lines.part(part, shape), lim[part], end[part], content, confidence, cells)
    return found.reshape(shape)


def _crossing_block(lines: BatchSummary, limit: Floats, upper: Floats, content: float, confidence: float,
                    cells: int) -> Floats:
    from scipy.special import ndtri

    target = float(ndtri(confidence))

    def excess(at: Floats, rows: Ints) -> Floats:
        # On the normal-score scale the confidence is nearly straight in exposure, so false position is quick.
        c = lines.part(rows, limit.shape).confidence(at, limit[rows], content=content)
        return np.asarray(target - ndtri(np.clip(c, 1e-15, 1 - 1e-15)))

    n = len(limit)
    low, high, f_low, f_high = np.zeros(n), np.zeros(n), np.zeros(n), np.full(n, np.nan)
    left, before = np.arange(n), np.zeros(n)
    for i in range(cells + 1):  # the first departure ends the search of its study
        at = upper[left] * i / cells
        f = excess(at, left)
        out = f > 0
        hit = left[out]
        low[hit], high[hit], f_low[hit], f_high[hit] = upper[hit] * max(i - 1, 0) / cells, at[out], before[hit], f[out]
        before[left] = f
        left = left[~out]
    never = np.isnan(f_high)
    inside = ~never & (high > 0)
    width, side = np.maximum(high - low, 1e-300), np.zeros(n)
    left = np.flatnonzero(inside)
    for _ in range(50):  # Illinois variant: halve the kept end's value when the same side moves twice
        if not len(left):
            break
        a, b, fa, fb, was = low[left], high[left], f_low[left], f_high[left], side[left]
        with np.errstate(divide="ignore", invalid="ignore"):
            x = b - fb * (b - a) / (fb - fa)
        x = np.where(np.isfinite(x) & (x > a) & (x < b), x, (a + b) / 2)
        f = excess(x, left)
        up, close = f > 0, np.abs(f) < 1e-10
        f_low[left] = np.where(up, np.where(was == 1, fa / 2, fa), f)
        f_high[left] = np.where(up, f, np.where(was == -1, fb / 2, fb))
        low[left] = np.where(up & ~close, a, x)
        high[left], side[left] = np.where(up, x, b), np.where(up, 1.0, -1.0)
        left = left[~close & (high[left] - low[left] > 1e-9 * width[left])]
    return np.where(never, np.inf, np.where(inside, low, -1.0))


def whole(crossing: ArrayLike, step: ArrayLike = 1.0) -> Floats:
    """Round a crossing down to a multiple of ``step``; a hair below a multiple counts as the multiple."""
    c, s = np.asarray(crossing, dtype=np.float64), np.asarray(step, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        down = np.floor(c / s * (1 + WHOLE_TOLERANCE) + 1e-12) * s
    return np.where(np.isfinite(c), np.where(c < 0, -1.0, down), c)
