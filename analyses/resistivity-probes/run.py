"""Spread of resistivity probes from day to day and run to run, and their agreement.

The printed figures of the study are for probe 2362: repeatability of the six readings of a day (s1), spread of
day means (s2) and of run means (s3), what days and runs add by themselves, the probe's bias against the mean of
all five, and the uncertainty of one of its corrected readings.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

import drift
from drift.agreement import agreement
from drift.reliability import combine_uncertainty, nested_levels, relative_bias, reliability

HERE = Path(__file__).resolve().parent


def answer() -> dict[str, Any]:
    """Return SDs, biases and uncertainty of probe 2362, reliability over probes, and limits against each other one."""
    study = drift.read_study(HERE)
    trials = drift.read_tables(study).tables.trials
    found: dict[str, Any] = probe_2362(trials)
    for question in study.reliability:
        result = reliability(trials, question, seed=1)
        print(result.answer)
        for e in result.estimates:
            if e.name in ("ICC(A,1)", "SEM (agreement)") and e.of.get("model", "two-way random") == "two-way random":
                of = "".join(f", {name} {e.of[name]}" for name in question.by)
                found[f"{question.name}{of}: {e.name}"] = [e.value, e.low, e.high]
    for comparison in study.agreement:
        compared = agreement(trials, comparison, seed=1)
        print(compared.answer)
        for e in compared.estimates:
            if e.name in ("bias", "lower limit", "upper limit"):
                found[f"{comparison.name}, run {e.of['run']}: {e.name}"] = [e.value, e.low, e.high]
    return found


def probe_2362(trials: drift.TrialTable) -> dict[str, float]:
    """Return the printed figures of probe 2362, in ohm cm."""
    own = trials.take(trials["sensor"] == "2362")
    levels = nested_levels(own["reading"], own["reading_sd"], own["reading_n"], own["wafer"], own["run"])
    biases = relative_bias(trials["reading"], trials["wafer"], trials["sensor"], trials["run"])
    mine = {run: [b for (probe, _, r), b in biases.items() if (probe, r) == ("2362", run)] for run in ("1", "2")}
    each = np.array([*mine["1"], *mine["2"]])
    s_probe = float(each.std(ddof=1))
    u, df, expanded = combine_uncertainty([(levels.s2, 5 / 6, levels.df2), (levels.s3, 1.0, levels.df3),
                                           (s_probe, 1 / 10, 4)])
    return {"s1": levels.s1, "s2": levels.s2, "s3": levels.s3, "s_days": levels.s_days, "s_runs": levels.s_runs,
            "bias_run1": float(np.mean(mine["1"])), "bias_run2": float(np.mean(mine["2"])),
            "bias_overall": float(each.mean()), "bias_sd": s_probe, "u": u, "u_df": df, "expanded_u": expanded}


if __name__ == "__main__":
    for name, value in answer().items():
        print(name, value)
