"""What is said about lives: the answer, and what stands in its way."""

from __future__ import annotations

import math

import numpy as np

from drift.errors import Finding
from drift.results import format_interval, join_words
from drift.retirement.life_analysis import FEW, LifeAnalysis
from drift.retirement.life_bounds import (
    all_known_to_last,
    exact_sentence,
    exact_share,
    given_sentence,
    given_shape,
    next_step,
)
from drift.retirement.life_tables import percent


def show(value: float) -> str:
    """Write a time with four significant digits, thousands apart."""
    if not math.isfinite(value):
        return "an unknown time"
    digits = 0 if abs(value) >= 1000 or value == round(value) else max(0, 3 - math.floor(math.log10(abs(value))))
    return f"{value:,.{digits}f}"


def answer_of(a: LifeAnalysis) -> str:
    """Say by when the asked share has failed, with its bound, or why that cannot be said."""
    n, per, r = len(a.lives), a.lives.per, a.failures
    seen = f"{r} of {n} {a.lives.what} failed"
    given = given_shape(a)
    if given is not None:
        free = _free_sentence(a)
        return f"{seen if r else f'None of {n} {a.lives.what} failed'}. {given_sentence(a, given, show)}{free}"
    if r == 0:
        t, new = all_known_to_last(a)
        least = exact_share(new, a.spec.confidence)
        lead = f"None of {n} {a.lives.what} failed, so no life can be estimated"
        if not new:
            return f"{lead}, and since none was watched from new nothing is known of how many last so long."
        every = "every one" if new == n else f"every one of the {new} watched from new"
        return (f"{lead}: with {percent(a.spec.confidence)} confidence at least {100 * least:.3g} % are still fit at "
                f"{show(t)} {per}, up to which {every} was followed.")
    w = a.best
    if not w.found:
        return f"{seen}, but no distribution can be fitted: {_why_not(a)}.{exact_sentence(a, show)}"
    value = float(w.fit.quantile(a.spec.share))
    ends = format_interval(value, *(e if math.isfinite(e) else math.nan for e in w.life)).split(" (", 1)
    between = f" ({ends[1]}" if len(ends) > 1 else ""
    few = " With so few failures the bound leans on the Weibull shape: see the fixed shapes." if r < FEW else ""
    return (f"{seen}. {percent(a.spec.share)} are expected to have failed by {ends[0]} {per}{between}; with "
            f"{percent(a.spec.confidence)} confidence at least {percent(1 - a.spec.share)} last {show(w.life_lower)} "
            f"{per} (Weibull).{few}")


def _free_sentence(a: LifeAnalysis) -> str:
    """Say beside a shape that was given what the lives say without it."""
    w, per = a.best, a.lives.per
    if w.found:
        value = float(w.fit.quantile(a.spec.share))
        return (f" With the shape left open: by {show(value)} {per}, and at least {percent(1 - a.spec.share)} last "
                f"{show(w.life_lower)} {per}.")
    return exact_sentence(a, show)


def _why_not(a: LifeAnalysis) -> str:
    x = a.lives
    if a.at_zero == a.failures:
        return "every failure was there before the first use"
    low, high = float(x.lower.max()), float(x.upper.min())
    if low <= high:
        when = f"at {show(low)}" if low == high else f"between {show(low)} and {show(high)}"
        return (f"one time explains every life (all failed {when} {x.per})"
                if math.isfinite(high) else "no failure was seen")
    if x.late.any():
        return ("of units that had lasted to a late entry the hazard may fall as one over the time, and then no shape "
                "above zero is best")
    return "earlier lives are as likely as later ones, so that no shape is best"


def findings_of(a: LifeAnalysis, question: str) -> list[Finding]:
    """Say what a reader must know: few failures, failures at zero, lives beyond the data, a check at one time only."""
    x, per, r = a.lives, a.lives.per, a.failures
    found: list[Finding] = []

    def say(severity: str, code: str, message: str, mend: str = "") -> None:
        found.append(Finding(severity=severity, code=code, message=message, mend=mend,  # type: ignore[arg-type]
                             question=question))

    if len(x) == 1:
        say("warning", "one-unit", "There is only one unit, so nothing is known of how lives differ",
            "Follow more units.")
    if r == 0:
        say("warning", "no-failure", f"None of {len(x)} {x.what} failed: a life cannot be estimated, only that it is "
            "longer than what was seen", "Follow them on, or take a shape from earlier studies (fixed shape)."
            if a.spec.shape is None else f"Follow them on; the bound leans on the shape of {a.spec.shape:g} that was "
            "given.")
    elif r < FEW and a.spec.shape is not None:
        say("warning", "few-failures", f"Only {r} {'failure was' if r == 1 else 'failures were'} seen; with fewer than "
            f"{FEW} the shape is hardly known, and the answer leans on the {a.spec.shape:g} that was given",
            "Say where that shape comes from, and see what one lower and one higher would give.")
    elif r < FEW:
        say("warning", "few-failures", f"Only {r} {'failure was' if r == 1 else 'failures were'} seen; with fewer than "
            f"{FEW} the shape is hardly known", "Read the lower bounds for shapes known from earlier studies in the "
            "table 'fixed shape', or follow the units on.")
    if a.at_zero:
        say("warning", "past-at-zero", f"{a.at_zero} of {len(x)} {x.what} {'was' if a.at_zero == 1 else 'were'} past "
            "the limit before any use; a distribution of lives has no place for them, so that they stand in the curve "
            "without a model only", "Find out why fresh ones fail, and look at the limit.")
    if r > 0 and not a.best.found:
        open_ = "" if given_shape(a) is None else " with the shape left open"
        say("warning", "no-life-distribution", f"No distribution can be fitted{open_}: {_why_not(a)}",
            next_step(a) or "Check oftener, so that failures fall into more than one interval." if r > 1 else
            "Follow the units on until more of them fail.")
    found += _about_entries(a, question)
    found += _about_fit(a, question)
    ends = x.lower[~x.failed]
    if r == 0 and len(ends) > 1 and float(np.ptp(ends)) == 0:
        say("note", "same-end", f"All {len(x)} {x.what} were taken out at {show(float(ends[0]))} {per}")
    return found


AT_RISK = 5  # fewest units at risk at which a step of the product limit says something


def _about_entries(a: LifeAnalysis, question: str) -> list[Finding]:
    """Say how units that entered late were taken in, and where the curve rests on hardly any unit."""
    x, per = a.lives, a.lives.per
    if not x.late.any() or x.entry is None:
        return []
    found = [Finding(severity="note", code="late-entries", question=question, message=(
        f"{int(x.late.sum())} of {len(x)} {x.what} entered late, at up to {show(float(x.entry.max()))} {per}. Each "
        "counts as one that had lasted to its entry: its likelihood is divided by the share still fit there, and it is "
        "at risk from there on, so that those which failed before they could enter do not bias the lives"),
        mend="Entries must have nothing to do with how soon a unit would fail.")]
    first = float(x.entry.min())
    if first > 0:
        found.append(Finding(severity="warning", code="none-from-new", question=question, message=(
            f"No unit was watched before {show(first)} {per}: what fails before that is not seen. The curve without a "
            "model is of units that last so long, and earlier lives are what the distribution makes of later ones"),
            mend="Watch some units from new."))
    limit = a.curve.limit
    if limit is None or not len(limit.time):
        return found
    thin = np.flatnonzero((limit.at_risk < AT_RISK) & (limit.time < float(x.entry.max())))
    if len(thin):
        t, n = float(limit.time[thin[0]]), int(limit.at_risk[thin[0]])
        ended = bool((limit.survival[thin] <= 0).any())
        found.append(Finding(severity="warning", code="few-at-risk", question=question, message=(
            f"At {show(t)} {per} only {n} {'unit was' if n == 1 else 'units were'} watched: the curve without a model "
            + ("falls to nothing there, though others entered later and lasted" if ended else
               "takes a large step there, which all of it after that carries on")),
            mend="Read the distribution, or watch more units from new."))
    return found


def _about_shape(a: LifeAnalysis, question: str) -> list[Finding]:
    """Warn where the shape that was given is not one that these lives allow."""
    given, (low, high) = given_shape(a), a.best.shape
    if given is None or not a.best.found or not (given.shape < low or given.shape > high):
        return []
    side = "flatter" if given.shape < low else "steeper"
    safe = ("for early lives a shape that is too small errs on the safe side as a rule" if given.shape < low else
            "the bound is then higher than these lives support")
    return [Finding(severity="warning", code="shape-does-not-fit", question=question, message=(
        f"The shape of {given.shape:g} that was given does not fit these lives: left open it is "
        f"{format_interval(float(a.best.fit.beta), low, high)} ({percent(a.spec.level)} interval). The distribution "
        f"that was given is {side} than they show; {safe}"),
        mend="Leave the shape open, or say why other lives should count more than these.")]


def _about_fit(a: LifeAnalysis, question: str) -> list[Finding]:
    w, x, per = a.best, a.lives, a.lives.per
    if not w.found:
        return []
    found = _about_shape(a, question)
    value = float(w.fit.quantile(a.spec.share))
    if value > a.last:
        found.append(Finding(severity="warning", code="life-beyond-data", question=question, message=(
            f"The life by which {percent(a.spec.share)} fail, {show(value)} {per}, lies beyond the last time anything "
            f"was seen ({show(a.last)} {per})"), mend="Read it as what the Weibull would make of longer use, and "
                                                      "follow "
            "the units on."))
    lognormal = a.families["lognormal"]
    if lognormal.found:
        other = float(lognormal.fit.quantile(a.spec.share))
        gap = float(w.fit.loglik - lognormal.fit.loglik)
        better = "Weibull" if gap > 0 else "lognormal"
        told = (f"the data hardly tell them apart (log-likelihoods {abs(gap):.2f} apart)" if abs(gap) < 2 else
                f"the {better} fits better (log-likelihoods {abs(gap):.1f} apart)")
        found.append(Finding(severity="note", code="life-family", question=question, message=(
            f"By a lognormal distribution {percent(a.spec.share)} fail by {show(other)} {per}, by the Weibull by "
            f"{show(value)} {per}; {told}")))
    if w.small is not None and w.small.shape_factor > 1.05:
        found.append(Finding(severity="note", code="shape-bias", question=question, message=(
            f"With {a.failures} failures the Weibull shape is too high by {100 * (w.small.shape_factor - 1):.0f}"
            f" % in the median; without that bias it would be {float(w.fit.beta) / w.small.shape_factor:.2f} instead "
            f"of "
            f"{float(w.fit.beta):.2f}")))
    if len(x.causes) > 1:
        at = int(max([*np.flatnonzero(a.curve.share < 1 - 1e-9), 0]))
        last = {c: float(a.curve.by_cause[j, at]) for j, c in enumerate(x.causes)}
        told = join_words([f"{100 * v:.0f} % {c}" for c, v in sorted(last.items(), key=lambda kv: -kv[1])])
        found.append(Finding(severity="note", code="causes", question=question, message=(
            f"By {show(float(a.curve.time[at]))} {per} {told}; the shares of one cause allow for the units that "
            f"another "
            "took first")))
    return found
