"""Make the invented calibration tables of Fellbridge laboratory: full cycles, holds, mountings, uniform exposures.

Run ``python demo_trials/make_calibration.py``; it writes ``demo_trials/calibration/``. It has a seed of its own and
touches no other file. What is true stands in ``truth.json`` beside the tables.
"""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path
from typing import Any

import numpy as np

SEED = 20260311
FOLDER = Path(__file__).resolve().parent / "calibration"
FULL_SCALE = 1023
LEVELS = (0, 100, 200, 300, 400, 500, 600, 700, 800)
HOLDS = (5, 30, 120)
TRUTH: dict[str, Any] = {
    "invented": True, "seed": SEED, "full_scale": FULL_SCALE,
    "curve": {"a": 6.0, "s": 1.30, "q": -0.00025},
    "sd_of_mountings": 0.015, "repeatability_sd": 3.0, "hysteresis_at_middle": 18.0, "creep_per_decade": 0.012,
    "saturation_pressure": (1.30 - math.sqrt(1.30**2 - 4 * 0.00025 * (FULL_SCALE - 6.0))) / (2 * 0.00025),
    "cells": {"rows": 12, "cols": 8, "sd_of_gains": 0.08, "sd_of_exposure": 0.03, "dead_row": 5,
              "dead_cells": [[2, 3], [9, 7]], "intermittent": [11, 2], "sd_of_rig": 0.02}}


def curve(load: float) -> float:
    """Return the true mean reading under a load [kPa] while loading."""
    c = TRUTH["curve"]
    return float(c["a"] + c["s"] * load + c["q"] * load**2)


def cycles(rng: np.random.Generator) -> list[dict[str, Any]]:
    """Return two full cycles in each of three mountings; the top levels are held in the first cycle."""
    rows: list[dict[str, Any]] = []
    for mounting in (1, 2, 3):
        factor, order = math.exp(rng.normal(0, TRUTH["sd_of_mountings"])), 0
        for cycle in (1, 2):
            for direction in ("up", "down"):
                for load in LEVELS if direction == "up" else LEVELS[::-1]:
                    lag = TRUTH["hysteresis_at_middle"] * math.sin(math.pi * load / LEVELS[-1]) if (
                        direction == "down") else 0.0
                    held = direction == "up" and cycle == 1 and load in (400, 800)
                    for hold in HOLDS if held else HOLDS[:1]:
                        order += 1
                        mean = (factor * curve(load) + lag) * (
                            1 + TRUTH["creep_per_decade"] * math.log10(hold / HOLDS[0]))
                        reading = min(FULL_SCALE, max(0, round(mean + rng.normal(0, TRUTH["repeatability_sd"]))))
                        rows.append({"sensor": "P31", "use": 0, "replicate": mounting, "cycle": cycle,
                                     "direction": direction, "order": order, "hold_s": hold,
                                     "reference (kPa)": load, "reading (count)": reading})
    return rows


def exposures(rng: np.random.Generator) -> list[dict[str, Any]]:
    """Return six uniform exposures of every cell, half of them with the sheet turned by 180 degrees."""
    world = TRUTH["cells"]
    shape = world["rows"], world["cols"]
    gain = np.exp(rng.normal(0, world["sd_of_gains"], shape))
    place = np.exp(rng.normal(0, world["sd_of_rig"], shape))
    dead = np.zeros(shape, dtype=bool)
    dead[world["dead_row"] - 1] = True
    for r, c in world["dead_cells"]:
        dead[r - 1, c - 1] = True
    live = ~dead
    live[world["intermittent"][0] - 1, world["intermittent"][1] - 1] = False
    TRUTH["cells"]["gains"] = [[round(float(g), 5) for g in row] for row in gain / gain[live].mean()]
    rows = []
    for k, (load, turned) in enumerate(((150, 0), (350, 0), (600, 0), (200, 180), (400, 180), (650, 180)), 1):
        under = place[::-1, ::-1] if turned else place
        reading = gain * load * 1.2 * under * np.exp(rng.normal(0, world["sd_of_exposure"], shape))
        reading[dead] = rng.integers(0, 3, int(dead.sum()))
        if k in (3, 5):
            reading[world["intermittent"][0] - 1, world["intermittent"][1] - 1] = 0
        rows += [{"sensor": "P31", "exposure": k, "orientation": turned, "reference (kPa)": load, "row": r + 1,
                  "col": c + 1, "reading (count)": min(FULL_SCALE, round(float(reading[r, c])))}
                 for r in range(shape[0]) for c in range(shape[1])]
    return rows


def write(folder: Path = FOLDER) -> tuple[str, ...]:
    """Write both tables, the study and the truth; return the names of the files."""
    folder.mkdir(parents=True, exist_ok=True)
    first, second = (np.random.default_rng(s) for s in np.random.SeedSequence(SEED).spawn(2))
    for name, rows in (("cycles.csv", cycles(first)), ("exposures.csv", exposures(second))):
        with (folder / name).open("w", encoding="utf-8", newline="") as file:
            out = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
            out.writeheader()
            out.writerows(rows)
    (folder / "truth.json").write_text(json.dumps(TRUTH, indent=1) + "\n", encoding="utf-8")
    (folder / "study.toml").write_text(STUDY, encoding="utf-8")
    return "cycles.csv", "exposures.csv", "study.toml", "truth.json"


STUDY = '''# Invented: Fellbridge laboratory and its sensors do not exist. Made by make_calibration.py; do not edit.
[study]
title = "Calibration of sensor P31 before first use"
lab = "Fellbridge laboratory"
invented = true
use_is = "one walking session"

[files]
checks = "cycles.csv"
exposures = "exposures.csv"

[[calibration]]
name = "bench calibration"
cycle = "cycle"
full_scale = 1023
resolution = 1
reference_uncertainty = "0.5 %"
usable_at = "5 %"
invert = [300, 900]

[cells]
name = "gains of cells"
noise_floor = 5
'''

if __name__ == "__main__":
    print("written:", ", ".join(write()))
