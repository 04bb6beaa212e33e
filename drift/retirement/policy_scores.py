"""Scores of policies: money, spoilt sessions and sensors, with their bands, and which of them to choose."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drift.engine.ever_past import bound_error
from drift.engine.policy import COUNTS, Policy, Rates
from drift.retirement.policy_candidates import Candidate
from drift.study import Costs

Floats = NDArray[np.float64]
Four = tuple[float, float, float, float]

PRICED = ("sensor", "spoilt_session", "check", "recalibration")
RETIREMENT, RECALIBRATION = "retirement", "recalibration"
_NONE: Four = (math.nan,) * 4


@dataclass(frozen=True, kw_only=True, eq=False)
class Scored:
    """One policy. Tuples are mean over the draws, low, high, and Monte Carlo error of the mean (see :func:`four`).

    ``spoilt`` counts sessions past a limit or out of tolerance, ``past`` those past a limit alone; all per 100 uses.
    ``ever`` is the share of sensors ever past a limit, mean, upper bound at the confidence of the statement, and Monte
    Carlo error of that bound;
    ``breaks`` names the statements that the policy breaks, of ``RETIREMENT`` and ``RECALIBRATION``.
    """

    candidate: Candidate
    cost: Four
    spoilt: Four
    past: Four
    sensors: Four
    checks: float
    recalibrations: float
    uses: float
    ever: tuple[float, float, float]
    breaks: tuple[str, ...]
    cut: float
    draws: Floats
    best: bool = False
    chosen: bool = False

    @property
    def keeps(self) -> bool:
        """Whether every statement that the study makes holds under the policy."""
        return not self.breaks


def weights(costs: Costs) -> Floats:
    """Cost of one of each of ``COUNTS``; NaN for a cost that is not given."""
    sensor, spoilt, check, again = (math.nan if (v := getattr(costs, k)) is None else float(v) for k in PRICED)
    of = {"sensors": sensor, "past a limit": spoilt, "out of tolerance": spoilt, "checks": check,
          "recalibrations": again}
    return np.array([of.get(name, 0.0) for name in COUNTS])


def costs_per_use(rates: Rates, costs: Costs) -> tuple[Floats, Floats]:
    """Cost per use by policy and draw, and Monte Carlo error; NaN where a policy needs a cost that is not given.

    A sensor and a spoilt session are part of every policy, a check and a recalibration only of those that make them.
    """
    w = weights(costs)
    used = rates.mean.sum(1) > 0
    used[:, [COUNTS.index("sensors"), COUNTS.index("past a limit")]] = True
    missing = (used & np.isnan(w)).any(1)
    found, error = rates.per_use(np.nan_to_num(w))
    return np.where(missing[:, None], math.nan, found), np.where(missing, math.nan, error)


def is_count(policy: Policy) -> bool:
    """Whether no check retires a sensor before its count."""
    return not policy.check_every and (not policy.noticed_after or math.isfinite(policy.retire_after))


def broken(policy: Policy, upper: float, *, retire: float, interval: float | None, allowed: float,
           longest: float = math.inf) -> tuple[str, ...]:
    """Return the statements that a policy breaks.

    Parameters
    ----------
    policy : Policy
    upper : float
        Upper bound of the share of its sensors that is ever past a limit.
    retire : float
        Retire-after count.
    interval : float or None
        Recalibration interval, NaN where refused; None where no tolerance is declared.
    allowed : float
        Share that [retirement] allows past a limit.
    longest : float
        Longest count that can be stated. A simulation knows no more of later uses than the counts do, so that a policy
        which keeps sensors longer keeps no statement.
    """
    keeps = policy.retire_after <= retire or (
        not is_count(policy) and policy.retire_after <= longest and upper <= allowed)
    made: tuple[str, ...] = () if keeps else (RETIREMENT,)
    if interval is None:
        return made
    # A calibration holds until the next one, or the last until the sensor is retired.
    oldest = min(policy.recalibrate_every or math.inf, policy.retire_after)
    return made if oldest <= interval else (*made, RECALIBRATION)


def distinct(found: Sequence[Candidate], rates: Rates) -> tuple[list[Candidate], Rates]:
    """Leave out a policy that differs from another only in when failures are noticed, where none was to notice.

    The one that stays says in its note that failures are noticed or not.
    """
    kept: list[int] = []
    notes: dict[int, str] = {}
    for i, c in enumerate(found):
        twin = next((j for j in kept if found[j].key[:3] == c.key[:3] and found[j].guard == c.guard
                     and np.array_equal(rates.mean[i], rates.mean[j])), -1)
        if twin < 0:
            kept.append(i)
        else:
            notes[twin] = f"{found[twin].note or c.note}, failures noticed or not"
    left = [replace(found[i], note=notes.get(i, found[i].note)) for i in kept]
    return left, replace(rates, mean=rates.mean[kept], within=rates.within[kept], cut=rates.cut[kept])


def score(found: Sequence[Candidate], rates: Rates, ever: Floats, costs: Costs, *, level: float, retire: float,
          content: float, confidence: float, interval: float | None = None,
          longest: float = math.inf) -> list[Scored]:
    """Score every policy and mark those that no other beats in cost and spoilt sessions together.

    ``ever``, shape (n_policies, n_bound_draws), is the share of sensors ever past a limit.
    """
    money, money_error = costs_per_use(rates, costs)
    hundred = {name: rates.per_use(100.0 * np.isin(COUNTS, names)) for name, names in (
        ("spoilt", ("past a limit", "out of tolerance")), ("past", ("past a limit",)), ("sensors", ("sensors",)),
        ("checks", ("checks",)), ("recalibrations", ("recalibrations",)))}
    made = []
    spoilt = float(np.nan_to_num(weights(costs)[COUNTS.index("past a limit")]))
    for i, c in enumerate(found):
        once = _one_in(rates, i)
        upper = max(float(np.quantile(ever[i], confidence)), float(ever[i].mean()))
        breaks = broken(c.policy, upper, retire=retire, interval=interval, allowed=1 - content,
                        longest=longest)
        made.append(Scored(
            candidate=c, cost=four(money[i], money_error[i], level, one=once * spoilt / 100), breaks=breaks,
            cut=float(rates.cut[i]),
            spoilt=four(hundred["spoilt"][0][i], hundred["spoilt"][1][i], level, one=once),
            past=four(hundred["past"][0][i], hundred["past"][1][i], level, one=once),
            sensors=four(hundred["sensors"][0][i], hundred["sensors"][1][i], level),
            checks=float(hundred["checks"][0][i].mean()), uses=float(rates.mean[i, :, 1].mean()),
            recalibrations=float(hundred["recalibrations"][0][i].mean()),
            ever=(float(ever[i].mean()), upper, bound_error(ever[i], confidence)), draws=money[i]))
    return _marked(made)


def _one_in(rates: Rates, i: int) -> float:
    """Return the rate per 100 uses that one spoilt session in all simulated lives of a policy would be."""
    return 100 / float(rates.mean[i, :, COUNTS.index("uses")].sum() * rates.lives)


def four(values: Floats, error: float, level: float, *, one: float = 0.0) -> Four:
    """Mean over draws, band, and Monte Carlo error of the mean.

    Parameters
    ----------
    values : ndarray, shape (n_draws,)
    error : float
        Monte Carlo error of the mean.
    level : float
    one : float
        For rare events, what one of them adds to the mean; 0 for a sum of many.

    Notes
    -----
    The band is the quantiles over the draws. Where few of the draws or lives carry the mean, those quantiles may leave
    it out, or be one and the same number; the band then reaches as far as the Monte Carlo interval of the mean, for
    rare events the gamma interval, which has an upper end also where none was met.

    References
    ----------
    Fay, M. P. and Feuer, E. J. (1997), Statistics in Medicine 16, 791-801 (gamma interval of weighted counts).
    """
    if not np.isfinite(values).all():
        return _NONE
    low, high = np.quantile(values, [(1 - level) / 2, (1 + level) / 2])
    mean = float(values.mean())
    least, most = _of_mean(mean, float(error), level, one)
    return mean, min(float(low), least), max(float(high), most), float(error)


def _of_mean(mean: float, error: float, level: float, one: float) -> tuple[float, float]:
    """Monte Carlo interval of a mean."""
    from scipy.special import chdtri, ndtri

    tail = (1 - level) / 2
    if one <= 0 or mean > 1000 * max(error, one):  # many events carry it
        half = float(ndtri(1 - tail)) * max(error, one)
        return max(mean - half, 0.0), mean + half
    variance, more = error**2, error**2 + one**2
    low = 0.0 if not variance > 0 else variance / (2 * mean) * float(chdtri(2 * mean**2 / variance, 1 - tail))
    return low, more / (2 * (mean + one)) * float(chdtri(2 * (mean + one) ** 2 / more, tail))


def over_draws(values: Floats, level: float) -> tuple[float, float, float]:
    """Mean and quantiles over the draws of a difference between policies, the quantiles holding the mean."""
    mean = float(values.mean())
    low, high = np.quantile(values, [(1 - level) / 2, (1 + level) / 2])
    return mean, min(float(low), mean), max(float(high), mean)


def _marked(made: list[Scored]) -> list[Scored]:
    """Mark policies that no other beats: in cost and spoilt sessions, or in every rate where there is no cost."""
    priced = all(math.isfinite(s.cost[0]) for s in made)

    def rates(s: Scored) -> tuple[float, ...]:
        return (s.cost[0], s.spoilt[0]) if priced else (s.spoilt[0], s.sensors[0], s.checks, s.recalibrations)

    every = [rates(s) for s in made]

    def beaten(a: tuple[float, ...]) -> bool:
        return any(all(x <= y for x, y in zip(b, a, strict=True)) and b != a for b in every)

    marked = [replace(s, best=not beaten(a)) for s, a in zip(made, every, strict=True)]
    i = choice(marked)
    return [replace(s, chosen=j == i) for j, s in enumerate(marked)]


def choice(made: Sequence[Scored]) -> int:
    """Index of the cheapest policy that keeps the statement; -1 where none does or none has a cost."""
    keep = [i for i, s in enumerate(made) if s.keeps and math.isfinite(s.cost[0])]
    return min(keep, key=lambda i: made[i].cost[0], default=-1)


def cheapest(made: Sequence[Scored]) -> int:
    """Index of the cheapest policy, whether or not it keeps the statement; -1 where none has a cost."""
    priced = [i for i, s in enumerate(made) if math.isfinite(s.cost[0])]
    return min(priced, key=lambda i: made[i].cost[0], default=-1)


def changed(costs: Costs, name: str, factor: float) -> Costs:
    """Return the costs with one of them multiplied."""
    return costs.model_copy(update={name: getattr(costs, name) * factor})
