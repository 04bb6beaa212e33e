"""How long does a shock absorber last, and of what does it fail? Eleven failures of 38, in two modes."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import drift
from drift.ingest.lives import observed
from drift.retirement.life_study import LifetimesResult

HERE = Path(__file__).resolve().parent


def answer() -> dict[str, Any]:
    """Return the published fit, the life that 90 % reach, and the share failed of each mode."""
    table = pd.read_csv(HERE / "meeker-shock-absorber.csv")
    whole = ask(table, ("Mode1", "Mode2"))
    print(whole.answer)
    fit = whole.table("life distributions")
    found: dict[str, Any] = {"mu": fit["location"][0], "se_mu": fit["location se"][0], "sigma": fit["scale"][0],
                             "eta": whole.estimate("Weibull scale").value,
                             "beta": whole.estimate("Weibull shape").value,
                             "n_failures": whole.estimate("failures seen").value}
    for e in whole.estimates:
        if e.name.startswith(("life by", "lower bound", "share failed")):
            found[e.name] = [v for v in (e.value, e.low, e.high) if not math.isnan(v)]
    failed = table[table["status"] == 1]
    naive = observed(failed["miles"], failed["miles"], per="miles")
    found["only the failures: life by which 10 % fail"] = drift.lifetimes(naive, seed=1).life().value
    alone = [ask(table, (mode,)).estimate("share failed").value for mode in ("Mode1", "Mode2")]
    found["one minus survival of each mode alone, added up"] = sum(alone)
    return found


def ask(table: pd.DataFrame, modes: tuple[str, ...]) -> LifetimesResult:
    """Take the named modes as failures, everything else as still fit when last seen."""
    failed = table["mode"].isin(modes).to_numpy()
    miles = table["miles"].to_numpy(float)
    lives = observed(miles, np.where(failed, miles, np.inf), per="miles",
                     cause=[str(m) if f else "" for m, f in zip(table["mode"], failed, strict=True)])
    return drift.lifetimes(lives, seed=1)


if __name__ == "__main__":
    for name, value in answer().items():
        print(name, value)
