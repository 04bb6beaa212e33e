"""Planning questions from plain values: what was stated, a pilot's values, defaults; and every fault in one list."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from drift.errors import DriftError, Finding
from drift.planning.crossed import Variances
from drift.planning.gauge import GaugeQuestion
from drift.planning.icc import IccQuestion
from drift.planning.limits import LimitsQuestion
from drift.planning.plan import PlanningValue
from drift.planning.question import Factor, Goal, Question
from drift.planning.retire import RetireQuestion
from drift.planning.sem import SemQuestion
from drift.planning.slope import SlopeQuestion
from drift.planning.wearing import LEAST_CHECKS, Wear

PLANNED = {"icc": "an intraclass correlation", "sem": "a standard error of measurement",
           "limits": "limits of agreement", "slope": "a drift per use", "retire": "a retire-after count",
           "gauge": "a gauge study"}


NOT_READING = frozenset({"reading"})
# Columns of trials with a meaning of their own, those of a schedule among them: neither targets nor levels. As folded.
RESERVED = NOT_READING | {"order", "day", "time", "date", "place", "replicate", "repeat", "reference", "use", "measure",
                          "reading_sd", "reading_n", "saturated", "dead", "exclude", "exclude_reason"}


@dataclass(frozen=True, kw_only=True)
class Asked:
    """A question ready to be planned, the values behind it, and the same at a pilot's unfavourable ends."""

    question: Question
    values: tuple[PlanningValue, ...]
    unfavourable: Question | None


@dataclass
class _Reader:
    """Takes planning values from what was stated, then from a pilot, then from a default; collects faults."""

    asked: Mapping[str, Any]
    pilot: Mapping[str, PlanningValue]
    taken: dict[str, PlanningValue]
    faults: list[Finding]
    unfavourable: bool = False

    def number(self, name: str, option: str, *, unit: str = "", default: float | None = None, low: float = 0.0,
               high: float = math.inf, least_open: bool = False) -> float:
        """Return one planning value, and keep it for the table."""
        given = self.asked.get(name)
        if given is not None:
            value = PlanningValue(name=name, value=float(given), unit=unit)
        elif name in self.pilot:
            value = self.pilot[name]
        elif default is not None:
            value = PlanningValue(name=name, value=default, unit=unit, source="default")
        else:
            pilot = "" if name in ("until", "limit") else ", or a pilot study with --pilot from which it is estimated"
            if name == "mounting_sd" and self.pilot:
                pilot = " (the pilot has one mounting a check, which cannot tell it), or plan --mountings 1"
            self.fail(f"the plan needs {option}", f"Give {option}{pilot}.")
            return math.nan
        at = value.unfavourable if self.unfavourable and math.isfinite(value.unfavourable) else value.value
        if not (low < at if least_open else low <= at) or not at <= high:
            self.faults.append(Finding(severity="error", code="planning-value-range", value=f"{value.value:g}",
                                       message=f"{option} is {value.value:g}",
                                       mend=f"Give a number {'above' if least_open else 'from'} {low:g}"
                                       f"{'' if math.isinf(high) else f' to {high:g}'}."))
            return math.nan
        self.taken[name] = value
        return at

    def fail(self, message: str, mend: str, value: str = "") -> None:
        """Keep a fault."""
        self.faults.append(Finding(severity="error", code="planning", message=message, mend=mend, value=value or None))


def asked_of(kind: str, asked: Mapping[str, Any], pilot: Mapping[str, PlanningValue] | None = None, *,
             level: float = 0.95) -> Asked:
    """Build a question.

    Parameters
    ----------
    kind : {"icc", "sem", "limits", "slope", "retire", "gauge"}
    asked : mapping
        Values by the name of their option, underscores for hyphens; None or absent where nothing was said.
    pilot : mapping, optional
        Values from a pilot, by the same names.
    level : float
        Confidence level of the planned intervals.

    Raises
    ------
    DriftError
        With everything that is missing or impossible.
    """
    reader = _Reader(dict(asked), pilot or {}, {}, [])
    question = _BUILD[kind](reader, level)
    if reader.faults:
        raise DriftError(reader.faults)
    worse = None
    if any(math.isfinite(v.unfavourable) for v in reader.taken.values()) and question.goal.asked:
        again = _Reader(dict(asked), pilot or {}, {}, [], unfavourable=True)
        made = _BUILD[kind](again, level)
        worse = None if again.faults else made
    return Asked(question=question, values=tuple(reader.taken.values()), unfavourable=worse)


def faults_beside_a_pilot(kind: str, asked: Mapping[str, Any], *, level: float = 0.95) -> None:
    """Refuse, before a pilot is analysed, what no pilot tells: options that are missing or contradict each other.

    Raises
    ------
    DriftError
        With every one of them.
    """
    stand_in = {name: PlanningValue(name=name, value=v) for name, v in (
        ("target", 1e6), *((k, 1.0) for k in ("facet", "residual", "wear", "wear_sd", "occasion_sd", "mounting_sd",
                                              "start_sd", "sd", "within_sd")))}
    reader = _Reader(dict(asked), stand_in, {}, [])
    _BUILD[kind](reader, level)
    told = [f for f in reader.faults if f.code == "planning"]
    if told:
        raise DriftError(told)


def _factor(r: _Reader, key: str, one: str, default: Sequence[int], *, least: int, given: bool = False,
            many: str | None = None) -> Factor:
    values = tuple(r.asked.get(key) or default)
    if min(values) < least:
        r.fail(f"--{key} of {min(values)} is too few", f"Plan {least} or more.", str(min(values)))
    return Factor(key=key, one=one, many=many or f"{one}s", values=values, given=given)


def _goal(r: _Reader, *choices: tuple[str, Goal]) -> Goal:
    """Return the goal whose option was given; without one, the first without a target."""
    found = [goal for option, goal in choices if r.asked.get(option) is not None]
    if len(found) > 1:
        names = ", ".join(f"--{o.replace('_', '-')}" for o, _ in choices)
        r.fail("several goals were given", f"Give one of {names}.")
    return found[0] if found else choices[0][1]


def _open(r: _Reader, factor: Factor, goal: Goal) -> None:
    """Without a goal every number must be fixed."""
    if not goal.asked and len(factor.values) > 1:
        r.fail(f"neither a goal nor one number of {factor.many} was given",
               f"Say what the study is to reach, or fix --{factor.key} to see what it would give.")


def _target(r: _Reader, option: str) -> float:
    value = r.asked.get(option)
    return math.nan if value is None else float(value)


def _price(r: _Reader, items: Mapping[str, str], factors: Sequence[Factor]) -> dict[str, float]:
    """Return prices by item, each given under its own name or the plan's word for it, one or several.

    ``items`` says the key of the factor that an item counts, if there is one.
    """
    printed = {item: next((f for f in factors if f.key == key), None) for item, key in items.items()}
    names = {word: item for item in items for word in (item, f"{item}s")}
    names |= {word.casefold(): item for item, f in printed.items() if f is not None for word in (f.one, f.many)}
    price: dict[str, float] = {}
    for name, value in dict(r.asked.get("cost") or {}).items():
        item = names.get(name.casefold())
        if item is None:
            known = dict.fromkeys(item if f is None else f.one for item, f in printed.items())
            r.fail(f"--cost names {name!r}, which this plan does not use up", f"Use one of {', '.join(known)}.")
        elif item in price:
            r.fail(f"--cost gives {name!r} a second price", "Give each item one price.")
        else:
            price[item] = value
    return price


def _variances(r: _Reader, *, form: str = "") -> Variances:
    """Return a pilot's variances, or those of which a stated ICC is the coefficient ``form``; without one no ICC."""
    if "target" in r.pilot and r.asked.get("icc") is None:
        v = {k: r.number(k, f"the variance of the {k}") for k in ("target", "facet", "interaction", "residual")
             if k in r.pilot}
        return Variances(**{k: v.get(k, 0.0) for k in ("target", "facet", "interaction", "residual")})
    icc = r.number("icc", "--icc", high=0.999) if form else 0.0
    # Only an agreement depends on how much levels differ by themselves: elsewhere nothing is taken for granted of it.
    apart = form in ("ICC(C,1)", "ICC(1)") and r.asked.get("facet_share") is None
    share = 0.0 if apart else r.number("facet_share", "--facet-share", default=0.05, high=0.95)
    repeat = r.number("repeat_share", "--repeat-share", default=0.5, high=1.0)
    if form != "ICC(C,1)" and icc + share >= 1:
        r.fail(f"ICC {icc:g} and a facet share of {share:g} leave nothing for error", "Lower one of them.")
        return Variances(target=1.0, facet=0.0, interaction=0.0, residual=1.0)
    return Variances.of_icc(icc, share, repeat, form or "ICC(A,1)")


def _named(r: _Reader, part: str, usual: str, *taken: str) -> str:
    """Return the word for targets or levels: a column of the schedule and of the tables, so no other one's name."""
    stated = str(r.asked.get(f"{part}_name") or "").strip()
    word = stated or (r.pilot[part].called if part in r.pilot else "") or usual
    people = int(r.asked.get("people") or 1)
    folded = folded_word(word)
    if stated and not re.fullmatch(r"[^\W\d_][\w-]*", stated):
        r.fail(f"--{part} {stated!r} is not one word", "Give one word of letters, in the singular: participant.")
    elif folded == "operator" and people > 1:
        r.fail(f"--{part} is 'operator', and so is the column of the {people} people who take the readings in turn "
               "(--people)", f"Leave --people out, or give --{part} another word.")
    elif folded in NOT_READING if not stated else folded in {*RESERVED, *taken}:
        r.fail(f"--{part} {word!r} is the name of another column",
               f"Give --{part} another word: {'session' if folded == 'day' else usual}, for one.")
    return word


def folded_word(word: str) -> str:
    """Return a word as columns are told apart: case, hyphens and the s of the plural left out."""
    return re.sub(r"[\s_-]+", "_", word.casefold()).removesuffix("s")


def _crossed(r: _Reader) -> tuple[tuple[Factor, ...], tuple[str, str]]:
    target, facet = _named(r, "target", "participant"), _named(r, "facet", "sensor")
    if folded_word(target) == folded_word(facet):
        r.fail(f"--target and --facet are both {target!r}", "Give --target and --facet two different words: what is "
               "measured, and what should not matter.")
    return (_factor(r, "targets", target, (5, 200), least=3), _factor(r, "levels", facet, (3, 5), least=2),
            _factor(r, "repeats", "reading", (1,), least=1)), (target, facet)


GAUGE_ITEMS = {"part": "parts", "operator": "operators", "reading": ""}
PAIRED_ITEMS = {"target": "targets", "pair": "repeats", "reading": ""}
CROSSED_ITEMS = {"target": "targets", "level": "levels", "reading": ""}


def _icc(r: _Reader, level: float) -> Question:
    factors, words = _crossed(r)
    form = str(r.asked.get("form") or "ICC(A,1)")
    least = _target(r, "least")
    goal = _goal(r, ("width", Goal(what=f"width of the {100 * level:g} % interval of {form}",
                                   target=_target(r, "width"))),
                 ("least", Goal(what=f"chance to show {form} above {least:g}", larger=True,
                                target=float(r.asked.get("power") or 0.8))))
    _open(r, factors[0], goal)
    v = _variances(r, form=form)
    question = IccQuestion(goal=goal, factors=factors, level=level, price=_price(r, CROSSED_ITEMS, factors),
                           variances=v, form=form, least=None if math.isnan(least) else least, words=words,
                           missing=r.number("missing", "--missing", default=0.0, high=0.5))
    if form == "ICC(1)" and max(factors[2].values) > 1:
        r.fail("repeats of one level are not readings by different levels, of which ICC(1) is made",
               "Plan more --levels, or ICC(A,1).")
    if goal.larger and not r.faults and not 0 <= least < question.icc:
        r.fail(f"the planned {form} is {question.icc:.3g}: no study can show it above {least:g}",
               "Aim lower with --least.")
    return question


def _sem(r: _Reader, level: float) -> Question:
    factors, words = _crossed(r)
    error = str(r.asked.get("error") or "agreement")
    goal = _goal(r, ("within", Goal(what=f"half-width of the {100 * level:g} % interval of SEM ({error}), of the SEM",
                                    unit="%", target=_target(r, "within"))))
    _open(r, factors[0], goal)
    return SemQuestion(goal=goal, factors=factors, level=level, price=_price(r, CROSSED_ITEMS, factors), words=words,
                       variances=_variances(r), error=error)  # type: ignore[arg-type]


def _gauge(r: _Reader, level: float) -> Question:
    factors = (_factor(r, "parts", "part", (5, 60), least=2), _factor(r, "operators", "operator", (2, 3, 5), least=2),
               _factor(r, "repeats", "reading", (2,), least=1))
    if int(r.asked.get("people") or 1) > 1:
        r.fail("--people does not belong to a gauge study, whose operators are those of its design",
               "Leave --people out; --operators says how many there are.")
    most = _target(r, "most")
    goal = _goal(r, ("within", Goal(what=f"half-width of the {100 * level:g} % interval of GRR, of GRR", unit="%",
                                    target=_target(r, "within"))),
                 ("most", Goal(what=f"chance to show %GRR below {most:g} %", larger=True,
                               target=float(r.asked.get("power") or 0.8))))
    _open(r, factors[0], goal)
    if "target" in r.pilot and r.asked.get("grr") is None:
        v = _variances(r)
    else:
        share = r.number("grr", "--grr", high=99.0, least_open=True) / 100
        between = r.number("operator_share", "--operator-share", default=0.3, high=1.0)
        inside = r.number("interaction_share", "--interaction-share", default=0.1, high=1.0)
        if between + inside > 1:
            r.fail("shares of operators and interaction add up to more than the gauge", "Lower one of them.")
        v = Variances(target=1 - share**2, facet=between * share**2, interaction=inside * share**2,
                      residual=(1 - between - inside) * share**2)
    return GaugeQuestion(goal=goal, factors=factors, level=level, price=_price(r, GAUGE_ITEMS, factors),
                         variances=v, most=None if math.isnan(most) else most)


def _limits(r: _Reader, level: float) -> Question:
    within = r.number("within_sd", "--within-sd", unit=str(r.asked.get("unit") or ""), default=0.0)
    factors = (_factor(r, "targets", _named(r, "target", "participant", "method"), (5, 500), least=3),
               _factor(r, "repeats", "pair of readings", (1,), least=1, many="pairs of readings", given=not within > 0))
    harmless = _target(r, "harmless")
    unit = str(r.asked.get("unit") or "")
    goal = _goal(r, ("width", Goal(what=f"width of the {100 * level:g} % interval of a limit", unit=unit,
                                   target=_target(r, "width"))),
                 ("harmless", Goal(what="chance of the verdict interchangeable", larger=True,
                                   target=float(r.asked.get("power") or 0.8))))
    _open(r, factors[0], goal)
    if max(factors[1].values) > 1 and not within > 0:
        r.fail("repeated pairs were planned without the SD of pairs of one target", "Give --within-sd, or plan one "
               "pair a target with --repeats 1.")
    return LimitsQuestion(goal=goal, factors=factors, level=level, price=_price(r, PAIRED_ITEMS, factors),
                          bias=r.number("bias", "--bias", unit=unit, default=0.0, low=-math.inf),
                          between_sd=r.number("sd", "--sd", unit=unit, least_open=within == 0), within_sd=within,
                          harmless=None if math.isnan(harmless) else harmless)


def _wear(r: _Reader, factors: tuple[Factor, ...], *, mean: bool) -> Wear:
    """Return planning values of wear; percents per use become slopes of log sensitivity."""
    at = tuple(float(x) for x in r.asked.get("at") or ())
    until = max(at) if at else r.number("until", "--until", unit="uses", least_open=True)
    wear = r.number("wear", "--wear", unit="% per use", high=50.0) if mean else 0.0
    return Wear(slope=-math.log1p(-wear / 100), until=until, at=at,
                slope_sd=r.number("wear_sd", "--wear-sd", unit="% per use") / 100,
                occasion_sd=r.number("occasion_sd", "--occasion-sd", unit="%") / 100,
                # A pilot with one mounting a check does not tell how much of its scatter is mounting.
                mounting_sd=r.number("mounting_sd", "--mounting-sd", unit="%", default=0.0 if "occasion_sd" in r.pilot
                                     and factors[2].values == (1,) else None) / 100,
                start_sd=r.number("start_sd", "--start-sd", unit="%", default=3.0) / 100,
                drop_out=r.number("drop_out", "--drop-out", default=0.0, high=0.9))


def _of_sensors(r: _Reader) -> tuple[Factor, ...]:
    at = r.asked.get("at")
    if at and (len(set(at)) < LEAST_CHECKS or min(at) < 0):
        r.fail(f"checks at {', '.join(f'{x:g}' for x in at)} are too few", 
               f"Plan {LEAST_CHECKS} different uses or more, from 0 on.")
    checks = Factor(key="checks", one="check", many="checks", values=(len(at),), given=True) if at else _factor(
        r, "checks", "check", (5, 7), least=LEAST_CHECKS)
    return (_factor(r, "sensors", "sensor", (4, 60), least=3), checks,
            _factor(r, "mountings", "mounting", (1, 2), least=1))


SENSOR_ITEMS = {"sensor": "sensors", "check": "checks", "reading": ""}


def _slope(r: _Reader, level: float) -> Question:
    factors, groups = _of_sensors(r), int(r.asked.get("groups") or 1)
    detect = _target(r, "detect")
    what = "difference of drift per use" if groups == 2 else "drift per use"
    goal = _goal(r, ("half_width", Goal(what=f"half-width of the {100 * level:g} % interval of the {what}",
                                        unit="percentage points", target=_target(r, "half_width"))),
                 ("detect", Goal(what=f"chance to show a {what} of {detect:g} %", larger=True,
                                 target=float(r.asked.get("power") or 0.8))))
    _open(r, factors[0], goal)
    if groups == 2 and factors[0].one == "sensor":
        factors = (Factor(key="sensors", one="sensor in each group", many="sensors in each group",
                          values=factors[0].values), *factors[1:])
    return SlopeQuestion(goal=goal, factors=factors, level=level, price=_price(r, SENSOR_ITEMS, factors), groups=groups,
                         wear=_wear(r, factors, mean=False), detect=None if math.isnan(detect) else detect / 100)


def _retire(r: _Reader, level: float) -> Question:
    factors = _of_sensors(r)
    factors = (Factor(key="sensors", one="sensor", many="sensors",
                      values=tuple(r.asked.get("sensors") or (6, 60))), *factors[1:])
    goal = _goal(r, ("lose", Goal(what="uses thrown away for lack of data", unit="uses", target=_target(r, "lose"))))
    _open(r, factors[0], goal)
    limit = r.number("limit", "--limit", unit="%", high=90.0, least_open=True)
    question = RetireQuestion(goal=goal, factors=factors, level=level, price=_price(r, SENSOR_ITEMS, factors),
                              wear=_wear(r, factors, mean=True), limit=-math.log1p(-limit / 100),
                              content=float(r.asked.get("content") or 0.9),
                              confidence=float(r.asked.get("confidence") or 0.95))
    if not r.faults and not question.wear.slope > 0:
        r.fail("without wear there is nothing to retire for", "Give --wear, the mean fall in percent per use.")
    return question


_BUILD: dict[str, Callable[[_Reader, float], Question]] = {
    "icc": _icc, "sem": _sem, "limits": _limits, "slope": _slope, "retire": _retire, "gauge": _gauge}
