"""The ten unbalanced reference designs as engine input (data and other software's results in tests/references)."""

from __future__ import annotations

import csv
import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from drift.engine.mixed import NestedDesign

FOLDER = Path(__file__).parents[1] / "references"
LEVELS = {
    "intercept": ["sensor 1"],
    "line": ["sensor 1x"],
    "line uncorrelated": ["sensor 1|x"],
    "line occasion": ["sensor 1x", "occasion 1"],
    "intercept occasion": ["sensor 1", "occasion 1"],
    "batch sensor occasion": ["batch 1", "sensor 1", "occasion 1"],
    "batch line sensor line": ["batch 1x", "sensor 1x"],
    "constructions": ["batch 1", "sensor 1x", "occasion 1"],
    "no occasion effect": ["sensor 1x", "occasion 1"],
    "no slope spread": ["sensor 1x"],
}
NAMES = tuple(LEVELS)


@cache
def table() -> dict[str, dict[str, np.ndarray]]:
    """Columns of every design."""
    with (FOLDER / "mixed_designs.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    out = {}
    for name in NAMES:
        part = [r for r in rows if r["design"] == name]
        columns = {k: np.array([int(r[k]) for r in part]) for k in ("batch", "sensor", "occasion")}
        columns |= {k: np.array([float(r[k]) for r in part]) for k in ("x", "y")}
        columns["laminated"] = np.array([float(r["construction"] == "laminated") for r in part])
        out[name] = columns
    return out


@cache
def reference() -> dict[str, Any]:
    """What lme4, lmerTest and pbkrtest make of them."""
    found: dict[str, Any] = json.loads((FOLDER / "mixed_designs.json").read_text(encoding="utf-8"))
    return found


def arrays(name: str) -> tuple[np.ndarray, np.ndarray, list[tuple[Any, ...]]]:
    """``y``, ``X`` and levels of one design."""
    data = table()[name]
    one, x = np.ones(len(data["y"])), data["x"]
    fixed = [one, x] if name != "constructions" else [one, x, data["laminated"], x * data["laminated"]]
    kinds = {"1": one[:, None], "1x": np.column_stack([one, x]), "1|x": np.column_stack([one, x])}
    levels = []
    for text in LEVELS[name]:
        group, kind = text.split()
        levels.append((kinds[kind], data[group], kind != "1|x"))
    return data["y"], np.column_stack(fixed), levels


def design(name: str) -> NestedDesign:
    """The design as the engine takes it."""
    return NestedDesign.build(*arrays(name))
