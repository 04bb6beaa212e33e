"""Estimates and result tables of a question about several methods."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from drift.agreement.several_bounds import Bounds
from drift.agreement.several_cells import Sets
from drift.agreement.several_errors import ErrorParts
from drift.agreement.several_found import Found
from drift.engine.mean_limits import MeanLimit
from drift.engine.method_means import SimultaneousTails
from drift.errors import MINUS
from drift.results import Estimate, ResultTable
from drift.study import AgreementQuestion

OTHERS, EVERYONE = "mean of the others", "mean of all"
AS_THEY_ARE, SAMPLED = "as they are", "as a sample"


@dataclass(frozen=True, kw_only=True, eq=False)
class Beside:
    """What stands beside the limits of one group: error variances (or why not), tests of equality, concordance."""

    found: Found
    errors: ErrorParts | None = None
    why: str = ""
    equality: tuple[tuple[str, float, str], ...] = ()
    overall: Estimate | None = None


def interval_words(b: Bounds, how: str) -> str:
    """Name the interval of a limit of one pair."""
    return f"{'exact noncentral t' if b.exact else 'MOVER'}, {how}"


PAIRS, METHODS = "all pairs", "methods"


def over(tails: SimultaneousTails | None, what: str) -> str:
    """Say over what intervals hold together, and how their level was found."""
    how = tails.how if tails is not None else ""
    return f"simultaneous over {what} ({'level from joint draws' if how == 'joint draws' else how})"


def pair_estimates(found: Found, level: float) -> list[Estimate]:
    """Bias, limits and SD of differences of every pair, intervals simultaneous over pairs."""
    made = []
    unit, together = found.cells.unit, over(found.pair_tails, PAIRS)
    for p, b in zip(found.pairs, found.pair_bounds, strict=True):
        of = {**found.of, "pair": f"{found.cells.methods[p.i]} {MINUS} {found.cells.methods[p.j]}"}
        if b is None:
            s = p.analysis.strata.mean if p.analysis is not None else math.nan
            why = "no spread, no interval" if p.state == "flat" else "not computed"
            made += [Estimate(name=name, value=s, unit=unit, of=of, n=len(p.group.a), method=why)
                     for name in ("bias", "lower limit", "upper limit")]
            continue
        t = f"{'t interval' if b.exact else 't interval, Satterthwaite degrees of freedom'}, {together}"
        made.append(Estimate(name="bias", value=b.bias, std_error=b.std_error, low=b.bias_ends[0], high=b.bias_ends[1],
                             level=level, unit=unit, of=of, n=b.n, method=f"mean difference, {t}"))
        made += [Estimate(name=name, value=v, low=ends[0], high=ends[1], level=level, unit=unit, of=of, n=b.n,
                          method=f"bias {sign} 1.96 SD, {interval_words(b, together)}")
                 for name, v, ends, sign in (("lower limit", b.low, b.low_ends, MINUS),
                                             ("upper limit", b.high, b.high_ends, "+"))]
    return made


def mean_estimates(found: Found, level: float) -> list[Estimate]:
    """Limits with the mean, and every method against the mean of the others."""
    unit, together = found.cells.unit, over(found.mean_tails, METHODS)
    made = [_limit(found, limit, kind, level) for limit, kind in
            ((found.mean_limit, AS_THEY_ARE), (found.sampled_limit, SAMPLED)) if limit is not None]
    for name, b in zip(found.cells.methods, found.others, strict=True):
        of = {**found.of, "method": name}
        made.append(Estimate(name="bias from the mean", value=b.bias, std_error=b.std_error, low=b.bias_ends[0],
                             high=b.bias_ends[1], level=level, unit=unit, of=of, n=b.n,
                             method=f"less the mean of the others, t interval, {together}"))
        made += [Estimate(name=f"{side} with the mean", value=v, low=ends[0], high=ends[1], level=level, unit=unit,
                          of=of, n=b.n, method=f"against the mean of the others, {interval_words(b, together)}")
                 for side, v, ends in (("lower limit", b.low, b.low_ends), ("upper limit", b.high, b.high_ends))]
    return made


def _limit(found: Found, limit: MeanLimit, kind: str, level: float) -> Estimate:
    return Estimate(name="limit of agreement with the mean", value=limit.limit, low=limit.low, high=limit.high,
                    level=level, unit=found.cells.unit, of={**found.of, "methods": kind}, n=found.structure.n_units,
                    method=f"half width, 1.96 x root mean square deviation from the mean of all; {limit.method}")


def error_estimates(beside: Beside, level: float) -> list[Estimate]:
    """Error SD of every method, the parts too where targets repeat."""
    found, errors = beside.found, beside.errors
    if errors is None:
        return []
    low, high, values = np.sqrt(errors.low), np.sqrt(errors.high), np.sqrt(errors.estimates)
    made = []
    for p, part in enumerate(errors.names):
        for j, name in enumerate(found.cells.methods):
            made.append(Estimate(
                name=f"error SD{f' {part}' if part else ''}", value=float(values[p, j]), low=float(low[p, j]),
                high=float(high[p, j]), level=level, unit=found.cells.unit, of={**found.of, "method": name}, n=errors.n,
                method=f"REML, a variance for every method; {errors.intervals[p]} interval"))
    return made


def _stack(parts: Sequence[tuple[Found, Mapping[str, Sequence[Any]]]], question: AgreementQuestion) -> dict[str, Any]:
    """Put columns of all groups below one another, with the ``by`` columns last."""
    names = list(parts[0][1])
    columns: dict[str, Any] = {n: [v for _, c in parts for v in c[n]] for n in names}
    for by in question.by:
        columns[by] = [str(f.of[by]) for f, c in parts for _ in c[names[0]]]
    return {n: np.array(v, dtype=object if v and isinstance(v[0], str) else float) for n, v in columns.items()}


def _table(name: str, found: Sequence[Found], make: Callable[[Found], Mapping[str, Sequence[Any]]],
           question: AgreementQuestion, *, caption: str, in_unit: Sequence[str] = (),
           unit: str | None = None) -> ResultTable | None:
    parts = [(f, make(f)) for f in found if not f.refusal]
    if not parts:
        return None
    columns = _stack(parts, question)
    return ResultTable.build(name, columns, caption=caption,
                             units={c: parts[0][0].cells.unit if unit is None else unit for c in in_unit
                                    if c in columns})


ENDS = ("bias", "bias, low", "bias, high", "lower limit", "lower limit, low", "lower limit, high", "upper limit",
        "upper limit, low", "upper limit, high")


def _bounds(b: Bounds | None, value: float = math.nan) -> list[float]:
    if b is None:
        return [value if name in ("bias", "lower limit", "upper limit") else math.nan for name in ENDS]
    return [b.bias, *b.bias_ends, b.low, *b.low_ends, b.high, *b.high_ends]


def _pairs(found: Found) -> dict[str, list[Any]]:
    rows: dict[str, list[Any]] = {"pair": pair_names(found)}
    values = [_bounds(b, p.analysis.strata.mean if p.analysis is not None else math.nan)
              for p, b in zip(found.pairs, found.pair_bounds, strict=True)]
    rows |= {name: [v[c] for v in values] for c, name in enumerate(ENDS)}
    if found.verdict is not None:
        rows["verdict"] = list(found.verdict.pairs)
    rows["pairs"] = [float(len(p.group.a)) for p in found.pairs]
    rows["structure"] = [p.structure.words or p.state for p in found.pairs]
    return rows


def pair_names(found: Found) -> list[str]:
    """Return "a - b" of every pair, with a true minus sign."""
    return [f"{found.cells.methods[p.i]} {MINUS} {found.cells.methods[p.j]}" for p in found.pairs]


def _alone(found: Found) -> dict[str, list[Any]]:
    rows: dict[str, list[Any]] = {"pair": pair_names(found)}
    values = [_bounds(b if b is None else replace(b, bias_ends=b.bias_alone, low_ends=b.low_alone,
                                                  high_ends=b.high_alone)) for b in found.pair_bounds]
    return rows | {name: [v[c] for v in values] for c, name in enumerate(ENDS)}


def _means(found: Found) -> dict[str, list[Any]]:
    rows: dict[str, list[Any]] = {name: [] for name in ("method", "against", *ENDS, "SD")}
    verdicts = []
    for against, bounds in ((OTHERS, found.others), (EVERYONE, found.everyone)):
        for j, (name, b) in enumerate(zip(found.cells.methods, bounds, strict=True)):
            for column, v in zip(rows, [name, against, *_bounds(b), b.sd], strict=True):
                rows[column].append(v)
            verdicts.append("" if found.verdict is None or against == EVERYONE else found.verdict.methods[j])
    if found.verdict is not None:
        rows["verdict"] = verdicts
    return rows


def _verdicts(found: Found) -> dict[str, list[Any]]:
    v = found.verdict
    assert v is not None
    alone = [b.outer_alone for b in v.bounds if b is not None]
    inner = [b.inner for b in v.bounds if b is not None]
    show = v.given.show
    counts = {w: float(v.pairs.count(w)) for w in ("interchangeable", "not interchangeable")}
    return {"verdict": [v.words], "harmless": [v.given.shown], "harmless in words": [v.given.words],
            "lowest outer": [show(min(o[0] for o in alone))], "highest outer": [show(max(o[1] for o in alone))],
            "lowest inner": [show(min(o[0] for o in inner))], "highest inner": [show(max(o[1] for o in inner))],
            **{f"pairs {w}": [n] for w, n in counts.items()}, "pairs not shown": [len(v.pairs) - sum(counts.values())],
            "further targets": [math.nan if v.further is None else float(v.further)]}


def _readings(found: Found) -> dict[str, list[Any]]:
    cells = found.cells
    i, j = np.nonzero(np.isfinite(cells.table))
    middle = np.nanmean(cells.table, axis=1)
    return {"target": list(cells.target[i]), "set": list(cells.key[i]), "method": [cells.methods[m] for m in j],
            "reading": list(cells.table[i, j]), "mean of all": list(middle[i]),
            "difference from the mean": list(cells.table[i, j] - middle[i]),
            "methods read": list(np.isfinite(cells.table).sum(axis=1)[i].astype(float)),
            "sensor": list(cells.sensor[i]) if cells.sensor is not None else [""] * len(i),
            "use": list(cells.use[i]) if cells.use is not None else [math.nan] * len(i)}


def result_tables(beside: Sequence[Beside], sets: Sets, question: AgreementQuestion, level: float
                  ) -> tuple[ResultTable, ...]:
    """Return all tables of the question."""
    found = [b.found for b in beside]
    shown = f"{100 * level:g} %"
    judged = [f for f in found if f.verdict is not None]
    made = [
        _table("verdict", judged, _verdicts, question, in_unit=("harmless", "lowest outer", "highest outer",
                                                                "lowest inner", "highest inner"),
               unit=judged[0].verdict.given.shown_unit if judged and judged[0].verdict else None,
               caption="Are all methods interchangeable? Outer one-sided 95 % bounds of the limits of every pair "
                       "decide; inner bounds hold for all pairs together") if judged else None,
        _table("pairwise limits", found, _pairs, question, in_unit=ENDS,
               caption=f"Limits of agreement of every pair: intervals that hold for all pairs together with "
                       f"{shown}"),
        _table("pairwise limits alone", found, _alone, question, in_unit=ENDS,
               caption=f"The same limits with {shown} intervals of each pair by itself, as two methods have them"),
        _table("limits with the mean", found, _means, question, in_unit=(*ENDS, "SD"),
               caption="Each method against the mean of the others, and against the mean of all (itself among them); "
                       f"intervals hold for all methods together with {shown}"),
        _variances(beside, question, level), _checks(beside, question),
        _table("readings by method", found, _readings, question, in_unit=("reading", "mean of all",
                                                                          "difference from the mean"),
               caption="Every reading that entered, and its difference from the mean of the methods that read that "
                       f"{'target (means of its readings)' if sets.constant else 'set'}")]
    return tuple(t for t in made if t is not None)


def _variances(beside: Sequence[Beside], question: AgreementQuestion, level: float) -> ResultTable | None:
    parts = [(b, e) for b in beside for e in error_estimates(b, level)]
    if not parts:
        return None
    columns: dict[str, Any] = {
        "method": [e.of["method"] for _, e in parts],
        "part": [e.name.removeprefix("error SD").strip() or "one reading" for _, e in parts],
        "error SD": np.array([e.value for _, e in parts]), "low": np.array([e.low for _, e in parts]),
        "high": np.array([e.high for _, e in parts]), "interval": [e.method for _, e in parts],
        **{c: [e.of[c] for _, e in parts] for c in question.by}}
    unit = beside[0].found.cells.unit
    return ResultTable.build("method variances", columns, units=dict.fromkeys(("error SD", "low", "high"), unit),
                             caption="Error SD of each method by itself, its own share of the differences")


def _checks(beside: Sequence[Beside], question: AgreementQuestion) -> ResultTable | None:
    rows = [(b, e) for b in beside for e in b.equality]
    if not rows:
        return None
    columns = {
        "check": [f"equal error variances{f', {part}' if part else ''}" for _, (part, _, _) in rows],
        "statistic": [how for _, (_, _, how) in rows], "p": np.array([p for _, (_, p, _) in rows]),
        "holds": ["not judged" if not math.isfinite(p) else "yes" if p >= 0.05 else "no" for _, (_, p, _) in rows],
        **{c: [b.found.of[c] for b, _ in rows] for c in question.by}}
    return ResultTable.build("checks", columns, caption="Do the methods err alike? Their limits may differ because "
                                                        "their errors do")
