"""The sentences and findings of comparison lines."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from drift.agreement.companion import Setting
from drift.agreement.line_found import Ends, LineFound
from drift.agreement.line_points import PLAUSIBLE, NoLineError, Ratio
from drift.errors import MINUS, Finding
from drift.results import format_interval, join_words

ALPHA = 0.05
ENOUGH = 0.8  # share of the variance of b that must not be error for a slope to be told well
MOST_NAMED = 5
TITLES = {"deming": "Deming", "weighted deming": "Weighted Deming", "passing-bablok": "Passing-Bablok", "york": "York"}
ALLOW = "which each allow agreement"
WHERE = ("lowest reading", "median reading", "highest reading")


def number(value: float) -> str:
    """Print with four significant digits and a true minus sign."""
    text = f"{value:.4g}"
    return (text if "e" not in text else f"{value:.4g}").replace("-", MINUS)


def p_words(p: float) -> str:
    """Print a probability."""
    return f"p = {p:.3f}" if p >= 0.001 else "p < 0.001"


def ratio_words(ratio: Ratio, a: str, b: str) -> str:
    """Return the ratio in both directions, as programs quote either."""
    if ratio.source == "not told":
        return f"ratio of error variances {a} / {b} = 1 in place of one that the replicates do not tell"
    said = {"assumed": "assumed", "declared": "declared"}.get(ratio.source, f"from {ratio.source}")
    return (f"ratio of error variances {a} / {b} = {number(ratio.value)} ({b} / {a} = {number(1 / ratio.value)}), "
            f"{said}")


def fit_words(x: LineFound, a: str, b: str) -> str:
    """Return what was fitted, for the method of an estimate."""
    means = f" on {x.points.counted}" if x.points.counted.startswith("the means") else ""
    return f"{x.fit}{means}" + (f", {ratio_words(x.ratio, a, b)}" if x.ratio is not None else "")


def told(ends: Ends, value: float) -> str:
    """Value with its interval."""
    return format_interval(value, ends.low, ends.high)


def differs(ends: Ends, from_value: float) -> bool:
    """Tell whether an interval leaves a value out."""
    return ends.low > from_value or ends.high < from_value


def sentence_of(x: LineFound, setting: Setting, at: np.ndarray, values: tuple[np.ndarray, np.ndarray, np.ndarray]
                ) -> str:
    """Say the line, which differences it shows, and what it predicts at three readings."""
    a, b = setting.question.a, setting.question.b
    unit = f" {setting.group.unit}".rstrip()
    slope, intercept = x.ends["slope"], x.ends["intercept"]
    sign = "+" if x.intercept >= 0 else MINUS
    line = f"{a} = {number(x.slope)} \N{MULTIPLICATION SIGN} {b} {sign} {number(abs(x.intercept))}{unit}"
    parts = [f"slope {told(slope, x.slope)}", f"intercept {told(intercept, x.intercept)}{unit}"]
    if math.isnan(slope.low) and math.isnan(slope.high):
        verdict = "without an interval"
    elif differs(slope, 1) and differs(intercept, 0):
        verdict = "so that both a proportional and a constant difference are shown"
    elif differs(slope, 1):
        verdict = "so that a proportional difference is shown and a constant one is not"
    elif differs(intercept, 0):
        verdict = "so that a constant difference is shown and a proportional one is not"
    elif x.joint_p < ALPHA:
        verdict = f"which each allow agreement and together rule it out ({p_words(x.joint_p)})"
    elif np.any((values[1] > at) | (values[2] < at)):
        verdict = ALLOW
    else:
        verdict = "so that neither a proportional nor a constant difference is shown"
    fit, low, high = (v - at for v in values)
    shown = [f"{format_interval(float(f), float(lo), float(hi))}{unit} at {number(float(r))}{unit}"
             for f, lo, hi, r in zip(fit, low, high, at, strict=True)]
    text = (f"{TITLES[x.line]} line: {line}; {join_words(parts)}, {verdict}. It puts {a} {MINUS} {b} at "
            f"{join_words(shown)} of {b}")
    if verdict == ALLOW:
        seen = [f"{number(float(r))}{unit}" for lo, hi, r in zip(low, high, at, strict=True) if lo > 0 or hi < 0]
        text += f"; at {join_words(seen)} a difference is thus shown"
    return f"{text}{_against_harmless(setting, low, high, but=verdict == ALLOW)}.{_untold(x)}"


def _untold(x: LineFound) -> str:
    if x.ratio is None or x.ratio.source != "not told":
        return ""
    return (f" The replicates do not tell the ratio of error variances: the line takes 1, and its intervals hold for "
            f"every ratio from {PLAUSIBLE[0]:g} to {PLAUSIBLE[-1]:g}.")


def _against_harmless(setting: Setting, low: np.ndarray, high: np.ndarray, *, but: bool) -> str:
    h = setting.harmless
    if h is None or not np.all(np.isfinite(low) & np.isfinite(high)):
        return ""
    within = f"{h:g} {setting.group.unit}".strip()
    if np.all((low >= -h) & (high <= h)):
        return f",{' but' if but else ''} within the harmless {within} at all three"
    beyond = [w for w, lo, hi in zip(WHERE, low, high, strict=True) if lo > h or hi < -h]
    if beyond:
        return f", beyond the harmless {within} at the {join_words(beyond)}"
    return f"; that it stays within the harmless {within} is not shown"


def refused(line: str, reason: NoLineError, setting: Setting) -> Finding:
    """Say why there is no line."""
    words = (str(reason).replace("a does not rise with b", f"{setting.question.a} does not rise with "
                                                          f"{setting.question.b}")
             .replace("read twice by a ", f"read twice by {setting.question.a} ")
             .replace("read twice by b ", f"read twice by {setting.question.b} "))
    for side in ("a", "b"):
        words = words.replace(f"{side} reads the same", f"{getattr(setting.question, side)} reads the same")
    return Finding(severity="warning", code="line-refused", question=setting.question.name, mend=reason.mend,
                   message=f"No {TITLES[line]} line can be given{setting.label}: {words}")


def _why_untold(ratio: Ratio) -> str:
    if not ratio.estimate > 0:
        return "they leave no error variance above zero for both methods"
    assert ratio.left_out is not None
    left = ratio.left_out[0]
    there = left[np.isfinite(left)]
    some = ", or none at all" if len(there) < len(left) else ""
    return (f"it comes out as {number(ratio.estimate)}, and without one or another as "
            f"{number(float(there.min()))} to {number(float(there.max()))}{some}" if len(there) else
            f"it comes out as {number(ratio.estimate)}, and without any of them as none")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def findings_of(x: LineFound, setting: Setting, *, beside: bool) -> Iterator[Finding]:
    """Yield what must be known to read a line.

    Parameters
    ----------
    beside : bool
        Whether a weighted line stands beside, because the distances grow along this one.
    """
    a, b, title = setting.question.a, setting.question.b, TITLES[x.line]

    def say(severity: str, code: str, message: str, mend: str = "") -> Finding:
        return Finding(severity=severity, code=code, question=setting.question.name, mend=mend,  # type: ignore[arg-type]
                       message=message + setting.label)

    if x.ratio is not None and x.ratio.source == "assumed" and x.line == "deming":
        yield say("note", "error-ratio", f"The Deming line takes the errors of {a} and {b} as equally large, because "
                  "nothing was said of them", f"Say error_ratio (variance of the errors of {a} over that of {b}), "
                  "or \"replicates\" where targets were read more than once.")
    if x.line == "passing-bablok" and x.values_how == "not computed":
        yield say("warning", "line-without-interval", f"{_capital(join_words(x.points.factors))} repeat"
                  f"{'s' if len(x.points.factors) == 1 else ' both'}, and Passing-Bablok has no interval for that, so "
                  "its line stands without one", "Take deming, whose interval leaves out what repeats in turn.")
        return
    if x.ratio is not None and x.ratio.source == "not told":
        yield say("warning", "ratio-not-told", f"The ratio of error variances {a} / {b} cannot be told from the "
                  f"repeated pairs of a target: {_why_untold(x.ratio)}; the {title} line takes 1, and its "
                  f"intervals are as wide as those at every ratio from {PLAUSIBLE[0]:g} to {PLAUSIBLE[-1]:g} together",
                  "Give the ratio as a number in error_ratio, or repeat pairs whose true value stays where it is.")
    if x.points.held:
        yield say("warning", "line-holds-for-these", f"With only {x.points.held} the comparison lines and their "
                  "intervals are about those alone, and do not say what others would do", "Add more levels; five or "
                  "more are left out in turn.")
    if x.slope < 0:
        yield say("warning", "falling-line", f"By the {title} line {a} falls as {b} rises, so the two do not measure "
                  "the same on one scale", "Look at the plot and at which readings were paired.")
    unbounded = any(math.isnan(v) for v in (x.ends["slope"].low, x.ends["slope"].high))
    if unbounded or x.reliability < ENOUGH:
        share = f"{100 * (1 - x.reliability):.0f} % of their variance is error" if x.reliability < ENOUGH else \
            "they differ little against their errors"
        yield say("warning", "narrow-range", f"The readings of {b} span too narrow a range for the {title} line to be "
                  f"told well: {share}" + (", and the interval of the slope has no end" if unbounded else ""),
                  "Add targets far smaller and far larger.")
    # A line of equal errors through errors that grow misses the small readings; the weighted one has its own check.
    if x.linearity[1] < ALPHA and not (x.line == "deming" and beside and x.spread_p < ALPHA):
        yield say("warning", "line-not-straight", f"The points do not follow the {title} line: those above and below "
                  f"it come in runs (cumulative sum along it, {p_words(x.linearity[1])})",
                  "Look at the plot, and compare over a narrower range with where.")
    if x.line == "deming" and x.spread_p < ALPHA:
        yield say("warning", "spread-along-line", "The distances from the Deming line change with the size of the "
                  f"reading (rank correlation, {p_words(x.spread_p)}), and its interval, which takes errors of one "
                  "size for granted, can then be far too short",
                  "Read the weighted Deming line beside it." if beside else "Look at the plot.")
    yield from _of_york(x, say)
    named = list(_outliers(x))
    for key, away in named[:MOST_NAMED]:
        yield say("note", "line-outlier", f"{key} lies {abs(away):.1f} SDs {'above' if away > 0 else 'below'} the "
                  f"{title} line; it was kept", "Look at how it was measured.")
    if len(named) > MOST_NAMED:
        yield say("note", "line-outlier", f"{len(named) - MOST_NAMED} further points stand off the {title} line; all "
                  "were kept", "Look at the plot.")
    if np.all(np.abs(x.points.a - x.intercept - x.slope * x.points.b) <= 1e-9 * np.max(np.abs(x.points.a))):
        yield say("warning", "on-the-line", f"All points lie on the {title} line, as if {a} were computed from {b}",
                  "Look whether one column was computed from the other.")


def _of_york(x: LineFound, say: object) -> Iterator[Finding]:
    from scipy.special import chdtrc

    if x.line != "york":
        return
    reduced, df = x.notes[0][1], len(x.points.a) - 2
    p = float(chdtrc(df, reduced * df))
    if p < ALPHA:
        yield say("warning", "more-scatter-than-stated",  # type: ignore[operator]
                  f"The points scatter more about the York line than the stated uncertainties allow: S / (n {MINUS} 2) "
                  f"is {number(reduced)}; standard errors are scaled by its root",
                  "Look for a cause that reading_sd does not hold, such as what differs between targets.")
    elif p > 1 - ALPHA:
        yield say("note", "less-scatter-than-stated",  # type: ignore[operator]
                  f"The points scatter less about the York line than the stated uncertainties let expect: S / (n "
                  f"{MINUS} 2) is {number(reduced)}", "See whether reading_sd is that of one reading.")


def _outliers(x: LineFound) -> Iterator[tuple[str, float]]:
    """Yield the points beyond Student's t at 5 % over all points, the farthest first."""
    from scipy.special import stdtrit

    n = len(x.across)
    if n < 8:
        return
    # A median absolute deviation tells a spread as well as an SD from 37 % of the points does.
    df = max(0.37 * (n - 2), 3.0) if x.line == "passing-bablok" else n - 2.0
    limit = float(stdtrit(df, 1 - ALPHA / (2 * n)))
    for j in np.argsort(-np.abs(x.across), kind="stable"):
        if abs(x.across[j]) <= limit:
            return
        yield str(x.points.keys[j]), float(x.across[j])
