"""Write ``gauge_layouts.csv``, the readings that ``gauge.R`` fits: balanced, unbalanced with empty cells, nested."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent


def rows() -> list[list[str]]:
    """Draw the readings from fixed seeds."""
    out = []
    for case, seed in (("balanced", 5), ("unbalanced", 9), ("nested", 7)):
        rng = np.random.default_rng(seed)
        p, o, m = 8, 3, 2
        part = rng.normal(0, 2.0, (p, o) if case == "nested" else (p, 1))
        y = 50 + part[:, :, None] + rng.normal(0, 1.2, (1, o, 1)) + rng.normal(0, 0.8, (p, o, 1)) * (case != "nested")
        y = y + rng.normal(0, 0.5, (p, o, m))
        for i, j, r in np.ndindex(p, o, m):
            if case != "balanced" and rng.random() < 0.2:
                continue
            label = f"{i * o + j}" if case == "nested" else f"{i}"
            out.append([case, label, f"{j}", f"{y[i, j, r]:.4f}"])
    return out


if __name__ == "__main__":
    with (HERE / "gauge_layouts.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["case", "part", "operator", "value"])
        writer.writerows(rows())
