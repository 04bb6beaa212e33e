"""The sentences of an answer about several methods."""

from __future__ import annotations

import math
from collections.abc import Sequence

from drift.agreement.several_bounds import Bounds
from drift.agreement.several_found import Found, OddOneOut, SetVerdict, odd_one_out
from drift.agreement.words import FEW_PAIRS, USEFUL, nor_verdict, number, opening
from drift.errors import MINUS, Finding
from drift.results import decimals_for, join_words
from drift.study import AgreementQuestion

MOST_NAMED = 6
MOST_GROUPS = 6
COUNTED = {3: "three", 4: "four", 5: "five", 6: "six", 7: "seven", 8: "eight", 9: "nine", 10: "ten"}


def counted(k: int) -> str:
    """Return a number of methods in words."""
    return COUNTED.get(k, str(k))


def named(methods: Sequence[str]) -> str:
    """Name the methods, or count them where they are many."""
    return join_words(methods) if len(methods) <= MOST_NAMED else f"the {len(methods)} of them"


def pair_name(found: Found, index: int) -> str:
    """Return "a - b" of a pair, with a true minus sign."""
    p = found.pairs[index]
    return f"{found.cells.methods[p.i]} {MINUS} {found.cells.methods[p.j]}"


def ends_text(ends: tuple[float, float], unit: str) -> str:
    """Print the two ends of a range with the decimals that suit its width."""
    d = decimals_for(ends[0], ends[0] + max((ends[1] - ends[0]) / 4, 1e-12))
    return f"{number(ends[0], d)} to {number(ends[1], d)}{unit}"


def unit_of(found: Found) -> str:
    """Return the unit with a leading blank, nothing without one."""
    return f" {found.cells.unit}".rstrip()


def mean_sentence(found: Found) -> str:
    """Say how far a reading may lie from the mean of all methods."""
    limit = found.mean_limit
    assert limit is not None
    d = decimals_for(limit.low, limit.high, limit.limit)
    return (f"About 95 % of readings by any of them are expected within {number(limit.limit, d)}"
            f"{unit_of(found)} ({number(limit.low, d)} to {number(limit.high, d)}) of the mean of all "
            f"{counted(len(found.cells.methods))}")


def pairs_sentence(found: Found) -> str:
    """Name the pair with the widest limits."""
    judged = [(i, b) for i, b in enumerate(found.pair_bounds) if b is not None]
    i, b = max(judged, key=lambda x: max(-x[1].low, x[1].high))
    p = found.pairs[i]
    which = f"{found.cells.methods[p.i]} {MINUS} {found.cells.methods[p.j]}"
    ends = ends_text((b.low, b.high), unit_of(found))
    return f"of the {len(judged)} pairs the limits reach farthest in {which}, {ends}"


def odd_sentence(found: Found, odd: OddOneOut) -> str:
    """Name the method farthest from the mean of the others; empty unless that is shown."""
    if not odd.shown:
        return ""
    b = found.others[odd.method]
    d = decimals_for(*b.bias_ends, b.bias)
    size = number(abs(b.bias), d)
    ends = sorted(abs(x) for x in b.bias_ends)
    return (f"the odd one out is {found.cells.methods[odd.method]}: it reads {size}{unit_of(found)} "
            f"{'higher' if b.bias > 0 else 'lower'} than the mean of the others (simultaneous 95 % interval "
            f"{number(ends[0], d)} to {number(ends[1], d)})")


def verdict_sentence(found: Found, verdict: SetVerdict) -> str:
    """Give the verdict of the set in one sentence."""
    methods, within = named(found.cells.methods), verdict.given.words
    beyond = [pair_name(found, i) for i, w in enumerate(verdict.pairs) if w == "not interchangeable"]
    fine = [pair_name(found, i) for i, w in enumerate(verdict.pairs) if w == "interchangeable"]
    if verdict.words == "interchangeable":
        return (f"as a set {methods} are interchangeable within {within}: the outer one-sided 95 % bounds of both "
                f"limits lie inside in every pair, the farthest {_bounds(verdict, verdict.worst, 'outer_alone')} "
                f"({pair_name(found, verdict.worst)})")
    inside = f"; inside are those of {some(fine)}" if fine else ""
    if verdict.words == "not interchangeable":
        i = max((i for i, w in enumerate(verdict.pairs) if w == "not interchangeable"),
                key=lambda i: _reach(verdict.bounds[i]))
        return (f"as a set {methods} are not interchangeable within {within}: with 95 % simultaneous confidence limits "
                f"reach beyond it in {some(beyond)} (inner bounds {_bounds(verdict, i, 'inner')} in "
                f"{pair_name(found, i)}){inside}")
    unjudged = [pair_name(found, i) for i, w in enumerate(verdict.pairs) if w == "not judged"]
    if unjudged:
        more = f"no limits can be given for {some(unjudged)}"
    elif found.structure.n_targets < FEW_PAIRS:
        more = (f"{found.structure.n_targets} targets hardly tell biases and SDs, so measure {USEFUL} or more in all")
    elif not verdict.counted:
        more = "more targets are needed, and how many is not computed where cells are missing or readings not linked"
    elif verdict.further is None:
        more = "no affordable number of further targets would settle it, as a limit lies almost at that difference"
    else:
        noun = "target" if verdict.further == 1 else "targets"
        more = (f"about {verdict.further} further {noun} would settle it in four of five studies if biases and SDs "
                "stay as they are")
    return f"that {methods} as a set are interchangeable within {within} is not shown: {more}{inside}"


def _bounds(verdict: SetVerdict, index: int, which: str) -> str:
    b = verdict.bounds[index]
    assert b is not None
    low, high = (verdict.given.show(x) for x in getattr(b, which))
    return ends_text((low, high), f" {verdict.given.shown_unit}".rstrip())


def _reach(b: Bounds | None) -> float:
    return -math.inf if b is None else max(-b.inner[0], b.inner[1])


def some(names: Sequence[str], most: int = 3) -> str:
    """Name a few, and count the rest."""
    more = len(names) - most
    return join_words(names) if more <= 0 else f"{', '.join(names[:most])} and {more} further pairs"


def verdict_caution(found: Found, verdict: SetVerdict, question: AgreementQuestion) -> Finding:
    """Say what must not be done; the figures stand in the answer."""
    methods, within = named(found.cells.methods), verdict.given.words
    shown = verdict.words == "not interchangeable"
    message = (f"Verdict{found.label}: as a set {methods} are not interchangeable within {within}" if shown else
               f"Verdict{found.label}: it is not shown that {methods} as a set are interchangeable within {within}")
    return Finding(severity="warning", code="verdict", question=question.name, message=message,
                   mend="Do not use one in place of another; the table of pairs says which may be." if shown and any(
                       w == "interchangeable" for w in verdict.pairs) else
                   "Do not use one in place of another." if shown else
                   "Do not use one in place of another on the strength of these data.")


def answer_sentence(found: Found, question: AgreementQuestion) -> str:
    """Give the answer for one group."""
    label = opening("".join(f"{k} {v}: " for k, v in found.cells.of))
    if found.refusal:
        return f"{label}No limits of agreement{nor_verdict(question)}: {found.refusal}."
    parts = [f"{mean_sentence(found)}; {pairs_sentence(found)}"]
    odd = odd_sentence(found, odd_one_out(found))
    if question.by:
        tail = f" Verdict of the set: {found.verdict.words}." if found.verdict is not None else _not_judged(question)
        return f"{label}{opening(parts[0])}.{f' {opening(odd)}.' if odd else ''}{tail}"
    if odd:
        parts.append(odd)
    if found.verdict is not None:
        parts.append(f"verdict: {verdict_sentence(found, found.verdict)}")
    return " ".join(f"{opening(p)}." for p in parts) + ("" if found.verdict is not None else _not_judged(question))


def _not_judged(question: AgreementQuestion) -> str:
    """Say in the answer itself that a verdict was asked for and not given; only a share can be refused."""
    if question.harmless is None:
        return ""
    return (f" No verdict within {question.harmless}: a share is judged on logarithms, and not all readings are "
            "positive.")


def whole_answer(found: Sequence[Found], question: AgreementQuestion) -> str:
    """Give the answer of the question: of one group, or of each after a count."""
    if len(found) == 1:
        return answer_sentence(found[0], question)
    methods = named(found[0].cells.methods)
    head = f"Compared in {len(found)} groups: {methods}."
    if any(f.verdict is not None for f in found):
        words = [f.verdict.words if f.verdict is not None else "not judged" for f in found]
        head = (f"Of {len(found)} groups {methods} are as a set "
                + ", ".join(f"{w} in {words.count(w)}" for w in dict.fromkeys(words)) + ".")
    rest = f" {len(found) - MOST_GROUPS} further groups stand in the table." if len(found) > MOST_GROUPS else ""
    return " ".join([head, *(answer_sentence(f, question) for f in found[:MOST_GROUPS])]) + rest
