"""Occasion means of check standards, from any table or from a study's checks."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.calibration import calibrate, codes_of, numbers, words
from drift.errors import DriftError, Finding
from drift.records import CheckTable, Table

Floats = NDArray[np.float64]
Words = NDArray[np.object_]
_NUMBER = re.compile(r"[-+]?\d+(\.\d+)?([eE][-+]?\d+)?")


@dataclass(frozen=True, kw_only=True, eq=False)
class Occasions:
    """Means of one check standard over the readings of each occasion, in the order of time.

    Parameters
    ----------
    standard : str
        Name of the check standard; empty where a table holds one only.
    label : array of str, shape (n_occasions,)
    mean, within_sd, within_df : array, shape (n_occasions,)
        ``within_df`` is 0 where an occasion has one reading.
    use, time : array, shape (n_occasions,)
        Use count and ISO time where there are any (NaN, "").
    unit : str
    """

    standard: str
    label: Words
    mean: Floats
    within_sd: Floats
    within_df: Floats
    use: Floats
    time: Words
    unit: str = ""

    def __len__(self) -> int:
        return len(self.mean)


def _ordered(label: Words) -> NDArray[np.int64]:
    """Ranks of labels: as numbers where all are, as text where all are ISO dates, else in the order of the table."""
    kinds = list(dict.fromkeys(label.tolist()))
    if all(_NUMBER.fullmatch(k) for k in kinds):
        place = {k: i for i, k in enumerate(sorted(kinds, key=float))}
    elif all(re.match(r"\d{4}-\d\d-\d\d", k) for k in kinds):
        place = {k: i for i, k in enumerate(sorted(kinds))}
    else:
        place = {k: i for i, k in enumerate(kinds)}
    return np.array([place[k] for k in label], dtype=np.int64)


_MOMENT = re.compile(r"(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d)")


def day_labels(label: Words) -> Words:
    """Return labels that are moments as days, or as day and minute where a day has several; others as they are."""
    kinds = set(label.tolist())
    found = {k: _MOMENT.match(str(k)) for k in kinds}
    if not kinds or not all(found.values()):
        return label
    for groups in ((1,), (1, 2)):
        short = {k: " ".join(m[g] for g in groups) for k, m in found.items() if m is not None}
        if len(set(short.values())) == len(kinds):
            return np.array([short[k] for k in label.tolist()], dtype=object)
    return label


def occasions_of_table(table: Table, *, value: str = "reading", occasion: str, standard: str | None = None,
                       within_sd: str | None = None, within_df: str | None = None) -> tuple[Occasions, ...]:
    """Average the readings of each occasion, one result a standard.

    Where the rows are means already, ``within_sd`` and ``within_df`` name the columns with the SD inside each occasion
    and its degrees of freedom. Rows marked ``exclude`` do not enter.

    Raises
    ------
    DriftError
        Without the columns named, or without usable rows.
    """
    for name in (value, occasion, standard, within_sd, within_df):
        if name is not None and name not in table:
            raise DriftError(Finding(severity="error", code="missing-column", file=table.file, column=name,
                                     message=f"there is no column {name!r}",
                                     mend=f"There are: {', '.join(table.columns)}."))
    y = _as_numbers(table, value)
    keep = np.isfinite(y) & ~(np.nan_to_num(numbers(table, "exclude")) > 0)
    label, of = words(table, occasion), words(table, standard) if standard else np.full(len(table), "", dtype=object)
    _refuse_empty(table, keep, {occasion: label} | ({standard: of} if standard else {}))
    if not keep.any():
        raise DriftError(Finding(severity="error", code="no-usable-row", file=table.file, message="no row has both a "
                                 "value and an occasion", mend="Fill them in."))
    s = _as_numbers(table, within_sd)[keep] if within_sd else None
    v = _as_numbers(table, within_df)[keep] if within_df else None
    rank = _ordered(label[keep])
    label[keep] = day_labels(label[keep])
    unit = str(table.units.get(value, ""))
    made = []
    for name in sorted(set(of[keep].tolist())):
        mine = of[keep] == name
        made.append(_averaged(name, y[keep][mine], label[keep][mine], rank[mine], unit,
                              None if s is None else s[mine], None if v is None else v[mine]))
    return tuple(made)


def _refuse_empty(table: Table, keep: NDArray[np.bool_], columns: Mapping[str, Words]) -> None:
    """Refuse readings that belong to no occasion, or to no standard; every row of them is named."""
    bad = [(i, name) for name, held in columns.items() for i in np.flatnonzero(keep & (held == "")).tolist()]
    if bad:
        raise DriftError(tuple(Finding(severity="error", code="empty-cell", file=table.file, row=int(table.row[i]),
                                       column=name, value="", message=f"{name!r} is empty", expected="a value",
                                       mend="Fill it in, delete the row, or set exclude = yes with a reason.")
                               for i, name in sorted(bad)))


def _as_numbers(table: Table, name: str) -> Floats:
    """Return a column as numbers, whatever it was read as; text that is no number is a fault with its row."""
    if table[name].dtype.kind == "f":
        return np.asarray(table[name], dtype=np.float64)
    text = words(table, name)
    bad = [i for i, t in enumerate(text) if t and not _NUMBER.fullmatch(t.replace("\N{MINUS SIGN}", "-"))]
    if bad:
        raise DriftError(tuple(Finding(severity="error", code="not-a-number", file=table.file, row=int(table.row[i]),
                                       column=name, value=str(text[i]), expected="a number",
                                       message="this is not a number", mend="Write a number, with a decimal point.")
                               for i in bad[:20]))
    return np.array([float(t.replace("\N{MINUS SIGN}", "-")) if t else np.nan for t in text], dtype=np.float64)


def _averaged(name: str, y: Floats, label: Words, rank: NDArray[np.int64], unit: str, sd: Floats | None = None,
              df: Floats | None = None) -> Occasions:
    order, first, code = np.unique(rank, return_index=True, return_inverse=True)
    n = np.bincount(code).astype(np.float64)
    mean = np.bincount(code, weights=y) / n
    squares = np.bincount(code, weights=(y - mean[code]) ** 2)
    within = np.sqrt(squares / np.maximum(n - 1, 1))
    free: Floats = n - 1
    if sd is not None:
        free = df if df is not None else np.ones(len(y))
        good = np.isfinite(sd) & np.isfinite(free)
        weight = np.where(good, free, 0.0)
        total = np.asarray(np.bincount(code, weights=weight), dtype=np.float64)
        within = np.sqrt(np.bincount(code, weights=weight * np.where(good, sd, 0.0) ** 2) / np.maximum(total, 1e-300))
        free = total
    return Occasions(standard=name, label=label[first], mean=mean, within_sd=np.where(free > 0, within, np.nan),
                     within_df=free, use=np.full(len(order), np.nan), time=np.full(len(order), "", dtype=object),
                     unit=unit)


@dataclass(frozen=True, kw_only=True)
class Unread:
    """The newest reading of a check standard, where it makes no occasion.

    Parameters
    ----------
    standard : str
    use : float
        Exposure it was read at.
    reason : str
        Why it cannot be used.
    row : int
        Its last row in the table.
    """

    standard: str
    use: float
    reason: str
    row: int


def occasions_of_checks(checks: CheckTable, *, standard: NDArray[np.bool_], exposure: str = "use",
                        full_scale: Floats | None = None, saturated_limit: float = 0.0) -> tuple[Occasions, ...]:
    """Occasion means of the check standards of a study: the sensitivity (or reading) of each use, over mountings.

    Occasions follow each other by use count, and carry the time of their first reading. A standard that makes no uses
    may bear one count throughout: then its days are its occasions.
    """
    return read_standards(checks, standard=standard, exposure=exposure, full_scale=full_scale,
                          saturated_limit=saturated_limit)[0]


def read_standards(checks: CheckTable, *, standard: NDArray[np.bool_], exposure: str = "use",
                   full_scale: Floats | None = None, saturated_limit: float = 0.0
                   ) -> tuple[tuple[Occasions, ...], tuple[Unread, ...]]:
    """Return the occasions of :func:`occasions_of_checks`, and the standards whose newest reading is in none.

    Parameters
    ----------
    checks : CheckTable
    standard : array of bool, shape (n_rows,)
        Rows of check standards; those marked ``exclude`` do not enter.
    exposure : str
    full_scale : array, shape (n_rows,), optional
    saturated_limit : float
    """
    keep = standard & ~(np.nan_to_num(numbers(checks, "exclude")) > 0)
    if not keep.any():
        return (), ()
    found = calibrate(checks, exposure=exposure, full_scale=full_scale, saturated_limit=saturated_limit, keep=keep)
    value = found.sensitivity if found.form != "reading" else found.reading
    good = np.isfinite(value)
    place = {int(r): i for i, r in enumerate(checks.row)}
    when = words(checks, "time")
    time = np.array([when[place[int(r)]] for r in found.row], dtype=object)
    unit = str(checks.units.get("reading", ""))
    per = str(checks.units.get("reference", ""))
    unit = f"{unit}/{per}" if found.form != "reading" and unit and per else unit
    made = []
    for name in sorted(set(found.sensor[good].tolist())):
        mine = good & (found.sensor == name)
        use = found.use[mine]
        code, first = codes_of([use, *_days_apart(use, time[mine])])
        whole = _averaged(name, value[mine], np.array([f"{u:g}" for u in use], dtype=object), code, unit)
        stamps = np.array([min((t for t in time[mine][code == k] if t), default="") for k in range(len(first))],
                          dtype=object)
        label = np.array([t[:10] if t else f"use {u:g}" for t, u in zip(stamps, use[first], strict=True)],
                         dtype=object)
        made.append(Occasions(standard=name, label=label, mean=whole.mean, within_sd=whole.within_sd,
                              within_df=whole.within_df, use=use[first], time=stamps, unit=unit))
    entered = found.mounting >= 0
    entered[entered] = good[found.mounting[entered]]
    return tuple(made), _unread(checks, keep, entered, found.reasons, exposure)


def _days_apart(use: Floats, time: Words) -> list[Words]:
    """Return the days of readings where several of one use count were read on different days, each with its day."""
    day = np.array([str(t)[:10] for t in time], dtype=object)
    if (day == "").any() or len(codes_of([use, day])[1]) == len(codes_of([use])[1]):
        return []
    return [day]


def _unread(checks: CheckTable, keep: NDArray[np.bool_], entered: NDArray[np.bool_], reasons: Words, exposure: str
            ) -> tuple[Unread, ...]:
    """Find the standards whose newest mounting entered no occasion.

    The newest is that of the largest exposure; among several of one exposure the latest by time where all rows bear
    one, else the last in the table. Rows without exposure were refused when the table was read.
    """
    use, name, when = numbers(checks, exposure), words(checks, "sensor"), words(checks, "time")
    key = [words(checks, "replicate"), words(checks, "cal_id")]
    made = []
    for s in sorted(set(name[keep & np.isfinite(use)].tolist())):
        mine = np.flatnonzero(keep & np.isfinite(use) & (name == s))
        last = mine[use[mine] == use[mine].max()].tolist()
        timed = all(when[i] for i in last)
        newest = max(last, key=lambda i: (when[i], i)) if timed else last[-1]
        together = [i for i in last if all(k[i] == k[newest] for k in key)]
        if not entered[together].any():
            made.append(Unread(standard=s, use=float(use[newest]), row=int(checks.row[newest]),
                               reason=next((str(reasons[i]) for i in together if reasons[i]), "it makes no value")))
    return tuple(made)
