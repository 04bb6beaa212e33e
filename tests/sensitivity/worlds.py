"""Simulated laboratories with known truth, for the tests of drift per use."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from drift.records import CheckTable, EventTable, SensorTable, Tables
from drift.study import Study

LEVELS = (100.0, 200.0, 300.0, 400.0, 500.0)


def study(**sensitivity: Any) -> Study:
    parts: dict[str, Any] = {"study": {"title": "test"}}
    screening = sensitivity.pop("screening", None)
    if screening:
        parts["screening"] = screening
    return Study.model_validate({**parts, "sensitivity": sensitivity})


def table(kind: type, columns: Mapping[str, Sequence[Any]], file: str, units: Mapping[str, str] | None = None) -> Any:
    made = {k: np.array(v, dtype=np.float64 if isinstance(v[0], (int, float)) else object) for k, v in columns.items()}
    n = len(next(iter(made.values())))
    return kind(made, np.arange(2, n + 2), file, units=units or {})


def checks_of(columns: Mapping[str, Sequence[Any]], reading: str = "count", reference: str = "kPa") -> CheckTable:
    units = {"reading": reading, "reference": reference} if "reference" in columns else {"reading": reading}
    return table(CheckTable, columns, "checks.csv", units)


def sensors_of(columns: Mapping[str, Sequence[Any]]) -> SensorTable:
    return table(SensorTable, columns, "sensors.csv")


def events_of(columns: Mapping[str, Sequence[Any]]) -> EventTable:
    return table(EventTable, columns, "events.csv")


def laboratory(*, seed: int, n: int = 8, slope: float = -0.004, slope_sd: float = 0.0008, start_sd: float = 0.05,
               occasion_sd: float = 0.01, mounting_sd: float = 0.006, noise: float = 2.0, intercept: float = 5.0,
               sensitivity: float = 1.6, uses: Sequence[float] = (0, 5, 10, 20, 30, 40), mountings: int = 2,
               levels: Sequence[float] = LEVELS, full_scale: float = 1e9, batches: int = 0, batch_sd: float = 0.0,
               names: str = "S", construction: str = "") -> Tables:
    """Log-linear wear with sensor, occasion and mounting effects, read at several levels."""
    rng = np.random.default_rng(seed)
    rows: dict[str, list[Any]] = {k: [] for k in ("sensor", "use", "replicate", "reference", "reading")}
    sheet: dict[str, list[Any]] = {"sensor": []}
    of_batch = rng.normal(0, batch_sd, max(batches, 1))
    for i in range(n):
        name = f"{names}{i + 1:02d}"
        sheet["sensor"].append(name)
        if construction:
            sheet.setdefault("construction", []).append(construction)
        if batches:
            sheet.setdefault("batch", []).append(f"B{i % batches + 1}")
        a, b = rng.normal(0, start_sd), slope + rng.normal(0, slope_sd) + of_batch[i % max(batches, 1)]
        for u in uses:
            v = rng.normal(0, occasion_sd)
            for r in range(mountings):
                s = sensitivity * np.exp(a + b * u + v + rng.normal(0, mounting_sd))
                for p in levels:
                    rows["sensor"].append(name)
                    rows["use"].append(float(u))
                    rows["replicate"].append(str(r + 1))
                    rows["reference"].append(float(p))
                    rows["reading"].append(float(min(full_scale, intercept + s * p + rng.normal(0, noise))))
    return Tables(checks=checks_of(rows), sensors=sensors_of(sheet))


def joined(*parts: Tables) -> Tables:
    """Put several laboratories into one."""
    def together(tables: Sequence[Any]) -> dict[str, list[Any]]:
        return {k: [v for t in tables for v in t[k].tolist()] for k in tables[0].columns}

    return Tables(checks=checks_of(together([p.checks for p in parts])),
                  sensors=sensors_of(together([p.sensors for p in parts])))


def with_columns(tables: Tables, **more: Sequence[Any]) -> Tables:
    """Add columns to the checks."""
    assert tables.checks is not None
    columns = {k: v.tolist() for k, v in tables.checks.columns.items()}
    return Tables(checks=checks_of({**columns, **{k: list(v) for k, v in more.items()}}), sensors=tables.sensors,
                  events=tables.events)
