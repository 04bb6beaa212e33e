"""Does power fall in a straight line? Shapes over the devices of each temperature, and devices that level off."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import drift
from drift.engine.unit_curves import levelling_off

HERE = Path(__file__).resolve().parent
BOLTZMANN = 11605.0  # K/eV, as the source rounds it


def answer() -> dict[str, Any]:
    """Return the chosen shape of each temperature, and what single devices say of asymptote and rate."""
    study = drift.read_study(HERE)
    tables = drift.read_tables(study).tables
    wear = drift.fit_wear(tables, study, seed=1)
    print(wear.answer)
    shapes = wear.table("shapes of drift").to_frame()
    best = shapes[shapes["chosen"] == "yes"].set_index("construction")
    found: dict[str, Any] = {f"shape at {c}": str(best.loc[c, "shape"]) for c in best.index}
    found |= {f"gain at {c}": float(best.loc[c, "gain over the line"]) for c in best.index}
    power = pd.read_csv(HERE / "meeker-device-b.csv")
    rows = []
    for (celsius, _), own in power.groupby(["celsius", "device"]):
        fit = levelling_off(own["hours"].to_numpy(float), -own["powerdrop"].to_numpy(float))
        rows.append((celsius, math.log(fit.asymptote), math.log(fit.rate), fit.reached, fit.residual))
    units = pd.DataFrame(rows, columns=["celsius", "log asymptote", "log rate", "reached", "residual"])
    units["x"] = BOLTZMANN / (195 + 273.15) - BOLTZMANN / (units["celsius"] + 273.15)
    for celsius, own in units.groupby("celsius"):
        found[f"asymptote at {celsius} C"] = math.exp(float(own["log asymptote"].median()))
        found[f"least reached at {celsius} C"] = float(own["reached"].min())
    # Medians: the asymptote of a device that was stopped early is nearly free, and its rate with it.
    middle = units.groupby("celsius")[["x", "log rate", "log asymptote"]].median()
    slope = (middle.loc[237, "log rate"] - middle.loc[195, "log rate"]) / middle.loc[237, "x"]
    found |= {"activation energy": float(slope), "log rate at 195 C": float(middle.loc[195, "log rate"]),
              "log asymptote above 150 C": float(units.loc[units["celsius"] > 150, "log asymptote"].median()),
              "residual": float(np.sqrt((units["residual"] ** 2).mean()))}
    return found


if __name__ == "__main__":
    for name, value in answer().items():
        print(f"{name}: {value if isinstance(value, str) else f'{value:.4g}'}")
