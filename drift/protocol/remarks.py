"""A declared protocol against common practice and against the data: remarks, none of which blocks anything."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from drift.errors import Finding
from drift.items.evidence import Evidence, is_blank
from drift.lock.words import day
from drift.protocol import data
from drift.results import Estimate, ResultTable, join_words
from drift.study import ProtocolSpec, suggestion
from drift.units import parse_quantity

TABLE = "protocol remarks"
IN_LINE, LOOK, UNKNOWN, NOT_DECLARED = "in line", "look at this", "cannot be told", "not declared"
_WALKING, _STANDING = ("gait", "walk", "walking"), ("stance", "stand", "standing")
_OUTSIDE = 0.05


@dataclass(frozen=True, kw_only=True)
class Rule:
    """One rule: what is done, and where that comes from."""

    id: str
    about: str
    keys: tuple[str, ...]
    practice: str
    source: str


@dataclass(frozen=True, kw_only=True)
class Said:
    """What is to be said under one rule: what was declared, what the data show, and the verdict."""

    declared: str
    seen: str
    verdict: str


@cache
def rules() -> tuple[Rule, ...]:
    """Return the rules in the order of the report."""
    raw = tomllib.loads((Path(__file__).parent / "rules.toml").read_text(encoding="utf-8"))["rule"]
    return tuple(Rule(**{**r, "keys": tuple(r["keys"])}) for r in raw)


def protocol_remarks(e: Evidence) -> tuple[tuple[ResultTable, ...], tuple[Finding, ...]]:
    """Set ``[protocol]`` against common practice and against the data.

    Parameters
    ----------
    e : Evidence

    Returns
    -------
    tables : tuple of ResultTable
        Table "protocol remarks"; none where the study has no ``[protocol]``.
    findings : tuple of Finding
        A note for each remark that asks to be looked at.
    """
    p = e.study.protocol
    if p is None:
        return (), ()
    p = p.model_copy(update={n: None for n in type(p).model_fields if is_blank(getattr(p, n))})
    made = [(r, _MAKERS[r.id](e, p)) for r in rules()]
    table = ResultTable.build(TABLE, {
        "about": [r.about for r, _ in made], "declared": [s.declared for _, s in made],
        "common practice": [r.practice for r, _ in made], "in these data": [s.seen for _, s in made],
        "remark": [s.verdict for _, s in made], "source": [r.source for r, _ in made]},
        caption="The protocol against common practice and against these data")
    findings = tuple(Finding(severity="note", code="protocol-look", file="study.toml", column=_column(r),
                             message=f"Protocol, {r.about}: {s.seen or r.practice.rstrip('.')}".rstrip("."),
                             mend=f"Rule: {r.practice.rstrip('.')} ({r.source}); it blocks nothing")
                     for r, s in made if s.verdict == LOOK)
    return (table,), findings


def _column(r: Rule) -> str | None:
    return f"[protocol] {r.keys[0]}" if r.keys else None


def _open(*keys: str, seen: str = "") -> Said:
    return Said(declared=f"not declared: {join_words([f'[protocol] {k}' for k in keys])}", seen=seen,
                verdict=NOT_DECLARED)


def _based_on(p: ProtocolSpec) -> str:
    """Return what the calibration rests on: as declared, else read from the words of its label."""
    if p.calibrated_on is not None:
        return p.calibrated_on
    words = (p.calibration or "").casefold().split()
    if any(w in _WALKING for w in words):
        return "walking"
    return "standing" if any(w in _STANDING for w in words) else "bench" if "bench" in words else ""


def _calibration(e: Evidence, p: ProtocolSpec) -> Said:
    on = _based_on(p)
    missing = [k for k, v in (("calibration", p.calibration or on), ("purpose", p.purpose), ("activity", p.activity))
               if not v]
    if missing:
        return _open(*missing)
    told = {"bench": "known loads on a bench", "standing": "a known body weight in standing",
            "walking": "a known total force in walking", "other": "something else", "": "not told what"}[on]
    declared = f"{p.calibration or 'a calibration'} ({told}), for {p.purpose}, {join_words(p.activity)}"
    wide = [w for w in (*([p.purpose] if p.purpose == "research" else []), *p.activity) if w in ("research", "running",
                                                                                                 "standing")]
    if on == "bench":
        return Said(declared=declared, seen="", verdict=IN_LINE)
    if on == "walking" and wide:
        return Said(declared=declared, verdict=LOOK,
                    seen=f"a calibration from walking is narrow for {join_words(wide)}")
    strong = [w for w in wide if w in ("research", "running")]
    if on == "standing" and strong:
        return Said(declared=declared, seen=f"one load, that of standing, does not reach what {join_words(strong)} "
                    "presses", verdict=LOOK)
    if on in ("walking", "standing"):
        return Said(declared=declared, seen="", verdict=IN_LINE)
    return Said(declared=declared, seen="calibrated_on does not say a known load", verdict=UNKNOWN)


def _range(e: Evidence, p: ProtocolSpec) -> Said:
    found = data.outside_range(e)
    if found is None:
        return Said(declared="", seen="needs checks with a reference and trials in a unit of pressure", verdict=UNKNOWN)
    text, share = found
    return Said(declared="", seen=text, verdict=LOOK if share > _OUTSIDE else IN_LINE)


def _agreement(e: Evidence, p: ProtocolSpec) -> Said:
    """Tell whether the method used is the one that agrees best here."""
    used = p.calibration
    if used is None:
        return _open("calibration")
    asked = [(q, part) for q, part in e.agreement if q.compare == "method"]
    if not asked:
        return Said(declared=used, seen="no question compares methods ([[agreement]] with compare = \"method\")",
                    verdict=UNKNOWN)
    for q, part in asked:
        if not (q.a and q.b):
            return _among_several(part, used)
    names = sorted({n for q, _ in asked for n in (q.a, q.b)})
    if used not in names:
        return Said(declared=used, verdict=UNKNOWN,
                    seen=f"this is none of the methods compared; {suggestion(used, names, noun='methods')}")
    told = {q.a: data.limits_text(part) for q, part in asked if q.b == used}
    if told:
        listed = join_words([f"{m} ({text})" if text else m for m, text in told.items()])
        best = _nearest({q.a: data.outer(part) for q, part in asked if q.b == used})
        return Said(declared=used, verdict=IN_LINE, seen=f"the others were compared with {used}: limits of agreement "
                    f"{listed}{f'; {best}' if best else ''}")
    reference = next(q.b for q, _ in asked if q.a == used)
    rivals = {q.a: data.outer(part) for q, part in asked if q.b == reference}
    ranked = sorted((m for m, v in rivals.items() if v is not None), key=lambda m: rivals[m][1])  # type: ignore[index]
    listed = join_words([f"{q.a} ({data.limits_text(part)})" for q, part in asked if q.b == reference])
    if not ranked:
        return Said(declared=used, seen="limits could not be estimated", verdict=UNKNOWN)
    found = {m: v[0] for m, v in rivals.items() if v is not None}
    verdict, said = _ranked(found, ranked, used, reference)
    return Said(declared=used, verdict=verdict, seen=f"limits of agreement with {reference}: {listed}; {said}")


def _ranked(found: dict[str, Estimate], ranked: list[str], used: str, reference: str) -> tuple[str, str]:
    """Say whether the method used agrees best, where the data tell it from the nearest other."""
    if len(ranked) < 2:
        return UNKNOWN, "no other method was compared" if ranked[0] == used else f"those of {used} are not known"
    other = ranked[1] if ranked[0] == used else ranked[0]
    if used not in found:
        return UNKNOWN, f"those of {used} are not known"
    if ranked[0] == used:
        return IN_LINE, (f"{used} agrees best" if _apart(found[used], found[other]) else
                         f"{used} comes nearest, and the data do not tell it from {other}")
    if _apart(found[other], found[used]):
        return LOOK, f"{other} agrees better with {reference} than {used}"
    return UNKNOWN, f"{other} comes nearer than {used}, and the data do not tell them apart"


def _apart(near: Estimate, far: Estimate) -> bool:
    """Tell whether the interval of one limit lies nearer to zero than that of another."""
    return max(abs(near.low), abs(near.high)) < min(abs(far.low), abs(far.high))


def _nearest(found: dict[str, tuple[Estimate, float] | None]) -> str:
    """Say which of several methods agrees best, and whether the data tell it from the next."""
    there = sorted(((v[1], m, v[0]) for m, v in found.items() if v is not None), key=lambda x: x[0])
    if len(there) < 2:
        return ""
    (_, first, a), (_, second, b) = there[0], there[1]
    return f"of these {first} agrees best" if _apart(a, b) else f"{first} and {second} are not told apart"


def _among_several(part: object, used: str) -> Said:
    from drift.items.evidence import of_name
    from drift.results import Result

    assert isinstance(part, Result)
    found = {x.of["method"]: x for x in of_name(part, "limit of agreement with the mean") if "method" in x.of}
    if used not in found:
        return Said(declared=used, seen=f"this is none of the methods compared; "
                    f"{suggestion(used, sorted(found), noun='methods')}", verdict=UNKNOWN)
    ranked = sorted(found, key=lambda m: found[m].value)
    verdict, said = _ranked(found, ranked, used, "the mean of all")
    listed = join_words([f"{m} {x.value:.3g} {x.unit}".strip() for m, x in found.items()])
    return Said(declared=used, verdict=verdict, seen=f"limits of agreement with the mean of all methods: {listed}; "
                f"{said}")


def _date(e: Evidence, p: ProtocolSpec) -> Said:
    interval = [x for part in e.parts if part.command == "recalibrate" for x in part.estimates
                if x.name == "recalibrate every" and x.value == x.value]
    due = (f"readings want a new calibration every {join_words([_due(x) for x in interval])}" if interval else "")
    if p.calibration_date is None:
        return _open("calibration_date", seen=due)
    trials = e.lock.dates.get("trials") or e.lock.dates.get("checks")
    if trials is None:
        return Said(declared=p.calibration_date, seen=f"the data carry no dates{f'; {due}' if due else ''}",
                    verdict=UNKNOWN)
    late = p.calibration_date > trials.first[:len(p.calibration_date)]
    order = (f"{trials.table} began {day(trials.first)[:10]}, {'before' if late else 'not before'} this date")
    return Said(declared=p.calibration_date, verdict=LOOK if late else IN_LINE,
                seen=f"{order}{f'; {due}' if due else ''}")


def _due(x: Estimate) -> str:
    of = x.of.get("construction", "")
    return f"{x.value:g} {x.unit or 'uses'}{f' ({of})' if of else ''}"


def _gains(e: Evidence, p: ProtocolSpec) -> Said:
    """Tell whether gains are equalised for research, and whether equalised sheets repeated better."""
    found = data.repeats_by_gains(e)
    seen = []
    worse = False
    if found is not None:
        ratio, yes, no = found
        worse = ratio.low > 1
        better = ("repeat better" if ratio.high < 1 else "repeat worse" if worse else
                  "repeat neither better nor worse, as far as can be seen,")
        seen.append(f"readings with gains {yes} {better} within a sheet: their SD of repeats is {ratio.value:.2f} "
                    f"({ratio.low:.2f} to {ratio.high:.2f}) times that with gains {no}")
    sems = data.sem_by_gains(e)
    if sems:
        seen.append(f"over sheets, SEM equalised against plain: {join_words(sems[:3])}")
    text = "; ".join(seen)
    if p.gains_equalised is None:
        return _open("gains_equalised", seen=text)
    declared = "equalised" if p.gains_equalised else "not equalised"
    if not p.gains_equalised and p.purpose == "research":
        return Said(declared=f"{declared}, for research", seen=text, verdict=LOOK)
    if p.gains_equalised and worse:
        return Said(declared=declared, seen=text, verdict=LOOK)
    return Said(declared=declared, seen=text or "no column of the trials tells equalised from plain gains",
                verdict=IN_LINE if text or not p.gains_equalised else UNKNOWN)


def _construction(e: Evidence, p: ProtocolSpec) -> Said:
    dead = data.dead_by_construction(e)
    seen = f"dead cells were seen in {dead}" if dead else "no column dead in the checks, or no construction of sensors"
    if p.construction is None:
        return _open("construction", seen=seen)
    return Said(declared=p.construction, seen=seen, verdict=IN_LINE if dead else UNKNOWN)


def _trimmed(e: Evidence, p: ProtocolSpec) -> Said:
    if p.trimmed is None:
        return _open("trimmed")
    declared = _words(p.trimmed, "trimmed", "not trimmed")
    if p.trimmed is False:
        return Said(declared=declared, seen="", verdict=IN_LINE)
    tables = [t for t in (e.tables.checks, e.tables.trials) if t is not None and "cut" in t]
    if not tables:
        return Said(declared=declared, verdict=UNKNOWN, seen="no table has a column cut, so that it cannot be "
                    "seen whether cut cells were masked")
    hit = sum(int((t["cut"] > 0).sum()) for t in tables if t["cut"].dtype.kind == "f")
    return Said(declared=declared, verdict=LOOK if hit else IN_LINE,
                seen=f"{hit} rows hold cells that were cut through")


def _words(value: str | bool, yes: str, no: str) -> str:
    return value if isinstance(value, str) else yes if value else no


def _secured(e: Evidence, p: ProtocolSpec) -> Said:
    if p.secured is None:
        return _open("secured")
    tables = [t for t in (e.tables.checks, e.tables.trials) if t is not None and "exclude_reason" in t]
    moved = sum(any(w in str(r).casefold() for w in ("creas", "slip", "moved", "crept", "wrinkl", "fold"))
                for t in tables for r in t["exclude_reason"] if r)
    seen = f"{moved} rows were excluded because a sheet creased or moved" if moved else ""
    return Said(declared=_words(p.secured, "secured", "not secured"), seen=seen,
                verdict=LOOK if p.secured is False else IN_LINE)


def _covered(e: Evidence, p: ProtocolSpec) -> Said:
    if p.covered is None:
        return _open("covered")
    return Said(declared=_words(p.covered, "covered", "not covered"), seen="", verdict=IN_LINE)


def _liner(e: Evidence, p: ProtocolSpec) -> Said:
    if p.liner is None:
        return _open("liner")
    if parse_quantity(p.liner).value == 0:
        return Said(declared="none", seen="", verdict=IN_LINE)
    return Said(declared=p.liner, seen=f"peaks are those under {p.liner} of sock or liner: compare only with readings "
                "under the same", verdict=LOOK)


def _off_sheet(e: Evidence, p: ProtocolSpec) -> Said:
    text, missing = data.missing_load(e, p.calibration)
    if p.off_sheet_load_check is None:
        return _open("off_sheet_load_check", seen=text)
    declared = _words(p.off_sheet_load_check, "checked", "not checked")
    if missing is None:
        return Said(declared=declared, seen=text, verdict=UNKNOWN)
    return Said(declared=declared, seen=text, verdict=LOOK if missing or p.off_sheet_load_check is False else IN_LINE)


_MAKERS: dict[str, Callable[[Evidence, ProtocolSpec], Said]] = {
    "calibration": _calibration, "range": _range, "agreement": _agreement, "date": _date, "gains": _gains,
    "construction": _construction, "trimmed": _trimmed, "secured": _secured, "covered": _covered, "liner": _liner,
    "off_sheet": _off_sheet}


def summary_sentence(table: ResultTable) -> str:
    """Return how many remarks there are of each kind."""
    verdicts = [str(v) for v in table["remark"]]
    look = [str(a) for a, v in zip(table["about"], verdicts, strict=True) if v == LOOK]
    lead = (f"{len(look)} of {len(verdicts)} remarks ask to be looked at: {join_words(look)}" if look else
            "No remark asks to be looked at")
    words = {IN_LINE: "in line", UNKNOWN: "not to be told from these data", NOT_DECLARED: "not declared"}
    counts = [f"{n} {told}" for verdict, told in words.items() if (n := verdicts.count(verdict))]
    return f"{lead}{f'; {join_words(counts)}' if counts else ''}."

