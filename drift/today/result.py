"""The answer of ``drift today``: one sensor with its reasons, or all sensors of a study in one table."""

from __future__ import annotations

import math
import re
from collections.abc import Container, Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np

from drift.engine.sensor_forecast import quantiles_of
from drift.errors import DriftError, Finding
from drift.records import Tables
from drift.results import Estimate, Provenance, Result, ResultTable, join_words, run_versions
from drift.sensitivity.design import NOT_WORN
from drift.study import Study
from drift.today import stated_words as stated
from drift.today import words as said
from drift.today.judge import Verdict, judge
from drift.today.names import unknown_sensor
from drift.today.near import Near
from drift.today.paths import Setting
from drift.today.rising import rise_findings, rise_sentences
from drift.today.step_words import step_finding, step_rows, step_sentence

QUESTION = "sensors today"
FAN = (0.05, 0.25, 0.5, 0.75, 0.95)


@dataclass(frozen=True, kw_only=True, eq=False)
class TodayResult(Result):
    """What to do with sensors today."""

    command: ClassVar[str] = "today"


def one_sensor(setting: Setting, sensor: str, tables: Tables, study: Study) -> TodayResult:
    """Judge one sensor and say why.

    Raises
    ------
    DriftError
        For a sensor that occurs nowhere, with the nearest names.
    """
    if sensor not in setting.situations:
        raise DriftError(unknown_sensor(sensor, setting.sensors))
    v = judge(setting, sensor)
    rises = tuple(r for r in setting.rises if r.construction == v.situation.construction
                  and v.situation.role not in NOT_WORN and not v.situation.out)
    rise = rise_sentences(rises, setting.data, use=v.situation.use)
    return TodayResult(
        question=f"{sensor} today", answer=said.answer(v, setting) + rise, estimates=tuple(_estimates(v, setting)),
        tables=(_reasons(v, setting), *_path_tables(v, setting)),
        findings=(*rise_findings(rises, setting.data), *said.findings_of(v, setting),
                  *step_finding(setting, sensor), *setting.rig.findings,
                  *_about(sensor, setting)),
        exclusions=setting.data.exclusions if setting.data is not None else (),
        provenance=_provenance(setting, tables, study))


def all_sensors(setting: Setting, tables: Tables, study: Study) -> TodayResult:
    """Judge every worn sensor of a study that is not out of use, in one table."""
    import scipy.special  # noqa: F401  (many sensors ask for more values than it takes to load; see drift.engine.tails)

    verdicts = [judge(setting, s) for s in setting.sensors if setting.situations[s].role not in NOT_WORN
                and not setting.situations[s].out]
    gone = sum(bool(setting.situations[s].out) for s in setting.sensors)
    counts = {w: sum(v.word == w for v in verdicts) for w in ("use", "check again", "do not use")}
    told = ", ".join(f"{n} {_each(w)}" for w, n in counts.items() if n)
    answer = (f"Of {len(verdicts)} sensors in use: {told}" if verdicts else "No sensor is in use") + (
        f"; {gone} {'is' if gone == 1 else 'are'} out of use." if gone else ".")
    if verdicts:
        answer += f"{rise_sentences(setting.rises, setting.data)} {said.of_rig(setting)}.{step_sentence(setting, None)}"
        answer += _past_counts(verdicts)
    chosen = next((v for v in verdicts if v.word == "do not use" and v.forecasts), None) or next(
        (v for v in verdicts if v.forecasts), None)
    return TodayResult(
        question=QUESTION, answer=answer, estimates=tuple(e for v in verdicts for e in _estimates(v, setting)),
        tables=(_overview(verdicts, setting), *(_path_tables(chosen, setting) if chosen else ()),
                *_rig_tables(setting)),
        findings=(*(rise_findings(setting.rises, setting.data) if verdicts else ()),
                  *(step_finding(setting, None) if verdicts else ()), *setting.rig.findings,
                  *_of_all(verdicts, setting), *setting.findings),
        provenance=_provenance(setting, tables, study))


def _of_all(verdicts: list[Verdict], setting: Setting) -> tuple[Finding, ...]:
    """Cautions of all sensors; those that go past all experience are named together."""
    told = [(v, f) for v in verdicts for f in said.findings_of(v, setting) if f.severity == "warning"]
    shared = _shared(verdicts)
    far = [v.situation.sensor for v, f in told if f.code == "beyond-experience"]
    rest = tuple(f for v, f in told if f.code != "beyond-experience"
                 and not (f.code == "no-forecast" and _cause(v) in shared))
    rest = (*rest, *_no_forecasts(shared, setting))
    if not far:
        return rest
    one, several = said.per(setting)
    return (*rest, Finding(severity="warning", code="beyond-experience", message=f"{join_words(far)} "
                           f"{'are' if len(far) > 1 else 'is'} forecast further than {one} {setting.longest:g}, to "
                           "which sensors were followed: that their lines stay straight there is an assumption",
                           mend=f"Check them at every few {several} from there on."))


def _cause(v: Verdict) -> str:
    """Return why a sensor has no forecast; empty where it has one."""
    return v.refused if not v.forecasts else ""


def _shared(verdicts: list[Verdict]) -> dict[str, list[Verdict]]:
    """Return the causes for which several sensors have no forecast, with these sensors."""
    by: dict[str, list[Verdict]] = {}
    for v in verdicts:
        if _cause(v):
            by.setdefault(_cause(v), []).append(v)
    return {cause: those for cause, those in by.items() if len(those) > 1}


def _no_forecasts(shared: Mapping[str, list[Verdict]], setting: Setting) -> tuple[Finding, ...]:
    """Say each cause that several sensors share once, with their names."""
    made = []
    for cause, those in shared.items():
        first = next(f for f in said.findings_of(those[0], setting) if f.code == "no-forecast")
        names = join_words([v.situation.sensor for v in those])
        mend = first.mend.replace("of its", "of their").replace("or this one at", "or each at")
        made.append(replace(first, message=f"how many {said.per(setting)[1]} {names} have left cannot be said: {cause}",
                            mend=mend))
    return tuple(made)


def _why_words(code: str, v: Verdict, setting: Setting, shared: Container[str]) -> str:
    """Word one reason for the table of all sensors: a cause that several share is told below it, once."""
    if code == "unknown" and _cause(v) in shared:
        return f"{said.per(setting)[1]} left not known (see cautions)"
    return said.brief(code, v, setting)


def _about(sensor: str, setting: Setting) -> tuple[Finding, ...]:
    """Return the findings of the checks that name this sensor, or none in particular."""
    others = [s for s in setting.sensors if s != sensor and setting.situations[s].role != "check standard"]
    return tuple(f for f in setting.findings if re.search(rf"\b{re.escape(sensor)}\b", f.message)
                 or not any(re.search(rf"\b{re.escape(s)}\b", f.message) for s in others))


def _past_counts(verdicts: list[Verdict]) -> str:
    """Say how many sensors are past the count of their construction, and how many are due for recalibration."""
    past = [v for v in verdicts if v.standing.past_count]
    counts = {v.situation.construction: v.standing for v in verdicts if math.isfinite(v.standing.count)}
    due = sum(v.standing.overdue for v in verdicts)
    told = ""
    if past:
        of = join_words([f"{s.count:g}{f' for {c} sensors' if c else ''}" for c, s in sorted(counts.items())])
        decides = {"forecast": "their own forecast decides", "checks": "the guard band of their checks decides",
                   "count": "they are not to be used"}[past[0].standing.by]
        told = f" {len(past)} {'is' if len(past) == 1 else 'are'} past the retire-after count ({of}); {decides}."
    return told + (f" {due} {'is' if due == 1 else 'are'} due for recalibration." if due else "")


def _each(word: str) -> str:
    return {"use": "may be used", "check again": "to be checked again", "do not use": "not to be used"}[word]


def _rig_tables(setting: Setting) -> tuple[ResultTable, ...]:
    if not setting.rig.charts:
        return ()
    from drift.control.result import _chart_rows

    return (_chart_rows(list(setting.rig.charts)),)


def _provenance(setting: Setting, tables: Tables, study: Study) -> Provenance:
    used = [t for t in (tables.checks, tables.sensors, tables.events) if t is not None]
    accounts = (setting.data.account,) if setting.data is not None else ()
    return Provenance(accounts=accounts, inputs={t.file: t.sha256 for t in used if t.sha256}, seed=setting.seed,
                      level=1 - setting.spec.chance, versions=run_versions(),
                      settings={"today": setting.spec.model_dump()})


def _share(p: float) -> float:
    """Return a probability in percent; what lies below its Monte Carlo error is no number to print."""
    return round(100 * p, 3)


def _estimates(v: Verdict, setting: Setting) -> list[Estimate]:
    """Numbers behind the verdict."""
    of = {"sensor": v.situation.sensor}
    _, several = said.per(setting)
    level = 1 - setting.spec.chance
    made: list[Estimate] = []
    for f in v.forecasts:
        mine = {**of, "limit": f.limit.key}
        n = v.n_sensors if f.basis == "population" else 1
        made += [Estimate(name="remaining uses", of=mine, value=float(f.median), low=float(f.low), unit=several,
                          level=level, n=n, bound="at least" if f.median >= f.most else None,
                          method=f"median and lower {100 * level:g} % bound, {said.level_words(f)}"),
                 Estimate(name="past the limit now", of=mine, value=_share(f.now), unit="%", n=n,
                          method=f"probability, {said.level_words(f)}"),
                 *_near_estimates(f.near, mine),
                 Estimate(name="past the limit at the next use", of=mine, value=_share(f.next), unit="%", n=n,
                          method=f"probability, {said.level_words(f)}")]
    if not v.forecasts:
        made.append(Estimate(name="remaining uses", of=of, value=math.nan, unit=several, level=level,
                             method="median and lower bound, not computed"))
    for name, s in (("latest check against its path", v.off), ("repeat check against its path", v.repeated)):
        if s is not None:
            made.append(Estimate(name=name, of=of, value=s.standardised, unit="SD", n=v.situation.checks,
                                 method=f"standardised one-step prediction error, {min(s.df, 9999):.0f} degrees of "
                                        f"freedom, p = {s.p:.2g}"))
    return made


def _near_estimates(n: Near | None, of: dict[str, str]) -> list[Estimate]:
    if n is None:
        return []
    what = "mean of the latest check and its repeat" if n.repeated else "latest check"
    made = [Estimate(name="latest check, from the limit", of=of, value=n.room, unit=n.unit,
                     method=f"limit less what the {what} shows; negative past the limit")]
    if math.isfinite(n.alone):
        made.append(Estimate(name="past the limit at the next use, by the latest check alone", of=of,
                             value=_share(n.alone), unit="%", method=f"probability, {what} with its error, and the "
                             "line before it for start and wear since"))
    return made


def _reasons(v: Verdict, setting: Setting) -> ResultTable:
    """One row a reason: what was looked at, what was found, what it means."""
    rows: list[tuple[str, str, str, str]] = []
    one, several = said.per(setting)
    at = v.situation
    if at.out:
        rows.append(("out of use", at.out, "", "do not use"))
    if v.latest is not None and v.latest.decides:
        rows.append(("latest check", f"{'given here' if v.latest.given else f'at {one} {v.latest.use:g}'}: not used "
                     f"({v.latest.told})", "", "check again"))
    if v.off is None:
        rows.append(("path", "no check to compare", "", "check again"))
    else:
        off = v.off.p < setting.spec.off_path
        limit = f"p of {setting.spec.off_path:g} or more"
        found = f"check at {one} {v.off_use:g}: {v.off.standardised:+.1f} SD, p = {v.off.p:.2g}"
        rows.append(("path", found, limit, "on its path" if not off else "check again" if v.repeated is None
                     else "repeated"))
        if v.repeated is not None:
            bad = v.repeated.p < setting.spec.off_path
            rows.append(("repeat check", f"{v.repeated.standardised:+.1f} SD, p = {v.repeated.p:.2g}", limit,
                         "do not use" if bad and off else "off its path, the first decides" if bad
                         else "on its path"))
    for f in v.forecasts:
        over = f.next > setting.spec.chance
        rows.append((f"limit: {f.limit.words}", f"past it now {said.percent(f.now)}, at the next {one} "
                     f"{said.percent(f.next)}", f"at most {100 * setting.spec.chance:g} %",
                     "do not use" if over else "within"))
        rows.append((f"{several} left to it", f"median {said.count(f.median, setting, f.most)}, "
                     f"{100 * (1 - setting.spec.chance):g} % bound {said.count(f.low, setting, f.most)}", "1 or more",
                     "do not use" if over else "within"))
        if f.near is not None:
            rows.append(_near_row(f.near, setting))
    if not v.forecasts:
        rows.append((f"{several} left", f"not known: {v.refused}", "", "check again" if "unknown" in v.why else ""))
    limit_dead = setting.study.limits.dead_fraction
    if limit_dead is not None and math.isfinite(at.dead):
        rows.append(("dead cells", f"{100 * at.dead:.2g} %", f"at most {100 * limit_dead:g} %",
                     "do not use" if at.dead > limit_dead else "within"))
    rows += stated.stated_rows(v, one, several)
    rows += step_rows(setting, v)
    rows.append(("rig", f"not known: {setting.rig.sentence}" if setting.rig.status == "not charted"
                 else setting.rig.sentence, said.alarm_rate(setting),
                 {"fit": "fit", "not charted": "not known", "standard": "fit"}.get(setting.rig.status, "check again")))
    columns = dict(zip(("reason", "found", "limit", "means"), zip(*rows, strict=True), strict=True))
    return ResultTable.build("reasons", {k: list(c) for k, c in columns.items()},
                             caption=f"Why: {at.sensor} at {one} {at.use:g}")


def _near_row(n: Near, setting: Setting) -> tuple[str, str, str, str]:
    """Say what the latest check shows against a limit, and how far that is from it."""
    one, _ = said.per(setting)
    side = "from" if n.room >= 0 else "past"
    found = f"{n.number(n.shown)}, {n.number(abs(n.room))} {side} it"
    if math.isnan(n.alone):
        return f"check at {one} {n.use:g} alone", found, "", ""
    return (f"check at {one} {n.use:g} alone", f"{found}; past it at the next {one} {said.percent(n.alone)}",
            f"at most {100 * setting.spec.chance:g} %", "within" if n.alone <= setting.spec.chance
            else "do not use" if n.repeated else "check again")


def _overview(verdicts: list[Verdict], setting: Setting) -> ResultTable:
    _, several = said.per(setting)
    shared = _shared(verdicts)
    rank = {"do not use": 0, "check again": 1, "use": 2}
    ordered = sorted(verdicts, key=lambda v: (rank[v.word], v.binding.low if v.binding else -1))

    def number(v: Verdict, name: str) -> float:
        return float(getattr(v.binding, name)) if v.binding is not None else math.nan

    columns = {"retire after": [v.standing.count for v in ordered],
               "since calibration": [v.standing.since for v in ordered]}
    known = {k: c for k, c in columns.items() if not all(math.isnan(x) for x in c)}  # what the study does not state
    return ResultTable.build(QUESTION, {
        "sensor": [v.situation.sensor for v in ordered], "construction": [v.situation.construction for v in ordered],
        "verdict": [v.word for v in ordered], "uses": [v.situation.use for v in ordered],
        "checks": [float(v.situation.checks) for v in ordered],
        "left, median": [number(v, "median") for v in ordered],
        "left, lower bound": [number(v, "low") for v in ordered],
        "past a limit at the next use": [_share(number(v, "next")) for v in ordered],
        "latest check": [v.off.standardised if v.off is not None else math.nan for v in ordered],
        **known, "why": ["; ".join(_why_words(c, v, setting, shared) for c in v.why) for v in ordered]},
        units={"uses": several, "left, median": several, "left, lower bound": several,
               "past a limit at the next use": "%", "latest check": "SD", **dict.fromkeys(known, several)},
        caption="Every sensor in use, those to keep away first")


def _path_tables(v: Verdict, setting: Setting) -> tuple[ResultTable, ...]:
    """Return the checks of the sensor and the fan of its forecast, on the scale of the limit that ends first."""
    f = v.binding
    if f is None:
        return ()
    number = next(i for i, p in enumerate(setting.paths) if p.limit is f.limit)
    path = setting.paths[number]
    found = np.flatnonzero(setting.names == v.situation.sensor)
    mine = path.code == (int(found[0]) if len(found) else -1)
    end = v.situation.use + min(max(2 * f.median, f.median + 10), f.most)
    use = np.linspace(0.0, float(end), 41)
    lines = quantiles_of(f.mixture, use, FAN)
    edge = f.limit.threshold()
    start = float(f.mixture.weight @ f.mixture.mean[:, 0])
    share = f.limit.relative and not path.log  # of the start, which then is the unit
    limit = start * (1 + f.limit.sign * edge) if share else f.limit.sign * edge + (start if f.limit.relative else 0.0)

    def shown(values: Any) -> Any:
        values = np.asarray(values, dtype=np.float64)
        if not path.log:
            return 100 * values / start if share else values
        return 100 * np.exp(values - start) if f.limit.relative else np.exp(values)

    unit = "% of fresh" if f.limit.relative else f.limit.unit
    points = ResultTable.build("checks of the sensor", {
        "sensor": [v.situation.sensor] * int(mine.sum()), "use": path.use[mine], "value": shown(path.value[mine]),
        "repeat": ["yes" if r else "" for r in path.repeat[mine]]}, units={"value": unit},
        caption=f"Checks of {v.situation.sensor}")
    fan = ResultTable.build("forecast", {
        "sensor": [v.situation.sensor] * len(use), "use": use,
        **{f"{100 * p:g} %": shown(line) for p, line in zip(FAN, lines, strict=True)},
        "limit": np.full(len(use), float(shown(limit))), "now": np.full(len(use), v.situation.use)},
        units={**{f"{100 * p:g} %": unit for p in FAN}, "limit": unit},
        caption=f"Forecast of {v.situation.sensor} against its {f.limit.words}")
    return points, fan
