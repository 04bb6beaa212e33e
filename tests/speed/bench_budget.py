"""Speed of the uncertainty budget beside peers of the same process. By hand: ``python -m tests.speed.bench_budget``.

The whole budget of one sensor under 1 s; its propagation of distributions, 200,000 draws of all quantities, beside
the same draws by scipy's frozen distributions and a Python loop over the model (scaled up from 2,000 draws).
"""

from __future__ import annotations

import numpy as np
from scipy import stats

from drift.budget import budget
from drift.budget.analysis import grounds, one_budget
from drift.budget.evidence import fitted_group
from drift.budget.subjects import subjects
from drift.engine.monte_carlo import MOST, draw, half_width, simulate
from drift.engine.uncertainty import propagate
from tests.budget.studies import study, tables
from tests.speed.stopwatch import best

ASKED = {"reading": 400, "use": 30, "sensor": "S2", "reference": {"value": "0.6 %", "coverage": 2},
         "hysteresis": "1.5 %", "creep": "1 %", "temperature": "0.5 %", "resolution": "1 count", "cell_gain": "2 %"}


def main() -> None:
    """Print every comparison."""
    t, s = tables(24, uses=tuple(float(u) for u in range(0, 60, 5)), mountings=3), study(ASKED)
    whole = best(lambda: budget(t, s), 3)
    assert s.budget is not None
    ground = grounds(t, s, s.budget, level=0.95)
    one = one_budget(ground, subjects(ground.data, ground.spec)[0], fitted_group(ground.data, ""), rng=None)
    a = one.assembly
    law = best(lambda: propagate(a.model(), a.estimates, a.covariance, df=a.df, pools=a.pools), 5)
    drawn = best(lambda: simulate(a.model(), a.inputs, rng=np.random.default_rng(1), tolerance=0.0), 3)
    alone = best(lambda: [draw(a.inputs, 10_000, np.random.default_rng(1)) for _ in range(MOST // 10_000)], 3)
    print(f"budget of {len(a.quantities)} quantities, {len(t.checks)} rows: {whole:.2f} s; law of propagation "
          f"{1e3 * law:.1f} ms; {MOST:,} draws with their intervals {drawn:.2f} s, the draws alone {alone:.2f} s")
    u = np.sqrt(np.diag(a.covariance))
    kinds = [(stats.t(q.df, q.estimate, v) if q.distribution == "t" else stats.norm(q.estimate, max(v, 1e-300))
              if q.distribution == "normal" else stats.uniform(q.estimate - half_width(q.distribution, v),
                                                               2 * half_width(q.distribution, v)))
             for q, v in zip(a.quantities, u, strict=True)]
    theirs = best(lambda: [k.rvs(MOST, random_state=1) for k in kinds], 2)
    model, x = a.model(), np.array([k.rvs(2000, random_state=2) for k in kinds])
    loop = best(lambda: [model(x[:, [i]]) for i in range(2000)], 2) * MOST / 2000
    print(f"the same draws, independent, by scipy: {theirs:.2f} s ({theirs / alone:.1f} x); the model in a Python loop "
          f"{loop:.1f} s, scaled up ({(theirs + loop) / drawn:.0f} x with the draws)")


if __name__ == "__main__":
    main()
