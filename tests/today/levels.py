"""A study whose sensors are read at four levels a check."""

from __future__ import annotations

from pathlib import Path

import numpy as np

LEVELS = (200, 400, 600, 800)
TOML = """[study]
title = "t"
[files]
checks = "checks.csv"
sensors = "sensors.csv"
[units.checks]
reading = "count"
reference = "kPa"
[sensitivity]
full_scale = 1023
[limits]
sensitivity_change = 0.25
"""


def write(folder: Path, rows: tuple[str, ...] = (), *, standards: int = 0, toml: str = TOML) -> str:
    """Eight plain sensors checked at uses 0 to 25 at four levels, check standards, and what a test adds."""
    rng = np.random.default_rng(1)
    lines, listed = ["sensor,use,replicate,reading,reference"], ["sensor,construction,role"]
    for i in range(8):
        start, slope = rng.normal(0, 0.03), rng.normal(-0.006, 0.001)
        listed.append(f"P{i + 1:02d},plain,worn")
        for use in range(0, 26, 5):
            gain = np.exp(start + slope * use + rng.normal(0, 0.01))
            lines += [f"P{i + 1:02d},{use},1,{p * gain + 3 + rng.normal(0, 1):.2f},{p}" for p in LEVELS]
    for k in range(standards):
        listed.append(f"CS{k + 1},,check standard")
        for use in range(25):
            gain = np.exp(rng.normal(0, 0.003))
            lines += [f"CS{k + 1},{use},1,{p * gain + 3:.2f},{p}" for p in LEVELS]
    (folder / "checks.csv").write_text("\n".join([*lines, *rows]) + "\n", encoding="utf-8")
    (folder / "sensors.csv").write_text("\n".join(listed) + "\n", encoding="utf-8")
    (folder / "study.toml").write_text(toml, encoding="utf-8")
    return str(folder)
