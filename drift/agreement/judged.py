"""The verdict on one group of pairs, on the scale of its harmless difference, and intervals that stand beside."""

from __future__ import annotations

import numpy as np

from drift.agreement.equivalence import Verdict, judge
from drift.agreement.harmless import Harmless
from drift.agreement.pairs import Group
from drift.agreement.structure import Analysis, Structure, analyse
from drift.agreement.variants import LOWER, UPPER, LimitRow, no_ratios
from drift.engine.clusters import bias_and_sd, cluster_intervals, linked_sums, unlinked_sums
from drift.engine.limits_beside import pivotal_limits
from drift.engine.limits_of_agreement import Strata, limits
from drift.errors import Finding
from drift.study import AgreementQuestion

PIVOTAL, RESAMPLED = "plain, pivotal interval", "plain, targets resampled"
FEWEST_RESAMPLED = 50  # targets below which resampling them is clearly too short in simulation


def judged(structure: Structure, group: Group, analysis: Analysis, harmless: Harmless, *, question: AgreementQuestion,
           label: str, rng: np.random.Generator) -> tuple[Verdict | None, list[Finding]]:
    """Judge one group; None, with a finding that says why, where a share cannot be judged.

    Notes
    -----
    A share of the mean of the two is judged by the limits of log ratios, which need positive readings
    (:mod:`drift.agreement.harmless`).
    """
    if not harmless.share:
        return judge(analysis.strata, harmless, n_targets=structure.n_targets, rng=rng), []
    missing = no_ratios(group)
    if not missing:
        try:
            on_logs = analyse(structure, group, scale=harmless.scale)
            return judge(on_logs.strata, harmless, n_targets=structure.n_targets, rng=rng), []
        except ValueError as reason:
            missing = str(reason)
    return None, [Finding(
        severity="warning", code="harmless-share-not-judged", question=question.name,
        message=f"No verdict within {harmless.words}{label}: a share is judged on ratios, and {missing}",
        mend="Give the harmless difference in the reading's unit, or leave such readings out in where.")]


def pivotal_rows(strata: Strata, level: float, unit: str, *, multiplier: float,
                 rng: np.random.Generator) -> list[LimitRow]:
    """Return the generalised pivotal intervals that stand beside those by MOVER; none where the interval is exact.

    Notes
    -----
    In simulation each end of the MOVER interval holds on its own, which a verdict needs; the pivotal interval is as
    short or somewhat shorter and holds as a whole, but not at its inner end (table "coverage" of the family).
    """
    if strata.exact:
        return []
    drawn, tail = pivotal_limits(strata, rng, multiplier=multiplier), 0.5 - level / 2
    return [LimitRow(variant=PIVOTAL, limit=name, value=value, low=bound(tail), high=bound(1 - tail), unit=unit,
                     method="generalised pivotal interval (Weerahandi 1993), beside")
            for name, value, bound in zip((LOWER, UPPER), limits(strata, multiplier=multiplier),
                                          (drawn.lower_bound, drawn.upper_bound), strict=True)]


def resampled_rows(structure: Structure, group: Group, level: float, unit: str, *, multiplier: float,
                   rng: np.random.Generator) -> list[LimitRow]:
    """Return limits with intervals from resampling whole targets; none with few targets, or where sensors repeat too.

    Notes
    -----
    Ends do not rest on normal differences; the limits themselves are still bias -/+ multiplier x SD. With ten targets
    such intervals held in 0.80 to 0.84 of simulated studies, with fifty and more in 0.92 to 0.94.
    """
    if structure.kind == "simple" or len(structure.codes) > 1 or structure.n_targets < FEWEST_RESAMPLED:
        return []
    if structure.kind == "unpaired":
        assert group.readings is not None
        sums = unlinked_sums(*group.readings)
    else:
        sums = linked_sums(group.difference, structure.codes[0])
    found = cluster_intervals(sums, level, rng=rng, multiplier=multiplier)
    bias, sd = (float(x[0]) for x in bias_and_sd(sums, np.ones((1, sums.n))))
    return [LimitRow(variant=RESAMPLED, limit=name, value=bias + sign * multiplier * sd, low=found[name][0],
                     high=found[name][1], unit=unit, method="whole targets resampled 10,000 times, BCa, beside")
            for name, sign in ((LOWER, -1.0), (UPPER, 1.0)) if all(np.isfinite(found[name]))]
