"""Write mixed_designs.csv: ten unbalanced nested designs with a seed fixed before the first run.

Run by hand only when a design is added; mixed_designs.R then writes what other software makes of them.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

# name, batches, sensors, largest use, share of missing checks, mountings, SDs: batch (start, slope),
# sensor (start, slope, correlation), occasion, residual, share of missing rows
DESIGNS = [
    ("intercept", 0, 7, 6, 0.3, 1, (0, 0), (2.0, 0, 0), 0, 1.0, 0.0),
    ("line", 0, 9, 7, 0.25, 1, (0, 0), (2.0, 0.5, 0.3), 0, 1.0, 0.0),
    ("line uncorrelated", 0, 10, 6, 0.3, 2, (0, 0), (1.5, 0.4, 0), 0, 1.0, 0.1),
    ("line occasion", 0, 8, 6, 0.2, 3, (0, 0), (2.0, 0.5, -0.4), 0.8, 0.7, 0.2),
    ("intercept occasion", 0, 6, 5, 0.3, 3, (0, 0), (1.5, 0, 0), 1.0, 0.8, 0.2),
    ("batch sensor occasion", 4, 3, 4, 0.2, 3, (1.5, 0), (1.0, 0, 0), 0.8, 0.7, 0.2),
    ("batch line sensor line", 6, 3, 7, 0.25, 1, (1.0, 0.5), (1.0, 0.3, 0.2), 0, 0.6, 0.0),
    ("constructions", 5, 3, 5, 0.2, 2, (1.5, 0), (1.2, 0.4, 0.3), 0.8, 0.7, 0.15),
    ("no occasion effect", 0, 7, 6, 0.25, 2, (0, 0), (2.0, 0.5, 0.2), 0.0, 1.5, 0.15),
    ("no slope spread", 0, 6, 6, 0.3, 2, (0, 0), (2.0, 0.0, 0), 0, 1.2, 0.15),
]


def rows(number: int, design: tuple, rng: np.random.Generator) -> list[tuple]:  # type: ignore[type-arg]
    """Rows of one design."""
    name, batches, sensors, uses, missing_checks, mountings, batch_sd, sensor_sd, occasion_sd, sd, missing = design
    out = []
    sensor = occasion = 0
    for batch in range(max(batches, 1)):
        of_batch = rng.standard_normal(2) * batch_sd
        for _ in range(sensors):
            sensor += 1
            start, slope = rng.standard_normal(2)
            r = sensor_sd[2]
            own = (start * sensor_sd[0], (r * start + np.sqrt(1 - r * r) * slope) * sensor_sd[1])
            construction = ("plain", "laminated")[sensor % 2]
            for use in range(uses):
                if rng.random() < missing_checks:
                    continue
                occasion += 1
                day = rng.standard_normal() * occasion_sd
                for _ in range(mountings):
                    if rng.random() < missing:
                        continue
                    y = 10 - 0.4 * use + of_batch[0] + own[0] + (of_batch[1] + own[1]) * use + day
                    y += 0.5 * (construction == "laminated") + sd * rng.standard_normal()
                    out.append((name, batch + 1, sensor, occasion, construction, use, f"{y:.4f}"))
    del number
    return out


def main() -> None:
    """Write the table."""
    seeds = np.random.SeedSequence(20240611).spawn(len(DESIGNS))
    with (Path(__file__).parent / "mixed_designs.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(("design", "batch", "sensor", "occasion", "construction", "x", "y"))
        for number, (design, seed) in enumerate(zip(DESIGNS, seeds, strict=True)):
            writer.writerows(rows(number, design, np.random.default_rng(seed)))


if __name__ == "__main__":
    main()
