"""How often the intervals of agreement along use hold the truth: ``python -m tests.coverage.agreement_along_use``.

Differences are simulated straight from their model: a bias that rises with use, random lines of sensors, targets that
repeat or not, residual of SD one. Uses run from 0 to 1, the bias from 0 to 2; sensors differ at the start by SD 0.5,
their slopes by SD 0 (equal), 0.5 (differ) or 2 (differ much). The harmless difference is set where the truth leaves it
at use 0.6. Sensors "seen in part" were seen over different stretches of use: half of them early (to 0.4) and half late
(from 0.5), every one over a stretch of its own, or two of them all along and the others to 0.3. Fit, intervals and
crossings are those of the package. A protocol limit is safe while it does not exceed the use at which a limit truly
leaves the harmless difference.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np

from drift.engine.agreement_along import AlongDesign, fit_along
from drift.engine.agreement_along_bounds import (
    CAP,
    bias_crossing,
    grid_to,
    limit_crossing,
    lines_at,
    lower_bound,
    mean_interval,
    protocol_limit,
    remembered,
    spread_interval,
    upper_bound,
)
from drift.engine.limits_of_agreement import MULTIPLIER
from tests.coverage.family import FOLDER, LEVEL, Held
from tests.coverage.runner import command

TABLE = FOLDER / "agreement_along_use.csv"
SEED, STUDIES = 20261125, 2000
CHEAP = "20 pairs, one line"
SLOPES = {"equal slopes": 0.0, "slopes differ": 0.5, "slopes differ much": 2.0}
START_SD, RISE, TARGET_SD, LEAVES = 0.5, 2.0, 0.8, 0.6


@dataclass(frozen=True)
class Layout:
    """Who was read when: codes and uses of every pair."""

    name: str
    sensor: tuple[int, ...] | None
    use: tuple[float, ...]
    target: tuple[int, ...] | None
    slope_sd: float


def layout(name: str, k: int, pairs: int, *, targets: str = "", lost: bool = False, uneven: bool = False,
           slope_sd: float = 0.0, n_targets: int = 12) -> Layout:
    """Lay a design out; the same every time.

    ``targets`` is "crossed", "own" (five to a sensor) or "occasions" (one target a use for all sensors).
    """
    rng = np.random.default_rng(7)
    sensor, use, target = [], [], []
    for s in range(k):
        uses = np.linspace(0, 1, pairs)
        if lost:  # from a little more than a third of the uses to all of them
            uses = uses[:max(3, round(pairs * (0.4 + 0.6 * (s + 1) / k)))]
        for j, u in enumerate(uses):
            if uneven and 1 < j < len(uses) - 1 and rng.random() < 0.4:
                continue
            sensor.append(s)
            use.append(float(u))
            target.append({"crossed": (7 * j + s // 2) % n_targets, "own": 5 * s + j % 5, "occasions": j // 2}.get(
                targets, 0))
    codes = np.unique(target, return_inverse=True)[1].tolist()
    return Layout(name, tuple(sensor) if k > 1 else None, tuple(use), tuple(codes) if targets else None, slope_sd)


def stretches(k: int, seen: str) -> list[tuple[float, float, int]]:
    """First and last use and number of pairs of sensors that were seen in part."""
    rng = np.random.default_rng(11)
    out = []
    for s in range(k):
        if seen == "half early, half late":
            out.append((0.0, 0.4, 6) if s % 2 else (0.5, 1.0, 20))
        elif seen == "two all along":
            out.append((0.0, 1.0 if s < 2 else 0.3, 10))
        else:
            first = rng.uniform(0.0, 0.5)
            out.append((first, min(1.0, first + rng.uniform(0.2, 0.6)), int(rng.integers(4, 30))))
    if seen == "stretches of their own":  # what is seen reaches from 0 to 1 all the same
        out[0], out[-1] = (0.0, *out[0][1:]), (out[-1][0], 1.0, out[-1][2])
    return out


def in_part(k: int, seen: str, words: str, *, targets: bool = False) -> Layout:
    """Lay out sensors that were seen over different stretches of use; the same every time."""
    rng = np.random.default_rng(7)
    parts = stretches(k, seen)
    sensor = [s for s, (_, _, m) in enumerate(parts) for _ in range(m)]
    use = [float(u) for first, last, m in parts for u in np.linspace(first, last, m)]
    codes = np.unique(rng.integers(0, 12, len(use)), return_inverse=True)[1].tolist()
    name = (f"{k} sensors x {round(len(use) / k)} pairs, {'targets repeat, 12 of them crossed, ' if targets else ''}"
            f"seen in part, {seen}, {words}")
    return Layout(name, tuple(sensor), tuple(use), tuple(codes) if targets else None, SLOPES[words])


def seen_in_part() -> Iterator[Layout]:
    """Return the designs whose sensors were seen in part."""
    half, two = "half early, half late", "two all along"
    yield in_part(6, half, "equal slopes")
    for k in (4, 6, 12, 24):
        yield in_part(k, half, "slopes differ")
    for k, words in ((6, "slopes differ"), (10, "slopes differ"), (10, "slopes differ much")):
        yield in_part(k, two, words)
    for words in SLOPES:
        yield in_part(8, "stretches of their own", words)
    for k, seen in ((6, half), (12, half), (10, two)):
        yield in_part(k, seen, "slopes differ", targets=True)


def designs() -> Iterator[Layout]:
    """Return the grid of the table."""
    for k, pairs in ((4, 10), (6, 10), (10, 10)):
        for words, sd in SLOPES.items():
            yield layout(f"{k} sensors x {pairs} pairs, {words}", k, pairs, slope_sd=sd)
    for k, pairs in ((6, 5), (10, 5), (5, 20)):
        yield layout(f"{k} sensors x {pairs} pairs, slopes differ", k, pairs, slope_sd=0.5)
    for k, pairs in ((4, 20), (6, 20), (10, 10)):
        for words, sd in SLOPES.items():
            yield layout(f"{k} sensors x {pairs} pairs, targets repeat, 12 of them crossed, {words}", k, pairs,
                         targets="crossed", slope_sd=sd)
    for words in ("equal slopes", "slopes differ much"):
        yield layout(f"6 sensors x 20 pairs, targets repeat, five to a sensor, {words}", 6, 20, targets="own",
                     slope_sd=SLOPES[words])
        yield layout(f"8 sensors x 20 pairs, targets repeat, one at a time on all, {words}", 8, 20, targets="occasions",
                     slope_sd=SLOPES[words])
        yield layout(f"6 sensors x 10 pairs, lost early, {words}", 6, 10, lost=True, slope_sd=SLOPES[words])
        yield layout(f"10 sensors x 20 pairs, lost early, {words}", 10, 20, lost=True, slope_sd=SLOPES[words])
    words = "slopes differ"
    yield layout(f"6 sensors x 20 pairs, targets repeat, lost early, {words}", 6, 20, targets="crossed", lost=True,
                 slope_sd=0.5)
    yield layout(f"6 sensors x 10 pairs, uneven, {words}", 6, 10, uneven=True, slope_sd=0.5)
    yield layout(f"6 sensors x 20 pairs, targets repeat, uneven, {words}", 6, 20, targets="crossed", uneven=True,
                 slope_sd=0.5)
    yield layout("4 sensors x 120 pairs, targets repeat, 20 of them crossed, equal slopes", 4, 120, targets="crossed",
                 n_targets=20)
    yield layout(f"2 sensors x 10 pairs, {words}", 2, 10, slope_sd=0.5)
    yield layout(f"3 sensors x 10 pairs, {words}", 3, 10, slope_sd=0.5)
    yield layout("20 pairs, one line", 1, 20)
    yield layout("30 targets x 3 pairs, one line, targets repeat", 1, 90, targets="crossed", n_targets=30)
    yield from seen_in_part()


@cache
def named() -> dict[str, Layout]:
    """Return the designs by name."""
    return {d.name: d for d in designs()}


@cache
def reduced(name: str) -> AlongDesign:
    """Return the cross products of a design."""
    d = named()[name]
    return AlongDesign.build(lines_at(d.use), d.sensor, d.target)


def simulate(d: Layout, rng: np.random.Generator) -> np.ndarray:
    """Draw the differences of one study."""
    u = np.array(d.use)
    y = RISE * u + rng.normal(size=len(u))
    if d.sensor is not None:
        s = np.array(d.sensor)
        k = int(s.max()) + 1
        y += START_SD * rng.normal(size=k)[s] + d.slope_sd * rng.normal(size=k)[s] * u
    if d.target is not None:
        t = np.array(d.target)
        y += TARGET_SD * rng.normal(size=int(t.max()) + 1)[t]
    return y


def true_sd(d: Layout, use: float) -> float:
    """SD of one difference for a new sensor and target."""
    sensors = 0.0 if d.sensor is None else START_SD**2 + (d.slope_sd * use) ** 2
    return float(np.sqrt(1.0 + sensors + (TARGET_SD**2 if d.target is not None else 0.0)))


def study(design: str, rng: np.random.Generator) -> Held:
    """Run one study: what held the truth, and how wide it was."""
    d = named()[design]
    fit = fit_along(reduced(design), simulate(d, rng))
    held: dict[tuple[str, str], tuple[bool, float]] = {}

    def put(quantity: str, method: str, low: float, high: float, truth: float) -> None:
        held[quantity, method] = (bool(low <= truth <= high), float(high - low))

    tail = 0.5 - LEVEL / 2
    ends, slope = fit.at(lines_at([0.0, 1.0])), fit.at([[0.0, 1.0]])
    limits = "exact noncentral t" if ends.mean_squares.shape[1] == 1 else "MOVER and pivotal"
    put("trend of difference with use", "t", *(float(v[0]) for v in mean_interval(slope, LEVEL)), RISE)
    low, high = mean_interval(ends, LEVEL)
    bounds = [(lower_bound(ends, tail), lower_bound(ends, 1 - tail)), (upper_bound(ends, tail),
                                                                      upper_bound(ends, 1 - tail))]
    for i, (where, use) in enumerate((("use 0", 0.0), ("the present use", 1.0))):
        put(f"bias at {where}", "t", float(low[i]), float(high[i]), RISE * use)
        for side, sign, (below, above) in zip(("lower", "upper"), (-1, 1), bounds, strict=True):
            put(f"{side} limit at {where}", limits, float(below[i]), float(above[i]),
                RISE * use + sign * MULTIPLIER * true_sd(d, use))
    if d.sensor is not None:
        put("SD of slopes between sensors", "MOVER", *(float(v[0]) for v in spread_interval(slope, LEVEL)), d.slope_sd)

    grid = grid_to(0.0, CAP)
    at = remembered(lambda uses: fit.at(lines_at(uses)), grid)
    found = bias_crossing(at, grid, RISE * LEAVES, level=LEVEL)
    put("use at which the bias leaves the harmless difference", "interval turned round", found.low,
        min(found.high, CAP) if found.high < np.inf else np.inf, LEAVES)
    harmless = RISE * LEAVES + MULTIPLIER * true_sd(d, LEAVES)
    found = limit_crossing(at, grid, harmless, level=LEVEL)
    put("use at which a limit leaves the harmless difference", "interval turned round", found.low, found.high, LEAVES)
    protocol = protocol_limit(at, grid, harmless)
    held["protocol limit", limits] = (min(protocol, CAP) <= LEAVES, max(min(protocol, CAP), 0.0))
    return held


DESIGNS = list(named())

if __name__ == "__main__":
    command(study, DESIGNS, out=TABLE, seed=SEED, about=__doc__ or "")
