"""Small invented studies for the retirement tests, given as wear results without fitting a wear model."""

from __future__ import annotations

from typing import Any

import numpy as np

from drift.records import CheckTable, EventTable, SensorTable, Tables
from drift.results import Provenance, ResultTable, RowAccount
from drift.sensitivity import WearResult
from drift.study import Study, study_from_dict

CHECKS = (0.0, 5.0, 10.0, 20.0, 30.0, 40.0)


def sensors(n: int = 12, *, construction: str = "", batches: int = 0, seed: int = 1, slope: float = -0.01,
            slope_sd: float = 0.0012, checks: tuple[float, ...] = CHECKS, noise: float = 0.004, start_sd: float = 0.02,
            prefix: str = "S") -> list[dict[str, Any]]:
    """Rows of occasions: log sensitivity of ``n`` sensors that wear along lines."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(n):
        a, b = rng.normal(0, start_sd), rng.normal(slope, slope_sd)
        batch = f"B{i % batches}" if batches else ""
        rows += [{"sensor": f"{prefix}{i + 1:02d}", "construction": construction, "batch": batch, "use": u,
                  "response": a + b * u + rng.normal(0, noise)} for u in checks]
    return rows


def world(rows: list[dict[str, Any]], *, limits: dict[str, Any], retirement: dict[str, Any] | None = None,
          scale: str = "log", exposure: str = "use", sensors_table: dict[str, list[Any]] | None = None,
          events: dict[str, list[Any]] | None = None, dead: dict[tuple[str, float], float] | None = None,
          pressure_unit: str = "kPa", full_pressure: float = 1000.0) -> tuple[WearResult, Study, Tables]:
    """Return wear result, study and tables of occasions given on the log scale (or linear for readings)."""
    n = len(rows)

    def column(name: str) -> np.ndarray:
        return np.array([r[name] for r in rows], dtype=object if isinstance(rows[0][name], str) else float)

    response = column("response")
    log = scale == "log"
    value = np.exp(response) if log else response
    names = {k: column(k) for k in ("sensor", "construction", "batch", "use")}
    nothing = np.full(n, np.nan)
    mountings = ResultTable.build("sensitivities", {
        **names, "replicate": np.full(n, "1", dtype=object), "reading": value, "sensitivity": value,
        "sensitivity_se": nothing, "intercept": nothing,
        "saturation_pressure": full_pressure / value if log else nothing,
        "saturation_se": nothing, "levels": nothing, "censored": nothing, "dead": nothing, "saturated": nothing,
        "cal_id": np.full(n, "", dtype=object), "row": np.arange(2.0, n + 2)})
    occasions = ResultTable.build("occasions", {**names, "response": response, "response_se": nothing,
                                                "n": np.ones(n)})
    wear = WearResult(question="wear", answer="", tables=(mountings, occasions), provenance=Provenance(
        accounts=(RowAccount(question="wear", table="checks", read=n, used=n),), seed=1))
    columns: dict[str, Any] = {"sensor": names["sensor"], exposure: names["use"], "reading": value}
    if dead is not None:
        columns["dead"] = np.array([dead.get((r["sensor"], r["use"]), 0.0) for r in rows])
    tables = Tables(
        checks=CheckTable(columns, np.arange(2, n + 2), "checks.csv", units={"reading": "count",
                                                                           "reference": pressure_unit}),
        sensors=None if sensors_table is None else SensorTable(
            {k: np.array(v, dtype=object if isinstance(v[0], str) else float) for k, v in sensors_table.items()},
            np.arange(2, len(sensors_table["sensor"]) + 2), "sensors.csv"),
        events=None if events is None else EventTable(
            {k: np.array(v, dtype=object if isinstance(v[0], str) else float) for k, v in events.items()},
            np.arange(2, len(events["sensor"]) + 2), "events.csv"))
    sensitivity: dict[str, Any] = {"exposure": exposure, "scale": scale, "full_scale": 1023}
    if exposure != "use":
        sensitivity["exposure_unit"] = "h"
    study = study_from_dict({"study": {"title": "invented", "use_is": "one press"}, "files": {"checks": "checks.csv"},
                             "sensitivity": sensitivity, "limits": limits, "retirement": retirement or {}})
    return wear, study, tables
