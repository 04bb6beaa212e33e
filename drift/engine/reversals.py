"""Readings that turn back as the load rises, more than chance would make them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.curves import CurveFit, Spread

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
SURE = 0.01
LARGE = 0.05  # share of the span of the level means from which on no curve that rises throughout will do


@dataclass(frozen=True, kw_only=True)
class Reversal:
    """Two levels between which the mean reading goes the other way than over the whole range.

    ``rises`` is whether readings rise over the range; ``start`` and ``end`` are load and mean reading of the two
    levels; ``share`` is the step back over the span of all level means; ``t`` and ``p`` are those of the step, p over
    all pairs of levels (Bonferroni).
    """

    rises: bool
    start: tuple[float, float]
    end: tuple[float, float]
    share: float
    t: float
    p: float

    @property
    def large(self) -> bool:
        """Whether the step back is too large for a curve that goes one way to be of use."""
        return self.share >= LARGE


def reversal(x: Floats, y: Floats, codes: Ints, spread: Spread, fits: Iterable[CurveFit], *,
             taken: int = 0) -> Reversal | None:
    """Return the clearest step back between two levels; None where there is none beyond chance.

    Parameters
    ----------
    x, y : array, shape (n,)
        Exact readings.
    codes : array of int, shape (n,)
        Levels.
    spread : Spread
        How the SD of a reading changes with the load.
    fits : iterable of CurveFit
        Curves through the readings; the SD of the one that fits best stands in where no level was repeated.
    taken : int
        Degrees of freedom that differences of mountings took.

    Notes
    -----
    Every pair of levels: t = step/(s sqrt(v1/n1 + v2/n2)), s pooled within levels, at level 1 % over all pairs.

    References
    ----------
    R. G. Miller (1981), Simultaneous Statistical Inference, section 2.2.3.
    """
    from scipy.special import stdtr

    _, cell, n = np.unique(codes, return_inverse=True, return_counts=True)
    k = len(n)
    at, mean = np.bincount(cell, weights=x) / n, np.bincount(cell, weights=y) / n
    v = np.bincount(cell, weights=spread.variance(x)) / n
    s, df = _error(y, cell, mean, spread.variance(x), len(y) - k - taken, fits)
    if k < 3 or not df >= 1 or not s > 0:
        return None
    order = np.argsort(at)
    at, mean, v, n = at[order], mean[order], v[order], n[order]
    rises = float((at - at.mean()) @ (mean - mean.mean())) >= 0
    i, j = np.triu_indices(k, 1)
    back = (mean[i] - mean[j]) * (1 if rises else -1)
    t = back / (s * np.sqrt(v[i] / n[i] + v[j] / n[j]))
    worst = int(np.argmax(t))
    p = min(1.0, len(t) * float(stdtr(df, -t[worst])))
    if not (t[worst] > 0 and p < SURE):
        return None
    a, b = int(i[worst]), int(j[worst])
    return Reversal(rises=rises, start=(float(at[a]), float(mean[a])), end=(float(at[b]), float(mean[b])),
                    share=float(back[worst] / np.ptp(mean)), t=float(t[worst]), p=p)


def _error(y: Floats, cell: Ints, mean: Floats, v: Floats, df: int, fits: Iterable[CurveFit]) -> tuple[float, float]:
    """Return the SD of a reading where v is 1, and its degrees of freedom: within levels, else about the best curve."""
    pure = float(((y - mean[cell]) ** 2 / v).sum())
    if df >= 1 and pure > 0:
        return float(np.sqrt(pure / df)), float(df)
    known = [(f.sigma, f.df) for f in fits if f.model != "power of logs" and f.df >= 1 and f.sigma > 0]
    return min(known, default=(float("nan"), 0.0))
