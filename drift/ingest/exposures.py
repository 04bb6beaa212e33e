"""The exposures table: readings of single cells while the whole sheet bears one uniform load."""

from __future__ import annotations

import numpy as np

from drift.ingest import rules
from drift.ingest.draft import Draft, add_flag, add_numbers, add_words, convert_pressure, missing_column, require
from drift.ingest.keys import group_codes
from drift.records import EXPOSURE_COLUMNS, NUMBER_COLUMNS
from drift.study import Study

NEEDED = ("sensor", "row", "col", "reading")


def fill_exposures(draft: Draft, study: Study) -> None:
    """Convert and check every column; the load ends up in kPa.

    An exposure is told from another by ``exposure``, or by its reference where there is no such column.
    """
    declared = study.units.get("exposures", {})
    for ours in draft.placed.at:
        unit = declared.get(ours)
        text = unit if isinstance(unit, str) else None
        if ours == "exclude":
            add_flag(draft, ours)
        elif (ours in NUMBER_COLUMNS and ours in EXPOSURE_COLUMNS) or text is not None:
            add_numbers(draft, ours, declared=text)
        else:
            add_words(draft, ours)
    for ours in NEEDED:
        if ours in draft:
            require(draft, ours)
        elif ours not in study.columns.get("exposures", {}):
            draft.findings.append(missing_column(draft, ours))
    if "exposure" not in draft and "reference" not in draft:
        draft.findings.append(missing_column(draft, "exposure", why=" (nor a reference) to tell exposures apart"))
    if "reference" in draft:
        convert_pressure(draft, "reference")
        rules.not_negative(draft, "reference", "a reference load")
    rules.readings(draft)
    rules.whole(draft, "row", "a number of a row of cells")
    rules.whole(draft, "col", "a number of a column of cells")
    rules.exposure(draft, "use", counted=draft.units.get("use", "use") == "use")
    _once_each(draft)


def _once_each(draft: Draft) -> None:
    """Report a cell that was read twice in one exposure."""
    names = [n for n in ("sensor", "use", "exposure" if "exposure" in draft else "reference", "orientation", "row",
                         "col") if n in draft]
    if not len(draft) or not all(n in draft for n in NEEDED):
        return
    at = np.flatnonzero(draft.active & np.isfinite(draft["reading"]))
    if not len(at):
        return
    keys = group_codes([draft.codes(n)[at] for n in names], len(at))
    _, first, back = np.unique(keys, return_index=True, return_inverse=True)
    again = first[back] != np.arange(len(at))
    other = dict(zip(at[again].tolist(), at[first[back]][again].tolist(), strict=True))
    mask = np.zeros(len(draft), dtype=bool)
    mask[at[again]] = True
    draft.say(mask, "reading", "duplicated-key",
              lambda i: f"the cell has a reading of this exposure in row {draft.raw.row[other[i]]} already",
              expected="one reading a cell and exposure", mend="Number the exposures, or delete one of the rows")
