"""The trials table: values reported on people or objects."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from drift.errors import Finding
from drift.ingest import rules
from drift.ingest.checks import FRACTIONS
from drift.ingest.draft import Draft, add_flag, add_numbers, add_time, add_words, missing_column, require
from drift.records import NUMBER_COLUMNS, TRIAL_COLUMNS
from drift.study import Study, suggestion
from drift.units import UnitError, canonical


def fill_trials(draft: Draft, study: Study) -> None:
    """Convert and check every column of a trials table.

    Readings stay in the unit declared; where units are declared by measure they are recorded by measure.
    Further columns are words, or numbers where ``[units.trials]`` gives them a unit.
    """
    declared = study.units.get("trials", {})
    spec = study.sensitivity
    exposure = spec.exposure if spec is not None and not study.files.may_hold("checks") else "use"
    for ours in draft.placed.at:
        unit = declared.get(ours)
        text = unit if isinstance(unit, str) else None
        if ours == "exclude":
            add_flag(draft, ours)
        elif ours == "time":
            add_time(draft, ours)
        elif (ours in NUMBER_COLUMNS and ours in TRIAL_COLUMNS) or unit is not None or ours == exposure:
            add_numbers(draft, ours, declared=text, fraction=ours in FRACTIONS)
        else:
            add_words(draft, ours)
    by_measure = declared.get("reading")
    if isinstance(by_measure, Mapping):
        _units_by_measure(draft, by_measure)
    if "reading" in draft:
        require(draft, "reading")
    elif "reading" not in study.columns.get("trials", {}):
        draft.findings.append(missing_column(draft, "reading"))
    rules.readings(draft)
    rules.exposure(draft, "use", counted=draft.units.get("use", "use") == "use")
    rules.means(draft)
    for name in FRACTIONS:
        rules.fraction(draft, name)


def _units_by_measure(draft: Draft, by_measure: Mapping[str, str]) -> None:
    """Record the unit of each measure; every measure of the table needs one."""
    draft.units.pop("reading", None)
    if "measure" not in draft:
        draft.findings.append(Finding(
            severity="error", code="missing-column", file=draft.raw.file, column="measure",
            message="units are declared by measure but there is no column 'measure'",
            mend="Map it in [columns.trials], or declare one unit: reading = \"kPa\""))
        return
    for measure, unit in by_measure.items():
        try:
            draft.units[f"reading[{measure}]"] = canonical(unit)
        except UnitError:
            draft.units[f"reading[{measure}]"] = " ".join(unit.split())
    cells = draft.cells("measure")
    found = {label for label in cells.labels if label}
    strange = np.array([bool(label) and label not in by_measure for label in cells.labels] or [False])
    draft.say((strange[cells.codes] if len(cells.codes) else np.zeros(0, dtype=bool)) & draft.active, "measure",
              "unknown-unit", "no unit is declared for this measure",
              mend=lambda i: suggestion(cells.text(i), list(by_measure), noun="measures with a unit in [units.trials]"))
    draft.say(cells.empty() & draft.active, "measure", "empty-cell", "'measure' is empty but units go by measure",
              mend="Fill it in")
    for measure in by_measure:
        if measure not in found:
            draft.findings.append(Finding(
                severity="warning", code="unused-setting", file=draft.raw.file, column=draft.header("measure"),
                value=measure, message="a unit is declared for a measure that does not occur",
                mend=suggestion(measure, sorted(found), noun="measures")))
