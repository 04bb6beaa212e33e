"""Life data beside the count: what crossings and failures say by themselves, without any line."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from drift.errors import Finding
from drift.results import Estimate, ResultTable, join_words
from drift.retirement.companion import Companion, Setting
from drift.retirement.crossings import ANY, Crossings, crossings_of
from drift.retirement.life_analysis import FEW, LifeAnalysis, LifeSpec, analyse
from drift.retirement.life_tables import known_word, life_name, lower_words, ml_words, percent
from drift.retirement.life_words import show
from drift.retirement.limits import QUESTION
from drift.retirement.wording import label_of, labels

NOTE, DRAWS = "life-data", 299


def companion(setting: Setting) -> Companion | None:
    """Lives of the sensors of each construction to each limit and to the first of all.

    Returns
    -------
    Companion or None
        None where there are no worn sensors or no limits at all.
    """
    found = [c for c in crossings_of(setting) if len(c.of_any)]
    if not found:
        return None
    spec = LifeSpec(share=1 - setting.spec.content, confidence=setting.spec.confidence, level=setting.level,
                    draws=DRAWS)
    analysed = [(c, {k: analyse(v, spec, setting.rng, brief=k != ANY) for k, v in c.by_limit.items()
                    if len(v) and _asked(c, k)})
                for c in found]
    estimates, findings, sentences = [], [], []
    for c, of in analysed:
        whole = of[ANY]
        estimates += _estimates(whole, c)
        findings += _findings(whole, c)
        if _refused(setting, c.construction):
            sentences.append(_instead(whole, c))
    return Companion(estimates=tuple(estimates), tables=tuple(t for t in (_crossings(found, setting), _life_data(
        analysed, setting), _steps(analysed, setting), _incidence(analysed, setting)) if len(t)),
        findings=tuple(findings), sentences=tuple(sentences))


def _asked(c: Crossings, key: str) -> bool:
    """With one limit alone the first limit of all is that one."""
    return key == ANY or len(c.by_limit) > 2


def _refused(setting: Setting, construction: str) -> bool:
    mine = [a for a in setting.answers if a.construction == construction]
    return not any(math.isfinite(a.count) for a in mine)


def _estimates(a: LifeAnalysis, c: Crossings) -> list[Estimate]:
    of, n = labels(c.construction), len(a.lives)
    made = [Estimate(name="sensors seen past a limit", value=float(a.failures), unit="sensors", n=n, of=of,
                     method=f"of {n} sensors, by any limit; the others were inside every limit when last checked")]
    w = a.best
    if not w.found:
        return made
    low, high = (e if math.isfinite(e) else math.nan for e in w.life)
    return [*made,
            Estimate(name=life_name(a.spec.share), value=float(w.fit.quantile(a.spec.share)), low=low, high=high,
                     level=a.spec.level, unit=a.lives.per, n=n, of=of,
                     method=f"{ml_words(a)}, likelihood-ratio interval; crossings of any limit, no lines"),
            Estimate(name=f"lower bound of the {life_name(a.spec.share)}", value=w.life_lower, level=a.spec.confidence,
                     unit=a.lives.per, n=n, of=of, method=f"{ml_words(a)}, {lower_words(w)}")]


def _life_words(a: LifeAnalysis) -> str:
    """Say what the lives alone say."""
    w = a.best
    if not w.found:
        return "no distribution of lives can be fitted to them"
    life, bound = float(w.fit.quantile(a.spec.share)), w.life_lower
    if a.lives.per == "uses":  # whole uses, a bound never rounded up
        life, bound = round(life), math.floor(bound)
    few = f" (fewer than {FEW} crossings: it leans on the Weibull)" if a.failures < FEW else ""
    return (f"{percent(a.spec.share)} are past a limit by {show(life)} {a.lives.per}, and "
            f"with {percent(a.spec.confidence)} confidence not before {show(bound)} {a.lives.per}{few}")


def _findings(a: LifeAnalysis, c: Crossings) -> list[Finding]:
    name, n = label_of(c.construction), len(a.lives)
    found = [Finding(severity="note", code=NOTE, question=QUESTION, message=(
        f"{name}: {a.failures} of {n} were seen past a limit"
        + (f"; by these crossings alone, without lines, {_life_words(a)}" if a.failures else
           ", so that life data have nothing to add")))]
    if c.returned:
        who = join_words(sorted({s for s, _ in c.returned})[:6])
        found.append(Finding(severity="note", code="inside-again", question=QUESTION, message=(
            f"{name}: {who} {'was' if len({s for s, _ in c.returned}) == 1 else 'were'} seen inside a limit again "
            f"after "
            "having been past it; the first check past it counts as the crossing")))
    if a.at_zero:
        found.append(Finding(severity="warning", code="past-at-zero", question=QUESTION, message=(
            f"{name}: {a.at_zero} of {n} {'was' if a.at_zero == 1 else 'were'} past a limit before any use"),
            mend="Find out why fresh sensors fail, and look at the limit."))
    return found


def _instead(a: LifeAnalysis, c: Crossings) -> str:
    if not a.failures:
        return f"{label_of(c.construction)}: none was seen past a limit, so crossings say nothing either."
    return (f"{label_of(c.construction)}: what was seen of crossings can still be read as lives: of {len(a.lives)} "
            f"sensors {a.failures} were seen past a limit; {_life_words(a)}.")


def _crossings(found: list[Crossings], setting: Setting) -> ResultTable:
    rows = [(c.construction, key, x.unit[i], x.lower[i], x.upper[i], x.cause[i]) for c in found
            for key, x in c.by_limit.items() for i in range(len(x))]
    return ResultTable.build("crossings", {
        "construction": [r[0] for r in rows], "limit": [r[1] for r in rows], "sensor": [r[2] for r in rows],
        "last seen inside": [float(r[3]) for r in rows],
        "first seen past": [float(r[4]) if np.isfinite(r[4]) else math.nan for r in rows],
        "known": [known_word(float(r[3]), float(r[4])) for r in rows], "first limit": [r[5] for r in rows]},
        units=dict.fromkeys(("last seen inside", "first seen past"), setting.exposure.unit),
        caption="Between which two checks each sensor was first seen past each limit. A sensor without a second time "
                "was "
                "still inside when last checked.")


def _life_data(analysed: list[tuple[Crossings, dict[str, LifeAnalysis]]], setting: Setting) -> ResultTable:
    rows: list[dict[str, Any]] = []
    for c, of in analysed:
        for key, a in of.items():
            w = a.best
            nan = math.nan
            rows.append({"construction": c.construction, "limit": key, "sensors": float(len(a.lives)),
                         "past": float(a.failures), "shape": float(w.fit.beta), "shape low": w.shape[0],
                         "shape high": w.shape[1], "life": float(w.fit.quantile(a.spec.share)) if w.found else nan,
                         "low": w.life[0], "high": w.life[1], "lower bound": w.life_lower,
                         "note": "" if a.failures >= FEW else "no crossing" if not a.failures else "few crossings"
                         if w.found else "no finite estimate"})
    columns = {k: [r[k] for r in rows] for k in rows[0]}
    share = 1 - setting.spec.content
    return ResultTable.build("life data", columns, units=dict.fromkeys(("life", "low", "high", "lower bound"),
                                                                      setting.exposure.unit),
                             caption=f"Crossings read as lives, without lines: Weibull by maximum likelihood. 'Life' "
                                     f"is "
                                     f"that by which {percent(share)} are past the limit; lower bound one-sided, "
                                     f"{percent(setting.spec.confidence)}. Beside the count, not inside it.")


def _steps(analysed: list[tuple[Crossings, dict[str, LifeAnalysis]]], setting: Setting) -> ResultTable:
    from drift.retirement.life_tables import curve_table, fitted_table

    parts = []
    for c, of in analysed:
        a = of[ANY]
        steps, fitted = curve_table(a), fitted_table(a)
        parts += [(c.construction, "steps", float(x), float(y), float(s), float(lo), float(hi)) for x, y, s, lo, hi in
                  zip(*(steps[k] for k in ("from", "to", "share failed", "low", "high")), strict=True)]
        if len(fitted) and "share failed" in {k.name for k in fitted.columns}:
            parts += [(c.construction, "Weibull", float(t), float(t), float(s), float(lo), float(hi)) for t, s, lo,
                      hi in
                      zip(*(fitted[k] for k in ("time", "share failed", "low", "high")), strict=True)]
    names = ("construction", "curve", "from", "to", "share past", "low", "high")
    return ResultTable.build("survival of sensors", {n: [p[i] for p in parts] for i, n in enumerate(names)},
                             units=dict.fromkeys(("from", "to"), setting.exposure.unit),
                             caption="Share of sensors past any limit: steps without a model (Turnbull), and the "
                                     "fitted "
                                     "Weibull, each with its band.")


def _incidence(analysed: list[tuple[Crossings, dict[str, LifeAnalysis]]], setting: Setting) -> ResultTable:
    rows = []
    for c, of in analysed:
        a = of[ANY]
        if not a.lives.causes:
            continue
        for j, cause in enumerate(a.lives.causes):
            rows += [(c.construction, cause, float(t), float(a.curve.by_cause[j, i]), float(a.curve.cause_low[j, i]),
                      float(a.curve.cause_high[j, i])) for i, t in enumerate(a.curve.time)]
    names = ("construction", "first limit", "use", "share past", "low", "high")
    return ResultTable.build("cumulative incidence seen", {n: [r[i] for r in rows] for i, n in enumerate(names)},
                             units={"use": setting.exposure.unit},
                             caption="Share of sensors of which each limit was the first to be passed, as seen "
                                     "(Turnbull "
                                     "by cause; limits passed between the same two checks are named together).")
