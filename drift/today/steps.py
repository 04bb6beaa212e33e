"""Changes of the rig between the checks of a sensor: earlier checks are put on the present rig, or nothing is said.

A rig that reads 8 % higher since some day hides 8 % of what a sensor has lost. Never-worn sensors tell how far it
moved; what they leave open is tried at both ends.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Set
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from drift.calibration import codes_of, words
from drift.engine.shared_steps import SharedStep, shared_steps
from drift.records import Tables
from drift.results import join_words
from drift.sensitivity.control_days import (
    ControlDays,
    Logged,
    control_days,
    day_numbers,
    gaps,
    logged_changes,
    on_both_sides,
    since,
)
from drift.sensitivity.design import WearData
from drift.study import Study

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
LEVEL = 0.95
SMALL = 0.01  # a change of the rig by less than 1 % is not carried where one standard alone moved
NOW = math.inf


@dataclass(frozen=True, kw_only=True)
class RigStep:
    """One change of the rig, or of the only never-worn sensor that was read.

    Parameters
    ----------
    before, at : float
        Last day of never-worn sensors before it and first after it, since 1970-01-01; NaN where there is none.
    size, low, high : float
        Change of log readings of one load with its 95 % interval; NaN where it is not known.
    sure : bool
        All never-worn sensors moved, so that it was the rig; else it may have been they.
    who : tuple of str
    cause : str
        On record; empty for none.
    """

    before: float
    at: float
    size: float
    low: float
    high: float
    sure: bool
    who: tuple[str, ...]
    cause: str

    @property
    def known(self) -> bool:
        """Whether its size can be told."""
        return math.isfinite(self.low) and math.isfinite(self.high)

    @property
    def when(self) -> str:
        """``from 2026-05-03 on``."""
        return since(self.before, self.at)

    @property
    def words(self) -> str:
        """``+7.9 (+7.4 to +8.4) % from 2026-05-03 on (new indenter)``."""
        cause = f" ({self.cause})" if self.cause else ""
        if not self.known:
            return f"by an unknown amount {self.when}{cause}"
        sizes = [100 * math.expm1(v) for v in (self.size, self.low, self.high)]
        width = sizes[2] - sizes[1]
        digits = min(max(1 - math.floor(math.log10(width)), 0), 3) if width > 0 else 1  # two of the interval's width
        value, low, high = (f"{round(v, digits) + 0.0:+.{digits}f}".replace("-", "\N{MINUS SIGN}") for v in sizes)
        return f"{value} ({low} to {high}) % {self.when}{cause}"


@dataclass(frozen=True, kw_only=True, eq=False)
class RigSteps:
    """Changes of the rig, and the checks on the two sides of each.

    Parameters
    ----------
    steps : tuple of RigStep
        In the order of time.
    earlier, open : array of bool, shape (n_steps, n_mountings)
        Checks before a step; and those whose side is not known: between its two days, or without a day.
    crossed : mapping of str to tuple of int
        Steps between the checks of each sensor.
    undated : frozenset of str
        Sensors with a check that cannot be placed although steps lie between the others.
    gaps : tuple of tuple
        Days between which no never-worn sensor was read on both sides, so that a change there would not be seen.
    beside : frozenset of str
        Sensors with checks on both sides of such a gap.
    sides : tuple of array of bool, shape (n_steps, n_mountings)
        Open checks that are put after their step: none, all, and the later ones of each sensor.
    """

    steps: tuple[RigStep, ...]
    earlier: Bools
    open: Bools
    crossed: Mapping[str, tuple[int, ...]]
    undated: frozenset[str]
    sides: tuple[Bools, ...] = ()
    gaps: tuple[tuple[float, float], ...] = ()
    beside: frozenset[str] = frozenset()

    @property
    def ends(self) -> tuple[tuple[Floats, Bools], ...]:
        """Sizes of the steps to try beside the likeliest, each with the open checks that are put after their step."""
        if not self.crossed:
            return ()
        low = np.array([s.low if s.sure else min(s.low, 0.0) for s in self.steps])
        high = np.array([s.high if s.sure else max(s.high, 0.0) for s in self.steps])
        return tuple((size, late) for late in self.sides for size in (low, high))

    @property
    def likeliest(self) -> Floats:
        """Sizes of the steps; what may have been the never-worn sensor is not taken for the rig's."""
        return np.array([s.size if s.sure else 0.0 for s in self.steps])

    @cached_property
    def lost(self) -> frozenset[str]:
        """Sensors whose checks cannot be put on one rig."""
        return frozenset(s for s in self.crossed if self.unknown(s))

    def unknown(self, sensor: str) -> str:
        """Say why checks of a sensor cannot be put on one rig; empty where they can."""
        lost = [self.steps[k] for k in self.crossed.get(sensor, ()) if not self.steps[k].known]
        if lost:
            moved = join_words([s.when + (f" ({s.cause})" if s.cause else "") for s in lost])
            return (f"the rig changed {moved} between its checks, and never-worn sensors do not tell how far")
        return "the rig changed, and on which side of that some of its checks lie is not on record" if (
            sensor in self.undated) else ""

    def put_on_present(self, data: WearData, size: Floats, *, late: Bools | None = None) -> WearData:
        """Return the checks as the present rig would have read them.

        Parameters
        ----------
        data : WearData
        size : array, shape (n_steps,)
            On the log scale; NaN steps change nothing.
        late : array of bool, optional
            Open checks that lie after their step; by default none.
        """
        before = self.earlier | (self.open if late is None else self.open & ~late)
        add = np.nan_to_num(size) @ before.astype(np.float64)
        factor = np.exp(add)
        c = data.calibration
        moved = replace(c, reading=c.reading * factor, sensitivity=c.sensitivity * factor,
                        sensitivity_se=c.sensitivity_se * factor,
                        saturation_pressure=c.saturation_pressure / factor)
        return replace(data, calibration=moved, response=data.response + add if data.log else data.response * factor,
                       response_se=data.response_se if data.log else data.response_se * factor)


def rig_steps(tables: Tables, data: WearData, study: Study, given: Set[int] = frozenset()) -> RigSteps | None:
    """Find the changes of the rig between the checks of worn sensors; None where there are none.

    Parameters
    ----------
    tables : Tables
    data : WearData
    study : Study
    given : set of int
        Numbers of rows that were given by hand: they are read today.

    Notes
    -----
    Steps on record as 'new baseline', and those that never-worn sensors show
    (:func:`drift.engine.shared_steps.shared_steps`), each with a t interval. One that a single standard made while
    another did not follow is none of the rig. Steps are factors: a load that is wrong by 8 % changes every reading by
    8 %.
    """
    any_kept, kept = control_days(tables, data.spec, study.screening, log=True)
    if not any_kept:
        return None
    logged = logged_changes(tables, kept, data.spec.exposure)
    found = [*_seen(kept, logged), *(RigStep(before=c.before, at=c.at, size=math.nan, low=math.nan, high=math.nan,
                                            sure=True, who=c.sensors, cause=c.cause)
                                    for c in logged if not c.spanned)]
    return _placed(tuple(sorted(found, key=lambda s: (math.isnan(s.at), s.at))), gaps(kept), tables, data, given)


def _seen(kept: ControlDays | None, logged: tuple[Logged, ...]) -> list[RigStep]:
    """Return the steps that never-worn sensors tell the size of."""
    if kept is None:
        return []
    seen = shared_steps(kept.value, kept.day, kept.code, known=[c.at for c in logged if c.spanned])
    if not seen:
        return []
    from drift.sensitivity.controls_fit import fit_controls

    fit = fit_controls(kept.value, kept.day, kept.code, kept.names, seen, LEVEL)
    causes = {c.at: c.cause for c in logged}
    found = []
    for k, step in enumerate(seen):
        if step.kind == "alone":
            found += _followers(kept, seen, k, causes.get(step.recorded, ""))
            continue
        moved = fit.steps[k] if fit is not None else None
        ends = () if moved is None else (moved.common,) if moved.common is not None else moved.own
        size, low, high = _hull([e for e in ends if e is not None])
        found.append(RigStep(before=step.before, at=step.at, size=size, low=low, high=high, sure=step.kind == "all",
                             cause=causes.get(step.recorded, ""), who=moved.who if moved is not None else ()))
    return found


def _followers(kept: ControlDays, seen: tuple[SharedStep, ...], k: int, cause: str) -> list[RigStep]:
    """Return how far the rig may have moved with a standard that moved more, where the others leave that open.

    Others that are read seldom, or badly, did not follow visibly, and may have moved with the rig all the same.
    """
    from drift.sensitivity.controls_fit import fit_controls

    step = seen[k]
    stayed = np.isfinite(step.shift) & ~step.moved
    mine = np.isin(kept.code, np.flatnonzero(stayed))
    code = (np.cumsum(stayed) - 1)[kept.code[mine]]
    names = tuple(n for n, s in zip(kept.names, stayed, strict=True) if s)
    alike = replace(step, moved=np.ones(len(names), dtype=np.bool_), shift=step.shift[stayed], kind="all", alike=True)
    fit = fit_controls(kept.value[mine], kept.day[mine], code, names, (alike,), LEVEL)
    if fit is None or fit.steps[0].common is None:
        return []
    size, low, high = fit.steps[0].common
    if math.isfinite(low) and max(abs(low), abs(high)) <= SMALL:
        return []
    return [RigStep(before=step.before, at=step.at, size=size, low=low, high=high, sure=True, who=names, cause=cause)]


def _hull(ends: list[tuple[float, float, float]]) -> tuple[float, float, float]:
    """Return the mean of sizes and the hull of their intervals."""
    if not ends or not all(math.isfinite(v) for e in ends for v in e):
        return (math.nan,) * 3
    return (float(np.mean([e[0] for e in ends])), min(e[1] for e in ends), max(e[2] for e in ends))


def _placed(steps: tuple[RigStep, ...], unseen: tuple[tuple[float, float], ...], tables: Tables, data: WearData,
            given: Set[int]) -> RigSteps | None:
    """Put every check before a step, after it, or where its side is not known."""
    assert tables.checks is not None
    if not steps and not unseen:
        return None
    row = tables.checks.row[data.kept_rows]
    day = day_numbers(words(tables.checks, "time")[data.kept_rows])
    day[np.isin(row, list(given))] = NOW
    earlier, late, undated = (np.zeros((len(steps), len(day)), dtype=np.bool_) for _ in range(3))
    for k, s in enumerate(steps):
        edge = s.at if math.isfinite(s.at) else NOW
        earlier[k] = day <= s.before if math.isfinite(s.before) else False
        late[k] = day >= edge
        if not (math.isfinite(s.before) or math.isfinite(s.at)):
            undated[k] = True
    code, first = codes_of([data.sensor])
    names = data.sensor[first].astype(str).tolist()
    rows = np.split(np.argsort(code, kind="stable"), np.cumsum(np.bincount(code))[:-1])
    for mine in rows:
        if np.isnan(day[mine]).any():
            for k in range(len(steps)):
                _by_neighbours(earlier[k], late[k], undated[k], day, data.use, mine)
    open_ = ~earlier & ~late & ~undated
    crossed = {}
    for who, mine in zip(names, rows, strict=True):
        both = np.flatnonzero(~earlier[:, mine].all(axis=1) & ~late[:, mine].all(axis=1))
        if len(both) and np.ptp(data.use[mine]) > 0:
            crossed[who] = tuple(both.tolist())
    # Checks that are open at several steps could lie on either side of each: that is not tried.
    lost = frozenset(w for w, mine in zip(names, rows, strict=True)
                     if undated[(ks := list(crossed.get(w, ())))][:, mine].any()
                     or open_[ks][:, mine].any(axis=1).sum() > 1)
    # A change on record there is a step of its own.
    unseen = tuple(g for g in unseen if not any(s.at == g[1] for s in steps))
    beside = frozenset(who for a, b in unseen for who in on_both_sides(data.sensor, day, a, b))
    return RigSteps(steps=steps, earlier=earlier, open=open_, crossed=crossed, undated=lost, gaps=unseen,
                    beside=beside, sides=_sides(open_, data.use, rows)) if crossed or beside else None


def _sides(open_: Bools, use: Floats, rows: list[NDArray[np.int64]]) -> tuple[Bools, ...]:
    """Put the open checks of each sensor after their step: none, all, all but the first, the later half, the last.

    A step between two open checks hides what was lost between them, which no single side of both shows.
    """
    made = [np.zeros_like(open_) for _ in range(5)]
    for k, mine in ((k, mine[open_[k, mine]]) for k in np.flatnonzero(open_.any(axis=1)) for mine in rows):
        uses, place = np.unique(use[mine], return_inverse=True)
        for late, first in zip(made, (len(uses), 0, 1, (len(uses) + 1) // 2, len(uses) - 1), strict=True):
            late[k, mine] = place >= first
    return tuple({late.tobytes(): late for late in made}.values())


def _by_neighbours(earlier: Bools, late: Bools, undated: Bools, day: Floats, use: Floats, mine: NDArray[np.int64]
                   ) -> None:
    """Place checks without a day by those of the sensor's uses around them; others stay without a side."""
    without = mine[np.isnan(day[mine])]
    for i in without.tolist():
        if (use[mine][earlier[mine]] >= use[i]).any():
            earlier[i] = True
        elif (use[mine][late[mine]] <= use[i]).any():
            late[i] = True
        else:
            undated[i] = True
