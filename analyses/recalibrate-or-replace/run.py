"""Recalibrate or replace? What counts, checks and recalibration cost on the demo trials, and truly."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np

import drift
from drift.engine.policy import Criteria, Policy, simulate
from drift.engine.population import Population

STUDY = Path(__file__).resolve().parents[2] / "demo_trials"
SHOWN = 4


def answer() -> dict[str, Any]:
    """Return intervals, counts, the policies that matter with their bands, and the true costs of two of them."""
    study = drift.read_study(STUDY)
    study = study.model_copy(update={"policy": drift.PolicySpec(lives=4000)})
    tables = drift.read_tables(study).tables
    wear = drift.fit_wear(tables, study, seed=1)
    retired = drift.retire(wear, study, tables, seed=1)
    interval = drift.recalibrate(wear, study, tables, retired=retired)
    policies = drift.compare_policies(wear, retired, study, tables, interval=interval, seed=1)
    print(interval.answer)
    print(policies.answer)
    found: dict[str, Any] = {"held": [0, 0]}
    for construction in ("plain", "laminated"):
        m = interval.interval(construction)
        n = retired.count(construction)
        found[f"{construction}: recalibrate every"] = [m.value, m.bound or ""]
        found[f"{construction}: chosen"] = policies.chosen(construction)
        fixed = f"retire after {n.value:g}"
        for words in (policies.chosen(construction), fixed, f"recalibrate every {m.value:g}, {fixed}"):
            for name in ("cost per use", "spoilt sessions per 100 uses"):
                e = policies.estimate(name, construction=construction, policy=words)
                found[f"{construction}: {words}: {name}"] = [e.value, e.low, e.high]
        true = truth(construction, n.value, int(m.value), study.costs)
        for words, cost in true.items():
            found[f"{construction}: {words}: true cost per use"] = cost
            e = policies.estimate("cost per use", construction=construction, policy=words)
            found["held"] = [found["held"][0] + (e.low - 1e-9 <= cost <= e.high + 1e-9), found["held"][1] + 1]
        way = {"construction": construction, "way of working": f"recalibrated every {m.value:g}"}
        for name in ("cheapest count", "policy count"):
            found[f"{construction}: {name}"] = policies.estimate(name, **way).value
        price = policies.estimate("price of the statement", construction=construction)
        found[f"{construction}: price of the statement"] = [price.value, price.low, price.high]
    return found


def truth(construction: str, n: float, m: int, costs: Any) -> dict[str, float]:
    """Cost per use of a fixed count without and with recalibration, from the parameters the trials were made from."""
    sys.path.insert(0, str(STUDY))
    try:
        import world
    finally:
        sys.path.remove(str(STUDY))
    p = world.CONSTRUCTIONS[construction]
    start = float(np.hypot(p["batch_sd_start"], p["sensor_sd_start"]))
    slope = float(np.hypot(p["batch_sd_drift"], p["sensor_sd_drift"]))
    level = np.log((world.FULL_SCALE - world.OFFSET) / p["fresh_sensitivity"])
    population = Population(np.tile([-p["drift_per_use"], level], (40, 1)),
                            np.tile(np.diag([slope, start]), (40, 1, 1)))
    criteria = Criteria(start=np.array([-1, 1]), slope=np.array([0, 0]), check=np.eye(2) * 1e-4, tolerance_slope=0,
                        limit=np.array([-np.log1p(-world.LIMITS["sensitivity_change"]),
                                        np.log(world.LIMITS["saturation_pressure"])]),
                        distance=float(np.log1p(world.TOLERANCE)))
    asked = {f"retire after {n:g}": Policy(retire_after=n),
             f"recalibrate every {m}, retire after {n:g}": Policy(retire_after=n, recalibrate_every=m)}
    rates = simulate(population, criteria, list(asked.values()), lives=2000, horizon=200, rng=np.random.default_rng(1))
    weights = [costs.sensor, 0, costs.spoilt_session, costs.spoilt_session, costs.check, costs.recalibration, 0]
    return dict(zip(asked, map(float, rates.per_use(weights)[0].mean(1)), strict=True))


if __name__ == "__main__":
    for name, value in answer().items():
        print(f"{name}: {value}")
