"""Make the layouts behind ``repeated_uses.R``: ``python make_repeated_uses.py`` writes ``repeated_uses_data.csv``."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

USES = (0, 1, 2, 5, 10, 20)


def rows() -> list[tuple[str, str, str, int, float]]:
    """Return layout, level, target, use and reading: 12 targets at six uses, complete and not, and two levels."""
    rng = np.random.default_rng(20261127)
    made = []
    target, line = 8 * rng.normal(size=12), 0.3 * rng.normal(size=12)
    occasion = 2 * rng.normal(size=len(USES))
    noise = 2 * rng.normal(size=(2, 12, len(USES)))
    other = 0.6 * noise[0] + 0.5 * noise[1]
    for i in range(12):
        for j, use in enumerate(USES):
            y = 100 + target[i] + (line[i] - 0.5) * use + occasion[j] + noise[0, i, j]
            z = 100 + 0.97 * target[i] - 0.5 * use + 0.8 * occasion[j] + other[i, j]
            made.append(("complete", "a", f"T{i:02d}", use, round(float(y), 2)))
            if (i + 2 * j) % 7 != 0:
                made.append(("missing", "a", f"T{i:02d}", use, round(float(y), 2)))
            made += [("two levels", "a", f"T{i:02d}", use, round(float(y), 2)),
                     ("two levels", "b", f"T{i:02d}", use, round(float(z), 2))]
    return made


if __name__ == "__main__":
    with (Path(__file__).parent / "repeated_uses_data.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(("layout", "level", "target", "use", "reading"))
        writer.writerows(sorted(rows(), key=lambda r: (r[0], r[1])))
