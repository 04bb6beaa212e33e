"""From a trial table to sets of readings: which rows of several methods belong together, where every other row went.

A set holds the readings of one key (one target, session, sensor and replicate, say) by all methods that read it; a
method that did not is a missing cell. With a constant true value a set is a target, and readings are not linked.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drift.agreement.pairs import (
    WORDLESS,
    Group,
    Labels,
    _caution_rows,
    _codes,
    _Door,
    _key_words,
    _names,
    _one_measure,
    _unit,
    _what_repeats,
    labels,
)
from drift.errors import DriftError, Finding
from drift.records import TRIAL_KEYS, TrialTable
from drift.results import Exclusion, RowAccount, join_words
from drift.study import AgreementQuestion

if TYPE_CHECKING:
    from drift.screening import Screening

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
MOST_NAMED = 8


@dataclass(frozen=True, eq=False)
class Cells:
    """The sets of one answer: one combination of the ``by`` columns.

    Parameters
    ----------
    of : tuple of (column, value)
    unit : str
    methods : tuple of str
    table : array, shape (n_sets, k)
        Reading of each method in each set, NaN where there is none; means where readings are not linked.
    key, target : array of str, shape (n_sets,)
    sensor, use : array or None
    rows : array of int, shape (n_sets, k)
        Row of each reading as the editor numbers it; 0 where there is none or where it is a mean.
    loose : per method (readings, set of each), or None
        Unlinked readings where the true value is constant.
    exposure : str
    """

    of: tuple[tuple[str, str], ...]
    unit: str
    methods: tuple[str, ...]
    table: FloatArray
    key: Labels
    target: Labels
    sensor: Labels | None
    use: FloatArray | None
    rows: IntArray
    loose: tuple[tuple[FloatArray, IntArray], ...] | None = None
    exposure: str = "use"

    @property
    def complete(self) -> bool:
        """Whether every method read every set."""
        return bool(np.isfinite(self.table).all())

    @property
    def positive(self) -> bool:
        """Whether all readings are above zero."""
        loose = [v for v, _ in self.loose or ()]
        return all(bool(np.all(v > 0)) for v in (self.table[np.isfinite(self.table)], *loose))

    def on_logs(self) -> Cells:
        """Return the same sets with the logarithms of the readings."""
        if self.loose is None:
            return replace(self, table=np.log(self.table), unit="")
        loose = tuple((np.log(v), code) for v, code in self.loose)
        table = np.full(self.table.shape, np.nan)
        for j, (v, code) in enumerate(loose):
            number = np.bincount(code, minlength=len(table))
            sums = np.bincount(code, weights=v, minlength=len(table))
            table[number > 0, j] = sums[number > 0] / number[number > 0]
        return replace(self, table=table, loose=loose, unit="")

    def pair(self, i: int, j: int) -> Group:
        """Return the pairs of methods i and j, as the analysis of two methods has them."""
        both = np.asarray(np.isfinite(self.table[:, i]) & np.isfinite(self.table[:, j]), dtype=bool)
        return self._group(both, self.table[both, i], self.table[both, j],
                           None if self.loose is None else self._loose(i, j, both))

    def against_others(self, j: int) -> Group:
        """Return method j against the mean of the others, in the sets that every method read."""
        all_there = np.asarray(np.isfinite(self.table).all(axis=1), dtype=bool)
        y = self.table[all_there]
        return self._group(all_there, y[:, j], np.delete(y, j, axis=1).mean(axis=1), None)

    def everything(self) -> Group:
        """Return all sets as if they were pairs, to find out what repeats."""
        middle = np.nanmean(self.table, axis=1)
        whole: NDArray[np.bool_] = np.ones(len(middle), dtype=bool)
        return self._group(whole, middle, middle, None if self.loose is None else self._loose(0, 1, whole))

    def _group(self, keep: NDArray[np.bool_], a: FloatArray, b: FloatArray,
               readings: tuple[FloatArray, IntArray, FloatArray, IntArray] | None) -> Group:
        return Group(self.of, self.unit, self.key[keep], a, b, self.target[keep],
                     None if self.sensor is None else self.sensor[keep], None if self.use is None else self.use[keep],
                     readings, exposure=self.exposure)

    def _loose(self, i: int, j: int, keep: NDArray[np.bool_]
               ) -> tuple[FloatArray, IntArray, FloatArray, IntArray]:
        assert self.loose is not None
        place = np.cumsum(keep) - 1
        sides = []
        for m in (i, j):
            values, code = self.loose[m]
            sides += [values[keep[code]], place[code[keep[code]]].astype(np.int64)]
        return sides[0], sides[1], sides[2], sides[3]  # type: ignore[return-value]


@dataclass(frozen=True, eq=False)
class Sets:
    """All groups of a question with the account of rows."""

    groups: tuple[Cells, ...]
    methods: tuple[str, ...]
    account: RowAccount
    exclusions: tuple[Exclusion, ...]
    findings: tuple[Finding, ...]
    target_name: str
    sensor_name: str | None
    constant: bool


def form_sets(trials: TrialTable, question: AgreementQuestion, *, screening: Screening | None = None) -> Sets:
    """Put the readings of several methods together, set by set.

    Parameters
    ----------
    trials : TrialTable
    question : AgreementQuestion
        With ``methods``: three or more values of the compared column, or ``"all"``.
    screening : Screening, optional

    Returns
    -------
    Sets

    Raises
    ------
    DriftError
        If a column or method is unknown, a method has no usable reading, ``pair_by`` picks several readings of one
        method, a key column differs within a set, several measures are mixed, or no set is left.
    """
    door = _Door(trials, question)
    _columns(door)
    methods = _methods(door)
    _narrow(door, methods, screening)
    methods = _with_readings(door, methods)
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
    compared = labels(trials[question.compare])
    method = np.array([methods.index(m) if m in methods else -1 for m in compared], dtype=np.int64)
    code = _codes([*by, *columns], len(trials))
    counts = np.zeros((int(code.max(initial=0)) + 1, len(methods)), dtype=np.int64)
    np.add.at(counts, (code[door.keep], method[door.keep]), 1)
    if not constant:
        _one_of_each(door, code, method, counts, methods, words)
    door.out((counts > 0).sum(axis=1)[code] < 2, "unmatched", "no reading by any other of the methods")
    if not constant and not any(f.severity == "error" for f in door.findings):
        _steady(door, code, pair_by)
    if any(f.severity == "error" for f in door.findings):
        raise DriftError(door.findings)
    if not door.keep.any():
        raise DriftError([*door.findings, Finding(
            severity="error", code="no-pairs", question=question.name, file=trials.file,
            message="no reading by one method meets one by another",
            mend=f"Check pair_by ({join_words(names)}): a column in it may differ between the methods.")])
    _caution_rows(door)
    if not constant:
        first = np.zeros(len(trials), dtype=bool)
        kept = np.nonzero(door.keep)[0]
        first[kept[np.unique(code[kept], return_index=True)[1]]] = True
        target = _what_repeats(door, target, by, first)
    groups = _groups(door, by, code, method, methods, words, target, sensor, constant)
    account, exclusions = door.account()
    return Sets(groups, methods, account, exclusions, tuple(door.findings), target, sensor, constant)


def _columns(door: _Door) -> None:
    """Refuse columns that are not there, and a compared column that links the sets."""
    q, trials = door.question, door.trials
    wanted = [("compare", q.compare), *(("pair_by", c) for c in q.pair_by), *(("by", c) for c in q.by)]
    wanted += [(role, c) for role, c in (("target", q.target), ("sensor", q.sensor)) if c]
    for role, column in wanted:
        if column not in trials:
            near = difflib.get_close_matches(column, list(trials.columns), n=1)
            hint = f"Did you mean {near[0]!r}?" if near else f"The table has {join_words(trials.columns)}."
            door.say("error", "unknown-column", f"{role} names the column {column!r}, which the table does not have",
                     hint, column=column)
    if q.compare in q.pair_by:
        door.say("error", "pair-by-compare", f"pair_by holds the compared column {q.compare!r}, so no reading could "
                 "meet its partners", f"Take {q.compare!r} out of pair_by.")
    if door.findings:
        raise DriftError(door.findings)


def _methods(door: _Door) -> tuple[str, ...]:
    """Return the methods of the question, every value of the compared column for "all"."""
    q = door.question
    present = sorted({v for v in labels(door.trials[q.compare]) if v})
    if q.methods == "all":
        if len(present) < 3:
            door.say("error", "too-few-methods", f"the column holds {join_words(present) or 'nothing'}, and several "
                     "methods are three or more", "Name two as a and b." if len(present) == 2 else "Choose another "
                     "column to compare.", column=q.compare)
            raise DriftError(door.findings)
        return tuple(present)
    named = tuple(q.methods)
    if len(set(named)) < 3 or len(set(named)) < len(named):
        door.say("error", "too-few-methods", f"methods names {join_words(named)}, but three or more different values "
                 "are needed", "Name two as a and b, or add a third.")
    for value in dict.fromkeys(named):
        if value not in present:
            near = difflib.get_close_matches(value, present, n=1)
            door.say("error", "unknown-value", f"methods names {value!r}, but the column holds "
                     f"{join_words(present[:MOST_NAMED]) or 'nothing'}",
                     f"Did you mean {near[0]!r}?" if near else "Name some of these.", column=q.compare)
    if door.findings:
        raise DriftError(door.findings)
    return named


def _narrow(door: _Door, methods: Sequence[str], screening: Screening | None) -> None:
    """Take out rows outside the question, excluded rows and rows without a reading."""
    q, trials = door.question, door.trials
    if q.where:
        from drift.ingest.select import select_where

        words = "; ".join(f"{k} = {v}" for k, v in q.where.items())
        door.out(~select_where(trials, q.where, question=q.name), "outside where", f"outside where ({words})")
    method = labels(trials[q.compare])
    door.out(~np.isin(method.astype(str), list(methods)), "outside where",
             [f"{q.compare} {m or 'not stated'} is not compared" for m in method])
    if "exclude" in trials:
        why = labels(trials["exclude_reason"]) if "exclude_reason" in trials else door.reasons.copy()
        door.out(trials["exclude"] == 1.0, "excluded", [w or "marked as excluded in the table, no reason given"
                                                        for w in why])
    if screening is not None:
        door.out(screening.dropped, "excluded", list(screening.reasons))
    door.out(~np.isfinite(trials["reading"]), "excluded", "no reading")


def _with_readings(door: _Door, methods: tuple[str, ...]) -> tuple[str, ...]:
    """Refuse named methods without any usable reading; of "all" they are left out with a note."""
    q = door.question
    if not door.keep.any():
        raise DriftError(Finding(severity="error", code="no-rows", question=q.name, file=door.trials.file,
                                 message=f"no usable row is left of {len(door.trials)}",
                                 mend="Look at where, at exclude and at empty readings."))
    there = {str(v) for v in labels(door.trials[q.compare])[door.keep]}
    empty = [m for m in methods if m not in there]
    if empty and q.methods != "all":
        for m in empty:
            door.say("error", "method-without-readings", f"no usable reading by {m} is left",
                     f"Take {m} out of methods, or look at where, at exclude and at empty readings.", column=q.compare)
        raise DriftError(door.findings)
    if empty:
        door.say("note", "method-without-readings", f"No usable reading is left by {join_words(empty[:MOST_NAMED])}"
                 f"{f' and {len(empty) - MOST_NAMED} more' if len(empty) > MOST_NAMED else ''}, so "
                 f"{'it is' if len(empty) == 1 else 'they are'} not compared")
    left = tuple(m for m in methods if m in there)
    if len(left) < 3:
        door.say("error", "too-few-methods", f"only {join_words(left)} {'has' if len(left) == 1 else 'have'} usable "
                 "readings, and several methods are three or more", "Name two as a and b, or look at where.",
                 column=q.compare)
        raise DriftError(door.findings)
    return left


def _one_of_each(door: _Door, code: IntArray, method: IntArray, counts: IntArray, methods: Sequence[str],
                 words: Sequence[str]) -> None:
    """Refuse keys that pick several readings of one method."""
    crowded = np.argwhere(counts > 1)
    q, rows = door.question, door.trials.row
    for c, m in crowded[:5]:
        members = np.nonzero((code == c) & door.keep & (method == m))[0]
        free = [k for k in TRIAL_KEYS if k in door.trials and k not in q.pair_by and k != q.compare
                and len(set(labels(door.trials[k][members]))) > 1]
        mend = f"Add {join_words(free)} to pair_by" if free else "Add a replicate column and name it in pair_by"
        door.say("error", "pair-not-unique", f"pair_by picks {len(members)} readings by {methods[m]} for "
                 f"{words[members[0]]} (rows {join_words(str(r) for r in rows[members][:8])})",
                 f'{mend}, or set truth = "constant" if these are unlinked repeats.', row=int(rows[members[0]]))
    if len(crowded) > 5:
        door.say("error", "pair-not-unique", f"{len(crowded) - 5} further keys pick several readings")


def _steady(door: _Door, code: IntArray, pair_by: Sequence[str]) -> None:
    """Find columns that differ between the readings of a set."""
    q, trials = door.question, door.trials
    kept = np.nonzero(door.keep)[0]
    order = kept[np.argsort(code[kept], kind="stable")]
    starts = np.unique(code[order], return_index=True)[1]
    fixed = {*pair_by, *q.by, q.compare, *WORDLESS}
    loose: list[str] = []
    for column in trials.columns:
        if column in fixed:
            continue
        text = labels(trials[column])
        part = np.unique(text[order].astype(str), return_inverse=True)[1].reshape(-1)
        differs = np.nonzero(np.maximum.reduceat(part, starts) != np.minimum.reduceat(part, starts))[0]
        if not len(differs):
            continue
        if column in TRIAL_KEYS or column == q.target:
            members = order[starts[differs[0]]:starts[differs[0] + 1] if differs[0] + 1 < len(starts) else None]
            other = next(int(j) for j in members if text[j] != text[members[0]])
            door.say("error", "varies-in-pair", f"{column} differs within {len(differs)} sets, first between rows "
                     f"{trials.row[members[0]]} ({text[members[0]]}) and {trials.row[other]} ({text[other]}), so the "
                     "difference would mix two causes", f"Add {column} to pair_by, or fix it in where.", column=column,
                     row=int(trials.row[members[0]]))
        else:
            loose.append(f"{column} (in {len(differs)} of {len(starts)} sets)")
    if loose:
        door.say("note", "varies-in-pair", f"The readings of a set differ in {join_words(loose)}")


def _groups(door: _Door, by: Sequence[Labels], code: IntArray, method: IntArray, methods: tuple[str, ...],
            words: Sequence[str], target: str, sensor: str | None, constant: bool) -> tuple[Cells, ...]:
    q, trials = door.question, door.trials
    made = []
    by_code = _codes(by, len(trials))
    for g in np.unique(by_code[door.keep]):
        rows = np.nonzero(door.keep & (by_code == g))[0]
        of = tuple((c, str(v[rows[0]])) for c, v in zip(q.by, by, strict=True))
        measure = dict(of).get("measure") or (labels(trials["measure"])[rows[0]] if "measure" in trials else None)
        made.append(_cells(trials, of, _unit(trials, measure), rows, code, method, methods, words, target, sensor,
                           constant))
    return tuple(made)


def _cells(trials: TrialTable, of: tuple[tuple[str, str], ...], unit: str, rows: IntArray, code: IntArray,
           method: IntArray, methods: tuple[str, ...], words: Sequence[str], target: str, sensor: str | None,
           constant: bool) -> Cells:
    """Put the rows of one group into a table, sets in the order of the file."""
    first, place = np.unique(code[rows], return_index=True)[1], np.unique(code[rows], return_inverse=True)[1]
    rank = np.argsort(np.argsort(first))
    at, lead = rank[place.reshape(-1)], rows[np.sort(first)]
    n, k = len(first), len(methods)
    reading = trials["reading"][rows]
    sums, counts = np.zeros((n, k)), np.zeros((n, k))
    np.add.at(sums, (at, method[rows]), reading)
    np.add.at(counts, (at, method[rows]), 1.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        table = sums / counts
    numbers = np.zeros((n, k), dtype=np.int64)
    if not constant:
        numbers[at, method[rows]] = trials.row[rows]
    use = None
    if "use" in trials and not constant:
        use = np.bincount(at, weights=trials["use"][rows], minlength=n) / counts.sum(axis=1)
    loose = None
    if constant:
        loose = tuple((reading[method[rows] == m], at[method[rows] == m].astype(np.int64)) for m in range(k))
    return Cells(of, unit, methods, table, np.array([words[j] for j in lead], dtype=object),
                 labels(trials[target][lead]), labels(trials[sensor][lead]) if sensor and not constant else None,
                 use if use is not None and np.isfinite(use).all() else None, numbers, loose,
                 str(trials.units.get("use", "use")))
