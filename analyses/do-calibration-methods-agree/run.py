"""Do calibration methods agree? Stance and gait against bench calibration, on the walkers of the demo trials."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import drift

STUDY = Path(__file__).resolve().parents[2] / "demo_trials"


def answer() -> dict[str, Any]:
    """Return bias, limits with their intervals, and the verdict sentence of each agreement question."""
    from drift.agreement import agreement

    study = drift.read_study(STUDY)
    trials = drift.read_tables(study).tables.trials
    found: dict[str, Any] = {}
    for question in study.agreement:
        result = agreement(trials, question, seed=1)
        found[f"{question.name}: answer"] = ". ".join(result.answer.split(". ")[:2]) + "."  # up to the verdict
        for name in ("bias", "lower limit", "upper limit"):
            e = result.estimate(name)
            found[f"{question.name}: {name}"] = [e.value, e.low, e.high]
    return found


if __name__ == "__main__":
    for name, value in answer().items():
        print(name, value)
