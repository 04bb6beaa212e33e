"""What a cell of each column may hold."""

from __future__ import annotations

import numpy as np

from drift.ingest.draft import Draft, Mask
from drift.units import COUNT, UnitError
from drift.units import kind as unit_kind

ROLES = ("worn", "control", "check standard")
EVENTS = ("recalibrated", "repaired", "failed", "retired", "lost", "new baseline")


def _rows(draft: Draft, name: str, bad: Mask) -> Mask:
    """Rows that break a rule, among those that hold a number and are used."""
    return np.asarray(bad & np.isfinite(draft[name]) & draft.active)


def not_negative(draft: Draft, name: str, what: str) -> None:
    """Report values below zero."""
    if name in draft:
        draft.say(_rows(draft, name, draft[name] < 0), name, "impossible-value", f"{what} cannot be below zero",
                  expected="zero or more", mend="Correct the sign or the value")


def whole(draft: Draft, name: str, what: str, *, least: float = 0.0) -> None:
    """Report values that are not whole numbers from ``least`` on."""
    if name not in draft:
        return
    values = draft[name]
    low = values < least
    draft.say(_rows(draft, name, low), name, "impossible-value", f"{what} cannot be below {least:g}",
              expected=f"a whole number from {least:g} on", mend="Correct the value")
    with np.errstate(invalid="ignore"):
        broken = (values != np.floor(values)) & ~low
    draft.say(_rows(draft, name, broken), name, "not-whole", f"{what} is a whole number",
              expected=f"a whole number from {least:g} on", mend="Correct the value")


def above_zero(draft: Draft, name: str, what: str) -> None:
    """Report values at or below zero."""
    if name in draft:
        draft.say(_rows(draft, name, draft[name] <= 0), name, "impossible-value", f"{what} must be above zero",
                  expected="more than zero", mend="Correct the value")


def fraction(draft: Draft, name: str) -> None:
    """Report fractions outside 0 to 1."""
    if name not in draft:
        return
    values = draft[name]
    percent = " Percentages need the unit: " + f'{name} = "%" in [units.{draft.kind}]'
    draft.say(_rows(draft, name, (values < 0) | (values > 1)), name, "impossible-value",
              "a fraction of cells lies between 0 and 1", expected="0 to 1", mend="Correct the value." + percent)


def exposure(draft: Draft, name: str, *, counted: bool) -> None:
    """Check the exposure: whole uses from 0 on, or any other measure from 0 on."""
    if counted:
        whole(draft, name, "a use count")
    else:
        not_negative(draft, name, "an exposure")


def readings(draft: Draft) -> None:
    """Check readings against what their unit allows."""
    if "reading" not in draft:
        return
    unit = draft.units.get("reading", "")
    negative = _rows(draft, "reading", draft["reading"] < 0)
    if unit == COUNT:
        draft.say(negative, "reading", "impossible-value", "a raw reading in counts cannot be below zero",
                  expected="zero or more", mend="Correct the value, or declare another unit")
        return
    try:
        physical = bool(unit) and unit_kind(unit) in ("pressure", "force")
    except UnitError:
        physical = False
    if physical:
        draft.say(negative, "reading", "negative-reading", "the reading is below zero", severity="warning",
                  mend="See whether the sheet was zeroed before this reading")


def means(draft: Draft) -> None:
    """Check rows that are already means: their number and their SD."""
    whole(draft, "reading_n", "the number of readings behind a mean", least=1.0)
    not_negative(draft, "reading_sd", "an SD")
    if "reading_sd" in draft and "reading_n" in draft:
        lone = np.isfinite(draft["reading_sd"]) & ~np.isfinite(draft["reading_n"]) & draft.active
        draft.say(lone, "reading_n", "empty-cell", "an SD stands without the number of readings behind it",
                  expected="a whole number from 1 on", mend="Fill in reading_n")


def choice(draft: Draft, name: str, allowed: tuple[str, ...], what: str) -> None:
    """Report words that are not offered; case does not matter."""
    from drift.study import suggestion

    if name not in draft:
        return
    by_fold = {a.casefold(): a for a in allowed}
    cells = draft.cells(name)
    known = np.empty(max(len(cells.labels), 1), dtype=object)
    known[:] = [by_fold.get(" ".join(c.casefold().replace("_", " ").split()), c or None)
                for c in cells.labels] or [None]
    bad = np.array([k is not None and k not in allowed for k in known])
    draft.say(bad[cells.codes], name, "unknown-choice", f"this is not a known {what}",
              expected="one of " + ", ".join(repr(a) for a in allowed),
              mend=lambda i: suggestion(cells.text(i), allowed, noun="choices"))
    draft.columns[name] = known[cells.codes]
