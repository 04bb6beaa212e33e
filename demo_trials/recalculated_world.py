"""The small study of recalculated calibrations: its parameters, what follows from them, and its simulation.

Twelve insoles were calibrated on the bench in February, from quiet standing and from walking on the same day, and on
the bench again in November after 30 uses; the raw output of walks is kept. With b the February bench line, the line of
another calibration a is made from the difference d(x) = c + e x that it shall have where b shows x, so that the true
limits of a new insole are those of a line with normal (c, e).
"""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

SEED = 20260621
SENSORS, WALKERS, STEPS = 12, 9, 3
HARMLESS = 25.0  # kPa
BENCH = "bench 2025-02"
USES = {BENCH: 0, "stance": 0, "gait": 0, "bench 2025-11": 30}
# Differences from the February bench line: mean and SD of the offset [kPa] and of the tilt, without errors.
METHODS = {"stance": {"offset": 1.0, "offset_sd": 1.5, "tilt": -0.008, "tilt_sd": 0.010},
           "gait": {"offset": 2.0, "offset_sd": 2.5, "tilt": -0.060, "tilt_sd": 0.022},
           "bench 2025-11": {"offset": 0.0, "offset_sd": 1.0, "tilt": 0.095, "tilt_sd": 0.020}}
# Standard errors of a calibration: of its intercept as a pressure [kPa], of its slope as a share, their correlation.
ERRORS = {BENCH: (1.2, 0.004, -0.7), "stance": (2.0, 0.008, -0.6), "gait": (2.5, 0.010, -0.6),
          "bench 2025-11": (1.2, 0.004, -0.7)}
INTERCEPT, INTERCEPT_SD, SLOPE, SLOPE_SD = 14.0, 3.0, 0.92, 0.06  # counts, and counts per kPa
RANGE = (20.0, 600.0)  # of pressures on the bench
REGIONS = {"heel": (260.0, 45.0), "forefoot": (330.0, 60.0), "midfoot": (110.0, 25.0)}
STEP_SD = 14.0  # kPa
PRESSURES = (100.0, 200.0, 300.0, 400.0)
QUESTIONS = {"stance against bench": ("stance", BENCH), "gait against bench": ("gait", BENCH),
             "bench of February against November": ("bench 2025-02", "bench 2025-11")}

Row = dict[str, Any]


def difference_moments(method: str) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    """Mean and covariance of (offset, tilt) against the February bench line, errors of both calibrations included."""
    p = METHODS[method]
    cov = np.diag([p["offset_sd"] ** 2, p["tilt_sd"] ** 2])
    for name in (method, BENCH):
        a, s, r = ERRORS[name]
        cov += np.array([[a * a, r * a * s], [r * a * s, s * s]])
    return np.array([p["offset"], p["tilt"]]), cov


def limits_at(method: str, x: float) -> dict[str, float]:
    """Return true bias, SD and limits of a new insole where the February bench calibration shows x."""
    mean, cov = difference_moments(method)
    at = np.array([1.0, x])
    bias, sd = float(mean @ at), math.sqrt(float(at @ cov @ at))
    return {"bias": bias, "SD": sd, "lower limit": bias - 1.959963984540054 * sd,
            "upper limit": bias + 1.959963984540054 * sd}


def harmless_pressures(method: str) -> list[float] | None:
    """Pressures in RANGE between which both true limits are harmless."""
    inside = [x for x in np.linspace(*RANGE, 5801).tolist()
              if max(-limits_at(method, x)["lower limit"], limits_at(method, x)["upper limit"]) <= HARMLESS]
    return [inside[0], inside[-1]] if inside else None


def truth() -> dict[str, Any]:
    """Return what ``truth.json`` says of this study, always against the bench line of February."""
    return {"seed": SEED, "harmless": HARMLESS, "methods": METHODS, "errors": {k: list(v) for k, v in ERRORS.items()},
            "questions": {f"{m} against bench": {
                "by pressure": {f"{x:g}": limits_at(m, x) for x in PRESSURES},
                "interchangeable between": harmless_pressures(m)} for m in ("stance", "gait")},
            "bench 2025-11 against bench 2025-02": {
                "by pressure": {f"{x:g}": limits_at("bench 2025-11", x) for x in PRESSURES},
                "interchangeable between": harmless_pressures("bench 2025-11")}}


def simulate(seed: int = SEED) -> dict[str, list[Row]]:
    """Rows of the two tables."""
    for_lines, for_walks = (np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(2))
    return make_tables(for_lines, for_walks)


def make_tables(for_lines: np.random.Generator, for_walks: np.random.Generator) -> dict[str, list[Row]]:
    """Draw insoles with all their calibrations, then the raw output of walks on them."""
    calibrations: list[Row] = []
    walks: list[Row] = []
    for k in range(SENSORS):
        sensor = f"R{k + 1:02d}"
        intercept = INTERCEPT + INTERCEPT_SD * for_lines.standard_normal()
        slope = SLOPE + SLOPE_SD * for_lines.standard_normal()
        for name in (BENCH, *METHODS):
            i, s = (intercept, slope)
            if name != BENCH:
                c, e = for_lines.multivariate_normal(*difference_moments(name), method="cholesky")
                s = slope / (1 + e)
                i = intercept - c * s
            calibrations.append(_line(sensor, name, float(i), float(s)))
        walks += _walks(k, sensor, float(i), float(s), for_walks)
    return {"calibrations": calibrations, "raw_walks": walks}


def _line(sensor: str, name: str, intercept: float, slope: float) -> Row:
    a, s, r = ERRORS[name]
    return {"sensor": sensor, "calibration": name, "use": USES[name], "slope (count/kPa)": f"{slope:.5f}",
            "intercept": f"{intercept:.3f}", "slope_se": f"{s * slope:.5f}", "intercept_se": f"{a * slope:.3f}",
            "correlation": f"{r:g}", "from (kPa)": f"{RANGE[0]:g}", "to (kPa)": f"{RANGE[1]:g}"}


def _walks(k: int, sensor: str, intercept: float, slope: float, rng: np.random.Generator) -> list[Row]:
    """Raw peaks of three walkers on one insole, as sensitive as its last calibration found it in November."""
    rows = []
    for j in range(3):
        walker = (k + 4 * j) % WALKERS
        for region, (mean, sd) in REGIONS.items():
            own = mean + sd * rng.standard_normal()
            for step in range(STEPS):
                pressure = own + STEP_SD * rng.standard_normal()
                rows.append({"participant": f"V{walker + 1:02d}", "sensor": sensor, "use": 30, "region": region,
                             "measure": "peak pressure", "replicate": step + 1,
                             "reading": round(max(0.0, intercept + slope * pressure))})
    return rows


def write_csv(path: Path, rows: Sequence[Mapping[str, Any]]) -> None:
    """Write rows as UTF-8 CSV with line feeds."""
    with path.open("w", encoding="utf-8", newline="") as f:
        writer = csv.DictWriter(f, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def write_study(folder: Path, seed: int = SEED) -> None:
    """Write both tables into ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in simulate(seed).items():
        write_csv(folder / f"{name}.csv", rows)
