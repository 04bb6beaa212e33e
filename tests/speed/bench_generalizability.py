"""Speed of the REML fit of several facets against statsmodels in the same process.

Run by hand: ``python -m tests.speed.bench_generalizability``. Prints our time, the peer's and their ratio for a small
study, and our time alone for the largest size the package is meant for (the peer would need hours there).
"""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd

from drift.engine.adjusted_squares import adjusted_squares
from drift.engine.factorial import Layout
from drift.engine.random_effects import fit_random_effects
from tests.speed.stopwatch import best


def drawn(n: int, sensors: int, sessions: int, m: int, missing: float) -> pd.DataFrame:
    """Simulate people x sensors x sessions with replicates."""
    rng = np.random.default_rng(7)
    p, i, o, _ = (g.ravel() for g in np.meshgrid(*(np.arange(k) for k in (n, sensors, sessions, m)), indexing="ij"))
    y = (2 * rng.normal(size=n)[p] + 0.8 * rng.normal(size=sensors)[i] + 0.5 * rng.normal(size=sessions)[o]
         + 0.6 * rng.normal(size=(n, sensors))[p, i] + 0.9 * rng.normal(size=(n, sessions))[p, o])
    y = y + rng.normal(size=len(p))
    return pd.DataFrame({"p": p, "i": i, "o": o, "y": y})[rng.random(len(p)) >= missing].reset_index(drop=True)


def layout_of(frame: pd.DataFrame) -> Layout:
    """Code it."""
    return Layout.build(frame.y, [frame.p, frame.i, frame.o], [set(), set(), set()])


def against_peer(n: int, k: int) -> None:
    """Time one fit of main effects and two-way interactions."""
    import statsmodels.formula.api as smf

    frame = drawn(n, k, k, 1, 0.10)
    layout = layout_of(frame)
    ours = best(lambda: fit_random_effects(layout))
    parts = {"p": "0 + C(p)", "i": "0 + C(i)", "o": "0 + C(o)", "pi": "0 + C(p):C(i)", "po": "0 + C(p):C(o)",
             "io": "0 + C(i):C(o)"}

    def peer() -> object:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return smf.mixedlm("y ~ 1", frame, groups=np.ones(len(frame)), vc_formula=parts).fit(reml=True)

    theirs = best(peer, 1)
    print(f"REML of {n} x {k} x {k}, 10 % missing: ours {1e3 * ours:.1f} ms, statsmodels {theirs:.1f} s "
          f"({theirs / ours:.0f} x)")


def large() -> None:
    """Time the largest size."""
    layout = layout_of(drawn(200, 5, 5, 3, 0.10))
    fit = best(lambda: fit_random_effects(layout), 2)
    squares = best(lambda: adjusted_squares(layout), 2)
    print(f"200 x 5 x 5 x 3, 10 % missing: REML {fit:.2f} s, adjusted mean squares {squares:.2f} s")


if __name__ == "__main__":
    against_peer(20, 3)
    against_peer(30, 4)
    large()
