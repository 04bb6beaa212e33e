"""A baseline that grows by every occasion of a check standard that does not signal, until one does."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drift.control.edges import edges_of
from drift.control.occasions import Occasions
from drift.engine import control_charts as engine
from drift.engine.joint_limits import prediction_tail

if TYPE_CHECKING:
    from drift.control.charts import ChartSpec

Floats = NDArray[np.float64]
LEAST_BASELINE = 5


@dataclass(frozen=True, kw_only=True, eq=False)
class Limits:
    """Centre and spread from a baseline.

    ``size`` is the number of occasions that prediction limits count; ``correlated`` says that errors are charted;
    ``factor`` is that of individuals for the next occasion alone, in SDs.
    """

    base: engine.Baseline | None
    centre: float
    sd: float
    size: int
    correlated: bool
    factor: float
    within: float
    within_df: float

    def charted(self, x: Floats) -> Floats:
        """Return the occasion means, or their one-step prediction errors where occasions are alike."""
        if not self.correlated or self.base is None:
            return x.copy()
        return engine.prediction_errors(x, self.centre, min(self.base.autocorrelation, 0.95))


def limits_of(x: Floats, within_sd: Floats, within_df: Floats, m: int, spec: ChartSpec) -> Limits:
    """Take limits from the first ``m`` of these occasions.

    Raises
    ------
    ValueError
        Where they do not differ.
    """
    known = spec.sd is not None and spec.centre is not None
    base = engine.baseline(x[:m]) if not known or m > 1 else None
    centre = spec.centre if spec.centre is not None else base.centre  # type: ignore[union-attr]
    sd = spec.sd if spec.sd is not None else base.sd  # type: ignore[union-attr]
    size = 10**6 if spec.sd is not None else m
    correlated = base is not None and not known and base.correlated
    if correlated:
        assert base is not None
        errors = engine.prediction_errors(x[:m], centre, min(base.autocorrelation, 0.95))[1:] - centre
        sd, size = float(np.sqrt((errors @ errors) / max(len(errors) - 2, 1))), m - 2
    within, df = engine.pooled_sd(np.nan_to_num(within_sd[:m]), within_df[:m])
    factor = spec.multiplier
    if factor is None:
        factor = engine.individuals_factor(size, prediction_tail(edges_of(None, spec, within=df > 0)))
    return Limits(base=base, centre=float(centre), sd=float(sd), size=size, correlated=correlated, factor=factor,
                  within=within, within_df=df)


@dataclass(frozen=True, kw_only=True, eq=False)
class Grown:
    """A baseline of ``m`` occasions; ``score`` of the occasions judged as they came, from the sixth on.

    ``stopped`` says that the occasion after it signalled before the baseline was full; ``growing`` that the occasion
    after it is the latest one, and did not.
    """

    m: int
    score: Floats
    stopped: bool
    growing: bool


def grow(occasions: Occasions, first: int, spec: ChartSpec) -> Grown:
    """Judge every occasion after the first five by those before it, and let it join them if no chart signals.

    Parameters
    ----------
    occasions : Occasions
    first : int
        First occasion of the baseline; six or more follow.
    spec : ChartSpec

    Notes
    -----
    With the occasions before it an occasion is predicted by a t distribution; its probability there, turned into a
    standard normal score, is independent of the scores before it while nothing changes. EWMA and CUSUM run on scores.

    References
    ----------
    Hawkins (1987), The Statistician 36, 299-315 (self-starting charts).
    """
    x, n = occasions.mean[first:], len(occasions) - first
    sd, df = occasions.within_sd[first:], occasions.within_df[first:]
    scores: list[float] = []
    m = min(LEAST_BASELINE, n - 1)
    while m < spec.most:
        score, out = _judged(x[:m + 1], sd[:m + 1], df[:m + 1], scores, spec)
        scores.append(score)
        if out or m == n - 1:
            return Grown(m=m, score=np.array(scores), stopped=out, growing=not out)
        m += 1
    return Grown(m=m, score=np.array(scores), stopped=False, growing=False)


def _judged(x: Floats, within_sd: Floats, within_df: Floats, before: list[float], spec: ChartSpec
            ) -> tuple[float, bool]:
    """Return the score of the last of these occasions, and whether it is past a limit of any chart."""
    m = len(x) - 1
    try:
        found = limits_of(x, within_sd, within_df, m, spec)
    except ValueError:  # readings that do not differ yet: no limits, and nothing to hold against the next
        return 0.0, False
    off = (float(found.charted(x)[-1]) - found.centre) / found.sd
    score = engine.prediction_score(off, found.size)
    all_scores = np.array([*before, score])
    edges = edges_of(None, spec, within=found.within_df > 0)
    smooth = engine.ewma(all_scores, 0.0, 1.0, weight=spec.weight, width=edges.ewma, steady=spec.steady)
    sums = engine.cusum(all_scores, 0.0, spec.slack)
    for side, total in ((1, sums.high[-1]), (-1, sums.low[-1])):
        if spec.direction in ("both", "up" if side > 0 else "down") and (
                side * off > found.factor or side * smooth.value[-1] > smooth.half_width[-1] or total > edges.cusum):
            return score, True
    limit = engine.precision_limit(found.within, found.within_df, within_df[-1:], spec.precision)[0] if (
        found.within_df > 0) else np.nan
    return score, bool(within_sd[-1] > limit)
