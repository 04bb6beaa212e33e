"""Write ``trials.csv`` from the untouched ``nist-gauge-study-resistivity.csv``.

Probes become sensors and wafers the targets. Six days a probe, wafer and run are numbered 1 to 6 in the order of
the file; calendar day, operator and temperature, which differ from probe to probe, stay in the original.
"""

from pathlib import Path

import pandas as pd

HERE = Path(__file__).resolve().parent

if __name__ == "__main__":
    gauge = pd.read_csv(HERE / "nist-gauge-study-resistivity.csv", dtype=str)
    day = gauge.groupby(["run", "wafer", "probe"]).cumcount() + 1
    trials = pd.DataFrame({
        "wafer": gauge["wafer"], "sensor": gauge["probe"], "run": gauge["run"], "day": day,
        "reading": gauge["average"], "reading_sd": gauge["stddev"], "reading_n": 6})
    trials.to_csv(HERE / "trials.csv", index=False, lineterminator="\n")
