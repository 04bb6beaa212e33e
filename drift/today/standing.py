"""Where a sensor stands against what the study states of sensors like it: count, guard band, calibration."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Literal

from drift.records import Tables
from drift.results import Provenance, Result
from drift.sensitivity.design import WearData, recalibrations
from drift.study import Study
from drift.today.beside import Beside, Guard, nothing_beside

if TYPE_CHECKING:
    from drift.retirement.policy_lines import Population
    from drift.today.near import Near

RetireBy = Literal["forecast", "count", "checks"]
EVERY_ONE = "all constructions"  # of a count that constructions share (drift.retirement.groups.POOLED)
Guards = tuple[tuple[Guard, ...], int, float]


@dataclass(frozen=True, kw_only=True)
class Standing:
    """What the study states of sensors of one construction, and where one of them stands.

    Parameters
    ----------
    use : float
        Uses made by now.
    count, count_at_least : float, bool
        Retire-after count; NaN where there is none or it is not known here.
    every, every_at_least : float, bool
        Recalibration interval.
    since, calibrated : float, str
        Uses since the last calibration, and when that was; NaN where it does not matter.
    guard : tuple of Guard
        What a check shows at which a sensor is retired; empty where no policy with checks is known.
    check_every : int
        Uses between the checks of that policy; 0 for none.
    ends : float
        Count at which that policy retires whatever a check shows; NaN without one.
    guard_of : {"", "report", "study"}
        Whether the guard band is that of the cheapest policy of the report or of the policy in force.
    by : {"forecast", "count", "checks"}
        What decides (``retire_by``).
    """

    use: float
    count: float = math.nan
    count_at_least: bool = False
    every: float = math.nan
    every_at_least: bool = False
    since: float = math.nan
    calibrated: str = ""
    guard: tuple[Guard, ...] = ()
    check_every: int = 0
    ends: float = math.nan
    guard_of: str = ""
    by: RetireBy = "forecast"

    @property
    def past_count(self) -> bool:
        """Whether the next use goes past the count, one beyond which more could be known."""
        return math.isfinite(self.count) and self.use >= self.count

    @property
    def overdue(self) -> bool:
        """Whether the next use would be made with a calibration older than the interval."""
        return self.every > 0 and math.isfinite(self.since) and self.since >= self.every

    def passed(self, near: Iterable[Near | None]) -> list[tuple[Near, Guard]]:
        """Return the limits at whose guard band, or past it, the latest check is."""
        at = {g.key: g for g in self.guard}
        return [(n, at[n.limit.key]) for n in near if n is not None and n.limit.key in at
                and n.worse_than(at[n.limit.key].value)]

    @property
    def past_end(self) -> bool:
        """Whether the policy with checks retires it whatever its check shows."""
        return math.isfinite(self.ends) and self.use >= self.ends


@dataclass(kw_only=True, eq=False)
class Advice:
    """Works out once what a study states, when first asked for.

    Counts come from the rules that ``drift run`` uses, on the same checks: on ``recorded``, where a check was given by
    hand, which may be a slip and is nobody's record. A report that lies beside the study and was
    made from the same files gives what would take a simulation: the cheapest policy with its guard band.
    """

    study: Study
    tables: Tables
    data: WearData | None
    recorded: Tables | None = None
    beside: Beside = field(default_factory=nothing_beside)
    _stated: dict[str, tuple[float, bool, float, bool]] | None = field(default=None, init=False)
    _guards: dict[str, tuple[tuple[Guard, ...], int, float, str]] = field(default_factory=dict, init=False)

    def of(self, sensor: str, construction: str, use: float, by: RetireBy) -> Standing:
        """Say where one sensor stands."""
        count, at_least, every, every_at_least = self._of(construction)
        since, calibrated = self._calibrated(sensor, use) if math.isfinite(every) else (math.nan, "")
        guard, check_every, ends, guard_of = self._guard(construction, by)
        return Standing(use=use, count=count, count_at_least=at_least, every=every, every_at_least=every_at_least,
                        since=since, calibrated=calibrated, guard=guard, check_every=check_every, ends=ends,
                        guard_of=guard_of, by=by)

    def _of(self, construction: str) -> tuple[float, bool, float, bool]:
        if self._stated is None:
            self._stated = self._work_out()
        nothing = math.nan, False, math.nan, False
        own = self._stated.get(construction, nothing)
        pooled = self._stated.get(EVERY_ONE, nothing)
        return (*(own[:2] if math.isfinite(own[0]) else pooled[:2]), *own[2:])

    def _work_out(self) -> dict[str, tuple[float, bool, float, bool]]:
        """Work out what [retirement] and [recalibration] ask for; without them only a report beside the study tells."""
        found = dict(self.beside.stated)
        wanted = self.study.retirement is not None or self.study.recalibration is not None
        if self.data is None or found or not wanted:
            return found
        from drift.retirement.statements_alone import Stated, counts_stated, intervals_stated

        wear = self._wear
        tables = self.recorded or self.tables
        counts, every = counts_stated(wear, self.study, tables), intervals_stated(wear, self.study, tables)
        none = Stated()
        for c in {**counts, **every}:
            a, b = counts.get(c, none), every.get(c, none)
            found[c] = a.count, a.count_at_least, b.every, b.every_at_least
        return found

    @cached_property
    def _wear(self) -> Result:
        from drift.sensitivity import basic_tables, basic_tables_of

        assert self.data is not None
        made = basic_tables_of(self.data) if self.recorded is None else basic_tables(self.recorded, self.study)
        return Result(question="wear", answer="", tables=made, provenance=Provenance())

    def _calibrated(self, sensor: str, use: float) -> tuple[float, str]:
        """Return the uses since the last calibration on record, and when that was."""
        if self.data is None or self.data.spec.exposure != "use":
            return math.nan, ""
        made = [u for u in self._recalibrated.get(sensor, ()) if u <= use]
        ids = self._cal_ids.get(sensor, [])
        if ids and ids[-1][1] != ids[0][1]:
            made.append(min(u for u, c in ids if c == ids[-1][1]))
        if not made:
            return use, "no recalibration is on record"
        return use - max(made), f"recalibrated after use {max(made):g}"

    @cached_property
    def _recalibrated(self) -> Mapping[str, Sequence[float]]:
        assert self.data is not None
        return recalibrations(self.tables, self.data.spec)

    @cached_property
    def _cal_ids(self) -> dict[str, list[tuple[float, str]]]:
        """Calibrations named in the checks, by sensor in the order of uses."""
        assert self.data is not None
        data = self.data
        found: dict[str, list[tuple[float, str]]] = {}
        for s, u, c in zip(data.sensor.tolist(), data.use.tolist(), data.calibration.cal_id.tolist(), strict=True):
            if c:
                found.setdefault(s, []).append((float(u), str(c)))
        return {s: sorted(those) for s, those in found.items()}

    @cached_property
    def _populations(self) -> list[Population]:
        from drift.retirement.groups import exposure_of
        from drift.retirement.policy_lines import make_populations

        return make_populations(self._wear, self.study, self.recorded or self.tables,
                                exposure=exposure_of(self.study), statement=None)

    def _guard(self, construction: str, by: RetireBy) -> tuple[tuple[Guard, ...], int, float, str]:
        if construction not in self._guards:
            found = self.beside.guards.get(construction, ((), 0, math.nan))
            every = self.study.policy.check_every if self.study.policy is not None else ()
            made = (*found, "report" if found[0] else "")
            if by == "checks" and len(every) == 1 and self.data is not None:
                own = self._worked_out(construction, every[0])
                made = (*own, "study") if own[0] else made
            elif by == "checks" and found[0]:
                made = (*found, "study")
            self._guards[construction] = made
        return self._guards[construction]

    def _worked_out(self, construction: str, every: int) -> Guards:
        """Work out the guard band of checks after so many uses, as ``drift policy`` does."""
        from drift.retirement.policy_candidates import latest
        from drift.retirement.policy_guard import retire_at, thresholds

        assert self.study.policy is not None
        for p in self._populations:
            if p.construction == construction and not p.refused:
                found = thresholds(p, every, self.study.policy)
                if found is not None:
                    at = tuple(Guard(key=g.key, value=g.value, unit=g.unit) for g in retire_at(p, found[0]))
                    return at, every, float(latest(p.cap))
        return (), 0, math.nan
