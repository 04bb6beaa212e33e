"""Tests on the rows behind a question: did readings change between repeats, were conditions alike, were rows copied.

Thresholds are ours and are said wherever a grade rests on them: a change between repeats counts as small up to half a
standard error of measurement, conditions as alike up to a tenth of the shares (0.25 SD for numbers, 5 % for a total
force).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from drift.engine.meansquares import chi_square_sd

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]

SMALL_CHANGE = 0.5
SHARE_ALIKE, SD_ALIKE, FORCE_ALIKE = 0.10, 0.25, 5.0
FEWEST_TARGETS = 3


def coded(labels: NDArray[np.object_]) -> tuple[Codes, tuple[str, ...]]:
    """Return codes and names of labels; missing ones are a label of their own."""
    text = np.array(["" if v is None else str(v) for v in labels], dtype=object)
    names, codes = np.unique(text.astype(str), return_inverse=True)
    return codes.reshape(-1).astype(np.intp), tuple(str(n) for n in names)


@dataclass(frozen=True, kw_only=True)
class Change:
    """Mean change of a target's reading over the typical time between its first and last repeat, with interval."""

    value: float
    low: float
    high: float
    span: float
    targets: int


def change_between_repeats(values: Floats, targets: Codes, order: Floats, *, level: float = 0.95) -> Change | None:
    """Estimate how far readings of one target moved from first to last repeat.

    Parameters
    ----------
    values : array, shape (n_rows,)
    targets : array of int, shape (n_rows,)
    order : array, shape (n_rows,)
        Time or use; rows without it are left out.
    level : float

    Returns
    -------
    Change or None
        None with fewer than three targets whose repeats differ in time.

    Notes
    -----
    A least-squares slope within each target, their mean with a t interval over targets, times the median span: targets
    are the independent units, so that many repeats of few people do not look precise.
    """
    from scipy.special import stdtrit

    slopes, spans = [], []
    keep = np.isfinite(order) & np.isfinite(values)
    for t in np.unique(targets[keep]):
        mine = keep & (targets == t)
        x, y = order[mine], values[mine]
        if np.ptp(x) > 0:
            centred = x - x.mean()
            slopes.append(float(centred @ y / (centred @ centred)))
            spans.append(float(np.ptp(x)))
    n = len(slopes)
    if n < FEWEST_TARGETS:
        return None
    span = float(np.median(spans))
    mean, error = float(np.mean(slopes)), float(np.std(slopes, ddof=1)) / math.sqrt(n)
    t_value = float(stdtrit(n - 1, (1 + level) / 2))
    return Change(value=mean * span, low=(mean - t_value * error) * span, high=(mean + t_value * error) * span,
                  span=span, targets=n)


def grade_of_change(change: Change, sem: float, *, reason: bool) -> str:
    """Grade stability: "very good" where a change above half an SEM is excluded.

    Where readings moved (the interval leaves zero out) by more than an SEM it is "inadequate" without a reason to hold
    that the targets were stable and "doubtful" with one, since data cannot tell targets that changed from readings that
    did; below that it is "doubtful" without a reason and "adequate" with one.
    """
    largest = max(abs(change.low), abs(change.high))
    moved = change.low > 0 or change.high < 0
    if largest <= SMALL_CHANGE * sem:
        return "very good"
    if moved and abs(change.value) > sem:
        return "doubtful" if reason else "inadequate"
    return "adequate" if reason else "doubtful"


@dataclass(frozen=True, kw_only=True)
class Gaps:
    """Times between consecutive repeats of one target: median, smallest and largest."""

    median: float
    low: float
    high: float
    pairs: int


def gaps_between_repeats(targets: Codes, levels: Codes, order: Floats) -> Gaps | None:
    """Return the gaps between repeats, a repeat being the mean order of a target at one level; None without order."""
    keep = np.isfinite(order)
    found: list[float] = []
    for t in np.unique(targets[keep]):
        mine = keep & (targets == t)
        times = sorted(round(float(order[mine & (levels == v)].mean()), 6) for v in np.unique(levels[mine]))
        found += [b - a for a, b in pairwise(times)]
    if not found:
        return None
    return Gaps(median=float(np.median(found)), low=min(found), high=max(found), pairs=len(found))


@dataclass(frozen=True, kw_only=True)
class Unlike:
    """How far one recorded condition differs between the levels compared, and whether that counts as alike."""

    column: str
    size: float
    kind: str
    alike: bool
    worst: str

    @property
    def text(self) -> str:
        """The condition for a sentence: ``operator (share of Bo differs by 0.02)``."""
        if self.kind == "share":
            return f"{self.column} (shares differ by {self.size:.2f} at most, {self.worst})"
        if self.kind == "force":
            return f"{self.column} (by {self.size:.1f} % at most)"
        return f"{self.column} (means differ by {self.size:.2f} SD at most)"


def unlike_words(column: str, labels: NDArray[np.object_], levels: Codes) -> Unlike:
    """Compare the shares of a condition's labels between levels."""
    codes, names = coded(labels)
    whole = np.bincount(codes, minlength=len(names)) / len(codes)
    worst, size = "", 0.0
    for v in np.unique(levels):
        mine = codes[levels == v]
        share = np.bincount(mine, minlength=len(names)) / len(mine)
        at = int(np.argmax(np.abs(share - whole)))
        if abs(share[at] - whole[at]) > size:
            size, worst = float(abs(share[at] - whole[at])), names[at] or "no entry"
    return Unlike(column=column, size=size, kind="share", alike=size <= SHARE_ALIKE, worst=worst)


def unlike_numbers(column: str, values: Floats, levels: Codes) -> Unlike:
    """Compare the means of a condition between levels, in SDs of its values."""
    sd = float(np.nanstd(values))
    means = [float(np.nanmean(values[levels == v])) for v in np.unique(levels)
             if np.isfinite(values[levels == v]).any()]
    size = (max(means) - min(means)) / sd if sd > 0 and means else 0.0
    return Unlike(column=column, size=size, kind="sd", alike=size <= SD_ALIKE, worst="")


def unlike_force(force: Floats, targets: Codes, levels: Codes) -> Unlike | None:
    """Compare total force between levels within targets, in percent; None without two levels in three targets."""
    keep = np.isfinite(force) & (force > 0)
    logs = np.log(force[keep])
    t, v = targets[keep], levels[keep]
    names = np.unique(v)
    cells = np.full((len(np.unique(t)), len(names)), np.nan)
    for i, a in enumerate(np.unique(t)):
        for j, b in enumerate(names):
            mine = (t == a) & (v == b)
            if mine.any():
                cells[i, j] = logs[mine].mean()
    whole = np.isfinite(cells).all(axis=1)
    if len(names) < 2 or int(whole.sum()) < FEWEST_TARGETS:
        return None
    means = cells[whole].mean(axis=0)
    size = 100.0 * (math.exp(float(np.ptp(means))) - 1.0)
    return Unlike(column="total force", size=size, kind="force", alike=size <= FORCE_ALIKE, worst="")


@dataclass(frozen=True, kw_only=True)
class Copies:
    """Repeats of one cell that are equal to the last digit: how many of how many, and the probability of so many."""

    equal: int
    pairs: int
    expected: float
    p: float


def copies(values: Floats, cells: Codes, step: float | None = None) -> Copies | None:
    """Count equal neighbours among repeats of one cell, against what rounding alone would give.

    Parameters
    ----------
    values : array, shape (n_rows,)
        In the order of the table.
    cells : array of int, shape (n_rows,)
        Rows that repeat each other.
    step : float, optional
        Rounding step of the readings; by default the finest decimal place seen.

    Notes
    -----
    Two normal readings with SD s within a cell, rounded to a step d, are equal with a probability of about
    d / (2 s sqrt(pi)).
    """
    from scipy.special import bdtrc

    order = np.argsort(cells, kind="stable")
    v, c = values[order], cells[order]
    same = c[1:] == c[:-1]
    pairs = int(same.sum())
    if pairs < 5:
        return None
    differences = np.diff(v)[same]
    sd = float(np.sqrt(np.mean(differences**2) / 2))
    if not sd > 0:
        return Copies(equal=pairs, pairs=pairs, expected=math.nan, p=0.0)
    d = step_of(values) if step is None else step
    chance = min(1.0, d / (2 * sd * math.sqrt(math.pi)))
    equal = int((differences == 0).sum())
    p = float(bdtrc(equal - 1, pairs, chance)) if equal else 1.0
    return Copies(equal=equal, pairs=pairs, expected=pairs * chance, p=p)


def step_of(values: Floats) -> float:
    """Return the rounding step of readings: the coarsest power of ten of which all are multiples."""
    there = values[np.isfinite(values)]
    for power in range(0, -7, -1):
        if np.allclose(there, np.round(there, -power), rtol=0, atol=10.0 ** (power - 6)):
            return float(10.0**power)
    return 1e-6


def within_sd(values: Floats, cells: Codes) -> tuple[float, float, float, int] | None:
    """Return SD of repeats within cells with its 95 % chi-square interval and degrees of freedom; None without any."""
    counts = np.bincount(cells)
    sums = np.bincount(cells, weights=values)
    means = np.divide(sums, counts, out=np.zeros_like(sums), where=counts > 0)
    df = int((counts[counts > 0] - 1).sum())
    if df < 2:
        return None
    total = float(((values - means[cells]) ** 2).sum())
    return math.sqrt(total / df), *chi_square_sd(total / df, df, 0.95), df


def mean_step(values: Floats, cells: Codes, number: Floats, targets: Codes) -> Change | None:
    """Return how readings move from one repeat to the next inside a cell, with a t interval over targets."""
    found = []
    means: dict[int, list[float]] = {}
    for c in np.unique(cells):
        mine = np.flatnonzero((cells == c) & np.isfinite(number))
        if len(mine) > 1 and np.ptp(number[mine]) > 0:
            x = number[mine] - number[mine].mean()
            means.setdefault(int(targets[mine[0]]), []).append(float(x @ values[mine] / (x @ x)))
    found = [float(np.mean(v)) for v in means.values()]
    if len(found) < FEWEST_TARGETS:
        return None
    from scipy.special import stdtrit

    mean, error = float(np.mean(found)), float(np.std(found, ddof=1)) / math.sqrt(len(found))
    t = float(stdtrit(len(found) - 1, 0.975))
    return Change(value=mean, low=mean - t * error, high=mean + t * error, span=1.0, targets=len(found))


def cells_of(columns: Sequence[NDArray[np.object_]]) -> Codes:
    """Code the combinations of several columns of labels, one code a combination."""
    if not columns:
        return np.zeros(0, dtype=np.intp)
    joined = np.array(["\x1f".join("" if v is None else str(v) for v in row) for row in zip(*columns, strict=True)],
                      dtype=object)
    return coded(joined)[0]
