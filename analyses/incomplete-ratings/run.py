"""How reliable is one rating when raters left gaps? Ebel's 17 ratings of three objects, with and without deletion."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import drift
from drift.reliability import reliability
from drift.results import format_interval
from drift.study import ReliabilityQuestion

HERE = Path(__file__).resolve().parent
QUESTION = ReliabilityQuestion(name="ratings", target="object", facet="rater", replicate=None)
SAID = ("why-this-coefficient", "what-would-narrow", "missing-cells", "few-targets")


def answer() -> dict[str, Any]:
    """Return coefficients and errors of all ratings, the printed one-way figures, and what deletion would leave."""
    ratings = pd.read_csv(HERE / "ebel-1951-incomplete-icc.csv", dtype={"object": str, "rater": str})
    table = ratings.pivot_table(index="object", columns="rater", values="rating")
    everyone = [rater for rater in table.columns if table[rater].notna().all()]
    complete = [thing for thing in table.index if table.loc[thing].notna().all()]
    whole = ask(ratings)
    found: dict[str, Any] = {"answer": whole.answer}
    found |= {f"said: {f.code}": ". ".join(x for x in (f.message, f.mend) if x) + "."
              for f in whole.findings if f.code in SAID}
    found |= one_way(whole)
    found |= numbers("all ratings", whole)
    without_raters = ask(ratings[ratings["rater"].isin(everyone)])
    found |= numbers("raters of all objects only", without_raters)
    found["raters of all objects only: readings used"] = used(without_raters)
    without_objects = ask(ratings[ratings["object"].isin(complete)])
    found["objects with all ratings only: answer"] = without_objects.answer
    found["objects with all ratings only: readings used"] = used(without_objects)
    found["table"] = [line("all 17 ratings", whole),
                      line("raters 1, 2 and 3 only, who rated every object", without_raters),
                      f"| object 2 only, which every rater rated | {used(without_objects):.0f} | none | none |"]
    return found


def ask(ratings: pd.DataFrame) -> drift.ReliabilityResult:
    """Ask for the reliability of one rating with another rater."""
    columns = {name: ratings[name].to_numpy(dtype=object) for name in ("object", "rater")}
    trials = drift.TrialTable({**columns, "reading": ratings["rating"].to_numpy(dtype=float)},
                              np.asarray(ratings.index) + 2, "ebel-1951-incomplete-icc.csv")
    return reliability(trials, QUESTION, seed=1)


def one_way(result: drift.ReliabilityResult) -> dict[str, float]:
    """Return the one-way figures as the source prints them: sums of squares, effective number of ratings, ICCs."""
    squares = result.table("mean squares").to_frame().set_index("source")
    single, mean = (result.estimate(name).value for name in ("ICC(1)", "ICC(k)"))
    between, within = squares.loc["between objects, one-way"], squares.loc["within objects"]
    return {"ss_between": float(between["sum of squares"]), "df_between": float(between["df"]),
            "ss_within": float(within["sum of squares"]), "df_within": float(within["df"]),
            "k0": mean * (1 - single) / (single * (1 - mean)), "ICC(1)": single, "ICC(k)": mean}


def numbers(name: str, result: drift.ReliabilityResult) -> dict[str, Sequence[float]]:
    """Return the coefficients and errors with their intervals."""
    return {f"{name}: {e.name}": [e.value, e.low, e.high] for e in result.estimates
            if e.name in ("ICC(A,1)", "ICC(C,1)", "ICC(1)", "ICC(k)", "SEM (agreement)")
            and e.of.get("model", "two-way random") in ("two-way random", "one-way")}


def used(result: drift.ReliabilityResult) -> float:
    """Return how many readings were used."""
    return float(sum(a.used for a in result.provenance.accounts))


def line(name: str, result: drift.ReliabilityResult) -> str:
    """Return a row of the table: readings, ICC(A,1), SEM."""
    icc, sem = result.declared, result.estimate("SEM (agreement)")
    return (f"| {name} | {used(result):.0f} | {format_interval(icc.value, icc.low, icc.high, least=2)} | "
            f"{format_interval(sem.value, sem.low, sem.high)} |")


if __name__ == "__main__":
    for name, value in answer().items():
        print(name, *(value if isinstance(value, list) else [value]), sep="\n  ")
