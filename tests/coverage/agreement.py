"""How often the intervals of agreement hold the truth: ``python -m tests.coverage.agreement``.

Differences are simulated straight from their model (one pair per target; targets with linked pairs; crossed and
nested targets and sensors; occasions that several pairs share; unlinked replicates), and their bounds are those of the
package. Every study has its own child of one seed, so that the table does not depend on how the work is split.
"""

from __future__ import annotations

import math
import platform
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache, partial

import numpy as np
import scipy

from drift.agreement.equivalence import decide, decisive_outer, limit_bounds
from drift.engine.clusters import ClusterSums, bias_and_sd, cluster_bootstrap, linked_sums, one_left_out
from drift.engine.limits_beside import LimitDraws, calibrated_limits
from drift.engine.limits_of_agreement import (
    MULTIPLIER,
    Strata,
    deviation_indices,
    lower_limit_bound,
    mean_interval,
    normal_cdf,
    one_stratum,
    pivotal_draws,
    sd_interval,
    share_inside,
    t_quantile,
    total_deviation_index,
    two_one_sided_tests,
    two_sided_factor,
    upper_limit_bound,
)
from drift.engine.resampling import bca_interval, percentile_interval
from tests.coverage.agreement_designs import Design, balanced_strata, designs, simulate
from tests.coverage.family import FOLDER, Family, Held, held_of, keys_of
from tests.coverage.runner import arguments, run

TABLE = FOLDER / "agreement.csv"
SEED, STUDIES, LEVEL, DRAWS = 20260212, 2000, 0.95, 1000
CONTENT = 2 * float(normal_cdf(MULTIPLIER)) - 1
INSIDE, INDEX = float(share_inside(0.0, 1.0, 2.5)), total_deviation_index(0.0, 1.0, 0.95)
# Designs whose targets are resampled too.
RESAMPLED = ("5 targets, one pair each", "10 targets, one pair each", "20 targets, one pair each",
             "50 targets, one pair each", "10 sensors x 10 uses; shares 0.5", "20 targets x 3; shares 0.5",
             "85 targets x 3; shares 0.5", "12 targets, 1 to 12 pairs; shares 0.5")
HARMLESS = "upper limit at harmless"


def approximate_limit(d: np.ndarray, *, ddof: int) -> tuple[float, float]:
    """Interval of the upper limit by t and sqrt(3/n), the usual approximation."""
    n, s = len(d), float(np.std(d, ddof=ddof))
    half = t_quantile(0.975, n - 1.0) * s * math.sqrt(3 / n)
    return float(d.mean()) + MULTIPLIER * s - half, float(d.mean()) + MULTIPLIER * s + half


def study(name: str, rng: np.random.Generator, *, pivotal: bool = True) -> Held:
    """Run one study: what held the truth, and how wide it was; without ``pivotal`` the slow quantities are left out."""
    design = named()[name]
    try:
        return analysed(design, rng, pivotal=pivotal)
    except (ValueError, ArithmeticError, np.linalg.LinAlgError):
        return {}


class Record:
    """What held the truth in one study."""

    def __init__(self) -> None:
        self.held: dict[tuple[str, str], tuple[bool, float]] = {}

    def put(self, quantity: str, method: str, low: float, high: float, truth: float) -> None:
        """Enter an interval; the width of a bound is how far it lies beyond the truth."""
        width = high - low
        if not math.isfinite(width):
            width = high - truth if math.isinf(low) else truth - low
        self.held[quantity, method] = (low <= truth <= high, width)

    def claim(self, quantity: str, method: str, false: bool) -> None:
        """Enter whether a false claim was made."""
        self.held[quantity, method] = (not false, 0.0)


def analysed(design: Design, rng: np.random.Generator, *, pivotal: bool) -> Held:
    """Simulate and analyse one study."""
    d, strata = simulate(design, rng)
    record, how = Record(), "exact" if strata.exact else "MOVER"
    record.put("bias", "t", *mean_interval(strata, LEVEL), 0.0)
    record.put("SD of differences", how, *sd_interval(strata, LEVEL), 1.0)
    ends = {p: (lower_limit_bound(strata, p), upper_limit_bound(strata, p)) for p in
            (0.0125, 0.025, 0.05, 0.95, 0.975, 0.9875)}
    record.put("upper limit", how, ends[0.025][1], ends[0.975][1], MULTIPLIER)
    record.put("lower limit", how, ends[0.025][0], ends[0.975][0], -MULTIPLIER)
    record.put("outer bound of the upper limit", how, -math.inf, ends[0.95][1], MULTIPLIER)
    record.put("inner bound of the upper limit", how, ends[0.05][1], math.inf, MULTIPLIER)
    outer, inner = limit_bounds(strata)
    record.claim("no false not interchangeable, both limits at harmless", how,
                 decide(outer, inner, MULTIPLIER) == "not interchangeable")
    record.claim(f"no false not interchangeable, {HARMLESS}", how,
                 decide((outer[0] + 1, outer[1] + 1), (inner[0] + 1, inner[1] + 1), MULTIPLIER + 1)
                 == "not interchangeable")
    record.claim("no false equivalence of the bias, bias at harmless", "two one-sided tests",
                 two_one_sided_tests(replace(strata, mean=strata.mean + 1), 1.0) < 0.05)
    _together(record, design, strata, ends)
    _naive(record, design, d, strata)
    if pivotal:
        _pivotal(record, strata, inner, rng)
        if f"{design.name}; shares {design.label}" in RESAMPLED or design.name in RESAMPLED:
            code = np.array(design.codes[0]) if design.codes else np.arange(design.n)
            _resampled(record, linked_sums(d, code), rng)
    return record.held


@cache
def factor(n: float, content: float, confidence: float) -> float:
    """Return a two-sided factor; the same for all studies of a design."""
    return two_sided_factor(n, content, confidence)


def _together(record: Record, design: Design, strata: Strata, ends: Mapping[float, tuple[float, float]]) -> None:
    """Enter both limits together, and tolerance limits."""
    if strata.exact:
        for quantity, content, confidence in (("both limits together, outer", CONTENT, 0.975),
                                              ("tolerance limits", 0.95, 0.95)):
            k = factor(float(design.n), content, confidence)
            share = float(normal_cdf(strata.mean + k * strata.sd) - normal_cdf(strata.mean - k * strata.sd))
            record.held[quantity, "exact"] = (share >= content, 2 * k * strata.sd)
        return
    how = "MOVER, error split over both limits"
    (low, _), (low_in, high_in), (_, high) = ends[0.0125], (ends[0.9875][0], ends[0.0125][1]), ends[0.9875]
    record.held["both limits together", how] = (
        low <= -MULTIPLIER <= low_in and high_in <= MULTIPLIER <= high, (low_in - low + high - high_in) / 2)
    low, high = ends[0.025][0], ends[0.975][1]
    record.held["tolerance limits", how] = (float(normal_cdf(high) - normal_cdf(low)) >= 0.95, high - low)


def _naive(record: Record, design: Design, d: np.ndarray, strata: Strata) -> None:
    """Enter what is commonly done instead."""
    if strata.exact:
        record.put("upper limit", "t with sqrt(3/n)", *approximate_limit(d, ddof=1), MULTIPLIER)
        record.put("upper limit", "t with sqrt(3/n), SD with divisor n", *approximate_limit(d, ddof=0), MULTIPLIER)
    elif design.kind != "unlinked":
        others = [("rows pooled as independent", one_stratum(d))]
        if design.occasion:
            others.append(("occasions ignored", balanced_strata(replace(design, occasion=0), d)))
        for how, other in others:
            record.put("bias", how, *mean_interval(other, LEVEL), 0.0)
            record.put("upper limit", how, *(upper_limit_bound(other, p) for p in (0.025, 0.975)), MULTIPLIER)


def _pivotal(record: Record, strata: Strata, inner: tuple[float, float], rng: np.random.Generator) -> None:
    """Enter bounds from draws: pivotal and calibrated limits, the verdict, share inside and deviation index."""
    means, sds = pivotal_draws(strata, rng, DRAWS)
    if not strata.exact:
        beside = {"pivotal": LimitDraws(means - MULTIPLIER * sds, means + MULTIPLIER * sds),
                  "calibrated": calibrated_limits(strata, rng, n_draws=DRAWS)}
        for how, drawn in beside.items():
            low, low_one, high_one, high = np.quantile(drawn.upper, (0.025, 0.05, 0.95, 0.975))
            record.put("upper limit", how, low, high, MULTIPLIER)
            record.put("outer bound of the upper limit", how, -math.inf, high_one, MULTIPLIER)
            record.put("inner bound of the upper limit", how, low_one, math.inf, MULTIPLIER)
    decisive = decisive_outer(strata, limit_bounds(strata)[0], means, sds)
    record.put("outer bound of the upper limit", "as the verdict takes it", -math.inf, decisive[1], MULTIPLIER)
    record.claim(f"no false interchangeable, {HARMLESS}", "as the verdict takes it",
                 decide((decisive[0] + 1, decisive[1] + 1), inner, MULTIPLIER + 1) == "interchangeable")
    bound = float(np.quantile(share_inside(means, sds, 2.5), 0.05))
    record.put("share inside 2.5 SD, lower bound", "pivotal", bound, 1.0, INSIDE)
    tdi = float(np.quantile(deviation_indices(means, sds, 0.95), 0.95))
    record.put("total deviation index, upper bound", "pivotal", 0.0, tdi, INDEX)


def _resampled(record: Record, sums: ClusterSums, rng: np.random.Generator) -> None:
    """Enter the cluster bootstrap of the upper limit and the bias."""
    made, left = cluster_bootstrap(sums, n=DRAWS, rng=rng), one_left_out(sums)
    whole = {"bias": made.bias, "upper limit": made.upper}
    jackknife = {"bias": left.bias, "upper limit": left.upper}
    for (quantity, draws), truth in zip(whole.items(), (0.0, MULTIPLIER), strict=True):
        record.put(quantity, "targets resampled, percentile", *percentile_interval(draws, LEVEL), truth)
        value = _value(sums, quantity)
        low, high = bca_interval(draws, value, jackknife[quantity], LEVEL)
        if math.isfinite(low) and math.isfinite(high):
            record.put(quantity, "targets resampled, BCa", low, high, truth)


def _value(sums: ClusterSums, quantity: str) -> float:
    bias, sd = bias_and_sd(sums, np.ones((1, sums.n)))
    return float(bias[0] + (MULTIPLIER * sd[0] if quantity == "upper limit" else 0.0))


@cache
def named() -> dict[str, Design]:
    """Return the designs by their name with their shares, as a run is told of them."""
    return {f"{d.name}; shares {d.label}": d for d in designs()}


def design_of(row: Mapping[str, object]) -> str:
    """Return the design of a row of the table."""
    return f"{row['design']}; shares {row['shares']}"


def rows_from(name: str, held: Sequence[Held]) -> list[dict[str, object]]:
    """Return the rows of one design: a study that could not be analysed counts as a failure."""
    design, done = named()[name], [h for h in held if h]
    made: list[dict[str, object]] = []
    for q, m in keys_of(done):
        there = [h[q, m] for h in done if (q, m) in h]
        hit, width = (sum(float(h[i]) for h in there) for i in (0, 1))
        made.append({"design": design.name, "shares": design.label, "quantity": q, "method": m,
                     "nominal": 0.975 if q == "both limits together, outer" else 0.95,
                     "coverage": f"{hit / len(there):.4f}",
                     "mean_width": f"{width / len(there):.4f}" if math.isfinite(width) and width > 0 else "",
                     "studies": len(held), "failures": len(held) - len(there)})
    return made


def row_of(design: Design, *, studies: int, seed: int, pivotal: bool = True) -> list[dict[str, object]]:
    """Simulate one design and return its rows of the table."""
    name = f"{design.name}; shares {design.label}"
    return rows_from(name, held_of(partial(study, pivotal=pivotal), name, studies=studies, seed=seed))


def stamp(seed: int) -> dict[str, object]:
    """Return the columns that say how a row was made."""
    return {"seed": seed, "date": datetime.now(UTC).date().isoformat(), "numpy": np.__version__,
            "scipy": scipy.__version__, "python": platform.python_version()}


FAMILY = Family("agreement", __doc__ or "", list(named()), study, TABLE, SEED, studies=STUDIES, tabulate=rows_from,
                design_of=design_of, stamp=stamp, cheap="20 targets, 3 and 2 unlinked readings; shares 0.3")

if __name__ == "__main__":
    raise SystemExit(run(FAMILY, arguments(FAMILY.sentence).parse_args()))
