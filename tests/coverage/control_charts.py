"""Control charts with limits from few occasions: false alarms on a good rig, and how soon a shift is seen.

``coverage`` of the good rig is the share of laboratories whose 20th occasion after the baseline is rightly let pass;
of a shift, the share that has a signal within 10 occasions, with the mean delay (at most 100) as its width.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from drift.engine.control_charts import (
    CUSUM_LIMIT,
    CUSUM_SLACK,
    baseline,
    cusum,
    ewma,
    individuals_factor,
)
from tests.coverage.family import FOLDER, Family, Held, Row, tabulate

TABLE = FOLDER / "control_charts.csv"
SEED = 20261127
STUDIES = 2000
DESIGNS = ["baseline of 10 occasions", "baseline of 20 occasions", "baseline of 50 occasions"]
LONG, SOON, SHIFTS = 100, 10, (0.5, 1.0, 2.0, 3.0)


def study(design: str, rng: np.random.Generator) -> Held:
    """Simulate one baseline, what follows on a good rig, and shifts of several sizes."""
    n = int(design.split()[2])
    base = baseline(rng.standard_normal(n))
    fresh = rng.standard_normal(LONG)
    held: dict[tuple[str, str], tuple[bool, float]] = {}
    for name, out in _charts(fresh, base.centre, base.sd, n).items():
        held["good rig, 20th occasion", name] = (not bool(out[19]), 0.0)
    for shift in SHIFTS:
        for name, out in _charts(fresh + shift, base.centre, base.sd, n).items():
            first = int(np.argmax(out)) + 1 if out.any() else LONG
            held[f"shift of {shift:g} SD, signal within {SOON} occasions", name] = (first <= SOON, float(first))
    return held


def _charts(x: np.ndarray, centre: float, sd: float, n: int) -> dict[str, np.ndarray]:
    smooth, sums = ewma(x, centre, sd), cusum(x, centre, CUSUM_SLACK * sd)
    return {"individuals, limits of one further occasion": np.abs(x - centre) > individuals_factor(n) * sd,
            "individuals, 3 SDs": np.abs(x - centre) > 3 * sd,
            "EWMA": np.abs(smooth.value - centre) > smooth.half_width,
            "CUSUM": np.maximum(sums.high, sums.low) > CUSUM_LIMIT * sd}


def rows(design: str, held: Sequence[Held]) -> list[Row]:
    """Return the rows of one design; only a good rig has a nominal share."""
    made = tabulate(design, held)
    for row in made:
        row["nominal"] = 0.997 if str(row["quantity"]).startswith("good") else 1.0
    return made


FAMILY = Family("control_charts", __doc__ or "", DESIGNS, study, TABLE, SEED, studies=STUDIES, tabulate=rows)

if __name__ == "__main__":
    from tests.coverage.__main__ import main

    raise SystemExit(main(["control_charts"]))
