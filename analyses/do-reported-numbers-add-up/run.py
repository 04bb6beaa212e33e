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
    implied = review_file(HERE / "clean.toml").table("implied values")
    for name, where in (("F (two-way)", "Table 2, forefoot"), ("SEM (consistency)", "Table 2, heel")):
        i = list(zip(implied["number"], implied["where"], strict=True)).index((name, where))
        found[f"clean: implied {name}, {where}"] = [float(implied["from"][i]), float(implied["to"][i])]
    return found


if __name__ == "__main__":
    for key, value in answer().items():
        print(f"{key}: {value}")
