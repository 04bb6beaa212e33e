"""Order statistics of the slopes between all pairs of points, in bounded memory."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
HELD = 30_000_000  # slopes held at once: 240 MB
BLOCK = 2_000_000
SAMPLE = 400_000


@dataclass(frozen=True, eq=False)
class Slopes:
    """All slopes rise / run between two points, those without a run left out.

    Parameters
    ----------
    run, rise : arrays, shape (n,)
        Coordinates whose differences are taken; whole numbers are taken exactly. They are kept in the order of ``run``.
    noise : float
        A run no larger than this is none.
    """

    run: FloatArray
    rise: FloatArray
    noise: float = 0.0

    def __post_init__(self) -> None:
        order = np.argsort(self.run, kind="stable")
        object.__setattr__(self, "run", np.asarray(self.run, float)[order])
        object.__setattr__(self, "rise", np.asarray(self.rise, float)[order])

    @cached_property
    def _first(self) -> NDArray[np.int64]:
        """Of each point, the first one whose run differs; all later ones do, too."""
        return np.searchsorted(self.run, self.run + self.noise, side="right").astype(np.int64)

    def count(self) -> int:
        """Return how many slopes there are: pairs of points less pairs with equal run."""
        return int(np.sum(len(self.run) - self._first))

    def _filled(self, out: FloatArray, i: int, j: int) -> FloatArray:
        """Fill in the slopes from the points i to j to all later ones."""
        n, at = len(self.run), 0
        for k in range(i, j):
            first = self._first[k]
            part = out[at:at + n - first]
            np.subtract(self.rise[first:], self.rise[k], out=part)
            part /= self.run[first:] - self.run[k]
            at += n - first
        return out[:at]

    def blocks(self) -> Iterator[FloatArray]:
        """Yield the slopes, those of some points at a time."""
        n, i = len(self.run), 0
        while i < n - 1:
            j = min(n - 1, i + max(1, BLOCK // (n - 1 - i)))
            yield self._filled(np.empty(int(np.sum(n - self._first[i:j]))), i, j)
            i = j

    @cached_property
    def _every(self) -> FloatArray:
        """All of them, in whatever order the last search left them."""
        return self._filled(np.empty(self.count()), 0, len(self.run))

    def above(self, value: float) -> int:
        """Count the slopes above a value."""
        if self.count() <= HELD:
            return int(np.count_nonzero(self._every > value))
        return sum(int(np.count_nonzero(b > value)) for b in self.blocks())

    def order(self, ranks: Sequence[int]) -> FloatArray:
        """Return the slopes of given ranks (1 is the smallest); NaN for a rank that does not exist.

        All are held where they fit; otherwise a sample tells between which slopes each rank lies, one pass counts
        those below and keeps those between.
        """
        total = self.count()
        wanted = np.asarray(ranks, dtype=np.int64)
        out = np.full(len(wanted), np.nan)
        there = (wanted >= 1) & (wanted <= total)
        if not there.any():
            return out
        index = wanted[there] - 1
        if total <= HELD:
            self._every.partition(np.unique(index))
            out[there] = self._every[index]
        else:
            out[there] = self._large(index, total)
        return out

    def _large(self, index: NDArray[np.int64], total: int) -> FloatArray:
        rng = np.random.default_rng(1983)
        n = len(self.run)
        i, j = rng.integers(0, n, SAMPLE), rng.integers(0, n, SAMPLE)
        dx, dy = self.run[i] - self.run[j], self.rise[i] - self.rise[j]
        keep = np.abs(dx) > self.noise
        seen = np.sort(dy[keep] / dx[keep])
        margin = 6.0 / np.sqrt(len(seen))
        while True:
            at = (index + 0.5) / total
            low = np.where(at - margin <= 0, -np.inf, seen[np.clip((at - margin) * len(seen), 0, len(seen) - 1)
                                                          .astype(np.int64)])
            high = np.where(at + margin >= 1, np.inf, seen[np.clip((at + margin) * len(seen), 0, len(seen) - 1)
                                                          .astype(np.int64)])
            found = self._between(index, low, high)
            if found is not None:
                return found
            margin *= 2

    def _between(self, index: NDArray[np.int64], low: FloatArray, high: FloatArray) -> FloatArray | None:
        below = np.zeros(len(index), dtype=np.int64)
        inside: list[list[FloatArray]] = [[] for _ in index]
        for block in self.blocks():
            for k in range(len(index)):
                below[k] += int(np.count_nonzero(block < low[k]))
                inside[k].append(block[(block >= low[k]) & (block <= high[k])])
        out = np.empty(len(index))
        for k, at in enumerate(index - below):
            held = np.concatenate(inside[k])
            if not 0 <= at < len(held):
                return None
            held.partition(at)
            out[k] = held[at]
        return out


def middle_ranks(n: int) -> tuple[int, int]:
    """Return the ranks whose mean is the median of n."""
    return (n + 1) // 2, n // 2 + 1


@cache
def inversions_below(n: int) -> FloatArray:
    """Return P(number of inversions of a random order of n <= q) for q = 0, 1, ...: Kendall's statistic, exactly."""
    chances = np.ones(1)
    for size in range(2, n + 1):
        total = np.cumsum(np.concatenate([chances, np.zeros(size - 1)]))
        chances = (total - np.concatenate([np.zeros(size), total[:-size]])) / size
    out = np.cumsum(chances)
    out.setflags(write=False)
    return out


MOST_EXACT = 120


def exact_rank(n: int, level: float) -> int:
    """Return the largest r such that the slopes of ranks r and N - r + 1 hold the true one with at least ``level``.

    0 where no finite interval does. Exact for n <= 120 without ties (Kendall 1938), the normal approximation beyond.

    References
    ----------
    Sen PK (1968), Estimates of the regression coefficient based on Kendall's tau, J Am Stat Assoc 63:1379-1389,
    section 4.
    """
    if n <= MOST_EXACT:
        tail = (1 - level) / 2 * (1 + 1e-12)
        return int(np.searchsorted(inversions_below(n), tail, side="right"))
    from scipy.special import ndtri

    spread = float(ndtri(0.5 + level / 2)) * np.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    return int(np.floor((n * (n - 1) / 2 - spread) / 2))


def tied_rank(run: FloatArray, n_slopes: int, level: float) -> int:
    """Return the rank where points share a run: normal approximation with Kendall's variance corrected for ties."""
    from scipy.special import ndtri

    n, t = len(run), np.unique(run, return_counts=True)[1].astype(float)
    variance = (n * (n - 1) * (2 * n + 5) - float(np.sum(t * (t - 1) * (2 * t + 5)))) / 18
    return int(np.floor((n_slopes - float(ndtri(0.5 + level / 2)) * np.sqrt(variance)) / 2))


def exact_level(n: int, rank: int) -> float:
    """Return with which probability the slopes of ranks r and N - r + 1 hold the true one (no ties, n <= 120)."""
    return 1.0 if rank < 1 else 1 - 2 * float(inversions_below(n)[rank - 1])
