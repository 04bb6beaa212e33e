"""How near the latest check of a sensor is to each limit, and whether by that check alone it is within it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drift.engine.check_alone import chance_by_check
from drift.engine.sensor_forecast import Mixture
from drift.retirement.limits import Limit

if TYPE_CHECKING:
    from drift.today.paths import Path

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Near:
    """What the latest check shows against one limit.

    Parameters
    ----------
    limit : Limit
    shown : float
        The fall from the sensor's own fresh value in percent, or the value itself in the unit of the limit; the mean of
        check and repeat where there is one.
    alone : float
        Probability of being past the limit at the next use by this check alone; NaN where one check cannot tell (the
        fresh check of a limit relative to fresh).
    use : float
        Of the check.
    repeated : bool
        Whether a repeat has been made.
    """

    limit: Limit
    shown: float
    alone: float
    use: float
    repeated: bool

    @property
    def declared(self) -> float:
        """The limit in the unit of ``shown``."""
        return 100 * self.limit.value if self.limit.relative else self.limit.value

    @property
    def unit(self) -> str:
        """Unit of ``shown``."""
        return "%" if self.limit.relative else self.limit.unit

    @property
    def room(self) -> float:
        """How far it is from the limit; negative past it."""
        sign = 1.0 if self.limit.relative else self.limit.sign
        return sign * (self.declared - self.shown)

    def worse_than(self, value: float) -> bool:
        """Tell whether the check shows this value, or one further from fresh."""
        return (1.0 if self.limit.relative else self.limit.sign) * (self.shown - value) >= 0

    def number(self, value: float) -> str:
        """Print a value with the unit: ``24.5 %``, ``1,397 kPa``."""
        size = abs(self.declared)
        places = 1 if self.limit.relative else 0 if size >= 1000 else 1 if size >= 100 else 2 if size >= 10 else 3
        return f"{value:,.{places}f} {self.unit}".rstrip()

    @property
    def words(self) -> str:
        """``a fall of sensitivity of 24.5 % (limit 25 %)``."""
        what = {"sensitivity_change": "a fall of sensitivity", "saturation_pressure": "a saturation pressure"}.get(
            self.limit.key, "a reading")
        return f"{what} of {self.number(self.shown)} (limit {self.limit_number})"

    @property
    def limit_number(self) -> str:
        """The limit as it was declared: ``25 %``, ``1,400 kPa``."""
        return f"{self.declared:,.10g} {self.unit}".rstrip()


def near_limit(path: Path, rows: NDArray[np.int64], line: Mixture, before: Mixture | None, at: float, *,
               slip: bool) -> Near | None:
    """Hold the latest check of a sensor against one limit.

    Parameters
    ----------
    path : Path
    rows : ndarray of int
        Its occasions, in order of use.
    line : Mixture
        Its line from all of them; its start is the fresh value.
    before : Mixture or None
        Its line from those before the latest use.
    at : float
        Uses made by now.
    slip : bool
        The first check of the latest use was a slip that its repeat did not confirm.
    """
    if not len(rows) or path.limit is None:
        return None
    limit, last = path.limit, float(path.use[rows].max())
    latest = rows[path.use[rows] == last]
    repeated = bool((path.repeat[latest] > 0).any())
    used = latest[path.repeat[latest] <= 1]  # none after the first repeat is looked at
    if slip or not len(used):
        used = latest[path.repeat[latest] > 0][:1]
    if not len(used):
        return None
    weight = path.weight[used]
    value = float(weight @ path.value[used] / weight.sum())
    start = float(line.weight @ line.mean[:, 0])
    share = limit.relative and not limit.log
    fresh = limit.relative and last <= path.use[rows].min()
    alone = float("nan") if before is None or fresh else chance_by_check(
        before, value, float(weight.sum()), at + 1 - last, limit.threshold(), sign=limit.sign, relative=limit.relative,
        share=share)
    return Near(limit=limit, shown=shown(limit, value, start), alone=alone, use=last, repeated=repeated)


def shown(limit: Limit, value: float, start: float) -> float:
    """Turn a value of the analysis into what a person reads off: a fall in percent, or the value itself."""
    if limit.relative:
        change = float(np.expm1(value - start)) if limit.log else (value - start) / start
        return 100 * limit.sign * change
    return float(np.exp(value)) if limit.log else value
