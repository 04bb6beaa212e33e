"""Do two observers agree, and may a machine stand in for them? Blood pressure of 85 people, three readings of each."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import drift
from drift.agreement import AgreementResult, agreement
from drift.engine.limits_of_agreement import unpaired_strata
from drift.results import format_interval
from drift.study import AgreementQuestion

HERE = Path(__file__).resolve().parent
FILE = "bland-altman-1999-sbp.csv"
HARMLESS = 15.0  # mmHg; see README.md
PAIRS = (("J", "R"), ("J", "S"), ("R", "S"))
PRINTED = ("bias", "lower limit", "upper limit", "SD of differences", "share of differences inside",
           "total deviation index", "CCC")


def answer() -> dict[str, Any]:
    """Return the paper's printed figures, then intervals, verdicts and concordance of every pair of methods."""
    readings = pd.read_csv(HERE / FILE, dtype={"subject": str, "replicate": str})
    found = as_printed(readings)
    linked = {pair: ask(readings, *pair, truth="varying") for pair in PAIRS}
    unlinked = {pair: ask(readings, *pair, truth="constant") for pair in PAIRS}
    for truth, results in (("linked", linked), ("unlinked", unlinked)):
        for (a, b), result in results.items():
            found[f"{a} against {b}, {truth}: verdict"] = result.verdicts[0]
            found |= {f"{a} against {b}, {truth}: {name}": [v for v in (e.value, e.low, e.high) if v == v]
                      for name in PRINTED for e in [result.estimate(name)]}
    both = (("read at the same moment", linked), ("as if read at any time", unlinked))
    found["table"] = [row(a, b, result, words) for words, results in both for (a, b), result in results.items()]
    found["single: limits with 2 SD"] = two_sd(readings)
    return found | all_three(readings)


def table_of(readings: pd.DataFrame) -> drift.TrialTable:
    """Return the readings as a trial table."""
    columns = {"participant": readings["subject"], "method": readings["method"], "replicate": readings["replicate"]}
    return drift.TrialTable({**{k: v.to_numpy(dtype=object) for k, v in columns.items()},
                             "reading": readings["sbp"].to_numpy(dtype=float)},
                            np.asarray(readings.index) + 2, FILE, units={"reading": "mmHg"})


def ask(readings: pd.DataFrame, a: str, b: str, *, truth: str, multiplier: float = 1.96) -> AgreementResult:
    """Compare two methods, with the true pressure varying from moment to moment or constant within a person."""
    question = AgreementQuestion(name=f"{a} against {b}", compare="method", a=a, b=b, target="participant",
                                 pair_by=("participant", "replicate"), truth=truth, harmless=HARMLESS)
    return agreement(table_of(readings), question, seed=1, multiplier=multiplier)


def all_three(readings: pd.DataFrame) -> dict[str, Any]:
    """Compare the three at once: each against the mean of the others, and the error of each."""
    question = AgreementQuestion(name="all three", compare="method", methods="all", target="participant",
                                 pair_by=("participant", "replicate"), harmless=HARMLESS)
    result = agreement(table_of(readings), question, seed=1)
    found: dict[str, Any] = {}
    for name in ("bias from the mean", "error SD"):
        for e in (e for e in result.estimates if e.name == name):
            found[f"all three: {name}, {e.of['method']}"] = [e.value, e.low, e.high]
    pairs = result.table("pairwise limits")
    found |= {f"all three: {pair}": str(verdict) for pair, verdict in zip(pairs["pair"], pairs["verdict"], strict=True)}
    whole = result.estimate("overall CCC")
    return found | {"all three: overall CCC": [whole.value, whole.low, whole.high]}


def as_printed(readings: pd.DataFrame) -> dict[str, Any]:
    """Return what the paper prints: single readings, parts within a person, limits corrected for three readings."""
    first = ask(readings[readings["replicate"] == "1"], "J", "S", truth="varying")
    bias, low, high, sd = (first.estimate(n) for n in ("bias", "lower limit", "upper limit", "SD of differences"))
    error = round(1.71 * sd.value / math.sqrt(85), 1)  # the paper rounds the standard error, and takes 1.99 for t
    found: dict[str, Any] = {
        "single: bias": bias.value, "single: sd": sd.value, "single: lower": low.value, "single: upper": high.value,
        "single: bias, low": bias.low, "single: bias, high": bias.high}
    for name, e in (("lower", low), ("upper", high)):
        found |= {f"single: {name}, low as printed": round(e.value, 1) - 1.99 * error,
                  f"single: {name}, high as printed": round(e.value, 1) + 1.99 * error,
                  f"single: {name}, exact interval": [e.value, e.low, e.high]}
    values = {m: readings.loc[readings["method"] == m].sort_values(["subject", "replicate"]) for m in "JRS"}
    code = pd.factorize(values["J"]["subject"])[0]
    for m, other in (("J", "S"), ("R", "S"), ("S", "J")):
        within = unpaired_strata(values[m]["sbp"], code, values[other]["sbp"], code).within[0]
        found |= {f"within a person: variance, {m}": within, f"within a person: SD, {m}": math.sqrt(within),
                  f"repeatability coefficient, {m}": 1.96 * math.sqrt(2 * within)}
    parts = unpaired_strata(values["J"]["sbp"], code, values["S"]["sbp"], code)
    found |= {"three readings: variance of mean differences": parts.between_means,
              "three readings: corrected variance": parts.strata.variance}
    whole = ask(readings, "J", "S", truth="constant")
    return found | {f"three readings: {name}": whole.estimate(key).value for name, key in (
        ("bias", "bias"), ("sd", "SD of differences"), ("lower", "lower limit"), ("upper", "upper limit"))}


def two_sd(readings: pd.DataFrame) -> list[float]:
    """Return the limits as bias -/+ 2 SD, the way of 1986."""
    first = ask(readings[readings["replicate"] == "1"], "J", "S", truth="varying", multiplier=2.0)
    return [first.estimate(f"{side} limit").value for side in ("lower", "upper")]


def row(a: str, b: str, result: AgreementResult, words: str) -> str:
    """Return a row of the table in README.md."""
    bias, low, high = (result.estimate(n) for n in ("bias", "lower limit", "upper limit"))
    cells = [format_interval(e.value, e.low, e.high) for e in (bias, low, high)]
    share = min(100 * result.estimate("share of differences inside").value, 99.9)
    return f"| {a} \N{MINUS SIGN} {b} | {words} | {' | '.join(cells)} | {share:.3g} % | {result.verdicts[0]} |"


if __name__ == "__main__":
    for name, value in answer().items():
        print(name, *(value if isinstance(value, list) else [value]), sep="\n  ")
