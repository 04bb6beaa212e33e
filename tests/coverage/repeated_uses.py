"""How often the intervals of repeated uses hold the truth: ``python -m tests.coverage.repeated_uses``.

Normal readings of targets along use: a common trend, targets' own lines about it, occasions that all targets of one
use share, residual 1. Intervals and methods come from the function that fills the printed estimates; the trend also by
the method that stands beside the headline, and by the naive t interval that takes all readings as independent.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drift.reliability.along_use import Along
from drift.reliability.repeated_uses import LEFT_IN, PIVOTAL, REMOVED, drifted
from drift.reliability.rows import Group
from drift.study import ReliabilityQuestion
from tests.coverage.runner import FOLDER, LEVEL, Held, command

TABLE, SEED = FOLDER / "repeated_uses.csv", 20261125
QUESTION = ReliabilityQuestion(name="q", target="target", facet="use")


@dataclass(frozen=True)
class Design:
    """Targets, uses of each, trend per use, SD of occasions and of own lines, share of cells missing.

    ``spacing`` holds the uses; ``own_uses`` gives every target uses of its own (no occasion is shared then).
    """

    n: int
    spacing: tuple[float, ...]
    trend: float = 0.3
    occasion: float = 0.0
    own: float = 0.0
    missing: float = 0.0
    own_uses: bool = False
    target: float = 2.0


EVEN = {k: tuple(float(i) for i in range(k)) for k in (3, 4, 6)}
DESIGNS = {
    "8 targets x 6 uses, occasion 0.3, own lines 0.1": Design(8, EVEN[6], occasion=0.3, own=0.1),
    "20 targets x 6 uses, no trend, occasion 0.3": Design(20, EVEN[6], trend=0.0, occasion=0.3),
    "20 targets x 6 uses, occasion 0.3, own lines 0.1": Design(20, EVEN[6], occasion=0.3, own=0.1),
    "20 targets x 6 uses, unequally spaced, 15 % missing": Design(20, (0.0, 1.0, 2.0, 5.0, 10.0, 20.0), trend=0.1,
                                                                  occasion=0.3, missing=0.15),
    "20 targets x 4 uses, occasion 0.5": Design(20, EVEN[4], occasion=0.5),
    "20 targets x 3 uses, occasion 0.5": Design(20, EVEN[3], occasion=0.5),
    "20 targets, 3 readings each at uses of their own": Design(20, (0.0, 20.0, 40.0), trend=0.03, own_uses=True),
}


def truths(d: Design) -> dict[str, float]:
    """Return the true trend, ICC(A,1) and SEM (agreement) over the uses of the design.

    Own lines about the mean use add to the residual what they add to its expected mean square, and take from the
    covariance of two readings of a target what they take on average over pairs of uses.
    """
    u = np.array(d.spacing)
    spread = float(((u - u.mean()) ** 2).sum()) / (len(u) - 1)
    if d.own_uses:
        spread += 20.0**2 / 12  # a uniform place within 20 uses after each
    noise = 1.0 + d.own**2 * spread
    target = d.target**2 - d.own**2 * spread / len(u)
    removed, left = noise + d.occasion**2, noise + d.occasion**2 + d.trend**2 * spread
    return {"trend of readings": d.trend, "SD between targets of the trend": d.own,
            f"ICC(A,1), {LEFT_IN}": target / (target + left), f"ICC(A,1), {REMOVED}": target / (target + removed),
            f"SEM (agreement), {LEFT_IN}": math.sqrt(left), f"SEM (agreement), {REMOVED}": math.sqrt(removed)}


def simulate(d: Design, rng: np.random.Generator) -> Along:
    """Simulate the readings of one study, in the order of use."""
    k = len(d.spacing)
    u = np.broadcast_to(np.array(d.spacing), (d.n, k)).copy()
    if d.own_uses:
        u += rng.uniform(0, 20, size=(d.n, k))
    occasion = 0.0 if d.own_uses else d.occasion * rng.normal(size=k)
    lines = d.trend + d.own * rng.normal(size=(d.n, 1))
    y = 50 + d.target * rng.normal(size=(d.n, 1)) + lines * (u - u.mean()) + occasion + rng.normal(size=(d.n, k))
    here = rng.permutation(d.n * k) >= round(d.missing * d.n * k)
    here |= np.arange(d.n * k) % k < 2  # every target keeps two readings
    rows, columns = (x.ravel()[here] for x in np.indices((d.n, k)))
    nothing = np.full(len(rows), np.nan)
    group = Group(labels={}, values=y.ravel()[here], targets=rows, facets=columns, reading_sd=nothing,
                  target_names=tuple(map(str, range(d.n))), facet_names=tuple(map(str, range(k))), reading_n=nothing,
                  unit="")
    return Along(group=group, uses=u.ravel()[here], unit="use", source="the design", linked=not d.own_uses)


def naive(found: Along) -> tuple[float, float]:
    """Return the t interval of the slope that takes all readings as independent (targets' means taken off)."""
    from scipy.special import stdtrit

    t, u, y = found.group.targets, found.uses, found.group.values
    n = np.bincount(t)
    u, y = (x - (np.bincount(t, weights=x) / n)[t] for x in (u, y))
    slope, df = float(u @ y / (u @ u)), len(y) - len(n) - 1
    left = y - slope * u
    half = float(stdtrit(df, 0.5 + LEVEL / 2)) * math.sqrt(float(left @ left) / df / float(u @ u))
    return slope - half, slope + half


def study(name: str, rng: np.random.Generator) -> Held:
    """Simulate one study and report what its printed intervals held."""
    d = DESIGNS[name]
    found, true = simulate(d, rng), truths(d)
    made = drifted(found, QUESTION, "ICC(A,1)", level=LEVEL)
    held: dict[tuple[str, str], tuple[bool, float]] = {}

    def put(quantity: str, method: str, low: float, high: float) -> None:
        if math.isfinite(low) and math.isfinite(high):
            held[quantity, method] = (low - 1e-12 <= true[quantity] <= high + 1e-12, high - low)

    if not hasattr(made, "judged"):
        return held
    for s in made.judged:
        put("trend of readings", s.method.split(", ")[-1], s.low, s.high)
    put("trend of readings", "naive: readings taken as independent", *naive(found))
    if d.own > 0:
        put("SD between targets of the trend", PIVOTAL, *made.own_ends)
    for q in made.quantities:
        put(f"{q.name}, {q.state}", PIVOTAL, q.low, q.high)
    return held


if __name__ == "__main__":
    command(study, list(DESIGNS), out=TABLE, seed=SEED, about=__doc__ or "")
