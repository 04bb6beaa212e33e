"""Write ``checks.csv`` from the untouched ``meeker-gaas-laser.csv``: units become sensors, hours the exposure."""

from pathlib import Path

import pandas as pd

HERE = Path(__file__).resolve().parent

if __name__ == "__main__":
    laser = pd.read_csv(HERE / "meeker-gaas-laser.csv", dtype=str)
    checks = laser.rename(columns={"unit": "sensor", "increase": "reading"})
    checks.to_csv(HERE / "checks.csv", index=False, lineterminator="\n")
