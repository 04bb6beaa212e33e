"""Is the protocol reliable? The same person on another day and with another insole, by region."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import drift

STUDY = Path(__file__).resolve().parents[2] / "demo_trials"


def answer() -> dict[str, Any]:
    """Return ICC(A,1) and the standard error of measurement of each reliability question and region."""
    from drift.reliability import reliability

    study = drift.read_study(STUDY)
    trials = drift.read_tables(study).tables.trials
    found = {}
    for question in study.reliability:
        result = reliability(trials, question, seed=1)
        print(result.answer)
        for e in result.estimates:
            if e.name in ("ICC(A,1)", "SEM (agreement)") and e.of.get("model", "two-way random") == "two-way random":
                group = ", ".join(e.of[b] for b in question.by)
                found[f"{question.name}, {group}: {e.name}"] = [e.value, e.low, e.high]
    return found


if __name__ == "__main__":
    for name, numbers in answer().items():
        print(name, *(f"{x:.3f}" for x in numbers))
