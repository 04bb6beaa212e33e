"""How fast does sensitivity drift? Percent per use of each construction, from the bench checks of the demo trials."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import drift

STUDY = Path(__file__).resolve().parents[2] / "demo_trials"
NAMES = ("drift per use, percent", "growth of saturation pressure per use, percent")


def answer() -> dict[str, Any]:
    """Return value and interval of each drift estimate, by construction."""
    study = drift.read_study(STUDY)
    tables = drift.read_tables(study).tables
    wear = drift.fit_wear(tables, study, seed=1)
    print(wear.answer)
    found = {}
    for construction in ("plain", "laminated"):
        for name in NAMES:
            e = wear.estimate(name, construction=construction)
            found[f"{construction}: {name}"] = [e.value, e.low, e.high]
    return found


if __name__ == "__main__":
    for name, numbers in answer().items():
        print(name, *(f"{x:.4f}" for x in numbers))
