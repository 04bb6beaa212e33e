"""After how many hours should a laser be retired? Crossing times of 10 % and the retire-after age."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import drift

HERE = Path(__file__).resolve().parent


def answer() -> dict[str, Any]:
    """Return the crossing time of each laser's own line, and the retire-after age with its two bounds."""
    study = drift.read_study(HERE)
    tables = drift.read_tables(study).tables
    wear = drift.fit_wear(tables, study, seed=1)
    result = drift.retire(wear, study, tables, seed=1)
    print(result.answer)
    lines = wear.table("sensor lines").to_frame()
    crossing = (10 - lines["intercept"]) / lines["slope"]
    return {**{f"t_{sensor}": t for sensor, t in zip(lines["sensor"], crossing, strict=True)},
            "retire after": result.estimate("retire after").value}


if __name__ == "__main__":
    for name, hours in answer().items():
        print(f"{name}: {hours:.0f} h")
