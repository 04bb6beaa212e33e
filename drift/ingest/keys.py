"""Keys: which rows say the same thing twice, and which contradict each other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drift.engine.repeated_ends import SIDES, repeated_end
from drift.errors import Finding
from drift.ingest.draft import Draft, value_codes
from drift.records import CHECK_KEYS, TRIAL_COLUMNS, TRIAL_KEYS
from drift.study import Study, named_columns
from drift.validation import ranges

SAME_LOAD = 0.02  # set-points are measured: loads this share apart are one level
# Nothing is ever deleted from a ledger: an entry too many is withdrawn, and the ledger keeps both.
_LEDGER_TWICE = (
    "Nothing is to be logged where it is the same reading; one that was taken again bears a replicate of its own "
    "(replicate=2, or --repeat); of two that stand there one is withdrawn: 'drift log STUDY correction refers=NUMBER "
    "withdraw=yes reason=\"logged twice\"'")
_LEDGER_CLASH = (
    "Give the one that was taken again a replicate of its own (replicate=2, or --repeat); one that is wrong and stands "
    "there is corrected: 'drift log STUDY correction refers=NUMBER reading=... reason=\"misread\"'")


def _in_ledger(draft: Draft, study: Study) -> bool:
    """Tell whether the rows are entries of the ledger, which have numbers and no header above them."""
    return bool(study.files.ledger) and draft.raw.file == Path(str(study.files.ledger)).name


def _word(draft: Draft, study: Study) -> str:
    return "entry" if _in_ledger(draft, study) else "row"


def key_columns(draft: Draft, study: Study) -> tuple[str, ...]:
    """Return the columns that identify a row of checks or trials, those present.

    Checks: sensor, exposure, replicate, level (the reference where there is no level), direction, order, cal_id.
    Trials: the contract's, and every column that a question names. Times and notes are never keys.
    """
    if draft.kind == "checks":
        names = list(CHECK_KEYS)
        if "level" not in draft:
            names.append("reference")
        if study.sensitivity is not None:
            names[1] = study.sensitivity.exposure
        if study.calibration:
            names += ["hold_s", *(q.cycle or "cycle" for q in study.calibration)]
    else:
        names = [*TRIAL_KEYS, *named_columns(study, "trials"),
                 *(q.replicate for q in study.reliability if q.replicate is not None)]
        if "session" not in draft:
            names.append("use")
    never = {"reading", "time", "exclude", "exclude_reason", "saturated", "dead", "reading_sd", "reading_n"}
    return tuple(n for n in dict.fromkeys(names) if n in draft and n not in never)


def group_codes(codes: Sequence[NDArray[np.int64]], n: int) -> NDArray[np.int64]:
    """Return a number for each distinct combination of codes, shape (n_rows,)."""
    out = np.zeros(n, dtype=np.int64)
    for one in codes:
        span = int(one.max(initial=0)) + 1
        if int(out.max(initial=0)) > 2**62 // span:
            out = value_codes(out)
        out = out * span + one
    return out


def check_keys(draft: Draft, study: Study) -> None:
    """Report exact duplicates and contradicting rows; mark dropped duplicates as excluded.

    Rows marked as excluded do not count: excluding one of two is a way to mend them.
    """
    names = key_columns(draft, study)
    if not names or "reading" not in draft or not len(draft) or not _all_there(draft, study):
        return
    active = draft.active & np.isfinite(draft["reading"])
    at = np.flatnonzero(active)
    if not len(at):
        return
    codes = [draft.codes(n)[at] for n in names]
    if draft.kind == "checks" and "level" in names and "reference" in draft:
        # A row without a level stands at its reference: several loads of one check are no readings of one key.
        level, load = draft["level"][at], draft["reference"][at]
        codes.append(value_codes(np.where(np.isfinite(level), level, load)))
        codes.pop(names.index("level"))
    keys = group_codes(codes, len(at))
    order = np.argsort(keys, kind="stable")
    start = np.r_[True, keys[order][1:] != keys[order][:-1]]
    if start.all():
        return
    first_of = np.empty(len(at), dtype=np.intp)
    group = np.cumsum(start) - 1
    heads = order[start]
    first_of[order] = heads[group]
    later = first_of != np.arange(len(at))
    reading = draft["reading"][at]
    # An exact duplicate equals any earlier row of its key, not only the first.
    both = group_codes([value_codes(keys), value_codes(reading)], len(at))
    seen_order = np.argsort(both, kind="stable")
    new = np.r_[True, both[seen_order][1:] != both[seen_order][:-1]]
    twin_of = np.empty(len(at), dtype=np.intp)
    twin_of[seen_order] = seen_order[new][np.cumsum(new) - 1]
    exact = twin_of != np.arange(len(at))
    if study.calibration and draft.kind == "checks" and "replicate" not in draft:
        exact &= ~_at_an_end(draft, study, at, exact)
    _report_exact(draft, study, at, exact, twin_of)
    clash = later & ~exact
    if study.calibration and draft.kind == "checks" and "replicate" not in draft:
        clash &= False  # a load read several times: what calibration asks for
    other = dict(zip(at[clash].tolist(), at[first_of[clash]].tolist(), strict=True))
    mask = np.zeros(len(draft), dtype=bool)
    mask[at[clash]] = True
    missing = "replicate" not in draft
    apart = _telling_apart(draft, names, at[clash], at[first_of[clash]])
    logged = _in_ledger(draft, study)
    mend = (_LEDGER_CLASH if logged else "Add a replicate column that tells them apart" if missing else
            "Number the replicates, or set exclude = yes in the row that is wrong")
    if apart is not None:
        mend = (f"The column {draft.header(apart)!r} differs between them: name it in a question, in where or by, "
                "to make it part of the key")
    if _loads_differ(draft, names, other):
        where = "(level=...)" if logged else "in the column level"
        mend = f"Where it is another load, give it a level of its own {where}. {mend}"
    word = _word(draft, study)
    draft.say(mask, "reading", "duplicated-key",
              lambda i: f"the {word} has the same {', '.join(names)} as {word} {draft.raw.row[other[i]]} "
              "and another reading",
              expected="one reading for each key", mend=mend)


def _loads_differ(draft: Draft, names: Sequence[str], other: Mapping[int, int]) -> bool:
    """Tell whether rows that contradict each other bear one level and different references."""
    if draft.kind != "checks" or "level" not in names or "reference" not in draft:
        return False
    x = draft["reference"]
    return any(abs(x[i] - x[j]) > SAME_LOAD * max(abs(x[i]), abs(x[j])) for i, j in other.items())


def _at_an_end(draft: Draft, study: Study, at: NDArray[np.intp], exact: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Mark rows at an end of the scale, where readings of one load are alike without being copies; say so.

    Ends are a full scale or floor that is declared, zero under a load, and the highest or lowest reading where it
    stands still over several loads.
    """
    y = draft["reading"][at]
    x = draft["reference"][at] if "reference" in draft else np.full(len(at), np.nan)
    tops = [q.full_scale for q in study.calibration if q.full_scale is not None]
    floors = [q.floor for q in study.calibration if q.floor is not None]
    spec = study.sensitivity
    if spec is not None and isinstance(spec.full_scale, (int, float)):
        tops.append(float(spec.full_scale))
    there = (y == 0) & (x > 0)
    for top in tops:
        there |= y >= top
    for floor in floors:
        there |= y <= floor
    whose = group_codes([draft.codes(n)[at] for n in ("sensor", spec.exposure if spec else "use") if n in draft],
                        len(at))
    for one in np.unique(whose):
        mine = np.flatnonzero(whose == one)
        for side in SIDES:
            end = repeated_end(x[mine], y[mine], side)
            if end is not None:
                there[mine] |= y[mine] == end.reading
    there = np.asarray(there & exact, dtype=np.bool_)
    if there.any():
        n = int(there.sum())
        alike = " or ".join(f"{v:.10g}" for v in np.unique(y[there]))
        draft.findings.append(Finding(
            severity="note", code="alike-at-an-end", file=draft.raw.file, column=draft.header("reading"),
            message=f"{n} {'row repeats' if n == 1 else 'rows repeat'} another at an end of the scale (reading "
            f"{alike}) and {'counts' if n == 1 else 'count'} as repeated readings: a sensor at its end reads "
            "the same every time, so that this is no sign of a copied row"))
    return there


def _all_there(draft: Draft, study: Study) -> bool:
    """Tell whether the columns that tell rows apart are there; a missing one has its own finding."""
    if draft.kind == "checks":
        if study.calibration and not draft.strict:
            return True
        return "sensor" in draft and (study.sensitivity.exposure if study.sensitivity is not None else "use") in draft
    return all(n in draft for n in named_columns(study, "trials"))


def _telling_apart(draft: Draft, names: Sequence[str], rows: NDArray[np.intp],
                   others: NDArray[np.intp]) -> str | None:
    """Return a further column of words that differs in most of the pairs that contradict each other."""
    if draft.kind != "trials" or not len(rows):
        return None
    for name, values in draft.columns.items():
        if name in names or name in TRIAL_COLUMNS or values.dtype.kind == "f":
            continue
        codes = draft.codes(name)
        if np.mean(codes[rows] != codes[others]) > 0.5:
            return name
    return None


def _report_exact(draft: Draft, study: Study, at: NDArray[np.intp], exact: NDArray[np.bool_],
                  twin_of: NDArray[np.intp]) -> None:
    if not exact.any():
        return
    policy = study.study.duplicates
    twin = dict(zip(at[exact].tolist(), at[twin_of[exact]].tolist(), strict=True))
    mask = np.zeros(len(draft), dtype=bool)
    mask[at[exact]] = True
    if policy == "refuse":
        word = _word(draft, study)
        draft.say(mask, "reading", "exact-duplicate",
                  lambda i: f"the {word} repeats {word} {draft.raw.row[twin[i]]} in key and reading",
                  expected=f"each {word} once",
                  mend=_LEDGER_TWICE if _in_ledger(draft, study) else
                  "Delete one of them, number them as replicates, or set duplicates = \"drop\" or \"keep\" in [study]")
        return
    if policy == "drop":
        excluded = draft.columns.get("exclude", np.zeros(len(draft)))
        reasons = draft.columns.get("exclude_reason", np.full(len(draft), None, dtype=object)).copy()
        for i, j in twin.items():
            reasons[i] = f"exact duplicate of row {draft.raw.row[j]}"
        draft.columns["exclude"] = np.where(mask, 1.0, excluded)
        draft.columns["exclude_reason"] = reasons
    done = "kept" if policy == "keep" else "excluded"
    many = f"{len(twin)} rows that repeat" if len(twin) > 1 else "1 row that repeats"
    draft.findings.append(Finding(
        severity="warning" if policy == "keep" else "note", code="exact-duplicate", file=draft.raw.file,
        row=int(draft.raw.row[min(twin)]),
        message=f"{many} another in key and reading {'are' if len(twin) > 1 else 'is'} {done}: "
        f"{'rows' if len(twin) > 1 else 'row'} {ranges(int(draft.raw.row[i]) for i in twin)}",
        mend="Rows entered twice make intervals too narrow" if policy == "keep" else ""))
