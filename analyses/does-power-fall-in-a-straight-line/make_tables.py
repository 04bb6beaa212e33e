"""Write ``checks.csv`` from the untouched ``meeker-device-b.csv``: devices are sensors, temperatures constructions."""

from pathlib import Path

import pandas as pd

HERE = Path(__file__).resolve().parent

if __name__ == "__main__":
    power = pd.read_csv(HERE / "meeker-device-b.csv", dtype=str)
    checks = power.rename(columns={"device": "sensor"})
    checks["construction"] = checks.pop("celsius") + " C"
    # The published column is the change of power; what is followed is the fall.
    checks["reading"] = [v[1:] if v.startswith("-") else v for v in checks.pop("powerdrop")]
    checks.to_csv(HERE / "checks.csv", index=False, lineterminator="\n")
