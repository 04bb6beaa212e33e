"""Labels that look like two spellings of one, and columns that state a unit row by row."""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np

from drift.errors import Finding
from drift.ingest.columns import fold
from drift.ingest.draft import LABELS, Draft
from drift.study import Study
from drift.units import UnitError, canonical, is_everyday

_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?")


def near_labels(draft: Draft, named: tuple[str, ...]) -> None:
    """Warn of labels that differ only in case, spaces, hyphens or the way a number is written.

    They are read as different labels, so one sensor or person would count as two.

    Parameters
    ----------
    draft : Draft
    named : tuple of str
        Columns that the questions name, besides the contract's label columns.
    """
    for ours in draft.placed.at:
        if (ours not in LABELS and ours not in named) or ours not in draft or draft[ours].dtype.kind == "f":
            continue
        cells = draft.cells(ours)
        groups: dict[str, list[int]] = {}
        for i, label in enumerate(cells.labels):
            if label:
                groups.setdefault(_same(label), []).append(i)
        doubtful = [members for members in groups.values() if len(members) > 1]
        if not doubtful:
            continue
        count = np.bincount(cells.codes, minlength=len(cells.labels))
        usual: dict[int, str] = {}
        for members in doubtful:
            most = max(members, key=lambda i: (count[i], -i))
            usual |= {i: cells.labels[most] for i in members if i != most and count[i]}
        first = {i: int(np.flatnonzero(cells.codes == i)[0]) for i in usual}
        mask = np.zeros(len(draft), dtype=bool)
        mask[list(first.values())] = True
        other = {row: usual[i] for i, row in first.items()}
        often = {row: int(count[i]) for i, row in first.items()}
        draft.say(mask, ours, "near-label",
                  lambda r, cells=cells, often=often, other=other:  # type: ignore[misc]
                  f"{cells.text(r)!r} ({often[r]} {'row' if often[r] == 1 else 'rows'}) and {other[r]!r} are read as "
                  "two different labels", severity="warning",
                  mend="Write them alike if they are the same, else give them names that cannot be confused")


def _same(label: str) -> str:
    """Return what two spellings of one label share."""
    if _NUMBER.fullmatch(label):
        return f"{float(label):.15g}"
    return fold(label).strip("_")


def unit_columns(draft: Draft, study: Study) -> None:
    """Check a column that states the unit of each row, such as ``unit`` or ``reference_unit``, against the study.

    Several units in one column of numbers are an error: nothing is converted row by row.
    """
    for header in list(draft.placed.at):
        name = fold(header)
        ours = "reading" if name in ("unit", "units") else re.sub(r"_units?$", "", name)
        if ours == name or ours not in draft or header == ours or draft[ours].dtype.kind != "f":
            continue
        cells = draft.cells(header)
        if not any(cells.labels) or not all(is_everyday(label) for label in cells.labels if label):
            continue
        units = np.array([canonical(label) if label else "" for label in cells.labels], dtype=object)[cells.codes]
        stated = units != ""
        declared = study.units.get(draft.kind, {}).get(ours)
        if isinstance(declared, Mapping) and "measure" in draft:
            expected = np.array([_canonical(declared.get(m, "")) for m in draft["measure"]], dtype=object)
            wrong = stated & (expected != "") & (units != expected)
            draft.say(wrong & draft.active, header, "unit-conflict",
                      lambda i, expected=expected: f"the study gives this measure in {expected[i]!r}",  # type: ignore[misc]
                      mend="Convert the row, or correct whichever is wrong")
            continue
        text = declared if isinstance(declared, str) else draft.placed.header_units.get(ours)
        found, times = np.unique(units[stated].astype(str), return_counts=True)
        wanted = _canonical(text) if text else str(found[np.argmax(times)])
        wrong = stated & (units != wanted) & draft.active
        if text and len(found) == 1 and wrong.any():
            draft.findings.append(Finding(
                severity="error", code="unit-conflict", file=draft.file, row=draft.raw.header_row or None,
                column=header, value=str(found[0]), expected=repr(wanted),
                message=f"the column says {str(found[0])!r} and the study or the header says {wanted!r}",
                mend="Correct whichever is wrong"))
            continue
        common = "declared" if text else "usual"
        draft.say(wrong, header, "mixed-units",
                  f"this row is in another unit than the {common} {wanted!r}", expected=repr(wanted),
                  mend=f"Convert the row to {wanted}; where units differ by measure declare them so in "
                  f"[units.{draft.kind}]" if ours == "reading" else f"Convert the row to {wanted}")


def _canonical(unit: str) -> str:
    try:
        return canonical(unit)
    except UnitError:
        return " ".join(unit.split())


def lone_events(drafts: Mapping[str, Draft]) -> None:
    """Warn of events of sensors that no other table knows, where there is no sensors table to look them up in."""
    events = drafts.get("events")
    others = [drafts[k] for k in ("checks", "trials") if k in drafts and "sensor" in drafts[k]]
    if events is None or "sensors" in drafts or not others or "sensor" not in events:
        return
    met = {s for d in others for s in d.values("sensor")}
    bad = np.array([s is not None and s not in met for s in events["sensor"]], dtype=bool)
    events.say(bad, "sensor", "unknown-sensor", "the sensor occurs in no other table", severity="warning",
               mend="Correct its name, or take the event out")


def _never_worn(drafts: Mapping[str, Draft]) -> set[object]:
    """Return the sensors that enter no group of the wear model, and so need no label of one."""
    return {s for name in ("sensors", "checks") if (d := drafts.get(name)) is not None and "role" in d and "sensor" in d
            for s, role in zip(d["sensor"], d["role"], strict=True) if role in ("control", "check standard")}


def without_covariate(drafts: Mapping[str, Draft], study: Study) -> list[Finding]:
    """Warn of sensors in the checks for which a covariate is not filled in."""
    checks = drafts.get("checks")
    spec = study.sensitivity
    if checks is None or spec is None or "sensor" not in checks:
        return []
    # A sensor that the sensors table does not list has its own finding.
    listed = set(drafts["sensors"].values("sensor")) if "sensors" in drafts and "sensor" in drafts["sensors"] else None
    never = _never_worn(drafts)
    known = np.array([(listed is None or s in listed) and s not in never for s in checks["sensor"]], dtype=bool)
    made = []
    for name in spec.covariates:
        if name not in checks:
            continue
        values = checks[name]
        blank = np.isnan(values) if values.dtype.kind == "f" else np.array([v is None for v in values], dtype=bool)
        rows = np.flatnonzero(blank & known & checks.active)
        if not len(rows):
            continue
        who = list(dict.fromkeys(str(checks["sensor"][i]) for i in rows))
        made.append(Finding(
            severity="warning", code="empty-cell", file=checks.file, row=int(checks.raw.row[rows[0]]),
            column=checks.header(name), message=f"{name!r} is not known for {len(rows)} rows of "
            f"{', '.join(repr(s) for s in who[:8])}{', ...' if len(who) > 8 else ''}; they form a group of their own",
            mend="Fill it in, in the checks or in the sensors table"))
    return made
