"""Write ``paired_components.csv``: four unbalanced designs of paired differences. Run once, then the R script."""

import csv
from pathlib import Path

import numpy as np


def main() -> None:
    rng = np.random.default_rng(20260301)
    rows = []
    for name, targets, sensors, keep, nested in (("crossed", 12, 4, 0.5, False), ("one factor", 14, 1, 0.7, False),
                                                 ("nested", 12, 4, 0.8, True), ("boundary", 8, 3, 0.7, False)):
        t = np.repeat(np.arange(targets), sensors * 2 if not nested else 5)
        s = np.tile(np.repeat(np.arange(sensors), 2), targets) if not nested else t // 3
        if name == "one factor":
            t = np.repeat(np.arange(targets), 5)
            s = np.zeros(len(t), dtype=int)
        spread = 0.0 if name == "boundary" else 1.0
        d = (3 + spread * rng.normal(size=targets)[t] * 1.5 + spread * rng.normal(size=sensors)[s]
             + rng.normal(size=len(t)))
        x = rng.normal(100, 20, size=len(t)) + 5 * t
        for j in np.nonzero(rng.random(len(t)) < keep)[0]:
            rows.append((name, f"T{t[j]:02d}", f"S{s[j]}", round(float(x[j]), 3), round(float(d[j]), 4)))
    with Path(__file__).with_name("paired_components.csv").open("w", newline="", encoding="utf-8") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        writer.writerow(("design", "target", "sensor", "size", "difference"))
        writer.writerows(rows)


if __name__ == "__main__":
    main()
