"""Fillers about limits of agreement."""

from __future__ import annotations

import math

import numpy as np

from drift.items import data_tests as test
from drift.items.evidence import Evidence, findings_of, of_name, plural, said, table_of
from drift.items.filled import Filled, filled, needs_you, not_applicable
from drift.items.metadata import key
from drift.lock.words import PLACES, named
from drift.results import Result, format_interval, join_words
from drift.study import AgreementQuestion
from drift.study.reporting import read_range
from drift.units import UnitError, convert

NONE = "the study compares no methods"
_SIDES = ("lower limit", "upper limit", "limit of agreement with the mean")


def limits_in_advance(e: Evidence) -> Filled:
    """Say what would be good enough, and whether that was said before the data."""
    if not e.agreement:
        return not_applicable(NONE)
    open_keys, told = [], []
    for q, _ in e.agreement:
        if q.harmless is None:
            open_keys.append(f"[[agreement]] {q.name}: harmless")
            continue
        size = q.harmless if isinstance(q.harmless, str) else f"{q.harmless:g} {e.unit(e.rows(q.where))}".rstrip()
        told.append(f"{q.name}: differences up to {size} were declared harmless, {when_fixed(e, q)}")
    if open_keys:
        return needs_you(*open_keys, known=told)
    return filled(*told, source="data and study.toml")


def when_fixed(e: Evidence, q: AgreementQuestion) -> str:
    """Say when the harmless difference of a question was fixed against the data."""
    name = f"[[agreement]] {q.name}: harmless"
    entry = e.lock.since.get(name)
    if entry is None:
        return "but no lock shows that this was before the data"
    return f"fixed {PLACES[e.lock.place(name, entry)]} ({named(entry, people=e.people)})"


def structure(e: Evidence) -> Filled:
    """Describe the data of each question."""
    if not e.agreement:
        return not_applicable(NONE)
    return filled(*(f"{q.name}: {_structure(q, part)}" for q, part in e.agreement))


def _structure(q: AgreementQuestion, part: Result) -> str:
    found = findings_of(part, "structure")
    pairs = f"pairs by {join_words(q.pair_by)}" if q.pair_by else "readings not linked"
    if found and q.recalculate is not None:
        return found[0].message
    return f"{found[0].message} ({pairs})" if found else f"{pairs}; {plural('row', _used(part))} used"


def _used(part: Result) -> int:
    return sum(a.used for a in part.provenance.accounts)


def own_repeatability(e: Evidence) -> Filled:
    """Estimate how well each method repeats itself, from its own replicates."""
    if not e.agreement:
        return not_applicable(NONE)
    told = []
    for q, _ in e.agreement:
        if q.recalculate is not None:
            told.append(f"{q.name}: not asked: one raw reading passes through both calibrations, and its noise cancels")
            continue
        found = [f"{m} {t}" for m in methods_of(e, q) if (t := _repeatability(e, q, m))]
        told.append(f"{q.name}: SD of repeats of one method under unchanged conditions: {join_words(found)}; 2.77 "
                    "times that is the repeatability coefficient" if found else f"{q.name}: no method was repeated "
                    "under unchanged conditions, so that its own repeatability is not known")
    return filled(*told)


def methods_of(e: Evidence, q: AgreementQuestion) -> list[str]:
    """Return the methods a question compares."""
    if q.a and q.b:
        return [q.a, q.b]
    if isinstance(q.methods, tuple) and q.methods:
        return list(q.methods)
    rows = e.rows(q.where)
    if e.trials is None or q.compare not in e.trials:
        return []
    return sorted({str(v) for v in e.words(q.compare)[rows] if v is not None})


def _repeatability(e: Evidence, q: AgreementQuestion, method: str) -> str:
    trials, rows = e.trials, e.rows(q.where)
    above = [c for c in q.pair_by if c != "replicate"]
    if trials is None or q.compare not in trials or not above or any(c not in trials for c in above):
        return ""
    rows = rows & (e.words(q.compare).astype(str) == method)
    if not rows.any():
        return ""
    cells = test.cells_of([e.words(c)[rows] for c in (*above, *q.by)])
    found = test.within_sd(trials["reading"][rows], cells)
    if found is None:
        return ""
    sd, low, high, df = found
    return f"{format_interval(sd, low, high)} {e.unit(rows)} ({df} degrees of freedom)"


def assumptions(e: Evidence) -> Filled:
    """Say what was looked at and what was found."""
    if not e.agreement:
        return not_applicable(NONE)
    told = []
    for q, part in e.agreement:
        checks = table_of(part, "checks")
        if checks is None or not len(checks):
            told.append(f"{q.name}: {_as_found(q)}")
            continue
        words = checks["words"] if "words" in {c.name for c in checks.columns} else [
            {"yes": "holds", "no": "does not hold"}.get(str(h), str(h)) for h in checks[checks.columns[-1].name]]
        seen = [f"{c} ({w})" for c, w in zip(checks["check"], words, strict=True)]
        told.append(f"{q.name}: {join_words(list(dict.fromkeys(seen))[:8])}")
    return filled(*told)


def transformation(e: Evidence) -> Filled:
    """Say whether other limits than plain ones were proposed."""
    if not e.agreement:
        return not_applicable(NONE)
    told = []
    for q, part in e.agreement:
        proposed = table_of(part, "limits, plain and proposed")
        if proposed is not None and len(proposed):
            told.append(f"{q.name}: differences or spread depend on size, and limits of another form are given beside "
                        "the plain ones")
        elif _checked(part):
            told.append(f"{q.name}: no transformation was needed by the checks of trend and spread")
        else:
            told.append(f"{q.name}: {_as_found(q)}")
    return filled(*told, source="draft")


def _checked(part: Result) -> bool:
    checks = table_of(part, "checks")
    return checks is not None and len(checks) > 0


def _as_found(q: AgreementQuestion) -> str:
    """Say why nothing was checked."""
    if q.recalculate is not None:
        return "one raw reading passes through both calibrations, and limits are given at several pressures instead"
    return "too little to check it on"


def bias_shown(e: Evidence) -> Filled:
    """Print the bias."""
    return _printed(e, ("bias", "bias from the mean"), "drawn as a line in the figure of differences")


def bias_uncertainty(e: Evidence) -> Filled:
    """Print the SD of differences."""
    return _printed(e, ("SD of differences", "bias"), "")


def limits_shown(e: Evidence) -> Filled:
    """Print both limits."""
    return _printed(e, _SIDES, "drawn as lines in the figure of differences")


def limits_uncertainty(e: Evidence) -> Filled:
    """Print the intervals of the limits."""
    if not e.agreement:
        return not_applicable(NONE)
    told = []
    for q, part in e.agreement:
        sides = [x for x in of_name(part, *_SIDES) if math.isfinite(x.value)]
        known = [x for x in sides if math.isfinite(x.low) and math.isfinite(x.high)]
        method = known[0].method if known else ""
        told.append(f"{q.name}: {said(known, most=4)}; {method}" if known else
                    f"{q.name}: no interval of a limit could be given")
    return filled(*told)


def _printed(e: Evidence, names: tuple[str, ...], drawn: str) -> Filled:
    if not e.agreement:
        return not_applicable(NONE)
    told = []
    for q, part in e.agreement:
        found = [x for x in of_name(part, *names) if math.isfinite(x.value)]
        by_name = {n: [x for x in found if x.name == n] for n in names}
        listed = "; ".join(said(v, most=4) for v in by_name.values() if v)
        other = "stands in the tables by pressure or pair" if part.estimates else "could not be estimated"
        told.append(f"{q.name}: {listed or other}{f', {drawn}' if drawn and found else ''}")
    return filled(*told)


def distribution(e: Evidence) -> Filled:
    """Name the distribution the limits stand on, and whether the data depart from it."""
    if not e.agreement:
        return not_applicable(NONE)
    told = []
    for q, part in e.agreement:
        away = findings_of(part, "not-normal")
        if not away and not _checked(part):
            told.append(f"{q.name}: normal; {_as_found(q)}")
            continue
        seen = (f"a departure is seen: {away[0].message[0].lower()}{away[0].message[1:]}; limits by quantiles, which "
                "assume no distribution, stand in the table of limits" if away else "no departure seen")
        told.append(f"{q.name}: normal, {seen}")
    return filled(*told)


def axis(e: Evidence) -> Filled:
    """Say what the differences are drawn against, and why."""
    if not e.agreement:
        return not_applicable(NONE)
    told = []
    for q, _ in e.agreement:
        if q.recalculate is not None:
            told.append(f"{q.name}: against the pressure, since the same raw readings pass through both calibrations")
        else:
            told.append(f"{q.name}: against the mean of the readings compared, since each has errors of its own")
    return filled(*told)


def range_spanned(e: Evidence) -> Filled:
    """Set the readings against the range that matters in practice."""
    if not e.agreement:
        return not_applicable(NONE)
    wanted = read_range(e.told.range_of_use) if e.told.range_of_use else None
    told = []
    for q, _ in e.agreement:
        rows = e.rows(q.where)
        if e.trials is None or not rows.any():
            continue
        values, unit = e.trials["reading"][rows], e.unit(rows)
        text = f"{q.name}: readings from {values.min():.4g} to {values.max():.4g} {unit}".rstrip()
        if wanted is not None:
            text += f", {_covers(float(values.min()), float(values.max()), unit, wanted)} of {e.told.range_of_use}"
        told.append(text)
    if wanted is None:
        return filled(*told, needs=(key("range_of_use"),))
    return filled(*told, source="data and study.toml")


def _covers(low: float, high: float, unit: str, wanted: tuple[float, float, str]) -> str:
    try:
        start, end = (convert(v, wanted[2], unit) for v in wanted[:2])
    except UnitError:
        return "which cannot be compared with the range that matters"
    inside = max(0.0, min(high, end) - max(low, start)) / (end - start)
    return f"which cover {100 * np.floor(inside * 100) / 100:.0f} %" if inside < 1 else "which cover all"


def structure_used(e: Evidence) -> Filled:
    """Say that intervals respect what belongs together."""
    if not e.agreement:
        return not_applicable(NONE)
    told = []
    for q, part in e.agreement:
        if q.rows_are_independent:
            told.append(f"{q.name}: no: pairs were declared independent")
            continue
        parts = table_of(part, "variance components")
        method = next((x.method for x in of_name(part, "bias") if x.method), "")
        listed = f" ({join_words([str(c) for c in parts['component']])})" if parts is not None and len(parts) else ""
        by = f", by variance components{listed}" if listed else ""
        told.append(f"{q.name}: yes{by}{f'; {method}' if method else ''}")
    return filled(*told)
