"""Which limits the charts of a check standard have: together they hold one stated rate of false alarms."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drift.engine.control_charts import ChartLimits
from drift.engine.joint_limits import joint_limits, mean_rate

if TYPE_CHECKING:
    from drift.control.charts import ChartSpec


def edges_of(n: int | None, spec: ChartSpec, *, within: bool) -> ChartLimits:
    """Return the limits of individuals, EWMA and CUSUM in SDs, those that were asked for in place of joint ones.

    Parameters
    ----------
    n : int or None
        Occasions behind centre and SD; None for scores of predicted occasions, and for a known process.
    spec : ChartSpec
    within : bool
        The scatter inside occasions is charted as well, and takes its part of the rate.
    """
    joint = joint_limits(n, rate=mean_rate(within=within), two_sided=spec.direction == "both")
    return ChartLimits(individuals=spec.multiplier if spec.multiplier is not None else joint.individuals,
                       ewma=spec.width if spec.width is not None else joint.ewma,
                       cusum=spec.sum_limit if spec.sum_limit is not None else joint.cusum)
