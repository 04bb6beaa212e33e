"""The review of a paper: every relation in every place, conflicts, questions, what is implied."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

from drift.errors import Finding
from drift.reported import wording
from drift.reported.claims import Claim, Paper
from drift.reported.conflicts import Conflict, conflicts
from drift.reported.detectors import Detection, detections, units_apart
from drift.reported.fractions import judged
from drift.reported.implied import Implied, implied
from drift.reported.judging import STATUSES, Verdict, instance, judge
from drift.reported.one_unit import same_text, unit_of
from drift.reported.places import Place, places
from drift.reported.relation import KINDS, Case, Relation
from drift.reported.relations import all_relations
from drift.reported.screening import screening
from drift.reported.unused import Unused, unused
from drift.reported.vocabulary import quantities, title
from drift.results import Estimate, Provenance, Result, ResultTable, run_versions

STATED = 48


class ReviewResult(Result):
    """What the printed numbers of a paper say of each other."""

    command: ClassVar[str] = "review"


@dataclass(frozen=True)
class Review:
    """Everything found, before it is put into tables."""

    paper: Paper
    places: tuple[Place, ...]
    verdicts: tuple[Verdict, ...]
    conflicts: tuple[Conflict, ...]
    detections: tuple[Detection, ...]
    implied: tuple[Implied, ...]
    unused: tuple[Unused, ...] = ()
    fractions: tuple[tuple[Place, Claim], ...] = ()


def look(paper: Paper, *, with_implied: bool = True) -> Review:
    """Hold every relation against every place of a paper."""
    relations = all_relations()
    here = places(paper)
    every: list[Verdict] = []
    sets: list[Conflict] = []
    seen: list[Detection] = []
    missing: list[Implied] = []
    left: list[Unused] = []
    fractions: list[tuple[Place, Claim]] = []
    for i, place in enumerate(here):
        as_read = judged(place, relations)
        place, made = as_read.place, as_read.verdicts
        here[i] = place
        fractions += [(place, c) for c in as_read.fractions if "__" not in c.symbol]
        left += unused(place, relations, made)
        found = _told(made, place)
        in_conflict = conflicts(place, relations, found)
        seen += units_apart(place)
        seen += detections(place, relations, found, in_conflict)
        if with_implied:
            missing += implied(place, relations)
        every += found
        sets += in_conflict
    stated = [judge_statement(paper, i) for i in range(len(paper.statements))]
    every += [v for v in stated if v is not None]
    sets += [Conflict(v.place, v.claims, (v.relation,)) for v in stated if v is not None and v.status == "conflicts"]
    every += screening(paper, here, {r.label: r for r in relations})
    return Review(paper, tuple(here), tuple(every), tuple(sets), tuple(seen), tuple(missing), tuple(left),
                  tuple(fractions))


def _told(found: Sequence[Verdict], place: Place) -> list[Verdict]:
    """Leave out what would only repeat: approximate intervals nobody claimed, bounds that say nothing."""
    kept = []
    # A number that an exact relation confirms is not asked about by an approximate one.
    confirmed = {id(v.target) for v in found if v.status == "agrees" and v.relation.kind in ("E", "B", "N")
                 and v.relation.number not in (0, 5, 8) and v.target is not None}
    wanting = {c.symbol for v in found if v.relation.number in (9, 10) and v.status != "agrees" for c in v.claims}
    fitting = {c.symbol for v in found if v.relation.number in (9, 10) and v.status == "agrees" for c in v.claims}
    for v in found:
        if v.relation.number == 12 and not place.stated([c.symbol for c in v.claims], "method") & {"Fisher z"} and (
                v.status != "agrees" or not wanting & {c.symbol for c in v.claims}):
            continue
        if v.relation.number == 11 and v.status != "agrees" and any(
                c.symbol in fitting for c in v.claims if c.symbol.endswith("__high")):
            continue
        if v.relation.kind == "A" and v.status != "agrees" and id(v.target) in confirmed:
            continue
        if v.relation.number == 8 and v.status in ("agrees", "uninformative"):
            continue
        kept.append(v)
    return kept


def judge_statement(paper: Paper, i: int) -> Verdict | None:
    """Judge a relation that the paper states itself."""
    statement = paper.statements[i]
    by_id = {c.id: (c,) for c in paper.claims if c.id and not c.symbol.endswith(("__low", "__high", "__level"))}
    left = statement.equation.split("==")[0].split("<=")[0].split(">=")[0].strip()
    relation = Relation(STATED + i, "", statement.name or statement.equation.replace("==", "="), "E",
                        (Case((statement.equation,)),), left if left in by_id else "", source="the paper itself")
    taken = [c for n in instance_names(statement.equation) for c in by_id[n]]
    if len({same_text(c.printed.measured_in) for c in taken if c.printed.measured_in}) > 1:
        return None  # which unit the equation is in is not known
    tables = {c.table for c in taken}
    place = Place(tables.pop() if len(tables) == 1 else "", "", tuple(c for v in by_id.values() for c in v),
                  paper.design, by_id, {})
    made = instance(relation, place)
    return judge(made, place) if made is not None else None


def instance_names(text: str) -> tuple[str, ...]:
    """Return the names in an equation."""
    from drift.engine.interval_equations import equation

    return equation(text).names


def review(paper: Paper, *, findings: Sequence[Finding] = (), inputs: dict[str, str] | None = None) -> ReviewResult:
    """Review a paper.

    Parameters
    ----------
    paper : Paper
        From :func:`drift.reported.reading.read_claims`.
    findings : sequence of Finding
        What reading it noted.
    inputs : mapping, optional
        Files by hash.

    Returns
    -------
    ReviewResult
        Its tables: "relations" (one row each, with status and slack), "conflicts" (smallest sets that cannot all be
        true), "questions" (to the authors), "implied values", "not compared", "claims".

    Notes
    -----
    A printed number stands for everything that rounds to it. Relations are evaluated by interval arithmetic rounded
    outward, so that a conflict is proved. Exact relations (E, B, I) may accuse; N where level and method are stated; A
    and V only ask. A gap below one unit of a last printed digit is a remark.
    """
    found = look(paper)
    questions = _questions(found)
    digits = [v for v in found.verdicts if v.status == "last digit"]
    printed = [c for c in paper.claims if not c.symbol.endswith("__level")]
    checked = [v for v in found.verdicts if v.status != "uninformative"]
    chain_remarks = [c for c in found.conflicts if c.remark]
    text = wording.answer(len(printed), len(found.places), len(checked), found.conflicts,
                          len([q for q in questions if q[0] != "conflict"]), len(digits) + len(chain_remarks))
    return ReviewResult(
        question=paper.title, answer=text, estimates=tuple(_estimates(found)),
        tables=(_conflict_table(found), _question_table(questions), _relation_table(found), _detection_table(found),
                _implied_table(found), _unused_table(found), _claim_table(paper)),
        findings=(*findings, *_findings(found)),
        provenance=Provenance(inputs=inputs or {}, versions=run_versions(),
                              settings={"rounding": _roundings(paper), "design": paper.design,
                                        "invented": "yes" if paper.invented else "no"}))


def _roundings(paper: Paper) -> str:
    return ", ".join(dict.fromkeys(c.rounding for c in paper.claims))


def _questions(found: Review) -> list[tuple[str, str, str]]:
    """Return kind, place and words of every question, conflicts first."""
    made: list[tuple[str, str, str]] = []
    accused = {id(c) for s in found.conflicts for c in s.claims if not s.remark}
    for part in wording.together(found.conflicts):
        inside = {id(c) for s in part for c in s.claims}
        extra = " ".join(d.sentence for d in found.detections
                         if d.kind != "units" and d.place is part[0].place and any(id(c) in inside for c in d.claims))
        made.append(("conflict", part[0].place.words, wording.question_of_conflicts(part, extra)))
    done = set()
    for d in found.detections:
        if d.kind == "units":
            made.append((d.kind, d.place.words, f"{d.place.words}: {d.sentence} Are these units right?"))
        elif not any(id(c) in accused for c in d.claims):
            made.append((d.kind, d.place.words, f"{d.place.words}: {d.sentence} Is that so?"))
            done |= {id(c) for c in d.claims}
    for v in found.verdicts:
        if v.status not in ("question", "only under a convention"):
            continue
        ends = [c for c in v.claims if c.symbol.endswith(("__low", "__high"))]
        if ends and all(id(c) in done for c in ends):
            continue  # the detector has asked it already
        made.append((v.status, v.place.words, wording.question_of_verdict(v)))
    return list(dict.fromkeys(made))


def _relation_table(found: Review) -> ResultTable:
    order = {s: i for i, s in enumerate(STATUSES)}
    rows = sorted(found.verdicts, key=lambda v: (order[v.status], v.relation.number))
    percent = [100 * v.slack for v in rows]
    return ResultTable.build("relations", {
        "status": [v.status for v in rows], "where": [v.place.words for v in rows],
        "number": [v.relation.label if v.relation.number < STATED else "stated" for v in rows],
        "relation": [v.relation.name for v in rows], "kind": [KINDS[v.relation.kind] for v in rows],
        "numbers": ["; ".join(wording.named(c) for c in wording.told(v.claims)) for v in rows],
        "what it says": [wording.said(v) for v in rows], "convention": [v.convention for v in rows],
        "needed from": [_end(v, 0) for v in rows], "needed to": [_end(v, 1) for v in rows], "slack": percent,
        "gap in last digits": [v.gap for v in rows], "source": [v.relation.source for v in rows]},
        units={"slack": "%"}, caption="Every relation whose numbers are all printed")


def _end(v: Verdict, i: int) -> float:
    at = wording.own_range(v.needed, v.target)[i]
    return at if math.isfinite(at) else math.nan


def _conflict_table(found: Review) -> ResultTable:
    rows = found.conflicts
    return ResultTable.build("conflicts", {
        "where": [c.place.words for c in rows],
        "numbers": ["; ".join(wording.named(x) for x in wording.told(c.claims)) for c in rows],
        "relations": ["; ".join(dict.fromkeys(f"{r.label} {r.name}" if r.number < STATED else r.name
                                              for r in c.relations)) for c in rows],
        "standing": ["remark: within a unit of a last digit" if c.remark else "cannot all be true" for c in rows],
        "what would reconcile them": [wording.mend_sentence(c) for c in rows]},
        caption="Smallest sets of numbers that cannot all be true")


def _question_table(questions: list[tuple[str, str, str]]) -> ResultTable:
    return ResultTable.build("questions", {
        "about": [q[0] for q in questions], "where": [q[1] for q in questions],
        "question": [q[2] for q in questions]}, caption="Questions to the authors")


def _detection_table(found: Review) -> ResultTable:
    return ResultTable.build("what fits", {
        "kind": [d.kind for d in found.detections], "where": [d.place.words for d in found.detections],
        "sentence": [d.sentence for d in found.detections]}, caption="What would explain several mismatches")


def _implied_table(found: Review) -> ResultTable:
    rows = found.implied
    return ResultTable.build("implied values", {
        "where": [i.place.words for i in rows],
        "number": [", ".join(x for x in (title(i.symbol), unit_of(i.symbol, i.place.units)) if x) for i in rows],
        "from": [i.low for i in rows], "to": [i.high for i in rows],
        "by": ["; ".join(dict.fromkeys(f"{r.label} {r.name}" for r in i.relations)) for i in rows],
        "convention": [i.convention for i in rows],
        "kind": ["exact" if i.exact else KINDS[i.relations[0].kind] for i in rows]},
        caption="What the paper leaves out, as far as its numbers imply it")


def _unused_table(found: Review) -> ResultTable:
    rows = found.unused
    return ResultTable.build("not compared", {
        "where": [u.place.words for u in rows], "number": [wording.named(u.claim) for u in rows],
        "could be with": [", ".join(u.wanting[:-1]) + (" or " if len(u.wanting) > 1 else "") + u.wanting[-1]
                          if u.wanting else "" for u in rows]},
        caption="Numbers that nothing printed beside them can be held against")


def _claim_table(paper: Paper) -> ResultTable:
    rows = [c for c in paper.claims if not c.symbol.endswith("__level")]
    return ResultTable.build("claims", {
        "table": [c.table for c in rows], "group": [c.group for c in rows], "number": [c.name for c in rows],
        "printed": [wording.shown(c) for c in rows],
        "can stand from": [_finite(c.interval()[0]) for c in rows],
        "to": [_finite(c.interval()[1]) for c in rows],
        "stated": ["; ".join(f"{k}: {v}" for k, v in c.conventions.items()) for c in rows]},
        caption="What was read, and what each printed number can stand for")


def _finite(x: float) -> float:
    return x if math.isfinite(x) else math.nan


def _estimates(found: Review) -> list[Estimate]:
    """Return middles of implied ranges as estimates; the ranges, which have no level, stand in their table."""
    made = []
    seen = set()
    for i in found.implied:
        of = {k: v for k, v in (("table", i.place.table), ("group", i.place.group)) if v}
        key = (title(i.symbol), tuple(of.items()))
        if key in seen:
            continue
        seen.add(key)
        q = quantities().get(i.symbol.partition("__")[0])
        made.append(Estimate(name=f"implied {title(i.symbol)}", of=of, value=(i.low + i.high) / 2,
                             unit="%" if q is not None and q.scale == "percent" else unit_of(i.symbol, i.place.units),
                             method="middle of the range that the printed digits leave by " + "; ".join(
                                 dict.fromkeys(f"{r.name}" for r in i.relations))
                             + (f" ({i.convention})" if i.convention else "")))
    return made


def _findings(found: Review) -> list[Finding]:
    """Conflicts are warnings, remarks on last digits notes."""
    made = []
    for part in wording.together(found.conflicts):
        made.append(Finding(severity="warning", code="cannot-all-be-true", message=wording.conflict_sentence(part),
                            mend=wording.mend_sentence(part[0]) or "Ask the authors which of them is right."))
    made += [Finding(severity="note", code="last-digit", message=_remark(c)) for c in found.conflicts if c.remark]
    for place, claim in found.fractions:
        made.append(Finding(severity="note", code="read-as-fraction", message=wording.fraction_sentence(place, claim)))
    for v in found.verdicts:
        if v.status == "last digit":
            made.append(Finding(severity="note", code="last-digit", message=_last_digit(v)))
    return made


def _last_digit(v: Verdict) -> str:
    said = wording.said(replace(v, hint="")).rstrip(".")
    if v.relation.label == "0":
        return f"{v.place.words}: {said}; it lies outside its own interval by no more than a unit of the last digit."
    return (f"{v.place.words}: {said} ({v.relation.name}, {v.relation.label}); a unit in the last digit of one of its "
            "numbers would mend it, as rounded intermediate values leave it.")


def _remark(c: Conflict) -> str:
    names = "; ".join(wording.named(x) for x in wording.told(c.claims))
    return (f"{c.place.words}: {names} fit together only within a unit of a last digit, as rounded intermediate values "
            "leave it.")


def claim_of(paper: Paper, symbol: str) -> Claim:
    """Return the first claim of a symbol."""
    return next(c for c in paper.claims if c.symbol == symbol)


__all__ = ["Review", "ReviewResult", "look", "review"]
