"""Make the demo trials: ``python demo_trials/make_demo.py [FOLDER]`` writes every table and ``truth.json``.

The laboratory, its sensors and its walkers are invented. The seed was fixed before the first run and stays.
"""

from __future__ import annotations

import csv
import json
import math
import sys
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

import recalculated_world
import spoil
import world

SEED = 20260117
TRIAL_SENSORS = ("P03", "P10", "L04", "L09")  # kept in use to the end by protocol, whatever their state
DEAD_LINE = ("L07", 35)  # sensor, first check that finds one of its columns dead
RECALIBRATED = ("P06", 20)  # sensor, use after which its calibration was made anew
CREASED = ("L02", 15, "2")  # sensor, use, mounting: the sheet lay creased in the rig
OPERATORS = ("Ada", "Bo", "Cleo", "Dov")  # the last one is a little off
START = datetime(2025, 1, 13, 7, 0)
DAYS_A_USE = 2  # of the trial insoles; the others are used every one, two or three days
CELLS = (60, 21)

Row = dict[str, Any]


def make_sensors(rng: np.random.Generator) -> list[Row]:
    """One row a sensor with its true start and drift: batch effect plus its own."""
    sensors = []
    for construction, p in world.CONSTRUCTIONS.items():
        for b in range(world.BATCHES):
            batch = rng.standard_normal(2) * (p["batch_sd_start"], p["batch_sd_drift"])
            for k in range(world.SENSORS_PER_BATCH):
                own = rng.standard_normal(2) * (p["sensor_sd_start"], p["sensor_sd_drift"])
                letter = construction[0].upper()
                sensors.append({
                    "sensor": f"{letter}{b * world.SENSORS_PER_BATCH + k + 1:02d}", "construction": construction,
                    "batch": f"{letter}-{'abcdef'[b]}",
                    "start": math.log(p["fresh_sensitivity"]) + batch[0] + own[0],
                    "drift": p["drift_per_use"] + batch[1] + own[1]})
    return sensors


def mean_of_clipped(mean: float, spread: float, top: float) -> tuple[float, float]:
    """Mean output of cells that are normal(mean, spread) but stop at ``top``, and the share of cells at ``top``."""
    z = (top - mean) / spread
    density = math.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
    below = 0.5 * math.erfc(-z / math.sqrt(2))
    return mean * below - spread * density + top * (1 - below), 1 - below


def check_sensor(sensor: Row, rng: np.random.Generator) -> tuple[list[Row], int | None]:
    """All bench checks of one sensor up to its removal; the use of removal, if it was removed."""
    rows: list[Row] = []
    c = world.CHECKING
    fresh = math.nan
    for use in world.CHECK_USES:
        occasion = c["occasion_sd"] * rng.standard_normal()
        operator = OPERATORS[int(rng.integers(len(OPERATORS)))]
        mounting_effects = c["mounting_sd"] * rng.standard_normal(world.MOUNTINGS)
        noise = rng.standard_normal((world.MOUNTINGS, len(world.CHECK_PRESSURES), 2))
        missed, lost = rng.random(), rng.random(world.MOUNTINGS)
        if use > 0 and missed < c["missed_occasion"]:
            continue
        true = sensor["start"] + sensor["drift"] * use + occasion
        true += c["operator_off"] if operator == OPERATORS[-1] else 0.0
        dead = 1 / CELLS[1] if sensor["sensor"] == DEAD_LINE[0] and use >= DEAD_LINE[1] else 0.0
        occasion_rows = []
        for m in range(world.MOUNTINGS):
            if use > 0 and m > 0 and lost[m] < c["missed_mounting"]:
                continue
            creased = (sensor["sensor"], use, str(m + 1)) == CREASED
            for j, level in enumerate(world.CHECK_PRESSURES):
                pressure = round(level + c["reference_sd"] * noise[m, j, 0], 1)
                mean = world.OFFSET + math.exp(true + mounting_effects[m]) * pressure * (0.8 if creased else 1.0)
                shown, at_top = mean_of_clipped(mean, c["cell_spread"] * mean, world.FULL_SCALE)
                reading = round(min(world.FULL_SCALE, max(0.0, shown + c["reading_sd"] * noise[m, j, 1])))
                when = START + timedelta(days=sensor["pace"] * use + sensor["day"],
                                         minutes=sensor["minute"] + 20 * m + 3 * j)
                occasion_rows.append({
                    "sensor": sensor["sensor"], "use": use, "replicate": m + 1, "level": f"{level:.0f}",
                    "reference": f"{pressure:.1f}", "reading": reading, "saturated": f"{at_top:.3f}",
                    "dead": f"{dead:.3f}", "operator": operator, "rig": "bladder bench",
                    "cal_id": 2 if sensor["sensor"] == RECALIBRATED[0] and use > RECALIBRATED[1] else 1,
                    "time": when.isoformat(timespec="minutes"), "exclude": int(creased),
                    "exclude_reason": "sheet lay creased in the rig" if creased else ""})
        rows += occasion_rows
        measured = slope_of(occasion_rows)
        fresh = measured if use == 0 else fresh
        worn = (measured < (1 - world.LIMITS["sensitivity_change"]) * fresh
                or (world.FULL_SCALE - world.OFFSET) / measured > world.LIMITS["saturation_pressure"])
        if dead > 0 or (worn and sensor["sensor"] not in TRIAL_SENSORS):
            return rows, use
    return rows, None


def slope_of(rows: Iterable[Row]) -> float:
    """Return the quick look on the day: least-squares slope over rows without cells at the ceiling."""
    kept = [r for r in rows if float(r["saturated"]) == 0 and not r["exclude"]]
    x = np.array([float(r["reference"]) for r in kept])
    y = np.array([float(r["reading"]) for r in kept])
    return float(np.sum((x - x.mean()) * (y - y.mean())) / np.sum((x - x.mean()) ** 2))


def make_checks(sensors: list[Row], rng: np.random.Generator) -> tuple[list[Row], list[Row], list[Row]]:
    """Rows of the checks, sensors and events tables."""
    checks: list[Row] = []
    table: list[Row] = []
    events: list[Row] = []
    for n, sensor in enumerate(sensors):
        # Starts and paces differ, so that days and uses are not one and the same thing.
        sensor["pace"] = DAYS_A_USE if sensor["sensor"] in TRIAL_SENSORS else 1 + n % 3
        sensor["day"] = 0 if sensor["sensor"] in TRIAL_SENSORS else 7 * (n % 6) + n % 5
        sensor["minute"] = 36 * (n // 5)
        rows, removed = check_sensor(sensor, rng)
        if sensor["sensor"] == RECALIBRATED[0]:
            events.append(event(sensor, RECALIBRATED[1], "recalibrated", "calibration 2 holds from the next use on"))
        checks += rows
        reason = ""
        if removed is not None:
            dead = sensor["sensor"] == DEAD_LINE[0] and removed >= DEAD_LINE[1]
            reason = "dead column" if dead else "worn past a limit"
            if dead:
                events.append(event(sensor, removed, "failed", "column 14 gives no output"))
            events.append(event(sensor, removed, "retired", reason))
        table.append({
            "sensor": sensor["sensor"], "construction": sensor["construction"], "batch": sensor["batch"],
            "role": "worn", "rows": CELLS[0], "cols": CELLS[1], "full_scale": int(world.FULL_SCALE),
            "cost": 90 if sensor["construction"] == "plain" else 120,
            "first_used": (START + timedelta(days=sensor["day"])).date().isoformat(),
            "retired_at_use": "" if removed is None else removed, "retired_reason": reason})
    return checks, table, events


def event(sensor: Row, use: int, kind: str, note: str) -> Row:
    """One row of the events table."""
    return {"sensor": sensor["sensor"], "use": use, "event": kind, "note": note}


def make_trials(rng: np.random.Generator) -> list[Row]:
    """Every walk of every walker on the four trial insoles, reported in each way."""
    shape = (world.WALKERS, world.VISITS, len(TRIAL_SENSORS), world.WALKS)
    order = rng.permutation(np.repeat(np.arange(world.WALKERS), world.VISITS))
    use_of = {(int(w), int(np.sum(order[:u] == w))): u for u, w in enumerate(order)}
    lost_walk = rng.random(shape) < world.LOST_WALK
    lost_report = rng.random((*shape[:3], len(world.METHODS))) < world.LOST_CALIBRATION
    readings = {region: region_readings(info, use_of, rng) for region, info in world.REGIONS.items()}
    rows = []
    for u, w in enumerate(order):
        visit = next(v for v in range(world.VISITS) if use_of[int(w), v] == u)
        when = START + timedelta(days=DAYS_A_USE * u, hours=3)
        for k, sensor in enumerate(TRIAL_SENSORS):
            for walk in range(world.WALKS):
                if lost_walk[w, visit, k, walk]:
                    continue
                for c, method in enumerate(world.METHODS):
                    if lost_report[w, visit, k, c]:
                        continue
                    for g, gains in enumerate(world.GAINS):
                        rows += [{
                            "participant": f"W{int(w) + 1:02d}", "session": f"visit {visit + 1}",
                            "time": when.isoformat(timespec="minutes"), "sensor": sensor, "use": u, "side": "left",
                            "method": method, "gains": gains, "region": region, "measure": info["measure"],
                            "replicate": walk + 1,
                            "reading": f"{readings[region][w, visit, k, walk, c, g]:.1f}",
                        } for region, info in world.REGIONS.items()]
    return rows


def region_readings(info: Row, use_of: dict[tuple[int, int], int], rng: np.random.Generator) -> np.ndarray:
    """Draw the readings of one region, shape (walker, visit, sensor, walk, method, gains), in the region's unit."""
    sd = world.TRIAL_SD
    p, v, k, r = world.WALKERS, world.VISITS, len(TRIAL_SENSORS), world.WALKS

    def effect(size: float, *dims: int) -> np.ndarray:
        return size * rng.standard_normal(dims)

    common = (effect(sd["participant"], p, 1, 1, 1) + effect(sd["session"], 1, v, 1, 1)
              + effect(sd["participant x session"], p, v, 1, 1) + effect(sd["sensor"], 1, 1, k, 1)
              + effect(sd["participant x sensor"], p, 1, k, 1)
              + effect(sd["participant x session x sensor"], p, v, k, 1) + effect(sd["walk"], p, v, k, r))
    use = np.array([[use_of[w, s] for s in range(v)] for w in range(p)], dtype=float)[:, :, None, None]
    gain_offsets = [effect(size, 1, 1, k, 1) for size in world.GAINS.values()]
    out = np.empty((p, v, k, r, len(world.METHODS), len(world.GAINS)))
    for c, m in enumerate(world.METHODS.values()):
        method = (m["bias"] + m["bias_per_use"] * use + effect(m["participant"], p, 1, 1, 1)
                  + effect(m["sensor"], 1, 1, k, 1) + effect(m["visit"], p, v, k, 1))
        for g, offset in enumerate(gain_offsets):
            out[..., c, g] = common + method + offset + effect(m["reading"], p, v, k, r)
    return info["mean"] + info["scale"] * out


def simulate(seed: int) -> dict[str, list[Row]]:
    """Return all tables for one seed; checks and trials draw from streams of their own."""
    for_sensors, for_checks, for_trials = (np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(3))
    checks, sensors, events = make_checks(make_sensors(for_sensors), for_checks)
    return {"checks": checks, "sensors": sensors, "events": events, "trials": make_trials(for_trials)}


def write_csv(path: Path, rows: Sequence[Row]) -> None:
    """Write rows as UTF-8 CSV with line feeds."""
    with path.open("w", encoding="utf-8", newline="") as f:
        writer = csv.DictWriter(f, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def write_demo(folder: Path, seed: int = SEED) -> None:
    """Write the four tables, ``truth.json`` and the badly kept copy into ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in simulate(seed).items():
        write_csv(folder / f"{name}.csv", rows)
    true = {**world.truth(seed), "recalculated": world.rounded(recalculated_world.truth())}
    text = json.dumps(true, indent=1, ensure_ascii=False) + "\n"
    (folder / "truth.json").write_text(text, encoding="utf-8", newline="\n")
    spoil.write_badly_kept(folder, folder / "badly_kept")
    recalculated_world.write_study(folder / "recalculated")


if __name__ == "__main__":
    write_demo(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
