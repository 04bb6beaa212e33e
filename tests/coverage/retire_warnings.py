"""How often a retire-after answer warns, by the public way from checks to findings: ``... retire_warnings``.

Each study goes through the fit of wear and ``retire``. ``coverage`` is the share of studies that are not warned: near
1 where all holds (a false warning else), 0 where the design itself calls for the warning, and in between where the
world departs and a dozen sensors may or may not show it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from drift.retirement import retire
from drift.sensitivity import fit_wear
from tests.coverage.family import FOLDER, Family, Held, Row
from tests.coverage.retire_after_worlds import Design, draw
from tests.coverage.retirement_worlds import LIMIT
from tests.retirement.worlds import world

TABLE = FOLDER / "retire_warnings.csv"
SEED, STUDIES = 20260204, 120
SHAPE, BATCHES, BEYOND, ANY = ("warning of shape", "warning of batches", "warning of extrapolation",
                               "any warning beside those of the design")
OF_SHAPE = frozenset({"lines-not-normal", "lines-not-straight", "companion-not-available"})
OF_BATCHES = frozenset({"no-batch-column", "these-batches-only", "few-batches", "batch-missing"})
OF_BEYOND = frozenset({"extrapolated", "capped"})
SAID_BY_DESIGN = OF_BATCHES | OF_BEYOND | {"sensor-left-out", "removed-by-judgement", "entered-late"}
FAR = 3.0  # a limit so many times as far that checks end long before it
WORLDS = {"12 sensors, normal": (Design((1,) * 12), LIMIT),
          "24 sensors, normal, unequal schedules, worn ones removed":
              (Design((1,) * 24, schedule="unequal", removed=True), LIMIT),
          "12 sensors, break-in": (Design((1,) * 12, "break-in"), LIMIT),
          "12 sensors of 3 batches, normal, limit far beyond the checks": (Design((4,) * 3, told="known"), FAR * LIMIT)}


def study(design: str, rng: np.random.Generator) -> Held:
    """Answer one study and say which warnings it had."""
    d, limit = WORLDS[design]
    drawn = draw(d, rng, 1)
    batch = np.repeat(np.arange(len(d.sizes)), d.sizes)
    rows: list[dict[str, Any]] = [
        {"sensor": f"S{i:02d}", "construction": "", "batch": f"B{batch[i]}" if d.told == "known" else "",
         "use": float(u), "response": float(v)}
        for i in range(d.n) for u, v in zip(drawn.use[0, i], drawn.value[0, i], strict=True) if np.isfinite(v)]
    names = [f"S{i:02d}" for i in range(d.n)]
    gone = [float(np.nanmax(drawn.use[0, i])) if drawn.gone[0, i] else np.nan for i in range(d.n)]
    table: dict[str, list[Any]] = {"sensor": names, "retired_at_use": gone}
    if d.told == "known":
        table["batch"] = [f"B{b}" for b in batch]
    _, given, tables = world(rows, limits={"reading": {"value": float(np.exp(limit)), "direction": "above"}},
                             sensors_table=table)
    wear = fit_wear(tables, given)
    result = retire(wear, given, tables, seed=int(rng.integers(2**31)))
    codes = {f.code for f in result.findings if f.severity == "warning"}
    return {("warnings", SHAPE): (not codes & OF_SHAPE, 1.0), ("warnings", BATCHES): (not codes & OF_BATCHES, 1.0),
            ("warnings", BEYOND): (not codes & OF_BEYOND, 1.0), ("warnings", ANY): (not codes - SAID_BY_DESIGN, 1.0)}


def tabulate(design: str, held: Sequence[Held]) -> list[Row]:
    """Return one row a kind of warning: the share of studies without it, and with it."""
    made: list[Row] = []
    for name in (SHAPE, BATCHES, BEYOND, ANY):
        quiet = float(np.mean([h["warnings", name][0] for h in held]))
        made.append({"design": design, "quantity": "warnings", "method": name, "nominal": 0.9,
                     "coverage": f"{quiet:.4f}", "mean_width": "", "studies": len(held), "without_interval": 0,
                     "warned": f"{1 - quiet:.4f}"})
    return made


FAMILY = Family("retire_warnings", __doc__ or "", list(WORLDS), study, TABLE, SEED, studies=STUDIES, tabulate=tabulate)
