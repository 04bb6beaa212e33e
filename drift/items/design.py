"""Fillers about the design: stability, time between repeats, conditions, who knew what, independence, flaws."""

from __future__ import annotations

import numpy as np

from drift.items import data_tests as test
from drift.items.evidence import Evidence, is_blank, labels, of_name
from drift.items.filled import Filled, filled, needs_you, worst
from drift.items.metadata import key
from drift.reliability.g_design import facets_of
from drift.results import Result, format_interval, join_words
from drift.study import AgreementQuestion, ReliabilityQuestion

_SAME_DAY = 1.0 / 24.0
# What says nothing of conditions: the reading, labels of the row, time (looked at by itself), and remarks.
_NO_CONDITION = frozenset({"reading", "reading_sd", "reading_n", "time", "date", "use", "replicate", "exclude",
                           "exclude_reason", "note", "notes", "comment", "comments", "remark", "remarks", "saturated",
                           "dead", "measure", "region"})
_NUMBERS = ("reference", "temperature", "load", "speed", "body_weight", "mass")


def stable(e: Evidence) -> Filled:
    """Say whether readings of one target moved between repeats, against the SEM."""
    said, grades = [], []
    for q, part in e.reliability:
        text, grade = _stable_reliability(e, q, part)
        said.append(text)
        grades.append(grade)
    for a, _ in e.agreement:
        text, grade = _stable_pairs(e, a)
        said.append(text)
        grades.append(grade)
    if not any(said):
        if e.told.stable:
            return filled(f"no repeat could be tested; it is reasoned: {e.told.stable}", source="study.toml",
                          grade="adequate")
        return needs_you(key("stable"), grade="doubtful")
    return filled(*said, f"reason given: {e.told.stable}" if e.told.stable else "", grade=worst(grades),
                  source="data and study.toml" if e.told.stable else "data",
                  needs=() if e.told.stable or worst(grades) == "very good" else (key("stable"),))


def _stable_reliability(e: Evidence, q: ReliabilityQuestion, part: Result) -> tuple[str, str]:
    """Judge the worst group of a question."""
    rows, order, unit = e.rows(q.where), e.days(), ""
    if order is not None:
        unit = "days"
    elif e.trials is not None and "use" in e.trials:
        order, unit = e.trials["use"], "uses"
    if e.trials is None or order is None or q.target not in e.trials or not rows.any():
        return f"{q.name}: repeats bear no time, so that a change between them cannot be looked for", "doubtful"
    reason = bool(e.told.stable)
    found: list[tuple[str, test.Change, float, str, str]] = []
    for name, mine in e.groups(rows, q.by):
        targets, _ = test.coded(e.words(q.target)[mine])
        change = test.change_between_repeats(e.trials["reading"][mine], targets, order[mine])
        sem = next((x.value for x in of_name(part, "SEM (consistency)", "SEM (relative)")
                    if labels(x.of) == name and x.value > 0), None)
        if change is not None and sem is not None:
            found.append((name, change, sem, test.grade_of_change(change, sem, reason=reason), e.unit(mine)))
    if not found:
        targets, _ = test.coded(e.words(q.target)[rows])
        spread = [float(np.ptp(order[rows][targets == t])) for t in np.unique(targets)]
        if max(spread, default=1.0) <= _SAME_DAY:
            return (f"{q.name}: all repeats of one {q.target} belong to one occasion, which leaves no time to change",
                    "adequate")
        return (f"{q.name}: too few repeats at different times to look for a change",
                "adequate" if reason else "doubtful")
    grade = worst([f[3] for f in found])
    name, change, sem, _, u = max((f for f in found if f[3] == grade), key=lambda f: abs(f[1].value) / f[2])
    largest = f", the largest change of {len(found)} groups" if len(found) > 1 else ""
    where = f"{f' in {name}' if name else ''}{largest}"
    return (f"{q.name}: from first to last repeat (median {change.span:.3g} {unit}) readings of one {q.target} changed "
            f"by {format_interval(change.value, change.low, change.high)} {u} on average{where}; that is "
            f"{abs(change.value) / sem:.2g} times the SEM (consistency) of {sem:.3g} {u}"), grade


def _pairs_apart(e: Evidence, q: AgreementQuestion) -> tuple[float, float, int] | None:
    """Return median and largest time between the readings of a pair in days, and the pairs; None without times."""
    order, trials = e.days(), e.trials
    if order is None or trials is None or q.compare not in trials or not q.pair_by:
        return None
    rows = e.rows(q.where) & np.isfinite(order)
    if q.a and q.b:
        rows = rows & np.isin(e.words(q.compare).astype(str), [q.a, q.b])
    columns = [e.words(c)[rows] for c in q.pair_by if c in trials]
    if not columns or not rows.any():
        return None
    cells = test.cells_of(columns)
    first = np.full(int(cells.max()) + 1, np.inf)
    last = np.full_like(first, -np.inf)
    np.minimum.at(first, cells, order[rows])
    np.maximum.at(last, cells, order[rows])
    several = np.bincount(cells) > 1
    apart = (last - first)[several]
    return (float(np.median(apart)), float(apart.max()), len(apart)) if len(apart) else None


def _stable_pairs(e: Evidence, q: AgreementQuestion) -> tuple[str, str]:
    apart = _pairs_apart(e, q)
    if apart is None:
        return f"{q.name}: pairs bear no time", "adequate" if e.told.stable else "doubtful"
    if apart[1] == 0:
        return (f"{q.name}: both readings of each of {apart[2]} pairs bear the same time, so that nothing could change",
                "very good")
    return (f"{q.name}: the readings of a pair lie up to {days_text(apart[1])} apart (median {days_text(apart[0])})",
            "adequate" if e.told.stable or apart[1] <= _SAME_DAY else "doubtful")


def days_text(days: float) -> str:
    """Return a time for a sentence."""
    if days == 0:
        return "no time"
    return f"{days:.3g} days" if days >= 1 else f"{24 * days:.2g} hours" if days >= _SAME_DAY else \
        f"{24 * 60 * days:.2g} minutes"


def interval_text(e: Evidence) -> list[str]:
    """Return the time between repeats, question by question."""
    said, order = [], e.days()
    for q, _ in e.reliability:
        rows = e.rows(q.where)
        if e.trials is None or q.target not in e.trials or not rows.any():
            continue
        targets, _names = test.coded(e.words(q.target)[rows])
        levels = test.cells_of([e.words(f)[rows] for f in facets_of(q) if f in e.trials])
        parts = []
        gaps = test.gaps_between_repeats(targets, levels, order[rows]) if order is not None else None
        if gaps is not None:
            parts.append("no time (one occasion)" if gaps.high == 0 else
                         f"{days_text(gaps.median)} (median; {days_text(gaps.low)} to {days_text(gaps.high)})")
        if "use" in e.trials:
            uses = test.gaps_between_repeats(targets, levels, e.trials["use"][rows])
            if uses is not None and uses.high > 0:
                parts.append(f"{uses.median:g} uses ({uses.low:g} to {uses.high:g})")
        if parts:
            said.append(f"{q.name}: between repeats of one {q.target} lay {join_words(parts)}")
    for a, _ in e.agreement:
        apart = _pairs_apart(e, a)
        if apart is not None:
            lay = "no time" if apart[1] == 0 else f"{days_text(apart[0])} (median), at most {days_text(apart[1])}"
            said.append(f"{a.name}: between the readings of a pair lay {lay}")
    return said


def interval(e: Evidence) -> Filled:
    """State the time between repeats; whether it suits the question is for a person to say."""
    said = interval_text(e)
    if e.told.interval_reason:
        return filled(*said, f"this suits the question: {e.told.interval_reason}", source="data and study.toml" if said
                      else "study.toml", grade="very good" if said else "adequate")
    if said and all("no time" in s for s in said):
        return filled(*said, grade="very good")
    return needs_you(key("interval_reason"), known=said, grade="doubtful")


def conditions(e: Evidence) -> Filled:
    """Compare every recorded condition between what is compared."""
    said, grades = [], []
    for q, _ in e.reliability:
        found = _conditions_of(e, q)
        unlike = [u for u in found if not u.alike]
        if unlike:
            said.append(f"{q.name}: unlike between levels of {join_words(facets_of(q))} were "
                        f"{join_words([u.text for u in unlike])}")
        elif found:
            said.append(f"{q.name}: alike between levels of {join_words(facets_of(q))} were "
                        f"{join_words([u.text for u in found])}")
        else:
            said.append(f"{q.name}: no condition recorded in the trials varies but what was studied")
        grades.append("doubtful" if unlike else "very good" if found else "adequate")
    for a, _ in e.agreement:
        text, grade = _conditions_of_pairs(e, a)
        said.append(text)
        grades.append(grade)
    if not said and not e.told.conditions:
        return needs_you(key("conditions"), grade="doubtful")
    return filled(f"kept alike: {e.told.conditions}" if e.told.conditions else "", *said,
                  grade=worst(grades) or "adequate", source="data and study.toml" if e.told.conditions else "data",
                  needs=() if e.told.conditions else (key("conditions"),))


def _conditions_of(e: Evidence, q: ReliabilityQuestion) -> list[test.Unlike]:
    trials, rows = e.trials, e.rows(q.where)
    if trials is None or not rows.any() or any(f not in trials for f in facets_of(q)) or q.target not in trials:
        return []
    levels = test.cells_of([e.words(f)[rows] for f in facets_of(q)])
    roles = {q.target, *facets_of(q), *q.by, q.replicate, q.compare}
    found = []
    for column in trials.columns:
        if column in roles or column in _NO_CONDITION:
            continue
        if column in _NUMBERS or trials[column].dtype.kind == "f":
            values = np.asarray(trials[column][rows], dtype=np.float64)
            if np.isfinite(values).any() and np.nanstd(values) > 0:
                found.append(test.unlike_numbers(column, values, levels))
        elif len(set(e.words(column)[rows])) > 1:
            found.append(test.unlike_words(column, e.words(column)[rows], levels))
    force = _force(e, q)
    return [*found, *([force] if force is not None else [])]


def _force(e: Evidence, q: ReliabilityQuestion) -> test.Unlike | None:
    """Compare the total force of the same recordings, where it was reported as another measure."""
    trials = e.trials
    if trials is None or "measure" not in trials or "measure" not in q.where:
        return None
    named = np.array(["force" in str(m).casefold() for m in e.words("measure")], dtype=np.bool_)
    rows = e.rows({k: v for k, v in q.where.items() if k not in ("measure", "region")}) & named
    if not rows.any():
        return None
    targets, _ = test.coded(e.words(q.target)[rows])
    levels = test.cells_of([e.words(f)[rows] for f in facets_of(q)])
    return test.unlike_force(trials["reading"][rows], targets, levels)


def _conditions_of_pairs(e: Evidence, q: AgreementQuestion) -> tuple[str, str]:
    """Say which conditions differ inside pairs."""
    trials, rows = e.trials, e.rows(q.where)
    if trials is None or not q.pair_by or not rows.any() or q.compare not in trials:
        return f"{q.name}: readings are not paired by any condition", "doubtful"
    cells = test.cells_of([e.words(c)[rows] for c in q.pair_by if c in trials])
    differ = []
    for column in trials.columns:
        if column in (*q.pair_by, *q.by, q.compare) or column in _NO_CONDITION - {"use"}:
            continue
        labels_here, _ = test.coded(e.words(column)[rows])
        several = len(np.unique(cells)) < len(np.unique(cells * (int(labels_here.max()) + 1) + labels_here))
        if several:
            differ.append(column)
    paired = join_words(q.pair_by)
    if differ:
        return f"{q.name}: pairs share {paired} and differ in {join_words(differ)}", "doubtful"
    return f"{q.name}: pairs share {paired}, and no recorded condition differs inside a pair", "very good"


def blind_measuring(e: Evidence) -> Filled:
    """Say whether whoever measured knew the earlier values."""
    return _blind(e, "blinded_measuring", "each measurement was made without knowledge of earlier values of that unit",
                  "measurements were made with knowledge of earlier values")


def blind_scoring(e: Evidence) -> Filled:
    """Say whether whoever read values off knew the earlier ones."""
    return _blind(e, "blinded_scoring", "each value was read off without knowledge of earlier values of that unit",
                  "values were read off with knowledge of earlier ones")


def _blind(e: Evidence, name: str, yes: str, no: str) -> Filled:
    told = getattr(e.told, name)
    if told is None:
        return needs_you(key(name), grade="doubtful")
    words = {"yes": yes, "no": no, "unclear": "whether earlier values were known is not clear", "not needed":
             "values come from a program without a person's judgement, so that knowledge of earlier ones cannot enter"}
    grade = {"yes": "very good", "not needed": "very good", "unclear": "doubtful", "no": "inadequate"}
    return filled(words[told], e.told.blinding or "", source="study.toml", grade=grade[told])


def process(e: Evidence) -> Filled:
    """Describe how it was measured, from times and uses, and what the study says."""
    r = e.told
    blind = {"yes": "without knowledge of earlier values", "no": "with knowledge of earlier values",
             "unclear": "it is not clear whether earlier values were known",
             "not needed": "values come from a program without a person's judgement"}
    known = [*interval_text(e), "" if is_blank(e.study.study.use_is or "") else f"one use was {e.study.study.use_is}"]
    told = [f"conditions: {r.conditions}" if r.conditions else "",
            f"measured {blind[r.blinded_measuring]}" if r.blinded_measuring in ("yes", "no") else
            blind.get(r.blinded_measuring or "", "")]
    missing = [key(n) for n in ("conditions", "blinded_measuring") if not getattr(r, n)]
    if missing:
        return needs_you(*missing, known=[*known, *told])
    return filled(*known, *told, source="data and study.toml")


def independence(e: Evidence) -> Filled:
    """Look for copied rows, an effect of order and correlated errors, and print what the study says."""
    said = [*independence_tests(e)]
    if not said and not e.told.independence:
        return needs_you(key("independence"))
    return filled(e.told.independence or "", *said, source="data and study.toml" if e.told.independence else "data",
                  needs=() if e.told.independence else (key("independence"),))


def independence_tests(e: Evidence) -> list[str]:
    """Return what the data say of independence."""
    said = []
    for q, _ in e.reliability:
        said += _repeats(e, q.name, q.where, [q.target, *facets_of(q), *q.by], q.target, q.replicate)
    for a, part in e.agreement:
        structure = next((f.message for f in part.findings if f.code == "structure"), "")
        said.append(f"{a.name}: {structure}" if structure else "")
    wear = next(iter(e.of("wear")), None)
    if wear is not None:
        seen = [f.message for f in wear.findings if f.code in ("no-autocorrelation", "autocorrelation")]
        said += [f"checks: {m[0].lower()}{m[1:].split(':')[0].split(';')[0]}" for m in seen]
    if e.study.study.duplicates == "refuse":
        said.append("rows alike in every label are refused when tables are read, and none was found")
    return [s for s in said if s]


def _repeats(e: Evidence, name: str, where: dict[str, object], columns: list[str], target: str,
             replicate: str | None) -> list[str]:
    trials, rows = e.trials, e.rows(where)
    there = [c for c in columns if trials is not None and c in trials]
    if trials is None or not rows.any() or target not in trials:
        return []
    cells = test.cells_of([e.words(c)[rows] for c in there])
    values = trials["reading"][rows]
    said = []
    found = test.copies(values, cells)
    if found is not None:
        many = "more than chance gives; look for copied rows" if found.p < 0.001 else "as rounding alone would give"
        said.append(f"{found.equal} of {found.pairs} repeats equal the one before to the last digit, {many}")
    if replicate and replicate in trials:
        number = np.array([_number(v) for v in e.words(replicate)[rows]], dtype=np.float64)
        step = test.mean_step(values, cells, number, test.coded(e.words(target)[rows])[0])
        if step is not None:
            seen = "an effect of order" if step.low > 0 or step.high < 0 else "no effect of order is seen"
            said.append(f"from one repeat to the next readings changed by "
                        f"{format_interval(step.value, step.low, step.high)} {e.unit(rows)} ({seen})")
    return [f"{name}: {'; '.join(said)}"] if said else []


def _number(label: object) -> float:
    try:
        return float(str(label))
    except ValueError:
        return float("nan")


# Warnings that are verdicts on the answer, not flaws of the design.
_NO_FLAW = ("verdict", "verdict-by-variant", "no-protocol-limit", "short-interval", "harmless-share-not-judged",
            "line-refused", "concordance-refused")
_SERIOUS = ("agreement-drifts", "order-unknown", "one-pair-decides", "no-spread")


def flaws(e: Evidence) -> Filled:
    """List what an audit of design and analysis found; a person says how much it matters."""
    found, serious = audit(e)
    grade = "doubtful" if serious else "adequate" if found else "very good"
    text = f"an audit of the design found: {'; '.join(found)}" if found else "an audit of the design found no flaw"
    if e.told.flaws:
        return filled(text, f"judged by the authors: {e.told.flaws}", source="data and study.toml", grade=grade)
    return filled(text, source="draft", grade=grade, needs=(key("flaws"),))


def audit(e: Evidence) -> tuple[list[str], bool]:
    """Return what may be wrong with design and analysis, and whether any of it is serious."""
    found: dict[str, None] = {}
    serious = False
    for part in e.of("icc", "agree", "gauge"):
        for f in part.findings:
            if f.severity == "warning" and f.code not in _NO_FLAW and not f.code.startswith("screening"):
                found[f"{part.question}: {f.message.split(' (likewise')[0].rstrip('.')}"] = None
                serious |= f.code in _SERIOUS
        for a in part.provenance.accounts:
            inside = a.read - a.outside_where
            if inside and (a.excluded + a.unmatched) / inside > 0.10:
                found[f"{part.question}: {a.excluded + a.unmatched} of {inside} rows did not enter"] = None
                serious = True
    for q, _ in e.agreement:
        if q.rows_are_independent:
            found[f"{q.name}: pairs are declared independent; where targets repeat, intervals are too short"] = None
            serious = True
        if q.harmless is None:
            found[f"{q.name}: no largest harmless difference is declared"] = None
    return list(found), serious

