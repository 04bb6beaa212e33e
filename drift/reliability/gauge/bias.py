"""Bias and linearity against reference values, in words, estimates and tables."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from drift.engine.bias_line import NOTHING, BiasStudy, LinesOfOperators, bias_study, lines_of_operators
from drift.engine.meansquares import Interval, chi_square_sd
from drift.errors import MINUS, Finding
from drift.reliability.gauge.rows import GaugeGroup
from drift.reliability.words import format_place, plural
from drift.results import Estimate, ResultTable, format_interval
from drift.study import GaugeQuestion

LACK = 0.05
Row = Mapping[str, object]
SIZED = ("reference", "bias", "bias low", "bias high", "bias at 0", "bias at 0 low", "bias at 0 high", "residual SD")
CAPTIONS = {"bias": "Bias of each part against its reference",
            "linearity": "Straight line of bias on reference: through all readings, taken as independent; through part "
                         "means; and, with several operators, the mean of each one's own line"}


@dataclass(frozen=True, kw_only=True, eq=False)
class BiasFound:
    """What the references add to a gauge study; empty where no reference is known."""

    sentence: str = ""
    estimates: tuple[Estimate, ...] = ()
    rows: tuple[Row, ...] = ()
    lines: tuple[Row, ...] = ()
    findings: tuple[Finding, ...] = ()


def bias_of(group: GaugeGroup, question: GaugeQuestion, *, level: float) -> BiasFound:
    """Estimate bias and linearity of one group."""
    if group.references is None:
        return BiasFound()
    place, part = format_place(group.labels), question.part
    said: list[Finding] = []

    def say(severity: str, code: str, message: str, mend: str) -> None:
        said.append(Finding(severity=severity, code=code, message=place + message, mend=mend,  # type: ignore[arg-type]
                            question=question.name, column=question.reference))

    if group.unit and group.reference_unit and group.unit != group.reference_unit:
        say("warning", "units-differ", f"readings are in {group.unit} and references in {group.reference_unit}: their "
            "difference is no bias", "Put both in one unit")
        return BiasFound(findings=tuple(said))
    known = np.isfinite(group.references)
    lost = [n for i, n in enumerate(group.part_names) if not known[group.parts == i].all()]
    if lost:
        say("warning", "no-reference", f"{len(lost)} {part if len(lost) == 1 else plural(part)} without a reference "
            f"value take no part in bias and linearity: {', '.join(lost[:6])}", "Fill in the reference where it is "
            "known")
    if not known.any():
        return BiasFound(findings=tuple(said))
    names, codes = np.unique(group.parts[known], return_inverse=True)
    y, x, operators = group.values[known], group.references[known], group.operators[known]
    study = bias_study(y, codes, x, level=level)
    own = lines_of_operators(y, operators, x, level=level) if len(group.operator_names) > 1 else None
    labels = [group.part_names[i] for i in names]
    _about_the_line(study, labels, part, say)
    lines = _line_rows(study, own, group.labels, level)
    estimates = (*_line_estimates(lines, group, question, level),
                 *_part_estimates(study, own, labels, group, question, level))
    return BiasFound(sentence=_sentence(study, lines, estimates[-1 - len(labels)]), estimates=estimates, lines=lines,
                     rows=_part_rows(study, labels, group.labels, part), findings=tuple(said))


def _about_the_line(study: BiasStudy, labels: Sequence[str], part: str, say: object) -> None:
    """Say where a line cannot be judged, or does not fit."""
    assert callable(say)
    many = len(np.unique(study.references))
    if study.line is None or len(labels) < 3:
        say("note", "no-line", f"bias is known at {many} reference value{'s' if many > 1 else ''} of {len(labels)} "
            f"{plural(part)}: whether it grows along the range cannot be judged",
            f"Take five or more {plural(part)} over the whole range")
    if _bent(study):
        p = "p < 0.001" if study.p_lack < 0.001 else f"p = {study.p_lack:.3f}"
        say("warning", "not-a-line", f"bias does not follow a straight line of the reference (lack of fit: F "
            f"{study.f_lack:.1f}, {p}): intervals of the line through readings are then too short; those through "
            f"{part} means hold", "Correct by a table of bias along the range, or look for the part whose reference "
            "is wrong")


def _bent(study: BiasStudy) -> bool:
    return math.isfinite(study.p_lack) and study.p_lack < LACK


def _line_rows(study: BiasStudy, own: LinesOfOperators | None, labels: Mapping[str, str],
               level: float) -> tuple[Row, ...]:
    rows: list[Row] = []
    for name, line in (("readings", study.line), ("part means", study.over_parts)):
        if line is None:
            continue
        mine = name == "readings"
        rows.append({**labels, "through": name, **_ends("slope", line.slope, line.ends("slope", level),
                                                        line.slope_error),
                     **_ends("bias at 0", line.intercept, line.ends("intercept", level), line.intercept_error),
                     "residual SD": line.s, "R squared": line.r_squared, "df": float(line.df),
                     "lack of fit F": study.f_lack if mine else math.nan,
                     "lack of fit p": study.p_lack if mine else math.nan})
    if own is not None:
        rows.append({**labels, "through": "operators' own lines",
                     **_ends("slope", own.slope, own.slope_ends, own.slope_error),
                     **_ends("bias at 0", own.intercept, own.intercept_ends, own.intercept_error),
                     "residual SD": math.nan,
                     "R squared": math.nan, "df": float(own.df), "lack of fit F": math.nan, "lack of fit p": math.nan})
    return tuple(rows)


def _ends(name: str, value: float, ends: Interval, error: float) -> dict[str, object]:
    return {name: value, f"{name} low": ends[0], f"{name} high": ends[1],
            f"t of {name}": value / error if error > 0 else math.nan}


def _line_estimates(lines: Sequence[Row], group: GaugeGroup, question: GaugeQuestion, level: float) -> list[Estimate]:
    out = []
    for row in lines:
        through, df = str(row["through"]), float(row["df"])  # type: ignore[arg-type]
        of = {"question": question.name, **group.labels, "through": through}
        how = (f"mean of {df + 1:.0f} operators' own lines, t interval over operators" if "own" in through else
               f"least squares through {through}, t interval, {df:.0f} degrees of freedom")
        for name, column, unit in (("linearity, slope of bias on reference", "slope", ""),
                                   ("linearity, bias at reference 0", "bias at 0", group.unit)):
            out.append(_estimate(name, row[column], (row[f"{column} low"], row[f"{column} high"]), how, unit, of,
                                 level))
        s = float(row["residual SD"])  # type: ignore[arg-type]
        if math.isfinite(s):
            ends = chi_square_sd(s**2, df, level) if s > 0 else NOTHING
            out.append(_estimate("linearity, residual SD", s, ends, f"least squares through {through}, exact "
                                 f"chi-square interval, {df:.0f} degrees of freedom", group.unit, of, level))
    return out


def _part_estimates(study: BiasStudy, own: LinesOfOperators | None, labels: Sequence[str], group: GaugeGroup,
                    question: GaugeQuestion, level: float) -> list[Estimate]:
    of, unit = {"question": question.name, **group.labels}, group.unit
    several = len(group.operator_names) > 1
    if own is not None:
        out = [_estimate("mean bias", own.mean, own.mean_ends, "mean over operators, t interval over operators", unit,
                         of,
                         level, own.df + 1)]
    else:
        how = f"mean over parts, t interval over {'parts' if len(labels) > 1 else 'readings'}"
        out = [_estimate("mean bias", study.mean, study.mean_ends, how + (", these operators" if several else ""), unit,
                         of, level, len(labels))]
    for label, b, low, high in zip(labels, study.biases, study.lows, study.highs, strict=True):
        how = "t interval of its readings" if math.isfinite(low) else "no interval from one reading"
        out.append(_estimate("bias", b, (low, high), "mean less reference, "
                             f"{how}{', these operators' if several else ''}",
                             unit, {**of, "part": label}, level))
    return out


def _estimate(name: str, value: object, ends: tuple[object, object], method: str, unit: str, of: Mapping[str, str],
              level: float, n: int | None = None) -> Estimate:
    low, high = (float(e) for e in ends)  # type: ignore[arg-type]
    return Estimate(name=name, value=float(value), low=low, high=high, unit=unit, n=n, of=of,  # type: ignore[arg-type]
                    level=level if math.isfinite(low) else math.nan, method=method)


def _part_rows(study: BiasStudy, labels: Sequence[str], group: Mapping[str, str], part: str) -> tuple[Row, ...]:
    columns = zip(labels, study.references, study.counts, study.biases, study.lows, study.highs, strict=True)
    return tuple({**group, part: n, "reference": float(x), "readings": float(c), "bias": float(b),
                  "bias low": float(low), "bias high": float(high)} for n, x, c, b, low, high in columns)


def _sentence(study: BiasStudy, lines: Sequence[Row], mean: Estimate) -> str:
    """Tell bias along the range by the line with the honest interval: over operators, parts, else readings."""
    if not lines:
        return f" Bias is {format_interval(mean.value, mean.low, mean.high)} {mean.unit}".rstrip() + "."
    at = {str(r["through"]): r for r in lines}
    row = at.get("operators' own lines") or (at.get("part means") if _bent(study) else None) or lines[0]
    slope, low, high, zero = (float(row[c]) for c in ("slope", "slope low", "slope high",  # type: ignore[arg-type]
                                                      "bias at 0"))
    changes = "changes" if low > 0 or high < 0 else "does not clearly change"
    ends = sorted({float(study.references.min()), float(study.references.max())})
    told = " and ".join(f"{zero + slope * v:.3g} at {v:.4g}".replace("-", MINUS) for v in ends)
    return (f" Bias {changes} along the range: slope {format_interval(slope, low, high, least=2)} per unit of "
            f"reference, bias {told}.")


def bias_tables(rows: Sequence[Row], lines: Sequence[Row], unit: str) -> list[ResultTable]:
    """Return the tables "bias" (a row a part) and "linearity" (a row a line), those with rows."""
    made = []
    for name, found in (("bias", rows), ("linearity", lines)):
        if not found:
            continue
        kinds = {k: np.float64 if isinstance(v, float) else object for k, v in found[0].items()}
        columns = {k: np.array([r[k] for r in found], dtype=kind) for k, kind in kinds.items()}
        made.append(ResultTable.build(name, columns, units={k: unit for k in SIZED if k in columns},
                                      caption=CAPTIONS[name]))
    return made
