"""The answer of ``drift chart``: is the check standard in control, on which charts, and how often are they wrong."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import ClassVar

import numpy as np

from drift.control.charts import ChartSpec, StandardChart, chart_standard, stopped_finding
from drift.control.edges import edges_of
from drift.control.growing import LEAST_BASELINE
from drift.control.occasions import Occasions, Unread
from drift.control.past import past_words
from drift.control.rig import Rig, judge_rig, odd_finding, step_finding, without_latest
from drift.engine.control_charts import AnyAlarm, ChartLimits, FalseAlarms, any_alarm, false_alarms
from drift.errors import DriftError, Finding
from drift.results import Estimate, Exclusion, Provenance, Result, ResultTable, RowAccount, join_words, run_versions

AFTER = 50  # occasions after a baseline over which false alarms of any chart are counted


@dataclass(frozen=True, kw_only=True, eq=False)
class ChartResult(Result):
    """Control charts of check standards."""

    command: ClassVar[str] = "chart"


def chart_table(occasions: tuple[Occasions, ...], spec: ChartSpec, *, question: str, level: float = 0.95,
                inputs: Mapping[str, str] | None = None, account: RowAccount | None = None,
                restarts: Mapping[str, tuple[tuple[int, str], ...]] | None = None, unread: Sequence[Unread] = (),
                exposure: str = "use", exclusions: tuple[Exclusion, ...] = ()) -> ChartResult:
    """Chart every check standard and word what the latest occasions say.

    Parameters
    ----------
    occasions : tuple of Occasions
        One a standard.
    spec : ChartSpec
    question : str
        Name of the question.
    level : float
        Confidence level of the intervals of centre and SDs.
    inputs : mapping, optional
        Hashes of the files.
    account : RowAccount, optional
    restarts : mapping of str to tuple, optional
        New baselines with their logged causes, by standard.
    unread : sequence of Unread
        Standards whose newest reading is in no occasion; ``exposure`` is what it is counted by.
    exposure : str
    exclusions : tuple of Exclusion

    Returns
    -------
    ChartResult
        Tables "control chart" and "signals". A standard without a baseline is refused in a finding.
    """
    charts: list[StandardChart] = []
    refused: list[Finding] = []
    for one in occasions:
        try:
            charts.append(chart_standard(one, spec, restarts=(restarts or {}).get(one.standard, ())))
        except DriftError as error:
            refused += list(error.findings)
    rig = without_latest(judge_rig(tuple(charts), spec=spec), unread, exposure)
    rates = _rates(charts, spec)
    estimates = [e for i, c in enumerate(charts)
                 for e in _estimates(c, question, level, rates.get(i), spec)]
    if not charts:
        estimates = [Estimate(name="centre", of={"question": question}, value=float("nan"), unit="", level=level,
                              method="mean of the baseline occasions")]
    tables = (_chart_rows(charts), _signal_rows(charts)) if charts else ()
    return ChartResult(
        question=question, answer=_answer(rig, charts, refused), estimates=tuple(estimates), tables=tables,
        exclusions=exclusions,
        findings=(*refused, *(rig.findings if charts or not occasions else ()), *(f for i, c in enumerate(charts)
                                                                      for f in _findings(c, rates.get(i)))),
        provenance=Provenance(accounts=(account,) if account else (), inputs=inputs or {}, level=level,
                              versions=run_versions(), settings={k: v for k, v in vars(spec).items()
                                                                 if v is not None}))


@dataclass(frozen=True, kw_only=True)
class _Rates:
    """False alarms of one chart: of each kind where limits stay, of any kind, and of growing in vain."""

    each: Mapping[str, FalseAlarms]
    any: AnyAlarm
    to_full: int
    stopped: bool


def _rates(charts: list[StandardChart], spec: ChartSpec) -> dict[int, _Rates]:
    """False-alarm rates by chart; those one by one at the usual weight and slack only."""
    usual = ChartSpec()
    same = spec.weight == usual.weight and spec.slack == usual.slack
    made: dict[int, _Rates] = {}
    for i, c in enumerate(charts):
        if c.known:
            continue
        n, two = c.baseline.n, spec.direction == "both"
        left = max(spec.most - LEAST_BASELINE, 1) if c.growing else 0
        within = np.isfinite(c.within)
        edges = edges_of(None, spec, within=bool(within)) if left else c.edges
        n -= 2 * c.autocorrelated  # what is charted then has two degrees of freedom less
        made[i] = _Rates(each=_each(n, edges, two) if same and not left else {}, to_full=left,
                         stopped=c.stopped is not None,
                         any=_any(None if left else n, edges, two, spec.precision if within else None, left or AFTER,
                                  spec.weight, spec.slack))
    return made


@cache
def _each(n: int, edges: ChartLimits, two_sided: bool) -> Mapping[str, FalseAlarms]:
    return false_alarms(n, edges, two_sided=two_sided)


@cache
def _any(n: int | None, edges: ChartLimits, two_sided: bool, precision: float | None, occasions: int, weight: float,
         slack: float) -> AnyAlarm:
    return any_alarm(n, edges, two_sided=two_sided, precision=precision, occasions=occasions, weight=weight,
                     slack=slack)


def _answer(rig: Rig, charts: list[StandardChart], refused: list[Finding]) -> str:
    if not charts:
        return f"No chart can be drawn: {refused[0].message if refused else 'there is no check standard'}."
    if all(c.retrospective for c in charts):
        out = {c.occasions.standard: sorted({s.occasion for s in c.signals}) for c in charts}
        n = sum(len(v) for v in out.values())
        total = sum(int(c.judged.sum()) for c in charts)
        steps = "".join(f" {m[0].upper()}{m[1:]}." for c in charts if c.step is not None
                        for m in (step_finding(c).message,))
        return (f"Looking back at its own baseline, {n} of {total} occasions are past a limit"
                + (f": {join_words([c.occasions.label[i] for c in charts for i in out[c.occasions.standard]][:12])}."
                   if n else ".") + f"{steps} Later occasions are what the limits are for.")
    sentence = rig.sentence[0].upper() + rig.sentence[1:]
    advice = {"fit": "Use", "not fit": "Do not use the rig", "standard": "Use the rig on the other standards",
              "unclear": "Check again before use"}[rig.status]
    told = f"{advice}: {rig.sentence}." if rig.status != "fit" else f"{sentence}."
    return f"{told}{past_words(charts)}"


def _of(c: StandardChart, question: str) -> dict[str, str]:
    return {"question": question} | ({"standard": c.occasions.standard} if c.occasions.standard else {})


def _estimates(c: StandardChart, question: str, level: float, rates: _Rates | None, spec: ChartSpec
               ) -> list[Estimate]:
    from scipy.special import chdtri, stdtrit

    of, unit, n = _of(c, question), c.occasions.unit, c.baseline.n
    made: list[Estimate] = []

    def put(name: str, value: float, method: str, low: float = float("nan"), high: float = float("nan"),
            unit: str = unit, n: int = n) -> None:
        has = np.isfinite(low) or np.isfinite(high)
        made.append(Estimate(name=name, of=of, value=value, unit=unit, low=low, high=high, method=method, n=n or None,
                             level=(0.9 if name.startswith("false") else level) if has else float("nan")))

    a = (1 - level) / 2
    if c.known:
        put("centre", c.centre, "as given")
        put("SD between occasions", c.sd, "as given")
    else:
        half = float(stdtrit(n - 1, 1 - a)) * c.baseline.sd / np.sqrt(n)
        put("centre", c.centre, "mean of the baseline occasions, t interval", c.centre - half, c.centre + half)
        low, high = (float(c.baseline.sd * np.sqrt((n - 1) / chdtri(n - 1, p))) for p in (a, 1 - a))
        put("SD between occasions", c.baseline.sd, "SD of the baseline occasion means, chi-square interval", low, high)
    what = "one-step prediction errors of a first-order autoregression" if c.autocorrelated else "occasion means"
    how = f"individuals chart of {what}, centre and {c.edges.individuals:.3f} SDs" + (
        "" if c.declared else " (limits of all charts together)")
    put("lower control limit", c.lower, how)
    put("upper control limit", c.upper, how)
    if np.isfinite(c.within):
        v = c.within_df
        low, high = (float(c.within * np.sqrt(v / chdtri(v, p))) for p in (a, 1 - a))
        put("SD within occasions", c.within, f"pooled over the baseline, {v:g} degrees of freedom, chi-square interval",
            low, high)
        last = c.precision[np.isfinite(c.precision)]
        if len(last):
            put("limit of the SD within an occasion", float(last[-1]),
                f"precision chart, s1 sqrt(F({spec.precision:g}))")
    put("CUSUM limit", c.cusum_limit, f"{c.edges.cusum:.4g} times the SD between occasions")
    for chart, r in (rates.each if rates else {}).items():
        put(f"false alarms, {chart}", 100 * r.mean, f"{chart} chart with limits from {n} occasions of a normal process,"
            " computed; ends: 5 % and 95 % of baselines (independent occasions)", 100 * r.low, 100 * r.high,
            unit="% of occasions")
    if rates is not None:
        put("false alarms, any chart", 100 * rates.any.occasions, "share of occasions past a limit of any of the "
            f"charts, simulated over the {rates.to_full or AFTER} occasions "
            + ("of a growing baseline" if rates.to_full else f"after a baseline of {n}")
            + " (independent normal occasions)", unit="% of occasions")
    return made


def _chart_rows(charts: list[StandardChart]) -> ResultTable:
    rows: dict[str, list[object]] = {k: [] for k in (
        "standard", "occasion", "part", "readings", "mean", "charted", "lower", "upper", "SD within", "SD limit",
        "EWMA", "EWMA lower", "EWMA upper", "CUSUM above", "CUSUM below", "CUSUM limit", "signals")}
    for c in charts:
        by: dict[int, list[str]] = {}
        for s in c.signals:
            by.setdefault(s.occasion, []).append(s.chart)
        o = c.occasions
        for i in range(len(o)):
            judged = bool(c.judged[i])
            part = ("before the baseline" if i < c.first else "retrospective" if c.retrospective else "judged" if judged
                    else "baseline")
            values = (o.standard, o.label[i], part, float(o.within_df[i]) + 1, float(o.mean[i]), float(c.charted[i]),
                      c.lower, c.upper, float(o.within_sd[i]), float(c.precision[i]), float(c.ewma[i]),
                      c.centre - float(c.ewma_half[i]), c.centre + float(c.ewma_half[i]), float(c.cusum_high[i]),
                      float(c.cusum_low[i]), c.cusum_limit if judged else float("nan"), ", ".join(by.get(i, [])))
            for held, v in zip(rows.values(), values, strict=True):
                held.append(v)
    unit = charts[0].occasions.unit
    numbers = {k: unit for k in rows if k not in ("standard", "occasion", "part", "readings", "signals")}
    return ResultTable.build("control chart", rows, units=numbers, caption="Control chart, occasion by occasion")


def _signal_rows(charts: list[StandardChart]) -> ResultTable:
    found = [(c, s) for c in charts for s in c.signals]
    return ResultTable.build("signals", {
        "standard": [c.occasions.standard for c, _ in found], "occasion": [c.occasions.label[s.occasion]
                                                                           for c, s in found],
        "chart": [s.chart for _, s in found], "side": ["above" if s.side > 0 else "below" for _, s in found],
        "value": np.array([s.value for _, s in found], dtype=np.float64),
        "limit": np.array([s.limit for _, s in found], dtype=np.float64)},
        caption="Occasions past a limit")


def _findings(c: StandardChart, rates: _Rates | None) -> list[Finding]:
    """Say what a reader of the chart must know about its limits."""
    made: list[Finding] = []
    name = f" of {c.occasions.standard}" if c.occasions.standard else ""
    n = c.baseline.n
    if not c.known and n < 20:
        made.append(Finding(severity="warning", code="small-baseline", message=f"the limits{name} come from {n} "
                            "occasions: they are wide, and how often they are wrong is the luck of the baseline",
                            mend="Keep reading until there are 20 occasions, better 50."))
    if (stopped := stopped_finding(c)) is not None:
        made.append(stopped)
    if rates is not None:
        made.append(Finding(severity="note", code="false-alarms", message=_alarms(rates, name, n)))
    if c.autocorrelated:
        made.append(Finding(severity="warning", code="occasions-alike", message=f"successive baseline occasions{name} "
                            f"are alike (lag-1 autocorrelation {c.baseline.autocorrelation:.2f}): limits for "
                            "independent occasions would give false alarms, so the errors of predicting each from the "
                            "one before are charted; a step inside the baseline would look the same",
                            mend="Look whether the baseline holds a step; space the occasions further apart."))
    if (odd := odd_finding(c)) is not None:
        made.append(odd)
    for i, why in c.restarts:
        made.append(Finding(severity="note", code="new-baseline", message=f"a new baseline{name} starts at "
                            f"{c.occasions.label[i] if i < len(c.occasions) else 'the next occasion'}: {why}"))
    return made


def _alarms(rates: _Rates, name: str, n: int) -> str:
    """Say how often a good rig is called out of control."""
    share = f"{100 * rates.any.occasions:.1f} % of occasions of a good rig are past a limit of any of the charts"
    if rates.to_full:
        return (f"while the baseline{name} grows, each occasion is judged by its prediction from those before it: "
                f"{share}, and {100 * rates.any.runs:.0f} % of good baselines stop before they are full")
    if not rates.each:
        return f"with limits{name} from {n} occasions {share} on average over the {AFTER} after them"
    e = rates.each["EWMA"]
    single = rates.each["individuals"]
    after = (", until the cause of the alarm is logged as the event 'new baseline': limits are not widened after one"
             if rates.stopped else "")
    return (f"with limits{name} from {n} occasions {share} on average over the {AFTER} after them{after}. One by one: "
            f"single occasions {100 * single.mean:.2g} %, and EWMA (CUSUM alike) 1 over its mean run length, "
            f"{100 * e.mean:.2g} % (5 % to 95 % of baselines: {100 * e.low:.2g} to {100 * e.high:.2g} %)")
