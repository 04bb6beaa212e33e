"""What is known of every sensor before it is judged: its checks against each limit, its uses, its events, the rig."""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Set
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from drift.calibration import codes_of, numbers, words
from drift.control import Rig
from drift.engine.sensor_forecast import Population, fit_population
from drift.errors import DriftError, Finding
from drift.records import Tables
from drift.retirement.limits import Limit, declared_limits
from drift.sensitivity.design import WearData, prepare
from drift.study import Study, TodaySpec
from drift.today.beside import Beside, nothing_beside
from drift.today.latest import LatestChecks
from drift.today.rising import Rise, rises_of
from drift.today.standards import judged_rig
from drift.today.standing import Advice
from drift.today.steps import RigSteps, rig_steps

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Words = NDArray[np.object_]
OUT_OF_USE = ("retired", "failed", "lost")
FEWEST = 3


@dataclass(frozen=True, kw_only=True, eq=False)
class Path:
    """Occasion means of one response of all sensors; arrays of shape ``(n_occasions,)``.

    A repeat check is an occasion of its own, after the one that it repeats: ``repeat`` is 0 for a first check, 1
    for its first repeat and so on.
    """

    limit: Limit | None
    code: Ints
    use: Floats
    value: Floats
    weight: Floats
    repeat: Ints
    log: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class Situation:
    """Everything about one sensor that does not depend on others."""

    sensor: str
    construction: str
    role: str
    use: float
    checks: int
    last_check: float
    last_time: str
    dead: float
    out: str
    unusable: int


@dataclass(kw_only=True, eq=False)
class Setting:
    """A study ready to be asked about its sensors; population fits are made once and kept.

    Parameters
    ----------
    study : Study
    spec : TodaySpec
    data : WearData or None
        None where no worn sensor has a usable check.
    sensors : tuple of str
        All sensors that occur anywhere.
    paths : tuple of Path
        One for each limit, or one of the response itself where no limit is declared.
    rig : Rig
    advice : Advice
        What the study states of sensors of each construction.
    rises : tuple of Rise
        Constructions whose sensitivity rises.
    steps : RigSteps or None
        Changes of the rig between the checks of a sensor; paths are those the present rig would have read.
    ends : tuple of Setting
        The same with the steps as small, and as large, as never-worn sensors allow.
    """

    study: Study
    spec: TodaySpec
    data: WearData | None
    sensors: tuple[str, ...]
    names: Words
    constructions: Mapping[str, str]
    paths: tuple[Path, ...]
    rig: Rig
    situations: Mapping[str, Situation]
    latest: LatestChecks | None
    findings: tuple[Finding, ...]
    seed: int
    longest: float
    advice: Advice
    rises: tuple[Rise, ...] = ()
    steps: RigSteps | None = None
    ends: tuple[Setting, ...] = ()
    fits: dict[tuple[int, str], Population | str] = field(default_factory=dict)

    def population(self, number: int, construction: str) -> tuple[Population | str, Ints]:
        """Return the fit of one response of one construction (or why there is none), and whose it is."""
        path = self.paths[number]
        # Checks that could not be put on one rig would show others too little wear, or too much.
        lost = self.steps.lost if self.steps is not None else frozenset()
        of = np.array([self.constructions.get(str(s), "") == construction and s not in lost for s in self.names],
                      dtype=np.bool_)
        rows = of[path.code]
        members = np.unique(path.code[rows])
        key = (number, construction)
        if key not in self.fits:
            place = np.full(len(self.names), -1)
            place[members] = np.arange(len(members))
            child = np.random.default_rng([self.seed, number, zlib.crc32(construction.encode())])
            try:
                self.fits[key] = fit_population(path.use[rows], path.value[rows], path.weight[rows],
                                                place[path.code[rows]], len(members), rng=child)
            except ValueError as error:
                self.fits[key] = str(error)
        return self.fits[key], members


def prepare_setting(tables: Tables, study: Study, *, sessions: Mapping[str, tuple[float, int]] | None = None,
                    given: Set[int] = frozenset(), recorded: Tables | None = None, beside: Beside | None = None,
                    seed: int = 20260101, on: date | None = None) -> Setting:
    """Read everything off the tables.

    Parameters
    ----------
    tables : Tables
    study : Study
    sessions : mapping, optional
        Latest use count on record in the ledger's sessions by sensor, and the sessions that bear none after it.
    given : set of int
        Numbers of the rows of the checks that were given by hand.
    recorded : Tables, optional
        The tables without them.
    beside : Beside, optional
        What a report beside the study says.
    seed : int
    on : date, optional
        Day of the question, for the age of what is known of the rig.

    Raises
    ------
    DriftError
        Where the tables themselves cannot be used.
    """
    data, refused = _data(tables, study)
    spec = study.today or TodaySpec()
    limits = declared_limits(study, tables)
    names: Words = data.sensor[codes_of([data.sensor])[1]] if data is not None else np.zeros(0, dtype=object)
    steps = rig_steps(tables, data, study, given) if data is not None else None
    moved = steps.put_on_present(data, steps.likeliest) if data is not None and steps is not None else data
    known = known_sensors(tables)
    construction = _labels(tables, known, "construction")
    situations = _situations(tables, data, study, known, construction, sessions or {})
    rig, more = judged_rig(tables, study, spec, on=on)
    latest = (LatestChecks(tables.checks, data, data.spec.exposure, given)
              if data is not None and tables.checks is not None else None)
    longest = float(data.use.max()) if data is not None else 0.0
    found = Setting(study=study, spec=spec, data=moved, sensors=known, names=names, constructions=construction,
                    paths=_paths(moved, limits), rig=rig, situations=situations, rises=rises_of(moved),
                    latest=latest, seed=seed, longest=longest, steps=steps,
                    # Counts are those that 'drift run' states, which does not put checks on one rig.
                    advice=Advice(study=study, tables=tables, data=data, recorded=recorded if given else None,
                                  beside=beside or nothing_beside()),
                    findings=(*refused, *more, *_warnings(data)))
    if data is not None and steps is not None:
        found.ends = tuple(replace(found, paths=_paths(steps.put_on_present(data, size, late=late), limits), fits={})
                           for size, late in steps.ends)
    return found


def _paths(data: WearData | None, limits: tuple[Limit, ...]) -> tuple[Path, ...]:
    """Return the occasions of all sensors against each limit, or of the response where none is declared."""
    if data is None:
        return ()
    code, _ = codes_of([data.sensor])
    return tuple(p for p in (_path(data, code, limit) for limit in limits or (None,)) if p is not None)


def _warnings(data: WearData | None) -> tuple[Finding, ...]:
    return () if data is None else tuple(f for f in data.findings if f.severity == "warning")


def _data(tables: Tables, study: Study) -> tuple[WearData | None, tuple[Finding, ...]]:
    """Prepare the checks of worn sensors; that there is none yet is a state, not a fault."""
    if tables.checks is None or not len(tables.checks):
        return None, ()
    try:
        return prepare(tables, study), ()
    except DriftError as error:
        if {f.code for f in error.findings} <= {"no-usable-row", "no-checks"}:
            return None, tuple(Finding(**{**f.to_dict(), "severity": "warning"}) for f in error.findings)
        raise


def _path(data: WearData, code: Ints, limit: Limit | None) -> Path | None:
    """Average mountings into occasions, with weights from the scatter inside and between occasions."""
    log = data.log
    if limit is None or limit.key == "sensitivity_change":
        value = data.response
    else:
        raw = data.calibration.saturation_pressure if limit.key == "saturation_pressure" else data.calibration.reading
        with np.errstate(invalid="ignore", divide="ignore"):
            value = np.where(raw > 0, np.log(np.where(raw > 0, raw, 1.0)), np.nan) if limit.log else raw
        log = limit.log
    good = np.isfinite(value) & np.isfinite(data.use) & _present(data, code)
    if not good.any():
        return None
    again = np.array([_repeat(str(r)) for r in data.calibration.replicate], dtype=np.int64)
    cell, first = codes_of([code[good], data.use[good], again[good]])
    count = np.bincount(cell).astype(np.float64)
    mean = np.bincount(cell, weights=value[good]) / count
    squares = float(((value[good] - mean[cell]) ** 2).sum())
    df = float((count - 1).sum())
    at, use = code[good][first], data.use[good][first]
    weight = _weights(at, use, mean, count, squares / df if df > 0 else 0.0)
    return Path(limit=limit, code=at, use=use, value=mean, weight=weight, repeat=again[good][first], log=log)


def _repeat(replicate: str) -> int:
    """Return which repeat a mounting belongs to by its label: ``repeat``, ``repeat 2``; 0 for none."""
    first, _, number = replicate.casefold().partition(" ")
    if first != "repeat":
        return 0
    return int(number) if number.strip().isdigit() else 1


def _present(data: WearData, code: Ints) -> NDArray[np.bool_]:
    """Mountings of each sensor's present calibration, where readings are displayed pressures; all of them elsewhere."""
    if not bool((data.epoch != "").any()):
        return np.ones(len(code), dtype=np.bool_)
    last: dict[int, tuple[float, str]] = {}
    for c, u, e in zip(code.tolist(), data.use.tolist(), data.epoch.tolist(), strict=True):
        if c not in last or u >= last[c][0]:
            last[c] = (u, e)
    return np.array([last[c][1] == e for c, e in zip(code.tolist(), data.epoch.tolist(), strict=True)], dtype=np.bool_)


def _weights(code: Ints, use: Floats, mean: Floats, count: Floats, inside: float) -> Floats:
    """One over the relative variance of occasions that average different numbers of mountings."""
    if not inside > 0 or len(set(count.tolist())) == 1:
        return np.ones(len(mean))
    n = int(code.max()) + 1
    total = np.bincount(code, minlength=n).astype(np.float64)
    x = use - (np.bincount(code, weights=use, minlength=n) / np.maximum(total, 1))[code]
    y = mean - (np.bincount(code, weights=mean, minlength=n) / np.maximum(total, 1))[code]
    sxx = np.bincount(code, weights=x * x, minlength=n)
    slope = np.divide(np.bincount(code, weights=x * y, minlength=n), sxx, out=np.zeros(n), where=sxx > 0)
    df = float(np.maximum(total - 2, 0)[sxx > 0].sum())
    rest = float(((y - slope[code] * x) ** 2).sum()) / df if df > 0 else inside
    between = max(rest - inside * float((1 / count).mean()), 0.0)
    usual = between + inside / float(np.median(count))
    return np.asarray(usual / (between + inside / count))


def known_sensors(tables: Tables) -> tuple[str, ...]:
    """All sensors that occur in any table, in the order of the sensors table where there is one."""
    found: dict[str, None] = {}
    for table in (tables.sensors, tables.checks, tables.trials):
        if table is not None and "sensor" in table:
            found.update(dict.fromkeys(s for s in words(table, "sensor") if s))
    return tuple(found)


def _labels(tables: Tables, known: tuple[str, ...], name: str) -> dict[str, str]:
    """Return a label of each sensor, from the sensors table or a column of the checks."""
    made = dict.fromkeys(known, "")
    for table in (tables.checks, tables.sensors):
        if table is not None and name in table:
            made.update({s: v for s, v in zip(words(table, "sensor"), words(table, name), strict=True) if v})
    return made


def _situations(tables: Tables, data: WearData | None, study: Study, known: tuple[str, ...],
                construction: Mapping[str, str], sessions: Mapping[str, tuple[float, int]]) -> dict[str, Situation]:
    role = _labels(tables, known, "role")
    exposure = data.spec.exposure if data is not None else "use"
    use = dict.fromkeys(known, 0.0)
    for table, column in ((tables.checks, exposure), (tables.trials, "use")):
        if table is not None and column in table and "sensor" in table and (column == exposure):
            for s, u in zip(words(table, "sensor"), numbers(table, column), strict=True):
                if u > use.get(s, 0.0):
                    use[s] = float(u)
    if exposure == "use":
        for s, (most, more) in sessions.items():
            use[s] = max(use.get(s, 0.0), most) + more
    out = _out_of_use(tables)
    checks, last, dead, time = (dict.fromkeys(known, 0), dict.fromkeys(known, np.nan), dict.fromkeys(known, np.nan),
                                dict.fromkeys(known, ""))
    if data is not None:
        stamp = words(tables.checks, "time")[data.kept_rows]
        seen: dict[str, set[float]] = {}
        for i, (s, u) in enumerate(zip(data.sensor.tolist(), data.use.tolist(), strict=True)):
            seen.setdefault(s, set()).add(u)
            if not u < last[s]:
                dead[s] = float(data.calibration.dead[i]) if u > last[s] or np.isnan(last[s]) else float(
                    np.fmax(dead[s], data.calibration.dead[i]))
                last[s], time[s] = u, max(time[s], str(stamp[i])) if u == last[s] else str(stamp[i])
        checks |= {s: len(v) for s, v in seen.items()}
    lost: dict[str, int] = {}
    if data is not None:
        place = {int(r): s for r, s in zip(tables.checks.row, words(tables.checks, "sensor"), strict=True)}  # type: ignore[union-attr]
        for x in data.exclusions:
            lost[place.get(x.row, "")] = lost.get(place.get(x.row, ""), 0) + 1
    return {s: Situation(sensor=s, construction=construction.get(s, ""), role=role.get(s, ""), use=use[s],
                         checks=checks[s], last_check=last[s], last_time=time[s], dead=dead[s], out=out.get(s, ""),
                         unusable=lost.get(s, 0)) for s in known}


def _out_of_use(tables: Tables) -> dict[str, str]:
    """Return in words why a sensor is out of use: its retirement on record, or its last event."""
    found: dict[str, str] = {}
    if tables.sensors is not None and "retired_at_use" in tables.sensors:
        why = words(tables.sensors, "retired_reason")
        at = numbers(tables.sensors, "retired_at_use")
        for s, u, w in zip(words(tables.sensors, "sensor"), at, why, strict=True):
            if np.isfinite(u):
                found[s] = f"retired after use {u:g}" + (f" ({w})" if w else "")
    if tables.events is not None:
        note = words(tables.events, "note")
        for s, u, e, w in zip(words(tables.events, "sensor"), numbers(tables.events, "use"),
                              words(tables.events, "event"), note, strict=True):
            if e in OUT_OF_USE:
                found[s] = f"{e} after use {u:g}" + (f" ({w})" if w else "")
            elif e == "repaired" and found.get(s, "").startswith("failed"):
                del found[s]
    return found
