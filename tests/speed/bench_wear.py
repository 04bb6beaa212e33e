"""Speed of drift per use, whole and cold. Run by hand: ``python -m tests.speed.bench_wear``.

Prints the time of ``fit_wear`` (screening, calibration lines, REML with Kenward-Roger and profile intervals,
leave-one-sensor-out refits, checks, tables) against one statsmodels MixedLM fit of the same responses, of the
calibration of thousands of mountings with censored readings, and of ``drift wear`` from a cold start. Target: the
command on a small table under 1.5 s from a cold start.
"""

from __future__ import annotations

import csv
import subprocess
import sys
import tempfile
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np

from drift.calibration import fit_lines
from drift.records import Tables
from drift.sensitivity import fit_wear
from tests.sensitivity.worlds import laboratory, study
from tests.speed.stopwatch import best


def peer(tables: Tables) -> Callable[[], object]:
    """One statsmodels fit with random start and slope and an occasion component on the responses of ``tables``."""
    import pandas as pd
    import statsmodels.formula.api as smf

    table = fit_wear(tables, study()).sensitivities
    frame = pd.DataFrame({"z": np.log(table["sensitivity"]), "x": table["use"] / table["use"].max(),
                          "s": table["sensor"].astype(str), "o": [f"{u:g}" for u in table["use"]]})

    def job() -> object:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return smf.mixedlm("z ~ x", frame, groups=frame["s"], re_formula="~x",
                               vc_formula={"o": "0 + C(o)"}).fit(reml=True)

    return job


def calibration(mountings: int = 5000) -> float:
    """Time the lines of many mountings of five levels, half of them with a censored reading."""
    rng = np.random.default_rng(1)
    x = np.tile([100.0, 200.0, 300.0, 400.0, 500.0], mountings)
    group = np.repeat(np.arange(mountings), 5)
    y = 10 + 2 * x + rng.normal(0, 8, len(x))
    cut = y >= 1010
    y, ceiling = np.minimum(y, 1010.0), np.full(len(y), 1010.0)
    return best(lambda: fit_lines(y, x, group=group, n_groups=mountings, censored=cut, ceiling=ceiling))


def cold_start() -> float:
    """Time ``drift wear`` on 480 rows in a process of its own."""
    tables = laboratory(seed=1)
    assert tables.checks is not None
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "checks.csv"
        with path.open("w", newline="", encoding="utf-8") as handle:
            out = csv.writer(handle)
            out.writerow(tables.checks.columns)
            out.writerows(zip(*tables.checks.columns.values(), strict=True))
        command = [sys.executable, "-m", "drift", "wear", str(path), "--full-scale", "1023", "--quiet"]
        return best(lambda: subprocess.run(command, check=True, capture_output=True))


def main() -> None:
    """Print the table."""
    tables = laboratory(seed=1, n=24, uses=tuple(range(60)), mountings=3, levels=(100.0, 500.0), noise=0.5)
    rows = len(tables.checks) if tables.checks is not None else 0
    ours = best(lambda: fit_wear(tables, study()))
    theirs = best(peer(tables), 1)
    print(f"fit_wear, 24 sensors x 60 uses x 3 mountings ({rows} rows): {ours:.3f} s; "
          f"one statsmodels fit of its 4320 responses: {theirs:.3f} s; ratio {theirs / ours:.1f}")
    print(f"calibration lines of 5000 mountings, half censored: {calibration():.3f} s")
    print(f"drift wear, 480 rows, cold start: {cold_start():.2f} s (target 1.5)")


if __name__ == "__main__":
    main()
