"""Which protocol factor costs the most reliability? Variance shares and comparisons on the demo trials, heel.

Sensors and days are crossed with walkers and vary in every study, so their parts come from one G study for each
state of the gains. The three calibration methods report the same walks: their part comes from one walk a cell, because
two reports of one walk are no replicates of each other. Construction lies between sensors, two of each.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np

import drift
from drift.reliability import reliability
from drift.results import format_interval
from drift.study import ReliabilityQuestion

STUDY = Path(__file__).resolve().parents[2] / "demo_trials"
HEEL = {"measure": "peak pressure", "region": "heel"}
BENCH = {**HEEL, "method": "bench"}
EQUALISED = {**HEEL, "gains": "equalised"}
WALKER, WALK = "participant", "residual (readings of one cell)"
CONSTRUCTIONS = ReliabilityQuestion(name="constructions", target=WALKER, facet=("construction", "sensor", "session"),
                                    nested={"sensor": "construction"}, by=("gains",), where=BENCH)

# What stands in the ranked table: factor, study, component.
PARTS = (("calibration method", "methods", "method"),
         ("calibration method, another on each walker", "methods", "participant x method"),
         ("calibration method, another at each day", "methods", "session x method"),
         ("sensor, gains as made", "as made", "sensor"),
         ("sensor, gains equalised", "equalised", "sensor"),
         ("sensor, another on each walker", "equalised", "participant x sensor"),
         ("day, the same for all walkers", "equalised", "session"),
         ("day, another for each walker", "equalised", "participant x session"),
         ("construction, gains as made", "constructions as made", "construction"),
         ("walk to walk (no factor of the protocol)", "equalised", WALK))


def answer() -> dict[str, Any]:
    """Return every component and comparison with interval and truth, the ranked table and its summary."""
    study = drift.read_study(STUDY)
    # Asked as part of the study, so that what sensors.csv says of a sensor stands beside its trials.
    trials = drift.read_tables(study.model_copy(update={"reliability": (CONSTRUCTIONS,)})).tables.trials
    assert trials is not None
    truth = json.loads((STUDY / "truth.json").read_text(encoding="utf-8"))

    parts, sems = shares(trials)
    found: dict[str, Any] = {f"{study}: SD of {part}": list(x) for (study, part), x in parts.items()}
    found |= {f"{name}: SEM (absolute)": list(x) for name, x in sems.items()}
    true = {("methods", "method"): float(np.std([m["over uses 0 to 59"]["bias"] for m in (
                truth["agreement"]["stance against bench"]["heel"], truth["agreement"]["gait against bench"]["heel"])]
                + [0.0], ddof=1)), ("constructions as made", "construction"): 0.0}
    for gains in ("equalised", "as made"):
        true |= {(gains, part): sd for part, sd in bench_truth(truth, gains).items()}
    found["ranked table"] = ranked(parts, true)
    found["intervals that hold the truth"] = list(held(trials, truth))
    found["comparisons"] = compared(trials, truth)
    found["answer"] = summary(parts, sems)
    return found


Triple = tuple[float, float, float]


def shares(trials: drift.TrialTable) -> tuple[dict[tuple[str, str], Triple], dict[str, Triple]]:
    """Return the SD of every component by study, and the SEM (absolute) of one reading of each study."""
    over_all = ReliabilityQuestion(name="bench", target=WALKER, facet=("session", "sensor"), by=("gains",), where=BENCH)
    methods = ReliabilityQuestion(name="methods", target=WALKER, facet=("session", "sensor", "method"),
                                  where={**EQUALISED, "replicate": 1})
    parts: dict[tuple[str, str], Triple] = {}
    sems: dict[str, Triple] = {}
    for question in (over_all, methods, CONSTRUCTIONS):
        result = reliability(trials, question, seed=1)
        print(result.answer)
        for e in result.estimates:
            gains = e.of.get("gains", "")
            study = gains if question is over_all else f"{question.name} {gains}".strip()
            if e.name == "variance component, SD":
                parts[study, e.of["component"]] = (e.value, e.low, e.high)
            elif e.name == "SEM (absolute)" and e.of["reading"] == "one reading":
                sems[study] = (e.value, e.low, e.high)
        if question is over_all:
            plan = result.table("D study").to_frame()
            for row in plan[plan["gains"] == "equalised"].to_dict("records"):
                if row["replicate"] == 1 and row["session"] * row["sensor"] == 2:
                    name = "two days" if row["session"] == 2 else "two sensors"
                    sems[name] = (row["SEM (absolute)"], row["SEM (absolute) low"], row["SEM (absolute) high"])
    return parts, sems


def bench_truth(truth: dict[str, Any], gains: str, scale: float = 1.0) -> dict[str, float]:
    """Return the true SD of every component of the bench readings of a region of that scale."""
    p = truth["parameters"]
    sd = {**p["trial_sd"], "session x sensor": 0.0}
    walk = math.hypot(sd.pop("walk"), p["methods"]["bench"]["reading"])
    sd["sensor"] = math.hypot(sd["sensor"], p["gains_sd"][gains])
    return {k: scale * v for k, v in {**sd, WALK: walk}.items()}


def ranked(parts: dict[tuple[str, str], Triple], true: dict[tuple[str, str], float]) -> list[str]:
    """Return the rows of the ranked table, the costliest first."""
    error = {study: sum(x[0] ** 2 for (s, part), x in parts.items() if s == study and part != WALKER)
             for study, _ in parts}
    rows = []
    for place, (name, study, part) in enumerate(sorted(PARTS, key=lambda p: -parts[p[1], p[2]][0]), start=1):
        value, low, high = parts[study, part]
        is_true = true.get((study, part))
        shown = "-" if is_true is None else f"{is_true:.1f}, {'held' if low <= is_true <= high else 'missed'}"
        share = f"{100 * value**2 / error[study]:.0f} %, {study}"
        rows.append(f"| {place} | {name} | {format_interval(value, low, high)} | {share} | {shown} |")
    return rows


def held(trials: drift.TrialTable, truth: dict[str, Any]) -> tuple[int, int]:
    """Count the intervals of the bench components, three regions and both states of the gains, that hold the truth."""
    question = ReliabilityQuestion(name="all regions", target=WALKER, facet=("session", "sensor"),
                                   by=("gains", "region"), where={"method": "bench", "measure": "peak pressure"})
    inside = []
    for e in reliability(trials, question, seed=1).estimates:
        if e.name == "variance component, SD":
            scale = truth["parameters"]["regions"][e.of["region"]]["scale"]
            sd = bench_truth(truth, e.of["gains"], scale)[e.of["component"]]
            inside.append(e.low <= sd <= e.high)
            if not inside[-1]:
                print(f"  missed: {dict(e.of)} {e.text()}, true {sd:.1f}")
    return sum(inside), len(inside)


def compared(trials: drift.TrialTable, truth: dict[str, Any]) -> list[str]:
    """Return the rows of the table of comparisons: ratio of SEM of one reading with another sensor, or another day."""
    visit, one = {"session": "visit 2"}, {"sensor": "L04"}
    asked = ({"compare": "gains", "facet": "sensor", "where": {**BENCH, **visit}},
             {"compare": "method", "facet": "sensor", "where": {**EQUALISED, **visit}},
             {"compare": "method", "facet": "session", "where": {**EQUALISED, **one}},
             {"compare": "construction", "facet": "sensor", "where": {**BENCH, **EQUALISED, **visit}})
    rows = []
    for keys in asked:
        question = ReliabilityQuestion(name=f"{keys['compare']} over {keys['facet']}", target=WALKER, **keys)
        result = reliability(trials, question, seed=1)
        print(result.answer)
        by_pair: dict[str, dict[str, str]] = {}
        for e in result.estimates:
            if e.name.startswith("ratio of SEM"):
                by_pair.setdefault(e.of["comparison"], {})[e.name] = format_interval(e.value, e.low, e.high, least=2)
        for pair, ratios in by_pair.items():
            a, b = (true_sem(truth, trials, level, question) for level in pair.split(" / "))
            value, apart = (ratios[f"ratio of SEM ({kind})"] for kind in ("agreement", "consistency"))
            rows.append(f"| {pair} | another {question.facet} | {value} | {a[0] / b[0]:.2f} | {apart} | "
                        f"{a[1] / b[1]:.2f} |")
    return rows


def true_sem(truth: dict[str, Any], trials: drift.TrialTable, level: str,
             question: ReliabilityQuestion) -> tuple[float, float]:
    """Return the true SEM (agreement) and SEM (consistency) of a heel reading at one level of the compared column."""
    sd, methods = truth["parameters"]["trial_sd"], truth["parameters"]["methods"]
    m = methods[level if level in methods else "bench"]
    triple = sd["participant x session x sensor"] ** 2 + m["visit"] ** 2
    within = sd["walk"] ** 2 + m["reading"] ** 2
    if question.facet == "sensor":
        facet = sd["sensor"] ** 2 + m["sensor"] ** 2 + truth["parameters"]["gains_sd"].get(level, 0.0) ** 2
        both = sd["participant x sensor"] ** 2 + triple
    else:
        drifted = drift_along_uses(trials, m["bias_per_use"])
        facet = sd["session"] ** 2 + drifted[0]
        both = sd["participant x session"] ** 2 + triple + drifted[1]
    return math.sqrt(facet + both + within), math.sqrt(both + within)


def drift_along_uses(trials: drift.TrialTable, per_use: float) -> tuple[float, float]:
    """Return the variances that a drift of the method adds between days, and between days of one walker."""
    use = {(w, s): u for w, s, u in zip(trials[WALKER], trials["session"], trials["use"], strict=True)}
    walkers, days = (sorted({key[i] for key in use}) for i in (0, 1))
    shift = per_use * np.array([[use[w, d] for d in days] for w in walkers])
    by_day = shift.mean(axis=0)
    rest = shift - by_day - shift.mean(axis=1, keepdims=True) + shift.mean()
    both = float((rest**2).sum()) / ((len(walkers) - 1) * (len(days) - 1))
    return max(float(by_day.var(ddof=1)) - both / len(walkers), 0.0), both


def summary(parts: dict[tuple[str, str], Triple], sems: dict[str, Triple]) -> str:
    """Return what a laboratory manager can act on, in a few sentences."""
    def kpa(x: Triple) -> str:
        return f"{format_interval(*x)} kPa"

    own = sum(parts["equalised", part][0] ** 2 for part in ("participant x session", WALK))
    share = 100 * own / sems["equalised"][0] ** 2
    return (f"Let one calibration method report the whole study, and equalise the gains: methods differ by an SD of "
            f"{kpa(parts['methods', 'method'])}, and sensors as made by {kpa(parts['as made', 'sensor'])} against "
            f"{kpa(parts['equalised', 'sensor'])} once equalised. "
            f"That done, the SEM of one reading is {kpa(sems['equalised'])}, {share:.0f} % of its variance the "
            f"walker's own from day to day and walk to walk: two days bring it to {kpa(sems['two days'])}, two sensors "
            f"to {kpa(sems['two sensors'])}. Whether construction costs anything cannot be said with two sensors of "
            "each.")


if __name__ == "__main__":
    for name, value in answer().items():
        print(name, *(value if isinstance(value, list) else [value]), sep="\n  " if isinstance(value, list) and
              isinstance(value[0], str) else " ")
