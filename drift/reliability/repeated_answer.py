"""What a question about repeated uses adds to a reliability result: sentence, estimates, tables and cautions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from drift.errors import Finding
from drift.records import TrialTable
from drift.reliability.along_use import Along, along, is_ordered
from drift.reliability.repeated_uses import LEFT_IN, REMOVED, Drifted, drifted, labels_of, per_use
from drift.reliability.rows import Group
from drift.reliability.tables import labels_in_table
from drift.reliability.windows import CONSISTENCY, Window, first_and_last, sem_ratio, window_size, windows
from drift.reliability.words import coefficient_text, declared, format_place, opening, plural
from drift.results import Estimate, ResultTable, format_interval
from drift.study import ReliabilityQuestion

IN_PROPORTION = 0.01  # p value below which a trend that grows with the reading is told
ALONE = ("do not retire a sensor on the ICC alone: it falls when people become alike as well as when the sensor wears, "
         "and rises when they differ more; read the SEM, which does not depend on the people, beside it")


@dataclass(frozen=True, kw_only=True, eq=False)
class Extra:
    """What is added; ``sentences`` has one for each group, empty where there is nothing to say."""

    sentences: tuple[str, ...]
    estimates: tuple[Estimate, ...] = ()
    tables: tuple[ResultTable, ...] = ()
    findings: tuple[tuple[Finding, ...], ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class Arranged:
    """Groups whose facet levels stand in the order of use, and what could be told about it."""

    groups: tuple[Group, ...]
    found: tuple[Along | Finding, ...]


def arrange(trials: TrialTable, groups: Sequence[Group], question: ReliabilityQuestion, facet: str) -> Arranged | None:
    """Put every group in the order of use; None where the question is not about repeated uses."""
    if not is_ordered(question, facet):
        return None
    found = tuple(along(trials, g, question, facet) for g in groups)
    return Arranged(groups=tuple(g if isinstance(f, Finding) else f.group for g, f in zip(groups, found, strict=True)),
                    found=found)


def extra(arranged: Arranged, question: ReliabilityQuestion, facet: str, *, level: float) -> Extra:
    """Analyse every group along use.

    Parameters
    ----------
    arranged : Arranged
    question : ReliabilityQuestion
    facet : str
    level : float
    """
    coefficient = declared(question, facet).coefficient
    estimates: list[Estimate] = []
    trend_rows: list[dict[str, Any]] = []
    state_rows: list[dict[str, Any]] = []
    window_rows: list[dict[str, Any]] = []
    sentences: list[str] = []
    said: list[tuple[Finding, ...]] = []
    for group, found in zip(arranged.groups, arranged.found, strict=True):
        if isinstance(found, Finding):
            sentences.append("")
            said.append((found,))
            continue
        if not np.ptp(group.values) > 0:  # constant readings are refused already, and have no trend
            sentences.append("")
            said.append(())
            continue
        made = drifted(found, question, coefficient, level=level)
        seen = windows(found, question, facet, level=level)
        window_rows += [_window_row(w, group) for w in seen]
        if isinstance(made, Finding):
            sentences.append("")
            said.append((made,))
            continue
        estimates += [*_estimates(made, group, question, level), *_along(seen, group, question, level)]
        trend_rows += _trend_rows(made, group)
        state_rows += [{**labels_in_table(group.labels), "quantity": q.name, "state": q.state, "value": q.value,
                        "low": q.low, "high": q.high, "unit": group.unit if q.percent_unit else "", "method": q.method}
                       for q in made.quantities]
        sentences.append(_sentence(made, group, coefficient))
        said.append(tuple(_findings(made, seen, group, question, facet, level)))
    units = {g.unit for g in arranged.groups}
    tables = _tables(trend_rows, state_rows, window_rows, units.pop() if len(units) == 1 else "", arranged, question)
    return Extra(sentences=tuple(sentences), estimates=tuple(estimates), tables=tables, findings=tuple(said))


def _estimates(made: Drifted, group: Group, question: ReliabilityQuestion, level: float) -> list[Estimate]:
    of, n, head = labels_of(group.labels, question), len(group.target_names), made.headline
    out = []
    for factor, per, percent in per_use(made):
        out.append(Estimate(
            name="trend of readings, percent" if percent else "trend of readings", value=factor * made.headline.value,
            low=factor * head.low, high=factor * head.high, unit="%" if percent else group.unit, n=n,
            level=level if math.isfinite(head.low) else math.nan, of={**of, "per": per.removeprefix("per ")},
            method=head.method + ("; in percent of the mean reading, the mean taken as known" if percent else "")))
    if math.isfinite(made.own_sd):
        low, high = made.own_ends
        out.append(Estimate(name="SD between targets of the trend", value=made.own_sd, low=min(low, made.own_sd),
                            high=max(high, made.own_sd), unit=group.unit, n=n, level=level,
                            of={**of, "per": made.along.unit},
                            method="method of moments, generalised pivotal interval"))
    out += [Estimate(name=f"{q.name}, {q.state}", value=q.value, low=q.low, high=q.high, level=level, n=n, of=of,
                     unit=group.unit if q.percent_unit else "", method=q.method) for q in made.quantities]
    return out


def _along(seen: Sequence[Window], group: Group, question: ReliabilityQuestion, level: float) -> list[Estimate]:
    """SEM of the last window over that of the first, where they share no level."""
    pair = first_and_last(tuple(seen))
    test = sem_ratio(*pair, level) if pair else None
    if pair is None or test is None:
        return []
    first, last = pair
    words = f"{last.first} to {last.last} / {first.first} to {first.last}"
    return [Estimate(name="ratio of SEM (consistency)", value=math.sqrt(test.ratio), low=math.sqrt(test.low),
                     high=math.sqrt(test.high), level=level, n=len(group.target_names),
                     of={**labels_of(group.labels, question), "comparison": words},
                     method="residual variances of the last window over the first, exact F interval")]


def _p(p: float) -> str:
    return "p not available" if not math.isfinite(p) else "p < 0.001" if p < 0.001 else f"p = {p:.2g}"


def _sentence(made: Drifted, group: Group, coefficient: str) -> str:
    head, unit = made.headline, group.unit
    sign = "fall" if made.headline.value < 0 else "rise"
    size, ends = abs(head.value), sorted((abs(head.low), abs(head.high)))
    percent = (f", {1000 * size / made.mean:.2g} % of the mean reading per 10 {plural(made.along.unit)}"
               if made.mean > 0 else "")
    if not math.isfinite(head.low):
        trend = (f"Readings {sign} by {format_interval(size)} {unit} per {made.along.unit}".replace("  ", " ")
                 + f"{percent}, without an interval")
    elif head.low * head.high > 0:
        trend = (f"Readings {sign} by {format_interval(size, *ends)} {unit} per {made.along.unit}".replace("  ", " ")
                 + f" ({_p(head.p)}){percent}")
    else:
        shown = format_interval(made.headline.value, head.low, head.high)
        trend = (f"No trend along {made.along.unit} is shown, which does not mean there is none: {shown} {unit} "
                 f"per {made.along.unit}".replace("  ", " ") + f" ({_p(head.p)})")
    there = {state: [q for q in made.quantities if q.state == state] for state in (LEFT_IN, REMOVED)}
    if not there[REMOVED]:
        return f" {trend}."
    shown_of = {state: (f"{coefficient} is {coefficient_text(c.value, c.low, c.high)} and {s.name} "
                        f"{format_interval(s.value, s.low, s.high)} {unit}".rstrip())
                for state, (c, s) in there.items()}
    c_in, c_out = there[LEFT_IN][0], there[REMOVED][0]
    if c_in.value == c_out.value:
        return (f" {trend}. Drift left in or removed, {shown_of[REMOVED]}: "
                + ("a drift that all targets share leaves the order of targets as it is."
                   if coefficient.startswith("ICC(C") else "it adds nothing here."))
    return (f" {trend}. With this drift left in (an old sensor), {shown_of[LEFT_IN]}; with it removed (freshly "
            f"calibrated), {shown_of[REMOVED]}.")


def _findings(made: Drifted, seen: Sequence[Window], group: Group, question: ReliabilityQuestion,
              facet: str, level: float) -> list[Finding]:
    where, found = format_place(group.labels), made.along

    def say(severity: str, code: str, message: str, mend: str = "") -> Finding:
        return Finding(severity=severity, code=code, message=opening(where + message),  # type: ignore[arg-type]
                       mend=mend, question=question.name)

    out = [say("note", "order-of-use", f"{plural(facet)} are taken in the order of {found.source}, "
               f"{found.level_uses[0]:.3g} to {found.level_uses[-1]:.3g} on average; a coefficient over them treats as "
               "chance what is partly wear, so the trend is estimated first")]
    if not found.linked:
        out.append(say("warning", "uses-in-bins", f"few {plural(question.target)} share a use count, so uses were put "
                       f"into {len(group.facet_names)} bins ({', '.join(group.facet_names)}); the trend stands on the "
                       "uses themselves", f"Read all {plural(question.target)} at the same uses, or name the "
                       "session as facet with ordered = true"))
    r, p = made.with_start
    if p < IN_PROPORTION and r * made.headline.value > 0 and made.mean > 0:
        out.append(say("warning", "drift-in-proportion", f"readings {'fall' if made.headline.value < 0 else 'rise'} "
                       f"faster where they are larger (correlation of a {question.target}'s trend with its start "
                       f"{r:.2f}, {_p(p)}): the drift is in proportion, as a loss of sensitivity is, and one line for "
                       "all does not take it off; with drift removed the error still holds what differs between "
                       f"{plural(question.target)}", "Ask the same of the logarithms of the readings, or of readings "
                       "divided by a reference"))
    if len(made.judged) == 2 and len(group.facet_names) < 4:
        wide = next(s for s in made.judged if not s.headline)
        out.append(say("warning", "few-uses", f"with {len(group.facet_names)} {plural(facet)} a trend cannot be told "
                       "from something that happened to all readings of one of them; the interval that allows for it "
                       f"is {format_interval(wide.value, wide.low, wide.high)} {group.unit} per "
                       f"{found.unit}".replace("  ", " "),
                       f"Read at four or more {plural(facet)}, spread over the uses"))
    elif found.linked and len(group.facet_names) < 3:
        out.append(say("warning", "few-uses", f"with two {plural(facet)} every difference between them counts as "
                       "drift, so what is called drift removed is consistency", "Read at three or more, better five"))
    out.append(say("note", "never-on-icc-alone", _alone(seen, question, level)))
    return out


def _alone(seen: Sequence[Window], question: ReliabilityQuestion, level: float) -> str:
    pair = first_and_last(tuple(seen))
    if pair is None:
        return ALONE
    a, b = pair
    people, test = plural(question.target), sem_ratio(a, b, level)
    ends = (math.sqrt(x) for x in (test.ratio, test.low, test.high)) if test is not None else ()
    ratio = f" (ratio {format_interval(*ends, least=2)})" if test is not None else ""
    told = (f"; here, from the first window to the last, the coefficient goes from {a.icc[0]:.2f} to {b.icc[0]:.2f}, "
            f"the SEM from {a.sem[0]:.3g} to {b.sem[0]:.3g}{ratio} and the SD between {people} from "
            f"{a.spread[0]:.3g} to {b.spread[0]:.3g}")
    if b.icc[0] < a.icc[0] and test is not None and test.low <= 1 and b.spread[0] < a.spread[0]:
        told += f": the {people} became more alike, and the sensor is not shown to repeat worse"
    elif test is not None and test.low > 1:
        told += ": readings repeat worse than at first"
    return ALONE + told


def _trend_rows(made: Drifted, group: Group) -> list[dict[str, Any]]:
    percent = 100 / made.mean if made.mean > 0 else math.nan
    return [{**labels_in_table(group.labels), "per": made.along.unit, "trend": s.value, "low": s.low,
             "high": s.high, "p": s.p, "in percent": percent * s.value, "method": s.method,
             "first": "yes" if s.headline else "no"}
            for s in made.judged]


def _window_row(w: Window, group: Group) -> dict[str, Any]:
    named = (("ICC", w.icc), ("SEM", w.sem), ("SD between targets", w.spread))
    return {**labels_in_table(group.labels), "from": w.first, "to": w.last, "use from": w.use_from, "use to": w.use_to,
            "targets": float(w.targets), "readings": float(w.readings),
            **{f"{name}{end}": x for name, three in named for end, x in zip(("", " low", " high"), three, strict=True)},
            "note": w.why}


def _tables(trend: list[dict[str, Any]], state: list[dict[str, Any]], window: list[dict[str, Any]], unit: str,
            arranged: Arranged, question: ReliabilityQuestion) -> tuple[ResultTable, ...]:
    made = []
    if trend:
        made.append(_build("trend along use", trend, {"trend": unit, "in percent": "%"},
                           "Trend of readings within targets, first the interval that is quoted"))
    if state:
        made.append(_build("drift left in and removed", state, {},
                           "What an old sensor gives (drift left in), and a freshly calibrated one (drift removed)"))
    if window:
        sizes = {window_size(len(g.facet_names), question.window) for g in arranged.groups}
        many = f"{min(sizes)}" if len(sizes) == 1 else f"{min(sizes)} to {max(sizes)}"
        made.append(_build("ICC and SEM along use", window, dict.fromkeys(("SEM", "SD between targets"), unit),
                           f"{CONSISTENCY} and SEM (consistency) in sliding windows of {many} levels; windows "
                           "overlap, and what changes from level to level within one is not counted"))
    return tuple(made)


def _build(name: str, rows: list[dict[str, Any]], units: dict[str, str], caption: str) -> ResultTable:
    heads = list(dict.fromkeys(k for row in rows for k in row))
    columns = {h: [row.get(h, "" if isinstance(next(r[h] for r in rows if h in r), str) else math.nan) for row in rows]
               for h in heads}
    return ResultTable.build(name, columns, units=units, caption=caption)
