"""Answer one interlaboratory question: precision by level, laboratories that stand out, relation to the level."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from drift.engine.interlaboratory import Relation, precision, relations
from drift.errors import Finding
from drift.records import TrialTable
from drift.reliability.gauge.rows import Level, level_rows
from drift.reliability.interlaboratory.tables import (
    FORMS,
    MLS,
    NAMES,
    AnalysedLevel,
    all_tables,
    estimates_of,
    labels,
)
from drift.reliability.interlaboratory.tests_of_laboratories import Verdict, h_critical, judged, k_critical, tests_of
from drift.reliability.rows import Screened
from drift.reliability.words import opening, plural
from drift.results import Estimate, Provenance, Result, ResultTable, join_words, run_versions
from drift.simulated import Design
from drift.simulated.quoting import Asked, cautions, coverage_table, note, quote
from drift.study import InterlaboratoryQuestion

FAMILY = "interlaboratory"
FEW = 5


@dataclass(frozen=True, kw_only=True, eq=False)
class InterlaboratoryResult(Result):
    """Repeatability and reproducibility of a method over laboratories."""

    command: ClassVar[str] = "interlaboratory"


def interlaboratory(trials: TrialTable, question: InterlaboratoryQuestion, *, level: float = 0.95, seed: int = 0,
                    screening: Screened | None = None) -> InterlaboratoryResult:
    """Estimate the precision of a method over laboratories, rigs or benches, by level.

    Parameters
    ----------
    trials : TrialTable
    question : InterlaboratoryQuestion
    level : float
        Confidence level of the intervals.
    seed : int
        Recorded in the provenance; nothing here is random.
    screening : optional
        What screening drops (``dropped`` and ``reasons``, a row each).

    Returns
    -------
    InterlaboratoryResult
        Estimates by level: m, s_r, s_L, s_R, r, R. Tables: "precision", "laboratories" (Mandel's h and k), "outlier
        tests", "precision against level" (three levels or more), "coverage". No result is ever left out.

    Raises
    ------
    DriftError
        If a column is missing, no row is usable, or a column without a part in the question varies inside a cell.
    """
    prepared, levels = level_rows(trials, question, screening)
    done = [_analysed(one, question, level) for one in levels]
    estimates = [e for d in done for e in estimates_of(d, question, level=level)]
    related = _related(done, level)
    coverage, told = _simulated(done, question, level)
    return InterlaboratoryResult(
        question=question.name, answer=_answer(done, estimates, question), estimates=tuple(estimates),
        tables=(*all_tables(done, related, question), *coverage),
        findings=(*prepared.findings, *_findings(done, related, question), *told), exclusions=prepared.exclusions,
        provenance=Provenance(accounts=(prepared.account,), inputs={trials.file: trials.sha256}
                              if trials.sha256 else {},
                              seed=seed, level=level, versions=run_versions(), settings=question.model_dump()))


def _analysed(one: Level, question: InterlaboratoryQuestion, level: float) -> AnalysedLevel:
    labs = plural(question.laboratory)
    if len(one.laboratory_names) < 2:
        return AnalysedLevel(level=one, found=None, why=f"only {question.laboratory} {one.laboratory_names[0]} has "
                             "results, so that nothing between them can be seen", mend=f"Have two {labs} or more, "
                             "best eight, measure it")
    if np.ptp(one.values) == 0:
        return AnalysedLevel(level=one, found=None, why=f"all {len(one.values)} results are equal: the resolution is "
                             "coarser than the scatter", mend="Record the results with more digits")
    found = precision(one.values, one.laboratories, level=level)
    return AnalysedLevel(level=one, found=found, tests=tuple(tests_of(found, one.laboratory_names)))


def _related(done: Sequence[AnalysedLevel], level: float) -> dict[str, tuple[Relation, ...]]:
    good = [d.found for d in done if d.found is not None]
    if len(good) < 3 or len({f.m for f in good}) < 3 or min(f.m for f in good) <= 0:
        return {}
    m = [f.m for f in good]
    sized = {"s_r": [f.s_r for f in good], "s_R": [f.s_reproducibility for f in good]}
    return {what: relations(m, s, level=level) for what, s in sized.items() if all(x > 0 for x in s)}


def _sd(e: Estimate, *, ends: bool = True) -> str:
    """Return an SD with its interval, two significant digits of the value."""
    d = max(0, min(8, 1 - math.floor(math.log10(e.value)))) if e.value > 0 else 2
    shown = f" ({e.low:.{d}f} to {e.high:.{d}f})" if ends and math.isfinite(e.low) else ""
    return f"{e.value:.{d}f}{shown} {e.unit}".rstrip()


def _answer(done: Sequence[AnalysedLevel], estimates: Sequence[Estimate], question: InterlaboratoryQuestion) -> str:
    at = {(e.of.get(question.material or "", ""), e.name): e for e in estimates}
    good = [d for d in done if d.found is not None]
    if not good:
        return f"No precision can be stated: {done[0].why}. {done[0].mend}."
    if len(done) == 1:
        e = {k: at.get(("" if not question.material else done[0].level.name, NAMES[k])) for k in NAMES}
        big, small = e["R"], e["r"]
        s_r, s_big = e["s_r"], e["s_R"]
        assert big is not None
        assert s_big is not None
        said = (f"Two results of different {plural(question.laboratory)} differ by less than {_sd(big)} in about "
                "95 % of cases")
        if small is not None and s_r is not None:
            said += (f", two of one {question.laboratory} by less than {_sd(small)}: s_R = {_sd(s_big)}, s_r = "
                     f"{_sd(s_r)}")
        else:
            said += f": s_R = {_sd(s_big)}"
        return f"{said}. {_weight(good)}{_striking(done, question)}".strip()
    shown = good if len(good) <= 6 else [good[0], good[-1]]
    over = [(d.level.name, at[d.level.name, NAMES["s_R"]]) for d in shown]
    within = [(d.level.name, at[d.level.name, NAMES["s_r"]]) for d in shown if (d.level.name, NAMES["s_r"]) in at]
    return (f"Reproducibility SD s_R by {question.material}: {_listed(over, len(good))}"
            + (f"; repeatability SD s_r: {_listed(within, len(good), ends=False)}" if within else "")
            + f". {_weight(good)}{_striking(done, question)}").strip()


def _listed(found: Sequence[tuple[str, Estimate]], of: int, *, ends: bool = True) -> str:
    unit = found[0][1].unit if len({e.unit for _, e in found}) == 1 else ""
    texts = [f"{name} {_sd(e, ends=ends).removesuffix(f' {unit}' if unit else '')}" for name, e in found]
    listed = ", ".join(texts) if len(found) == of else f"from {texts[0]} to {texts[-1]} over {of} levels"
    return f"{listed} {unit}".rstrip()


def _weight(good: Sequence[AnalysedLevel]) -> str:
    """Say how much of the reproducibility variance lies between laboratories."""
    shares = [100 * f.s_l**2 / f.s_reproducibility**2 for d in good if (f := d.found) is not None
              and f.s_reproducibility > 0 and math.isfinite(f.s_l)]
    if not shares:
        return ""
    low, high = f"{min(shares):.0f}", f"{max(shares):.0f}"
    return f"{low if low == high else f'{low} to {high}'} % of the reproducibility variance lies between laboratories. "


def _striking(done: Sequence[AnalysedLevel], question: InterlaboratoryQuestion) -> str:
    found = {lab for d in done for t in d.tests if t.verdict == "outlier" for lab in t.laboratories}
    return (f"{opening(question.laboratory)} {join_words(sorted(found))} {'stands' if len(found) == 1 else 'stand'} "
            f"out at 1 % (Cochran or Grubbs) and {'was' if len(found) == 1 else 'were'} kept.") if found else ""


def _findings(done: Sequence[AnalysedLevel], related: dict[str, tuple[Relation, ...]],
              question: InterlaboratoryQuestion) -> list[Finding]:
    out: list[Finding] = []

    def say(severity: str, code: str, message: str, mend: str = "") -> None:
        out.append(Finding(severity=severity, code=code, message=message, mend=mend,  # type: ignore[arg-type]
                           question=question.name))

    for d in done:
        place = "".join(f"{k} {v}: " for k, v in labels(d, question).items())
        if d.found is None:
            say("warning", "no-precision", f"{place}{d.why}", d.mend)
            continue
        for verdict, severity in (("outlier", "warning"), ("straggler", "note")):
            texts = list(_named(d, verdict))  # type: ignore[arg-type]
            if texts:
                say(severity, verdict, f"{place}{question.laboratory} {join_words(texts)} is "
                    f"{'an outlier' if verdict == 'outlier' else 'a straggler'}; nothing was left out",
                    "Look for a cause, and leave a result out only for a cause found (exclude = yes with a reason)"
                    if verdict == "outlier" else "")
    _mandel(done, question, say)
    _about_numbers(done, question, say)
    if related:
        best = {what: min(forms, key=lambda r: r.misfit) for what, forms in related.items()}
        told = [f"{what} follows {FORMS[r.form]} most closely (relative misfit {100 * r.misfit:.0f} %)"
                for what, r in best.items()]
        levels = sum(d.found is not None for d in done)
        say("note", "relation-to-level", f"Relation to the level: {'; '.join(told)}, from {levels} levels")
    return out


def _named(d: AnalysedLevel, verdict: Verdict) -> Iterator[str]:
    """Yield who is a straggler or an outlier by Cochran's or Grubbs' test, and by what."""
    words = {"Cochran": "scatter", "Grubbs, highest": "mean (highest)", "Grubbs, lowest": "mean (lowest)"}
    for t in d.tests:
        if t.verdict == verdict:
            who = join_words(t.laboratories)
            yield (f"{who} by {'its' if len(t.laboratories) == 1 else 'their'} "
                   f"{words.get(t.test, t.test.removeprefix('Grubbs, ') + ' means')} ({t.test.split(',')[0]}"
                   f" {t.statistic:.3f}, critical {t.critical[0]:.3f} at 5 %, {t.critical[1]:.3f} at 1 %)")


def _mandel(done: Sequence[AnalysedLevel], question: InterlaboratoryQuestion, say: object) -> None:
    """Name values of h and k beyond 1 %, with the number to be expected: many are looked at."""
    assert callable(say)
    many, beyond = 0, []
    for d in done:
        if d.found is None:
            continue
        crit = h_critical(d.found.p)
        place = f" ({d.level.name})" if question.material else ""
        for i, name in enumerate(d.level.laboratory_names):
            for what, value, limits in (("h", float(d.found.h[i]), crit),
                                        ("k", float(d.found.k[i]), k_critical(d.found, i))):
                many += math.isfinite(value) and math.isfinite(limits[1])
                if judged(abs(value), limits[:2]) == "outlier":
                    beyond.append(f"{question.laboratory} {name}{place} {what} {value:.2f}, critical {limits[1]:.2f}")
    if beyond:
        say("note", "mandel", f"Mandel's h and k beyond their 1 % critical values: {'; '.join(beyond[:8])}"
            f"{f' and {len(beyond) - 8} more' if len(beyond) > 8 else ''}. Of {many} values looked at, about "
            f"{0.01 * many:.1f} are expected there by chance")


def _about_numbers(done: Sequence[AnalysedLevel], question: InterlaboratoryQuestion, say: object) -> None:
    assert callable(say)
    good = [d.found for d in done if d.found is not None]
    if not good:
        return
    p, labs = min(f.p for f in good), plural(question.laboratory)
    if any(math.isnan(f.s_r) for f in good):
        say("warning", "no-replicates", f"each {question.laboratory} has one result at some level: s_r and s_L cannot "
            "be told apart there, and s_R is the SD between them", "Have each measure at least twice under "
            "repeatability conditions, with a column that numbers the replicates")
    if p < FEW:
        say("warning" if p < 3 else "note", "few-laboratories", f"{p} {labs}: s_L and s_R rest on {p - 1} "
            f"degree{'s' if p > 2 else ''} of freedom, and their intervals are as wide as that",
            f"More results will not narrow them; take eight {labs} or more")
    if any(math.isfinite(f.between) and f.between < 0 for f in good):
        names = [d.level.name for d in done if d.found is not None and d.found.between < 0]
        where = f" at {question.material} {join_words(names)}" if question.material else ""
        say("note", "zero-component", f"the between-laboratory variance is estimated below zero{where}: it counts as "
            "zero and s_R equals s_r")
    if any(np.ptp(f.counts) > 0 for f in good):
        say("note", "unequal-numbers", f"{labs} have unequal numbers of results: estimates are those of ISO 5725-2, "
            "intervals of s_L and s_R rest on unweighted means, and Mandel's k has a critical value for each")


def _simulated(done: Sequence[AnalysedLevel], question: InterlaboratoryQuestion, level: float,
               ) -> tuple[tuple[ResultTable, ...], list[Finding]]:
    asked = []
    for d in done:
        f = d.found
        if f is None:
            continue
        total = f.s_reproducibility**2
        design = Design(n=float(f.p), m=float(f.counts.mean()),
                        share=f.s_l**2 / total if total > 0 and math.isfinite(f.s_l) else None)
        methods = {"s_R": MLS, "s_L": MLS, "s_r": "exact chi-square interval", "m": "t interval of the laboratories' "
                   "means"}
        asked += [Asked(quantity=NAMES[k], named=NAMES[k], method=m, design=design, of=d.level.name)
                  for k, m in methods.items() if math.isfinite(f.intervals[k][0]) and not math.isnan(f.s_r)]
    quoted = quote(FAMILY, asked, level=level)
    if not quoted:
        return (), []
    return ((coverage_table(quoted),), [*cautions(quoted, question=question.name,
                                                  mend="Take its ends as a rough guide"),
                                        *note(quoted, question=question.name)])
