"""May the quick calibration replace the bench? Stance and gait against bench calibration, at once and along use."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import drift
from drift.agreement import AgreementResult, agreement
from drift.results import Estimate, format_interval
from drift.study import AgreementQuestion

DEMO = Path(__file__).resolve().parents[2] / "demo_trials"
RAW = DEMO / "recalculated"
REGIONS = ("forefoot", "heel")
LIMITS = ("bias", "lower limit", "upper limit")
WHEN = (("", "over uses 0 to 59", "all uses"), (" at use 0", "0", "use 0"), (" at the present use", "59", "use 59"))


def answer() -> dict[str, Any]:
    """Return verdicts, bias and limits over all uses and along use, how long agreement lasts, and the truth beside."""
    study, truth = drift.read_study(DEMO), json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
    trials = drift.read_tables(study).tables.trials
    assert trials is not None
    found: dict[str, Any] = {"table": [], "verdicts": []}
    held: list[bool] = []
    for question in study.agreement:
        for region in REGIONS:
            result = ask(trials, question, region)
            name = f"{question.name}, {region}"
            found |= numbers(name, result)
            true = truth["agreement"][question.name][region]
            for suffix, at, words in WHEN:
                values = true[at] if suffix == "" else true["by use"][at]
                estimates = [result.estimate(f"{e}{suffix}") for e in LIMITS]
                found["table"].append(row(question.a, region, words, estimates, values))
                held += [e.low <= values[n] <= e.high for n, e in zip(LIMITS, estimates, strict=True)]
            found["verdicts"].append(f"| {question.a} | {region} | {result.verdicts[0]} | "
                                     f"{'yes' if truth['interchangeable'][question.name] else 'no'} | "
                                     f"{trend(result)} | {lasts(result)} |")
    found["intervals that hold the truth"] = [float(sum(held)), float(len(held))]
    return found | without_new_walks(truth["recalculated"]["questions"])


def without_new_walks(truth: dict[str, Any]) -> dict[str, Any]:
    """Express walks of which the raw output was kept through each calibration, and compare pressure by pressure."""
    study = drift.read_study(RAW)
    tables = drift.read_tables(study).tables
    assert tables.trials is not None
    found: dict[str, Any] = {"without new walks: table": [], "without new walks: where": []}
    held: list[bool] = []
    for question in study.agreement:
        if question.name not in truth:
            continue
        true = truth[question.name]
        result = agreement(tables.trials, question, seed=1, calibrations=tables.calibrations)
        found[f"without new walks, {question.name}: verdict"] = result.verdicts[0]
        ends = [result.estimate(f"interchangeable {side} pressure").value for side in ("from", "to")]
        found[f"without new walks, {question.name}: interchangeable between"] = ends
        low, high = true["interchangeable between"]
        found["without new walks: where"].append(
            f"| {question.a} | {result.verdicts[0]} | {ends[0]:.0f} to {ends[1]:.0f} | {low:.0f} to {high:.0f} |")
        table = result.table("limits by pressure")
        for pressure, values in true["by pressure"].items():
            rows = [i for i, x in enumerate(table["pressure"]) if abs(float(x) - float(pressure)) < 1e-6]
            for i in rows:
                three = {n: [float(table[f"{n}{end}"][i]) for end in ("", " low", " high")] for n in LIMITS}
                cells = [f"{format_interval(*three[n])} | {values[n]:.1f}".replace("| -", "| \N{MINUS SIGN}")
                         for n in LIMITS]
                found["without new walks: table"].append(f"| {question.a} | {pressure} kPa | {' | '.join(cells)} |")
                held += [three[n][1] <= values[n] <= three[n][2] for n in LIMITS]
    return found | {"without new walks: intervals that hold the truth": [float(sum(held)), float(len(held))]}


def ask(trials: drift.TrialTable, question: AgreementQuestion, region: str) -> AgreementResult:
    """Ask the study's question at one region."""
    return agreement(trials, question.model_copy(update={"where": {**question.where, "region": region}}), seed=1)


def numbers(name: str, result: AgreementResult) -> dict[str, Any]:
    """Return the figures of one answer."""
    wanted = (*LIMITS, "trend of difference with use", *(f"{e}{s}" for s, _, _ in WHEN[1:] for e in LIMITS))
    found: dict[str, Any] = {f"{name}: {n}": [e.value, e.low, e.high] for n in wanted for e in [result.estimate(n)]}
    found[f"{name}: verdict"] = result.verdicts[0]
    found[f"{name}: further targets"] = float(result.table("verdict")["further targets"][0])
    return {k: v for k, v in found.items() if isinstance(v, str) or v == v}  # a settled verdict needs none


def row(method: str, region: str, when: str, estimates: list[Estimate], true: dict[str, float]) -> str:
    """Return a row of the table: estimates with intervals, and the truth behind each."""
    cells = [f"{format_interval(e.value, e.low, e.high)} | {true[n]:.1f}".replace("| -", "| \N{MINUS SIGN}")
             for n, e in zip(LIMITS, estimates, strict=True)]
    return f"| {method} | {region} | {when} | {' | '.join(cells)} |"


def trend(result: AgreementResult) -> str:
    """Return how the difference changes with use."""
    e = result.estimate("trend of difference with use")
    return format_interval(e.value, e.low, e.high)


def lasts(result: AgreementResult) -> str:
    """Return how many uses agreement is shown to last."""
    table = result.table("uses left")
    use = float(table["use"][[str(w) for w in table["what"]].index("protocol limit")])
    return f"at least {use:g} uses" if use == use else "no use"


if __name__ == "__main__":
    for name, value in answer().items():
        print(name, *(value if isinstance(value, list) else [value]), sep="\n  ")
