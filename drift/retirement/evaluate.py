"""The numbers of one construction: counts per limit and over all, and how firm they are."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossing import first_crossing, own_crossings, summarise_batches, summarise_lines
from drift.engine.new_batches import two_level_share
from drift.engine.tolerance import share_beyond
from drift.retirement.bound import Counts, split_shares
from drift.retirement.groups import Exposure, Group, cap_of

Floats = NDArray[np.float64]

CONTENTS = (0.80, 0.90, 0.95)
CONFIDENCES = (0.80, 0.90, 0.95, 0.99)
LIMIT_FACTORS = (0.9, 1.0, 1.1)
FASTER = (1.0, 1.25, 1.5)
SHARE_STEPS = 10_000


@dataclass(frozen=True, kw_only=True, eq=False)
class LimitAnswer:
    """One limit of one construction. ``count`` is NaN where refused; ``bound`` then is ""."""

    group: Group
    count: float
    bound: str
    line: float
    companion: float
    decided_by: str
    mean_crossing: float
    mean_low: float
    mean_high: float
    slope: tuple[float, float, float]
    crossings: Floats
    without_early: float = math.nan

    @property
    def early_counts(self) -> bool:
        """Whether the early change of the sensors lowers the count."""
        return self.without_early > self.count

    @property
    def refused(self) -> str:
        """Why there is no count; empty when there is one."""
        return self.group.fitness.refused


@dataclass(frozen=True, kw_only=True, eq=False)
class ConstructionAnswer:
    """All limits of one construction, and the count over all of them."""

    construction: str
    limits: tuple[LimitAnswer, ...]
    count: float
    bound: str
    binding: LimitAnswer | None
    cap: float
    step: float
    content: float
    confidence: float
    shares: tuple[tuple[float, float, float], ...]
    left_out_one: tuple[tuple[str, str, float], ...]
    by_shares: tuple[tuple[str, float, float, float, str], ...]
    by_limit: tuple[tuple[str, float, float, float, str], ...]
    by_removal: tuple[tuple[str, float, float, str], ...] = ()

    @property
    def two_level(self) -> bool:
        """Whether the count holds for a sensor from a new batch."""
        answered = [a.group for a in self.limits if not a.refused]
        return bool(answered) and all(g.two_level for g in answered)

    def overall_range(self) -> tuple[float, float]:
        """Smallest and largest overall count with one sensor left out (NaN without)."""
        values = [c for s, key, c in self.left_out_one if key == ""]
        return (min(values), max(values)) if values else (math.nan, math.nan)


def evaluate(groups: list[Group], *, content: float, confidence: float, level: float, exposure: Exposure,
             tell: Callable[[str], None]) -> ConstructionAnswer:
    """Answer every limit of one construction.

    Parameters
    ----------
    groups : list of Group
        One a limit.
    content, confidence : float
        P and C over all limits together; each limit keeps 1 - (1 - P)/m and 1 - (1 - C)/m.
    level : float
        Level of the two-sided intervals.
    """
    name = groups[0].construction
    cap = cap_of(groups)
    step = exposure.step(cap)
    m = len(groups)
    each = split_shares(content, confidence, m)
    tell(f"bounding the lines{' of ' + name if name else ''}")
    answers = tuple(_answer(g, each, cap, step, level) for g in groups)
    good = [a for a in answers if not a.refused]
    count, bound, binding = math.nan, "", None
    if len(good) == len(answers):
        binding = min(good, key=lambda a: (a.count, min(a.line, a.companion if a.companion >= 0 else math.inf)))
        count, bound = binding.count, binding.bound
    tell(f"checking how firm the count{' of ' + name if name else ''} is")
    return ConstructionAnswer(
        construction=name, limits=answers, count=count, bound=bound, binding=binding, cap=cap, step=step,
        content=content, confidence=confidence,
        shares=tuple(_share(a, count if math.isfinite(count) else a.count, level) for a in answers),
        left_out_one=_leave_one_out(good, each, cap, step, complete=len(good) == m),
        by_shares=_by_shares(good, content, confidence, m, cap, step, complete=len(good) == m),
        by_limit=_by_limit(good, each, cap, step, complete=len(good) == m),
        by_removal=_by_removal(good, each, cap, step, complete=len(good) == m))


def _answer(g: Group, each: tuple[float, float], cap: float, step: float, level: float) -> LimitAnswer:
    nan = math.nan
    limit = g.limit.threshold()
    times = own_crossings(g.intercept, g.slope, limit)
    if g.fitness.refused:
        return LimitAnswer(group=g, count=nan, bound="", line=nan, companion=nan, decided_by="", mean_crossing=nan,
                           mean_low=nan, mean_high=nan, slope=(nan, nan, nan), crossings=times)
    c = g.counts(content=each[0], confidence=each[1], cap=cap, step=step)
    line, companion = float(c.line), float(c.companion)
    decided = "cap" if bool(c.capped) else "skew companion" if companion < line else "line bound"
    mean, low, high = _mean_crossing(g, limit, level)
    bare = math.nan
    if g.early > 0:
        bare = max(float(g.straight().counts(content=each[0], confidence=each[1], cap=cap, step=step).count), 0.0)
    return LimitAnswer(group=g, count=max(float(c.count), 0.0), bound=bound_word(c), line=line, companion=companion,
                       decided_by=decided, mean_crossing=mean, mean_low=low, mean_high=high,
                       slope=_mean_slope(g, level), crossings=times, without_early=bare)


def bound_word(counts: Counts) -> str:
    """``"at least"`` where the cap decided, else ``"exact"``."""
    return "at least" if bool(counts.capped) else "exact"


def _units(g: Group) -> tuple[Floats, Floats]:
    """Independent lines: batch means where the statement is for new batches, else the sensors'."""
    if not g.two_level or g.batch is None:
        return g.intercept, g.slope
    size = np.bincount(g.batch)
    return np.bincount(g.batch, g.intercept) / size, np.bincount(g.batch, g.slope) / size


def _t(level: float, df: int) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(df, (1 + level) / 2))


def _mean_slope(g: Group, level: float) -> tuple[float, float, float]:
    if g.sparse is not None:
        lines = g.sparse.mean_lines()
        half = _t(level, g.n - 1) * math.sqrt(float(lines.s11) / g.n)
        return float(lines.mean1), float(lines.mean1) - half, float(lines.mean1) + half
    _, b = _units(g)
    half = _t(level, len(b) - 1) * float(b.std(ddof=1)) / math.sqrt(len(b))
    return float(b.mean()), float(b.mean()) - half, float(b.mean()) + half


def _mean_crossing(g: Group, limit: float, level: float) -> tuple[float, float, float]:
    """Exposure at which the mean line reaches the limit, with its exact (Fieller) interval."""
    s = g.sparse.mean_lines() if g.sparse is not None else summarise_lines(*_units(g))
    gap, rise = limit - float(s.mean0), float(s.mean1)
    mean = 0.0 if gap <= 0 else gap / rise if rise > 0 else math.inf
    k = _t(level, s.n - 1) / math.sqrt(s.n)
    low, high = float(first_crossing(s, k, limit)), float(first_crossing(s, -k, limit))
    finite = [v if math.isfinite(v) else math.nan for v in (mean, max(low, 0.0), high if high >= 0 else 0.0)]
    return finite[0], finite[1], finite[2]


def _share(a: LimitAnswer, at: float, level: float) -> tuple[float, float, float]:
    """Share of sensors expected beyond the limit after ``at`` uses, with its interval."""
    g = a.group
    if a.refused or not math.isfinite(at):
        return math.nan, math.nan, math.nan
    limit = g.limit.threshold()
    if g.sparse is not None:
        return _readable(*g.sparse.share(at, limit, level=level))
    if g.two_level and g.batch is not None:
        s = summarise_batches(g.intercept, g.slope, g.batch)
        return _readable(*two_level_share(s.at(at), limit, level=level))
    lines = summarise_lines(g.intercept, g.slope)
    mean, sd = float(lines.mean(at)), float(lines.sd(at))
    if sd <= 0:  # a relative limit before any use: every sensor stands at its own fresh value
        share = float(mean > limit)
        return share, share, share
    beyond, low, high = share_beyond((limit - mean) / sd, g.n, level=level)
    return _readable(float(beyond), float(low), float(high))


def _readable(share: float, low: float, high: float) -> tuple[float, float, float]:
    """Round a share to 0.01 % and its ends outwards: a tail fitted to a dozen sensors says no more."""
    def cut(value: float, to: Callable[[float], int]) -> float:
        return min(max(to(value * SHARE_STEPS) / SHARE_STEPS, 0.0), 1.0)

    return cut(share, round), cut(low, math.floor), cut(high, math.ceil)


def _smallest(found: list[Counts]) -> tuple[float, str]:
    values = [max(float(c.count), 0.0) for c in found]
    i = int(np.argmin(values))
    exact = any(v == values[i] and not bool(c.capped) for v, c in zip(values, found, strict=True))
    return values[i], "exact" if exact else "at least"


def _leave_one_out(good: list[LimitAnswer], each: tuple[float, float], cap: float, step: float, *,
                   complete: bool) -> tuple[tuple[str, str, float], ...]:
    """(sensor left out, limit key or "" for all limits, count) of every sensor."""
    rows: list[tuple[str, str, float]] = []
    for s in sorted({str(x) for a in good for x in a.group.sensor}):
        found = []
        for a in good:
            at = np.flatnonzero(a.group.sensor == s)
            c = a.group.counts(content=each[0], confidence=each[1], cap=cap, step=step,
                               without=int(at[0]) if len(at) else None)
            rows.append((s, a.group.limit.key, max(float(c.count), 0.0)))
            found.append(c)
        if complete:
            rows.append((s, "", _smallest(found)[0]))
    return tuple(rows)


def _by_shares(good: list[LimitAnswer], content: float, confidence: float, m: int, cap: float, step: float, *,
               complete: bool) -> tuple[tuple[str, float, float, float, str], ...]:
    """(limit key or "", content, confidence, count, bound) over a grid that includes the declared pair."""
    rows: list[tuple[str, float, float, float, str]] = []
    for p in sorted({*CONTENTS, content}):
        for c in sorted({*CONFIDENCES, confidence}):
            each = split_shares(p, c, m)
            found = [a.group.counts(content=each[0], confidence=each[1], cap=cap, step=step) for a in good]
            rows += [(a.group.limit.key, p, c, max(float(f.count), 0.0), bound_word(f))
                     for a, f in zip(good, found, strict=True)]
            if complete:
                rows.append(("", p, c, *_smallest(found)))
    return tuple(rows)


def _by_limit(good: list[LimitAnswer], each: tuple[float, float], cap: float, step: float, *,
              complete: bool) -> tuple[tuple[str, float, float, float, str], ...]:
    """(limit key or "", factor, limit value, count, bound) with the limits 10 % tighter, as set, 10 % wider."""
    rows: list[tuple[str, float, float, float, str]] = []
    for factor in LIMIT_FACTORS:
        found = []
        for a in good:
            f = a.group.counts(content=each[0], confidence=each[1], cap=cap, step=step, factor=factor)
            rows.append((a.group.limit.key, factor, factor * a.group.limit.value, max(float(f.count), 0.0),
                         bound_word(f)))
            found.append(f)
        if complete:
            rows.append(("", factor, math.nan, *_smallest(found)))
    return tuple(rows)


def _by_removal(good: list[LimitAnswer], each: tuple[float, float], cap: float, step: float, *,
                complete: bool) -> tuple[tuple[str, float, float, str], ...]:
    """(limit key or "", factor, count, bound) with the slopes of sensors removed by judgement times a factor.

    Little, R. J. A. and Rubin, D. B. (2019), Statistical Analysis with Missing Data, Wiley, chapter 15: whoever removed
    a sensor whose readings were still good may have seen what no check shows.
    """
    if not any(a.group.judged for a in good):
        return ()
    rows: list[tuple[str, float, float, str]] = []
    for factor in FASTER:
        found = [a.group.faster(factor).counts(content=each[0], confidence=each[1], cap=cap, step=step) for a in good]
        rows += [(a.group.limit.key, factor, max(float(c.count), 0.0), bound_word(c))
                 for a, c in zip(good, found, strict=True)]
        if complete:
            rows.append(("", factor, *_smallest(found)))
    return tuple(rows)
