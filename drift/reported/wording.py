"""Verdicts in words: neutral, short, and never more than the numbers say."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from drift.engine.intervals import Interval
from drift.errors import with_minus_signs
from drift.reported.claims import Claim
from drift.reported.conflicts import Conflict
from drift.reported.judging import NO_RANGE, Verdict
from drift.reported.places import Place
from drift.reported.vocabulary import quantities, title
from drift.results import join_words


def scaled(claim_symbol: str, x: float, *, percent: bool = False) -> float:
    """Return a share as a percentage where the paper prints it so."""
    q = quantities().get(claim_symbol.partition("__")[0])
    return 100 * x if percent and q is not None and q.scale == "share" else x


def shown(claim: Claim) -> str:
    """Return the digits as printed."""
    sign = claim.printed.bound
    return f"{sign}{claim.own.text.lstrip('<>').strip()}{_behind(claim)}"


def _behind(claim: Claim | None) -> str:
    """Return the percent sign or the unit that stands behind a number."""
    if claim is None:
        return ""
    return " %" if claim.printed.percent else f" {claim.own.measured_in}" if claim.own.measured_in else ""


def own_range(a: Interval, claim: Claim | None) -> Interval:
    """Return a range in the unit that a claim is printed in."""
    if claim is None or claim.as_printed is None:
        return a
    return a[0] / claim.factor, a[1] / claim.factor


def named(claim: Claim) -> str:
    """Return name and printed digits."""
    if claim.symbol.endswith("__level"):
        return f"{claim.name} {claim.printed.text}"
    return f"{claim.name} {shown(claim)}"


def named_all(claims: Sequence[Claim]) -> str:
    """Name several numbers, an interval with its ends together as a paper prints it."""
    found: list[str] = []
    done: set[int] = set()
    for c in claims:
        if id(c) in done:
            continue
        base = c.symbol.partition("__")[0]
        same = {x.symbol.partition("__")[2]: x for x in claims if x.symbol.partition("__")[0] == base
                and x.item == c.item and (x.table, x.group) == (c.table, c.group)}
        if {"low", "high"} <= set(same) and not c.symbol.endswith("__level"):
            unit = f" {same['low'].own.measured_in}"
            ends = f"{shown(same['low']).removesuffix(unit)} to {shown(same['high'])}"
            found.append(f"{named(same[''])} ({ends})" if "" in same else f"interval of {title(base)} {ends}")
            done |= {id(same[x]) for x in ("", "low", "high") if x in same}
        else:
            found.append(named(c))
            done.add(id(c))
    return join_words(found)


def range_text(a: Interval, claim: Claim | None = None) -> str:
    """Return a range in words, with two digits more than the claim has."""
    if a == NO_RANGE or not (math.isfinite(a[0]) or math.isfinite(a[1])):
        return ""
    if claim is not None and claim.as_printed is not None:
        a, claim = own_range(a, claim), replace(claim, printed=claim.own, as_printed=None)
    percent = bool(claim and claim.printed.percent)
    symbol = claim.symbol if claim else ""
    low, high = (scaled(symbol, x, percent=percent) for x in a)
    width = high - low
    digits = (claim.printed.decimals + 2 - (2 if percent else 0)) if claim else 4
    if math.isfinite(width) and width > 0:
        digits = max(0, min(10, max(digits - 1, 1 - math.floor(math.log10(width)))))
        if claim:
            own = max(0, claim.printed.decimals - (2 if percent else 0))
            wide = width > 10 * float(claim.printed.unit) * (100 if percent else 1)
            # A digit more than the paper prints tells the ends apart, or they are as good as one number.
            digits = own if wide else min(digits, own + (1 if round(low, own + 1) != round(high, own + 1) else 2))
    if width < 1e-9 * max(1.0, abs(low)):
        one = two = f"{low:.{max(0, claim.printed.decimals if claim else 4)}f}" if low != round(low) else f"{low:.0f}"
    elif max(abs(x) for x in (low, high) if math.isfinite(x)) >= 1e7:
        one, two = (f"{x:.6g}" for x in (low, high))
    else:
        one, two = (f"{x + 0.0:.{max(0, digits)}f}" for x in (low, high))
    end = _behind(claim)
    if not math.isfinite(low):
        return f"at most {two}{end}"
    if not math.isfinite(high):
        return f"at least {one}{end}"
    return f"{one}{end}" if one == two else f"{one} to {two}{end}"


def said(v: Verdict) -> str:
    """Say in one sentence what a relation says of printed numbers."""
    if v.target is None or v.needed == NO_RANGE:
        return v.hint
    where = range_text(v.needed, v.target)
    text = f"{v.target.name} {shown(v.target)}"
    if where:
        text += f", within {where}" if v.status in ("agrees", "uninformative") else f", where {where} is needed"
    if v.status == "only under a convention":
        text += f"; it fits under {v.convention}"
    return f"{text}. {v.hint}".strip() if v.hint else text


def fraction_sentence(place: Place, claim: Claim) -> str:
    """Say that a number of a percent quantity is read as a fraction."""
    return (f"{place.words}: {named(claim)}, printed without a percent sign, is read as a fraction, "
            f"{claim.printed.value:f} %: as a percentage it would not agree with the other numbers.")


def together(conflicts: Sequence[Conflict]) -> list[list[Conflict]]:
    """Return accusing conflicts, those together that one number alone would mend."""
    parts: list[list[Conflict]] = []
    for c in conflicts:
        if c.remark:
            continue
        mends = {id(x) for x, _ in c.alone}
        same = next((p for p in parts if p[0].place is c.place and mends & {id(x) for x, _ in p[0].alone}), None)
        if same is None:
            parts.append([c])
        else:
            same.append(c)
    return parts


def conflict_sentence(part: Sequence[Conflict]) -> str:
    """Name the numbers that cannot all be true."""
    common = _common(part)
    if common is not None:
        return _beside(part, common)
    claims = claims_in(part)
    relations = list(dict.fromkeys(r for c in part for r in c.relations))
    by = join_words(f"{r.name} ({r.label})" if r.number < 48 else f"{r.name} (stated by the paper)"
                    for r in relations[:3])
    more = f" and {len(relations) - 3} more" if len(relations) > 3 else ""
    by = by.replace(" and ", ", ") + more if more else by
    verb = "cannot be true" if len(claims) == 1 else f"cannot {'both' if len(claims) == 2 else 'all'} be true"
    return f"{part[0].place.words}: {named_all(claims)} {verb}, by {by}."


def _common(part: Sequence[Conflict]) -> Claim | None:
    """Return the one number that stands in each of several sets and would alone mend all."""
    if len(part) < 2:
        return None
    held = [x for x, _ in part[0].alone if all(any(x is c for c in p.claims) for p in part)]
    return held[0] if len(held) == 1 else None


def _beside(part: Sequence[Conflict], common: Claim) -> str:
    """Say beside which numbers, set by set, one number cannot be true."""
    sets = []
    for p in part:
        rest = [c for c in told(p.claims) if c is not common and not c.symbol.endswith("__level")]
        labels = ", ".join(r.label if r.number < 48 else r.name for r in p.relations[:3])
        sets.append(f"{named_all(rest)} ({labels})")
    return f"{part[0].place.words}: {named(common)} cannot be true beside {'; nor beside '.join(sets)}."


def claims_in(part: Sequence[Conflict]) -> list[Claim]:
    """Return the claims of conflicts worth naming; levels only where an interval is what is wrong."""
    claims = told(list({id(c): c for x in part for c in x.claims}.values()))
    plain = [c for c in claims if not c.symbol.endswith("__level")]
    return claims if any(c.symbol.endswith(("__low", "__high")) for c in plain) and len(plain) < 6 else plain


def told(claims: Sequence[Claim]) -> list[Claim]:
    """Return claims worth naming: levels and counts last."""
    return sorted(claims, key=lambda c: (c.symbol.endswith("__level"), c.symbol in ("n", "k", "m"), c.number))


def tells(claim: Claim, a: Interval) -> bool:
    """Tell whether a range is narrow enough to say what a number should have been."""
    size = max(abs(float(claim.printed.value)), 10 * float(claim.printed.unit))
    return math.isfinite(a[1] - a[0]) and a[1] - a[0] <= 0.5 * size


def mend_sentence(conflict: Conflict) -> str:
    """Say which single numbers would reconcile everything."""
    if [r.label for r in conflict.relations] == ["0b"]:
        return "If they stand in different rows of a table, give each claim a group of its own."
    parts = []
    for claim, a in conflict.alone:
        where = range_text(a, claim)
        if where and claim.symbol not in ("n", "k", "m") and tells(claim, a):
            parts.append(f"{claim.name} were {where} instead of {shown(claim)}")
    # With other contradictions beside it, these numbers alone would fit.
    what = "These" if conflict.beside else "Everything here"
    return f"{what} would fit if {', or if '.join(parts[:3])}." if parts else ""


def question_of_conflicts(part: Sequence[Conflict], extra: str = "") -> str:
    """Ask the authors about numbers that cannot all be true."""
    common = _common(part)
    names = named_all([c for c in claims_in(part) if not c.symbol.endswith("__level") and c is not common])
    mend = mend_sentence(part[0]) if part[0].relations[0].label != "0b" else "They were taken to be the same number."
    what = f"{named(common)} with {names}" if common is not None else names
    said = f"{part[0].place.words}: we could not reconcile {what} ({relation_words(part)})."
    balanced = ("This supposes that every unit was measured equally often."
                if any(r.kind == "B" for p in part for r in p.relations) else "")
    return " ".join(x for x in (said, mend, extra, balanced, "Could you check them, or say how they were obtained?")
                    if x)


def relation_words(part: Sequence[Conflict]) -> str:
    """Name the relations of conflicts."""
    names = list(dict.fromkeys(r.name for c in part for r in c.relations))
    return "; ".join(names[:3]) + ("; and others" if len(names) > 3 else "")


def question_of_verdict(v: Verdict) -> str:
    """Ask the authors about one relation that does not fit, or fits under one convention."""
    where = v.place.words
    if v.target is None or v.needed == NO_RANGE:
        return f"{where}: {v.hint} Is that so?" if v.hint else f"{where}: {v.relation.name}. Could you say more?"
    beside = named_all([c for c in told(v.claims) if c is not v.target and not c.symbol.endswith("__level")])
    at = range_text(v.needed, v.target)
    text = f"{where}: {v.target.name} is printed as {shown(v.target)}"
    if at:
        text += f"; from {beside} we get {at}" if beside else f"; we get {at}"
    text += f" ({v.relation.name})."
    if v.status == "only under a convention":
        return f"{text} It would fit under {v.convention}. Is that what was used?"
    return " ".join(x for x in (text, v.hint, "How was it obtained?") if x)


def answer(n_claims: int, n_places: int, n_checked: int, conflicts: Sequence[Conflict], n_questions: int,
           n_digits: int) -> str:
    """Give the verdict in one sentence or two."""
    what = f"{n_claims} printed numbers" if n_claims != 1 else "one printed number"
    real = together(conflicts)
    rest = []
    if n_questions:
        many = "question" if n_questions == 1 else "questions"
        rest.append(f"{n_questions} {many} for the authors about what does not fit as it is printed")
    if n_digits:
        rest.append(f"{n_digits} {'remark' if n_digits == 1 else 'remarks'} on last digits")
    tail = f" {join_words(rest).capitalize()}." if rest else ""
    if real:
        places = list(dict.fromkeys(p[0].place.words for p in real))
        where = "; ".join(places[:3]) + ("; and elsewhere" if len(places) > 3 else "")
        count = f"{len(real)} contradictions" if len(real) > 1 else "one contradiction"
        if n_claims == 1:
            return f"This {what} cannot be true ({where}).{tail}"
        return with_minus_signs(f"These {what} cannot all be true: exact relations show {count} "
                                f"({where}).{tail}")
    if not n_checked:
        of = f"the {what}" if n_claims != 1 else "what is printed"
        return with_minus_signs(f"Nothing could be checked: no relation has all its numbers among {of}.{tail}")
    return with_minus_signs(f"Nothing in these {what} contradicts itself: {n_checked} "
                            f"{'relation was' if n_checked == 1 else 'relations were'} checked.{tail}")
