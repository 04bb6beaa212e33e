"""Is the agreement good enough? The verdict from the limits' bounds, and what stands beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.limits_of_agreement import (
    MULTIPLIER,
    Strata,
    lower_limit_bound,
    pivotal_draws,
    share_inside,
    total_deviation_index,
    two_one_sided_tests,
    upper_limit_bound,
)

FloatArray = NDArray[np.float64]
CONFIDENCE = 0.95
POWER = 0.80
MOST_TARGETS = 100_000


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """The decision about one group, and the figures beside it.

    Parameters
    ----------
    words : {"interchangeable", "not interchangeable", "not shown"}
    outer, inner : (lower, upper)
        One-sided 95 % bounds of the lower and the upper limit, away from and towards the bias.
    tost_p : float
        Two one-sided tests of the bias.
    tdi, tdi_bound : float
        Total deviation index at content 0.95 and its upper 95 % bound.
    share, share_bound : float
        Share of differences inside the harmless difference and its lower 95 % bound.
    further : int or None
        Further targets that would settle "not shown"; None if settled, or if more than ``MOST_TARGETS``.
    """

    harmless: float
    words: str
    outer: tuple[float, float]
    inner: tuple[float, float]
    tost_p: float
    tdi: float
    tdi_bound: float
    share: float
    share_bound: float
    further: int | None


def decide(outer: tuple[float, float], inner: tuple[float, float], harmless: float) -> str:
    """Return the verdict from the bounds alone."""
    if outer[0] > -harmless and outer[1] < harmless:
        return "interchangeable"
    if inner[0] < -harmless or inner[1] > harmless:
        return "not interchangeable"
    return "not shown"


def limit_bounds(strata: Strata) -> tuple[tuple[float, float], tuple[float, float]]:
    """Outer and inner one-sided 95 % bounds of both limits."""
    outer = (lower_limit_bound(strata, 1 - CONFIDENCE), upper_limit_bound(strata, CONFIDENCE))
    inner = (lower_limit_bound(strata, CONFIDENCE), upper_limit_bound(strata, 1 - CONFIDENCE))
    return outer, inner


def decisive_outer(strata: Strata, outer: tuple[float, float], means: FloatArray,
                   sds: FloatArray) -> tuple[float, float]:
    """Return the outer bounds on which the verdict rests.

    Exact for one stratum. With several, MOVER bounds alone let a limit at the harmless difference pass in up to
    6.5 % of simulated studies when nearly all spread lies between few targets; the pivotal bound holds there and
    is exact in the limit, so the further out of the two decides.
    """
    if strata.exact:
        return outer
    return (min(outer[0], float(np.quantile(means - MULTIPLIER * sds, 1 - CONFIDENCE))),
            max(outer[1], float(np.quantile(means + MULTIPLIER * sds, CONFIDENCE))))


def judge(strata: Strata, harmless: float, *, n_targets: int, rng: np.random.Generator) -> Verdict:
    """Judge limits of agreement against the largest harmless difference.

    Notes
    -----
    The bounds of the limits decide; each is one-sided at 95 %, so the verdict "interchangeable" is false in at
    most 5 % of studies when a limit lies exactly at the harmless difference. Bounds of the total deviation
    index and of the share inside are quantiles of generalised pivotal quantities (Weerahandi 1993).
    """
    outer, inner = limit_bounds(strata)
    means, sds = pivotal_draws(strata, rng)
    outer = decisive_outer(strata, outer, means, sds)
    words = decide(outer, inner, harmless)
    share = float(share_inside(strata.mean, strata.sd, harmless))
    share_bound = float(np.quantile(share_inside(means, sds, harmless), 1 - CONFIDENCE))
    tdi = total_deviation_index(strata.mean, strata.sd, 0.95)
    further = further_targets(strata, harmless, n_targets=n_targets) if words == "not shown" else None
    return Verdict(harmless=harmless, words=words, outer=outer, inner=inner,
                   tost_p=two_one_sided_tests(strata, harmless), tdi=tdi, tdi_bound=_tdi_bound(means, sds),
                   share=share, share_bound=share_bound, further=further)


def _tdi_bound(means: FloatArray, sds: FloatArray) -> float:
    """Upper 95 % quantile of the pivotal distribution of the total deviation index, content 0.95."""
    from drift.engine.limits_of_agreement import deviation_indices

    return float(np.quantile(deviation_indices(means, sds, 0.95), CONFIDENCE))


def further_targets(strata: Strata, harmless: float, *, n_targets: int) -> int | None:
    """Count the further targets with which a verdict would follow in about 80 % of studies.

    Bias and SD are taken to stay as estimated and the design to grow in proportion. A bound at probability p
    moves from study to study about as far as it reaches beyond the limit, in the ratio of normal quantiles, so
    the reach is widened by z(power) / z(confidence).
    """
    from drift.engine.limits_of_agreement import normal_quantile

    widen = 1 + normal_quantile(POWER) / normal_quantile(CONFIDENCE)
    low, high = strata.mean - MULTIPLIER * strata.sd, strata.mean + MULTIPLIER * strata.sd

    def settled(n: int) -> bool:
        outer, inner = limit_bounds(_grown(strata, n / n_targets))
        inside = low - widen * (low - outer[0]) > -harmless and high + widen * (outer[1] - high) < harmless
        beyond = low + widen * (inner[0] - low) < -harmless or high - widen * (high - inner[1]) > harmless
        return inside or beyond

    if not settled(MOST_TARGETS):
        return None
    below, above = n_targets, MOST_TARGETS
    while above - below > 1:
        middle = (below + above) // 2
        below, above = (below, middle) if settled(middle) else (middle, above)
    return above - n_targets


def _grown(strata: Strata, factor: float) -> Strata:
    """Return the same estimates from a design ``factor`` times as large."""
    df = strata.df * factor
    grows = slice(0, max(1, len(df) - 1))
    df[grows] = (strata.df[grows] + 1) * factor - 1
    return Strata(strata.mean, strata.mean_squares, df, strata.total, strata.of_mean / factor)
