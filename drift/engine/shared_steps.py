"""Steps in series that should stay put: whether all made one together, as a rig moves them, or one made it alone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from drift.engine.baseline_step import LEAST, RUNS, SHORTEST, largest_step, largest_stretch, rather_than_alike
from drift.engine.control_charts import baseline
from drift.engine.tails import t_tail

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Kind = Literal["all", "alone", "single", "unclear"]
SIZE = 0.01
MOST = 3
FEWER = 4999  # draws for stretches, of which there are many
CLEARLY = 6.0  # by how much a step must beat a straight line in Schwarz's criterion
FURTHER = 18.0  # the same for every further step: wandering occasions pass for many steps


@dataclass(frozen=True, kw_only=True, eq=False)
class SharedStep:
    """One step, with what every series did there; arrays of shape ``(n_series,)``, NaN where not read on both sides.

    Parameters
    ----------
    before, at : float
        Last day before the step and first day after it, of the series that showed it.
    kind : {"all", "alone", "single", "unclear"}
        All series moved the same way; one moved and none of the others did; there is one series only; neither.
    alike : bool
        No two series that moved differ in how far.
    shift : array
        Mean after less mean before.
    moved : array of bool
    days_before, days_after : int
        Fewest days on each side among the series that moved.
    recorded : float
        First day after it as it is on record; NaN for one found in the values alone.
    """

    before: float
    at: float
    kind: Kind
    alike: bool
    shift: Floats
    moved: NDArray[np.bool_]
    days_before: int
    days_after: int
    recorded: float = math.nan

    @property
    def known(self) -> bool:
        """Whether it is on record."""
        return math.isfinite(self.recorded)


def shared_steps(y: Floats, day: Floats, code: Ints, *, size: float = SIZE, most: int = MOST,
                 known: Sequence[float] = ()) -> tuple[SharedStep, ...]:
    """Find steps in series of day means, and say of each which series made it.

    Parameters
    ----------
    y, day : array, shape (n_points,)
        One value a series and day.
    code : array of int, shape (n_points,)
        Series, numbered from 0.
    size : float
        Of the test for a first step, over all series together, and of every test whether a series followed.
    most : int
        Steps looked for.
    known : sequence of float
        First days after steps that are on record: they are judged whether or not the values show them, and others are
        looked for between them.

    Returns
    -------
    tuple of SharedStep
        In the order of time.

    Notes
    -----
    Each series, and the mean of all on the days that they share, is searched for its likeliest step (a Monte Carlo
    test, Bonferroni over the searches), then for a stretch that a step and its undoing leave (at a quarter of the
    size); a step that a straight line or occasions alike explain nearly as well, be it
    with further steps beside it, is none. Then the days before it and those after it are searched by themselves. At
    the day of each, between the steps beside it, each series is tested by itself (two-sample t), and those that did
    not move against those that did (Welch's t of the difference of the shifts): one that has not moved visibly is
    said not to have followed only where it moved differently.
    A step on record that no series shows by itself is taken to have been made by all that were read on both sides; one
    on record a day of readings beside a step that the values show is that step.

    References
    ----------
    K. J. Worsley (1979), Journal of the American Statistical Association 74, 365-367. B. L. Welch (1947), Biometrika
    34, 28-35. G. Schwarz (1978), Annals of Statistics 6, 461-464.
    """
    n = int(code.max()) + 1
    edges = [-math.inf, *sorted(set(known)), math.inf]
    stretches = [(day >= a) & (day < b) for a, b in pairwise(edges)]
    found: list[tuple[float, float, int | None]] = []
    while stretches and len(found) < most:
        inside = stretches.pop(0)
        at = _clearest(y[inside], day[inside], code[inside], n, size) if inside.any() else None
        if at is None:
            continue
        found.append(at)
        stretches += [inside & (day < at[1]), inside & (day >= at[1])]
    days = [f[1] for f in found]
    pairs = {k: d for k in sorted(set(known)) if (d := _next_to(k, days, day)) is not None}
    # Of several steps each is judged between its neighbours: beyond them the others would hide it.
    ends = [-math.inf, *sorted({*(k for k in known if k not in pairs), *days}), math.inf]
    shown = []
    for before, first, who in found:
        k = ends.index(first)
        inside = (day >= ends[k - 1]) & (day < ends[k + 1])
        step = _judged(y[inside], day[inside], code[inside], n, (before, first, who), size)
        if step.moved.any():
            shown.append(replace(step, recorded=next((k for k, d in pairs.items() if d == first), math.nan)))
    rest = [k for k in known if k not in {s.recorded for s in shown}]
    return tuple(sorted((*shown, *_on_record(y, day, code, n, rest, [s.at for s in shown], size)), key=lambda s: s.at))


def _next_to(known: float, found: Sequence[float], day: Floats) -> float | None:
    """Return the day of the step that the values show one day of readings beside the day on record: it is that one."""
    return next((f for f in found
                 if len(np.unique(day[(day >= min(f, known)) & (day < max(f, known))])) == 1), None)


def _on_record(y: Floats, day: Floats, code: Ints, n: int, known: Sequence[float], others: Sequence[float], size: float
               ) -> list[SharedStep]:
    """Judge the steps on record, each between the steps before and after it."""
    edges = [-math.inf, *sorted({*known, *others}), math.inf]
    made = []
    for start, at, end in zip(edges, edges[1:], edges[2:], strict=False):
        earlier, later = (day >= start) & (day < at), (day >= at) & (day < end)
        if at not in known or not (earlier.any() and later.any()):
            continue
        inside = earlier | later
        step = _judged(y[inside], day[inside], code[inside], n, (float(day[earlier].max()), at, None), size)
        if np.isfinite(step.shift).any():
            made.append(_marked(step))
    return made


def _marked(step: SharedStep) -> SharedStep:
    """Mark a step as known; where no series shows it by itself, all that were read on both sides have its size."""
    if step.moved.any():
        return replace(step, recorded=step.at)
    read = np.isfinite(step.shift)
    same_way = len({float(np.sign(v)) for v in step.shift[read]}) == 1
    return replace(step, recorded=step.at, moved=read, kind=_kind(read, read, same_way, set()))


def _clearest(y: Floats, day: Floats, code: Ints, n: int, size: float) -> tuple[float, float, int | None] | None:
    """Return the days around the likeliest step of any series that shows one, and which series (None: their mean)."""
    series: list[tuple[int | None, Floats, Floats]] = [(s, *_in_time(y[code == s], day[code == s])) for s in range(n)]
    if n > 1:
        series.append((None, *_shared_mean(y, day, n)))
    best: tuple[float, tuple[float, float, int | None]] | None = None
    for who, values, days in series:
        if len(values) < LEAST:
            continue
        runs = RUNS if len(values) <= 300 else 4999
        step = largest_step(values, side=1, runs=runs)
        if step.p >= size / len(series) or not _rather_a_step(values, days, step.at):
            # A step that was undone is no step to the whole; its stretch has a mean of its own.
            if len(values) < SHORTEST:
                continue
            step = largest_stretch(values, runs=FEWER)
            if step.p >= size / 4 / len(series) or not _rather_a_step(values, days, step.at):
                continue
        if best is None or abs(step.size) > best[0]:
            best = abs(step.size), (float(days[step.at - 1]), float(days[step.at]), who)
    return best[1] if best else None


def _in_time(y: Floats, day: Floats) -> tuple[Floats, Floats]:
    order = np.argsort(day, kind="stable")
    return y[order], day[order]


def _shared_mean(y: Floats, day: Floats, n: int) -> tuple[Floats, Floats]:
    days, place, count = np.unique(day, return_inverse=True, return_counts=True)
    total = np.bincount(place, weights=y)
    return total[count == n] / n, days[count == n]


def _rather_a_step(y: Floats, day: Floats, at: int) -> bool:
    """Tell whether means describe a series better than a straight line, and than occasions that are alike.

    Two means; where they do not, up to ``MOST`` further steps are put beside the first, since a series that stepped
    more than once is described badly by one step and passes for occasions that are alike.
    """
    n, x = len(y), day - day.mean()
    off, floor = y - y.mean(), 1e-300
    line = float(off @ off) - float(x @ off) ** 2 / float(x @ x)
    correlated, cuts = baseline(y).correlated, [0, at, n]
    for k in range(1, MOST + 2):
        rest = sum(_about_mean(y[a:b]) for a, b in pairwise(cuts))
        more = (k - 1) * (2 * math.log(n) + FURTHER)
        if n * math.log(max(line, floor) / max(rest, floor)) >= math.log(n) + CLEARLY + more and (
                not correlated or rather_than_alike(y, rest, 2 * k + 1, by=(k - 1) * FURTHER)):
            return True
        if n < LEAST * (k + 2):
            return False
        cuts = sorted((*cuts, _next_cut(y, cuts)))
    return False


def _about_mean(y: Floats) -> float:
    return float(((y - y.mean()) ** 2).sum())


def _next_cut(y: Floats, cuts: Sequence[int]) -> int:
    """Return the place of the step that explains most beside those there are."""
    best = (-1.0, 0)
    for a, b in pairwise(cuts):
        k = np.arange(1, b - a)
        gain = np.cumsum(y[a:b] - y[a:b].mean())[:-1] ** 2 * ((b - a) / (k * (b - a - k)))
        if len(gain):
            best = max(best, (float(gain.max()), a + 1 + int(gain.argmax())))
    return best[1]


def _judged(y: Floats, day: Floats, code: Ints, n: int, at: tuple[float, float, int | None], size: float) -> SharedStep:
    """Ask every series what it did at a step."""
    before, after, who = at
    shift, se, df, p = (np.full(n, math.nan) for _ in range(4))
    counts = np.zeros((n, 2), dtype=np.int64)
    for s in range(n):
        values, days = y[code == s], day[code == s]
        late = days >= after
        counts[s] = int((~late).sum()), int(late.sum())
        a, b = values[~late], values[late]
        if not len(a) or not len(b) or len(values) < 3:
            continue
        df[s] = len(values) - 2
        pooled = (float(((a - a.mean()) ** 2).sum()) + float(((b - b.mean()) ** 2).sum())) / df[s]
        shift[s], se[s] = float(b.mean() - a.mean()), math.sqrt(pooled * (1 / len(a) + 1 / len(b)))
        p[s] = _p(_ratio(shift[s], se[s]), df[s])
    moved = np.nan_to_num(p, nan=1.0) < size
    if who is not None:
        moved[who] = True
    read = np.isfinite(shift)

    def apart(i: int, j: int) -> bool:
        spread = math.hypot(se[i], se[j])
        free = spread**4 / (se[i]**4 / df[i] + se[j]**4 / df[j]) if spread > 0 else 1e9
        return _p(_ratio(shift[i] - shift[j], spread), free) < size

    those = [int(i) for i in np.flatnonzero(read)]
    pairs = [(i, j) for i in those for j in those if i < j]
    differ = {pair for pair in pairs if apart(*pair)}
    same_way = len({float(np.sign(v)) for v in shift[read]}) == 1
    if who is None and same_way and not differ:
        moved = read.copy()  # what their mean shows and no two of them contradict
    return SharedStep(before=before, at=after, kind=_kind(read, moved, same_way, differ), shift=shift, moved=moved,
                      alike=not any(moved[i] and moved[j] for i, j in differ),
                      days_before=int(counts[moved, 0].min()) if moved.any() else 0,
                      days_after=int(counts[moved, 1].min()) if moved.any() else 0)


def _kind(read: NDArray[np.bool_], moved: NDArray[np.bool_], same_way: bool, differ: set[tuple[int, int]]) -> Kind:
    if read.sum() <= 1:
        return "single"
    if moved[read].all() and same_way:
        return "all"
    stayed = np.flatnonzero(read & ~moved)
    if moved.sum() == 1 and len(stayed):
        i = int(np.flatnonzero(moved)[0])
        if all((min(i, j), max(i, j)) in differ for j in stayed.tolist()):
            return "alone"
    return "unclear"


def _ratio(value: float, se: float) -> float:
    """Return ``value`` in standard errors; readings without scatter make any change infinite."""
    return float(value / se) if se > 0 else math.inf if value else 0.0


def _p(t: float, df: float) -> float:
    """Two-sided p of Student's t."""
    return 2 * t_tail(df, abs(t))
