"""Tables and estimates of comparison lines."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from drift.agreement.companion import Setting
from drift.agreement.line_found import LineFound
from drift.agreement.line_words import ALPHA, ENOUGH, WHERE, fit_words, number
from drift.errors import MINUS
from drift.results import Estimate, ResultTable

LINES, PATH, CHECKS = "comparison lines", "comparison line path", "comparison line checks"
POINTS = "comparison line points"
N_PATH = 25
QUANTITIES = ("slope", "intercept")


def readings_of(setting: Setting) -> np.ndarray:
    """Return the lowest, median and highest reading of b."""
    b = setting.group.b
    return np.array([float(np.min(b)), float(np.median(b)), float(np.max(b))])


def estimates_of(x: LineFound, setting: Setting) -> list[Estimate]:
    """Return slope, intercept, predicted differences, and the ratio of error variances where it was estimated."""
    a, b, unit = setting.question.a, setting.question.b, setting.group.unit
    of, level, n = {**setting.of, "line": x.line}, setting.level, x.points.units
    fit = fit_words(x, a, b)
    made = [Estimate(name=k, value=v, low=x.ends[k].low, high=x.ends[k].high, std_error=x.ends[k].std_error,
                     level=level if x.ends[k].how != "not computed" else math.nan, unit=u, of=of, n=n,
                     method=f"{fit}; {x.ends[k].how}")
            for k, v, u in (("slope", x.slope, ""), ("intercept", x.intercept, unit))]
    at = readings_of(setting)
    value, low, high = x.at(at)
    for j, where in enumerate(WHERE):
        made.append(Estimate(
            name="predicted difference", value=value[j] - at[j], low=low[j] - at[j], high=high[j] - at[j], unit=unit,
            level=level if x.values_how != "not computed" else math.nan, n=n, method=f"{fit}; {x.values_how}",
            of={**of, "at": where, "reading": f"{number(float(at[j]))} {unit}".rstrip()}))
    if x.ratio is not None and x.ratio.source in ("unlinked replicates", "linked replicates", "not told"):
        made.append(_ratio_estimate(x, setting, of))
    return made


def _ratio_estimate(x: LineFound, setting: Setting, of: dict[str, str]) -> Estimate:
    assert x.ratio is not None
    ratio, told = x.ratio, x.ratio.source != "not told"
    how = f"within-target variances of {setting.question.a} over {setting.question.b}, " + (
        ratio.source if told else "linked replicates")
    how += ("; exact F interval" if ratio.source == "unlinked replicates" else
            "; jackknife t interval of the logarithm" if told else "; the replicates do not tell it")
    low, high = ratio.interval(setting.level) if told else (math.nan, math.nan)
    return Estimate(name="ratio of error variances", value=ratio.value if told else math.nan, low=low, high=high, of=of,
                    n=x.points.units, level=setting.level if math.isfinite(low) else math.nan, method=how)


def empty_estimates(line: str, setting: Setting) -> list[Estimate]:
    """Return the estimates of a refused line, without values."""
    of = {**setting.of, "line": line}
    return [Estimate(name=k, value=math.nan, unit=u, of=of, n=setting.structure.n_units, method="not computed")
            for k, u in (("slope", ""), ("intercept", setting.group.unit))]


def tables_of(lines: Sequence[LineFound], setting: Setting) -> tuple[ResultTable, ...]:
    """Return the tables of all lines of one group; that of points where a line is put through means of pairs."""
    a, b, unit = setting.question.a, setting.question.b, setting.group.unit
    at = readings_of(setting)
    rows: list[tuple[str, str, float, float, float, float, str, str, str]] = []
    for x in lines:
        for k, v, u in (("slope", x.slope, ""), ("intercept", x.intercept, unit)):
            for which, ends in (("printed", x.ends[k]), ("as published", x.published.get(k))):
                if ends is None or (which == "as published" and ends.how == x.ends[k].how):
                    continue
                rows.append((x.line, k, math.nan, v, ends.low, ends.high, u, which, ends.how))
        value, low, high = x.at(at)
        rows += [(x.line, "predicted difference", float(at[j]), float(value[j] - at[j]), float(low[j] - at[j]),
                  float(high[j] - at[j]), unit, "printed", x.values_how) for j in range(len(at))]
    names = ("line", "quantity", "at", "value", "low", "high", "unit", "interval", "method")
    main = ResultTable.build(LINES, {n: [r[i] for r in rows] if isinstance(rows[0][i], str) else
                                     np.array([r[i] for r in rows]) for i, n in enumerate(names)}, units={"at": unit},
                             caption=f"Lines {a} = intercept + slope x {b}: slope 1 and intercept 0 are agreement; "
                                     f"predicted difference {a} {MINUS} {b} at readings of {b}")
    grid = np.linspace(at[0], at[-1], N_PATH)
    paths = [(x.line, *x.at(grid)) for x in lines]
    path = ResultTable.build(PATH, {
        "line": [p[0] for p in paths for _ in grid], "reading": np.tile(grid, len(paths)),
        **{k: np.concatenate([p[i] for p in paths]) for i, k in ((1, "fit"), (2, "low"), (3, "high"))}},
        units=dict.fromkeys(("reading", "fit", "low", "high"), unit),
        caption=f"Line of {a} at readings of {b}, with {100 * setting.level:g} % interval of the line")
    return (main, path, _checks(lines, b), *_points(lines, setting))


def _points(lines: Sequence[LineFound], setting: Setting) -> tuple[ResultTable, ...]:
    """Return the means that a line is put through, where they are not the pairs themselves."""
    on_means = [x for x in lines if len(x.points.a) < len(setting.group.a)]
    if not on_means:
        return ()
    unit = setting.group.unit
    columns = {"line": [x.line for x in on_means for _ in x.points.a],
               "key": [str(k) for x in on_means for k in x.points.keys],
               "a": np.concatenate([x.points.a for x in on_means]),
               "b": np.concatenate([x.points.b for x in on_means])}
    return (ResultTable.build(POINTS, columns, units={"a": unit, "b": unit},
                              caption=f"Points that a line is put through: {on_means[0].points.counted}"),)


def _checks(lines: Sequence[LineFound], b: str) -> ResultTable:
    rows: list[tuple[str, str, float, float, str, str]] = []
    for x in lines:
        if x.joint_p == x.joint_p:
            rows.append((x.line, "slope 1 and intercept 0 together", math.nan, x.joint_p, _holds(x.joint_p),
                         x.joint_how))
        if x.linearity[1] == x.linearity[1]:
            rows.append((x.line, "straight line", x.linearity[0], x.linearity[1], _holds(x.linearity[1]),
                         "cumulative sum of distances along the line, against random signs"))
        if x.spread_p == x.spread_p and x.line != "york":
            rows.append((x.line, "same distance all along", math.nan, x.spread_p, _holds(x.spread_p),
                         "rank correlation of distance and size"))
        if x.reliability == x.reliability:
            rows.append((x.line, "share of the variance that is not error", x.reliability, math.nan,
                         "yes" if x.reliability >= ENOUGH else "no", f"of {b}; below {ENOUGH:g} the range is narrow"))
        rows += [(x.line, name, value, math.nan, "", words) for name, value, words in x.notes]
    names = ("line", "check", "value", "p", "holds", "words")
    return ResultTable.build(CHECKS, {n: [r[i] for r in rows] if i not in (2, 3) else
                                      np.array([r[i] for r in rows], dtype=float) for i, n in enumerate(names)},
                             caption="Checks of the comparison lines")


def _holds(p: float) -> str:
    return "no" if p < ALPHA else "yes"
