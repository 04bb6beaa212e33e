"""From a trial table to pairs: which rows enter, which meet which, and where every other row went."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drift.agreement.occasions import as_if_linked, shared_occasion
from drift.agreement.partners import missing_partners
from drift.errors import DriftError, Finding
from drift.records import TRIAL_KEYS, TrialTable
from drift.results import Exclusion, RowAccount, join_words
from drift.study import AgreementQuestion

if TYPE_CHECKING:
    from drift.screening import Screening

WORDLESS = frozenset({"reading", "time", "exclude", "exclude_reason", "saturated", "dead", "reading_sd", "reading_n",
                      "note", "notes", "comment", "comments", "remark", "remarks", "reference", "row"})
Labels = NDArray[np.object_]


@dataclass(frozen=True, eq=False)
class Group:
    """The pairs (or unpaired readings) of one answer: one combination of the ``by`` columns.

    Parameters
    ----------
    of : tuple of (column, value)
        Which group it is; empty without ``by``.
    key : array of str, shape (n_pairs,)
        Each pair in words.
    a, b : arrays, shape (n_pairs,)
        Readings in ``unit``. In an unpaired group the means of each target.
    target, sensor : array of str
        Labels; ``sensor`` is None where no sensor is named and no column tells.
    use : array or None
        Uses completed, mean of the two readings.
    exposure : str
        Unit of ``use``: uses, or hours and the like where the study says so.
    readings : tuple of four arrays, or None
        For unpaired replicates: readings of a, their target codes, readings of b, their target codes.
    errors : tuple of four arrays, or None
        Where rows are means: SD and number of the readings behind each a, then behind each b.
    occasion : tuple of (words, labels), or None
        Where the key goes below target and sensor: what pairs share besides (a session), and which one each has.
    linked : tuple of (columns, a, b, target codes), or None
        Of unpaired readings that have the keys of linked ones: the readings that would be pairs.
    """

    of: tuple[tuple[str, str], ...]
    unit: str
    key: Labels
    a: NDArray[np.float64]
    b: NDArray[np.float64]
    target: Labels
    sensor: Labels | None
    use: NDArray[np.float64] | None
    readings: tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float64], NDArray[np.int64]] | None = None
    rows: tuple[int, ...] = ()
    exposure: str = "use"
    errors: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]] | None = None
    occasion: tuple[str, Labels] | None = None
    linked: tuple[tuple[str, ...], NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]] | None = None

    @property
    def difference(self) -> NDArray[np.float64]:
        """A - b."""
        return self.a - self.b

    @property
    def mean(self) -> NDArray[np.float64]:
        """(a + b) / 2."""
        return 0.5 * (self.a + self.b)


@dataclass(frozen=True, eq=False)
class Pairing:
    """All groups of a question with the account of rows."""

    groups: tuple[Group, ...]
    account: RowAccount
    exclusions: tuple[Exclusion, ...]
    findings: tuple[Finding, ...]
    target_name: str
    sensor_name: str | None
    constant: bool


class _Door:
    """Rows on their way in: which still stand, and the record of those that do not."""

    def __init__(self, trials: TrialTable, question: AgreementQuestion) -> None:
        n = len(trials)
        self.trials, self.question = trials, question
        self.keep = np.ones(n, dtype=bool)
        self.masks = {kind: np.zeros(n, dtype=bool) for kind in ("outside where", "excluded", "unmatched")}
        self.reasons = np.full(n, "", dtype=object)
        self.findings: list[Finding] = []

    def out(self, mask: NDArray[np.bool_], kind: str, reasons: str | Sequence[str]) -> None:
        leaving = np.nonzero(mask & self.keep)[0]
        for j in leaving:
            self.reasons[j] = reasons if isinstance(reasons, str) else reasons[int(j)]
        self.masks[kind][leaving] = True
        self.keep[leaving] = False

    def account(self) -> tuple[RowAccount, tuple[Exclusion, ...]]:
        from drift.ingest.accounts import account_rows

        account, exclusions, _ = account_rows(
            self.question.name, "trials", self.trials, outside=self.masks["outside where"],
            excluded=self.masks["excluded"], unmatched=self.masks["unmatched"], reasons=self.reasons)
        return account, exclusions

    def say(self, severity: str, code: str, message: str, mend: str = "", **place: str | int | None) -> None:
        self.findings.append(Finding(severity=severity, code=code, message=message, mend=mend,  # type: ignore[arg-type]
                                     file=self.trials.file, question=self.question.name, **place))  # type: ignore[arg-type]


def labels(values: NDArray[np.generic]) -> Labels:
    """Labels as text: numbers without needless decimals, missing as ""."""
    if values.dtype.kind == "f":
        return np.array(["" if np.isnan(v) else f"{v:.15g}" for v in values], dtype=object)
    return np.array(["" if v is None else str(v) for v in values], dtype=object)


def _codes(columns: Iterable[Labels], n: int) -> NDArray[np.int64]:
    """Whole-number code of each combination, in order of first appearance of its sorted labels."""
    code = np.zeros(n, dtype=np.int64)
    for column in columns:
        part = np.unique(column.astype(str), return_inverse=True)[1].reshape(-1)
        code = np.unique(code * (int(part.max(initial=0)) + 1) + part, return_inverse=True)[1].reshape(-1)
    return code


def _key_words(names: Sequence[str], columns: Sequence[Labels], j: int) -> str:
    return ", ".join(f"{n} {c[j]}" for n, c in zip(names, columns, strict=True))


def _check_columns(door: _Door) -> None:
    q, trials = door.question, door.trials
    wanted = [("compare", q.compare), *(("pair_by", c) for c in q.pair_by), *(("by", c) for c in q.by)]
    wanted += [(role, c) for role, c in (("target", q.target), ("sensor", q.sensor)) if c]
    for role, column in wanted:
        if column not in trials:
            near = difflib.get_close_matches(column, list(trials.columns), n=1)
            hint = f"Did you mean {near[0]!r}?" if near else f"The table has {join_words(trials.columns)}."
            door.say("error", "unknown-column", f"{role} names the column {column!r}, which the table does not have",
                     hint, column=column)
    if q.a == q.b:
        door.say("error", "same-method", f"a and b are both {q.a!r}", "Name two different values to compare.")
    if q.compare in q.pair_by:
        door.say("error", "pair-by-compare", f"pair_by holds the compared column {q.compare!r}, so no reading could "
                 "meet its partner", f"Take {q.compare!r} out of pair_by.")
    if door.findings:
        raise DriftError(door.findings)
    present = {v for v in labels(trials[q.compare]) if v}
    for role, value in (("a", q.a), ("b", q.b)):
        if value not in present:
            near = difflib.get_close_matches(value, sorted(present), n=1)
            door.say("error", "unknown-value", f"{role} is {value!r}, but the column holds "
                     f"{join_words(sorted(present)[:8]) or 'nothing'}",
                     f"Did you mean {near[0]!r}?" if near else "Name one of these.", column=q.compare)
    if door.findings:
        raise DriftError(door.findings)


def _narrow(door: _Door, screening: Screening | None) -> None:
    """Take out rows outside the question, excluded rows and rows without a reading."""
    q, trials = door.question, door.trials
    if q.where:
        from drift.ingest.select import select_where

        words = "; ".join(f"{k} = {v}" for k, v in q.where.items())
        door.out(~select_where(trials, q.where, question=q.name), "outside where", f"outside where ({words})")
    method = labels(trials[q.compare])
    other = ~np.isin(method.astype(str), [q.a, q.b])
    door.out(other, "outside where", [f"{q.compare} {m or 'not stated'} is not compared" for m in method])
    if "exclude" in trials:
        why = labels(trials["exclude_reason"]) if "exclude_reason" in trials else door.reasons.copy()
        door.out(trials["exclude"] == 1.0, "excluded", [w or "marked as excluded in the table, no reason given"
                                                        for w in why])
    if screening is not None:
        door.out(screening.dropped, "excluded", list(screening.reasons))
    door.out(~np.isfinite(trials["reading"]), "excluded", "no reading")


def _names(door: _Door) -> tuple[str, str | None, tuple[str, ...]]:
    """Target column, sensor column (None if there is none to tell), and the columns of the pair key."""
    q, trials = door.question, door.trials
    special = {q.compare, *q.by}
    pair_by = q.pair_by or tuple(c for c in TRIAL_KEYS if c in trials and c not in special
                                 and len(set(labels(trials[c])[door.keep]) - {""}) > 1)
    if not pair_by and q.target:
        pair_by = (q.target,)
    if not pair_by:
        raise DriftError(Finding(severity="error", code="no-pair-key", question=q.name, file=trials.file,
                                 message="nothing says which readings belong together",
                                 mend="Name the columns that pick one reading of each in pair_by."))
    if not q.pair_by:
        door.say("note", "pair-by-default", f"Pairs are formed by {join_words(pair_by)}, the key columns that vary")
    target = q.target or ("participant" if "participant" in trials and "participant" not in special else None)
    if target is None:
        target = next((c for c in pair_by if c != q.sensor), pair_by[0])
    if q.target is None:
        door.say("note", "target-default", f"The target is taken to be {target}", "Set target to say otherwise.")
    sensor = q.sensor
    if sensor is None and "sensor" in trials and q.compare != "sensor" and target != "sensor" and "sensor" not in q.by:
        sensor = "sensor"
    if sensor is not None and len(set(labels(trials[sensor])[door.keep]) - {""}) < 2:
        sensor = None
    return target, sensor, pair_by


def _one_measure(door: _Door) -> None:
    q, trials = door.question, door.trials
    if "measure" not in trials or "measure" in q.by or q.compare == "measure":
        return
    found = sorted(set(labels(trials["measure"])[door.keep]) - {""})
    if len(found) > 1:
        door.say("error", "several-measures", f"the rows hold {len(found)} measures ({join_words(found[:6])})",
                 'Choose one in where, or add "measure" to by.', column="measure")


def _unit(trials: TrialTable, measure: str | None) -> str:
    if measure and f"reading[{measure}]" in trials.units:
        return str(trials.units[f"reading[{measure}]"])
    return str(trials.units.get("reading", ""))


def form_pairs(trials: TrialTable, question: AgreementQuestion, *, screening: Screening | None = None) -> Pairing:
    """Pair the readings of a and b of one question.

    Parameters
    ----------
    trials : TrialTable
    question : AgreementQuestion
    screening : Screening, optional
        Rows that failed a rule named in ``[screening] drop`` are excluded with its reason.

    Returns
    -------
    Pairing

    Raises
    ------
    DriftError
        If a column or value is unknown, ``pair_by`` picks several readings of one method, a key column
        differs within a pair, several measures are mixed, or no pair is left.
    """
    door = _Door(trials, question)
    _check_columns(door)
    _narrow(door, screening)
    if not door.keep.any():
        raise DriftError(Finding(severity="error", code="no-rows", question=question.name, file=trials.file,
                                 message=f"no usable row is left of {len(trials)}",
                                 mend="Look at where, at exclude and at empty readings."))
    _one_measure(door)
    target, sensor, pair_by = _names(door)
    by = [labels(trials[c]) for c in question.by]
    constant = question.truth == "constant"
    names = (target,) if constant else pair_by
    columns = [labels(trials[c]) for c in names]
    words = [_key_words([*question.by, *names], [*by, *columns], j) for j in range(len(trials))]
    missing = np.zeros(len(trials), dtype=bool)
    for column in (*columns, *by, labels(trials[target])):
        missing |= column == ""
    door.out(missing, "unmatched", f"no value in {join_words(dict.fromkeys([*question.by, *names, target]))}")
    is_a = labels(trials[question.compare]) == question.a
    code = _codes([*by, *columns], len(trials))
    size = int(code.max(initial=0)) + 1
    n_a = np.bincount(code[door.keep & is_a], minlength=size)
    n_b = np.bincount(code[door.keep & ~is_a], minlength=size)
    if not constant:
        _one_of_each(door, code, is_a, n_a, n_b, words)
    alone = (n_a[code] == 0) | (n_b[code] == 0)
    lonely = np.nonzero(alone & door.keep)[0]
    door.findings += missing_partners([words[j] for j in lonely], [question.b if is_a[j] else question.a
                                                                   for j in lonely], question)
    door.out(alone, "unmatched", [f"no reading by {question.b if w else question.a}" for w in is_a])
    if not constant and not any(f.severity == "error" for f in door.findings):
        _steady(door, code, is_a, pair_by)
    if any(f.severity == "error" for f in door.findings):
        raise DriftError(door.findings)
    if not door.keep.any():
        raise DriftError([*door.findings, Finding(
            severity="error", code="no-pairs", question=question.name, file=trials.file,
            message=f"no reading by {question.a} meets one by {question.b}",
            mend=f"Check pair_by ({join_words(names)}): a column in it may differ between the two methods.")])
    _caution_rows(door)
    if not constant:
        target = _what_repeats(door, target, by, is_a)
    groups = _groups(door, by, code, is_a, words, target, sensor, constant, pair_by)
    account, exclusions = door.account()
    return Pairing(groups, account, exclusions, tuple(door.findings), target, sensor, constant)


def _what_repeats(door: _Door, target: str, by: Sequence[Labels], is_a: NDArray[np.bool_]) -> str:
    """Return the target, or participant where every pair names another target and people repeat.

    Pairs of one person are not independent, whatever the target is called; only rows_are_independent says so.
    """
    trials, first = door.trials, door.keep & is_a
    if target == "participant" or "participant" not in trials or door.question.compare == "participant":
        return target
    people, groups, n = labels(trials["participant"])[first], [b[first] for b in by], int(first.sum())
    if "participant" in door.question.by or "" in people:
        return target
    met = [len(set(zip(x, *groups, strict=True))) for x in (labels(trials[target])[first], people)]  # in each group
    if met[0] < n or met[1] == n:
        return target
    door.say("note", "target-repeats", f"{n} pairs stand on {len(set(people))} levels of participant, and {target} "
             "tells every pair apart, so participant is taken as the target")
    return "participant"


def _one_of_each(door: _Door, code: NDArray[np.int64], is_a: NDArray[np.bool_], n_a: NDArray[np.int64],
                 n_b: NDArray[np.int64], words: Sequence[str]) -> None:
    crowded = np.nonzero((n_a > 1) | (n_b > 1))[0]
    if not len(crowded):
        return
    q, rows = door.question, door.trials.row
    for c in crowded[:5]:
        side, name = (is_a, q.a) if n_a[c] > 1 else (~is_a, q.b)
        members = np.nonzero((code == c) & door.keep & side)[0]
        free = [k for k in TRIAL_KEYS if k in door.trials and k not in q.pair_by and k != q.compare
                and len(set(labels(door.trials[k][members]))) > 1]
        mend = (f"Add {join_words(free)} to pair_by" if free else "Add a replicate column and name it in pair_by")
        door.say("error", "pair-not-unique", f"pair_by picks {len(members)} readings by {name} for "
                 f"{words[members[0]]} (rows {join_words(str(r) for r in rows[members][:8])})",
                 f'{mend}, or set truth = "constant" if these are unlinked repeats.', row=int(rows[members[0]]))
    if len(crowded) > 5:
        door.say("error", "pair-not-unique", f"{len(crowded) - 5} further keys pick several readings")


def _steady(door: _Door, code: NDArray[np.int64], is_a: NDArray[np.bool_], pair_by: Sequence[str]) -> None:
    """Find columns that differ between the two readings of a pair."""
    q, trials = door.question, door.trials
    ia, ib = np.nonzero(door.keep & is_a)[0], np.nonzero(door.keep & ~is_a)[0]
    ia, ib = ia[np.argsort(code[ia], kind="stable")], ib[np.argsort(code[ib], kind="stable")]
    fixed = {*pair_by, *q.by, q.compare, *WORDLESS}
    loose: list[str] = []
    for column in trials.columns:
        if column in fixed:
            continue
        text = labels(trials[column])
        differs = text[ia] != text[ib]
        if not differs.any():
            continue
        j = int(np.nonzero(differs)[0][0])
        if column in TRIAL_KEYS or column == q.target:
            door.say("error", "varies-in-pair", f"{column} differs within {int(differs.sum())} pairs, first between "
                     f"rows {trials.row[ia[j]]} ({text[ia[j]]}) and {trials.row[ib[j]]} ({text[ib[j]]}), so the "
                     "difference would mix two causes",
                     f"Add {column} to pair_by, or fix it in where.", column=column, row=int(trials.row[ia[j]]))
        else:
            loose.append(f"{column} (in {int(differs.sum())} of {len(ia)} pairs)")
    if loose:
        door.say("note", "varies-in-pair", f"The two readings of a pair differ in {join_words(loose)}")


def _caution_rows(door: _Door) -> None:
    trials, keep = door.trials, door.keep
    if "saturated" in trials:
        n = int(np.sum(np.nan_to_num(trials["saturated"][keep]) > 0))
        if n:
            door.say("warning", "saturated-readings", f"{n} of {int(keep.sum())} readings have saturated cells and are "
                     "lower bounds; their differences are too small or too large by an unknown amount",
                     "Leave them out in where or by exclude and compare.", column="saturated")
    if "reading_n" in trials and np.any(trials["reading_n"][keep] > 1):
        door.say("note", "readings-are-means", "Some rows are means of several readings; the limits hold for such "
                 "means, not for single readings", column="reading_n")


def _groups(door: _Door, by: Sequence[Labels], code: NDArray[np.int64], is_a: NDArray[np.bool_], words: Sequence[str],
            target: str, sensor: str | None, constant: bool, pair_by: Sequence[str]) -> tuple[Group, ...]:
    q, trials = door.question, door.trials
    made = []
    by_code = _codes(by, len(trials))
    for g in np.unique(by_code[door.keep]):
        here = door.keep & (by_code == g)
        first = int(np.nonzero(here)[0][0])
        of = tuple((c, str(v[first])) for c, v in zip(q.by, by, strict=True))
        measure = dict(of).get("measure") or (labels(trials["measure"])[first] if "measure" in trials else None)
        unit, ia, ib = _unit(trials, measure), np.nonzero(here & is_a)[0], np.nonzero(here & ~is_a)[0]
        made.append(_unpaired_group(trials, of, unit, ia, ib, target, pair_by) if constant
                    else _paired_group(trials, of, unit, ia, ib, code, words, target, sensor, pair_by))
    return tuple(made)


def _paired_group(trials: TrialTable, of: tuple[tuple[str, str], ...], unit: str, ia: NDArray[np.int64],
                  ib: NDArray[np.int64], code: NDArray[np.int64], words: Sequence[str], target: str,
                  sensor: str | None, pair_by: Sequence[str]) -> Group:
    ia, ib = ia[np.argsort(code[ia], kind="stable")], ib[np.argsort(code[ib], kind="stable")]
    order = np.argsort(np.minimum(ia, ib), kind="stable")  # pairs in the order of the table
    ia, ib = ia[order], ib[order]
    use = 0.5 * (trials["use"][ia] + trials["use"][ib]) if "use" in trials else None
    return Group(of, unit, np.array([words[j] for j in ia], dtype=object), trials["reading"][ia].copy(),
                 trials["reading"][ib].copy(), labels(trials[target][ia]),
                 labels(trials[sensor][ia]) if sensor else None,
                 use if use is not None and np.isfinite(use).all() else None,
                 rows=tuple(int(r) for pair in zip(trials.row[ia], trials.row[ib], strict=True) for r in pair),
                 exposure=str(trials.units.get("use", "use")), errors=_errors(trials, ia, ib),
                 occasion=shared_occasion(trials, ia, pair_by, target, sensor))


def _errors(trials: TrialTable, ia: NDArray[np.int64], ib: NDArray[np.int64]
            ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]] | None:
    """Return SD and number of the readings behind each pair, where the table has them."""
    if "reading_sd" not in trials or "reading_n" not in trials:
        return None
    sd, n = trials["reading_sd"], trials["reading_n"]
    return sd[ia].copy(), n[ia].copy(), sd[ib].copy(), n[ib].copy()


def _unpaired_group(trials: TrialTable, of: tuple[tuple[str, str], ...], unit: str, ia: NDArray[np.int64],
                    ib: NDArray[np.int64], target: str, pair_by: Sequence[str]) -> Group:
    names = labels(trials[target])
    levels = list(dict.fromkeys(names[np.sort(np.concatenate([ia, ib]))]))
    index = {v: i for i, v in enumerate(levels)}
    ta = np.array([index[v] for v in names[ia]], dtype=np.int64)
    tb = np.array([index[v] for v in names[ib]], dtype=np.int64)
    xa, xb = trials["reading"][ia].copy(), trials["reading"][ib].copy()
    mean_a = np.bincount(ta, weights=xa) / np.bincount(ta)
    mean_b = np.bincount(tb, weights=xb) / np.bincount(tb)
    key = np.array([f"{target} {v}" for v in levels], dtype=object)
    return Group(of, unit, key, mean_a, mean_b, np.array(levels, dtype=object), None, None, (xa, ta, xb, tb),
                 rows=tuple(int(r) for r in np.sort(trials.row[np.concatenate([ia, ib])])),
                 linked=as_if_linked(trials, ia, ib, ta, pair_by, target))
