"""Do reported numbers add up? Two invented papers: one whose numbers come from data, one with three planted wrong."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from drift.workflow_review import review_file

HERE = Path(__file__).resolve().parent


def answer() -> dict[str, Any]:
    """Return the verdict on both papers, what stands in the contradictions, and what would reconcile them."""
    found: dict[str, Any] = {}
    for name in ("clean", "with-errors"):
        result = review_file(HERE / f"{name}.toml")
        print(f"{name}: {result.answer}")
        relations, questions, fits = (result.table(t) for t in ("relations", "questions", "what fits"))
        statuses = [str(s) for s in relations["status"]]
        found[f"{name}: answer"] = result.answer
        found[f"{name}: relations"] = len(statuses)
        found[f"{name}: relations that agree"] = statuses.count("agrees")
        found[f"{name}: relations that conflict"] = statuses.count("conflicts")
        found[f"{name}: questions"] = len(questions)
        sets = result.table("conflicts")
        found[f"{name}: sets"] = [f"{w}: {n}" for w, n in zip(sets["where"], sets["numbers"], strict=True)]
        found[f"{name}: what fits"] = [f"{w}: {s}" for w, s in zip(fits["where"], fits["sentence"], strict=True)]
    clean = review_file(HERE / "clean.toml")
    for name, group in (("F (two-way)", "forefoot"), ("SEM (consistency)", "heel")):
        e = clean.estimate(f"implied {name}", group=group)
        found[f"clean: implied {name}, {group}"] = [e.low, e.high]
    return found


if __name__ == "__main__":
    for key, value in answer().items():
        print(f"{key}: {value}")
