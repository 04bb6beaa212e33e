"""When should an insole be retired? The count of each construction, and the count at which the average crosses."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import drift

STUDY = Path(__file__).resolve().parents[2] / "demo_trials"


def answer() -> dict[str, Any]:
    """Return the retire-after count over all limits and per limit, by construction."""
    study = drift.read_study(STUDY)
    tables = drift.read_tables(study).tables
    result = drift.retire(drift.fit_wear(tables, study, seed=1), study, tables, seed=1)
    print(result.answer)
    found = {}
    for e in result.estimates:
        if e.name == "retire after":
            limit = e.of.get("limit", "all limits")
            found[f"{e.of['construction']}: {limit}"] = [e.value, e.bound]
    return found


if __name__ == "__main__":
    for name, (count, bound) in answer().items():
        print(f"{name}: {bound} {count:.0f}")
