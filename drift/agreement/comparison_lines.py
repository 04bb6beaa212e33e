"""Comparison lines beside the limits of agreement: which straight line of one method the other is."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from drift.agreement.companion import Companion, Setting
from drift.agreement.line_fits import fit_line
from drift.agreement.line_found import LineFound
from drift.agreement.line_points import NoLineError, points_of
from drift.agreement.line_tables import empty_estimates, estimates_of, readings_of, tables_of
from drift.agreement.line_words import ALPHA, TITLES, findings_of, refused, sentence_of
from drift.errors import Finding
from drift.results import Estimate
from drift.simulated import Design
from drift.simulated.quoting import Asked

FAMILY = "comparison_lines"


def companion(setting: Setting) -> Companion | None:
    """Put the lines that the question names through the pairs of one group.

    Parameters
    ----------
    setting : Setting

    Returns
    -------
    Companion or None
        None where no line is asked for. Tables "comparison lines" (slope, intercept and predicted differences with the
        interval that is printed and the published one), "comparison line path" (25 readings of each line with its band)
        and "comparison line checks".

    Notes
    -----
    a is vertical, b horizontal, and the error ratio is the variance of the errors of a over that of b. Least squares
    of a on b is not among the lines: it takes b as free of error, and its slope is then too flat.
    """
    if not setting.question.lines:
        return None
    with np.errstate(all="ignore"):  # a line that cannot be told comes out as NaN, which is worded
        return _companion(setting)


def _companion(setting: Setting) -> Companion:
    wanted = list(setting.question.lines)
    points = points_of(setting.group, setting.structure, setting.pairing.target_name)
    made: list[LineFound] = []
    estimates: list[Estimate] = []
    findings: list[Finding] = []
    refusals: list[str] = []
    added = False
    while wanted:
        line = wanted.pop(0)
        try:
            x = fit_line(line, points, setting.question.error_ratio, level=setting.level,
                         target=setting.pairing.target_name, rng=setting.rng)
        except NoLineError as reason:
            if not (added and line == "weighted deming"):
                findings.append(refused(line, reason, setting))
                refusals.append(f"{findings[-1].message}.")
                estimates += empty_estimates(line, setting)
            continue
        if line == "deming" and x.spread_p < ALPHA and "weighted deming" not in setting.question.lines \
                and np.all(points.a > 0) and np.all(points.b > 0):
            wanted.insert(0, "weighted deming")
            added = True
        made.append(x)
    at = readings_of(setting)
    for x in made:
        estimates += estimates_of(x, setting)
        findings += findings_of(x, setting, beside=any(m.line == "weighted deming" for m in made))
    return Companion(
        estimates=tuple(estimates), findings=tuple(dict.fromkeys(findings)),
        tables=tables_of(made, setting) if made else (),
        sentences=(*(sentence_of(x, setting, at, x.at(at)) for x in made), *refusals),
        asked=tuple((FAMILY, a) for x in made for a in _asked(x, setting)))


def _asked(x: LineFound, setting: Setting) -> Iterator[Asked]:
    """Yield the printed intervals, the slope first."""
    n = len(x.points.a)
    of = ", ".join(v for k, v in setting.of.items() if k != "question")
    source = x.ratio.source if x.ratio is not None else ""
    if source == "not told":  # wider on purpose than what was simulated
        return
    m, kinds = n / x.points.units if len(x.points.codes) == 1 else 1.0, frozenset[str]()
    if source == "unlinked replicates" and x.points.group.readings is not None:
        m = (len(x.points.group.readings[0]) + len(x.points.group.readings[2])) / (2 * n)
        kinds = frozenset({"unlinked"})
    design = Design(n=float(x.points.units), m=m, k=n / x.points.units if len(x.points.codes) > 1 else None,
                    icc=x.reliability if x.reliability > 0 else None, kinds=kinds)
    tail = ", ratio from linked replicates" if source == "linked replicates" else ""
    for quantity, how in (("slope", x.ends["slope"].how), ("intercept", x.ends["intercept"].how),
                          ("predicted difference", x.values_how)):
        if how != "not computed":
            named = f"{TITLES[x.line]} {quantity}"
            yield Asked(quantity=named, named=named + tail, method=how, design=design, of=of)
