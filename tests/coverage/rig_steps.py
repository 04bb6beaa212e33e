"""Forecast of one sensor whose checks lie on both sides of a change of the rig, and what is said of the change.

Sensors start at a log reading of SD 0.03 and wear by 0.006 (SD 0.001) a use, checked at uses 0, 5, ..., 30, every three
days a use from a day of their own on, with an SD of 0.008; the limit is a fall of 25 %. Check standards are read every
five days with an SD of 0.004, and from day 60 on the rig reads 8 % higher. One sensor was checked up to use 20 to 30
and is judged as ``drift today`` judges it. ``checks as read`` corrects nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from drift.records import CheckTable, EventTable, SensorTable, Tables
from drift.study import Study
from drift.today import prepare_setting
from drift.today.judge import judge
from tests.coverage.family import FOLDER, Family, Held, Row, tabulate

TABLE = FOLDER / "rig_steps.csv"
SEED, STUDIES = 20261126, 1000
PUT, AS_READ = "put on the present rig", "checks as read"
STEP, CHANGE, START = "least squares of day means, t interval", 60, np.datetime64("2026-01-05")
USES = np.arange(0.0, 31.0, 5.0)
STUDY = Study.model_validate({"study": {"title": "simulated"}, "limits": {"sensitivity_change": 0.25}})
TRUTH = -math.log(0.75)


@dataclass(frozen=True)
class World:
    """One laboratory: sensors, check standards, the step, who made it, how long, readings after it, whether logged."""

    sensors: int = 10
    standards: int = 2
    step: float = math.log(1.08)
    alone: bool = False
    last: int = 120
    logged: bool = True
    checked: int = 7
    back: int = 10**6


def named() -> dict[str, World]:
    """Return the designs by their words."""
    return {
        "2 standards, the rig, logged": World(),
        "2 standards, the rig, not logged": World(logged=False),
        "2 standards, the rig down, logged": World(step=math.log(0.92)),
        "2 standards, the rig, logged, 2 days after it": World(last=65),
        "2 standards, the rig, 5 sensors": World(sensors=5),
        "2 standards, the rig, sensor checked to use 20": World(checked=5),
        "2 standards, the rig up and back, not logged": World(logged=False, back=80),
        "1 standard, the rig, logged": World(standards=1),
        "1 standard, itself, logged": World(standards=1, alone=True),
        "2 standards, one of them alone, logged": World(alone=True),
        "2 standards, no step": World(step=0.0, logged=False),
        "1 standard, no step": World(standards=1, step=0.0, logged=False),
    }


def laboratory(w: World, rng: np.random.Generator) -> tuple[Tables, float]:
    """Draw the tables of one study, and the true slope of its first sensor."""
    rows: dict[str, list[Any]] = {k: [] for k in ("sensor", "use", "replicate", "reading", "reference", "time")}
    slopes = -0.006 + 0.001 * rng.standard_normal(w.sensors)

    def put(sensor: str, use: float, day: int, value: float) -> None:
        for k, v in zip(rows, (sensor, use, "1", 200 * math.exp(value), 200.0, str(START + day)), strict=True):
            rows[k].append(v)

    for i in range(w.sensors):
        start, first = 0.03 * rng.standard_normal(), int(rng.integers(0, 12))
        for use in USES[:w.checked if i == 0 else None]:
            day = first + int(3 * use)
            moved = w.step if CHANGE <= day < w.back and not w.alone else 0.0
            put(f"P{i + 1:02d}", float(use), day, start + slopes[i] * use + moved + 0.008 * rng.standard_normal())
    for k in range(w.standards):
        for day in range(0, w.last + 1, 5):
            moved = w.step if CHANGE <= day < w.back and (k == 0 or not w.alone) else 0.0
            put(f"CS{k + 1}", float(day // 5), day, moved + 0.004 * rng.standard_normal())
    names = sorted(set(rows["sensor"]))
    events = [f"CS{k + 1}" for k in range(w.standards if not w.alone else 1)] if w.logged else []
    after = float(CHANGE // 5 - 1)
    return Tables(
        checks=_table(CheckTable, rows, {"reading": "count", "reference": "kPa"}),
        sensors=_table(SensorTable, {"sensor": names, "role": [
            "check standard" if n.startswith("CS") else "worn" for n in names]}),
        events=_table(EventTable, {"sensor": events, "use": [after] * len(events), "event": ["new baseline"] *
                                   len(events), "note": ["simulated"] * len(events)}) if events else None,
    ), float(slopes[0])


def _table(kind: Any, columns: dict[str, list[Any]], units: dict[str, str] | None = None) -> Any:
    made = {k: np.array(v, dtype=np.float64 if isinstance(v[0], float) else object) for k, v in columns.items()}
    return kind(made, np.arange(2, len(columns["sensor"]) + 2), "simulated", units=units or {})


def study(design: str, rng: np.random.Generator) -> Held:
    """Simulate one laboratory; judge its first sensor, and what is said of the rig."""
    w = named()[design]
    tables, slope = laboratory(w, rng)
    seed = int(rng.integers(2**31))
    setting = prepare_setting(tables, STUDY, seed=seed)
    at = float(USES[w.checked - 1])
    left = max(math.floor((TRUTH + slope * at) / -slope), 0) if slope < 0 else 10**6
    held: dict[tuple[str, str], tuple[bool, float]] = {}
    for method, one in ((PUT, setting), (AS_READ, prepare_setting(_undated(tables), STUDY, seed=seed))):
        found = judge(one, "P01").binding
        if found is not None:
            held["lower bound of uses left", method] = (found.low <= left, float(found.median - found.low))
    steps = setting.steps.steps if setting.steps is not None else ()
    true = 0 if w.step == 0 or (w.alone and w.standards > 1) else 1 + (w.back < w.last)
    held["no step said of the rig that is none", STEP] = (len(steps) <= true, float(len(steps)))
    if true:
        known = next((s for s in steps if s.known and abs(s.at - _day(CHANGE)) < 0.5), None)
        held["step between checks is told", STEP] = (known is not None, float(len(steps)))
        if known is not None:
            held["size of the step", STEP] = (known.low <= w.step <= known.high, known.high - known.low)
    return held


def _undated(tables: Tables) -> Tables:
    """Return the tables without check standards, so that nothing is known of the rig."""
    assert tables.checks is not None
    worn = np.array([not str(s).startswith("CS") for s in tables.checks["sensor"]])
    return Tables(checks=tables.checks.take(worn), sensors=tables.sensors)  # type: ignore[arg-type]


def _day(n: int) -> float:
    return float((START + n).astype(np.int64))


def rows(design: str, held: Sequence[Held]) -> list[Row]:
    """Return the rows of one design, each with its own nominal level."""
    made = tabulate(design, held)
    for row in made:
        row["nominal"] = 0.99 if "no step" in str(row["quantity"]) else 1.0 if "told" in str(row["quantity"]) else 0.95
    return made


DESIGNS = list(named())
FAMILY = Family("rig_steps", __doc__ or "", DESIGNS, study, TABLE, SEED, studies=STUDIES, tabulate=rows,
                cheap="1 standard, no step")

if __name__ == "__main__":
    from tests.coverage.__main__ import main

    raise SystemExit(main(["rig_steps"]))
