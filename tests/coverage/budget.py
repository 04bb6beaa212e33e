"""How often the uncertainty of a pressure holds the true one: ``python -m tests.coverage budget``.

Laboratories with sensors of their own starts and drifts, days and mountings that differ, readings in whole counts, a
reference that is wrong by one share throughout, and a loop; each answers what a reading after 30 uses means, for one of
the sensors it checked and for one that it only calibrated when fresh. Beside the budget the shortcuts it replaces.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import stdtrit

from drift.budget.analysis import Budget, Ground, grounds, one_budget
from drift.budget.evidence import fitted_group
from drift.budget.subjects import subjects
from drift.records import CheckTable, Tables
from drift.study import study_from_dict
from drift.study.budgets import BudgetSpec
from tests.coverage.family import FOLDER, LEVEL, Family, Held

TABLE, SEED, STUDIES = FOLDER / "budget.csv", 20260611, 2000
LEVELS = np.array([200.0, 400, 600, 800])
START_SD, SLOPE, SLOPE_SD = 0.03, -0.007, 0.0015
DAY_SD, MOUNTING_SD, READING_SD, OFFSET = 0.01, 0.008, 2.0, 3.0
REFERENCE, LOOP = 0.01, 0.015
TRUE, USE = 500.0, 30.0
CHECKED, FRESH = "pressure, sensor with checks", "pressure, sensor only calibrated"
GUM, SYMMETRIC = "law of propagation", "Monte Carlo, symmetric"
EFFECTIVE = "law of propagation, t of effective df (shortcut)"
NORMAL = "law of propagation, k = 2 (shortcut)"
RESIDUAL, AVERAGED, RANDOM = ("scatter of readings only (shortcut)", "reference averaged over levels (shortcut)",
                              "not corrected, drift as random error (shortcut)")
ENLARGED = "not corrected, size of the bias added to U"


@dataclass(frozen=True)
class Design:
    """Sensors, the uses at which they are checked, and mountings a check."""

    sensors: int
    uses: tuple[float, ...] = (0, 5, 10, 15, 20, 25, 30)
    mountings: int = 2


def named() -> dict[str, Design]:
    """Return the grid of the table."""
    grid = {f"{n} sensors x 7 checks": Design(n) for n in (6, 12, 24)}
    grid |= {f"{n} sensors x 3 checks, 1 mounting": Design(n, uses=(0, 15, 30), mountings=1) for n in (6, 12)}
    # Too few sensors for a model of all: a sensor's own line.
    grid |= {"3 sensors x 7 checks": Design(3), "1 sensor x 7 checks": Design(1)}
    return grid | {"1 sensor x 4 checks": Design(1, uses=(0, 10, 20, 30)),
                   "1 sensor x 3 checks, 1 mounting": Design(1, uses=(0, 15, 30), mountings=1)}


STUDY = study_from_dict({"study": {"title": "simulated"}, "files": {"checks": "checks.csv"},
                         "units": {"checks": {"reading": "count", "reference": "kPa"}},
                         "sensitivity": {"full_scale": 1023}})
STATED = {"reference": {"value": f"{100 * REFERENCE} %"}, "hysteresis": f"{100 * LOOP} %", "resolution": "1 count"}


def simulated_checks(d: Design, rng: np.random.Generator) -> tuple[Tables, dict[str, float]]:
    """Simulate the checks of a laboratory, and the reading of each of two sensors under the true pressure."""
    uses = np.array(d.uses)
    wrong = 1 + REFERENCE * rng.standard_normal()
    rows: dict[str, list[float | str]] = {k: [] for k in ("sensor", "use", "replicate", "reference", "reading")}
    shown: dict[str, float] = {}
    for i in range(d.sensors + 1):
        name = f"S{i:02d}" if i < d.sensors else "fresh"
        start, slope = START_SD * rng.standard_normal(), SLOPE + SLOPE_SD * rng.standard_normal()
        for use in uses if i < d.sensors else uses[:1]:
            day = DAY_SD * rng.standard_normal()
            for m in range(d.mountings):
                gain = math.exp(start + slope * use + day + MOUNTING_SD * rng.standard_normal())
                made = np.rint(OFFSET + gain * LEVELS * wrong + READING_SD * rng.standard_normal(len(LEVELS)))
                rows["sensor"] += [name] * len(LEVELS)
                rows["use"] += [float(use)] * len(LEVELS)
                rows["replicate"] += [str(m + 1)] * len(LEVELS)
                rows["reference"] += LEVELS.tolist()
                rows["reading"] += made.tolist()
        gain = math.exp(start + slope * USE + DAY_SD * rng.standard_normal() + MOUNTING_SD * rng.standard_normal())
        gain *= math.exp(rng.uniform(-LOOP, LOOP))
        shown[name] = float(np.rint(OFFSET + gain * TRUE + READING_SD * rng.standard_normal()))
    table = CheckTable({k: np.array(v, dtype=object if k in ("sensor", "replicate") else float)
                        for k, v in rows.items()}, np.arange(2, 2 + len(rows["use"])), "checks.csv",
                       units={"reading": "count", "reference": "kPa"})
    return Tables(checks=table), {"S00": shown["S00"], "fresh": shown["fresh"]}


def study(name: str, rng: np.random.Generator) -> Held:
    """Simulate one laboratory and report what its intervals held."""
    tables, shown = simulated_checks(named()[name], rng)
    held: dict[tuple[str, str], tuple[bool, float]] = {}
    spec = BudgetSpec(use=USE, since_calibration=USE, **STATED)
    ground = grounds(tables, STUDY, spec, level=LEVEL)
    fitted = fitted_group(ground.data, "")
    for sensor, quantity in (("S00", CHECKED), ("fresh", FRESH)):
        here = replace(ground, spec=spec.model_copy(update={"sensor": sensor, "reading": shown[sensor]}))
        made = one_budget(here, subjects(here.data, here.spec)[0], fitted, rng=rng, draws=10_000)
        if made.drift_known and not made.refused:
            _put(held, quantity, made, here)
    return held


def _put(held: dict[tuple[str, str], tuple[bool, float]], quantity: str, made: Budget, ground: Ground) -> None:
    g, s = made.gum, made.simulated
    assert s is not None

    def put(method: str, value: float, half: float) -> None:
        held[quantity, method] = (abs(TRUE - value) <= half, 2 * half)

    put(GUM, g.value, g.expanded)
    held[quantity, SYMMETRIC] = (s.low <= TRUE <= s.high, s.high - s.low)
    put(EFFECTIVE, g.value, g.u * float(stdtrit(min(g.df, 1e12), 0.5 + LEVEL / 2)))
    put(NORMAL, g.value, 2 * g.u)
    put(ENLARGED, made.displayed, abs(made.bias) + g.expanded)
    part = {q.name: (float(share), q) for q, share in zip(made.assembly.quantities, g.share, strict=True)}
    put(RESIDUAL, g.value, 2 * part["scatter of a reading"][0] ** 0.5)
    averaged = g.u**2 - part["reference load"][0] * (1 - 1 / len(LEVELS))
    put(AVERAGED, g.value, g.factor * averaged**0.5)
    drift = [share for name, (share, q) in part.items() if q.place == "drift"]
    # The change expected, taken for limits on either side of what is shown.
    put(RANDOM, made.displayed, 2 * math.sqrt(max(g.u**2 - sum(drift), 0.0) + made.bias**2 / 3))


DESIGNS = list(named())
FAMILY = Family("budget", __doc__ or "", DESIGNS, study, TABLE, SEED, studies=STUDIES, cheap="1 sensor x 7 checks")

if __name__ == "__main__":
    from tests.coverage.__main__ import main

    raise SystemExit(main(["budget"]))
