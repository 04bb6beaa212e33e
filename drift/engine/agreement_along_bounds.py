"""Intervals of bias and limits of agreement along use, and where they leave a harmless difference."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.agreement_along_path import FLOOR, Path
from drift.engine.limits_of_agreement import MULTIPLIER

FloatArray = NDArray[np.float64]

CAP = 1.25  # nothing is stated beyond this multiple of the largest use seen
CELLS = 30
POINTS = 1000  # of the generalised pivotal quantity
STEPS = 4  # to one degree of freedom


def mean_df(path: Path) -> FloatArray:
    """Satterthwaite degrees of freedom of the mean's variance, not below the fewest of a stratum that adds to it."""
    terms, of = path.parts, path.parts_df
    with np.errstate(divide="ignore", invalid="ignore"):
        df = terms.sum(1) ** 2 / (terms**2 / of).sum(1)
    floor = np.where(path.of_mean > 0, of, np.inf).min(1)
    floor = np.where(np.isfinite(floor), floor, of.min(1))
    return np.asarray(np.maximum(np.where(np.isfinite(df), df, floor), np.maximum(floor, 1.0)), float)


def mean_interval(path: Path, level: float) -> tuple[FloatArray, FloatArray]:
    """Return the t interval of the mean in each direction."""
    from scipy import special

    half = special.stdtrit(mean_df(path), 0.5 + level / 2) * np.sqrt(path.mean_variance)
    return path.mean - half, path.mean + half


def p_value(path: Path) -> FloatArray:
    """Two-sided p-value that the mean is zero."""
    from scipy import special

    se = np.sqrt(path.mean_variance)
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.where(se > 0, np.abs(path.mean) / se, np.where(path.mean == 0, 0.0, np.inf))
    return np.asarray(2 * special.stdtr(mean_df(path), -t), float)


def _variance_bound(path: Path, coefficients: FloatArray, probability: float) -> FloatArray:
    """MOVER bound of a sum of mean squares (Zou & Donner 2008); chi-square, and so exact, with one stratum."""
    from scipy import special

    ms, df = path.mean_squares, path.df
    low = ms * (df / special.chdtri(df, min(probability, 1 - probability)))
    high = ms * (df / special.chdtri(df, max(probability, 1 - probability)))
    up = probability >= 0.5
    reach = np.where((coefficients > 0) == up, high - ms, ms - low)
    distance = np.sqrt(((coefficients * reach) ** 2).sum(1))
    value = (coefficients * ms).sum(1)
    return np.asarray(np.maximum(value + distance if up else value - distance, 0.0), float)


def spread_interval(path: Path, level: float) -> tuple[FloatArray, FloatArray]:
    """Interval of the SD between sensors in each direction, MOVER."""
    tail = 0.5 - level / 2
    return (np.sqrt(_variance_bound(path, path.between, tail)), np.sqrt(_variance_bound(path, path.between, 1 - tail)))


def sd_interval(path: Path, level: float) -> tuple[FloatArray, FloatArray]:
    """Interval of the SD of one difference on a new target with a new sensor, MOVER."""
    tail = 0.5 - level / 2
    return (np.sqrt(_variance_bound(path, path.total, tail)), np.sqrt(_variance_bound(path, path.total, 1 - tail)))


def limit_reach(path: Path, probability: float, *, multiplier: float = MULTIPLIER) -> FloatArray:
    """How far from the mean the one-sided bound of a limit lies, shape (n,); the same below and above the mean.

    ``mean + reach`` bounds ``mean + multiplier x SD`` from above (from below if probability < 0.5).

    Notes
    -----
    Exact noncentral t with one stratum (regression limits). With several, MOVER (Zou 2013); an outer bound is the
    further out of that and the generalised pivotal bound, because MOVER alone falls short where nearly all spread lies
    in one stratum of few degrees of freedom, and the other is exact there.
    """
    from scipy import special

    sd = np.sqrt(path.variance)
    if path.mean_squares.shape[1] == 1:
        root = 1 / np.sqrt(path.of_mean[:, 0])
        return np.asarray(sd * special.nctdtrit(path.df[0], multiplier * root, probability) / root, float)
    t = special.stdtrit(mean_df(path), probability)
    spread = np.sqrt(_variance_bound(path, path.total, probability)) - sd
    distance = np.sqrt(t**2 * path.mean_variance + (multiplier * spread) ** 2)
    if probability < 0.5:
        return np.asarray(multiplier * sd - distance, float)
    return np.asarray(np.fmax(multiplier * sd + distance, _pivotal_reach(path, probability, multiplier)), float)


def upper_bound(path: Path, probability: float, *, multiplier: float = MULTIPLIER) -> FloatArray:
    """One-sided upper confidence bound of mean + multiplier x SD (lower bound if probability < 0.5)."""
    return np.asarray(path.mean + limit_reach(path, probability, multiplier=multiplier), float)


def lower_bound(path: Path, probability: float, *, multiplier: float = MULTIPLIER) -> FloatArray:
    """One-sided upper confidence bound of mean - multiplier x SD (lower bound if probability < 0.5)."""
    return np.asarray(path.mean - limit_reach(path, 1 - probability, multiplier=multiplier), float)


def _pivotal_reach(path: Path, probability: float, multiplier: float) -> FloatArray:
    """Upper quantile of the generalised pivotal quantity of a limit, from the mean (Weerahandi 1993)."""
    z, expected = _points(tuple(path.df.tolist()))
    parts = path.parts
    first = _first(path, expected[:, 0]) * parts[:, 0]
    of_mean = np.maximum(first + expected[:, 1:] @ parts[:, 1:].T, FLOOR * first)
    # Draws below zero of the variance between sensors are draws of zero: else they would take from the other parts.
    between = expected @ (path.between * path.mean_squares).T
    total = expected @ (path.total * path.mean_squares).T - np.minimum(between, 0.0)
    value = multiplier * np.sqrt(np.maximum(total, 0.0, out=total), out=total)
    value += z[:, None] * np.sqrt(of_mean, out=of_mean)
    rank = min(int(np.ceil(probability * len(z))), len(z)) - 1
    return np.asarray(np.partition(value, rank, axis=0)[rank], float)


@lru_cache(maxsize=8)
def _cube(dims: int) -> FloatArray:
    """Points spread evenly over the unit cube; nothing is random."""
    ratio = 2.0
    for _ in range(60):  # the number whose powers fill the cube evenly: the root of r^(dims + 1) = r + 1
        ratio = (1 + ratio) ** (1 / (dims + 1))
    steps = ratio ** -np.arange(1, dims + 1)
    at: FloatArray = (0.5 + np.arange(1, POINTS + 1)[:, None] * steps) % 1
    at.setflags(write=False)
    return at


@lru_cache(maxsize=16)
def _points(df: tuple[float, ...]) -> tuple[FloatArray, FloatArray]:
    """Return normal deviates and df / chi-square values at the points of the cube."""
    from scipy import special

    at = _cube(len(df) + 1)
    z = special.ndtri(at[:, 0])
    expected = np.column_stack([_ratio(len(df) + 1, i + 1, d) for i, d in enumerate(df)])
    z.setflags(write=False)
    expected.setflags(write=False)
    return z, expected


@lru_cache(maxsize=256)
def _ratio(dims: int, axis: int, df: float) -> FloatArray:
    """Return df / chi-square along one axis of the cube."""
    from scipy import special

    return np.asarray(df / special.chdtri(df, _cube(dims)[:, axis]), float)


def _first(path: Path, expected: FloatArray) -> FloatArray:
    """Return df / chi-square of the sensors' part of the mean, shape (points, 1 or n), at the points of ``expected``.

    Where sensors weigh alike it is that of the mean square between them. Elsewhere its degrees of freedom change along
    use; what lies between two of ``STEPS`` to the whole is read off between them, so that bounds run on smoothly.
    """
    df, own, dims = float(path.df[0]), path.parts_df[:, 0], len(path.df) + 1
    if np.all(np.abs(own - df) < 1e-6 * df):
        return expected[:, None]
    at = STEPS * np.clip(own, 1.0, df)
    below = np.minimum(np.floor(at), max(STEPS * df - 1, STEPS))
    steps, where = np.unique(np.concatenate([below, below + 1]), return_inverse=True)
    ratios = np.column_stack([_ratio(dims, 1, float(s) / STEPS) for s in steps])
    share = at - below
    return np.asarray(ratios[:, where[:len(own)]] * (1 - share) + ratios[:, where[len(own):]] * share, float)


@dataclass(frozen=True, kw_only=True)
class Crossing:
    """First use at which something leaves the harmless difference.

    ``value``, ``low`` and ``high`` are the first exposure where the estimate, its bound away from zero and its bound
    towards zero lie outside; the start where they do so from the start, infinity where they do not up to the end.
    """

    value: float
    low: float
    high: float


Pair = tuple[FloatArray, FloatArray]


def first_outside(uses: FloatArray, ends: Callable[[FloatArray], Pair], harmless: float) -> float:
    """First exposure at which the lower value is below -harmless or the upper above +harmless.

    Parameters
    ----------
    uses : array, shape (n,)
        Grid, rising.
    ends : callable
        Gives lower and upper value at an array of exposures.

    Returns
    -------
    float
        Refined within its cell of the grid; ``inf`` if not within the grid.
    """
    def excess(at: FloatArray) -> FloatArray:
        low, high = ends(at)
        return np.maximum(-harmless - low, high - harmless)

    grid = uses
    for _ in range(2):
        f = excess(grid)
        out = np.nonzero(f > 0)[0]
        if not len(out):
            return np.inf
        j = int(out[0])
        if j == 0:
            return float(grid[0])
        a, b = float(grid[j - 1]), float(grid[j])
        f_a, f_b = float(f[j - 1]), float(f[j])
        grid = np.linspace(a, b, 9)
    return a + (b - a) * (-f_a / (f_b - f_a)) if f_b > f_a else b


At = Callable[[FloatArray], Path]


def remembered(at: At, uses: FloatArray) -> At:
    """Return ``at`` with its answer on the grid kept, since every search for a crossing starts there."""
    first = at(uses)
    return lambda x: first if x is uses else at(x)


def bias_crossing(at: At, uses: FloatArray, harmless: float, *, level: float = 0.95) -> Crossing:
    """First exposure at which the bias lies beyond the harmless difference.

    Parameters
    ----------
    at : callable
        Path at an array of exposures.
    uses : array
        Grid from the first exposure to the last one about which anything is said.
    harmless, level : float
        The interval is the pointwise interval of the bias turned round.
    """
    def ends(which: str) -> Callable[[FloatArray], Pair]:
        def of(x: FloatArray) -> Pair:
            path = at(x)
            if which == "value":
                return path.mean, path.mean
            low, high = mean_interval(path, level)
            return (low, high) if which == "outer" else (high, low)
        return of

    return Crossing(value=first_outside(uses, ends("value"), harmless),
                    low=first_outside(uses, ends("outer"), harmless),
                    high=first_outside(uses, ends("inner"), harmless))


def _limits(at: At, probability: float, multiplier: float) -> Callable[[FloatArray], Pair]:
    """Return both limits at exposures, or their bounds away from zero (towards it if probability < 0.5)."""
    def ends(x: FloatArray) -> Pair:
        path = at(x)
        reach = (multiplier * np.sqrt(path.variance) if probability == 0.5 else
                 limit_reach(path, probability, multiplier=multiplier))
        return path.mean - reach, path.mean + reach
    return ends


def limit_crossing(at: At, uses: FloatArray, harmless: float, *, level: float = 0.95,
                   multiplier: float = MULTIPLIER) -> Crossing:
    """First exposure at which either limit lies beyond the harmless difference; arguments as :func:`bias_crossing`."""
    tail = 0.5 - level / 2
    value, low, high = (first_outside(uses, _limits(at, p, multiplier), harmless) for p in (0.5, 1 - tail, tail))
    return Crossing(value=value, low=low, high=high)


def protocol_limit(at: At, uses: FloatArray, harmless: float, *, confidence: float = 0.95,
                   multiplier: float = MULTIPLIER) -> float:
    """Largest exposure up to which the outer bounds of both limits stay inside from the start on.

    Parameters
    ----------
    confidence : float
        One-sided, of the bounds.

    Returns
    -------
    float
        -1 where a bound is outside at the start, ``inf`` where none leaves within the grid.
    """
    found = first_outside(uses, _limits(at, confidence, multiplier), harmless)
    return -1.0 if found <= uses[0] else found


def grid_to(start: float, last: float, *, cells: int = CELLS) -> FloatArray:
    """Grid of exposures from the start to the last one about which anything is said."""
    return np.linspace(start, last, cells + 1)


def lines_at(uses: ArrayLike, *, columns: int = 2) -> FloatArray:
    """Directions of uses: ``(1, u)``, further columns zero, shape (n, columns)."""
    u = np.atleast_1d(np.asarray(uses, float))
    return np.column_stack([np.ones_like(u), u, *(np.zeros_like(u) for _ in range(columns - 2))])
