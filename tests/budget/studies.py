"""Small laboratories for the tests of budgets."""

from __future__ import annotations

from typing import Any

import numpy as np

from drift.records import CheckTable, SensorTable, Tables
from drift.study import Study, study_from_dict

LEVELS = np.array([200.0, 400, 600, 800])


def tables(n_sensors: int = 8, *, uses: tuple[float, ...] = (0, 10, 20, 30), mountings: int = 2, seed: int = 1,
           drift: float = -0.006, constructions: tuple[str, ...] = (), noise: float = 2.0, day: float = 0.01,
           levels: np.ndarray = LEVELS, factor: float = 1.0, reverse: bool = False) -> Tables:
    """Checks of sensors that lose sensitivity evenly; ``factor`` rescales the readings."""
    rng = np.random.default_rng(seed)
    rows: list[tuple[str, float, str, float, float]] = []
    for i in range(n_sensors):
        start, slope = 0.03 * rng.standard_normal(), drift * (1 + 0.2 * rng.standard_normal())
        for use in uses:
            shift = day * rng.standard_normal()
            for m in range(mountings):
                gain = np.exp(start + slope * use + shift + 0.008 * rng.standard_normal())
                for level, e in zip(levels, rng.standard_normal(len(levels)), strict=True):
                    rows.append((f"S{i + 1}", use, str(m + 1), level, factor * (3 + gain * level + noise * e)))
    if reverse:
        rows = rows[::-1]
    names = ("sensor", "use", "replicate", "reference", "reading")
    columns: dict[str, Any] = {
        n: np.array([r[j] for r in rows], dtype=object if n in ("sensor", "replicate") else float)
        for j, n in enumerate(names)}
    checks = CheckTable(columns, np.arange(2, 2 + len(rows)), "checks.csv",
                        units={"reading": "count", "reference": "kPa"})
    if not constructions:
        return Tables(checks=checks)
    labels = np.array([constructions[i % len(constructions)] for i in range(n_sensors)], dtype=object)
    sensors = SensorTable({"sensor": np.array([f"S{i + 1}" for i in range(n_sensors)], dtype=object),
                           "construction": labels}, np.arange(2, 2 + n_sensors), "sensors.csv")
    return Tables(checks=checks, sensors=sensors)


def study(budget: dict[str, Any] | None = None, *, full_scale: float = 1023, scale: str = "log") -> Study:
    """A study that asks a budget."""
    data: dict[str, Any] = {"study": {"title": "laboratory"}, "files": {"checks": "checks.csv"},
                            "units": {"checks": {"reading": "count", "reference": "kPa"}},
                            "sensitivity": {"full_scale": full_scale, "scale": scale}}
    if budget is not None:
        data["budget"] = budget
    return study_from_dict(data)
