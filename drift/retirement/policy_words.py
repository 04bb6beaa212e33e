"""Sentences, estimates and findings of compared policies."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from drift.errors import Finding
from drift.results import Estimate, join_words
from drift.retirement.dead import FAILED as FAILED_SUDDENLY
from drift.retirement.groups import EXTRAPOLATION
from drift.retirement.policy import QUESTION, PolicyAnswer
from drift.retirement.policy_candidates import CHECKED, FAILED, FIXED, latest
from drift.retirement.policy_costs import NAMES, free, free_findings, undecided
from drift.retirement.policy_guard import or_words
from drift.retirement.policy_scores import Four, Scored, cheapest, over_draws
from drift.retirement.policy_tables import money
from drift.retirement.voice import Voice
from drift.retirement.wording import label_of, labels, percent
from drift.study import RetirementSpec, Study

JUMPS = {"dead_fraction": "dead cells", "dead_lines": "dead lines", FAILED_SUDDENLY: "sudden failures"}


def number(value: float) -> str:
    """Three significant digits without an exponent: ``0.0631``, ``4.12``, ``1,230``."""
    if value == 0:
        return "0"
    if abs(value) < 5e-7:
        return "less than 0.000001"
    places = max(2 - math.floor(math.log10(abs(value))), 0)
    return f"{value:,.{min(places, 6)}f}"


def band(four: Four) -> str:
    """``4.12 (3.40 to 5.61)``."""
    return f"{number(four[0])} ({number(four[1])} to {number(four[2])})"


def answer_sentence(answers: Sequence[PolicyAnswer], study: Study, *, firm: bool = True) -> str:
    """One or two sentences a construction; ``firm`` where nothing has to be settled before it is followed."""
    if not answers:
        return "No policy can be compared, because no continuous limit is declared in [limits]."
    told = undecided(study) if any(not a.refused for a in answers) else ""
    carried = _carried_out(answers, firm=firm and not free(study))
    return " ".join([*(_sentence(a, study) for a in answers), *carried]) + told


def _statements(study: Study) -> str:
    return "both statements (retirement and recalibration)" if study.recalibration is not None else "the statement"


def _carried_out(answers: Sequence[PolicyAnswer], *, firm: bool) -> list[str]:
    """Say which of count and policy to follow, and how the chosen ones are carried out on the bench."""
    chosen = [(a, s) for a in answers for s in a.scores if s.chosen]
    if not chosen:
        return []
    # Counts of the statement that the chosen policy does not use.
    other = {a.name: a.retire.value for a, s in chosen if a.retire is not None
             and s.candidate.policy.retire_after != a.retire.value}
    checked = [s for _, s in chosen if s.candidate.policy.check_every]
    said = []
    if other:
        counts = join_words([f"{n:g}{f' for {c} sensors' if c else ''}" for c, n in other.items()])
        instead = "the counts alone" if len(other) > 1 else "the count alone"
        holds = (f"{'are' if len(other) > 1 else 'is'} for sensors that are not checked" if checked
                 else "need not be used up")
        said.append(f"{'Do this: the' if firm else 'The'} policy carries the statement out at least cost; {instead} "
                    f"(retire after {counts}) {holds}.")
    if any(s.candidate.policy.recalibrate_every for s in checked):
        said.append("A check is no recalibration: each runs on a count of its own, and a check restarts that of "
                    "calibrations only where the sensor is calibrated anew with it.")
    keys = {g.key for s in checked for g in s.candidate.at}
    if "sensitivity_change" in keys:
        said.append("Keep every sensor's fresh value, for that limit is a fall from its own.")
    if "saturation_pressure" in keys:
        said.append("The saturation pressure at a check is what 'drift today STUDY --sensor ID' prints for it.")
    return said


def _apart(a: PolicyAnswer) -> str:
    """Name the limits that no statement is about and that are not shown to be kept."""
    names = [JUMPS.get(j.limit, j.limit) for j in a.jumps]
    return f" for every limit that wear approaches gradually (not shown for {join_words(names)})" if names else ""


def _of_jumps(a: PolicyAnswer, name: str, of: RetirementSpec) -> list[Finding]:
    if not a.jumps:
        return []
    told = "; ".join(f"{j.past} of {j.known} sensors "
                     f"{'had failed' if j.limit == FAILED_SUDDENLY else f'past {j.limit}'} by {j.use:g} uses, at most "
                     f"{number(100 * j.upper)} %" for j in a.jumps)
    return [_warn("jump-limit-not-shown", f"{name}: the statement is of continuous limits alone; that "
                  f"{percent(of.content)} of sensors keep the others as well is not shown with "
                  f"{percent(of.confidence)} confidence: {told}",
                  "Look at the sensors for it before every use; more sensors checked narrow the bound.")]


def _sentence(a: PolicyAnswer, study: Study) -> str:
    name = label_of(a.name)
    if a.refused:
        return f"{name}: no policy can be compared: {a.refused}."
    chosen = next((s for s in a.scores if s.chosen), None)
    if chosen is None:
        return _without_choice(a, study, name)
    unit = money(study.costs)
    kept = sum(s.keeps for s in a.scores)
    which = (f"the cheapest of {kept} policies that keep" if kept > 1
             else "the only policy compared that keeps" if len(a.scores) > 1 else "which keeps")
    lead = (f"{name}: {chosen.candidate.words}, {which} {_statements(study)}"
            f"{_apart(a)}: {unit} {band(chosen.cost)} per use, {band(chosen.spoilt)} spoilt sessions and "
            f"{number(chosen.sensors[0])} sensors per 100 uses")
    told = _retire_at(chosen, name)
    i = cheapest(a.scores)
    if i < 0 or a.scores[i].chosen:
        return f"{lead}; no policy compared is cheaper.{told}"
    other = a.scores[i]
    without = f"without the {' and the '.join(other.breaks)} statement" if study.recalibration else (
        "without the statement")
    at = f" (at {' or '.join(g.short for g in other.candidate.at)})" if other.candidate.at else ""
    sure = "" if np.quantile(chosen.draws - other.draws, 0.025) > 0 else "; the band of the difference holds 0"
    whose = f" for {name[:1].lower()}{name[1:]}" if a.name else ""
    return (f"{lead}.{told} Cheaper{whose} {without}: {other.candidate.words}{at}, {unit} {number(other.cost[0])} per "
            f"use ({unit} {number(chosen.cost[0] - other.cost[0])} less, the price of the statement{sure}), with "
            f"{number(other.spoilt[0])} spoilt sessions per 100 and {number(100 * other.ever[0])} % of sensors "
            "used past a limit.")


def _retire_at(s: Scored, name: str) -> str:
    """Say what a check shows at which a sensor is retired; nothing for a policy without checks."""
    return f" {name}: retire at a check that shows {or_words(s.candidate.at)}." if s.candidate.at else ""


def _without_choice(a: PolicyAnswer, study: Study, name: str) -> str:
    n = a.retire.value if a.retire is not None else math.nan
    fixed = next((s for s in a.scores if s.candidate.kind == FIXED and s.candidate.policy.retire_after == n), None)
    checked = [s for s in a.scores if s.candidate.kind == CHECKED]
    told = [f"{s.candidate.words}: {number(s.spoilt[0])} spoilt sessions, {number(s.sensors[0])} sensors and "
            f"{number(s.checks)} checks per 100 uses" for s in ([fixed] if fixed else []) + checked[-1:]]
    why = f" ({join_words(reasons)})" if (reasons := _why_none(a, study)) else ""
    lead = f"{name}: no policy compared keeps {_statements(study)}{why}, so none is chosen."
    at = f" ({' or '.join(g.short for g in checked[-1].candidate.at)})" if checked else ""
    return f"{lead} For comparison, {'; '.join(told)}{at}." if told else lead


def _why_none(a: PolicyAnswer, study: Study) -> list[str]:
    """Say which count of the statements is too small for any policy."""
    small = []
    if a.retire is not None and a.retire.value < 1:
        small.append("the retire-after count is 0")
    if study.recalibration is not None and not a.interval >= 1:
        small.append("the recalibration interval is 0" if a.interval == 0 else "there is no recalibration interval")
    return small


def method_of(a: PolicyAnswer) -> str:
    """Name the simulation and the band as a paper would."""
    who = "new sensors of new batches" if a.population.two_level else "new sensors"
    return (f"simulation of {who} under common random numbers; mean over draws of the population from the pivotal "
            "distributions of mean and size of the covariance of the sensors' own lines, estimation errors taken out; "
            "band: quantiles over the draws, and as far as the Monte Carlo interval of the mean; standard error: Monte "
            "Carlo")


def estimates_of(answers: Sequence[PolicyAnswer], study: Study, level: float) -> list[Estimate]:
    """Return cost per use, spoilt sessions and sensors of every policy, and the cheapest counts."""
    made: list[Estimate] = []
    unit = money(study.costs)
    for a in answers:
        of, n = labels(a.name), len(a.population.sensors)
        if a.refused:
            made.append(Estimate(name="cost per use", value=math.nan, unit=f"{unit} per use", of=of, n=n,
                                 method="refused"))
            continue
        method = method_of(a)
        for s in sorted(a.scores, key=lambda s: not s.chosen):
            mine = {**of, "policy": s.candidate.words, **({"chosen": "yes"} if s.chosen else {})}
            for name, four, of_unit in (("cost per use", s.cost, f"{unit} per use"),
                                        ("spoilt sessions per 100 uses", s.spoilt, "per 100 uses"),
                                        ("sensors per 100 uses", s.sensors, "per 100 uses")):
                made.append(Estimate(name=name, value=four[0], low=four[1], high=four[2], std_error=four[3],
                                     unit=of_unit, level=level, n=n, of=mine, method=method))
        made += [*_guards(a, of, n), *_price(a, unit, of, n, level), *_counts(a, unit, of, n, level)]
    return made


def _guards(a: PolicyAnswer, of: dict[str, str], n: int) -> list[Estimate]:
    """Return what a check shows at which a sensor is retired, for each policy with checks and each limit."""
    made = []
    for s in sorted(a.scores, key=lambda s: not s.chosen):
        for g in s.candidate.at:
            fall = g.key == "sensitivity_change"
            what = (f"{s.candidate.guard}" + (": limit less what a check may err less what the average sensor wears "
                                              "until the next check, rounded towards fresh"
                                              if s.candidate.guard.startswith("guard") else ""))
            mine = {**of, "policy": s.candidate.words, "limit": g.key, **({"chosen": "yes"} if s.chosen else {})}
            made.append(Estimate(name="retire at a check", value=g.value, unit=g.unit, n=n, of=mine, method=(
                f"{what}; a sensor that shows this {'fall from its own fresh value or a larger one' if fall else ''}"
                f"{'' if fall else f'{g.quantity} or one {g.side}'} is retired")))
            if math.isfinite(g.average):
                made.append(Estimate(name="retire an average sensor at a check", value=g.average, unit=g.own_unit, n=n,
                                     of=mine, method=f"the same fall, from the average fresh {g.quantity} of "
                                     f"{g.fresh:.4g} {g.own_unit}".rstrip()))
    return made


def _price(a: PolicyAnswer, unit: str, of: dict[str, str], n: int, level: float) -> list[Estimate]:
    """Return what the chosen policy costs more than the cheapest of all that were compared."""
    chosen, i = next((s for s in a.scores if s.chosen), None), cheapest(a.scores)
    if chosen is None or i < 0:
        return []
    more, low, high = over_draws(chosen.draws - a.scores[i].draws, level)
    return [Estimate(name="price of the statement", value=more, low=low, high=high, n=n,
                     unit=f"{unit} per use", level=level, of={**of, "policy": a.scores[i].candidate.words},
                     method="cost per use of the chosen policy less that of the cheapest of all compared, the same "
                            "sensors in both; quantiles over the draws")]


def _counts(a: PolicyAnswer, unit: str, of: dict[str, str], n: int, level: float) -> list[Estimate]:
    made = []
    retire = a.retire.value if a.retire is not None else math.nan
    for c in a.curves:
        if c.optimum is None:
            continue
        mine, ends = {**of, "way of working": c.name}, math.isinf(c.optimum.age)
        at = float(c.count[-1]) if ends else c.optimum.age
        where = "still falling there" if ends else f"within 5 % of it from {c.optimum.low:g} to {c.optimum.high:g}"
        method = f"least expected cost per use over counts up to {c.count[-1]:g}, {where}"
        made.append(Estimate(name="cheapest count", value=at, unit="uses", n=n, of=mine, method=method,
                             bound="at least" if ends else "exact"))
        if retire >= 1 and at >= 1:
            i, j = (int(np.argmin(np.abs(c.count - v))) for v in (min(retire, float(c.count[-1])), at))
            more, low, high = over_draws(c.draws[i] - c.draws[j], level)
            made += [Estimate(name="policy count", value=min(at, retire), unit="uses", n=n, of=mine,
                              bound="exact", method="the smaller of cheapest count and retire-after count"),
                     Estimate(name="retire-after count over cheapest count",
                              value=more if retire < at else 0.0,
                              low=low if retire < at else 0.0, high=high if retire < at else 0.0,
                              unit=f"{unit} per use", level=level, n=n, of=mine,
                              method="cost per use at the retire-after count less that at the cheapest count, the same "
                                     "sensors in both; quantiles over the draws")]
    return made


_note, _warn = Voice(QUESTION).note, Voice(QUESTION).warn


def findings_of(answers: Sequence[PolicyAnswer], study: Study) -> list[Finding]:
    """Collect what must be known to read the comparison."""
    if not answers:
        return [_warn("no-limit", "No continuous limit is declared, so no session is ever spoilt",
                      "Declare sensitivity_change, saturation_pressure or reading in [limits].")]
    made = [f for a in answers for f in _of_one(a, study)]
    return [*made, *_of_costs(study, any(not a.refused for a in answers))]


def _of_costs(study: Study, compared: bool) -> list[Finding]:
    if not compared:
        return []
    costs, made = study.costs, free_findings(study)
    if costs.sensor and costs.check is not None and costs.check >= costs.sensor:
        made.append(_warn("check-dear", f"A check ({number(costs.check)}) costs no less than a new sensor "
                          f"({number(costs.sensor)}), so replacing in place of checking is no dearer"))
    if study.recalibration is not None and costs.sensor and costs.recalibration is not None and (
            costs.recalibration >= costs.sensor):
        made.append(_warn("recalibration-dear", f"A recalibration ({number(costs.recalibration)}) costs no less than a "
                          f"new sensor ({number(costs.sensor)}), so replacing in place of recalibrating is no dearer"))
    if costs.sensor and costs.spoilt_session is not None:
        check = f", a check {number(costs.check / costs.sensor)}" if costs.check is not None else ""
        spoils = number(costs.spoilt_session / costs.sensor)
        made.append(_note("cost-ratio", f"In sensors a spoilt session costs {spoils}"
                          f"{check}; a sensor's cost is taken to hold its first calibration and the changeover"))
    spoilt = ("past a limit after it, or more than the tolerance off the last calibration" if study.recalibration
              else "past a limit after it")
    made.append(_note("spoilt-is", f"A session is spoilt if the sensor's true state is {spoilt}; a sensor past a limit "
                      "stays in use until its count, its check or, run to failure, until the failure is noticed"))
    return made


def _of_one(a: PolicyAnswer, study: Study) -> list[Finding]:
    name = label_of(a.name)
    if a.refused:
        return [_warn("policy-refused", f"{name}: policies were not compared, because {a.refused}", a.mend)]
    made: list[Finding] = []
    of = study.retirement or RetirementSpec()
    chosen = next((s for s in a.scores if s.chosen), None)
    made += _of_curves(a, name, money(study.costs))
    made.append(_note("simulation", f"{name}: {a.lives:,} simulated sensors for each policy, the same for all (seed "
                      f"{a.seed}), in {a.draws} draws of the population"))
    if chosen is None and a.scores and math.isfinite(a.scores[0].cost[0]):
        made.append(_none_keeps(a, study, name))
    if chosen is not None:
        made.append(_note("statement", f"{name}: the statement asks that with {percent(of.confidence)} confidence at "
                          f"least {percent(of.content)} of sensors are within every continuous limit; under the chosen "
                          f"policy {number(100 * chosen.ever[0])} % are expected to be used past one, at most "
                          f"{number(100 * chosen.ever[1])} % with that confidence (Monte Carlo error "
                          f"{number(100 * chosen.ever[2])} %). A fixed count keeps it up to the "
                          "retire-after count; a policy with checks keeps it if the simulated share does, lines taken "
                          "to be normal" + (
                              "; the recalibration statement is kept where no calibration is older than the interval"
                              f"{f' of {a.interval:g}' if math.isfinite(a.interval) else ''} when used"
                              if study.recalibration is not None else "")))
        made += _of_jumps(a, name, of)
        made += _close(a, chosen, name, money(study.costs))
    moves = [f"{NAMES[k]} x {f:g} ({w})" for k, f, w, _, changes in a.swings if changes]
    if moves:
        made.append(_note("choice-turns-on", f"{name}: the choice changes with {'; '.join(moves)}"))
    elif a.swings:
        made.append(_note("choice-stands", f"{name}: the choice stays the same with any one cost halved or doubled"))
    failing = next((s for s in a.scores if s.candidate.kind == FAILED), None)
    k = failing.candidate.policy.noticed_after if failing is not None else 0
    if failing is not None and failing.cut > 0.5 and failing.ever[0] > 0.5:
        made.append(_warn("noticed-late", f"{name}: run to failure, {100 * failing.cut:.0f} % of simulated sensors are "
                          f"still in use at {a.horizon} uses although {100 * failing.ever[0]:.0f} % are past a limit, "
                          f"since a failure is noticed only after {k} spoilt sessions; its rates are those up to there",
                          "Check sensors, or retire them after a count."))
    elif failing is not None and failing.cut > 0.5:
        made.append(_warn("never-fails", f"{name}: {100 * failing.cut:.0f} % of simulated sensors are past no limit "
                          f"within {a.horizon} uses, so run to failure is cut off there and its rates mean little",
                          "Check sensors over more of their life."))
    if not math.isfinite(a.population.crossing()):
        made.append(_warn("no-wear", f"{name}: the average sensor does not wear towards any limit, so nothing is known "
                          "of when sensors fail",
                          "Check sensors over more of their life, or look at the direction of wear."))
    if a.left_out:
        made.append(_note("no-room-for-checks", f"{name}: left out: {'; '.join(a.left_out)}"))
    if any(s.candidate.policy.check_every for s in a.scores):
        made.append(_note("checked-until", f"{name}: no policy is taken beyond {latest(a.population.cap)} uses, "
                          f"{EXTRAPOLATION:g} times the median last check ({a.population.cap / EXTRAPOLATION:.4g} "
                          "uses): so far, and no further, lines are carried on beyond what was observed. With checks "
                          "too a sensor is retired there, whatever its check shows, and costed so"))
    return made


def _none_keeps(a: PolicyAnswer, study: Study, name: str) -> Finding:
    """Warn that no policy keeps the statements, and say what would let one."""
    why = join_words(_why_none(a, study)) or "each lets too many sensors past a limit, or uses calibrations too old"
    retired = "Check more sensors, or ask for a smaller content or confidence in [retirement]"
    return _warn("none-keeps", f"{name}: no policy compared keeps {_statements(study)}: {why}",
                 f"{retired}; a wider tolerance in [recalibration] allows longer intervals." if study.recalibration
                 else f"{retired}, or compare earlier counts (retire_after in [policy]).")


def _of_curves(a: PolicyAnswer, name: str, unit: str) -> list[Finding]:
    made = []
    retire = a.retire.value if a.retire is not None else math.nan
    priced = [(c, o) for c in a.curves if (o := c.optimum) is not None]
    # Other ways of working stand among the estimates; the cheapest is the one to speak of.
    for c, o in sorted(priced, key=lambda x: x[1].cost)[:1]:
        if math.isinf(o.age):
            made.append(_note("no-optimum", f"{name}, {c.name}: there is no cheapest count, for the cost per use still "
                              f"falls at {c.count[-1]:g} uses, the longest that can be stated"))
            continue
        price = ""
        if 1 <= retire < o.age:
            i = int(np.argmin(np.abs(c.count - min(retire, float(c.count[-1])))))
            price = (f"; the statement's count, {retire:g}, costs {unit} {number(float(c.mean[i]) - o.cost)} per use "
                     "more in that way of working")
        elif retire >= o.age:
            price = f"; that is no later than the statement's {retire:g}, and the cheaper count stands"
        made.append(_note("cheapest-count", f"{name}, {c.name}: the cheapest count is {o.age:g} "
                          f"{'use' if o.age == 1 else 'uses'} at {unit} "
                          f"{number(o.cost)} per use, {_flat(o.low, o.high)}{price}"))
    return made


def _flat(low: float, high: float) -> str:
    """Say over which counts the cost is nearly the least."""
    if low == high:
        return "and every other is more than 5 % dearer"
    return f"and from {low:g} to {high:g} uses it is at most 5 % dearer"


def _close(a: PolicyAnswer, chosen: Scored, name: str, unit: str) -> list[Finding]:
    """Name the policies that cannot be told from the chosen one: their difference has a band that holds zero."""
    near = []
    for s in a.scores:
        if s.keeps and not s.chosen and math.isfinite(s.cost[0]):
            low = float(np.quantile(s.draws - chosen.draws, 0.025))
            if low <= 0:
                near.append(s)
    if not near:
        return []
    near.sort(key=lambda s: s.cost[0])
    told = join_words([f"{s.candidate.words} ({unit} {number(s.cost[0])})" for s in near[:3]])
    more = f" and {len(near) - 3} more" if len(near) > 3 else ""
    return [_note("as-good", f"{name}: not shown to be dearer than the chosen policy: {told}{more}")]
