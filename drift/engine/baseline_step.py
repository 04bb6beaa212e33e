"""Whether the occasions that control limits come from changed among themselves: one step, or one odd occasion."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
LEAST = 5
RUNS, FIRST, SEED = 19_999, 999, 20261126
_ENOUGH = 40
SHORTEST, MOST_PLACES, _AT_ONCE = 6, 60, 500


class Step(NamedTuple):
    """The likeliest step of a sequence: first occasion after it, its size in SDs about the two means, and its p."""

    at: int
    size: float
    p: float


def largest_step(values: ArrayLike, *, runs: int = RUNS, seed: int = SEED, side: int = 2) -> Step:
    """Test whether a short sequence of occasions holds a step of its mean.

    Parameters
    ----------
    values : array_like, shape (n_occasions,)
        Five or more, in the order of time.
    runs, seed : int
        Normal sequences drawn for the p value: 999 where that shows that it is not small.
    side : int
        Fewest occasions on each side of a step; with 1 an odd first or last occasion is a step as well.

    Returns
    -------
    Step
        p is 1 where the occasions do not differ.

    Raises
    ------
    ValueError
        With fewer than five occasions.

    Notes
    -----
    The largest of the two-sample t statistics over all places that leave ``side`` occasions or more on each side. Its
    distribution depends on the number of occasions alone while they are normal, independent and alike: a Monte Carlo
    test with p = (1 + those as large)/(1 + runs) has its size exactly (Barnard 1963).

    References
    ----------
    K. J. Worsley (1979), Journal of the American Statistical Association 74, 365-367 (likelihood-ratio test for a shift
    of a normal mean). D. M. Hawkins (1977), same journal 72, 180-186.
    """
    x = np.asarray(values, dtype=np.float64)
    n = len(x)
    if n < LEAST:
        raise ValueError("a step is looked for in five occasions or more")
    off = x - x.mean()
    if not float(off @ off) > (1e-12 * max(abs(float(x.mean())), 1e-300)) ** 2 * n:
        return Step(0, 0.0, 1.0)
    share = _shares(off[None], side)[0]
    k = int(np.argmax(share))
    return Step(k + side, _apart(x[:k + side], x[k + side:]),
                _monte_carlo(share[k], partial(_drawn, n, side, runs, seed)))


def _apart(rest: Floats, moved: Floats) -> float:
    """Return how far two means are apart, in SDs about them."""
    squares = float(((rest - rest.mean()) ** 2).sum() + ((moved - moved.mean()) ** 2).sum())
    return float((moved.mean() - rest.mean()) / np.sqrt(max(squares, 1e-300) / (len(rest) + len(moved) - 2)))


def _monte_carlo(share: float, drawn: Callable[[int], Floats]) -> float:
    """Return the p value of a share among drawn ones: of the first part, and of the second where that is small."""
    as_large, done = 0, 0
    for part in range(2):
        held = drawn(part)
        as_large += len(held) - int(np.searchsorted(held, share))
        done += len(held)
        if as_large > _ENOUGH:  # far from small: more draws would not make it so
            break
    return (1 + as_large) / (1 + done)


def largest_stretch(values: ArrayLike, *, runs: int = RUNS, seed: int = SEED) -> Step:
    """Test whether a sequence holds a stretch of occasions with a mean of its own, as a step that is undone leaves.

    One step explains little of it where the stretch is short: what comes before and after is alike.

    Parameters
    ----------
    values : array_like, shape (n_occasions,)
        Six or more, in the order of time.
    runs, seed : int
        As for :func:`largest_step`.

    Returns
    -------
    Step
        At the first occasion of the stretch, with its size and p; it has two occasions or more, as has each side.

    References
    ----------
    B. Levin and J. Kline (1985), Statistics in Medicine 4, 469-488. A. B. Olshen and others (2004), Biostatistics 5,
    557-572 (all pairs of places; here against normal sequences drawn at random).
    """
    x = np.asarray(values, dtype=np.float64)
    n = len(x)
    if n < SHORTEST:
        raise ValueError("a stretch is looked for in six occasions or more")
    off = x - x.mean()
    if not float(off @ off) > (1e-12 * max(abs(float(x.mean())), 1e-300)) ** 2 * n:
        return Step(0, 0.0, 1.0)
    i, j = _stretches(n)
    share = _stretch_shares(off[None])[0]
    k = int(np.argmax(share))
    inside = np.zeros(n, dtype=np.bool_)
    inside[i[k]:j[k]] = True
    return Step(int(i[k]), _apart(x[~inside], x[inside]),
                _monte_carlo(share[k], partial(_drawn_stretches, n, runs, seed)))


@lru_cache(maxsize=64)
def _stretches(n: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return first and end of every stretch; in long sequences of those at some places only."""
    place = np.arange(2, n - 1, max(1, n // MOST_PLACES))
    i, j = np.meshgrid(place, place, indexing="ij")
    good = j - i >= 2
    return i[good], j[good]


def _stretch_shares(off: NDArray[Any]) -> NDArray[Any]:
    """Share of the sum of squares that every stretch against the rest explains."""
    n = off.shape[1]
    i, j = _stretches(n)
    sums = np.concatenate([np.zeros((len(off), 1), dtype=off.dtype), np.cumsum(off, axis=1)], axis=1)
    m = j - i
    inside = sums[:, j] - sums[:, i]
    return np.asarray(inside**2 * (n / (m * (n - m))).astype(off.dtype) / (off**2).sum(axis=1, keepdims=True))


@lru_cache(maxsize=64)
def _drawn_stretches(n: int, runs: int, seed: int, part: int) -> Floats:
    """Return the largest share of normal sequences, in order: the first draws, or those after them."""
    rng, first = np.random.default_rng([seed, part]), min(FIRST, runs)
    count = first if part == 0 else runs - first
    made = []
    for start in range(0, count, _AT_ONCE):
        drawn = rng.standard_normal((min(_AT_ONCE, count - start), n), dtype=np.float32)
        made.append(_stretch_shares(drawn - drawn.mean(axis=1, keepdims=True)).max(axis=1))
    return np.sort(np.concatenate(made)) if made else np.zeros(0)


@lru_cache(maxsize=64)
def _drawn(n: int, side: int, runs: int, seed: int, part: int) -> Floats:
    """Return the first draws, or those after them, in order; series of one length share them."""
    rng, first = np.random.default_rng(seed), min(FIRST, runs)
    drawn = drawn_shares(rng, first, n, side)
    return np.sort(drawn if part == 0 else drawn_shares(rng, runs - first, n, side))


def drawn_shares(rng: np.random.Generator, runs: int, n: int, side: int = 2) -> Floats:
    """Return the largest share of normal sequences, shape (runs,)."""
    drawn = rng.standard_normal((runs, n), dtype=np.float32)
    return np.asarray(_shares(drawn - drawn.mean(axis=1, keepdims=True), side).max(axis=1))


def _shares(off: NDArray[Any], side: int = 2) -> NDArray[Any]:
    """Share of the sum of squares that a step before each occasion explains; it grows with the t statistic."""
    n = off.shape[1]
    k = np.arange(side, n - side + 1)
    sums = np.cumsum(off, axis=1)[:, side - 1:n - side]
    return np.asarray(sums**2 * (n / (k * (n - k))) / (off**2).sum(axis=1, keepdims=True))


def step_rather_than_alike(values: ArrayLike, at: int) -> bool:
    """Tell whether one step describes a sequence better than occasions that are alike (a first-order autoregression).

    Notes
    -----
    By the smaller n log(residual sum of squares) + k log n, with k = 3 for two means and the place of the step, and 2
    for mean and autocorrelation (Schwarz 1978, Annals of Statistics 6, 461-464).
    """
    x = np.asarray(values, dtype=np.float64)
    before, after = x[:at], x[at:]
    return rather_than_alike(x, float(((before - before.mean()) ** 2).sum() + ((after - after.mean()) ** 2).sum()), 3)


def rather_than_alike(x: Floats, rest: float, terms: int, *, by: float = 0.0) -> bool:
    """Tell whether means that leave the sum of squares ``rest`` describe a sequence better than occasions alike.

    ``terms`` are the means and the places of their steps, ``by`` is by how much more than just better.
    """
    n, off = len(x), x - x.mean()
    r = float(off[1:] @ off[:-1]) / float(off[:-1] @ off[:-1])
    alike = float(((off[1:] - r * off[:-1]) ** 2).sum()) + (1 - min(r * r, 0.95)) * float(off[0] ** 2)
    return bool(n * np.log(max(rest, 1e-300)) + terms * np.log(n) + by < n * np.log(max(alike, 1e-300)) + 2 * np.log(n))
