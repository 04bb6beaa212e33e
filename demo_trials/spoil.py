"""Keep the demo data badly: the same tables as a hurried hand would leave them, and what must be said about it.

Two kinds of trouble. *Habits* are read right because ``study.toml`` declares them: semicolons, decimal commas, a
Latin-1 file, renamed columns, units in headers, day-first dates, trailing blank lines, a byte-order mark.
*Faults* must be found; each is planted once and listed with its place in ``expected_findings.json``.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

Row = dict[str, str]

CHECK_NAMES = {
    "sensor": "Einlage", "use": "Nutzungen", "replicate": "Aufspannung", "level": "Stufe",
    "reference": "Prüfdruck (psi)", "reading": "Ausgabe (counts)", "saturated": "gesättigt", "dead": "tot",
    "operator": "Prüfer", "rig": "Prüfstand", "cal_id": "Kalibrierung", "time": "Zeit",
    "exclude": "auslassen", "exclude_reason": "Grund"}
TRIAL_NAMES = {
    "participant": "walker", "session": "visit", "time": "when", "sensor": "insole", "use": "uses", "side": "side",
    "method": "calibrated by", "gains": "gains", "region": "region", "measure": "quantity", "replicate": "walk",
    "reading": "value"}
TRIAL_ROWS = 480

STUDY = """\
# The demo study as a guest of the (fictitious) Fellbridge laboratory kept it. "drift check" says what is wrong.

[study]
title = "Repeated use of thin matrix insoles, badly kept"
lab = "Fellbridge Seating and Gait Laboratory (fictitious)"
invented = true
use_is = "one visit of one walker, all walks of that visit together"

[files]
checks = "checks.csv"
trials = "trials.csv"
sensors = "sensors.csv"
events = "events.csv"

[format.checks]
delimiter = ";"
decimal = ","
encoding = "latin-1"
dates = "day first"

[format.trials]
delimiter = ";"
decimal = ","

[columns.checks]
{checks}

[columns.trials]
{trials}

[units.checks]
reading = "count"
reference = "kPa"

[units.trials]
reading = {{ "peak pressure" = "kPa", "total force" = "N" }}

[sensitivity]
exposure = "use"
scale = "log"
full_scale = 1023
covariates = ["construction"]

[[reliability]]
name = "same person, another day"
target = "participant"
facet = "session"
where = {{ method = "bench", gains = "equalised", measure = "peak pressure", sensor = "L04" }}
by = ["region"]

[limits]
sensitivty_change = 0.25
saturation_pressure = "1400 kPa"
dead_fraction = 0.02

[retirement]
content = 0.90
confidence = 0.95
"""


class Spoiler:
    """Rows of one table, the faults planted in them, and where these end up in the file."""

    def __init__(self, file: str, rows: Sequence[Row], names: dict[str, str]) -> None:
        self.file, self.names = file, names
        self.rows = [dict(r) for r in rows]
        self._planted: list[tuple[Row, str, str, str, str]] = []

    def find(self, **key: str) -> Row:
        """Return the one row with these cells."""
        found = [r for r in self.rows if all(r[k] == v for k, v in key.items())]
        if len(found) != 1:
            raise ValueError(f"{key} names {len(found)} rows of {self.file}")
        return found[0]

    def put(self, row: Row, code: str, column: str, value: str, severity: str = "error") -> None:
        """Write a wrong value into a cell."""
        row[column] = value
        self._planted.append((row, severity, code, column, value))

    def repeat(self, row: Row, code: str, **changed: str) -> None:
        """Enter a row a second time, right below the first."""
        again = {**row, **changed}
        where = next(i for i, r in enumerate(self.rows) if r is row)
        self.rows.insert(where + 1, again)
        self._planted.append((again, "error", code, "reading", again["reading"]))

    def expected(self) -> list[dict[str, Any]]:
        """Return the planted faults with the row numbers an editor shows (the header is row 1)."""
        at = {id(r): i + 2 for i, r in enumerate(self.rows)}
        return [{"severity": severity, "code": code, "file": self.file, "row": at[id(row)],
                 "column": self.names.get(column, column), "value": value}
                for row, severity, code, column, value in self._planted]

    def write(self, path: Path, *, delimiter: str, encoding: str, tail: str = "") -> None:
        """Write the table under the renamed columns."""
        text = io.StringIO(newline="")
        writer = csv.writer(text, delimiter=delimiter, lineterminator="\r\n")
        writer.writerow([self.names.get(c, c) for c in self.rows[0]])
        writer.writerows([list(r.values()) for r in self.rows])
        path.write_bytes((text.getvalue() + tail).encode(encoding))


def with_commas(rows: Sequence[Row], columns: Sequence[str]) -> list[Row]:
    """Turn decimal points into commas."""
    return [{k: v.replace(".", ",") if k in columns else v for k, v in r.items()} for r in rows]


def day_first(rows: Sequence[Row]) -> list[Row]:
    """Write ISO date-times as 13.01.2025 07:00."""
    return [{**r, "time": datetime.fromisoformat(r["time"]).strftime("%d.%m.%Y %H:%M")} for r in rows]


def spoil_checks(rows: Sequence[Row], *, faults: bool) -> Spoiler:
    """Plant the faults of the checks table."""
    names = CHECK_NAMES if faults else {**CHECK_NAMES, "reference": "Prüfdruck (kPa)"}
    bad = Spoiler("checks.csv", day_first(with_commas(rows, ("reference", "saturated", "dead"))), names)
    if not faults:
        return bad
    at: Callable[..., Row] = bad.find
    bad.put(at(sensor="P03", use="5", replicate="1", level="400"), "unknown-sensor", "sensor", "P30")
    bad.put(at(sensor="P04", use="10", replicate="2", level="600"), "not-a-number", "reading", "ca. 550")
    bad.put(at(sensor="P05", use="2", replicate="1", level="1000"), "impossible-value", "saturated", "1,4")
    bad.put(at(sensor="P09", use="20", replicate="1", level="200"), "above-full-scale", "reading", "2046", "warning")
    bad.put(at(sensor="L01", use="15", replicate="2", level="800"), "impossible-date", "time", "31.02.2025 07:00")
    bad.put(at(sensor="L05", use="60", replicate="1", level="200"), "backwards", "use", "6")
    bad.repeat(at(sensor="L06", use="30", replicate="1", level="400"), "duplicated-key", reading="333")
    bad.repeat(at(sensor="L08", use="40", replicate="2", level="600"), "exact-duplicate")
    return bad


def spoil_trials(rows: Sequence[Row], *, faults: bool) -> Spoiler:
    """Plant the faults of the trials table, of which only the first rows are kept."""
    bad = Spoiler("trials.csv", with_commas(rows[:TRIAL_ROWS], ("reading",)), TRIAL_NAMES)
    if not faults:
        return bad
    bad.put(bad.rows[20], "word-for-missing", "reading", "n/a")
    bad.put(bad.rows[55], "empty-cell", "reading", "")
    bad.put(bad.rows[110], "unknown-unit", "measure", "peak presure")
    return bad


def write_badly_kept(source: Path, folder: Path, *, faults: bool = True) -> None:
    """Write the badly kept copy of the tables in ``source``; without faults only the habits."""
    def read(name: str) -> list[Row]:
        with (source / f"{name}.csv").open(encoding="utf-8", newline="") as f:
            return list(csv.DictReader(f))

    folder.mkdir(parents=True, exist_ok=True)
    checks, trials = (spoil(read(name), faults=faults) for spoil, name in (
        (spoil_checks, "checks"), (spoil_trials, "trials")))
    sensors = Spoiler("sensors.csv", read("sensors"), {})
    events = Spoiler("events.csv", read("events"), {})
    if faults:
        events.put(events.find(sensor="P01", event="retired"), "event-conflict", "use", "30")
    checks.write(folder / "checks.csv", delimiter=";", encoding="latin-1", tail=";" * 13 + "\r\n\r\n\r\n")
    trials.write(folder / "trials.csv", delimiter=";", encoding="utf-8-sig")
    sensors.write(folder / "sensors.csv", delimiter=",", encoding="utf-8")
    events.write(folder / "events.csv", delimiter=",", encoding="utf-8")

    def mapping(names: dict[str, str]) -> str:
        return "\n".join(f'{ours} = "{theirs}"' for ours, theirs in names.items() if ours != theirs)

    study = STUDY.format(checks=mapping(checks.names), trials=mapping(TRIAL_NAMES))
    if not faults:
        study = study.replace("sensitivty_change", "sensitivity_change")
    (folder / "study.toml").write_text(study, encoding="utf-8", newline="\n")
    if not faults:
        return
    line = study.split("\n").index("sensitivty_change = 0.25") + 1
    findings = [
        {"severity": "error", "code": "unknown-key", "file": "study.toml", "row": line,
         "column": "[limits] sensitivty_change", "value": "sensitivty_change"},
        {"severity": "error", "code": "unit-conflict", "file": "checks.csv", "row": 1,
         "column": CHECK_NAMES["reference"], "value": "psi"},
        *checks.expected(), *trials.expected(), *events.expected()]
    text = json.dumps(findings, indent=1, ensure_ascii=False) + "\n"
    (folder / "expected_findings.json").write_text(text, encoding="utf-8", newline="\n")
