"""How many sensors, uses and repeats? Three studies planned from the demo trials as a pilot, and what one more buys."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from drift.workflow import answer_plan

PILOT = Path(__file__).resolve().parents[2] / "demo_trials"
STUDIES = 400
QUESTIONS: dict[str, tuple[str, str, dict[str, Any]]] = {
    # A count at most six uses below the true one, on average, for plain sensors and a limit of 25 %.
    "count": ("retire", "plain", {"lose": 6.0, "limit": 25.0, "until": 40.0, "checks": (4, 5, 7), "mountings": (1, 2)}),
    # The SEM of one reading of one person by any sensor, to about a third of itself, with 20 people.
    "SEM": ("sem", "same person, another sensor", {"within": 35.0, "targets": (20,), "levels": (3, 5, 8, 12),
                                                "repeats": (1, 2)}),
    # Stance against bench, to be called interchangeable within 20 kPa with a chance of 0.8.
    "agreement": ("limits", "stance against bench", {"harmless": 20.0, "power": 0.8})}


def answer() -> dict[str, Any]:
    """Return each plan, what was expected and simulated of it, what one more of anything buys, and wrong values."""
    found: dict[str, Any] = {}
    for name, (kind, question, asked) in QUESTIONS.items():
        result = answer_plan(kind, asked, pilot=PILOT, pilot_question=question, studies=STUDIES, seed=1)
        (part,) = result.parts
        print(f"{name}: {part.answer}")
        for e in part.estimates:
            asked_for = e.name.startswith("planned ") or e.name in ("expected", "simulated")
            if asked_for and math.isfinite(e.value):
                found[f"{name}: {e.name}"] = e.value
        for table, label in (("one more", "one more"), ("if they are wrong", "case")):
            t = part.table(table)
            value = next(c.name for c in t.columns if c.name not in (label, "change", "more readings", "more cost"))
            for words, v in zip(t[label], t[value], strict=True):
                found[f"{name}: {table}, {words}"] = float(v)
    return found


if __name__ == "__main__":
    for key, value in answer().items():
        print(f"{key}: {value}")
