"""Speed of the mixed-model engine. Run by hand: ``python -m tests.speed.bench_mixed [--million]``.

Every line is the public path: validation of the rows, REML fit, Kenward-Roger intervals, result. The peer is
statsmodels MixedLM on the same rows and the same model (random start and slope per sensor; it has no practical way to
add an occasion effect at these sizes, so those lines carry no ratio), in the same process. Targets: 100 times at 4,320
rows, balanced; 300 times at a million rows of many sensors (``--million`` runs the peer there, half a minute and some
gigabytes); 1,000 parametric-bootstrap refits drawing rows under 0.5 s. The lines with missing rows have no closed form,
and a million rows of few sensors suit the peer best: both are shown without a target.
"""

from __future__ import annotations

import sys
import warnings
from typing import Any

import numpy as np

from drift.engine.mixed import (
    NestedDesign,
    fit_mixed,
    fixed_intervals,
    parametric_bootstrap,
    variance_intervals,
)
from tests.speed.stopwatch import best

Rows = tuple[np.ndarray, np.ndarray, list[Any]]


def rows(sensors: int, uses: int, mountings: int, *, missing: float = 0.0) -> Rows:
    """Log sensitivities with random start and slope, occasion effect and mounting error."""
    rng = np.random.default_rng(1)
    sensor = np.repeat(np.arange(sensors), uses * mountings)
    use = np.tile(np.repeat(np.arange(float(uses)), mountings), sensors)
    occasion = np.repeat(np.arange(sensors * uses), mountings)
    own = rng.standard_normal((sensors, 2)) * [0.03, 0.004]
    y = 1 - 0.02 * use + own[sensor, 0] + own[sensor, 1] * use + 0.01 * rng.standard_normal(sensors * uses)[occasion]
    y += 0.03 * rng.standard_normal(len(y))
    keep = rng.random(len(y)) >= missing
    one = np.ones(int(keep.sum()))
    x = np.column_stack([one, use[keep]])
    return y[keep], x, [(x, sensor[keep]), (one, occasion[keep])]


def ours(y: np.ndarray, x: np.ndarray, levels: list[Any]) -> object:
    """Fit with intervals."""
    design = NestedDesign.build(y, x, levels)
    return fixed_intervals(design, fit_mixed(design))


def peer(y: np.ndarray, x: np.ndarray, levels: list[Any]) -> object:
    """Fit the same by statsmodels, intervals (normal) included."""
    import statsmodels.api as sm

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return sm.MixedLM(y, x, groups=levels[0][1], exog_re=x).fit(reml=True).conf_int()


def main() -> None:
    """Print the table."""
    million = "--million" in sys.argv
    shapes = [(24, 60, 3, 0.0), (24, 60, 3, 0.1), (24, 60, 694, 0.0), (5556, 60, 3, 0.0), (5556, 60, 3, 0.1)]
    for sensors, uses, mountings, missing in shapes:
        y, x, levels = rows(sensors, uses, mountings, missing=missing)
        big = len(y) > 100_000
        label = f"{sensors} sensors x {uses} uses x {mountings} mountings, {missing:.0%} missing, {len(y)} rows"
        mine = best(lambda y=y, x=x, levels=levels: ours(y, x, levels[:1]), 5 if big else 50)  # type: ignore[misc]
        text = f"lines: {1e3 * mine:.2f} ms"
        if million or not big:
            theirs = best(lambda y=y, x=x, levels=levels: peer(y, x, levels), 1 if big else 5)  # type: ignore[misc]
            text += f", statsmodels {1e3 * theirs:.0f} ms, ratio {theirs / mine:.0f}"
        nested = best(lambda y=y, x=x, levels=levels: ours(y, x, levels), 5 if big else 50)  # type: ignore[misc]
        print(f"{label}: {text}; with occasion effect {1e3 * nested:.2f} ms", flush=True)
    for missing in (0.0, 0.1):
        y, x, levels = rows(24, 60, 3, missing=missing)
        for name, used in (("lines", levels[:1]), ("lines and occasions", levels)):
            design = NestedDesign.build(y, x, used)
            fit = fit_mixed(design)
            seconds = best(
                lambda d=design, f=fit: parametric_bootstrap(d, f, 1000, np.random.default_rng(1)),  # type: ignore[misc]
                5,
            )
            profile = best(lambda d=design, f=fit: variance_intervals(d, f), 5)  # type: ignore[misc]
            print(f"{len(y)} rows, {name}: 1,000 refits drawing rows {seconds:.3f} s (target 0.5); "
                  f"profile intervals {profile:.3f} s")


if __name__ == "__main__":
    main()
